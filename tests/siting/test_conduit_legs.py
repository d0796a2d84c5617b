"""Pieces of conduits over made ground, whose lengths, cuts and costs are worked by hand."""

import math

import numpy as np
import pytest

from sitefinder.siting.conduits import (
    BARRED,
    BENCH,
    BUILDING,
    BUILDINGS,
    CROSSINGS,
    CUT_M2,
    CUT_M3,
    DEEPEST,
    HEADRACE,
    HELD,
    OPEN,
    OVER,
    PENSTOCK,
    ROAD,
    ROADS,
    RUN,
    STATE,
    TUNNEL,
    _ground_at,
    _headrace_leg,
    _is_over,
    _penstock_leg,
    _share_on_ground,
    _side_slope,
    _valley_cells,
    _what_is_at,
)

# Cells of unlike sides, so that no direction stands for the other [m].
WIDE, HIGH = 10.0, 5.0
ROWS, COLUMNS = 16, 24
# Level of the water at the beginning of a leg [m].
LEVEL = 100.0
LIMITS = {
    "grade": 0.0,
    "max_cut_m": 4.0,
    "max_fill_m": 1.0,
    "max_aqueduct_height_m": 6.0,
    "max_aqueduct_length_m": 45.0,
    "max_side_slope": 0.5,
    "max_detour": 3.0,
    "min_valley_cells": 3.0,
}
PRICES = {
    "canal": 300.0,
    "pipe": 650.0,
    "cut_m2": 50.0,
    "cut_m3": 20.0,
    "bench": 70.0,
    "aqueduct": 900.0,
    "tunnel": math.inf,
    "crossing": 5000.0,
    "road": 4000.0,
    "building": math.inf,
}
EAST = {"row": 8.0, "column": 4.0, "to_row": 8.0, "to_column": 14.0}
SOUTH = {"row": 3.0, "column": 8.0, "to_row": 13.0, "to_column": 8.0}


def plane(level=LEVEL, *, by_east=0.0, by_south=0.0, row=8.0, column=4.0):
    """Ground as high as ``level`` at a place, rising by so much each metre to the east and the south."""
    rows, columns = np.mgrid[:ROWS, :COLUMNS]
    rise_m = by_east * (columns - column) * WIDE + by_south * (rows - row) * HIGH
    return (level + rise_m).astype(np.float32)


def limits_of(**given):
    return np.array([*(LIMITS | given).values(), WIDE, HIGH])


def maps_of(ground, link=None, obstacle=None):
    link = np.full(ground.shape, -1, dtype=np.int32) if link is None else link
    obstacle = np.zeros(ground.shape, dtype=np.uint8) if obstacle is None else obstacle
    return ground, link, obstacle, np.array([True, False])


def marked(value, *places, empty=0, dtype=np.uint8):
    cells = np.full((ROWS, COLUMNS), empty, dtype=dtype)
    for place in places:
        cells[place] = value
    return cells


def headrace(
    ground, *, link=None, obstacle=None, run_m=0.0, state=-1.0, limits=None, way=EAST, level=LEVEL, **prices
):
    leg = np.full(HELD, np.nan)
    price = np.array(list((PRICES | prices).values()))
    cost = _headrace_leg(
        maps_of(ground, link, obstacle), limits_of(**limits or {}), price, *way.values(), level, run_m, state, leg
    )
    return cost, leg


def penstock(ground, *, link=None, obstacle=None, limits=None, way=EAST, fall_m=0.0, most=math.inf, **prices):
    leg = np.full(HELD, np.nan)
    price = np.array(list((PRICES | prices).values()))
    cost = _penstock_leg(
        maps_of(ground, link, obstacle), limits_of(**limits or {}), price, PRICES["pipe"], *way.values(), LEVEL,
        fall_m, most, leg,
    )  # fmt: skip
    return cost, leg


# What a leg is made of, without what is nothing; elevations are kept to some hundred-thousandths of a metre.
def made_of(leg):
    return {
        place: pytest.approx(value, abs=1e-3) for place, value in enumerate(leg[:RUN].tolist()) if value > 1e-3
    }


@pytest.mark.parametrize(("row", "column"), [(0.0, 0.0), (0.25, 3.5), (7.0, 2.75), (14.9, 22.9), (3.3, 0.0)])
def test_ground_is_bilinear_between_centres_of_cells(row, column):
    rows, columns = np.mgrid[:ROWS, :COLUMNS]

    found = _ground_at(3.0 + 2.0 * rows - columns + 0.5 * rows * columns, row, column)

    assert found == pytest.approx(3.0 + 2.0 * row - column + 0.5 * row * column)


@pytest.mark.parametrize(("row", "column"), [(-0.01, 5.0), (5.0, -0.01), (ROWS - 1.0, 5.0), (5.0, COLUMNS - 1.0)])
def test_there_is_no_ground_outside_the_centres_of_the_outer_cells(row, column):
    assert np.isnan(_ground_at(plane(), row, column))


# The gradient is 0.3 to the east and 0.1 to the north; across a direction (e, n) it is |0.1 e − 0.3 n|.
@pytest.mark.parametrize(
    ("east", "north", "slope"),
    [(1.0, 0.0, 0.1), (0.0, 1.0, 0.3), (0.6, 0.8, 0.18), (0.6, -0.8, 0.3), (-1.0, 0.0, 0.1)],
)
@pytest.mark.parametrize(("row", "column"), [(1.0, 1.0), (14.4, 22.4), (0.5, 0.5), (7.2, 9.8)])
def test_the_side_slope_is_that_of_the_plane_across_the_direction(east, north, slope, row, column):
    ground = plane(by_east=0.3, by_south=-0.1)

    assert _side_slope(ground, row, column, east, north, limits_of()) == pytest.approx(slope, abs=1e-6)


@pytest.mark.parametrize(
    ("row", "column"), [(0.4, 5.0), (5.0, 0.4), (ROWS - 1.0, 5.0), (5.0, COLUMNS - 1.0), (5.0, 5.0)]
)
def test_there_is_no_side_slope_at_the_edge_or_beside_a_hole(row, column):
    ground = plane(by_east=0.3)
    ground[5, 6] = np.nan

    assert _side_slope(ground, row, column, 0.0, 1.0, limits_of()) == 0.0


# Ground that rises by the square of the row or of the column: a cell's slope is twice its number.
@pytest.mark.parametrize(("row", "cell"), [(6.49, 6), (6.5, 7), (6.97, 7), (5.51, 6)])
def test_the_side_slope_is_that_of_the_cell_in_which_the_place_lies(row, cell):
    squares = (np.arange(ROWS)[:, None] ** 2 + np.zeros(COLUMNS)).astype(np.float32)

    assert _side_slope(squares, row, 5.0, 1.0, 0.0, limits_of()) == pytest.approx(2 * cell / HIGH)
    squares = np.ascontiguousarray(squares.T)
    assert _side_slope(squares, 5.0, row, 0.0, 1.0, limits_of()) == pytest.approx(2 * cell / WIDE)


def test_what_is_at_a_place_are_the_stream_and_the_obstacles_of_its_cell():
    link, obstacle = marked(0, (2, 3), empty=-1, dtype=np.int32), marked(ROAD, (2, 3), (0, 0))
    link[2, 4] = link[15, 23] = 1
    obstacle[2, 4], obstacle[4, 4], obstacle[5, 5] = BUILDING, BUILDING, BARRED | ROAD

    def at(row, column):
        return _what_is_at(row, column, link, obstacle, np.array([True, False]))

    # The stream of the way down, another stream, a road, a place that is barred, a building.
    assert at(2.49, 3.49) == at(1.5, 2.5) == 1 | 4
    # In the bed of a stream there is no building, whichever stream it is.
    assert at(2.0, 4.0) == 2
    obstacle[2, 3] |= BUILDING
    assert at(2.0, 3.0) == 1 | 4
    assert at(4.0, 4.0) == 16
    assert at(5.0, 5.0) == 4 | 8
    assert at(1.0, 3.0) == at(2.0, 2.0) == 0
    # The outermost cells count, beyond them all is barred.
    assert (at(-0.5, -0.5), at(15.49, 23.49)) == (4, 2)
    assert at(-0.51, 5.0) == at(5.0, -0.51) == at(15.5, 5.0) == at(5.0, 23.5) == 8


@pytest.mark.parametrize(
    ("ground_m", "what", "is_over"),
    [
        (99.0, 0, False), (98.99, 0, True), (100.0, 2, True), (104.0, 2 | 4, True), (99.75, 1, False),
        (99.74, 1, True), (99.74, 4, False),
    ],
)  # fmt: skip
def test_a_headrace_passes_over_other_streams_its_river_below_it_and_what_is_too_low_to_fill(
    ground_m, what, is_over
):
    assert _is_over(ground_m, what, LEVEL, limits_of()) == is_over


@pytest.mark.parametrize(
    ("way", "length_m"),
    [(EAST, 100.0), (SOUTH, 50.0), ({"row": 8.0, "column": 4.0, "to_row": 2.0, "to_column": 8.0}, 50.0)],
)
def test_on_ground_as_high_as_the_water_a_canal_costs_its_length(way, length_m):
    cost, leg = headrace(plane(), way=way)

    assert cost == pytest.approx(300.0 * length_m)
    assert made_of(leg) == {HEADRACE: length_m, OPEN: length_m}
    assert (leg[RUN], leg[STATE]) == (0.0, 0.0)


def test_a_leg_of_no_length_costs_nothing_and_hands_on_how_the_way_ends():
    cost, leg = headrace(plane(90.0), run_m=30.0, state=3.0, way=EAST | {"to_column": 4.0})

    assert cost == 0.0
    assert made_of(leg) == {}
    assert (leg[RUN], leg[STATE]) == (30.0, 3.0)


@pytest.mark.parametrize("length_m", [0.99e-9, 1e-9])
def test_from_a_billionth_of_a_metre_on_a_leg_has_a_length(length_m):
    way = {"row": 8.0, "column": 0.0, "to_row": 8.0, "to_column": length_m / WIDE}

    # A leg with a length begins where it is, on the ground, a leg without hands on what it was given.
    assert headrace(plane(), way=way)[1][STATE] == (0.0 if length_m == 1e-9 else -1.0)


# Ground that rises, bilinear between squares, from where a leg begins: each look at it counts.
@pytest.mark.parametrize("is_south", [False, True])
@pytest.mark.parametrize(
    ("cells", "pieces"), [(0.5, 1), (1.0, 1), (1.0 + 0.99e-6, 1), (1.0 + 1.05e-6, 2), (2.0, 2), (2.1, 3)]
)
def test_a_leg_is_looked_at_in_the_middle_of_each_piece_no_longer_than_a_cell(is_south, cells, pieces):
    way = {"row": 6.0, "column": 6.0, "to_row": 6.0, "to_column": 6.0 + cells}
    ground = LEVEL + np.maximum(np.arange(COLUMNS) - 6.0, 0.0) ** 2 / 4.0 + np.zeros((ROWS, 1))
    length_m = cells * WIDE
    if is_south:
        way |= {"to_row": 6.0 + cells, "to_column": 6.0}
        ground, length_m = np.ascontiguousarray(ground[:, :ROWS].T), cells * HIGH
    # Between the centres of cells the ground is straight from square to square.
    middles_m = np.interp(cells * (np.arange(pieces) + 0.5) / pieces, np.arange(5.0), np.arange(5.0) ** 2 / 4.0)

    for leg_of in (headrace, penstock):
        leg = leg_of(ground.astype(np.float32), way=way)[1]
        assert leg[CUT_M2] == pytest.approx(middles_m.mean() * length_m, rel=1e-4)
        assert leg[DEEPEST] == pytest.approx(middles_m.max(), rel=1e-4)


@pytest.mark.parametrize(("height_m", "deepest_m"), [(3.0, 3.0), (4.0, 4.0), (-0.75, 0.0), (-1.0, 0.0)])
def test_cut_and_fill_cost_by_depth_and_by_its_square(height_m, deepest_m):
    depth_m = abs(height_m)

    cost, leg = headrace(plane(LEVEL + height_m))

    expected = {HEADRACE: 100.0, OPEN: 100.0, CUT_M2: depth_m * 100.0, CUT_M3: depth_m**2 * 100.0}
    assert made_of(leg) == expected | ({DEEPEST: deepest_m} if deepest_m else {})
    assert cost == pytest.approx(100.0 * (300.0 + depth_m * (50.0 + 20.0 * depth_m)))


def test_the_water_falls_with_the_way_so_that_level_ground_is_cut_ever_deeper():
    cost, leg = headrace(plane(), limits={"grade": 0.02})

    # A wedge of 100 m with 2 m at its end, looked at in the middle of each of 10 pieces.
    depths_m = 0.02 * (np.arange(10) + 0.5) * 10.0
    assert leg[CUT_M2] == pytest.approx(0.02 * 100.0**2 / 2)
    assert leg[CUT_M3] == pytest.approx((depths_m**2).sum() * 10.0)
    assert leg[DEEPEST] == pytest.approx(1.9, abs=1e-4)
    assert cost == pytest.approx(300.0 * 100.0 + 50.0 * leg[CUT_M2] + 20.0 * leg[CUT_M3])


def test_a_hillside_costs_a_bench_by_its_slope():
    cost, leg = headrace(plane(by_south=-0.5))

    assert made_of(leg) == {HEADRACE: 100.0, OPEN: 100.0, BENCH: 0.5 * 100.0}
    assert cost == pytest.approx(300.0 * 100.0 + 70.0 * 50.0)


def test_on_a_steeper_hillside_or_deeper_in_the_ground_there_is_a_tunnel_or_nothing():
    for ground in (plane(by_south=-0.51), plane(104.01)):
        assert headrace(ground)[0] == math.inf
        cost, leg = headrace(ground, tunnel=1500.0, run_m=40.0)
        assert made_of(leg) == {HEADRACE: 100.0, TUNNEL: 100.0}
        assert cost == pytest.approx(1500.0 * 100.0)
        assert (leg[RUN], leg[STATE]) == (0.0, 0.0)


# Ground in cells 8 to 10 that lies 3 m below the water, between ground as high as it.
def gully(depth_m=3.0, columns=slice(8, 11)):
    ground = plane()
    ground[:, columns] -= depth_m
    return ground


def test_a_gully_is_crossed_once_on_an_aqueduct_as_long_as_the_ground_is_low():
    cost, leg = headrace(gully())

    # Bilinear ground is more than 1 m low in the middle of five cells' widths: at 7.5, 8.5, 9.5 and 10.5.
    assert leg[OVER] == pytest.approx(40.0)
    assert leg[CROSSINGS] == 1.0
    assert leg[OPEN] == pytest.approx(60.0)
    assert leg[CUT_M2] == leg[DEEPEST] == 0.0
    assert cost == pytest.approx(300.0 * 60.0 + 900.0 * 40.0 + 5000.0)
    assert (leg[RUN], leg[STATE]) == (0.0, 0.0)


def test_an_aqueduct_is_neither_higher_nor_longer_than_allowed():
    assert headrace(gully(6.0))[0] < math.inf
    assert headrace(gully(6.01))[0] == math.inf
    assert headrace(gully(), limits={"max_aqueduct_length_m": 40.0})[0] < math.inf
    assert headrace(gully(), limits={"max_aqueduct_length_m": 39.9})[0] == math.inf


def test_a_way_that_comes_on_an_aqueduct_goes_on_on_it_without_another_crossing():
    low = EAST | {"to_column": 8.0}

    cost, leg = headrace(plane(97.0), way=low, state=1.0, run_m=5.0)

    assert (leg[OVER], leg[CROSSINGS]) == (pytest.approx(40.0), 0.0)
    assert (leg[RUN], leg[STATE]) == (pytest.approx(45.0), 1.0)
    assert cost == pytest.approx(900.0 * 40.0)
    # What came before counts for the greatest length.
    assert headrace(plane(97.0), way=low, state=1.0, run_m=5.1)[0] == math.inf
    # A way that begins on low ground begins its aqueduct there; one that was not on one crosses.
    assert headrace(plane(97.0), way=low)[1][CROSSINGS] == 0.0
    cost, leg = headrace(plane(97.0), way=low, state=0.0)
    assert leg[CROSSINGS] == 1.0
    assert cost == pytest.approx(900.0 * 40.0 + 5000.0)


def test_an_aqueduct_that_begins_at_the_very_end_of_a_leg_counts_there_and_not_again():
    ground, meeting = gully(columns=slice(8, 13)), EAST | {"to_column": 8.0}
    cost, leg = headrace(ground, way=meeting)

    # The last piece is looked at in its middle, where it is 1.5 m low, and at its end.
    assert leg[OVER] == pytest.approx(10.0)
    assert (leg[CROSSINGS], leg[STATE]) == (1.0, 1.0)
    cost, leg = headrace(ground, way=meeting | {"to_column": 7.4})
    assert leg[OVER] == 0.0
    assert (leg[CROSSINGS], leg[STATE]) == (1.0, 1.0)
    assert cost == pytest.approx(300.0 * 34.0 + leg[CUT_M2] * 50.0 + leg[CUT_M3] * 20.0 + 5000.0)
    onward = {"row": 8.0, "column": 7.4, "to_row": 8.0, "to_column": 9.4}
    assert headrace(ground, way=onward, state=leg[STATE])[1][CROSSINGS] == 0.0


def test_other_streams_are_crossed_and_the_river_only_where_it_lies_below_the_canal():
    other = marked(1, (slice(None), 9), empty=-1, dtype=np.int32)
    river = marked(0, (slice(None), 9), empty=-1, dtype=np.int32)

    cost, leg = headrace(plane(), link=other)

    assert (leg[CROSSINGS], leg[OVER]) == (1.0, pytest.approx(10.0))
    assert cost == pytest.approx(300.0 * 90.0 + 900.0 * 10.0 + 5000.0)
    assert headrace(plane(99.76), link=river)[1][CROSSINGS] == 0.0
    assert headrace(plane(99.74), link=river)[1][CROSSINGS] == 1.0


def test_roads_and_buildings_cost_once_each_however_wide_and_what_is_barred_is_not_crossed():
    roads = marked(ROAD, (slice(None), slice(6, 9)), (slice(None), 11))
    houses = marked(BUILDING, (slice(None), slice(6, 9)), (slice(None), 11))

    cost, leg = headrace(plane(), obstacle=roads)
    assert leg[ROADS] == 2.0
    assert cost == pytest.approx(300.0 * 100.0 + 2 * 4000.0)
    assert headrace(plane(), obstacle=houses)[0] == math.inf
    cost, leg = headrace(plane(), obstacle=houses, building=7000.0)
    assert leg[BUILDINGS] == 2.0
    assert cost == pytest.approx(300.0 * 100.0 + 2 * 7000.0)
    assert headrace(plane(), obstacle=marked(BARRED, (8, 9)))[0] == math.inf
    # A way that ends in the road, or in the house, has paid for it.
    for obstacle, part, state in ((roads, ROADS, 2.0), (houses, BUILDINGS, 4.0)):
        leg = headrace(plane(), obstacle=obstacle, way=EAST | {"to_column": 7.0}, building=7000.0)[1]
        assert (leg[part], leg[STATE]) == (1.0, state)
        onward = {"row": 8.0, "column": 7.0, "to_row": 8.0, "to_column": 10.0}
        assert headrace(plane(), obstacle=obstacle, way=onward, state=state, building=7000.0)[1][part] == 0.0
        # As one that begins in it has.
        assert headrace(plane(), obstacle=obstacle, way=onward, building=7000.0)[1][part] == 0.0
        # One that was on an aqueduct, and no more, has paid for neither.
        for held in (0.0, 1.0):
            assert headrace(plane(), obstacle=obstacle, way=onward, state=held, building=7000.0)[1][part] == 1.0
    # Where no house is crossed, none is left either.
    within = {"obstacle": marked(BUILDING, (slice(None), slice(3, 6)))}
    assert headrace(plane(), **within)[0] == penstock(plane(99.0), **within)[0] == math.inf
    # In a tunnel there are none.
    deep = {"tunnel": 1500.0, "building": 7000.0}
    for obstacle in (roads, houses, marked(BARRED, (8, 9))):
        assert made_of(headrace(plane(110.0), obstacle=obstacle, **deep)[1]) == {HEADRACE: 100.0, TUNNEL: 100.0}


def test_what_begins_in_the_first_piece_of_a_leg_counts_whatever_the_leg_begins_in():
    way = {"row": 8.0, "column": 4.3, "to_row": 8.0, "to_column": 8.3}
    own, bed = (marked(link, (slice(None), 4), empty=-1, dtype=np.int32) for link in (0, 1))
    second = (slice(None), 5)
    tributary = marked(1, second, empty=-1, dtype=np.int32)

    # The middle of the first piece is in the next cell: a road, a house and a stream there are crossed.
    for leg_of in (headrace, penstock):
        for link in (None, own, bed):
            assert leg_of(plane(99.9), link=link, obstacle=marked(ROAD, second), way=way)[1][ROADS] == 1.0
            houses = {"obstacle": marked(BUILDING, second), "building": 7000.0}
            assert leg_of(plane(99.9), link=link, way=way, **houses)[1][BUILDINGS] == 1.0
        assert leg_of(plane(99.9), link=tributary, way=way)[1][CROSSINGS] == 1.0
        confluence = np.where(own == 0, 0, tributary).astype(np.int32)
        assert leg_of(plane(99.9), link=confluence, way=way)[1][CROSSINGS] == 1.0
        beside = {"obstacle": marked(ROAD, (slice(None), 4)), "link": tributary}
        assert leg_of(plane(99.9), way=way, **beside)[1][[CROSSINGS, ROADS]].tolist() == [1.0, 0.0]


def test_no_conduit_lies_in_a_hole_of_the_dem():
    ground = plane(99.5)
    ground[8, 10] = np.nan

    assert headrace(ground)[0] == math.inf
    assert penstock(ground)[0] == math.inf


def test_a_penstock_is_as_long_as_its_slope_and_lies_in_a_trench_where_the_ground_is_higher():
    cost, leg = penstock(plane(90.0), fall_m=75.0)
    assert made_of(leg) == {PENSTOCK: 125.0}
    assert cost == pytest.approx(650.0 * 125.0)

    # From 1 m above the water at the upper end to 1 m below it at the lower.
    cost, leg = penstock(plane(101.0, by_east=-0.02))
    depths_m = np.maximum(1.0 - 0.02 * (np.arange(10) + 0.5) * 10.0, 0.0)
    assert leg[PENSTOCK] == 100.0
    assert leg[DEEPEST] == pytest.approx(0.9, abs=1e-4)
    assert leg[CUT_M2] == pytest.approx(depths_m.sum() * 10.0, rel=1e-4)
    assert leg[CUT_M3] == pytest.approx((depths_m**2).sum() * 10.0, rel=1e-4)
    assert cost == pytest.approx(650.0 * 100.0 + 50.0 * leg[CUT_M2] + 20.0 * leg[CUT_M3])


def test_a_penstock_deeper_than_a_cut_may_be_is_driven_through_at_the_tunnels_price_besides():
    assert penstock(plane(104.0))[0] < math.inf
    assert penstock(plane(104.01))[0] == math.inf

    cost, leg = penstock(plane(104.01), tunnel=1500.0, obstacle=marked(ROAD, (slice(None), 9)))

    assert made_of(leg) == {PENSTOCK: 100.0, TUNNEL: 100.0}
    assert cost == pytest.approx((650.0 + 1500.0) * 100.0)


def test_a_penstock_crosses_streams_roads_and_buildings_at_their_prices():
    streams = marked(1, (slice(None), slice(8, 10)), (slice(None), 12), empty=-1, dtype=np.int32)
    obstacle = marked(ROAD, (slice(None), slice(6, 8)), (slice(None), 11))

    cost, leg = penstock(plane(99.0), link=streams, obstacle=obstacle)

    assert (leg[CROSSINGS], leg[ROADS], leg[OVER]) == (2.0, 2.0, 0.0)
    assert cost == pytest.approx(650.0 * 100.0 + 2 * 5000.0 + 2 * 4000.0)
    houses = marked(BUILDING, (slice(None), 9))
    assert penstock(plane(99.0), obstacle=houses)[0] == math.inf
    cost, leg = penstock(plane(99.0), obstacle=houses, building=7000.0)
    assert leg[BUILDINGS] == 1.0
    assert cost == pytest.approx(650.0 * 100.0 + 7000.0)
    assert penstock(plane(99.0), obstacle=marked(BARRED, (8, 9)))[0] == math.inf
    # What the line begins in was crossed or paid for before.
    for given in (
        {"link": marked(1, (slice(None), 4), empty=-1, dtype=np.int32)},
        {"obstacle": marked(ROAD, (8, 4))},
    ):
        assert made_of(penstock(plane(99.0), **given)[1]) == {PENSTOCK: 100.0}


def test_a_penstock_that_leaves_its_river_and_comes_back_crosses_it_where_it_comes_out():
    river = marked(0, (slice(None), slice(8, 10)), empty=-1, dtype=np.int32)
    low, near = {"way": EAST | {"to_column": 16.0}}, {"way": EAST | {"column": 5.0, "to_column": 12.0}}

    # In the river's own bed, further from both ends than 3 cells of 10 m, it stands on an aqueduct.
    cost, leg = penstock(plane(99.0), link=river, **low)
    assert (leg[CROSSINGS], leg[OVER]) == (1.0, pytest.approx(20.0))
    assert cost == pytest.approx(650.0 * 120.0 + 5000.0 + 900.0 * 20.0)
    assert penstock(plane(99.0), link=river, limits={"max_aqueduct_length_m": 20.0}, **low)[0] < math.inf
    assert penstock(plane(99.0), link=river, limits={"max_aqueduct_length_m": 19.9}, **low)[0] == math.inf
    # Of a line of 70 m, whose middle is 35 m from both ends, the piece in the middle does.
    assert penstock(plane(99.0), link=river, **near)[1][OVER] == pytest.approx(10.0)
    # From beside the river, whose first piece is in it, it crosses it.
    beside = {"row": 8.0, "column": 4.3, "to_row": 8.0, "to_column": 8.3}
    one = marked(0, (slice(None), 5), empty=-1, dtype=np.int32)
    assert made_of(penstock(plane(99.0), link=one, way=beside)[1]) == {PENSTOCK: 40.0, CROSSINGS: 1.0}
    # At the intake it begins in the river, and at the powerhouse it ends in it: no crossing, for 3 cells.
    for ends in (slice(3, 6), slice(3, 7), slice(13, 16), slice(12, 16)):
        at_end = marked(0, (slice(None), ends), empty=-1, dtype=np.int32)
        assert made_of(penstock(plane(99.0), link=at_end)[1]) == {PENSTOCK: 100.0}


@pytest.mark.parametrize(("cell_m", "over_m"), [(10.0, 0.0), (9.99, 12.0)])
def test_the_ends_of_a_penstock_reach_as_far_as_three_cells_and_no_further(cell_m, over_m):
    # A line of 36 m by 48 m in five pieces, of which the third lies in the river, 30 m from both ends.
    river, leg = marked(0, (2, 2), empty=-1, dtype=np.int32), np.zeros(HELD)
    limits, price = np.array([*LIMITS.values(), cell_m, cell_m]), np.array(list(PRICES.values()))
    way = (0.0, 0.0, 36.0 / cell_m, 48.0 / cell_m)

    _penstock_leg(maps_of(plane(99.0), river), limits, price, 650.0, *way, LEVEL, 0.0, math.inf, leg)

    assert leg[PENSTOCK] == 60.0
    assert leg[OVER] == pytest.approx(over_m)


def test_a_penstock_that_costs_as_much_as_the_most_is_given_up():
    assert penstock(plane(99.0), most=65_001.0)[0] == pytest.approx(65_000.0)
    assert penstock(plane(99.0), most=65_000.0)[0] == math.inf


@pytest.mark.parametrize(("by_east", "share"), [(-0.02, 0.5), (-0.05, 0.2), (0.0, 1.0), (-0.5, 0.0)])
def test_the_share_on_the_ground_ends_where_the_fill_would_be_too_high(by_east, share):
    # The ground falls by 0.02 m a metre: after 50 m of 100 m it is 1 m below water that does not fall.
    found = _share_on_ground(maps_of(plane(by_east=by_east)), limits_of(), *EAST.values(), LEVEL)

    # It is looked at in the middle of each of ten pieces.
    expected = max([0.0, *(each for each in (np.arange(10) + 0.5) / 10 if each <= share + 1e-9)])
    assert found == pytest.approx(expected)
    # Water that falls with the ground stays on it.
    falling = limits_of(grade=-by_east)
    assert _share_on_ground(maps_of(plane(by_east=by_east)), falling, *EAST.values(), LEVEL) == pytest.approx(0.95)


def test_the_share_on_the_ground_is_of_the_last_place_that_holds_the_canal_whatever_lies_before_it():
    assert _share_on_ground(maps_of(gully()), limits_of(), *EAST.values(), LEVEL) == pytest.approx(0.95)
    south = _share_on_ground(
        maps_of(plane(by_south=-0.02, row=3.0)), limits_of(grade=0.01), *SOUTH.values(), LEVEL
    )
    # 0.01 m a metre more than the water: 1 m after 100 m, which is beyond the 50 m of the line.
    assert south == pytest.approx(0.95)


# Sides that rise from a stream along row 8 by 1 m for each cell to the south, and by 2 m to the north.
@pytest.mark.parametrize(
    ("level_m", "cells"), [(100.9, 0.5 + 1.0), (101.5, 0.75 + 1.5), (103.0, 1.5 + 3.0), (107.0, 6.0), (100.0, 0.0)]
)
def test_a_valley_is_as_wide_as_its_sides_are_apart_at_the_level_up_to_what_is_asked(level_m, cells):
    rows = np.arange(ROWS)[:, None] + np.zeros(COLUMNS)
    ground = 100.0 + np.where(rows < 8, 2.0 * (8 - rows), rows - 8)

    # The stream flows east, and on the same ground turned, south; in steps of a quarter of a cell, rounded up.
    assert _valley_cells(ground, 8.0, 12.0, 0.0, 1.0, level_m, limits_of()) == pytest.approx(cells)
    assert _valley_cells(ground.T.copy(), 12.0, 8.0, 1.0, 0.0, level_m, limits_of()) == pytest.approx(cells)


# A valley 45° to the grid, 4 cells wide at the water's level, whose left side begins a cell from the stream and
# whose right side three cells; what lies ahead and behind is the valley's floor.
@pytest.mark.parametrize(("down", "across"), [(0.6, 0.8), (0.6, -0.8), (-0.8, 0.6), (-0.6, -0.8)])
def test_the_width_of_a_valley_is_taken_across_its_stream_whatever_its_direction(down, across):
    rows, columns = np.mgrid[:ROWS, :COLUMNS]
    left = (columns - 12.0) * down - (rows - 8.0) * across
    ground = 100.0 + np.where(left > 0, 2.0 * left, -left)

    cells = _valley_cells(ground, 8.0, 12.0, down, across, 101.1, limits_of())

    # 1.1 m above the stream: 0.55 of a cell to the left and 1.1 to the right, in quarters, rounded up.
    assert cells == pytest.approx(0.75 + 1.25)
