"""How a plant runs in each bin of the curve: units switched on in turn, throttled behind a pipe; compiled."""

import math

import numpy as np

from sitefinder.compiled import kernel, part
from sitefinder.power.conduit import pipe_loss_m

# Halvings of a hundredth of the design flow in the search for the best throttled flow: to the last digits.
HALVINGS = 45


@part
def plant_flow_head(flow_m3s, flow_design_m3s, units, efficiency, lowest_relative_flow, head_m, loss_design_m):
    """Flow that a plant takes for most power, and flow times head times efficiency [m³/s · m], for kernels.

    Parameters
    ----------
    flow_m3s, flow_design_m3s : float
        Flow that it may take, and design flow of all units [m³/s].
    units : int
    efficiency : ndarray of float64, shape (101,)
        See `sitefinder.power.machines.efficiency_table`.
    lowest_relative_flow : float
        Of a unit.
    head_m, loss_design_m : float
        Head before the pipe, and what the pipe takes of it at the design flow [m].

    Returns
    -------
    used_m3s, flow_head : float

    Notes
    -----
    So many units run, sharing the flow equally, as give most power; a unit below its lowest flow stands still. A
    unit may run full and spill the rest rather than share with another that would stand still. Behind a pipe the
    plant is throttled where less flow gives more power. Both together mean that more flow or head never gives
    less power.
    """
    best_used, best_value = 0.0, 0.0
    if head_m <= 0.0:
        return best_used, best_value
    first = 1
    if loss_design_m <= 0.0:
        # Of numbers of units that all run full, the greatest is the best.
        first = min(max(int(flow_m3s * units / flow_design_m3s), 1), units)
    for running in range(first, units + 1):
        full = flow_design_m3s * running / units
        used = min(flow_m3s, full)
        relative = used / full
        if relative < lowest_relative_flow:
            break  # with more units each would get still less
        value = used * _efficiency(efficiency, relative) * head_m
        if value <= best_value:
            continue  # not the best so far, even if the pipe took nothing
        if loss_design_m > 0.0:
            loss_full_m = loss_design_m * (running / units) ** 2
            relative, value = _throttled(relative, efficiency, lowest_relative_flow, head_m, loss_full_m)
            used, value = relative * full, value * full
        if value > best_value:
            best_used, best_value = used, value
    return best_used, best_value


@part
def _efficiency(efficiency, relative):
    place = relative * (efficiency.shape[0] - 1)
    step = min(int(place), efficiency.shape[0] - 2)
    return efficiency[step] + (place - step) * (efficiency[step + 1] - efficiency[step])


# Relative flow up to `most` at which x · eta(x) · (head - loss · x²) is greatest, and that value. Goes down from
# the piece of the efficiency curve in which `most` lies; x · eta(x) does not fall with x, so a piece whose upper
# end would not do even without loss ends the search.
@part
def _throttled(most, efficiency, lowest, head, loss):
    pieces = efficiency.shape[0] - 1
    upper, upper_eta = most, _efficiency(efficiency, most)
    best_at, best = most, most * upper_eta * (head - loss * most * most)
    step = min(math.ceil(most * pieces) - 1, pieces - 1)
    while step >= 0 and upper > lowest and upper * upper_eta * head > best:
        lower = max(step / pieces, lowest)
        slope = (efficiency[step + 1] - efficiency[step]) * pieces
        base = efficiency[step] - slope * step / pieces
        low, high = lower, upper
        # Power rises at the lower end of the piece and falls at its upper one: between them lies one top.
        if _rise(low, base, slope, head, loss) > 0.0 > _rise(high, base, slope, head, loss):
            for _ in range(HALVINGS):
                middle = 0.5 * (low + high)
                if _rise(middle, base, slope, head, loss) > 0.0:
                    low = middle
                else:
                    high = middle
        value = low * (base + slope * low) * (head - loss * low * low)
        if value > best:
            best_at, best = low, value
        upper, upper_eta = lower, base + slope * lower
        step -= 1
    return best_at, best


# Derivative of x · (base + slope · x) · (head - loss · x²).
@part
def _rise(x, base, slope, head, loss):
    return base * head + 2.0 * slope * head * x - 3.0 * base * loss * x * x - 4.0 * slope * loss * x**3


@part
def fill_bins(
    curve,
    reserved,
    head,
    flow_design,
    units,
    efficiency,
    lowest,
    shut_down,
    loss_design,
    kw_per_m3s_m,
    power,
    used,
):
    """Power [kW] and flow used [m³/s] of one plant in each bin, into the last two arguments; for kernels."""
    for index in range(curve.shape[0]):
        power[index], used[index] = 0.0, 0.0
        usable = curve[index] - reserved[index]
        if curve[index] > shut_down or usable <= 0.0 or head[index] <= 0.0:
            continue
        may_take = min(usable, flow_design)
        used[index], flow_head = plant_flow_head(
            may_take, flow_design, units, efficiency, lowest, head[index], loss_design
        )
        power[index] = kw_per_m3s_m * flow_head


@kernel(fills=("heads", "power", "used"))
def fill_plants(
    curve,
    reserved,
    rise,
    intake,
    tailrace,
    held,
    head,
    flow_design,
    rated,
    units,
    machine,
    conduit_m,
    efficiency,
    lowest,
    way,
    heads,
    power,
    used,
):
    """`fill_bins` of many plants that each have a machine; see `sitefinder.power.energy.bins_of_plants`.

    ``way`` is a record of `sitefinder.power.conduit.WATERWAY`, ``heads`` room to work in; the last two are filled.
    """
    rows, bins = intake.shape[0], curve.shape[1]
    for row in range(rows):
        for index in range(bins):
            heads[index] = head[row] - rise[tailrace[row], index]
            if not held[row]:
                heads[index] += rise[intake[row], index]
        number = machine[row]
        fill_bins(
            curve[intake[row]],
            reserved[intake[row]],
            heads,
            flow_design[row],
            units[row],
            efficiency[number],
            lowest[number],
            np.inf,
            pipe_loss_m(flow_design[row], conduit_m[row], way),
            way.kw_per_m3s_m,
            power[row],
            used[row],
        )
        for index in range(bins):
            power[row, index] = min(power[row, index], rated[row])
