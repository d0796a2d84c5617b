"""The solar benchmark of a site, alone or with storage, and diesel displaced at an off-grid settlement."""

from typing import NamedTuple

import numpy as np

from sitefinder.energy.costs import capital_recovery_factor, levelised_cost_per_kwh
from sitefinder.units import DAYS_PER_YEAR, HOURS_PER_YEAR, KILOWATT_HOURS_PER_MEGAWATT_HOUR


# Annual yield of a kW of solar [kWh/kW], from the yield itself or from the capacity factor.
def _solar_yield_kwh_per_kw(solar):
    if solar.yield_kwh_per_kw is not None:
        return solar.yield_kwh_per_kw
    return solar.capacity_factor * HOURS_PER_YEAR


def solar_lcoe_per_kwh(solar, rate):
    """Levelised cost of energy from solar, taken when the sun gives it.

    Parameters
    ----------
    solar : sitefinder.catalogue.costs.SolarCosts
    rate : float
        Real interest a year.

    Returns
    -------
    float
    """
    return levelised_cost_per_kwh(
        solar.capital_per_kw, solar.operation_per_kw, _solar_yield_kwh_per_kw(solar), rate, solar.lifetime_years
    )


def solar_firm_lcoe_per_kwh(solar, rate, hours_share):
    """Levelised cost of energy from solar with storage that serves a given share of the hours.

    Parameters
    ----------
    solar : sitefinder.catalogue.costs.SolarCosts
    rate : float
        Real interest a year.
    hours_share : float or ndarray
        Share of the year's hours to supply: those in which the compared site runs.

    Returns
    -------
    float or ndarray
        NaN where the file prices no storage.

    Notes
    -----
    Own simplification for screening. Demand is uniform over the hours to supply, and solar alone supplies
    ``solar.hours_share`` of the year's. The hours beyond are a share ``f = 1 - solar.hours_share / hours_share``
    of the energy (nothing where the site runs no longer than the sun), which goes through the storage: the panels
    must make ``1 - f + f / round_trip_efficiency`` for each kWh delivered, and each kWh a day needs
    ``f · days_held / usable_share`` kWh of capacity. Seasons are not looked at: where winters are dark this is
    too cheap by far, and ``days_held`` makes up for it only in part.

    Examples
    --------
    A site that runs no longer than the sun shines has no need of storage:

    >>> from sitefinder.catalogue.costs import SolarCosts, StorageCosts
    >>> storage = StorageCosts(
    ...     capital_per_kwh=365, usable_share=1, round_trip_efficiency=0.5, lifetime_years=10, source="an example"
    ... )
    >>> solar = SolarCosts(
    ...     capital_per_kw=1000, yield_kwh_per_kw=1000, operation_per_kw=0, lifetime_years=20, storage=storage,
    ...     source="an example",
    ... )
    >>> solar_firm_lcoe_per_kwh(solar, 0.0, np.array([0.4, 0.5, 1.0])).round(6).tolist()
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
    return (made * solar_lcoe_per_kwh(solar, rate) + capacity_kwh * a_year)[()]


def lcoe_minus_solar_per_kwh(lcoe_per_kwh, firm_lcoe_per_kwh):
    """LCOE of a site minus that of solar that supplies the same share of hours.

    Parameters
    ----------
    lcoe_per_kwh, firm_lcoe_per_kwh : float or ndarray

    Returns
    -------
    float or ndarray
        Negative where the site is cheaper.
    """
    return lcoe_per_kwh - firm_lcoe_per_kwh


class Served(NamedTuple):
    """Shares of the demand, and litres of diesel a year; arrays of one row a plant."""

    firm_share: np.ndarray
    served_share: np.ndarray
    diesel_l: np.ndarray


def serve_demand(power_kw, firm_power_kw, demand_mwh, availability, litres_per_kwh):
    """What plants do for a demand that is the same all the year.

    Parameters
    ----------
    power_kw : ndarray of float64, shape (n, bins)
        Power of each plant in bins of equal time [kW].
    firm_power_kw : ndarray of float64, shape (n,)
        Power exceeded 95 % of the time [kW].
    demand_mwh : ndarray of float64, shape (n,)
        Annual demand [MWh]; NaN where a plant supplies no settlement.
    availability : float
        Share of the time that the plants are available.
    litres_per_kwh : float
        Diesel that a generator burns for a kWh [l].

    Returns
    -------
    Served
        Firm power over mean demand, which may be above 1; the share of the demand that the plant covers, and the
        diesel that this saves. NaN where there is no demand. What a plant gives beyond the demand is not counted,
        nor is storage; a plant is taken to supply its settlement alone.

    Examples
    --------
    Two bins of 3 and 1 kW for a demand of 2 kW all the year:

    >>> served = serve_demand(np.array([[3.0, 1.0]]), np.array([1.0]), np.array([17.52]), 1.0, 0.5)
    >>> [part.tolist() for part in served]
    [[0.5], [0.75], [6570.0]]
    """
    demand_kw = np.asarray(demand_mwh, dtype=float) * KILOWATT_HOURS_PER_MEGAWATT_HOUR / HOURS_PER_YEAR
    demand_kw = np.where(demand_kw > 0, demand_kw, np.nan)
    served_kw = np.minimum(power_kw, demand_kw[:, None]).mean(axis=1) * availability
    return Served(
        np.asarray(firm_power_kw, dtype=float) / demand_kw,
        served_kw / demand_kw,
        served_kw * HOURS_PER_YEAR * litres_per_kwh,
    )
