"""All that a run reads, opened and judged together, so that every problem is reported at once."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable, Mapping
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any, NamedTuple, TypeVar

from sitefinder.errors import ConfigError, InputError, SitefinderError, all_of
from sitefinder.io.opening import places_of
from sitefinder.io.output_folder import writable_folder
from sitefinder.io.software import software
from sitefinder.settings.economics import TYPICAL_YEAR_TO_YEAR_SD
from sitefinder.settings.inputs import FIRST_INVENTORY
from sitefinder.steps.demand import Counts, stated_counts
from sitefinder.steps.readings import ReadingNotes, Readings, Value, files_of_layer, files_of_raster
from sitefinder.steps.scope import counted_layer, counted_raster

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Sequence

    import geopandas
    import pandas as pd

    from sitefinder.catalogue.costs import CommonCurrency, Conversion, CostFile
    from sitefinder.catalogue.equations import Equation
    from sitefinder.catalogue.turbines import HydrokineticRotor, TurbineClass
    from sitefinder.hydrology.change import FlowChange
    from sitefinder.hydrology.regime import Regime
    from sitefinder.hydrology.regression import Fit
    from sitefinder.hydrology.stated_flows import StatedDrops
    from sitefinder.io.raster import RasterFacts
    from sitefinder.io.survey import TableRead
    from sitefinder.io.vector import LayerRead
    from sitefinder.profile.errors import DemError
    from sitefinder.settings import (
        CovariateSource,
        DemSource,
        EnvironmentalFlowRule,
        Inputs,
        LayerSource,
        RuleSettings,
        Settings,
        ShareSource,
        Source,
        StructureSource,
        WaterRightSource,
    )
    from sitefinder.steps import readers
    from sitefinder.steps.scope import Layer

# Tables of field measurements, by the setting that names each.
BANK_TABLES = ("field_levels", "ratings", "spot_gaugings", "sections")
# Those that observations of visits add to.
OBSERVED = ("field_levels", "spot_gaugings")
FLOW_REGIONS = "flow_regions"
# How readings of inventories of structures begin; the layer of structures is all of them.
INVENTORIES = "inventories."
# Kind of geometry that each layer must hold.
LAYERS = {
    "dem_footprints": "polygon",
    "streams": "line",
    "region": "polygon",
    "within": "polygon",
    "districts": "polygon",
    "structures": "point",
    "falls": "point",
    "drops": "point",
    "gauge_stations": "point",
    "plants": "any",
    "lakes": "polygon",
    "water_bodies": "any",
    "karst": "any",
    "tidal": "any",
    "regulated": "any",
    "abstractions": "any",
    "roads": "line",
    "power_lines": "line",
    "substations": "point",
    "settlements": "any",
    "buildings": "polygon",
    "parcels": "polygon",
}
# Layers that are read with what the settings make of their columns.
JUDGED_LAYERS = ("water_bodies", "parcels", "power_lines", "substations")
T = TypeVar("T")


class _Readers:
    # Loaded when something must be read: a run that finds all as it was needs none of these libraries.
    def __getattr__(self, name: str) -> Any:
        from sitefinder.steps import readers

        return getattr(readers, name)


# The type checker reads the module itself.
if not TYPE_CHECKING:
    readers = _Readers()


class RunInputs(NamedTuple):
    """What was read: the DEM's and covariates' facts, layers and rule layers as read, tables and data files.

    ``layers`` holds only those that the settings name; ``shares`` the polygons that count, by name of predictor.
    ``coverages`` holds for each rule the area that its layer covers, or None. ``dem_error`` is what the settings
    state; ``environmental`` holds the rules of the environmental flow, those of presets in their place. Either
    ``equations`` or ``gauges`` is None; ``fits`` are the equations fitted to gauges. ``field_levels``,
    ``ratings``, ``sections`` and ``spot_gaugings`` are None where the settings name none, and ``measured_gauges``,
    those with flows and places, where nothing asks for them. Turbines and costs are in the money that the
    settings ask for; ``conversions`` lists what was in other money (see `sitefinder.catalogue.costs`). ``regime``
    says in which months the flows of a duration curve occur, where no equation does, and ``change`` how a climate
    table changes them; both may be None. ``drops`` are those without a stream, and
    ``decisions`` those about reaches; ``observations`` are those of visits, whose drops and gaugings are among
    ``field_levels`` and ``spot_gaugings`` too, and ``seen_conditions`` what they say of structures, by id. All are
    None where the settings name none.
    """

    dem: RasterFacts
    dem_error: DemError
    covariates: Mapping[str, RasterFacts]
    shares: Mapping[str, Layer]
    layers: Mapping[str, Layer]
    rules: list[LayerRead]
    equations: list[Equation] | None
    gauges: pd.DataFrame | None
    turbines: list[TurbineClass]
    costs: CostFile
    lineage: list[dict[str, object]]
    repairs: pd.DataFrame
    field_levels: geopandas.GeoDataFrame | None = None
    ratings: geopandas.GeoDataFrame | None = None
    spot_gaugings: geopandas.GeoDataFrame | None = None
    measured_gauges: geopandas.GeoDataFrame | None = None
    environmental: Sequence[EnvironmentalFlowRule] = ()
    coverages: Sequence[LayerRead | None] = ()
    conversions: Sequence[Conversion] = ()
    rotors: Sequence[HydrokineticRotor] = ()
    sections: geopandas.GeoDataFrame | None = None
    fits: Sequence[Fit] = ()
    regime: Regime | None = None
    change: FlowChange | None = None
    drops: StatedDrops | None = None
    decisions: pd.DataFrame | None = None
    observations: pd.DataFrame | None = None
    seen_conditions: dict[str, str] | None = None


class Lazily(Mapping[str, T]):
    """Values by name, each made when something first asks for it.

    Parameters
    ----------
    names : sequence
    make : callable
        Gives the value of a name.
    """

    def __init__(self, names: Iterable[str], make: Callable[[str], T]) -> None:
        self._names, self._make = tuple(names), make

    def __getitem__(self, name: str) -> T:
        if name not in self._names:
            raise KeyError(name)
        return self._make(name)

    def __iter__(self) -> Iterator[str]:
        return iter(self._names)

    def __len__(self) -> int:
        return len(self._names)

    def __or__(self, others: Mapping[str, T]) -> dict[str, T]:
        return dict(self) | dict(others)


class LazyInputs:
    """What a run reads, judged already; each thing is read when something first asks for it.

    It has the attributes of `RunInputs`, and `digest_of`. ``lineage`` and ``repairs`` are remembered and need no
    file. ``year_to_year_sd`` is the year-to-year spread of flow that the daily records show, or None.
    ``suspect_gauges`` and ``mean_regressions`` are lists of dicts, see `sitefinder.steps.flows.suspects_of` and
    `sitefinder.hydrology.strength.MeanRegression`.

    Parameters
    ----------
    settings : sitefinder.settings.Settings
    readings : sitefinder.steps.readings.Readings
        As `read_inputs` made them.
    """

    def __init__(self, settings: Settings, readings: Readings) -> None:
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

    def __getattr__(self, name: str) -> Value:
        if name.startswith("_") or name not in self._readings:
            raise AttributeError(name)
        return self._readings.value(name)

    def validate_unchanged(self) -> None:
        """Refuse files that are no longer what they were when they were first read.

        Raises
        ------
        InputError
        """
        self._readings.bound.validate()

    @property
    def counts(self) -> Counts:
        """What a run's demand of memory and disk is worked out from; remembered, so it needs no layer."""
        settings, value = self._settings, self._readings.value
        found = value("streams.counted") if settings.inputs.streams is not None else {}
        pairs = {rule.name: value(f"rules.{rule.name}.counted") for rule in settings.rules}
        return stated_counts(value("grid"), found, pairs)

    @property
    def lineage(self) -> list[dict[str, object]]:
        """Where all came from, as rows of provenance."""
        facts = self._readings.facts
        return [row for name in _in_order_of_delivery(self._settings) for row in facts(name)["lineage"]]

    @property
    def repairs(self) -> pd.DataFrame:
        """What was repaired on reading, as a table."""
        import pandas as pd

        from sitefinder.network.topology import REPAIR_COLUMNS

        facts = self._readings.facts
        rows = [row for name in _in_order_of_delivery(self._settings) for row in facts(name)["repairs"]]
        return pd.DataFrame(rows, columns=REPAIR_COLUMNS, dtype="str")

    def digest_of(self, part: str) -> str:
        """Digest of a part: of a layer (``layers.lakes``), of all rasters or layers of a kind, of a table or file.

        Those of ``lineage`` and ``repairs`` are of all their rows.

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
            digests = [[name, self._readings.facts(name)["digest"]] for name in names]
            return hashlib.sha256(json.dumps(digests).encode()).hexdigest()
        if part in ("lineage", "repairs"):
            facts = [self._readings.facts(name) for name in _in_order_of_delivery(self._settings)]
            rows: list[object] = [each["lineage"] if part == "lineage" else each["repairs"] for each in facts]
            return hashlib.sha256(json.dumps(rows, sort_keys=True).encode()).hexdigest()
        if part.startswith("layers.") and part not in self._readings:
            return "none"
        return self._readings.facts(part)["digest"]

    def _replace(self, **others: Value) -> RunInputs:
        return self.whole()._replace(**others)

    def whole(self) -> RunInputs:
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

    def __init__(self, readings: Readings, name: str) -> None:
        self._readings, self._name = readings, name

    def __getattr__(self, name: str) -> Value:
        if name.startswith("_"):
            raise AttributeError(name)
        return getattr(self.read(), name)

    @property
    def digest(self) -> str:
        """Digest of its features; nothing is read for it where that is remembered."""
        return self._readings.facts(self._name)["digest"]

    def validate_unchanged(self) -> None:
        """See `LazyInputs.validate_unchanged`."""
        self._readings.bound.validate()

    def read(self) -> LayerRead:
        """The layer as `sitefinder.io.vector.read_layer` gives it."""
        layer: LayerRead = self._readings.value(self._name)
        return layer


def _named_layers(inputs: Inputs) -> list[str]:
    return [name for name in (*LAYERS, FLOW_REGIONS) if getattr(inputs, name) is not None]


# Inventories of structures in the order of the settings.
def _as_written(inputs: Inputs) -> list[str]:
    return [FIRST_INVENTORY, *inputs.more_structures]


# Readings in the order in which provenance and the table of repairs list them.
def _in_order_of_delivery(settings: Settings) -> list[str]:
    inputs = settings.inputs
    names = ["dem", "dem.judged", *(["streams.judged"] if inputs.streams is not None else [])]
    names += [*(f"covariates.{name}" for name in inputs.covariates)]
    names += [f"shares.{name}" for name in inputs.shares]
    for name in _named_layers(inputs):
        inventories = [f"{INVENTORIES}{inventory}" for inventory in _as_written(inputs)]
        names += inventories if name == FIRST_INVENTORY else [f"layers.{name}"]
    names += [f"rules.{rule.name}" for rule in settings.rules]
    names += [f"coverages.{rule.name}" for rule in settings.rules if rule.covered_by is not None]
    names += [f"{name}.read" for name in BANK_TABLES if getattr(inputs, name) is not None]
    names += ["drop_flows.read"] if inputs.drop_flows is not None else []
    names += ["observations.read"] if inputs.observations is not None else []
    names += ["decisions.read"] if inputs.decisions is not None else []
    return [*names, "dem_error.read", "data_files"]


def read_inputs(settings: Settings, folder: Path, output: Path | None = None) -> LazyInputs:
    """Judge everything that the settings name; what is remembered as sound is read only when it is asked for.

    Parameters
    ----------
    settings : sitefinder.settings.Settings
    folder : Path
        Folder of the settings file, from which relative paths start.
    output : Path, optional
        Folder into which files will be written; absent: none will be.

    Returns
    -------
    LazyInputs

    Raises
    ------
    ConfigError, InputError
        One error that lists every problem.
    """
    problems: list[SitefinderError] = []
    if output is not None:
        try:
            writable_folder(output)
        except SitefinderError as error:
            problems.append(error)
    allowed = settings.inputs
    places = places_of(folder, allowed.allow_outside, allow_network=allowed.allow_network)
    readings = Readings(software(), [__name__], places)
    readings.add("run.crs", lambda: readers.check_run_crs(settings.run.crs), settings=settings.run.crs)
    if problems := readings.judge() + problems:
        raise _together(problems)
    _add_rasters(readings, settings, folder)
    _add_layers(readings, settings, folder)
    _add_observations(readings, settings, folder)
    _add_bank_tables(readings, settings, folder)
    _add_drops(readings, settings, folder)
    _add_decisions(readings, settings, folder)
    _add_flows(readings, settings, folder)
    _add_turbines_and_costs(readings, settings, folder)
    if problems := readings.judge():
        raise _together(problems)
    return LazyInputs(settings, readings)


# The DEM and the covariates, and where the DEM lies in the run's system.
def _add_rasters(readings: Readings, settings: Settings, folder: Path) -> None:
    crs, value = settings.run.crs, readings.value

    def add(name: str, source: DemSource | CovariateSource, what: str) -> None:
        readings.add(
            name,
            lambda: readers.read_raster(source, folder, crs, what),
            settings=[source.model_dump(mode="json"), crs],
            files=files_of_raster(source.path, folder),
            counted=counted_raster,
            notes=lambda facts: ReadingNotes([facts.lineage], files=readers.parts_of_raster(source, folder)),
        )

    dem = settings.inputs.dem
    add("dem.alone", dem, "dem")
    preset = dem.error_preset
    readings.add(
        "dem_error.read",
        lambda: readers.read_dem_error(dem, folder),
        settings=dem.model_dump(mode="json"),
        files=() if preset is None else (folder / preset,),
        notes=lambda read: ReadingNotes([read[1]] if read[1] is not None else []),
    )
    _derive(readings, "dem_error", "dem_error.read", lambda read: read[0])
    for name, source in settings.inputs.covariates.items():
        add(f"covariates.{name}", source, name)
    readings.add(
        "dem.judged",
        lambda: readers.judge_dem(
            value("dem.alone"), dem.metres_per_unit, nodata_is_stated=dem.nodata is not None
        ),
        settings=[dem.vertical_unit, dem.nodata],
        needs=("dem.alone",),
        files=files_of_raster(dem.path, folder),
        notes=lambda found: ReadingNotes(repairs=readers.ground_repairs("dem", found)),
        is_plain=True,
    )
    readings.add(
        "bounds",
        lambda: [float(edge) for edge in readers.bounds_in_run(value("dem.alone"), crs)],
        settings=crs,
        needs=("dem.alone",),
        is_plain=True,
    )
    readings.add(
        "grid",
        lambda: list(readers.grid_size(value("dem.alone"), crs, settings.terrain.cell_size_m)),
        settings=[crs, settings.terrain.cell_size_m],
        needs=("dem.alone",),
        is_plain=True,
    )
    readings.add(
        "scale",
        lambda: readers.scale_note(crs, value("bounds")),
        settings=crs,
        needs=("bounds",),
        is_plain=True,
    )

    for name, source in settings.inputs.covariates.items():
        readings.add(
            f"covariates.{name}.judged",
            partial(_judge_covariate, readings, name, crs, source.scale),
            settings=[crs, source.scale],
            needs=(f"covariates.{name}", "bounds"),
            files=files_of_raster(source.path, folder),
        )

    def whole() -> RasterFacts:
        alone: RasterFacts = value("dem.alone")
        scale = value("scale")
        return alone._replace(lineage=alone.lineage | {"operation": f"{alone.lineage['operation']}; {scale}"})

    readings.add(
        "dem",
        whole,
        needs=("dem.alone", "scale"),
        counted=counted_raster,
        notes=lambda dem: ReadingNotes([dem.lineage]),
    )


def _judge_covariate(readings: Readings, name: str, crs: str, scale: float) -> None:
    readers.judge_covariate(readings.value(f"covariates.{name}"), crs, scale, readings.value("bounds"))


# Layers, shares, rules and the areas that rules cover, and what the settings ask of their columns.
def _add_layers(readings: Readings, settings: Settings, folder: Path) -> None:
    crs, inputs, value = settings.run.crs, settings.inputs, readings.value

    def add(
        name: str,
        read: Callable[[Sequence[float] | None], LayerRead | readers.RuleLayer | None],
        source: LayerSource,
        *others: str | float | None,
    ) -> None:
        readings.add(
            name,
            lambda: read(readings.wanted("bounds")),
            settings=[source.model_dump(mode="json"), crs, *others],
            wants=("bounds",),
            files=files_of_layer(folder / source.path),
            counted=counted_layer,
            notes=lambda layer: ReadingNotes([layer.lineage], layer.repairs.to_numpy().tolist()),
        )

    for name, geometry in LAYERS.items():
        source = getattr(inputs, name)
        if name == FIRST_INVENTORY:
            for inventory, own in inputs.inventories.items():
                read = partial(_inventory, own, folder, crs, inventory, inventory == FIRST_INVENTORY)
                add(f"{INVENTORIES}{inventory}", read, own, inventory)
        elif source is not None and name in JUDGED_LAYERS:
            add(f"layers.{name}", partial(_judged_layer, source, folder, crs, name, geometry), source)
        elif source is not None and name == "abstractions":
            add(f"layers.{name}", partial(_water_rights, source, folder, crs), source)
        elif source is not None:
            # Lines are cut beyond the margin, while a road or a line may be far away and count.
            margin_m = settings.network.dem_margin_m if name == "streams" else None
            add(f"layers.{name}", partial(_layer, source, folder, crs, name, geometry, margin_m), source, margin_m)
    regions, streams, footprints = inputs.flow_regions, inputs.streams, inputs.dem_footprints
    if regions is not None:
        add(
            f"layers.{FLOW_REGIONS}",
            lambda bounds: readers.read_flow_regions(regions, folder, crs, bounds),
            regions,
        )
    if streams is not None:
        _check(
            readings,
            settings,
            "streams",
            lambda: readers.stream_lines(streams, settings.network, value("layers.streams").frame),
            "layers.streams",
        )
        dem = inputs.dem
        readings.add(
            "streams.counted",
            lambda: readers.count_streams(
                value("layers.streams").frame, value("bounds"), settings.network.dem_margin_m
            ),
            settings=settings.network.dem_margin_m,
            needs=("bounds", "layers.streams"),
            is_plain=True,
        )
        readings.add(
            "streams.judged",
            lambda: readers.judge_streams(
                value("dem.alone"), crs, dem.metres_per_unit, value("layers.streams").frame.geometry
            ),
            settings=[crs, dem.vertical_unit],
            needs=("dem.alone", "dem.judged", "layers.streams"),
            files=_both(files_of_raster(dem.path, folder), files_of_layer(folder / streams.path)),
            notes=lambda found: ReadingNotes(repairs=readers.ground_repairs("streams", found)),
            is_plain=True,
        )
    if inputs.structures is not None:
        names = tuple(f"{INVENTORIES}{inventory}" for inventory in inputs.inventories)
        readings.add(
            "layers.structures",
            lambda: readers.JoinedLayer(readers.joined_inventories([value(name).frame for name in names])),
            needs=names,
            counted=counted_layer,
        )
        _check(
            readings,
            settings,
            "structures",
            lambda: readers.validate_structures(value("layers.structures").frame),
            "layers.structures",
        )
    if footprints is not None:
        _check(
            readings,
            settings,
            "footprints",
            lambda: readers.footprint_table(footprints, value("layers.dem_footprints").frame),
            "layers.dem_footprints",
        )
    for name, source in inputs.shares.items():
        add(f"shares.{name}", partial(_share, source, folder, crs, name), source, name)
    margin_m = settings.network.dem_margin_m
    for rule in settings.rules:
        add(f"rules.{rule.name}", partial(_rule, rule, folder, crs, margin_m), rule, margin_m)
        readings.add(
            f"rules.{rule.name}.counted",
            partial(_count_buffer, readings, rule),
            settings=rule.buffer_m,
            needs=(f"rules.{rule.name}",),
            is_plain=True,
        )
    for rule in settings.rules:
        if rule.covered_by is not None:
            add(f"coverages.{rule.name}", partial(_coverage, rule, folder, crs), rule.covered_by, rule.name)


def _count_buffer(readings: Readings, rule: RuleSettings) -> float:
    if rule.buffer_m <= 0:
        return 0.0
    return readers.count_buffer_pairs(readings.value(f"rules.{rule.name}").frame, rule.buffer_m)


# Files of two readings; None where those of one cannot be named.
def _both(one: tuple[Path, ...] | None, other: tuple[Path, ...] | None) -> tuple[Path, ...] | None:
    return None if one is None or other is None else (*one, *other)


def _layer(
    source: LayerSource,
    folder: Path,
    crs: str,
    name: str,
    geometry: str,
    margin_m: float | None,
    bounds: Sequence[float] | None,
) -> LayerRead:
    return readers.read_layer_here(source, folder, crs, bounds, name, geometry, False, margin_m)


def _judged_layer(
    source: LayerSource, folder: Path, crs: str, name: str, geometry: str, bounds: Sequence[float] | None
) -> LayerRead:
    return readers.read_judged_layer(source, folder, crs, bounds, name, geometry)


def _water_rights(source: WaterRightSource, folder: Path, crs: str, bounds: Sequence[float] | None) -> LayerRead:
    return readers.read_water_rights(source, folder, crs, bounds)


def _inventory(
    source: StructureSource, folder: Path, crs: str, name: str, is_first: bool, bounds: Sequence[float] | None
) -> LayerRead:
    return readers.read_inventory(source, folder, crs, bounds, name, is_first)


def _share(source: ShareSource, folder: Path, crs: str, name: str, bounds: Sequence[float] | None) -> LayerRead:
    return readers.read_share(source, folder, crs, name)


def _rule(
    rule: RuleSettings, folder: Path, crs: str, margin_m: float, bounds: Sequence[float] | None
) -> readers.RuleLayer:
    return readers.read_rule(rule, folder, crs, bounds, margin_m)


def _coverage(rule: RuleSettings, folder: Path, crs: str, bounds: Sequence[float] | None) -> LayerRead | None:
    return readers.read_coverage(rule, folder, crs, bounds)


# Tables of field measurements.
def _add_bank_tables(readings: Readings, settings: Settings, folder: Path) -> None:
    for name in BANK_TABLES:
        source = getattr(settings.inputs, name)
        if source is None:
            _add_measured(readings, settings, name)
            continue
        readings.add(
            f"{name}.read",
            partial(_bank_table, name, source, folder, settings.run.crs),
            settings=[source.model_dump(mode="json"), settings.run.crs],
            files=(folder / source.path,),
            counted=lambda table: table.frame,
            notes=lambda table: ReadingNotes([table.lineage]),
        )
        _add_measured(readings, settings, name, f"{name}.read")


# A table of measurements with those of observations behind it; None where there is neither.
def _add_measured(readings: Readings, settings: Settings, name: str, table: str = "") -> None:
    needs = (table,) if table else ()
    if settings.inputs.observations is None or name not in OBSERVED:
        if table:
            _derive(readings, name, table, lambda read: read.frame)
        else:
            readings.add(name, lambda: None)
        return

    def joined() -> Value:
        import pandas as pd

        seen = readings.value("observations")
        own = readers.levels_of(seen) if name == "field_levels" else readers.gaugings_of(seen, settings.run.crs)
        parts = [readings.value(table).frame] if table else []
        parts += [own] if len(own) else []
        return pd.concat(parts, ignore_index=True) if parts else None

    readings.add(name, joined, needs=(*needs, "observations"))


# Observations of visits, and the condition of structures that they saw; None where the settings name none.
def _add_observations(readings: Readings, settings: Settings, folder: Path) -> None:
    source, crs = settings.inputs.observations, settings.run.crs
    if source is None:
        for name in ("observations", "seen_conditions"):
            readings.add(name, lambda: None)
        return
    readings.add(
        "observations.read",
        lambda: readers.read_observations(source, folder, crs),
        settings=[source.model_dump(mode="json"), crs],
        files=(folder / source.path,),
        counted=lambda read: read.frame,
        notes=lambda read: ReadingNotes([read.lineage]),
    )
    _derive(readings, "observations", "observations.read", lambda read: read.frame)
    readings.add(
        "seen_conditions",
        lambda: readers.conditions_of(readings.value("observations")),
        needs=("observations",),
        is_plain=True,
    )


# Drops without a stream, with the flows that are stated for them; None where the settings name none.
def _add_drops(readings: Readings, settings: Settings, folder: Path) -> None:
    drops, flows, value = settings.inputs.drops, settings.inputs.drop_flows, readings.value
    if flows is not None:
        source = flows
        readings.add(
            "drop_flows.read",
            lambda: readers.read_drop_flows(source, folder),
            settings=source.model_dump(mode="json"),
            files=(folder / source.path,),
            counted=lambda table: table.frame,
            notes=lambda table: ReadingNotes([table.lineage]),
        )
    needs = ("layers.drops", *(["drop_flows.read"] if flows is not None else []))

    def read() -> Value:
        records = None if flows is None else value("drop_flows.read").frame
        usual = None if drops is None else drops.flow_error_percent
        return readers.stated_drops(value("layers.drops").frame, records, flow_error_percent=usual)

    if drops is None:
        readings.add("drops", lambda: None)
    else:
        readings.add("drops", read, settings=drops.flow_error_percent, needs=needs, counted=tuple)


# Decisions about reaches, from a table or a layer; None where the settings name none.
def _add_decisions(readings: Readings, settings: Settings, folder: Path) -> None:
    source = settings.inputs.decisions
    if source is None:
        readings.add("decisions", lambda: None)
        return
    path, crs = folder / source.path, settings.run.crs
    readings.add(
        "decisions.read",
        lambda: readers.read_decisions(source, folder, crs),
        settings=[source.model_dump(mode="json"), crs],
        files=(path,) if path.suffix.lower() == ".csv" else files_of_layer(path),
        counted=lambda read: read.frame,
        notes=lambda read: ReadingNotes([read.lineage]),
    )
    _derive(readings, "decisions", "decisions.read", lambda read: read.frame)


def _bank_table(name: str, source: Source, folder: Path, crs: str) -> TableRead:
    read: Callable[[Source, Path, str], TableRead] = {
        "field_levels": readers.read_field_levels,
        "ratings": readers.read_ratings,
        "spot_gaugings": readers.read_spot_gaugings,
        "sections": readers.read_sections,
    }[name]
    return read(source, folder, crs)


# Equations, gauges and the rules of the environmental flow, and whether they suit each other.
def _add_flows(readings: Readings, settings: Settings, folder: Path) -> None:
    flows, inputs, value = settings.flows, settings.inputs, readings.value
    files = [f"equations.{number}" for number in range(1, len(flows.equations) + 1)]
    for name, path in zip(files, flows.equations, strict=True):
        readings.add(name, partial(_equations, folder / path), settings=path, files=(folder / path,))
    readings.add("equations", lambda: [one for name in files for one in value(name)] or None, needs=tuple(files))
    table = flows.gauges
    readings.add(
        "gauges",
        lambda: None if table is None else readers.read_gauges(folder / table.path, table),
        settings=None if table is None else table.model_dump(mode="json"),
        files=() if table is None else (folder / table.path,),
        notes=lambda read: ReadingNotes(files=() if read is None else readers.daily_files(table, folder)),
    )
    stations = () if inputs.gauge_stations is None else ("layers.gauge_stations",)

    def measured() -> pd.DataFrame | None:
        if flows.near_gauges is None and value("spot_gaugings") is None:
            return None
        gauges: pd.DataFrame = readers.measured_gauges(
            settings, value("gauges"), value(stations[0]).frame if stations else None
        )
        return gauges

    needs = ("gauges", "spot_gaugings", *stations)
    readings.add("measured_gauges", measured, settings=_all_but_rules(settings), needs=needs)

    def check_gauged() -> None:
        if value("spot_gaugings") is not None:
            readers.validate_unknown_gauges(value("spot_gaugings"), value("measured_gauges"))

    if inputs.spot_gaugings is not None or inputs.observations is not None:
        _check(
            readings,
            settings,
            "gauged",
            check_gauged,
            "spot_gaugings",
            "measured_gauges",
        )
    presets = tuple(folder / rule.preset for rule in flows.environmental if rule.preset is not None)
    readings.add(
        "environmental",
        lambda: readers.read_environmental_flow(flows.environmental, folder),
        settings=[rule.model_dump(mode="json") for rule in flows.environmental],
        files=presets,
    )
    if settings.off_grid is not None and inputs.settlements is not None:
        _check(
            readings,
            settings,
            "settlements",
            lambda: readers.demand_of_settlements(value("layers.settlements").frame, settings.off_grid),
            "layers.settlements",
        )
    if inputs.abstractions is not None:
        _check(
            readings,
            settings,
            "abstractions",
            lambda: readers.alterations_of(value("layers.abstractions").frame, "abstractions"),
            "layers.abstractions",
        )
    regions = () if inputs.flow_regions is None else (f"layers.{FLOW_REGIONS}",)

    readings.add(
        "fits",
        lambda: readers.fitted_equations(value("gauges"), table),
        settings=None if table is None else table.model_dump(mode="json"),
        needs=("gauges",),
    )

    regime, change = flows.regime, flows.change
    preset = None if regime is None else regime.preset
    readings.add(
        "regime",
        lambda: readers.region_regime(
            flows, folder, value("equations") or [fit.equation for fit in value("fits")]
        ),
        settings=[
            None if regime is None else regime.model_dump(mode="json"),
            None if table is None else table.model_dump(mode="json"),
        ],
        needs=("equations", "gauges", "fits"),
        files=() if preset is None else (folder / preset,),
    )
    readings.add(
        "change",
        lambda: readers.read_change(change, folder),
        settings=None if change is None else change.model_dump(mode="json"),
        files=() if change is None else (folder / change.path,),
    )

    def fit() -> None:
        weights = readers.trial_weights({FLOW_REGIONS: value(regions[0])} if regions else {})
        equations = value("equations") or [fit.equation for fit in value("fits")]
        rules = readings.wanted("environmental") or []
        readers.validate_unfit_flows(
            settings, equations, rules, weights, value("regime"), readings.wanted("change")
        )

    wants = ("environmental", "change")
    _check(readings, settings, "flows", fit, "equations", "fits", "regime", *regions, wants=wants)
    readings.add(
        "suspect_gauges", lambda: readers.suspects_of(value("gauges"), table), needs=("gauges",), is_plain=True
    )

    def regressions() -> list[dict[str, object]]:
        equations = value("equations") or [fit.equation for fit in value("fits")]
        codes = sorted(set(value(regions[0]).frame["feature_name"])) if regions else []
        return [one._asdict() for one in readers.mean_regressions(equations, flows.weak_regression, codes)]

    readings.add(
        "mean_regressions",
        regressions,
        settings=flows.weak_regression.model_dump(mode="json"),
        needs=("equations", "fits", *regions),
        is_plain=True,
    )
    readings.add(
        "year_to_year_sd",
        lambda: readers.year_to_year_of(value("gauges")),
        needs=("gauges",),
        is_plain=True,
    )


def _equations(path: Path) -> list[Equation]:
    equations: list[Equation] = readers.read_equations(path)
    return equations


# Turbines, rotors and costs, in one money; and where all data files came from.
def _add_turbines_and_costs(readings: Readings, settings: Settings, folder: Path) -> None:
    turbines, costs, value = settings.energy.turbines, settings.costs, readings.value
    paths = [folder / path for path in turbines]
    readings.add("turbines.read", lambda: readers.read_turbine_files(paths), settings=turbines, files=tuple(paths))
    readings.add(
        "costs.read",
        lambda: readers.read_costs(folder / costs.file),
        settings=costs.file,
        files=(folder / costs.file,),
        notes=lambda read: ReadingNotes(files=readers.files_of_costs(folder / costs.file)[1:]),
    )

    def money() -> CommonCurrency:
        read = value("turbines.read")
        both: CommonCurrency = readers.to_common_currency(
            [*read.turbines, *read.rotors], value("costs.read"), costs.price_year
        )
        return both

    readings.add("money", money, settings=costs.price_year, needs=("turbines.read", "costs.read"), counted=tuple)

    screens = [folder / path for path in settings.fish.screens]
    readings.add(
        "screen",
        lambda: readers.read_screen(screens, settings.fish.screen),
        settings=[settings.fish.screens, settings.fish.screen],
        files=tuple(screens),
    )

    def count() -> int:
        return len(value("turbines.read").turbines)

    both = ("money", "turbines.read")
    readings.add("turbines", lambda: value("money").turbines[: count()], needs=both)
    readings.add("rotors", lambda: value("money").turbines[count() :], needs=both)
    readings.add(
        "costs", lambda: readers.with_screen(value("money").costs, value("screen")), needs=("money", "screen")
    )
    _derive(
        readings, "conversions", "money", lambda read: read.conversions, counted=lambda found: [*map(tuple, found)]
    )
    table = settings.flows.gauges
    presets = [rule.preset for rule in settings.flows.environmental if rule.preset is not None]
    named = [
        *turbines,
        *settings.fish.screens,
        costs.file,
        *settings.flows.equations,
        *presets,
        *([table.path] if table else []),
    ]
    regime, change = settings.flows.regime, settings.flows.change
    named += [] if regime is None or regime.preset is None else [regime.preset]
    named += [] if change is None else [change.path]
    readings.add(
        "data_files",
        lambda: readers.data_file_lineage(settings, folder),
        settings=[
            named,
            None if table is None else table.model_dump(mode="json"),
            None if change is None else change.model_dump(mode="json"),
        ],
        needs=(
            "turbines.read",
            "screen",
            "costs.read",
            "equations",
            "gauges",
            "environmental",
            "regime",
            "change",
        ),
        files=tuple(folder / path for path in named),
        notes=lambda rows: ReadingNotes(rows, files=() if table is None else readers.daily_files(table, folder)),
    )


# A thing that is part of another one that was read.
def _derive(
    readings: Readings,
    name: str,
    of: str,
    derive: Callable[[Value], Value],
    counted: Callable[[Value], object] = lambda value: value,
) -> None:
    readings.add(name, lambda: derive(readings.value(of)), needs=(of,), counted=counted)


# A check that leaves nothing behind. It may look at any setting but those of rules and of the delivery.
def _check(
    readings: Readings,
    settings: Settings,
    name: str,
    check: Callable[[], object],
    *needs: str,
    wants: tuple[str, ...] = (),
) -> None:
    def judge() -> None:
        check()

    readings.add(f"check {name}", judge, settings=_all_but_rules(settings), needs=needs, wants=wants)


def _all_but_rules(settings: Settings) -> dict[str, Any]:
    return settings.model_dump(mode="json", exclude={"rules": True, "delivery": True, "run": {"workers", "name"}})


# One problem is raised as it is; several are listed under one headline.
def _together(problems: list[SitefinderError]) -> SitefinderError:
    if len(problems) == 1:
        return problems[0]
    kind = ConfigError if all(isinstance(problem, ConfigError) for problem in problems) else InputError
    return all_of(kind, "settings and inputs", [str(problem) for problem in problems], named=False)


def with_year_to_year(settings: Settings, inputs: LazyInputs | RunInputs) -> Settings:
    """Settings whose year-to-year spread of flow is that of the daily records, or typical, where they state none.

    Parameters
    ----------
    settings : sitefinder.settings.Settings
    inputs : LazyInputs or RunInputs

    Returns
    -------
    sitefinder.settings.Settings
    """
    if settings.uncertainty.year_to_year_sd is not None:
        return settings
    found = None
    if settings.flows.gauges is not None:
        if isinstance(inputs, RunInputs):
            found = readers.year_to_year_of(inputs.gauges)
        else:
            found = inputs.year_to_year_sd
    if found is None:
        found = TYPICAL_YEAR_TO_YEAR_SD
    uncertainty = settings.uncertainty.model_copy(update={"year_to_year_sd": found})
    return settings.model_copy(update={"uncertainty": uncertainty})
