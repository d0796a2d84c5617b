"""Colours and legend of the kinds of rows that a map shows, shared by whatever draws a layer.

Own palette: dark slate, a blue-green and an ochre. What the colour says, width, dash or sign says too, for readers
who do not distinguish colours and for prints without colour. Widths, dashes and signs belong to each medium; those
of a desktop GIS are in the style files of the delivery.
"""

from typing import NamedTuple

from sitefinder.vocabulary import ACTIONS, labels

SLATE, GREY, BLUE_GREEN, PALE_BLUE_GREEN = "#26343d", "#7d888f", "#13706f", "#4f968f"
OCHRE, PALE_OCHRE, BROWN, WHITE = "#b0731a", "#e2bd74", "#8a4a12", "#ffffff"


class Look(NamedTuple):
    """Style of one kind of rows: ``label`` is for the legend; without ``fill`` an area is empty.

    ``hatch`` holds the angles of an area's hatching, counter-clockwise from the east [°].
    """

    label: str
    stroke: str
    fill: str = ""
    hatch: tuple[int, ...] = ()


class LayerLook(NamedTuple):
    """Style of a layer: a description, and its kinds of rows in the order of the legend."""

    description: str
    looks: dict[str, Look]


# Line and angles of the hatching of a rule's area, by its action: the stricter, the denser or steeper.
HATCHES: dict[str, tuple[str, str, tuple[int, ...]]] = {
    "exclude": (BROWN, "", (45, 135)),
    "conditional": (OCHRE, "", (45,)),
    "fish_safe_only": (BLUE_GREEN, "", (0,)),
    "fish_safe_as_built": (BLUE_GREEN, "", (0, 90)),
    "no_diversion": (BLUE_GREEN, "", (90,)),
    "no_new_barrier": (SLATE, "", (135,)),
    "note": (GREY, "", (20,)),
}
PLAIN_HATCH: tuple[str, str, tuple[int, ...]] = (SLATE, "", (60,))

LOOKS: dict[str, LayerLook] = {
    "sites": LayerLook(
        "sites at their tailraces, larger and darker the better they rank",
        {
            "rank 1 to 5": Look("rank 1 to 5", WHITE, OCHRE),
            "rank 6 to 20": Look("rank 6 to 20", SLATE, PALE_OCHRE),
            "rank 21 and beyond": Look("rank 21 and beyond", SLATE, WHITE),
        },
    ),
    "stretches": LayerLook(
        "stretches of sites, intake to tailrace, and the alternatives that they block",
        {
            "site": Look("stretch of a site", OCHRE),
            "alternative": Look("alternative, blocked by a site", PALE_OCHRE),
        },
    ),
    "conduits": LayerLook(
        "headraces and penstocks of sites",
        {"headrace": Look("headrace", SLATE), "penstock": Look("penstock", BROWN)},
    ),
    "reaches": LayerLook(
        "reaches by verdict",
        {
            "open": Look("open: no rule applies", BLUE_GREEN),
            "restricted": Look("restricted: fish-safe only, no diversion or no new barrier", PALE_BLUE_GREEN),
            "conditional": Look("conditional: permitted on conditions", OCHRE),
            "unknown": Look("unknown: a layer lacks information", GREY),
            "excluded": Look("excluded: by a rule", BROWN),
        },
    ),
    # Catchments lie within one another: fills would add up.
    "catchments": LayerLook(
        "catchment of each intake",
        {"": Look("catchment of a site", SLATE)},
    ),
    "structures": LayerLook(
        "existing structures, and steps that no structure explains",
        {
            "powered": Look("structure with a plant", SLATE, SLATE),
            "not powered": Look("structure", SLATE, WHITE),
            "removed": Look("removed structure", GREY, WHITE),
        },
    ),
    "stretch_structures": LayerLook(
        "what lies on the stream within a site and at its ends",
        {"": Look("what lies on the stream at a site", SLATE, PALE_OCHRE)},
    ),
    "drops": LayerLook(
        "drops without a mapped stream, with a stated flow",
        {"": Look("drop without a stream", BROWN, WHITE)},
    ),
    "fish_passage": LayerLook(
        "barriers and plants that fish meet, once for each group of fish",
        {"": Look("barrier or plant that fish meet", SLATE, PALE_BLUE_GREEN)},
    ),
    # What they do is seen by the hatching, also without colour.
    "rule_areas": LayerLook(
        "areas of rules by what they do there, as far as their features may be published",
        {action: Look(label, *HATCHES.get(action, PLAIN_HATCH)) for action, label in labels(ACTIONS).items()},
    ),
    "changes": LayerLook(
        "reaches and sites by what became of them from one run to the next; sites are wider",
        {
            "vanished": Look("vanished", BROWN),
            "appeared": Look("appeared", BLUE_GREEN),
            "newly excluded": Look("newly excluded", BROWN),
            "re-admitted": Look("re-admitted", BLUE_GREEN),
            "changed in value": Look("changed in value", OCHRE),
            "changed by rules": Look("changed by rules", OCHRE),
            "changed by decisions": Look("changed by decisions", OCHRE),
            "moved in rank": Look("moved in rank", SLATE),
            "unchanged": Look("unchanged", GREY),
        },
    ),
    "districts": LayerLook("borders of districts", {"": Look("district", GREY)}),
}
