"""Standard errors of prediction that are printed as a pair of percentages.

U.S. Geol. Surv. Sci. Invest. Rep. 2010-5179, on June and August median flows of southern Maine, abstract: standard
error of prediction of the June median −35 to +54 %, of the August median −45 to +83 %. The two numbers of a pair
are those of one error in logarithms: (1 + upper) (1 + lower) = 1.
"""

import pytest

from sitefinder.flows.equations import Equation, Predictor
from sitefinder.flows.standard_errors import log10_from_upper_percent, percent_pair_from_log10

PAIRS = [("June", 54, -35), ("August", 83, -45)]


@pytest.mark.parametrize(("month", "upper", "lower"), PAIRS)
def test_the_lower_number_follows_from_the_upper_one(month, upper, lower):
    pair = percent_pair_from_log10(log10_from_upper_percent(upper))

    # Both are printed to a whole percent.
    assert pair == pytest.approx((upper, lower), abs=0.5)
    assert (1 + pair[0] / 100) * (1 + pair[1] / 100) == pytest.approx(1.0, abs=1e-12)


@pytest.mark.parametrize(("month", "upper", "lower"), PAIRS)
def test_a_file_may_state_the_upper_number(month, upper, lower):
    equation = Equation(
        statistic=f"{month.lower()}_median",
        form="log10",
        constant=0.0,
        predictors=[Predictor(name="area", unit="mi2", coefficient=1.0, least=0.4, most=74.0)],
        flow_unit="ft3s",
        standard_error_upper_percent=upper,
        gauges=31,
        source="Scientific Investigations Report 2010-5179",
        table="abstract",
    )

    # One standard error up is × 1.54, and so on.
    assert equation.log_sd == pytest.approx({"June": 0.43178, "August": 0.60432}[month], abs=0.5e-5)
