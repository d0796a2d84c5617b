"""Maps of the printed sheets: the surroundings of a site, and the whole region with its sites."""

import numpy as np
import shapely

from sitefinder.report.languages import labels, numeral, say
from sitefinder.report.map_labels import stream_places
from sitefinder.report.map_signs import DROP, GAUGE, MAP_KINDS, actions_on_map, kinds_on_map, structure_label
from sitefinder.report.sheets.amounts import grid_places, listed
from sitefinder.report.sheets.compile import shortened
from sitefinder.report.sheets.frame import DIGITS, Frame, hatch_sample, moved_into, sample, scale_bar, window_about
from sitefinder.vocabulary import ACTIONS, PASSED_STEP, VERDICTS, names

LONGEST_NAME = 32
# Share of a site's extent that is free around it on its map.
ROOM = 0.18
# A road farther than this from the tailrace is not shown, or the stretch would be a dot [m].
FARTHEST_ROAD_M = 3000.0
# How far from the border of its district a name may be moved, and how many places each way are tried (own choice).
NAME_ROOM_MM, PLACES_TRIED = 20.0, 9
SMALLEST_SHARE = 0.45
_MILDEST_FIRST = tuple(reversed(VERDICTS))
SITE_MAP_MM, LOCATOR_MM = (126.0, 82.0), (45.0, 25.0)
POINT_MM = {"settlement": 1.4, "end": 2.4}
# Size of a place by kind; an unexplained step is smaller than what somebody has seen.
PLACE_MM, STEP_MM = 1.7, 1.2
# Distance of the marks along a power line.
PYLONS_MM, PYLON_MM = 5.0, 0.7
CONDUIT_PARTS = ("headrace", "penstock")
ENDS = (("intake", "triangle down"), ("tailrace", "circle"))


def measure_names(setter, handover):
    """Measure all names that maps may show, and the letters of their numbers."""
    shown = {*DIGITS, *(say(name) for name, _ in ENDS)}
    for layer in ("settlements", "roads", "lakes", "districts"):
        if layer in handover.context:
            shown |= {map_name(setter, name) for name in handover.context[layer]["name"]}
    shown |= {map_name(setter, name) for name in handover.tables["structures"]["structure_id"]}
    shown |= {map_name(setter, name) for name in handover.tables["reaches"]["stream"].dropna().unique()}
    setter.measure(shown - {""})


def map_name(setter, name):
    """A name for a map: shortened, and empty if there is none."""
    return setter.text(shortened(str(name), LONGEST_NAME)) if name else ""


def place_map(setter, handover, site):
    """The map of a site and the access to it.

    Parameters
    ----------
    setter : sitefinder.report.sheets.compile.Typesetter
        Names must have been measured by `measure_names`.
    handover : sitefinder.report.handover.Handover
    site : dict
        A row of ``sites``.

    Returns
    -------
    dict or None
        The drawing with its legend and scale bar; None if the site's coordinates are not known.
    """
    drawn = _drawn_of(handover, site)
    window = _window(handover, drawn)
    if window is None:
        return None
    places, stretch, to_road, conduits = drawn
    frame = Frame(setter, *SITE_MAP_MM, window)
    contours = handover.contours[handover.contours["site_id"] == site["site_id"]] if len(handover.contours) else []
    interval_m = contours["interval_m"].iloc[0] if len(contours) else None
    _draw_ground(frame, handover, contours.geometry if len(contours) else ())
    frame.lines([to_road], "to-road")
    frame.lines([stretch], "stretch-edge", "stretch")
    for part, line in conduits.items():
        frame.lines([line], part)
    if site["depleted_length_m"] > 0:
        frame.lines([stretch], "depleted")
    for line in (stretch, *conduits.values()):
        frame.keep_clear_along(line)
    ends = [(say(name), shape) for name, shape in ENDS]
    known = [(place, *end) for place, end in zip(places, ends, strict=True) if np.isfinite(place).all()]
    for place, _, shape in known:
        x, y = frame.at(*place)
        frame.mark("end", shape, x, y, POINT_MM["end"])
        frame.keep_clear(x - 1.3, y - 1.3, 2.6, 2.6)
    structures, settlements = _mark_places(frame, handover), _mark_settlements(frame, handover)
    for place, name, _ in known:
        frame.label(*place, name, 7.0, bold=True, away_mm=2.0)
    _name_marks(frame, structures, 6.0, quiet=True)
    _name_marks(frame, settlements, 6.5)
    _name_streams(frame, handover, 6.5)
    _draw_names(frame, handover, 6.0)
    frame.numbers()
    drawn = frame.drawing(_place_description(handover, site))
    return {
        **drawn,
        "key": _key(frame, interval_m=interval_m, ends=[(name, shape) for _, name, shape in known]),
        "scale": scale_bar(frame.mm_per_m, 22.0),
        "window": frame.window,
    }


def site_window(handover, site):
    """West, south, east and north of the map of a site [m]; None if the site's coordinates are not known.

    Parameters
    ----------
    handover, site
        See `place_map`: the coordinate system, sites, stretches, conduits, roads and relief are looked at.
    """
    return _window(handover, _drawn_of(handover, site))


# What is drawn of a site: its ends, its stretch, the line to the road, and its conduits.
def _drawn_of(handover, site):
    lon, lat = [site["intake_lon"], site["lon"]], [site["intake_lat"], site["lat"]]
    places = grid_places(handover.crs, lon, lat)
    return places, _stretch(handover, site), _to_road(handover, places[1]), _conduits(handover, site)


def _window(handover, drawn):
    places, stretch, to_road, conduits = drawn
    shown = [shapely.Point(place) for place in places if np.isfinite(place).all()]
    shown += [part for part in (stretch, to_road, *conduits.values()) if not part.is_empty]
    if not shown:
        return None
    bounds = shapely.union_all(shown).bounds
    window = window_about(bounds, SITE_MAP_MM, room=ROOM)
    if handover.relief is not None:
        across, up = (ROOM * (window[high] - window[low]) / 2 for low, high in ((0, 2), (1, 3)))
        around = (bounds[0] - across, bounds[1] - up, bounds[2] + across, bounds[3] + up)
        window = moved_into(window, handover.relief.bounds_m, around)
    return window


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
    description = "The streams of the region, with a box around the part that the map shows."
    return frame.drawing(say(description)), frame


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
    setter, handover
        See `place_map`.
    size_mm : tuple of float
        Width and height of the frame.
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
        _draw_plants(frame, handover)
        _mark_places(frame, handover)
    settlements = _mark_settlements(frame, handover)
    unnumbered = _draw_sites(frame, handover, number_pt, largest_mm)
    if plate:
        _draw_districts(frame, handover)
    _name_marks(frame, settlements, name_pt)
    if plate:
        _name_streams(frame, handover, 7.0)
        _draw_names(frame, handover, 6.5)
    frame.numbers(steps)
    text = (
        "Map of the region: its streams by verdict, and {number} sites numbered by rank. The list of sites has "
        "their names."
    )
    drawn = frame.drawing(say(text, number=len(handover.tables["sites"])))
    return {
        **drawn,
        "key": _key(frame),
        "scale": scale_bar(frame.mm_per_m, 55.0 if plate else 30.0),
        "unnumbered": unnumbered,
    }


# Legend of the lines and marks on a map.
def _key(frame, ends=(), interval_m=None):
    does = labels(ACTIONS)
    kinds = frame.kinds
    entries = [
        ("stretch", sample("stretch"), say("stretch used by a site")),
        ("depleted", sample("stretch", "depleted"), say("depleted reach")),
        ("decided", sample("decided", "stream-open"), say("reach with a decision")),
        *((part, sample(part), say(part)) for part in CONDUIT_PARTS),
        *(("end", sample("end", shape=shape, size_mm=2.2), name) for name, shape in ends),
        ("to-road", sample("to-road"), say("straight line to the nearest road")),
        *(
            (
                f"stream-{each.name}",
                sample(f"stream-{each.name}"),
                say("stream: {verdict}", verdict=say(each.label)),
            )
            for each in _MILDEST_FIRST
        ),
        ("road", sample("road-edge", "road"), say("road")),
        ("power-line", sample("power-line", marks=(("pylon", "circle", PYLON_MM),)), say("power line")),
        ("settlement", sample("settlement", shape="square"), say("settlement")),
        ("lake", sample("lake", shape="area"), say("lake")),
        ("border", sample("border"), say("boundary of region or district")),
        ("contour", sample("contour"), _contours_text(interval_m)),
        *(
            (
                f"place-{kind.name}",
                sample(f"place-{kind.name}", shape=kind.shape, size_mm=_place_mm(kind.name)),
                say(kind.label),
            )
            for kind in MAP_KINDS
        ),
        ("dot", sample("dot", shape="circle", size_mm=2.0), say("site, with its rank")),
    ]
    shown = [(drawn, meaning) for kind, drawn, meaning in entries if kind in kinds]
    shown += [
        (hatch_sample(action), say("rule: {action}", action=does[action]))
        for action in frame.hatched_actions[::-1]
    ]
    return [{"svg": drawn, "text": meaning} for drawn, meaning in shown]


def _contours_text(interval_m):
    return say("contour, every {interval} m", interval=numeral(f"{interval_m:g}")) if interval_m else ""


# Relief, areas, boundaries, roads, streams by verdict and power lines, if available.
def _draw_ground(frame, handover, contours=(), *, borders=False, steps=5):
    context = handover.context
    frame.relief(handover.relief)
    frame.lines(contours, "contour")
    frame.grid(steps)
    if "settlements" in context:
        frame.areas(context["settlements"].geometry, "built")
    rule_areas = handover.tables["rule_areas"]
    # The strictest on top.
    for action in actions_on_map(rule_areas)[::-1]:
        frame.hatched(rule_areas.geometry[rule_areas["action"] == action.name], action.name)
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
    if "decision" in reaches:
        frame.lines(geometry[reaches["decision"].to_numpy() != ""], "decided")
    for name in names(VERDICTS):
        frame.lines(geometry[verdict == name], f"stream-{name}")
    if "power_lines" in context:
        frame.lines(context["power_lines"].geometry, "power-line")
        frame.marks_along(context["power_lines"].geometry, "pylon", "circle", PYLON_MM, PYLONS_MM)


# Sites at their tailraces, larger with more power, and their ranks; how many ranks had no room.
def _draw_sites(frame, handover, size_pt, largest_mm):
    sites = handover.tables["sites"].sort_values("rank")
    columns = (sites.geometry.x, sites.geometry.y, sites["rank"], sites["power_kw"])
    places = list(zip(*(column.tolist() for column in columns), strict=True))
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
    places, size_mm = _points_of(settlements), POINT_MM["settlement"]
    return _mark(frame, "settlement", "square", places, settlements["name"], size_mm)


# Stretches, depleted reaches, headraces and penstocks of all sites.
def _draw_plants(frame, handover):
    sites, stretches, conduits = (handover.tables[name] for name in ("sites", "stretches", "conduits"))
    own = stretches[stretches["site_id"] != ""]
    frame.lines(own.geometry, "stretch")
    diverting = set(sites.loc[sites["depleted_length_m"].fillna(0.0) > 0.0, "site_id"])
    frame.lines(own.geometry[own["site_id"].isin(diverting)], "depleted")
    for part in CONDUIT_PARTS:
        frame.lines(conduits.geometry[conduits["part"] == part] if len(conduits) else [], part)


# Marks of structures by kind, drops and gauges; places and ids of the structures that are on the map.
def _mark_places(frame, handover):
    structures, drops = handover.tables["structures"], handover.tables["drops"]
    kinds = kinds_on_map(structures) if len(structures) else np.empty(0, dtype=object)
    points, shown = _points_of(structures), []
    for kind in MAP_KINDS[::-1]:
        if kind.name == DROP:
            places, called = (_points_of(drops), [""] * len(drops)) if len(drops) else ((), ())
        elif kind.name == GAUGE:
            gauges = handover.context.get("gauges", ())
            places, called = (_points_of(gauges), [""] * len(gauges)) if len(gauges) else ((), ())
        else:
            own = np.flatnonzero(kinds == kind.name)
            places = points[own]
            called = [structure_label(name, kind.name) for name in structures["structure_id"].iloc[own]]
        shown += _mark(frame, f"place-{kind.name}", kind.shape, places, called, _place_mm(kind.name))
    return shown


def _place_mm(kind):
    return STEP_MM if kind == PASSED_STEP.name else PLACE_MM


# Names of streams along them, the longest first, where there is room.
def _name_streams(frame, handover, size_pt):
    reaches = handover.tables["reaches"]
    shown, rows = frame.within(reaches.geometry)
    for place in stream_places(reaches["stream"].iloc[rows], shown):
        name = map_name(frame.setter, place.name)
        frame.label_along(place.east_m, place.north_m, name, size_pt, place.turn_deg, water=True)


def _mark(frame, kind, shape, places, names_of, size_mm):
    shown = [
        (place, name)
        for place, name in zip(places, names_of, strict=True)
        if np.isfinite(place).all() and frame.holds(*place, 1.5)
    ]
    for place, _ in shown:
        x, y = frame.at(*place)
        frame.mark(kind, shape, x, y, size_mm)
        half = size_mm / 2 + 0.1
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
    own = stretches.geometry.array[(stretches["site_id"] == site["site_id"]).to_numpy()]
    return own[0] if len(own) else shapely.LineString()


# Headrace and penstock of a diversion, as far as the ground shows a way for them.
def _conduits(handover, site):
    conduits = handover.tables["conduits"]
    is_own = (conduits["site_id"] == site["site_id"]).to_numpy()
    return dict(zip(conduits["part"].to_numpy()[is_own], conduits.geometry.array[is_own], strict=True))


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
    shown = [say("streams"), *(say(each.replace("_", " ")) for each in layers if each in handover.context)]
    return say(
        "Map of the stretch of stream between intake and tailrace of the site of rank {rank}, with {shown} around "
        "it. Coordinates of intake and tailrace are under “How to get there”.",
        rank=site["rank"],
        shown=listed(shown),
    )
