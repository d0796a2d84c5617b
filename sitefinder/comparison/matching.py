"""Matching of the rows of two runs, and values that differ between them."""

from __future__ import annotations

import operator
from typing import TYPE_CHECKING, Any, NamedTuple, cast

import numpy as np
import pandas as pd
import shapely

from sitefinder.comparison.causes import Causes, reaching
from sitefinder.schema import LAYERS
from sitefinder.schema.arrays import arrays_by_name

if TYPE_CHECKING:
    from collections.abc import Callable, Collection, Iterable

    import geopandas
    import numpy.typing as npt

    # Which of these pairs of rows, old and new, may be the same.
    Judge = Callable[[npt.NDArray[np.int64], npt.NDArray[np.int64]], npt.NDArray[np.bool_]]

# Own choices: two drawings of the same stream are within this distance over this share of their length.
NEAR_M = 20.0
MIN_SHARE = 0.5


class Pairs(NamedTuple):
    """Rows of the old and of the new lines that belong together, and the share of their length that they share."""

    old: npt.NDArray[np.int64]
    new: npt.NDArray[np.int64]
    share: npt.NDArray[np.float64]


def shared(old: npt.ArrayLike, new: npt.ArrayLike, near_m: float = NEAR_M) -> npt.NDArray[np.float64]:
    """Share of two lines' length within a distance of the other line.

    Parameters
    ----------
    old, new : array of LineString, shape (n,)
        Pairs [m].
    near_m : float
        Maximum distance from a line that counts as on it [m].

    Returns
    -------
    ndarray of float64, shape (n,)
        From 0 to 1: of both lengths together. A line is not prolonged beyond its ends, so that the next piece of
        the same stream shares nothing.

    Examples
    --------
    >>> line, half = shapely.LineString([(0, 0), (100, 0)]), shapely.LineString([(50, 5), (100, 5)])
    >>> shared([line, line], [half, line]).round(3).tolist()
    [0.667, 1.0]
    """
    old, new = np.asarray(old, dtype=object), np.asarray(new, dtype=object)
    result = np.ones(len(old))
    apart = ~shapely.equals_exact(old, new, 0.0)
    a, b = old[apart], new[apart]
    common = shapely.length(shapely.intersection(a, along(b, near_m)))
    common += shapely.length(shapely.intersection(b, along(a, near_m)))
    both = shapely.length(a) + shapely.length(b)
    result[apart] = np.divide(common, both, out=np.zeros(len(both)), where=both > 0)
    return result


def along(lines: npt.NDArray[np.object_], near_m: float) -> npt.NDArray[np.object_]:
    """The area within a distance of each line, with flat ends."""
    ground: npt.NDArray[np.object_] = shapely.buffer(lines, near_m, cap_style="flat", join_style="mitre")
    return ground


# Pairs of coinciding lines, each line in one pair at most.
def _pairs_by_place(
    old: npt.ArrayLike,
    new: npt.ArrayLike,
    near_m: float = NEAR_M,
    min_share: float = MIN_SHARE,
    may_match: Judge | None = None,
) -> Pairs:
    old, new = np.asarray(old, dtype=object), np.asarray(new, dtype=object)
    none = np.zeros(0, dtype=np.int64)
    if not (len(old) and len(new)):
        return Pairs(none, none, np.zeros(0))
    i, j = shapely.STRtree(new).query(old, predicate="dwithin", distance=near_m)
    if may_match is not None:
        may = may_match(i, j)
        i, j = i[may], j[may]
    share = shared(old[i], new[j], near_m)
    enough = share >= min_share
    i, j, share = i[enough], j[enough], share[enough]
    taken_old, taken_new, accepted = set(), set(), []
    for row in np.lexsort((j, i, -share)).tolist():
        if i[row] not in taken_old and j[row] not in taken_new:
            taken_old.add(i[row])
            taken_new.add(j[row])
            accepted.append(row)
    rows = np.array(accepted, dtype=np.int64)
    rows = rows[np.argsort(i[rows], kind="stable")]
    return Pairs(i[rows].astype(np.int64), j[rows].astype(np.int64), share[rows])


CAUSES_SHOWN = 4
UNKNOWN_CAUSE = "nothing that the provenance shows"
# Ids are matched, not compared; metres along a link are comparable within one network only.
NOT_COMPARED = ("reach_id", "site_id", "feature_id")
OF_ONE_NETWORK = ("from_m", "to_m")


class Matched(NamedTuple):
    """Rows of both runs that belong together; -1 where there is none. ``by`` is id, place, or empty.

    First the old rows in their order, then the new ones that are left.
    """

    old: npt.NDArray[np.int64]
    new: npt.NDArray[np.int64]
    by: npt.NDArray[np.object_]


def match(
    old_ids: npt.NDArray[np.object_],
    new_ids: npt.NDArray[np.object_],
    old_lines: npt.NDArray[np.object_],
    new_lines: npt.NDArray[np.object_],
    *,
    near_m: float = NEAR_M,
    same: Judge | None = None,
    may_match: Judge | None = None,
) -> Matched:
    """Rows of two runs that are the same object: by id where its location is unchanged, else by location.

    Parameters
    ----------
    old_ids, new_ids : array of str
        Each unique within its run.
    old_lines, new_lines : array of LineString
        In the same coordinates [m].
    near_m : float
        See `sitefinder.comparison.matching.shared`.
    same : callable, optional
        Given rows of the same id, whether they are the same object; by default whether their lines coincide.
    may_match : callable, optional
        Given rows of different ids, whether they may be the same object at all.

    Returns
    -------
    Matched
    """
    partner = pd.Index(new_ids).get_indexer(pd.Index(old_ids))
    old_rows = np.flatnonzero(partner >= 0)
    new_rows = partner[old_rows]
    if same is None:
        accepted = shared(old_lines[old_rows], new_lines[new_rows], near_m) >= MIN_SHARE
    else:
        accepted = same(old_rows, new_rows)
    old_rows, new_rows = old_rows[accepted], new_rows[accepted]
    of_old, by = np.full(len(old_ids), -1), np.full(len(old_ids), "", dtype=object)
    of_old[old_rows], by[old_rows] = new_rows, "id"
    left_old = np.flatnonzero(of_old < 0)
    left_new = np.setdiff1d(np.arange(len(new_ids)), new_rows)
    may = None if may_match is None else lambda i, j: may_match(left_old[i], left_new[j])
    pairs = _pairs_by_place(old_lines[left_old], new_lines[left_new], near_m, may_match=may)
    of_old[left_old[pairs.old]], by[left_old[pairs.old]] = left_new[pairs.new], "place"
    only_new = np.setdiff1d(np.arange(len(new_ids)), of_old[of_old >= 0])
    return Matched(
        np.concatenate([np.arange(len(old_ids)), np.full(len(only_new), -1)]).astype(np.int64),
        np.concatenate([of_old, only_new]).astype(np.int64),
        np.concatenate([by, np.full(len(only_new), "", dtype=object)]),
    )


def compared_columns(layer_name: str, old: pd.DataFrame, new: pd.DataFrame) -> list[str]:
    """Columns of a layer that both runs have, without ids."""
    return [
        column.name
        for column in LAYERS[layer_name].columns
        if column.name in old.columns and column.name in new.columns and column.name not in NOT_COMPARED
    ]


def differing_values(
    layer_name: str, old: pd.DataFrame, new: pd.DataFrame, matched: Matched, min_change: float
) -> pd.DataFrame:
    """Values of matched rows that differ.

    Parameters
    ----------
    layer_name : str
        Which declares the columns.
    old, new : DataFrame
        The layer in both runs.
    matched : Matched
    min_change : float
        Numbers count as equal up to this share of the greater one.

    Returns
    -------
    DataFrame
        ``row`` (of `matched`), ``column``, ``unit``, ``old``, ``new`` (text, numbers in full), by row, then in the
        order of the columns.
    """
    both = np.flatnonzero((matched.old >= 0) & (matched.new >= 0))
    units = {column.name: column.unit for column in LAYERS[layer_name].columns}
    olds, news = arrays_by_name(old), arrays_by_name(new)
    found = []
    for name in compared_columns(layer_name, old, new):
        before = np.asarray(olds[name])[matched.old[both]]
        after = np.asarray(news[name])[matched.new[both]]
        rows = _unequal(before, after, min_change)
        if name in OF_ONE_NETWORK:
            rows &= matched.by[both] == "id"
        values = zip(both[rows].tolist(), before[rows], after[rows], strict=True)
        found += [(row, name, units[name], _as_text(was), _as_text(is_now)) for row, was, is_now in values]
    found.sort(key=operator.itemgetter(0))
    columns = zip(*found, strict=True) if found else [()] * 5
    row, *texts = (np.array(each, dtype=object) for each in columns)
    names = ("column", "unit", "old", "new")
    return pd.DataFrame({"row": row.astype(np.int64), **dict(zip(names, texts, strict=True))})


def _unequal(before: npt.NDArray[Any], after: npt.NDArray[Any], min_change: float) -> npt.NDArray[np.bool_]:
    missing = [pd.isna(values) for values in (before, after)]
    if all(pd.api.types.is_numeric_dtype(values) and values.dtype != bool for values in (before, after)):
        one, other = (np.asarray(values, dtype=np.float64) for values in (before, after))
        apart = np.abs(one - other) > min_change * np.maximum(np.abs(one), np.abs(other))
        return np.where(missing[0] | missing[1], missing[0] != missing[1], apart)
    apart = np.asarray(before, dtype=object) != np.asarray(after, dtype=object)
    unequal: npt.NDArray[np.bool_] = np.where(missing[0] | missing[1], missing[0] != missing[1], apart)
    return unequal.astype(bool)


def _as_text(value: Any) -> str:
    if pd.isna(value):
        return ""
    return repr(float(value)) if isinstance(value, float) else str(value)


def names_by_row(values: pd.DataFrame) -> dict[int, tuple[str, ...]]:
    """Names of the differing columns of each row that has some: {row: (name, …)}."""
    groups = values.groupby("row", sort=True)["column"]
    return {cast("int", row): tuple(names) for row, names in groups}


class CauseWords:
    """Which differences can have caused a change, as text; answers are cached.

    Parameters
    ----------
    causes : sitefinder.comparison.causes.Causes
    layer_name : str
        Of the rows that changed.
    shown : collection of str
        Columns that are compared.
    """

    def __init__(self, causes: Causes, layer_name: str, shown: Collection[str]) -> None:
        self._causes, self._layer_name, self._shown = causes, layer_name, tuple(shown)
        self._known: dict[tuple[tuple[str, ...], bool], list[int]] = {}

    def of_columns(self, changed: Collection[str], narrowed: bool = True) -> list[int]:
        """Differences behind changed columns; narrowed: without those that affect only unchanged figures."""
        key = (tuple(changed), narrowed)
        if key not in self._known:
            self._known[key] = reaching(self._causes, self._layer_name, changed, self._shown if narrowed else ())
        return self._known[key]

    def text(self, rows: Iterable[int]) -> str:
        """The differences as text; the first few where there are many."""
        return causes_text(self._causes.table.iloc[sorted(set(rows))])


def causes_text(table: pd.DataFrame) -> str:
    """Differences as text; the first few where there are many.

    Parameters
    ----------
    table : DataFrame
        Rows of ``causes``.

    Returns
    -------
    str
    """
    differences = table["difference"].tolist()
    if not differences:
        return UNKNOWN_CAUSE
    rest = len(differences) - CAUSES_SHOWN
    return "; ".join(differences[:CAUSES_SHOWN]) + (f"; and {rest} more" if rest > 0 else "")


def values_at(values: npt.ArrayLike, rows: npt.NDArray[np.int64], missing: object) -> list[Any]:
    """Values of rows, with a placeholder where there is no row (-1)."""
    own = np.asarray(values, dtype=object)
    return [own[row] if row >= 0 else missing for row in rows.tolist()]


def lines_of(table: geopandas.GeoDataFrame) -> npt.NDArray[np.object_]:
    """Geometry of a table as an array of shapely's."""
    return np.asarray(table.geometry, dtype=object)


def as_real(values: Iterable[object]) -> npt.NDArray[np.float64]:
    """Numbers as float64, NaN for what is missing."""
    return pd.to_numeric(pd.Series(values, dtype=object), errors="coerce").to_numpy(dtype=np.float64)


def points_of(table: geopandas.GeoDataFrame) -> npt.NDArray[np.float64]:
    """Coordinates of a table of points, shape (n, 2)."""
    places: npt.NDArray[np.float64] = shapely.get_coordinates(lines_of(table))
    return places
