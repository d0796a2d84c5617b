"""Versions of the software that makes results, found without loading the libraries themselves."""

import functools
import importlib.util
import platform
from importlib.metadata import version
from pathlib import Path

from sitefinder.io.digests import remembered

# Libraries that make results and read them back.
LIBRARIES = (
    "numpy",
    "pandas",
    "geopandas",
    "shapely",
    "pyproj",
    "pyogrio",
    "rasterio",
    "scipy",
    "statsmodels",
    "numba",
    "pydantic",
    "whitebox-workflows",
)


@functools.cache
def software():
    """Versions of the software that makes results.

    Returns
    -------
    dict of str to str
        By name: Python, GDAL, and libraries.
    """
    return {"python": platform.python_version(), "GDAL": _gdal_version()} | {
        name: version(name) for name in LIBRARIES
    }


# From the cache while the GDAL library that came with rasterio is unchanged. A system GDAL may be replaced while
# rasterio stays the same, so its version is always read.
def _gdal_version():
    folder = Path(importlib.util.find_spec("rasterio").origin).parent
    homes = (folder.with_name("rasterio.libs"), folder / ".dylibs")
    files = sorted(file for home in homes if home.is_dir() for file in home.iterdir() if "gdal" in file.name)
    return remembered("GDAL", files, _query_gdal_version) if files else _query_gdal_version()


def _query_gdal_version():
    import rasterio

    return rasterio.__gdal_version__
