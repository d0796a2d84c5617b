"""The settings of a run: one frozen model for each table, and the whole file."""

import difflib
import itertools
import re
from collections.abc import Sequence
from typing import Annotated, Any, Literal, Self

from pydantic import Field, PrivateAttr, ValidationError, field_validator, model_validator

from sitefinder.settings.choices import Allowable, Language, PassedKind, SchemeType
from sitefinder.settings.days import day_as_text, existing_day
from sitefinder.settings.economics import (
    CostSettings,
    EnergySettings,
    OffGridSettings,
    Share,
    TailwaterSettings,
    UncertaintySettings,
)
from sitefinder.settings.fish import FishSettings
from sitefinder.settings.fitting import FitSettings
from sitefinder.settings.flows import FlowSettings
from sitefinder.settings.inputs import Inputs
from sitefinder.settings.loading import Written, checked, config_error
from sitefinder.settings.publication import PublicationSettings
from sitefinder.settings.rules import RuleSettings, checked_rule_names
from sitefinder.settings.section import Section
from sitefinder.vocabulary import ACTIONS, AS_BUILT_SAFETY, FISH_SAFE_ONLY, head_schemes, never_past_kinds


class ChannelSettings(Section):
    """Stream width by flow; roughness and slope for depth by Manning; velocity follows from width and depth."""

    width_at_1_m3s_m: float = Field(
        7.2,
        gt=0,
        description="width at a mean flow of 1 m³/s [m]; an assumption for every river, after Moody & Troutman "
        "2002, Earth Surf. Process. Landforms 27:1251–1266 (from memory); replace it with a local "
        "value, or with measured sections",
    )
    downstream_exponent: float = Field(
        0.5,
        ge=0,
        lt=1,
        description="exponent of width on mean flow, downstream (Leopold & Maddock 1953, U.S. Geol. Surv. Prof. "
        "Paper 252, as restated by Pelletier 2021, Earth Surf. Dynam. 9:379–391)",
    )
    station_exponent: float = Field(
        0.26,
        ge=0,
        lt=1,
        description="exponent of width on flow, at a station (Leopold & Maddock 1953, as restated by others)",
    )
    section_reach_m: float = Field(
        1000.0,
        gt=0,
        description="distance along the stream, up and down, over which a measured section applies [m]",
    )
    manning_n: float = Field(
        0.04,
        gt=0,
        le=1,
        description="Manning's n of streams that are not steep: 0.040 is the normal value of clean, winding "
        "natural streams with some pools and shoals, 0.033 to 0.045 (Chow 1959, Open-Channel Hydraulics, table "
        "5-6, as restated by others)",
    )
    jarrett_from_slope: float = Field(
        0.002,
        gt=0,
        le=1,
        description="slope of the water surface from which n is 0.39 S^0.38 R^-0.16, R in feet (Jarrett 1984, J. "
        "Hydraul. Eng. 110:1519–1539, as restated by others; observed at slopes of 0.002 to 0.04) [m/m]; 1: "
        "manning_n everywhere",
    )
    slope_lengths_m: list[Annotated[float, Field(gt=0)]] = Field(
        [100.0, 200.0, 400.0, 800.0],
        min_length=1,
        description="lengths of stream to take the slope of the water surface over, between weirs, falls and "
        "standing water [m]; the shortest that resolves it counts (heads.resolved_standard_errors; own choice)",
    )
    slope_widths: float = Field(
        10.0, ge=0, description="minimum length to take a slope over, in widths of the stream (own choice)"
    )

    @field_validator("slope_lengths_m")
    @classmethod
    def _lengths_rise(cls, lengths_m: list[float]) -> list[float]:
        return sorted(lengths_m)


# What the title of a run ends with that shows a part of its region.
OF_TRIAL = " (trial)"
# Enough to find a typing error.
EMAIL = re.compile(r"[^@\s]+@[^@\s]+\.[^@\s]+")


class ContactSettings(Section):
    """Contact of the delivery, for its metadata: a name, an organisation, or both."""

    name: str | None = Field(None, min_length=1, description="name of a person; absent: organisation is stated")
    organisation: str | None = Field(
        None, min_length=1, description="name of an organisation; absent: name is stated"
    )
    email: str | None = Field(None, description="e-mail address; absent: none in the metadata")

    @field_validator("email")
    @classmethod
    def _email_has_its_parts(cls, email: str | None) -> str | None:
        if email is not None and not EMAIL.fullmatch(email):
            raise ValueError("expected an address such as office@example.org")
        return email

    @model_validator(mode="after")
    def _name_or_organisation(self) -> "ContactSettings":
        # ISO 19115:2003, CI_ResponsibleParty: one of the names is required.
        if self.name is None and self.organisation is None:
            raise ValueError("state name, organisation or both")
        return self


class DeliverySettings(Section):
    """Files beside the GeoPackage, and contact and date of the delivery; no effect on results."""

    contact: ContactSettings | None = Field(
        None,
        description="contact of the delivery, for its metadata; absent: the metadata state that none is given",
    )
    date: str | None = Field(
        None,
        description="date of the delivery, for its metadata, such as 2026-05-31; absent: no date, so that equal "
        "results give equal files on any day",
    )
    language: Language = Field(
        "en",
        description="language of the page, the summary, the field sheets and the district map, and of their "
        "numbers and dates: en (English) or de (German); tables, columns and settings stay English",
    )
    notes: list[str] = Field(
        [],
        description="notes for readers: on the page, the overview of the field sheets, the district map, in the "
        "summary and the metadata",
    )
    page: bool = Field(True, description="report.html: map, tables and diagrams in one page that works offline")
    field_sheets: int = Field(
        20,
        ge=0,
        description="field-sheets.pdf: an overview and the sheets of this number of best sites; 0: no file",
    )
    simulated_sites: int = Field(
        100,
        ge=0,
        description="layer site_simulations of the GeoPackage: the simulations of this number of best sites",
    )
    logo: str | None = Field(
        None,
        description="PNG, JPEG or SVG picture for the district map, relative to the settings file; absent: none",
    )
    district_map: bool = Field(True, description="district-map.pdf: one A3 map of the whole region")
    gis_project: bool = Field(
        True, description="sites.qgs: a project that opens sites.gpkg in QGIS, its layers in order and with styles"
    )
    gpx: bool = Field(True, description="sites.gpx: intakes, tailraces and stretches for a GPS receiver")
    csv: bool = Field(True, description="sites.csv and reaches.csv: these layers without geometry")
    field_form: bool = Field(
        True, description="field-observations.csv: a form for visits, to be filled in for inputs.observations"
    )
    geoparquet: bool = Field(
        False,
        description="sites.parquet, stretches.parquet and reaches.parquet, as GeoParquet; sites and reaches by "
        "district, so that a program reads those of some districts or of an area alone",
    )
    terrain_rasters: bool = Field(
        False,
        description="terrain-dem.tif and terrain-relief.tif: the DEM on the grid of the run and its shaded "
        "relief, as cloud-optimised GeoTIFF",
    )
    font_files: list[str] = Field(
        [],
        description="TrueType or OpenType files, relative to the settings file, for characters that the fonts of "
        "the PDF files lack",
    )

    @field_validator("date", mode="before")
    @classmethod
    def _date_as_text(cls, date: Any) -> Any:
        return day_as_text(date)

    @field_validator("date")
    @classmethod
    def _date_exists(cls, date: str | None) -> str | None:
        return existing_day(date)


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
    """A score of several criteria, each normalised from 0 (worst) to 1 (best) among the selected sites."""

    weights: dict[Criterion, Annotated[float, Field(gt=0)]] = Field(
        min_length=1, description="weight of each criterion, a column of sites; weights are divided by their sum"
    )
    normalisation: Literal["range", "rank"] = Field(
        "range", description="range: linear between worst and best; rank: equal steps by rank"
    )


class RankingSettings(Section):
    """How sites are selected and ranked."""

    choose_by: Literal["net_value", "energy"] = Field(
        "net_value", description="objective of the selection of sites without overlap"
    )
    rank_by: Literal["net_value", "energy", "lcoe_per_kwh", "score"] = Field(
        "net_value", description="what the selected sites are ranked by; score: as [ranking.score]"
    )
    score: ScoreSettings | None = Field(
        None, description="criteria and weights of the score; absent: rank_by is one figure"
    )
    min_power_kw: float = Field(
        0.0,
        ge=0,
        description='stretches whose best plant has less installed capacity are rejected as "too little power" '
        "[kW]",
    )
    max_road_distance_m: float | None = Field(
        None, gt=0, description="maximum distance from a tailrace to a road [m]; absent: no limit"
    )
    min_free_flowing_m: float = Field(
        500.0,
        ge=0,
        description="minimum free-flowing length of stream between plants, from a tailrace down to the next "
        "intake or the pond below [m]; plants at existing weirs need none above them; 500 m: common practice, no "
        "source",
    )
    max_depleted_share: Share | None = Field(
        None,
        description="maximum depleted share of the length of each stream, and of each water body if there is "
        "inputs.water_bodies, existing plants included; absent: no limit",
    )
    max_plants_per_km: float | None = Field(
        None,
        gt=0,
        description="maximum number of plants per km of each stream, existing plants included; a stream too short "
        "for one gets none [1/km]; absent: no limit",
    )
    max_plants_per_water_body: int | None = Field(
        None,
        ge=0,
        description="maximum number of plants in each water body of inputs.water_bodies, existing plants "
        "included; a site counts where its tailrace is; absent: no limit but those of the layer",
    )
    max_new_barriers_per_water_body: int | None = Field(
        None,
        ge=0,
        description="maximum number of new barriers of sites (weirs, those at intakes included) in each water "
        "body of inputs.water_bodies; absent: no limit but those of the layer",
    )
    within_free_capacity: bool = Field(
        False,
        description="whether the sites that connect at a substation of inputs.substations may together not exceed "
        "its free capacity; all drainage systems are then chosen from together; false: those that do are flagged",
    )
    allow: list[Allowable] = Field(
        default_factory=list, description="doubtful stretches that may still become sites"
    )

    @model_validator(mode="after")
    def _score_is_complete(self) -> Self:
        if (self.rank_by == "score") != (self.score is not None):
            raise ValueError('rank_by = "score" and a table score belong together')
        return self


class SelectionSettings(Section):
    """What the selection of sites puts before their value."""

    prefer_existing: bool = Field(
        False,
        description="true: first as many existing structures with a plant as pay, then the greatest value with "
        "the stream that they leave",
    )
    no_new_barrier_value_per_year: float = Field(
        0.0,
        ge=0,
        description="value of not building a new barrier, a new weir or that of an intake, in money a year: a "
        "site that builds one must have more net annual value than this; it counts in the selection alone, for "
        'which ranking.choose_by must be "net_value"',
    )


class GridConnection(Section):
    """Voltages at which plants up to some capacity connect to the grid."""

    up_to_kw: float | None = Field(
        None, gt=0, description="maximum capacity of plants that connect like this [kW]; absent: any"
    )
    min_kv: float = Field(gt=0, description="minimum nominal voltage of a line or substation [kV]")
    max_kv: float = Field(gt=0, description="maximum nominal voltage [kV]")

    @model_validator(mode="after")
    def _voltages_are_in_order(self) -> Self:
        if self.max_kv < self.min_kv:
            raise ValueError(f"max_kv ({self.max_kv:g}) is below min_kv ({self.min_kv:g})")
        return self


# Up to 1 kV is low voltage, above it up to 35 kV medium, above that high (nominal voltages of IEC 60038, from
# memory). Which capacity connects at which is common practice without a source; the grid operator decides.
CONNECTIONS = (
    GridConnection(up_to_kw=250.0, min_kv=0.2, max_kv=36.0),
    GridConnection(up_to_kw=10_000.0, min_kv=3.0, max_kv=36.0),
    GridConnection(min_kv=10.0, max_kv=150.0),
)


class GridSettings(Section):
    """Connection to power lines and substations with known voltages."""

    connections: list[GridConnection] = Field(
        default_factory=lambda: list(CONNECTIONS),
        min_length=1,
        description="voltages by the capacity of a plant, with rising up_to_kw; absent: up to 250 kW 0.2 to "
        "36 kV, up to 10,000 kW 3 to 36 kV, above that 10 to 150 kV (common practice, no source)",
    )

    @field_validator("connections")
    @classmethod
    def _capacities_rise(cls, connections: list[GridConnection]) -> list[GridConnection]:
        limits = [float("inf") if each.up_to_kw is None else each.up_to_kw for each in connections]
        if any(later <= earlier for earlier, later in itertools.pairwise(limits)):
            raise ValueError("up_to_kw must rise from one to the next; only the last may be without")
        return connections


class RunSettings(Section):
    """The run as a whole."""

    name: str = Field(min_length=1, max_length=200, description="title of the inventory")
    crs: str = Field(description="projected coordinate system in metres, such as EPSG:32633")
    output_folder: str = Field(description="folder of the results, relative to the settings file")
    seed: int = Field(1, ge=0, lt=2**63, description="seed of all random numbers")
    workers: int | None = Field(
        None,
        ge=1,
        le=1024,
        description="worker processes; absent: as many as there are cores where the region is large enough for "
        "them to pay and memory allows, else 1; no effect on results",
    )
    strict: bool = Field(
        False,
        description="true: stop where a part of the network cannot be resolved; false: leave that part out and "
        "flag it",
    )
    store_folder: str | None = Field(
        None,
        description="folder of stored stage results for later runs, relative to the settings file; several "
        "settings files may share one; absent: .sitefinder-store in the output folder",
    )
    store_limit_gb: float = Field(
        20.0, ge=0, description="size of that store above which the least recently used results are removed [GB]"
    )
    memory_limit_gb: float | None = Field(
        None,
        gt=0,
        description="memory that all processes of the run on this machine may take together [GB]; terrain tiles "
        "and parts of drainage systems are made to fit, what needs more is refused, and a run that takes more "
        "after all is stopped; no effect on results; "
        "absent: what the machine has available",
    )
    part_stations: int | None = Field(
        None,
        ge=1,
        description="stations of a large drainage system whose candidates are valued at once, by one process; no "
        "effect on results; absent: 500, or fewer where memory is short",
    )
    within_box_m: list[float] | None = Field(
        None,
        min_length=4,
        max_length=4,
        description="trial: show only what lies in this box, as xmin, ymin, xmax, ymax in crs [m]; absent: the "
        "whole region, or inputs.within",
    )
    within_upstream_of_m: list[float] | None = Field(
        None,
        min_length=2,
        max_length=2,
        description="trial: show only what drains to this place on a stream, as x, y in crs [m]; absent: the "
        "whole region, or inputs.within",
    )

    @property
    def process_count(self) -> int:
        """Worker processes that are asked for; 1, the run's own process, where none are."""
        return self.workers or 1

    @field_validator("within_box_m")
    @classmethod
    def _box_has_a_size(cls, box_m: list[float] | None) -> list[float] | None:
        if box_m is not None and not (box_m[0] < box_m[2] and box_m[1] < box_m[3]):
            raise ValueError("expected xmin, ymin, xmax, ymax, each minimum below its maximum")
        return box_m


class NetworkSettings(Section):
    """From stream lines to links, stations and reaches."""

    snap_m: float | None = Field(
        None,
        ge=0,
        description="maximum gap at a loose line end that is closed [m]; absent: a twentieth of the median length "
        "of the lines, at most 5 m",
    )
    dem_margin_m: float = Field(
        5000.0,
        ge=0,
        description="distance beyond the DEM at which stream lines are cut; what is farther out is left out [m]",
    )
    station_spacing_m: float = Field(50.0, gt=0, description="maximum distance between stations [m]")
    reach_length_m: float = Field(500.0, gt=0, description="target length of a reach [m]")
    derive_threshold_km2: float = Field(
        1.0, gt=0, description="catchment area at which a derived stream starts, where none are mapped [km²]"
    )
    main_path: Literal["evidence", "longest", "shortest", "straightest", "order", "column"] = Field(
        "evidence",
        description="which branch is the main one at a bifurcation; evidence: by its name, else by its "
        "tributaries, else the shorter one; column: by main_path_column",
    )
    main_path_column: str | None = Field(
        None, description="column of the streams whose numbers select the main branch; absent: main_path decides"
    )
    main_path_column_wins: Literal["maximum", "minimum"] = Field(
        "maximum", description="which value of that column is the main branch's"
    )
    divergence_share: Share = Field(
        0.0,
        description="share of the flow that a side branch takes at a bifurcation; the main branch keeps the rest",
    )
    divergence_share_column: str | None = Field(
        None,
        description="column of the streams with the share of single side branches, 0 to 1; absent: "
        "divergence_share for all",
    )
    canal_column: str | None = Field(
        None, description="column of the streams that identifies canals; absent: no canals"
    )
    canal_values: list[str | int | float | bool] | None = Field(
        None,
        description="values of that column that mean a canal: never the main branch, not counted in stream order; "
        "absent: no canals",
    )
    ridge_m: float | None = Field(
        None,
        gt=0,
        description="rise along a stream that errors of the DEM cannot explain [m]; absent: the maximum of 10 m, "
        "4 RMSE and half a cell",
    )

    @model_validator(mode="after")
    def _columns_belong_together(self) -> Self:
        if (self.main_path == "column") != (self.main_path_column is not None):
            raise ValueError('main_path = "column" and main_path_column belong together')
        if (self.canal_column is None) != (self.canal_values is None):
            raise ValueError("canal_column and canal_values belong together")
        return self


class TerrainSettings(Section):
    """How the DEM is resampled, tiled and routed."""

    cell_size_m: float | None = Field(
        None, gt=0, description="cell size of the resampled DEM [m]; absent: that of the DEM"
    )
    tile_rows: int = Field(2048, ge=8, description="rows of a terrain tile; no effect on results")
    tile_columns: int = Field(2048, ge=8, description="columns of a terrain tile; no effect on results")
    margin_cells: int = Field(192, ge=1, description="initial margin around a tile [cells]; no effect on results")
    edge_is_divide: bool = Field(
        False,
        description="true: the DEM was cut along the catchment divide, so no water enters over its edge",
    )
    sink_depth_m: float | None = Field(
        None,
        gt=0,
        description="minimum depth of a closed depression that keeps its water [m]; absent: every depression "
        "overflows",
    )
    fill_nodata_cells: int = Field(
        0, ge=0, description="maximum width of gaps in the DEM that are interpolated [cells]; 0: none"
    )
    engine: Literal["flood", "whitebox"] = Field(
        "flood",
        description="drainage to the mapped streams: flood (flooding from them), or whitebox (burning, breaching "
        "and D8)",
    )


class HeadSettings(Section):
    """From elevations to heads."""

    transect_half_width_m: float | None = Field(
        None, gt=0, description="half width of a transect [m]; absent: 2.5 cells of the DEM"
    )
    quantile: float = Field(
        0.5, gt=0, lt=1, description="quantile of the elevations that the long profile follows"
    )
    simulations: int = Field(64, ge=16, description="number of simulations of the profile error")
    standing_water_m: float = Field(
        300.0,
        ge=0,
        description="length of stream over DEM cells of one elevation that counts as standing water [m]; 0: not "
        "detected",
    )
    tidal_below_m: float | None = Field(
        None,
        description="water below this level on the vertical datum of the DEM is tidal [m]; absent: only "
        "inputs.tidal applies",
    )
    resolved_standard_errors: float = Field(
        1.645, ge=0, description="minimum ratio of head to its standard error; a smaller head is head_unresolved"
    )
    shrink: bool = Field(True, description="apply regional shrinkage to the gross heads of candidates")
    correct_selection: bool = Field(
        True,
        description="take off the gross heads of candidates what selection favours: the mean luck of those chosen "
        "in simulated surveys",
    )


class FlagSettings(Section):
    """How far data-quality flags extend downstream; shares are common practice, no source."""

    regulated_percent: float = Field(
        10.0,
        gt=0,
        le=100,
        description="minimum share of the catchment upstream of dams for the flag regulated [%]",
    )
    karst_percent: float = Field(
        10.0,
        gt=0,
        le=100,
        description="minimum share of the catchment upstream of losing reaches for the flag karst [%]",
    )
    covered_percent: float = Field(
        95.0,
        ge=0,
        le=100,
        description="minimum share of the catchment that a covariate covers; less sets covariate_partial [%]",
    )
    min_catchment_cells: int = Field(
        500,
        ge=0,
        description="cells of the resampled DEM below which a catchment is flagged catchment_coarse (on real "
        "terrain one in twenty of such areas was off by more than a fifth)",
    )
    min_river_share: Share = Field(
        0.02,
        description="design flow below which a site is flagged small_part_of_river, as a share of the mean flow "
        "(own choice)",
    )
    max_river_width_m: float = Field(
        100.0, gt=0, description="width at mean flow above which a site is flagged river_wide (own choice) [m]"
    )
    max_low_head_slope: float = Field(
        0.05,
        gt=0,
        description="fall of the stream from intake to tailrace over its length above which a diversion is "
        "flagged steep_stream: one for higher heads (own choice)",
    )
    karst_log_sd: float = Field(
        0.3,
        ge=0,
        description="additional error of the mean flow in karst, as a standard deviation of natural logs (common "
        "practice, no source)",
    )
    altered_percent: float = Field(
        1.0,
        ge=0,
        le=100,
        description="minimum share of the mean flow abstracted or transferred for the flag flow_altered [%]",
    )


class StretchSettings(Section):
    """Which stretches are evaluated."""

    min_head_m: float = Field(0.5, gt=0, description="minimum gross head [m]")
    max_head_m: float = Field(
        10.0,
        gt=0,
        description="maximum gross head: the definition of low head for this inventory, not a limit of turbines "
        "or ground [m]",
    )
    longest_m: float = Field(1500.0, gt=0, description="maximum length of a stretch along the stream [m]")
    min_flow_mean_m3s: float = Field(0.05, ge=0, description="minimum mean flow at the intake [m³/s]")
    scheme_types: list[SchemeType] = Field(
        list(head_schemes()), min_length=1, description="scheme types to examine"
    )
    new_weir_heights_m: list[float] = Field([1.0, 2.0, 3.0], description="heights of new weirs to examine [m]")
    freeboard_m: float = Field(
        0.3,
        description="minimum height of the DEM's banks above the crest of a new weir, along its whole pond [m]; "
        "negative behind dykes that the DEM does not show",
    )
    headrace_detour_factor: float = Field(
        1.15,
        ge=1,
        description="length of a headrace over the straight line between its ends, since it follows the contour "
        "(common practice, no source)",
    )
    intake_weir_height_m: float = Field(
        1.0,
        ge=0,
        description="height of the new weir at the intake of a diversion [m], where no existing weir serves: a "
        "new barrier, with a fish pass and a flushing gate; it gains no head (common practice, no source); 0: "
        "intakes need no weir",
    )
    never_past: list[PassedKind] = Field(
        ["navigation", "abstraction_weir", "abstraction"],
        description="what no diversion may go past and no pond may drown: "
        + ", ".join(never_past_kinds())
        + "; a stretch never goes past a working plant; what lies past other things is only flagged",
    )
    plants_at_planned_removals: bool = Field(
        False,
        description="whether a plant at a weir whose removal is planned is valued like others, with the flag "
        "removal_planned; false: it has none",
    )
    navigation_uses: list[str] = Field(
        ["navigation", "lock", "shipping"],
        description="words in the use of a structure that mean navigation, in any case",
    )
    abstraction_uses: list[str] = Field(
        ["irrigation", "supply", "mill", "fish farm", "abstraction", "intake", "industry", "cooling"],
        description="words in the use of a structure that mean that water is taken there, in any case",
    )
    ends_within_m: float = Field(
        25.0,
        ge=0,
        description="distance along the stream beyond intake and powerhouse within which structures are listed "
        "with a site [m] (own choice)",
    )
    structure_snap_m: float = Field(60.0, ge=0, description="maximum distance of a structure from its stream [m]")
    structure_merge_distance_m: float = Field(
        100.0,
        ge=0,
        description="maximum distance of records of one structure in several inventories, both straight and along "
        "the stream, unless position_error_m of their inventories allows more [m]",
    )
    structure_drop_tolerance_m: float = Field(
        0.3,
        ge=0,
        description="difference of the drops that inventories state for one structure above which it is listed, "
        "where their stated errors do not explain more [m]",
    )

    step_min_m: float = Field(
        1.0, gt=0, description="minimum drop between two stations, beyond the slope around it, that is a step [m]"
    )
    step_standard_errors: float = Field(
        3.0, ge=0, description="minimum ratio of such a drop to its standard error"
    )
    step_explained_m: float = Field(
        100.0,
        ge=0,
        description="maximum distance of a structure that explains a step [m]; other steps are listed as "
        "step_unexplained",
    )

    @model_validator(mode="after")
    def _heads_in_order(self) -> Self:
        if self.min_head_m >= self.max_head_m:
            raise ValueError("min_head_m must be below max_head_m")
        return self


class DepletedReachSettings(Section):
    """Depth of the water that a diversion leaves in the stream."""

    min_depth_m: float = Field(
        0.15,
        ge=0,
        description="minimum mean depth in the depleted reach, against which it is compared; it bars no site "
        "(common practice for trout, no source: state the depth that local fish need) [m]",
    )


class ConduitSettings(Section):
    """How the headrace and penstock of a diversion find their way over the ground."""

    route: Literal["ground", "straight_line"] = Field(
        "ground",
        description="ground: along the hillside of either bank at the canal's slope (energy.canal_slope), cut "
        "short by cuts and aqueducts, or straight, whichever is cheapest over the DEM's cells; straight_line: the "
        "straight line between the ends times stretches.headrace_detour_factor, whatever the ground",
    )
    max_cut_m: float = Field(
        5.0,
        gt=0,
        description="maximum height of the ground above the water of an open cut or above a buried pipe [m] "
        "(common practice, no source)",
    )
    max_fill_m: float = Field(
        1.0,
        ge=0,
        description="maximum height of the water above the ground beneath an embankment [m]; higher, it is on an "
        "aqueduct (common practice, no source)",
    )
    max_aqueduct_height_m: float = Field(
        6.0, ge=0, description="maximum height of an aqueduct above the ground [m] (common practice, no source)"
    )
    max_aqueduct_length_m: float = Field(
        60.0, ge=0, description="maximum length of one aqueduct [m] (common practice, no source)"
    )
    max_side_slope: float = Field(
        1.0,
        gt=0,
        description="maximum slope of a hillside that an open headrace crosses [m/m] (common practice, no source)",
    )
    max_detour: float = Field(
        2.5, ge=1, description="maximum length of the hillside that is followed, over that of the stream"
    )
    min_valley_cells: float = Field(
        2.0,
        ge=0,
        description="minimum width of the valley at the powerhouse, at the level of the canal, for the ground to "
        "be taken as resolved [cells]; below it the stream's length counts, with the flag conduit_unresolved",
    )
    tunnels: bool = Field(
        False,
        description="whether a tunnel may be driven where a cut is too deep; priced by crossings.tunnel_per_m",
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
    _overrides: tuple[tuple[str, str], ...] = PrivateAttr(())

    run: RunSettings
    inputs: Inputs
    network: NetworkSettings = NetworkSettings.of_defaults()
    terrain: TerrainSettings = TerrainSettings.of_defaults()
    heads: HeadSettings = HeadSettings.of_defaults()
    flags: FlagSettings = FlagSettings.of_defaults()
    flows: FlowSettings
    stretches: StretchSettings = StretchSettings.of_defaults()
    conduits: ConduitSettings = ConduitSettings.of_defaults()
    energy: EnergySettings
    tailwater: TailwaterSettings = TailwaterSettings.of_defaults()
    channel: ChannelSettings = ChannelSettings.of_defaults()
    costs: CostSettings
    grid: GridSettings = GridSettings.of_defaults()
    off_grid: OffGridSettings | None = None
    fish: FishSettings = FishSettings.of_defaults()
    depleted_reach: DepletedReachSettings = DepletedReachSettings.of_defaults()
    rules: list[RuleSettings] = Field(default_factory=list)
    uncertainty: UncertaintySettings = UncertaintySettings.of_defaults()
    ranking: RankingSettings = RankingSettings.of_defaults()
    selection: SelectionSettings = SelectionSettings.of_defaults()
    delivery: DeliverySettings = DeliverySettings.of_defaults()
    publication: PublicationSettings = PublicationSettings.of_defaults()
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

    @property
    def overrides(self) -> tuple[tuple[str, str], ...]:
        """What the command line put over the settings file: option and value, as given."""
        return self._overrides

    @property
    def is_trial(self) -> bool:
        """Whether only a part of the region is shown."""
        parts = self.inputs.within, self.run.within_box_m, self.run.within_upstream_of_m
        return any(part is not None for part in parts)

    @model_validator(mode="after")
    def _trials_are_of_one_part(self) -> Self:
        parts = self.inputs.within, self.run.within_box_m, self.run.within_upstream_of_m
        if sum(part is not None for part in parts) > 1:
            raise ValueError("state one of inputs.within, run.within_box_m and run.within_upstream_of_m")
        if self.is_trial and not self.run.name.endswith(OF_TRIAL):
            # What it makes is not mistaken for the whole region.
            self.__dict__["run"] = self.run.model_copy(update={"name": f"{self.run.name}{OF_TRIAL}"})
        return self

    @model_validator(mode="after")
    def _columns_have_a_layer(self) -> Self:
        named = ("main_path_column", "divergence_share_column", "canal_column")
        if self.inputs.streams is None and any(getattr(self.network, name) for name in named):
            raise ValueError("[network] has a column of the streams, but there is no inputs.streams")
        return self

    @model_validator(mode="after")
    def _barriers_have_a_value_in_money(self) -> Self:
        if self.selection.no_new_barrier_value_per_year > 0 and self.ranking.choose_by != "net_value":
            raise ValueError('selection.no_new_barrier_value_per_year needs ranking.choose_by = "net_value"')
        return self

    @model_validator(mode="after")
    def _spawning_rules_exist(self) -> Self:
        fish, names = self.fish, [rule.name for rule in self.rules]
        listed = {"fish.spawning_rules": fish.spawning_rules}
        listed |= {f"rules of the fish group {group.name}": group.rules or [] for group in fish.groups}
        for place, rules in listed.items():
            if unknown := [name for name in rules if name not in names]:
                near = difflib.get_close_matches(unknown[0], names, n=1)
                hint = f"; did you mean {near[0]}?" if near else ""
                raise ValueError(f"{place} lists {unknown[0]}, but there is no rule of that name{hint}")
        if fish.min_passage_survival is not None and not fish.spawning_rules:
            raise ValueError("fish.min_passage_survival needs fish.spawning_rules, where migration starts")
        return self

    @model_validator(mode="after")
    def _rules_ask_the_question_of_fish(self) -> Self:
        if self.fish.safe == AS_BUILT_SAFETY.name:
            [as_built] = [action.name for action in ACTIONS if action.asks == AS_BUILT_SAFETY.name]
            for number, rule in enumerate(self.rules):
                if rule.action == FISH_SAFE_ONLY and rule.fish_safe_only is None:
                    self.rules[number] = rule.model_copy(update={"action": as_built})
        return self

    @model_validator(mode="after")
    def _settlements_exist(self) -> Self:
        if self.inputs.settlements is None:
            if self.costs.connection == "settlement":
                raise ValueError('costs.connection = "settlement" needs inputs.settlements')
            if self.off_grid is not None:
                raise ValueError("off_grid needs inputs.settlements")
        return self

    @model_validator(mode="after")
    def _limits_of_water_bodies_have_a_layer(self) -> Self:
        for name in ("max_plants_per_water_body", "max_new_barriers_per_water_body"):
            if getattr(self.ranking, name) is not None and self.inputs.water_bodies is None:
                raise ValueError(f"ranking.{name} needs inputs.water_bodies, the layer that it counts in")
        return self

    @model_validator(mode="after")
    def _free_capacity_has_a_layer(self) -> Self:
        substations = self.inputs.substations
        if self.ranking.within_free_capacity and (substations is None or substations.capacity_column is None):
            raise ValueError("ranking.within_free_capacity needs inputs.substations with a capacity_column")
        return self

    @model_validator(mode="after")
    def _distances_have_a_layer(self) -> Self:
        weights = [] if self.ranking.score is None else self.ranking.score.weights
        layers = {"road": "roads", "line": "power_lines", "settlement": "settlements"}
        for kind, layer in layers.items():
            used = f"{kind}_distance_m" in weights
            used |= kind == "road" and self.ranking.max_road_distance_m is not None
            has_grid = kind == "line" and self.inputs.substations is not None
            if used and getattr(self.inputs, layer) is None and not has_grid:
                raise ValueError(f"[ranking] uses {kind}_distance_m, but there is no inputs.{layer}")
        return self

    @field_validator("rules")
    @classmethod
    def _rule_names_are_unique(cls, rules: list[RuleSettings]) -> list[RuleSettings]:
        return checked_rule_names(rules)


def check_settings(
    mapping: dict[str, Any],
    name: str,
    written: Written | None = None,
    folder: str = ".",
    file: str = "",
    overrides: Sequence[tuple[str, str]] = (),
) -> Settings:
    """Settings from a mapping as read from TOML.

    Parameters
    ----------
    mapping : dict
        Nested tables.
    name : str
        Name of the file in messages.
    written : callable, optional
        Location of each setting, if several files are merged; see `sitefinder.settings.loading.Joined`.
    folder, file : str, optional
        What they were read from.
    overrides : sequence of (str, str), optional
        What the command line put over the file, see `Settings.overrides`.

    Returns
    -------
    Settings

    Raises
    ------
    ConfigError
        Listing every problem at once, each by its key, with the nearest valid name for an unknown key.
    """
    settings = checked(Settings, mapping, name, written)
    settings._folder, settings._file, settings._overrides = folder, file, tuple(overrides)
    return settings
