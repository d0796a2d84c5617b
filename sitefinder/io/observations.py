"""Observations of field visits: the form that a run wrote, filled in."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import geopandas
import numpy as np
import pandas as pd
import shapely

from sitefinder.errors import InputError, all_of, listed
from sitefinder.io.gauges import read_text_table
from sitefinder.io.point_tables import RowProblems, points_in_run
from sitefinder.schema.field_form import BLANK, COLUMNS, NO, NUMBERS, PLACES, TEXTS, YES
from sitefinder.settings.days import is_day

if TYPE_CHECKING:
    from pathlib import Path
    from typing import Any

    from sitefinder.settings import Source

NEEDED = ("site_id", *PLACES, *(column.name for column in BLANK))
LEVELS = ("level_intake_m", "level_tailrace_m")


class ObservationsRead(NamedTuple):
    """A row for each visit, and the lineage of the table.

    ``frame``: ``observation_id`` (site and day), ``site_id``, ``structure_id``, the columns that the visitor fills
    in (numbers as numbers, NaN for none; ``drop_m`` also from two levels), and ``intake`` and ``tailrace``, points
    in the run's coordinate system. Rows in which nothing is filled in are left out; ``blank`` counts them.
    """

    frame: pd.DataFrame
    lineage: dict[str, Any]
    blank: int


def read_observations(source: Source, folder: Path, crs: str) -> ObservationsRead:
    """Observations of field visits.

    Parameters
    ----------
    source : sitefinder.settings.Source
        CSV with the columns of `sitefinder.schema.field_form`; its own column ``crs`` counts where the settings
        state none.
    folder : Path
        Folder that relative paths start from.
    crs : str
        Coordinate system of the run.

    Returns
    -------
    ObservationsRead

    Raises
    ------
    InputError
        Listing all problems.
    """
    path = folder / source.path
    text = read_text_table(path, "table of observations", "inputs.observations.path")
    if missing := [name for name in NEEDED if name not in text]:
        raise InputError.of(
            "the table of observations lacks columns",
            file=source.path,
            expected=f"the columns of field-observations.csv: {', '.join(column.name for column in COLUMNS)}",
            found=f"the columns {listed(text.columns, 40)}",
            fix=f"add {', '.join(missing)}, or fill in the form that a run writes",
        )
    text = text.apply(lambda column: column.str.strip())
    row = pd.Series(np.arange(2, len(text) + 2))
    is_filled = (text[[column.name for column in BLANK]] != "").any(axis=1)
    text, row = text[is_filled].reset_index(drop=True), row[is_filled.to_numpy()].reset_index(drop=True)
    numbers = {name: pd.to_numeric(text[name], errors="coerce") for name in (*NUMBERS, *PLACES)}
    problems = _problems(text, row, numbers, needs_crs=source.crs is None)
    if problems:
        raise all_of(InputError, source.path, problems)
    frame = pd.DataFrame({"site_id": text["site_id"], **{name: text[name] for name in TEXTS}})
    frame["structure_id"] = text.get("structure_id", "")
    frame = frame.assign(**{name: numbers[name].to_numpy(dtype=np.float64) for name in NUMBERS})
    frame["observation_id"] = text["site_id"] + " on " + text["date"]
    frame["drop_m"] = frame["drop_m"].where(frame["drop_m"].notna(), frame[LEVELS[0]] - frame[LEVELS[1]])
    frame["structure_seen"] = frame["structure_seen"].str.lower()
    stated = sorted(set(text["crs"]) - {""}) if "crs" in text and source.crs is None else []
    ends = ("intake", "tailrace")
    places = np.concatenate([shapely.points(numbers[f"{end}_x"], numbers[f"{end}_y"]) for end in ends])
    ids = np.tile(frame["observation_id"], len(ends))
    stated_crs = stated[0] if len(stated) == 1 else None
    places, lineage = points_in_run(places, ids, source, path, crs, "observations", stated_crs)
    for end, points in zip(ends, np.split(places, len(ends)), strict=True):
        frame[end] = points
    return ObservationsRead(frame, lineage, int((~is_filled).sum()))


def _problems(
    text: pd.DataFrame, row: pd.Series[int], numbers: dict[str, pd.Series[float]], *, needs_crs: bool
) -> list[str]:
    problems: list[str] = []
    row_problems = RowProblems("row", list(row), problems)
    problem = row_problems.add
    for name, values in numbers.items():
        needed = name in PLACES
        bad = ~np.isfinite(values) & ((text[name] != "") | needed)
        expected = "a number" if needed else "a number, or nothing"
        fix = "write it with a decimal point, without a unit"
        problem(bad, f"{name}: no number", expected, text[name], fix)
    for name in ("site_id", "observer"):
        problem(text[name] == "", f"{name}: missing", "a text", text[name], "fill it in beside what was found")
    is_date = text["date"].map(is_day).astype(bool)
    problem(~is_date, "date: no day", "a day, such as 2026-05-31", text["date"], "write year, month and day")
    twice = text.duplicated(["site_id", "date"], keep=False) & is_date
    visit = text[["site_id", "date"]]
    problem(twice, "two rows of one site and day", "one row a visit", visit, "join the rows")
    stated = [text[name] != "" for name in LEVELS]
    both_cells = text[list(LEVELS)]
    problem(stated[0] != stated[1], "one level alone", "both levels, or none", both_cells, "add the other one")
    levels = [numbers[name].notna() for name in LEVELS]
    has_drop = numbers["drop_m"].notna()
    both = levels[0] & levels[1]
    all_three = text[[*LEVELS, "drop_m"]]
    problem(both & has_drop, "two levels and a drop", "one of the two", all_three, "keep the better one")
    rises = numbers[LEVELS[0]] < numbers[LEVELS[1]]
    problem(
        rises | (numbers["drop_m"] < 0),
        "the water rises from intake to tailrace",
        "a level at the intake above that at the tailrace, or a drop of 0 or more",
        all_three,
        "exchange the two levels, or correct them",
    )
    for measured, error in (
        (has_drop | both, "drop_error_m"),
        (numbers["flow_m3s"].notna(), "flow_error_percent"),
    ):
        bad = measured & ~(numbers[error] > 0)
        fix = "state how far the measurement may be off"
        problem(bad, f"{error}: no standard error", "a number above 0", text[error], fix)
    for name in ("flow_m3s", "gauge_flow_m3s"):
        problem(numbers[name] < 0, f"{name}: negative", "0 or more", text[name], "correct it")
    of_gauge = [text[name] != "" for name in ("gauge_id", "gauge_flow_m3s")]
    problem(
        of_gauge[0] != of_gauge[1],
        "a gauge without its flow, or a flow without its gauge",
        "gauge_id and gauge_flow_m3s, or neither",
        text[["gauge_id", "gauge_flow_m3s"]],
        "add the other one",
    )
    seen = text["structure_seen"].str.lower()
    problem(
        ~seen.isin(["", YES, NO]),
        "structure_seen: not a known word",
        "yes, no or nothing",
        text["structure_seen"],
        "write one of these",
    )
    if needs_crs and "crs" in text and len(text):
        stated = text["crs"]
        problem(
            (stated != stated.iloc[0]) & (stated != "") & (stated.iloc[0] != ""),
            f"crs: another coordinate system than that of row {row.iloc[0]}, {stated.iloc[0]}",
            "one for the places of all rows",
            stated,
            "transform the places, or state inputs.observations.crs if all of them are in one",
        )
    row_problems.add_texts(text["site_id"], *(text[name] for name in TEXTS))
    return problems


def levels_of(frame: pd.DataFrame) -> pd.DataFrame:
    """The measured drops of observations, as rows of field levels.

    Parameters
    ----------
    frame : DataFrame
        Of `ObservationsRead`.

    Returns
    -------
    DataFrame
        Columns of `sitefinder.io.survey.read_field_levels`.
    """
    own = frame[frame["drop_m"].notna()]
    columns = {"observation_id": "level_id", "drop_error_m": "error_m", "intake": "upper", "tailrace": "lower"}
    names = ["observation_id", "drop_m", "drop_error_m", "date", "intake", "tailrace"]
    return own[names].rename(columns=columns).reset_index(drop=True)


def gaugings_of(frame: pd.DataFrame, crs: str) -> geopandas.GeoDataFrame:
    """The gaugings of observations with the reading of a gauge, as spot gaugings at the intake.

    Parameters
    ----------
    frame : DataFrame
        Of `ObservationsRead`.
    crs : str
        Of the run.

    Returns
    -------
    GeoDataFrame
        Columns of `sitefinder.io.survey.read_spot_gaugings`.
    """
    own = frame[frame["flow_m3s"].notna() & (frame["gauge_id"] != "")].reset_index(drop=True)
    columns = {"observation_id": "gauging_id", "flow_error_percent": "error_percent"}
    names = ["observation_id", "date", "gauge_id", "flow_m3s", "flow_error_percent", "gauge_flow_m3s"]
    points = own["intake"].to_numpy(dtype=object)
    return geopandas.GeoDataFrame(own[names].rename(columns=columns), geometry=points, crs=crs)


def conditions_of(frame: pd.DataFrame) -> dict[str, str]:
    """The condition of structures that was last seen, by the id of the structure."""
    own = frame[(frame["structure_condition"] != "") & (frame["structure_id"] != "")]
    own = own.sort_values("date", kind="stable")
    return dict(zip(own["structure_id"], own["structure_condition"], strict=True))
