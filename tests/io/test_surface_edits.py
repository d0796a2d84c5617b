"""Lakes made flat and small holes filled on the warped copy of the DEM."""

import numpy as np
import pytest
import rasterio
import shapely

from sitefinder.dem.grid import Grid, whole
from sitefinder.io import surface as surface_edits
from sitefinder.io.raster import FLOAT_NODATA, read_window, tile_transform
from sitefinder.io.surface import fill_holes, level_lakes


# A warped copy of some elevations [m], nodata where they are no number, on cells of 10 m from (0, 0) southwards.
@pytest.fixture
def copy_of(tmp_path):
    def written(elevation_m):
        grid = Grid(*elevation_m.shape, 0.0, 0.0, 10.0, 10.0)
        path = tmp_path / "dem.tif"
        profile = {"driver": "GTiff", "dtype": "float32", "count": 1, "nodata": FLOAT_NODATA, "crs": "EPSG:32633"}
        size = {"height": grid.rows, "width": grid.columns, "transform": tile_transform(whole(grid), grid)}
        with rasterio.open(path, "w", **profile, **size) as raster:
            raster.write(np.where(np.isnan(elevation_m), FLOAT_NODATA, elevation_m).astype(np.float32), 1)
        return path, grid

    return written


# The elevations [m] of a copy, no number where there is none.
def read(path, grid):
    values, valid = read_window(path, whole(grid))
    return np.where(valid, values, np.nan)


# A polygon around some cells: first and last row, first and last column.
def around(first_row, last_row, first_column, last_column):
    return shapely.box(10 * first_column, -10 * (last_row + 1), 10 * (last_column + 1), -10 * first_row)


def slope(rows, columns):
    return np.arange(rows)[:, None] * 100.0 + np.arange(columns)[None, :]


def test_a_lake_comes_to_the_level_of_its_lowest_cell_and_nothing_else_changes(copy_of):
    path, grid = copy_of(slope(6, 8))

    done = level_lakes(path, np.array([around(2, 3, 1, 4)]), grid)

    expected = slope(6, 8)
    expected[2:4, 1:5] = 201.0
    assert np.array_equal(read(path, grid), expected)
    assert (done.cells.tolist(), done.filled_cells.tolist(), done.level_m.tolist()) == ([8], [0], [201.0])


def test_a_lake_masked_out_of_the_dem_is_filled_from_its_shore(copy_of):
    ground = slope(6, 8)
    ground[2:4, 1:5] = np.nan
    path, grid = copy_of(ground)
    # Drawn a little wider than the gap: it touches cells all round, and holds no other cell's centre.
    lake = around(2, 3, 1, 4).buffer(2.0, join_style="mitre")

    done = level_lakes(path, np.array([lake]), grid)

    assert np.all(read(path, grid)[2:4, 1:5] == 100.0)
    assert done.filled_cells.tolist() == [8]
    assert np.count_nonzero(read(path, grid) != ground) == 8


def test_a_lake_without_any_elevation_is_left(copy_of):
    ground = slope(6, 8)
    ground[1:5, 1:7] = np.nan
    path, grid = copy_of(ground)

    done = level_lakes(path, np.array([around(2, 3, 2, 5)]), grid)

    assert np.array_equal(read(path, grid), ground, equal_nan=True)
    assert np.isnan(done.level_m[0])


@pytest.mark.parametrize("order", [(0, 1), (1, 0)])
def test_the_order_of_lakes_that_overlap_decides_nothing(copy_of, order):
    path, grid = copy_of(slope(6, 8))
    lakes = np.array([around(1, 3, 1, 3), around(3, 4, 1, 3)])[list(order)]

    level_lakes(path, lakes, grid)

    expected = slope(6, 8)
    expected[3:5, 1:4] = 301.0
    expected[1:4, 1:4] = 101.0
    assert np.array_equal(read(path, grid), expected)


def test_a_lake_partly_or_wholly_off_the_grid_is_levelled_where_it_lies_on_it(copy_of):
    path, grid = copy_of(slope(6, 8))

    done = level_lakes(path, np.array([around(4, 9, 6, 12), around(20, 25, 0, 3)]), grid)

    expected = slope(6, 8)
    expected[4:, 6:] = 406.0
    assert np.array_equal(read(path, grid), expected)
    assert done.cells.tolist() == [4, 0]


def test_holes_up_to_the_limit_are_filled_between_their_neighbours(copy_of):
    ground = np.tile(np.arange(20, dtype=float), (20, 1))
    ground[5:7, 5:7] = np.nan
    ground[10, 3:18] = np.nan
    path, grid = copy_of(ground)

    filled = fill_holes(path, grid, 2)

    notes = read(path, grid)
    assert filled == 4 + 15
    assert np.all(np.isfinite(notes))
    # Within the range of the data around, and on the tilted plane to within half its fall over the hole.
    plane = np.tile(np.arange(20, dtype=float), (20, 1))
    assert np.all(np.abs(notes - plane) <= 1.5)
    assert np.array_equal(notes[np.isfinite(ground)], ground[np.isfinite(ground)])


def test_larger_holes_and_ground_outside_the_outline_stay_without_data(copy_of):
    ground = slope(20, 20)
    ground[5:8, 5:8] = np.nan
    ground[:, :1] = np.nan
    ground[15, 8:] = np.nan
    path, grid = copy_of(ground)

    filled = fill_holes(path, grid, 2)

    notes = read(path, grid)
    assert np.all(np.isnan(notes[5:8, 5:8]))
    # The first column is part of all that lies outside; a thin gap that runs out of the DEM stays thin.
    assert np.all(np.isnan(notes[:, 0]))
    assert np.all(np.isfinite(notes[15, 8:]))
    assert filled == 12


def test_nothing_is_filled_unless_asked_for(copy_of):
    ground = slope(5, 5)
    ground[2, 2] = np.nan
    path, grid = copy_of(ground)

    assert fill_holes(path, grid, 0) == 0
    assert np.isnan(read(path, grid)[2, 2])


@pytest.mark.parametrize("max_cells", [1, 3, 6])
def test_the_size_of_a_chunk_changes_no_value(copy_of, monkeypatch, max_cells):
    generator = np.random.default_rng(3)
    ground = generator.random((90, 110)).cumsum(axis=0).cumsum(axis=1)
    for _ in range(60):
        row, column = generator.integers(0, 90), generator.integers(0, 110)
        ground[row : row + generator.integers(1, 9), column : column + generator.integers(1, 9)] = np.nan
    notes = []
    for cells in (1024, 32, 17):
        monkeypatch.setattr(surface_edits, "CHUNK_CELLS", cells)
        path, grid = copy_of(ground)
        count = fill_holes(path, grid, max_cells)
        notes.append(read(path, grid))
        assert count == np.count_nonzero(np.isfinite(notes[-1]) & np.isnan(ground))
        assert count > 20

    assert np.array_equal(notes[0], notes[1], equal_nan=True)
    assert np.array_equal(notes[0], notes[2], equal_nan=True)
