"""The compiled search for the best turbine, number of units and design flow of each stretch."""

from typing import NamedTuple

import numpy as np

from sitefinder.compiled import kernel, part
from sitefinder.energy.costs import (
    capital_factor,
    law_numbers,
    own_use,
    screen_cost,
    turbine_capital,
    value_by_prices,
    yearly_capital_factor,
)
from sitefinder.energy.hydraulics import WATERWAY, pipe_diameter_m, pipe_friction, pipe_loss_by_diameter_m
from sitefinder.energy.operation import efficiency_at, plant_flow_head
from sitefinder.energy.plant import yearly_energy_mwh
from sitefinder.energy.runners import scale_factor, unit_flow_limit
from sitefinder.energy.works import FLOW_TERMS, Works, fill_flow_terms, sized_works, works_numbers
from sitefinder.units import HOURS_PER_YEAR, KILOWATT_HOURS_PER_MEGAWATT_HOUR, SECONDS_PER_HOUR


class Prices(NamedTuple):
    """Costs that depend on size, and the value of energy, as bare numbers for the kernels."""

    screen_per_m3s: float
    screen_fixed: float
    screen_loss_m: float
    bypass_share: float
    capital_factor: float
    yearly_capital_factor: float
    operation_share: float
    operation_min: float
    operation_law: float
    operation_law_exponent: float
    water_fee_per_kw: float
    water_fee_per_mwh: float
    water_fee_per_m3: float
    price_per_mwh: float
    own_price_per_mwh: float
    own_share: float
    own_max_mwh: float
    mwh_per_kw: float
    min_power_kw: float
    by_energy: bool
    by_cost: bool
    min_capacity_factor: float
    works: Works


# Prices, works and waterway in one record for the kernels; booleans as 1 and 0.
_FIELDS = {name: kind for name, kind in Prices.__annotations__.items() if kind is not Works}
SEARCH = np.dtype(
    [(name, np.float64 if kind is float else np.int64) for name, kind in (_FIELDS | Works.__annotations__).items()]
    + WATERWAY.descr
)


# Prices, works and waterway in one record.
def _search_record(prices, conduit):
    own = (getattr(prices, name) for name in _FIELDS)
    return _with_attributes(np.array([(*own, *prices.works, *conduit)], dtype=SEARCH))[0]


# Records as the search takes them. Where it is not compiled, as by NUMBA_DISABLE_JIT=1, their fields must be
# attributes all the same.
def _with_attributes(records):
    return records if hasattr(_search, "compiled") else records.view(np.recarray)


def search_prices(costs, settings):
    """Prices for the kernels from a cost file and the settings of the run.

    Parameters
    ----------
    costs : sitefinder.catalogue.costs.CostFile
    settings : sitefinder.settings.Settings
        Reads the sections energy, costs and ranking.

    Returns
    -------
    Prices
    """
    screen = costs.screen.design
    law = None if costs.operation.law is None else law_numbers(costs.operation.law)
    fee = costs.operation.water_fee
    price, own_price, own_share, own_max = own_use(settings.costs)
    return Prices(
        screen_per_m3s=screen_cost(costs, 1.0) - screen_cost(costs, 0.0),
        screen_fixed=screen_cost(costs, 0.0),
        screen_loss_m=0.0 if screen is None else screen.head_loss_m,
        bypass_share=0.0 if screen is None else screen.bypass_share,
        capital_factor=capital_factor(costs, settings.costs.real_rate),
        yearly_capital_factor=float(
            yearly_capital_factor(costs.operation, settings.costs.real_rate, settings.costs.lifetime_years)
        ),
        operation_share=costs.operation.share_of_capital,
        operation_min=costs.operation.min_per_year,
        # Without a law the share alone counts.
        operation_law=np.inf if law is None else law.coefficient,
        operation_law_exponent=0.0 if law is None else law.power_exponent,
        water_fee_per_kw=0.0 if fee is None else fee.per_kw,
        water_fee_per_mwh=0.0 if fee is None else fee.per_kwh * KILOWATT_HOURS_PER_MEGAWATT_HOUR,
        water_fee_per_m3=0.0 if fee is None else fee.per_m3,
        price_per_mwh=price * KILOWATT_HOURS_PER_MEGAWATT_HOUR,
        own_price_per_mwh=own_price * KILOWATT_HOURS_PER_MEGAWATT_HOUR,
        own_share=own_share,
        own_max_mwh=own_max / KILOWATT_HOURS_PER_MEGAWATT_HOUR,
        mwh_per_kw=yearly_energy_mwh(1.0, settings.energy.availability),
        min_power_kw=settings.energy.min_power_kw,
        by_energy=settings.ranking.choose_by == "energy",
        by_cost=settings.energy.design_by == "lcoe_per_kwh",
        min_capacity_factor=(
            settings.energy.design_capacity_factor if settings.energy.design_by == "capacity_factor" else 0.0
        ),
        works=works_numbers(costs, settings),
    )


@part
def score_of(energy, capital, power, prices):
    """Score of a plant, for kernels: net annual value, energy [MWh], or the negative cost of a MWh.

    Capital is before shares on top, power [kW] that of the whole plant. Water fees by energy are not in it, so
    that it bounds the score of what generates less; see `water_fee`.
    """
    if prices.by_cost:
        return -yearly_payment(capital, power, prices) / energy if energy > 0.0 else -np.inf
    if prices.by_energy:
        return energy
    energy_value = value_by_prices(
        energy, prices.price_per_mwh, prices.own_price_per_mwh, prices.own_share, prices.own_max_mwh
    )
    return energy_value - yearly_payment(capital, power, prices)


@part
def yearly_payment(capital, power, prices):
    """Capital before shares on top as a payment a year, with operation and a fee by power; see `yearly_cost`."""
    capital *= prices.capital_factor
    operation = prices.operation_share * capital
    if prices.operation_law < np.inf:
        operation = min(operation, prices.operation_law * power**prices.operation_law_exponent)
    return (
        prices.yearly_capital_factor * capital
        + max(operation, prices.operation_min)
        + prices.water_fee_per_kw * power
    )


@part
def water_fee(energy, flow, power, prices):
    """Water fee of a year by energy [MWh] and the water that it takes, for kernels; see `water_fee_per_year`."""
    fee = prices.water_fee_per_mwh
    if prices.water_fee_per_m3 > 0.0:
        fee += prices.water_fee_per_m3 * SECONDS_PER_HOUR * KILOWATT_HOURS_PER_MEGAWATT_HOUR * flow / power
    return fee * energy


# Rounding may raise a true energy above its bound by less than this.
ROUNDING_MARGIN = 1.0 + 1e-9
# Rows of a table of bins, one column a bin and one more: usable flow, descending [m³/s]; head [m]; cumulative
# heads from the start; cumulative flow times head from the end.
USABLE, HEAD, ABOVE, BELOW = range(4)
# What goes with a design flow alone, a row for each flow: what its works cost (`fill_flow_terms`), and the flow
# itself [m³/s], diameter [m] and friction of a pipe for it (`pipe_friction`). There are rows for the flows to try,
# then one for the greatest flow of a class where that is less, and one for any other.
FLOW_AT, PIPE_M, FRICTION = range(FLOW_TERMS, FLOW_TERMS + 3)
SIZE_TERMS = FLOW_TERMS + 3
OTHER_FLOWS = 2
# Plants without a pipe of which what each bin takes of the flow is held, for all places with the same intake.
PLANTS_HELD = 512
# Turbine classes, one record a class, without their efficiency: with records kernels compile in a fraction of the
# time that a tuple of arrays takes. Names as in `sitefinder.energy.turbines.TurbineTable`.
CLASS = np.dtype(
    [
        ("flow_min_m3s", np.float64),
        ("flow_max_m3s", np.float64),
        ("power_max_kw", np.float64),
        ("units_max", np.int64),
        ("lowest_relative_flow", np.float64),
        ("peak_efficiency", np.float64),
        ("open_from", np.float64),
        ("law_coefficient", np.float64),
        ("law_power_exponent", np.float64),
        ("law_head_exponent", np.float64),
        ("law_per_unit", np.int64),
        ("law_fixed", np.float64),
        ("civil_factor", np.float64),
        ("scale_gain", np.float64),
        ("scale_loss", np.float64),
        ("scale_exponent", np.float64),
    ]
)
# A number of units of a class, by its ``number``, at a site. ``flow_min``, ``flow_max`` [m³/s] and ``power_max``
# [kW] are of all units together; ``law`` and ``powerhouse`` are coefficients of cost laws with the head in them,
# and ``bought`` is how often the law is paid. ``head`` is the site's net head on the survey day [m],
# ``place_cost`` its capital, and ``setting`` the factor of the class's setting on the cost of the powerhouse.
# Units of ``safe_as_built_m3s`` and ``safe_screened_m3s`` are fish-safe from that design flow on. Efficiencies
# are of the reference runner, see `_scale_of`.
# ``project_law``, NaN without one, is the law of whole plants that takes the place of the turbine's, with a
# ``second_law`` that may be added to it.
CLASS_AT_SITE = np.dtype(
    [
        ("head", np.float64),
        ("conduit_m", np.float64),
        ("place_cost", np.float64),
        ("setting", np.float64),
        ("number", np.int64),
        ("units", np.int64),
        ("flow_min", np.float64),
        ("flow_max", np.float64),
        ("power_max", np.float64),
        ("full_efficiency", np.float64),
        ("peak_efficiency", np.float64),
        ("open_from", np.float64),
        ("least_head", np.float64),
        ("lowest_relative_flow", np.float64),
        ("safe_as_built_m3s", np.float64),
        ("safe_screened_m3s", np.float64),
        ("law", np.float64),
        ("law_power_exponent", np.float64),
        ("bought", np.int64),
        ("second_law", np.float64),
        ("second_law_exponent", np.float64),
        ("powerhouse", np.float64),
        ("project_law", np.float64),
        ("project_law_exponent", np.float64),
        ("canal_m", np.float64),
        ("penstock_m", np.float64),
        ("by_area", np.float64),
        ("by_perimeter", np.float64),
        ("least_m", np.float64),
        ("fixed", np.float64),
        ("scale_gain", np.float64),
        ("scale_loss", np.float64),
        ("scale_exponent", np.float64),
    ]
)


# Fill a `CLASS_AT_SITE` with a number of units of a class, for kernels.
@part
def _fill_class(at_site, units, one, full_efficiency, prices):
    head = at_site.head
    at_site.scale_gain = one.scale_gain
    at_site.scale_loss = one.scale_loss
    at_site.scale_exponent = one.scale_exponent
    kw_per_m3s = prices.kw_per_m3s_m * head * full_efficiency
    flow_max = unit_flow_limit(
        one.power_max_kw, kw_per_m3s, one.flow_max_m3s, one.scale_gain, one.scale_loss, one.scale_exponent
    )
    at_site.units = units
    at_site.flow_min = units * one.flow_min_m3s
    at_site.flow_max = units * flow_max
    at_site.power_max = units * one.power_max_kw
    at_site.full_efficiency = full_efficiency
    at_site.peak_efficiency = one.peak_efficiency
    at_site.open_from = one.open_from
    at_site.lowest_relative_flow = one.lowest_relative_flow
    if np.isnan(at_site.project_law):
        at_site.law = one.law_coefficient * head**one.law_head_exponent
        at_site.law_power_exponent = one.law_power_exponent
        at_site.bought = units if one.law_per_unit else 1
        at_site.fixed = one.law_fixed
    else:
        at_site.law, at_site.law_power_exponent = at_site.project_law, at_site.project_law_exponent
        at_site.bought = 1
        at_site.fixed = 0.0
    at_site.powerhouse = prices.powerhouse * head**prices.powerhouse_head_exponent * one.civil_factor
    at_site.powerhouse *= at_site.setting


# Factor on the efficiencies of a plant with this design flow of all units; it rises with the flow.
@part
def _scale_of(flow, at_site):
    return scale_factor(flow / at_site.units, at_site.scale_gain, at_site.scale_loss, at_site.scale_exponent)


# The same by the row of the flow. For the flows to try it is worked out once for all places with an intake; NaN in
# `scales` is not known yet.
@part
def _scale_at(row, sizes, scales, at_site):
    if at_site.scale_loss <= 0.0:
        return at_site.scale_gain
    if row >= scales.shape[2]:
        return _scale_of(sizes[row, FLOW_AT], at_site)
    number, unit = at_site.number, at_site.units - 1
    if np.isnan(scales[number, unit, row]):
        scales[number, unit, row] = _scale_of(sizes[row, FLOW_AT], at_site)
    return scales[number, unit, row]


# Row of a flow of which `index` says where it is among the flows to try, if it is one of them.
@part
def _row_of(flow, index, sizes, at_site, prices):
    if flow == sizes[index, FLOW_AT]:
        return index
    row = sizes.shape[0] - (2 if flow == at_site.flow_max else 1)
    if flow != sizes[row, FLOW_AT]:
        fill_size(flow, row, sizes, prices)
    return row


@part
def fill_size(flow, row, sizes, prices):
    """Fill a row of the table of what goes with a design flow alone, for kernels; see `FLOW_AT`."""
    sizes[row, FLOW_AT] = flow
    fill_flow_terms(flow, prices, sizes, row)
    sizes[row, PIPE_M] = sizes[row, FRICTION] = 0.0
    if flow > 0.0:
        sizes[row, PIPE_M] = pipe_diameter_m(flow, prices.velocity_m_s)
        sizes[row, FRICTION] = pipe_friction(sizes[row, PIPE_M], prices)


# Head that the pipe takes at the flow of a row [m]; see `pipe_loss_m`.
@part
def _loss_at(row, sizes, at_site, prices):
    if at_site.conduit_m <= 0.0 or sizes[row, FLOW_AT] <= 0.0:
        return 0.0
    return pipe_loss_by_diameter_m(at_site.conduit_m, sizes[row, PIPE_M], sizes[row, FRICTION], prices)


# Number of bins with at least this flow, for kernels; usable flow falls from bin to bin.
@part
def _bins_above(bins, flow):
    minimum, maximum = 0, bins.shape[1] - 1
    while minimum < maximum:
        middle = (minimum + maximum) // 2
        if bins[USABLE, middle] >= flow:
            minimum = middle + 1
        else:
            maximum = middle
    return minimum


@part
def rated_kw(bins, full, flow, loss, scale, at_site, efficiency, prices, screen_loss):
    """Rated power [kW]: at the remaining head at design flow, less that of a screen, limited by the class."""
    head = max(bins[HEAD, max(full - 1, 0)] - screen_loss, 0.0)
    if head < at_site.open_from * loss:
        lowest = at_site.lowest_relative_flow
        power = (
            prices.kw_per_m3s_m
            * plant_flow_head(flow, flow, at_site.units, efficiency, lowest, head, loss, np.inf)[1]
        )
    else:
        power = prices.kw_per_m3s_m * (at_site.full_efficiency * (head - loss) * flow)
    return min(power * scale, at_site.power_max)


# Capital before shares on top, without a fish screen, by the row of the flow; for kernels. It must not fall with
# power or flow.
@part
def _capital_of(power, row, sizes, at_site, prices):
    # The head is in the law's coefficient already.
    cost = at_site.place_cost + turbine_capital(
        at_site.law, at_site.law_power_exponent, 0.0, power, 1.0, at_site.bought, at_site.fixed
    )
    if at_site.second_law > 0.0:
        cost += at_site.second_law * power**at_site.second_law_exponent
    return cost + sized_works(
        power, sizes[row, FLOW_AT], sizes, row, at_site.head, at_site.powerhouse, at_site.canal_m,
        at_site.penstock_m, at_site.by_area, at_site.by_perimeter, at_site.least_m, prices,
    )  # fmt: skip


# What a fish screen with its bypass costs, for kernels.
@part
def _screen_of(flow, prices):
    return prices.screen_fixed + prices.screen_per_m3s * flow


# Whether units of this size are fish-safe from a flow on, for kernels; with a margin for rounding of the division.
@part
def _is_safe(flow, at_site, from_m3s):
    return flow >= at_site.units * from_m3s * (1.0 - 1e-12)


# No plant with a design flow from `minimum` to `flow`, whose pipes lose `narrowest` and `loss` [m], gives more
# than this [MWh], for kernels; `scale` is that of `flow`. Full units take `flow` while there is so much; the peak
# efficiency takes all less that one unit can run on. Efficiency rises with the size of the runner, so the greatest
# plant has the highest.
@part
def _energy_bound_mwh(bins, full, flow, minimum, loss, narrowest, scale, at_site, prices):
    lowest = at_site.lowest_relative_flow * minimum / at_site.units
    too_little = max(_bins_above(bins, lowest * (1.0 - 1e-9)), full)
    partial = (bins[BELOW, full] - bins[BELOW, too_little]) * at_site.peak_efficiency
    above = bins[ABOVE, full]
    if narrowest > 0.0 and at_site.least_head >= at_site.open_from * narrowest:
        # Where no plant is throttled, each loses at least what the widest pipe does.
        above = max(above - full * loss, 0.0)
    flow_head = (above * flow * at_site.full_efficiency + partial) / (bins.shape[1] - 1)
    flow_head *= scale
    return prices.kw_per_m3s_m * flow_head * prices.mwh_per_kw * ROUNDING_MARGIN


# `_energy_bound_mwh` bin by bin, for plants of which none is rated at more than this power [kW].
#
# A plant with the design flow Q that takes the share x of `flow`, the greatest Q, has at most
# x · flow · eta · (h - loss · x²) of a head h. Its efficiency eta is neither more than the peak, nor, of all that
# is usable, than the best of any number of units at any Q from `minimum` to `flow` (`_fill_best_efficiency`). So
# no plant has more than with the peak efficiency and the least x that makes as much of the flow. Of a single plant
# that is not throttled, either all of the usable flow goes through the pipe, or as many units as can run full.
@part
def _bound_by_share_mwh(bins, full, flow, minimum, rated, loss, scale, at_site, efficiency, prices, best_at):
    units, own = at_site.units, best_at[at_site.number, at_site.units - 1]
    if np.isnan(own[0, 0]):
        _fill_best_efficiency(own, units, efficiency, at_site.lowest_relative_flow)
    lowest = at_site.lowest_relative_flow * minimum / units * (1.0 - 1e-9)
    peak, count, nodes = at_site.peak_efficiency, bins.shape[1] - 1, (efficiency.shape[0] - 1) * units
    kw_per_m = prices.kw_per_m3s_m * peak * flow * scale
    limit, total, is_one = at_site.full_efficiency / peak, 0.0, minimum == flow
    from_node, to_node = nodes / flow * (1.0 - 1e-12), nodes / minimum * (1.0 + 1e-12)
    per_flow, per_peak, per_unit, open_from_m = 1.0 / flow, 1.0 / peak, 1.0 / units, at_site.open_from * loss
    for index in range(full):
        head = bins[HEAD, index]
        if is_one and head >= open_from_m:
            most_m = limit * (head - loss)
        else:
            most_m = _most_behind_pipe(limit, head, loss)
        total += min(kw_per_m * most_m, rated)
    for index in range(full, count):
        head, usable = bins[HEAD, index], bins[USABLE, index]
        if usable < lowest or usable <= 0.0:
            break
        used, first = usable * per_flow, int(usable * from_node)
        last = min(int(usable * to_node) + 1, nodes)
        if is_one:
            best = max(own[1, min(first, nodes - 1)], own[0, last])
        else:
            level, width = 0, (last - first + 1) // 2
            while width > 0:
                width //= 2
                level += 1
            best = max(own[level, first], own[level, last + 1 - (1 << level)])
        share = min(used * best * per_peak, limit)
        if is_one and head >= open_from_m:
            most_m = share * (head - loss * used * used)
            if units > 1:
                running = int(used * units) * per_unit
                most_m = max(most_m, limit * running * (head - loss * running * running))
        else:
            most_m = _most_behind_pipe(share, head, loss)
        total += min(kw_per_m * most_m, rated)
    return total / count * prices.mwh_per_kw * ROUNDING_MARGIN


# Bins of falling flow that `_bound_by_groups_mwh` takes together.
BINS_IN_GROUP = 8


# `_bound_by_share_mwh` by groups of bins, which is a little more in a fraction of the time: the efficiency of a
# group is the best at any flow in it, and its pipe loses at least what it does at the smallest. No power is rated
# here. It holds where the pipe takes no more than a third of the minimum head, so that more flow gives more.
@part
def _bound_by_groups_mwh(bins, full, flow, minimum, loss, scale, at_site, efficiency, prices, best_at):
    units, own = at_site.units, best_at[at_site.number, at_site.units - 1]
    if np.isnan(own[0, 0]):
        _fill_best_efficiency(own, units, efficiency, at_site.lowest_relative_flow)
    lowest = at_site.lowest_relative_flow * minimum / units * (1.0 - 1e-9)
    peak, count, nodes = at_site.peak_efficiency, bins.shape[1] - 1, (efficiency.shape[0] - 1) * units
    from_node, to_node = nodes / flow * (1.0 - 1e-12), nodes / minimum * (1.0 + 1e-12)
    limit, per_flow = at_site.full_efficiency / peak, 1.0 / (peak * flow)
    used = 1.0 if minimum == flow and at_site.least_head >= at_site.open_from * loss else limit
    total, start = limit * (bins[ABOVE, full] - full * loss * used * used), full
    while start < count and bins[USABLE, start] >= lowest and bins[USABLE, start] > 0.0:
        end = min(start + BINS_IN_GROUP, count)
        least = bins[USABLE, end - 1]
        first, last = int(least * from_node), min(int(bins[USABLE, start] * to_node) + 1, nodes)
        level, width = 0, (last - first + 1) // 2
        while width > 0:
            width //= 2
            level += 1
        share = max(own[level, first], own[level, last + 1 - (1 << level)]) * per_flow
        at_least = share * least
        total += share * (bins[BELOW, start] - bins[BELOW, end]) - (end - start) * loss * at_least**3
        start = end
    return prices.kw_per_m3s_m * peak * flow * scale * total / count * prices.mwh_per_kw * ROUNDING_MARGIN


# The greatest x · (head - loss · x²) up to a share x.
@part
def _most_behind_pipe(share, head, loss):
    if head >= 3.0 * loss * share * share:
        return share * (head - loss * share * share)
    return head * np.sqrt(head / (3.0 * loss)) * (2.0 / 3.0)


# The best efficiency of any number of units at shares of the flow of all of them, in the first row, so fine that
# all nodes of the efficiency curve of any number are among them; in row k the greatest of 2**k places from each
# on. Between two places none is better than at one of them, also where a unit starts: it counts from the place
# before.
@part
def _fill_best_efficiency(own, units, efficiency, lowest):
    pieces = efficiency.shape[0] - 1
    nodes = pieces * units
    for place in range(nodes + 1):
        own[0, place] = 0.0
        for running in range(1, units + 1):
            if place >= running * pieces:
                # All of these run full, and the rest is spilled.
                own[0, place] = max(own[0, place], efficiency[pieces] * (running * pieces) / max(place, 1))
            elif place + running >= lowest * running * pieces:
                own[0, place] = max(own[0, place], efficiency_at(efficiency, place / (running * pieces)))
    level = 1
    while (1 << level) <= nodes + 1:
        for place in range(nodes + 2 - (1 << level)):
            own[level, place] = max(own[level - 1, place], own[level - 1, place + (1 << (level - 1))])
        level += 1


@part
def mean_kw(bins, full, flow_design, rated, loss, scale, at_site, efficiency, prices, bypass, screen_loss):
    """Mean power [kW], for kernels: `full` bins hold the design flow, and none gives more than the rated power.

    A screen takes the flow `bypass` from the usable flow, and from the head.
    """
    lowest, units = at_site.lowest_relative_flow, at_site.units
    # Below this not even one unit runs; with a margin for rounding of the division.
    minimum = max(lowest * flow_design / units * (1.0 - 1e-9), 0.0)
    total, count = 0.0, bins.shape[1] - 1
    kw_per_m3s_m = prices.kw_per_m3s_m * scale
    for index in range(count):
        head = max(bins[HEAD, index] - screen_loss, 0.0)
        flow = flow_design
        if index >= full:
            flow = bins[USABLE, index] - bypass
            if flow < minimum or flow <= 0.0:
                break
        if index < full and head >= at_site.open_from * loss:
            # Less flow would not give more.
            flow_head = at_site.full_efficiency * (head - loss) * flow_design
        elif units == 1 and loss == 0.0:
            # What `plant_flow_head` comes to, in a fraction of its time.
            used = min(flow, flow_design)
            relative = used / flow_design
            flow_head = 0.0 if relative < lowest else used * efficiency_at(efficiency, relative) * head
        else:
            flow_head = plant_flow_head(
                flow, flow_design, units, efficiency, lowest, head, loss, at_site.open_from
            )[1]
        total += min(kw_per_m3s_m * flow_head, rated)
    return total / count


# `mean_kw` without a pipe and a screen, by a row of what each bin takes of the flow times its efficiency.
@part
def _mean_kw_by_taken(bins, full, flow_design, rated, scale, at_site, prices, taken, row):
    total, count = 0.0, bins.shape[1] - 1
    kw_per_m3s_m = prices.kw_per_m3s_m * scale
    for index in range(full):
        total += min(kw_per_m3s_m * (at_site.full_efficiency * bins[HEAD, index] * flow_design), rated)
    for index in range(full, int(taken[row, count])):
        total += min(kw_per_m3s_m * (taken[row, index] * bins[HEAD, index]), rated)
    return total / count


# Row of `taken` for a plant of one of the flows to try without a pipe, which is filled if there is none yet; -1
# where there is no more room. What bins take of the flow depends on the intake alone, so that all places with the
# same one share it. The last place of a row is the number of bins in which the plant runs.
@part
def _row_taken(bins, full, flow_design, index, at_site, efficiency, held, taken):
    number, unit, rows = at_site.number, at_site.units - 1, taken.shape[0] - 1
    if held[number, unit, index] >= 0:
        return held[number, unit, index]
    row, count = int(taken[rows, 0]), bins.shape[1] - 1
    if row == rows or at_site.open_from == np.inf:
        return -1
    taken[rows, 0] += 1.0
    held[number, unit, index] = row
    lowest, units = at_site.lowest_relative_flow, at_site.units
    minimum = max(lowest * flow_design / units * (1.0 - 1e-9), 0.0)
    running = full
    for place in range(full, count):
        flow = bins[USABLE, place]
        if flow < minimum or flow <= 0.0:
            break
        running = place + 1
        if units == 1:
            used = min(flow, flow_design)
            relative = used / flow_design
            taken[row, place] = 0.0 if relative < lowest else used * efficiency_at(efficiency, relative)
        else:
            # The best number of units at a head of 1 m is so at any head.
            taken[row, place] = plant_flow_head(flow, flow_design, units, efficiency, lowest, 1.0, 0.0)[1]
    taken[row, count] = running
    return row


# Usable flows exceeded for shares of time, linear between bin midpoints, and the number of bins with at least
# them.
@part
def _fill_tries(bins, shares, sizes, full, prices):
    count = bins.shape[1] - 1
    for index in range(shares.shape[0]):
        at = min(max(shares[index] * count - 0.5, 0.0), count - 1.0)
        below = int(at)
        above = min(below + 1, count - 1)
        flow = bins[USABLE, below] + (at - below) * (bins[USABLE, above] - bins[USABLE, below])
        fill_size(flow, index, sizes, prices)
        full[index] = _bins_above(bins, flow)


# Columns of what the search finds for a stretch, a turbine and a choice.
FOUND = ("score", "units", "flow_design_m3s", "power_kw", "energy_mwh", "capital_cost", "yearly_cost", "screened")
SCORE, UNITS, FLOW, POWER, ENERGY, CAPITAL, YEARLY, SCREENED = range(len(FOUND))
# Further columns of the search, per choice: the score to beat, and the index of the best flow.
BAR, AT = len(FOUND), len(FOUND) + 1
HELD = len(FOUND) + 2
# The choices of turbine: any, fish-safe with a screen where that takes one, and fish-safe as built.
ANY, SAFE, AS_BUILT = 0, 1, 2
CHOICES = 3
# Counters of the search: sizes covered, and those whose energy is summed over the curve.
COVERED, SUMMED = 0, 1
# Intervals of no more design flows than this are not halved: to judge these takes no longer than to bound parts.
FEW = 4
# Maximum number of waiting intervals: halvings of the longest list of design flows.
INTERVALS = 64
# Steps between design flows with which the way to a first score to beat begins: from the middle design flow, and
# from that of the place before.
FIRST_STEP, FIRST_STEP_NEAR = 8, 2
MWH_PER_KW_YEAR = HOURS_PER_YEAR / KILOWATT_HOURS_PER_MEGAWATT_HOUR


class DesignFlows(NamedTuple):
    """Design flows to try.

    ``shares`` of time that each is exceeded, rising, so that flows fall; ``coarse`` holds the places in it of
    those that are tried first, the first and the last among them.
    """

    shares: np.ndarray
    coarse: np.ndarray


def design_flows(energy):
    """Design flows to try by the settings.

    Parameters
    ----------
    energy : sitefinder.settings.EnergySettings

    Returns
    -------
    DesignFlows

    Examples
    --------
    >>> from sitefinder.settings import EnergySettings
    >>> flows = design_flows(
    ...     EnergySettings(turbines=["m.toml"], design_exceedance_percent=[10, 15], design_step_percent=2)
    ... )
    >>> flows.shares.tolist(), flows.coarse.tolist()
    ([0.1, 0.12, 0.14, 0.15], [0, 3])
    """
    first = np.unique(np.asarray(energy.design_exceedance_percent, dtype=float))
    between = np.arange(first[0], first[-1], energy.design_step_percent)
    # A flow within rounding of a listed one is that one.
    near = np.abs(between[:, None] - first).min(axis=1)
    percent = np.sort(np.concatenate([first, between[near > 1e-9 * first[-1]]]))
    return DesignFlows(percent / 100.0, np.searchsorted(percent, first))


@part
def best_sizes(
    bins, sizes, full, coarse, one, to_beat, enough, at_site, efficiency, prices, scales, held, taken, best_at,
    counts, stack, best,
):  # fmt: skip
    """Best number of units and design flow of one class at one stretch, for kernels.

    Parameters
    ----------
    bins : ndarray of float64, shape (4, bins + 1)
        Rows as `sitefinder.energy.sizing.USABLE` and the names after it.
    sizes : ndarray of float64, shape (flows + OTHER_FLOWS, SIZE_TERMS)
        Design flows before any limit of a class, falling [m³/s], with what goes with each, see `fill_size`; the
        last rows are room for others.
    full : ndarray of int64, shape (flows,)
        How many bins hold each.
    coarse : ndarray of int64
        Places in `sizes` of the flows that are tried first, see `DesignFlows`.
    one : record of `sitefinder.energy.sizing.CLASS`
        The class; it suits the place.
    to_beat : ndarray of float64, shape (CHOICES,)
        Score of the best so far for the choices ANY, SAFE and AS_BUILT; what cannot score above it is passed over.
    enough : float
        Score of ANY above which nothing more is sought.
    at_site : record of `sitefinder.energy.sizing.CLASS_AT_SITE`
        With the place's own numbers; the others are filled.
    efficiency : ndarray of float64
        Of the class.
    prices : record of `sitefinder.energy.sizing.SEARCH`
    scales, held, taken : ndarray of float64, int64 and float64, shapes (classes, units, flows), the same, and
        (PLANTS_HELD + 1, bins + 1)
        What is known of plants at the same intake, filled as it is needed: see `_scale_at` and `_row_taken`, for
        which the last row of `taken` begins with the number of rows in use.
    best_at : ndarray of float64, shape (classes, units, levels, places)
        Filled as it is needed: see `_fill_best_efficiency`; NaN in the first place of what is not known yet.
    counts : ndarray of int64, shape (2,)
        COVERED and SUMMED grow by the sizes of this class.
    stack : ndarray of int64, shape (INTERVALS, 2)
        Room to work in.
    best : ndarray of float64, shape (CHOICES, HELD)
        Filled; NaN where no size passes the score to beat.

    Notes
    -----
    Branch and bound. For each number of units the intervals between the coarse flows are judged by their ends and
    halved, until they hold no flow, or cannot hold the best: no plant of an interval gives more than full units
    make of its greatest design flow and all other usable flow at the peak efficiency, nor costs less than its
    smallest one with the minimum power at its heads; behind a pipe, where to sum the energy takes longest, the
    bound is drawn by groups of bins (`_bound_by_groups_mwh`) and bin by bin (`_bound_by_share_mwh`) as well. So
    the best is that of all flows evaluated one by one; of equal scores fewer units come first, then the greater
    flow. Where a capacity factor is set, the greatest design flow that reaches it is taken for each number of
    units.
    """
    # By loop, here and elsewhere: an assignment of slices takes seconds to compile.
    for choice in range(CHOICES):
        for column in range(BAR):
            best[choice, column] = np.nan
        best[choice, BAR] = to_beat[choice]
    for units in range(1, one.units_max + 1):
        _fill_class(at_site, units, one, efficiency[-1], prices)
        # Design flows fall, so none can fit where the greatest is too small.
        if min(sizes[0, FLOW_AT], at_site.flow_max) < at_site.flow_min:
            break
        best[ANY, AT] = best[SAFE, AT] = best[AS_BUILT, AT] = -1.0
        counts[COVERED] += full.shape[0]
        if prices.min_capacity_factor > 0.0:
            _keep_greatest_that_runs(bins, sizes, full, at_site, efficiency, prices, scales, counts, best)
            continue
        if coarse.shape[0] == 1:
            judge(
                bins, sizes, full, coarse[0], at_site, efficiency, prices, scales, held, taken, best_at,
                counts, best,
            )  # fmt: skip
        # Halve each interval between coarse flows until no part of it can hold the best. Neighbours are judged by
        # the intervals on either side, if these can hold it, so the stack holds the ends that are to be judged.
        judged = -1
        for turn in range(1, coarse.shape[0]):
            first, last = coarse[turn - 1], coarse[turn]
            if best[ANY, SCORE] > enough:
                return
            if not _may_hold(bins, sizes, full, first, last, at_site, efficiency, prices, scales, best_at, best):
                continue
            depth, is_new = 1, True
            stack[0, 0], stack[0, 1] = first, last
            while depth > 0:
                depth -= 1
                first, last = stack[depth, 0], stack[depth, 1]
                if is_new:
                    # The whole was judged just now.
                    is_new = False
                elif not _may_hold(
                    bins, sizes, full, first, last, at_site, efficiency, prices, scales, best_at, best
                ):
                    continue
                if last - first > FEW:
                    middle = (first + last) // 2
                    stack[depth, 0], stack[depth, 1] = middle, last
                    stack[depth + 1, 0], stack[depth + 1, 1] = first, middle
                    depth += 2
                    continue
                for index in range(first + (first == judged), last + 1):
                    judge(
                        bins, sizes, full, index, at_site, efficiency, prices, scales, held, taken, best_at,
                        counts, best,
                    )  # fmt: skip
                judged = last


# Whether any design flow between two indices, both included, may beat the score.
@part
def _may_hold(bins, sizes, full, first, last, at_site, efficiency, prices, scales, best_at, best):
    greatest = min(sizes[first, FLOW_AT], at_site.flow_max)
    minimum = max(min(sizes[last, FLOW_AT], at_site.flow_max), at_site.flow_min)
    if minimum > greatest or greatest <= 0.0:
        return False
    filled = full[first] if greatest == sizes[first, FLOW_AT] else _bins_above(bins, greatest)
    # What the widest pipe loses is asked first: there may be one row for both flows.
    row = _row_of(greatest, first, sizes, at_site, prices)
    scale, loss = _scale_at(row, sizes, scales, at_site), _loss_at(row, sizes, at_site, prices)
    row = _row_of(minimum, last, sizes, at_site, prices)
    narrowest = _loss_at(row, sizes, at_site, prices)
    scale_of_greatest = scale
    energy = _energy_bound_mwh(bins, filled, greatest, minimum, loss, narrowest, scale, at_site, prices)
    scale = _scale_at(row, sizes, scales, at_site)
    head = _lowest_head(bins, filled, _bins_above(bins, minimum))
    power = _least_power(head, minimum, narrowest, scale, at_site, prices)
    capital = _capital_of(power, row, sizes, at_site, prices)
    if not _may_beat(
        bins, greatest, minimum, energy, capital, power, narrowest, scale, row, sizes, at_site, prices, best
    ):
        return False
    if at_site.conduit_m <= 0.0 or minimum <= 0.0:
        return True
    if at_site.least_head >= 3.0 * loss:
        closer = _bound_by_groups_mwh(
            bins, filled, greatest, minimum, loss, scale_of_greatest, at_site, efficiency, prices, best_at
        )
    else:
        closer = _bound_by_share_mwh(
            bins, filled, greatest, minimum, at_site.power_max, loss, scale_of_greatest, at_site, efficiency,
            prices, best_at,
        )  # fmt: skip
    return _may_beat(
        bins, greatest, minimum, closer, capital, power, narrowest, scale, row, sizes, at_site, prices, best
    )


# Whether a plant of this energy may beat the score, of an interval of design flows by `_may_hold`.
@part
def _may_beat(
    bins, greatest, minimum, energy, capital, power, narrowest, scale, row, sizes, at_site, prices, best
):
    score = score_of(energy, capital, power, prices)
    if score > best[ANY, BAR]:
        return True
    # Larger units are safer, so that the greatest flow shows what may be safe.
    if _is_safe(greatest, at_site, at_site.safe_as_built_m3s):
        return score > best[SAFE, BAR] or score > best[AS_BUILT, BAR]
    if not _is_safe(greatest, at_site, at_site.safe_screened_m3s):
        return False
    if score <= best[SAFE, BAR]:
        return False
    # With the bypass, fewer bins hold the design flow: a plant may be rated at another head.
    with_bypass = 1.0 + prices.bypass_share
    head = _lowest_head(bins, _bins_above(bins, greatest * with_bypass), _bins_above(bins, minimum * with_bypass))
    power = _least_power(head - prices.screen_loss_m, minimum, narrowest, scale, at_site, prices)
    capital = _capital_of(power, row, sizes, at_site, prices) + _screen_of(minimum, prices)
    return score_of(energy, capital, power, prices) > best[SAFE, BAR]


# The lowest head at which a plant is rated whose design flow between `first` and `last` bins hold.
@part
def _lowest_head(bins, first, last):
    head = bins[HEAD, max(first - 1, 0)]
    for index in range(first, last):
        head = min(head, bins[HEAD, index])
    return head


# Rated power of the smallest plant [kW] at this head.
@part
def _least_power(head, minimum, loss, scale, at_site, prices):
    head = max(head - loss, 0.0)
    power = prices.kw_per_m3s_m * head * minimum * at_site.full_efficiency * scale
    return min(power, at_site.power_max)


@part
def judge(bins, sizes, full, index, at_site, efficiency, prices, scales, held, taken, best_at, counts, best):
    """Evaluate one size of a class and keep it in `best` where it is the best so far, for kernels.

    A size that is fish-safe as built is so with a screen too, and better without; others are evaluated once more
    with the screen where that makes them safe.
    """
    flow = min(sizes[index, FLOW_AT], at_site.flow_max)
    if flow < at_site.flow_min or flow <= 0.0:
        return
    is_try = flow == sizes[index, FLOW_AT]
    filled = full[index] if is_try else _bins_above(bins, flow)
    row = _row_of(flow, index, sizes, at_site, prices)
    scale, loss = _scale_at(row, sizes, scales, at_site), _loss_at(row, sizes, at_site, prices)
    power = rated_kw(bins, filled, flow, loss, scale, at_site, efficiency, prices, 0.0)
    bound = _energy_bound_mwh(bins, filled, flow, flow, loss, loss, scale, at_site, prices)
    is_safe = _is_safe(flow, at_site, at_site.safe_as_built_m3s)
    # A smaller one may be better where floods reduce the head.
    if power >= prices.min_power_kw and power > 0.0:
        capital = _capital_of(power, row, sizes, at_site, prices)
        may_be_best = _beats(score_of(bound, capital, power, prices), is_safe, best)
        if may_be_best and at_site.conduit_m > 0.0 and at_site.least_head >= 3.0 * loss:
            closer = _bound_by_groups_mwh(
                bins, filled, flow, flow, loss, scale, at_site, efficiency, prices, best_at
            )
            may_be_best = _beats(score_of(closer, capital, power, prices), is_safe, best)
        if may_be_best and at_site.conduit_m > 0.0:
            closer = _bound_by_share_mwh(
                bins, filled, flow, flow, power, loss, scale, at_site, efficiency, prices, best_at
            )  # fmt: skip
            may_be_best = _beats(score_of(closer, capital, power, prices), is_safe, best)
        if may_be_best:
            counts[SUMMED] += 1
            place = -1
            if is_try and loss == 0.0:
                place = _row_taken(bins, filled, flow, index, at_site, efficiency, held, taken)
            if place >= 0:
                mean = _mean_kw_by_taken(bins, filled, flow, power, scale, at_site, prices, taken, place)
            else:
                mean = mean_kw(bins, filled, flow, power, loss, scale, at_site, efficiency, prices, 0.0, 0.0)
            energy = mean * prices.mwh_per_kw
            _keep_better(ANY, index, flow, power, energy, capital, 0.0, at_site, prices, best)
            if is_safe:
                _keep_better(SAFE, index, flow, power, energy, capital, 0.0, at_site, prices, best)
                _keep_better(AS_BUILT, index, flow, power, energy, capital, 0.0, at_site, prices, best)
    if is_safe or not _is_safe(flow, at_site, at_site.safe_screened_m3s):
        return
    bypass = prices.bypass_share * flow
    filled = _bins_above(bins, flow + bypass)
    power = rated_kw(bins, filled, flow, loss, scale, at_site, efficiency, prices, prices.screen_loss_m)
    if power < prices.min_power_kw or power <= 0.0:
        return
    capital = _capital_of(power, row, sizes, at_site, prices) + _screen_of(flow, prices)
    if score_of(bound, capital, power, prices) <= best[SAFE, BAR]:
        return
    counts[SUMMED] += 1
    energy = mean_kw(
        bins, filled, flow, power, loss, scale, at_site, efficiency, prices, bypass, prices.screen_loss_m
    )  # fmt: skip
    _keep_better(SAFE, index, flow, power, energy * prices.mwh_per_kw, capital, 1.0, at_site, prices, best)


# Whether a score beats the best of a choice for which the plant counts.
@part
def _beats(score, is_safe, best):
    return score > best[ANY, BAR] or (is_safe and (score > best[SAFE, BAR] or score > best[AS_BUILT, BAR]))


# The greatest design flow that reaches the required capacity factor, without a screen and then with one. Larger
# units are safer, so that where the greatest is not safe as built no other is.
@part
def _keep_greatest_that_runs(bins, sizes, full, at_site, efficiency, prices, scales, counts, best):
    for screened in range(2):
        last = np.inf
        for index in range(full.shape[0]):
            flow = min(sizes[index, FLOW_AT], at_site.flow_max)
            if flow == last:
                continue
            last = flow
            if flow < at_site.flow_min or flow <= 0.0:
                break
            is_safe = _is_safe(flow, at_site, at_site.safe_as_built_m3s)
            if screened == 1 and not _is_safe(flow, at_site, at_site.safe_screened_m3s):
                break
            bypass, taken_m = screened * prices.bypass_share * flow, screened * prices.screen_loss_m
            is_try = flow == sizes[index, FLOW_AT]
            filled = full[index] if is_try and screened == 0 else _bins_above(bins, flow + bypass)
            row = _row_of(flow, index, sizes, at_site, prices)
            scale, loss = _scale_at(row, sizes, scales, at_site), _loss_at(row, sizes, at_site, prices)
            power = rated_kw(bins, filled, flow, loss, scale, at_site, efficiency, prices, taken_m)
            needed = prices.min_capacity_factor * power * MWH_PER_KW_YEAR
            if power < prices.min_power_kw or power <= 0.0:
                continue
            if _energy_bound_mwh(bins, filled, flow, flow, loss, loss, scale, at_site, prices) < needed:
                continue
            counts[SUMMED] += 1
            energy = mean_kw(
                bins, filled, flow, power, loss, scale, at_site, efficiency, prices, bypass, taken_m
            )  # fmt: skip
            energy *= prices.mwh_per_kw
            if energy < needed:
                continue
            capital = _capital_of(power, row, sizes, at_site, prices)
            if screened == 1:
                capital += _screen_of(flow, prices)
                _keep_better(SAFE, index, flow, power, energy, capital, 1.0, at_site, prices, best)
                break
            _keep_better(ANY, index, flow, power, energy, capital, 0.0, at_site, prices, best)
            if is_safe:
                _keep_better(SAFE, index, flow, power, energy, capital, 0.0, at_site, prices, best)
                _keep_better(AS_BUILT, index, flow, power, energy, capital, 0.0, at_site, prices, best)
                return
            break


# Keep one size for a choice where its score beats the best, or equals it with the same units and a greater flow.
@part
def _keep_better(choice, index, flow, power, energy, capital, screened, at_site, prices, best):
    score = score_of(energy, capital, power, prices)
    fee = water_fee(energy, flow, power, prices)
    if prices.by_cost:
        score -= fee / energy if energy > 0.0 else 0.0
    elif not prices.by_energy:
        score -= fee
    if score > best[choice, BAR] or (score == best[choice, BAR] and index < best[choice, AT]):
        best[choice, BAR], best[choice, AT] = score, index
        best[choice, SCORE], best[choice, UNITS], best[choice, FLOW] = score, at_site.units, flow
        best[choice, POWER], best[choice, ENERGY] = power, energy
        best[choice, CAPITAL] = capital * prices.capital_factor
        best[choice, YEARLY] = yearly_payment(capital, power, prices) + fee
        best[choice, SCREENED] = screened


def usable_flow(curve_m3s, environmental_flow_m3s):
    """Flow above the environmental flow in descending order, and its bins.

    Parameters
    ----------
    curve_m3s, environmental_flow_m3s : ndarray of float64, shape (stations, bins)
        Natural and environmental flow [m³/s].

    Returns
    -------
    usable : ndarray of float64, shape (stations, bins)
        [m³/s], falling along each row.
    order : ndarray of int32, shape (stations, bins)
        Bin of the curve that each of them is of.
    """
    usable = np.maximum(curve_m3s - environmental_flow_m3s, 0.0)
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
    scheme_type,
    conduit_m,
    place_cost,
    project_law,
    works,
    flows,
    fits,
    turbines,
    prices,
    conduit,
    setting,
    safe_flow,
    wanted=(ANY, SAFE, AS_BUILT),
    head_least=None,
    floor=None,
    ceiling=None,
):
    """Best turbine and size of each stretch, for each choice.

    Parameters
    ----------
    usable : ndarray of float64, shape (stations, bins)
    order : ndarray of int32, same shape
        See `usable_flow`.
    rise : ndarray of float64, same shape
        Rise of the water in each bin of the curve above the level of the survey day [m].
    intake, tailrace, scheme_type : ndarray of int64, shape (n,)
        Station numbers; place in `sitefinder.energy.turbines.SCHEME_TYPES`.
    held : ndarray of bool, shape (n,)
        True where the level at the intake is constant.
    head_net, conduit_m, place_cost : ndarray of float64, shape (n,)
        Net head at the levels of the survey day [m], conduit length [m], capital of the site.
    project_law : ndarray of float64, shape (n, 4)
        See `sitefinder.energy.costs.project_laws`.
    works : ndarray of float64, shape (n, 5)
        See `sitefinder.energy.works.ConduitWorks.for_search`.
    flows : sitefinder.energy.sizing.DesignFlows
    fits : ndarray of bool, shape (n, classes)
        False where the stream is too shallow or narrow for a class, see `sitefinder.energy.turbines.fits_stream`.
    turbines : sitefinder.energy.turbines.TurbineTable
    prices : sitefinder.energy.sizing.Prices
    conduit : sitefinder.energy.hydraulics.Waterway
    setting : ndarray of float64, shape (n, classes)
        Factor on civil cost for the setting of the runner, see `sitefinder.energy.runners.settings_of_runners`.
    safe_flow : (ndarray, ndarray) of float64, shape (n, classes)
        Design flow of one unit from which on it is fish-safe, as built and behind the screen [m³/s], see
        `sitefinder.energy.fish_survival.least_safe_flow`; infinite where none is.
    wanted : collection of int
        Choices to find the best for; the others have none. To leave ANY out saves most of the search.
    head_least : ndarray of float64, shape (n,), optional
        Where the net head may be as low as this [m], classes for any head from it to `head_net` are taken.
    floor : ndarray of float64, shape (n,), optional
        Score below which the best is not sought: where none is above, some plant that fits is given, or none.
    ceiling : ndarray of float64, shape (n,), optional
        Score of ANY above which no better is sought: where a plant is above, some such plant is given, and none
        for the other choices.

    Returns
    -------
    turbine : ndarray of int64, shape (n, CHOICES)
        Row of the best turbine for the choices ANY, SAFE and AS_BUILT; -1 where none fits. Ties go to the earlier
        row.
    found : ndarray of float64, shape (n, CHOICES, len(FOUND))
        NaN where none fits.
    counts : ndarray of int64, shape (2,)
        Sizes (stretch × turbine × units × design flow) that the search covers, and those of them whose energy was
        summed over the curve; bounds show that the others are no better.

    Notes
    -----
    A plant is rated at the remaining head at its design flow: that of the last bin with as much flow, or of the
    maximum flow where no bin has. No bin gives more than the rated power, nor has a plant more than the
    class allows. The class's range of heads, and costs, go by the head of the survey day before a pipe's loss.
    """
    turbine, found, _, counts = _searched(
        usable, order, rise, intake, tailrace, held, head_net, scheme_type, conduit_m, place_cost, project_law,
        works, flows, fits,
        turbines, prices, conduit, setting, safe_flow, wanted, False, head_least, floor, ceiling,
    )  # fmt: skip
    return turbine, found, counts


def best_of_turbines(
    usable,
    order,
    rise,
    intake,
    tailrace,
    held,
    head_net,
    scheme_type,
    conduit_m,
    place_cost,
    project_law,
    works,
    flows,
    fits,
    turbines,
    prices,
    conduit,
    setting,
    safe_flow,
):
    """Best size of every turbine class at each stretch; arguments as `best_of_stretches`.

    Returns
    -------
    ndarray of float64, shape (n, classes, CHOICES, len(FOUND))
        NaN where the class does not fit.
    """
    return _searched(
        usable, order, rise, intake, tailrace, held, head_net, scheme_type, conduit_m, place_cost, project_law,
        works, flows, fits,
        turbines, prices, conduit, setting, safe_flow, (ANY, SAFE, AS_BUILT), True,
    )[2]  # fmt: skip


# Best turbine and size of each stretch, or with `of_each` the best size of each class at each; with the
# memory order and dtype of each argument for which the kernel is compiled.
def _searched(
    usable, order, rise, intake, tailrace, held, head_net, scheme_type, conduit_m, place_cost, project_law,
        works, flows, fits,
    turbines, prices, conduit, setting, safe_flow, wanted, of_each, head_least=None, floor=None, ceiling=None,
):  # fmt: skip
    rows, classes, bins = len(intake), len(turbines.head_min_m), usable.shape[1]
    head_net = np.ascontiguousarray(head_net, dtype=np.float64)
    lowest = head_net if head_least is None else head_least
    suits = (turbines.head_min_m <= head_net[:, None]) & (lowest[:, None] <= turbines.head_max_m)
    suits &= fits & turbines.suits_scheme_type[:, scheme_type].T
    records = np.empty(classes, dtype=CLASS)
    for name in CLASS.names:
        records[name] = getattr(turbines, name)
    turbine = np.full((rows, CHOICES), -1, dtype=np.int64)
    found = np.full((rows, CHOICES, len(FOUND)), np.nan)
    each = np.full((rows if of_each else 0, classes, CHOICES, len(FOUND)), np.nan)
    counts = np.zeros(2, dtype=np.int64)
    nodes = (turbines.efficiency.shape[1] - 1) * int(turbines.units_max.max(initial=1)) + 1
    plants = classes, int(turbines.units_max.max(initial=1)), len(flows.shares)
    _search(
        *(np.ascontiguousarray(table, dtype=np.float64) for table in (usable, rise)),
        np.ascontiguousarray(order, dtype=np.int32),
        *(np.ascontiguousarray(part, dtype=np.int64) for part in (intake, tailrace)),
        np.ascontiguousarray(held, dtype=np.bool_),
        head_net,
        *(
            np.ascontiguousarray(part, dtype=np.float64)
            for part in (conduit_m, place_cost, project_law, works, flows.shares)
        ),
        np.ascontiguousarray(flows.coarse, dtype=np.int64),
        np.ascontiguousarray(suits),
        np.ascontiguousarray(setting, dtype=np.float64),
        *(np.ascontiguousarray(part, dtype=np.float64) for part in safe_flow),
        _with_attributes(records),
        np.ascontiguousarray(turbines.efficiency, dtype=np.float64),
        _search_record(prices, conduit),
        _with_attributes(np.empty(1, dtype=CLASS_AT_SITE)),
        np.zeros((4, bins + 1)),
        np.full((len(flows.shares) + OTHER_FLOWS, SIZE_TERMS), np.nan),
        np.empty(len(flows.shares), dtype=np.int64),
        np.empty(plants),
        np.empty(plants, dtype=np.int64),
        np.empty((PLANTS_HELD + 1, bins + 1)),
        np.full((*plants[:2], nodes.bit_length(), nodes), np.nan),
        np.empty((INTERVALS, 2), dtype=np.int64),
        np.full((CHOICES, HELD), np.nan),
        np.empty(CHOICES),
        np.ascontiguousarray(np.full(rows, -np.inf) if floor is None else floor, dtype=np.float64),
        np.ascontiguousarray(np.full(rows, np.inf) if ceiling is None else ceiling, dtype=np.float64),
        np.isin(np.arange(CHOICES), list(wanted)),
        of_each,
        turbine,
        found,
        each,
        counts,
    )
    return turbine, found, each, counts


# The last four arguments are filled; those from `at_sites` to `to_beat` are room to work in.
@kernel(
    takes=(
        "float64[:, ::1], float64[:, ::1], int32[:, ::1], int64[::1], int64[::1], boolean[::1], "
        "float64[::1], float64[::1], float64[::1], float64[:, ::1], float64[:, ::1], float64[::1], int64[::1], "
        "boolean[:, ::1], "
        "float64[:, ::1], float64[:, ::1], float64[:, ::1], CLASS[::1], "
        "float64[:, ::1], SEARCH, CLASS_AT_SITE[::1], float64[:, ::1], float64[:, ::1], int64[::1], "
        "float64[:, :, ::1], int64[:, :, ::1], float64[:, ::1], float64[:, :, :, ::1], "
        "int64[:, ::1], float64[:, ::1], float64[::1], float64[::1], float64[::1], "
        "boolean[::1], boolean, int64[:, ::1], "
        "float64[:, :, ::1], "
        "float64[:, :, :, ::1], int64[::1]"
    ),
    records={"CLASS": CLASS, "CLASS_AT_SITE": CLASS_AT_SITE, "SEARCH": SEARCH},
    fills=(
        "at_sites",
        "bins",
        "sizes",
        "full",
        "scales",
        "held",
        "taken",
        "best_at",
        "stack",
        "best",
        "to_beat",
        "turbine",
        "found",
        "each",
        "counts",
    ),
    allocates=False,
)
def _search(
    usable, rise, order, intake, tailrace, is_held, head_net, conduit_m, place_cost, project_law, works, shares,
    coarse,
    suits, setting, as_built, screened, classes, efficiency, prices, at_sites, bins, sizes, full, scales,
    held, taken, best_at, stack, best, to_beat, floor, ceiling, wanted,
    of_each,
    turbine, found, each, counts,
):  # fmt: skip
    at_site = at_sites[0]
    for row in range(intake.shape[0]):
        _fill_bins(usable, rise, order, intake[row], tailrace[row], is_held[row], head_net[row], bins)
        if row == 0 or intake[row] != intake[row - 1]:
            _fill_tries(bins, shares, sizes, full, prices)
            for number in range(classes.shape[0]):
                for unit in range(held.shape[1]):
                    for place in range(held.shape[2]):
                        scales[number, unit, place], held[number, unit, place] = np.nan, -1
            taken[taken.shape[0] - 1, 0] = 0.0
        at_site.least_head = np.inf
        for place in range(bins.shape[1] - 1):
            at_site.least_head = min(at_site.least_head, bins[HEAD, place])
        at_site.head, at_site.conduit_m, at_site.place_cost = head_net[row], conduit_m[row], place_cost[row]
        at_site.canal_m, at_site.penstock_m = works[row, 0], works[row, 1]
        at_site.by_area, at_site.by_perimeter, at_site.least_m = works[row, 2], works[row, 3], works[row, 4]
        at_site.project_law, at_site.project_law_exponent = project_law[row, 0], project_law[row, 1]
        at_site.second_law, at_site.second_law_exponent = project_law[row, 2], project_law[row, 3]
        # Nothing beats an infinite score.
        for choice in range(CHOICES):
            to_beat[choice] = -np.inf if wanted[choice] else np.inf
        if not of_each:
            for choice in range(CHOICES):
                best[choice, BAR], best[choice, AT] = to_beat[choice], -1.0
            if prices.min_capacity_factor <= 0.0:
                # First scores to beat, so that poor sizes are passed over from the start. Where a floor or a
                # ceiling lets a plant be given that is not the best, it goes by the middle design flow alone, not
                # by other places.
                is_best_sought = floor[row] == -np.inf and ceiling[row] == np.inf
                is_near = is_best_sought and row > 0 and intake[row] == intake[row - 1]
                if is_near:
                    # The plants of the place before at the same intake.
                    for choice in range(CHOICES):
                        number = turbine[row - 1, choice]
                        if number >= 0 and wanted[choice] and suits[row, number]:
                            flow, index = found[row - 1, choice, FLOW], 0
                            while index + 1 < full.shape[0] and sizes[index + 1, FLOW_AT] >= flow:
                                index += 1
                            _set_class(row, number, setting, as_built, screened, at_site)
                            units = int(found[row - 1, choice, UNITS])
                            _fill_class(at_site, units, classes[number], efficiency[number, -1], prices)
                            judge(
                                bins, sizes, full, index, at_site, efficiency[number], prices, scales, held, taken,
                                best_at, counts, best,
                            )  # fmt: skip
                            _note_class(row, number, best, to_beat, turbine)
                # The middle design flow, with as few units as take it.
                middle = coarse[coarse.shape[0] // 2]
                for number in range(classes.shape[0]):
                    if suits[row, number]:
                        one = classes[number]
                        _set_class(row, number, setting, as_built, screened, at_site)
                        _fill_class(at_site, 1, one, efficiency[number, -1], prices)
                        each_flow, units = at_site.flow_max, 1
                        while units < one.units_max and units * each_flow < sizes[middle, FLOW_AT]:
                            units += 1
                        _fill_class(at_site, units, one, efficiency[number, -1], prices)
                        judge(
                            bins, sizes, full, middle, at_site, efficiency[number], prices, scales, held, taken,
                            best_at, counts, best,
                        )  # fmt: skip
                        _note_class(row, number, best, to_beat, turbine)
                # From each of them to better design flows near it.
                for choice in range(CHOICES):
                    number = turbine[row, choice]
                    if number < 0 or not is_best_sought:
                        continue
                    _set_class(row, number, setting, as_built, screened, at_site)
                    _fill_class(
                        at_site, int(best[choice, UNITS]), classes[number], efficiency[number, -1], prices
                    )  # fmt: skip
                    step = FIRST_STEP_NEAR if is_near else FIRST_STEP
                    while step > 0:
                        at, score = int(best[choice, AT]), to_beat[choice]
                        for side in range(-1, 2, 2):
                            index = at + side * step
                            if 0 <= index < full.shape[0]:
                                judge(
                                    bins, sizes, full, index, at_site, efficiency[number], prices, scales, held,
                                    taken, best_at, counts, best,
                                )  # fmt: skip
                        _note_class(row, number, best, to_beat, turbine)
                        if not to_beat[choice] > score:
                            step //= 2
            # It is set just below what was found, so that the search finds that, or better, again.
            for choice in range(CHOICES):
                to_beat[choice] = np.nextafter(best[choice, BAR], -np.inf)
                if not wanted[choice]:
                    continue
                if to_beat[choice] >= floor[row] and not (choice == ANY and to_beat[choice] > ceiling[row]):
                    turbine[row, choice] = -1
                    continue
                # Nothing below the floor is sought but this.
                to_beat[choice] = floor[row]
                if turbine[row, choice] >= 0:
                    for column in range(BAR):
                        found[row, choice, column] = best[choice, column]
        for number in range(classes.shape[0]):
            if found[row, ANY, SCORE] > ceiling[row]:
                break
            if not suits[row, number]:
                continue
            _set_class(row, number, setting, as_built, screened, at_site)
            best_sizes(
                bins, sizes, full, coarse, classes[number], to_beat, ceiling[row], at_site, efficiency[number],
                prices, scales, held, taken, best_at, counts, stack, best,
            )  # fmt: skip
            for choice in range(CHOICES):
                if of_each:
                    for column in range(BAR):
                        each[row, number, choice, column] = best[choice, column]
                elif best[choice, SCORE] > to_beat[choice]:
                    turbine[row, choice] = number
                    for column in range(BAR):
                        found[row, choice, column] = best[choice, column]
                    to_beat[choice] = best[choice, SCORE]
        if found[row, ANY, SCORE] > ceiling[row]:
            for choice in (SAFE, AS_BUILT):
                turbine[row, choice] = -1
                for column in range(BAR):
                    found[row, choice, column] = np.nan


# What of a class at a place does not depend on the number of units.
@part
def _set_class(row, number, setting, as_built, screened, at_site):
    at_site.number, at_site.setting = number, setting[row, number]
    at_site.safe_as_built_m3s, at_site.safe_screened_m3s = as_built[row, number], screened[row, number]


# Note the class of choices whose best score has just risen by a size of it.
@part
def _note_class(row, number, best, to_beat, turbine):
    for choice in range(CHOICES):
        if best[choice, BAR] > to_beat[choice]:
            turbine[row, choice], to_beat[choice] = number, best[choice, BAR]


# Usable flow and head of each bin, its sums from the start, and the sums of usable flow times head from the end,
# for one stretch. A negative head gives no power.
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
