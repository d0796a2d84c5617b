"""Equation files are judged whole, and equations never pass over what is missing."""

import numpy as np
import pandas as pd
import pytest

from sitefinder.errors import ConfigError, InputError
from sitefinder.flows.equations import apply_equation, check_equations
from sitefinder.units import KM2_PER_SQUARE_MILE

AREA = {"name": "area", "unit": "km2", "coefficient": 1.0, "least": 1.0, "most": 100.0}


def file_with(**changes):
    equation = {
        "statistic": "mean",
        "form": "log10",
        "factor": 0.02,
        "predictors": [AREA],
        "flow_unit": "m3s",
        "standard_error_percent": 20.0,
        "gauges": 30,
        "source": "made up",
        "table": "made up",
    }
    equation.update(changes)
    return {"equations": [{key: value for key, value in equation.items() if value is not None}]}


def test_every_problem_of_a_file_is_told_at_once():
    predictor = {"name": "area", "unit": "acre", "coefficient": 1.0, "most": 100.0}
    mapping = file_with(source=None, flow_unit="cfs", predictors=[predictor], standrd_error=3)

    with pytest.raises(ConfigError) as raised:
        check_equations(mapping, "equations.toml")

    assert str(raised.value) == (
        "equations.toml: 5 problems\n"
        "  equations[1].flow_unit: flow unit 'cfs' is not known; known are m3s, ls, ft3s\n"
        "  equations[1].predictors[1].least: missing\n"
        "  equations[1].predictors[1].unit: unit 'acre' is not known; known are "
        "km2, mi2, mm, in, m, ft, m3s, ls, ft3s, percent, fraction, none\n"
        "  equations[1].source: missing\n"
        "  equations[1].standrd_error: no such setting; did you mean standard_error_log10?"
    )


@pytest.mark.parametrize(
    ("changes", "message"),
    [
        ({"source": " "}, r"equations\[1\].source: string should have at least 1 character"),
        ({"table": None}, r"equations\[1\].table: missing"),
        ({"standard_error_percent": None}, "no error: give standard_error_log10"),
        ({"standard_error_percent": 0.0}, "greater than 0"),
        ({"standard_error_log10": 0.1}, "not both"),
        ({"factor": None}, "give either constant or factor"),
        ({"constant": 1.0}, "give either constant or factor"),
        ({"factor": float("nan")}, "finite number"),
        ({"gauges": 2}, "2 gauges leave no degree of freedom for 2 coefficients"),
        ({"predictors": []}, "it has no predictors"),
        ({"predictors": [AREA, AREA]}, "a predictor stands twice"),
        ({"predictors": [{**AREA, "least": 200.0}]}, "least .* is above most"),
        ({"predictors": [{**AREA, "least": 0.0}]}, "has no logarithm"),
        ({"covariance": [[1.0, 0.0], [0.0, 1.0]]}, "belong together"),
        ({"covariance": [[1.0]], "model_error_variance": 0.1}, "symmetric 2 × 2 matrix"),
        ({"covariance": [[1.0, 0.5], [0.0, 1.0]], "model_error_variance": 0.1}, "symmetric 2 × 2 matrix"),
        ({"statistic": "exceedance_120"}, "a percentage between 0 and 100"),
        ({"statistic": "Mean flow"}, "lower case letters"),
    ],
)
def test_an_equation_that_is_not_whole_does_not_load(changes, message):
    with pytest.raises(ConfigError, match=message):
        check_equations(file_with(**changes), "equations.toml")


def test_two_equations_for_one_statistic_and_region_do_not_load():
    twice = {"equations": file_with()["equations"] * 2}

    with pytest.raises(ConfigError, match="mean stands more than once for one region"):
        check_equations(twice, "equations.toml")


def test_a_file_without_equations_does_not_load():
    with pytest.raises(ConfigError, match="the file has none"):
        check_equations({"equations": []}, "equations.toml")


def test_what_stands_at_the_head_of_a_file_holds_for_its_equations():
    mapping = {**file_with(source=None, table="table 3"), "source": "head", "table": "table 1"}

    (equation,) = check_equations(mapping, "equations.toml")

    assert (equation.source, equation.table) == ("head", "table 3")


def test_an_offset_lets_a_predictor_of_zero_be_logged():
    wetland = {"name": "wetland", "unit": "percent", "coefficient": 2.0, "offset": 1.0, "least": 0.0, "most": 50.0}
    (equation,) = check_equations(file_with(factor=5.0, predictors=[wetland]), "equations.toml")

    applied = apply_equation(equation, pd.DataFrame({"wetland_percent": [0.0, 1.0]}))

    assert applied.flow_m3s == pytest.approx([5.0, 20.0])


def test_a_missing_predictor_gives_no_flow_and_says_so():
    (equation,) = check_equations(file_with(), "equations.toml")

    applied = apply_equation(equation, pd.DataFrame({"area_km2": [50.0, np.nan, 0.0, -3.0, np.inf]}))

    assert applied.missing.tolist() == [False, True, True, True, True]
    for numbers in (applied.flow_m3s, applied.low_m3s, applied.high_m3s, applied.log_sd):
        assert np.isfinite(numbers).tolist() == [True, False, False, False, False]


def test_the_very_ends_of_a_range_in_square_miles_are_inside():
    for most in np.arange(1.1, 60.0, 1.7):
        predictor = {**AREA, "unit": "mi2", "least": 0.1, "most": float(most)}
        (equation,) = check_equations(file_with(predictors=[predictor]), "equations.toml")
        ends = np.array([0.1, most]) * KM2_PER_SQUARE_MILE

        applied = apply_equation(equation, pd.DataFrame({"area_km2": ends}))

        assert not applied.outside["area_km2"].any()


def test_a_station_table_without_the_column_is_an_error_that_names_it():
    (equation,) = check_equations(file_with(), "equations.toml")

    with pytest.raises(InputError, match="needs predictors that the stations do not have") as raised:
        apply_equation(equation, pd.DataFrame({"elevation_m": [1.0]}))

    assert "inputs.covariates: area_km2" in str(raised.value)


def test_applying_an_equation_leaves_the_table_as_it_was():
    (equation,) = check_equations(file_with(), "equations.toml")
    table = pd.DataFrame({"area_km2": [50.0, np.nan]})
    before = table.copy()

    apply_equation(equation, table)

    pd.testing.assert_frame_equal(table, before)
