"""Power-law equations against values asserted in the test-suite of a public regression-equation service.

US Geological Survey, NSS Services (National Streamflow Statistics), test-suite: expressions, inputs and values
read there. The reports behind the expressions are from memory, to a middling degree: Colorado SIR 2009-5136,
Vermont SIR 2014-5078. The service's parser cuts its constants short, so values are compared to one part in a
million.

Ranges and errors of these equations are not part of the check; wide ones stand in.
"""

import pandas as pd
import pytest

from sitefinder.flows.equations import Equation, Predictor, apply_equation
from sitefinder.units import M3S_PER_CUBIC_FOOT_SECOND, TO_KEPT_UNIT

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
            Predictor(name=term, unit=unit, coefficient=exponent, offset=offset, least=1e-3, most=1e5)
            for term, unit, exponent, offset, _ in terms
        ],
        flow_unit="ft3s",
        standard_error_percent=50.0,
        gauges=50,
        source=name,
        table="test-suite of the service",
    )
    columns = [predictor.column for predictor in equation.predictors]
    values = [value * TO_KEPT_UNIT[unit][1] for _, unit, _, _, value in terms]

    applied = apply_equation(equation, pd.DataFrame([values], columns=columns))

    assert applied.flow_m3s / M3S_PER_CUBIC_FOOT_SECOND == pytest.approx(answer, rel=1e-6)
