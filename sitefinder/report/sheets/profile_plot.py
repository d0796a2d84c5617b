"""The long profile of a site as a drawing: water level, its error band, intake, tailrace and structures."""

import math

import numpy as np

from sitefinder.report.sheets.map_frame import MapFrame, round_step
from sitefinder.report.sheets.paper import GREY, INK, OCHRE, RULE, WATER, WATER_PALE
from sitefinder.report.text_tables import structure_name

LEFT_MM, FOOT_MM, TOP_MM = 13.0, 9.0, 5.0
# Least range of levels that is drawn, so that a flat stream does not look steep (own choice) [m].
LEAST_RANGE_M = 2.0
TICK_POINTS = 6.0


def draw_profile(page, x, y, width, height, profile):
    """Draw the profile into a rectangle of the page.

    Parameters
    ----------
    page : sitefinder.report.sheets.paper.Page
    x, y, width, height : float
        The rectangle [mm], numbers of the axes included.
    profile : DataFrame
        Rows of the layer ``site_profiles`` of one site, from the top down; may be empty.
    """
    x, y = x + LEFT_MM, y + TOP_MM
    width, height = width - LEFT_MM - 1.0, height - FOOT_MM - TOP_MM
    level = profile["profile_m"].to_numpy(dtype=float)
    way = profile["distance_m"].to_numpy(dtype=float)
    if np.isfinite(level).sum() < 2 or not np.ptp(way) > 0:
        page.box(x, y, width, height, fill="none")
        page.text(x + width / 2, y + height / 2, "No long profile is known here.", 8, colour=GREY, align="middle")
        return
    shown = profile[["profile_m", "low_m", "high_m"]].to_numpy(dtype=float)
    least, most = np.nanmin(shown), np.nanmax(shown)
    spare = max(LEAST_RANGE_M - (most - least), 0.0) / 2 + 0.10 * max(most - least, LEAST_RANGE_M)
    # More room above, where names stand.
    window = (way[0], least - spare, way[-1], most + 2.2 * spare)
    frame = MapFrame(page, x, y, width, height, window)
    frame.mm_per_rise = height / (window[3] - window[1])
    _band(frame, profile, way)
    _scales(frame)
    _ends(frame, profile, way, level)
    _structures(frame, profile, way, level)
    _key(page, x, y - 1.6, profile)


# A place of the drawing on the page; metres along and up have scales of their own.
def _at(frame, way_m, level_m):
    return frame.at(way_m, 0.0)[0], frame.y + (frame.window[3] - level_m) * frame.mm_per_rise


def _band(frame, profile, way):
    axes, level = frame.axes, profile["profile_m"].to_numpy(dtype=float)
    low, high, raw = (profile[name].to_numpy(dtype=float) for name in ("low_m", "high_m", "raw_m"))
    axes.fill_between(way, low, high, facecolor=WATER_PALE, edgecolor=WATER, linewidth=0.3, zorder=2)
    refused = profile["is_refused"].to_numpy(dtype=bool)
    axes.plot(way[~refused], raw[~refused], ".", color=GREY, markersize=2.5, zorder=3)
    axes.plot(way[refused], raw[refused], "x", color=OCHRE, markersize=4, zorder=3)
    standing = np.flatnonzero(profile["is_standing"].to_numpy(dtype=bool))
    for station in standing[standing > 0]:
        ends = slice(station - 1, station + 1)
        axes.plot(way[ends], level[ends], color=WATER, linewidth=3.6, solid_capstyle="butt", zorder=3.5)
    axes.plot(way, level, color=INK, linewidth=1.2, zorder=4)
    axes.set_xlim(frame.window[0], frame.window[2])
    axes.set_ylim(frame.window[1], frame.window[3])


def _scales(frame):
    page, (west, low, east, high) = frame.page, frame.window
    foot = frame.y + frame.height
    step = round_step((east - west) / 8)
    for number in range(math.ceil(west / step), math.floor(east / step) + 1):
        at, _ = frame.at(number * step, 0.0)
        page.rule(at, foot, at, foot + 1.0, colour=GREY)
        page.text(at, foot + 3.4, f"{number * step:g}", TICK_POINTS, colour=GREY, align="middle")
    middle = frame.x + frame.width / 2
    page.text(middle, foot + 6.8, "way down the stream [m]", TICK_POINTS, colour=GREY, align="middle")
    step = round_step((high - low) / 5)
    for number in range(math.ceil(low / step), math.floor(high / step) + 1):
        _, at = _at(frame, west, number * step)
        page.rule(frame.x - 1.0, at, frame.x, at, colour=GREY)
        page.rule(frame.x, at, frame.x + frame.width, at, width=0.3, colour=RULE)
        if frame.y + 1.0 < at < foot - 0.5:
            page.text(frame.x - 1.6, at + 0.8, f"{number * step:g}", TICK_POINTS, colour=GREY, align="right")
    page.text(
        frame.x - 10.6,
        frame.y + frame.height / 2,
        "level [m]",
        TICK_POINTS,
        colour=GREY,
        align="middle",
        upright=True,
    )


# Intake and tailrace: the line at their place, a symbol on the water, and their name above.
def _ends(frame, profile, way, level):
    page = frame.page
    for mark, marker, told in (("intake", "v", "intake"), ("tailrace", "o", "tailrace")):
        for station in np.flatnonzero((profile["mark"] == mark).to_numpy()):
            x, y = _at(frame, way[station], level[station])
            page.rule(x, frame.y, x, frame.y + frame.height, width=0.6, colour=INK, dashes=(3, 2))
            page.mark(x, y, marker, 5.5, fill=INK)
            name = f"{told}, {level[station]:.2f} m"
            wide = page.letters.width_mm(name, 6.5, True)
            left = x + 1.0 if x + 1.0 + wide < frame.x + frame.width else x - 1.0 - wide
            top = frame.y + (1.0 if mark == "intake" else 4.4)
            page.box(left - 0.3, top, wide + 0.6, 2.9, fill="white", edge="none", alpha=0.8, above=True)
            page.text(left, top + 2.2, name, 6.5, bold=True)
            frame.keep_clear(left - 0.3, top, wide + 0.6, 2.9)
            frame.keep_clear(x - 1.2, y - 1.2, 2.4, 2.4)


# A triangle under the water at each structure, its id and drop where there is room.
def _structures(frame, profile, way, level):
    page = frame.page
    held = profile["structure_id"].to_numpy(dtype=object)
    for station in np.flatnonzero(held != ""):
        x, y = _at(frame, way[station], level[station])
        page.mark(x, y + 1.4, "^", 4.6, fill="white", line=0.9)
        drop_m = profile["structure_drop_m"].iloc[station]
        name = structure_name(held[station])
        told = name if math.isnan(drop_m) else f"{name}, {drop_m:.2f} m"
        [told] = page.letters.lines(told, 44.0, 6.0, most=1)
        wide = page.letters.width_mm(told, 6.0)
        for left, top in (
            (x - wide - 1.5, y + 0.6),
            (x + 1.5, y - 3.6),
            (x + 1.5, y - 7.0),
            (x - wide - 1.5, y + 4.0),
        ):
            if frame.is_free(left, top, wide, 2.6):
                frame.keep_clear(left, top, wide, 2.6)
                page.box(left - 0.3, top, wide + 0.6, 2.7, fill="white", edge="none", alpha=0.8, above=True)
                page.text(left, top + 2.0, told, 6.0, colour=INK)
                break


# What the drawing shows, in a line above it.
def _key(page, x, y, profile):
    met = {
        "DEM reading left out": profile["is_refused"].any(),
        "standing water": profile["is_standing"].any(),
    }
    entries = (
        ("water level, fitted", {"color": INK, "linewidth": 1.2}),
        ("its 90 % band", {"color": WATER_PALE, "linewidth": 4.0}),
        ("DEM as read", {"color": GREY, "marker": ".", "linestyle": "none", "markersize": 3}),
        ("DEM reading left out", {"color": OCHRE, "marker": "x", "linestyle": "none", "markersize": 4}),
        ("standing water", {"color": WATER, "linewidth": 3.6}),
    )
    for told, style in entries:
        if not met.get(told, True):
            continue
        page.sample(x, y - 0.8, 6.0, style)
        page.text(x + 7.5, y, told, TICK_POINTS)
        x += 13.0 + page.letters.width_mm(told, TICK_POINTS)
