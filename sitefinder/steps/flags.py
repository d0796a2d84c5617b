"""What is doubtful or special at each station, and how reaches and stretches are told of it."""

from typing import NamedTuple

import numpy as np
import pandas as pd
import shapely

from sitefinder.dem.seams import lines_across
from sitefinder.io.raster import dem_seams, operation_to_run
from sitefinder.network.catchments import share_above
from sitefinder.network.stations import touched_stations
from sitefinder.network.topology import REPAIR_COLUMNS
from sitefinder.vocabulary import BY_PLACE, FLAG_SEPARATOR, FLAG_VALUE, FLAGS, SURFACE_MODEL, flags_set_by, names

# In the order in which flags are listed.
MARKS = flags_set_by(BY_PLACE)
# Those that a stretch has from its path alone, not from its pond.
OF_PATH = ("head_measured",)


class StationMarks(NamedTuple):
    """Marks of the stations, bool arrays by name.

    ``at`` hold for the water that arrives at a station, because of its catchment: they count at a reach's lower
    end and at a stretch's intake. ``along`` hold for the segment that ends there: they count for every segment of
    a reach or stretch.
    """

    at: dict
    along: dict


def find_dem_seams(settings, inputs):
    """Straight steps along rows or columns of the DEM as delivered, see `sitefinder.dem.seams`."""
    return dem_seams(inputs.dem, settings.inputs.dem.metres_per_unit)


def list_seams(seams):
    """The seams as rows of the repairs."""
    rows = [
        (
            "dem",
            "",
            f"seam: a step of {seam.step_m:.2f} m between {kind}s {seam.border} and {seam.border + 1}, "
            f"from {across} {seam.first} to {seam.end - 1}",
            "reaches that cross it are flagged seam",
        )
        for seam in seams.itertuples()
        for kind, across in [("row", "column") if seam.axis == 0 else ("column", "row")]
    ]
    return pd.DataFrame(rows, columns=REPAIR_COLUMNS, dtype="str")


def mark_stations(
    settings, inputs, stationing, channels, catchments, field_levels, water_bodies, dem_seams, dem_errors
):
    """Marks of every station.

    Returns
    -------
    StationMarks
        ``regulated`` and ``karst`` are carried downstream while the share of the catchment above a dam, or above
        a losing reach, is at least what the settings state. ``covariate_partial`` and ``catchment_incomplete``
        are of the whole catchment, so they are carried of themselves. ``tidal`` holds for all below. Seams,
        borders of the DEM's surveys, surface models, standing water, doubtful channels and plants hold where they
        are.
    """
    flags = settings.flags
    at = {
        "catchment_incomplete": catchments["incomplete"].to_numpy(),
        "covariate_partial": covered_percent(settings, catchments) < flags.covered_percent,
    }
    along = {
        "snap_doubtful": channels.doubtful,
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
        along[name], at[name] = carried_marks(settings, inputs, stationing, catchments, name)
    return StationMarks(at, along)


def carried_marks(settings, inputs, stationing, catchments, name):
    """Stations whose segment a layer touches, and those at which its share of the catchment is large enough.

    Parameters
    ----------
    settings, inputs, placed, catchments
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


def covered_percent(settings, catchments):
    """Least share of each station's catchment that any covariate's raster covers [%]; NaN without covariates."""
    names = [f"{name}_covered_percent" for name in settings.inputs.covariates]
    return catchments[names].min(axis=1).to_numpy(dtype=np.float64)


# Stations whose segment crosses a seam, judged in cells of the DEM as delivered.
def _across_seams(settings, inputs, stationing, seams):
    crosses = np.zeros(len(stationing.stations), dtype=bool)
    if len(seams):
        facts, lines = inputs.dem, stationing.segments["geometry"].to_numpy()
        x, y = operation_to_run(facts, settings.run.crs).inverse(*shapely.get_coordinates(lines).T)
        row, column = (facts.bounds[3] - y) / facts.cell_height, (x - facts.bounds[0]) / facts.cell_width
        start = np.concatenate([[0], np.cumsum(shapely.get_num_coordinates(lines))])
        crosses[stationing.segments["station"].to_numpy()] = lines_across(seams, start, row, column)
    return crosses


def marked_reaches(marks, stationing):
    """Marks of each reach, bool arrays by name in the order of `MARKS`."""
    reach, lower = stationing.stations["reach"].to_numpy(), stationing.reaches["last_station"].to_numpy()
    none = np.zeros(len(lower), dtype=bool)
    found = {}
    for name in MARKS:
        found[name] = none | (marks.at[name][lower] if name in marks.at else False)
        if name in marks.along:
            found[name][reach[marks.along[name] & (reach >= 0)]] = True
    return found


def marked_stretches(marks, stretches, kept):
    """Marks of the candidates of the numbers `kept`, bool arrays by name in the order of `MARKS`."""
    intake = stretches.table["intake"].to_numpy()[kept]
    found = {}
    for name in MARKS:
        found[name] = marks.at[name][intake] if name in marks.at else np.zeros(len(kept), dtype=bool)
        if name in marks.along:
            on = np.concatenate([[0], np.cumsum(marks.along[name][stretches.taken])])
            end = stretches.pond_start[kept] if name in OF_PATH else stretches.start[kept + 1]
            found[name] = found[name] | (on[end] > on[stretches.start[kept]])
    return found


def flag_texts(kinds, station_flags, stations):
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


def joined_flags(flags):
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
    return FLAG_SEPARATOR.join(sorted(flags, key=lambda flag: order.index(flag.partition(FLAG_VALUE)[0])))
