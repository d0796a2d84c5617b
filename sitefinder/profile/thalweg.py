"""Location of the channel next to the drawn line: transects, banks and the lowest ground of the stream."""

from typing import NamedTuple

import numpy as np
import shapely

from sitefinder.compiled import kernel, part


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


def bank_heights(elevation_m, owned, offset_m, *, step_m):
    """Height of the lower bank above the channel at each station.

    Parameters
    ----------
    elevation_m : ndarray of float64, shape (n, m)
        The DEM's own cells on each transect [m], from right to left, the station in the middle column; NaN where
        there is no data.
    owned : ndarray of bool, shape (n, m)
        See `sitefinder.profile.thalweg.owned_points`: ground nearer to another stream is not a bank of this one.
    offset_m : ndarray of float64, shape (n,)
        Offset of the channel from the station, to the left positive [m].
    step_m : float
        Distance between points [m].

    Returns
    -------
    ndarray of float64, shape (n,)
        Highest cell on each side of the channel within the transect, the lower of the two, above the lowest cell
        of the transect [m]. An unknown side is left out; infinite where both are unknown.
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


# A channel must lie lower than the drawn line by this slope before a station looks away from the line for it, so
# that noise on a flat floor leaves it near the line (own choice).
MIN_FALL_TO_CHANNEL = 0.01
# Points of another stream's ground so near to one's own are looked at: a cell is crossed in three half cells.
POINTS_BESIDE = 3
# Distances nearer to each other than this are a tie [m].
TIE_M = 1e-6


class Channels(NamedTuple):
    """The channel at each of n stations.

    ``raw_m`` is its elevation [m] (NaN where there is no data, or where the transect ends in another stream's
    ground before it comes to the channel), ``x_m``, ``y_m`` its place, ``offset_m`` how far
    it lies from the line, to the left of the flow positive. ``doubtful`` is True where the ground still falls at
    the end of the transect, so that the channel may be beyond it. ``bank_height_m`` is how high the lower bank
    stands above it [m], infinite where nothing is known of the banks, see `sitefinder.profile.thalweg`.
    """

    raw_m: np.ndarray
    x_m: np.ndarray
    y_m: np.ndarray
    offset_m: np.ndarray
    doubtful: np.ndarray
    bank_height_m: np.ndarray


def owned_points(x_m, y_m, link, segments, links):
    """Which points of each transect are nearer to their own stream than to any other that is not part of it.

    Parameters
    ----------
    x_m, y_m : ndarray of float64, shape (n, m)
        Points of the transects, the station in the middle column.
    link : ndarray of int, shape (n,)
        Link of each station.
    segments : DataFrame
        Columns ``link`` and ``geometry``: all pieces of stream.
    links : DataFrame
        Columns ``geometry``, ``downstream_link``, ``main_upstream`` and ``is_divergence``, a row a link.

    Returns
    -------
    ndarray of bool, shape (n, m)
        True in the middle column always. A point as near to another link as to its own counts as its own, so that
        a transect where two links follow each other is whole.

    Notes
    -----
    Without this a station of a tributary just above the confluence would take the main stem, which lies lower,
    for its own channel. The main stem lies lower than what joins it, so that the ground of a tributary at either
    end of its link, and that of the links that carry the stem on, do no harm to it, and are its own too.
    """
    points = shapely.points(x_m, y_m)
    lines = segments["geometry"].to_numpy()
    (row, nearest), distance = shapely.STRtree(lines).query_nearest(
        points.ravel(), return_distance=True, all_matches=False
    )
    own = np.repeat(link, x_m.shape[1])
    owned = np.zeros(points.size, dtype=bool)
    owned[row] = _of_one_stem(own[row], segments["link"].to_numpy()[nearest], links)
    asked = row[~owned[row]]
    to_own = shapely.distance(points.ravel()[asked], links["geometry"].to_numpy()[own[asked]])
    to_nearest = np.empty(points.size)
    to_nearest[row] = distance
    owned[asked] = to_own <= to_nearest[asked] + TIE_M
    owned = owned.reshape(x_m.shape)
    owned[:, x_m.shape[1] // 2] = True
    return owned


# Whether the ground of another link is a link's own too: of what joins it at its upper end, and, if it carries the
# main stem on, of the link below and of what else joins that. Not of a side arm, which may run beside a weir and
# lie lower.
def _of_one_stem(own, other, links):
    downstream, main = links["downstream_link"].to_numpy(), links["main_upstream"].to_numpy()
    below = downstream[own]
    carries_on = (below >= 0) & (main[below] == own)
    joins = (downstream[other] == own) | (carries_on & (downstream[other] == below))
    joins &= ~links["is_divergence"].to_numpy()[other]
    return (other == own) | joins | (carries_on & (other == below))


def find_channels(x_m, y_m, elevation_m, owned, *, step_m, min_bank_m=np.inf) -> Channels:
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
    min_bank_m : float or ndarray of float64, shape (n,)
        Height from which ground on both sides of a cell makes it a channel between banks [m], well above the noise
        of the DEM. Infinite where no ground does.

    Returns
    -------
    Channels

    Notes
    -----
    The elevation is that of the lowest cell; the place is where elevation and distance together are least, a metre
    of distance counting as `MIN_FALL_TO_CHANNEL` metres of elevation. Of equals the one nearer to the station is
    taken, then the one to the right.

    Where there are channels between banks, the ground outside the lowest of them is left out. Ground that falls
    towards the end of the transect behind a bank is the hillside below a pond or a mill leat, or where the stream
    itself comes by again farther down.

    Near a confluence the channel may be on ground nearer to the other stream's line. Where a stream's own
    ground still falls at the border of the other's, its lowest cell is a bank, metres too high, and its elevation
    is not given; the long profile is then carried over the station.
    """
    columns = x_m.shape[1]
    middle = columns // 2
    offset = (np.arange(columns) - middle) * step_m
    nearest_first = np.argsort(np.abs(offset), kind="stable")
    known = owned & ~np.isnan(elevation_m)
    min_bank_m = np.full(len(elevation_m), min_bank_m, dtype=np.float64)
    between = _between_banks(np.where(known, elevation_m, np.nan), min_bank_m)
    ground = np.where(known & between, elevation_m, np.inf)
    lowest = ground.min(axis=1)
    felt = (ground + MIN_FALL_TO_CHANNEL * np.abs(offset))[:, nearest_first]
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


# The cells of the lowest channel that has banks on both sides, from bank to bank; all where there is none. Unknown
# ground ends the transect.
@kernel(takes="float64[:, ::1], float64[::1]")
def _between_banks(elevation_m, min_bank_m):
    count, columns = elevation_m.shape
    between = np.ones(elevation_m.shape, dtype=np.bool_)
    for i in range(count):
        lowest_m, first, last = np.inf, 0, columns - 1
        for bed in range(columns):
            bed_m = elevation_m[i, bed]
            if not bed_m < lowest_m:
                continue
            left = _bank(elevation_m[i], bed, -1, min_bank_m[i])
            right = _bank(elevation_m[i], bed, 1, min_bank_m[i])
            if left >= 0 and right >= 0:
                lowest_m, first, last = bed_m, left, right
        for cell in range(columns):
            between[i, cell] = first <= cell <= last
    return between


# The first cell to a side that stands high enough above the bed, -1 where the ground falls below the bed before.
@part
def _bank(elevation_m, bed, side, min_bank_m):
    at = bed + side
    while 0 <= at < elevation_m.size and elevation_m[at] >= elevation_m[bed]:
        if elevation_m[at] - elevation_m[bed] >= min_bank_m:
            return at
        at += side
    return -1


# Whether ground of another stream next to the lowest own cell is lower still.
def _falls_on_beyond(elevation_m, owned, lowest_m):
    is_lowest = owned & (elevation_m == lowest_m[:, None])
    is_lower = ~owned & (elevation_m < lowest_m[:, None])
    falls = np.zeros(len(elevation_m), dtype=bool)
    for apart in range(1, POINTS_BESIDE + 1):
        falls |= (is_lowest[:, apart:] & is_lower[:, :-apart]).any(axis=1)
        falls |= (is_lowest[:, :-apart] & is_lower[:, apart:]).any(axis=1)
    return falls
