"""The best size of one machine class at one stretch: units and design flow, from coarse to fine; compiled."""

from typing import NamedTuple

import numpy as np
from numba import njit

from sitefinder.power.conduit import pipe_loss_m
from sitefinder.power.machines import NEVER_SAFE, SAFE_SCREENED
from sitefinder.power.plant_sizes import (
    bins_above,
    bins_full,
    capital_of,
    class_here,
    energy_bound_mwh,
    fits_place,
    mean_kw,
    rated_kw,
)
from sitefinder.power.prices import score_of, yearly_payment
from sitefinder.units import HOURS_PER_YEAR, KILOWATT_HOURS_PER_MEGAWATT_HOUR

# Columns of what the search finds for a stretch, a machine and a choice.
FOUND = ("score", "units", "flow_design_m3s", "power_kw", "energy_mwh", "capital_cost", "yearly_cost")
SCORE, UNITS, FLOW, POWER, ENERGY, CAPITAL, YEARLY = range(len(FOUND))
# The two choices of machine: any at all, and those that meet the bar for fish.
ANY, SAFE = 0, 1
# What the search counts: sizes that it covers, and those of them whose energy is summed over the curve.
COVERED, SUMMED = 0, 1
# Most intervals that wait at once: halvings of the longest list of design flows.
INTERVALS = 64
MWH_PER_KW_YEAR = HOURS_PER_YEAR / KILOWATT_HOURS_PER_MEGAWATT_HOUR


class DesignFlows(NamedTuple):
    """Design flows to try.

    ``shares`` of time that each is exceeded, rising, so that flows fall; ``coarse`` holds the places in it of
    those that are tried first, the first and the last among them.
    """

    shares: np.ndarray
    coarse: np.ndarray


class Best(NamedTuple):
    """What the search holds of a class: per choice the best size, the score to beat, and the place of its flow."""

    found: np.ndarray
    bar: np.ndarray
    at: np.ndarray


def design_flows(energy):
    """Design flows that the settings ask to try.

    Parameters
    ----------
    energy : sitefinder.config.EnergySettings

    Returns
    -------
    DesignFlows

    Examples
    --------
    >>> from sitefinder.config import EnergySettings
    >>> flows = design_flows(
    ...     EnergySettings(machines=["m.toml"], design_exceedance_percent=[10, 15], design_step_percent=2)
    ... )
    >>> flows.shares.tolist(), flows.coarse.tolist()
    ([0.1, 0.12, 0.14, 0.15], [0, 3])
    """
    first = np.unique(np.asarray(energy.design_exceedance_percent, dtype=float))
    between = np.arange(first[0], first[-1], energy.design_step_percent)
    # What is off a listed one by rounding alone is that one.
    near = np.abs(between[:, None] - first).min(axis=1)
    percent = np.sort(np.concatenate([first, between[near > 1e-9 * first[-1]]]))
    return DesignFlows(percent / 100.0, np.searchsorted(percent, first))


@njit(cache=True)
def best_sizes(place, coarse, number, to_beat, machines, prices, way, counts, best):
    """Best number of units and design flow of one class at one stretch, for kernels.

    Parameters
    ----------
    place : Place
    coarse : ndarray of int64
        Places in ``place.tries`` of the flows that are tried first, see `DesignFlows`.
    number : int
        Row of the class.
    to_beat : ndarray of float64, shape (2,)
        Score of the best so far for the choices ANY and SAFE; what cannot score above it is passed over.
    machines : sitefinder.power.machines.MachineTable
    prices : sitefinder.power.prices.Prices
    way : sitefinder.power.conduit.Waterway
    counts : ndarray of int64, shape (2,)
        COVERED and SUMMED grow by the sizes of this class.
    best : Best
        Filled; ``found`` is NaN where no size fits or passes the score to beat.

    Notes
    -----
    Branch and bound. For each number of units the intervals between the coarse flows are judged by their ends and
    halved, until they hold no flow, or cannot hold the best: no plant of an interval gives more than full units
    make of its greatest design flow and all other usable flow at the peak efficiency, nor costs less than its
    smallest one with the least power that the heads in it allow. So the best is that of all flows judged one by
    one; of equal scores the fewer units count, then the greater flow. Where a capacity factor is set, the greatest
    design flow that reaches it is taken for each number of units.
    """
    best.found[:] = np.nan
    best.bar[:] = to_beat
    if not fits_place(place, number, machines):
        return
    stack = np.empty((INTERVALS, 2), dtype=np.int64)
    for units in range(1, machines.units_most[number] + 1):
        here = class_here(place, number, units, machines, prices, way)
        # Design flows fall, so none can fit where the greatest is too small.
        if min(place.tries[0], here.flow_most) < here.flow_least:
            break
        best.at[:] = -1
        counts[COVERED] += place.tries.shape[0]
        if prices.least_capacity_factor > 0.0:
            _greatest_that_runs(place, here, prices, way, counts, best)
            continue
        if coarse.shape[0] == 1:
            judge(place, coarse[0], here, prices, way, counts, best)
        judged = -1
        for turn in range(1, coarse.shape[0]):
            first, last = coarse[turn - 1], coarse[turn]
            if not _may_hold(place, first, last, here, prices, way, best.bar):
                continue
            if judged != first:
                judge(place, first, here, prices, way, counts, best)
            judge(place, last, here, prices, way, counts, best)
            judged = last
            stack[0, 0], stack[0, 1] = first, last
            _halve(place, stack, here, prices, way, counts, best)


# Halve the interval of places that is first in the stack until no part of it can hold the best.
@njit(cache=True)
def _halve(place, stack, here, prices, way, counts, best):
    depth, is_new = 1, True
    while depth > 0:
        depth -= 1
        first, last = stack[depth, 0], stack[depth, 1]
        if last - first < 2:
            continue
        # The whole was judged by the caller.
        if not is_new and not _may_hold(place, first, last, here, prices, way, best.bar):
            continue
        is_new = False
        middle = (first + last) // 2
        judge(place, middle, here, prices, way, counts, best)
        stack[depth, 0], stack[depth, 1] = middle, last
        stack[depth + 1, 0], stack[depth + 1, 1] = first, middle
        depth += 2


# Whether any design flow between two places, both included, may score above the bar.
@njit(cache=True)
def _may_hold(place, first, last, here, prices, way, bar):
    greatest, least = min(place.tries[first], here.flow_most), min(place.tries[last], here.flow_most)
    least = max(least, here.flow_least)
    if least > greatest or greatest <= 0.0:
        return False
    full, full_least = bins_full(place, first, greatest), bins_above(place.usable, least)
    energy = energy_bound_mwh(place, full, greatest, least, here, prices, way)
    # The heads at which a plant of the interval may be rated.
    head = place.bin_head[max(full - 1, 0)]
    for index in range(full, full_least):
        head = min(head, place.bin_head[index])
    head = max(head - pipe_loss_m(least, place.conduit_m, way), 0.0)
    power = way.kw_per_m3s_m * head * least * here.efficiency[-1]
    power = min(power, here.power_most)
    capital, safe_capital = capital_of(place, power, least, here, prices)
    return _is_hopeful(energy, capital, safe_capital, power, here.safety, prices, bar)


@njit(cache=True)
def _is_hopeful(energy, capital, safe_capital, power, safety, prices, bar):
    score = score_of(energy, capital, power, prices)
    if score > bar[ANY]:
        return True
    if safety == SAFE_SCREENED:
        score = score_of(energy, safe_capital, power, prices)
    return safety != NEVER_SAFE and score > bar[SAFE]


@njit(cache=True)
def judge(place, index, here, prices, way, counts, best):
    """Judge one size of a class and keep it in `best` where it is the best so far, for kernels."""
    flow = min(place.tries[index], here.flow_most)
    if flow < here.flow_least or flow <= 0.0:
        return
    full = bins_full(place, index, flow)
    power = rated_kw(place, full, flow, here, way)
    # A smaller one may be better where floods drown the head.
    if power < prices.least_power_kw or power <= 0.0:
        return
    capital, safe_capital = capital_of(place, power, flow, here, prices)
    bound = energy_bound_mwh(place, full, flow, flow, here, prices, way)
    if not _is_hopeful(bound, capital, safe_capital, power, here.safety, prices, best.bar):
        return
    counts[SUMMED] += 1
    energy = mean_kw(place, full, flow, power, here, way) * prices.mwh_per_kw
    _keep_better(best, ANY, index, here.units, flow, power, energy, capital, prices)
    if here.safety != NEVER_SAFE:
        _keep_better(best, SAFE, index, here.units, flow, power, energy, safe_capital, prices)


# The greatest design flow whose capacity factor is the one that is set, or more.
@njit(cache=True)
def _greatest_that_runs(place, here, prices, way, counts, best):
    last = np.inf
    for index in range(place.tries.shape[0]):
        flow = min(place.tries[index], here.flow_most)
        if flow == last:
            continue
        last = flow
        if flow < here.flow_least or flow <= 0.0:
            return
        full = bins_full(place, index, flow)
        power = rated_kw(place, full, flow, here, way)
        needed = prices.least_capacity_factor * power * MWH_PER_KW_YEAR
        if power < prices.least_power_kw or power <= 0.0:
            continue
        if energy_bound_mwh(place, full, flow, flow, here, prices, way) < needed:
            continue
        counts[SUMMED] += 1
        energy = mean_kw(place, full, flow, power, here, way) * prices.mwh_per_kw
        if energy < needed:
            continue
        capital, safe_capital = capital_of(place, power, flow, here, prices)
        _keep_better(best, ANY, index, here.units, flow, power, energy, capital, prices)
        if here.safety != NEVER_SAFE:
            _keep_better(best, SAFE, index, here.units, flow, power, energy, safe_capital, prices)
        return


# Keep one size where its score passes the bar, or equals it with the same units and a greater flow.
@njit(cache=True)
def _keep_better(best, choice, index, units, flow, power, energy, capital, prices):
    score = score_of(energy, capital, power, prices)
    bar, at = best.bar[choice], best.at[choice]
    if not (score > bar or (score == bar and index < at)):
        return
    best.bar[choice], best.at[choice] = score, index
    row = best.found[choice]
    row[SCORE], row[UNITS], row[FLOW], row[POWER], row[ENERGY] = score, units, flow, power, energy
    row[CAPITAL] = capital * prices.contingency_factor
    row[YEARLY] = yearly_payment(capital, power, prices)
