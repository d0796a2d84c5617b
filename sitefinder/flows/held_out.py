"""What an equation is worth where it has not seen the country: gauges and whole neighbourhoods held out."""

import math
from typing import NamedTuple

import numpy as np
from scipy import stats
from scipy.cluster.hierarchy import fcluster, linkage

from sitefinder.flows.equations import INTERVAL_SHARE

# Fewer groups than this say little of country unseen; each gauge is then a group of its own (own choice: a region
# of 25 gauges, the least by default, still has so many when one of its own groups of five is held out).
LEAST_GROUPS = 4
# With fewer neighbourhoods than this, what they show is too little to excuse an interval that holds under nine of
# ten; with more, one standard error of that share is granted to chance (own choice: on the 671 gauges of
# tests/benchmarks/flow_holdout.py it was regions of few neighbourhoods that missed most unseen).
TELLING_GROUPS = 10
EARTH_RADIUS_KM = 6371.0088


class HeldOut(NamedTuple):
    """Each gauge seen from a fit without its group, logs to base 10; NaN where that fit was impossible.

    ``half_width`` is that of the 90 % interval, and ``covered`` whether it holds the gauge.
    """

    residuals: np.ndarray
    half_width: np.ndarray
    covered: np.ndarray


def places_km(x, y, is_geographic):
    """Places in space [km], so that their straight distances serve as distances on the ground.

    Parameters
    ----------
    x, y : ndarray, shape (n,)
        Eastings and northings [m], or longitudes and latitudes [degrees].
    is_geographic : bool
        Whether they are degrees.

    Returns
    -------
    ndarray, shape (n, 2) or (n, 3)
        On a sphere of the mean radius, a chord is short of the arc by 0.4 % at 2000 km.
    """
    if not is_geographic:
        return np.column_stack([x, y]) / 1000.0
    longitude, latitude = np.radians(x), np.radians(y)
    east = np.cos(latitude) * np.cos(longitude), np.cos(latitude) * np.sin(longitude)
    return EARTH_RADIUS_KM * np.column_stack([*east, np.sin(latitude)])


def neighbour_groups(places, group_size):
    """Groups of neighbouring gauges of about one size.

    Parameters
    ----------
    places : ndarray, shape (n, d)
        As of `places_km`.
    group_size : int
        Gauges in a group on average.

    Returns
    -------
    ndarray of int, shape (n,)
        The group of each gauge, from Ward's hierarchical clustering, which makes groups of like size; every gauge
        alone where fewer than four groups would come of it.

    Examples
    --------
    >>> towns = np.array([0.0, 1.0, 30.0, 31.0, 60.0, 61.0, 90.0, 91.0, 120.0, 121.0])
    >>> neighbour_groups(towns[:, None], 2).tolist() == [1, 1, 2, 2, 3, 3, 4, 4, 5, 5]
    True
    """
    count = round(len(places) / group_size)
    if count < LEAST_GROUPS or group_size == 1:
        return np.arange(1, len(places) + 1)
    found = fcluster(linkage(places, method="ward"), count, criterion="maxclust")
    # Numbered in the order of the rows, whatever order the tree was cut in.
    return np.unique(found, return_index=True)[1].argsort().argsort()[found - 1] + 1


def hold_out(fit, design, response, groups):
    """Every group seen from a fit without it.

    Parameters
    ----------
    fit : callable
        Takes the rows kept (bool, shape (n,)) and gives a `sitefinder.flows.regression.LeastSquares`, or None.
    design : ndarray, shape (n, k)
    response : ndarray, shape (n,)
    groups : ndarray of int, shape (n,)

    Returns
    -------
    HeldOut
    """
    rows, columns = design.shape
    residuals, half_width = np.full(rows, np.nan), np.full(rows, np.nan)
    for group in np.unique(groups):
        kept = groups != group
        without = fit(kept) if kept.sum() > columns + 1 else None
        if without is None:
            continue
        rest = design[~kept]
        own = np.einsum("ij,jk,ik->i", rest, without.covariance, rest)
        factor = stats.t.ppf(0.5 + INTERVAL_SHARE / 2, int(kept.sum()) - columns)
        residuals[~kept] = response[~kept] - rest @ without.coefficients
        half_width[~kept] = factor * np.sqrt(without.model_error_variance + own)
    return HeldOut(residuals, half_width, np.abs(residuals) <= half_width)


def interval_widening(held_out, groups):
    """Factor on the interval's half width in logs with which it holds nine of ten gauges unseen.

    Parameters
    ----------
    held_out : HeldOut
    groups : ndarray of int, shape (n,)
        Those that were held out together.

    Returns
    -------
    float
        1 where the interval held enough as it is: nine of ten, or with ten groups and more no further under that
        than one standard error of the share. It is never narrowed.

    Notes
    -----
    Else the factor is the ⌈0.9 (n + 1)⌉th smallest of the residuals over their half widths, the rule of split
    conformal prediction (Lei, G'Sell, Rinaldo, Tibshirani & Wasserman 2018, J. Am. Stat. Assoc. 113:1094-1111,
    from memory), with whole neighbourhoods held out. Which gauges of a group are alike is not corrected for.
    """
    ratio = np.sort(np.abs(held_out.residuals / held_out.half_width))
    ratio = ratio[np.isfinite(ratio)]
    if ratio.size == 0:
        return 1.0
    chance = math.sqrt(INTERVAL_SHARE * (1.0 - INTERVAL_SHARE) / ratio.size)
    granted = chance if len(np.unique(groups)) >= TELLING_GROUPS else 0.0
    if np.mean(ratio <= 1.0) >= INTERVAL_SHARE - granted:
        return 1.0
    return max(1.0, float(ratio[widening_place(ratio.size) - 1]))


def widening_place(gauges):
    """How many of so many gauges unseen an interval should hold for nine in ten of those to come.

    Examples
    --------
    >>> widening_place(33), widening_place(8)
    (31, 8)
    """
    return min(math.ceil(INTERVAL_SHARE * (gauges + 1)), gauges)
