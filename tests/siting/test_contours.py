"""Contours along which headraces are led: their beginning beside the stream, and each step of a march, by hand."""

import math

import numpy as np
import pytest
from conduit_terms import limits_of, maps_of

from sitefinder.siting.conduits import (
    AROUND_HILL,
    AROUND_HOLLOW,
    NODES,
    OPEN_ENDED,
    _contour_at,
    _direction,
    _follow,
    _march,
)

# Cells of unlike sides [m], so that no direction stands for the other.
WIDE, HIGH = 10.0, 5.0
TOP_M = 100.0
LOW_M, HIGH_M = 99.0, 101.0


# Ground a metre lower than the canal, and as much higher where it is said.
def steps(is_high):
    return np.where(is_high, HIGH_M, LOW_M)


def march(ground, low, high, is_left=True, *, gone_m=0.0, limit_m=1e6, spacing_m=0.0, grade=0.0, river=()):
    node, along = np.full((NODES, 2), np.nan), np.full(NODES, np.nan)
    node[0], along[0] = low, 7.0
    given = (*low, *high, is_left, TOP_M, gone_m, limit_m, spacing_m, node, along)
    count, closed = _march(maps_of(ground, river), limits_of(grade=grade), *given)
    return node[1:count].tolist(), along[:count], closed


# Turned and mirrored: a function from places in ground that lies so to places of the ground as it is drawn.
TURNS = {
    "as drawn": (lambda ground: ground, lambda row, column: (row, column), False),
    "upside down": (lambda ground: ground[::-1], lambda row, column: (11.0 - row, column), True),
    "mirrored": (lambda ground: ground[:, ::-1], lambda row, column: (row, 11.0 - column), True),
    "turned": (lambda ground: ground[::-1, ::-1], lambda row, column: (11.0 - row, 11.0 - column), False),
    "across": (lambda ground: ground.T, lambda row, column: (column, row), True),
}


# The contour of a plane that rises to the north by a metre a row: as high as the canal at row 4.25.
@pytest.mark.parametrize("turn", TURNS)
def test_a_march_along_a_plane_goes_on_straight_to_the_edge_of_the_ground(turn):
    turned, place, is_mirrored = TURNS[turn]
    ground = turned(TOP_M + 4.25 - np.arange(12.0)[:, None] + np.zeros(12))
    low, high = ([int(each) for each in place(row, 3)] for row in (5, 4))

    points, along, closed = march(ground, low, high, not is_mirrored)
    back, _, _ = march(ground, low, high, is_mirrored)

    assert closed == OPEN_ENDED
    assert points == [list(place(4.25, column)) for column in range(3, 12)]
    assert back == [list(place(4.25, column)) for column in range(3, -1, -1)]
    # From the intake, which is given, to the first node, and a cell for each more.
    first_m, cell_m = (0.75 * WIDE, HIGH) if turn == "across" else (0.75 * HIGH, WIDE)
    assert along == pytest.approx([7.0, *(7.0 + first_m + cell_m * np.arange(9))])


@pytest.mark.parametrize(("spacing_m", "each"), [(10.0, 1), (10.1, 2), (20.0, 2), (20.1, 3)])
def test_nodes_of_a_march_stand_no_nearer_than_their_spacing(spacing_m, each):
    ground = steps(np.arange(8)[:, None] + np.zeros(14) < 4)

    points, _, _ = march(ground, (4, 0), (3, 0), spacing_m=spacing_m)

    assert points == [[3.5, column] for column in range(0, 14, each)]


@pytest.mark.parametrize("is_left", [True, False])
@pytest.mark.parametrize("hole", [(4, 8), (3, 8)])
def test_a_march_ends_at_a_hole_in_the_ground_on_either_hand(is_left, hole):
    ground = steps(np.arange(8)[:, None] + np.zeros(14) < 4)
    ground[hole] = np.nan
    ground = ground if is_left else ground[:, ::-1]

    points, _, closed = march(ground, (4, 3 if is_left else 10), (3, 3 if is_left else 10), is_left)

    assert closed == OPEN_ENDED
    assert points == [[3.5, column if is_left else 13 - column] for column in range(3, 8)]


# Where a cell is as high as the canal it is high, and the contour goes through its centre; a cell of the river is
# low however high it is, and the contour lies midway between it and what is high.
@pytest.mark.parametrize(
    ("low_m", "high_m", "is_river", "row"),
    [(99.0, 100.0, False, 3.0), (99.0, 103.0, False, 3.75), (100.0, 101.0, True, 3.5), (102.0, 104.0, True, 3.5)],
)
def test_a_contour_lies_where_the_ground_between_two_cells_is_as_high_as_the_canal(low_m, high_m, is_river, row):
    ground = np.where(np.arange(8)[:, None] + np.zeros(6) < 4, high_m, low_m)

    points, _, _ = march(ground, (4, 0), (3, 0), river=(4,) if is_river else ())

    assert points == [[row, column] for column in range(6)]


# Two high cells that touch at a corner, each with a low one beside it. They are joined where the four are as high
# as the canal on average; then the contour turns towards the low one behind, else around the high one.
@pytest.mark.parametrize(
    ("corners_m", "river", "is_joined"),
    [
        ((101.0, 101.0, 99.0, 99.0), (), True),
        ((101.0, 100.99, 99.0, 99.0), (), False),
        ((101.01, 101.0, 98.99, 99.0), (), True),
        ((101.0, 101.0, 99.0, 98.99), (), False),
        # A stream goes on between them, however high they are.
        ((104.0, 104.0, 99.0, 99.0), ((3, 6),), False),
        ((104.0, 104.0, 99.0, 99.0), ((4, 5),), True),
    ],
)
def test_at_a_saddle_the_mean_of_the_four_cells_says_which_two_are_joined(corners_m, river, is_joined):
    ground = steps(np.zeros((8, 12)))
    ground[:4, :6], ground[4:, 6:] = HIGH_M, HIGH_M
    ground[3, 5], ground[4, 6], ground[4, 5], ground[3, 6] = corners_m

    points, _, _ = march(ground, (4, 2), (3, 2), river=river)

    # On to the south along column 5, or back to the north along it.
    far = points[points.index([3.5, 4.0]) + 2 :]
    assert [row for row, _ in far[1:3]] == ([5.0, 6.0] if is_joined else [2.0, 1.0])
    assert all(5.0 < column < 6.0 for _, column in far)


# Half a cell beyond a corner the contour leads north: its length without windings is that from the last place
# that was four cells' widths away, which in one case is the place right before the corner.
@pytest.mark.parametrize(("corner", "bend"), [(3, 8), (4, 4)])
def test_a_march_is_as_long_as_its_way_without_windings_of_less_than_four_cells(corner, bend):
    rows, columns = np.mgrid[:16, :12]
    ground = steps((rows < 12) & (columns <= corner))
    places = [(11.5, column) for column in range(corner + 1)]
    places += [(row, corner + 0.5) for row in range(11, 4, -1)]

    def apart_m(begin, end):
        return math.hypot((end[0] - begin[0]) * HIGH, (end[1] - begin[1]) * WIDE)

    # The first that is 40 m away is a new beginning.
    away_m = [apart_m(places[0], place) for place in places]
    assert max(away_m[:bend]) < 40.0 <= away_m[bend]
    beyond_m = [apart_m(places[bend], place) for place in places[bend + 1 :]]
    assert max(beyond_m) < 40.0
    way_m = away_m[: bend + 1] + [away_m[bend] + distance_m for distance_m in beyond_m]

    for each in range(1, len(places)):
        # It ends at the first place that is as far as it may go.
        for limit_m, expected in ((60.0 + way_m[each] - 1e-6, each + 1), (60.0 + way_m[each] + 1e-6, each + 2)):
            points, _, closed = march(ground, (12, 0), (11, 0), gone_m=60.0, limit_m=limit_m)
            assert points[: len(places)] == [list(place) for place in places[:expected]]
            assert closed == OPEN_ENDED


# Each fourth of a straight way is a new beginning, which changes nothing of its length.
@pytest.mark.parametrize(("limit_m", "cells"), [(39.9, 5), (40.0, 5), (40.1, 6), (119.9, 13), (120.1, 14)])
def test_a_straight_march_is_as_long_as_its_limit(limit_m, cells):
    points, _, _ = march(steps(np.arange(4)[:, None] + np.zeros(30) < 2), (2, 0), (1, 0), limit_m=limit_m)

    assert len(points) == cells


def test_a_march_has_no_more_nodes_than_there_is_room_for():
    points, _, closed = march(steps(np.arange(2)[:, None] + np.zeros(700) < 1), (1, 0), (0, 0))

    assert len(points) == 600 - 1
    assert closed == OPEN_ENDED


# Twenty moves for each node, of which a hill so long has none but the first.
@pytest.mark.parametrize(("columns", "ends"), [(12_001, OPEN_ENDED), (12_002, AROUND_HOLLOW)])
def test_after_twenty_moves_for_each_node_a_march_is_taken_to_go_round(columns, ends):
    ground = steps(np.arange(2)[:, None] + np.zeros(columns) < 1)

    assert march(ground, (1, 0), (0, 0), spacing_m=1e6)[2] == ends


@pytest.mark.parametrize("is_left", [True, False])
@pytest.mark.parametrize("low", [(5, 4), (3, 4), (4, 5), (4, 3)])
def test_a_single_cell_is_gone_around_in_four_moves(is_left, low):
    is_cell = np.zeros((9, 9), dtype=bool)
    is_cell[4, 4] = True

    around, _, hill = march(steps(is_cell), low, (4, 4), is_left)
    within, _, hollow = march(steps(~is_cell), (4, 4), low, is_left)

    sides = [[3.5, 4.0], [4.0, 3.5], [4.0, 4.5], [4.5, 4.0]]
    assert sorted(around) == sorted(within) == sides
    assert (hill, hollow) == (AROUND_HILL, AROUND_HOLLOW)


# A comb of five teeth turns back and forth many times, and four times more to one side than to the other.
@pytest.mark.parametrize("is_left", [True, False])
def test_a_comb_is_gone_around_as_a_hill_or_a_hollow_however_often_it_turns(is_left):
    is_comb = np.zeros((9, 13), dtype=bool)
    is_comb[5, 1:12] = True
    is_comb[2:6, 2:11:2] = True

    assert march(steps(is_comb), (6, 5), (5, 5), is_left)[2] == AROUND_HILL
    assert march(steps(~is_comb), (5, 5), (6, 5), is_left)[2] == AROUND_HOLLOW


def contour(ground, at, beside, side, is_left=True, *, gone_m=0.0, limit_m=1e6, grade=0.0, river=()):
    node, along = np.zeros((NODES, 2)), np.zeros(NODES)
    given = (at, beside, *side, is_left, TOP_M, gone_m, limit_m, 0.0, node, along)
    count = _contour_at(maps_of(ground, river), limits_of(grade=grade), *given)
    return node[1:count].tolist()


NORTH, SOUTH, WEST, EAST = (-1.0, 0.0), (1.0, 0.0), (0.0, -1.0), (0.0, 1.0)


# A hillside whose foot lies a row further north in each column.
@pytest.mark.parametrize(
    ("place", "cell"), [(8.0, 8), (8.49, 8), (8.5, 9), (7.51, 8), (8.46, 8)], ids=lambda value: str(value)
)
@pytest.mark.parametrize("side", [NORTH, SOUTH, WEST, EAST])
def test_a_transect_leads_from_the_cell_of_a_station_straight_to_its_side(side, place, cell):
    rows, columns = np.mgrid[:24, :24]
    along, away = (columns, rows) if side in (NORTH, SOUTH) else (rows, columns)
    is_forward = side in (SOUTH, EAST)
    station = 5.0 if is_forward else 18.0
    # As many cells from the station as the number of the cell along the stream.
    far = (away - station) if is_forward else (station - away)
    ground = steps(far >= along)
    at, beside = (station, place) if side in (NORTH, SOUTH) else (place, station)

    points = contour(ground, at, beside, side)

    edge = station + (cell - 0.5) * (1 if is_forward else -1)
    assert points[0] == ([edge, cell] if side in (NORTH, SOUTH) else [cell, edge])


# The station's own cell is high by a fault of the DEM, those around it are low: only from low to high counts.
@pytest.mark.parametrize("shift", [-0.49, -0.03, 0.0, 0.04, 0.47, 0.49])
@pytest.mark.parametrize("side", [NORTH, SOUTH, WEST, EAST])
def test_a_transect_begins_in_the_cell_of_its_station(side, shift):
    rows, columns = np.mgrid[:20, :20]
    is_hill = (rows < 4) | (rows > 15) | (columns < 4) | (columns > 15)
    ground = steps(is_hill)
    ground[10, 10] = HIGH_M

    first = contour(ground, 10.0 + shift, 10.0 + shift, side)

    # In a hollow there is no way; without its other sides there is.
    assert first == []
    open_ground = steps(rows < 4 if side == NORTH else rows > 15 if side == SOUTH else False * rows)
    if side in (WEST, EAST):
        open_ground = steps(columns < 4 if side == WEST else columns > 15)
    open_ground[10, 10] = HIGH_M
    edges = {NORTH: [3.5, 10.0], SOUTH: [15.5, 10.0], WEST: [10.0, 3.5], EAST: [10.0, 15.5]}
    assert contour(open_ground, 10.0 + shift, 10.0 + shift, side)[0] == edges[side]


# Of an oblique transect the cells are gone through as it comes to them, one side after the other.
def test_an_oblique_transect_goes_from_side_to_side():
    rows, columns = np.mgrid[:20, :20]

    # 0.6 to the north and 0.8 to the east: first into the eastern cell, from it into the northern, and so on.
    assert contour(steps((rows >= 10) & (columns >= 11)), 10.0, 10.0, (-0.6, 0.8))[0] == [10.0, 10.5]
    assert contour(steps((rows <= 9) & (columns <= 11)), 10.0, 10.0, (-0.6, 0.8))[0] == [9.5, 11.0]
    assert contour(steps((rows >= 9) & (columns >= 12)), 10.0, 10.0, (-0.6, 0.8))[0] == [9.0, 11.5]


@pytest.mark.parametrize("is_left", [True, False])
def test_a_station_in_the_outermost_cells_has_a_transect_and_one_outside_has_none(is_left):
    rows, columns = np.mgrid[:12, :9]
    on, beyond = steps(columns >= 5), steps(rows >= 5)

    for row in (0.0, -0.5, 11.0, 11.49):
        assert contour(on, row, 2.0, EAST, is_left)[0] == [min(max(round(row), 0), 11), 4.5]
    for column in (0.0, -0.5, 8.0, 8.49):
        assert contour(beyond, 2.0, column, SOUTH, is_left)[0] == [4.5, min(max(round(column), 0), 8)]
    for row, side in ((-0.51, SOUTH), (-1.0, SOUTH), (11.5, NORTH), (12.0, NORTH)):
        ground = beyond if side == SOUTH else beyond[::-1]
        assert contour(ground, row, 4.0, side, is_left) == []
    for column, side in ((-0.51, EAST), (-1.0, EAST), (8.5, WEST), (9.0, WEST)):
        ground = on if side == EAST else on[:, ::-1]
        assert contour(ground, 6.0, column, side, is_left) == []


@pytest.mark.parametrize("side", [NORTH, SOUTH, WEST, EAST])
def test_a_transect_that_leaves_the_ground_or_comes_to_a_hole_finds_nothing(side):
    rows, columns = np.mgrid[:20, :20]
    far = {NORTH: 10 - rows, SOUTH: rows - 10, WEST: 10 - columns, EAST: columns - 10}[side]
    ground = steps(far >= 6)
    assert len(contour(ground, 10.0, 10.0, side)) > 0
    assert contour(steps(far < -20), 10.0, 10.0, side) == []
    # From the last cell there is no further one, whatever lies on the other edge.
    last = 10.0 + 9.0 * np.array(side) if side in (SOUTH, EAST) else 10.0 + 10.0 * np.array(side)
    assert contour(steps(far < 0), *last, side) == []

    ground[far == 3] = np.nan
    assert contour(ground, 10.0, 10.0, side) == []


# Cells are 5 m high and 10 m wide: the shorter side counts, so that 30 m are six cells in any direction.
@pytest.mark.parametrize("side", [NORTH, SOUTH, WEST, EAST])
@pytest.mark.parametrize(("limit_m", "cells", "is_found"), [(30.0, 6, True), (30.0, 7, False), (5.0, 2, False)])
def test_a_transect_is_as_long_as_the_way_may_be(side, limit_m, cells, is_found):
    rows, columns = np.mgrid[:20, :20]
    far = {NORTH: 10 - rows, SOUTH: rows - 10, WEST: 10 - columns, EAST: columns - 10}[side]

    assert (len(contour(steps(far >= cells), 10.0, 10.0, side, limit_m=limit_m)) > 0) == is_found
    # Looked at every fifth of a cell, the end itself not: a metre is a fifth of 5 m.
    near = 10.0 - 0.4 * sum(side) if side in (NORTH, WEST) else 10.3
    for within_m, is_reached in ((1.0, False), (1.01, True)):
        points = contour(steps(far >= 1), *((near, 10.0) if side in (NORTH, SOUTH) else (10.0, near)), side,
                         limit_m=within_m)  # fmt: skip
        assert (len(points) > 0) == (is_reached and side in (SOUTH, EAST))


def test_a_contour_begins_as_much_lower_as_the_water_has_come():
    # A hillside of 0.4 m a cell, as high as the canal at row 2; after 100 m of 1 % it is met at row 4.5.
    ground = TOP_M - 0.4 * (np.arange(14.0)[:, None] - 2.0) + np.zeros(20)

    assert contour(ground, 12.0, 5.0, NORTH)[0] == pytest.approx([2.0, 5.0], abs=1e-4)
    assert contour(ground, 12.0, 5.0, NORTH, gone_m=100.0, grade=0.01)[0] == pytest.approx([4.5, 5.0], abs=1e-4)


@pytest.mark.parametrize(("islands", "is_found"), [(0, True), (1, True), (7, True), (8, False)])
def test_a_contour_passes_over_seven_hills_and_begins_at_the_eighth_edge(islands, is_found):
    ground = steps(np.arange(30)[:, None] + np.zeros(13) < 4)
    ground[24 - 2 * np.arange(islands), 6] = HIGH_M

    points = contour(ground, 26.0, 6.0, NORTH)

    assert points == ([[3.5, column] for column in range(6, 13)] if is_found else [])


def test_in_a_hollow_there_is_no_contour_whatever_lies_beyond():
    rows, columns = np.mgrid[:20, :20]
    away = np.maximum(abs(rows - 12), abs(columns - 10))

    assert contour(steps((away == 3) | (rows < 4)), 12.0, 10.0, NORTH) == []
    assert contour(steps(((away == 3) & (rows != 12)) | (rows < 4)), 12.0, 10.0, NORTH) != []


# Stations of a stream along column 2, two rows apart, of which the intake is the first.
def follow(ground, limit_m=300.0, *, stations=6, last=4, is_left=True, grade=0.0, step_m=10.0, column=2.0):
    node, along = np.full((NODES, 2), np.nan), np.full(NODES, np.nan)
    at, beside = 1.0 + 2.0 * np.arange(stations), np.full(stations, column)
    downstream = np.append(np.arange(1, stations), -1)
    given = (downstream, np.full(stations, step_m), at, beside, TOP_M, limit_m, node, along)
    count = _follow(maps_of(ground), limits_of(grade=grade), 0, last, is_left, *given)
    assert (node[0].tolist(), along[0]) == ([1.0, column], 0.0)
    return node[1:count].tolist()


# To the left of a stream to the south lies the east: a plane that rises by a metre a column, high from 5.5 on.
# Nodes stand 10 m apart, the longer side of a cell, and so far that all of the longest way have room: its length
# over two less than there are nodes.
@pytest.mark.parametrize(
    ("limit_m", "rows_apart"),
    [(300.0, 2), (10.0 * 598, 2), (10.0 * 599, 3), (15.0 * 598, 3), (15.0 * 599, 4)],
)
def test_nodes_stand_a_cell_apart_or_further_where_the_way_may_be_long(limit_m, rows_apart):
    ground = TOP_M + np.arange(12.0) - 5.5 + np.zeros((30, 1))

    points = follow(ground, limit_m)

    # From the first station below the intake, in row 3.
    assert points == [[row, 5.5] for row in range(3, 30, rows_apart)]


def test_a_contour_begins_beside_the_first_station_that_has_one_as_low_as_the_water_there():
    # From row 6 on the hillside comes near; the way to the stations in row 3, 5 and 7 is 10, 20 and 30 m.
    rows, columns = np.mgrid[:30, :12]
    ground = np.where(rows < 6, np.nan, TOP_M + 0.1 * (columns - 8.0))
    ground[:6, :4] = LOW_M

    assert follow(ground)[0] == pytest.approx([7.0, 8.0])
    assert follow(ground, grade=0.01)[0] == pytest.approx([7.0, 5.0], abs=1e-4)


def test_a_contour_of_a_single_node_is_one():
    ground = steps(np.arange(12) > 5) + np.zeros((30, 1))
    ground[4] = np.nan

    # South of row 3 there is a hole: what lies beside the stations further on is not looked for.
    assert follow(ground) == [[3.0, 5.5]]


def test_without_a_contour_as_far_as_the_last_station_there_is_the_intake_alone():
    node, along = np.zeros((NODES, 2)), np.zeros(NODES)
    rows, _ = np.mgrid[:30, :12]
    # Beyond the last station, in row 9, there would be one.
    ground = np.where((rows > 9) & (np.arange(12) > 5), HIGH_M, LOW_M)
    given = (np.array([1, 2, 3, 4, 5, -1]), np.full(6, 10.0), 1.0 + 2.0 * np.arange(6), np.full(6, 2.0))

    for last, count in ((4, 1), (5, 1)):
        found = _follow(maps_of(ground), limits_of(), 0, last, True, *given, TOP_M, 300.0, node, along)
        assert found == count
    assert len(follow(ground, stations=8, last=5)) > 0


# A station a millionth of a cell away is no other place.
@pytest.mark.parametrize(("near", "expected"), [(1e-6, (0.6, 0.8)), (1.05e-6, (1.0, 0.0))])
def test_the_direction_of_a_stream_is_to_a_station_more_than_a_millionth_of_a_cell_away(near, expected):
    downstream, at, beside = np.array([1, 2, -1]), np.array([0.0, near, 3.0]), np.array([0.0, 0.0, 4.0])

    assert _direction(0, downstream, at, beside) == pytest.approx(expected)
