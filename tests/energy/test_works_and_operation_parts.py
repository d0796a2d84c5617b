"""Parts of works and operation that kernels are made of, against their formulas at a few sizes."""

import math
from types import SimpleNamespace

import numpy as np
import pytest

from sitefinder.energy import operation, uncertainty
from sitefinder.energy.hydraulics import friction_factor, pipe_friction, pipe_loss_by_diameter_m, pipe_loss_m
from sitefinder.energy.runners import scale_factor, unit_flow_limit
from sitefinder.energy.works import (
    AREA,
    AT_INTAKE,
    CANAL,
    DIAMETER,
    FLOW_TERMS,
    HOUSE,
    LEAST,
    PERIMETER,
    SPILLWAY,
    fill_flow_terms,
    sized_works,
)

# Prices that are powers and multiples of different primes, so that no two terms are alike.
PRICES = {
    "powerhouse_flow_exponent": 0.6, "intake": 13.0, "intake_flow_exponent": 0.7, "spillway": 17.0,
    "spillway_flow_exponent": 0.4, "canal_dug_per_m": 2.0, "canal_lined_per_m": 3.0, "canal_per_m": 5.0,
    "aqueduct_per_m": 90.0, "tunnel_per_m": 95.0, "penstock_diameter_m": 0.8, "penstock_steel_per_m3": 700.0,
    "penstock_handling_m": 0.001, "penstock_handling_share": 0.0025, "penstock_pressure_share_per_m": 1e-5,
    "penstock_corrosion_m": 0.0, "penstock_laying_per_m2": 11.0, "forebay_per_m3s": 19.0, "transformer": 23.0,
    "transformer_power_exponent": 0.8,
}  # fmt: skip


# By Manning's formula the area goes with the flow to the power of 3/4, and lengths with half of that.
@pytest.mark.parametrize(("aqueduct", "tunnel", "cheapest"), [(90.0, 95.0, 0), (4.0, 95.0, 1), (90.0, 7.0, 2)])
def test_works_of_a_flow_go_with_its_powers(aqueduct, tunnel, cheapest):
    terms, flow = np.full((3, FLOW_TERMS), np.nan), 6.0
    works = SimpleNamespace(**(PRICES | {"aqueduct_per_m": aqueduct, "tunnel_per_m": tunnel}))

    fill_flow_terms(flow, works, terms, 1)

    area, perimeter = 6.0**0.75, 6.0**0.375
    canal = 2.0 * area + 3.0 * perimeter + 5.0
    expected = {
        HOUSE: 6.0**0.6, AT_INTAKE: 13.0 * 6.0**0.7, SPILLWAY: 17.0 * 6.0**0.4, AREA: area, PERIMETER: perimeter,
        CANAL: canal, LEAST: (canal, 4.0 * perimeter, 7.0)[cheapest], DIAMETER: 0.8 * math.sqrt(6.0),
    }  # fmt: skip
    assert terms[1, list(expected)].tolist() == pytest.approx(list(expected.values()), rel=1e-14)
    assert np.isnan(terms[[0, 2]]).all()


def test_each_of_the_works_is_paid_for_where_there_is_some_of_it():
    terms, works = np.zeros((2, FLOW_TERMS)), SimpleNamespace(**PRICES)
    fill_flow_terms(6.0, works, terms, 1)
    # Canal, penstock, by area, by perimeter and of no known kind, down to half a metre or a half of money.
    wall = 0.001 + 0.0025 * terms[1, DIAMETER]
    per_m = {
        0: terms[1, CANAL],
        1: 700.0 * math.pi * terms[1, DIAMETER] * wall + 11.0 * terms[1, DIAMETER],
        2: terms[1, AREA],
        3: terms[1, PERIMETER],
        4: terms[1, LEAST],
    }
    with_canal = 19.0 * 6.0 + terms[1, SPILLWAY]
    alone = 31.0 * terms[1, HOUSE] + terms[1, AT_INTAKE] + 23.0 * 50.0**0.8

    assert sized_works(50.0, 6.0, terms, 1, 4.0, 31.0, *[0.0] * 5, works) == pytest.approx(alone, rel=1e-14)
    for amount in (0.5, 40.0):
        for place, price in per_m.items():
            sizes = [amount * (each == place) for each in range(5)]
            cost = sized_works(50.0, 6.0, terms, 1, 4.0, 31.0, *sizes, works)
            expected = alone + amount * price + (with_canal if place == 0 else 0.0)
            assert cost == pytest.approx(expected, rel=1e-13)


def test_a_plant_without_head_takes_nothing():
    for head in (0.0, -1.0):
        assert operation.plant_flow_head(1.0, 2.0, 2, np.ones(5), 0.0, head, 0.0) == (0.0, 0.0)


@pytest.mark.parametrize("nodes", [2, 3, 5])
def test_the_efficiency_between_nodes_is_on_the_line_between_them(nodes):
    table = np.linspace(0.1, 0.9, nodes) ** 2

    for relative in (0.0, 0.1, 0.5, 0.7, 0.95, 1.0):
        expected = np.interp(relative, np.linspace(0.0, 1.0, nodes), table)
        assert operation.efficiency_at(table, relative) == pytest.approx(expected, rel=1e-14)


# With a constant efficiency x · (head - loss · x²) is greatest at √(head / 3 loss): nodes are fourths.
@pytest.mark.parametrize(
    ("head", "loss", "last", "node"),
    [(3.0, 3.0, 3, 2), (3.0, 3.0, 1, 1), (3.0, 1.5, 3, 3), (3.0, 1.5, 2, 2), (0.6, 2.0, 3, 1), (4.0, 1.0, 3, 3)],
)
def test_what_a_node_near_the_maximum_reaches(head, loss, last, node):
    efficiency = np.array([0.3, 0.5, 0.7, 0.8, 0.76])
    at = node / 4.0
    value = at * efficiency[node] * (head - loss * at * at)

    for lowest in (0.0, at - 1e-9, at):
        reached = operation._reached_at_a_node(last, efficiency, lowest, head, loss)
        assert value * (1.0 - 1.05e-9) < reached < value * (1.0 - 0.95e-9)
    assert operation._reached_at_a_node(last, efficiency, at + 1e-9, head, loss) == 0.0


@pytest.mark.parametrize("maximum", [0.1, 0.25, 0.4, 0.5, 0.8, 1.0])
@pytest.mark.parametrize("lowest", [0.0, 0.2, 0.3])
@pytest.mark.parametrize(("head", "loss"), [(0.3, 2.0), (1.0, 2.0), (2.0, 2.0), (3.5, 1.0), (0.6, 6.0)])
def test_throttled_flow_is_the_best_of_many(maximum, lowest, head, loss):
    lowest = min(lowest, maximum)
    # The second curve has its best efficiency at a tenth, and falls.
    for efficiency in (np.array([0.3, 0.5, 0.7, 0.8, 0.76]), np.array([0.9, 0.85, 0.8, 0.75])):
        tried = np.linspace(lowest, maximum, 4_001)
        values = np.interp(tried, np.linspace(0.0, 1.0, len(efficiency)), efficiency) * tried
        values *= head - loss * tried**2

        at, value = operation._throttled(maximum, efficiency, lowest, head, loss)

        assert value == pytest.approx(values.max(), rel=5e-6, abs=1e-12)
        assert value >= values.max() * (1.0 - 1e-14 * np.sign(values.max()))
        assert lowest <= at <= maximum
        own = at * np.interp(at, np.linspace(0.0, 1.0, len(efficiency)), efficiency) * (head - loss * at * at)
        assert own == pytest.approx(value, rel=1e-12)


def test_bins_in_which_a_plant_stands_still_give_nothing():
    # Shut down above 3 m³/s; no water left; no head; and at 3 m³/s itself it runs.
    power, used = np.full(5, np.nan), np.full(5, np.nan)
    operation._fill_bins(
        np.array([3.5, 1.0, 2.0, 3.0, 0.75]), np.array([0.5, 0.9, 0.5, 0.5, 0.25]),
        np.array([2.0, 2.0, 0.0, 2.0, 2.0]), 1.5, 1, np.full(5, 0.8), 0.0, 3.0, 0.0, 0.1, 9.81, power, used,
    )  # fmt: skip

    assert power.tolist() == pytest.approx([0.0, 0.0, 0.0, 9.81 * 0.8 * 2.0 * 1.5, 9.81 * 0.8 * 2.0 * 0.4])
    assert used.tolist() == pytest.approx([0.0, 0.0, 0.0, 1.5, 0.4])


def test_friction_and_loss_of_a_pipe_that_is_not_one_metre_wide():
    # Swamee and Jain's factor, Darcy and Weisbach's loss; Manning's with the hydraulic radius D / 4.
    darcy = SimpleNamespace(
        by_manning=0, velocity_m_s=3.0, viscosity_m2_s=1.3e-6, roughness_m=2e-4, manning_n=0.012, form_loss=0.7,
        gravity_m_s2=9.81,
    )  # fmt: skip
    manning, head = SimpleNamespace(**(vars(darcy) | {"by_manning": 1})), 9.0 / (2.0 * 9.81)
    factor = 0.25 / math.log10(2e-4 / 0.4 / 3.7 + 5.74 / (3.0 * 0.4 / 1.3e-6) ** 0.9) ** 2

    assert friction_factor(3.0 * 0.4 / 1.3e-6, 2e-4 / 0.4) == pytest.approx(factor, rel=1e-14)
    assert pipe_friction(0.4, darcy) == pytest.approx(factor, rel=1e-14)
    assert pipe_friction(0.4, manning) == pytest.approx(0.1 ** (4.0 / 3.0), rel=1e-14)
    losses = {0: (factor * 50.0 / 0.4 + 0.7) * head, 1: 50.0 * 0.012**2 * 9.0 / 0.1 ** (4.0 / 3.0) + 0.7 * head}
    flow = math.pi / 4.0 * 0.4**2 * 3.0
    for way in (darcy, manning):
        friction = pipe_friction(0.4, way)
        assert pipe_loss_by_diameter_m(50.0, 0.4, friction, way) == pytest.approx(
            losses[way.by_manning], rel=1e-13
        )
        assert pipe_loss_m(flow, 50.0, way) == pytest.approx(losses[way.by_manning], rel=1e-13)
        assert pipe_loss_m(flow, 0.0, way) == pipe_loss_m(0.0, 50.0, way) == 0.0
        assert pipe_loss_m(flow, 0.5, way) > 0.0
        assert pipe_loss_m(0.5, 50.0, way) > 0.0


def test_the_flow_of_a_power_is_where_the_efficiency_of_its_size_gives_it():
    # Without a scale effect by the gain alone; with one of 1.2 - 0.4 / √q the power of q is 12 · (1.2 q - 0.4 √q).
    assert unit_flow_limit(30.0, 12.0, 9.0, 1.25, 0.0, 0.0) == 2.0
    assert unit_flow_limit(30.0, 12.0, 1.5, 1.25, 0.0, 0.0) == 1.5
    assert scale_factor(0.04, 1.2, 0.4, 0.5) == 0.0
    for flow in (0.2, 0.8, 4.0):
        power = 12.0 * (1.2 * flow - 0.4 * math.sqrt(flow))
        assert scale_factor(flow, 1.2, 0.4, 0.5) == pytest.approx(power / 12.0 / flow, rel=1e-14)
        assert unit_flow_limit(power, 12.0, 9.0, 1.2, 0.4, 0.5) == pytest.approx(flow, rel=1e-12)
        assert unit_flow_limit(power * 1.001, 12.0, flow, 1.2, 0.4, 0.5) == flow
    # And where the factor is above 1.
    assert unit_flow_limit(
        12.0 * (1.2 * 15.0 - 0.4 * math.sqrt(15.0)), 12.0, 16.0, 1.2, 0.4, 0.5
    ) == pytest.approx(15.0)


@pytest.mark.parametrize("loss", [0.0, 1.0])
def test_mean_power_of_each_draw_is_the_mean_of_its_bins(loss):
    # A single row of flows that is of all draws; below 1 m³/s, no flow at all, and no head left.
    flows, rise = np.array([[2.0, 0.5, 0.0, 0.25]]), np.array([[0.0, 0.5, 0.0, 9.0]])
    heads, rated = np.array([[4.0, 5.0], [6.0, 7.0]]), np.array([[1e9, 1e9], [1e9, 12.0]])

    power = uncertainty._mean_power_simulations(
        flows, rise, heads, rated, 1.0, loss, 1, np.full(5, 0.8), 0.1, 3.0, 10.0
    )

    # 1 m³/s at the whole loss, and half of it at a fourth: each with more than three times its loss as head.
    expected = [
        [
            min(8.0 * (head - loss), most) + min(8.0 * 0.5 * (head - 0.5 - loss / 4.0), most)
            for head, most in zip(*row, strict=True)
        ]
        for row in zip(heads, rated, strict=True)
    ]
    assert power == pytest.approx(np.array(expected) / 4.0, rel=1e-13)


def test_weights_of_small_catchments_are_shares_of_their_area():
    # 0.3 and 0.1 km² run into 0.5 km², which runs into one whose area is not known.
    own, handed = uncertainty._weights(np.array([2, 2, 3, -1], dtype=np.int32), np.array([0.3, 0.1, 0.5, 0.0]))

    assert own == pytest.approx(np.sqrt([1.0, 1.0, 0.1 / 0.5, 0.0]))
    assert handed == pytest.approx(np.sqrt([0.3 / 0.5, 0.1 / 0.5, 1.0, 0.0]))
