"""Direction of flow of each line, and the main arm at each bifurcation."""

import heapq
from typing import NamedTuple

import numpy as np
import shapely

from sitefinder.network.components import components

# A piece counts as climbing to its end only beyond this, so that noise on flat ground turns nothing round.
MIN_CLIMB_M = 0.5
# Default of the maximum climb of a network on its way to the outlet; one that climbs more does not fit its
# terrain.
RIDGE_M = 10.0


class Directed(NamedTuple):
    """Pieces with their ends in the direction of flow; without cycles.

    ``start`` and ``end`` are node numbers, ``is_turned`` is True where that is against the drawn direction,
    ``way_out`` the piece by which each node's water reaches an outlet (-1 at an outlet), ``because`` why a piece
    cannot be resolved (empty where it can), ``repairs`` the rows of repairs.
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
    pieces : sitefinder.network.topology.Pieces
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

    A part cannot be resolved where its lines lead in a circle and no end is an outlet (a ring), or where
    more than half of its length climbs in the best directions found, and more than half has to climb by more
    than ``ridge_m`` on its way to the outlet.
    """
    length_m = shapely.length(pieces.geometry)
    node_count = len(pieces.node_x_m)
    _, component = components(pieces.start, pieces.end, node_count)
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


# A connected part that climbs over most of its length was drawn upstream as a whole, if it has at least as many
# ends as beginnings: a stream that gathers has fewer.
def _turn_components(pieces, component, drop_m, length_m, feature_id, by_name, repairs):
    of_piece = component[pieces.start]
    sure = np.abs(np.nan_to_num(drop_m)) > MIN_CLIMB_M
    vote = np.where(sure, np.sign(drop_m), 0.0) * length_m
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
    min_fall = np.full(node_count, np.inf)
    np.minimum.at(min_fall, end, np.where(np.isnan(drop_m), -np.inf, drop_m))
    climbs = drop_m < -MIN_CLIMB_M
    upper, lower = np.where(climbs, end, start), np.where(climbs, start, end)
    drawn_ends = _by_component(np.setdiff1d(end, start), component)
    loose = np.bincount(np.concatenate([start, end]), minlength=node_count) == 1
    low_ends = _by_component(np.setdiff1d(lower, upper), component)
    way_out = np.full(node_count, -1, dtype=np.int64)
    upward, lost = [], []
    for number in np.unique(component[start]).tolist():
        candidates = drawn_ends.get(number, [])
        roots = [node for node in candidates if min_fall[node] > MIN_CLIMB_M]
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
        way_out = np.empty(len(touching), dtype=np.int64)
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
    circles = np.zeros(len(start), dtype=bool)
    off_ways = np.setdiff1d(np.flatnonzero(start != end), way_out)
    for piece in off_ways.tolist():
        node = end[piece]
        while way_out[node] >= 0 and node != start[piece]:
            node = end[way_out[node]]
        circles[piece] = node == start[piece]
    one, other = np.where(circles, end, start), np.where(circles, start, end)
    count = len(way_out)
    _, knot = components(one, other, count, strong=True)
    height = np.zeros(count, dtype=np.int64)
    height[upward] = np.arange(len(upward))
    # What lies on a way out leads downward already.
    still = (knot[one] == knot[other]) & (height[one] < height[other])
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
        for those in (~np.isnan(drop_m), fall_m < -MIN_CLIMB_M, to_climb_m[start] > ridge_m)
    ]
    known_m, climbing_m, deep_m = sums
    return np.flatnonzero((climbing_m > known_m / 2) & (deep_m > known_m / 2))


# A line's direction at a node is taken over this length [m], or over all of a shorter line.
ANGLE_SPAN_M = 50.0
# Angles nearer than this [rad] are equal, so that rounding decides nothing.
ANGLE_STEP = 1e-6
RULES = ("evidence", "straightest", "shortest", "longest", "order", "column")
# Pieces of each arm that are looked at for tributaries, so that a parting costs the same in any network.
PIECES_AHEAD = 200


class MainArms(NamedTuple):
    """Pieces as a directed graph without circles: ``start`` and ``end`` nodes, ``length_m``, ``leaving`` and
    ``arriving`` lists of pieces for each node, and ``downward``, the nodes from the sources down."""

    start: np.ndarray
    end: np.ndarray
    length_m: np.ndarray
    leaving: list
    arriving: list
    downward: list


def main_arms(start, end, geometry, by_name, node_count, *, rule, value=None, is_canal=None, name=None):
    """The piece by which the main stream leaves each node, and what says so.

    Parameters
    ----------
    start, end : ndarray of int, shape (n,)
        Nodes of each piece in the direction of flow; no way may lead in a circle.
    geometry : ndarray of LineString, shape (n,)
        Pieces in the direction of flow.
    by_name : ndarray of int64, shape (n,)
        Rank of each piece by the user's ids, which settles the last ties.
    node_count : int
    rule : {"evidence", "straightest", "shortest", "longest", "order", "column"}
    value : ndarray of float64, shape (n,), optional
        For the rule "column": the greatest of a node wins, NaN loses.
    is_canal : ndarray of bool, shape (n,), optional
        Canals are never the main arm while another one leaves the node.

    Returns
    -------
    main : ndarray of int64, shape (node_count,)
        -1 where nothing leaves.
    basis : ndarray of object, shape (node_count,)
        Where a stream parts: "column", "canal", "name", "tributaries" or "shape"; else "".

    Notes
    -----
    "evidence" takes the arm that alone carries the name of the stream that arrives; else the one that more stream
    joins before the arms meet again, or before it runs into a longer stream; else the shorter way down, which is
    no better than a coin: of three networks with published main arms two prefer it and one the longest.
    "straightest" takes the arm that turns least from the line that arrives with the longest way from a source,
    both directions measured over 50 m from the node. "shortest" and "longest" go by the way down to an outlet.
    "order" takes the arm that reaches the greater Strahler order by its own tributaries (nothing counted of what
    comes down from a parting) before it meets another arm of the same node, parts again or ends. What remains
    equal is settled by straightness, then by the shorter way down, then by the user's ids.

    No rule of shape knows where the water goes. Of 84 published side arms of New Hope Creek (NHDPlus version 2),
    "longest" finds 54, "order" 47, "straightest" 42 and "shortest" 38; a column that states them finds all.
    Names, where they decide, find all 39. Slope says nothing either: the steeper of two nameless arms is the
    published one in 15 of 39 cases.
    """
    if rule not in RULES:
        raise ValueError(f"the main path must be one of {', '.join(RULES)}, not {rule!r}")
    ways = _ways(start, end, shapely.length(geometry), node_count)
    is_canal = np.zeros(len(start), dtype=bool) if is_canal is None else is_canal
    from_source_m = _longest_from_source(ways)
    shortest_m, longest_m = (_way_down(ways, best) for best in (min, max))
    orders = _orders_without_partings(ways) if rule == "order" else None
    name = np.full(len(start), "", dtype=object) if name is None else name
    main, basis = np.empty(node_count, dtype=np.int64), np.full(node_count, "", dtype=object)
    for node, leaving in enumerate(ways.leaving):
        if len(leaving) < 2:
            main[node] = leaving[0] if leaving else -1
            continue
        turns = _turns(ways, node, geometry, from_source_m, by_name)
        if rule == "column":
            first = {piece: np.inf if np.isnan(value[piece]) else -value[piece] for piece in leaving}
        elif rule == "order":
            first = {piece: -orders[_last_alone(ways, piece)] for piece in leaving}
        elif rule == "straightest":
            first = turns
        elif rule == "evidence":
            first = _evidence(ways, node, name, from_source_m)
        elif rule == "longest":
            first = {piece: -round(longest_m[piece], 6) for piece in leaving}
        else:
            first = {piece: round(shortest_m[piece], 6) for piece in leaving}
        if rule == "evidence":  # what is equal is settled by the way down, since it does not matter how it turns
            turns = {piece: (round(shortest_m[piece], 6), turns[piece]) for piece in leaving}
        main[node] = min(
            leaving,
            key=lambda piece: (
                is_canal[piece],
                first[piece],
                turns[piece],
                round(shortest_m[piece], 6),
                by_name[piece],
            ),
        )
        basis[node] = _basis_of(rule, main[node], leaving, is_canal, first, name)
    return main, basis


# Evidence for each piece that leaves a node, least first: whether it carries the name on, and what joins it.
def _evidence(ways, node, name, from_source_m):
    leaving = ways.leaving[node]
    arriving = {name[piece] for piece in ways.arriving[node]} - {""}
    named = [piece for piece in leaving if name[piece] in arriving]
    if len(named) == 1:
        return {piece: (piece != named[0], 0.0) for piece in leaving}
    joined_m = _joined_ahead(ways, node, from_source_m)
    return {piece: (False, -round(joined_m[piece], 6)) for piece in leaving}


# What decided: the first part of the key in which the main arm differs from every other.
def _basis_of(rule, main, leaving, is_canal, first, name):
    others = [piece for piece in leaving if piece != main and is_canal[piece] == is_canal[main]]
    if not others:
        return "canal"
    if any(first[piece] == first[main] for piece in others) or rule not in ("evidence", "column"):
        return "shape"
    if rule == "column":
        return "column"
    return "name" if any(first[piece][0] != first[main][0] for piece in others) else "tributaries"


# Stream that joins each arm of a node [m], by its longest way from a source: before the arm meets what another arm
# reaches, parts again, ends or runs into a stream with a longer way from a source than the one that parted.
def _joined_ahead(ways, node, from_source_m):
    leaving = ways.leaving[node]
    own_m = max((from_source_m[piece] for piece in ways.arriving[node]), default=0.0)
    joined_m = {}
    for arm in leaving:
        last, joined_m[arm] = arm, 0.0
        for _ in range(PIECES_AHEAD):
            below = int(ways.end[last])
            if len(ways.leaving[below]) != 1:
                break
            # What another arm reaches comes by a longer way than the stream that parted.
            joining = [from_source_m[piece] for piece in ways.arriving[below] if piece != last]
            if max(joining, default=0.0) > own_m:
                break
            joined_m[arm] += sum(joining)
            last = ways.leaving[below][0]
    return joined_m


def _ways(start, end, length_m, node_count):
    leaving, arriving = ([[] for _ in range(node_count)] for _ in range(2))
    for piece, (one, other) in enumerate(zip(start.tolist(), end.tolist(), strict=True)):
        if one != other:
            leaving[one].append(piece)
            arriving[other].append(piece)
    waiting = [len(pieces) for pieces in arriving]
    free = [node for node in range(node_count) if not waiting[node]]
    downward = []
    while free:
        node = free.pop()
        downward.append(node)
        for piece in leaving[node]:
            waiting[end[piece]] -= 1
            if not waiting[end[piece]]:
                free.append(int(end[piece]))
    if len(downward) < node_count:
        raise ValueError("a way leads in a circle")
    return MainArms(start, end, length_m, leaving, arriving, downward)


# Longest way from a source to the end of each piece [m].
def _longest_from_source(ways):
    reached_m = np.zeros(len(ways.start))
    for node in ways.downward:
        above = max((reached_m[piece] for piece in ways.arriving[node]), default=0.0)
        for piece in ways.leaving[node]:
            reached_m[piece] = above + ways.length_m[piece]
    return reached_m


# Way from the start of each piece to an outlet [m]: the shortest or the longest one.
def _way_down(ways, best):
    down_m = np.zeros(len(ways.start))
    for node in reversed(ways.downward):  # from the outlets up
        below = best((down_m[piece] for piece in ways.leaving[node]), default=0.0)
        for piece in ways.arriving[node]:
            down_m[piece] = ways.length_m[piece] + below
    return down_m


# How far each piece that leaves a node turns from the main one that arrives, in steps of an angle; 0 at a source.
def _turns(ways, node, geometry, from_source_m, by_name):
    if not ways.arriving[node]:
        return dict.fromkeys(ways.leaving[node], 0)
    above = min(ways.arriving[node], key=lambda piece: (-round(from_source_m[piece], 6), by_name[piece]))
    came = _direction(geometry[above], -ANGLE_SPAN_M)
    turns = {}
    for piece in ways.leaving[node]:
        goes = _direction(geometry[piece], ANGLE_SPAN_M)
        cross, dot = came[0] * goes[1] - came[1] * goes[0], came @ goes
        turns[piece] = round(abs(float(np.arctan2(cross, dot))) / ANGLE_STEP)
    return turns


# Direction of a line at its beginning (span above zero) or its end.
def _direction(line, span_m):
    near = shapely.get_coordinates(shapely.get_point(line, 0 if span_m > 0 else -1))[0]
    far = shapely.get_coordinates(shapely.line_interpolate_point(line, span_m))[0]
    if shapely.length(line) <= abs(span_m):
        far = shapely.get_coordinates(shapely.get_point(line, -1 if span_m > 0 else 0))[0]
    return (far - near) if span_m > 0 else (near - far)


# Strahler order of each piece where nothing flows on past a node at which the stream parts.
def _orders_without_partings(ways):
    orders = np.ones(len(ways.start), dtype=np.int64)
    for node in ways.downward:
        if len(ways.leaving[node]) == 1:
            above = [orders[piece] for piece in ways.arriving[node]]
            if above:
                greatest = max(above)
                orders[ways.leaving[node][0]] = greatest + (above.count(greatest) > 1)
    return orders


# The last piece of an arm before it parts, ends, or meets what another arm of its node can reach.
def _last_alone(ways, arm):
    others, waiting = set(), [ways.end[piece] for piece in ways.leaving[ways.start[arm]] if piece != arm]
    while waiting:
        node = int(waiting.pop())
        if node not in others:
            others.add(node)
            waiting += [ways.end[piece] for piece in ways.leaving[node]]
    last = arm
    while len(ways.leaving[ways.end[last]]) == 1 and int(ways.end[last]) not in others:
        last = ways.leaving[ways.end[last]][0]
    return last
