"""The search for the best machine, number of units and design flow of each stretch, compiled."""

import numpy as np
from numba import njit

from sitefinder.power.plant_sizes import Place, class_here, fill_tries, fits_place
from sitefinder.power.sizes import FOUND, SCORE, Best, best_sizes, judge


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
    flows,
    fits,
    machines,
    prices,
    way,
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
    flows : sitefinder.power.sizes.DesignFlows
    fits : ndarray of bool, shape (n, classes)
        False where the stream is too shallow or narrow for a class, see `sitefinder.power.machines.fits_stream`.
    machines : sitefinder.power.machines.MachineTable
    prices : sitefinder.power.prices.Prices
    way : sitefinder.power.conduit.Waterway

    Returns
    -------
    machine : ndarray of int64, shape (n, 2)
        Row of the best machine for the choices ANY and SAFE; -1 where none fits. Ties go to the earlier row.
    found : ndarray of float64, shape (n, 2, len(FOUND))
        NaN where none fits.
    counts : ndarray of int64, shape (2,)
        Sizes (stretch × machine × units × design flow) that the search covers, and those of them whose energy was
        summed over the curve; bounds show that the others are no better.

    Notes
    -----
    A plant is rated at the head that is left when its design flow runs: that of the last bin with so much flow, or
    of the greatest flow where none has. No bin gives more than the rated power, nor has a plant more than the
    class allows. The class's range of heads, and costs, go by the head of the survey day before a pipe's loss.
    """
    rows, classes = intake.shape[0], machines.safety.shape[0]
    machine = np.full((rows, 2), -1)
    found = np.full((rows, 2, len(FOUND)), np.nan)
    best, to_beat = _nothing_found(), np.empty(2)
    counts = np.zeros(2, dtype=np.int64)
    head, above, below = _bin_arrays(usable.shape[1])
    tries, full = np.empty(flows.shares.shape[0]), np.empty(flows.shares.shape[0], dtype=np.int64)
    for row in range(rows):
        own = usable[intake[row]]
        _fill_heads(usable, order, rise, intake[row], tailrace[row], held[row], head_net[row], head, above, below)
        fill_tries(own, flows.shares, tries, full)
        place = Place(
            own, head, above, below, tries, full, head_net[row], layout[row], conduit_m[row], place_cost[row]
        )
        _first_bar(place, flows.coarse, fits[row], machines, prices, way, counts, best, to_beat)
        for number in range(classes):
            if not fits[row, number]:
                continue
            best_sizes(place, flows.coarse, number, to_beat, machines, prices, way, counts, best)
            for choice in range(2):
                if best.found[choice, SCORE] > to_beat[choice]:
                    machine[row, choice] = number
                    # By loop: an assignment of slices takes seconds to compile.
                    for column in range(len(FOUND)):
                        found[row, choice, column] = best.found[choice, column]
                    to_beat[choice] = best.found[choice, SCORE]
    return machine, found, counts


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
    flows,
    fits,
    machines,
    prices,
    way,
):
    """Best size of every machine class at each stretch; arguments as `best_of_stretches`.

    Returns
    -------
    ndarray of float64, shape (n, classes, 2, len(FOUND))
        NaN where the class does not fit.
    """
    rows, classes = intake.shape[0], machines.safety.shape[0]
    found = np.full((rows, classes, 2, len(FOUND)), np.nan)
    nothing_to_beat = np.full(2, -np.inf)
    best, counts = _nothing_found(), np.zeros(2, dtype=np.int64)
    head, above, below = _bin_arrays(usable.shape[1])
    tries, full = np.empty(flows.shares.shape[0]), np.empty(flows.shares.shape[0], dtype=np.int64)
    for row in range(rows):
        own = usable[intake[row]]
        _fill_heads(usable, order, rise, intake[row], tailrace[row], held[row], head_net[row], head, above, below)
        fill_tries(own, flows.shares, tries, full)
        place = Place(
            own, head, above, below, tries, full, head_net[row], layout[row], conduit_m[row], place_cost[row]
        )
        for number in range(classes):
            if not fits[row, number]:
                continue
            best_sizes(place, flows.coarse, number, nothing_to_beat, machines, prices, way, counts, best)
            for choice in range(2):
                for column in range(len(FOUND)):
                    found[row, number, choice, column] = best.found[choice, column]
    return found


# A first score to beat, so that poor classes are passed over from the start: that of the middle design flow, with
# as few units as take it. It is set just below what was found, so that the search finds that, or better, again.
@njit(cache=True)
def _first_bar(place, coarse, fits, machines, prices, way, counts, best, to_beat):
    best.bar[:], best.at[:] = -np.inf, -1
    if prices.least_capacity_factor <= 0.0:
        middle = coarse[coarse.shape[0] // 2]
        for number in range(fits.shape[0]):
            if fits[number] and fits_place(place, number, machines):
                one = class_here(place, number, 1, machines, prices, way)
                units = 1
                while units < machines.units_most[number] and units * one.flow_most < place.tries[middle]:
                    units += 1
                here = class_here(place, number, units, machines, prices, way)
                judge(place, middle, here, prices, way, counts, best)
    for choice in range(2):
        to_beat[choice] = np.nextafter(best.bar[choice], -np.inf)


@njit(cache=True)
def _nothing_found():
    return Best(np.full((2, len(FOUND)), np.nan), np.full(2, -np.inf), np.full(2, -1))


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
