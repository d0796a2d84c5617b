"""Stream that existing plants use: from intake to tailrace, and their ponds."""

from itertools import product
from typing import NamedTuple

import numpy as np
import shapely

from sitefinder.streams.touched import touched_stations

# What a point is to its plant, as its column says.
INTAKE, TAILRACE = "intake", "tailrace"


class Developed(NamedTuple):
    """Stations whose segment a plant uses, bool of shape (count,); and what could not be followed.

    ``ways`` are those between an intake and its tailrace, ``intakes`` the uppermost of each way. ``doubts`` holds
    (feature id, problem, action) as texts.
    """

    stations: np.ndarray
    doubts: list
    ways: np.ndarray
    intakes: np.ndarray


def developed_stations(frame, segments, downstream, *, snap_m, plant_column=None, role_column=None):
    """Segments between intake and tailrace of each plant, and those under its pond.

    Parameters
    ----------
    frame : GeoDataFrame
        ``feature_id`` and any geometry, in the coordinates of the segments [m]: lines from intake to tailrace,
        points with the two columns below, polygons of ponds.
    segments : GeoDataFrame
        ``station`` and the line of each segment.
    downstream : ndarray of int32, shape (count,)
        Number of the next station downstream, -1 at an outlet.
    snap_m : float
        Farthest that an end or a point lies from its stream [m].
    plant_column, role_column : str, optional
        Columns that name the plant of a point, and say whether it is its ``intake`` or ``tailrace``.

    Returns
    -------
    Developed

    Notes
    -----
    A line may be drawn along the canal or the stream, and in either direction: only its ends count. Where they are
    not on one way down the stream, what the line runs along is developed and the doubt is told. A point without a
    partner means its own segment.
    """
    count = len(downstream)
    marked, ways, intakes = (np.zeros(count, dtype=bool) for _ in range(3))
    doubts = []
    shapes = frame.geometry.to_numpy()
    names = frame["feature_id"].astype(str).to_numpy()
    dimension = shapely.get_dimensions(shapes)
    marked |= touched_stations(shapes[dimension == 2], segments, snap_m, count)
    ends = [
        (names[row], *(shapely.get_point(line, place) for place in (0, -1)), line)
        for row in np.flatnonzero(dimension == 1)
        for line in shapely.get_parts(shapes[row])
    ]
    points = frame[dimension == 0]
    paired = np.zeros(len(points), dtype=bool)
    if plant_column is not None:
        for plant, of_plant in points.groupby(points[plant_column].astype(str), sort=True):
            role = of_plant[role_column].astype(str).str.strip().str.lower()
            both = [of_plant.geometry[role == wanted].to_numpy() for wanted in (INTAKE, TAILRACE)]
            ends += [(plant, *pair, shapely.MultiPoint(pair)) for pair in product(*both)]
            if all(len(found) for found in both):
                paired |= points[plant_column].astype(str).to_numpy() == plant
    marked |= touched_stations(points.geometry.to_numpy()[~paired], segments, snap_m, count)
    for name, first, last, drawn in ends:
        path = _path_between(*_nearest_stations([first, last], segments, snap_m), downstream)
        if len(path):
            marked[path] = ways[path] = intakes[path[0]] = True
            continue
        marked |= touched_stations(np.array([drawn, first, last], dtype=object), segments, snap_m, count)
        doubts.append(
            (name, "intake and tailrace are on no one way down a stream", "only what they touch is developed")
        )
    return Developed(marked, doubts, ways, intakes)


def entered_plants(stations, ways, intakes, segment_length_m, downstream):
    """Stations at which fish on their way down enter an existing plant, each plant once.

    Parameters
    ----------
    stations : ndarray of bool, shape (n,)
        Stations whose segment any plant uses.
    ways, intakes : ndarray of bool, shape (n,)
        See `Developed`.
    segment_length_m : ndarray of float64, shape (n,)
        Zero at the first station of a link.
    downstream : ndarray of int32, shape (n,)

    Returns
    -------
    ndarray of bool, shape (n,)

    Notes
    -----
    A way from intake to tailrace is entered at its upper end. Other stream in use (ponds, lone points, powered
    weirs) that hangs together is one plant, entered at its lower end; where a way goes on from there, it is that
    way's pond or weir and no plant of its own.
    """
    entered = intakes.copy()
    for station in np.flatnonzero(stations & ~ways).tolist():
        below = int(downstream[station])
        # Stations without a segment, at confluences, are not marked.
        while below >= 0 and segment_length_m[below] == 0:
            below = int(downstream[below])
        entered[station] = below < 0 or not stations[below]
    return entered


# Station of the segment nearest to each point; -1 where none is within reach.
def _nearest_stations(points, segments, snap_m):
    tree = shapely.STRtree(segments.geometry.to_numpy())
    station = segments["station"].to_numpy()
    found = np.full(len(points), -1)
    for number, point in enumerate(points):
        nearest = tree.query_nearest(point, max_distance=snap_m, all_matches=True)
        if len(nearest):
            found[number] = station[nearest].min()
    return found


# Stations from one to the other, whichever lies upstream, both with their segments; empty where there is no way.
def _path_between(first, last, downstream):
    if first < 0 or last < 0:
        return []
    path = [min(first, last)]
    while path[-1] < max(first, last):
        following = int(downstream[path[-1]])
        if following < 0:
            return []
        path.append(following)
    return path if path[-1] == max(first, last) else []
