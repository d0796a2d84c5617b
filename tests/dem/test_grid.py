"""Cells, windows and tiles of a grid."""

import numpy as np
import pytest

from sitefinder.dem.grid import (
    Grid,
    OpenEdges,
    Window,
    bounds_of,
    cell_of,
    centre_of,
    clipped,
    holds,
    open_edges,
    tile_windows,
    whole,
    widened,
)

# Cells of 20 m × 10 m, so that width and height cannot be mixed up unseen.
GRID = Grid(rows=5, columns=7, west_m=1000.0, north_m=2000.0, cell_width_m=20.0, cell_height_m=10.0)


def test_the_centre_of_every_cell_lies_in_that_cell():
    for row in range(GRID.rows):
        for column in range(GRID.columns):
            assert cell_of(GRID, *centre_of(GRID, row, column)) == (row, column)


def test_the_bounds_of_a_grid_are_those_of_its_outer_cells_and_a_margin_lies_around_them():
    assert bounds_of(GRID) == (1000.0, 1950.0, 1140.0, 2000.0)
    assert bounds_of(GRID, 3.0) == (997.0, 1947.0, 1143.0, 2003.0)


def test_centres_of_many_cells_are_taken_at_once():
    x_m, y_m = centre_of(GRID, np.array([0, 4]), np.array([0, 6]))

    assert x_m.tolist() == [1010.0, 1130.0]
    assert y_m.tolist() == [1995.0, 1955.0]


@pytest.mark.parametrize(
    ("x_m", "y_m", "cell"),
    [(1000.0, 2000.0, (0, 0)), (1020.0, 1990.0, (1, 1)), (999.9, 2000.1, (-1, -1)), (1140.0, 1950.0, (5, 7))],
)
def test_a_point_on_a_shared_border_is_in_the_south_eastern_cell(x_m, y_m, cell):
    assert cell_of(GRID, x_m, y_m) == cell


def test_cells_beyond_each_border_are_not_held():
    row = np.array([0, -1, 5, 0, 0, 4])
    column = np.array([0, 0, 0, -1, 7, 6])

    assert holds(GRID, row, column).tolist() == [True, False, False, False, False, True]


def test_a_window_beside_the_grid_is_clipped_to_nothing():
    assert clipped(Window(9, -5, 2, 3), GRID)[2:] == (0, 0)
    assert clipped(Window(-4, 8, 3, 3), GRID)[2:] == (0, 0)


def test_a_window_is_widened_only_as_far_as_the_grid_goes():
    assert widened(Window(1, 2, 2, 2), 2, GRID) == Window(0, 0, 5, 6)
    assert widened(Window(1, 2, 2, 2), 99, GRID) == whole(GRID)


def test_only_borders_inside_the_grid_are_open():
    assert open_edges(whole(GRID), GRID) == OpenEdges(False, False, False, False)
    assert open_edges(Window(1, 0, 4, 7), GRID) == OpenEdges(True, False, False, False)
    assert open_edges(Window(0, 1, 4, 5), GRID) == OpenEdges(False, True, True, True)


@pytest.mark.parametrize("size", [(1, 1), (2, 3), (5, 7), (4, 4), (100, 2)])
def test_tiles_of_any_size_hold_each_cell_once(size):
    times = np.zeros((GRID.rows, GRID.columns), dtype=int)

    tiles = tile_windows(GRID, *size)

    for tile in tiles:
        times[tile.row : tile.row + tile.rows, tile.column : tile.column + tile.columns] += 1
    assert np.all(times == 1)
    assert tiles == sorted(tiles)


def test_a_tile_without_cells_is_refused():
    with pytest.raises(ValueError, match="0 × 5 cells holds no cell"):
        tile_windows(GRID, 0, 5)
