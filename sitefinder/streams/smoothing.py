"""The straightest curve through noisy elevations along the stream, free to jump where it is told to."""

import numpy as np

from sitefinder.compiled import kernel

# Weight of the first fit where nothing else holds a station, beside a datum's; keeps the equations soluble.
HELD_LIGHTLY = 1.0e-6


def smoothed(elevation_m, weight, otherwise_m, main, downstream, to_downstream_m, is_break, slope_variance_per_m):
    r"""Elevations near to the data whose slope varies no more than a stream's does.

    Parameters
    ----------
    elevation_m : ndarray of float64, shape (n,)
        Data [m]; of no account where the weight is zero.
    weight : ndarray of float64, shape (n,)
        One over the variance of each datum [1/m²].
    otherwise_m : ndarray of float64, shape (n,)
        Elevations [m] that hold, very lightly, where no datum does.
    main, downstream : ndarray of int32, shape (n,)
        See `sitefinder.streams.tree.main_upstream`.
    to_downstream_m : ndarray of float64, shape (n,)
        Distance to the next station [m]; not 0 on a main stem.
    is_break : ndarray of bool, shape (n,)
        True where the curve is free to jump and to turn between the station and the next.
    slope_variance_per_m : ndarray of float64, shape (n,)
        Variance that the slope gains by the metre [1/m].

    Returns
    -------
    ndarray of float64, shape (n,)
        Elevations [m]; they may still rise.

    Notes
    -----
    Minimised is ``sum(weight · (elevation - z)²) + sum((change of slope)² / (variance per metre · length))``, the
    cubic smoothing spline of a slope that walks at random [1]_, along the main stem; tributaries are streams of
    their own. Each equation holds a station and the two next downstream, so that elimination from the sources down
    fills nothing in, and takes one loop down and one up.

    References
    ----------
    .. [1] G. Wahba, "Improper priors, spline smoothing and the problem of guarding against model errors in
       regression," J. R. Stat. Soc. B, vol. 40, pp. 364-372, 1978 (from memory).

    Examples
    --------
    A slope that must not vary at all makes it the straight line of least squares:

    >>> down = np.array([1, 2, -1], dtype=np.int32)
    >>> main = np.array([-1, 0, 1], dtype=np.int32)
    >>> z = smoothed(np.array([3.0, 1.0, 2.0]), np.ones(3), np.zeros(3), main, down, np.full(3, 10.0),
    ...              np.zeros(3, dtype=bool), np.full(3, 1e-15))
    >>> z.round(3).tolist()
    [2.5, 2.0, 1.5]
    """
    held = HELD_LIGHTLY * weight.max() if len(weight) else 0.0
    lightly = np.where(weight > 0.0, 0.0, held if held > 0.0 else 1.0)
    data = np.where(weight > 0.0, elevation_m, 0.0)
    return _solved(
        weight * data + lightly * otherwise_m,
        weight + lightly,
        main,
        downstream,
        to_downstream_m,
        is_break,
        slope_variance_per_m,
    )


# Symmetric elimination along the tree. `first` and `second` couple a station with the two next downstream.
@kernel
def _solved(right, own, main, downstream, to_downstream_m, is_break, slope_variance_per_m):
    count = right.size
    right, own = right.copy(), own.copy()
    first, second = np.zeros(count), np.zeros(count)
    for middle in range(count):
        above, below = main[middle], downstream[middle]
        if above < 0 or below < 0 or main[below] != middle or is_break[above] or is_break[middle]:
            continue
        up_m, down_m = to_downstream_m[above], to_downstream_m[middle]
        stiffness = 1.0 / (slope_variance_per_m[middle] * 0.5 * (up_m + down_m))
        a, c = 1.0 / up_m, 1.0 / down_m
        b = -(a + c)
        own[above] += stiffness * a * a
        own[middle] += stiffness * b * b
        own[below] += stiffness * c * c
        first[above] += stiffness * a * b
        second[above] += stiffness * a * c
        first[middle] += stiffness * b * c
    for i in range(count):  # from the sources down
        below = downstream[i]
        if below < 0:
            continue
        next_below = downstream[below]
        share = first[i] / own[i]
        own[below] -= share * first[i]
        right[below] -= share * right[i]
        if next_below >= 0:
            first[below] -= share * second[i]
            share = second[i] / own[i]
            own[next_below] -= share * second[i]
            right[next_below] -= share * right[i]
    level_m = np.zeros(count)
    for i in range(count - 1, -1, -1):  # and back up
        known = right[i]
        below = downstream[i]
        if below >= 0:
            known -= first[i] * level_m[below]
            if downstream[below] >= 0:
                known -= second[i] * level_m[downstream[below]]
        level_m[i] = known / own[i]
    return level_m


@kernel
def mean_along(value, usable, main, downstream, to_downstream_m, length_m):
    """Mean of a value about each station along the main stem, weights falling by e over a length.

    Parameters
    ----------
    value : ndarray of float64, shape (n,)
    usable : ndarray of bool, shape (n,)
        Stations that count.
    main, downstream : ndarray of int32, shape (n,)
    to_downstream_m : ndarray of float64, shape (n,)
        Distance to the next station [m].
    length_m : float
        Distance over which the weight falls to 1/e [m].

    Returns
    -------
    ndarray of float64, shape (n,)
        Zero where no station counts.
    """
    count = value.size
    sums, weights = np.zeros(count), np.zeros(count)
    for i in range(count):
        if usable[i]:
            sums[i] += value[i]
            weights[i] += 1.0
        below = downstream[i]
        if below >= 0 and main[below] == i:
            share = np.exp(-to_downstream_m[i] / length_m)
            sums[below] += share * sums[i]
            weights[below] += share * weights[i]
    from_below, weight_below = np.zeros(count), np.zeros(count)
    for i in range(count - 1, -1, -1):
        below = downstream[i]
        if below >= 0:
            share = np.exp(-to_downstream_m[i] / length_m)
            from_below[i] = share * (from_below[below] + (value[below] if usable[below] else 0.0))
            weight_below[i] = share * (weight_below[below] + (1.0 if usable[below] else 0.0))
    for i in range(count):
        total = weights[i] + weight_below[i]
        sums[i] = (sums[i] + from_below[i]) / total if total > 0.0 else 0.0
    return sums
