"""Numbers that are stated once: streams of random numbers, properties of steel and ground, shapes of canals."""

import math

import numpy as np
import pandas as pd
import pytest
from scipy.stats import norm

from sitefinder.catalogue.costs import CostLaw
from sitefinder.catalogue.turbines import SettingLaw
from sitefinder.energy.costs import (
    LawNumbers,
    is_extrapolated,
    law_numbers,
    turbine_capital,
    turbine_cost,
    value_by_prices,
)
from sitefinder.energy.fish_survival import AS_STATED, NO_EVIDENCE, drawn_places
from sitefinder.energy.hydraulics import MEDIAN_PERCENT, water_depths
from sitefinder.energy.runners import suction_head_m
from sitefinder.energy.uncertainty import (
    _even_normals,
    _even_uniforms,
    _mirrored,
    _own_normals,
    _shuffled_columns,
    _variance_shares,
    intervals,
    nested_normals,
)
from sitefinder.energy.works import conduit_works, penstock_length_m, route_prices, works_numbers
from sitefinder.vocabulary import EVIDENCE_GRADES, names


def stream(seed, *key):
    return np.random.Generator(np.random.Philox(np.random.SeedSequence(seed, spawn_key=key)))


def test_each_source_of_chance_has_a_stream_of_its_own():
    # The region has stream 0, each site one of stream 1 by its tailrace, ground has 3 and fish 4. Another stream
    # would move every interval of a delivery.
    own = _own_normals([4, 70], 3, 5, 9, 2)
    for row, station in enumerate((4, 70)):
        drawn = stream(9, 1, station).standard_normal((3, 4))
        assert own[row].tolist() == np.concatenate([drawn, -drawn])[:5].tolist()

    # Three stations that share no ground, so that each has its own numbers; the last is not asked for.
    apart = np.full(3, -1), np.array([1.0, 2.0, 3.0])
    normals = nested_normals(*apart, np.array([1, 0]), 5, 9, 2)
    for component in range(2):
        drawn = np.array([stream(9, 3, draw, component).standard_normal(3)[[1, 0]] for draw in range(3)]).T
        assert normals[..., component].tolist() == np.concatenate([drawn, -drawn], axis=1)[:, :5].tolist()
    assert nested_normals(*apart, np.array([2]), 2, 9).shape == (1, 2, 1)

    assert np.array(drawn_places(9, 6)).tolist() == stream(9, 4).random((3, 6)).tolist()


def test_even_numbers_come_from_a_stream_in_this_order():
    # Strata first, then the place within each, then the sign: half of them are below nothing.
    one, other = stream(7), stream(7)
    strata, within = np.argsort(one.random((40, 2)), axis=0), one.random((40, 2))
    sizes, is_below = norm.isf((strata + within) / 40 / 2.0), one.random((40, 2)) < 0.5

    normals = _even_normals(other, 40, 2)

    np.testing.assert_allclose(normals, np.where(is_below, -sizes, sizes), rtol=1e-12)
    assert (_even_uniforms(stream(7), 40, 2) == (strata + within) / 40).all()
    order = stream(8)
    shuffled = np.concatenate([order.permutation(3) for _ in range(3)])
    assert _shuffled_columns(stream(8), 3, 7).tolist() == shuffled[:7].tolist()
    assert _mirrored(np.array([1.0, 2.0, 3.0]), 5).tolist() == [1.0, 2.0, 3.0, -1.0, -2.0]


def test_tenths_of_a_thousand_simulations_are_exact():
    rows = np.array([np.arange(1.0, 1001.0), np.arange(1000.0, 0.0, -1.0)])

    assert [part.tolist() for part in intervals(rows)] == [[100.0] * 2, [500.0] * 2, [900.0] * 2]
    assert [part.tolist() for part in intervals(rows, of_cost=True)] == [[900.0] * 2, [500.0] * 2, [100.0] * 2]


def test_shares_of_the_variance_are_of_the_sum_and_of_the_logarithm_of_the_cost():
    # Variances of 1, 4, 9 and 0 of two draws each, and costs that are powers of e.
    alone = {
        "head": np.array([[1.0, 3.0], [5.0, 5.0]]), "flow": np.array([[1.0, 5.0], [5.0, 5.0]]),
        "year": np.array([[1.0, 7.0], [5.0, 5.0]]), "efficiency": np.array([[2.0, 2.0], [5.0, 5.0]]),
    }  # fmt: skip
    yearly = np.exp(np.array([[1.0, 3.0], [2.0, 2.0]]))

    shares = _variance_shares(alone, yearly)

    energy = {"head": 1 / 14, "flow": 4 / 14, "year": 9 / 14, "efficiency": 0.0}
    assert {name: part[0] for name, part in shares.energy.items()} == pytest.approx(energy)
    logs = {"head": (math.log(3.0) / 2.0) ** 2, "flow": (math.log(5.0) / 2.0) ** 2, "year": 0.0, "efficiency": 0.0}
    logs["cost"] = 1.0
    whole = sum(logs.values())
    assert {name: part[0] for name, part in shares.cost.items()} == pytest.approx(
        {name: part / whole for name, part in logs.items()}
    )
    # Where nothing errs there are none.
    assert all(np.isnan(part[1]) for part in (*shares.energy.values(), *shares.cost.values()))


@pytest.mark.parametrize(
    ("downstream", "area", "shapes"),
    [
        (np.full(3, -1), np.ones(2), r"found \(3,\) and \(2,\)"),
        (np.full((2, 1), -1), np.ones((2, 1)), r"found \(2, 1\) and \(2, 1\)"),
    ],
)
def test_stations_without_an_area_each_are_refused(downstream, area, shapes):
    with pytest.raises(ValueError, match=f"must have the same length, {shapes}"):
        nested_normals(downstream, area, np.array([0]), 2, 1)


def test_a_stated_share_is_the_middle_of_its_range_and_no_evidence_the_last_grade():
    assert tuple(AS_STATED) == (0.5, 0.5, 0.5)
    assert names(EVIDENCE_GRADES)[NO_EVIDENCE] == names(EVIDENCE_GRADES)[-1]


def with_slope(settings, slope, **changes):
    return settings.model_copy(
        update={"energy": settings.energy.model_copy(update={"canal_slope": slope} | changes)}
    )


def test_a_level_canal_costs_what_one_of_a_ten_thousandth_does(generic_costs, settings):
    level, flattest, flat = (
        works_numbers(generic_costs, with_slope(settings, slope)) for slope in (0.0, 1e-4, 1.05e-4)
    )

    assert level.canal_dug_per_m == flattest.canal_dug_per_m
    # The area goes with the slope to the power of -3/8.
    assert flattest.canal_dug_per_m == pytest.approx(flat.canal_dug_per_m * 1.05**0.375)
    assert generic_costs.penstock.steel_per_kg * 7850.0 == pytest.approx(level.penstock_steel_per_m3)
    # The pressure of a metre of water with its surge, on the half of the wall on either side.
    penstock = generic_costs.penstock
    assert level.penstock_pressure_share_per_m == pytest.approx(
        9806.65 * (1.0 + penstock.surge_share) / (2.0e6 * penstock.allowable_stress_mpa)
    )
    assert level.penstock_handling_m == pytest.approx(penstock.handling_constant_m / penstock.handling_divisor)
    assert level.penstock_diameter_m == pytest.approx(
        math.sqrt(4.0 / (math.pi * settings.energy.pipe_velocity_m_s))
    )
    assert level.forebay_per_m3s == generic_costs.forebay.per_m3 * generic_costs.forebay.seconds_held


@pytest.mark.parametrize("conduit", ["canal", "pipe"])
def test_a_pipe_is_penstock_over_any_length(generic_costs, settings, conduit):
    works = works_numbers(generic_costs, with_slope(settings, 0.001, conduit=conduit))

    length_m = penstock_length_m(np.array([90_000.0]), np.array([0.5]), works)

    by_head = 0.5 * generic_costs.penstock.length_per_head
    assert length_m.tolist() == [90_000.0 if conduit == "pipe" else by_head]


@pytest.mark.parametrize("conduit", ["canal", "pipe"])
@pytest.mark.parametrize("has_buildings", [False, True])
def test_ground_beside_a_canal_is_moved_by_its_width_and_crossings_are_paid_for(
    generic_costs, settings, conduit, has_buildings
):
    settings = with_slope(settings, 0.001, conduit=conduit)
    ground = {
        "conduit_length_m": [500.0, 90.0], "headrace_length_m": [400.0, np.nan], "canal_length_m": [380.0, np.nan],
        "penstock_length_m": [100.0, np.nan], "bench_m": [3.0, np.nan], "cut_m2": [5.0, np.nan],
        "cut_m3": [7.0, np.nan], "aqueduct_length_m": [11.0, np.nan], "tunnel_length_m": [13.0, np.nan],
        "crossings": [2.0, np.nan], "road_crossings": [3.0, np.nan],
    }  # fmt: skip
    if has_buildings:
        ground["building_crossings"] = [4.0, np.nan]
    prices = generic_costs.crossings.model_copy(
        update={"aqueduct_per_m": 17.0, "tunnel_per_m": 19.0, "per_stream": 23.0, "per_road": 29.0}
        | {"per_building": 31.0}
    )
    costs = generic_costs.model_copy(update={"crossings": prices})

    works = conduit_works(pd.DataFrame(ground), np.array([4.0, 6.0]), costs, settings)

    # Half a hexagon of side s: 3 s are wet, and the water is 2 s wide; 1 m³/s by Manning's formula.
    side = (2.0 ** (2 / 3) * costs.canal.manning_n / math.sqrt(3.0 * 0.001)) ** 0.375 * 2.0 / math.sqrt(3.0)
    earth = getattr(costs.canal, f"{settings.costs.ground}_per_m3")
    first = {
        "canal_m": 380.0 if conduit == "canal" else 0.0,
        "penstock_m": 100.0 if conduit == "canal" else 480.0,
        "bench": earth * (2.0 * side) ** 2 / 2.0 * 3.0,
        "cut": earth * 2.0 * side * 5.0,
        "aqueduct": 17.0 * 11.0,
        # Its sides lie back as much as they are high.
        "cut_fixed": earth * 7.0,
        "crossings": 19.0 * 13.0 + 23.0 * 2.0 + 29.0 * 3.0 + (31.0 * 4.0 if has_buildings else 0.0),
        "least_m": 0.0,
    }
    assert {name: part[0] for name, part in works._asdict().items()} == pytest.approx(first)
    # Where the ground was not looked at: the penstock by its head, and the rest a level canal.
    penstock_m = min(90.0, 6.0 * costs.penstock.length_per_head) if conduit == "canal" else 90.0
    assert [part[1] for part in works] == pytest.approx([90.0 - penstock_m, penstock_m] + [0.0] * 6)
    table = works.for_search
    assert table[:, :3].tolist() == np.column_stack(works[:3]).tolist()
    assert table[:, 3:].tolist() == np.column_stack([works.cut + works.aqueduct, works.least_m]).tolist()
    # Ways are compared by the same prices at a flow of 4 m³/s.
    way = route_prices(np.array([4.0]), np.array([5.0]), costs, settings)
    width = 2.0 * side * 4.0**0.375
    assert way["cut_per_m2"] == pytest.approx(earth * width)
    assert way["bench_per_m"] == pytest.approx(earth * width**2 / 2.0)
    assert way["cut_per_m3"] == pytest.approx(earth)
    assert [way[name][0] for name in ("per_crossing", "per_road", "per_building")] == [23.0, 29.0, 31.0]


@pytest.mark.parametrize("tunnels", [False, True])
@pytest.mark.parametrize(("tunnel_per_m", "per_building"), [(0.0, 0.0), (0.5, 0.5), (900.0, 800.0)])
@pytest.mark.parametrize("aqueduct_per_m", [1.0, 1e6])
def test_what_has_no_price_is_no_way_and_an_aqueduct_costs_no_less_than_a_canal(
    generic_costs, settings, tunnels, tunnel_per_m, per_building, aqueduct_per_m
):
    prices = {"tunnel_per_m": tunnel_per_m, "per_building": per_building, "aqueduct_per_m": aqueduct_per_m}
    costs = generic_costs.model_copy(update={"crossings": generic_costs.crossings.model_copy(update=prices)})
    conduits = settings.conduits.model_copy(update={"tunnels": tunnels})

    way = route_prices(
        np.array([1.0, 4.0]), np.array([5.0, 5.0]), costs, settings.model_copy(update={"conduits": conduits})
    )

    assert way["tunnel_per_m"].tolist() == [tunnel_per_m if tunnels and tunnel_per_m else np.inf] * 2
    assert way["per_building"].tolist() == [per_building or np.inf] * 2
    assert works_numbers(costs, settings).tunnel_per_m == (tunnel_per_m or np.inf)
    plain = aqueduct_per_m * np.array([1.0, 4.0]) ** 0.375
    assert way["aqueduct_per_m"].tolist() == pytest.approx(np.maximum(plain, way["canal_per_m"]).tolist())


def test_the_air_carries_a_column_of_water_less_its_vapour_and_a_metre_less_for_each_900_metres():
    # n_QE of 1 at any head, and a sigma of a tenth of it.
    law = SettingLaw(
        speed_factor=1.0, speed_exponent=0.0, sigma_factor=0.1, sigma_exponent=1.0, max_depth_m=1.0, source="-"
    )

    found = suction_head_m(law, np.array([5.0, 5.0, 7.0]), np.array([0.0, 900.0, 0.0]))

    assert found.tolist() == pytest.approx([10.06 - 0.5, 9.06 - 0.5, 10.06 - 0.7])


def test_a_law_is_of_one_unit_where_no_number_is_given_and_has_no_fixed_part_where_none_is():
    law = CostLaw(
        coefficient=1000, power_exponent=0.5, head_exponent=-1, currency="EUR", year=2024, power_range_kw=(1, 100),
        source="an example",
    )  # fmt: skip

    assert turbine_cost(law, 16.0, 2.0) == turbine_cost(law, 16.0, 2.0, 1) == 2000.0
    assert law_numbers(law) == LawNumbers(1000.0, 0.5, -1.0, True)
    assert LawNumbers(1.0, 1.0, 0.0, True).fixed == 0.0
    # Four of 4 kW each, at 1000 · 2 / 2 and 50 besides.
    assert turbine_capital(1000.0, 0.5, -1.0, 16.0, 2.0, 4, 50.0) == 4 * (1000.0 + 50.0)
    # 150 kW of one unit are more than the law was made for, and of two are not.
    assert [bool(is_extrapolated(law, 150.0, 2.0, *units)) for units in ((), (1,), (2,))] == [True, True, False]


def test_an_unknown_day_of_survey_has_the_flow_of_half_the_time(settings):
    curve, exceedance = np.array([[5.0, 3.0, 1.0]]), np.array([0.25, 0.5, 0.75])

    found = water_depths(curve, exceedance, np.array([3.0]), settings.tailwater)

    assert found.survey_m.tolist() == [found.depth_m[0, 1]]
    assert MEDIAN_PERCENT == 50.0


@pytest.mark.parametrize(("own_max", "own"), [(np.inf, 50.0), (60.0, 50.0), (30.0, 30.0), (0.0, 0.0)])
def test_own_use_is_a_share_up_to_an_amount_and_the_rest_is_sold(own_max, own):
    # Half of 100 at 5 apiece as far as it is used, and what is left at 2.
    assert value_by_prices(100.0, 2.0, 5.0, 0.5, own_max) == 5.0 * own + 2.0 * (100.0 - own)
