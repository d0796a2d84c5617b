"""Standard errors in percent.

K. Eng, Y.-Y. Chen, J. E. Kiang, "User's guide to the weighted-multiple-linear-regression program," U.S. Geol.
Surv. Tech. Methods 4-A8, 2009, equation 34, read as code of the program; the table is derived from it.
"""

import pytest

from sitefinder.flows.standard_errors import (
    log10_from_percent,
    percent_from_log10,
    percent_pair_from_log10,
)

# Standard error in log10 units, in percent.
TABLE = [
    (0.05, 11.551),
    (0.10, 23.334),
    (0.15, 35.595),
    (0.20, 48.605),
    (0.25, 62.680),
    (0.30, 78.199),
    (0.40, 115.572),
]


@pytest.mark.parametrize(("log10", "percent"), TABLE)
def test_the_table_is_reproduced_both_ways(log10, percent):
    assert percent_from_log10(log10) == pytest.approx(percent, abs=0.5e-3)
    # Half of the last digit of the percentage is under 3e-6 of the logarithm all along the table.
    assert log10_from_percent(percent) == pytest.approx(log10, abs=3e-6)


def test_the_asymmetric_pair_is_reproduced():
    assert percent_pair_from_log10(0.2) == pytest.approx((58.49, -36.90), abs=0.5e-2)
