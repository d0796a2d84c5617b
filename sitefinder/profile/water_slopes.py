"""Slope of the water surface along a stream, without the drops of weirs and falls."""

from typing import NamedTuple

import numpy as np

from sitefinder.compiled import kernel
from sitefinder.profile.errors import head_standard_error


class WaterSlopes(NamedTuple):
    """Slope of the water surface about each of n stations, and the length of stream over which it is taken.

    ``slope`` [m/m] and ``over_m`` [m] are NaN where no length resolves the slope.
    """

    slope: np.ndarray
    over_m: np.ndarray


def water_slopes(
    profile_m, errors_m, main, downstream, to_downstream_m, is_drop, lengths_m, min_length_m, standard_errors
) -> WaterSlopes:
    """Slope of the water surface over the shortest of several lengths that resolves it.

    Parameters
    ----------
    profile_m : ndarray of float64, shape (n,)
        The long profile [m]; NaN on whole trees of streams of which no elevation is known.
    errors_m : ndarray of float32, shape (n, simulations)
        Simulated errors of it [m].
    main, downstream : ndarray of int32, shape (n,)
        See `sitefinder.network.ordering.main_upstream`.
    to_downstream_m : ndarray of float64, shape (n,)
        Distance to the next station [m].
    is_drop : ndarray of bool, shape (n,)
        True where the way to the next station holds a weir, a fall or standing water: no slope is taken across.
    lengths_m : sequence of float
        Lengths to take slopes over, rising [m].
    min_length_m : ndarray of float64, shape (n,)
        Minimum length at each station, such as some widths of the stream [m].
    standard_errors : float
        Minimum ratio of the fall over that length to its standard error.

    Returns
    -------
    WaterSlopes

    Notes
    -----
    The length is centred on the station where it can be, and ends at drops and confluences with a longer stem:
    what is cut off on one side is added on the other. A length that finds no room gives no slope. Only the stem
    that a station is on is looked at.
    """
    count = len(profile_m)
    found = WaterSlopes(np.full(count, np.nan), np.full(count, np.nan))
    open_rows = np.arange(count)
    for length_m in lengths_m:
        wanted_m = np.maximum(length_m, np.nan_to_num(min_length_m[open_rows]))
        upper, lower, over_m = _windows(open_rows, wanted_m, main, downstream, to_downstream_m, is_drop)
        fall_m = profile_m[upper] - profile_m[lower]
        se_m = head_standard_error(errors_m, upper, lower)
        resolved = (over_m >= wanted_m) & (fall_m > 0) & (fall_m >= standard_errors * se_m)
        rows = open_rows[resolved]
        found.slope[rows], found.over_m[rows] = fall_m[resolved] / over_m[resolved], over_m[resolved]
        open_rows = open_rows[~resolved]
    return found


# Ends and length of the stretch about each row that is as long as wanted, or as long as there is room.
@kernel
def _windows(rows, wanted_m, main, downstream, to_downstream_m, is_drop):
    upper, lower, over_m = np.empty_like(rows), np.empty_like(rows), np.zeros(rows.size)
    for place in range(rows.size):
        top = bottom = rows[place]
        up_m = down_m = 0.0
        while up_m + down_m < wanted_m[place]:
            above, below = main[top], downstream[bottom]
            can_up = above >= 0 and not is_drop[above]
            can_down = below >= 0 and main[below] == bottom and not is_drop[bottom]
            if can_up and (up_m <= down_m or not can_down):
                up_m += to_downstream_m[above]
                top = above
            elif can_down:
                down_m += to_downstream_m[bottom]
                bottom = below
            else:
                break
        upper[place], lower[place], over_m[place] = top, bottom, up_m + down_m
    return upper, lower, over_m
