"""The ground of a run for other programs: the DEM on the run's grid and its relief, as cloud-optimised GeoTIFF."""

import numpy as np
import rasterio
import rasterio.shutil
from rasterio.io import MemoryFile

# One thread, so that blocks lie in the same order each time.
CLOUD_OPTIMISED = {
    "driver": "COG",
    "compress": "DEFLATE",
    "level": "6",
    "blocksize": "512",
    "num_threads": "1",
    "bigtiff": "IF_SAFER",
}
UNKNOWN_SHADE = 0


def write_dem_copy(path, dem_path):
    """Write the DEM as the run used it: on the run's grid, in metres, lakes level and small holes filled.

    Parameters
    ----------
    path : path-like
    dem_path : path-like
        The run's own copy.
    """
    rasterio.shutil.copy(dem_path, path, predictor="YES", overview_resampling="AVERAGE", **CLOUD_OPTIMISED)


def write_relief(path, relief, crs):
    """Write the relief that maps lie on.

    Parameters
    ----------
    path : path-like
    relief : sitefinder.stages.relief.Relief
        Shades of 0 become 1, since 0 says that nothing is known there.
    crs : object
        Coordinate system of the run.
    """
    shade = np.where(relief.known, np.maximum(relief.shade, UNKNOWN_SHADE + 1), UNKNOWN_SHADE).astype(np.uint8)
    rows, columns = shade.shape
    west_m, south_m, east_m, north_m = relief.bounds_m
    width_m, height_m = (east_m - west_m) / columns, (north_m - south_m) / rows
    profile = {
        "driver": "GTiff",
        "width": columns,
        "height": rows,
        "count": 1,
        "dtype": "uint8",
        "crs": crs,
        "transform": rasterio.Affine(width_m, 0, west_m, 0, -height_m, north_m),
        "nodata": UNKNOWN_SHADE,
    }
    with MemoryFile() as memory:
        with memory.open(**profile) as raster:
            raster.write(shade, 1)
        with memory.open() as raster:
            rasterio.shutil.copy(raster, path, overview_resampling="AVERAGE", **CLOUD_OPTIMISED)
