"""What flows are made from, read from the user's files: equation files (TOML) and gauge tables (CSV)."""

from itertools import pairwise
from pathlib import Path

import numpy as np
import pandas as pd

from sitefinder.errors import InputError, all_of, listed
from sitefinder.flows.equations import check_equations, exceedance_percent
from sitefinder.flows.fitting import statistic_of
from sitefinder.io.csv_tables import id_problems, read_text_table, rows_of
from sitefinder.io.daily_flows import statistics_of_files
from sitefinder.io.settings import read_toml

# Column of complete years that the statistics of daily records hold.
YEARS_OF_DAILY = "record_years"

# A table of public data has more columns than a message usually tells.
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
        If the file is not there, is no TOML, or holds an equation without source, range or error; all at once.
    """
    return check_equations(read_toml(path, "equation"), str(path))


def read_gauges(path, table, numbers_too=(), texts_too=()):
    """A gauge table, checked, with the gauges' ids as index.

    Parameters
    ----------
    path : str or Path
        CSV with a header; empty cells are missing values.
    table : GaugeTable
        The settings that name its columns.
    numbers_too, texts_too : sequence of str
        Further columns that are wanted, as numbers and as text.

    Returns
    -------
    DataFrame
        Index: gauge ids as text, so that leading zeros stay. Columns: the flow statistics (``flow_mean_m3s``,
        ``flow_qNN_m3s``: the flow exceeded NN % of the time) [m³/s], the predictors, the years of record and the
        places where the settings name their columns. Of daily records the statistics are made here, and all that
        `sitefinder.flows.records.gauge_statistics` tells stands beside them.

    Raises
    ------
    InputError
        Naming all that is wrong: missing columns, cells that are no numbers, ids that are empty or stand twice,
        negative values, low flows above high ones. Row 2 is the first below the header.
    """
    text, problems = _renamed(read_text_table(path, "gauge table", "flows.gauges.path"), table.columns)
    flows = [] if table.daily else [column for column in text.columns if statistic_of(column)]
    places = [] if table.x_column is None else [table.x_column, table.y_column]
    wanted = [*table.predictors, *places, *numbers_too]
    if table.record_years_column and not (table.daily and table.record_years_column == YEARS_OF_DAILY):
        wanted.append(table.record_years_column)
    needed = [table.id_column, *wanted, *texts_too, *([table.daily.file_column] if table.daily else [])]
    problems += _column_problems(text, needed) + ([] if table.daily else _statistics_problems(flows))
    numbers, found = flow_numbers(
        text, [column for column in dict.fromkeys([*flows, *wanted]) if column in text.columns], places
    )
    problems += found
    if table.id_column in text.columns:
        problems += id_problems(text[table.id_column])
        numbers.index = pd.Index(text[table.id_column].str.strip(), name=table.id_column)
    problems += order_problems(numbers, flows)
    if problems:
        raise all_of(InputError, str(path), problems)
    numbers = numbers.assign(**{column: text[column].str.strip().to_numpy() for column in texts_too})
    if table.daily:
        files = text[table.daily.file_column]
        made = statistics_of_files(numbers.index, files, Path(path).parent, table.daily)
        numbers = numbers.join(made.drop(columns=[name for name in wanted if name in made]))
    return numbers


# The table with columns called as sitefinder needs them, and what hinders that.
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
        f"column {column}: missing{_called_otherwise(column)} (the table has {has})"
        for column in dict.fromkeys(needed)
        if column not in text.columns
    ]
    if len(text) == 0:
        problems.append("the table has no rows")
    return problems


# The remedy where a table has what is needed under a name of its own.
def _called_otherwise(column):
    return f'; if the table calls it otherwise, add to the setting columns: {column} = "ITS NAME"'


def _statistics_problems(flows):
    problems = []
    if "flow_mean_m3s" not in flows:
        otherwise = _called_otherwise("flow_mean_m3s")
        problems.append(f"column flow_mean_m3s: missing, the mean flow [m³/s]{otherwise}")
    if not any(exceedance_percent(statistic_of(column)) for column in flows):
        otherwise = _called_otherwise("flow_q95_m3s")
        problems.append(f"no column flow_qNN_m3s, the flow exceeded NN % of the time [m³/s]{otherwise}")
    return problems


def flow_numbers(text, columns, places=()):
    """Columns of text as numbers, empty cells and NA as NaN, and what is wrong with them.

    Parameters
    ----------
    text : DataFrame of str
    columns : list of str
    places : sequence of str
        Those that may be negative.

    Returns
    -------
    DataFrame of float64
    list of str
    """
    numbers, problems = {}, []
    for column in columns:
        cells = text[column].str.strip()
        value = pd.to_numeric(cells.mask(cells.str.lower().isin(["", "na", "nan"])), errors="coerce")
        value = value.astype(np.float64)
        strange = (value.isna() & ~cells.str.lower().isin(["", "na", "nan"])) | np.isinf(value)
        if strange.any():
            problems.append(
                f"{column}: not a number in rows {rows_of(strange)} (first {cells[strange].iloc[0]!r})"
            )
        if (value < 0).any() and column not in places:
            problems.append(f"{column}: negative in rows {rows_of(value < 0)} (lowest {value.min():g})")
        numbers[column] = value
    return pd.DataFrame(numbers, index=text.index), problems


def order_problems(numbers, flows):
    """Gauges whose flow exceeded more often is the greater: so shows a 5 % quantile taken for that exceeded 5 %.

    Parameters
    ----------
    numbers : DataFrame
    flows : list of str
        Its flow columns.

    Returns
    -------
    list of str
    """
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
