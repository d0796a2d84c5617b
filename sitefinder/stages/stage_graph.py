"""The stage graph: each stage with what it reads, and the settings and inputs that it may see.

A result is kept under a key of all that its stage's line names and of the code that its function can reach; see
"How keys work" in DEVELOPERS.md.
"""

from sitefinder.pipeline.graph import Each, Stage, bound
from sitefinder.stages.seen import rules_of

GIVEN = ("settings", "inputs", "scratch", "progress")
# Settings that the value of a stretch hangs on, beside those of fish.
VALUED_BY = (
    "stretches.least_flow_mean_m3s energy tailwater flows.passage ranking.choose_by costs.discount_rate "
    "costs.rate_kind costs.inflation costs.lifetime_years costs.price_per_kwh costs.own_use_price_per_kwh "
    "costs.own_use_share costs.own_use_kwh_per_year costs.connection"
)


# A stage as a line: its function as ``module:function`` of this package, what it reads, then the settings and the
# inputs that it sees, each as words.
def _stage(name, run, reads, settings="", inputs="", each=None):
    sees = {"settings": tuple(settings.split()), "inputs": tuple(inputs.split())}
    sees = {given: parts for given, parts in sees.items() if parts}
    function = f"{__package__}.{run}" if isinstance(run, str) else run
    return Stage(name, function, (*sees, *reads.split()), sees, each)


STAGES = bound(
    [
        _stage("dem_seams", "marks:find_dem_seams", "", "inputs.dem.vertical_unit", "dem"),
        _stage(
            "surface",
            "ground:warp_surface",
            "scratch",
            "run.crs terrain.cell_size_m terrain.fill_nodata_cells inputs.dem.vertical_unit inputs.covariates",
            "dem covariates shares layers.flow_regions layers.lakes",
        ),
        _stage("relief", "relief:shade_relief", "surface"),
        _stage(
            "network",
            "network:make_network",
            "surface scratch",
            "run.crs inputs.dem.vertical_unit inputs.dem_footprints inputs.streams.inflow_area_column "
            "network.snap_m network.derive_threshold_km2 network.main_path network.main_path_column "
            "network.main_path_column_wins network.divergence_share network.divergence_share_column "
            "network.canal_column network.canal_values network.ridge_m",
            "dem dem_error layers.streams layers.dem_footprints",
        ),
        _stage("resolved", "network:refuse_unresolved", "network", "run.strict inputs.streams.path"),
        _stage(
            "placed", "network:place_on_network", "network", "network.station_spacing_m network.reach_length_m"
        ),
        _stage(
            "dem_errors",
            "dem_errors:find_dem_errors",
            "placed",
            "inputs.dem_footprints",
            "dem_error layers.dem_footprints",
        ),
        _stage(
            "channels",
            "ground:read_channels",
            "network placed dem_errors",
            "run.crs inputs.dem.vertical_unit heads.transect_half_width_m",
            "dem",
        ),
        _stage(
            "terrain",
            "ground:drain_terrain",
            "surface network placed channels scratch progress",
            "run.crs run.workers terrain.engine terrain.sink_depth_m "
            "terrain.tile_rows terrain.tile_columns terrain.margin_cells",
        ),
        _stage(
            "catchments",
            "ground:sum_catchments",
            "surface network placed terrain",
            "inputs.covariates terrain.edge_is_divide",
        ),
        _stage(
            "fitted",
            "ground:fit_profile",
            "placed channels dem_errors",
            "run.crs run.seed heads.quantile heads.draws stretches.structure_snap_m",
            "dem layers.structures",
        ),
        _stage(
            "field_levels",
            "levels:place_field_levels",
            "placed fitted",
            "stretches.structure_snap_m tailwater.rating_reach_m",
            "field_levels ratings",
        ),
        _stage("heads", "levels:use_field_levels", "placed fitted field_levels", "run.seed"),
        _stage(
            "flows",
            "worth:estimate_station_flows",
            "placed catchments",
            "flows.gauges flows.near_gauges flows.spot_gaugings flows.region_weights flows.closed_months flags "
            "energy.design_exceedance_percent stretches.structure_snap_m uncertainty.year_to_year_sd",
            "equations gauges reserve measured_gauges spot_gaugings layers.flow_regions layers.karst "
            "layers.abstractions",
        ),
        _stage(
            "water_depths",
            "levels:find_water_depths",
            "flows field_levels",
            "tailwater inputs.dem.survey_flow_exceedance_percent",
        ),
        _stage(
            "channel_shapes",
            "channel_shapes:find_channel_shapes",
            "placed flows",
            "stretches.structure_snap_m channel tailwater",
            "sections",
        ),
        _stage(
            "waters",
            "waters:find_waters",
            "network placed heads flows",
            "heads.standing_water_m heads.tidal_below_m inputs.dem.vertical_unit inputs.lakes.path inputs.plants "
            "stretches.structure_snap_m stretches.step_least_m stretches.step_standard_errors "
            "stretches.step_explained_m stretches.least_flow_mean_m3s",
            "layers.lakes layers.structures layers.plants layers.tidal",
        ),
        _stage(
            "least_heads",
            "dem_errors:find_least_heads",
            "placed fitted waters",
            "stretches.longest_m heads.resolved_standard_errors",
            "layers.region",
        ),
        _stage(
            "marks",
            "marks:mark_stations",
            "placed channels catchments field_levels waters dem_seams dem_errors",
            "run.crs flags inputs.covariates stretches.structure_snap_m",
            "dem layers.regulated layers.karst",
        ),
        _stage(
            "stretches",
            "worth:list_stretches",
            "placed channels heads waters catchments flows channel_shapes",
            "run.crs inputs.dem.vertical_unit heads.shrink "
            "heads.resolved_standard_errors stretches.layouts stretches.least_head_m "
            "stretches.most_head_m stretches.longest_m stretches.new_weir_heights_m stretches.freeboard_m "
            "stretches.conduit_detour_factor off_grid",
            "dem layers.roads layers.power_lines layers.settlements",
        ),
        _stage(
            "energy",
            "worth:value_all",
            "stretches flows water_depths",
            f"{VALUED_BY} fish.least_survival fish.evidence",
            "machines costs",
        ),
        _stage(
            "rule_overlaps",
            "rules:overlap_rule",
            "network placed heads",
            "stretches.structure_snap_m",
            "layers.falls layers.structures",
            each=Each("rule", rules_of, "sitefinder.stages.rules:joined_overlaps"),
        ),
        _stage("verdicts", "rules:judge", "placed stretches rule_overlaps", "rules ranking.allow"),
        _stage(
            "sites",
            "choice:choose",
            "placed stretches energy rule_overlaps verdicts waters",
            "ranking stretches.least_flow_mean_m3s costs.most_cost_per_kwh fish.spawning_rules fish.evidence "
            "fish.least_survival_on_the_way fish.existing_survival",
            "machines layers.region",
        ),
        _stage(
            "fish_safety",
            "fish_safe_gain:weigh_fish_safety",
            "placed stretches flows water_depths energy rule_overlaps verdicts waters",
            f"{VALUED_BY} fish ranking costs.most_cost_per_kwh",
            "machines costs layers.region",
        ),
    ],
    GIVEN,
)
