"""How each layer with geometry looks on a map: colours, widths, dashes and signs, by what the row says.

Own palette: dark slate, a blue-green and an ochre. What colour tells, width, dash or sign tells too, for readers
who do not see colours apart and for prints without colour.
"""

from typing import NamedTuple

SLATE, GREY, BLUE_GREEN, PALE_BLUE_GREEN = "#26343d", "#7d888f", "#13706f", "#4f968f"
OCHRE, PALE_OCHRE, BROWN, WHITE = "#b0731a", "#e2bd74", "#8a4a12", "#ffffff"


class Look(NamedTuple):
    """How rows of one kind look.

    ``value`` is what the layer's expression gives for them: a text, or a pair of numbers with both ends included,
    or None for all rows. ``test`` says the same as (operator, column, literal): is, null, not null or between.
    Lengths are in millimetres; ``dash`` is lengths of line and gap; no ``fill`` leaves an area empty.
    """

    value: object
    label: str
    test: tuple = ()
    stroke: str = SLATE
    width_mm: float = 0.3
    dash: tuple = ()
    fill: str = ""
    sign: str = "circle"
    size_mm: float = 3.0


class LayerLook(NamedTuple):
    """How a layer looks.

    ``kind`` is marker, line or fill; ``by`` an expression that tells its kinds of rows apart, empty where all look
    alike; ``looks`` one for each; ``named`` the column that stands beside each feature, empty for none. Where
    ``best_on_top``, features of a better rank hide those of a worse one or of none.
    """

    kind: str
    by: str
    looks: tuple
    named: str
    description: str
    best_on_top: bool = False


def _verdict(value, label, **look):
    return Look(value, f"{value}: {label}", ("is", "verdict", value), **look)


def _ranks(first, last, label, **look):
    return Look((first, last), label, ("between", "rank", (first, last)), fill=OCHRE, stroke=WHITE, **look)


# More sites than any inventory has.
LAST_RANK = 1_000_000
LOOKS = {
    "sites": LayerLook(
        "marker",
        "rank",
        (
            _ranks(1, 5, "rank 1 to 5", sign="diamond", size_mm=6.0, width_mm=0.4),
            _ranks(6, 20, "rank 6 to 20", sign="circle", size_mm=4.2)._replace(fill=PALE_OCHRE, stroke=SLATE),
            _ranks(21, LAST_RANK, "rank 21 and on", sign="circle", size_mm=2.6)._replace(fill=WHITE, stroke=SLATE),
        ),
        "rank",
        "sites at their tailraces, larger and darker the better they rank",
        True,
    ),
    "stretches": LayerLook(
        "line",
        "if(\"rank\" IS NULL, 'alternative', 'site')",
        (
            Look("site", "stretch of a site", ("not null", "rank", None), stroke=OCHRE, width_mm=1.3),
            Look(
                "alternative",
                "alternative that a site blocks",
                ("null", "rank", None),
                stroke=PALE_OCHRE,
                width_mm=0.6,
                dash=(1.2, 0.9),
            ),
        ),
        "",
        "stretches of sites, intake to tailrace, and the alternatives that they block",
        True,
    ),
    "reaches": LayerLook(
        "line",
        "verdict",
        (
            _verdict("open", "no rule holds", stroke=BLUE_GREEN, width_mm=0.7),
            _verdict(
                "restricted",
                "fish-safe only, no diversion or no new barrier",
                stroke=PALE_BLUE_GREEN,
                width_mm=0.7,
                dash=(6.0, 0.8),
            ),
            _verdict("conditional", "on conditions", stroke=OCHRE, width_mm=0.6, dash=(3.0, 1.2)),
            _verdict("unknown", "a layer does not say", stroke=GREY, width_mm=0.5, dash=(2.4, 0.9, 0.6, 0.9)),
            _verdict("excluded", "barred by a rule", stroke=BROWN, width_mm=0.6, dash=(0.6, 0.9)),
        ),
        "",
        "reaches by verdict",
    ),
    # Catchments lie within one another: fills would add up.
    "catchments": LayerLook(
        "fill",
        "",
        (Look(None, "catchment of a site", stroke=PALE_BLUE_GREEN, width_mm=0.25),),
        "",
        "the ground that drains to each intake",
    ),
    "structures": LayerLook(
        "marker",
        "if(\"powered\", 'powered', 'not powered')",
        (
            Look("powered", "structure with a plant", ("is", "powered", "1"), fill=SLATE, sign="square"),
            Look("not powered", "structure", ("is", "powered", "0"), fill=WHITE, sign="square", size_mm=2.4),
        ),
        "",
        "existing structures, and steps that none explains",
    ),
    "districts": LayerLook(
        "fill",
        "",
        (Look(None, "district", stroke=GREY, width_mm=0.4, dash=(4.0, 1.2, 0.6, 1.2)),),
        "district",
        "borders of districts",
    ),
}
