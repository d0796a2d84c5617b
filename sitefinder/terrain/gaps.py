"""Stream cells where the DEM has no data, so that a stream that crosses a gap keeps the ground on its banks."""

import numpy as np

from sitefinder.compiled import kernel
from sitefinder.terrain.flood import NO_SEED, UNKNOWN

# The lowest number there is: lower than any ground.
_BELOW_ALL_M = np.finfo(np.float32).min


def bridged(elevation_m, valid, seed, open_edges):
    """Elevation, validity and seeds with the stream cells that lie in gaps of the DEM made ground.

    Parameters
    ----------
    elevation_m : ndarray of float32, shape (rows, columns)
        Ground elevation [m].
    valid : ndarray of bool, same shape
        False where the DEM has no data. A cell that is not finite counts as without data too.
    seed : ndarray of int32, same shape
        Station number of stream cells, `NO_SEED` elsewhere.
    open_edges : OpenEdges or sequence of 4 bool
        North, south, west, east: True where the window's border is not the DEM's own.

    Returns
    -------
    elevation_m : ndarray of float32
    valid : ndarray of bool
        True in cells that have an elevation now.
    seed : ndarray of int32

    Notes
    -----
    A stream cell without data that touches ground gets an elevation just below the lowest of the (up to eight)
    cells of ground around it, so that all of them may fall to it. One that touches no ground has nothing to take
    and stays without data. The rest of a gap stays a way off the DEM: ground beside it that has no lower
    neighbour drains into it.

    On an open border what lies around a cell is not all seen. Such a cell is made unknown, and lower than any
    ground, which can only make more cells unknown and none wrong.

    Examples
    --------
    >>> ground = np.array([[9, 9, 9], [7, -9999, 6], [9, 9, 9]], dtype=np.float32)
    >>> seed = np.array([[-9, -9, -9], [-9, 4, -9], [-9, -9, -9]], dtype=np.int32)
    >>> elevation_m, valid, seed = bridged(ground, ground > 0, seed, (False,) * 4)
    >>> float(elevation_m[1, 1]), bool(valid[1, 1])
    (5.999999523162842, True)
    """
    usable = valid & np.isfinite(elevation_m)
    row, column = np.nonzero((seed != NO_SEED) & ~usable)
    if not len(row):
        return elevation_m, usable, seed
    rows, columns = seed.shape
    north, south, west, east = open_edges
    is_hidden = (
        (north & (row == 0))
        | (south & (row == rows - 1))
        | (west & (column == 0))
        | (east & (column == columns - 1))
    )
    around_m = _lowest_around(elevation_m, usable, row, column)
    is_ground = is_hidden | np.isfinite(around_m)
    below_m = np.where(is_hidden, _BELOW_ALL_M, np.nextafter(around_m, _BELOW_ALL_M))
    row, column = row[is_ground], column[is_ground]
    elevation_m, usable, seed = elevation_m.copy(), usable.copy(), seed.copy()
    elevation_m[row, column] = below_m[is_ground]
    usable[row, column] = True
    seed[row, column] = np.where(is_hidden[is_ground], UNKNOWN, seed[row, column])
    return elevation_m, usable, seed


# Lowest elevation [m] of the ground around each of some cells; infinite where there is none.
@kernel
def _lowest_around(elevation_m, usable, row, column):
    rows, columns = elevation_m.shape
    lowest_m = np.full(row.size, np.inf, dtype=np.float32)
    for place in range(row.size):
        for near_row in range(max(row[place] - 1, 0), min(row[place] + 2, rows)):
            for near_column in range(max(column[place] - 1, 0), min(column[place] + 2, columns)):
                if usable[near_row, near_column] and elevation_m[near_row, near_column] < lowest_m[place]:
                    lowest_m[place] = elevation_m[near_row, near_column]
    return lowest_m
