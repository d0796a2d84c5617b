"""Every column of every delivered layer, declared once: type, unit, range, meaning."""

from sitefinder.schema.columns import (
    ACTIONS,
    CAPACITY_FACTOR,
    CAPITAL_COST,
    CAPITAL_PARTS,
    CLOSED_MONTHS,
    CONDUIT,
    CONDUIT_LENGTH,
    COST_INTERVAL,
    DECISION,
    DISTRICT,
    EFFECTS,
    ENERGY,
    EVIDENCE,
    FINANCE,
    FISH_SAFE,
    FISH_SAFE_AS_BUILT,
    FLAGS,
    FLOW_DESIGN,
    FLOW_SOURCE,
    HEAD,
    HELD,
    INTERVAL,
    LCOE_PER_KWH,
    LENGTH,
    LENGTHS,
    LONG_TERM_INTERVAL,
    MARKS,
    MONEY,
    MONEY_PER_KWH,
    MONTH_ENERGIES,
    MONTH_SOURCE,
    NET_VALUE,
    NEW_BARRIER,
    NO_PLANT,
    NO_ROTOR,
    NOT_APPLIED,
    NPV,
    PASSED_KINDS,
    POND_LENGTHS,
    POWER,
    POWER_INTERVAL,
    REACH_ID,
    REASONS,
    REJECTION_REASONS,
    REPAIR_KINDS,
    RULES_LIFTED,
    RUNNER,
    SCHEME_TYPE,
    SCHEME_TYPES,
    SCREENED,
    SET_EFFECTS,
    SITE_HEAD,
    SITE_ID,
    STREAM,
    UNITS,
    VARIANCE_SHARES,
    VERDICT,
    VERDICTS,
    Column,
    Layer,
    amount,
    count,
    made_by,
    statement,
    text,
)
from sitefinder.schema.columns import DECISIONS as DECISION_NAMES
from sitefinder.schema.fish_layers import FISH_ASSUMPTIONS, FISH_PASSAGE, FISH_REACHES, FISH_SITES, FISH_TOTALS
from sitefinder.schema.total_layers import (
    CUMULATIVE_LIMITS,
    DISTRIBUTIONS,
    FLOW_EQUATIONS,
    REACH_DISTRICTS,
    REACH_FEATURES,
    SCREENING_CASCADE,
    STREAMS,
    SUPPLY_CURVE,
    TOTALS,
    WATER_BODIES,
)
from sitefinder.vocabulary import (
    ABSTRACTION_KINDS,
    FISH_SAFETIES,
    HYDRAULICS_METHODS,
    LAND_PLACES,
    MIGRATION_DIRECTIONS,
    NO_PARCEL,
    NOT_LISTED,
    PASSED_ROLES,
    RIGHT_RELATIONS,
    names,
)
from sitefinder.vocabulary import DEPLETED_PLACES as PLACES

SURVIVAL_MEANING = "downstream survival at the plant, with its screen if any, of the fish that decide"

TURBINE_OPTIONS = Layer(
    "turbine_options",
    None,
    "a site and a suitable turbine class, without and with a fish screen; for the selected class also other "
    "design flows",
    ("site_id", "turbine", "screened", "flow_design_m3s"),
    (
        SITE_ID,
        text("turbine", "turbine class"),
        FISH_SAFE,
        FISH_SAFE_AS_BUILT,
        amount("survival", "1", SURVIVAL_MEANING, 1),
        text("evidence", "grade of the evidence for survival: " + ", ".join(EVIDENCE), EVIDENCE),
        SCREENED,
        UNITS,
        FLOW_DESIGN._replace(nullable=False),
        amount(
            "design_exceedance_percent",
            "%",
            "time that the flow available to the turbine equals or exceeds the design flow",
            100,
        ),
        *RUNNER,
        POWER,
        ENERGY,
        CAPACITY_FACTOR,
        CAPITAL_COST,
        LCOE_PER_KWH,
        NET_VALUE,
        statement("cost_extrapolated", "true if power or head is outside the range of the cost law"),
        statement("is_best_size", "true if the design flow is the best of this class at this site"),
        statement("chosen", "true for the turbine and design flow selected for the site"),
    ),
)
SITE_COSTS = Layer(
    "site_costs",
    None,
    "a site and a part of its capital cost; the parts of a site add up to its capital cost",
    ("site_id", "part"),
    (
        SITE_ID,
        text(
            "part",
            "part of the plant; project: law of a whole plant in place of turbine and works; engineering, "
            "contingency and construction_interest: shares of what comes before",
            CAPITAL_PARTS,
        ),
        amount("cost", MONEY, "capital cost of that part")._replace(nullable=False),
    ),
)
SITES_BY_PRICE = Layer(
    "sites_by_price",
    None,
    "a price of energy, and those of the selected sites that pay at it; sites and sizes are those of the price of "
    "the settings, and the saving by own use is unchanged",
    ("price_factor",),
    (
        amount("price_factor", "1", "price over that of the settings")._replace(nullable=False),
        amount("price_per_kwh", MONEY_PER_KWH, "price of a kWh sold"),
        count("sites", "number of selected sites with a positive net present value"),
        amount("power_kw", "kW", "installed capacity of those sites"),
        amount("energy_mwh", "MWh/yr", "mean annual energy of those sites"),
        CAPITAL_COST._replace(meaning="capital cost of those sites"),
        NPV._replace(meaning="net present value of those sites"),
        Column("npv_of_all", "real", MONEY, "net present value of all selected sites"),
    ),
)
FLOW_CURVES = Layer(
    "flow_curves",
    None,
    "a site and a flow duration percentile",
    ("site_id", "exceedance_percent"),
    (
        SITE_ID,
        Column(
            "exceedance_percent", "real", "%", "time that the flow is equalled or exceeded", 0, 100, nullable=False
        ),
        amount("flow_m3s", "m³/s", "flow at the intake equalled or exceeded for that share of the time"),
        amount("environmental_flow_m3s", "m³/s", "environmental flow at that flow"),
    ),
)
SITE_SIMULATIONS = Layer(
    "site_simulations",
    None,
    "one of the best sites and a simulation; expectation, P90, P50 and P10 of the site are taken from these rows",
    ("site_id", "simulation"),
    (
        SITE_ID,
        count("simulation", "number of the simulation: one state of the whole region for all sites", minimum=1),
        amount("power_kw", "kW", "power at the design flow"),
        amount("energy_mwh", "MWh/yr", "energy of one year"),
        amount("energy_long_term_mwh", "MWh/yr", "mean annual energy; its mean is energy_mwh of the site"),
        amount("yearly_cost", MONEY + "/yr", "annual cost of capital, operation and overhaul"),
        amount("lcoe_per_kwh", MONEY_PER_KWH, "LCOE: annual cost over mean annual energy; NULL without energy"),
        NET_VALUE,
    ),
)
SITE_MONTHS = Layer(
    "site_months",
    None,
    "a site and a month of a mean year; no rows where nothing says when water flows (month_source of sites)",
    ("site_id", "month"),
    (
        SITE_ID,
        Column("month", "integer", "", "month, 1 to 12", 1, 12, nullable=False),
        amount("flow_mean_m3s", "m³/s", "mean flow of the month at the intake, after abstractions upstream"),
        amount("environmental_flow_m3s", "m³/s", "environmental flow, mean of the month"),
        amount(
            "flow_left_m3s",
            "m³/s",
            "flow past the turbines, mean of the month, availability included: what a depleted reach keeps",
        ),
        amount(
            "energy_mwh", "MWh/yr", "mean energy of the month; the twelve add up to the site's mean annual energy"
        ),
        statement("is_closed", "true if nothing may be abstracted, by flows.closed_months or a rule"),
    ),
)
DEPLETED_REACHES = Layer(
    "depleted_reaches",
    None,
    "a place on the depleted reach of a site, and a month of a mean year; months only where something says when "
    "water flows (month_source of sites)",
    ("site_id", "position", "month"),
    (
        SITE_ID,
        count("position", "number of the place, counted downstream from the intake", minimum=1),
        text("place", "where it is: " + ", ".join(PLACES), PLACES),
        amount("distance_m", "m", "distance downstream from the intake")._replace(nullable=False),
        Column("month", "integer", "", "month, 1 to 12; 0: mean of the year", 0, 12, nullable=False),
        amount("flow_natural_m3s", "m³/s", "mean flow without the plant, after abstractions upstream"),
        amount(
            "flow_left_m3s",
            "m³/s",
            "mean flow with the plant, availability included: what passes the intake and what joins below it",
        ),
        amount("width_natural_m", "m", "wetted width at the mean flow without the plant"),
        amount("depth_natural_m", "m", "mean depth at the mean flow without the plant"),
        amount("width_m", "m", "wetted width at the flow left"),
        amount("depth_m", "m", "mean depth at the flow left"),
        amount("min_depth_m", "m", "minimum mean depth of the settings"),
        statement("is_shallow", "true if the depth at the flow left is below that minimum"),
    ),
)
RANKING_CRITERIA = Layer(
    "ranking_criteria",
    None,
    "a site and a criterion of its score; no rows if the ranking is by one figure",
    ("site_id", "criterion"),
    (
        SITE_ID,
        text("criterion", "criterion of the score: a column of sites"),
        Column("figure", "real", "as criterion", "value of that column for the site"),
        amount("normalised", "1", "normalised value: 0 worst of the sites, 1 best", 1),
        amount("weight", "1", "weight of the criterion; those of a site add up to 1", 1),
        amount("points", "1", "weight times normalised value; those of a site add up to its score", 1),
    ),
)
RANKING_SENSITIVITY = Layer(
    "ranking_sensitivity",
    None,
    "one of the first twenty sites and a criterion of its score",
    ("site_id", "criterion"),
    (
        SITE_ID,
        count("rank", "rank of the site", minimum=1),
        text("criterion", "criterion of the score: a column of sites"),
        amount("weight", "1", "weight of the criterion; those of a site add up to 1", 1),
        count("rank_without", "rank without that criterion; NULL if it is the only one", minimum=1, nullable=True),
        count("rank_half", "rank with half its weight", minimum=1, nullable=True),
        count("rank_double", "rank with double its weight", minimum=1, nullable=True),
    ),
)
FISH_SAFE_GAIN = Layer(
    "fish_safe_gain",
    None,
    "a district, a question, a grade of evidence and a bar: the gain from turbines that are fish-safe by them",
    ("district", "question", "evidence", "bar_change"),
    (
        DISTRICT,
        text(
            "question",
            "question that rules for fish-safe turbines ask: as_built, or screened, with a screen where that "
            "takes "
            "one; for the question of fish.safe as each rule asks",
            names(FISH_SAFETIES),
        ),
        text("evidence", "weakest grade of evidence that counts: " + ", ".join(EVIDENCE), EVIDENCE),
        Column(
            "bar_change", "real", "1", "what the bars of all groups of fish are raised by", -1, 1, nullable=False
        ),
        statement("as_set", "true for fish.safe, fish.evidence and the stated bars, which the selection uses"),
        amount("only_safe_length_km", "km", "length of stream open to fish-safe turbines only"),
        amount("only_safe_theoretical_kw", "kW", "gross theoretical potential there, of resolved heads"),
        amount(
            "any_theoretical_kw",
            "kW",
            "gross theoretical potential where any turbine is allowed, of resolved heads",
        ),
        count("sites_only_safe", "number of selected sites where only fish-safe turbines are allowed"),
        amount("power_only_safe_kw", "kW", "installed capacity of those sites"),
        amount("energy_only_safe_mwh", "MWh/yr", "mean annual energy of those sites"),
        text("turbines", "turbine classes of those sites, with a screen where it is in the cost"),
        count("sites", "number of sites in the best selection with fish-safe turbines"),
        amount(
            "energy_mwh",
            "MWh/yr",
            "mean annual energy of that selection, by the expected curve that the choice goes by",
        ),
        count(
            "sites_changed",
            "number of sites of the selection as set that are not in this one, or have another turbine or "
            "screen there",
        ),
        count("sites_any", "number of sites in the best selection if no turbine counts as fish-safe"),
        amount("energy_any_mwh", "MWh/yr", "mean annual energy of that selection"),
        Column("gain_mwh", "real", "MWh/yr", "difference of mean annual energy between the two selections"),
    ),
)
FISH_GROUPS = Layer(
    "fish_groups",
    None,
    "a site and a group of fish: survival as built and behind a screen",
    ("site_id", "fish_group"),
    (
        SITE_ID,
        text("fish_group", "group of fish, by fish.groups"),
        statement("is_assumed", "true if fish.groups states no group: this one is an assumption"),
        text("direction", "direction of migration", names(MIGRATION_DIRECTIONS)),
        text("months", "months of migration, separated by ;, empty: all"),
        amount("length_m", "m", "body length that decides; NULL for a group that does not go downstream"),
        amount("min_survival", "1", "bar: minimum survival at one plant", 1),
        amount("survival_as_built", "1", "survival of the turbine of this site, without a screen", 1),
        amount("survival_screened", "1", "survival of the same turbine behind the screen of fish.screen", 1),
        amount("survival", "1", "survival of the plant as it is chosen", 1),
        amount(
            "survival_von_raben",
            "1",
            "for comparison: survival of the turbine by the model of von Raben; NULL for classes without "
            "axial blades",
            1,
        ),
        text(
            "evidence_as_built",
            "grade of the evidence for the turbine; empty for a group that does not go downstream",
            ("", *EVIDENCE),
        ),
        text("evidence_screened", "grade of the evidence behind the screen, the weakest part", ("", *EVIDENCE)),
        statement("safe_as_built", "true if the turbine itself meets the bar with evidence that counts"),
        statement("safe_screened", "true if it does itself or behind the screen"),
        statement("decides", "true for the group of the site with the least margin"),
        amount("safe_prob", "1", "probability that the plant as chosen meets the bar of the group", 1),
    ),
)
HYDROKINETIC = Layer(
    "hydrokinetic",
    None,
    "a reach and a hydrokinetic turbine; kinetic potential, not added to that of heads and in no total",
    ("reach_id", "turbine"),
    (
        REACH_ID,
        text("turbine", "hydrokinetic turbine class"),
        VERDICT,
        text("because", "rejection reason; empty if a rotor is possible", NO_ROTOR),
        amount("free_length_m", "m", "length of the reach without standing, tidal and developed water"),
        amount("width_m", "m", "width at mean flow at the lower end"),
        amount("depth_m", "m", "mean depth at mean flow at the lower end"),
        amount("speed_m_s", "m/s", "velocity at mean flow, mean of the cross-section"),
        amount("speed_fast_m_s", "m/s", "velocity exceeded 10 % of the time, mean of the cross-section"),
        statement("section_measured", "true if width and depth come from a measured section"),
        count("rotors", "maximum number of rotors by length and fall of the reach"),
        amount("kinetic_power_kw", "kW", "installed capacity of those rotors"),
        amount("kinetic_power_kw_per_km", "kW/km", "mean electrical power of those rotors per length of reach"),
        amount("kinetic_energy_mwh", "MWh/yr", "mean annual energy of those rotors, availability included"),
        CAPACITY_FACTOR,
        amount(
            "capital_cost",
            MONEY,
            "capital cost of rotors, moorings, permits and contingency; without access and connection",
        ),
        LCOE_PER_KWH,
        FISH_SAFE,
        amount("survival", "1", "survival of fish past or through the rotor", 1),
        text("evidence", "grade of the evidence for survival: " + ", ".join(EVIDENCE), EVIDENCE),
    ),
)
SITE_PROFILES = Layer(
    "site_profiles",
    None,
    "a site and a station of its long profile, from upstream of the intake to downstream of the tailrace",
    ("site_id", "position"),
    (
        SITE_ID,
        count(
            "position",
            "number of the station, counted downstream; two stations coincide at a confluence",
            minimum=1,
        ),
        amount("distance_m", "m", "distance downstream from the first station of the profile")._replace(
            nullable=False
        ),
        Column("raw_m", "real", "m", "elevation read from the DEM; NULL without data"),
        Column(
            "profile_m", "real", "m", "water level of the conditioned long profile, from which heads are taken"
        ),
        Column(
            "low_m", "real", "m", "lower end of its 90 % confidence interval; errors of neighbours are correlated"
        ),
        Column("high_m", "real", "m", "upper end of its 90 % confidence interval"),
        statement("is_refused", "true if the elevation read was rejected, as at a bridge"),
        statement("is_step", "true if a step, such as a weir, follows directly downstream"),
        statement("is_standing", "true for standing water between this station and the one upstream"),
        text("structure_id", "structures between this station and the one upstream"),
        Column("structure_drop_m", "real", "m", "their drop, surveyed where available", 0),
        text("mark", "intake or tailrace, if the station is one; empty otherwise", ("", "intake", "tailrace")),
    ),
)
MINIMUM_HEADS = Layer(
    "minimum_heads",
    None,
    "a length of stretch and the minimum resolvable head of the DEM over it",
    ("length_m",),
    (
        amount("length_m", "m", "length of stretch along the stream")._replace(nullable=False),
        amount("min_head_m", "m", "minimum resolvable head over that length, median of the region's stretches"),
        amount(
            "min_head_p90_m",
            "m",
            "minimum resolvable head over that length, 90th percentile of the region's stretches",
        ),
    ),
)
PROVENANCE = Layer(
    "provenance",
    None,
    "an input, a setting that changes results, the version of the program, or the code of a stage",
    ("kind", "name"),
    (
        text("kind", "input, setting, version or stage", ("input", "setting", "version", "stage")),
        text("name", "name of the input, setting key, or name of the program or stage"),
        Column("value", "text", "", "relative file name, setting, version, or start of the code's digest"),
        Column(
            "digest", "text", "", "SHA-256 of the input's content or of the stage's code; commit of the program"
        ),
        Column("source", "text", "", "producer of the data, or source of the value"),
        Column("date", "text", "", "edition or survey date, as stated by the user"),
        Column("licence", "text", "", "licence of the data, as stated by the user"),
        Column(
            "note",
            "text",
            "",
            "changes on reading: coordinate operation, repairs; local changes to the program",
        ),
    ),
)
REPAIRS = Layer(
    "repairs",
    None,
    "a repair, omission or doubt in the inputs, or a change by a field measurement",
    (),
    (
        text("kind", "where it was found: " + ", ".join(REPAIR_KINDS), REPAIR_KINDS),
        text("layer", "name of the input"),
        text("feature", "user's feature id, or a position; empty for the whole layer"),
        text("problem", "problem, or doubt"),
        text("action", "action taken"),
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
        text("unit", "unit; 1 for a ratio, empty if none"),
        text("meaning", "what the column holds"),
    ),
)
SITES = Layer(
    "sites",
    "Point",
    "a ranked site, at its tailrace; catchment area and flows are those at the intake",
    ("site_id",),
    (
        *made_by(
            "sites",
            SITE_ID,
            count("rank", "rank; 1 is best", minimum=1),
            Column(
                "score",
                "real",
                "",
                "figure that the ranking sorts by, in the unit of that column; 0 to 1 for a score",
            ),
        ),
        *made_by("network", STREAM),
        *made_by("stationing inputs.layers.districts", DISTRICT),
        *made_by("candidates", SCHEME_TYPE),
        *made_by("rule_verdicts", VERDICT, REASONS, CLOSED_MONTHS),
        *made_by(
            "decisions",
            *DECISION,
            statement("kept_by_decision", "true if rules exclude the site and a decision keeps it"),
            RULES_LIFTED,
        ),
        *made_by(
            "stretches flows quality_flags energy water_bodies sites channel_shapes settings.depleted_reach", FLAGS
        ),
        *made_by("candidates", *SITE_HEAD),
        *made_by(
            "catchments",
            amount("area_km2", "km²", "catchment area at the intake"),
            amount("inflow_km2", "km²", "part of it that a stream is stated to bring from outside the DEM"),
        ),
        *made_by(
            "flows",
            amount("flow_mean_m3s", "m³/s", "mean flow at the intake"),
            amount("flow_q95_m3s", "m³/s", "Q95 at the intake: flow equalled or exceeded 95 % of the time"),
            FLOW_SOURCE,
        ),
        *made_by("energy closed_energy", FLOW_DESIGN),
        *made_by(
            "flows candidates settings.flows.releases inputs.costs",
            amount("environmental_flow_m3s", "m³/s", "environmental flow, mean of the year"),
        ),
        *made_by(
            "energy closed_energy flows",
            amount(
                "used_share",
                "1",
                "share of the flow at the intake that the turbines use, availability included",
                1,
            ),
            amount(
                "environmental_flow_share",
                "1",
                "share of the flow at the intake that is environmental flow, fish pass and attraction flow "
                "included",
                1,
            ),
            amount(
                "spilled_share",
                "1",
                "share of the flow at the intake that is spilled: above the design flow or below the minimum "
                "turbine flow",
                1,
            ),
        ),
        *made_by("energy closed_energy", text("turbine", "turbine class selected"), POWER),
        *made_by("energy closed_energy heads settings.uncertainty settings.run.seed", *POWER_INTERVAL),
        *made_by("energy closed_energy heads flows settings.uncertainty settings.run.seed", ENERGY),
        *made_by(
            "energy closed_energy heads flows settings.uncertainty settings.run.seed",
            *INTERVAL,
            *LONG_TERM_INTERVAL,
        ),
        *made_by("energy closed_energy months", *MONTH_ENERGIES),
        *made_by("months", MONTH_SOURCE),
        *made_by(
            "energy closed_energy",
            amount("power_mean_kw", "kW", "mean power, availability included"),
            CAPACITY_FACTOR,
            amount("firm_power_kw", "kW", "firm power: power exceeded 95 % of the time"),
            CAPITAL_COST,
            LCOE_PER_KWH,
            amount("operating_fraction", "1", "share of the hours of a year in operation", 1),
        ),
        *made_by(
            "settings.costs inputs.costs",
            amount("solar_lcoe_per_kwh", MONEY_PER_KWH, "LCOE of solar at the region's yield"),
        ),
        *made_by(
            "energy closed_energy settings.costs inputs.costs",
            amount(
                "solar_firm_lcoe_per_kwh",
                MONEY_PER_KWH,
                "LCOE of solar with storage that supplies the same share of hours; NULL without a storage cost",
            ),
            Column(
                "lcoe_minus_solar_per_kwh",
                "real",
                MONEY_PER_KWH,
                "LCOE difference to solar with that storage; negative if the site is cheaper",
            ),
        ),
        *made_by(
            "candidates",
            amount(
                "road_distance_m",
                "m",
                "straight-line distance from the tailrace to the nearest road; NULL without a road layer",
            ),
        ),
        *made_by(
            "candidates heads",
            text("road_bank", "bank of that road, looking downstream; empty if unknown", ("", "left", "right")),
            Column(
                "road_climb_m",
                "real",
                "m",
                "elevation of the tailrace above the DEM at that road; negative if below the road",
            ),
        ),
        *made_by(
            "candidates",
            amount(
                "line_distance_m",
                "m",
                "straight-line distance from the tailrace to the nearest power line or substation, of a fitting "
                "voltage where voltages are known; NULL without these layers",
            ),
            amount(
                "settlement_road_m",
                "m",
                "distance to a settlement by road, with straight links to it; NULL if there is no road",
            ),
            amount(
                "settlement_distance_m",
                "m",
                "straight-line distance from the tailrace to the nearest settlement; with off_grid, to the "
                "nearest off-grid settlement",
            ),
            amount("connection_kv", "kV", "voltage of that line or substation; NULL where it is not known"),
            text(
                "substation_id",
                "nearest substation of a fitting voltage, whose free capacity counts; empty without "
                "inputs.substations",
            ),
            amount("substation_distance_m", "m", "straight-line distance from the tailrace to that substation"),
            amount("substation_free_kw", "kW", "free capacity of that substation; NULL where it is not known"),
            text("settlement", "off-grid settlement that the site could supply; empty if none is near"),
            amount("settlement_demand_mwh", "MWh/yr", "annual demand of that settlement"),
        ),
        *made_by(
            "candidates energy closed_energy sites settings.ranking",
            Column(
                "substation_left_kw",
                "real",
                "kW",
                "free capacity of that substation less the installed capacity of this site and of all better "
                "ranked ones there; below zero where they exceed it",
            ),
        ),
        *made_by(
            "candidates energy settings.off_grid",
            amount("firm_share_of_demand", "1", "firm power over the mean demand of the settlement; may exceed 1"),
            amount("demand_served_share", "1", "share of a constant demand that the site alone supplies", 1),
            amount("diesel_displaced_l", "l/yr", "diesel that a generator would need for that supply"),
        ),
        *made_by(
            "stretches water_bodies verdicts energy inputs.costs",
            text("needs", "what the site needs beside works: a new weir, fish pass, screen, agreements"),
        ),
        *made_by("conduits stretches", *CONDUIT),
        *made_by("candidates", LENGTH),
        *made_by("conduits stretches", CONDUIT_LENGTH),
        *made_by(
            "candidates",
            *POND_LENGTHS,
            *NEW_BARRIER,
            Column("lon", "real", "°", "longitude of the tailrace, WGS 84", -180, 180),
            Column("lat", "real", "°", "latitude of the tailrace, WGS 84", -90, 90),
            Column("intake_lon", "real", "°", "longitude of the intake, WGS 84", -180, 180),
            Column("intake_lat", "real", "°", "latitude of the intake, WGS 84", -90, 90),
        ),
        *made_by(
            "candidates",
            amount(
                "depleted_length_m", "m", "length of the depleted reach, intake to tailrace; 0 without a diversion"
            ),
        ),
        *made_by(
            "energy closed_energy flows channel_shapes settings.depleted_reach",
            amount(
                "depleted_flow_mean_m3s",
                "m³/s",
                "mean flow left below the intake, availability included; NULL without a diversion, like all of "
                "the depleted reach but its length",
            ),
            amount(
                "depleted_flow_q95_m3s",
                "m³/s",
                "flow left below the intake that is equalled or exceeded 95 % of the time, the plant in service",
            ),
            amount(
                "depleted_inflow_mean_m3s",
                "m³/s",
                "mean flow of tributaries and banks that join above the tailrace",
            ),
            amount("depleted_width_m", "m", "wetted width below the intake at the median flow left"),
            amount("depleted_depth_m", "m", "mean depth below the intake at the median flow left"),
            amount(
                "depleted_shallow_share",
                "1",
                "share of the time in which the mean depth is below depleted_reach.min_depth_m anywhere in the "
                "depleted reach, the plant in service",
                1,
            ),
            amount("depleted_shallow_natural_share", "1", "the same without the plant", 1),
        ),
        *made_by(
            "candidates heads settings.stretches.max_head_m settings.stretches.new_weir_heights_m",
            statement(
                "head_is_capped",
                "true if a diversion longer by one station, or a new weir of the next height, would have more "
                "than the maximum head, the definition of low head",
            ),
        ),
        *made_by(
            "energy closed_energy heads settings.uncertainty settings.run.seed", *COST_INTERVAL, *VARIANCE_SHARES
        ),
        *made_by(
            "energy closed_energy heads settings.uncertainty settings.run.seed",
            amount(
                "prob_pays",
                "1",
                "probability that the net annual value is above zero at the price of the settings, from the "
                "simulations",
                1,
            ),
        ),
        *made_by(
            "sites heads settings.uncertainty settings.run.seed",
            amount(
                "prob_in_top_n",
                "1",
                "probability of being among the best N sites (uncertainty.top_sites), from the simulations",
                1,
            ),
        ),
        *made_by(
            "energy closed_energy",
            NET_VALUE,
        ),
        *made_by("energy settings.costs inputs.costs", *FINANCE),
        *made_by(
            "energy",
            FISH_SAFE,
            FISH_SAFE_AS_BUILT,
            SCREENED,
            amount("survival", "1", SURVIVAL_MEANING, 1),
            amount("survival_as_built", "1", "the same at the turbine alone, without a screen", 1),
            text("fish_group", "group of fish that decides: the one with the least margin above its bar"),
            amount(
                "bypass_flow_m3s", "m³/s", "flow of the screen's bypass while the plant runs; 0 without a screen"
            ),
        ),
        *made_by(
            "energy settings.uncertainty.simulations",
            amount(
                "fish_safe_prob",
                "1",
                "probability that the plant meets the bar of all groups, by the likely ranges of what strikes "
                "kill, "
                "of stated shares, of guidance and of the bypass; 0 where evidence does not count",
                1,
            ),
        ),
        *made_by(
            "sites settings.fish",
            amount(
                "passage_survival",
                "1",
                "cumulative downstream passage survival (least favourable route) from a spawning ground "
                "upstream to the outlet, past this site, all other sites and existing plants; NULL without a "
                "spawning ground",
                1,
            ),
        ),
        *made_by(
            "sites",
            statement(
                "fish_safe_by_passage_limit",
                "true if fish.min_passage_survival, not a rule, requires a fish-safe turbine",
            ),
        ),
        *made_by("energy closed_energy", UNITS, *RUNNER),
        *made_by(
            "heads",
            Column(
                "tailrace_level_m",
                "real",
                "m",
                "level of the stream at the tailrace in the long profile, in the height system of the DEM; "
                "suction_head_m takes it as above the sea",
            ),
        ),
        *made_by("water_bodies", text("structure_id", "existing structure whose drop is used; empty if none")),
        *made_by("stationing", text("reach_id", "reach of the tailrace")),
        *made_by(
            "stationing conduits settings.inputs.parcels inputs.layers.parcels",
            text(
                "intake_owner",
                "classes of owners of the ground at the intake, the nearest first, separated by semicolons; empty "
                "without inputs.parcels, see the layer site_land",
            ),
            text("tailrace_owner", "the same at the tailrace"),
            text(
                "conduit_owner",
                "classes of owners along headrace and penstock, each with its length; empty without a conduit, or "
                "where its way is not known",
            ),
        ),
        *made_by(
            "stationing stretches settings.inputs.abstractions inputs.layers.abstractions",
            count(
                "water_rights",
                "number of existing water rights that the site touches, or that lie within "
                "inputs.abstractions.downstream_m below it, see the layer site_water_rights; NULL without "
                "inputs.abstractions",
                nullable=True,
            ),
            amount(
                "depleted_rights_m3s",
                "m³/s",
                "flow that existing rights take from the depleted reach while all of them run; NULL without "
                "inputs.abstractions",
            ),
        ),
        *made_by(
            "river_parts stretches",
            text(
                "water_body_id",
                "ids of the water bodies (inputs.water_bodies) that the site uses, from intake to tailrace and by "
                "its pond, separated by semicolons; empty without",
            ),
            text(
                "water_body_status",
                "status of each of them, in the user's classification; empty where none is stated",
            ),
        ),
        *made_by("rule_verdicts", *MARKS),
    ),
)
STRETCHES = Layer(
    "stretches",
    "LineString",
    "the stretch of a ranked site or of an alternative, from intake to tailrace",
    ("stretch_id",),
    (
        text("stretch_id", "id of the stretch"),
        text("site_id", "site on this stretch; empty for an alternative"),
        count("rank", "rank of the site; NULL for an alternative", minimum=1, nullable=True),
        STREAM,
        text("reach_id", "reach of the tailrace"),
        amount("intake_to_outlet_m", "m", "distance along the network from the intake to the outlet"),
        amount("tailrace_to_outlet_m", "m", "distance along the network from the tailrace to the outlet"),
        SCHEME_TYPE,
        *SITE_HEAD,
        *LENGTHS,
        *NEW_BARRIER,
        *CONDUIT,
        POWER,
        ENERGY,
        NET_VALUE,
        VERDICT,
        REASONS,
        CLOSED_MONTHS,
        text(
            "blocked_by",
            "selected site that overlaps this alternative by the greatest length, spacing included, or "
            "passage survival if only that rejects it; empty for a site",
        ),
        *MARKS,
    ),
)
SITE_LAND = Layer(
    "site_land",
    None,
    "a site, a part of it, and a class of owner of the ground there; no rows without inputs.parcels",
    ("site_id", "place", "owner_class"),
    (
        SITE_ID,
        count("rank", "rank of the site", minimum=1),
        text("place", "part of the site: " + ", ".join(LAND_PLACES), LAND_PLACES),
        text(
            "owner_class",
            f"class of owner, of inputs.parcels.owner_classes; {NOT_LISTED}: not listed there; {NO_PARCEL}: no "
            "parcel covers the ground",
        ),
        count("parcels", "number of parcels of that class"),
        amount("length_m", "m", "length of headrace or penstock on their ground; NULL at intake and tailrace"),
    ),
)
SITE_WATER_RIGHTS = Layer(
    "site_water_rights",
    None,
    "a site and an existing water right that it touches, or that lies below it within "
    "inputs.abstractions.downstream_m; no rows without inputs.abstractions",
    ("site_id", "position"),
    (
        SITE_ID,
        count("rank", "rank of the site", minimum=1),
        count("position", "number of the right at that site, counted downstream", minimum=1),
        text("right_id", "user's id of the right"),
        text("licence", "licence or file number, for reference; the id where none is stated"),
        text("name", "user's name of the right; empty without one"),
        text("kind", "kind of the right: " + ", ".join(ABSTRACTION_KINDS), ABSTRACTION_KINDS),
        text(
            "relation",
            "where it lies against the site: " + ", ".join(names(RIGHT_RELATIONS)),
            names(RIGHT_RELATIONS),
        ),
        Column(
            "distance_m", "real", "m", "distance downstream from the intake; negative above it", nullable=False
        ),
        amount("flow_m3s", "m³/s", "flow that it takes or brings while it runs"),
        amount("share_of_time", "1", "share of the time that it runs", 1),
        text("months", "months in which it runs, such as 5;6;7; empty: all"),
        text("seniority", "seniority as the user states it; empty if none"),
    ),
)
SUBSTATIONS = Layer(
    "substations",
    None,
    "a substation of the user's layer, with the sites that are nearest to it; no rows without inputs.substations",
    ("substation_id",),
    (
        text("substation_id", "user's id of the substation"),
        text("name", "user's name of the substation; empty without one"),
        text("voltages_kv", "nominal voltages [kV], separated by semicolons; empty where none is stated"),
        amount("free_kw", "kW", "free capacity; NULL where it is not known"),
        count("sites", "number of ranked sites that are nearest to it, of substations of a fitting voltage"),
        POWER._replace(meaning="installed capacity of those sites"),
        Column("left_kw", "real", "kW", "free capacity less that; below zero where the sites exceed it"),
        count("sites_beyond", "number of those sites that, taken by rank, do not fit into the free capacity"),
    ),
)
CONDUITS = Layer(
    "conduits",
    "LineString",
    "the headrace or the penstock of a ranked site, as it was found over the DEM; for screening, not a design",
    ("site_id", "part"),
    (
        SITE_ID,
        count("rank", "rank of the site", minimum=1),
        text("part", "headrace or penstock", ("headrace", "penstock")),
        *(column for column in CONDUIT if column.name in ("conduit_route", "conduit_bank")),
        amount("length_m", "m", "length of that part; of a penstock along its slope")._replace(nullable=False),
    ),
)
REACHES = Layer(
    "reaches",
    "LineString",
    "a reach of the mapped network, with its verdict; catchment area and flows are those at its lower end",
    ("reach_id",),
    (
        *made_by("stationing", REACH_ID),
        *made_by("network", STREAM, text("feature_id", "user's id of the stream line")),
        *made_by(
            "stationing",
            amount("from_m", "m", "upper end, as distance along the link"),
            amount("to_m", "m", "lower end, as distance along the link"),
        ),
        *made_by(
            "stationing inputs.layers.districts",
            text("district", "district with the greatest part of the length; empty outside all districts"),
        ),
        *made_by(
            "network",
            count(
                "order_strahler",
                "Strahler order; a side branch has that of the stream it leaves",
                minimum=1,
                nullable=True,
            ),
            count("shreve", "Shreve magnitude: number of sources upstream", minimum=1, nullable=True),
            amount("upstream_length_km", "km", "length of all streams upstream of the lower end"),
            statement("main_stem", "true on the longest path from a source to the outlet"),
        ),
        *made_by("stationing", amount("length_m", "m", "length along the stream")),
        *made_by("heads", *HEAD, amount("slope", "m/m", "gross head over length")),
        *made_by(
            "catchments",
            amount("area_km2", "km²", "catchment area at the lower end"),
            amount(
                "covered_percent",
                "%",
                "share of the catchment with data, of the covariate that covers it least",
                100,
            ),
        ),
        *made_by(
            "flows",
            amount("flow_mean_m3s", "m³/s", "mean flow at the lower end"),
            amount("flow_q95_m3s", "m³/s", "Q95 at the lower end: flow equalled or exceeded 95 % of the time"),
            amount("flow_mean_low_m3s", "m³/s", "lower end of the 90 % prediction interval of the mean flow"),
            amount("flow_mean_high_m3s", "m³/s", "upper end of the 90 % prediction interval of the mean flow"),
            FLOW_SOURCE,
        ),
        *made_by(
            "channel_shapes field_levels settings.tailwater",
            text(
                "hydraulics_method",
                "how depth and velocity at the lower end are found: "
                + ", ".join(HYDRAULICS_METHODS)
                + "; a rating gives water levels only; empty without a flow",
                ("", *HYDRAULICS_METHODS),
            ),
        ),
        *made_by(
            "channel_shapes",
            amount(
                "water_slope",
                "m/m",
                "slope of the water surface at the lower end, without weirs, falls and standing water, for depth "
                "by Manning; NULL where another method is used",
            ),
            amount("width_m", "m", "width at mean flow at the lower end"),
            amount("depth_m", "m", "mean depth at mean flow at the lower end"),
            amount("speed_m_s", "m/s", "velocity at mean flow at the lower end, mean of the cross-section"),
        ),
        *made_by(
            "heads flows",
            amount("theoretical_kw", "kW", "gross theoretical potential: gross head and mean flow, no losses"),
            amount("power_density_kw_per_km", "kW/km", "gross theoretical potential over length"),
        ),
        *made_by(
            "rule_verdicts",
            VERDICT,
            REASONS,
            text("only_reason", "the one rule without which the reach would be open; empty otherwise"),
            CLOSED_MONTHS,
        ),
        *made_by("decisions", *DECISION, RULES_LIFTED),
        *made_by(
            "sites",
            text(
                "rejection_reason",
                "rejection reason: why the reach has no site; empty if it has one",
                REJECTION_REASONS,
            ),
        ),
        *made_by(
            "rule_overlaps settings.fish.spawning_rules",
            amount("spawning_m", "m", "length in spawning grounds (fish.spawning_rules); NULL if not published"),
        ),
        *made_by(
            "sites settings.fish",
            amount(
                "survival_to_outlet",
                "1",
                "cumulative downstream passage survival (least favourable route) from the spawning ground in "
                "this reach to the outlet; NULL without one or if not published",
                1,
            ),
        ),
        *made_by("network heads flows quality_flags", FLAGS),
        *made_by("rule_verdicts", *MARKS),
    ),
)
CATCHMENTS = Layer(
    "catchments",
    "MultiPolygon",
    "the catchment of the intake of a ranked site, as far as it is on the DEM",
    ("site_id",),
    (
        SITE_ID,
        amount("area_km2", "km²", "catchment area at the intake, stated inflow included"),
        amount("inflow_km2", "km²", "part of it that a stream is stated to bring from outside the DEM: not drawn"),
        amount("drawn_km2", "km²", "area of the polygon"),
        statement("is_whole", "true if the polygon is the whole catchment: nothing flows in from outside the DEM"),
    ),
)
STRUCTURES = Layer(
    "structures",
    "Point",
    "an existing weir or drop, or a step of the long profile that no structure explains",
    ("structure_id",),
    (
        text("structure_id", "user's id of the structure"),
        Column(
            "kind", "text", "", "kind of structure in the user's layer; step if found in the long profile only"
        ),
        Column("use", "text", "", "present use in the user's layer"),
        Column("owner", "text", "", "owner in the user's layer"),
        Column("condition", "text", "", "condition in the user's layer"),
        statement("powered", "true if an existing plant uses it; its stream is developed"),
        statement("fish_pass", "true if it has a fish pass, by the user's layer"),
        statement(
            "removal_planned",
            "true if its removal is planned; its drop is not used, unless the settings ask for it",
        ),
        statement("removed", "true if it has been removed: no barrier, no drop and no pond are left"),
        amount("drop_m", "m", "drop of the water level"),
        amount("drop_error_m", "m", "standard error of the drop"),
        text("source", "source of the drop: surveyed or DEM; empty without a drop"),
        text("reach_id", "reach of the structure; empty if too far from a stream"),
        amount("distance_to_stream_m", "m", "distance from the given point to the stream"),
        text("site_id", "selected site that uses its drop; empty if none"),
        text("rejection_reason", "why it has no site; empty if it has one", NO_PLANT),
        text("blocked_by", "selected site that blocks it; empty if none does"),
        amount("head_m", "m", "gross head of its best plant, as used; NULL without a candidate"),
        amount("flow_mean_m3s", "m³/s", "mean flow at that plant's intake"),
        text(
            "turbine",
            "turbine class of its best plant, selected or not: of the greatest net annual value, or where none "
            "pays of the lowest LCOE; empty if none fits",
        ),
        UNITS._replace(nullable=True, meaning="number of units of that plant"),
        FLOW_DESIGN,
        POWER._replace(meaning="installed capacity of that plant"),
        ENERGY._replace(meaning="mean annual energy of that plant; of a selected site, the site's"),
        CAPITAL_COST._replace(meaning="capital cost of that plant"),
        LCOE_PER_KWH,
        NET_VALUE,
        text("needs", "what the plant needs beside works: fish pass, screen, agreements; empty without a plant"),
        text(
            "sources",
            "inventories that list it, with its id there, such as structures:W1; empty for steps of the profile",
        ),
        text("note", "doubts and changes; empty if none"),
    ),
)
STRETCH_STRUCTURES = Layer(
    "stretch_structures",
    "Point",
    "a structure, fall, plant, abstraction, crossing or confluence on the stream within a site or at its ends",
    ("site_id", "position"),
    (
        SITE_ID,
        count("rank", "rank of the site", minimum=1),
        count("position", "number along the stream, from above the intake down", minimum=1),
        text("kind", "kind: " + ", ".join(PASSED_KINDS), PASSED_KINDS),
        text("role", "where it lies against the site: " + ", ".join(PASSED_ROLES), PASSED_ROLES),
        text("object_id", "user's id; of a confluence the streams that join; empty if none"),
        Column("distance_m", "real", "m", "distance downstream from the intake; negative above it"),
        text("use", "present use in the user's layer"),
        text("owner", "owner in the user's layer"),
        text("condition", "condition in the user's layer"),
        statement("powered", "true if an existing plant uses it"),
        statement("fish_pass", "true if it has a fish pass, by the user's layer"),
        amount("drop_m", "m", "drop of the water level, surveyed where available; NULL if unknown"),
    ),
)
DROPS = Layer(
    "drops",
    "Point",
    "a drop without a mapped stream, with its flow as stated; its own row in totals, and in no other total",
    ("drop_id",),
    (
        text("drop_id", "user's id of the drop"),
        text("kind", "kind of drop in the user's layer"),
        text("use", "present use in the user's layer"),
        text("owner", "owner in the user's layer"),
        text("condition", "condition in the user's layer"),
        statement("powered", "true if an existing plant uses it"),
        statement("fish_pass", "true if it has a fish pass, by the user's layer"),
        VERDICT,
        REASONS,
        text("rejection_reason", "why it is not selected; empty if it is", NO_PLANT),
        count("rank_with_sites", "rank among selected sites and drops; NULL if not selected", 1, nullable=True),
        amount("head_m", "m", "gross head: the stated drop"),
        amount("head_se_m", "m", "standard error of the stated drop"),
        text("flow_source", "how the flow is stated: constant, twelve months or daily record"),
        amount("flow_mean_m3s", "m³/s", "mean of the stated flow"),
        amount("flow_left_m3s", "m³/s", "stated flow that must go past the turbine"),
        amount(
            "flow_error_percent",
            "%",
            "stated standard error of the mean flow, inter-annual variability included; NULL if none is stated: "
            "no intervals then",
        ),
        text("flow_group", "drops of one group share the error of their flow; empty: with all others without one"),
        text("turbine", "turbine class of its best plant, whether or not it is selected; empty if none fits"),
        UNITS._replace(nullable=True, meaning="number of units of that plant"),
        FLOW_DESIGN,
        POWER,
        *POWER_INTERVAL,
        ENERGY,
        INTERVAL[0]._replace(
            meaning="energy exceeded in 90 % of the simulations, which vary head, level of the stated flow and "
            "turbine efficiency; NULL without a stated error"
        ),
        *(
            each._replace(meaning=f"energy exceeded in {percent} % of the simulations")
            for each, percent in zip(INTERVAL[1:], (50, 10), strict=True)
        ),
        CAPACITY_FACTOR,
        amount("firm_power_kw", "kW", "firm power: power exceeded 95 % of the time"),
        CAPITAL_COST,
        LCOE_PER_KWH,
        *COST_INTERVAL,
        NET_VALUE,
        FISH_SAFE,
        FISH_SAFE_AS_BUILT,
        SCREENED,
        amount("survival", "1", SURVIVAL_MEANING, 1),
        text("needs", "what the plant needs beside works: fish pass, screen, agreements; empty without a plant"),
        amount("road_distance_m", "m", "straight-line distance to the nearest road; NULL without a road layer"),
        amount(
            "line_distance_m",
            "m",
            "straight-line distance to the nearest power line or substation; NULL without them",
        ),
        Column("lon", "real", "°", "longitude, WGS 84", -180, 180),
        Column("lat", "real", "°", "latitude, WGS 84", -90, 90),
        *MARKS,
    ),
)
RULE_AREAS = Layer(
    "rule_areas",
    "MultiPolygon",
    "an area in which a rule acts, of rules whose features are published exactly; with effects along the stream "
    "it acts beyond",
    (),
    (
        text("rule", "name of the rule"),
        text("action", "what the rule does", ACTIONS),
        text("effect", "where the rule applies: " + ", ".join(SET_EFFECTS), SET_EFFECTS),
        text("feature_id", "user's feature id; empty if unknown"),
        text(
            "doubt",
            "why it is uncertain whether the rule applies: category missing; empty if certain",
        ),
    ),
)
RULE_HITS = Layer(
    "rule_hits",
    None,
    "a reach and a feature of a rule's layer that affects it",
    (),
    (
        REACH_ID,
        text("rule", "name of the rule"),
        text("action", "what the rule does", ACTIONS),
        text("feature_id", "user's feature id; empty if not published or unknown"),
        text("effect", "how the rule applies here: " + ", ".join(EFFECTS), EFFECTS),
        text(
            "doubt",
            "why it is uncertain whether the rule applies: category missing or area not covered; empty if certain",
        ),
        text("holds", "whether the rule applies to the reach; no: the overlap is below the minimum", HELD),
        amount("from_m", "m", "upper end of the overlap, as distance along the link"),
        amount("to_m", "m", "lower end of the overlap, as distance along the link"),
        amount(
            "overlap_m",
            "m",
            "length of the overlap; 0 if the feature only touches the stream, NULL if not published",
        ),
    ),
)
DECISIONS = Layer(
    "decisions",
    None,
    "a decision of the user's table, with what it did; none is left out",
    ("decision_id",),
    (
        text("decision_id", "user's id of the decision"),
        text("decision", "what it says: " + ", ".join(DECISION_NAMES), DECISION_NAMES),
        text("scheme_type", "scheme type that it pins; empty otherwise", ("", *SCHEME_TYPES)),
        text("author", "who decided"),
        text("date", "day on which it was made"),
        text("valid_until", "last day on which it is valid; empty: without an end"),
        text("justification", "why, in the author's words"),
        statement("applied", "true if it applies"),
        text("not_applied", "why it does not; empty if it does", NOT_APPLIED),
        text("because", "the same with the figures; of one that applies, what it could not be held against"),
        text("stated_reach_id", "reach that it names; empty if it names a place alone"),
        text("reach_id", "reach on which it was found; empty if none"),
        Column("x_m", "real", "m", "easting of its place in run.crs; NULL if it states none"),
        Column("y_m", "real", "m", "northing of its place in run.crs; NULL if it states none"),
        amount("distance_m", "m", "distance from its place to the stream; NULL if it states no place"),
        amount("stated_head_m", "m", "gross head of the reach that it was based on; NULL if not stated"),
        amount("head_m", "m", "gross head of the reach now; NULL without a reach"),
        text("stated_verdict", "verdict of the rules that it was based on; empty if not stated", ("", *VERDICTS)),
        text("verdict", "verdict of the rules now; empty without a reach", ("", *VERDICTS)),
        text("stated_structure_id", "structure that it was based on; empty if not stated"),
        text("structure_ids", "existing structures on the reach now, separated by ;"),
        text("rules_lifted", "names of the rules that exclude sites on the reach and that it lifts"),
        count("admitted", "number of candidates that it admits against rules, alone or with other decisions"),
        count("excluded", "number of candidates that it excludes, alone or with other decisions"),
        text("site_ids", "selected sites that use the reach, separated by ;"),
    ),
)
OBSERVATIONS = Layer(
    "observations",
    None,
    "a visit of inputs.observations, beside what the data say",
    ("observation_id",),
    (
        text("observation_id", "site and day of the visit"),
        text("site_id", "site as the form names it; it need not be one of this run"),
        text("observer", "who was there"),
        text("date", "day of the visit"),
        amount("drop_m", "m", "drop from intake to tailrace, as measured; NULL if not measured"),
        amount("drop_error_m", "m", "its standard error, as stated"),
        amount("dem_drop_m", "m", "the same drop in the DEM; NULL if the measured one is not used"),
        amount("dem_drop_se_m", "m", "standard error of that drop"),
        amount("flow_m3s", "m³/s", "flow gauged at the intake; NULL if not gauged"),
        amount("flow_error_percent", "%", "standard error of the gauging, as stated"),
        text("gauge_id", "gauge whose flow at the time is known; empty if none"),
        amount("gauge_flow_m3s", "m³/s", "flow at that gauge at the time"),
        amount("expected_m3s", "m³/s", "flow of that day by the estimate before the gauging; NULL if not used"),
        amount("expected_low_m3s", "m³/s", "lower end of its 90 % interval"),
        amount("expected_high_m3s", "m³/s", "upper end of its 90 % interval"),
        text("structure_seen", "yes, no, or empty: whether a structure was seen", ("", "yes", "no")),
        text("structure_ids", "structures mapped between intake and tailrace, separated by ;"),
        text("structure_kind", "kind of the structure, as seen"),
        text("structure_condition", "condition of the structure, as seen"),
        text("fish_signs", "fish and signs of them, in the observer's words"),
        text("access", "access, in the observer's words"),
        text("remarks", "the observer's remarks"),
        text("used", "what of the visit this run goes by, separated by ;"),
        text("not_used", "what it does not go by, and why"),
        text("contradictions", "where visit and data contradict each other; empty if nowhere"),
    ),
)
DISTRICTS = Layer(
    "districts",
    "MultiPolygon",
    "a district and its totals; the row with an empty name is the area outside all districts",
    ("district",),
    (
        text("district", "name of the district"),
        count("reaches", "number of reaches with the greatest part of their length inside"),
        amount(
            "reach_length_km",
            "km",
            "length of stream inside, cut at the boundary; from layer totals, like all figures here",
        ),
        amount("open_length_km", "km", "length with the verdict open or restricted"),
        amount("excluded_length_km", "km", "length with the verdict excluded"),
        amount(
            "theoretical_kw",
            "kW",
            "gross theoretical potential of resolved heads, prorated by length at the boundary",
        ),
        count("sites", "number of ranked sites with the tailrace inside"),
        amount("power_kw", "kW", "installed capacity of those sites"),
        *POWER_INTERVAL,
        amount("energy_mwh", "MWh/yr", "mean annual energy of those sites"),
        *INTERVAL,
        *LONG_TERM_INTERVAL,
        amount(
            "lcoe_per_kwh",
            MONEY_PER_KWH,
            "levelised cost of energy (LCOE) of all those sites together; NULL without a site",
        ),
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
        CONDUITS,
        REACHES,
        CATCHMENTS,
        STRUCTURES,
        STRETCH_STRUCTURES,
        DROPS,
        RULE_AREAS,
        RULE_HITS,
        DECISIONS,
        OBSERVATIONS,
        TURBINE_OPTIONS,
        SITE_COSTS,
        FLOW_CURVES,
        SITE_SIMULATIONS,
        SITE_MONTHS,
        DEPLETED_REACHES,
        SITE_LAND,
        SITE_WATER_RIGHTS,
        SUBSTATIONS,
        SITE_PROFILES,
        RANKING_CRITERIA,
        RANKING_SENSITIVITY,
        FISH_SAFE_GAIN,
        FISH_GROUPS,
        FISH_TOTALS,
        FISH_SITES,
        FISH_PASSAGE,
        FISH_REACHES,
        FISH_ASSUMPTIONS,
        HYDROKINETIC,
        DISTRICTS,
        STREAMS,
        WATER_BODIES,
        CUMULATIVE_LIMITS,
        SCREENING_CASCADE,
        REACH_DISTRICTS,
        REACH_FEATURES,
        REACH_FEATURES,
        TOTALS,
        SUPPLY_CURVE,
        SITES_BY_PRICE,
        DISTRIBUTIONS,
        FLOW_EQUATIONS,
        MINIMUM_HEADS,
        PROVENANCE,
        REPAIRS,
        COLUMNS,
    )
}
