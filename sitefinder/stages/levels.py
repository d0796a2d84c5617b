"""The stages of water levels: how they move with flow at each station."""

from sitefinder.power.tailwater import water_depths


def find_water_depths(settings, flows):
    """Depth of water at each station over its duration curve and on the day of the survey."""
    estimate = flows.estimate
    return water_depths(
        estimate.curve_m3s,
        estimate.curve_exceedance,
        estimate.mean_m3s,
        settings.tailwater,
        settings.inputs.dem.survey_flow_exceedance_percent,
    )
