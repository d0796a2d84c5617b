"""What plants and sites do to each stream and each water body: tables of the delivery."""

import numpy as np
import pandas as pd

from sitefinder.delivery.checking import checked_table
from sitefinder.network.stations import place_names, without_repeats
from sitefinder.schema import LAYERS, empty_table
from sitefinder.siting.structures import NOT_BARRIERS
from sitefinder.siting.water_body_status import CAPS, bodies_of, bodies_used
from sitefinder.steps.selection import published_spawning
from sitefinder.steps.water_bodies import STEP_KIND
from sitefinder.units import METRES_PER_KILOMETRE
from sitefinder.vocabulary import schemes_that


def streams_table(
    settings,
    network,
    stationing,
    heads,
    stretches,
    water_bodies,
    river_parts,
    sites,
    delivered_sites,
    order,
    alive,
    within,
):
    """Developed length, capacity, energy and fish passage of each stream of the region.

    Parameters
    ----------
    settings, network, stationing, heads, stretches, water_bodies, river_parts, sites, delivered_sites
        Results of the stages of those names.
    order : DataFrame
        Of `sitefinder.delivery.site_tables.RankedSites`.
    alive : sitefinder.steps.selection.FishAlive
    within : ndarray of bool
        True for reaches of the region.

    Returns
    -------
    DataFrame
        As `sitefinder.schema` declares ``streams``, in the order of the network. Connected links of one name are
        one stream, and so are connected links without a name.
    """
    stations, links = stationing.stations, network.links
    stream = river_parts.stream
    count = len(links)
    segment_m, reach = stations["segment_length_m"].to_numpy(), stations["reach"].to_numpy()
    inside = np.append(np.asarray(within, dtype=bool), False)[reach]
    diverted_m, ponded_m = used_metres(stretches, sites.offers.chosen, segment_m, heads.profile_m)

    def summed(metres):
        return np.bincount(stream, weights=metres, minlength=count)

    picked, ranked = delivered_sites.picked, order.sort_values("row")
    own = stream[stretches.table["tailrace"].to_numpy(dtype=np.int64)[picked]]
    whole_m, used_m = summed(segment_m), summed(diverted_m + segment_m * water_bodies.developed)
    plants = np.bincount(own, minlength=count) + summed(water_bodies.plants_entered)
    worst = _worst_of_streams(stream, alive, inside, count)
    known = worst >= 0
    barriers = barriers_of_streams(water_bodies.structures, stream, inside, count)
    weirs = stretches.table["intake"].to_numpy(dtype=np.int64)[picked[ranked["new_barrier"].to_numpy(dtype=bool)]]
    new_barriers = np.bincount(stream[weirs], minlength=count)
    length_km = summed(segment_m * inside) / METRES_PER_KILOMETRE
    per_km = np.divide(barriers + new_barriers, length_km, out=np.full(count, np.nan), where=length_km > 0)
    mouth = np.arange(count)
    names = place_names(network.parts, mouth, links["length_m"].to_numpy())["name"]
    table = pd.DataFrame(
        {
            "stream_id": names,
            "stream": links["stream"],
            "length_m": summed(segment_m * inside),
            "developed_m": summed(segment_m * (water_bodies.developed & inside)),
            "diverted_m": summed(diverted_m),
            "ponded_m": summed(ponded_m),
            "depleted_share": _over(used_m, whole_m),
            "plants_per_km": _over(plants, whole_m / METRES_PER_KILOMETRE),
            "barriers": barriers,
            "new_barriers": new_barriers,
            "barriers_per_km": per_km,
            "sites": np.bincount(own, minlength=count),
            "power_kw": np.bincount(own, weights=ranked["power_kw"], minlength=count),
            "energy_mwh": np.bincount(own, weights=ranked["energy_mwh"], minlength=count),
            "spawning_m": published_spawning(settings, summed(alive.spawning_m * inside)),
            "plants_on_migration_path": pd.array(np.where(known, alive.plants[worst], -1), dtype="Int64"),
            "min_survival": np.where(known, alive.survival[worst], np.nan),
        }
    )
    table["plants_on_migration_path"] = table["plants_on_migration_path"].mask(~known)
    shown = table[["length_m", "diverted_m", "ponded_m", "sites"]].sum(axis=1) > 0
    table = table[shown].reset_index(drop=True)
    table["stream_id"] = without_repeats(table["stream_id"].tolist())
    return table[[column.name for column in LAYERS["streams"].columns]]


# One figure over another; nothing over nothing is nothing.
def _over(figure, whole):
    return np.divide(figure, whole, out=np.zeros(len(whole)), where=whole > 0)


def water_bodies_table(
    settings, inputs, stationing, heads, stretches, water_bodies, river_parts, sites, delivered_sites, order
):
    """What existing plants and sites do in each water body of the user's layer.

    Parameters are the results of the stages of those names; `order` is of
    `sitefinder.delivery.site_tables.RankedSites`.

    Returns
    -------
    DataFrame
        As `sitefinder.schema` declares ``water_bodies``; empty without that layer.
    """
    if "water_bodies" not in inputs.layers:
        return empty_table("water_bodies")
    bodies = bodies_of(inputs.layers["water_bodies"].frame)
    count, part = len(bodies), river_parts.water_body
    segment_m = stationing.stations["segment_length_m"].to_numpy()
    diverted_m, ponded_m = used_metres(stretches, sites.offers.chosen, segment_m, heads.profile_m)

    def summed(metres):
        return np.bincount(part[part >= 0], weights=metres[part >= 0], minlength=count)

    def counted(stations, weights=None):
        own = part[stations] >= 0
        return np.bincount(part[stations][own], None if weights is None else weights[own], minlength=count)

    length_m, developed_m, diverted_m = map(summed, (segment_m, segment_m * water_bodies.developed, diverted_m))
    picked, ranked = delivered_sites.picked, order.sort_values("row")
    tailrace, intake = (stretches.table[end].to_numpy(dtype=np.int64)[picked] for end in ("tailrace", "intake"))
    barriers = barriers_of_streams(water_bodies.structures, part, part >= 0, count)
    new_barriers = counted(intake[ranked["new_barrier"].to_numpy(dtype=bool)])
    using = [number for numbers in bodies_used(part, stretches, picked) for number in numbers]
    table = bodies.assign(
        length_m=length_m,
        developed_m=developed_m,
        diverted_m=diverted_m,
        ponded_m=summed(ponded_m),
        depleted_share=_over(developed_m + diverted_m, length_m),
        plants=counted(np.flatnonzero(water_bodies.plants_entered)),
        barriers=barriers,
        sites=counted(tailrace),
        new_barriers=new_barriers,
        sites_using=np.bincount(np.array(using, dtype=np.int64), minlength=count),
        barriers_per_km=np.divide(
            (barriers + new_barriers) * METRES_PER_KILOMETRE,
            length_m,
            out=np.full(count, np.nan),
            where=length_m > 0,
        ),
        power_kw=counted(tailrace, ranked["power_kw"].to_numpy(dtype=np.float64)),
        energy_mwh=counted(tailrace, ranked["energy_mwh"].to_numpy(dtype=np.float64)),
        **{name: pd.array(_caps(settings, name, bodies[name]), dtype="Int64") for name in CAPS.values()},
    )
    return table[[column.name for column in LAYERS["water_bodies"].columns]]


# Caps of water bodies, their own or those of the settings; NULL without either.
def _caps(settings, name, own):
    usual = getattr(settings.ranking, f"{name}_per_water_body")
    return [usual if np.isnan(cap) else int(cap) for cap in own]


def barriers_of_streams(structures, stream, inside, count):
    """Number of existing weirs and other drops that hold water on each stream, without natural falls.

    Parameters
    ----------
    structures : DataFrame
        Of the stage ``water_bodies``; what has been removed counts no more.
    stream : ndarray of int64, shape (n,)
        Stream of each station.
    inside : ndarray of bool, shape (n,)
        Stations inside the region.
    count : int
        Number of streams.

    Returns
    -------
    ndarray of int64, shape (count,)
    """
    kind = structures["kind"].astype(str).str.strip().str.lower()
    station = structures["station"].to_numpy(dtype=np.int64)
    holds = (~kind.isin([*NOT_BARRIERS, STEP_KIND])).to_numpy(dtype=bool) & (station >= 0)
    station = station[holds & ~structures["removed"].to_numpy(dtype=bool)]
    return np.bincount(stream[station[inside[station]]], minlength=count)


def used_metres(stretches, chosen, segment_length_m, profile_m):
    """Length of each station's segment that selected sites deplete and pond.

    Parameters
    ----------
    stretches : Stretches
    chosen : ndarray of bool, shape (m,)
    segment_length_m, profile_m : ndarray of float64, shape (n,)

    Returns
    -------
    diverted_m, ponded_m : ndarray of float64, shape (n,)
        [m]. A pond ends within a segment where the profile reaches its crest.
    """
    diverted_m, ponded_m = np.zeros(len(segment_length_m)), np.zeros(len(segment_length_m))
    diverting = schemes_that("diverts")
    for row in np.flatnonzero(chosen).tolist():
        site = stretches.table.iloc[row]
        way, pond = np.split(
            stretches.taken[stretches.start[row] : stretches.start[row + 1]],
            [stretches.pond_start[row] - stretches.start[row]],
        )
        if site["scheme_type"] in diverting:
            diverted_m[way] += segment_length_m[way]
        crest_m = profile_m[int(site["intake"])] + site["weir_height_m"]
        pond = pond[segment_length_m[pond] > 0]
        # The segment of a station begins at the station before it.
        rise_m, depth_m = profile_m[pond - 1] - profile_m[pond], crest_m - profile_m[pond]
        part = np.divide(depth_m, rise_m, out=np.ones(len(pond)), where=rise_m > depth_m)
        ponded_m[pond] += part * segment_length_m[pond]
    return diverted_m, ponded_m


# Spawning ground with the minimum passage survival of all whose migration path uses each stream; -1 if none.
def _worst_of_streams(stream, alive, inside, count):
    through = pd.DataFrame({"stream": stream, "worst": alive.worst, "survival": alive.survival[alive.worst]})
    through = through[(alive.worst >= 0) & inside].sort_values(["survival", "worst"], kind="stable")
    first = through.drop_duplicates("stream")
    worst = np.full(count, -1)
    worst[first["stream"]] = first["worst"]
    return worst


def make_water_bodies(
    settings,
    inputs,
    stationing,
    heads,
    stretches,
    water_bodies,
    river_parts,
    sites,
    delivered_sites,
    ranked_sites,
    trial,
):
    """The ``water_bodies`` layer; of a trial those with a reach in its part."""
    data = settings, inputs, stationing, heads, stretches, water_bodies, river_parts, sites, delivered_sites
    table = water_bodies_table(*data, ranked_sites.order)
    if trial is not None:
        shown = np.append(trial.reaches, False)[stationing.stations["reach"].to_numpy()]
        table = table[np.isin(np.arange(len(table)), river_parts.water_body[shown])].reset_index(drop=True)
    return checked_table(table, "water_bodies")


def make_streams(
    settings,
    network,
    stationing,
    heads,
    stretches,
    water_bodies,
    river_parts,
    sites,
    delivered_sites,
    ranked_sites,
    fish_alive,
    within,
):
    """The ``streams`` layer."""
    data = (settings, network, stationing, heads, stretches, water_bodies, river_parts, sites, delivered_sites)
    return checked_table(streams_table(*data, ranked_sites.order, fish_alive, within), "streams")
