"""Names that settings, their values and delivered columns had before, for messages that give those of today."""

# Keys of settings files and of data files that they name, by what they were called; where one word stood for
# several things, the names of all.
SETTINGS = {
    "conduit_detour_factor": "headrace_detour_factor",
    "crest_least_m3s": "crest_min_m3s",
    "draws": "simulations",
    "fish_pass_in_reserve": "fish_pass_in_environmental_flow",
    "held_layouts": "held_scheme_types",
    "layouts": "scheme_types",
    "least": "minimum",
    "least_area_ratio": "min_area_ratio",
    "least_correlation": "min_correlation",
    "least_depth_m": "min_depth_m",
    "least_flow_mean_m3s": "min_flow_mean_m3s",
    "least_gauges": "min_gauges",
    "least_head_m": "min_head_m",
    "least_overlap_days": "min_overlap_days",
    "least_overlap_m": "min_overlap_m",
    "least_overlap_share": "min_overlap_share",
    "least_per_year": "min_per_year",
    "least_power_kw": "min_power_kw",
    "least_share_of_year": "min_share_of_year",
    "least_survival": "min_survival",
    "least_survival_on_the_way": "min_passage_survival",
    "least_width_m": "min_width_m",
    "least_years": "min_years",
    "machines": "turbines",
    "mean_most_m3s": "mean_max_m3s",
    "most": "maximum",
    "most_area_difference": "max_area_difference",
    "most_area_ratio": "max_area_ratio",
    "most_blockage": "max_blockage",
    "most_candidates": "max_candidates",
    "most_cost_per_kwh": "max_lcoe_per_kwh",
    "most_head_m": "max_head_m",
    "most_road_distance_m": "max_road_distance_m",
    "passage": "releases",
    "power_most_kw": "power_max_kw",
    "reserve": "environmental environmental_flow",
    "spacing_m": "min_free_flowing_m",
    "step_least_m": "step_min_m",
    "take_most_m3s": "take_max_m3s",
    "take_most_share_of_mean": "take_max_share_of_mean",
    "units_most": "units_max",
}
# Values that settings choose among, and names of columns that they weigh, by what they were called.
VALUES = {
    "cost_per_kwh": "lcoe_per_kwh",
    "least": "minimum",
    "net_value_per_year": "net_annual_value",
}
# Layers and columns of a delivery by which one of an earlier version is known, by what they were called.
LAYERS = {
    "free_stream": "hydrokinetic",
    "least_heads": "minimum_heads",
    "machine_options": "turbine_options",
    "waterfall": "screening_cascade",
}
COLUMNS = {
    "cost_per_kwh": "lcoe_per_kwh",
    "head_unshrunk_m": "head_uncorrected_m",
    "layout": "scheme_type",
    "machine": "turbine",
    "net_value_per_year": "net_annual_value",
    "prob_top": "prob_in_top_n",
    "reserved_flow_m3s": "environmental_flow_m3s",
    "running_share": "operating_fraction",
}
