"""Steps of the long profile: drops within one segment that the slope around them does not explain."""

from typing import NamedTuple

import numpy as np

from sitefinder.compiled import kernel
from sitefinder.streams.medians import median_of

# Segments on each side that the slope there is taken from; a median of three is deaf to one that holds a step.
NEIGHBOURS = 3


class Slopes(NamedTuple):
    """Slope of the stream just above and just below the segment that ends at each station, shape (n,) [m/m].

    NaN for the first station of a link. Where there is nothing on one side, it is that of the other side, and
    nought where there is nothing on either.
    """

    above: np.ndarray
    below: np.ndarray


@kernel
def slopes_around(profile_m, downstream, segment_m):
    """Slope of the stream around each segment, the segment itself left out.

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


def find_steps(profile_m, drop_se_m, slopes, segment_m, *, least_m, standard_errors):
    """Segments that fall more than the stream around them, by more than an amount and more than errors explain.

    Parameters
    ----------
    profile_m, segment_m : ndarray of float64, shape (n,)
        As in `slopes_around` [m].
    drop_se_m : ndarray of float64, shape (n,)
        Standard error of the fall within the segment that ends at each station [m].
    slopes : Slopes
    least_m : float
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
    is_step = (segment_m > 0) & ~begins & (excess_m >= least_m) & (excess_m >= standard_errors * drop_se_m)
    stations = np.flatnonzero(is_step)
    return stations, excess_m[stations]
