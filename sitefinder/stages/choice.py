"""The stage from verdicts to sites: the best set without overlap."""

from typing import NamedTuple

import numpy as np
import shapely

from sitefinder.schema.vocabulary import (
    BARRED_BY_RULE,
    CATCHMENT_INCOMPLETE,
    FLOW_TOO_SMALL,
    HEAD_UNRESOLVED,
    NO_FLOW_ESTIMATE,
    OUTSIDE_REGION,
    STREAM_TOO_SMALL,
)
from sitefinder.siting.offers import Offers, choose_sites, not_offered_because
from sitefinder.stages.fish_ways import fish_way
from sitefinder.streams.stations import without_repeats


class Chosen(NamedTuple):
    """The chosen set, and why each reach without a site has none."""

    offers: Offers
    not_offered: np.ndarray


def offer_steps(settings, inputs, placed, stretches, energy, verdicts):
    """What a stretch must pass to be offered, for `choose_sites`: pairs of a reason and a bool array."""
    table, allow = stretches.table, settings.ranking.allow
    too_small = [energy[f"{prefix}_stream_too_small"].to_numpy(dtype=bool) for prefix in ("any", "safe")]
    steps = {
        OUTSIDE_REGION: in_region(placed.stations, inputs)[table["tailrace"].to_numpy()],
        NO_FLOW_ESTIMATE: ~table["flow_missing"].to_numpy(),
        FLOW_TOO_SMALL: table["flow_mean_m3s"].to_numpy() >= settings.stretches.least_flow_mean_m3s,
        HEAD_UNRESOLVED: ~table["head_unresolved"].to_numpy(),
        CATCHMENT_INCOMPLETE: ~table["catchment_incomplete"].to_numpy(),
        BARRED_BY_RULE: verdicts.choice >= 0,
        STREAM_TOO_SMALL: ~np.where(verdicts.choice == 1, *too_small[::-1]),
    }
    return [(reason.name, passes | reason.is_allowed(allow)) for reason, passes in steps.items()]


def choose(settings, inputs, placed, stretches, energy, rule_overlaps, verdicts, waters):
    """The best set of stretches without overlap, and why the other reaches carry no site."""
    steps = offer_steps(settings, inputs, placed, stretches, energy, verdicts)
    way = fish_way(settings, inputs, placed, energy, rule_overlaps, waters)
    offers = choose_sites(stretches, steps, energy, verdicts.choice, placed.stations, settings, way)
    reach = placed.stations["reach"].to_numpy()
    because = not_offered_because(reach, waters.standing, stretches, offers, waters.developed, waters.tidal)
    return Chosen(offers, because)


def site_ids(tailrace_names, layouts):
    """Ids of the chosen sites, in the order of the candidates: the place of the tailrace and the layout."""
    return without_repeats([f"{name}/{layout}" for name, layout in zip(tailrace_names, layouts, strict=True)])


def reaches_in_region(inputs, placed):
    """Reaches whose middle lies inside the region's polygon, bool of shape (n,).

    So neighbouring regions count a reach across their border once.
    """
    middle = (placed.reaches["first_station"].to_numpy() + placed.reaches["last_station"].to_numpy()) // 2
    return in_region(placed.stations, inputs)[middle]


def in_region(stations, inputs):
    """Stations inside the region's polygon; all of them where none is given."""
    if "region" not in inputs.layers:
        return np.ones(len(stations), dtype=bool)
    region = inputs.layers["region"].frame.geometry.union_all()
    return shapely.intersects_xy(region, stations["x_m"].to_numpy(), stations["y_m"].to_numpy())
