"""Monotone regression of the long profile: elevations that never rise downstream, on the whole tree."""

import numpy as np

from sitefinder.compiled import kernel, part

# A slope of the loss smaller than this share of the station's own weight is rounding and counts as zero, so
# that a tie is seen as one with weights and quantiles that are not whole binary fractions too.
SLOPE_ROUNDING = 1.0e-11
QUANTILE_RANGE = (0.01, 0.99)


def monotone_profile(elevation_m, weight, downstream, quantile=0.5, to_downstream_m=None):
    r"""Elevations nearest to the data, by weighted quantile loss, that nowhere rise downstream.

    Parameters
    ----------
    elevation_m : ndarray of float64, shape (n,)
        Raw elevation of each station [m]; NaN where none is known.
    weight : ndarray of float64, shape (n,), or None
        Weight of each datum [any unit, only ratios matter], for example one over its standard error. Zero
        leaves the datum out. None gives every station the same weight.
    downstream : ndarray of int32, shape (n,)
        Number of the next station downstream, -1 at an outlet; always greater than the station's own.
    quantile : float
        Share of the data that the profile should leave below it; 0.5 is the median. A lower one follows
        the water surface where errors are mostly upward (banks, trees, bridges). From 0.01 to 0.99.
    to_downstream_m : ndarray of float64, shape (n,), optional
        Distance from each station to the next downstream [m], used only to fill stations without a datum.
        Without it every step counts the same.

    Returns
    -------
    ndarray of float64, shape (n,)
        Fitted elevation [m], with ``z[i] >= z[downstream[i]]``. A profile that already falls comes back
        bit for bit. NaN where no station of the whole tree carries a datum.

    Raises
    ------
    ValueError
        If lengths differ, an elevation is infinite, a weight or distance is negative or not finite, the
        stations do not run from the sources down, or the quantile is out of range.

    Notes
    -----
    Minimised is the sum of ``weight · u · (quantile - [u < 0])`` with ``u = elevation - z``, exactly and over
    the whole tree at once, so that a tributary and its main stem pull at the same confluence. Quantile
    regression with a monotone constraint is the family of [1]_, who solve it river by river as a linear
    program; here the loss of everything above a station, as a function of the station's own elevation, is
    kept as a heap of breakpoints. Going down, the heaps of the upstream neighbours are melded, the
    station's own breakpoint is pushed, and breakpoints are popped until the loss rises: there lies the
    best elevation, and below it the loss is flat, since whatever lies above need not come down. Going back
    up, a station takes its best elevation or that of the station below, whichever is higher. That is
    O(n log n).

    Where every elevation of an interval is equally good the midpoint is taken (two neighbours that
    contradict each other meet half way), or the elevation below if that is higher.

    A station without a datum does not enter the fit. Afterwards it is interpolated by distance between the
    station below and the lowest datum-carrying station that drains to it through others without one, which on
    an unbranched gap is a straight line. Above the uppermost datum it takes the elevation below; under the
    lowest one, the lowest of those above.

    References
    ----------
    .. [1] W. Schwanghart and D. Scherler, "Bumps in river profiles: uncertainty assessment and smoothing
       using quantile regression techniques," Earth Surf. Dynam., vol. 5, pp. 821-839, 2017,
       doi:10.5194/esurf-5-821-2017.

    Examples
    --------
    A bridge deck is above a stream that falls a metre a station. With the median any level of 8 to 9 m
    would do there and 8.5 m is taken; a lower quantile decides for the water:

    >>> raw = np.array([9.0, 8.0, 12.0, 7.0, 6.0])
    >>> monotone_profile(raw, None, np.array([1, 2, 3, 4, -1], dtype=np.int32), quantile=0.4)
    array([9., 8., 8., 7., 6.])
    """
    elevation_m = np.ascontiguousarray(elevation_m, dtype=np.float64)
    if weight is None:
        weight = np.ones(elevation_m.shape)
    if to_downstream_m is None:
        to_downstream_m = np.ones(elevation_m.shape)
    weight = np.ascontiguousarray(weight, dtype=np.float64)
    downstream = np.ascontiguousarray(downstream, dtype=np.int32)
    to_downstream_m = np.ascontiguousarray(to_downstream_m, dtype=np.float64)
    _validate_bad_stations(elevation_m, weight, downstream, to_downstream_m)
    if not QUANTILE_RANGE[0] <= quantile <= QUANTILE_RANGE[1]:
        low, high = QUANTILE_RANGE
        raise ValueError(f"quantile must be between {low} and {high}, found {quantile}")

    has_datum = (weight > 0.0) & ~np.isnan(elevation_m)
    wanted_m = _best_elevation(elevation_m, weight, has_datum, downstream, float(quantile))
    _pass_back_up(wanted_m, has_datum, downstream)
    if not has_datum.all():
        _fill_gaps(wanted_m, has_datum, downstream, to_downstream_m)
    return wanted_m


# Each check names the first station that breaks it.
def _validate_bad_stations(elevation_m, weight, downstream, to_downstream_m):
    count = elevation_m.size
    for name, values in (
        ("elevation_m", elevation_m),
        ("weight", weight),
        ("downstream", downstream),
        ("to_downstream_m", to_downstream_m),
    ):
        if values.shape != (count,):
            raise ValueError(f"{name} must have shape ({count},) like elevation_m, found {values.shape}")
    numbers = np.arange(count)
    for name, is_bad, rule in (
        ("elevation_m", np.isinf(elevation_m), "finite or NaN"),
        ("weight", ~(np.isfinite(weight) & (weight >= 0.0)), "finite and not negative"),
        ("to_downstream_m", ~(np.isfinite(to_downstream_m) & (to_downstream_m >= 0.0)),
         "finite and not negative"),
        ("downstream", (downstream != -1) & ((downstream <= numbers) | (downstream >= count)),
         "-1 or the number of a later station"),
    ):  # fmt: skip
        if is_bad.any():
            first = int(np.argmax(is_bad))
            raise ValueError(f"{name} must be {rule}; station {first} and {int(is_bad.sum()) - 1} more are not")


# Downstream loop. The elevation [m] that suits a station and everything above it best, with nothing below to
# hold it up; meaningless where there is no datum. Heap node i is the breakpoint of station i: its key is the
# elevation and `rise` is by how much the slope of the loss grows there. Below the lowest breakpoint of a heap
# the loss is flat.
@kernel(takes="float64[::1], float64[::1], boolean[::1], int32[::1], float64")
def _best_elevation(elevation_m, weight, has_datum, downstream, quantile):
    count = elevation_m.size
    best_m = np.zeros(count)
    rise = np.zeros(count)
    left = np.full(count, -1, dtype=np.int32)
    right = np.full(count, -1, dtype=np.int32)
    heap = np.full(count, -1, dtype=np.int32)
    for i in range(count):
        top = heap[i]
        if has_datum[i]:
            rise[i] = weight[i]
            top = _melded(top, np.int32(i), elevation_m, left, right)
            slope = -quantile * weight[i]
            rounding = SLOPE_ROUNDING * weight[i]
            # The station's own breakpoint lifts the slope to (1 - quantile) · weight at least, so that the
            # loop ends before the heap is empty.
            while True:
                slope += rise[top]
                lowest = elevation_m[top]
                if slope > rounding:
                    rise[top] = slope
                    highest = lowest
                    break
                top = _melded(left[top], right[top], elevation_m, left, right)
                if slope >= -rounding:
                    highest = elevation_m[top]
                    break
            best_m[i] = 0.5 * (lowest + highest)
        below = downstream[i]
        if below >= 0:
            heap[below] = _melded(heap[below], top, elevation_m, left, right)
    return best_m


# One heap of two skew heaps, lowest key on top (Sleator & Tarjan 1986, "Self-adjusting heaps", SIAM J. Comput.
# 15:52-69, top-down meld): down the right spines, children swapped on the way. A melded heap is gone.
@part
def _melded(first, second, key, left, right):
    if first < 0:
        return second
    if second < 0:
        return first
    if key[second] < key[first]:
        first, second = second, first
    top = first
    while True:
        rest = right[first]
        right[first] = left[first]
        if rest < 0:
            left[first] = second
            return top
        if key[second] < key[rest]:
            rest, second = second, rest
        left[first] = rest
        first = rest


# Upstream loop, in place: no station below the next datum-carrying one downstream. A station without a datum
# passes on the level below it.
@kernel(takes="float64[::1], boolean[::1], int32[::1]", fills=("profile_m",))
def _pass_back_up(profile_m, has_datum, downstream):
    for i in range(profile_m.size - 1, -1, -1):
        below = downstream[i]
        floor_m = profile_m[below] if below >= 0 else -np.inf
        profile_m[i] = max(profile_m[i], floor_m) if has_datum[i] else floor_m


# In place: downstream loop for the lowest datum that drains to each station and how far off it is, upstream
# loop to interpolate. Going up one step at a time keeps the order even where gaps branch.
@kernel(takes="float64[::1], boolean[::1], int32[::1], float64[::1]", fills=("profile_m",))
def _fill_gaps(profile_m, has_datum, downstream, to_downstream_m):
    count = profile_m.size
    ceiling_m = np.full(count, np.inf)
    ceiling_away_m = np.zeros(count)
    for i in range(count):
        below = downstream[i]
        if below < 0:
            continue
        height_m = profile_m[i] if has_datum[i] else ceiling_m[i]
        away_m = to_downstream_m[i] + (0.0 if has_datum[i] else ceiling_away_m[i])
        is_nearer = height_m == ceiling_m[below] and away_m < ceiling_away_m[below]
        if height_m < ceiling_m[below] or is_nearer:
            ceiling_m[below] = height_m
            ceiling_away_m[below] = away_m
    for i in range(count - 1, -1, -1):
        if has_datum[i]:
            continue
        below = downstream[i]
        floor_m = profile_m[below] if below >= 0 else np.nan
        if ceiling_m[i] == np.inf:
            profile_m[i] = floor_m
        elif np.isnan(floor_m):
            profile_m[i] = ceiling_m[i]
        else:
            gap_m = to_downstream_m[i] + ceiling_away_m[i]
            share = to_downstream_m[i] / gap_m if gap_m > 0.0 else 0.0
            profile_m[i] = min(floor_m + (ceiling_m[i] - floor_m) * share, ceiling_m[i])
