"""The alternative beside a site: solar alone, and solar with storage that serves the same share of hours."""

import numpy as np

from sitefinder.power.cost import capital_recovery_factor, levelised_cost_per_kwh
from sitefinder.units import DAYS_PER_YEAR, HOURS_PER_YEAR


def solar_yield_kwh_per_kw(solar):
    """Yearly yield of a kW of solar [kWh/kW], from the yield itself or from the share of full power.

    Parameters
    ----------
    solar : sitefinder.power.cost_file.SolarCosts

    Returns
    -------
    float
    """
    if solar.yield_kwh_per_kw is not None:
        return solar.yield_kwh_per_kw
    return solar.capacity_factor * HOURS_PER_YEAR


def solar_cost_per_kwh(solar, rate):
    """Levelised cost of a kWh from solar, taken when the sun gives it.

    Parameters
    ----------
    solar : sitefinder.power.cost_file.SolarCosts
    rate : float
        Real interest a year.

    Returns
    -------
    float
    """
    return levelised_cost_per_kwh(
        solar.capital_per_kw, solar.operation_per_kw, solar_yield_kwh_per_kw(solar), rate, solar.lifetime_years
    )


def solar_firm_cost_per_kwh(solar, rate, hours_share):
    """Levelised cost of a kWh from solar with storage that serves a given share of the hours.

    Parameters
    ----------
    solar : sitefinder.power.cost_file.SolarCosts
    rate : float
        Real interest a year.
    hours_share : float or ndarray
        Share of the year's hours to serve, that in which the site beside it runs.

    Returns
    -------
    float or ndarray
        NaN where the file prices no storage.

    Notes
    -----
    Own simplification for screening. Energy is asked for evenly over the hours to serve, and solar alone serves
    ``solar.hours_share`` of the year's. The hours beyond are a share ``f = 1 - solar.hours_share / hours_share``
    of the energy (nothing where the site runs no longer than the sun), which goes through the storage: the panels
    must make ``1 - f + f / round_trip_efficiency`` for each kWh delivered, and each kWh a day needs
    ``f · days_held / usable_share`` kWh of capacity. Seasons are not looked at: where winters are dark this is
    too cheap by far, and ``days_held`` makes up for it only in part.

    Examples
    --------
    A site that runs no longer than the sun shines has no need of storage:

    >>> from sitefinder.power.cost_file import SolarCosts, StorageCosts
    >>> storage = StorageCosts(
    ...     capital_per_kwh=365, usable_share=1, round_trip_efficiency=0.5, lifetime_years=10, source="an example"
    ... )
    >>> solar = SolarCosts(
    ...     capital_per_kw=1000, yield_kwh_per_kw=1000, operation_per_kw=0, lifetime_years=20, storage=storage,
    ...     source="an example",
    ... )
    >>> solar_firm_cost_per_kwh(solar, 0.0, np.array([0.4, 0.5, 1.0])).round(6).tolist()
    [0.05, 0.05, 0.125]
    """
    hours_share = np.asarray(hours_share, dtype=float)
    if solar.storage is None:
        return np.full(hours_share.shape, np.nan)[()]
    storage = solar.storage
    sunny = np.divide(solar.hours_share, hours_share, out=np.ones_like(hours_share), where=hours_share > 0)
    stored = np.where(np.isnan(hours_share), np.nan, 1.0 - np.minimum(sunny, 1.0))
    made = 1.0 - stored + stored / storage.round_trip_efficiency
    capacity_kwh = stored * storage.days_held / storage.usable_share / DAYS_PER_YEAR
    a_year = capital_recovery_factor(rate, storage.lifetime_years) * storage.capital_per_kwh
    a_year += storage.operation_per_kwh
    return (made * solar_cost_per_kwh(solar, rate) + capacity_kwh * a_year)[()]


def premium_over_solar(cost_per_kwh, firm_cost_per_kwh):
    """By how much a kWh of a site is dearer than one of solar that serves the same share of hours.

    Parameters
    ----------
    cost_per_kwh, firm_cost_per_kwh : float or ndarray

    Returns
    -------
    float or ndarray
        Below zero where the site is the cheaper one.
    """
    return cost_per_kwh - firm_cost_per_kwh
