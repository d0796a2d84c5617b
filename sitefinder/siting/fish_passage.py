"""How many migrating fish come down alive past all plants between their spawning ground and the outlet."""

from typing import NamedTuple

import numpy as np

from sitefinder.compiled import kernel
from sitefinder.schema import is_scheme_that

# A product of survivals that misses the least one by less than this part of it, in rounding, meets it.
ROUNDING = 1.0e-9


class FishWay(NamedTuple):
    """What the way of migrating fish asks of the choice of sites.

    ``spawning``: bool, shape (n,), stations whose segment holds spawning ground. ``past_plants``: float64, shape
    (n,), share of fish that survive the existing plant that they enter at a station, 1 where there is none.
    ``survival``: float64, shape (m, 2), the share that survive each candidate with any machine and with a
    fish-safe one, as far as it is proven. ``least``: the least product that a way may have, None where none is
    asked.
    """

    spawning: np.ndarray
    past_plants: np.ndarray
    survival: np.ndarray
    least: float | None


def entered_at(layout, intake, tailrace):
    """Station at which a fish on its way down enters each stretch.

    Parameters
    ----------
    layout : array of str, shape (m,)
    intake, tailrace : ndarray of int, shape (m,)

    Returns
    -------
    ndarray of int32, shape (m,)
        The intake. At an existing barrier the tailrace: the barrier stands somewhere on the segment above it, and
        fish of that segment count as coming from above, to be on the safe side.
    """
    return np.where(is_scheme_that(layout, "uses_structure"), tailrace, intake).astype(np.int32)


def survival_to_outlet(downstream, entered, survival):
    """Share of fish that survive from each station down to the outlet of its network.

    Parameters
    ----------
    downstream : ndarray of int32, shape (n,)
        Number of the next station downstream, -1 at an outlet; always greater than the station's own.
    entered : ndarray of int, shape (k,)
        Station at which each plant is entered.
    survival : ndarray of float64, shape (k,)
        Share that survive it.

    Returns
    -------
    ndarray of float64, shape (n,)
        The product over all plants entered at the station or below.

    Notes
    -----
    Every fish counts as going through every machine on its way; none is credited for passing over a weir or down
    the stream beside a canal, since how many do so is not known from a map. Plants are taken as independent.

    Examples
    --------
    Five plants in a row, of which each lets 95 of 100 fish live:

    >>> downstream = np.array([1, 2, 3, 4, -1], dtype=np.int32)
    >>> float(survival_to_outlet(downstream, np.arange(5), np.full(5, 0.95))[0].round(3))
    0.774
    """
    here = np.ones(downstream.size)
    np.multiply.at(here, np.asarray(entered, dtype=np.int64), np.asarray(survival, dtype=np.float64))
    return _down_to_outlet(np.ascontiguousarray(downstream, dtype=np.int32), here)


# From the outlets up.
@kernel
def _down_to_outlet(downstream, here):
    total = here.copy()
    for i in range(downstream.size - 1, -1, -1):
        if downstream[i] >= 0:
            total[i] *= total[downstream[i]]
    return total


def plants_to_outlet(downstream, entered):
    """Number of plants that fish meet from each station down to the outlet of its network.

    Parameters
    ----------
    downstream : ndarray of int32, shape (n,)
    entered : ndarray of int, shape (k,)
        Station at which each plant is entered.

    Returns
    -------
    ndarray of int64, shape (n,)

    Examples
    --------
    >>> plants_to_outlet(np.array([1, 2, -1], dtype=np.int32), [1, 1, 2]).tolist()
    [3, 3, 1]
    """
    here = np.bincount(np.asarray(entered, dtype=np.int64), minlength=downstream.size)
    return _counted_to_outlet(np.ascontiguousarray(downstream, dtype=np.int32), here)


# From the outlets up.
@kernel
def _counted_to_outlet(downstream, here):
    total = here.copy()
    for i in range(downstream.size - 1, -1, -1):
        if downstream[i] >= 0:
            total[i] += total[downstream[i]]
    return total


def worst_from_above(downstream, spawning, survival):
    """The spawning ground at each station or above it from which least fish come down alive.

    Parameters
    ----------
    downstream : ndarray of int32, shape (n,)
    spawning : ndarray of bool, shape (n,)
    survival : ndarray of float64, shape (n,)
        From each station to the outlet, see `survival_to_outlet`.

    Returns
    -------
    ndarray of int64, shape (n,)
        Its station, -1 where no spawning ground lies above; of equals the lowest number.

    Examples
    --------
    >>> downstream, spawning = np.array([2, 2, -1], dtype=np.int32), np.array([True, True, False])
    >>> worst_from_above(downstream, spawning, np.array([0.8, 0.5, 1.0]))
    array([0, 1, 1])
    """
    worst = np.where(spawning, np.arange(downstream.size), -1)
    return _carried_worst(np.ascontiguousarray(downstream, dtype=np.int32), worst, survival)


# Downstream loop.
@kernel
def _carried_worst(downstream, worst, survival):
    carried = worst.copy()
    for i in range(downstream.size):
        below, own = downstream[i], carried[i]
        if below < 0 or own < 0:
            continue
        other = carried[below]
        is_worse = other < 0 or survival[own] < survival[other]
        if is_worse or (survival[own] == survival[other] and own < other):
            carried[below] = own
    return carried
