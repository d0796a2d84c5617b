"""The map layers of the sample region: streams as a mapper would draw them, and what else lies in the country."""

from itertools import pairwise
from typing import NamedTuple

import geopandas as gpd
import numpy as np
import pandas as pd
import plan
import rasterio.features
from landscape import smooth_noise, to_cell
from scipy.ndimage import map_coordinates
from shapely import LineString, Point, Polygon, box, get_coordinates, union_all
from shapely.geometry import shape as as_shape
from shapely.ops import split, substring

STREAM_NAMES = (
    "Ardelm", "Tarrin", "Oskery", "Vellebeck", "Hosk Water", "Mirrow", "Zelka", "Ebben", "Lunnet", "Garrowel",
    "Prunnock Burn", "Åmsa", "Quillen", "Sarnewater",
)  # fmt: skip
MIN_NAMED_KM2 = 1.2
# The mapper's line wanders off the channel by up to this much, over lengths of some 400 m.
GREATEST_OFFSET_M = 22.0
OFFSET_LENGTH_M = 400.0
GENERALISATION_M = 2.5
SHORT_END_M = (1.2, 2.0, 2.8)


class Mapped(NamedTuple):
    """The mapped streams, which of them carry a mapper's error, and the number of the true stream of each."""

    streams: gpd.GeoDataFrame
    reversed_ids: list
    short_ids: list
    through_confluence_ids: list
    stream_of: dict


def mapper_shift(shape, transform, seed, beside_m=None):
    """How the mapper's drawing lies beside the ground: a smooth function (x, y) → (x, y) [m].

    One field for all lines keeps what meets together, and lets no two lines cross. With ``beside_m`` (least, most)
    every line is moved by a distance in this range [m], as the lines of a poor map are, instead of wandering about
    the channel by up to `GREATEST_OFFSET_M`.
    """
    rng = np.random.default_rng([seed, 3])
    fields = [smooth_noise(rng, shape[0], OFFSET_LENGTH_M / transform.a) for _ in range(2)]
    if beside_m is None:
        length = np.hypot(*fields)
        fields = [
            GREATEST_OFFSET_M * np.tanh(0.55 * length) / np.maximum(length, 1e-9) * field for field in fields
        ]
    else:
        # A direction that turns by a bounded angle: a field of free direction would be torn where it vanishes.
        angle = rng.uniform(0.0, 2.0 * np.pi) + np.tanh(fields[0])
        length = beside_m[0] + (beside_m[1] - beside_m[0]) * (0.5 + 0.5 * np.tanh(fields[1]))
        fields = [length * np.cos(angle), length * np.sin(angle)]

    def shift(x, y):
        at = to_cell(transform, x, y)
        offset = [map_coordinates(field, at, order=1, mode="nearest") for field in fields]
        return x + offset[0], y + offset[1]

    return shift


def draw_streams(streams, shift, rng, rivers=()):
    """Stream features as mapped: link by link, shifted and generalised, with a mapper's few errors.

    Returns
    -------
    Mapped
        Features have ``stream_id``, ``name`` (empty for small ones), in a planned region ``inflow_km2`` (catchment
        outside the region of streams that come in, else 0) and geometry; without CRS.
    """
    names = name_streams(streams, rivers)
    parts = []
    for number, stream in enumerate(streams):
        x, y = shift(stream.x_m, stream.y_m)
        line = np.round(np.column_stack([x, y]), 2)
        if stream.into >= 0:
            stem = streams[stream.into]
            line[-1] = np.round(np.ravel(shift(stem.x_m[[stream.joins_at]], stem.y_m[[stream.joins_at]])), 2)
        cuts = sorted({0, line.shape[0] - 1} | {other.joins_at for other in streams if other.into == number})
        links = [line[start : end + 1] for start, end in pairwise(cuts)]
        links = [get_coordinates(LineString(link).simplify(GENERALISATION_M)) for link in links]
        parts.extend((number, place, link) for place, link in enumerate(links))
    ordinary = [k for k, (number, place, _) in enumerate(parts) if place > 0 and parts[k - 1][0] == number]
    merged = sorted(rng.choice(ordinary, min(len(ordinary) // 4, 5), replace=False).tolist(), reverse=True)
    through = []
    for k in merged:
        # The upper link takes the lower one in: a feature that runs on past a confluence.
        number, place, upper = parts[k - 1]
        parts[k - 1] = (number, place, np.concatenate([upper, parts[k][2][1:]]))
        parts[k] = None
        through = [other for other in through if other != k] + [k - 1]
    kept = [k for k, part in enumerate(parts) if part is not None]
    last = {parts[k][0]: k for k in kept}
    tributaries = [k for number, k in last.items() if streams[number].into >= 0]
    short = rng.choice(tributaries, min(len(tributaries) // 4, len(SHORT_END_M)), replace=False).tolist()
    # A line that states an inflow says so at its upper end, which its author knew.
    inflow = {k: _inflow_km2(rivers, *parts[k][:2]) for k in kept}
    turned = [k for k in kept if k not in short and not inflow[k]]
    drawn = rng.choice(turned, min(3, len(kept) // 4), replace=False).tolist()
    # Nor is the mouth of a river turned, where it falls by less than anybody can see: the next line is instead.
    mouths = {last[number] for number in rivers}
    free = [k for k in turned if k not in mouths and k not in drawn]
    turned = [next(other for other in free if other > k) if k in mouths else k for k in drawn]
    for k, gap in zip(short, SHORT_END_M, strict=False):
        number, place, link = parts[k]
        line = LineString(link)
        parts[k] = (number, place, np.round(get_coordinates(substring(line, 0, line.length - gap)), 2))
    # Numbered in an order that says nothing of the network.
    ids = {k: f"S{label:03d}" for k, label in zip(kept, rng.permutation(len(kept)) + 1, strict=True)}
    kept.sort(key=lambda k: ids[k])
    lines = [LineString(parts[k][2][::-1] if k in turned else parts[k][2]) for k in kept]
    table = {"stream_id": [ids[k] for k in kept], "name": [names[parts[k][0]] for k in kept]}
    if rivers:
        table["inflow_km2"] = [inflow[k] for k in kept]
    frame = gpd.GeoDataFrame(table, geometry=lines)
    stream_of = {ids[k]: parts[k][0] for k in kept}
    return Mapped(frame, *(sorted(ids[k] for k in group) for group in (turned, short, through)), stream_of)


# What the first link of a river that comes in brings with it [km²].
def _inflow_km2(rivers, number, place):
    return plan.RIVERS[rivers.index(number)].inflow_km2 if number in rivers and place == 0 else 0.0


def name_streams(streams, rivers=()):
    """A name for each of the larger streams, the largest first; the rest have an empty one.

    ``rivers`` are the numbers of the planned ones, whose names the plan has.
    """
    names = [""] * len(streams)
    for number, river in zip(rivers, plan.RIVERS, strict=False):
        names[number] = river.name
    largest = sorted(range(len(streams)), key=lambda k: -streams[k].area_km2.max())
    left = [name for name in STREAM_NAMES if name not in names]
    for name, number in zip(left, [k for k in largest if k not in rivers], strict=False):
        if streams[number].area_km2.max() >= MIN_NAMED_KM2:
            names[number] = name
    return names


def draw_structures(streams, structures, rng):
    """Surveyed weirs and the fall: places to some metres, drops with the survey's error. Without CRS."""
    uses = ("mill", "none", "irrigation", "none", "navigation")
    owners = ("Hosk Mill", "unknown", "Tarrin Water Board")
    rows = []
    for number, item in enumerate(structures):
        stream = streams[item.stream]
        x, y = step_place(stream, item.vertex)
        drop_m = stream.level_m[item.vertex - 1] - stream.level_m[item.vertex]
        error = (0.05, 0.10, 0.15)[number % 3]
        is_weir = item.kind == "weir"
        found = {
            "use": uses[number % 5] if is_weir else "none",
            "owner": owners[number % 3] if is_weir else "",
            "powered": bool(is_weir and number % 5 == 0),
            "condition": ("good", "fair", "poor")[number % 3] if is_weir else "natural",
            "fish_pass": bool(is_weir and number % 4 == 1),
            "removal_planned": bool(is_weir and number == 3),
        }
        rows.append(
            {
                "structure_id": f"{'W' if is_weir else 'F'}{number + 1:02d}",
                "kind": item.kind,
                **(found if item.notes is None else item.notes),
                "drop_m": round(float(drop_m + rng.normal(0.0, error)), 2),
                "drop_error_m": error,
                "geometry": Point(np.round([x + rng.normal(0, 2.0), y + rng.normal(0, 2.0)], 1)),
            }
        )
    columns = list(rows[0]) if rows else None
    return gpd.GeoDataFrame(rows, columns=columns, geometry="geometry")


def step_place(stream, vertex):
    """Where a step stands (x, y) [m]: half-way between the vertex and the one before it."""
    pair = slice(vertex - 1, vertex + 1)
    return float(stream.x_m[pair].mean()), float(stream.y_m[pair].mean())


def draw_lake(lake, name, grid):
    """The lake's shore as a polygon, without CRS; empty where there is no lake."""
    if lake is None:
        return gpd.GeoDataFrame({"lake_id": [], "name": [], "level_m": []}, geometry=[])
    table = {"lake_id": ["L01"], "name": [name], "level_m": [round(lake.level_m, 2)]}
    return gpd.GeoDataFrame(table, geometry=[largest_polygon(lake.mask, grid).simplify(6.0)])


def largest_polygon(mask, grid):
    """The largest piece of a mask as a polygon without holes [m]."""
    pieces = rasterio.features.shapes(mask.astype("uint8"), mask=mask, transform=grid)
    return Polygon(max((as_shape(piece) for piece, _ in pieces), key=lambda p: p.area).exterior)


def draw_fish(streams, structures, lake, shift, rivers=()):
    """Spawning lines on one tributary and the migration way of the main stem, up to the natural fall.

    In a planned region they spawn in the lower Vellebeck, and migrate up to there and up to the meadows.

    Returns
    -------
    spawning, migration : GeoDataFrame
        Without CRS.
    """
    if rivers:
        stem, other = (streams[rivers[number]] for number in (0, 2))
        reach = _between(other, plan.SPAWNING_FROM, plan.SPAWNING_TO)
        ways = [_between(stem, plan.MIGRATION_FROM, 1.0), _between(other, plan.SPAWNING_TO, 1.0)]
        ways = [_drawn(stream, part, shift, 4.0) for stream, part in zip((stem, other), ways, strict=True)]
        return _fish_layers(
            _drawn(other, reach, shift, 2.0), union_all([way.buffer(45.0, quad_segs=3) for way in ways])
        )
    stem_number = int(np.argmax([stream.area_km2.max() for stream in streams]))
    stem = streams[stem_number]
    falls = [item.vertex for item in structures if item.kind == "fall" and item.stream == stem_number]
    top = falls[0] if falls else stem.x_m.size // 3
    below = [k for k, s in enumerate(streams) if s.into == stem_number and s.joins_at > top + 20]
    # Salmon spawn in running water: a tributary with a lake comes last.
    number = max(below, key=lambda k: (lake is None or lake.stream != k, streams[k].area_km2.max()))
    stream = streams[number]
    reach = slice(int(0.3 * stream.x_m.size), int(0.85 * stream.x_m.size))
    way = _drawn(stem, slice(top, None), shift, 4.0)
    return _fish_layers(_drawn(stream, reach, shift, 2.0), way.buffer(45.0, quad_segs=3))


# The vertices of a stream between two shares of its length.
def _between(stream, start, end):
    first, last = (
        int(np.searchsorted(stream.distance_m, share * stream.distance_m[-1])) for share in (start, end)
    )
    return slice(first, last + 1)


# A part of a stream as the mapper draws it.
def _drawn(stream, part, shift, tolerance_m):
    place = np.column_stack(shift(stream.x_m[part], stream.y_m[part]))
    return LineString(np.round(place, 1)).simplify(tolerance_m)


def _fish_layers(line, way):
    spawning = {"spawning_id": ["SP1"], "species": ["salmon"], "months": ["October to January"]}
    migration = {"migration_id": ["M1"], "species": ["salmon"]}
    return gpd.GeoDataFrame(spawning, geometry=[line]), gpd.GeoDataFrame(migration, geometry=[way])


def draw_protected(streams, extent, rng, rivers=()):
    """Protected areas in metres: reserves, a landscape with a hole, and a monument drawn as an invalid bow tie.

    In a planned region the landscape lies around the lower river, which has wet meadows and a gorge.
    """
    west, _, east, north = extent
    side = east - west
    heads = [s for k, s in enumerate(streams) if s.x_m.size > 20 and k not in rivers]
    heads = sorted(heads, key=lambda s: -s.natural_m[0])
    heart = (heads[0].x_m[10], heads[0].y_m[10])
    reserve = _blob(heart, 0.085 * side, rng)
    middles, radii = ((0.20, 0.76), (0.21, 0.77)), (0.13, 0.035)
    if rivers:
        middles, radii = (plan.VALE_CENTRE, plan.HOLE_CENTRE), (plan.VALE_RADIUS, plan.HOLE_RADIUS)
    landscape, hole = (
        _blob((west + column * side, north - row * side), radius * side, rng)
        for (row, column), radius in zip(middles, radii, strict=True)
    )
    landscape = Polygon(landscape.exterior, [hole.exterior])
    second = heads[len(heads) // 2]
    small = _blob((second.x_m[second.x_m.size // 2], second.y_m[second.x_m.size // 2]), 0.03 * side, rng)
    tie = heads[-1]
    x, y = tie.x_m[tie.x_m.size // 2], tie.y_m[tie.x_m.size // 2]
    wing = 0.025 * side
    bow_tie = Polygon([(x - wing, y - wing), (x + wing, y + wing), (x + wing, y - wing), (x - wing, y + wing)])
    table = {
        "protected_id": ["PA1", "PA2", "PA3", "PA4"],
        "name": ["Tarrin Heights", "Vale of Ardelm", "Ebben Gorge", "Zelk Springs"],
        "category": ["strict reserve", "landscape", "strict reserve", "natural monument"],
    }
    areas = [reserve, landscape, small, bow_tie]
    if rivers:
        stem = streams[rivers[0]]
        strips = (
            (plan.MEADOW_FROM, plan.MEADOW_TO, plan.MEADOW_HALF_WIDTH_M),
            (plan.SCENERY_FROM, plan.SCENERY_TO, plan.SCENERY_HALF_WIDTH_M),
        )
        for start, end, half_width_m in strips:
            part = _between(stem, start, end)
            line = LineString(np.column_stack([stem.x_m[part], stem.y_m[part]])).simplify(20.0)
            areas.append(line.buffer(half_width_m, quad_segs=4).simplify(10.0))
        table["protected_id"] += ["PA5", "PA6"]
        table["name"] += ["Ardelm Meadows", "Ardelm Gorge"]
        table["category"] += ["wet meadow", "gorge"]
    return gpd.GeoDataFrame(table, geometry=areas)


def draw_works(streams, places):
    """What was built beside the streams of a planned region: flood embankments, a canal, drops without a stream.

    Returns
    -------
    embankments, canals, drops : GeoDataFrame
        Without CRS. ``drops`` has ``drop_id``, ``name``, ``kind``, ``drop_m`` and ``flow_m3s``, which is constant.
    """
    stem = streams[places.rivers[0]]
    (banks,) = (item for item in places.works if item.kind == "embankments")
    part = slice(banks.first, banks.last + 1)
    line = LineString(np.column_stack([stem.x_m[part], stem.y_m[part]])).simplify(3.0)
    sides = [line.offset_curve(side * banks.offset_m).simplify(3.0) for side in (1, -1)]
    embankments = {"embankment_id": ["E1", "E2"], "height_m": [banks.over_water_m] * 2}
    canal = places.canal
    course = LineString(np.round(np.column_stack([canal.x_m, canal.y_m]), 1)).simplify(1.5)
    canals = {
        "canal_id": ["C1"],
        "name": ["Meadow Canal"],
        "use": ["irrigation"],
        "flow_m3s": [plan.CANAL_FLOW_M3S],
    }
    rows = []
    for number, place in enumerate(canal.drops, 1):
        drop_m = round(float(canal.level_m[place - 1] - canal.level_m[place]), 2)
        row = (f"D{number}", f"Meadow Canal, drop {number}", "canal drop", drop_m, plan.CANAL_FLOW_M3S)
        rows.append((*row, Point(np.round([canal.x_m[place], canal.y_m[place]], 1))))
    outfall = line_beside(stem, plan.OUTFALL_AT, plan.OUTFALL_OFFSET_M)
    row = (f"D{len(rows) + 1}", "Ebbenstow treatment works", "outfall", plan.OUTFALL_DROP_M, plan.OUTFALL_FLOW_M3S)
    rows.append((*row, Point(np.round(outfall, 1))))
    drops = pd.DataFrame(rows, columns=["drop_id", "name", "kind", "drop_m", "flow_m3s", "geometry"])
    return (
        gpd.GeoDataFrame(embankments, geometry=sides),
        gpd.GeoDataFrame(canals, geometry=[course]),
        gpd.GeoDataFrame(drops, geometry="geometry"),
    )


def line_beside(stream, share, offset_m):
    """A place beside a stream at a share of its length (x, y) [m]; offsets to the right of the current."""
    vertex = int(np.searchsorted(stream.distance_m, share * stream.distance_m[-1]))
    low, high = max(0, vertex - 3), min(stream.x_m.size - 1, vertex + 3)
    along = np.array([stream.x_m[high] - stream.x_m[low], stream.y_m[high] - stream.y_m[low]])
    return np.array([stream.x_m[vertex], stream.y_m[vertex]]) + offset_m * np.array(
        [along[1], -along[0]]
    ) / np.hypot(*along)


def survey_sections(streams, places, shift):
    """Surveyed widths and depths of the stem in its gorge and on the sill below a weir.

    Returns
    -------
    DataFrame
        The columns of ``inputs.sections``: ``section_id``, ``x``, ``y``, ``flow_m3s``, ``width_m``, ``depth_m``;
        places as the mapper has them.
    """
    stem, rows = streams[places.rivers[0]], []
    for item, label, (flow, width, depth) in (("sill", "A", plan.SILL), ("gorge", "B", plan.GORGE)):
        (works,) = (one for one in places.works if one.kind == item)
        ends = (
            (works.first + 2,) if item == "sill" else np.linspace(works.first + 8, works.last - 8, 3).astype(int)
        )
        for number, vertex in enumerate(ends, 1):
            x, y = (float(axis[0]) for axis in shift(stem.x_m[[vertex]], stem.y_m[[vertex]]))
            rows.append((f"{label}{number}", round(x, 1), round(y, 1), flow, width, depth))
    return pd.DataFrame(rows, columns=["section_id", "x", "y", "flow_m3s", "width_m", "depth_m"])


# A round patch with an uneven edge.
def _blob(centre, radius_m, rng):
    turn = np.linspace(0, 2 * np.pi, 48, endpoint=False)
    edge = np.full(turn.size, radius_m)
    for wave in range(2, 6):
        edge *= 1 + 0.25 / wave * np.cos(wave * turn + rng.uniform(0, 2 * np.pi))
    x, y = centre[0] + edge * np.cos(turn), centre[1] + edge * np.sin(turn)
    return Polygon(np.round(np.column_stack([x, y]), 1))


def draw_districts(extent):
    """Two districts that cover everything, divided by a crooked line. Without CRS."""
    west, south, east, north = extent
    away = 0.02 * (east - west)
    whole = box(west - away, south - away, east + away, north + away)
    y = np.linspace(south - 2 * away, north + 2 * away, 40)
    share = (y - south) / (north - south)
    x = west + (east - west) * (0.47 + 0.05 * np.sin(5.0 * share) + 0.02 * np.sin(17.0 * share))
    border = LineString(np.round(np.column_stack([x, y]), 1))
    halves = sorted(split(whole, border).geoms, key=lambda half: half.centroid.x)
    return gpd.GeoDataFrame({"name": ["Tarrin Side", "Ardelm Side"]}, geometry=list(halves))
