"""The best set of candidates without overlap, found exactly on the stream tree."""

from typing import NamedTuple

import numpy as np

from sitefinder.compiled import kernel
from sitefinder.siting.pieces import refuse_bad_starts, refuse_unknown_stations


class Choice(NamedTuple):
    """What was chosen: a bool array of shape (m,), one for each candidate, and the total value."""

    chosen: np.ndarray
    total_value: float


def choose_best_set(downstream, tailrace, value, boundary_start, boundary):
    """The candidates of greatest total value that do not overlap.

    Parameters
    ----------
    downstream : ndarray of int32, shape (n,)
        Number of the next station downstream, -1 at an outlet; always greater than the station's own.
    tailrace : ndarray of int32, shape (m,)
        Lowest station of each candidate.
    value : ndarray of float64, shape (m,)
        What each candidate is worth [any unit that adds up]. Only those above zero can be chosen.
    boundary_start : ndarray of int64, shape (m + 1,)
        Where each candidate's boundary begins in `boundary`.
    boundary : ndarray of int32
        Stations just upstream of what each candidate takes, from `boundary_of_path`.

    Returns
    -------
    Choice

    Raises
    ------
    ValueError
        If a station does not exist, a boundary does not lie above its tailrace, a value is not finite, or
        lengths differ.

    Notes
    -----
    Dynamic programming, O(stations + boundary). The best that can be had at and above a station is the greater of
    what its upstream neighbours can have together, and, for each candidate with its tailrace there, its
    value with what its boundary can have: a weighted independent set of subtrees of a tree, solved from the
    leaves down. Ties go to taking nothing, then to the lower candidate number.

    Examples
    --------
    Two short stretches that together beat the long one that holds both:

    >>> from sitefinder.siting.pieces import boundary_of_path
    >>> from sitefinder.siting.pieces import boundary_of_path
    >>> downstream = np.array([1, 2, -1], dtype=np.int32)
    >>> start, station = boundary_of_path(downstream, [0, 1, 0], [1, 2, 2])
    >>> choose_best_set(downstream, [1, 2, 2], [3.0, 4.0, 6.0], start, station)
    Choice(chosen=array([ True,  True, False]), total_value=7.0)
    """
    downstream = np.ascontiguousarray(downstream, dtype=np.int32)
    tailrace = np.ascontiguousarray(tailrace, dtype=np.int32)
    value = np.ascontiguousarray(value, dtype=np.float64)
    boundary_start = np.ascontiguousarray(boundary_start, dtype=np.int64)
    boundary = np.ascontiguousarray(boundary, dtype=np.int32)
    if tailrace.ndim != 1 or value.shape != tailrace.shape:
        raise ValueError(f"tailrace and value must be of one length, found {tailrace.shape} and {value.shape}")
    if not np.isfinite(value).all():
        raise ValueError(f"value must be finite; candidate {int(np.argmin(np.isfinite(value)))} is not")
    refuse_unknown_stations("tailrace", tailrace, downstream.size)
    refuse_bad_starts("boundary", boundary_start, tailrace.size, boundary.size)
    refuse_unknown_stations("boundary", boundary, downstream.size)
    candidate_of_entry = np.repeat(np.arange(tailrace.size), np.diff(boundary_start))
    is_below = boundary >= tailrace[candidate_of_entry]
    if is_below.any():
        first = int(candidate_of_entry[np.argmax(is_below)])
        raise ValueError(f"the boundary of candidate {first} must lie upstream of its tailrace")

    by_tailrace = np.argsort(tailrace, kind="stable")
    first_at = np.searchsorted(tailrace[by_tailrace], np.arange(downstream.size + 1))
    picked = _best_picks(downstream, by_tailrace, first_at, value, boundary_start, boundary)
    chosen = _trace_upstream(downstream, picked, boundary_start, boundary, tailrace.size)
    return Choice(chosen, float(value[chosen].sum()))


# Downstream loop: the candidate that is best taken at each station if nothing below takes the station, or -1.
@kernel
def _best_picks(downstream, by_tailrace, first_at, value, boundary_start, boundary):
    picked = np.full(downstream.size, -1, dtype=np.int32)
    # Until its turn, what the upstream neighbours of a station can have together; from then on, what it can have.
    best = np.zeros(downstream.size)
    for i in range(downstream.size):
        for k in range(first_at[i], first_at[i + 1]):
            c = by_tailrace[k]
            # One without value gains nothing, except by rounding when its boundary is added up in another order.
            if value[c] > 0.0:
                total = value[c]
                for b in range(boundary_start[c], boundary_start[c + 1]):
                    total += best[boundary[b]]
                if total > best[i]:
                    best[i] = total
                    picked[i] = c
        if downstream[i] >= 0:
            best[downstream[i]] += best[i]
    return picked


# Upstream loop. A station is free where its pick stands: at outlets, above free stations without a pick, and on
# the boundary of a chosen candidate.
@kernel
def _trace_upstream(downstream, picked, boundary_start, boundary, count):
    chosen = np.zeros(count, dtype=np.bool_)
    is_free = np.zeros(downstream.size, dtype=np.bool_)
    for i in range(downstream.size - 1, -1, -1):
        below = downstream[i]
        if below < 0 or (is_free[below] and picked[below] < 0):
            is_free[i] = True
        c = picked[i]
        if is_free[i] and c >= 0:
            chosen[c] = True
            for b in range(boundary_start[c], boundary_start[c + 1]):
                is_free[boundary[b]] = True
    return chosen
