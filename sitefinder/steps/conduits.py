"""The stages of conduits: the way of each diversion's headrace and penstock over the ground."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, NamedTuple

import geopandas
import numpy as np
import pandas as pd
import shapely

from sitefinder.dem.grid import Window, clipped
from sitefinder.energy.works import penstock_length_m, route_prices, works_numbers
from sitefinder.io import raster_library as rasterio
from sitefinder.io.raster import read_window, tile_transform
from sitefinder.pipeline.executors import InThisProcess, log_finished
from sitefinder.schema import is_scheme_that
from sitefinder.siting.conduits import (
    BARRED,
    BUILDING,
    NO_ROUTE,
    PARTS,
    ROAD,
    STRAIGHT,
    Ground,
    Limits,
    Prices,
    find_conduits,
)
from sitefinder.vocabulary import ALONG_HILLSIDE, STRAIGHT_LINE

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    import numpy.typing as npt

    from sitefinder.catalogue.costs import CostFile
    from sitefinder.dem.grid import Grid
    from sitefinder.network.stations import Stationing
    from sitefinder.pipeline.executors import Executor
    from sitefinder.settings import Settings
    from sitefinder.siting.candidates import Stretches
    from sitefinder.steps.heads import Profile
    from sitefinder.steps.inputs import RunInputs
    from sitefinder.steps.terrain import Surface

# Side of the squares of the grid by which intakes are taken together: a square is a task, and bounds the memory.
SQUARE_CELLS = 1024
# A stream of no known flow is priced as one of this [m³/s].
LEAST_FLOW_M3S = 0.01
# What is not known where the ground was not looked at.
GROUND_COLUMNS = [name for name in PARTS if name not in ("headrace_length_m", "penstock_length_m")]


class Ways(NamedTuple):
    """The ways of the candidates' conduits.

    ``table`` has a row for each candidate: ``conduit_route`` and ``conduit_bank`` ("" without one),
    ``conduit_length_m``, the columns of `sitefinder.siting.conduits.PARTS` (NaN where the ground was not looked at
    or does not show a way, but for the lengths; 0 for candidates without a conduit), ``conduit_unresolved`` and
    ``no_conduit``. ``vertices[start[c]:start[c + 1]]`` are x and y of candidate c's line from the intake to the
    powerhouse [m], of which the last piece is the penstock; none where no way was found.
    """

    table: pd.DataFrame
    start: npt.NDArray[np.int64]
    vertices: npt.NDArray[np.float64]


def find_ways(
    settings: Settings,
    inputs: RunInputs,
    surface: Surface,
    stationing: Stationing,
    heads: Profile,
    candidates: Stretches,
    best_case: pd.DataFrame | None = None,
    executor: Executor | None = None,
) -> Ways:
    """The cheapest way that can be built for the conduit of each diversion, over the cells of the run's surface.

    With the best case (`sitefinder.steps.candidates.value_best_case`), only of those that may pay; of the others
    no more is said than the length of the stream, and not that there is no conduit.

    Where the ground is too coarse, the conduit is as long as the stream, and its last part is a penstock as long
    as the cost file says for each metre of head. The same length stands where no conduit can be built, for tables
    only.

    The executor does the searches, square by square of the grid; absent: this process does.
    """
    table = candidates.table
    diverts = is_scheme_that(table["scheme_type"], "diverts")
    found = _without_ground(settings, inputs, table, diverts)
    lines: dict[int, npt.NDArray[np.float64]] = {}
    rows = np.flatnonzero(diverts if best_case is None else best_case["may_pay"].to_numpy(dtype=bool))
    if settings.conduits.route == "straight_line" or not len(rows):
        return Ways(found, *_joined_lines(lines, len(table)))
    squares = _squares(settings, inputs, surface, stationing, table.iloc[rows])
    common = {
        "dem_path": str(surface.dem_path),
        "grid": surface.grid,
        "stations": _course(stationing, heads),
        "limits": _limits(settings),
    }
    executor = InThisProcess() if executor is None else executor
    own_rows = {}

    # Shapes are looked for when there is room for the work.
    def tasks() -> Iterator[tuple[str, dict[str, Any]]]:
        for square in squares:
            item = f"square at row {square.window.row}, column {square.window.column}"
            own_rows[item] = square.rows
            yield item, {"square": square}

    for answer in executor.answers(_find_in_square, common, tasks(), "conduits"):
        log_finished("conduits", answer.item, answer.seconds, executor.peak_memory_mb)
        ways, at = answer.result.table, rows[own_rows[answer.item]]
        drawn = np.split(answer.result.vertices, answer.result.start[1:-1])
        is_found = (ways["route"] != NO_ROUTE).to_numpy()
        found.loc[at, "conduit_unresolved"] = ways["unresolved"].to_numpy()
        found.loc[at, "no_conduit"] = ~is_found & ~ways["unresolved"].to_numpy()
        lines |= dict(zip(at.tolist(), drawn, strict=True))
        at, ways = at[is_found], ways[is_found]
        found.loc[at, list(PARTS)] = ways[list(PARTS)].to_numpy()
        found.loc[at, "conduit_route"] = np.where(ways["route"] == STRAIGHT, STRAIGHT_LINE, ALONG_HILLSIDE)
        found.loc[at, "conduit_bank"] = ways["bank"].to_numpy()
        found.loc[at, "conduit_length_m"] = (ways["headrace_length_m"] + ways["penstock_length_m"]).to_numpy()
    return Ways(found, *_joined_lines(lines, len(table)))


# The lines of candidates one after the other, and where each begins.
def _joined_lines(
    lines: dict[int, npt.NDArray[np.float64]], count: int
) -> tuple[npt.NDArray[np.int64], npt.NDArray[np.float64]]:
    order = sorted(lines)
    length = np.zeros(count, dtype=np.int64)
    length[order] = [len(lines[row]) for row in order]
    vertices = np.concatenate([np.zeros((0, 2)), *(lines[row] for row in order)])
    return np.append(0, np.cumsum(length)), vertices


class Square(NamedTuple):
    """Diversions whose intakes lie in one square of the grid, with what lies as far around as a way can lead.

    ``rows`` are the numbers of the diversions, ``intake``, ``tailrace`` and ``prices`` of these. ``streams`` holds
    the ``link`` of each line, ``obstacles`` the ``bit`` of each shape as `sitefinder.siting.conduits` has it.
    """

    window: Window
    rows: npt.NDArray[np.int64]
    intake: npt.NDArray[np.int64]
    tailrace: npt.NDArray[np.int64]
    prices: Prices
    streams: geopandas.GeoDataFrame
    obstacles: geopandas.GeoDataFrame


# The ways of one square, on any worker; lines one after the other as in `Ways`.
def _find_in_square(square: Square, *, dem_path: str, grid: Grid, stations: pd.DataFrame, limits: Limits) -> Ways:
    search = _search(square, dem_path, grid, stations, limits)
    table, lines = find_conduits(*search)
    return Ways(table, *_joined_lines(dict(enumerate(lines)), len(lines)))


class Search(NamedTuple):
    """What `sitefinder.siting.conduits.find_conduits` takes, in its order."""

    ground: Ground
    stations: pd.DataFrame
    intake: npt.NDArray[np.int64]
    tailrace: npt.NDArray[np.int64]
    limits: Limits
    prices: Prices


def searches(
    settings: Settings,
    inputs: RunInputs,
    surface: Surface,
    stationing: Stationing,
    heads: Profile,
    table: pd.DataFrame,
) -> Iterator[tuple[npt.NDArray[np.int64], Search]]:
    """The searches for the ways of diversions, by squares of the grid, so that memory is bounded.

    Parameters
    ----------
    settings, inputs, surface, stationing, heads
        Results of the stages of those names.
    table : DataFrame, n rows
        Diversions: rows of the table of candidates.

    Yields
    ------
    rows : ndarray of int64
        Of the table, by their numbers.
    search : Search
    """
    stations, limits = _course(stationing, heads), _limits(settings)
    for square in _squares(settings, inputs, surface, stationing, table):
        yield square.rows, _search(square, surface.dem_path, surface.grid, stations, limits)


def _search(square: Square, dem_path: str | Path, grid: Grid, stations: pd.DataFrame, limits: Limits) -> Search:
    ground = _ground(square, dem_path, grid)
    return Search(ground, stations, square.intake, square.tailrace, limits, square.prices)


# Lengths without the ground: along the stream, or the straight line of the settings.
def _without_ground(
    settings: Settings, inputs: RunInputs, table: pd.DataFrame, diverts: npt.NDArray[np.bool_]
) -> pd.DataFrame:
    is_straight = settings.conduits.route == "straight_line"
    length_m = table["conduit_length_m" if is_straight else "length_m"].to_numpy(dtype=np.float64)
    length_m = np.where(diverts, length_m, 0.0)
    works = works_numbers(inputs.costs, settings)
    penstock_m = np.asarray(penstock_length_m(length_m, table["head_m"].to_numpy(dtype=np.float64), works))
    columns = {
        "conduit_route": np.full(len(table), "", dtype=object),
        "conduit_bank": np.full(len(table), "", dtype=object),
        "conduit_length_m": length_m,
        "headrace_length_m": length_m - penstock_m,
        "penstock_length_m": penstock_m,
    }
    columns |= {name: np.where(diverts, np.nan, 0.0) for name in GROUND_COLUMNS}
    columns |= {name: np.zeros(len(table), dtype=bool) for name in ("conduit_unresolved", "no_conduit")}
    return pd.DataFrame(columns, index=table.index)


# Stations as the search for ways takes them.
def _course(stationing: Stationing, heads: Profile) -> pd.DataFrame:
    return stationing.stations[["x_m", "y_m", "downstream", "link", "to_downstream_m"]].assign(
        level_m=heads.profile_m
    )


def _prices(table: pd.DataFrame, costs: CostFile, settings: Settings) -> Prices:
    flow_m3s = np.maximum(np.nan_to_num(table["flow_mean_m3s"].to_numpy(dtype=np.float64)), LEAST_FLOW_M3S)
    return Prices(**route_prices(flow_m3s, table["head_m"].to_numpy(dtype=np.float64), costs, settings))


def _limits(settings: Settings) -> Limits:
    own = settings.conduits
    return Limits(
        settings.energy.canal_slope if settings.energy.conduit == "canal" else 0.0,
        own.max_cut_m,
        own.max_fill_m,
        own.max_aqueduct_height_m,
        own.max_aqueduct_length_m,
        own.max_side_slope,
        own.max_detour,
        own.min_valley_cells,
    )


# Diversions by squares of the grid that hold their intakes, those of most diversions first.
def _squares(
    settings: Settings, inputs: RunInputs, surface: Surface, stationing: Stationing, table: pd.DataFrame
) -> Iterator[Square]:
    grid, stations = surface.grid, stationing.stations
    prices = _prices(table, inputs.costs, settings)
    intake, tailrace = (table[name].to_numpy(dtype=np.int64) for name in ("intake", "tailrace"))
    # Out and back again within the longest detour.
    reach_m = settings.stretches.longest_m * (1.0 + settings.conduits.max_detour) / 2.0
    row = ((grid.north_m - stations["y_m"].to_numpy()[intake]) // (grid.cell_height_m * SQUARE_CELLS)).astype(
        np.int64
    )
    column = ((stations["x_m"].to_numpy()[intake] - grid.west_m) // (grid.cell_width_m * SQUARE_CELLS)).astype(
        np.int64
    )
    maps = _Maps(inputs, stationing)
    margin = int(np.ceil(reach_m / min(grid.cell_width_m, grid.cell_height_m))) + 2
    squares, square, counts = np.unique(
        np.column_stack([row, column]), axis=0, return_inverse=True, return_counts=True
    )
    for number in np.argsort(-counts, kind="stable").tolist():
        first_row, first_column = squares[number].tolist()
        own, side = np.flatnonzero(square.ravel() == number), SQUARE_CELLS + 2 * margin
        window = Window(first_row * SQUARE_CELLS - margin, first_column * SQUARE_CELLS - margin, side, side)
        window = clipped(window, grid)
        some = Prices(*(np.asarray(each)[own] for each in prices))
        yield Square(window, own, intake[own], tailrace[own], some, *maps.near(window, grid))


class _Maps:
    # Streams, roads, lakes and buildings, to be found near windows of the grid.
    def __init__(self, inputs: RunInputs, stationing: Stationing) -> None:
        segments = stationing.segments.sort_values(["link", "station"], kind="stable")
        self.streams = (segments["geometry"].to_numpy(), segments["link"].to_numpy().astype(int))
        self.others = [
            (inputs.layers[name].frame.geometry.to_numpy(), bit)
            for name, bit in (("roads", ROAD), ("lakes", BARRED), ("buildings", BUILDING))
            if name in inputs.layers
        ]
        self.trees = [shapely.STRtree(geometry) for geometry, _ in (self.streams, *self.others)]

    # Streams with their links, and the others with their bits, that a window may hold.
    def near(self, window: Window, grid: Grid) -> tuple[geopandas.GeoDataFrame, geopandas.GeoDataFrame]:
        transform = tile_transform(window, grid)
        west_m, north_m = transform.c, transform.f
        box = shapely.box(
            west_m, north_m + window.rows * transform.e, west_m + window.columns * transform.a, north_m
        )
        # A tree finds neither what is missing nor what is empty.
        of_streams, *of_others = [np.sort(tree.query(box)) for tree in self.trees]
        geometry, link = self.streams
        shapes, bits = [np.zeros(0, dtype=object)], [np.zeros(0, dtype=np.uint8)]
        for (others, bit), own in zip(self.others, of_others, strict=True):
            shapes.append(others[own])
            bits.append(np.full(len(own), bit, dtype=np.uint8))
        return (
            geopandas.GeoDataFrame({"link": link[of_streams]}, geometry=geometry[of_streams]),
            geopandas.GeoDataFrame({"bit": np.concatenate(bits)}, geometry=np.concatenate(shapes)),
        )


# The cells of a square's window, with streams and obstacles drawn on them.
def _ground(square: Square, dem_path: str | Path, grid: Grid) -> Ground:
    values, valid = read_window(dem_path, square.window)
    transform = tile_transform(square.window, grid)
    drawn = {"out_shape": values.shape, "transform": transform, "all_touched": True}
    link = np.zeros(values.shape, dtype=np.int32)
    if len(square.streams):
        lines = zip(square.streams.geometry, (square.streams["link"] + 1).tolist(), strict=True)
        link = rasterio.features.rasterize(list(lines), dtype=np.int32, **drawn)
    obstacle = np.zeros(values.shape, dtype=np.uint8)
    for bit, shapes in square.obstacles.groupby("bit", sort=True):
        pairs = [(each, int(bit)) for each in shapes.geometry]
        obstacle |= rasterio.features.rasterize(pairs, dtype=np.uint8, **drawn)
    elevation_m = np.where(valid, values, np.nan).astype(np.float32)
    return Ground(elevation_m, link - 1, obstacle, transform.c, transform.f, grid.cell_width_m, grid.cell_height_m)


def join_ways(candidates: Stretches, conduits: Ways) -> Stretches:
    """The candidates with the ways of their conduits."""
    columns = {str(name): conduits.table[name].to_numpy() for name in conduits.table}
    return candidates._replace(table=candidates.table.assign(**columns))


def lines_of(conduits: Ways, row: int) -> dict[str, shapely.LineString]:
    """Lines of the headrace and the penstock of a candidate, by these names; without those that have no length."""
    places = conduits.vertices[conduits.start[row] : conduits.start[row + 1]]
    lines = {"headrace": _line(places[:-1]), "penstock": _line(places[-2:])}
    return {part: line for part, line in lines.items() if line is not None}


def _line(places: npt.NDArray[np.float64]) -> shapely.LineString | None:
    places = places[np.append(True, np.any(np.diff(places, axis=0) != 0.0, axis=1))] if len(places) else places
    return shapely.LineString(places) if len(places) > 1 else None
