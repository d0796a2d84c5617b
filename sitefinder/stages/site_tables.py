"""Sites, their stretches, machine options and duration curves, as tables of the delivery."""

from typing import NamedTuple

import geopandas
import numpy as np
import pandas as pd
import shapely
from pyproj import Transformer

from sitefinder.power.alternative import solar_cost_per_kwh
from sitefinder.power.machines import SAFE_AS_BUILT, fish_safety
from sitefinder.power.tailwater import intake_is_held
from sitefinder.power.uncertainty import EnergyDraws, energy_draws, intervals, net_depths, prob_top
from sitefinder.power.valuation import machine_options
from sitefinder.schema import LAYERS
from sitefinder.siting.access import district_of
from sitefinder.siting.offers import RANKED_BY, alternatives, ranked
from sitefinder.siting.structures import uses_told
from sitefinder.siting.verdicts import verdicts
from sitefinder.stages.marks import marked_stretches, told
from sitefinder.stages.site_flows import flow_curves, reserved_at, site_months
from sitefinder.streams.stations import place_names, without_repeats

ALTERNATIVES_KEPT = 3
# Stream of random numbers for surveyed heads; 0 and 1 are those of the energy draws.
SURVEY_STREAM = 2


class SiteTables(NamedTuple):
    """Tables of the sites, the draws of each site in the order of the ``sites`` table, and their intakes."""

    sites: geopandas.GeoDataFrame
    stretches: geopandas.GeoDataFrame
    machine_options: pd.DataFrame
    flow_curves: pd.DataFrame
    site_months: pd.DataFrame
    draws: EnergyDraws
    intakes: np.ndarray


def make_site_tables(
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
):
    """Ranked sites with all that is told of them.

    Parameters are the results of the stages of those names; `sites` is the chosen set.

    Returns
    -------
    SiteTables
    """
    offers = sites.offers
    picked = np.flatnonzero(offers.chosen)
    kept = np.concatenate([picked, alternatives(offers, ALTERNATIVES_KEPT)])
    table = _described(
        settings, inputs, network, placed, catchments, flows, marks, stretches, verdicts, offers, kept
    )
    table["structure_id"] = _of_structure(table["structure"], waters.structures["structure_id"])
    uses = _of_structure(table["structure"], uses_told(waters.structures))
    told_of = zip(table["flags"], uses, strict=True)
    table["flags"] = ["; ".join(part for part in parts if part) for parts in told_of]
    own = table.iloc[: len(picked)].reset_index(drop=True)
    own["site_id"] = site_ids(own["tailrace_name"], own["layout"])
    draws = _draws(settings, inputs, heads, flows, water_depths, own)
    energy = intervals(draws.energy_mwh) if len(own) else None
    own["energy_mwh_p90"] = energy.p90 if energy else []
    own["energy_mwh_p10"] = energy.p10 if energy else []
    order = ranked(own.assign(row=range(len(own))), settings.ranking.rank_by)
    draws = EnergyDraws(*[part[order["row"].to_numpy(dtype=np.int64)] for part in draws])
    order["prob_top"] = _prob_top(settings, draws) if len(own) else []
    order["solar_cost_per_kwh"] = solar_cost_per_kwh(inputs.costs.solar, settings.costs.real_rate)
    order = _with_coordinates(order, placed, settings.run.crs)
    site_frame = _layer(order, "sites", shapely.points(order["x_m"], order["y_m"]), settings.run.crs)
    stretch_frame = _stretch_table(settings, table, order, kept, picked, offers, placed, stretches)
    options = _options(settings, inputs, flows, water_depths, order)
    intakes = order["intake"].to_numpy(dtype=np.int64)
    left_m3s = reserved_at(settings, inputs, flows, order)
    curves = flow_curves(flows, order, left_m3s)
    months = site_months(settings, inputs, flows, water_depths, order, left_m3s)
    return SiteTables(site_frame, stretch_frame, options, curves, months, draws, intakes)


def site_ids(tailrace_names, layouts):
    """Ids of the chosen sites, in the order of the candidates: the place of the tailrace and the layout."""
    return without_repeats([f"{name}/{layout}" for name, layout in zip(tailrace_names, layouts, strict=True)])


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
    kinds = {"head_unresolved": table["head_unresolved"].to_numpy(dtype=bool)}
    kinds |= marked_stretches(marks, stretches, kept)
    table["flags"] = told(kinds, flows.estimate.flags, table["intake"])
    return table


# What belongs to the structure of each candidate, "" where there is none (row -1).
def _of_structure(rows, texts):
    return np.append(np.asarray(texts, dtype=object), "")[rows.to_numpy(dtype=np.int64)]


# Draws of the chosen plants, about the median of each flow: the mean of the estimate holds the bias correction
# already, and the draws would add it once more. A surveyed head has the survey's error; all others share the
# states of the profile.
def _draws(settings, inputs, heads, flows, water_depths, own):
    intake, tailrace = own["intake"].to_numpy(dtype=np.int64), own["tailrace"].to_numpy(dtype=np.int64)
    errors = (heads.errors_m[intake] - heads.errors_m[tailrace]).astype(np.float64)
    for row in np.flatnonzero(own["structure_id"] != ""):
        stream = np.random.SeedSequence(settings.run.seed, spawn_key=(SURVEY_STREAM, int(tailrace[row])))
        normal = np.random.Generator(np.random.Philox(stream)).standard_normal(errors.shape[1])
        errors[row] = normal * own["head_unshrunk_se_m"].iloc[row]
    # What is likely narrows the errors of the shrunk heads, and all sites still share the states of the profile.
    used_m, found_m = (own[name].to_numpy(dtype=np.float64) for name in ("head_se_m", "head_unshrunk_se_m"))
    errors *= np.divide(used_m, found_m, out=np.ones(len(own)), where=found_m > 0)[:, None]
    held = intake_is_held(own["layout"], settings.tailwater)
    reserved_m3s = reserved_at(settings, inputs, flows, own)
    if flows.closed is not None:
        # A closed month gives nothing in a wet year either.
        reserved_m3s = np.where(flows.closed, np.inf, reserved_m3s)
    estimate = flows.estimate
    median = np.sqrt(estimate.mean_low_m3s[intake] * estimate.mean_high_m3s[intake]) / estimate.mean_m3s[intake]
    return energy_draws(
        own.assign(machine=own["machine_number"]),
        flows.bins_m3s[intake] * median[:, None],
        reserved_m3s * median[:, None],
        errors,
        estimate.mean_log_sd[intake],
        inputs.machines,
        inputs.costs,
        settings,
        settings.run.seed,
        net_depths(water_depths, intake, tailrace, held),
    )


def _prob_top(settings, draws):
    column, rising = RANKED_BY[settings.ranking.rank_by]
    ranked_by = {"net_value_per_year": 2, "energy_mwh": 0, "cost_per_kwh": 1}[column]
    return prob_top(-draws[ranked_by] if rising else draws[ranked_by], settings.uncertainty.top_sites)


def _with_coordinates(order, placed, crs):
    into = Transformer.from_crs(crs, "OGC:CRS84", always_xy=True)
    stations = placed.stations
    for prefix, at in (("", "tailrace"), ("intake_", "intake")):
        station = order[at].to_numpy(dtype=np.int64)
        lon, lat = into.transform(stations["x_m"].to_numpy()[station], stations["y_m"].to_numpy()[station])
        # Nine decimals are a tenth of a millimetre; more would be the projection's rounding.
        order[f"{prefix}lon"], order[f"{prefix}lat"] = np.round(lon, 9), np.round(lat, 9)
    return order


def _stretch_table(settings, table, order, kept, picked, offers, placed, stretches):
    site_of = dict(zip(picked.tolist(), order.sort_values("row")["site_id"], strict=True))
    rank_of = dict(zip(order["site_id"], order["rank"], strict=True))
    to_outlet_m = _to_outlet(placed.stations)
    table = table.assign(
        candidate=kept,
        site_id=[site_of.get(number, "") for number in kept.tolist()],
        blocked_by=[site_of.get(number, "") for number in offers.blocked_by[kept].tolist()],
        intake_to_outlet_m=to_outlet_m[table["intake"].to_numpy(dtype=np.int64)],
        tailrace_to_outlet_m=to_outlet_m[table["tailrace"].to_numpy(dtype=np.int64)],
    )
    table["rank"] = pd.array([rank_of.get(name, pd.NA) for name in table["site_id"]], dtype="Int64")
    height = [
        f":{metres:g}m" if kind == "new_weir" else ""
        for kind, metres in zip(table["layout"], table["weir_height_m"], strict=True)
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


def _options(settings, inputs, flows, water_depths, order):
    data = (inputs.machines, inputs.costs, settings, water_depths, flows.closed)
    options = machine_options(order, flows.bins_m3s, flows.reserved_m3s, *data)
    site = options["stretch"].to_numpy(dtype=np.int64)
    options["site_id"] = order["site_id"].to_numpy()[site]
    same = options["name"].to_numpy() == order["machine"].to_numpy()[site]
    options["chosen"] = same & (options["screened"].to_numpy() == order["screened"].to_numpy(dtype=bool)[site])
    options["machine"] = options["name"]
    return options[[column.name for column in LAYERS["machine_options"].columns]]


def _frame(inputs, name):
    return inputs.layers[name].frame if name in inputs.layers else None


# The declared columns of a layer, with geometry.
def _layer(table, name, geometry, crs):
    columns = [column.name for column in LAYERS[name].columns]
    return geopandas.GeoDataFrame(table[columns].copy(), geometry=geometry, crs=crs)
