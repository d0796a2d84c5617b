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
