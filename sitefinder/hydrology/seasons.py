"""Monthly statistics, and from them the flows of every day of a mean year.

A station's year is kept as 365 bins of equal time, each month's own duration curve on as many bins as the month
has days. A mean over the bins is a mean over the year, as with the plain duration curve; each bin knows its month.
"""

import re
from typing import NamedTuple

import numpy as np

from sitefinder.catalogue.equations import exceedance_percent
from sitefinder.errors import InputError, listed
from sitefinder.hydrology.duration_curve import BIN_EXCEEDANCE, curves_from_quantiles

DAYS_IN_MONTH = (31, 28, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31)
DAYS = sum(DAYS_IN_MONTH)
MONTHS = range(1, 13)
# Month of each of the 365 bins.
BIN_MONTH = np.repeat(np.arange(1, 13, dtype=np.int8), DAYS_IN_MONTH)
MONTH_STATISTIC = re.compile(r"month_(0[1-9]|1[0-2])_(mean|exceedance_\d+(?:\.\d+)?)")
MIN_QUANTILES = 2
# Months whose mean is off the mean flow by more than this factor are flagged (own choice, as of the whole curve).
MAX_SCALING = 1.5
# Each month keeps at least this share of the year's spread of log flow, however much months differ (own choice).
MIN_SPREAD = 0.3
STATIONS_AT_ONCE = 4096


class MonthStatistics(NamedTuple):
    """One month: mean flow, shape (n,), or None; quantiles [m³/s], shape (n, m), and their exceedance [%]."""

    mean_m3s: np.ndarray | None
    quantile_percent: tuple
    quantile_m3s: np.ndarray | None


class YearBins(NamedTuple):
    """Flows of a mean year at n stations.

    Attributes
    ----------
    month : ndarray of int8, shape (365,)
        Month of each bin, 1 to 12.
    flow_m3s : ndarray of float64, shape (n, 365)
        From high to low within each month [m³/s]; all NaN where a month is not known.
    scaling : ndarray of float64, shape (n,)
        Factor that brought the mean over the months to the mean flow.
    """

    month: np.ndarray
    flow_m3s: np.ndarray
    scaling: np.ndarray


def month_of(statistic):
    """Month and plain statistic in a name such as ``month_01_exceedance_50``, or None.

    Examples
    --------
    >>> month_of("month_01_exceedance_50"), month_of("month_12_mean"), month_of("mean"), month_of("month_13_mean")
    ((1, 'exceedance_50'), (12, 'mean'), None, None)
    """
    matched = MONTH_STATISTIC.fullmatch(statistic)
    return (int(matched[1]), matched[2]) if matched else None


def split_by_month(equations):
    """Equations of the whole year, and those of single months.

    Parameters
    ----------
    equations : list of Equation

    Returns
    -------
    yearly, monthly : list of Equation

    Raises
    ------
    InputError
        If there are some of months, but a month has neither a mean nor two quantiles, or a statistic looks like a
        month's and is none.
    """
    monthly = [item for item in equations if month_of(item.statistic)]
    named = {month_of(item.statistic) for item in monthly}
    strange = [
        item.statistic
        for item in equations
        if re.match(r"month", item.statistic) and month_of(item.statistic) is None
    ]
    lacking = [month for month in MONTHS if monthly and not _is_enough(named, month)]
    if strange or lacking:
        raise InputError.of(
            "the equations do not make a year of months",
            expected="for each of month_01 to month_12 a mean (month_01_mean), or at least "
            f"{MIN_QUANTILES} quantiles (month_01_exceedance_50), or both",
            found=f"no such statistics: {listed(strange)}"
            if strange
            else f"too few for months {listed(lacking, 12)}",
            fix="add what is missing, or leave the months out altogether",
        )
    return [item for item in equations if month_of(item.statistic) is None], monthly


def _is_enough(named, month):
    of_month = {statistic for number, statistic in named if number == month}
    return "mean" in of_month or len(of_month) >= MIN_QUANTILES


def month_statistics(predictors, equations, apply):
    """Statistics of the twelve months at every station.

    Parameters
    ----------
    predictors : DataFrame, n rows
    equations : list of Equation
        Those of months, see `split_by_month`.
    apply : callable
        Gives the flows of one statistic's equations at the stations, shape (n,) [m³/s]: ``apply(equations,
        predictors)``.

    Returns
    -------
    list of MonthStatistics
        January first; empty without equations.
    """
    if not equations:
        return []
    by_name = {}
    for item in equations:
        by_name.setdefault(month_of(item.statistic), []).append(item)
    found = []
    for month in MONTHS:
        own = {statistic: items for (number, statistic), items in by_name.items() if number == month}
        percents = sorted(percent for name in own if (percent := exceedance_percent(name)))
        columns = {exceedance_percent(name): items for name, items in own.items()}
        quantiles = [apply(columns[percent], predictors) for percent in percents]
        found.append(
            MonthStatistics(
                apply(own["mean"], predictors) if "mean" in own else None,
                tuple(percents),
                np.column_stack(quantiles) if len(percents) >= MIN_QUANTILES else None,
            )
        )
    return found


def year_of_months(statistics, curve_m3s, mean_m3s):
    r"""The year of every station from its months, in agreement with the mean flow.

    Parameters
    ----------
    statistics : list of MonthStatistics
        January first.
    curve_m3s : ndarray of float64, shape (n, 200)
        Duration curve of the whole year [m³/s].
    mean_m3s : ndarray of float64, shape (n,)
        Mean flow [m³/s].

    Returns
    -------
    YearBins

    Notes
    -----
    A month with two quantiles or more has the curve through them, scaled to its own mean where that is given. A
    month with a mean only has the year's curve to the power *p*, scaled to that mean. With
    :math:`p^2 = 1 - V_b / V`, where *V* is the variance of the year's log flows and :math:`V_b` that of the log
    means of the months, the twelve months together spread as the year does (own choice; exact for lognormal months
    of one spread whose means are lognormal too). *p* is no less than `MIN_SPREAD`.

    The mean flow has the smallest error, so at each station all months are multiplied by one factor until their
    mean, weighted by days, is the mean flow: months give the distribution of flow over the year, not its amount.
    29 February is left out.
    """
    curve, mean = np.asarray(curve_m3s, dtype=np.float64), np.asarray(mean_m3s, dtype=np.float64)
    flow = np.empty((len(mean), DAYS))
    # In blocks, so that no curve of a month is held for all stations.
    for start in range(0, len(mean), STATIONS_AT_ONCE):
        block = slice(start, start + STATIONS_AT_ONCE)
        of_block = [
            MonthStatistics(*(part[block] if isinstance(part, np.ndarray) else part for part in item))
            for item in statistics
        ]
        _fill_year(of_block, curve[block], flow[block])
    scaling = _factor(mean, flow)
    # A month that is not known leaves none of the year.
    flow *= scaling[:, None]
    return YearBins(BIN_MONTH.copy(), flow, scaling)


# The months' own curves on the bins of the year, into the last argument.
def _fill_year(statistics, curve, flow):
    narrowed = None
    if any(item.quantile_m3s is None for item in statistics):
        narrowed = curve ** _power_within_months([item.mean_m3s for item in statistics], curve)[:, None]
    for number, item in enumerate(statistics):
        of_month = narrowed
        if item.quantile_m3s is not None:
            of_month = curves_from_quantiles(item.quantile_percent, item.quantile_m3s).curve_m3s
        bins = np.flatnonzero(number + 1 == BIN_MONTH)
        flow[:, bins] = of_month @ _shares_of_bins(DAYS_IN_MONTH[number])
        if item.mean_m3s is not None:
            flow[:, bins] *= _factor(item.mean_m3s, flow[:, bins])[:, None]


def is_far_scaled(year):
    """Stations whose months had to be scaled by more than `MAX_SCALING`, either way; bool, shape (n,)."""
    return (year.scaling > MAX_SCALING) | (year.scaling < 1.0 / MAX_SCALING)


# Factor from each station's bins to a mean. Bins that are dry throughout have nothing to scale.
def _factor(mean, bins):
    own = bins.mean(axis=1)
    return np.divide(mean, own, out=np.where(np.isnan(own), np.nan, 1.0), where=own > 0)


# Exponent that narrows the year's curve to that of a month. Dry bins have no logarithm and do not count.
def _power_within_months(means, curve):
    known = [mean if mean is not None else np.full(len(curve), np.nan) for mean in means]
    days = np.array(DAYS_IN_MONTH, dtype=np.float64)
    between = _log_variance(np.column_stack(known), days)
    whole = _log_variance(curve, np.ones(curve.shape[1]))
    share = np.divide(between, whole, out=np.ones_like(whole), where=whole > 0)
    return np.sqrt(np.maximum(1.0 - share, MIN_SPREAD**2))


def _log_variance(flow, weight):
    wet = flow > 0
    logs = np.log(np.where(wet, flow, 1.0))
    weights = np.where(wet, weight, 0.0)
    total = np.maximum(weights.sum(axis=1), 1e-300)
    mean = (weights * logs).sum(axis=1) / total
    return (weights * (logs - mean[:, None]) ** 2).sum(axis=1) / total


# Share of each bin of the curve in each of equal parts of the time, shape (200, days); columns sum to 1.
def _shares_of_bins(days):
    curve_edge = np.arange(BIN_EXCEEDANCE.size + 1) / BIN_EXCEEDANCE.size
    day_edge = np.arange(days + 1) / days
    upper = np.minimum(curve_edge[1:, None], day_edge[None, 1:])
    lower = np.maximum(curve_edge[:-1, None], day_edge[None, :-1])
    return np.maximum(upper - lower, 0.0) * days
