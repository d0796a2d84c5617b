"""The stages that stand on the ground: surface, network, terrain, catchments and heads."""

from pathlib import Path
from typing import NamedTuple

import numpy as np
import pandas as pd
import shapely

from sitefinder.errors import InputError
from sitefinder.io.rasters import cells_at, run_grid, warp_once
from sitefinder.io.shares import write_share
from sitefinder.io.surface_edits import fill_holes, level_lakes
from sitefinder.siting.structures import known_breaks
from sitefinder.stages.drainage import COVARIATE_STEPS, drain_tiles
from sitefinder.stages.flow_regions import region_polygons
from sitefinder.streams.catchments import catchment_means, drained_area_km2, inflows, side_arms, sums_by_arms
from sitefinder.streams.channels import find_channels, owned_points
from sitefinder.streams.fit_error import simulate_fit_errors
from sitefinder.streams.fitted_profile import LongProfile, fit_long_profile
from sitefinder.streams.transects import transect_points
from sitefinder.terrain.grid import Grid, tile_windows
from sitefinder.terrain.stream_cells import StreamCells, stream_cells
from sitefinder.terrain.tiles import merge_tile_sums

# Reach of a transect to each side, in cells of the DEM, where the settings state none.
TRANSECT_CELLS = 2.5
# A bank stands so much above the channel: this height, and as many standard errors of the difference of two cells
# (own choices).
LEAST_BANK_M, BANK_ERRORS = 0.5, 3.0
# Water that is level over so many cells was made level by the DEM's makers (own choice).
FLAT_CELLS = 5
# An elevation stands for a cell, and the mapped line wanders: error of the place along the stream, in cells. That
# of a cell alone is 0.29 (1 / sqrt(12)). Own choice: on fresh regions (tests/benchmarks/fresh_regions.py) 3 to
# 7 % of heads then lie beyond two standard errors.
PLACE_CELLS = 1.0 / 3.0
PERCENT = 100.0


class Surface(NamedTuple):
    """The one warped copy of each raster: its grid, where the copies lie, and how the DEM's was changed since.

    ``levelled`` is of `LevelledLakes`, None without a layer of lakes; ``filled_cells`` counts the cells of
    holes that were interpolated.
    """

    grid: Grid
    dem_path: Path
    covariate_paths: dict
    levelled: object = None
    filled_cells: int = 0


class Ground(NamedTuple):
    """What drains to each station, tile by tile and summed; ``label_tiles`` are (window, path) of the labels."""

    sums: object
    cells: StreamCells
    label_tiles: list


class Profile(NamedTuple):
    """Raw and conditioned elevation of each station [m], and simulated errors, shape (stations, draws) [m].

    ``fitted`` tells of the fit: refused elevations, steps, level water, error of the elevations as used.
    """

    raw_m: np.ndarray
    profile_m: np.ndarray
    errors_m: np.ndarray
    fitted: LongProfile


def warp_surface(settings, inputs, scratch):
    """Warp the DEM and each covariate once to the run's grid; level lakes and fill small holes on the DEM's copy.

    Raises
    ------
    InputError
        If the DEM, or a covariate on the DEM's ground, holds only nodata.
    """
    crs = settings.run.crs
    grid = run_grid(inputs.dem, crs, settings.terrain.cell_size_m)
    paths = {}
    for name, facts in {"dem": inputs.dem, **inputs.covariates}.items():
        source = settings.inputs.dem if name == "dem" else settings.inputs.covariates[name]
        factor = source.metres_per_unit if name == "dem" else source.scale
        paths[name] = scratch / f"surface-{len(paths)}.tif"
        if warp_once(facts, grid, crs, paths[name], factor=factor) == 0:
            raise InputError.of(
                f"the {name} raster holds no data where the run is",
                file=source.path,
                expected="elevations" if name == "dem" else "values on the ground of the DEM",
                found=f"only nodata ({facts.nodata})",
                fix="check its extent, its coordinate system and its nodata value",
            )
    dem_path = paths.pop("dem")
    for name, read in inputs.shares.items():
        paths[name] = scratch / f"share-{len(paths)}.tif"
        write_share(read.frame.geometry.to_numpy(), grid, crs, paths[name])
    for name, polygons in region_polygons(inputs).items():
        paths[name] = scratch / f"share-{len(paths)}.tif"
        write_share(polygons, grid, crs, paths[name])
    levelled = None
    if "lakes" in inputs.layers:
        levelled = level_lakes(dem_path, inputs.layers["lakes"].frame.geometry.to_numpy(), grid)
    filled_cells = fill_holes(dem_path, grid, settings.terrain.fill_nodata_cells)
    return Surface(grid, dem_path, paths, levelled, filled_cells)


def read_channels(settings, inputs, network, placed, dem_errors):
    """The channel at each station, from the DEM's own cells on a transect."""
    dem, stations = settings.inputs.dem, placed.stations
    cell_m = _own_cell_m(inputs.dem, settings.run.crs)
    half_width_m = settings.heads.transect_half_width_m or TRANSECT_CELLS * cell_m
    step_m = cell_m / 2
    x_m, y_m = transect_points(stations, half_width_m=half_width_m, step_m=step_m)
    elevation_m = cells_at(inputs.dem, x_m, y_m, settings.run.crs, factor=dem.metres_per_unit)
    owned = owned_points(x_m, y_m, stations["link"].to_numpy(), placed.segments, network.links)
    least_bank_m = np.maximum(LEAST_BANK_M, BANK_ERRORS * np.sqrt(2.0) * dem_errors.rmse_m)
    return find_channels(x_m, y_m, elevation_m, owned, step_m=step_m, least_bank_m=least_bank_m)


# A cell's mean width and height [m], also where the DEM is in degrees.
def _own_cell_m(facts, crs):
    grid = run_grid(facts, crs, None)
    return float(np.sqrt(grid.cell_width_m * grid.cell_height_m))


def drain_terrain(settings, surface, network, placed, channels, scratch, progress):
    """Drain the region tile by tile to its stations."""
    grid, terrain = surface.grid, settings.terrain
    cells = stream_cells(*_pieces(placed, channels), network.links["downstream_link"].to_numpy(), grid)
    tiles = tile_windows(grid, terrain.tile_rows, terrain.tile_columns)
    sums, label_tiles = drain_tiles(settings, surface, cells, tiles, scratch, progress)
    merged = merge_tile_sums(sums, len(placed.stations))
    if merged.cells.sum() == 0:
        raise InputError.of(
            "no ground of the DEM drains to any stream",
            expected="streams that lie on the DEM",
            found=f"{len(cells.row)} stream cells on a grid of {grid.rows} × {grid.columns}",
            fix="check that DEM and streams are of the same region",
        )
    return Ground(merged, cells, label_tiles)


# Polylines in compressed form: the segments; from each station the way to its channel, where water that runs
# beside the drawn line is caught; and each headwater's first station as a single vertex.
def _pieces(placed, channels):
    segments, stations = placed.segments, placed.stations
    lines = segments["geometry"].to_numpy()
    beside = np.flatnonzero(channels.offset_m != 0)
    sources = stations.index[stations["is_headwater"]].to_numpy()
    places = stations[["x_m", "y_m"]].to_numpy()
    to_channel = np.stack([places[beside], np.column_stack([channels.x_m, channels.y_m])[beside]], axis=1)
    vertices = [shapely.get_coordinates(lines), to_channel.reshape(-1, 2), places[sources]]
    counts = [shapely.get_num_coordinates(lines), np.full(len(beside), 2), np.ones(len(sources))]
    start = np.concatenate([[0], np.cumsum(np.concatenate(counts))]).astype(np.int64)
    x_m, y_m = np.concatenate(vertices).T
    label = np.concatenate([segments["station"].to_numpy(), beside, sources]).astype(np.int32)
    return start, x_m.copy(), y_m.copy(), label, stations["link"].to_numpy()[label].astype(np.int32)


def sum_catchments(settings, surface, network, placed, terrain):
    """Predictors of each station: ``area_km2``, each covariate, and the share of the catchment at the DEM's edge.

    Where streams part, side arms take their share of everything that arrives. A stated inflow adds to the area of
    the stream that brings it; covariates are means over the ground on the DEM alone.

    Returns
    -------
    DataFrame
        Columns ``area_km2``, covariates, shares of polygons and of flow regions by name, for each covariate
        ``NAME_covered_percent`` (the share of the ground on the DEM for which it has a value), ``edge_cells`` and
        ``incomplete``.
    """
    downstream = placed.stations["downstream"].to_numpy().astype(np.int32)
    grid, sums = surface.grid, terrain.sums
    arms = side_arms(network.links, placed.stations["link"].to_numpy())
    area_km2 = drained_area_km2(sums.cells, downstream, grid.cell_width_m * grid.cell_height_m, arms)
    inflow_km2, is_entry = inflows(network.links, placed.stations, sums.cells)
    if inflow_km2.any():
        area_km2 = area_km2 + sums_by_arms(inflow_km2, downstream, arms)
    table = {"area_km2": area_km2}
    for name in surface.covariate_paths:
        means = catchment_means(sums.sums[name], sums.covered[name], downstream, arms)
        table[name] = means / COVARIATE_STEPS
    cells = sums_by_arms(sums.cells, downstream, arms)
    for name in settings.inputs.covariates:
        covered = sums_by_arms(sums.covered[name], downstream, arms)
        # Where no ground drains to a station, none of it is uncovered.
        share = np.divide(covered, cells, out=np.ones(len(cells)), where=cells > 0)
        table[f"{name}_covered_percent"] = PERCENT * share
    edge_cells = sums_by_arms(np.where(is_entry, 0, sums.edge_cells), downstream, arms)
    table["edge_cells"] = edge_cells
    table["incomplete"] = (edge_cells > 0) & (not settings.terrain.edge_is_divide)
    return pd.DataFrame(table)


def fit_profile(settings, inputs, placed, channels, dem_errors, structures):
    """The long profile from the DEM's own cells, and what its error may be."""
    heads = settings.heads
    downstream = placed.stations["downstream"].to_numpy().astype(np.int32)
    step_m = placed.stations["to_downstream_m"].to_numpy()
    rmse_m, length_m = dem_errors.rmse_m, dem_errors.correlation_length_m
    cell_m = _own_cell_m(inputs.dem, settings.run.crs)
    place_m = PLACE_CELLS * cell_m
    known_break = _known_breaks(placed, channels, structures, cell_m)
    fitted = fit_long_profile(
        channels.raw_m,
        downstream,
        step_m,
        rmse_m,
        length_m,
        heads.quantile,
        FLAT_CELLS * cell_m,
        place_m,
        known_break,
    )
    errors_m = simulate_fit_errors(
        fitted,
        ~np.isnan(channels.raw_m),
        downstream,
        step_m,
        rmse_m,
        length_m,
        heads.draws,
        settings.run.seed,
        heads.quantile,
        place_m,
        known_break,
    )
    return Profile(channels.raw_m, fitted.profile_m, errors_m, fitted)


# Stations right above the weirs and falls that the layer of structures tells of.
def _known_breaks(placed, channels, structures, cell_m):
    if not len(structures):
        return np.zeros(len(placed.stations), dtype=bool)
    segment_m = placed.stations["segment_length_m"].to_numpy()
    return known_breaks(structures, channels.raw_m, segment_m, cell_m)
