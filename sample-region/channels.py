"""Streams of the invented landscape: smooth centrelines, water levels, weirs, a fall, a lake, their valleys."""

from typing import NamedTuple

import numpy as np
from landscape import cell_centres, to_map
from scipy.ndimage import distance_transform_edt, gaussian_filter1d
from scipy.spatial import cKDTree

MIN_FALL_PER_M = 2e-4
# A stream of so much ground is a river, with a plain that brooks cross.
RIVER_KM2 = 30.0
# Shorter spurs are no streams that anybody would draw.
MIN_STREAM_CELLS = 10


class Stream(NamedTuple):
    """One stream from its head to its mouth; vertices run downstream.

    ``x_m``, ``y_m`` centreline [m]; ``level_m`` water level [m]; ``natural_m`` the same without weirs [m];
    ``area_km2`` drained area of the eroded surface [km²]; ``into`` number of the stream it joins (-1: leaves the
    region) at that one's vertex ``joins_at``; ``steps`` holds vertices k whose level drops sharply half-way
    between k - 1 and k.
    """

    x_m: np.ndarray
    y_m: np.ndarray
    level_m: np.ndarray
    natural_m: np.ndarray
    area_km2: np.ndarray
    into: int
    joins_at: int
    steps: tuple

    @property
    def distance_m(self):
        """Distance from the head along the centreline [m]."""
        return np.concatenate([[0.0], np.cumsum(np.hypot(np.diff(self.x_m), np.diff(self.y_m)))])


class Structure(NamedTuple):
    """A drop or bank across a stream, half-way between vertices ``vertex`` - 1 and ``vertex``.

    ``notes`` holds what the layer says of it, by column; None: the layer's author finds something.
    """

    kind: str
    stream: int
    vertex: int
    drop_m: float
    notes: dict | None = None


class Works(NamedTuple):
    """What else shapes the banks, from vertex ``first`` to ``last`` of a stream.

    A gorge is ``width_m`` wide and has no plain; a sill is ``width_m`` wide; flood embankments stand ``offset_m``
    from the middle of the stream and ``over_water_m`` above it.
    """

    kind: str
    stream: int
    first: int
    last: int
    width_m: float = 0.0
    offset_m: float = 0.0
    over_water_m: float = 0.0


class Canal(NamedTuple):
    """A canal beside a stream: places, water level [m], and the numbers of the places below its drops."""

    stream: int
    x_m: np.ndarray
    y_m: np.ndarray
    level_m: np.ndarray
    drops: tuple


class Lake(NamedTuple):
    """A flat lake on one stream, from vertex ``first`` to ``last``, at ``level_m``."""

    stream: int
    first: int
    last: int
    level_m: float
    mask: np.ndarray


def trace_streams(elevation, receiver, order, area_km2, transform, min_area_km2):
    """Streams over a drained area, main stems first, with smooth centrelines and falling levels.

    Parameters
    ----------
    elevation : ndarray of float64, shape (rows, columns)
        The eroded surface [m].
    receiver, order : ndarray of int64, shape (cells,)
        As of `landscape.drain`.
    area_km2 : ndarray of float64, shape (cells,)
        Drained area [km²].
    transform : affine.Affine
        Cell corners to map coordinates [m].
    min_area_km2 : float
        A stream begins where this much ground drains [km²].

    Returns
    -------
    list of Stream
        A stream comes after the one that it joins.
    """
    columns = elevation.shape[1]
    is_channel = area_km2 >= min_area_km2
    largest = _largest_donor(receiver, area_km2, is_channel)
    # Where each stream ends: at outlets, and at every donor that is not its receiver's largest.
    ends = [c for c in order if is_channel[c] and (receiver[c] == c or largest[receiver[c]] != c)]
    streams, place = [], {}
    for end in ends:
        path = [end]
        while largest[path[-1]] >= 0:
            path.append(largest[path[-1]])
        path = np.array(path[::-1])
        into, joins_at = -1, -1
        if path.size < MIN_STREAM_CELLS or (receiver[end] != end and receiver[end] not in place):
            continue
        if receiver[end] != end:
            into, joins_at = place[receiver[end]]
        for k, cell in enumerate(path):
            place[cell] = (len(streams), k)
        if into >= 0:
            path = np.append(path, receiver[end])
        x, y = to_map(transform, path // columns, path % columns)
        fixed = None if into < 0 else (streams[into].x_m[joins_at], streams[into].y_m[joins_at])
        x, y = _smooth_line(x, y, fixed)
        level = _falling(gaussian_filter1d(elevation.ravel()[path], 6.0, mode="nearest"), x, y)
        area = area_km2[path].copy()
        if into >= 0:
            area[-1] = area[-2]
        streams.append(Stream(x, y, level, level, area, into, joins_at, ()))
    return streams


# The donor with the largest area of each channel cell, -1 at heads.
def _largest_donor(receiver, area_km2, is_channel):
    largest = np.full(receiver.size, -1, np.int64)
    donors = np.flatnonzero(is_channel & (receiver != np.arange(receiver.size)))
    # Ascending area, cell number breaking ties: the last one written is the largest.
    donors = donors[np.lexsort((-donors, area_km2[donors]))]
    largest[receiver[donors]] = donors
    return largest


# A line without the staircase of the grid; the lower end is brought to where the receiving stream was moved.
def _smooth_line(x, y, mouth):
    weight = np.minimum(1.0, np.arange(x.size)[::-1] / 4.0)
    moved = []
    for axis, line in enumerate((x, y)):
        smooth = gaussian_filter1d(line, 3.0, mode="nearest")
        smooth = smooth + (line[0] - smooth[0]) * np.exp(-np.arange(line.size) / 3.0)
        end = line[-1] if mouth is None else mouth[axis]
        fade = np.exp(-np.arange(line.size)[::-1] / 4.0)
        moved.append(weight * (smooth + (end - smooth[-1]) * fade) + (1 - weight) * end)
    return moved[0], moved[1]


# The least raising that makes levels fall all the way.
def _falling(level, x, y):
    drop = np.concatenate([[0.0], np.cumsum(np.hypot(np.diff(x), np.diff(y)))]) * MIN_FALL_PER_M
    return np.maximum.accumulate((level + drop)[::-1])[::-1] - drop


def set_levels(streams, structures, lake):
    """Streams with their final water levels: tributaries meet their stems, ponds stand behind weirs.

    Parameters
    ----------
    streams : list of Stream
        As traced.
    structures : list of Structure
        Weirs hold a pond as high as their drop; a natural fall flattens the reach above it.
    lake : Lake or None
        The stream is lowered to the lake's level and climbs out of it steeper.

    Returns
    -------
    list of Stream
    """
    settled = []
    for number, stream in enumerate(streams):
        natural, distance = stream.natural_m.copy(), stream.distance_m
        if lake is not None and lake.stream == number:
            natural = _with_lake(natural, distance, lake)
        for item in structures:
            if item.stream == number and item.kind == "fall":
                above_m = distance[item.vertex - 1] - distance
                ramp = item.drop_m * np.clip(1 - above_m / _ramp_m(natural, distance, item), 0, 1)
                natural = np.where(above_m >= 0, natural + ramp, natural)
        if stream.into >= 0:
            stem = settled[stream.into]
            meet = stem.natural_m[stream.joins_at] - natural[-1]
            natural = natural + meet * np.clip(1 - (distance[-1] - distance) / 300.0, 0, 1)
            natural[-1] = stem.natural_m[stream.joins_at]
            natural = np.maximum(natural, natural[-1])
        natural = np.maximum.accumulate(natural[::-1])[::-1]
        level, steps = natural.copy(), []
        if stream.into >= 0:
            level = np.maximum(level, stem.level_m[stream.joins_at])
        # From the mouth up, so that a pond may reach the foot of the next weir.
        for item in sorted((s for s in structures if s.stream == number), key=lambda s: -s.vertex):
            if item.kind == "weir":
                pond = level[item.vertex] + item.drop_m
                level[: item.vertex] = np.maximum(level[: item.vertex], pond)
            if item.kind in ("weir", "fall"):
                steps.append(item.vertex)
        settled.append(stream._replace(natural_m=natural, level_m=level, steps=tuple(sorted(steps))))
    return settled


# How far up a fall's flattened reach goes [m]: far enough that it still falls.
def _ramp_m(natural, distance, fall):
    above_m = distance[fall.vertex - 1] - distance[: fall.vertex]
    rise_m = natural[: fall.vertex] - natural[fall.vertex - 1]
    enough = np.flatnonzero((rise_m > 1.5 * fall.drop_m) & (above_m > 300.0))
    return above_m[enough[-1]] if enough.size else max(above_m[0], 1.0)


# The lake is flat; from its head the stream climbs back to its old level over as long again, or to its source.
def _with_lake(natural, distance, lake):
    head_m = distance[lake.first]
    length_m = distance[lake.last] - head_m
    top = int(np.searchsorted(distance, max(0.0, head_m - 1.2 * length_m)))
    lowered = natural.copy()
    lowered[lake.first : lake.last + 1] = lake.level_m
    share = (head_m - distance[top : lake.first]) / max(head_m - distance[top], 1.0)
    lowered[top : lake.first] = lake.level_m + share * (natural[top : lake.first] - lake.level_m)
    return lowered


def width_m(area_km2):
    """Width of the water [m]: by the usual root of flow, here of area, with an invented coefficient."""
    return 0.7 * np.sqrt(area_km2)


def bank_m(area_km2):
    """Height of the banks over the water [m]; grows with small streams, so that weirs stay between them."""
    return 1.2 + 0.28 * np.sqrt(np.minimum(area_km2, 30.0))


def dense_points(streams, spacing_m=2.5):
    """Points close together along all centrelines, with the level that holds there.

    Returns
    -------
    dict of ndarray, shape (points,)
        ``x_m``, ``y_m``, ``level_m``, ``natural_m``, ``area_km2``, ``stream`` and ``vertex`` (the nearest one).
    """
    parts = []
    for number, stream in enumerate(streams):
        distance = stream.distance_m
        at = np.linspace(0, distance[-1], max(2, int(distance[-1] / spacing_m)))
        vertex = np.clip(np.searchsorted((distance[1:] + distance[:-1]) / 2, at), 0, distance.size - 1)
        point = {"stream": np.full(at.size, number), "vertex": vertex}
        for name in ("x_m", "y_m", "level_m", "natural_m", "area_km2"):
            point[name] = np.interp(at, distance, getattr(stream, name))
        upper = np.clip(np.searchsorted(distance, at) - 1, 0, distance.size - 2)
        # Across a step the level is that of the nearer end: a weir is sharp.
        is_step = np.isin(upper + 1, stream.steps)
        for name in ("level_m", "natural_m"):
            point[name] = np.where(is_step, getattr(stream, name)[vertex], point[name])
        parts.append(point)
    return {name: np.concatenate([part[name] for part in parts]) for name in parts[0]}


def carve(elevation, streams, lake, transform, works=()):
    """The true surface: water in channels a few cells wide, banks, flood plains, valley sides and the lake.

    ``works`` are gorges, sills and flood embankments along the streams.

    Returns
    -------
    surface : ndarray of float64, shape (rows, columns)
        Ground and water level [m].
    owner : ndarray of int64, shape (rows, columns)
        Number of the nearest dense point where there is channel, else -1.
    points : dict of ndarray
        The dense points.
    """
    rows, columns = elevation.shape
    x, y = cell_centres(elevation.shape, transform)
    points = dense_points(streams)
    tree = cKDTree(np.column_stack([points["x_m"], points["y_m"]]))
    away, nearest = tree.query(np.column_stack([x.ravel(), y.ravel()]), distance_upper_bound=400.0)
    away, nearest = away.reshape(rows, columns), nearest.reshape(rows, columns)
    is_near = np.isfinite(away)
    nearest = np.where(is_near, nearest, 0)
    area, water, natural = (points[name][nearest] for name in ("area_km2", "level_m", "natural_m"))
    # Every cell that the centreline crosses has its centre within half a cell's diagonal.
    wide = width_m(points["area_km2"])
    plain = np.maximum(15.0, 11.0 * points["area_km2"] ** 0.45)
    for item in works:
        if item.kind != "embankments":
            wide[_along(points, item)] = item.width_m
        if item.kind == "gorge":
            plain[_along(points, item)] = 8.0
    half = np.maximum(wide[nearest] / 2, 0.71 * transform.a)
    beyond = np.where(is_near, away, 1e6) - half
    bank = bank_m(area)
    surface = np.minimum(elevation, _valley_m(natural, bank, beyond, plain[nearest]))
    rivers = np.flatnonzero(points["area_km2"] >= RIVER_KM2)
    if rivers.size:
        # A river's plain does not end where a brook that crosses it is nearer.
        tree = cKDTree(np.column_stack([points["x_m"][rivers], points["y_m"][rivers]]))
        far, of_river = tree.query(np.column_stack([x.ravel(), y.ravel()]), distance_upper_bound=400.0)
        far = far.reshape(rows, columns)
        of_river = rivers[np.where(np.isfinite(far), of_river.reshape(rows, columns), 0)]
        past = np.where(np.isfinite(far), far, 1e6) - np.maximum(wide[of_river] / 2, 0.71 * transform.a)
        bank_of_river = bank_m(points["area_km2"][of_river])
        valley = _valley_m(points["natural_m"][of_river], bank_of_river, past, plain[of_river])
        surface = np.minimum(surface, np.maximum(valley, natural + np.minimum(bank, 0.18 * beyond)))
    plain = plain[nearest]
    lift = natural + np.minimum(bank, 0.18 * beyond)
    surface = np.where(beyond < plain, np.maximum(surface, lift), surface)
    # Ponds need a bank; where the old one is too low a small dyke runs along the water.
    surface = np.where(beyond < 25.0, np.maximum(surface, water + np.minimum(0.6, 0.1 + 0.05 * beyond)), surface)
    for item in works:
        if item.kind == "embankments":
            is_dyke = _along(points, item)[nearest] & is_near
            # A crest of one cell and a half, with slopes of 1 in 4.
            below = np.maximum(0.0, np.abs(away - item.offset_m) - 0.75 * transform.a) / 4.0
            surface = np.where(is_dyke, np.maximum(surface, water + item.over_water_m - below), surface)
    is_channel = beyond <= 0
    surface = np.where(is_channel, water, surface)
    if lake is not None:
        shore = distance_transform_edt(~lake.mask) * transform.a
        is_bank = (shore > 0) & ~is_channel
        surface = np.where(is_bank, np.minimum(surface, lake.level_m + 0.5 + 0.12 * shore), surface)
        surface = np.where(is_bank & (shore < 40.0), np.maximum(surface, lake.level_m + 0.5), surface)
        surface = np.where(lake.mask, lake.level_m, surface)
    return surface, np.where(is_channel, nearest, -1), points


# How high the ground may be beside a stream [m], by the distance beyond its bank. Valley sides steepen away from
# the plain, so that widening it does not plane down the hills behind.
def _valley_m(natural, bank, beyond, plain):
    side = np.maximum(0, beyond - plain)
    return natural + bank + 0.01 * beyond + 0.35 * side + side**2 / 150.0


# Which dense points lie along works.
def _along(points, item):
    vertex = points["vertex"]
    return (points["stream"] == item.stream) & (vertex >= item.first) & (vertex <= item.last)


def dig_canal(surface, is_channel, canal, transform):
    """The surface with a canal between low banks; where it meets a stream it goes under it and leaves no trace."""
    x, y = cell_centres(surface.shape, transform)
    tree = cKDTree(np.column_stack([canal.x_m, canal.y_m]))
    away, nearest = tree.query(np.column_stack([x.ravel(), y.ravel()]), distance_upper_bound=60.0)
    away, nearest = away.reshape(surface.shape), nearest.reshape(surface.shape)
    is_near = np.isfinite(away)
    level = canal.level_m[np.where(is_near, nearest, 0)]
    is_dry = distance_transform_edt(~is_channel) * transform.a > 25.0
    bank = np.clip(surface, level + 0.5, level + 0.5 + 0.4 * np.maximum(0.0, away - 15.0))
    dug = np.where(is_near & is_dry & (away < 45.0), bank, surface)
    return np.where(is_near & is_dry & (away <= 0.71 * transform.a), level, dug)


def make_lake(streams, number, first, last, shape, transform, wobble):
    """A lake along a stream between two vertices, widest in the middle; its level is the outlet's.

    ``wobble`` is a field of noise, shape (rows, columns), that makes the shore uneven.
    """
    stream = streams[number]
    inside = slice(first, last + 1)
    share = np.linspace(0, 1, last + 1 - first)
    x, y = cell_centres(shape, transform)
    length_m = stream.distance_m[last] - stream.distance_m[first]
    radius = np.interp(share, [0, 0.5, 1], [0.03, 0.2, 0.03]) * length_m
    tree = cKDTree(np.column_stack([stream.x_m[inside], stream.y_m[inside]]))
    away, nearest = tree.query(np.column_stack([x.ravel(), y.ravel()]), distance_upper_bound=length_m)
    wide = radius[np.minimum(nearest, radius.size - 1)].reshape(shape) * (1 + 0.25 * wobble)
    return Lake(number, first, last, float(stream.natural_m[last]), away.reshape(shape) < wide)
