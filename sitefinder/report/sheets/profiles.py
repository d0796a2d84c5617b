"""The long profile of a site as a drawing: water level with its interval, intake, tailrace and structures."""

import math

import numpy as np

from sitefinder.report.languages import numeral, say
from sitefinder.report.sheets.amounts import round_step
from sitefinder.report.sheets.compile import MM_PER_POINT, shortened
from sitefinder.report.sheets.frame import LINE_OF_SIZE, TICK_PT, Frame, sample
from sitefinder.report.text import structure_name

LEFT_MM, FOOT_MM = 12.0, 8.0
# Minimum range of levels that is drawn, so that a flat stream does not look steep (own choice) [m].
MIN_RANGE_M = 2.0
BESIDE = 0.01
LONGEST_NAME = 28
NAME_PT, STRUCTURE_PT = 6.5, 6.0
AXES = ("distance downstream [m]", "level [m]")
POINT_MM = {"end": 1.9, "structure": 1.6, "reading": 0.6, "left-out": 1.2}


def measure_profiles(setter, profiles):
    """Measure all texts of long profiles.

    Parameters
    ----------
    setter : sitefinder.report.sheets.compile.Typesetter
    profiles : DataFrame
        The layer ``site_profiles``.
    """
    marked = profiles[(profiles["mark"] != "") | (profiles["structure_id"] != "")]
    texts = {*map(say, AXES)}
    for row in marked.itertuples():
        texts.add(_end_text(row.mark, row.profile_m))
        if row.structure_id:
            texts.add(_structure_text(setter, row.structure_id, row.structure_drop_m))
    setter.measure(texts)


def profile_drawing(setter, profile, size_mm, stream):
    """The long profile of one site.

    Parameters
    ----------
    setter : sitefinder.report.sheets.compile.Typesetter
        Texts must have been measured by `measure_profiles`, and digits by
        `sitefinder.report.sheets.maps.measure_names`.
    profile : DataFrame
        Rows of the layer ``site_profiles`` of one site, from the top down; may be empty.
    size_mm : tuple of float
        Width and height, numbers of the axes included.
    stream : str
        Name of the stream.

    Returns
    -------
    dict or None
        The drawing with its ``key``; None where no two levels are known.
    """
    level = profile["profile_m"].to_numpy(dtype=float)
    distance = profile["distance_m"].to_numpy(dtype=float)
    if np.isfinite(level).sum() < 2 or not np.ptp(distance) > 0:
        return None
    shown = profile[["profile_m", "low_m", "high_m"]].to_numpy(dtype=float)
    lowest, highest = np.nanmin(shown), np.nanmax(shown)
    range_m = highest - lowest
    spare = max(MIN_RANGE_M - range_m, 0.0) / 2 + 0.10 * max(range_m, MIN_RANGE_M)
    # More room above, where names are, and a little beside the first and last station for their marks.
    beside = BESIDE * np.ptp(distance)
    window = (distance[0] - beside, lowest - spare, distance[-1] + beside, highest + 2.2 * spare)
    width, height = size_mm[0] - LEFT_MM, size_mm[1] - FOOT_MM
    frame = Frame(setter, width, height, window, LEFT_MM, FOOT_MM)
    _draw_scales(frame)
    _draw_levels(frame, profile, distance, level)
    _draw_ends(frame, profile, distance, level)
    _draw_structures(frame, profile, distance, level)
    drawn = frame.drawing(
        say(
            "Long profile of {stream}: water level over {length} m of stream, falling from {upper} m to "
            "{lower} m, with intake, tailrace and structures marked.",
            stream=stream,
            length=f"{distance[-1] - distance[0]:.0f}",
            upper=numeral(f"{level[np.isfinite(level)][0]:.1f}"),
            lower=numeral(f"{level[np.isfinite(level)][-1]:.1f}"),
        )
    )
    return {**drawn, "key": _key(profile)}


def _draw_levels(frame, profile, distance, level):
    low, high, raw = (profile[name].to_numpy(dtype=float) for name in ("low_m", "high_m", "raw_m"))
    known = np.isfinite(low) & np.isfinite(high)
    for run in _runs(known):
        there = _points(frame, distance[run], high[run])
        back = _points(frame, distance[run][::-1], low[run][::-1])
        frame.path("band", f"M{'L'.join([*there, *back])}Z")
    refused = profile["is_refused"].to_numpy(dtype=bool)
    for along, up, is_refused in zip(distance, raw, refused, strict=True):
        if np.isfinite(up):
            kind, shape = ("left-out", "cross") if is_refused else ("reading", "circle")
            frame.mark(kind, shape, *frame.at(along, up), POINT_MM[kind])
    standing = np.flatnonzero(profile["is_standing"].to_numpy(dtype=bool))
    for station in standing[standing > 0]:
        ends = slice(station - 1, station + 1)
        if np.isfinite(level[ends]).all():
            frame.path("standing", f"M{'L'.join(_points(frame, distance[ends], level[ends]))}")
    for run in _runs(np.isfinite(level)):
        frame.path("level", f"M{'L'.join(_points(frame, distance[run], level[run]))}")


def _draw_scales(frame):
    setter, (west, low, east, high) = frame.setter, frame.window
    line = LINE_OF_SIZE * TICK_PT * MM_PER_POINT
    quiet = {"quiet": True, "halo": False}
    step = round_step((east - west) / 8)
    for number in range(math.ceil(west / step), math.floor(east / step) + 1):
        text, (x, _) = numeral(f"{number * step:g}"), frame.at(number * step, low)
        wide = setter.width_mm(text, TICK_PT)
        frame.path("tick", f"M{x:.2f} {frame.height_mm:.2f}v1")
        frame.put(text, min(x - wide / 2, frame.width_mm - wide), frame.height_mm + 1.2, wide, TICK_PT, **quiet)
    along, up = map(say, AXES)
    wide = _width_mm(setter, along)
    frame.put(along, (frame.width_mm - wide) / 2, frame.height_mm + 1.2 + line, wide, TICK_PT, **quiet)
    step = round_step((high - low) / 5)
    for number in range(math.ceil(low / step), math.floor(high / step) + 1):
        text, (_, y) = numeral(f"{number * step:g}"), frame.at(west, number * step)
        wide = setter.width_mm(text, TICK_PT)
        frame.path("tick", f"M-1 {y:.2f}h1")
        frame.path("grid", f"M0 {y:.2f}H{frame.width_mm:.2f}")
        if line / 2 < y < frame.height_mm - line / 2:
            frame.put(text, -1.4 - wide, y - line / 2, wide, TICK_PT, **quiet)
    wide = _width_mm(setter, up)
    corner = -LEFT_MM + 1.0 + line / 2 - wide / 2, (frame.height_mm - line) / 2
    frame.put(up, *corner, wide, TICK_PT, turn=-90, **quiet)


# Width of the name of an axis [mm], rounded up: a smaller one would break it into two lines.
def _width_mm(setter, name):
    return math.ceil(1000 * setter.width_mm(name, TICK_PT)) / 1000


# Intake and tailrace: a line at their place, a mark on the water, and their name and level above.
def _draw_ends(frame, profile, distance, level):
    for mark, shape in (("intake", "triangle down"), ("tailrace", "circle")):
        for station in np.flatnonzero((profile["mark"] == mark).to_numpy() & np.isfinite(level)):
            x, y = frame.at(distance[station], level[station])
            frame.path("end-line", f"M{x:.2f} 0V{frame.height_mm:.2f}")
            frame.mark("end", shape, x, y, POINT_MM["end"])
            frame.keep_clear(x - 1.2, y - 1.2, 2.4, 2.4)
            frame.keep_clear(x - 0.4, 0.0, 0.8, frame.height_mm)
            text = _end_text(mark, level[station])
            row = 0.6 if mark == "intake" else 4.0
            sides = [_corner(x + 0.8, row), _corner(x - 0.8, row, before=True)]
            frame.try_put(text, sides, NAME_PT, bold=True)


# A triangle under the water at each structure, its id and drop where there is room.
def _draw_structures(frame, profile, distance, level):
    held = profile["structure_id"].to_numpy(dtype=object)
    for station in np.flatnonzero((held != "") & np.isfinite(level)):
        x, y = frame.at(distance[station], level[station])
        frame.mark("structure", "triangle", x, y + 1.4, POINT_MM["structure"])
        text = _structure_text(frame.setter, held[station], profile["structure_drop_m"].iloc[station])
        places = [
            _corner(x - 1.5, y + 0.6, before=True),
            _corner(x + 1.5, y - 3.6),
            _corner(x + 1.5, y - 7.0),
            _corner(x - 1.5, y + 4.0, before=True),
        ]
        frame.try_put(text, places, STRUCTURE_PT)


# Legend of the elements in the drawing.
def _key(profile):
    entries = [
        (sample("level"), "water level", True),
        (sample("band", shape="area"), "90 % confidence interval", profile["low_m"].notna().any()),
        (sample("reading", shape="circle", size_mm=0.9), "DEM elevation", profile["raw_m"].notna().any()),
        (
            sample("left-out", shape="cross", size_mm=1.4),
            "DEM elevation rejected",
            profile["is_refused"].any(),
        ),
        (sample("standing"), "standing water", profile["is_standing"].any()),
        (
            sample("structure", shape="triangle"),
            "weir, drop or step",
            (profile["structure_id"] != "").any(),
        ),
    ]
    return [{"svg": drawn, "text": say(meaning)} for drawn, meaning, is_there in entries if is_there]


def _end_text(mark, level_m):
    return say("{place}, {level} m", place=say(mark), level=numeral(f"{level_m:.1f}"))


def _structure_text(setter, identity, drop_m):
    name = setter.text(shortened(structure_name(identity), LONGEST_NAME))
    return name if math.isnan(drop_m) else f"{name}, {numeral(f'{drop_m:.1f}')} m"


# A corner for a text of unknown width, which ends or begins at a place.
def _corner(x, y, *, before=False):
    return lambda width, _: (x - width if before else x, y)


def _points(frame, along, up):
    return [f"{x:.2f} {y:.2f}" for x, y in zip(*frame.at(along, up), strict=True)]


# Runs of stations that are true, as slices.
def _runs(is_there):
    edges = np.flatnonzero(np.diff(np.concatenate([[0], is_there.astype(np.int8), [0]])))
    return [slice(start, end) for start, end in edges.reshape(-1, 2) if end - start > 1]
