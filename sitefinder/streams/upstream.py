"""Sums on a network whose streams part and join again: everything upstream once, or by shares of the water."""

import numpy as np

from sitefinder.compiled import kernel


def distinct_sums(local, downstream_link, leaves_link):
    """For each link the sum over itself and all links upstream, those above side arms included, each once.

    Parameters
    ----------
    local : ndarray of int64 or float64, shape (n,)
        What each link adds of its own.
    downstream_link : ndarray of int, shape (n,)
        The next link downstream, always of a higher number, or -1 at an outlet.
    leaves_link : ndarray of int, shape (n,)
        For the first link of a side arm, a link at whose lower end it leaves; else -1. All links that end there
        have lower numbers than the arm.

    Returns
    -------
    ndarray of the dtype of `local`, shape (n,)

    Raises
    ------
    ValueError
        If the numbers do not run from the sources down.

    Notes
    -----
    Without side arms a sum down the tree counts everything once. Where an arm joins again, what lies above its
    parting would count twice. Here each link carries the set of partings above it that do not stand in its own
    part of the tree; what is upstream of the link is that part and, for each of those partings, the part of the
    tree above it. Two such parts are either nested or apart, so the outermost ones add up without overlap. Exact
    for any number of arms. Time and memory grow with the number of links times that of the partings that each
    carries, which are few where arms join again (40 001 links with 10 000 arms in a row: 0.2 s) and many where
    the arms of one basin end in another.

    Examples
    --------
    Link 0 parts into 1 (main) and 2 (arm), which meet in 3:

    >>> distinct_sums(np.array([8, 4, 2, 1]), np.array([1, 3, 3, -1]), np.array([-1, -1, 0, -1])).tolist()
    [8, 12, 10, 15]
    """
    local = np.asarray(local)
    below, leaves = np.asarray(downstream_link).tolist(), np.asarray(leaves_link).tolist()
    count = len(below)
    arms = [link for link in range(count) if leaves[link] >= 0]
    # The link that the main stream takes where an arm leaves: its tree, less itself, is what lies above the arm.
    beside = {arm: below[leaves[arm]] for arm in arms}
    last_arriving = {lower: link for link, lower in enumerate(below)}
    in_order = all(not -1 < lower <= link for link, lower in enumerate(below))
    if not in_order or any(last_arriving[root] >= arm for arm, root in beside.items() if root >= 0):
        raise ValueError("links must be numbered from the sources down")
    first, last = _tree_intervals(below)
    total = local.copy()
    for link in range(count):  # from the sources down
        if below[link] >= 0:
            total[below[link]] += total[link]
    result = total.copy()
    for link, outside in enumerate(_partings_outside(below, beside, first, last)):
        if outside:
            parts = [(first[link], last[link], total[link])]
            # A tree's own root stands last in its interval.
            parts += [(first[root], last[root] - 1, total[root] - local[root]) for root in outside]
            result[link] = _sum_of_outermost(parts)
    return result


# For each link the main links beside the side arms above it, save those that stand in the link's own tree and so
# are counted with it, there and everywhere below.
def _partings_outside(below, beside, first, last):
    arriving = [set() for _ in below]
    for link, lower in enumerate(below):  # from the sources down
        above = arriving[link]
        if link in beside:
            above = {beside[link]} | arriving[beside[link]]
        outside = {root for root in above if not first[link] <= first[root] <= last[root] <= last[link]}
        if lower >= 0:
            arriving[lower] |= outside
        yield sorted(outside)


# A numbering of the links in which each tree has neighbouring numbers and its root the last of them.
def _tree_intervals(below):
    size = [1] * len(below)
    for link, lower in enumerate(below):  # from the sources down
        if lower >= 0:
            size[lower] += size[link]
    first, free, next_tree = [0] * len(below), [0] * len(below), 0
    for link in range(len(below) - 1, -1, -1):  # from the outlets up
        lower = below[link]
        if lower >= 0:
            first[link] = free[lower]
            free[lower] += size[link]
        else:
            first[link] = next_tree
            next_tree += size[link]
        free[link] = first[link]
    return first, [begin + length - 1 for begin, length in zip(first, size, strict=True)]


# Sum of intervals that are nested or apart, without those inside others.
def _sum_of_outermost(parts):
    until, amount = -1, 0
    for _, end, weight in sorted(parts, key=lambda part: (part[0], -part[1])):
        if end > until:
            amount += weight
            until = end
    return amount


def beside_arms(downstream_link, leaves_link):
    """For the first link of each side arm the link that the main stream takes at the same parting, else -1.

    Parameters
    ----------
    downstream_link, leaves_link : ndarray of int, shape (n,)
        See `distinct_sums`.

    Returns
    -------
    ndarray of int32, shape (n,)
    """
    leaves_link = np.asarray(leaves_link)
    return np.where(leaves_link >= 0, np.asarray(downstream_link)[leaves_link], -1).astype(np.int32)


@kernel
def shared_sums(local, downstream, beside, share):
    """Sums down the network where side arms take a share of what comes from above; nothing is lost or doubled.

    Parameters
    ----------
    local : ndarray of float64, shape (n,)
        What each station or link adds of its own.
    downstream : ndarray of int32, shape (n,)
        The next one downstream, always of a higher number, or -1.
    beside : ndarray of int32, shape (n,)
        For the first one of a side arm, the one that the main stream takes at the same parting; else -1. All that
        arrive at the parting have lower numbers than the arm.
    share : ndarray of float64, shape (n,)
        Share of what arrives at the parting that the arm takes [1]; the main stream keeps the rest.

    Returns
    -------
    ndarray of float64, shape (n,)
    """
    count = len(downstream)
    first_arm = np.full(count, -1, dtype=np.int32)
    next_arm = np.full(count, -1, dtype=np.int32)
    kept = np.ones(count)
    for arm in range(count):
        if beside[arm] >= 0:
            next_arm[arm] = first_arm[beside[arm]]
            first_arm[beside[arm]] = arm
            kept[beside[arm]] -= share[arm]
    total = local.copy()
    for station in range(count):  # from the sources down
        below = downstream[station]
        if below < 0:
            continue
        total[below] += kept[below] * total[station]
        arm = first_arm[below]
        while arm >= 0:
            total[arm] += share[arm] * total[station]
            arm = next_arm[arm]
    return total
