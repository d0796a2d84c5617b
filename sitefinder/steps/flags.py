"""Flags of each station, and of the reaches and stretches that they hold for."""

from __future__ import annotations

from typing import TYPE_CHECKING, Literal, NamedTuple

import numpy as np
import pandas as pd
import shapely

from sitefinder.dem.seams import lines_across
from sitefinder.io.raster import dem_seams, operation_to_run
from sitefinder.network.catchments import share_above
from sitefinder.network.stations import touched_stations
from sitefinder.network.topology import REPAIR_COLUMNS
from sitefinder.vocabulary import BY_PLACE, FLAG_VALUE, FLAGS, IN_ONE_CELL, SURFACE_MODEL, flags_set_by, names

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence

    import numpy.typing as npt

    from sitefinder.network.stations import Stationing
    from sitefinder.network.topology import Network
    from sitefinder.profile.thalweg import Channels
    from sitefinder.settings import Settings
    from sitefinder.siting.candidates import Stretches
    from sitefinder.steps.heads import DemErrors, FieldLevels
    from sitefinder.steps.inputs import RunInputs
    from sitefinder.steps.water_bodies import WaterBodies

# In the order in which flags are listed.
STATION_FLAGS = flags_set_by(BY_PLACE)
# Those that a stretch has from its path alone, not from its pond.
OF_PATH = ("head_measured",)


def find_dem_seams(settings: Settings, inputs: RunInputs) -> pd.DataFrame:
    """Straight steps along rows or columns of the DEM as delivered, see `sitefinder.dem.seams`."""
    seams: pd.DataFrame = dem_seams(inputs.dem, settings.inputs.dem.metres_per_unit)
    return seams


def list_seams(seams: pd.DataFrame) -> pd.DataFrame:
    """The seams as rows of the repairs."""
    columns = ["axis", "border", "first", "end", "step_m"]
    rows = [
        (
            "dem",
            "",
            f"seam: a step of {step_m:.2f} m between {kind}s {border} and {border + 1}, "
            f"from {across} {first} to {end - 1}",
            "reaches that cross it are flagged seam",
        )
        for axis, border, first, end, step_m in seams[columns].itertuples(index=False, name=None)
        for kind, across in [("row", "column") if axis == 0 else ("column", "row")]
    ]
    return pd.DataFrame(rows, columns=REPAIR_COLUMNS, dtype="str")


class StationFlags(NamedTuple):
    """Flags of the stations, bool arrays by name.

    ``at`` hold for the water that arrives at a station, because of its catchment: they count at a reach's lower
    end and at a stretch's intake. ``along`` hold for the segment that ends there: they count for every segment of
    a reach or stretch.
    """

    at: dict[str, npt.NDArray[np.bool_]]
    along: dict[str, npt.NDArray[np.bool_]]


def flag_stations(
    settings: Settings,
    inputs: RunInputs,
    network: Network,
    stationing: Stationing,
    channels: Channels,
    catchments: pd.DataFrame,
    field_levels: FieldLevels,
    water_bodies: WaterBodies,
    dem_seams: pd.DataFrame,
    dem_errors: DemErrors,
) -> StationFlags:
    """Flags of every station.

    Returns
    -------
    StationFlags
        ``regulated`` and ``karst`` are carried downstream while the share of the catchment above a dam, or above
        a losing reach, is not below what the settings state. ``covariate_partial`` and ``catchment_incomplete``
        are of the whole catchment, so they need not be carried downstream. ``tidal`` holds for all below. Seams,
        borders of the DEM's surveys, surface models, standing water, doubtful channels and plants hold where they
        are; so does a doubtful main arm, in the links that leave a bifurcation. A catchment is coarse where it has
        fewer cells than the settings state.
    """
    flags = settings.flags
    at = {
        "catchment_incomplete": catchments["incomplete"].to_numpy(),
        "covariate_partial": covered_percent(settings, catchments) < flags.covered_percent,
        "catchment_coarse": (catchments["cells"].to_numpy() < flags.min_catchment_cells)
        & (catchments["inflow_km2"].to_numpy() == 0),
    }
    along = {
        "snap_doubtful": channels.doubtful,
        "main_path_doubtful": (network.links["main_path_basis"].to_numpy() == "shape")[
            stationing.stations["link"].to_numpy()
        ],
        "seam": _across_seams(settings, inputs, stationing, dem_seams),
        "dem_border": dem_errors.across,
        SURFACE_MODEL.name: dem_errors.is_surface,
        "standing_water": water_bodies.standing & ~water_bodies.detected,
        "standing_water_detected": water_bodies.detected,
        "tidal": water_bodies.tidal,
        "developed": water_bodies.developed,
        "head_measured": field_levels.measured,
    }
    for name in ("regulated", "karst"):
        along[name], at[name] = carried_flags(settings, inputs, stationing, catchments, name)
    return StationFlags(at, along)


def covered_percent(settings: Settings, catchments: pd.DataFrame) -> npt.NDArray[np.float64]:
    """Minimum share of each station's catchment that a covariate's raster covers [%]; NaN without covariates."""
    names = [f"{name}_covered_percent" for name in settings.inputs.covariates]
    return catchments[names].min(axis=1).to_numpy(dtype=np.float64)


def carried_flags(
    settings: Settings,
    inputs: RunInputs,
    stationing: Stationing,
    catchments: pd.DataFrame,
    name: Literal["regulated", "karst"],
) -> tuple[npt.NDArray[np.bool_], npt.NDArray[np.bool_]]:
    """Stations whose segment a layer touches, and those at which its share of the catchment is large enough.

    Parameters
    ----------
    settings, inputs, stationing, catchments
        Results of the stages of those names.
    name : {"regulated", "karst"}

    Returns
    -------
    along, at : ndarray of bool, shape (n,)
        Nowhere without such a layer.
    """
    count = len(stationing.stations)
    if name not in inputs.layers:
        return np.zeros(count, dtype=bool), np.zeros(count, dtype=bool)
    features = inputs.layers[name].frame.geometry.to_numpy()
    along = touched_stations(features, stationing.segments, settings.stretches.structure_snap_m, count)
    downstream = stationing.stations["downstream"].to_numpy().astype(np.int32)
    share = share_above(along, catchments["area_km2"].to_numpy(), downstream)
    return along, along | (100 * share >= getattr(settings.flags, f"{name}_percent"))


# Stations whose segment crosses a seam, judged in cells of the DEM as delivered.
def _across_seams(
    settings: Settings, inputs: RunInputs, stationing: Stationing, seams: pd.DataFrame
) -> npt.NDArray[np.bool_]:
    crosses = np.zeros(len(stationing.stations), dtype=bool)
    if len(seams):
        facts, lines = inputs.dem, stationing.segments["geometry"].to_numpy()
        x, y = operation_to_run(facts, settings.run.crs).inverse(*shapely.get_coordinates(lines).T)
        row, column = (facts.bounds[3] - y) / facts.cell_height, (x - facts.bounds[0]) / facts.cell_width
        start = np.concatenate([[0], np.cumsum(shapely.get_num_coordinates(lines))])
        crosses[stationing.segments["station"].to_numpy()] = lines_across(seams, start, row, column)
    return crosses


def flags_of_reaches(quality_flags: StationFlags, stationing: Stationing) -> dict[str, npt.NDArray[np.bool_]]:
    """Flags of each reach, bool arrays by name in the order of `STATION_FLAGS`."""
    reach, lower = stationing.stations["reach"].to_numpy(), stationing.reaches["last_station"].to_numpy()
    none = np.zeros(len(lower), dtype=bool)
    found = {}
    for name in STATION_FLAGS:
        found[name] = none | (quality_flags.at[name][lower] if name in quality_flags.at else False)
        if name in quality_flags.along:
            found[name][reach[quality_flags.along[name] & (reach >= 0)]] = True
    return found


def flags_of_stretches(
    quality_flags: StationFlags, stretches: Stretches, kept: npt.NDArray[np.int64]
) -> dict[str, npt.NDArray[np.bool_]]:
    """Flags of the candidates of the numbers `kept`, bool arrays by name in the order of `STATION_FLAGS`."""
    intake = stretches.table["intake"].to_numpy()[kept]
    found = {}
    for name in STATION_FLAGS:
        found[name] = (
            quality_flags.at[name][intake] if name in quality_flags.at else np.zeros(len(kept), dtype=bool)
        )
        if name in quality_flags.along:
            on = np.concatenate([[0], np.cumsum(quality_flags.along[name][stretches.taken])])
            end = stretches.pond_start[kept] if name in OF_PATH else stretches.start[kept + 1]
            found[name] = found[name] | (on[end] > on[stretches.start[kept]])
    return found


def flag_texts(
    kinds: Mapping[str, npt.NDArray[np.bool_]], station_flags: Sequence[tuple[str, ...]], stations: Iterable[int]
) -> list[str]:
    """Flags as text: the names of those that hold in each row, and those of its station, in their declared order.

    Parameters
    ----------
    kinds : dict of str to ndarray of bool, shape (n,)
        By name of flag.
    station_flags : list of tuple of str
    stations : sequence of int, shape (n,)

    Returns
    -------
    list of str
    """
    return [
        joined_flags([*(name for name, holds in kinds.items() if holds[row]), *station_flags[station]])
        for row, station in enumerate(stations)
    ]


def with_flags(flags: Iterable[str], *more: Iterable[str]) -> list[str]:
    """Flags of each row as text with further ones after them; "" where there is none.

    Parameters
    ----------
    flags, *more : sequence of str, shape (n,)

    Returns
    -------
    list of str

    Examples
    --------
    >>> with_flags(["", "tidal"], ["river_wide", ""])
    ['river_wide', 'tidal']
    """
    return [IN_ONE_CELL.join(filter(None, parts)) for parts in zip(flags, *more, strict=True)]


def joined_flags(flags: Iterable[str]) -> str:
    """Flags of a row as text, in the order in which they are declared.

    Parameters
    ----------
    flags : sequence of str
        Names of `sitefinder.vocabulary.FLAGS`, each with ": " and its value where it has one.

    Returns
    -------
    str

    Examples
    --------
    >>> joined_flags(["structure_in_use: mill", "tidal"])
    'tidal; structure_in_use: mill'
    """
    order = names(FLAGS)
    return IN_ONE_CELL.join(sorted(flags, key=lambda flag: order.index(flag.partition(FLAG_VALUE)[0])))
