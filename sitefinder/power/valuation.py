"""What each stretch is worth: best machine, size, energy and cost, for any machine and for fish-safe ones."""

import numpy as np
import pandas as pd

from sitefinder.power.conduit import net_head_m, waterway
from sitefinder.power.cost import (
    LINE_DISTANCE,
    check_same_money,
    is_extrapolated,
    machine_cost,
    place_costs,
    screen_area_m2,
    worth_of_energy,
)
from sitefinder.power.energy import plant_outputs
from sitefinder.power.machines import LAYOUTS, SAFE_SCREENED, fits_stream, machine_table
from sitefinder.power.passage import by_what_is_left, standing_still
from sitefinder.power.prices import search_prices
from sitefinder.power.search import best_of_machines, best_of_stretches, usable_flow
from sitefinder.power.sizes import (
    ANY,
    CAPITAL,
    ENERGY,
    FLOW,
    FOUND,
    POWER,
    SAFE,
    SCORE,
    UNITS,
    YEARLY,
    design_flows,
)
from sitefinder.power.tailwater import intake_is_held
from sitefinder.units import HOURS_PER_YEAR, KILOWATT_HOURS_PER_MEGAWATT_HOUR

CHOICES = {"any": ANY, "safe": SAFE}
NUMBERS_IN = ("head_m", "conduit_length_m", "pond_length_m", "weir_height_m", "road_distance_m")
COLUMNS_IN = ("intake", "layout", "has_fish_pass", *NUMBERS_IN)


def value_stretches(stretches, curve_m3s, reserved_m3s, machines, costs, settings, depths=None, closed=None):
    """Best machine, size, energy and cost of each stretch.

    Parameters
    ----------
    stretches : DataFrame, n rows
        ``intake`` (station number), ``layout``, ``head_m`` (gross) [m], ``conduit_length_m`` [m],
        ``pond_length_m`` [m], ``weir_height_m`` [m], ``has_fish_pass`` (bool), ``road_distance_m`` and
        ``line_distance_m`` (``settlement_distance_m`` where the line leads there) [m], NaN where unknown; with
        `depths` also ``tailrace`` (station number). Where there are ``stream_width_m`` and ``stream_depth_m`` [m],
        classes go without that the stream is too small for. Other columns are not looked at.
    curve_m3s, reserved_m3s : ndarray of float64, shape (stations, bins)
        Flow of each station, and what the rules reserve of it, in bins of equal time in any order [m³/s].
    machines : list of MachineClass
    costs : CostFile
    settings : sitefinder.config.Settings
        Reads the sections energy, tailwater, costs, fish, ranking and flows.passage.
    depths : sitefinder.power.tailwater.WaterDepths, optional
        How levels move with flow; without it they stand still.
    closed : ndarray of bool, shape (bins,), optional
        Bins in which nothing may be taken, whatever `sitefinder.power.passage` says of a layout.

    Returns
    -------
    DataFrame, n rows, index of stretches
        For each prefix ``any_`` and ``safe_``: ``machine`` (place in the list, -1 where none fits), ``screened``
        (with a fine screen and bypass, whose cost is in), ``units``, ``flow_design_m3s``, ``power_kw`` (rated,
        electrical), ``energy_mwh`` (mean year, with availability), ``capacity_factor``, ``firm_power_kw``,
        ``capital_cost``, ``cost_per_kwh``, ``net_value_per_year``; NaN and 0 units where none fits;
        ``stream_too_small``, True where none fits that would in a larger stream. And
        ``costs_left_out``: "road", "line", "road; line" or "".

    Raises
    ------
    ValueError
        If a column is absent, a layout has no such name, or an intake is no station.
    ConfigError
        If a machine's cost law is in other money than the cost file.

    Notes
    -----
    Only the flow at the intake drives the machine; intake and tailrace have high and low water on the same days.
    The best is what ``energy.design_by`` says: greatest net yearly value or energy, as ``ranking.choose_by`` has
    it, or least cost of a kWh; or of each class the greatest design flow that reaches a capacity factor. Design
    flows tried are usable flows, see `sitefinder.power.sizes.design_flows`, capped at what the units can take;
    plants of less than ``energy.least_power_kw`` count as not fitting.
    """
    check_same_money(machines, costs)
    curve_m3s, reserved_m3s = _checked_flows(curve_m3s, reserved_m3s)
    _check_stretches(stretches, depths, len(curve_m3s), settings.costs.connection)
    table = machine_table(machines, settings.fish)
    parts, places = [], []
    laws = (table, search_prices(costs, settings), waterway(settings.energy))
    still = standing_still(curve_m3s, settings.energy, closed)
    groups = by_what_is_left(stretches, curve_m3s, reserved_m3s, costs, settings.flows.passage, still)
    for rows, left_m3s in groups:
        group = stretches.iloc[rows]
        arguments = search_arguments(group, curve_m3s, left_m3s, costs, settings, depths)
        fits = fits_stream(table, group)
        machine, found, _ = best_of_stretches(*arguments, fits, *laws)
        too_small = np.zeros(machine.shape, dtype=bool)
        barred = np.flatnonzero((machine < 0).any(axis=1) & ~fits.all(axis=1))
        if len(barred):
            # Those that a larger stream would give a machine.
            own = (part[barred] for part in arguments[3:-1])
            wider = (*arguments[:3], *own, arguments[-1], np.ones_like(fits[barred]))
            without, _, _ = best_of_stretches(*wider, *laws)
            too_small[barred] = (machine[barred] < 0) & (without >= 0)
        ends, conduit_m = arguments[2:7], arguments[8]
        columns = {}
        for prefix, choice in CHOICES.items():
            part = _choice_columns(machine[:, choice], found[:, choice], table, choice, settings)
            size = (part[name] for name in ("flow_design_m3s", "power_kw", "units", "machine"))
            outputs = plant_outputs(curve_m3s, left_m3s, *ends, *size, table, conduit_m, laws[-1])
            part["firm_power_kw"] = outputs.firm_power_kw
            part["stream_too_small"] = too_small[:, choice]
            columns |= {f"{prefix}_{name}": values for name, values in part.items()}
        columns["costs_left_out"] = _left_out(group, settings.costs.connection)
        parts.append(pd.DataFrame(columns, index=group.index))
        places.append(rows)
    return pd.concat(parts).iloc[np.argsort(np.concatenate(places), kind="stable")]


def machine_options(stretches, curve_m3s, reserved_m3s, machines, costs, settings, depths=None, closed=None):
    """Every machine class that fits, at each of a few stretches.

    Parameters
    ----------
    stretches, curve_m3s, reserved_m3s, machines, costs, settings, depths, closed
        As `value_stretches`.

    Returns
    -------
    DataFrame
        A row for each stretch and class that fits: ``stretch`` (index label), ``machine`` (place in the list),
        ``name``, ``fish_safe``, ``survival``, ``evidence``, ``screened``, ``units``, ``flow_design_m3s``,
        ``power_kw``, ``energy_mwh``, ``capacity_factor``, ``capital_cost``, ``cost_per_kwh``,
        ``net_value_per_year``, ``cost_extrapolated`` (the law was not made for this power),
        ``design_exceedance_percent`` (share of time that the usable flow is the design flow or more),
        ``is_best_any``, ``is_best_safe``. A class that is safe only with a screen has two rows, without and with
        it.
    """
    check_same_money(machines, costs)
    curve_m3s, reserved_m3s = _checked_flows(curve_m3s, reserved_m3s)
    _check_stretches(stretches, depths, len(curve_m3s), settings.costs.connection)
    table = machine_table(machines, settings.fish)
    laws = (table, search_prices(costs, settings), waterway(settings.energy))
    found = np.empty((len(stretches), len(machines), len(CHOICES), len(FOUND)))
    exceeded = np.empty(found.shape[:3])
    still = standing_still(curve_m3s, settings.energy, closed)
    groups = by_what_is_left(stretches, curve_m3s, reserved_m3s, costs, settings.flows.passage, still)
    for places, left_m3s in groups:
        arguments = search_arguments(stretches.iloc[places], curve_m3s, left_m3s, costs, settings, depths)
        fits = fits_stream(table, stretches.iloc[places])
        found[places] = best_of_machines(*arguments, fits, *laws)
        for place in places.tolist():
            usable, flow = arguments[0][stretches["intake"].iloc[place]], found[place, :, :, FLOW]
            exceeded[place] = 100.0 * (usable >= flow[..., None] * (1.0 - 1e-9)).mean(axis=-1)
    rows = []
    for number, machine in enumerate(machines):
        for choice in CHOICES.values():
            if choice == SAFE and table.safety[number] != SAFE_SCREENED:
                continue
            numbers = np.full(len(stretches), number)
            numbers[np.isnan(found[:, number, choice, SCORE])] = -1
            part = pd.DataFrame(_choice_columns(numbers, found[:, number, choice], table, choice, settings))
            survival = machine.survival_screened if choice == SAFE else machine.survival
            part.insert(0, "stretch", np.asarray(stretches.index))
            part.insert(2, "name", machine.name)
            part.insert(3, "fish_safe", choice == SAFE or table.safety[number] == 0)
            part.insert(4, "survival", survival.share)
            part.insert(5, "evidence", survival.evidence)
            head_m = net_head_m(stretches["head_m"], stretches["conduit_length_m"], settings.energy)
            part["cost_extrapolated"] = is_extrapolated(machine.cost, part["power_kw"], head_m, part["units"])
            part["design_exceedance_percent"] = exceeded[:, number, choice]
            part["score"] = found[:, number, choice, SCORE]
            part["place"] = np.arange(len(stretches))
            rows.append(part[part["machine"] >= 0])
    options = pd.concat(rows, ignore_index=True)
    options = options.sort_values(["place", "machine", "screened"], kind="stable", ignore_index=True)
    options["is_best_any"] = _is_best(options, ~options["screened"])
    options["is_best_safe"] = _is_best(options, options["fish_safe"])
    return options.drop(columns=["score", "place"])


def capital_parts(
    stretches, curve_m3s, machine, units, flow_design_m3s, power_kw, screened, machines, costs, settings
):
    """Capital of chosen plants, part by part.

    Parameters
    ----------
    stretches : DataFrame, n rows
        As `value_stretches`.
    curve_m3s : ndarray of float64, shape (stations, bins)
        Natural flow [m³/s].
    machine, units, flow_design_m3s, power_kw, screened : array_like, shape (n,)
        The plant of each row, as `value_stretches` gives it; every row has a machine.
    machines, costs, settings
        As `value_stretches`.

    Returns
    -------
    DataFrame, n rows, index of stretches
        ``machine``, ``civil``, ``conduit``, ``screen``, ``weir``, ``pond``, ``fish_pass``, ``road``, ``line``,
        ``permits``, ``contingency``; their sum is the capital cost.
    """
    machine, units = np.asarray(machine, dtype=int), np.asarray(units, dtype=int)
    flow, power = np.asarray(flow_design_m3s, dtype=float), np.asarray(power_kw, dtype=float)
    conduit_m = stretches["conduit_length_m"].to_numpy(float)
    head = net_head_m(stretches["head_m"], conduit_m, settings.energy)
    laws = [machines[number].cost for number in machine]
    factor = np.array([machines[number].civil_factor for number in machine], dtype=float)
    civil, conduit, screen = costs.civil, costs.conduit, costs.screen
    screen_cost = screen.bypass_fixed + screen.per_m2 * screen_area_m2(flow, screen.approach_velocity_m_s)
    parts = {
        "machine": np.array(
            [machine_cost(*plant) for plant in zip(laws, power, head, units, strict=True)], dtype=float
        ),
        "civil": factor * civil.coefficient * flow**civil.flow_exponent * head**civil.head_exponent,
        "conduit": conduit.per_m * flow**conduit.flow_exponent * conduit_m,
        "screen": np.where(np.asarray(screened, dtype=bool), screen_cost, 0.0),
    }
    flow_mean = np.asarray(curve_m3s, dtype=float)[stretches["intake"].to_numpy()].mean(axis=1)
    parts |= place_costs(stretches, flow_mean, costs, settings.costs.connection)
    frame = pd.DataFrame(parts, index=stretches.index)
    frame["contingency"] = costs.contingency.share * frame.sum(axis=1)
    return frame


def _check_stretches(stretches, depths, stations, connection):
    needed = [*COLUMNS_IN, LINE_DISTANCE[connection], *(["tailrace"] if depths is not None else [])]
    missing = [name for name in needed if name not in stretches]
    if missing:
        raise ValueError(f"stretches lack the columns {', '.join(missing)}")
    strange = sorted(set(stretches["layout"]) - set(LAYOUTS))
    if strange:
        raise ValueError(f"layouts must be among {', '.join(LAYOUTS)} (found {', '.join(map(str, strange))})")
    ends = _ends(stretches, depths)
    if any(len(end) and (end.min() < 0 or end.max() >= stations) for end in ends):
        raise ValueError(f"intakes and tailraces must be station numbers from 0 to {stations - 1}")


# Station numbers of intakes and tailraces; where levels stand still the tailrace is of no account.
def _ends(stretches, depths):
    return [stretches[name].to_numpy(np.int64) for name in ("intake", "intake" if depths is None else "tailrace")]


def search_arguments(stretches, curve, reserved, costs, settings, depths):
    """The arguments of `sitefinder.power.search.best_of_stretches` before ``fits``, in its order.

    Parameters
    ----------
    stretches, costs, settings, depths
        As `value_stretches`.
    curve, reserved : ndarray of float64, shape (stations, bins)
        Flow, and what stays in the stream of it [m³/s].

    Returns
    -------
    tuple
    """
    intake, tailrace = _ends(stretches, depths)
    conduit_m = stretches["conduit_length_m"].to_numpy(np.float64)
    flow_mean = curve.mean(axis=1)[intake]
    return (
        *usable_flow(curve, reserved),
        np.zeros(curve.shape) if depths is None else np.ascontiguousarray(depths.rise_m, dtype=np.float64),
        intake,
        tailrace,
        intake_is_held(stretches["layout"], settings.tailwater),
        net_head_m(stretches["head_m"], conduit_m, settings.energy),
        pd.Categorical(stretches["layout"], categories=LAYOUTS).codes.astype(np.int64),
        np.ascontiguousarray(conduit_m),
        sum(place_costs(stretches, flow_mean, costs, settings.costs.connection).values()),
        design_flows(settings.energy),
    )


# Flow tables in the layout and dtype that the kernels are compiled for.
def _checked_flows(curve_m3s, reserved_m3s):
    curve_m3s = np.ascontiguousarray(curve_m3s, dtype=np.float64)
    reserved_m3s = np.ascontiguousarray(reserved_m3s, dtype=np.float64)
    if curve_m3s.shape != reserved_m3s.shape or curve_m3s.ndim != 2:
        raise ValueError(
            f"natural and reserved flow must have one shape (stations, bins), found {curve_m3s.shape} "
            f"and {reserved_m3s.shape}"
        )
    return curve_m3s, reserved_m3s


# The columns of one choice, without its prefix.
def _choice_columns(machine, found, table, choice, settings):
    fits = machine >= 0
    energy, power, yearly = found[:, ENERGY], found[:, POWER], found[:, YEARLY]
    kwh = energy * KILOWATT_HOURS_PER_MEGAWATT_HOUR
    screened = np.zeros(len(machine), dtype=bool)
    if choice == SAFE:
        screened[fits] = table.safety[machine[fits]] == SAFE_SCREENED
    running = kwh > 0
    cost_per_kwh = np.where(fits, np.inf, np.nan)
    cost_per_kwh[running] = yearly[running] / kwh[running]
    return {
        "machine": machine.astype(np.int64),
        "screened": screened,
        "units": np.where(fits, found[:, UNITS], 0).astype(np.int64),
        "flow_design_m3s": found[:, FLOW],
        "power_kw": power,
        "energy_mwh": energy,
        "capacity_factor": kwh / (power * HOURS_PER_YEAR),
        "capital_cost": found[:, CAPITAL],
        "cost_per_kwh": cost_per_kwh,
        "net_value_per_year": worth_of_energy(kwh, settings.costs) - yearly,
    }


# Which costs are not in, for want of a distance.
def _left_out(stretches, connection):
    no_road = stretches["road_distance_m"].isna().to_numpy()
    no_line = stretches[LINE_DISTANCE[connection]].isna().to_numpy()
    return np.select([no_road & no_line, no_road, no_line], ["road; line", "road", "line"], default="")


# The first row with the greatest score of its stretch, among those that may stand.
def _is_best(options, may):
    score = options["score"].where(may)
    best = score.groupby(options["place"]).transform("max")
    first = may & (score == best)
    return first & ~first.groupby(options["place"]).cumsum().gt(1)
