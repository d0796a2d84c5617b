"""The search for the best machine, number of units and design flow of each stretch, compiled."""

import numpy as np
from numba import njit

from sitefinder.power.cost import machine_capital
from sitefinder.power.energy import KW_PER_M3S_M, unit_output
from sitefinder.power.machines import NEVER_SAFE, SAFE_SCREENED
from sitefinder.power.prices import score_of, yearly_payment

# Columns of what the search finds for a stretch, a machine and a choice.
FOUND = ("score", "units", "flow_design_m3s", "power_kw", "energy_mwh", "capital_cost", "yearly_cost")
SCORE, UNITS, FLOW, POWER, ENERGY, CAPITAL, YEARLY = range(len(FOUND))
# The two choices of machine: any at all, and those that meet the bar for fish.
ANY, SAFE = 0, 1


def usable_flow(curve_m3s, reserved_m3s):
    """Flow above the reserve from the greatest down, and the bins that it is of.

    Parameters
    ----------
    curve_m3s, reserved_m3s : ndarray of float64, shape (stations, bins)
        Natural and reserved flow [m³/s].

    Returns
    -------
    usable : ndarray of float64, shape (stations, bins)
        [m³/s], falling along each row.
    order : ndarray of int32, shape (stations, bins)
        Bin of the curve that each of them is of.
    """
    usable = np.maximum(curve_m3s - reserved_m3s, 0.0)
    order = np.argsort(-usable, axis=1, kind="stable")
    return np.take_along_axis(usable, order, axis=1), order.astype(np.int32)


@njit(cache=True)
def best_of_stretches(
    usable,
    order,
    rise,
    intake,
    tailrace,
    held,
    head_net,
    layout,
    conduit_m,
    place_cost,
    tries,
    fits,
    machines,
    prices,
):
    """Best machine and size of each stretch, for both choices.

    Parameters
    ----------
    usable : ndarray of float64, shape (stations, bins)
    order : ndarray of int32, same shape
        See `usable_flow`.
    rise : ndarray of float64, same shape
        Rise of the water in each bin of the curve above the level of the survey day [m].
    intake, tailrace, layout : ndarray of int64, shape (n,)
        Station numbers; place in `sitefinder.power.machines.LAYOUTS`.
    held : ndarray of bool, shape (n,)
        True where the level at the intake does not move.
    head_net, conduit_m, place_cost : ndarray of float64, shape (n,)
        Net head at the levels of the survey day [m], conduit length [m], capital of the place.
    tries : ndarray of float64, shape (t,)
        Shares of time that the design flows are exceeded, rising.
    fits : ndarray of bool, shape (n, classes)
        False where the stream is too shallow or narrow for a class, see `sitefinder.power.machines.fits_stream`.
    machines : sitefinder.power.machines.MachineTable
    prices : Prices

    Returns
    -------
    machine : ndarray of int64, shape (n, 2)
        Row of the best machine for the choices ANY and SAFE; -1 where none fits. Ties go to the earlier row.
    found : ndarray of float64, shape (n, 2, len(FOUND))
        NaN where none fits.
    tried : int
        Sizes (stretch × machine × units × design flow) judged, those included that a bound shows to be no better.

    Notes
    -----
    A plant is rated at the head that is left when its design flow runs: that of the last bin with so much flow, or
    of the greatest flow where none has. No bin gives more than the rated power, nor has a plant more than the
    class allows. The class's range of heads, and costs, go by the head of the survey day.
    """
    rows, classes = intake.shape[0], machines.safety.shape[0]
    best = np.full((rows, 2), -1)
    found = np.full((rows, 2, len(FOUND)), np.nan)
    one, to_beat = np.empty((2, len(FOUND))), np.empty(2)
    head, above, below = _bin_arrays(usable.shape[1])
    tried = 0
    for row in range(rows):
        to_beat[:] = -np.inf
        _fill_heads(usable, order, rise, intake[row], tailrace[row], held[row], head_net[row], head, above, below)
        for number in range(classes):
            if not fits[row, number]:
                continue
            tried += _best_sizes(
                usable[intake[row]],
                head,
                above,
                below,
                head_net[row],
                layout[row],
                conduit_m[row],
                place_cost[row],
                tries,
                number,
                to_beat,
                machines,
                prices,
                one,
            )
            for choice in range(2):
                if one[choice, SCORE] > to_beat[choice]:
                    best[row, choice] = number
                    # By loop: an assignment of slices takes seconds to compile.
                    for column in range(len(FOUND)):
                        found[row, choice, column] = one[choice, column]
                    to_beat[choice] = one[choice, SCORE]
    return best, found, tried


@njit(cache=True)
def best_of_machines(
    usable,
    order,
    rise,
    intake,
    tailrace,
    held,
    head_net,
    layout,
    conduit_m,
    place_cost,
    tries,
    fits,
    machines,
    prices,
):
    """Best size of every machine class at each stretch; arguments as `best_of_stretches`.

    Returns
    -------
    ndarray of float64, shape (n, classes, 2, len(FOUND))
        NaN where the class does not fit.
    """
    rows, classes = intake.shape[0], machines.safety.shape[0]
    found = np.empty((rows, classes, 2, len(FOUND)))
    nothing_to_beat = np.full(2, -np.inf)
    head, above, below = _bin_arrays(usable.shape[1])
    for row in range(rows):
        _fill_heads(usable, order, rise, intake[row], tailrace[row], held[row], head_net[row], head, above, below)
        for number in range(classes):
            if not fits[row, number]:
                found[row, number, :, :] = np.nan
                continue
            _best_sizes(
                usable[intake[row]],
                head,
                above,
                below,
                head_net[row],
                layout[row],
                conduit_m[row],
                place_cost[row],
                tries,
                number,
                nothing_to_beat,
                machines,
                prices,
                found[row, number],
            )
    return found


# Head of each bin, its sums from the start, and the sums of usable flow times head from the end.
@njit(cache=True)
def _bin_arrays(bins):
    return np.empty(bins), np.zeros(bins + 1), np.zeros(bins + 1)


# Fill the three for one stretch. A head below nought gives no power.
@njit(cache=True)
def _fill_heads(usable, order, rise, intake, tailrace, held, head_net, head, above, below):
    bins = head.shape[0]
    for place in range(bins):
        number = order[intake, place]
        level = head_net - rise[tailrace, number]
        if not held:
            level += rise[intake, number]
        head[place] = max(level, 0.0)
        above[place + 1] = above[place] + head[place]
    for place in range(bins - 1, -1, -1):
        below[place] = below[place + 1] + usable[intake, place] * head[place]


# Best number of units and design flow of one class at one stretch, into found[choice]; returns the sizes judged.
# Sizes that cannot score above to_beat[choice] are passed over.
@njit(cache=True)
def _best_sizes(
    usable,
    bin_head,
    above,
    below,
    head,
    layout,
    conduit_m,
    place_cost,
    tries,
    number,
    to_beat,
    machines,
    prices,
    found,
):
    found[:] = np.nan
    if not (machines.head_least_m[number] <= head <= machines.head_most_m[number]):
        return 0
    if not machines.suits_layout[number, layout]:
        return 0
    efficiency, lowest = machines.efficiency[number], machines.lowest_relative_flow[number]
    flow_most = machines.power_most_kw[number] / (KW_PER_M3S_M * head * efficiency[-1])
    flow_most = min(machines.flow_most_m3s[number], flow_most)
    safety = machines.safety[number]
    any_bar, safe_bar = to_beat[ANY], to_beat[SAFE]
    judged = 0
    for units in range(1, machines.units_most[number] + 1):
        last = np.inf
        for share in tries:
            flow = min(_flow_exceeded(usable, share), units * flow_most)
            if flow == last:
                continue
            last = flow
            # Design flows fall from here on, so nothing smaller can fit either.
            if flow < units * machines.flow_least_m3s[number] or flow <= 0.0:
                break
            full = _bins_above(usable, flow)
            power = KW_PER_M3S_M * bin_head[max(full - 1, 0)] * flow * efficiency[-1]
            power = min(power, units * machines.power_most_kw[number])
            # A smaller one may be better where floods drown the head.
            if power < prices.least_power_kw or power <= 0.0:
                continue
            judged += 1
            capital = place_cost + _size_cost(power, head, flow, units, conduit_m, number, machines, prices)
            safe_capital = capital
            if safety == SAFE_SCREENED:
                safe_capital += prices.screen_fixed + prices.screen_per_m3s * flow
            # No more energy than all usable flow up to the design flow at the peak efficiency; a hair is added
            # because rounding may take the true value above it.
            bound = (above[full] * flow + below[full]) / usable.shape[0] * machines.peak_efficiency[number]
            energy = KW_PER_M3S_M * bound * prices.mwh_per_kw * (1.0 + 1e-9)
            hopeful = score_of(energy, capital, power, prices) > any_bar
            if safety != NEVER_SAFE:
                hopeful |= score_of(energy, safe_capital, power, prices) > safe_bar
            if not hopeful:
                continue
            mean_kw = _mean_power(usable, bin_head, full, flow, units, efficiency, lowest, power)
            energy = mean_kw * prices.mwh_per_kw
            any_bar = _keep_better(found[ANY], any_bar, units, flow, power, energy, capital, prices)
            if safety != NEVER_SAFE:
                safe_bar = _keep_better(found[SAFE], safe_bar, units, flow, power, energy, safe_capital, prices)
    return judged


# Capital that grows with the size of the plant: machines, civil works, conduit.
@njit(cache=True)
def _size_cost(power, head, flow, units, conduit_m, number, machines, prices):
    cost = machine_capital(
        machines.law_coefficient[number],
        machines.law_power_exponent[number],
        machines.law_head_exponent[number],
        power,
        head,
        units if machines.law_per_unit[number] else 1,
    )
    civil = prices.civil * flow**prices.civil_flow_exponent * head**prices.civil_head_exponent
    cost += civil * machines.civil_factor[number]
    if conduit_m > 0.0:
        cost += prices.conduit_per_m * flow**prices.conduit_flow_exponent * conduit_m
    return cost


# Put one size into `best` if its score passes the bar; returns the bar that then holds.
@njit(cache=True)
def _keep_better(best, bar, units, flow, power, energy, capital, prices):
    score = score_of(energy, capital, power, prices)
    if not score > bar:
        return bar
    best[SCORE], best[UNITS], best[FLOW], best[POWER], best[ENERGY] = score, units, flow, power, energy
    best[CAPITAL], best[YEARLY] = capital * prices.contingency_factor, yearly_payment(capital, power, prices)
    return score


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


# Mean power over the bins [kW], of which the first `full` run at the design flow; no bin gives more than `most`.
@njit(cache=True)
def _mean_power(usable, head, full, flow_design, units, efficiency, lowest, most):
    total = 0.0
    for place in range(full):
        total += min(KW_PER_M3S_M * head[place] * flow_design * efficiency[-1], most)
    for place in range(full, usable.shape[0]):
        output = unit_output(usable[place], flow_design, units, efficiency, lowest)[1]
        if output == 0.0:
            break
        total += min(KW_PER_M3S_M * head[place] * output, most)
    return total / usable.shape[0]


# Usable flow exceeded for a share of the time, straight between bin midpoints.
@njit(cache=True)
def _flow_exceeded(usable, share):
    place = min(max(share * usable.shape[0] - 0.5, 0.0), usable.shape[0] - 1.0)
    below = int(place)
    above = min(below + 1, usable.shape[0] - 1)
    return usable[below] + (place - below) * (usable[above] - usable[below])
