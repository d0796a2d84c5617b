"""The stations as a tree: who drains straight to whom."""

import numpy as np


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
