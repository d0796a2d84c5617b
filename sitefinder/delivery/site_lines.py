"""Sites on the map: their stretches, conduits and catchments, and the profiles along them."""

import geopandas
import numpy as np
import pandas as pd
import shapely

from sitefinder.delivery.checking import checked_layer, checked_table
from sitefinder.io.catchment_polygons import catchment_polygons
from sitefinder.network.ordering import main_upstream
from sitefinder.network.stations import without_repeats
from sitefinder.schema import LAYERS, empty_table, is_scheme_that
from sitefinder.siting.profiles import long_profile, path_down, path_with_context
from sitefinder.steps.conduits import lines_of
from sitefinder.units import SQUARE_METRES_PER_SQUARE_KILOMETRE

# Extent of a site's profile upstream of the intake and downstream of the tailrace [m] (own choice: half a reach).
CONTEXT_M = 250.0
# Blocks an alternative that only ``fish.min_passage_survival`` rejects.
KEPT_OUT = "passage survival"


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
    return checked_layer(table, "stretches", lines, settings.run.crs)


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
    return checked_layer(pd.DataFrame(pieces), "conduits", lines, settings.run.crs)


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
