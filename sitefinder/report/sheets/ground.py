"""What all maps of the printed sheets show alike: streams by verdict, roads, lines, settlements, structures."""

import numpy as np
import shapely

from sitefinder.report.sheets.paper import GREY, INK, OCHRE, OCHRE_DARK, PALE, WATER, WATER_PALE
from sitefinder.report.text_tables import structure_name
from sitefinder.schema import VERDICTS

# Verdicts are told by colour and by dashes, so that a copy in black and white tells them too.
VERDICT_LINES = {
    "open": {"color": WATER, "linewidth": 1.3, "linestyle": "solid"},
    "restricted": {"color": WATER, "linewidth": 1.3, "linestyle": (0, (5, 1.2))},
    "conditional": {"color": OCHRE, "linewidth": 1.3, "linestyle": (0, (4, 1.2, 1, 1.2))},
    "unknown": {"color": GREY, "linewidth": 1.1, "linestyle": (0, (1, 2.2))},
    "excluded": {"color": OCHRE_DARK, "linewidth": 1.3, "linestyle": (0, (1.2, 1.1))},
}
VERDICT_WORDS = {
    "open": "no rule stands against a site",
    "restricted": "a site may stand, with limits on machine, diversion or barrier",
    "conditional": "a site may stand if conditions are met",
    "unknown": "a layer does not tell whether a site may stand",
    "excluded": "a rule excludes a site",
}
ROAD_EDGE = {"color": INK, "linewidth": 1.9, "linestyle": "solid"}
ROAD = {"color": "white", "linewidth": 1.0, "linestyle": "solid"}
POWER_LINE = {"color": INK, "linewidth": 0.6, "linestyle": (0, (7, 2, 1, 2))}
STRETCH_EDGE = {"color": "white", "linewidth": 4.6, "linestyle": "solid"}
STRETCH = {"color": INK, "linewidth": 2.8, "linestyle": "solid"}
BORDER = {"color": INK, "linewidth": 0.7, "linestyle": (0, (6, 2, 1, 2, 1, 2))}
WAY_IN = {"color": INK, "linewidth": 0.7, "linestyle": (0, (1, 1.5))}
STRUCTURE, SETTLEMENT = "^", "s"


def draw_ground(frame, handover, *, borders=False):
    """Relief, lakes, borders, streams by verdict, roads and power lines, as far as they are known."""
    context = handover.context
    frame.relief(handover.relief)
    if "settlements" in context:
        frame.areas(context["settlements"].geometry, facecolor=PALE, edgecolor=GREY, linewidth=0.4)
    if "lakes" in context:
        frame.areas(context["lakes"].geometry, facecolor=WATER_PALE, edgecolor=WATER, linewidth=0.5)
    if borders:
        for name in ("region", "districts"):
            if name in context:
                frame.lines(context[name].geometry, **BORDER, zorder=2)
    if "roads" in context:
        frame.lines(context["roads"].geometry, **ROAD_EDGE, zorder=2.4)
        frame.lines(context["roads"].geometry, **ROAD, zorder=2.5)
    reaches = handover.tables["reaches"]
    geometry, verdict = reaches.geometry.to_numpy(), reaches["verdict"].to_numpy()
    for name in VERDICTS:
        frame.lines(geometry[verdict == name], **VERDICT_LINES[name], zorder=3)
    if "power_lines" in context:
        frame.lines(context["power_lines"].geometry, **POWER_LINE, zorder=3.4)


def points_of(frame):
    """A place for the name of each feature: itself, or a point within it; NaN where it has no geometry."""
    geometry = frame.geometry.to_numpy()
    places = np.full((len(geometry), 2), np.nan)
    for row, each in enumerate(shapely.point_on_surface(geometry)):
        if each is not None and not each.is_empty:
            places[row] = each.x, each.y
    return places


def draw_settlements(frame, handover, size=6.5):
    """Marks and names of settlements; a name that has no room is left out."""
    if "settlements" not in handover.context:
        return
    settlements = handover.context["settlements"]
    named = list(zip(points_of(settlements), settlements["name"], strict=True))
    seen = [
        (place, name) for place, name in named if np.isfinite(place).all() and frame.holds(*place, room_mm=1.5)
    ]
    for place, _ in seen:
        x, y = frame.at(*place)
        frame.page.mark(x, y, SETTLEMENT, 3.6, fill=GREY, edge="white", line=0.5)
        frame.keep_clear(x - 0.8, y - 0.8, 1.6, 1.6)
    for place, name in seen:
        frame.label(*place, name, size, colour=INK)


def draw_structures(frame, handover, *, names=False):
    """Marks of weirs and drops, and their ids where there is room."""
    structures = handover.tables["structures"]
    for place, name in zip(points_of(structures), structures["structure_id"], strict=True):
        if np.isfinite(place).all() and frame.holds(*place, room_mm=1.5):
            x, y = frame.at(*place)
            frame.page.mark(x, y, STRUCTURE, 4.4, fill="white", line=0.9)
            frame.keep_clear(x - 1.0, y - 1.0, 2.0, 2.0)
            if names:
                frame.label(*place, structure_name(name), 6.0, colour=GREY)


def road_names(frame, handover, size=6.0):
    """Names of roads at the middle of what is seen of them, where there is room."""
    for layer in ("roads", "lakes"):
        if layer in handover.context:
            named = handover.context[layer]
            cut, rows = frame.within(named.geometry)
            for part, row in zip(cut, rows, strict=True):
                if named["name"].iloc[row]:
                    middle = shapely.point_on_surface(part)
                    frame.label(middle.x, middle.y, named["name"].iloc[row], size, colour=GREY)


def map_key(page, x, y, width, handover, *, site=True):
    """What the lines and marks of a map mean, from the point down; gives the lower edge [mm]."""
    met = set(handover.tables["reaches"]["verdict"])
    entries = [(("line", VERDICT_LINES[name]), f"stream: {name}") for name in reversed(VERDICTS) if name in met]
    if site:
        entries.insert(0, (("line", STRETCH), "this site's stretch"))
        entries.insert(1, (("mark", "v", INK), "intake"))
        entries.insert(2, (("mark", "o", INK), "tailrace"))
        if "roads" in handover.context:
            entries.insert(3, (("line", WAY_IN), "straight to the nearest road"))
    for layer, style, told in (
        ("roads", "road", "road"),
        ("power_lines", POWER_LINE, "power line"),
        ("settlements", ("mark", SETTLEMENT, GREY), "settlement"),
        ("lakes", "lake", "lake"),
        ("districts", BORDER, "border of region, district"),
    ):
        if layer in handover.context and not (site and layer == "districts"):
            entries.append((("line", style) if isinstance(style, dict) else style, told))
    if len(handover.tables["structures"]):
        entries.append((("mark", STRUCTURE, "white"), "weir, drop or step"))
    for sign, told in entries:
        middle = y + 1.9
        if sign == "road":
            page.sample(x, middle, 9.0, ROAD_EDGE)
            page.sample(x, middle, 9.0, {**ROAD, "zorder": 11})
        elif sign == "lake":
            page.box(x + 1.0, middle - 1.3, 7.0, 2.6, fill=WATER_PALE, edge=WATER)
        elif sign[0] == "line":
            page.sample(x, middle, 9.0, sign[1])
        else:
            page.mark(x + 4.5, middle, sign[1], 4.8, fill=sign[2], edge=INK)
        y = max(y + 4.0, page.paragraph(x + 11.0, y + 0.4, told, width - 11.0, 6.5) + 0.4)
    return y
