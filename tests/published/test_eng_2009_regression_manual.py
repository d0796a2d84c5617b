"""Least squares against the example of the US Geological Survey's regression manual.

K. Eng, Y.-Y. Chen, J. E. Kiang, "User's guide to the weighted-multiple-linear-regression program (WREG version
1.0)," U.S. Geol. Surv. Tech. Methods 4-A8, 2009: the 18-gauge example and the reference output of its software, as
read in the software's own example folder and test data; eq. 34 for the error in percent.

The fits on logarithms were derived outside this project from the same rows; reproducible, but not published.
"""

import io

import numpy as np
import pandas as pd
import pytest

from sitefinder.catalogue.equations import log10_from_percent, percent_from_log10
from sitefinder.hydrology.regression import (
    fit_equation,
    generalised_least_squares,
    least_squares,
    sampling_covariance,
)

# gauge, area [mi²], P1006, sand, outlet elevation [ft], slope, years of record, median annual peak [ft³/s]
GAUGES = """
    06675300 8.16 2.81 55.429 6240 7.78 21 13.8
    06687000 897.9 3.88 81.082 3310 5.53 81 194.3
    06707000 475.7 2.56 53.281 6091 31.55 72 835.8
    06829700 9.1 4.52 8.833 2670 10.61 13 266.5
    06831500 1050 4.28 43.083 3130 2.06 31 298.1
    06835000 1500 4.46 44.324 2741 3.54 23 384.8
    06835100 30.2 4.38 9.186 2920 8.38 13 316.4
    06836000 320 4.44 13.805 2555 8.91 42 388
    06836500 361 4.61 9.125 2503 6.30 33 780.8
    06838200 69 4.65 5.594 2370 6.74 37 129.3
    06838550 42 4.75 5.603 2320 6.26 23 249.4
    06839200 6.7 4.52 6.352 2780 19.03 27 181.6
    06839600 11.3 4.56 5.983 2722 13.63 19 659.6
    06839850 13.8 4.54 6.352 2760 18.59 19 98.5
    06839900 31.8 4.55 6.324 2640 18.84 28 246.6
    07107500 171.4 4.12 42.575 5350 28.37 27 921
    07108900 474 3.78 31.695 4582 11.64 36 2365
    07111000 73 3.15 50.684 8270 31.75 76 205.1
"""
NAMES = ["gauge_id", "area", "p1006", "sand", "elevation", "slope", "years", "flow_q2_m3s"]


@pytest.fixture(scope="module")
def gauges():
    return pd.read_csv(io.StringIO(GAUGES), sep=r"\s+", names=NAMES, dtype={"gauge_id": str}).set_index("gauge_id")


def test_the_manuals_example_without_a_constant_is_reproduced(gauges):
    design = gauges[["sand", "elevation", "slope"]].to_numpy(dtype=float)

    fit = least_squares(design, gauges["flow_q2_m3s"].to_numpy())

    assert fit.coefficients == pytest.approx([-2.221362, 0.135179, -0.549714], abs=1e-6)
    assert fit.standard_errors == pytest.approx([8.582772, 0.130036, 22.424809], abs=0.5e-6)
    t = fit.coefficients / fit.standard_errors
    assert t == pytest.approx([-0.258816, 1.039552, -0.024514], abs=0.5e-6)
    assert fit.mse == pytest.approx(334879.15096895, abs=0.5e-8)
    # A model worse than the mean: R² is negative without a constant.
    assert fit.r_squared == pytest.approx(-0.01291391, abs=0.5e-8)


def test_the_log_fit_agrees_with_the_derived_one(gauges):
    diagnostics = fit_equation(gauges, "flow_q2_m3s", ["area", "p1006"], "manual").diagnostics

    fit = diagnostics.fit
    assert fit.coefficients == pytest.approx([1.01800261, 0.31683762, 1.36630884], abs=0.5e-8)
    assert fit.mse == pytest.approx(0.17761455, abs=0.5e-8)
    assert fit.r_squared == pytest.approx(0.30529304, abs=0.5e-8)
    assert diagnostics.standard_error_percent == pytest.approx(125.072873, abs=0.5e-6)
    assert diagnostics.smearing_factor == pytest.approx(1.45818614, abs=0.5e-8)


def test_weights_by_years_of_record_give_the_derived_fit(gauges):
    fit = fit_equation(gauges, "flow_q2_m3s", ["area", "p1006"], "manual", weights_column="years")

    assert fit.diagnostics.fit.coefficients == pytest.approx([1.80708065, 0.28183203, 0.14195916], abs=0.5e-8)


def test_weights_count_by_their_ratio_only(gauges):
    doubled = gauges.assign(years=gauges["years"] * 2)

    once = fit_equation(gauges, "flow_q2_m3s", ["area"], "manual", weights_column="years")
    twice = fit_equation(doubled, "flow_q2_m3s", ["area"], "manual", weights_column="years")

    assert once.diagnostics.fit.standard_errors == pytest.approx(twice.diagnostics.fit.standard_errors, rel=1e-12)
    assert once.diagnostics.fit.mse == pytest.approx(twice.diagnostics.fit.mse, rel=1e-12)


# Derived with eq. 34: 100 sqrt(exp((ln 10)² s²) − 1), printed to three decimals.
@pytest.mark.parametrize(
    ("log10_units", "percent"),
    [
        (0.05, 11.551),
        (0.10, 23.334),
        (0.15, 35.595),
        (0.20, 48.605),
        (0.25, 62.680),
        (0.30, 78.199),
        (0.40, 115.572),
    ],
)
def test_standard_errors_in_percent_follow_the_manuals_formula(log10_units, percent):
    assert percent_from_log10(log10_units) == pytest.approx(percent, abs=0.5e-3)
    assert percent_from_log10(log10_from_percent(percent)) == pytest.approx(percent, rel=1e-12)


def test_a_fit_worse_than_any_percentage_says_infinity_rather_than_overflow():
    table = pd.DataFrame({"size": np.arange(1.0, 9.0), "flow_mean_m3s": [1e-30, 1e30] * 4})

    diagnostics = fit_equation(table, "flow_mean_m3s", ["size"], "made up").diagnostics

    # The manual's own stored output shows this as "Inf".
    assert diagnostics.standard_error_percent == np.inf


# Standard errors of the reference output of the generalised fit, printed to six decimals.
GENERALISED_ERRORS = [8.576360, 0.129939, 22.408055]


def test_the_generalised_fit_of_the_manuals_example_agrees_within_its_search_grid(gauges):
    design = gauges[["sand", "elevation", "slope"]].to_numpy(dtype=float)
    response = gauges["flow_q2_m3s"].to_numpy()
    # The example's sampling errors are in log10 units while its response is not, so they are some 1e-6 of the
    # model error variance whatever their digits: a spread of 0.3 from year to year, years as printed, and no
    # correlation.
    sampling = sampling_covariance(0.3, gauges["years"].to_numpy(dtype=float), np.eye(len(gauges)))

    fit = generalised_least_squares(design, response, sampling)

    assert fit.coefficients == pytest.approx([-2.221362, 0.135179, -0.549714], abs=2e-6)
    # The reference software looks for the model error variance on a grid, 2 var(y) cut by 30 points and the piece
    # found by 30 again, and takes the end below the root; ours is the root. So its variance is less, by one step
    # at most.
    theirs = fit.model_error_variance * (np.array(GENERALISED_ERRORS) / fit.standard_errors) ** 2
    step = 2 * np.var(response, ddof=1) / 29**2
    assert (theirs < fit.model_error_variance).all()
    assert (theirs > fit.model_error_variance - step).all()
    # Their three standard errors are one variance away from ours. Half of the last digit of the smallest, which is
    # 0.129939, counts twice in a variance.
    assert theirs == pytest.approx(theirs.mean(), rel=2 * 0.5e-6 / 0.129939)


def test_weights_from_model_and_sampling_error_give_the_same_coefficients_to_six_digits(gauges):
    design = gauges[["sand", "elevation", "slope"]].to_numpy(dtype=float)
    response = gauges["flow_q2_m3s"].to_numpy()
    mse = least_squares(design, response).mse

    # The manual's weights: the reciprocal of the model error variance plus c / years, c in squared log10 units.
    fit = least_squares(design, response, 1.0 / (mse + 0.3**2 / gauges["years"].to_numpy(dtype=float)))

    assert fit.coefficients == pytest.approx([-2.221362, 0.135179, -0.549714], abs=2e-6)
