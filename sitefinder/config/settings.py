"""The settings of a run: one frozen model a section; those of energy and money stand in a file of their own."""

import difflib
from typing import Literal

from pydantic import Field, field_validator, model_validator

from sitefinder.config.channels import ChannelSettings
from sitefinder.config.checking import checked
from sitefinder.config.choices import EvidenceGrade, Layout
from sitefinder.config.delivery import DeliverySettings
from sitefinder.config.fitting import FitSettings
from sitefinder.config.flows import FlowSettings
from sitefinder.config.ranking import RankingSettings
from sitefinder.config.rules import RuleSettings, checked_rule_names
from sitefinder.config.sources import Inputs, Section
from sitefinder.config.worth import (
    CostSettings,
    EnergySettings,
    OffGridSettings,
    Share,
    TailwaterSettings,
    UncertaintySettings,
)
from sitefinder.schema.vocabulary import head_schemes


class RunSettings(Section):
    """The run as a whole."""

    name: str = Field(description="title of the inventory")
    crs: str = Field(description="projected coordinate system in metres, for example EPSG:32633")
    output_folder: str = Field(description="where the results go, relative to the settings file")
    seed: int = Field(1, ge=0, description="seed of every random draw")
    workers: int = Field(1, ge=1, description="processes for terrain tiles; changes no result")
    strict: bool = Field(
        False, description="true: stop where a part of the network cannot be resolved, rather than set it aside"
    )
    store_folder: str | None = Field(
        None,
        description="where results of stages are kept for the next run, relative to the settings file; several "
        "settings files may share one; absent: .sitefinder-store in the output folder",
    )
    store_limit_gb: float = Field(
        20.0, ge=0, description="size of that store [GB] above which the results least recently used are removed"
    )


class NetworkSettings(Section):
    """How lines become links, stations and reaches."""

    snap_m: float = Field(5.0, ge=0, description="farthest gap between line ends that is closed [m]")
    station_spacing_m: float = Field(50.0, gt=0, description="greatest distance between stations [m]")
    reach_length_m: float = Field(500.0, gt=0, description="target length of a reach [m]")
    derive_threshold_km2: float = Field(
        1.0, gt=0, description="catchment at which a stream starts, where none are mapped [km²]"
    )
    main_path: Literal["longest", "shortest", "straightest", "order", "column"] = Field(
        "longest", description="which arm is the main one where a stream parts; column: as main_path_column says"
    )
    main_path_column: str | None = Field(
        None, description="column of the streams whose numbers choose the main arm"
    )
    main_path_column_wins: Literal["greatest", "least"] = Field(
        "greatest", description="which number of that column is the main arm's"
    )
    divergence_share: Share = Field(
        0.0, description="share of the water from above that a side arm takes; the main arm keeps the rest"
    )
    divergence_share_column: str | None = Field(
        None, description="column of the streams with the share of single side arms, from 0 to 1"
    )
    canal_column: str | None = Field(None, description="column of the streams that tells canals")
    canal_values: list[str | int | float | bool] | None = Field(
        None, description="values of that column that mean a canal: never the main arm, no source of an order"
    )
    ridge_m: float | None = Field(
        None,
        gt=0,
        description="climb along a stream that is no error [m]; absent: most of 10 m, 4 RMSE, half a cell",
    )

    @model_validator(mode="after")
    def _columns_whole(self):
        if (self.main_path == "column") != (self.main_path_column is not None):
            raise ValueError('main_path = "column" and main_path_column belong together')
        if (self.canal_column is None) != (self.canal_values is None):
            raise ValueError("canal_column and canal_values belong together")
        return self


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
    standing_water_m: float = Field(
        300.0,
        ge=0,
        description="a way so long over DEM cells of one elevation is standing water [m]; 0: not looked for",
    )
    tidal_below_m: float | None = Field(
        None, description="water below this level on the DEM's datum is tidal [m]; absent: only a layer says"
    )
    resolved_standard_errors: float = Field(
        1.645, ge=0, description="a head of fewer standard errors is head_unresolved"
    )
    shrink: bool = Field(
        True, description="heads of candidates are shrunk towards what the region's profile makes likely"
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
    karst_log_sd: float = Field(
        0.3,
        ge=0,
        description="further error of the mean flow where it is karst, as a standard deviation of natural logs "
        "(common practice, no source)",
    )
    altered_percent: float = Field(
        1.0, ge=0, le=100, description="flow_altered where so much of the mean flow is taken or brought [%]"
    )


class StretchSettings(Section):
    """Which stretches are valued."""

    least_head_m: float = Field(0.5, gt=0, description="least gross head [m]")
    most_head_m: float = Field(10.0, gt=0, description="greatest gross head [m]")
    longest_m: float = Field(1500.0, gt=0, description="longest stretch, along the stream [m]")
    least_flow_mean_m3s: float = Field(0.05, ge=0, description="least mean flow at the intake [m³/s]")
    layouts: list[Layout] = Field(
        list(head_schemes()), min_length=1, description="ways to get a head that are tried"
    )
    new_weir_heights_m: list[float] = Field([1.0, 2.0, 3.0], description="heights of new weirs to try [m]")
    freeboard_m: float = Field(
        0.3,
        description="how far the DEM's banks must stand above the crest of a new weir, all along its pond [m]; "
        "negative behind dykes that the DEM does not show",
    )
    conduit_detour_factor: float = Field(
        1.15,
        ge=1,
        description="length of a canal or pipe over the straight line between its ends, since it follows the "
        "contour (common practice, no source)",
    )
    structure_snap_m: float = Field(60.0, ge=0, description="farthest a structure lies from its stream [m]")

    step_least_m: float = Field(
        1.0, gt=0, description="least drop within a segment, beyond the slope around it, that is a step [m]"
    )
    step_standard_errors: float = Field(3.0, ge=0, description="least such drop in its standard errors")
    step_explained_m: float = Field(
        100.0, ge=0, description="a structure so near explains a step; others are listed as step_unexplained [m]"
    )

    @model_validator(mode="after")
    def _heads_in_order(self):
        if self.least_head_m >= self.most_head_m:
            raise ValueError("least_head_m must be below most_head_m")
        return self


class FishSettings(Section):
    """When a machine counts as safe for fish, and what is asked of their way past several."""

    least_survival: Share = Field(0.95, description="share of fish that must survive the way down")
    evidence: list[EvidenceGrade] = Field(["tested"], min_length=1, description="grades of evidence that count")
    spawning_rules: list[str] = Field(
        default_factory=list,
        description="names of the rules whose features are spawning grounds, where fish start for the outlet",
    )
    least_survival_on_the_way: float | None = Field(
        None,
        gt=0,
        le=1,
        description="share of fish from each spawning ground that must survive all sites and existing plants on "
        "their way down to the outlet; absent: no site is kept out for it",
    )
    existing_survival: Share | None = Field(
        None, description="share of fish that survive an existing plant; absent: existing plants are not counted"
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
    tailwater: TailwaterSettings = TailwaterSettings()
    channel: ChannelSettings = ChannelSettings()
    costs: CostSettings
    off_grid: OffGridSettings | None = None
    fish: FishSettings = FishSettings()
    rules: list[RuleSettings] = Field(default_factory=list)
    uncertainty: UncertaintySettings = UncertaintySettings()
    ranking: RankingSettings = RankingSettings()
    delivery: DeliverySettings = DeliverySettings()
    fit: FitSettings | None = None

    @model_validator(mode="after")
    def _columns_have_their_layer(self):
        named = ("main_path_column", "divergence_share_column", "canal_column")
        if self.inputs.streams is None and any(getattr(self.network, name) for name in named):
            raise ValueError("network names a column of the streams, but there is no inputs.streams")
        return self

    @model_validator(mode="after")
    def _spawning_grounds_are_told(self):
        fish, names = self.fish, [rule.name for rule in self.rules]
        if unknown := [name for name in fish.spawning_rules if name not in names]:
            near = difflib.get_close_matches(unknown[0], names, n=1)
            hint = f"; did you mean {near[0]}?" if near else ""
            raise ValueError(f"fish.spawning_rules names {unknown[0]}, but there is no rule of that name{hint}")
        if fish.least_survival_on_the_way is not None and not fish.spawning_rules:
            raise ValueError(
                "fish.least_survival_on_the_way needs fish.spawning_rules, which tell where fish begin"
            )
        return self

    @model_validator(mode="after")
    def _settlements_are_there(self):
        if self.inputs.settlements is None:
            if self.costs.connection == "settlement":
                raise ValueError('costs.connection = "settlement" needs inputs.settlements')
            if self.off_grid is not None:
                raise ValueError("off_grid needs inputs.settlements")
        return self

    @model_validator(mode="after")
    def _distances_have_their_layer(self):
        weighed = [] if self.ranking.score is None else self.ranking.score.weights
        layers = {"road": "roads", "line": "power_lines", "settlement": "settlements"}
        for kind, layer in layers.items():
            asked = f"{kind}_distance_m" in weighed
            asked |= kind == "road" and self.ranking.most_road_distance_m is not None
            if asked and getattr(self.inputs, layer) is None:
                raise ValueError(f"ranking asks for {kind}_distance_m, but there is no inputs.{layer}")
        return self

    @field_validator("rules")
    @classmethod
    def _rules_have_their_own_names(cls, rules):
        return checked_rule_names(rules)


def check_settings(mapping, name, written=None):
    """Settings from a mapping as read from TOML.

    Parameters
    ----------
    mapping : dict
        Nested tables.
    name : str
        What to call the file in messages.
    written : callable, optional
        Where each setting stands, if several files make them; see `sitefinder.config.extending.Joined`.

    Returns
    -------
    Settings

    Raises
    ------
    ConfigError
        Naming every problem at once, each by its key, with the nearest real name for a key that is none.
    """
    return checked(Settings, mapping, name, written)
