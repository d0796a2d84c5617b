"""Predictors are chosen by the error at gauges left out."""

import numpy as np
import pandas as pd
import pytest

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
