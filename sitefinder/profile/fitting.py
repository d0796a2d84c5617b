"""The fitted long profile for heads: spikes rejected, steps kept sharp, the rest smooth."""

from typing import NamedTuple

import numpy as np

from sitefinder.compiled import kernel, part
from sitefinder.network.ordering import main_upstream
from sitefinder.profile.breaks import find_breaks
from sitefinder.profile.medians import median_of, sort_first
from sitefinder.profile.monotone import monotone_profile


def of_stations(name, value, count, *, endless=False):
    """One number, or one for each station, as an array of one for each.

    Parameters
    ----------
    name : str
        Its name in messages.
    value : float or ndarray of float64, shape (n,)
    count : int
        Number of stations.
    endless : bool
        Whether infinite values may be.

    Returns
    -------
    ndarray of float64, shape (n,)
        Not to be written to.

    Raises
    ------
    ValueError
        If the shape is another, or a value is negative, NaN or infinite.
    """
    value = np.asarray(value, dtype=np.float64)
    if value.shape not in ((), (count,)):
        raise ValueError(f"{name} must be one number or have shape ({count},), found {value.shape}")
    is_bad = ~(value >= 0.0) | (np.isinf(value) & (not endless))
    if is_bad.any():
        rule = "must not be negative" if endless else "must be finite and not negative"
        raise ValueError(f"{name} {rule}, found {value[is_bad][0]}")
    return np.broadcast_to(value, (count,))


# Stations upstream that one is held against; of those to both sides, as many on each; and the least that judge.
REACH_STATIONS, REACH_BOTH_SIDES = 5, 3
MIN_STATIONS = 2
# Standard errors beyond which an elevation is not that of the water (own choice; 0.3 % of normal errors exceed
# it).
MIN_STANDARD_ERRORS = 3.0
# The error of a median of normal errors over that of their mean is at most sqrt(pi / 2); for six it is about 1.1.
MEDIAN_OVER_MEAN = 1.1


def find_spikes(elevation_m, usable, main, downstream, to_downstream_m, rmse_m, correlation_length_m):
    """Stations that are above those upstream of them by more than the DEM's error explains.

    Parameters
    ----------
    elevation_m : ndarray of float64, shape (n,)
        Raw elevations [m].
    usable : ndarray of bool, shape (n,)
        Stations with an elevation that is not refused already.
    main, downstream : ndarray of int32, shape (n,)
        See `sitefinder.network.ordering.main_upstream`.
    to_downstream_m : ndarray of float64, shape (n,)
        Distance to the next station [m].
    rmse_m : ndarray of float64, shape (n,)
        Error of the DEM [m].
    correlation_length_m : float or ndarray of float64, shape (n,)
        Correlation length of the errors [m].

    Returns
    -------
    ndarray of bool, shape (n,)

    Notes
    -----
    Held against the median of up to `REACH_STATIONS` stations upstream, since water does not rise on its way, and
    against that of as many upstream as downstream, the upper one of the two in the middle, so that the station
    right above a step is no spike. Correlated errors leave neighbours similar, so that a
    spike well below the DEM's error is detected too. Only upward: a channel is never above its bed, but may
    have deep pools.
    """
    length_m = np.full(len(elevation_m), correlation_length_m, dtype=np.float64)
    excess = _excess(np.where(usable, elevation_m, 0.0), usable, main, downstream, to_downstream_m, length_m)
    return excess > MIN_STANDARD_ERRORS * MEDIAN_OVER_MEAN * rmse_m


# Height above the median of the neighbours, over the standard deviation of the difference from their mean in units
# of the DEM's error [m]; the greater of both comparisons, 0 where there are too few neighbours for either. Sums of
# correlations of a chain are kept as it grows, one exponential a station: `own` with the station judged, `pairs`
# among the neighbours, `own_few`, `pairs_few` those of the nearest ones.
@kernel(takes="float64[::1], boolean[::1], int32[::1], int32[::1], float64[::1], float64[::1]")
def _excess(elevation_m, usable, main, downstream, to_downstream_m, correlation_length_m):
    count = elevation_m.size
    excess = np.zeros(count)
    level_m = np.empty(REACH_STATIONS + REACH_BOTH_SIDES)
    sorted_m = np.empty(REACH_STATIONS + REACH_BOTH_SIDES)
    for i in range(count):
        if not usable[i]:
            continue
        length_m = correlation_length_m[i]
        above, distance_m, up = main[i], 0.0, 0
        power, chain, own, pairs, own_few, pairs_few = 1.0, -1.0, 0.0, 0.0, 0.0, 0.0
        for _ in range(REACH_STATIONS):
            if above < 0:
                break
            distance_m += to_downstream_m[above]
            if usable[above]:
                level_m[up] = elevation_m[above]
                power, chain, own, pairs = _longer(power, chain, own, pairs, distance_m, length_m)
                distance_m = 0.0
                up += 1
                if up <= REACH_BOTH_SIDES:
                    own_few, pairs_few = own, pairs
            above = main[above]
        if up < MIN_STATIONS:
            continue
        excess[i] = _over(elevation_m[i] - median_of(level_m, up, sorted_m), _difference_from_mean(own, pairs, up))
        up = min(up, REACH_BOTH_SIDES)
        both, below, distance_m = up, i, 0.0
        power, chain, own, pairs = 1.0, -1.0, 0.0, 0.0
        for _ in range(up):
            if downstream[below] < 0:
                break
            distance_m += to_downstream_m[below]
            below = downstream[below]
            if usable[below]:
                level_m[both] = elevation_m[below]
                power, chain, own, pairs = _longer(power, chain, own, pairs, distance_m, length_m)
                distance_m = 0.0
                both += 1
        if both == 2 * up:
            # Across the station the correlation of two neighbours is the product of their own with it.
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
def _longer(power, chain, own, pairs, distance_m, correlation_length_m):
    decay = np.exp(-distance_m / correlation_length_m) if correlation_length_m > 0.0 else 0.0
    power *= decay
    chain = decay * (chain + 1.0)
    return power, chain, own + power, pairs + 1.0 + 2.0 * chain


# Standard deviation of an error less the mean of others, all of variance 1.
@part
def _difference_from_mean(own, pairs, found):
    return np.sqrt(max(1.0 - 2.0 * own / found + pairs / found**2, 0.0))


# Weight of the first fit where nothing else determines a station; keeps the equations solvable.
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
        See `sitefinder.network.ordering.main_upstream`.
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
    A slope that must not vary at all gives the straight line of least squares:

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
@kernel(takes="float64[::1], float64[::1], int32[::1], int32[::1], float64[::1], boolean[::1], float64[::1]")
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


@kernel(takes="float64[::1], boolean[::1], int32[::1], int32[::1], float64[::1], float64")
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


# Distance over which the slope of a stream changes by as much as it is [m] (own choice; half or twice as much
# changes the bench of heads, tests/benchmarks/heads.py, by a few percent).
SLOPE_CHANGES_OVER_M = 400.0
# The slope of the first fit is taken over this distance to either side [m], and is never thought less than that of
# the flattest streams.
SLOPE_OVER_M = 300.0
MIN_SLOPE = 1.0e-4
# Residuals are averaged along the stream over this distance [m].
RESIDUALS_OVER_M = 300.0
# A first fit follows part of the noise: its residuals hold about half of the variance (own choice, by the bench).
VARIANCE_OVER_RESIDUALS = 2.0
# Noise below this share of the DEM's stated error is none, and nothing is smoothed there. Elevations without any
# error have this one, so that their weights are numbers [m].
MIN_NOISE, LEAST_NOISE_M = 1.0e-3, 1.0e-9
# Where the residuals spread this much more than the DEM's stated error, they are believed instead (own choice).
MORE_THAN_STATED = 1.5
# Stations to either side whose residuals make up the spread about a station; deviation of a normal over its median
# absolute deviation.
SPREAD_STATIONS = 15
NORMAL_MAD = 1.4826
# Equal elevations over this many stations were levelled, unless this share of all stations is in whole units.
MIN_FLAT_STATIONS = 5
MAX_FLAT_SHARE = 0.5
# Minimum spacing of stations in the correlation, in correlation lengths.
MIN_GAP = 1.0e-3


class LongProfile(NamedTuple):
    """A fitted long profile, arrays of shape (n,).

    ``profile_m`` never rises downstream [m]; ``is_spike`` marks stations whose elevation was rejected,
    ``is_break`` those right above a step, ``is_flat`` those in water that the DEM's makers made level; ``rmse_m``
    is the error of the elevations as used: the stated one with that of the place, or the residuals' where they
    spread much more [m].
    """

    profile_m: np.ndarray
    is_spike: np.ndarray
    is_break: np.ndarray
    is_flat: np.ndarray
    rmse_m: np.ndarray


def fit_long_profile(
    elevation_m,
    downstream,
    to_downstream_m,
    rmse_m,
    correlation_length_m,
    quantile=0.5,
    min_flat_m=0.0,
    place_error_m=0.0,
    known_break=None,
) -> LongProfile:
    """The long profile of a tree of streams.

    Parameters
    ----------
    elevation_m : ndarray of float64, shape (n,)
        Raw elevation of each station [m]; NaN where none is known.
    downstream : ndarray of int32, shape (n,)
        Number of the next station downstream, -1 at an outlet; always greater than the station's own.
    to_downstream_m : ndarray of float64, shape (n,)
        Distance to it [m].
    rmse_m : float or ndarray of float64, shape (n,)
        Error of the DEM as stated [m].
    correlation_length_m : float or ndarray of float64, shape (n,)
        Correlation length of its errors [m]; 0 where they are independent.
    quantile : float
        Of the first fit, see `sitefinder.profile.monotone.monotone_profile`.
    min_flat_m : float
        Length from which level water counts as made level [m]; a few cells of the DEM.
    place_error_m : float
        Error along the stream of the point where an elevation is read [m]; times the slope it is an error in
        height.
    known_break : ndarray of bool, shape (n,), optional
        True right above a known weir or fall: a break whatever the data show there. What would be found within
        `breaks.NEAR_KNOWN` stations of it gives way to it.

    Returns
    -------
    LongProfile
        Where the raw profile falls everywhere, the fitted one is identical.

    Raises
    ------
    ValueError
        As of `monotone_profile`; or if an error or correlation length is negative, or a length differs.

    Notes
    -----
    A first quantile fit over the whole tree [1]_ sees through bridges and embankments; elevations far off it, and
    those that stand out from their neighbours, are left out. Steps are found next. Between them the profile is the
    smoothing spline of a slope that changes by its own size over `SLOPE_CHANGES_OVER_M`, with the DEM's error as
    the noise; correlated errors count as the white noise with the same power at long wavelengths.
    What still rises is fitted once more. Stations without an elevation are interpolated last, those beside a step
    each from its own side of the step. No more noise is taken out than the residuals show, so that a stretch
    that falls by itself stays as it is.

    References
    ----------
    .. [1] W. Schwanghart and D. Scherler, "Bumps in river profiles: uncertainty assessment and smoothing
       using quantile regression techniques," Earth Surf. Dynam., vol. 5, pp. 821-839, 2017,
       doi:10.5194/esurf-5-821-2017.
    """
    elevation_m = np.ascontiguousarray(elevation_m, dtype=np.float64)
    downstream = np.ascontiguousarray(downstream, dtype=np.int32)
    step_m = np.ascontiguousarray(to_downstream_m, dtype=np.float64)
    count = len(elevation_m)
    stated_m = of_stations("rmse_m", rmse_m, count)
    length_m = of_stations("correlation_length_m", correlation_length_m, count, endless=True)
    known_break = np.zeros(count, dtype=bool) if known_break is None else np.asarray(known_break, dtype=bool)
    if known_break.shape != (count,):
        raise ValueError(f"known_break must have shape ({count},), found {known_break.shape}")
    # Refuses bad stations with its own words before anything else looks at them.
    monotone_profile(elevation_m, None, downstream, quantile, step_m)

    place, first = _places(downstream, step_m)
    level_m = _mean_known(elevation_m, place, len(first))
    below = np.where(downstream[first] >= 0, place[downstream[first]], -1).astype(np.int32)
    offset_m, own_error_m, length_m = step_m[first], stated_m[first], length_m[first]
    known_break = np.bincount(place[known_break], minlength=len(first)) > 0
    main = main_upstream(below, offset_m)
    # What still lies at one place with the next is a source that drains to it over no way, and no stem.
    main[offset_m[main] == 0.0] = -1

    known = ~np.isnan(level_m)
    fit_m = monotone_profile(level_m, None, below, quantile, offset_m)
    spread_m = NORMAL_MAD * median_along(np.abs(level_m - fit_m), main, below)
    steep, _ = slopes_along(fit_m, main, below, offset_m, known_break)
    error_m = _errors(own_error_m, place_error_m * steep, spread_m)
    usable = known
    for _ in range(2):
        usable = known & ~(level_m - fit_m > MIN_STANDARD_ERRORS * error_m)
        fit_m = monotone_profile(level_m, usable.astype(float), below, quantile, offset_m)
    off_fit = level_m != fit_m
    for _ in range(2):
        usable = usable & ~(find_spikes(level_m, usable, main, below, offset_m, error_m, length_m) & off_fit)
    fit_m = monotone_profile(level_m, usable.astype(float), below, quantile, offset_m)
    # Pits last: next to a spike that is not yet rejected, the water itself would look like one.
    usable = usable & ~(fit_m - level_m > MIN_STANDARD_ERRORS * error_m)
    fit_m = monotone_profile(level_m, usable.astype(float), below, quantile, offset_m)
    slope, slope_over_m = slopes_along(fit_m, main, below, offset_m, np.zeros(len(first), dtype=bool))
    slope = np.maximum(slope, MIN_SLOPE)
    breaks = find_breaks(
        level_m, usable, main, below, offset_m, slope, slope_over_m, error_m, length_m, known_break
    )
    # At a known step, the position error of an elevation no longer matters.
    steep, _ = slopes_along(fit_m, main, below, offset_m, breaks)
    error_m = _errors(own_error_m, place_error_m * steep, spread_m)

    flat = _flat(level_m, below, main, offset_m, min_flat_m)
    residual_m2 = np.where(usable, (level_m - fit_m) ** 2, 0.0)
    shown_m2 = mean_along(residual_m2, usable & ~flat, main, below, offset_m, RESIDUALS_OVER_M)
    noise_m2 = np.minimum(error_m**2, VARIANCE_OVER_RESIDUALS * shown_m2)
    is_used = usable & (flat | (noise_m2 <= (MIN_NOISE * error_m) ** 2))
    noise_m2 = np.where(is_used, 0.0, noise_m2)
    smooth_m = fit_m
    if not is_used.all():
        min_m2 = np.maximum((MIN_NOISE * error_m) ** 2, LEAST_NOISE_M**2)
        white_m2 = np.maximum(noise_m2, min_m2) * _as_white(main, below, offset_m, length_m)
        weight = np.where(usable, 1.0 / white_m2, 0.0)
        smooth_m = smoothed(level_m, weight, fit_m, main, below, offset_m, breaks, slope**2 / SLOPE_CHANGES_OVER_M)
        smooth_m = _next_to_breaks(
            np.where(known, smooth_m, np.nan), smooth_m, steep, main, below, offset_m, breaks
        )
    target_m = np.where(is_used[place] & ~np.isnan(elevation_m), elevation_m, smooth_m[place])
    profile_m = monotone_profile(target_m, None, downstream, 0.5, step_m)
    is_last = np.zeros(count, dtype=bool)
    is_last[first] = True
    return LongProfile(
        profile_m, (known & ~usable)[place], breaks[place] & is_last, flat[place], error_m[place].copy()
    )


# Levels with those of unknown stations beside a break: the curve's, which is free to jump there, as far as a known
# station of their own side holds it; below a break near a mouth the way up from the main stem's.
@kernel(takes="float64[::1], float64[::1], float64[::1], int32[::1], int32[::1], float64[::1], boolean[::1]")
def _next_to_breaks(level_m, curve_m, slope, main, downstream, step_m, is_break):
    filled_m = level_m.copy()
    for i in range(level_m.size):
        if not is_break[i]:
            continue
        end = i
        while end >= 0 and np.isnan(level_m[end]) and (main[end] < 0 or not is_break[main[end]]):
            end = main[end]
        if end >= 0 and not np.isnan(level_m[end]):
            above = i
            while above != end:
                filled_m[above] = curve_m[above]
                above = main[above]
        end, last, distance_m = downstream[i], i, 0.0
        while end >= 0 and main[end] == last and np.isnan(level_m[end]) and not is_break[end]:
            last, distance_m = end, distance_m + step_m[end]
            end = downstream[end]
        if end < 0 or np.isnan(level_m[end]):
            continue
        is_own, foot = main[end] == last, downstream[i]
        while foot != end:
            filled_m[foot] = curve_m[foot] if is_own else level_m[end] + slope[foot] * distance_m
            distance_m -= step_m[foot]
            foot = downstream[foot]
    return filled_m


# Stations of a main stem that lie at one place, as the last of a link and the first of the next do, are one: the
# number of each station's place, and the station of each place from which the way leads on.
def _places(downstream, step_m):
    main = main_upstream(downstream, step_m)
    below = np.maximum(downstream, 0)
    with_next = (downstream >= 0) & (step_m == 0.0) & (main[below] == np.arange(len(downstream)))
    first = np.flatnonzero(~with_next)
    place = np.cumsum(~with_next) - 1
    return _handed_up(place, with_next, downstream), first


# Upstream loop: who is one with the next takes its number. In between, numbers of places keep the stations' order.
@kernel(takes="int64[::1], boolean[::1], int32[::1]")
def _handed_up(place, with_next, downstream):
    place = place.copy()
    for i in range(len(place) - 1, -1, -1):
        if with_next[i]:
            place[i] = place[downstream[i]]
    return place


# Mean of the known elevations at each place [m], NaN where none is.
def _mean_known(elevation_m, place, count):
    known = ~np.isnan(elevation_m)
    number = np.bincount(place[known], minlength=count)
    total = np.bincount(place[known], weights=elevation_m[known], minlength=count)
    mean_m = np.full(count, np.nan)
    mean_m[number > 0] = total[number > 0] / number[number > 0]
    return mean_m


# Error of the elevations [m]: the DEM's and that of the place, or the spread about the fit where it is much more.
def _errors(stated_m, of_place_m, spread_m):
    error_m = np.hypot(stated_m, of_place_m)
    return np.where(spread_m > MORE_THAN_STATED * error_m, spread_m, error_m)


@kernel(takes="float64[::1], int32[::1], int32[::1], float64[::1], boolean[::1]")
def slopes_along(fit_m, main, downstream, step_m, is_break):
    """Slope about each station over `SLOPE_OVER_M` to either side, without the steps at breaks.

    Parameters
    ----------
    fit_m : ndarray of float64, shape (n,)
        Elevations [m].
    main, downstream : ndarray of int32, shape (n,)
        See `sitefinder.network.ordering.main_upstream`.
    step_m : ndarray of float64, shape (n,)
        Distance to the next station [m].
    is_break : ndarray of bool, shape (n,)
        True right above a step.

    Returns
    -------
    slope : ndarray of float64, shape (n,)
        Fall over the way [m/m]; 0 where there is none.
    over_m : ndarray of float64, shape (n,)
        Length of that way [m].
    """
    count = fit_m.size
    slope, over_m = np.zeros(count), np.zeros(count)
    for i in range(count):
        above, up_m, stepped_m = i, 0.0, 0.0
        while main[above] >= 0 and up_m < SLOPE_OVER_M:
            if is_break[main[above]]:
                stepped_m += fit_m[main[above]] - fit_m[above]
            above = main[above]
            up_m += step_m[above]
        below, down_m = i, 0.0
        while downstream[below] >= 0 and down_m < SLOPE_OVER_M:
            if is_break[below]:
                stepped_m += fit_m[below] - fit_m[downstream[below]]
            down_m += step_m[below]
            below = downstream[below]
        if up_m + down_m > 0.0 and fit_m[above] > fit_m[below]:
            slope[i] = (fit_m[above] - fit_m[below] - stepped_m) / (up_m + down_m)
        over_m[i] = up_m + down_m
    return slope, over_m


@kernel(takes="float64[::1], int32[::1], int32[::1]")
def median_along(value, main, downstream):
    """Median of a value over `SPREAD_STATIONS` stations to either side along the main stem.

    Parameters
    ----------
    value : ndarray of float64, shape (n,)
        NaN does not count.
    main, downstream : ndarray of int32, shape (n,)
        See `sitefinder.network.ordering.main_upstream`.

    Returns
    -------
    ndarray of float64, shape (n,)
        Zero where no value counts.
    """
    count = value.size
    median = np.zeros(count)
    near, in_order = np.empty(2 * SPREAD_STATIONS + 1), np.empty(2 * SPREAD_STATIONS + 1)
    for i in range(count):
        found = 0
        above, below = i, downstream[i]
        for _ in range(SPREAD_STATIONS):
            if above >= 0:
                if not np.isnan(value[above]):
                    near[found] = value[above]
                    found += 1
                above = main[above]
            if below >= 0:
                if not np.isnan(value[below]):
                    near[found] = value[below]
                    found += 1
                below = downstream[below]
        if found > 0:
            median[i] = median_of(near, found, in_order)
    return median


# Runs of equal elevations along a main stem, long enough and of stations enough. In a DEM of whole units most
# stations lie in such runs, and none of them is water that was made level.
def _flat(level_m, downstream, main, step_m, min_flat_m):
    is_flat = _level_runs(level_m, downstream, main, step_m, min_flat_m)
    return is_flat if is_flat.mean() <= MAX_FLAT_SHARE else np.zeros(len(level_m), dtype=bool)


@kernel(takes="float64[::1], int32[::1], int32[::1], float64[::1], float64")
def _level_runs(level_m, downstream, main, step_m, min_flat_m):
    count = level_m.size
    stations = np.ones(count, dtype=np.int64)
    length_m = np.zeros(count)
    for i in range(count):  # of the run that ends at the station, from above
        above = main[i]
        if above >= 0 and level_m[above] == level_m[i]:
            stations[i] = stations[above] + 1
            length_m[i] = length_m[above] + step_m[above]
    is_flat = np.zeros(count, dtype=np.bool_)
    for i in range(count - 1, -1, -1):
        below = downstream[i]
        if below >= 0 and main[below] == i and level_m[below] == level_m[i]:
            is_flat[i] = is_flat[below]
        else:
            is_flat[i] = stations[i] >= MIN_FLAT_STATIONS and length_m[i] >= min_flat_m
    return is_flat


# Variance of white noise that has, at long waves, the power of a Markov chain of variance 1.
def _as_white(main, downstream, step_m, correlation_length_m):
    gap_m = np.where(downstream >= 0, step_m, 0.0)
    gap_m = np.where((gap_m <= 0.0) & (main >= 0), step_m[np.maximum(main, 0)], gap_m)
    alike = correlation_length_m > 0.0
    length_m = np.where(alike, correlation_length_m, 1.0)
    rho = np.where(alike, np.exp(-np.maximum(gap_m / length_m, MIN_GAP)), 0.0)
    return (1.0 + rho) / (1.0 - rho)
