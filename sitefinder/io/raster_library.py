"""The library of rasters, rasterio, loaded where a raster is first touched: most reruns touch none.

Modules import this one in its place: ``from sitefinder.io import raster_library as rasterio``.
"""

import functools
import os

# Blocks of rasters that the library holds in a process [B]. Its own choice, a twentieth of what the machine has,
# grows with the machine and is in no estimate. Who sets GDAL_CACHEMAX has it so. It is more than any window that
# lines are drawn on: what the library draws strip by strip has other cells.
BLOCKS_B = 128 * 1024**2


def __getattr__(name):
    if name.startswith("__"):
        raise AttributeError(name)
    return getattr(_library(), name)


@functools.cache
def _library():
    # With the parts of it that are used, which become its attributes.
    import rasterio
    import rasterio.env
    import rasterio.errors
    import rasterio.features
    import rasterio.fill
    import rasterio.io
    import rasterio.shutil
    import rasterio.transform
    import rasterio.warp

    if "GDAL_CACHEMAX" not in os.environ:
        rasterio.env.set_gdal_config("GDAL_CACHEMAX", BLOCKS_B)
    return rasterio
