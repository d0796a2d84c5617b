"""Where elevations are read: points across the stream at each station, and the channel among them."""

import numpy as np


def transect_points(stations, *, half_width_m, step_m):
    """Points across the stream at each station.

    Parameters
    ----------
    stations : DataFrame
        Columns ``x_m``, ``y_m``, ``direction_x``, ``direction_y``, n rows.
    half_width_m : float
        Reach to each side [m].
    step_m : float
        Distance between points [m]; the station itself is always one of them.

    Returns
    -------
    x_m, y_m : ndarray of float64, shape (n, 2k + 1)
        From the right bank's side to the left's.
    """
    count = int(np.floor(half_width_m / step_m + 1e-9))
    offset = np.arange(-count, count + 1) * step_m
    x = stations["x_m"].to_numpy()[:, None] - stations["direction_y"].to_numpy()[:, None] * offset
    y = stations["y_m"].to_numpy()[:, None] + stations["direction_x"].to_numpy()[:, None] * offset
    return x, y


def channel_elevation(elevation_m):
    """Elevation of the channel on each transect: its lowest cell.

    Parameters
    ----------
    elevation_m : ndarray of float, shape (n, m)
        Cells on each transect [m], NaN where there is no data.

    Returns
    -------
    channel_m : ndarray of float64, shape (n,)
        NaN where the whole transect has no data.
    offset : ndarray of int, shape (n,)
        Column of the lowest cell; of equal ones the nearest to the middle, then the lower column.

    Notes
    -----
    The lowest of several noisy cells lies below the true channel by an amount that depends on their number;
    all transects have the same number, so that the amount falls out of differences.
    """
    middle = elevation_m.shape[1] // 2
    nearest_first = np.argsort(np.abs(np.arange(elevation_m.shape[1]) - middle), kind="stable")
    filled = np.where(np.isnan(elevation_m), np.inf, elevation_m)[:, nearest_first]
    column = nearest_first[np.argmin(filled, axis=1)]
    lowest = filled.min(axis=1)
    return np.where(np.isinf(lowest), np.nan, lowest), column
