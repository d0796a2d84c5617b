"""Distances of sites to roads, power lines and settlements, and their districts."""

from typing import NamedTuple

import numpy as np
import pandas as pd
import shapely
from scipy.sparse import csr_array

from sitefinder.errors import InputError, listed
from sitefinder.rules.overlaps import covered_intervals, union_of_intervals
from sitefinder.units import KILOWATT_HOURS_PER_MEGAWATT_HOUR


def in_region(stations, inputs) -> np.ndarray:
    """Stations inside the region's polygon; all of them where none is given."""
    if "region" not in inputs.layers:
        return np.ones(len(stations), dtype=bool)
    region = inputs.layers["region"].frame.geometry.union_all()
    return shapely.intersects_xy(region, stations["x_m"].to_numpy(), stations["y_m"].to_numpy())


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
        [m]; NaN without a layer, or if it is empty.
    """
    if features is None or features.empty or not len(x_m):
        return np.full(len(x_m), np.nan)
    points = shapely.points(x_m, y_m)
    tree = shapely.STRtree(np.asarray(features.geometry, dtype=object))
    index, distance_m = tree.query_nearest(points, return_distance=True)
    nearest_m = np.full(len(points), np.nan)
    nearest_m[index[0]] = distance_m
    return nearest_m


def side_of_stream(flow_x_m, flow_y_m, to_x_m, to_y_m):
    """The side of the stream on which something is.

    Parameters
    ----------
    flow_x_m, flow_y_m : ndarray of float64, shape (n,)
        Direction in which the stream flows there, of any length [m].
    to_x_m, to_y_m : ndarray of float64, shape (n,)
        Way from the stream to the thing [m].

    Returns
    -------
    ndarray of object (str), shape (n,)
        "left" or "right", looking downstream; empty where it is on the stream, in line with it, or
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
    """Name of the district of each point.

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
        and districts, the part outside comes last. Stream on a border, or where districts overlap, belongs to the
        district that comes first in the file.
    """
    lines = np.asarray(reaches.geometry, dtype=object)
    length_m = shapely.length(lines)
    if districts is None or districts.empty:
        return _lengths(np.arange(len(lines)), np.full(len(lines), OUTSIDE, dtype=object), length_m)
    names = district_names(districts)
    covered = covered_intervals(lines, np.asarray(districts.geometry, dtype=object))
    order, number = np.unique(names, return_index=True)
    # Parts of a district are merged; districts are numbered by their first part in the file.
    place = np.argsort(np.argsort(number))[np.searchsorted(order, names)]
    in_file_order = order[np.argsort(number)]
    district = place[covered.polygon]

    taken_m = np.zeros(len(lines))
    rows = []
    # Each district gets what all up to it cover, less what those before it cover.
    for now in np.unique(district):
        so_far = district <= now
        lines_in = np.unique(covered.line[district == now])
        relevant = so_far & np.isin(covered.line, lines_in)
        union = union_of_intervals(covered.line[relevant], covered.from_m[relevant], covered.to_m[relevant])
        metres = np.bincount(union.owner, weights=union.to_m - union.from_m, minlength=len(lines))[lines_in]
        rows.append((lines_in, np.full(len(lines_in), now), metres - taken_m[lines_in]))
        taken_m[lines_in] = metres
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


# A road that ends within this distance of another one joins it [m] (own choice).
JOIN_M = 1.0
# Vertices are merged where they agree to this fraction of a metre.
MILLIMETRES = 1000.0
# Edges without length would be missing edges in a sparse matrix [m].
SHORTEST_M = 1e-6


class RoadPoints(NamedTuple):
    """For each point the nearest point on any road: the line, the distance along it [m] and to it [m]."""

    line: np.ndarray
    along_m: np.ndarray
    distance_m: np.ndarray


def road_lines(features):
    """Single lines of a road layer; outlines of polygons count as lines, points are left out.

    Parameters
    ----------
    features : GeoDataFrame or None

    Returns
    -------
    ndarray of LineString
    """
    if features is None or features.empty:
        return np.array([], dtype=object)
    shapes = np.asarray(features.geometry, dtype=object)
    areal = np.isin(shapely.get_type_id(shapes), [3, 6])
    shapes = np.where(areal, shapely.boundary(shapes), shapes)
    parts = shapely.get_parts(shapely.force_2d(shapes))
    # Twice, so that multi-parts inside collections are split too.
    parts = shapely.get_parts(parts)
    return parts[(shapely.get_type_id(parts) == 1) & (shapely.length(parts) > 0)]


def on_roads(shapes, lines):
    """The nearest point on a road to each point or settlement.

    Parameters
    ----------
    shapes : ndarray of geometry, shape (n,)
    lines : ndarray of LineString
        At least one.

    Returns
    -------
    RoadPoints of ndarray, shape (n,)
        Of several lines at the same distance the first; NaN and line -1 for a missing or empty shape.
    """
    line, along_m = np.full(len(shapes), -1), np.full(len(shapes), np.nan)
    distance_m = np.full(len(shapes), np.nan)
    (found, near), far_m = shapely.STRtree(lines).query_nearest(shapes, return_distance=True)
    line[found] = len(lines)
    np.minimum.at(line, found, near)
    distance_m[found] = far_m
    known = line >= 0
    connectors = shapely.shortest_line(lines[line[known]], shapes[known])
    along_m[known] = shapely.line_locate_point(lines[line[known]], shapely.get_point(connectors, 0))
    return RoadPoints(line, along_m, distance_m)


def distance_by_road_m(start, goal, lines):
    """Shortest distance along the roads from each point to any of the goals.

    Parameters
    ----------
    start, goal : RoadPoints
        Of n places and k goals.
    lines : ndarray of LineString

    Returns
    -------
    ndarray of float64, shape (n,)
        [m], including the straight distance to the road at either end; NaN where no road leads to a goal.

    Notes
    -----
    Roads are joined where they share a vertex, or where one ends on another, within `JOIN_M`. Where lines merely
    cross they are not: one may be a bridge. Dijkstra's shortest paths from all goals at once.
    """
    from scipy.sparse.csgraph import dijkstra  # noqa: PLC0415 - large, and only new candidates need it

    result_m = np.full(len(start.line), np.nan)
    if not (goal.line >= 0).any():
        return result_m
    known, aims = np.flatnonzero(start.line >= 0), np.flatnonzero(goal.line >= 0)
    cut_line = np.concatenate([start.line[known], goal.line[aims]])
    cut_m = np.concatenate([start.along_m[known], goal.along_m[aims]])
    nodes, ends, length_m, of_cut = _graph(lines, cut_line, cut_m)
    # Each goal is a node of its own, joined to its road.
    goal_node = nodes + np.arange(len(aims))
    ends = np.vstack([ends, np.column_stack([goal_node, of_cut[len(known) :]])])
    length_m = np.concatenate([length_m, np.maximum(goal.distance_m[aims], SHORTEST_M)])
    graph = _shortest_edges(ends, length_m, nodes + len(aims))
    distance_m = dijkstra(graph, directed=False, indices=goal_node, min_only=True)[of_cut[: len(known)]]
    result_m[known] = np.where(np.isfinite(distance_m), distance_m + start.distance_m[known], np.nan)
    return result_m


# Number of nodes at all vertices and cuts, merged to a millimetre, the edges between them with their lengths, and
# the node of each cut. Where a road ends on another, an edge leads from its end to the point there.
def _graph(lines, cut_line, cut_m):
    tips = np.concatenate([shapely.get_point(lines, 0), shapely.get_point(lines, -1)])
    tip, other = shapely.STRtree(lines).query(tips, predicate="dwithin", distance=JOIN_M)
    landing_m = shapely.line_locate_point(lines[other], tips[tip])
    xy, line = shapely.get_coordinates(lines, return_index=True)
    step_m = np.hypot(*np.diff(xy, axis=0, prepend=xy[:1]).T)
    first = np.append(True, np.diff(line) > 0)
    run_m = np.cumsum(step_m * ~first)
    owner = np.concatenate([line, cut_line, other])
    along_m = np.concatenate([run_m - run_m[first][line], cut_m, landing_m])
    places = shapely.line_interpolate_point(lines[owner[len(xy) :]], along_m[len(xy) :])
    everything = np.vstack([xy, shapely.get_coordinates(places), shapely.get_coordinates(tips)])
    merged, node = np.unique(np.round(everything * MILLIMETRES), axis=0, return_inverse=True)
    node = node.ravel()
    order = np.lexsort([along_m, owner])
    follows = owner[order][1:] == owner[order][:-1]
    at_tip, landed = node[len(owner) :][tip], node[len(xy) + len(cut_m) : len(owner)]
    ends = np.vstack(
        [np.column_stack([node[order][:-1], node[order][1:]])[follows], np.column_stack([at_tip, landed])]
    )
    length_m = np.append(np.diff(along_m[order])[follows], shapely.distance(tips[tip], lines[other]))
    apart = ends[:, 0] != ends[:, 1]
    return len(merged), ends[apart], length_m[apart], node[len(xy) : len(xy) + len(cut_m)]


# The graph with the shortest of several edges between two nodes.
def _shortest_edges(ends, length_m, nodes):
    low, high = ends.min(axis=1), ends.max(axis=1)
    order = np.lexsort([length_m, high, low])
    low, high, length_m = low[order], high[order], length_m[order]
    kept = np.append(True, (np.diff(low) != 0) | (np.diff(high) != 0))
    return csr_array((np.maximum(length_m[kept], SHORTEST_M), (low[kept], high[kept])), shape=(nodes, nodes))


def demand_of_settlements(settlements, off_grid):
    """Demand of each settlement in a year.

    Parameters
    ----------
    settlements : DataFrame, n rows
        With ``feature_id`` and the column that the settings name.
    off_grid : sitefinder.settings.OffGridSettings

    Returns
    -------
    ndarray of float64, shape (n,)
        [MWh].

    Raises
    ------
    InputError
        If the column is not there or holds anything but numbers from zero up.
    """
    column = off_grid.demand_column
    where = "layer settlements, off_grid.demand_column"
    if column not in settlements:
        given = [name for name in settlements.columns if not name.startswith(("feature_", "source_"))]
        raise InputError.of(
            f"the settlements have no column {column}",
            where=where,
            found=listed(name for name in given if name != "geometry") or "no columns",
            fix="name the column with the demand, or with the number of inhabitants or homes",
        )
    units = pd.to_numeric(settlements[column], errors="coerce").to_numpy(dtype=float)
    wrong = ~(np.isfinite(units) & (units >= 0))
    if wrong.any():
        raise InputError.of(
            "settlements without a demand",
            where=where,
            expected="a number from 0 up",
            settlements=listed(settlements["feature_id"][wrong]),
            fix=f"fill the column {column}",
        )
    return units * off_grid.kwh_per_unit / KILOWATT_HOURS_PER_MEGAWATT_HOUR


def is_off_grid(settlements, power_lines, beyond_m):
    """Settlements farther than a distance from every power line.

    Parameters
    ----------
    settlements : GeoDataFrame, n rows
        Points or polygons [m].
    power_lines : GeoDataFrame or None
        None, or empty: all are off-grid.
    beyond_m : float

    Returns
    -------
    ndarray of bool, shape (n,)
    """
    off = np.ones(len(settlements), dtype=bool)
    if power_lines is not None and len(power_lines) and len(settlements):
        tree = shapely.STRtree(np.asarray(power_lines.geometry, dtype=object))
        places = np.asarray(settlements.geometry, dtype=object)
        off[tree.query_nearest(places, max_distance=beyond_m)[0]] = False
    return off


def nearest_settlement(x_m, y_m, settlements):
    """The nearest settlement of each point.

    Parameters
    ----------
    x_m, y_m : ndarray of float64, shape (n,)
        Coordinates [m].
    settlements : GeoDataFrame
        Points or polygons in the same coordinates [m].

    Returns
    -------
    row : ndarray of int64, shape (n,)
        Of several at the same distance the first; -1 without settlements.
    distance_m : ndarray of float64, shape (n,)
        Straight; NaN where there are none.
    """
    row, distance_m = np.full(len(x_m), -1), np.full(len(x_m), np.nan)
    if len(settlements) and len(x_m):
        tree = shapely.STRtree(np.asarray(settlements.geometry, dtype=object))
        found, far_m = tree.query_nearest(shapely.points(x_m, y_m), return_distance=True)
        row[:] = len(settlements)
        np.minimum.at(row, found[0], found[1])
        distance_m[found[0]] = far_m
    return row, distance_m
