"""The search for the best machine, number of units and design flow of each stretch, compiled."""

import numpy as np

from sitefinder.compiled import kernel, part
from sitefinder.power.plant_sizes import (
    ABOVE,
    BELOW,
    CLASS,
    CLASS_AT_SITE,
    HEAD,
    USABLE,
    fill_class,
    fill_tries,
)
from sitefinder.power.prices import search_record
from sitefinder.power.sizes import AT, BAR, FOUND, HELD, INTERVALS, SCORE, best_sizes, judge


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
    machine, found, _, counts = _searched(
        usable, order, rise, intake, tailrace, held, head_net, layout, conduit_m, place_cost, flows, fits,
        machines, prices, way, False,
    )  # fmt: skip
    return machine, found, counts


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
    return _searched(
        usable, order, rise, intake, tailrace, held, head_net, layout, conduit_m, place_cost, flows, fits,
        machines, prices, way, True,
    )[2]  # fmt: skip


# Best machine and size of each stretch, or with `of_each` the best size of each class at each; brought to the one
# layout and dtype of each argument for which the kernel is compiled.
def _searched(
    usable, order, rise, intake, tailrace, held, head_net, layout, conduit_m, place_cost, flows, fits, machines,
    prices, way, of_each,
):  # fmt: skip
    rows, classes, bins = len(intake), len(machines.safety), usable.shape[1]
    head_net = np.ascontiguousarray(head_net, dtype=np.float64)
    suits = (machines.head_least_m <= head_net[:, None]) & (head_net[:, None] <= machines.head_most_m)
    suits &= fits & machines.suits_layout[:, layout].T
    records = np.empty(classes, dtype=CLASS)
    for name in CLASS.names:
        records[name] = getattr(machines, name)
    machine = np.full((rows, 2), -1, dtype=np.int64)
    found = np.full((rows, 2, len(FOUND)), np.nan)
    each = np.full((rows if of_each else 0, classes, 2, len(FOUND)), np.nan)
    counts = np.zeros(2, dtype=np.int64)
    _search(
        *(np.ascontiguousarray(table, dtype=np.float64) for table in (usable, rise)),
        np.ascontiguousarray(order, dtype=np.int32),
        *(np.ascontiguousarray(part, dtype=np.int64) for part in (intake, tailrace)),
        np.ascontiguousarray(held, dtype=np.bool_),
        head_net,
        *(np.ascontiguousarray(part, dtype=np.float64) for part in (conduit_m, place_cost, flows.shares)),
        np.ascontiguousarray(flows.coarse, dtype=np.int64),
        np.ascontiguousarray(suits),
        records,
        np.ascontiguousarray(machines.efficiency, dtype=np.float64),
        search_record(prices, way),
        np.empty(1, dtype=CLASS_AT_SITE),
        np.zeros((4, bins + 1)),
        np.empty(len(flows.shares)),
        np.empty(len(flows.shares), dtype=np.int64),
        np.empty((INTERVALS, 2), dtype=np.int64),
        np.full((2, HELD), np.nan),
        np.empty(2),
        of_each,
        machine,
        found,
        each,
        counts,
    )
    return machine, found, each, counts


# The last four arguments are filled; the eight before `of_each` from `heres` are room to work in.
@kernel(fills=("heres", "bins", "tries", "full", "stack", "best", "to_beat", "machine", "found", "each", "counts"))
def _search(
    usable, rise, order, intake, tailrace, held, head_net, conduit_m, place_cost, shares, coarse, suits, classes,
    efficiency, prices, heres, bins, tries, full, stack, best, to_beat, of_each, machine, found, each, counts,
):  # fmt: skip
    here = heres[0]
    for row in range(intake.shape[0]):
        _fill_bins(usable, rise, order, intake[row], tailrace[row], held[row], head_net[row], bins)
        fill_tries(bins, shares, tries, full)
        here.head, here.conduit_m, here.place_cost = head_net[row], conduit_m[row], place_cost[row]
        to_beat[0] = to_beat[1] = -np.inf
        if not of_each:
            # A first score to beat, so that poor classes are passed over from the start: that of the middle design
            # flow, with as few units as take it. It is set just below what was found, so that the search finds
            # that, or better, again.
            best[0, BAR] = best[1, BAR] = -np.inf
            best[0, AT] = best[1, AT] = -1.0
            if prices.least_capacity_factor <= 0.0:
                middle = coarse[coarse.shape[0] // 2]
                for number in range(classes.shape[0]):
                    if suits[row, number]:
                        one, full_efficiency = classes[number], efficiency[number, -1]
                        fill_class(here, 1, one, full_efficiency, prices)
                        each_flow, units = here.flow_most, 1
                        while units < one.units_most and units * each_flow < tries[middle]:
                            units += 1
                        fill_class(here, units, one, full_efficiency, prices)
                        judge(bins, tries, full, middle, here, efficiency[number], prices, counts, best)
            to_beat[0] = np.nextafter(best[0, BAR], -np.inf)
            to_beat[1] = np.nextafter(best[1, BAR], -np.inf)
        for number in range(classes.shape[0]):
            if not suits[row, number]:
                continue
            best_sizes(
                bins, tries, full, coarse, classes[number], to_beat, here, efficiency[number], prices, counts,
                stack, best,
            )  # fmt: skip
            for choice in range(2):
                if of_each:
                    for column in range(BAR):
                        each[row, number, choice, column] = best[choice, column]
                elif best[choice, SCORE] > to_beat[choice]:
                    machine[row, choice] = number
                    for column in range(BAR):
                        found[row, choice, column] = best[choice, column]
                    to_beat[choice] = best[choice, SCORE]


# Usable flow and head of each bin, its sums from the start, and the sums of usable flow times head from the end,
# for one stretch. A head below nought gives no power.
@part
def _fill_bins(usable, rise, order, intake, tailrace, held, head_net, bins):
    count = bins.shape[1] - 1
    for place in range(count):
        number = order[intake, place]
        level = head_net - rise[tailrace, number]
        if not held:
            level += rise[intake, number]
        bins[USABLE, place] = usable[intake, place]
        bins[HEAD, place] = max(level, 0.0)
        bins[ABOVE, place + 1] = bins[ABOVE, place] + bins[HEAD, place]
    for place in range(count - 1, -1, -1):
        bins[BELOW, place] = bins[BELOW, place + 1] + bins[USABLE, place] * bins[HEAD, place]
