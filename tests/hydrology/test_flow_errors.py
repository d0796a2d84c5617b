"""Flows drawn from the errors of their equations, against the distributions that these errors state."""

import numpy as np
import pytest
from scipy import stats
from scipy.special import ndtri

from sitefinder.hydrology.duration_curve import BIN_EXCEEDANCE, flow_at
from sitefinder.hydrology.estimate import FlowEstimate, QuantileErrors
from sitefinder.hydrology.flow_errors import (
    FlowModel,
    _degrees_of,
    _loadings,
    draw_flows,
    flow_errors,
    scenarios,
    stated_flow_errors,
    t_scale,
)
from sitefinder.settings import EnvironmentalFlowRule

DRAWS = 20_000
PERCENT = np.array([5.0, 20.0, 50.0, 80.0, 95.0])
NOTHING = [EnvironmentalFlowRule(kind="share_of_mean", share=0.0)]


def estimate(mean_log_sd, quantile_log_sd, t=1.6448536, stations=1, curve_spread=1.0):
    """Lognormal curves of mean 2 m³/s with errors, their bias correction that of lognormal errors."""
    curve = np.exp(-curve_spread * ndtri(BIN_EXCEEDANCE))
    curve = np.tile(2.0 * curve / curve.mean(), (stations, 1))
    sd, quantile_sd = np.full(stations, mean_log_sd), np.tile(quantile_log_sd, (stations, 1))
    median = 2.0 * np.exp(-(sd**2) / 2.0)
    return FlowEstimate(
        mean_m3s=np.full(stations, 2.0),
        mean_low_m3s=median * np.exp(-t * sd),
        mean_high_m3s=median * np.exp(t * sd),
        mean_log_sd=sd,
        curve_exceedance=BIN_EXCEEDANCE,
        curve_m3s=curve,
        flags=[()] * stations,
        outside={},
        notes=[],
        source=["equation"] * stations,
        zero_share=np.zeros(stations),
        quantile_errors=QuantileErrors(PERCENT, quantile_sd, quantile_sd**2 / 2.0, sd),
    )


def drawn(found, seed=3, span=2.0, rules=NOTHING, draws=DRAWS):
    errors = flow_errors(found, np.full(len(found.mean_m3s), 10.0), span)
    rng = np.random.default_rng(seed)
    normals = rng.standard_normal((len(found.mean_m3s), draws, errors.components))
    return draw_flows(FlowModel(errors, rules), normals, rng.random(draws))


@pytest.mark.parametrize("sd", [0.2, 0.6])
def test_the_mean_flow_has_the_distribution_of_its_equation(sd):
    found = drawn(estimate(sd, np.full(5, sd)))

    mean = found.bins_m3s.mean(axis=1)
    assert np.log(mean).std() == pytest.approx(sd, rel=4 / np.sqrt(2 * DRAWS))
    # The estimate carries the bias correction: it is the expected flow.
    assert mean.mean() == pytest.approx(2.0, rel=4 * sd / np.sqrt(DRAWS) + 0.005)
    assert stats.kstest(np.log(mean / 2.0) + sd**2 / 2.0, stats.norm(0, sd).cdf).pvalue > 1e-3


def test_each_quantile_has_the_error_of_its_own_equation():
    quantile_sd = np.array([0.25, 0.2, 0.25, 0.4, 0.7])
    given = estimate(0.2, quantile_sd)

    found = drawn(given)

    for percent, sd in zip(PERCENT, quantile_sd, strict=True):
        at = flow_at(BIN_EXCEEDANCE, found.bins_m3s, percent)
        # Level and shape are brought together, so that this holds closely, not exactly.
        assert np.log(at).std() == pytest.approx(sd, rel=0.25), percent
    low, high = (np.log(flow_at(BIN_EXCEEDANCE, found.bins_m3s, each)) for each in (5.0, 95.0))
    # Low flows do not follow high flows as one factor would have it.
    assert np.corrcoef(low, high)[0, 1] < 0.9
    assert np.corrcoef(low, high)[0, 1] > 0.1


def test_without_errors_the_flow_is_as_estimated():
    given = estimate(0.0, np.zeros(5), stations=3)
    found = drawn(given, draws=7)

    np.testing.assert_allclose(found.bins_m3s, np.repeat(given.curve_m3s, 7, axis=0), rtol=1e-12)
    np.testing.assert_allclose(found.factor, 1.0, rtol=1e-12)


def test_days_in_another_order_have_the_drawn_flows_of_their_place_in_the_curve():
    given = estimate(0.3, np.array([0.3, 0.3, 0.4, 0.5, 0.6]), stations=2)
    given.curve_m3s[1] *= 3.0
    errors = flow_errors(given, np.full(2, 10.0), 2.0)
    rng = np.random.default_rng(4)
    points = rng.standard_normal((2, 3, errors.components)), rng.random(3)
    order = rng.permutation(given.curve_m3s.shape[1])

    days = draw_flows(FlowModel(errors._replace(bins_m3s=given.curve_m3s[:, order]), NOTHING), *points)

    curve = draw_flows(FlowModel(errors, NOTHING), *points)
    np.testing.assert_allclose(days.bins_m3s, curve.bins_m3s[:, order], rtol=1e-12)
    np.testing.assert_allclose(days.factor, curve.factor[:, order], rtol=1e-12)


@pytest.mark.parametrize("share", [0.1, 0.5])
def test_a_stated_flow_is_off_by_one_lognormal_factor_of_mean_one_and_the_stated_error(share):
    months = np.arange(1, 13, dtype=np.int8)
    bins_m3s = np.array([[3.0, 2.0, 1.0] * 4])
    errors = stated_flow_errors(bins_m3s, months, np.array([0.5]), np.array([share]))
    rng = np.random.default_rng(6)

    found = draw_flows(
        FlowModel(errors, NOTHING), rng.standard_normal((1, DRAWS, errors.components)), rng.random(DRAWS)
    )

    factor = found.bins_m3s / bins_m3s
    np.testing.assert_allclose(factor, np.repeat(factor[:, :1], 12, axis=1), rtol=1e-9)
    assert factor[:, 0].mean() == pytest.approx(1.0, abs=5 * share / np.sqrt(DRAWS))
    assert np.log(factor[:, 0]).std() == pytest.approx(np.sqrt(np.log1p(share**2)), rel=4 / np.sqrt(2 * DRAWS))
    assert (found.environmental_flow_m3s <= 0.5).all()


def test_drawn_curves_fall():
    found = drawn(estimate(0.5, np.array([0.2, 0.9, 0.2, 1.2, 0.3])), draws=300)

    assert (np.diff(found.bins_m3s, axis=1) <= 0).all()


@pytest.mark.parametrize(
    ("rule", "of"),
    [
        (EnvironmentalFlowRule(kind="share_of_mean", share=0.2), lambda bins: 0.2 * bins.mean(axis=1)),
        (
            EnvironmentalFlowRule(kind="exceedance_flow", exceedance_percent=95.0),
            lambda bins: flow_at(BIN_EXCEEDANCE, bins, 95.0),
        ),
        (EnvironmentalFlowRule(kind="flow_per_area", flow_m3s_km2=0.02), lambda bins: np.full(len(bins), 0.2)),
    ],
    ids=["mean", "exceeded flow", "area"],
)
def test_the_environmental_flow_goes_by_the_flow_that_is_drawn(rule, of):
    found = drawn(estimate(0.3, np.array([0.3, 0.3, 0.3, 0.5, 0.8])), rules=[rule], draws=200)

    expected = np.minimum(of(found.bins_m3s)[:, None], found.bins_m3s)
    np.testing.assert_allclose(found.environmental_flow_m3s, expected, rtol=1e-9)


@pytest.mark.parametrize("degrees", [4, 8, 22])
def test_few_gauges_give_students_t(degrees):
    t = stats.t(degrees).ppf(0.95)
    errors = flow_errors(estimate(0.3, np.full(5, 0.3), t=t), np.array([1.0]), 2.0)
    assert errors.degrees[0] == pytest.approx(degrees, rel=0.02)

    rng = np.random.default_rng(degrees)
    normals = rng.standard_normal((1, DRAWS, errors.components))
    found = draw_flows(FlowModel(errors, NOTHING), normals, rng.random(DRAWS))

    standard = (np.log(found.bins_m3s.mean(axis=1) / 2.0) + 0.3**2 / 2.0) / 0.3
    for share in (0.05, 0.25, 0.75, 0.95):
        assert np.quantile(standard, share) == pytest.approx(stats.t(degrees).ppf(share), abs=0.08)


def test_the_scale_of_t_is_that_of_scipy():
    uniform = np.linspace(0.02, 0.98, 49)

    for degrees in (3.0, 6.0, 15.0, 60.0):
        exact = np.sqrt(degrees / stats.chi2(degrees).ppf(uniform))
        np.testing.assert_allclose(t_scale(uniform, np.array([degrees]))[0], exact, rtol=1e-9)
    assert (t_scale(uniform, np.array([np.inf])) == 1.0).all()


def test_measured_flows_lessen_the_error_of_the_shape_too():
    given = estimate(0.4, np.full(5, 0.6))
    sure = given._replace(mean_log_sd=given.mean_log_sd / 2.0)

    before, after = (flow_errors(each, np.array([1.0]), 2.0) for each in (given, sure))

    np.testing.assert_allclose(after.quantile_log_sd, before.quantile_log_sd / 2.0)
    # A bias goes with the variance.
    np.testing.assert_allclose(before.quantile_log_bias, 0.18)
    np.testing.assert_allclose(after.quantile_log_bias, 0.045)


def test_abstractions_take_the_same_water_from_every_draw():
    given = estimate(0.3, np.full(5, 0.3))
    taken = np.full(given.curve_m3s.shape, 0.4)
    errors = flow_errors(given, np.array([1.0]), 2.0, taken_m3s=taken)
    natural = flow_errors(given, np.array([1.0]), 2.0)
    points = scenarios(errors.components, 16)

    found, before = (draw_flows(FlowModel(each, NOTHING), *points).bins_m3s for each in (errors, natural))

    np.testing.assert_allclose(found, np.maximum(before - 0.4, 0.0), atol=1e-12)


@pytest.mark.parametrize("components", [1, 2, 3])
def test_scenarios_are_evenly_spread(components):
    normals, uniform = scenarios(components, 64)

    first = np.sort(normals[0, :, 0])
    np.testing.assert_allclose(first, ndtri((np.arange(64) + 0.5) / 64), atol=1e-12)
    assert np.abs(normals[0].mean(axis=0)).max() < 1e-12
    assert stats.kstest(uniform, "uniform").pvalue > 0.2
    for component in range(components):
        assert normals[0, :, component].std() == pytest.approx(1.0, abs=0.12)


def test_degrees_of_freedom_are_exact_at_those_that_are_tried_and_infinite_past_the_last():
    degrees = np.array([1, 2, 3, 4, 5, 6, 8, 10, 12, 15, 20, 25, 30, 40, 60, 100, 200, 999.0])

    found = _degrees_of(stats.t.ppf(0.95, degrees))

    assert found[:-1] == pytest.approx(degrees[:-1], rel=1e-6)
    assert np.isfinite(found[-1])
    assert np.isinf(_degrees_of(stats.t.ppf(0.95, np.array([1000.5, 1e9])))).all()
    # Wider than by one degree it is one; no error has no width.
    assert _degrees_of(np.array([20.0, 0.0])).tolist() == [1.0, np.inf]


@pytest.mark.parametrize(("span", "components"), [(100.0, 1), (15.0, 2), (2.0, 3), (0.05, 3)])
def test_as_many_components_are_drawn_as_hold_nearly_all_of_the_variance(span, components):
    z = -ndtri(PERCENT / 100.0)
    variance = np.sort(np.linalg.eigvalsh(np.exp(-np.abs(np.subtract.outer(z, z)) / span)))[::-1]
    share = np.cumsum(variance) / 5.0
    # Of five at the most three, of which all but the last hold less than 95 %.
    assert components == min(1 + int((share < 0.95).sum()), 3)

    loadings = _loadings(z, span)

    assert loadings.shape == (5, components)
    assert (loadings**2).sum(axis=1) == pytest.approx(np.ones(5))
    # A positive error of the level raises all flows.
    assert (loadings[:, 0] > 0).all()


def test_scenarios_are_those_of_the_golden_ratio_and_of_the_plastic_number():
    # M. Roberts, "The unreasonable effectiveness of quasirandom sequences," 2018, from memory: the roots of
    # x² = x + 1 and x³ = x + 1; multiples of their inverse powers from a half on.
    number = np.arange(1, 9)

    one, two = scenarios(1, 16), scenarios(2, 16)

    assert one[1] == pytest.approx(np.tile((0.5 + number / 1.618033988749895) % 1.0, 2))
    assert two[1] == pytest.approx(np.tile((0.5 + number / 1.324717957244746**2) % 1.0, 2))
    second = ndtri((0.5 + number / 1.324717957244746) % 1.0)
    assert two[0][0, :, 1] == pytest.approx(np.append(second, -second))
    assert two[0][0, :8, 0] == pytest.approx(ndtri((np.arange(8) + 0.5) / 16))


def test_without_errors_of_quantiles_all_flows_err_as_the_mean_does():
    errors = flow_errors(estimate(0.4, np.full(5, 0.6))._replace(quantile_errors=None), np.array([1.0]), 2.0)
    rng = np.random.default_rng(9)

    found = draw_flows(FlowModel(errors, NOTHING), rng.standard_normal((1, 50, errors.components)), rng.random(50))

    assert (errors.components, errors.quantile_log_sd.tolist()) == (1, [[0.4]])
    assert (errors.quantile_z.tolist(), errors.quantile_log_bias.tolist()) == ([0.0], [[0.0]])
    assert found.factor == pytest.approx(np.repeat(found.level[:, None], 200, axis=1))


def test_errors_of_stated_flows_are_those_of_one_lognormal_factor():
    bins_m3s = np.array([[3.0, 1.0, 2.0], [0.5, 0.25, 0.75]])
    months = np.array([1, 1, 2], dtype=np.int8)

    errors = stated_flow_errors(bins_m3s, months, [0.5, 0.25], [0.5, 0.0])

    variance = np.log(1.25)
    assert errors.curve_m3s.tolist() == [[3.0, 2.0, 1.0], [0.75, 0.5, 0.25]]
    assert errors.mean_m3s == pytest.approx([2.0, 0.5])
    assert errors.mean_log_sd == pytest.approx([np.sqrt(variance), 0.0])
    assert errors.mean_log_bias == pytest.approx([variance / 2, 0.0])
    assert errors.quantile_z.tolist() == [0.0]
    assert errors.quantile_log_sd == pytest.approx(np.array([[np.sqrt(variance)], [0.0]]))
    assert errors.quantile_log_bias == pytest.approx(np.array([[variance / 2], [0.0]]))
    assert (errors.degrees == np.inf).all()
    assert errors.stated_left_m3s.tolist() == [0.5, 0.25]
    assert (errors.bins_m3s is bins_m3s, errors.month is months, errors.taken_m3s) == (True, True, None)


def test_a_model_of_some_stations_is_that_of_their_errors():
    given = estimate(0.3, np.full(5, 0.3), stations=3)
    given.curve_m3s[:] *= np.array([[1.0], [2.0], [3.0]])
    model = FlowModel(flow_errors(given, np.array([1.0, 2.0, 3.0]), 2.0), NOTHING, (7,))

    part = model.at([2, 0])

    assert part.errors.area_km2.tolist() == [3.0, 1.0]
    np.testing.assert_array_equal(part.errors.curve_m3s, given.curve_m3s[[2, 0]])
    assert (part.rules, part.closed_months) == (NOTHING, (7,))


# Quantiles that are bins of the curve themselves, so that their own errors can be seen in it.
AT_BINS = np.array([5.25, 20.25, 50.25, 80.25, 95.25])
BINS = np.array([10, 40, 100, 160, 190])


def small_errors(scale=1.0, t=1.6448536):
    """Two stations with errors of quantiles and biases that differ, and flows times a scale."""
    sd = np.array([[0.10, 0.12, 0.14, 0.16, 0.18], [0.2, 0.2, 0.2, 0.2, 0.25]])
    bias = np.array([[0.01, 0.02, 0.04, 0.05, 0.06], [0.0, 0.0, 0.03, 0.03, 0.1]])
    given = estimate(0.15, np.zeros(5), t=t, stations=2)
    flows = {
        name: scale * getattr(given, name) for name in ("mean_m3s", "mean_low_m3s", "mean_high_m3s", "curve_m3s")
    }
    given = given._replace(**flows, quantile_errors=QuantileErrors(AT_BINS, sd, bias, given.mean_log_sd))
    return flow_errors(given, np.full(2, 10.0), 2.0), sd, bias


@pytest.mark.parametrize("t", [1.6448536, 2.131847])
def test_a_quantile_errs_by_its_deviation_times_the_scale_less_its_bias(t):
    errors, sd, bias = small_errors(t=t)
    rng = np.random.default_rng(11)
    normals, uniform = rng.standard_normal((2, 4, errors.components)), np.array([0.1, 0.4, 0.6, 0.9])

    found = draw_flows(FlowModel(errors, NOTHING), normals, uniform)

    # The level is common to all flows of a draw, so that ratios of quantiles show their errors alone.
    g = normals @ _loadings(errors.quantile_z, 2.0).T
    own = t_scale(uniform, errors.degrees)[:, :, None] * sd[:, None] * g - bias[:, None]
    logs = np.log(found.factor.reshape(2, 4, 200)[:, :, BINS])
    assert np.diff(logs, axis=2) == pytest.approx(np.diff(own, axis=2), abs=1e-9)


def test_the_errors_of_a_trickle_are_those_of_a_river():
    river, brook = (
        draw_flows(FlowModel(small_errors(scale)[0], NOTHING), *scenarios(3, 8)) for scale in (1.0, 1e-4)
    )

    assert brook.factor == pytest.approx(river.factor, rel=1e-9)
    assert brook.level == pytest.approx(river.level, rel=1e-9)
    assert brook.bins_m3s == pytest.approx(1e-4 * river.bins_m3s, rel=1e-9)


def test_a_river_that_rises_in_a_draw_has_the_factors_of_its_sorted_flows_however_small_it_is():
    errors = small_errors(1e-4)[0]
    errors = errors._replace(quantile_log_sd=errors.quantile_log_sd * np.array([0.1, 9.0, 0.1, 9.0, 0.1]))

    found = draw_flows(FlowModel(errors, NOTHING), *scenarios(errors.components, 8))

    curve = np.repeat(errors.curve_m3s, 8, axis=0)
    assert found.bins_m3s == pytest.approx(curve * found.factor, rel=1e-9)


def test_rules_go_by_the_flows_that_they_are_judged_by():
    # Judged by a half of the curve and by a quarter of each bin of the year, whose halves stand for two months.
    errors = small_errors()[0]
    month = np.repeat(np.array([1, 2], dtype=np.int8), 100)
    ratio = {"judged_curve_ratio": np.full((2, 200), 0.5), "judged_bins_ratio": np.full((2, 200), 0.25)}
    errors = errors._replace(month=month, bins_m3s=errors.curve_m3s + 1.0, **ratio)
    rules = (
        EnvironmentalFlowRule(kind="share_of_flow", share=0.4),
        EnvironmentalFlowRule(kind="share_of_mean", share=0.02),
        EnvironmentalFlowRule(kind="share_of_mean", share=0.02, of_month=True),
    )

    of_flow, of_mean, of_month = (
        draw_flows(FlowModel(errors, [rule]), *scenarios(errors.components, 4)) for rule in rules
    )

    # A share of the flow is one of the flow of the moment, whatever the others are judged by.
    assert of_flow.environmental_flow_m3s == pytest.approx(0.4 * of_flow.bins_m3s, rel=1e-9)
    year_mean = 0.5 * np.repeat(errors.curve_m3s.mean(axis=1), 4) * of_mean.level
    assert of_mean.environmental_flow_m3s[:, 0] == pytest.approx(0.02 * year_mean, rel=1e-9)
    months = 0.25 * of_month.bins_m3s.reshape(8, 2, 100).mean(axis=2)
    assert of_month.environmental_flow_m3s[:, [0, 199]] == pytest.approx(0.02 * months, rel=1e-9)


def test_the_level_errs_by_what_the_quantiles_err_where_the_water_is():
    errors, _, _ = small_errors()
    errors = errors._replace(curve_m3s=errors.curve_m3s * np.array([[1.0], [0.0]]))
    errors = errors._replace(bins_m3s=errors.curve_m3s)
    rng = np.random.default_rng(2)
    normals, uniform = rng.standard_normal((2, 3, errors.components)), np.array([0.2, 0.5, 0.8])

    found = draw_flows(FlowModel(errors, NOTHING), normals, uniform)

    # Water of each quantile: that of a bin between two of them is divided by its place between their normal
    # quantiles. Of a stream without water each quantile counts alike.
    loadings, z = _loadings(errors.quantile_z, 2.0), -ndtri(BIN_EXCEEDANCE)
    water = [
        errors.curve_m3s[0] @ np.interp(z, errors.quantile_z[::-1], np.eye(5)[number][::-1]) for number in range(5)
    ]
    for station, weight in enumerate((np.array(water), np.ones(5))):
        of_mean = normals[station] @ loadings.T @ weight / np.linalg.norm(weight @ loadings)
        scale = t_scale(uniform, errors.degrees)[station]
        expected = errors.mean_log_sd[station] * scale * of_mean - errors.mean_log_bias[station]
        assert np.log(found.level.reshape(2, 3)[station]) == pytest.approx(expected, rel=1e-9)
    assert (found.bins_m3s[3:] == 0.0).all()
    assert np.isfinite(found.factor).all()


@pytest.mark.parametrize("rows", [slice(0, 1), slice(3, 20), slice(5, 300, 6)])
def test_the_flows_of_a_station_are_the_same_to_the_last_digit_whatever_is_drawn_beside_it(rows):
    rng = np.random.default_rng(8)
    found = estimate(0.3, np.array([0.4, 0.3, 0.25, 0.35, 0.6]), stations=300)
    curves = np.exp(-rng.uniform(0.3, 2.0, (300, 1)) * ndtri(BIN_EXCEEDANCE)) * rng.uniform(0.01, 9.0, (300, 1))
    found = found._replace(curve_m3s=curves, mean_m3s=curves.mean(axis=1), mean_log_sd=rng.uniform(0.1, 0.6, 300))
    model = FlowModel(flow_errors(found, np.full(300, 10.0), 2.0), NOTHING)
    points = scenarios(model.errors.components, 16)

    whole = draw_flows(model, *points)
    alone = draw_flows(model.at(np.arange(300)[rows]), *points)

    np.testing.assert_array_equal(
        alone.bins_m3s, whole.bins_m3s.reshape(300, 16, -1)[rows].reshape(alone.bins_m3s.shape)
    )
    np.testing.assert_array_equal(alone.level, whole.level.reshape(300, 16)[rows].ravel())
