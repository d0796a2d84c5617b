"""Equations of several forms against values asserted in the test-suite of a public regression-equation service.

US Geological Survey, NSS Services (National Streamflow Statistics), test-suite: expressions, inputs and values
read there. The reports behind the expressions are from memory, to a middling degree: Colorado SIR 2009-5136,
Vermont SIR 2014-5078, Iowa SIR 2012-5171, Massachusetts SIR 2006-5031. The service's parser cuts its constants
short, so values are compared to one part in a million.

Ranges and errors of these equations are not part of the check; wide ones stand in.
"""

import pandas as pd
import pytest

from sitefinder.catalogue.equations import Equation, Predictor, Term
from sitefinder.hydrology.equations import apply_equation, zero_probability
from sitefinder.units import M3S_PER_CUBIC_FOOT_SECOND, TO_INTERNAL_UNIT

# name, factor, (predictor, unit, exponent, offset, value), answer [ft³/s]
EXPRESSIONS = [
    (
        "Colorado low flow",
        2.75423e-19,
        [
            ("area", "mi2", 1.17, 0.0, 2.9),
            ("precipitation", "in", 1.86, 0.0, 15.03),
            ("elevation", "ft", 3.56, 0.0, 9450.0),
        ],
        0.0210226193415481,
    ),
    (
        "Vermont",
        0.145,
        [
            ("area", "mi2", 0.900, 0.0, 77.8),
            ("wetland", "percent", -0.274, 1.0, 1.38),
            ("precipitation", "in", 1.569, 0.0, 47.0),
        ],
        2418.73956712741,
    ),
    (
        "New York",
        0.037,
        [
            ("area", "mi2", 1.029, 0.0, 3.55),
            ("slope_ratio", "none", 0.317, 0.0, 0.21),
            ("storage", "percent", -0.104, 0.5, 0.55),
            ("runoff", "in", 2.308, 0.0, 19.4),
        ],
        77.5484110086448,
    ),
]


@pytest.mark.parametrize("form", ["log10", "ln"])
@pytest.mark.parametrize(("name", "factor", "terms", "answer"), EXPRESSIONS, ids=[row[0] for row in EXPRESSIONS])
def test_the_services_value_is_reproduced(name, factor, terms, answer, form):
    equation = Equation(
        statistic="index",
        form=form,
        factor=factor,
        predictors=[
            Predictor(name=term, unit=unit, coefficient=exponent, offset=offset, minimum=1e-3, maximum=1e5)
            for term, unit, exponent, offset, _ in terms
        ],
        flow_unit="ft3s",
        standard_error_percent=50.0,
        gauges=50,
        source=name,
        table="test-suite of the service",
    )
    columns = [predictor.column for predictor in equation.predictors]
    values = [value * TO_INTERNAL_UNIT[unit][1] for _, unit, _, _, value in terms]

    applied = apply_equation(equation, pd.DataFrame([values], columns=columns))

    assert applied.flow_m3s / M3S_PER_CUBIC_FOOT_SECOND == pytest.approx(answer, rel=1e-6)


# name, constant, (predictor, unit, transform, exponent, coefficient, value), what the logit is of, printed value.
# Iowa prints the probability of zero flow as 1 − e^z / (1 + e^z), so its z is the logit of flow; Massachusetts
# prints that of perennial flow, e^z / (1 + e^z).
PROBABILITIES = [
    (
        "Iowa",
        -3.99,
        [("area", "mi2", "log10", None, 1.73, 891.0), ("base_flow_index", "none", "none", None, 8.21, 0.532)],
        0.00414785102067905,
        "zero",
    ),
    (
        "Iowa, other season",
        -32.7,
        [("area", "mi2", "power", 0.05, 23.7, 0.85), ("base_flow_index", "none", "none", None, 8.61, 0.531059)],
        0.990237401384276,
        "zero",
    ),
    (
        "Massachusetts",
        2.8084,
        [
            ("area", "mi2", "ln", None, 0.9884, 4.4),
            ("sand_and_gravel", "percent", "none", None, 0.0111, 30.43),
            ("forest", "percent", "none", None, -0.0233, 59.98),
            ("region", "none", "none", None, 0.75, 1.0),
        ],
        0.981349522920335,
        "flow",
    ),
]


@pytest.mark.parametrize(
    ("name", "constant", "predictors", "printed", "printed_of"),
    PROBABILITIES,
    ids=[row[0] for row in PROBABILITIES],
)
def test_the_services_probability_is_reproduced(name, constant, predictors, printed, printed_of):
    equation = Equation(
        statistic="zero_flow_probability",
        form="logistic",
        logit_of="flow",
        constant=constant,
        predictors=[
            Predictor(
                name=term,
                unit=unit,
                transform=transform,
                exponent=exponent,
                coefficient=coefficient,
                minimum=1e-3,
                maximum=1e5,
            )
            for term, unit, transform, exponent, coefficient, _ in predictors
        ],
        misclassified_percent=50.0,
        gauges=50,
        source=name,
        table="test-suite of the service",
    )
    columns = [predictor.column for predictor in equation.predictors]
    values = [value * TO_INTERNAL_UNIT[unit][1] for _, unit, _, _, _, value in predictors]

    zero = zero_probability(equation, pd.DataFrame([values], columns=columns)).zero

    assert (zero if printed_of == "zero" else 1 - zero) == pytest.approx(printed, rel=1e-6)


def test_ohios_area_times_a_polynomial_is_reproduced():
    """A (0.795 − 3.740 v + 6.633 v² − 5.234 v³ + 1.543 v⁴) for v up to 0.80, at A = 0.73 and v = 0.61."""
    factors = [0.795, -3.740, 6.633, -5.234, 1.543]
    equation = Equation(
        statistic="index",
        form="untransformed",
        predictors=[
            Predictor(name="area", unit="mi2", transform="none", minimum=0.1, maximum=100.0),
            Predictor(name="variability", unit="none", transform="none", minimum=0.1, maximum=0.80),
        ],
        terms=[
            Term(coefficient=factor, powers={"area": 1, "variability": power})
            for power, factor in enumerate(factors)
        ],
        flow_unit="ft3s",
        standard_error_percent=50.0,
        gauges=50,
        source="Ohio",
        table="test-suite of the service",
    )
    stations = pd.DataFrame(
        {"area_km2": [0.73 * TO_INTERNAL_UNIT["mi2"][1]] * 2, "variability": [0.61, 0.81]}, dtype=float
    )

    applied = apply_equation(equation, stations)

    flow_ft3s = applied.flow_m3s[0] / M3S_PER_CUBIC_FOOT_SECOND
    assert flow_ft3s == pytest.approx(0.73 * sum(f * 0.61**power for power, f in enumerate(factors)), rel=1e-12)
    # The sum is 1/340 of its greatest part, so the service's short digits show: it lies 2.1 parts in a million
    # lower, and that is what v⁴ = 0.13845841 cut after its seventh digit makes.
    cut = 0.73 * factors[4] * (0.61**4 - 0.1384584)
    assert flow_ft3s - cut == pytest.approx(0.00537430177781314, rel=1e-8)
    assert applied.outside["variability"].tolist() == [False, True]
