"""The stage graph: each stage with what it reads, and the settings and inputs that it may see.

A result is kept under a key of all that its stage's line names and of the code that its function can reach; see
"How keys work" in DEVELOPERS.md. Functions are named and not imported here, so that a run that has nothing to do
loads none of their libraries.
"""

from __future__ import annotations

from sitefinder.pipeline.graph import PerItem, Stage, bound

GIVEN = ("settings", "inputs", "scratch", "progress")
# Gives the digest of what a result holds.
CONTENT = "sitefinder.steps.contents:digest_of"
# Settings that the valuation of a stretch depends on, beside those of fish.
VALUED_BY = (
    "stretches.min_flow_mean_m3s energy tailwater flows.releases ranking.choose_by costs.discount_rate "
    "costs.rate_kind costs.inflation costs.lifetime_years costs.price_per_kwh costs.own_use_price_per_kwh "
    "costs.own_use_share costs.own_use_kwh_per_year costs.own_consumption_share costs.connection costs.ground"
)
# Settings that survival of fish at a plant, and what is fish-safe, depend on.
SAFE_BY = (
    "fish.groups.name fish.groups.lengths_m fish.groups.direction fish.groups.min_survival "
    "fish.groups.thickness_share fish.min_survival fish.evidence fish.relative_flow"
)
# Settings of the months in which fish migrate, and of what they mean for sites.
SEASON_BY = "fish.groups.months fish.groups.in_season fish.groups.season_flow_share"
# Settings that the ways of conduits depend on.
WAYS_BY = "conduits stretches.longest_m energy.conduit energy.canal_slope energy.pipe_velocity_m_s costs.ground"
# Results that the best set of sites is chosen from.
CHOSEN_FROM = "stationing stretches energy closed_energy spawning_m verdicts water_bodies river_parts"


def stage(
    name: str,
    run: str,
    reads: str,
    settings: str = "",
    inputs: str = "",
    each: PerItem | None = None,
    content: str | None = None,
    describes: tuple[str, ...] = (),
) -> Stage:
    """A stage as a line: what it reads, then the settings and the inputs that it depends on, each as words."""
    depends_on = {"settings": tuple(settings.split()), "inputs": tuple(inputs.split())}
    depends_on = {given: parts for given, parts in depends_on.items() if parts}
    return Stage(name, run, (*depends_on, *reads.split()), depends_on, each, content, describes)


def by_system(joined: str, *cut_from: str) -> PerItem:
    """How a stage is done for each drainage system alone: what joins their results, and what is cut for them.

    Only a stage in which nothing crosses from one system to another may be. These stay whole: whatever is fitted
    to the region (``flows``, the shrinkage in ``stretches``); ``long_profile``, whose simulated errors come from
    one row of random numbers by the number of the station, and which judges by all stations whether the DEM has
    steps; what places features of a layer on the nearest stream; ranks and totals; and what takes no time.
    """
    return PerItem("drainage system", "sitefinder.steps.systems:cut", joined, cut_from, ("systems",), CONTENT)


def by_part(joined: str, *cut_from: str) -> PerItem:
    """The same where no candidate has a say in another's result: large systems are done in parts."""
    return by_system(joined, *cut_from)._replace(items="sitefinder.steps.systems:cut_in_parts")


# From settings and inputs to the chosen sites.
STEPS = bound(
    [
        stage("dem_seams", "sitefinder.steps.flags:find_dem_seams", "", "inputs.dem.vertical_unit", "dem"),
        stage(
            "surface",
            "sitefinder.steps.terrain:warp_surface",
            "scratch",
            "run.crs terrain.cell_size_m terrain.fill_nodata_cells inputs.dem.vertical_unit inputs.covariates",
            "dem covariates shares layers.flow_regions layers.lakes",
        ),
        stage("relief", "sitefinder.steps.terrain:shade_relief", "surface", content=CONTENT),
        stage(
            "network",
            "sitefinder.steps.network:make_network",
            "surface scratch executor progress",
            "run.crs inputs.dem.vertical_unit inputs.dem_footprints inputs.streams.inflow_area_column "
            "network.snap_m network.dem_margin_m network.derive_threshold_km2 network.main_path "
            "network.main_path_column network.main_path_column_wins network.divergence_share "
            "network.divergence_share_column network.canal_column network.canal_values network.ridge_m",
            "dem dem_error layers.streams layers.dem_footprints",
        ),
        stage(
            "check_network",
            "sitefinder.steps.network:validate_unresolved",
            "network",
            "run.strict inputs.streams.path",
        ),
        stage(
            "stationing",
            "sitefinder.steps.network:place_on_network",
            "network",
            "network.station_spacing_m network.reach_length_m",
        ),
        stage(
            "river_parts",
            "sitefinder.steps.limits:find_river_parts",
            "network stationing",
            "stretches.structure_snap_m",
            "layers.water_bodies",
        ),
        stage(
            "falls",
            "sitefinder.steps.rules:find_falls",
            "stationing",
            "stretches.structure_snap_m",
            "layers.falls layers.structures",
        ),
        stage(
            "systems",
            "sitefinder.steps.systems:find_systems",
            "network stationing river_parts",
            "ranking.max_depleted_share ranking.max_plants_per_water_body "
            "ranking.max_new_barriers_per_water_body ranking.within_free_capacity",
        ),
        stage(
            "trial",
            "sitefinder.steps.trial:find_trial",
            "stationing systems",
            "run.crs run.within_box_m run.within_upstream_of_m stretches.structure_snap_m",
            "layers.within",
        ),
        stage(
            "dem_errors",
            "sitefinder.steps.heads:find_dem_errors",
            "stationing",
            "inputs.dem_footprints",
            "dem_error layers.dem_footprints",
        ),
        stage(
            "channels",
            "sitefinder.steps.heads:read_channels",
            "network stationing dem_errors",
            "run.crs inputs.dem.vertical_unit heads.transect_half_width_m",
            "dem",
        ),
        stage(
            "mapped_structures",
            "sitefinder.steps.water_bodies:merge_inventories",
            "network stationing",
            "stretches.structure_snap_m stretches.structure_merge_distance_m stretches.structure_drop_tolerance_m "
            "stretches.plants_at_planned_removals",
            "layers.structures",
        ),
        stage(
            "structures",
            "sitefinder.steps.water_bodies:find_structures",
            "stationing channels dem_errors mapped_structures",
            "run.crs stretches.structure_snap_m stretches.step_min_m",
            "dem seen_conditions",
        ),
        stage(
            "terrain",
            "sitefinder.steps.terrain:drain_terrain",
            "surface network stationing channels scratch executor progress",
            "run.crs terrain.engine terrain.sink_depth_m "
            "terrain.tile_rows terrain.tile_columns terrain.margin_cells",
        ),
        stage(
            "catchments",
            "sitefinder.steps.terrain:sum_catchments",
            "surface network stationing terrain",
            "inputs.covariates terrain.edge_is_divide",
        ),
        stage(
            "long_profile",
            "sitefinder.steps.heads:fit_profile",
            "stationing channels dem_errors structures executor",
            "run.crs run.seed heads.quantile heads.simulations",
            "dem",
        ),
        stage(
            "field_levels",
            "sitefinder.steps.heads:place_field_levels",
            "stationing long_profile",
            "stretches.structure_snap_m tailwater.rating_reach_m",
            "field_levels ratings",
        ),
        stage(
            "heads", "sitefinder.steps.heads:use_field_levels", "stationing long_profile field_levels", "run.seed"
        ),
        stage(
            "flows",
            "sitefinder.steps.flows:estimate_station_flows",
            "stationing catchments",
            "flows.gauges flows.weak_regression flows.near_gauges flows.spot_gaugings flows.region_weights "
            "flows.closed_months flags energy.design_exceedance_percent stretches.structure_snap_m "
            "uncertainty.year_to_year_sd uncertainty.quantile_correlation_span",
            "equations gauges fits environmental measured_gauges spot_gaugings regime change layers.flow_regions "
            "layers.karst layers.abstractions",
        ),
        stage(
            "water_bodies",
            "sitefinder.steps.water_bodies:find_water_bodies",
            "network stationing structures heads flows",
            "heads.standing_water_m heads.tidal_below_m inputs.dem.vertical_unit inputs.lakes.path inputs.plants "
            "stretches.structure_snap_m stretches.step_min_m stretches.step_standard_errors "
            "stretches.step_explained_m stretches.min_flow_mean_m3s",
            "layers.lakes layers.plants layers.tidal",
        ),
        stage(
            "stream_things",
            "sitefinder.steps.water_bodies:find_stream_things",
            "network stationing water_bodies",
            "stretches.structure_snap_m stretches.navigation_uses stretches.abstraction_uses",
            "layers.falls layers.plants layers.abstractions",
        ),
        stage(
            "water_slopes",
            "sitefinder.steps.heads:find_water_slopes",
            "stationing heads field_levels flows water_bodies",
            "channel tailwater.method heads.resolved_standard_errors",
        ),
        stage(
            "channel_shapes",
            "sitefinder.steps.flows:find_channel_shapes",
            "stationing flows water_slopes",
            "stretches.structure_snap_m channel tailwater",
            "sections",
        ),
        stage(
            "water_depths",
            "sitefinder.steps.heads:find_water_depths",
            "flows field_levels channel_shapes",
            "tailwater inputs.dem.survey_flow_exceedance_percent",
        ),
        stage(
            "minimum_heads",
            "sitefinder.steps.heads:find_minimum_heads",
            "stationing long_profile water_bodies",
            "stretches.longest_m heads.resolved_standard_errors",
            "layers.region",
        ),
        stage(
            "quality_flags",
            "sitefinder.steps.flags:flag_stations",
            "network stationing channels catchments field_levels water_bodies dem_seams dem_errors",
            "run.crs flags inputs.covariates stretches.structure_snap_m",
            "dem layers.regulated layers.karst",
        ),
        stage(
            "found_candidates",
            "sitefinder.steps.candidates:list_stretches",
            "stationing channels heads water_bodies stream_things catchments flows channel_shapes executor",
            "run.crs inputs.dem.vertical_unit heads.shrink stretches.intake_weir_height_m "
            "heads.resolved_standard_errors stretches.scheme_types stretches.min_head_m "
            "stretches.max_head_m stretches.longest_m stretches.new_weir_heights_m stretches.freeboard_m "
            "stretches.headrace_detour_factor stretches.structure_snap_m grid off_grid",
            "dem layers.roads layers.power_lines layers.substations layers.settlements",
        ),
        stage(
            "selection_luck",
            "sitefinder.steps.selection_luck:find_luck",
            "systems stationing heads found_candidates flows",
            f"{VALUED_BY} {SAFE_BY} heads.correct_selection stretches.min_head_m stretches.max_head_m "
            "stretches.headrace_detour_factor ranking.min_free_flowing_m",
            "turbines costs",
            by_system(
                "sitefinder.steps.selection_luck:joined_luck", "stationing", "heads", "found_candidates", "flows"
            ),
            content=CONTENT,
        ),
        stage(
            "candidates",
            "sitefinder.steps.selection_luck:correct_heads",
            "found_candidates selection_luck trial",
            "stretches.min_head_m stretches.max_head_m",
        ),
        stage(
            "best_case",
            "sitefinder.steps.candidates:value_best_case",
            "systems candidates flows water_depths",
            f"{VALUED_BY} {SAFE_BY} conduits stretches.headrace_detour_factor",
            "turbines costs",
            by_part("sitefinder.steps.candidates:joined_best_case", "candidates", "flows", "water_depths"),
        ),
        stage(
            "conduits",
            "sitefinder.steps.conduits:find_ways",
            "surface stationing heads candidates best_case executor",
            WAYS_BY,
            "costs layers.roads layers.lakes layers.buildings",
        ),
        stage("stretches", "sitefinder.steps.conduits:join_ways", "candidates conduits"),
        stage(
            "energy",
            "sitefinder.steps.candidates:value_all",
            "systems stretches flows water_depths best_case",
            f"{VALUED_BY} {SAFE_BY}",
            "turbines costs",
            by_part(
                "sitefinder.steps.candidates:joined_energy", "stretches", "flows", "water_depths", "best_case"
            ),
        ),
        stage(
            "rule_overlaps",
            "sitefinder.steps.rules:overlap_rule",
            "network stationing heads falls",
            each=PerItem("rule", "sitefinder.steps.scope:rules_of", "sitefinder.steps.rules:joined_overlaps"),
        ),
        stage(
            "spawning_m",
            "sitefinder.steps.migration:spawning_metres",
            "stationing rule_overlaps",
            "fish.spawning_rules",
        ),
        stage(
            "rule_verdicts",
            "sitefinder.steps.rules:judge",
            "stationing candidates stream_things rule_overlaps",
            "rules ranking.allow",
        ),
        stage(
            "decisions",
            "sitefinder.steps.decisions:place_decisions",
            "stationing heads water_bodies rule_verdicts",
            "inputs.decisions.on_date inputs.decisions.head_tolerance_m stretches.structure_snap_m rules",
            "decisions",
            content=CONTENT,
        ),
        stage(
            "verdicts",
            "sitefinder.steps.decisions:decide",
            "stationing candidates stream_things rule_overlaps rule_verdicts decisions",
            "rules ranking.allow",
        ),
        stage(
            "drop_values",
            "sitefinder.steps.drops:value_drops",
            "",
            f"{VALUED_BY} {SAFE_BY} flows.closed_months grid off_grid",
            "drops turbines costs layers.roads layers.power_lines layers.substations layers.settlements "
            "layers.region",
        ),
        stage(
            "drop_overlaps",
            "sitefinder.steps.drops:overlap_drops",
            "",
            inputs="drops",
            each=PerItem("rule", "sitefinder.steps.scope:rules_of", "sitefinder.steps.rules:joined_overlaps"),
        ),
        stage(
            "drop_verdicts",
            "sitefinder.steps.drops:judge_drops",
            "drop_values drop_overlaps",
            "rules ranking.allow",
        ),
        stage("months", "sitefinder.steps.closed_months:take_months", "flows", content=CONTENT),
        stage(
            "closed_months",
            "sitefinder.steps.closed_months:find_closed_months",
            "stationing candidates stream_things water_bodies rule_overlaps verdicts",
            f"rules {SEASON_BY} fish.groups.name fish.groups.lengths_m fish.groups.direction fish.groups.rules "
            "fish.groups.max_leap_m fish.spawning_rules",
            content=CONTENT,
        ),
        stage(
            "closed_energy",
            "sitefinder.steps.closed_months:value_closed",
            "systems stretches flows water_depths months closed_months energy",
            f"{VALUED_BY} {SAFE_BY} {SEASON_BY}",
            "turbines costs",
            by_part(
                "sitefinder.steps.closed_months:joined_closed_energy",
                *["stretches", "flows", "water_depths", "months", "closed_months", "energy"],
            ),
        ),
        stage(
            "sites",
            "sitefinder.steps.selection:choose",
            f"systems {CHOSEN_FROM}",
            "ranking selection stretches.min_flow_mean_m3s stretches.never_past costs.max_lcoe_per_kwh "
            "fish.spawning_rules fish.evidence fish.min_passage_survival fish.existing_survival",
            "turbines layers.region",
            by_system("sitefinder.steps.selection:joined_sites", *CHOSEN_FROM.split()),
        ),
        stage(
            "limit_costs",
            "sitefinder.steps.limits:weigh_limits",
            f"systems {CHOSEN_FROM}",
            "ranking selection stretches.min_flow_mean_m3s stretches.never_past costs.max_lcoe_per_kwh "
            "fish.spawning_rules fish.evidence fish.min_passage_survival fish.existing_survival "
            "inputs.water_bodies inputs.substations",
            "turbines layers.region",
            by_system("sitefinder.steps.limits:joined_limit_costs", *CHOSEN_FROM.split()),
        ),
        stage("fish_safe_only", "sitefinder.steps.rules:mark_fish_safe_only", "verdicts"),
        stage(
            "evidence_values",
            "sitefinder.steps.evidence:value_by_evidence",
            "systems stretches flows water_depths months closed_months fish_safe_only energy",
            f"{VALUED_BY} {SAFE_BY} {SEASON_BY}",
            "turbines costs",
            by_part(
                "sitefinder.steps.evidence:joined_evidence",
                "stretches",
                "flows",
                "water_depths",
                "months",
                "closed_months",
                "fish_safe_only",
                "energy",
            ),
        ),
        stage(
            "fish_safety",
            "sitefinder.steps.selection:weigh_fish_safety",
            f"systems evidence_values {CHOSEN_FROM}",
            "ranking selection stretches.min_flow_mean_m3s stretches.never_past costs.max_lcoe_per_kwh fish",
            "turbines costs layers.region",
            by_system("sitefinder.steps.selection:joined_fish_safety", "evidence_values", *CHOSEN_FROM.split()),
        ),
    ],
    GIVEN,
)
