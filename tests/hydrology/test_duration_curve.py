"""Duration curves from quantiles: closed forms, laws and a reference library."""

import math

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st
from scipy import optimize, stats

from sitefinder.hydrology.duration_curve import (
    BIN_EXCEEDANCE,
    curves_from_quantiles,
    exceedance_at,
    flow_at,
)

KNOTS = np.array([5, 10, 20, 30, 40, 50, 60, 70, 80, 90, 95.0])
# The lognormal with mean 10 and coefficient of variation 1; all of its figures are derived from its identities
# (sigma² = ln 2, mu = ln 10 − sigma²/2), to the digits shown.
SIGMA, MU = 0.8325546112, 1.9560115027
LOGNORMAL = {
    5: 27.811288,
    10: 20.552306,
    20: 14.249291,
    30: 10.941945,
    50: 7.071068,
    70: 4.569572,
    80: 3.508947,
    90: 2.432817,
    95: 1.797831,
    99: 1.019385,
}
# Mean of the lesser of flow and design flow, m Φ(d − σ) + Qd (1 − Φ(d)).
USABLE = {5.0: 4.3656150450, 10.0: 6.7720709717, 15.0: 8.0297482423}


@pytest.fixture(scope="module")
def lognormal_curve():
    quantiles = np.exp(MU + SIGMA * stats.norm.isf(KNOTS / 100))
    return curves_from_quantiles(KNOTS, quantiles[None, :]).curve_m3s


def test_a_lognormal_comes_back_whole_tails_included(lognormal_curve):
    expected = np.exp(MU + SIGMA * stats.norm.isf(BIN_EXCEEDANCE))

    assert lognormal_curve[0] == pytest.approx(expected, rel=1e-12)


def test_two_quantiles_are_enough_for_a_lognormal_and_its_tails():
    percent = np.array([20.0, 70.0])

    curve = curves_from_quantiles(percent, np.exp(MU + SIGMA * stats.norm.isf(percent / 100))[None]).curve_m3s

    assert curve[0] == pytest.approx(np.exp(MU + SIGMA * stats.norm.isf(BIN_EXCEEDANCE)), rel=1e-12)


@pytest.mark.parametrize(("percent", "flow"), LOGNORMAL.items())
def test_its_quantiles_are_read_off_to_all_digits(lognormal_curve, percent, flow):
    assert flow_at(BIN_EXCEEDANCE, lognormal_curve, percent) == pytest.approx(flow, abs=0.6e-6)


@pytest.mark.parametrize(("design", "usable"), USABLE.items())
def test_a_mean_over_bins_is_the_integral_over_time(lognormal_curve, design, usable):
    mean = np.minimum(lognormal_curve[0], design).mean()

    # The midpoint rule on a falling function that stays between 0 and the design flow errs by no more than half
    # a bin of it.
    assert mean == pytest.approx(usable, abs=design / 400)


@pytest.mark.parametrize(
    ("flow", "design", "usable", "slack"),
    [
        # Straight line 10 (1 − p): Qd − Qd²/20; bends lie on edges of bins, so midpoints are exact.
        (10 * (1 - BIN_EXCEEDANCE), 4.0, 3.2, 1e-12),
        # Exponential −5 ln p: Qm (1 − exp(−Qd/Qm)), derived.
        (-5 * np.log(BIN_EXCEEDANCE), 5.0, 3.1606028, 5 / 400),
    ],
)
def test_analytic_capacity_factors_come_out_of_the_bins(flow, design, usable, slack):
    assert np.minimum(flow, design).mean() == pytest.approx(usable, abs=slack)


def test_the_bins_share_the_whole_time_between_them():
    assert BIN_EXCEEDANCE.size == 200
    assert BIN_EXCEEDANCE[0] == pytest.approx(0.0025)
    assert BIN_EXCEEDANCE[-1] == pytest.approx(0.9975)
    assert BIN_EXCEEDANCE.mean() == pytest.approx(0.5)


flows = st.floats(1e-4, 1e3)


@settings(max_examples=60, deadline=None)
@given(st.lists(st.lists(flows, min_size=5, max_size=5), min_size=1, max_size=4))
@example([[1.0, 1.0, 1.0, 1e-4, math.nextafter(1e-4, 1.0)]])
def test_repair_is_isotonic_regression_of_log_flow(quantiles):
    percent = np.array([0.25, 25.25, 50.25, 75.25, 99.75])
    quantiles = np.array(quantiles)

    curve, repaired = curves_from_quantiles(percent, quantiles)

    # scipy's isotonic regression (Busing 2022's pool-adjacent-violators) is a second route. These percentages are
    # bins of the curve, so pooled quantiles can be seen in it.
    for row, flow, mended in zip(quantiles, curve, repaired, strict=True):
        reference = optimize.isotonic_regression(np.log(row), increasing=False).x
        assert np.log(flow[[0, 50, 100, 150, 199]]) == pytest.approx(reference, abs=1e-9)
        # Of the logarithms, which a rise in the last digit of a flow may leave equal.
        assert mended == bool((np.diff(np.log(row)) > 0).any())


@settings(max_examples=60, deadline=None)
@given(st.lists(st.one_of(flows, st.just(0.0)), min_size=4, max_size=4))
def test_a_curve_never_rises_and_is_never_negative(quantiles):
    curve = curves_from_quantiles([10, 40, 60, 90], [quantiles]).curve_m3s

    assert (np.diff(curve[0]) <= 1e-12 * curve[0, :-1]).all()
    assert (curve >= 0).all()
    assert np.isfinite(curve).all()


def test_a_stream_that_runs_dry_is_dry_beyond_its_zero_quantile():
    curve = curves_from_quantiles([10, 50, 80, 95], [[8.0, 2.0, 0.0, 0.0]]).curve_m3s[0]

    assert (curve[BIN_EXCEEDANCE > 0.80] == 0).all()
    assert (curve[BIN_EXCEEDANCE < 0.79] > 0).all()
    # Towards the zero, flow itself is linear in the normal quantile.
    at = (BIN_EXCEEDANCE > 0.5) & (BIN_EXCEEDANCE < 0.8)
    share = stats.norm.ppf(BIN_EXCEEDANCE[at]) / stats.norm.ppf(0.8)
    assert curve[at] == pytest.approx(2.0 * (1 - share), rel=1e-9)


def test_a_stream_that_has_water_at_its_highest_quantile_alone_falls_from_there_to_the_next():
    curve = curves_from_quantiles([10, 50], [[8.0, 0.0]]).curve_m3s[0]

    z = stats.norm.isf(BIN_EXCEEDANCE)
    expected = np.clip(8.0 * z / stats.norm.isf(0.1), 0.0, 8.0)
    assert curve == pytest.approx(expected, abs=1e-9)


def test_a_stream_without_water_has_a_curve_of_zeros():
    curve, repaired = curves_from_quantiles([10, 50, 90], [[0.0, 0.0, 0.0]])

    assert (curve == 0).all()
    assert not repaired.any()


def test_a_missing_quantile_leaves_that_station_without_a_curve_and_no_other():
    curve = curves_from_quantiles([10, 50, 90], [[3.0, np.nan, 1.0], [3.0, 2.0, 1.0]]).curve_m3s

    assert np.isnan(curve[0]).all()
    assert np.isfinite(curve[1]).all()


def test_a_tail_is_no_steeper_than_the_limit_allows():
    # The two highest quantiles lie far apart: ln 10 within 0.36 of z, against 1.1 on the whole.
    percent, quantiles = [5, 10, 50, 95], [[100.0, 10.0, 5.0, 2.0]]

    curve = curves_from_quantiles(percent, quantiles).curve_m3s[0]

    z = stats.norm.isf([BIN_EXCEEDANCE[0], 0.05, 0.95])
    whole = math.log(100.0 / 2.0) / (z[1] - z[2])
    assert curve[0] == pytest.approx(100.0 * math.exp(1.5 * whole * (z[0] - z[1])), rel=1e-9)


@pytest.mark.parametrize(
    ("percent", "quantiles", "message"),
    [
        ([50, 10], [[1.0, 2.0]], "should rise"),
        ([0, 50], [[1.0, 2.0]], "should rise"),
        ([50, 100], [[2.0, 1.0]], "should rise"),
        ([50, 50], [[2.0, 1.0]], "should rise"),
        ([50], [[1.0]], "at least two"),
        ([10, 50, 100], [[3.0, 2.0, 1.0]], "should rise"),
        ([10, 50, 40], [[3.0, 2.0, 1.0]], "should rise"),
        ([10, 50], [[1.0, 2.0, 3.0]], "found shape"),
        ([10, 50], [[1.0, -2.0]], "negative"),
    ],
)
def test_quantiles_that_make_no_curve_are_refused(percent, quantiles, message):
    with pytest.raises(ValueError, match=message):
        curves_from_quantiles(percent, quantiles)


@pytest.mark.parametrize("percent", [0, 100])
def test_flow_at_a_share_of_nothing_is_refused(percent):
    with pytest.raises(ValueError, match="between 0 and 100"):
        flow_at(BIN_EXCEEDANCE, np.ones((1, 200)), percent)


@pytest.mark.parametrize("share", [0.0031, 0.1234, 0.5, 0.87, 0.9969])
def test_the_exceedance_of_a_flow_of_a_lognormal_is_exact_between_the_bins(share):
    # Log flow is linear in the normal quantile.
    curve = np.exp(-0.8 * stats.norm.ppf(BIN_EXCEEDANCE))

    assert exceedance_at(BIN_EXCEEDANCE, curve, math.exp(-0.8 * stats.norm.ppf(share))) == pytest.approx(
        share, rel=1e-9
    )


@pytest.mark.parametrize(
    ("flow_m3s", "share"),
    [
        (9.0, 0.2),
        (4.0, 0.2),
        # Towards a dry stream flow is linear in the normal quantile: half of 2 is half way from 0.4 to 0.6.
        (1.0, 0.5),
        (0.0, 0.8),
    ],
)
def test_the_exceedance_of_flows_at_the_ends_of_a_curve(flow_m3s, share):
    found = exceedance_at(np.array([0.2, 0.4, 0.6, 0.8]), np.array([4.0, 2.0, 0.0, 0.0]), flow_m3s)

    assert found == pytest.approx(share, abs=1e-12)


@pytest.mark.parametrize("flow_m3s", [0.5, 0.1, 0.0])
def test_a_flow_below_a_curve_has_the_share_of_its_last_bin(flow_m3s):
    assert exceedance_at(np.array([0.2, 0.4, 0.6]), np.array([4.0, 2.0, 0.5]), flow_m3s) == 0.6


def test_beyond_the_outermost_bins_their_own_flow_is_given():
    curve = np.linspace(10, 1, 200)[None, :]

    assert flow_at(BIN_EXCEEDANCE, curve, 0.01)[0] == pytest.approx(10.0)
    assert flow_at(BIN_EXCEEDANCE, curve, 99.99)[0] == pytest.approx(1.0)


def test_towards_a_dry_bin_flow_is_linear_in_the_normal_quantile():
    share = np.array([0.2, 0.4, 0.6, 0.8])

    # From 0.4 to 0.6 normal quantiles are even about 0.5.
    assert flow_at(share, np.array([[4.0, 2.0, 0.0, 0.0], [8.0, 4.0, 1.0, 0.0]]), 50.0) == pytest.approx(
        [1.0, 2.0]
    )
    assert flow_at(share, np.array([[4.0, 2.0, 0.0, 0.0]]), 70.0).tolist() == [0.0]
    assert np.isnan(flow_at(share, np.full((1, 4), np.nan), 50.0)).all()
