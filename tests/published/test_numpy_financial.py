"""Annuity and net present value against the worked examples of the numpy-financial library.

numpy-financial developers, documentation of ``pmt``: the monthly payment on 200 000 at 7.5 % a year over 15 years;
tests of ``npv``: 15 000 paid for five yearly receipts at 5 %; both read there.
"""

import numpy as np
import pytest

from sitefinder.energy.costs import capital_recovery_factor, discount_factor


def test_monthly_payment_agrees_with_the_documented_example():
    payment = 200_000 * capital_recovery_factor(0.075 / 12, 12 * 15)

    # Printed as a double with a minus sign, money paid out; the two forms of the formula round differently.
    assert payment == pytest.approx(1854.0247200054619, rel=1e-13)


def test_net_present_value_agrees_with_the_documented_example():
    receipts = np.array([1500, 2500, 3500, 4500, 6000])

    value = -15_000 + (receipts * discount_factor(0.05, np.arange(1, 6))).sum()

    # Printed as 122.89 and tested there to 1 %; the last digit holds here.
    assert value == pytest.approx(122.89, abs=0.005)
