"""Which way is the main one where a stream parts."""

from typing import NamedTuple

import numpy as np
import shapely

# A line's direction at a node is taken over this length [m], or over all of a shorter line.
ANGLE_SPAN_M = 50.0
# Angles nearer than this [rad] are equal, so that rounding decides nothing.
ANGLE_STEP = 1e-6
RULES = ("straightest", "shortest", "longest", "order", "column")


class Ways(NamedTuple):
    """Pieces as a directed graph without circles: ``start`` and ``end`` nodes, ``length_m``, ``leaving`` and
    ``arriving`` lists of pieces for each node, and ``downward``, the nodes from the sources down."""

    start: np.ndarray
    end: np.ndarray
    length_m: np.ndarray
    leaving: list
    arriving: list
    downward: list


def main_ways(start, end, geometry, by_name, node_count, *, rule, value=None, is_canal=None):
    """The piece by which the main stream leaves each node.

    Parameters
    ----------
    start, end : ndarray of int, shape (n,)
        Nodes of each piece in the direction of flow; no way may lead in a circle.
    geometry : ndarray of LineString, shape (n,)
        Pieces in the direction of flow.
    by_name : ndarray of int64, shape (n,)
        Rank of each piece by the user's ids, which settles the last ties.
    node_count : int
    rule : {"straightest", "shortest", "longest", "order", "column"}
    value : ndarray of float64, shape (n,), optional
        For the rule "column": the greatest of a node wins, NaN loses.
    is_canal : ndarray of bool, shape (n,), optional
        Canals are never the main way while another one leaves the node.

    Returns
    -------
    ndarray of int64, shape (node_count,)
        -1 where nothing leaves.

    Notes
    -----
    "straightest" takes the arm that turns least from the line that arrives with the longest way from a source,
    both directions measured over 50 m from the node. "shortest" and "longest" go by the way down to an outlet.
    "order" takes the arm that reaches the greater Strahler order by its own tributaries (nothing counted of what
    comes down from a parting) before it meets another arm of the same node, parts again or ends. What remains
    equal is settled by straightness, then by the shorter way down, then by the user's ids.

    No rule of shape knows where the water goes. Of 84 published side arms of New Hope Creek (NHDPlus version 2),
    "longest" finds 54, "order" 47, "straightest" 42 and "shortest" 38; a column that tells them finds all.
    """
    if rule not in RULES:
        raise ValueError(f"the main path must be one of {', '.join(RULES)}, not {rule!r}")
    ways = _ways(start, end, shapely.length(geometry), node_count)
    is_canal = np.zeros(len(start), dtype=bool) if is_canal is None else is_canal
    from_source_m = _longest_from_source(ways)
    down_m = _way_down(ways, max if rule == "longest" else min)
    shortest_m = _way_down(ways, min)
    orders = _orders_without_partings(ways) if rule == "order" else None
    main = np.full(node_count, -1, dtype=np.int64)
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
        else:
            sign = -1.0 if rule == "longest" else 1.0
            first = {piece: sign * round(down_m[piece], 6) for piece in leaving}
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
    return main


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
    return Ways(start, end, length_m, leaving, arriving, downward)


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
