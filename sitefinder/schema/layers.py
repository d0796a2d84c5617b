"""Every column of every delivered layer, declared once: type, unit, range, meaning."""

from sitefinder.schema.columns import (
    ACTIONS,
    CAPACITY_FACTOR,
    CAPITAL_COST,
    CLOSED_MONTHS,
    COST_PER_KWH,
    DISTRICT,
    EFFECTS,
    ENERGY,
    EVIDENCE,
    FISH_SAFE,
    FLAGS,
    FLOW_DESIGN,
    FLOW_SOURCE,
    HEAD,
    HELD,
    INTERVAL,
    LAYOUT,
    LENGTHS,
    MARKS,
    MONEY_PER_KWH,
    NET_VALUE,
    NOT_OFFERED,
    POWER,
    REACH_ID,
    REASONS,
    REPAIR_KINDS,
    SCREENED,
    SITE_HEAD,
    SITE_ID,
    STREAM,
    UNITS,
    VERDICT,
    Column,
    Layer,
    amount,
    count,
    statement,
    text,
)
from sitefinder.schema.total_layers import REACH_DISTRICTS, STREAMS, WATERFALL

SITES = Layer(
    "sites",
    "Point",
    "a ranked site, at its tailrace; area and flows are those at the intake",
    ("site_id",),
    (
        SITE_ID,
        count("rank", "place in the ranking, 1 is best", least=1),
        Column("score", "real", "", "what the ranking sorted by, in the unit of that column"),
        STREAM,
        DISTRICT,
        LAYOUT,
        VERDICT,
        REASONS,
        CLOSED_MONTHS,
        FLAGS,
        *SITE_HEAD,
        amount("area_km2", "km²", "catchment at the intake"),
        amount("flow_mean_m3s", "m³/s", "mean flow at the intake"),
        amount("flow_q95_m3s", "m³/s", "flow at the intake that is exceeded 95 % of the time"),
        FLOW_SOURCE,
        FLOW_DESIGN,
        amount("reserved_flow_m3s", "m³/s", "flow that stays in the stream, mean over the year"),
        text("machine", "name of the machine class chosen"),
        POWER,
        ENERGY,
        *INTERVAL,
        CAPACITY_FACTOR,
        amount("firm_power_kw", "kW", "power exceeded 95 % of the time"),
        CAPITAL_COST,
        COST_PER_KWH,
        amount("solar_cost_per_kwh", MONEY_PER_KWH, "levelised cost of solar energy at the region's yield"),
        amount("road_distance_m", "m", "tailrace to the nearest road, straight; NULL without a road layer"),
        amount("line_distance_m", "m", "tailrace to the nearest power line, straight; NULL without a layer"),
        *LENGTHS,
        Column("lon", "real", "°", "longitude of the tailrace, WGS 84", -180, 180),
        Column("lat", "real", "°", "latitude of the tailrace, WGS 84", -90, 90),
        Column("intake_lon", "real", "°", "longitude of the intake, WGS 84", -180, 180),
        Column("intake_lat", "real", "°", "latitude of the intake, WGS 84", -90, 90),
        amount("prob_top", "1", "share of draws in which the site is among the best", 1),
        NET_VALUE,
        FISH_SAFE,
        SCREENED,
        amount(
            "survival", "1", "share of fish that survive the machine on their way down, as its class states it", 1
        ),
        amount(
            "survival_on_the_way",
            "1",
            "least share of fish from a spawning ground above that survive this site and all others, and existing "
            "plants, down to the outlet; NULL where none lies above or no rule tells spawning grounds",
            1,
        ),
        statement(
            "made_fish_safe", "true where the survival on the way, not a rule, asks for a fish-safe machine"
        ),
        UNITS,
        text("structure_id", "existing structure that gives the head; empty where none does"),
        text("reach_id", "reach in which the tailrace lies"),
        *MARKS,
    ),
)

STRETCHES = Layer(
    "stretches",
    "LineString",
    "the stretch of a ranked site, or an alternative kept; intake to tailrace down the stream",
    ("stretch_id",),
    (
        text("stretch_id", "id of the stretch"),
        text("site_id", "site that this stretch is; empty for an alternative"),
        count("rank", "rank of the site; NULL for an alternative", least=1, nullable=True),
        STREAM,
        text("reach_id", "reach in which the tailrace lies"),
        amount("intake_to_outlet_m", "m", "way along the network from the intake to its end"),
        amount("tailrace_to_outlet_m", "m", "way along the network from the tailrace to its end"),
        LAYOUT,
        *SITE_HEAD,
        *LENGTHS,
        POWER,
        ENERGY,
        NET_VALUE,
        VERDICT,
        REASONS,
        CLOSED_MONTHS,
        text(
            "blocked_by",
            "chosen site that this alternative overlaps most, or survival on the way where that alone keeps it "
            "out; empty for a site",
        ),
        *MARKS,
    ),
)

REACHES = Layer(
    "reaches",
    "LineString",
    "a reach of the mapped network, with its verdict; area and flows are those at its lower end",
    ("reach_id",),
    (
        REACH_ID,
        STREAM,
        text("feature_id", "the user's id of the stream line"),
        amount("from_m", "m", "upper end, along the link from the link's upper end"),
        amount("to_m", "m", "lower end, along the link from the link's upper end"),
        text("district", "district of the greatest part of the length; empty outside all districts"),
        count(
            "order_strahler", "Strahler order; a side arm has that of the stream it leaves", least=1, nullable=True
        ),
        count("shreve", "number of sources upstream", least=1, nullable=True),
        amount("upstream_length_km", "km", "length of all streams upstream of the lower end, each once"),
        statement("main_stem", "true on the longest way from a source to the outlet of its network"),
        amount("length_m", "m", "length along the stream"),
        *HEAD,
        amount("slope", "m/m", "gross head over length"),
        amount("area_km2", "km²", "catchment at the lower end"),
        amount("covered_percent", "%", "of that, least share that any covariate's raster covers", 100),
        amount("flow_mean_m3s", "m³/s", "mean flow at the lower end"),
        amount("flow_q95_m3s", "m³/s", "flow at the lower end that is exceeded 95 % of the time"),
        amount("flow_mean_low_m3s", "m³/s", "lower end of the mean flow's 90 % prediction interval"),
        amount("flow_mean_high_m3s", "m³/s", "upper end of the mean flow's 90 % prediction interval"),
        FLOW_SOURCE,
        amount("theoretical_kw", "kW", "theoretical potential: gross head and mean flow, no machine"),
        amount("power_density_kw_per_km", "kW/km", "theoretical potential over length"),
        VERDICT,
        REASONS,
        text("only_reason", "the one rule that alone keeps the reach from being open; empty otherwise"),
        CLOSED_MONTHS,
        text("not_offered_because", "why a reach carries no site; empty where it carries one", NOT_OFFERED),
        amount("spawning_m", "m", "length under the rules that tell spawning grounds; NULL where not published"),
        amount(
            "survival_to_outlet",
            "1",
            "least share of fish from that ground that survive all sites and existing plants down to the outlet; "
            "NULL where there is none or a rule of them is hidden",
            1,
        ),
        FLAGS,
        *MARKS,
    ),
)

CATCHMENTS = Layer(
    "catchments",
    "MultiPolygon",
    "the ground that drains to the intake of a ranked site",
    ("site_id",),
    (SITE_ID, amount("area_km2", "km²", "catchment at the intake")),
)

STRUCTURES = Layer(
    "structures",
    "Point",
    "an existing weir or drop, as used, or a step of the profile that no structure explains",
    ("structure_id",),
    (
        text("structure_id", "the user's id of the structure"),
        Column("kind", "text", "", "kind of structure, as the user's layer says; step where only the DEM does"),
        Column("use", "text", "", "present use, as the user's layer says"),
        Column("owner", "text", "", "owner, as the user's layer says"),
        Column("condition", "text", "", "condition, as the user's layer says"),
        statement("powered", "true where a plant uses it already; its stream is developed"),
        statement("fish_pass", "true where the user's layer says that it has a fish pass"),
        statement("removal_planned", "true where its removal is planned; no head is taken there"),
        amount("drop_m", "m", "drop of the water level"),
        amount("drop_error_m", "m", "standard error of the drop"),
        text("source", "where the drop comes from: surveyed or DEM; empty where there is none"),
        text("reach_id", "reach that the structure stands in; empty where it is too far from a stream"),
        amount("distance_to_stream_m", "m", "from the point as given to the stream"),
        text("note", "what was doubtful or changed; empty where nothing was"),
    ),
)

RULE_HITS = Layer(
    "rule_hits",
    None,
    "a reach, a rule and a feature of the rule's layer that meet",
    (),
    (
        REACH_ID,
        text("rule", "name of the rule in the settings"),
        text("action", "what the rule does", ACTIONS),
        text("feature_id", "the user's id of the feature; empty where no feature is told, or none is known"),
        text("effect", "how the rule comes to hold here: " + ", ".join(EFFECTS), EFFECTS),
        text("doubt", "why it may hold and may not: category missing or not covered; empty where it is certain"),
        text("holds", "whether the rule holds in the reach; no: the overlap is less than the least", HELD),
        amount("from_m", "m", "upper end of the overlap, along the link from the link's upper end"),
        amount("to_m", "m", "lower end of the overlap, along the link from the link's upper end"),
        amount("overlap_m", "m", "length of stream that is meant; 0 for a touch, NULL where it is not published"),
    ),
)

MACHINE_OPTIONS = Layer(
    "machine_options",
    None,
    "a site and a machine class that would fit it, without and with a fish screen",
    ("site_id", "machine", "screened"),
    (
        SITE_ID,
        text("machine", "name of the machine class"),
        FISH_SAFE,
        amount("survival", "1", "share of fish that survive the way down, screen and bypass included", 1),
        text("evidence", "grade of the evidence for survival: " + ", ".join(EVIDENCE), EVIDENCE),
        SCREENED,
        UNITS,
        FLOW_DESIGN,
        POWER,
        ENERGY,
        CAPACITY_FACTOR,
        CAPITAL_COST,
        COST_PER_KWH,
        statement("chosen", "true for the machine that the site's numbers are for"),
    ),
)

FLOW_CURVES = Layer(
    "flow_curves",
    None,
    "a site and a share of the time",
    ("site_id", "exceedance_percent"),
    (
        SITE_ID,
        Column("exceedance_percent", "real", "%", "share of the time", 0, 100, nullable=False),
        amount("flow_m3s", "m³/s", "flow at the intake equalled or exceeded that share of the time"),
        amount("reserved_m3s", "m³/s", "of it, the flow that stays in the stream"),
    ),
)

SITE_MONTHS = Layer(
    "site_months",
    None,
    "a site and a month of a mean year; none where no equation tells of months",
    ("site_id", "month"),
    (
        SITE_ID,
        Column("month", "integer", "", "month, 1 to 12", 1, 12, nullable=False),
        amount("flow_mean_m3s", "m³/s", "mean flow of the month at the intake, after what is taken above"),
        amount("reserved_flow_m3s", "m³/s", "flow that stays in the stream, mean over the month"),
        amount("energy_mwh", "MWh/yr", "energy of the month in a mean year; the twelve add up to the site's"),
        statement("is_closed", "true where nothing may be taken, for the migration of fish"),
    ),
)

DISTRICTS = Layer(
    "districts",
    "MultiPolygon",
    "a district and its totals; the row with an empty name is what lies outside all districts",
    ("district",),
    (
        text("district", "name of the district"),
        count("reaches", "number of reaches of which some length lies inside"),
        amount("reach_length_km", "km", "length of stream inside, cut at the border"),
        amount("open_length_km", "km", "of it, length with the verdict open or restricted"),
        amount("excluded_length_km", "km", "of it, length with the verdict excluded"),
        amount("theoretical_kw", "kW", "theoretical potential of resolved heads, shared by length at the border"),
        count("sites", "number of ranked sites whose tailrace lies inside"),
        amount("power_kw", "kW", "rated electrical power of those sites"),
        amount("energy_mwh", "MWh/yr", "energy of those sites in a mean year"),
        *INTERVAL,
    ),
    may_lack_geometry=True,
)

PROVENANCE = Layer(
    "provenance",
    None,
    "an input, a setting that changes results, or the version of a stage",
    ("kind", "name"),
    (
        text("kind", "input, setting or stage", ("input", "setting", "stage")),
        text("name", "name of the input, key of the setting, or name of the stage"),
        Column("value", "text", "", "relative file name, setting, or version"),
        Column("digest", "text", "", "SHA-256 of the input's content"),
        Column("source", "text", "", "who made it, or where the value comes from"),
        Column("date", "text", "", "edition or survey date, as the user states it"),
        Column("licence", "text", "", "licence of the data, as the user states it"),
        Column("note", "text", "", "what was changed on reading: coordinate operation, repairs"),
    ),
)

REPAIRS = Layer(
    "repairs",
    None,
    "something in the input that was mended, left out, or found doubtful and kept; and what a measurement changed",
    (),
    (
        text("kind", "what found it: " + ", ".join(REPAIR_KINDS), REPAIR_KINDS),
        text("layer", "name of the input"),
        text("feature", "the user's id of the feature, or a place; empty where the whole layer is meant"),
        text("problem", "what was wrong or is doubtful"),
        text("action", "what was done"),
    ),
)

COLUMNS = Layer(
    "columns",
    None,
    "a column of a layer of this file",
    ("layer", "column"),
    (
        text("layer", "name of the layer"),
        text("column", "name of the column"),
        text("unit", "unit; 1 for a pure ratio, empty where there is none"),
        text("meaning", "what the column holds"),
    ),
)

# In the order of delivery.
LAYERS = {
    layer.name: layer
    for layer in (
        SITES,
        STRETCHES,
        REACHES,
        CATCHMENTS,
        STRUCTURES,
        RULE_HITS,
        MACHINE_OPTIONS,
        FLOW_CURVES,
        SITE_MONTHS,
        DISTRICTS,
        STREAMS,
        WATERFALL,
        REACH_DISTRICTS,
        PROVENANCE,
        REPAIRS,
        COLUMNS,
    )
}
