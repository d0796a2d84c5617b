"""Passage of fish up one barrier: by its drop where fish leap it, or by a fish pass that they find and get up."""

from typing import NamedTuple

import numpy as np

from sitefinder.units import GRAVITY_M_S2
from sitefinder.vocabulary import (
    BY_LEAP,
    BY_PASS,
    DROP_UNKNOWN,
    FISH_PASS_TYPES,
    POOLS_TOO_HIGH,
    STATED_PASSABLE,
    names,
)


class PassTrials(NamedTuple):
    """Means of trials of a type of fish pass: the share of fish that find it, and of these that get up it."""

    attraction: float
    attraction_range: tuple
    passage: float
    passage_range: tuple


# C. M. Bunt, T. Castro-Santos and A. Haro, "Performance of fish passage structures at upstream barriers to
# migration," River Res. Appl., vol. 28, pp. 457-478, 2012, doi:10.1002/rra.1565, abstract: 19 studies, 26 species.
TRIALS = dict(
    zip(
        names(FISH_PASS_TYPES),
        (
            PassTrials(0.77, (0.29, 1.0), 0.40, (0.0, 1.0)),
            PassTrials(0.63, (0.0, 1.0), 0.45, (0.0, 1.0)),
            PassTrials(0.61, (0.21, 1.0), 0.51, (0.0, 0.97)),
            PassTrials(0.48, (0.0, 1.0), 0.70, (0.0, 1.0)),
        ),
        strict=True,
    )
)
# Burst speed in body lengths per second by which fish leap, and its range in most species (from memory).
BURST_LENGTHS_PER_S = 10.0
BURST_LENGTHS_PER_S_RANGE = (8.0, 12.0)
# Up to this share of the highest drop that a group leaps all of it does; beyond, in proportion less (assumption).
EASY_SHARE = 0.5
# Words of the user's layer for what fish pass, and do not.
PASSABLE = {"yes": 1.0, "true": 1.0, "1": 1.0, "partly": 0.5, "partial": 0.5, "no": 0.0, "false": 0.0, "0": 0.0}


def leap_m(length_m):
    """Height that a fish leaps out of a deep pool.

    Parameters
    ----------
    length_m : float
        Length of its body [m].

    Returns
    -------
    float
        [m] Height at which its burst speed is used up, v² / 2 g.

    Notes
    -----
    The ballistic form of [1]_ for a leap straight up (from memory), at `BURST_LENGTHS_PER_S`; a fish that leaps at
    an angle gets less high, and one that cannot leap passes nothing in this way.

    References
    ----------
    .. [1] P. D. Powers and J. F. Orsborn, "Analysis of barriers to upstream fish migration," Bonneville Power
       Administration, 1985.

    Examples
    --------
    >>> round(leap_m(0.7), 2), round(leap_m(0.2), 2)
    (2.5, 0.2)
    """
    return (BURST_LENGTHS_PER_S * length_m) ** 2 / (2.0 * GRAVITY_M_S2)


def max_leap_m(group):
    """Highest drop that a group leaps: as stated, or by its shortest fish [m]."""
    return leap_m(min(group.lengths_m)) if group.max_leap_m is None else group.max_leap_m


def share_over_drop(drop_m, max_m):
    """Share of fish that get over a drop without a fish pass.

    Parameters
    ----------
    drop_m : ndarray of float64, shape (k,)
        [m], NaN where unknown.
    max_m : float
        Highest drop that the group overcomes [m].

    Returns
    -------
    ndarray of float64, shape (k,)
        1 up to `EASY_SHARE` of that, 0 from it on, linear between (an assumption: flows differ, and so do fish); 0
        where no drop is known.

    Examples
    --------
    >>> share_over_drop(np.array([0.2, 0.75, 1.2, np.nan]), 1.0).tolist()
    [1.0, 0.5, 0.0, 0.0]
    """
    drop_m = np.asarray(drop_m, dtype=np.float64)
    if max_m <= 0:
        return np.where(drop_m <= 0, 1.0, 0.0)
    return np.where(np.isnan(drop_m), 0.0, np.clip((max_m - drop_m) / (max_m * (1.0 - EASY_SHARE)), 0.0, 1.0))


def pass_efficiency(group, passes):
    """Share of a group that gets up a fish pass where its attraction flow suffices.

    Parameters
    ----------
    group : sitefinder.settings.FishGroup
    passes : sitefinder.settings.fish.FishPassSettings

    Returns
    -------
    float
        As the group states, or attraction times passage of the type; 0 where pools are too high or too shallow.
    """
    if not suits_pools(group, passes):
        return 0.0
    if group.pass_efficiency is not None:
        return group.pass_efficiency
    trials = TRIALS[passes.type]
    return trials.attraction * trials.passage


def suits_pools(group, passes):
    """Whether a group overcomes the drop between pools, and their depth suffices for it."""
    return passes.pool_drop_m <= group.max_pool_drop_m and passes.pool_depth_m >= group.min_pool_depth_m


def share_that_finds(pass_m3s, beside_m3s, passes):
    """Share of the fish of the trials that find a fish pass, by its flow over that of the turbines.

    Parameters
    ----------
    pass_m3s, beside_m3s : ndarray of float64, shape (k,)
        Flow of the pass, and of the turbines beside it [m³/s].
    passes : sitefinder.settings.fish.FishPassSettings

    Returns
    -------
    ndarray of float64, shape (k,)
        1 from ``full_attraction_share`` on and where no turbine draws fish away, in proportion below.

    Examples
    --------
    >>> from sitefinder.settings.fish import FishPassSettings
    >>> share_that_finds([0.5, 0.1, 0.1], [10.0, 10.0, 0.0], FishPassSettings()).round(9).tolist()
    [1.0, 0.2, 1.0]
    """
    beside = np.asarray(beside_m3s, dtype=np.float64)
    share = np.divide(pass_m3s, beside, out=np.ones_like(beside), where=beside > 0)
    return np.minimum(share / passes.full_attraction_share, 1.0)


class Upstream(NamedTuple):
    """Share of a group that gets up each barrier, and what it rests on; of shape (k,)."""

    share: np.ndarray
    basis: np.ndarray


def passage_up(group, passes, drop_m, has_pass, finds=1.0, soundness=1.0, stated=None) -> Upstream:
    """Share of a group of fish that gets up each barrier.

    Parameters
    ----------
    group : sitefinder.settings.FishGroup
    passes : sitefinder.settings.fish.FishPassSettings
    drop_m : ndarray of float64, shape (k,)
        Drop of the water level [m], NaN where unknown.
    has_pass : ndarray of bool, shape (k,)
    finds, soundness : float or ndarray of float64, shape (k,)
        See `share_that_finds`; and efficiency of the pass over that of a sound one.
    stated : ndarray of float64, shape (k,), optional
        Share as the user states it for all fish, NaN where nothing is stated.

    Returns
    -------
    Upstream
        With a pass, the greater of what gets up the pass and what leaps the drop.
    """
    drop_m, has_pass = np.asarray(drop_m, dtype=np.float64), np.asarray(has_pass, dtype=bool)
    over = share_over_drop(drop_m, max_leap_m(group))
    by_pass = pass_efficiency(group, passes) * finds * soundness
    uses_pass = has_pass & (by_pass >= over)
    of_pass = BY_PASS.name if suits_pools(group, passes) else POOLS_TOO_HIGH.name
    share = np.where(uses_pass, by_pass, over)
    basis = np.where(np.isnan(drop_m), DROP_UNKNOWN.name, BY_LEAP.name)
    basis = np.where(uses_pass, of_pass, basis).astype(object)
    if stated is not None:
        known = ~np.isnan(stated)
        share, basis = np.where(known, stated, share), np.where(known, STATED_PASSABLE.name, basis).astype(object)
    return Upstream(share, basis)


def stated_passable(words):
    """Share of fish that get up structures as the user's layer states it, NaN where it states nothing.

    Parameters
    ----------
    words : sequence of str
        ``yes``, ``partly`` or ``no``; anything else, such as a share of fish, is read as a number.

    Returns
    -------
    ndarray of float64

    Examples
    --------
    >>> stated_passable(["yes", "No", "", "0.35"]).tolist()
    [1.0, 0.0, nan, 0.35]
    """
    return np.array([_share_of(str(word).strip().lower()) for word in words], dtype=np.float64)


def _share_of(word):
    if word in PASSABLE:
        return PASSABLE[word]
    try:
        share = float(word)
    except ValueError:
        share = np.nan
    return share if 0.0 <= share <= 1.0 else np.nan
