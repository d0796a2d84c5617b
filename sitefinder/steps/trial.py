"""The stage of a trial: the part of the region that it shows, and the drainage systems that are worked out for it.

A trial shows of each reach what a run of the whole region would. What is fitted to the region, or read off all of
it, is therefore done as for the whole: terrain, long profiles, flows, and the luck of selection. Candidates, and
all that follows from them, are left out of drainage systems of which no reach lies in the part, since nothing
crosses from one system to another. Within a system the choice of a site depends on all others, so that a system is
whole or left out.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np
import shapely

from sitefinder.errors import InputError

if TYPE_CHECKING:
    import numpy.typing as npt
    import pandas as pd

    from sitefinder.network.stations import Stationing
    from sitefinder.settings import Settings
    from sitefinder.steps.inputs import RunInputs
    from sitefinder.steps.systems import Systems


class Trial(NamedTuple):
    """The part of a region that a trial shows.

    ``reaches`` is True for those in it, bool of shape (reaches,); ``stations`` for all stations of the drainage
    systems that these belong to, bool of shape (stations,). ``area`` is its polygon, None where the part is what
    drains to a place.
    """

    reaches: npt.NDArray[np.bool_]
    stations: npt.NDArray[np.bool_]
    area: Any


def find_trial(settings: Settings, inputs: RunInputs, stationing: Stationing, systems: Systems) -> Trial | None:
    """The part of the region that is shown; None where all of it is.

    A reach is in it if its middle is, as it is in a region.

    Returns
    -------
    Trial or None

    Raises
    ------
    InputError
        If no stream is near the place that the part is to drain to, or no reach lies in the part.
    """
    stations, reaches = stationing.stations, stationing.reaches
    x_m, y_m = stations["x_m"].to_numpy(), stations["y_m"].to_numpy()
    area: Any = None
    if "within" in inputs.layers:
        area = inputs.layers["within"].frame.geometry.union_all()
        said = "the polygons of inputs.within"
    elif settings.run.within_box_m is not None:
        area = shapely.box(*settings.run.within_box_m)
        said = f"the box {_numbers(settings.run.within_box_m)}"
    elif settings.run.within_upstream_of_m is not None:
        said = f"what drains to {_numbers(settings.run.within_upstream_of_m)}"
    else:
        return None
    if area is None:
        inside = upstream_of(stations["downstream"].to_numpy(), _nearest_station(settings, stationing))
    else:
        inside = shapely.intersects_xy(area, x_m, y_m)
    middle = (reaches["first_station"].to_numpy() + reaches["last_station"].to_numpy()) // 2
    shown = np.asarray(inside[middle], dtype=bool)
    if not shown.any():
        raise InputError.of(
            "no reach lies in the part of the region that the trial is of",
            expected=f"streams with the middle of a reach in {said}",
            found=f"streams from {x_m.min():.0f},{y_m.min():.0f} to {x_m.max():.0f},{y_m.max():.0f} in "
            f"{settings.run.crs}",
            fix="check the place and its coordinate system (--within, run.within_box_m, "
            "run.within_upstream_of_m or inputs.within), or take a larger part",
        )
    of_reach = stations["reach"].to_numpy()
    touched = np.zeros(len(systems.names), dtype=bool)
    touched[systems.of_station[np.append(shown, False)[of_reach]]] = True
    return Trial(shown, touched[systems.of_station], area)


def upstream_of(downstream: npt.NDArray[Any], station: int) -> npt.NDArray[np.bool_]:
    """Stations that drain to one, itself included.

    Parameters
    ----------
    downstream : ndarray of int, shape (n,)
        Number of the next station downstream, -1 at an outlet; always greater than the station's own.
    station : int

    Returns
    -------
    ndarray of bool, shape (n,)

    Examples
    --------
    >>> upstream_of(np.array([2, 2, 3, -1, -1]), 2).tolist()
    [True, True, True, False, False]
    """
    below = downstream.tolist()
    inside = [False] * len(below)
    inside[station] = True
    for number in range(station - 1, -1, -1):  # from the place up
        inside[number] = below[number] >= 0 and inside[below[number]]
    return np.array(inside, dtype=bool)


# The station at the lower end of the segment that is nearest to the place; of several, as at a confluence, the
# last one downstream.
def _nearest_station(settings: Settings, stationing: Stationing) -> int:
    place = shapely.Point(settings.run.within_upstream_of_m)
    segments = stationing.segments
    lines = segments["geometry"].to_numpy(dtype=object)
    nearest = int(shapely.STRtree(lines).query_nearest(place).max())
    distance_m, snap_m = shapely.distance(lines[nearest], place), settings.stretches.structure_snap_m
    if distance_m > snap_m:
        on_stream = shapely.get_point(shapely.shortest_line(lines[nearest], place), 0)
        raise InputError.of(
            "no stream is near the place that the trial is to lie upstream of",
            expected=f"a place at most {snap_m:g} m from a stream (stretches.structure_snap_m), in "
            f"{settings.run.crs}",
            found=f"{_numbers(settings.run.within_upstream_of_m)}, {distance_m:.0f} m from the nearest stream",
            fix=f"take a place on the stream, such as the nearest one, {on_stream.x:.0f},{on_stream.y:.0f}",
        )
    return int(segments["station"].to_numpy()[nearest])


def _numbers(values: Any) -> str:
    return ",".join(f"{value:g}" if abs(value) < 1e5 else f"{value:.0f}" for value in values)


def places_in(trial: Trial | None, x_m: npt.NDArray[Any], y_m: npt.NDArray[Any]) -> npt.NDArray[np.bool_]:
    """Whether places without a reach lie in the part; none does where the part is what drains to a place.

    Parameters
    ----------
    trial : Trial or None
        None for the whole region, in which all lie.
    x_m, y_m : ndarray of float64, shape (n,)
        [m].

    Returns
    -------
    ndarray of bool, shape (n,)
    """
    if trial is None:
        return np.ones(len(x_m), dtype=bool)
    if trial.area is None:
        return np.zeros(len(x_m), dtype=bool)
    inside: npt.NDArray[np.bool_] = shapely.intersects_xy(trial.area, x_m, y_m)
    return inside


def things_in(
    trial: Trial | None,
    stationing: Stationing,
    station: npt.NDArray[np.int64],
    places: npt.NDArray[np.object_],
) -> npt.NDArray[np.bool_]:
    """Whether things beside streams lie in the part: by the reach of their station, else by their place.

    Parameters
    ----------
    trial : Trial or None
    stationing : sitefinder.network.stations.Stationing
    station : ndarray of int64, shape (n,)
        -1 where a thing is on no stream.
    places : ndarray of Point, shape (n,)

    Returns
    -------
    ndarray of bool, shape (n,)
    """
    if trial is None:
        return np.ones(len(station), dtype=bool)
    reach = np.append(stationing.stations["reach"].to_numpy(), -1)[station]
    centre = shapely.centroid(places)
    beside = places_in(trial, shapely.get_x(centre), shapely.get_y(centre))
    return np.where(reach >= 0, np.append(trial.reaches, False)[reach], beside)


def candidates_in(trial: Trial | None, stationing: Stationing, table: pd.DataFrame) -> npt.NDArray[np.bool_]:
    """Candidates with an end on a reach of the part, bool of shape (candidates,); all without a trial.

    Parameters
    ----------
    trial : Trial or None
    stationing : sitefinder.network.stations.Stationing
    table : DataFrame
        ``intake`` and ``tailrace``, numbers of stations.
    """
    if trial is None:
        return np.ones(len(table), dtype=bool)
    reach, shown = stationing.stations["reach"].to_numpy(), np.append(trial.reaches, False)
    ends = (shown[reach[table[name].to_numpy(dtype=np.int64)]] for name in ("intake", "tailrace"))
    inside: npt.NDArray[np.bool_] = np.logical_or(*ends)
    return inside
