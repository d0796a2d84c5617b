"""From the warped DEM and the stream cells to what drains to each station, tile by tile."""

from functools import partial

import numpy as np
import pandas as pd

from sitefinder.io.rasters import read_window, write_labels
from sitefinder.io.whitebox_engine import route_with_whitebox
from sitefinder.pipeline.workers import mapped
from sitefinder.streams.lines import REPAIR_COLUMNS
from sitefinder.terrain.flood import edge_cells
from sitefinder.terrain.gaps import bridged
from sitefinder.terrain.grid import Window, centre_of, open_edges, whole
from sitefinder.terrain.sinks import find_sinks, sinks_told_apart, with_sinks
from sitefinder.terrain.stream_cells import seeds_in
from sitefinder.terrain.tiles import MISSING, drain_tile, sinks_of_tile, sums_of_labels

# Covariates are summed as whole thousandths, so that no order of adding can change a sum.
COVARIATE_STEPS = 1000.0


def drain_tiles(settings, surface, cells, tiles, scratch, progress):
    """Drain tiles: with the flood each by itself, on as many processes as the settings say, else all at once.

    Parameters
    ----------
    settings : sitefinder.config.Settings
    surface : Surface
    cells : StreamCells
    tiles : list of Window
    scratch : Path
        Where the labels of each tile are kept.
    progress : callable or None
        Told of each tile done.

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
    task = partial(
        _drain_one,
        surface=surface,
        cells=cells,
        margin_cells=settings.terrain.margin_cells,
        sink_depth_m=settings.terrain.sink_depth_m,
        scratch=scratch,
    )
    return mapped(task, tiles, settings.run.workers, done=progress), label_tiles


def _label_path(scratch, tile):
    return scratch / f"labels-{tile.row}-{tile.column}.npz"


# One tile, on any worker: its labels stay in the scratch folder, its sums come back.
def _drain_one(core: Window, *, surface, cells, margin_cells, sink_depth_m, scratch):
    def read(window):
        return *read_window(surface.dem_path, window), _scaled_covariates(surface, window)

    drained = drain_tile(read, core, surface.grid, cells, margin_cells, sink_depth_m=sink_depth_m)
    write_labels(_label_path(scratch, core), drained.label)
    return drained.sums


# The whole DEM in one window by the second engine, then told tile by tile as the flood's answer is.
def _drain_at_once(settings, surface, cells, tiles, scratch):
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
    label, sink_number = sinks_told_apart(
        route_with_whitebox(elevation_m, valid, with_sinks(seed, sinks), grid, scratch)
    )
    is_edge = edge_cells(valid, open_edges(window, grid))
    sums = []
    for tile in tiles:
        part = np.s_[tile.row : tile.row + tile.rows, tile.column : tile.column + tile.columns]
        basins = sinks_of_tile(sinks, sink_number[part], window)
        covariates = _scaled_covariates(surface, tile)
        sums.append(sums_of_labels(label[part], valid[part], is_edge[part], covariates, basins))
        write_labels(_label_path(scratch, tile), label[part])
    return sums


# Covariates of a window as whole steps, int64.
def _scaled_covariates(surface, window):
    covariates = {}
    for name, path in surface.covariate_paths.items():
        values, known = read_window(path, window)
        scaled = np.rint(values.astype(np.float64) * COVARIATE_STEPS)
        covariates[name] = np.where(known, scaled, MISSING).astype(np.int64)
    return covariates


def list_terrain_repairs(surface, ground):
    """What was done to the surface before water was led over it, and where water was kept back.

    Returns
    -------
    DataFrame
        As the repairs of a layer.
    """
    rows = []
    if surface.filled_cells:
        rows.append(("dem", "", "small holes without data", f"interpolated, {surface.filled_cells} cells in all"))
    for sink in ground.sums.sinks.itertuples():
        x_m, y_m = centre_of(surface.grid, sink.row, sink.column)
        rows.append(
            (
                "dem",
                f"({x_m:.0f}, {y_m:.0f})",
                f"closed basin {sink.depth_m:.1f} m deep",
                f"kept; {sink.cells} cells drain to it and to no stream",
            )
        )
    return pd.DataFrame(rows, columns=REPAIR_COLUMNS)
