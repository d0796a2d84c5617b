"""Sites, their stretches, turbine options, duration curves and profiles, as tables of the delivery."""

from typing import NamedTuple

import geopandas
import numpy as np
import pandas as pd
import shapely
from pyproj import Transformer

from sitefinder.delivery.checking import checked_table
from sitefinder.delivery.closed_sites import MONTH_ENERGIES, in_order, monthly_energies_mwh, waters
from sitefinder.delivery.decision_table import columns_of_sites
from sitefinder.delivery.money_tables import with_finance
from sitefinder.delivery.site_energy import SiteErrors, site_errors
from sitefinder.delivery.structure_tables import needs_of_sites, passed_flags
from sitefinder.delivery.surroundings import (
    grid_of_sites,
    owners_of_sites,
    water_bodies_of_sites,
    water_rights_of_sites,
)
from sitefinder.energy.costs import is_cost_extrapolated, screen_takes
from sitefinder.energy.fish_survival import drawn_places, of_plants, prob_safe, worst_of_groups
from sitefinder.energy.hydraulics import intake_is_held, net_head_m, waterway, waterway_lengths_m
from sitefinder.energy.operation import has_fish_pass, is_undiverted, residual_flow, shutdown_share
from sitefinder.energy.plant import bins_of_plants, plant_powers_kw
from sitefinder.energy.runners import runner_columns
from sitefinder.energy.solar_benchmark import (
    lcoe_minus_solar_per_kwh,
    serve_demand,
    solar_firm_lcoe_per_kwh,
    solar_lcoe_per_kwh,
)
from sitefinder.energy.turbines import turbine_table
from sitefinder.energy.uncertainty import EnergySimulations, prob_in_top_n
from sitefinder.energy.valuation import fish_answers, plant_survival
from sitefinder.hydrology.duration_curve import flow_at
from sitefinder.hydrology.regime import over_months
from sitefinder.hydrology.seasons import MONTHS
from sitefinder.io.catchment_polygons import catchment_polygons
from sitefinder.network.ordering import main_upstream
from sitefinder.network.stations import place_names, without_repeats
from sitefinder.rules.verdicts import verdicts
from sitefinder.schema import LAYERS, empty_table, is_scheme_that
from sitefinder.siting.access import (
    demand_of_settlements,
    distance_by_road_m,
    district_of,
    nearest_settlement,
    on_roads,
    road_lines,
    side_of_stream,
)
from sitefinder.siting.depleted_reach import SHALLOW_FOR_LONGER
from sitefinder.siting.fish_passage import entered_at
from sitefinder.siting.passed import builds_barrier
from sitefinder.siting.profiles import long_profile, path_down, path_with_context
from sitefinder.siting.ranking import ranked, values_ranked_by
from sitefinder.siting.selection import alternatives
from sitefinder.siting.structures import use_flags
from sitefinder.steps.candidates import settlements_to_serve
from sitefinder.steps.closed_months import months_of
from sitefinder.steps.conduits import lines_of
from sitefinder.steps.flags import flag_texts, flags_of_stretches
from sitefinder.steps.trial import candidates_in
from sitefinder.units import (
    HOURS_PER_YEAR,
    KILOWATT_HOURS_PER_MEGAWATT_HOUR,
    SQUARE_METRES_PER_SQUARE_KILOMETRE,
)
from sitefinder.vocabulary import (
    CLOSED_MONTHS_COUNTED,
    CONDUIT_UNRESOLVED,
    COST_EXTRAPOLATED,
    DEPLETED_SHALLOW,
    HEAD_NOT_RESOLVED,
    IN_ONE_CELL,
    MONTH_SEPARATOR,
    RIVER_WIDE,
    SMALL_PART_OF_RIVER,
    STEEP_STREAM,
    SURVIVAL_ROUNDED,
)


def with_alternatives(settings, inputs, order, powers_kw):
    """Sites with the LCOE of solar and their supply of an off-grid settlement.

    Parameters
    ----------
    settings, inputs
        Results of the stages of those names.
    order : DataFrame, n rows
        Sites.
    powers_kw : ndarray of float64, shape (n, bins)
        Power of each site in bins of equal time [kW].

    Returns
    -------
    DataFrame
    """
    availability, solar, rate = settings.energy.availability, inputs.costs.solar, settings.costs.real_rate
    running = (powers_kw > 0).mean(axis=1) * availability if len(order) else np.zeros(0)
    firm = solar_firm_lcoe_per_kwh(solar, rate, running)
    return order.assign(
        operating_fraction=running,
        solar_lcoe_per_kwh=solar_lcoe_per_kwh(solar, rate),
        solar_firm_lcoe_per_kwh=firm,
        lcoe_minus_solar_per_kwh=lcoe_minus_solar_per_kwh(order["lcoe_per_kwh"].to_numpy(dtype=float), firm),
        **_served(settings, inputs, order, powers_kw),
    )


# Columns of the off-grid settlement that each site could supply; empty and NaN if none is near or examined.
def _served(settings, inputs, order, powers_kw):
    columns = {name: np.full(len(order), np.nan) for name in ("settlement_demand_mwh", "firm_share_of_demand")}
    columns |= {name: np.full(len(order), np.nan) for name in ("demand_served_share", "diesel_displaced_l")}
    columns["settlement"] = np.full(len(order), "", dtype=object)
    if settings.off_grid is None or not len(order):
        return columns
    settlements = settlements_to_serve(settings, inputs)
    row, distance_m = nearest_settlement(order["x_m"].to_numpy(), order["y_m"].to_numpy(), settlements)
    near = np.flatnonzero((row >= 0) & (np.nan_to_num(distance_m) <= settings.off_grid.farthest_m))
    demand_mwh = demand_of_settlements(settlements, settings.off_grid)[row[near]]
    names = np.where(settlements["feature_name"] == "", settlements["feature_id"], settlements["feature_name"])
    columns["settlement"][near] = names[row[near]]
    firm_kw = order["firm_power_kw"].to_numpy(dtype=float)[near]
    litres_per_kwh = settings.off_grid.diesel_litres_per_kwh
    served = serve_demand(powers_kw[near], firm_kw, demand_mwh, settings.energy.availability, litres_per_kwh)
    columns["settlement_demand_mwh"][near] = demand_mwh
    columns["firm_share_of_demand"][near] = served.firm_share
    columns["demand_served_share"][near] = served.served_share
    columns["diesel_displaced_l"][near] = served.diesel_l
    return columns


def with_access(settings, inputs, stationing, heads, order):
    """Sites with bank and level of the nearest road, and distance to a settlement by road.

    Parameters
    ----------
    settings, inputs, stationing, heads
        Results of the stages of those names.
    order : DataFrame, n rows
        Sites, with ``tailrace`` and ``road_level_m`` [m].

    Returns
    -------
    DataFrame
        With ``road_bank``, ``road_climb_m`` and ``settlement_road_m``; empty and NaN without roads.
    """
    nothing = np.full(len(order), np.nan)
    order = order.assign(road_bank="", road_climb_m=nothing, settlement_road_m=nothing)
    lines = road_lines(inputs.layers["roads"].frame) if "roads" in inputs.layers else np.array([])
    if not (len(lines) and len(order)):
        return order
    stations, tailrace = stationing.stations, order["tailrace"].to_numpy(dtype=np.int64)
    x_m, y_m = (stations[name].to_numpy() for name in ("x_m", "y_m"))
    sites = shapely.points(x_m[tailrace], y_m[tailrace])
    roads = on_roads(sites, lines)
    road_x_m, road_y_m = shapely.get_coordinates(
        shapely.line_interpolate_point(lines[roads.line], roads.along_m)
    ).T
    # A tailrace always has a segment: it comes from the station before it.
    flow_x_m, flow_y_m = x_m[tailrace] - x_m[tailrace - 1], y_m[tailrace] - y_m[tailrace - 1]
    to_road = road_x_m - x_m[tailrace], road_y_m - y_m[tailrace]
    road_m = order["road_level_m"].to_numpy(dtype=float)
    order = order.assign(
        road_bank=side_of_stream(flow_x_m, flow_y_m, *to_road),
        road_climb_m=heads.profile_m[tailrace] - road_m,
    )
    served = settlements_to_serve(settings, inputs)
    if served is not None and len(served):
        goals = on_roads(np.asarray(served.geometry, dtype=object), lines)
        order = order.assign(settlement_road_m=distance_by_road_m(roads, goals, lines))
    return order


CURVE_PERCENT = (1, 2, 5, 10, 15, 20, 25, 30, 40, 50, 60, 70, 75, 80, 85, 90, 95, 98, 99)


def environmental_flow_at(settings, inputs, flows, table, used_m3s=None):
    """Environmental flow of each row, by its scheme type [m³/s], shape (n, bins).

    Parameters
    ----------
    settings, inputs, flows
        Results of the stages of those names.
    table : DataFrame, n rows
        ``intake``, ``scheme_type`` and ``has_fish_pass``.
    used_m3s : ndarray, shape (n, bins), optional
        Turbine flow, for the attraction flow of fish passes; without it, the maximum allowed [m³/s].
    """
    intake = table["intake"].to_numpy(dtype=np.int64)
    environmental_flow_m3s, releases = flows.environmental_flow_m3s[intake], settings.flows.releases
    if releases.changes_nothing:
        return environmental_flow_m3s
    bins_m3s = flows.bins_m3s[intake]
    undiverted, with_pass = is_undiverted(table)[:, None], has_fish_pass(table, inputs.costs)[:, None]
    mean = bins_m3s.mean(axis=1)
    return residual_flow(
        bins_m3s, environmental_flow_m3s, mean, undiverted, with_pass, releases, flows.closed, used_m3s
    )


def shutdown_at(settings, flows, table):
    """Bins with the turbines shut down, for each row of a table with ``intake``, see `shutdown_share`; or None."""
    return shutdown_share(flows.bins_m3s[table["intake"].to_numpy(dtype=np.int64)], settings.energy, flows.closed)


def with_water(settings, inputs, flows, water_depths, order, left_m3s):
    """Sites with their mean power, and the use of the water at their intake.

    Parameters
    ----------
    settings, inputs, flows, water_depths
        Results of the stages of those names.
    order : DataFrame, n rows
        Sites.
    left_m3s : ndarray, shape (n, bins)
        See `environmental_flow_at`.

    Returns
    -------
    DataFrame
        With ``power_mean_kw``, ``environmental_flow_m3s``, ``used_share``, ``environmental_flow_share`` and
        ``spilled_share``; the three shares add up to 1.
    """
    made = {"power_mean_kw": order["energy_mwh"] * KILOWATT_HOURS_PER_MEGAWATT_HOUR / HOURS_PER_YEAR}
    if len(order):
        plants = _plants(settings, inputs, flows, water_depths, order, left_m3s)
        used_m3s = bins_of_plants(*plants, *_pipe(settings, inputs, order))[1]
        kept_m3s = environmental_flow_at(settings, inputs, flows, order, used_m3s).mean(axis=1)
        mean_m3s = plants[0].mean(axis=1)
        used = settings.energy.availability * used_m3s.mean(axis=1) / mean_m3s
        environmental_flow = kept_m3s / mean_m3s
        # Rounding can make it slightly negative.
        spilled = np.maximum(1.0 - used - environmental_flow, 0.0)
        made |= {"environmental_flow_m3s": kept_m3s, "used_share": used}
        made |= {"environmental_flow_share": environmental_flow, "spilled_share": spilled}
    else:
        made |= {name: [] for name in ("used_share", "environmental_flow_share", "spilled_share")}
    return order.assign(**made)


def with_runners(settings, inputs, order):
    """Sites with the columns of `sitefinder.energy.runners.runner_columns`; arguments as `with_water`."""
    sizes = (order[name].to_numpy() for name in ("turbine_number", "units", "flow_design_m3s"))
    head_m = _net_head_m(settings, order)
    table = turbine_table(inputs.turbines)
    return order.assign(**runner_columns(inputs.turbines, table, *sizes, head_m, order["tailrace_level_m"]))


def flow_curves(flows, order, left_m3s):
    """The ``flow_curves`` layer: flow duration curves, with the environmental flow.

    Parameters
    ----------
    flows
        Result of that stage.
    order : DataFrame, n rows
        Sites, ``site_id`` and ``intake``.
    left_m3s : ndarray, shape (n, bins)
        See `environmental_flow_at`.

    Returns
    -------
    DataFrame
    """
    intake = order["intake"].to_numpy(dtype=np.int64)
    bins_m3s = flows.bins_m3s[intake]
    exceedance = flows.estimate.curve_exceedance
    if flows.bins_m3s is not flows.estimate.curve_m3s:
        # Bins of months, or after abstractions, are not in order of falling flow.
        falling = np.argsort(-bins_m3s, axis=1, kind="stable")
        bins_m3s, left_m3s = (np.take_along_axis(part, falling, axis=1) for part in (bins_m3s, left_m3s))
        exceedance = (np.arange(bins_m3s.shape[1]) + 0.5) / bins_m3s.shape[1]
    columns = {
        "site_id": np.repeat(order["site_id"].to_numpy(), len(CURVE_PERCENT)),
        "exceedance_percent": np.tile(np.array(CURVE_PERCENT, dtype=float), len(intake)),
    }
    for name, bins in (("flow_m3s", bins_m3s), ("environmental_flow_m3s", left_m3s)):
        at = [flow_at(exceedance, bins, each) for each in CURVE_PERCENT]
        columns[name] = np.column_stack(at).ravel() if len(intake) else np.zeros(0)
    return pd.DataFrame(columns)


def site_months(settings, inputs, water, order):
    """The ``site_months`` layer: flow, environmental flow and energy of sites in each month.

    Parameters
    ----------
    settings, inputs
        Results of the stages of those names.
    water : sitefinder.delivery.closed_sites.Water
        What these sites work with; it is known when water flows.
    order : DataFrame, n rows
        Sites, at least one, with their energy of each month.

    Returns
    -------
    DataFrame
        Twelve rows a site.
    """
    left_m3s = environmental_flow_at(settings, inputs, water.flows, order)
    plants = _plants(settings, inputs, water.flows, water.depths, order, left_m3s)
    bins_m3s = plants[0]
    passed_m3s = (
        bins_m3s - settings.energy.availability * bins_of_plants(*plants, *_pipe(settings, inputs, order))[1]
    )
    shares = water.shares_of(order["intake"].to_numpy(dtype=np.int64))
    time = over_months(np.ones(bins_m3s.shape), shares)
    return pd.DataFrame(
        {
            "site_id": np.repeat(order["site_id"].to_numpy(), len(MONTHS)),
            "month": np.tile(np.array(MONTHS), len(order)),
            "flow_mean_m3s": (over_months(bins_m3s, shares) / time).ravel(),
            "environmental_flow_m3s": (over_months(left_m3s, shares) / time).ravel(),
            "flow_left_m3s": (over_months(passed_m3s, shares) / time).ravel(),
            "energy_mwh": order[[*MONTH_ENERGIES]].to_numpy(dtype=np.float64).ravel(),
            "is_closed": np.tile(np.isin(MONTHS, water.closed), len(order)),
        }
    )[[column.name for column in LAYERS["site_months"].columns]]


# Sites with the use of their water, their alternatives, and their energy of each month.
def _operated(settings, inputs, water, order):
    flows, depths = water.flows, water.depths
    left_m3s = environmental_flow_at(settings, inputs, flows, order)
    powers_kw = site_powers_kw(settings, inputs, flows, depths, order, left_m3s)
    order = with_water(settings, inputs, flows, depths, order, left_m3s)
    order = with_alternatives(settings, inputs, order, powers_kw)
    months_mwh = np.full((len(order), len(MONTHS)), np.nan)
    if water.shares_of is not None and len(order):
        shares = water.shares_of(order["intake"].to_numpy(dtype=np.int64))
        months_mwh = monthly_energies_mwh(order["energy_mwh"], powers_kw, shares)
    # Copied, so that its many columns lie together in memory again.
    return order.copy().assign(**dict(zip(MONTH_ENERGIES, months_mwh.T, strict=True)))


def site_powers_kw(settings, inputs, flows, water_depths, order, left_m3s):
    """Power of each site in each bin of the year [kW], shape (n, bins); arguments as `with_water`."""
    if not len(order):
        return np.zeros((0, flows.bins_m3s.shape[1]))
    plants = _plants(settings, inputs, flows, water_depths, order, left_m3s)
    return plant_powers_kw(*plants, *_pipe(settings, inputs, order))


def used_m3s(settings, inputs, flows, water_depths, order, left_m3s):
    """Turbine flow of each site in each bin of the year [m³/s], shape (n, bins); arguments as `with_water`."""
    plants = _plants(settings, inputs, flows, water_depths, order, left_m3s)
    return bins_of_plants(*plants, *_pipe(settings, inputs, order))[1]


# Sites as the arguments of `sitefinder.energy.plant.plant_powers_kw`, each with a row of flows of its own.
def _plants(settings, inputs, flows, water_depths, order, left_m3s):
    sites = np.arange(len(order))
    intake, tailrace = (order[name].to_numpy(dtype=np.int64) for name in ("intake", "tailrace"))
    held = intake_is_held(order["scheme_type"], settings.tailwater)
    bins_m3s, still = flows.bins_m3s[intake], shutdown_at(settings, flows, order)
    return (
        bins_m3s,
        left_m3s if still is None else np.where(still, bins_m3s, left_m3s),
        water_depths.rise_m[tailrace] - water_depths.rise_m[intake] * ~held[:, None],
        sites,
        sites,
        np.ones(len(sites), dtype=bool),
        _net_head_m(settings, order) - _screens(inputs, order)[0],
        order["flow_design_m3s"].to_numpy(dtype=np.float64),
        order["power_kw"].to_numpy(dtype=np.float64),
        order["units"].to_numpy(dtype=np.int64),
        order["turbine_number"].to_numpy(dtype=np.int64),
        turbine_table(inputs.turbines),
    )


# Penstocks of the sites, or pipes all along, the flow in them, and the flow of bypasses of fish screens.
def _pipe(settings, inputs, order):
    return waterway_lengths_m(order, settings.energy)[1], waterway(settings.energy), _screens(inputs, order)[1]


# Head [m] and flow [m³/s] that fish screens take.
def _screens(inputs, order):
    return screen_takes(inputs.costs, order["screened"], order["flow_design_m3s"])


def _net_head_m(settings, sites):
    return net_head_m(sites["head_m"], waterway_lengths_m(sites, settings.energy)[0], settings.energy)


def probabilities_in_top_n(settings, order, simulations):
    """Probability of each site of being among the best N; sites and simulations in one order."""
    if not len(order):
        return np.zeros(0)
    drawn = EnergySimulations(*simulations)._asdict()
    return prob_in_top_n(values_ranked_by(order, drawn, settings.ranking), settings.uncertainty.top_sites)


# Extent of a site's profile upstream of the intake and downstream of the tailrace [m] (own choice: half a reach).
CONTEXT_M = 250.0


def site_profiles(stationing, heads, water_bodies, stretches, delivered_sites, context_m=CONTEXT_M):
    """The long profile of each delivered site, extended upstream and downstream.

    Parameters
    ----------
    stationing, heads, water_bodies, stretches, delivered_sites
        Results of the stages of those names.
    context_m : float
        Extent of the profile upstream of the intake, along the main stem, and downstream of the tailrace [m].

    Returns
    -------
    dict of str to DataFrame
        By ``site_id``; columns as of `sitefinder.siting.profiles.long_profile`.
    """
    stations = stationing.stations
    downstream = stations["downstream"].to_numpy().astype(np.int32)
    step_m = stations["to_downstream_m"].to_numpy()
    main = main_upstream(downstream, step_m)
    own = stretches.table.iloc[delivered_sites.picked]
    intake, tailrace = (own[name].to_numpy(dtype=np.int64) for name in ("intake", "tailrace"))
    profiles, ids = {}, delivered_sites.ids[delivered_sites.is_delivered]
    for site_id, *ends in zip(ids, intake, tailrace, strict=True):
        way = path_with_context(*ends, downstream, step_m, main, context_m)
        profiles[site_id] = _cut(way, stationing, heads, water_bodies, tuple(ends))
    return profiles


def profile_between(stationing, heads, water_bodies, upper, lower):
    """The long profile from one station down to another.

    Parameters
    ----------
    stationing, heads, water_bodies
        Results of the stages of those names.
    upper, lower : int
        Numbers of the stations.

    Returns
    -------
    DataFrame
        As of `sitefinder.siting.profiles.long_profile`.

    Raises
    ------
    ValueError
        If the lower station is not downstream of the upper one.
    """
    way = path_down(upper, lower, stationing.stations["downstream"].to_numpy())
    return _cut(way, stationing, heads, water_bodies, ())


def _cut(way, stationing, heads, water_bodies, ends):
    return long_profile(
        way,
        stationing.stations,
        heads.raw_m,
        heads.profile_m,
        heads.errors_m,
        reaches=stationing.reaches,
        long_profile=heads.long_profile,
        standing_water=water_bodies.standing,
        structures=water_bodies.structures,
        ends=ends,
    )


ALTERNATIVES_KEPT = 3
# Blocks an alternative that only ``fish.min_passage_survival`` rejects.
KEPT_OUT = "passage survival"


class SelectedSites(NamedTuple):
    """The selected sites before they are simulated.

    ``own`` has a row for each; ``candidates`` also has the alternatives, whose numbers among all stretches are
    ``kept``; ``errors`` are `sitefinder.delivery.site_energy.SiteErrors`.
    """

    own: pd.DataFrame
    candidates: pd.DataFrame
    kept: np.ndarray
    errors: SiteErrors


def describe_selection(
    settings,
    inputs,
    network,
    stationing,
    catchments,
    heads,
    flows,
    water_bodies,
    quality_flags,
    stretches,
    stream_things,
    verdicts,
    decisions,
    months,
    closed_months,
    sites,
    delivered_sites,
    fish_alive,
    trial,
):
    """The delivered candidates and their alternatives, described.

    Parameters are the results of the stages of those names; `sites` is the selection, `fish_alive` its passage
    survival.

    Returns
    -------
    SelectedSites
    """
    offers = sites.offers
    picked = delivered_sites.picked
    tailrace_reach = stationing.stations["reach"].to_numpy()[stretches.table["tailrace"].to_numpy()]
    others = alternatives(offers, ALTERNATIVES_KEPT, tailrace_reach)
    # Alternatives to a site are delivered with it, those that no site blocks where they lie in the part.
    blocker, inside = offers.blocked_by[others].astype(np.int64), candidates_in(trial, stationing, stretches.table)
    kept = np.concatenate([picked, others[np.where(blocker >= 0, np.isin(blocker, picked), inside[others])]])
    table = _described(
        settings, inputs, network, stationing, catchments, flows, quality_flags, stretches, verdicts, offers, kept
    )
    table["rule_closed_months"] = closed_months[kept].astype(np.int64)
    # Months that a group of fish closes are listed with those of rules.
    table["closed_months"] = [
        text if not months_of(bits) else MONTH_SEPARATOR.join(str(month) for month in months_of(bits))
        for text, bits in zip(table["closed_months"], table["rule_closed_months"], strict=True)
    ]
    if not months.is_known:
        counted = np.where(table["rule_closed_months"] > 0, CLOSED_MONTHS_COUNTED.name, "")
        table["flags"] = _with_flags(table["flags"], counted)
    table["structure_id"] = _of_structure(table["structure"], water_bodies.structures["structure_id"])
    # A structure that is used for its drop, or at which an intake stands.
    held_by = table["structure"].where(table["structure"] >= 0, table["intake_structure"])
    uses = _of_structure(held_by, use_flags(water_bodies.structures))
    table["flags"] = _with_flags(table["flags"], uses)
    table["flags"] = _with_flags(
        table["flags"], passed_flags(settings, stationing, stretches, stream_things, kept)
    )
    decided = columns_of_sites(stationing, stretches, verdicts, decisions, kept)
    table["flags"] = _with_flags(table["flags"], decided.pop("decision_flags"))
    table = table.assign(**decided)
    table["new_barrier"] = builds_barrier(table)
    table["needs"] = needs_of_sites(inputs.costs, table, water_bodies.structures)
    table = _with_fish(fish_alive, offers, kept, table)
    own = table.iloc[: len(picked)].reset_index(drop=True)
    own["site_id"] = delivered_sites.ids[delivered_sites.is_delivered]
    errors = site_errors(settings, stationing, catchments, heads, flows, own)
    return SelectedSites(own, table, kept, errors)


class RankedSites(NamedTuple):
    """The ranked sites, with data that their tables share.

    ``order`` has a row for each site, the best first, with all its figures; its ``row`` is the site's place in
    the selection. ``candidates`` has a row for each selected candidate and each alternative, whose numbers among
    all stretches are ``kept``. ``criteria`` and ``sensitivity`` explain the ranking. ``simulations`` are those of
    each site, and ``left_m3s`` is the environmental flow of each [m³/s], shape (sites, bins).
    """

    order: pd.DataFrame
    candidates: pd.DataFrame
    kept: np.ndarray
    criteria: pd.DataFrame
    sensitivity: pd.DataFrame
    simulations: EnergySimulations
    left_m3s: np.ndarray


def rank_sites(settings, inputs, stationing, heads, flows, water_depths, months, selected_sites, site_energy):
    """The selected sites with all their figures, ranked; computed once for all their tables.

    Parameters are the results of the stages of those names.

    Returns
    -------
    RankedSites
    """
    own, drawn, simulations = selected_sites.own, site_energy.columns, site_energy.simulations
    # What the choice went by is replaced by the expectation over the simulations.
    own = pd.concat([own.drop(columns=[name for name in drawn if name in own]), drawn], axis=1)
    own = with_access(settings, inputs, stationing, heads, own)
    ranking = ranked(own.assign(row=range(len(own))), settings.ranking)
    order = ranking.sites
    simulations = EnergySimulations(*[part[order["row"].to_numpy(dtype=np.int64)] for part in simulations])
    # Copied, so that its many columns lie together in memory.
    order = order.assign(
        prob_in_top_n=probabilities_in_top_n(settings, order, simulations),
        prob_pays=(simulations.net_annual_value > 0).mean(axis=1),
    ).copy()
    left_m3s = environmental_flow_at(settings, inputs, flows, order)
    groups = waters(settings, flows, water_depths, months, order)
    order = in_order([(rows, _operated(settings, inputs, water, order.iloc[rows])) for rows, water in groups])
    # Copied again, for the same reason.
    order = with_runners(settings, inputs, with_finance(settings, inputs, order.copy()).copy())
    order = _with_coordinates(order.assign(month_source=months.source), stationing, settings.run.crs)
    table, kept, criteria = selected_sites.candidates, selected_sites.kept, ranking.criteria
    return RankedSites(order, table, kept, criteria, ranking.sensitivity, simulations, left_m3s)


def make_sites(
    settings,
    inputs,
    stationing,
    heads,
    ranked_sites,
    depleted_reaches,
    stretches,
    river_parts,
    site_land,
    site_water_rights,
):
    """The ``sites`` layer."""
    order, crs = ranked_sites.order, settings.run.crs
    candidates = ranked_sites.kept[order["row"].to_numpy(dtype=np.int64)]
    waters_used = water_bodies_of_sites(inputs, river_parts, stretches, candidates)
    grid = grid_of_sites(settings, order)
    rights = water_rights_of_sites(inputs, site_water_rights, order["site_id"])
    depleted, limits = depleted_reaches.sites, settings.flags
    longer = depleted["depleted_shallow_share"] > depleted["depleted_shallow_natural_share"] + SHALLOW_FOR_LONGER
    more = depleted.assign(
        head_is_capped=heads_capped(settings, stationing, heads, order),
        flags=_with_flags(
            order["flags"],
            np.where(longer, DEPLETED_SHALLOW.name, ""),
            *(np.where(holds, flag.name, "") for flag, holds in _beyond_range(limits, stationing, heads, order)),
            waters_used.flags,
            rights.flags,
            grid.flags,
        ),
        **waters_used.columns,
        **rights.columns,
        **grid.columns,
        **owners_of_sites(site_land, order["site_id"]),
    )
    replaced = [name for name in order if name in more]
    order = pd.concat([order.drop(columns=replaced), more.set_index(order.index)], axis=1)
    return _layer(order, "sites", shapely.points(order["x_m"], order["y_m"]), crs)


# Sites that the tool is not meant for, by flag.
def _beyond_range(limits, stationing, heads, order):
    intake, tailrace = (order[name].to_numpy(dtype=np.int64) for name in ("intake", "tailrace"))
    fall_m = heads.profile_m[intake] - heads.profile_m[tailrace]
    is_steep = fall_m > limits.max_low_head_slope * order["length_m"].to_numpy(dtype=np.float64)
    return (
        (
            SMALL_PART_OF_RIVER,
            order["flow_design_m3s"].to_numpy() < limits.min_river_share * order["flow_mean_m3s"].to_numpy(),
        ),
        (RIVER_WIDE, order["stream_width_m"].to_numpy(dtype=np.float64) > limits.max_river_width_m),
        (STEEP_STREAM, is_steep & is_scheme_that(order["scheme_type"], "diverts")),
    )


def heads_capped(settings, stationing, heads, order):
    """Sites that the maximum head keeps from being longer or higher.

    Parameters
    ----------
    settings, stationing, heads
        Results of the stages of those names.
    order : DataFrame, n rows
        ``scheme_type``, ``intake``, ``tailrace`` (stations) and ``weir_height_m`` [m].

    Returns
    -------
    ndarray of bool, shape (n,)
        True for a diversion that, longer by one station at either end, would have more than the maximum head, and
        for a new weir that would have it with the next height of the settings.
    """
    stations, profile_m = stationing.stations, heads.profile_m
    downstream = stations["downstream"].to_numpy()
    intake, tailrace = (order[name].to_numpy(dtype=np.int64) for name in ("intake", "tailrace"))
    below = downstream[tailrace]
    main = main_upstream(downstream.astype(np.int32), stations["to_downstream_m"].to_numpy())[intake]
    more_m = [
        np.where(below >= 0, profile_m[tailrace] - profile_m[below], 0.0),
        np.where(main >= 0, profile_m[main] - profile_m[intake], 0.0),
    ]
    head_m = profile_m[intake] - profile_m[tailrace]
    heights_m = np.append(np.unique(settings.stretches.new_weir_heights_m), np.inf)
    own_m = order["weir_height_m"].to_numpy(dtype=np.float64)
    next_m = heights_m[np.searchsorted(heights_m, own_m, side="right").clip(max=len(heights_m) - 1)]
    higher_m = np.where(np.isfinite(next_m), head_m + next_m, 0.0)
    return np.select(
        [is_scheme_that(order["scheme_type"], what) for what in ("diverts", "builds_barrier")],
        [over_m > settings.stretches.max_head_m for over_m in (head_m + np.maximum(*more_m), higher_m)],
        False,
    )


def make_ranking_criteria(ranked_sites):
    """The ``ranking_criteria`` layer."""
    return checked_table(ranked_sites.criteria, "ranking_criteria")


def make_ranking_sensitivity(ranked_sites):
    """The ``ranking_sensitivity`` layer."""
    return checked_table(ranked_sites.sensitivity, "ranking_sensitivity")


def make_flow_curves(flows, ranked_sites):
    """The ``flow_curves`` layer."""
    return checked_table(flow_curves(flows, ranked_sites.order, ranked_sites.left_m3s), "flow_curves")


def make_site_simulations(settings, ranked_sites):
    """The ``site_simulations`` layer: the simulations of the best sites."""
    order = ranked_sites.order.iloc[: settings.delivery.simulated_sites]
    simulations = EnergySimulations(*(part[: len(order)] for part in ranked_sites.simulations))
    count = simulations.energy_mwh.shape[1]
    table = {
        "site_id": np.repeat(order["site_id"].to_numpy(dtype=object), count),
        "simulation": np.tile(np.arange(1, count + 1), len(order)),
    }
    table |= {name: part.ravel() for name, part in simulations._asdict().items()}
    table["lcoe_per_kwh"] = np.where(np.isfinite(table["lcoe_per_kwh"]), table["lcoe_per_kwh"], np.nan)
    names = [column.name for column in LAYERS["site_simulations"].columns]
    return checked_table(pd.DataFrame(table)[names], "site_simulations")


def make_site_months(settings, inputs, flows, water_depths, months, ranked_sites):
    """The ``site_months`` layer; empty where nothing says when water flows."""
    order = ranked_sites.order
    if not months.is_known or not len(order):
        return empty_table("site_months")
    groups = waters(settings, flows, water_depths, months, order)
    parts = [
        (np.repeat(rows, len(MONTHS)), site_months(settings, inputs, water, order.iloc[rows]))
        for rows, water in groups
    ]
    return checked_table(in_order(parts), "site_months")


def make_site_profiles(stationing, heads, water_bodies, stretches, delivered_sites):
    """The ``site_profiles`` layer: the long profiles of all sites in one table."""
    columns = [column.name for column in LAYERS["site_profiles"].columns]
    profiles = site_profiles(stationing, heads, water_bodies, stretches, delivered_sites)
    of_sites = [
        profile.assign(site_id=site_id, position=range(1, len(profile) + 1))[columns]
        for site_id, profile in profiles.items()
    ]
    if not of_sites:
        return empty_table("site_profiles")
    return checked_table(pd.concat(of_sites, ignore_index=True), "site_profiles")


def make_catchments(settings, surface, stationing, terrain, ranked_sites, sites_table):
    """The ``catchments`` layer."""
    downstream = stationing.stations["downstream"].to_numpy()
    intakes = ranked_sites.order["intake"].to_numpy(dtype=np.int64)
    ground = catchment_polygons(terrain.label_tiles, surface.grid, downstream, intakes)
    table = sites_table[["site_id", "area_km2", "inflow_km2"]].assign(
        drawn_km2=shapely.area(ground) / SQUARE_METRES_PER_SQUARE_KILOMETRE,
        is_whole=sites_table["inflow_km2"].to_numpy() == 0,
    )
    frame = geopandas.GeoDataFrame(pd.DataFrame(table), geometry=ground, crs=settings.run.crs)
    return checked_table(frame, "catchments", settings.run.crs)


# The selected candidates and alternatives, each with its valuation, flags, position and flows.
def _described(
    settings, inputs, network, stationing, catchments, flows, quality_flags, stretches, judged, offers, kept
):
    stations, links = stationing.stations, network.links
    table = stretches.table.iloc[kept].reset_index(drop=True)
    valued = offers.valued.iloc[kept].reset_index(drop=True)
    table = pd.concat([table, valued], axis=1)
    ruled = verdicts(judged.stretch_marks.held, settings.rules, kept).reset_index(drop=True)
    table = pd.concat([table, ruled.drop(columns="only_reason")], axis=1)
    intake, tailrace = table["intake"].to_numpy(), table["tailrace"].to_numpy()
    for name, at in (("intake", intake), ("tailrace", tailrace)):
        places = place_names(network.parts, stations["link"].to_numpy()[at], stations["distance_m"].to_numpy()[at])
        table[f"{name}_name"] = places["name"]
    for name in ("crossings", "road_crossings", "building_crossings"):
        table[name] = pd.array(table[name].round(), dtype="Int64")
    table["stream"] = links["stream"].to_numpy()[stations["link"].to_numpy()[tailrace]]
    table["x_m"], table["y_m"] = stations["x_m"].to_numpy()[tailrace], stations["y_m"].to_numpy()[tailrace]
    table["district"] = district_of(table["x_m"], table["y_m"], _frame(inputs, "districts"))
    table["reach_id"] = stationing.reaches["reach_id"].to_numpy()[stations["reach"].to_numpy()[tailrace]]
    for name in ("area_km2", "inflow_km2"):
        table[name] = catchments[name].to_numpy()[intake]
    table["flow_q95_m3s"] = flows.q95_m3s[intake]
    table["flow_source"] = [flows.estimate.source[station] for station in intake]
    table["environmental_flow_m3s"] = environmental_flow_at(settings, inputs, flows, table).mean(axis=1)
    table["turbine_number"] = table["turbine"].to_numpy(dtype=np.int64)
    names = np.array([turbine.name for turbine in inputs.turbines], dtype=object)
    table["turbine"] = names[table["turbine_number"]]
    # In one piece: a table of many single columns is slow to add to.
    table = table.assign(
        bypass_flow_m3s=_screens(inputs, table)[1], **_fish_figures(settings, inputs, table)
    ).copy()
    kinds = {HEAD_NOT_RESOLVED.name: table["head_unresolved"].to_numpy(dtype=bool)}
    kinds[COST_EXTRAPOLATED.name] = _cost_extrapolated(settings, inputs, table)
    kinds[CONDUIT_UNRESOLVED.name] = table["conduit_unresolved"].to_numpy(dtype=bool)
    kinds |= flags_of_stretches(quality_flags, stretches, kept)
    table["flags"] = flag_texts(kinds, flows.estimate.flags, table["intake"])
    return table


# What fish survive at each plant, of the group that decides; its probability by the ranges of what is uncertain.
def _fish_figures(settings, inputs, table):
    fish, screened = settings.fish, table["screened"].to_numpy(dtype=bool)
    head_m = _net_head_m(settings, table)
    plants = {
        "turbine": table["turbine_number"],
        "units": table["units"],
        "flow_design_m3s": table["flow_design_m3s"],
    }
    survival = plant_survival(inputs.turbines, inputs.costs, fish, plants, head_m)
    group, share, _ = worst_of_groups(*of_plants(survival, screened), fish)
    names = np.array([each.name for each in fish.migrating] + [""], dtype=object)
    unit_m3s = table["flow_design_m3s"].to_numpy(dtype=float) / table["units"].to_numpy(dtype=float)
    _, prob = prob_safe(
        inputs.turbines,
        inputs.costs.screen.design,
        fish,
        table["turbine_number"].to_numpy(),
        unit_m3s,
        head_m,
        screened,
        drawn_places(settings.run.seed, settings.uncertainty.simulations),
    )
    return {
        **fish_answers(survival, screened, fish),
        "survival": share,
        "survival_as_built": worst_of_groups(*of_plants(survival, np.zeros(len(table), dtype=bool)), fish)[1],
        "fish_group": names[group],
        "fish_safe_prob": prob,
    }


# Flags of each row with one added, "" for none.
def _with_flags(flags, *more):
    return [IN_ONE_CELL.join(filter(None, parts)) for parts in zip(flags, *more, strict=True)]


# Fish survival on the least favourable migration path through the site. If losses were rounded
# up, a better selection may exist, and sites on a migration path are flagged.
def _with_fish(alive, offers, kept, table):
    entered = entered_at(
        table["scheme_type"], *(table[name].to_numpy(dtype=np.int64) for name in ("intake", "tailrace"))
    )
    worst = alive.worst[entered]
    rounded = (worst >= 0) & (not offers.exact)
    flags = _with_flags(table["flags"], np.where(rounded, SURVIVAL_ROUNDED.name, ""))
    return table.assign(
        flags=flags,
        passage_survival=np.where(worst >= 0, alive.survival[worst], np.nan),
        fish_safe_by_passage_limit=offers.safe_by_passage_limit[kept],
    )


# True where power or head of a plant's turbines is outside the range of the cost law.
def _cost_extrapolated(settings, inputs, table):
    outside = np.zeros(len(table), dtype=bool)
    head_m = _net_head_m(settings, table)
    power_kw, units = (table[name].to_numpy() for name in ("power_kw", "units"))
    number = table["turbine_number"].to_numpy()
    for each in np.unique(number):
        rows, scheme_types = number == each, table["scheme_type"].to_numpy(dtype=object)
        outside[rows] = is_cost_extrapolated(
            inputs.costs, inputs.turbines[each], scheme_types[rows], power_kw[rows], head_m[rows], units[rows]
        )
    return outside


# A text of the structure of each candidate, "" if none (row -1).
def _of_structure(rows, texts):
    return np.append(np.asarray(texts, dtype=object), "")[rows.to_numpy(dtype=np.int64)]


def _with_coordinates(order, stationing, crs):
    into = Transformer.from_crs(crs, "OGC:CRS84", always_xy=True)
    stations = stationing.stations
    for prefix, at in (("", "tailrace"), ("intake_", "intake")):
        station = order[at].to_numpy(dtype=np.int64)
        lon, lat = into.transform(stations["x_m"].to_numpy()[station], stations["y_m"].to_numpy()[station])
        # Nine decimals are a tenth of a millimetre; more would be rounding of the projection.
        order[f"{prefix}lon"], order[f"{prefix}lat"] = np.round(lon, 9), np.round(lat, 9)
    return order


def make_stretches(settings, stationing, sites, delivered_sites, ranked_sites):
    """The ``stretches`` layer: the delivered stretches and the alternatives to each."""
    offers, order = sites.offers, ranked_sites.order
    kept, table, site_of = ranked_sites.kept, ranked_sites.candidates, delivered_sites.id_of
    rank_of = dict(zip(order["site_id"], order["rank"], strict=True))
    to_outlet_m = _to_outlet(stationing.stations)
    table = table.assign(
        candidate=kept,
        site_id=[site_of.get(number, "") for number in kept.tolist()],
        blocked_by=np.where(
            offers.kept_out[kept],
            KEPT_OUT,
            np.array([site_of.get(number, "") for number in offers.blocked_by[kept].tolist()], dtype=object),
        ),
        intake_to_outlet_m=to_outlet_m[table["intake"].to_numpy(dtype=np.int64)],
        tailrace_to_outlet_m=to_outlet_m[table["tailrace"].to_numpy(dtype=np.int64)],
    )
    table["rank"] = pd.array([rank_of.get(name, pd.NA) for name in table["site_id"]], dtype="Int64")
    height = [
        f":{metres:g}m" if is_new else ""
        for is_new, metres in zip(
            is_scheme_that(table["scheme_type"], "builds_barrier"), table["weir_height_m"], strict=True
        )
    ]
    parts = zip(table["scheme_type"], table["intake_name"], table["tailrace_name"], height, strict=True)
    table["stretch_id"] = without_repeats(
        f"{scheme_type}:{top}:{foot}{metres}" for scheme_type, top, foot, metres in parts
    )
    group = table["site_id"].where(table["site_id"] != "", table["blocked_by"]).map(rank_of)
    table = table.assign(group=group).sort_values(["group", "rank", "candidate"], kind="stable", ignore_index=True)
    lines = _stretch_lines(table, stationing)
    return _layer(table, "stretches", lines, settings.run.crs)


def make_conduits(settings, conduits, ranked_sites):
    """The ``conduits`` layer: the headrace and the penstock of each site whose way the ground shows."""
    order = ranked_sites.order
    rows = ranked_sites.kept[order["row"].to_numpy(dtype=np.int64)]
    pieces, lines = [], []
    for place, row in sorted(enumerate(rows.tolist()), key=lambda each: each[1]):
        site = order.iloc[place]
        for part, line in lines_of(conduits, row).items():
            pieces.append({**site[["site_id", "rank", "conduit_route", "conduit_bank"]], "part": part})
            pieces[-1]["length_m"] = site[f"{part}_length_m"]
            lines.append(line)
    if not pieces:
        return empty_table("conduits", settings.run.crs)
    return _layer(pd.DataFrame(pieces), "conduits", lines, settings.run.crs)


# Distance from each station to the outlet of its network [m].
def _to_outlet(stations):
    downstream, step_m = stations["downstream"].to_numpy(), stations["to_downstream_m"].to_numpy()
    way_m = np.zeros(len(stations))
    for station in range(len(stations) - 1, -1, -1):  # from the outlets up
        if downstream[station] >= 0:
            way_m[station] = way_m[downstream[station]] + step_m[station]
    return way_m


# The line of each stretch, downstream.
def _stretch_lines(table, stationing):
    downstream = stationing.stations["downstream"].to_numpy()
    segment_of = dict(zip(stationing.segments["station"].tolist(), stationing.segments["geometry"], strict=True))
    lines = []
    for intake, tailrace in zip(table["intake"].tolist(), table["tailrace"].tolist(), strict=True):
        vertices, station = [], intake
        while station != tailrace:
            station = int(downstream[station])
            if station in segment_of:
                drawn = shapely.get_coordinates(segment_of[station])
                vertices.append(drawn[1:] if vertices else drawn)
        lines.append(shapely.LineString(np.concatenate(vertices)))
    return np.array(lines, dtype=object)


def make_turbine_options(ranked_sites, site_energy):
    """The ``turbine_options`` layer.

    It holds the best size of every suitable class of a site, and the other sizes of the selected class.
    """
    order = ranked_sites.order
    rank = np.argsort(order["row"].to_numpy(dtype=np.int64), kind="stable")
    options = site_energy.options.assign(stretch=rank[site_energy.options["stretch"].to_numpy(dtype=np.int64)])
    site = options["stretch"].to_numpy(dtype=np.int64)
    chosen = order["turbine_number"].to_numpy(), order["screened"].to_numpy(dtype=bool)
    is_chosen = (options["turbine"] == chosen[0][site]) & (options["screened"] == chosen[1][site])
    # A class may have two best sizes without a screen: of any, and of those that are fish-safe.
    own_m3s = order["flow_design_m3s"].to_numpy()[site]
    is_chosen &= ~options["is_best_size"] | np.isclose(options["flow_design_m3s"], own_m3s, rtol=1e-6)
    options["chosen"] = is_chosen & options["is_best_size"]
    # The best size is listed once.
    options = options.drop_duplicates(["stretch", "turbine", "screened", "flow_design_m3s"])
    options = options.sort_values(
        ["stretch", "turbine", "screened", "is_best_size", "flow_design_m3s"],
        ascending=[True, True, True, False, False],
        kind="stable",
        ignore_index=True,
    )
    options["site_id"] = order["site_id"].to_numpy()[options["stretch"].to_numpy(dtype=np.int64)]
    options["turbine"] = options["name"]
    return checked_table(options[[column.name for column in LAYERS["turbine_options"].columns]], "turbine_options")


def _frame(inputs, name):
    return inputs.layers[name].frame if name in inputs.layers else None


# The declared columns of a layer, with geometry.
def _layer(table, name, geometry, crs):
    columns = [column.name for column in LAYERS[name].columns]
    return checked_table(geopandas.GeoDataFrame(table[columns].copy(), geometry=geometry, crs=crs), name, crs)
