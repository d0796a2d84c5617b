"""Layers of totals: each stream, each step from all that was measured to what is open, reaches in districts."""

from sitefinder.schema.columns import ACTIONS, ENERGY, POWER, REACH_ID, STREAM, Layer, amount, count, text

STEP_KINDS = (
    "everything",
    "network unresolved",
    "no flow estimate",
    "head unresolved",
    "catchment incomplete",
    "standing water",
    "developed",
    "tidal",
    "rule",
    "open",
)
WAYS = ("in order", "alone")
SCOPES = ("region", "district", "outside districts")

STREAMS = Layer(
    "streams",
    None,
    "a stream, all of its links together: what sites and plants do to it, and to fish on their way",
    ("stream_id",),
    (
        text("stream_id", "id of the stream, made of the user's id and place of its lower end"),
        STREAM,
        amount("length_m", "m", "length of its reaches in the region"),
        amount("developed_m", "m", "of it, length that existing plants use"),
        amount("diverted_m", "m", "length between intake and tailrace of the sites that divert water"),
        amount("ponded_m", "m", "length that new weirs of sites pond"),
        count("sites", "number of ranked sites whose tailrace lies in it"),
        POWER._replace(meaning="rated electrical power of those sites"),
        ENERGY._replace(meaning="energy of those sites in a mean year"),
        amount("spawning_m", "m", "length under the rules that tell spawning grounds; NULL where not published"),
        count(
            "plants_on_the_way",
            "sites and existing plants on the worst way that leads through it from a spawning ground to the "
            "outlet; NULL where none does",
            nullable=True,
        ),
        amount("least_survival", "1", "share of fish that survive all of them; NULL where no such way leads", 1),
    ),
)


# Amounts of one group of reaches of a step.
def _totals(prefix, which):
    return (
        count(f"{prefix}_reaches", f"number of reaches {which} of which some length lies inside"),
        amount(f"{prefix}_km", "km", f"length of reaches {which}, cut at the border"),
        amount(f"{prefix}_mw", "MW", f"theoretical potential of reaches {which}, shared by length at the border"),
        amount(f"{prefix}_gwh", "GWh/yr", f"the same at work all year, of reaches {which}"),
    )


WATERFALL = Layer(
    "waterfall",
    None,
    "a step from everything measured down to what is open, in the region, a district or outside of all districts",
    ("scope", "district", "way", "step"),
    (
        text("scope", "what the totals are of: " + ", ".join(SCOPES), SCOPES),
        text("district", "name of the district; empty for the others"),
        text("way", "in order: among what the steps before leave; alone: among everything", WAYS),
        count("step", "number of the step, the same in order and alone; rules in the order of the settings"),
        text("kind", "kind of the step: " + ", ".join(STEP_KINDS), STEP_KINDS),
        text("rule", "name of the rule, where the step is one; empty otherwise"),
        text("action", "what the rule does; empty where the step is none", ("", *ACTIONS)),
        *_totals("met", "that the step concerns (barred by it or not)"),
        *_totals("barred", "that it bars"),
        *_totals("left", "that it leaves"),
    ),
)

REACH_DISTRICTS = Layer(
    "reach_districts",
    None,
    "a reach and a district in which some of its length lies; what totals of districts are shared by",
    ("reach_id", "district"),
    (
        REACH_ID,
        text("district", "name of the district; empty outside all districts"),
        amount("length_m", "m", "length of the reach there"),
    ),
)
