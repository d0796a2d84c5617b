"""Operation of a plant in each bin of the duration curve, and the releases of each scheme type to the stream."""

import math

import numpy as np

from sitefinder.compiled import kernel, part
from sitefinder.energy.costs import needs_fish_pass
from sitefinder.energy.hydraulics import WATERWAY, pipe_loss_m
from sitefinder.schema import is_scheme_that

# Halvings of a hundredth of the design flow in the search for the best throttled flow: to the last digits.
HALVINGS = 45


@part
def plant_flow_head(
    flow_m3s, flow_design_m3s, units, efficiency, lowest_relative_flow, head_m, loss_design_m, open_from=np.inf
):
    """Flow that a plant takes for maximum power, and flow times head times efficiency [m³/s · m], for kernels.

    Parameters
    ----------
    flow_m3s, flow_design_m3s : float
        Available flow, and design flow of all units [m³/s].
    units : int
    efficiency : ndarray of float64, shape (101,)
        See `sitefinder.energy.turbines.efficiency_table`.
    lowest_relative_flow : float
        Of a unit.
    head_m, loss_design_m : float
        Head before the pipe, and head loss of the pipe at the design flow [m].
    open_from : float
        Head over loss from which on the plant is not throttled, see
        `sitefinder.energy.turbines.never_throttled_from`; it saves looking for less flow.

    Returns
    -------
    used_m3s, flow_head : float

    Notes
    -----
    The number of units with maximum power run, sharing the flow equally; a unit stops below its lowest flow. A
    unit may run full and spill the rest rather than share with another that would stop. Behind a pipe the plant is
    throttled where less flow gives more power. So more flow or head never gives less power.
    """
    best_used, best_value = 0.0, 0.0
    if head_m <= 0.0:
        return best_used, best_value
    first = 1
    if head_m >= 3.0 * loss_design_m:
        # Of numbers of units that all run full, the greatest is the best: at any relative flow x of a unit power
        # goes with n · (head - loss · n² · x²), which rises with n while the pipe takes a third of the head.
        first = min(max(int(flow_m3s * units / flow_design_m3s), 1), units)
    for running in range(first, units + 1):
        full = flow_design_m3s * running / units
        used = min(flow_m3s, full)
        relative = used / full
        if relative < lowest_relative_flow:
            break  # with more units each would get still less
        eta = efficiency_at(efficiency, relative)
        value = used * eta * head_m
        if value <= best_value:
            continue  # not the best so far, even if the pipe took nothing
        if loss_design_m > 0.0:
            loss_full_m = loss_design_m * (running / units) ** 2
            if head_m >= open_from * loss_full_m:
                value = relative * eta * (head_m - loss_full_m * relative * relative) * full
            else:
                relative, value = _throttled(relative, efficiency, lowest_relative_flow, head_m, loss_full_m)
                used, value = relative * full, value * full
        if value > best_value:
            best_used, best_value = used, value
    return best_used, best_value


@part
def efficiency_at(efficiency, relative):
    """Efficiency at a relative flow, linear between the nodes of its table, for kernels."""
    place = relative * (efficiency.shape[0] - 1)
    step = min(int(place), efficiency.shape[0] - 2)
    return efficiency[step] + (place - step) * (efficiency[step + 1] - efficiency[step])


# Relative flow up to `maximum` at which x · eta(x) · (head - loss · x²) is greatest, and that value. Goes down
# from the piece of the efficiency curve that holds `maximum`; x · eta(x) does not fall with x, so a piece whose
# upper end is not better even without loss ends the search. Nor can a piece hold the maximum whose upper end, with
# the loss of its lower one, is below what a node near the maximum reaches: most are passed over by that.
@part
def _throttled(maximum, efficiency, lowest, head, loss):
    pieces = efficiency.shape[0] - 1
    upper, upper_eta = maximum, efficiency_at(efficiency, maximum)
    best_at, best = maximum, maximum * upper_eta * (head - loss * maximum * maximum)
    step = min(math.ceil(maximum * pieces) - 1, pieces - 1)
    reached = _reached_at_a_node(step, efficiency, lowest, head, loss)
    while step >= 0 and upper > lowest and upper * upper_eta * head > best:
        lower = max(step / pieces, lowest)
        slope = (efficiency[step + 1] - efficiency[step]) * pieces
        base = efficiency[step] - slope * step / pieces
        if upper * upper_eta * (head - loss * lower * lower) >= reached:
            low, high = lower, upper
            # Power rises at the lower end of the piece and falls at its upper one: there is one maximum between.
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


# What x · eta(x) · (head - loss · x²) reaches at the node of the efficiency curve below its maximum with an
# efficiency that is constant, up to the node `last`; a little less, for rounding.
@part
def _reached_at_a_node(last, efficiency, lowest, head, loss):
    pieces = efficiency.shape[0] - 1
    node = int(min(math.sqrt(head / (3.0 * loss)) * pieces, last))
    at = node / pieces
    return at * efficiency[node] * (head - loss * at * at) * (1.0 - 1e-9) if at >= lowest else 0.0


# Derivative of x · (base + slope · x) · (head - loss · x²).
@part
def _rise(x, base, slope, head, loss):
    return base * head + 2.0 * slope * head * x - 3.0 * base * loss * x * x - 4.0 * slope * loss * x**3


# Power [kW] and flow used [m³/s] of one plant in each bin, into the last two arguments; for kernels.
@part
def _fill_bins(
    curve,
    environmental_flow,
    head,
    flow_design,
    units,
    efficiency,
    lowest,
    shut_down,
    loss_design,
    bypass,
    kw_per_m3s_m,
    power,
    used,
):
    for index in range(curve.shape[0]):
        power[index], used[index] = 0.0, 0.0
        usable = curve[index] - environmental_flow[index] - bypass
        if curve[index] > shut_down or usable <= 0.0 or head[index] <= 0.0:
            continue
        may_take = min(usable, flow_design)
        used[index], flow_head = plant_flow_head(
            may_take, flow_design, units, efficiency, lowest, head[index], loss_design
        )
        power[index] = kw_per_m3s_m * flow_head


@kernel(
    takes=(
        "float64[:, ::1], float64[:, ::1], float64[:, ::1], int64[::1], int64[::1], boolean[::1], "
        "float64[::1], float64[::1], float64[::1], int64[::1], int64[::1], float64[::1], float64[::1], "
        "float64[::1], float64[:, ::1], float64[::1], WATERWAY, float64[::1], float64[:, ::1], float64[:, ::1]"
    ),
    records={"WATERWAY": WATERWAY},
    fills=("heads", "power", "used"),
    allocates=False,
)
def fill_plants(
    curve,
    environmental_flow,
    rise,
    intake,
    tailrace,
    held,
    head,
    flow_design,
    rated,
    units,
    turbine,
    conduit_m,
    bypass,
    scale,
    efficiency,
    lowest,
    conduit,
    heads,
    power,
    used,
):
    """`_fill_bins` of many plants that each have a turbine; see `sitefinder.energy.plant.bins_of_plants`.

    ``bypass`` is flow that goes past the turbine beside the environmental flow [m³/s];
    ``scale`` is a factor on the efficiency of each plant, see `sitefinder.energy.runners.scale_factors`.
    ``conduit`` is a record of `sitefinder.energy.hydraulics.WATERWAY`, ``heads`` room to work in; the last two are
    filled.
    """
    rows, bins = intake.shape[0], curve.shape[1]
    for row in range(rows):
        for index in range(bins):
            heads[index] = head[row] - rise[tailrace[row], index]
            if not held[row]:
                heads[index] += rise[intake[row], index]
        number = turbine[row]
        _fill_bins(
            curve[intake[row]],
            environmental_flow[intake[row]],
            heads,
            flow_design[row],
            units[row],
            efficiency[number],
            lowest[number],
            np.inf,
            pipe_loss_m(flow_design[row], conduit_m[row], conduit),
            bypass[row],
            conduit.kw_per_m3s_m * scale[row],
            power[row],
            used[row],
        )
        for index in range(bins):
            power[row, index] = min(power[row, index], rated[row])


def has_fish_pass(stretches, costs):
    """Scheme types that have a fish pass, existing or included in the costs.

    Parameters
    ----------
    stretches : DataFrame, n rows
        ``scheme_type`` and ``has_fish_pass``.
    costs : CostFile

    Returns
    -------
    ndarray of bool, shape (n,)
        See `sitefinder.energy.costs.needs_fish_pass`; and any scheme type whose structure has one.
    """
    return needs_fish_pass(stretches, costs) | stretches["has_fish_pass"].to_numpy(bool)


def is_undiverted(stretches):
    """Scheme types that leave no stretch of stream between intake and tailrace without its water.

    Parameters
    ----------
    stretches : DataFrame, n rows
        ``scheme_type``.

    Returns
    -------
    ndarray of bool, shape (n,)
    """
    return ~is_scheme_that(stretches["scheme_type"], "diverts")


def residual_flow(
    curve_m3s, environmental_flow_m3s, mean_m3s, undiverted, with_pass, releases, closed=None, used_m3s=None
):
    """Residual flow that scheme types must leave in the stream.

    Parameters
    ----------
    curve_m3s, environmental_flow_m3s : ndarray of float64, shape (n, bins)
        Flow, and environmental flow [m³/s].
    mean_m3s : ndarray of float64, shape (n,)
        Mean flow [m³/s].
    undiverted, with_pass : bool, or ndarray of bool of shape (n, 1)
        Whether a scheme type has no depleted reach; whether it has a fish pass.
    releases : sitefinder.settings.ReleaseSettings
    closed : ndarray of bool, shape (bins,) or (n, bins), optional
        Bins of closed months, in which all flow stays for any scheme type.
    used_m3s : ndarray of float64, shape (n, bins), optional
        Flow that the turbines take [m³/s], for the attraction flow; by default all that they may take.

    Returns
    -------
    ndarray of float64, shape (n, bins)
        [m³/s], never above the flow.

    Notes
    -----
    First the crest: without a depleted reach, ``crest_share`` of the environmental flow, and at least
    ``crest_min_m3s``. Then the fish pass: its water is part of that (which is then at least the flow of the pass),
    or is added to it. Fish find the pass by its current: its flow is at least ``attraction_share`` of the
    turbines' flow. With a share a, turbines that take q of the flow Q leave at least a q, so that q is at most Q /
    (1 + a).
    """
    left = np.where(
        undiverted,
        np.maximum(releases.crest_share * environmental_flow_m3s, releases.crest_min_m3s),
        environmental_flow_m3s,
    )
    water = np.maximum(releases.fish_pass_m3s, releases.fish_pass_share_of_mean * np.asarray(mean_m3s))[:, None]
    max_used = curve_m3s if releases.fish_pass_in_environmental_flow else curve_m3s - left
    used = max_used / (1.0 + releases.attraction_share) if used_m3s is None else used_m3s
    water = np.maximum(water, releases.attraction_share * used)
    passed = np.maximum(left, water) if releases.fish_pass_in_environmental_flow else left + water
    left = np.minimum(np.where(with_pass, passed, left), curve_m3s)
    return left if closed is None else np.where(closed, curve_m3s, left)


# Bins in which floods stop the turbines.
def _is_shut_down(curve_m3s, energy):
    limits = []
    if energy.shut_down_times_mean is not None:
        limits.append(energy.shut_down_times_mean * curve_m3s.mean(axis=1))
    if energy.shut_down_exceedance_percent is not None:
        # Between bin midpoints, which are Hazen's positions.
        share = 1.0 - energy.shut_down_exceedance_percent / 100.0
        limits.append(np.quantile(curve_m3s, share, axis=1, method="hazen"))
    return curve_m3s > np.min(limits, axis=0)[:, None] if limits else None


def shutdown_share(curve_m3s, energy, closed=None):
    """Bins in which no turbine runs: closed ones, and those of floods that stop them.

    Parameters
    ----------
    curve_m3s, energy
        As `_is_shut_down`.
    closed : ndarray of bool, shape (bins,), optional

    Returns
    -------
    ndarray of bool, shape (bins,) or (stations, bins), or None
    """
    shut = _is_shut_down(curve_m3s, energy)
    if shut is None or closed is None:
        return closed if shut is None else shut
    return shut | closed


def by_residual_flow(stretches, curve_m3s, environmental_flow_m3s, costs, releases, closed=None):
    """Groups of stretches with the same releases, with the residual flow of each station.

    Parameters
    ----------
    stretches : DataFrame, n rows
        ``scheme_type`` and ``has_fish_pass``.
    curve_m3s, environmental_flow_m3s : ndarray of float64, shape (stations, bins)
    costs : CostFile
    releases : sitefinder.settings.ReleaseSettings
    closed : ndarray of bool, shape (bins,) or (stations, bins), optional
        Bins in which no turbine runs: all flow stays.

    Yields
    ------
    rows : ndarray of int
        Rows of the group's stretches.
    left_m3s : ndarray of float64, shape (stations, bins)
        The environmental flow itself where the settings do not distinguish scheme types.
    """
    if releases.changes_nothing or not len(stretches):
        yield (
            np.arange(len(stretches)),
            environmental_flow_m3s if closed is None else np.where(closed, curve_m3s, environmental_flow_m3s),
        )
        return
    undiverted, with_pass = is_undiverted(stretches), has_fish_pass(stretches, costs)
    mean = curve_m3s.mean(axis=1)
    kinds = 2 * undiverted + with_pass
    # One table at a time, so that only one more copy of all stations' flows is in memory.
    for kind in np.unique(kinds).tolist():
        left = residual_flow(curve_m3s, environmental_flow_m3s, mean, kind >= 2, kind % 2 == 1, releases, closed)
        yield np.flatnonzero(kinds == kind), left
