"""The best set of sites without overlap that keeps limits over parts of the river, and a bound on its value."""

from typing import NamedTuple

import numpy as np
from scipy.sparse import coo_array, csr_array, vstack

from sitefinder.compiled import kernel
from sitefinder.network.ordering import upstream_neighbours
from sitefinder.siting.candidates import boundary_of_path
from sitefinder.siting.selection_tree import best_picks, by_tailrace_of, trace_upstream

# Steps of the search for prices, and then linear programs that price on, until the bound is within this share of
# theirs.
MULTIPLIER_STEPS, PROGRAM_STEPS, PRICED_TO = 60, 40, 1e-7
# Candidates of each limit in the first integer program, beside those that came up, and of all limits together.
PROMISING, MAX_PROMISING = 100, 10_000
# Branches after which the integer program stops, so that its result is the same on every machine.
MAX_NODES = 2_000
# Candidates above which the integer program is not begun.
MAX_PROGRAM = 30_000
# A sum that is above a limit by this share of it keeps the limit, since that is rounding.
ROUNDING = 1e-9
# Value of the most valuable candidate in the integer program.
GREATEST = 1000.0
# By this share the integer program's own tolerance may take a sum over a limit.
PROGRAM_TOLERANCE = 2e-6


class LimitedChoice(NamedTuple):
    """``chosen``, bool of shape (m,); its ``total_value``; an ``upper_bound`` of the value of any allowed set."""

    chosen: np.ndarray
    total_value: float
    upper_bound: float


class _Tree(NamedTuple):
    # The network and what each candidate takes of it.
    downstream: np.ndarray
    intake: np.ndarray
    tailrace: np.ndarray
    pond_start: np.ndarray
    pond: np.ndarray
    start: np.ndarray
    boundary: np.ndarray
    by_tailrace: np.ndarray
    first_at: np.ndarray

    def best(self, value):
        picked = best_picks(self.downstream, self.by_tailrace, self.first_at, value, self.start, self.boundary)
        return trace_upstream(self.downstream, picked, self.start, self.boundary, len(value))


def choose_within_limits(downstream, intake, tailrace, value, amounts, maximum, pond_start, pond):
    r"""The candidates of greatest total value that do not overlap and together keep linear limits.

    Parameters
    ----------
    downstream : ndarray of int32, shape (n,)
        Number of the next station downstream, -1 at an outlet; always greater than the station's own.
    intake, tailrace, pond_start, pond
        As for `sitefinder.siting.candidates.boundary_of_path`.
    value : ndarray of float64, shape (m,)
        Value of each candidate [any additive unit]. Only those above zero can be chosen.
    amounts : sparse array of float64, shape (k, m)
        What each candidate does towards each limit, none negative.
    maximum : ndarray of float64, shape (k,)
        The maximum of each sum over the chosen candidates.

    Returns
    -------
    LimitedChoice

    Notes
    -----
    Where the best set without the limits keeps them, it is the answer. Elsewhere each limit gets a price
    :math:`\lambda_i \ge 0` (Lagrangian relaxation): the tree's own dynamic program solves

    .. math:: L(\lambda) = \max_x \sum_c (v_c - \sum_i \lambda_i a_{ic}) x_c + \sum_i \lambda_i b_i

    exactly, and no allowed set has more value than that. Prices are found by subgradient steps [1]_. Sets that
    came up on the way, made to fit, give a set of known value; a candidate with which even the relaxed problem has
    less value than that is in no better set and is left out. An integer program over the others, a row for each
    station (at most one candidate takes it) and each limit, is solved by HiGHS [2]_.

    The result is exact, and `upper_bound` its value, unless the program would have more than 30 000 candidates or
    stops after 2 000 branches; the gap to `upper_bound` then says how far from the best it can be.

    References
    ----------
    .. [1] M. L. Fisher, "The Lagrangian relaxation method for solving integer programming problems," Management
       Science, vol. 27, no. 1, pp. 1-18, 1981, from memory.
    .. [2] Q. Huangfu and J. A. J. Hall, "Parallelizing the dual revised simplex method," Math. Prog. Comp.,
       vol. 10, pp. 119-142, 2018.

    Examples
    --------
    Two candidates of 3 and 4 on a chain, and a limit that admits one of them:

    >>> downstream = np.array([1, 2, -1], dtype=np.int32)
    >>> no_ponds = np.zeros(3, dtype=np.int64), np.zeros(0, dtype=np.int32)
    >>> choose_within_limits(downstream, [0, 1], [1, 2], [3.0, 4.0], np.ones((1, 2)), [1.0], *no_ponds)
    LimitedChoice(chosen=array([False,  True]), total_value=4.0, upper_bound=4.0)
    """
    downstream = np.ascontiguousarray(downstream, dtype=np.int32)
    value = np.array(value, dtype=np.float64)
    amounts, maximum = csr_array(amounts), np.asarray(maximum, dtype=np.float64)
    # What alone is above a limit can be in no set.
    alone = amounts.tocoo()
    row, column = alone.coords
    value[column[alone.data > maximum[row] * (1.0 + ROUNDING)]] = 0.0
    is_kept = value[column] > 0
    amounts = coo_array((alone.data[is_kept], (row[is_kept], column[is_kept])), shape=alone.shape).tocsr()
    tree = _tree(downstream, intake, tailrace, pond_start, pond)
    chosen = tree.best(value)
    if _keeps(amounts, maximum, chosen):
        total = float(value[chosen].sum())
        return LimitedChoice(chosen, total, total)

    bounds = _Bounds(tree, value, _shares(amounts, maximum))
    _step_down(bounds)
    if not bounds.is_closed:
        _price_by_programs(bounds)
        bounds.pool |= _promising(bounds)
        bounds.take(_program(tree, value, bounds.shares, np.flatnonzero(bounds.pool)).chosen)
    bound, known = bounds.bound, bounds.known
    left = np.flatnonzero((bounds.bounds_with > known) & (value > 0))
    if len(left) <= MAX_PROGRAM and not bounds.is_closed:
        found = _program(tree, value, bounds.shares, left)
        bound = min(bound, max(found.upper_bound, known))
        bounds.take(found.chosen)
    total = bounds.known
    is_closed = bound - total <= ROUNDING * max(abs(bound), 1.0)
    return LimitedChoice(bounds.best, total, total if is_closed else bound)


def _tree(downstream, intake, tailrace, pond_start, pond):
    boundary = boundary_of_path(downstream, intake, tailrace, pond_start, pond)
    intake, tailrace = (np.ascontiguousarray(ends, dtype=np.int32) for ends in (intake, tailrace))
    order = by_tailrace_of(tailrace, downstream.size)
    return _Tree(downstream, intake, tailrace, pond_start, pond, boundary.start, boundary.station, *order)


def _keeps(amounts, maximum, chosen):
    sums = amounts @ chosen.astype(np.float64)
    return bool((sums <= maximum * (1.0 + ROUNDING) + ROUNDING * ROUNDING).all())


# The limits that candidates could break together, each as a share of its maximum.
def _shares(amounts, maximum):
    rows = np.flatnonzero((np.asarray(amounts.sum(axis=1)).ravel() > maximum) & (maximum > 0))
    scale = csr_array((1.0 / maximum[rows], (np.arange(len(rows)), np.arange(len(rows)))), shape=(len(rows),) * 2)
    return csr_array(scale @ amounts[rows])


class _Bounds:
    # What prices of the limits say: the least bound of any set, for each candidate that of a set with it, the best
    # allowed set that came up, and all candidates that came up.
    def __init__(self, tree, value, shares):
        self.tree, self.value, self.shares = tree, value, shares
        self.by_candidate = csr_array(shares.T)
        # What each candidate uses of all limits together.
        self.used = np.asarray(shares.sum(axis=0)).ravel()
        self.joining = upstream_neighbours(tree.downstream)
        self.bound, self.price = np.inf, np.zeros(shares.shape[0])
        self.bounds_with = np.full(len(value), np.inf)
        self.best, self.pool = np.zeros((2, len(value)), dtype=bool)

    @property
    def known(self):
        return float(self.value[self.best].sum())

    @property
    def is_closed(self):
        return self.bound - self.known <= ROUNDING * max(abs(self.bound), 1.0)

    # The relaxed set at a price, and its bound.
    def at(self, price):
        reduced = self.value - self.by_candidate @ price
        chosen = self.tree.best(reduced)
        bound = float(reduced[chosen].sum() + price.sum())
        if bound < self.bound:
            self.bound, self.price = bound, price
            tree = self.tree
            with_each = _bounds_with(
                tree.downstream, *self.joining, tree.by_tailrace, tree.first_at, reduced, tree.start, tree.boundary
            )
            # A margin for sums in another order.
            margin = ROUNDING * max(abs(bound), 1.0)
            self.bounds_with = np.minimum(self.bounds_with, with_each + price.sum() + margin)
        fitting = _made_to_fit(self.value, self.used, self.by_candidate, chosen)
        self.pool |= chosen | fitting
        self.take(fitting)
        return chosen, bound

    def take(self, allowed):
        if self.value[allowed].sum() > self.known:
            self.best = allowed


# Prices by subgradient steps, of a length that halves when they do not help.
def _step_down(bounds):
    price, theta, since = bounds.price, 1.0, 0
    for _ in range(MULTIPLIER_STEPS):
        before = bounds.bound
        chosen, bound = bounds.at(price)
        since = 0 if bound < before * (1.0 - 1e-6) else since + 1
        slack = 1.0 - bounds.shares @ chosen.astype(np.float64)
        steepness = float((np.where(price > 0, slack, np.minimum(slack, 0.0)) ** 2).sum())
        if steepness == 0.0 or bounds.is_closed:
            return
        if since >= 5:
            theta, since = theta / 2.0, 0
        price = np.maximum(price - theta * (bound - bounds.known) / steepness * slack, 0.0)


# Prices by linear programs over the candidates that came up: each gives prices, and the relaxed sets at these, and
# halfway to the best prices so far, bring further candidates, until they bring none.
def _price_by_programs(bounds):
    from scipy.optimize import linprog  # noqa: PLC0415 - large, and only limits that bind need it

    tree, value, shares = bounds.tree, bounds.value, bounds.shares
    for _ in range(PROGRAM_STEPS):
        rows = np.flatnonzero(bounds.pool)
        takes, own = _takes(tree, rows), shares[:, rows]
        found = linprog(
            -value[rows],
            A_ub=vstack([takes, own]).tocsc(),
            b_ub=np.ones(takes.shape[0] + own.shape[0]),
            bounds=(0, 1),
            method="highs",
        )
        if found.status != 0 or bounds.bound + found.fun <= PRICED_TO * abs(found.fun):
            return
        price = np.maximum(-found.ineqlin.marginals[takes.shape[0] :], 0.0)
        for tried in (price, (price + bounds.price) / 2.0):
            bounds.at(tried)
        if np.count_nonzero(bounds.pool) == len(rows):
            return


# For each limit the candidates with which the relaxed problem has the greatest value.
def _promising(bounds):
    entries = bounds.shares.tocoo()
    row, column = entries.coords
    order = np.lexsort([column, -bounds.bounds_with[column], row])
    row, column = row[order], column[order]
    place = np.arange(len(row)) - np.searchsorted(row, row)
    few = min(PROMISING, MAX_PROMISING // max(bounds.shares.shape[0], 1))
    found = np.zeros(len(bounds.value), dtype=bool)
    found[column[place < few]] = True
    return found


# A set without those of its members that give least for what they use, until it keeps the limits, and then with
# others that fit in, by the same measure.
def _made_to_fit(value, used, by_candidate, chosen):
    order = np.flatnonzero(chosen)
    order = order[np.lexsort([order, -value[order] / (used[order] + 1e-12)])]
    left, kept = np.ones(by_candidate.shape[1]), np.zeros(len(value), dtype=bool)
    for c in order.tolist():
        part = slice(by_candidate.indptr[c], by_candidate.indptr[c + 1])
        rows, own = by_candidate.indices[part], by_candidate.data[part]
        if (own <= left[rows] + ROUNDING).all():
            left[rows] -= own
            kept[c] = True
    return kept


# Value of the best set with each candidate, whatever its own value is.
@kernel
def _bounds_with(downstream, joining_start, joining, by_tailrace, first_at, value, boundary_start, boundary):
    count = downstream.size
    # The best value at and above each station, and the sum of that over its upstream neighbours.
    best, above = np.zeros(count), np.zeros(count)
    for i in range(count):
        for u in range(joining_start[i], joining_start[i + 1]):
            above[i] += best[joining[u]]
        best[i] = above[i]
        for k in range(first_at[i], first_at[i + 1]):
            c = by_tailrace[k]
            if value[c] > 0.0:
                total = value[c]
                for b in range(boundary_start[c], boundary_start[c + 1]):
                    total += best[boundary[b]]
                best[i] = max(best[i], total)
    everything = 0.0
    for i in range(count):
        if downstream[i] < 0:
            everything += best[i]
    # The best value outside of what lies at and above each station.
    outside = np.full(count, -np.inf)
    found = np.full(value.size, -np.inf)
    for i in range(count - 1, -1, -1):
        if downstream[i] < 0:
            outside[i] = everything - best[i]
        for k in range(first_at[i], first_at[i + 1]):
            c = by_tailrace[k]
            total = outside[i] + value[c]
            for b in range(boundary_start[c], boundary_start[c + 1]):
                total += best[boundary[b]]
            found[c] = total
            if value[c] > 0.0:
                for b in range(boundary_start[c], boundary_start[c + 1]):
                    outside[boundary[b]] = max(outside[boundary[b]], total - best[boundary[b]])
        for u in range(joining_start[i], joining_start[i + 1]):
            outside[joining[u]] = max(outside[joining[u]], outside[i] + above[i] - best[joining[u]])
    return found


# The best set of some candidates by an integer program. The program keeps limits only to its own tolerance: where
# its set is above one, it is asked again with a little less room.
def _program(tree, value, shares, rows):
    from scipy.optimize import Bounds, LinearConstraint, milp  # noqa: PLC0415 - as above

    chosen = np.zeros(len(value), dtype=bool)
    if not len(rows):
        return LimitedChoice(chosen, 0.0, 0.0)
    takes, own = _takes(tree, rows), shares[:, rows]
    # The solver's tolerances are absolute.
    scale = value[rows].max() / GREATEST
    bound = np.inf
    for room in (1.0, 1.0 - PROGRAM_TOLERANCE):
        found = milp(
            -value[rows] / scale,
            integrality=np.ones(len(rows)),
            bounds=Bounds(0, 1),
            constraints=LinearConstraint(
                vstack([takes, own]).tocsc(),
                ub=np.concatenate([np.ones(takes.shape[0]), np.full(own.shape[0], room)]),
            ),
            options={"mip_rel_gap": 0.0, "node_limit": MAX_NODES},
        )
        dual = getattr(found, "mip_dual_bound", None)
        if bound == np.inf and dual is not None and np.isfinite(dual):
            bound = -float(dual) * scale
        if found.x is None:
            return LimitedChoice(chosen, 0.0, bound)
        picked = rows[found.x > 0.5]
        held = shares @ np.isin(np.arange(len(value)), picked).astype(np.float64)
        if (held <= 1.0 + ROUNDING).all():
            chosen[picked] = True
            total = float(value[chosen].sum())
            # Where the program is through, its bound is its value but for rounding.
            is_through = found.status == 0 and room == 1.0
            return LimitedChoice(chosen, total, total if is_through else max(bound, total))
    return LimitedChoice(chosen, 0.0, bound)


# Stations that at least two of some candidates take, each set of candidates once, sparse, shape (stations, rows).
def _takes(tree, rows):
    stations, owners = [], []
    for place, c in enumerate(rows.tolist()):
        piece, station = [], int(tree.intake[c])
        while station != tree.tailrace[c]:
            station = int(tree.downstream[station])
            piece.append(station)
        piece = np.union1d(piece, tree.pond[tree.pond_start[c] : tree.pond_start[c + 1]])
        stations.append(piece)
        owners.append(np.full(len(piece), place))
    station, owner = np.concatenate(stations).astype(np.int64), np.concatenate(owners)
    order = np.lexsort([owner, station])
    station, owner = station[order], owner[order]
    ends = np.flatnonzero(np.append(np.diff(station) > 0, True)) + 1
    groups = {part.tobytes(): part for part in np.split(owner, ends[:-1]) if len(part) > 1}
    parts = list(groups.values())
    lengths = np.array([len(part) for part in parts], dtype=np.int64)
    entries = np.concatenate(parts) if parts else np.zeros(0, dtype=np.int64)
    return csr_array(
        (np.ones(len(entries)), (np.repeat(np.arange(len(parts)), lengths), entries)),
        shape=(len(parts), len(rows)),
    )
