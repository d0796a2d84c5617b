"""The best size of one machine class at one stretch: units and design flow, from coarse to fine; compiled."""

from typing import NamedTuple

import numpy as np
from numba import njit

from sitefinder.power.conduit import pipe_loss_m
from sitefinder.power.cost import machine_capital
from sitefinder.power.machines import NEVER_SAFE, SAFE_SCREENED
from sitefinder.power.prices import score_of, yearly_payment
from sitefinder.power.running import plant_flow_head
from sitefinder.units import HOURS_PER_YEAR, KILOWATT_HOURS_PER_MEGAWATT_HOUR

# Columns of what the search finds for a stretch, a machine and a choice.
FOUND = ("score", "units", "flow_design_m3s", "power_kw", "energy_mwh", "capital_cost", "yearly_cost")
SCORE, UNITS, FLOW, POWER, ENERGY, CAPITAL, YEARLY = range(len(FOUND))
# The two choices of machine: any at all, and those that meet the bar for fish.
ANY, SAFE = 0, 1
# What the search counts: sizes that it covers, and those of them whose energy is summed over the curve.
COVERED, SUMMED = 0, 1
# Rounding may take a true energy above its bound by less than this.
HAIR = 1.0 + 1e-9
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


class Place(NamedTuple):
    """A stretch as a machine class sees it.

    ``usable`` flow falls from bin to bin [m³/s]; ``bin_head`` is the head of each [m], ``above`` its sums from the
    start and ``below`` the sums of flow times head from the end. ``head`` is the net head of the survey day [m].
    """

    usable: np.ndarray
    bin_head: np.ndarray
    above: np.ndarray
    below: np.ndarray
    head: float
    layout: int
    conduit_m: float
    place_cost: float


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
    percent = first
    if energy.design_step_percent is not None:
        between = np.arange(first[0], first[-1], energy.design_step_percent)
        # What is off a listed one by rounding alone is that one.
        near = np.abs(between[:, None] - first).min(axis=1)
        percent = np.sort(np.concatenate([first, between[near > 1e-9 * first[-1]]]))
    return DesignFlows(percent / 100.0, np.searchsorted(percent, first))


@njit(cache=True)
def best_sizes(place, flows, number, to_beat, machines, prices, way, counts, best):
    """Best number of units and design flow of one class at one stretch, for kernels.

    Parameters
    ----------
    place : Place
    flows : DesignFlows
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
    Branch and bound. For each number of units the coarse flows are judged first; then the intervals between them
    are halved until they hold no flow, or cannot hold the best: no plant of an interval gives more than all usable
    flow up to its greatest design flow at the peak efficiency, nor costs less than its smallest one with the least
    power that the heads in it allow. So the best is that of all flows judged one by one; of equal scores the fewer
    units count, then the greater flow. Where a capacity factor is set, the greatest design flow that reaches it is
    taken for each number of units.
    """
    best.found[:] = np.nan
    best.bar[:] = to_beat
    if not (machines.head_least_m[number] <= place.head <= machines.head_most_m[number]):
        return
    if not machines.suits_layout[number, place.layout]:
        return
    full_efficiency = machines.efficiency[number][-1]
    flow_most = machines.power_most_kw[number] / (way.kw_per_m3s_m * place.head * full_efficiency)
    flow_most = min(machines.flow_most_m3s[number], flow_most)
    stack = np.empty((INTERVALS, 2), dtype=np.int64)
    for units in range(1, machines.units_most[number] + 1):
        # Design flows fall, so none can fit where the greatest is too small.
        if min(_flow_exceeded(place.usable, flows.shares[0]), units * flow_most) < (
            units * machines.flow_least_m3s[number]
        ):
            break
        best.at[:] = -1
        counts[COVERED] += flows.shares.shape[0]
        if prices.least_capacity_factor > 0.0:
            _greatest_that_runs(place, flows, units, flow_most, number, machines, prices, way, counts, best)
            continue
        last = np.inf
        for index in flows.coarse:
            flow = min(_flow_exceeded(place.usable, flows.shares[index]), units * flow_most)
            if flow != last:
                _judge(place, flow, index, units, number, machines, prices, way, counts, best)
            last = flow
        for turn in range(1, flows.coarse.shape[0]):
            stack[0, 0], stack[0, 1] = flows.coarse[turn - 1], flows.coarse[turn]
            _halve(place, flows, stack, units, flow_most, number, machines, prices, way, counts, best)


# Halve the interval of places that is first in the stack until no part of it can hold the best.
@njit(cache=True)
def _halve(place, flows, stack, units, flow_most, number, machines, prices, way, counts, best):
    depth = 1
    while depth > 0:
        depth -= 1
        first, last = stack[depth, 0], stack[depth, 1]
        if last - first < 2:
            continue
        greatest = min(_flow_exceeded(place.usable, flows.shares[first]), units * flow_most)
        least = min(_flow_exceeded(place.usable, flows.shares[last]), units * flow_most)
        if greatest == least:
            continue
        least = max(least, units * machines.flow_least_m3s[number])
        if least > greatest or not _may_hold(
            place, greatest, least, units, number, machines, prices, way, best.bar
        ):
            continue
        middle = (first + last) // 2
        flow = min(_flow_exceeded(place.usable, flows.shares[middle]), units * flow_most)
        _judge(place, flow, middle, units, number, machines, prices, way, counts, best)
        stack[depth, 0], stack[depth, 1] = middle, last
        stack[depth + 1, 0], stack[depth + 1, 1] = first, middle
        depth += 2


# Whether any design flow between two may score above the bar.
@njit(cache=True)
def _may_hold(place, greatest, least, units, number, machines, prices, way, bar):
    energy = _energy_bound(place, greatest, number, machines, prices, way)
    # The heads at which a plant of the interval may be rated.
    first = max(_bins_above(place.usable, greatest) - 1, 0)
    last = max(_bins_above(place.usable, least) - 1, 0)
    head = place.bin_head[first]
    for index in range(first + 1, last + 1):
        head = min(head, place.bin_head[index])
    head = max(head - pipe_loss_m(least, place.conduit_m, way), 0.0)
    power = way.kw_per_m3s_m * head * least * machines.efficiency[number][-1]
    power = min(power, units * machines.power_most_kw[number])
    capital, safe_capital = _capital(place, power, least, units, number, machines, prices)
    return _is_hopeful(energy, capital, safe_capital, power, machines.safety[number], prices, bar)


# No more energy [MWh] than all usable flow up to the design flow gives at the peak efficiency.
@njit(cache=True)
def _energy_bound(place, flow, number, machines, prices, way):
    full = _bins_above(place.usable, flow)
    flow_head = (place.above[full] * flow + place.below[full]) / place.usable.shape[0]
    return way.kw_per_m3s_m * flow_head * machines.peak_efficiency[number] * prices.mwh_per_kw * HAIR


@njit(cache=True)
def _is_hopeful(energy, capital, safe_capital, power, safety, prices, bar):
    if score_of(energy, capital, power, prices) > bar[ANY]:
        return True
    return safety != NEVER_SAFE and score_of(energy, safe_capital, power, prices) > bar[SAFE]


# Judge one size, and keep it where it is the best so far.
@njit(cache=True)
def _judge(place, flow, index, units, number, machines, prices, way, counts, best):
    if flow < units * machines.flow_least_m3s[number] or flow <= 0.0:
        return
    power = _rated_kw(place, flow, units, number, machines, way)
    # A smaller one may be better where floods drown the head.
    if power < prices.least_power_kw or power <= 0.0:
        return
    capital, safe_capital = _capital(place, power, flow, units, number, machines, prices)
    bound = _energy_bound(place, flow, number, machines, prices, way)
    if not _is_hopeful(bound, capital, safe_capital, power, machines.safety[number], prices, best.bar):
        return
    counts[SUMMED] += 1
    energy = _mean_kw(place, flow, units, number, power, machines, way) * prices.mwh_per_kw
    _keep_better(best, ANY, index, units, flow, power, energy, capital, prices)
    if machines.safety[number] != NEVER_SAFE:
        _keep_better(best, SAFE, index, units, flow, power, energy, safe_capital, prices)


# The greatest design flow whose capacity factor is the one that is set, or more.
@njit(cache=True)
def _greatest_that_runs(place, flows, units, flow_most, number, machines, prices, way, counts, best):
    last = np.inf
    for index in range(flows.shares.shape[0]):
        flow = min(_flow_exceeded(place.usable, flows.shares[index]), units * flow_most)
        if flow == last:
            continue
        last = flow
        if flow < units * machines.flow_least_m3s[number] or flow <= 0.0:
            return
        power = _rated_kw(place, flow, units, number, machines, way)
        needed = prices.least_capacity_factor * power * MWH_PER_KW_YEAR
        if power < prices.least_power_kw or power <= 0.0:
            continue
        if _energy_bound(place, flow, number, machines, prices, way) < needed:
            continue
        counts[SUMMED] += 1
        energy = _mean_kw(place, flow, units, number, power, machines, way) * prices.mwh_per_kw
        if energy < needed:
            continue
        capital, safe_capital = _capital(place, power, flow, units, number, machines, prices)
        _keep_better(best, ANY, index, units, flow, power, energy, capital, prices)
        if machines.safety[number] != NEVER_SAFE:
            _keep_better(best, SAFE, index, units, flow, power, energy, safe_capital, prices)
        return


# Rated power [kW]: at the head that is left when the design flow runs, and no more than the class allows.
@njit(cache=True)
def _rated_kw(place, flow, units, number, machines, way):
    efficiency = machines.efficiency[number]
    head = place.bin_head[max(_bins_above(place.usable, flow) - 1, 0)]
    loss = pipe_loss_m(flow, place.conduit_m, way)
    if loss > 0.0:
        lowest = machines.lowest_relative_flow[number]
        power = way.kw_per_m3s_m * plant_flow_head(flow, flow, units, efficiency, lowest, head, loss)[1]
    else:
        power = way.kw_per_m3s_m * head * flow * efficiency[-1]
    return min(power, units * machines.power_most_kw[number])


# Capital before contingency, without and with a fish screen where the class needs one.
@njit(cache=True)
def _capital(place, power, flow, units, number, machines, prices):
    cost = place.place_cost + machine_capital(
        machines.law_coefficient[number],
        machines.law_power_exponent[number],
        machines.law_head_exponent[number],
        power,
        place.head,
        units if machines.law_per_unit[number] else 1,
    )
    civil = prices.civil * flow**prices.civil_flow_exponent * place.head**prices.civil_head_exponent
    cost += civil * machines.civil_factor[number]
    if place.conduit_m > 0.0:
        cost += prices.conduit_per_m * flow**prices.conduit_flow_exponent * place.conduit_m
    if machines.safety[number] == SAFE_SCREENED:
        return cost, cost + prices.screen_fixed + prices.screen_per_m3s * flow
    return cost, cost


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


# How many bins hold at least this flow; usable flow falls from bin to bin.
@njit(cache=True)
def _bins_above(usable, flow):
    least, most = 0, usable.shape[0]
    while least < most:
        middle = (least + most) // 2
        if usable[middle] >= flow:
            least = middle + 1
        else:
            most = middle
    return least


# Mean power over the bins [kW]; no bin gives more than the rated power.
@njit(cache=True)
def _mean_kw(place, flow_design, units, number, rated, machines, way):
    efficiency, lowest = machines.efficiency[number], machines.lowest_relative_flow[number]
    loss = pipe_loss_m(flow_design, place.conduit_m, way)
    total, usable = 0.0, place.usable
    for index in range(usable.shape[0]):
        if usable[index] <= 0.0:
            break
        head = place.bin_head[index]
        if usable[index] >= flow_design and loss <= 0.0:
            flow_head = flow_design * head * efficiency[-1]
        else:
            flow = min(usable[index], flow_design)
            if flow * units < lowest * flow_design * (1.0 - 1e-9):
                break
            flow_head = plant_flow_head(flow, flow_design, units, efficiency, lowest, head, loss)[1]
        total += min(way.kw_per_m3s_m * flow_head, rated)
    return total / usable.shape[0]


# Usable flow exceeded for a share of the time, straight between bin midpoints.
@njit(cache=True)
def _flow_exceeded(usable, share):
    place = min(max(share * usable.shape[0] - 0.5, 0.0), usable.shape[0] - 1.0)
    below = int(place)
    above = min(below + 1, usable.shape[0] - 1)
    return usable[below] + (place - below) * (usable[above] - usable[below])
