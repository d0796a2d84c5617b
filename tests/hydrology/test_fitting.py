"""Fitted equations find a known law, keep count of what they leave out, and are as sure as they say."""

import numpy as np
import pandas as pd
import pytest

from sitefinder.errors import InputError
from sitefinder.hydrology.equations import apply_equation
from sitefinder.hydrology.regression import fit_equation, fit_equations, least_squares, statistic_of

LAW = np.array([-5.0, 1.05, 1.1])
PREDICTORS = ["area_km2", "precipitation_mm"]


def gauges_of_a_known_law(count, scatter_log10, seed):
    rng = np.random.default_rng(seed)
    area = 10 ** rng.uniform(0, 2.5, count)
    precipitation = rng.uniform(600, 1500, count)
    logs = LAW[0] + LAW[1] * np.log10(area) + LAW[2] * np.log10(precipitation)
    flow = 10 ** (logs + rng.normal(0, scatter_log10, count))
    return pd.DataFrame({"area_km2": area, "precipitation_mm": precipitation, "flow_mean_m3s": flow})


def test_a_law_without_scatter_is_found_exactly():
    gauges = gauges_of_a_known_law(12, 0.0, seed=1)

    equation, diagnostics = fit_equation(gauges, "flow_mean_m3s", PREDICTORS, "made up")

    assert diagnostics.fit.coefficients == pytest.approx(LAW, rel=1e-9)
    assert diagnostics.smearing_factor == pytest.approx(1.0, abs=1e-9)
    assert apply_equation(equation, gauges).flow_m3s == pytest.approx(gauges["flow_mean_m3s"].to_numpy(), rel=1e-9)


def test_ninety_in_a_hundred_intervals_hold_what_they_foretell():
    held = []
    for seed in range(300):
        both = gauges_of_a_known_law(40, 0.1, seed)
        equation = fit_equation(both[:15], "flow_mean_m3s", PREDICTORS, "made up").equation
        applied = apply_equation(equation, both[15:])
        truth = both["flow_mean_m3s"][15:].to_numpy()
        held.append(((applied.low_m3s < truth) & (truth < applied.high_m3s)).mean())

    # 300 independent fits. The share held by one fit varies by about 0.1, so their mean is good to 0.006; the
    # bound is three of these.
    assert np.mean(held) == pytest.approx(0.90, abs=0.018)


def test_the_left_out_residual_is_that_of_a_fit_without_the_row():
    gauges = gauges_of_a_known_law(10, 0.1, seed=3)
    design = np.column_stack([np.ones(10), np.log10(gauges[PREDICTORS].to_numpy())])
    response = np.log10(gauges["flow_mean_m3s"].to_numpy())
    weights = np.arange(1.0, 11.0)

    fit = least_squares(design, response, weights)

    for row in range(10):
        others = np.arange(10) != row
        without = least_squares(design[others], response[others], weights[others])
        assert fit.left_out[row] == pytest.approx(response[row] - design[row] @ without.coefficients, rel=1e-8)


def test_leverages_add_up_to_the_number_of_coefficients():
    gauges = gauges_of_a_known_law(25, 0.1, seed=4)

    diagnostics = fit_equation(gauges, "flow_mean_m3s", PREDICTORS, "made up").diagnostics

    assert diagnostics.fit.leverage.sum() == pytest.approx(3.0)


def test_zero_and_missing_flows_are_left_out_with_their_reason():
    gauges = gauges_of_a_known_law(20, 0.1, seed=5)
    gauges.index = [f"g{number:02d}" for number in range(20)]
    gauges.loc["g03", "flow_mean_m3s"] = 0.0
    gauges.loc["g07", "flow_mean_m3s"] = np.nan
    gauges.loc["g11", "precipitation_mm"] = np.nan
    before = gauges.copy()

    equation, diagnostics = fit_equation(gauges, "flow_mean_m3s", PREDICTORS, "made up")

    assert diagnostics.dropped.to_numpy().tolist() == [
        ["g03", "flow_mean_m3s zero"],
        ["g07", "flow_mean_m3s missing"],
        ["g11", "precipitation_mm missing"],
    ]
    assert equation.gauges == len(diagnostics.gauges) == 17
    pd.testing.assert_frame_equal(gauges, before)


def test_too_few_usable_gauges_are_an_error_that_counts_them():
    gauges = gauges_of_a_known_law(7, 0.1, seed=6)
    gauges.loc[[1, 2], "flow_mean_m3s"] = 0.0

    with pytest.raises(InputError, match="too few gauges to fit flow_mean_m3s") as raised:
        fit_equation(gauges, "flow_mean_m3s", PREDICTORS, "made up")

    assert "at least 6 for 3 coefficients" in str(raised.value)
    assert "5 of 7 can be used (2 flow_mean_m3s zero)" in str(raised.value)


def test_predictors_that_say_the_same_are_an_error():
    gauges = gauges_of_a_known_law(12, 0.1, seed=7)
    gauges["twice_km2"] = 2 * gauges["area_km2"]

    with pytest.raises(InputError, match="are collinear"):
        fit_equation(gauges, "flow_mean_m3s", ["area_km2", "twice_km2"], "made up")


def test_a_fitted_equation_carries_what_an_equation_file_must_say():
    gauges = gauges_of_a_known_law(12, 0.1, seed=8).assign(flow_q95_m3s=1.0, flow_7q10_m3s=0.5)

    equations = [fit.equation for fit in fit_equations(gauges, PREDICTORS, "gauges of a made-up region")]

    assert [equation.statistic for equation in equations] == ["mean", "exceedance_95", "7q10"]
    mean = equations[0]
    assert [predictor.column for predictor in mean.predictors] == PREDICTORS
    assert mean.predictors[0].minimum == gauges["area_km2"].min()
    assert mean.source == "gauges of a made-up region"
    assert mean.table == "fitted by sitefinder, ordinary least squares"


def test_a_column_without_a_unit_is_a_predictor_without_one():
    gauges = gauges_of_a_known_law(12, 0.1, seed=9).rename(columns={"area_km2": "baseflow_index"})

    equation = fit_equation(gauges, "flow_mean_m3s", ["baseflow_index"], "made up").equation

    assert equation.predictors[0].column == "baseflow_index"
    assert equation.predictors[0].unit == "none"


def test_a_table_without_flows_is_an_error():
    with pytest.raises(InputError, match="no flow statistics"):
        fit_equations(pd.DataFrame({"area_km2": [1.0]}), ["area_km2"], "made up")


@pytest.mark.parametrize(
    ("column", "statistic"),
    [
        ("flow_mean_m3s", "mean"),
        ("flow_q05_m3s", "exceedance_5"),
        ("flow_q99.9_m3s", "exceedance_99.9"),
        ("flow_7q10_m3s", "7q10"),
        ("record_years", None),
    ],
)
def test_flow_columns_are_known_by_their_names(column, statistic):
    assert statistic_of(column) == statistic
