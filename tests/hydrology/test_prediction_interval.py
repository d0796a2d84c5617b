"""The prediction interval with a covariance matrix.

G. D. Tasker and N. E. Driver, "Nationwide regression models for predicting urban runoff water quality at
unmonitored sites," Water Resour. Bull., vol. 24, no. 5, pp. 1091-1101, 1988, and K. G. Ries and P. J. Friesz,
"Methods for estimating low-flow statistics for Massachusetts streams," U.S. Geol. Surv. Water-Resources Invest.
Rep. 00-4135, 2000, p. 34. The formula was read in a comment of the US Geological Survey's NSS Services software,
which cites both: (Q/BCF)/T < Q < T (Q/BCF), T = 10^(t S), S = sqrt(gamma² + x U x'). The numbers are our own;
nothing but the formula is published.
"""

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from sitefinder.catalogue.equations import LN_10, Equation
from sitefinder.hydrology.equations import apply_equation
from sitefinder.hydrology.regression import fit_equation

AREA = {"name": "area", "unit": "km2", "coefficient": 0.9, "minimum": 1.0, "maximum": 1000.0}


def equation_with(**changes):
    whole = {
        "statistic": "mean",
        "form": "log10",
        "constant": -1.0,
        "predictors": [AREA],
        "flow_unit": "m3s",
        "covariance": [[0.010, -0.004], [-0.004, 0.002]],
        "model_error_variance": 0.03,
        "gauges": 22,
        "source": "made up",
        "table": "made up",
    }
    return Equation(**{**whole, **changes})


def test_the_interval_follows_the_formula_by_hand():
    place = pd.DataFrame({"area_km2": [100.0]})

    applied = apply_equation(equation_with(), place)

    # x = [1, 2]: x U x' = 0.010 − 4 · 0.004 + 4 · 0.002 = 0.002, so S = sqrt(0.032) = 0.178885;
    # t(0.95) with 20 degrees of freedom is 1.7247 in any table; median 10^(−1 + 0.9 · 2) = 6.30957.
    assert applied.log_sd / LN_10 == pytest.approx(np.sqrt(0.032), rel=1e-12)
    assert applied.flow_m3s == pytest.approx(6.30957, abs=0.5e-5)
    assert np.log10(applied.high_m3s / 6.30957) == pytest.approx(1.7247 * 0.178885, abs=0.5e-4)
    assert np.log10(applied.low_m3s / 6.30957) == pytest.approx(-1.7247 * 0.178885, abs=0.5e-4)


def test_bias_correction_is_divided_out_before_the_interval_is_formed():
    place = pd.DataFrame({"area_km2": [100.0]})

    plain = apply_equation(equation_with(), place)
    corrected = apply_equation(equation_with(bias_correction=1.25), place)

    assert corrected.flow_m3s == pytest.approx(1.25 * plain.flow_m3s)
    assert corrected.low_m3s == plain.low_m3s
    assert corrected.high_m3s == plain.high_m3s


def test_natural_logs_and_logs_to_ten_are_the_same_equation():
    place = pd.DataFrame({"area_km2": [3.0, 100.0]})
    in_ln = equation_with(
        form="ln",
        constant=-LN_10,
        covariance=(np.array([[LN_10**2, LN_10], [LN_10, 1.0]]) * equation_with().covariance).tolist(),
        model_error_variance=0.03 * LN_10**2,
    )

    ten, natural = apply_equation(equation_with(), place), apply_equation(in_ln, place)

    assert natural.flow_m3s == pytest.approx(ten.flow_m3s, rel=1e-12)
    assert natural.high_m3s == pytest.approx(ten.high_m3s, rel=1e-12)


def test_a_fitted_equation_has_the_textbook_interval_of_a_straight_line():
    rng = np.random.default_rng(7)
    area = 10 ** rng.uniform(0, 3, 20)
    gauges = pd.DataFrame({"area_km2": area, "flow_mean_m3s": 0.02 * area**0.95 * 10 ** rng.normal(0, 0.1, 20)})
    place = pd.DataFrame({"area_km2": [700.0]})

    applied = apply_equation(fit_equation(gauges, "flow_mean_m3s", ["area_km2"], "made up").equation, place)

    # scipy's straight line is a reference of its own; then s sqrt(1 + 1/n + (x − x̄)² / Sxx), n − 2 degrees.
    x, y = np.log10(area), np.log10(gauges["flow_mean_m3s"])
    line = stats.linregress(x, y)
    spread = np.sqrt(((y - line.intercept - line.slope * x) ** 2).sum() / 18)
    at = np.log10(700.0)
    half = (
        stats.t.ppf(0.95, 18) * spread * np.sqrt(1 + 1 / 20 + (at - x.mean()) ** 2 / ((x - x.mean()) ** 2).sum())
    )
    middle = line.intercept + line.slope * at
    assert np.log10(applied.low_m3s) == pytest.approx(middle - half, rel=1e-10)
    assert np.log10(applied.high_m3s) == pytest.approx(middle + half, rel=1e-10)
