"""Settings of where flows come from and of what must stay in the stream."""

from typing import Literal

from pydantic import Field, model_validator

from sitefinder.config.gauging import DailyRecords, NearGauges, SpotSettings
from sitefinder.config.reserve import Month, PassageSettings, ReserveSetting
from sitefinder.config.sources import Section


class GaugeTable(Section):
    """A table of gauges to fit regional equations from."""

    path: str = Field(description="CSV with a row a gauge, relative to the settings file")
    id_column: str = Field("gauge_id", description="column with the gauge's id")
    columns: dict[str, str] = Field(
        default_factory=dict,
        description='columns that the table calls otherwise, by the name they need: area_km2 = "DRAINAGE"',
    )
    predictors: list[str] = Field(min_length=1, description="columns to regress on, log-log")
    record_years_column: str | None = Field(None, description="years of record, as weights")
    x_column: str | None = Field(None, description="column with the gauge's easting or longitude")
    y_column: str | None = Field(None, description="column with the gauge's northing or latitude")
    crs: str | None = Field(None, description="coordinate system of those columns")
    daily: DailyRecords | None = Field(
        None, description="daily records to make the statistics from; absent: the table holds the statistics"
    )
    source: str = Field(description="where the table comes from")

    @model_validator(mode="after")
    def _place_whole(self):
        named = [value is not None for value in (self.x_column, self.y_column, self.crs)]
        if any(named) and not all(named):
            raise ValueError("x_column, y_column and crs belong together")
        return self


class FlowSettings(Section):
    """Where flows come from."""

    equations: list[str] = Field(default_factory=list, description="equation files, relative to the settings file")
    gauges: GaugeTable | None = Field(None, description="gauges to fit equations from, instead of equation files")
    region_weights: Literal["renormalised", "as_given"] = Field(
        "renormalised",
        description="shares of a catchment in inputs.flow_regions that do not add up to 1: divided by their sum, "
        "or taken as they are, so that uncovered ground yields nothing",
    )
    near_gauges: NearGauges | None = Field(
        None, description="carry gauges along their streams; the table must exist for that, empty for its defaults"
    )
    spot_gaugings: SpotSettings = Field(SpotSettings(), description="how inputs.spot_gaugings are used")
    reserve: list[ReserveSetting] = Field(
        min_length=1, description="rules of the reserved flow, at any moment the greatest; local law decides"
    )
    closed_months: list[Month] = Field(
        [], description="months, 1 to 12, in which nothing may be taken, for the migration of fish"
    )
    passage: PassageSettings = Field(PassageSettings(), description="fish passes, and what goes over a crest")

    @model_validator(mode="after")
    def _has_one_way(self):
        if bool(self.equations) == bool(self.gauges):
            raise ValueError("name either flows.equations or flows.gauges, one of the two")
        return self
