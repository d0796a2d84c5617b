"""Reaches of the delivery, with the districts, features of the user's and rules that they meet."""

import geopandas
import numpy as np
import pandas as pd
import shapely

from sitefinder.delivery.checking import checked_table
from sitefinder.delivery.decision_table import columns_of_reaches
from sitefinder.energy.plant import hydraulic_power_kw
from sitefinder.network.stations import features_of_reaches
from sitefinder.profile.errors import head_standard_error
from sitefinder.rules.confidentiality import doubt_text, held_text, published_hits
from sitefinder.rules.overlaps import hits_by_reach
from sitefinder.schema import LAYERS
from sitefinder.siting.access import in_region, lengths_by_district
from sitefinder.steps.flags import covered_percent, flag_texts, flags_of_reaches
from sitefinder.steps.network import unresolved_reaches
from sitefinder.steps.selection import with_fish
from sitefinder.steps.trial import places_in
from sitefinder.units import METRES_PER_KILOMETRE
from sitefinder.vocabulary import HEAD_NOT_RESOLVED, RATING


def reach_districts_table(reaches, lengths):
    """Length of each reach in each district.

    Parameters
    ----------
    reaches : GeoDataFrame
        The delivered reaches.
    lengths : DataFrame
        See `sitefinder.siting.access.lengths_by_district`.

    Returns
    -------
    DataFrame
        As `sitefinder.schema` declares ``reach_districts``.
    """
    names = reaches["reach_id"].to_numpy()[lengths["reach"].to_numpy()]
    return lengths.assign(reach_id=names)[[column.name for column in LAYERS["reach_districts"].columns]]


def reach_features_table(settings, network, stationing, reaches):
    """The user's features along each delivered reach, also along those that were set aside.

    Parameters
    ----------
    settings : sitefinder.settings.Settings
    network : sitefinder.network.topology.Network
    stationing : sitefinder.network.stations.Stationing
    reaches : GeoDataFrame
        The delivered reaches.

    Returns
    -------
    DataFrame
        As `sitefinder.schema` declares ``reach_features``.
    """
    found = features_of_reaches(stationing.reaches, network.parts)
    found["reach_id"] = stationing.reaches["reach_id"].to_numpy()[found["reach"].to_numpy()]
    unresolved = unresolved_reaches(settings, network, stationing)
    whole_m = pd.concat([stationing.reaches, unresolved], ignore_index=True).set_index("reach_id")["length_m"]
    if len(unresolved):
        length_m = unresolved["length_m"].to_numpy()
        found = pd.concat([found, pd.DataFrame(unresolved).assign(from_m=0.0, to_m=length_m)], ignore_index=True)
    found["length_m"] = found["to_m"] - found["from_m"]
    found["share"] = found["length_m"] / whole_m[found["reach_id"]].to_numpy()
    found = found[found["reach_id"].isin(reaches["reach_id"])].reset_index(drop=True)
    return found[[column.name for column in LAYERS["reach_features"].columns]]


def make_reaches(
    settings,
    inputs,
    network,
    stationing,
    catchments,
    heads,
    flows,
    field_levels,
    channel_shapes,
    quality_flags,
    verdicts,
    decisions,
    sites,
    fish_alive,
    within,
    trial,
):
    """The ``reaches`` layer: every reach of the region with its figures, verdict and reasons.

    Parameters are the results of the stages of those names; `within` is True for reaches of the region,
    `fish_alive` the passage survival given the sites.
    """
    reaches = stationing.reaches.copy()
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
    reaches = reaches.assign(**_hydraulics(settings, field_levels, channel_shapes.shapes, lower))
    reaches["theoretical_kw"] = hydraulic_power_kw(reaches["flow_mean_m3s"], reaches["head_m"])
    reaches["power_density_kw_per_km"] = reaches["theoretical_kw"] / (reaches["length_m"] / METRES_PER_KILOMETRE)
    reaches = pd.concat([reaches, verdicts.reaches], axis=1)
    reaches = reaches.assign(**columns_of_reaches(decisions, len(reaches)))
    reaches["rejection_reason"] = sites.rejection
    reaches = with_fish(settings, stationing, fish_alive, reaches)
    reaches["flags"] = _flags(settings, stationing, flows, quality_flags, reaches)
    unresolved = unresolved_reaches(settings, network, stationing)
    if len(unresolved):
        reaches = pd.concat([reaches, unresolved], ignore_index=True)
        middles = _middles(unresolved)
        shown = places_in(trial, middles["x_m"].to_numpy(), middles["y_m"].to_numpy())
        within = np.append(within, in_region(middles, inputs) & shown)
    lengths = find_district_lengths(inputs, reaches)
    maximum = lengths.sort_values(["reach", "length_m"], ascending=[True, False], kind="stable")
    reaches["district"] = maximum.drop_duplicates("reach")["district"].to_numpy()
    columns = [column.name for column in LAYERS["reaches"].columns]
    frame = geopandas.GeoDataFrame(reaches[columns], geometry=reaches["geometry"].to_numpy(), crs=settings.run.crs)
    return checked_table(frame[within], "reaches", settings.run.crs)


# Width, depth and velocity at mean flow at stations, and how they are found.
def _hydraulics(settings, field_levels, shapes, stations):
    method = shapes.method
    if settings.tailwater.method != "none":
        for rating in field_levels.ratings:
            method[rating.stations] = RATING
    at_mean = shapes.at(stations, shapes.mean_m3s[stations][:, None])
    found = {name: part[:, 0] for name, part in zip(("width_m", "depth_m", "speed_m_s"), at_mean, strict=True)}
    method[np.isnan(shapes.depth_m)] = ""
    return {"hydraulics_method": method[stations], "water_slope": shapes.slope[stations], **found}


# Middle of each reach, as columns x_m and y_m.
def _middles(reaches):
    middle = shapely.line_interpolate_point(reaches["geometry"].to_numpy(), 0.5, normalized=True)
    return pd.DataFrame({"x_m": shapely.get_x(middle), "y_m": shapely.get_y(middle)})


def _flags(settings, stationing, flows, quality_flags, reaches):
    resolved = reaches["head_m"] >= settings.heads.resolved_standard_errors * reaches["head_se_m"]
    kinds = {HEAD_NOT_RESOLVED.name: ~resolved.to_numpy(), **flags_of_reaches(quality_flags, stationing)}
    return flag_texts(kinds, flows.estimate.flags, reaches["last_station"])


def find_district_lengths(inputs, reaches_table):
    """Length of each reach in each district, see `sitefinder.siting.access.lengths_by_district`."""
    districts = inputs.layers["districts"].frame if "districts" in inputs.layers else None
    return lengths_by_district(geopandas.GeoDataFrame(geometry=reaches_table["geometry"].to_numpy()), districts)


def make_rule_hits(settings, stationing, rule_overlaps, verdicts, within):
    """The ``rule_hits`` layer: reaches with the features that affect them, as far as rules allow publication."""
    hits = hits_by_reach(rule_overlaps) if len(rule_overlaps) else rule_overlaps
    reach = hits["reach"].to_numpy(dtype=np.int64)
    number = pd.Index([rule.name for rule in settings.rules]).get_indexer(hits["rule"])
    actions = {rule.name: rule.action for rule in settings.rules}
    hits = hits.assign(
        reach_id=stationing.reaches["reach_id"].to_numpy()[reach],
        action=hits["rule"].map(actions),
        doubt=doubt_text(hits),
        holds=held_text(verdicts.held, number, reach),
    )
    columns = [column.name for column in LAYERS["rule_hits"].columns]
    within_reach = hits.loc[within[reach], ["reach", *columns]].reset_index(drop=True)
    return checked_table(published_hits(within_reach, settings.rules, stationing.reaches)[columns], "rule_hits")


def make_reach_features(settings, network, stationing, reaches_table):
    """The ``reach_features`` layer."""
    return checked_table(reach_features_table(settings, network, stationing, reaches_table), "reach_features")


def make_reach_districts(reaches_table, district_lengths):
    """The ``reach_districts`` layer."""
    return checked_table(reach_districts_table(reaches_table, district_lengths), "reach_districts")
