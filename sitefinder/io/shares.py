"""Polygons as a raster on the run's grid, so that their share of a catchment is a mean like any other."""

import numpy as np
import rasterio
import shapely
from rasterio.features import rasterize

from sitefinder.io.rasters import CHUNK_CELLS, DRIVER, FLOAT_NODATA, tile_transform
from sitefinder.terrain.grid import tile_windows, whole

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
        GeoTIFF to write, float32, as `sitefinder.io.rasters.warp_once` writes it.

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
                rasterize(list(polygons[near]), out=values, transform=place, default_value=INSIDE)
            inside += int(np.count_nonzero(values == INSIDE))
            window = rasterio.windows.Window(chunk.column, chunk.row, chunk.columns, chunk.rows)
            copy.write(values, 1, window=window)
    return inside
