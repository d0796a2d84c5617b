"""Field measurements, read from the user's tables (CSV): drops, ratings, sections and flows."""

from typing import NamedTuple

import geopandas
import numpy as np
import pandas as pd
import shapely

from sitefinder.errors import InputError, all_of, listed
from sitefinder.io.gauges import id_problems, read_text_table, rows_of
from sitefinder.io.point_tables import points_in_run, table_lineage

ENDS = ("upper", "lower")
LEVEL_COLUMNS = ("level_id", "kind", "upper_x", "upper_y", "lower_x", "lower_y", "error_m", "date")
# Further columns that each kind of measurement needs.
KINDS = {"level_pair": ("upper_m", "lower_m"), "drop": ("drop_m",)}
RATING_COLUMNS = ("rating_id", "x", "y", "flow_m3s", "level_m")
SECTION_NUMBERS = ("x", "y", "flow_m3s", "width_m", "depth_m")
GAUGING_NUMBERS = ("x", "y", "flow_m3s", "error_percent", "gauge_flow_m3s")
GAUGING_TEXTS = ("gauging_id", "date", "gauge_id")


class TableRead(NamedTuple):
    """A table with points in the run's coordinate system, and its lineage."""

    frame: pd.DataFrame
    lineage: dict


def read_field_levels(source, folder, crs):
    """Measured drops, each between two points.

    Parameters
    ----------
    source : sitefinder.settings.Source
        CSV; must state its coordinate system.
    folder : Path
        Folder that relative paths start from.
    crs : str
        Coordinate system of the run.

    Returns
    -------
    TableRead
        Rows as in the file: ``level_id``, ``upper``, ``lower`` (points), ``drop_m``, ``error_m`` (standard error
        of the drop) [m], ``date`` (as written).

    Raises
    ------
    InputError
        Listing all problems.
    """
    path = folder / source.path
    text = read_text_table(path, "measurement table", "inputs.field_levels.path")
    problems = _missing(text, LEVEL_COLUMNS)
    if problems:
        raise all_of(InputError, source.path, problems)
    kind = text["kind"].str.strip().str.lower()
    invalid = ~kind.isin(list(KINDS))
    if invalid.any():
        first = text["kind"][invalid].iloc[0]
        problems.append(f"kind: must be {' or '.join(KINDS)}, rows {rows_of(invalid)} (first {first!r})")
    numbers = _numbers(
        text, [*(name for name in LEVEL_COLUMNS if name.endswith(("_x", "_y"))), "error_m"], problems
    )
    for name, columns in KINDS.items():
        is_of_kind = kind == name
        problems += _missing(text, columns) if is_of_kind.any() else []
        present = [column for column in columns if column in text]
        numbers |= _numbers(text, present, problems, is_of_kind.to_numpy())
    if problems:
        raise all_of(InputError, source.path, problems)
    none = np.full(len(text), np.nan)
    pair = numbers.get("upper_m", none) - numbers.get("lower_m", none)
    drop_m = np.where(kind == "drop", numbers.get("drop_m", none), pair)
    for bad, what in (
        (drop_m < 0, "the water rises from upper to lower"),
        (~(numbers["error_m"] > 0), "error_m must be above 0"),
        (text["date"].str.strip() == "", "date: empty"),
    ):
        if np.any(bad):
            problems.append(f"{what}, rows {rows_of(bad)}")
    problems += id_problems(text["level_id"])
    if problems:
        raise all_of(InputError, source.path, problems)
    frame = pd.DataFrame(
        {"level_id": text["level_id"].str.strip(), "drop_m": drop_m, "error_m": numbers["error_m"]}
    )
    frame["date"] = text["date"].str.strip()
    places = [shapely.points(numbers[f"{end}_x"], numbers[f"{end}_y"]) for end in ENDS]
    both, lineage = points_in_run(
        np.concatenate(places), np.tile(frame["level_id"], 2), source, path, crs, "field_levels"
    )
    for number, end in enumerate(ENDS):
        frame[end] = both[number * len(frame) : (number + 1) * len(frame)]
    return TableRead(frame, lineage)


def read_ratings(source, folder, crs):
    """Rating curves: levels at a point, by flow.

    Parameters
    ----------
    source, folder, crs
        As `read_field_levels`.

    Returns
    -------
    TableRead
        A GeoDataFrame with a row for each pair: ``rating_id``, ``flow_m3s``, ``level_m`` and the point; by rating
        in the order of the file, then by flow.

    Raises
    ------
    InputError
        Listing all problems.
    """
    path = folder / source.path
    text = read_text_table(path, "rating table", "inputs.ratings.path")
    problems = _missing(text, RATING_COLUMNS)
    numbers = {} if problems else _numbers(text, RATING_COLUMNS[1:], problems)
    if problems:
        raise all_of(InputError, source.path, problems)
    frame = pd.DataFrame({"rating_id": text["rating_id"].str.strip()} | numbers)
    for name, rows in frame.groupby("rating_id", sort=False):
        ordered = rows.sort_values("flow_m3s", kind="stable")
        if name == "":
            problems.append(f"rating_id: empty in rows {rows_of(frame['rating_id'] == '')}")
        if len(rows[["x", "y"]].drop_duplicates()) > 1:
            problems.append(f"rating {name}: must have one location, has several")
        if len(rows) < 2 or (np.diff(ordered["flow_m3s"]) <= 0).any():
            problems.append(f"rating {name}: must have at least two different flows")
        elif (np.diff(ordered["level_m"]) < 0).any() or rows["flow_m3s"].min() < 0:
            problems.append(f"rating {name}: levels must not fall as flow grows, and flows not be negative")
    if problems:
        raise all_of(InputError, source.path, problems)
    first = frame.groupby("rating_id", sort=False).ngroup()
    frame = frame.assign(first=first).sort_values(["first", "flow_m3s"], kind="stable", ignore_index=True)
    places = shapely.points(frame["x"], frame["y"])
    places, lineage = points_in_run(places, frame["rating_id"].to_numpy(), source, path, crs, "ratings")
    columns = frame[["rating_id", "flow_m3s", "level_m"]]
    return TableRead(geopandas.GeoDataFrame(columns, geometry=places, crs=crs), lineage)


def read_sections(source, folder, crs):
    """Widths and mean depths of a stream at points, with the flow at which they were measured.

    Parameters
    ----------
    source, folder, crs
        As `read_field_levels`.

    Returns
    -------
    TableRead
        A GeoDataFrame with rows as in the file: ``section_id``, ``flow_m3s``, ``width_m``, ``depth_m`` and the
        place.

    Raises
    ------
    InputError
        Listing all problems.
    """
    path = folder / source.path
    text = read_text_table(path, "section table", "inputs.sections.path")
    problems = _missing(text, ["section_id", *SECTION_NUMBERS])
    numbers = {} if problems else _numbers(text, SECTION_NUMBERS, problems)
    if problems:
        raise all_of(InputError, source.path, problems)
    for name in SECTION_NUMBERS[2:]:
        if np.any(bad := ~(numbers[name] > 0)):
            problems.append(f"{name} must be above 0, rows {rows_of(bad)}")
    problems += id_problems(text["section_id"])
    if problems:
        raise all_of(InputError, source.path, problems)
    frame = pd.DataFrame({"section_id": text["section_id"].str.strip()} | numbers)
    places = shapely.points(frame["x"], frame["y"])
    places, lineage = points_in_run(places, frame["section_id"].to_numpy(), source, path, crs, "sections")
    return TableRead(geopandas.GeoDataFrame(frame.drop(columns=["x", "y"]), geometry=places, crs=crs), lineage)


def read_spot_gaugings(source, folder, crs):
    """Flows measured at points, each with the flow at a gauge on that day.

    Parameters
    ----------
    source, folder, crs
        As `read_field_levels`.

    Returns
    -------
    TableRead
        A GeoDataFrame with rows as in the file: ``gauging_id``, ``flow_m3s``, ``error_percent`` (standard error of
        the measurement [%]), ``date`` (as written), ``gauge_id``, ``gauge_flow_m3s`` and the point.

    Raises
    ------
    InputError
        Listing all problems.
    """
    path = folder / source.path
    text = read_text_table(path, "gauging table", "inputs.spot_gaugings.path")
    problems = _missing(text, [*GAUGING_TEXTS, *GAUGING_NUMBERS])
    numbers = {} if problems else _numbers(text, GAUGING_NUMBERS, problems)
    if problems:
        raise all_of(InputError, source.path, problems)
    for bad, what in (
        (numbers["flow_m3s"] < 0, "flow_m3s: negative"),
        (~(numbers["error_percent"] > 0), "error_percent must be above 0"),
        (numbers["gauge_flow_m3s"] < 0, "gauge_flow_m3s: negative"),
        (text["date"].str.strip() == "", "date: empty"),
        (text["gauge_id"].str.strip() == "", "gauge_id: empty"),
    ):
        if np.any(bad):
            problems.append(f"{what}, rows {rows_of(bad)}")
    problems += id_problems(text["gauging_id"])
    if problems:
        raise all_of(InputError, source.path, problems)
    frame = pd.DataFrame({name: text[name].str.strip() for name in GAUGING_TEXTS} | numbers)
    places = shapely.points(frame["x"], frame["y"])
    places, lineage = points_in_run(places, frame["gauging_id"].to_numpy(), source, path, crs, "spot_gaugings")
    return TableRead(geopandas.GeoDataFrame(frame.drop(columns=["x", "y"]), geometry=places, crs=crs), lineage)


def _missing(text, needed):
    return [
        f"column {name}: missing (the table has {listed(text.columns, 20)})" for name in needed if name not in text
    ]


# Columns as numbers; a cell that is not a number is a problem, in the selected rows only where these are given.
def _numbers(text, columns, problems, is_of_kind=None):
    numbers = {}
    for column in columns:
        values = pd.to_numeric(text[column].str.strip(), errors="coerce").to_numpy(dtype=np.float64)
        invalid = ~np.isfinite(values) & (True if is_of_kind is None else is_of_kind)
        if invalid.any():
            problems.append(f"{column}: not a number in rows {rows_of(invalid)}")
        numbers[column] = values
    return numbers


DROP_FLOW_COLUMNS = ("drop_id", "date", "flow_m3s")


def read_drop_flows(source, folder):
    """Daily flows of drops without a stream.

    Parameters
    ----------
    source : sitefinder.settings.Source
        CSV with the columns ``drop_id``, ``date`` and ``flow_m3s``, in any order of rows.
    folder : Path
        Folder that relative paths start from.

    Returns
    -------
    TableRead
        ``drop_id``, ``date`` (datetime) and ``flow_m3s`` [m³/s].

    Raises
    ------
    InputError
        Listing all problems: absent columns, dates that do not exist or appear twice, flows that are no numbers
        from 0 up.
    """
    path = folder / source.path
    text = read_text_table(path, "table of drop flows", "inputs.drop_flows.path")
    problems = _missing(text, DROP_FLOW_COLUMNS)
    if problems:
        raise all_of(InputError, source.path, problems)
    date = pd.to_datetime(text["date"].str.strip(), format="%Y-%m-%d", errors="coerce")
    flow_m3s = pd.to_numeric(text["flow_m3s"].str.strip(), errors="coerce")
    frame = pd.DataFrame({"drop_id": text["drop_id"].str.strip(), "date": date, "flow_m3s": flow_m3s})
    for bad, what in (
        (frame["drop_id"] == "", "drop_id: empty"),
        (date.isna(), "date: must be a day such as 2020-05-31"),
        (~(flow_m3s >= 0) | ~np.isfinite(flow_m3s), "flow_m3s: must be a number from 0 up"),
        (frame.duplicated(["drop_id", "date"], keep=False) & date.notna(), "a day appears twice for a drop"),
    ):
        if bad.any():
            problems.append(f"{what}, rows {rows_of(bad)}")
    if problems:
        raise all_of(InputError, source.path, problems)
    return TableRead(frame, table_lineage(source, path, "drop_flows"))
