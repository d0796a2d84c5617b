"""Runners: diameter, scale effect and setting against published formulas, and the search with them."""

import math
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest
from one_plant import plant_output
from pydantic import ValidationError

from sitefinder.energy.costs import capital_factor, turbine_cost
from sitefinder.energy.hydraulics import CANAL, WATERWAY, net_head_m
from sitefinder.energy.plant import plant_outputs, yearly_energy_mwh
from sitefinder.energy.runners import (
    ATMOSPHERE_FALL,
    ATMOSPHERE_M,
    VAPOUR_M,
    runner_columns,
    runner_diameter_m,
    scale_factors,
    scale_numbers,
    settings_of_runners,
    suction_head_m,
    unit_flow_limit,
)
from sitefinder.energy.sizing import (
    CLASS_AT_SITE,
    Prices,
    _bound_by_share_mwh,
    _energy_bound_mwh,
    _scale_of,
    mean_kw,
    rated_kw,
)
from sitefinder.energy.turbines import efficiency_table, turbine_table
from sitefinder.energy.valuation import turbine_options, value_stretches
from sitefinder.units import METRES_PER_FOOT

BINS = 60


def runner(**changes):
    return {"diameter_factor": 0.42, "scale_exponent": 0.2, "source": "an example"} | changes


def setting(**changes):
    law = {"speed_factor": 2.294, "speed_exponent": -0.486, "sigma_factor": 1.5241, "sigma_exponent": 1.46}
    return law | {"civil_share_per_m": 0.1, "max_depth_m": 4.0, "source": "an example"} | changes


def factor_of(turbine, unit_m3s):
    table = turbine_table([turbine])
    unit_m3s = np.atleast_1d(np.asarray(unit_m3s, dtype=float))
    return scale_factors(table, np.zeros(len(unit_m3s), dtype=int), unit_m3s)


def test_the_scale_effect_is_that_of_a_textbooks_worked_example(turbine_class):
    # Worked answer of a textbook on fluid mechanics, eq. 16.15 (Moody), read at second hand: a Francis runner
    # of 2.0 ft with an efficiency of 0.893 gives 0.914 with a diameter of 6.0 ft.
    small = runner(reference_diameter_m=2.0 * METRES_PER_FOOT, diameter_factor=0.5)
    turbine = turbine_class(efficiency=((0.0, 0.8), (0.9, 0.893), (1.0, 0.87)), runner=small)
    flow_m3s = (6.0 * METRES_PER_FOOT / 0.5) ** 2

    assert 0.893 * factor_of(turbine, flow_m3s)[0] == pytest.approx(0.914, abs=0.0005)


def test_half_a_metre_costs_about_a_hundredth_against_one_metre(generic_turbines):
    # J. L. Gordon (2001), Canadian Journal of Civil Engineering 28:238-253, from memory: the size term of the peak
    # is 0.081 (1 - 0.789 d^-0.2), which makes 0.95 points from 1 m to 0.5 m.
    gordon = 0.081 * 0.789 * (0.5**-0.2 - 1.0)
    kaplan = generic_turbines[0]
    flow_m3s = (np.array([1.0, 0.5]) / kaplan.runner.diameter_factor) ** 2
    one, half = kaplan.peak_efficiency * factor_of(kaplan, flow_m3s)

    assert one == pytest.approx(kaplan.peak_efficiency, rel=1e-12)
    assert gordon == pytest.approx(0.0095, abs=1e-4)
    assert gordon < one - half < 2.0 * gordon


def test_no_generic_runner_is_better_than_large_ones(generic_turbines):
    # Peaks of large machines: European Small Hydropower Association (2004), Guide on how to develop a small
    # hydropower plant, from memory.
    large = {
        "Kaplan turbine": 0.93,
        "semi-Kaplan turbine": 0.91,
        "fixed propeller turbine": 0.90,
        "open-flume Francis turbine": 0.94,
    }
    for turbine in generic_turbines:
        assert (turbine.runner is not None) == (turbine.name in large)
        flow_m3s = np.geomspace(*turbine.flow_range_m3s, 50)
        peaks = turbine.peak_efficiency * factor_of(turbine, flow_m3s)
        assert (np.diff(peaks) >= 0).all()
        if turbine.name in large:
            assert 0.70 < peaks[0] < peaks[-1] < large[turbine.name]
        else:
            assert (peaks == turbine.peak_efficiency).all()


@pytest.mark.parametrize("head_m", [2.0, 3.0, 5.0, 8.0, 12.0])
def test_runner_diameters_are_those_of_two_published_formulas(generic_turbines, head_m):
    # From memory: European Small Hydropower Association (2004), after De Siervo and de Leva (1977): diameter
    # 84.5 (0.79 + 1.602 n_QE) H^0.5 / (60 n), n_QE = 2.294 / H^0.486 (Schweiger and Gregori). J. L. Gordon (2001):
    # 0.41 Q^0.473 from 1.8 m of runner, 0.46 Q^0.473 below.
    flow_m3s = np.array([0.8, 1.5, 4.0, 10.0])
    speed = 2.294 / head_m**0.486
    turns = speed * (9.81 * head_m) ** 0.75 / np.sqrt(flow_m3s)
    guide_m = 84.5 * (0.79 + 1.602 * speed) * math.sqrt(head_m) / (60.0 * turns)
    gordon_m = 0.46 * flow_m3s**0.473

    found_m = runner_diameter_m(generic_turbines[0].runner, flow_m3s)

    np.testing.assert_allclose(found_m, guide_m, rtol=0.15)
    np.testing.assert_allclose(found_m, gordon_m, rtol=0.15)


def test_the_pressure_of_the_air_is_that_of_the_standard_atmosphere():
    # ICAO standard atmosphere (Doc 7488), pressure [Pa] by elevation, from memory.
    pressure = {0: 101325.0, 500: 95461.0, 1000: 89875.0, 1500: 84556.0, 2000: 79495.0}

    for elevation_m, pascal in pressure.items():
        assert ATMOSPHERE_M - ATMOSPHERE_FALL * elevation_m == pytest.approx(pascal / 9806.65, abs=0.1)
    # Water of 20 °C: vapour pressure 2339 Pa, 998.2 kg/m³, from memory of steam tables; to the centimetre.
    assert pytest.approx(2339.0 / (998.2 * 9.80665), abs=0.005) == VAPOUR_M


@pytest.mark.parametrize("head_m", [3.0, 6.0, 10.0, 20.0])
def test_the_suction_head_is_that_by_the_metric_specific_speed(turbine_class, head_m):
    # De Siervo and de Leva (1977), from memory: sigma = 6.40e-5 n_s^1.46 for Kaplan turbines, with the metric
    # specific speed n_s = 995 n_QE (European guide of 2004, from memory).
    law = turbine_class(setting=setting()).setting
    sigma = 6.40e-5 * (995.0 * 2.294 / head_m**0.486) ** 1.46

    # 2339 Pa is the vapour pressure at 20 °C.
    expected = 10.3 - 600.0 / 900.0 - 2339.0 / 9806.65 - sigma * head_m

    assert float(suction_head_m(law, head_m, 600.0)) == pytest.approx(expected, abs=0.03)


def test_deep_runners_cost_civil_works_and_too_deep_ones_are_not_offered(turbine_class, generic_costs, settings):
    plain = turbine_class(head_range_m=(0.5, 60.0), flow_range_m3s=(0.1, 5.0))
    deep = turbine_class(head_range_m=(0.5, 60.0), flow_range_m3s=(0.1, 5.0), name="deep", setting=setting())
    rows = [{"head_m": head, "tailrace_level_m": level} for head in (4.0, 20.0, 35.0) for level in (0.0, 3000.0)]
    places = pd.DataFrame(rows).assign(
        intake=0,
        scheme_type="at_barrier",
        conduit_length_m=0.0,
        pond_length_m=0.0,
        weir_height_m=0.0,
        has_fish_pass=True,
        road_distance_m=0.0,
        line_distance_m=0.0,
    )
    curve = np.full((1, 20), 1.0)

    options = turbine_options(places, curve, 0 * curve, [plain, deep], generic_costs, settings)

    options = options.set_index(["stretch", "name"])
    for place in range(len(places)):
        whole = options.loc[(place, "plain turbine")]
        assert np.isnan(whole["suction_head_m"])
        if (place, "deep") not in options.index:
            continue
        more = options.loc[(place, "deep"), "capital_cost"] - whole["capital_cost"]
        depth_m = max(-options.loc[(place, "deep"), "suction_head_m"], 0.0)
        factor = capital_factor(generic_costs, settings.costs.real_rate)
        net_m = whole["power_kw"] / (9.80665 * 0.72 * whole["flow_design_m3s"])
        civil = generic_costs.powerhouse
        own = civil.coefficient * whole["flow_design_m3s"] ** civil.flow_exponent * net_m**civil.head_exponent
        assert depth_m <= 4.0
        assert more == pytest.approx(factor * 0.1 * depth_m * own, rel=1e-9, abs=1e-6)
    offered = [(place, "deep") in options.index for place in range(len(places))]
    assert offered == [True, True, True, False, False, False]
    depths = [max(-options.loc[(place, "deep"), "suction_head_m"], 0.0) for place in range(3)]
    assert depths[0] == 0.0
    assert depths[2] > depths[1] >= 0.0


def test_a_class_without_a_scale_effect_is_as_good_in_any_size(turbine_class):
    for each in (turbine_class(), turbine_class(runner=runner(scale_exponent=0.0))):
        assert scale_numbers(each) == (1.0, 0.0, 0.0)


def test_two_units_have_the_efficiency_of_their_own_size_and_run_while_they_give_any_power(turbine_class):
    # Once two units of 2 m³/s, once one; there is water for three quarters of the time, and a
    # centimetre of head.
    table, twice = turbine_table([turbine_class(runner=runner())]), np.zeros(2, dtype=np.int64)
    curve, nothing = np.array([[4.0, 4.0, 4.0, 0.0]]), np.zeros((1, 4))

    found = plant_outputs(
        curve, nothing, nothing, twice, twice, twice == 0, np.full(2, 0.01),
        np.array([4.0, 2.0]), np.full(2, np.inf), np.array([2, 1]), twice, table,
    )  # fmt: skip

    assert found.power_mean_kw[0] == pytest.approx(2.0 * found.power_mean_kw[1])
    assert 0.0 < found.power_mean_kw[0] < 1.0
    assert found.operating_fraction.tolist() == [0.75, 0.75]


def test_the_efficiency_of_a_design_is_that_at_full_gate(turbine_class):
    # It falls from 0.9 halfway to 0.6; gear and generator leave 0.9 of it.
    turbine = turbine_class(efficiency=((0.0, 0.5), (0.5, 0.9), (1.0, 0.6)))
    table = turbine_table([turbine])

    columns = runner_columns([turbine], table, [0, -1], [1, 1], [2.0, 2.0], [3.0, 3.0], [0.0, 0.0])

    assert columns["efficiency_design"] == pytest.approx([0.6 * 0.9, np.nan], nan_ok=True)


def test_where_the_head_may_be_less_a_runner_need_be_no_deeper_than_that(turbine_class, generic_costs, settings):
    # All of one size, set for the net head of the whole fall or for 10 m less, or at the water.
    one_size = {"head_range_m": (0.5, 60.0), "flow_range_m3s": (0.99, 1.0)}
    plain, deep = turbine_class(**one_size), turbine_class(**one_size, setting=setting(max_depth_m=30.0))
    shallow = turbine_class(**one_size, setting=setting(max_depth_m=2.0))
    place = pd.DataFrame({"head_m": [35.0]}).assign(
        intake=0, scheme_type="at_barrier", conduit_length_m=0.0, pond_length_m=0.0, weir_height_m=0.0,
        has_fish_pass=True, road_distance_m=0.0, line_distance_m=0.0,
    )  # fmt: skip
    curve = np.full((1, 20), 1.0)

    def found(turbine, most_fall_m):
        stretches = place.assign(most_canal_fall_m=most_fall_m)
        return value_stretches(stretches, curve, 0.0 * curve, [turbine], generic_costs, settings).iloc[0]

    net_m = float(net_head_m(35.0, 0.0, settings.energy))
    factor, _ = settings_of_runners([deep], [net_m, net_m - 10.0], [0.0, 0.0])
    assert factor[0, 0] > factor[1, 0] > 1.0
    whole, less, none = (
        found(turbine, fall_m)["any_capital_cost"]
        for turbine, fall_m in ((deep, 0.0), (deep, 10.0), (plain, 10.0))
    )
    assert (less - none) / (whole - none) == pytest.approx((factor[1, 0] - 1.0) / (factor[0, 0] - 1.0))
    # A runner that cannot be set so deep can be for the lesser head.
    _, can_be_set = settings_of_runners([shallow], [net_m, net_m - 30.0], [0.0, 0.0])
    assert can_be_set[:, 0].tolist() == [False, True]
    assert [found(shallow, fall_m)["any_turbine"] for fall_m in (0.0, 30.0)] == [-1, 0]


def test_without_a_level_the_tailwater_is_taken_to_be_at_the_sea(turbine_class):
    turbine = turbine_class(setting=setting())

    factor, can_be_set = settings_of_runners([turbine], [5.0, 20.0, 35.0], [0.0, 0.0, 0.0])

    assert factor[0, 0] == 1.0
    assert factor[1, 0] > 1.0
    assert can_be_set[:, 0].tolist() == [True, True, False]


def test_a_fixed_part_is_paid_for_each_unit_and_makes_small_units_dear(turbine_class):
    law = turbine_class().cost.model_copy(update={"fixed": 5000.0})

    cost = turbine_cost(law, np.array([1.0, 16.0, 64.0]), 2.0, units=np.array([1, 1, 4]))

    assert cost.tolist() == pytest.approx([5000.0 + 5000.0, 20000.0 + 5000.0, 4 * (20000.0 + 5000.0)])


@pytest.mark.parametrize(("flow_m3s", "head_m"), [(0.8, 3.0), (1.0, 6.0), (1.5, 5.0), (1.5, 8.0)])
def test_small_double_regulated_units_cost_more_than_simpler_ones(generic_turbines, flow_m3s, head_m):
    # Common practice, no source: below 1.5 m³/s and 100 kW a double-regulated unit costs at least a third more
    # than a single-regulated one and two thirds more than a crossflow turbine; at 1 MW the difference is far less.
    law = {turbine.name: turbine.cost for turbine in generic_turbines}
    small_kw = 9.80665 * flow_m3s * head_m * 0.8

    def ratio(simple, power_kw, at_m):
        kaplan = turbine_cost(law["Kaplan turbine"], power_kw, at_m)
        return float(kaplan / turbine_cost(law[simple], power_kw, at_m))

    assert small_kw < 100.0
    assert ratio("semi-Kaplan turbine", small_kw, head_m) > 4.0 / 3.0
    assert ratio("crossflow turbine", small_kw, head_m) > 5.0 / 3.0
    assert ratio("fixed propeller turbine", small_kw, head_m) > ratio("crossflow turbine", small_kw, head_m)
    for simple in ("semi-Kaplan turbine", "crossflow turbine", "fixed propeller turbine"):
        assert ratio(simple, 1000.0, 8.0) < ratio(simple, small_kw, head_m) - 0.1


def test_a_class_whose_smallest_runner_would_not_turn_is_refused(turbine_class):
    with pytest.raises(ValidationError, match="would have no efficiency left"):
        turbine_class(
            runner=runner(scale_exponent=0.9, reference_diameter_m=3.0), efficiency=((0.0, 0.6), (1.0, 0.6))
        )
    with pytest.raises(ValidationError, match="state the scale effect once"):
        turbine_class(
            runner=runner(),
            sizes={
                "reference_diameter_m": 1.0,
                "diameters_m": [1.0, 0.5],
                "loss_exponent": 0.2,
                "source": "an example",
            },
        )


def test_the_greatest_flow_of_a_power_gives_that_power(turbine_class):
    turbine = turbine_class(runner=runner())
    table = turbine_table([turbine])
    law = table.scale_gain[0], table.scale_loss[0], table.scale_exponent[0]

    flow = unit_flow_limit(20.0, 15.0, 5.0, *law)

    assert 15.0 * flow * factor_of(turbine, flow)[0] == pytest.approx(20.0, rel=1e-12)
    assert unit_flow_limit(1000.0, 15.0, 5.0, *law) == 5.0
    assert unit_flow_limit(20.0, 15.0, 5.0, 1.0, 0.0, 0.0) == 20.0 / 15.0


def classes(turbine_class):
    """Classes with strong scale effects, of several units, with and without limits of power."""
    said = turbine_class().sources.model_dump() | {"power_max_kw": "invented"}
    curve = ((0.2, 0.5), (0.5, 0.75), (0.8, 0.85), (1.0, 0.83))
    return [
        turbine_class(
            name="strong effect",
            units_max=3,
            efficiency=curve,
            lowest_relative_flow=0.2,
            runner=runner(scale_exponent=0.35),
        ),
        turbine_class(
            name="limit of power",
            units_max=3,
            efficiency=curve,
            lowest_relative_flow=0.4,
            power_max_kw=25.0,
            sources=said,
            runner=runner(scale_exponent=0.25),
            setting=setting(),
            cost=turbine_class().cost.model_dump() | {"fixed": 9000.0},
        ),
        turbine_class(
            name="no effect", units_max=2, efficiency=((0.1, 0.6), (1.0, 0.7)), lowest_relative_flow=0.1
        ),
    ]


def made_region(seed):
    random = np.random.default_rng(seed)
    mean = 10 ** random.uniform(-0.7, 1.2, (12, 1))
    curve = mean * np.exp(0.9 * np.sort(random.normal(size=(12, BINS)), axis=1)[:, ::-1])
    places = pd.DataFrame(
        {
            "intake": np.arange(12),
            "scheme_type": "at_barrier",
            "head_m": random.uniform(1.0, 9.0, 12),
            "conduit_length_m": 0.0,
            "pond_length_m": 0.0,
            "weir_height_m": 0.0,
            "has_fish_pass": True,
            "road_distance_m": random.uniform(0.0, 400.0, 12),
            "line_distance_m": 0.0,
            "tailrace_level_m": random.uniform(0.0, 1500.0, 12),
        }
    )
    return places, curve


@pytest.mark.slow
def test_the_search_finds_the_best_of_all_sizes_with_the_scale_effect(turbine_class, generic_costs, settings):
    places, curve = made_region(5)
    first = {"design_exceedance_percent": [5.0, 95.0], "design_step_percent": 2.0}
    energy = settings.energy.model_copy(update=first)
    turbines = classes(turbine_class)
    data = (places, curve, 0.1 * curve, turbines, generic_costs)

    # Each design flow alone, so that none can be passed over, whatever the design goes by: the best is taken here.
    alone = []
    for percent in np.arange(5.0, 96.0, 2.0):
        one = settings.model_copy(
            update={"energy": energy.model_copy(update={"design_exceedance_percent": [percent]})}
        )
        for number, turbine in enumerate(turbines):
            for units in range(1, turbine.units_max + 1):
                own = turbine.model_copy(update={"units_max": units})
                values = value_stretches(places, curve, 0.1 * curve, [own], generic_costs, one)
                alone.append(values.assign(number=number))
    values = pd.concat(alone).groupby(level=0)
    best = {
        "choice": values["any_net_annual_value"].max(),
        "lcoe_per_kwh": values["any_lcoe_per_kwh"].min(),
    }
    for design_by, expected in best.items():
        by = settings.model_copy(update={"energy": energy.model_copy(update={"design_by": design_by})})

        found = value_stretches(*data, by)

        assert (found["any_turbine"] >= 0).sum() >= 10
        pd.testing.assert_series_equal(found[expected.name], expected, check_names=False, rtol=1e-12)


def test_energy_of_the_search_is_that_of_the_plain_functions_with_the_factor(
    turbine_class, generic_costs, settings
):
    places, curve = made_region(8)
    turbines = classes(turbine_class)
    values = value_stretches(places, curve, 0.1 * curve, turbines, generic_costs, settings)
    checked = 0
    for place, row in values[values["any_turbine"] >= 0].iterrows():
        turbine = turbines[row["any_turbine"]]
        flow, units = row["any_flow_design_m3s"], int(row["any_units"])
        factor = factor_of(turbine, flow / units)[0]
        table = efficiency_table(turbine)
        head = row["any_power_kw"] / (9.80665 * flow * table[-1] * factor)
        if turbine.power_max_kw and row["any_power_kw"] >= units * turbine.power_max_kw * (1 - 1e-9):
            continue
        output = plant_output(
            curve[place], 0.1 * curve[place], head, flow, table, turbine.lowest_relative_flow, units, scale=factor
        )
        energy = yearly_energy_mwh(output.power_mean_kw, settings.energy.availability)
        checked += 1
        assert head < places["head_m"][place]
        assert row["any_energy_mwh"] == pytest.approx(energy, rel=0.02)
        assert row["any_firm_power_kw"] <= row["any_power_kw"]
    assert checked > 5


def test_no_plant_of_an_interval_gives_more_than_its_bound(turbine_class):
    random = np.random.default_rng(3)
    table = turbine_table(classes(turbine_class))
    tight = 0.0
    prices = dict.fromkeys(Prices._fields, 0.0) | {"mwh_per_kw": 8.76, "contingency_factor": 1.0}
    record = SimpleNamespace(**prices, **dict(zip(WATERWAY.names, CANAL, strict=True)))
    for _ in range(150):
        number, units = random.integers(3), int(random.integers(1, 4))
        at_site = SimpleNamespace(**dict.fromkeys(CLASS_AT_SITE.names, 0.0))
        at_site.head, at_site.units, at_site.power_max = 4.0, units, 1e9
        at_site.full_efficiency = table.efficiency[number, -1]
        for name in ("peak_efficiency", "lowest_relative_flow", "scale_gain", "scale_loss", "scale_exponent"):
            setattr(at_site, name, getattr(table, name)[number])
        usable = np.sort(10 ** random.normal(0.0, 0.5, BINS))[::-1]
        bins = np.zeros((4, BINS + 1))
        bins[0, :-1], bins[1, :-1] = usable, 4.0 - random.uniform(0.0, 1.0, BINS)
        bins[2, 1:] = np.cumsum(bins[1, :-1])
        bins[3, :-1] = np.cumsum((bins[0, :-1] * bins[1, :-1])[::-1])[::-1]
        least, greatest = np.sort(10 ** random.uniform(-1.0, 0.8, 2))
        flows = int((usable >= greatest).sum()), greatest, least
        bound = _energy_bound_mwh(bins, *flows, 0.0, 0.0, _scale_of(greatest, at_site), at_site, record)
        for flow in np.geomspace(least, greatest, 7):
            full, scale = int((usable >= flow).sum()), _scale_of(flow, at_site)
            given = at_site, table.efficiency[number], record
            rated = rated_kw(bins, full, flow, 0.0, scale, *given, 0.0)
            energy = 8.76 * mean_kw(bins, full, flow, rated, 0.0, scale, *given, 0.0, 0.0)
            tight = max(tight, energy / bound)
            assert energy <= bound * (1 + 1e-12)
            # A fish screen takes water and head.
            full = int((usable >= 1.06 * flow).sum())
            rated = rated_kw(bins, full, flow, 0.0, scale, *given, 0.1)
            screened = 8.76 * mean_kw(bins, full, flow, rated, 0.0, scale, *given, 0.06 * flow, 0.1)
            assert screened <= bound * (1 + 1e-12)
    # The bound would be of no use if it were far above all.
    assert tight > 0.9


def test_columns_of_plants_are_empty_for_classes_without_a_runner(turbine_class):
    turbines = [turbine_class(name="wheel"), turbine_class(runner=runner(), setting=setting())]
    table = turbine_table(turbines)
    plants = np.array([0, 1, -1]), np.array([1, 2, 0]), np.array([1.0, 8.0, np.nan]), np.full(3, 5.0), np.zeros(3)

    columns = runner_columns(turbines, table, *plants)

    assert columns["runner_diameter_m"].tolist() == pytest.approx([np.nan, 0.84, np.nan], nan_ok=True)
    # A runner of 0.84 m against one of 1 m, gear and generator 0.9, by hand.
    by_hand = 0.9 * (1 - 0.2 * (1 / 0.84) ** 0.2)
    assert columns["efficiency_design"].tolist() == pytest.approx([0.72, by_hand, np.nan], nan_ok=True)
    assert np.isnan(columns["suction_head_m"]).tolist() == [True, False, True]


@pytest.mark.parametrize("is_one", [True, False])
def test_no_plant_behind_a_pipe_gives_more_than_the_bound_bin_by_bin(turbine_class, is_one):
    random = np.random.default_rng(5)
    table = turbine_table(classes(turbine_class))
    pieces = table.efficiency.shape[1] - 1
    prices = dict.fromkeys(Prices._fields, 0.0) | {"mwh_per_kw": 8.76, "contingency_factor": 1.0}
    record = SimpleNamespace(**prices, **dict(zip(WATERWAY.names, CANAL, strict=True)))
    # Filled once for each class and number of units, as in a run.
    best_at = np.full((3, 3, 9, 3 * pieces + 1), np.nan)
    shares, throttled = [], 0
    for _ in range(400):
        number, units = int(random.integers(3)), int(random.integers(1, 4))
        at_site = SimpleNamespace(**dict.fromkeys(CLASS_AT_SITE.names, 0.0))
        at_site.head, at_site.units, at_site.number, at_site.power_max = 4.0, units, number, 1e9
        at_site.full_efficiency = table.efficiency[number, -1]
        known = (
            "peak_efficiency",
            "lowest_relative_flow",
            "open_from",
            "scale_gain",
            "scale_loss",
            "scale_exponent",
        )
        for name in known:
            setattr(at_site, name, getattr(table, name)[number])
        greatest = 10 ** random.uniform(-1.0, 0.8)
        # All bins alike, so that none makes up for what is too low in another.
        usable = np.full(5, greatest * random.uniform(0.1, 1.1))
        bins = np.zeros((4, len(usable) + 1))
        bins[0, :-1], bins[1, :-1] = usable, 4.0 - random.uniform(0.0, 3.5)
        least = greatest if is_one else greatest * random.uniform(0.5, 1.0)
        loss = random.uniform(0.0, 1.5)
        given = at_site, table.efficiency[number], record
        full = int((usable >= greatest).sum())
        rated = rated_kw(bins, full, greatest, loss, _scale_of(greatest, at_site), *given, 0.0) if is_one else 1e9

        bound = _bound_by_share_mwh(
            bins, full, greatest, least, rated, loss, _scale_of(greatest, at_site), *given, best_at
        )

        for flow in np.geomspace(least, greatest, 1 if is_one else 5):
            # A narrower pipe takes more of the head.
            full, scale, loss_m = int((usable >= flow).sum()), _scale_of(flow, at_site), loss * greatest / flow
            rated = rated_kw(bins, full, flow, loss_m, scale, *given, 0.0)
            energy = 8.76 * mean_kw(bins, full, flow, rated, loss_m, scale, *given, 0.0, 0.0)
            assert energy <= bound * (1 + 1e-12)
            shares.append(energy / bound if bound > 0.0 else 1.0)
            throttled += bool((bins[1, :-1] < at_site.open_from * loss_m).any())
    assert throttled > 50
    # It leaves little to find out.
    assert np.median(shares) > 0.99 if is_one else max(shares) > 0.95
