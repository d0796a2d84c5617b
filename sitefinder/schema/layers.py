"""Every column of every delivered layer, declared once: type, unit, range, meaning."""

from sitefinder.schema.columns import (
    ACTIONS,
    CAPACITY_FACTOR,
    CAPITAL_COST,
    CLOSED_MONTHS,
    COST_INTERVAL,
    COST_PER_KWH,
    DISTRICT,
    EFFECTS,
    ENERGY,
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
    POWER_INTERVAL,
    REACH_ID,
    REASONS,
    SCREENED,
    SITE_HEAD,
    SITE_ID,
    SPREAD,
    STREAM,
    UNITS,
    VERDICT,
    Column,
    Layer,
    amount,
    count,
    made_by,
    statement,
    text,
)
from sitefinder.schema.own_layers import COLUMNS, PROVENANCE, REPAIRS
from sitefinder.schema.profile_layers import LEAST_HEADS, SITE_PROFILES
from sitefinder.schema.side_layers import (
    FISH_SAFE_GAIN,
    FLOW_CURVES,
    FREE_STREAM,
    MACHINE_OPTIONS,
    RANKING_CRITERIA,
    RANKING_SENSITIVITY,
    SITE_MONTHS,
)
from sitefinder.schema.total_layers import (
    DISTRIBUTIONS,
    FLOW_EQUATIONS,
    REACH_DISTRICTS,
    STREAMS,
    SUPPLY_CURVE,
    TOTALS,
    WATERFALL,
)

SITES = Layer(
    "sites",
    "Point",
    "a ranked site, at its tailrace; area and flows are those at the intake",
    ("site_id",),
    (
        *made_by(
            "sites",
            SITE_ID,
            count("rank", "place in the ranking, 1 is best", least=1),
            Column(
                "score", "real", "", "what the ranking sorted by, in the unit of that column; 0 to 1 for a score"
            ),
        ),
        *made_by("network", STREAM),
        *made_by("placed inputs.layers.districts", DISTRICT),
        *made_by("stretches", LAYOUT),
        *made_by("verdicts", VERDICT, REASONS, CLOSED_MONTHS),
        *made_by("stretches flows marks energy waters sites", FLAGS),
        *made_by("stretches", *SITE_HEAD),
        *made_by("catchments", amount("area_km2", "km²", "catchment at the intake")),
        *made_by(
            "flows",
            amount("flow_mean_m3s", "m³/s", "mean flow at the intake"),
            amount("flow_q95_m3s", "m³/s", "flow at the intake that is exceeded 95 % of the time"),
            FLOW_SOURCE,
        ),
        *made_by("energy", FLOW_DESIGN),
        *made_by(
            "flows stretches settings.flows.passage inputs.costs",
            amount("reserved_flow_m3s", "m³/s", "flow that stays in the stream, mean over the year"),
        ),
        *made_by(
            "energy flows",
            amount("used_share", "1", "share of the intake's water that machines take, availability included", 1),
            amount("reserved_share", "1", "share that must stay: reserve, water and current of a fish pass", 1),
            amount("spilled_share", "1", "the rest: more than the plant takes, or less than it runs on", 1),
        ),
        *made_by("energy", text("machine", "name of the machine class chosen"), POWER),
        *made_by("energy heads settings.uncertainty settings.run.seed", *POWER_INTERVAL),
        *made_by("energy", ENERGY),
        *made_by("energy heads settings.uncertainty settings.run.seed", *INTERVAL),
        *made_by(
            "energy",
            amount("power_mean_kw", "kW", "mean power over the year, availability included"),
            CAPACITY_FACTOR,
            amount("firm_power_kw", "kW", "power exceeded 95 % of the time"),
            CAPITAL_COST,
            COST_PER_KWH,
            amount("running_share", "1", "share of the hours of a year in which the site gives power", 1),
        ),
        *made_by(
            "settings.costs inputs.costs",
            amount("solar_cost_per_kwh", MONEY_PER_KWH, "levelised cost of solar energy at the region's yield"),
        ),
        *made_by(
            "energy settings.costs inputs.costs",
            amount(
                "solar_firm_cost_per_kwh",
                MONEY_PER_KWH,
                "the same with storage that serves as large a share of the hours; NULL without a price of storage",
            ),
            Column(
                "premium_over_solar",
                "real",
                MONEY_PER_KWH,
                "cost of the site's energy less that of solar with such storage; below 0 where it is cheaper",
            ),
        ),
        *made_by(
            "stretches",
            amount("road_distance_m", "m", "tailrace to the nearest road, straight; NULL without a road layer"),
        ),
        *made_by(
            "stretches heads",
            text(
                "road_bank", "bank of that road, looking downstream; empty where not known", ("", "left", "right")
            ),
            Column("road_climb_m", "real", "m", "tailrace less the DEM at that road: below 0 under the road"),
        ),
        *made_by(
            "stretches",
            amount("line_distance_m", "m", "tailrace to the nearest power line, straight; NULL without a layer"),
            amount(
                "settlement_road_m", "m", "way to a settlement by road, straight ways to it counted; NULL if none"
            ),
            amount(
                "settlement_distance_m",
                "m",
                "tailrace to the nearest settlement, straight; with off_grid, to the nearest off the grid",
            ),
            text("settlement", "settlement off the grid that the site could serve; empty where none is near"),
            amount("settlement_demand_mwh", "MWh/yr", "demand of that settlement"),
        ),
        *made_by(
            "stretches energy settings.off_grid",
            amount("firm_share_of_demand", "1", "firm power over the settlement's mean demand; may be above 1"),
            amount(
                "demand_served_share", "1", "share of a demand even over the year that the site covers alone", 1
            ),
            amount("diesel_displaced_l", "l/yr", "diesel that a generator would burn for what the site covers"),
        ),
        *made_by(
            "stretches",
            *LENGTHS,
            Column("lon", "real", "°", "longitude of the tailrace, WGS 84", -180, 180),
            Column("lat", "real", "°", "latitude of the tailrace, WGS 84", -90, 90),
            Column("intake_lon", "real", "°", "longitude of the intake, WGS 84", -180, 180),
            Column("intake_lat", "real", "°", "latitude of the intake, WGS 84", -90, 90),
        ),
        *made_by("energy heads settings.uncertainty settings.run.seed", *COST_INTERVAL, *SPREAD),
        *made_by(
            "sites heads settings.uncertainty settings.run.seed",
            amount("prob_top", "1", "share of draws in which the site is among the best", 1),
        ),
        *made_by(
            "energy",
            NET_VALUE,
            FISH_SAFE,
            SCREENED,
            amount(
                "survival",
                "1",
                "share of fish that survive the machine on their way down, as its class states it",
                1,
            ),
        ),
        *made_by(
            "sites settings.fish",
            amount(
                "survival_on_the_way",
                "1",
                "least share of fish from a spawning ground above that survive this site and all others, and "
                "existing plants, down to the outlet; NULL where none lies above or no rule has spawning grounds",
                1,
            ),
        ),
        *made_by(
            "sites",
            statement(
                "made_fish_safe", "true where the survival on the way, not a rule, asks for a fish-safe machine"
            ),
        ),
        *made_by("energy", UNITS),
        *made_by("waters", text("structure_id", "existing structure that gives the head; empty where none does")),
        *made_by("placed", text("reach_id", "reach in which the tailrace lies")),
        *made_by("verdicts", *MARKS),
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
            "chosen site that this alternative overlaps most, spacing counted, or survival on the way where that "
            "alone keeps it out; empty for a site",
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
        *made_by("placed", REACH_ID),
        *made_by("network", STREAM, text("feature_id", "the user's id of the stream line")),
        *made_by(
            "placed",
            amount("from_m", "m", "upper end, along the link from the link's upper end"),
            amount("to_m", "m", "lower end, along the link from the link's upper end"),
        ),
        *made_by(
            "placed inputs.layers.districts",
            text("district", "district of the greatest part of the length; empty outside all districts"),
        ),
        *made_by(
            "network",
            count(
                "order_strahler",
                "Strahler order; a side arm has that of the stream it leaves",
                least=1,
                nullable=True,
            ),
            count("shreve", "number of sources upstream", least=1, nullable=True),
            amount("upstream_length_km", "km", "length of all streams upstream of the lower end, each once"),
            statement("main_stem", "true on the longest way from a source to the outlet of its network"),
        ),
        *made_by("placed", amount("length_m", "m", "length along the stream")),
        *made_by("heads", *HEAD, amount("slope", "m/m", "gross head over length")),
        *made_by(
            "catchments",
            amount("area_km2", "km²", "catchment at the lower end"),
            amount("covered_percent", "%", "of that, least share that any covariate's raster covers", 100),
        ),
        *made_by(
            "flows",
            amount("flow_mean_m3s", "m³/s", "mean flow at the lower end"),
            amount("flow_q95_m3s", "m³/s", "flow at the lower end that is exceeded 95 % of the time"),
            amount("flow_mean_low_m3s", "m³/s", "lower end of the mean flow's 90 % prediction interval"),
            amount("flow_mean_high_m3s", "m³/s", "upper end of the mean flow's 90 % prediction interval"),
            FLOW_SOURCE,
        ),
        *made_by(
            "heads flows",
            amount("theoretical_kw", "kW", "theoretical potential: gross head and mean flow, no machine"),
            amount("power_density_kw_per_km", "kW/km", "theoretical potential over length"),
        ),
        *made_by(
            "verdicts",
            VERDICT,
            REASONS,
            text("only_reason", "the one rule that alone keeps the reach from being open; empty otherwise"),
            CLOSED_MONTHS,
        ),
        *made_by(
            "sites",
            text("not_offered_because", "why a reach carries no site; empty where it carries one", NOT_OFFERED),
        ),
        *made_by(
            "rule_overlaps settings.fish.spawning_rules",
            amount(
                "spawning_m", "m", "length under the rules that tell spawning grounds; NULL where not published"
            ),
        ),
        *made_by(
            "sites settings.fish",
            amount(
                "survival_to_outlet",
                "1",
                "least share of fish from that ground that survive all sites and existing plants down to the "
                "outlet; NULL where there is none or a rule of them is hidden",
                1,
            ),
        ),
        *made_by("network heads flows marks", FLAGS),
        *made_by("verdicts", *MARKS),
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

DISTRICTS = Layer(
    "districts",
    "MultiPolygon",
    "a district and its totals; the row with an empty name is what lies outside all districts",
    ("district",),
    (
        text("district", "name of the district"),
        count("reaches", "number of reaches of which the greatest part lies inside"),
        amount("reach_length_km", "km", "length of stream inside, cut at the border; as all here, that of totals"),
        amount("open_length_km", "km", "of it, length with the verdict open or restricted"),
        amount("excluded_length_km", "km", "of it, length with the verdict excluded"),
        amount("theoretical_kw", "kW", "theoretical potential of resolved heads, shared by length at the border"),
        count("sites", "number of ranked sites whose tailrace lies inside"),
        amount("power_kw", "kW", "rated electrical power of those sites"),
        *POWER_INTERVAL,
        amount("energy_mwh", "MWh/yr", "energy of those sites in a mean year"),
        *INTERVAL,
        amount("cost_per_kwh", MONEY_PER_KWH, "levelised cost of that energy, all sites together"),
        *COST_INTERVAL,
    ),
    may_lack_geometry=True,
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
        SITE_PROFILES,
        RANKING_CRITERIA,
        RANKING_SENSITIVITY,
        FISH_SAFE_GAIN,
        FREE_STREAM,
        DISTRICTS,
        STREAMS,
        WATERFALL,
        REACH_DISTRICTS,
        TOTALS,
        SUPPLY_CURVE,
        DISTRIBUTIONS,
        FLOW_EQUATIONS,
        LEAST_HEADS,
        PROVENANCE,
        REPAIRS,
        COLUMNS,
    )
}
