"""Maps of the printed sheets: the surroundings of a site, and the whole region with its sites."""

import numpy as np
import shapely

from sitefinder.report.sheets.amounts import grid_places, listed
from sitefinder.report.sheets.compile import shortened
from sitefinder.report.sheets.frame import DIGITS, Frame, moved_into, sample, scale_bar, window_about
from sitefinder.report.text import structure_name
from sitefinder.vocabulary import VERDICTS, names

LONGEST_NAME = 32
# Share of a site's extent that is free around it on its map.
ROOM = 0.18
# A road farther than this from the tailrace is not shown, or the stretch would be a dot [m].
FARTHEST_ROAD_M = 3000.0
# How far from the border of its district a name may be moved, and how many places each way are tried (own choice).
NAME_ROOM_MM, PLACES_TRIED = 20.0, 9
SMALLEST_SHARE = 0.45
_MILDEST_FIRST = tuple(reversed(VERDICTS))
LOCATOR_MM = (45.0, 30.0)
POINT_MM = {"settlement": 1.4, "structure": 1.7, "end": 2.4}
CONDUIT_PARTS = ("headrace", "penstock")
ENDS = (("intake", "triangle down"), ("tailrace", "circle"))


def measure_names(setter, handover):
    """Measure all names that maps may show, and the letters of their numbers."""
    shown = {*DIGITS, *(name for name, _ in ENDS)}
    for layer in ("settlements", "roads", "lakes", "districts"):
        if layer in handover.context:
            shown |= {map_name(setter, name) for name in handover.context[layer]["name"]}
    shown |= {map_name(setter, structure_name(name)) for name in handover.tables["structures"]["structure_id"]}
    setter.measure(shown - {""})


def map_name(setter, name):
    """A name for a map: shortened, and empty if there is none."""
    return setter.text(shortened(str(name), LONGEST_NAME)) if name else ""


def place_map(setter, handover, site, size_mm):
    """The map of a site and the access to it.

    Parameters
    ----------
    setter : sitefinder.report.sheets.compile.Typesetter
        Names must have been measured by `measure_names`.
    handover : sitefinder.report.handover.Handover
    site : dict
        A row of ``sites``.
    size_mm : tuple of float
        Width and height of the frame.

    Returns
    -------
    dict or None
        The drawing with its legend and scale bar; None if the site's coordinates are not known.
    """
    lon, lat = [site["intake_lon"], site["lon"]], [site["intake_lat"], site["lat"]]
    places = grid_places(handover.crs, lon, lat)
    stretch, to_road = _stretch(handover, site), _to_road(handover, places[1])
    conduits = _conduits(handover, site)
    shown = [shapely.Point(place) for place in places if np.isfinite(place).all()]
    shown += [part for part in (stretch, to_road, *conduits.values()) if not part.is_empty]
    if not shown:
        return None
    bounds = shapely.union_all(shown).bounds
    window = window_about(bounds, size_mm, room=ROOM)
    if handover.relief is not None:
        across, up = (ROOM * (window[high] - window[low]) / 2 for low, high in ((0, 2), (1, 3)))
        around = (bounds[0] - across, bounds[1] - up, bounds[2] + across, bounds[3] + up)
        window = moved_into(window, handover.relief.bounds_m, around)
    frame = Frame(setter, *size_mm, window)
    _draw_ground(frame, handover)
    frame.lines([to_road], "to-road")
    frame.lines([stretch], "stretch-edge", "stretch")
    for part, line in conduits.items():
        frame.lines([line], part)
    for line in (stretch, *conduits.values()):
        frame.keep_clear_along(line)
    known = [(place, *end) for place, end in zip(places, ENDS, strict=True) if np.isfinite(place).all()]
    for place, _, shape in known:
        x, y = frame.at(*place)
        frame.mark("end", shape, x, y, POINT_MM["end"])
        frame.keep_clear(x - 1.3, y - 1.3, 2.6, 2.6)
    structures, settlements = _mark_structures(frame, handover), _mark_settlements(frame, handover)
    for place, name, _ in known:
        frame.label(*place, name, 7.0, bold=True, away_mm=2.0)
    _name_marks(frame, structures, 6.0, quiet=True)
    _name_marks(frame, settlements, 6.5)
    _draw_names(frame, handover, 6.0)
    frame.numbers()
    drawn = frame.drawing(_place_description(handover, site))
    return {
        **drawn,
        "key": _key(frame.kinds, [(name, shape) for _, name, shape in known]),
        "scale": scale_bar(frame.mm_per_m, 22.0),
        "window": frame.window,
    }


def locator(setter, handover):
    """The streams of the region, small, to show where a map lies in it; see `locate`.

    Returns
    -------
    tuple of (dict, Frame) or None
        None where there are no streams.
    """
    reaches = handover.tables["reaches"]
    if not len(reaches):
        return None
    frame = Frame(setter, *LOCATOR_MM, window_about(reaches.total_bounds, LOCATOR_MM, room=0.04), 0.0, 0.0)
    if "region" in handover.context:
        frame.lines(handover.context["region"].geometry, "small-border")
    frame.lines(reaches.geometry, "small-stream")
    return frame.drawing("The streams of the region, with a box around the part that the map shows."), frame


def locate(frame, window):
    """Where a window of the region lies on the locator: x, y, width and height [mm], at least a millimetre."""
    left, top = frame.at(window[0], window[3])
    right, foot = frame.at(window[2], window[1])
    width, height = max(right - left, 1.0), max(foot - top, 1.0)
    x, y = (left + right - width) / 2, (top + foot - height) / 2
    x, y = max(x, 0.0), max(y, 0.0)
    return [
        round(number, 2) for number in (x, y, min(width, frame.width_mm - x), min(height, frame.height_mm - y))
    ]


def region_map(setter, handover, size_mm, *, number_pt, largest_mm, name_pt, plate=False, steps=5):
    """The whole region with its sites by rank.

    Parameters
    ----------
    setter, handover, size_mm
        See `place_map`.
    number_pt, name_pt : float
        Size of ranks and of names [pt].
    largest_mm : float
        Radius of the site with the largest installed capacity.
    plate : bool
        Whether names of districts, roads and lakes, and structures are shown too.
    steps : int
        Maximum number of grid lines across.

    Returns
    -------
    dict
        The drawing, its key and scale bar, and as ``unnumbered`` how many sites lie too close together for a
        number.
    """
    reaches = handover.tables["reaches"]
    bounds = reaches.total_bounds if len(reaches) else handover.relief.bounds_m
    frame = Frame(setter, *size_mm, window_about(bounds, size_mm, room=0.02 if plate else 0.03))
    _draw_ground(frame, handover, borders=True, steps=steps)
    if plate:
        _mark_structures(frame, handover)
    settlements = _mark_settlements(frame, handover)
    unnumbered = _draw_sites(frame, handover, number_pt, largest_mm)
    if plate:
        _draw_districts(frame, handover)
    _name_marks(frame, settlements, name_pt)
    if plate:
        _draw_names(frame, handover, 6.5)
    frame.numbers(steps)
    count = len(handover.tables["sites"])
    drawn = frame.drawing(
        f"Map of the region: its streams by verdict, and {count} sites numbered by rank. "
        "The list of sites has their names."
    )
    return {
        **drawn,
        "key": _key(frame.kinds),
        "scale": scale_bar(frame.mm_per_m, 55.0 if plate else 30.0),
        "unnumbered": unnumbered,
    }


# Legend of the lines and marks on a map.
def _key(kinds, ends=()):
    entries = [
        ("stretch", sample("stretch"), "stretch used by this site"),
        *((part, sample(part), part) for part in CONDUIT_PARTS),
        *(("end", sample("end", shape=shape, size_mm=2.2), name) for name, shape in ends),
        ("to-road", sample("to-road"), "straight line to the nearest road"),
        *(
            (f"stream-{each.name}", sample(f"stream-{each.name}"), f"stream: {each.label}")
            for each in _MILDEST_FIRST
        ),
        ("road", sample("road-edge", "road"), "road"),
        ("power-line", sample("power-line"), "power line"),
        ("settlement", sample("settlement", shape="square"), "settlement"),
        ("lake", sample("lake", shape="area"), "lake"),
        ("border", sample("border"), "boundary of region or district"),
        ("structure", sample("structure", shape="triangle"), "weir, drop or step"),
        ("dot", sample("dot", shape="circle", size_mm=2.0), "site, with its rank"),
    ]
    return [{"svg": drawn, "text": meaning} for kind, drawn, meaning in entries if kind in kinds]


# Relief, areas, boundaries, roads, streams by verdict and power lines, if available.
def _draw_ground(frame, handover, *, borders=False, steps=5):
    context = handover.context
    frame.relief(handover.relief)
    frame.grid(steps)
    if "settlements" in context:
        frame.areas(context["settlements"].geometry, "built")
    if "lakes" in context:
        frame.areas(context["lakes"].geometry, "lake")
    if borders:
        for name in ("region", "districts"):
            if name in context:
                frame.lines(context[name].geometry, "border")
    if "roads" in context:
        frame.lines(context["roads"].geometry, "road-edge", "road")
    reaches = handover.tables["reaches"]
    geometry, verdict = reaches.geometry.to_numpy(), reaches["verdict"].to_numpy()
    for name in names(VERDICTS):
        frame.lines(geometry[verdict == name], f"stream-{name}")
    if "power_lines" in context:
        frame.lines(context["power_lines"].geometry, "power-line")


# Sites at their tailraces, larger with more power, and their ranks; how many ranks had no room.
def _draw_sites(frame, handover, size_pt, largest_mm):
    sites = handover.tables["sites"].sort_values("rank")
    places = [(site.geometry.x, site.geometry.y, site.rank, site.power_kw) for site in sites.itertuples()]
    largest_kw = sites["power_kw"].max()
    for east, north, _, power_kw in places:
        share = power_kw / largest_kw if largest_kw > 0 and power_kw >= 0 else 0.0
        radius = largest_mm * max(SMALLEST_SHARE, share**0.5)
        x, y = frame.at(east, north)
        frame.mark("dot", "circle", x, y, 2 * radius)
        frame.keep_clear(x - radius, y - radius, 2 * radius, 2 * radius)
    return sum(not frame.number(east, north, str(rank), size_pt) for east, north, rank, _ in places)


# Marks of settlements; places and names of those that are on the map.
def _mark_settlements(frame, handover):
    if "settlements" not in handover.context:
        return []
    settlements = handover.context["settlements"]
    return _mark(frame, "settlement", "square", _points_of(settlements), settlements["name"])


# Marks of weirs and drops; places and ids of those that are on the map.
def _mark_structures(frame, handover):
    structures = handover.tables["structures"]
    identities = map(structure_name, structures["structure_id"])
    return _mark(frame, "structure", "triangle", _points_of(structures), identities)


def _mark(frame, kind, shape, places, names_of):
    shown = [
        (place, name)
        for place, name in zip(places, names_of, strict=True)
        if np.isfinite(place).all() and frame.holds(*place, 1.5)
    ]
    for place, _ in shown:
        x, y = frame.at(*place)
        frame.mark(kind, shape, x, y, POINT_MM[kind])
        half = POINT_MM[kind] / 2 + 0.1
        frame.keep_clear(x - half, y - half, 2 * half, 2 * half)
    return shown


# Names beside their marks; a name that has no room is left out.
def _name_marks(frame, marks, size_pt, **options):
    for place, name in marks:
        frame.label(*place, map_name(frame.setter, name), size_pt, **options)


# Names of roads and lakes at the middle of what is shown of them, where there is room.
def _draw_names(frame, handover, size_pt):
    for layer in ("roads", "lakes"):
        if layer in handover.context:
            named = handover.context[layer]
            for part, row in zip(*frame.within(named.geometry), strict=True):
                middle = shapely.point_on_surface(part)
                name = map_name(frame.setter, named["name"].iloc[row])
                frame.label(middle.x, middle.y, name, size_pt, quiet=True)


# Names of districts, each once, well within its district.
def _draw_districts(frame, handover):
    if "districts" not in handover.context:
        return
    districts = handover.context["districts"]
    for place, name, area in zip(_points_of(districts), districts["name"], districts.geometry, strict=True):
        if np.isfinite(place).all():
            shown = map_name(frame.setter, name)
            style = {"away_mm": 4.0, "bold": True, "quiet": True}
            any(frame.label(*each, shown, 11.0, **style) for each in [place, *_others(frame, area, place)])


# Other places for a name within its district, the nearest to the first one first.
def _others(frame, area, place):
    inner = shapely.buffer(area, -NAME_ROOM_MM / frame.mm_per_m)
    if inner.is_empty:
        return []
    west, south, east, north = inner.bounds
    across, up = np.meshgrid(np.linspace(west, east, PLACES_TRIED), np.linspace(south, north, PLACES_TRIED))
    places = np.column_stack([across.ravel(), up.ravel()])
    places = places[shapely.contains_xy(inner, places)]
    return places[np.argsort(np.hypot(*(places - place).T), kind="stable")]


# A place for the name of each feature: itself, or a point within it; NaN where it has no geometry.
def _points_of(frame):
    geometry = frame.geometry.to_numpy()
    places = np.full((len(geometry), 2), np.nan)
    for row, each in enumerate(shapely.point_on_surface(geometry)):
        if each is not None and not each.is_empty:
            places[row] = each.x, each.y
    return places


def _stretch(handover, site):
    stretches = handover.tables["stretches"]
    own = stretches[stretches["site_id"] == site["site_id"]]
    return own.geometry.iloc[0] if len(own) else shapely.LineString()


# Headrace and penstock of a diversion, as far as the ground shows a way for them.
def _conduits(handover, site):
    conduits = handover.tables["conduits"]
    own = conduits[conduits["site_id"] == site["site_id"]]
    return {part: line for part, line in zip(own["part"], own.geometry, strict=True)} if len(own) else {}


# The straight line from the tailrace to the nearest road, empty where there is none near.
def _to_road(handover, tailrace):
    if "roads" not in handover.context or not np.isfinite(tailrace).all():
        return shapely.LineString()
    roads, place = handover.context["roads"].geometry.to_numpy(), shapely.Point(tailrace)
    if not len(roads):
        return shapely.LineString()
    nearest = roads[np.nanargmin(shapely.distance(roads, place))]
    line = shapely.shortest_line(place, nearest)
    return line if 0 < line.length <= FARTHEST_ROAD_M else shapely.LineString()


def _place_description(handover, site):
    layers = ("roads", "power_lines", "settlements")
    shown = listed(["streams", *(each.replace("_", " ") for each in layers if each in handover.context)])
    return (
        f"Map of the stretch of stream between intake and tailrace of the site of rank {site['rank']}, with "
        f"{shown} around it. Coordinates of intake and tailrace are under “How to get there”."
    )
