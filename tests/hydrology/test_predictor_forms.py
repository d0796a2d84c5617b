"""Predictors as logarithm, as they are and as square root, with an offset: fitted, written and applied.

Coefficients and predictions are held against statsmodels on columns written out by hand.
"""

import numpy as np
import pandas as pd
import pytest
import statsmodels.api as sm

from sitefinder.delivery.fitted_equations import fit_flows
from sitefinder.errors import InputError
from sitefinder.hydrology.equations import apply_equation
from sitefinder.hydrology.regression import compare_predictors, fit_equation
from sitefinder.io.gauges import read_equations
from sitefinder.report.fit import fit_text
from sitefinder.settings.flows import PredictorForm

FORMS = {
    "temperature": PredictorForm(transform="linear"),
    "lakes": PredictorForm(offset=1.0),
    "slope": PredictorForm(transform="square_root"),
}
PREDICTORS = ["area_km2", "temperature", "lakes", "slope"]


# Temperatures below nought, and gauges without lakes or slope, have no logarithm.
def made(seed, count=60):
    rng = np.random.default_rng(seed)
    table = pd.DataFrame(
        {
            "area_km2": 10 ** rng.uniform(0, 3, count),
            "temperature": rng.uniform(-6, 8, count),
            "lakes": np.where(rng.uniform(size=count) < 0.4, 0.0, rng.uniform(0, 9, count)),
            "slope": np.where(rng.uniform(size=count) < 0.1, 0.0, rng.uniform(0, 0.3, count)),
        },
        index=[f"g{number}" for number in range(count)],
    )
    log_flow = (
        -2.0 + np.log10(table["area_km2"]) - 0.03 * table["temperature"] + 0.4 * np.log10(table["lakes"] + 1)
    )
    noise = 0.1 * rng.normal(size=count)
    return table.assign(flow_q95_m3s=10 ** (log_flow + 0.8 * np.sqrt(table["slope"]) + noise))


def by_hand(table):
    columns = (
        np.log10(table["area_km2"]),
        table["temperature"],
        np.log10(table["lakes"] + 1),
        table["slope"] ** 0.5,
    )
    return sm.add_constant(np.column_stack(columns))


@pytest.mark.parametrize("seed", [3, 4])
def test_a_fit_and_its_predictions_are_those_of_the_columns_written_out(seed):
    table = made(seed)

    fit = fit_equation(table, "flow_q95_m3s", PREDICTORS, "made up", forms=FORMS)

    other = sm.OLS(np.log10(table["flow_q95_m3s"]), by_hand(table)).fit()
    assert fit.diagnostics.fit.coefficients == pytest.approx(other.params.to_numpy(), rel=1e-9)
    assert fit.diagnostics.fit.standard_errors == pytest.approx(other.bse.to_numpy(), rel=1e-9)
    places = made(seed + 100, 20)
    found = apply_equation(fit.equation, places)
    predicted = other.get_prediction(by_hand(places)).summary_frame(alpha=0.1)
    assert found.flow_m3s / fit.equation.bias_correction == pytest.approx(10 ** predicted["mean"], rel=1e-9)
    assert found.high_m3s == pytest.approx(10 ** predicted["obs_ci_upper"], rel=1e-6)


def test_gauges_without_a_value_in_its_form_are_listed_with_the_reason():
    table = made(5)
    table.loc["g1", "slope"], table.loc["g2", "lakes"], table.loc["g3", "area_km2"] = -0.1, -1.0, 0.0
    table.loc["g4", "temperature"] = np.nan

    dropped = fit_equation(table, "flow_q95_m3s", PREDICTORS, "made up", forms=FORMS).diagnostics.dropped

    assert dict(zip(dropped["gauge"], dropped["reason"], strict=True)) == {
        "g1": "slope negative",
        "g2": "lakes zero with 1 added",
        "g3": "area_km2 zero",
        "g4": "temperature missing",
    }


def test_candidates_are_compared_in_their_forms_on_all_gauges_that_have_them():
    table = made(6)

    best = compare_predictors(table, "flow_q95_m3s", ["area_km2"], PREDICTORS[1:], 3, forms=FORMS).iloc[0]

    assert best["gauges"] == 60
    assert "temperature" in best["predictors"]


@pytest.fixture
def settings(tmp_path):
    def write(table, forms=True, **columns):
        table.rename_axis("gauge_id").to_csv(tmp_path / "gauges.csv")
        stated = """
        [fit.gauges.forms]
        temperature = { transform = "linear" }
        lakes = { offset = 1.0 }
        slope = { transform = "square_root" }
        """
        (tmp_path / "fit.toml").write_text(
            f"""
            [fit]
            statistics = ["flow_q95_m3s"]
            candidates = ["slope"]
            [fit.gauges]
            path = "gauges.csv"
            predictors = ["area_km2", "temperature", "lakes"]
            source = "made up"
            {stated if forms else ""}
            """
        )
        return tmp_path / "fit.toml"

    return write


def test_a_table_of_low_flows_alone_is_fitted_and_read_back(settings, tmp_path):
    table = made(7)

    fitted = fit_flows(settings(table), tmp_path / "out")

    (again,) = read_equations(tmp_path / "out" / "equations.toml")
    assert [(item.transform, item.offset, item.exponent) for item in again.predictors[:3]] == [
        ("log", 0.0, None),
        ("none", 0.0, None),
        ("log", 1.0, None),
    ]
    here = apply_equation(fitted.fits.equations[0], table).flow_m3s
    assert apply_equation(again, table).flow_m3s == pytest.approx(here, rel=1e-9)
    assert (
        "log10"
        not in (tmp_path / "out" / "plots.html").read_text(encoding="utf-8").split("temperature, linear")[1][:40]
    )


def test_coefficients_are_printed_with_their_standard_errors(settings):
    fitted = fit_flows(settings(made(8)))

    text = fit_text("made up", fitted.fits)

    row = fitted.fits.coefficients.set_index("term").loc["lakes + 1"]
    (line,) = [line.split() for line in text.splitlines() if " lakes + 1 " in line]
    assert line[line.index("1") + 1 :][:3] == [
        f"{row['coefficient']:.5g}",
        f"{row['standard_error']:.3g}",
        f"{row['t']:.2f}",
    ]


def test_a_negative_predictor_needs_a_form_that_takes_it_and_a_form_a_predictor(settings, tmp_path):
    with pytest.raises(InputError, match="temperature: negative in rows"):
        fit_flows(settings(made(9), forms=False))

    path = settings(made(9))
    path.write_text(
        path.read_text(encoding="utf-8").replace("lakes = { offset", "lake = { offset"), encoding="utf-8"
    )
    with pytest.raises(InputError, match="forms: no predictor is called lake ") as caught:
        fit_flows(path)
    assert "lakes" in str(caught.value)


def test_small_regions_are_one_warning(tmp_path, settings):
    table = pd.concat(
        [
            made(1).assign(region="a"),
            *(made(n, 6).add_prefix(f"{n}", axis=0).assign(region=f"r{n}") for n in range(2, 9)),
        ]
    )
    path = settings(table)
    path.write_text(
        path.read_text(encoding="utf-8").replace("[fit]\n", '[fit]\nregion_column = "region"\n'), encoding="utf-8"
    )

    warnings = fit_flows(path).fits.warnings

    (text,) = warnings["warning"][warnings["warning"].str.contains("not fitted")]
    assert text.startswith("7 regions have fewer than 25 gauges; not fitted: r2 (6), r3 (6)")
