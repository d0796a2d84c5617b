"""Layers of totals: each stream, each step from all that was measured to what is open, reaches in districts."""

from sitefinder.schema.columns import (
    ACTIONS,
    CAPITAL_COST,
    COST_INTERVAL,
    ENERGY,
    INTERVAL,
    LCOE_PER_KWH,
    NET_VALUE,
    POWER,
    POWER_INTERVAL,
    REACH_ID,
    SITE_ID,
    STREAM,
    Column,
    Layer,
    amount,
    count,
    text,
)
from sitefinder.vocabulary import cascade_reasons, names

STEP_KINDS = ("everything", *names(cascade_reasons()), "rule", "open")
WAYS = ("in order", "alone")
SCOPES = ("region", "district", "outside districts")
OF_STREAM = "stream"
# What classes are told of, and of which layers.
SPREAD_OF = {
    "reaches": ("head_m", "flow_mean_m3s", "area_km2", "theoretical_kw"),
    "sites": ("head_m", "flow_mean_m3s", "power_kw", "energy_mwh"),
}
QUANTITIES = tuple(dict.fromkeys(name for names in SPREAD_OF.values() for name in names))

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
            "plants_on_migration_path",
            "sites and existing plants on the worst way that leads through it from a spawning ground to the "
            "outlet; NULL where none does",
            nullable=True,
        ),
        amount("min_survival", "1", "share of fish that survive all of them; NULL where no such way leads", 1),
    ),
)


# Amounts of one group of reaches of a step.
def _totals(prefix: str, which: str) -> tuple[Column, ...]:
    return (
        count(f"{prefix}_reaches", f"number of reaches {which} of which some length lies inside"),
        amount(f"{prefix}_km", "km", f"length of reaches {which}, cut at the border"),
        amount(f"{prefix}_mw", "MW", f"theoretical potential of reaches {which}, shared by length at the border"),
        amount(f"{prefix}_gwh", "GWh/yr", f"the same at work all year, of reaches {which}"),
    )


SCREENING_CASCADE = Layer(
    "screening_cascade",
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
        *_totals("affected", "that the step concerns (barred by it or not)"),
        *_totals("excluded", "that it bars"),
        *_totals("remaining", "that it leaves"),
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


# A sum of whole numbers, so that parts add up to the last digit.
def _whole(name: str, unit: str, meaning: str) -> Column:
    return Column(name, "integer", unit, meaning, 0, nullable=False)


# Whole numbers too, but lengths are real in every layer.
def _metres(name: str, meaning: str) -> Column:
    return amount(name, "m", meaning)._replace(nullable=False)


TOTALS = Layer(
    "totals",
    None,
    "the region, a district, what lies outside all districts, or all streams of one name; in whole metres, watts "
    "and watt-hours, so that districts and streams each add up to the region to the last digit",
    ("scope", "name"),
    (
        text("scope", "what the totals are of: " + ", ".join((*SCOPES, OF_STREAM)), (*SCOPES, OF_STREAM)),
        text("name", "name of the district or stream; empty for the others, and for streams without a name"),
        count("reaches", "number of reaches, each in the district of the greatest part of its length"),
        _metres("length_m", "their length in whole metres, cut at the border of districts"),
        _metres("open_m", "of it, length with the verdict open or restricted"),
        _metres("excluded_m", "of it, length with the verdict excluded"),
        _whole("theoretical_w", "W", "theoretical potential of heads that count, shared by length at the border"),
        count("sites", "number of ranked sites, each in the district and stream of its tailrace"),
        _whole("power_w", "W", "rated electrical power of those sites"),
        _whole("energy_wh", "Wh/yr", "energy of those sites in a mean year"),
        *POWER_INTERVAL,
        *INTERVAL,
        CAPITAL_COST._replace(meaning="capital cost of those sites"),
        NET_VALUE._replace(meaning="yearly worth of their energy less its yearly cost"),
        LCOE_PER_KWH._replace(meaning="levelised cost of that energy, all sites together; NULL without a site"),
        *COST_INTERVAL,
    ),
)

SUPPLY_CURVE = Layer(
    "supply_curve",
    None,
    "a ranked site in the order of what its energy costs, and the energy of all sites that are no dearer",
    ("position",),
    (
        count("position", "place in that order, 1 is the cheapest", minimum=1),
        SITE_ID,
        LCOE_PER_KWH,
        ENERGY,
        amount("energy_sum_mwh", "MWh/yr", "energy of this site and of all before it"),
    ),
)

DISTRIBUTIONS = Layer(
    "distributions",
    None,
    "a class of one quantity, and the reaches or sites whose value lies in it; without those of unknown value",
    ("quantity", "of", "bin"),
    (
        text(
            "quantity", "the column that is told, with its unit at the end: " + ", ".join(QUANTITIES), QUANTITIES
        ),
        text("of", "the layer that it is of: " + ", ".join(SPREAD_OF), tuple(SPREAD_OF)),
        count("bin", "number of the class from the lowest up; the same classes for reaches and sites", minimum=1),
        Column("from_value", "real", "that of quantity", "least value of the class", 0, nullable=False),
        Column("to_value", "real", "that of quantity", "value that the class stays below", 0, nullable=False),
        count("number", "number of reaches or sites in the class"),
        amount("length_m", "m", "their length along the stream")._replace(nullable=False),
    ),
)

FLOW_EQUATIONS = Layer(
    "flow_equations",
    None,
    "a term of a regional flow equation that the run used, in the units of its source, with its range and error",
    ("equation", "predictor"),
    (
        count("equation", "number of the equation, in the order in which the run has them", minimum=1),
        text("statistic", "what it gives: mean, exceedance_95 (flow exceeded 95 % of the time), and so on"),
        text("region", "region where it holds; empty where it holds everywhere"),
        text("form", "what the sum of the terms is: log10 or ln of the flow, untransformed (the flow), logistic"),
        text("flow_unit", "unit of its flow; none for a probability"),
        text("predictor", "the predictor; constant, factor (of a power law), or a product of predictors"),
        text("unit", "unit in which the source has the predictor; empty for constants and products"),
        text(
            "transform", "what is done to predictor and offset before: log10, ln, power or none; empty for others"
        ),
        Column("offset", "real", "as in unit", "what is added to the predictor first"),
        Column("exponent", "real", "1", "exponent of the transform power; NULL for others"),
        Column(
            "coefficient",
            "real",
            "as in the source",
            "as given: the exponent of a predictor that is logged; NULL for a predictor that is in products only",
        ),
        Column("minimum", "real", "as in unit", "least value of the predictor among the source's gauges"),
        Column("maximum", "real", "as in unit", "greatest value of the predictor among the source's gauges"),
        amount("standard_error_percent", "%", "standard error of the equation; NULL where it has none in percent"),
        amount("standard_error_log10", "1", "the same in log10 units, from the percentage where that is given"),
        amount("standard_error_in_flow_unit", "as in flow_unit", "standard error of an untransformed equation"),
        amount("misclassified_percent", "%", "gauges that a logistic equation tells wrongly", 100),
        amount("bias_correction", "1", "factor from the median to the mean"),
        amount("interval_widening", "1", "factor on the width of its interval, where gauges unseen asked for it"),
        count("gauges", "number of gauges behind the equation"),
        text("source", "author, year, title"),
        text("table", "table or equation number in the source"),
    ),
)
