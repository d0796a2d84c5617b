"""One curve that stands for all drawn curves, against the mean of plants that are run on each of them."""

import numpy as np
import pytest
from one_plant import level_model, plant_output
from scipy.special import ndtri

from sitefinder.energy.expectation import DrawnWater, drawn_water, expected_water, residual_flow_of
from sitefinder.energy.hydraulics import Rating, WaterDepths, channel_shapes, water_depths
from sitefinder.energy.turbines import efficiency_table
from sitefinder.hydrology.duration_curve import BIN_EXCEEDANCE
from sitefinder.hydrology.flow_errors import draw_flows, scenarios

BINS = BIN_EXCEEDANCE.size
STILL = WaterDepths(np.zeros((1, BINS)), np.zeros(1))


def curve(spread=1.0, mean_m3s=3.0):
    flow = np.exp(-spread * ndtri(BIN_EXCEEDANCE))
    return mean_m3s * flow[None] / flow.mean()


@pytest.mark.parametrize("log_sd", [0.2, 0.5, 1.0])
@pytest.mark.parametrize("design_m3s", [1.0, 3.0, 8.0])
def test_a_plant_gives_on_it_what_it_gives_on_average(settings, turbine_class, log_sd, design_m3s):
    model, table = level_model(curve(), log_sd, 0.15), efficiency_table(turbine_class())
    rng = np.random.default_rng(17)
    half = rng.standard_normal((1, 500, 1))
    drawn = draw_flows(model, np.concatenate([half, -half], axis=1), rng.random(1000))

    def power_kw(flow, environmental_flow):
        return plant_output(flow, environmental_flow, 3.0, design_m3s, table, 0.2, 2).power_mean_kw

    each = [power_kw(*row) for row in zip(drawn.bins_m3s, drawn.environmental_flow_m3s, strict=True)]
    water = expected_water(model, STILL, settings, (False, False), count=64)

    expected = power_kw(water.usable_m3s[0], 0.0)
    assert expected == pytest.approx(np.mean(each), rel=0.03)
    # At the expected flow it would be more: energy is concave in flow.
    mean_m3s = curve() * np.exp(log_sd**2 / 2.0)
    at_mean = power_kw(mean_m3s[0], np.minimum(0.15 * mean_m3s.mean(), mean_m3s[0]))
    if log_sd == 1.0:
        assert at_mean > 1.15 * expected


@pytest.mark.parametrize("log_sd", [0.2, 0.6])
def test_few_scenarios_are_enough(settings, turbine_class, log_sd):
    model, table = level_model(curve(1.3), log_sd, 0.1), efficiency_table(turbine_class())

    powers = {
        count: plant_output(
            expected_water(model, STILL, settings, (False, False), count=count).usable_m3s[0], 0.0, 3.0, 2.5, table
        ).power_mean_kw
        for count in (16, 256)
    }

    assert powers[16] == pytest.approx(powers[256], rel=0.005)


def test_without_errors_it_is_the_usable_flow_itself(settings):
    flow = curve()
    depth_m = 0.4 * flow**0.4
    water = expected_water(
        level_model(flow, 0.0, 0.2), WaterDepths(depth_m, np.array([0.3])), settings, (False, False)
    )

    usable = np.maximum(flow - 0.2 * flow.mean(), 0.0)
    np.testing.assert_allclose(water.usable_m3s, usable, atol=1e-12)
    running = usable > 0
    np.testing.assert_allclose(water.rise_m[running], (depth_m - 0.3)[running], atol=1e-12)
    assert not running.all()
    assert (water.rise_m[~running] == 0.0).all()


def test_a_river_that_carries_more_is_deeper_on_the_survey_day_too(settings):
    flow = curve()
    model, points = level_model(flow, 0.5), scenarios(1, 4)
    depths = WaterDepths(0.4 * flow**0.4, np.array([0.5]))

    left_of = residual_flow_of((False, False), settings.flows.releases)
    water = drawn_water(model, *points, depths, settings, left_of).usable()
    level = np.exp(0.5 * points[0][0, :, 0])
    down = settings.tailwater.downstream_exponent
    for draw in range(4):
        deeper = level[draw] ** down
        np.testing.assert_allclose(water.rise_m[draw], (depths.depth_m[0] - 0.5) * deeper, rtol=1e-9)


def test_stations_with_exponents_of_their_own_rise_by_them(settings):
    # Streams on slopes of their own: the depths of drawn flows, by exponents at mean flow, are those of the stream
    # that carries so much more in the mean, which is wider too.
    flow, channel = curve(), settings.channel
    model, points = level_model(flow, 0.2), scenarios(1, 4)
    left_of = residual_flow_of((False, False), settings.flows.releases)

    def depths_of(times, slope):
        mean = np.array([times * flow.mean()])
        shapes = channel_shapes(mean, settings.tailwater, channel, slope=np.array([slope]))
        return water_depths(times * flow, BIN_EXCEEDANCE, mean, settings.tailwater, shapes=shapes)

    level = np.exp(0.2 * points[0][0, :, 0])
    for slope in (0.0005, 0.02):
        drawn = drawn_water(model, *points, depths_of(1.0, slope), settings, left_of)
        for draw in range(4):
            exact = depths_of(level[draw], slope)
            np.testing.assert_allclose(drawn.depth_m[draw], exact.depth_m[0], rtol=0.02)
            assert drawn.survey_m[draw] == pytest.approx(exact.survey_m[0], rel=0.02)


def test_what_the_shape_of_a_curve_adds_moves_the_level_as_any_flow_at_the_station_does(settings):
    # Low and high flows err by different shares: a drawn flow is the curve's by the level and by something more.
    flow, depth_m = curve(), 0.4 * curve() ** 0.4
    model = level_model(flow, 0.3)
    sd = {"quantile_z": np.array([-1.5, 1.5]), "quantile_log_sd": np.array([[0.1, 0.5]])}
    model = model._replace(errors=model.errors._replace(**sd, quantile_log_bias=np.zeros((1, 2))))
    points = scenarios(model.errors.components, 4)
    left_of = residual_flow_of((False, False), settings.flows.releases)

    drawn = drawn_water(model, *points, WaterDepths(depth_m, np.array([0.5])), settings, left_of)

    level = drawn.flow_m3s.mean(axis=1, keepdims=True) / flow.mean()
    more = drawn.flow_m3s / flow / level
    assert more.max() > 1.05
    assert more.min() < 0.95
    tailwater = settings.tailwater
    expected = depth_m * level**tailwater.downstream_exponent * more**tailwater.station_exponent
    np.testing.assert_allclose(drawn.depth_m, expected, rtol=1e-9)


@pytest.mark.parametrize("closed", [(), (2,)])
def test_in_closed_months_turbines_stand(settings, closed):
    flow = curve()
    model, points = level_model(flow, 0.2), scenarios(1, 2)
    month = np.where(np.arange(flow.shape[1]) % 3 == 0, 2, 1).astype(np.int8)
    model = model._replace(errors=model.errors._replace(month=month), closed_months=closed)
    left_of = residual_flow_of((False, False), settings.flows.releases)

    drawn = drawn_water(model, *points, WaterDepths(0.4 * flow**0.4, np.array([0.5])), settings, left_of)

    # Where no month is closed nothing is said of any bin.
    is_shut = None if drawn.is_shut is None else np.broadcast_to(drawn.is_shut, (2, len(month))).tolist()
    assert is_shut == (2 * [np.isin(month, closed).tolist()] if closed else None)


def test_the_datum_of_a_rating_does_not_matter(settings):
    flow = curve()
    model, points = level_model(flow, 0.4), scenarios(1, 4)
    left_of = residual_flow_of((False, False), settings.flows.releases)

    def rises(datum_m):
        level_m = datum_m + np.array([0.0, 0.5, 0.8])
        rating = Rating(np.array([0]), np.array([0.0, 3.0, 8.0]), level_m)
        depths = water_depths(flow, BIN_EXCEEDANCE, flow.mean(axis=1), settings.tailwater, ratings=[rating])
        return drawn_water(model, *points, depths, settings, left_of).usable(1.3).rise_m

    np.testing.assert_allclose(rises(412.0), rises(0.0), atol=1e-9)


def test_bins_in_which_nothing_may_be_taken_come_last(settings):
    flow = curve()
    energy = settings.energy.model_copy(update={"shut_down_times_mean": 2.0})
    given = settings.model_copy(update={"energy": energy})
    depths = WaterDepths(0.4 * flow**0.4, np.array([0.3]))

    water = expected_water(level_model(flow, 0.4, 0.1), depths, given, (False, False))

    assert (np.diff(water.usable_m3s[0]) <= 1e-12).all()
    # No flood level is paired with usable flow: twice the mean is the deepest at which a turbine runs.
    deepest = 0.4 * (2.0 * flow.mean()) ** 0.4
    level = np.exp(0.4 * ndtri(1 - 1 / 32)) ** settings.tailwater.downstream_exponent
    assert water.rise_m[0].max() <= deepest * level


@pytest.mark.parametrize("wetter", [1.0, 2.0])
def test_what_is_left_and_when_turbines_stand_goes_by_the_mean_year_and_the_level_by_the_wet_one(wetter):
    water = DrawnWater(
        np.array([[5.0, 4.0, 1.0]]), np.array([[1.0, 1.0, 3.0]]), np.array([[True, False, False]]),
        np.array([[0.9, 0.8, 0.4]]), np.array([0.6]), 0.5,
    )  # fmt: skip

    found = water.usable(wetter)

    assert found.usable_m3s.tolist() == [[0.0, 4.0 * wetter - 1.0, 0.0]]
    assert found.rise_m == pytest.approx(np.array([[0.9, 0.8, 0.4]]) * wetter**0.5 - 0.6)
    # Of one drawn year any number of years, none of which stops a turbine where none is stopped.
    years = water._replace(is_shut=None).usable(np.array([[1.0], [2.0]]))
    assert years.usable_m3s.tolist() == [[4.0, 3.0, 0.0], [9.0, 7.0, 0.0]]


def test_in_closed_months_no_drawn_year_gives_any_water(settings):
    flow = np.array([[4.0, 3.0, 2.0, 1.0]])
    model = level_model(flow, 0.3)
    months = model._replace(errors=model.errors._replace(month=np.array([1, 2, 1, 2], dtype=np.int8)))
    still = WaterDepths(np.zeros((1, 4)), np.zeros(1))

    closed = expected_water(months._replace(closed_months=(2,)), still, settings, (False, False))
    opened = expected_water(months, still, settings, (False, False))

    # Of four bins in two months, the flows of the first are left.
    assert (closed.usable_m3s[0, 2:] == 0.0).all()
    assert closed.usable_m3s.sum() == pytest.approx(opened.usable_m3s.sum() * 6 / 10, rel=0.05)
