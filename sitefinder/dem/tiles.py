"""The local catchment of each station, tile by tile: cells, and sums of each covariate."""

from typing import NamedTuple

import numpy as np
import pandas as pd

from sitefinder.compiled import kernel
from sitefinder.dem.grid import Window, open_edges, part_of, widened
from sitefinder.dem.priority_flood import (
    OFF_DEM,
    SINK,
    UNKNOWN,
    bridged,
    edge_cells,
    flood_with_sinks,
)
from sitefinder.dem.stream_cells import seeds_in

# Marks a cell for which a covariate has no value.
MISSING = np.iinfo(np.int64).min
SINK_COLUMNS = {"row": np.int64, "column": np.int64, "depth_m": np.float64, "cells": np.int64}


class TileSums(NamedTuple):
    """Local catchments of one tile; arrays follow ``label``, the stations present, ascending.

    ``cells`` and ``edge_cells`` (of them, those beyond which the DEM ends) are counts; ``sums`` and ``covered``
    hold for each covariate the sum of its scaled values and the number of cells that have one. All are int64.
    ``sinks`` has a row for each closed basin that cells of the tile drain to: ``row`` and ``column`` of its lowest
    cell in the grid, ``depth_m`` below its rim, and ``cells``, how many of the tile drain to it.
    ``unknown_cells``, ``off_dem_cells`` and ``sink_cells`` are cells of the tile that reach no station: because
    the window was too small, because their water leaves the DEM, and because it ends in a closed basin;
    ``no_data_cells`` are none of these.
    """

    label: np.ndarray
    cells: np.ndarray
    edge_cells: np.ndarray
    sums: dict
    covered: dict
    sinks: pd.DataFrame
    unknown_cells: int
    off_dem_cells: int
    sink_cells: int
    no_data_cells: int


class DrainedTile(NamedTuple):
    """Sums of a tile, the label of each of its cells (int32), and the window that they were found in."""

    sums: TileSums
    label: np.ndarray
    window: Window


# What is known of the cells of a tile, arrays of its shape: labels; of those that drain to a closed basin the
# number of its lowest cell in the grid, -1 for the others (None where there are no basins), and the depths of
# basins by that number; which have data, and which lie at the edge of the DEM.
class _Known(NamedTuple):
    label: np.ndarray
    basin: np.ndarray | None
    depth_m: dict
    valid: np.ndarray
    is_edge: np.ndarray


class StationSums(NamedTuple):
    """What drains straight to each station from all tiles; arrays of shape (stations,), else as `TileSums`."""

    cells: np.ndarray
    edge_cells: np.ndarray
    sums: dict
    covered: dict
    sinks: pd.DataFrame
    unknown_cells: int
    off_dem_cells: int
    sink_cells: int
    no_data_cells: int


def drain_tile(read, core, grid, cells, margin_cells, *, read_covariates=None, sink_depth_m=None) -> DrainedTile:
    """Sums of one tile, with a window no larger than it takes to know where each cell of it drains.

    Parameters
    ----------
    read : callable
        ``read(window)`` gives ``(elevation_m, valid)`` of that window, as `drain_window` takes them.
    core : Window
        The tile.
    grid : Grid
    cells : StreamCells
    margin_cells : int
        Margin round the tile to begin with [cells]. Cells of which it leaves something unknown are looked at once
        more in smaller windows around them alone, with twice the margin, until none is left.
    read_covariates : callable, optional
        ``read_covariates(core)`` gives ``covariates`` of the tile, as `drain_window` takes them.
    sink_depth_m : float or None
        Depth from which on a hollow is a closed basin [m], as `flood_with_sinks` takes it.

    Returns
    -------
    DrainedTile
        ``unknown_cells`` is always 0: at the latest a border is that of the grid, which is not open. ``window`` is
        the first one.

    Raises
    ------
    ValueError
        If the margin is not at least one cell, which the tile's own border cells need.

    Notes
    -----
    That windows may be of any size rests on what `flood` and `flood_with_sinks` promise: what a window knows of a
    cell is what the whole DEM would say.
    """
    if margin_cells < 1:
        raise ValueError(f"the margin of a tile must be at least 1 cell, not {margin_cells}")
    window = widened(core, margin_cells, grid)
    known = _known_in(read, core, window, grid, cells, sink_depth_m)
    waiting = [(core, margin_cells)] if np.any(known.label == UNKNOWN) else []
    while waiting:
        part, margin = waiting.pop()
        margin *= 2
        for box in _boxes(known.label, part, core, margin, grid):
            found = _known_in(read, box, widened(box, margin, grid), grid, cells, sink_depth_m)
            _fill_in(known, found, box, core)
            if np.any(found.label == UNKNOWN):
                waiting.append((box, margin))
    covariates = {} if read_covariates is None else read_covariates(core)
    return DrainedTile(_sums_of(known, covariates, grid), known.label, window)


# What a window knows of a part of a tile.
def _known_in(read, core, window, grid, cells, sink_depth_m):
    elevation_m, valid = read(window)
    return _flooded(elevation_m, valid, seeds_in(cells, window), core, window, grid, sink_depth_m)


# Windows that hold the unknown cells of a part of a tile: one around each group of them, or one around all where
# that is less to flood with the margin.
def _boxes(label, part, core, margin, grid):
    unknown = label[part_of(part, core)] == UNKNOWN
    side = max(margin // 4, 1)
    rows, columns = np.nonzero(unknown)
    if not len(rows):
        return []
    squares = np.zeros((-(-part.rows // side), -(-part.columns // side)), dtype=bool)
    squares[rows // side, columns // side] = True
    from scipy import ndimage  # noqa: PLC0415 - large, and only tiles whose cells are not all known need it

    groups = ndimage.label(squares, np.ones((3, 3)))[0][rows // side, columns // side]

    def around(own):
        first_row, first_column = rows[own].min(), columns[own].min()
        return Window(
            int(part.row + first_row),
            int(part.column + first_column),
            int(rows[own].max() - first_row) + 1,
            int(columns[own].max() - first_column) + 1,
        )

    def size(box):
        window = widened(box, margin, grid)
        return window.rows * window.columns

    boxes = [around(groups == group) for group in range(1, groups.max() + 1)]
    whole = around(slice(None))
    return boxes if sum(map(size, boxes)) < size(whole) else [whole]


# Put what a box knows in place of what was unknown of the tile.
def _fill_in(known, found, box, core):
    part = part_of(box, core)
    missing = known.label[part] == UNKNOWN
    known.label[part][missing] = found.label[missing]
    if known.basin is not None:
        known.basin[part][missing] = found.basin[missing]
    known.depth_m.update(found.depth_m)


def drain_window(elevation_m, valid, seed, *, core, window, grid, covariates, sink_depth_m=None):
    """Sums of the cells of a tile, as far as they are known from one window.

    Parameters
    ----------
    elevation_m : ndarray of float32, shape (window.rows, window.columns)
        Ground elevation [m].
    valid : ndarray of bool, same shape
        False where the DEM has no data.
    seed : ndarray of int32, same shape
        Station number of stream cells, `NO_SEED` elsewhere.
    core, window : Window
        The tile, and the window that the arrays hold, both in the grid.
    grid : Grid
    covariates : dict of str to ndarray of int64, same shape
        Scaled values of each covariate, `MISSING` where there is none. Integers add up to the same sum
        in any order, so that tiles and workers cannot change it.
    sink_depth_m : float or None
        Depth from which on a hollow is a closed basin [m], as `flood_with_sinks` takes it.

    Returns
    -------
    DrainedTile

    Raises
    ------
    ValueError
        If an array has not the shape of the window, or the tile is not at least one cell inside each
        open border of the window, so that its cells' neighbours would be unknown.
    """
    for name, array in {"elevation_m": elevation_m, "valid": valid, "seed": seed, **covariates}.items():
        if array.shape != (window.rows, window.columns):
            raise ValueError(f"{name} has shape {array.shape}, the window {(window.rows, window.columns)}")
    edges = open_edges(window, grid)
    minimum = Window(core.row - window.row, core.column - window.column, core.rows, core.columns)
    room = (
        minimum.row,
        window.rows - minimum.row - core.rows,
        minimum.column,
        window.columns - minimum.column - core.columns,
    )
    if min(room) < 0 or any(is_open and cells < 1 for is_open, cells in zip(edges, room, strict=True)):
        raise ValueError(f"{core} must lie a cell inside the open borders of {window}")

    known = _flooded(elevation_m, valid, seed, core, window, grid, sink_depth_m)
    part = part_of(core, window)
    own = {name: values[part] for name, values in covariates.items()}
    return DrainedTile(_sums_of(known, own, grid), known.label, window)


# What a window knows of a tile.
def _flooded(elevation_m, valid, seed, core, window, grid, sink_depth_m):
    edges, part = open_edges(window, grid), part_of(core, window)
    elevation_m, valid, seed = bridged(elevation_m, valid, seed, edges)
    drained, sinks, sink_number = flood_with_sinks(
        elevation_m, valid, seed, edges, grid.cell_width_m, grid.cell_height_m, sink_depth_m=sink_depth_m
    )
    basin, depth_m = None, {}
    if sink_number is not None:
        number = (sinks.row.astype(np.int64) + window.row) * grid.columns + sinks.column + window.column
        basin = np.append(number, -1)[sink_number[part]]
        depth_m = dict(zip(number.tolist(), sinks.depth_m.tolist(), strict=True))
    label = np.array(drained.label[part], order="C")
    return _Known(label, basin, depth_m, valid[part], edge_cells(valid, edges)[part])


def _sums_of(known, covariates, grid):
    basins, cells = [], []
    if known.basin is not None:
        basins, cells = np.unique(known.basin[known.basin >= 0], return_counts=True)
    table = {
        "row": np.asarray(basins) // grid.columns,
        "column": np.asarray(basins) % grid.columns,
        "depth_m": [known.depth_m[each] for each in np.asarray(basins).tolist()],
        "cells": cells,
    }
    sinks = pd.DataFrame(table).astype(SINK_COLUMNS)
    return sums_of_labels(known.label, known.valid, known.is_edge, covariates, sinks)


def sinks_of_tile(sinks, sink_number, window):
    """Closed basins that cells of a tile drain to.

    Parameters
    ----------
    sinks : Sinks
        Of a window.
    sink_number : ndarray of int32, shape of the tile, or None
        Place in `sinks` of the basin of each cell, -1 without one; None where there are no basins.
    window : Window
        Place of that window in the grid.

    Returns
    -------
    DataFrame
        As in `TileSums`.
    """
    numbers = np.zeros(0, np.int64) if sink_number is None else sink_number[sink_number >= 0]
    cells = np.bincount(numbers, minlength=len(sinks.row))
    present = np.flatnonzero(cells)
    table = {
        "row": sinks.row[present] + window.row,
        "column": sinks.column[present] + window.column,
        "depth_m": sinks.depth_m[present],
        "cells": cells[present],
    }
    return pd.DataFrame(table).astype(SINK_COLUMNS)


def merge_tile_sums(tiles, n_stations) -> StationSums:
    """What drains straight to each station, from the sums of all tiles.

    Parameters
    ----------
    tiles : list of TileSums
        In any order.
    n_stations : int

    Returns
    -------
    StationSums

    Raises
    ------
    ValueError
        If a tile names a station that does not exist, or tiles differ in their covariates.
    """
    names = list(tiles[0].sums) if tiles else []
    merged = StationSums(
        cells=np.zeros(n_stations, dtype=np.int64),
        edge_cells=np.zeros(n_stations, dtype=np.int64),
        sums={name: np.zeros(n_stations, dtype=np.int64) for name in names},
        covered={name: np.zeros(n_stations, dtype=np.int64) for name in names},
        sinks=_merged_sinks([tile.sinks for tile in tiles if len(tile.sinks)]),
        unknown_cells=sum(tile.unknown_cells for tile in tiles),
        off_dem_cells=sum(tile.off_dem_cells for tile in tiles),
        sink_cells=sum(tile.sink_cells for tile in tiles),
        no_data_cells=sum(tile.no_data_cells for tile in tiles),
    )
    for tile in tiles:
        if list(tile.sums) != names:
            raise ValueError(f"tiles have different covariates: {names} and {list(tile.sums)}")
        if tile.label.size and tile.label[-1] >= n_stations:
            raise ValueError(f"a tile drains to station {tile.label[-1]}, but there are {n_stations}")
        # Labels of a tile are unique, so plain indexing adds each once.
        merged.cells[tile.label] += tile.cells
        merged.edge_cells[tile.label] += tile.edge_cells
        for name in names:
            merged.sums[name][tile.label] += tile.sums[name]
            merged.covered[name][tile.label] += tile.covered[name]
    return merged


# Each closed basin once: every tile that knows of it found the same depth.
def _merged_sinks(tables):
    if not tables:
        return pd.DataFrame({"row": [], "column": [], "depth_m": [], "cells": []}).astype(SINK_COLUMNS)
    together = pd.concat(tables, ignore_index=True).groupby(["row", "column"], sort=True, as_index=False)
    return together.agg(depth_m=("depth_m", "first"), cells=("cells", "sum")).astype(SINK_COLUMNS)


def sums_of_labels(label, valid, is_edge, covariates, sinks):
    """Sums of a tile whose cells have their labels already, from any engine.

    Parameters
    ----------
    label : ndarray of int32, shape (rows, columns)
        Station that each cell drains to, or `OFF_DEM`, `UNKNOWN` or `SINK`.
    valid : ndarray of bool, same shape
        False where the DEM has no data.
    is_edge : ndarray of bool, same shape
        True in cells beyond which the DEM ends.
    covariates : dict of str to ndarray of int64, same shape
        As `drain_window` takes them.
    sinks : DataFrame
        As in `TileSums`.

    Returns
    -------
    TileSums
    """
    drains = label >= 0
    lowest = label[drains].min(initial=np.iinfo(np.int32).max)
    position = np.where(drains, label - lowest, -1)
    cells = np.bincount(position[drains])
    present = np.flatnonzero(cells)
    edges = np.bincount(position[drains & is_edge], minlength=cells.size)
    added = {name: _added(position, values, cells.size) for name, values in covariates.items()}
    no_data = int(np.count_nonzero(~valid))
    return TileSums(
        label=(present + lowest).astype(np.int32),
        cells=cells[present],
        edge_cells=edges[present],
        sums={name: total[present] for name, (total, _) in added.items()},
        covered={name: counted[present] for name, (_, counted) in added.items()},
        sinks=sinks,
        unknown_cells=int(np.count_nonzero(label == UNKNOWN)),
        off_dem_cells=int(np.count_nonzero(label == OFF_DEM)) - no_data,
        sink_cells=int(np.count_nonzero(label == SINK)),
        no_data_cells=no_data,
    )


# Sum and count of the values that are there, by position; cells at -1 drain to no station.
@kernel(takes="int32[:, ::1], int64[:, ::1], int64")
def _added(position, values, size):
    total = np.zeros(size, dtype=np.int64)
    counted = np.zeros(size, dtype=np.int64)
    for row in range(position.shape[0]):
        for column in range(position.shape[1]):
            place = position[row, column]
            if place >= 0 and values[row, column] != MISSING:
                total[place] += values[row, column]
                counted[place] += 1
    return total, counted
