"""Candidates: existing weirs, diversions and new weirs, each with the stream that it takes."""

from typing import NamedTuple

import numpy as np
import pandas as pd

from sitefinder.compiled import kernel, part
from sitefinder.network.ordering import upstream_neighbours
from sitefinder.profile.errors import head_standard_error
from sitefinder.schema import is_scheme_that
from sitefinder.vocabulary import FROM_STREAM, FROM_STRUCTURE, FROM_WEIR, SCHEME_TYPES, named


class Boundary(NamedTuple):
    """Boundaries of all candidates: those of candidate c are ``station[start[c]:start[c + 1]]``."""

    start: np.ndarray
    station: np.ndarray


def boundary_of_path(downstream, intake, tailrace, pond_start=None, pond=None):
    """Stations just upstream of what each candidate takes.

    Parameters
    ----------
    downstream : ndarray of int32, shape (n,)
        Number of the next station downstream, -1 at an outlet; always greater than the station's own.
    intake, tailrace : ndarray of int32, shape (m,)
        Station numbers of the candidates' ends; the tailrace is downstream of the intake.
    pond_start : ndarray of int64, shape (m + 1,), optional
        Where each candidate's stations begin in `pond`. Without it there are no ponds.
    pond : ndarray of int32, optional
        Further stations whose segments a candidate takes, in any order: those that its pond drowns, the intake
        among them, and up tributaries too. Each must drain straight to another station of the piece.

    Returns
    -------
    Boundary
        ``start`` int64, shape (m + 1,), and ``station`` int32. A path without a pond gives, from the intake down,
        the intake and the tributaries that join.

    Raises
    ------
    ValueError
        If a station does not exist, a tailrace is not downstream of its intake, or a pond is not connected to
        its path. The first such candidate is named.

    Examples
    --------
    Stations 0 and 1 run into 2, a tributary 3 joins at 4. The stretch from 1 to 4 ends at its intake and at the
    tributary:

    >>> downstream = np.array([1, 2, 4, 4, -1], dtype=np.int32)
    >>> boundary_of_path(downstream, [1], [4]).station.tolist()
    [1, 3]
    """
    downstream = np.ascontiguousarray(downstream, dtype=np.int32)
    intake, tailrace = _ends(downstream, intake, tailrace)
    pond_start, pond = _ponds(downstream, intake.size, pond_start, pond)
    joining_start, joining = upstream_neighbours(downstream)

    start = np.zeros(intake.size + 1, dtype=np.int64)
    arguments = (downstream, intake, tailrace, pond_start, pond, joining_start, joining)
    lost = _walk_boundaries(*arguments, start, np.empty(0, dtype=np.int32), False)
    if lost >= 0:
        raise ValueError(
            f"the pond of candidate {lost} must be connected to its path: each of its stations has to drain "
            "to another that the candidate takes"
        )
    start = np.cumsum(start)
    station = np.empty(start[-1], dtype=np.int32)
    _walk_boundaries(*arguments, start, station, True)
    return Boundary(start, station)


# Ends as int32, each tailrace downstream of its intake.
def _ends(downstream, intake, tailrace):
    intake = np.ascontiguousarray(intake, dtype=np.int32)
    tailrace = np.ascontiguousarray(tailrace, dtype=np.int32)
    if intake.ndim != 1 or intake.shape != tailrace.shape:
        raise ValueError(
            f"intake and tailrace must have the same length, found shapes {intake.shape} and {tailrace.shape}"
        )
    validate_stations("intake", intake, downstream.size)
    validate_stations("tailrace", tailrace, downstream.size)
    lost = _first_not_downstream(downstream, intake, tailrace)
    if lost >= 0:
        raise ValueError(
            f"the tailrace must be downstream of the intake; candidate {lost} has intake {intake[lost]} "
            f"and tailrace {tailrace[lost]}"
        )
    return intake, tailrace


# Ponds in CSR form; no ponds at all where None is given.
def _ponds(downstream, count, pond_start, pond):
    if (pond_start is None) != (pond is None):
        raise ValueError("pond_start and pond must be given together")
    if pond is None:
        return np.zeros(count + 1, dtype=np.int64), np.empty(0, dtype=np.int32)
    pond_start = np.ascontiguousarray(pond_start, dtype=np.int64)
    pond = np.ascontiguousarray(pond, dtype=np.int32)
    validate_starts("pond", pond_start, count, pond.size)
    validate_stations("pond", pond, downstream.size)
    return pond_start, pond


def validate_stations(name, stations, count):
    """Raise a ValueError that names the argument, where a number is not one of ``count`` stations."""
    is_unknown = (stations < 0) | (stations >= count)
    if is_unknown.any():
        first = int(np.argmax(is_unknown))
        raise ValueError(f"{name} must hold station numbers below {count}; entry {first} is {stations[first]}")


def validate_starts(name, start, count, length):
    """Raise a ValueError where starts do not divide ``length`` entries into ``count`` consecutive parts."""
    is_sound = start.shape == (count + 1,) and start[0] == 0 and start[-1] == length
    if not (is_sound and (np.diff(start) >= 0).all()):
        raise ValueError(f"{name}_start must run from 0 to {length} in {count + 1} entries and never fall")


@kernel(takes="int32[::1], int32[::1], int32[::1]")
def _first_not_downstream(downstream, intake, tailrace):
    for c in range(intake.size):
        station = downstream[intake[c]]
        # Numbers rise downstream, so a walk that has passed the tailrace's number will not meet it.
        while station >= 0 and station < tailrace[c]:
            station = downstream[station]
        if station != tailrace[c]:
            return c
    return -1


# Writes the stations that candidate c takes to `piece`, path first from the intake down, marks each of them with c
# and gives their number.
@part
def _take_piece(c, downstream, intake, tailrace, pond_start, pond, mark, piece):
    taken = 0
    i = intake[c]
    while i != tailrace[c]:
        i = downstream[i]
        mark[i] = c
        piece[taken] = i
        taken += 1
    for k in range(pond_start[c], pond_start[c + 1]):
        if mark[pond[k]] != c:
            mark[pond[k]] = c
            piece[taken] = pond[k]
            taken += 1
    return taken


# Counts each candidate's boundary into start[c + 1], or with `is_filling` writes it to `station` from start[c].
# Gives the first candidate whose pond is not connected, or -1.
@kernel(
    takes=(
        "int32[::1], int32[::1], int32[::1], int64[::1], int32[::1], int64[::1], int32[::1], int64[::1], "
        "int32[::1], boolean"
    ),
    fills=("start", "station"),
)
def _walk_boundaries(
    downstream, intake, tailrace, pond_start, pond, joining_start, joining, start, station, is_filling
):
    mark = np.full(downstream.size, -1, dtype=np.int32)
    piece = np.empty(downstream.size, dtype=np.int32)
    for c in range(intake.size):
        found = start[c] if is_filling else 0
        for k in range(_take_piece(c, downstream, intake, tailrace, pond_start, pond, mark, piece)):
            i = piece[k]
            if i != tailrace[c] and (downstream[i] < 0 or mark[downstream[i]] != c):
                return c
            for u in range(joining_start[i], joining_start[i + 1]):
                if mark[joining[u]] != c:
                    if is_filling:
                        station[found] = joining[u]
                    found += 1
        if not is_filling:
            start[c + 1] = found
    return -1


def blocked_by(chosen, downstream, intake, tailrace, segment_m, pond_start=None, pond=None):
    """The chosen candidate with which each other one has the largest overlap.

    Parameters
    ----------
    chosen : ndarray of bool, shape (m,)
        From `choose_best_set`.
    downstream, intake, tailrace, pond_start, pond
        As for `boundary_of_path`.
    segment_m : ndarray of float64, shape (n,)
        Length of each station's segment [m]: from the station before it on its link; zero at the first of a link.

    Returns
    -------
    ndarray of int32, shape (m,)
        Number of the chosen candidate with the greatest length of stream in common, -1 where there is none and
        for the chosen ones themselves. Ties go to the lower number. Candidates that meet in a station of no
        length, at a confluence, block each other too.

    Raises
    ------
    ValueError
        If a station does not exist, a tailrace is not downstream of its intake, lengths differ, or chosen
        candidates overlap.

    Examples
    --------
    >>> downstream = np.array([1, 2, 3, -1], dtype=np.int32)
    >>> blocked_by([True, False, True], downstream, [0, 0, 2], [1, 3, 3], [0.0, 10.0, 10.0, 20.0])
    array([-1,  2, -1], dtype=int32)
    """
    chosen = np.ascontiguousarray(chosen, dtype=np.bool_)
    downstream = np.ascontiguousarray(downstream, dtype=np.int32)
    segment_m = np.ascontiguousarray(segment_m, dtype=np.float64)
    intake, tailrace = _ends(downstream, intake, tailrace)
    pond_start, pond = _ponds(downstream, intake.size, pond_start, pond)
    if chosen.shape != intake.shape or segment_m.shape != downstream.shape:
        raise ValueError(
            f"chosen and segment_m must have shapes {intake.shape} and {downstream.shape}, "
            f"found {chosen.shape} and {segment_m.shape}"
        )
    blocker, clash = _greatest_overlaps(chosen, downstream, intake, tailrace, pond_start, pond, segment_m)
    if clash >= 0:
        raise ValueError(f"chosen candidates must not overlap; candidate {clash} takes a station of another's")
    return blocker


# Second result: the first chosen candidate that overlaps a chosen one before it, or -1.
@kernel(takes="boolean[::1], int32[::1], int32[::1], int32[::1], int64[::1], int32[::1], float64[::1]")
def _greatest_overlaps(chosen, downstream, intake, tailrace, pond_start, pond, segment_m):
    mark = np.full(downstream.size, -1, dtype=np.int32)
    piece = np.empty(downstream.size, dtype=np.int32)
    owner = np.full(downstream.size, -1, dtype=np.int32)
    blocker = np.full(chosen.size, -1, dtype=np.int32)
    for c in range(chosen.size):
        if not chosen[c]:
            continue
        for k in range(_take_piece(c, downstream, intake, tailrace, pond_start, pond, mark, piece)):
            if owner[piece[k]] >= 0:
                return blocker, c
            owner[piece[k]] = c

    # Length in common with each owner, below zero before the first overlap; reset after each candidate.
    shared_m = np.full(chosen.size, -1.0)
    for c in range(chosen.size):
        if chosen[c]:
            continue
        taken = _take_piece(c, downstream, intake, tailrace, pond_start, pond, mark, piece)
        for k in range(taken):
            held_by = owner[piece[k]]
            if held_by >= 0:
                shared_m[held_by] = max(shared_m[held_by], 0.0) + segment_m[piece[k]]
        for k in range(taken):
            held_by = owner[piece[k]]
            if held_by < 0:
                continue
            other = blocker[c]
            is_tie = other >= 0 and shared_m[held_by] == shared_m[other] and held_by < other
            if other < 0 or shared_m[held_by] > shared_m[other] or is_tie:
                blocker[c] = held_by
        for k in range(taken):
            if owner[piece[k]] >= 0:
                shared_m[owner[piece[k]]] = -1.0
    return blocker, -1


COLUMNS = ["scheme_type", "intake", "tailrace", "head_m", "head_se_m", "length_m", "weir_height_m", "structure"]


class Stretches(NamedTuple):
    """Candidates and the stream that each takes.

    ``table`` has a row a candidate: ``scheme_type``, ``intake``, ``tailrace`` (stations), ``head_m``,
    ``head_se_m``, ``length_m``, ``conduit_length_m``, ``pond_length_m`` (its longest arm), ``flooded_length_m``
    (all arms), ``weir_height_m``, ``structure`` (row of the structures, -1 for none). ``taken[start[c]:start[c +
    1]]`` are the stations whose segments candidate c takes (some of length 0, at confluences); those of its pond
    come last, from ``pond_start[c]`` on.
    """

    table: pd.DataFrame
    start: np.ndarray
    pond_start: np.ndarray
    taken: np.ndarray


def find_stretches(stations, profile_m, errors_m, standing, structures, settings, bank_height_m=None) -> Stretches:
    """All stretches with a head within the user's limits.

    Parameters
    ----------
    stations : DataFrame
        Columns ``downstream``, ``to_downstream_m``, ``segment_length_m``, ``x_m``, ``y_m``; n rows.
    profile_m : ndarray of float64, shape (n,)
        Conditioned long profile [m].
    errors_m : ndarray of float32, shape (n, simulations)
        Simulated errors of the profile [m].
    standing : ndarray of bool, shape (n,)
        True where the station's segment is in standing water; no candidate may take it.
    structures : DataFrame
        Columns ``station`` (the barrier is on its segment), ``head_m`` and ``head_se_m`` (surveyed, or NaN), and
        ``fall_below_m``, what the stream falls between the barrier and the station [m].
    settings : sitefinder.settings.StretchSettings
    bank_height_m : ndarray of float64, shape (n,), optional
        Height of the lower bank above the channel at each station [m], infinite where unknown.

    Returns
    -------
    Stretches
        Sorted by scheme type as in the settings, then intake, then tailrace, then height.

    Notes
    -----
    A diversion runs from any station down its path to any station at most ``longest_m`` below. A new weir is at a
    station and its tailwater is that of the next one downstream; its pond takes every segment upstream, along the
    main stem and all tributaries, until the profile reaches the crest. A weir whose pond would be longer than
    ``longest_m``, or come nearer to the top of a bank than ``freeboard_m``, is left out. The conduit of a
    diversion is the straight line between its ends times ``headrace_detour_factor``, not the stream's own way, so
    that a short conduit across the neck of a meander has the whole fall around it.
    """
    downstream = stations["downstream"].to_numpy().astype(np.int32)
    step_m = stations["to_downstream_m"].to_numpy()
    segment_m = stations["segment_length_m"].to_numpy()
    found_by = {
        FROM_STRUCTURE: lambda name: _at_barriers(name, structures, downstream, segment_m, profile_m, settings),
        FROM_STREAM: lambda name: _diversions(name, downstream, step_m, segment_m, profile_m, settings),
        FROM_WEIR: lambda name: _new_weirs(name, downstream, step_m, segment_m, profile_m, settings),
    }
    schemes = [named(SCHEME_TYPES, name) for name in settings.scheme_types]
    table = pd.concat([found_by[scheme.head_from](scheme.name) for scheme in schemes])
    upper, lower = table["intake"].to_numpy(), table["tailrace"].to_numpy()
    surveyed = table["head_se_m"].notna()
    table["head_se_m"] = np.where(surveyed, table["head_se_m"], head_standard_error(errors_m, upper, lower))
    first, upstream = upstream_neighbours(downstream)
    crest_m = np.where(
        is_scheme_that(table["scheme_type"], "builds_barrier"), profile_m[upper] + table["weir_height_m"], -np.inf
    )
    start, pond_start, taken, pond_m, flooded_m = _taken(
        upper, lower, crest_m, downstream, step_m, profile_m, first, upstream
    )
    table["pond_length_m"], table["flooded_length_m"] = pond_m, flooded_m
    chord_m = np.hypot(
        *[stations[name].to_numpy()[upper] - stations[name].to_numpy()[lower] for name in ("x_m", "y_m")]
    )
    conduit_m = chord_m * settings.headrace_detour_factor
    table["conduit_length_m"] = np.where(is_scheme_that(table["scheme_type"], "diverts"), conduit_m, 0.0)
    kept = ~np.logical_or.reduceat(standing[taken], start[:-1]) & (pond_m <= settings.longest_m)
    found = Stretches(table, start, pond_start, taken)
    if bank_height_m is not None:
        kept &= ~_over_banks(found, crest_m, profile_m, bank_height_m - settings.freeboard_m)
    return subset(found, kept)


# Candidates with water above a bank top less the freeboard, at their weir or at a station in their pond.
def _over_banks(stretches, crest_m, profile_m, room_m):
    intake = stretches.table["intake"].to_numpy()
    owner = np.repeat(np.arange(len(intake)), stretches.start[1:] - stretches.pond_start)
    in_pond = np.arange(len(stretches.taken)) >= np.repeat(stretches.pond_start, np.diff(stretches.start))
    owner, station = np.append(owner, np.arange(len(intake))), np.append(stretches.taken[in_pond], intake)
    over = crest_m[owner] - profile_m[station] > room_m[station]
    return np.bincount(owner[over], minlength=len(intake)) > 0


def subset(stretches, kept) -> Stretches:
    """The chosen candidates of a set.

    Parameters
    ----------
    stretches : Stretches
    kept : ndarray of bool, shape (m,)

    Returns
    -------
    Stretches
    """
    rows = np.flatnonzero(kept)
    start, within = taken_by(stretches, rows)
    pond_start = start[:-1] + (stretches.pond_start[rows] - stretches.start[rows])
    return Stretches(stretches.table.iloc[rows].reset_index(drop=True), start, pond_start, stretches.taken[within])


def taken_by(stretches, rows):
    """Where the stations that some candidates take stand in ``taken``.

    Parameters
    ----------
    stretches : Stretches
    rows : ndarray of int64, shape (n,)
        Of the table.

    Returns
    -------
    start : ndarray of int64, shape (n + 1,)
        Where those of each candidate begin in `within`, and the end of the last.
    within : ndarray of int64
        Places in ``taken``.
    """
    first = stretches.start[rows]
    lengths = stretches.start[rows + 1] - first
    start = np.concatenate([[0], np.cumsum(lengths)])
    return start, np.repeat(first - start[:-1], lengths) + np.arange(start[-1])


def covered_stations(stretches, chosen, count):
    """Stations whose segment at least one chosen candidate takes.

    Parameters
    ----------
    stretches : Stretches
    chosen : ndarray of bool, shape (m,)
    count : int
        Number of stations.

    Returns
    -------
    ndarray of bool, shape (count,)
    """
    covered = np.zeros(count, dtype=bool)
    covered[stretches.taken[np.repeat(chosen, np.diff(stretches.start))]] = True
    return covered


def _frame(scheme_type, intake, tailrace, head_m, length_m, *, head_se_m=np.nan, weir_height_m=0.0, structure=-1):
    rows = range(len(intake))
    scheme_types = pd.Series(scheme_type, index=rows, dtype=str)
    head_se_m, weir_height_m = (
        np.array(np.broadcast_to(each, len(rows)), float) for each in (head_se_m, weir_height_m)
    )
    values = [scheme_types, intake, tailrace, head_m, head_se_m, length_m, weir_height_m, structure]
    return pd.DataFrame(dict(zip(COLUMNS, values, strict=True)), index=rows)


# An existing barrier: from the station above it to the one below; the surveyed drop is preferred.
def _at_barriers(name, structures, downstream, segment_m, profile_m, settings):
    tailrace = structures["station"].to_numpy().astype(np.int64)
    intake = tailrace - 1  # the station before it in its link: a barrier is never on a link's first station
    surveyed = structures["head_m"].to_numpy(dtype=float)
    # Above a barrier is its level pond; below it the stream falls on to the station.
    drop_m = profile_m[intake] - profile_m[tailrace] - structures["fall_below_m"].to_numpy(dtype=float)
    head_m = np.where(np.isnan(surveyed), np.maximum(drop_m, 0.0), surveyed)
    head_se_m = np.where(np.isnan(surveyed), np.nan, structures["head_se_m"].to_numpy(dtype=float))
    frame = _frame(
        name,
        intake,
        tailrace,
        head_m,
        segment_m[tailrace],
        head_se_m=head_se_m,
        weir_height_m=head_m,
        structure=np.arange(len(intake)),
    )
    fits = (head_m >= settings.min_head_m) & (head_m <= settings.max_head_m)
    return frame[fits].sort_values(["intake", "tailrace"], kind="stable")


def _diversions(name, downstream, step_m, segment_m, profile_m, settings):
    limits = (settings.longest_m, settings.min_head_m, settings.max_head_m)
    intake, tailrace, length_m = _pairs(downstream, step_m, segment_m, profile_m, *limits)
    return _frame(name, intake, tailrace, profile_m[intake] - profile_m[tailrace], length_m)


def _new_weirs(name, downstream, step_m, segment_m, profile_m, settings):
    # The tailwater is that of the next station with a segment of its own, so that a confluence is skipped.
    sites = np.flatnonzero(downstream >= 0)
    sites = sites[segment_m[downstream[sites]] > 0]
    heights = np.array(settings.new_weir_heights_m, dtype=float)
    intake, height = np.repeat(sites, len(heights)), np.tile(heights, len(sites))
    tailrace = downstream[intake].astype(np.int64)
    head_m = profile_m[intake] + height - profile_m[tailrace]
    fits = (head_m >= settings.min_head_m) & (head_m <= settings.max_head_m)
    intake, tailrace, height, head_m = intake[fits], tailrace[fits], height[fits], head_m[fits]
    return _frame(name, intake, tailrace, head_m, step_m[intake], weir_height_m=height)


# Pairs of intake and tailrace by walking down from each station; counted first, then filled.
@kernel(takes="int32[::1], float64[::1], float64[::1], float64[::1], float64, float64, float64")
def _pairs(downstream, step_m, segment_m, profile_m, longest_m, min_head_m, max_head_m):
    intake = np.empty(0, dtype=np.int64)
    tailrace = np.empty(0, dtype=np.int64)
    length = np.empty(0, dtype=np.float64)
    for filling in range(2):
        found = 0
        for upper in range(len(downstream)):
            lower = upper
            length_m = 0.0
            while downstream[lower] >= 0:
                length_m += step_m[lower]
                lower = downstream[lower]
                head_m = profile_m[upper] - profile_m[lower]
                if length_m > longest_m or head_m > max_head_m:
                    break
                if segment_m[lower] > 0.0 and head_m >= min_head_m:
                    if filling:
                        intake[found], tailrace[found], length[found] = upper, lower, length_m
                    found += 1
        if not filling:
            intake = np.empty(found, dtype=np.int64)
            tailrace = np.empty(found, dtype=np.int64)
            length = np.empty(found, dtype=np.float64)
    return intake, tailrace, length


# Stations whose segments each candidate takes: its path (from the tailrace up), then its pond. A pond is as long
# as its longest arm, up to where the profile reaches the crest within the last piece; it floods all its arms.
@kernel(
    takes="int64[::1], int64[::1], float64[::1], int32[::1], float64[::1], float64[::1], int64[::1], int32[::1]"
)
def _taken(intake, tailrace, crest_m, downstream, step_m, profile_m, first, upstream):
    count = len(intake)
    start = np.zeros(count + 1, dtype=np.int64)
    pond_start = np.zeros(count, dtype=np.int64)
    pond_m = np.zeros(count)
    flooded_m = np.zeros(count)
    taken = np.empty(max(16, 8 * count), dtype=np.int32)
    stack = np.empty(len(downstream), dtype=np.int32)
    reached = np.zeros(len(downstream))
    size = 0
    for c in range(count):
        station = intake[c]
        path_from = size
        while station != tailrace[c]:
            station = downstream[station]
            if size == len(taken):
                taken = np.concatenate((taken, np.empty(len(taken), dtype=np.int32)))
            taken[size] = station
            size += 1
        # By loop: an assignment of slices takes seconds to compile.
        for place in range((size - path_from) // 2):
            other = size - 1 - place
            taken[path_from + place], taken[other] = taken[other], taken[path_from + place]
        pond_start[c] = size
        depth = 0
        if profile_m[intake[c]] < crest_m[c]:
            stack[0], reached[intake[c]], depth = intake[c], 0.0, 1
        while depth > 0:
            depth -= 1
            lower = stack[depth]
            for place in range(first[lower], first[lower + 1]):
                upper = upstream[place]
                rise = profile_m[upper] - profile_m[lower]
                part = 1.0 if profile_m[upper] <= crest_m[c] else (crest_m[c] - profile_m[lower]) / rise
                reached[upper] = reached[lower] + part * step_m[upper]
                pond_m[c] = max(pond_m[c], reached[upper])
                flooded_m[c] += part * step_m[upper]
                if profile_m[upper] < crest_m[c]:
                    stack[depth] = upper
                    depth += 1
            if size == len(taken):
                taken = np.concatenate((taken, np.empty(len(taken), dtype=np.int32)))
            taken[size] = lower
            size += 1
        start[c + 1] = size
    return start, pond_start, taken[:size].copy(), pond_m, flooded_m
