"""The warped DEM prepared for routing: rasterised polygons, level lakes, filled holes."""

from typing import NamedTuple

import numpy as np
import shapely

from sitefinder.dem.grid import Window, cell_of, clipped, part_of, tile_windows, whole, widened
from sitefinder.io import raster_library as rasterio
from sitefinder.io.raster import CHUNK_CELLS, DRIVER, FLOAT_NODATA, read_window, tile_transform

# Value of a cell inside: the mean over a catchment is then the share in percent.
INSIDE, OUTSIDE = 100.0, 0.0


def write_share(polygons, grid, crs, target):
    """A copy of polygons on the run's grid: 100 in each cell whose centre lies in one, else 0.

    Parameters
    ----------
    polygons : ndarray of shapely geometry, shape (n,)
        In the run's system [m]; ground under several counts once.
    grid : Grid
    crs : str
        Coordinate system of the grid.
    target : Path
        GeoTIFF to write, float32, as `sitefinder.io.raster.warp_once` writes it.

    Returns
    -------
    int
        Number of cells inside.

    Notes
    -----
    The copy is made in fixed chunks counted from the grid's own corner, so that no tiles can change it.
    """
    transform = tile_transform(whole(grid), grid)
    shape = {"width": grid.columns, "height": grid.rows, "count": 1, "dtype": "float32", "bigtiff": "if_safer"}
    tree = shapely.STRtree(polygons)
    inside = 0
    with rasterio.open(target, "w", **DRIVER, **shape, crs=crs, transform=transform, nodata=FLOAT_NODATA) as copy:
        for chunk in tile_windows(grid, CHUNK_CELLS, CHUNK_CELLS):
            place = tile_transform(chunk, grid)
            west, north = place.c, place.f
            box = shapely.box(west, north + chunk.rows * place.e, west + chunk.columns * place.a, north)
            near = np.sort(tree.query(box))
            values = np.full((chunk.rows, chunk.columns), OUTSIDE, dtype=np.float32)
            if len(near):
                rasterio.features.rasterize(
                    list(polygons[near]), out=values, transform=place, default_value=INSIDE
                )
            inside += int(np.count_nonzero(values == INSIDE))
            window = rasterio.windows.Window(chunk.column, chunk.row, chunk.columns, chunk.rows)
            copy.write(values, 1, window=window)
    return inside


class LevelledLakes(NamedTuple):
    """What was done in each lake, in the order of the lakes: arrays of shape (lakes,).

    ``cells`` int64 counts the cells of the lake, ``filled_cells`` int64 those of them that had no data;
    ``level_m`` float64 is the level [m], NaN for a lake without any elevation in it.
    """

    cells: np.ndarray
    filled_cells: np.ndarray
    level_m: np.ndarray


def level_lakes(path, lakes, grid):
    """Set the cells of each lake to the level of its lowest cell, in the warped copy itself.

    Parameters
    ----------
    path : Path
        Warped copy of the DEM, which is altered. Heads are read elsewhere, from the DEM as delivered.
    lakes : ndarray of object, shape (lakes,)
        Polygons in the grid's coordinate system.
    grid : Grid

    Returns
    -------
    LevelledLakes

    Notes
    -----
    A cell belongs to the lake that holds its centre. Cells of the lake without data get its level too. A lake so
    narrow that it holds no centre, or none with an elevation, takes the lowest cell that it touches as its level.
    Levels are taken before any lake is altered, and a cell of two lakes gets the lower level, so the order
    of the lakes decides nothing.
    """
    found = [_lake_cells(path, lake, grid) for lake in lakes]
    level_m = np.array([each.level_m for each in found], dtype=np.float64)
    # From the highest to the lowest, so that the lower level stays where lakes share a cell.
    for lake in np.argsort(-level_m, kind="stable"):
        if np.isfinite(level_m[lake]) and found[lake].inside.any():
            values, _ = read_window(path, found[lake].window)
            values[found[lake].inside] = level_m[lake]
            _write(path, found[lake].window, values)
    return LevelledLakes(
        cells=np.array([np.count_nonzero(each.inside) for each in found], dtype=np.int64),
        filled_cells=np.array([each.without_data for each in found], dtype=np.int64),
        level_m=level_m,
    )


class _LakeCells(NamedTuple):
    window: Window
    inside: np.ndarray
    without_data: int
    level_m: float


# Cells of a lake in a window of its own, how many have no data, and its lowest elevation [m].
def _lake_cells(path, lake, grid):
    west_m, south_m, east_m, north_m = shapely.bounds(lake)
    (first_row, first_column), (last_row, last_column) = (
        cell_of(grid, west_m, north_m),
        cell_of(grid, east_m, south_m),
    )
    window = clipped(
        Window(first_row, first_column, last_row - first_row + 1, last_column - first_column + 1), grid
    )
    shape = (window.rows, window.columns)
    if 0 in shape:
        return _LakeCells(window, np.zeros(shape, dtype=bool), 0, np.nan)
    transform = tile_transform(window, grid)
    inside, touched = (
        rasterio.features.rasterize(
            [(lake, 1)], out_shape=shape, transform=transform, all_touched=all_touched, dtype=np.uint8
        )
        == 1
        for all_touched in (False, True)
    )
    values, valid = read_window(path, window)
    level_m = np.nan
    for cells in (inside, touched):
        if np.isnan(level_m) and np.any(cells & valid):
            level_m = float(values[cells & valid].min())
    return _LakeCells(window, inside, int(np.count_nonzero(inside & ~valid)), level_m)


def fill_holes(path, grid, max_cells):
    """Interpolate small holes of the warped DEM, in the copy itself.

    Parameters
    ----------
    path : Path
        Warped copy of the DEM, which is altered.
    grid : Grid
    max_cells : int
        Maximum width of a hole, or arm of a hole, that is filled [cells]. With 0 nothing is done.

    Returns
    -------
    int
        Number of cells filled.

    Notes
    -----
    A cell without data is left where some square of ``max_cells + 1`` cells a side that holds it has no
    data at all; cells beyond the grid count as without data. So a river three cells wide is filled however long
    it is, and the area outside a DEM with an irregular outline is not. The rest is filled by
    inverse distance weighting of the data on all sides, as GDAL's fill of nodata does, without smoothing.

    The work is done in chunks with a margin as wide as anything that a cell can depend on reaches, and nothing is
    written before all is read, so that the size of a chunk changes no value.
    """
    if max_cells < 1:
        return 0
    # A cell to fill has data less than this away on some side, and no other data is looked at.
    reach_cells = 2 * max_cells + 1
    edits = []
    for chunk in tile_windows(grid, CHUNK_CELLS, CHUNK_CELLS):
        window = widened(chunk, 2 * reach_cells, grid)
        values, valid = read_window(path, window)
        part = part_of(chunk, window)
        is_small = _small_holes(valid, max_cells)
        if is_small[part].any():
            filled = rasterio.fill.fillnodata(
                values, mask=valid, max_search_distance=reach_cells, smoothing_iterations=0
            )
            edits.append((chunk, is_small[part], filled[part][is_small[part]]))
    for chunk, is_small, filled in edits:
        values, _ = read_window(path, chunk)
        values[is_small] = filled
        _write(path, chunk, values)
    return sum(len(filled) for _, _, filled in edits)


# Cells without data that no empty square of one cell more than the limit holds. Where the window ends inside the
# grid the answer is right from the square's side on inwards.
def _small_holes(valid, max_cells):
    from scipy import ndimage

    side = max_cells + 1
    empty = np.pad(~valid, side, constant_values=True)
    return ~valid & ~ndimage.binary_opening(empty, np.ones((side, side)))[side:-side, side:-side]


def _write(path, window, values):
    with rasterio.open(path, "r+") as raster:
        place = rasterio.windows.Window(window.column, window.row, window.columns, window.rows)
        raster.write(np.where(np.isfinite(values), values, FLOAT_NODATA).astype(np.float32), 1, window=place)
