"""From drawn lines to pieces that meet at nodes: ends snapped, lines split where another one ends on them."""

from typing import NamedTuple

import numpy as np
import pandas as pd
import shapely
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components
from scipy.spatial import cKDTree

REPAIR_COLUMNS = ["layer", "feature", "problem", "action"]


class Pieces(NamedTuple):
    """Lines cut at every node; a piece runs from ``start`` to ``end`` as it was digitised.

    ``geometry`` is an object array of LineString, ``feature`` the row of the line that each piece
    comes from, ``from_m`` its offset along that line [m], ``start`` and ``end`` node numbers, and
    ``node_x_m``, ``node_y_m`` where the nodes lie.
    """

    geometry: np.ndarray
    feature: np.ndarray
    from_m: np.ndarray
    start: np.ndarray
    end: np.ndarray
    node_x_m: np.ndarray
    node_y_m: np.ndarray


def cut_lines(geometry, feature_id, *, snap_m):
    """Pieces between nodes, and a list of what was mended.

    Parameters
    ----------
    geometry : ndarray of LineString, shape (n,)
        In a projected system [m]; none empty, none without length.
    feature_id : ndarray of str, shape (n,)
        The user's ids, for the list of repairs.
    snap_m : float
        Farthest gap between ends, or between an end and another line, that is closed [m].

    Returns
    -------
    pieces : Pieces
    repairs : DataFrame
        Columns ``layer``, ``feature``, ``problem``, ``action``.
    """
    repairs = []
    geometry, feature_id, rows = _without_duplicates(geometry, feature_id, repairs)
    if not len(geometry):
        none = np.zeros(0, dtype=np.int64)
        empty = Pieces(geometry, none, np.zeros(0), none, none, np.zeros(0), np.zeros(0))
        return empty, pd.DataFrame(repairs, columns=REPAIR_COLUMNS)
    ends = np.concatenate([_end_points(geometry, 0), _end_points(geometry, -1)])
    node, places = _nodes_of_ends(ends, snap_m)
    places, cuts = _landings(geometry, node, places, feature_id, snap_m, repairs)
    _list_moved_ends(ends, node, places, feature_id, repairs)
    pieces = _pieces(geometry, rows, node, places, cuts)
    short = shapely.length(pieces.geometry) <= 0.0
    short |= (pieces.start == pieces.end) & (shapely.length(pieces.geometry) <= 2 * snap_m)
    for row in np.flatnonzero(short):
        name = feature_id[np.searchsorted(rows, pieces.feature[row])]
        repairs.append(("streams", name, "no length after snapping", "left out"))
    kept = Pieces(*[part[~short] if len(part) == len(short) else part for part in pieces[:5]], *pieces[5:])
    return kept, pd.DataFrame(repairs, columns=REPAIR_COLUMNS)


# Lines drawn twice (either way round) are kept once.
def _without_duplicates(geometry, feature_id, repairs):
    kept, seen = [], {}
    for row, line in enumerate(shapely.normalize(geometry)):
        text = shapely.to_wkb(line)
        if text in seen:
            repairs.append(("streams", feature_id[row], "drawn twice", f"left out, the same as {seen[text]}"))
            continue
        seen[text] = feature_id[row]
        kept.append(row)
    rows = np.array(kept, dtype=np.int64)
    return geometry[rows], feature_id[rows], rows


def _end_points(geometry, index):
    point = shapely.get_point(geometry, index)
    return np.column_stack([shapely.get_x(point), shapely.get_y(point)])


# Ends within snap_m of each other are one node, placed where most of its ends agree to the letter. Nodes are
# numbered by place, so that nothing depends on the order of the lines.
def _nodes_of_ends(ends, snap_m):
    pairs = cKDTree(ends).query_pairs(max(snap_m, 1e-6), output_type="ndarray")
    graph = coo_array((np.ones(len(pairs)), (pairs[:, 0], pairs[:, 1])), shape=(len(ends), len(ends)))
    count, node = connected_components(graph, directed=False)
    _, same_place, agreeing = np.unique(ends, axis=0, return_inverse=True, return_counts=True)
    order = np.lexsort([ends[:, 1], ends[:, 0], -agreeing[same_place.ravel()], node])
    places = ends[order[np.searchsorted(node[order], np.arange(count))]]
    by_place = np.lexsort([places[:, 1], places[:, 0]])
    number = np.empty(count, dtype=np.int64)
    number[by_place] = np.arange(count)
    return number[node], places[by_place]


# Where an end lands on the middle of another line: that line is cut there, and the node moves onto it.
def _landings(geometry, node, places, feature_id, snap_m, repairs):
    count = len(geometry)
    cuts = [dict() for _ in range(count)]
    tree = shapely.STRtree(geometry)
    found_node, found_line = tree.query(shapely.points(places), predicate="dwithin", distance=max(snap_m, 1e-6))
    places = places.copy()
    moved = set()
    # A node near several lines moves onto the nearest.
    gap = shapely.distance(shapely.points(places[found_node]), geometry[found_line])
    for pair in np.lexsort([gap, found_node]):
        here, line = int(found_node[pair]), int(found_line[pair])
        if here in (node[line], node[line + count]):
            continue
        along = shapely.line_locate_point(geometry[line], shapely.Point(places[here]))
        length = shapely.length(geometry[line])
        if not 0.0 < along < length:
            continue
        if here not in moved:
            spot = shapely.line_interpolate_point(geometry[line], along)
            places[here] = (spot.x, spot.y)
            moved.add(here)
        cuts[line][here] = along
        repairs.append(("streams", feature_id[line], "another line ends on it", f"split at {along:.1f} m"))
    return places, cuts


def _list_moved_ends(ends, node, places, feature_id, repairs):
    distance = np.hypot(*(ends - places[node]).T)
    for row in np.flatnonzero(distance > 1e-6):
        which = "start" if row < len(feature_id) else "end"
        name = feature_id[row % len(feature_id)]
        repairs.append(
            ("streams", name, "end off its node", f"{which} moved by {distance[row]:.2f} m to the node")
        )


def _pieces(geometry, rows, node, places, cuts):
    count = len(geometry)
    parts = []
    for line in range(count):
        stops = sorted((along, here) for here, along in cuts[line].items())
        nodes = [node[line], *[here for _, here in stops], node[line + count]]
        along = [0.0, *[where for where, _ in stops], shapely.length(geometry[line])]
        for first in range(len(nodes) - 1):
            start, end = nodes[first], nodes[first + 1]
            drawn = _between(geometry[line], along[first], along[first + 1])
            drawn[0], drawn[-1] = places[start], places[end]
            parts.append((shapely.LineString(drawn), rows[line], along[first], start, end))
    lines, feature, from_m, start, end = zip(*parts, strict=True)
    drawn = np.empty(len(lines), dtype=object)
    drawn[:] = lines
    return Pieces(
        drawn, np.array(feature), np.array(from_m), np.array(start), np.array(end), places[:, 0], places[:, 1]
    )


# Vertices of a line between two distances along it, both ends included, in two dimensions.
def _between(line, from_m, to_m):
    vertices = shapely.get_coordinates(line)
    along = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(vertices, axis=0).T))])
    inside = (along > from_m) & (along < to_m)
    ends = shapely.get_coordinates(shapely.line_interpolate_point(line, [from_m, min(to_m, along[-1])]))
    return np.concatenate([ends[:1], vertices[inside], ends[1:]])
