"""Flow over a DEM tile by tile, against the flood of the whole DEM, which knows nothing of tiles."""

from itertools import pairwise

import numpy as np
import pytest

from sitefinder.dem.derived_flow import (
    FAR,
    _across,
    _least_maximum,
    _passes,
    drained_tile,
    filled_tile,
    flat_steps,
    flats_across,
    inflows_of,
    must_be_redone,
    rim_levels,
    stream_cells_of,
    stream_links,
    survey_tile,
    tile_of,
    values_at,
)
from sitefinder.dem.grid import Grid, Window, tile_windows, widened
from sitefinder.dem.priority_flood import COLUMN_STEP, NO_POINTER, NO_SEED, ROW_STEP, flood

# Wider than high, so that a diagonal is no side of a square.
WIDTH_M, HEIGHT_M = 10.0, 7.0


def grid_of(ground_m):
    """A grid for some ground."""
    return Grid(*ground_m.shape, 0.0, 0.0, WIDTH_M, HEIGHT_M)


def part(array, window):
    """The cells of a window."""
    return array[window.row : window.row + window.rows, window.column : window.column + window.columns]


class ByTiles:
    """All steps on a DEM, with what comes of each."""

    def __init__(self, ground_m, tile_rows, tile_columns):
        self.grid = grid = grid_of(ground_m)
        windows = tile_windows(grid, tile_rows, tile_columns)
        self.tiles = [tile_of(part(ground_m, widened(window, 1, grid)), window, grid) for window in windows]
        surveyed = [survey_tile(tile, grid) for tile in self.tiles]
        self.levels = rim_levels([rim for rim, _ in surveyed], grid)
        self.surfaces = [
            filled_tile(areas, self.levels, window, grid)
            for (_, areas), window in zip(surveyed, windows, strict=True)
        ]
        self.steps, self.rounds = np.full(len(self.levels.cell), FAR, dtype=np.int32), 0
        due = range(len(self.tiles))
        while len(due):
            self.rounds += 1
            for number in due:
                own = self.levels.tile == number
                row, column = np.divmod(self.levels.cell[own], grid.columns)
                window = windows[number]
                self.steps[own] = self.flat_steps(number)[row - window.row + 1, column - window.column + 1]
            due = must_be_redone(flats_across(self.levels, grid), self.levels.tile, self.steps)
        drained = [
            drained_tile(self.surfaces[number], self.flat_steps(number), tile.window, grid)
            for number, tile in enumerate(self.tiles)
        ]
        self.pointers, self.drained = zip(*drained, strict=True)

    def flat_steps(self, number):
        return flat_steps(
            self.surfaces[number], self.levels.cell, self.steps, self.tiles[number].window, self.grid
        )

    def joined(self, arrays):
        """An array of the grid from one of each tile."""
        arrays = list(arrays)
        whole = np.empty((self.grid.rows, self.grid.columns), dtype=arrays[0].dtype)
        for tile, array in zip(self.tiles, arrays, strict=True):
            part(whole, tile.window)[:] = array
        return whole

    def streams(self, threshold_cells):
        """Stream cells of each tile."""
        cell, cells = inflows_of(self.drained)
        return [
            stream_cells_of(
                pointer, np.isfinite(tile.ground_m), cell, cells, tile.window, self.grid, threshold_cells
            )
            for tile, pointer in zip(self.tiles, self.pointers, strict=True)
        ]


def flooded(ground_m):
    """The flood of the whole DEM, without streams."""
    ends = np.full(ground_m.shape, NO_SEED, dtype=np.int32)
    return flood(ground_m, np.isfinite(ground_m), ends, (False,) * 4, WIDTH_M, HEIGHT_M)


def drained_cells(pointer, valid):
    """How many cells drain to each, by walking down from every one of them."""
    total = np.zeros(pointer.shape, dtype=int)
    for cell in np.argwhere(valid).tolist():
        row, column = cell
        total[row, column] += 1
        while (direction := pointer[row, column]) != NO_POINTER:
            row, column = row + ROW_STEP[direction], column + COLUMN_STEP[direction]
            total[row, column] += 1
    return total


def links_of(start, along):
    """Cells of each link."""
    return [along[first:end].tolist() for first, end in pairwise(start)]


def ground(kind, shape, rng):
    """Made ground: rough, of few heights, level, or of valleys; in half of the cases with gaps."""
    made = {
        "rough": lambda: rng.normal(0.0, 3.0, shape),
        "terraced": lambda: rng.integers(0, 4, shape),
        "level": lambda: np.zeros(shape),
        "valleys": lambda: np.round(
            np.add.outer(np.cumsum(rng.normal(0, 1, shape[0])), np.cumsum(rng.normal(0, 1, shape[1])))
        ),
    }[kind]()
    ground_m = made.astype(np.float32)
    if rng.random() < 0.5:
        ground_m[rng.random(shape) < rng.choice([0.02, 0.3])] = np.nan
    return ground_m


@pytest.mark.parametrize("kind", ["rough", "terraced", "level", "valleys"])
@pytest.mark.parametrize("seed", range(6))
def test_tiles_of_any_size_give_the_flow_of_the_whole_dem(kind, seed):
    rng = np.random.default_rng([seed, len(kind)])
    shape = tuple(rng.integers(1, 40, 2))
    ground_m, (tile_rows, tile_columns) = ground(kind, shape, rng), rng.integers(1, 20, 2).tolist()
    threshold = float(rng.integers(2, 15))

    by_tiles, whole = ByTiles(ground_m, tile_rows, tile_columns), flooded(ground_m)
    streams = by_tiles.streams(threshold)

    assert np.array_equal(
        by_tiles.joined(surface[1:-1, 1:-1] for surface in by_tiles.surfaces), whole.surface, equal_nan=True
    )
    assert np.array_equal(by_tiles.joined(by_tiles.pointers), whole.pointer)
    cells = drained_cells(whole.pointer, np.isfinite(ground_m))
    assert max(each.most_cells for each in streams) == cells.max(initial=0)
    found = np.concatenate([each.cell for each in streams])
    assert np.array_equal(np.sort(found), np.flatnonzero(cells >= threshold))
    assert np.array_equal(np.concatenate([each.pointer for each in streams]), whole.pointer.ravel()[found])


def test_water_that_a_lake_holds_leaves_it_through_a_tile_far_away():
    # A channel at 1 m winds through ground of 5 m, from (1, 1) to the end of the last row.
    ground_m = np.full((9, 9), 5.0, dtype=np.float32)
    ground_m[1, 1:8], ground_m[1:8, 7], ground_m[7, 1:8], ground_m[7:, 1] = 1.0, 1.0, 1.0, 1.0

    by_tiles = ByTiles(ground_m, 3, 3)

    # Level from end to end: more than one round of the tiles, each of which knows of its spill from the next.
    assert by_tiles.rounds > 3
    cells = drained_cells(by_tiles.joined(by_tiles.pointers), ground_m > 0)
    assert cells[1, 2] < cells[1, 5] < cells[4, 7] < cells[7, 5] < cells[8, 1] == cells.max()


def test_the_lowest_pass_between_two_areas_is_kept_once():
    # Area 1 touches 0 at 8, 7 and 4 m and 2 at 8, 6 and 5 m, which touches 0 at a corner; the rest has no area.
    label = np.array([[1, 0, -1], [1, 1, 0], [2, 2, -1]], dtype=np.int32)
    surface = np.array([[7.0, 4.0, 0.0], [8.0, 4.0, 3.0], [5.0, 6.0, 0.0]], dtype=np.float32)

    assert [each.tolist() for each in _passes(label, surface)] == [[0, 0, 1], [1, 2, 2], [4.0, 6.0, 5.0]]
    assert [len(each) for each in _passes(label[:1, :1], surface[:1, :1])] == [0, 0, 0]
    assert [each.tolist() for each in _passes(label[:1], surface[:1])] == [[0], [1], [7.0]]


@pytest.mark.parametrize(("rows", "columns"), [(5, 6), (1, 6), (5, 1)])
def test_neighbours_in_two_tiles_are_met_once_and_none_across_the_border_of_the_grid(rows, columns):
    rng = np.random.default_rng(rows)
    cell = np.flatnonzero(rng.random(rows * columns) < 0.8)
    tile = rng.integers(0, 3, len(cell))
    row, column = np.divmod(cell, columns)

    found = _across(cell, tile, Grid(rows, columns, 0.0, 0.0, 1.0, 1.0))

    apart = np.maximum(np.abs(np.subtract.outer(row, row)), np.abs(np.subtract.outer(column, column)))
    expected = np.argwhere((apart == 1) & (tile[:, None] != tile) & np.triu(np.ones(apart.shape, dtype=bool)))
    assert sorted(np.column_stack(found).tolist()) == expected.tolist()


def test_the_level_of_a_node_is_the_least_maximum_on_a_way_to_the_first():
    for seed in range(20):
        rng = np.random.default_rng(seed)
        one, other = rng.integers(0, 7, (2, 9))
        pass_m = rng.integers(-2, 4, 9).astype(np.float32)
        # By every node in turn as one that ways may go through.
        way_m = np.full((8, 8), np.inf)
        np.minimum.at(way_m, (one, other), pass_m)
        way_m = np.minimum(way_m, way_m.T)
        for node in range(8):
            way_m = np.minimum(way_m, np.maximum.outer(way_m[:, node], way_m[node]))

        found = _least_maximum(one, other, pass_m, 8)

        assert found[1:].tolist() == way_m[0, 1:].tolist()
        assert np.isinf(found[0])


EAST, SOUTH_EAST, SOUTH, WEST = 0, 1, 2, 4


@pytest.mark.parametrize(
    ("floor_m", "expected"),
    [
        ([0.0, 0.0, 0.0, 1.0, 1.0, 1.0, 1.0, 0.0], [WEST, WEST, EAST, EAST]),
        ([0.0, 1.0, 1.0, 1.0, 1.0, 0.0, 0.0, 0.0], [WEST, WEST, EAST, EAST]),
    ],
)
def test_a_cell_one_step_nearer_to_the_spill_of_another_tile_drains_there(floor_m, expected):
    # Between walls, a flat of four cells that spills at both ends. The tile of three of them finds its own spill
    # two steps from the third cell, which is one step from the fourth, in the other tile.
    ground_m = np.full((3, 8), 5.0, dtype=np.float32)
    ground_m[1] = floor_m

    by_tiles = ByTiles(ground_m, 3, 4)

    pointer = by_tiles.joined(by_tiles.pointers)
    assert pointer[1][ground_m[1] == 1.0].tolist() == expected


def test_a_tile_hears_of_a_way_that_is_one_step_shorter_through_two_others():
    # Each column is a tile, done from west to east. The cell at (3, 5) is three steps from the end of its own
    # column and two from the end in the east, beyond another tile; so (2, 4) is one step nearer to that end than
    # to its own in the west.
    ground_m = np.full((7, 8), 5.0, dtype=np.float32)
    ground_m[2, :5] = [0.0, 1.0, 1.0, 1.0, 1.0]
    ground_m[3:, 5] = [1.0, 1.0, 1.0, 0.0]
    ground_m[3, 5:] = [1.0, 1.0, 0.0]

    by_tiles = ByTiles(ground_m, 7, 1)

    assert by_tiles.steps[by_tiles.levels.cell == 3 * 8 + 5].tolist() == [1]
    pointer = by_tiles.joined(by_tiles.pointers)
    assert (pointer[3, 5], pointer[2, 4], pointer[2, 3]) == (EAST, SOUTH_EAST, WEST)


def test_what_stands_in_a_closed_tile_rises_to_the_lowest_way_out():
    # A pit in the middle tile of nine; the lowest way off the DEM is over 3 m in the north, then 2 m.
    ground_m = np.full((9, 9), 8.0, dtype=np.float32)
    ground_m[4, 4] = 0.0
    ground_m[0:4, 4] = [1.0, 2.0, 2.5, 3.0]
    ground_m[5:9, 4] = [2.0, 4.0, 1.0, 1.0]

    by_tiles = ByTiles(ground_m, 3, 3)

    surface = by_tiles.joined(each[1:-1, 1:-1] for each in by_tiles.surfaces)
    assert surface[:, 4].tolist() == [1.0, 2.0, 2.5, 3.0, 3.0, 3.0, 4.0, 1.0, 1.0]


def test_links_begin_at_heads_and_where_streams_meet_and_end_in_the_cell_of_the_next():
    # East along row 0 and row 2 to column 2, both into (1, 3), and on to the edge at (1, 5).
    ways = {(0, 1): 0, (0, 2): 1, (2, 1): 0, (2, 2): 7, (1, 3): 0, (1, 4): 0, (1, 5): NO_POINTER}
    grid = Grid(3, 6, 0.0, 0.0, 10.0, 10.0)
    cell = np.array([row * 6 + column for row, column in ways])
    order = np.random.default_rng(1).permutation(len(cell))

    start, along = stream_links(cell[order], np.array(list(ways.values()), np.uint8)[order], grid)

    assert links_of(start, along) == [[1, 2, 9], [9, 10, 11], [13, 14, 9]]


def test_a_stream_cell_alone_at_the_edge_and_one_where_streams_meet_there_are_no_links():
    grid = Grid(3, 3, 0.0, 0.0, 10.0, 10.0)
    # Into (1, 2) from the west and from the north; (2, 2) by itself.
    start, along = stream_links(np.array([2, 4, 5, 8]), np.array([2, 0, NO_POINTER, NO_POINTER], np.uint8), grid)

    assert links_of(start, along) == [[2, 5], [4, 5]]
    start, along = stream_links(np.array([8]), np.array([NO_POINTER], np.uint8), grid)
    assert (start.tolist(), along.tolist()) == ([0], [])


def test_a_link_may_end_in_the_first_cell_of_the_grid_or_go_on_through_it():
    grid = Grid(3, 3, 0.0, 0.0, 1.0, 1.0)

    ends = stream_links(np.array([1, 0]), np.array([WEST, NO_POINTER], np.uint8), grid)
    goes_on = stream_links(np.array([1, 0, 3]), np.array([WEST, SOUTH, NO_POINTER], np.uint8), grid)

    assert links_of(*ends) == [[1, 0]]
    assert links_of(*goes_on) == [[1, 0, 3]]


def test_the_rim_of_a_tile_is_its_outermost_cells_with_data():
    ground_m = np.full((6, 8), 5.0, dtype=np.float32)
    ground_m[1, 3] = np.nan
    grid, window = grid_of(ground_m), Window(1, 2, 3, 4)

    rim, _ = survey_tile(tile_of(part(ground_m, widened(window, 1, grid)), window, grid), grid)

    rows_and_columns = [divmod(cell, 8) for cell in rim.cell.tolist()]
    assert rows_and_columns == [(1, 2), (1, 4), (1, 5), (2, 2), (2, 5), (3, 2), (3, 3), (3, 4), (3, 5)]
    # Beside the gap, and nowhere else, the DEM ends.
    assert rim.is_edge.tolist() == [True, True, False, True, False, False, False, False, False]


@pytest.mark.parametrize(
    ("wanted", "expected"), [([3, 7, 9], [0.5, 1.5, 2.5]), ([2, 4, 10], [-1.0, -1.0, -1.0]), ([], [])]
)
def test_values_of_cells_that_are_listed_and_of_those_that_are_not(wanted, expected):
    cell, value = np.array([3, 7, 9]), np.array([0.5, 1.5, 2.5])

    assert values_at(cell, value, np.array(wanted, dtype=int), -1.0).tolist() == expected
    assert values_at(cell[:0], value[:0], np.array(wanted, dtype=int), -1.0).tolist() == [-1.0] * len(wanted)
