"""One size of a machine class at one stretch: rated power, energy and its bound, capital; compiled."""

import numpy as np

from sitefinder.compiled import part
from sitefinder.power.conduit import pipe_loss_m
from sitefinder.power.cost import machine_capital
from sitefinder.power.machines import SAFE_SCREENED
from sitefinder.power.running import plant_flow_head

# Rounding may take a true energy above its bound by less than this.
HAIR = 1.0 + 1e-9

# Rows of a table of bins, one column a bin and one more: usable flow, which falls from bin to bin [m³/s]; the head
# of each [m]; sums of the heads from the start; sums of flow times head from the end.
USABLE, HEAD, ABOVE, BELOW = range(4)

# Machine classes, one record a class, without their efficiency: with records kernels compile in a fraction of the
# time that a tuple of arrays takes. Names as in `sitefinder.power.machines.MachineTable`.
CLASS = np.dtype(
    [
        ("flow_least_m3s", np.float64),
        ("flow_most_m3s", np.float64),
        ("power_most_kw", np.float64),
        ("units_most", np.int64),
        ("lowest_relative_flow", np.float64),
        ("peak_efficiency", np.float64),
        ("safety", np.int64),
        ("law_coefficient", np.float64),
        ("law_power_exponent", np.float64),
        ("law_head_exponent", np.float64),
        ("law_per_unit", np.int64),
        ("civil_factor", np.float64),
    ]
)
# What so many units of a class are at a place. ``flow_least``, ``flow_most`` [m³/s] and ``power_most`` [kW] are of
# all units together; ``law`` and ``civil`` are coefficients of cost laws with the head in them, and ``bought`` is
# how often the law is paid. ``head`` is the place's net head of the survey day [m], ``place_cost`` its capital.
CLASS_AT_SITE = np.dtype(
    [
        ("head", np.float64),
        ("conduit_m", np.float64),
        ("place_cost", np.float64),
        ("units", np.int64),
        ("flow_least", np.float64),
        ("flow_most", np.float64),
        ("power_most", np.float64),
        ("full_efficiency", np.float64),
        ("peak_efficiency", np.float64),
        ("lowest_relative_flow", np.float64),
        ("safety", np.int64),
        ("law", np.float64),
        ("law_power_exponent", np.float64),
        ("bought", np.int64),
        ("civil", np.float64),
    ]
)


@part
def fill_class(here, units, one, full_efficiency, prices):
    """Fill a `CLASS_AT_SITE` with so many units of a class, whose efficiency is that at full flow, for kernels."""
    head = here.head
    flow_most = min(one.flow_most_m3s, one.power_most_kw / (prices.kw_per_m3s_m * head * full_efficiency))
    here.units = units
    here.flow_least = units * one.flow_least_m3s
    here.flow_most = units * flow_most
    here.power_most = units * one.power_most_kw
    here.full_efficiency = full_efficiency
    here.peak_efficiency = one.peak_efficiency
    here.lowest_relative_flow = one.lowest_relative_flow
    here.safety = one.safety
    here.law = one.law_coefficient * head**one.law_head_exponent
    here.law_power_exponent = one.law_power_exponent
    here.bought = units if one.law_per_unit else 1
    here.civil = prices.civil * head**prices.civil_head_exponent * one.civil_factor


@part
def bins_above(bins, flow):
    """How many bins hold at least this flow, for kernels; usable flow falls from bin to bin."""
    least, most = 0, bins.shape[1] - 1
    while least < most:
        middle = (least + most) // 2
        if bins[USABLE, middle] >= flow:
            least = middle + 1
        else:
            most = middle
    return least


@part
def rated_kw(bins, full, flow, here, efficiency, prices):
    """Rated power [kW]: at the head that is left when the design flow runs, at most what the class allows."""
    head = bins[HEAD, max(full - 1, 0)]
    loss = pipe_loss_m(flow, here.conduit_m, prices)
    if loss > 0.0:
        lowest = here.lowest_relative_flow
        power = prices.kw_per_m3s_m * plant_flow_head(flow, flow, here.units, efficiency, lowest, head, loss)[1]
    else:
        power = prices.kw_per_m3s_m * head * flow * here.full_efficiency
    return min(power, here.power_most)


@part
def capital_of(power, flow, here, prices):
    """Capital before contingency, without a fish screen; for kernels."""
    # The head is in the law's coefficient already.
    cost = here.place_cost + machine_capital(here.law, here.law_power_exponent, 0.0, power, 1.0, here.bought)
    cost += here.civil * flow**prices.civil_flow_exponent
    if here.conduit_m > 0.0:
        cost += prices.conduit_per_m * flow**prices.conduit_flow_exponent * here.conduit_m
    return cost


@part
def safe_capital_of(capital, flow, here, prices):
    """The same with a fish screen where the class needs one; for kernels."""
    if here.safety == SAFE_SCREENED:
        return capital + prices.screen_fixed + prices.screen_per_m3s * flow
    return capital


@part
def energy_bound_mwh(bins, full, flow, least, here, prices):
    """No plant with a design flow from `least` to `flow` gives more than this [MWh], for kernels.

    Full units take `flow` while there is so much; the peak efficiency takes all less that one unit can run on.
    """
    lowest = here.lowest_relative_flow * least / here.units
    too_little = max(bins_above(bins, lowest * (1.0 - 1e-9)), full)
    partial = (bins[BELOW, full] - bins[BELOW, too_little]) * here.peak_efficiency
    flow_head = (bins[ABOVE, full] * flow * here.full_efficiency + partial) / (bins.shape[1] - 1)
    return prices.kw_per_m3s_m * flow_head * prices.mwh_per_kw * HAIR


@part
def mean_kw(bins, full, flow_design, rated, here, efficiency, prices):
    """Mean power [kW], for kernels: `full` bins hold the design flow, and none gives more than the rated power."""
    lowest, units = here.lowest_relative_flow, here.units
    loss = pipe_loss_m(flow_design, here.conduit_m, prices)
    # Below this not even one unit runs; a hair is left to the rounding of the division.
    least = max(lowest * flow_design / units * (1.0 - 1e-9), 0.0)
    total, count = 0.0, bins.shape[1] - 1
    for index in range(count):
        head = bins[HEAD, index]
        flow = flow_design
        if index >= full:
            flow = bins[USABLE, index]
            if flow < least or flow <= 0.0:
                break
        if index < full and loss <= 0.0:
            flow_head = flow_design * head * here.full_efficiency
        else:
            flow_head = plant_flow_head(flow, flow_design, units, efficiency, lowest, head, loss)[1]
        total += min(prices.kw_per_m3s_m * flow_head, rated)
    return total / count


@part
def fill_tries(bins, shares, tries, full):
    """Usable flows exceeded for shares of time, straight between bin midpoints, and the bins that hold them."""
    count = bins.shape[1] - 1
    for index in range(shares.shape[0]):
        at = min(max(shares[index] * count - 0.5, 0.0), count - 1.0)
        below = int(at)
        above = min(below + 1, count - 1)
        tries[index] = bins[USABLE, below] + (at - below) * (bins[USABLE, above] - bins[USABLE, below])
        full[index] = bins_above(bins, tries[index])
