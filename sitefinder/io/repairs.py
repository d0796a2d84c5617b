"""Simple, valid, two-dimensional geometries from those a file holds, with a note of each thing done."""

from typing import NamedTuple

import numpy as np
import pandas as pd
import shapely
from shapely import GeometryType

# What geometry types count as; a collection counts as what is in it.
KIND_OF_TYPE = {
    GeometryType.POINT: "point",
    GeometryType.LINESTRING: "line",
    GeometryType.LINEARRING: "line",
    GeometryType.POLYGON: "polygon",
    GeometryType.MULTIPOINT: "point",
    GeometryType.MULTILINESTRING: "line",
    GeometryType.MULTIPOLYGON: "polygon",
}
COLLECTION = [GeometryType.GEOMETRYCOLLECTION]
MULTI = [GeometryType.MULTIPOINT, GeometryType.MULTILINESTRING, GeometryType.MULTIPOLYGON]
# GEOS now and then hands back a part that crosses itself by rounding; repaired once more it is valid
# (2 of 26 000 parts of random rings needed it, none a third pass).
REPAIR_PASSES = 2


class Repair(NamedTuple):
    """What was wrong with a feature and what was done; an empty feature stands for the whole layer.

    ``dropped_row`` is the feature's number in the file where all or some of it was dropped, else -1.
    """

    feature: str
    problem: str
    action: str
    dropped_row: int = -1


def kinds_present(geometries):
    """How many simple geometries of each kind there are, in collections too.

    Parameters
    ----------
    geometries : ndarray of shapely geometry, shape (n,)

    Returns
    -------
    dict of str to int
        ``point``, ``line`` and ``polygon``, where there are any.
    """
    _, parts = _taken_apart(np.arange(len(geometries)), geometries, COLLECTION + MULTI)
    kinds = _kinds(parts[~(shapely.is_missing(parts) | shapely.is_empty(parts))])
    return {kind: int((kinds == kind).sum()) for kind in ("point", "line", "polygon") if (kinds == kind).any()}


def has_finite_coordinates(geometries):
    """Whether all coordinates of each geometry are numbers; missing and empty geometries count as fine.

    Parameters
    ----------
    geometries : ndarray of shapely geometry, shape (n,)

    Returns
    -------
    ndarray of bool, shape (n,)
    """
    coordinates, index = shapely.get_coordinates(geometries, return_index=True)
    odd = ~np.isfinite(coordinates).all(axis=1)
    return np.bincount(index[odd], minlength=len(geometries)) == 0


def simple_geometries(geometries, wanted, ids):
    """Points, lines or polygons, one part a row, from geometries of any make.

    Parameters
    ----------
    geometries : ndarray of shapely geometry, shape (n,)
        May hold None. Coordinates in metres, where areas are to be in square metres.
    wanted : {"line", "polygon", "point", "any"}
        Kind that is kept.
    ids : ndarray of str, shape (n,)
        How the notes call the features.

    Returns
    -------
    rows : ndarray of int64, shape (m,)
        The geometry that each part comes from, ascending.
    parts : ndarray of shapely geometry, shape (m,)
        Valid, two-dimensional, none of them empty, no line without length.
    repairs : list of Repair
        In the order of the steps, within a step in the order of the features.
    """
    repairs = []
    rows = np.arange(len(geometries))
    absent = shapely.is_missing(geometries) | shapely.is_empty(geometries)
    repairs += [Repair(ids[row], "no geometry", "dropped", row) for row in rows[absent]]
    rows, parts = rows[~absent], geometries[~absent]

    if (with_height := shapely.has_z(parts)).any():
        repairs.append(Repair("", "heights on the coordinates", f"left out in {with_height.sum()} features"))
        parts = shapely.force_2d(parts)
    number = has_finite_coordinates(parts)
    repairs += [Repair(ids[row], "coordinates that are no numbers", "dropped", row) for row in rows[~number]]
    rows, parts = rows[number], parts[number]
    if (together := np.isin(shapely.get_type_id(parts), COLLECTION)).any():
        repairs.append(Repair("", "collections of geometries", f"taken apart in {together.sum()} features"))
        rows, parts = _taken_apart(rows, parts, COLLECTION)
    hollow = shapely.is_empty(parts)
    rows, parts = rows[~hollow], parts[~hollow]

    right = np.ones(len(parts), dtype=bool) if wanted == "any" else _kinds(parts) == wanted
    wrong = pd.Series(_kinds(parts[~right])).groupby(rows[~right])
    for row, kinds in wrong.agg(lambda found: " and ".join(sorted(set(found)))).items():
        repairs.append(Repair(ids[row], f"{kinds} geometry in a layer of {wanted}s", "dropped", row))
    rows, parts = rows[right], parts[right]
    for _ in range(REPAIR_PASSES):
        rows, parts, made_valid = _made_valid(rows, parts, ids)
        rows, parts = _taken_apart(rows, parts, MULTI)
        repairs += made_valid
    counts = np.bincount(rows, minlength=len(geometries))
    several = np.flatnonzero(counts > 1)
    repairs += [Repair(ids[row], "several parts", f"split into {counts[row]}") for row in several]
    pointlike = (_kinds(parts) == "line") & (shapely.length(parts) == 0)
    repairs += [Repair(ids[row], "line without length", "dropped", row) for row in rows[pointlike]]
    return rows[~pointlike], parts[~pointlike], repairs


def without_duplicates(frame, attributes):
    """The frame without rows that repeat another's geometry and attributes; those that differ stay, and are noted.

    Parameters
    ----------
    frame : GeoDataFrame
        With ``feature_id`` and ``source_row``, in the file's order.
    attributes : list of str
        Columns in which two rows of one geometry may differ; the id is not among them.

    Returns
    -------
    frame : GeoDataFrame
        Rows numbered anew.
    repairs : list of Repair
    """
    shape = pd.Series(shapely.to_wkb(shapely.normalize(frame.geometry.to_numpy())), index=frame.index)
    if not (repeated := shape.duplicated()).any():
        return frame, []
    first = pd.Series(frame.index, index=frame.index).groupby(shape).transform("first")
    content = frame[attributes].astype(object).map(str)
    content["shape"] = shape
    same = content.duplicated()
    repairs = [
        Repair(
            frame.at[row, "feature_id"],
            "same geometry as another feature",
            ("dropped, the same as " if same[row] else "kept, since its attributes differ from ")
            + str(frame.at[first[row], "feature_id"]),
            frame.at[row, "source_row"] if same[row] else -1,
        )
        for row in frame.index[repeated]
    ]
    return frame[~same].reset_index(drop=True), repairs


def features_told(count, used_rows, repairs):
    """How many features were read and used, and why each of the others was not.

    Parameters
    ----------
    count : int
        Features read.
    used_rows : Series of int
        Number in the file of the feature of each geometry used.
    repairs : list of Repair

    Returns
    -------
    str
        The reason of a feature is the first for which any of it was dropped.

    Examples
    --------
    >>> features_told(3, pd.Series([0, 0, 2]), [Repair("b", "no geometry", "dropped", 1)])
    '3 features read, 2 used, 1 dropped (1 × no geometry)'
    """
    first = {}
    for repair in repairs:
        if repair.dropped_row >= 0:
            first.setdefault(int(repair.dropped_row), repair.problem)
    used = set(used_rows.tolist())
    unused = [row for row in range(count) if row not in used]
    reasons = pd.Series([first.get(row, "no geometry left") for row in unused], dtype="str")
    told = f"{count} features read, {len(used)} used"
    if not len(reasons):
        return told
    whys = ", ".join(f"{number} × {why}" for why, number in reasons.value_counts(sort=False).items())
    return f"{told}, {len(reasons)} dropped ({whys})"


# Polygons that keep their ground: repaired where invalid, with the areas noted; those without any are dropped.
def _made_valid(rows, parts, ids):
    broken = np.flatnonzero((_kinds(parts) == "polygon") & ~shapely.is_valid(parts))
    if not len(broken):
        return rows, parts, []
    reasons = shapely.is_valid_reason(parts[broken])
    drawn = shapely.area(parts[broken])
    parts = parts.copy()
    # "structure" keeps all ground that a ring winds around; "linework" makes holes of what is drawn twice.
    parts[broken] = shapely.make_valid(parts[broken], method="structure", keep_collapsed=False)
    kept = shapely.area(parts[broken])
    repairs = []
    for row, reason, before, after in zip(rows[broken], reasons, drawn, kept, strict=True):
        problem = "invalid polygon: " + reason.split("[")[0].strip().lower()
        action = (
            f"made valid, area {before:.1f} m² as drawn, {after:.1f} m² now" if after > 0 else "dropped, no area"
        )
        repairs.append(Repair(ids[row], problem, action, -1 if after > 0 else row))
    whole = ~shapely.is_empty(parts)
    return rows[whole], parts[whole], repairs


# Geometries of the given types replaced by their parts, until none is left; the rest stays in its place.
def _taken_apart(rows, geometries, types):
    while np.isin(shapely.get_type_id(geometries), types).any():
        whole = ~np.isin(shapely.get_type_id(geometries), types)
        parts, of = shapely.get_parts(geometries[~whole], return_index=True)
        rows, order = np.concatenate([rows[whole], rows[~whole][of]]), np.concatenate([geometries[whole], parts])
        ascending = np.argsort(rows, kind="stable")
        rows, geometries = rows[ascending], order[ascending]
    return rows, geometries


# Kind of each geometry as text.
def _kinds(geometries):
    return np.array([KIND_OF_TYPE.get(kind, "other") for kind in shapely.get_type_id(geometries)], dtype=object)
