"""What one more exclusion layer, "new reserve", makes a run do again, and what it never does."""

# All that needs the terrain, the flow or a turbine; the rest is quick.
# fmt: off
NEVER_AGAIN = [
    "dem_seams", "surface", "network", "stationing", "dem_errors", "channels", "terrain", "catchments",
    "long_profile", "field_levels", "heads", "flows", "water_bodies", "water_slopes", "channel_shapes",
    "water_depths", "minimum_heads", "quality_flags", "stretches", "energy",
]
# fmt: on
# What a new layer redoes. `evidence_values` is joined from what is kept, since no drainage system's share changed.
AGAIN = ["rule_overlaps: new reserve", "spawning_m", "rule_verdicts", "decisions", "verdicts"]
AGAIN += ["drop_overlaps: new reserve", "drop_verdicts"]
AGAIN += ["closed_months", "sites", "limit_costs", "fish_safe_only", "fish_safety"]
# In a valley where it closes no month and bars no place, `closed_energy` and `evidence_values` are kept on.
