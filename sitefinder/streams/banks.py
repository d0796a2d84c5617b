"""How high the banks stand above the channel, as far as the transects show them."""

import numpy as np


def bank_heights(elevation_m, owned, offset_m, *, step_m):
    """Height of the lower bank above the channel at each station.

    Parameters
    ----------
    elevation_m : ndarray of float64, shape (n, m)
        The DEM's own cells on each transect [m], from right to left, the station in the middle column; NaN where
        there is no data.
    owned : ndarray of bool, shape (n, m)
        See `sitefinder.streams.channels.owned_points`: ground nearer to another stream is no bank of this one.
    offset_m : ndarray of float64, shape (n,)
        How far the channel lies from the station, to the left positive [m].
    step_m : float
        Distance between points [m].

    Returns
    -------
    ndarray of float64, shape (n,)
        Highest cell on each side of the channel within the transect, the lower of the two, above the lowest cell
        of the transect [m]. A side of which nothing is known is left out; infinite where neither is known.
    """
    columns = elevation_m.shape[1]
    place = np.arange(columns) - columns // 2
    channel = np.round(np.asarray(offset_m) / step_m).astype(np.int64)
    known = owned & ~np.isnan(elevation_m)
    lowest = np.where(known, elevation_m, np.inf).min(axis=1)
    sides = [
        np.where(known & side, elevation_m, -np.inf).max(axis=1)
        for side in (place < channel[:, None], place > channel[:, None])
    ]
    lower = np.min([np.where(np.isinf(side), np.inf, side) for side in sides], axis=0)
    return np.where(np.isfinite(lower), lower - np.where(np.isfinite(lowest), lowest, 0.0), np.inf)
