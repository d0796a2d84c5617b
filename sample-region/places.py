"""Where weirs, the fall, the lake and the road embankments stand, and how much ground drains to each place."""

from typing import NamedTuple

import numpy as np
import plan
from channels import Canal, Structure, Works, bank_m, make_lake
from landscape import accumulate, cell_centres, drain, to_map
from scipy.ndimage import gaussian_filter1d


class Embankment(NamedTuple):
    """A road bank across a stream at a vertex: crest over the water, half-length along the road."""

    stream: int
    vertex: int
    crest_over_water_m: float
    half_length_m: float


class Places(NamedTuple):
    """Everything that was built."""

    structures: list
    embankments: list
    lake: object
    works: tuple = ()
    canal: object = None
    rivers: tuple = ()


WEIR_BELOW_EMBANKMENT_M = 100.0
EMBANKMENT_HALF_WIDTH_CELLS = 1.5


def choose_places(streams, shape, transform, wobble, rng):
    """Places for one lake, one natural fall, two embankments (a weir below the first) and the other weirs.

    Places are drawn by ``rng`` among those with room; a small region gets fewer of each.

    Returns
    -------
    Places
    """
    share = min(1.0, shape[0] / 1000.0)
    room_m = 550.0 * max(0.25, share)
    taken, structures = [], []

    lake = None
    span = _lake_span(streams, 250.0 + 400.0 * share)
    if span is not None:
        lake = make_lake(streams, *span, shape, transform, wobble)
        for vertex in range(span[1], span[2] + 1, 5):
            taken.append((span[0], vertex))

    fall = _fall_vertex(streams, taken, room_m)
    if fall is not None:
        structures.append(Structure("fall", *fall, 3.6))
        taken.append(fall)

    embankments = []
    weirs = max(2, round(11 * share))
    for crest in (5.2, 4.6):
        spot = _draw(streams, taken, room_m, rng, upper_share=0.35)
        if spot is None:
            break
        stream = streams[spot[0]]
        embankments.append(Embankment(*spot, crest, 220.0 * max(0.4, share)))
        taken.append(spot)
        if len(embankments) == 1:
            below = stream.distance_m[spot[1]] + WEIR_BELOW_EMBANKMENT_M
            vertex = _step_nearest(stream, below)
            structures.append(Structure("weir", spot[0], vertex, 1.8))
            taken.append((spot[0], vertex))
    while sum(item.kind == "weir" for item in structures) < weirs:
        spot = _draw(streams, taken, room_m, rng, upper_share=1.0)
        if spot is None:
            break
        # As high as the banks allow and a little more, between 1 and 4 m.
        highest = min(4.0, bank_m(streams[spot[0]].area_km2[spot[1]]) + 0.7)
        drop_m = float(rng.uniform(max(1.0, 0.4 * highest), highest))
        structures.append(Structure("weir", *spot, round(drop_m, 2)))
        taken.append(spot)
    return Places(structures, embankments, lake)


def find_rivers(streams, cells, transform):
    """Numbers of the streams that are the rivers of `plan`, in its order, by where they come in or leave."""
    numbers = []
    for river in plan.RIVERS:
        end = 0 if river.inflow_km2 > 0 else -1
        row, column = (share * (cells - 1) for share in river.path[end])
        x, y = to_map(transform, row, column)
        numbers.append(int(np.argmin([np.hypot(s.x_m[end] - x, s.y_m[end] - y) for s in streams])))
    return tuple(numbers)


def planned_places(streams, shape, transform, wobble, rng):
    """What was built along the rivers of `plan`, a lake, a fall, two road embankments with a weir below the first.

    Returns
    -------
    Places
    """
    rivers = find_rivers(streams, shape[0], transform)
    number = {river.name: stream for river, stream in zip(plan.RIVERS, rivers, strict=True)}
    taken = [(stream, vertex) for stream in rivers for vertex in range(0, streams[stream].x_m.size, 5)]
    largest = max(stream.area_km2.max() for stream in streams)
    span = _lake_span(streams, 600.0, (plan.LAKE_KM2[0] / largest, plan.LAKE_KM2[1] / largest), rivers)
    lake = None if span is None else make_lake(streams, *span, shape, transform, wobble)
    if span is not None:
        taken += [(span[0], vertex) for vertex in range(span[1], span[2] + 1, 5)]
    fall = vertex_at(streams, number[plan.FALL[0]], plan.FALL[1])
    structures = [Structure("fall", number[plan.FALL[0]], fall, plan.FALL[2])]
    embankments = []
    for crest in (5.2, 4.6):
        spot = _draw(streams, taken, 550.0, rng, plan.ROAD_BANKS_KM2[1] / largest, plan.ROAD_BANKS_KM2[0])
        embankments.append(Embankment(*spot, crest, 220.0))
        taken.append(spot)
        if len(embankments) == 1:
            below = streams[spot[0]].distance_m[spot[1]] + WEIR_BELOW_EMBANKMENT_M
            vertex = _step_nearest(streams[spot[0]], below)
            structures.append(Structure("weir", spot[0], vertex, 1.8, plan.notes_of(plan.WEIR_BELOW_ROAD)))
            taken.append((spot[0], vertex))
    for weir in plan.WEIRS:
        vertex = vertex_at(streams, number[weir.river], weir.at)
        structures.append(Structure("weir", number[weir.river], vertex, weir.drop_m, plan.notes_of(weir)))
    stem = number[plan.ARDELM]
    sill = vertex_at(streams, stem, plan.SILL_WEIR_AT)
    works = (
        _works(streams, "gorge", stem, plan.GORGE_FROM, plan.GORGE_TO, width_m=plan.GORGE_WIDTH_M),
        Works("sill", stem, sill, sill + plan.SILL_VERTICES, width_m=plan.SILL[1]),
        _works(
            streams, "embankments", stem, plan.DYKED_FROM, plan.DYKED_TO,
            offset_m=plan.DYKE_OFFSET_M, over_water_m=plan.DYKE_OVER_WATER_M,
        ),
    )  # fmt: skip
    return Places(structures, embankments, lake, works, None, rivers)


def connected_works(streams, places):
    """Places (x, y) [m] of the weirs of `plan` to which a power line leads."""
    planned = [item for item in places.structures if item.notes is not None][1:]
    weirs = (
        [item for item, weir in zip(planned, plan.WEIRS, strict=True) if weir.connected] if places.rivers else []
    )
    return [(streams[item.stream].x_m[item.vertex], streams[item.stream].y_m[item.vertex]) for item in weirs]


def lay_canal(streams, stem):
    """The canal of `plan`, beside the settled stream: its level falls by its own slope, and the rest at its drops.

    Returns
    -------
    Canal
    """
    stream = streams[stem]
    distance = stream.distance_m
    first, last = (
        int(np.searchsorted(distance, share * distance[-1])) for share in (plan.CANAL_FROM, plan.CANAL_TO)
    )
    # A canal swings out wider and calmer than the river.
    x, y = (
        gaussian_filter1d(axis, 35.0, mode="nearest")[first - 2 : last + 1] for axis in (stream.x_m, stream.y_m)
    )
    along = np.column_stack([np.gradient(x), np.gradient(y)])
    normal = np.column_stack([-along[:, 1], along[:, 0]]) / np.hypot(*along.T)[:, None]
    share = np.linspace(0, 1, x.size)
    swing = np.minimum(1.0, np.minimum(share, 1 - share) / 0.12)
    ends = [stream.x_m[[first - 2, last]], stream.y_m[[first - 2, last]]]
    out = []
    for axis, end, side in zip((x, y), ends, normal.T, strict=True):
        line = axis + plan.CANAL_OFFSET_M * swing * side
        blend = np.clip(1 - np.minimum(share, 1 - share) / 0.06, 0, 1)
        out.append(
            gaussian_filter1d(line * (1 - blend) + np.where(share < 0.5, *end) * blend, 3.0, mode="nearest")
        )
    x, y = out
    length = np.concatenate([[0.0], np.cumsum(np.hypot(np.diff(x), np.diff(y)))])
    dense = np.arange(0.0, length[-1], 5.0)
    x, y = np.interp(dense, length, x), np.interp(dense, length, y)
    top, foot = stream.level_m[first - 2] - 0.1, stream.level_m[last] + 0.1
    falls = top - foot - plan.CANAL_SLOPE * dense[-1]
    drops = [int(dense.size * (k + 0.8) / (plan.CANAL_DROPS + 0.6)) for k in range(plan.CANAL_DROPS)]
    level = top - plan.CANAL_SLOPE * dense
    for place in drops:
        level[place:] -= falls / plan.CANAL_DROPS
    return Canal(stem, x, y, level, tuple(drops))


def vertex_at(streams, number, share):
    """The vertex near a share of a stream's length where it runs straightest, away from confluences.

    Weirs are built in such places: across a straight reach, and below or above a confluence.
    """
    stream = streams[number]
    free = np.ones(stream.x_m.size, bool)
    for other in streams:
        if other.into == number:
            free &= np.abs(stream.distance_m - stream.distance_m[other.joins_at]) > 70.0
    away_m = np.abs(stream.distance_m - share * stream.distance_m[-1])
    near = np.flatnonzero(free & (away_m < 130.0))
    near = near[(near > 8) & (near < stream.x_m.size - 8)]
    chord = np.hypot(stream.x_m[near + 7] - stream.x_m[near - 7], stream.y_m[near + 7] - stream.y_m[near - 7])
    along = stream.distance_m[near + 7] - stream.distance_m[near - 7]
    return int(near[np.argmin(along / chord + 1e-4 * away_m[near])])


# The vertex whose step lies nearest to a distance from the head.
def _step_nearest(stream, at_m):
    return int(np.argmin(np.abs((stream.distance_m[1:] + stream.distance_m[:-1]) / 2 - at_m))) + 1


def _works(streams, kind, number, start, end, **measures):
    distance = streams[number].distance_m
    first, last = (int(np.searchsorted(distance, share * distance[-1])) for share in (start, end))
    return Works(kind, number, first, last, **measures)


# Vertices with room: away from head, mouth, confluences and what is built already.
def _free_vertices(streams, number, taken, room_m):
    stream = streams[number]
    distance = stream.distance_m
    free = (distance > 0.35 * room_m) & (distance < distance[-1] - 0.6 * room_m)
    for other in streams:
        if other.into == number:
            free &= np.abs(distance - distance[other.joins_at]) > 45.0
    for built, vertex in taken:
        if built == number:
            free &= np.abs(distance - distance[vertex]) > room_m
        elif streams[built].into == number:
            # A pond here must not drown what stands near the mouth of a tributary.
            free &= np.abs(distance - distance[streams[built].joins_at]) > 0.5 * room_m
    return np.flatnonzero(free[1:]) + 1


# A place on the gentler part of the larger streams; None where there is no room.
def _draw(streams, taken, room_m, rng, upper_share, min_km2=None):
    spots, areas, slopes = [], [], []
    largest = max(stream.area_km2.max() for stream in streams)
    for number, stream in enumerate(streams):
        slope = -np.gradient(stream.natural_m, stream.distance_m)
        for vertex in _free_vertices(streams, number, taken, room_m):
            spots.append((number, int(vertex)))
            areas.append(stream.area_km2[vertex])
            slopes.append(slope[vertex])
    areas, slopes = np.array(areas), np.array(slopes)
    if not areas.size:
        return None
    suits = (areas <= upper_share * largest) & (slopes <= np.median(slopes))
    suits &= areas >= (np.median(areas) if min_km2 is None else min_km2)
    suits = np.flatnonzero(suits)
    return spots[int(rng.choice(suits))] if suits.size else None


# The gentlest span of the wanted length without tributaries, on a stream that is no main stem's lower course.
def _lake_span(streams, length_m, shares=(0.04, 0.3), never_on=()):
    best, chosen = np.inf, None
    largest = max(stream.area_km2.max() for stream in streams)
    for number, stream in enumerate(streams):
        if number in never_on:
            continue
        distance = stream.distance_m
        joins = np.array([distance[other.joins_at] for other in streams if other.into == number])
        for first in range(0, distance.size, 4):
            last = int(np.searchsorted(distance, distance[first] + length_m))
            if last >= distance.size or distance[last] > distance[-1] - 450.0 or distance[first] < 0.8 * length_m:
                continue
            if np.any((joins > distance[first] - 150.0) & (joins < distance[last] + 60.0)):
                continue
            slope = (stream.natural_m[first] - stream.natural_m[last]) / length_m
            if shares[0] < stream.area_km2[first] / largest < shares[1] and slope < best:
                best, chosen = slope, (number, first, last)
    return chosen


# High on the largest stream, where it falls fast enough for a step to be taken out of it.
def _fall_vertex(streams, taken, room_m):
    number = int(np.argmax([stream.area_km2.max() for stream in streams]))
    stream = streams[number]
    share = stream.area_km2 / stream.area_km2.max()
    free = [v for v in _free_vertices(streams, number, taken, room_m) if 0.12 < share[v] < 0.35]
    if not free:
        return None
    slope = -np.gradient(stream.natural_m, stream.distance_m)
    return number, int(max(free, key=lambda v: slope[v]))


def first_channel_point(surface, owner):
    """The dense channel point that each cell's water reaches first, -1 where it leaves over the rim.

    Parameters
    ----------
    surface : ndarray of float64, shape (rows, columns)
        The true surface, without road banks [m].
    owner : ndarray of int64, shape (rows, columns)
        Channel point of channel cells, else -1.

    Returns
    -------
    ndarray of int64, shape (rows, columns)
    """
    is_border = np.zeros(surface.shape, bool)
    is_border[[0, -1], :] = is_border[:, [0, -1]] = True
    receiver, order = drain(surface, is_border)
    point = owner.ravel().copy()
    for cell in order:
        if point[cell] < 0:
            point[cell] = point[receiver[cell]]
    return point.reshape(surface.shape)


def sum_downstream(streams, points, first_point, amount):
    """Sum of a cell amount over the ground that drains to each vertex.

    Parameters
    ----------
    streams : list of Stream
    points : dict of ndarray
        Dense points.
    first_point : ndarray of int64, shape (rows, columns)
        As of `first_channel_point`.
    amount : ndarray of float64, shape (rows, columns)
        What each cell gives.

    Returns
    -------
    list of ndarray
        One total for each vertex of each stream. A receiving stream's total at the vertex of a confluence holds
        the tributary; the tributary's own last vertex does not hold the stem.
    """
    reached = first_point >= 0
    local = np.bincount(first_point[reached], weights=amount[reached], minlength=points["x_m"].size)
    totals = []
    for number, stream in enumerate(streams):
        mine = points["stream"] == number
        totals.append(np.bincount(points["vertex"][mine], weights=local[mine], minlength=stream.x_m.size))
    # Tributaries come after their stems, so this walks from the sources down.
    for number in range(len(streams) - 1, -1, -1):
        totals[number] = np.cumsum(totals[number])
        if streams[number].into >= 0:
            totals[streams[number].into][streams[number].joins_at] += totals[number][-1]
    return totals


def crossing_line(stream, embankment, half_length_m):
    """Ends of a road that crosses a stream square at an embankment: two (x, y) pairs [m]."""
    low, high = max(0, embankment.vertex - 3), min(stream.x_m.size - 1, embankment.vertex + 3)
    along = np.array([stream.x_m[high] - stream.x_m[low], stream.y_m[high] - stream.y_m[low]])
    across = np.array([-along[1], along[0]]) / np.hypot(*along)
    centre = np.array([stream.x_m[embankment.vertex], stream.y_m[embankment.vertex]])
    return centre - half_length_m * across, centre + half_length_m * across


def raise_embankments(surface, streams, embankments, transform):
    """The surface with road banks across the streams: level crests, three cells wide, from slope to slope."""
    x, y = cell_centres(surface.shape, transform)
    raised = surface.copy()
    for bank in embankments:
        stream = streams[bank.stream]
        start, end = crossing_line(stream, bank, bank.half_length_m)
        direction = (end - start) / np.hypot(*(end - start))
        along = (x - start[0]) * direction[0] + (y - start[1]) * direction[1]
        aside = np.abs((x - start[0]) * direction[1] - (y - start[1]) * direction[0])
        is_bank = (along >= 0) & (along <= 2 * bank.half_length_m)
        is_bank &= aside < EMBANKMENT_HALF_WIDTH_CELLS * transform.a
        crest = stream.level_m[bank.vertex] + bank.crest_over_water_m
        raised = np.where(is_bank, np.maximum(raised, crest), raised)
    return raised


def drained_area_km2(receiver, order, cell_m):
    """Drained area of every cell, shape (cells,) [km²]."""
    return accumulate(receiver, order, np.full(receiver.size, cell_m**2 / 1e6))
