"""Gauge tables, daily flows and gauge locations, read from the user's files."""

import csv
from itertools import pairwise
from pathlib import Path

import geopandas
import numpy as np
import pandas as pd
import shapely

from sitefinder.catalogue.equations import check_equations, exceedance_percent
from sitefinder.errors import ConfigError, InputError, all_of, listed
from sitefinder.hydrology.plausibility import AREA, impossible_runoff
from sitefinder.hydrology.records import DailyRecord, gauge_statistics
from sitefinder.hydrology.regression import statistic_of
from sitefinder.io.bound_files import unchanged
from sitefinder.io.crs import crs_of_layer, transform_to_run
from sitefinder.io.opening import validate_file, validate_place
from sitefinder.io.settings_files import read_toml
from sitefinder.units import TO_INTERNAL_UNIT


def read_text_table(path, what, key):
    """A table with every cell as text.

    Parameters
    ----------
    path : str or Path
        CSV with a header, in UTF-8; empty cells are empty text.
    what : str
        Name of the table in messages.
    key : str
        Setting that holds the file's path.

    Returns
    -------
    DataFrame of str

    Raises
    ------
    InputError
        If the file cannot be read or is not CSV.
    """
    try:
        validate_file(Path(path), what)
        with unchanged(path):
            _validate_shape(path, what)
            return pd.read_csv(path, dtype=str, keep_default_na=False, encoding="utf-8-sig")
    except OSError as error:
        raise InputError.of(
            f"the {what} cannot be read",
            file=path,
            found=error.strerror or error,
            fix=f"correct {key}; it is relative to the settings file",
        ) from None
    except (ValueError, pd.errors.ParserError) as error:
        one = what.removeprefix("table of ").split()[0].removesuffix("s")
        raise InputError.of(
            f"the {what} is not valid CSV",
            file=path,
            expected=f"UTF-8 text, a header and a row a {one}, cells separated by commas",
            found=str(error).strip(),
            fix="save it as CSV in UTF-8, cells with commas or line ends in quotation marks",
        ) from None


# Separators that programs of some countries write, and pandas takes for text.
OTHER_SEPARATORS = {";": "semicolons", "\t": "tabs", "|": "bars"}


# A row with a cell too few or too many would be read with its cells under the wrong columns.
def _validate_shape(path, what):
    problems, width, short, long = [], None, [], []
    with open(path, newline="", encoding="utf-8-sig") as file:
        for number, row in enumerate((row for row in csv.reader(file) if row), 1):
            if width is None:
                width = len(row)
                problems += _header_problems(row)
            elif len(row) < width:
                short.append(number)
            elif len(row) > width:
                long.append(number)
            if any("\0" in cell for cell in row):
                problems.append(f"row {number}: characters that are no text (U+0000)")
    for kind, numbers in (("fewer", short), ("more", long)):
        if numbers:
            rows = "rows" if len(numbers) > 1 else "row"
            problems.append(f"{rows} {listed(numbers)}: {kind} cells than the header, which has {width}")
    if problems:
        fix = "correct these rows; a cell with a comma in it needs quotation marks, an empty one its comma"
        raise InputError.of(
            f"the rows of the {what} do not fit its header",
            file=path,
            expected="a header with a name for each column, each once, and as many cells in each row, all text",
            found="; ".join(problems),
            fix=fix if short or long else "correct the header, or save the table with commas between the cells",
        )


def _header_problems(header):
    names = [name.strip() for name in header]
    found = []
    if repeated := sorted({name for name in names if name and names.count(name) > 1}):
        found.append(f"column {listed(repeated)} more than once")
    for separator, called in OTHER_SEPARATORS.items():
        if len(names) == 1 and separator in names[0]:
            found.append(f"{called} between the cells")
    return found


def rows_of(bad):
    """Rows as a spreadsheet or editor counts them, the header being row 1; bounded text."""
    return listed((np.flatnonzero(bad) + 2).tolist())


def id_problems(ids):
    """Problems of a column of ids: empty and repeated ones.

    Parameters
    ----------
    ids : Series of str

    Returns
    -------
    list of str
    """
    ids = ids.str.strip()
    problems = []
    if (ids == "").any():
        problems.append(f"{ids.name}: empty in rows {rows_of(ids == '')}")
    repeated = ids.duplicated(keep=False) & (ids != "")
    if repeated.any():
        problems.append(
            f"{ids.name}: {listed(ids[repeated].unique())} appear more than once, rows {rows_of(repeated)}"
        )
    return problems


# Separators between several flags of one day, as in "A:e" or "P, Ice".
FLAG_SEPARATORS = r"[\s:,;|]+"


def read_daily_flows(path, gauge, settings):
    """The daily record of one gauge.

    Parameters
    ----------
    path : str or Path
        CSV with a row a day, in any order.
    gauge : str
        The gauge's id.
    settings : sitefinder.settings.flows.DailyRecords
        Names of columns, the unit, and the meaning of flags.

    Returns
    -------
    DailyRecord
        In [m³/s] and in order of time.

    Raises
    ------
    InputError
        Listing all problems: missing columns, invalid or repeated dates, flows that are not numbers or
        negative.
    """
    text = read_text_table(path, "daily record", "flows.gauges.daily.file_column")
    needed_columns = [
        settings.date_column,
        settings.flow_column,
        *([settings.flag_column] if settings.flag_column else []),
    ]
    problems = [
        f"column {name}: missing (the record has {listed(text.columns, 20)})"
        for name in needed_columns
        if name not in text
    ]
    if not problems and len(text) == 0:
        problems.append("the record has no days")
    if problems:
        raise all_of(InputError, str(path), problems)
    date = pd.to_datetime(text[settings.date_column].str.strip(), format="%Y-%m-%d", errors="coerce")
    if date.isna().any():
        first = text[settings.date_column][date.isna()].iloc[0]
        problems.append(f"{settings.date_column}: no date in rows {rows_of(date.isna())} (first {first!r})")
    if (repeated := date.duplicated(keep=False) & date.notna()).any():
        problems.append(f"{settings.date_column}: the same day appears more than once, rows {rows_of(repeated)}")
    cell = text[settings.flow_column].str.strip()
    under_ice = cell.isin(settings.ice_flags)
    is_missing = cell.isin(settings.missing_values) | under_ice
    flow = pd.to_numeric(cell.mask(is_missing), errors="coerce").astype(np.float64)
    invalid = (flow.isna() & ~is_missing) | np.isinf(flow)
    if invalid.any():
        problems.append(
            f"{settings.flow_column}: not a number in rows {rows_of(invalid)} (first {cell[invalid].iloc[0]!r}); "
            "texts that mean a missing flow belong in flows.gauges.daily.missing_values"
        )
    if (flow < 0).any():
        problems.append(
            f"{settings.flow_column}: negative in rows {rows_of(flow < 0)} (lowest {flow.min():g}); a number that "
            "means missing belongs in flows.gauges.daily.missing_values"
        )
    if problems:
        raise all_of(InputError, str(path), problems)
    flags = [set()] * len(text)
    if settings.flag_column:
        flags = [
            set(parts) for parts in text[settings.flag_column].str.strip().str.split(FLAG_SEPARATORS, regex=True)
        ]
    estimated = np.array([bool(own & set(settings.estimated_flags)) for own in flags])
    ice = np.array([bool(own & set(settings.ice_flags)) for own in flags]) | under_ice.to_numpy()
    order = np.argsort(date.to_numpy(), kind="stable")
    return DailyRecord(
        gauge,
        date.to_numpy().astype("datetime64[D]")[order],
        (flow.to_numpy() * TO_INTERNAL_UNIT[settings.unit][1])[order],
        estimated[order],
        ice[order],
    )


# Statistics of gauges from their daily files.
def _statistics_of_files(ids, files, table_path, settings):
    return gauge_statistics(_records_of_files(ids, files, table_path, settings), settings)


# Files are named relative to the table.
def _records_of_files(ids, files, table_path, settings):
    records, problems = [], []
    unnamed = [gauge for gauge, file in zip(ids, files, strict=True) if not str(file).strip()]
    folder = Path(table_path).parent
    paths = {gauge: folder / str(file).strip() for gauge, file in zip(ids, files, strict=True)}
    absent = [gauge for gauge, path in paths.items() if gauge not in unnamed and not path.exists()]
    if unnamed:
        problems.append(f"no file in column {settings.file_column}: gauges {listed(unnamed)}")
    if absent:
        named = listed([f"{gauge} ({paths[gauge]})" for gauge in absent])
        problems.append(f"no such file, from column {settings.file_column}: gauges {named}")
    for gauge, path in paths.items():
        if gauge in unnamed or gauge in absent:
            continue
        try:
            validate_place(path, Path(table_path))
            records.append(read_daily_flows(path, gauge, settings))
        except InputError as error:
            problems.append(str(error))
    if problems:
        raise all_of(InputError, "daily records", problems)
    return records


def read_daily_records(path, table):
    """The daily records of a gauge table that names a file for each gauge.

    Parameters
    ----------
    path : str or Path
    table : GaugeTable
        With ``daily``.

    Returns
    -------
    list of DailyRecord

    Raises
    ------
    InputError
        Listing the problems of all files.
    """
    text, _ = _renamed(read_text_table(path, "gauge table", "flows.gauges.path"), table.columns)
    ids, files = text[table.id_column].str.strip(), text[table.daily.file_column]
    return _records_of_files(ids, files, path, table.daily)


# Column of complete years that the statistics of daily records hold.
YEARS_OF_DAILY = "record_years"
# Public data tables have more columns than a message usually lists.
COLUMNS_SHOWN = 60


def read_equations(path):
    """Equations of one file.

    Parameters
    ----------
    path : str or Path

    Returns
    -------
    list of Equation

    Raises
    ------
    ConfigError
        If the file is missing, is not TOML, or holds an equation without source, range or error; all at once.
    """
    return check_equations(read_toml(path, "equation"), str(path))


def read_gauges(path, table, numbers_too=(), texts_too=(), statistics=()):
    """A gauge table, checked, with the gauges' ids as index.

    Parameters
    ----------
    path : str or Path
        CSV with a header; empty cells are missing values.
    table : GaugeTable
        The settings that name its columns.
    numbers_too, texts_too : sequence of str
        Further required columns, as numbers and as text.
    statistics : sequence of str
        Flow columns that are required; empty: the mean flow and one low flow at least.

    Returns
    -------
    DataFrame
        Index: gauge ids as text, so that leading zeros stay. Columns: the flow statistics (``flow_mean_m3s``,
        ``flow_qNN_m3s``: the flow exceeded NN % of the time) [m³/s], the predictors, the years of record and the
        coordinates where the settings name their columns. Of daily records the statistics are computed here, with
        all columns of `sitefinder.hydrology.records.gauge_statistics`. Area and precipitation are read also where
        they are no predictors, as far as the table has them, for `sitefinder.hydrology.plausibility`. Gauges of
        ``leave_out`` are not there.

    Raises
    ------
    InputError
        Listing all problems: missing columns, cells that are not numbers, empty or repeated ids,
        negative values, low flows above high ones. Row 2 is the first below the header.
    """
    text, problems = _renamed(read_text_table(path, "gauge table", "flows.gauges.path"), table.columns)
    flows = [] if table.daily else [column for column in text.columns if statistic_of(column)]
    places = [] if table.x_column is None else [table.x_column, table.y_column]
    needed_columns = [*table.predictors, *places, *numbers_too]
    if table.record_years_column and not (table.daily and table.record_years_column == YEARS_OF_DAILY):
        needed_columns.append(table.record_years_column)
    needed = [table.id_column, *needed_columns, *texts_too, *([table.daily.file_column] if table.daily else [])]
    problems += _column_problems(text, needed) + ([] if table.daily or statistics else _statistics_problems(flows))
    numbers, found = _flow_numbers(
        text,
        [column for column in dict.fromkeys([*flows, *needed_columns]) if column in text.columns],
        [*places, *(name for name, form in table.forms.items() if form.transform == "linear" or form.offset)],
    )
    problems += found
    if table.id_column in text.columns:
        problems += id_problems(text[table.id_column])
        numbers.index = pd.Index(text[table.id_column].str.strip(), name=table.id_column)
    problems += _order_problems(numbers, flows)
    if AREA in numbers and (no_area := (numbers[AREA] == 0).to_numpy()).any():
        problems.append(f"{AREA}: zero in rows {rows_of(no_area)}; leave the cell empty if it is not known")
    unknown = [name for name in table.forms if name not in [*table.predictors, *numbers_too]]
    if unknown:
        known = listed([*table.predictors, *numbers_too], COLUMNS_SHOWN)
        problems.append(f"forms: no predictor is called {listed(unknown)} (predictors are {known})")
    if unknown := [gauge for gauge in table.leave_out if gauge not in numbers.index]:
        problems.append(f"leave_out: no gauge of the table is called {listed(unknown)}")
    if problems:
        raise all_of(InputError, str(path), problems)
    numbers = numbers.assign(**{column: text[column].str.strip().to_numpy() for column in texts_too})
    numbers = _with_background(numbers, text)
    is_kept = ~numbers.index.isin(table.leave_out)
    numbers, text = numbers[is_kept], text[is_kept]
    if table.daily:
        files = text[table.daily.file_column]
        made = _statistics_of_files(numbers.index, files, path, table.daily)
        numbers = numbers.join(made.drop(columns=[name for name in needed_columns if name in made]))
    _validate_runoff(numbers, path)
    return numbers


# One gauge in a wrong unit is an outlier, which the summary names; nearly all of them are a table in that unit.
def _validate_runoff(numbers, path):
    impossible = impossible_runoff(numbers)
    if impossible is not None:
        raise InputError.of(
            "the gauges carry more water than falls as rain",
            file=path,
            expected=impossible.expected,
            found=impossible.found,
            fix=impossible.fix,
        )


# Columns that show whether a gauge is plausible. They need not be sound where they are no predictors.
BACKGROUND = ("area_km2", "precipitation_mm")


def _with_background(numbers, text):
    absent = [name for name in BACKGROUND if name in text and name not in numbers]
    read = {name: pd.to_numeric(text[name].str.strip(), errors="coerce").to_numpy(np.float64) for name in absent}
    return numbers.assign(**read)


# The table with columns renamed as sitefinder needs them, and problems.
def _renamed(text, columns):
    problems = [
        f"columns.{ours}: the table has no column {theirs} (it has {listed(text.columns, COLUMNS_SHOWN)})"
        for ours, theirs in columns.items()
        if theirs not in text.columns
    ]
    problems += [
        f"columns.{ours}: the table has a column {ours} as well"
        for ours, theirs in columns.items()
        if ours in text.columns and ours != theirs
    ]
    return (
        text if problems else text.rename(columns={theirs: ours for ours, theirs in columns.items()})
    ), problems


def _column_problems(text, needed):
    has = listed(text.columns, COLUMNS_SHOWN)
    problems = [
        f"column {column}: missing{_rename_hint(column)} (the table has {has})"
        for column in dict.fromkeys(needed)
        if column not in text.columns
    ]
    if len(text) == 0:
        problems.append("the table has no rows")
    return problems


# The fix where a table has the column under another name.
def _rename_hint(column):
    return f'; if the table has it under another name, add to the setting columns: {column} = "ITS NAME"'


def _statistics_problems(flows):
    problems = []
    if "flow_mean_m3s" not in flows:
        hint = _rename_hint("flow_mean_m3s")
        problems.append(f"column flow_mean_m3s: missing, the mean flow [m³/s]{hint}")
    if not any(exceedance_percent(statistic_of(column)) for column in flows):
        hint = _rename_hint("flow_q95_m3s")
        problems.append(f"no column flow_qNN_m3s, the flow exceeded NN % of the time [m³/s]{hint}")
    return problems


# Columns of text as numbers, empty cells and NA as NaN, and what is wrong with them.
def _flow_numbers(text, columns, any_sign=()):
    numbers, problems = {}, []
    for column in columns:
        cells = text[column].str.strip()
        value = pd.to_numeric(cells.mask(cells.str.lower().isin(["", "na", "nan"])), errors="coerce")
        value = value.astype(np.float64)
        invalid = (value.isna() & ~cells.str.lower().isin(["", "na", "nan"])) | np.isinf(value)
        if invalid.any():
            problems.append(
                f"{column}: not a number in rows {rows_of(invalid)} (first {cells[invalid].iloc[0]!r})"
            )
        if (value < 0).any() and column not in any_sign:
            problems.append(f"{column}: negative in rows {rows_of(value < 0)} (lowest {value.min():g})")
        numbers[column] = value
    return pd.DataFrame(numbers, index=text.index), problems


# Gauges whose more often exceeded flow is greater: a sign that a 5 % quantile was taken for the flow exceeded 5 %.
def _order_problems(numbers, flows):
    share = {column: exceedance_percent(statistic_of(column)) for column in flows}
    ordered = sorted((column for column in flows if share[column]), key=share.get)
    problems = []
    for often, more_often in pairwise(ordered):
        risen = (numbers[more_often] > numbers[often]).to_numpy()
        if risen.any():
            problems.append(
                f"{more_often}: greater than {often} in rows {rows_of(risen)}; "
                "the number is the share of time exceeded, not the quantile"
            )
    return problems


# Columns of a layer of gauges besides flows.
LAYER_COLUMNS = ("area_km2", "record_years")
STATIONS = "gauge_stations"


def measured_gauges(settings, gauges, layer):
    """Gauges with known flows, and their points where known.

    Parameters
    ----------
    settings : sitefinder.settings.Settings
    gauges : DataFrame or None
        The gauge table, see `sitefinder.io.gauges.read_gauges`.
    layer : GeoDataFrame or None
        Points of ``inputs.gauge_stations``, with ``feature_id``.

    Returns
    -------
    GeoDataFrame
        Index: gauge ids. Flow columns as in the gauge table, ``area_km2`` (as stated), ``record_years`` and
        ``year_to_year_log_sd``, NaN where unknown; the point is None where unknown. A gauge in both has the
        flows of the table and the point of the layer.

    Raises
    ------
    ConfigError
        If nearby gauges are to be used and no gauge has coordinates.
    InputError
        If the layer's flows are not numbers or negative, low flows exceed high ones, or a gauge appears twice.
    """
    crs = settings.run.crs
    tables = []
    if gauges is not None:
        of_table = settings.flows.gauges
        known = [name for name in gauges if statistic_of(name) or name in (*LAYER_COLUMNS, "year_to_year_log_sd")]
        table = gauges[known].copy()
        table.index = table.index.astype(str)
        if of_table.record_years_column:
            table["record_years"] = gauges[of_table.record_years_column].to_numpy()
        table["geometry"] = points_of_table(gauges, of_table, crs, of_table.path)
        tables.append(table)
    if layer is not None:
        points = _flows_of_layer(layer, settings.inputs.gauge_stations)
        if tables:
            stationing = points.index.intersection(tables[0].index)
            tables[0].loc[stationing, "geometry"] = points.loc[stationing, "geometry"]
            points = points.drop(index=stationing)
        tables.append(points)
    if settings.flows.near_gauges is not None and not any(table["geometry"].notna().any() for table in tables):
        raise ConfigError.of(
            "flows.near_gauges needs gauges with coordinates, and there are none",
            expected="flows.gauges.x_column, y_column and crs, or a layer inputs.gauge_stations",
            found="neither" if layer is None else "points whose ids are not those of gauges",
            fix="name one of the two, or leave out the table flows.near_gauges",
        )
    if not tables:
        return geopandas.GeoDataFrame({"geometry": []}, geometry="geometry", crs=crs)
    joined = pd.concat(tables)
    return geopandas.GeoDataFrame(joined, geometry="geometry", crs=crs).rename_axis("gauge_id")


def points_of_table(gauges, table, crs, place):
    """Points of the gauges of a table.

    Parameters
    ----------
    gauges : DataFrame
        See `read_gauges`.
    table : sitefinder.settings.flows.GaugeTable
        Its columns of coordinates, and their system.
    crs : str
        Coordinate system of the run.
    place : str
        Where the table is, for messages.

    Returns
    -------
    ndarray of shapely Point or None, shape (n,)
        In the run's coordinates; None where the table has none.
    """
    points = np.full(len(gauges), None, dtype=object)
    if table.x_column is None:
        return points
    x, y = (gauges[name].to_numpy(dtype=np.float64) for name in (table.x_column, table.y_column))
    known = np.flatnonzero(np.isfinite(x) & np.isfinite(y))
    if len(known):
        own = crs_of_layer(None, table.crs, "gauges", place)
        ids = gauges.index.to_numpy().astype(str)[known]
        points[known] = transform_to_run(shapely.points(x[known], y[known]), own, crs, ids, "gauges", place)[0]
    return points


# The layer's flows and points by gauge; flow columns that it lacks are left out.
def _flows_of_layer(layer, source):
    columns = [name for name in layer.columns if statistic_of(str(name)) or name in LAYER_COLUMNS]
    text = pd.DataFrame({name: _as_text(layer[name]) for name in columns}, index=layer.index)
    numbers, problems = _flow_numbers(text, columns)
    problems += _order_problems(numbers, [name for name in columns if statistic_of(str(name))])
    ids = layer["feature_id"].astype(str).to_numpy()
    repeated = pd.Series(ids).duplicated(keep=False).to_numpy()
    if repeated.any():
        problems.append(f"gauges that appear more than once: {listed(dict.fromkeys(ids[repeated]))}")
    if problems:
        raise all_of(InputError, f"{source.path} (inputs.{STATIONS})", problems)
    numbers.index = pd.Index(ids)
    numbers["geometry"] = layer.geometry.to_numpy()
    return numbers


def _as_text(values):
    values = pd.Series(values, dtype=object)
    return values.where(values.notna(), "").astype(str)
