"""A framed map: relief, lines and areas within a window, labels that keep clear of each other, scale and grid."""

import math
from collections import defaultdict

import numpy as np
import shapely
from matplotlib.collections import LineCollection, PathCollection
from matplotlib.path import Path as Outline

from sitefinder.report.sheets.letters import MM_PER_POINT
from sitefinder.report.sheets.paper import GREY, INK, RULE

# Lines lose what is finer than this on paper.
FINEST_MM = 0.08
# Relief is printed lighter than it is, so that lines stand out: 0 is as bright as this.
DARKEST = 0.62
TICK_POINTS = 6.0
NET_MM = 5.0
STEPS = (1.0, 2.0, 5.0, 10.0)
# Where a label may stand about its point, in the order of trial: right, left, above, below, and between.
AROUND = ((1, 0), (-1, 0), (0, -1), (0, 1), (1, -1), (-1, -1), (1, 1), (-1, 1))


def round_step(rough):
    """The least of 1, 2, 5 times a power of ten that is not below a number.

    Examples
    --------
    >>> round_step(130.0), round_step(0.2), round_step(3.0)
    (200.0, 0.2, 5.0)
    """
    power = 10.0 ** math.floor(math.log10(rough))
    return next(step * power for step in STEPS if step * power >= rough * (1 - 1e-9))


def window_about(bounds, shape, least_m=400.0, room=0.12):
    """A window of a frame's shape about what is to be seen.

    Parameters
    ----------
    bounds : sequence of float
        West, south, east and north of it [m].
    shape : tuple of float
        Width and height of the frame, in any unit.
    least_m : float
        Least extent of the shorter side [m].
    room : float
        Share of the extent to leave free on each side.

    Returns
    -------
    tuple of float
        West, south, east, north [m].
    """
    west, south, east, north = bounds
    middle = (west + east) / 2, (south + north) / 2
    width, height = ((1 + 2 * room) * side for side in (east - west, north - south))
    metres_per_unit = max(width / shape[0], height / shape[1], least_m / min(shape))
    across, up = shape[0] * metres_per_unit / 2, shape[1] * metres_per_unit / 2
    return middle[0] - across, middle[1] - up, middle[0] + across, middle[1] + up


class MapFrame:
    """A map on a page: places in metres of the run's grid, the frame in millimetres of the page."""

    def __init__(self, page, x, y, width, height, window):
        self.page, self.x, self.y, self.width, self.height = page, x, y, width, height
        self.window = window
        self.axes = page.axes(x, y, width, height)
        self.axes.set_xlim(window[0], window[2])
        self.axes.set_ylim(window[1], window[3])
        self.mm_per_m = width / (window[2] - window[0])
        # Rectangles by the squares of a coarse net that they touch, so that few are looked at.
        self._taken = defaultdict(list)

    def at(self, east_m, north_m):
        """A place on the page [mm]."""
        return (
            self.x + (east_m - self.window[0]) * self.mm_per_m,
            self.y + (self.window[3] - north_m) * self.mm_per_m,
        )

    def relief(self, relief):
        """The shaded ground, as far as it is known."""
        if relief is None:
            return
        west, south, east, north = relief.bounds_m
        rows, columns = relief.shade.shape
        cell_x, cell_y = (east - west) / columns, (north - south) / rows
        # Two cells beyond the window, so that its edges are shaded as its middle.
        left = max(0, math.floor((self.window[0] - west) / cell_x) - 2)
        right = min(columns, math.ceil((self.window[2] - west) / cell_x) + 2)
        top = max(0, math.floor((north - self.window[3]) / cell_y) - 2)
        foot = min(rows, math.ceil((north - self.window[1]) / cell_y) + 2)
        if left >= right or top >= foot:
            return
        shade = relief.shade[top:foot, left:right] / 255.0
        shade = np.where(relief.known[top:foot, left:right], DARKEST + (1 - DARKEST) * shade, 1.0)
        self.axes.imshow(
            shade,
            cmap="gray",
            vmin=0.0,
            vmax=1.0,
            extent=(
                west + left * cell_x,
                west + right * cell_x,
                north - foot * cell_y,
                north - top * cell_y,
            ),
            interpolation="bilinear",
            aspect="auto",
            zorder=0,
        )
        self.axes.set_xlim(self.window[0], self.window[2])
        self.axes.set_ylim(self.window[1], self.window[3])

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

    def lines(self, geometry, **style):
        """Lines, or the outlines of areas; `style` as of matplotlib's lines, ``linestyle`` a dash pattern."""
        cut, _ = self.within(geometry)
        parts = shapely.get_parts(cut)
        if len(parts) and (shapely.get_dimensions(parts) == 2).any():
            parts = shapely.get_parts(shapely.boundary(parts))
        drawn = [shapely.get_coordinates(part) for part in parts if shapely.get_dimensions(part) == 1]
        if drawn:
            settings = {"capstyle": "butt", "joinstyle": "round", "zorder": 3}
            self.axes.add_collection(LineCollection(drawn, **{**settings, **style}), autolim=False)

    def areas(self, geometry, **style):
        """Filled areas."""
        cut, _ = self.within(geometry)
        outlines = [_outline(part) for part in shapely.get_parts(cut) if shapely.get_dimensions(part) == 2]
        if outlines:
            self.axes.add_collection(PathCollection(outlines, **{"zorder": 1, **style}), autolim=False)

    def holds(self, east_m, north_m, room_mm=0.0):
        """Whether a place lies in the frame, so far from its edges."""
        x, y = self.at(east_m, north_m)
        return (
            self.x + room_mm <= x <= self.x + self.width - room_mm
            and self.y + room_mm <= y <= self.y + self.height - room_mm
        )

    def keep_clear(self, x, y, width, height):
        """Take a rectangle of the page [mm], so that no label is put there."""
        taken = (x, y, x + width, y + height)
        for square in _squares(*taken):
            self._taken[square].append(taken)

    def keep_clear_along(self, line, room_mm=0.6):
        """Take the ground of a line [m], so that no label covers it."""
        cut, _ = self.within([line])
        for part in shapely.get_parts(cut):
            length_m = part.length
            for way in np.arange(0.0, length_m, 1.5 / self.mm_per_m):
                x, y = self.at(*shapely.get_coordinates(part.interpolate(way))[0])
                self.keep_clear(x - room_mm, y - room_mm, 2 * room_mm, 2 * room_mm)

    def is_free(self, x, y, width, height):
        """Whether a rectangle lies in the frame and nothing has been put there."""
        inside = (
            x >= self.x + 0.5
            and y >= self.y + 0.5
            and x + width <= self.x + self.width - 0.5
            and y + height <= self.y + self.height - 0.5
        )
        return inside and not any(
            x < right and x + width > left and y < foot and y + height > top
            for square in _squares(x, y, x + width, y + height)
            for left, top, right, foot in self._taken[square]
        )

    def label(self, east_m, north_m, text, size=6.5, *, away_mm=1.6, widest_mm=38.0, **options):
        """A name beside its place if there is room for it.

        Returns
        -------
        bool
            Whether it was put.
        """
        bold = options.get("bold", False)
        letters = self.page.letters
        [text] = letters.lines(text, widest_mm, size, bold, most=1)
        if not text or not self.holds(east_m, north_m):
            return False
        width, height = letters.width_mm(text, size, bold), 1.2 * size * MM_PER_POINT
        x, y = self.at(east_m, north_m)
        for across, down in AROUND:
            left = x - width / 2 + across * (width / 2 + away_mm)
            top = y - height / 2 + down * (height / 2 + away_mm)
            if self.is_free(left - 0.3, top - 0.1, width + 0.6, height + 0.2):
                self.keep_clear(left - 0.3, top - 0.1, width + 0.6, height + 0.2)
                self.page.box(
                    left - 0.3, top, width + 0.6, height, fill="white", edge="none", alpha=0.72, above=True
                )
                self.page.text(left, top + 0.8 * height, text, size, **options)
                return True
        return False

    def number(self, east_m, north_m, text, size=6.5, radius_mm=2.0, reach=5):
        """A number in a circle near its place, with a leader where it is not next to it.

        Returns
        -------
        bool
            Whether there was room for it.
        """
        x, y = self.at(east_m, north_m)
        wide = max(radius_mm, self.page.letters.width_mm(text, size, True) / 2 + 0.7)
        for ring in range(reach):
            away = wide + 1.6 + 2.6 * ring
            for turn in range(16):
                angle = -math.pi / 4 + turn * math.pi / 8
                middle = x + away * math.cos(angle), y + away * math.sin(angle)
                corner = middle[0] - wide, middle[1] - wide
                if self.is_free(*corner, 2 * wide, 2 * wide):
                    self.keep_clear(*corner, 2 * wide, 2 * wide)
                    self.page.rule(x, y, *middle, width=0.6, colour=INK)
                    self.page.dot(*middle, wide)
                    base = middle[1] + 0.36 * size * MM_PER_POINT
                    self.page.text(middle[0], base, text, size, bold=True, align="middle")
                    return True
        return False

    def grid(self, *, across=True, most=5):
        """Ticks of the run's grid with their numbers at the lower and left edge, and lines if `across`."""
        west, south, east, north = self.window
        step = round_step((east - west) / most)
        if step < 1.0:
            return
        last = -math.inf
        for number in np.arange(math.ceil(west / step), math.floor(east / step) + 1):
            x, _ = self.at(number * step, north)
            told = f"{number * step:.0f}"
            wide = self.page.letters.width_mm(told, TICK_POINTS)
            self.page.rule(x, self.y + self.height, x, self.y + self.height + 1.2, colour=GREY)
            if x - wide / 2 > last + 2 and x + wide / 2 < self.x + self.width + 6:
                self.page.text(x, self.y + self.height + 3.6, told, TICK_POINTS, colour=GREY, align="middle")
                last = x + wide / 2
        last = math.inf
        for number in np.arange(math.ceil(south / step), math.floor(north / step) + 1):
            _, y = self.at(west, number * step)
            told = f"{number * step:.0f}"
            wide = self.page.letters.width_mm(told, TICK_POINTS)
            self.page.rule(self.x - 1.2, y, self.x, y, colour=GREY)
            if y + wide / 2 < min(last - 2, self.y + self.height + 0.5) and self.y < y - wide / 2:
                self.page.text(self.x - 2.0, y, told, TICK_POINTS, colour=GREY, align="middle", upright=True)
                last = y - wide / 2
        if across:
            for low, high, lines in ((west, east, self.axes.axvline), (south, north, self.axes.axhline)):
                for number in np.arange(math.ceil(low / step), math.floor(high / step) + 1):
                    lines(number * step, color=RULE, linewidth=0.3, zorder=0.5)

    def scale_bar(self, x, y, most_mm):
        """A bar of a round length from the point on, with its length under it; gives its lower edge [mm]."""
        most_m = most_mm / self.mm_per_m
        step_m = round_step(most_m / 2.0)
        length_m = step_m if step_m <= most_m else step_m / 2
        length = length_m * self.mm_per_m
        self.page.box(x, y, length / 2, 1.2, fill=INK, edge=INK)
        self.page.box(x + length / 2, y, length / 2, 1.2, fill="white", edge=INK)
        told = f"{length_m:g} m" if length_m < 1000 else f"{length_m / 1000:g} km"
        self.page.text(x, y + 4.2, "0", TICK_POINTS)
        self.page.text(x + length, y + 4.2, told, TICK_POINTS, align="middle" if length > 14 else "left")
        return y + 5.5


def north_arrow(page, x, y, height=8.0):
    """An arrow to grid north, its foot at the point, and what north it is."""
    page.rule(x, y, x, y - height, width=1.0, colour=INK)
    page.mark(x, y - height, "^", 6.0, fill=INK)
    page.text(x + 2.2, y - height / 2 + 0.8, "grid north", TICK_POINTS)


# Squares of the net that a rectangle touches.
def _squares(left, top, right, foot):
    columns = range(math.floor(left / NET_MM), math.floor(right / NET_MM) + 1)
    return [
        (column, row)
        for column in columns
        for row in range(math.floor(top / NET_MM), math.floor(foot / NET_MM) + 1)
    ]


# A polygon with its holes, cut parts apart.
def _outline(polygon):
    rings = [polygon.exterior, *polygon.interiors]
    return Outline.make_compound_path(*(Outline(shapely.get_coordinates(ring), closed=True) for ring in rings))
