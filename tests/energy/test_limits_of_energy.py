"""Where figures of plants begin and end: just at a limit, with nothing there, and just beyond it."""

import numpy as np
import pandas as pd
import pytest
from one_plant import plant_output
from plain_turbines import plain_turbine, survival

from sitefinder.catalogue.costs import WaterFee
from sitefinder.energy.blade_strike import strikes_at_one_m3s, von_raben_strikes
from sitefinder.energy.costs import (
    best_price_per_kwh,
    capital_factor,
    construction_interest_factor,
    is_extrapolated,
    needs_fish_pass,
    place_costs,
    screen_cost,
    screen_takes,
    water_fee_per_year,
)
from sitefinder.energy.expectation import kinds_of
from sitefinder.energy.finance import CashFlow, discounted_payback_years, internal_rate_of_return
from sitefinder.energy.fish_survival import (
    _behind,
    _flow_for,
    classes_that_may_be_safe,
    survival_by_group,
    von_raben_share,
)
from sitefinder.energy.hydraulics import (
    CANAL,
    LEAST_CANAL,
    LEAST_PIPE,
    MeasuredSection,
    Rating,
    channel_shapes,
    hydraulic_width_m,
    kinematic_viscosity_m2_s,
    kw_per_m3s_m,
    normal_gravity_m_s2,
    pipe_loss_m,
    water_density_kg_m3,
    water_depths,
    waterway,
    waterway_lengths_m,
)
from sitefinder.energy.open_channel import depth_elasticity, resistance
from sitefinder.energy.operation import by_residual_flow, has_fish_pass, residual_flow, shutdown_share
from sitefinder.energy.plant import yearly_energy_mwh
from sitefinder.energy.runners import runner_columns, settings_of_runners, suction_head_m, tailwater_level_m
from sitefinder.energy.sizing import search_prices
from sitefinder.energy.solar_benchmark import serve_demand
from sitefinder.energy.turbines import efficiency_table, fits_stream, never_throttled_from, turbine_table
from sitefinder.energy.uncertainty import (
    _of_mean_one,
    _shuffled_columns,
    _variance_shares,
    intervals,
    prob_in_top_n,
)
from sitefinder.energy.valuation import turbine_options, value_stretches
from sitefinder.energy.works import conduit_works
from sitefinder.settings import CostSettings, FishGroup, FishSettings
from sitefinder.vocabulary import HYDRAULIC_GEOMETRY, MANNING, MEASURED_SECTION


# In any table of the properties of water and of gravity on the ellipsoid, from memory: IAPWS for density to two
# decimals; kinematic viscosity, of which the formula is good to 2.5 %; WGS 84 at equator, 45° and pole.
def test_water_and_gravity_are_those_of_any_table():
    temperatures = np.array([0.0, 4.0, 10.0, 15.0, 20.0, 25.0, 30.0, 40.0])
    densities = [999.84, 999.97, 999.70, 999.10, 998.21, 997.05, 995.65, 992.22]

    assert water_density_kg_m3(temperatures) == pytest.approx(densities, abs=0.006)
    assert kinematic_viscosity_m2_s(np.array([0.0, 10.0, 20.0, 30.0, 40.0])) == pytest.approx(
        [1.787e-6, 1.307e-6, 1.004e-6, 0.801e-6, 0.658e-6], rel=0.025
    )
    assert normal_gravity_m_s2(np.array([0.0, 45.0, -90.0])) == pytest.approx(
        [9.7803253, 9.8061978, 9.8321849], abs=1e-6
    )


def test_without_a_stated_temperature_water_weighs_a_tonne_and_flows_as_at_ten_degrees(settings):
    plain = settings.energy
    warm = plain.model_copy(update={"water_temperature_degc": 20.0, "gravity_latitude_deg": 45.0})

    assert waterway(plain).viscosity_m2_s == kinematic_viscosity_m2_s(10.0)
    assert (waterway(plain).kw_per_m3s_m, waterway(plain).gravity_m_s2) == (pytest.approx(9.80665), 9.80665)
    assert waterway(warm).viscosity_m2_s == kinematic_viscosity_m2_s(20.0)
    assert kw_per_m3s_m(warm) == pytest.approx(0.998207 * 9.806198, rel=1e-6)
    assert waterway(plain).roughness_m == pytest.approx(plain.pipe_roughness_mm / 1000.0)
    # A canal takes its fall from the slope alone, and no pipe of no length takes any.
    assert pipe_loss_m(1.0, 0.0, CANAL) == pipe_loss_m(0.0, 100.0, waterway(plain)) == 0.0


@pytest.mark.parametrize(
    ("columns", "conduit", "headrace_m", "pipe_m"),
    [
        ({}, "canal", [300.0, 0.0], [0.0, 0.0]),
        ({}, "pipe", [0.0, 0.0], [300.0, 0.0]),
        (
            {"headrace_length_m": [200.0, np.nan], "penstock_length_m": [100.0, np.nan]},
            "canal",
            [200.0, 0.0],
            [100, 0],
        ),
        (
            {"headrace_length_m": [200.0, np.nan], "penstock_length_m": [100.0, np.nan]},
            "pipe",
            [0.0, 0.0],
            [300, 0],
        ),
        ({LEAST_CANAL: [120.0, 10.0]}, "pipe", [120.0, 10.0], [0.0, 0.0]),
    ],
)
def test_a_conduit_loses_head_as_canal_or_as_pipe_over_its_parts(settings, columns, conduit, headrace_m, pipe_m):
    stretches = pd.DataFrame({"conduit_length_m": [300.0, np.nan]} | columns)
    energy = settings.energy.model_copy(update={"conduit": conduit})

    found = waterway_lengths_m(stretches, energy)

    assert [part.tolist() for part in found] == [headrace_m, pipe_m]


@pytest.mark.parametrize(
    ("percent", "flow_m3s"), [(None, 4.0), (50.0, 4.0), (35.0, 5.5), (0.0, 8.0), (100.0, 1.0)]
)
def test_the_water_of_the_survey_day_is_read_between_the_bins_and_level_beyond(settings, percent, flow_m3s):
    curve, exceedance = np.array([[8.0, 6.0, 4.0, 2.0, 1.0]]), np.array([0.1, 0.3, 0.5, 0.7, 0.9])
    tailwater = settings.tailwater

    found = water_depths(curve, exceedance, np.array([4.2]), tailwater, survey_percent=percent)

    by_hand = tailwater.depth_at_1_m3s_m * 4.2**tailwater.downstream_exponent
    by_hand *= (flow_m3s / 4.2) ** tailwater.station_exponent
    assert found.survey_m.tolist() == pytest.approx([by_hand])
    dry = water_depths(0.0 * curve, exceedance, np.zeros(1), tailwater)
    assert dry.depth_m.tolist() == [[0.0] * 5]
    off = water_depths(curve, exceedance, np.array([4.2]), tailwater.model_copy(update={"method": "none"}))
    assert (off.depth_m.max(), off.survey_m.tolist()) == (0.0, [0.0])


def test_a_rating_is_level_below_and_straight_on_above_and_the_later_one_counts(settings):
    curve, exceedance = np.array([[9.0, 5.0, 2.0, 0.5]] * 2), np.array([0.125, 0.375, 0.625, 0.875])
    first = Rating(np.array([0, 1]), np.array([1.0, 2.0]), np.array([0.0, 9.0]))
    rating = Rating(np.array([0]), np.array([1.0, 3.0, 5.0]), np.array([10.0, 10.4, 10.6]))

    found = water_depths(curve, exceedance, curve.mean(axis=1), settings.tailwater, 37.5, [first, rating])

    # Above 5 m³/s 0.1 m for each m³/s more.
    assert found.depth_m[0].tolist() == pytest.approx([1.0, 0.6, 0.2, 0.0])
    assert found.survey_m.tolist() == pytest.approx([0.6, 36.0])


def test_the_nearest_section_counts_of_equals_the_earlier_and_none_where_nothing_flows(settings):
    mean = np.array([4.0, 4.0, 0.0])
    sections = [
        MeasuredSection(np.array([0, 1, 2]), np.array([100.0, 300.0, 0.0]), 2.0, 6.0, 0.5),
        MeasuredSection(np.array([0, 1, 2]), np.array([100.0, 200.0, 0.0]), 2.0, 9.0, 0.4),
    ]

    shapes = channel_shapes(
        mean, settings.tailwater, settings.channel, sections, slope=np.array([0.01, 0.01, 0.01])
    )

    twice = 2.0**settings.channel.station_exponent
    assert shapes.width_m[:2].tolist() == pytest.approx([6.0 * twice, 9.0 * twice])
    assert shapes.is_measured.tolist() == [True, True, False]
    assert shapes.method.tolist() == [MEASURED_SECTION, MEASURED_SECTION, HYDRAULIC_GEOMETRY]
    assert np.isnan(shapes.slope).all()
    assert [each[0] for each in shapes.depth_exponents] == [settings.tailwater.station_exponent] * 2


def test_a_stream_without_slope_or_flow_has_the_depth_of_hydraulic_geometry(settings):
    mean = np.array([4.0, 4.0, 4.0, 0.0])
    slope = np.array([0.001, 0.0, np.nan, 0.001])

    shapes = channel_shapes(mean, settings.tailwater, settings.channel, slope=slope)

    assert np.isnan(shapes.slope).tolist() == [False, True, True, True]
    assert shapes.method.tolist() == [MANNING] + [HYDRAULIC_GEOMETRY] * 3
    by_law = settings.tailwater.depth_at_1_m3s_m * 4.0**settings.tailwater.downstream_exponent
    assert shapes.depth_m[1:].tolist() == pytest.approx([by_law, by_law, 0.0])
    assert shapes.depth_m[0] != pytest.approx(by_law)
    by_geometry = settings.tailwater.model_copy(update={"method": "hydraulic_geometry"})
    assert channel_shapes(mean, by_geometry, settings.channel, slope=slope).depth_m[0] == pytest.approx(by_law)
    assert channel_shapes(mean, settings.tailwater, settings.channel).depth_m[0] == pytest.approx(by_law)
    assert shapes.width_m == pytest.approx(hydraulic_width_m(mean, settings.channel))
    _, depth_m, speed = shapes.at(np.array([1, 3]), np.array([[0.0, 4.0], [0.0, 0.0]]))
    assert depth_m == pytest.approx(np.array([[0.0, by_law], [0.0, 0.0]]))
    assert speed == pytest.approx(np.array([[0.0, 4.0 / (by_law * shapes.width_m[1])], [0.0, 0.0]]))


def test_steep_streams_begin_at_the_stated_slope():
    found = resistance(np.array([0.0019999, 0.002]), 0.05, 0.002)

    assert found.exponent.tolist() == pytest.approx([2 / 3, 2 / 3 + 0.16])
    assert found.factor[0] == pytest.approx(0.0019999**0.5 / 0.05)
    # A depth of nothing has no elasticity.
    assert np.isnan(depth_elasticity(np.zeros(1), np.ones(1), np.zeros(1), found.at(np.array([0])), 0.3)).all()


@pytest.mark.parametrize(
    ("surplus", "rate"),
    [(48.0, np.nan), (51.0, -0.49), (100.0, 0.0), (1090.0, 9.9), (1150.0, np.nan), (-1, np.nan)],
)
def test_a_rate_of_return_is_looked_for_from_half_lost_to_ten_times_gained(surplus, rate):
    # After one year: what comes in over what was paid, less 1. A neighbour has one all the same.
    flow = CashFlow(np.array([100.0, 100.0]), np.zeros(2), np.array([surplus, 110.0]), np.zeros(2))

    np.testing.assert_allclose(internal_rate_of_return(flow, 1), [rate, 0.1], atol=1e-12)


def test_payback_at_mid_life_itself_and_without_any_surplus():
    # Both are paid just when the overhaul falls due, so that the capital's own date counts: 1000 / 150.
    flow = CashFlow(
        np.array([1000.0, 1000.0]), np.array([500.0, 0.0]), np.array([150.0, 20.0]), np.array([0.0, 20.0])
    )

    np.testing.assert_allclose(discounted_payback_years(flow, 0.0, 20), [1000 / 150, np.nan])


def test_interest_during_construction_has_its_limits(generic_costs):
    assert construction_interest_factor(0.0, 2.0) == construction_interest_factor(0.05, 0.0) == 1.0
    # A year at 10 %: the mean of 1.1^t from 0 to 1.
    assert construction_interest_factor(0.1, 1.0) == pytest.approx(
        np.mean(1.1 ** ((np.arange(1000) + 0.5) / 1000))
    )
    plain = capital_factor(generic_costs, 0.0)
    assert plain == pytest.approx((1 + generic_costs.engineering.share) * (1 + generic_costs.contingency.share))


def test_the_best_price_is_that_of_export_or_own_use():
    def best(**own):
        money = CostSettings(file="", price_per_kwh=0.2, own_consumption_share=0.1, **own)
        return best_price_per_kwh(money)

    assert best() == pytest.approx(0.18)
    assert best(own_use_price_per_kwh=0.3, own_use_share=0.5) == pytest.approx(0.27)
    assert best(own_use_price_per_kwh=0.1, own_use_share=0.5) == pytest.approx(0.18)


@pytest.mark.parametrize(
    ("fee", "known", "lacking"),
    [
        ({"per_kwh": 0.01}, {"energy_kwh": 500.0}, None),
        ({"per_kwh": 0.01}, {"power_kw": 10.0}, "energy"),
        ({"per_kw": 2.0}, {"energy_kwh": 500.0}, "power"),
        ({"per_m3": 0.01}, {}, "power and energy and design flow"),
        ({"per_m3": 0.01}, {"power_kw": 10.0, "energy_kwh": 500.0}, "design flow"),
    ],
)
def test_a_water_fee_asks_for_the_figures_that_it_is_by(fee, known, lacking):
    fee = WaterFee(**fee, source="an example")

    if lacking is None:
        assert water_fee_per_year(fee, **known) == pytest.approx(5.0)
        return
    with pytest.raises(ValueError, match=f"needs the plant's {lacking}$"):
        water_fee_per_year(fee, **known)


def test_fees_by_power_energy_and_water_add_up():
    fee = WaterFee(per_kw=2.0, per_kwh=0.01, per_m3=0.001, source="an example")

    # 50 hours at full power: 100 kW give 5000 kWh with 3 m³/s for 180,000 s.
    assert water_fee_per_year(fee, 100.0, 5000.0, 3.0) == pytest.approx(200.0 + 50.0 + 0.001 * 3.0 * 180_000)


# Scheme type, new weir at the intake, drop there; whether fish must get up it always, or where the costs ask.
WAYS_UP = [
    ("at_barrier", 0.0, 0.0, False, True),
    ("new_weir", 0.0, 0.0, True, True),
    ("diversion", 0.0, 0.0, False, False),
    ("diversion", 1.2, 0.0, True, True),
    ("diversion", 0.0, 0.9, False, True),
    ("diversion", 1.2, 0.9, True, True),
]


@pytest.mark.parametrize("at_existing", [False, True])
def test_who_needs_a_fish_pass_and_what_fish_climb(generic_costs, at_existing):
    scheme_type, new_m, drop_m, *needs = zip(*WAYS_UP, strict=True)
    passes = generic_costs.fish_pass.model_copy(update={"at_existing_barriers": at_existing})
    level = generic_costs.weir.model_copy(update={"height_exponent": 0.0})
    costs = generic_costs.model_copy(update={"fish_pass": passes, "weir": level})
    stretches = pd.DataFrame({"scheme_type": scheme_type, "intake_weir_m": new_m, "intake_drop_m": drop_m}).assign(
        head_m=3.0, weir_height_m=np.nan, pond_length_m=np.nan, has_fish_pass=False, road_distance_m=np.nan,
        line_distance_m=np.nan,
    )  # fmt: skip

    assert needs_fish_pass(stretches, costs).tolist() == list(needs[at_existing])
    # Whoever has a pass has one, needed or not.
    has_one = stretches.assign(has_fish_pass=[False, False, True, False, True, False])
    expected = np.array(needs[at_existing]) | has_one["has_fish_pass"].to_numpy()
    assert has_fish_pass(has_one, costs).tolist() == expected.tolist()
    parts = place_costs(stretches, np.full(6, 1.0), costs)
    climbed = parts["fish_pass"] / passes.per_m_head
    assert climbed.tolist() == pytest.approx([at_existing * 3.0, 3.0, 0.0, 1.2, at_existing * 0.9, 1.2 + 0.9])
    # No weir is built where there is none, whatever its law makes of a height of nothing.
    assert (parts["intake_weir"] > 0).tolist() == [False, False, False, True, False, True]
    assert parts["pond"].tolist() == [0.0] * 6


def test_a_law_of_units_and_of_plants_ends_at_its_powers(turbine_class):
    per_unit = turbine_class().cost
    per_plant = per_unit.model_copy(update={"covers": "plant"})

    # From 1 to 100 kW; of no unit the power is that of one.
    assert is_extrapolated(per_unit, np.array([300.0, 0.5, 50.0]), 3.0, [3, 1, 0]).tolist() == [False, True, False]
    assert is_extrapolated(per_plant, np.array([300.0, 100.0, 1.0]), 3.0, [3, 1, 1]).tolist() == [
        True,
        False,
        False,
    ]


def test_without_a_screen_nothing_is_paid_lost_or_let_by(generic_costs):
    none = generic_costs.model_copy(update={"screen": generic_costs.screen.model_copy(update={"design": None})})
    design = generic_costs.screen.design

    assert screen_cost(none, np.array([1.0, 5.0])).tolist() == [0.0, 0.0]
    assert [part.tolist() for part in screen_takes(none, [True, False], np.array([2.0, 2.0]))] == [[0.0, 0.0]] * 2
    head_m, bypass_m3s = screen_takes(generic_costs, [True, False], np.array([2.0, 2.0]))
    assert head_m.tolist() == [design.head_loss_m, 0.0]
    assert bypass_m3s.tolist() == pytest.approx([2.0 * design.bypass_share, 0.0])


def test_the_least_canal_and_pipe_are_all_that_counts_where_they_are_stated(settings, generic_costs):
    least = pd.DataFrame({"conduit_length_m": [300.0], LEAST_CANAL: [120.0], LEAST_PIPE: [40.0]})

    works = conduit_works(least, np.array([5.0]), generic_costs, settings)

    assert (works.least_m.tolist(), works.penstock_m.tolist(), works.canal_m.tolist()) == ([120.0], [40.0], [0.0])


def test_groups_of_stretches_leave_the_same_water(settings, generic_costs):
    releases = settings.flows.releases
    stretches = pd.DataFrame(
        {"scheme_type": ["diversion", "at_barrier", "diversion"], "has_fish_pass": [False, True, True]}
    ).assign(intake_weir_m=0.0, intake_drop_m=[0.0, 0.0, 1.0])

    assert [(rows.tolist(), kind) for rows, kind in kinds_of(stretches, generic_costs, releases)] == [
        ([0, 1, 2], (False, False))
    ]
    some = releases.model_copy(update={"fish_pass_m3s": 0.2})
    found = dict((kind, rows.tolist()) for rows, kind in kinds_of(stretches, generic_costs, some))
    assert sorted(row for rows in found.values() for row in rows) == [0, 1, 2]
    assert all(kind[0] == (row == 1) for kind, rows in found.items() for row in rows)
    passes = has_fish_pass(stretches, generic_costs)
    assert set(passes[[0, 2]]) == {True, False}
    assert all(kind[1] == passes[row] for kind, rows in found.items() for row in rows)
    assert [rows.tolist() for rows, _ in kinds_of(stretches[:0], generic_costs, some)] == [[]]


def test_floods_above_the_limit_stop_the_turbines_and_at_it_they_run(settings):
    curve = np.array([[8.0, 4.0, 2.0, 2.0]])
    by_mean = settings.energy.model_copy(update={"shut_down_times_mean": 1.0})
    both = by_mean.model_copy(update={"shut_down_exceedance_percent": 62.5})
    closed = np.array([False, False, False, True])

    # The mean is 4 m³/s; exceeded for 62.5 % of the time are 2 m³/s.
    assert shutdown_share(curve, by_mean).tolist() == [[True, False, False, False]]
    assert shutdown_share(curve, both).tolist() == [[True, True, False, False]]
    assert shutdown_share(curve, by_mean, closed).tolist() == [[True, False, False, True]]
    assert shutdown_share(curve, settings.energy, closed).tolist() == closed.tolist()
    assert shutdown_share(curve, settings.energy) is None


def test_an_attraction_flow_is_a_share_of_what_the_turbines_take(settings):
    curve, environmental = np.array([[10.0, 3.0]]), np.array([[1.0, 1.0]])
    releases = settings.flows.releases.model_copy(
        update={"attraction_share": 0.25, "fish_pass_in_environmental_flow": True, "fish_pass_m3s": 0.0}
    )

    def left(**changes):
        given = releases.model_copy(update=changes)
        return residual_flow(curve, environmental, np.array([5.0]), False, True, given)[0].tolist()

    # In the environmental flow: a fifth of the flow leaves four fifths to the turbines, a quarter of which it is.
    assert left() == pytest.approx([2.0, 1.0])
    # On top of it: a fifth of what is left of the flow.
    assert left(fish_pass_in_environmental_flow=False) == pytest.approx([1.0 + 1.8, 1.0 + 0.4])


def test_a_plant_runs_in_the_bins_that_give_power():
    flow = np.array([4.0, 2.0, 1.0, 0.0])

    found = plant_output(flow, 0.0, 2.0, 2.0, np.full(101, 0.5), lowest_relative_flow=0.6)

    # Full in two of four bins; the third is under the lowest flow, the last is dry.
    assert found.operating_fraction == 0.5
    assert found.flow_used_m3s == pytest.approx(1.0)
    assert found.power_mean_kw == pytest.approx(9.80665 * 2.0 * 0.5 * 2.0 / 2)
    assert found.firm_power_kw == 0.0
    assert yearly_energy_mwh(found.power_mean_kw, 0.5) == pytest.approx(found.power_mean_kw * 4.38)


def test_a_plant_of_one_efficiency_is_never_throttled_from_three_times_the_loss_on():
    # x (H − L x²) rises up to x = 1 where H is 3 L.
    assert never_throttled_from(np.full(101, 0.9), 0.2) == pytest.approx(3.0, rel=1e-8)


@pytest.mark.parametrize("seed", range(4))
def test_less_flow_never_gives_more_power_from_the_stated_head_on(seed):
    rng = np.random.default_rng(seed)
    share = np.arange(101) / 100
    peak = rng.uniform(0.5, 0.9)
    efficiency = 0.9 - rng.uniform(0.5, 1.0) * (share - peak) ** 2
    # Below the lowest flow the curve falls as it likes.
    lowest = 0.3
    efficiency[:30] -= 3.0 * (0.3 - share[:30])

    found = never_throttled_from(efficiency, lowest)

    x = np.linspace(lowest, 1.0, 20_001)
    eta = np.interp(x, share, efficiency)

    def falls(head_over_loss):
        return (np.diff(x * eta * (head_over_loss - x**2)) < 0).any()

    assert found >= 3.0
    assert not falls(found * (1 + 1e-6))
    if found > 3.0 + 1e-6:
        assert falls(found * (1 - 1e-3))


def test_a_stream_as_wide_and_deep_as_a_class_needs_is_enough():
    turbines = [
        plain_turbine(
            name=name, min_width_m=width, min_depth_m=depth, sources=sources(min_width_m=1, min_depth_m=1)
        )
        for name, width, depth in (("a", 2.0, 0.5), ("b", 2.1, 0.5), ("c", 2.0, 0.6))
    ]
    stretches = pd.DataFrame({"scheme_type": ["at_barrier", "at_barrier", "diversion"]}).assign(
        stream_width_m=[2.0, np.nan, 1.0], stream_depth_m=[0.5, np.nan, 0.1]
    )
    table = turbine_table(turbines)

    assert fits_stream(table, stretches).tolist() == [[True, False, False], [True] * 3, [True] * 3]
    assert fits_stream(table, stretches[["scheme_type"]]).all()


def sources(**figures):
    return plain_turbine().sources.model_dump() | dict.fromkeys(figures, "an example")


def test_a_class_fits_at_the_heads_that_it_begins_and_ends_at(turbine_class, generic_costs, settings):
    still = {"rack_and_gate_loss_m": 0.0, "exit_loss_m": 0.0}
    settings = settings.model_copy(update={"energy": settings.energy.model_copy(update=still)})
    turbines = [
        turbine_class(name="low", head_range_m=(1.0, 2.0)),
        turbine_class(name="high", head_range_m=(3.0, 9.0)),
    ]
    heads = [0.999, 1.0, 2.0, 2.001, 2.999, 3.0, 9.0, 9.001]
    stretches = pd.DataFrame({"head_m": heads}).assign(
        intake=0, scheme_type="at_barrier", conduit_length_m=0.0, pond_length_m=0.0, weir_height_m=0.0,
        has_fish_pass=False, road_distance_m=0.0, line_distance_m=0.0,
    )  # fmt: skip
    curve = np.full((1, 20), 2.0)

    values = value_stretches(stretches, curve, 0.0 * curve, turbines, generic_costs, settings)

    assert values["any_turbine"].tolist() == [-1, 0, 0, -1, -1, 1, 1, -1]
    # Where the canal may still take some of the head, classes for any head down to that are taken.
    may_fall = stretches.assign(most_canal_fall_m=0.1)
    lower = value_stretches(may_fall, curve, 0.0 * curve, turbines, generic_costs, settings)
    assert lower["any_turbine"].tolist() == [-1, 0, 0, 0, -1, 1, 1, 1]
    # Level flow is the design flow itself, all the time.
    options = turbine_options(stretches[1:3], curve, 0.0 * curve, turbines, generic_costs, settings)
    assert options["flow_design_m3s"].tolist() == pytest.approx([2.0, 2.0])
    assert options["design_exceedance_percent"].tolist() == [100.0, 100.0]


def test_a_runner_may_lie_as_deep_as_its_law_allows(generic_turbines):
    turbine = next(each for each in generic_turbines if each.setting is not None)
    law, head = turbine.setting, np.array([6.0])
    # The level at which the runner must lie just so deep.
    slope = suction_head_m(law, head, 0.0) - suction_head_m(law, head, 1.0)
    level = (suction_head_m(law, head, 0.0) + law.max_depth_m) / slope

    for above_m, can in ((-1.0, True), (1.0, False)):
        factor, can_be_set = settings_of_runners([turbine], head, level + above_m)
        assert can_be_set.tolist() == [[can]]
        depth = law.max_depth_m + above_m * slope[0]
        assert factor[0, 0] == pytest.approx(1.0 + law.civil_share_per_m * depth)
    # At the sea and lower it may be above the water, which costs nothing more, and no level is that of the sea.
    assert settings_of_runners([turbine], np.array([1.0]), np.array([0.0]))[0].tolist() == [[1.0]]
    assert settings_of_runners([turbine], np.array([0.0]), np.array([0.0]))[0].tolist() == [[1.0]]
    assert settings_of_runners([turbine], np.zeros(0), np.zeros(0))[0].shape == (0, 1)
    assert tailwater_level_m(pd.DataFrame({"tailrace_level_m": [5.0, np.nan]})).tolist() == [5.0, 0.0]
    assert tailwater_level_m(pd.DataFrame({"head_m": [1.0]})).tolist() == [0.0]


def test_runners_of_plants_are_those_of_their_own_classes(generic_turbines):
    table = turbine_table(generic_turbines)
    number = np.array([0, -1, 1, 0])

    found = runner_columns(
        generic_turbines,
        table,
        number,
        [1, 0, 2, 2],
        np.array([3.0, np.nan, 3.0, 3.0]),
        np.full(4, 3.0),
        np.zeros(4),
    )

    diameter = generic_turbines[0].runner.diameter_factor
    assert found["runner_diameter_m"][[0, 3]].tolist() == pytest.approx([diameter * 3.0**0.5, diameter * 1.5**0.5])
    assert np.isnan([values[1] for values in found.values()]).all()
    full = efficiency_table(generic_turbines[0])[-1]
    assert found["efficiency_design"][0] > found["efficiency_design"][3]
    assert found["efficiency_design"][0] == pytest.approx(full, rel=0.1)


def test_a_bar_that_no_share_or_any_share_meets_is_met_by_no_unit_or_by_all(generic_turbines, screen):
    striking = next(each for each in generic_turbines if each.strike is not None)

    def flow(share):
        return _flow_for(striking, np.array([2.0]), 0.1, share, 1).tolist()

    assert (flow(0.0), flow(-0.1), flow(1.0), flow(np.inf)) == ([0.0], [0.0], [np.inf], [np.inf])
    killed = 2.0 * 0.1 * striking.strike.deaths_per_strike(0.1)
    assert flow(0.9) == pytest.approx([(killed / 0.1) ** 2])
    stated = plain_turbine(survival=survival(0.9))
    assert [_flow_for(stated, None, 0.1, share, 1).tolist() for share in (0.9, 0.91)] == [[0.0], [np.inf]]
    # Behind a screen that guides all, the bypass alone; behind one of half, the rest must live.
    spread = {"bypass_survival": 0.9, "bypass_survival_range": (0.8, 1.0)}
    whole, half = (screen(guidance=((0.1, guided), (0.9, guided)), **spread) for guided in (1.0, 0.5))
    assert [_behind(whole, 0.2, 0.05, bar) for bar in (0.89, 0.91)] == [0.0, np.inf]
    assert _behind(half, 0.2, 0.05, 0.45) == pytest.approx(0.0, abs=1e-12)
    assert _behind(half, 0.2, 0.05, 0.8) == pytest.approx((0.8 - 0.45) / 0.5)


def test_where_there_is_no_turbine_no_fish_is_counted(turbine_class):
    group = FishGroup(name="fry", lengths_m=[0.1], direction="down")

    found = survival_by_group(
        [turbine_class(survival=survival(0.9))],
        None,
        FishSettings(groups=[group]),
        [0, -1],
        np.ones(2),
        np.ones(2),
    )

    assert found.as_built[0].tolist() == found.screened[0].tolist() == [0.9]
    assert np.isnan(found.as_built[1]).all()
    assert found.grade_as_built[1].tolist() == found.grade_screened[1].tolist() == [-1]


def test_small_powers_vary_as_large_ones_and_none_is_left_out_of_the_cost():
    rng = np.random.default_rng(3)
    # Logs of chance, so that powers lie on either side of 1 kW; the second site has a draw without power.
    alone = {
        name: np.exp(sd * rng.normal(size=(2, 400))) for name, sd in (("head", 0.3), ("flow", 0.6), ("year", 0.2))
    }
    alone["efficiency"] = np.exp(0.1 * rng.normal(size=(2, 400)))
    alone["flow"][1, 0] = 0.0
    yearly = np.exp(0.4 * rng.normal(size=(2, 400)))

    shares = _variance_shares(alone, yearly)

    energy = {name: values.var(axis=1) for name, values in alone.items()}
    for name, found in shares.energy.items():
        assert found == pytest.approx(energy[name] / sum(energy.values()))
    logs = {
        name: [np.log(row[row > 0]).var() for row in values] for name, values in alone.items() if name != "year"
    }
    logs |= {"cost": np.log(yearly).var(axis=1), "year": [0.0, 0.0]}
    total = np.sum([np.asarray(each) for each in logs.values()], axis=0)
    for name, found in shares.cost.items():
        assert found == pytest.approx(np.asarray(logs[name]) / total)
    still = _variance_shares({name: np.ones((1, 4)) for name in alone}, np.ones((1, 4)))
    assert np.isnan([each for each in still.energy.values()]).all()


def test_columns_are_used_equally_often_and_factors_have_the_mean_one():
    rng = np.random.default_rng(4)

    columns = _shuffled_columns(rng, 4, 10)

    assert len(columns) == 10
    assert sorted(columns[:4]) == sorted(columns[4:8]) == [0, 1, 2, 3]
    factors = _of_mean_one(0.5, rng.normal(size=(3, 50)))
    assert factors.mean(axis=1) == pytest.approx([1.0] * 3)
    assert (np.log(factors).std(axis=1) > 0.3).all()


def test_the_best_are_counted_with_ties_to_the_earlier_row():
    values = np.array([[1.0, 3.0], [1.0, 3.0], [0.0, 4.0]])

    assert prob_in_top_n(values, 1).tolist() == [0.5, 0.0, 0.5]
    assert prob_in_top_n(values, 2).tolist() == [1.0, 0.5, 0.5]
    assert prob_in_top_n(values, 5).tolist() == [1.0] * 3
    assert [part.tolist() for part in intervals(np.array([[4.0, 1.0, 3.0, 2.0]]))] == [[1.0], [2.0], [4.0]]


def test_a_settlement_without_a_demand_is_served_by_nobody():
    # 8.76 MWh a year are 1 kW all the time.
    found = serve_demand(np.array([[2.0, 0.5]] * 3), np.array([0.5] * 3), np.array([8.76, 0.0, np.nan]), 0.8, 0.25)

    np.testing.assert_allclose(found.served_share, [0.8 * 0.75, np.nan, np.nan])
    np.testing.assert_allclose(found.firm_share, [0.5, np.nan, np.nan])
    np.testing.assert_allclose(found.diesel_l, [0.6 * 8760 * 0.25, np.nan, np.nan])


def test_what_a_cost_file_leaves_out_costs_and_takes_nothing(generic_costs, settings):
    operation = generic_costs.operation.model_copy(update={"law": None, "water_fee": None})
    bare = generic_costs.model_copy(
        update={"operation": operation, "screen": generic_costs.screen.model_copy(update={"design": None})}
    )

    prices = search_prices(bare, settings)

    assert (prices.operation_law, prices.operation_law_exponent) == (np.inf, 0.0)
    assert (prices.water_fee_per_kw, prices.water_fee_per_mwh, prices.water_fee_per_m3) == (0.0, 0.0, 0.0)
    assert (prices.screen_per_m3s, prices.screen_fixed, prices.screen_loss_m, prices.bypass_share) == (0.0,) * 4
    assert (prices.min_capacity_factor, prices.by_energy, prices.by_cost) == (0.0, False, False)
    assert prices.mwh_per_kw == pytest.approx(8.76 * settings.energy.availability)
    screened = search_prices(generic_costs, settings)
    design, of_screens = generic_costs.screen.design, generic_costs.screen
    assert (screened.screen_loss_m, screened.bypass_share) == (design.head_loss_m, design.bypass_share)
    assert screened.screen_fixed == of_screens.bypass_fixed
    assert screened.screen_per_m3s == pytest.approx(of_screens.per_m2 * design.cost_factor * design.area_m2(1.0))


def test_without_stretches_there_is_one_group_without_rows(generic_costs, settings):
    releases = settings.flows.releases.model_copy(update={"fish_pass_m3s": 0.2})
    stretches = pd.DataFrame({"scheme_type": ["diversion", "at_barrier"], "has_fish_pass": [True, False]})
    curve = np.array([[5.0, 1.0]])

    def groups(rows, releases=releases):
        found = by_residual_flow(stretches[:rows], curve, 0.1 * curve, generic_costs, releases)
        return [(each.tolist(), left.tolist()) for each, left in found]

    assert [rows for rows, _ in groups(0)] == [[]]
    assert sorted(rows for rows, _ in groups(2)) == [[0], [1]]
    assert groups(2, settings.flows.releases) == [([0, 1], [[0.5, pytest.approx(0.1)]])]


def test_the_share_by_von_raben_is_that_of_his_strikes_and_unknown_without_axial_blades(generic_turbines):
    by_name = {each.strike.form if each.strike else None: each for each in generic_turbines}
    head, flow = np.array([3.0, 3.0]), np.array([1.0, 9.0])

    share = von_raben_share(by_name["axial"], 0.1, flow, head, 0.8)

    # Of the struck 43 % die by his factor of mutilation, from memory; of a unit of nine times the flow a third.
    struck = 0.1 * strikes_at_one_m3s(by_name["axial"], head, 0.8, von_raben_strikes)
    assert 1.0 - share == pytest.approx(0.43 * struck / np.sqrt(flow))
    assert von_raben_share(by_name["axial"], 50.0, flow, head, 0.8).tolist() == [0.0, 0.0]
    assert np.isnan(von_raben_share(by_name[None], 0.2, flow, head, 0.8)).all()
    assert by_name[None].strike is None


def test_classes_may_be_safe_by_the_evidence_that_counts(turbine_class, screen):
    classes = [turbine_class(name=str(share), survival=survival(share)) for share in (0.99, 0.5)]
    group = FishGroup(name="fry", lengths_m=[0.1], direction="down")

    def may_be(evidence, rack=None):
        fish = FishSettings(groups=[group], min_survival=0.9, evidence=evidence)
        return classes_that_may_be_safe(classes, rack, fish)

    assert may_be(["tested"]) == (True, False, False, False)
    assert may_be(["modelled"]) == (False, False, False, False)
    # Half of the fish go round: 0.5 + 0.5 · 0.5 is not enough.
    assert may_be(["tested"], screen()) == (True, False, True, False)


def test_a_table_of_classes_holds_the_figures_of_each(generic_turbines):
    table = turbine_table(generic_turbines)

    for row, turbine in enumerate(generic_turbines):
        whole = turbine.gear_efficiency * turbine.generator_efficiency
        assert table.peak_efficiency[row] == pytest.approx(turbine.peak_efficiency * whole, rel=1e-3)
        assert table.efficiency[row, -1] == pytest.approx(dict(turbine.efficiency)[1.0] * whole)
        assert table.power_max_kw[row] == (turbine.power_max_kw or np.inf)
        assert (table.head_min_m[row], table.head_max_m[row]) == turbine.head_range_m
        assert (table.flow_min_m3s[row], table.flow_max_m3s[row]) == turbine.flow_range_m3s
        assert (table.depth_min_m[row], table.width_min_m[row]) == (
            turbine.min_depth_m or 0.0,
            turbine.min_width_m or 0.0,
        )
    assert turbine_table([]).efficiency.shape == (0, 101)
