"""The ways of migrating fish: what they ask of the choice of sites, and how many come down past those chosen."""

from typing import NamedTuple

import numpy as np

from sitefinder.power.machines import machine_survival
from sitefinder.schema.vocabulary import TOUCHING, UNDER
from sitefinder.siting.fish_passage import (
    FishWay,
    entered_at,
    plants_to_outlet,
    survival_to_outlet,
    worst_from_above,
)
from sitefinder.siting.intervals import SHORTEST_OVERLAP_M, union_of_intervals
from sitefinder.siting.offers import PREFIXES


class FishAlive(NamedTuple):
    """What comes down past chosen sites and existing plants, by station.

    ``spawning_m`` is the length of each segment under the spawning rules [m]; ``survival`` the share of fish that
    survive from the station to the outlet, ``plants`` the number of plants that they meet, ``worst`` the spawning
    ground at the station or above from which least come down (-1: none).
    """

    spawning_m: np.ndarray
    survival: np.ndarray
    plants: np.ndarray
    worst: np.ndarray


def fish_way(settings, inputs, placed, energy, rule_overlaps, waters):
    """What the fish's way asks of the choice; None where nothing is asked.

    A share of survival counts if its grade of evidence does for ``[fish]``; other machines count as letting no
    fish live, since nothing is proven of them.
    """
    fish = settings.fish
    if not fish.spawning_rules or fish.least_survival_on_the_way is None:
        return None
    survival = [
        machine_survival(
            inputs.machines, energy[f"{prefix}machine"], energy[f"{prefix}screened"].astype(bool), fish.evidence
        )
        for prefix in PREFIXES
    ]
    return FishWay(
        spawning_metres(settings, placed, rule_overlaps) > 0,
        np.where(waters.plants_entered, _past_existing(settings), 1.0),
        np.nan_to_num(np.column_stack(survival)),
        fish.least_survival_on_the_way,
    )


def fish_alive(settings, inputs, placed, stretches, rule_overlaps, waters, sites):
    """What comes down past the chosen sites, with the shares that their machine classes state, whatever the grade.

    Returns
    -------
    FishAlive
    """
    offers = sites.offers
    picked = np.flatnonzero(offers.chosen)
    table, valued = stretches.table.iloc[picked], offers.valued.iloc[picked]
    ends = (table[name].to_numpy(dtype=np.int64) for name in ("intake", "tailrace"))
    existing = np.flatnonzero(waters.plants_entered) if settings.fish.existing_survival is not None else []
    entered = np.concatenate([entered_at(table["layout"], *ends), existing]).astype(np.int64)
    own = machine_survival(inputs.machines, valued["machine"], valued["screened"])
    survival = np.concatenate([own, np.full(len(existing), _past_existing(settings))])
    downstream = placed.stations["downstream"].to_numpy().astype(np.int32)
    to_outlet = survival_to_outlet(downstream, entered, survival)
    spawning_m = spawning_metres(settings, placed, rule_overlaps)
    worst = worst_from_above(downstream, spawning_m > 0, to_outlet)
    return FishAlive(spawning_m, to_outlet, plants_to_outlet(downstream, entered), worst)


def spawning_metres(settings, placed, rule_overlaps):
    """Length of each station's segment under the rules that tell spawning grounds [m].

    Features that may be meant (a missing category) count; where a rule works along the stream, only what lies
    under its layer does.
    """
    meant = rule_overlaps["rule"].isin(settings.fish.spawning_rules)
    hits = rule_overlaps[meant & rule_overlaps["effect"].isin([UNDER.name, TOUCHING.name])]
    station = hits["station"].to_numpy(dtype=np.int64)
    union = union_of_intervals(station, *(hits[name].to_numpy(dtype=np.float64) for name in ("from_m", "to_m")))
    metres = np.zeros(len(placed.stations))
    np.add.at(metres, union.owner, union.to_m - union.from_m)
    # A touch that its rule counts is spawning ground without length.
    metres[station] = np.maximum(metres[station], SHORTEST_OVERLAP_M)
    return metres


def published_spawning(settings, values, silent=("generalised", "hidden")):
    """What may be told of spawning grounds: nothing (NaN) as soon as one of their rules is published so."""
    untold = {rule.name for rule in settings.rules if rule.publish in silent}
    return np.full(len(values), np.nan) if untold & set(settings.fish.spawning_rules) else values


def with_fish(settings, placed, alive, reaches):
    """Reaches with ``spawning_m`` and ``survival_to_outlet``, from the ground where least fish come down alive."""
    reach = placed.stations["reach"].to_numpy()
    of_reach = reach >= 0
    spawning_m = np.bincount(reach[of_reach], weights=alive.spawning_m[of_reach], minlength=len(reaches))
    least = np.full(len(reaches), np.inf)
    ground = alive.spawning_m > 0
    np.minimum.at(least, reach[ground], alive.survival[ground])
    least = np.where(np.isinf(least), np.nan, least)
    return reaches.assign(
        spawning_m=published_spawning(settings, spawning_m),
        survival_to_outlet=published_spawning(settings, least, silent=("hidden",)),
    )


def _past_existing(settings):
    return 1.0 if settings.fish.existing_survival is None else settings.fish.existing_survival
