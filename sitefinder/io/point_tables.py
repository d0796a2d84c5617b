"""What the user's tables of places have in common: problems by row, lineage, places in the run's system."""

from __future__ import annotations

from typing import TYPE_CHECKING

from sitefinder.errors import SHOWN_ROWS, described, listed
from sitefinder.io.credits import licence_with_credit
from sitefinder.io.crs import crs_name, crs_of_layer, transform_to_run
from sitefinder.io.digests import content_digest
from sitefinder.settings.section import MAX_CHARACTERS, control_characters

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path
    from typing import Any

    import numpy.typing as npt
    import pandas as pd

    from sitefinder.settings import Source

# Characters of a cell that a message shows, and its number of rows where it shows several cells of each.
SHOWN_CHARACTERS, SHOWN_TOGETHER = 40, 2


class RowProblems:
    """Problems of the cells of a table, each with the rows that have it.

    Parameters
    ----------
    kind : str
        What messages call a row: row, feature.
    rows : sequence of object, shape (n,)
        Their numbers or names.
    problems : list of str
        Where they are added.
    """

    def __init__(self, kind: str, rows: Sequence[object], problems: list[str]) -> None:
        self._kind = kind
        self._rows = rows
        self._problems = problems

    def add(
        self,
        is_bad: pd.Series[bool],
        headline: str,
        expected: str,
        cells: pd.Series[str] | pd.DataFrame,
        fix: str,
    ) -> None:
        """Add a problem if any row has it.

        Parameters
        ----------
        is_bad : Series of bool, shape (n,)
        headline, expected, fix : str
        cells : Series of str, shape (n,), or DataFrame of str
            What was found, by row; of several columns with their names.
        """
        if is_bad.any():
            rows = [row for row, bad in zip(self._rows, is_bad, strict=True) if bad]
            where = f"{self._kind}{'s' if len(rows) > 1 else ''} {listed(rows)}"
            found = listed(dict.fromkeys(_shown(cells[is_bad])), SHOWN_ROWS if cells.ndim == 1 else SHOWN_TOGETHER)
            self._problems.append(described(headline, where=where, expected=expected, found=found, fix=fix))

    def add_ids(self, ids: pd.Series[str]) -> None:
        """Add the problems of a column of ids: empty and repeated ones.

        Parameters
        ----------
        ids : Series of str, shape (n,)
            Without blanks around them; named as the column is.
        """
        self.add(ids == "", f"{ids.name}: missing", "an id for each", ids, "give it one that stays the same")
        repeated = ids.duplicated(keep=False) & (ids != "")
        fix = "change or remove all but one"
        self.add(repeated, f"{ids.name}: more than once", "an id of its own for each", ids, fix)

    def add_texts(self, *columns: pd.Series[str]) -> None:
        """Add the problems of columns of text that nothing can print, or that is longer than a text may be.

        Parameters
        ----------
        *columns : Series of str, shape (n,)
            Named as the columns are.
        """
        for column in columns:
            is_bad = column.map(lambda cell: bool(control_characters(cell)) or len(cell) > MAX_CHARACTERS)
            expected = f"at most {MAX_CHARACTERS:,} characters, no control characters"
            self.add(
                is_bad.astype(bool), f"{column.name}: no plain text", expected, column, "shorten or retype it"
            )


# Cells as a message shows them, a text for each row.
def _shown(cells: pd.Series[str] | pd.DataFrame) -> list[str]:
    if cells.ndim == 1:
        return [_quoted(cell) for cell in cells]
    rows = zip(*(cells[name] for name in cells), strict=True)
    return [", ".join(f"{name} {_quoted(cell)}" for name, cell in zip(cells, row, strict=True)) for row in rows]


def _quoted(cell: str) -> str:
    if not cell:
        return "nothing"
    return repr(cell if len(cell) <= SHOWN_CHARACTERS else f"{cell[:SHOWN_CHARACTERS]}…")


def table_lineage(source: Source, path: Path, name: str) -> dict[str, Any]:
    """Where a table comes from, without places.

    Parameters
    ----------
    source : sitefinder.settings.Source
    path : Path
        Of the file.
    name : str
        Of the input.

    Returns
    -------
    dict
        ``crs`` and ``operation`` are empty.
    """
    return {
        "name": name,
        "path": source.path,
        "layer": "",
        "digest": content_digest(path),
        "source": source.source,
        "date": source.date,
        "licence": licence_with_credit(source.licence, source.attribution),
        "crs": "",
        "operation": "",
    }


def points_in_run(
    places: npt.NDArray[Any],
    ids: npt.NDArray[Any],
    source: Source,
    path: Path,
    crs: str,
    name: str,
    stated_crs: str | None = None,
) -> tuple[npt.NDArray[Any], dict[str, Any]]:
    """Places of a table in the run's coordinate system, and the lineage of the table.

    Parameters
    ----------
    places, ids : ndarray, shape (n,)
        Points in the table's own system, and the ids that messages name them by.
    source, path, name
        See `table_lineage`.
    crs : str
        Coordinate system of the run.
    stated_crs : str, optional
        That of the table; by default what the settings state.

    Returns
    -------
    points : ndarray, shape (n,)
    lineage : dict

    Raises
    ------
    InputError
        If no coordinate system is stated, or a place cannot be transformed.
    """
    own = crs_of_layer(None, source.crs if stated_crs is None else stated_crs, name, source.path)
    lineage = table_lineage(source, path, name) | {"crs": crs_name(own)}
    if not len(places):
        return places, lineage
    points, operation = transform_to_run(places, own, crs, ids, name, source.path, source.operation)
    return points, lineage | {"operation": operation.description}
