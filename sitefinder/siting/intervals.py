"""Where lines run under polygons, as intervals along the line, and the union of intervals."""

from typing import NamedTuple

import numpy as np
import shapely

# Shorter overlaps are the rounding of a touch, and intervals nearer than this are one.
SHORTEST_OVERLAP_M = 1.0e-6
# Less than this in a reach or stretch is a touch all the same: an edge that is straight in one coordinate system
# bends in another, so that a line drawn up to a shore runs micrometres into it (own choice).
LEAST_HELD_M = 1.0e-3


class Intervals(NamedTuple):
    """Intervals along numbered things: ``owner`` (int64), ``from_m``, ``to_m`` (float64), each of shape (k,)."""

    owner: np.ndarray
    from_m: np.ndarray
    to_m: np.ndarray


class Covered(NamedTuple):
    """Pieces of lines under polygons: ``line``, ``ground`` (int64), ``from_m``, ``to_m`` (float64), shape (k,)."""

    line: np.ndarray
    ground: np.ndarray
    from_m: np.ndarray
    to_m: np.ndarray


def covered_intervals(lines, grounds, touches=False):
    """The pieces of lines that run under polygons, by distance along the line.

    Parameters
    ----------
    lines : ndarray of shapely LineString, shape (n,)
        Each longer than nothing.
    grounds : ndarray of shapely Polygon or MultiPolygon, shape (m,)
        Valid, in the same coordinates.
    touches : bool
        True to give the points, too, in which a line meets a polygon and does not run under it.

    Returns
    -------
    Covered
        Distances along the line as drawn [m], in the order of lines, grounds and distance. A line that runs along
        the edge of a polygon is under it; one that only meets it in points is not. Touches are pieces of no
        length, or of less than `SHORTEST_OVERLAP_M`.

    Notes
    -----
    Lines that a polygon covers whole, which are most, are told by a prepared polygon. The others are taken apart
    into straight edges and only edges that cross a border are cut, so that a distance along the line is never
    looked for by nearness, which fails where a line comes back to itself.
    """
    whole_line, whole_ground, cut_line, _ = _met(lines, grounds)
    length_m = shapely.length(lines)
    edge_line, edge_from_m, edges = _edges(lines, np.unique(cut_line))
    edge_whole, edge_whole_ground, edge_cut, edge_cut_ground = _met(edges, grounds)
    cut_edge, cut_pieces_ground, cut_from_m, cut_to_m = _cut(edges, grounds, edge_cut, edge_cut_ground, touches)

    # Edges under a polygon that covers the whole line are counted already.
    edge = np.concatenate([edge_whole, cut_edge])
    line = edge_line[edge]
    ground = np.concatenate([edge_whole_ground, cut_pieces_ground])
    start_m = edge_from_m[edge]
    from_m = start_m + np.concatenate([np.zeros(len(edge_whole)), cut_from_m])
    to_m = start_m + np.concatenate([shapely.length(edges)[edge_whole], cut_to_m])
    new = ~np.isin(line * len(grounds) + ground, whole_line * len(grounds) + whole_ground)

    merged = union_of_intervals(
        np.concatenate([whole_line * len(grounds) + whole_ground, (line * len(grounds) + ground)[new]]),
        np.concatenate([np.zeros(len(whole_line)), from_m[new]]),
        np.concatenate([length_m[whole_line], to_m[new]]),
        shortest_m=0.0 if touches else SHORTEST_OVERLAP_M,
    )
    return Covered(merged.owner // max(len(grounds), 1), merged.owner % max(len(grounds), 1), *merged[1:])


def union_of_intervals(owner, from_m, to_m, shortest_m=SHORTEST_OVERLAP_M):
    """Intervals of each owner, with those that overlap or touch made one.

    Parameters
    ----------
    owner : ndarray of int, shape (k,)
        Whose interval it is.
    from_m, to_m : ndarray of float64, shape (k,)
        Ends [m], ``from_m <= to_m``.
    shortest_m : float
        Length from which on an interval is kept [m]; 0 keeps touches.

    Returns
    -------
    Intervals
        In the order of owner and distance.

    Examples
    --------
    >>> union = union_of_intervals(np.array([4, 4, 4]), np.array([0.0, 5.0, 1.0]), np.array([2.0, 6.0, 3.0]))
    >>> union.from_m.tolist(), union.to_m.tolist()
    ([0.0, 5.0], [3.0, 6.0])
    """
    order = np.lexsort((to_m, from_m, owner))
    owner, from_m, to_m = np.asarray(owner)[order], np.asarray(from_m)[order], np.asarray(to_m)[order]
    reached_m = _greatest_so_far(owner, to_m)
    opens = np.ones(len(owner), dtype=bool)
    opens[1:] = (owner[1:] != owner[:-1]) | (from_m[1:] > reached_m[:-1] + SHORTEST_OVERLAP_M)
    first = np.flatnonzero(opens)
    last = np.append(first[1:], len(owner))[: len(first)] - 1
    long_enough = reached_m[last] - from_m[first] >= shortest_m
    first, last = first[long_enough], last[long_enough]
    return Intervals(owner[first].astype(np.int64), from_m[first], reached_m[last])


def gaps_between(intervals, length_m):
    """What intervals leave of the things that they lie along.

    Parameters
    ----------
    intervals : Intervals
        As `union_of_intervals` gives them.
    length_m : ndarray of float64, shape (n,)
        Length of each thing [m]; owners are their numbers.

    Returns
    -------
    Intervals
        In the order of owner and distance; none shorter than `SHORTEST_OVERLAP_M`.

    Examples
    --------
    >>> taken = union_of_intervals(np.array([0, 1]), np.array([2.0, 0.0]), np.array([5.0, 9.0]))
    >>> gaps = gaps_between(taken, np.array([7.0, 9.0, 4.0]))
    >>> gaps.owner.tolist(), gaps.from_m.tolist(), gaps.to_m.tolist()
    ([0, 0, 2], [0.0, 5.0, 0.0], [2.0, 7.0, 4.0])
    """
    owner = np.concatenate([np.arange(len(length_m)), intervals.owner])
    begin = np.concatenate([np.zeros(len(length_m)), intervals.to_m])
    order = np.lexsort((begin, owner))
    owner, begin = owner[order], begin[order]
    ends = np.concatenate([intervals.from_m, length_m])
    ends = ends[np.lexsort((ends, np.concatenate([intervals.owner, np.arange(len(length_m))])))]
    long_enough = ends - begin >= SHORTEST_OVERLAP_M
    return Intervals(owner[long_enough].astype(np.int64), begin[long_enough], ends[long_enough])


# Greatest value from the start of each owner's run up to each place.
def _greatest_so_far(owner, values):
    greatest = values.copy()
    # Each step doubles the distance looked back, so that runs of any length need few steps.
    step = 1
    while step < len(values):
        same = owner[step:] == owner[:-step]
        if not same.any():
            break
        earlier = np.where(same, greatest[:-step], -np.inf)
        greatest[step:] = np.maximum(greatest[step:], earlier)
        step *= 2
    return greatest


# Pairs of line and polygon: those in which the polygon covers the line, and the others that meet.
def _met(lines, grounds):
    tree = shapely.STRtree(lines)
    met_ground, met_line = tree.query(grounds, predicate="intersects")
    whole_ground, whole_line = tree.query(grounds, predicate="covers")
    met = np.unique(met_ground.astype(np.int64) * len(lines) + met_line)
    whole = np.unique(whole_ground.astype(np.int64) * len(lines) + whole_line)
    crossing = np.setdiff1d(met, whole, assume_unique=True)
    count = max(len(lines), 1)
    return whole % count, whole // count, crossing % count, crossing // count


# Straight edges of the chosen lines: the line of each, its distance along that line, and its geometry.
def _edges(lines, chosen):
    vertices, of = shapely.get_coordinates(lines[chosen], return_index=True)
    within = of[1:] == of[:-1]
    begin, end = vertices[:-1][within], vertices[1:][within]
    of = of[:-1][within]
    length_m = np.hypot(*(end - begin).T)
    ahead_m = np.cumsum(length_m) - length_m
    first = np.searchsorted(of, np.arange(len(chosen)))
    from_m = ahead_m - ahead_m[first][of] if len(of) else ahead_m
    real = length_m > 0
    edges = shapely.linestrings(np.stack([begin[real], end[real]], axis=1))
    return chosen[of[real]], from_m[real], edges


# The pieces of edges inside the polygons they cross, by distance from the edge's beginning; points where asked.
def _cut(edges, grounds, edge, ground, touches):
    inside = shapely.intersection(edges[edge], grounds[ground])
    pieces, of = shapely.get_parts(inside, return_index=True)
    of_line = shapely.get_type_id(pieces) == shapely.GeometryType.LINESTRING
    kept = of_line | touches
    pieces, of = pieces[kept], of[kept]
    # A piece of a straight edge is told by its first and its last vertex.
    vertices, piece = shapely.get_coordinates(pieces, return_index=True)
    first = np.searchsorted(piece, np.arange(len(pieces)))
    last = np.searchsorted(piece, np.arange(len(pieces)), side="right") - 1
    begin = shapely.get_coordinates(shapely.get_point(edges[edge[of]], 0))
    ends_m = [np.hypot(*(vertices[place] - begin).T) for place in (first, last)]
    return edge[of], ground[of], np.minimum(*ends_m), np.maximum(*ends_m)
