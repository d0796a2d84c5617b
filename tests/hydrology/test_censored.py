"""Zeros: probabilities by other routes, finite answers under separation, and censored fits by brute force."""

import warnings

import numpy as np
import pandas as pd
import pytest
from scipy import optimize, stats
from scipy.special import expit, logit

from sitefinder.catalogue.equations import percent_from_log10
from sitefinder.errors import InputError
from sitefinder.hydrology.censored import (
    fit_censored,
    fit_censored_equation,
    fit_zero_probability,
    least_squares_of_censored,
)
from sitefinder.hydrology.regression import least_squares


def test_the_probability_of_zero_is_that_of_greatest_likelihood():
    rng = np.random.default_rng(1)
    design = np.column_stack([np.ones(80), rng.normal(size=(80, 2))])
    zero = rng.uniform(size=80) < expit(design @ [-0.5, 1.2, -0.7])

    fit = fit_zero_probability(design, zero)

    # By a general minimiser of the likelihood written out.
    def loss(b):
        return np.sum(np.logaddexp(0.0, design @ b)) - zero @ (design @ b)

    expected = optimize.minimize(loss, np.zeros(3), method="BFGS", options={"gtol": 1e-9}).x
    assert not fit.penalised
    assert fit.coefficients == pytest.approx(expected, abs=1e-5)
    probability = expit(design @ fit.coefficients)
    assert fit.misclassified_percent == pytest.approx(100 * np.mean((probability > 0.5) != zero))
    # At the maximum the expected number of zeros is the number of zeros.
    assert probability.sum() == pytest.approx(zero.sum(), abs=1e-6)


def test_a_predictor_that_parts_zeros_from_the_others_still_has_a_finite_answer():
    x = np.arange(12.0)
    design = np.column_stack([np.ones(12), x])

    fit = fit_zero_probability(design, x < 4)

    assert fit.penalised
    assert np.isfinite(fit.coefficients).all()
    assert (np.diag(fit.covariance) > 0).all()
    probability = expit(design @ fit.coefficients)
    assert (probability[:4] > 0.5).all()
    assert (probability[4:] < 0.5).all()


# One gauge of each kind lies on the other's side, by so much: the closer, the steeper is the plain fit between.
@pytest.mark.parametrize(("overlap", "is_penalised"), [(0.065, False), (0.06, True)])
def test_a_predictor_that_nearly_parts_zeros_from_the_others_is_taken_as_one_that_does(overlap, is_penalised):
    x = np.array([0.0, 1.0, 2.0, 3.0 + overlap, 3.0, 4.0, 5.0, 6.0])

    fit = fit_zero_probability(np.column_stack([np.ones(8), x]), np.arange(8) < 4)

    # Errors of the plain fit are finite, 9.9 and 10.3 spreads of the predictor; more than 10 are too many.
    assert fit.penalised == is_penalised


def test_the_penalised_fit_of_a_two_by_two_table_adds_half_to_each_cell():
    # Firth (1993): for a saturated table the penalty is half an observation in each cell, here 6 of 6 zero in the
    # one class, which separates them, and 2 of 8 in the other.
    group = np.repeat([0.0, 1.0], [6, 8])
    zero = np.array([True] * 6 + [True] * 2 + [False] * 6)

    fit = fit_zero_probability(np.column_stack([np.ones(14), group]), zero)

    assert fit.penalised
    assert fit.coefficients[0] == pytest.approx(np.log(6.5 / 0.5), rel=1e-6)
    assert fit.coefficients.sum() == pytest.approx(np.log(2.5 / 6.5), rel=1e-6)


# Zeros and others parted by a predictor that is even about nothing, by one that varies little about 1,000 mm in
# logarithms, and by the sum of two of which a few gauges lie far out.
def separated(case):
    rng = np.random.default_rng(6)
    if case == "even":
        columns = np.linspace(-3.0, 3.0, 8)[:, None]
        return columns, columns[:, 0] < 0
    if case == "precipitation":
        columns = np.column_stack([3.0 + 0.03 * rng.normal(size=40), rng.normal(1.5, 0.5, size=40)])
        return columns, columns[:, 0] > 3.02
    # Unless steps are halved here, the information comes to nothing.
    columns = np.random.default_rng(11).standard_t(2, size=(30, 2))
    return columns, columns.sum(axis=1) < np.quantile(columns.sum(axis=1), 0.1)


@pytest.mark.parametrize("case", ["even", "precipitation", "far out"])
def test_the_penalised_fit_is_that_of_greatest_penalised_likelihood(case):
    columns, zero = separated(case)
    center, spread = columns.mean(axis=0), columns.std(axis=0)
    standard = np.column_stack([np.ones(len(columns)), (columns - center) / spread])

    # Firth (1993): the log likelihood and half the log determinant of the information, by a general minimiser.
    def information(design, b):
        probability = expit(design @ b)
        return design.T @ ((probability * (1 - probability))[:, None] * design)

    def loss(b):
        plain = np.sum(np.logaddexp(0.0, standard @ b)) - zero @ (standard @ b)
        return plain - np.linalg.slogdet(information(standard, b)).logabsdet / 2

    best = optimize.minimize(loss, np.zeros(standard.shape[1]), method="BFGS", options={"gtol": 1e-6}).x
    slopes = best[1:] / spread
    expected = np.append(best[0] - slopes @ center, slopes)

    design = np.column_stack([np.ones(len(columns)), columns])
    fit = fit_zero_probability(design, zero)

    assert fit.penalised
    errors = np.sqrt(np.diag(fit.covariance))
    assert (fit.coefficients - expected) / errors == pytest.approx(np.zeros(len(expected)), abs=1e-4)
    away = (fit.covariance - np.linalg.inv(information(design, expected))) / np.outer(errors, errors)
    assert away == pytest.approx(np.zeros(away.shape), abs=1e-3)
    assert fit.misclassified_percent == 100 * np.mean((expit(design @ expected) > 0.5) != zero)


def test_a_fit_says_nothing_on_the_way(capsys):
    fit_zero_probability(np.ones((20, 1)), np.array([True, False] * 10))

    assert capsys.readouterr() == ("", "")


def test_one_zero_among_many_is_a_small_probability_and_not_none():
    rng = np.random.default_rng(2)
    zero = np.zeros(90, dtype=bool)
    zero[17] = True

    fit = fit_zero_probability(np.column_stack([np.ones(90), rng.normal(size=90)]), zero)

    assert np.isfinite(fit.coefficients).all()
    assert expit(fit.coefficients[0]) == pytest.approx(1 / 90, abs=0.02)


def test_a_censored_fit_without_anything_censored_is_least_squares():
    rng = np.random.default_rng(3)
    design = np.column_stack([np.ones(30), rng.normal(size=30)])
    response = design @ [1.0, 2.0] + 0.4 * rng.normal(size=30)

    fit = fit_censored(design, response, np.zeros(30, dtype=bool), -9.0)
    plain = least_squares(design, response)

    assert fit.coefficients == pytest.approx(plain.coefficients, rel=1e-8)
    assert fit.sigma**2 == pytest.approx(plain.mse, rel=1e-8)
    assert fit.covariance == pytest.approx(plain.covariance, rel=1e-8)
    same = least_squares_of_censored(design, response, np.zeros(30, dtype=bool), -9.0)
    assert (same.mse, same.model_error_variance) == pytest.approx((plain.mse, plain.mse), rel=1e-8)


@pytest.mark.parametrize(("slope", "scatter"), [(1.0, 0.6), (-3.0, 2.5)])
def test_a_censored_fit_has_the_greatest_likelihood_and_its_curvature(slope, scatter):
    rng = np.random.default_rng(4)
    design = np.column_stack([np.ones(60), rng.normal(size=60)])
    response = design @ [0.0, slope] + scatter * rng.normal(size=60)
    censored = response < -0.5

    fit = fit_censored(design, response, censored, -0.5)

    # The textbook likelihood in b and log sigma, by a general minimiser; its inverse Hessian by differences.
    def loss(p):
        mean, sigma = design @ p[:2], np.exp(p[2])
        exact = stats.norm.logpdf(response[~censored], mean[~censored], sigma)
        return -exact.sum() - stats.norm.logcdf(-0.5, mean[censored], sigma).sum()

    best = optimize.minimize(loss, [0.0, 0.0, 0.0], method="BFGS", options={"gtol": 1e-7})
    assert fit.coefficients == pytest.approx(best.x[:2], abs=1e-5)
    # There no coefficient has a slope left: what is known pulls by its residual, what is censored by its tail.
    mean, sigma = design @ fit.coefficients, fit.sigma * np.sqrt(58 / 60)
    tail = (-0.5 - mean) / sigma
    pull = np.where(censored, -stats.norm.pdf(tail) / stats.norm.cdf(tail), (response - mean) / sigma)
    assert design.T @ pull == pytest.approx([0.0, 0.0], abs=1e-8)
    # sigma is reported with n − k in the denominator, the likelihood's has n.
    assert fit.sigma == pytest.approx(np.exp(best.x[2]) * np.sqrt(60 / 58), rel=1e-5)
    assert fit.log_likelihood == pytest.approx(-best.fun, abs=1e-8)
    step = 1e-4
    hessian = np.empty((3, 3))
    for i in range(3):
        for j in range(3):
            a, b = np.eye(3)[i] * step, np.eye(3)[j] * step
            x = best.x
            hessian[i, j] = (loss(x + a + b) - loss(x + a - b) - loss(x - a + b) + loss(x - a - b)) / (4 * step**2)
    assert fit.covariance * 58 / 60 == pytest.approx(np.linalg.inv(hessian)[:2, :2], rel=1e-3)


def test_responses_without_any_scatter_have_no_censored_fit():
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        assert fit_censored(np.ones((4, 1)), np.zeros(4), np.zeros(4, dtype=bool), -1.0) is None


def test_censoring_finds_the_law_that_leaving_zeros_out_bends():
    rng = np.random.default_rng(5)
    design = np.column_stack([np.ones(400), rng.uniform(-1, 2, 400)])
    response = design @ [0.2, 1.0] + 0.5 * rng.normal(size=400)
    censored = response < 0.0

    fit = fit_censored(design, response, censored, 0.0)
    left_out = least_squares(design[~censored], response[~censored])

    assert np.abs(fit.coefficients - [0.2, 1.0]) == pytest.approx(0, abs=3 * np.sqrt(fit.covariance[1, 1]))
    # Without the zeros the slope is too flat by many of its errors.
    assert left_out.coefficients[1] < 1.0 - 4 * left_out.standard_errors[1]


def test_the_logit_of_half_is_nothing():
    zero = np.array([True, False] * 10)

    fit = fit_zero_probability(np.ones((20, 1)), zero)

    assert fit.coefficients[0] == pytest.approx(logit(0.5), abs=1e-9)


@pytest.mark.parametrize("share", [0.0, 0.2, 0.4])
@pytest.mark.parametrize("seed", range(3))
def test_r_squared_is_that_of_all_responses_however_many_are_censored(seed, share):
    rng = np.random.default_rng(seed)
    design = np.column_stack([np.ones(2000), rng.normal(size=2000)])
    response = design @ [0.3, 1.0] + rng.normal(scale=0.8, size=2000)
    limit = np.quantile(response, share)
    below = response < limit

    found = least_squares_of_censored(design, np.where(below, np.nan, response), below, limit)

    # That of an ordinary fit of all of them, by its own definition; exactly so where none is censored.
    whole = least_squares(design, response)
    assert found.r_squared == pytest.approx(whole.r_squared, abs=0.03 if share else 1e-9)


def test_a_censored_equation_needs_three_gauges_with_flow_more_than_coefficients():
    area_km2 = np.array([10.0, 20.0, 40.0, 80.0, 160.0, 5.0, 4.0])
    gauges = pd.DataFrame(
        {"area_km2": area_km2, "flow_q95_m3s": 0.001 * area_km2**1.1 * [1.1, 0.9, 1.2, 1, 1, 0, 0]}
    )

    # Five have flow, for two coefficients.
    found = fit_censored_equation(
        gauges, "flow_q95_m3s", ["area_km2"], gauges["flow_q95_m3s"].to_numpy() == 0, "made"
    )

    residuals = found.diagnostics.fit.residuals
    assert found.equation.gauges == 7
    assert found.diagnostics.dropped["gauge"].tolist() == []
    assert found.diagnostics.normality_p == pytest.approx(stats.shapiro(residuals[:5]).pvalue)
    assert found.diagnostics.standard_error_percent == percent_from_log10(found.equation.standard_error_log10)
    assert found.equation.statistic == "exceedance_95"
    assert found.equation.greatest_leverage == found.diagnostics.fit.leverage.max()
    assert found.equation.constant == found.diagnostics.fit.coefficients[0]
    assert found.limit_m3s == gauges["flow_q95_m3s"][:5].min()
    assert np.isnan(residuals).tolist() == [False] * 5 + [True] * 2
    fitted = np.log10(gauges["flow_q95_m3s"][:5]) - residuals[:5]
    assert np.diff(fitted) / np.diff(np.log10(area_km2[:5])) == pytest.approx(
        [found.diagnostics.fit.coefficients[1]] * 4
    )
    # Normal residuals of log10 with deviation s need exp((ln 10 · s)² / 2).
    deviation = np.log(10) * found.equation.standard_error_log10
    assert found.equation.bias_correction == pytest.approx(np.exp(deviation**2 / 2))
    assert found.diagnostics.smearing_factor == pytest.approx(np.mean(10 ** residuals[:5]))
    # Each gauge with flow is predicted by an equation of the others, with the same limit.
    others = gauges.drop(index=2)
    without = fit_censored(
        np.column_stack([np.ones(6), np.log10(others["area_km2"])]),
        np.log10(others["flow_q95_m3s"].where(others["flow_q95_m3s"] > 0)).to_numpy(),
        others["flow_q95_m3s"].to_numpy() == 0,
        np.log10(found.limit_m3s),
    )
    left_out = found.diagnostics.fit.left_out
    expected = np.log10(gauges["flow_q95_m3s"][2]) - without.coefficients @ [1.0, np.log10(area_km2[2])]
    assert left_out[2] == pytest.approx(expected, abs=1e-6)
    assert found.diagnostics.leave_one_out_rmse_log10 == pytest.approx(np.sqrt(np.mean(left_out[:5] ** 2)))
    fewer = gauges[1:]
    with pytest.raises(InputError, match="at least 5 that are not zero, for 2 coefficients"):
        fit_censored_equation(fewer, "flow_q95_m3s", ["area_km2"], fewer["flow_q95_m3s"].to_numpy() == 0, "made")


def test_a_gauge_without_the_statistic_is_left_out_by_name():
    rng = np.random.default_rng(12)
    area_km2 = np.arange(3.0, 15.0)
    gauges = pd.DataFrame(
        {"area_km2": area_km2, "flow_q95_m3s": 0.001 * area_km2 * rng.uniform(0.8, 1.2, 12)},
        index=list("abcdefghijkl"),
    )
    gauges.loc["d", "flow_q95_m3s"], gauges.loc["g", "flow_q95_m3s"] = np.nan, 0.0

    found = fit_censored_equation(gauges, "flow_q95_m3s", ["area_km2"], np.arange(12) == 6, "made")

    assert found.diagnostics.dropped["gauge"].tolist() == ["d"]
    assert found.diagnostics.gauges.tolist() == list("abcefghijkl")


@pytest.mark.parametrize(("spread", "is_refused"), [(3.0, False), (9.0, True), (14.0, True)])
def test_flows_that_scatter_beyond_numbers_are_refused_with_what_to_check(spread, is_refused):
    drawn = np.random.default_rng(0)
    area_km2 = 10.0 ** drawn.uniform(0.0, 2.0, 30)
    flow_m3s = np.where(np.arange(30) < 5, 0.0, 10.0 ** drawn.normal(0.0, spread, 30))
    gauges = pd.DataFrame({"area_km2": area_km2, "flow_q95_m3s": flow_m3s})

    def fit():
        return fit_censored_equation(gauges, "flow_q95_m3s", ["area_km2"], flow_m3s == 0, "made")

    if is_refused:
        with pytest.raises(InputError, match=r"scatter too widely[\s\S]*at most 6 powers of ten[\s\S]*units"):
            fit()
    else:
        assert fit().equation.standard_error_log10 == pytest.approx(spread, rel=0.35)
