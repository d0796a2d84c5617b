"""Levels that move with flow: closed forms of depth, and plants whose head the flood takes."""

import numpy as np
import pandas as pd
import pytest
from one_plant import level_model, plant_output

from sitefinder.energy.hydraulics import Rating, WaterDepths, intake_is_held, net_head_m, water_depths
from sitefinder.energy.plant import yearly_energy_mwh
from sitefinder.energy.turbines import efficiency_table
from sitefinder.energy.uncertainty import energy_simulations, net_depths
from sitefinder.energy.valuation import turbine_options, value_stretches
from sitefinder.settings import TailwaterSettings

BINS = 200
SHARE = (np.arange(BINS) + 0.5) / BINS
# Flows of a falling line, 10 m³/s down to none, at an intake and, half as much again, at a tailrace.
CURVES = np.outer([1.0, 1.5], 10.0 * (1.0 - SHARE))


def depths(**given):
    percent = given.pop("survey_percent", None)
    ratings = given.pop("ratings", ())
    settings = TailwaterSettings(**given)
    return water_depths(CURVES, SHARE, CURVES.mean(axis=1), settings, percent, ratings)


@pytest.mark.parametrize(("times", "deeper"), [(4.0, 1.741), (9.0, 2.408)])
def test_depth_goes_with_flow_to_the_power_of_two_fifths(times, deeper):
    # Worked by hand: 4 ** 0.4 = 1.7411 and 9 ** 0.4 = 2.4082. The exponents 0.26, 0.40 and 0.34 of width, depth
    # and velocity are those of Leopold & Maddock (1953), U.S. Geol. Surv. Prof. Paper 252, as restated by others.
    curve = np.array([[times, 1.0]])

    found = water_depths(curve, np.array([0.25, 0.75]), curve.mean(axis=1), TailwaterSettings()).depth_m[0]

    assert found[0] / found[1] == pytest.approx(deeper, abs=0.0005)


def test_with_equal_exponents_the_mean_flow_does_not_matter():
    found = depths(depth_at_1_m3s_m=0.3).depth_m

    np.testing.assert_allclose(found, 0.3 * CURVES**0.4, rtol=1e-12)


def test_depth_at_mean_flow_grows_downstream_by_its_own_exponent():
    found = depths(depth_at_1_m3s_m=0.3, downstream_exponent=0.2, station_exponent=0.5).depth_m

    # The mean flows are 5 and 7.5 m³/s, worked by hand.
    np.testing.assert_allclose(found[0], 0.3 * 5.0**0.2 * (CURVES[0] / 5.0) ** 0.5, rtol=1e-12)
    np.testing.assert_allclose(found[1], 0.3 * 7.5**0.2 * (CURVES[1] / 7.5) ** 0.5, rtol=1e-12)


@pytest.mark.parametrize(("percent", "flow"), [(None, 5.0), (50.0, 5.0), (90.0, 1.0), (5.0, 9.5)])
def test_the_rise_is_nothing_at_the_flow_of_the_survey_day(percent, flow):
    found = depths(survey_percent=percent)

    assert found.survey_m == pytest.approx(0.27 * np.array([flow, 1.5 * flow]) ** 0.4)
    surveyed = np.array([[flow], [1.5 * flow]])
    np.testing.assert_array_equal(found.rise_m > 0, surveyed < CURVES)


def test_levels_stay_constant_where_the_user_says_so():
    found = depths(method="none")

    assert not found.depth_m.any()
    assert not found.survey_m.any()


def test_a_dry_stream_has_no_depth_and_an_unknown_flow_an_unknown_one():
    curve = np.array([[0.0, 0.0], [np.nan, np.nan]])

    found = water_depths(curve, np.array([0.25, 0.75]), curve.mean(axis=1), TailwaterSettings())

    assert found.rise_m[0].tolist() == [0.0, 0.0]
    assert np.isnan(found.rise_m[1]).all()


def test_a_rating_gives_its_levels_at_its_stations_and_goes_on_straight_above_its_table():
    rating = Rating(np.array([1]), np.array([3.0, 6.0, 9.0]), np.array([100.0, 100.6, 101.8]))

    found = depths(ratings=[rating])

    # The median at the tailrace is 7.5 m³/s: half-way from 100.6 to 101.8 m, above the lowest of 100 m.
    assert found.survey_m[1] == pytest.approx(1.2)
    assert np.interp(-12.0, -CURVES[1], found.depth_m[1]) == pytest.approx(3.0)
    assert np.interp(-1.0, -CURVES[1], found.depth_m[1]) == pytest.approx(0.0)
    np.testing.assert_array_equal(found.depth_m[0], depths().depth_m[0])


def test_weirs_hold_the_level_at_the_intake_and_canals_do_not():
    scheme_types = ["at_barrier", "diversion", "new_weir"]

    assert intake_is_held(scheme_types, TailwaterSettings()).tolist() == [True, False, True]
    assert intake_is_held(scheme_types, TailwaterSettings(held_scheme_types=["diversion"])).tolist() == [
        False,
        True,
        False,
    ]
    assert intake_is_held([], TailwaterSettings()).tolist() == []


@pytest.fixture
def stretches():
    """A weir and a canal, of 3 m each."""
    return pd.DataFrame(
        {
            "intake": 0,
            "tailrace": 1,
            "scheme_type": ["at_barrier", "diversion"],
            "head_m": 3.0,
            "conduit_length_m": [0.0, 300.0],
            "pond_length_m": 0.0,
            "weir_height_m": [3.0, 0.0],
            "has_fish_pass": False,
            "road_distance_m": 0.0,
            "line_distance_m": 0.0,
        }
    )


# Head of each bin of the two stretches, written out.
def heads_by_bin(stretches, levels, settings):
    net = net_head_m(stretches["head_m"], stretches["conduit_length_m"], settings.energy)
    return [net[0] - levels.rise_m[1], net[1] - levels.rise_m[1] + levels.rise_m[0]]


@pytest.mark.parametrize("survey_percent", [50.0, 95.0, 10.0])
def test_valued_plants_give_what_the_single_plant_gives_with_the_head_of_each_bin(
    stretches, turbine_class, generic_costs, settings, survey_percent
):
    levels = depths(depth_at_1_m3s_m=0.8, survey_percent=survey_percent)
    turbine = turbine_class(flow_range_m3s=(0.1, 20.0))

    values = value_stretches(stretches, CURVES, 0 * CURVES, [turbine], generic_costs, settings, levels)

    assert (values["any_turbine"] == 0).all()
    for place, head in enumerate(heads_by_bin(stretches, levels, settings)):
        row = values.iloc[place]
        flow = row["any_flow_design_m3s"]
        output = plant_output(CURVES[0], 0.0, head, flow, efficiency_table(turbine))
        rated_head = head[CURVES[0] >= flow][-1]
        # 9.80665 kW for 1 m³/s falling 1 m; efficiency 0.8 · 0.9.
        assert row["any_power_kw"] == pytest.approx(9.80665 * 0.72 * flow * rated_head)
        energy = yearly_energy_mwh(output.power_mean_kw, settings.energy.availability)
        # No bin may pass the rated power: with one head it never does, with these it may by a little.
        assert row["any_energy_mwh"] <= energy * (1 + 1e-12)
        assert row["any_energy_mwh"] == pytest.approx(energy, rel=0.03)
        assert row["any_firm_power_kw"] == pytest.approx(output.firm_power_kw)
        assert row["any_capacity_factor"] <= 1


def test_the_search_takes_the_best_size_for_the_heads_of_the_bins(
    stretches, turbine_class, generic_costs, settings
):
    levels = depths(depth_at_1_m3s_m=0.9)
    turbine = turbine_class(flow_range_m3s=(0.1, 20.0))
    by_energy = settings.model_copy(
        update={"ranking": settings.ranking.model_copy(update={"choose_by": "energy"})}
    )

    values = value_stretches(stretches, CURVES, 0 * CURVES, [turbine], generic_costs, by_energy, levels)

    for place, head in enumerate(heads_by_bin(stretches, levels, settings)):
        best = 0.0
        for percent in range(10, 71):
            flow = np.interp(percent / 100, SHARE, CURVES[0])
            rated = 9.80665 * 0.72 * flow * head[CURVES[0] >= flow][-1]
            power = 9.80665 * 0.72 * np.minimum(CURVES[0], flow) * np.maximum(head, 0.0)
            best = max(best, yearly_energy_mwh(np.minimum(power, rated).mean(), settings.energy.availability))
        assert values["any_energy_mwh"].iloc[place] == pytest.approx(best, rel=1e-9)


def test_floods_take_energy_from_a_weir_and_more_so_the_deeper_they_run(
    stretches, turbine_class, generic_costs, settings
):
    turbine = turbine_class(flow_range_m3s=(0.1, 20.0))
    energy = [
        value_stretches(stretches, CURVES, 0 * CURVES, [turbine], generic_costs, settings, levels)
        for levels in (None, depths(depth_at_1_m3s_m=0.4), depths(depth_at_1_m3s_m=0.8))
    ]

    weir = [values["any_energy_mwh"].iloc[0] for values in energy]
    assert weir[0] > weir[1] > weir[2] > 0


def test_a_canal_loses_less_than_a_weir_because_its_intake_rises_too(
    stretches, turbine_class, generic_costs, settings
):
    turbine = turbine_class(flow_range_m3s=(0.1, 20.0))
    still, moving = (
        value_stretches(stretches, CURVES, 0 * CURVES, [turbine], generic_costs, settings, levels)[
            "any_energy_mwh"
        ].to_numpy()
        for levels in (None, depths(depth_at_1_m3s_m=0.8))
    )

    lost = 1 - moving / still
    assert lost[0] > lost[1]


def test_a_plant_that_every_high_flow_drowns_is_sized_for_low_flow(
    stretches, turbine_class, generic_costs, settings
):
    # A river so narrow that its water stands 3 m higher at 4 times the flow: only small design flows keep a head.
    levels = depths(depth_at_1_m3s_m=2.5, survey_percent=95.0)
    turbine = turbine_class(flow_range_m3s=(0.1, 20.0))

    values = value_stretches(stretches, CURVES, 0 * CURVES, [turbine], generic_costs, settings, levels)

    head = heads_by_bin(stretches, levels, settings)[0]
    flow = values["any_flow_design_m3s"].iloc[0]
    assert head[0] < 0 < head[CURVES[0] >= flow][-1]
    assert values["any_energy_mwh"].iloc[0] > 0


def test_turbine_options_and_the_valuation_agree(stretches, generic_turbines, generic_costs, settings):
    levels = depths()

    values = value_stretches(stretches, CURVES, 0 * CURVES, generic_turbines, generic_costs, settings, levels)
    options = turbine_options(stretches, CURVES, 0 * CURVES, generic_turbines, generic_costs, settings, levels)

    best = options[options["is_best_any"]].set_index("stretch")
    np.testing.assert_array_equal(best["energy_mwh"], values["any_energy_mwh"])


def test_levels_need_the_tailrace_of_each_stretch(stretches, turbine_class, generic_costs, settings):
    with pytest.raises(ValueError, match="stretches lack the columns tailrace"):
        value_stretches(
            stretches.drop(columns="tailrace"),
            CURVES,
            0 * CURVES,
            [turbine_class()],
            generic_costs,
            settings,
            depths(),
        )


@pytest.fixture
def drawn(stretches, turbine_class, generic_costs, settings):
    """Draws of the two plants, and their valuation, under the errors that are named."""

    def draw(levels, log_sd=0.0, **spread):
        no_error = {"shared_flow_share": 0.5, "year_to_year_sd": 0.0, "efficiency_sd": 0.0, "cost_sd": 0.0}
        uncertainty = settings.uncertainty.model_copy(update={"simulations": 50} | no_error | spread)
        given = settings.model_copy(update={"uncertainty": uncertainty})
        turbine = turbine_class(flow_range_m3s=(0.1, 20.0))
        values = value_stretches(stretches, CURVES, 0 * CURVES, [turbine], generic_costs, given, levels)
        plants = values.rename(columns=lambda name: name.removeprefix("any_"))
        sites = pd.concat([stretches.drop(columns="tailrace"), plants], axis=1).assign(tailrace=[1, 2])
        ends = np.array([0, 0]), np.array([1, 1])
        net = net_depths(levels, *ends, intake_is_held(stretches["scheme_type"], given.tailwater))
        curve = CURVES[[0, 0]]
        simulations, _ = energy_simulations(
            sites,
            level_model(curve, log_sd),
            np.zeros((2, 1)),
            [turbine],
            generic_costs,
            given,
            1,
            net,
        )
        return values, simulations

    return draw


def test_simulations_without_errors_are_the_valued_energy(drawn):
    values, simulations = drawn(depths(depth_at_1_m3s_m=0.8))

    energy = values["any_energy_mwh"].to_numpy()
    np.testing.assert_allclose(
        simulations.energy_mwh, np.tile(energy[:, None], simulations.energy_mwh.shape[1]), rtol=1e-9
    )


def test_more_flow_than_thought_drowns_more_than_constant_levels(drawn):
    still, moving = (
        drawn(levels, log_sd=0.3, shared_flow_share=1.0)[1].energy_mwh[0]
        for levels in (depths(method="none"), depths(depth_at_1_m3s_m=0.8))
    )

    wettest = np.argmax(still)
    assert moving[wettest] / np.median(moving) < still[wettest] / np.median(still)


def test_net_depths_are_those_of_the_tailrace_less_those_of_an_intake_that_moves():
    levels = WaterDepths(np.array([[1.0, 0.5], [3.0, 1.0]]), np.array([0.75, 2.0]))

    net = net_depths(levels, np.array([0, 0]), np.array([1, 1]), np.array([True, False]))

    assert net.depth_m.tolist() == [[3.0, 1.0], [2.0, 0.5]]
    assert net.survey_m.tolist() == [2.0, 1.25]
