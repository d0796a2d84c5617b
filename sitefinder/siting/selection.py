"""Selection of the best set of sites without overlap, exact on the stream tree, and reasons of rejection."""

from typing import NamedTuple

import numpy as np
import pandas as pd
from scipy.sparse import csr_array, hstack, vstack

from sitefinder.compiled import kernel, part
from sitefinder.network.catchments import carried_down
from sitefinder.network.ordering import upstream_neighbours
from sitefinder.schema import is_scheme_that
from sitefinder.schema.arrays import arrays_by_name
from sitefinder.siting.candidates import (
    blocked_by,
    boundary_of_path,
    covered_stations,
    validate_starts,
    validate_stations,
)
from sitefinder.siting.fish_passage import ROUNDING, entered_at, fish_losses, survival_to_outlet
from sitefinder.siting.limited_choice import choose_within_limits
from sitefinder.siting.limits import (
    FREE_FLOWING,
    builds_at_intake,
    cumulative_limits,
    goes_beyond,
    too_close_to_plants,
    with_free_flow,
)
from sitefinder.siting.passed import builds_barrier
from sitefinder.siting.selection_tree import best_picks, by_tailrace_of, trace_upstream
from sitefinder.vocabulary import (
    ABOVE_COST_LIMIT,
    BETTER_SITE,
    CUMULATIVE_LIMIT,
    DEVELOPED,
    FISH_SURVIVAL_TOO_LOW,
    HEAD_TOO_SMALL,
    NO_SUITABLE_TURBINE,
    NOT_WORTH_A_BARRIER,
    POWER_TOO_SMALL,
    REJECTION_REASONS,
    ROAD_TOO_FAR,
    STANDING_WATER,
    TIDAL,
    TOO_CLOSE_TO_PLANT,
    named,
)


class Choice(NamedTuple):
    """What was chosen: a bool array of shape (m,), one for each candidate, and the total value."""

    chosen: np.ndarray
    total_value: float


def choose_best_set(downstream, tailrace, value, boundary_start, boundary):
    """The candidates of greatest total value that do not overlap.

    Parameters
    ----------
    downstream : ndarray of int32, shape (n,)
        Number of the next station downstream, -1 at an outlet; always greater than the station's own.
    tailrace : ndarray of int32, shape (m,)
        Lowest station of each candidate.
    value : ndarray of float64, shape (m,)
        Value of each candidate [any additive unit]. Only those above zero can be chosen.
    boundary_start : ndarray of int64, shape (m + 1,)
        Where each candidate's boundary begins in `boundary`.
    boundary : ndarray of int32
        Stations just upstream of what each candidate takes, from `boundary_of_path`.

    Returns
    -------
    Choice

    Raises
    ------
    ValueError
        If a station does not exist, a boundary is not upstream of its tailrace, a value is not finite, or
        lengths differ.

    Notes
    -----
    Dynamic programming, O(stations + boundary). The best value at and above a station is the greater of the sum of
    its upstream neighbours' best values, and, for each candidate with its tailrace there, its value plus the best
    values at its boundary: a weighted independent set of subtrees of a tree, solved from the
    leaves down. Ties go to taking nothing, then to the lower candidate number.

    Examples
    --------
    Two short stretches that together beat the long one that holds both:

    >>> from sitefinder.siting.candidates import boundary_of_path
    >>> downstream = np.array([1, 2, -1], dtype=np.int32)
    >>> start, station = boundary_of_path(downstream, [0, 1, 0], [1, 2, 2])
    >>> choose_best_set(downstream, [1, 2, 2], [3.0, 4.0, 6.0], start, station)
    Choice(chosen=array([ True,  True, False]), total_value=7.0)
    """
    downstream = np.ascontiguousarray(downstream, dtype=np.int32)
    tailrace = np.ascontiguousarray(tailrace, dtype=np.int32)
    value = np.ascontiguousarray(value, dtype=np.float64)
    boundary_start = np.ascontiguousarray(boundary_start, dtype=np.int64)
    boundary = np.ascontiguousarray(boundary, dtype=np.int32)
    if tailrace.ndim != 1 or value.shape != tailrace.shape:
        raise ValueError(f"tailrace and value must have the same length, found {tailrace.shape} and {value.shape}")
    if not np.isfinite(value).all():
        raise ValueError(f"value must be finite; candidate {int(np.argmin(np.isfinite(value)))} is not")
    validate_stations("tailrace", tailrace, downstream.size)
    validate_starts("boundary", boundary_start, tailrace.size, boundary.size)
    validate_stations("boundary", boundary, downstream.size)
    candidate_of_entry = np.repeat(np.arange(tailrace.size), np.diff(boundary_start))
    is_below = boundary >= tailrace[candidate_of_entry]
    if is_below.any():
        first = int(candidate_of_entry[np.argmax(is_below)])
        raise ValueError(f"the boundary of candidate {first} must be upstream of its tailrace")

    order = by_tailrace_of(tailrace, downstream.size)
    picked = best_picks(downstream, *order, value, boundary_start, boundary)
    chosen = trace_upstream(downstream, picked, boundary_start, boundary, tailrace.size)
    return Choice(chosen, float(value[chosen].sum()))


# Maximum number of different sums of losses. Where more may occur, losses are rounded up to this many equal steps,
# so that survival can only be above the minimum, never below it.
MAX_LEVELS = 256
ANY, SAFE = 0, 1


class SurvivalChoice(NamedTuple):
    """``option``: int8, shape (m,): -1 not chosen, 0 with any turbine, 1 with a fish-safe one; ``total_value``.

    ``exact`` is False where losses were rounded up, so that a set of slightly more value may exist.
    """

    option: np.ndarray
    total_value: float
    exact: bool


class _Levels(NamedTuple):
    """Sums of losses that can occur, rising from 0; the place of each plus each single loss, -1 for too much."""

    used: np.ndarray
    following: np.ndarray
    exact: bool


def choose_for_fish(downstream, intake, tailrace, entered, value, migration, pond_start=None, pond=None):
    """The options of greatest total value without overlap that keep the minimum survival on every migration path.

    Parameters
    ----------
    downstream : ndarray of int32, shape (n,)
        Number of the next station downstream, -1 at an outlet; always greater than the station's own.
    intake, tailrace : ndarray of int32, shape (m,)
        Ends of each candidate.
    entered : ndarray of int32, shape (m,)
        Station at which fish enter each candidate, see `fish_passage.entered_at`.
    value : ndarray of float64, shape (m, 2)
        Value of each candidate with any turbine and with a fish-safe one; an option that is not above zero cannot
        be chosen.
    migration : fish_passage.MigrationPath
        With a minimum survival.
    pond_start, pond
        As for `pieces.boundary_of_path`.

    Returns
    -------
    SurvivalChoice

    Notes
    -----
    Existing plants use up their part of the loss on every path through them. Where they alone exceed the limit, no
    site that kills fish may be chosen on such a path.

    The result is exact as long as no more than 256 different sums of losses can occur up to the maximum,
    which holds for some ten sites of a few kinds in a row. Time grows with the candidates below spawning grounds
    times those sums: 200 000 candidates with 100 sums took 7 s, with 257 sums 22 s, on one core.
    """
    downstream = np.ascontiguousarray(downstream, dtype=np.int32)
    boundary = boundary_of_path(downstream, intake, tailrace, pond_start, pond)
    max_loss = -np.log(migration.minimum) + ROUNDING
    with np.errstate(divide="ignore"):
        loss = -np.log(np.minimum(migration.survival, 1.0))
    kinds, kind = np.unique(loss, return_inverse=True)
    kind = kind.reshape(loss.shape).astype(np.int64)
    levels = _levels(kinds, max_loss)
    plants_loss = -np.log(
        np.maximum(survival_to_outlet(downstream, np.arange(len(downstream)), migration.past_plants), 1e-300)
    )
    left = np.maximum(max_loss - plants_loss, 0.0)
    highest = np.searchsorted(levels.used, left, side="right") - 1
    cap = _carried_caps(downstream, np.where(migration.spawning, highest, len(levels.used)))
    has_spawning = carried_down(migration.spawning, downstream)

    tailrace = np.ascontiguousarray(tailrace, dtype=np.int32)
    tree = (*upstream_neighbours(downstream), *by_tailrace_of(tailrace, downstream.size))
    pieces = (boundary.start, boundary.station, _from_above(downstream, boundary, entered))
    fish = (has_spawning, cap, np.ascontiguousarray(entered, dtype=np.int64), kind, levels.following)
    value = np.ascontiguousarray(value, dtype=np.float64)
    rows = int(has_spawning.sum())
    row = np.full(downstream.size, -1)
    row[has_spawning] = np.arange(rows)
    option = _solve(tree, pieces, fish, value, row, rows, len(levels.used))
    picked = np.flatnonzero(option >= 0)
    return SurvivalChoice(option, float(value[picked, option[picked]].sum()), levels.exact)


# Sums of the losses of any number of sites, up to the maximum allowed.
def _levels(kinds, max_loss):
    sums = np.zeros(1)
    while len(sums) <= MAX_LEVELS:
        further = np.concatenate([sums, np.add.outer(sums, kinds).ravel()])
        further = np.sort(further[further <= max_loss])
        further = further[np.concatenate([[True], np.diff(further) > ROUNDING / 1000])]
        if len(further) == len(sums):
            break
        sums = further
    exact = len(sums) <= MAX_LEVELS
    if exact:
        reached = np.add.outer(sums, kinds)
        # Sums of the same losses in another order differ by rounding.
        following = np.searchsorted(sums, reached - ROUNDING / 1000)
        is_allowed = reached <= max_loss
    else:
        step = max_loss / MAX_LEVELS
        sums = np.arange(MAX_LEVELS + 1) * step
        steps = np.ceil(np.minimum(kinds / step, MAX_LEVELS + 1) - ROUNDING).astype(np.int64)
        following = np.add.outer(np.arange(len(sums)), steps)
        is_allowed = following < len(sums)
    return _Levels(sums, np.where(is_allowed, following, -1), exact)


# Highest loss level allowed at a station by all spawning grounds at it and upstream.
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


# Value at and above a station at a loss level, after its turn in the loop; -inf where survival would be too low.
@part
def _value_at(i, level, plain, by_level, row):
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
        best += _value_at(joining[u], level, plain, by_level, row)
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
                total += _value_at(boundary[b], above if from_above[b] else level, plain, by_level, row)
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


# Columns of a valuation for one choice of turbine, given by the prefix.
VALUED = (
    "turbine",
    "screened",
    "units",
    "flow_design_m3s",
    "power_kw",
    "energy_mwh",
    "capacity_factor",
    "firm_power_kw",
    "capital_cost",
    "lcoe_per_kwh",
    "net_annual_value",
    "survival",
    "grade",
)
# By the number of the turbine choice.
PREFIXES = ("any_", "safe_", "as_built_")


def without_prefix(name):
    """Name of a column of a valuation without the turbine choice at its front.

    Examples
    --------
    >>> without_prefix("as_built_power_kw")
    'power_kw'
    """
    for prefix in PREFIXES:
        if name.startswith(prefix):
            return name.removeprefix(prefix)
    return name


class Offers(NamedTuple):
    """The selection, and the outcome for every candidate.

    ``valued`` has a row a candidate: the columns of `VALUED` for the turbine choice that the rules allow it.
    ``chosen`` is True for a site; ``blocked_by`` is the number of the chosen candidate that blocks another one,
    or -1; ``ladder`` holds for each step that a candidate must pass, in the order of
    `sitefinder.vocabulary.REJECTION_REASONS`, the name of the reason for a reach that fails there and which
    candidates pass it and all before.

    With a minimum survival of migrating fish, ``safe_by_passage_limit`` are sites that have a fish-safe turbine
    because of it and not of a rule, and ``exact`` is False where losses of fish were rounded up, so that a
    slightly better set may exist. ``kept_out`` are candidates that nothing but this or a cumulative limit
    prevents, ``over_limit`` those of them for which a limit leaves no room.

    No allowed set has more value, by the objective of the selection, than this one and ``gap`` together; 0 where
    the choice is exact, NaN where that is not known.
    """

    valued: pd.DataFrame
    chosen: np.ndarray
    blocked_by: np.ndarray
    ladder: list
    safe_by_passage_limit: np.ndarray
    kept_out: np.ndarray
    exact: bool
    over_limit: np.ndarray
    gap: float


class BestSet(NamedTuple):
    """The sites of a selection, without the outcome for the candidates that are none.

    ``candidates`` are the numbers of the chosen candidates, rising; ``valued`` has a row for each of these, and
    is as of `Offers`, as ``gap`` is.
    """

    candidates: np.ndarray
    valued: pd.DataFrame
    gap: float


def valued_for(valuation, choice, names=VALUED):
    """The valuation for the turbine choice that each stretch may use.

    Parameters
    ----------
    valuation : DataFrame, m rows
        Columns of `VALUED` with each of `PREFIXES`.
    choice : ndarray of int, shape (m,)
        0 for any turbine, 1 for a fish-safe one with a screen where that takes one, 2 for one that is fish-safe as
        built, -1 for none.
    names : sequence of str
        Columns that are wanted, of `VALUED`.

    Returns
    -------
    DataFrame, m rows
        These columns; turbine -1 and NaN where there is no choice.
    """
    columns = {}
    given = arrays_by_name(valuation)
    for name in names:
        each = [given[prefix + name] for prefix in PREFIXES]
        values = np.choose(np.maximum(choice, 0), each)
        if name in ("turbine", "units", "grade"):
            columns[name] = np.where(choice >= 0, values, 0 if name == "units" else -1).astype(np.int64)
        elif name == "screened":
            columns[name] = values.astype(bool) & (choice >= 0)
        else:
            columns[name] = np.where(choice >= 0, values, np.nan)
    return pd.DataFrame(columns)


def choose_sites(
    stretches, steps, valuation, choice, stations, settings, migration=None, use=None, left_out=()
) -> Offers:
    """The best set of stretches without overlap among those that pass every step, within the cumulative limits.

    Parameters
    ----------
    stretches : Stretches
    steps : list of (str, ndarray of bool, shape (m,))
        Conditions besides value that a candidate must meet, under the name of the reason for rejection.
    valuation : DataFrame, m rows
        See `valued_for`.
    choice : ndarray of int, shape (m,)
        Turbine choice that the rules allow, -1 for none.
    stations : DataFrame
        Columns ``downstream``, ``to_downstream_m`` and ``segment_length_m``.
    settings : sitefinder.settings.Settings
        Reads the sections ranking, selection and costs.
    migration : sitefinder.siting.fish_passage.MigrationPath, optional
        Requirements of migrating fish; none without a minimum survival.
    use : sitefinder.siting.limits.RiverUse, optional
        Streams, water bodies and existing plants; without it only the distance between sites is kept.
    left_out : collection of str
        Cumulative limits that do not count, of `sitefinder.siting.limits.CUMULATIVE_LIMITS`.

    Returns
    -------
    Offers
    """
    choice = _within_limits(stretches, valuation, choice, settings)
    valued = valued_for(valuation, choice)
    value, cheap = _value(valued, settings)
    barrier_cost = settings.selection.no_new_barrier_value_per_year * builds_barrier(stretches.table)
    value = value - barrier_cost
    fits = (NO_SUITABLE_TURBINE.name, valued["turbine"].to_numpy() >= 0)
    limits = _limits(stretches, valued, settings.ranking)
    downstream = stations["downstream"].to_numpy().astype(np.int32)
    step_m, segment_m = (stations[name].to_numpy() for name in ("to_downstream_m", "segment_length_m"))
    intake, tailrace = (stretches.table[name].to_numpy().astype(np.int32) for name in ("intake", "tailrace"))
    builds = builds_at_intake(stretches.table["scheme_type"])
    free_m = 0.0 if FREE_FLOWING in left_out else settings.ranking.min_free_flowing_m
    pond_start, pond = with_free_flow(downstream, step_m, intake, *ponds_of(stretches), builds, free_m)
    if use is not None:
        given = downstream, step_m, tailrace, pond_start, pond, builds, use.developed, free_m
        limits = [*limits, (TOO_CLOSE_TO_PLANT.name, ~too_close_to_plants(*given))]
    passing = np.ones(len(valued), dtype=bool)
    ladder = []
    worth = [(ABOVE_COST_LIMIT.name, cheap), *_barrier_step(value, barrier_cost)]
    for name, passes in _in_order([*steps, fits, *limits, *worth]):
        passing = passing & passes
        ladder.append((name, passing))
    # With fish a site may get the fish-safe turbine instead of the best one: the larger of both counts.
    power_kw = valued["power_kw"].to_numpy(dtype=np.float64)
    if migration is not None:
        other = valued_for(valuation, np.where(choice == ANY, SAFE, choice), ("power_kw",))
        power_kw = np.fmax(power_kw, other["power_kw"].to_numpy(dtype=np.float64))
    given = settings.ranking, stretches, segment_m, use, left_out, power_kw
    shared = [] if use is None else cumulative_limits(*given)
    option_value = np.where(passing, np.nan_to_num(value), 0.0)
    safe_by_passage_limit, exact = np.zeros(len(valued), dtype=bool), True
    ends, ponds = (downstream, intake, tailrace), (pond_start, pond)
    if migration is None or migration.minimum is None:
        preferred = _existing_first(option_value, stretches.table, settings.selection)
        if shared:
            found = choose_within_limits(*ends, preferred, *_stacked(shared, len(valued)), *ponds)
            chosen, gap = found.chosen, found.upper_bound - found.total_value
        else:
            boundary = boundary_of_path(*ends, *ponds)
            chosen, gap = choose_best_set(downstream, tailrace, preferred, *boundary).chosen, 0.0
    else:
        safe = valued_for(valuation, np.where(choice == ANY, SAFE, choice))
        may_be_safe = passing & (choice == ANY) & _keeps_limits(stretches, safe, settings)
        safe_value = np.nan_to_num(_value(safe, settings)[0] - barrier_cost)
        option_value = np.column_stack([option_value, np.where(may_be_safe, safe_value, 0.0)])
        preferred = _existing_first(option_value, stretches.table, settings.selection)
        # Where the rules require a fish-safe turbine, that is the first option.
        first = np.take_along_axis(migration.survival, np.maximum(choice, 0)[:, None].astype(np.int64), axis=1)[
            :, 0
        ]
        options = migration._replace(survival=np.column_stack([first, migration.survival[:, SAFE]]))
        entered = entered_at(stretches.table["scheme_type"], intake, tailrace)
        found = choose_for_fish(*ends, entered, preferred, options, *ponds)
        option, exact = found.option, found.exact
        gap = 0.0 if exact else np.nan
        amounts, maximum = _stacked(shared, len(valued))
        if (amounts @ (option >= 0) > maximum * (1.0 + ROUNDING)).any():
            option, gap = _for_fish_and_limits(ends, ponds, entered, preferred, options, amounts, maximum)
            exact = True
        chosen, safe_by_passage_limit = option >= 0, option == SAFE
        valued = valued_for(valuation, np.where(safe_by_passage_limit, SAFE, choice))
    blocking = blocked_by(chosen, *ends, segment_m, *ponds)
    kept_out = passing & ~chosen & (blocking < 0)
    return Offers(
        valued,
        chosen,
        np.where(passing, blocking, -1),
        ladder,
        safe_by_passage_limit,
        kept_out,
        exact,
        kept_out & goes_beyond(shared, chosen),
        float(gap),
    )


# All limits as one, for `choose_within_limits`.
def _stacked(limits, count):
    if not limits:
        return csr_array((0, count)), np.zeros(0)
    return csr_array(vstack([limit.amounts for limit in limits])), np.concatenate(
        [limit.maximum for limit in limits]
    )


# The best options where cumulative limits bind beside fish: both are limits on sums, of what sites use and of the
# logarithms of what they let live, and each candidate is there twice, with any turbine and with a fish-safe one.
def _for_fish_and_limits(ends, ponds, entered, value, options, amounts, maximum):
    downstream, intake, tailrace = ends
    lost, maximum_loss = fish_losses(downstream, entered, options)
    twice = [hstack([amounts, amounts]), lost]
    pond_start, pond = ponds
    found = choose_within_limits(
        downstream,
        np.tile(intake, 2),
        np.tile(tailrace, 2),
        value.T.ravel(),
        vstack(twice),
        np.concatenate([maximum, maximum_loss]),
        np.concatenate([pond_start, pond_start[1:] + pond_start[-1]]),
        np.tile(pond, 2),
    )
    of_any, of_safe = np.split(found.chosen, 2)
    option = np.where(of_safe, SAFE, np.where(of_any, ANY, -1)).astype(np.int8)
    return option, found.upper_bound - found.total_value


# The step of the value that a new barrier must have, where the settings ask for it.
def _barrier_step(value, barrier_cost):
    if barrier_cost.any():
        yield NOT_WORTH_A_BARRIER.name, (barrier_cost == 0) | (value > 0)


# Values by which the selection takes first as many existing structures as it can, if the settings prefer them:
# each gets more than all other candidates together could give.
def _existing_first(option_value, table, selection):
    if not selection.prefer_existing:
        return option_value
    existing = is_scheme_that(table["scheme_type"], "uses_structure")
    best = np.atleast_2d(option_value.T).max(axis=0)
    more = 1.0 + np.maximum(best, 0.0).sum()
    pays = ((option_value > 0).T & existing).T
    return np.where(pays, option_value + more, option_value)


# Steps in the order in which reasons for rejection are examined.
def _in_order(steps):
    return sorted(steps, key=lambda step: REJECTION_REASONS.index(named(REJECTION_REASONS, step[0])))


# Value of each candidate, and whether it is positive and the LCOE within the limit.
def _value(valued, settings):
    value = valued["energy_mwh" if settings.ranking.choose_by == "energy" else "net_annual_value"].to_numpy()
    # What is not known is not above nothing, nor within a limit.
    enough = value > 0
    limit = settings.costs.max_lcoe_per_kwh
    if limit is not None:
        enough &= valued["lcoe_per_kwh"].to_numpy() <= limit
    return value, enough


# Columns that limits of single sites look at.
LIMITED = ("turbine", "energy_mwh", "net_annual_value", "lcoe_per_kwh", "power_kw")


# The turbine choices; the fish-safe one where any is allowed but only that one keeps the limits: the best of any
# has the greatest value, and may have a higher LCOE. Without this a stricter rule could admit a site.
def _within_limits(stretches, valuation, choice, settings):
    any_keeps, safe_keeps = (
        _keeps_limits(stretches, valued_for(valuation, np.where(choice >= 0, turbine, choice), LIMITED), settings)
        for turbine in (ANY, SAFE)
    )
    return np.where((choice == ANY) & ~any_keeps & safe_keeps, SAFE, choice)


# Where a turbine fits, has a positive value, and keeps all of the user's limits.
def _keeps_limits(stretches, valued, settings):
    within = _value(valued, settings)[1] & (valued["turbine"].to_numpy() >= 0)
    for _, keeps in _limits(stretches, valued, settings.ranking):
        within = within & keeps
    return within


# The user's hard limits that are set, as steps.
def _limits(stretches, valued, ranking):
    if ranking.min_power_kw > 0:
        yield POWER_TOO_SMALL.name, valued["power_kw"].to_numpy() >= ranking.min_power_kw
    if ranking.max_road_distance_m is not None:
        distance_m = stretches.table["road_distance_m"].to_numpy(dtype=float)
        yield ROAD_TOO_FAR.name, distance_m <= ranking.max_road_distance_m


def ponds_of(stretches):
    """The ponds of all candidates in compressed form, for `sitefinder.siting.candidates.boundary_of_path`."""
    lengths = stretches.start[1:] - stretches.pond_start
    in_pond = np.arange(len(stretches.taken)) >= np.repeat(stretches.pond_start, np.diff(stretches.start))
    return np.concatenate([[0], np.cumsum(lengths)]), stretches.taken[in_pond]


def alternatives(offers, maximum, tailrace_reach):
    """The best candidates that each site blocks, and in each reach those that only fish migration prevents.

    Parameters
    ----------
    offers : Offers
    maximum : int
        How many for each site, or reach.
    tailrace_reach : ndarray of int, shape (m,)
        Reach in which each candidate's tailrace lies.

    Returns
    -------
    ndarray of int64
        Numbers of candidates, by the site that blocks them, then by value from the best, then by number; then
        those that no site blocks, by reach.
    """
    blocker = offers.blocked_by.astype(np.int64)
    by = np.where(blocker >= 0, blocker, len(blocker) + np.asarray(tailrace_reach, dtype=np.int64))
    listed = np.flatnonzero((blocker >= 0) | offers.kept_out)
    value = offers.valued["net_annual_value"].to_numpy()[listed]
    order = np.lexsort([listed, -value, by[listed]])
    by = by[listed][order]
    place = np.arange(len(by)) - np.searchsorted(by, by)
    return listed[order][place < maximum]


def rejection_reason(reach_of_station, standing, stretches, offers, developed, tidal):
    """Why each reach has no site.

    Parameters
    ----------
    reach_of_station : ndarray of int32, shape (n,)
        -1 for a station without a segment.
    standing, developed, tidal : ndarray of bool, shape (n,)
        Stations whose segment is standing water, used by an existing plant, or tidal.
    stretches : Stretches
    offers : Offers

    Returns
    -------
    ndarray of str, one for each reach
        Empty where a site takes some of the reach.

    Notes
    -----
    The reason is the first condition that no candidate touching the reach meets: standing water, an existing
    plant, tidal water, head, then the steps of the selection's ladder. After these, a cumulative limit or fish
    survival is the reason where a candidate fails by that alone, and elsewhere a better site. All reasons are
    declared in `sitefinder.vocabulary.REJECTION_REASONS`.
    """
    count = len(reach_of_station)
    reaches = int(reach_of_station.max()) + 1
    reason = np.full(reaches, "", dtype=object)

    def reached(stations):
        is_reached = np.zeros(reaches, dtype=bool)
        is_reached[reach_of_station[stations & (reach_of_station >= 0)]] = True
        return is_reached

    def set_reason(name, applies):
        reason[applies & (reason == "")] = name

    set_reason(STANDING_WATER.name, ~reached(~standing))
    set_reason(DEVELOPED.name, ~reached(~(standing | developed)))
    set_reason(TIDAL.name, ~reached(~(standing | developed | tidal)))
    set_reason(
        HEAD_TOO_SMALL.name, ~reached(covered_stations(stretches, np.ones(len(offers.chosen), dtype=bool), count))
    )
    for name, passing in offers.ladder:
        set_reason(name, ~reached(covered_stations(stretches, passing, count)))
    set_reason(CUMULATIVE_LIMIT.name, reached(covered_stations(stretches, offers.over_limit, count)))
    set_reason(FISH_SURVIVAL_TOO_LOW.name, reached(covered_stations(stretches, offers.kept_out, count)))
    set_reason(BETTER_SITE.name, np.ones(reaches, dtype=bool))
    reason[reached(covered_stations(stretches, offers.chosen, count))] = ""
    return reason
