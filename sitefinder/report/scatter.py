"""Small scatter plots as SVG text: no file, no font and no script from elsewhere, and the same text each time."""

import math
from html import escape

WIDTH, HEIGHT = 250, 210
LEFT, RIGHT, TOP, BOTTOM = 46, 8, 20, 34
MOST_TICKS = 5
STEPS = (1, 2, 5, 10)


def scatter(title, x_label, y_label, x, y, names, *, marked=None, lines=(), same_scale=False):
    """A scatter plot.

    Parameters
    ----------
    title, x_label, y_label : str
    x, y : sequence of float
        Points where either is not finite are left out, and the title says how many.
    names : sequence of str
        What a browser tells of a point under the pointer.
    marked : sequence of bool, optional
        Points to fill.
    lines : sequence of (float, float)
        Straight lines to draw, as slope and intercept.
    same_scale : bool
        Whether both axes span the same numbers.

    Returns
    -------
    str
        An ``svg`` element.
    """
    marked = [False] * len(x) if marked is None else marked
    points = [
        (float(one), float(other), name, bool(mark))
        for one, other, name, mark in zip(x, y, names, marked, strict=True)
        if math.isfinite(one) and math.isfinite(other)
    ]
    left_out = len(x) - len(points)
    across, up = _span([point[0] for point in points]), _span([point[1] for point in points])
    if same_scale:
        across = up = (min(across[0], up[0]), max(across[1], up[1]))

    def place(one, other):
        column = LEFT + (one - across[0]) / (across[1] - across[0]) * (WIDTH - LEFT - RIGHT)
        row = HEIGHT - BOTTOM - (other - up[0]) / (up[1] - up[0]) * (HEIGHT - TOP - BOTTOM)
        return column, row

    told = f"{title} ({left_out} not shown)" if left_out else title
    parts = [
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {WIDTH} {HEIGHT}" width="{WIDTH}" '
        f'height="{HEIGHT}" role="img" aria-label="{escape(title)}">',
        f'<text class="title" x="{LEFT}" y="13">{escape(told)}</text>',
        f'<rect class="frame" x="{LEFT}" y="{TOP}" width="{WIDTH - LEFT - RIGHT}" '
        f'height="{HEIGHT - TOP - BOTTOM}"/>',
    ]
    for tick in _ticks(*across):
        column, base = place(tick, up[0])
        parts.append(f'<line class="tick" x1="{column:.1f}" x2="{column:.1f}" y1="{TOP}" y2="{HEIGHT - BOTTOM}"/>')
        parts.append(
            f'<text class="number" text-anchor="middle" x="{column:.1f}" y="{base + 12:.1f}">{tick:g}</text>'
        )
    for tick in _ticks(*up):
        _, row = place(across[0], tick)
        parts.append(f'<line class="tick" x1="{LEFT}" x2="{WIDTH - RIGHT}" y1="{row:.1f}" y2="{row:.1f}"/>')
        parts.append(f'<text class="number" text-anchor="end" x="{LEFT - 4}" y="{row + 3:.1f}">{tick:g}</text>')
    parts += [_line(slope, intercept, across, up, place) for slope, intercept in lines]
    for one, other, name, mark in points:
        column, row = place(one, other)
        kind = "marked" if mark else "point"
        name = f"<title>{escape(str(name))}</title>"
        parts.append(f'<circle class="{kind}" cx="{column:.1f}" cy="{row:.1f}" r="3">{name}</circle>')
    middle = (TOP + HEIGHT - BOTTOM) / 2
    parts += [
        f'<text class="label" text-anchor="middle" x="{(LEFT + WIDTH - RIGHT) / 2:.1f}" '
        f'y="{HEIGHT - 6}">{escape(x_label)}</text>',
        f'<text class="label" text-anchor="middle" transform="translate(11 {middle:.1f}) rotate(-90)">'
        f"{escape(y_label)}</text>",
        "</svg>",
    ]
    return "\n".join(part for part in parts if part)


# The range of the numbers with a twentieth of it on either side; around a lone number, half a unit.
def _span(numbers):
    if not numbers:
        return 0.0, 1.0
    least, most = min(numbers), max(numbers)
    room = 0.05 * (most - least) or 0.5
    return least - room, most + room


# Round numbers inside a range, at most five.
def _ticks(least, most):
    rough = (most - least) / MOST_TICKS
    power = 10.0 ** math.floor(math.log10(rough))
    step = next(factor * power for factor in STEPS if factor * power >= rough * (1 - 1e-9))
    first, last = math.ceil(least / step), math.floor(most / step)
    return [round(number * step, 12) + 0.0 for number in range(first, last + 1)]


# The piece of a line inside the frame, or nothing.
def _line(slope, intercept, across, up, place):
    ends = [across[0], across[1]]
    if slope != 0:
        where = sorted((height - intercept) / slope for height in up)
        ends = [max(ends[0], where[0]), min(ends[1], where[1])]
    elif not up[0] <= intercept <= up[1]:
        return ""
    if ends[0] >= ends[1]:
        return ""
    (x1, y1), (x2, y2) = (place(end, slope * end + intercept) for end in ends)
    return f'<line class="line" x1="{x1:.1f}" y1="{y1:.1f}" x2="{x2:.1f}" y2="{y2:.1f}"/>'
