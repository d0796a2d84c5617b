"""Whitebox: breaches what dams a DEM where no streams are mapped, and routes cells to streams as a second way."""

import tempfile
from pathlib import Path

import numpy as np

from sitefinder.dem.flats import raised_inside_flats
from sitefinder.dem.grid import whole
from sitefinder.dem.priority_flood import NO_POINTER, NO_SEED, edge_cells, labels_down
from sitefinder.errors import InputError
from sitefinder.io import raster_library as rasterio
from sitefinder.io.raster import tile_transform

# The engine keeps several rasters of 8 bytes a cell in memory: this is some 3 GB.
MAX_CELLS = 50_000_000
# Maximum length of a breach out of a depression, which is filled where none is found [cells].
BREACH_SEARCH_CELLS = 50
NO_DATA = -9999.0
# The engine hands back plain numbers of 32 bits. As GeoTIFF it would compress 64 bits of each cell, which takes
# longer than the breaching itself; its to_numpy() takes ten times as long as writing and reading these.
PLAIN_DEM, BREACHED_DEM = "dem.tif", "breached.flt"
# How far stream cells are lowered, so that flow next to a stream reaches it [m] (common practice, no source).
BURN_M = 20.0
# Our directions, clockwise from east, by the engine's code: a power of two, clockwise from north-east.
POINTER_OF_CODE = np.full(256, NO_POINTER, dtype=np.uint8)
POINTER_OF_CODE[[2, 4, 8, 16, 32, 64, 128, 1]] = range(8)


def breach_depressions(elevation_m, valid, transform, scratch_folder, breach_search_cells):
    """Ground through which depressions drain, where a short breach does it.

    Parameters
    ----------
    elevation_m : ndarray of float32, shape (rows, columns)
        Ground elevation [m].
    valid : ndarray of bool, same shape
        False where the DEM has no data.
    transform : rasterio.Affine
        From columns and rows to coordinates [m].
    scratch_folder : str or Path
        Where the engine may write; it must exist. What is written there is removed again.
    breach_search_cells : int
        Maximum length of a breach [cells]; beyond it a depression stays.

    Returns
    -------
    ndarray of float32, shape (rows, columns)
        NaN without data.

    Notes
    -----
    Depressions are breached along the least-cost path [1]_. The engine looks for one from each pit, and of level
    water each cell is one, so it gets ground that is `sitefinder.dem.flats.raised_inside_flats`.

    References
    ----------
    .. [1] J. B. Lindsay, "Efficient hybrid breaching-filling sink removal methods for flow path enforcement in
       digital elevation models," Hydrological Processes, vol. 30, pp. 846-857, 2016, doi:10.1002/hyp.10648.
    """
    raised_m = raised_inside_flats(np.where(valid, elevation_m, np.float32(np.nan)))
    with tempfile.TemporaryDirectory(dir=scratch_folder, prefix="whitebox-") as folder:
        _write_plain(raised_m, valid, transform, Path(folder))
        engine, breached = _breached(Path(folder), breach_search_cells, fill_deps=False)
        engine.write_raster(breached, str(Path(folder) / BREACHED_DEM))
        engine.remove_raster_from_memory(breached)
        with rasterio.open(Path(folder) / BREACHED_DEM) as raster:
            ground_m = raster.read(1).astype(np.float32)
    # What the engine has left is the ground as it was.
    ground_m = np.where(ground_m == raised_m.astype(np.float32), elevation_m, ground_m)
    ground_m[~valid] = np.nan
    return ground_m


def route_with_whitebox(
    elevation_m,
    valid,
    ends,
    grid,
    scratch_folder,
    *,
    max_cells=MAX_CELLS,
    breach_search_cells=BREACH_SEARCH_CELLS,
):
    """Where each cell of a DEM drains, by stream burning, breaching and single-direction flow.

    Parameters
    ----------
    elevation_m : ndarray of float32, shape (rows, columns)
        Ground elevation [m].
    valid : ndarray of bool, same shape
        False where the DEM has no data.
    ends : ndarray of int32, same shape
        Station number of stream cells, labels of other ends, `NO_SEED` elsewhere.
    grid : Grid
        Of the whole DEM: the engine takes no tiles.
    scratch_folder : str or Path
        Where the engine may write; it must exist. What is written there is removed again.
    max_cells : int, optional
        Largest DEM that is accepted.
    breach_search_cells : int, optional
        Maximum length of a breach [cells]; beyond it a depression is filled.

    Returns
    -------
    ndarray of int32, same shape
        Labels as `sitefinder.dem.priority_flood.flood` gives them for a window without open borders; `SINK` where
        the engine leaves a pit.

    Raises
    ------
    InputError
        If the DEM has too many cells.

    Notes
    -----
    Stream cells are lowered by `BURN_M`, depressions breached along the least-cost path [1]_ and filled where none
    is found, and directions are the steepest descent. Labels run down the directions to the first
    stream cell, so that breaches along a stream decide nothing.

    References
    ----------
    .. [1] J. B. Lindsay, "Efficient hybrid breaching-filling sink removal methods for flow path enforcement in
       digital elevation models," Hydrological Processes, vol. 30, pp. 846-857, 2016, doi:10.1002/hyp.10648.
    """
    if elevation_m.size > max_cells:
        raise InputError.of(
            "the DEM is too large for the whitebox engine, which takes it in one piece",
            expected=f"at most {max_cells:,} cells",
            found=f"{grid.rows:,} × {grid.columns:,} = {elevation_m.size:,} cells",
            fix='set terrain.engine = "flood", which goes tile by tile',
        )
    burnt_m = elevation_m.copy()
    burnt_m[valid & (ends != NO_SEED)] -= np.float32(BURN_M)
    with tempfile.TemporaryDirectory(dir=scratch_folder, prefix="whitebox-") as folder:
        pointer_file = Path(folder) / "pointer.tif"
        _write_plain(burnt_m, valid, tile_transform(whole(grid), grid), Path(folder))
        del burnt_m
        engine, pointer = _directions(Path(folder), breach_search_cells, pointer_file)
        engine.remove_raster_from_memory(pointer)
        with rasterio.open(pointer_file) as raster:
            pointer = POINTER_OF_CODE[np.where(valid, raster.read(1), 0).astype(np.uint8)]
    return labels_down(pointer, ends, valid, edge_cells(valid, (False,) * 4))


# The engine and its raster of directions, also written to a file. The engine holds every raster until that is
# removed, also where no variable names it any more.
def _directions(folder, breach_search_cells, pointer_file):
    engine, breached = _breached(folder, breach_search_cells, fill_deps=True)
    pointer = engine.hydrology.d8_pointer(dem=breached, output=str(pointer_file))
    engine.remove_raster_from_memory(breached)
    return engine, pointer


def _breached(folder, breach_search_cells, **options):
    import whitebox_workflows

    engine = whitebox_workflows.WbEnvironment()
    engine.verbose = False
    dem = engine.read_raster(str(folder / PLAIN_DEM))
    breached = engine.hydrology.breach_depressions_least_cost(dem=dem, max_dist=breach_search_cells, **options)
    engine.remove_raster_from_memory(dem)
    return engine, breached


# The plain copy of a DEM that the engine reads: it misreads compressed floating-point rasters with a predictor,
# without saying so.
def _write_plain(elevation_m, valid, transform, folder):
    profile = {
        "driver": "GTiff",
        "width": elevation_m.shape[1],
        "height": elevation_m.shape[0],
        "count": 1,
        "dtype": elevation_m.dtype,
        "crs": None,
        "transform": transform,
        "nodata": NO_DATA,
    }
    with rasterio.open(folder / PLAIN_DEM, "w", **profile) as copy:
        copy.write(np.where(valid, elevation_m, elevation_m.dtype.type(NO_DATA)), 1)
