"""Standard errors of prediction that are printed as a pair of percentages.

U.S. Geol. Surv. Sci. Invest. Rep. 2010-5179, on June and August median flows of southern Maine, abstract: standard
error of prediction of the June median −35 to +54 %, of the August median −45 to +83 %. The two numbers of a pair
are those of one error in logarithms.
"""

import math

import pytest

from sitefinder.catalogue.equations import Equation, Predictor


@pytest.mark.parametrize(("month", "upper", "lower"), [("June", 54, -35), ("August", 83, -45)])
def test_the_lower_number_follows_from_the_upper_one_that_a_file_states(month, upper, lower):
    equation = Equation(
        statistic=f"{month.lower()}_median",
        form="log10",
        constant=0.0,
        predictors=[Predictor(name="area", unit="mi2", coefficient=1.0, minimum=0.4, maximum=74.0)],
        flow_unit="ft3s",
        standard_error_upper_percent=upper,
        gauges=31,
        source="Scientific Investigations Report 2010-5179",
        table="abstract",
    )

    # Printed to a whole percent.
    assert 100 * math.expm1(-equation.log_sd) == pytest.approx(lower, abs=0.5)
