"""Totals of each stream: what sites and plants use of it, and what they leave of the fish on their way."""

import numpy as np
import pandas as pd

from sitefinder.schema import LAYERS
from sitefinder.schema.vocabulary import schemes_that
from sitefinder.stages.fish_ways import published_spawning
from sitefinder.streams.stations import place_names, without_repeats


def streams_table(settings, network, placed, heads, stretches, waters, sites, alive, within):
    """Length in use, power, energy and fish of each stream of the region.

    Parameters
    ----------
    settings, network, placed, heads, stretches, waters, sites
        Results of the stages of those names.
    alive : sitefinder.stages.fish_ways.FishAlive
    within : ndarray of bool
        True for reaches of the region.

    Returns
    -------
    DataFrame
        As `sitefinder.schema` declares ``streams``, in the order of the network. Links of one name that run into
        one another are one stream, and so are links without a name.
    """
    stations, links = placed.stations, network.links
    stream = _streams_of_links(links)[stations["link"].to_numpy()]
    count = len(links)
    segment_m, reach = stations["segment_length_m"].to_numpy(), stations["reach"].to_numpy()
    inside = np.append(np.asarray(within, dtype=bool), False)[reach]
    diverted_m, ponded_m = used_metres(stretches, sites.offers.chosen, segment_m, heads.profile_m)

    def summed(metres):
        return np.bincount(stream, weights=metres, minlength=count)

    picked = np.flatnonzero(sites.offers.chosen)
    own = stream[stretches.table["tailrace"].to_numpy(dtype=np.int64)[picked]]
    valued = sites.offers.valued.iloc[picked]
    worst = _worst_of_streams(stream, alive, inside, count)
    known = worst >= 0
    mouth = np.arange(count)
    names = place_names(network.parts, mouth, links["length_m"].to_numpy())["name"]
    table = pd.DataFrame(
        {
            "stream_id": names,
            "stream": links["stream"],
            "length_m": summed(segment_m * inside),
            "developed_m": summed(segment_m * (waters.developed & inside)),
            "diverted_m": summed(diverted_m),
            "ponded_m": summed(ponded_m),
            "sites": np.bincount(own, minlength=count),
            "power_kw": np.bincount(own, weights=valued["power_kw"], minlength=count),
            "energy_mwh": np.bincount(own, weights=valued["energy_mwh"], minlength=count),
            "spawning_m": published_spawning(settings, summed(alive.spawning_m * inside)),
            "plants_on_the_way": pd.array(np.where(known, alive.plants[worst], -1), dtype="Int64"),
            "least_survival": np.where(known, alive.survival[worst], np.nan),
        }
    )
    table["plants_on_the_way"] = table["plants_on_the_way"].mask(~known)
    shown = table[["length_m", "diverted_m", "ponded_m", "sites"]].sum(axis=1) > 0
    table = table[shown].reset_index(drop=True)
    table["stream_id"] = without_repeats(table["stream_id"].tolist())
    return table[[column.name for column in LAYERS["streams"].columns]]


def used_metres(stretches, chosen, segment_length_m, profile_m):
    """Metres of each station's segment that chosen sites divert and pond.

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
        if site["layout"] in diverting:
            diverted_m[way] += segment_length_m[way]
        crest_m = profile_m[int(site["intake"])] + site["weir_height_m"]
        pond = pond[segment_length_m[pond] > 0]
        # The segment of a station begins at the station before it.
        rise_m, depth_m = profile_m[pond - 1] - profile_m[pond], crest_m - profile_m[pond]
        part = np.divide(depth_m, rise_m, out=np.ones(len(pond)), where=rise_m > depth_m)
        ponded_m[pond] += part * segment_length_m[pond]
    return diverted_m, ponded_m


# For each link the lowest link of its stream: the last that the same name leads to.
def _streams_of_links(links):
    name = links["stream"].fillna("").to_numpy(dtype=object)
    below = links["downstream_link"].to_numpy()
    stream = np.arange(len(links))
    for link in range(len(links) - 1, -1, -1):  # from the outlets up
        if below[link] >= 0 and name[below[link]] == name[link]:
            stream[link] = stream[below[link]]
    return stream


# The spawning ground from which least fish come down among those whose way leads through each stream; -1 for none.
def _worst_of_streams(stream, alive, inside, count):
    through = pd.DataFrame({"stream": stream, "worst": alive.worst, "survival": alive.survival[alive.worst]})
    through = through[(alive.worst >= 0) & inside].sort_values(["survival", "worst"], kind="stable")
    first = through.drop_duplicates("stream")
    worst = np.full(count, -1)
    worst[first["stream"]] = first["worst"]
    return worst
