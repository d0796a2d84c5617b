"""The settings of a run: one frozen model a section, and the whole file."""

import calendar
import difflib
import re
from typing import Annotated, Any, Literal, Self

from pydantic import Field, PrivateAttr, ValidationError, field_validator, model_validator

from sitefinder.settings.choices import Allowable, EvidenceGrade, SchemeType
from sitefinder.settings.economics import (
    CostSettings,
    EnergySettings,
    OffGridSettings,
    Share,
    TailwaterSettings,
    UncertaintySettings,
)
from sitefinder.settings.fitting import FitSettings
from sitefinder.settings.flows import FlowSettings
from sitefinder.settings.inputs import Inputs, Section
from sitefinder.settings.loading import Written, checked, config_error
from sitefinder.settings.rules import RuleSettings, checked_rule_names
from sitefinder.vocabulary import head_schemes


class ChannelSettings(Section):
    """Width of streams by flow; depth is that of tailwater, and speed is what then carries the flow."""

    width_at_1_m3s_m: float = Field(
        7.2,
        gt=0,
        description="width at a mean flow of 1 m³/s [m]; an assumption for every river, after Moody & Troutman "
        "2002, Earth Surf. Process. Landforms 27:1251–1266 (from memory): use your own, or measured sections",
    )
    downstream_exponent: float = Field(
        0.5,
        ge=0,
        lt=1,
        description="growth of that width with mean flow down a river (Leopold & Maddock 1953, U.S. Geol. Surv. "
        "Prof. Paper 252, as restated by Pelletier 2021, Earth Surf. Dynam. 9:379–391)",
    )
    station_exponent: float = Field(
        0.26,
        ge=0,
        lt=1,
        description="growth of width with flow at a station (Leopold & Maddock 1953, as restated by others)",
    )
    section_reach_m: float = Field(
        1000.0, gt=0, description="maximum distance along the stream to which a measured section applies [m]"
    )


# Enough to find a slip of the pen; whether somebody reads it there is another question.
EMAIL = re.compile(r"[^@\s]+@[^@\s]+\.[^@\s]+")
DATE = re.compile(r"(\d{4})-(\d{2})-(\d{2})")


class ContactSettings(Section):
    """Whom to ask about the delivery, for its metadata; a name or an organisation at least."""

    name: str | None = Field(None, min_length=1, description="name of a person")
    organisation: str | None = Field(None, min_length=1, description="name of an organisation")
    email: str | None = Field(None, description="e-mail address")

    @field_validator("email")
    @classmethod
    def _email_has_its_parts(cls, email: str | None) -> str | None:
        if email is not None and not EMAIL.fullmatch(email):
            raise ValueError("expected an address such as office@example.org")
        return email

    @model_validator(mode="after")
    def _somebody_is_named(self) -> "ContactSettings":
        # ISO 19115:2003, CI_ResponsibleParty: one of the names is required.
        if self.name is None and self.organisation is None:
            raise ValueError("state name, organisation or both")
        return self


class DeliverySettings(Section):
    """Which files are written beside the GeoPackage, and its contact and date; none of it changes a result."""

    contact: ContactSettings | None = Field(
        None, description="whom to ask about the delivery, for its metadata; absent: the metadata say so"
    )
    date: str | None = Field(
        None,
        description="date of the delivery for its metadata, such as 2026-05-31; absent: none, so that the same "
        "results give the same file on any day",
    )
    page: bool = Field(True, description="report.html: map, table and diagrams in one page that needs no network")
    field_sheets: int = Field(
        20, ge=0, description="field-sheets.pdf: an overview and the sheets of so many best sites; 0: none"
    )
    district_map: bool = Field(True, description="district-map.pdf: one map plate of the whole region, A3")
    gpx: bool = Field(True, description="sites.gpx: intakes, tailraces and stretches for a hand-held receiver")
    csv: bool = Field(True, description="sites.csv and reaches.csv: these layers as tables, without geometry")
    geoparquet: bool = Field(
        False, description="sites.parquet, stretches.parquet and reaches.parquet: as GeoParquet"
    )
    terrain_rasters: bool = Field(
        False,
        description="terrain-dem.tif and terrain-relief.tif: the DEM on the run's grid and its relief, as "
        "cloud-optimised GeoTIFF",
    )
    font_files: list[str] = Field(
        [],
        description="TrueType or OpenType files, relative to the settings file, for letters of names that the "
        "fonts of the PDF files lack",
    )

    # TOML also knows dates without quotation marks, and they arrive as dates.
    @field_validator("date", mode="before")
    @classmethod
    def _date_as_text(cls, date: Any) -> Any:
        return date.isoformat() if hasattr(date, "isoformat") else date

    @field_validator("date")
    @classmethod
    def _date_exists(cls, date: str | None) -> str | None:
        if date is None:
            return date
        match = DATE.fullmatch(date)
        if match:
            year, month, day = map(int, match.groups())
            if year >= 1 and 1 <= month <= 12 and 1 <= day <= calendar.monthrange(year, month)[1]:
                return date
        raise ValueError("expected a date, year, month and day, such as 2026-05-31")


Criterion = Literal[
    "net_annual_value",
    "energy_mwh",
    "power_kw",
    "firm_power_kw",
    "capacity_factor",
    "lcoe_per_kwh",
    "capital_cost",
    "length_m",
    "road_distance_m",
    "line_distance_m",
    "settlement_distance_m",
]


class ScoreSettings(Section):
    """A score of several criteria, each brought to 0 (worst) to 1 (best) among the chosen sites."""

    weights: dict[Criterion, Annotated[float, Field(gt=0)]] = Field(
        min_length=1, description="weight of each criterion, a column of sites; they are divided by their sum"
    )
    normalisation: Literal["range", "rank"] = Field(
        "range", description="range: in proportion from worst to best; rank: even steps in the order"
    )


class RankingSettings(Section):
    """How sites are chosen and ordered."""

    choose_by: Literal["net_value", "energy"] = Field(
        "net_value", description="what the selected set of sites is best in"
    )
    rank_by: Literal["net_value", "energy", "lcoe_per_kwh", "score"] = Field(
        "net_value", description="what the chosen sites are ranked by; score: as [ranking.score] weighs"
    )
    score: ScoreSettings | None = Field(None, description="what the score is made of")
    min_power_kw: float = Field(
        0.0,
        ge=0,
        description="minimum installed capacity; smaller candidates are rejected as too little power [kW]",
    )
    max_road_distance_m: float | None = Field(
        None, gt=0, description="maximum distance from the tailrace to a road [m]"
    )
    spacing_m: float = Field(
        0.0,
        ge=0,
        description="minimum distance along the stream from a site's tailrace to the next intake downstream [m]",
    )
    allow: list[Allowable] = Field(
        default_factory=list, description="doubtful candidates that may become sites all the same"
    )

    @model_validator(mode="after")
    def _score_is_reported(self) -> Self:
        if (self.rank_by == "score") != (self.score is not None):
            raise ValueError('rank_by = "score" and a table score belong together')
        return self


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

    snap_m: float = Field(5.0, ge=0, description="maximum gap between line ends that is closed [m]")
    station_spacing_m: float = Field(50.0, gt=0, description="maximum distance between stations [m]")
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
    main_path_column_wins: Literal["greatest", "minimum"] = Field(
        "greatest", description="which number of that column is the main arm's"
    )
    divergence_share: Share = Field(
        0.0, description="share of the water from above that a side arm takes; the main arm keeps the rest"
    )
    divergence_share_column: str | None = Field(
        None, description="column of the streams with the share of single side arms, from 0 to 1"
    )
    canal_column: str | None = Field(None, description="column of the streams that marks canals")
    canal_values: list[str | int | float | bool] | None = Field(
        None, description="values of that column that mean a canal: never the main arm, no source of an order"
    )
    ridge_m: float | None = Field(
        None,
        gt=0,
        description="climb along a stream that is no error [m]; absent: the largest of 10 m, 4 RMSE, half a cell",
    )

    @model_validator(mode="after")
    def _columns_whole(self) -> Self:
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
        "flood", description="how drainage is found: flooded from the streams, or burnt, breached and D8"
    )


class HeadSettings(Section):
    """How elevations become heads."""

    transect_half_width_m: float | None = Field(
        None, gt=0, description="reach of a transect to each side [m]; absent: 2.5 cells of the DEM"
    )
    quantile: float = Field(0.5, gt=0, lt=1, description="quantile that the long profile follows")
    simulations: int = Field(64, ge=16, description="simulations of the profile's error")
    standing_water_m: float = Field(
        300.0,
        ge=0,
        description="minimum length over DEM cells of one elevation that is standing water [m]; 0: not looked for",
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
    """How far downstream a flag is carried; shares are common practice, no source."""

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
        1.0,
        ge=0,
        le=100,
        description="flow_altered where at least this share of the mean flow is abstracted or returned [%]",
    )


class StretchSettings(Section):
    """Which candidates are considered."""

    min_head_m: float = Field(0.5, gt=0, description="minimum gross head [m]")
    max_head_m: float = Field(10.0, gt=0, description="maximum gross head [m]")
    longest_m: float = Field(1500.0, gt=0, description="maximum length of a site along the stream [m]")
    min_flow_mean_m3s: float = Field(0.05, ge=0, description="minimum mean flow at the intake [m³/s]")
    scheme_types: list[SchemeType] = Field(
        list(head_schemes()), min_length=1, description="scheme types to look for"
    )
    new_weir_heights_m: list[float] = Field([1.0, 2.0, 3.0], description="heights of new weirs to try [m]")
    freeboard_m: float = Field(
        0.3,
        description="how far the DEM's banks must stand above the crest of a new weir, all along its pond [m]; "
        "negative behind dykes that the DEM does not show",
    )
    headrace_detour_factor: float = Field(
        1.15,
        ge=1,
        description="length of a canal or pipe over the straight line between its ends, since it follows the "
        "contour (common practice, no source)",
    )
    structure_snap_m: float = Field(60.0, ge=0, description="maximum distance of a structure from its stream [m]")

    step_min_m: float = Field(
        1.0, gt=0, description="minimum drop within a segment, beyond the slope around it, that is a step [m]"
    )
    step_standard_errors: float = Field(3.0, ge=0, description="minimum such drop in its standard errors")
    step_explained_m: float = Field(
        100.0, ge=0, description="a structure so near explains a step; others are listed as step_unexplained [m]"
    )

    @model_validator(mode="after")
    def _heads_in_order(self) -> Self:
        if self.min_head_m >= self.max_head_m:
            raise ValueError("min_head_m must be below max_head_m")
        return self


class FishSettings(Section):
    """When a turbine counts as fish-safe, and the passage survival required past several plants."""

    min_survival: Share = Field(0.95, description="minimum share of fish that survive the passage")
    evidence: list[EvidenceGrade] = Field(["tested"], min_length=1, description="grades of evidence that count")
    spawning_rules: list[str] = Field(
        default_factory=list,
        description="names of the rules whose features are spawning grounds, where fish start for the outlet",
    )
    min_passage_survival: float | None = Field(
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
    """The settings of a run: a whole settings file, and the folder that its relative paths start from.

    Parameters
    ----------
    folder : str or path-like, optional
        From which relative paths start; absent: the current folder. A settings file's paths start from its own
        folder.
    **tables : mapping
        The tables of a settings file by name, such as ``run`` and ``inputs``, nested as in the file.

    Raises
    ------
    ConfigError
        Listing every problem by its key.
    """

    _folder: str = PrivateAttr(".")
    _file: str = PrivateAttr("")

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

    def __init__(self, /, *, folder: object = ".", **tables: Any) -> None:
        try:
            super().__init__(**tables)
        except ValidationError as error:
            raise config_error(error, type(self), "settings") from None
        self._folder = str(folder)

    @property
    def folder(self) -> str:
        """The folder that relative paths start from."""
        return self._folder

    @property
    def file(self) -> str:
        """The settings file, if these settings were read from one; else empty."""
        return self._file

    @model_validator(mode="after")
    def _columns_have_their_layer(self) -> Self:
        named = ("main_path_column", "divergence_share_column", "canal_column")
        if self.inputs.streams is None and any(getattr(self.network, name) for name in named):
            raise ValueError("network names a column of the streams, but there is no inputs.streams")
        return self

    @model_validator(mode="after")
    def _spawning_grounds_are_reported(self) -> Self:
        fish, names = self.fish, [rule.name for rule in self.rules]
        if unknown := [name for name in fish.spawning_rules if name not in names]:
            near = difflib.get_close_matches(unknown[0], names, n=1)
            hint = f"; did you mean {near[0]}?" if near else ""
            raise ValueError(f"fish.spawning_rules names {unknown[0]}, but there is no rule of that name{hint}")
        if fish.min_passage_survival is not None and not fish.spawning_rules:
            raise ValueError("fish.min_passage_survival needs fish.spawning_rules, which tell where fish begin")
        return self

    @model_validator(mode="after")
    def _settlements_are_there(self) -> Self:
        if self.inputs.settlements is None:
            if self.costs.connection == "settlement":
                raise ValueError('costs.connection = "settlement" needs inputs.settlements')
            if self.off_grid is not None:
                raise ValueError("off_grid needs inputs.settlements")
        return self

    @model_validator(mode="after")
    def _distances_have_their_layer(self) -> Self:
        weighed = [] if self.ranking.score is None else self.ranking.score.weights
        layers = {"road": "roads", "line": "power_lines", "settlement": "settlements"}
        for kind, layer in layers.items():
            asked = f"{kind}_distance_m" in weighed
            asked |= kind == "road" and self.ranking.max_road_distance_m is not None
            if asked and getattr(self.inputs, layer) is None:
                raise ValueError(f"ranking asks for {kind}_distance_m, but there is no inputs.{layer}")
        return self

    @field_validator("rules")
    @classmethod
    def _rules_have_their_own_names(cls, rules: list[RuleSettings]) -> list[RuleSettings]:
        return checked_rule_names(rules)


def check_settings(
    mapping: dict[str, Any], name: str, written: Written | None = None, folder: str = ".", file: str = ""
) -> Settings:
    """Settings from a mapping as read from TOML.

    Parameters
    ----------
    mapping : dict
        Nested tables.
    name : str
        What to call the file in messages.
    written : callable, optional
        Where each setting stands, if several files make them; see `sitefinder.settings.loading.Joined`.
    folder, file : str, optional
        What they were read from.

    Returns
    -------
    Settings

    Raises
    ------
    ConfigError
        Naming every problem at once, each by its key, with the nearest real name for a key that is none.
    """
    settings = checked(Settings, mapping, name, written)
    settings._folder, settings._file = folder, file
    return settings
