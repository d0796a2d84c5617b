"""Equation files are judged whole, and equations never pass over what is missing."""

import numpy as np
import pandas as pd
import pytest

from sitefinder.catalogue.equations import LN_10, check_equations, log10_from_percent
from sitefinder.errors import ConfigError, InputError
from sitefinder.hydrology.equations import apply_equation, zero_probability
from sitefinder.units import KM2_PER_SQUARE_MILE, M3S_PER_CUBIC_FOOT_SECOND

AREA = {"name": "area", "unit": "km2", "coefficient": 1.0, "minimum": 1.0, "maximum": 100.0}


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


def test_every_problem_of_a_file_is_reported_at_once():
    predictor = {"name": "area", "unit": "acre", "coefficient": 1.0, "maximum": 100.0}
    mapping = file_with(source=None, flow_unit="cfs", predictors=[predictor], standrd_error=3)

    with pytest.raises(ConfigError) as raised:
        check_equations(mapping, "equations.toml")

    assert str(raised.value) == (
        "equations.toml: 5 problems\n"
        "  equations[1].flow_unit: flow unit 'cfs' is not known; known are m3s, ls, ft3s\n"
        "  equations[1].predictors[1].minimum: missing\n"
        "  equations[1].predictors[1].unit: unit 'acre' is not known; known are "
        "km2, mi2, mm, in, m, ft, m3s, ls, ft3s, percent, fraction, none, "
        "km, mi, m_per_km, ft_per_mi, degc, degf, degf10\n"
        "  equations[1].source: missing\n"
        "  equations[1].standrd_error: no such setting; did you mean standard_error_log10?\n"
        "  fix:  correct these keys in the file"
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
        ({"gauges": 2}, "2 gauges leave no degrees of freedom for 2 coefficients"),
        ({"predictors": []}, "there are no predictors"),
        ({"predictors": [AREA, AREA]}, "a predictor occurs twice"),
        ({"predictors": [{**AREA, "minimum": 200.0}]}, "minimum .* is above maximum"),
        ({"predictors": [{**AREA, "minimum": 0.0}]}, "has no logarithm"),
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


def test_an_equation_without_source_range_and_error_has_all_three_reported_at_once():
    predictor = {"name": "area", "unit": "km2", "coefficient": 1.0}
    mapping = file_with(source=None, standard_error_percent=None, predictors=[predictor])

    with pytest.raises(ConfigError) as raised:
        check_equations(mapping, "equations.toml")

    assert str(raised.value) == (
        "equations.toml: 4 problems\n"
        "  equations[1].predictors[1].maximum: missing\n"
        "  equations[1].predictors[1].minimum: missing\n"
        "  equations[1].source: missing\n"
        "  equations[1]: no error: give standard_error_log10, standard_error_percent, "
        "standard_error_upper_percent, standard_error_in_flow_unit, a covariance, "
        "or misclassified_percent of a logistic equation\n"
        "  fix:  correct these keys in the file"
    )


LOGISTIC = {
    "statistic": "zero_flow_probability",
    "form": "logistic",
    "logit_of": "zero",
    "factor": None,
    "constant": 1.0,
    "flow_unit": None,
    "standard_error_percent": None,
    "misclassified_percent": 12.0,
    "predictors": [{**AREA, "transform": "log10"}],
}
UNTRANSFORMED = {"form": "untransformed", "factor": None, "predictors": [{**AREA, "transform": "none"}]}


@pytest.mark.parametrize(
    ("changes", "message"),
    [
        ({**LOGISTIC, "logit_of": None}, r'logit_of \("zero" or "flow"\) belongs'),
        ({**LOGISTIC, "statistic": "mean"}, "belong together"),
        ({**LOGISTIC, "form": "log10", "logit_of": None, "flow_unit": "m3s"}, "belong together"),
        ({**LOGISTIC, "constant": None}, "a logistic equation needs a constant"),
        ({**LOGISTIC, "misclassified_percent": None}, "no error: "),
        (
            {**LOGISTIC, "standard_error_percent": 20.0, "misclassified_percent": None},
            "is not an error of the form",
        ),
        ({**LOGISTIC, "predictors": [AREA]}, "no logarithm of its own"),
        ({"flow_unit": "none"}, "only a probability has none"),
        ({"misclassified_percent": 3.0, "standard_error_percent": None}, "is not an error of the form log10"),
        ({**UNTRANSFORMED, "factor": 2.0}, "factor is for a power law"),
        ({**UNTRANSFORMED, "bias_correction": 1.1}, "bias_correction is for logarithms"),
        ({**UNTRANSFORMED, "predictors": [AREA]}, "no logarithm of its own"),
        (
            {"standard_error_in_flow_unit": 3.0, "standard_error_percent": None},
            "is not an error of the form log10",
        ),
        ({"predictors": [{**AREA, "transform": "power"}]}, "power.*belong together"),
        ({"predictors": [{**AREA, "exponent": 2.0}]}, "power.*belong together"),
        ({"predictors": [{**AREA, "coefficient": None}]}, "area: give a coefficient, or use it in a term"),
        ({"terms": [{"coefficient": 1.0, "powers": {"slope": 1}}]}, "terms use slope, which is not a predictor"),
        ({"terms": [{"coefficient": 1.0, "powers": {}}]}, "at least 1 item"),
    ],
)
def test_forms_and_terms_that_do_not_fit_together_do_not_load(changes, message):
    with pytest.raises(ConfigError, match=message):
        check_equations(file_with(**changes), "equations.toml")


def test_an_untransformed_equation_is_a_plain_sum_with_an_error_in_flow():
    (equation,) = check_equations(
        file_with(
            **{**UNTRANSFORMED, "standard_error_percent": None},
            standard_error_in_flow_unit=0.5,
            constant=-2.0,
            flow_unit="ft3s",
        ),
        "equations.toml",
    )

    applied = apply_equation(equation, pd.DataFrame({"area_km2": [12.0, 3.0, 1.0, np.nan]}))

    # −2 + 1 · area [ft³/s]; below nothing is nothing, and says so.
    assert applied.flow_m3s[:3] / M3S_PER_CUBIC_FOOT_SECOND == pytest.approx([10.0, 1.0, 0.0], abs=1e-12)
    assert applied.negative.tolist() == [False, False, True, False]
    assert applied.missing.tolist() == [False, False, False, True]
    # 0.5 of 10 is 5 %, of 1 is 50 %: the same spread as an error of this percentage.
    assert applied.log_sd[:2] / LN_10 == pytest.approx([log10_from_percent(5), log10_from_percent(50)])
    assert (applied.low_m3s[:2] > 0).all()
    assert (applied.low_m3s[2], applied.high_m3s[2]) == (0.0, 0.0)
    assert np.isnan(applied.flow_m3s[3])


def test_without_a_constant_there_is_one_coefficient_less():
    (with_none,) = check_equations(file_with(**UNTRANSFORMED), "equations.toml")
    (with_zero,) = check_equations(file_with(**UNTRANSFORMED, constant=0.0), "equations.toml")
    place = pd.DataFrame({"area_km2": [10.0]})

    none, zero = apply_equation(with_none, place), apply_equation(with_zero, place)

    assert (with_none.coefficients, with_zero.coefficients) == (1, 2)
    assert none.flow_m3s == zero.flow_m3s
    # t(0.95) is 1.6991 with 29 degrees of freedom and 1.7011 with 28, in any table.
    assert np.log(none.high_m3s / none.flow_m3s) / none.log_sd == pytest.approx(1.6991, abs=0.5e-4)
    assert np.log(zero.high_m3s / zero.flow_m3s) / zero.log_sd == pytest.approx(1.7011, abs=0.5e-4)


def test_a_term_with_powers_is_their_product():
    predictors = [
        {**AREA, "coefficient": None, "transform": "none"},
        {"name": "slope", "unit": "none", "transform": "none", "minimum": 0.0, "maximum": 1.0},
    ]
    terms = [{"coefficient": 3.0, "powers": {"area": 0.5, "slope": 2}}]
    (equation,) = check_equations(
        file_with(**{**UNTRANSFORMED, "predictors": predictors}, terms=terms), "equations.toml"
    )

    applied = apply_equation(equation, pd.DataFrame({"area_km2": [16.0, 16.0, -1.0], "slope": [0.5, 0.0, 0.5]}))

    # 3 · 4 · 0.25, and the root of a negative area is missing.
    assert applied.flow_m3s[:2] == pytest.approx([3.0, 0.0])
    assert applied.missing.tolist() == [False, False, True]


def test_a_temperature_in_tenths_of_degrees_fahrenheit_is_converted_with_its_zero():
    temperature = {"name": "temperature", "unit": "degf10", "coefficient": 1.0, "minimum": 320.0, "maximum": 900.0}
    (equation,) = check_equations(file_with(factor=1.0, predictors=[temperature]), "equations.toml")

    applied = apply_equation(equation, pd.DataFrame({"temperature_degc": [10.0, -10.0]}))

    # 10 °C is 50 °F, −10 °C is 14 °F.
    assert applied.flow_m3s == pytest.approx([500.0, 140.0])
    assert applied.outside["temperature_degc"].tolist() == [False, True]


def test_leverage_is_flagged_above_the_gauges_greatest_or_three_times_the_mean():
    # Ordinary least squares at log areas 0, 1, 2 and at every place twice: (XᵀX)⁻¹ by hand.
    design = np.array([[1.0, 0.0], [1.0, 1.0], [1.0, 2.0]] * 2)
    covariance = (0.04 * np.linalg.inv(design.T @ design)).tolist()
    changes = {"standard_error_percent": None, "covariance": covariance, "model_error_variance": 0.04, "gauges": 6}
    (by_mean,) = check_equations(file_with(**changes), "equations.toml")
    (by_gauges,) = check_equations(file_with(**changes, greatest_leverage=5 / 12), "equations.toml")
    stations = pd.DataFrame({"area_km2": [10.0, 100.0, 1e3, 10**3.75, 0.1]})

    first, second = apply_equation(by_mean, stations), apply_equation(by_gauges, stations)

    # 1/6 + (x − 1)²/4; the limit 3 · 2/6 = 1 lies at x = 1 ± 1.826, the gauges' own at x = 1 ± 1.
    assert first.leverage == pytest.approx([1 / 6, 5 / 12, 7 / 6, 1 / 6 + 2.75**2 / 4, 7 / 6])
    assert first.beyond_leverage.tolist() == [False, False, True, True, True]
    assert second.beyond_leverage.tolist() == [False, False, True, True, True]
    closer = apply_equation(by_gauges, pd.DataFrame({"area_km2": [10**2.1]}))
    assert (closer.leverage > 5 / 12).all()
    assert closer.beyond_leverage.all()
    assert not apply_equation(by_mean, pd.DataFrame({"area_km2": [10**2.1]})).beyond_leverage.any()


def test_without_a_covariance_there_is_no_leverage_and_no_flag():
    (equation,) = check_equations(file_with(), "equations.toml")

    applied = apply_equation(equation, pd.DataFrame({"area_km2": [1e9]}))

    assert np.isnan(applied.leverage).all()
    assert not applied.beyond_leverage.any()


def test_a_logistic_equation_gives_no_flow_and_its_sign_is_the_files():
    of_zero = check_equations(file_with(**LOGISTIC), "equations.toml")[0]
    of_flow = check_equations(file_with(**{**LOGISTIC, "logit_of": "flow"}), "equations.toml")[0]
    stations = pd.DataFrame({"area_km2": [1.0, 1e6, np.nan]})

    zero, flow = zero_probability(of_zero, stations), zero_probability(of_flow, stations)

    # z = 1 + log10 A: 1/(1 + e⁻¹) = 0.731059.
    assert zero.zero[0] == pytest.approx(0.731059, abs=0.5e-6)
    assert zero.zero[:2] + flow.zero[:2] == pytest.approx([1.0, 1.0])
    assert zero.outside["area_km2"].tolist() == [False, True, False]
    assert zero.missing.tolist() == [False, False, True]
    assert np.isnan(zero.zero[2])
    with pytest.raises(ValueError, match="gives a probability, not a flow"):
        apply_equation(of_zero, stations)


def test_two_equations_for_one_statistic_and_region_do_not_load():
    twice = {"equations": file_with()["equations"] * 2}

    with pytest.raises(ConfigError, match="mean occurs more than once for one region"):
        check_equations(twice, "equations.toml")


def test_a_file_without_equations_does_not_load():
    with pytest.raises(ConfigError, match="the file has none"):
        check_equations({"equations": []}, "equations.toml")


def test_what_the_head_of_a_file_states_holds_for_its_equations():
    mapping = {**file_with(source=None, table="table 3"), "source": "head", "table": "table 1"}

    (equation,) = check_equations(mapping, "equations.toml")

    assert (equation.source, equation.table) == ("head", "table 3")


def test_an_offset_lets_a_predictor_of_zero_be_logged():
    wetland = {
        "name": "wetland",
        "unit": "percent",
        "coefficient": 2.0,
        "offset": 1.0,
        "minimum": 0.0,
        "maximum": 50.0,
    }
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
    for maximum in np.arange(1.1, 60.0, 1.7):
        predictor = {**AREA, "unit": "mi2", "minimum": 0.1, "maximum": float(maximum)}
        (equation,) = check_equations(file_with(predictors=[predictor]), "equations.toml")
        ends = np.array([0.1, maximum]) * KM2_PER_SQUARE_MILE

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


def test_a_logarithm_to_base_e_has_its_error_in_it():
    (equation,) = check_equations(file_with(form="ln"), "equations.toml")

    applied = apply_equation(equation, pd.DataFrame({"area_km2": [50.0]}))

    assert applied.log_sd == pytest.approx([np.sqrt(np.log1p(0.2**2))])


PLAIN = {"form": "untransformed", "factor": None, "constant": 0.0, "predictors": [{**AREA, "transform": "none"}]}


def test_a_percentage_of_a_flow_below_one_is_that_percentage():
    (equation,) = check_equations(file_with(**PLAIN), "equations.toml")

    applied = apply_equation(equation, pd.DataFrame({"area_km2": [0.5]}))

    assert applied.log_sd == pytest.approx([np.sqrt(np.log1p(0.2**2))])


@pytest.mark.parametrize(
    ("variance", "standard_error", "leverage"),
    # At 3 km² a sampling variance of 4 + 9/4 is over the greater of the model's and the squared error.
    [(4.0, 3.0, 6.25 / 9), (16.0, 3.0, 6.25 / 16), (1.0, None, 6.25), (0.0, None, np.nan)],
)
def test_leverage_of_an_untransformed_equation_is_over_the_greater_variance(variance, standard_error, leverage):
    changes = {
        "covariance": [[4.0, 0.0], [0.0, 0.25]],
        "model_error_variance": variance,
        "standard_error_in_flow_unit": standard_error,
        "standard_error_percent": None,
    }
    (equation,) = check_equations(file_with(**PLAIN, **changes), "equations.toml")

    applied = apply_equation(equation, pd.DataFrame({"area_km2": [3.0]}))

    assert applied.leverage == pytest.approx([leverage], nan_ok=True)


def test_a_value_a_billionth_past_the_range_is_in_it_and_one_further_is_not():
    (equation,) = check_equations(file_with(), "equations.toml")
    past = np.array([1e-10, 1e-8])

    for end in (100.0 + 100.0 * past, 1.0 - 100.0 * past):
        applied = apply_equation(equation, pd.DataFrame({"area_km2": end}))
        assert applied.outside["area_km2"].tolist() == [False, True]
