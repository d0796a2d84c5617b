"""The depleted reach of a diversion: the flow left in the stream between intake and tailrace, and its depth."""

from typing import NamedTuple

import numpy as np

from sitefinder.siting.profiles import path_down
from sitefinder.vocabulary import ABOVE_TAILRACE, BELOW_INTAKE, BELOW_TRIBUTARY

# By this share of the year a stream must be shallow for longer than without the plant to be flagged (own choice).
SHALLOW_FOR_LONGER = 0.1


class Path(NamedTuple):
    """Stations of a depleted reach from the intake down, their distance from it [m], and which tributaries join.

    ``joins`` is True where a tributary joins above the station and below the one before it.
    """

    station: np.ndarray
    distance_m: np.ndarray
    joins: np.ndarray


def depleted_path(intake, tailrace, downstream, to_downstream_m):
    """The depleted reach between two stations.

    Parameters
    ----------
    intake, tailrace : int
        Numbers of the stations.
    downstream : ndarray of int, shape (n,)
        Number of the next station downstream, -1 at an outlet; always greater than the station's own.
    to_downstream_m : ndarray of float64, shape (n,)
        Distance to it [m].

    Returns
    -------
    Path

    Raises
    ------
    ValueError
        If the tailrace is not downstream of the intake.

    Examples
    --------
    A tributary, station 2, joins at station 3:

    >>> downstream = np.array([1, 3, 3, 4, -1])
    >>> depleted_path(0, 4, downstream, np.full(5, 50.0)).joins.tolist()
    [False, False, True, False]
    """
    station = np.asarray(path_down(intake, tailrace, downstream), dtype=np.int64)
    distance_m = np.concatenate([[0.0], np.cumsum(np.asarray(to_downstream_m, dtype=np.float64)[station[:-1]])])
    upper = np.bincount(downstream[downstream >= 0], minlength=len(downstream))
    joins = upper[station] > 1
    joins[0] = False
    return Path(station, distance_m, joins)


def places_of(path):
    """The places of a depleted reach that are listed.

    Parameters
    ----------
    path : Path

    Returns
    -------
    rows : ndarray of int64
        Of the path, from the intake down.
    kinds : list of str
        Of `sitefinder.vocabulary.DEPLETED_PLACES`.
    """
    last = len(path.station) - 1
    kind = {0: BELOW_INTAKE}
    kind |= dict.fromkeys(np.flatnonzero(path.joins).tolist(), BELOW_TRIBUTARY)
    # What joins at the tailrace is listed as that.
    kind[last] = ABOVE_TAILRACE
    return np.array(list(kind), dtype=np.int64), list(kind.values())


def flow_left_m3s(intake_m3s, used_m3s, natural_m3s):
    """Flow left at places of a depleted reach.

    Parameters
    ----------
    intake_m3s : ndarray of float64, shape (bins,)
        Flow at the intake in bins of equal time [m³/s].
    used_m3s : ndarray of float64, shape (bins,)
        What the turbines take of it [m³/s].
    natural_m3s : ndarray of float64, shape (k, bins)
        Flow at each place in the same bins without the plant [m³/s].

    Returns
    -------
    ndarray of float64, shape (k, bins)
        What passes the intake and what joins below it [m³/s].

    Notes
    -----
    High and low water are taken to come at the same time at the intake and in what joins, as along one stream. A
    place where less would flow than at the intake, which separate estimates can give, gets nothing from below.

    Examples
    --------
    Half of 2 m³/s is used, and a tributary brings 0.5 m³/s:

    >>> flow_left_m3s(np.array([2.0]), np.array([1.0]), np.array([[2.0], [2.5]])).tolist()
    [[1.0], [1.5]]
    """
    joined = np.maximum(natural_m3s - intake_m3s, 0.0)
    return np.maximum(intake_m3s - used_m3s, 0.0) + joined


def share_of_time_shallow(depth_m, min_depth_m):
    """Share of the time in which the mean depth is below a minimum anywhere along a reach.

    Parameters
    ----------
    depth_m : ndarray of float64, shape (k, bins)
        At each place in bins of equal time [m]; places without a depth (NaN) do not count.
    min_depth_m : float
        [m].

    Returns
    -------
    float
        NaN where no depth is known.

    Examples
    --------
    >>> share_of_time_shallow(np.array([[0.3, 0.1], [0.5, 0.4]]), 0.2)
    0.5
    """
    known = depth_m[np.isfinite(depth_m).all(axis=1)]
    return float((known < min_depth_m).any(axis=0).mean()) if len(known) else np.nan


def exceeded_m3s(flow_m3s, share):
    """Flow that is equalled or exceeded for a share of the time.

    Parameters
    ----------
    flow_m3s : ndarray of float64, shape (bins,)
        In bins of equal time, in any order [m³/s].
    share : float
        From 0 to 1.

    Returns
    -------
    float
        [m³/s], between bins by their middles.
    """
    return float(np.quantile(flow_m3s, 1.0 - share, method="hazen"))
