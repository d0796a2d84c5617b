"""Financial figures of plants with level yearly payments: NPV, IRR, payback, break-even price, and what prices do.

All payments are real, as those of the levelised cost are, and discounted at the same real rate. Capital falls due
at commissioning, with interest during construction in it; each year of operation brings its revenue less its
operating cost; the overhaul falls in mid-life.
"""

from typing import NamedTuple

import numpy as np

from sitefinder.energy.costs import capital_recovery_factor, discount_factor, own_use

# Range in which an internal rate of return is looked for, a year; beyond it a plant counts as having none.
IRR_RANGE = (-0.5, 10.0)
# Halvings of that range: the last is far below a rounding of the rate.
HALVINGS = 80
# Prices at which the chosen sites are looked at again, over the price of the settings.
PRICE_FACTORS = (0.5, 0.75, 1.0, 1.25, 1.5, 2.0)


class CashFlow(NamedTuple):
    """Money of plants, real: capital, overhaul in mid-life, and revenue and operating cost of a year."""

    capital: float | np.ndarray
    overhaul: float | np.ndarray
    revenue: float | np.ndarray
    operating_cost: float | np.ndarray

    @property
    def surplus(self):
        """Revenue less operating cost of a year."""
        return self.revenue - self.operating_cost


def annuity_factor(rate, years):
    """Present value of a payment of 1 at the end of each year, for arrays of rates or years.

    Parameters
    ----------
    rate : float or ndarray
        Greater than -1.
    years : float or ndarray

    Returns
    -------
    ndarray of float64
        ``(1 - (1 + rate)**-years) / rate``, and its limit ``years`` at a rate of zero.

    Examples
    --------
    >>> annuity_factor(0.0, 20.0), annuity_factor(0.25, 1.0)
    (array(20.), array(0.8))
    """
    rate, years = np.broadcast_arrays(np.asarray(rate, dtype=float), np.asarray(years, dtype=float))
    grown = -np.expm1(-years * np.log1p(rate))
    return np.divide(grown, rate, out=years.copy(), where=rate != 0)


def net_present_value(flow, rate, years):
    """Net present value at commissioning.

    Parameters
    ----------
    flow : CashFlow
    rate : float
        Real discount rate a year.
    years : float
        Lifetime.

    Returns
    -------
    float or ndarray
        The net annual value over the capital recovery factor.
    """
    overhaul = flow.overhaul * discount_factor(rate, years / 2.0)
    return flow.surplus / capital_recovery_factor(rate, years) - flow.capital - overhaul


def internal_rate_of_return(flow, years):
    """The real rate at which the net present value is zero, a year.

    Parameters
    ----------
    flow : CashFlow of ndarray, shape (n,)
    years : float
        Lifetime.

    Returns
    -------
    ndarray of float64, shape (n,)
        NaN where no rate from -0.5 to 10 gives zero, as where a year brings no surplus. With an overhaul of no
        more than the capital the net present value falls with the rate, so there is one at most.
    """
    capital, overhaul, surplus = (
        np.atleast_1d(np.asarray(part, dtype=float)) for part in (flow.capital, flow.overhaul, flow.surplus)
    )

    def value(rate):
        return surplus * annuity_factor(rate, years) - capital - overhaul * (1.0 + rate) ** (-years / 2.0)

    low, high = (np.full(capital.shape, edge) for edge in IRR_RANGE)
    # Without a surplus there is no rate at which the value is above nothing.
    has_one = (value(low) > 0) & (value(high) < 0)
    for _ in range(HALVINGS):
        middle = (low + high) / 2.0
        is_below = value(middle) > 0
        low, high = np.where(is_below, middle, low), np.where(is_below, high, middle)
    return np.where(has_one, (low + high) / 2.0, np.nan)


def discounted_payback_years(flow, rate, years):
    """Years after which discounted surpluses have paid for capital and overhaul, for good.

    Parameters
    ----------
    flow : CashFlow of ndarray, shape (n,)
    rate, years : float
        See `net_present_value`.

    Returns
    -------
    ndarray of float64, shape (n,)
        Years with their fraction; NaN where the lifetime is too short. A plant that has paid for its capital
        before mid-life, but not yet for its overhaul, is paid back when it has.
    """
    capital, overhaul, surplus = (
        np.atleast_1d(np.asarray(part, dtype=float)) for part in (flow.capital, flow.overhaul, flow.surplus)
    )
    whole = capital + overhaul * discount_factor(rate, years / 2.0)
    alone, both = _years_to_pay(capital, surplus, rate), _years_to_pay(whole, surplus, rate)
    # Where the overhaul is paid for before it falls due, the capital's date counts.
    payback = np.where(both <= years / 2.0, alone, both)
    return np.where(payback <= years * (1.0 + 1e-12), payback, np.nan)


# Years in which level surpluses pay an amount; infinite where they never do.
def _years_to_pay(amount, surplus, rate):
    ratio = np.divide(amount, surplus, out=np.full(amount.shape, np.inf), where=surplus > 0)
    if rate == 0:
        return ratio
    # By log1p, since a tiny rate leaves nothing of the difference to 1.
    with np.errstate(divide="ignore"):
        return -np.log1p(-np.minimum(rate * ratio, 1.0)) / np.log1p(rate)


def break_even_price_per_kwh(yearly_cost, energy_kwh, money):
    """The price of a kWh sold at which a plant's net present value is zero.

    Parameters
    ----------
    yearly_cost : float or ndarray
        Capital, overhaul and operation as one payment a year, see `sitefinder.energy.costs.yearly_cost`.
    energy_kwh : float or ndarray
        Energy of a year [kWh].
    money : sitefinder.settings.CostSettings

    Returns
    -------
    ndarray of float64
        What the owner saves by own use stays as it is; negative where that alone pays. NaN where nothing is sold.

    Examples
    --------
    >>> from sitefinder.settings import CostSettings
    >>> money = CostSettings(file="", price_per_kwh=0.2, own_consumption_share=0.0)
    >>> float(break_even_price_per_kwh(120.0, 1000.0, money))
    0.12
    """
    _, own_price, share, maximum = own_use(money)
    kwh = np.asarray(energy_kwh, dtype=float)
    own = np.minimum(share * kwh, maximum)
    # Prices of `own_use` are of a kWh generated; that of a kWh sold is asked for.
    exported = (1.0 - money.own_consumption_share) * (kwh - own)
    needed = np.asarray(yearly_cost, dtype=float) - own_price * own
    return np.divide(
        needed, exported, out=np.full(np.broadcast(needed, exported).shape, np.nan), where=exported > 0
    )
