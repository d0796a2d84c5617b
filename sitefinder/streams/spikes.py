"""Stations whose elevation is not the water's: bridges, trees and banks that stand out of the long profile."""

import numpy as np

from sitefinder.compiled import kernel, part
from sitefinder.streams.medians import median_of, sort_first

# Stations upstream that one is held against; of those to both sides, as many on each; and the least that judge.
REACH_STATIONS, REACH_BOTH_SIDES = 5, 3
LEAST_STATIONS = 2
# Standard errors from which an elevation is none of the water's (own choice; 0.3 % of normal errors lie beyond).
LEAST_STANDARD_ERRORS = 3.0
# The error of a median of normal errors over that of their mean is at most sqrt(pi / 2); for six it is about 1.1.
MEDIAN_OVER_MEAN = 1.1


def find_spikes(elevation_m, usable, main, downstream, to_downstream_m, rmse_m, correlation_length_m):
    """Stations that stand above those upstream of them by more than the DEM's error explains.

    Parameters
    ----------
    elevation_m : ndarray of float64, shape (n,)
        Raw elevations [m].
    usable : ndarray of bool, shape (n,)
        Stations with an elevation that is not refused already.
    main, downstream : ndarray of int32, shape (n,)
        See `sitefinder.streams.tree.main_upstream`.
    to_downstream_m : ndarray of float64, shape (n,)
        Distance to the next station [m].
    rmse_m : ndarray of float64, shape (n,)
        Error of the DEM [m].
    correlation_length_m : float or ndarray of float64, shape (n,)
        Distance over which errors are alike [m].

    Returns
    -------
    ndarray of bool, shape (n,)

    Notes
    -----
    Held against the median of up to `REACH_STATIONS` stations upstream, since water does not rise on its way, and
    against that of as many upstream as downstream, the upper one of the two in the middle, so that the station
    right above a step is no spike. Errors that are alike over some distance leave neighbours alike, so that a
    spike well below the DEM's error stands out too. Only upward: a channel does not run through the air, but may
    have deep pools.
    """
    length_m = np.full(len(elevation_m), correlation_length_m, dtype=np.float64)
    excess = _excess(np.where(usable, elevation_m, 0.0), usable, main, downstream, to_downstream_m, length_m)
    return excess > LEAST_STANDARD_ERRORS * MEDIAN_OVER_MEAN * rmse_m


# Height above the median of the neighbours, over the standard deviation of the difference from their mean in units
# of the DEM's error [m]; the greater of both comparisons, 0 where there are too few neighbours for either. Sums of
# correlations of a chain are kept as it grows, one exponential a station: `own` with the station judged, `pairs`
# among the neighbours, `own_few`, `pairs_few` those of the nearest ones.
@kernel
def _excess(elevation_m, usable, main, downstream, to_downstream_m, correlation_length_m):
    count = elevation_m.size
    excess = np.zeros(count)
    level_m = np.empty(REACH_STATIONS + REACH_BOTH_SIDES)
    sorted_m = np.empty(REACH_STATIONS + REACH_BOTH_SIDES)
    for i in range(count):
        if not usable[i]:
            continue
        length_m = correlation_length_m[i]
        above, way_m, up = main[i], 0.0, 0
        power, chain, own, pairs, own_few, pairs_few = 1.0, -1.0, 0.0, 0.0, 0.0, 0.0
        for _ in range(REACH_STATIONS):
            if above < 0:
                break
            way_m += to_downstream_m[above]
            if usable[above]:
                level_m[up] = elevation_m[above]
                power, chain, own, pairs = _longer(power, chain, own, pairs, way_m, length_m)
                way_m = 0.0
                up += 1
                if up <= REACH_BOTH_SIDES:
                    own_few, pairs_few = own, pairs
            above = main[above]
        if up < LEAST_STATIONS:
            continue
        excess[i] = _over(elevation_m[i] - median_of(level_m, up, sorted_m), _difference_from_mean(own, pairs, up))
        up = min(up, REACH_BOTH_SIDES)
        both, below, way_m = up, i, 0.0
        power, chain, own, pairs = 1.0, -1.0, 0.0, 0.0
        for _ in range(up):
            if downstream[below] < 0:
                break
            way_m += to_downstream_m[below]
            below = downstream[below]
            if usable[below]:
                level_m[both] = elevation_m[below]
                power, chain, own, pairs = _longer(power, chain, own, pairs, way_m, length_m)
                way_m = 0.0
                both += 1
        if both == 2 * up:
            # Across the station the correlation of two neighbours is the product of theirs with it.
            sort_first(level_m, both, sorted_m)
            error = _difference_from_mean(own_few + own, pairs_few + pairs + 2.0 * own_few * own, both)
            excess[i] = max(excess[i], _over(elevation_m[i] - sorted_m[up], error))
    return excess


@part
def _over(height_m, error):
    if height_m <= 0.0:
        return 0.0
    return height_m / error if error > 0.0 else np.inf


# The sums with one station more, at a way from the last; `power` is the last one's correlation with the station
# judged, `chain` the sum of those with the neighbours before it.
@part
def _longer(power, chain, own, pairs, way_m, correlation_length_m):
    decay = np.exp(-way_m / correlation_length_m) if correlation_length_m > 0.0 else 0.0
    power *= decay
    chain = decay * (chain + 1.0)
    return power, chain, own + power, pairs + 1.0 + 2.0 * chain


# Standard deviation of an error less the mean of others, all of variance 1.
@part
def _difference_from_mean(own, pairs, found):
    return np.sqrt(max(1.0 - 2.0 * own / found + pairs / found**2, 0.0))
