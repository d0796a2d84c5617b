"""Tables of the region: reaches, rules, structures, totals, repairs and provenance, each made by a stage."""

import geopandas
import numpy as np
import pandas as pd
import shapely

from sitefinder.delivery.checking import checked_table
from sitefinder.pipeline.build import own_build
from sitefinder.pipeline.code import digest_of_files, own_code
from sitefinder.power.energy import hydraulic_power_kw
from sitefinder.schema import LAYERS
from sitefinder.schema.vocabulary import HEAD_NOT_RESOLVED
from sitefinder.siting.access import lengths_by_district
from sitefinder.siting.publication import (
    doubt_text,
    held_text,
    published_hits,
    published_lineage,
    published_repairs,
    published_settings,
)
from sitefinder.siting.rules import hits_by_reach
from sitefinder.stages.choice import in_region
from sitefinder.stages.drainage import list_terrain_repairs
from sitefinder.stages.fish_safe_gain import fish_safe_gain_table
from sitefinder.stages.fish_ways import with_fish
from sitefinder.stages.free_stream import free_stream_table
from sitefinder.stages.marks import covered_percent, list_seams, marked_reaches, told
from sitefinder.stages.potential import reach_districts_table, waterfall_table
from sitefinder.stages.seen import OF_THE_MACHINE
from sitefinder.stages.stage_graph import STEPS
from sitefinder.stages.stream_repairs import joined_repairs, list_stream_doubts, unresolved_reaches
from sitefinder.stages.stream_totals import streams_table
from sitefinder.stages.told_tables import distributions_table, flow_equations_table, supply_curve_table
from sitefinder.stages.totals import districts_table, totals_table
from sitefinder.streams.profile_error import head_standard_error

M_PER_KM = 1000.0


def make_reaches(
    settings, inputs, network, placed, catchments, heads, flows, marks, verdicts, sites, fish_alive, within
):
    """The ``reaches`` layer: every reach of the region with its numbers, verdict and reasons.

    Parameters are the results of the stages of those names; `within` is True for reaches of the region,
    `fish_alive` what the sites leave of the fish.
    """
    reaches = placed.reaches.copy()
    upper, lower = reaches["first_station"].to_numpy(), reaches["last_station"].to_numpy()
    reaches["head_m"] = heads.profile_m[upper] - heads.profile_m[lower]
    reaches["head_se_m"] = head_standard_error(heads.errors_m, upper, lower)
    reaches["slope"] = reaches["head_m"] / reaches["length_m"]
    reaches["area_km2"] = catchments["area_km2"].to_numpy()[lower]
    reaches["covered_percent"] = covered_percent(settings, catchments)[lower]
    estimate = flows.estimate
    reaches["flow_mean_m3s"], reaches["flow_q95_m3s"] = estimate.mean_m3s[lower], flows.q95_m3s[lower]
    reaches["flow_mean_low_m3s"] = estimate.mean_low_m3s[lower]
    reaches["flow_mean_high_m3s"] = estimate.mean_high_m3s[lower]
    reaches["flow_source"] = [estimate.source[station] for station in lower]
    reaches["theoretical_kw"] = hydraulic_power_kw(reaches["flow_mean_m3s"], reaches["head_m"])
    reaches["power_density_kw_per_km"] = reaches["theoretical_kw"] / (reaches["length_m"] / M_PER_KM)
    reaches = pd.concat([reaches, verdicts.reaches], axis=1)
    reaches["not_offered_because"] = sites.not_offered
    reaches = with_fish(settings, placed, fish_alive, reaches)
    reaches["flags"] = _flags(settings, placed, flows, marks, reaches)
    unresolved = unresolved_reaches(settings, network, placed)
    if len(unresolved):
        reaches = pd.concat([reaches, unresolved], ignore_index=True)
        within = np.append(within, in_region(_middles(unresolved), inputs))
    lengths = find_district_lengths(inputs, reaches)
    most = lengths.sort_values(["reach", "length_m"], ascending=[True, False], kind="stable")
    reaches["district"] = most.drop_duplicates("reach")["district"].to_numpy()
    columns = [column.name for column in LAYERS["reaches"].columns]
    frame = geopandas.GeoDataFrame(reaches[columns], geometry=reaches["geometry"].to_numpy(), crs=settings.run.crs)
    return checked_table(frame[within], "reaches", settings.run.crs)


# Middle of each reach, as columns x_m and y_m.
def _middles(reaches):
    middle = shapely.line_interpolate_point(reaches["geometry"].to_numpy(), 0.5, normalized=True)
    return pd.DataFrame({"x_m": shapely.get_x(middle), "y_m": shapely.get_y(middle)})


def _flags(settings, placed, flows, marks, reaches):
    resolved = reaches["head_m"] >= settings.heads.resolved_standard_errors * reaches["head_se_m"]
    kinds = {HEAD_NOT_RESOLVED.name: ~resolved.to_numpy(), **marked_reaches(marks, placed)}
    return told(kinds, flows.estimate.flags, reaches["last_station"])


def find_district_lengths(inputs, reaches_table):
    """Length of each reach in each district, see `sitefinder.siting.access.lengths_by_district`."""
    districts = inputs.layers["districts"].frame if "districts" in inputs.layers else None
    return lengths_by_district(geopandas.GeoDataFrame(geometry=reaches_table["geometry"].to_numpy()), districts)


def make_rule_hits(settings, placed, rule_overlaps, verdicts, within):
    """The ``rule_hits`` layer: reaches, rules and features that meet, as far as each rule lets it be published."""
    hits = hits_by_reach(rule_overlaps) if len(rule_overlaps) else rule_overlaps
    reach = hits["reach"].to_numpy(dtype=np.int64)
    number = pd.Index([rule.name for rule in settings.rules]).get_indexer(hits["rule"])
    actions = {rule.name: rule.action for rule in settings.rules}
    hits = hits.assign(
        reach_id=placed.reaches["reach_id"].to_numpy()[reach],
        action=hits["rule"].map(actions),
        doubt=doubt_text(hits),
        holds=held_text(verdicts.held, number, reach),
    )
    columns = [column.name for column in LAYERS["rule_hits"].columns]
    within_reach = hits.loc[within[reach], ["reach", *columns]].reset_index(drop=True)
    return checked_table(published_hits(within_reach, settings.rules, placed.reaches)[columns], "rule_hits")


def make_structures(settings, placed, waters):
    """The ``structures`` layer: structures as used."""
    table = waters.structures.copy()
    station = table["station"].to_numpy(dtype=np.int64)
    names = np.append(placed.reaches["reach_id"].to_numpy(dtype=object), "")
    of_station = np.append(placed.stations["reach"].to_numpy(), -1)
    table["reach_id"] = names[of_station[station]]
    surveyed, shown = table["drop_m"].notna(), table["dem_drop_m"].notna()
    table["source"] = np.where(surveyed, "surveyed", np.where(shown, "DEM", ""))
    table["drop_error_m"] = table["drop_error_m"].where(surveyed, table["dem_drop_se_m"])
    table["drop_m"] = table["drop_m"].where(surveyed, table["dem_drop_m"])
    for name in ("drop_m", "drop_error_m", "distance_to_stream_m"):
        table[name] = table[name].astype(float)
    for name in ("powered", "fish_pass", "removal_planned"):
        table[name] = table[name].astype(bool)
    columns = [column.name for column in LAYERS["structures"].columns]
    geometry = table["geometry"].to_numpy(dtype=object)
    frame = geopandas.GeoDataFrame(table[columns], geometry=geometry, crs=settings.run.crs)
    return checked_table(frame, "structures", settings.run.crs)


def make_free_stream(settings, inputs, placed, heads, flows, channel_shapes, waters, verdicts, within):
    """The ``free_stream`` layer."""
    table = free_stream_table(settings, inputs, placed, heads, flows, channel_shapes, waters, verdicts, within)
    return checked_table(table, "free_stream")


def make_streams(settings, network, placed, heads, stretches, waters, sites, fish_alive, within):
    """The ``streams`` layer."""
    table = streams_table(settings, network, placed, heads, stretches, waters, sites, fish_alive, within)
    return checked_table(table, "streams")


def make_totals(settings, inputs, reaches_table, district_lengths, sites_table, ranked_sites):
    """The ``totals`` layer."""
    simulations = ranked_sites.simulations
    table = totals_table(settings, inputs, reaches_table, district_lengths, sites_table, simulations)
    return checked_table(table, "totals")


def make_districts(settings, inputs, totals_table):
    """The ``districts`` layer."""
    return checked_table(districts_table(settings, inputs, totals_table), "districts", settings.run.crs)


def make_waterfall(settings, inputs, placed, verdicts, reaches_table, district_lengths):
    """The ``waterfall`` layer."""
    lengths = district_lengths if "districts" in inputs.layers else None
    return checked_table(waterfall_table(settings, placed, verdicts.held, reaches_table, lengths), "waterfall")


def make_reach_districts(reaches_table, district_lengths):
    """The ``reach_districts`` layer."""
    return checked_table(reach_districts_table(reaches_table, district_lengths), "reach_districts")


def make_fish_safe_gain(
    settings, inputs, placed, stretches, verdicts, fish_safety, reaches_table, district_lengths
):
    """The ``fish_safe_gain`` layer."""
    given = placed, stretches, verdicts, fish_safety, reaches_table, district_lengths
    return checked_table(fish_safe_gain_table(settings, inputs, *given), "fish_safe_gain")


def make_supply_curve(sites_table):
    """The ``supply_curve`` layer."""
    return checked_table(supply_curve_table(sites_table), "supply_curve")


def make_distributions(reaches_table, sites_table):
    """The ``distributions`` layer."""
    return checked_table(distributions_table(reaches_table, sites_table), "distributions")


def make_flow_equations(flows):
    """The ``flow_equations`` layer."""
    return checked_table(flow_equations_table(flows.equations), "flow_equations")


def make_least_heads(least_heads):
    """The ``least_heads`` layer."""
    return checked_table(least_heads[[column.name for column in LAYERS["least_heads"].columns]], "least_heads")


def make_repairs(
    settings,
    inputs,
    surface,
    network,
    placed,
    terrain,
    dem_seams,
    dem_errors,
    field_levels,
    heads,
    flows,
    channel_shapes,
    waters,
    falls,
):
    """The ``repairs`` layer: all that was mended or found doubtful, by what found it."""
    found = joined_repairs(
        input=[inputs.repairs, dem_errors.repairs, waters.repairs, flows.repairs],
        field=[field_levels.repairs, flows.measured, channel_shapes.repairs],
        network=[
            network.repairs,
            list_stream_doubts(settings, inputs, surface, network, placed, terrain, heads),
            falls.distant,
        ],
        terrain=[list_terrain_repairs(surface, terrain), list_seams(dem_seams)],
    )
    return checked_table(published_repairs(found, settings.rules), "repairs")


def make_provenance(settings, inputs, flows, repairs_table):
    """The ``provenance`` layer: inputs, settings that change results, the version, and the code of each step."""
    equations = flows.equations
    changed = repairs_table.groupby("layer").size().to_dict()
    rows = []
    for lineage in published_lineage(inputs.lineage, settings.rules):
        told = [lineage.get("crs", ""), lineage.get("operation", ""), lineage.get("features", "")]
        if lineage["name"] in changed:
            told.append(f"{changed[lineage['name']]} repairs")
        rows.append(
            {
                "kind": "input",
                "name": lineage["name"],
                "value": lineage["path"],
                "digest": lineage["digest"],
                **{key: lineage[key] for key in ("source", "date", "licence")},
                "note": "; ".join(part for part in told if part),
            }
        )
    statistics = [equation.statistic for equation in equations]
    for equation in equations:
        several = statistics.count(equation.statistic) > 1
        name = f"equation {equation.statistic}" + (f", {equation.region or 'elsewhere'}" if several else "")
        rows.append(_setting(name, equation.region or "", equation.source))
    if any(setting.preset for setting in settings.flows.reserve):
        for number, rule in enumerate(inputs.reserve, 1):
            rows.append(_setting(f"reserve rule {number}", rule.kind, rule.source))
    costs = inputs.costs
    rows.append(_setting("money", f"{costs.currency} of {costs.year}", "the cost file and costs.price_year"))
    for change in inputs.conversions:
        told = f"{change.money} × {change.factor:.4g} = {change.to_money}"
        rows.append(_setting(f"price level of {change.name}", told, change.source))
    given = _flat(settings.model_dump(exclude={"run": OF_THE_MACHINE, "delivery": True}))
    for key, value in published_settings(given, settings.rules):
        rows.append(_setting(key, str(value), ""))
    build = own_build()
    rows.append(
        {
            **_setting("sitefinder", build.version, ""),
            "kind": "version",
            "digest": build.commit,
            "note": build.note,
        }
    )
    for stage in STEPS:
        digest = digest_of_files(own_code().files_of(stage.functions))
        rows.append({**_setting(stage.name, digest[:12], ""), "kind": "stage", "digest": digest})
    columns = [column.name for column in LAYERS["provenance"].columns]
    return checked_table(pd.DataFrame(rows, columns=columns), "provenance")


def _setting(name, value, source):
    empty = dict.fromkeys(("digest", "date", "licence", "note"), "")
    return {"kind": "setting", "name": name, "value": value, "source": source, **empty}


# Settings as (key, value), the key as the user would write it; tiles and workers change no result and stay out.
def _flat(tables, prefix=""):
    for key, value in tables.items() if isinstance(tables, dict) else enumerate(tables, 1):
        name = f"{prefix}.{key}" if isinstance(tables, dict) and prefix else f"{prefix}[{key}]" if prefix else key
        if isinstance(value, dict) or (isinstance(value, list) and value and isinstance(value[0], dict)):
            yield from _flat(value, name)
        elif value is not None and name not in (
            "terrain.tile_rows",
            "terrain.tile_columns",
            "terrain.margin_cells",
        ):
            yield name, value
