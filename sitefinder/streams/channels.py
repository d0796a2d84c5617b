"""Where the channel runs beside the drawn line: the lowest of each transect's ground that is the stream's own."""

from typing import NamedTuple

import numpy as np
import shapely

from sitefinder.streams.banks import bank_heights

# A channel must lie lower than the drawn line by this slope before a station looks away from the line for it, so
# that noise on a flat floor leaves it near the line (own choice).
LEAST_FALL_TO_CHANNEL = 0.01
# Points of another stream's ground so near to one's own are looked at: a cell is crossed in three half cells.
POINTS_BESIDE = 3
# Distances nearer to each other than this are a tie [m].
TIE_M = 1e-6


class Channels(NamedTuple):
    """The channel at each of n stations.

    ``raw_m`` is its elevation [m] (NaN where there is no data, or where the transect ends in another stream's
    ground before it comes to the channel), ``x_m``, ``y_m`` its place, ``offset_m`` how far
    it lies from the line, to the left of the flow positive. ``doubtful`` is True where the ground still falls at
    the end of the transect, so that the channel may lie beyond. ``bank_height_m`` is how high the lower bank
    stands above it [m], infinite where nothing is known of the banks, see `sitefinder.streams.banks`.
    """

    raw_m: np.ndarray
    x_m: np.ndarray
    y_m: np.ndarray
    offset_m: np.ndarray
    doubtful: np.ndarray
    bank_height_m: np.ndarray


def owned_points(x_m, y_m, link, segments, link_lines):
    """Which points of each transect are nearer to their own stream than to any other.

    Parameters
    ----------
    x_m, y_m : ndarray of float64, shape (n, m)
        Points of the transects, the station in the middle column.
    link : ndarray of int, shape (n,)
        Link of each station.
    segments : DataFrame
        Columns ``link`` and ``geometry``: all pieces of stream.
    link_lines : ndarray of LineString
        Line of each link.

    Returns
    -------
    ndarray of bool, shape (n, m)
        True in the middle column always. A point as near to another link as to its own counts as its own, so that
        a transect where two links follow each other is whole.

    Notes
    -----
    Without this a station of a tributary just above the confluence would take the main stem, which lies lower,
    for its own channel.
    """
    points = shapely.points(x_m, y_m)
    lines = segments["geometry"].to_numpy()
    (row, nearest), distance = shapely.STRtree(lines).query_nearest(
        points.ravel(), return_distance=True, all_matches=False
    )
    own = np.repeat(link, x_m.shape[1])
    owned = np.zeros(points.size, dtype=bool)
    owned[row] = segments["link"].to_numpy()[nearest] == own[row]
    asked = row[~owned[row]]
    to_own = shapely.distance(points.ravel()[asked], link_lines[own[asked]])
    to_nearest = np.empty(points.size)
    to_nearest[row] = distance
    owned[asked] = to_own <= to_nearest[asked] + TIE_M
    owned = owned.reshape(x_m.shape)
    owned[:, x_m.shape[1] // 2] = True
    return owned


def find_channels(x_m, y_m, elevation_m, owned, *, step_m):
    """The channel on each transect.

    Parameters
    ----------
    x_m, y_m : ndarray of float64, shape (n, m)
        Points of the transects, from right to left, the station in the middle column.
    elevation_m : ndarray of float64, shape (n, m)
        The DEM's own cells there [m], NaN where there is no data.
    owned : ndarray of bool, shape (n, m)
        See `owned_points`.
    step_m : float
        Distance between points [m].

    Returns
    -------
    Channels

    Notes
    -----
    The elevation is that of the lowest cell; the place is where elevation and distance together are least, a metre
    of distance counting as `LEAST_FALL_TO_CHANNEL` metres of elevation. Of equals the one nearer to the station is
    taken, then the one to the right.

    Near a confluence the channel may lie in ground that is nearer to the other stream's line. Where a stream's own
    ground still falls at the border of the other's, its lowest cell is a bank, metres too high, and its elevation
    is not given; the long profile is then carried over the station.
    """
    columns = x_m.shape[1]
    middle = columns // 2
    offset = (np.arange(columns) - middle) * step_m
    nearest_first = np.argsort(np.abs(offset), kind="stable")
    ground = np.where(owned & ~np.isnan(elevation_m), elevation_m, np.inf)
    lowest = ground.min(axis=1)
    felt = (ground + LEAST_FALL_TO_CHANNEL * np.abs(offset))[:, nearest_first]
    column = nearest_first[np.argmin(felt, axis=1)]
    known = np.isfinite(lowest)
    column = np.where(known, column, middle)
    rows = np.arange(len(x_m))
    at_end = (column == 0) | (column == columns - 1)
    return Channels(
        np.where(known & ~_falls_on_beyond(elevation_m, owned, lowest), lowest, np.nan),
        x_m[rows, column],
        y_m[rows, column],
        offset[column],
        known & at_end,
        bank_heights(elevation_m, owned, offset[column], step_m=step_m),
    )


# Whether ground of another stream right beside the lowest own cell lies lower still.
def _falls_on_beyond(elevation_m, owned, lowest_m):
    is_lowest = owned & (elevation_m == lowest_m[:, None])
    is_lower = ~owned & (elevation_m < lowest_m[:, None])
    falls = np.zeros(len(elevation_m), dtype=bool)
    for apart in range(1, POINTS_BESIDE + 1):
        falls |= (is_lowest[:, apart:] & is_lower[:, :-apart]).any(axis=1)
        falls |= (is_lowest[:, :-apart] & is_lower[:, apart:]).any(axis=1)
    return falls
