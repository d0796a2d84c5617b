"""Drawn flows of several places at once: each by its own area, water taken, months, and flows of today."""

import numpy as np
import pytest
from scipy.special import ndtri

from sitefinder.hydrology.duration_curve import BIN_EXCEEDANCE
from sitefinder.hydrology.estimate import FlowEstimate, QuantileErrors
from sitefinder.hydrology.flow_errors import (
    FlowModel,
    _of_bins,
    _on_bins,
    draw_flows,
    flow_errors,
    scenarios,
    stated_flow_errors,
)
from sitefinder.hydrology.seasons import BIN_MONTH
from sitefinder.settings import EnvironmentalFlowRule

MEAN, AREA_KM2 = np.array([2.0, 0.5, 6.0]), np.array([10.0, 4.0, 80.0])
PERCENT, DRAWS = np.array([10.0, 50.0, 90.0]), 6
BY_AREA = EnvironmentalFlowRule(kind="flow_per_area", flow_m3s_km2=0.01)
BY_MEAN = EnvironmentalFlowRule(kind="share_of_mean", share=0.2)
OF_APRIL = EnvironmentalFlowRule(kind="share_of_flow", share=0.5, months=[4])


def estimate(mean=MEAN, sd=(0.3, 0.2, 0.5)):
    sd, mean = np.array(sd), np.array(mean)
    shape = 2.0 * (1.0 - BIN_EXCEEDANCE)
    with np.errstate(invalid="ignore"):
        median = mean * np.exp(-(sd**2) / 2.0)
    return FlowEstimate(
        mean_m3s=mean,
        mean_low_m3s=median * np.exp(-1.7 * sd),
        mean_high_m3s=median * np.exp(1.7 * sd),
        mean_log_sd=sd,
        curve_exceedance=BIN_EXCEEDANCE,
        curve_m3s=mean[:, None] * shape,
        flags=[()] * len(mean),
        outside={},
        notes=[],
        source=["equation"] * len(mean),
        zero_share=np.zeros(len(mean)),
        quantile_errors=QuantileErrors(PERCENT, sd[:, None] * (0.8, 1.0, 1.5), np.zeros((len(mean), 3)), sd),
    )


def errors_with(found=None, **given):
    return flow_errors(estimate() if found is None else found, AREA_KM2, 2.0, **given)


def drawn(errors, rules=(BY_AREA,), **closed):
    points = scenarios(errors.components, DRAWS)
    return draw_flows(FlowModel(errors, list(rules), **closed), *points)


# Rows of some places: those of each place lie side by side, a row for each draw.
def rows_of(stations):
    return (np.array(stations)[:, None] * DRAWS + np.arange(DRAWS)).ravel()


@pytest.mark.parametrize("stations", [[2], [2, 0], [1]])
def test_flows_of_some_places_are_those_that_they_have_among_all(stations):
    curve = estimate().curve_m3s
    order = np.random.default_rng(1).permutation(curve.shape[1])
    errors = errors_with(
        bins_m3s=curve[:, order], taken_m3s=0.1 * curve[:, order], judged_curve_ratio=np.full(curve.shape, 1.3),
        judged_bins_ratio=np.full(curve.shape, 1.3),
    )  # fmt: skip

    whole, some = drawn(errors, (BY_AREA, BY_MEAN)), drawn(errors.at(np.array(stations)), (BY_AREA, BY_MEAN))

    for name in ("bins_m3s", "environmental_flow_m3s", "factor", "level"):
        assert getattr(some, name) == pytest.approx(getattr(whole, name)[rows_of(stations)])


def test_the_environmental_flow_of_each_place_is_by_its_own_area():
    found = drawn(errors_with())

    kept = np.minimum(np.repeat(0.01 * AREA_KM2, DRAWS)[:, None], found.bins_m3s)
    assert found.environmental_flow_m3s == pytest.approx(kept)


def test_a_rule_by_todays_flow_goes_by_the_drawn_flow_times_what_today_is_of_it():
    ratio = np.array([1.5, 1.0, 0.5])[:, None] * np.ones((3, len(BIN_EXCEEDANCE)))

    found = drawn(errors_with(judged_curve_ratio=ratio), (BY_MEAN,))

    today = found.bins_m3s * np.repeat(ratio, DRAWS, axis=0)
    kept = np.minimum(0.2 * today.mean(axis=1)[:, None], found.bins_m3s)
    assert found.environmental_flow_m3s == pytest.approx(kept)


def test_rules_and_closed_months_go_by_the_months_of_the_days():
    days = np.sort(np.random.default_rng(2).uniform(0.5, 3.0, (3, 365)))[:, ::-1] * MEAN[:, None]
    errors = errors_with(bins_m3s=days, month=BIN_MONTH)

    found = drawn(errors, (OF_APRIL,), closed_months=(7,))

    for month, share in ((4, 0.5), (7, 1.0), (5, 0.0)):
        of_month = month == BIN_MONTH
        assert found.environmental_flow_m3s[:, of_month] == pytest.approx(share * found.bins_m3s[:, of_month])


def test_what_is_taken_leaves_no_more_to_the_environment_than_is_left():
    curve = estimate().curve_m3s

    found = drawn(errors_with(taken_m3s=0.9 * curve), (BY_MEAN,))
    natural = drawn(errors_with(), (BY_MEAN,))

    left = np.maximum(natural.bins_m3s - np.repeat(0.9 * curve, DRAWS, axis=0), 0.0)
    assert found.bins_m3s == pytest.approx(left)
    assert found.environmental_flow_m3s == pytest.approx(np.minimum(natural.environmental_flow_m3s, left))


def test_a_place_without_flow_or_with_an_unknown_one_stays_as_it_is():
    found = drawn(errors_with(estimate(mean=(2.0, 0.0, np.nan), sd=(0.3, 0.2, np.nan))), (BY_MEAN,))

    assert (found.bins_m3s[rows_of([1])] == 0.0).all()
    assert (found.level[rows_of([1])] == 1.0).all()
    assert np.isnan(found.bins_m3s[rows_of([2])]).all()
    # The known one is what it is alone.
    alone = drawn(errors_with().at(np.array([0])), (BY_MEAN,))
    assert found.bins_m3s[rows_of([0])] == pytest.approx(alone.bins_m3s)


def test_a_model_without_errors_has_the_flows_that_are_expected_and_keeps_its_rules():
    model = FlowModel(errors_with(), [BY_MEAN], (3,)).without_errors()

    found = draw_flows(model._replace(closed_months=()), *scenarios(model.errors.components, DRAWS))

    assert found.bins_m3s == pytest.approx(np.repeat(estimate().curve_m3s, DRAWS, axis=0))
    assert found.level == pytest.approx(np.ones(3 * DRAWS))
    assert (model.rules, model.closed_months) == ([BY_MEAN], (3,))


def test_of_a_stated_flow_what_must_not_be_used_is_left_in_each_draw():
    bins_m3s = np.array([[3.0, 2.0, 1.0] * 4, [0.3, 0.2, 0.1] * 4])
    errors = stated_flow_errors(
        bins_m3s, np.arange(1, 13, dtype=np.int8), np.array([1.5, 0.15]), np.array([0.0, 0.0])
    )

    found = drawn(errors, ())

    assert found.bins_m3s == pytest.approx(np.repeat(bins_m3s, DRAWS, axis=0))
    assert found.environmental_flow_m3s[0].tolist() == [1.5, 1.5, 1.0] * 4
    assert found.environmental_flow_m3s[-1] == pytest.approx(np.array([0.15, 0.15, 0.1] * 4))
    assert errors.mean_m3s.tolist() == pytest.approx([2.0, 0.2])


# Students' t has factors 2.92, 2.13 and 1.86 at 95 % for 2, 4 and 8 degrees of freedom in any table; between whole
# degrees the inverse is interpolated, and what is as narrow as the normal interval has none.
def test_degrees_of_freedom_are_read_off_the_width_of_the_interval():
    found = estimate(sd=(0.3, 0.3, 0.3))
    half = np.array([2.1318, 1.8595, 1.6448])
    median = np.sqrt(found.mean_low_m3s * found.mean_high_m3s)
    found = found._replace(mean_low_m3s=median * np.exp(-half * 0.3), mean_high_m3s=median * np.exp(half * 0.3))

    degrees = errors_with(found).degrees

    assert degrees[:2] == pytest.approx([4.0, 8.0], rel=1e-3)
    assert np.isinf(degrees[2])


def test_a_mean_without_an_error_has_no_bias_to_draw():
    found = estimate()._replace(mean_log_sd=np.array([0.3, 0.0, np.nan]))

    errors = errors_with(found)

    # Mean over median of the first: half of its variance.
    assert errors.mean_log_bias == pytest.approx([0.045, 0.0, 0.0])
    assert errors.mean_log_sd.tolist() == [0.3, 0.0, 0.0]
    assert np.isinf(errors.degrees[1:]).all()


def test_each_day_has_the_factor_of_the_bin_of_the_curve_that_its_middle_lies_in():
    days = np.random.default_rng(7).permutation(365)[None, :].astype(float)
    errors = errors_with().at(np.array([0]))._replace(bins_m3s=days)
    factor = np.arange(1.0, 201.0)[None, :]

    flow, found = _on_bins(errors, errors.curve_m3s, factor, 1)

    # Of the r-th greatest day, counted from 0, in whole numbers: (2 r + 1) / 730 of 200 bins.
    rank = 364 - days[0].astype(int)
    assert found[0].tolist() == ((2 * rank + 1) * 200 // 730 + 1.0).tolist()
    assert flow == pytest.approx(days * found)


def test_errors_of_quantiles_are_shared_along_the_curve_straight_in_the_normal_quantile():
    z = np.array([1.0, 0.0, -1.5])

    shares = _of_bins(z, 200)

    # Rows: quantiles that are high, middling and low; the first and the last bin lie beyond them.
    assert shares.sum(axis=0) == pytest.approx(np.ones(200))
    assert shares[:, 0].tolist() == [1.0, 0.0, 0.0]
    assert shares[:, -1].tolist() == [0.0, 0.0, 1.0]
    bins = -ndtri(BIN_EXCEEDANCE)
    between = (bins < 0.0) & (bins > -1.5)
    assert shares[2, between] == pytest.approx(-bins[between] / 1.5)
