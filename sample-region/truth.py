"""What is true in the sample region and not written in its map: levels, areas, drops and the law of flow."""

import numpy as np
from layers import step_place
from places import crossing_line

SAMPLE_M = 50.0


def tell_truth(streams, areas, rains, inflows, places, surveyed, mapped, law, cells, seed, planted=(), ways=()):
    """The truth as plain numbers and lists, ready for JSON.

    Parameters
    ----------
    streams : list of Stream
    areas, rains : list of ndarray
        Drained area with all inflows [km²], and mean precipitation [mm] of the part inside the region, at each
        vertex of each stream.
    inflows : list of float
        Catchment outside the region that each stream brings in at its head [km²].
    places : Places
    surveyed : GeoDataFrame
        The structures layer, in the order of ``places.structures``.
    mapped : Mapped
    law : dict
        As of `gauges.flow_law`.
    cells, seed : int
        What the region was made from.
    planted : sequence of str
        Gauges that were made to look wrong.
    ways : sequence of dict
        As of `hillsides.hillside_ways`.

    Returns
    -------
    dict
    """
    structures = []
    for label, item in zip(surveyed["structure_id"], places.structures, strict=True):
        stream = streams[item.stream]
        x, y = step_place(stream, item.vertex)
        # The pond: the level stretch that ends at the crest.
        level = stream.level_m[: item.vertex]
        pond = np.flatnonzero(level <= level[-1] + 1e-6)
        structures.append(
            {
                "structure_id": label,
                "kind": item.kind,
                "stream": item.stream,
                "x_m": round(x, 2),
                "y_m": round(y, 2),
                "distance_m": round(float(stream.distance_m[item.vertex - 1 : item.vertex + 1].mean()), 1),
                "drop_m": round(float(stream.level_m[item.vertex - 1] - stream.level_m[item.vertex]), 3),
                "level_above_m": round(float(stream.level_m[item.vertex - 1]), 3),
                "level_below_m": round(float(stream.level_m[item.vertex]), 3),
                "area_km2": round(float(areas[item.stream][item.vertex]), 4),
                "pond_from_m": round(float(stream.distance_m[pond[0]]), 1),
            }
        )
    embankments = []
    for bank in places.embankments:
        stream = streams[bank.stream]
        ends = crossing_line(stream, bank, bank.half_length_m)
        embankments.append(
            {
                "stream": bank.stream,
                "x_m": round(float(stream.x_m[bank.vertex]), 2),
                "y_m": round(float(stream.y_m[bank.vertex]), 2),
                "distance_m": round(float(stream.distance_m[bank.vertex]), 1),
                "level_m": round(float(stream.level_m[bank.vertex]), 3),
                "crest_m": round(float(stream.level_m[bank.vertex] + bank.crest_over_water_m), 3),
                "ends_m": [[round(float(value), 1) for value in end] for end in ends],
            }
        )
    lake = None
    if places.lake is not None:
        distance = streams[places.lake.stream].distance_m
        lake = {
            "stream": places.lake.stream,
            "level_m": round(places.lake.level_m, 3),
            "from_m": round(float(distance[places.lake.first]), 1),
            "to_m": round(float(distance[places.lake.last]), 1),
        }
    return {
        "made_from": {"cells": cells, "seed": seed},
        "structures": structures,
        "embankments": embankments,
        "lake": lake,
        "mapped": {
            "reversed": mapped.reversed_ids,
            "short_ends": mapped.short_ids,
            "through_confluence": mapped.through_confluence_ids,
            "stream_of": mapped.stream_of,
        },
        "flow_law": law,
        "streams": [_profile(*part) for part in zip(streams, areas, rains, strict=True)],
    } | (_of_plan(streams, inflows, places, planted, ways) if places.rivers else {})


# What only a planned region has: what comes in, works along the streams, the canal, and planted faults.
def _of_plan(streams, inflows, places, planted, ways):
    works = []
    for item in places.works:
        distance = streams[item.stream].distance_m
        part = {"kind": item.kind, "stream": item.stream}
        part |= {"from_m": round(float(distance[item.first]), 1), "to_m": round(float(distance[item.last]), 1)}
        measures = {"width_m": item.width_m, "offset_m": item.offset_m, "over_water_m": item.over_water_m}
        works.append(part | {name: value for name, value in measures.items() if value})
    canal = places.canal
    return {
        "inflow_km2": inflows,
        "works": works,
        "canal": {
            "x_m": np.round(canal.x_m[::10], 1).tolist(),
            "y_m": np.round(canal.y_m[::10], 1).tolist(),
            "level_m": np.round(canal.level_m[::10], 3).tolist(),
        },
        "conduits": list(ways),
        "planted": {"gauges": list(planted)},
    }


# A stream's truth at every 50 m or so, as columns; head and mouth are always there.
def _profile(stream, area, rain):
    distance = stream.distance_m
    pick = np.searchsorted(distance, np.arange(0, distance[-1], SAMPLE_M))
    pick = np.unique(np.append(pick, distance.size - 1))
    return {
        "into": stream.into,
        "distance_m": np.round(distance[pick], 1).tolist(),
        "x_m": np.round(stream.x_m[pick], 1).tolist(),
        "y_m": np.round(stream.y_m[pick], 1).tolist(),
        "level_m": np.round(stream.level_m[pick], 3).tolist(),
        "natural_level_m": np.round(stream.natural_m[pick], 3).tolist(),
        "area_km2": np.round(area[pick], 4).tolist(),
        "precipitation_mm": np.round(rain[pick], 1).tolist(),
    }
