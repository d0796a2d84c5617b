"""The ranked sites, the layer of them, and tables of one row or more for each."""

from typing import NamedTuple

import numpy as np
import pandas as pd
import shapely
from pyproj import Transformer

from sitefinder.delivery.checking import checked_layer, checked_table
from sitefinder.delivery.closed_sites import MONTH_ENERGIES, in_order, monthly_energies_mwh, waters
from sitefinder.delivery.money_tables import with_finance
from sitefinder.delivery.site_plants import environmental_flow_at, site_powers_kw, with_runners, with_water
from sitefinder.delivery.surroundings import (
    grid_of_sites,
    owners_of_sites,
    water_bodies_of_sites,
    water_rights_of_sites,
)
from sitefinder.energy.solar_benchmark import (
    lcoe_minus_solar_per_kwh,
    serve_demand,
    solar_firm_lcoe_per_kwh,
    solar_lcoe_per_kwh,
)
from sitefinder.energy.uncertainty import EnergySimulations, prob_in_top_n
from sitefinder.hydrology.seasons import MONTHS
from sitefinder.network.ordering import main_upstream
from sitefinder.schema import LAYERS, is_scheme_that
from sitefinder.siting.access import (
    demand_of_settlements,
    distance_by_road_m,
    nearest_settlement,
    on_roads,
    road_lines,
    side_of_stream,
)
from sitefinder.siting.depleted_reach import SHALLOW_FOR_LONGER
from sitefinder.siting.ranking import ranked, values_ranked_by
from sitefinder.steps.candidates import settlements_to_serve
from sitefinder.steps.flags import with_flags
from sitefinder.vocabulary import DEPLETED_SHALLOW, RIVER_WIDE, SMALL_PART_OF_RIVER, STEEP_STREAM


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


def probabilities_in_top_n(settings, order, simulations):
    """Probability of each site of being among the best N; sites and simulations in one order."""
    if not len(order):
        return np.zeros(0)
    drawn = EnergySimulations(*simulations)._asdict()
    return prob_in_top_n(values_ranked_by(order, drawn, settings.ranking), settings.uncertainty.top_sites)


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
        flags=with_flags(
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
    return checked_layer(order, "sites", shapely.points(order["x_m"], order["y_m"]), crs)


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


def _with_coordinates(order, stationing, crs):
    into = Transformer.from_crs(crs, "OGC:CRS84", always_xy=True)
    stations = stationing.stations
    for prefix, at in (("", "tailrace"), ("intake_", "intake")):
        station = order[at].to_numpy(dtype=np.int64)
        lon, lat = into.transform(stations["x_m"].to_numpy()[station], stations["y_m"].to_numpy()[station])
        # Nine decimals are a tenth of a millimetre; more would be rounding of the projection.
        order[f"{prefix}lon"], order[f"{prefix}lat"] = np.round(lon, 9), np.round(lat, 9)
    return order


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
