"""The stations as a tree: who drains straight to whom."""

import numpy as np

from sitefinder.compiled import kernel


def upstream_neighbours(downstream):
    """Stations that drain straight to each station, in compressed form.

    Parameters
    ----------
    downstream : ndarray of int32, shape (n,)
        Number of the next station downstream, or -1.

    Returns
    -------
    start : ndarray of int64, shape (n + 1,)
    station : ndarray of int32
        Those of station i are ``station[start[i]:start[i + 1]]``, in rising order.

    Examples
    --------
    >>> start, station = upstream_neighbours(np.array([2, 2, -1]))
    >>> station[start[2]:start[3]].tolist()
    [0, 1]
    """
    has_downstream = downstream >= 0
    counts = np.bincount(downstream[has_downstream], minlength=downstream.size)
    start = np.concatenate([[0], np.cumsum(counts)]).astype(np.int64)
    upper = np.flatnonzero(has_downstream)
    return start, upper[np.argsort(downstream[upper], kind="stable")].astype(np.int32)


@kernel
def main_upstream(downstream, to_downstream_m):
    """The station that carries each station's main stem on upstream: the neighbour with the longest way above it.

    Parameters
    ----------
    downstream : ndarray of int32, shape (n,)
        Number of the next station downstream, or -1; always greater than the station's own.
    to_downstream_m : ndarray of float64, shape (n,)
        Distance to it [m].

    Returns
    -------
    ndarray of int32, shape (n,)
        -1 at sources. Of equals the lower number.

    Examples
    --------
    >>> main_upstream(np.array([2, 2, -1], dtype=np.int32), np.array([10.0, 20.0, 0.0])).tolist()
    [-1, -1, 1]
    """
    count = downstream.size
    above_m = np.zeros(count)
    longest_m = np.full(count, -1.0)
    main = np.full(count, -1, dtype=np.int32)
    for i in range(count):
        if longest_m[i] > 0.0:
            above_m[i] = longest_m[i]
        below = downstream[i]
        if below >= 0 and above_m[i] + to_downstream_m[i] > longest_m[below]:
            longest_m[below] = above_m[i] + to_downstream_m[i]
            main[below] = i
    return main
