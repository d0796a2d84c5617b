"""The map of a site's place and the way in, with its key and where it lies in the region."""

import numpy as np
import shapely

from sitefinder.report.sheets.amounts import grid_places
from sitefinder.report.sheets.ground import (
    STRETCH,
    STRETCH_EDGE,
    WAY_IN,
    draw_ground,
    draw_settlements,
    draw_structures,
    map_key,
    road_names,
)
from sitefinder.report.sheets.map_frame import MapFrame, north_arrow, window_about
from sitefinder.report.sheets.paper import GREY, INK, WATER

KEY_MM, EDGE_MM = 46.0, 6.0
# A road farther than this from the tailrace is not drawn into the map, or the stretch would be a dot [m].
FARTHEST_ROAD_M = 3000.0


def draw_place(page, x, y, width, height, handover, site):
    """Draw map, key and locator into a rectangle of the page; numbers of the grid stand under it.

    Parameters
    ----------
    page : sitefinder.report.sheets.paper.Page
    x, y, width, height : float
        The rectangle [mm].
    handover : sitefinder.report.handover.Handover
    site : Series
        A row of ``sites``.
    """
    places = grid_places(handover.crs, [site["intake_lon"], site["lon"]], [site["intake_lat"], site["lat"]])
    line = _stretch(handover, site)
    way_in = _way_in(handover, places[1])
    seen = [shapely.Point(place) for place in places if np.isfinite(place).all()]
    seen += [part for part in (line, way_in) if not part.is_empty]
    left, wide = x + EDGE_MM, width - KEY_MM - EDGE_MM - 4.0
    right = x + width - KEY_MM
    if not seen:
        page.text(left, y + 10.0, "The place of this site is not known.", 8, colour=GREY)
        return
    bounds = shapely.union_all(seen).bounds
    frame = MapFrame(page, left, y, wide, height, window_about(bounds, (wide, height), room=0.18))
    draw_ground(frame, handover)
    for style in (STRETCH_EDGE, STRETCH):
        frame.lines([line], **style, zorder=5)
    frame.lines([way_in], **WAY_IN, zorder=4.5)
    frame.keep_clear_along(line)
    ends = (("intake", "v"), ("tailrace", "o"))
    for place, (_, marker) in zip(places, ends, strict=True):
        if np.isfinite(place).all():
            at = frame.at(*place)
            page.mark(*at, marker, 7.0, fill=INK, edge="white", line=0.9)
            frame.keep_clear(at[0] - 1.3, at[1] - 1.3, 2.6, 2.6)
    for place, (name, _) in zip(places, ends, strict=True):
        if np.isfinite(place).all():
            frame.label(*place, name, 7.0, bold=True, away_mm=2.0)
    draw_structures(frame, handover, names=True)
    draw_settlements(frame, handover)
    road_names(frame, handover)
    frame.grid()
    foot = _locator(page, right, y, KEY_MM, 30.0, handover, places[1], frame.window)
    foot = map_key(page, right, foot + 1.5, KEY_MM, handover)
    frame.scale_bar(right, foot + 1.6, 22.0)
    north_arrow(page, right + KEY_MM - 15.0, foot + 7.2, 5.0)


def _stretch(handover, site):
    stretches = handover.tables["stretches"]
    own = stretches[stretches["site_id"] == site["site_id"]]
    return own.geometry.iloc[0] if len(own) else shapely.LineString()


# The straight line from the tailrace to the nearest road, empty where there is none near.
def _way_in(handover, tailrace):
    if "roads" not in handover.context or not np.isfinite(tailrace).all():
        return shapely.LineString()
    roads, place = handover.context["roads"].geometry.to_numpy(), shapely.Point(tailrace)
    if not len(roads):
        return shapely.LineString()
    nearest = roads[np.nanargmin(shapely.distance(roads, place))]
    line = shapely.shortest_line(place, nearest)
    return line if 0 < line.length <= FARTHEST_ROAD_M else shapely.LineString()


# Where the map lies among the streams; gives the lower edge.
def _locator(page, x, y, width, height, handover, place, window):
    reaches = handover.tables["reaches"]
    if not len(reaches):
        return y
    frame = MapFrame(page, x, y, width, height, window_about(reaches.total_bounds, (width, height), room=0.04))
    if "region" in handover.context:
        frame.lines(handover.context["region"].geometry, color=GREY, linewidth=0.5, zorder=2)
    frame.lines(reaches.geometry, color=WATER, linewidth=0.5, zorder=3)
    frame.lines([shapely.box(*window)], color=INK, linewidth=1.2, zorder=4)
    if np.isfinite(place).all():
        page.mark(*frame.at(*place), "o", 3.0, fill=INK)
    return y + height
