"""The stages of the terrain: the warped surface, its relief, what drains to each station, and the catchments."""

from __future__ import annotations

from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, NamedTuple

import numpy as np
import pandas as pd
import shapely

from sitefinder.dem.grid import Grid, Window, centre_of, open_edges, part_of, tile_windows, whole
from sitefinder.dem.priority_flood import bridged, edge_cells, find_sinks, sinks_distinguished, with_sinks
from sitefinder.dem.stream_cells import StreamCells, seeds_in, stream_cells
from sitefinder.dem.tiles import MISSING, drain_tile, merge_tile_sums, sinks_of_tile, sums_of_labels
from sitefinder.errors import InputError
from sitefinder.io.raster import read_reduced, read_window, run_grid, warp_once, write_labels
from sitefinder.io.surface import fill_holes, level_lakes, write_share
from sitefinder.io.whitebox_engine import route_with_whitebox
from sitefinder.network.catchments import catchment_means, drained_area_km2, inflows, side_arms, sums_by_arms
from sitefinder.network.topology import REPAIR_COLUMNS
from sitefinder.pipeline.executors import results_in_order
from sitefinder.steps.flow_regions import region_polygons

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

    import numpy.typing as npt

    from sitefinder.dem.tiles import StationSums, TileSums
    from sitefinder.io.surface import LevelledLakes
    from sitefinder.network.stations import Stationing
    from sitefinder.network.topology import Network
    from sitefinder.pipeline.executors import Executor
    from sitefinder.profile.thalweg import Channels
    from sitefinder.settings import CovariateSource, DemSource, Settings
    from sitefinder.steps.inputs import RunInputs

# Covariates are summed as whole thousandths, so that no order of adding can change a sum.
COVARIATE_STEPS = 1000.0
PERCENT = 100.0
# Maximum of cells along the longer side: some twelve to the millimetre of a page.
MAX_CELLS = 1600
# Light from the north-west and from above, as is usual on maps (common practice, no source).
AZIMUTH_DEG, ALTITUDE_DEG = 315.0, 45.0
# Heights are stretched where ground is flat, so that its range is so much of the region's longer side (own
# choice), but never pressed.
RANGE_OF_SIDE = 0.10
SHADES = 255
# Ground whose brightness differs by less is even, and as bright as level ground.
FLAT = 1e-6


class Surface(NamedTuple):
    """The one warped copy of each raster: its grid, where the copies lie, and how the DEM's was changed since.

    ``levelled`` is of `LevelledLakes`, None without a layer of lakes; ``filled_cells`` counts the cells of
    holes that were interpolated.
    """

    grid: Grid
    dem_path: Path
    covariate_paths: dict[str, Path]
    levelled: LevelledLakes | None = None
    filled_cells: int = 0


def warp_surface(settings: Settings, inputs: RunInputs, scratch: Path) -> Surface:
    """Warp the DEM and each covariate once to the run's grid; level lakes and fill small holes on the DEM's copy.

    Raises
    ------
    InputError
        If the DEM, or a covariate on the DEM's ground, holds only nodata.
    """
    crs = settings.run.crs
    grid = run_grid(inputs.dem, crs, settings.terrain.cell_size_m)
    paths: dict[str, Path] = {}
    for name, facts in {"dem": inputs.dem, **inputs.covariates}.items():
        source: DemSource | CovariateSource
        if name == "dem":
            source, factor = settings.inputs.dem, settings.inputs.dem.metres_per_unit
        else:
            source = settings.inputs.covariates[name]
            factor = source.scale
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


class Relief(NamedTuple):
    """A picture of the ground: ``shade`` (uint8, row 0 northernmost, 0 dark, 255 bright or not known).

    ``bounds_m`` are west, south, east and north in the run's coordinates; ``known`` is False where the DEM
    has none.
    """

    shade: npt.NDArray[np.uint8]
    known: npt.NDArray[np.bool_]
    bounds_m: tuple[float, float, float, float]


def shade_relief(surface: Surface) -> Relief:
    """Shade the DEM.

    Parameters
    ----------
    surface : sitefinder.steps.terrain.Surface

    Returns
    -------
    Relief
        At most `MAX_CELLS` along its longer side.
    """
    grid = surface.grid
    times = max(1.0, max(grid.rows, grid.columns) / MAX_CELLS)
    rows, columns = (max(2, round(cells / times)) for cells in (grid.rows, grid.columns))
    elevation_m, known = read_reduced(surface.dem_path, rows, columns)
    width_m, height_m = grid.columns * grid.cell_width_m, grid.rows * grid.cell_height_m
    bounds_m = (grid.west_m, grid.north_m - height_m, grid.west_m + width_m, grid.north_m)
    shade = np.full(elevation_m.shape, SHADES, dtype=np.uint8)
    if known.any():
        level = elevation_m.astype(np.float64)
        # Holes get a level of their surroundings' kind, so that their edges are no cliffs.
        level[~known] = np.median(level[known])
        range_m = float(np.ptp(level[known]))
        stretched = max(1.0, RANGE_OF_SIDE * max(width_m, height_m) / range_m) if range_m > 0 else 1.0
        light = _hillshade(level, width_m / columns, height_m / rows, stretched)
        shade[known] = np.round(light[known] * SHADES).astype(np.uint8)
    return Relief(shade, known, bounds_m)


# Brightness of a matt surface, 0 for its darkest cell and 1 for its brightest: the cosine of the angle between its
# normal and the light (Lambert's law; slopes by central differences).
def _hillshade(
    level_m: npt.NDArray[np.float64], cell_width_m: float, cell_height_m: float, stretched: float
) -> npt.NDArray[np.float64]:
    azimuth, altitude = np.radians(90.0 - AZIMUTH_DEG), np.radians(ALTITUDE_DEG)
    # Row 0 is the northernmost.
    up, across = np.gradient(stretched * level_m, -cell_height_m, cell_width_m)
    toward = -across * np.cos(azimuth) * np.cos(altitude) - up * np.sin(azimuth) * np.cos(altitude)
    light = (toward + np.sin(altitude)) / np.sqrt(across**2 + up**2 + 1.0)
    darkest, range_of_light = light.min(), np.ptp(light)
    if range_of_light > FLAT:
        light = (light - darkest) / range_of_light
    brightness: npt.NDArray[np.float64] = np.clip(light, 0.0, 1.0)
    return brightness


class Drainage(NamedTuple):
    """What drains to each station, tile by tile and summed; ``label_tiles`` are (window, path) of the labels."""

    sums: StationSums
    cells: StreamCells
    label_tiles: list[tuple[Window, Path]]


def drain_terrain(
    settings: Settings,
    surface: Surface,
    network: Network,
    stationing: Stationing,
    channels: Channels,
    scratch: Path,
    executor: Executor,
    progress: Callable[[int, int], None] | None,
) -> Drainage:
    """Drain the region tile by tile to its stations."""
    grid, terrain = surface.grid, settings.terrain
    cells = stream_cells(*_pieces(stationing, channels), network.links["downstream_link"].to_numpy(), grid)
    tiles = tile_windows(grid, terrain.tile_rows, terrain.tile_columns)
    sums, label_tiles = drain_tiles(settings, surface, cells, tiles, scratch, executor, progress)
    merged = merge_tile_sums(sums, len(stationing.stations))
    if merged.cells.sum() == 0:
        raise InputError.of(
            "no ground of the DEM drains to any stream",
            expected="streams that lie on the DEM",
            found=f"{len(cells.row)} stream cells on a grid of {grid.rows} × {grid.columns}",
            fix="check that DEM and streams are of the same region",
        )
    return Drainage(merged, cells, label_tiles)


# Polylines in compressed form: the segments; from each station the way to its channel, where water that runs
# beside the drawn line is caught; and each headwater's first station as a single vertex.
def _pieces(
    stationing: Stationing, channels: Channels
) -> tuple[
    npt.NDArray[np.int64],
    npt.NDArray[np.float64],
    npt.NDArray[np.float64],
    npt.NDArray[np.int32],
    npt.NDArray[np.int32],
]:
    segments, stations = stationing.segments, stationing.stations
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


def drain_tiles(
    settings: Settings,
    surface: Surface,
    cells: StreamCells,
    tiles: list[Window],
    scratch: Path,
    executor: Executor,
    progress: Callable[[int, int], None] | None,
) -> tuple[list[TileSums], list[tuple[Window, Path]]]:
    """Drain tiles: with the flood each by itself, as tasks of the executor, else all at once.

    Parameters
    ----------
    settings : sitefinder.settings.Settings
    surface : Surface
    cells : StreamCells
    tiles : list of Window
    scratch : Path
        Where the labels of each tile are kept.
    executor : sitefinder.pipeline.executors.Executor
    progress : callable or None
        Called with the number of tiles done and of all tiles, after each one.

    Returns
    -------
    sums : list of TileSums
    label_tiles : list of (Window, Path)
        Where the labels of each tile lie.

    Raises
    ------
    InputError
        If the DEM is too large for an engine that takes it in one piece.
    """
    label_tiles = [(tile, _label_path(scratch, tile)) for tile in tiles]
    if settings.terrain.engine == "whitebox":
        return _drain_at_once(settings, surface, cells, tiles, scratch), label_tiles
    common = {
        "dem_path": str(surface.dem_path),
        "covariate_paths": {name: str(path) for name, path in surface.covariate_paths.items()},
        "grid": surface.grid,
        "cells": cells,
        "margin_cells": settings.terrain.margin_cells,
        "sink_depth_m": settings.terrain.sink_depth_m,
        "scratch": str(scratch),
    }
    items = ((f"tile at row {tile.row}, column {tile.column}", {"core": tile}) for tile in tiles)
    done = None if progress is None else lambda count: progress(count, len(tiles))
    return results_in_order(executor, _drain_one, common, items, "terrain", done), label_tiles


def _label_path(scratch: Path, tile: Window) -> Path:
    return scratch / f"labels-{tile.row}-{tile.column}.npz"


# One tile, on any worker: its labels stay in the scratch folder, its sums come back.
def _drain_one(
    core: Window,
    *,
    dem_path: str,
    covariate_paths: dict[str, str],
    grid: Grid,
    cells: StreamCells,
    margin_cells: int,
    sink_depth_m: float | None,
    scratch: str,
) -> TileSums:
    drained = drain_tile(
        partial(read_window, dem_path),
        core,
        grid,
        cells,
        margin_cells,
        read_covariates=partial(_scaled_covariates, covariate_paths),
        sink_depth_m=sink_depth_m,
    )
    write_labels(_label_path(Path(scratch), core), drained.label)
    return drained.sums


# The whole DEM in one window by the second engine, then summed tile by tile as the flood's answer is.
def _drain_at_once(
    settings: Settings, surface: Surface, cells: StreamCells, tiles: list[Window], scratch: Path
) -> list[TileSums]:
    grid, window = surface.grid, whole(surface.grid)
    elevation_m, valid = read_window(surface.dem_path, window)
    elevation_m, valid, seed = bridged(elevation_m, valid, seeds_in(cells, window), open_edges(window, grid))
    sinks = find_sinks(
        elevation_m,
        valid,
        seed,
        grid.cell_width_m,
        grid.cell_height_m,
        sink_depth_m=settings.terrain.sink_depth_m,
    )
    label, sink_number = sinks_distinguished(
        route_with_whitebox(elevation_m, valid, with_sinks(seed, sinks), grid, scratch)
    )
    is_edge = edge_cells(valid, open_edges(window, grid))
    sums = []
    for tile in tiles:
        part = part_of(tile, window)
        basins = sinks_of_tile(sinks, sink_number[part], window)
        covariates = _scaled_covariates(surface.covariate_paths, tile)
        sums.append(sums_of_labels(label[part], valid[part], is_edge[part], covariates, basins))
        write_labels(_label_path(scratch, tile), label[part])
    return sums


# Covariates of a window as whole steps, int64.
def _scaled_covariates(paths: Mapping[str, Path | str], window: Window) -> dict[str, npt.NDArray[np.int64]]:
    covariates = {}
    for name, path in paths.items():
        values, known = read_window(path, window)
        scaled = np.rint(values.astype(np.float64) * COVARIATE_STEPS)
        covariates[name] = np.where(known, scaled, MISSING).astype(np.int64)
    return covariates


def sum_catchments(
    settings: Settings, surface: Surface, network: Network, stationing: Stationing, terrain: Drainage
) -> pd.DataFrame:
    """Predictors of each station: ``area_km2``, each covariate, and the share of the catchment at the DEM's edge.

    Where streams part, side arms take their share of everything that arrives. A stated inflow adds to the area of
    the stream that brings it; covariates are means over the ground on the DEM alone.

    Returns
    -------
    DataFrame
        Columns ``area_km2``, ``inflow_km2`` (what of it is stated, outside the DEM), covariates, shares of
        polygons and of flow regions by name, ``cells`` that drain to the station, for each covariate
        ``NAME_covered_percent`` (the share of the ground on the DEM for which it has a value), ``edge_cells`` and
        ``incomplete``.
    """
    downstream = stationing.stations["downstream"].to_numpy().astype(np.int32)
    grid, sums = surface.grid, terrain.sums
    arms = side_arms(network.links, stationing.stations["link"].to_numpy())
    area_km2 = drained_area_km2(sums.cells, downstream, grid.cell_width_m * grid.cell_height_m, arms)
    inflow_km2, is_entry = inflows(network.links, stationing.stations, sums.cells)
    if inflow_km2.any():
        inflow_km2 = sums_by_arms(inflow_km2, downstream, arms)
        area_km2 = area_km2 + inflow_km2
    table = {"area_km2": area_km2, "inflow_km2": inflow_km2}
    for name in surface.covariate_paths:
        means = catchment_means(sums.sums[name], sums.covered[name], downstream, arms)
        table[name] = means / COVARIATE_STEPS
    cells = sums_by_arms(sums.cells, downstream, arms)
    table["cells"] = cells
    for name in settings.inputs.covariates:
        covered = sums_by_arms(sums.covered[name], downstream, arms)
        # Where no ground drains to a station, none of it is uncovered.
        share = np.divide(covered, cells, out=np.ones(len(cells)), where=cells > 0)
        table[f"{name}_covered_percent"] = PERCENT * share
    edge_cells = sums_by_arms(np.where(is_entry, 0, sums.edge_cells), downstream, arms)
    table["edge_cells"] = edge_cells
    table["incomplete"] = (edge_cells > 0) & (not settings.terrain.edge_is_divide)
    return pd.DataFrame(table)


def list_terrain_repairs(surface: Surface, terrain: Drainage) -> pd.DataFrame:
    """What was done to the surface before water was led over it, and where water was kept back.

    Returns
    -------
    DataFrame
        As the repairs of a layer.
    """
    rows = []
    if surface.filled_cells:
        rows.append(("dem", "", "small holes without data", f"interpolated, {surface.filled_cells} cells in all"))
    sinks = terrain.sums.sinks[["row", "column", "depth_m", "cells"]]
    for row, column, depth_m, cells in sinks.itertuples(index=False, name=None):
        x_m, y_m = centre_of(surface.grid, row, column)
        rows.append(
            (
                "dem",
                f"({x_m:.0f}, {y_m:.0f})",
                f"closed basin {depth_m:.1f} m deep",
                f"kept; {cells} cells drain to it and to no stream",
            )
        )
    return pd.DataFrame(rows, columns=REPAIR_COLUMNS)
