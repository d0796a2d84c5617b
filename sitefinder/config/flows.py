"""Settings of where flows come from and of what must stay in the stream."""

from typing import Literal

from pydantic import Field, model_validator

from sitefinder.config.gauging import DailyRecords, NearGauges, SpotSettings
from sitefinder.config.sources import Section
from sitefinder.config.worth import Share


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
    near_gauges: NearGauges | None = Field(
        None, description="carry gauges along their streams; the table must exist for that, empty for its defaults"
    )
    spot_gaugings: SpotSettings = Field(SpotSettings(), description="how inputs.spot_gaugings are used")
    reserve: list[ReserveRule] = Field(min_length=1, description="rules of the reserved flow")

    @model_validator(mode="after")
    def _has_one_way(self):
        if bool(self.equations) == bool(self.gauges):
            raise ValueError("name either flows.equations or flows.gauges, one of the two")
        return self
