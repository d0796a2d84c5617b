"""The stages of the delivery: each table and each file with what it depends on.

Tables follow the steps that lead to the sites, and are stored like these. Files and the summary are keyed by the
content of their tables: if a rule changed but the tables did not, no file is made again.
"""

from sitefinder.delivery.file_names import (
    AS_CSV,
    AS_GEOPARQUET,
    DEM_COPY,
    DISTRICT_MAP,
    FIELD_FORM,
    FIELD_SHEETS,
    GEOPACKAGE,
    GIS_PROJECT,
    GPX,
    PAGE,
    RELIEF_COPY,
    SWITCHES,
)
from sitefinder.pipeline.graph import WHOLE, PerItem, Stage, Together, bound
from sitefinder.report.handover import ON_MAPS
from sitefinder.steps.graph import CONTENT, GIVEN, SAFE_BY, SEASON_BY, STEPS, VALUED_BY, stage

# Arguments of the stage of a file: settings, results by name, the user's fonts and logo, and a folder to write to.
FILES_GIVEN = ("settings", "made", "fonts", "logo", "scratch")
_SELECTED_SITES = "sitefinder.delivery.selected_sites"
_SITE_TABLES = "sitefinder.delivery.site_tables"
_SITE_PLANTS = "sitefinder.delivery.site_plants"
_SITE_LINES = "sitefinder.delivery.site_lines"
_SITE_ENERGY = "sitefinder.delivery.site_energy"
_REACH_TABLES = "sitefinder.delivery.reach_tables"
_STREAM_TABLES = "sitefinder.delivery.stream_tables"
_HYDROKINETIC = "sitefinder.delivery.hydrokinetic_table"
_TOTAL_TABLES = "sitefinder.delivery.total_tables"
_RECORDS = "sitefinder.delivery.record_tables"
_MONEY_TABLES = "sitefinder.delivery.money_tables"
_DEPLETED = "sitefinder.delivery.depleted_reaches"
_STRUCTURE_TABLES = "sitefinder.delivery.structure_tables"
_FISH_TABLES = "sitefinder.delivery.fish_tables"
_CONTEXT = "sitefinder.delivery.context"
_SURROUNDINGS = "sitefinder.delivery.surroundings"
# Sites in one call (own choice): more save little, and fewer leave calls for all workers.
SITES_TOGETHER = 8


# The stage of a table: `sites_table` makes the layer sites by the function `make_sites`.
def _table(name, module, reads, settings="", inputs="", describes=()):
    run = f"{module}:make_{name}"
    return stage(f"{name}_table", run, reads, settings, inputs, content=CONTENT, describes=describes)


SHARED = [
    stage("within", "sitefinder.steps.selection:reaches_in_region", "stationing trial", "", "layers.region"),
    stage(
        "delivered_sites",
        "sitefinder.steps.selection:find_delivered_sites",
        "network stationing stretches sites trial",
    ),
    stage(
        "fish_alive",
        "sitefinder.steps.selection:fish_alive",
        "stationing stretches spawning_m water_bodies sites",
        "fish.existing_survival",
        "turbines",
    ),
    stage(
        "fish_passage",
        "sitefinder.steps.fish_passage:find_fish_passage",
        "stationing flows water_bodies stream_things stretches rule_overlaps sites within",
        "fish flows.releases energy",
        "turbines costs",
    ),
    stage("money", f"{_CONTEXT}:name_money", "", "", "costs conversions", content=CONTENT),
    stage(
        "map_context",
        f"{_CONTEXT}:take_map_context",
        "",
        "run.crs flows.gauges.x_column flows.gauges.y_column flows.gauges.crs",
        " ".join(["gauges", *(f"layers.{name}" for name in ("gauge_stations", *ON_MAPS))]),
        content=CONTENT,
    ),
    stage(
        "selected_candidates",
        f"{_SELECTED_SITES}:take_selection",
        "stationing stretches verdicts decisions closed_months sites delivered_sites trial",
        "rules",
    ),
    stage(
        "selected_sites",
        f"{_SELECTED_SITES}:describe_selection",
        "network stationing catchments heads flows water_bodies quality_flags stretches stream_things months "
        "selected_candidates fish_alive",
        "run.seed stretches.ends_within_m energy tailwater flows.releases flows.closed_months fish costs "
        "uncertainty.simulations",
        "turbines costs layers.districts",
    ),
    stage(
        "site_energy",
        f"{_SITE_ENERGY}:simulate_sites",
        "selected_sites flows water_depths months",
        "run.seed stretches.min_flow_mean_m3s energy tailwater flows.releases flows.closed_months costs fish "
        "ranking.choose_by uncertainty",
        "turbines costs",
        each=PerItem(
            "site",
            f"{_SITE_ENERGY}:sites_apart",
            f"{_SITE_ENERGY}:joined_site_energy",
            ("selected_sites", "flows", "water_depths", "months"),
            content=CONTENT,
            together=Together(f"{_SITE_ENERGY}:sites_together", f"{_SITE_ENERGY}:energy_of_each", SITES_TOGETHER),
        ),
    ),
    stage(
        "ranked_sites",
        f"{_SITE_TABLES}:rank_sites",
        "stationing heads flows water_depths months selected_sites site_energy",
        "run.crs energy tailwater flows.releases flows.closed_months fish costs ranking uncertainty off_grid",
        "turbines costs layers.roads layers.power_lines layers.settlements",
    ),
    stage("drop_choice", "sitefinder.steps.drops:take_drop_choice", "drop_verdicts"),
    stage(
        "drop_plants",
        "sitefinder.delivery.drop_table:find_drop_plants",
        "drop_values drop_choice trial",
        "run.seed ranking stretches.min_head_m stretches.max_head_m stretches.min_flow_mean_m3s energy tailwater "
        "flows.releases flows.closed_months fish costs uncertainty",
        "turbines costs",
    ),
    stage(
        "depleted_reaches",
        f"{_DEPLETED}:find_depleted_reaches",
        "stationing flows water_depths channel_shapes months ranked_sites",
        "energy tailwater flows.releases flows.closed_months fish depleted_reach",
        "turbines costs",
    ),
    stage(
        "site_land",
        f"{_SURROUNDINGS}:find_site_land",
        "stationing conduits ranked_sites",
        "inputs.parcels.within_m",
        "layers.parcels",
        content=CONTENT,
    ),
    stage(
        "site_water_rights",
        f"{_SURROUNDINGS}:find_site_water_rights",
        "stationing stretches ranked_sites",
        "inputs.abstractions.downstream_m stretches.structure_snap_m",
        "layers.abstractions",
        content=CONTENT,
    ),
]
TABLES = [
    _table(
        "sites",
        _SITE_TABLES,
        "stationing heads ranked_sites depleted_reaches stretches river_parts site_land site_water_rights",
        "run.crs stretches.max_head_m stretches.new_weir_heights_m flags.min_river_share flags.max_river_width_m "
        "flags.max_low_head_slope grid",
        "layers.water_bodies layers.abstractions",
    ),
    _table("stretches", _SITE_LINES, "stationing sites delivered_sites ranked_sites", "run.crs"),
    _table("conduits", _SITE_LINES, "conduits ranked_sites", "run.crs"),
    _table(
        "reaches",
        _REACH_TABLES,
        "network stationing catchments heads flows field_levels channel_shapes quality_flags verdicts decisions "
        "sites fish_alive within trial",
        "run.crs inputs.covariates tailwater.method heads.resolved_standard_errors network.reach_length_m rules "
        "fish.spawning_rules",
        "layers.districts layers.region",
    ),
    stage(
        "district_lengths",
        f"{_REACH_TABLES}:find_district_lengths",
        "reaches_table",
        "",
        "layers.districts",
    ),
    _table("catchments", _SITE_LINES, "surface stationing terrain ranked_sites sites_table", "run.crs"),
    stage(
        "structure_outcomes",
        f"{_STRUCTURE_TABLES}:take_structure_outcomes",
        "water_bodies stretches closed_months verdicts sites",
    ),
    stage(
        "structure_values",
        f"{_STRUCTURE_TABLES}:value_structures",
        "stretches flows water_depths months structure_outcomes",
        f"{VALUED_BY} {SAFE_BY} {SEASON_BY}",
        "turbines costs",
    ),
    _table(
        "structures",
        _STRUCTURE_TABLES,
        "stationing water_bodies stretches energy delivered_sites ranked_sites structure_outcomes "
        "structure_values trial",
        "run.crs stretches.scheme_types stretches.min_head_m stretches.max_head_m stretches.navigation_uses "
        "stretches.abstraction_uses",
        "turbines costs",
    ),
    _table(
        "stretch_structures",
        _STRUCTURE_TABLES,
        "stationing stretches stream_things delivered_sites ranked_sites",
        "run.crs stretches.ends_within_m",
    ),
    _table(
        "drops",
        "sitefinder.delivery.drop_table",
        "drop_verdicts drop_plants ranked_sites",
        "run.crs rules ranking fish energy costs stretches.min_head_m stretches.max_head_m "
        "stretches.min_flow_mean_m3s",
        "turbines costs",
    ),
    stage(
        "site_contours",
        "sitefinder.delivery.site_contours:find_site_contours",
        "surface dem_errors relief map_context sites_table stretches_table conduits_table",
        "run.crs delivery.field_sheets",
        content=CONTENT,
    ),
    stage(
        "rule_shapes",
        "sitefinder.delivery.rule_areas:find_rule_shapes",
        "",
        each=PerItem("rule", "sitefinder.steps.scope:rules_of", "sitefinder.delivery.rule_areas:rule_shapes"),
        content=CONTENT,
    ),
    _table("rule_areas", "sitefinder.delivery.rule_areas", "rule_shapes", "run.crs"),
    _table("rule_hits", _REACH_TABLES, "stationing rule_overlaps verdicts within", "rules"),
    _table(
        "decisions",
        "sitefinder.delivery.decision_table",
        "stationing stretches verdicts decisions delivered_sites",
    ),
    _table(
        "observations",
        "sitefinder.delivery.observation_table",
        "stationing field_levels flows water_bodies",
        "stretches.structure_snap_m",
        "observations",
    ),
    _table("turbine_options", _SITE_TABLES, "ranked_sites site_energy"),
    _table("site_costs", _MONEY_TABLES, "flows ranked_sites", "energy costs", "turbines costs"),
    _table("flow_curves", _SITE_PLANTS, "flows ranked_sites"),
    _table("site_simulations", _SITE_TABLES, "ranked_sites", "delivery.simulated_sites"),
    _table(
        "site_months",
        _SITE_PLANTS,
        "flows water_depths months ranked_sites",
        "energy tailwater flows.releases flows.closed_months fish",
        "turbines costs",
    ),
    _table("depleted_reaches", _DEPLETED, "depleted_reaches"),
    _table("site_land", _SURROUNDINGS, "site_land"),
    _table("site_water_rights", _SURROUNDINGS, "site_water_rights"),
    _table("substations", _SURROUNDINGS, "sites_table", "", "layers.substations"),
    _table("site_profiles", _SITE_LINES, "stationing heads water_bodies stretches delivered_sites"),
    _table(
        "hydrokinetic",
        _HYDROKINETIC,
        "stationing heads flows channel_shapes water_bodies verdicts within",
        "energy.availability costs fish",
        "rotors costs",
    ),
    _table("ranking_criteria", _SITE_TABLES, "ranked_sites"),
    _table("ranking_sensitivity", _SITE_TABLES, "ranked_sites"),
    _table(
        "fish_groups",
        "sitefinder.delivery.fish_group_table",
        "ranked_sites",
        "run.seed uncertainty.simulations fish energy",
        "turbines costs",
    ),
    _table(
        "fish_safe_gain",
        _TOTAL_TABLES,
        "stationing stretches verdicts fish_safety reaches_table district_lengths trial",
        "ranking.allow fish",
        "turbines layers.districts",
    ),
    _table("fish_totals", _FISH_TABLES, "fish_passage", "fish rules"),
    _table(
        "fish_sites",
        _FISH_TABLES,
        "fish_passage delivered_sites ranked_sites depleted_reaches",
        "fish rules depleted_reach",
    ),
    _table("fish_passage", _FISH_TABLES, "stationing fish_passage delivered_sites trial", "run.crs fish"),
    _table("fish_assumptions", _FISH_TABLES, "", "fish depleted_reach flows.releases", "turbines costs"),
    _table("fish_reaches", _FISH_TABLES, "stationing fish_passage within", "fish"),
    _table(
        "totals",
        _TOTAL_TABLES,
        "reaches_table district_lengths sites_table ranked_sites drop_plants",
        "ranking.allow costs",
        "costs layers.districts",
    ),
    _table("districts", _TOTAL_TABLES, "totals_table", "run.crs", "layers.districts"),
    _table(
        "streams",
        _STREAM_TABLES,
        "network stationing heads stretches water_bodies river_parts sites delivered_sites ranked_sites "
        "fish_alive within",
        "rules fish.spawning_rules",
    ),
    _table(
        "water_bodies",
        _STREAM_TABLES,
        "stationing heads stretches water_bodies river_parts sites delivered_sites ranked_sites trial",
        "ranking.max_plants_per_water_body ranking.max_new_barriers_per_water_body",
        "layers.water_bodies",
    ),
    _table("cumulative_limits", _TOTAL_TABLES, "limit_costs", "ranking"),
    _table(
        "screening_cascade",
        _TOTAL_TABLES,
        "stationing verdicts decisions reaches_table district_lengths",
        "rules ranking.allow",
        "layers.districts",
    ),
    _table("reach_districts", _REACH_TABLES, "reaches_table district_lengths"),
    _table("reach_features", _REACH_TABLES, "network stationing reaches_table", "run.crs network.reach_length_m"),
    _table("supply_curve", _TOTAL_TABLES, "sites_table"),
    _table("sites_by_price", _MONEY_TABLES, "sites_table", "costs"),
    _table("distributions", _TOTAL_TABLES, "reaches_table sites_table"),
    _table("flow_equations", _RECORDS, "flows"),
    _table("minimum_heads", _RECORDS, "minimum_heads"),
    _table(
        "repairs",
        _RECORDS,
        "surface network stationing terrain dem_seams dem_errors field_levels heads flows channel_shapes"
        " water_bodies falls mapped_structures",
        "inputs.dem_footprints network.ridge_m rules",
        "repairs dem_error layers.dem_footprints",
    ),
    _table(
        "provenance",
        _RECORDS,
        "flows repairs_table",
        WHOLE,
        "lineage environmental costs conversions",
        # It lists the code of each step, and the commit of the run when any of it last changed.
        describes=tuple(function for step in STEPS for function in step.functions),
    ),
]
STAGES = bound([*STEPS, *SHARED, *TABLES], GIVEN)
# Names of the layers that are made by stages, in their order.
LAYERS_MADE = tuple(each.name.removesuffix("_table") for each in TABLES if each.name.endswith("_table"))

# Tables on the sheets of sites and the map, in addition to those of all drawings.
_ON_SHEETS = (
    "sites stretches conduits reaches structures stretch_structures drops rule_areas rule_hits site_profiles "
    "totals"
)


# The stage of a file or text: the module and function that make it, and the settings and results that it depends
# on, separated by spaces; tables by their layers.
def _file(name, run, layers, made="", settings="", fonts=False, logo=False, scratch=True):
    depends_on = {
        "settings": tuple(settings.split()),
        "made": (*(f"{layer}_table" for layer in layers.split()), *made.split()),
        "fonts": ("fonts",) if fonts else (),
        "logo": ("logo",) if logo else (),
    }
    depends_on = {given: parts for given, parts in depends_on.items() if parts}
    reads = (*depends_on, *(["scratch"] if scratch else []))
    content = "sitefinder.io.digests:content_digest" if scratch else None
    return Stage(name, f"sitefinder.delivery.{run}", reads, depends_on, None, content)


_ALL_LAYERS = " ".join(LAYERS_MADE)
_DRAWN = "money relief map_context"
_TITLED, _DRAWN_BY = "run.name run.crs", "run.name run.crs ranking.allow delivery.notes"
# Each file by its name in the output folder, the GeoPackage first, with the stage that makes it.
FILE_STAGES = {
    GEOPACKAGE: _file(
        "geopackage",
        "geopackage:make_geopackage",
        _ALL_LAYERS,
        "money",
        f"{_TITLED} delivery.contact delivery.date delivery.notes",
    ),
    PAGE: _file("page", "page:make_page", _ALL_LAYERS, _DRAWN, f"{_DRAWN_BY} delivery.language {SWITCHES}"),
    FIELD_SHEETS: _file(
        "field_sheets",
        "sheets:make_field_sheets",
        f"{_ON_SHEETS} decisions observations flow_curves flow_equations repairs depleted_reaches fish_sites "
        "site_water_rights",
        f"{_DRAWN} site_contours",
        f"{_DRAWN_BY} delivery.language delivery.field_sheets delivery.date",
        fonts=True,
    ),
    DISTRICT_MAP: _file(
        "district_map",
        "sheets:make_district_map",
        f"{_ON_SHEETS} districts provenance",
        _DRAWN,
        f"{_DRAWN_BY} delivery.language delivery.contact delivery.date",
        fonts=True,
        logo=True,
    ),
    GIS_PROJECT: _file("gis_project", "gis_project:make_gis_project", "reaches", "money relief", _TITLED),
    GPX: _file("gpx", "exchange:make_gpx", "sites stretches", settings="run.name"),
    **{f"{layer}.csv": _file(f"{layer}_csv", "exchange:make_csv", layer) for layer in AS_CSV},
    FIELD_FORM: _file(
        "field_form", "field_form:make_field_form", "sites stretches stretch_structures", settings="run.crs"
    ),
    **{
        f"{layer}.parquet": _file(f"{layer}_parquet", "geoparquet:make_geoparquet", layer)
        for layer in AS_GEOPARQUET
    },
    DEM_COPY: _file("dem_copy", "exchange:make_dem_copy", "", "surface"),
    RELIEF_COPY: _file("relief_copy", "exchange:make_relief_copy", "", "relief", "run.crs"),
}
# Output of a run on the terminal.
SUMMARY = _file(
    "summary",
    "summary:make_summary",
    "sites reaches structures drops decisions observations screening_cascade fish_safe_gain fish_groups "
    "fish_totals fish_passage fish_sites streams provenance minimum_heads repairs totals flow_equations "
    "sites_by_price cumulative_limits water_bodies substations",
    "money",
    "run.name ranking.allow uncertainty.year_to_year_sd costs delivery.language delivery.notes",
    scratch=False,
)
FIGURES = _file(
    "figures",
    "summary:make_figures",
    "sites reaches decisions observations totals minimum_heads flow_equations repairs",
    "money",
    f"{_TITLED} ranking.allow",
    scratch=False,
)
# Every file name that a delivery may have, whatever the settings.
KNOWN = tuple(FILE_STAGES)


def stages_of_files(names):
    """The stages of the summary, of the figures for programs, and of files by name."""
    return bound([SUMMARY, FIGURES, *(FILE_STAGES[name] for name in names)], FILES_GIVEN)
