"""Sums down the network: drained area and the mean of each covariate over the catchment of every station."""

import numpy as np
from numba import njit


@njit(cache=True)
def sums_upstream(local, downstream):
    """For each station the sum over itself and all stations upstream.

    Parameters
    ----------
    local : ndarray of int64 or float64, shape (n,)
        What each station adds of its own.
    downstream : ndarray of int32, shape (n,)
        Next station downstream, always of a higher number, or -1.

    Returns
    -------
    ndarray of the dtype of `local`, shape (n,)
    """
    total = local.copy()
    for station in range(len(downstream)):  # from the sources down
        below = downstream[station]
        if below >= 0:
            total[below] += total[station]
    return total


def drained_area_km2(cells, downstream, cell_area_m2):
    """Catchment area of each station [km²] from whole cells.

    Parameters
    ----------
    cells : ndarray of int64, shape (n,)
        Cells that drain straight to each station's segment.
    downstream : ndarray of int32, shape (n,)
        Next station downstream, or -1.
    cell_area_m2 : float
        Area of a cell [m²].

    Returns
    -------
    ndarray of float64, shape (n,)
    """
    return sums_upstream(cells, downstream) * (cell_area_m2 / 1.0e6)


def catchment_means(value_sum, covered_cells, downstream):
    """Mean of a covariate over the part of each catchment that its raster covers.

    Parameters
    ----------
    value_sum : ndarray of int64, shape (n,)
        Sum of scaled integer values over each station's own ground.
    covered_cells : ndarray of int64, shape (n,)
        Cells of that ground that have a value.
    downstream : ndarray of int32, shape (n,)
        Next station downstream, or -1.

    Returns
    -------
    ndarray of float64, shape (n,)
        In the scaled unit; NaN where nothing is covered.
    """
    cells = sums_upstream(covered_cells, downstream)
    total = sums_upstream(value_sum, downstream)
    return np.divide(total, cells, out=np.full(len(cells), np.nan), where=cells > 0)
