"""What reads inputs and judges them; loaded only by a run that reads, since it needs large libraries."""

from functools import partial

import pandas as pd
from pyproj import CRS
from pyproj.exceptions import CRSError

from sitefinder.errors import ConfigError
from sitefinder.flows.altered import alterations_of
from sitefinder.flows.estimate import estimate_flows
from sitefinder.flows.fitting import fit_equations
from sitefinder.flows.seasons import month_statistics, split_by_month
from sitefinder.io.data_files import daily_files, data_file_lineage
from sitefinder.io.dem_error_files import read_dem_error
from sitefinder.io.flow_files import read_equations, read_gauges
from sitefinder.io.gauge_places import measured_gauges
from sitefinder.io.level_files import read_field_levels, read_ratings, read_sections, read_spot_gaugings
from sitefinder.io.map_scale import checked_scale
from sitefinder.io.power_files import read_costs, read_machine_files
from sitefinder.io.raster_facts import parts_of_raster, raster_facts, way_to_run
from sitefinder.io.rasters import bounds_in_run
from sitefinder.io.reserve_files import read_reserve
from sitefinder.power.price_levels import in_one_money
from sitefinder.siting.settlements import demand_of_settlements
from sitefinder.stages.dem_errors import footprint_table
from sitefinder.stages.flow_regions import flow_by_regions, read_flow_regions, trial_weights
from sitefinder.stages.measured_flows import refuse_unknown_gauges, year_to_year_of
from sitefinder.stages.network import stream_lines
from sitefinder.stages.people import refuse_unfit_months
from sitefinder.stages.rule_layers import read_coverage, read_layer_here, read_rule, read_share

# What `sitefinder.stages.inputs` reads with.
__all__ = [
    "alterations_of",
    "bounds_in_run",
    "check_run_crs",
    "checked_scale",
    "daily_files",
    "data_file_lineage",
    "demand_of_settlements",
    "footprint_table",
    "in_one_money",
    "measured_gauges",
    "parts_of_raster",
    "read_costs",
    "read_coverage",
    "read_dem_error",
    "read_equations",
    "read_field_levels",
    "read_flow_regions",
    "read_gauges",
    "read_layer_here",
    "read_machine_files",
    "read_raster",
    "read_ratings",
    "read_reserve",
    "read_rule",
    "read_sections",
    "read_share",
    "read_spot_gaugings",
    "refuse_unfit_flows",
    "refuse_unknown_gauges",
    "stream_lines",
    "trial_weights",
    "year_to_year_of",
]


def refuse_unfit_flows(settings, equations, gauges, reserve=(), weights=None):
    """Refuse equations or gauges that make no duration curve, or ask for a predictor that the run does not have.

    Found here, it costs seconds; found when the flows are due, all the terrain has been drained before. Reserve
    rules that go by the month are refused where no equation does.

    Raises
    ------
    ConfigError, InputError
    """
    predictors = ["area_km2", *settings.inputs.covariates, *(f"{name}_percent" for name in settings.inputs.shares)]
    if gauges is None:
        used = [equation for file in equations for equation in file]
    else:
        table = settings.flows.gauges
        used = [
            fit.equation
            for fit in fit_equations(gauges, table.predictors, table.source, table.record_years_column)
        ]
    one = pd.DataFrame({name: [1.0] for name in predictors})
    estimate_flows(one, refuse_unfit_months(settings, used, reserve), weights)
    month_statistics(one, split_by_month(used)[1], partial(flow_by_regions, weights=weights))


def check_run_crs(crs):
    """Refuse a run's coordinate system that is not projected in metres.

    Raises
    ------
    ConfigError
    """
    expected = "a projected system in metres, for example EPSG:32633"
    try:
        system = CRS.from_user_input(crs)
    except CRSError:
        raise ConfigError.of("run.crs is no coordinate system", expected=expected, found=crs) from None
    if not system.is_projected or system.axis_info[0].unit_name != "metre":
        unit = system.axis_info[0].unit_name if system.axis_info else "no"
        raise ConfigError.of(
            "run.crs does not measure in metres",
            expected=expected,
            found=f"{crs} ({system.name}), with axes in {unit}",
            fix="choose the projected system of your region; degrees have no length",
        )


def read_raster(source, folder, crs, what):
    """Facts of a raster, with the operation that takes it to the run's system in its lineage."""
    facts = raster_facts(source, folder, what)
    return facts._replace(lineage=facts.lineage | {"operation": way_to_run(facts, crs).told})
