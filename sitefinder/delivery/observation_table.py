"""The table of what visitors observed, held against the data."""

import numpy as np
import pandas as pd

from sitefinder.delivery.checking import checked_table
from sitefinder.network.stations import nearest_segments
from sitefinder.schema import LAYERS, empty_table
from sitefinder.siting.observed import held_against_data
from sitefinder.steps.flows import GAUGED
from sitefinder.steps.water_bodies import STEP_KIND


def make_observations(settings, inputs, stationing, field_levels, flows, water_bodies):
    """The ``observations`` layer: each visit, what of it is used, and where it contradicts the data."""
    seen = inputs.observations
    if seen is None or not len(seen):
        return empty_table("observations")
    gauged = pd.DataFrame(columns=list(GAUGED)) if flows.gauged is None else flows.gauged
    numbers = {name: "float64" for name in GAUGED[1:]}
    mapped = _mapped(settings, stationing, water_bodies.structures, seen)
    table = held_against_data(seen, field_levels.compared, gauged.astype(numbers), mapped)
    return checked_table(table[[column.name for column in LAYERS["observations"].columns]], "observations")


# Ids of the mapped structures between the places of each visit; None where these are not on one stream.
def _mapped(settings, stationing, structures, seen):
    snap_m, below = settings.stretches.structure_snap_m, stationing.stations["downstream"].to_numpy()
    ends = []
    for name in ("intake", "tailrace"):
        station, distance_m, _ = nearest_segments(seen[name].to_numpy(dtype=object), stationing.segments)
        ends.append(np.where(distance_m <= snap_m, station, -1))
    is_mapped = (structures["kind"].astype(str).str.lower() != STEP_KIND).to_numpy()
    at = structures["station"].to_numpy(dtype=np.int64)
    ids = structures["structure_id"].astype(str).to_numpy()
    found = []
    for upper, lower in zip(*(each.tolist() for each in ends), strict=True):
        path, station = [], upper
        while 0 <= station <= lower:
            path.append(station)
            station = int(below[station])
        is_way = upper >= 0 and path and path[-1] == lower
        found.append(ids[is_mapped & np.isin(at, path)].tolist() if is_way else None)
    return found
