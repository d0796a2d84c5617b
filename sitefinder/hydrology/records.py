"""Daily records of gauges: complete years, statistics over a common period, extension of short records."""

from typing import NamedTuple

import numpy as np
import pandas as pd

from sitefinder.hydrology.duration_curve import duration_curve, flow_exceeded
from sitefinder.hydrology.seasons import MONTHS

DAYS_OF_MINIMUM = 7
# Share of time of the flow that is reached on 347 of 365 days.
Q347_PERCENT = 100.0 * 347 / 365


class DailyRecord(NamedTuple):
    """The record of one gauge, a row a day, in order of time without duplicates.

    ``date`` is datetime64[D]; ``flow_m3s`` is NaN where there is none; ``estimated`` and ``ice`` mark days.
    """

    gauge: str
    date: np.ndarray
    flow_m3s: np.ndarray
    estimated: np.ndarray
    ice: np.ndarray


class ExtensionLine(NamedTuple):
    """The line of organic correlation between log flows of two gauges, and the days it is based on."""

    slope: float
    intercept: float
    correlation: float
    days: int


def counted_flow(record, settings):
    """Flow of each day from the first to the last of a record, NaN where none counts.

    Parameters
    ----------
    record : DailyRecord
    settings : sitefinder.settings.flows.DailyRecords

    Returns
    -------
    Series of float64
        Index: every day, leap days like others.
    """
    flow = record.flow_m3s.copy()
    if not settings.count_estimated:
        flow[record.estimated] = np.nan
    if not settings.count_ice:
        flow[record.ice] = np.nan
    days = pd.DatetimeIndex(record.date)
    return pd.Series(flow, index=days).reindex(pd.date_range(days[0], days[-1], freq="D"))


def yearly_statistics(flow_m3s, starts_in_month=1, min_share=0.95):
    """What each year of a record holds.

    Parameters
    ----------
    flow_m3s : Series
        As of `counted_flow`.
    starts_in_month : int
        First month of the year; a year is named for the calendar year in which it ends.
    min_share : float
        Share of the year's days that must have a flow.

    Returns
    -------
    DataFrame
        Index: the year. ``days`` (with a flow), ``is_complete``, ``mean_m3s`` (of those days) and ``min7day_m3s``:
        the minimum mean of 7 consecutive days ending in the year; NaN where no 7 consecutive days have a flow.
    """
    year = _years(flow_m3s.index, starts_in_month)
    by_year = flow_m3s.groupby(year)
    table = pd.DataFrame({"days": by_year.count(), "mean_m3s": by_year.mean()})
    table["is_complete"] = table["days"] >= min_share * _days_of(table.index.to_numpy(), starts_in_month)
    table["min7day_m3s"] = _trailing_mean(flow_m3s).groupby(year).min()
    return table[["days", "is_complete", "mean_m3s", "min7day_m3s"]]


def gauge_statistics(records, settings):
    """Flow statistics of gauges from their daily records, over one period.

    Parameters
    ----------
    records : list of DailyRecord
        One a gauge.
    settings : sitefinder.settings.flows.DailyRecords

    Returns
    -------
    DataFrame
        Index: gauge. ``flow_mean_m3s`` and ``flow_qNN_m3s`` (exceeded NN % of the time), which equations are
        fitted from; ``low347_m3s`` (reached on 347 of 365 days), ``min7day_m3s`` (mean of the years' 7-day
        minima), ``month_01_mean_m3s`` … ``month_12_mean_m3s`` (of each month; with ``fit_months`` as
        ``flow_month_01_mean_m3s`` …, so that they are fitted as well) [m³/s]; ``record_years`` (complete years
        of its own in the period), ``year_to_year_log_sd`` (of their means; NaN under two), ``first_year`` and
        ``last_year`` (the period), ``days_used``, ``days_estimated``, ``days_ice`` (among the days of the period,
        counted or not), ``days_missing``, ``extended_from`` (the neighbour, or ""), ``short`` (still so) and
        ``note``. All flows of an excluded gauge are NaN.

    Notes
    -----
    Only complete years are used, so that no season counts more than another; all their days form one duration
    curve, with the positions of `duration_curve`. The period is that of the settings, or from the first to the
    last complete year of any gauge. A record with fewer than ``min_years`` complete years in it is short. It is
    extended from the neighbour, itself not short, with the highest correlation of log flows, see `extension_line`;
    its own days are unchanged. Hirsch [1]_ extended monthly flows; daily ones here are a departure. A record with
    zero flows, or a neighbour with them, has no logarithm and is not extended but flagged.

    References
    ----------
    .. [1] R. M. Hirsch, "A comparison of four streamflow record extension techniques," Water Resour. Res.,
       vol. 18, no. 4, pp. 1081-1088, 1982, doi:10.1029/WR018i004p01081.
    """
    flows = {record.gauge: counted_flow(record, settings) for record in records}
    years = {gauge: _yearly(flow, settings) for gauge, flow in flows.items()}
    first, last = _period(years, settings)
    complete = {
        gauge: table.index[table["is_complete"] & (table.index >= first) & (table.index <= last)].to_numpy()
        for gauge, table in years.items()
    }
    short = {gauge: len(own) < settings.min_years for gauge, own in complete.items()}
    long_ones = {gauge: flow for gauge, flow in flows.items() if not short[gauge]}
    rows = {}
    for record in records:
        gauge, flow, own = record.gauge, flows[record.gauge], complete[record.gauge]
        used, neighbour, notes = own, "", []
        if short[gauge]:
            notes.append(f"{len(own)} complete years in {first}–{last}, fewer than {settings.min_years}")
            if settings.short_records == "extend":
                flow, neighbour, entries = _extended(gauge, flow, long_ones, settings, (first, last))
                notes.append(entries)
                if neighbour:
                    table = _yearly(flow, settings)
                    inside = (table.index >= first) & (table.index <= last)
                    used = table.index[table["is_complete"] & inside].to_numpy()
            elif settings.short_records == "leave_out":
                used = own[:0]
                notes.append("left out")
        rows[gauge] = {
            **_statistics(flow, used, settings),
            **_counts(record, flows[gauge], own, (first, last), settings),
            "record_years": len(own),
            "year_to_year_log_sd": _log_sd(years[gauge].loc[own, "mean_m3s"].to_numpy()),
            "first_year": first,
            "last_year": last,
            "extended_from": neighbour,
            "short": short[gauge] and not neighbour,
            "note": "; ".join(notes),
        }
    return pd.DataFrame.from_dict(rows, orient="index").rename_axis("gauge_id")


def extension_line(short, long):
    """The line that extends a short record from a long one, maintenance of variance of type 1 (MOVE.1).

    Parameters
    ----------
    short, long : ndarray of float64, shape (n,)
        Flows of the same days, all above 0.

    Returns
    -------
    ExtensionLine
        ln short = intercept + slope · ln long.

    Notes
    -----
    MOVE.1 of [1]_: slope S(y)/S(x) with the sign of the correlation, through both means. What is extended keeps
    the mean and the variance of the short record, where least squares would reduce the variance.

    References
    ----------
    .. [1] R. M. Hirsch, "A comparison of four streamflow record extension techniques," Water Resour. Res.,
       vol. 18, no. 4, pp. 1081-1088, 1982, doi:10.1029/WR018i004p01081.

    Examples
    --------
    >>> line = extension_line(np.array([2.0, 8.0, 32.0]), np.array([1.0, 2.0, 4.0]))
    >>> round(line.slope, 6), round(float(np.exp(line.intercept)), 6), round(line.correlation, 6)
    (2.0, 2.0, 1.0)
    """
    y, x = np.log(short), np.log(long)
    spread = x.std() * y.std()
    correlation = float(((x - x.mean()) * (y - y.mean())).mean() / spread) if spread > 0 else 0.0
    slope = float(np.copysign(y.std() / x.std(), correlation)) if x.std() > 0 else 0.0
    return ExtensionLine(slope, float(y.mean() - slope * x.mean()), correlation, y.size)


def pooled_year_to_year(table):
    """Spread of yearly mean flow that all gauges show together.

    Parameters
    ----------
    table : DataFrame
        ``record_years`` and ``year_to_year_log_sd`` of each gauge.

    Returns
    -------
    float or None
        Standard deviation of natural logs, the root of the variances' mean weighted by years − 1; None where no
        gauge has two complete years.

    Examples
    --------
    >>> pooled_year_to_year(pd.DataFrame({"record_years": [3, 2], "year_to_year_log_sd": [0.2, 0.2]}))
    0.2
    """
    known = table[(table["record_years"] >= 2) & np.isfinite(table["year_to_year_log_sd"])]
    if known.empty:
        return None
    variance = np.average(known["year_to_year_log_sd"] ** 2, weights=known["record_years"] - 1)
    return round(float(np.sqrt(variance)), 12)


def _yearly(flow, settings):
    return yearly_statistics(flow, settings.year_starts_in_month, settings.min_share_of_year)


def _years(days, starts_in_month):
    return days.year + ((days.month >= starts_in_month) & (starts_in_month > 1))


# Days of each year, leap days with them.
def _days_of(years, starts_in_month):
    began = years - (1 if starts_in_month > 1 else 0)
    start = [np.datetime64(f"{year:04d}-{starts_in_month:02d}-01") for year in began]
    end = [np.datetime64(f"{year + 1:04d}-{starts_in_month:02d}-01") for year in began]
    return (np.array(end, dtype="datetime64[D]") - np.array(start, dtype="datetime64[D]")).astype(np.int64)


# Mean of each day and the six before it; NaN where one of them has no flow.
def _trailing_mean(flow):
    mean = np.full(len(flow), np.nan)
    if len(flow) >= DAYS_OF_MINIMUM:
        windows = np.lib.stride_tricks.sliding_window_view(flow.to_numpy(), DAYS_OF_MINIMUM)
        mean[DAYS_OF_MINIMUM - 1 :] = windows.mean(axis=1)
    return pd.Series(mean, index=flow.index)


def _period(years, settings):
    if settings.first_year is not None:
        return settings.first_year, settings.last_year
    complete = [table.index[table["is_complete"]] for table in years.values() if table["is_complete"].any()]
    every = [table.index for table in years.values()]
    return (min(found.min() for found in complete or every), max(found.max() for found in complete or every))


def _statistics(flow, years, settings):
    inside = flow[np.isin(_years(flow.index, settings.year_starts_in_month), years)].dropna()
    names = {f"flow_q{percent:02g}_m3s": percent for percent in settings.exceedance_percent}
    months = {f"{'flow_' if settings.fit_months else ''}month_{month:02d}_mean_m3s": month for month in MONTHS}
    if inside.empty:
        every = ["flow_mean_m3s", *names, "low347_m3s", "min7day_m3s", *months]
        return dict.fromkeys(every, np.nan) | {"days_used": 0}
    curve = duration_curve(inside.to_numpy())
    by_month = inside.groupby(inside.index.month).mean()
    return {
        "flow_mean_m3s": inside.mean(),
        **{name: float(flow_exceeded(curve, percent)) for name, percent in names.items()},
        "low347_m3s": float(flow_exceeded(curve, Q347_PERCENT)),
        "min7day_m3s": _yearly(flow, settings).loc[years, "min7day_m3s"].mean(),
        **{name: by_month.get(month, np.nan) for name, month in months.items()},
        "days_used": len(inside),
    }


# Days of the period that are marked, and days of the record's own complete years without a flow that counts.
def _counts(record, flow, own_years, period, settings):
    year = _years(pd.DatetimeIndex(record.date), settings.year_starts_in_month)
    inside = ((year >= period[0]) & (year <= period[1])) & np.isfinite(record.flow_m3s)
    of_own = np.isin(_years(flow.index, settings.year_starts_in_month), own_years)
    required = int(_days_of(own_years, settings.year_starts_in_month).sum()) if len(own_years) else 0
    return {
        "days_estimated": int((record.estimated & inside).sum()),
        "days_ice": int((record.ice & inside).sum()),
        "days_missing": required - int(flow[of_own].notna().sum()),
    }


def _log_sd(yearly_mean):
    if len(yearly_mean) < 2 or not (yearly_mean > 0).all():
        return np.nan
    return float(np.std(np.log(yearly_mean), ddof=1))


# A short record with days of its neighbour's, the neighbour's id, and a note; unchanged and "" where no
# neighbour will do.
def _extended(gauge, flow, long_ones, settings, period):
    if (flow == 0).any():
        return flow, "", "not extended: it has days without flow, which have no logarithm"
    best, neighbour = None, ""
    for name, other in long_ones.items():
        both = pd.concat([flow, other], axis=1, join="inner").dropna()
        if name == gauge or (other == 0).any() or len(both) < settings.min_overlap_days:
            continue
        line = extension_line(both.iloc[:, 0].to_numpy(), both.iloc[:, 1].to_numpy())
        if line.correlation >= settings.min_correlation and (best is None or line.correlation > best.correlation):
            best, neighbour = line, name
    if best is None:
        required = f"{settings.min_overlap_days} days shared and a correlation of {settings.min_correlation:g}"
        return flow, "", f"not extended: no long record without zero flows has {required}"
    other = long_ones[neighbour]
    year = _years(other.index, settings.year_starts_in_month)
    other = other[(year >= period[0]) & (year <= period[1])]
    extended = flow.combine_first(np.exp(best.intercept + best.slope * np.log(other)))
    entries = f"extended from {neighbour} (MOVE.1, correlation {best.correlation:.2f} of {best.days} days)"
    return extended.asfreq("D"), neighbour, entries
