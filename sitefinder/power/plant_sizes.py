"""One size of a machine class at one stretch: rated power, energy and its bound, capital; compiled."""

from typing import NamedTuple

import numpy as np
from numba import njit

from sitefinder.power.conduit import pipe_loss_m
from sitefinder.power.cost import machine_capital
from sitefinder.power.machines import SAFE_SCREENED
from sitefinder.power.running import plant_flow_head

# Rounding may take a true energy above its bound by less than this.
HAIR = 1.0 + 1e-9


class Place(NamedTuple):
    """A stretch as a machine class sees it.

    ``usable`` flow falls from bin to bin [m³/s]; ``bin_head`` is the head of each [m], ``above`` its sums from the
    start and ``below`` the sums of flow times head from the end. ``tries`` are the design flows before any limit
    of a class [m³/s], and ``full`` how many bins hold each. ``head`` is the net head of the survey day [m].
    """

    usable: np.ndarray
    bin_head: np.ndarray
    above: np.ndarray
    below: np.ndarray
    tries: np.ndarray
    full: np.ndarray
    head: float
    layout: int
    conduit_m: float
    place_cost: float


class Here(NamedTuple):
    """What so many units of a class are at a place: bare numbers, which kernels pass on faster than whole tables.

    ``flow_least``, ``flow_most`` [m³/s] and ``power_most`` [kW] are those of all units together; ``law`` and
    ``civil`` are coefficients of cost laws with the head in them, and ``bought`` is how often the law is paid.
    """

    units: int
    flow_least: float
    flow_most: float
    power_most: float
    efficiency: np.ndarray
    peak_efficiency: float
    lowest_relative_flow: float
    safety: int
    law: float
    law_power_exponent: float
    bought: int
    civil: float


@njit(cache=True)
def fits_place(place, number, machines):
    """Whether a class suits the head and the layout of a place, for kernels."""
    suits = machines.suits_layout[number, place.layout]
    return suits and machines.head_least_m[number] <= place.head <= machines.head_most_m[number]


@njit(cache=True)
def class_here(place, number, units, machines, prices, way):
    """What so many units of a class are at a place, as a `Here`, for kernels."""
    efficiency, power_most = machines.efficiency[number], machines.power_most_kw[number]
    flow_most = min(machines.flow_most_m3s[number], power_most / (way.kw_per_m3s_m * place.head * efficiency[-1]))
    return Here(
        units,
        units * machines.flow_least_m3s[number],
        units * flow_most,
        units * power_most,
        efficiency,
        machines.peak_efficiency[number],
        machines.lowest_relative_flow[number],
        machines.safety[number],
        machines.law_coefficient[number] * place.head ** machines.law_head_exponent[number],
        machines.law_power_exponent[number],
        units if machines.law_per_unit[number] else 1,
        prices.civil * place.head**prices.civil_head_exponent * machines.civil_factor[number],
    )


@njit(cache=True)
def bins_full(place, index, flow):
    """How many bins hold a design flow; of one that the class does not limit it is known. For kernels."""
    return place.full[index] if flow == place.tries[index] else bins_above(place.usable, flow)


@njit(cache=True)
def bins_above(usable, flow):
    """How many bins hold at least this flow, for kernels; usable flow falls from bin to bin."""
    least, most = 0, usable.shape[0]
    while least < most:
        middle = (least + most) // 2
        if usable[middle] >= flow:
            least = middle + 1
        else:
            most = middle
    return least


@njit(cache=True)
def rated_kw(place, full, flow, here, way):
    """Rated power [kW]: at the head that is left when the design flow runs, at most what the class allows."""
    efficiency, lowest = here.efficiency, here.lowest_relative_flow
    head = place.bin_head[max(full - 1, 0)]
    loss = pipe_loss_m(flow, place.conduit_m, way)
    if loss > 0.0:
        power = way.kw_per_m3s_m * plant_flow_head(flow, flow, here.units, efficiency, lowest, head, loss)[1]
    else:
        power = way.kw_per_m3s_m * head * flow * efficiency[-1]
    return min(power, here.power_most)


@njit(cache=True)
def capital_of(place, power, flow, here, prices):
    """Capital before contingency, without and with a fish screen where the class needs one; for kernels."""
    # The head is in the law's coefficient already.
    cost = place.place_cost + machine_capital(here.law, here.law_power_exponent, 0.0, power, 1.0, here.bought)
    cost += here.civil * flow**prices.civil_flow_exponent
    if place.conduit_m > 0.0:
        cost += prices.conduit_per_m * flow**prices.conduit_flow_exponent * place.conduit_m
    if here.safety == SAFE_SCREENED:
        return cost, cost + prices.screen_fixed + prices.screen_per_m3s * flow
    return cost, cost


@njit(cache=True)
def energy_bound_mwh(place, full, flow, least, here, prices, way):
    """No plant with a design flow from `least` to `flow` gives more than this [MWh], for kernels.

    Full units take `flow` while there is so much; the peak efficiency takes all less that one unit can run on.
    """
    lowest = here.lowest_relative_flow * least / here.units
    too_little = max(bins_above(place.usable, lowest * (1.0 - 1e-9)), full)
    part = (place.below[full] - place.below[too_little]) * here.peak_efficiency
    flow_head = (place.above[full] * flow * here.efficiency[-1] + part) / place.usable.shape[0]
    return way.kw_per_m3s_m * flow_head * prices.mwh_per_kw * HAIR


@njit(cache=True)
def mean_kw(place, full, flow_design, rated, here, way):
    """Mean power [kW], for kernels: `full` bins hold the design flow, and none gives more than the rated power."""
    efficiency, lowest = here.efficiency, here.lowest_relative_flow
    loss = pipe_loss_m(flow_design, place.conduit_m, way)
    total, usable = 0.0, place.usable
    for index in range(full):
        head = place.bin_head[index]
        if loss > 0.0:
            flow_head = plant_flow_head(flow_design, flow_design, here.units, efficiency, lowest, head, loss)[1]
        else:
            flow_head = flow_design * head * efficiency[-1]
        total += min(way.kw_per_m3s_m * flow_head, rated)
    # Below this not even one unit runs; a hair is left to the rounding of the division.
    least = max(lowest * flow_design / here.units * (1.0 - 1e-9), 0.0)
    for index in range(full, usable.shape[0]):
        if usable[index] < least or usable[index] <= 0.0:
            break
        head = place.bin_head[index]
        flow_head = plant_flow_head(usable[index], flow_design, here.units, efficiency, lowest, head, loss)[1]
        total += min(way.kw_per_m3s_m * flow_head, rated)
    return total / usable.shape[0]


@njit(cache=True)
def fill_tries(usable, shares, tries, full):
    """Usable flows exceeded for shares of time, straight between bin midpoints, and the bins that hold them."""
    bins = usable.shape[0]
    for index in range(shares.shape[0]):
        at = min(max(shares[index] * bins - 0.5, 0.0), bins - 1.0)
        below = int(at)
        above = min(below + 1, bins - 1)
        tries[index] = usable[below] + (at - below) * (usable[above] - usable[below])
        full[index] = bins_above(usable, tries[index])
