"""Sites, their stretches, machine options and duration curves, as tables of the delivery."""

from typing import NamedTuple

import geopandas
import numpy as np
import pandas as pd
import shapely
from pyproj import Transformer

from sitefinder.delivery.checking import checked_table
from sitefinder.io.catchment_polygons import catchment_polygons
from sitefinder.power.cost import is_extrapolated
from sitefinder.power.energy import net_head_m
from sitefinder.power.machines import SAFE_AS_BUILT, fish_safety, machine_survival
from sitefinder.power.size_options import size_options
from sitefinder.power.uncertainty import EnergyDraws
from sitefinder.power.valuation import machine_options
from sitefinder.schema import LAYERS, empty_table, is_scheme_that
from sitefinder.schema.vocabulary import COST_EXTRAPOLATED, FLAG_SEPARATOR, HEAD_NOT_RESOLVED, SURVIVAL_ROUNDED
from sitefinder.siting.access import district_of
from sitefinder.siting.fish_passage import entered_at
from sitefinder.siting.offers import alternatives
from sitefinder.siting.ranking import ranked
from sitefinder.siting.structures import uses_told
from sitefinder.siting.verdicts import verdicts
from sitefinder.stages.alternatives import with_alternatives
from sitefinder.stages.choice import site_ids
from sitefinder.stages.long_profiles import site_profiles
from sitefinder.stages.marks import marked_stretches, told
from sitefinder.stages.site_access import with_access
from sitefinder.stages.site_draws import draw_sites, top_chances
from sitefinder.stages.site_flows import flow_curves, reserved_at, site_months, site_powers_kw, with_water
from sitefinder.streams.stations import place_names, without_repeats

ALTERNATIVES_KEPT = 3
# What blocks an alternative that only the least survival of fish keeps out.
KEPT_OUT = "survival on the way"


class RankedSites(NamedTuple):
    """The ranked sites and what their tables share.

    ``order`` has a row a site, the best first, with all that is known of it. ``candidates`` has a row for each
    chosen candidate and each alternative, whose numbers among all stretches are ``kept``. ``criteria`` and
    ``sensitivity`` show the ranking. ``simulations`` are those of each site, and ``left_m3s`` is what stays in the
    stream at each [m³/s], shape (sites, bins).
    """

    order: pd.DataFrame
    candidates: pd.DataFrame
    kept: np.ndarray
    criteria: pd.DataFrame
    sensitivity: pd.DataFrame
    simulations: EnergyDraws
    left_m3s: np.ndarray


def rank_sites(
    settings,
    inputs,
    network,
    placed,
    catchments,
    heads,
    flows,
    water_depths,
    waters,
    marks,
    stretches,
    verdicts,
    sites,
    fish_alive,
):
    """The chosen sites with all that is known of them, ranked; done once for all their tables.

    Parameters are the results of the stages of those names; `sites` is the chosen set, `fish_alive` what it leaves
    of the fish.

    Returns
    -------
    RankedSites
    """
    offers = sites.offers
    picked = np.flatnonzero(offers.chosen)
    tailrace_reach = placed.stations["reach"].to_numpy()[stretches.table["tailrace"].to_numpy()]
    kept = np.concatenate([picked, alternatives(offers, ALTERNATIVES_KEPT, tailrace_reach)])
    table = _described(
        settings, inputs, network, placed, catchments, flows, marks, stretches, verdicts, offers, kept
    )
    table["structure_id"] = _of_structure(table["structure"], waters.structures["structure_id"])
    uses = _of_structure(table["structure"], uses_told(waters.structures))
    table["flags"] = _with_flags(table["flags"], uses)
    table = _with_fish(inputs, fish_alive, offers, kept, table)
    own = table.iloc[: len(picked)].reset_index(drop=True)
    own["site_id"] = site_ids(own["tailrace_name"], own["layout"])
    draws, drawn = draw_sites(settings, inputs, placed, catchments, heads, flows, water_depths, own)
    own = with_access(settings, inputs, placed, heads, pd.concat([own, drawn], axis=1))
    ranking = ranked(own.assign(row=range(len(own))), settings.ranking)
    order = ranking.sites
    draws = EnergyDraws(*[part[order["row"].to_numpy(dtype=np.int64)] for part in draws])
    order["prob_top"] = top_chances(settings, order, draws)
    left_m3s = reserved_at(settings, inputs, flows, order)
    powers_kw = site_powers_kw(settings, inputs, flows, water_depths, order, left_m3s)
    order = with_water(settings, inputs, flows, water_depths, order, left_m3s)
    order = with_alternatives(settings, inputs, order, powers_kw)
    order = _with_coordinates(order, placed, settings.run.crs)
    return RankedSites(order, table, kept, ranking.criteria, ranking.sensitivity, draws, left_m3s)


def make_sites(settings, ranked_sites):
    """The ``sites`` layer."""
    order, crs = ranked_sites.order, settings.run.crs
    return _layer(order, "sites", shapely.points(order["x_m"], order["y_m"]), crs)


def make_ranking_criteria(ranked_sites):
    """The ``ranking_criteria`` layer."""
    return checked_table(ranked_sites.criteria, "ranking_criteria")


def make_ranking_sensitivity(ranked_sites):
    """The ``ranking_sensitivity`` layer."""
    return checked_table(ranked_sites.sensitivity, "ranking_sensitivity")


def make_flow_curves(flows, ranked_sites):
    """The ``flow_curves`` layer."""
    return checked_table(flow_curves(flows, ranked_sites.order, ranked_sites.left_m3s), "flow_curves")


def make_site_months(settings, inputs, flows, water_depths, ranked_sites):
    """The ``site_months`` layer."""
    order, left_m3s = ranked_sites.order, ranked_sites.left_m3s
    return checked_table(site_months(settings, inputs, flows, water_depths, order, left_m3s), "site_months")


def make_site_profiles(network, placed, heads, waters, stretches, sites):
    """The ``site_profiles`` layer: the long profiles of all sites in one table."""
    columns = [column.name for column in LAYERS["site_profiles"].columns]
    profiles = site_profiles(network, placed, heads, waters, stretches, sites)
    of_sites = [
        profile.assign(site_id=site_id, position=range(1, len(profile) + 1))[columns]
        for site_id, profile in profiles.items()
    ]
    if not of_sites:
        return empty_table("site_profiles")
    return checked_table(pd.concat(of_sites, ignore_index=True), "site_profiles")


def make_catchments(settings, surface, placed, terrain, ranked_sites, sites_table):
    """The ``catchments`` layer: the ground that drains to the intake of each site."""
    downstream = placed.stations["downstream"].to_numpy()
    intakes = ranked_sites.order["intake"].to_numpy(dtype=np.int64)
    ground = catchment_polygons(terrain.label_tiles, surface.grid, downstream, intakes)
    table = sites_table[["site_id", "area_km2"]].copy()
    frame = geopandas.GeoDataFrame(pd.DataFrame(table), geometry=ground, crs=settings.run.crs)
    return checked_table(frame, "catchments", settings.run.crs)


# The chosen candidates and alternatives, each with its valuation, marks, place and flows.
def _described(settings, inputs, network, placed, catchments, flows, marks, stretches, judged, offers, kept):
    stations, links = placed.stations, network.links
    table = stretches.table.iloc[kept].reset_index(drop=True)
    valued = offers.valued.iloc[kept].reset_index(drop=True)
    table = pd.concat([table, valued], axis=1)
    ruled = verdicts(judged.stretch_marks.held, settings.rules, kept).reset_index(drop=True)
    table = pd.concat([table, ruled.drop(columns="only_reason")], axis=1)
    intake, tailrace = table["intake"].to_numpy(), table["tailrace"].to_numpy()
    for name, at in (("intake", intake), ("tailrace", tailrace)):
        places = place_names(network.parts, stations["link"].to_numpy()[at], stations["distance_m"].to_numpy()[at])
        table[f"{name}_name"] = places["name"]
    table["stream"] = links["stream"].to_numpy()[stations["link"].to_numpy()[tailrace]]
    table["x_m"], table["y_m"] = stations["x_m"].to_numpy()[tailrace], stations["y_m"].to_numpy()[tailrace]
    table["district"] = district_of(table["x_m"], table["y_m"], _frame(inputs, "districts"))
    table["reach_id"] = placed.reaches["reach_id"].to_numpy()[stations["reach"].to_numpy()[tailrace]]
    table["area_km2"] = catchments["area_km2"].to_numpy()[intake]
    table["flow_q95_m3s"] = flows.q95_m3s[intake]
    table["flow_source"] = [flows.estimate.source[station] for station in intake]
    table["reserved_flow_m3s"] = reserved_at(settings, inputs, flows, table).mean(axis=1)
    table["machine_number"] = table["machine"].to_numpy(dtype=np.int64)
    names = np.array([machine.name for machine in inputs.machines], dtype=object)
    table["machine"] = names[table["machine_number"]]
    safety = np.array([fish_safety(machine, settings.fish) for machine in inputs.machines])
    table["fish_safe"] = (safety[table["machine_number"]] == SAFE_AS_BUILT) | table["screened"].to_numpy(
        dtype=bool
    )
    kinds = {HEAD_NOT_RESOLVED.name: table["head_unresolved"].to_numpy(dtype=bool)}
    kinds[COST_EXTRAPOLATED.name] = _cost_extrapolated(settings, inputs, table)
    kinds |= marked_stretches(marks, stretches, kept)
    table["flags"] = told(kinds, flows.estimate.flags, table["intake"])
    return table


# Flags of each row and one more, "" for none.
def _with_flags(flags, more):
    return [FLAG_SEPARATOR.join(filter(None, parts)) for parts in zip(flags, more, strict=True)]


# What fish meet: at the machine itself, and on the worst way that leads through it. Where losses were rounded up,
# a better set may exist, and sites on the way of fish are flagged.
def _with_fish(inputs, alive, offers, kept, table):
    entered = entered_at(
        table["layout"], *(table[name].to_numpy(dtype=np.int64) for name in ("intake", "tailrace"))
    )
    worst = alive.worst[entered]
    rounded = (worst >= 0) & (not offers.exact)
    flags = _with_flags(table["flags"], np.where(rounded, SURVIVAL_ROUNDED.name, ""))
    return table.assign(
        flags=flags,
        survival=machine_survival(inputs.machines, table["machine_number"], table["screened"]),
        survival_on_the_way=np.where(worst >= 0, alive.survival[worst], np.nan),
        made_fish_safe=offers.made_safe[kept],
    )


# Where the law of a plant's machines was not made for their power or head.
def _cost_extrapolated(settings, inputs, table):
    outside = np.zeros(len(table), dtype=bool)
    head_m = net_head_m(table["head_m"], table["conduit_length_m"], settings.energy)
    power_kw, units = (table[name].to_numpy() for name in ("power_kw", "units"))
    number = table["machine_number"].to_numpy()
    for each in np.unique(number):
        rows, law = number == each, inputs.machines[each].cost
        outside[rows] = is_extrapolated(law, power_kw[rows], head_m[rows], units[rows])
    return outside


# What belongs to the structure of each candidate, "" where there is none (row -1).
def _of_structure(rows, texts):
    return np.append(np.asarray(texts, dtype=object), "")[rows.to_numpy(dtype=np.int64)]


def _with_coordinates(order, placed, crs):
    into = Transformer.from_crs(crs, "OGC:CRS84", always_xy=True)
    stations = placed.stations
    for prefix, at in (("", "tailrace"), ("intake_", "intake")):
        station = order[at].to_numpy(dtype=np.int64)
        lon, lat = into.transform(stations["x_m"].to_numpy()[station], stations["y_m"].to_numpy()[station])
        # Nine decimals are a tenth of a millimetre; more would be the projection's rounding.
        order[f"{prefix}lon"], order[f"{prefix}lat"] = np.round(lon, 9), np.round(lat, 9)
    return order


def make_stretches(settings, placed, sites, ranked_sites):
    """The ``stretches`` layer: the chosen stretches and the alternatives to each."""
    offers, order = sites.offers, ranked_sites.order
    picked, kept, table = np.flatnonzero(offers.chosen), ranked_sites.kept, ranked_sites.candidates
    site_of = dict(zip(picked.tolist(), order.sort_values("row")["site_id"], strict=True))
    rank_of = dict(zip(order["site_id"], order["rank"], strict=True))
    to_outlet_m = _to_outlet(placed.stations)
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
            is_scheme_that(table["layout"], "builds_barrier"), table["weir_height_m"], strict=True
        )
    ]
    parts = zip(table["layout"], table["intake_name"], table["tailrace_name"], height, strict=True)
    table["stretch_id"] = without_repeats(f"{layout}:{top}:{foot}{metres}" for layout, top, foot, metres in parts)
    group = table["site_id"].where(table["site_id"] != "", table["blocked_by"]).map(rank_of)
    table = table.assign(group=group).sort_values(["group", "rank", "candidate"], kind="stable", ignore_index=True)
    lines = _stretch_lines(table, placed)
    return _layer(table, "stretches", lines, settings.run.crs)


# Way from each station to the end of its network [m].
def _to_outlet(stations):
    downstream, step_m = stations["downstream"].to_numpy(), stations["to_downstream_m"].to_numpy()
    way_m = np.zeros(len(stations))
    for station in range(len(stations) - 1, -1, -1):  # from the outlets up
        if downstream[station] >= 0:
            way_m[station] = way_m[downstream[station]] + step_m[station]
    return way_m


# The line of each stretch down its path.
def _stretch_lines(table, placed):
    downstream = placed.stations["downstream"].to_numpy()
    segment_of = dict(zip(placed.segments["station"].tolist(), placed.segments["geometry"], strict=True))
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


def make_machine_options(settings, inputs, flows, water_depths, ranked_sites):
    """The ``machine_options`` layer.

    It holds the best size of every class that fits a site, and the curve of sizes of the class that is chosen.
    """
    order = ranked_sites.order
    given = (order, flows.bins_m3s, flows.reserved_m3s, inputs.machines, inputs.costs, settings)
    options = machine_options(*given, water_depths, flows.closed)
    chosen = order["machine_number"].to_numpy(), order["screened"].to_numpy(dtype=bool)
    site = options["stretch"].to_numpy(dtype=np.int64)
    options["chosen"] = (options["machine"] == chosen[0][site]) & (options["screened"] == chosen[1][site])
    sizes = size_options(*given, *chosen, water_depths, flows.closed)
    options = pd.concat([options.assign(is_best_size=True), sizes.assign(is_best_size=False, chosen=False)])
    # A size of the curve that is the best one is told once.
    options = options.drop_duplicates(["stretch", "machine", "screened", "flow_design_m3s"])
    options = options.sort_values(
        ["stretch", "machine", "screened", "is_best_size", "flow_design_m3s"],
        ascending=[True, True, True, False, False],
        kind="stable",
        ignore_index=True,
    )
    options["site_id"] = order["site_id"].to_numpy()[options["stretch"].to_numpy(dtype=np.int64)]
    options["machine"] = options["name"]
    return checked_table(options[[column.name for column in LAYERS["machine_options"].columns]], "machine_options")


def _frame(inputs, name):
    return inputs.layers[name].frame if name in inputs.layers else None


# The declared columns of a layer, with geometry.
def _layer(table, name, geometry, crs):
    columns = [column.name for column in LAYERS[name].columns]
    return checked_table(geopandas.GeoDataFrame(table[columns].copy(), geometry=geometry, crs=crs), name, crs)
