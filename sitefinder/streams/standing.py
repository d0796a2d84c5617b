"""Standing water that no layer tells: stretches over which the DEM's own cells do not fall at all."""

import numpy as np

from sitefinder.compiled import kernel

# Cells that differ by less are equal: rounding of 32-bit elevations and of feet [m].
LEVEL_M = 0.001
# A DEM whose elevations are all whole multiples of this step says nothing of levels [its own unit].
COARSE_STEP = 0.1


def is_coarse(elevation):
    """Whether all elevations are whole multiples of `COARSE_STEP`, so that equal ones are no sign of a level.

    Parameters
    ----------
    elevation : ndarray of float64
        In the DEM's own unit; NaN is passed over.

    Returns
    -------
    bool
        True where there is no elevation at all.

    Examples
    --------
    >>> is_coarse(np.array([312.0, 311.0, np.nan])), is_coarse(np.array([312.0, 311.27]))
    (True, False)
    """
    steps = np.asarray(elevation, dtype=np.float64) / COARSE_STEP
    steps = steps[np.isfinite(steps)]
    return bool((np.abs(steps - np.round(steps)) < LEVEL_M).all())


@kernel
def level_segments(raw_m, downstream, to_downstream_m, segment_m, shortest_m):
    """Segments that belong to a stretch of equal raw elevation of at least some length.

    Parameters
    ----------
    raw_m : ndarray of float64, shape (n,)
        Elevation of the DEM's own cells in the channel at each station [m]; NaN where there is none.
    downstream : ndarray of int32, shape (n,)
        Number of the next station downstream, -1 at an outlet; always greater than the station's own.
    to_downstream_m, segment_m : ndarray of float64, shape (n,)
        Distance to the next station, and length of the segment that ends at each station [m].
    shortest_m : float
        Least length of the stretch along its longest way down [m].

    Returns
    -------
    ndarray of bool, shape (n,)
        True for the segment that ends at a station. A lake that several streams run into is one stretch.
    """
    count = len(raw_m)
    is_level = np.zeros(count, dtype=np.bool_)
    reached_m = np.zeros(count)
    for station in range(count):  # from the sources down: the longest level way that ends here
        below = downstream[station]
        if below >= 0 and abs(raw_m[station] - raw_m[below]) <= LEVEL_M:
            is_level[station] = True
            reached_m[below] = max(reached_m[below], reached_m[station] + to_downstream_m[station])
    for station in range(count - 1, -1, -1):  # and back up: all of one level have the length of its end
        if is_level[station]:
            reached_m[station] = reached_m[downstream[station]]
    marked = np.zeros(count, dtype=np.bool_)
    for station in range(1, count):
        if segment_m[station] > 0.0:
            marked[station] = is_level[station - 1] and reached_m[station - 1] >= shortest_m
    return marked
