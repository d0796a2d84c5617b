"""The regime of a region: what part of the year each flow of a duration curve falls in, month by month.

A duration curve does not know the date. A regime splits the time of each of its bins among the twelve months, so
that every month has its mean flow, while the year's curve, and all that is computed from it, stays as it was.
"""

from typing import NamedTuple

import numpy as np
from scipy.special import ndtri

from sitefinder.compiled import kernel, part
from sitefinder.hydrology.duration_curve import BIN_COUNT, BIN_EXCEEDANCE
from sitefinder.hydrology.records import counted_flow, yearly_statistics
from sitefinder.hydrology.seasons import BIN_MONTH, DAYS, DAYS_IN_MONTH, MONTHS, YearBins

# Share of the year in each month.
MONTH_SHARE = np.array(DAYS_IN_MONTH, dtype=np.float64) / DAYS
# Classes of equal time that days of records are counted in: 5 % of the time each (own choice).
CLASSES = 20
# Share of the counted time that is spread over all months, so that no flow is impossible in any (own choice).
SPREAD_OF_COUNTS = 0.02
# The months reach no further than this part of the way to what the curve can just hold (own choice): at its very
# limit each flow would belong to one month alone.
LIMIT_SHARE = 0.99
# Months' means and lengths are met to this relative precision.
PRECISION = 1e-10
MAX_STEPS, MAX_HALVINGS = 60, 30
STATIONS_AT_ONCE = 1024
# Order of flow along the curve, as a normal score.
SCORE = -ndtri(BIN_EXCEEDANCE)


class Regime(NamedTuple):
    """Mean flow of each month relative to that of the year, and the months of each class of flow.

    Attributes
    ----------
    ratio : ndarray of float64, shape (12,)
        Mean monthly flow over mean annual flow (Pardé coefficient), January first; their mean over the days is 1.
    month_of_class : ndarray of float64, shape (20, 12), or None
        Share of the year that lies in each class of flow, from high to low, and month; None where only means are
        known.
    source : str
        What the regime comes from, for reports.
    """

    ratio: np.ndarray
    month_of_class: np.ndarray | None
    source: str


def regime_of_means(factors, source):
    """A regime from mean monthly flows, in any unit.

    Parameters
    ----------
    factors : sequence of float, 12
        January first: factors of the mean annual flow, or flows; they are divided by their mean over the days.
    source : str

    Returns
    -------
    Regime

    Raises
    ------
    ValueError
        If there are not twelve finite numbers from 0 up, with one above 0.

    Examples
    --------
    >>> regime_of_means([2.0] * 12, "even").ratio.round(6).tolist() == [1.0] * 12
    True
    """
    flow = np.asarray(factors, dtype=np.float64)
    if flow.shape != (12,) or not np.isfinite(flow).all() or (flow < 0).any() or not flow.any():
        raise ValueError("a regime has twelve finite monthly factors from 0 up, of which one is above 0")
    return Regime(flow / (flow @ MONTH_SHARE), None, source)


def regime_of_records(records, settings):
    """The mean regime of gauges, from their daily records.

    Parameters
    ----------
    records : list of DailyRecord
    settings : sitefinder.settings.flows.DailyRecords

    Returns
    -------
    Regime or None
        None where no gauge has a complete year with flow in the period of the settings.

    Notes
    -----
    Of each gauge all complete years count. Its ratio is the mean of all days of a month over the mean of all days
    (Pardé coefficient [1]_); its days are also ranked, and counted by class of rank and month. Both are averaged
    over the gauges, each of the same weight.

    References
    ----------
    .. [1] M. Pardé, "Fleuves et rivières," Armand Colin, Paris, 1933 (from memory).
    """
    ratios, counts = [], []
    for record in records:
        flow = _of_complete_years(counted_flow(record, settings), settings)
        if flow.empty or not (flow > 0).any():
            continue
        month = flow.index.month.to_numpy()
        by_month = flow.groupby(month).mean().reindex(MONTHS).to_numpy()
        if np.isnan(by_month).any():
            continue
        # Of equal flows the earlier day is the higher one.
        rank = np.empty(len(flow), dtype=np.int64)
        rank[np.argsort(-flow.to_numpy(), kind="stable")] = np.arange(len(flow))
        count = np.zeros((CLASSES, 12))
        np.add.at(count, (rank * CLASSES // len(flow), month - 1), 1.0 / len(flow))
        ratios.append(by_month / flow.mean())
        counts.append(count)
    if not ratios:
        return None
    number = f"daily records of {len(ratios)} gauge" + ("s" if len(ratios) > 1 else "")
    return regime_of_means(np.mean(ratios, axis=0), number)._replace(month_of_class=np.mean(counts, axis=0))


# Days with a flow in the complete years of the period.
def _of_complete_years(flow, settings):
    start = settings.year_starts_in_month
    years = yearly_statistics(flow, start, settings.min_share_of_year)
    used = years.index[years["is_complete"]]
    if settings.first_year is not None:
        used = used[(used >= settings.first_year) & (used <= settings.last_year)]
    year = flow.index.year + ((flow.index.month >= start) & (start > 1))
    return flow[np.isin(year, used)].dropna()


def possible_share(curve_m3s, regime):
    """How much of a regime's seasons each curve can hold.

    Parameters
    ----------
    curve_m3s : ndarray of float64, shape (n, 200)
        From high to low [m³/s].
    regime : Regime

    Returns
    -------
    ndarray of float64, shape (n,)
        1 where the months reach the regime's ratios; less where the flow is too even for them: the months'
        departures from the mean are this share of the regime's. 1 where the flow is nothing or unknown.

    Notes
    -----
    Twelve months of given lengths and means can make up a curve if, and only if, the k wettest of them together
    need no more water than the curve's highest flows over as much time, for every k (Strassen's condition of
    convex order, from memory).
    """
    order = np.argsort(-regime.ratio, kind="stable")
    time = np.cumsum(MONTH_SHARE[order])[:-1]
    excess = np.cumsum((MONTH_SHARE * (regime.ratio - 1.0))[order])[:-1]
    curve = np.asarray(curve_m3s, dtype=np.float64)
    mean = curve.mean(axis=1)
    water = np.concatenate([np.zeros((len(curve), 1)), np.cumsum(curve, axis=1)], axis=1) / curve.shape[1]
    place = time * curve.shape[1]
    below = place.astype(np.int64)
    held = water[:, below] + (place - below) * (water[:, below + 1] - water[:, below])
    known = mean > 0
    spare = np.where(known[:, None], held / np.where(known, mean, 1.0)[:, None] - time, np.inf)
    limits = np.divide(spare, excess, out=np.full(spare.shape, np.inf), where=excess > 1e-12)
    return np.where(known, np.clip(LIMIT_SHARE * limits.min(axis=1), 0.0, 1.0), 1.0)


def month_shares(curve_m3s, regime):
    r"""What share of the time of each bin of a duration curve lies in each month.

    Parameters
    ----------
    curve_m3s : ndarray of float64, shape (n, 200)
        Natural flow in bins of equal time, from high to low [m³/s].
    regime : Regime

    Returns
    -------
    ndarray of float64, shape (n, 200, 12)
        Of each bin the shares add up to 1, so that the months together are the curve; over the bins they add up to
        the length of each month. The months' mean flows are ``regime.ratio`` times the mean flow, or nearer to it
        by `possible_share`. NaN where the flow is unknown.

    Notes
    -----
    Of all ways to share out the time we take

    .. math:: w_{bm} \propto s_{bm} \exp(c_m + \lambda_m z_b)

    with the bin's normal score :math:`z_b`, the counts :math:`s_{bm}` of daily records, or only the lengths of the
    months without them, and :math:`c_m, \lambda_m` found by Newton's method from the lengths and the mean flows of
    the months (own choice). For months that are lognormal, with one variance and different means, and a year that
    is nearly lognormal, this is the exact share, by Bayes' rule. 29 February is left out.
    """
    curve = np.ascontiguousarray(curve_m3s, dtype=np.float64)
    if curve.ndim != 2 or curve.shape[1] != BIN_COUNT:
        raise ValueError(f"curves should be stations × {BIN_COUNT}; found shape {curve.shape}")
    mean = curve.mean(axis=1)
    # A curve that is dry or unknown is solved for the lengths of the months alone.
    known = np.isfinite(mean) & (mean > 0)
    flow = np.where(known[:, None], curve / np.where(known, mean, 1.0)[:, None], 1.0)
    ratio = 1.0 + (possible_share(curve, regime) * known)[:, None] * (regime.ratio - 1.0)
    shares = np.empty((*curve.shape, 12))
    _solve(flow, ratio, MONTH_SHARE, np.ascontiguousarray(_log_counts(regime)), SCORE, shares)
    shares[np.isnan(curve).any(axis=1)] = np.nan
    return shares


# Logarithms of the time of each bin and month as counted, shape (200, 12).
def _log_counts(regime):
    if regime.month_of_class is None:
        return np.broadcast_to(np.log(MONTH_SHARE), (BIN_COUNT, 12))
    classes = (np.arange(CLASSES) + 0.5) / CLASSES
    counted = np.column_stack([np.interp(BIN_EXCEEDANCE, classes, regime.month_of_class[:, m]) for m in range(12)])
    counted = counted / counted.sum(axis=1, keepdims=True)
    return np.log((1.0 - SPREAD_OF_COUNTS) * counted + SPREAD_OF_COUNTS * MONTH_SHARE)


# Parameters of the months: a constant and a slope each, but for December, whose are 0: one constant in each bin,
# and one slope, mean nothing, as shares of a bin are brought to 1.
FREE = 22


# Shares of bins by Newton's method with halved steps, curve by curve, into the last argument. `flow` is relative
# to its mean.
@kernel(fills=("shares",))
def _solve(flow, ratio, month_share, start, score, shares):
    bins = flow.shape[1]
    parameters, tried = np.zeros(24), np.zeros(24)
    error, missed = np.zeros(24), np.zeros(24)
    jacobian, step = np.zeros((FREE, FREE)), np.zeros(FREE)
    found = np.empty((bins, 12))
    for row in range(flow.shape[0]):
        parameters[:] = 0.0
        size = _tilt(flow[row], ratio[row], month_share, start, score, parameters, shares[row], error)
        for _ in range(MAX_STEPS):
            if size <= PRECISION:
                break
            _fill_jacobian(flow[row], score, shares[row], jacobian)
            for place in range(11):
                step[place], step[11 + place] = -error[place], -error[12 + place]
            _eliminate(jacobian, step)
            length, is_better = 1.0, False
            for _ in range(MAX_HALVINGS):
                for place in range(11):
                    tried[place] = parameters[place] + length * step[place]
                    tried[12 + place] = parameters[12 + place] + length * step[11 + place]
                now = _tilt(flow[row], ratio[row], month_share, start, score, tried, found, missed)
                if now < size:
                    is_better = True
                    break
                length *= 0.5
            if not is_better:
                break  # as good as rounding lets it be
            size = now
            parameters[:] = tried
            error[:] = missed
            shares[row] = found


# Shares by the parameters, and lengths and volumes of the months less what they should be; the greatest of these.
@part
def _tilt(flow, ratio, month_share, start, score, parameters, shares, error):
    error[:] = 0.0
    bins = flow.shape[0]
    for index in range(bins):
        greatest = -np.inf
        for month in range(12):
            log = start[index, month] + parameters[month] + parameters[12 + month] * score[index]
            shares[index, month] = log
            greatest = max(greatest, log)
        total = 0.0
        for month in range(12):
            shares[index, month] = np.exp(shares[index, month] - greatest)
            total += shares[index, month]
        for month in range(12):
            shares[index, month] /= total
            error[month] += shares[index, month] / bins
            error[12 + month] += shares[index, month] * flow[index] / bins
    size = 0.0
    for month in range(12):
        error[month] -= month_share[month]
        error[12 + month] -= month_share[month] * ratio[month]
        size = max(size, abs(error[month]), abs(error[12 + month]))
    return size


# How lengths and volumes of the months change with their parameters, without December's.
@part
def _fill_jacobian(flow, score, shares, jacobian):
    jacobian[:] = 0.0
    bins = flow.shape[0]
    for index in range(bins):
        for month in range(11):
            share = shares[index, month] / bins
            for other in range(11):
                change = -share * shares[index, other]
                if other == month:
                    change += share
                jacobian[month, other] += change
                jacobian[month, 11 + other] += change * score[index]
                jacobian[11 + month, other] += change * flow[index]
                jacobian[11 + month, 11 + other] += change * flow[index] * score[index]
    for place in range(FREE):
        # A little weight on the diagonal, so that a curve of one flow has a solution too.
        jacobian[place, place] += 1e-13


# Solves in place by elimination with the greatest pivot of each column.
@part
def _eliminate(matrix, right):
    count = right.shape[0]
    for column in range(count):
        pivot = column
        for row in range(column + 1, count):
            if abs(matrix[row, column]) > abs(matrix[pivot, column]):
                pivot = row
        if pivot != column:
            for place in range(column, count):
                matrix[column, place], matrix[pivot, place] = matrix[pivot, place], matrix[column, place]
            right[column], right[pivot] = right[pivot], right[column]
        for row in range(column + 1, count):
            factor = matrix[row, column] / matrix[column, column]
            for place in range(column + 1, count):
                matrix[row, place] -= factor * matrix[column, place]
            right[row] -= factor * right[column]
    for row in range(count - 1, -1, -1):
        for place in range(row + 1, count):
            right[row] -= matrix[row, place] * right[place]
        right[row] /= matrix[row, row]


def over_months(values, shares):
    """Sum over the time of each month of what holds in each bin of the year.

    Parameters
    ----------
    values : ndarray of float64, shape (n, bins)
        Such as power [kW].
    shares : ndarray of float64, shape (n, bins, 12)
        See `month_shares`.

    Returns
    -------
    ndarray of float64, shape (n, 12)
        Divided by the number of bins, so that the twelve add up to the mean over the year.
    """
    return np.einsum("nb,nbm->nm", values, shares) / values.shape[1]


def days_of_months(values, shares):
    """What holds in each day of the year, each month's own time in as many parts as it has days.

    Parameters
    ----------
    values : ndarray of float64, shape (n, bins)
        In bins of the year, such as flow [m³/s].
    shares : ndarray of float64, shape (n, bins, 12)
        See `month_shares`.

    Returns
    -------
    ndarray of float64, shape (n, 365)
        In the order of the bins within each month; each is a mean over its time, so the year's mean is kept.
    """
    days = np.zeros((len(values), DAYS))
    _fill_days(
        np.ascontiguousarray(values, dtype=np.float64),
        np.ascontiguousarray(shares, dtype=np.float64),
        np.array(DAYS_IN_MONTH, dtype=np.int64),
        days,
    )
    return days


# Each month's time, one bin after another, cut into days of equal length.
@kernel(fills=("days",))
def _fill_days(values, shares, days_in_month, days):
    for row in range(values.shape[0]):
        first = 0
        for month in range(12):
            count, total = days_in_month[month], 0.0
            for index in range(values.shape[1]):
                total += shares[row, index, month]
            if not total > 0.0:
                for day in range(count):
                    days[row, first + day] = np.nan
                first += count
                continue
            day, room = 0, 1.0
            for index in range(values.shape[1]):
                left = shares[row, index, month] / total * count
                while left > 0.0:
                    part = left if day == count - 1 else min(left, room)
                    days[row, first + day] += part * values[row, index]
                    left -= part
                    room -= part
                    if room <= 0.0 and day < count - 1:
                        day, room = day + 1, 1.0
            first += count


def year_by_regime(curve_m3s, regime):
    """The flow of each day of the year, from the year's curve and a regime.

    Parameters
    ----------
    curve_m3s : ndarray of float64, shape (n, 200)
        [m³/s]
    regime : Regime

    Returns
    -------
    YearBins
    """
    days = np.empty((len(curve_m3s), DAYS))
    # In blocks, so that no shares are held for all stations.
    for first in range(0, len(curve_m3s), STATIONS_AT_ONCE):
        block = slice(first, first + STATIONS_AT_ONCE)
        days[block] = days_of_months(curve_m3s[block], month_shares(curve_m3s[block], regime))
    return YearBins(BIN_MONTH.copy(), days, np.ones(len(curve_m3s)))
