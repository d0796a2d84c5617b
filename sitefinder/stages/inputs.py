"""All that a run reads, opened and judged together, so that every problem is told at once."""

import hashlib
import json
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
from sitefinder.io.data_files import daily_files, data_file_lineage
from sitefinder.io.dem_error_files import read_dem_error
from sitefinder.io.flow_files import read_equations, read_gauges
from sitefinder.io.gauge_places import measured_gauges
from sitefinder.io.level_files import read_field_levels, read_ratings, read_sections, read_spot_gaugings
from sitefinder.io.map_scale import checked_scale
from sitefinder.io.outputs import writable_folder
from sitefinder.io.power_files import read_costs, read_machine_files
from sitefinder.io.raster_facts import is_elsewhere, parts_of_raster, raster_facts, way_to_run
from sitefinder.io.rasters import bounds_in_run
from sitefinder.io.reserve_files import read_reserve
from sitefinder.io.software import software
from sitefinder.power.price_levels import in_one_money
from sitefinder.siting.settlements import demand_of_settlements
from sitefinder.stages.dem_errors import footprint_table
from sitefinder.stages.flow_regions import FLOW_REGIONS, flow_by_regions, read_flow_regions, trial_weights
from sitefinder.stages.measured_flows import refuse_unknown_gauges, year_to_year_of
from sitefinder.stages.network import stream_lines
from sitefinder.stages.people import ABSTRACTIONS, refuse_unfit_months
from sitefinder.stages.readings import Lazily, Readings, Told, files_of_layer, files_of_raster
from sitefinder.stages.rule_layers import read_coverage, read_layer_here, read_rule, read_share
from sitefinder.streams.dem_errors import DemError
from sitefinder.streams.lines import REPAIR_COLUMNS

# Who made a file, when, under which licence: given in the delivery, never part of a stage's result.
OF_A_FILE = ("source", "date", "licence")
# Tables of what was measured on the bank, by the setting that names each, and what reads it.
BANK_TABLES = {
    "field_levels": read_field_levels,
    "ratings": read_ratings,
    "spot_gaugings": read_spot_gaugings,
    "sections": read_sections,
}
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


class LazyInputs:
    """What a run reads, judged already; each thing is read when something first asks for it.

    It has the attributes of `RunInputs`, and `digest_of`. ``lineage`` and ``repairs`` are remembered and need no
    file. ``year_to_year_sd`` is the year-to-year spread of flow that the daily records show, or None.

    Parameters
    ----------
    settings : sitefinder.config.Settings
    readings : sitefinder.stages.readings.Readings
        As `read_inputs` made them.
    """

    def __init__(self, settings, readings):
        self._settings, self._readings = settings, readings
        value, inputs = readings.value, settings.inputs
        self.covariates = Lazily(inputs.covariates, lambda name: value(f"covariates.{name}"))
        self.shares = Lazily(
            [f"{name}_percent" for name in inputs.shares],
            lambda name: value(f"shares.{name.removesuffix('_percent')}"),
        )
        self.layers = Lazily(_named_layers(inputs), lambda name: value(f"layers.{name}"))
        self.rules = [LazyLayer(readings, f"rules.{rule.name}") for rule in settings.rules]
        self.coverages = [
            None if rule.covered_by is None else LazyLayer(readings, f"coverages.{rule.name}")
            for rule in settings.rules
        ]

    def __getattr__(self, name):
        if name.startswith("_") or name not in self._readings:
            raise AttributeError(name)
        return self._readings.value(name)

    @property
    def lineage(self):
        """Where all came from, as rows of provenance."""
        told = self._readings.facts
        return [row for name in _in_order_of_delivery(self._settings) for row in told(name)["lineage"]]

    @property
    def repairs(self):
        """What was repaired on reading, as a table."""
        told = self._readings.facts
        rows = [row for name in _in_order_of_delivery(self._settings) for row in told(name)["repairs"]]
        return pd.DataFrame(rows, columns=REPAIR_COLUMNS, dtype="str")

    def digest_of(self, part):
        """Digest of a part: of a layer (``layers.lakes``), of all rasters or layers of a kind, of a table or file.

        Parameters
        ----------
        part : str

        Returns
        -------
        str
            ``none`` where the settings do not name it.
        """
        if part in ("covariates", "shares"):
            names = [f"{part}.{name}" for name in getattr(self._settings.inputs, part)]
            rows = [[name, self._readings.facts(name)["digest"]] for name in names]
            return hashlib.sha256(json.dumps(rows).encode()).hexdigest()
        if part not in self._readings:
            return "none"
        return self._readings.facts(part)["digest"]

    def _replace(self, **others):
        return self.whole()._replace(**others)

    def whole(self):
        """All of it, read.

        Returns
        -------
        RunInputs
        """
        values = {name: getattr(self, name) for name in RunInputs._fields}
        lists = {
            name: [None if one is None else one.read() for one in values[name]] for name in ("rules", "coverages")
        }
        tables = {name: dict(values[name]) for name in ("covariates", "shares", "layers")}
        return RunInputs(**values | lists | tables)


class LazyLayer:
    """A layer that is read when something asks for its features; it has the attributes of `LayerRead`."""

    def __init__(self, readings, name):
        self._readings, self._name = readings, name

    def __getattr__(self, name):
        if name.startswith("_"):
            raise AttributeError(name)
        return getattr(self.read(), name)

    @property
    def digest(self):
        """Digest of its features; nothing is read for it where that is remembered."""
        return self._readings.facts(self._name)["digest"]

    def read(self):
        """The layer as `sitefinder.io.vectors.read_layer` gives it."""
        return self._readings.value(self._name)


def read_inputs(settings, folder):
    """Judge everything that the settings name; what is remembered as sound is read only when it is asked for.

    Parameters
    ----------
    settings : sitefinder.config.Settings
    folder : Path
        Folder of the settings file, from which relative paths start.

    Returns
    -------
    LazyInputs

    Raises
    ------
    ConfigError, InputError
        One error that lists every problem.
    """
    problems = []
    for judge in (lambda: writable_folder(folder / settings.run.output_folder),):
        try:
            judge()
        except SitefinderError as error:
            problems.append(error)
    readings = Readings(software(), [__name__])
    readings.add("run.crs", lambda: check_run_crs(settings.run.crs), settings=settings.run.crs)
    if problems := readings.judge() + problems:
        raise _together(problems)
    _add_rasters(readings, settings, folder)
    _add_layers(readings, settings, folder)
    _add_bank_tables(readings, settings, folder)
    _add_flows(readings, settings, folder)
    _add_machines_and_costs(readings, settings, folder)
    if problems := readings.judge():
        raise _together(problems)
    return LazyInputs(settings, readings)


# The DEM and the covariates, and where the DEM lies in the run's system.
def _add_rasters(readings, settings, folder):
    crs, value = settings.run.crs, readings.value

    def add(name, source, what):
        readings.add(
            name,
            lambda: _raster(source, folder, crs, what),
            settings=[source.model_dump(mode="json"), crs],
            files=files_of_raster(source.path if is_elsewhere(source.path) else folder / source.path),
            counted=_counted_raster,
            told=lambda facts: Told([facts.lineage], files=parts_of_raster(source, folder)),
        )

    dem = settings.inputs.dem
    add("dem.alone", dem, "dem")
    preset = dem.error_preset
    readings.add(
        "dem_error.read",
        lambda: read_dem_error(dem, folder),
        settings=dem.model_dump(mode="json"),
        files=() if preset is None else (folder / preset,),
        told=lambda read: Told([read[1]] if read[1] is not None else []),
    )
    _derive(readings, "dem_error", "dem_error.read", lambda read: read[0])
    for name, source in settings.inputs.covariates.items():
        add(f"covariates.{name}", source, name)
    readings.add(
        "bounds",
        lambda: [float(edge) for edge in bounds_in_run(value("dem.alone"), crs)],
        settings=crs,
        needs=("dem.alone",),
        is_plain=True,
    )
    readings.add(
        "scale", lambda: checked_scale(crs, value("bounds")), settings=crs, needs=("bounds",), is_plain=True
    )

    def whole():
        alone, scale = value("dem.alone"), value("scale")
        return alone._replace(lineage=alone.lineage | {"operation": f"{alone.lineage['operation']}; {scale}"})

    readings.add(
        "dem", whole, needs=("dem.alone", "scale"), counted=_counted_raster, told=lambda dem: Told([dem.lineage])
    )


# Layers, shares, rules and the areas that rules cover, and what the settings ask of their columns.
def _add_layers(readings, settings, folder):
    crs, inputs, value = settings.run.crs, settings.inputs, readings.value

    def add(name, read, source, *others):
        readings.add(
            name,
            lambda: read(readings.wanted("bounds")),
            settings=[source.model_dump(mode="json"), crs, *others],
            wants=("bounds",),
            files=files_of_layer(folder / source.path),
            counted=lambda layer: layer.frame,
            told=lambda layer: Told([layer.lineage], layer.repairs[REPAIR_COLUMNS].to_numpy().tolist()),
        )

    for name, geometry in LAYERS.items():
        source = getattr(inputs, name)
        if source is not None:
            read = partial(_layer, source, folder, crs, name, geometry)
            add(f"layers.{name}", read, source)
    if inputs.flow_regions is not None:
        add(
            f"layers.{FLOW_REGIONS}",
            lambda bounds: read_flow_regions(inputs.flow_regions, folder, crs, bounds),
            inputs.flow_regions,
        )
    if inputs.streams is not None:
        _check(
            readings,
            settings,
            "streams",
            lambda: stream_lines(settings, value("layers.streams").frame),
            "layers.streams",
        )
    if inputs.dem_footprints is not None:
        _check(
            readings,
            settings,
            "footprints",
            lambda: footprint_table(inputs.dem_footprints, value("layers.dem_footprints").frame),
            "layers.dem_footprints",
        )
    for name, source in inputs.shares.items():
        add(f"shares.{name}", partial(_share, source, folder, crs, name), source, name)
    for rule in settings.rules:
        add(f"rules.{rule.name}", partial(read_rule, rule, folder, crs), rule)
    for rule in settings.rules:
        if rule.covered_by is not None:
            add(f"coverages.{rule.name}", partial(read_coverage, rule, folder, crs), rule.covered_by, rule.name)


# Tables of what was measured on the bank.
def _add_bank_tables(readings, settings, folder):
    for name, read in BANK_TABLES.items():
        source = getattr(settings.inputs, name)
        if source is None:
            readings.add(name, lambda: None)
            continue
        readings.add(
            f"{name}.read",
            partial(read, source, folder, settings.run.crs),
            settings=[source.model_dump(mode="json"), settings.run.crs],
            files=(folder / source.path,),
            counted=lambda table: table.frame,
            told=lambda table: Told([table.lineage]),
        )
        _derive(readings, name, f"{name}.read", lambda table: table.frame)


# Equations, gauges and the rules of the reserved flow, and whether they suit each other.
def _add_flows(readings, settings, folder):
    flows, inputs, value = settings.flows, settings.inputs, readings.value
    files = [f"equations.{number}" for number in range(1, len(flows.equations) + 1)]
    for name, path in zip(files, flows.equations, strict=True):
        readings.add(name, partial(read_equations, folder / path), settings=path, files=(folder / path,))
    readings.add("equations", lambda: [one for name in files for one in value(name)] or None, needs=tuple(files))
    table = flows.gauges
    readings.add(
        "gauges",
        lambda: None if table is None else read_gauges(folder / table.path, table),
        settings=None if table is None else table.model_dump(mode="json"),
        files=() if table is None else (folder / table.path,),
        told=lambda read: Told(files=() if read is None else daily_files(table, folder)),
    )
    stations = () if inputs.gauge_stations is None else ("layers.gauge_stations",)

    def measured():
        if flows.near_gauges is None and inputs.spot_gaugings is None:
            return None
        return measured_gauges(settings, value("gauges"), value(stations[0]).frame if stations else None)

    readings.add("measured_gauges", measured, settings=_all_but_rules(settings), needs=("gauges", *stations))
    if inputs.spot_gaugings is not None:
        _check(
            readings,
            settings,
            "gauged",
            lambda: refuse_unknown_gauges(value("spot_gaugings"), value("measured_gauges")),
            "spot_gaugings",
            "measured_gauges",
        )
    presets = tuple(folder / rule.preset for rule in flows.reserve if rule.preset is not None)
    readings.add(
        "reserve",
        lambda: read_reserve(flows.reserve, folder),
        settings=[rule.model_dump(mode="json") for rule in flows.reserve],
        files=presets,
    )
    if settings.off_grid is not None and inputs.settlements is not None:
        _check(
            readings,
            settings,
            "settlements",
            lambda: demand_of_settlements(value("layers.settlements").frame, settings.off_grid),
            "layers.settlements",
        )
    if getattr(inputs, ABSTRACTIONS) is not None:
        name = f"layers.{ABSTRACTIONS}"
        _check(readings, settings, ABSTRACTIONS, lambda: alterations_of(value(name).frame, ABSTRACTIONS), name)
    regions = () if inputs.flow_regions is None else (f"layers.{FLOW_REGIONS}",)

    def fit():
        weights = trial_weights({FLOW_REGIONS: value(regions[0])} if regions else {})
        equations = [value(name) for name in files]
        refuse_unfit_flows(settings, equations, value("gauges"), readings.wanted("reserve") or [], weights)

    _check(readings, settings, "flows", fit, "equations", "gauges", *regions, wants=("reserve",))
    readings.add(
        "year_to_year_sd",
        lambda: year_to_year_of(value("gauges")),
        needs=("gauges",),
        is_plain=True,
    )


# Machines, rotors and costs, in one money; and where all data files came from.
def _add_machines_and_costs(readings, settings, folder):
    machines, costs, value = settings.energy.machines, settings.costs, readings.value
    paths = [folder / path for path in machines]
    readings.add("machines.read", lambda: read_machine_files(paths), settings=machines, files=tuple(paths))
    readings.add(
        "costs.read", lambda: read_costs(folder / costs.file), settings=costs.file, files=(folder / costs.file,)
    )

    def money():
        read = value("machines.read")
        return in_one_money([*read.machines, *read.rotors], value("costs.read"), costs.price_year)

    readings.add("money", money, settings=costs.price_year, needs=("machines.read", "costs.read"), counted=tuple)

    def count():
        return len(value("machines.read").machines)

    both = ("money", "machines.read")
    readings.add("machines", lambda: value("money").machines[: count()], needs=both)
    readings.add("rotors", lambda: value("money").machines[count() :], needs=both)
    _derive(readings, "costs", "money", lambda read: read.costs)
    _derive(
        readings, "conversions", "money", lambda read: read.conversions, counted=lambda found: [*map(tuple, found)]
    )
    table = settings.flows.gauges
    presets = [rule.preset for rule in settings.flows.reserve if rule.preset is not None]
    named = [*machines, costs.file, *settings.flows.equations, *presets, *([table.path] if table else [])]
    readings.add(
        "data_files",
        lambda: data_file_lineage(settings, folder),
        settings=[named, None if table is None else table.model_dump(mode="json")],
        needs=("machines.read", "costs.read", "equations", "gauges", "reserve"),
        files=tuple(folder / path for path in named),
        told=lambda rows: Told(rows, files=() if table is None else daily_files(table, folder)),
    )


# A thing that is part of another one that was read.
def _derive(readings, name, of, derive, counted=lambda value: value):
    readings.add(name, lambda: derive(readings.value(of)), needs=(of,), counted=counted)


# A check that leaves nothing behind. It may look at any setting but those of rules and of the delivery.
def _check(readings, settings, name, check, *needs, wants=()):
    def judge():
        check()

    readings.add(f"check {name}", judge, settings=_all_but_rules(settings), needs=needs, wants=wants)


def _all_but_rules(settings):
    return settings.model_dump(mode="json", exclude={"rules": True, "delivery": True, "run": {"workers", "name"}})


def _layer(source, folder, crs, name, geometry, bounds):
    return read_layer_here(source, folder, crs, bounds, name, geometry, False)


def _share(source, folder, crs, name, bounds):
    return read_share(source, folder, crs, name)


def _named_layers(inputs):
    return [name for name in (*LAYERS, FLOW_REGIONS) if getattr(inputs, name) is not None]


# Readings in the order in which provenance and the table of repairs list them.
def _in_order_of_delivery(settings):
    inputs = settings.inputs
    names = ["dem", *(f"covariates.{name}" for name in inputs.covariates)]
    names += [f"shares.{name}" for name in inputs.shares]
    names += [f"layers.{name}" for name in _named_layers(inputs)]
    names += [f"rules.{rule.name}" for rule in settings.rules]
    names += [f"coverages.{rule.name}" for rule in settings.rules if rule.covered_by is not None]
    names += [f"{name}.read" for name in BANK_TABLES if getattr(inputs, name) is not None]
    return [*names, "dem_error.read", "data_files"]


# A raster but for where it lies and what is only said of it; its content stands in the digest.
def _counted_raster(facts):
    told = {name: value for name, value in facts.lineage.items() if name not in ("path", *OF_A_FILE)}
    return {**facts._asdict(), "path": "", "lineage": told}


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
