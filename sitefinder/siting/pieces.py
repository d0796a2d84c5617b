"""The pieces of stream that candidates take: where each one ends going upstream, and which overlap.

A candidate's *piece* is the set of stations whose segments it takes: every station on the way from its intake down
to its tailrace except the intake itself, and the stations of its pond. The *boundary* of a piece are the stations
just upstream of it: its intake or pond tops, and the last stations of tributaries that join within. Two candidates
overlap when their pieces share a station, so that one may begin where the other ends.
"""

from typing import NamedTuple

import numpy as np

from sitefinder.compiled import kernel, part
from sitefinder.streams.tree import upstream_neighbours


class Boundary(NamedTuple):
    """Boundaries of all candidates: those of candidate c are ``station[start[c]:start[c + 1]]``."""

    start: np.ndarray
    station: np.ndarray


def boundary_of_path(downstream, intake, tailrace, pond_start=None, pond=None):
    """Stations at which what each candidate takes ends, going upstream.

    Parameters
    ----------
    downstream : ndarray of int32, shape (n,)
        Number of the next station downstream, -1 at an outlet; always greater than the station's own.
    intake, tailrace : ndarray of int32, shape (m,)
        Station numbers of the candidates' ends; the tailrace lies downstream of the intake.
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
            f"the pond of candidate {lost} must hang together with its path: each of its stations has to drain "
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
            f"intake and tailrace must be of one length, found shapes {intake.shape} and {tailrace.shape}"
        )
    refuse_unknown_stations("intake", intake, downstream.size)
    refuse_unknown_stations("tailrace", tailrace, downstream.size)
    lost = _first_not_downstream(downstream, intake, tailrace)
    if lost >= 0:
        raise ValueError(
            f"the tailrace must lie downstream of the intake; candidate {lost} has intake {intake[lost]} "
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
    refuse_bad_starts("pond", pond_start, count, pond.size)
    refuse_unknown_stations("pond", pond, downstream.size)
    return pond_start, pond


def refuse_unknown_stations(name, stations, count):
    """Raise a ValueError, under the argument's name, where a number is not that of one of ``count`` stations."""
    is_unknown = (stations < 0) | (stations >= count)
    if is_unknown.any():
        first = int(np.argmax(is_unknown))
        raise ValueError(f"{name} must hold station numbers below {count}; entry {first} is {stations[first]}")


def refuse_bad_starts(name, start, count, length):
    """Raise a ValueError where starts do not cut ``length`` entries into ``count`` pieces, one after another."""
    is_sound = start.shape == (count + 1,) and start[0] == 0 and start[-1] == length
    if not (is_sound and (np.diff(start) >= 0).all()):
        raise ValueError(f"{name}_start must run from 0 to {length} in {count + 1} entries and never fall")


@kernel
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
@kernel(fills=("start", "station"))
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
    """The chosen candidate that each other one overlaps most.

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
@kernel
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

    # Length in common with each owner, below zero where the owner has not been met; reset after each candidate.
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
