"""All that a run reads, opened and judged together, so that every problem is told at once."""

import hashlib
import json
from functools import partial
from typing import NamedTuple

from sitefinder.errors import ConfigError, InputError, SitefinderError, all_of
from sitefinder.io.outputs import writable_folder
from sitefinder.io.software import software
from sitefinder.stages.readings import Lazily, Readings, Told, counted_raster, files_of_layer, files_of_raster

# Tables of what was measured on the bank, by the setting that names each.
BANK_TABLES = ("field_levels", "ratings", "spot_gaugings", "sections")
FLOW_REGIONS, ABSTRACTIONS = "flow_regions", "abstractions"
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
    dem_error: object
    covariates: dict
    shares: dict
    layers: dict
    rules: list
    equations: list | None
    gauges: object
    machines: list
    costs: object
    lineage: list
    repairs: object
    field_levels: object = None
    ratings: object = None
    spot_gaugings: object = None
    measured_gauges: object = None
    reserve: list | None = None
    coverages: list | None = None
    conversions: list = ()
    rotors: list = ()
    sections: object = None


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
        import pandas as pd

        from sitefinder.streams.lines import REPAIR_COLUMNS

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
        if part in ("lineage", "repairs"):
            told = self._readings.facts
            rows = [row for name in _in_order_of_delivery(self._settings) for row in told(name)[part]]
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
    readings.add("run.crs", lambda: _readers().check_run_crs(settings.run.crs), settings=settings.run.crs)
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


def with_year_to_year(settings, inputs):
    """Settings whose year-to-year spread of flow is that of the daily records, where they do not state it.

    Parameters
    ----------
    settings : sitefinder.config.Settings
    inputs : LazyInputs or RunInputs

    Returns
    -------
    sitefinder.config.Settings
    """
    if settings.uncertainty.year_to_year_sd is not None or settings.flows.gauges is None:
        return settings
    is_read = isinstance(inputs, RunInputs)
    found = _readers().year_to_year_of(inputs.gauges) if is_read else inputs.year_to_year_sd
    if found is None:
        return settings
    uncertainty = settings.uncertainty.model_copy(update={"year_to_year_sd": found})
    return settings.model_copy(update={"uncertainty": uncertainty})


# The DEM and the covariates, and where the DEM lies in the run's system.
def _add_rasters(readings, settings, folder):
    crs, value = settings.run.crs, readings.value

    def add(name, source, what):
        readings.add(
            name,
            lambda: _readers().read_raster(source, folder, crs, what),
            settings=[source.model_dump(mode="json"), crs],
            files=files_of_raster(source.path, folder),
            counted=counted_raster,
            told=lambda facts: Told([facts.lineage], files=_readers().parts_of_raster(source, folder)),
        )

    dem = settings.inputs.dem
    add("dem.alone", dem, "dem")
    preset = dem.error_preset
    readings.add(
        "dem_error.read",
        lambda: _readers().read_dem_error(dem, folder),
        settings=dem.model_dump(mode="json"),
        files=() if preset is None else (folder / preset,),
        told=lambda read: Told([read[1]] if read[1] is not None else []),
    )
    _derive(readings, "dem_error", "dem_error.read", lambda read: read[0])
    for name, source in settings.inputs.covariates.items():
        add(f"covariates.{name}", source, name)
    readings.add(
        "bounds",
        lambda: [float(edge) for edge in _readers().bounds_in_run(value("dem.alone"), crs)],
        settings=crs,
        needs=("dem.alone",),
        is_plain=True,
    )
    readings.add(
        "scale",
        lambda: _readers().checked_scale(crs, value("bounds")),
        settings=crs,
        needs=("bounds",),
        is_plain=True,
    )

    def whole():
        alone, scale = value("dem.alone"), value("scale")
        return alone._replace(lineage=alone.lineage | {"operation": f"{alone.lineage['operation']}; {scale}"})

    readings.add(
        "dem", whole, needs=("dem.alone", "scale"), counted=counted_raster, told=lambda dem: Told([dem.lineage])
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
            told=lambda layer: Told([layer.lineage], layer.repairs.to_numpy().tolist()),
        )

    for name, geometry in LAYERS.items():
        source = getattr(inputs, name)
        if source is not None:
            read = partial(_layer, source, folder, crs, name, geometry)
            add(f"layers.{name}", read, source)
    if inputs.flow_regions is not None:
        add(
            f"layers.{FLOW_REGIONS}",
            lambda bounds: _readers().read_flow_regions(inputs.flow_regions, folder, crs, bounds),
            inputs.flow_regions,
        )
    if inputs.streams is not None:
        _check(
            readings,
            settings,
            "streams",
            lambda: _readers().stream_lines(settings, value("layers.streams").frame),
            "layers.streams",
        )
    if inputs.dem_footprints is not None:
        _check(
            readings,
            settings,
            "footprints",
            lambda: _readers().footprint_table(inputs.dem_footprints, value("layers.dem_footprints").frame),
            "layers.dem_footprints",
        )
    for name, source in inputs.shares.items():
        add(f"shares.{name}", partial(_share, source, folder, crs, name), source, name)
    for rule in settings.rules:
        add(f"rules.{rule.name}", partial(_rule, rule, folder, crs), rule)
    for rule in settings.rules:
        if rule.covered_by is not None:
            add(f"coverages.{rule.name}", partial(_coverage, rule, folder, crs), rule.covered_by, rule.name)


# Tables of what was measured on the bank.
def _add_bank_tables(readings, settings, folder):
    for name in BANK_TABLES:
        source = getattr(settings.inputs, name)
        if source is None:
            readings.add(name, lambda: None)
            continue
        readings.add(
            f"{name}.read",
            partial(_bank_table, name, source, folder, settings.run.crs),
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
        readings.add(name, partial(_equations, folder / path), settings=path, files=(folder / path,))
    readings.add("equations", lambda: [one for name in files for one in value(name)] or None, needs=tuple(files))
    table = flows.gauges
    readings.add(
        "gauges",
        lambda: None if table is None else _readers().read_gauges(folder / table.path, table),
        settings=None if table is None else table.model_dump(mode="json"),
        files=() if table is None else (folder / table.path,),
        told=lambda read: Told(files=() if read is None else _readers().daily_files(table, folder)),
    )
    stations = () if inputs.gauge_stations is None else ("layers.gauge_stations",)

    def measured():
        if flows.near_gauges is None and inputs.spot_gaugings is None:
            return None
        return _readers().measured_gauges(
            settings, value("gauges"), value(stations[0]).frame if stations else None
        )

    readings.add("measured_gauges", measured, settings=_all_but_rules(settings), needs=("gauges", *stations))
    if inputs.spot_gaugings is not None:
        _check(
            readings,
            settings,
            "gauged",
            lambda: _readers().refuse_unknown_gauges(value("spot_gaugings"), value("measured_gauges")),
            "spot_gaugings",
            "measured_gauges",
        )
    presets = tuple(folder / rule.preset for rule in flows.reserve if rule.preset is not None)
    readings.add(
        "reserve",
        lambda: _readers().read_reserve(flows.reserve, folder),
        settings=[rule.model_dump(mode="json") for rule in flows.reserve],
        files=presets,
    )
    if settings.off_grid is not None and inputs.settlements is not None:
        _check(
            readings,
            settings,
            "settlements",
            lambda: _readers().demand_of_settlements(value("layers.settlements").frame, settings.off_grid),
            "layers.settlements",
        )
    if getattr(inputs, ABSTRACTIONS) is not None:
        name = f"layers.{ABSTRACTIONS}"
        _check(
            readings,
            settings,
            ABSTRACTIONS,
            lambda: _readers().alterations_of(value(name).frame, ABSTRACTIONS),
            name,
        )
    regions = () if inputs.flow_regions is None else (f"layers.{FLOW_REGIONS}",)

    def fit():
        weights = _readers().trial_weights({FLOW_REGIONS: value(regions[0])} if regions else {})
        equations = [value(name) for name in files]
        _readers().refuse_unfit_flows(
            settings, equations, value("gauges"), readings.wanted("reserve") or [], weights
        )

    _check(readings, settings, "flows", fit, "equations", "gauges", *regions, wants=("reserve",))
    readings.add(
        "year_to_year_sd",
        lambda: _readers().year_to_year_of(value("gauges")),
        needs=("gauges",),
        is_plain=True,
    )


# Machines, rotors and costs, in one money; and where all data files came from.
def _add_machines_and_costs(readings, settings, folder):
    machines, costs, value = settings.energy.machines, settings.costs, readings.value
    paths = [folder / path for path in machines]
    readings.add(
        "machines.read", lambda: _readers().read_machine_files(paths), settings=machines, files=tuple(paths)
    )
    readings.add(
        "costs.read",
        lambda: _readers().read_costs(folder / costs.file),
        settings=costs.file,
        files=(folder / costs.file,),
    )

    def money():
        read = value("machines.read")
        return _readers().in_one_money([*read.machines, *read.rotors], value("costs.read"), costs.price_year)

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
        lambda: _readers().data_file_lineage(settings, folder),
        settings=[named, None if table is None else table.model_dump(mode="json")],
        needs=("machines.read", "costs.read", "equations", "gauges", "reserve"),
        files=tuple(folder / path for path in named),
        told=lambda rows: Told(rows, files=() if table is None else _readers().daily_files(table, folder)),
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
    return _readers().read_layer_here(source, folder, crs, bounds, name, geometry, False)


def _share(source, folder, crs, name, bounds):
    return _readers().read_share(source, folder, crs, name)


def _rule(rule, folder, crs, bounds):
    return _readers().read_rule(rule, folder, crs, bounds)


def _coverage(rule, folder, crs, bounds):
    return _readers().read_coverage(rule, folder, crs, bounds)


def _equations(path):
    return _readers().read_equations(path)


def _bank_table(name, source, folder, crs):
    readers = _readers()
    read = {
        "field_levels": readers.read_field_levels,
        "ratings": readers.read_ratings,
        "spot_gaugings": readers.read_spot_gaugings,
        "sections": readers.read_sections,
    }[name]
    return read(source, folder, crs)


# Loaded when something must be read: a run that finds all as it was needs none of these libraries.
def _readers():
    from sitefinder.stages import readers

    return readers


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


# One problem stands as it is; several are listed under one headline.
def _together(problems):
    if len(problems) == 1:
        return problems[0]
    kind = ConfigError if all(isinstance(problem, ConfigError) for problem in problems) else InputError
    return all_of(kind, "settings and inputs", [str(problem) for problem in problems])
