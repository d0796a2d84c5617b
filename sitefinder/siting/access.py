"""How far sites are from roads, lines and settlements, and in which district things lie."""

import numpy as np
import pandas as pd
import shapely

from sitefinder.siting.intervals import covered_intervals, union_of_intervals

OUTSIDE = ""


def nearest_distance_m(x_m, y_m, features):
    """Straight distance from points to the nearest feature of a layer.

    Parameters
    ----------
    x_m, y_m : ndarray of float64, shape (n,)
        Coordinates [m].
    features : GeoDataFrame or None
        Points, lines or polygons in the same coordinates [m].

    Returns
    -------
    ndarray of float64, shape (n,)
        [m]; NaN without a layer, or with an empty one.
    """
    if features is None or features.empty or not len(x_m):
        return np.full(len(x_m), np.nan)
    points = shapely.points(x_m, y_m)
    tree = shapely.STRtree(np.asarray(features.geometry, dtype=object))
    index, distance_m = tree.query_nearest(points, return_distance=True, all_matches=False)
    nearest_m = np.full(len(points), np.nan)
    nearest_m[index[0]] = distance_m
    return nearest_m


def side_of_stream(flow_x_m, flow_y_m, to_x_m, to_y_m):
    """On which side of the stream something lies.

    Parameters
    ----------
    flow_x_m, flow_y_m : ndarray of float64, shape (n,)
        Direction in which the stream flows there, of any length [m].
    to_x_m, to_y_m : ndarray of float64, shape (n,)
        Way from the stream to the thing [m].

    Returns
    -------
    ndarray of object (str), shape (n,)
        "left" or "right", looking downstream; empty where the thing lies on the stream, in line with it, or is
        not known.

    Examples
    --------
    A stream to the east, and a road to the north of it:

    >>> side_of_stream(np.array([1.0]), np.array([0.0]), np.array([5.0]), np.array([20.0])).tolist()
    ['left']
    """
    across = np.asarray(flow_x_m) * to_y_m - np.asarray(flow_y_m) * to_x_m
    return np.where(across > 0, "left", np.where(across < 0, "right", "")).astype(object)


def district_of(x_m, y_m, districts):
    """Name of the district in which each point lies.

    Parameters
    ----------
    x_m, y_m : ndarray of float64, shape (n,)
        Coordinates [m].
    districts : GeoDataFrame or None
        Polygons with ``feature_name`` and ``feature_id``; the id serves where there is no name.

    Returns
    -------
    ndarray of object (str), shape (n,)
        Empty outside all districts. On a border the district that comes first in the file has the point.
    """
    found = np.full(len(x_m), OUTSIDE, dtype=object)
    if districts is None or districts.empty:
        return found
    tree = shapely.STRtree(shapely.points(x_m, y_m))
    district, point = tree.query(np.asarray(districts.geometry, dtype=object), predicate="intersects")
    first = np.full(len(x_m), len(districts))
    np.minimum.at(first, point, district)
    inside = first < len(districts)
    found[inside] = district_names(districts)[first[inside]]
    return found


def lengths_by_district(reaches, districts):
    """Length of each reach in each district; the lengths of a reach add up to its own.

    Parameters
    ----------
    reaches : GeoDataFrame, n rows
        LineStrings [m], in the order of the reach numbers.
    districts : GeoDataFrame or None
        See `district_of`.

    Returns
    -------
    DataFrame
        ``reach`` (int64), ``district`` (text, empty outside all) and ``length_m`` [m], in the order of reaches
        and districts, what lies outside last. Stream on a border, or where districts overlap, belongs to the
        district that comes first in the file.
    """
    lines = np.asarray(reaches.geometry, dtype=object)
    length_m = shapely.length(lines)
    if districts is None or districts.empty:
        return _lengths(np.arange(len(lines)), np.full(len(lines), OUTSIDE, dtype=object), length_m)
    names = district_names(districts)
    covered = covered_intervals(lines, np.asarray(districts.geometry, dtype=object))
    order, number = np.unique(names, return_index=True)
    # Districts in several parts are one, numbered by the first part's place in the file.
    place = np.argsort(np.argsort(number))[np.searchsorted(order, names)]
    in_file_order = order[np.argsort(number)]
    district = place[covered.ground]

    taken_m = np.zeros(len(lines))
    rows = []
    # Each district gets what those up to it cover, less what those before it cover.
    for now in np.unique(district):
        so_far = district <= now
        lines_here = np.unique(covered.line[district == now])
        relevant = so_far & np.isin(covered.line, lines_here)
        union = union_of_intervals(covered.line[relevant], covered.from_m[relevant], covered.to_m[relevant])
        metres = np.bincount(union.owner, weights=union.to_m - union.from_m, minlength=len(lines))[lines_here]
        rows.append((lines_here, np.full(len(lines_here), now), metres - taken_m[lines_here]))
        taken_m[lines_here] = metres
    rows.append((np.arange(len(lines)), np.full(len(lines), len(in_file_order)), length_m - taken_m))
    reach, district, metres = (np.concatenate(parts) for parts in zip(*rows, strict=True))
    order = np.lexsort((district, reach))
    # Metres are differences of sums, so nothing may come out as some billionth of a metre.
    order = order[metres[order] > length_m[reach[order]] * 1e-9]
    return _lengths(reach[order], np.append(in_file_order, OUTSIDE)[district[order]], metres[order])


def district_names(districts):
    """Name of each district, or its id where it has none.

    Parameters
    ----------
    districts : GeoDataFrame, n rows
        ``feature_name`` and ``feature_id``.

    Returns
    -------
    ndarray of object (str), shape (n,)
    """
    names = districts["feature_name"].to_numpy(dtype=object)
    return np.where(names == OUTSIDE, districts["feature_id"].to_numpy(dtype=object), names)


def _lengths(reach, district, length_m):
    return pd.DataFrame(
        {
            "reach": reach.astype(np.int64),
            "district": pd.Series(district, dtype="str"),
            "length_m": length_m,
        }
    )
