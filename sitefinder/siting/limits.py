"""What sites may do to a river together: free-flowing stream between them, depleted share, plants per km."""

from typing import NamedTuple

import numpy as np
import shapely
from scipy.sparse import csr_array

from sitefinder.compiled import kernel
from sitefinder.network.ordering import upstream_neighbours
from sitefinder.schema import is_scheme_that
from sitefinder.siting.passed import builds_barrier
from sitefinder.units import METRES_PER_KILOMETRE

# Names of the limits, as the layer of that name lists them.
FREE_FLOWING = "free-flowing length between plants"
DEPLETED_OF_STREAM = "depleted share of a stream"
DEPLETED_OF_WATER_BODY = "depleted share of a water body"
PLANTS_PER_KM = "plants per km of stream"
PLANTS_OF_WATER_BODY = "plants in a water body"
BARRIERS_OF_WATER_BODY = "new barriers in a water body"
FREE_CAPACITY = "free capacity of a substation"
CUMULATIVE_LIMITS = (
    FREE_FLOWING,
    DEPLETED_OF_STREAM,
    DEPLETED_OF_WATER_BODY,
    PLANTS_PER_KM,
    PLANTS_OF_WATER_BODY,
    BARRIERS_OF_WATER_BODY,
    FREE_CAPACITY,
)
# A length that is exactly the minimum is not too short by rounding, nor a use at the maximum too great.
ROUNDING = 1e-9


class RiverParts(NamedTuple):
    """Number of the stream and of the water body of each station's segment, int64, shape (n,), -1 for none.

    ``max_plants`` and ``max_new_barriers`` are the caps that the layer states for each water body, float64, by its
    number, NaN for none; None without a column of them.
    """

    stream: np.ndarray
    water_body: np.ndarray
    max_plants: np.ndarray | None = None
    max_new_barriers: np.ndarray | None = None


class RiverUse(NamedTuple):
    """The parts of the river that limits are set for, and how existing plants use them already.

    ``stream``, ``water_body`` and the caps are those of `RiverParts`. ``developed`` is True where an existing
    plant uses the segment, ``plants`` where fish enter one, bool, shape (n,).
    """

    stream: np.ndarray
    water_body: np.ndarray
    developed: np.ndarray
    plants: np.ndarray
    max_plants: np.ndarray | None = None
    max_new_barriers: np.ndarray | None = None


class Limit(NamedTuple):
    """A limit on what sites do together in each of several parts of the river.

    ``amounts`` has what each candidate does in each part, sparse, shape (parts, m); the chosen ones may together
    do ``maximum``, shape (parts,).
    """

    name: str
    amounts: csr_array
    maximum: np.ndarray


def streams_of_links(links):
    """For each link the lowest link of its stream: connected links of one name are one stream.

    Parameters
    ----------
    links : DataFrame
        Columns ``stream`` (name or NULL) and ``downstream_link`` (-1: none), from the sources down.

    Returns
    -------
    ndarray of int64, shape (links,)
        So are connected links without a name.
    """
    name = links["stream"].fillna("").to_numpy(dtype=object)
    below = links["downstream_link"].to_numpy()
    stream = np.arange(len(links))
    for link in reversed(range(len(links))):  # from the outlets up
        if below[link] >= 0 and name[below[link]] == name[link]:
            stream[link] = stream[below[link]]
    return stream


def water_bodies_of_stations(features, segments, snap_m, count):
    """Water body of each station's segment.

    Parameters
    ----------
    features : ndarray of shapely geometry, shape (k,)
        Water bodies: polygons (of the water or its catchment) or lines, in the coordinates of the segments [m].
    segments : GeoDataFrame
        ``station`` and the line of each segment.
    snap_m : float
        Maximum distance of a water body from the middle of a segment of it [m].
    count : int
        Number of stations.

    Returns
    -------
    ndarray of int64, shape (count,)
        Number of the feature that is nearest to the middle of the segment, of several the first; -1 for none.
    """
    found = np.full(count, -1)
    if not len(features) or not len(segments):
        return found
    middle = shapely.line_interpolate_point(segments.geometry.to_numpy(), 0.5, normalized=True)
    tree = shapely.STRtree(np.asarray(features, dtype=object))
    which, feature = tree.query_nearest(middle, max_distance=snap_m, all_matches=True)
    first = np.full(len(middle), len(features))
    np.minimum.at(first, which, feature)
    found[segments["station"].to_numpy()] = np.where(first < len(features), first, -1)
    return found


def with_free_flow(downstream, to_downstream_m, intake, pond_start, pond, builds, length_m):
    """Ponds, extended by the stations in which no other site may end because the stream above is to flow freely.

    Parameters
    ----------
    downstream : ndarray of int32, shape (n,)
        Number of the next station downstream, -1 at an outlet; always greater than the station's own.
    to_downstream_m : ndarray of float64, shape (n,)
        Distance to it [m].
    intake : ndarray of int, shape (m,)
        Of each candidate.
    pond_start, pond
        As for `sitefinder.siting.candidates.boundary_of_path`.
    builds : ndarray of bool, shape (m,)
        Candidates that need a weir or intake of their own; the others need no free-flowing stream above.
    length_m : float
        Minimum free-flowing length [m].

    Returns
    -------
    pond_start, pond
        For `sitefinder.siting.candidates.boundary_of_path` and `sitefinder.siting.candidates.blocked_by`.

    Notes
    -----
    A site must end at least `length_m` above the intake of the next one down, or above the end of its pond;
    closer, it would end in a station that the other takes. Only stream above an intake is taken so: of two
    candidates that
    keep the distance none reaches into what the other takes, since everything within it above an intake drains to
    that. So the best set without overlap of such pieces is exactly the best of all sets that keep the distance.
    Tributaries that join below an intake do not matter.

    Even at a length of 0 an intake is taken, so that no diversion begins where another site ends: two
    plants end to end are one plant, which is a candidate of its own up to the maximum head.
    """
    first, upstream = upstream_neighbours(downstream)
    counts = np.zeros(len(intake) + 1, dtype=np.int64)
    arguments = (
        np.asarray(to_downstream_m, dtype=np.float64),
        np.asarray(intake, dtype=np.int64),
        np.asarray(pond_start, dtype=np.int64),
        np.asarray(pond, dtype=np.int32),
        np.asarray(builds, dtype=np.bool_),
        first,
        upstream,
        float(length_m),
    )
    _fill_zones(*arguments, counts, np.empty(0, dtype=np.int32), False)
    start = np.cumsum(counts)
    zone = np.empty(start[-1], dtype=np.int32)
    _fill_zones(*arguments, start, zone, True)
    owner = np.repeat(np.arange(len(intake)), np.diff(pond_start))
    zone_owner = np.repeat(np.arange(len(intake)), np.diff(start))
    order = np.argsort(np.concatenate([owner, zone_owner]), kind="stable")
    return pond_start + start, np.concatenate([pond, zone])[order].astype(np.int32)


# Counts each candidate's stations into start[c + 1], or with `is_filling` writes them from start[c].
@kernel(fills=("start", "zone"))
def _fill_zones(step_m, intake, pond_start, pond, builds, first, upstream, length_m, start, zone, is_filling):
    stack = np.empty(len(step_m), dtype=np.int32)
    distance_m = np.zeros(len(step_m))
    ponded = np.full(len(step_m), -1, dtype=np.int64)
    for c in range(len(intake)):
        depth, found = 0, 0
        if builds[c] and pond_start[c] == pond_start[c + 1]:
            stack[0], distance_m[intake[c]], depth = intake[c], 0.0, 1
        elif builds[c] and length_m > 0.0:
            for k in range(pond_start[c], pond_start[c + 1]):
                ponded[pond[k]] = c
            # A pond ends within the segments above it; they count as ponded whole.
            for k in range(pond_start[c], pond_start[c + 1]):
                for place in range(first[pond[k]], first[pond[k] + 1]):
                    above = upstream[place]
                    if ponded[above] != c:
                        stack[depth], distance_m[above] = above, 0.0
                        depth += 1
        while depth > 0:
            depth -= 1
            station = stack[depth]
            if is_filling:
                zone[start[c] + found] = station
            found += 1
            for place in range(first[station], first[station + 1]):
                above = upstream[place]
                distance_m[above] = distance_m[station] + step_m[above]
                # Stations of a confluence lie at one place.
                if distance_m[above] == 0.0 or distance_m[above] < length_m * (1.0 - ROUNDING):
                    stack[depth] = above
                    depth += 1
        if not is_filling:
            start[c + 1] = found


def too_close_to_plants(downstream, to_downstream_m, tailrace, pond_start, pond, builds, developed, length_m):
    """Candidates that leave less free-flowing stream than the minimum to an existing plant.

    Parameters
    ----------
    downstream, to_downstream_m, builds, length_m
        As for `with_free_flow`.
    tailrace : ndarray of int, shape (m,)
    pond_start, pond
        From `with_free_flow`.
    developed : ndarray of bool, shape (n,)
        Stations whose segment an existing plant uses.

    Returns
    -------
    ndarray of bool, shape (m,)
        False for candidates that need no weir or intake of their own.
    """
    if not developed.any() or length_m <= 0:
        return np.zeros(len(tailrace), dtype=bool)
    owner = np.repeat(np.arange(len(tailrace)), np.diff(pond_start))
    below = np.bincount(owner[developed[pond]], minlength=len(tailrace)) > 0
    away_m = _to_developed_m(downstream, np.asarray(to_downstream_m, dtype=np.float64), developed)
    above = away_m[tailrace] < length_m * (1.0 - ROUNDING)
    return builds & (below | above)


# Way from each station down to the first developed segment [m], infinite where there is none.
@kernel
def _to_developed_m(downstream, step_m, developed):
    away_m = np.full(downstream.size, np.inf)
    for i in range(downstream.size - 1, -1, -1):
        below = downstream[i]
        if below >= 0:
            away_m[i] = 0.0 if developed[below] else away_m[below] + step_m[i]
    return away_m


def builds_at_intake(scheme_type):
    """Candidates that need a weir or an intake of their own, by their scheme types; bool, shape (m,)."""
    return ~is_scheme_that(scheme_type, "uses_structure")


def cumulative_limits(ranking, stretches, segment_length_m, use, left_out=(), power_kw=None):
    """The limits that are set on what sites do together: by stream, by water body and by substation.

    Parameters
    ----------
    ranking : sitefinder.settings.RankingSettings
    stretches : sitefinder.siting.candidates.Stretches
    segment_length_m : ndarray of float64, shape (n,)
    use : RiverUse
        Existing plants count: what they use of a stream is depleted, and they are plants.
    left_out : collection of str
        Names of limits that do not count.
    power_kw : ndarray of float64, shape (m,), optional
        Capacity of each candidate [kW], for the free capacity of the substations in the table of stretches.

    Returns
    -------
    list of Limit
        Empty where no such limit is set. Where existing plants alone are above a limit nothing more is allowed.
    """
    found = []
    segment_m = np.asarray(segment_length_m, dtype=np.float64)
    if ranking.max_depleted_share is not None:
        taken = _depleted(stretches, segment_m)
        for name, part in ((DEPLETED_OF_STREAM, use.stream), (DEPLETED_OF_WATER_BODY, use.water_body)):
            whole_m, used_m = (_by_part(part, metres) for metres in (segment_m, segment_m * use.developed))
            found.append(Limit(name, _in_parts(part) @ taken, ranking.max_depleted_share * whole_m - used_m))
    if ranking.max_plants_per_km is not None:
        plants = _at_stations(stretches.table, "tailrace", len(segment_m))
        allowed = ranking.max_plants_per_km * _by_part(use.stream, segment_m) / METRES_PER_KILOMETRE
        allowed = np.floor(allowed * (1.0 + ROUNDING)) - _by_part(use.stream, use.plants)
        found.append(Limit(PLANTS_PER_KM, _in_parts(use.stream) @ plants, allowed))
    found += _caps_of_water_bodies(ranking, stretches.table, use)
    if ranking.within_free_capacity and "substation_id" in stretches.table and power_kw is not None:
        found.append(_free_capacity(stretches.table, power_kw))
    return [
        limit._replace(amounts=csr_array(limit.amounts), maximum=np.maximum(limit.maximum, 0.0))
        for limit in found
        if limit.amounts.shape[0] and limit.name not in left_out
    ]


# Caps on numbers of plants and of new barriers in each water body: its own, or that of the settings.
def _caps_of_water_bodies(ranking, table, use):
    body, count = use.water_body, use.water_body.max(initial=-1) + 1
    for name, usual, own, station, which, there in (
        (
            PLANTS_OF_WATER_BODY,
            ranking.max_plants_per_water_body,
            use.max_plants,
            "tailrace",
            np.ones(len(table), dtype=bool),
            use.plants,
        ),
        (
            BARRIERS_OF_WATER_BODY,
            ranking.max_new_barriers_per_water_body,
            use.max_new_barriers,
            "intake",
            builds_barrier(table),
            np.zeros(len(body), dtype=bool),
        ),
    ):
        cap = np.full(count, np.nan if usual is None else float(usual))
        if own is not None:
            # Water bodies without a stream have the last numbers, or none at all.
            cap = np.where(np.isnan(own[:count]), cap, own[:count])
        limited = np.flatnonzero(np.isfinite(cap))
        if len(limited):
            amounts = csr_array(_in_parts(body) @ _at_stations(table[which], station, len(body), which))
            yield Limit(name, amounts[limited], (cap - _by_part(body, there))[limited])


# The free capacity of each substation with a known one; candidates connect to one at most.
def _free_capacity(table, power_kw):
    free_kw = table["substation_free_kw"].to_numpy(dtype=np.float64)
    own = np.flatnonzero(np.isfinite(free_kw))
    _, first, number = np.unique(
        table["substation_id"].to_numpy(dtype=object)[own].astype(str), return_index=True, return_inverse=True
    )
    shape = (len(first), len(table))
    amounts = csr_array((np.nan_to_num(np.asarray(power_kw)[own]), (number.ravel(), own)), shape=shape)
    return Limit(FREE_CAPACITY, amounts, free_kw[own][first])


# Which candidates have an end at which station, sparse, shape (n, m). With ``which`` the table has the rows of
# these alone.
def _at_stations(table, end, stations, which=None):
    number = np.arange(len(table)) if which is None else np.flatnonzero(which)
    count = len(table) if which is None else len(which)
    at = table[end].to_numpy(dtype=np.int64)
    return csr_array((np.ones(len(number)), (at, number)), shape=(stations, count))


# Length of each station's segment that each candidate depletes [m], sparse, shape (n, m).
def _depleted(stretches, segment_m):
    table = stretches.table
    diverts = is_scheme_that(table["scheme_type"], "diverts")
    owner = np.repeat(np.arange(len(table)), np.diff(stretches.start))
    on_path = np.arange(len(stretches.taken)) < np.repeat(stretches.pond_start, np.diff(stretches.start))
    kept = on_path & diverts[owner]
    station = stretches.taken[kept].astype(np.int64)
    shape = (len(segment_m), len(table))
    return csr_array((segment_m[station], (station, owner[kept])), shape=shape)


# Sum of a figure of the stations in each part; stations without a part are left out.
def _by_part(part, figure):
    own = part >= 0
    return np.bincount(part[own], weights=np.asarray(figure, dtype=np.float64)[own])


# Which stations each part has, sparse, shape (parts, n).
def _in_parts(part):
    own = np.flatnonzero(part >= 0)
    return csr_array((np.ones(len(own)), (part[own], own)), shape=(part.max(initial=-1) + 1, len(part)))


def goes_beyond(limits, chosen):
    """Candidates that a chosen set leaves no room for within the limits.

    Parameters
    ----------
    limits : list of Limit
    chosen : ndarray of bool, shape (m,)

    Returns
    -------
    ndarray of bool, shape (m,)
        True where the set with the candidate would break a limit.
    """
    beyond = np.zeros(len(chosen), dtype=bool)
    for limit in limits:
        left = limit.maximum - limit.amounts @ chosen.astype(np.float64)
        entries = limit.amounts.tocoo()
        row, column = entries.coords
        beyond[column[entries.data > left[row] + ROUNDING * np.maximum(limit.maximum[row], 1.0)]] = True
    return beyond & ~chosen
