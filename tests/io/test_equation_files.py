"""Equations written as a file read back as the same equations, whatever they hold."""

import numpy as np
import pytest

from sitefinder.catalogue.equations import Equation
from sitefinder.io.catalogue_files import write_equations
from sitefinder.io.gauges import read_equations


def equation(**changes):
    predictors = [{"name": "area", "unit": "mi2", "coefficient": 1.1e-7, "minimum": 0.1, "maximum": 40.0}]
    plain = {
        "statistic": "mean",
        "form": "log10",
        "constant": -1.0 / 3.0,
        "predictors": predictors,
        "flow_unit": "ft3s",
        "standard_error_log10": 0.1,
        "gauges": 20,
        "source": 'a "quoted" source, with \\ and\ttab, in Łódź',
        "table": "table 1\nand 2",
    }
    return Equation.model_validate({**plain, **changes})


def test_every_number_and_letter_comes_back(tmp_path):
    rng = np.random.default_rng(1)
    root = rng.normal(size=(2, 2))
    equations = [
        equation(),
        equation(
            statistic="exceedance_95",
            covariance=tuple(map(tuple, (root @ root.T).tolist())),
            model_error_variance=1e-300,
            standard_error_log10=None,
            bias_correction=1.0000000000000002,
            interval_widening=1.25,
            interval_widening_reason="held 20 of 25 gauges",
            region="north",
        ),
        equation(
            statistic="7q10",
            form="untransformed",
            constant=1e20,
            predictors=[
                {"name": "area", "unit": "km2", "transform": "none", "minimum": 0.0, "maximum": 1.0},
                {"name": "slope m/m", "unit": "none", "transform": "none", "minimum": 0.0, "maximum": 1.0},
            ],
            terms=[{"coefficient": 2.0, "powers": {"area": 2.0, "slope m/m": 0.5}}],
            standard_error_log10=None,
            standard_error_percent=30.0,
        ),
        equation(
            statistic="zero_probability_7q10",
            form="logistic",
            logit_of="zero",
            predictors=[
                {
                    "name": "area",
                    "unit": "km2",
                    "transform": "log10",
                    "coefficient": -2.0,
                    "minimum": 0.5,
                    "maximum": 2e3,
                }
            ],
            flow_unit="none",
            standard_error_log10=None,
            misclassified_percent=12.5,
        ),
    ]

    write_equations(tmp_path / "equations.toml", equations, 'who wrote it: "me"')

    assert read_equations(tmp_path / "equations.toml") == equations


def test_a_number_that_is_none_is_refused(tmp_path):
    broken = equation().model_copy(update={"bias_correction": float("inf")})

    with pytest.raises(ValueError, match="holds no inf"):
        write_equations(tmp_path / "equations.toml", [broken], "")
