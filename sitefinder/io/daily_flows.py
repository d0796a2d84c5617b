"""Daily flows of gauges, read from the user's files (CSV), and the gauge table made of them."""

from pathlib import Path

import numpy as np
import pandas as pd

from sitefinder.errors import InputError, all_of, listed
from sitefinder.flows.records import DailyRecord, gauge_statistics
from sitefinder.io.csv_tables import read_text_table, rows_of
from sitefinder.units import TO_KEPT_UNIT

# What may stand between several marks of one day, as in "A:e" or "P, Ice".
MARK_ENDS = r"[\s:,;|]+"


def read_daily_flows(path, gauge, settings):
    """The daily record of one gauge.

    Parameters
    ----------
    path : str or Path
        CSV with a row a day, in any order.
    gauge : str
        The gauge's id.
    settings : sitefinder.config.DailyRecords
        Names of columns, the unit, and what marks mean.

    Returns
    -------
    DailyRecord
        In [m³/s] and in order of time.

    Raises
    ------
    InputError
        Listing all that is wrong: missing columns, dates that are none or stand twice, flows that are no numbers
        or negative.
    """
    text = read_text_table(path, "daily record", "flows.gauges.daily.file_column")
    wanted = [
        settings.date_column,
        settings.flow_column,
        *([settings.flag_column] if settings.flag_column else []),
    ]
    problems = [
        f"column {name}: missing (the record has {listed(text.columns, 20)})"
        for name in wanted
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
    if (twice := date.duplicated(keep=False) & date.notna()).any():
        problems.append(f"{settings.date_column}: the same day stands more than once, rows {rows_of(twice)}")
    cell = text[settings.flow_column].str.strip()
    under_ice = cell.isin(settings.ice_flags)
    none = cell.isin(settings.missing_values) | under_ice
    flow = pd.to_numeric(cell.mask(none), errors="coerce").astype(np.float64)
    strange = (flow.isna() & ~none) | np.isinf(flow)
    if strange.any():
        problems.append(
            f"{settings.flow_column}: not a number in rows {rows_of(strange)} (first {cell[strange].iloc[0]!r}); "
            "words for a missing flow belong in flows.gauges.daily.missing_values"
        )
    if (flow < 0).any():
        problems.append(
            f"{settings.flow_column}: negative in rows {rows_of(flow < 0)} (lowest {flow.min():g}); a number that "
            "means missing belongs in flows.gauges.daily.missing_values"
        )
    if problems:
        raise all_of(InputError, str(path), problems)
    marks = [set()] * len(text)
    if settings.flag_column:
        marks = [set(parts) for parts in text[settings.flag_column].str.strip().str.split(MARK_ENDS, regex=True)]
    estimated = np.array([bool(own & set(settings.estimated_flags)) for own in marks])
    ice = np.array([bool(own & set(settings.ice_flags)) for own in marks]) | under_ice.to_numpy()
    order = np.argsort(date.to_numpy(), kind="stable")
    return DailyRecord(
        gauge,
        date.to_numpy().astype("datetime64[D]")[order],
        (flow.to_numpy() * TO_KEPT_UNIT[settings.unit][1])[order],
        estimated[order],
        ice[order],
    )


def statistics_of_files(ids, files, folder, settings):
    """Statistics of gauges from their daily files.

    Parameters
    ----------
    ids, files : sequence of str
        Gauges and their files.
    folder : Path
        Folder that the files' paths start from.
    settings : sitefinder.config.DailyRecords

    Returns
    -------
    DataFrame
        See `sitefinder.flows.records.gauge_statistics`; ids as index, in the order given.

    Raises
    ------
    InputError
        Listing what is wrong with any of the files.
    """
    records, problems = [], []
    for gauge, file in zip(ids, files, strict=True):
        if not str(file).strip():
            problems.append(f"gauge {gauge}: no file in column {settings.file_column}")
            continue
        try:
            records.append(read_daily_flows(Path(folder) / str(file).strip(), gauge, settings))
        except InputError as error:
            problems.append(str(error))
    if problems:
        raise all_of(InputError, "daily records", problems)
    return gauge_statistics(records, settings)
