"""The best set of candidates without overlap that leaves enough fish alive on every way from a spawning ground.

The choice without fish (`sitefinder.siting.choice`) has one best total for each station. Here it has one for each
*loss* that fish coming down through the station will still meet below it: losses are sums of -ln(survival), and
the least survival becomes the greatest sum. Each candidate may stand with its best machine, with its best
fish-safe one, or not at all, so that a site is dropped or made fish-safe where that keeps most of the total value.
"""

from typing import NamedTuple

import numpy as np

from sitefinder.compiled import kernel, part
from sitefinder.siting.fish_passage import ROUNDING, survival_to_outlet
from sitefinder.siting.pieces import boundary_of_path
from sitefinder.streams.flags import carried_down
from sitefinder.streams.tree import upstream_neighbours

# So many different sums of losses are told apart. Where more may occur, losses are rounded up to this many equal
# steps, which can only keep more fish alive than asked, never fewer.
LEVELS_MOST = 256
ANY, SAFE = 0, 1


class SurvivalChoice(NamedTuple):
    """``option``: int8, shape (m,): -1 not chosen, 0 with any machine, 1 with a fish-safe one; ``total_value``.

    ``exact`` is False where losses were rounded up, so that a set of somewhat more value may exist.
    """

    option: np.ndarray
    total_value: float
    exact: bool


class _Levels(NamedTuple):
    """Sums of losses that can occur, rising from 0; the place of each plus each single loss, -1 for too much."""

    used: np.ndarray
    following: np.ndarray
    exact: bool


def choose_for_fish(downstream, intake, tailrace, entered, value, way, pond_start=None, pond=None):
    """The options of greatest total value that do not overlap and keep the least survival on every way.

    Parameters
    ----------
    downstream : ndarray of int32, shape (n,)
        Number of the next station downstream, -1 at an outlet; always greater than the station's own.
    intake, tailrace : ndarray of int32, shape (m,)
        Ends of each candidate.
    entered : ndarray of int32, shape (m,)
        Station at which fish enter each candidate, see `fish_passage.entered_at`.
    value : ndarray of float64, shape (m, 2)
        What each candidate is worth with any machine and with a fish-safe one; an option that is not above zero
        cannot be chosen.
    way : fish_passage.FishWay
        With a least survival.
    pond_start, pond
        As for `pieces.boundary_of_path`.

    Returns
    -------
    SurvivalChoice

    Notes
    -----
    Existing plants use up their part of the loss on every way through them. Where they alone use more than there
    is, no site that costs fish may stand on such a way.

    The result is exact as long as no more than 256 different sums of losses can occur up to the greatest one,
    which holds for some ten sites of a few kinds in a row. Time grows with the candidates below spawning grounds
    times those sums: 200 000 candidates with 100 sums took 7 s, with 257 sums 22 s, on one core.
    """
    downstream = np.ascontiguousarray(downstream, dtype=np.int32)
    boundary = boundary_of_path(downstream, intake, tailrace, pond_start, pond)
    most_loss = -np.log(way.least) + ROUNDING
    with np.errstate(divide="ignore"):
        loss = -np.log(np.minimum(way.survival, 1.0)) + 0.0
    kinds, kind = np.unique(loss, return_inverse=True)
    kind = kind.reshape(loss.shape).astype(np.int64)
    levels = _levels(kinds, most_loss)
    plants_loss = -np.log(
        np.maximum(survival_to_outlet(downstream, np.arange(len(downstream)), way.past_plants), 1e-300)
    )
    left = np.maximum(most_loss - plants_loss, 0.0)
    highest = np.searchsorted(levels.used, left, side="right") - 1
    cap = _carried_caps(downstream, np.where(way.spawning, highest, len(levels.used)))
    has_spawning = carried_down(way.spawning, downstream)

    tailrace = np.ascontiguousarray(tailrace, dtype=np.int32)
    by_tailrace = np.argsort(tailrace, kind="stable")
    first_at = np.searchsorted(tailrace[by_tailrace], np.arange(downstream.size + 1))
    tree = (*upstream_neighbours(downstream), by_tailrace, first_at)
    pieces = (boundary.start, boundary.station, _from_above(downstream, boundary, entered))
    fish = (has_spawning, cap, np.ascontiguousarray(entered, dtype=np.int64), kind, levels.following)
    value = np.ascontiguousarray(value, dtype=np.float64)
    row = np.where(has_spawning, np.cumsum(has_spawning) - 1, -1)
    option = _solve(tree, pieces, fish, value, row, int(has_spawning.sum()), len(levels.used))
    picked = np.flatnonzero(option >= 0)
    return SurvivalChoice(option, float(value[picked, option[picked]].sum()), levels.exact)


# Sums of the losses of any number of sites, up to the greatest allowed.
def _levels(kinds, most_loss):
    single = kinds[(kinds > 0) & (kinds <= most_loss)]
    sums = np.zeros(1)
    while len(sums) <= LEVELS_MOST:
        further = np.concatenate([sums, np.add.outer(sums, single).ravel()])
        further = np.sort(further[further <= most_loss])
        further = further[np.concatenate([[True], np.diff(further) > ROUNDING / 1000])]
        if len(further) == len(sums):
            break
        sums = further
    exact = len(sums) <= LEVELS_MOST
    if exact:
        reached = np.add.outer(sums, kinds)
        # Sums of the same losses in another order differ by rounding.
        following = np.searchsorted(sums, reached - ROUNDING / 1000)
    else:
        step = most_loss / LEVELS_MOST
        sums = np.arange(LEVELS_MOST + 1) * step
        steps = np.ceil(np.minimum(kinds / step, LEVELS_MOST + 1) - ROUNDING).astype(np.int64)
        following = np.add.outer(np.arange(len(sums)), steps)
        reached = np.where(following < len(sums), 0.0, np.inf)
    return _Levels(sums, np.where(reached <= most_loss, following, -1), exact)


# Highest level with which water may leave a station, that of all spawning grounds at it and above.
@kernel
def _carried_caps(downstream, cap):
    carried = cap.copy()
    for i in range(downstream.size):
        if downstream[i] >= 0:
            carried[downstream[i]] = min(carried[downstream[i]], carried[i])
    return carried


# Boundary stations whose fish enter the candidate: those that drain to where it is entered.
def _from_above(downstream, boundary, entered):
    owner = np.repeat(np.arange(len(boundary.start) - 1), np.diff(boundary.start))
    return _drains_to(downstream, boundary.station, np.asarray(entered, dtype=np.int64)[owner])


@kernel
def _drains_to(downstream, station, target):
    result = np.zeros(station.size, dtype=np.bool_)
    for k in range(station.size):
        i = station[k]
        while i >= 0 and i < target[k]:
            i = downstream[i]
        result[k] = i == target[k]
    return result


# What a station and all above it are worth at a loss level, after its turn in the loop; -inf where fish would not
# come through.
@part
def _worth(i, level, plain, by_level, row):
    return plain[i] if row[i] < 0 else by_level[row[i], level]


# Best candidate and option with its tailrace at station i while fish meet the given loss below, (-1, -1) for none;
# and the total that it gives.
@part
def _best_at(i, level, tree, pieces, fish, value, plain, by_level, row):
    joining_start, joining, by_tailrace, first_at = tree
    start, boundary, from_above = pieces
    has_spawning, cap, entered, kind, following = fish
    if level > cap[i]:
        return -np.inf, -1, -1
    best, best_candidate, best_option = 0.0, -1, -1
    for u in range(joining_start[i], joining_start[i + 1]):
        best += _worth(joining[u], level, plain, by_level, row)
    for k in range(first_at[i], first_at[i + 1]):
        c = by_tailrace[k]
        for option in range(2):
            if not value[c, option] > 0.0:
                continue
            above = level
            if has_spawning[entered[c]]:
                above = following[level, kind[c, option]]
                if above < 0 or above > cap[entered[c]]:
                    continue
            total = value[c, option]
            for b in range(start[c], start[c + 1]):
                total += _worth(boundary[b], above if from_above[b] else level, plain, by_level, row)
            if total > best:
                best, best_candidate, best_option = total, c, option
    return best, best_candidate, best_option


# Downstream loop for the totals, upstream loop for the choice: see `choice`.
@kernel
def _solve(tree, pieces, fish, value, row, rows, levels):
    joining_start, joining, _, _ = tree
    start, boundary, from_above = pieces
    has_spawning, _, entered, kind, following = fish
    count = row.size
    plain, by_level = np.zeros(count), np.zeros((rows, levels))
    for i in range(count):
        if row[i] < 0:
            plain[i] = _best_at(i, 0, tree, pieces, fish, value, plain, by_level, row)[0]
        else:
            for level in range(levels):
                by_level[row[i], level] = _best_at(i, level, tree, pieces, fish, value, plain, by_level, row)[0]

    option = np.full(value.shape[0], -1, dtype=np.int8)
    # Loss level at which each station is free, -1 where it is not.
    free = np.full(count, -1, dtype=np.int64)
    has_below = np.zeros(count, dtype=np.bool_)
    has_below[joining] = True
    for i in range(count - 1, -1, -1):
        if not has_below[i]:
            free[i] = 0
        if free[i] < 0:
            continue
        level = free[i]
        _, c, chosen = _best_at(i, level, tree, pieces, fish, value, plain, by_level, row)
        if c < 0:
            for u in range(joining_start[i], joining_start[i + 1]):
                free[joining[u]] = level
            continue
        option[c] = chosen
        above = following[level, kind[c, chosen]] if has_spawning[entered[c]] else level
        for b in range(start[c], start[c + 1]):
            free[boundary[b]] = above if from_above[b] else level
    return option
