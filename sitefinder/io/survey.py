"""Field measurements, read from the user's tables (CSV): drops, ratings, sections and flows."""

from typing import NamedTuple

import geopandas
import numpy as np
import pandas as pd
import shapely

from sitefinder.errors import InputError, all_of, described, listed
from sitefinder.io.gauges import read_text_table
from sitefinder.io.point_tables import RowProblems, points_in_run, table_lineage

ENDS = ("upper", "lower")
LEVEL_COLUMNS = ("level_id", "kind", "upper_x", "upper_y", "lower_x", "lower_y", "error_m", "date")
# Further columns that each kind of measurement needs.
KINDS = {"level_pair": ("upper_m", "lower_m"), "drop": ("drop_m",)}
RATING_COLUMNS = ("rating_id", "x", "y", "flow_m3s", "level_m")
SECTION_NUMBERS = ("x", "y", "flow_m3s", "width_m", "depth_m")
GAUGING_NUMBERS = ("x", "y", "flow_m3s", "error_percent", "gauge_flow_m3s")
GAUGING_TEXTS = ("gauging_id", "date", "gauge_id")
DROP_FLOW_COLUMNS = ("drop_id", "date", "flow_m3s")


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
        Listing all problems, each with its rows, what was expected, what was found and how to mend it.
    """
    path, text = _cells(source, folder, "measurement table", "field_levels", LEVEL_COLUMNS)
    kind = text["kind"].str.lower()
    present = {name: columns for name, columns in KINDS.items() if (kind == name).any()}
    needed = [column for columns in present.values() for column in columns]
    _validate_columns(text, needed, source, "measurement table")
    checks = _Checks(text)
    checks.add_ids("level_id")
    checks.add(~kind.isin(list(KINDS)), "kind: not a known word", " or ".join(KINDS), "kind", "write one of these")
    places = [name for name in LEVEL_COLUMNS if name.endswith(("_x", "_y"))]
    numbers = {name: checks.number(name) for name in (*places, "error_m")}
    for name, columns in present.items():
        numbers |= {column: checks.number(column, kind == name) for column in columns}
    none = np.full(len(text), np.nan)
    pair = numbers.get("upper_m", none) - numbers.get("lower_m", none)
    checks.add(
        (kind == "level_pair") & (pair < 0),
        "the water rises from upper to lower",
        "upper_m above lower_m",
        ["upper_m", "lower_m"],
        "exchange the two ends, or correct the levels",
    )
    drop_m = np.where(kind == "drop", numbers.get("drop_m", none), pair)
    checks.add(
        (kind == "drop") & (drop_m < 0),
        "the water rises from upper to lower",
        "a drop of 0 or more",
        "drop_m",
        "exchange the two ends and the sign, or correct the drop",
    )
    checks.above_zero("error_m", "state the standard error of the drop")
    checks.present("date", "write when it was measured")
    checks.raise_any(source)
    frame = pd.DataFrame({"level_id": text["level_id"], "drop_m": drop_m, "error_m": numbers["error_m"]})
    frame["date"] = text["date"]
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
        As `read_field_levels`.
    """
    path, text = _cells(source, folder, "rating table", "ratings", RATING_COLUMNS)
    checks = _Checks(text)
    checks.present("rating_id", "name the rating in each of its rows")
    numbers = {name: checks.number(name) for name in RATING_COLUMNS[1:]}
    checks.not_negative("flow_m3s")
    frame = pd.DataFrame({"rating_id": text["rating_id"]} | numbers)
    for name, rows in frame.groupby("rating_id", sort=False):
        # Cells that are no numbers have been reported.
        if name != "" and rows.notna().all(axis=None):
            checks.problems += _rating_problems(name, rows, text.loc[rows.index])
    checks.raise_any(source)
    first = frame.groupby("rating_id", sort=False).ngroup()
    frame = frame.assign(first=first).sort_values(["first", "flow_m3s"], kind="stable", ignore_index=True)
    places = shapely.points(frame["x"], frame["y"])
    places, lineage = points_in_run(places, frame["rating_id"].to_numpy(), source, path, crs, "ratings")
    columns = frame[["rating_id", "flow_m3s", "level_m"]]
    return TableRead(geopandas.GeoDataFrame(columns, geometry=places, crs=crs), lineage)


# What is wrong with the rows of one rating together.
def _rating_problems(name, rows, text):
    where = f"rating {name}, row{'s' if len(rows) > 1 else ''} {listed(rows.index + 2)}"
    ordered = rows.sort_values("flow_m3s", kind="stable")
    cells = text.loc[ordered.index]
    problems = []
    if len(rows[["x", "y"]].drop_duplicates()) > 1:
        problems.append(
            described(
                "a rating at several places",
                where=where,
                expected="one x and y in all of its rows",
                found=listed((text["x"] + " " + text["y"]).unique()),
                fix="correct the places, or give each place a rating of its own",
            )
        )
    if len(rows) < 2 or (np.diff(ordered["flow_m3s"]) <= 0).any():
        problems.append(
            described(
                "a rating that is no curve",
                where=where,
                expected="at least two flows, each once",
                found=f"the flows {listed(cells['flow_m3s'])}",
                fix="add a pair of flow and level, or remove what stands twice",
            )
        )
    elif (np.diff(ordered["level_m"]) < 0).any():
        problems.append(
            described(
                "a rating whose levels fall while the flow grows",
                where=where,
                expected="levels that rise with the flow, or stay",
                found=f"by flow, the levels {listed(cells['level_m'])}",
                fix="correct the pairs",
            )
        )
    return problems


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
        As `read_field_levels`.
    """
    path, text = _cells(source, folder, "section table", "sections", ("section_id", *SECTION_NUMBERS))
    checks = _Checks(text)
    checks.add_ids("section_id")
    numbers = {name: checks.number(name) for name in SECTION_NUMBERS}
    for name in SECTION_NUMBERS[2:]:
        checks.above_zero(name, "correct it, or leave the section out")
    checks.raise_any(source)
    frame = pd.DataFrame({"section_id": text["section_id"]} | numbers)
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
        As `read_field_levels`.
    """
    needed = (*GAUGING_TEXTS, *GAUGING_NUMBERS)
    path, text = _cells(source, folder, "gauging table", "spot_gaugings", needed)
    checks = _Checks(text)
    checks.add_ids("gauging_id")
    numbers = {name: checks.number(name) for name in GAUGING_NUMBERS}
    checks.not_negative("flow_m3s")
    checks.above_zero("error_percent", "state the standard error of the gauging")
    checks.not_negative("gauge_flow_m3s")
    checks.present("date", "write when it was gauged")
    checks.present("gauge_id", "name the gauge that was read on that day")
    checks.raise_any(source)
    frame = pd.DataFrame({name: text[name] for name in GAUGING_TEXTS} | numbers)
    places = shapely.points(frame["x"], frame["y"])
    places, lineage = points_in_run(places, frame["gauging_id"].to_numpy(), source, path, crs, "spot_gaugings")
    return TableRead(geopandas.GeoDataFrame(frame.drop(columns=["x", "y"]), geometry=places, crs=crs), lineage)


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
        As `read_field_levels`: absent columns, dates that do not exist or appear twice, flows that are no numbers
        from 0 up.
    """
    path, text = _cells(source, folder, "table of drop flows", "drop_flows", DROP_FLOW_COLUMNS)
    checks = _Checks(text)
    checks.present("drop_id", "name the drop in each row")
    date = pd.to_datetime(text["date"], format="%Y-%m-%d", errors="coerce")
    checks.add(date.isna(), "date: no day", "a day, such as 2020-05-31", "date", "write year, month and day")
    flow_m3s = checks.number("flow_m3s")
    checks.not_negative("flow_m3s")
    frame = pd.DataFrame({"drop_id": text["drop_id"], "date": date, "flow_m3s": flow_m3s})
    twice = frame.duplicated(["drop_id", "date"], keep=False) & date.notna()
    checks.add(
        twice, "a day more than once for a drop", "a row a day", ["drop_id", "date"], "remove all but one of them"
    )
    checks.raise_any(source)
    return TableRead(frame, table_lineage(source, path, "drop_flows"))


# Path of a table and its cells, stripped; a table without what is needed is refused.
def _cells(source, folder, what, name, needed):
    path = folder / source.path
    text = read_text_table(path, what, f"inputs.{name}.path").apply(lambda column: column.str.strip())
    _validate_columns(text, needed, source, what)
    return path, text


def _validate_columns(text, needed, source, what):
    if missing := [name for name in needed if name not in text]:
        raise InputError.of(
            f"the {what} lacks columns",
            file=source.path,
            expected=f"the columns {', '.join(needed)}",
            found=f"the columns {listed(text.columns, 20)}",
            fix=f"add {', '.join(missing)}; config/README.md says what they hold",
        )


class _Checks:
    # Checks of a table's cells, by the names of its columns; all that fail are raised at once.
    def __init__(self, text):
        self._text, self.problems = text, []
        self._rows = RowProblems("row", range(2, len(text) + 2), self.problems)
        self._numbers = {}

    def add(self, is_bad, headline, expected, columns, fix):
        """Add a problem of some rows; the cells of one column, or of a list of them, are shown."""
        is_bad = pd.Series(is_bad, index=self._text.index)
        # A table without such rows may lack the columns.
        if is_bad.any():
            self._rows.add(is_bad, headline, expected, self._text[columns], fix)

    def add_ids(self, column):
        """Each row needs an id of its own, a plain text."""
        self._rows.add_ids(self._text[column])
        self._rows.add_texts(self._text[column])

    def present(self, column, fix):
        """Each cell needs a plain text."""
        self.add(self._text[column] == "", f"{column}: missing", "a text", column, fix)
        self._rows.add_texts(self._text[column])

    def number(self, column, is_needed=True):
        """The cells as numbers, NaN where one is none; those that are needed must be finite numbers."""
        values = pd.to_numeric(self._text[column], errors="coerce").to_numpy(dtype=np.float64)
        is_bad = ~np.isfinite(values) & is_needed
        fix = "write it with a decimal point, without a unit"
        self.add(is_bad, f"{column}: no number", "a number", column, fix)
        self._numbers[column] = np.where(np.isfinite(values), values, np.nan)
        return self._numbers[column]

    def above_zero(self, column, fix):
        """Numbers that were read before must be above 0."""
        self.add(self._numbers[column] <= 0, f"{column}: not above 0", "a number above 0", column, fix)

    def not_negative(self, column):
        """Numbers that were read before must be 0 or more."""
        self.add(self._numbers[column] < 0, f"{column}: negative", "0 or more", column, "correct it")

    def raise_any(self, source):
        """Refuse the table where anything was wrong."""
        if self.problems:
            raise all_of(InputError, source.path, self.problems)
