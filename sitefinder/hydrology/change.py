"""Change of flow by a climate table: factors by month or season, and by how often a flow is exceeded."""

import re
from typing import NamedTuple

import numpy as np

from sitefinder.compiled import kernel
from sitefinder.errors import InputError, all_of, listed
from sitefinder.hydrology.regime import month_shares
from sitefinder.hydrology.seasons import MONTHS, YearBins

WHOLE_YEAR = "year"
# Initials of two turns of the year: a season is two to eleven months in a row, by their initials.
INITIALS = "JFMAMJJASOND" * 2
PERIOD_COLUMNS = ("month", "season")
FACTOR, EXCEEDANCE = "factor", "exceedance_percent"
STATIONS_AT_ONCE = 512


class PeriodFactors(NamedTuple):
    """Factors (future flow over flow of today) of some months together.

    ``months`` are numbers from 1 to 12; ``exceedance_percent`` rises, within the flows of those months [%], and is
    None where one factor holds for all flows.
    """

    months: tuple
    exceedance_percent: np.ndarray | None
    factor: np.ndarray


class FlowChange(NamedTuple):
    """A climate table: periods that make up the year, and what reports call it and say of its source.

    ``environmental_from`` says which natural flow environmental flow rules go by: "changed", or that of "today".
    """

    periods: tuple
    label: str
    source: str
    environmental_from: str = "changed"

    @property
    def is_by_month(self):
        """Whether it goes by the month: not the same for the whole year."""
        return len(self.periods) > 1


def months_of_season(name):
    """Months that a season's initials stand for, in their order; None where they name no single span.

    Examples
    --------
    >>> months_of_season("DJF"), months_of_season("JA"), months_of_season("year")[:2], months_of_season("XY")
    ((12, 1, 2), (7, 8), (1, 2), None)
    """
    text = name.strip().upper()
    if text == WHOLE_YEAR.upper():
        return tuple(MONTHS)
    found = [at for at in range(12) if INITIALS.startswith(text, at)]
    if not 2 <= len(text) <= 11 or len(found) != 1:
        return None
    return tuple((found[0] + step) % 12 + 1 for step in range(len(text)))


def flow_change_of(table, where, settings):
    """A climate table, checked.

    Parameters
    ----------
    table : DataFrame of str
        ``month`` (1 to 12) or ``season`` (initials of months in a row, such as DJF, or "year"), ``factor``, and
        ``exceedance_percent`` where factors differ between high and low flows.
    where : str
        Path, for messages.
    settings : sitefinder.settings.flows.ChangeSettings

    Returns
    -------
    FlowChange

    Raises
    ------
    InputError
        Listing all that is wrong: missing columns, months that are missing or named twice, factors that are not
        above 0, exceedances that are not between 0 and 100, given for a part of a period only, or repeated.
    """
    table = table.rename(columns=lambda name: name.strip().lower())
    given = [name for name in PERIOD_COLUMNS if name in table]
    problems = []
    if len(given) != 1:
        found = " and ".join(given) or listed(table.columns, 12)
        problems.append(
            f"expected one column of {' or '.join(PERIOD_COLUMNS)} (found {found}); for factors of the whole year "
            f'add a column season that holds "{WHOLE_YEAR}"'
        )
    if FACTOR not in table:
        problems.append(f"column {FACTOR}: missing (found {listed(table.columns, 12)})")
    if not problems and not len(table):
        problems.append("the table has no rows")
    if problems:
        raise all_of(InputError, str(where), problems)
    names = table[given[0]].str.strip()
    factor = _numbers(table[FACTOR], FACTOR, lambda value: value > 0, "a number above 0", problems)
    exceedance = None
    if EXCEEDANCE in table:
        cells = table[EXCEEDANCE].str.strip()
        exceedance = _numbers(
            cells.mask(cells == "", "50"),
            EXCEEDANCE,
            lambda value: (value > 0) & (value < 100),
            "a number between 0 and 100, or nothing",
            problems,
        )
        exceedance[(cells == "").to_numpy()] = np.nan
    periods, named = [], []
    for name in dict.fromkeys(names):
        months = _months(name, given[0])
        rows = (names == name).to_numpy()
        if months is None:
            expected = "1 to 12" if given[0] == "month" else f'initials such as DJF or MAM, or "{WHOLE_YEAR}"'
            problems.append(f"{given[0]}: expected {expected} (found {name!r} in rows {_rows(rows)})")
            continue
        named += months
        periods.append(_period(name, months, factor, exceedance, rows, problems))
    absent = [month for month in MONTHS if month not in named]
    twice = [month for month in MONTHS if named.count(month) > 1]
    if absent and not any("expected" in problem and given[0] in problem for problem in problems):
        problems.append(f"expected every month of the year once (no factor for {listed(absent, 12)})")
    if twice:
        problems.append(
            f"expected every month of the year once (in more than one {given[0]}: {listed(twice, 12)})"
        )
    if problems:
        raise all_of(InputError, str(where), problems)
    return FlowChange(_joined_if_equal(periods), settings.label, settings.source, settings.environmental_from)


# Periods that all say the same are the whole year; exceedance within a month is not that within the year.
def _joined_if_equal(periods):
    first = periods[0]
    if all(each.exceedance_percent is None and np.array_equal(each.factor, first.factor) for each in periods):
        return (first._replace(months=tuple(MONTHS)),)
    return tuple(periods)


def _numbers(cells, name, is_valid, expected, problems):
    text = cells.str.strip()
    is_number = text.str.fullmatch(r"[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d+)?").fillna(False)
    value = text.where(is_number, "nan").astype(np.float64).to_numpy().copy()
    invalid = ~(np.isfinite(value) & is_valid(value))
    if invalid.any():
        first = cells[invalid].iloc[0]
        problems.append(f"{name}: expected {expected} (found {first!r} in rows {_rows(invalid)})")
    return value


# Row 2 is the first below the header.
def _rows(mask):
    return listed((np.flatnonzero(mask) + 2).tolist())


def _months(name, column):
    if column == "season":
        return months_of_season(name)
    is_month = re.fullmatch(r"0?[1-9]|1[0-2]", name.removesuffix(".0"))
    return (int(name.removesuffix(".0")),) if is_month else None


def _period(name, months, factor, exceedance, rows, problems):
    own = None if exceedance is None else exceedance[rows]
    if own is None or np.isnan(own).all():
        if rows.sum() > 1:
            problems.append(f"{name}: more than one factor without {EXCEEDANCE} in rows {_rows(rows)}")
        return PeriodFactors(months, None, factor[rows])
    if np.isnan(own).any() or len(set(own.tolist())) < len(own):
        problems.append(f"{name}: {EXCEEDANCE} is missing or repeated in rows {_rows(rows)}")
    order = np.argsort(own, kind="stable")
    return PeriodFactors(months, own[order], factor[rows][order])


def factor_at(period, exceedance_percent):
    """Factor of a flow that is exceeded for a share of a period.

    Parameters
    ----------
    period : PeriodFactors
    exceedance_percent : ndarray
        Within the period [%].

    Returns
    -------
    ndarray
        Linear in exceedance between the factors given; beyond the outermost the last one holds.

    Examples
    --------
    >>> low_flows = PeriodFactors((7, 8), np.array([50.0, 90.0]), np.array([1.0, 0.6]))
    >>> factor_at(low_flows, np.array([10.0, 70.0, 99.0])).tolist()
    [1.0, 0.8, 0.6]
    """
    if period.exceedance_percent is None:
        return np.full(np.shape(exceedance_percent), period.factor[0])
    return np.interp(exceedance_percent, period.exceedance_percent, period.factor)


def changed_curve(curve_m3s, change):
    """Duration curves by factors of the whole year.

    Parameters
    ----------
    curve_m3s : ndarray of float64, shape (n, K)
        From high to low [m³/s].
    change : FlowChange
        Of one period.

    Returns
    -------
    ndarray of float64, shape (n, K)
        From high to low.
    """
    bins = curve_m3s.shape[1]
    factor = factor_at(change.periods[0], 100.0 * (np.arange(bins) + 0.5) / bins)
    return -np.sort(-curve_m3s * factor, axis=1)


def changed_year(year, change):
    """Days of the year by factors of months or seasons.

    Parameters
    ----------
    year : YearBins
    change : FlowChange

    Returns
    -------
    YearBins
        From high to low within each month again.

    Notes
    -----
    How often a flow is exceeded is counted among the days of its own period.
    """
    flow = np.array(year.flow_m3s, dtype=np.float64)
    for period in change.periods:
        days = np.flatnonzero(np.isin(year.month, period.months))
        if period.exceedance_percent is None:
            flow[:, days] *= period.factor[0]
            continue
        order = np.argsort(-flow[:, days], axis=1, kind="stable")
        rank = np.empty(order.shape, dtype=np.int64)
        np.put_along_axis(rank, order, np.arange(len(days))[None, :], axis=1)
        flow[:, days] *= factor_at(period, 100.0 * (rank + 0.5) / len(days))
    for month in MONTHS:
        days = np.flatnonzero(year.month == month)
        flow[:, days] = -np.sort(-flow[:, days], axis=1)
    return YearBins(year.month, flow, year.scaling)


def ratio_of_curves(year, changed, count):
    """How flows of the year change by how often they are exceeded, months together.

    Parameters
    ----------
    year, changed : ndarray of float64, shape (n, 365)
        Flow of each day before and after [m³/s].
    count : int
        Number of bins to give.

    Returns
    -------
    ndarray of float64, shape (n, count)
        1 where there is no flow.
    """
    days = np.arange(year.shape[1])
    parts = np.minimum((np.arange(count)[:, None] + 1) / count, (days + 1) / len(days)) - np.maximum(
        np.arange(count)[:, None] / count, days / len(days)
    )
    share = (np.maximum(parts, 0.0) * count).T
    before, after = (-np.sort(-flow, axis=1) @ share for flow in (year, changed))
    return np.divide(after, before, out=np.ones_like(before), where=before > 0)


class ChangedMonths(NamedTuple):
    """Changed curves, shape (n, 200), and what share of each bin's time is in each month, shape (n, 200, 12)."""

    curve_m3s: np.ndarray
    shares: np.ndarray


def changed_by_regime(curve_m3s, regime, change):
    """Curves and their months by factors of months or seasons, where a regime says what falls in each month.

    Parameters
    ----------
    curve_m3s : ndarray of float64, shape (n, 200)
        Natural flow of today [m³/s].
    regime : sitefinder.hydrology.regime.Regime
        Of today.
    change : FlowChange

    Returns
    -------
    ChangedMonths

    Notes
    -----
    The time that a bin has in a month gets the factor of that month, by how often its flow is exceeded within its
    period; then all are sorted again and put into bins of equal time. Factors of 1 give back the same curve.
    """
    curve = np.ascontiguousarray(curve_m3s, dtype=np.float64)
    shares = month_shares(curve, regime)
    changed, moved = np.empty_like(curve), np.zeros_like(shares)
    for first in range(0, len(curve), STATIONS_AT_ONCE):
        block = slice(first, first + STATIONS_AT_ONCE)
        own = shares[block]
        flow = curve[block][:, :, None] * _factors(own, change)
        flat, time = flow.reshape(len(own), -1), own.reshape(len(own), -1) / curve.shape[1]
        order = np.argsort(-flat, axis=1, kind="stable")
        _bin_again(
            np.take_along_axis(flat, order, axis=1),
            np.take_along_axis(time, order, axis=1),
            order % 12,
            changed[block],
            moved[block],
        )
    unknown = np.isnan(curve).any(axis=1)
    changed[unknown], moved[unknown] = np.nan, np.nan
    return ChangedMonths(changed, moved)


# Factor of each bin in each month, shape (n, bins, 12).
def _factors(shares, change):
    factors = np.empty(shares.shape)
    for period in change.periods:
        months = np.array(period.months) - 1
        if period.exceedance_percent is None:
            factors[:, :, months] = period.factor[0]
            continue
        time = shares[:, :, months].sum(axis=2)
        total = time.sum(axis=1, keepdims=True)
        middle = np.divide(
            np.cumsum(time, axis=1) - time / 2.0, total, out=np.full(time.shape, 0.5), where=total > 0
        )
        factors[:, :, months] = factor_at(period, 100.0 * middle)[:, :, None]
    return factors


# Flows from high to low, each with its time and month, put into bins of equal time.
@kernel(fills=("curve", "shares"))
def _bin_again(flow, time, month, curve, shares):
    bins = curve.shape[1]
    for row in range(flow.shape[0]):
        curve[row, :] = 0.0
        # Times add up to 1 but for rounding.
        total = 0.0
        for place in range(flow.shape[1]):
            total += time[row, place]
        index, room = 0, total / bins
        for place in range(flow.shape[1]):
            left = time[row, place]
            while left > 0.0:
                part = left if index == bins - 1 else min(left, room)
                curve[row, index] += part * flow[row, place]
                shares[row, index, month[row, place]] += part
                left -= part
                room -= part
                if room <= 0.0 and index < bins - 1:
                    index, room = index + 1, total / bins
        for index in range(bins):
            filled = 0.0
            for number in range(12):
                filled += shares[row, index, number]
            if filled > 0.0:
                curve[row, index] /= filled
                for number in range(12):
                    shares[row, index, number] /= filled
