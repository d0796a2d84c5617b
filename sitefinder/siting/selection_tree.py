"""The dynamic program of the selection on the stream tree: the weighted independent set of its subtrees."""

import numpy as np

from sitefinder.compiled import kernel


def by_tailrace_of(tailrace, count):
    """Candidates in the order of their tailraces, and where those of each of ``count`` stations begin in it."""
    order = np.argsort(tailrace, kind="stable")
    return order, np.searchsorted(tailrace[order], np.arange(count + 1))


@kernel(takes="int32[::1], int64[::1], int64[::1], float64[::1], int64[::1], int32[::1]")
def best_picks(downstream, by_tailrace, first_at, value, boundary_start, boundary):
    """Downstream loop: the candidate best taken at each station if nothing below takes the station, or -1."""
    picked = np.full(downstream.size, -1, dtype=np.int32)
    # Before its turn, the sum of the best values of a station's upstream neighbours; afterwards, its own best
    # value.
    best = np.zeros(downstream.size)
    for i in range(downstream.size):
        for k in range(first_at[i], first_at[i + 1]):
            c = by_tailrace[k]
            # A candidate without value gains nothing, except by rounding where its boundary is summed in another
            # order.
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


@kernel(takes="int32[::1], int32[::1], int64[::1], int32[::1], int64")
def trace_upstream(downstream, picked, boundary_start, boundary, count):
    """Upstream loop: which candidates are chosen, from the picks of `best_picks`.

    A station is free where its pick is valid: at outlets, above free stations without a pick, and on the boundary
    of a chosen candidate.
    """
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
