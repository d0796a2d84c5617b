"""What a raster file of the user's says of itself, checked against what the settings say."""

import glob
from pathlib import Path
from typing import NamedTuple

import numpy as np
import rasterio
from pyproj import CRS
from rasterio.errors import RasterioIOError
from rasterio.transform import array_bounds

from sitefinder.errors import InputError
from sitefinder.io.digests import cells_digest, content_digest
from sitefinder.io.layer_crs import crs_of_layer
from sitefinder.io.operations import crs_name, way_between
from sitefinder.io.remembered import remembered
from sitefinder.io.vertical import Heights, check_heights, heights_of

# Files that may stand beside a mosaic's parts without being one.
BESIDE_A_PART = (".ovr", ".xml", ".msk", ".tfw", ".prj", ".hdr")
# Scale and offset of cells that hold the values themselves.
PLAIN_CELLS = (1.0, 0.0)


class RasterFacts(NamedTuple):
    """What a raster file says of itself, after the settings had their word."""

    path: str
    crs: CRS
    nodata: float | None
    shape: tuple
    bounds: tuple
    cell_width: float
    cell_height: float
    operation: str | None
    lineage: dict


class _Said(NamedTuple):
    # What is read from the file before anything is judged.
    crs: CRS | None
    nodata: float | None
    dtype: str
    shape: tuple
    transform: object
    scaling: tuple  # scale and offset that the file says its cells are kept by
    heights: dict  # by file: of the raster itself, or of each part of a mosaic
    parts: list


def raster_facts(source, folder, what):
    """Check a raster and tell what it is.

    Parameters
    ----------
    source : sitefinder.config.Source
        Path, stated CRS, stated nodata; for a DEM its vertical unit and datum.
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
        If the file is missing or no raster, has no known coordinate system, is rotated, keeps its values scaled,
        cannot hold its stated nodata value, or measures heights in another way than the settings say.
    """
    elsewhere = is_elsewhere(source.path)
    path = source.path if elsewhere else folder / source.path
    if not elsewhere and not path.exists():
        raise InputError.of(
            f"the {what} raster's file does not exist",
            file=source.path,
            expected=f"a file that GDAL reads, in {folder}",
            fix="correct the path, which starts from the settings file's folder",
        )
    try:
        said = _read(path) if elsewhere else _remembered(path)
    except RasterioIOError as error:
        raise InputError.of(
            f"the {what} raster cannot be read",
            file=source.path,
            expected="for example a GeoTIFF",
            found=str(error),
            fix="correct the path, or convert the file",
        ) from None
    transform = said.transform
    crs = crs_of_layer(said.crs, source.crs, what, source.path)
    if transform.b or transform.d or transform.e >= 0:
        raise InputError.of(
            f"the {what} raster is rotated or not north-up",
            file=source.path,
            expected="rows that run from north to south",
            found=f"transform {tuple(transform)[:6]}",
            fix="warp it beforehand, for example with gdalwarp",
        )
    if said.scaling != PLAIN_CELLS:
        raise InputError.of(
            f"the cells of the {what} raster are no plain values",
            file=source.path,
            expected="cells in the unit that the settings state",
            found=f"a file that says: value = {said.scaling[0]:g} · cell + {said.scaling[1]:g}",
            fix="write it plain beforehand, for example with gdal_translate -unscale -ot Float32",
        )
    nodata = _nodata(source, said, what)
    if hasattr(source, "vertical_unit"):
        check_heights(said.heights, source, what)
    lineage = {
        "name": what,
        "path": source.path,
        "digest": cells_digest(path) if elsewhere else content_digest(path, said.parts),
        "source": source.source,
        "date": source.date,
        "licence": source.licence,
        "crs": crs_name(crs),
    }
    size = (abs(transform.a), abs(transform.e))
    bounds = array_bounds(*said.shape, transform)
    return RasterFacts(str(path), crs, nodata, said.shape, bounds, *size, source.operation, lineage)


def is_elsewhere(path):
    """Whether a path is an address that GDAL reads (``https://…``, ``/vsizip/…``) and no file on this machine."""
    return "://" in path or path.startswith("/vsi")


def parts_of_raster(source, folder):
    """Files that a mosaic names, from memory where that still holds.

    Parameters
    ----------
    source, folder
        See `raster_facts`, which has accepted the raster.

    Returns
    -------
    list of Path
        Empty for any other raster.
    """
    return [] if is_elsewhere(source.path) else _remembered(folder / source.path).parts


# What a raster on this machine says, from memory while neither it nor what may stand beside it has changed.
def _remembered(path):
    beside = sorted({file for file in path.parent.glob(f"{glob.escape(path.stem)}.*") if file.is_file()} - {path})

    def found():
        said = _read(path)
        told = said._asdict() | {"crs": said.crs and said.crs.srs, "parts": [str(part) for part in said.parts]}
        return told | {"transform": tuple(said.transform)[:6]}

    told = remembered("raster", [path, *beside], found, also=lambda told: told["parts"])
    return _Said(
        None if told["crs"] is None else CRS.from_wkt(told["crs"]),
        told["nodata"],
        told["dtype"],
        tuple(told["shape"]),
        rasterio.Affine(*told["transform"]),
        tuple(told["scaling"]),
        {name: Heights(heights[0], tuple(heights[1]), *heights[2:]) for name, heights in told["heights"].items()},
        [Path(part) for part in told["parts"]],
    )


def _read(path):
    with rasterio.open(path) as raster:
        own = Path(raster.name).name
        parts = []
        if raster.driver == "VRT":
            beside = (Path(name) for name in raster.files if Path(name).name != own)
            parts = sorted({file for file in beside if file.suffix.lower() not in BESIDE_A_PART})
        crs = None if raster.crs is None else CRS.from_wkt(raster.crs.to_wkt())
        heights = {own: heights_of(crs, raster.units[0])}
        scaling = (raster.scales[0], raster.offsets[0])
        facts = (raster.nodata, raster.dtypes[0], raster.shape, raster.transform, scaling)
    for part in parts:
        heights[part.name] = _heights_of_part(part)
    return _Said(crs, *facts, heights, parts)


# A mosaic may name files that are no rasters, a colour table for example; those say nothing of heights.
def _heights_of_part(path):
    try:
        with rasterio.open(path) as raster:
            crs = None if raster.crs is None else CRS.from_wkt(raster.crs.to_wkt())
            return heights_of(crs, raster.units[0])
    except RasterioIOError:
        return Heights(None, (), None, None)


# The stated value, else the file's own; one that the cells cannot hold marks nothing.
def _nodata(source, said, what):
    stated = getattr(source, "nodata", None)
    if stated is None:
        return said.nodata if said.nodata is None or _can_hold(said.dtype, said.nodata) else None
    if not _can_hold(said.dtype, stated):
        kind = np.iinfo(said.dtype)
        raise InputError.of(
            f"the nodata value stated for the {what} raster is none that its cells can hold",
            file=source.path,
            expected=f"a whole number from {kind.min} to {kind.max} ({said.dtype})",
            found=f"{stated:g}",
            fix="correct nodata beside the path; look the value up among the raster's cells",
        )
    return stated


def _can_hold(dtype, value):
    if np.issubdtype(dtype, np.floating):
        return True
    kind = np.iinfo(dtype)
    return float(value).is_integer() and kind.min <= value <= kind.max


def way_to_run(facts, crs):
    """The operation that takes a raster's places to the run's system.

    Parameters
    ----------
    facts : RasterFacts
    crs : str
        The run's system.

    Returns
    -------
    sitefinder.io.operations.Way

    Raises
    ------
    InputError
        See `sitefinder.io.operations.way_between`.
    """
    name, path = facts.lineage["name"], facts.lineage["path"]
    return way_between(facts.crs, crs, facts.bounds, name, path, facts.operation)
