"""How rules work along the stream: down to the outlet or up to the sources, as settings and falls let them."""

from typing import NamedTuple

import numpy as np
import pandas as pd

from sitefinder.compiled import kernel
from sitefinder.network.stations import nearest_segments
from sitefinder.rules.overlaps import HIT_COLUMNS, SHORTEST_OVERLAP_M, union_of_intervals
from sitefinder.vocabulary import UPSTREAM

# What happens along a segment, in the order in which it counts at one place. A drop of the profile lies somewhere
# in its segment, so that ground that ends with the segment reaches past it; a mapped fall is where it is.
DROP, END, TOUCH, START, FALL = range(5)
# Kinds of structures that are natural falls.
NATURAL_FALLS = ("fall", "waterfall")


class Barriers(NamedTuple):
    """Where fish turn back: ``station`` (int64) and ``at_m`` (float64, from the upper end of its segment)."""

    station: np.ndarray
    at_m: np.ndarray


class Steps(NamedTuple):
    """Ways of the water from one station to the next, into side arms as well: int64 arrays of shape (e,)."""

    upper: np.ndarray
    lower: np.ndarray


def steps_down(stations, links):
    """The steps that water may take down the network, at a parting into each arm.

    Parameters
    ----------
    stations : DataFrame
        Columns ``link`` and ``downstream``.
    links : DataFrame
        Columns ``downstream_link`` and ``leaves_link``.

    Returns
    -------
    Steps
        Each to a station of a higher number.
    """
    downstream = stations["downstream"].to_numpy(dtype=np.int64)
    inner = np.flatnonzero(downstream >= 0)
    link = stations["link"].to_numpy()
    first = np.searchsorted(link, np.arange(len(links)))
    last = np.searchsorted(link, np.arange(len(links)), side="right") - 1
    below, leaves = links["downstream_link"].to_numpy(), links["leaves_link"].to_numpy()
    upper, lower = [inner], [downstream[inner]]
    for arm in np.flatnonzero(leaves >= 0):
        main = below[leaves[arm]]
        arriving = np.flatnonzero(below == main) if main >= 0 else np.array([leaves[arm]])
        upper.append(last[arriving])
        lower.append(np.full(len(arriving), first[arm]))
    return Steps(np.concatenate(upper).astype(np.int64), np.concatenate(lower).astype(np.int64))


def place_falls(points, segments, segment_length_m, snap_m):
    """Natural falls on the stream.

    Parameters
    ----------
    points : ndarray of shapely.Point, shape (m,)
    segments : DataFrame
        Columns ``station`` and ``geometry``.
    segment_length_m : ndarray of float64, shape (n,)
        Of each station's segment [m].
    snap_m : float
        Maximum distance of a fall from its stream [m].

    Returns
    -------
    falls : Barriers
        Of those near a stream.
    is_near : ndarray of bool, shape (m,)
    """
    station, distance_m, share_above = nearest_segments(points, segments)
    near = distance_m <= snap_m
    station, share_above = station[near].astype(np.int64), share_above[near]
    return Barriers(station, share_above * segment_length_m[station]), near


def carried_along(hits, stations, steps, rule, falls, profile_m):
    """Where a rule holds along the stream because of features of its layer upstream or downstream.

    Parameters
    ----------
    hits : DataFrame
        Of the rule, see `sitefinder.rules.overlaps.overlaps` and `uncovered`: where the effect starts.
    stations : DataFrame, n rows
        Columns ``reach``, ``distance_m`` along the link and ``segment_length_m``.
    steps : Steps
    rule : config.RuleSettings
        With the effect "downstream" or "upstream".
    falls : Barriers
        Natural falls; those at which the rule does not end are left out by the caller.
    profile_m : ndarray of float64, shape (n,)
        Long profile [m], for drops at which the rule ends.

    Returns
    -------
    DataFrame
        Hits with the rule's effect, in the order of stations and distance: each metre once for features that are
        meant, once for those of missing category and once for what lies outside the area covered. The feature is
        the nearest one along the stream.

    Notes
    -----
    The effect starts at the lower end (downstream) or the upper end (upstream) of each piece of stream under the
    layer and is carried from station to station: at a confluence the one over the shorter distance goes on, at a
    bifurcation each arm takes all. A mapped fall ends it there. A drop of the profile of at least
    ``stops_at_drop_m`` within a segment ends it with that segment, since the fall's exact location in it is
    unknown.
    """
    parts = [pd.DataFrame(columns=HIT_COLUMNS)]
    for column in (None, "category_missing", "not_covered"):
        doubtful = hits["category_missing"] | hits["not_covered"]
        chosen = hits[~doubtful if column is None else hits[column]]
        if len(chosen):
            parts.append(_carried(chosen, stations, steps, rule, falls, profile_m))
    found = [part for part in parts if len(part)]
    return pd.concat(found, ignore_index=True) if found else hits.iloc[:0]


# The effect of hits of equal certainty.
def _carried(hits, stations, steps, rule, falls, profile_m):
    length_m = stations["segment_length_m"].to_numpy(dtype=np.float64)
    names, feature = np.unique(hits["feature_id"].to_numpy(dtype=object).astype(str), return_inverse=True)
    events = _events(hits, feature, stations, rule, falls, profile_m)
    up = rule.effect == UPSTREAM.name
    if up:
        mirrored = events["kind"].map({START: END, END: START}).fillna(events["kind"]).astype(np.int64)
        is_drop = events["kind"] == DROP
        at_m = np.where(is_drop, events["at_m"], length_m[events["station"]] - events["at_m"])
        events = events.assign(kind=mirrored, at_m=at_m)
    events = events.sort_values(["station", "at_m", "kind", "feature"], kind="stable")
    count = len(stations)
    begin, end = (steps.lower, steps.upper) if up else (steps.upper, steps.lower)
    order = np.argsort(begin, kind="stable")
    station, from_m, to_m, who = _followed(
        np.arange(count)[::-1] if up else np.arange(count),
        np.searchsorted(begin[order], np.arange(count + 1)),
        end[order],
        length_m,
        np.searchsorted(events["station"].to_numpy(), np.arange(count + 1)),
        events["at_m"].to_numpy(dtype=np.float64),
        events["kind"].to_numpy(dtype=np.int64),
        events["feature"].to_numpy(dtype=np.int64),
        np.inf if rule.effect_distance_m is None else rule.effect_distance_m,
    )
    if up:
        from_m, to_m = length_m[station] - to_m, length_m[station] - from_m
    # Adjoining pieces of one feature are merged; those without length are rounding.
    union = union_of_intervals(station * len(names) + who, from_m, to_m)
    station, who = union.owner // len(names), union.owner % len(names)
    head_m = (stations["distance_m"].to_numpy() - length_m)[station]
    to_m = np.where(
        union.to_m >= length_m[station], stations["distance_m"].to_numpy()[station], head_m + union.to_m
    )
    carried = {
        "rule": pd.Series([rule.name] * len(station), dtype="str"),
        "station": station,
        "reach": stations["reach"].to_numpy(dtype=np.int64)[station],
        "feature_id": pd.Series(names[who], dtype="str"),
        "effect": pd.Series([rule.effect] * len(station), dtype="str"),
        "category_missing": np.full(len(station), bool(hits["category_missing"].iloc[0])),
        "not_covered": np.full(len(station), bool(hits["not_covered"].iloc[0])),
        "from_m": head_m + union.from_m,
        "to_m": to_m,
        "overlap_m": to_m - (head_m + union.from_m),
    }
    return pd.DataFrame(carried, columns=HIT_COLUMNS).sort_values(["station", "from_m"], ignore_index=True)


# Starts and ends of hits, falls and drops along the segments, by distance from their upper ends.
def _events(hits, feature, stations, rule, falls, profile_m):
    length_m = stations["segment_length_m"].to_numpy(dtype=np.float64)
    station = hits["station"].to_numpy(dtype=np.int64)
    head_m = (stations["distance_m"].to_numpy() - length_m)[station]
    from_m, to_m = (_snapped(hits[name].to_numpy() - head_m, length_m[station]) for name in ("from_m", "to_m"))
    is_touch = hits["overlap_m"].to_numpy() < SHORTEST_OVERLAP_M
    parts = [
        (station[~is_touch], from_m[~is_touch], START, feature[~is_touch]),
        (station[~is_touch], to_m[~is_touch], END, feature[~is_touch]),
        (station[is_touch], to_m[is_touch], TOUCH, feature[is_touch]),
        (falls.station, falls.at_m, FALL, np.full(len(falls.station), -1)),
    ]
    if rule.stops_at_drop_m is not None:
        upper = np.maximum(np.arange(len(stations)) - 1, 0)
        high = (length_m > 0) & (profile_m[upper] - profile_m >= rule.stops_at_drop_m)
        drops = np.flatnonzero(high)
        parts.append((drops, length_m[drops], DROP, np.full(len(drops), -1)))
    tables = [
        pd.DataFrame({"station": where, "at_m": at_m, "kind": kind, "feature": who})
        for where, at_m, kind, who in parts
    ]
    return pd.concat(tables, ignore_index=True).astype(
        {"station": np.int64, "kind": np.int64, "feature": np.int64}
    )


# Distances along a segment, with those a rounding away from its ends at them.
def _snapped(at_m, length_m):
    at_m = np.where(at_m < SHORTEST_OVERLAP_M, 0.0, at_m)
    return np.where(at_m > length_m - SHORTEST_OVERLAP_M, length_m, at_m)


# Carries the effect from station to station by the way that it has gone; gives the pieces in which it holds.
@kernel
def _followed(order, first_step, next_station, length_m, first_event, at_m, kind, feature, distance_m):
    gone_m = np.full(len(length_m), np.inf)
    whose = np.full(len(length_m), -1)
    maximum = len(length_m) + len(at_m)
    station, who = np.empty(maximum, dtype=np.int64), np.empty(maximum, dtype=np.int64)
    from_m, to_m = np.empty(maximum), np.empty(maximum)
    found = 0
    for current in order:
        place, gone, owner, depth = 0.0, gone_m[current], whose[current], 0
        last = first_event[current + 1]
        for event in range(first_event[current], last + 1):
            ahead = at_m[event] if event < last else length_m[current]
            if depth == 0 and gone < distance_m and ahead > place:
                station[found], who[found] = current, owner
                from_m[found], to_m[found] = place, min(ahead, place + distance_m - gone)
                found += 1
            gone += ahead - place
            place = ahead
            if event == last:
                break
            if kind[event] == START:
                depth += 1
            elif kind[event] == END:
                depth -= 1
            if depth == 0:
                if kind[event] == END or kind[event] == TOUCH:
                    gone, owner = 0.0, feature[event]
                elif kind[event] == FALL or kind[event] == DROP:
                    gone = np.inf
        if gone < distance_m:
            for step in range(first_step[current], first_step[current + 1]):
                below = next_station[step]
                if gone < gone_m[below] or (gone == gone_m[below] and owner < whose[below]):
                    gone_m[below], whose[below] = gone, owner
    return station[:found], from_m[:found], to_m[:found], who[:found]
