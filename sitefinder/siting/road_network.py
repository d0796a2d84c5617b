"""The way along roads, where they form a network."""

from typing import NamedTuple

import numpy as np
import shapely
from scipy.sparse import csr_array
from scipy.sparse.csgraph import dijkstra

# A road that ends so near another one joins it [m] (own choice).
JOIN_M = 1.0
# Vertices are one place where they are the same to so many parts of a metre.
MILLIMETRES = 1000.0
# Ways of no length would be no ways at all in a sparse matrix [m].
SHORTEST_M = 1e-6


class RoadPoints(NamedTuple):
    """For each of some points the nearest place on any road: which line, how far along it [m], and how far off."""

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
    # Collections and multi-parts twice, so that parts of parts are single too.
    parts = shapely.get_parts(parts)
    return parts[(shapely.get_type_id(parts) == 1) & (shapely.length(parts) > 0)]


def on_roads(shapes, lines):
    """The nearest place on a road of each point or settlement.

    Parameters
    ----------
    shapes : ndarray of geometry, shape (n,)
    lines : ndarray of LineString
        At least one.

    Returns
    -------
    RoadPoints of ndarray, shape (n,)
        Of several lines at one distance the first; NaN and line -1 for a shape that is missing or empty.
    """
    line, along_m = np.full(len(shapes), -1), np.full(len(shapes), np.nan)
    distance_m = np.full(len(shapes), np.nan)
    (found, near), far_m = shapely.STRtree(lines).query_nearest(shapes, return_distance=True)
    line[found] = len(lines)
    np.minimum.at(line, found, near)
    distance_m[found] = far_m
    known = line >= 0
    ways = shapely.shortest_line(lines[line[known]], shapes[known])
    along_m[known] = shapely.line_locate_point(lines[line[known]], shapely.get_point(ways, 0))
    return RoadPoints(line, along_m, distance_m)


def way_by_road_m(start, goal, lines):
    """Shortest way from each place along the roads to any of the goals.

    Parameters
    ----------
    start, goal : RoadPoints
        Of n places and k goals.
    lines : ndarray of LineString

    Returns
    -------
    ndarray of float64, shape (n,)
        [m], with the straight way to the road at either end; NaN where no road leads to a goal.

    Notes
    -----
    Roads are joined where they share a vertex, or where one ends on another, within `JOIN_M`. Where lines merely
    cross they are not: one may be a bridge. Dijkstra's shortest paths from all goals at once.
    """
    result_m = np.full(len(start.line), np.nan)
    if not (len(start.line) and (start.line >= 0).any() and (goal.line >= 0).any()):
        return result_m
    known, aims = np.flatnonzero(start.line >= 0), np.flatnonzero(goal.line >= 0)
    cut_line = np.concatenate([start.line[known], goal.line[aims]])
    cut_m = np.concatenate([start.along_m[known], goal.along_m[aims]])
    nodes, ends, length_m, of_cut = _graph(lines, cut_line, cut_m)
    # Each goal is a node beside its road.
    goal_node = nodes + np.arange(len(aims))
    ends = np.vstack([ends, np.column_stack([goal_node, of_cut[len(known) :]])])
    length_m = np.concatenate([length_m, np.maximum(goal.distance_m[aims], SHORTEST_M)])
    graph = _shortest_edges(ends, length_m, nodes + len(aims))
    way_m = dijkstra(graph, directed=False, indices=goal_node, min_only=True)[of_cut[: len(known)]]
    result_m[known] = np.where(np.isfinite(way_m), way_m + start.distance_m[known], np.nan)
    return result_m


# Nodes at all vertices and cuts, those of one millimetre being one: how many, the edges between them with their
# lengths, and the node of each cut. Where a road ends on another, an edge leads from its end to the place there.
def _graph(lines, cut_line, cut_m):
    tips = np.concatenate([shapely.get_point(lines, 0), shapely.get_point(lines, -1)])
    tip, other = shapely.STRtree(lines).query(tips, predicate="dwithin", distance=JOIN_M)
    landing_m = shapely.line_locate_point(lines[other], tips[tip])
    xy, line = shapely.get_coordinates(lines, return_index=True)
    step_m = np.append(0.0, np.hypot(*np.diff(xy, axis=0).T))
    first = np.diff(line, prepend=-1) > 0
    run_m = np.cumsum(np.where(first, 0.0, step_m))
    owner = np.concatenate([line, cut_line, other])
    along_m = np.concatenate([run_m - run_m[first][line], cut_m, landing_m])
    places = shapely.line_interpolate_point(lines[owner[len(xy) :]], along_m[len(xy) :])
    everything = np.vstack([xy, shapely.get_coordinates(places), shapely.get_coordinates(tips)])
    _, node = np.unique(np.round(everything * MILLIMETRES), axis=0, return_inverse=True)
    node = node.ravel()
    order = np.lexsort([along_m, owner])
    follows = owner[order][1:] == owner[order][:-1]
    at_tip, landed = node[len(owner) :][tip], node[len(xy) + len(cut_m) : len(owner)]
    ends = np.vstack(
        [np.column_stack([node[order][:-1], node[order][1:]])[follows], np.column_stack([at_tip, landed])]
    )
    length_m = np.append(np.diff(along_m[order])[follows], shapely.distance(tips[tip], lines[other]))
    apart = ends[:, 0] != ends[:, 1]
    return node.max() + 1, ends[apart], length_m[apart], node[len(xy) : len(xy) + len(cut_m)]


# The graph with the shortest of several edges between two nodes.
def _shortest_edges(ends, length_m, nodes):
    low, high = ends.min(axis=1), ends.max(axis=1)
    order = np.lexsort([length_m, high, low])
    low, high, length_m = low[order], high[order], length_m[order]
    kept = np.append(True, (np.diff(low) != 0) | (np.diff(high) != 0))
    return csr_array((np.maximum(length_m[kept], SHORTEST_M), (low[kept], high[kept])), shape=(nodes, nodes))
