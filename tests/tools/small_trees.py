"""Small random trees of streams with real candidates, and what each takes, by walks over the drawn tree."""

from itertools import combinations

import numpy as np
import pandas as pd

from sitefinder.energy.hydraulics import net_head_m
from sitefinder.settings import EnergySettings, StretchSettings
from sitefinder.siting.candidates import find_stretches, subset

STEP_M = 50.0
CANDIDATES = 13
SETTINGS = StretchSettings(min_head_m=0.3, longest_m=400.0, new_weir_heights_m=[1.0, 2.0], freeboard_m=0.0)
# A steep canal, so that its loss turns the order of candidates.
ENERGY = EnergySettings(turbines=["turbines.toml"], canal_slope=0.004)
NO_BARRIERS = pd.DataFrame({name: np.zeros(0) for name in ("station", "head_m", "head_se_m", "fall_below_m")})


def random_tree(rng):
    """Stations of links that join, 50 m apart: a stem, and tributaries into it from either side.

    The first station of a link lies where the last of those above it lie; its segment has no length.
    """
    tributaries = int(rng.integers(1, 4))
    # Links from the top down: a piece of stem, a tributary, the next piece of stem, and so on.
    sizes = rng.integers(2, 6, 2 * tributaries + 1)
    rows, first, at_m = [], 0, 0.0
    for link, size in enumerate(sizes):
        is_stem = link % 2 == 0
        for place in range(size):
            last = place == size - 1
            # The last station of a stem goes on past the tributary, to the first of the next stem.
            below = (
                first + place + 1
                if not last
                else first + size + (sizes[link + 1] if is_stem and link + 1 < len(sizes) else 0)
            )
            x_m = at_m + STEP_M * place if is_stem else at_m - STEP_M * (size - 1 - place) * 0.6
            y_m = 0.0 if is_stem else STEP_M * (size - 1 - place) * 0.8
            rows.append((below, 0.0 if last else STEP_M, STEP_M if place else 0.0, x_m, y_m))
        if is_stem:
            at_m += STEP_M * (size - 1)
        first += size
    names = ["downstream", "to_downstream_m", "segment_length_m", "x_m", "y_m"]
    stations = pd.DataFrame(rows, columns=names)
    stations.loc[len(stations) - 1, "downstream"] = -1
    stations["downstream"] = stations["downstream"].astype(np.int32)
    # Falls of 0.1 to 1.2 m a step, so that a weir of 2 m ponds several of them.
    profile_m = np.zeros(len(stations))
    flow_m3s = np.full(len(stations), 0.0)
    downstream, step_m = stations["downstream"].tolist(), stations["to_downstream_m"].tolist()
    for station in range(len(stations) - 2, -1, -1):
        fall_m = rng.uniform(0.1, 1.2) if step_m[station] else 0.0
        profile_m[station] = profile_m[downstream[station]] + fall_m
    for station, below in enumerate(downstream):
        flow_m3s[station] += 0.2 if station not in downstream else 0.02
        if below >= 0:
            flow_m3s[below] += flow_m3s[station]
    return stations, profile_m, flow_m3s


def random_case(rng):
    """A tree, some of its candidates, and their value: power after the canal's loss, less canal and weir."""
    stations, profile_m, flow_m3s = random_tree(rng)
    errors = np.zeros((len(stations), 2), dtype=np.float32)
    none = np.zeros(len(stations), dtype=bool)
    found = find_stretches(stations, profile_m, errors, none, NO_BARRIERS, SETTINGS)
    kept = np.zeros(len(found.table), dtype=bool)
    kept[rng.permutation(len(found.table))[:CANDIDATES]] = True
    stretches = subset(found, kept)
    table = stretches.table
    head_m = net_head_m(table["head_m"], table["conduit_length_m"], ENERGY)
    power = flow_m3s[table["intake"]] * np.asarray(head_m)
    cost = 0.05 + 0.0002 * table["conduit_length_m"] + 0.05 * table["weir_height_m"]
    return stations, profile_m, stretches, np.round((power - cost).to_numpy() * 64) / 64


# The last tree whose ways were walked, with its columns as lists: a tree is walked down hundreds of times.
_walked = [None, None]


def path_down(stations, station):
    """Stations from one down to the outlet, itself first, with the way to each [m]."""
    if _walked[0] is not stations:
        _walked[:] = stations, (stations["downstream"].tolist(), stations["to_downstream_m"].tolist())
    downstream, step_m = _walked[1]
    way, way_m = {station: 0.0}, 0.0
    while downstream[station] >= 0:
        way_m += step_m[station]
        station = downstream[station]
        way[station] = way_m
    return way


def taken_by(stations, profile_m, row):
    """Stations whose segments a candidate takes: its way, and all that its pond reaches."""
    way = [station for station in path_down(stations, row.intake) if station <= row.tailrace][1:]
    taken = set(way)
    if row.scheme_type == "new_weir":
        crest_m = profile_m[row.intake] + row.weir_height_m
        for station in range(row.intake + 1):
            path = list(path_down(stations, station))
            # Water stands at the intake and wherever the whole way down to it lies below the crest.
            if row.intake in path:
                between = path[: path.index(row.intake) + 1]
                if all(profile_m[each] < crest_m for each in between):
                    taken.add(station)
    return taken


def ends_above(stations, piece, row):
    """Stations where the stream that a candidate leaves alone ends: its intake, or those just above its pond."""
    if row.scheme_type != "new_weir":
        return {row.intake}
    downstream = stations["downstream"].tolist()
    pond = {station for station in piece if row.intake in path_down(stations, station)}
    return {station for station, below in enumerate(downstream) if below in pond and station not in pond}


def clashes(stations, pieces, rows, spacing_m):
    """Pairs that share stream, that are too near to each other, or of which a diversion begins where one ends."""
    ways = [path_down(stations, row.tailrace) for row in rows]
    tops = [ends_above(stations, piece, row) for piece, row in zip(pieces, rows, strict=True)]
    for one, other in combinations(range(len(rows)), 2):
        near = False
        for upper, lower in ((one, other), (other, one)):
            free_m = min(ways[upper].get(top, np.inf) for top in tops[lower] or {-1})
            near |= free_m < spacing_m or (free_m == 0 and rows[lower].scheme_type == "diversion")
        if near or pieces[one] & pieces[other]:
            yield one, other
