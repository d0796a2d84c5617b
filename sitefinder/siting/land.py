"""Who owns the ground of a site, by class of owner; never by name."""

import numpy as np
import pandas as pd
import shapely

from sitefinder.errors import InputError, listed
from sitefinder.rules.overlaps import covered_intervals, union_of_intervals
from sitefinder.siting.stated_columns import word_of
from sitefinder.vocabulary import NO_PARCEL, NOT_LISTED

# Less of a conduit than this in a parcel is an edge that two layers draw differently (own choice) [m].
SHORTEST_M = 1.0


def parcels_of(frame, source):
    """The layer of parcels with the class of the owner of each, and nothing else of the owner.

    Parameters
    ----------
    frame : GeoDataFrame
        The layer as read: ``feature_id`` and the user's columns.
    source : sitefinder.settings.ParcelSource

    Returns
    -------
    frame : GeoDataFrame
        ``feature_id``, ``owner_class`` and the geometry.
    notes : list of (str, str)
        What was found in it and done about it; no text of the layer is in them.

    Raises
    ------
    InputError
        If the column is not there, or holds nothing that the settings list.
    """
    columns = [str(name) for name in frame.columns if not name.startswith(("feature_", "source_"))]
    if source.owner_column not in frame:
        raise InputError.of(
            f"the layer parcels has no column {source.owner_column}",
            file=source.path,
            expected="the column that owner_column names",
            found=f"columns {listed((name for name in columns if name != frame.geometry.name), shown=20)}",
            fix="correct owner_column",
        )
    classes = {word_of(word): kind.strip() for word, kind in source.owner_classes.items()}
    words = frame[source.owner_column].map(word_of)
    is_listed = words.isin(list(classes))
    if not is_listed.any():
        raise InputError.of(
            "no parcel has an owner that the settings list",
            file=f"{source.path}, column {source.owner_column}",
            expected=f"values that inputs.parcels.owner_classes lists: {listed(source.owner_classes, 20)}",
            found=f"{words[words != ''].nunique()} different values in {len(frame)} parcels, which are not shown "
            "since they may be names",
            fix="list the values of the column in owner_classes, each with its class",
        )
    own = frame[["feature_id"]].copy()
    own["owner_class"] = words.map(classes).where(is_listed, NOT_LISTED).to_numpy(dtype=object)
    notes = []
    if not is_listed.all():
        notes.append(
            (f"owner not in owner_classes: {(~is_listed).sum()} of {len(frame)} parcels", f"class: {NOT_LISTED}")
        )
    return own.set_geometry(frame.geometry.to_numpy(), crs=frame.crs), notes


def land_at_points(points, parcels, within_m):
    """Classes of owners of the ground at points.

    Parameters
    ----------
    points : ndarray of Point, shape (n,)
    parcels : GeoDataFrame
        Of `parcels_of`.
    within_m : float
        How far from a point parcels count [m].

    Returns
    -------
    DataFrame
        ``site`` (number of the point), ``owner_class`` and ``parcels`` (their number), the nearest class first; a
        point without any has the class `NO_PARCEL`.
    """
    shapes = parcels.geometry.to_numpy()
    tree = shapely.STRtree(shapes)
    point, parcel = tree.query(points, predicate="dwithin", distance=within_m)
    table = pd.DataFrame(
        {
            "site": point,
            "owner_class": parcels["owner_class"].to_numpy()[parcel],
            "id": parcels["feature_id"].to_numpy()[parcel],
            "distance_m": shapely.distance(points[point], shapes[parcel]),
            "row": parcel,
        }
    ).sort_values(["site", "distance_m", "row"], kind="stable")
    found = table.groupby(["site", "owner_class"], sort=False).agg(parcels=("id", "nunique")).reset_index()
    none = np.setdiff1d(np.arange(len(points)), point)
    nothing = pd.DataFrame({"site": none, "owner_class": NO_PARCEL, "parcels": 0})
    return pd.concat([found, nothing]).sort_values("site", kind="stable", ignore_index=True)


def land_along_lines(lines, parcels):
    """Classes of owners of the ground along lines, with the length in each.

    Parameters
    ----------
    lines : ndarray of LineString, shape (n,)
    parcels : GeoDataFrame
        Of `parcels_of`.

    Returns
    -------
    DataFrame
        ``site`` (number of the line), ``owner_class``, ``parcels`` (their number) and ``length_m`` [m], the
        longest first. Where parcels overlap, each class has the length; what none covers has the class
        `NO_PARCEL`.
    """
    shapes = parcels.geometry.to_numpy()
    near = np.unique(shapely.STRtree(shapes).query(lines, predicate="intersects")[1])
    covered = covered_intervals(lines, shapes[near])
    metres = covered.to_m - covered.from_m
    kept = metres >= SHORTEST_M
    line, parcel, from_m, to_m = (
        covered.line[kept],
        near[covered.polygon[kept]],
        covered.from_m[kept],
        covered.to_m[kept],
    )
    kinds, kind = np.unique(parcels["owner_class"].to_numpy(dtype=object)[parcel].astype(str), return_inverse=True)
    pair = line * max(len(kinds), 1) + kind.ravel()
    own = union_of_intervals(pair, from_m, to_m)
    lengths = pd.Series(own.to_m - own.from_m).groupby(own.owner).sum()
    counts = pd.Series(parcels["feature_id"].to_numpy()[parcel]).groupby(pair).nunique()
    any_parcel = union_of_intervals(line, from_m, to_m)
    bare_m = shapely.length(lines) - np.bincount(
        any_parcel.owner, weights=any_parcel.to_m - any_parcel.from_m, minlength=len(lines)
    )
    bare = np.flatnonzero(bare_m >= SHORTEST_M)
    pairs = lengths.index.to_numpy(dtype=np.int64)
    found = pd.DataFrame(
        {
            "site": np.concatenate([pairs // max(len(kinds), 1), bare]),
            "owner_class": np.concatenate(
                [kinds[pairs % max(len(kinds), 1)].astype(object), [NO_PARCEL] * len(bare)]
            ),
            "parcels": np.concatenate(
                [counts[pairs].to_numpy(dtype=np.int64), np.zeros(len(bare), dtype=np.int64)]
            ),
            "length_m": np.concatenate([lengths.to_numpy(dtype=np.float64), bare_m[bare]]),
        }
    )
    return found.sort_values(["site", "length_m"], ascending=[True, False], kind="stable", ignore_index=True)
