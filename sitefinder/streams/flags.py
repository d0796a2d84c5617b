"""What holds at a station because of what lies upstream of it: shares of its catchment, and marks carried down."""

import numpy as np

from sitefinder.compiled import kernel


@kernel
def share_above(is_marked, area, downstream):
    """Share of each station's catchment whose water passes a marked station.

    Parameters
    ----------
    is_marked : ndarray of bool, shape (n,)
        Stations at whose segment something happens to the water: a dam, a losing reach.
    area : ndarray of float64, shape (n,)
        Catchment of each station, in any unit. Where one is not known (NaN, or nothing), the share counts as whole
        as soon as a station above is marked.
    downstream : ndarray of int32, shape (n,)
        Next station downstream, always of a higher number, or -1.

    Returns
    -------
    ndarray of float64, shape (n,)
        From 0 to 1; 1 at a marked station itself. Ground above two marks in a row counts once.
    """
    passed = np.zeros(len(area))
    reached = np.zeros(len(area), dtype=np.bool_)
    share = np.zeros(len(area))
    for station in range(len(area)):  # from the sources down
        own = area[station] if area[station] > 0 else 0.0
        if is_marked[station]:
            passed[station], reached[station] = own, True
        if reached[station]:
            share[station] = min(passed[station] / own, 1.0) if own > 0 else 1.0
        below = downstream[station]
        if below >= 0:
            passed[below] += passed[station]
            reached[below] |= reached[station]
    return share


@kernel
def carried_down(is_marked, downstream):
    """Whether a station, or any upstream of it, is marked.

    Parameters
    ----------
    is_marked : ndarray of bool, shape (n,)
    downstream : ndarray of int32, shape (n,)

    Returns
    -------
    ndarray of bool, shape (n,)
    """
    carried = is_marked.copy()
    for station in range(len(downstream)):  # from the sources down
        below = downstream[station]
        if below >= 0 and carried[station]:
            carried[below] = True
    return carried
