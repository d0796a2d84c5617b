"""Existing weirs, drops and plants, located on the segments of stream that they are in or use."""

from itertools import product
from typing import NamedTuple

import numpy as np
import pandas as pd
import shapely

from sitefinder.errors import InputError, all_of, listed
from sitefinder.network.stations import nearest_segments, touched_stations
from sitefinder.siting.barriers import stated_passable
from sitefinder.vocabulary import FLAG_VALUE, HEAD_TO_BE_REMOVED, IN_ONE_CELL, STRUCTURE_IN_USE
from sitefinder.vocabulary import STRUCTURE_ATTRIBUTES as ATTRIBUTES

# Kinds where head cannot be used as at a weir: a natural fall is left alone, a crossing holds no water.
CROSSINGS = ("bridge", "culvert", "embankment", "ford")
NOT_BARRIERS = ("fall", "waterfall", *CROSSINGS)
# Values for a structure without use.
NO_USE = ("", "none", "no", "unused", "disused", "abandoned", "unknown")
# Conditions that ask for repair, in the user's words (common practice, no source).
IN_REPAIR = ("poor", "bad", "derelict", "ruined", "damaged")
# The highest dams have three hundred metres [m].
MAX_DROP_M = 350.0
# A surveyed drop without a stated error (common practice, no source).
SURVEY_ERROR_M = 0.1
WORDS = {"yes": True, "true": True, "1": True, "no": False, "false": False, "0": False, "": False}


def validate_structures(frame):
    """Refuse structures that share an id, and drops that are no heights.

    Parameters
    ----------
    frame : GeoDataFrame
        Points with ``feature_id``, any of the `ATTRIBUTES`, and ``inventory`` and ``inventory_id``, where each
        comes from.

    Raises
    ------
    InputError
        Listing all problems, with the ids.
    """
    by_inventory = [
        (name, _wrong_structures(of_one.assign(feature_id=of_one["inventory_id"])))
        for name, of_one in frame.groupby("inventory", sort=False)
    ]
    found = [(name, problems) for name, problems in by_inventory if problems]
    if not found and (problems := _wrong_structures(frame)):
        raise all_of(InputError, "the inventories of structures together", problems)
    if len(found) == 1:
        raise all_of(InputError, f"the layer {found[0][0]}", found[0][1])
    if found:
        every = [f"{name}: {problem}" for name, problems in found for problem in problems]
        raise all_of(InputError, "the inventories of structures", every)


# Problems of one inventory, as texts with ids.
def _wrong_structures(frame):
    ids = frame["feature_id"].astype(str)
    wrong = [(ids.duplicated(keep=False).to_numpy(), "the id appears more than once")]
    for column in ("drop_m", "drop_error_m"):
        if column in frame:
            is_given = is_stated(frame[column])
            number = _as(frame[column].to_numpy(), np.nan)
            is_height = np.isfinite(number) & (number >= 0.0) & (number <= MAX_DROP_M)
            text = f"{column} must be a number from 0 to {MAX_DROP_M:g}, or nothing"
            wrong.append((is_given & ~is_height, text))
    return [f"{text} (structures {listed(ids[bad].unique())})" for bad, text in wrong if bad.any()]


def place_structures(frame, segments, snap_m) -> pd.DataFrame:
    """Structures with the station of their segment, each record of the layer a structure.

    Parameters
    ----------
    frame, segments, snap_m
        See `locate_structures`.

    Returns
    -------
    DataFrame
        See `judge_structures`.
    """
    return judge_structures(locate_structures(frame, segments, snap_m))


def locate_structures(frame, segments, snap_m) -> pd.DataFrame:
    """Structures with the station of their segment, as their layer describes them.

    Parameters
    ----------
    frame : GeoDataFrame
        Points with ``feature_id`` and any of the `ATTRIBUTES`; optionally ``inventory`` and ``inventory_id``,
        where each comes from, and ``position_error_m``.
    segments : DataFrame
        Columns ``station`` and ``geometry``.
    snap_m : float
        Maximum distance of a structure from its stream [m]; of one with a greater error of its position, that.

    Returns
    -------
    DataFrame
        One row a record: ``structure_id``, the attributes, ``sources``, ``geometry``, ``station`` (-1 where no
        stream is near), ``distance_to_stream_m``, ``share_above`` (of its segment's length), ``within_m`` (how far
        a stream was looked for).

    Notes
    -----
    A structure goes to the nearest segment; at equal distance to the one of the lower station.
    """
    table = pd.DataFrame({"structure_id": frame["feature_id"].to_numpy()})
    for name, default in ATTRIBUTES.items():
        values = frame[name].to_numpy() if name in frame else np.full(len(frame), default)
        table[name] = _as(values, default)
    table["drop_error_m"] = table["drop_error_m"].where(table["drop_error_m"] > 0, SURVEY_ERROR_M)
    table["sources"] = ""
    if "inventory" in frame:
        table["sources"] = [
            f"{name}:{identity}"
            for name, identity in zip(frame["inventory"], frame["inventory_id"].astype(str), strict=True)
        ]
    table["geometry"] = frame.geometry.to_numpy()
    station, distance, share_above = nearest_segments(table["geometry"].to_numpy(), segments)
    within_m = np.full(len(table), float(snap_m))
    if "position_error_m" in frame:
        within_m = np.fmax(within_m, frame["position_error_m"].to_numpy(dtype=float))
    table["station"] = np.where(distance <= within_m, station, -1)
    table["distance_to_stream_m"] = distance
    table["share_above"] = share_above
    table["within_m"] = within_m
    return table


def judge_structures(located, *, with_planned=False) -> pd.DataFrame:
    """Structures with what each is to the stream today.

    Parameters
    ----------
    located : DataFrame
        Of `locate_structures`, with ``note`` where something is known of a row already.
    with_planned : bool
        Whether head may be taken at a structure whose removal is planned.

    Returns
    -------
    DataFrame
        With ``is_barrier`` (head may be taken there) and ``note``, without ``within_m``. A weir in use is a
        barrier like others; of one that has been removed nothing is left: no plant, no pass, no drop.
    """
    table = located.drop(columns=["within_m", "note"], errors="ignore")
    removed = table["removed"].to_numpy(dtype=bool)
    for name in ("powered", "fish_pass", "removal_planned"):
        table[name] = table[name].to_numpy(dtype=bool) & ~removed
    table["passable"] = table["passable"].where(~removed, "")
    table["drop_m"] = table["drop_m"].where(~removed)
    near = (table["station"] >= 0).to_numpy()
    natural = table["kind"].str.lower().isin(NOT_BARRIERS).to_numpy()
    powered = table["powered"].to_numpy()
    planned = table["removal_planned"].to_numpy()
    table["is_barrier"] = near & ~natural & ~powered & ~removed & (~planned | with_planned)
    earlier = located["note"].to_numpy() if "note" in located else np.full(len(table), "", dtype=object)
    notes = [
        (
            ~near,
            np.array([f"no stream within {within_m:g} m" for within_m in located["within_m"]], dtype=object),
        ),
        (removed, "removed: no barrier and no head are left"),
        (natural & ~removed, "no barrier to take head at"),
        (powered, "already powered: its stream is developed"),
        (planned, "removal is planned: its head will go"),
        (_is_unclear(table["passable"]), "passable is neither yes, partly or no nor a share from 0 to 1"),
        (
            table["drop_m"].isna().to_numpy() & table["is_barrier"].to_numpy(),
            "no surveyed drop: head from the DEM",
        ),
        (earlier != "", earlier),
    ]
    entries = np.full(len(table), "", dtype=object)
    for applies, text in notes:
        entries = np.where(applies, np.where(entries == "", text, entries + IN_ONE_CELL + text), entries)
    table["note"] = entries
    return table


# Segments on each side whose median fall is that of the stream itself.
NEIGHBOURS = 3
# A drop of the DEM is taken for that of a structure from this share of the surveyed drop on (own choice).
MIN_SHARE_OF_DROP = 0.5
# Standard errors of the difference of two cells from which a fall is no noise: for a drop farther off; and, for an
# elevation within the drop, one-sided at 95 %, since little is lost where one is refused in vain (own choices).
DROP_ERRORS, WITHIN_ERRORS = 3.0, 1.645


class _Falls:
    """Falls of the raw elevations by segments; a segment has the number of its lower station."""

    def __init__(self, raw_m, downstream, segment_m):
        self.downstream, self.segment_m = downstream, segment_m
        fall_m = np.diff(raw_m, prepend=np.nan)
        self.fall_m = np.where(np.isnan(fall_m), -np.inf, -fall_m)
        joined = downstream >= 0
        self.joining = np.bincount(downstream[joined], minlength=len(raw_m))
        # Looked at where one alone joins.
        self.upper = np.zeros(len(raw_m), dtype=np.int64)
        self.upper[downstream[joined]] = np.flatnonzero(joined)

    def above(self, segment):
        """The segment that runs into this one, -1 at a source and below a confluence."""
        first = segment - 1
        if self.segment_m[first] > 0.0:
            return first
        return self._with_length(self.upper[first]) if self.joining[first] == 1 else -1

    def below(self, segment):
        """The segment that this one runs into, -1 at an outlet and above a confluence."""
        following = int(self.downstream[segment])
        if following < 0 or self.segment_m[following] > 0.0:
            return following
        return self._with_length(self.downstream[following]) if self.joining[following] == 1 else -1

    # A segment, or none: -1 stays what it is.
    def _with_length(self, segment):
        return int(segment) if self.segment_m[segment] > 0.0 else -1

    def excess_m(self, segment):
        """How much the segment falls more than the stream around it, by the median of its neighbours [m]."""
        slopes = []
        for step in (self.above, self.below):
            each = segment
            for _ in range(NEIGHBOURS):
                each = step(each)
                if each < 0:
                    break
                if np.isfinite(self.fall_m[each]):
                    slopes.append(self.fall_m[each] / self.segment_m[each])
        slope = max(float(np.median(slopes)), 0.0) if slopes else 0.0
        return self.fall_m[segment] - slope * self.segment_m[segment]


def at_their_drops(
    structures, raw_m, downstream, segment_m, rmse_m, *, reach_m, snap_m, min_step_m
) -> pd.DataFrame:
    """Structures on the segments in which the DEM shows their drops, so that each drop counts once.

    Parameters
    ----------
    structures : DataFrame
        As placed by `place_structures`.
    raw_m : ndarray of float64, shape (n,)
        Raw elevation of each station [m], NaN where none is known.
    downstream : ndarray of int32, shape (n,)
        Number of the next station downstream, -1 at an outlet.
    segment_m : ndarray of float64, shape (n,)
        Length of the segment that ends at each station [m]; 0 for the first station of a link.
    rmse_m : ndarray of float64, shape (n,)
        Error of the DEM at each station [m].
    reach_m : float
        Distance along the stream between a structure and its drop that the DEM's own cells explain [m]; a cell.
    snap_m : float
        Distance along the stream by which the mapped place may be off [m].
    min_step_m : float
        Minimum step that is taken for the drop of a structure without a surveyed one [m].

    Returns
    -------
    DataFrame
        With ``station`` and ``share_above`` of the segment of the drop: at the end of that segment nearest to the
        mapped place where it is another. ``note`` says how far a structure was moved beyond ``reach_m``.

    Notes
    -----
    An elevation is that of a whole cell, so that the drop of a structure near a station may appear in the segment
    on the other side of it: of its own segment and those within a cell, the one with the greatest raw fall has the
    drop, its own where the DEM shows none. Where none of these shows half of the drop, the greatest step within
    ``snap_m`` that does is taken, if no other structure is on that segment. Otherwise a plant there would use the
    surveyed drop, and a diversion beside it the same drop in the DEM. Crossings and what has been removed hold no
    water, and stay.
    """
    falls = _Falls(raw_m, downstream, segment_m)
    holds = _holds_water(structures)
    station, share_above = (
        structures["station"].to_numpy().copy(),
        structures["share_above"].to_numpy(float).copy(),
    )
    drop_m, note = structures["drop_m"].to_numpy(float), structures["note"].to_numpy(object).copy()
    has_other = np.bincount(station[holds], minlength=len(raw_m))
    for row in np.flatnonzero(holds).tolist():
        own = int(station[row])
        around = _segments_about(falls, own, share_above[row] * segment_m[own], snap_m)
        near = max((each for each in around if around[each][0] < reach_m), key=lambda each: falls.fall_m[each])
        least_m = min_step_m if np.isnan(drop_m[row]) else MIN_SHARE_OF_DROP * drop_m[row]
        if falls.excess_m(near) < least_m:
            far = {
                each: falls.excess_m(each) for each in around if around[each][0] >= reach_m and not has_other[each]
            }
            far = {
                each: step_m
                for each, step_m in far.items()
                if step_m >= max(least_m, DROP_ERRORS * np.sqrt(2.0) * rmse_m[each])
            }
            if far:
                near = max(far, key=far.get)
                away_m, share = around[near]
                text = f"drop found {away_m:.0f} m {'downstream' if share == 0.0 else 'upstream'} in the DEM"
                note[row] = f"{note[row]}; {text}" if note[row] else text
        if near != own:
            station[row], share_above[row] = near, around[near][1]
    return structures.assign(station=station, share_above=share_above, note=note)


# Segments within a distance of a place on one of them: the distance to each [m], 0 for its own, and the share of
# its length above its nearest point.
def _segments_about(falls, own, from_top_m, within_m):
    found = {own: (0.0, np.nan)}
    for step, to_end_m, share in (
        (falls.above, from_top_m, 1.0),
        (falls.below, falls.segment_m[own] - from_top_m, 0.0),
    ):
        each, away_m = step(own), to_end_m
        while each >= 0 and away_m <= within_m:
            found[each] = (away_m, share)
            away_m += falls.segment_m[each]
            each = step(each)
    return found


def known_breaks(structures, count) -> np.ndarray:
    """Stations right above a known weir or fall, where the long profile breaks.

    Parameters
    ----------
    structures : DataFrame
        Of `at_their_drops`.
    count : int
        Number of stations.

    Returns
    -------
    ndarray of bool, shape (count,)
        None at crossings, which hold no water, and where a weir has been removed.
    """
    is_break = np.zeros(count, dtype=bool)
    holds = _holds_water(structures)
    is_break[structures.loc[holds, "station"].to_numpy(dtype=np.int64) - 1] = True
    return is_break


def within_drops(structures, raw_m, downstream, segment_m, rmse_m) -> np.ndarray:
    """Stations whose elevation is neither that above a known structure nor that below it.

    Parameters
    ----------
    structures, raw_m, downstream, segment_m, rmse_m
        As for `at_their_drops`; the structures as it gives them.

    Returns
    -------
    ndarray of bool, shape (n,)
        Of the two ends of a structure's segment those beyond which the stream goes on falling by more than the
        slope around and the noise of two cells explain: the DEM's cell holds part of the drop. Where another
        structure is on that next segment, none.
    """
    is_within = np.zeros(len(raw_m), dtype=bool)
    falls = _Falls(raw_m, downstream, segment_m)
    holds = _holds_water(structures)
    stations = structures.loc[holds, "station"].to_numpy(dtype=np.int64)
    on = set(stations.tolist())
    for segment in stations.tolist():
        for following, station in ((falls.above(segment), segment - 1), (falls.below(segment), segment)):
            if following < 0 or following in on:
                continue
            noise_m = WITHIN_ERRORS * np.sqrt(2.0) * rmse_m[station]
            if falls.excess_m(following) > noise_m:
                is_within[station] = True
    # The last station of a link and the first of the next are one place.
    twin = np.flatnonzero(is_within & (downstream >= 0))
    twin = downstream[twin][segment_m[downstream[twin]] <= 0.0]
    is_within[twin[falls.joining[twin] == 1]] = True
    first = np.flatnonzero(is_within & (segment_m <= 0.0) & (falls.joining == 1))
    is_within[falls.upper[first]] = True
    return is_within


def use_flags(structures):
    """What is to be known of a site at each structure because of its use and its future.

    Parameters
    ----------
    structures : DataFrame
        Columns ``use`` and ``removal_planned``.

    Returns
    -------
    ndarray of str
        ``structure_in_use: …`` where it has a use, ``removal_planned`` where that is so, or nothing. A flag
        separator in the user's text becomes a comma.
    """
    use = structures["use"].astype(str).str.strip()
    is_unused = use.str.lower().isin(NO_USE)
    use = use.str.replace(IN_ONE_CELL, ", ")
    in_use = (STRUCTURE_IN_USE.name + FLAG_VALUE + use).where(~is_unused, "").to_numpy(dtype=object)
    planned = np.where(structures["removal_planned"].to_numpy(dtype=bool), HEAD_TO_BE_REMOVED.name, "")
    both = (in_use != "") & (planned != "")
    return in_use + np.where(both, IN_ONE_CELL, "").astype(object) + planned.astype(object)


# Structures on a stream at which the water level may drop, bool of shape (n,).
def _holds_water(structures):
    is_crossing = structures["kind"].str.lower().isin(CROSSINGS)
    return ((structures["station"] >= 0) & ~is_crossing & ~structures["removed"].astype(bool)).to_numpy(dtype=bool)


def is_stated(values):
    """Whether cells of a user's column hold anything, bool of shape (n,)."""
    return (_filled(values).str.strip() != "").to_numpy(dtype=bool)


def stated_removed(frame):
    """Which structures of a layer have been removed by what it states, bool of shape (n,)."""
    if "removed" not in frame:
        return np.zeros(len(frame), dtype=bool)
    return _holds(frame["removed"].to_numpy())


# Words on whether fish pass that are not understood.
def _is_unclear(words):
    return np.isnan(stated_passable(words)) & (words.str.strip() != "").to_numpy(dtype=bool)


def _as(values, default):
    if isinstance(default, bool):
        return _holds(values)
    if isinstance(default, float):
        return pd.to_numeric(pd.Series(values), errors="coerce").to_numpy(dtype=float)
    return _filled(values).to_numpy(dtype=object)


# Whether cells say yes, bool of shape (n,); a word that is not understood does not.
def _holds(values):
    words = _filled(values).str.strip().str.lower().str.removesuffix(".0")
    return words.map(WORDS).fillna(False).to_numpy(dtype=bool)


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
    # Those of a pair too: they are on the segments at the ends of its path.
    marked |= touched_stations(points.geometry.to_numpy(), segments, snap_m, count)
    if plant_column is not None:
        for plant, of_plant in points.groupby(points[plant_column].astype(str), sort=True):
            role = of_plant[role_column].astype(str).str.strip().str.lower()
            both = [of_plant.geometry[role == name_of_role].to_numpy() for name_of_role in (INTAKE, TAILRACE)]
            ends += [(plant, *pair, shapely.MultiPoint(pair)) for pair in product(*both)]
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
