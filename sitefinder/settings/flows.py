"""Settings of flows: where they come from, which were measured, and the environmental flow."""

from typing import Annotated, Literal, Self

from pydantic import Field, StringConstraints, model_validator

from sitefinder.settings.economics import Share
from sitefinder.settings.inputs import Section
from sitefinder.units import TO_INTERNAL_UNIT


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
    min_share_of_year: Share = Field(
        0.95, description="share of a year's days that must have a flow for the year to count (own choice)"
    )
    min_years: int = Field(
        10,
        ge=1,
        description="years that must count in the period; fewer make a record short (own choice)",
    )
    short_records: Literal["extend", "flag", "leave_out"] = Field(
        "extend", description="what becomes of a short record; one that cannot be extended is flagged"
    )
    min_overlap_days: int = Field(
        365, ge=30, description="days that a short record and its neighbour must share (own choice)"
    )
    min_correlation: float = Field(
        0.8, gt=0, lt=1, description="minimum correlation of their log flows on those days (own choice)"
    )
    fit_months: bool = Field(False, description="fit the mean flow of each month as well, for the year by months")
    exceedance_percent: list[float] = Field(
        [5, 10, 20, 30, 40, 50, 60, 70, 80, 90, 95], min_length=2, description="quantiles to take [% exceeded]"
    )

    @model_validator(mode="after")
    def _makes_sense(self) -> Self:
        if (self.first_year is None) != (self.last_year is None):
            raise ValueError("first_year and last_year belong together")
        if self.first_year is not None and self.last_year is not None and self.first_year > self.last_year:
            raise ValueError("first_year must not be after last_year")
        if not all(0 < percent < 100 for percent in self.exceedance_percent):
            raise ValueError("exceedance_percent must lie between 0 and 100")
        return self


class NearGauges(Section):
    """How the flow of a gauge is carried up and down its own stream, and weighed against the equations."""

    snap_m: float = Field(100.0, gt=0, description="maximum distance of a gauge from its stream [m]")
    min_area_ratio: float = Field(
        0.5, gt=0, lt=1, description="minimum ratio of a station's area to the gauge's (common practice 0.5)"
    )
    max_area_ratio: float = Field(
        1.5, gt=1, description="maximum ratio of a station's area to the gauge's (common practice 1.5)"
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
    max_area_difference: float = Field(
        1.25,
        gt=1,
        description="the gauge's stated area and that of its station may differ by this factor (own choice)",
    )


class SpotSettings(Section):
    """How spot gaugings adjust the flow at their place, and up and down their stream."""

    snap_m: float = Field(100.0, gt=0, description="maximum distance of a gauging from its stream [m]")
    min_area_ratio: float = Field(
        0.5, gt=0, lt=1, description="minimum ratio of a station's area to the gauging's (own choice)"
    )
    max_area_ratio: float = Field(
        1.5, gt=1, description="maximum ratio of a station's area to the gauging's (own choice)"
    )
    concurrency_log_sd: float = Field(
        0.2,
        gt=0,
        description="error of taking the gauge's exceedance of the day for the place's, in logs (own choice)",
    )
    correlation_span: float = Field(
        1.0,
        gt=0,
        description="range of a gauging along the curve, in standard deviations of exceedance (own choice)",
    )


Kind = Literal[
    "share_of_mean",
    "exceedance_flow",
    "share_of_flow",
    "flow_per_area",
    "hands_off",
    "bands",
    "stepped_table",
]
FlowUnit = Literal["m3s", "ls", "ft3s"]
Month = Annotated[int, Field(ge=1, le=12)]
Percent = Annotated[float, Field(gt=0, lt=100)]
Text = Annotated[str, StringConstraints(strip_whitespace=True, min_length=1)]
# What each kind of rule must have, and what it may have besides.
NEEDED = {
    "share_of_mean": ("share",),
    "exceedance_flow": ("exceedance_percent",),
    "share_of_flow": ("share",),
    "flow_per_area": ("flow_m3s_km2",),
    "hands_off": ("take_share",),
    "bands": ("bands",),
    "stepped_table": ("exceedance_percent", "steps"),
}
ALLOWED = {
    "share_of_mean": ("of_month",),
    "exceedance_flow": ("share", "of_month"),
    "share_of_flow": (),
    "flow_per_area": (),
    "hands_off": (
        "hands_off_m3s",
        "hands_off_share_of_mean",
        "exceedance_percent",
        "take_max_m3s",
        "take_max_share_of_mean",
    ),
    "bands": ("between",),
    "stepped_table": ("flow_unit",),
}
FOR_ANY = ("kind", "source", "months", "mean_above_m3s", "mean_max_m3s", "preset", "choice")


class EnvironmentalFlowBand(Section):
    """Flows from a threshold up to that of the next band."""

    from_m3s: float | None = Field(None, ge=0, description="flow at which the band begins [m³/s]")
    from_exceedance_percent: Percent | None = Field(None, description="or the flow of this exceedance [%]")
    from_share_of_mean: float | None = Field(None, ge=0, description="or this share of the mean flow")
    take_share: Share = Field(description="share of the flow that may be abstracted")

    @model_validator(mode="after")
    def _has_one_threshold(self) -> Self:
        given = (self.from_m3s, self.from_exceedance_percent, self.from_share_of_mean)
        if sum(item is not None for item in given) != 1:
            raise ValueError("give one of from_m3s, from_exceedance_percent and from_share_of_mean")
        return self


class EnvironmentalFlowStep(Section):
    """A row of a stepped table, in the table's own unit of flow."""

    index_from: float = Field(ge=0, description="low-flow index from which the row holds")
    environmental_flow: float = Field(ge=0, description="what must stay at that index")
    further: float = Field(0.0, ge=0, description="what must stay more for each unit that the index is greater")


class EnvironmentalFlowRule(Section):
    """One rule for the flow that stays in the stream; of several, the greatest holds."""

    kind: Kind = Field(description="what the rule depends on; see Environmental flow in config/README.md")
    share: Share | None = Field(None, description="share of the mean flow, or of the flow of the moment")
    exceedance_percent: Percent | None = Field(
        None, description="the flow of this exceedance [%], on the station's natural duration curve"
    )
    flow_m3s_km2: float | None = Field(None, ge=0, description="flow for each km² of catchment [m³/s/km²]")
    of_month: bool = Field(False, description="true: mean or exceeded flow of the month, not of the year")
    hands_off_m3s: float | None = Field(None, ge=0, description="flow below which nothing is abstracted [m³/s]")
    hands_off_share_of_mean: float | None = Field(None, ge=0, description="or this share of the mean flow")
    take_share: Share | None = Field(None, description="share of the flow above it that may be abstracted")
    take_max_m3s: float | None = Field(None, ge=0, description="maximum abstraction [m³/s]")
    take_max_share_of_mean: float | None = Field(None, ge=0, description="or this share of the mean flow")
    bands: list[EnvironmentalFlowBand] | None = Field(None, min_length=1, description="bands, by rising flow")
    between: Literal["steps", "linear"] = Field(
        "steps", description="share between the thresholds of bands: that of the lower one, or linear in flow"
    )
    steps: list[EnvironmentalFlowStep] | None = Field(
        None, min_length=1, description="rows of a table, by rising index"
    )
    flow_unit: FlowUnit = Field("m3s", description="unit of flow in steps")
    months: list[Month] | None = Field(
        None, min_length=1, description="months in which the rule holds, 1 to 12; absent: all"
    )
    mean_above_m3s: float | None = Field(None, ge=0, description="only where the mean flow is above this [m³/s]")
    mean_max_m3s: float | None = Field(None, ge=0, description="only where the mean flow is at most this [m³/s]")
    source: str = Field("the user's choice; local law decides", description="where the rule comes from")

    @model_validator(mode="after")
    def _has_its_numbers(self) -> Self:
        if self.kind is None:
            return self
        for name in NEEDED[self.kind]:
            if getattr(self, name) is None:
                raise ValueError(f"a rule of kind {self.kind} needs {name}")
        fits = (*NEEDED[self.kind], *ALLOWED[self.kind], *FOR_ANY)
        stray = [name for name in self.model_fields_set if name not in fits and getattr(self, name) is not None]
        if stray:
            raise ValueError(f"a rule of kind {self.kind} has no {', '.join(sorted(stray))}")
        if self.kind == "hands_off":
            below = (self.hands_off_m3s, self.hands_off_share_of_mean, self.exceedance_percent)
            if sum(item is not None for item in below) != 1:
                raise ValueError(
                    "a rule of kind hands_off needs one of hands_off_m3s, hands_off_share_of_mean, "
                    "exceedance_percent"
                )
        if self.steps and sorted(set(rows := [step.index_from for step in self.steps])) != rows:
            raise ValueError("steps should stand by rising index_from")
        return self

    @property
    def steps_m3s(self) -> list[tuple[float, float, float]]:
        """Rows of the stepped table as (index, environmental flow [m³/s], further [m³/s per m³/s])."""
        unit = TO_INTERNAL_UNIT[self.flow_unit][1]
        return [
            (step.index_from * unit, step.environmental_flow * unit, step.further) for step in self.steps or ()
        ]

    @property
    def is_seasonal(self) -> bool:
        """Whether the rule goes by the month."""
        return self.months is not None or self.of_month


class EnvironmentalFlowSetting(EnvironmentalFlowRule):
    """One rule for the flow that stays in the stream, or a file of a published one; the greatest holds."""

    # Absent where a preset says it; `EnvironmentalFlowRule` always has one.
    kind: Kind | None = Field(  # type: ignore[assignment]
        None, description="what the rule depends on; see Environmental flow in config/README.md"
    )
    preset: str | None = Field(
        None, description="file with a published rule in place of a kind, relative to the settings file"
    )
    choice: str | None = Field(None, description="which of the preset's rules, where it has several")

    @model_validator(mode="after")
    def _is_rule_or_preset(self) -> Self:
        if (self.kind is None) == (self.preset is None):
            raise ValueError("give either kind or preset, one of the two")
        if self.preset is not None and (stray := self.model_fields_set - {"preset", "choice"}):
            raise ValueError(f"beside preset only choice may stand, not {', '.join(sorted(stray))}")
        if self.kind is not None and self.choice is not None:
            raise ValueError("choice belongs to preset")
        return self


class PresetChoice(Section):
    """Rules that hold together, the greatest at any moment."""

    name: Text = Field(description="what the settings call it")
    rules: list[EnvironmentalFlowRule] = Field(min_length=1)


class EnvironmentalFlowPreset(Section):
    """A file with a published rule: its source, what to beware of, and the choices that it leaves."""

    name: Text = Field(description="title of the rule")
    source: Text = Field(description="law or author, year, article or table; and how it was come by")
    remark: Text = Field(description="what the rule leaves out; that local law decides")
    choices: list[PresetChoice] = Field(min_length=1)

    @model_validator(mode="after")
    def _choices_have_their_own_names(self) -> Self:
        names = [choice.name for choice in self.choices]
        if len(set(names)) < len(names):
            raise ValueError("each choice needs a name of its own")
        return self


class ReleaseSettings(Section):
    """What a weir must release through its fish pass and over its crest."""

    fish_pass_m3s: float = Field(0.0, ge=0, description="water of a fish pass, where a scheme type has one [m³/s]")
    fish_pass_share_of_mean: Share = Field(0.0, description="or this share of the mean flow, the greater of both")
    fish_pass_in_environmental_flow: bool = Field(
        True, description="true: that water counts as part of the environmental flow; false: it comes on top"
    )
    attraction_share: Share = Field(
        0.0,
        description="minimum attraction flow of a fish pass, as a share of the turbines' flow "
        "(common practice some 0.05, no source)",
    )
    crest_share: Share = Field(
        1.0,
        description="share of the environmental flow that a scheme without a depleted reach leaves on its crest",
    )
    crest_min_m3s: float = Field(0.0, ge=0, description="minimum flow over its crest [m³/s]")

    @property
    def changes_nothing(self) -> bool:
        """Whether the reserve is the same for all scheme types."""
        water = self.fish_pass_m3s or self.fish_pass_share_of_mean or self.attraction_share
        return not water and self.changes_no_crest

    @property
    def changes_no_crest(self) -> bool:
        """Whether a scheme type without diverted length leaves what others leave."""
        return self.crest_share == 1.0 and not self.crest_min_m3s


class GaugeTable(Section):
    """A table of gauges to fit regional equations from."""

    path: str = Field(description="CSV with one row for each gauge, relative to the settings file")
    id_column: str = Field("gauge_id", description="column with the gauge's id")
    columns: dict[str, str] = Field(
        default_factory=dict,
        description='columns of the table that have other names, by the required name: area_km2 = "DRAINAGE"',
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
    def _place_whole(self) -> Self:
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
    environmental: list[EnvironmentalFlowSetting] = Field(
        min_length=1, description="rules of the environmental flow, at any moment the greatest; local law decides"
    )
    closed_months: list[Month] = Field(
        [], description="months, 1 to 12, without abstraction, for the migration of fish"
    )
    releases: ReleaseSettings = Field(ReleaseSettings(), description="fish passes, and what goes over a crest")

    @model_validator(mode="after")
    def _has_one_way(self) -> Self:
        if bool(self.equations) == bool(self.gauges):
            raise ValueError("name either flows.equations or flows.gauges, one of the two")
        return self
