"""The best size of one machine class at one stretch: units and design flow, from coarse to fine; compiled."""

from typing import NamedTuple

import numpy as np

from sitefinder.compiled import part
from sitefinder.power.conduit import pipe_loss_m
from sitefinder.power.machines import NEVER_SAFE
from sitefinder.power.plant_sizes import (
    HEAD,
    bins_above,
    capital_of,
    energy_bound_mwh,
    fill_class,
    mean_kw,
    rated_kw,
    safe_capital_of,
)
from sitefinder.power.prices import score_of, yearly_payment
from sitefinder.units import HOURS_PER_YEAR, KILOWATT_HOURS_PER_MEGAWATT_HOUR

# Columns of what the search finds for a stretch, a machine and a choice.
FOUND = ("score", "units", "flow_design_m3s", "power_kw", "energy_mwh", "capital_cost", "yearly_cost")
SCORE, UNITS, FLOW, POWER, ENERGY, CAPITAL, YEARLY = range(len(FOUND))
# What the search holds of a class beside them, per choice: the score to beat, and the place of the best flow.
BAR, AT = len(FOUND), len(FOUND) + 1
HELD = len(FOUND) + 2
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


@part
def best_sizes(bins, tries, full, coarse, one, to_beat, here, efficiency, prices, counts, stack, best):
    """Best number of units and design flow of one class at one stretch, for kernels.

    Parameters
    ----------
    bins : ndarray of float64, shape (4, bins + 1)
        Rows as `sitefinder.power.plant_sizes.USABLE` and the names after it.
    tries, full : ndarray of float64 and of int64
        Design flows before any limit of a class, falling [m³/s], and how many bins hold each.
    coarse : ndarray of int64
        Places in `tries` of the flows that are tried first, see `DesignFlows`.
    one : record of `sitefinder.power.plant_sizes.CLASS`
        The class; it suits the place.
    to_beat : ndarray of float64, shape (2,)
        Score of the best so far for the choices ANY and SAFE; what cannot score above it is passed over.
    here : record of `sitefinder.power.plant_sizes.CLASS_AT_SITE`
        With the place's own numbers; the others are filled.
    efficiency : ndarray of float64
        Of the class.
    prices : record of `sitefinder.power.prices.SEARCH`
    counts : ndarray of int64, shape (2,)
        COVERED and SUMMED grow by the sizes of this class.
    stack : ndarray of int64, shape (INTERVALS, 2)
        Room to work in.
    best : ndarray of float64, shape (2, HELD)
        Filled; NaN where no size passes the score to beat.

    Notes
    -----
    Branch and bound. For each number of units the intervals between the coarse flows are judged by their ends and
    halved, until they hold no flow, or cannot hold the best: no plant of an interval gives more than full units
    make of its greatest design flow and all other usable flow at the peak efficiency, nor costs less than its
    smallest one with the least power that the heads in it allow. So the best is that of all flows judged one by
    one; of equal scores the fewer units count, then the greater flow. Where a capacity factor is set, the greatest
    design flow that reaches it is taken for each number of units.
    """
    # By loop, here and elsewhere: an assignment of slices takes seconds to compile.
    for choice in range(2):
        for column in range(BAR):
            best[choice, column] = np.nan
        best[choice, BAR] = to_beat[choice]
    for units in range(1, one.units_most + 1):
        fill_class(here, units, one, efficiency[-1], prices)
        # Design flows fall, so none can fit where the greatest is too small.
        if min(tries[0], here.flow_most) < here.flow_least:
            break
        best[0, AT] = best[1, AT] = -1.0
        counts[COVERED] += tries.shape[0]
        if prices.least_capacity_factor > 0.0:
            _keep_greatest_that_runs(bins, tries, full, here, efficiency, prices, counts, best)
            continue
        if coarse.shape[0] == 1:
            judge(bins, tries, full, coarse[0], here, efficiency, prices, counts, best)
        judged = -1
        for turn in range(1, coarse.shape[0]):
            first, last = coarse[turn - 1], coarse[turn]
            if not _may_hold(bins, tries, full, first, last, here, prices, best):
                continue
            if judged != first:
                judge(bins, tries, full, first, here, efficiency, prices, counts, best)
            judge(bins, tries, full, last, here, efficiency, prices, counts, best)
            judged = last
            # Halve the interval until no part of it can hold the best; the whole was judged just now.
            stack[0, 0], stack[0, 1] = first, last
            depth, is_new = 1, True
            while depth > 0:
                depth -= 1
                first, last = stack[depth, 0], stack[depth, 1]
                if last - first < 2:
                    continue
                if not is_new and not _may_hold(bins, tries, full, first, last, here, prices, best):
                    continue
                is_new = False
                middle = (first + last) // 2
                judge(bins, tries, full, middle, here, efficiency, prices, counts, best)
                stack[depth, 0], stack[depth, 1] = middle, last
                stack[depth + 1, 0], stack[depth + 1, 1] = first, middle
                depth += 2


# Whether any design flow between two places, both included, may score above the bar.
@part
def _may_hold(bins, tries, full, first, last, here, prices, best):
    greatest, least = min(tries[first], here.flow_most), min(tries[last], here.flow_most)
    least = max(least, here.flow_least)
    if least > greatest or greatest <= 0.0:
        return False
    filled = full[first] if greatest == tries[first] else bins_above(bins, greatest)
    energy = energy_bound_mwh(bins, filled, greatest, least, here, prices)
    # The heads at which a plant of the interval may be rated.
    head = bins[HEAD, max(filled - 1, 0)]
    for index in range(filled, bins_above(bins, least)):
        head = min(head, bins[HEAD, index])
    head = max(head - pipe_loss_m(least, here.conduit_m, prices), 0.0)
    power = min(prices.kw_per_m3s_m * head * least * here.full_efficiency, here.power_most)
    capital = capital_of(power, least, here, prices)
    return _is_hopeful(energy, capital, power, least, here, prices, best)


@part
def _is_hopeful(energy, capital, power, flow, here, prices, best):
    if score_of(energy, capital, power, prices) > best[ANY, BAR]:
        return True
    if here.safety == NEVER_SAFE:
        return False
    return score_of(energy, safe_capital_of(capital, flow, here, prices), power, prices) > best[SAFE, BAR]


@part
def judge(bins, tries, full, index, here, efficiency, prices, counts, best):
    """Judge one size of a class and keep it in `best` where it is the best so far, for kernels."""
    flow = min(tries[index], here.flow_most)
    if flow < here.flow_least or flow <= 0.0:
        return
    filled = full[index] if flow == tries[index] else bins_above(bins, flow)
    power = rated_kw(bins, filled, flow, here, efficiency, prices)
    # A smaller one may be better where floods drown the head.
    if power < prices.least_power_kw or power <= 0.0:
        return
    capital = capital_of(power, flow, here, prices)
    bound = energy_bound_mwh(bins, filled, flow, flow, here, prices)
    if not _is_hopeful(bound, capital, power, flow, here, prices, best):
        return
    counts[SUMMED] += 1
    energy = mean_kw(bins, filled, flow, power, here, efficiency, prices) * prices.mwh_per_kw
    _keep_better(index, flow, power, energy, capital, here, prices, best)


# The greatest design flow whose capacity factor is the one that is set, or more.
@part
def _keep_greatest_that_runs(bins, tries, full, here, efficiency, prices, counts, best):
    last = np.inf
    for index in range(tries.shape[0]):
        flow = min(tries[index], here.flow_most)
        if flow == last:
            continue
        last = flow
        if flow < here.flow_least or flow <= 0.0:
            return
        filled = full[index] if flow == tries[index] else bins_above(bins, flow)
        power = rated_kw(bins, filled, flow, here, efficiency, prices)
        needed = prices.least_capacity_factor * power * MWH_PER_KW_YEAR
        if power < prices.least_power_kw or power <= 0.0:
            continue
        if energy_bound_mwh(bins, filled, flow, flow, here, prices) < needed:
            continue
        counts[SUMMED] += 1
        energy = mean_kw(bins, filled, flow, power, here, efficiency, prices) * prices.mwh_per_kw
        if energy < needed:
            continue
        _keep_better(index, flow, power, energy, capital_of(power, flow, here, prices), here, prices, best)
        return


# Keep one size where its score passes the bar, or equals it with the same units and a greater flow; for fish-safe
# machines with a screen where the class needs one.
@part
def _keep_better(index, flow, power, energy, capital, here, prices, best):
    for choice in range(2):
        if choice == SAFE:
            if here.safety == NEVER_SAFE:
                return
            capital = safe_capital_of(capital, flow, here, prices)
        score = score_of(energy, capital, power, prices)
        if score > best[choice, BAR] or (score == best[choice, BAR] and index < best[choice, AT]):
            best[choice, BAR], best[choice, AT] = score, index
            best[choice, SCORE], best[choice, UNITS], best[choice, FLOW] = score, here.units, flow
            best[choice, POWER], best[choice, ENERGY] = power, energy
            best[choice, CAPITAL] = capital * prices.contingency_factor
            best[choice, YEARLY] = yearly_payment(capital, power, prices)
