"""Settings of flows that were measured: daily records, gauges on the run's own streams, spot gaugings."""

from typing import Literal

from pydantic import Field, model_validator

from sitefinder.config.sources import Section
from sitefinder.config.worth import Share


class DailyRecords(Section):
    """Daily flows of each gauge of the table, from which its statistics are made."""

    file_column: str = Field("daily_file", description="column with each gauge's CSV, relative to the gauge table")
    date_column: str = Field("date", description="column with dates, year-month-day")
    flow_column: str = Field("flow", description="column with the mean flow of the day")
    unit: Literal["m3s", "ls", "ft3s"] = Field(description="unit of the flows")
    missing_values: list[str] = Field(
        ["", "NA", "NaN", "-999", "-9999", "-999999"], description="cells of flow that mean that there is none"
    )
    flag_column: str | None = Field(None, description="column with marks of each day")
    estimated_flags: list[str] = Field(["e", "E"], description="marks of a flow that was estimated")
    ice_flags: list[str] = Field(
        ["Ice", "ice"], description="marks of a day under ice; also as a cell of flow, which is then missing"
    )
    count_estimated: bool = Field(True, description="false: estimated days count as days without a flow")
    count_ice: bool = Field(True, description="false: days under ice count as days without a flow")
    year_starts_in_month: int = Field(1, ge=1, le=12, description="first month of the year, such as 10 or 11")
    first_year: int | None = Field(
        None, description="first year of the reference period; a year is named for the one in which it ends"
    )
    last_year: int | None = Field(None, description="last year of the reference period")
    least_share_of_year: Share = Field(
        0.95, description="share of a year's days that must have a flow for the year to count (own choice)"
    )
    least_years: int = Field(
        10,
        ge=1,
        description="years that must count in the period; fewer make a record short (own choice)",
    )
    short_records: Literal["extend", "flag", "leave_out"] = Field(
        "extend", description="what becomes of a short record; one that cannot be extended is flagged"
    )
    least_overlap_days: int = Field(
        365, ge=30, description="days that a short record and its neighbour must share (own choice)"
    )
    least_correlation: float = Field(
        0.8, gt=0, lt=1, description="least correlation of their log flows on those days (own choice)"
    )
    fit_months: bool = Field(False, description="fit the mean flow of each month as well, for the year by months")
    exceedance_percent: list[float] = Field(
        [5, 10, 20, 30, 40, 50, 60, 70, 80, 90, 95], min_length=2, description="quantiles to take [% exceeded]"
    )

    @model_validator(mode="after")
    def _makes_sense(self):
        if (self.first_year is None) != (self.last_year is None):
            raise ValueError("first_year and last_year belong together")
        if self.first_year is not None and self.first_year > self.last_year:
            raise ValueError("first_year must not be after last_year")
        if not all(0 < percent < 100 for percent in self.exceedance_percent):
            raise ValueError("exceedance_percent must lie between 0 and 100")
        return self


class NearGauges(Section):
    """How the flow of a gauge is carried up and down its own stream, and weighed against the equations."""

    snap_m: float = Field(100.0, gt=0, description="farthest that a gauge may lie from its stream [m]")
    least_area_ratio: float = Field(
        0.5, gt=0, lt=1, description="least area of a station against the gauge's (common practice 0.5)"
    )
    most_area_ratio: float = Field(
        1.5, gt=1, description="greatest area of a station against the gauge's (common practice 1.5)"
    )
    exponent: float | None = Field(
        None,
        gt=0,
        description="exponent of the area ratio; absent: by percentile, after Asquith, Roussel & Vrabel 2006",
    )
    gauge_log_sd: float = Field(
        0.05,
        gt=0,
        description="error of a gauge's own mean flow, its rating's, in natural logs (own choice)",
    )
    most_area_difference: float = Field(
        1.25,
        gt=1,
        description="the gauge's stated area and that of its station may differ by this factor (own choice)",
    )


class SpotSettings(Section):
    """How spot gaugings adjust the flow at their place, and up and down their stream."""

    snap_m: float = Field(100.0, gt=0, description="farthest that a gauging may lie from its stream [m]")
    least_area_ratio: float = Field(
        0.5, gt=0, lt=1, description="least area of a station against the gauging's (own choice)"
    )
    most_area_ratio: float = Field(
        1.5, gt=1, description="greatest area of a station against the gauging's (own choice)"
    )
    concurrency_log_sd: float = Field(
        0.2,
        gt=0,
        description="error of taking the gauge's exceedance of the day for the place's, in logs (own choice)",
    )
    correlation_span: float = Field(
        1.0,
        gt=0,
        description="how far along the curve a gauging tells, in standard deviations of exceedance (own choice)",
    )
