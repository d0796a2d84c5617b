"""What a plant does for a settlement that no grid serves: firm power against demand, and diesel displaced."""

from typing import NamedTuple

import numpy as np

from sitefinder.units import HOURS_PER_YEAR, KILOWATT_HOURS_PER_MEGAWATT_HOUR


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
        Demand of a year [MWh]; NaN where a plant serves nobody.
    availability : float
        Share of the time that the plants are ready.
    litres_per_kwh : float
        Diesel that a generator burns for a kWh [l].

    Returns
    -------
    Served
        Firm power over mean demand, which may be above 1; the share of the demand that the plant covers, and the
        diesel that this saves. NaN where there is no demand. What a plant gives beyond the demand is not counted,
        nor is storage; a plant is taken to serve its settlement alone.

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
