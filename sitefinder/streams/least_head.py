"""The least head that a DEM resolves, by length of stretch, from the simulated errors of the long profile."""

import numpy as np
import pandas as pd

from sitefinder.compiled import kernel
from sitefinder.streams.profile_error import head_standard_error

# How far the way between two stations may lie from the length asked for, as a share of it (own choice).
LENGTH_TOLERANCE = 0.25
WORST_PERCENT = 90.0


def least_heads(errors_m, downstream, to_downstream_m, lengths_m, standard_errors, counts=None):
    """The least head that is told from nothing, between stations so far apart down the network.

    Parameters
    ----------
    errors_m : ndarray of float32, shape (n, draws)
        Simulated errors of the profile [m], see `sitefinder.streams.profile_error.simulate_profile_errors`.
    downstream : ndarray of int32, shape (n,)
        Next station downstream, always of a higher number, or -1.
    to_downstream_m : ndarray of float64, shape (n,)
        Way to it [m].
    lengths_m : sequence of float
        Lengths of stretches [m], rising.
    standard_errors : float
        A head of fewer standard errors is not resolved.
    counts : ndarray of bool, shape (n,), optional
        Stations that may be an end; absent: all.

    Returns
    -------
    DataFrame
        A row a length for which there are pairs of stations: ``length_m``, ``pairs``, ``least_head_m`` (median
        over the pairs) and ``least_head_worst_m`` (exceeded by a tenth of them) [m].

    Notes
    -----
    The lower end of a pair is the station whose way from the upper one is nearest to the length, within a quarter
    of it.

    Examples
    --------
    Errors of 3 m that are the same a step down cancel, and opposite ones add up:

    >>> errors_m = np.array([[3.0, -3.0], [3.0, -3.0], [-3.0, 3.0]], dtype=np.float32)
    >>> chain = np.array([1, 2, -1], dtype=np.int32), np.array([100.0, 100.0, 0.0])
    >>> least_heads(errors_m, *chain, [200.0], 1.0)["least_head_m"].tolist()
    [6.0]
    """
    lengths_m = np.asarray(lengths_m, dtype=np.float64)
    to_downstream_m = np.asarray(to_downstream_m, dtype=np.float64)
    lower = _stations_below(np.asarray(downstream, dtype=np.int32), to_downstream_m, lengths_m, LENGTH_TOLERANCE)
    known = ~np.isnan(errors_m).any(axis=1)
    if counts is not None:
        known &= counts
    rows = []
    for number, length_m in enumerate(lengths_m.tolist()):
        below = lower[:, number]
        upper = np.flatnonzero((below >= 0) & known & known[below])
        if len(upper):
            least_m = standard_errors * head_standard_error(errors_m, upper, below[upper])
            rows.append((length_m, len(upper), np.median(least_m), np.percentile(least_m, WORST_PERCENT)))
    return pd.DataFrame(rows, columns=["length_m", "pairs", "least_head_m", "least_head_worst_m"])


# For each station and length the station nearest to that way downstream, or -1.
@kernel
def _stations_below(downstream, to_downstream_m, lengths_m, tolerance):
    lower = np.full((len(downstream), len(lengths_m)), -1, dtype=np.int64)
    for start in range(len(downstream)):
        station, way_m, number = start, 0.0, 0
        while number < len(lengths_m):
            length_m, below = lengths_m[number], downstream[station]
            next_m = way_m + to_downstream_m[station] if below >= 0 else np.inf
            if next_m < length_m:
                station, way_m = below, next_m
                continue
            # The length lies between this station and the next.
            if abs(next_m - length_m) <= abs(way_m - length_m):
                nearest, off_m = below, next_m - length_m
            else:
                nearest, off_m = station, length_m - way_m
            if nearest != start and off_m <= tolerance * length_m:
                lower[start, number] = nearest
            number += 1
    return lower
