"""Layers of totals: streams, screening cascade, districts, supply curve, distributions, flow equations."""

from sitefinder.schema.columns import (
    ACTIONS,
    CAPITAL_COST,
    COST_INTERVAL,
    ENERGY,
    INTERVAL,
    IRR,
    LCOE_PER_KWH,
    LONG_TERM_INTERVAL,
    MONEY,
    MONTH_ENERGIES,
    NET_VALUE,
    NPV,
    PAYBACK,
    POWER,
    POWER_INTERVAL,
    REACH_ID,
    SITE_ID,
    STREAM,
    Column,
    Layer,
    amount,
    count,
    statement,
    text,
)
from sitefinder.vocabulary import REGRESSION_STRENGTHS, cascade_reasons, names

STEP_KINDS = ("everything", *names(cascade_reasons()), "rule", "decision", "open")
CASCADE_WAYS = ("in order", "alone")
SCOPES = ("region", "district", "outside districts")
STREAM_SCOPE = "stream"
# Drops without a stream, which are in no other row.
DROPS_SCOPE = "drops"
TOTAL_SCOPES = (*SCOPES, STREAM_SCOPE, DROPS_SCOPE)
# Columns whose distributions are delivered, by layer.
DISTRIBUTIONS_OF = {
    "reaches": ("head_m", "flow_mean_m3s", "area_km2", "theoretical_kw"),
    "sites": ("head_m", "flow_mean_m3s", "power_kw", "energy_mwh"),
}
QUANTITIES = tuple(dict.fromkeys(name for names in DISTRIBUTIONS_OF.values() for name in names))

STREAMS = Layer(
    "streams",
    None,
    "a stream, with the effects of sites and existing plants on it and on migrating fish",
    ("stream_id",),
    (
        text("stream_id", "stream id, from the user's id and the position of the lower end"),
        STREAM,
        amount("length_m", "m", "length of its reaches in the region"),
        amount("developed_m", "m", "length used by existing plants"),
        amount("diverted_m", "m", "length of depleted reaches of the sites"),
        amount("ponded_m", "m", "length ponded by new weirs of the sites"),
        amount(
            "depleted_share",
            "1",
            "share of the stream's whole length that existing plants use or sites deplete; "
            "ranking.max_depleted_share limits it",
            1,
        ),
        amount(
            "plants_per_km",
            "1/km",
            "existing plants and sites over the stream's whole length; ranking.max_plants_per_km limits it",
        ),
        count("barriers", "number of existing weirs and other drops in the region, natural falls left out"),
        count("new_barriers", "number of new weirs of the sites, those at intakes included"),
        amount("barriers_per_km", "1/km", "existing and new barriers per length in the region; NULL outside it"),
        count("sites", "number of ranked sites with the tailrace in this stream"),
        POWER._replace(meaning="installed capacity of those sites"),
        ENERGY._replace(meaning="mean annual energy of those sites"),
        amount("spawning_m", "m", "length in spawning grounds (fish.spawning_rules); NULL if not published"),
        count(
            "plants_on_migration_path",
            "number of sites and existing plants on the least favourable migration path through this "
            "stream from a spawning ground to the outlet; NULL without such a path",
            nullable=True,
        ),
        amount(
            "min_survival", "1", "cumulative downstream passage survival on that path; NULL without such a path", 1
        ),
    ),
)


# Figures of one group of reaches of a step.
def _totals(prefix: str, which: str) -> tuple[Column, ...]:
    return (
        count(f"{prefix}_reaches", f"number of reaches {which}, with any length inside"),
        amount(f"{prefix}_km", "km", f"length of reaches {which}, cut at the boundary"),
        amount(
            f"{prefix}_mw",
            "MW",
            f"gross theoretical potential of reaches {which}, prorated by length at the boundary",
        ),
        amount(f"{prefix}_gwh", "GWh/yr", f"gross theoretical energy of reaches {which}: that potential all year"),
    )


SCREENING_CASCADE = Layer(
    "screening_cascade",
    None,
    "a step of the screening cascade, in the region, a district or outside all districts",
    ("scope", "district", "way", "step"),
    (
        text("scope", "area of the totals: " + ", ".join(SCOPES), SCOPES),
        text("district", "name of the district; empty otherwise"),
        text("way", "in order: of what the previous steps leave; alone: of everything measured", CASCADE_WAYS),
        count("step", "number of the step, the same in order and alone; rules in the order of the settings"),
        text("kind", "kind of the step: " + ", ".join(STEP_KINDS), STEP_KINDS),
        text("rule", "name of the rule, if the step is one; empty otherwise"),
        text("action", "action of the rule; empty if the step is not a rule", ("", *ACTIONS)),
        *_totals("affected", "affected by the step, excluded or not"),
        *_totals("excluded", "excluded by the step"),
        *_totals("remaining", "remaining after the step"),
    ),
)

REACH_DISTRICTS = Layer(
    "reach_districts",
    None,
    "a reach and a district that contains some of its length; the basis of district totals",
    ("reach_id", "district"),
    (
        REACH_ID,
        text("district", "name of the district; empty outside all districts"),
        amount("length_m", "m", "length of the reach in that district"),
    ),
)


# A sum of integers, so that parts add up to the last digit.
def _whole(name: str, unit: str, meaning: str) -> Column:
    return Column(name, "integer", unit, meaning, 0, nullable=False)


# Integers too, but lengths are real in every layer.
def _metres(name: str, meaning: str) -> Column:
    return amount(name, "m", meaning)._replace(nullable=False)


REACH_FEATURES = Layer(
    "reach_features",
    None,
    "a reach and a feature of the streams layer that it follows: joins reaches to your layer, since a reach may "
    "follow several features and a feature may carry several reaches",
    ("reach_id", "feature_id", "from_m"),
    (
        REACH_ID,
        text("feature_id", "user's id of the stream line"),
        _metres("from_m", "where the feature begins along the reach, downstream"),
        _metres("to_m", "where it ends along the reach"),
        amount("length_m", "m", "length of the reach along the feature"),
        amount("share", "1", "share of the reach that follows the feature", 1.0),
        amount("feature_from_m", "m", "place along the feature as drawn where the reach begins to follow it"),
        amount(
            "feature_to_m",
            "m",
            "place along the feature as drawn where it ceases to; less than feature_from_m "
            "where the feature is drawn upstream",
        ),
    ),
)


MONTHLY_WH = tuple(
    Column(
        column.name.replace("_mwh", "_wh"),
        "integer",
        "Wh/yr",
        column.meaning.replace("mean energy", "mean energy of those sites"),
        0,
    )
    for column in MONTH_ENERGIES
)
TOTALS = Layer(
    "totals",
    None,
    "the region, a district, the area outside all districts, all streams of one name, or the selected drops "
    "without a stream, which are in no other row; in whole metres, watts and watt-hours, so that districts and "
    "streams each add up to the region to the last digit",
    ("scope", "name"),
    (
        text("scope", "area of the totals: " + ", ".join(TOTAL_SCOPES), TOTAL_SCOPES),
        text("name", "name of the district or stream; empty otherwise, and for streams without a name"),
        count("reaches", "number of reaches, each counted in the district with the greatest part of its length"),
        _metres("length_m", "length of the reaches, cut at district boundaries"),
        _metres("open_m", "length with the verdict open or restricted"),
        _metres("excluded_m", "length with the verdict excluded"),
        _whole(
            "theoretical_w",
            "W",
            "gross theoretical potential of heads that count, prorated by length at boundaries",
        ),
        count(
            "sites", "number of ranked sites, each counted in the district and stream of its tailrace, or of drops"
        ),
        _metres("depleted_m", "length of depleted reaches of those sites"),
        count("new_barriers", "number of new weirs of those sites, those at intakes included"),
        _whole("power_w", "W", "installed capacity of those sites"),
        _whole("energy_wh", "Wh/yr", "mean annual energy of those sites"),
        count("kept_sites", "number of those sites that rules exclude and a decision keeps"),
        _whole("kept_power_w", "W", "part of power_w of the sites that rules exclude and a decision keeps"),
        _whole(
            "kept_energy_wh", "Wh/yr", "part of energy_wh of the sites that rules exclude and a decision keeps"
        ),
        _metres("dropped_m", "length on which a decision allows no site, whatever its verdict"),
        *MONTHLY_WH,
        *POWER_INTERVAL,
        *INTERVAL,
        *LONG_TERM_INTERVAL,
        CAPITAL_COST._replace(meaning="capital cost of those sites"),
        NET_VALUE._replace(meaning="net annual value of those sites"),
        NPV._replace(meaning="net present value of those sites at commissioning"),
        IRR._replace(
            meaning="internal rate of return of all those sites together, real, before tax; NULL without"
        ),
        PAYBACK._replace(
            meaning="discounted payback of all those sites together; NULL if not within the lifetime"
        ),
        LCOE_PER_KWH._replace(
            meaning="levelised cost of energy (LCOE) of all those sites together; NULL without a site"
        ),
        *COST_INTERVAL,
    ),
)

WATER_BODIES = Layer(
    "water_bodies",
    None,
    "a water body of the user's layer, with what existing plants and sites do there; no rows without that layer",
    ("water_body_id",),
    (
        text("water_body_id", "user's id of the water body"),
        text("name", "user's name of the water body; empty without one"),
        text("status", "status in the user's classification; empty where none is stated"),
        statement("must_not_fall", "true if that status must not fall (inputs.water_bodies.must_not_fall_values)"),
        amount("length_m", "m", "length of mapped stream in it"),
        amount("developed_m", "m", "length used by existing plants"),
        amount("diverted_m", "m", "length of depleted reaches of the sites"),
        amount("ponded_m", "m", "length ponded by new weirs of the sites"),
        amount(
            "depleted_share",
            "1",
            "share of its length that existing plants use or sites deplete; ranking.max_depleted_share limits it",
            1,
        ),
        count("plants", "number of existing plants in it"),
        count("barriers", "number of existing weirs and other drops, natural falls left out"),
        count("sites", "number of ranked sites with the tailrace in it"),
        count("new_barriers", "number of new weirs of the ranked sites, those at intakes included"),
        count(
            "sites_using",
            "number of ranked sites that use it: with intake to tailrace or a pond, wherever their tailrace is",
        ),
        amount("barriers_per_km", "1/km", "existing and new barriers per length; NULL without a stream"),
        POWER._replace(meaning="installed capacity of the sites with the tailrace in it"),
        ENERGY._replace(meaning="mean annual energy of those sites"),
        count(
            "max_plants",
            "maximum number of existing plants and sites, of the layer or of ranking.max_plants_per_water_body; "
            "NULL without",
            nullable=True,
        ),
        count(
            "max_new_barriers",
            "maximum number of new weirs, of the layer or of ranking.max_new_barriers_per_water_body; NULL "
            "without",
            nullable=True,
        ),
    ),
)

CUMULATIVE_LIMITS = Layer(
    "cumulative_limits",
    None,
    "a cumulative limit of the settings, and what the selection is without it; energy and value by the expected "
    "curve that the choice goes by",
    ("limit",),
    (
        text("limit", "limit that is left out; all limits: none is kept"),
        amount(
            "setting",
            "as the setting",
            "value of the setting; NULL for all limits, and where a layer alone states them",
        ),
        count("sites", "number of sites selected with all limits"),
        count("sites_without", "number of sites of the best selection without this limit"),
        amount("energy_mwh", "MWh/yr", "mean annual energy of the sites selected with all limits"),
        amount("energy_without_mwh", "MWh/yr", "mean annual energy of the best selection without this limit"),
        Column(
            "energy_lost_mwh",
            "real",
            "MWh/yr",
            "energy that the limit costs; negative where a selection of less energy has more net annual value",
        ),
        Column("net_annual_value_lost", "real", MONEY + "/yr", "net annual value that the limit costs"),
        amount(
            "gap_share",
            "1",
            "how much more the objective of the selection could be at most, as a share of it; 0: the choice is "
            "exact; NULL if not known",
        ),
        amount("gap_without_share", "1", "the same for the selection without this limit"),
    ),
)

SUPPLY_CURVE = Layer(
    "supply_curve",
    None,
    "a ranked site by ascending LCOE, with cumulative energy",
    ("position",),
    (
        count("position", "position by LCOE; 1 is the cheapest", minimum=1),
        SITE_ID,
        LCOE_PER_KWH,
        ENERGY,
        amount("energy_sum_mwh", "MWh/yr", "cumulative mean annual energy of this site and all cheaper ones"),
    ),
)

DISTRIBUTIONS = Layer(
    "distributions",
    None,
    "a class of one quantity, and the reaches or sites in it; unknown values are not counted",
    ("quantity", "of", "bin"),
    (
        text("quantity", "column, with its unit at the end: " + ", ".join(QUANTITIES), QUANTITIES),
        text("of", "layer of that column: " + ", ".join(DISTRIBUTIONS_OF), tuple(DISTRIBUTIONS_OF)),
        count("bin", "number of the class, in ascending order; the same classes for reaches and sites", minimum=1),
        Column("from_value", "real", "that of quantity", "lower limit of the class, inclusive", 0, nullable=False),
        Column("to_value", "real", "that of quantity", "upper limit of the class, exclusive", 0, nullable=False),
        count("number", "number of reaches or sites in the class"),
        amount("length_m", "m", "length of those reaches or sites along the stream")._replace(nullable=False),
    ),
)

FLOW_EQUATIONS = Layer(
    "flow_equations",
    None,
    "a term of a regional flow equation of the run, in the units of its source, with its range and error",
    ("equation", "predictor"),
    (
        count("equation", "number of the equation, in the order of the run", minimum=1),
        text("statistic", "flow statistic: mean, exceedance_95 (flow exceeded 95 % of the time), and so on"),
        text("region", "region of validity; empty for everywhere"),
        text("form", "left-hand side: log10 or ln of the flow, untransformed (the flow), logistic (probability)"),
        text("flow_unit", "unit of the flow; none for a probability"),
        text("predictor", "predictor, constant, factor (of a power law), or product of predictors"),
        text("unit", "unit of the predictor in the source; empty for constants and products"),
        text(
            "transform",
            "transform of predictor plus offset: log10, ln, power or none; empty for constants and products",
        ),
        Column("offset", "real", "as in unit", "offset added to the predictor before the transform"),
        Column("exponent", "real", "1", "exponent of the transform power; NULL otherwise"),
        Column(
            "coefficient",
            "real",
            "as in the source",
            "coefficient as published: the exponent of a logged predictor; NULL for a predictor in products only",
        ),
        Column("minimum", "real", "as in unit", "minimum of the predictor among the source's gauges"),
        Column("maximum", "real", "as in unit", "maximum of the predictor among the source's gauges"),
        amount("standard_error_percent", "%", "standard error of the equation; NULL if not given in percent"),
        amount(
            "standard_error_log10", "1", "standard error in log10 units, derived from the percentage if need be"
        ),
        amount("standard_error_in_flow_unit", "as in flow_unit", "standard error of an untransformed equation"),
        amount("misclassified_percent", "%", "share of gauges that a logistic equation misclassifies", 100),
        amount("bias_correction", "1", "bias correction factor from median to mean"),
        amount("interval_widening", "1", "factor on the width of the prediction interval, from held-out gauges"),
        count("gauges", "number of gauges of the regression"),
        text(
            "strength",
            "strength of the regression of the mean flow: "
            + ", ".join(names(REGRESSION_STRENGTHS))
            + "; empty for other statistics, and for regions without ground of this run",
        ),
        text("strength_reason", "limits of the settings that make it weak; empty otherwise"),
        text("source", "author, year, title"),
        text("table", "table or equation number in the source"),
    ),
)
