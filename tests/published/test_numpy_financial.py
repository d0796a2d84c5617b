"""Annuity against the worked example of the numpy-financial library.

numpy-financial developers, documentation of ``pmt``: the monthly payment on 200 000 at 7.5 % a year over 15 years;
read there.
"""

import pytest

from sitefinder.power.cost import capital_recovery_factor


def test_monthly_payment_agrees_with_the_documented_example():
    payment = 200_000 * capital_recovery_factor(0.075 / 12, 12 * 15)

    # Printed as a double with a minus sign, money paid out; the two forms of the formula round differently.
    assert payment == pytest.approx(1854.0247200054619, rel=1e-13)
