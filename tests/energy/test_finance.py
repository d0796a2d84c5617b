"""Financial figures: against numpy-financial on cash flows written out year by year, and what must hold."""

import numpy as np
import numpy_financial
import pytest
from hypothesis import assume, example, given
from hypothesis import settings as how
from hypothesis import strategies as st

from sitefinder.energy.costs import value_of_energy, yearly_cost
from sitefinder.energy.finance import (
    CashFlow,
    annuity_factor,
    break_even_price_per_kwh,
    discounted_payback_years,
    internal_rate_of_return,
    net_present_value,
)
from sitefinder.settings import CostSettings


# Payments year by year: capital now, a surplus at each year's end, the overhaul at the end of the middle year.
def payments(flow, years):
    each = np.full(years + 1, float(flow.surplus))
    each[0] = -flow.capital
    each[years // 2] -= flow.overhaul
    return each


@st.composite
def plants(draw):
    capital = draw(st.floats(1e3, 1e7))
    overhaul = capital * draw(st.floats(0.0, 0.6))
    revenue = capital * draw(st.floats(0.02, 0.5))
    return CashFlow(capital, overhaul, revenue, revenue * draw(st.floats(0.0, 0.7)))


@how(max_examples=120, deadline=None)
@given(flow=plants(), half=st.integers(1, 40), rate=st.floats(0.0, 0.25))
@example(flow=CashFlow(1000.0, 0.0, 62.5, 0.0), half=9, rate=1e-11)
def test_figures_are_those_of_numpy_financial(flow, half, rate):
    # numpy-financial 1.0.0: npv and irr of the payments; an even lifetime, so that the overhaul ends a year.
    years = 2 * half
    each = payments(flow, years)

    npv = net_present_value(flow, rate, years)
    assert npv == pytest.approx(numpy_financial.npv(rate, each), rel=1e-9, abs=1e-9 * flow.capital)

    (irr,) = internal_rate_of_return(flow, years)
    theirs = numpy_financial.irr(each)
    if not np.isnan(irr):
        assert numpy_financial.npv(irr, each) == pytest.approx(0.0, abs=1e-7 * flow.capital * (1 + irr) ** 2)
        if (np.diff(np.sign(each[each != 0])) != 0).sum() == 1 and irr > -0.3:
            assert irr == pytest.approx(theirs, rel=1e-6, abs=1e-8)

    # The first year at whose end the discounted sum is no longer negative, and is not again.
    (payback,) = discounted_payback_years(flow, rate, years)
    paid = np.cumsum(each / (1 + rate) ** np.arange(years + 1)) >= -1e-9 * flow.capital
    late = np.flatnonzero(~paid)[-1] + 1
    if np.isnan(payback):
        assert npv <= 1e-9 * flow.capital
    elif late <= years and abs(payback - round(payback)) > 1e-6:
        assert np.ceil(payback) == late


def test_a_loan_s_interest_is_its_rate_of_return():
    # numpy-financial documentation of ``pmt``, read there: 200 000 at 7.5 % a year over 15 years is paid back by
    # 1854.0247200054619 a month.
    flow = CashFlow(200_000.0, 0.0, 1854.0247200054619, 0.0)

    (irr,) = internal_rate_of_return(flow, 12 * 15)
    assert irr == pytest.approx(0.075 / 12, rel=1e-10)
    assert discounted_payback_years(flow, 0.075 / 12, 12 * 15) == pytest.approx([180.0], rel=1e-9)


@pytest.mark.parametrize(
    ("surplus", "years", "rate", "payback"),
    [
        # Without interest and overhaul, capital over surplus.
        (100.0, 20, 0.0, 10.0),
        # At 5 % -ln(1 - 1000 · 0.05 / 100) / ln 1.05.
        (100.0, 20, 0.05, 14.2066990),
        # Interest alone takes the surplus; a life too short; no surplus.
        (50.0, 60, 0.05, np.nan),
        (100.0, 14, 0.05, np.nan),
        (-10.0, 40, 0.05, np.nan),
    ],
)
def test_payback_by_hand(surplus, years, rate, payback):
    flow = CashFlow(1000.0, 0.0, surplus, 0.0)

    np.testing.assert_allclose(discounted_payback_years(flow, rate, years), [payback], rtol=1e-8)


def test_a_plant_is_paid_back_for_good_when_its_overhaul_is_too():
    # 1000 and, after 10 years, 500; without interest 100 a year pays 1000 in 10 years and both in 15. With 120 a
    # year capital is paid after 8.33 years, but only 200 of the overhaul: both after 12.5. With 200 a year the
    # overhaul is there when it falls due.
    flow = CashFlow(*(np.array(part) for part in ([1000.0] * 3, [500.0] * 3, [100.0, 120.0, 200.0], [0.0] * 3)))

    np.testing.assert_allclose(discounted_payback_years(flow, 0.0, 20), [15.0, 12.5, 5.0])


def test_no_surplus_no_rate_of_return():
    flow = CashFlow(
        *(np.array(part) for part in ([100.0, 100.0, 100.0], [0.0] * 3, [5.0, 5.0, 0.01], [5.0, 9.0, 0.0]))
    )

    assert np.isnan(internal_rate_of_return(flow, 10.0)[:2]).all()
    # 0.01 a year for ten years gives back a thousandth: worse than losing half a year.
    assert np.isnan(internal_rate_of_return(flow, 10.0)[2])
    # What gives back half of its cost loses money, and its rate says so.
    half = CashFlow(100.0, 0.0, 5.0, 0.0)
    assert internal_rate_of_return(half, 10)[0] == pytest.approx(numpy_financial.irr([-100] + [5] * 10), rel=1e-7)


@pytest.mark.parametrize("unit", [1.0, 1e-6])
def test_rates_and_years_do_not_depend_on_the_unit_of_money(unit):
    # 62.5 a year on 1000: after 10 years much is lost, after 16 nothing. 30 times its cost a year is beyond the
    # greatest rate that is looked for, and a hundred thousandth below the least.
    surplus = unit * np.array([62.5, 30_000.0, 0.01])
    flow = CashFlow(np.full(3, 1000.0 * unit), np.zeros(3), surplus, np.zeros(3))

    rate = numpy_financial.irr([-1000.0] + [62.5] * 10)
    assert internal_rate_of_return(flow, 10) == pytest.approx([rate, np.nan, np.nan], rel=1e-6, nan_ok=True)
    assert discounted_payback_years(flow, 0.0, 20)[0] == pytest.approx(16.0)


@pytest.mark.parametrize("kwh", [1000.0, 0.5])
def test_without_own_use_the_break_even_price_is_the_yearly_cost_over_what_is_sold(kwh):
    money = CostSettings(file="", price_per_kwh=0.2, own_consumption_share=0.04)

    assert float(break_even_price_per_kwh(0.12 * kwh, kwh, money)) == pytest.approx(0.12 / 0.96)


def test_npv_is_zero_at_the_rate_of_return_and_at_the_break_even_price(generic_costs):
    money = CostSettings(
        file="",
        price_per_kwh=0.2,
        own_use_price_per_kwh=0.35,
        own_use_share=0.3,
        own_use_kwh_per_year=20_000,
        own_consumption_share=0.02,
    )
    operation, rate, years = generic_costs.operation, money.real_rate, money.lifetime_years
    capital, kwh = np.array([4e5, 9e5, 2e4]), np.array([1.5e5, 4e5, 8e3])
    yearly = yearly_cost(capital, operation, rate, years)
    price = break_even_price_per_kwh(yearly, kwh, money)

    for place in range(3):
        at_price = money.model_copy(update={"price_per_kwh": price[place]})
        running = np.maximum(operation.share_of_capital * capital[place], operation.min_per_year)
        flow = CashFlow(
            capital[place],
            operation.overhaul_share * capital[place],
            value_of_energy(kwh[place], at_price),
            running,
        )
        assert net_present_value(flow, rate, years) == pytest.approx(0.0, abs=1e-7 * capital[place])
        assert internal_rate_of_return(flow, years)[0] == pytest.approx(rate, rel=1e-9)
        assert discounted_payback_years(flow, rate, years)[0] == pytest.approx(years, rel=1e-9)


def test_where_nothing_is_sold_there_is_no_break_even_price():
    money = CostSettings(file="", price_per_kwh=0.2, own_use_price_per_kwh=0.3, own_use_share=1.0)

    assert np.isnan(break_even_price_per_kwh(100.0, 1000.0, money))


@given(rate=st.floats(1e-12, 1e-6), years=st.floats(1.0, 80.0))
def test_the_annuity_runs_into_its_limit(rate, years):
    assume(rate > 0)

    assert annuity_factor(rate, years) == pytest.approx(years * (1 - rate * (years + 1) / 2), rel=1e-7)


def test_without_interest_an_annuity_is_as_many_payments():
    assert annuity_factor(np.array([0.0, 0.25]), 2.0).tolist() == pytest.approx([2.0, 0.8 + 0.64])
