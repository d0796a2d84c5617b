"""Existing weirs, drops and plants, located on the segments of stream that they are in or use."""

from itertools import product
from typing import NamedTuple

import numpy as np
import pandas as pd
import shapely

from sitefinder.network.stations import nearest_segments, touched_stations
from sitefinder.siting.barriers import stated_passable
from sitefinder.vocabulary import FLAG_SEPARATOR, FLAG_VALUE, STRUCTURE_IN_USE

# Attributes of a structure in the user's layer, with defaults.
ATTRIBUTES = {
    "kind": "",
    "use": "",
    "owner": "",
    "condition": "",
    "powered": False,
    "fish_pass": False,
    "removal_planned": False,
    "passable": "",
    "drop_m": np.nan,
    "drop_error_m": np.nan,
}
# Kinds where head cannot be used as at a weir: a natural fall is left alone, a crossing holds no water.
CROSSINGS = ("bridge", "culvert", "embankment", "ford")
NOT_BARRIERS = ("fall", "waterfall", *CROSSINGS)
# Values for a structure without use.
NO_USE = ("", "none", "no", "unused", "disused", "abandoned", "unknown")
# Conditions that ask for repair, in the user's words (common practice, no source).
IN_REPAIR = ("poor", "bad", "derelict", "ruined", "damaged")
# A surveyed drop without a stated error (common practice, no source).
SURVEY_ERROR_M = 0.1
WORDS = {"yes": True, "true": True, "1": True, "no": False, "false": False, "0": False, "": False}


def place_structures(frame, segments, snap_m) -> pd.DataFrame:
    """Structures with the station of their segment.

    Parameters
    ----------
    frame : GeoDataFrame
        Points with ``feature_id`` and any of the `ATTRIBUTES`.
    segments : DataFrame
        Columns ``station`` and ``geometry``.
    snap_m : float
        Maximum distance of a structure from its stream [m].

    Returns
    -------
    DataFrame
        One row a structure: ``structure_id``, the attributes, ``station`` (-1 where no stream is near),
        ``distance_to_stream_m``, ``share_above`` (of its segment's length), ``is_barrier`` (head may be taken
        there), ``note``, ``geometry``. A weir in use is a barrier like others.

    Notes
    -----
    A structure goes to the nearest segment; at equal distance to the one of the lower station.
    """
    table = pd.DataFrame({"structure_id": frame["feature_id"].to_numpy()})
    for name, default in ATTRIBUTES.items():
        values = frame[name].to_numpy() if name in frame else np.full(len(frame), default)
        table[name] = _as(values, default)
    table["drop_error_m"] = table["drop_error_m"].where(table["drop_error_m"] > 0, SURVEY_ERROR_M)
    table["geometry"] = frame.geometry.to_numpy()
    station, distance, share_above = nearest_segments(table["geometry"].to_numpy(), segments)
    near = distance <= snap_m
    table["station"] = np.where(near, station, -1)
    table["distance_to_stream_m"] = distance
    table["share_above"] = share_above
    natural = table["kind"].str.lower().isin(NOT_BARRIERS).to_numpy()
    powered = table["powered"].to_numpy()
    planned = table["removal_planned"].to_numpy()
    table["is_barrier"] = near & ~natural & ~powered & ~planned
    notes = [
        (~near, f"no stream within {snap_m:g} m"),
        (natural, "no barrier to take head at"),
        (powered, "already powered: its stream is developed"),
        (planned, "removal is planned"),
        (_is_unclear(table["passable"]), "passable is neither yes, partly or no nor a share from 0 to 1"),
        (
            table["drop_m"].isna().to_numpy() & table["is_barrier"].to_numpy(),
            "no surveyed drop: head from the DEM",
        ),
    ]
    entries = np.full(len(table), "", dtype=object)
    for applies, text in notes:
        entries = np.where(applies, np.where(entries == "", text, entries + "; " + text), entries)
    table["note"] = entries
    return table


def known_breaks(structures, raw_m, segment_m, reach_m) -> np.ndarray:
    """Stations right above a known weir or fall, where the long profile breaks.

    Parameters
    ----------
    structures : DataFrame
        As placed by `place_structures`.
    raw_m : ndarray of float64, shape (n,)
        Raw elevation of each station [m], NaN where none is known.
    segment_m : ndarray of float64, shape (n,)
        Length of the segment that ends at each station [m]; 0 for the first station of a link.
    reach_m : float
        Maximum distance along the stream between a structure and where its drop appears [m]; a cell of the DEM.

    Returns
    -------
    ndarray of bool, shape (n,)

    Notes
    -----
    An elevation is that of a whole cell, so that the drop of a structure near a station may appear in the segment
    on the other side of it: of its own segment and those of the same link within reach, the one with the greatest
    raw fall has the break, its own where the DEM shows none. Crossings hold no water, and are left out.
    """
    is_break = np.zeros(len(raw_m), dtype=bool)
    fall_m = np.diff(raw_m, prepend=np.nan)
    fall_m = np.where(np.isnan(fall_m), -np.inf, -fall_m)
    holds = (structures["station"] >= 0) & ~structures["kind"].str.lower().isin(CROSSINGS)
    for station, share_above in structures.loc[holds, ["station", "share_above"]].itertuples(index=False):
        at, length_m = int(station), segment_m[int(station)]
        near = [at]
        if share_above * length_m < reach_m and segment_m[at - 1] > 0.0:
            near.append(at - 1)
        if (1.0 - share_above) * length_m < reach_m and at + 1 < len(raw_m) and segment_m[at + 1] > 0.0:
            near.append(at + 1)
        is_break[max(near, key=lambda segment: fall_m[segment]) - 1] = True
    return is_break


def use_flags(structures):
    """What is to be known of a site at each structure because of its use.

    Parameters
    ----------
    structures : DataFrame
        Column ``use``.

    Returns
    -------
    ndarray of str
        ``structure_in_use: …``, or nothing where it has no use. A flag separator in the user's text becomes
        a comma.
    """
    use = structures["use"].astype(str).str.strip()
    is_unused = use.str.lower().isin(NO_USE)
    use = use.str.replace(FLAG_SEPARATOR, ", ", regex=False)
    return (STRUCTURE_IN_USE.name + FLAG_VALUE + use).where(~is_unused, "").to_numpy(dtype=object)


# Words on whether fish pass that are not understood.
def _is_unclear(words):
    return np.isnan(stated_passable(words)) & (words.str.strip() != "").to_numpy(dtype=bool)


def _as(values, default):
    if isinstance(default, bool):
        words = _filled(values).str.strip().str.lower().str.removesuffix(".0")
        return words.map(WORDS).fillna(False).to_numpy(dtype=bool)
    if isinstance(default, float):
        return pd.to_numeric(pd.Series(values), errors="coerce").to_numpy(dtype=float)
    return _filled(values).to_numpy(dtype=object)


# Values as text, empty where missing; as objects, since a column of numbers cannot hold text in its gaps.
def _filled(values):
    column = pd.Series(values, dtype=object)
    return column.where(column.notna(), "").astype(str)


# Roles of a point of a plant.
INTAKE, TAILRACE = "intake", "tailrace"


class Developed(NamedTuple):
    """Stations whose segment a plant uses, bool of shape (count,); and plants that could not be traced.

    ``on_path`` are those between an intake and its tailrace, ``intakes`` the uppermost of each path. ``problems``
    holds (feature id, problem, action) as texts.
    """

    stations: np.ndarray
    problems: list
    on_path: np.ndarray
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
        Maximum distance of an end or a point from its stream [m].
    plant_column, role_column : str, optional
        Columns with the plant of a point, and with its role: ``intake`` or ``tailrace``.

    Returns
    -------
    Developed

    Notes
    -----
    A line may be drawn along the canal or the stream, and in either direction: only its ends count. Where they are
    not on one path downstream, the segments along the line are developed and a problem is reported. A point
    without a partner stands for its own segment.
    """
    count = len(downstream)
    marked, on_path, intakes = (np.zeros(count, dtype=bool) for _ in range(3))
    problems = []
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
            both = [of_plant.geometry[role == name_of_role].to_numpy() for name_of_role in (INTAKE, TAILRACE)]
            ends += [(plant, *pair, shapely.MultiPoint(pair)) for pair in product(*both)]
            if all(len(station_of_point) for station_of_point in both):
                paired |= points[plant_column].astype(str).to_numpy() == plant
    marked |= touched_stations(points.geometry.to_numpy()[~paired], segments, snap_m, count)
    for name, first, last, drawn in ends:
        path = _path_between(*_nearest_stations([first, last], segments, snap_m), downstream)
        if len(path):
            marked[path] = on_path[path] = intakes[path[0]] = True
            continue
        marked |= touched_stations(np.array([drawn, first, last], dtype=object), segments, snap_m, count)
        problems.append(
            (
                name,
                "intake and tailrace are not on one path downstream",
                "only the stream that they touch counts as developed",
            )
        )
    return Developed(marked, problems, on_path, intakes)


def entered_plants(stations, on_path, intakes, segment_length_m, downstream):
    """Stations at which fish migrating downstream enter an existing plant, each plant once.

    Parameters
    ----------
    stations : ndarray of bool, shape (n,)
        Stations whose segment any plant uses.
    on_path, intakes : ndarray of bool, shape (n,)
        See `Developed`.
    segment_length_m : ndarray of float64, shape (n,)
        Zero at the first station of a link.
    downstream : ndarray of int32, shape (n,)

    Returns
    -------
    ndarray of bool, shape (n,)

    Notes
    -----
    A path from intake to tailrace is entered at its upper end. Other connected stream in use (ponds, single
    points, powered weirs) is one plant, entered at its lower end; where a path goes on from there, it is that
    path's pond or weir and not a plant of its own.
    """
    entered = intakes.copy()
    for station in np.flatnonzero(stations & ~on_path).tolist():
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
    station_of_point = np.full(len(points), -1)
    for number, point in enumerate(points):
        nearest = tree.query_nearest(point, max_distance=snap_m, all_matches=True)
        if len(nearest):
            station_of_point[number] = station[nearest].min()
    return station_of_point


# Stations from the upper to the lower of two stations; empty where neither is downstream of the other.
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
