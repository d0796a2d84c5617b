"""Catchment polygons from tiles of labels: areas, nesting, and that the cut into tiles leaves no trace."""

import numpy as np
import pytest
import shapely

from sitefinder.dem.grid import Grid, tile_windows
from sitefinder.io.catchment_polygons import catchment_polygons
from sitefinder.io.raster import write_labels

CRS = "EPSG:32633"
GRID = Grid(rows=12, columns=15, west_m=1000.0, north_m=2000.0, cell_width_m=10.0, cell_height_m=20.0)
CELL_M2 = 200.0
# 0 and 1 run into 2, and that into 3; 4 is a stream of its own.
DOWNSTREAM = np.array([2, 2, 3, -1, -1], dtype=np.int32)
UPSTREAM = {0: {0}, 1: {1}, 2: {0, 1, 2}, 3: {0, 1, 2, 3}, 4: {4}}


# Labels at random, cells that drain to no stream among them.
def random_labels(seed=2):
    return np.random.default_rng(seed).integers(-2, 5, (GRID.rows, GRID.columns)).astype(np.int32)


def tiles_of(labels, folder, rows, columns, grid=GRID):
    tiles = []
    for window in tile_windows(grid, rows, columns):
        path = folder / f"{rows}-{columns}-{window.row}-{window.column}.npz"
        part = labels[window.row : window.row + window.rows, window.column : window.column + window.columns]
        write_labels(path, part)
        tiles.append((window, path))
    return tiles


# The cells of some labels, each as a rectangle of its own, put together.
def ground_of(labels, wanted):
    rows, columns = np.nonzero(np.isin(labels, list(wanted)))
    west = GRID.west_m + columns * GRID.cell_width_m
    north = GRID.north_m - rows * GRID.cell_height_m
    return shapely.union_all(shapely.box(west, north - GRID.cell_height_m, west + GRID.cell_width_m, north))


@pytest.mark.parametrize("size", [(12, 15), (5, 4), (1, 15)])
def test_each_catchment_is_all_cells_that_drain_to_its_station_however_tiles_are_cut(tmp_path, size):
    labels = random_labels()
    intakes = np.array([3, 0, 4, 2, 1])

    polygons = catchment_polygons(tiles_of(labels, tmp_path, *size), GRID, DOWNSTREAM, intakes)

    for polygon, intake in zip(polygons, intakes, strict=True):
        cells = np.isin(labels, list(UPSTREAM[intake])).sum()
        assert polygon.geom_type == "MultiPolygon"
        assert polygon.is_valid
        assert polygon.area == pytest.approx(cells * CELL_M2, rel=1e-12)
        assert shapely.equals(polygon, ground_of(labels, UPSTREAM[intake]))


@pytest.mark.parametrize("size", [(5, 4), (1, 15), (7, 1)])
def test_the_cut_into_tiles_leaves_no_trace_in_the_bytes(tmp_path, size):
    # A cell whose borders are no whole numbers would show coordinates that were rounded tile by tile.
    grid = GRID._replace(west_m=1 / 3, cell_width_m=92.66, cell_height_m=30.87)
    labels, intakes = random_labels(), np.array([0, 2, 3])

    whole, cut = (
        catchment_polygons(tiles_of(labels, tmp_path, *each, grid=grid), grid, DOWNSTREAM, intakes)
        for each in ((12, 15), size)
    )

    assert [shapely.to_wkb(polygon) for polygon in cut] == [shapely.to_wkb(polygon) for polygon in whole]
    # No vertex stands in the middle of a straight line.
    for polygon in whole:
        assert shapely.get_num_coordinates(polygon) == shapely.get_num_coordinates(polygon.simplify(0.0))
    assert whole[2].area == pytest.approx(np.isin(labels, [0, 1, 2, 3]).sum() * 92.66 * 30.87)


def test_stations_between_two_intakes_give_their_ground_to_the_lower_one(tmp_path):
    labels = random_labels()

    below, above = catchment_polygons(tiles_of(labels, tmp_path, 6, 6), GRID, DOWNSTREAM, np.array([3, 1]))

    assert below.area == pytest.approx(np.isin(labels, [0, 1, 2, 3]).sum() * CELL_M2)
    assert shapely.covers(below, above)


def test_a_station_to_which_no_ground_drains_has_an_empty_polygon(tmp_path):
    labels = np.full((GRID.rows, GRID.columns), 3, dtype=np.int32)

    empty, whole = catchment_polygons(tiles_of(labels, tmp_path, 12, 15), GRID, DOWNSTREAM, np.array([0, 3]))

    assert empty.is_empty
    assert whole.area == pytest.approx(GRID.rows * GRID.columns * CELL_M2)


def test_without_intakes_there_are_no_polygons(tmp_path):
    tiles = tiles_of(random_labels(), tmp_path, 12, 15)

    assert len(catchment_polygons(tiles, GRID, DOWNSTREAM, np.zeros(0, dtype=np.int64))) == 0
