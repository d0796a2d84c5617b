"""Long profiles cut from a run's results: of each site with its surroundings, and of any way down."""

import numpy as np

from sitefinder.siting.long_profiles import long_profile, way_around, way_down
from sitefinder.stages.choice import site_ids
from sitefinder.streams.stations import place_names
from sitefinder.streams.tree import main_upstream

# How far above the intake and below the tailrace a site's profile reaches [m] (own choice: half a reach).
CONTEXT_M = 250.0


def site_profiles(network, placed, heads, waters, stretches, sites, context_m=CONTEXT_M):
    """The long profile of each chosen site, with what lies above and below.

    Parameters
    ----------
    network, placed, heads, waters, stretches, sites
        Results of the stages of those names.
    context_m : float
        How far the profile reaches above the intake, along the main stem, and below the tailrace [m].

    Returns
    -------
    dict of str to DataFrame
        By ``site_id``; columns as of `sitefinder.siting.long_profiles.long_profile`.
    """
    stations = placed.stations
    downstream = stations["downstream"].to_numpy().astype(np.int32)
    step_m = stations["to_downstream_m"].to_numpy()
    main = main_upstream(downstream, step_m)
    own = stretches.table.iloc[np.flatnonzero(sites.offers.chosen)]
    intake, tailrace = (own[name].to_numpy(dtype=np.int64) for name in ("intake", "tailrace"))
    link, distance_m = (stations[name].to_numpy()[tailrace] for name in ("link", "distance_m"))
    names = place_names(network.parts, link, distance_m)["name"]
    profiles = {}
    for site_id, *ends in zip(site_ids(names, own["layout"]), intake, tailrace, strict=True):
        way = way_around(*ends, downstream, step_m, main, context_m)
        profiles[site_id] = _cut(way, placed, heads, waters, tuple(ends))
    return profiles


def profile_between(placed, heads, waters, upper, lower):
    """The long profile from one station down to another.

    Parameters
    ----------
    placed, heads, waters
        Results of the stages of those names.
    upper, lower : int
        Numbers of the stations.

    Returns
    -------
    DataFrame
        As of `sitefinder.siting.long_profiles.long_profile`.

    Raises
    ------
    ValueError
        If the lower station is not on the way down from the upper one.
    """
    way = way_down(upper, lower, placed.stations["downstream"].to_numpy())
    return _cut(way, placed, heads, waters, ())


def _cut(way, placed, heads, waters, ends):
    return long_profile(
        way,
        placed.stations,
        heads.raw_m,
        heads.profile_m,
        heads.errors_m,
        reaches=placed.reaches,
        fitted=heads.fitted,
        standing=waters.standing,
        structures=waters.structures,
        ends=ends,
    )
