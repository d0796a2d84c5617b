"""Settings of what a run reads: rasters, layers, and what is said about them."""

from collections.abc import Sequence
from typing import Any, Literal, Self

from pydantic import BaseModel, ConfigDict, Field, ValidationInfo, field_validator, model_validator

from sitefinder.units import METRES_PER_VERTICAL_UNIT

# Ways to state the error of elevations, of which one is taken. The last one declared looks at the others.
ERROR_STATEMENTS = ("error_preset", "error_le90_m", "error_le95_m", "error_rmse_m")


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
        min_length=1, description="name of the vertical datum of the elevations, such as EGM96"
    )
    nodata: float | None = Field(None, description="value that means no data, where the file states none")
    error_preset: str | None = Field(
        None, description="file of an error by kind of DEM, such as those of config/dem-errors"
    )
    error_le90_m: float | None = Field(None, gt=0, description="error that 90 % of the elevations are within [m]")
    error_le95_m: float | None = Field(None, gt=0, description="error that 95 % of the elevations are within [m]")
    error_rmse_m: float | None = Field(
        None,
        gt=0,
        validate_default=True,
        description="root mean square error of the elevations [m]; of the four, state exactly one",
    )
    error_correlation_length_m: float | None = Field(
        None, ge=0, description="distance over which elevation errors are alike [m]; absent: the preset's, or 100"
    )
    kind: Literal["terrain", "surface"] | None = Field(
        None, description="bare earth, or with trees and roofs; absent: the preset's, or terrain"
    )
    survey_flow_exceedance_percent: float | None = Field(
        None,
        gt=0,
        lt=100,
        description="share of time that the flow of the survey day is exceeded [%]; absent: the median flow",
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
    """The value of the last of several ways to state an error, if exactly one of them is taken.

    Parameters
    ----------
    value : float or None
        Of the last of `names`.
    others : dict
        Values of the fields before, without those that are out of their range.
    names : sequence of str

    Returns
    -------
    float or None

    Raises
    ------
    ValueError
        If none or several are stated. Where another one is out of its range, that is told already.
    """
    if all(name in others for name in names[:-1]):
        stated = [name for name in names[:-1] if others[name] is not None] + [names[-1]] * (value is not None)
        if len(stated) != 1:
            found = " and ".join(stated) or "none"
            raise ValueError(f"state exactly one of {', '.join(names[:-1])} and {names[-1]} (found {found})")
    return value


class CovariateSource(Source):
    """A raster whose mean over each catchment is a predictor of flow; its name in the file carries the unit."""

    scale: float = Field(1.0, description="factor from the raster's numbers to the unit in the name")


class LayerSource(Source):
    """A vector layer."""

    layer: str | None = Field(None, description="layer name, where the file holds several")
    id_column: str | None = Field(None, description="column with the user's own id")
    name_column: str | None = Field(None, description="column with names to show")


class DemFootprintSource(LayerSource):
    """Polygons of the surveys that a DEM was joined from, each with its error."""

    error_column: str = Field("error_rmse_m", description="column with the error of the elevations [m]")
    error_measure: Literal["rmse", "le90", "le95"] = Field(
        "rmse", description="what that error is: root mean square, or what 90 % or 95 % are within"
    )
    date_column: str = Field(
        "date", description="column with the survey's date: year, month or day, as 2019-04-30"
    )
    kind_column: str = Field("kind", description="column that says terrain or surface")
    correlation_column: str | None = Field(
        None, description="column with the distance over which errors are alike [m]; absent or empty: the DEM's"
    )


class PlantSource(LayerSource):
    """Existing plants."""

    plant_column: str | None = Field(None, description="column that names the plant of each point")
    role_column: str | None = Field(None, description="column that says intake or tailrace of each point")

    @model_validator(mode="after")
    def _columns_whole(self) -> Self:
        if (self.plant_column is None) != (self.role_column is None):
            raise ValueError("plant_column and role_column belong together")
        return self


class ShareSource(LayerSource):
    """Polygons whose share of each catchment is a predictor of flow, ``NAME_percent``."""

    column: str | None = Field(None, description="column to filter by")
    values: list[str | int | float | bool] | None = Field(None, description="values that count")

    @model_validator(mode="after")
    def _filter_whole(self) -> Self:
        if (self.column is None) != (self.values is None):
            raise ValueError("column and values belong together")
        return self


class FlowRegionSource(LayerSource):
    """Polygons of the regions that flow equations are for."""

    code_column: str = Field(description="column with each region's code, as the equations give it in region")


class StreamSource(LayerSource):
    """The mapped streams."""

    inflow_area_column: str | None = Field(
        None, description="column with the catchment outside, for streams that enter the DEM [km²]"
    )


class Inputs(Section):
    """What a run reads."""

    dem: DemSource = Field(description="elevations")
    dem_footprints: DemFootprintSource | None = Field(
        None, description="surveys that the DEM was joined from; absent: one error for all of it"
    )
    streams: StreamSource | None = Field(None, description="mapped streams; absent: derived from the DEM")
    region: LayerSource | None = Field(None, description="polygon of the inventory; absent: all of the DEM")
    districts: LayerSource | None = Field(None, description="polygons for totals")
    structures: LayerSource | None = Field(None, description="existing weirs and drops")
    falls: LayerSource | None = Field(
        None, description="natural falls as points; effects along the stream end there"
    )
    plants: PlantSource | None = Field(
        None, description="existing plants: lines or points from intake to tailrace, polygons of ponds"
    )
    field_levels: Source | None = Field(
        None,
        description="table (CSV) of drops measured between places; see Field measurements in config/README.md",
    )
    ratings: Source | None = Field(None, description="table (CSV) of levels by flow at places")
    sections: Source | None = Field(None, description="table (CSV) of widths and depths measured at places")
    gauge_stations: LayerSource | None = Field(
        None, description="gauges as points; with columns of flow where the gauge table does not have theirs"
    )
    spot_gaugings: Source | None = Field(
        None, description="table (CSV) of flows measured at places, with a gauge's reading of the day"
    )
    lakes: LayerSource | None = Field(None, description="standing water")
    roads: LayerSource | None = Field(None, description="roads, for the cost of access")
    power_lines: LayerSource | None = Field(
        None, description="lines that a plant may feed into, for the cost of the connection"
    )
    settlements: LayerSource | None = Field(
        None, description="settlements; a line may lead there, and those off the grid may be served"
    )
    karst: LayerSource | None = Field(
        None, description="karst: areas or reaches where water is lost underground or emerges"
    )
    tidal: LayerSource | None = Field(None, description="tidal water; no site is selected there or below")
    regulated: LayerSource | None = Field(
        None, description="dams that store water, as points, or the reaches or reservoirs that they regulate"
    )
    abstractions: LayerSource | None = Field(
        None, description="points where water is abstracted or returned; see Flows in config/README.md"
    )
    flow_regions: FlowRegionSource | None = Field(
        None, description="polygons of the regions that flow equations are for; absent: each holds everywhere"
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
    def _predictors_have_their_own_names(self) -> Self:
        names = ["area_km2", *self.covariates, *(f"{name}_percent" for name in self.shares)]
        names += [f"{name}_covered_percent" for name in self.covariates]
        if repeated := sorted({name for name in names if names.count(name) > 1}):
            raise ValueError(f"two predictors are called {', '.join(repeated)}")
        return self
