"""A stream network from the DEM where none is mapped, tile by tile on any number of workers."""

from __future__ import annotations

import tempfile
from functools import partial
from pathlib import Path
from typing import IO, TYPE_CHECKING, Any, NamedTuple

import geopandas
import numpy as np
import shapely

from sitefinder.dem.derived_flow import (
    FAR,
    Areas,
    Drained,
    Levels,
    Rim,
    StreamCells,
    Tile,
    drained_tile,
    filled_tile,
    flat_steps,
    flats_across,
    inflows_of,
    must_be_redone,
    rim_levels,
    stream_cells_of,
    stream_links,
    survey_tile,
    tile_of,
)
from sitefinder.dem.grid import Grid, Window, centre_of, clipped, part_of, tile_windows, widened
from sitefinder.errors import InputError
from sitefinder.io import raster_library as rasterio
from sitefinder.io.raster import tile_transform, write_whole
from sitefinder.io.whitebox_engine import BREACH_SEARCH_CELLS, breach_depressions
from sitefinder.pipeline.executors import InThisProcess, results_in_order
from sitefinder.steps.part_size import DERIVED_MARGIN_CELLS, DERIVED_TILE_CELLS
from sitefinder.units import M2_PER_KM2

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    import numpy.typing as npt

    from sitefinder.pipeline.executors import Executor

# Times that all tiles are gone through: breaches, passes, levels, flats, directions, streams.
PASSES = 6


def derive_network(
    dem_path: str | Path,
    threshold_area_km2: float,
    scratch_folder: str | Path,
    executor: Executor | None = None,
    progress: Callable[[int, int], None] | None = None,
    *,
    tile_cells: int = DERIVED_TILE_CELLS,
    source_path: str | Path | None = None,
) -> geopandas.GeoDataFrame:
    """Stream lines where the area drained by single-direction flow reaches a threshold.

    Parameters
    ----------
    dem_path : str or Path
        A north-up raster in a projected system in metres, of one band of elevations.
    threshold_area_km2 : float
        Minimum catchment of a stream [km²].
    scratch_folder : str or Path
        Where tiles are kept meanwhile; it must exist, for all workers. What is written there is removed again.
    executor : sitefinder.pipeline.executors.Executor, optional
        Does the tiles; absent: this process.
    progress : callable, optional
        Called with the number of tiles done and of all, after each one; a tile counts once in each of its passes.
    tile_cells : int, optional
        Cells along a side of a tile. Directions do not depend on it; breaches are looked for in a tile with what
        lies around it.
    source_path : str or Path, optional
        The DEM that errors name, where `dem_path` is a copy that goes with the run; absent: `dem_path`.

    Returns
    -------
    GeoDataFrame
        One row a link, in the DEM's system: ``stream_id`` (text, from row and column of the link's first
        cell, so that it stays the same as long as the DEM does) and the line, from cell centre to
        cell centre, digitised downstream. Lines meet exactly. Sorted by ``stream_id``.

    Raises
    ------
    InputError
        If the DEM has no system in metres, is rotated or holds no data, or no stream drains the threshold.

    Notes
    -----
    Depressions are breached along the least-cost path, tile by tile, and filled where none is found nearby
    (`sitefinder.io.whitebox_engine.breach_depressions`). Directions are those of a priority flood of the whole DEM
    (`sitefinder.dem.derived_flow`).
    """
    executor = InThisProcess() if executor is None else executor
    named = dem_path if source_path is None else source_path
    grid, crs = _usable_grid(Path(dem_path))
    cell_km2 = grid.cell_width_m * grid.cell_height_m / M2_PER_KM2
    if threshold_area_km2 <= cell_km2:
        raise InputError.of(
            "the threshold for a stream is smaller than a cell of the DEM",
            file=named,
            expected=f"more than {cell_km2:g} km²",
            found=f"{threshold_area_km2:g} km²",
            fix="raise network.derive_threshold_km2",
        )
    with tempfile.TemporaryDirectory(dir=scratch_folder, prefix="derived-") as folder:
        tiles = _Tiles(TileFolder(folder, grid, tile_cells), executor, progress)
        _breach(tiles, Path(dem_path), named)
        levels = rim_levels(tiles.each("passes", _survey_one), grid)
        tiles.let_go("ground")
        tiles.each("levels", _fill_one, lambda window: {"levels": _levels_near(levels, window, grid)})
        tiles.let_go("water", "end")
        steps = _steps_through_flats(tiles, levels)
        drained = tiles.each("directions", _drain_one, lambda window: _rim_steps_near(levels, steps, window, grid))
        cell, cells = inflows_of(drained)

        def of_tile(window: Window) -> dict[str, Any]:
            near = _near(cell, window, grid)
            return {"cell": cell[near], "cells": cells[near], "threshold_cells": threshold_area_km2 / cell_km2}

        streams: list[StreamCells] = tiles.each("streams", _extract_one, of_tile)
    found = np.concatenate([part.cell for part in streams])
    start, along = stream_links(found, np.concatenate([part.pointer for part in streams]), grid)
    if not len(along):
        largest_km2 = max(part.most_cells for part in streams) * cell_km2
        raise InputError.of(
            "no stream drains the threshold area",
            file=named,
            expected=f"cells one below the other that drain at least {threshold_area_km2:g} km²",
            found=f"at most {largest_km2:.3g} km²",
            fix="lower network.derive_threshold_km2, or use a DEM that holds the whole catchment",
        )
    return _lines(start, along, grid, crs)


class TileFolder(NamedTuple):
    """The folder where what is known of the tiles of a grid is kept, which every task is handed."""

    folder: str
    grid: Grid
    tile_cells: int

    def path(self, what: str, window: Window) -> Path:
        """Where one of the arrays of a tile lies, such as its ground or its directions."""
        return Path(self.folder) / f"{what}-{window.row}-{window.column}.npy"

    def keep(self, what: str, window: Window, array: npt.NDArray[Any]) -> None:
        """Keep an array of a tile."""
        write_whole(self.path(what, window), partial(_save, array))

    def of(self, what: str, window: Window) -> npt.NDArray[Any]:
        """An array of a tile, as it was kept."""
        found: npt.NDArray[Any] = np.load(self.path(what, window))
        return found

    def tile(self, window: Window) -> Tile:
        """A tile with its ground, from what is kept of it and of those around it."""
        around, side = widened(window, 1, self.grid), self.tile_cells
        ground_m = np.full((around.rows, around.columns), np.nan, dtype=np.float32)
        for row in range(around.row // side, (around.row + around.rows - 1) // side + 1):
            for column in range(around.column // side, (around.column + around.columns - 1) // side + 1):
                other = clipped(Window(row * side, column * side, side, side), self.grid)
                shared = _common(other, around)
                kept = np.load(self.path("ground", other), mmap_mode="r")
                ground_m[part_of(shared, around)] = kept[part_of(shared, other)]
        return tile_of(ground_m, window, self.grid)


def _save(array: npt.NDArray[Any], file: IO[bytes]) -> None:
    np.save(file, array)


# The part that two windows share.
def _common(one: Window, other: Window) -> Window:
    row, column = max(one.row, other.row), max(one.column, other.column)
    end_row = min(one.row + one.rows, other.row + other.rows)
    end_column = min(one.column + one.columns, other.column + other.columns)
    return Window(row, column, end_row - row, end_column - column)


# All tiles, and who does them.
class _Tiles:
    def __init__(self, kept: TileFolder, executor: Executor, progress: Callable[[int, int], None] | None) -> None:
        self.kept, self.windows = kept, tile_windows(kept.grid, kept.tile_cells, kept.tile_cells)
        self._to_do = PASSES * len(self.windows)
        self._executor, self._progress, self._done = executor, progress, 0

    # Results of a function for each tile, or for those of some numbers, in their order.
    def each(
        self,
        what: str,
        function: Callable[..., Any],
        own: Callable[[Window], dict[str, Any]] = lambda window: {},
        numbers: Sequence[int] | None = None,
        **common: Any,
    ) -> list[Any]:
        windows = self.windows if numbers is None else [self.windows[number] for number in numbers]
        items = [(f"{what} of the tile at row {window.row}, column {window.column}", window) for window in windows]

        # How many tiles are looked at again is not known beforehand.
        def done(_: int) -> None:
            if self._progress is not None and numbers is None:
                self._done += 1
                self._progress(self._done, self._to_do)

        return results_in_order(
            self._executor,
            function,
            {"kept": self.kept, **common},
            ((name, {"window": window, **own(window)}) for name, window in items),
            "network",
            done,
        )

    # Remove arrays of all tiles that no pass to come reads, since all of them may need more room than the DEM.
    def let_go(self, *what: str) -> None:
        for name in what:
            for window in self.windows:
                self.kept.path(name, window).unlink(missing_ok=True)


# A DEM's grid and its system, where a network can be derived from it.
def _usable_grid(dem_path: Path) -> tuple[Grid, Any]:
    with rasterio.open(dem_path) as dem:
        if dem.crs is None or not dem.crs.is_projected or dem.crs.linear_units_factor[1] != 1.0:
            raise InputError.of(
                "the DEM is not in a projected system in metres",
                file=dem_path,
                found=dem.crs.to_string() if dem.crs else "no coordinate system",
                fix="derive the network from the run's own warped copy",
            )
        transform = dem.transform
        if transform.b != 0.0 or transform.d != 0.0 or transform.e >= 0.0 or transform.a <= 0.0:
            raise InputError.of(
                "the DEM is not north-up",
                file=dem_path,
                found=f"transform {tuple(transform)[:6]}",
                fix="warp it to a north-up grid, for example with gdalwarp",
            )
        return Grid(dem.height, dem.width, transform.c, transform.f, transform.a, -transform.e), dem.crs


# Keep the breached ground of each tile.
def _breach(tiles: _Tiles, dem_path: Path, named: str | Path) -> None:
    has_data = tiles.each("breaches", _breach_one, dem_path=str(dem_path))
    if not any(has_data):
        with rasterio.open(dem_path) as dem:
            nodata = dem.nodata
        raise InputError.of(
            "the DEM holds no data",
            file=named,
            found=f"only nodata ({nodata})",
            fix="check its nodata value",
        )


def _breach_one(window: Window, kept: TileFolder, dem_path: str) -> bool:
    around = widened(window, DERIVED_MARGIN_CELLS, kept.grid)
    with rasterio.open(dem_path) as dem:
        place = rasterio.windows.Window(around.column, around.row, around.columns, around.rows)
        band = dem.read(1, window=place, masked=True)
    valid = ~np.ma.getmaskarray(band) & np.isfinite(band.data)
    ground_m = np.where(valid, band.data, np.nan).astype(np.float32)
    if valid.any():
        transform = tile_transform(around, kept.grid)
        ground_m = breach_depressions(ground_m, valid, transform, kept.folder, BREACH_SEARCH_CELLS)
    part = part_of(window, around)
    kept.keep("ground", window, ground_m[part])
    return bool(valid[part].any())


def _survey_one(window: Window, kept: TileFolder) -> Rim:
    rim, areas = survey_tile(kept.tile(window), kept.grid)
    kept.keep("water", window, areas.surface)
    kept.keep("end", window, areas.end)
    return rim


def _fill_one(window: Window, kept: TileFolder, levels: Levels) -> None:
    areas = Areas(kept.of("water", window), kept.of("end", window))
    kept.keep("filled", window, filled_tile(areas, levels, window, kept.grid))


# Steps of the cells of all rims, until no tile knows of a shorter way.
def _steps_through_flats(tiles: _Tiles, levels: Levels) -> npt.NDArray[np.int32]:
    grid = tiles.kept.grid
    steps = np.full(len(levels.cell), FAR, dtype=np.int32)
    of_tile = np.argsort(levels.tile, kind="stable")
    ends = np.cumsum(np.bincount(levels.tile, minlength=len(tiles.windows)))[:-1]
    places = np.split(of_tile, ends)
    pairs = flats_across(levels, grid)
    near = partial(_rim_steps_near, levels, steps, grid=grid)
    due: list[int] | None = None
    while due is None or due:
        found = tiles.each("flats", _step_one, near, due)
        for number, own in zip(range(len(places)) if due is None else due, found, strict=True):
            steps[places[number]] = own
        due = must_be_redone(pairs, levels.tile, steps)
    return steps


# Steps of the cells of a tile's own rim.
def _step_one(
    window: Window, kept: TileFolder, cell: npt.NDArray[np.int64], steps: npt.NDArray[np.int32]
) -> npt.NDArray[np.int32]:
    found = flat_steps(kept.of("filled", window), cell, steps, window, kept.grid)
    row, column = np.divmod(cell[_near(cell, window, kept.grid)], kept.grid.columns)
    of_rim: npt.NDArray[np.int32] = found[row - window.row + 1, column - window.column + 1]
    return of_rim


def _drain_one(
    window: Window, kept: TileFolder, cell: npt.NDArray[np.int64], steps: npt.NDArray[np.int32]
) -> Drained:
    surface = kept.of("filled", window)
    found = flat_steps(surface, cell, steps, window, kept.grid)
    pointer, drained = drained_tile(surface, found, window, kept.grid)
    kept.keep("pointer", window, pointer)
    passed: Drained = drained
    return passed


def _extract_one(
    window: Window,
    kept: TileFolder,
    cell: npt.NDArray[np.int64],
    cells: npt.NDArray[np.int64],
    threshold_cells: float,
) -> StreamCells:
    valid = np.isfinite(kept.of("filled", window)[1:-1, 1:-1])
    pointer = kept.of("pointer", window)
    return stream_cells_of(pointer, valid, cell, cells, window, kept.grid, threshold_cells)


# Places, among cells in the order of their numbers, of those in a window.
def _near(cell: npt.NDArray[np.int64], window: Window, grid: Grid) -> npt.NDArray[np.int64]:
    rows = np.array([window.row, window.row + window.rows])
    first, end = np.searchsorted(cell, rows * grid.columns).tolist()
    column = cell[first:end] % grid.columns
    is_near = (column >= window.column) & (column < window.column + window.columns)
    near: npt.NDArray[np.int64] = first + np.flatnonzero(is_near)
    return near


def _levels_near(levels: Levels, window: Window, grid: Grid) -> Levels:
    near = _near(levels.cell, widened(window, 1, grid), grid)
    return Levels(levels.cell[near], levels.tile[near], levels.level_m[near])


def _rim_steps_near(
    levels: Levels, steps: npt.NDArray[np.int32], window: Window, grid: Grid
) -> dict[str, npt.NDArray[Any]]:
    near = _near(levels.cell, widened(window, 1, grid), grid)
    return {"cell": levels.cell[near], "steps": steps[near]}


# Lines with stable ids; what lies on a straight line between two cells is left out.
def _lines(
    start: npt.NDArray[np.int64], along: npt.NDArray[np.int64], grid: Grid, crs: Any
) -> geopandas.GeoDataFrame:
    row, column = np.divmod(along, grid.columns)
    first, last = start[:-1], start[1:] - 1
    is_turn = np.ones(len(along), dtype=bool)
    is_turn[1:-1] = (np.diff(row, n=2) != 0) | (np.diff(column, n=2) != 0)
    is_turn[first], is_turn[last] = True, True
    line = np.repeat(np.arange(len(first)), np.diff(start))
    x_m, y_m = centre_of(grid, row[is_turn], column[is_turn])
    geometry = shapely.linestrings(np.column_stack([x_m, y_m]), indices=line[is_turn])
    digits = len(str(max(grid.rows, grid.columns) - 1))
    stream_id = [
        f"r{at_row:0{digits}d}c{at_column:0{digits}d}"
        for at_row, at_column in zip(row[first].tolist(), column[first].tolist(), strict=True)
    ]
    # In the order of their ids, since links are in that of their first cells.
    return geopandas.GeoDataFrame({"stream_id": stream_id}, geometry=geometry, crs=crs)
