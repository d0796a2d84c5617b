"""Signs that the page's map and printed maps share: marks of structures by kind, and hatching of rules' areas."""

import math
from typing import NamedTuple

import numpy as np

from sitefinder.schema.theme import LOOKS
from sitefinder.siting.passed import kinds_of_structures
from sitefinder.vocabulary import ACTIONS, PASSED_CROSSING, PASSED_FALL, PASSED_PLANT, PASSED_STEP, PASSED_WEIR

DROP, GAUGE, GONE = "drop", "gauge", "removed"
# Width of a hatching's lines over their distance (own choice).
LINE_OF_DISTANCE = 0.1
# Share of a mark's size that the corners of its outline have, for shapes of straight lines: (x, y) by shape, from
# the upper left on, y down.
_CORNERS = {
    "square": ((-0.5, -0.5), (0.5, -0.5), (0.5, 0.5), (-0.5, 0.5)),
    "diamond": ((0.0, -0.5), (0.5, 0.0), (0.0, 0.5), (-0.5, 0.0)),
    "triangle": ((0.0, -0.5), (0.5, 0.5), (-0.5, 0.5)),
    "triangle down": ((0.0, 0.5), (0.5, -0.5), (-0.5, -0.5)),
}


class MapKind(NamedTuple):
    """A kind of place on maps: ``label`` is for the legend, ``shape`` is one of `outline`."""

    name: str
    label: str
    shape: str


# From the top down.
MAP_KINDS = (
    MapKind(DROP, "drop without a stream", "triangle down"),
    MapKind(PASSED_PLANT.name, PASSED_PLANT.label, "square"),
    MapKind(PASSED_WEIR.name, PASSED_WEIR.label, "square"),
    MapKind(PASSED_FALL.name, PASSED_FALL.label, "triangle"),
    MapKind(PASSED_CROSSING.name, PASSED_CROSSING.label, "cross"),
    MapKind(PASSED_STEP.name, PASSED_STEP.label, "diamond"),
    MapKind(GONE, "removed structure", "plus"),
    MapKind(GAUGE, "gauge", "circle"),
)


def kinds_on_map(structures):
    """Kind of each structure on maps, of `MAP_KINDS`; ndarray of str."""
    return np.where(structures["removed"], GONE, kinds_of_structures(structures, (), ())).astype(object)


def structure_label(identity, kind):
    """What maps write beside a structure: its id; nothing beside a step, which has none."""
    return "" if kind == PASSED_STEP.name else identity


def outline(shape, x, y, size):
    """The outline of a mark about its middle, as path data of SVG.

    Parameters
    ----------
    shape : {"circle", "square", "diamond", "cross", "plus", "triangle", "triangle down"}
    x, y, size : float
        In the units of the drawing.

    Returns
    -------
    str

    Examples
    --------
    >>> outline("square", 5.0, 5.0, 2.0)
    'M4.00 4.00L6.00 4.00L6.00 6.00L4.00 6.00Z'
    """
    half = size / 2
    if shape == "circle":
        arc = f"a{half:.2f} {half:.2f} 0 1 0"
        return f"M{x - half:.2f} {y:.2f}{arc} {size:.2f} 0{arc} {-size:.2f} 0Z"
    if shape == "cross":
        left, top = f"{x - half:.2f}", f"{y - half:.2f}"
        return f"M{left} {top}l{size:.2f} {size:.2f}M{left} {y + half:.2f}l{size:.2f} {-size:.2f}"
    if shape == "plus":
        return f"M{x - half:.2f} {y:.2f}h{size:.2f}M{x:.2f} {y - half:.2f}v{size:.2f}"
    corners = [f"{x + size * across:.2f} {y + size * down:.2f}" for across, down in _CORNERS[shape]]
    return f"M{'L'.join(corners)}Z"


def actions_on_map(rule_areas):
    """Actions of which there is an area, the strictest first, as records of the vocabulary."""
    present = set(rule_areas["action"])
    return [action for action in ACTIONS if action.name in present]


def hatch_look(action):
    """Colour and angles of an action's hatching, see `sitefinder.schema.theme.Look`."""
    return LOOKS["rule_areas"].looks[action]


def hatch_pattern(action, identity, distance, scale=1.0):
    """The hatching of an action as a pattern of SVG.

    Parameters
    ----------
    action : str
        Name of an action.
    identity : str
        Id of the pattern, for ``fill="url(#…)"``.
    distance : float
        Distance of the lines, in the drawing's units times `scale`.
    scale : float

    Returns
    -------
    str
        Lines at the first angle; where there are two, also across them.
    """
    look, size = hatch_look(action), _length(distance)
    drawn = f'stroke="{look.stroke}" stroke-width="{_length(2 * LINE_OF_DISTANCE * distance)}"'
    lines = f'<line x2="{size}" {drawn}/>' + (f'<line y2="{size}" {drawn}/>' if len(look.hatch) > 1 else "")
    return (
        f'<pattern id="{identity}" class="hatch" patternUnits="userSpaceOnUse" width="{size}" height="{size}" '
        f'data-angle="{look.hatch[0]}" patternTransform="scale({scale}) rotate({-look.hatch[0]})">'
        f"{lines}</pattern>"
    )


# A length in the drawing's units, to three significant digits, whatever the language.
def _length(value):
    return f"{value:.{min(max(2 - math.floor(math.log10(value)), 0), 3)}f}"
