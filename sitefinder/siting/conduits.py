"""The way of each diversion's headrace and penstock over the ground: on either bank, or straight."""

import math
from typing import NamedTuple

import numpy as np
import pandas as pd

from sitefinder.compiled import kernel, part

# How a march along a contour ends.
OPEN_ENDED, AROUND_HILL, AROUND_HOLLOW = 0, 1, 2
# Bits of `Ground.obstacle`: a road may be crossed, a lake not, a building where there is a price.
ROAD, BARRED, BUILDING = 1, 2, 4
# How a conduit goes, in the order of the codes of `route`.
NO_ROUTE, LEFT, RIGHT, STRAIGHT = 0, 1, 2, 3
# What a route is made of, in this order in arrays: see `find_conduits`.
PARTS = (
    "headrace_length_m",
    "penstock_length_m",
    "deepest_cut_m",
    "cut_m2",
    "cut_m3",
    "bench_m",
    "aqueduct_length_m",
    "tunnel_length_m",
    "crossings",
    "road_crossings",
    "building_crossings",
    "canal_length_m",
)
HEADRACE, PENSTOCK, DEEPEST, CUT_M2, CUT_M3, BENCH, OVER, TUNNEL, CROSSINGS, ROADS, BUILDINGS, OPEN = range(
    len(PARTS)
)
# Beside them, while a way is put together: the length of the aqueduct on which it ends so far [m], and whether it
# ends on an aqueduct (1), in a road (2) and in a building (4), -1 where that is not known.
RUN, STATE, HELD = len(PARTS), len(PARTS) + 1, len(PARTS) + 2
# Nodes along a contour; they stand a cell apart, or further apart where cells are fine.
NODES = 600
# Moves of a march after which it is taken to go round in a circle.
MOST_MOVES = 20 * NODES
# Nodes that are kept after the one that is nearest to the furthest powerhouse.
NODES_BEYOND = 12
# A leg joins a node with the one this number of nodes on: near ones follow the hillside, far ones cut across it.
AHEAD = (1, 2, 3, 5, 8, 12, 18, 27, 40, 60, 90)
# From this leg on, one must be shorter than the contour by this share to be looked at.
LONG_LEG, WORTHWHILE = 5, 0.97
# The level falls by the length of the contour without its windings of less than this [cells].
SMOOTH_CELLS = 4.0
# The river itself is crossed where its cells are further below the canal than this [m]: else the canal runs beside
# it.
RIVER_BELOW_M = 0.25
# A penstock may lie in cells of the river itself as near as this to its ends [cells]; elsewhere it passes over it.
END_CELLS = 3.0
# From the best node, and from those before it by these numbers, the headrace is also led on over the valley floor.
BACK = (0, 2, 5, 10)
# Moves over the lattice, and back: a straight line of any direction is at most 2.7 % longer, until the way is
# joined again.
MOVES = [(0, 1), (1, 0), (1, 1), (1, -1), (1, 2), (2, 1), (1, -2), (2, -1)]
MOVES += [(-down, -across) for down, across in MOVES]
# The lattice has the cells' width, or more where a stretch is longer than this number of cells; where it is no
# longer than the other number, half of it.
LATTICE_STEPS, NEAR_STEPS = 250, 25
# Places of the lattice that one search may reach, and moves that may wait in its heap.
MOST_PLACES, MOST_WAITING = 60_000, 240_000
# A way over the lattice is looked for where it can save this share.
WORTHWHILE_SEARCH = 0.93
# A penstock is looked at on the way where the powerhouse is nearer than at the last look by this share.
LOOK_AGAIN = 0.8
# What is known of a place of the lattice: cost from the intake, length of the way, that of the aqueduct on which
# it ends, and how it ends.
COST, WAY, HELD_M, HELD_STATE, FIELD = range(5)
# And of an end to which ways are looked for.
ROW, COLUMN, LEVEL, PIPE_PER_M, BEST, END, LOOKED_M, OWNER, TARGET = range(9)
# Hills on a transect that a contour only goes around before the hillside itself is found.
ISLANDS = 8
# A line bends where the parallelogram of the pieces before and after is larger than this [square cells].
STRAIGHT_ON = 1e-6
# Sums of a route are kept to this [m]: what is left of a distance by rounding is no length.
SHORTEST_M = 1e-9


class Ground(NamedTuple):
    """A window of the run's grid; arrays of shape (rows, columns), ``west_m`` and ``north_m`` its outer edges.

    ``elevation_m`` float32 is NaN without data; ``link`` int32 is the link of the stream in a cell, -1 for none;
    ``obstacle`` uint8 holds `ROAD`, `BARRED` and `BUILDING`.
    """

    elevation_m: np.ndarray
    link: np.ndarray
    obstacle: np.ndarray
    west_m: float
    north_m: float
    cell_width_m: float
    cell_height_m: float


class Limits(NamedTuple):
    """What can be built, see `sitefinder.settings.ConduitSettings`; ``grade``: fall of the headrace [m/m]."""

    grade: float
    max_cut_m: float
    max_fill_m: float
    max_aqueduct_height_m: float
    max_aqueduct_length_m: float
    max_side_slope: float
    max_detour: float
    min_valley_cells: float


class Prices(NamedTuple):
    """Prices by which ways are compared, in one money; arrays of shape (n,), one for each candidate.

    Those of the headrace hold for all candidates of one intake: those of its first are taken.

    ``canal_per_m`` and ``penstock_per_m`` per metre; ``cut_per_m2`` for each metre of depth and of length that the
    ground is above or below the water, ``cut_per_m3`` for each square of that depth and metre of length;
    ``bench_per_m`` for each metre at a side slope of 1; ``aqueduct_per_m`` and ``tunnel_per_m`` in place of the
    canal's (infinite: not allowed), ``per_crossing`` for a stream or aqueduct, ``per_road``, ``per_building``
    (infinite: none is crossed).
    """

    canal_per_m: np.ndarray
    penstock_per_m: np.ndarray
    cut_per_m2: np.ndarray
    cut_per_m3: np.ndarray
    bench_per_m: np.ndarray
    aqueduct_per_m: np.ndarray
    tunnel_per_m: np.ndarray
    per_crossing: np.ndarray
    per_road: np.ndarray
    per_building: np.ndarray | float = np.inf


CANAL, PIPE, BY_DEPTH, BY_SQUARE, BY_SLOPE, AQUEDUCT, THROUGH, STREAM_EACH, ROAD_EACH, BUILDING_EACH = range(
    len(Prices._fields)
)
# Places in the array of limits; the cell's size comes after them.
GRADE, MAX_CUT, MAX_FILL, MAX_HEIGHT, MAX_RUN, MAX_SLOPE, MAX_DETOUR, MIN_CELLS, CELL_WIDTH, CELL_HEIGHT = range(
    10
)


class Conduits(NamedTuple):
    """The ways of conduits: a table with a row for each, and for each its vertices, see `find_conduits`."""

    table: pd.DataFrame
    lines: list


def find_conduits(ground, stations, intake, tailrace, limits, prices):
    """The cheapest way that can be built for the conduit of each diversion.

    Parameters
    ----------
    ground : Ground
        Must reach around each intake as far as its furthest tailrace is away along the stream, times
        ``limits.max_detour``; a way that would leave it is not found.
    stations : DataFrame, n rows
        ``x_m``, ``y_m``, ``downstream`` (-1 at an outlet, always greater than the station's own), ``link``,
        ``to_downstream_m`` and ``level_m``, that of the water [m].
    intake, tailrace : ndarray of int64, shape (m,)
        Stations of each candidate; the tailrace is downstream of the intake.
    limits : Limits
    prices : Prices

    Returns
    -------
    table : DataFrame, m rows
        ``route`` (`LEFT`, `RIGHT`, `STRAIGHT`, or `NO_ROUTE` where none can be built or the ground does not show
        it), ``bank`` ("left", "right" or ""), ``unresolved`` (the valley is too narrow for the cells), ``cost`` by
        which the way was chosen (NaN without one), and `PARTS`: lengths of headrace and penstock;
        ``deepest_cut_m``, the greatest height of the ground above the water in open cut; ``cut_m2`` and
        ``cut_m3``, sums along the headrace and penstock of the depth and of its square times the length;
        ``bench_m``, the sum of the side slope times the length; lengths on aqueducts and in tunnels; numbers of
        crossings of streams (each aqueduct counts as one), of roads and of buildings; ``canal_length_m``, what of
        the headrace is neither aqueduct nor tunnel.
    lines : list of ndarray of float64, shape (vertices, 2)
        Vertices of each from the intake to the powerhouse [m]; the last piece is the penstock. Without any where
        there is no way.

    Notes
    -----
    One contour is followed from each intake on each bank, down to its furthest tailrace, by marching along the
    edges between cells above and below the canal's level; the level falls with the way. Nodes along it are joined
    by legs from each to some of those that follow, each leg priced by the ground beneath it: so a spur is cut
    through and a gully bridged where that is cheaper. As all legs lead on, one pass finds the cheapest ways from
    the intake to all nodes (a shortest path in a graph without circles; T. H. Cormen et al., Introduction to
    Algorithms, 3rd ed., ch. 24.2, from memory). From each node a penstock may go straight to the powerhouse.
    Beside the two banks there is the straight line from the intake, as a canal as long as the ground is high
    enough.

    Then a lattice of the cells' centres is searched around each intake for all its powerhouses at once, by E. W.
    Dijkstra's way (Numer. Math., vol. 1, pp. 269-271, 1959, from memory) with moves to 16 neighbours, and a
    penstock from any place that it reaches. Only places are followed from which a way can still be cheaper by
    3 % than the best that is known: so what the contours found keeps the search to a narrow strip. The way is
    joined again by its nodes as the contours are, so that it cuts corners where that is cheaper. Where a stretch
    is longer than 250 cells, the lattice is coarser than the cells, and the contours, which are not, find more.

    The ground is taken bilinear between centres of cells. A leg is looked at once a cell.

    The ground resolves a conduit where the valley is at least ``min_valley_cells`` wide at the tailrace, at the
    canal's level.

    References
    ----------
    Marching along a contour from square to square: W. E. Lorensen and H. E. Cline, "Marching cubes," Comput.
    Graph., vol. 21, pp. 163-169, 1987, in two dimensions (from memory).
    """
    intake, tailrace = (np.ascontiguousarray(part, dtype=np.int64) for part in (intake, tailrace))
    order = np.lexsort((tailrace, intake))
    back = np.argsort(order, kind="stable")
    intake, tailrace = intake[order], tailrace[order]
    _, first = np.unique(intake, return_index=True)
    x_m, y_m = (stations[name].to_numpy(dtype=np.float64) for name in ("x_m", "y_m"))
    route, notes, cost, parts, drawn, drawn_start = _find_routes(
        np.ascontiguousarray(ground.elevation_m, dtype=np.float32),
        np.ascontiguousarray(ground.link, dtype=np.int32),
        np.ascontiguousarray(ground.obstacle, dtype=np.uint8),
        (ground.north_m - y_m) / ground.cell_height_m - 0.5,
        (x_m - ground.west_m) / ground.cell_width_m - 0.5,
        stations["downstream"].to_numpy().astype(np.int32),
        stations["link"].to_numpy().astype(np.int32),
        stations["to_downstream_m"].to_numpy(dtype=np.float64),
        stations["level_m"].to_numpy(dtype=np.float64),
        intake[first],
        np.append(first, len(intake)).astype(np.int64),
        tailrace,
        np.array([*limits, ground.cell_width_m, ground.cell_height_m], dtype=np.float64),
        np.ascontiguousarray(
            np.column_stack([np.broadcast_to(each, len(order)) for each in _taken(prices, order)])
        ),
        np.array(AHEAD, dtype=np.int64),
        np.array(MOVES, dtype=np.int64),
    )
    table = pd.DataFrame(parts[back], columns=list(PARTS))
    table.insert(0, "route", route[back])
    table.insert(1, "bank", np.array(["", "left", "right"], dtype=object)[(notes >> 1)[back]])
    table.insert(2, "unresolved", (notes[back] & 1).astype(bool))
    table.insert(3, "cost", cost[back])
    x_m = ground.west_m + (drawn[:, 1] + 0.5) * ground.cell_width_m
    y_m = ground.north_m - (drawn[:, 0] + 0.5) * ground.cell_height_m
    lines = np.split(np.column_stack([x_m, y_m]), drawn_start[1:-1]) if len(order) else []
    return Conduits(table, [lines[each] for each in back.tolist()])


# Prices of some candidates, in another order.
def _taken(prices, order):
    return [np.asarray(each, dtype=np.float64)[order] if np.ndim(each) else float(each) for each in prices]


# Elevation at a place in cells, bilinear between centres of cells; NaN outside.
@part
def _ground_at(elevation_m, row, column):
    upper, left = math.floor(row), math.floor(column)
    if upper < 0 or left < 0 or upper + 1 >= elevation_m.shape[0] or left + 1 >= elevation_m.shape[1]:
        return np.nan
    down, across = row - upper, column - left
    above = elevation_m[upper, left] * (1.0 - across) + elevation_m[upper, left + 1] * across
    below = elevation_m[upper + 1, left] * (1.0 - across) + elevation_m[upper + 1, left + 1] * across
    return above * (1.0 - down) + below * down


# Slope of the ground across a direction, given by metres to the east and to the north.
@part
def _side_slope(elevation_m, row, column, east, north, limits):
    at, beside = math.floor(row + 0.5), math.floor(column + 0.5)
    if at < 1 or beside < 1 or at + 1 >= elevation_m.shape[0] or beside + 1 >= elevation_m.shape[1]:
        return 0.0
    to_east = (elevation_m[at, beside + 1] - elevation_m[at, beside - 1]) / (2.0 * limits[CELL_WIDTH])
    to_north = (elevation_m[at - 1, beside] - elevation_m[at + 1, beside]) / (2.0 * limits[CELL_HEIGHT])
    slope = abs(to_north * east - to_east * north)
    return 0.0 if np.isnan(slope) else slope


# What a place in cells holds: stream of the way down (1), other stream (2), road (4), barred (8), building (16).
# In the bed of a stream there is no building, whatever the cells' size makes of a mill beside it.
@part
def _what_is_at(row, column, link, obstacle, is_path):
    at, beside = math.floor(row + 0.5), math.floor(column + 0.5)
    if at < 0 or beside < 0 or at >= link.shape[0] or beside >= link.shape[1]:
        return 8
    found = 0
    if link[at, beside] >= 0:
        found = 1 if is_path[link[at, beside]] else 2
    if obstacle[at, beside] & 1:
        found |= 4
    if obstacle[at, beside] & 2:
        found |= 8
    if obstacle[at, beside] & 4 and link[at, beside] < 0:
        found |= 16
    return found


# Whether the headrace passes over a place on an aqueduct, a siphon or a culvert: a stream, or ground too low.
@part
def _is_over(ground_m, what, level_m, limits):
    if what & 2 or ground_m < level_m - limits[MAX_FILL]:
        return True
    return (what & 1) != 0 and ground_m < level_m - RIVER_BELOW_M


# Cost of a straight piece of headrace that begins at a level, infinite where it cannot be built; what it is made
# of goes to `leg`. `run_m` is the length of the aqueduct on which the way comes, `state` how it ends so far.
@part
def _headrace_leg(maps, limits, price, row, column, to_row, to_column, level_m, run_m, state, leg):
    elevation_m, link, obstacle, is_path = maps
    east, north = (to_column - column) * limits[CELL_WIDTH], (row - to_row) * limits[CELL_HEIGHT]
    length_m = math.hypot(east, north)
    for each in range(leg.shape[0]):
        leg[each] = 0.0
    leg[HEADRACE], leg[RUN], leg[STATE] = length_m, run_m, state
    if length_m < SHORTEST_M:
        return 0.0
    east, north = east / length_m, north / length_m
    count = max(1, (math.ceil(max(abs(to_row - row), abs(to_column - column)) - 1e-6)))
    step_m = length_m / count
    if state < 0.0:
        what = _what_is_at(row, column, link, obstacle, is_path)
        was_over = _is_over(_ground_at(elevation_m, row, column), what, level_m, limits)
        was_road, was_building = (what & 4) != 0, (what & 16) != 0
    else:
        held = int(state)
        was_over, was_road, was_building = (held & 1) != 0, (held & 2) != 0, (held & 4) != 0
    cost = price[CANAL] * length_m
    for place in range(count + 1):
        share = 1.0 if place == count else (place + 0.5) / count
        at, beside = row + share * (to_row - row), column + share * (to_column - column)
        ground_m = _ground_at(elevation_m, at, beside)
        what = _what_is_at(at, beside, link, obstacle, is_path)
        here_m = level_m - limits[GRADE] * share * length_m
        is_over, is_road = _is_over(ground_m, what, here_m, limits), (what & 4) != 0
        is_building = (what & 16) != 0
        # The end of a leg is the start of the next: it only shows whether a crossing begins.
        if place < count:
            height_m = ground_m - here_m
            if np.isnan(height_m):
                return np.inf
            slope = 0.0 if is_over else _side_slope(elevation_m, at, beside, east, north, limits)
            if height_m > limits[MAX_CUT] or slope > limits[MAX_SLOPE]:
                if not price[THROUGH] < np.inf:
                    return np.inf
                cost += (price[THROUGH] - price[CANAL]) * step_m
                leg[TUNNEL] += step_m
                leg[RUN] = 0.0
                is_over, is_road, is_building = False, False, False
            elif what & 8 or (is_building and not price[BUILDING_EACH] < np.inf):
                return np.inf
            elif is_over:
                leg[RUN] += step_m
                if height_m < -limits[MAX_HEIGHT] or leg[RUN] > limits[MAX_RUN]:
                    return np.inf
                cost += (price[AQUEDUCT] - price[CANAL]) * step_m
                leg[OVER] += step_m
            else:
                leg[RUN] = 0.0
                depth_m = abs(height_m)
                leg[DEEPEST] = max(leg[DEEPEST], height_m)
                leg[OPEN] += step_m
                leg[CUT_M2] += depth_m * step_m
                leg[CUT_M3] += depth_m * depth_m * step_m
                leg[BENCH] += slope * step_m
                cost += (
                    depth_m * (price[BY_DEPTH] + price[BY_SQUARE] * depth_m) + price[BY_SLOPE] * slope
                ) * step_m
        if is_over and not was_over:
            leg[CROSSINGS] += 1.0
            cost += price[STREAM_EACH]
        if is_road and not was_road:
            leg[ROADS] += 1.0
            cost += price[ROAD_EACH]
        if is_building and not was_building:
            leg[BUILDINGS] += 1.0
            cost += price[BUILDING_EACH]
        was_over, was_road, was_building = is_over, is_road, is_building
    leg[STATE] = (1.0 if was_over else 0.0) + (2.0 if was_road else 0.0) + (4.0 if was_building else 0.0)
    return cost


# The same of a penstock, which goes straight down to the powerhouse; it lies in a trench where the ground is
# higher than the water at its upper end. Infinite too where it costs `most` or more.
@part
def _penstock_leg(maps, limits, price, pipe_per_m, row, column, to_row, to_column, level_m, fall_m, most, leg):
    elevation_m, link, obstacle, is_path = maps
    east, north = (to_column - column) * limits[CELL_WIDTH], (row - to_row) * limits[CELL_HEIGHT]
    length_m = math.hypot(east, north)
    for each in range(leg.shape[0]):
        leg[each] = 0.0
    leg[PENSTOCK] = math.hypot(length_m, fall_m)
    cost = pipe_per_m * leg[PENSTOCK]
    count = max(1, (math.ceil(max(abs(to_row - row), abs(to_column - column)) - 1e-6)))
    step_m = length_m / count
    what = _what_is_at(row, column, link, obstacle, is_path)
    was_stream, was_river, was_road = (what & 2) != 0, (what & 1) != 0, (what & 4) != 0
    was_building = (what & 16) != 0
    has_entered = False
    end_m, run_m = END_CELLS * max(limits[CELL_WIDTH], limits[CELL_HEIGHT]), 0.0
    for place in range(count):
        if not cost < most:
            return np.inf
        share = (place + 0.5) / count
        is_at_end = min(share, 1.0 - share) * length_m <= end_m
        at, beside = row + share * (to_row - row), column + share * (to_column - column)
        height_m = _ground_at(elevation_m, at, beside) - level_m
        what = _what_is_at(at, beside, link, obstacle, is_path)
        if np.isnan(height_m):
            return np.inf
        is_stream, is_river, is_road = (what & 2) != 0, (what & 1) != 0, (what & 4) != 0
        is_building = (what & 16) != 0
        if height_m > limits[MAX_CUT]:
            if not price[THROUGH] < np.inf:
                return np.inf
            cost += price[THROUGH] * step_m
            leg[TUNNEL] += step_m
            is_stream, is_river, is_road, is_building = False, False, False, False
        elif what & 8 or (is_building and not price[BUILDING_EACH] < np.inf):
            return np.inf
        elif height_m > 0.0:
            leg[DEEPEST] = max(leg[DEEPEST], height_m)
            leg[CUT_M2] += height_m * step_m
            leg[CUT_M3] += height_m * height_m * step_m
            cost += height_m * (price[BY_DEPTH] + price[BY_SQUARE] * height_m) * step_m
        # In the river's own bed a pipe stands on an aqueduct, or there is none.
        if is_river and not is_at_end:
            run_m += step_m
            if run_m > limits[MAX_RUN]:
                return np.inf
            leg[OVER] += step_m
            cost += price[AQUEDUCT] * step_m
        # The river is crossed where the line comes out of it again; at the intake it begins in it, and it ends in
        # it.
        if (is_stream and not was_stream) or (was_river and not is_river and has_entered):
            leg[CROSSINGS] += 1.0
            cost += price[STREAM_EACH]
        if is_road and not was_road:
            leg[ROADS] += 1.0
            cost += price[ROAD_EACH]
        if is_building and not was_building:
            leg[BUILDINGS] += 1.0
            cost += price[BUILDING_EACH]
        has_entered = has_entered or (is_river and not was_river)
        was_stream, was_river, was_road, was_building = is_stream, is_river, is_road, is_building
    return cost


# Direction of the stream at a station, in cells, to the next station that is elsewhere.
@part
def _direction(station, downstream, at, beside):
    below = downstream[station]
    while below >= 0:
        down, across = at[below] - at[station], beside[below] - beside[station]
        length = math.hypot(down, across)
        if length > 1e-6:
            return down / length, across / length
        below = downstream[below]
    return 0.0, 0.0


# Width of the valley at a level across a station [cells], no more than is asked; 0 where the station is above it.
@part
def _valley_cells(elevation_m, row, column, down, across, level_m, limits):
    total = 0.0
    for sign in (1.0, -1.0):
        distance = 0.0
        while distance < limits[MIN_CELLS]:
            ground_m = _ground_at(elevation_m, row + sign * distance * across, column - sign * distance * down)
            if not ground_m < level_m:
                break
            distance += 0.25
        total += distance
    return total


# Whether a cell is higher than the canal; cells of the river on the way down count as low, whatever the DEM says.
@part
def _is_high(maps, row, column, level_m):
    elevation_m, link, _, is_path = maps
    if link[row, column] >= 0 and is_path[link[row, column]]:
        return False
    return elevation_m[row, column] >= level_m


# Nodes on one bank, the intake first; gives how many. From the first station downstream that has one on that side,
# a transect leads to a cell above the canal; from there the contour is followed with the higher ground on the hand
# of that bank.
@part
def _follow(maps, limits, intake, last, is_left, downstream, step_m, at, beside, level_m, limit_m, node, along):
    spacing_m = max(max(limits[CELL_WIDTH], limits[CELL_HEIGHT]), limit_m / (NODES - 2))
    node[0, 0], node[0, 1], along[0] = at[intake], beside[intake], 0.0
    station, gone_m = intake, 0.0
    while station != last:
        gone_m += step_m[station]
        station = downstream[station]
        down, across = _direction(station, downstream, at, beside)
        if down == 0.0 and across == 0.0:
            return 1
        # To the left of the direction: rows count down.
        side_row, side_column = (-across, down) if is_left else (across, -down)
        count = _contour_at(
            maps, limits, at[station], beside[station], side_row, side_column, is_left, level_m, gone_m, limit_m,
            spacing_m, node, along,
        )  # fmt: skip
        if count > 1:
            return count
    return 1


# Nodes of the contour on one side of a station, after the intake; gives how many there are. Hills that the contour
# only goes around are passed over; in a hollow, where it comes back to its start, there is none.
@part
def _contour_at(
    maps, limits, at, beside, side_row, side_column, is_left, level_m, gone_m, limit_m, spacing_m, node, along,
):  # fmt: skip
    elevation_m = maps[0]
    rows, columns = elevation_m.shape
    begun_m = level_m - limits[GRADE] * gone_m
    distance, farthest = 0.0, limit_m / min(limits[CELL_WIDTH], limits[CELL_HEIGHT])
    row, column = math.floor(at + 0.5), math.floor(beside + 0.5)
    if row < 0 or column < 0 or row >= rows or column >= columns:
        return 1
    for _island in range(ISLANDS):
        # From a low cell to the first high one, by steps that share a side.
        low_row, low_column, is_found = row, column, False
        while distance < farthest and not is_found:
            new_row = math.floor(at + distance * side_row + 0.5)
            new_column = math.floor(beside + distance * side_column + 0.5)
            while not is_found and (row != new_row or column != new_column):
                low_row, low_column = row, column
                if row != new_row:
                    row += 1 if new_row > row else -1
                else:
                    column += 1 if new_column > column else -1
                if row < 0 or column < 0 or row >= rows or column >= columns or np.isnan(elevation_m[row, column]):
                    return 1
                is_found = _is_high(maps, row, column, begun_m) and not _is_high(
                    maps, low_row, low_column, begun_m
                )
            distance += 0.2
        if not is_found:
            return 1
        count, closed = _march(
            maps,
            limits,
            low_row,
            low_column,
            row,
            column,
            is_left,
            level_m,
            gone_m,
            limit_m,
            spacing_m,
            node,
            along,
        )
        if closed == OPEN_ENDED:
            return count
        if closed == AROUND_HOLLOW:
            return 1
    return 1


# March along the edges between low and high cells from one such edge, with the high cell on one hand; gives the
# number of nodes and whether the march came back to its start, around a hill or a hollow.
@part
def _march(
    maps, limits, low_row, low_column, high_row, high_column, is_left, level_m, gone_m, limit_m, spacing_m, node,
    along,
):  # fmt: skip
    elevation_m = maps[0]
    rows, columns = elevation_m.shape
    first = (low_row, low_column, high_row, high_column)
    anchor_row = anchor_column = 0.0
    anchor_m, count, moves, turns, way_m = gone_m, 1, 0, 0, gone_m
    smooth_m = SMOOTH_CELLS * max(limits[CELL_WIDTH], limits[CELL_HEIGHT])
    while count < NODES and way_m < limit_m:
        here_m = level_m - limits[GRADE] * way_m
        low_m, high_m = elevation_m[low_row, low_column], elevation_m[high_row, high_column]
        # Beside a river whose cells are no lower, midway.
        share = (here_m - low_m) / (high_m - low_m) if low_m < here_m <= high_m else 0.5
        row, column = low_row + share * (high_row - low_row), low_column + share * (high_column - low_column)
        if moves == 0:
            anchor_row, anchor_column = row, column
        from_anchor_m = math.hypot(
            (row - anchor_row) * limits[CELL_HEIGHT], (column - anchor_column) * limits[CELL_WIDTH]
        )
        way_m = anchor_m + from_anchor_m
        if from_anchor_m >= smooth_m:
            anchor_row, anchor_column, anchor_m = row, column, way_m
        from_node_m = math.hypot(
            (row - node[count - 1, 0]) * limits[CELL_HEIGHT], (column - node[count - 1, 1]) * limits[CELL_WIDTH]
        )
        if moves == 0 or from_node_m >= spacing_m:
            node[count, 0], node[count, 1] = row, column
            along[count] = along[count - 1] + from_node_m
            count += 1
        # Forward, with the high cell to the left or to the right.
        ahead_row, ahead_column = high_column - low_column, low_row - high_row
        if not is_left:
            ahead_row, ahead_column = -ahead_row, -ahead_column
        over_low = (low_row + ahead_row, low_column + ahead_column)
        over_high = (high_row + ahead_row, high_column + ahead_column)
        # Both lie ahead in the same direction, so that one leaves the ground where the other does.
        if over_low[0] < 0 or over_low[1] < 0 or over_low[0] >= rows or over_low[1] >= columns:
            break
        if np.isnan(elevation_m[over_low]) or np.isnan(elevation_m[over_high]):
            break
        here_m = level_m - limits[GRADE] * way_m
        is_low_high = _is_high(maps, over_low[0], over_low[1], here_m)
        is_high_high = _is_high(maps, over_high[0], over_high[1], here_m)
        if is_low_high and not is_high_high and maps[1][over_high] < 0:
            # A saddle: the middle of the four cells says which two are joined. A stream is not cut off.
            is_high_high = low_m + high_m + elevation_m[over_low] + elevation_m[over_high] >= 4.0 * here_m
        if not is_high_high:
            low_row, low_column = over_high
            turns += 1
        elif is_low_high:
            high_row, high_column = over_low
            turns -= 1
        else:
            low_row, low_column = over_low
            high_row, high_column = over_high
        moves += 1
        # As the level falls, a march round a hill may miss its start for ever.
        if (low_row, low_column, high_row, high_column) == first or moves > MOST_MOVES:
            # It turned towards the higher ground all in all, or away from it.
            return count, AROUND_HILL if turns > 0 else AROUND_HOLLOW
    return count, OPEN_ENDED


# Number of nodes up to some after the one nearest to a place, the furthest tailrace: those beyond lead away from
# it.
@part
def _past_nearest(limits, node, count, row, column):
    nearest, nearest_m = 0, np.inf
    for number in range(count):
        distance_m = math.hypot(
            (row - node[number, 0]) * limits[CELL_HEIGHT], (column - node[number, 1]) * limits[CELL_WIDTH]
        )
        if distance_m < nearest_m:
            nearest, nearest_m = number, distance_m
    return min(count, nearest + NODES_BEYOND)


# The node after the intake that is nearest to a place, of those to which a way leads; 0 without one.
@part
def _nearest_reached(limits, node, count, cost, row, column):
    nearest, nearest_m = 0, np.inf
    for number in range(1, count):
        if cost[number] < np.inf:
            distance_m = math.hypot(
                (row - node[number, 0]) * limits[CELL_HEIGHT], (column - node[number, 1]) * limits[CELL_WIDTH]
            )
            if distance_m < nearest_m:
                nearest, nearest_m = number, distance_m
    return nearest


# Cheapest ways along the nodes from the intake: cost, what the way is made of, and the node before.
@part
def _join(maps, limits, price, ahead, level_m, count, node, along, cost, made, before, leg):
    for number in range(count):
        cost[number] = np.inf
        before[number] = -1
    cost[0] = 0.0
    for each in range(leg.shape[0]):
        made[0, each] = 0.0
    made[0, STATE] = -1.0
    for number in range(count):
        if not cost[number] < np.inf:
            continue
        here_m = level_m - limits[GRADE] * made[number, HEADRACE]
        for index in range(ahead.shape[0]):
            other = number + ahead[index]
            if other >= count:
                break
            chord_m = math.hypot(
                (node[other, 0] - node[number, 0]) * limits[CELL_HEIGHT],
                (node[other, 1] - node[number, 1]) * limits[CELL_WIDTH],
            )
            if ahead[index] > LONG_LEG and chord_m > WORTHWHILE * (along[other] - along[number]):
                continue
            # No leg costs less than a canal on level ground.
            if cost[number] + price[CANAL] * chord_m >= cost[other]:
                continue
            more = _headrace_leg(
                maps, limits, price, node[number, 0], node[number, 1], node[other, 0], node[other, 1], here_m,
                made[number, RUN], made[number, STATE], leg,
            )  # fmt: skip
            if cost[number] + more < cost[other]:
                cost[other] = cost[number] + more
                before[other] = number
                for each in range(leg.shape[0]):
                    made[other, each] = made[number, each] + leg[each]
                made[other, RUN], made[other, STATE] = leg[RUN], leg[STATE]
                made[other, DEEPEST] = max(made[number, DEEPEST], leg[DEEPEST])


# Length of headrace after which the ground beneath a straight line stays too low for it, as a share of the line.
@part
def _share_on_ground(maps, limits, row, column, to_row, to_column, level_m):
    length_m = math.hypot((to_column - column) * limits[CELL_WIDTH], (to_row - row) * limits[CELL_HEIGHT])
    count = max(1, (math.ceil(max(abs(to_row - row), abs(to_column - column)))))
    for place in range(count - 1, -1, -1):
        share = (place + 0.5) / count
        ground_m = _ground_at(maps[0], row + share * (to_row - row), column + share * (to_column - column))
        if ground_m >= level_m - limits[GRADE] * share * length_m - limits[MAX_FILL]:
            return share
    return 0.0


# A heap of places by cost, in two arrays: the least cost is first. Gives the number of places in it.
@part
def _push(heap_cost, heap_place, size, cost, place):
    at = size
    while at > 0:
        above = (at - 1) // 2
        if heap_cost[above] <= cost:
            break
        heap_cost[at], heap_place[at] = heap_cost[above], heap_place[above]
        at = above
    heap_cost[at], heap_place[at] = cost, place
    return size + 1


# Take the first out of the heap.
@part
def _pop(heap_cost, heap_place, size):
    size -= 1
    cost, place = heap_cost[size], heap_place[size]
    at = 0
    while True:
        below = 2 * at + 1
        if below >= size:
            break
        if below + 1 < size and heap_cost[below + 1] < heap_cost[below]:
            below += 1
        if heap_cost[below] >= cost:
            break
        heap_cost[at], heap_place[at] = heap_cost[below], heap_place[below]
        at = below
    heap_cost[at], heap_place[at] = cost, place
    return size


# Search a lattice around an intake for cheaper ways, Dijkstra's way: all ends in `targets` at once (row, column,
# level, price of the pipe, best cost so far, end of the best way over the lattice, distance of the last look).
# Only places are followed from which a way to one of them can still be cheaper. The lattice has `half` places on
# each side of the intake. Gives how many places were reached; they are in `reached`, from the cheapest on.
@part
def _search_lattice(
    maps, limits, price, moves, step, half, intake_row, intake_column, top_m, limit_m, targets, count, mark, field,
    came_from, marked, reached, heap_cost, heap_place, leg,
):  # fmt: skip
    wide = 2 * half + 1
    found, size, most = 0, 1, heap_cost.shape[0] - moves.shape[0]
    start = half * wide + half
    heap_cost[0], heap_place[0] = 0.0, start
    marked[start], came_from[start] = mark, -1
    field[start, COST], field[start, WAY], field[start, HELD_M], field[start, HELD_STATE] = 0.0, 0.0, 0.0, -1.0
    while size > 0 and size < most and found < reached.shape[0]:
        cost, place = heap_cost[0], heap_place[0]
        size = _pop(heap_cost, heap_place, size)
        if cost > field[place, COST]:
            continue
        reached[found] = place
        found += 1
        row, column = intake_row + step * (place // wide - half), intake_column + step * (place % wide - half)
        here_m = top_m - limits[GRADE] * field[place, WAY]
        is_hopeful = False
        for each in range(count):
            away_m = math.hypot(
                (row - targets[each, ROW]) * limits[CELL_HEIGHT],
                (column - targets[each, COLUMN]) * limits[CELL_WIDTH],
            )
            pipe_per_m, best = targets[each, PIPE_PER_M], targets[each, BEST]
            if cost + min(pipe_per_m, price[CANAL]) * away_m >= WORTHWHILE_SEARCH * best:
                continue
            is_hopeful = True
            # A look now and then, so that the best is known early.
            if away_m < LOOK_AGAIN * targets[each, LOOKED_M] and cost + pipe_per_m * away_m < best:
                targets[each, LOOKED_M] = away_m
                fall_m = here_m - targets[each, LEVEL]
                if fall_m > 0.0 and place != start:
                    total = cost + _penstock_leg(
                        maps, limits, price, pipe_per_m, row, column, targets[each, ROW], targets[each, COLUMN],
                        here_m, fall_m, best - cost, leg,
                    )  # fmt: skip
                    if total < best:
                        targets[each, BEST], targets[each, END] = total, place
        if not is_hopeful or field[place, WAY] >= limit_m:
            continue
        run_m = field[place, HELD_M]
        for move in range(moves.shape[0]):
            to_row, to_column = place // wide + moves[move, 0], place % wide + moves[move, 1]
            if to_row < 0 or to_column < 0 or to_row >= wide or to_column >= wide:
                continue
            other = to_row * wide + to_column
            length_m = step * math.hypot(moves[move, 0] * limits[CELL_HEIGHT], moves[move, 1] * limits[CELL_WIDTH])
            known = field[other, COST] if marked[other] == mark else np.inf
            if cost + price[CANAL] * length_m >= known:
                continue
            more = _headrace_leg(
                maps, limits, price, row, column, row + step * moves[move, 0], column + step * moves[move, 1],
                here_m, run_m, field[place, HELD_STATE], leg,
            )  # fmt: skip
            if cost + more < known:
                marked[other], came_from[other] = mark, place
                field[other, COST] = cost + more
                field[other, WAY] = field[place, WAY] + length_m
                field[other, HELD_M], field[other, HELD_STATE] = leg[RUN], leg[STATE]
                size = _push(heap_cost, heap_place, size, cost + more, other)
    return found


# From all places that the lattice search reached, the best for one end of `targets`.
@part
def _look_from_all(
    maps, limits, price, step, half, intake_row, intake_column, top_m, targets, each, field, reached, found, leg
):  # fmt: skip
    wide = 2 * half + 1
    pipe_per_m = targets[each, PIPE_PER_M]
    for number in range(found):
        place = reached[number]
        cost, best = field[place, COST], WORTHWHILE_SEARCH * targets[each, BEST]
        if cost >= best:
            break
        row, column = intake_row + step * (place // wide - half), intake_column + step * (place % wide - half)
        away_m = math.hypot(
            (row - targets[each, ROW]) * limits[CELL_HEIGHT], (column - targets[each, COLUMN]) * limits[CELL_WIDTH]
        )
        here_m = top_m - limits[GRADE] * field[place, WAY]
        fall_m = here_m - targets[each, LEVEL]
        # A pipe all along is the straight line's.
        if number == 0 or cost + pipe_per_m * away_m >= best or fall_m <= 0.0:
            continue
        total = cost + _penstock_leg(
            maps, limits, price, pipe_per_m, row, column, targets[each, ROW], targets[each, COLUMN], here_m,
            fall_m, best - cost, leg,
        )  # fmt: skip
        if total < best:
            targets[each, BEST], targets[each, END] = total, place


# Nodes of a way over the lattice, the intake first; gives how many, 0 where they are too many.
@part
def _nodes_of(limits, step, half, intake_row, intake_column, end, came_from, node, along):
    wide, count, place = 2 * half + 1, 0, end
    while place >= 0:
        count += 1
        place = came_from[place]
    if count > node.shape[0]:
        return 0
    place = end
    for number in range(count - 1, -1, -1):
        node[number, 0] = intake_row + step * (place // wide - half)
        node[number, 1] = intake_column + step * (place % wide - half)
        place = came_from[place]
    along[0] = 0.0
    for number in range(1, count):
        along[number] = along[number - 1] + math.hypot(
            (node[number, 0] - node[number - 1, 0]) * limits[CELL_HEIGHT],
            (node[number, 1] - node[number - 1, 1]) * limits[CELL_WIDTH],
        )
    return count


# The cheapest way by nodes that are joined, with a penstock from one of them, or led on straight from the best
# over the valley floor. Gives its cost, or `best` if it is no cheaper; then `parts` and `line` are filled, and the
# number of the line's vertices is in `vertices`.
@part
def _by_nodes(
    maps, limits, price, pipe_per_m, top_m, node, count, cost, made, before, to_row, to_column, tail_m, best, leg,
    pipe, parts, line, vertices,
):  # fmt: skip
    chosen = -1
    # The node nearest to the powerhouse comes first: then most others cannot be cheaper. The intake itself, a pipe
    # all along, is the straight line's.
    nearest = _nearest_reached(limits, node, count, cost, to_row, to_column)
    for turn in range(count):
        place = nearest if turn == 0 else turn
        if place == 0 or (turn > 0 and place == nearest) or not cost[place] < best:
            continue
        here_m = top_m - limits[GRADE] * made[place, HEADRACE]
        fall_m = here_m - tail_m
        if fall_m <= 0.0:
            continue
        distance_m = math.hypot(
            (to_row - node[place, 0]) * limits[CELL_HEIGHT], (to_column - node[place, 1]) * limits[CELL_WIDTH]
        )
        if cost[place] + pipe_per_m * distance_m >= best:
            continue
        total = cost[place] + _penstock_leg(
            maps, limits, price, pipe_per_m, node[place, 0], node[place, 1], to_row, to_column, here_m, fall_m,
            best - cost[place], pipe,
        )  # fmt: skip
        if total < best:
            best, chosen = total, place
            for each in range(RUN):
                parts[each] = made[place, each] + pipe[each]
            parts[DEEPEST] = max(made[place, DEEPEST], pipe[DEEPEST])
    from_place, end_row, end_column = chosen, np.nan, np.nan
    for back in BACK if chosen >= 0 else (0, 0, 0, 0):
        place = chosen - back
        if place < 0 or not cost[place] < best:
            continue
        here_m = top_m - limits[GRADE] * made[place, HEADRACE]
        down, across = to_row - node[place, 0], to_column - node[place, 1]
        share = _share_on_ground(maps, limits, node[place, 0], node[place, 1], to_row, to_column, here_m)
        distance_m = math.hypot(down * limits[CELL_HEIGHT], across * limits[CELL_WIDTH])
        least = (share * price[CANAL] + (1.0 - share) * pipe_per_m) * distance_m
        if share <= 0.0 or cost[place] + least >= best:
            continue
        row, column = node[place, 0] + share * down, node[place, 1] + share * across
        total = cost[place] + _headrace_leg(
            maps, limits, price, node[place, 0], node[place, 1], row, column, here_m, made[place, RUN],
            made[place, STATE], leg,
        )  # fmt: skip
        here_m -= limits[GRADE] * leg[HEADRACE]
        fall_m = here_m - tail_m
        if not total < best or fall_m <= 0.0:
            continue
        total += _penstock_leg(
            maps, limits, price, pipe_per_m, row, column, to_row, to_column, here_m, fall_m, best - total, pipe
        )
        if total < best:
            best = total
            from_place, end_row, end_column = place, row, column
            for each in range(RUN):
                parts[each] = made[place, each] + leg[each] + pipe[each]
            parts[DEEPEST] = max(made[place, DEEPEST], leg[DEEPEST], pipe[DEEPEST])
    if chosen >= 0:
        length, place = 0, from_place
        while place >= 0:
            length += 1
            place = before[place]
        place = from_place
        for index in range(length - 1, -1, -1):
            line[index, 0], line[index, 1] = node[place, 0], node[place, 1]
            place = before[place]
        if not np.isnan(end_row):
            line[length, 0], line[length, 1] = end_row, end_column
            length += 1
        line[length, 0], line[length, 1] = to_row, to_column
        vertices[0] = length + 1
    return best


# The same by the straight line: a canal as long as the ground is high enough, then a penstock; or a penstock all
# along.
@part
def _straight(
    maps, limits, price, pipe_per_m, top_m, row, column, to_row, to_column, tail_m, best, leg, pipe, parts, line,
    vertices,
):  # fmt: skip
    length_m = math.hypot((to_row - row) * limits[CELL_HEIGHT], (to_column - column) * limits[CELL_WIDTH])
    share = _share_on_ground(maps, limits, row, column, to_row, to_column, top_m)
    for attempt in range(2):
        if attempt == 1:
            share = 0.0
        # No way costs less than this on level ground.
        if (share * price[CANAL] + (1.0 - share) * pipe_per_m) * length_m >= best:
            continue
        end_row, end_column = row + share * (to_row - row), column + share * (to_column - column)
        total = _headrace_leg(maps, limits, price, row, column, end_row, end_column, top_m, 0.0, -1.0, leg)
        here_m = top_m - limits[GRADE] * leg[HEADRACE]
        fall_m = here_m - tail_m
        if not total < best or fall_m <= 0.0:
            continue
        total += _penstock_leg(
            maps, limits, price, pipe_per_m, end_row, end_column, to_row, to_column, here_m, fall_m, best - total,
            pipe,
        )  # fmt: skip
        if total < best:
            best = total
            for each in range(RUN):
                parts[each] = leg[each] + pipe[each]
            parts[DEEPEST] = max(leg[DEEPEST], pipe[DEEPEST])
            line[0, 0], line[0, 1] = row, column
            line[1, 0], line[1, 1] = end_row, end_column
            line[2, 0], line[2, 1] = to_row, to_column
            vertices[0] = 3
    return best


# Drop vertices of a headrace at which it goes straight on; gives how many of the line are left.
@part
def _without_straight_on(line, vertices):
    kept = min(vertices, 1)
    for each in range(1, vertices):
        if each < vertices - 2:
            came_row, came_column = line[each, 0] - line[kept - 1, 0], line[each, 1] - line[kept - 1, 1]
            next_row, next_column = line[each + 1, 0] - line[each, 0], line[each + 1, 1] - line[each, 1]
            if abs(came_row * next_column - came_column * next_row) < STRAIGHT_ON:
                continue
        line[kept, 0], line[kept, 1] = line[each, 0], line[each, 1]
        kept += 1
    return kept


# Area between a line and the straight line that joins its ends, in cells; positive where it lies to the left.
@part
def _swept(line, vertices):
    area = 0.0
    for each in range(1, vertices - 1):
        area += (line[each, 1] - line[0, 1]) * (line[0, 0] - line[each + 1, 0])
        area -= (line[0, 0] - line[each, 0]) * (line[each + 1, 1] - line[0, 1])
    return area


# For each intake its contours and its lattice, and for each candidate the cheapest way by both banks, the straight
# line and the lattice, with its vertices.
@kernel(
    takes=(
        "float32[:, ::1], int32[:, ::1], uint8[:, ::1], float64[::1], float64[::1], int32[::1], int32[::1], "
        "float64[::1], float64[::1], int64[::1], int64[::1], int64[::1], float64[::1], "
        "float64[:, ::1], int64[::1], int64[:, ::1]"
    )
)
def _find_routes(
    elevation_m, link, obstacle, at, beside, downstream, station_link, step_m, level_m, intakes, start, tailrace,
    limits, prices, ahead, moves,
):  # fmt: skip
    candidates = tailrace.shape[0]
    route = np.zeros(candidates, dtype=np.int64)
    # Bit 0: the ground does not resolve it; from bit 1 on, the bank on which the line lies.
    notes = np.zeros(candidates, dtype=np.int64)
    best = np.full(candidates, np.inf)
    parts = np.zeros((candidates, RUN))
    most, links = 0, 0
    for number in range(intakes.shape[0]):
        most = max(most, start[number + 1] - start[number])
    for station in range(station_link.shape[0]):
        links = max(links, station_link[station] + 1)
    for row in range(link.shape[0]):
        for column in range(link.shape[1]):
            links = max(links, link[row, column] + 1)
    is_path = np.zeros(links, dtype=np.bool_)
    next_link = np.full(links, -1, dtype=np.int64)
    for station in range(downstream.shape[0]):
        if downstream[station] >= 0 and station_link[downstream[station]] != station_link[station]:
            next_link[station_link[station]] = station_link[downstream[station]]
    maps = (elevation_m, link, obstacle, is_path)
    node, along = np.zeros((NODES, 2)), np.zeros(NODES)
    cost, made, before = np.zeros(NODES), np.zeros((NODES, HELD)), np.zeros(NODES, dtype=np.int64)
    leg, pipe, own = np.zeros(HELD), np.zeros(HELD), np.zeros(RUN)
    # The line of each candidate of one intake, then those of all, one after the other.
    line, vertices = np.zeros((most, NODES + 2, 2)), np.zeros((most, 1), dtype=np.int64)
    area, steps, targets = np.zeros(most), np.zeros(most), np.zeros((most, TARGET))
    drawn, drawn_start, length = np.zeros((8 * candidates + 8, 2)), np.zeros(candidates + 1, dtype=np.int64), 0
    half = math.ceil(LATTICE_STEPS * (1.0 + limits[MAX_DETOUR]) / 2.0)
    places, mark = (2 * half + 1) ** 2, 0
    field, came_from = np.zeros((places, FIELD)), np.zeros(places, dtype=np.int32)
    marked, reached = np.zeros(places, dtype=np.int32), np.zeros(MOST_PLACES, dtype=np.int32)
    heap_cost = np.zeros(MOST_WAITING)
    heap_place = np.zeros(MOST_WAITING, dtype=np.int32)
    for number in range(intakes.shape[0]):
        intake, begin, end = intakes[number], start[number], start[number + 1]
        top_m, price = level_m[intake], prices[begin]
        last = tailrace[end - 1]
        # The river is the whole way down to the outlet, whatever candidates there are.
        river = station_link[intake]
        while river >= 0:
            is_path[river] = True
            river = next_link[river]
        # The way down, its length, and what the ground shows at each tailrace.
        station, way_m, any_resolved = intake, 0.0, False
        swept, candidate = 0.0, begin
        while station != last:
            below = downstream[station]
            swept += (beside[station] - beside[intake]) * (at[intake] - at[below])
            swept -= (at[intake] - at[station]) * (beside[below] - beside[intake])
            way_m += step_m[station]
            station = below
            # Stations rise downstream, so the candidates of an intake are met in their order.
            while candidate < end and tailrace[candidate] == station:
                down, across = _direction(station, downstream, at, beside)
                if down == 0.0 and across == 0.0:
                    # At an outlet: the direction in which it is reached.
                    away = max(math.hypot(at[station] - at[intake], beside[station] - beside[intake]), 1e-9)
                    down, across = (at[station] - at[intake]) / away, (beside[station] - beside[intake]) / away
                canal_m = top_m - limits[GRADE] * way_m
                width = _valley_cells(elevation_m, at[station], beside[station], down, across, canal_m, limits)
                area[candidate - begin], vertices[candidate - begin, 0] = swept, 0
                steps[candidate - begin] = way_m / min(limits[CELL_WIDTH], limits[CELL_HEIGHT])
                if width < limits[MIN_CELLS]:
                    notes[candidate] = 1
                else:
                    any_resolved = True
                candidate += 1
        if any_resolved:
            limit_m = way_m * limits[MAX_DETOUR]
            for bank in range(1, 3):
                count = _follow(
                    maps,
                    limits,
                    intake,
                    last,
                    bank == 1,
                    downstream,
                    step_m,
                    at,
                    beside,
                    top_m,
                    limit_m,
                    node,
                    along,
                )
                count = _past_nearest(limits, node, count, at[last], beside[last])
                _join(maps, limits, price, ahead, top_m, count, node, along, cost, made, before, leg)
                for candidate in range(begin, end):
                    if notes[candidate] & 1:
                        continue
                    below, slot = tailrace[candidate], candidate - begin
                    total = _by_nodes(
                        maps, limits, price, prices[candidate, PIPE], top_m, node, count, cost, made, before,
                        at[below], beside[below], level_m[below], best[candidate], leg, pipe, own, line[slot],
                        vertices[slot],
                    )  # fmt: skip
                    if total < best[candidate]:
                        best[candidate], route[candidate] = total, bank
                        for each in range(RUN):
                            parts[candidate, each] = own[each]
            for candidate in range(begin, end):
                if notes[candidate] & 1:
                    continue
                below, slot = tailrace[candidate], candidate - begin
                total = _straight(
                    maps, limits, price, prices[candidate, PIPE], top_m, at[intake], beside[intake], at[below],
                    beside[below], level_m[below], best[candidate], leg, pipe, own, line[slot], vertices[slot],
                )  # fmt: skip
                if total < best[candidate]:
                    best[candidate], route[candidate] = total, STRAIGHT
                    for each in range(RUN):
                        parts[candidate, each] = own[each]
            # Ends that are near are looked for on a finer lattice than the others.
            for turn in range(2):
                found, furthest = 0, 0.0
                for candidate in range(begin, end):
                    below, slot = tailrace[candidate], candidate - begin
                    if notes[candidate] & 1 or (steps[slot] <= NEAR_STEPS) != (turn == 0):
                        continue
                    targets[found, ROW], targets[found, COLUMN] = at[below], beside[below]
                    targets[found, LEVEL], targets[found, PIPE_PER_M] = level_m[below], prices[candidate, PIPE]
                    targets[found, BEST], targets[found, END] = best[candidate], -1.0
                    targets[found, LOOKED_M], targets[found, OWNER] = np.inf, candidate
                    furthest = max(furthest, steps[slot])
                    found += 1
                if found == 0:
                    continue
                mark += 1
                step = 0.5 if turn == 0 else max(1.0, furthest / LATTICE_STEPS)
                limit_m = furthest * min(limits[CELL_WIDTH], limits[CELL_HEIGHT]) * limits[MAX_DETOUR]
                places = _search_lattice(
                    maps, limits, price, moves, step, half, at[intake], beside[intake], top_m, limit_m, targets,
                    found, mark, field, came_from, marked, reached, heap_cost, heap_place, leg,
                )  # fmt: skip
                for each in range(found):
                    _look_from_all(
                        maps, limits, price, step, half, at[intake], beside[intake], top_m, targets, each, field,
                        reached, places, leg,
                    )  # fmt: skip
                    if targets[each, END] < 0.0:
                        continue
                    candidate = int(targets[each, OWNER])
                    below, slot = tailrace[candidate], candidate - begin
                    count = _nodes_of(
                        limits, step, half, at[intake], beside[intake], int(targets[each, END]), came_from, node,
                        along,
                    )  # fmt: skip
                    _join(maps, limits, price, ahead, top_m, count, node, along, cost, made, before, leg)
                    total = _by_nodes(
                        maps, limits, price, prices[candidate, PIPE], top_m, node, count, cost, made, before,
                        at[below], beside[below], level_m[below], best[candidate], leg, pipe, own, line[slot],
                        vertices[slot],
                    )  # fmt: skip
                    if total < best[candidate]:
                        best[candidate] = total
                        route[candidate] = LEFT if area[slot] > _swept(line[slot], vertices[slot, 0]) else RIGHT
                        for kind in range(RUN):
                            parts[candidate, kind] = own[kind]
        for candidate in range(begin, end):
            slot = candidate - begin
            if route[candidate] == STRAIGHT:
                notes[candidate] |= (LEFT if area[slot] > 0.0 else RIGHT) << 1
            else:
                notes[candidate] |= route[candidate] << 1
            count = _without_straight_on(line[slot], vertices[slot, 0])
            if length + count > drawn.shape[0]:
                more = np.zeros((2 * drawn.shape[0] + count, 2))
                for each in range(length):
                    more[each, 0], more[each, 1] = drawn[each, 0], drawn[each, 1]
                drawn = more
            for each in range(count):
                drawn[length + each, 0], drawn[length + each, 1] = line[slot, each, 0], line[slot, each, 1]
            length += count
            drawn_start[candidate + 1] = length
        river = station_link[intake]
        while river >= 0:
            is_path[river] = False
            river = next_link[river]
    for candidate in range(candidates):
        if route[candidate] == 0:
            best[candidate] = np.nan
    return route, notes, best, parts, drawn[:length].copy(), drawn_start
