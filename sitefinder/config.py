"""The settings of a run: one frozen model a section, and the check that names every problem at once."""

import difflib
from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field, ValidationError, field_validator, model_validator

from sitefinder.errors import ConfigError, all_of
from sitefinder.units import METRES_PER_VERTICAL_UNIT

Share = Annotated[float, Field(ge=0, le=1)]
Action = Literal["exclude", "conditional", "fish_safe_only", "no_diversion", "no_new_barrier", "note"]
Layout = Literal["at_barrier", "diversion", "new_weir"]


class Section(BaseModel):
    """A part of the settings file: frozen, and closed to keys that it does not know."""

    model_config = ConfigDict(extra="forbid", frozen=True)


class Source(Section):
    """A file of the user's; paths are relative to the settings file."""

    path: str = Field(description="file that GDAL reads, relative to the settings file")
    crs: str | None = Field(None, description="coordinate system, only where the file states none")
    operation: str | None = Field(
        None,
        description="part of the name of the coordinate operation to use; absent: the most accurate one there",
    )
    source: str = Field("not stated", description="who made it, for the provenance table")
    date: str = Field("not stated", description="edition or survey date")
    licence: str = Field("not stated", description="licence of the data")


class DemSource(Source):
    """The digital elevation model."""

    vertical_unit: Literal["metre", "foot", "us_survey_foot"] = Field(description="unit of the elevations")
    vertical_datum: str = Field(
        min_length=1, description="name of the vertical datum that the elevations stand on, such as EGM96"
    )
    nodata: float | None = Field(None, description="value that means no data, where the file states none")
    error_rmse_m: float = Field(gt=0, description="root mean square error of the elevations [m]")
    error_correlation_length_m: float = Field(
        100.0, ge=0, description="distance over which elevation errors are alike [m]"
    )

    @property
    def metres_per_unit(self):
        """Metres in one unit of elevation."""
        return METRES_PER_VERTICAL_UNIT[self.vertical_unit]


class CovariateSource(Source):
    """A raster whose mean over each catchment is a predictor of flow; its name in the file carries the unit."""

    scale: float = Field(1.0, description="factor from the raster's numbers to the unit in the name")


class LayerSource(Source):
    """A vector layer."""

    layer: str | None = Field(None, description="layer name, where the file holds several")
    id_column: str | None = Field(None, description="column with the user's own id")
    name_column: str | None = Field(None, description="column with names to show")


class ShareSource(LayerSource):
    """Polygons whose share of each catchment is a predictor of flow, ``NAME_percent``."""

    column: str | None = Field(None, description="column to filter by")
    values: list[str | int | float | bool] | None = Field(None, description="values that count")

    @model_validator(mode="after")
    def _filter_whole(self):
        if (self.column is None) != (self.values is None):
            raise ValueError("column and values belong together")
        return self


class Inputs(Section):
    """What a run reads."""

    dem: DemSource = Field(description="elevations")
    streams: LayerSource | None = Field(None, description="mapped streams; absent: derived from the DEM")
    region: LayerSource | None = Field(None, description="polygon of the inventory; absent: all of the DEM")
    districts: LayerSource | None = Field(None, description="polygons to add up totals in")
    structures: LayerSource | None = Field(None, description="existing weirs and drops")
    lakes: LayerSource | None = Field(None, description="standing water")
    roads: LayerSource | None = Field(None, description="roads, for the cost of access")
    power_lines: LayerSource | None = Field(
        None, description="lines that a plant may feed into, for the cost of the connection"
    )
    settlements: LayerSource | None = Field(
        None, description="places where people live; read and checked only, for now"
    )
    karst: LayerSource | None = Field(
        None, description="ground, or stretches of stream, where water is lost to or comes from caves"
    )
    tidal: LayerSource | None = Field(None, description="tidal water; no site is offered there or below")
    regulated: LayerSource | None = Field(
        None, description="dams that store water, as points, or the stretches or reservoirs that they rule"
    )
    covariates: dict[str, CovariateSource] = Field(
        default_factory=dict,
        description="rasters by the name that flow equations use, for example precipitation_mm",
    )
    shares: dict[str, ShareSource] = Field(
        default_factory=dict,
        description="polygons by name: of forest, for example, equations may use forest_percent",
    )

    @model_validator(mode="after")
    def _predictors_have_their_own_names(self):
        names = ["area_km2", *self.covariates, *(f"{name}_percent" for name in self.shares)]
        if repeated := sorted({name for name in names if names.count(name) > 1}):
            raise ValueError(f"two predictors are called {', '.join(repeated)}")
        return self


class RunSettings(Section):
    """The run as a whole."""

    name: str = Field(description="title of the inventory")
    crs: str = Field(description="projected coordinate system in metres, for example EPSG:32633")
    output_folder: str = Field(description="where the results go, relative to the settings file")
    seed: int = Field(1, ge=0, description="seed of every random draw")
    workers: int = Field(1, ge=1, description="processes for terrain tiles; changes no result")


class NetworkSettings(Section):
    """How lines become links, stations and reaches."""

    snap_m: float = Field(5.0, ge=0, description="farthest gap between line ends that is closed [m]")
    station_spacing_m: float = Field(50.0, gt=0, description="greatest distance between stations [m]")
    reach_length_m: float = Field(500.0, gt=0, description="target length of a reach [m]")
    derive_threshold_km2: float = Field(
        1.0, gt=0, description="catchment at which a stream starts, where none are mapped [km²]"
    )


class TerrainSettings(Section):
    """How the DEM is cut and routed."""

    cell_size_m: float | None = Field(None, gt=0, description="cell of the warped copy [m]; absent: the DEM's")
    tile_rows: int = Field(2048, ge=8, description="rows of a terrain tile; changes no result")
    tile_columns: int = Field(2048, ge=8, description="columns of a terrain tile; changes no result")
    margin_cells: int = Field(64, ge=1, description="first margin around a tile; changes no result")
    edge_is_divide: bool = Field(
        False,
        description="true where the DEM was cut along the divide, so that no water enters over its edge",
    )
    sink_depth_m: float | None = Field(
        None, gt=0, description="a hollow at least so deep keeps its water [m]; absent: every hollow overflows"
    )
    fill_nodata_cells: int = Field(
        0, ge=0, description="holes in the DEM at most so many cells across are interpolated; 0: none"
    )
    engine: Literal["flood", "whitebox"] = Field(
        "flood", description="how water is led to the streams: flooded from them, or burnt, breached and D8"
    )


class HeadSettings(Section):
    """How elevations become heads."""

    transect_half_width_m: float | None = Field(
        None, gt=0, description="reach of a transect to each side [m]; absent: 2.5 cells of the DEM"
    )
    quantile: float = Field(0.5, gt=0, lt=1, description="quantile that the long profile follows")
    draws: int = Field(64, ge=16, description="simulations of the profile's error")
    tidal_below_m: float | None = Field(
        None, description="water below this level on the DEM's datum is tidal [m]; absent: only a layer says"
    )
    resolved_standard_errors: float = Field(
        1.645, ge=0, description="a head of fewer standard errors is head_unresolved"
    )


class FlagSettings(Section):
    """How far what is doubtful upstream is told of downstream; shares are common practice, no source."""

    regulated_percent: float = Field(
        10.0, gt=0, le=100, description="regulated while at least this share of the catchment lies above dams [%]"
    )
    karst_percent: float = Field(
        10.0, gt=0, le=100, description="karst while at least this share lies above losing reaches [%]"
    )
    covered_percent: float = Field(
        95.0, ge=0, le=100, description="covariate_partial where a raster covers less of the catchment [%]"
    )


class ReserveRule(Section):
    """One rule for the flow that stays in the stream; of several, the greatest holds."""

    kind: Literal["share_of_mean", "exceedance_flow", "share_of_flow"] = Field(
        description="share of the mean flow, the flow exceeded so often, or share of the flow of the moment"
    )
    share: Share | None = Field(None, description="share of the mean flow, or of the flow of the moment")
    exceedance_percent: float | None = Field(None, gt=0, lt=100, description="the flow exceeded so often [%]")
    source: str = Field("the user's choice; local law decides", description="where the rule comes from")

    @model_validator(mode="after")
    def _has_its_number(self):
        needed = "exceedance_percent" if self.kind == "exceedance_flow" else "share"
        if getattr(self, needed) is None:
            raise ValueError(f"a rule of kind {self.kind} needs {needed}")
        return self


class GaugeTable(Section):
    """A table of gauges to fit regional equations from."""

    path: str = Field(description="CSV with a row a gauge, relative to the settings file")
    id_column: str = Field("gauge_id", description="column with the gauge's id")
    predictors: list[str] = Field(min_length=1, description="columns to regress on, log-log")
    record_years_column: str | None = Field(None, description="years of record, as weights")
    source: str = Field(description="where the table comes from")


class FlowSettings(Section):
    """Where flows come from."""

    equations: list[str] = Field(default_factory=list, description="equation files, relative to the settings file")
    gauges: GaugeTable | None = Field(None, description="gauges to fit equations from, instead of equation files")
    reserve: list[ReserveRule] = Field(min_length=1, description="rules of the reserved flow")

    @model_validator(mode="after")
    def _has_one_way(self):
        if bool(self.equations) == bool(self.gauges):
            raise ValueError("name either flows.equations or flows.gauges, one of the two")
        return self


class StretchSettings(Section):
    """Which stretches are valued."""

    least_head_m: float = Field(0.5, gt=0, description="least gross head [m]")
    most_head_m: float = Field(10.0, gt=0, description="greatest gross head [m]")
    longest_m: float = Field(1500.0, gt=0, description="longest stretch, along the stream [m]")
    least_flow_mean_m3s: float = Field(0.05, ge=0, description="least mean flow at the intake [m³/s]")
    layouts: list[Layout] = Field(
        ["at_barrier", "diversion", "new_weir"], min_length=1, description="ways to get a head that are tried"
    )
    new_weir_heights_m: list[float] = Field([1.0, 2.0, 3.0], description="heights of new weirs to try [m]")
    structure_snap_m: float = Field(60.0, ge=0, description="farthest a structure lies from its stream [m]")

    @model_validator(mode="after")
    def _heads_in_order(self):
        if self.least_head_m >= self.most_head_m:
            raise ValueError("least_head_m must be below most_head_m")
        return self


class EnergySettings(Section):
    """From head and flow to energy."""

    machines: list[str] = Field(min_length=1, description="machine files, relative to the settings file")
    availability: Share = Field(0.95, description="share of the time that the plant is ready")
    canal_slope: float = Field(0.001, ge=0, description="fall of a canal [m/m] (common practice 0.3–1 m per km)")
    rack_and_gate_loss_m: float = Field(
        0.15, ge=0, description="loss at rack and gates [m] (common practice 0.1–0.3 m)"
    )
    exit_loss_m: float = Field(0.05, ge=0, description="loss at the outlet [m] (common practice)")
    least_power_kw: float = Field(1.0, ge=0, description="smaller plants are not offered [kW]")
    design_exceedance_percent: list[float] = Field(
        [10, 15, 20, 25, 30, 40, 50, 60, 70], min_length=1, description="design flows to try [% exceeded]"
    )


class CostSettings(Section):
    """From power and place to money; real rates, no inflation."""

    file: str = Field(description="cost file, relative to the settings file")
    discount_rate: float = Field(0.05, ge=0, description="real rate a year")
    lifetime_years: float = Field(40.0, gt=0, description="years over which capital is paid back")
    price_per_kwh: float = Field(gt=0, description="what a kWh earns, in the cost file's currency and year")
    most_cost_per_kwh: float | None = Field(None, gt=0, description="dearer stretches are not offered")


class FishSettings(Section):
    """When a machine counts as safe for fish."""

    least_survival: Share = Field(0.95, description="share of fish that must survive the way down")
    evidence: list[Literal["tested", "claimed", "none"]] = Field(
        ["tested"], min_length=1, description="grades of evidence that count"
    )


class RuleSettings(LayerSource):
    """One exclusion or sensitivity layer with what it means."""

    name: str = Field(description="name of the rule, as reasons tell it")
    action: Action = Field(description="what the rule does where it holds")
    column: str | None = Field(None, description="column to filter by")
    values: list[str | int | float | bool] | None = Field(None, description="values that count")
    buffer_m: float = Field(0.0, ge=0, description="distance around each feature that counts as under it [m]")
    least_overlap_m: float = Field(0.0, ge=0, description="overlap of a reach or stretch that counts [m]")
    may_be_empty: bool = Field(False, description="true where an empty or distant layer is right")

    @model_validator(mode="after")
    def _filter_whole(self):
        if (self.column is None) != (self.values is None):
            raise ValueError("column and values belong together")
        return self


class UncertaintySettings(Section):
    """What the intervals of energy and cost are drawn from."""

    draws: int = Field(500, ge=50, description="draws of the simulation")
    shared_flow_share: Share = Field(0.5, description="share of the flow error's variance that the region shares")
    year_to_year_sd: float = Field(0.0, ge=0, description="log standard deviation of a year's mean flow")
    efficiency_sd: float = Field(0.05, ge=0, description="log standard deviation of efficiency")
    cost_sd: float = Field(0.25, ge=0, description="log standard deviation of capital cost")
    top_sites: int = Field(10, ge=1, description="prob_top is the share of draws among this many best")


class RankingSettings(Section):
    """How sites are chosen and ordered."""

    choose_by: Literal["net_value", "energy"] = Field(
        "net_value", description="what the set of sites without overlap is best in"
    )
    rank_by: Literal["net_value", "energy", "cost_per_kwh"] = Field(
        "net_value", description="what the chosen sites are ranked by"
    )
    allow: list[Literal["unresolved", "unknown", "conditional", "incomplete"]] = Field(
        default_factory=list, description="doubtful stretches that may become sites all the same"
    )


class Settings(Section):
    """A whole settings file."""

    run: RunSettings
    inputs: Inputs
    network: NetworkSettings = NetworkSettings()
    terrain: TerrainSettings = TerrainSettings()
    heads: HeadSettings = HeadSettings()
    flags: FlagSettings = FlagSettings()
    flows: FlowSettings
    stretches: StretchSettings = StretchSettings()
    energy: EnergySettings
    costs: CostSettings
    fish: FishSettings = FishSettings()
    rules: list[RuleSettings] = Field(default_factory=list)
    uncertainty: UncertaintySettings = UncertaintySettings()
    ranking: RankingSettings = RankingSettings()

    @field_validator("rules")
    @classmethod
    def _rules_have_their_own_names(cls, rules):
        names = [rule.name for rule in rules]
        if repeated := sorted({name for name in names if names.count(name) > 1}):
            raise ValueError(f"each rule needs a name of its own (found twice: {', '.join(repeated)})")
        return rules


def check_settings(mapping, name):
    """Settings from a mapping as read from TOML.

    Parameters
    ----------
    mapping : dict
        Nested tables.
    name : str
        What to call the file in messages.

    Returns
    -------
    Settings

    Raises
    ------
    ConfigError
        Naming every problem at once, each by its key, with the nearest real name for a key that is none.
    """
    return checked(Settings, mapping, name)


def checked(model, mapping, name):
    """An instance of a pydantic model, or one error that lists all that is wrong with the mapping.

    Parameters
    ----------
    model : type
        A pydantic model.
    mapping : dict
        Nested tables.
    name : str
        What to call the file in messages.

    Returns
    -------
    BaseModel
        Of the given model.

    Raises
    ------
    ConfigError
        See `check_settings`.
    """
    try:
        return model.model_validate(mapping)
    except ValidationError as error:
        problems = [_problem(item, model) for item in error.errors()]
        raise all_of(ConfigError, name, sorted(problems)) from None


# One problem of pydantic's as a line in the user's terms.
def _problem(item, model):
    place = "".join(f"[{part + 1}]" if isinstance(part, int) else f".{part}" for part in item["loc"]).lstrip(".")
    if item["type"] == "missing":
        return f"{place}: missing"
    if item["type"] == "extra_forbidden":
        near = difflib.get_close_matches(str(item["loc"][-1]), _names_at(model, item["loc"][:-1]), n=1)
        return f"{place}: no such setting" + (f"; did you mean {near[0]}?" if near else "")
    message = item["msg"].removeprefix("Value error, ")
    message = message[0].lower() + message[1:]
    if item["type"] == "value_error":
        return f"{place}: {message}" if place else message
    return f"{place}: {message} (found {item['input']!r})"


# Names of the fields that the model has at a place.
def _names_at(model, location):
    for part in location:
        if isinstance(part, str) and hasattr(model, "model_fields") and part in model.model_fields:
            model = _model_within(model.model_fields[part].annotation)
    return list(getattr(model, "model_fields", {}))


# The pydantic model inside an annotation such as ``list[Rule]`` or ``Layer | None``.
def _model_within(annotation):
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return annotation
    inner = [_model_within(part) for part in getattr(annotation, "__args__", ())]
    return next((found for found in inner if found is not None), None)
