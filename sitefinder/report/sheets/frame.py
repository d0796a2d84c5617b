"""A drawing on paper as SVG: relief, lines, areas and marks by kind, and labels that keep clear of each other."""

import base64
import io
import math
from collections import defaultdict
from functools import cache

import numpy as np
import shapely
from PIL import Image

from sitefinder.report.languages import numeral
from sitefinder.report.map_signs import hatch_look, hatch_pattern
from sitefinder.report.map_signs import outline as mark_outline
from sitefinder.report.sheets.amounts import round_step
from sitefinder.report.sheets.compile import HERE, MM_PER_POINT

# Lines lose what is finer than this on paper.
FINEST_MM = 0.08
# Relief is printed lighter, so that lines are prominent: the brightness of 0, cells per millimetre and number of
# greys, enough for the eye (own choice).
DARKEST, CELLS_PER_MM, GREYS = 0.62, 4.0, 48
# Grey of the ground beyond the DEM, the same in `map.css`, and the distance of hatching lines (own choice).
BEYOND, HATCH_MM, HATCHED_EDGE_MM = 226.0, 1.6, 0.18
# Room at the left and at the foot of a map for the numbers of its grid.
EDGE_MM, FOOT_MM = 5.0, 5.0
FRAME_LINE_MM = 0.15
TICK_PT = 6.0
NET_MM = 5.0
# Where a label may lie about its point, in the order of trial: right, left, above, below, and between.
AROUND = ((1, 0), (-1, 0), (0, -1), (0, 1), (1, -1), (-1, -1), (1, 1), (-1, 1))
# Height of a line of text with accents and descenders over the font size.
LINE_OF_SIZE = 1.25
# Characters of numbers on grids and axes, which are measured one by one.
DIGITS = "0123456789.,-− m"
# A sample of a key.
SAMPLE_MM, SAMPLE_HEIGHT_MM = 9.0, 3.4


def window_about(bounds, shape, min_m=400.0, room=0.12):
    """A window of a frame's shape about what is to be shown.

    Parameters
    ----------
    bounds : sequence of float
        West, south, east and north of it [m].
    shape : tuple of float
        Width and height of the frame, in any unit.
    min_m : float
        Minimum extent of the shorter side [m].
    room : float
        Share of the extent to leave free on each side.

    Returns
    -------
    tuple of float
        West, south, east, north [m].

    Examples
    --------
    >>> window_about((0.0, 0.0, 1000.0, 100.0), (2.0, 1.0), room=0.0)
    (0.0, -200.0, 1000.0, 300.0)
    """
    west, south, east, north = bounds
    middle = (west + east) / 2, (south + north) / 2
    width, height = ((1 + 2 * room) * side for side in (east - west, north - south))
    metres_per_unit = max(width / shape[0], height / shape[1], min_m / min(shape))
    across, up = shape[0] * metres_per_unit / 2, shape[1] * metres_per_unit / 2
    return middle[0] - across, middle[1] - up, middle[0] + across, middle[1] + up


def moved_into(window, ground, shown):
    """A window moved so that little of it lies beyond the known ground, without losing what is to be shown.

    Parameters
    ----------
    window, ground, shown : sequence of float
        West, south, east and north of the window, of the ground, and of what must stay in the window [m].

    Returns
    -------
    tuple of float

    Examples
    --------
    >>> moved_into((0.0, 0.0, 10.0, 10.0), (-20.0, 2.0, 6.0, 30.0), (3.0, 4.0, 7.0, 5.0))
    (-3.0, 2.0, 7.0, 12.0)
    """
    moved = list(window)
    for low, high in ((0, 2), (1, 3)):
        way = max(min(ground[high] - window[high], 0.0), shown[high] - window[high])
        way += min(max(ground[low] - window[low], 0.0), shown[low] - window[low])
        moved[low], moved[high] = window[low] + way, window[high] + way
    return tuple(moved)


class Frame:
    """A drawing: positions in metres, paper in millimetres from the upper left corner of the frame.

    What is drawn first lies lowest. Metres along and up may have scales of their own. ``kinds`` are those of
    `map.css` that were drawn.
    """

    def __init__(self, setter, width_mm, height_mm, window, edge_mm=EDGE_MM, foot_mm=FOOT_MM):
        self.setter, self.width_mm, self.height_mm, self.window = setter, width_mm, height_mm, window
        self.edge_mm, self.foot_mm = edge_mm, foot_mm
        self.mm_per_m = width_mm / (window[2] - window[0])
        self.mm_per_m_up = height_mm / (window[3] - window[1])
        self.labels = []
        self.kinds = set()
        self.hatched_actions = []
        self._drawn = []
        # Rectangles by the squares of a coarse net that they touch, so that few are looked at.
        self._taken = defaultdict(list)

    def at(self, east_m, north_m):
        """A place on paper [mm]."""
        return (east_m - self.window[0]) * self.mm_per_m, (self.window[3] - north_m) * self.mm_per_m_up

    def holds(self, east_m, north_m, room_mm=0.0):
        """Whether a place lies in the frame, so far from its edges."""
        x, y = self.at(east_m, north_m)
        return room_mm <= x <= self.width_mm - room_mm and room_mm <= y <= self.height_mm - room_mm

    def path(self, kind, outline):
        """An outline on paper, as an SVG path, in the style of its kind in `map.css`."""
        self.kinds.add(kind)
        self._drawn.append(f'<path class="{kind}" d="{outline}"/>')

    def mark(self, kind, shape, x, y, size_mm):
        """A mark at a place on paper."""
        self.path(kind, mark_outline(shape, x, y, size_mm))

    def marks_along(self, geometry, kind, shape, size_mm, every_mm):
        """Marks at a regular distance along lines."""
        step_m = every_mm / self.mm_per_m
        for part in shapely.get_parts(self.within(geometry)[0]):
            ways = np.arange(step_m / 2, part.length, step_m)
            for east, north in shapely.get_coordinates(shapely.line_interpolate_point(part, ways)):
                self.mark(kind, shape, *self.at(east, north), size_mm)

    def within(self, geometry):
        """What of geometries lies in the window, coarsened to what paper shows, with the numbers of their rows."""
        geometry = np.asarray(geometry, dtype=object)
        rows = np.flatnonzero(~shapely.is_missing(geometry) & ~shapely.is_empty(geometry))
        if not len(rows):
            return geometry[:0], rows
        west, south, east, north = shapely.bounds(geometry[rows]).T
        meets = (
            (west <= self.window[2])
            & (east >= self.window[0])
            & (south <= self.window[3])
            & (north >= self.window[1])
        )
        rows = rows[meets]
        cut = shapely.clip_by_rect(geometry[rows], *self.window)
        cut = shapely.simplify(cut, FINEST_MM / self.mm_per_m, preserve_topology=False)
        some = ~shapely.is_empty(cut)
        return cut[some], rows[some]

    def lines(self, geometry, *kinds):
        """Lines, or the borders of areas, drawn once for each kind."""
        parts = shapely.get_parts(self.within(geometry)[0])
        flat = shapely.get_dimensions(parts)
        if (flat == 2).any():
            parts = shapely.get_parts(np.where(flat == 2, shapely.boundary(parts), parts))
            flat = shapely.get_dimensions(parts)
        outline = "".join(self._outline(part) for part in parts[flat == 1])
        for kind in kinds if outline else ():
            self.path(kind, outline)

    def areas(self, geometry, kind):
        """Filled areas with their holes."""
        if outline := self._outline_of_areas(geometry):
            self.kinds.add(kind)
            self._drawn.append(f'<path class="{kind}" fill-rule="evenodd" d="{outline}"/>')

    # Outlines of all areas in the frame with their holes; empty without any.
    def _outline_of_areas(self, geometry):
        parts = shapely.get_parts(self.within(geometry)[0])
        areas = parts[shapely.get_dimensions(parts) == 2]
        return "".join(f"{self._outline(ring)}Z" for part in areas for ring in (part.exterior, *part.interiors))

    def hatched(self, geometry, action):
        """Areas of rules, hatched by what the rules do there."""
        if outline := self._outline_of_areas(geometry):
            self.hatched_actions.append(action)
            self._drawn.append(_hatched(action, outline))

    def relief(self, relief):
        """The shaded ground, as far as it is known; what is not known is of one grey."""
        if relief is None:
            return
        self._drawn.append(f'<rect class="beyond" width="{self.width_mm}" height="{self.height_mm}"/>')
        west, south, east, north = relief.bounds_m
        rows, columns = relief.shade.shape
        shown = (
            max(west, self.window[0]),
            max(south, self.window[1]),
            min(east, self.window[2]),
            min(north, self.window[3]),
        )
        if shown[0] >= shown[2] or shown[1] >= shown[3]:
            return
        per_column, per_row = columns / (east - west), rows / (north - south)
        edges = (
            max((shown[0] - west) * per_column, 0.0),
            max((north - shown[3]) * per_row, 0.0),
            min((shown[2] - west) * per_column, columns),
            min((north - shown[1]) * per_row, rows),
        )
        # A cell more on each side, so that the edges are shaded as the middle is.
        first, above = max(math.floor(edges[0]) - 1, 0), max(math.floor(edges[1]) - 1, 0)
        part = np.s_[above : math.ceil(edges[3]) + 1, first : math.ceil(edges[2]) + 1]
        light = DARKEST + (1 - DARKEST) * relief.shade[part] / 255.0
        grey = np.where(relief.known[part], np.round(light * GREYS) * (255.0 / GREYS), BEYOND).astype(np.uint8)
        box = (edges[0] - first, edges[1] - above, edges[2] - first, edges[3] - above)
        left, top = self.at(shown[0], shown[3])
        right, foot = self.at(shown[2], shown[1])
        size = [max(2, math.ceil(length * CELLS_PER_MM)) for length in (right - left, foot - top)]
        picture = io.BytesIO()
        # Not compressed: the compiler unpacks it and compresses it its own way.
        Image.fromarray(grey).resize(size, Image.Resampling.BILINEAR, box).save(picture, "PNG", compress_level=0)
        self._drawn.append(
            f'<image x="{left:.3f}" y="{top:.3f}" width="{right - left:.3f}" height="{foot - top:.3f}" '
            'preserveAspectRatio="none" href="data:image/png;base64,'
            f'{base64.b64encode(picture.getvalue()).decode("ascii")}"/>'
        )

    def keep_clear(self, x, y, width, height):
        """Take a rectangle of the paper [mm], so that no label is put there."""
        taken = (x, y, x + width, y + height)
        for square in _squares(*taken):
            self._taken[square].append(taken)

    def keep_clear_along(self, line, room_mm=0.6):
        """Take the ground of a line [m], so that no label covers it."""
        for part in shapely.get_parts(self.within([line])[0]):
            ways = np.arange(0.0, part.length, 1.5 / self.mm_per_m)
            for east, north in shapely.get_coordinates(shapely.line_interpolate_point(part, ways)):
                x, y = self.at(east, north)
                self.keep_clear(x - room_mm, y - room_mm, 2 * room_mm, 2 * room_mm)

    def is_free(self, x, y, width, height):
        """Whether a rectangle lies in the frame and nothing has been put there."""
        inside = x >= 0.5 and y >= 0.5 and x + width <= self.width_mm - 0.5 and y + height <= self.height_mm - 0.5
        return inside and not any(
            x < right and x + width > left and y < foot and y + height > top
            for square in _squares(x, y, x + width, y + height)
            for left, top, right, foot in self._taken[square]
        )

    def put(self, text, x, y, width, size_pt, *, bold=False, quiet=False, halo=True, water=False, turn=0):
        """A text in a rectangle of the paper, free or not, turned clockwise about its middle [°]."""
        self.labels.append(
            {
                "text": text,
                "x": round(x, 3),
                "y": round(y, 3),
                "width": round(width, 3),
                "height": round(LINE_OF_SIZE * size_pt * MM_PER_POINT, 3),
                "size": size_pt,
                "bold": bold,
                "quiet": quiet,
                "halo": halo,
                "water": water,
                "turn": turn,
            }
        )

    def try_put(self, text, places, size_pt, **options):
        """A text at the first of some upper left corners [mm] where it has room.

        Returns
        -------
        bool
            Whether there was one.
        """
        width = self.setter.width_mm(text, size_pt, options.get("bold", False)) + 0.6
        height = LINE_OF_SIZE * size_pt * MM_PER_POINT
        for place in places:
            x, y = place(width, height)
            if self.is_free(x, y, width, height):
                self.keep_clear(x, y, width, height)
                self.put(text, x, y, width, size_pt, **options)
                return True
        return False

    def label(self, east_m, north_m, text, size_pt=6.5, *, away_mm=1.4, **options):
        """A name beside its place if there is room for it.

        Returns
        -------
        bool
            Whether it was put.
        """
        if not text or not self.holds(east_m, north_m):
            return False
        x, y = self.at(east_m, north_m)

        def beside(across, down):
            return lambda width, height: (
                x - width / 2 + across * (width / 2 + away_mm),
                y - height / 2 + down * (height / 2 + away_mm),
            )

        return self.try_put(text, [beside(*side) for side in AROUND], size_pt, **options)

    def label_along(self, east_m, north_m, text, size_pt, turn_deg, away_mm=1.5, **options):
        """A name along a line beside its place, on the side that has room.

        Parameters
        ----------
        turn_deg : float
            Direction of the line, counter-clockwise from the right.

        Returns
        -------
        bool
            Whether it was put.
        """
        if not text or not self.holds(east_m, north_m):
            return False
        x, y = self.at(east_m, north_m)
        width = self.setter.width_mm(text, size_pt) + 0.6
        height = LINE_OF_SIZE * size_pt * MM_PER_POINT
        along, down = math.cos(math.radians(turn_deg)), -math.sin(math.radians(turn_deg))
        pieces = math.ceil(width / height)
        for side in (-1, 1):
            away = side * (away_mm + height / 2)
            middle = x - away * down, y + away * along
            boxes = [
                (middle[0] + part * along - height / 2, middle[1] + part * down - height / 2, height, height)
                for part in (width * ((piece + 0.5) / pieces - 0.5) for piece in range(pieces))
            ]
            if all(self.is_free(*box) for box in boxes):
                for box in boxes:
                    self.keep_clear(*box)
                corner = middle[0] - width / 2, middle[1] - height / 2
                self.put(text, *corner, width, size_pt, turn=round(-turn_deg, 1), **options)
                return True
        return False

    def number(self, east_m, north_m, text, size_pt=6.5, radius_mm=1.9, reach=5):
        """A number in a circle near its place, with a leader.

        Returns
        -------
        bool
            Whether there was space for it.
        """
        x, y = self.at(east_m, north_m)
        radius = max(radius_mm, self.setter.width_mm(text, size_pt, True) / 2 + 0.6)
        for ring in range(reach):
            away = radius + 1.6 + 2.6 * ring
            for turn in range(16):
                angle = -math.pi / 4 + turn * math.pi / 8
                across, down = x + away * math.cos(angle), y + away * math.sin(angle)
                if self.is_free(across - radius, down - radius, 2 * radius, 2 * radius):
                    self.keep_clear(across - radius, down - radius, 2 * radius, 2 * radius)
                    self.path("leader", f"M{x:.2f} {y:.2f}L{across:.2f} {down:.2f}")
                    self.mark("number", "circle", across, down, 2 * radius)
                    height = LINE_OF_SIZE * size_pt * MM_PER_POINT
                    corner = across - radius, down - height / 2
                    self.put(text, *corner, 2 * radius, size_pt, bold=True, halo=False)
                    return True
        return False

    def grid(self, maximum=5):
        """Lines of the run's grid."""
        west, south, east, north = self.window
        step = round_step((east - west) / maximum)
        if step >= 1.0:
            for number in np.arange(math.ceil(west / step), math.floor(east / step) + 1):
                self.path("grid", f"M{self.at(number * step, north)[0]:.2f} 0V{self.height_mm:.2f}")
            for number in np.arange(math.ceil(south / step), math.floor(north / step) + 1):
                self.path("grid", f"M0 {self.at(west, number * step)[1]:.2f}H{self.width_mm:.2f}")

    def numbers(self, maximum=5):
        """Numbers of the run's grid at the left edge and at the foot."""
        west, south, east, north = self.window
        step = round_step((east - west) / maximum)
        if step < 1.0:
            return
        high, last = LINE_OF_SIZE * TICK_PT * MM_PER_POINT, -math.inf
        for number in np.arange(math.ceil(west / step), math.floor(east / step) + 1):
            text, (x, _) = f"{number * step:.0f}", self.at(number * step, north)
            wide = self.setter.width_mm(text, TICK_PT)
            self.path("tick", f"M{x:.2f} {self.height_mm:.2f}v1")
            if x - wide / 2 > max(last + 2, -self.edge_mm) and x + wide / 2 < self.width_mm:
                corner = x - wide / 2, self.height_mm + 1.1
                self.put(text, *corner, wide, TICK_PT, quiet=True, halo=False)
                last = x + wide / 2
        last = math.inf
        for number in np.arange(math.ceil(south / step), math.floor(north / step) + 1):
            text, (_, y) = f"{number * step:.0f}", self.at(west, number * step)
            wide = self.setter.width_mm(text, TICK_PT)
            self.path("tick", f"M-1 {y:.2f}h1")
            if y + wide / 2 < min(last - 2, self.height_mm) and y - wide / 2 > 0:
                corner = -1.1 - high / 2 - wide / 2, y - high / 2
                self.put(text, *corner, wide, TICK_PT, quiet=True, halo=False, turn=-90)
                last = y - wide / 2

    def drawing(self, description):
        """What a template needs to show it.

        Parameters
        ----------
        description : str
            Alternative text.

        Returns
        -------
        dict
            SVG text, sizes and labels [mm], labels measured from the frame's corner.
        """
        # The frame's own line needs room too.
        edge = max(self.edge_mm, FRAME_LINE_MM)
        width = edge + self.width_mm + FRAME_LINE_MM
        height = FRAME_LINE_MM + self.height_mm + max(self.foot_mm, FRAME_LINE_MM)
        frame = f'<rect class="frame" width="{self.width_mm}" height="{self.height_mm}"/>'
        return {
            "svg": svg("".join([*self._drawn, frame]), -edge, -FRAME_LINE_MM, width, height, self.hatched_actions),
            "width": width,
            "height": height,
            "left": edge,
            "top": FRAME_LINE_MM,
            "labels": self.labels,
            "alt": description,
        }

    # A line or ring on paper, to a hundredth of a millimetre.
    def _outline(self, line):
        x, y = self.at(*shapely.get_coordinates(line).T)
        return "M" + "L".join(f"{across:.2f} {down:.2f}" for across, down in zip(x, y, strict=True))


@cache
def _style():
    return (HERE / "map.css").read_text(encoding="utf-8")


def svg(content, left, top, width, height, hatched_actions=()):
    """A drawing of some millimetres as an SVG text, in the look of `map.css`."""
    hatches = "".join(hatch_pattern(action, f"hatch-{action}", HATCH_MM) for action in hatched_actions)
    defined = f"<defs>{hatches}</defs>" if hatches else ""
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{width:.2f}mm" height="{height:.2f}mm" '
        f'viewBox="{left:.2f} {top:.2f} {width:.2f} {height:.2f}">'
        f"<style>{_style()}</style>{defined}{content}</svg>"
    )


# Rings that an action hatches.
def _hatched(action, outline):
    look = f"fill: url(#hatch-{action}); stroke: {hatch_look(action).stroke}; stroke-width: {HATCHED_EDGE_MM}"
    return f'<path style="{look}" fill-rule="evenodd" d="{outline}"/>'


def hatch_sample(action):
    """What the areas of an action look like, for a key, as an SVG text."""
    middle = SAMPLE_HEIGHT_MM / 2
    content = _hatched(action, f"M1 {middle - 1.4}H{SAMPLE_MM - 1}v2.8H1Z")
    return svg(content, 0.0, 0.0, SAMPLE_MM, SAMPLE_HEIGHT_MM, [action])


def sample(*kinds, shape="line", size_mm=1.8, marks=()):
    """What a kind of line, area or mark looks like, for a key, as an SVG text.

    Marks on a line are (kind, shape, size [mm]).
    """
    middle = SAMPLE_HEIGHT_MM / 2
    if shape == "line":
        outline = f"M0 {middle}H{SAMPLE_MM}"
    elif shape == "area":
        outline = f"M1 {middle - 1.2}H{SAMPLE_MM - 1}v2.4H1Z"
    else:
        outline = mark_outline(shape, SAMPLE_MM / 2, middle, size_mm)
    drawn = [(kind, outline) for kind in kinds]
    drawn += [(kind, mark_outline(at, SAMPLE_MM / 2, middle, size)) for kind, at, size in marks]
    content = "".join(f'<path class="{kind}" d="{outline}"/>' for kind, outline in drawn)
    return svg(content, 0.0, 0.0, SAMPLE_MM, SAMPLE_HEIGHT_MM)


def scale_bar(mm_per_m, max_mm):
    """A bar of a round length.

    Parameters
    ----------
    mm_per_m : float
        Scale of the map.
    max_mm : float
        Longest that it may be.

    Returns
    -------
    dict
        ``mm`` on paper, and what it is on the ground as ``text``.

    Examples
    --------
    >>> scale_bar(0.1, 30.0)
    {'mm': 20.0, 'text': '200 m'}
    """
    max_m = max_mm / mm_per_m
    step_m = round_step(max_m / 2.0)
    length_m = step_m if step_m <= max_m else step_m / 2
    text = f"{length_m:g} m" if length_m < 1000 else f"{length_m / 1000:g} km"
    return {"mm": round(length_m * mm_per_m, 3), "text": numeral(text)}


# Squares of the net that a rectangle touches.
def _squares(left, top, right, foot):
    columns = range(math.floor(left / NET_MM), math.floor(right / NET_MM) + 1)
    return [
        (column, row)
        for column in columns
        for row in range(math.floor(top / NET_MM), math.floor(foot / NET_MM) + 1)
    ]
