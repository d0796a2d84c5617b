"""Layers beside sites and reaches: options, flows, months, rankings, what fish-safe machines win, rotors."""

from sitefinder.schema.columns import (
    CAPACITY_FACTOR,
    CAPITAL_COST,
    COST_PER_KWH,
    DISTRICT,
    ENERGY,
    EVIDENCE,
    FISH_SAFE,
    FLOW_DESIGN,
    MONEY,
    NET_VALUE,
    NO_ROTOR,
    POWER,
    REACH_ID,
    SCREENED,
    SITE_ID,
    UNITS,
    VERDICT,
    Column,
    Layer,
    amount,
    count,
    statement,
    text,
)

MACHINE_OPTIONS = Layer(
    "machine_options",
    None,
    "a site and a machine class that would fit it, without and with a fish screen; of the chosen one also with "
    "other design flows",
    ("site_id", "machine", "screened", "flow_design_m3s"),
    (
        SITE_ID,
        text("machine", "name of the machine class"),
        FISH_SAFE,
        amount("survival", "1", "share of fish that survive the way down, screen and bypass included", 1),
        text("evidence", "grade of the evidence for survival: " + ", ".join(EVIDENCE), EVIDENCE),
        SCREENED,
        UNITS,
        FLOW_DESIGN._replace(nullable=False),
        amount(
            "design_exceedance_percent", "%", "share of the time that at least the design flow may be used", 100
        ),
        POWER,
        ENERGY,
        CAPACITY_FACTOR,
        CAPITAL_COST,
        COST_PER_KWH,
        NET_VALUE,
        statement("cost_extrapolated", "true where the cost law was not made for this power or head"),
        statement("is_best_size", "true where the design flow is the best of its class here"),
        statement("chosen", "true for the machine and size that the site's numbers are for"),
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

RANKING_CRITERIA = Layer(
    "ranking_criteria",
    None,
    "a site and a criterion of its score; none where the ranking is by one figure",
    ("site_id", "criterion"),
    (
        SITE_ID,
        text("criterion", "column of sites that the score looks at"),
        Column("figure", "real", "as criterion", "the site's figure, in the unit of that column of sites"),
        amount("normalised", "1", "from 0, the worst of the sites, to 1, as ranking.score.normalisation says", 1),
        amount("weight", "1", "weight of the criterion; those of a site add up to 1", 1),
        amount("points", "1", "weight times normalised; those of a site add up to its score", 1),
    ),
)

RANKING_SENSITIVITY = Layer(
    "ranking_sensitivity",
    None,
    "one of the first twenty sites and a criterion of its score",
    ("site_id", "criterion"),
    (
        SITE_ID,
        count("rank", "place in the ranking", least=1),
        text("criterion", "column of sites that the score looks at"),
        amount("weight", "1", "weight of the criterion; those of a site add up to 1", 1),
        count("rank_without", "rank without that criterion; NULL if it is the only one", least=1, nullable=True),
        count("rank_half", "rank with half its weight", least=1, nullable=True),
        count("rank_double", "rank with twice its weight", least=1, nullable=True),
    ),
)

FISH_SAFE_GAIN = Layer(
    "fish_safe_gain",
    None,
    "a district and a grade of evidence: what machines win that count as fish-safe by it",
    ("district", "evidence"),
    (
        DISTRICT,
        text("evidence", "weakest grade of evidence that counts: " + ", ".join(EVIDENCE), EVIDENCE),
        statement("as_set", "true where these are the grades of fish.evidence, by which sites are chosen"),
        amount("only_safe_length_km", "km", "stream that only fish-safe machines may use and no rule bars"),
        amount("only_safe_theoretical_kw", "kW", "theoretical potential of resolved heads there"),
        amount("any_theoretical_kw", "kW", "theoretical potential where any machine may stand"),
        count("sites_only_safe", "sites of the best set where only fish-safe machines may stand"),
        amount("power_only_safe_kw", "kW", "their rated power"),
        amount("energy_only_safe_mwh", "MWh/yr", "their energy in a mean year"),
        text("machines", "names of the machine classes chosen there, with a screen where it is in the cost"),
        count("sites", "sites of the best set with fish-safe machines"),
        amount("energy_mwh", "MWh/yr", "their energy in a mean year"),
        count("sites_any", "sites of the best set if no machine counted as fish-safe"),
        amount("energy_any_mwh", "MWh/yr", "their energy in a mean year"),
        Column("gain_mwh", "real", "MWh/yr", "energy of the best set with them less that without"),
    ),
)

FREE_STREAM = Layer(
    "free_stream",
    None,
    "a reach and a free-stream rotor; kinetic potential, never added to that of heads and in no total",
    ("reach_id", "machine"),
    (
        REACH_ID,
        text("machine", "name of the rotor class"),
        VERDICT,
        text("because", "why no rotor has a place here; empty where one has", NO_ROTOR),
        amount("free_length_m", "m", "length of the reach without standing, tidal and developed water"),
        amount("width_m", "m", "width at mean flow at the lower end"),
        amount("depth_m", "m", "mean depth at mean flow at the lower end"),
        amount("speed_m_s", "m/s", "speed at mean flow, mean over the section"),
        amount("speed_fast_m_s", "m/s", "speed that is exceeded 10 % of the time"),
        statement("section_measured", "true where a measured section is behind width and depth"),
        count("rotors", "number of rotors that the reach has room and fall for"),
        amount("kinetic_power_kw", "kW", "rated electrical power of those rotors"),
        amount("kinetic_power_kw_per_km", "kW/km", "mean electrical power of those rotors by length of reach"),
        amount("kinetic_energy_mwh", "MWh/yr", "energy of those rotors in a mean year, availability included"),
        CAPACITY_FACTOR,
        amount("capital_cost", MONEY, "rotors, moorings, permits and contingency; no road and no line"),
        COST_PER_KWH,
        FISH_SAFE,
        amount("survival", "1", "share of fish that survive the way past or through the rotor", 1),
        text("evidence", "grade of the evidence for survival: " + ", ".join(EVIDENCE), EVIDENCE),
    ),
)
