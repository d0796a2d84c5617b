"""Abstractions and returns of water, routed down the network, and the wider intervals that follow."""

import re
from typing import NamedTuple

import geopandas
import numpy as np
import pandas as pd
import shapely
from scipy.special import ndtri

from sitefinder.compiled import kernel
from sitefinder.errors import InputError, all_of, listed
from sitefinder.hydrology.estimate import with_flags
from sitefinder.hydrology.seasons import DAYS, DAYS_IN_MONTH, MONTHS
from sitefinder.network.catchments import carried_down
from sitefinder.units import M3S_PER_FLOW_UNIT
from sitefinder.vocabulary import ABSTRACTION_KINDS

# What a point may be, and whether water goes (1) or comes (−1).
KINDS = dict(zip(ABSTRACTION_KINDS, (1.0, 1.0, -1.0, -1.0), strict=True))
# More than this is no water right: the largest canals carry about as much (own choice) [m³/s].
MAX_FLOW_M3S = 2000.0
# Between the kinds of a row, and where what it takes comes back.
RETURN = "return"
# When it runs, where that is not all the time: at low flows, or at any, spread evenly as its mean.
WHEN = ("even", "low")
MONTH_LIST = re.compile(r"\s*\d{1,2}(\s*-\s*\d{1,2})?(\s*[;, ]\s*\d{1,2}(\s*-\s*\d{1,2})?)*\s*")
# The interval of a flow that is mostly abstracted is widened by no more than this factor (own choice).
MAX_WIDENING = 10.0
# Half width of a 90 % interval in standard deviations.
HALF_INTERVAL = float(ndtri(0.95))


class AlteredFlow(NamedTuple):
    """Flows after abstractions and returns.

    ``estimate`` holds the altered flow with its curve sorted again; ``bins_m3s``, of the shape of the given flows,
    is not sorted again, so that each bin is the same time as before. ``notes`` are counts for the report.
    """

    estimate: object
    bins_m3s: np.ndarray
    notes: list


def rights_of(frame, source, returns=None):
    """Water rights with columns under names of the program, each taking or bringing water at one place.

    Parameters
    ----------
    frame : GeoDataFrame
        The layer or table as read: ``feature_id``, ``source_row``, the user's columns and points, lines from
        the diversion to the return, or areas.
    source : sitefinder.settings.WaterRightSource
    returns : ndarray of Point or None, shape (n,), optional
        Where the water of each row comes back, None where it does not.

    Returns
    -------
    GeoDataFrame
        ``feature_id``, ``feature_name``, ``kind``, ``flow_m3s`` [m³/s], ``share_of_time``, ``when``, ``months``,
        ``licence``, ``seniority`` (texts) and the geometry; what `alterations_of` checks is as the user wrote it.
        Of a line, and of what has a place of return, there is a second row with the kind ``return`` and its share
        of the flow.

    Raises
    ------
    InputError
        If columns are not there, a right is of several parts, a flow is greater than any right's, or one licence
        has several seniorities.
    """
    _validate_right_columns(frame, source)
    problems = []
    several = frame["feature_id"][frame["source_row"].duplicated(keep=False)]
    if len(several):
        problems.append(
            InputError.of(
                "water rights are of several parts, and would count several times",
                file=source.path,
                expected="one point, line or area for each",
                found=listed(dict.fromkeys(several)),
                fix="split each into rights of its own with their flows",
            )
        )
    kinds = {word.strip().lower(): kind for word, kind in source.kinds.items()}
    kind = _texts(frame, source.kind_column)
    kind = kind.map(lambda word: kinds.get(word, word))
    if source.default_kind is not None:
        kind = kind.where(kind != "", source.default_kind)
    number = _numbers(frame, source.flow_column)
    flow_m3s = number * M3S_PER_FLOW_UNIT[source.flow_unit]
    if (odd := ~(np.isfinite(number) & (number >= 0))).any():
        problems.append(
            InputError.of(
                "water rights have no flow",
                file=f"{source.path}, column {source.flow_column}",
                features=listed(frame["feature_id"][odd]),
                expected=f"numbers from 0 up, in {source.flow_unit}; water that is brought has a kind of its own",
                found=listed(dict.fromkeys(repr(cell) for cell in frame[source.flow_column][odd].tolist())),
                fix="correct the column, or leave these rights out",
            )
        )
    if (too_much := flow_m3s > MAX_FLOW_M3S).any():
        problems.append(
            InputError.of(
                "water rights take more than any canal carries",
                file=f"{source.path}, column {source.flow_column}",
                features=listed(frame["feature_id"][too_much]),
                expected=f"at most {MAX_FLOW_M3S:g} m³/s",
                found=listed(f"{flow:g} m³/s" for flow in flow_m3s[too_much]),
                fix=f"correct flow_unit, which is {source.flow_unit}, or the column",
            )
        )
    licence = _words(frame, source.licence_column)
    own = frame[["feature_id", "feature_name"]].assign(
        kind=kind,
        # As written where it is no number, so that the check of it shows the feature.
        flow_m3s=flow_m3s,
        licence=licence.where(licence != "", frame["feature_id"].astype(str)),
        seniority=_words(frame, source.seniority_column),
        **{column: frame[column] for column in ("share_of_time", "when", "months") if column in frame},
    )
    if source.licence_column is not None:
        apart = (
            own[licence != ""].groupby("licence", sort=False)["seniority"].agg(lambda each: [*dict.fromkeys(each)])
        )
        conflicts = apart[apart.map(len) > 1]
        if len(conflicts):
            problems.append(
                InputError.of(
                    "licences have several seniorities",
                    file=f"{source.path}, column {source.seniority_column}",
                    expected="the same for all rights of one licence",
                    found=listed(
                        f"{name}: {' and '.join(each or 'nothing' for each in values)}"
                        for name, values in conflicts.items()
                    ),
                    fix="correct the column, or licence_column",
                )
            )
    if len(problems) == 1:
        raise problems[0]
    if problems:
        raise all_of(InputError, "the layer abstractions", [str(problem) for problem in problems])
    return _with_returns(own, frame, source, returns)


# Rights at the places of diversion, and those that come back at the places of return.
def _with_returns(own, frame, source, returns):
    shapes = frame.geometry.to_numpy()
    is_line = shapely.get_type_id(shapes) == shapely.GeometryType.LINESTRING
    back = np.full(len(frame), None, dtype=object) if returns is None else np.array(returns, dtype=object)
    back[is_line] = shapely.get_point(shapes[is_line], -1)
    at = np.array(shapes, dtype=object)
    at[is_line] = shapely.get_point(shapes[is_line], 0)
    takes = own["kind"].map(KINDS).to_numpy() != KINDS[RETURN]
    comes_back = np.flatnonzero(~shapely.is_missing(back) & takes & (source.return_share > 0))
    returned = own.iloc[comes_back].assign(kind=RETURN)
    returned["flow_m3s"] = returned["flow_m3s"] * source.return_share
    rows = pd.concat([own, returned], ignore_index=True)
    return geopandas.GeoDataFrame(rows, geometry=np.concatenate([at, back[comes_back]]), crs=frame.crs)


def _validate_right_columns(frame, source):
    own = ("source_row", "source_part", "feature_id", "feature_name", frame.geometry.name)
    columns = [str(column) for column in frame.columns if column not in own]
    asked = {
        name: getattr(source, name)
        for name in ("licence_column", "seniority_column", "return_x_column", "return_y_column")
        if getattr(source, name) is not None
    }
    asked |= {"flow_column": source.flow_column}
    if source.default_kind is None:
        asked["kind_column"] = source.kind_column
    absent = {setting: column for setting, column in asked.items() if column not in columns}
    if absent:
        raise InputError.of(
            f"the layer abstractions lacks columns {listed(sorted(absent.values()))}",
            file=source.path,
            expected=f"a kind ({', '.join(KINDS)}) and a flow; share_of_time, when and months if you know them",
            found=f"columns {listed(columns, shown=20)}" if columns else "no columns",
            fix=f"add the columns, or correct {', '.join(sorted(absent))}"
            + ("; default_kind serves where all are of one kind" if "kind_column" in absent else ""),
        )


# Texts as they are written, whole numbers without decimals; "" for none and without a column.
def _words(frame, column):
    if column is None:
        return pd.Series("", index=frame.index)
    values = frame[column].astype(object)
    return values.where(values.notna(), "").astype(str).str.strip().str.removesuffix(".0")


def alterations_of(frame, name):
    """Abstractions, returns and transfers as a table, checked.

    Parameters
    ----------
    frame : DataFrame
        ``feature_id``; ``kind`` (of `KINDS`), ``flow_m3s`` (while it runs), and where they are there
        ``share_of_time`` (from 0 to 1; empty: 1), ``when`` (of `WHEN`; empty: even) and ``months`` (such as
        ``5-9`` or ``11;12;1``; empty: all).
    name : str
        What to call the layer in messages.

    Returns
    -------
    DataFrame
        Same rows: ``feature_id``, ``flow_m3s`` (below zero for water that is brought), ``share_of_time``,
        ``when``, ``months`` (tuple of int).

    Raises
    ------
    InputError
        Listing all that is wrong, with the ids.
    """
    absent = [column for column in ("kind", "flow_m3s") if column not in frame]
    if absent:
        raise InputError.of(
            f"the layer {name} lacks columns",
            expected=f"kind ({', '.join(KINDS)}) and flow_m3s; share_of_time, when and months if you know them",
            found=f"no {listed(absent)}",
            fix="add the columns",
        )
    kind, when, months = (_texts(frame, column) for column in ("kind", "when", "months"))
    flow, share = _numbers(frame, "flow_m3s"), _numbers(frame, "share_of_time")
    no_share = _texts(frame, "share_of_time") == ""
    entries = months.map(_months_reported)
    wrong = (
        (~kind.isin(list(KINDS)), f"kind must be {', '.join(KINDS)}"),
        (~((flow >= 0) & np.isfinite(flow)), "flow_m3s must be a number from 0 up"),
        (~no_share & ~share.between(0, 1), "share_of_time must be a number from 0 to 1, or nothing"),
        (~when.isin(["", *WHEN]), f"when must be {' or '.join(WHEN)}, or nothing"),
        (entries.isna(), "months must be like 5-9 or 11;12;1, or nothing"),
    )
    ids = frame["feature_id"]
    problems = [f"{text} (features {listed(ids[bad])})" for bad, text in wrong if bad.any()]
    if problems:
        raise all_of(InputError, f"the layer {name}", problems)
    return pd.DataFrame(
        {
            "feature_id": ids,
            "flow_m3s": flow * kind.map(KINDS),
            "share_of_time": share.where(~no_share, 1.0),
            "when": when.where(when != "", WHEN[0]),
            "months": entries,
        }
    )


def _texts(frame, column):
    if column not in frame:
        return pd.Series("", index=frame.index)
    values = frame[column].astype(object)
    return values.where(values.notna(), "").astype(str).str.strip().str.lower()


def _numbers(frame, column):
    if column not in frame:
        return pd.Series(np.nan, index=frame.index)
    return pd.to_numeric(frame[column], errors="coerce").astype(np.float64)


# Months that a text names; all for none; None if it cannot be read. A span may go over the turn of the year.
def _months_reported(text):
    text = text.removesuffix(".0")
    if text == "":
        return tuple(MONTHS)
    if not MONTH_LIST.fullmatch(text):
        return None
    found = set()
    for part in re.findall(r"(\d+)(?:\s*-\s*(\d+))?", text):
        first, last = int(part[0]), int(part[1] or part[0])
        if not (1 <= first <= 12 and 1 <= last <= 12):
            return None
        found.update((first - 1 + step) % 12 + 1 for step in range((last - first) % 12 + 1))
    return tuple(sorted(found))


def with_alterations(estimate, alterations, station, downstream, min_percent, year=None):
    """Flows less what is taken upstream, and more by what is brought.

    Parameters
    ----------
    estimate : FlowEstimate
        Natural flows of n stations.
    alterations : DataFrame, k rows
        See `alterations_of`.
    station : ndarray of int, shape (k,)
        Station at which each takes effect, -1 for none.
    downstream : ndarray of int32, shape (n,)
        Next station downstream, always of a higher number, or -1.
    min_percent : float
        Stations are flagged ``flow_altered`` where the mean flow changes by at least this share [%].
    year : sitefinder.hydrology.seasons.YearBins, optional
        Natural flows by month. Without it what runs in some months is spread over the year.

    Returns
    -------
    Altered
        Bins are those of `year`, or of the curve without it.

    Notes
    -----
    Flows down a river are taken to be high and low together, so water is subtracted bin by bin. What runs for a
    share of the time at low flows comes off the lowest bins; evenly, its mean comes off all. No more is taken than
    there is, and only that much is carried down; where more is requested at any time the station is flagged
    ``flow_exhausted``. The error of the flow in m³/s stays what it was: in logs the standard deviation grows as
    the flow falls, by no more than `MAX_WIDENING`. Water that leaves by a side arm is followed down the main arm
    only, as the network's stations are.
    """
    station = np.asarray(station, dtype=np.int64)
    count = len(estimate.mean_m3s)
    has_use = np.zeros(count, dtype=bool)
    has_use[station[station >= 0]] = True
    rows = np.flatnonzero(carried_down(has_use, downstream))
    # Where among the rows the next station of each is, and the station of each alteration; below zero: nowhere.
    below = np.where(downstream[rows] >= 0, np.searchsorted(rows, downstream[rows]), downstream[rows])
    place = np.where(station >= 0, np.searchsorted(rows, station), station)

    def altered(natural, month):
        taken = np.zeros((len(rows), natural.shape[1]))
        for at, item in zip(place.tolist(), alterations.itertuples(), strict=True):
            if at >= 0:
                taken[at] += item.flow_m3s * operating_fraction(item, natural.shape[1], month)
        short = _carry_taken(np.ascontiguousarray(natural[rows]), below, taken)
        bins = natural.copy()
        bins[rows] -= taken
        return bins, taken, short

    bins, taken, short = altered(estimate.curve_m3s, None)
    curve = bins.copy()
    curve[rows] = -np.sort(-bins[rows], axis=1)
    if year is not None:
        bins, _, short_by_month = altered(year.flow_m3s, year.month)
        short |= short_by_month
    mean = estimate.mean_m3s.copy()
    mean[rows] = np.maximum(mean[rows] - taken.mean(axis=1), 0.0)
    factor = np.divide(mean, estimate.mean_m3s, out=np.ones(count), where=estimate.mean_m3s > 0)
    factor[np.isnan(mean)] = 1.0
    changed, exhausted = 100 * np.abs(factor - 1.0) >= min_percent, np.zeros(count, dtype=bool)
    # Where there is no natural flow, a share means nothing and any water brought in is a change.
    changed |= (estimate.mean_m3s == 0) & (mean > 0)
    exhausted[rows] = short
    sd = estimate.mean_log_sd / np.maximum(factor, 1.0 / MAX_WIDENING)
    low, high = _interval(estimate, sd, factor)
    touched = factor != 1.0
    zero_share, dry = estimate.zero_share.copy(), (curve[rows] <= 0).mean(axis=1)
    # Water brought in may wet a naturally dry stream; abstraction cannot.
    zero_share[rows] = np.where((taken < 0).any(axis=1), dry, np.maximum(zero_share[rows], dry))
    result = estimate._replace(
        mean_m3s=mean,
        mean_low_m3s=np.where(touched, low, estimate.mean_low_m3s),
        mean_high_m3s=np.where(touched, high, estimate.mean_high_m3s),
        mean_log_sd=sd,
        curve_m3s=curve,
        zero_share=zero_share,
    )
    result = with_flags(with_flags(result, "flow_altered", changed), "flow_exhausted", exhausted)
    notes = [
        f"{number} of {count} stations {meaning}"
        for number, meaning in (
            (changed.sum(), f"have {min_percent:g} % of their mean flow or more taken or brought"),
            (exhausted.sum(), "would have more taken than flows in some of the time; nothing is left there then"),
        )
        if number
    ]
    return AlteredFlow(result._replace(notes=[*estimate.notes, *notes]), bins, notes)


def operating_fraction(item, count, month=None):
    """Share of each bin during which an abstraction runs.

    Parameters
    ----------
    item : tuple
        With ``share_of_time``, ``when`` and ``months``.
    count : int
        Number of bins.
    month : ndarray of int, shape (count,), optional
        Month of each bin; without it the bins are those of the whole year.

    Returns
    -------
    ndarray of float64, shape (count,)
        Its mean, over the bins, is the share of the year that it runs.
    """
    if month is None:
        days = sum(DAYS_IN_MONTH[number - 1] for number in item.months)
        return _of_time(item.when, item.share_of_time * days / DAYS, count)
    running = np.zeros(count)
    for number in item.months:
        bins = month == number
        running[bins] = _of_time(item.when, item.share_of_time, np.count_nonzero(bins))
    return running


# A share of the time, over bins from high to low flow.
def _of_time(when, share, count):
    if when == "low":
        return np.clip(share * count - np.arange(count)[::-1], 0.0, 1.0)
    return np.full(count, share)


# Abstraction at each row and upstream, in place; at first at the row alone. Rows go down the network; no more is
# taken than there is. Returns where more was requested.
@kernel(fills=("taken",))
def _carry_taken(natural, below, taken):
    short = np.zeros(len(natural), dtype=np.bool_)
    for row in range(len(natural)):
        for place in range(natural.shape[1]):
            if taken[row, place] > natural[row, place]:
                taken[row, place] = natural[row, place]
                short[row] = True
            if below[row] >= 0:
                taken[below[row], place] += taken[row, place]
    return short


def widened(estimate, mask, log_sd):
    """An estimate that is less sure at some stations.

    Parameters
    ----------
    estimate : FlowEstimate
    mask : ndarray of bool, shape (n,)
        Where a part of the error is not in the regression: losing or karst reaches.
    log_sd : float
        Standard deviation of that part in natural logs, independent of the rest.

    Returns
    -------
    FlowEstimate
        About the same median; the mean and the curve stay.
    """
    sd = np.where(mask, np.hypot(estimate.mean_log_sd, log_sd), estimate.mean_log_sd)
    low, high = _interval(estimate, sd, np.ones(len(sd)))
    return estimate._replace(
        mean_log_sd=sd,
        mean_low_m3s=np.where(mask, low, estimate.mean_low_m3s),
        mean_high_m3s=np.where(mask, high, estimate.mean_high_m3s),
    )


# Ends of the 90 % interval with another standard deviation about the median times a factor, with the t that the
# interval had.
def _interval(estimate, sd, factor):
    low, high = estimate.mean_low_m3s, estimate.mean_high_m3s
    known = (low > 0) & (estimate.mean_log_sd > 0)
    width = np.log(np.divide(high, low, out=np.ones_like(low), where=known))
    half = np.divide(
        width, 2.0 * estimate.mean_log_sd, out=np.full_like(low, HALF_INTERVAL), where=known & (width > 0)
    )
    median = np.sqrt(low * high) * factor
    return median * np.exp(-half * sd), median * np.exp(half * sd)
