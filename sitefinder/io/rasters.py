"""Rasters of the user's: checked, warped once to the run's grid, read by window, and read cell by cell."""

from typing import NamedTuple

import numpy as np
import rasterio
from pyproj import CRS, Transformer
from rasterio.errors import RasterioIOError
from rasterio.transform import array_bounds
from rasterio.vrt import WarpedVRT
from rasterio.warp import Resampling, transform_bounds

from sitefinder.errors import InputError
from sitefinder.io.digests import content_digest
from sitefinder.io.layer_crs import crs_name, crs_of_layer, same_crs
from sitefinder.terrain.grid import Grid, whole

# The warped copy is always made in these chunks, counted from the grid's own corner: GDAL's warper
# approximates by chunk, so that other chunks would give other numbers.
CHUNK_CELLS = 1024
READ_CELLS = 512
FLOAT_NODATA = -9999.0
# The kernel where cells are not averaged. Left to itself, GDAL widens it by a scale that it guesses from each
# chunk, which moves a slope by up to 0.04 cells (measured, GDAL 3.10).
POINT_KERNEL = {"XSCALE": "1", "YSCALE": "1"}
DRIVER = {"driver": "GTiff", "tiled": True, "blockxsize": 256, "blockysize": 256, "compress": "deflate"}


class RasterFacts(NamedTuple):
    """What a raster file says of itself, after the settings had their word."""

    path: str
    crs: CRS
    nodata: float | None
    shape: tuple
    bounds: tuple
    cell_width: float
    cell_height: float
    lineage: dict


def raster_facts(source, folder, what):
    """Check a raster and tell what it is.

    Parameters
    ----------
    source : sitefinder.config.Source
        Path, stated CRS, stated nodata.
    folder : Path
        Folder that relative paths start from.
    what : str
        Name of the raster in messages, such as ``dem``.

    Returns
    -------
    RasterFacts

    Raises
    ------
    InputError
        If the file is missing or no raster, or has no known coordinate system.
    """
    path = folder / source.path
    if "://" not in source.path and not source.path.startswith("/vsi") and not path.exists():
        raise InputError.of(
            f"the {what} raster's file does not exist",
            file=source.path,
            expected=f"a file that GDAL reads, in {folder}",
            fix="correct the path, which starts from the settings file's folder",
        )
    try:
        with rasterio.open(path) as raster:
            found = None if raster.crs is None else CRS.from_wkt(raster.crs.to_wkt())
            crs = crs_of_layer(found, source.crs, what, source.path)
            stated = getattr(source, "nodata", None)
            nodata = raster.nodata if stated is None else stated
            transform, shape = raster.transform, raster.shape
    except RasterioIOError as error:
        raise InputError.of(
            f"the {what} raster cannot be read",
            file=source.path,
            expected="for example a GeoTIFF",
            found=str(error),
            fix="correct the path, or convert the file",
        ) from None
    if transform.b or transform.d or transform.e >= 0:
        raise InputError.of(
            f"the {what} raster is rotated or not north-up",
            file=source.path,
            expected="rows that run from north to south",
            found=f"transform {tuple(transform)[:6]}",
            fix="warp it beforehand, for example with gdalwarp",
        )
    bounds = array_bounds(*shape, transform)
    lineage = {
        "name": what,
        "path": source.path,
        "digest": content_digest(path),
        "source": source.source,
        "date": source.date,
        "licence": source.licence,
        "crs": crs_name(crs),
    }
    return RasterFacts(str(path), crs, nodata, shape, bounds, abs(transform.a), abs(transform.e), lineage)


def bounds_in_run(facts, crs):
    """West, south, east and north of a raster in the run's system [m]."""
    return transform_bounds(facts.crs.to_wkt(), crs, *facts.bounds, densify_pts=101)


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
    if own_cells and same_crs(facts.crs, CRS.from_user_input(crs)):
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
    filled = 0
    with (
        rasterio.open(facts.path) as raster,
        WarpedVRT(
            raster,
            src_crs=facts.crs.to_wkt(),
            crs=crs,
            src_nodata=facts.nodata,
            nodata=FLOAT_NODATA,
            transform=transform,
            width=grid.columns,
            height=grid.rows,
            dtype="float64",
            resampling=Resampling.average if coarser else Resampling.bilinear,
            **({} if coarser else POINT_KERNEL),
        ) as warped,
        rasterio.open(target, "w", **profile, crs=crs, transform=transform, nodata=FLOAT_NODATA) as copy,
    ):
        for row in range(0, grid.rows, CHUNK_CELLS):
            for column in range(0, grid.columns, CHUNK_CELLS):
                height = min(CHUNK_CELLS, grid.rows - row)
                width = min(CHUNK_CELLS, grid.columns - column)
                window = rasterio.windows.Window(column, row, width, height)
                values = warped.read(1, window=window)
                known = np.isfinite(values) & (values != FLOAT_NODATA)
                filled += int(known.sum())
                copy.write(np.where(known, values * factor, FLOAT_NODATA).astype(np.float32), 1, window=window)
    return filled


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


def write_labels(path, window, labels, grid, crs):
    """Keep the labels of one tile as a GeoTIFF.

    Parameters
    ----------
    path : Path
    window : sitefinder.terrain.grid.Window
        Place of the tile in the grid.
    labels : ndarray of int32, shape (rows, columns)
    grid : Grid
    crs : str
    """
    profile = DRIVER | {"width": window.columns, "height": window.rows, "count": 1, "dtype": "int32"}
    with rasterio.open(path, "w", **profile, crs=crs, transform=tile_transform(window, grid)) as raster:
        raster.write(labels, 1)


def read_labels(path):
    """Labels of one tile, int32, shape (rows, columns)."""
    with rasterio.open(path) as raster:
        return raster.read(1)


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
    into = Transformer.from_crs(crs, facts.crs, always_xy=True)
    x, y = into.transform(np.ravel(x_m), np.ravel(y_m))
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
