"""Predictors are chosen by the error at gauges left out."""

import numpy as np
import pandas as pd
import pytest
from scipy import optimize

from sitefinder.hydrology.regression import compare_predictors, fit_equation


@pytest.fixture
def gauges():
    rng = np.random.default_rng(1)
    table = pd.DataFrame(10 ** rng.uniform(0, 2, (40, 3)), columns=["area_km2", "rain_mm", "noise_m"])
    table["double_mm"] = table["rain_mm"] ** 2
    logs = np.log10(table["area_km2"]) + 0.5 * np.log10(table["rain_mm"]) + 0.05 * rng.normal(size=40)
    return table.assign(flow_mean_m3s=10**logs)


def test_the_predictor_of_the_law_is_chosen_and_every_set_is_reported(gauges):
    compared = compare_predictors(gauges, "flow_mean_m3s", ["area_km2"], ["rain_mm", "noise_m"], 2)

    assert compared["predictors"][0] == ("area_km2", "rain_mm")
    assert set(compared["predictors"]) == {
        ("area_km2",),
        ("area_km2", "rain_mm"),
        ("area_km2", "noise_m"),
        ("area_km2", "rain_mm", "noise_m"),
    }
    # R² would have had the largest set.
    full = fit_equation(gauges, "flow_mean_m3s", ["area_km2", "rain_mm", "noise_m"], "x").diagnostics
    best = fit_equation(gauges, "flow_mean_m3s", ["area_km2", "rain_mm"], "x").diagnostics
    assert full.fit.r_squared > best.fit.r_squared
    assert compared["leave_one_out_rmse_log10"][0] == pytest.approx(best.leave_one_out_rmse_log10)


def test_sets_are_judged_by_the_same_gauges(gauges):
    gauges.loc[:4, "noise_m"] = np.nan
    gauges.loc[5, "flow_mean_m3s"] = 0.0

    compared = compare_predictors(gauges, "flow_mean_m3s", ["area_km2"], ["rain_mm", "noise_m"], 1)

    assert compared["gauges"].tolist() == [34, 34, 34]


def test_copies_of_a_predictor_are_not_chosen_and_the_reason_is_reported(gauges):
    compared = compare_predictors(gauges, "flow_mean_m3s", ["area_km2"], ["rain_mm", "double_mm"], 2)

    last = compared.iloc[-1]
    assert last["predictors"] == ("area_km2", "rain_mm", "double_mm")
    assert last["why_not"] == "too few gauges, or predictors that are collinear"


def test_predictors_that_say_nearly_the_same_are_not_chosen(gauges):
    rng = np.random.default_rng(2)
    gauges["near_mm"] = gauges["rain_mm"] * 10 ** (0.02 * rng.normal(size=40))

    compared = compare_predictors(gauges, "flow_mean_m3s", ["area_km2"], ["rain_mm", "near_mm"], 2)

    assert "variance inflation above 10" in compared.iloc[-1]["why_not"]
    assert compared.iloc[-1]["greatest_inflation"] > 10


@pytest.mark.parametrize(("gain", "chosen"), [(0.019, 1), (0.021, 2)])
def test_a_larger_set_must_lower_the_error_by_a_fiftieth(gauges, gain, chosen):
    # Errors of 1 and just above and below 1 / 1.02 of it, by responses that are part of the second predictor.
    noise, extra = np.random.default_rng(3).normal(size=40), np.log10(gauges["rain_mm"])

    def compared(slope):
        logs = np.log10(gauges["area_km2"]) + 0.1 * noise + slope * (extra - extra.mean())
        table = compare_predictors(
            gauges.assign(flow_mean_m3s=10**logs), "flow_mean_m3s", ["area_km2"], ["rain_mm"], 1
        )
        return table.set_index("predictors")["leave_one_out_rmse_log10"]

    def gained(slope):
        errors = compared(slope)
        return errors[("area_km2",)] / errors[("area_km2", "rain_mm")] - 1.0

    slope = optimize.brentq(lambda slope: gained(slope) - gain, 0.0, 0.5, xtol=1e-6)

    assert len(compared(slope).index[0]) == chosen


def test_of_sets_as_small_as_each_other_the_one_of_the_least_error_is_chosen(gauges):
    rng = np.random.default_rng(4)
    near = gauges.assign(near_mm=gauges["rain_mm"] * 10 ** (0.005 * rng.normal(size=40)))

    compared = compare_predictors(near, "flow_mean_m3s", ["area_km2"], ["near_mm", "rain_mm"], 1)

    errors = compared["leave_one_out_rmse_log10"]
    assert compared["predictors"].tolist()[:2] == [("area_km2", "rain_mm"), ("area_km2", "near_mm")]
    assert errors[0] < errors[1] < 1.02 * errors[0]
    assert compared.columns.tolist() == [
        "predictors",
        "gauges",
        "leave_one_out_rmse_log10",
        "greatest_inflation",
        "why_not",
    ]


def test_gauges_need_a_flow_and_a_weight_above_nothing(gauges):
    years = np.full(40, 10.0)
    years[:3] = np.nan, 0.0, -1.0
    gauges.loc[3:5, "flow_mean_m3s"] = np.nan, 0.0, -1.0

    compared = compare_predictors(gauges.assign(years=years), "flow_mean_m3s", ["area_km2"], [], 0, "years")

    assert compared["gauges"].tolist() == [34]


@pytest.mark.parametrize(("count", "is_fitted"), [(4, True), (3, False)])
def test_a_set_needs_two_gauges_more_than_coefficients(gauges, count, is_fitted):
    compared = compare_predictors(gauges[:count], "flow_mean_m3s", ["area_km2"], [], 0)

    assert (compared["why_not"][0] == "") == is_fitted
    assert np.isfinite(compared["leave_one_out_rmse_log10"][0]) == is_fitted
