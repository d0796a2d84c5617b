"""Rasters of the user's: warped once to the run's grid, read by window, and read cell by cell."""

import numpy as np
import rasterio
from rasterio.warp import Resampling, reproject

from sitefinder.io.raster_facts import way_to_run
from sitefinder.terrain.grid import Grid, tile_windows, whole
from sitefinder.terrain.resampling import bilinear, spread

# The warped copy is always made in these chunks, counted from the grid's own corner, so that no cutting into tiles
# gives other numbers.
CHUNK_CELLS = 1024
READ_CELLS = 512
FLOAT_NODATA = -9999.0
# Places are taken to a raster's own system at every so many cells, and straight between: over 16 cells of 10 m
# that is right to a millimetre.
NODE_CELLS = 16
DRIVER = {"driver": "GTiff", "tiled": True, "blockxsize": 256, "blockysize": 256, "compress": "deflate"}


def bounds_in_run(facts, crs):
    """West, south, east and north of a raster in the run's system [m]."""
    transformer = way_to_run(facts, crs).transformer
    return facts.bounds if transformer is None else transformer.transform_bounds(*facts.bounds, densify_pts=101)


def run_grid(facts, crs, cell_size_m):
    """The grid of the run: the DEM's own where it is already in the run's system, else a new one around it.

    Parameters
    ----------
    facts : RasterFacts
        Of the DEM.
    crs : str
        The run's projected system.
    cell_size_m : float or None
        Cell of the grid [m]; None for the DEM's own cell (its mean width and height where it is warped).

    Returns
    -------
    Grid
    """
    west, south, east, north = facts.bounds
    own_cells = cell_size_m is None or cell_size_m == facts.cell_width == facts.cell_height
    if own_cells and way_to_run(facts, crs).transformer is None:
        return Grid(*facts.shape, west, north, facts.cell_width, facts.cell_height)
    west, south, east, north = bounds_in_run(facts, crs)
    if cell_size_m is None:
        cell_size_m = round(_cell_in_run_m(facts, crs), 2)
    west, north = np.floor(west / cell_size_m) * cell_size_m, np.ceil(north / cell_size_m) * cell_size_m
    rows, columns = int(np.ceil((north - south) / cell_size_m)), int(np.ceil((east - west) / cell_size_m))
    return Grid(rows, columns, float(west), float(north), float(cell_size_m), float(cell_size_m))


# A cell's mean width and height in the run's system [m].
def _cell_in_run_m(facts, crs):
    west, south, east, north = bounds_in_run(facts, crs)
    return float(np.sqrt((east - west) / facts.shape[1] * ((north - south) / facts.shape[0])))


def warp_once(facts, grid, crs, target, *, factor=1.0):
    """One tiled copy of a raster on the run's grid, made in fixed chunks.

    Parameters
    ----------
    facts : RasterFacts
    grid : Grid
    crs : str
        Coordinate system of the grid.
    target : Path
        GeoTIFF to write, float32, nodata -9999.
    factor : float
        Multiplies every value (to metres, for example).

    Returns
    -------
    int
        Number of cells that have a value.
    """
    transform = tile_transform(whole(grid), grid)
    profile = DRIVER | {
        "width": grid.columns,
        "height": grid.rows,
        "count": 1,
        "dtype": "float32",
        "bigtiff": "if_safer",
    }
    coarser = _cell_in_run_m(facts, crs) < grid.cell_width_m * 0.999
    way = way_to_run(facts, crs)
    take = _averaged if coarser else _between_cells
    filled = 0
    with (
        rasterio.open(facts.path) as raster,
        rasterio.open(target, "w", **profile, crs=crs, transform=transform, nodata=FLOAT_NODATA) as copy,
    ):
        for chunk in tile_windows(grid, CHUNK_CELLS, CHUNK_CELLS):
            values = take(raster, facts, way, grid, crs, chunk)
            known = np.isfinite(values)
            filled += int(known.sum())
            window = rasterio.windows.Window(chunk.column, chunk.row, chunk.columns, chunk.rows)
            written = np.full(values.shape, FLOAT_NODATA, dtype=np.float32)
            written[known] = values[known] * factor
            copy.write(written, 1, window=window)
    return filled


# A chunk where the raster's cells are smaller than the grid's: means over what each cell covers.
def _averaged(raster, facts, way, grid, crs, chunk):
    values = np.empty((chunk.rows, chunk.columns))
    reproject(
        rasterio.band(raster, 1),
        values,
        src_crs=facts.crs.to_wkt(),
        src_nodata=facts.nodata,
        dst_transform=tile_transform(chunk, grid),
        dst_crs=crs if way.transformer else facts.crs.to_wkt(),
        dst_nodata=np.nan,
        resampling=Resampling.average,
        **({"COORDINATE_OPERATION": way.pipeline} if way.pipeline else {}),
    )
    return values


# A chunk where they are not: values between the cells' centres. GDAL's own bilinear kernel is widened by a scale
# that it guesses from each chunk, which moves a slope by up to 0.04 cells (measured, GDAL 3.10).
def _between_cells(raster, facts, way, grid, crs, chunk):
    lattice = [np.arange(0, count + NODE_CELLS + 1, NODE_CELLS) for count in (chunk.rows, chunk.columns)]
    place = tile_transform(chunk, grid)
    y_m, x_m = np.meshgrid(place.f + place.e * lattice[0], place.c + place.a * lattice[1], indexing="ij")
    x, y = (np.reshape(part, x_m.shape) for part in way.inverse(x_m.ravel(), y_m.ravel()))
    west, _, _, north = facts.bounds
    shape = (chunk.rows, chunk.columns)
    with np.errstate(invalid="ignore"):
        # Rounded, so that the centre of a cell that is the raster's own is that centre to the last bit.
        row = np.round(spread((north - y) / facts.cell_height, NODE_CELLS, shape), 6)
        column = np.round(spread((x - west) / facts.cell_width, NODE_CELLS, shape), 6)
    inside = (row >= 0) & (row < facts.shape[0]) & (column >= 0) & (column < facts.shape[1])
    if not inside.any():
        return np.full(shape, np.nan)
    first_row, first_column = (max(int(part[inside].min() - 1), 0) for part in (row, column))
    end_row = min(int(row[inside].max()) + 2, facts.shape[0])
    end_column = min(int(column[inside].max()) + 2, facts.shape[1])
    window = rasterio.windows.Window(first_column, first_row, end_column - first_column, end_row - first_row)
    values = raster.read(1, window=window).astype(np.float64)
    known = np.isfinite(values)
    if facts.nodata is not None:
        known &= values != facts.nodata
    return bilinear(values, known, row - first_row, column - first_column)


def read_window(path, window):
    """Values and validity of a window of a warped copy.

    Parameters
    ----------
    path : Path
    window : sitefinder.terrain.grid.Window

    Returns
    -------
    values : ndarray of float32, shape (rows, columns)
    valid : ndarray of bool, shape (rows, columns)
    """
    with rasterio.open(path) as raster:
        place = rasterio.windows.Window(window.column, window.row, window.columns, window.rows)
        values = raster.read(1, window=place)
    return values, values != np.float32(FLOAT_NODATA)


def read_reduced(path, rows, columns):
    """A whole warped copy in fewer cells, each the mean of those that it covers.

    Parameters
    ----------
    path : Path
    rows, columns : int
        Of the result.

    Returns
    -------
    values : ndarray of float32, shape (rows, columns)
    valid : ndarray of bool, shape (rows, columns)
    """
    with rasterio.open(path) as raster:
        values = raster.read(1, out_shape=(rows, columns), resampling=Resampling.average)
    return values, values != np.float32(FLOAT_NODATA)


def write_labels(path, labels):
    """Keep the labels of one tile. They are no raster for others, so a plain compressed array does.

    Parameters
    ----------
    path : Path
    labels : ndarray of int32, shape (rows, columns)
    """
    with open(path, "wb") as file:
        np.savez_compressed(file, labels=labels)


def read_labels(path):
    """Labels of one tile, int32, shape (rows, columns)."""
    with np.load(path, allow_pickle=False) as kept:
        return kept["labels"]


def tile_transform(window, grid):
    """Affine transform from a tile's columns and rows to places [m]."""
    west_m = grid.west_m + window.column * grid.cell_width_m
    north_m = grid.north_m - window.row * grid.cell_height_m
    return rasterio.Affine(grid.cell_width_m, 0.0, west_m, 0.0, -grid.cell_height_m, north_m)


def cells_at(facts, x_m, y_m, crs, *, factor=1.0):
    """The raster's own cells at places of the run, untouched by any resampling.

    Parameters
    ----------
    facts : RasterFacts
    x_m, y_m : ndarray of float64
        Places in the run's system [m], any one shape.
    crs : str
        The run's system.
    factor : float
        Multiplies every value (to metres, for example).

    Returns
    -------
    ndarray of float64, of the shape of `x_m`
        NaN outside the raster and where it has no data.
    """
    x, y = way_to_run(facts, crs).inverse(np.ravel(x_m), np.ravel(y_m))
    west, _, _, north = facts.bounds
    column = np.floor((np.asarray(x) - west) / facts.cell_width)
    row = np.floor((north - np.asarray(y)) / facts.cell_height)
    inside = (row >= 0) & (row < facts.shape[0]) & (column >= 0) & (column < facts.shape[1])
    values = np.full(len(row), np.nan)
    places = np.flatnonzero(inside)
    row, column = row[places].astype(np.int64), column[places].astype(np.int64)
    block = (row // READ_CELLS) * (facts.shape[1] // READ_CELLS + 1) + column // READ_CELLS
    order = np.argsort(block, kind="stable")
    starts = np.flatnonzero(np.diff(block[order], prepend=-1))
    with rasterio.open(facts.path) as raster:
        for chosen in np.split(order, starts[1:]) if len(order) else []:
            first_row, first_column = row[chosen].min(), column[chosen].min()
            height, width = row[chosen].max() - first_row + 1, column[chosen].max() - first_column + 1
            window = rasterio.windows.Window(first_column, first_row, width, height)
            block_values = raster.read(1, window=window).astype(np.float64)
            if facts.nodata is not None:
                block_values[block_values == facts.nodata] = np.nan
            values[places[chosen]] = block_values[row[chosen] - first_row, column[chosen] - first_column]
    return (values * factor).reshape(np.shape(x_m))
