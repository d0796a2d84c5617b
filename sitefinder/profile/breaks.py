"""Breaks of the long profile: weirs and falls, unexplained steps, and level water."""

from typing import NamedTuple

import numpy as np

from sitefinder.compiled import kernel, part
from sitefinder.profile.medians import median_of

# Stations on either side whose means are compared: short windows where errors are correlated, long ones otherwise.
WIDTHS = (1, 2, 3, 5, 8, 12, 18)
# Standard errors from which a step is taken for real. It is a search over many places and widths; at 3.0 to 4.0
# the bench of heads (tests/benchmarks/heads.py) differs by less than a tenth.
MIN_STANDARD_ERRORS = 3.3
# Minimum step that is kept sharp [m] (own choice: lower ones do not matter to any plant).
MIN_STEP_M = 0.3
# The slope within the windows is known to half of itself (own choice).
SLOPE_ERROR = 0.5
# The step's own share in the slope is taken out of that error where windows are at most so long, in lengths of the
# way that the slope is taken over; what is left is at least so much of the slope (own choices, by the bench).
MAX_SHARE = 0.25
MIN_SLOPE_ERROR = 0.1
# Stations to either side of a known structure within which a break that is found is taken for its own.
NEAR_KNOWN = 2


def find_breaks(
    elevation_m,
    usable,
    main,
    downstream,
    to_downstream_m,
    slope,
    slope_over_m,
    rmse_m,
    correlation_length_m,
    known_break=None,
):
    """Stations below which the profile breaks down, at once, to the next station.

    Parameters
    ----------
    elevation_m : ndarray of float64, shape (n,)
        Raw elevations [m].
    usable : ndarray of bool, shape (n,)
        Stations whose elevation counts, without spikes.
    main, downstream : ndarray of int32, shape (n,)
        See `sitefinder.network.ordering.main_upstream`.
    to_downstream_m : ndarray of float64, shape (n,)
        Distance to the next station [m].
    slope : ndarray of float64, shape (n,)
        Slope about each station [m/m].
    slope_over_m : ndarray of float64, shape (n,)
        Length of the way that it is taken over [m].
    rmse_m : ndarray of float64, shape (n,)
        Error of the DEM [m].
    correlation_length_m : float or ndarray of float64, shape (n,)
        Correlation length of the errors [m].
    known_break : ndarray of bool, shape (n,), optional
        Stations right above a known structure: always breaks, and in place of any other within `NEAR_KNOWN`
        stations.

    Returns
    -------
    ndarray of bool, shape (n,)

    Notes
    -----
    The means of the elevations above and below a gap differ by the slope and by the step. Divided by its standard
    error, which grows with the distance because of the slope and falls with the number of stations unless errors
    are correlated, it is greatest at the step; of several widths the one where the step stands out most counts.
    None is found right below a confluence: a transect there is cut short where the other stream's ground begins,
    and may read too high.
    """
    score, width = _step_scores(
        np.where(usable, elevation_m, 0.0),
        usable,
        main,
        downstream,
        to_downstream_m,
        slope,
        slope_over_m,
        rmse_m,
        np.full(len(elevation_m), correlation_length_m, dtype=np.float64),
        np.array(WIDTHS),
    )
    is_peak = _peaks(score, width, main, downstream)
    is_peak &= np.bincount(downstream[downstream >= 0], minlength=len(is_peak)) < 2
    is_break = _below_refused(is_peak, elevation_m, usable, downstream)
    return is_break if known_break is None else _giving_way(is_break, known_break, main, downstream)


# The greatest ratio of step to standard error below each station, and the width of its windows [stations].
@kernel(
    takes=(
        "float64[::1], boolean[::1], int32[::1], int32[::1], float64[::1], float64[::1], float64[::1], "
        "float64[::1], float64[::1], int64[::1]"
    ),
)
def _step_scores(
    elevation_m,
    usable,
    main,
    downstream,
    to_downstream_m,
    slope,
    slope_over_m,
    rmse_m,
    correlation_length_m,
    widths,
):
    count = elevation_m.size
    score = np.zeros(count)
    width = np.zeros(count, dtype=np.int64)
    for i in range(count):
        gap_m = to_downstream_m[i]
        if downstream[i] < 0 or main[downstream[i]] != i or gap_m <= 0.0:
            continue
        length_m = correlation_length_m[i]
        rho = np.exp(-gap_m / length_m) if length_m > 0.0 else 0.0
        above, below = i, downstream[i]
        above_m = below_m = way_up_m = way_down_m = 0.0
        up_sum_m = down_sum_m = 0.0
        up = down = 0
        tried = 0
        for station in range(1, widths[-1] + 1):
            if above >= 0:
                if usable[above]:
                    above_m += elevation_m[above]
                    up_sum_m += way_up_m
                    up += 1
                above = main[above]
                if above >= 0:
                    way_up_m += to_downstream_m[above]
            if below >= 0:
                if usable[below]:
                    below_m += elevation_m[below]
                    down_sum_m += way_down_m
                    down += 1
                way_down_m += to_downstream_m[below]
                # Below a confluence with a longer stem the stations are no longer this stream's.
                next_below = downstream[below]
                below = next_below if next_below >= 0 and main[next_below] == below else -1
            if station != widths[tried]:
                continue
            tried += 1
            if up == 0 or down == 0:
                continue
            distance_m = gap_m + up_sum_m / up + down_sum_m / down
            step_m = above_m / up - below_m / down - slope[i] * distance_m
            variance = rmse_m[i] ** 2 * _variance_of_difference(rho, up, down)
            slope_error = SLOPE_ERROR * slope[i]
            if distance_m < MAX_SHARE * slope_over_m[i]:
                rest_m = slope_over_m[i] - distance_m
                slope_error = SLOPE_ERROR * max(slope[i] * rest_m - step_m, 0.0) / slope_over_m[i]
                slope_error = max(slope_error, MIN_SLOPE_ERROR * slope[i])
            variance += (slope_error * distance_m) ** 2
            if step_m >= MIN_STEP_M and step_m > score[i] * np.sqrt(variance):
                score[i] = step_m / np.sqrt(variance) if variance > 0.0 else np.inf
                width[i] = station
    return score, width


# Variance of the difference of the means of two neighbouring runs of a Markov chain of variance 1.
@part
def _variance_of_difference(rho, up, down):
    if rho == 0.0:
        return 1.0 / up + 1.0 / down
    variance = 0.0
    # The sum of rho to the power of the distance, over all pairs across the gap, is a product of two sums.
    across = rho
    for stations in (up, down):
        total, powers, power = float(stations), 1.0, 1.0
        for lag in range(1, stations):
            power *= rho
            powers += power
            total += 2.0 * (stations - lag) * power
        variance += total / stations**2
        across *= powers / stations
    return max(variance - 2.0 * across, 0.0)


# Stations whose score is high enough and the greatest within the width of its windows; of equals the upper one.
@kernel(takes="float64[::1], int64[::1], int32[::1], int32[::1]")
def _peaks(score, width, main, downstream):
    count = score.size
    is_peak = np.zeros(count, dtype=np.bool_)
    for i in range(count):
        if score[i] < MIN_STANDARD_ERRORS:
            continue
        highest = True
        above, below = main[i], downstream[i]
        for _ in range(max(2, width[i])):
            if above >= 0:
                highest &= score[above] < score[i]
                above = main[above]
            if below >= 0:
                highest &= score[below] <= score[i]
                below = downstream[below]
        is_peak[i] = highest
    return is_peak


# Breaks moved down over rejected stations that are no lower than the last valid one above them.
@kernel(takes="boolean[::1], float64[::1], boolean[::1], int32[::1]")
def _below_refused(is_peak, elevation_m, usable, downstream):
    is_break = np.zeros(is_peak.size, dtype=np.bool_)
    for i in range(is_peak.size):
        if not is_peak[i]:
            continue
        head, top_m = i, elevation_m[i]
        foot = downstream[head]
        while usable[i] and not usable[foot] and elevation_m[foot] >= top_m and downstream[foot] >= 0:
            head, foot = foot, downstream[foot]
        is_break[head] = True
    return is_break


# The known breaks, and detected ones that are not near any of them.
@kernel(takes="boolean[::1], boolean[::1], int32[::1], int32[::1]")
def _giving_way(is_break, known_break, main, downstream):
    kept = is_break.copy()
    for i in range(is_break.size):
        if not known_break[i]:
            continue
        above, below = main[i], downstream[i]
        for _ in range(NEAR_KNOWN):
            if above >= 0:
                kept[above] = False
                above = main[above]
            if below >= 0:
                kept[below] = False
                below = downstream[below]
    return kept | known_break


# Segments on each side that the slope there is taken from; a median of three ignores one with a step.
NEIGHBOURS = 3


class Slopes(NamedTuple):
    """Slope of the stream just above and just below the segment that ends at each station, shape (n,) [m/m].

    NaN for the first station of a link. Where there is nothing on one side, it is that of the other side, and
    nought where there is nothing on either.
    """

    above: np.ndarray
    below: np.ndarray


@kernel(takes="float64[::1], int32[::1], float64[::1]")
def slopes_around(profile_m, downstream, segment_m):
    """Slope of the stream around each segment, without the segment itself.

    Parameters
    ----------
    profile_m : ndarray of float64, shape (n,)
        Long profile [m].
    downstream : ndarray of int32, shape (n,)
        Number of the next station downstream, -1 at an outlet; always greater than the station's own.
    segment_m : ndarray of float64, shape (n,)
        Length of the segment that ends at each station [m]; 0 for the first station of a link.

    Returns
    -------
    Slopes
        Medians over up to `NEIGHBOURS` segments: above within the same link, below down the path.
    """
    count = len(profile_m)
    slope_above = np.full(count, np.nan)
    slope_below = np.full(count, np.nan)
    slopes, in_order = np.empty(NEIGHBOURS), np.empty(NEIGHBOURS)
    for station in range(count):
        if segment_m[station] <= 0.0:
            continue
        found = 0
        upper = station - 1
        while found < NEIGHBOURS and segment_m[upper] > 0.0:
            slopes[found] = (profile_m[upper - 1] - profile_m[upper]) / segment_m[upper]
            found += 1
            upper -= 1
        above = median_of(slopes, found, in_order) if found > 0 else np.nan
        found = 0
        lower = station
        while found < NEIGHBOURS and downstream[lower] >= 0:
            following = downstream[lower]
            if segment_m[following] > 0.0:
                slopes[found] = (profile_m[lower] - profile_m[following]) / segment_m[following]
                found += 1
            lower = following
        below = median_of(slopes, found, in_order) if found > 0 else above
        if np.isnan(above):
            above = below
        slope_above[station] = 0.0 if np.isnan(above) else above
        slope_below[station] = 0.0 if np.isnan(below) else below
    return Slopes(slope_above, slope_below)


def find_steps(profile_m, drop_se_m, slopes, segment_m, *, min_m, standard_errors):
    """Segments that fall more than the stream around them, by more than an amount and more than errors explain.

    Parameters
    ----------
    profile_m, segment_m : ndarray of float64, shape (n,)
        As in `slopes_around` [m].
    drop_se_m : ndarray of float64, shape (n,)
        Standard error of the fall within the segment that ends at each station [m].
    slopes : Slopes
    min_m : float
        Least excess [m].
    standard_errors : float
        Least excess in standard errors of the fall.

    Returns
    -------
    stations : ndarray of int64, shape (k,)
        The segments with a step.
    excess_m : ndarray of float64, shape (k,)
        By how much each falls more than the mean of the slopes on its two sides would let it [m].

    Notes
    -----
    The first segment of a link is passed over: at a confluence the transect is cut short where the other stream's
    ground begins, so that the station there may read too high. Where within its segment a step stands is not
    known; the slopes on both sides count half each. A weir's pond is level, so that the excess is a cautious
    figure where the pond is shorter than `NEIGHBOURS` segments.
    """
    fall_m = np.zeros(len(profile_m))
    fall_m[1:] = profile_m[:-1] - profile_m[1:]
    excess_m = fall_m - 0.5 * (slopes.above + slopes.below) * segment_m
    begins = np.append(True, segment_m[:-1] <= 0)
    is_step = (segment_m > 0) & ~begins & (excess_m >= min_m) & (excess_m >= standard_errors * drop_se_m)
    stations = np.flatnonzero(is_step)
    return stations, excess_m[stations]


# Cells that differ by less are equal: rounding of 32-bit elevations and of feet [m].
LEVEL_M = 0.001
# A DEM whose elevations are all multiples of this step shows no level water [its own unit].
COARSE_STEP = 0.1


def is_coarse(elevation):
    """Whether all elevations are whole multiples of `COARSE_STEP`, so that equal ones do not indicate level water.

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


@kernel(takes="float64[::1], int32[::1], float64[::1], float64[::1], float64")
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
        True for the segment that ends at a station. A lake with several inflows is one stretch.
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
