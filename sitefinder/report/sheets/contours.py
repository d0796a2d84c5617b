"""Contours of the ground on a site's map, as far apart as the DEM's error allows."""

import numpy as np
import shapely

# Interval of contours over the DEM's root-mean-square error, so that nine in ten heights lie within half an
# interval of their line: FGDC-STD-007.3-1998, National Standard for Spatial Data Accuracy, appendix 3-D (from
# memory).
INTERVAL_OF_ERROR = 3.29
INTERVALS_M = (1.0, 2.0, 5.0, 10.0, 20.0, 50.0, 100.0, 200.0, 500.0)
# Lines on one map (own choice): more hide what the map is about.
MOST_LINES, FEWEST_LINES = 14, 2


def contour_interval_m(range_m, rmse_m):
    """Interval of the contours of a map.

    Parameters
    ----------
    range_m : float
        Highest minus lowest level on the map [m].
    rmse_m : float
        Root-mean-square error of the DEM [m].

    Returns
    -------
    float or None
        None where the DEM's error would be most of the difference between two lines, or fewer than two lines fit.

    Examples
    --------
    >>> contour_interval_m(40.0, 0.3), contour_interval_m(40.0, 0.7), contour_interval_m(40.0, 10.0)
    (5.0, 5.0, None)
    >>> contour_interval_m(9.0, 0.3), contour_interval_m(9.0, 0.7)
    (1.0, None)
    """
    if not np.isfinite(range_m) or not np.isfinite(rmse_m):
        return None
    least_m = max(INTERVAL_OF_ERROR * rmse_m, range_m / MOST_LINES)
    interval_m = next((step for step in INTERVALS_M if step >= least_m), None)
    return interval_m if interval_m is not None and range_m >= FEWEST_LINES * interval_m else None


def contours(level_m, x_m, y_m, interval_m):
    """Lines of equal level.

    Parameters
    ----------
    level_m : ndarray of float64, shape (rows, columns)
        Level at the middle of each cell [m]; NaN where it is not known.
    x_m, y_m : ndarray of float64
        Easting of columns and northing of rows [m].
    interval_m : float

    Returns
    -------
    list of LineString
        At whole multiples of the interval, lowest first; none crosses ground that is not known.
    """
    import contourpy  # noqa: PLC0415 - only maps of sites need it

    if min(level_m.shape) < 2 or not np.isfinite(level_m).any():
        return []
    generator = contourpy.contour_generator(x_m, y_m, np.ma.masked_invalid(level_m))
    first, last = np.nanmin(level_m) / interval_m, np.nanmax(level_m) / interval_m
    levels = np.arange(np.ceil(first), np.floor(last) + 1) * interval_m
    return [shapely.LineString(line) for level in levels for line in generator.lines(level) if len(line) > 1]
