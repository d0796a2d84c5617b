"""Which way each piece of line flows: as drawn, or turned where the network or the ground proves otherwise."""

import heapq
from typing import NamedTuple

import numpy as np
import shapely
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components

# A piece counts as climbing to its end only beyond this, so that noise on flat ground turns nothing round.
LEAST_CLIMB_M = 0.5
# A network that climbs more than this on its way to the outlet does not fit its ground, where no setting says
# more.
RIDGE_M = 10.0


class Directed(NamedTuple):
    """Pieces with their ends in the direction of flow; no way leads in a circle.

    ``start`` and ``end`` are node numbers, ``is_turned`` is True where that is against the drawn direction,
    ``way_out`` the piece by which each node's water reaches an outlet (-1 at an outlet), ``because`` why a piece
    cannot be resolved (empty where it can), ``repairs`` the rows of what was mended.
    """

    start: np.ndarray
    end: np.ndarray
    is_turned: np.ndarray
    way_out: np.ndarray
    because: np.ndarray
    repairs: list


def direct_pieces(pieces, drop_m, feature_id, by_name, *, ridge_m=RIDGE_M):
    """The direction of every piece, and the connected parts of the network that have none.

    Parameters
    ----------
    pieces : sitefinder.streams.lines.Pieces
    drop_m : ndarray of float64, shape (n,)
        Fall of each piece as it was drawn [m], NaN where unknown.
    feature_id : ndarray of str
        The user's ids, by the numbers in ``pieces.feature``.
    by_name : ndarray of int64, shape (n,)
        Rank of each piece by the user's ids, which settles ties.
    ridge_m : float
        Climb along a stream that no error of the elevations explains [m].

    Returns
    -------
    Directed

    Notes
    -----
    Directions are those drawn, save where the network proves otherwise. In each connected part every node gets one
    way out: the path to an outlet that turns round the least length, then the shortest (Dijkstra 1959). Outlets
    are the loose lower ends that all arriving lines fall to by more than 0.5 m, where there are several of them;
    else the one end that has the least length of line turned round or climbing. Pieces off those paths that
    would close a circle are turned.

    A part cannot be resolved where its lines lead in a circle and no end of theirs is an outlet (a ring), or where
    more than half of its length climbs in the best directions found, and more than half has to climb by more
    than ``ridge_m`` on its way to the outlet.
    """
    length_m = shapely.length(pieces.geometry)
    node_count = len(pieces.node_x_m)
    component = _components(pieces.start, pieces.end, node_count)
    repairs = []
    turned_first = _turn_components(pieces, component, drop_m, length_m, feature_id, by_name, repairs)
    start = np.where(turned_first, pieces.end, pieces.start)
    end = np.where(turned_first, pieces.start, pieces.end)
    drop_m = np.where(turned_first, -drop_m, drop_m)
    way_out, upward, lost = _ways_out(start, end, length_m, drop_m, by_name, component, node_count)
    leaves = way_out[way_out >= 0]
    turned = np.zeros(len(start), dtype=bool)
    turned[leaves] = start[leaves] != np.flatnonzero(way_out >= 0)
    start, end = np.where(turned, end, start), np.where(turned, start, end)
    circles = _closing_circles(start, end, way_out, upward)
    start, end = np.where(circles, end, start), np.where(circles, start, end)
    drop_m = np.where(turned ^ circles, -drop_m, drop_m)

    because = np.full(len(start), "", dtype=object)
    because[np.isin(component[start], lost)] = "flows in a circle without a way out"
    contrary = _contrary(start, end, way_out, upward, drop_m, length_m, component, ridge_m)
    because[np.isin(component[start], contrary)] = "climbs to its outlet, whichever way it is turned"
    for row in np.flatnonzero((because == "") & (turned | circles)):
        name = feature_id[pieces.feature[row]]
        if turned[row]:
            repairs.append(("streams", name, "drawn upstream", "turned"))
        if circles[row]:
            repairs.append(("streams", name, "flows in a circle with others", "turned"))
    return Directed(start, end, turned_first ^ turned ^ circles, way_out, because, repairs)


# Number of the connected part of the network that each node belongs to.
def _components(start, end, node_count):
    graph = coo_array((np.ones(len(start)), (start, end)), shape=(node_count, node_count))
    return connected_components(graph, directed=False)[1]


# A connected part that climbs over most of its length was drawn upstream as a whole, if it has at least as many
# ends as beginnings: a stream that gathers has fewer.
def _turn_components(pieces, component, drop_m, length_m, feature_id, by_name, repairs):
    of_piece = component[pieces.start]
    sure = np.abs(np.nan_to_num(drop_m)) > LEAST_CLIMB_M
    vote = np.where(sure, np.sign(np.nan_to_num(drop_m)) * length_m, 0.0)
    votes = np.bincount(of_piece, weights=vote, minlength=len(component))
    ends = np.bincount(component[np.setdiff1d(pieces.end, pieces.start)], minlength=len(component))
    beginnings = np.bincount(component[np.setdiff1d(pieces.start, pieces.end)], minlength=len(component))
    turned = (votes < 0) & (ends >= beginnings)
    for number in np.flatnonzero(turned):
        members = np.flatnonzero(of_piece == number)
        first = feature_id[pieces.feature[members[np.argmin(by_name[members])]]]
        repairs.append(
            ("streams", first, "drawn upstream with all that it connects to", f"turned, {len(members)} pieces")
        )
    return turned[of_piece]


# The piece by which each node's water leaves (-1 at an outlet), the nodes in an order in which each comes after
# the one that its water goes to, and the connected parts that have no outlet.
def _ways_out(start, end, length_m, drop_m, by_name, component, node_count):
    touching = [[] for _ in range(node_count)]
    for piece, (one, other) in enumerate(zip(start.tolist(), end.tolist(), strict=True)):
        touching[one].append(piece)
        if other != one:
            touching[other].append(piece)
    around = (touching, by_name.tolist())
    # All that arrives at an outlet falls to it; a confluence that one line was drawn up to is none.
    least_fall = np.full(node_count, np.inf)
    np.minimum.at(least_fall, end, np.where(np.isnan(drop_m), -np.inf, drop_m))
    climbs = drop_m < -LEAST_CLIMB_M
    upper, lower = np.where(climbs, end, start), np.where(climbs, start, end)
    drawn_ends = _by_component(np.setdiff1d(end, start), component)
    loose = np.bincount(np.concatenate([start, end]), minlength=node_count) == 1
    low_ends = _by_component(np.setdiff1d(lower, upper), component)
    way_out = np.full(node_count, -1, dtype=np.int64)
    upward, lost = [], []
    for number in np.unique(component[start]).tolist():
        candidates = drawn_ends.get(number, [])
        roots = [node for node in candidates if least_fall[node] > LEAST_CLIMB_M]
        if len(roots) < 2:
            if not roots:
                low = [node for node in low_ends.get(number, []) if candidates or loose[node]]
                candidates = sorted({*candidates, *low})
            if not candidates:
                lost.append(number)
                continue
            roots = [_best_root(candidates, upper, lower, length_m, *around)]
        upward.extend(_grow(roots, start, end, length_m, *around, way_out))
    return way_out, upward, lost


def _by_component(nodes, component):
    found = {}
    for node in nodes.tolist():
        found.setdefault(int(component[node]), []).append(node)
    return found


# Of several loose ends, the outlet that turns the least length round; of equal ones the lowest number. Moving the
# outlet along a tree turns just the pieces between, so one loop over a tree weighs all ends; where there are loops
# the tree depends on its outlet, and is grown again from the best.
def _best_root(candidates, start, end, length_m, touching, by_name):
    root, tried = candidates[0], set()
    while root not in tried and len(candidates) > 1:
        tried.add(root)
        way_out = np.full(len(touching), -1, dtype=np.int64)
        more_m = {root: 0.0}
        for node in _grow([root], start, end, length_m, touching, by_name, way_out)[1:]:  # from the outlet up
            by = way_out[node]
            if start[by] == node:
                more_m[node] = more_m[int(end[by])] + length_m[by]
            else:
                more_m[node] = more_m[int(start[by])] - length_m[by]
        root = min(candidates, key=lambda node: (round(more_m[node], 6), node))
    return root


# Dijkstra from the outlets up; the cost is (length turned round, length). Returns the nodes in the order reached.
def _grow(roots, start, end, length_m, touching, by_name, way_out):
    heap = [(0.0, 0.0, root, -1, -1) for root in roots]
    heapq.heapify(heap)
    done = {}
    while heap:
        turned, path, node, _, by = heapq.heappop(heap)
        if node in done:
            continue
        done[node] = None
        way_out[node] = by
        for piece in touching[node]:
            other = start[piece] if end[piece] == node else end[piece]
            if other not in done:
                against = 0.0 if end[piece] == node else length_m[piece]
                far = path + length_m[piece]
                heapq.heappush(heap, (turned + against, far, int(other), by_name[piece], piece))
    return list(done)


# Pieces off the ways out that start below the place where they end: with the ways out, or with several others of
# their kind, they would flow in a circle for ever. Once those are turned that close a circle with the ways out
# alone, all that still leads upward within a circle is turned, after which every circle is open.
def _closing_circles(start, end, way_out, upward):
    on_way = np.zeros(len(start), dtype=bool)
    on_way[way_out[way_out >= 0]] = True
    circles = np.zeros(len(start), dtype=bool)
    for piece in np.flatnonzero(~on_way & (start != end)):
        node = end[piece]
        while way_out[node] >= 0 and node != start[piece]:
            node = end[way_out[node]]
        circles[piece] = node == start[piece]
    one, other = np.where(circles, end, start), np.where(circles, start, end)
    count = len(way_out)
    graph = coo_array((np.ones(len(one)), (one, other)), shape=(count, count))
    knot = connected_components(graph, directed=True, connection="strong")[1]
    height = np.zeros(count, dtype=np.int64)
    height[upward] = np.arange(len(upward))
    still = ~on_way & (one != other) & (knot[one] == knot[other]) & (height[one] < height[other])
    return circles ^ still


# Connected parts of which more than half of the known length climbs, and more than half lies so deep that its
# water has to climb by more than ridge_m somewhere on its way out.
def _contrary(start, end, way_out, upward, drop_m, length_m, component, ridge_m):
    fall_m = np.nan_to_num(drop_m)
    to_climb_m = np.zeros(len(way_out))
    for node in upward:  # from the outlets up
        by = way_out[node]
        if by >= 0:
            to_climb_m[node] = max(0.0, to_climb_m[end[by]] - fall_m[by])
    of_piece = component[start]
    sums = [
        np.bincount(of_piece, weights=np.where(those, length_m, 0.0), minlength=len(component))
        for those in (~np.isnan(drop_m), fall_m < -LEAST_CLIMB_M, to_climb_m[start] > ridge_m)
    ]
    known_m, climbing_m, deep_m = sums
    return np.flatnonzero((climbing_m > known_m / 2) & (deep_m > known_m / 2))
