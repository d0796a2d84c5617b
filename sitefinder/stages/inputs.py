"""All that a run reads, opened and judged together, so that every problem is told at once."""

from functools import partial
from typing import NamedTuple

import pandas as pd
from pyproj import CRS
from pyproj.exceptions import CRSError

from sitefinder.errors import ConfigError, InputError, SitefinderError, all_of
from sitefinder.flows.altered import alterations_of
from sitefinder.flows.estimate import estimate_flows
from sitefinder.flows.fitting import fit_equations
from sitefinder.flows.seasons import month_statistics, split_by_month
from sitefinder.io.data_files import data_file_lineage
from sitefinder.io.dem_error_files import read_dem_error
from sitefinder.io.flow_files import read_equations, read_gauges
from sitefinder.io.gauge_places import measured_gauges
from sitefinder.io.level_files import read_field_levels, read_ratings, read_sections, read_spot_gaugings
from sitefinder.io.map_scale import checked_scale
from sitefinder.io.outputs import writable_folder
from sitefinder.io.power_files import read_costs, read_machine_files
from sitefinder.io.raster_facts import raster_facts, way_to_run
from sitefinder.io.rasters import bounds_in_run
from sitefinder.io.reserve_files import read_reserve
from sitefinder.power.price_levels import in_one_money
from sitefinder.siting.settlements import demand_of_settlements
from sitefinder.stages.dem_errors import footprint_table
from sitefinder.stages.flow_regions import FLOW_REGIONS, flow_by_regions, read_flow_regions, trial_weights
from sitefinder.stages.measured_flows import refuse_unknown_gauges
from sitefinder.stages.network import stream_lines
from sitefinder.stages.people import ABSTRACTIONS, refuse_unfit_months
from sitefinder.stages.rule_layers import read_coverage, read_layer_here, read_rule, read_share
from sitefinder.streams.dem_errors import DemError
from sitefinder.streams.lines import REPAIR_COLUMNS

# Kind of geometry that each layer must hold.
LAYERS = {
    "dem_footprints": "polygon",
    "streams": "line",
    "region": "polygon",
    "districts": "polygon",
    "structures": "point",
    "falls": "point",
    "gauge_stations": "point",
    "plants": "any",
    "lakes": "polygon",
    "karst": "any",
    "tidal": "any",
    "regulated": "any",
    "abstractions": "point",
    "roads": "line",
    "power_lines": "line",
    "settlements": "any",
}


class RunInputs(NamedTuple):
    """What was read: the DEM's and covariates' facts, layers and rule layers as read, tables and data files.

    ``layers`` holds only those that the settings name; ``shares`` the polygons that count, by name of predictor.
    ``coverages`` holds for each rule the area that its layer covers, or None. ``dem_error`` is what the settings
    state; ``reserve`` holds the rules of the reserved flow, those of presets in their place. Either ``equations``
    or ``gauges`` is None; ``field_levels``, ``ratings``, ``sections`` and ``spot_gaugings`` are where the settings
    name none, and ``measured_gauges``, those with flows and places, where nothing asks for them. Machines and
    costs are in the money that the settings ask for; ``conversions`` tells what was in other money (see
    `sitefinder.power.price_levels`).
    """

    dem: object
    dem_error: DemError
    covariates: dict
    shares: dict
    layers: dict
    rules: list
    equations: list | None
    gauges: pd.DataFrame | None
    machines: list
    costs: object
    lineage: list
    repairs: pd.DataFrame
    field_levels: pd.DataFrame | None = None
    ratings: pd.DataFrame | None = None
    spot_gaugings: pd.DataFrame | None = None
    measured_gauges: pd.DataFrame | None = None
    reserve: list | None = None
    coverages: list | None = None
    conversions: list = ()
    rotors: list = ()
    sections: pd.DataFrame | None = None


def read_inputs(settings, folder):
    """Open and judge everything that the settings name.

    Parameters
    ----------
    settings : sitefinder.config.Settings
    folder : Path
        Folder of the settings file, from which relative paths start.

    Returns
    -------
    RunInputs

    Raises
    ------
    ConfigError, InputError
        One error that lists every problem.
    """
    problems = []

    def tried(read, *arguments, **options):
        try:
            return read(*arguments, **options)
        except SitefinderError as error:
            problems.append(error)
            return None

    tried(check_run_crs, settings.run.crs)
    tried(writable_folder, folder / settings.run.output_folder)
    if problems:
        raise _together(problems)
    dem = tried(_raster, settings.inputs.dem, folder, settings.run.crs, "dem")
    dem_error = tried(read_dem_error, settings.inputs.dem, folder)
    covariates = {
        name: tried(_raster, source, folder, settings.run.crs, name)
        for name, source in settings.inputs.covariates.items()
    }
    bounds = None if dem is None else bounds_in_run(dem, settings.run.crs)
    scale = None if dem is None else tried(checked_scale, settings.run.crs, bounds)
    if scale is not None:
        dem = dem._replace(lineage=dem.lineage | {"operation": f"{dem.lineage['operation']}; {scale}"})
    layers = {}
    for name, geometry in LAYERS.items():
        source = getattr(settings.inputs, name)
        if source is not None:
            layers[name] = tried(read_layer_here, source, folder, settings.run.crs, bounds, name, geometry, False)
    if settings.inputs.flow_regions is not None:
        layers[FLOW_REGIONS] = tried(
            read_flow_regions, settings.inputs.flow_regions, folder, settings.run.crs, bounds
        )
    if layers.get("streams") is not None:
        tried(stream_lines, settings, layers["streams"].frame)
    if layers.get("dem_footprints") is not None:
        tried(footprint_table, settings.inputs.dem_footprints, layers["dem_footprints"].frame)
    shares = {
        f"{name}_percent": tried(read_share, source, folder, settings.run.crs, name)
        for name, source in settings.inputs.shares.items()
    }
    rules = [tried(read_rule, rule, folder, settings.run.crs, bounds) for rule in settings.rules]
    coverages = [tried(read_coverage, rule, folder, settings.run.crs, bounds) for rule in settings.rules]
    field_levels, ratings, gaugings, sections = (
        None if source is None else tried(read, source, folder, settings.run.crs)
        for source, read in (
            (settings.inputs.field_levels, read_field_levels),
            (settings.inputs.ratings, read_ratings),
            (settings.inputs.spot_gaugings, read_spot_gaugings),
            (settings.inputs.sections, read_sections),
        )
    )
    flows = settings.flows
    equations = [tried(read_equations, folder / path) for path in flows.equations]
    gauges = None if flows.gauges is None else tried(read_gauges, folder / flows.gauges.path, flows.gauges)
    measured = None
    stations = layers.get("gauge_stations")
    stations_read = stations is not None or settings.inputs.gauge_stations is None
    gauges_read = gauges is not None or flows.gauges is None
    if (flows.near_gauges is not None or gaugings is not None) and stations_read and gauges_read:
        measured = tried(measured_gauges, settings, gauges, None if stations is None else stations.frame)
    if gaugings is not None and measured is not None:
        tried(refuse_unknown_gauges, gaugings.frame, measured)
    reserve = tried(read_reserve, flows.reserve, folder)
    if settings.off_grid is not None and layers["settlements"] is not None:
        tried(demand_of_settlements, layers["settlements"].frame, settings.off_grid)
    if layers.get(ABSTRACTIONS) is not None:
        tried(alterations_of, layers[ABSTRACTIONS].frame, ABSTRACTIONS)
    regions_read = settings.inputs.flow_regions is None or layers[FLOW_REGIONS] is not None
    if None not in equations and gauges_read and regions_read:
        tried(refuse_unfit_flows, settings, equations, gauges, reserve or [], trial_weights(layers))
    machines = tried(read_machine_files, [folder / path for path in settings.energy.machines])
    costs = tried(read_costs, folder / settings.costs.file)
    money = None
    if machines is not None and costs is not None:
        all_of_them = [*machines.machines, *machines.rotors]
        money = tried(in_one_money, all_of_them, costs, settings.costs.price_year)
    if problems:
        raise _together(problems)
    on_the_bank = [table for table in (field_levels, ratings, gaugings, sections) if table is not None]
    reads = [*shares.values(), *layers.values(), *rules, *(area for area in coverages if area is not None)]
    rasters = [dem, *covariates.values()]
    error, preset_lineage = dem_error
    return RunInputs(
        dem,
        error,
        covariates,
        shares,
        layers,
        rules,
        [equation for file in equations for equation in file] or None,
        gauges,
        money.machines[: len(machines.machines)],
        money.costs,
        [read.lineage for read in [*rasters, *reads, *on_the_bank]]
        + [preset_lineage] * (preset_lineage is not None)
        + data_file_lineage(settings, folder),
        pd.concat([pd.DataFrame(columns=REPAIR_COLUMNS), *[read.repairs for read in reads]], ignore_index=True),
        None if field_levels is None else field_levels.frame,
        None if ratings is None else ratings.frame,
        None if gaugings is None else gaugings.frame,
        measured,
        reserve=reserve,
        coverages=coverages,
        conversions=money.conversions,
        rotors=money.machines[len(machines.machines) :],
        sections=None if sections is None else sections.frame,
    )


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


# Facts of a raster, with the operation that takes it to the run's system in its lineage.
def _raster(source, folder, crs, what):
    facts = raster_facts(source, folder, what)
    return facts._replace(lineage=facts.lineage | {"operation": way_to_run(facts, crs).told})


# One problem stands as it is; several are listed under one headline.
def _together(problems):
    if len(problems) == 1:
        return problems[0]
    kind = ConfigError if all(isinstance(problem, ConfigError) for problem in problems) else InputError
    return all_of(kind, "settings and inputs", [str(problem) for problem in problems])
