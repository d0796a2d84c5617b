"""Settings of what a run reads: rasters and layers, with their datum, error and columns."""

from collections.abc import Sequence
from typing import Any, Literal, Self

from pydantic import Field, ValidationInfo, field_validator, model_validator

from sitefinder.settings.choices import AbstractionKind, FlowUnit
from sitefinder.settings.days import day_as_text, existing_day
from sitefinder.settings.section import Section
from sitefinder.units import METRES_PER_VERTICAL_UNIT
from sitefinder.vocabulary import ABSTRACTION_KINDS, STRUCTURE_ATTRIBUTES

# Settings that state the error of elevations; exactly one is allowed. The last one declared checks the others.
ERROR_STATEMENTS = ("error_preset", "error_le90_m", "error_le95_m", "error_rmse_m")

# An elevation that is further off says nothing of where water runs (own choice) [m].
MAX_ERROR_M = 1000.0


class Source(Section):
    """A file of the user; paths are relative to the settings file."""

    path: str = Field(description="file that GDAL can read, relative to the settings file")
    crs: str | None = Field(
        None, description="coordinate system, such as EPSG:32633; absent: the one that the file states"
    )
    operation: str | None = Field(
        None,
        description="coordinate operation to use, by a part of its name; absent: the most accurate one available",
    )
    source: str = Field("not stated", description="producer of the data, for the layer provenance")
    date: str = Field("not stated", description="edition or survey date, for the layer provenance")
    licence: str = Field("not stated", description="licence of the data, for the layer provenance")
    attribution: str | None = Field(
        None,
        min_length=1,
        description='credit that the licence asks for, such as "© National Survey 2024"; "none" where it asks for '
        "none; absent: not stated, and a public edition is refused",
    )
    redistribute: bool | None = Field(
        None,
        description="whether the licence lets the file itself be passed on, in a public edition; absent: it does "
        "not, and the edition says what to obtain",
    )

    @field_validator("date", mode="before")
    @classmethod
    def _date_as_text(cls, date: Any) -> Any:
        # A year is a number in TOML, and a day a date.
        is_year = isinstance(date, int) and not isinstance(date, bool)
        return str(date) if is_year else day_as_text(date)


class DemSource(Source):
    """The digital elevation model (DEM)."""

    vertical_unit: Literal["metre", "foot", "us_survey_foot"] = Field(description="unit of the elevations")
    vertical_datum: str = Field(min_length=1, description="vertical datum of the elevations, such as EGM96")
    nodata: float | None = Field(
        None, description="value of cells without data; absent: the one that the file states"
    )
    error_preset: str | None = Field(
        None,
        description="file with the vertical error of a kind of DEM, as in config/dem-errors; absent: state one of "
        "the three errors below",
    )
    error_le90_m: float | None = Field(
        None,
        gt=0,
        le=MAX_ERROR_M,
        description="linear error at 90 % of the elevations (LE90) [m]; absent: another error is stated",
    )
    error_le95_m: float | None = Field(
        None,
        gt=0,
        le=MAX_ERROR_M,
        description="linear error at 95 % of the elevations (LE95) [m]; absent: another error is stated",
    )
    error_rmse_m: float | None = Field(
        None,
        gt=0,
        le=MAX_ERROR_M,
        validate_default=True,
        description="root mean square error of the elevations [m]; state exactly one of the four; absent: another "
        "error is stated",
    )
    error_correlation_length_m: float | None = Field(
        None,
        ge=0,
        description="correlation length of the elevation errors [m]; absent: that of error_preset, or 100",
    )
    kind: Literal["terrain", "surface"] | None = Field(
        None,
        description="terrain (bare earth) or surface (with trees and roofs); absent: that of error_preset, or "
        "terrain",
    )
    survey_flow_exceedance_percent: float | None = Field(
        None,
        gt=0,
        lt=100,
        description="time that the flow of the survey day is equalled or exceeded [%]; absent: 50, the median "
        "flow",
    )

    @field_validator("error_rmse_m")
    @classmethod
    def _one_error(cls, value: float | None, info: ValidationInfo) -> float | None:
        return one_error_stated(value, info.data, ERROR_STATEMENTS)

    @property
    def metres_per_unit(self) -> float:
        """Metres in one unit of elevation."""
        return METRES_PER_VERTICAL_UNIT[self.vertical_unit]


def one_error_stated(value: float | None, others: dict[str, Any], names: Sequence[str]) -> float | None:
    """The value of the last of several settings that state an error, if exactly one of these is stated.

    Parameters
    ----------
    value : float or None
        Value of the last of `names`.
    others : dict
        Values of the fields before it, without those that are out of range.
    names : sequence of str

    Returns
    -------
    float or None

    Raises
    ------
    ValueError
        If none or several are stated. A value out of range is already reported by its own field.
    """
    if all(name in others for name in names[:-1]):
        stated = [name for name in names[:-1] if others[name] is not None] + [names[-1]] * (value is not None)
        if len(stated) != 1:
            found = " and ".join(stated) or "none"
            raise ValueError(f"state exactly one of {', '.join(names[:-1])} and {names[-1]} (found {found})")
    return value


class CovariateSource(Source):
    """A raster whose catchment mean is a predictor of flow; its name carries the unit (precipitation_mm)."""

    scale: float = Field(1.0, description="factor from the raster's values to the unit in its name")
    nodata: float | None = Field(
        None, description="value of cells without data; absent: the one that the file states"
    )


class LayerSource(Source):
    """A vector layer."""

    layer: str | None = Field(None, description="layer name; absent: the only layer of the file")
    id_column: str | None = Field(None, description="column of feature ids; absent: the row number")
    name_column: str | None = Field(None, description="column of names to show; absent: no names")


class DemFootprintSource(LayerSource):
    """Polygons of the surveys that a DEM was mosaicked from, each with its vertical error."""

    error_column: str = Field("error_rmse_m", description="column of the vertical error [m]")
    error_measure: Literal["rmse", "le90", "le95"] = Field(
        "rmse", description="measure of that error: root mean square error, LE90 or LE95"
    )
    date_column: str = Field(
        "date", description="column of the survey date: year, month or day, such as 2019-04-30"
    )
    kind_column: str = Field("kind", description="column with terrain or surface")
    correlation_column: str | None = Field(
        None,
        description="column of the correlation length of errors [m]; absent or an empty cell: that of inputs.dem",
    )


class PlantSource(LayerSource):
    """Existing hydropower plants."""

    plant_column: str | None = Field(
        None, description="column of the plant to which a point belongs; absent: each feature is a plant"
    )
    role_column: str | None = Field(
        None, description="column with intake or tailrace for each point; absent: each feature is a plant"
    )

    @model_validator(mode="after")
    def _columns_belong_together(self) -> Self:
        if (self.plant_column is None) != (self.role_column is None):
            raise ValueError("plant_column and role_column belong together")
        return self


# How `Inputs.structures` is called beside the inventories of `Inputs.more_structures`.
FIRST_INVENTORY = "structures"


class StructureSource(LayerSource):
    """An inventory of existing weirs and drops."""

    columns: dict[str, str] = Field(
        default_factory=dict,
        description='columns of the layer by what they hold, such as drop_m = "HEIGHT": '
        + ", ".join(STRUCTURE_ATTRIBUTES)
        + "; absent: columns of these names",
    )
    kinds: dict[str, str] = Field(
        default_factory=dict,
        description='kinds of structures by the layer\'s words for them, such as Sohlrampe = "ramp"; absent: the '
        "layer's own words",
    )
    drop_scale: float = Field(1.0, gt=0, description="factor from the layer's heights to metres")
    zero_height_is_missing: bool = Field(
        False, description="whether a height of 0 means that none is known; false: a drop of 0 m"
    )
    status_column: str | None = Field(
        None, description="column that says whether a structure is still there; absent: all are"
    )
    removed_values: list[str | int] = Field(
        default_factory=list, description="values of status_column of structures that have been removed"
    )
    removal_planned_values: list[str | int] = Field(
        default_factory=list, description="values of status_column of structures whose removal is planned"
    )
    priority: int | None = Field(
        None,
        ge=1,
        description="rank among several inventories, whose statements are taken first: 1 comes first; absent: "
        "after those with a rank, in the order of the settings",
    )
    position_error_m: float | None = Field(
        None,
        ge=0,
        description="how far points may be from their structures [m]; two of one structure may be as far apart as "
        "both errors together; absent: stretches.structure_merge_distance_m alone counts",
    )
    holds_duplicates: bool = Field(
        False, description="whether the layer itself may hold a structure several times; false: it never does"
    )

    @field_validator("columns")
    @classmethod
    def _attributes_are_known(cls, value: dict[str, str]) -> dict[str, str]:
        if unknown := [name for name in value if name not in STRUCTURE_ATTRIBUTES]:
            raise ValueError(
                f"a structure has no {', '.join(unknown)}; columns may name those of "
                f"{', '.join(STRUCTURE_ATTRIBUTES)}"
            )
        return value

    @model_validator(mode="after")
    def _status_is_complete(self) -> Self:
        has_values = bool(self.removed_values or self.removal_planned_values)
        if (self.status_column is not None) != has_values:
            raise ValueError("status_column belongs together with removed_values or removal_planned_values")
        both = {_plain_word(value) for value in self.removed_values} & {
            _plain_word(value) for value in self.removal_planned_values
        }
        if both:
            raise ValueError(f"{', '.join(sorted(both))} is in removed_values and removal_planned_values")
        return self


def _plain_word(value: str | int) -> str:
    return str(value).strip().lower()


class ShareSource(LayerSource):
    """Polygons whose share of the catchment is a predictor of flow, ``NAME_percent``."""

    column: str | None = Field(None, description="column to filter by; absent: all features count")
    values: list[str | int | float | bool] | None = Field(
        None, description="values of that column that count; absent: all features count"
    )

    @model_validator(mode="after")
    def _filter_is_complete(self) -> Self:
        if (self.column is None) != (self.values is None):
            raise ValueError("column and values belong together")
        return self


class FlowRegionSource(LayerSource):
    """Polygons of the regions for which flow equations are valid."""

    code_column: str = Field(description="column of the region code, as in the equations' region")


class WaterBodySource(LayerSource):
    """Water bodies, with the status of each and what sites may do there together."""

    status_column: str | None = Field(
        None,
        description="column of the status of a water body, in the words of the user's classification; absent: no "
        "status is known",
    )
    must_not_fall_values: list[str | int] = Field(
        default_factory=list,
        description="values of status_column of water bodies whose status must not fall; sites there get the flag "
        "status_must_not_fall; absent: none",
    )
    max_plants_column: str | None = Field(
        None,
        description="column of the maximum number of plants in a water body, existing plants included; absent or "
        "an empty cell: ranking.max_plants_per_water_body",
    )
    max_new_barriers_column: str | None = Field(
        None,
        description="column of the maximum number of new barriers of sites in a water body; absent or an empty "
        "cell: ranking.max_new_barriers_per_water_body",
    )

    @model_validator(mode="after")
    def _values_have_a_column(self) -> Self:
        if self.must_not_fall_values and self.status_column is None:
            raise ValueError("must_not_fall_values needs status_column, the column that holds them")
        return self


class ParcelSource(LayerSource):
    """Parcels of land, with the class of the owner of each; no owner is ever named."""

    owner_column: str = Field(description="column of the owner, or of a class of owner, by the layer's own words")
    owner_classes: dict[str, str] = Field(
        min_length=1,
        description='class of owner by the words of owner_column, such as STATE = "public"; owners that are not '
        "listed have no class, and no word of the layer is ever shown",
    )
    within_m: float = Field(
        10.0,
        ge=0,
        description="how far from intake and tailrace a parcel counts [m] (own choice: the ground of small works)",
    )

    @model_validator(mode="after")
    def _owners_have_no_names(self) -> Self:
        if self.name_column is not None:
            raise ValueError("parcels take no name_column: owners are shown by their class alone")
        empty = [word for word, kind in self.owner_classes.items() if not kind.strip() or ";" in kind]
        if empty:
            raise ValueError(f"owner_classes: {len(empty)} words have no class, or one with a semicolon")
        return self


class WaterRightSource(LayerSource):
    """Abstractions, returns and transfers of water, with the rights behind them."""

    flow_column: str = Field("flow_m3s", description="column of the flow while it runs, in flow_unit")
    flow_unit: FlowUnit = Field(
        "m3_per_s",
        description="unit of that flow; a volume of a year is that flow if it ran all year: with share_of_time or "
        "months state the flow while it runs",
    )
    kind_column: str = Field("kind", description="column of the kind: " + ", ".join(ABSTRACTION_KINDS))
    kinds: dict[str, str] = Field(
        default_factory=dict,
        description="kinds by the layer's words for them, such as Entnahme = \"abstraction\"; absent: the layer's "
        "own words",
    )
    default_kind: AbstractionKind | None = Field(
        None, description="kind of what states none; absent: everything must state its kind"
    )
    licence_column: str | None = Field(
        None, description="column of the licence or file number, shown as reference; absent: id_column"
    )
    seniority_column: str | None = Field(
        None, description="column of the seniority, such as the year of the grant, as text; absent: not known"
    )
    return_share: float = Field(
        1.0,
        ge=0,
        le=1,
        description="share of the flow that comes back at the end of a line, or at return_x_column and "
        "return_y_column",
    )
    return_x_column: str | None = Field(
        None,
        description="column of the place of return, east, in the layer's coordinate system; an empty cell: the "
        "water does not come back; absent: it comes back at the ends of lines alone",
    )
    return_y_column: str | None = Field(None, description="the same, north")
    downstream_m: float = Field(
        1000.0,
        ge=0,
        description="distance below a tailrace within which rights are listed with the site [m] (common practice, "
        "no source)",
    )

    @model_validator(mode="after")
    def _kinds_are_known(self) -> Self:
        if unknown := [kind for kind in self.kinds.values() if kind not in ABSTRACTION_KINDS]:
            raise ValueError(f"kinds gives {unknown[0]}; expected one of {', '.join(ABSTRACTION_KINDS)}")
        if (self.return_x_column is None) != (self.return_y_column is None):
            raise ValueError("return_x_column and return_y_column belong together")
        return self


class PowerLineSource(LayerSource):
    """Power lines, with their voltages if known."""

    voltage_column: str | None = Field(
        None,
        description="column of the nominal voltage, several such as 110/20; absent: every line fits every plant",
    )
    voltage_unit: Literal["kV", "V"] = Field("kV", description="unit of voltage_column")


class SubstationSource(LayerSource):
    """Substations, with what is free for plants, and their voltages."""

    capacity_column: str | None = Field(
        None, description="column of the free capacity for plants, in capacity_unit; absent: it is not known"
    )
    capacity_unit: Literal["kW", "MW", "kVA", "MVA"] | None = Field(
        None,
        description="unit of capacity_column, which must be stated beside it; absent: there is no such column",
    )
    power_factor: float = Field(
        0.95,
        gt=0,
        le=1,
        description="power factor by which apparent power in kVA or MVA becomes power (common practice 0.9–1, no "
        "source)",
    )
    voltage_column: str | None = Field(
        None,
        description="column of the nominal voltages, such as 110/20; absent: every substation fits every plant",
    )
    voltage_unit: Literal["kV", "V"] = Field("kV", description="unit of voltage_column")

    @model_validator(mode="after")
    def _capacity_has_a_unit(self) -> Self:
        if (self.capacity_column is None) != (self.capacity_unit is None):
            raise ValueError("capacity_column and capacity_unit belong together")
        return self


class StreamSource(LayerSource):
    """The mapped stream network."""

    inflow_area_column: str | None = Field(
        None,
        description="column of the catchment area outside the DEM, for streams that enter it [km²]; absent: no "
        "inflow over the edge",
    )


class DropSource(LayerSource):
    """Drops without a mapped stream."""

    flow_error_percent: float | None = Field(
        None,
        ge=0,
        description="standard error of the mean of a stated flow, inter-annual variability included, where its "
        "row states none [%]; absent: such a drop has no interval",
    )


class DecisionSource(LayerSource):
    """Decisions about reaches: keep, drop, or pin a scheme type."""

    on_date: str | None = Field(
        None,
        description="day on which decisions must be valid, such as 2026-05-31; absent: none may have an end",
    )
    head_tolerance_m: float = Field(
        0.5,
        ge=0,
        description="how far the gross head of a reach may be from the one that a decision was based on, for the "
        "decision to apply [m]",
    )

    @field_validator("on_date", mode="before")
    @classmethod
    def _day_as_text(cls, on_date: Any) -> Any:
        return day_as_text(on_date)

    @field_validator("on_date")
    @classmethod
    def _day_exists(cls, on_date: str | None) -> str | None:
        return existing_day(on_date)


class Inputs(Section):
    """The inputs of a run."""

    dem: DemSource = Field(description="digital elevation model")
    dem_footprints: DemFootprintSource | None = Field(
        None, description="surveys that the DEM was mosaicked from; absent: one vertical error for all of it"
    )
    streams: StreamSource | None = Field(None, description="mapped streams (lines); absent: derived from the DEM")
    region: LayerSource | None = Field(None, description="polygon of the inventory; absent: the whole DEM")
    within: LayerSource | None = Field(
        None, description="trial: show only what lies in these polygons; absent: the whole region"
    )
    districts: LayerSource | None = Field(None, description="polygons to total by; absent: no totals by district")
    structures: StructureSource | None = Field(
        None, description="existing weirs and drops (points); absent: none are known"
    )
    more_structures: dict[str, StructureSource] = Field(
        default_factory=dict,
        description="further inventories of weirs and drops (points) by name, merged with inputs.structures; "
        "absent: there is one",
    )
    drops: DropSource | None = Field(
        None,
        description="drops without a mapped stream (points): canal drops, mill races, outfalls, weirs with a "
        "stated flow; columns drop_m and flow_m3s, or flow_01_m3s to flow_12_m3s, or rows of drop_flows, see "
        "config/README.md; absent: none",
    )
    drop_flows: Source | None = Field(
        None,
        description="table (CSV) of daily flows of these drops: columns drop_id, date (such as 2020-05-31) and "
        "flow_m3s; absent: none has a record",
    )
    decisions: DecisionSource | None = Field(
        None,
        description="decisions (CSV, or points) that drop, keep or pin reaches after the rules, see "
        "config/README.md for their columns; absent: none",
    )
    falls: LayerSource | None = Field(
        None, description="natural falls (points) that end effects along the stream; absent: none are known"
    )
    plants: PlantSource | None = Field(
        None,
        description="existing plants: lines or points from intake to tailrace, polygons of ponds; absent: none "
        "are known",
    )
    field_levels: Source | None = Field(
        None,
        description="table (CSV) of surveyed drops between pairs of places, see config/README.md for its columns; "
        "absent: none",
    )
    observations: Source | None = Field(
        None,
        description="field-observations.csv of an earlier run, filled in: levels, gaugings, structures, fish and "
        "access; absent: none",
    )
    ratings: Source | None = Field(
        None, description="table (CSV) of water levels by flow (rating curves); absent: none"
    )
    sections: Source | None = Field(None, description="table (CSV) of surveyed widths and depths; absent: none")
    gauge_stations: LayerSource | None = Field(
        None, description="gauges (points), with columns of flow where the gauge table has none; absent: none"
    )
    spot_gaugings: Source | None = Field(
        None,
        description="table (CSV) of spot gaugings, each with the reading of a gauge on that day; absent: none",
    )
    lakes: LayerSource | None = Field(
        None, description="lakes and reservoirs (polygons); absent: standing water is found in the DEM only"
    )
    water_bodies: WaterBodySource | None = Field(
        None,
        description="water bodies (lines, or polygons of their water or catchments) to total by and to limit what "
        "sites do together; absent: totals and limits by stream only",
    )
    parcels: ParcelSource | None = Field(
        None,
        description="parcels (polygons) with their owners, of which the class is shown at intake and tailrace and "
        "along the conduit; absent: nothing is said of land",
    )
    roads: LayerSource | None = Field(
        None,
        description="roads (lines), for the cost of access; absent: no road distance and no access cost by "
        "distance",
    )
    power_lines: PowerLineSource | None = Field(
        None,
        description="power lines that a plant may connect to; absent: no line distance and no connection cost by "
        "distance, but to inputs.substations",
    )
    substations: SubstationSource | None = Field(
        None,
        description="substations (points) that a plant may connect to, with their free capacity; absent: power "
        "lines alone, and no limit of capacity",
    )
    settlements: LayerSource | None = Field(
        None, description="settlements, for line ends and off-grid supply; absent: no settlement distance"
    )
    buildings: LayerSource | None = Field(
        None,
        description="buildings (polygons), through which no conduit goes, or at crossings.per_building of the "
        "cost file; absent: none stands in its way",
    )
    karst: LayerSource | None = Field(
        None, description="karst: areas or stream stretches that lose or gain water; absent: none are known"
    )
    tidal: LayerSource | None = Field(
        None,
        description="tidal water; no site is selected there or downstream; absent: only heads.tidal_below_m "
        "applies",
    )
    regulated: LayerSource | None = Field(
        None,
        description="storage dams (points), or regulated stretches or reservoirs; absent: no flow is flagged as "
        "regulated",
    )
    abstractions: WaterRightSource | None = Field(
        None,
        description="water rights: abstractions, returns and transfers (points, lines from diversion to return, "
        "areas, or a CSV with x and y), see config/README.md for the columns; absent: natural flow",
    )
    flow_regions: FlowRegionSource | None = Field(
        None,
        description="polygons of the regions for which flow equations are valid; absent: every equation is valid "
        "everywhere",
    )
    covariates: dict[str, CovariateSource] = Field(
        default_factory=dict,
        description="rasters by the name that flow equations use, such as precipitation_mm",
    )
    shares: dict[str, ShareSource] = Field(
        default_factory=dict,
        description="polygons by name: those of forest give the predictor forest_percent",
    )
    allow_outside: list[str] = Field(
        default_factory=list,
        description="folders, relative to the settings file, whose files may be named by other files: parts of "
        "mosaics, daily records, cost and settings files that are extended; absent: only those beside or below "
        "the file that names them, or the settings",
    )
    allow_network: bool = Field(
        False, description="whether rasters may be read from addresses (https://…), without being copied first"
    )

    @model_validator(mode="after")
    def _records_have_drops(self) -> Self:
        if self.drop_flows is not None and self.drops is None:
            raise ValueError("drop_flows needs drops, the points that the flows are of")
        return self

    @property
    def inventories(self) -> dict[str, StructureSource]:
        """Inventories of structures by name, those of the first rank first."""
        if self.structures is None:
            return {}
        sources = {FIRST_INVENTORY: self.structures} | self.more_structures
        last = max([source.priority for source in sources.values() if source.priority is not None], default=0) + 1
        # Sorting is stable: those without a rank stay in the order of the settings.
        return dict(sorted(sources.items(), key=lambda item: item[1].priority or last))

    @model_validator(mode="after")
    def _inventories_differ(self) -> Self:
        if not self.more_structures:
            return self
        if self.structures is None:
            raise ValueError("more_structures needs structures, the inventory that they are merged with")
        if FIRST_INVENTORY in self.more_structures:
            raise ValueError(
                f"more_structures.{FIRST_INVENTORY} has the name of inputs.structures; give it another"
            )
        ranks: dict[int, list[str]] = {}
        for name, source in self.inventories.items():
            if source.priority is not None:
                ranks.setdefault(source.priority, []).append(name)
        for rank, names in ranks.items():
            if len(names) > 1:
                raise ValueError(
                    f"inventories {', '.join(sorted(names))} all have priority {rank}; give each one its own"
                )
        return self

    @model_validator(mode="after")
    def _predictors_have_their_own_names(self) -> Self:
        names = ["area_km2", *self.covariates, *(f"{name}_percent" for name in self.shares)]
        names += [f"{name}_covered_percent" for name in self.covariates]
        if repeated := sorted({name for name in names if names.count(name) > 1}):
            raise ValueError(f"two predictors have the name {', '.join(repeated)}; rename a covariate or share")
        return self
