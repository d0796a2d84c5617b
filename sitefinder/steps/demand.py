"""What a run will need of memory and disk: counts known before it begins, times costs that were measured.

``python tests/benchmarks/memory.py`` prints what is worked out here beside what runs of made regions needed. It is
an upper estimate for refusing what cannot succeed, not a forecast: how many candidates a region has shows only in
the run.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any, NamedTuple

from sitefinder.errors import InputError
from sitefinder.steps.part_size import DERIVED_MARGIN_CELLS, DERIVED_TILE_CELLS, PART_STATIONS

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence

    from sitefinder.settings import Settings

# Measured, the larger of several where they differ (tests/benchmarks/memory.py, where nothing else is said).
# The run's own process with its libraries, kernels compiled for the first time included; a worker's [MB].
PROCESS_MB, WORKER_MB = 700.0, 500.0
# Tables of the region in the run's own process, by station, with the candidates that the defaults lead to: a whole
# run with a store and two workers took 1.6 GB with 48,000 stations [MB].
STATION_MB = 0.026
# A drainage system whose sites are chosen, by station: 1.2 GB of a worker with 36,000 (the same run). How large
# the largest one is shows only in the run; it may be all of the region [MB].
SYSTEM_STATION_MB = 0.02
# Stretches along the stream that begin at a station, with those defaults: length over spacing.
USUAL_STRETCHES = 30.0
# A part of a drainage system whose candidates are valued, by station, with those defaults: 26 MB of 250, 73 of
# 1,000 and 110 of 3,000 (a made region of 4 million cells) [MB].
PART_STATION_MB = 0.1
# The flood, by cell of a tile with its margins (36 to 42 B); a covariate adds its values and their sums [B].
TILE_CELL_B, COVARIATE_CELL_B = 50.0, 16.0
# Cells along the streams, one for each cell that a line goes through [B].
STREAM_CELL_B = 80.0
# The engine holds the whole DEM with directions and areas where it drains the terrain [B by cell].
WHOLE_CELL_B = 60.0
# Where streams are derived: a tile with what lies around it, while it is breached (80 to 120 B), and what is kept
# of all tiles meanwhile: ground, or filled surface, beside the flooded areas [B by cell].
DERIVED_CELL_B, DERIVED_DISK_CELL_B = 120.0, 12.0
# Crossings of lines, each a row of the list of repairs (620 B, and their sorting) [B].
CROSSING_B = 700.0
# A vertex of a polygon with another one within the distance of its buffer: the offset curves of both cross
# (500 to 800 B) [B].
BUFFER_PAIR_B = 800.0
# On disk: the DEM's copy and each covariate's, labels, and results of stages by station [B].
SURFACE_CELL_B, LABEL_CELL_B, STATION_DISK_B = 4.0, 4.0, 40_000.0
# Length of derived streams by area at a threshold of 1 km²; it falls with the square root of the threshold (made
# regions: 0.7 to 0.9) [km/km²].
DENSITY_KM = 1.0
BYTES_PER_MB = 1e6
# Work that workers share: terrain by cell, and by stretch what values, chooses and simulates (a made region of
# 25 million cells: 7 s and 90 to 140 s, tests/benchmarks/scaling.py). It decides whether workers pay, no more
# [s].
SHARED_CELL_S, SHARED_STRETCH_S = 0.3e-6, 0.6e-4
# A worker pays where it takes on this much of that: to start it and to load what it needs takes some 4 s of a core
# [s].
PAYING_S = 10.0
# Tiles and parts are not made smaller than this for the sake of memory [cells along a side; stations].
SMALLEST_TILE, SMALLEST_PART = 256, 60


class Counts(NamedTuple):
    """What is counted before a run: cells, streams, and what layers hold.

    ``stream_km`` is None where streams are derived. ``crossings`` counts pairs of lines, and ``buffer_pairs`` for
    each rule the pairs of vertices of one polygon that lie within its buffer.
    """

    rows: int
    columns: int
    cell_m: float
    stream_km: float | None
    lines: int
    crossings: int
    buffer_pairs: Mapping[str, float]


class Demand(NamedTuple):
    """What a run will need.

    Attributes
    ----------
    cells, stations, reaches, candidates : int
    stream_km : float
    parts_mb : dict of str to float
        Memory of the run's own process by what takes it, beside the libraries [MB].
    tile_mb : float
        Memory of a terrain tile, in the same process or a worker's [MB].
    part_mb : float
        Memory of a part of a drainage system, likewise [MB].
    system_mb : float
        Memory of the largest drainage system as its sites are chosen, likewise, but in one process at a time [MB].
    disk_mb : float
        In the store, with files on their way [MB].
    """

    cells: int
    stream_km: float
    stations: int
    reaches: int
    candidates: int
    parts_mb: Mapping[str, float]
    tile_mb: float
    part_mb: float
    system_mb: float
    disk_mb: float

    @property
    def process_mb(self) -> float:
        """The most memory that the run's own process holds, where others choose sites [MB]."""
        # Network and terrain come before most of the tables, and what they took is let go; rules come after.
        before = max(self.tile_mb, *(self.parts_mb[name] for name in (STREAM_CELLS, WHOLE_DEM, CROSSINGS)))
        return PROCESS_MB + max(before, self.parts_mb[STATIONS] + self.parts_mb[BUFFER])

    @property
    def worker_mb(self) -> float:
        """The most memory that a worker holds, but for the one that has the largest drainage system [MB]."""
        return WORKER_MB + max(self.tile_mb, self.part_mb)

    def total_mb(self, workers: int | None) -> float:
        """Memory of all processes on this machine [MB]; without a number of workers, of one process."""
        beside_mb = workers * self.worker_mb if workers is not None and workers > 1 else 0.0
        return self.process_mb + self.system_mb + beside_mb

    @property
    def paid_workers(self) -> int:
        """Workers that have enough to do to repay their start; 1: none beside the run's own process."""
        shared_s = self.cells * SHARED_CELL_S + self.candidates * SHARED_STRETCH_S
        return max(int(shared_s // PAYING_S), 1)


# What takes memory, by the names in `Demand.parts_mb`.
STATIONS, STREAM_CELLS, WHOLE_DEM, CROSSINGS, BUFFER = "stations", "stream cells", "DEM", "crossings", "buffer"


def demand_of(settings: Settings, counts: Counts) -> Demand:
    """What a run with these settings needs.

    Parameters
    ----------
    settings : sitefinder.settings.Settings
    counts : Counts

    Returns
    -------
    Demand
    """
    cells = counts.rows * counts.columns
    area_km2 = cells * counts.cell_m**2 / 1e6
    network, stretches = settings.network, settings.stretches
    whole_b = WHOLE_CELL_B if settings.terrain.engine == "whitebox" else 0.0
    stream_km = (
        DENSITY_KM * area_km2 / math.sqrt(network.derive_threshold_km2)
        if counts.stream_km is None
        else counts.stream_km
    )
    stations = int(stream_km * 1000.0 / network.station_spacing_m) + 2 * counts.lines
    lengths = max(stretches.longest_m / network.station_spacing_m, 1.0)
    covariates = len(settings.inputs.covariates) + len(settings.inputs.shares)
    share = max(lengths / USUAL_STRETCHES, 0.2)
    parts_mb = {
        STATIONS: stations * STATION_MB * share,
        STREAM_CELLS: stream_km * 1000.0 / counts.cell_m * STREAM_CELL_B / BYTES_PER_MB,
        WHOLE_DEM: cells * whole_b / BYTES_PER_MB,
        CROSSINGS: counts.crossings * CROSSING_B / BYTES_PER_MB,
        BUFFER: max(counts.buffer_pairs.values(), default=0.0) * BUFFER_PAIR_B / BYTES_PER_MB,
    }
    terrain = settings.terrain
    rows = min(terrain.tile_rows, counts.rows) + 2 * terrain.margin_cells
    columns = min(terrain.tile_columns, counts.columns) + 2 * terrain.margin_cells
    tile_cells = min(rows, counts.rows) * min(columns, counts.columns)
    tile_b = tile_cells * (TILE_CELL_B + covariates * COVARIATE_CELL_B)
    surface = cells * SURFACE_CELL_B * (1 + covariates)
    disk = surface + cells * LABEL_CELL_B + stations * STATION_DISK_B * share
    if counts.stream_km is None:
        side = DERIVED_TILE_CELLS + 2 * DERIVED_MARGIN_CELLS
        tile_b = max(tile_b, min(side, counts.rows) * min(side, counts.columns) * DERIVED_CELL_B)
        # All of it is gone before there are labels.
        disk = max(disk, surface + cells * DERIVED_DISK_CELL_B)
    return Demand(
        cells,
        stream_km,
        stations,
        int(stream_km * 1000.0 / network.reach_length_m) + counts.lines,
        int(stations * lengths),
        parts_mb,
        tile_b / BYTES_PER_MB,
        min(settings.run.part_stations or PART_STATIONS, stations) * PART_STATION_MB * share,
        stations * SYSTEM_STATION_MB * share,
        disk / BYTES_PER_MB,
    )


def with_workers(settings: Settings, counts: Counts, memory_mb: float, cores: Callable[[], int]) -> Settings:
    """The settings with a number of worker processes, where they state none.

    As many as there are cores, as pay and as fit into the memory. No result depends on it.

    Parameters
    ----------
    settings : sitefinder.settings.Settings
    counts : Counts
    memory_mb : float
        For all processes on this machine.
    cores : callable
        Gives the number of cores; asked only where more than one worker would pay.

    Returns
    -------
    sitefinder.settings.Settings
        With ``run.workers`` as stated, or chosen.
    """
    if settings.run.workers is not None:
        return settings
    paid = demand_of(settings, counts).paid_workers
    for workers in range(min(paid, cores()) if paid > 1 else 1, 1, -1):
        chosen = _with_run(settings, workers=workers)
        if demand_of(within_memory(chosen, counts, memory_mb), counts).total_mb(workers) <= memory_mb:
            return chosen
    return _with_run(settings, workers=1)


def _with_run(settings: Settings, **changed: int) -> Settings:
    return settings.model_copy(update={"run": settings.run.model_copy(update=changed)})


def within_memory(settings: Settings, counts: Counts, memory_mb: float) -> Settings:
    """The settings with terrain tiles and parts of drainage systems of a size that memory allows.

    No result depends on it.

    Parameters
    ----------
    settings : sitefinder.settings.Settings
    counts : Counts
    memory_mb : float
        For all processes on this machine.

    Returns
    -------
    sitefinder.settings.Settings
        The same where they fit, or where smaller ones would not help.
    """
    fitted = settings
    while (demand := demand_of(fitted, counts)).total_mb(settings.run.workers) > memory_mb:
        smaller = _with_smaller_tiles(fitted) if demand.tile_mb >= demand.part_mb else _with_smaller_parts(fitted)
        if smaller == fitted:
            break
        fitted = smaller
    return fitted


def _with_smaller_tiles(settings: Settings) -> Settings:
    terrain = settings.terrain
    sides = {name: max(getattr(terrain, name) // 2, SMALLEST_TILE) for name in ("tile_rows", "tile_columns")}
    sides = {name: min(side, getattr(terrain, name)) for name, side in sides.items()}
    return settings.model_copy(update={"terrain": terrain.model_copy(update=sides)})


def _with_smaller_parts(settings: Settings) -> Settings:
    stations = settings.run.part_stations or PART_STATIONS
    fewer = max(stations // 2, SMALLEST_PART)
    if fewer >= stations:
        return settings
    return _with_run(settings, part_stations=fewer)


def problems_of_demand(
    settings: Settings, counts: Counts, memory_mb: float, disk_mb: float, folder: object
) -> list[InputError]:
    """What a run cannot get of memory or disk, and what makes it need so much.

    Parameters
    ----------
    settings : sitefinder.settings.Settings
    counts : Counts
    memory_mb, disk_mb : float
        What there is, or what is allowed [MB].
    folder : path-like
        Whose disk it is.

    Returns
    -------
    list of InputError
        Empty where all fits.
    """
    demand = demand_of(within_memory(settings, counts, memory_mb), counts)
    problems = []
    if (needed := demand.total_mb(settings.run.workers)) > memory_mb:
        cause, fix = _cause_and_fix(settings, counts, demand, needed - memory_mb)
        problems.append(
            InputError.of(
                "the run needs more memory than there is",
                cause=cause,
                expected=f"at most {in_words(memory_mb)}",
                found=f"about {in_words(needed)}{_by_processes(settings, demand)}",
                fix=fix,
            )
        )
    if demand.disk_mb > disk_mb:
        problems.append(
            InputError.of(
                "the run needs more room on disk than there is",
                folder=folder,
                cause=_cells_in_words(counts),
                expected=f"at most {in_words(disk_mb)}",
                found=f"about {in_words(demand.disk_mb)}",
                fix="raise terrain.cell_size_m, or use another disk (run.store_folder) or a part of the region",
            )
        )
    return problems


# What takes the most, with its place, and what to do about the megabytes that are lacking.
def _cause_and_fix(settings: Settings, counts: Counts, demand: Demand, lacking_mb: float) -> tuple[str, str]:
    name = max(demand.parts_mb, key=demand.parts_mb.__getitem__)
    if demand.parts_mb[name] < min(lacking_mb, PROCESS_MB + demand.tile_mb):
        workers = settings.run.process_count
        fix = "allow more memory (--memory, run.memory_limit_gb)" + (", or fewer workers" if workers > 1 else "")
        return f"{workers} processes with libraries and terrain tiles" if workers > 1 else "a process", fix
    spacing_m, longest_m = settings.network.station_spacing_m, settings.stretches.longest_m
    if name == CROSSINGS:
        return (
            f"{counts.crossings:,} crossings of stream lines without a common end",
            "join the streams where they meet, and take lines that are no streams out of the layer",
        )
    if name == BUFFER:
        rule = max(counts.buffer_pairs, key=counts.buffer_pairs.__getitem__)
        return (
            f"rule {rule}: a polygon whose vertices lie much closer than its buffer is wide",
            "simplify the polygons of the layer, or lower buffer_m of the rule",
        )
    if name == WHOLE_DEM:
        return (
            f"{_cells_in_words(counts)}, which the engine of the drainage holds in one piece",
            'set terrain.engine = "flood", which goes tile by tile, raise terrain.cell_size_m, or use a part of '
            "the region",
        )
    if name == STREAM_CELLS:
        return f"{demand.stream_km:,.0f} km of stream on cells of {counts.cell_m:g} m", "raise terrain.cell_size_m"
    return (
        f"{demand.stations:,} stations on {demand.stream_km:,.0f} km of stream (network.station_spacing_m = "
        f"{spacing_m:g}, stretches.longest_m = {longest_m:g})",
        "raise network.station_spacing_m, lower stretches.longest_m, or use a part of the region",
    )


def _cells_in_words(counts: Counts) -> str:
    return f"{counts.rows:,} × {counts.columns:,} cells of {counts.cell_m:g} m"


def _by_processes(settings: Settings, demand: Demand) -> str:
    workers = settings.run.process_count
    if workers == 1:
        return ""
    return (
        f": {in_words(demand.process_mb)} of the run, {in_words(demand.worker_mb)} of each of {workers} workers, "
        f"{in_words(demand.system_mb)} of the largest drainage system"
    )


def in_words(size_mb: float) -> str:
    """A size as text, with its unit.

    Examples
    --------
    >>> in_words(480.0), in_words(21_460.0)
    ('480 MB', '21.5 GB')
    """
    if size_mb < 1e3:
        return f"{size_mb:.0f} MB"
    return f"{size_mb / 1e3:,.1f} GB" if size_mb < 1e6 else f"{size_mb / 1e3:,.0f} GB"


def demand_lines(settings: Settings, demand: Demand) -> list[str]:
    """What a run needs, as lines of the commands ``check`` and ``plan``."""
    workers = settings.run.process_count
    memory = f"{in_words(demand.total_mb(1))} of memory"
    if workers > 1:
        memory = (
            f"{in_words(demand.process_mb)} of memory, {in_words(demand.worker_mb)} for each of {workers} workers "
            f"and {in_words(demand.system_mb)} for the largest drainage system"
        )
    return [
        f"  size:      {demand.cells:,} cells, {demand.stream_km:,.0f} km of stream, about {demand.stations:,} "
        f"stations",
        f"  needs:     at most about {memory}, {in_words(demand.disk_mb)} on disk",
    ]


def stated_counts(grid: Sequence[float], found: Mapping[str, Any], pairs: Mapping[str, float]) -> Counts:
    """The counts from what readings found: rows, columns, width and height [m] of the grid, and the rest."""
    rows, columns, width_m, height_m = grid
    return Counts(
        int(rows),
        int(columns),
        math.sqrt(width_m * height_m),
        found.get("stream_km"),
        int(found.get("lines", 0)),
        int(found.get("crossings", 0)),
        dict(pairs),
    )
