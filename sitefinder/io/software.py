"""Versions of what results are made with, found without loading the libraries themselves."""

import functools
import importlib.util
import platform
from importlib.metadata import version
from pathlib import Path

from sitefinder.io.digests import remembered

# What results are made with and read back with.
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
    """Versions of what results are made with.

    Returns
    -------
    dict of str to str
        By name: Python, GDAL, and libraries.
    """
    return {"python": platform.python_version(), "GDAL": _gdal_version()} | {
        name: version(name) for name in LIBRARIES
    }


# From memory while the file of GDAL that came with rasterio is the same one. A GDAL of the system's may be
# exchanged below a rasterio that stays, so that one is always asked.
def _gdal_version():
    folder = Path(importlib.util.find_spec("rasterio").origin).parent
    homes = (folder.with_name("rasterio.libs"), folder / ".dylibs")
    files = sorted(file for home in homes if home.is_dir() for file in home.iterdir() if "gdal" in file.name)
    return remembered("GDAL", files, _asked_gdal_version) if files else _asked_gdal_version()


def _asked_gdal_version():
    import rasterio

    return rasterio.__gdal_version__
