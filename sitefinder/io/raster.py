"""The user's rasters: checked, warped once to the run's grid, read by window and by cell."""

import contextlib
import functools
import glob
import os
import tempfile
from pathlib import Path
from typing import NamedTuple

import numpy as np
from pyproj import CRS
from pyproj.datadir import get_data_dir

from sitefinder.dem.grid import Grid, bilinear, spread, tile_windows, whole
from sitefinder.dem.seams import find_seams
from sitefinder.errors import InputError, listed
from sitefinder.io import raster_library as rasterio
from sitefinder.io.bound_files import files_of, unchanged
from sitefinder.io.credits import licence_with_credit
from sitefinder.io.crs import Heights, check_heights, crs_name, crs_of_layer, heights_of, operation_between
from sitefinder.io.digests import cells_digest, content_digest, remembered
from sitefinder.io.opening import (
    NETWORK,
    OFFLINE,
    RASTER_FORMATS,
    archive_of,
    as_gdal_path,
    drivers_of,
    validate_address,
    validate_file,
    validate_raster,
)

# Cells across and along below which no ground has a slope.
MIN_DEM_CELLS = 2
# Scale and offset of unscaled cells.
PLAIN_CELLS = (1.0, 0.0)


class RasterFacts(NamedTuple):
    """A raster's properties, from the file and the settings."""

    path: str
    crs: CRS
    nodata: float | None
    shape: tuple
    bounds: tuple
    cell_width: float
    cell_height: float
    operation: str | None
    lineage: dict


class FileFacts(NamedTuple):
    """Properties read from a raster's file, before any check."""

    crs: CRS | None
    nodata: float | None
    dtype: str
    shape: tuple
    transform: object
    bands: int
    scaling: tuple  # scale and offset of the cells
    heights: dict  # by file: of the raster itself, or of each part of a mosaic
    parts: list


def raster_facts(source, folder, what) -> RasterFacts:
    """Check a raster and read its properties.

    Parameters
    ----------
    source : sitefinder.settings.Source
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
        If the file is missing or not a raster, has no known coordinate system, is rotated, stores scaled values,
        cannot hold its stated nodata value, or has another vertical datum or unit than the settings.
    """
    path, file_facts = file_facts_of(source, folder, what)
    is_remote = _is_remote(source.path)
    transform = file_facts.transform
    crs = crs_of_layer(file_facts.crs, source.crs, what, source.path)
    if transform.b or transform.d or transform.e >= 0:
        raise InputError.of(
            f"the {what} raster is rotated or not north-up",
            file=source.path,
            expected="rows that run from north to south",
            found=f"transform {tuple(transform)[:6]}",
            fix="warp it beforehand, for example with gdalwarp",
        )
    if file_facts.scaling != PLAIN_CELLS:
        raise InputError.of(
            f"the cells of the {what} raster are scaled",
            file=source.path,
            expected="cells in the unit that the settings state",
            found=f"a file with value = {file_facts.scaling[0]:g} · cell + {file_facts.scaling[1]:g}",
            fix="write it plain beforehand, for example with gdal_translate -unscale -ot Float32",
        )
    if file_facts.bands != 1:
        raise InputError.of(
            f"the {what} raster has several bands",
            file=source.path,
            expected="one band, of the values alone; a picture is none",
            found=f"{file_facts.bands} bands",
            fix="write the band that holds the values to a file of its own, for example with gdal_translate -b 1",
        )
    if not _is_real(file_facts.dtype):
        raise InputError.of(
            f"the cells of the {what} raster are no plain numbers",
            file=source.path,
            expected="whole or floating-point numbers",
            found=file_facts.dtype,
            fix="write them as plain numbers, for example with gdal_translate -ot Float32",
        )
    if absent := [part for part in file_facts.parts if not part.exists()]:
        raise InputError.of(
            f"the {what} raster refers to files that do not exist",
            file=source.path,
            expected="all files of a mosaic",
            found=f"{len(absent)} of {len(file_facts.parts)} are missing: {listed(absent)}",
            fix="put the files back, or build the mosaic again",
        )
    nodata = _nodata(source, file_facts, what)
    if hasattr(source, "vertical_unit"):
        if min(file_facts.shape) < MIN_DEM_CELLS:
            raise InputError.of(
                f"the {what} raster is too small for a valley",
                file=source.path,
                expected=f"at least {MIN_DEM_CELLS} rows and columns of cells",
                found=f"{file_facts.shape[0]} rows and {file_facts.shape[1]} columns",
                fix="give the DEM of the region; this one is a strip or a cut-out that went wrong",
            )
        check_heights(file_facts.heights, source, what)
    lineage = {
        "name": what,
        "path": source.path,
        "digest": _digest_elsewhere(path) if is_remote else content_digest(path, file_facts.parts),
        "source": source.source,
        "date": source.date,
        "licence": licence_with_credit(source.licence, source.attribution),
        "crs": crs_name(crs),
    }
    size = (abs(transform.a), abs(transform.e))
    bounds = rasterio.transform.array_bounds(*file_facts.shape, transform)
    return RasterFacts(str(path), crs, nodata, file_facts.shape, bounds, *size, source.operation, lineage)


def file_facts_of(source, folder, what) -> tuple[str | Path, FileFacts]:
    """Path of a raster and the properties that its file states, whether or not a run takes such a raster.

    Parameters
    ----------
    source, folder, what
        See `raster_facts`.

    Returns
    -------
    path : str or Path
    file_facts : FileFacts

    Raises
    ------
    InputError
        If the file is missing, or is no raster of a format that is opened.
    """
    is_remote = _is_remote(source.path)
    path = source.path if is_remote else folder / source.path
    if is_remote:
        validate_address(source.path, what)
    else:
        validate_file(path, f"{what} raster", source.path)
    if not is_remote and not path.exists():
        raise InputError.of(
            f"the {what} raster's file does not exist",
            file=source.path,
            expected=f"a file that GDAL reads, in {folder}",
            fix="correct the path, which starts from the settings file's folder",
        )
    parts = [] if is_remote else validate_raster(path, what, source.path)
    try:
        file_facts = _read(path, parts) if is_remote else _read_cached(path, parts)
    except rasterio.errors.RasterioIOError as error:
        raise InputError.of(
            f"the {what} raster cannot be read",
            file=source.path,
            expected=f"a raster of one of these formats: {RASTER_FORMATS}",
            found=str(error),
            fix="correct the path, or convert the file",
        ) from None
    return path, file_facts


# Whether a path is an address that GDAL reads (`https://…`, `/vsizip/…`), not a file on this computer.
def _is_remote(path):
    return "://" in path or path.startswith("/vsi")


def parts_of_raster(source, folder):
    """Files that a mosaic refers to, also by others.

    Parameters
    ----------
    source, folder
        See `raster_facts`, which has accepted the raster.

    Returns
    -------
    list of Path
        The archive for one in an archive; empty for any other raster.
    """
    if _is_remote(source.path):
        return archive_of(source.path)
    return validate_raster(folder / source.path, "mosaic", source.path)


# Properties of a local raster, from the cache while neither it nor its sidecar files have changed.
def _read_cached(path, parts):
    sidecars = sorted(
        {file for file in path.parent.glob(f"{glob.escape(path.stem)}.*") if file.is_file()} - {path}
    )

    def found():
        file_facts = _read(path, parts)
        stored = file_facts._asdict() | {
            "crs": file_facts.crs and file_facts.crs.srs,
            "parts": [str(part) for part in file_facts.parts],
        }
        return stored | {"transform": tuple(file_facts.transform)[:6]}

    stored = remembered("raster and bands", [path, *sidecars], found, also=lambda stored: stored["parts"])
    return FileFacts(
        None if stored["crs"] is None else CRS.from_wkt(stored["crs"]),
        stored["nodata"],
        stored["dtype"],
        tuple(stored["shape"]),
        rasterio.Affine(*stored["transform"]),
        stored["bands"],
        tuple(stored["scaling"]),
        {
            name: Heights(heights[0], tuple(heights[1]), *heights[2:])
            for name, heights in stored["heights"].items()
        },
        [Path(part) for part in stored["parts"]],
    )


def _read(path, parts):
    files = archive_of(path) if isinstance(path, str) else [*files_of(path), *parts]
    with unchanged(*files), _opened_file(path) as raster:
        own = Path(raster.name).name
        crs = None if raster.crs is None else CRS.from_wkt(raster.crs.to_wkt())
        heights = {own: heights_of(crs, raster.units[0])}
        scaling = (raster.scales[0], raster.offsets[0])
        facts = (raster.nodata, raster.dtypes[0], raster.shape, raster.transform, raster.count, scaling)
        for part in parts:
            heights[part.name] = _heights_of_part(part)
    return FileFacts(crs, *facts, heights, parts)


# A raster, by the drivers that may open it; without a network for one that is a file.
@contextlib.contextmanager
def _opened_file(path):
    name = str(path)
    options = {} if NETWORK.match(name) else OFFLINE
    # `rasterio.open` takes one driver alone.
    with rasterio.Env(**options), rasterio.io.DatasetReader(as_gdal_path(name), driver=drivers_of(name)) as raster:
        yield raster


def _digest_elsewhere(path):
    with _opened_file(path) as raster:
        return cells_digest(raster)


# A mosaic may refer to files that are not rasters, such as a colour table; those state nothing about heights.
def _heights_of_part(path):
    try:
        with _opened_file(path) as raster:
            crs = None if raster.crs is None else CRS.from_wkt(raster.crs.to_wkt())
            return heights_of(crs, raster.units[0])
    except rasterio.errors.RasterioIOError:
        return Heights(None, (), None, None)


# The stated value, else the file's own; none where the cells cannot hold it.
def _nodata(source, file_facts, what):
    stated = getattr(source, "nodata", None)
    if stated is None:
        return (
            file_facts.nodata
            if file_facts.nodata is None or _can_hold(file_facts.dtype, file_facts.nodata)
            else None
        )
    if not _can_hold(file_facts.dtype, stated):
        kind = np.iinfo(file_facts.dtype)
        raise InputError.of(
            f"the nodata value stated for the {what} raster does not fit its cells",
            file=source.path,
            expected=f"a whole number from {kind.min} to {kind.max} ({file_facts.dtype})",
            found=f"{stated:g}",
            fix="correct nodata beside the path; look the value up among the raster's cells",
        )
    return stated


def _is_real(dtype):
    return np.issubdtype(dtype, np.floating) or np.issubdtype(dtype, np.integer)


def _can_hold(dtype, value):
    if np.issubdtype(dtype, np.floating):
        return True
    kind = np.iinfo(dtype)
    return float(value).is_integer() and kind.min <= value <= kind.max


@contextlib.contextmanager
def opened(facts):
    """A raster, open while its cells are read; the file of the facts, and no other that lies there meanwhile.

    Parameters
    ----------
    facts : RasterFacts

    Yields
    ------
    rasterio dataset

    Raises
    ------
    InputError
        If the file is damaged, or is no longer the one that the facts are of.
    """
    files = archive_of(facts.path) if _is_remote(facts.path) else (facts.path,)
    try:
        with unchanged(*files), _opened_file(facts.path) as raster:
            _validate_same(raster, facts)
            yield raster
    except rasterio.errors.RasterioIOError as error:
        raise InputError.of(
            f"cells of the {facts.lineage['name']} raster cannot be read",
            file=facts.lineage["path"],
            expected="a file that is whole",
            found=str(error.__cause__ or error),
            fix="copy or build the file again; it is damaged or cut off",
        ) from None


# What files beside a raster say of it, such as its place, may have changed too.
def _validate_same(raster, facts):
    found = (raster.shape, tuple(rasterio.transform.array_bounds(*raster.shape, raster.transform)))
    if found != (tuple(facts.shape), tuple(facts.bounds)):
        raise InputError.of(
            "an input changed while the run was going on",
            file=facts.lineage["path"],
            expected=f"as first read: {_extent(facts.shape, facts.bounds)}",
            found=_extent(*found),
            fix="start the run again when nothing writes to the file, or to files beside it, any more",
        )


def _extent(shape, bounds):
    edges = ", ".join(f"{edge:.10g}" for edge in bounds)
    return f"{shape[0]} rows and {shape[1]} columns within {edges}"


def read_cells(raster, facts, row, column, rows, columns):
    """Cells of a window of an open raster, in its own unit.

    Parameters
    ----------
    raster : rasterio dataset
        The file of `facts`.
    facts : RasterFacts
    row, column, rows, columns : int
        First row and column of the window, and its size [cells].

    Returns
    -------
    ndarray of float64, shape (rows, columns)
        NaN without data.
    """
    cells = raster.read(1, window=rasterio.windows.Window(column, row, columns, rows)).astype(np.float64)
    if facts.nodata is not None:
        cells[cells == facts.nodata] = np.nan
    return cells


def operation_to_run(facts, crs):
    """The coordinate operation from a raster's system to the run's.

    Parameters
    ----------
    facts : RasterFacts
    crs : str
        The run's system.

    Returns
    -------
    sitefinder.io.crs.Operation

    Raises
    ------
    InputError
        See `sitefinder.io.crs.operation_between`.
    """
    name, path = facts.lineage["name"], facts.lineage["path"]
    return _operation(facts.crs, crs, tuple(facts.bounds), name, path, facts.operation, get_data_dir())


# Sought once, since several stages ask; what can be found depends on the folder of PROJ's grids.
@functools.lru_cache(maxsize=64)
def _operation(own_crs, run_crs, bounds, name, path, wanted, data_folder):
    return operation_between(own_crs, run_crs, bounds, name, path, wanted)


# The warped copy is always made in these chunks, counted from the grid's own corner, so that the size of tiles
# changes no number.
CHUNK_CELLS = 1024
READ_CELLS = 512
FLOAT_NODATA = -9999.0
# Coordinates are transformed exactly at this spacing and interpolated linearly between: over 16 cells of 10 m that
# is accurate to a millimetre.
NODE_CELLS = 16
DRIVER = {"driver": "GTiff", "tiled": True, "blockxsize": 256, "blockysize": 256, "compress": "deflate"}


def bounds_in_run(facts, crs):
    """West, south, east and north of a raster in the run's system [m]."""
    transformer = operation_to_run(facts, crs).transformer
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
    if own_cells and operation_to_run(facts, crs).transformer is None:
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
    operation = operation_to_run(facts, crs)
    resample = _averaged if coarser else _between_cells
    filled = 0
    with (
        opened(facts) as raster,
        rasterio.open(target, "w", **profile, crs=crs, transform=transform, nodata=FLOAT_NODATA) as copy,
    ):
        for chunk in tile_windows(grid, CHUNK_CELLS, CHUNK_CELLS):
            values = resample(raster, facts, operation, grid, crs, chunk)
            known = np.isfinite(values)
            filled += int(known.sum())
            window = rasterio.windows.Window(chunk.column, chunk.row, chunk.columns, chunk.rows)
            written = np.full(values.shape, FLOAT_NODATA, dtype=np.float32)
            written[known] = values[known] * factor
            copy.write(written, 1, window=window)
    return filled


# A chunk where the raster's cells are smaller than the grid's: means over what each cell covers.
def _averaged(raster, facts, operation, grid, crs, chunk):
    values = np.empty((chunk.rows, chunk.columns))
    rasterio.warp.reproject(
        rasterio.band(raster, 1),
        values,
        src_crs=facts.crs.to_wkt(),
        src_nodata=facts.nodata,
        dst_transform=tile_transform(chunk, grid),
        dst_crs=crs if operation.transformer else facts.crs.to_wkt(),
        dst_nodata=np.nan,
        resampling=rasterio.warp.Resampling.average,
        **({"COORDINATE_OPERATION": operation.pipeline} if operation.pipeline else {}),
    )
    return values


# A chunk where they are not: values between the cells' centres. GDAL's own bilinear kernel is widened by a scale
# that it guesses from each chunk, which moves a slope by up to 0.04 cells (measured, GDAL 3.10).
def _between_cells(raster, facts, operation, grid, crs, chunk):
    lattice = [np.arange(0, count + NODE_CELLS + 1, NODE_CELLS) for count in (chunk.rows, chunk.columns)]
    place = tile_transform(chunk, grid)
    y_m, x_m = np.meshgrid(place.f + place.e * lattice[0], place.c + place.a * lattice[1], indexing="ij")
    x, y = (np.reshape(part, x_m.shape) for part in operation.inverse(x_m.ravel(), y_m.ravel()))
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
    window : sitefinder.dem.grid.Window

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
    """A warped copy resampled to fewer cells, each the mean of those that it covers.

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
        values = raster.read(1, out_shape=(rows, columns), resampling=rasterio.warp.Resampling.average)
    return values, values != np.float32(FLOAT_NODATA)


def write_labels(path, labels):
    """Write the labels of one tile, as a plain compressed array since no GIS reads them.

    Parameters
    ----------
    path : Path
    labels : ndarray of int32, shape (rows, columns)

    Notes
    -----
    It is put in place whole, see `write_whole`.
    """
    write_whole(path, lambda file: np.savez_compressed(file, labels=labels))


def write_whole(path, write):
    """Write a file of a tile and put it in place whole: two workers may write it, where one was thought dead.

    Parameters
    ----------
    path : Path
    write : callable
        ``write(file)`` writes into a binary file.
    """
    path = Path(path)
    descriptor, draft = tempfile.mkstemp(prefix=f".{path.name}-", dir=path.parent)
    with os.fdopen(descriptor, "wb") as file:
        write(file)
    os.replace(draft, path)


def read_labels(path):
    """Labels of one tile, int32, shape (rows, columns)."""
    with np.load(path, allow_pickle=False) as kept:
        return kept["labels"]


def tile_transform(window, grid):
    """Affine transform from a tile's columns and rows to coordinates [m]."""
    west_m = grid.west_m + window.column * grid.cell_width_m
    north_m = grid.north_m - window.row * grid.cell_height_m
    return rasterio.Affine(grid.cell_width_m, 0.0, west_m, 0.0, -grid.cell_height_m, north_m)


def cells_at(facts, x_m, y_m, crs, *, factor=1.0) -> np.ndarray:
    """The raster's own cells at points of the run's system, without resampling.

    Parameters
    ----------
    facts : RasterFacts
    x_m, y_m : ndarray of float64
        Coordinates in the run's system [m], of any shape.
    crs : str
        The run's system.
    factor : float
        Multiplies every value (to metres, for example).

    Returns
    -------
    ndarray of float64, of the shape of `x_m`
        NaN outside the raster and where it has no data.
    """
    x, y = operation_to_run(facts, crs).inverse(np.ravel(x_m), np.ravel(y_m))
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
    with opened(facts) as raster:
        for chosen in np.split(order, starts[1:]) if len(order) else []:
            first_row, first_column = row[chosen].min(), column[chosen].min()
            height, width = row[chosen].max() - first_row + 1, column[chosen].max() - first_column + 1
            block_values = read_cells(raster, facts, first_row, first_column, height, width)
            values[places[chosen]] = block_values[row[chosen] - first_row, column[chosen] - first_column]
    return (values * factor).reshape(np.shape(x_m))


# No terrain on Earth is higher [m]; no sea floor is much deeper.
MAX_M = 9000.0
# Common nodata values of files that do not declare one (common practice, no source).
USUAL_NODATA = (-9999.0, -32767.0, -32768.0)


def dem_seams(facts, factor):
    """Seams of a DEM on its own grid, see `sitefinder.dem.seams.find_seams`.

    Parameters
    ----------
    facts : RasterFacts
    factor : float
        Metres in a unit of the cells.

    Returns
    -------
    DataFrame
        `sitefinder.dem.seams.SEAM_COLUMNS`.

    Raises
    ------
    InputError
        If a cell holds an impossible height: above 9,000 m, or a common nodata value.
    """
    with opened(facts) as raster:

        def read(window):
            values = read_cells(raster, facts, window.row, window.column, window.rows, window.columns)
            validate_heights(values, factor, facts)
            return values * factor

        return find_seams(read, *facts.shape)


def validate_heights(values, factor, facts):
    """Refuse cells of a DEM that are no heights.

    Parameters
    ----------
    values : ndarray of float64
        Cells in the DEM's own unit, NaN without data.
    factor : float
        Metres in that unit.
    facts : RasterFacts

    Raises
    ------
    InputError
        If a cell is infinite, above 9,000 m, or a common nodata value.
    """
    with np.errstate(invalid="ignore"):
        wrong = np.abs(values) * factor > MAX_M
    wrong |= np.isin(values, USUAL_NODATA)
    if wrong.any():
        raise InputError.of(
            "the dem raster holds impossible heights",
            file=facts.lineage["path"],
            expected=f"heights up to {MAX_M:g} m; {_nodata_text(facts.nodata)}",
            found=f"cells of {values[wrong][0]:g}",
            fix="state nodata beside the path if that value means no data; else check vertical_unit",
        )


def _nodata_text(nodata):
    return "no nodata value" if nodata is None else f"nodata value {nodata:g}"
