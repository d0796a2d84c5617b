"""Figures that a fit of gauges reports, against a library's own, and warnings from their limits on."""

from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest
from statsmodels.regression.linear_model import OLS, WLS

from sitefinder.errors import InputError
from sitefinder.hydrology.regional_fit import (
    HeldOut,
    _coefficient_rows,
    _named,
    _nested_by_place,
    _summary_row,
    _warnings_of_fit,
    accounted,
    interval_widening,
)
from sitefinder.hydrology.regression import fit_equation, least_squares


def gauges(count=24, seed=1):
    rng = np.random.default_rng(seed)
    table = pd.DataFrame(
        {"area_km2": 10 ** rng.uniform(0, 2, count), "rain_mm": rng.uniform(500.0, 1500.0, count)},
        index=[f"G{number:02d}" for number in range(count)],
    )
    logs = np.log10(table["area_km2"]) + 0.7 * np.log10(table["rain_mm"]) - 4.0 + 0.08 * rng.normal(size=count)
    return table.assign(flow_mean_m3s=10**logs, years=rng.integers(5, 60, count).astype(float))


@pytest.mark.parametrize("weights_column", [None, "years"])
def test_the_figures_of_a_fit_are_a_librarys(weights_column):
    table, names = gauges(), ["area_km2", "rain_mm"]
    design = np.column_stack([np.ones(len(table)), np.log10(table[names])])
    response = np.log10(table["flow_mean_m3s"].to_numpy())
    weights = np.ones(len(table)) if weights_column is None else table["years"] / table["years"].mean()
    library = WLS(response, design, weights=weights).fit()

    equation, diagnostics = fit_equation(table, "flow_mean_m3s", names, "made up", weights_column)

    fit = diagnostics.fit
    assert fit.r_squared == pytest.approx(library.rsquared)
    assert fit.mse == pytest.approx(library.mse_resid)
    assert fit.standard_errors == pytest.approx(library.bse)
    rows = _coefficient_rows(SimpleNamespace(name="west"), "mean", names, diagnostics, {})
    assert rows["t"].to_numpy() == pytest.approx(library.tvalues)
    assert rows["p"].to_numpy() == pytest.approx(library.pvalues)
    assert rows["term"].tolist()[0] == "constant"
    # Smearing after Duan: the mean of the residuals taken back, by the weights of the fit.
    assert equation.bias_correction == pytest.approx(np.average(10.0**library.resid, weights=weights))
    root = np.sqrt(np.asarray(weights))
    whitened = OLS(root * response, root[:, None] * design).fit()
    assert equation.greatest_leverage == pytest.approx(whitened.get_influence().hat_matrix_diag.max())
    # The percentage of a lognormal error: 100 (exp(s²) − 1)^½ in natural logs.
    error = np.sqrt(library.mse_resid) * np.log(10.0)
    assert diagnostics.standard_error_percent == pytest.approx(100.0 * np.sqrt(np.expm1(error**2)))
    if weights_column is None:
        left_out = []
        for row in range(len(table)):
            others = np.arange(len(table)) != row
            left_out.append(response[row] - design[row] @ OLS(response[others], design[others]).fit().params)
        assert diagnostics.leave_one_out_rmse_log10 == pytest.approx(np.sqrt(np.mean(np.square(left_out))))


def test_three_gauges_more_than_coefficients_are_a_fit_and_two_are_none():
    table = gauges(6)

    assert fit_equation(table[:5], "flow_mean_m3s", ["area_km2"], "made up").equation.gauges == 5
    with pytest.raises(InputError, match="too few gauges to fit flow_mean_m3s"):
        fit_equation(table[:4], "flow_mean_m3s", ["area_km2"], "made up")
    # A law without scatter has an error all the same, next to nothing, and moves by no gauge.
    exact = table.assign(flow_mean_m3s=0.01 * table["area_km2"])
    found = fit_equation(exact, "flow_mean_m3s", ["area_km2"], "made up")
    assert 0.0 < found.equation.standard_error_log10 < 1e-12
    assert least_squares(np.ones((4, 1)), np.zeros(4)).cook.tolist() == [0.0] * 4
    assert np.isnan(least_squares(np.ones((4, 1)), np.zeros(4)).r_squared)


# A fit of eight gauges and two coefficients with these figures, of the first gauge where they differ.
def with_figures(*, leverage=0.0, cook=0.0, normality_p=1.0, inflation=1.0, model_error_variance=1.0):
    def first(value):
        return np.append(value, np.zeros(7))

    fit = SimpleNamespace(
        coefficients=np.zeros(2),
        leverage=first(leverage),
        cook=first(cook),
        model_error_variance=model_error_variance,
    )
    diagnostics = SimpleNamespace(
        fit=fit, gauges=pd.Index([f"G{number}" for number in range(8)]), normality_p=normality_p,
        variance_inflation=np.array([inflation, 1.0]),
    )  # fmt: skip
    return SimpleNamespace(
        diagnostics=diagnostics, equation=SimpleNamespace(interval_widening_reason="held 80 % of gauges")
    )


# Limits by hand: 3 · 2 / 8 of leverage, 4 / 8 of Cook's distance, and those of the text itself.
@pytest.mark.parametrize(
    ("at", "beyond", "widening", "begins"),
    [
        ({"leverage": 0.75}, {"leverage": 0.7501}, (1.0, 1.0), "leverage above 3 k / n: G0"),
        ({"cook": 0.5}, {"cook": 0.5001}, (1.0, 1.0), "influence (Cook's distance above 4 / n): G0"),
        ({"normality_p": 0.05}, {"normality_p": 0.0499}, (1.0, 1.0), "residuals are hardly normal (Shapiro-Wilk"),
        (
            {"inflation": 10.0},
            {"inflation": 10.01},
            (1.0, 1.0),
            "predictors are nearly collinear (variance inflatio",
        ),
        ({}, {}, (1.0, 1.01), "interval widened 1.01 times: it held 80 % of gauges"),
        (
            {"model_error_variance": 1e-9},
            {"model_error_variance": 0.0},
            (1.0, 1.0),
            "sampling errors alone explain the scatter",
        ),
    ],
)
def test_a_fit_is_warned_of_beyond_each_limit_and_not_at_it(at, beyond, widening, begins):
    settings = SimpleNamespace(min_gauges=8, method="generalised")

    assert _warnings_of_fit(with_figures(**at), widening[0], settings) == []
    (text,) = _warnings_of_fit(with_figures(**beyond), widening[1], settings)
    assert text.startswith(begins)


def test_few_gauges_are_warned_of_and_an_ordinary_fit_without_scatter_is_not():
    settings = SimpleNamespace(min_gauges=9, method="ordinary")

    (text,) = _warnings_of_fit(with_figures(model_error_variance=0.0), 1.0, settings)

    assert text.startswith("only 8 gauges in the fit")


# Two catchments of 100 km² are nested from half of 10 km apart on, the root of their mean area.
@pytest.mark.parametrize(
    ("areas", "apart_km", "is_nested"),
    [
        ((100.0, 100.0), 5.0, True),
        ((100.0, 100.0), 5.001, False),
        ((50.0, 250.0), 0.5 * 150.0**0.5, True),
        ((50.0, 251.0), 1.0, False),
        ((250.0, 50.0), 6.12, True),
        ((np.nan, 50.0), 0.0, False),
    ],
)
def test_gauges_are_nested_that_are_near_for_their_areas_and_alike_to_a_factor_of_five(areas, apart_km, is_nested):
    places = np.array([[0.0, 0.0], [0.6 * apart_km, 0.8 * apart_km]])

    assert _nested_by_place(np.array(areas), places) == [(0, 1)] * is_nested


@pytest.mark.parametrize(
    ("count", "groups", "outside", "factor"),
    [
        # Of 9 the ⌈0.9 · 10⌉ = 9th; of 8 there is no 9th, and the last is taken.
        (9, 9, 2, 3.0),
        (8, 8, 3, 3.0),
        # Of 40 in nine groups 35 inside are too few, and the ⌈0.9 · 41⌉ = 37th is the second of those outside; in
        # ten groups 35 are within a standard error of 36.
        (40, 9, 5, 1.8),
        (40, 10, 5, 1.0),
    ],
)
def test_the_widening_is_the_rank_that_covers_nine_in_ten_gauges_to_come(count, groups, outside, factor):
    # Residuals of 0.5 of the half width but for those outside, from 1.0 + 2 / outside up to 3.
    residuals = np.append(np.full(count - outside, 0.5), 1.0 + 2.0 * np.arange(1, outside + 1) / outside)
    held = HeldOut(-residuals, np.ones(count), residuals <= 1.0)

    assert interval_widening(held, np.arange(count) % groups) == pytest.approx(factor)


def test_what_lies_just_beyond_its_interval_is_not_held_by_it():
    residuals = np.where(np.arange(50) < 8, 1.05, 0.5)

    assert interval_widening(HeldOut(residuals, np.ones(50), residuals <= 1.0), np.arange(50)) == 1.05
    ten = np.array([*[0.5] * 8, 1.0, 3.0])
    # One that is just at its end is: nine of ten are enough.
    assert interval_widening(HeldOut(ten, np.ones(10), ten <= 1.0), np.arange(10) % 9) == 1.0
    assert (
        interval_widening(HeldOut(np.minimum(residuals, 1.0), np.ones(50), residuals <= 1.0), np.arange(50)) == 1.0
    )


@pytest.mark.parametrize(
    ("groups", "how"), [(np.arange(24), "single gauges"), (np.arange(24) // 2, "neighbourhoods")]
)
def test_an_equation_says_why_its_interval_is_wider_be_it_by_a_little(groups, how):
    fit, names = fit_equation(gauges(), "flow_mean_m3s", ["area_km2"], "made up"), ["area_km2"]
    residuals = np.where(np.arange(24) < 4, np.nan, 0.9 + 0.01 * np.arange(24))
    held, west = HeldOut(residuals, np.ones(24), residuals <= 1.0), SimpleNamespace(name="west")

    wide = _named(fit.equation, west, 1.05, held, groups)

    # Of the 20 that could be held out those from 4 to 10 are inside.
    assert (wide.region, wide.interval_widening) == ("west", 1.05)
    assert wide.interval_widening_reason == f"held 7 of 20 gauges when {how} were held out"
    plain = _named(fit.equation, west, 1.0, held, groups)
    assert (plain.interval_widening, plain.interval_widening_reason) == (1.0, None)
    row = _summary_row(west, "flow_mean_m3s", names, fit, np.zeros(24), held, groups, 1.05)
    assert row["held_out_inside_percent"] == pytest.approx(100 * 7 / 20)
    unknown = HeldOut(0 * residuals * np.nan, np.ones(24), np.zeros(24, dtype=bool))
    none = _summary_row(west, "flow_mean_m3s", names, fit, np.zeros(24), unknown, groups, 1.0)
    assert np.isnan(none["held_out_inside_percent"])


def test_what_became_of_gauges_is_counted_by_statistic_with_zeros_apart():
    table = pd.DataFrame(
        {
            "statistic": ["mean", "mean", "mean", "exceedance_95", "exceedance_95"],
            "became": ["fitted", "fitted", "left out", "zero", "fitted"],
            "gauge": list("abcab"),
            "observed_m3s": [1.0, 0.0, np.nan, 0.0, 2.0],
        }
    )

    assert accounted(table).to_numpy().tolist() == [
        ["mean", "fitted", 2, 1],
        ["mean", "left out", 1, 0],
        ["exceedance_95", "zero", 1, 1],
        ["exceedance_95", "fitted", 1, 0],
    ]
