"""Parts of the valuation of stretches, each asked alone: water at the ends, rows of the search, best of rows."""

from types import SimpleNamespace

import numpy as np
import pandas as pd
import pandas.testing
import pytest
from one_plant import plant_output
from plain_turbines import plain_screen, plain_turbine, survival

from sitefinder.catalogue.costs import with_screen
from sitefinder.energy import sizing, valuation
from sitefinder.energy.costs import LINE_DISTANCE, place_costs, project_laws
from sitefinder.energy.expectation import expected_water
from sitefinder.energy.hydraulics import WaterDepths, net_head_m, pipe_loss_m, waterway, waterway_lengths_m
from sitefinder.energy.plant import yearly_energy_mwh
from sitefinder.energy.turbines import efficiency_table
from sitefinder.energy.works import conduit_works
from sitefinder.hydrology.flow_errors import FlowModel, stated_flow_errors

# Four stations and four bins.
CURVE = np.array([[9.0, 6.0, 3.0, 1.0], [8.0, 4.0, 2.0, 1.0], [7.0, 5.0, 3.0, 2.0], [4.0, 3.0, 2.0, 1.0]])
ROWS = pd.DataFrame(
    {
        "intake": [2, 0, 2],
        "tailrace": [3, 3, 3],
        "scheme_type": ["diversion", "at_barrier", "new_weir"],
        "head_m": [5.0, 3.0, 2.0],
        "conduit_length_m": [300.0, 0.0, 0.0],
        "pond_length_m": [0.0, 0.0, 80.0],
        "weir_height_m": [0.0, 0.0, 1.5],
        "has_fish_pass": [False, True, False],
        "road_distance_m": [100.0, np.nan, 300.0],
        "line_distance_m": [200.0, np.nan, np.nan],
    },
    index=[7, 5, 9],
)


@pytest.fixture
def model():
    errors = stated_flow_errors(CURVE, None, np.array([0.9, 0.8, 0.7, 0.4]), np.full(4, 0.3))
    return FlowModel(errors, ())


@pytest.fixture
def depths():
    return WaterDepths(0.3 * CURVE**0.4, 0.3 * np.array([4.0, 3.0, 4.0, 2.5]) ** 0.4)


@pytest.mark.parametrize("has_levels", [False, True])
def test_water_is_expected_at_the_stations_that_stretches_begin_and_end_at(
    settings, generic_costs, model, depths, has_levels
):
    # Without levels they are constant: nothing rises anywhere.
    used, given = [0, 2, 3], depths if has_levels else None
    level = depths if has_levels else WaterDepths(np.zeros((4, 4)), np.zeros(4))
    by_hand = expected_water(model.at(used), level.at(used), settings, (False, False))

    water = valuation.expected_by_kind(ROWS, CURVE, generic_costs, settings, given, model)

    assert list(water) == [(False, False)]
    usable_m3s, rise_m = water[(False, False)]
    assert usable_m3s[used].tolist() == by_hand.usable_m3s.tolist()
    assert rise_m[used].tolist() == by_hand.rise_m.tolist()
    # No stretch begins or ends at station 1.
    assert (usable_m3s[1].max(), np.abs(rise_m[1]).max()) == (0.0, 0.0)
    # The same, as groups of stretches: nothing more stays in the stream, and levels are those above the survey's.
    ((rows, flow, left, levels),) = valuation._water(
        ROWS, CURVE, 0.1 * CURVE, generic_costs, settings, given, None, model
    )
    assert (rows.tolist(), left.tolist()) == ([0, 1, 2], np.zeros((4, 4)).tolist())
    assert (flow.tolist(), levels.rise_m.tolist()) == (usable_m3s.tolist(), rise_m.tolist())
    # What is known beforehand is taken as it is.
    known = {(False, False): (CURVE + 1.0, CURVE - 1.0)}
    ((_, flow, _, levels),) = valuation._water(
        ROWS, CURVE, 0.1 * CURVE, generic_costs, settings, given, None, model, known
    )
    assert (flow.tolist(), levels.rise_m.tolist()) == ((CURVE + 1.0).tolist(), (CURVE - 1.0).tolist())


def test_groups_with_other_releases_have_water_of_their_own(settings, generic_costs, model):
    releases = settings.flows.releases.model_copy(update={"fish_pass_m3s": 0.2})
    flows = settings.flows.model_copy(update={"releases": releases})
    settings = settings.model_copy(update={"flows": flows})

    water = valuation.expected_by_kind(ROWS, CURVE, generic_costs, settings, None, model)

    # Each station has water by the kinds of the stretches that begin or end there.
    kinds = valuation.kinds_of(ROWS, generic_costs, releases)
    ends = {kind: sorted(set(ROWS["intake"].iloc[rows]) | {3}) for rows, kind in kinds}
    assert len(ends) > 1
    found = {kind: np.flatnonzero(usable_m3s.max(axis=1)).tolist() for kind, (usable_m3s, _) in water.items()}
    assert found == ends


def test_without_a_model_the_flows_are_taken_as_they_are(settings, generic_costs, depths):
    left = 0.1 * CURVE

    ((rows, flow, left_m3s, levels),) = valuation._water(
        ROWS, CURVE, left, generic_costs, settings, depths, None, None
    )

    assert rows.tolist() == [0, 1, 2]
    assert flow is CURVE
    assert levels is depths
    assert left_m3s.tolist() == left.tolist()
    # Where nothing may be taken all of it stays.
    closed = np.array([True, False, False, True])
    ((_, _, left_m3s, _),) = valuation._water(ROWS, CURVE, left, generic_costs, settings, depths, closed, None)
    assert (left_m3s >= CURVE).tolist() == [closed.tolist()] * 4


@pytest.mark.parametrize("has_levels", [False, True])
def test_the_search_is_given_each_figure_in_its_place(settings, generic_costs, depths, has_levels):
    left, mean = 0.1 * CURVE, CURVE.mean(axis=1)

    found = valuation.search_arguments(
        ROWS, CURVE, left, generic_costs, settings, depths if has_levels else None, mean
    )

    usable, spare, rise_m, intake, tailrace, held, head, kind, pipe_m, fixed, laws, works, flows = found
    ways = sizing.usable_flow(CURVE, left)
    assert (usable.tolist(), spare.tolist()) == (ways[0].tolist(), ways[1].tolist())
    assert rise_m.tolist() == (depths.rise_m if has_levels else np.zeros((4, 4))).tolist()
    assert (intake.tolist(), tailrace.tolist()) == ([2, 0, 2], [3, 3, 3] if has_levels else [2, 0, 2])
    assert held.tolist() == [name in settings.tailwater.held_scheme_types for name in ROWS["scheme_type"]]
    headrace_m, _ = waterway_lengths_m(ROWS, settings.energy)
    by_hand = net_head_m(ROWS["head_m"], headrace_m, settings.energy)
    assert head.tolist() == found[valuation.NET_HEAD].tolist() == by_hand.tolist()
    # In the order of the names of scheme types: at_barrier, diversion, new_weir.
    assert (kind.tolist(), pipe_m.tolist()) == ([1, 0, 2], [0.0] * 3)
    # Places cost by the mean flow at their intakes.
    parts = place_costs(ROWS, mean[[2, 0, 2]], generic_costs, settings.costs.connection)
    assert fixed.tolist() == pytest.approx(sum(parts.values()).tolist())
    by_law = project_laws(generic_costs, ROWS["scheme_type"], by_hand)
    np.testing.assert_array_equal(laws, by_law)
    own = conduit_works(ROWS, by_hand, generic_costs, settings)
    np.testing.assert_array_equal(works, own.for_search)
    for part, expected in zip(flows, sizing.design_flows(settings.energy), strict=True):
        assert part.tolist() == expected.tolist()


def test_cuts_and_crossings_of_a_conduit_are_paid_for_at_any_flow(settings, generic_costs):
    ground = dict.fromkeys(
        ["headrace_length_m", "canal_length_m", "penstock_length_m", "bench_m", "cut_m2", "aqueduct_length_m"], 0.0
    )
    rows = ROWS.assign(**ground, tunnel_length_m=0.0, cut_m3=[50.0, 0.0, 0.0], crossings=[0, 2, 0])
    rows = rows.assign(road_crossings=0, line_distance_m=0.0, road_distance_m=0.0)
    none = rows.assign(cut_m3=0.0, crossings=0)
    data = CURVE, 0.1 * CURVE, generic_costs, settings, None, CURVE.mean(axis=1)

    extra = valuation.search_arguments(rows, *data)[9] - valuation.search_arguments(none, *data)[9]

    works = conduit_works(rows, np.full(3, 2.0), generic_costs, settings)
    assert min(works.cut_fixed[0], works.crossings[1]) > 0.0
    assert extra.tolist() == pytest.approx([works.cut_fixed[0], works.crossings[1], 0.0])


def test_some_rows_of_the_search_keep_what_is_of_stations_and_classes():
    # Arguments by place: those of stations, design flows, classes, prices, waterway and choices are whole.
    whole = {0, 1, 2, 12, 14, 15, 16, 19}
    searched = [np.arange(3) + 10 * place for place in range(21)]
    searched[valuation.SAFE_FLOW] = (np.array([5, 6, 7]), np.array([8, 9, 10]))
    searched[20] = None

    found = valuation._of_rows(tuple(searched), np.array([2, 0]))

    assert len(found) == 21
    assert [part.tolist() for part in found[valuation.SAFE_FLOW]] == [[7, 5], [10, 8]]
    assert found[20] is None
    for place in set(range(20)) - {valuation.SAFE_FLOW}:
        rows = [0, 1, 2] if place in whole else [2, 0]
        assert found[place].tolist() == [10 * place + row for row in rows]
    assert [
        part.tolist() for part in valuation._Worth(np.array([1, 2, 3]), np.array([4, 5, 6])).of_rows([1, 0])
    ] == [
        [2, 1],
        [5, 4],
    ]
    assert valuation._Worth(None, None).of_rows([0]) == (None, None)


def test_only_stretches_whose_best_does_not_follow_from_an_earlier_one_are_searched(monkeypatch):
    asked = []

    def best(searched, fits, choices, worth, is_brief=False):
        asked.append((searched[0].tolist(), fits[:, 0].tolist(), worth.floor.tolist(), is_brief))
        count = len(searched[0])
        return valuation._Best(
            np.full((count, 3), len(asked)), np.full((count, 3, 1), float(len(asked))), np.zeros((count, 3), bool)
        )

    def is_still_best(earlier, then, now):
        # By the first row of sizes: those that are the same.
        return then[0] == now[0]

    monkeypatch.setattr(valuation, "SAFE_FLOW", 1)
    monkeypatch.setattr(valuation, "TABLE", 2)
    monkeypatch.setattr(valuation, "_best", best)
    monkeypatch.setattr(valuation, "_is_still_best", is_still_best)
    monkeypatch.setattr(valuation, "_safe_sizes", lambda flow, table: flow)
    monkeypatch.setattr(valuation, "_of_rows", lambda searched, rows: (searched[0][rows], *searched[1:]))
    known, fits = [], np.array([[True], [False], [True]])
    worth = valuation._Worth(np.array([10.0, 11.0, 12.0]), None)

    def ask(sizes, *is_brief):
        searched = np.array([20, 21, 22]), [np.array(sizes)], None
        return valuation._best_by_fish(searched, fits, {"any": 0}, worth, known, *is_brief)

    first = ask([1, 2, 3], True)
    second = ask([1, 5, 6])
    third = ask([1, 5, 3])
    fourth = ask([7, 5, 6])

    # First all, by the brief way that was asked for; then what is new; and what two earlier ones have, not at all.
    assert asked == [
        ([20, 21, 22], [True, False, True], [10.0, 11.0, 12.0], True),
        ([21, 22], [False, True], [11.0, 12.0], False),
        ([20], [True], [10.0], False),
    ]
    assert [each.turbine[:, 0].tolist() for each in (first, second, third, fourth)] == [
        [1, 1, 1],
        [1, 2, 2],
        [1, 2, 1],
        [3, 2, 2],
    ]
    assert third.found[:, 0, 0].tolist() == [1.0, 2.0, 1.0]
    assert len(known) == 4
    # A search is no brief one where that is not asked for.
    known.clear()
    ask([1, 2, 3])
    assert asked[-1] == ([20, 21, 22], [True, False, True], [10.0, 11.0, 12.0], False)


def test_a_stream_that_is_too_small_leaves_open_what_is_best():
    nothing = np.full((3, 3), -1), np.full((3, 3, len(sizing.FOUND)), np.nan)
    too_small = np.zeros((3, 3), dtype=bool)
    too_small[0, 0] = too_small[1, 2] = True
    sizes = np.full((3, 1), 2.0), np.full((3, 1), 1.0)

    assert valuation._is_still_best(valuation._Best(*nothing, too_small), sizes, sizes).tolist() == [
        False,
        False,
        True,
    ]


@pytest.mark.parametrize("choice", [sizing.SAFE, sizing.AS_BUILT])
@pytest.mark.parametrize(("flow", "is_best"), [(3.9, False), (4.0, True), (4.1, True)])
def test_two_units_stay_the_best_as_long_as_each_is_of_a_safe_size(choice, flow, is_best):
    # Units of the second class are safe from 2 m³/s; those of the first never are.
    turbine, found = np.full((1, 3), -1), np.zeros((1, 3, len(sizing.FOUND)))
    turbine[0, choice] = 1
    found[..., sizing.FLOW], found[..., sizing.UNITS] = flow, 2.0
    best = valuation._Best(turbine, found, np.zeros((1, 3), dtype=bool))
    safe = np.array([[np.inf, 2.0]]), np.array([[np.inf, np.inf]])

    assert valuation._is_still_best(best, safe, safe).tolist() == [is_best]


def test_a_size_that_all_or_none_of_a_class_have_is_none_or_endless():
    table = SimpleNamespace(flow_min_m3s=np.array([1.0, 2.0]), flow_max_m3s=np.array([5.0, 6.0]))

    as_built, screened = valuation._safe_sizes(
        (np.array([[1.0, 2.1], [5.0, 6.3]]), np.array([[0.5, np.inf], [5.3, 5.9]])), table
    )

    assert as_built.tolist() == [[0.0, 2.1], [5.0, np.inf]]
    assert screened.tolist() == [[0.0, np.inf], [np.inf, 5.9]]


def test_the_best_of_each_stretch_is_the_first_of_its_greatest_scores():
    random = np.random.default_rng(3)
    for _ in range(20):
        score, place = random.integers(-3, 3, 15).astype(float), random.integers(0, 4, 15)
        score[random.random(15) < 0.2] = np.nan
        may = pd.Series(random.random(15) < 0.7)

        found = valuation._is_best(pd.DataFrame({"score": score, "place": place}), may)

        expected = np.zeros(15, dtype=bool)
        for each in range(4):
            rows = [row for row in range(15) if place[row] == each and may[row] and not np.isnan(score[row])]
            if rows:
                expected[max(rows, key=lambda row: score[row])] = True
        assert found.tolist() == expected.tolist()
    assert valuation._is_best(pd.DataFrame({"score": [], "place": np.zeros(0, int)}), may[:0]).tolist() == []


def test_costs_are_left_out_by_the_line_that_is_asked_for():
    rows = pd.DataFrame(
        {"road_distance_m": [1.0, np.nan, 1.0, np.nan], "line_distance_m": 1.0, "settlement_distance_m": 1.0}
    )
    for connection, column in LINE_DISTANCE.items():
        lacking = rows.assign(**{column: [1.0, 1.0, np.nan, np.nan]})
        assert valuation._left_out(lacking, connection).tolist() == ["", "road", "line", "road; line"]


def test_columns_of_a_choice_are_figures_of_the_search(settings):
    found = np.full((3, len(sizing.FOUND)), np.nan)
    names = sizing.ENERGY, sizing.POWER, sizing.YEARLY, sizing.FLOW, sizing.UNITS, sizing.CAPITAL, sizing.SCREENED
    found[0, names], found[1, names] = (
        (80.0, 20.0, 4_000.0, 1.5, 2.0, 9e4, 1.0),
        (0.0, 5.0, 70.0, 1.0, 1.0, 8.0, 0),
    )

    columns = valuation._choice_columns(np.array([4, 0, -1]), found, settings)

    expected = {
        "turbine": [4, 0, -1],
        "screened": [True, False, False],
        "units": [2, 1, 0],
        "flow_design_m3s": [1.5, 1.0, np.nan],
        "power_kw": [20.0, 5.0, np.nan],
        "energy_mwh": [80.0, 0.0, np.nan],
        "capacity_factor": [80_000.0 / (20.0 * 8760.0), 0.0, np.nan],
        "capital_cost": [9e4, 8.0, np.nan],
        "lcoe_per_kwh": [0.05, np.inf, np.nan],
        # A kilowatt-hour earns 0.15, and a hundredth of them is used up.
        "net_annual_value": [0.99 * 0.15 * 80_000.0 - 4_000.0, -70.0, np.nan],
    }
    assert list(columns) == list(expected)
    for name, values in expected.items():
        np.testing.assert_allclose(columns[name], values, rtol=1e-12, err_msg=name)


# Fish need a screen in front of the first class, the cheapest; the third needs deeper water than there is.
CLASSES = [
    plain_turbine(survival=survival(0.9)),
    plain_turbine(name="mild", survival=survival(0.99), units_max=2, flow_range_m3s=(0.1, 1.5), civil_factor=1.3),
    plain_turbine(name="deep", survival=survival(0.99)).model_copy(update={"min_depth_m": 5.0}),
]


@pytest.fixture
def small(settings, generic_costs):
    """Settings of few design flows, and costs with a screen."""
    energy = settings.energy.model_copy(
        update={"design_exceedance_percent": [30.0, 60.0], "design_step_percent": 100.0, "min_power_kw": 0.1}
    )
    return settings.model_copy(update={"energy": energy}), with_screen(generic_costs, plain_screen())


@pytest.mark.parametrize("conduit", ["canal", "pipe"])
def test_plants_of_a_small_valley_run_on_their_own_water_and_fish(small, depths, conduit):
    settings, costs = small
    settings = settings.model_copy(update={"energy": settings.energy.model_copy(update={"conduit": conduit})})
    rows = ROWS.assign(stream_width_m=9.0, stream_depth_m=1.0)
    data = rows, CURVE, 0.1 * CURVE, CLASSES[::2], costs, settings

    values = valuation.value_stretches(*data)

    assert values.index.tolist() == [7, 5, 9]
    assert (values["safe_turbine"] >= 0).all()
    headrace_m, pipe_m = waterway_lengths_m(rows, settings.energy)
    head_m = net_head_m(rows["head_m"], headrace_m, settings.energy)
    screened = 0
    for place, (_, row) in enumerate(rows.iterrows()):
        for choice in ("any", "safe", "as_built"):
            plant = {name: values[f"{choice}_{name}"].iloc[place] for name in (*valuation.PLANT, "survival")}
            if plant["turbine"] < 0:
                continue
            screened += plant["screened"]
            bypass_m3s, lost_m = 0.0, 0.0
            if plant["screened"]:
                screen = costs.screen.design
                bypass_m3s, lost_m = screen.bypass_share * plant["flow_design_m3s"], screen.head_loss_m
            flow_m3s, turbine = CURVE[row["intake"]], data[3][plant["turbine"]]
            output = plant_output(
                flow_m3s, 0.1 * flow_m3s + bypass_m3s, head_m[place] - lost_m, plant["flow_design_m3s"],
                efficiency_table(turbine), 0.0, plant["units"],
                pipe_loss_m(plant["flow_design_m3s"], pipe_m[place], waterway(settings.energy)),
            )  # fmt: skip
            energy = yearly_energy_mwh(output.power_mean_kw, settings.energy.availability)
            assert output.firm_power_kw > 0.0
            assert values[f"{choice}_firm_power_kw"].iloc[place] == pytest.approx(output.firm_power_kw)
            assert values[f"{choice}_energy_mwh"].iloc[place] == pytest.approx(energy)
            # Half of the fish take the bypass.
            alone = turbine.survival.share
            assert plant["survival"] == pytest.approx(0.5 + 0.5 * alone if plant["screened"] else alone)
    assert screened > 0
    # A stretch alone has the same, and any turbine alone.
    for place in range(3):
        one = valuation.value_stretches(rows.iloc[[place]], *data[1:])
        pandas.testing.assert_frame_equal(one, values.iloc[[place]], check_exact=True)
    brief = valuation.value_any(*data)
    pandas.testing.assert_frame_equal(brief, values[brief.columns], check_exact=True)
    lacking = {"survival", "grade", "firm_power_kw", "stream_too_small"}
    assert {f"any_{name}" for name in lacking} == {name for name in values if name.startswith("any_")} - set(brief)


@pytest.mark.parametrize("fall_m", [None, 0.6])
def test_classes_are_taken_that_can_be_set_at_any_head_that_a_canal_may_leave(small, monkeypatch, fall_m):
    # At sea level a runner needs the more depth the greater the head; the class allows some of it.
    law = {"speed_factor": 1.0, "speed_exponent": 0.0, "sigma_factor": 3.0, "sigma_exponent": 1.0}
    law |= {"max_depth_m": 3.0, "civil_share_per_m": 0.2, "source": "an example"}
    classes, (settings, costs), calls = [plain_turbine(setting=law), CLASSES[1]], small, []
    rows = ROWS if fall_m is None else ROWS.assign(**{valuation.MOST_FALL: [fall_m, 0.0, 0.5]})
    search = valuation.best_of_stretches
    monkeypatch.setattr(valuation, "best_of_stretches", lambda *given: calls.append(given) or search(*given))

    valuation.value_stretches(rows, CURVE, 0.1 * CURVE, classes, costs, settings)

    given = calls[0]
    expected = valuation.search_arguments(rows, CURVE, 0.1 * CURVE, costs, settings, None, CURVE.mean(axis=1))
    for place in range(12):
        np.testing.assert_array_equal(given[place], expected[place])
    head_m = expected[valuation.NET_HEAD]
    least_m = head_m if fall_m is None else head_m - [fall_m, 0.0, 0.5]
    # 10.06 m of air less three times the head.
    deep_m, least_deep_m = (np.maximum(3.0 * each - 10.06, 0.0) for each in (head_m, least_m))
    assert deep_m.max() > 3.0
    assert least_deep_m.max() > 0.0
    assert (least_deep_m.max() > 3.0) == (fall_m is None)
    assert given[valuation.FITS].tolist() == [[depth <= 3.0, True] for depth in least_deep_m]
    factor = given[valuation.TABLE + 3]
    assert factor.tolist() == [[pytest.approx(1.0 + 0.2 * depth), 1.0] for depth in least_deep_m]
    assert given[-3] is None if fall_m is None else given[-3].tolist() == least_m.tolist()


def test_stretches_of_several_groups_keep_their_order(small, depths):
    settings, costs = small
    releases = settings.flows.releases.model_copy(update={"fish_pass_m3s": 0.2})
    settings = settings.model_copy(update={"flows": settings.flows.model_copy(update={"releases": releases})})
    data = CURVE, 0.1 * CURVE, CLASSES, costs, settings, depths

    values = valuation.value_stretches(ROWS, *data)

    alone = [valuation.value_stretches(ROWS.iloc[[place]], *data) for place in range(3)]
    pandas.testing.assert_frame_equal(values, pd.concat(alone), check_exact=True)
    # And where nothing below a value just under the best of each is sought.
    value = values["any_net_annual_value"]
    assert value.nunique() == 3
    limited = valuation.value_stretches(ROWS, *data, floor=value.to_numpy() - 1e-3)
    pandas.testing.assert_series_equal(limited["any_net_annual_value"], value, check_exact=True)
    # Any plant is enough that is above a ceiling, and then none is sought for the other choices.
    enough = valuation.value_stretches(ROWS, *data, floor=np.full(3, -1e9), ceiling=-1e8)
    assert (enough["any_turbine"] >= 0).all()
    assert (enough["any_net_annual_value"] <= value).all()
    assert (enough[["safe_turbine", "as_built_turbine"]] < 0).all(axis=None)


def test_by_each_of_several_bars_for_fish_plants_are_those_of_it_alone(small, depths):
    settings, costs = small
    fishes = [settings.fish.model_copy(update={"min_survival": bar}) for bar in (0.94, 0.98, 0.85, 0.999)]
    # The second class of the two is for deeper water than there is at the barrier.
    rows = ROWS.assign(stream_width_m=9.0, stream_depth_m=[1.0, 1.0, 6.0])
    data = rows, CURVE, 0.1 * CURVE, CLASSES[::2], costs

    found = valuation.value_fish_safe(*data, settings, fishes, depths)

    for values, fish in zip(found, fishes, strict=True):
        alone = valuation.value_stretches(*data, settings.model_copy(update={"fish": fish}), depths)
        own = [name for name in alone if not name.startswith("any_")]
        pandas.testing.assert_frame_equal(values, alone[own], check_exact=True)
    # At the barrier the first class needs its screen by the first bar, is not enough by the second, and needs none
    # by the third.
    at_barrier = pd.DataFrame([values.loc[5] for values in found])
    assert at_barrier["safe_turbine"].tolist() == [0, -1, 0, -1]
    assert at_barrier["safe_screened"].tolist() == [True, False, False, False]
    assert at_barrier["as_built_turbine"].tolist() == [-1, -1, 0, -1]
    assert at_barrier["as_built_stream_too_small"].tolist() == [True, True, False, False]
    assert (found[3]["safe_turbine"] < 0).all()


@pytest.mark.parametrize("has_model", [False, True])
def test_a_plant_of_a_design_flow_is_the_option_where_that_flow_alone_is_tried(small, depths, model, has_model):
    settings, costs = small
    given = {
        "depths": depths,
        "closed": np.array([True, False, False, False]),
        "model": model if has_model else None,
    }
    data = ROWS, CURVE, 0.1 * CURVE, CLASSES, costs

    sizes = valuation.size_options(*data, settings, [1, 0, 0], [False, True, False], **given)

    expected = []
    for percent in (30.0, 60.0):
        energy = settings.energy.model_copy(update={"design_exceedance_percent": [percent]})
        expected.append(valuation.turbine_options(*data, settings.model_copy(update={"energy": energy}), **given))
    expected = pd.concat(expected).drop(columns=["is_best_any", "is_best_safe"])
    asked = pd.DataFrame({"stretch": [7, 5, 9], "turbine": [1, 0, 0], "screened": [False, True, False]})
    expected = asked.merge(expected, on=list(asked)).assign(
        order=lambda rows: rows["stretch"].map({7: 0, 5: 1, 9: 2})
    )
    expected = expected.sort_values(["order", "flow_design_m3s"], ascending=[True, False])
    expected = expected.drop_duplicates(["stretch", "flow_design_m3s"]).reset_index(drop=True)
    assert len(expected) > 3
    pandas.testing.assert_frame_equal(sizes[list(sizes)], expected[list(sizes)], check_exact=False, rtol=1e-12)


def test_a_stream_too_small_for_the_first_class_is_said_to_be_so(small):
    settings, costs = small
    rows = ROWS.iloc[[1]].assign(stream_width_m=9.0, stream_depth_m=1.0)

    values = valuation.value_stretches(rows, CURVE, 0.1 * CURVE, [CLASSES[2]], costs, settings)

    assert values[["any_turbine", "safe_turbine", "as_built_turbine"]].to_numpy().tolist() == [[-1] * 3]
    assert values.filter(like="too_small").to_numpy().tolist() == [[True] * 3]
