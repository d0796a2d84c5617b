"""Value of stretches: the best turbine, size, energy and cost of each, and the options it was chosen from."""

from typing import NamedTuple

import numpy as np
import pandas as pd

from sitefinder.energy.costs import (
    LINE_DISTANCE,
    check_same_money,
    is_cost_extrapolated,
    place_costs,
    project_laws,
    screen_takes,
    value_of_energy,
)
from sitefinder.energy.expectation import expected_water, kinds_of
from sitefinder.energy.fish_survival import (
    AS_STATED,
    GRADES,
    least_safe_flow,
    meets_bar,
    of_plants,
    survival_by_group,
    worst_of_groups,
)
from sitefinder.energy.hydraulics import WaterDepths, intake_is_held, net_head_m, waterway, waterway_lengths_m
from sitefinder.energy.operation import by_residual_flow, shutdown_share
from sitefinder.energy.plant import plant_outputs
from sitefinder.energy.runners import runner_columns, settings_of_runners, tailwater_level_m
from sitefinder.energy.sizing import (
    ANY,
    AS_BUILT,
    CAPITAL,
    ENERGY,
    FLOW,
    FOUND,
    POWER,
    SAFE,
    SCORE,
    SCREENED,
    UNITS,
    YEARLY,
    best_of_stretches,
    best_of_turbines,
    design_flows,
    search_prices,
    usable_flow,
)
from sitefinder.energy.turbines import SCHEME_TYPES, fits_stream, turbine_table
from sitefinder.energy.works import conduit_works
from sitefinder.units import HOURS_PER_YEAR, KILOWATT_HOURS_PER_MEGAWATT_HOUR
from sitefinder.vocabulary import SCREENED_SAFETY

CHOICES = {"any": ANY, "safe": SAFE, "as_built": AS_BUILT}
# Column of stretches with the most that a canal may still take of the head [m], where its length is not known.
MOST_FALL = "most_canal_fall_m"
# Places among the arguments of `best_of_stretches`; the net head is among `search_arguments`.
NET_HEAD, FITS, TABLE, SAFE_FLOW = 6, 13, 14, 18
# Columns of a choice that say which plant it is; none is the same as another where there is no turbine.
PLANT = ("turbine", "screened", "units", "flow_design_m3s", "power_kw")
NUMBERS_IN = ("head_m", "conduit_length_m", "pond_length_m", "weir_height_m", "road_distance_m")
COLUMNS_IN = ("intake", "scheme_type", "has_fish_pass", *NUMBERS_IN)


def value_stretches(
    stretches,
    curve_m3s,
    environmental_flow_m3s,
    turbines,
    costs,
    settings,
    depths=None,
    closed=None,
    model=None,
    floor=None,
    ceiling=None,
    water=None,
):
    """Best turbine, size, energy and cost of each stretch.

    Parameters
    ----------
    stretches : DataFrame, n rows
        ``intake`` (station number), ``scheme_type``, ``head_m`` (gross) [m], ``conduit_length_m`` [m] (and where
        they are known its parts, see `sitefinder.energy.hydraulics.waterway_lengths_m`),
        ``pond_length_m`` [m], ``weir_height_m`` [m], ``has_fish_pass`` (bool), ``road_distance_m`` and
        ``line_distance_m`` (``settlement_distance_m`` where the line leads there) [m], NaN where unknown; with
        `depths` also ``tailrace`` (station number). Where there are ``stream_width_m`` and ``stream_depth_m`` [m],
        classes for which the stream is too small are left out. Where there is ``most_canal_fall_m`` [m], the head
        may be lower by as much, and classes for any such head are taken. ``tailrace_level_m`` is the elevation of
        the tailwater above the sea, for the setting of runners [m]; without it, it is taken as 0. Other columns
        are ignored.
    curve_m3s, environmental_flow_m3s : ndarray of float64, shape (stations, bins)
        Flow and environmental flow of each station, in bins of equal time in any order [m³/s].
    turbines : list of TurbineClass
    costs : CostFile
    settings : sitefinder.settings.Settings
        Reads the sections energy, tailwater, costs, fish, ranking and flows.releases.
    depths : sitefinder.energy.hydraulics.WaterDepths, optional
        Change of levels with flow; without it they are constant.
    closed : ndarray of bool, shape (bins,), optional
        Bins in which no flow may be taken, for any scheme type.
    model : sitefinder.energy.expectation.FlowModel, optional
        What the stations' flows may be. Size, energy and value are then expectations over the errors of the flow,
        see `sitefinder.energy.expectation.expected_water`; without it the flows are taken as they are.
    floor : ndarray of float64, shape (n,), optional
        Net annual value below which the best plant is not sought: some plant is given. Only where plants are
        chosen by this value.
    ceiling : float, optional
        Net annual value above which nothing better is sought: where any turbine has more, some plant with more is
        given, and none for the other prefixes. Only where plants are chosen by this value.
    water : dict, optional
        What `expected_by_kind` gives of these stretches, or of more at the same stations; without it this is
        worked out.

    Returns
    -------
    DataFrame, n rows, index of stretches
        For each prefix ``any_``, ``safe_`` (fish-safe, with a screen where that takes one) and ``as_built_``
        (fish-safe without one): ``turbine`` (place in the list, -1 where none fits), ``screened`` (with a screen
        and bypass, whose cost and water are counted), ``survival`` (of the group of fish that decides) and
        ``grade`` (of the evidence, by its place in the list of grades; -1 for none), ``units``,
        ``flow_design_m3s``, ``power_kw`` (rated,
        electrical), ``energy_mwh`` (mean annual, with availability), ``capacity_factor``, ``firm_power_kw``,
        ``capital_cost``, ``lcoe_per_kwh``, ``net_annual_value``; NaN and 0 units where none fits;
        ``stream_too_small``, True where none fits that would in a larger stream. And
        ``costs_left_out``: "road", "line", "road; line" or "".

    Raises
    ------
    ValueError
        If a column is absent, a scheme type has no such name, or an intake is no station.
    ConfigError
        If a turbine's cost law is in other money than the cost file.

    Notes
    -----
    Only the flow at the intake drives the turbine; intake and tailrace have high and low water on the same days.
    The best is decided by ``energy.design_by``: the greatest net annual value or energy, as in
    ``ranking.choose_by``, or the lowest LCOE; or of each class the greatest design flow that reaches a capacity
    factor. Design flows tried are usable flows, see `sitefinder.energy.sizing.design_flows`, capped at what the
    units can take; plants of less than ``energy.min_power_kw`` do not fit.
    """
    data = stretches, curve_m3s, environmental_flow_m3s, turbines, costs, settings, depths, closed, model
    (valued,) = _valued_by_fish(*data, [settings.fish], CHOICES, (floor, ceiling), water)
    return valued


def value_any(
    stretches,
    curve_m3s,
    environmental_flow_m3s,
    turbines,
    costs,
    settings,
    depths=None,
    closed=None,
    model=None,
    floor=None,
    ceiling=None,
    water=None,
):
    """`value_stretches` with any turbine alone, as far as it says whether a plant pays.

    Parameters
    ----------
    stretches, curve_m3s, environmental_flow_m3s, turbines, costs, settings, depths, closed, model, floor, ceiling,
    water
        As `value_stretches`.

    Returns
    -------
    DataFrame, n rows
        The columns ``any_…`` without survival, grade and firm power; with a floor, no turbine may be given where
        one fits that is not above it.
    """
    data = stretches, curve_m3s, environmental_flow_m3s, turbines, costs, settings, depths, closed, model
    (valued,) = _valued_by_fish(*data, [settings.fish], {"any": ANY}, (floor, ceiling), water, is_brief=True)
    return valued


def value_fish_safe(
    stretches,
    curve_m3s,
    environmental_flow_m3s,
    turbines,
    costs,
    settings,
    fishes,
    depths=None,
    closed=None,
    model=None,
):
    """`value_stretches` with fish-safe turbines alone, by each of several settings of fish.

    Parameters
    ----------
    stretches, curve_m3s, environmental_flow_m3s, turbines, costs, settings, depths, closed, model
        As `value_stretches`.
    fishes : sequence of sitefinder.settings.FishSettings
        In place of those of `settings`.

    Returns
    -------
    list of DataFrame, n rows
        Of each of `fishes` the columns ``safe_…``, ``as_built_…`` and ``costs_left_out``.
    """
    choices = {prefix: choice for prefix, choice in CHOICES.items() if choice != ANY}
    data = stretches, curve_m3s, environmental_flow_m3s, turbines, costs, settings, depths, closed, model
    return _valued_by_fish(*data, fishes, choices)


# The valuation for some choices by each of several settings of fish; the water is worked out once for all of them.
def _valued_by_fish(
    stretches,
    curve_m3s,
    environmental_flow_m3s,
    turbines,
    costs,
    settings,
    depths,
    closed,
    model,
    fishes,
    choices,
    limits=(None, None),
    water=None,
    is_brief=False,
):
    check_same_money(turbines, costs)
    flows = _checked_flows(curve_m3s, environmental_flow_m3s)
    _check_stretches(stretches, depths, len(curve_m3s), settings.costs.connection)
    table = turbine_table(turbines)
    parts, places, mean_m3s = [[] for _ in fishes], [], flows[0].mean(axis=1)
    laws, wanted = (table, search_prices(costs, settings), waterway(settings.energy)), tuple(choices.values())
    for rows, flow_m3s, left_m3s, levels in _water(
        stretches, *flows, costs, settings, depths, closed, model, water
    ):
        group = stretches.iloc[rows]
        arguments = search_arguments(group, flow_m3s, left_m3s, costs, settings, levels, mean_m3s)
        fits, (setting, can_be_set) = fits_stream(table, group), _settings(group, turbines, arguments)
        head_least = arguments[NET_HEAD] - group[MOST_FALL].to_numpy(np.float64) if MOST_FALL in group else None
        if head_least is not None:
            # Runners may have to be set less deep.
            lower = settings_of_runners(turbines, head_least, tailwater_level_m(group))
            setting, can_be_set = np.minimum(setting, lower[0]), can_be_set | lower[1]
        floor, ceiling = limits
        known = []
        worth = _Worth(
            None if floor is None else floor[rows], None if ceiling is None else np.full(len(rows), ceiling)
        )
        ends, pipe_m = arguments[2:7], arguments[8]
        safe_flows = [least_safe_flow(turbines, costs.screen.design, fish, arguments[NET_HEAD]) for fish in fishes]
        before, after = (*arguments, can_be_set, *laws, setting), (wanted, head_least)
        if len(fishes) > 1:
            # First by all that any of them counts as fish-safe: mostly the best by each of them follows from it.
            of_any = tuple(np.minimum.reduce(flows_m3s) for flows_m3s in zip(*safe_flows, strict=True))
            _best_by_fish((*before, of_any, *after), fits, choices, worth, known)
        plants = []
        for fish, safe_flow, tables in zip(fishes, safe_flows, parts, strict=True):
            best = _best_by_fish((*before, safe_flow, *after), fits, choices, worth, known, is_brief)
            columns = {}
            for prefix, choice in choices.items():
                part = _choice_columns(best.turbine[:, choice], best.found[:, choice], settings)
                if is_brief:
                    columns |= {f"{prefix}_{name}": values for name, values in part.items()}
                    continue
                firm_kw, is_new = _known_firm_kw(part, plants)
                size = (part[name] for name in ("flow_design_m3s", "power_kw", "units"))
                turbine = np.where(is_new, part["turbine"], -1)
                screen_m, bypass_m3s = screen_takes(costs, part["screened"], part["flow_design_m3s"])
                plant = (*ends[:-1], ends[-1] - screen_m, *size, turbine)
                outputs = plant_outputs(flow_m3s, left_m3s, *plant, table, pipe_m, laws[-1], bypass_m3s)
                part["firm_power_kw"] = np.where(is_new, outputs.firm_power_kw, firm_kw)
                plants.append(part)
                part |= fish_columns(turbines, costs, fish, part, ends[-1])
                part["stream_too_small"] = best.too_small[:, choice]
                columns |= {f"{prefix}_{name}": values for name, values in part.items()}
            columns["costs_left_out"] = _left_out(group, settings.costs.connection)
            tables.append(pd.DataFrame(columns, index=group.index))
        places.append(rows)
    order = np.argsort(np.concatenate(places), kind="stable")
    return [pd.concat(tables).iloc[order] for tables in parts]


# Firm power of plants that an earlier one of several choices has as well [kW], and which are none of these.
def _known_firm_kw(part, earlier):
    firm_kw, is_new = np.full(len(part["turbine"]), np.nan), np.ones(len(part["turbine"]), dtype=bool)
    for other in earlier:
        same = is_new & np.logical_and.reduce([part[name] == other[name] for name in PLANT])
        firm_kw[same] = other["firm_power_kw"][same]
        is_new &= ~same
    return firm_kw, is_new


class _Worth(NamedTuple):
    # Scores between which the best is sought, arrays or None; see `best_of_stretches`.
    floor: np.ndarray | None
    ceiling: np.ndarray | None

    def of_rows(self, rows):
        return _Worth(*(None if part is None else part[rows] for part in self))


class _Best(NamedTuple):
    # What the search found for n stretches by one setting of fish: ``turbine`` and ``found`` of
    # `best_of_stretches`; ``too_small``, bool of shape (n, CHOICES), where a larger stream alone would have one.
    turbine: np.ndarray
    found: np.ndarray
    too_small: np.ndarray


# The best of each stretch, by arguments of `best_of_stretches` with the classes that would fit in a larger stream,
# and by those that fit in this one.
def _best(searched, fits, choices, worth, is_brief=False):
    in_stream = (*searched[:FITS], fits & searched[FITS], *searched[FITS + 1 :])
    turbine, found, _ = best_of_stretches(*in_stream, *worth)
    asked = list(choices.values())
    if worth.floor is not None and not is_brief:
        # What a quick look found no plant for.
        lacks = (turbine[:, asked] < 0).any(axis=1)
        if worth.ceiling is not None:
            lacks &= ~(found[:, ANY, SCORE] > worth.ceiling)
        if len(again := np.flatnonzero(lacks)):
            turbine[again], found[again], _ = best_of_stretches(*_of_rows(in_stream, again))
    too_small = np.zeros(turbine.shape, dtype=bool)
    lacks = (turbine[:, asked] < 0).any(axis=1) & ~fits.all(axis=1)
    if not is_brief and len(without_turbine := np.flatnonzero(lacks)):
        without, _, _ = best_of_stretches(*_of_rows(searched, without_turbine))
        too_small[without_turbine] = (turbine[without_turbine] < 0) & (without >= 0)
    return _Best(turbine, found, too_small)


# `_best` by the next of several settings of fish: only those stretches are searched of which the best does not
# follow from an earlier one. `known` holds the sizes that are fish-safe by each of these, and its best.
def _best_by_fish(searched, fits, choices, worth, known, is_brief=False):
    sizes = _safe_sizes(searched[SAFE_FLOW], searched[TABLE])
    if not known:
        best = _best(searched, fits, choices, worth, is_brief)
    else:
        best, left = _Best(*(part.copy() for part in known[0][1])), np.ones(len(fits), dtype=bool)
        for earlier_sizes, earlier in known:
            same = left & _is_still_best(earlier, earlier_sizes, sizes)
            for whole, part in zip(best, earlier, strict=True):
                whole[same] = part[same]
            left &= ~same
        if len(rows := np.flatnonzero(left)):
            searched = _of_rows(searched, rows)
            for whole, part in zip(best, _best(searched, fits[rows], choices, worth.of_rows(rows)), strict=True):
                whole[rows] = part
    known.append((sizes, best))
    return best


# Design flow of one unit from which on it is fish-safe, as built and behind the screen, as `least_safe_flow` has
# it: but 0 where every size of the class is, and infinite where none is.
def _safe_sizes(safe_flow, table):
    greatest = table.flow_max_m3s * (1.0 + 1e-9)
    return [
        np.where(flow <= table.flow_min_m3s, 0.0, np.where(flow > greatest, np.inf, flow)) for flow in safe_flow
    ]


# Stretches of which the best by an earlier setting of fish is the best by another one: all sizes that are safe now
# were safe then, in the same way, and the plants that were found still are. What was safe as built was not looked
# at with a screen then, so it may not need one now. Where a larger stream would have a turbine, it is not known
# whether that one still is safe.
def _is_still_best(best, then, now):
    (as_built, screened), rows = now, np.arange(len(best.turbine))
    same_way = (then[0] == as_built) | np.isinf(screened)
    still = ((then[0] <= as_built) & (then[1] <= screened) & same_way).all(axis=1)
    still &= ~best.too_small.any(axis=1)
    for choice in (SAFE, AS_BUILT):
        turbine, found = best.turbine[:, choice], best.found[:, choice]
        flow_m3s = np.where(found[:, SCREENED] > 0.0, screened[rows, turbine], as_built[rows, turbine])
        still &= (turbine < 0) | (found[:, FLOW] >= found[:, UNITS] * flow_m3s)
    return still


# Arguments of `best_of_stretches` for some of their rows; those of stations and classes are the same.
def _of_rows(searched, rows):
    whole = (0, 1, 2, 12, TABLE, TABLE + 1, TABLE + 2, SAFE_FLOW + 1)
    own = [
        part if place in whole or part is None else part[rows]
        for place, part in enumerate(searched)
        if place != SAFE_FLOW
    ]
    own.insert(SAFE_FLOW, tuple(part[rows] for part in searched[SAFE_FLOW]))
    return tuple(own)


def turbine_options(
    stretches, curve_m3s, environmental_flow_m3s, turbines, costs, settings, depths=None, closed=None, model=None
):
    """Every turbine class that fits, at each of a few stretches.

    Parameters
    ----------
    stretches, curve_m3s, environmental_flow_m3s, turbines, costs, settings, depths, closed, model
        As `value_stretches`.

    Returns
    -------
    DataFrame
        A row for each stretch and class that fits: ``stretch`` (index label), ``turbine`` (place in the list),
        ``name``, ``fish_safe``, ``fish_safe_as_built``, ``survival``, ``evidence``, ``screened``, ``units``,
        ``flow_design_m3s``,
        ``power_kw``, ``energy_mwh``, ``capacity_factor``, ``capital_cost``, ``lcoe_per_kwh``,
        ``net_annual_value``, ``cost_extrapolated`` (the law was not made for this power),
        ``design_exceedance_percent`` (share of time that the usable flow is the design flow or more),
        columns of `sitefinder.energy.runners.runner_columns`,
        ``is_best_any``, ``is_best_safe``. A class that is fish-safe only with a screen, or in another size, has
        two
        rows.
    """
    check_same_money(turbines, costs)
    flows = _checked_flows(curve_m3s, environmental_flow_m3s)
    _check_stretches(stretches, depths, len(curve_m3s), settings.costs.connection)
    groups = list(_water(stretches, *flows, costs, settings, depths, closed, model))
    mean_m3s = flows[0].mean(axis=1)
    sizes = _searched_sizes(stretches, groups, mean_m3s, turbines, costs, settings, [settings.energy])
    options = _options(stretches, *sizes, turbines, costs, settings)
    options["is_best_any"] = _is_best(options, ~options["screened"])
    options["is_best_safe"] = _is_best(options, options["fish_safe"])
    return options.drop(columns=["score", "place"])


def fish_columns(turbines, costs, fish, plants, head_net_m):
    """Survival and grade of evidence of plants, of the group of fish that decides.

    Parameters
    ----------
    turbines : list of TurbineClass
    costs : CostFile
        With the run's screen.
    fish : sitefinder.settings.FishSettings
    plants : mapping of ndarray, shape (n,)
        ``turbine`` (place in the list, -1 for none), ``units``, ``flow_design_m3s`` [m³/s] and ``screened``.
    head_net_m : ndarray of float64, shape (n,)
        Net head on the survey day, without the loss of a screen [m].

    Returns
    -------
    dict of str to ndarray, shape (n,)
        ``survival`` and ``grade``, see `sitefinder.energy.fish_survival.worst_of_groups`.
    """
    share, grade = of_plants(plant_survival(turbines, costs, fish, plants, head_net_m), plants["screened"])
    _, survival, weakest = worst_of_groups(share, grade, fish)
    return {"survival": survival, "grade": weakest}


def plant_survival(turbines, costs, fish, plants, head_net_m, draw=AS_STATED):
    """`sitefinder.energy.fish_survival.survival_by_group` of plants; arguments as `fish_columns`."""
    number, units = (np.asarray(plants[name], dtype=np.int64) for name in ("turbine", "units"))
    unit_flow_m3s = np.asarray(plants["flow_design_m3s"], dtype=float) / np.maximum(units, 1)
    return survival_by_group(turbines, costs.screen.design, fish, number, unit_flow_m3s, head_net_m, draw)


def fish_answers(survival, screened, fish):
    """Whether plants are fish-safe as built, and by the question of ``fish.safe``.

    Parameters
    ----------
    survival : sitefinder.energy.fish_survival.Survival
        Of n plants.
    screened : array of bool, shape (n,)
        Plants with a screen.
    fish : sitefinder.settings.FishSettings

    Returns
    -------
    dict of str to ndarray of bool, shape (n,)
        ``fish_safe`` and ``fish_safe_as_built``.
    """
    as_built = meets_bar(survival.as_built, survival.grade_as_built, fish).all(axis=1)
    safe = as_built
    if fish.safe == SCREENED_SAFETY.name:
        safe = as_built | meets_bar(*of_plants(survival, screened), fish).all(axis=1)
    return {"fish_safe": safe, "fish_safe_as_built": as_built}


# Factor on civil cost of each class's setting at each stretch, and whether it can be set.
def _settings(group, turbines, arguments):
    return settings_of_runners(turbines, arguments[NET_HEAD], tailwater_level_m(group))


# The best size of each class at each stretch of groups with their water (see `_water`), for each of several
# settings of the design flow: what the search found, of shape (stretches, turbines, choices, figures), and the
# share of time that the usable flow is the design flow [%].
def _searched_sizes(stretches, groups, mean_m3s, turbines, costs, settings, energies):
    table = turbine_table(turbines)
    laws = (table, search_prices(costs, settings), waterway(settings.energy))
    sizes = [np.empty((len(stretches), len(turbines), len(CHOICES), len(FOUND))) for _ in energies]
    exceeded = [np.empty(found.shape[:3]) for found in sizes]
    for places, flow_m3s, left_m3s, levels in groups:
        group = stretches.iloc[places]
        arguments = search_arguments(group, flow_m3s, left_m3s, costs, settings, levels, mean_m3s)
        setting, can_be_set = _settings(group, turbines, arguments)
        fits = fits_stream(table, group) & can_be_set
        safe_flow = least_safe_flow(turbines, costs.screen.design, settings.fish, arguments[NET_HEAD])
        intake = group["intake"].to_numpy()
        for energy, found, shares in zip(energies, sizes, exceeded, strict=True):
            given = (*arguments[:-1], design_flows(energy))
            found[places] = best_of_turbines(*given, fits, *laws, setting, safe_flow)
            for place, station in zip(places.tolist(), intake, strict=True):
                usable, flow = arguments[0][station], found[place, :, :, FLOW]
                shares[place] = 100.0 * (usable >= flow[..., None] * (1.0 - 1e-9)).mean(axis=-1)
    return sizes, exceeded


# `turbine_options` of what the search found, with its score and the place of the stretch instead of what is best.
# Of several settings the stretches come one after the other.
def _options(stretches, sizes, exceeded, turbines, costs, settings):
    if len(sizes) > 1:
        stretches = stretches.iloc[np.tile(np.arange(len(stretches)), len(sizes))]
    found, exceeded = np.concatenate(sizes), np.concatenate(exceeded)
    table, rows = turbine_table(turbines), []
    head_m = net_head_m(stretches["head_m"], waterway_lengths_m(stretches, settings.energy)[0], settings.energy)
    level_m, place = tailwater_level_m(stretches), np.arange(len(stretches))
    for number, turbine in enumerate(turbines):
        for choice in (ANY, SAFE, AS_BUILT):
            numbers = np.full(len(stretches), number)
            numbers[np.isnan(found[:, number, choice, SCORE])] = -1
            # What is one plant for two choices is listed once.
            for earlier in range(choice):
                numbers[_is_same(found[:, number, choice], found[:, number, earlier])] = -1
            # A table of no rows is made once, for its columns.
            if rows and (numbers < 0).all():
                continue
            part = _choice_columns(numbers, found[:, number, choice], settings)
            survival = plant_survival(turbines, costs, settings.fish, part, head_m)
            share, grade = of_plants(survival, part["screened"])
            _, worst, weakest = worst_of_groups(share, grade, settings.fish)
            sizes = part["power_kw"], head_m, part["units"]
            extrapolated = is_cost_extrapolated(costs, turbine, stretches["scheme_type"], *sizes)
            sizes = [part[each] for each in ("turbine", "units", "flow_design_m3s")]
            columns = {
                "stretch": np.asarray(stretches.index),
                "turbine": part.pop("turbine"),
                "name": np.array(turbine.name, dtype=object),
                **fish_answers(survival, part["screened"], settings.fish),
                "survival": worst,
                "evidence": np.append(GRADES, "none")[weakest],
                **part,
                "cost_extrapolated": extrapolated,
                "design_exceedance_percent": exceeded[:, number, choice],
                "score": found[:, number, choice, SCORE],
                "place": place,
                **runner_columns(turbines, table, *sizes, head_m, level_m),
            }
            # One table in the end: to make, cut and join a small one for each takes most of the time of a site.
            fits = numbers >= 0
            rows.append({each: np.broadcast_to(values, fits.shape)[fits] for each, values in columns.items()})
    options = pd.DataFrame({each: np.concatenate([row[each] for row in rows]) for each in rows[0]})
    return options.sort_values(["place", "turbine", "screened"], kind="stable", ignore_index=True)


def _check_stretches(stretches, depths, stations, connection):
    needed = [*COLUMNS_IN, LINE_DISTANCE[connection], *(["tailrace"] if depths is not None else [])]
    missing = [name for name in needed if name not in stretches]
    if missing:
        raise ValueError(f"stretches lack the columns {', '.join(missing)}")
    strange = sorted(set(stretches["scheme_type"].unique()) - set(SCHEME_TYPES))
    if strange:
        raise ValueError(
            f"scheme types must be among {', '.join(SCHEME_TYPES)} (found {', '.join(map(str, strange))})"
        )
    ends = _ends(stretches, depths)
    if any(len(end) and (end.min() < 0 or end.max() >= stations) for end in ends):
        raise ValueError(f"intakes and tailraces must be station numbers from 0 to {stations - 1}")


# Station numbers of intakes and tailraces; where levels are constant the tailrace does not matter.
def _ends(stretches, depths):
    return [stretches[name].to_numpy(np.int64) for name in ("intake", "intake" if depths is None else "tailrace")]


# Groups of stretches with the flow, residual flow and levels of each station: as they are, or as expected.
def _water(stretches, curve_m3s, environmental_flow_m3s, costs, settings, depths, closed, model, known=None):
    releases = settings.flows.releases
    if model is None:
        is_shut = shutdown_share(curve_m3s, settings.energy, closed)
        groups = by_residual_flow(stretches, curve_m3s, environmental_flow_m3s, costs, releases, is_shut)
        for rows, left_m3s in groups:
            yield rows, curve_m3s, left_m3s, depths
        return
    if depths is None:
        depths = _constant_levels(curve_m3s)
    nothing = np.zeros(curve_m3s.shape)
    for rows, kind in kinds_of(stretches, costs, releases):
        if known is not None:
            usable_m3s, rise_m = known[kind]
        else:
            usable_m3s, rise_m = _expected_at_ends(stretches.iloc[rows], curve_m3s, settings, depths, model, kind)
        yield rows, usable_m3s, nothing, WaterDepths(rise_m, np.zeros(len(rise_m)))


def _constant_levels(curve_m3s):
    return WaterDepths(np.zeros(curve_m3s.shape), np.zeros(len(curve_m3s)))


# Expected water of all stations; those that no stretch begins or ends at are left empty.
def _expected_at_ends(stretches, curve_m3s, settings, depths, model, kind):
    used = np.unique(np.concatenate(_ends(stretches, depths)))
    usable_m3s, rise_m = np.zeros((2, *curve_m3s.shape))
    usable_m3s[used], rise_m[used] = expected_water(model.at(used), depths.at(used), settings, kind)
    return usable_m3s, rise_m


def expected_by_kind(stretches, curve_m3s, costs, settings, depths, model):
    """Expected water at the stations of stretches, for several valuations of them.

    Parameters
    ----------
    stretches, curve_m3s, costs, settings, depths, model
        As `value_stretches`; `depths` may be None.

    Returns
    -------
    dict
        By the kinds of `sitefinder.energy.expectation.kinds_of` usable flow [m³/s] and level [m], ndarrays of
        float64, shape (stations, bins); 0 at stations where no stretch of the kind begins or ends.
    """
    depths = _constant_levels(curve_m3s) if depths is None else depths
    return {
        kind: _expected_at_ends(stretches.iloc[rows], curve_m3s, settings, depths, model, kind)
        for rows, kind in kinds_of(stretches, costs, settings.flows.releases)
    }


def search_arguments(stretches, curve, environmental_flow, costs, settings, depths, mean_m3s):
    """The arguments of `sitefinder.energy.sizing.best_of_stretches` before ``fits``, in its order.

    Parameters
    ----------
    stretches, costs, settings, depths
        As `value_stretches`.
    curve, environmental_flow : ndarray of float64, shape (stations, bins)
        Flow, and environmental flow [m³/s].
    mean_m3s : ndarray of float64, shape (stations,)
        Mean natural flow.

    Returns
    -------
    tuple
    """
    intake, tailrace = _ends(stretches, depths)
    headrace_m, pipe_m = waterway_lengths_m(stretches, settings.energy)
    flow_mean = mean_m3s[intake]
    head_net = net_head_m(stretches["head_m"], headrace_m, settings.energy)
    works = conduit_works(stretches, head_net, costs, settings)
    return (
        *usable_flow(curve, environmental_flow),
        np.zeros(curve.shape) if depths is None else np.ascontiguousarray(depths.rise_m, dtype=np.float64),
        intake,
        tailrace,
        intake_is_held(stretches["scheme_type"], settings.tailwater),
        head_net,
        pd.Index(SCHEME_TYPES).get_indexer(stretches["scheme_type"]).astype(np.int64),
        np.ascontiguousarray(pipe_m),
        sum(place_costs(stretches, flow_mean, costs, settings.costs.connection).values())
        + works.cut_fixed
        + works.crossings,
        project_laws(costs, stretches["scheme_type"], head_net),
        works.for_search,
        design_flows(settings.energy),
    )


# Flow tables in the memory order and dtype that the kernels are compiled for.
def _checked_flows(curve_m3s, environmental_flow_m3s):
    curve_m3s = np.ascontiguousarray(curve_m3s, dtype=np.float64)
    environmental_flow_m3s = np.ascontiguousarray(environmental_flow_m3s, dtype=np.float64)
    if curve_m3s.shape != environmental_flow_m3s.shape or curve_m3s.ndim != 2:
        raise ValueError(
            f"natural and environmental flow must have one shape (stations, bins), found {curve_m3s.shape} "
            f"and {environmental_flow_m3s.shape}"
        )
    return curve_m3s, environmental_flow_m3s


# The columns of one choice, without prefix.
def _choice_columns(turbine, found, settings):
    fits = turbine >= 0
    energy, power, yearly = found[:, ENERGY], found[:, POWER], found[:, YEARLY]
    kwh = energy * KILOWATT_HOURS_PER_MEGAWATT_HOUR
    screened = fits & (found[:, SCREENED] > 0.0)
    running = kwh > 0
    lcoe_per_kwh = np.where(fits, np.inf, np.nan)
    lcoe_per_kwh[running] = yearly[running] / kwh[running]
    return {
        "turbine": turbine.astype(np.int64),
        "screened": screened,
        "units": np.where(fits, found[:, UNITS], 0).astype(np.int64),
        "flow_design_m3s": found[:, FLOW],
        "power_kw": power,
        "energy_mwh": energy,
        "capacity_factor": kwh / (power * HOURS_PER_YEAR),
        "capital_cost": found[:, CAPITAL],
        "lcoe_per_kwh": lcoe_per_kwh,
        "net_annual_value": value_of_energy(kwh, settings.costs) - yearly,
    }


# Whether two finds are one plant.
def _is_same(found, other):
    own = [FLOW, UNITS, SCREENED]
    return (found[:, own] == other[:, own]).all(axis=1)


# Costs that are left out because a distance is unknown.
def _left_out(stretches, connection):
    no_road = stretches["road_distance_m"].isna().to_numpy()
    no_line = stretches[LINE_DISTANCE[connection]].isna().to_numpy()
    return np.select([no_road & no_line, no_road, no_line], ["road; line", "road", "line"], default="")


# The first row with the best score of its stretch, among the admissible ones.
def _is_best(options, may):
    score, place = (options[name].to_numpy() for name in ("score", "place"))
    rows = np.flatnonzero(may.to_numpy(dtype=bool) & ~np.isnan(score))
    best = np.full(place.max(initial=-1) + 1, -np.inf)
    np.maximum.at(best, place[rows], score[rows])
    rows = rows[score[rows] == best[place[rows]]]
    is_best = np.zeros(len(options), dtype=bool)
    is_best[rows[np.unique(place[rows], return_index=True)[1]]] = True
    return is_best


def size_options(
    stretches,
    curve_m3s,
    environmental_flow_m3s,
    turbines,
    costs,
    settings,
    turbine,
    screened,
    depths=None,
    closed=None,
    model=None,
):
    """Plants of one class at each of the design flows that are tried first.

    Parameters
    ----------
    stretches, curve_m3s, environmental_flow_m3s, turbines, costs, settings, depths, closed, model
        As `sitefinder.energy.valuation.value_stretches`.
    turbine : array_like of int, shape (n,)
        Place in the list of the class of each stretch.
    screened : array_like of bool, shape (n,)
        Whether with a fine screen and bypass.

    Returns
    -------
    DataFrame
        A row for each stretch and design flow of ``energy.design_exceedance_percent`` with which the class fits,
        by stretch and from the greatest flow down: columns of `sitefinder.energy.valuation.turbine_options`, of
        which ``is_best_any`` and ``is_best_safe`` are left out. The number of units is the best for that flow.
        Flows that the class limits to the same one appear once.
    """
    ends = [name for name in ("intake", "tailrace") if name in stretches]
    # Flows of the stretches' own stations alone, renumbered.
    stations = np.unique(stretches[ends].to_numpy(dtype=np.int64))
    renumbered = {name: np.searchsorted(stations, stretches[name].to_numpy(dtype=np.int64)) for name in ends}
    own = stretches.reset_index(drop=True).assign(**renumbered)
    if depths is not None:
        depths = depths.at(stations)
    curve_m3s, environmental_flow_m3s = (
        np.asarray(part, dtype=float)[stations] for part in (curve_m3s, environmental_flow_m3s)
    )
    if model is not None:
        model = model.at(stations)
    turbine = np.asarray(turbine, dtype=np.int64)
    # Without stretches no class is used, and a table of none has no shape.
    used = np.unique(turbine) if len(turbine) else np.arange(len(turbines))
    number = np.searchsorted(used, turbine)
    requested = pd.DataFrame(
        {"stretch": own.index, "turbine": number, "screened": np.asarray(screened, dtype=bool)}
    )
    classes = [turbines[each] for each in used]
    check_same_money(classes, costs)
    flows = _checked_flows(curve_m3s, environmental_flow_m3s)
    _check_stretches(own, depths, len(stations), settings.costs.connection)
    # The water does not depend on the design flow.
    groups = list(_water(own, *flows, costs, settings, depths, closed, model))
    by_choice = {"design_by": "choice"} if settings.energy.design_by == "capacity_factor" else {}
    energies = [
        settings.energy.model_copy(update={"design_exceedance_percent": [percent], **by_choice})
        for percent in sorted(settings.energy.design_exceedance_percent)
    ]
    sizes = _searched_sizes(own, groups, flows[0].mean(axis=1), classes, costs, settings, energies)
    options = _options(own, *sizes, classes, costs, settings)
    sizes = options.merge(requested, on=list(requested)).drop(columns=["score", "place"])
    sizes = sizes.sort_values(["stretch", "flow_design_m3s"], ascending=[True, False], kind="stable")
    sizes = sizes.drop_duplicates(["stretch", "flow_design_m3s"], ignore_index=True)
    sizes["turbine"] = used[sizes["turbine"].to_numpy(dtype=np.int64)]
    return sizes.assign(stretch=np.asarray(stretches.index)[sizes["stretch"].to_numpy(dtype=np.int64)])
