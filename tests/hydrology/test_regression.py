"""Least squares of all three kinds: by another library, by closed forms and by the laws that define them."""

import numpy as np
import pandas as pd
import pytest
from scipy import linalg

from sitefinder.hydrology.regression import (
    correlation_by_distance,
    fit_equation,
    generalised_least_squares,
    least_squares,
    normality_p,
    predictor_of,
    sampling_covariance,
    statistic_of,
    term_of,
    variance_inflation,
)
from sitefinder.settings.flows import PredictorForm


def rows(count, seed, columns=3):
    rng = np.random.default_rng(seed)
    design = np.column_stack([np.ones(count), rng.normal(size=(count, columns - 1))])
    return design, design @ np.arange(1.0, columns + 1) + 0.3 * rng.normal(size=count)


@pytest.mark.parametrize("weighted", [False, True])
def test_a_fit_agrees_with_singular_values_and_the_hat_matrix(weighted):
    design, response = rows(30, seed=1)
    weights = np.arange(1.0, 31.0) / 15.5 if weighted else np.ones(30)

    fit = least_squares(design, response, weights if weighted else None)

    # By LAPACK's singular values of the weighted rows, and the hat matrix written out.
    root = np.sqrt(weights)
    expected, *_ = linalg.lstsq(design * root[:, None], response * root, lapack_driver="gelsd")
    inverse = np.linalg.inv(design.T @ (weights[:, None] * design))
    hat = design @ inverse @ design.T * weights
    assert fit.coefficients == pytest.approx(expected, rel=1e-10)
    assert fit.leverage == pytest.approx(np.diag(hat), rel=1e-10)
    assert fit.covariance == pytest.approx(fit.mse * inverse, rel=1e-10)


def test_cooks_distance_is_how_far_the_fit_moves_without_the_row():
    design, response = rows(15, seed=2)

    fit = least_squares(design, response)

    for row in range(15):
        others = np.arange(15) != row
        moved = design @ (fit.coefficients - least_squares(design[others], response[others]).coefficients)
        assert fit.cook[row] == pytest.approx(moved @ moved / (3 * fit.mse), rel=1e-8)


def test_generalised_least_squares_without_sampling_errors_is_the_ordinary_fit():
    design, response = rows(20, seed=3)

    general = generalised_least_squares(design, response, np.zeros((20, 20)))
    ordinary = least_squares(design, response)

    assert general.coefficients == pytest.approx(ordinary.coefficients, rel=1e-10)
    assert general.model_error_variance == pytest.approx(ordinary.mse, rel=1e-10)
    assert general.covariance == pytest.approx(ordinary.covariance, rel=1e-9)
    assert general.left_out == pytest.approx(ordinary.left_out, rel=1e-9)
    assert general.cook == pytest.approx(ordinary.cook, rel=1e-9)


def test_the_model_error_variance_solves_the_equation_that_defines_it():
    design, response = rows(25, seed=4)
    apart = np.abs(np.subtract.outer(np.arange(25.0), np.arange(25.0)))
    sampling = sampling_covariance(0.8, np.full(25, 12.0), correlation_by_distance(apart, 0.7, 0.0))

    fit = generalised_least_squares(design, response, sampling)

    # Eq. 21 of Eng et al. (2009), with the generalised solution written out.
    inverse = np.linalg.inv(fit.model_error_variance * np.eye(25) + sampling)
    solution = np.linalg.solve(design.T @ inverse @ design, design.T @ inverse @ response)
    residuals = response - design @ solution
    assert residuals @ inverse @ residuals == pytest.approx(22.0, rel=1e-9)
    assert fit.residuals == pytest.approx(residuals, rel=1e-9)
    assert fit.coefficients == pytest.approx(solution, rel=1e-9)
    assert fit.covariance == pytest.approx(np.linalg.inv(design.T @ inverse @ design), rel=1e-9)


# Errors of all rows alike leave the ordinary fit: its sum of squares over the model's and their variance is n - k.
@pytest.mark.parametrize(("surplus", "columns"), [(0.5, 3), (2.0, 2), (-0.5, 3)])
def test_the_model_has_what_errors_that_are_alike_leave_of_the_scatter(surplus, columns):
    design, response = rows(12, seed=5, columns=columns)
    squares = np.sum(least_squares(design, response).residuals ** 2)
    spare = 12 - columns
    sampling = squares / (spare + surplus)

    fit = generalised_least_squares(design, response, sampling * np.eye(12))

    assert fit.model_error_variance == pytest.approx(max(squares / spare - sampling, 0.0), rel=1e-6)
    assert fit.mse == pytest.approx(squares / spare)
    assert fit.r_squared == pytest.approx(1 - squares / np.sum((response - response.mean()) ** 2))


def test_a_predictor_that_explains_nothing_leaves_all_of_the_scatter_to_the_model():
    design = np.column_stack([np.ones(5), [-2.0, -1.0, 0.0, 1.0, 2.0]])

    # Without any slope the sum of squares is 10, of three degrees of freedom.
    fit = generalised_least_squares(design, np.array([1.0, -2.0, 0.0, -2.0, 1.0]), np.zeros((5, 5)))

    assert fit.coefficients == pytest.approx([-0.4, 0.0], abs=1e-9)
    assert fit.model_error_variance == pytest.approx((10.0 - 5 * 0.4**2) / 3)


# A column turned against the constant: the tangent of half of the angle is the ratio of singular values.
@pytest.mark.parametrize(("ratio", "is_fitted"), [(0.95e-10, False), (1.05e-10, True)])
def test_columns_are_one_where_their_singular_values_are_a_tenth_of_a_billionth_apart(ratio, is_fitted):
    turned = 1.0 + 2.0 * ratio * np.array([1.0, -1.0, 1.0, -1.0])

    fit = least_squares(np.column_stack([np.ones(4), turned]), np.arange(4.0))

    assert (fit is not None) == is_fitted


@pytest.mark.parametrize("unit", [1e-12, 1e12])
def test_units_of_predictors_and_flow_make_no_difference_to_how_good_a_fit_is(unit):
    design, response = rows(20, seed=10)

    fit, other = least_squares(design, response), least_squares(design * [1.0, unit, 1.0], 1e-3 * response)

    assert other.r_squared == pytest.approx(fit.r_squared)
    assert other.coefficients == pytest.approx(1e-3 * fit.coefficients / [1.0, unit, 1.0], rel=1e-3)
    assert least_squares(design * [1.0, 0.0, 1.0], response) is None


def test_the_correlation_of_years_falls_with_distance_to_a_limit():
    # One half to the power of d / (d / 10 + 1): of 0 km 0, of 10 km 5, and never more than 10.
    found = correlation_by_distance(np.array([0.0, 10.0, 1e12]), 0.5, 0.1)

    assert found == pytest.approx([1.0, 2.0**-5, 2.0**-10])


def test_sampling_errors_larger_than_the_scatter_leave_no_model_error():
    design, response = rows(20, seed=5)

    fit = generalised_least_squares(design, response, 50.0 * np.eye(20))

    assert fit.model_error_variance == 0.0


def test_the_model_error_is_reported_apart_from_short_records_and_shared_years():
    rng = np.random.default_rng(6)
    places = rng.uniform(0, 300, (40, 2))
    apart = np.linalg.norm(places[:, None] - places[None, :], axis=2)
    years = rng.integers(5, 60, 40).astype(float)
    sampling = sampling_covariance(0.5, years, correlation_by_distance(apart, 0.98, 0.01))
    root = np.linalg.cholesky(sampling)
    design = np.column_stack([np.ones(40), rng.normal(size=(40, 2))])
    law = np.array([1.0, 0.8, -0.4])

    found, plain, inside = [], [], []
    for _ in range(200):
        response = design @ law + 0.1 * rng.normal(size=40) + root @ rng.normal(size=40)
        fit = generalised_least_squares(design, response, sampling, with_left_out=False)
        found.append(fit.model_error_variance)
        plain.append(least_squares(design, response).mse)
        inside.append(np.abs(fit.coefficients - law) <= 2.0 * fit.standard_errors)

    # The true model error variance is 0.01. Of 200 fits its mean is good to a twentieth; ordinary least squares
    # takes the sampling errors for the model's.
    assert np.mean(found) == pytest.approx(0.01, abs=3 * np.std(found) / np.sqrt(200))
    assert np.mean(plain) > 0.012
    # Two standard errors hold 95 %, by 600 correlated trials within a few percent.
    assert np.mean(inside) == pytest.approx(0.95, abs=0.035)


def test_years_and_distance_make_the_sampling_covariance_by_hand():
    correlation = np.array([[1.0, 0.5], [0.5, 1.0]])

    covariance = sampling_covariance(0.2, np.array([10.0, 40.0]), correlation)

    # 0.04 / 10, 0.04 / 40, and between them 0.5 · 0.04 · 10 / (10 · 40).
    assert covariance == pytest.approx(np.array([[0.004, 0.0005], [0.0005, 0.001]]))


def test_columns_that_say_the_same_are_no_fit():
    design, response = rows(10, seed=7)
    twice = np.column_stack([design, 2 * design[:, 1]])

    assert least_squares(twice, response) is None
    assert generalised_least_squares(twice, response, np.eye(10)) is None


def test_variance_inflation_is_that_of_each_predictor_on_the_others():
    design, _ = rows(30, seed=8, columns=4)
    design[:, 3] = design[:, 1] + 0.5 * design[:, 3]

    found = variance_inflation(design)

    for column in (1, 2, 3):
        others = [other for other in range(4) if other != column]
        r_squared = least_squares(design[:, others], design[:, column]).r_squared
        assert found[column - 1] == pytest.approx(1 / (1 - r_squared), rel=1e-9)


def test_normality_is_doubted_where_it_should_be():
    rng = np.random.default_rng(9)

    assert normality_p(rng.normal(size=60)) > 0.05
    assert normality_p(rng.exponential(size=60)) < 0.001
    assert np.isnan(normality_p(np.zeros(10)))
    # Three that are evenly spaced lie as those of a normal sample do: W is 1. Of two nothing can be said.
    assert normality_p(np.array([-1.0, 0.0, 1.0])) == pytest.approx(1.0, abs=1e-3)
    assert np.isnan(normality_p(np.array([-1.0, 1.0])))
    # Of more than 5000 the test is not made.
    many = rng.normal(size=5001)
    assert 0.0 < normality_p(many[:5000]) <= 1.0
    assert np.isnan(normality_p(many))


@pytest.mark.parametrize(
    ("column", "name", "unit"),
    [
        ("area_km2", "area", "km2"),
        ("mean_slope", "mean_slope", "none"),
        ("slope", "slope", "none"),
        ("km2", "km2", "none"),
        ("slope_", "slope_", "none"),
        ("slope_none", "slope_none", "none"),
    ],
)
def test_a_predictor_has_the_unit_that_its_column_ends_on(column, name, unit):
    found = predictor_of(column, 0.7, np.array([3.0, 1.0, 2.0]))

    assert (found.name, found.unit, found.transform) == (name, unit, "log")
    assert (found.coefficient, found.minimum, found.maximum) == (0.7, 1.0, 3.0)


@pytest.mark.parametrize("columns", [1, 2, 3])
def test_a_lone_predictor_is_not_inflated_and_of_two_both_are_alike(columns):
    design, _ = rows(30, seed=9, columns=columns)

    found = variance_inflation(design)

    if columns < 3:
        assert found.tolist() == [1.0] * (columns - 1)
    else:
        r = np.corrcoef(design[:, 1], design[:, 2])[0, 1]
        assert found == pytest.approx([1 / (1 - r**2)] * 2)


@pytest.mark.parametrize(
    ("column", "statistic"),
    [
        ("flow_mean_m3s", "mean"),
        ("flow_q05_m3s", "exceedance_5"),
        ("flow_q95_m3s", "exceedance_95"),
        ("flow_q99.5_m3s", "exceedance_99.5"),
        ("flow_month_01_mean_m3s", "month_01_mean"),
        ("flow_q7min_m3s", "q7min"),
        ("area_km2", None),
        ("flow_mean_m3s_old", None),
    ],
)
def test_a_column_of_flow_holds_a_statistic(column, statistic):
    assert statistic_of(column) == statistic


def test_terms_are_named_by_their_forms():
    forms = {
        "a": PredictorForm(transform="square_root"),
        "b": PredictorForm(transform="linear", offset=-2.0),
        "c": PredictorForm(offset=0.5),
    }

    assert [term_of(name, forms) for name in "abcd"] == ["square root of a", "b - 2, linear", "c + 0.5", "d"]


def test_the_error_in_percent_of_a_useless_fit_is_infinite_and_never_overflows():
    # Of gauges of one area spread apart, s² in log10 is that of the logs: 700 in natural logs at the most.
    for variance_ln, is_finite in ((690.0, True), (720.0, False)):
        logs = np.tile([-1.0, 1.0], 20) * np.sqrt(variance_ln * 38 / 40) / np.log(10.0)
        table = pd.DataFrame({"area_km2": np.repeat(np.arange(1.0, 21.0), 2), "flow_mean_m3s": 10.0**logs})
        diagnostics = fit_equation(table, "flow_mean_m3s", ["area_km2"], "made up").diagnostics
        assert np.isfinite(diagnostics.standard_error_percent) == is_finite
        if is_finite:
            assert diagnostics.standard_error_percent == pytest.approx(100 * np.exp(variance_ln / 2), rel=1e-6)
