"""The stage graph: each stage with what it reads, and the settings and inputs that it may see.

A result is kept under a key of all that its stage's line names and of the code that its function can reach; see
"How keys work" in DEVELOPERS.md. Functions are named and not imported here, so that a run that has nothing to do
loads none of their libraries.
"""

from sitefinder.pipeline.graph import Each, Stage, bound

GIVEN = ("settings", "inputs", "scratch", "progress")
# Gives the digest of what a result holds.
CONTENT = "sitefinder.stages.contents:digest_of"
# Settings that the value of a stretch depends on, beside those of fish.
VALUED_BY = (
    "stretches.least_flow_mean_m3s energy tailwater flows.passage ranking.choose_by costs.discount_rate "
    "costs.rate_kind costs.inflation costs.lifetime_years costs.price_per_kwh costs.own_use_price_per_kwh "
    "costs.own_use_share costs.own_use_kwh_per_year costs.connection"
)


def stage(name, run, reads, settings="", inputs="", each=None, content=None, describes=()):
    """A stage as a line: what it reads, then the settings and the inputs that it sees, each as words."""
    sees = {"settings": tuple(settings.split()), "inputs": tuple(inputs.split())}
    sees = {given: parts for given, parts in sees.items() if parts}
    return Stage(name, run, (*sees, *reads.split()), sees, each, content, describes)


# From settings and inputs to the chosen sites.
STEPS = bound(
    [
        stage("dem_seams", "sitefinder.stages.marks:find_dem_seams", "", "inputs.dem.vertical_unit", "dem"),
        stage(
            "surface",
            "sitefinder.stages.ground:warp_surface",
            "scratch",
            "run.crs terrain.cell_size_m terrain.fill_nodata_cells inputs.dem.vertical_unit inputs.covariates",
            "dem covariates shares layers.flow_regions layers.lakes",
        ),
        stage("relief", "sitefinder.stages.relief:shade_relief", "surface", content=CONTENT),
        stage(
            "network",
            "sitefinder.stages.network:make_network",
            "surface scratch",
            "run.crs inputs.dem.vertical_unit inputs.dem_footprints inputs.streams.inflow_area_column "
            "network.snap_m network.derive_threshold_km2 network.main_path network.main_path_column "
            "network.main_path_column_wins network.divergence_share network.divergence_share_column "
            "network.canal_column network.canal_values network.ridge_m",
            "dem dem_error layers.streams layers.dem_footprints",
        ),
        stage(
            "resolved", "sitefinder.stages.network:refuse_unresolved", "network", "run.strict inputs.streams.path"
        ),
        stage(
            "placed",
            "sitefinder.stages.network:place_on_network",
            "network",
            "network.station_spacing_m network.reach_length_m",
        ),
        stage(
            "structures",
            "sitefinder.stages.waters:find_structures",
            "placed",
            "stretches.structure_snap_m",
            "layers.structures",
        ),
        stage(
            "falls",
            "sitefinder.stages.rules:find_falls",
            "placed",
            "stretches.structure_snap_m",
            "layers.falls layers.structures",
        ),
        stage(
            "dem_errors",
            "sitefinder.stages.dem_errors:find_dem_errors",
            "placed",
            "inputs.dem_footprints",
            "dem_error layers.dem_footprints",
        ),
        stage(
            "channels",
            "sitefinder.stages.ground:read_channels",
            "network placed dem_errors",
            "run.crs inputs.dem.vertical_unit heads.transect_half_width_m",
            "dem",
        ),
        stage(
            "terrain",
            "sitefinder.stages.ground:drain_terrain",
            "surface network placed channels scratch progress",
            "run.crs run.workers terrain.engine terrain.sink_depth_m "
            "terrain.tile_rows terrain.tile_columns terrain.margin_cells",
        ),
        stage(
            "catchments",
            "sitefinder.stages.ground:sum_catchments",
            "surface network placed terrain",
            "inputs.covariates terrain.edge_is_divide",
        ),
        stage(
            "fitted",
            "sitefinder.stages.ground:fit_profile",
            "placed channels dem_errors structures",
            "run.crs run.seed heads.quantile heads.draws",
            "dem",
        ),
        stage(
            "field_levels",
            "sitefinder.stages.levels:place_field_levels",
            "placed fitted",
            "stretches.structure_snap_m tailwater.rating_reach_m",
            "field_levels ratings",
        ),
        stage("heads", "sitefinder.stages.levels:use_field_levels", "placed fitted field_levels", "run.seed"),
        stage(
            "flows",
            "sitefinder.stages.worth:estimate_station_flows",
            "placed catchments",
            "flows.gauges flows.near_gauges flows.spot_gaugings flows.region_weights flows.closed_months flags "
            "energy.design_exceedance_percent stretches.structure_snap_m uncertainty.year_to_year_sd",
            "equations gauges reserve measured_gauges spot_gaugings layers.flow_regions layers.karst "
            "layers.abstractions",
        ),
        stage(
            "water_depths",
            "sitefinder.stages.levels:find_water_depths",
            "flows field_levels",
            "tailwater inputs.dem.survey_flow_exceedance_percent",
        ),
        stage(
            "channel_shapes",
            "sitefinder.stages.channel_shapes:find_channel_shapes",
            "placed flows",
            "stretches.structure_snap_m channel tailwater",
            "sections",
        ),
        stage(
            "waters",
            "sitefinder.stages.waters:find_waters",
            "network placed structures heads flows",
            "heads.standing_water_m heads.tidal_below_m inputs.dem.vertical_unit inputs.lakes.path inputs.plants "
            "stretches.structure_snap_m stretches.step_least_m stretches.step_standard_errors "
            "stretches.step_explained_m stretches.least_flow_mean_m3s",
            "layers.lakes layers.plants layers.tidal",
        ),
        stage(
            "least_heads",
            "sitefinder.stages.dem_errors:find_least_heads",
            "placed fitted waters",
            "stretches.longest_m heads.resolved_standard_errors",
            "layers.region",
        ),
        stage(
            "marks",
            "sitefinder.stages.marks:mark_stations",
            "placed channels catchments field_levels waters dem_seams dem_errors",
            "run.crs flags inputs.covariates stretches.structure_snap_m",
            "dem layers.regulated layers.karst",
        ),
        stage(
            "stretches",
            "sitefinder.stages.worth:list_stretches",
            "placed channels heads waters catchments flows channel_shapes",
            "run.crs inputs.dem.vertical_unit heads.shrink "
            "heads.resolved_standard_errors stretches.layouts stretches.least_head_m "
            "stretches.most_head_m stretches.longest_m stretches.new_weir_heights_m stretches.freeboard_m "
            "stretches.conduit_detour_factor off_grid",
            "dem layers.roads layers.power_lines layers.settlements",
        ),
        stage(
            "energy",
            "sitefinder.stages.worth:value_all",
            "stretches flows water_depths",
            f"{VALUED_BY} fish.least_survival fish.evidence",
            "machines costs",
        ),
        stage(
            "rule_overlaps",
            "sitefinder.stages.rules:overlap_rule",
            "network placed heads falls",
            each=Each("rule", "sitefinder.stages.seen:rules_of", "sitefinder.stages.rules:joined_overlaps"),
        ),
        stage(
            "verdicts", "sitefinder.stages.rules:judge", "placed stretches rule_overlaps", "rules ranking.allow"
        ),
        stage(
            "sites",
            "sitefinder.stages.choice:choose",
            "placed stretches energy rule_overlaps verdicts waters",
            "ranking stretches.least_flow_mean_m3s costs.most_cost_per_kwh fish.spawning_rules fish.evidence "
            "fish.least_survival_on_the_way fish.existing_survival",
            "machines layers.region",
        ),
        stage(
            "fish_safety",
            "sitefinder.stages.fish_safe_gain:weigh_fish_safety",
            "placed stretches flows water_depths energy rule_overlaps verdicts waters",
            f"{VALUED_BY} fish ranking costs.most_cost_per_kwh",
            "machines costs layers.region",
        ),
    ],
    GIVEN,
)
