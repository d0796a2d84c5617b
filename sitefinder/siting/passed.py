"""What lies on the stream between intake and powerhouse of a stretch, and the weir that its intake needs."""

from typing import NamedTuple

import numpy as np
import pandas as pd
import shapely

from sitefinder.network.ordering import upstream_neighbours
from sitefinder.schema import is_scheme_that
from sitefinder.siting.structures import CROSSINGS, NOT_BARRIERS
from sitefinder.vocabulary import (
    ABOVE_INTAKE,
    AT_INTAKE,
    BELOW_POWERHOUSE,
    BYPASSED,
    DROWNED,
    PASSED_ABSTRACTION_WEIR,
    PASSED_CONFLUENCE,
    PASSED_CROSSING,
    PASSED_FALL,
    PASSED_KINDS,
    PASSED_NAVIGATION,
    PASSED_PLANT,
    PASSED_STEP,
    PASSED_WEIR,
    USED,
    named,
    names,
)

# A kind of things is a bit of a number, so that all kinds of many things fit into one.
BITS = {kind.name: 1 << place for place, kind in enumerate(PASSED_KINDS)}
HOLDS_WATER = tuple(kind.name for kind in PASSED_KINDS if kind.holds_water)
# Columns of `stream_things`.
COLUMNS = (
    "kind",
    "object_id",
    "use",
    "owner",
    "condition",
    "powered",
    "fish_pass",
    "may_serve",
    "drop_m",
    "station",
    "share_above",
    "structure",
)
FALLS = tuple(kind for kind in NOT_BARRIERS if kind not in CROSSINGS)
STEP = "step"
# A diversion is the plant of structures from this share of its head on that is their drop (own choice).
MIN_SHARE_OF_HEAD = 0.5


def kinds_of_structures(structures, navigation_uses, abstraction_uses):
    """Kind of each structure, of `sitefinder.vocabulary.PASSED_KINDS`.

    Parameters
    ----------
    structures : DataFrame
        Columns ``kind``, ``use`` and ``powered``.
    navigation_uses, abstraction_uses : list of str
        Words in the use that mean navigation, and that water is taken there.

    Returns
    -------
    ndarray of str

    Examples
    --------
    >>> weirs = pd.DataFrame({"kind": "weir", "use": ["Navigation", "old mill", ""], "powered": False})
    >>> kinds_of_structures(weirs, ["navigation"], ["mill"]).tolist()
    ['navigation', 'abstraction_weir', 'weir']
    """
    kind, use = ([text.strip().lower() for text in structures[name].astype(str)] for name in ("kind", "use"))

    def holds_one_of(words):
        return np.array([any(word.lower() in text for word in words) for text in use], dtype=bool)

    def is_one_of(kinds):
        return np.array([text in kinds for text in kind], dtype=bool)

    return np.select(
        [
            structures["powered"].to_numpy(dtype=bool),
            is_one_of(FALLS),
            is_one_of(CROSSINGS),
            is_one_of((STEP,)),
            holds_one_of(navigation_uses),
            holds_one_of(abstraction_uses),
        ],
        names(
            [
                PASSED_PLANT,
                PASSED_FALL,
                PASSED_CROSSING,
                PASSED_STEP,
                PASSED_NAVIGATION,
                PASSED_ABSTRACTION_WEIR,
            ]
        ),
        PASSED_WEIR.name,
    ).astype(object)


def confluences(stations, streams):
    """The confluences of the network.

    Parameters
    ----------
    stations : DataFrame
        Columns ``downstream`` and ``link``; n rows.
    streams : ndarray of str, shape (links,)
        Name of the stream of each link, "" for none.

    Returns
    -------
    DataFrame
        ``kind``, ``object_id`` (names of the streams that join, with " and " between, "" where all lack one),
        ``station`` (the first of the link below) and ``share_above``.
    """
    first, upstream = upstream_neighbours(stations["downstream"].to_numpy().astype(np.int32))
    at = np.flatnonzero(np.diff(first) > 1)
    link = stations["link"].to_numpy()
    joining = [
        " and ".join(dict.fromkeys(filter(None, streams[link[upstream[first[station] : first[station + 1]]]])))
        for station in at
    ]
    return pd.DataFrame(
        {"kind": PASSED_CONFLUENCE.name, "object_id": joining, "station": at.astype(np.int64), "share_above": 0.0}
    )


def stream_things(*tables):
    """Things on the stream in one table, in the order of stations and places within their segments.

    Parameters
    ----------
    *tables : DataFrame
        Any of `COLUMNS`, ``kind``, ``station`` and ``share_above`` among them. ``structure`` is the row of the
        structures, -1 for other things; ``may_serve`` is True for a weir that an intake may stand at. Things at
        no stream (station -1) are left out.

    Returns
    -------
    DataFrame
        `COLUMNS`.
    """
    absent = {"object_id": "", "use": "", "owner": "", "condition": "", "powered": False, "fish_pass": False}
    absent |= {"may_serve": False, "drop_m": np.nan, "structure": -1}
    filled = [
        table.assign(**{name: value for name, value in absent.items() if name not in table})[list(COLUMNS)]
        for table in tables
        if len(table)
    ]
    types = {"station": np.int64, "structure": np.int64, "share_above": float, "drop_m": float}
    types |= dict.fromkeys(("powered", "fish_pass", "may_serve"), bool)
    things = pd.concat(filled) if filled else pd.DataFrame(columns=list(COLUMNS))
    things = things.astype(types)
    things = things[things["station"] >= 0]
    return things.sort_values(["station", "share_above"], kind="stable", ignore_index=True)


def to_outlet_m(downstream, to_downstream_m):
    """Distance from each station to the outlet of its network [m], float64 of shape (n,)."""
    way_m = np.zeros(len(downstream))
    for station in reversed(range(len(downstream))):  # from the outlets up
        if downstream[station] >= 0:
            way_m[station] = way_m[downstream[station]] + to_downstream_m[station]
    return way_m


class Passed(NamedTuple):
    """What candidates go past, and the weirs at their intakes; each of shape (m,).

    ``kinds`` holds a bit of `BITS` for each kind of things that a candidate goes past or drowns. ``serving`` is
    the thing (row of the things) at which the intake of a diversion stands, -1 where it needs a weir of its own,
    and for other scheme types.
    """

    kinds: np.ndarray
    serving: np.ndarray


def passed_things(stretches, things, count, forbidden=None) -> Passed:
    """What each candidate goes past, or drowns.

    Parameters
    ----------
    stretches : Stretches
    things : DataFrame
        Of `stream_things`.
    count : int
        Number of stations.
    forbidden : ndarray of int, shape (count,), optional
        Bits of the kinds that count at each station; all by default.

    Returns
    -------
    Passed

    Notes
    -----
    The intake of a diversion stands at the uppermost weir of the segment right below its station: as for a plant
    at a weir, the level pond of the weir is taken to reach up to there. What lies above that weir is not passed,
    nor is the weir itself, unless it serves navigation: the reach below it would lose its depth. A plant at a
    weir goes past nothing.
    """
    table = stretches.table
    station, bit = things["station"].to_numpy(np.int64), things["kind"].map(BITS).to_numpy(np.int64)
    if forbidden is not None:
        bit = bit & forbidden[station]
    at_station = np.zeros(count, dtype=np.int64)
    np.bitwise_or.at(at_station, station, bit)
    # Of each segment the uppermost weir, and what is passed all the same.
    serves = np.flatnonzero(things["may_serve"].to_numpy(dtype=bool))
    serving_at = np.full(count, -1)
    serving_at[station[serves[::-1]]] = serves[::-1]
    below_weir = np.zeros(count, dtype=np.int64)
    is_below = np.arange(len(things)) > serving_at[station]
    is_below |= (np.arange(len(things)) == serving_at[station]) & (things["kind"] == PASSED_NAVIGATION.name)
    is_below &= serving_at[station] >= 0
    np.bitwise_or.at(below_weir, station[is_below], bit[is_below])

    # A path is listed from the tailrace up: its last station is that of the segment right below the intake.
    first_at = stretches.pond_start - 1
    first = stretches.taken[first_at]
    diverts = is_scheme_that(table["scheme_type"], "diverts")
    serving = np.where(diverts, serving_at[first], -1)
    bits = at_station[stretches.taken]
    bits[first_at[serving >= 0]] = below_weir[first[serving >= 0]]
    kinds = np.bitwise_or.reduceat(bits, stretches.start[:-1])
    return Passed(np.where(is_scheme_that(table["scheme_type"], "uses_structure"), 0, kinds), serving)


def plants_of_structures(stretches, things, is_structure, stations, within_m):
    """Diversions that are the plant of structures, which lie in them near to both ends and are most of their head.

    Parameters
    ----------
    stretches : Stretches
    things : DataFrame
        Of `stream_things`.
    is_structure : ndarray of bool, shape (k,)
        The things that count.
    stations : DataFrame
        Columns ``downstream``, ``to_downstream_m`` and ``segment_length_m``.
    within_m : float
        Maximum distance along the stream from the intake and from the powerhouse to the structure [m].

    Returns
    -------
    ndarray of bool, shape (m,)

    Notes
    -----
    The drop of a structure counts once: as the plant at it. A drop that is not known makes no diversion its plant.
    """
    table = stretches.table
    drop_m = np.zeros(len(table))
    row = np.flatnonzero(is_structure & things["drop_m"].notna().to_numpy())
    diverts = is_scheme_that(table["scheme_type"], "diverts")
    short = np.flatnonzero(diverts & (table["length_m"].to_numpy() <= 2.0 * within_m))
    if not (len(row) and len(short)):
        return np.zeros(len(table), dtype=bool)
    segment_m, step_m = (stations[name].to_numpy() for name in ("segment_length_m", "to_downstream_m"))
    way_m = to_outlet_m(stations["downstream"].to_numpy().astype(np.int32), step_m)
    station = things["station"].to_numpy(np.int64)[row]
    thing_m = way_m[station] + (1.0 - things["share_above"].to_numpy(np.float64)[row]) * segment_m[station]
    # Each station that a short diversion takes, and then each structure on it; things are in order of stations.
    taken = np.diff(stretches.start)[short]
    place = np.repeat(stretches.start[short] - (np.cumsum(taken) - taken), taken)
    of_taken, on = np.repeat(short, taken), stretches.taken[place + np.arange(taken.sum())]
    first, end = (np.searchsorted(station, on, side) for side in ("left", "right"))
    many = end - first
    number = np.repeat(first - (np.cumsum(many) - many), many)
    number += np.arange(len(number))
    at_m, owner = thing_m[number], np.repeat(of_taken, many)
    from_m, to_m = (way_m[table[name].to_numpy(dtype=np.int64)[owner]] for name in ("intake", "tailrace"))
    near = (from_m - at_m <= within_m) & (at_m - to_m <= within_m)
    np.add.at(drop_m, owner[near], things["drop_m"].to_numpy(np.float64)[row][number][near])
    return (drop_m > 0.0) & (drop_m >= MIN_SHARE_OF_HEAD * table["head_m"].to_numpy(np.float64))


def new_weirs_at(stretches, stations, station, places, within_m):
    """New weirs at the place of an existing structure.

    Parameters
    ----------
    stretches : Stretches
    stations : DataFrame
        Columns ``x_m`` and ``y_m``.
    station : ndarray of int64, shape (k,)
        Station below each structure, on whose segment it is.
    places : ndarray of shapely.Point
        Of the structures.
    within_m : float
        Maximum distance from the weir to the structure, as the crow flies [m].

    Returns
    -------
    ndarray of bool, shape (m,)
        Also where the structure is between the weir and its tailwater, since the head then holds its drop.
    """
    table = stretches.table
    new = np.flatnonzero(is_scheme_that(table["scheme_type"], "builds_barrier"))
    at, own = np.unique(table["intake"].to_numpy(dtype=np.int64)[new], return_inverse=True)
    weirs = shapely.points(stations["x_m"].to_numpy()[at], stations["y_m"].to_numpy()[at])
    near = np.zeros(len(at), dtype=bool)
    near[shapely.STRtree(places).query(weirs, predicate="dwithin", distance=within_m)[0]] = True
    found = np.zeros(len(table), dtype=bool)
    found[new] = near[own] | np.isin(table["tailrace"].to_numpy(dtype=np.int64)[new], station)
    return found


def builds_barrier(table):
    """Whether candidates build a barrier: a new weir, or one at the intake of a diversion; bool of shape (m,)."""
    is_new = is_scheme_that(table["scheme_type"], "builds_barrier")
    return is_new | (table["intake_weir_m"].to_numpy() > 0) if "intake_weir_m" in table else is_new


def bits_of(kinds):
    """Kinds by their names as one number, see `BITS`."""
    return sum(BITS[name] for name in set(kinds))


def things_of_sites(stretches, chosen, serving, things, stations, ends_within_m):
    """The things within and at the ends of chosen stretches.

    Parameters
    ----------
    stretches : Stretches
        With ``structure`` in its table, the row of the structures that is used, -1 for none.
    chosen : ndarray of int, shape (k,)
        Numbers of candidates.
    serving : ndarray of int, shape (m,)
        See `Passed`.
    things : DataFrame
        Of `stream_things`.
    stations : DataFrame
        Columns ``downstream``, ``to_downstream_m`` and ``segment_length_m``.
    ends_within_m : float
        Distance along the stream beyond the ends within which things are listed [m].

    Returns
    -------
    DataFrame
        ``site`` (place in `chosen`), ``thing`` (row of the things), ``role`` (of
        `sitefinder.vocabulary.PASSED_ROLES`) and ``distance_m`` downstream from the intake [m], below zero above
        it; by site and distance. Every thing on a segment that the site takes is listed.
    """
    downstream = stations["downstream"].to_numpy().astype(np.int32)
    segment_m, step_m = (stations[name].to_numpy() for name in ("segment_length_m", "to_downstream_m"))
    way_m = to_outlet_m(downstream, step_m)
    joining_start, joining = upstream_neighbours(downstream)
    station, share = things["station"].to_numpy(np.int64), things["share_above"].to_numpy(np.float64)
    thing_m = way_m[station] + (1.0 - share) * segment_m[station]
    structure, is_weir = things["structure"].to_numpy(np.int64), things["may_serve"].to_numpy(dtype=bool)
    from_row, to_row = (np.searchsorted(station, np.arange(len(stations)), side) for side in ("left", "right"))
    uses, builds = (
        is_scheme_that(stretches.table["scheme_type"], what) for what in ("uses_structure", "builds_barrier")
    )
    ends = [stretches.table[name].to_numpy(dtype=np.int64) for name in ("intake", "tailrace", "structure")]

    # Things on the segments of some stations.
    def things_on(of_stations):
        return [row for each in of_stations for row in range(from_row[each], to_row[each])]

    rows = []
    for place, number in enumerate(np.asarray(chosen).tolist()):
        intake, tailrace, used = (int(end[number]) for end in ends)
        taken = stretches.taken[stretches.start[number] : stretches.start[number + 1]].tolist()
        # The path ends with the segment right below the intake.
        first = stretches.taken[stretches.pond_start[number] - 1]
        for row in things_on(taken):
            if uses[number]:
                role = USED if structure[row] == used >= 0 else AT_INTAKE
            elif builds[number]:
                role = DROWNED
            elif station[row] == first and row <= serving[number]:
                role = USED if row == serving[number] else ABOVE_INTAKE
            else:
                role = BYPASSED
            rows.append((place, row, role, way_m[intake] - thing_m[row]))
        around = _stations_above(intake, joining_start, joining, way_m, ends_within_m)
        for row in things_on(each for each in around if each not in taken):
            if thing_m[row] - way_m[intake] <= ends_within_m:
                role = AT_INTAKE if is_weir[row] else ABOVE_INTAKE
                rows.append((place, row, role, way_m[intake] - thing_m[row]))
        for row in things_on(_stations_below(tailrace, downstream, way_m, ends_within_m)):
            if way_m[tailrace] - thing_m[row] <= ends_within_m:
                rows.append((place, row, BELOW_POWERHOUSE, way_m[intake] - thing_m[row]))
    table = pd.DataFrame(rows, columns=["site", "thing", "role", "distance_m"])
    return table.sort_values(["site", "distance_m", "thing"], kind="stable", ignore_index=True)


# A station and all above it whose lower ends are no farther than so much up the stream.
def _stations_above(station, first, upstream, way_m, within_m):
    found, stack = [], [station]
    while stack:
        lower = stack.pop()
        found.append(lower)
        joining = upstream[first[lower] : first[lower + 1]].tolist()
        stack += [each for each in joining if way_m[each] - way_m[station] <= within_m]
    return found


# The stations below a station whose segments begin no farther than so much down the stream.
def _stations_below(station, downstream, way_m, within_m):
    found, each = [], station
    while downstream[each] >= 0 and way_m[station] - way_m[each] <= within_m:
        each = int(downstream[each])
        found.append(each)
    return found


def flags_of_things(listed, things):
    """Names of things for the flags of sites, by site and flag.

    Parameters
    ----------
    listed : DataFrame
        Of `things_of_sites`.
    things : DataFrame
        Of `stream_things`.

    Returns
    -------
    dict of (int, str) to str
        By place of the site and ``bypasses_structure``, ``bypasses_fall``, ``intake_at_structure`` or
        ``drowns_structure``: ids with ", " between.
    """
    found = {}
    for site, thing, role in zip(listed["site"], listed["thing"], listed["role"], strict=True):
        kind, name = named(PASSED_KINDS, things["kind"].iloc[thing]), str(things["object_id"].iloc[thing])
        is_structure = kind.holds_water or kind in (PASSED_PLANT, PASSED_CROSSING)
        if role in (AT_INTAKE, USED) and kind.holds_water:
            flag = "intake_at_structure"
        elif role == BYPASSED and kind == PASSED_FALL:
            flag = "bypasses_fall"
        elif role == BYPASSED and is_structure:
            flag = "bypasses_structure"
        elif role == DROWNED and (is_structure or kind == PASSED_FALL):
            flag = "drowns_structure"
        else:
            continue
        found.setdefault((site, flag), []).append(name)
    return {key: ", ".join(ids) for key, ids in found.items()}
