"""Titles of columns, and the cautions and reading notes that every delivery carries."""

from sitefinder.schema.columns import MONEY, MONTH_NAMES, Column, Layer
from sitefinder.vocabulary import ACTIONS, DOUBT

# Suffixes of column names that are units.
UNIT_SUFFIXES = {"m", "kv", "km", "km2", "m3s", "kw", "mw", "mwh", "gwh", "l", "percent", "w", "wh"}
# Words with capitals of their own.
CAPITALS = {"p90": "P90", "p50": "P50", "p10": "P10", "q95": "Q95", "id": "id"}
# Titles of columns whose names do not make one.
TITLES = {
    "head_m": "Gross head",
    "head_se_m": "Standard error of gross head",
    "head_uncorrected_m": "Uncorrected gross head",
    "head_uncorrected_se_m": "Standard error of uncorrected gross head",
    "selection_luck_m": "Selection correction of gross head",
    "area_km2": "Catchment area",
    "flow_mean_m3s": "Mean flow",
    "flow_mean_low_m3s": "Mean flow, lower 90 % limit",
    "flow_mean_high_m3s": "Mean flow, upper 90 % limit",
    "flow_q95_m3s": "Low flow Q95",
    "flow_design_m3s": "Design flow",
    "used_share": "Share of flow used",
    "environmental_flow_share": "Share of flow as environmental flow",
    "spilled_share": "Share of flow spilled",
    "power_kw": "Installed capacity",
    "power_w": "Installed capacity",
    "power_kw_p90": "Power at design flow P90",
    "power_kw_p50": "Power at design flow P50",
    "power_kw_p10": "Power at design flow P10",
    "power_kw_old": "Installed capacity, previous",
    "power_kw_new": "Installed capacity, next",
    "power_mean_kw": "Mean power",
    "power_only_safe_kw": "Installed capacity of fish-safe-only sites",
    "energy_mwh": "Mean annual energy",
    "energy_wh": "Mean annual energy",
    "energy_mwh_p90": "Annual energy P90",
    "energy_mwh_p50": "Annual energy P50",
    "energy_mwh_p10": "Annual energy P10",
    "energy_long_term_mwh_p90": "Mean annual energy P90",
    "energy_long_term_mwh_p50": "Mean annual energy P50",
    "energy_long_term_mwh_p10": "Mean annual energy P10",
    "energy_long_term_mwh": "Mean annual energy",
    "energy_mwh_old": "Mean annual energy, previous",
    "energy_mwh_new": "Mean annual energy, next",
    **{
        f"energy_month_{month:02d}_{unit}": f"Energy in {name}"
        for month, name in enumerate(MONTH_NAMES, 1)
        for unit in ("mwh", "wh")
    },
    "month_source": "Monthly energy from",
    "energy_sum_mwh": "Cumulative mean annual energy",
    "energy_only_safe_mwh": "Mean annual energy of fish-safe-only sites",
    "energy_any_mwh": "Mean annual energy without fish-safe turbines",
    "gain_mwh": "Gain in mean annual energy",
    "theoretical_kw": "Gross theoretical potential",
    "theoretical_w": "Gross theoretical potential",
    "theoretical_kw_old": "Gross theoretical potential, previous",
    "theoretical_kw_new": "Gross theoretical potential, next",
    "only_safe_length_km": "Length for fish-safe turbines only",
    "only_safe_theoretical_kw": "Gross theoretical potential for fish-safe turbines only",
    "any_theoretical_kw": "Gross theoretical potential for any turbine",
    "sites_only_safe": "Sites for fish-safe turbines only",
    "sites_any": "Sites without fish-safe turbines",
    "as_set": "Grade of the settings",
    "lcoe_per_kwh": "LCOE",
    "lcoe_per_kwh_p90": "LCOE P90",
    "lcoe_per_kwh_p50": "LCOE P50",
    "lcoe_per_kwh_p10": "LCOE P10",
    "solar_lcoe_per_kwh": "LCOE of solar",
    "solar_firm_lcoe_per_kwh": "LCOE of solar with storage",
    "lcoe_minus_solar_per_kwh": "LCOE difference to solar with storage",
    "operating_fraction": "Time in operation",
    "road_distance_m": "Distance to road",
    "road_bank": "Bank of road",
    "road_climb_m": "Tailrace above road",
    "line_distance_m": "Distance to power line",
    "settlement_road_m": "Distance to settlement by road",
    "settlement_distance_m": "Distance to settlement",
    "settlement": "Off-grid settlement",
    "firm_share_of_demand": "Firm power over demand",
    "demand_served_share": "Share of demand supplied",
    "conduit_length_m": "Length of headrace and penstock",
    "conduit_route": "Way of conduit",
    "conduit_bank": "Bank of conduit",
    "headrace_length_m": "Length of headrace",
    "penstock_length_m": "Length of penstock",
    "deepest_cut_m": "Deepest cut",
    "aqueduct_length_m": "Length of aqueducts",
    "tunnel_length_m": "Length of tunnels",
    "crossings": "Crossings of streams and gullies",
    "road_crossings": "Crossings of roads",
    "building_crossings": "Crossings of buildings",
    "lon": "Longitude of tailrace",
    "lat": "Latitude of tailrace",
    "intake_lon": "Longitude of intake",
    "intake_lat": "Latitude of intake",
    **{
        f"{of}_variance_share_{source}": f"Contribution to uncertainty of {what}: {name}"
        for of, what in (("energy", "energy"), ("lcoe", "LCOE"))
        for source, name in (
            ("head", "head"),
            ("flow", "flow estimate"),
            ("year", "inter-annual variability"),
            ("efficiency", "efficiency"),
            ("cost", "capital cost"),
        )
    },
    "prob_in_top_n": "Probability of being among the best N",
    "prob_pays": "Probability that it pays",
    "fish_safe": "Fish-safe",
    "screened": "Fish screen in cost",
    "survival": "Fish survival",
    "passage_survival": "Cumulative downstream passage survival",
    "survival_to_outlet": "Cumulative downstream passage survival",
    "min_survival": "Cumulative downstream passage survival",
    "fish_safe_by_passage_limit": "Fish-safe by passage limit",
    "units": "Number of units",
    **{action.mark: f"Rule: {action.label}" for action in (*ACTIONS, DOUBT)},
    "reasons": "Rules that apply",
    "flags": "Data-quality flags",
    "intake_to_outlet_m": "Distance from intake to outlet",
    "tailrace_to_outlet_m": "Distance from tailrace to outlet",
    "connection_kv": "Voltage of connection",
    "substation_id": "Substation",
    "substation_distance_m": "Distance to substation",
    "substation_free_kw": "Free capacity of substation",
    "substation_left_kw": "Free capacity left by rank",
    "voltages_kv": "Voltages",
    "free_kw": "Free capacity",
    "left_kw": "Free capacity left",
    "sites_beyond": "Sites beyond the free capacity",
    "water_rights": "Water rights at the site",
    "depleted_rights_m3s": "Flow of rights in the depleted reach",
    "intake_owner": "Owner at intake",
    "tailrace_owner": "Owner at tailrace",
    "conduit_owner": "Owners along the conduit",
    "water_body_id": "Water bodies",
    "water_body_status": "Status of water bodies",
    "must_not_fall": "Status must not fall",
    "sites_using": "Sites that use it",
    "order_strahler": "Strahler order",
    "shreve": "Shreve magnitude",
    "upstream_length_km": "Length of streams upstream",
    "covered_percent": "Catchment with covariate data",
    "power_density_kw_per_km": "Gross theoretical potential per length",
    "only_reason": "Only rule against the reach",
    "because": "Rejection reason",
    "spawning_m": "Length of spawning grounds",
    "powered": "Used by a plant",
    "drop_error_m": "Standard error of drop",
    "effect": "Effect of the rule",
    "holds": "Rule applies",
    "design_exceedance_percent": "Time design flow is equalled or exceeded",
    "exceedance_percent": "Time flow is equalled or exceeded",
    "is_best_size": "Best design flow of the class",
    "chosen": "Selected",
    "is_closed": "Closed for abstraction",
    "distance_m": "Distance downstream",
    "raw_m": "Elevation in the DEM",
    "profile_m": "Water level",
    "low_m": "Water level, lower 90 % limit",
    "high_m": "Water level, upper 90 % limit",
    "is_refused": "Elevation rejected",
    "is_step": "Step downstream",
    "is_standing": "Standing water",
    "mark": "Intake or tailrace",
    "figure": "Value",
    "rank_without": "Rank without the criterion",
    "rank_half": "Rank with half the weight",
    "rank_double": "Rank with double the weight",
    "free_length_m": "Length available",
    "speed_m_s": "Velocity at mean flow",
    "speed_fast_m_s": "Velocity exceeded 10 % of the time",
    "section_measured": "Measured section",
    "rotors": "Number of rotors",
    "kinetic_power_kw": "Installed capacity",
    "kinetic_power_kw_per_km": "Mean power per length",
    "kinetic_energy_mwh": "Mean annual energy",
    "reach_length_km": "Length of streams",
    "open_length_km": "Open or restricted length",
    "open_m": "Open or restricted length",
    "excluded_length_km": "Excluded length",
    "excluded_m": "Excluded length",
    "developed_m": "Developed length",
    "diverted_m": "Depleted length",
    "ponded_m": "Ponded length",
    "plants_on_migration_path": "Plants on the migration path",
    "way": "In order or alone",
    **{
        f"{group}_{unit}": f"{what} {group}"
        for group in ("affected", "excluded", "remaining")
        for unit, what in (
            ("reaches", "Reaches"),
            ("km", "Length"),
            ("mw", "Potential"),
            ("gwh", "Theoretical energy"),
        )
    },
    "of": "Layer",
    "bin": "Class",
    "from_value": "From",
    "to_value": "To",
    "standard_error_log10": "Standard error, log10",
    "min_head_m": "Minimum resolvable head, median",
    "min_head_p90_m": "Minimum resolvable head, 90th percentile",
    "digest": "Digest",
    "id_old": "Id, previous",
    "id_new": "Id, next",
    "rank_old": "Rank, previous",
    "rank_new": "Rank, next",
    "verdict_old": "Verdict, previous",
    "verdict_new": "Verdict, next",
    "length_m_old": "Length, previous",
    "length_m_new": "Length, next",
    "old": "Previous",
    "new": "Next",
    "changed": "Changed columns",
}

# Titles that differ in one layer.
TITLES_OF_LAYERS = {("site_months", "energy_mwh"): "Mean energy of the month"}


def column_labels(layer: Layer, money: str = MONEY) -> dict[str, str]:
    """A title for each column of a layer, with its unit, none of them twice.

    Parameters
    ----------
    layer : sitefinder.schema.Layer
    money : str
        Unit of money, for example "EUR of 2024".

    Returns
    -------
    dict of str to str
        By name of column.

    Examples
    --------
    >>> from sitefinder.schema import LAYERS
    >>> labels = column_labels(LAYERS["sites"], "EUR of 2024")
    >>> labels["flow_mean_m3s"], labels["power_kw"], labels["lcoe_per_kwh"], labels["stream"]
    ('Mean flow [m³/s]', 'Installed capacity [kW]', 'LCOE [EUR of 2024/kWh]', 'Stream')
    """
    labels = {column.name: _label(layer.name, column, money) for column in layer.columns}
    found = list(labels.values())
    return {name: label if found.count(label) == 1 else f"{label} ({name})" for name, label in labels.items()}


def _label(layer_name: str, column: Column, money: str) -> str:
    title = TITLES_OF_LAYERS.get((layer_name, column.name)) or TITLES.get(column.name) or _title(column)
    unit = column.unit.replace(MONEY, money)
    return f"{title} [{unit}]" if unit not in ("", "1") else title


# The column's name without its unit, as a title.
def _title(column: Column) -> str:
    words = [word for word in column.name.split("_") if word not in UNIT_SUFFIXES or not column.unit]
    title = " ".join(CAPITALS.get(word, word) for word in words) or column.name
    return title[0].upper() + title[1:]


SCREENING = (
    "Screening, not design. Measure levels, flows and fish on site, with care at weirs and in moving water; "
    "local codes, permits and licensed practice decide."
)
# Where the regression of the mean flow is beyond the limits within which sites are ranked.
FLOW_TOO_WEAK_REFUSED = (
    "No site is ranked where it applies: add gauges, or flows measured on the streams; to rank all the same, "
    'include "weak_flow" in ranking.allow.'
)
FLOW_TOO_WEAK_ALLOWED = 'Sites are ranked all the same, because ranking.allow includes "weak_flow".'
# What an inventory from maps and statistics cannot show, whatever its inputs (common practice, no source).
NOT_KNOWN = (
    "Ownership of banks, water rights and weirs, and whether the owners would sell, lease or share them.",
    "Ground conditions: rock, soil, groundwater, landslides, and buried services or remains.",
    "Whether the grid can take the power: the distance to a line is known, its voltage and free capacity are not.",
    "Sediment, ice, driftwood and litter, which govern trash racks, cleaning and wear.",
    "Fish and other species of each reach, beyond those in the layers.",
    "Monuments, noise, landscape, navigation, bathing and other uses that no layer shows.",
    "Future change of flows with the climate: the statistics are those of the gauged years, unless flows.change "
    "names a climate table.",
    "Whether an existing structure is safe, and who is responsible for it.",
)
# For site visits (common practice, no source).
SAFETY = (
    "Moving water kills: stay on the bank; never wade above the knee, or where you cannot see the bed.",
    "Keep off weirs, gates and screens. The water below a weir can hold a swimmer under.",
    "Do not go at high flow, in rising water or after heavy rain; plants and gates upstream may release water "
    "without warning.",
    "Do not go alone; let someone know where you are and when you will be back.",
    "Ask the landowner, and the operator of a structure, for permission before you enter.",
    "Keep poles, staffs and drones away from power lines, and touch nothing electrical.",
)
# How to read the figures of a delivery.
READING = (
    "P90 of energy and power is exceeded in 90 % of the simulations, P10 in 10 %. "
    "P90 of LCOE is not exceeded in 90 %.",
    "P90 and P10 of totals come from the same simulations as those of sites, so that common errors do not cancel. "
    "They do not add up: the P90 of a region exceeds the sum of the P90 of its sites or districts.",
    "Installed capacity is the rated electrical output at the terminals; mean annual energy is the expectation.",
    "Heads, flows and energy of sites are estimates from maps and statistics; nothing was measured on site "
    "unless a flag says so.",
)
