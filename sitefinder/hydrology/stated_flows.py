"""Drops without a stream: canal drops, mill races, outfalls and weirs whose flow the user states."""

from typing import NamedTuple

import numpy as np
import pandas as pd

from sitefinder.errors import InputError, all_of, listed
from sitefinder.hydrology.seasons import BIN_MONTH, DAYS, MONTHS

CONSTANT, OF_MONTHS, OF_RECORD = "constant", "twelve months", "daily record"
MONTH_COLUMNS = tuple(f"flow_{month:02d}_m3s" for month in MONTHS)
TEXTS = ("kind", "use", "owner", "condition", "flow_group")
STATEMENTS = ("fish_pass", "needs_fish_pass", "powered", "removal_planned")
# A stated drop without a stated error (common practice, no source).
STATED_ERROR_M = 0.1
# A month's duration curve needs this many days (own choice: half a month).
MIN_DAYS_OF_MONTH = 15


class StatedDrops(NamedTuple):
    """Drops with the flows that the user states.

    ``table`` has a row a drop: ``drop_id``, ``kind``, ``use``, ``owner``, ``condition``, ``fish_pass``,
    ``needs_fish_pass``, ``powered``, ``removal_planned``, ``drop_m``, ``drop_error_m``, ``flow_source``,
    ``flow_left_m3s``, ``flow_error_percent`` (NaN where none is stated), ``flow_group``, ``x_m``, ``y_m``.
    ``bins_m3s`` are the flows of a mean year, shape (n, 365), each month's on
    as many bins as it has days, see `sitefinder.hydrology.seasons`.
    """

    table: pd.DataFrame
    bins_m3s: np.ndarray


def stated_drops(frame, records=None, name="drops", flow_error_percent=None) -> StatedDrops:
    """Drops of the user's layer, checked, with the flows of a mean year.

    Parameters
    ----------
    frame : GeoDataFrame
        Points with ``feature_id``, ``drop_m`` [m], and one of: ``flow_m3s``, the columns ``flow_01_m3s`` to
        ``flow_12_m3s`` (means of the months), or rows of `records` [m³/s]; further any of ``drop_error_m``,
        ``flow_left_m3s`` (what must go past the turbine), ``flow_error_percent`` (standard error of the mean of
        the stated flow), the texts ``kind``, ``use``, ``owner``, ``condition``, ``flow_group`` (drops of one group
        err together) and the statements ``fish_pass``, ``needs_fish_pass``, ``powered``, ``removal_planned``.
    records : DataFrame, optional
        Daily flows: ``drop_id``, ``date`` (datetime) and ``flow_m3s``.
    name : str
        Name of the layer in messages.
    flow_error_percent : float, optional
        That of drops whose row states none.

    Returns
    -------
    StatedDrops

    Raises
    ------
    InputError
        Listing all problems, with the ids.

    Notes
    -----
    A mean of a month is taken for each of its days. Of a record each month keeps its own duration curve, of the
    days of that month in all years, as the means of as many equal parts of it as the month has days.
    """
    ids = frame["feature_id"].astype(str)
    if "drop_m" not in frame:
        raise InputError.of(
            f"the layer {name} lacks a column",
            expected="drop_m, and flow_m3s, flow_01_m3s to flow_12_m3s, or rows of inputs.drop_flows",
            found=f"no drop_m among {listed(list(frame.columns))}",
            fix="add the column",
        )
    numbers = {
        column: pd.to_numeric(frame[column], errors="coerce").to_numpy(dtype=np.float64)
        if column in frame
        else np.full(len(frame), np.nan)
        for column in ("drop_m", "drop_error_m", "flow_m3s", "flow_left_m3s", "flow_error_percent", *MONTH_COLUMNS)
    }
    given = {column: ~_is_empty(frame, column) for column in numbers}
    months_m3s = np.array([numbers[column] for column in MONTH_COLUMNS]).T.reshape(len(frame), len(MONTH_COLUMNS))
    months_given = np.array([given[column] for column in MONTH_COLUMNS]).T.reshape(months_m3s.shape)
    by_drop = {} if records is None else dict(tuple(records.groupby(records["drop_id"].astype(str))))
    has_record = ids.isin(list(by_drop)).to_numpy()
    stated = given["flow_m3s"].astype(int) + months_given.any(axis=1) + has_record
    wrong = [
        (ids.duplicated(keep=False).to_numpy(), "the id appears more than once"),
        (~(numbers["drop_m"] > 0), "drop_m must be a number above 0"),
        (given["drop_error_m"] & ~(numbers["drop_error_m"] > 0), "drop_error_m must be above 0, or nothing"),
        (given["flow_m3s"] & ~_is_flow(numbers["flow_m3s"]), "flow_m3s must be a number from 0 up"),
        ((months_given & ~_is_flow(months_m3s)).any(axis=1), "flows of months must be numbers from 0 up"),
        (given["flow_left_m3s"] & ~_is_flow(numbers["flow_left_m3s"]), "flow_left_m3s must be from 0 up"),
        (
            given["flow_error_percent"] & ~_is_flow(numbers["flow_error_percent"]),
            "flow_error_percent must be from 0 up",
        ),
        (months_given.any(axis=1) & ~months_given.all(axis=1), "all twelve months need a flow"),
        (stated == 0, "no flow: state flow_m3s, twelve months, or rows of inputs.drop_flows"),
        (stated > 1, "more than one flow: state one of flow_m3s, twelve months, or rows of inputs.drop_flows"),
    ]
    problems = [f"{text} (drops {listed(ids[bad].unique().tolist())})" for bad, text in wrong if bad.any()]
    if strange := sorted(set(by_drop) - set(ids)):
        problems.append(f"inputs.drop_flows: no drop of that id ({listed(strange)})")
    bins_m3s = np.full((len(frame), DAYS), np.nan)
    for row, drop in enumerate(ids):
        if has_record[row]:
            own = by_drop[drop]
            month_of_day = own["date"].dt.month
            if few := [month for month in MONTHS if (month_of_day == month).sum() < MIN_DAYS_OF_MONTH]:
                problems.append(f"the record of {drop} has too few days in the months {listed(few)}")
                continue
            bins_m3s[row] = _of_record(own)
        elif given["flow_m3s"][row]:
            bins_m3s[row] = numbers["flow_m3s"][row]
        else:
            bins_m3s[row] = months_m3s[row][BIN_MONTH - 1]
    if problems:
        raise all_of(InputError, f"the layer {name}", problems)
    table = pd.DataFrame({"drop_id": ids.to_numpy()})
    for column in TEXTS:
        table[column] = _texts(frame[column]) if column in frame else ""
    for column in STATEMENTS:
        table[column] = _statements(frame[column]) if column in frame else False
    table["drop_m"] = numbers["drop_m"]
    table["drop_error_m"] = np.where(given["drop_error_m"], numbers["drop_error_m"], STATED_ERROR_M)
    table["flow_source"] = np.select([has_record, given["flow_m3s"]], [OF_RECORD, CONSTANT], OF_MONTHS)
    table["flow_left_m3s"] = np.nan_to_num(numbers["flow_left_m3s"])
    usual = np.nan if flow_error_percent is None else flow_error_percent
    table["flow_error_percent"] = np.where(given["flow_error_percent"], numbers["flow_error_percent"], usual)
    table["x_m"], table["y_m"] = frame.geometry.x.to_numpy(), frame.geometry.y.to_numpy()
    return StatedDrops(table, bins_m3s)


# Cells as text, empty where missing.
def _texts(values):
    column = pd.Series(values, dtype=object)
    return column.where(column.notna(), "").astype(str).str.strip()


# Cells as yes or no; empty is no.
def _statements(values):
    return _texts(values).str.lower().str.removesuffix(".0").isin(["yes", "true", "1"]).to_numpy(dtype=bool)


def _is_empty(frame, column):
    if column not in frame:
        return np.ones(len(frame), dtype=bool)
    return (_texts(frame[column]) == "").to_numpy(dtype=bool)


def _is_flow(values):
    return (values >= 0) & np.isfinite(values)


# Each month's duration curve of a daily record, from high to low.
def _of_record(record):
    month, flow_m3s = record["date"].dt.month.to_numpy(), record["flow_m3s"].to_numpy(dtype=np.float64)
    bins = np.empty(DAYS)
    for each in MONTHS:
        places = np.flatnonzero(each == BIN_MONTH)
        falling = np.sort(flow_m3s[month == each])[::-1]
        # Water above each edge between the bins, so that their means add up to that of the days.
        water = np.concatenate([[0.0], np.cumsum(falling)])
        edges = np.linspace(0.0, len(falling), len(places) + 1)
        bins[places] = np.diff(np.interp(edges, np.arange(len(water)), water)) * len(places) / len(falling)
    return bins
