"""Decisions about reaches, read from the user's table (CSV) or layer of points."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, NamedTuple

import numpy as np
import pandas as pd
import shapely

from sitefinder.errors import InputError, all_of, listed
from sitefinder.io.gauges import read_text_table
from sitefinder.io.point_tables import RowProblems, points_in_run, table_lineage
from sitefinder.io.vector import read_layer
from sitefinder.settings.days import is_day
from sitefinder.vocabulary import DECISIONS, PIN, VERDICTS, head_schemes, names

if TYPE_CHECKING:
    from typing import Any

    import numpy.typing as npt

    from sitefinder.settings import DecisionSource

NEEDED = ("decision_id", "decision", "author", "date", "justification")
OPTIONAL = ("scheme_type", "valid_until", "reach_id", "head_m", "rule_verdict", "structure_id")
PLACE = ("x", "y")
# What a decision was based on; one that names a reach without a place must state some of it.
BASED_ON = ("head_m", "rule_verdict", "structure_id")
# How the name of a table ends; anything else is a layer.
TABLE_END = ".csv"
# Between the ids of several decisions in a cell.
SEPARATOR = ";"


class DecisionsRead(NamedTuple):
    """A row a decision, and the lineage of the table.

    Columns of ``frame``: `NEEDED` and `OPTIONAL` as text, "" for none, but ``head_m`` [m] as a number, NaN for
    none; and ``geometry``, the place in the run's coordinate system, or None.
    """

    frame: pd.DataFrame
    lineage: dict[str, Any]


def is_table(path: str | Path) -> bool:
    """Whether decisions stand in a table and not in a layer, by the end of the file's name.

    Examples
    --------
    >>> is_table("decisions.csv"), is_table("decisions.gpkg")
    (True, False)
    """
    return Path(path).suffix.lower() == TABLE_END


def read_decisions(source: DecisionSource, folder: Path, crs: str) -> DecisionsRead:
    """Decisions about reaches.

    Parameters
    ----------
    source : sitefinder.settings.DecisionSource
        A table with the columns `NEEDED`, any of `OPTIONAL`, and ``x`` and ``y`` for those with a place, in the
        system that the settings state; or a layer of points with the same columns, but for ``x`` and ``y``.
    folder : Path
        Folder that relative paths start from.
    crs : str
        Coordinate system of the run.

    Returns
    -------
    DecisionsRead

    Raises
    ------
    InputError
        Listing all problems, each with its rows, what was expected, what was found and how to mend it.
    """
    path = folder / source.path
    if is_table(path):
        text = read_text_table(path, "table of decisions", "inputs.decisions.path")
        kind, rows = "row", [*range(2, len(text) + 2)]
        points = None
    else:
        read = read_layer(source, folder, crs, what="decisions", geometry="point", allow_empty=True)
        if read.lineage["features_used"] != read.lineage["features_read"] or len(read.frame) != len(
            read.frame["source_row"].unique()
        ):
            raise InputError.of(
                "not every decision of the layer is one point",
                file=source.path,
                expected="a point for each decision",
                found=read.lineage["features"],
                fix="give each feature one point, or put decisions without a place into a CSV",
            )
        text = _as_texts(read.frame.drop(columns="geometry"))
        if "decision_id" not in text and source.id_column is not None:
            text = text.assign(decision_id=text["feature_id"])
        kind, rows = "feature", [*read.frame["feature_id"]]
        points = read.frame.geometry.to_numpy()
    text = text.apply(lambda column: column.str.strip())
    frame = _judged(text, (kind, rows), source, has_points=points is not None)
    if points is not None:
        return DecisionsRead(frame.assign(geometry=points), read.lineage)
    return _placed(frame, text, source, path, crs)


# Cells of a layer as text, whole numbers without a decimal point, days without a time.
def _as_texts(frame: pd.DataFrame) -> pd.DataFrame:
    def word(value: Any) -> str:
        if value is None or value is pd.NaT or (isinstance(value, float) and np.isnan(value)):
            return ""
        if isinstance(value, pd.Timestamp):
            return value.date().isoformat()
        if isinstance(value, float) and value.is_integer():
            return str(int(value))
        return str(value)

    return pd.DataFrame({name: [word(value) for value in frame[name]] for name in frame.columns}, dtype="str")


# The table as it is kept, without places; every problem at once.
def _judged(
    text: pd.DataFrame, where: tuple[str, list[Any]], source: DecisionSource, *, has_points: bool
) -> pd.DataFrame:
    found = [name for name in NEEDED if name not in text]
    if found:
        raise InputError.of(
            "the table of decisions lacks columns",
            file=source.path,
            expected=f"the columns {', '.join(NEEDED)}",
            found=f"the columns {listed(text.columns, 20)}",
            fix=f"add {', '.join(found)}; config/README.md lists all columns",
        )
    empty = pd.Series("", index=text.index, dtype="str")
    column = {name: text.get(name, empty) for name in (*NEEDED, *OPTIONAL, *PLACE)}
    problems: list[str] = []
    row_problems = RowProblems(*where, problems)
    problem = row_problems.add
    row_problems.add_ids(column["decision_id"].rename("decision_id"))
    decision, scheme, date, until = (column[each] for each in ("decision", "scheme_type", "date", "valid_until"))
    head_m, verdict = column["head_m"], column["rule_verdict"]
    known = ", ".join(names(DECISIONS))
    problem(~decision.isin(names(DECISIONS)), "decision: not a known word", known, decision, "write one of these")
    is_pin = decision == PIN.name
    schemes = ", ".join(head_schemes())
    problem(
        is_pin & ~scheme.isin(head_schemes()),
        "scheme_type: a decision that pins one must name it",
        schemes,
        scheme,
        "write one of these",
    )
    problem(
        ~is_pin & (scheme != ""),
        "scheme_type: only a decision that pins states it",
        f"nothing, or the decision {PIN.name}",
        scheme,
        f"empty the cell, or write {PIN.name} as the decision",
    )
    for name in ("author", "justification"):
        problem(
            column[name] == "",
            f"{name}: missing",
            "a text",
            column[name],
            "fill it in; others ask later who decided, and why",
        )
    a_day = "a day, such as 2026-05-31"
    is_date, has_end = date.map(is_day).astype(bool), until != ""
    is_end = until.map(is_day).astype(bool)
    problem(~is_date, "date: no day", a_day, date, "write year, month and day")
    problem(has_end & ~is_end, "valid_until: no day", f"{a_day}, or nothing", until, "write year, month and day")
    problem(
        is_end & is_date & (until < date),
        "valid_until: before the day of the decision",
        "a later day",
        until,
        "check both days",
    )
    if source.on_date is None:
        problem(
            is_end,
            "valid_until: the settings do not say for which day decisions must be valid",
            "inputs.decisions.on_date beside decisions with an end",
            until,
            'state it, such as on_date = "2026-05-31"; a run does not ask the clock',
        )
    number = pd.to_numeric(head_m, errors="coerce")
    problem(
        (head_m != "") & ~(np.isfinite(number) & (number >= 0)),
        "head_m: no height",
        "the gross head of the reach in metres, or nothing",
        head_m,
        "take it from the layer reaches, with a decimal point",
    )
    problem(
        (verdict != "") & ~verdict.isin(names(VERDICTS)),
        "rule_verdict: not a known verdict",
        f"{', '.join(names(VERDICTS))}, or nothing",
        verdict,
        "take it from the layer reaches",
    )
    x, y = (pd.to_numeric(column[each], errors="coerce") for each in PLACE)
    has_place = pd.Series(has_points, index=text.index) | (np.isfinite(x) & np.isfinite(y))
    if not has_points:
        stated = (column["x"] != "") | (column["y"] != "")
        both = pd.DataFrame({name: column[name] for name in PLACE})
        problem(
            stated & ~has_place,
            "x and y: no place",
            "two numbers, or nothing in both",
            both,
            "complete or empty them",
        )
        problem(
            ~stated & (column["reach_id"] == ""),
            "a decision names neither a reach nor a place",
            "reach_id, or x and y",
            column["decision_id"],
            "add x and y: a place outlasts the ids of reaches",
        )
        bare = ~stated & (column["reach_id"] != "") & ~_states_basis(column)
        problem(
            bare,
            "a decision names a reach, and nothing by which to see whether it is still the same",
            f"x and y beside reach_id, or any of {', '.join(BASED_ON)}",
            column["reach_id"],
            "add x and y, or what it was based on, from the layer reaches",
        )
    problem(
        column["decision_id"].str.contains(SEPARATOR, regex=False),
        f"decision_id: holds {SEPARATOR}",
        "an id without a semicolon, which separates ids",
        column["decision_id"],
        "write another sign",
    )
    row_problems.add_texts(*(column[name].rename(name) for name in (*NEEDED, *OPTIONAL)))
    if problems:
        raise all_of(InputError, source.path, problems)
    frame = pd.DataFrame({name: column[name].to_numpy() for name in (*NEEDED, *OPTIONAL)}, dtype="str")
    return frame.assign(head_m=number.to_numpy(dtype=np.float64))


# Rows that state anything that the decision was based on.
def _states_basis(column: dict[str, pd.Series[str]]) -> pd.Series[bool]:
    stated: pd.Series[bool] = pd.concat([column[name] != "" for name in BASED_ON], axis=1).any(axis=1)
    return stated


# The decisions of a table with their places in the run's system.
def _placed(
    frame: pd.DataFrame, text: pd.DataFrame, source: DecisionSource, path: Path, crs: str
) -> DecisionsRead:
    places: npt.NDArray[np.object_] = np.full(len(frame), None, dtype=object)
    lineage = None
    if all(name in text for name in PLACE):
        x, y = (pd.to_numeric(text[name], errors="coerce").to_numpy(dtype=np.float64) for name in PLACE)
        known = np.flatnonzero(np.isfinite(x) & np.isfinite(y))
        if len(known):
            ids = frame["decision_id"].to_numpy()[known]
            points = shapely.points(x[known], y[known])
            places[known], lineage = points_in_run(points, ids, source, path, crs, "decisions")
    if lineage is None:
        lineage = table_lineage(source, path, "decisions")
    return DecisionsRead(frame.assign(geometry=places), lineage)
