"""Whitebox: derives a stream network where none is mapped, and routes cells to streams as an independent check."""

import tempfile
from pathlib import Path

import geopandas as gpd
import numpy as np

from sitefinder.dem.grid import Grid, cell_of, tile_windows, whole
from sitefinder.dem.priority_flood import NO_POINTER, NO_SEED, edge_cells, labels_down
from sitefinder.errors import InputError
from sitefinder.io import raster_library as rasterio
from sitefinder.io.raster import CHUNK_CELLS, tile_transform
from sitefinder.units import M2_PER_KM2

# The engine keeps several rasters of 8 bytes a cell in memory: this is some 3 GB.
MAX_CELLS = 50_000_000
# Maximum length of a breach out of a depression, which is filled where none is found [cells].
BREACH_SEARCH_CELLS = 50
NO_DATA = -9999.0
PLAIN_DEM = "dem.tif"
# How far stream cells are lowered, so that flow next to a stream reaches it [m] (common practice, no source).
BURN_M = 20.0
# Our directions, clockwise from east, by the engine's code: a power of two, clockwise from north-east.
POINTER_OF_CODE = np.full(256, NO_POINTER, dtype=np.uint8)
POINTER_OF_CODE[[2, 4, 8, 16, 32, 64, 128, 1]] = range(8)


def derive_network(
    dem_path, threshold_area_km2, scratch_folder, *, max_cells=MAX_CELLS, breach_search_cells=BREACH_SEARCH_CELLS
):
    """Stream lines where the area drained by single-direction flow exceeds a threshold.

    Parameters
    ----------
    dem_path : str or Path
        A north-up raster in a projected system in metres, of one band of elevations.
    threshold_area_km2 : float
        Minimum catchment of a stream [km²].
    scratch_folder : str or Path
        Where the engine may write; it must exist. What is written there is removed again.
    max_cells : int, optional
        Largest raster that is accepted.
    breach_search_cells : int, optional
        Maximum length of a breach [cells]; beyond it a depression is filled.

    Returns
    -------
    GeoDataFrame
        One row a link, in the DEM's system: ``stream_id`` (text, from row and column of the link's first
        cell, so that it stays the same as long as the DEM does) and the line, from cell centre to
        cell centre, digitised downstream. Lines meet exactly. Sorted by ``stream_id``.

    Raises
    ------
    InputError
        If the DEM has no system in metres, is rotated, has too many cells or no data, or no stream
        drains the threshold.

    Notes
    -----
    Depressions are breached along the least-cost path and filled where none is found nearby [1]_; directions
    are those of `sitefinder.dem.priority_flood.flood`, D8. The engine gets a plain copy of the DEM, for it
    misreads compressed floating-point rasters with a predictor, without saying so.

    References
    ----------
    .. [1] J. B. Lindsay, "Efficient hybrid breaching-filling sink removal methods for flow path enforcement in
       digital elevation models," Hydrological Processes, vol. 30, pp. 846-857, 2016, doi:10.1002/hyp.10648.
    """
    profile, grid = _plain_profile(Path(dem_path), max_cells)
    threshold_cells = threshold_area_km2 * M2_PER_KM2 / (grid.cell_width_m * grid.cell_height_m)
    if threshold_cells <= 1.0:
        raise InputError.of(
            "the threshold for a stream is smaller than a cell of the DEM",
            file=dem_path,
            expected=f"more than {grid.cell_width_m * grid.cell_height_m / M2_PER_KM2:g} km²",
            found=f"{threshold_area_km2:g} km²",
            fix="raise the threshold area",
        )
    with tempfile.TemporaryDirectory(dir=scratch_folder, prefix="whitebox-") as folder:
        _copy_plain(Path(dem_path), profile, grid, Path(folder))
        lines, largest_cells = _derived(threshold_cells, Path(folder), breach_search_cells)
    if lines is None or lines.empty:
        raise InputError.of(
            "no stream drains the threshold area",
            file=dem_path,
            expected=f"a cell that drains at least {threshold_area_km2:g} km²",
            found=f"at most {largest_cells * grid.cell_width_m * grid.cell_height_m / M2_PER_KM2:.3g} km²",
            fix="lower the threshold area, or give a DEM that holds the whole catchment",
        )
    return _identified(lines, profile["crs"], grid)


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
    burnt_m = np.where(valid, elevation_m, np.float32(NO_DATA))
    burnt_m[valid & (ends != NO_SEED)] -= np.float32(BURN_M)
    profile = {
        "driver": "GTiff",
        "width": grid.columns,
        "height": grid.rows,
        "count": 1,
        "dtype": "float32",
        "crs": None,
        "transform": tile_transform(whole(grid), grid),
        "nodata": NO_DATA,
    }
    with tempfile.TemporaryDirectory(dir=scratch_folder, prefix="whitebox-") as folder:
        pointer_file = Path(folder) / "pointer.tif"
        with rasterio.open(Path(folder) / PLAIN_DEM, "w", **profile) as copy:
            copy.write(burnt_m, 1)
        del burnt_m
        engine, pointer = _directions(Path(folder), breach_search_cells, pointer_file)
        engine.remove_raster_from_memory(pointer)
        with rasterio.open(pointer_file) as raster:
            pointer = POINTER_OF_CODE[np.where(valid, raster.read(1), 0).astype(np.uint8)]
    return labels_down(pointer, ends, valid, edge_cells(valid, (False,) * 4))


# The profile of a plain copy of a DEM, and its grid.
def _plain_profile(dem_path, max_cells):
    with rasterio.open(dem_path) as dem:
        if dem.crs is None or not dem.crs.is_projected or dem.crs.linear_units_factor[1] != 1.0:
            raise InputError.of(
                "the DEM is not in a projected system in metres",
                file=dem_path,
                found=dem.crs.to_string() if dem.crs else "no coordinate system",
                fix="derive the network from the run's own warped copy",
            )
        if dem.transform.b != 0.0 or dem.transform.d != 0.0 or dem.transform.e >= 0.0 or dem.transform.a <= 0.0:
            raise InputError.of(
                "the DEM is not north-up",
                file=dem_path,
                found=f"transform {tuple(dem.transform)[:6]}",
                fix="warp it to a north-up grid, for example with gdalwarp",
            )
        if dem.width * dem.height > max_cells:
            raise InputError.of(
                "the DEM is too large to derive a network from it in one piece",
                file=dem_path,
                expected=f"at most {max_cells:,} cells",
                found=f"{dem.height:,} × {dem.width:,} = {dem.width * dem.height:,} cells",
                fix="cut it along watersheds (for example with gdalwarp -cutline) and derive each part, "
                "use coarser cells, or give a mapped network",
            )
        profile = {
            "driver": "GTiff",
            "width": dem.width,
            "height": dem.height,
            "count": 1,
            "dtype": "float32",
            "crs": dem.crs,
            "transform": dem.transform,
            "nodata": NO_DATA,
        }
        transform = dem.transform
        grid = Grid(dem.height, dem.width, transform.c, transform.f, transform.a, -transform.e)
    return profile, grid


# The engine's copy of a DEM, with NO_DATA in the gaps, some rows at a time: no process holds all of it.
def _copy_plain(dem_path, profile, grid, folder):
    found = False
    with rasterio.open(dem_path) as dem, rasterio.open(folder / PLAIN_DEM, "w", **profile) as copy:
        nodata = dem.nodata
        for rows in tile_windows(grid, CHUNK_CELLS, grid.columns):
            window = rasterio.windows.Window(rows.column, rows.row, rows.columns, rows.rows)
            band = dem.read(1, window=window, masked=True)
            usable = ~np.ma.getmaskarray(band) & np.isfinite(band.data)
            found |= bool(usable.any())
            copy.write(np.where(usable, band.data, NO_DATA).astype(np.float32), 1, window=window)
    if not found:
        raise InputError.of(
            "the DEM holds no data",
            file=dem_path,
            found=f"only nodata ({nodata})",
            fix="check its nodata value",
        )


# Lines from the DEM, and the largest number of cells that any cell drains. Lines are None if no cell drains
# enough: the engine's last step does not accept a raster without streams. The engine holds every raster until that
# is removed, also where no variable names it any more.
def _derived(threshold_cells, folder, breach_search_cells):
    engine, pointer = _directions(folder, breach_search_cells)
    # In memory: to write each of these rasters takes as long as to make it, and counts beyond 32,767 are lost.
    drained = engine.hydrology.d8_flow_accum(input=pointer, out_type="cells", input_is_pointer=True)
    # The engine knows it; its cells as an array are as large as twice the DEM, and take seconds.
    drained.update_min_max()
    largest_cells = float(drained.metadata().maximum)
    is_any = largest_cells >= threshold_cells
    if is_any:
        streams = engine.streams.extract_streams(
            flow_accumulation=drained, threshold=threshold_cells, zero_background=True
        )
        engine.remove_raster_from_memory(drained)
        engine.streams.raster_streams_to_vector(
            d8_pntr=pointer, streams_raster=streams, output=str(folder / "streams.shp")
        )
        engine.remove_raster_from_memory(streams)
    else:
        engine.remove_raster_from_memory(drained)
    engine.remove_raster_from_memory(pointer)
    return gpd.read_file(folder / "streams.shp") if is_any else None, largest_cells


# The engine and its raster of directions, also written to a file where one is named.
def _directions(folder, breach_search_cells, pointer_file=None):
    import whitebox_workflows

    engine = whitebox_workflows.WbEnvironment()
    engine.verbose = False
    dem = engine.read_raster(str(folder / PLAIN_DEM))
    breached = engine.hydrology.breach_depressions_least_cost(
        dem=dem, max_dist=breach_search_cells, fill_deps=True
    )
    engine.remove_raster_from_memory(dem)
    written = {} if pointer_file is None else {"output": str(pointer_file)}
    pointer = engine.hydrology.d8_pointer(dem=breached, **written)
    engine.remove_raster_from_memory(breached)
    return engine, pointer


# Lines with stable ids; the engine renumbers them whenever anything changes.
def _identified(lines, crs, grid):
    first = [cell_of(grid, *line.coords[0][:2]) for line in lines.geometry]
    digits = len(str(max(grid.rows, grid.columns) - 1))
    stream_id = [f"r{row:0{digits}d}c{column:0{digits}d}" for row, column in first]
    table = gpd.GeoDataFrame({"stream_id": stream_id}, geometry=lines.geometry.to_numpy(), crs=crs)
    return table.sort_values("stream_id", kind="stable", ignore_index=True)
