"""Ground on which leading water to streams goes wrong easily, each case with its right answer."""

import numpy as np
import pytest
import scipy.ndimage

from sitefinder.dem.grid import Grid, OpenEdges, Window
from sitefinder.dem.priority_flood import (
    NO_SEED,
    OFF_DEM,
    SINK,
    UNKNOWN,
    Sinks,
    _hollows,
    bridged,
    edge_cells,
    find_sinks,
    flood,
    flood_with_sinks,
    sinks_distinguished,
    with_sinks,
)
from sitefinder.dem.stream_cells import StreamCells, seeds_in, stream_cells
from sitefinder.dem.tiles import drain_tile, drain_window, merge_tile_sums
from sitefinder.io.whitebox_engine import route_with_whitebox

CLOSED = (False, False, False, False)
CELL_M = 10.0


# Ground [m] from a drawing: one digit a cell, x without data; and where it has data.
def ground(drawing):
    rows = drawing.split()
    valid = np.array([[sign != "x" for sign in row] for row in rows])
    elevation_m = np.array([[float(sign) if sign != "x" else -9999.0 for sign in row] for row in rows])
    return elevation_m.astype(np.float32), valid


def streams(drawing):
    return np.array(
        [[NO_SEED if sign == "." else int(sign) for sign in row] for row in drawing.split()], dtype=np.int32
    )


# A V-shaped valley that falls 1 m a cell to the south, its floor in the middle column; its sides rise 2 m a cell.
def valley(rows, columns):
    down, across = np.indices((rows, columns))
    return (100.0 + (rows - 1 - down) + 2.0 * np.abs(across - columns // 2)).astype(np.float32)


# The whole of a grid as one tile.
def drained(elevation_m, valid, seed, sink_depth_m=None):
    window = Window(0, 0, *elevation_m.shape)
    grid = Grid(*elevation_m.shape, 0.0, 0.0, CELL_M, CELL_M)
    return drain_window(
        elevation_m, valid, seed, core=window, window=window, grid=grid, covariates={}, sink_depth_m=sink_depth_m
    )


# Labels by either engine.
def by_flood(elevation_m, seed, scratch):
    return flood(elevation_m, np.ones(seed.shape, dtype=bool), seed, CLOSED, CELL_M, CELL_M).label


def by_whitebox(elevation_m, seed, scratch):
    grid = Grid(*seed.shape, 0.0, 0.0, CELL_M, CELL_M)
    return route_with_whitebox(elevation_m, np.ones(seed.shape, dtype=bool), seed, grid, scratch)


ENGINES = pytest.mark.parametrize("engine", [by_flood, by_whitebox])


@ENGINES
def test_an_embankment_across_a_mapped_stream_moves_no_water(engine, tmp_path):
    bare = valley(40, 31)
    seed = np.full(bare.shape, NO_SEED, dtype=np.int32)
    seed[:, 15] = np.arange(40) // 10
    dammed = bare.copy()
    dammed[20] = np.maximum(dammed[20], 128.0)

    before, after = engine(bare, seed, tmp_path), engine(dammed, seed, tmp_path)

    # The valley behind the embankment drains to the stream there, not past it; below nothing has changed.
    assert np.all(after >= 0)
    assert np.all(after[10:20, 11:20] <= 1)
    assert np.array_equal(after[21:], before[21:])


@ENGINES
def test_an_embankment_over_a_dry_valley_sends_its_water_to_the_same_stream(engine, tmp_path):
    # The valley is dry down to the southern rows, where the stream begins.
    elevation_m = valley(40, 31)
    seed = np.full(elevation_m.shape, NO_SEED, dtype=np.int32)
    seed[36:, 15] = 3
    # It reaches to where the valley sides are as high, and is lowest in the middle.
    elevation_m[20] = np.maximum(elevation_m[20], 128.0)
    elevation_m[20, 15] = 127.0

    label = engine(elevation_m, seed, tmp_path)

    # All of the valley floor behind the embankment, which lies up to 7 m under its crest.
    assert np.all(label[10:20, 12:19] == 3)


def test_an_embankment_higher_than_a_divide_sends_the_pond_behind_it_over_the_divide():
    """What a flood does and breaching would not; how much ground that is on real terrain stands in README."""
    seed = streams("""
        ........
        2......3
        ........
    """)
    bare, dammed = (ground(f"99999999 12533{rest} 99999999")[0] for rest in ("221", "281"))

    before, after = (by_flood(each, seed, None)[1].tolist() for each in (bare, dammed))

    assert before == [2, 2, 2, 3, 3, 3, 3, 3]
    assert after == [2, 2, 2, 2, 2, 2, 3, 3]


# A confluence: station 0 comes from the north-west, 1 from the north-east, 2 goes south.
@pytest.fixture
def confluence():
    grid = Grid(60, 61, 0.0, 600.0, CELL_M, CELL_M)
    down, across = np.indices((60, 61))
    west, east = 30 - np.maximum(30 - down, 0), 30 + np.maximum(30 - down, 0)
    to_stream = np.minimum(np.abs(across - west), np.abs(across - east))
    elevation_m = (200.0 - down + 1.5 * to_stream).astype(np.float32)
    return grid, elevation_m


def test_stations_20_m_above_and_20_m_below_a_confluence_distinguish_one_stream_from_two(confluence):
    grid, elevation_m = confluence
    # Stations 0 and 1 end 20 m above the confluence on either arm, 2 and 3 at it, 4 is 20 m below it, 5 far below.
    meet = np.array([305.0, 295.0])
    arm = 20.0 / np.sqrt(2.0)
    lines = [
        [[5.0, 595.0], meet + [-arm, arm]],
        [[605.0, 595.0], meet + [arm, arm]],
        [meet + [-arm, arm], meet],
        [meet + [arm, arm], meet],
        [meet, meet - [0, 20.0]],
        [meet - [0, 20.0], [305.0, 5.0]],
    ]
    places = np.concatenate([np.asarray(line, dtype=float) for line in lines])
    cells = stream_cells(
        np.arange(0, 13, 2),
        *places.T.copy(),
        np.arange(6),
        np.array([0, 1, 0, 1, 2, 2]),
        np.array([2, 2, -1]),
        grid,
    )

    local = np.bincount(
        flood(
            elevation_m, elevation_m > 0, seeds_in(cells, Window(0, 0, 60, 61)), CLOSED, CELL_M, CELL_M
        ).label.ravel(),
        minlength=6,
    )
    above = np.array([local[0], local[1]])
    below = local[:5].sum()

    # The arms are mirror images but for the crest between them, a cell wide and 30 long, which ties give to one.
    # The strip between the two pairs of stations is all that is not theirs.
    assert above[0] == pytest.approx(above[1], abs=31)
    assert 0 < below - above.sum() < 0.06 * below
    assert above.sum() > 1000


BASIN = """
    9999999
    1752563
    9999999
"""
BASIN_STREAMS = """
    .......
    4.....5
    .......
"""


@pytest.mark.parametrize(("sink_depth_m", "is_closed"), [(None, False), (4.1, False), (4.0, True), (1.0, True)])
def test_a_basin_at_least_as_deep_as_the_limit_is_closed(sink_depth_m, is_closed):
    # The hollow of 2 spills at 6 in the east, so it is 4 m deep.
    answer = drained(*ground(BASIN), streams(BASIN_STREAMS), sink_depth_m)

    assert answer.label[1].tolist() == ([4, 4, SINK, SINK, SINK, 5, 5] if is_closed else [4, 4, 5, 5, 5, 5, 5])
    assert answer.sums.sink_cells == np.count_nonzero(answer.label == SINK)
    notes = answer.sums.sinks.to_dict("records")
    assert notes == (
        [{"row": 1, "column": 3, "depth_m": 4.0, "cells": answer.sums.sink_cells}] if is_closed else []
    )


@pytest.mark.parametrize("sink_depth_m", [None, 4.1, 4.0])
def test_basins_for_another_engine_are_those_of_the_flood(sink_depth_m):
    (elevation_m, valid), seed = ground(BASIN), streams(BASIN_STREAMS)

    sinks = find_sinks(elevation_m, valid, seed, CELL_M, CELL_M, sink_depth_m=sink_depth_m)

    own = flood_with_sinks(elevation_m, valid, seed, CLOSED, CELL_M, CELL_M, sink_depth_m=sink_depth_m).sinks
    assert [each.tolist() for each in sinks] == [each.tolist() for each in own]


def test_a_basin_whose_rim_is_the_border_of_the_dem_is_a_sink_for_another_engine_too():
    # It spills over the 8 on the western border, so it is 6 m deep.
    elevation_m, valid = ground("999999 862999 999999")

    sinks = find_sinks(elevation_m, valid, np.full(valid.shape, NO_SEED), CELL_M, CELL_M, sink_depth_m=3.0)

    assert [each.tolist() for each in sinks] == [[1], [2], [6.0]]


def test_each_basin_has_an_end_of_its_own_that_its_ground_is_read_back_from():
    seed = streams("12... ..... ....7")
    sinks = Sinks(np.array([2, 0, 1]), np.array([0, 3, 4]), np.array([5.0, 1.0, 2.0]))

    ends = with_sinks(seed, sinks)
    label, number = sinks_distinguished(ends)

    # Three ends that are no station and none of the other labels; streams stay, and nothing given is altered.
    own = ends[sinks.row, sinks.column].tolist()
    assert len(set(own)) == 3
    assert max(own) < min(NO_SEED, OFF_DEM, UNKNOWN, SINK)
    assert number[sinks.row, sinks.column].tolist() == [0, 1, 2]
    assert (number >= 0).sum() == 3
    assert label.tolist() == np.where(number >= 0, SINK, seed).tolist()
    assert (label.dtype, number.dtype) == (np.int32, np.int32)
    assert seed.tolist() == streams("12... ..... ....7").tolist()
    assert with_sinks(seed, Sinks(*np.zeros((3, 0), dtype=np.int64))).tolist() == seed.tolist()


def test_pits_nested_in_a_closed_basin_overflow_into_it():
    # The hollow spills at 7; inside it the pit of 2 spills at 6, and is deeper than the limit itself.
    answer = drained(*ground("""
        9999999
        0826173
        9999999
    """), streams("""
        .......
        4.....5
        .......
    """), 3.0)  # fmt: skip

    assert answer.label[1].tolist() == [4, 4, SINK, SINK, SINK, SINK, 5]
    assert answer.sums.sinks[["row", "column", "depth_m"]].to_numpy().tolist() == [[1, 4, 6.0]]


def test_of_equally_low_cells_the_first_by_row_is_the_sink():
    answer = drained(*ground("""
        999999
        998299
        992829
        999999
    """), streams("""
        ......
        ......
        ......
        ......
    """), 3.0)  # fmt: skip

    assert answer.sums.sinks[["row", "column"]].to_numpy().tolist() == [[1, 3]]


def test_a_basin_with_a_mapped_stream_is_not_closed():
    seed = streams(BASIN_STREAMS)
    seed[1, 3] = 7

    answer = drained(*ground(BASIN), seed, 1.0)

    assert answer.label[1].tolist() == [4, 4, 7, 7, 7, 5, 5]
    assert answer.sums.sinks.empty


def test_a_closed_basin_cut_by_tiles_is_one_basin():
    elevation_m = np.full((40, 40), 50.0, dtype=np.float32)
    down, across = np.indices(elevation_m.shape)
    elevation_m -= np.maximum(0, 15 - np.hypot(down - 19, across - 21)).astype(np.float32)
    grid = Grid(40, 40, 0.0, 0.0, CELL_M, CELL_M)
    foot = StreamCells(*(np.array([place], dtype=np.int32) for place in (39, 39, 0)), None, None)

    def read(window):
        part = np.s_[window.row : window.row + window.rows, window.column : window.column + window.columns]
        return elevation_m[part], np.ones(elevation_m[part].shape, dtype=bool)

    parts = [Window(row, column, 20, 20) for row in (0, 20) for column in (0, 20)]
    tiles = [drain_tile(read, tile, grid, foot, 1, sink_depth_m=10.0).sums for tile in parts]
    sinks = merge_tile_sums(tiles, 1).sinks

    assert all(len(tile.sinks) == 1 for tile in tiles)
    assert sinks[["row", "column", "depth_m"]].to_numpy().tolist() == [[19, 21, 15.0]]
    # A cone of radius 15 and what slopes to it from its rim.
    assert sinks["cells"][0] >= np.count_nonzero(np.hypot(down - 19, across - 21) < 15)


def test_a_level_lake_drains_to_its_outlet_as_a_whole():
    # A lake of 4, which the notch of 5 in the east holds; the stream begins below the notch.
    answer = drained(*ground("""
        99999999
        94444999
        94444532
        94444999
        99999999
    """), streams("""
        ........
        ........
        ......11
        ........
        ........
    """))  # fmt: skip

    assert np.all(answer.label[1:4, 1:6] == 1)


def test_a_lake_with_a_mapped_stream_goes_to_the_nearest_cells_of_it():
    seed = streams("""
        .........
        .........
        .1112223.
        .........
        .........
    """)

    label = drained(*ground("""
        999999999
        944444449
        944444449
        944444449
        999999999
    """), seed).label  # fmt: skip

    for row in (1, 3):
        for column in range(1, 8):
            assert label[row, column] in seed[2, column - 1 : column + 2]


def test_ground_that_falls_over_the_dems_edge_belongs_to_no_stream_and_edge_ground_is_reported():
    elevation_m = np.tile(np.arange(9, 0, -1, dtype=np.float32)[:, None], (1, 5))
    elevation_m[:4] = np.arange(5, 9, dtype=np.float32)[:, None]
    seed = np.full(elevation_m.shape, NO_SEED, dtype=np.int32)
    seed[8] = 0

    answer = drained(elevation_m, np.ones(seed.shape, dtype=bool), seed)

    # The crest is the fourth row; what lies north of it leaves the DEM.
    assert np.all(answer.label[:3] == OFF_DEM)
    assert np.all(answer.label[5:] == 0)
    assert answer.sums.edge_cells.tolist() == [np.count_nonzero((answer.label == 0)[:, [0, 4]]) + 3]


def test_a_hole_takes_the_ground_that_falls_into_it_but_pulls_none():
    label = drained(*ground("""
        999999999
        98765xx21
        98765xx21
        987654321
        999999999
    """), streams("""
        .........
        ........1
        ........1
        ........1
        .........
    """)).label  # fmt: skip

    # The first row runs straight into the hole. The second passes by on lower ground, and the lowest number,
    # which marks the hole, attracts nothing.
    assert np.all(label[1, :7] == OFF_DEM)
    assert np.all(label[2, 1:5] == 1)
    assert np.all(label[3] == 1)
    assert np.all(label[1:3, 7:] == 1)
    blind = drained(*ground("9999999 987xx21 987xx21 9999999"), streams("....... ......1 ......1 .......")).label
    assert np.all(blind[1:3, :5] == OFF_DEM)
    assert np.all(blind[1:3, 5:] == 1)


HOLE = """
    999999999
    987654321
    98765xx21
    98765xx21
    987654321
    999999999
"""


def test_a_stream_across_a_hole_keeps_the_ground_on_its_banks():
    seed = streams("""
        .........
        .........
        111222333
        .........
        .........
        .........
    """)  # fmt: skip

    answer = drained(*ground(HOLE), seed)

    # The stream's own cells in the hole count as its land; the hole's other row has no stream.
    assert answer.label[2].tolist() == [1, 1, 1, 2, 2, 2, 3, 3, 3]
    # Each bank falls to the lower of the cells of the stream that it touches.
    assert answer.label[1, 4:6].tolist() == [2, 3]
    assert np.all(answer.label[3, 5:7] == OFF_DEM)
    assert answer.sums.no_data_cells == 2


# Falling to each of the four corners in turn, so that the lowest cell is one of each side.
@pytest.mark.parametrize("turns", range(4))
@pytest.mark.parametrize("place", list(np.ndindex(3, 4)), ids=str)
def test_a_stream_in_a_hole_lies_just_below_the_lowest_ground_around_it_wherever_it_is(place, turns):
    elevation_m = np.rot90(np.arange(12.0, dtype=np.float32).reshape((3, 4) if turns % 2 == 0 else (4, 3)), turns)
    valid, seed = np.ones((3, 4), dtype=bool), np.full((3, 4), NO_SEED, dtype=np.int32)
    valid[place], seed[place] = False, 1

    bridged_m, usable, _ = bridged(elevation_m, valid, seed, CLOSED)

    around = np.ones((3, 3), dtype=bool)
    around[1, 1] = False
    lowest_m = scipy.ndimage.minimum_filter(elevation_m, footprint=around, mode="constant", cval=np.inf)[place]
    assert usable.all()
    assert bridged_m[place] == np.nextafter(np.float32(lowest_m), np.float32(-np.inf))


# The border turned from the east to the north, the west and the south.
@pytest.mark.parametrize(("turns", "side"), list(enumerate(["east", "north", "west", "south"])))
def test_what_a_stream_in_a_hole_does_beyond_an_open_border_stays_unknown(turns, side):
    elevation_m, valid, seed = (np.rot90(each, turns).copy() for each in (*ground("987x"), streams("...4")))
    before, edges = elevation_m.copy(), OpenEdges(*CLOSED)._replace(**{side: True})

    bridged_m, usable, ends = bridged(elevation_m, valid, seed, edges)

    assert usable.all()
    assert np.rot90(ends, -turns).tolist() == [[NO_SEED, NO_SEED, NO_SEED, UNKNOWN]]
    label = flood(bridged_m, usable, ends, edges, CELL_M, CELL_M).label
    assert (label == UNKNOWN).all()
    assert np.array_equal(elevation_m, before)


def test_a_stream_inside_a_hole_that_touches_no_ground_takes_nothing():
    elevation_m, valid = ground("98xxx89")
    seed = streams("...4...")

    answer = drained(elevation_m, valid, seed)

    assert np.all(answer.label == OFF_DEM)
    assert answer.sums.no_data_cells == 3


def test_holes_make_edge_ground_except_where_a_stream_bridges_them():
    elevation_m, valid = ground("""
        99999
        99999
        99x99
        99999
        99999
    """)
    seed = np.full(valid.shape, NO_SEED, dtype=np.int32)
    seed[2, 2] = 1

    _, usable, _ = bridged(elevation_m, valid, seed, CLOSED)

    assert np.count_nonzero(edge_cells(valid, (True,) * 4)) == 8
    assert np.count_nonzero(edge_cells(usable, (True,) * 4)) == 0


def test_a_limit_that_no_hollow_reaches_changes_nothing():
    generator = np.random.default_rng(5)
    elevation_m = generator.integers(0, 9, (30, 30)).astype(np.float32)
    seed = np.full(elevation_m.shape, NO_SEED, dtype=np.int32)
    seed[10, 10:20] = 3
    cells = (elevation_m, elevation_m >= 0, seed, CLOSED, CELL_M, CELL_M)

    with_limit, without = (flood_with_sinks(*cells, sink_depth_m=depth_m).flood for depth_m in (9.0, None))

    assert all(np.array_equal(*pair) for pair in zip(with_limit, without, strict=True))


@pytest.mark.parametrize("seed", range(20))
def test_hollows_are_the_filled_cells_that_touch_whatever_row_they_are_in(seed):
    # Against the components of scipy, corners included; the first and last rows and columns are filled as often.
    rng = np.random.default_rng(seed)
    shape = (int(rng.integers(1, 7)), int(rng.integers(1, 7)))
    bottom = rng.integers(0, 4, shape).astype(np.float32)
    surface = np.where(rng.random(shape) < 0.4, bottom, np.float32(5.0))
    label = np.where(rng.random(shape) < 0.6, UNKNOWN, 3).astype(np.int32)

    lowest, depth_m, is_known = _hollows(bottom, surface, label)

    number, count = scipy.ndimage.label(surface > bottom, structure=np.ones((3, 3)))
    assert len(lowest) == count
    for hollow in range(count):
        inside = np.flatnonzero(number.ravel() == hollow + 1)
        low = inside[np.argmin(bottom.ravel()[inside])]
        assert (lowest[hollow], depth_m[hollow]) == (low, 5.0 - bottom.ravel()[low])
        assert is_known[hollow] == (label.ravel()[inside] != UNKNOWN).any()
