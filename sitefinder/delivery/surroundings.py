"""What optional layers say of sites: water bodies, owners of the ground, water rights, connection to the grid."""

from typing import NamedTuple

import numpy as np
import pandas as pd
import shapely

from sitefinder.delivery.checking import checked_table
from sitefinder.hydrology.abstractions import KINDS, alterations_of
from sitefinder.hydrology.seasons import MONTHS
from sitefinder.schema import LAYERS, empty_table
from sitefinder.siting.grid import COLUMNS, FREE_KW, VOLTAGES, fits, left_at_substations
from sitefinder.siting.land import land_along_lines, land_at_points
from sitefinder.siting.water_body_status import bodies_of, bodies_used
from sitefinder.siting.water_rights import place_rights, rights_at_sites
from sitefinder.steps.conduits import lines_of
from sitefinder.vocabulary import (
    FLAG_VALUE,
    GRID_CAPACITY_EXCEEDED,
    GRID_CAPACITY_TOO_SMALL,
    GRID_VOLTAGE_UNFIT,
    IN_ONE_CELL,
    LAND_AT_INTAKE,
    LAND_AT_TAILRACE,
    LAND_OF_HEADRACE,
    LAND_OF_PENSTOCK,
    LAND_PLACES,
    MONTH_SEPARATOR,
    RIGHT_IN_DEPLETED,
    STATUS_MUST_NOT_FALL,
    WATER_RIGHT_IN_DEPLETED,
)


class OfSites(NamedTuple):
    """Columns of ``sites`` by name, each an array of shape (n,), and for each site its flags, "" for none."""

    columns: dict
    flags: list


def water_bodies_of_sites(inputs, river_parts, stretches, candidates):
    """Water bodies that sites use, with their status, and the flag of those whose status must not fall.

    Parameters
    ----------
    inputs, river_parts, stretches
        Results of the stages of those names.
    candidates : ndarray of int, shape (n,)
        Number of each site among all candidates.

    Returns
    -------
    OfSites
        Empty texts without the layer.
    """
    count = len(candidates)
    ids, statuses = np.full(count, "", dtype=object), np.full(count, "", dtype=object)
    flags = [""] * count
    if "water_bodies" in inputs.layers and count:
        bodies = bodies_of(inputs.layers["water_bodies"].frame)
        for site, numbers in enumerate(bodies_used(river_parts.water_body, stretches, candidates)):
            own = bodies.iloc[numbers]
            ids[site] = _in_one_cell(own["water_body_id"])
            # Where no status is stated at all, no row of separators.
            statuses[site] = _in_one_cell(own["status"]) if (own["status"] != "").any() else ""
            kept = own[own["must_not_fall"].to_numpy(dtype=bool)]
            values = [
                _without_separator(f"{name or identity} ({status})")
                for name, identity, status in zip(kept["name"], kept["water_body_id"], kept["status"], strict=True)
            ]
            flags[site] = f"{STATUS_MUST_NOT_FALL.name}{FLAG_VALUE}{', '.join(values)}" if values else ""
    return OfSites({"water_body_id": ids, "water_body_status": statuses}, flags)


def find_site_land(settings, inputs, stationing, conduits, ranked_sites):
    """Classes of owners of the ground at both ends of each site, and along its conduit.

    Parameters are the results of the stages of those names.

    Returns
    -------
    DataFrame
        As `sitefinder.schema` declares ``site_land``, by rank and in the order of the water; empty without
        parcels.
    """
    order = ranked_sites.order
    if "parcels" not in inputs.layers or not len(order):
        return empty_table("site_land")
    parcels, within_m = inputs.layers["parcels"].frame, settings.inputs.parcels.within_m
    stations = stationing.stations
    parts = []
    for place, end in ((LAND_AT_INTAKE, "intake"), (LAND_AT_TAILRACE, "tailrace")):
        at = stations.iloc[order[end].to_numpy(dtype=np.int64)]
        points = shapely.points(at["x_m"].to_numpy(), at["y_m"].to_numpy())
        parts.append(land_at_points(points, parcels, within_m).assign(place=place, length_m=np.nan))
    candidates = ranked_sites.kept[order["row"].to_numpy(dtype=np.int64)].tolist()
    lines = [lines_of(conduits, row) for row in candidates]
    for place in (LAND_OF_HEADRACE, LAND_OF_PENSTOCK):
        with_one = np.array([site for site, own in enumerate(lines) if place in own], dtype=np.int64)
        if len(with_one):
            drawn = np.array([lines[site][place] for site in with_one], dtype=object)
            found = land_along_lines(drawn, parcels)
            parts.append(found.assign(place=place, site=with_one[found["site"].to_numpy(dtype=np.int64)]))
    # Sites by rank, parts in the order of the water, and within a part as they were found.
    table = pd.concat(parts, ignore_index=True)
    table = table.assign(where=table["place"].map(LAND_PLACES.index)).sort_values(["site", "where"], kind="stable")
    own = order.iloc[table["site"].to_numpy(dtype=np.int64)]
    table = table.assign(site_id=own["site_id"].to_numpy(), rank=own["rank"].to_numpy()).reset_index(drop=True)
    return table[[column.name for column in LAYERS["site_land"].columns]]


def make_site_land(site_land):
    """The ``site_land`` layer."""
    return checked_table(site_land, "site_land")


def owners_of_sites(land, site_ids):
    """Classes of owners as columns of ``sites``.

    Parameters
    ----------
    land : DataFrame
        Layer ``site_land``.
    site_ids : Series of str, shape (n,)

    Returns
    -------
    dict of str to ndarray of str, shape (n,)
        ``intake_owner``, ``tailrace_owner`` and ``conduit_owner``.
    """
    columns = {}
    for name, place in (("intake_owner", LAND_AT_INTAKE), ("tailrace_owner", LAND_AT_TAILRACE)):
        classes = land[land["place"] == place].groupby("site_id", sort=False)["owner_class"].agg(IN_ONE_CELL.join)
        columns[name] = _by_id(classes, site_ids)
    along = land[land["place"].isin([LAND_OF_HEADRACE, LAND_OF_PENSTOCK])]
    metres = along.groupby(["site_id", "owner_class"], sort=False)["length_m"].sum().reset_index()
    metres = metres.sort_values("length_m", ascending=False, kind="stable")
    metres["text"] = [
        f"{kind} {length:.0f} m" for kind, length in zip(metres["owner_class"], metres["length_m"], strict=True)
    ]
    texts = metres.groupby("site_id", sort=False)["text"].agg(IN_ONE_CELL.join)
    columns["conduit_owner"] = _by_id(texts, site_ids)
    return columns


def find_site_water_rights(settings, inputs, stationing, stretches, ranked_sites):
    """Existing water rights that sites touch, or that lie below them.

    Parameters are the results of the stages of those names.

    Returns
    -------
    DataFrame
        As `sitefinder.schema` declares ``site_water_rights``, by rank and downstream; empty without the layer.
    """
    order = ranked_sites.order
    if "abstractions" not in inputs.layers or not len(order):
        return empty_table("site_water_rights")
    frame = inputs.layers["abstractions"].frame
    alterations = alterations_of(frame, "abstractions")
    station, share_above = place_rights(
        frame.geometry.to_numpy(), stationing.segments, settings.stretches.structure_snap_m
    )
    candidates = ranked_sites.kept[order["row"].to_numpy(dtype=np.int64)]
    found = rights_at_sites(
        stretches, candidates, stationing.stations, station, share_above, settings.inputs.abstractions.downstream_m
    )
    own = frame.iloc[found["right"].to_numpy(dtype=np.int64)].reset_index(drop=True)
    when = alterations.iloc[found["right"].to_numpy(dtype=np.int64)].reset_index(drop=True)
    sites = order.iloc[found["site"].to_numpy(dtype=np.int64)].reset_index(drop=True)
    table = pd.DataFrame(
        {
            "site_id": sites["site_id"],
            "rank": sites["rank"],
            "position": found.groupby("site").cumcount() + 1,
            "right_id": own["feature_id"].astype("str"),
            "licence": own["licence"],
            "name": own["feature_name"],
            "kind": own["kind"],
            "relation": found["relation"],
            "distance_m": found["distance_m"].astype(np.float64),
            "flow_m3s": own["flow_m3s"].astype(np.float64),
            "share_of_time": when["share_of_time"].astype(np.float64),
            "months": [
                "" if len(months) == len(MONTHS) else MONTH_SEPARATOR.join(map(str, months))
                for months in when["months"]
            ],
            "seniority": own["seniority"],
        }
    )
    return (
        table[[column.name for column in LAYERS["site_water_rights"].columns]]
        if len(table)
        else (empty_table("site_water_rights"))
    )


def make_site_water_rights(site_water_rights):
    """The ``site_water_rights`` layer."""
    return checked_table(site_water_rights, "site_water_rights")


def water_rights_of_sites(inputs, rights, site_ids):
    """Number and flow of the rights of each site, and the flag of those in its depleted reach.

    Parameters
    ----------
    inputs
        Result of that stage.
    rights : DataFrame
        Layer ``site_water_rights``.
    site_ids : Series of str, shape (n,)

    Returns
    -------
    OfSites
    """
    if "abstractions" not in inputs.layers:
        nothing = pd.array([pd.NA] * len(site_ids), dtype="Int64")
        return OfSites({"water_rights": nothing, "depleted_rights_m3s": np.nan}, [""] * len(site_ids))
    counts = rights.groupby("site_id", sort=False).size().to_dict()
    takes = rights["kind"].map(KINDS).to_numpy(dtype=np.float64) > 0
    own = rights[takes & (rights["relation"] == RIGHT_IN_DEPLETED.name).to_numpy(dtype=bool)]
    flows = own.groupby("site_id", sort=False)["flow_m3s"].sum().to_dict()
    licences = own.groupby("site_id", sort=False)["licence"].agg(lambda each: ", ".join(dict.fromkeys(each)))
    values = _by_id(licences, site_ids)
    flags = [
        f"{WATER_RIGHT_IN_DEPLETED.name}{FLAG_VALUE}{_without_separator(value)}" if value else ""
        for value in values
    ]
    columns = {
        "water_rights": pd.array([counts.get(site, 0) for site in site_ids], dtype="Int64"),
        "depleted_rights_m3s": np.array([flows.get(site, 0.0) for site in site_ids], dtype=np.float64),
    }
    return OfSites(columns, flags)


def grid_of_sites(settings, order):
    """What sites connect to, and the flags of those for which voltage or free capacity do not suffice.

    Parameters
    ----------
    settings
        Result of that stage.
    order : DataFrame, n rows
        Sites by rank, with ``power_kw`` and, where the layers are there, the columns of
        `sitefinder.siting.grid.connections`.

    Returns
    -------
    OfSites
        Columns are empty and NaN without the layers.
    """
    count, nothing = len(order), np.full(len(order), np.nan)
    if "substation_id" not in order:
        columns = dict.fromkeys(("connection_kv", "substation_distance_m", "substation_free_kw"), nothing)
        more = {"substation_id": np.full(count, "", dtype=object), "substation_left_kw": nothing}
        return OfSites(columns | more, [""] * count)
    columns = {name: order[name].to_numpy() for name in COLUMNS if name != "line_distance_m"}
    power_kw, free_kw = (order[name].to_numpy(dtype=np.float64) for name in ("power_kw", "substation_free_kw"))
    left_kw = left_at_substations(order["substation_id"], free_kw, power_kw)
    kv = order["connection_kv"].to_numpy(dtype=np.float64)
    is_unfit = ~fits(kv, power_kw, settings.grid.connections)
    flags = []
    for site, substation in enumerate(order["substation_id"]):
        own, name = [], _without_separator(substation)
        if power_kw[site] > free_kw[site]:
            own.append(f"{GRID_CAPACITY_TOO_SMALL.name}{FLAG_VALUE}{name}, {free_kw[site]:.0f} kW free")
        elif left_kw[site] < 0:
            own.append(f"{GRID_CAPACITY_EXCEEDED.name}{FLAG_VALUE}{name}, {-left_kw[site]:.0f} kW too much")
        own += [f"{GRID_VOLTAGE_UNFIT.name}{FLAG_VALUE}{kv[site]:g} kV"] if is_unfit[site] else []
        flags.append(IN_ONE_CELL.join(own))
    return OfSites(columns | {"substation_left_kw": left_kw}, flags)


def make_substations(inputs, sites_table):
    """The ``substations`` layer: each substation with the sites that are nearest to it."""
    if "substations" not in inputs.layers:
        return empty_table("substations")
    frame = pd.DataFrame(inputs.layers["substations"].frame)
    own = frame[~frame["feature_id"].duplicated()].reset_index(drop=True)
    at = sites_table.groupby("substation_id")
    ids = own["feature_id"].astype(str)
    power_kw = ids.map(at["power_kw"].sum().to_dict()).astype(np.float64).fillna(0.0)
    beyond = sites_table[sites_table["substation_left_kw"] < 0].groupby("substation_id").size().to_dict()
    table = pd.DataFrame(
        {
            "substation_id": ids,
            "name": own["feature_name"],
            "voltages_kv": own[VOLTAGES],
            "free_kw": own[FREE_KW],
            "sites": [at.size().to_dict().get(each, 0) for each in ids],
            "power_kw": power_kw,
            "left_kw": own[FREE_KW] - power_kw,
            "sites_beyond": [beyond.get(each, 0) for each in ids],
        }
    )
    return checked_table(table, "substations")


# Texts of sites by their ids, "" for those that have none.
def _by_id(texts, site_ids):
    return np.array([*map(texts.to_dict().get, site_ids, [""] * len(site_ids))], dtype=object)


# Several texts in one cell, and a text that may stand in such a cell: the sign between them is in none.
def _in_one_cell(texts):
    return IN_ONE_CELL.join(_without_separator(text) for text in texts)


def _without_separator(text):
    return str(text).replace(IN_ONE_CELL.strip(), ",")
