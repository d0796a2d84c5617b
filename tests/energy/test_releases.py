"""What scheme types leave in the stream, and energy by months."""

from itertools import pairwise

import numpy as np
import pandas as pd
import pandas.testing
import pytest

from sitefinder.energy.expectation import kinds_of, residual_flow_of
from sitefinder.energy.hydraulics import net_head_m
from sitefinder.energy.operation import by_residual_flow, residual_flow, shutdown_share
from sitefinder.energy.plant import plant_powers_kw, yearly_energy_mwh
from sitefinder.energy.turbines import turbine_table
from sitefinder.energy.valuation import turbine_options, value_stretches
from sitefinder.hydrology.months import Months, shares_of_bins
from sitefinder.hydrology.regime import over_months
from sitefinder.hydrology.seasons import BIN_MONTH
from sitefinder.settings import EnergySettings, ReleaseSettings

FLOW, ENVIRONMENTAL_FLOW = np.array([[10.0, 4.0, 1.0, 0.2]]), np.array([[1.0, 1.0, 1.0, 0.2]])
MEAN = np.array([3.8])


def left(undiverted, with_pass, closed=None, **settings):
    return residual_flow(
        FLOW, ENVIRONMENTAL_FLOW, MEAN, undiverted, with_pass, ReleaseSettings(**settings), closed
    ).tolist()[0]


def test_by_default_all_scheme_types_leave_the_environmental_flow():
    assert ReleaseSettings().changes_nothing
    for undiverted in (False, True):
        for with_pass in (False, True):
            assert left(undiverted, with_pass) == ENVIRONMENTAL_FLOW.tolist()[0]


def test_the_fish_pass_is_inside_the_environmental_flow_or_on_top():
    assert left(False, True, fish_pass_m3s=0.3) == [1.0, 1.0, 1.0, 0.2]
    assert left(False, True, fish_pass_m3s=1.5) == [1.5, 1.5, 1.0, 0.2]
    assert left(False, True, fish_pass_m3s=0.3, fish_pass_in_environmental_flow=False) == [1.3, 1.3, 1.0, 0.2]
    assert left(False, True, fish_pass_share_of_mean=0.5) == pytest.approx([1.9, 1.9, 1.0, 0.2])
    assert left(False, False, fish_pass_m3s=1.5) == ENVIRONMENTAL_FLOW.tolist()[0]


def test_a_scheme_type_without_diverted_length_leaves_its_share_over_the_crest():
    assert left(True, False, crest_share=0.0) == [0.0, 0.0, 0.0, 0.0]
    assert left(True, False, crest_share=0.5, crest_min_m3s=0.7) == [0.7, 0.7, 0.7, 0.2]
    assert left(False, False, crest_share=0.0) == ENVIRONMENTAL_FLOW.tolist()[0]
    # In closed months everything stays, whatever the scheme type.
    closed = np.array([True, False, False, False])
    assert left(True, False, closed, crest_share=0.0) == [10.0, 0.0, 0.0, 0.0]


@pytest.mark.parametrize(
    ("kind", "settings", "expected"),
    [
        ((True, False), {}, [1.0, 1.0, 1.0, 0.2]),
        ((True, False), {"crest_share": 0.0}, [0.0, 0.0, 0.0, 0.0]),
        ((False, False), {"crest_share": 0.0}, [1.0, 1.0, 1.0, 0.2]),
        ((False, True), {"fish_pass_m3s": 1.5}, [1.5, 1.5, 1.0, 0.2]),
    ],
)
def test_drawn_flows_leave_what_their_kind_of_scheme_type_does(kind, settings, expected):
    left_of = residual_flow_of(kind, ReleaseSettings(**settings))

    assert left_of(FLOW, ENVIRONMENTAL_FLOW, MEAN, None).tolist()[0] == expected


def test_stretches_are_grouped_by_diverted_length_and_fish_pass(generic_costs):
    lenient = generic_costs.fish_pass.model_copy(update={"at_existing_barriers": False})
    costs = generic_costs.model_copy(update={"fish_pass": lenient})
    kinds = [("at_barrier", False), ("diversion", True), ("at_barrier", True), ("diversion", False)]
    stretches = pd.DataFrame([*kinds, *kinds[:1]], columns=["scheme_type", "has_fish_pass"])

    found = {kind: rows.tolist() for rows, kind in kinds_of(stretches, costs, ReleaseSettings(crest_share=0.0))}

    # No depleted reach, and a fish pass.
    assert found == {(True, False): [0, 4], (False, True): [1], (True, True): [2], (False, False): [3]}
    # What each leaves beside its turbines: nothing over the crest, or the water of a pass.
    curve, kept = np.array([[10.0, 4.0]]), np.array([[1.0, 1.0]])
    releases = ReleaseSettings(crest_share=0.0, fish_pass_m3s=1.5)
    left = {tuple(rows): flow.tolist() for rows, flow in by_residual_flow(stretches, curve, kept, costs, releases)}
    assert left == {(0, 4): [[0.0, 0.0]], (1,): [[1.5, 1.5]], (2,): [[1.5, 1.5]], (3,): [[1.0, 1.0]]}
    # A pass that takes less than must stay in a depleted reach.
    narrow = ReleaseSettings(crest_share=0.0, fish_pass_m3s=0.5)
    left = {tuple(rows): flow.tolist() for rows, flow in by_residual_flow(stretches, curve, kept, costs, narrow)}
    assert left == {(0, 4): [[0.0, 0.0]], (1,): [[1.0, 1.0]], (2,): [[0.5, 0.5]], (3,): [[1.0, 1.0]]}
    assert [rows.tolist() for rows, _ in by_residual_flow(stretches[:0], curve, kept, costs, releases)] == [[]]
    # Where all leave the same, they are one group.
    alike = list(kinds_of(stretches, costs, ReleaseSettings()))
    assert [(rows.tolist(), kind) for rows, kind in alike] == [([0, 1, 2, 3, 4], (False, False))]


def test_fish_find_the_pass_by_a_share_of_what_the_turbines_take():
    # 5 % of it, inside the environmental flow of 1 m³/s: of 63 m³/s turbines may take 60 and the pass has 3; of 10
    # m³/s the environmental flow is more than the share. On top of the environmental flow: of 22 m³/s they may
    # take 20.
    flow = np.array([[63.0, 22.0, 10.0, 0.5]])
    kept = np.minimum(1.0, flow)
    for inside, expected in ((True, [3.0, 22 / 21, 1.0, 0.5]), (False, [1 + 62 / 21, 2.0, 1 + 9 / 21, 0.5])):
        settings = ReleaseSettings(attraction_share=0.05, fish_pass_in_environmental_flow=inside)
        with_pass = residual_flow(flow, kept, flow.mean(axis=1), True, True, settings)
        assert with_pass[0] == pytest.approx(expected)
        assert residual_flow(flow, kept, flow.mean(axis=1), True, False, settings)[0] == pytest.approx(kept[0])
        # Whatever turbines then take, the share of it is left beside the environmental flow.
        used = np.minimum(flow - with_pass, 8.0)
        left = residual_flow(flow, kept, flow.mean(axis=1), True, True, settings, used_m3s=used)
        share = 0.05 * used + (0.0 if inside else kept)
        assert left == pytest.approx(np.minimum(np.maximum(share, kept), flow))
        assert (left + used <= flow * (1 + 1e-12)).all()


@pytest.mark.parametrize(
    ("changes", "closed", "expected"),
    [
        ({}, None, None),
        ({"shut_down_times_mean": 1.8}, None, [True, False, False, False]),
        ({"shut_down_exceedance_percent": 50.0}, None, [True, True, False, False]),
        ({"shut_down_times_mean": 1.8, "shut_down_exceedance_percent": 50.0}, None, [True, True, False, False]),
        ({}, [False, False, True, False], [False, False, True, False]),
        ({"shut_down_times_mean": 1.8}, [False, False, True, False], [True, False, True, False]),
    ],
)
def test_turbines_are_shut_down_in_floods_and_in_closed_months(changes, closed, expected):
    # A mean of 5 m³/s; half of the time there is more than 4.5.
    flow = np.array([[9.5, 5.0, 4.0, 1.5]])
    energy = EnergySettings(turbines=["m.toml"], **changes)

    still = shutdown_share(flow, energy, None if closed is None else np.array(closed))

    assert still is None if expected is None else np.atleast_2d(still).tolist() == [expected]


@pytest.mark.parametrize(
    ("lowest", "changes", "mean_flow_m3s"),
    [
        (0.0, {}, 2.800),
        (0.3, {}, 2.728),
        (0.0, {"shut_down_exceedance_percent": 10.0}, 2.400),
        (0.3, {"shut_down_exceedance_percent": 10.0}, 2.328),
        (0.3, {"shut_down_times_mean": 1.8}, 2.328),
    ],
)
def test_order_of_operations_of_a_whole_valuation(
    lowest, changes, mean_flow_m3s, turbine_class, generic_costs, settings
):
    # Q = 10 (1 - p), environmental flow 1, design flow 4 by the class's limit; worked by hand in test_energy.py.
    # Flows above 9 m³/s are 1.8 times the mean, or exceeded 10 % of the time.
    flow = 10.0 * (1.0 - (np.arange(200) + 0.5) / 200)[None, :]
    none_lost = {"rack_and_gate_loss_m": 0.0, "exit_loss_m": 0.0, "availability": 1.0}
    settings = settings.model_copy(update={"energy": settings.energy.model_copy(update=none_lost | changes)})
    turbine = turbine_class(flow_range_m3s=(3.9, 4.0), lowest_relative_flow=lowest)
    rows = pd.DataFrame([plant_row(0, "at_barrier")])

    values = value_stretches(rows, flow, np.minimum(1.0, flow), [turbine], generic_costs, settings).iloc[0]

    assert values["any_flow_design_m3s"] == 4.0
    assert values["any_energy_mwh"] == pytest.approx(9.80665 * 0.72 * 2.0 * mean_flow_m3s * 8.76, rel=1e-12)
    # A turbine that stands still for a tenth of the time in floods and longer in low water has no firm power.
    assert values["any_firm_power_kw"] == 0.0


def plant_row(intake, scheme_type):
    return {
        "intake": intake,
        "scheme_type": scheme_type,
        "head_m": 2.0 + intake,
        "conduit_length_m": 200.0 if scheme_type == "diversion" else 0.0,
        "pond_length_m": 100.0 if scheme_type == "new_weir" else 0.0,
        "weir_height_m": 2.0 if scheme_type == "new_weir" else 0.0,
        "has_fish_pass": intake == 3,
        "road_distance_m": 10.0,
        "line_distance_m": 10.0,
    }


@pytest.fixture(scope="module")
def plants():
    """Twelve stretches of three scheme types at four stations with a year of 365 days, a twelfth reserved."""
    generator = np.random.default_rng(5)
    season = 1.0 + 0.8 * np.cos(2 * np.pi * BIN_MONTH / 12)
    flow = np.array([[0.5], [1.0], [3.0], [8.0]]) * season * generator.exponential(size=(4, 365))
    rows = [
        plant_row(intake, scheme_type)
        for intake in range(4)
        for scheme_type in ("at_barrier", "diversion", "new_weir")
    ]
    return (
        pd.DataFrame(rows, index=np.arange(50, 62)),
        flow,
        np.minimum(flow.mean(axis=1, keepdims=True) / 12, flow),
    )


def with_releases(settings, **changes):
    flows = settings.flows.model_copy(update={"releases": ReleaseSettings(**changes)})
    return settings.model_copy(update={"flows": flows})


def test_each_scheme_type_is_valued_by_what_it_leaves(plants, generic_turbines, generic_costs, settings):
    stretches, flow, environmental_flow = plants
    data = (flow, generic_turbines, generic_costs)
    changed = with_releases(settings, crest_share=0.25, fish_pass_m3s=0.05, fish_pass_in_environmental_flow=False)

    together = value_stretches(stretches, flow, environmental_flow, *data[1:], changed)
    options = turbine_options(stretches, flow, environmental_flow, *data[1:], changed)

    # One by one, with the environmental flow of its scheme type worked out beforehand and no settings of releases.
    for label, row in stretches.iterrows():
        kept = environmental_flow * (1.0 if row["scheme_type"] == "diversion" else 0.25)
        if row["scheme_type"] != "diversion" or row["has_fish_pass"]:
            kept = kept + 0.05
        kept = np.minimum(kept, flow)
        alone = value_stretches(stretches.loc[[label]], flow, kept, *data[1:], settings)
        pandas.testing.assert_frame_equal(together.loc[[label]], alone, check_exact=True)
        expected = turbine_options(stretches.loc[[label]], flow, kept, *data[1:], settings)
        pandas.testing.assert_frame_equal(
            options[options["stretch"] == label].reset_index(drop=True), expected, check_exact=True
        )


def test_leaving_more_never_gives_energy(plants, generic_turbines, generic_costs, settings):
    stretches, flow, environmental_flow = plants
    ranking = settings.ranking.model_copy(update={"choose_by": "energy"})
    settings = settings.model_copy(update={"ranking": ranking})
    steps = [
        {"crest_share": 0.0},
        {"crest_share": 0.5},
        {},
        {"fish_pass_m3s": 0.05, "fish_pass_in_environmental_flow": False},
        {"fish_pass_m3s": 0.2, "fish_pass_in_environmental_flow": False, "crest_min_m3s": 0.4},
    ]

    energy = [
        value_stretches(
            stretches, flow, environmental_flow, generic_turbines, generic_costs, with_releases(settings, **step)
        )["any_energy_mwh"].fillna(0.0)
        for step in steps
    ]

    for less, more in pairwise(energy):
        assert (more <= less * (1 + 1e-12)).all()
    assert energy[-1].sum() < energy[0].sum()


def test_the_months_add_up_to_the_year(plants, generic_turbines, generic_costs, settings):
    stretches, flow, environmental_flow = plants
    closed = np.isin(BIN_MONTH, [4, 5])
    environmental_flow = np.where(closed, flow, environmental_flow)
    values = value_stretches(
        stretches, flow, environmental_flow, generic_turbines, generic_costs, settings, closed=closed
    )
    fits = values["any_turbine"] >= 0
    rows, plant = stretches[fits], values[fits]
    intake = rows["intake"].to_numpy(np.int64)

    powers_kw = plant_powers_kw(
        flow,
        environmental_flow,
        np.zeros_like(flow),
        intake,
        intake,
        np.ones(len(rows), dtype=bool),
        net_head_m(rows["head_m"], rows["conduit_length_m"], settings.energy),
        plant["any_flow_design_m3s"].to_numpy(),
        plant["any_power_kw"].to_numpy(),
        plant["any_units"].to_numpy(np.int64),
        plant["any_turbine"].to_numpy(np.int64),
        turbine_table(generic_turbines),
    )
    shares = shares_of_bins(Months("made up", BIN_MONTH), intake)
    months = yearly_energy_mwh(over_months(powers_kw, shares), settings.energy.availability)

    assert len(rows) > 8
    assert months.sum(axis=1) == pytest.approx(plant["any_energy_mwh"].to_numpy(), rel=1e-12)
    assert (months[:, [3, 4]] == 0).all()
    # No month gives more than the rated power for its hours.
    hours = 24 * np.bincount(BIN_MONTH)[1:]
    assert (months <= plant["any_power_kw"].to_numpy()[:, None] * hours * 0.95 / 1000 * (1 + 1e-12)).all()
