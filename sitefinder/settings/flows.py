"""Settings of flows: flow source, measurements and environmental flow."""

from typing import Annotated, Literal, Self

from pydantic import Field, StringConstraints, model_validator

from sitefinder.settings.economics import Share
from sitefinder.settings.section import Section
from sitefinder.units import TO_INTERNAL_UNIT


class DailyRecords(Section):
    """Daily flows of each gauge, from which its statistics are computed."""

    file_column: str = Field("daily_file", description="column of each gauge's CSV, relative to the gauge table")
    date_column: str = Field("date", description="column of dates, year-month-day")
    flow_column: str = Field("flow", description="column of daily mean flow")
    unit: Literal["m3s", "ls", "ft3s"] = Field(description="unit of the flows")
    missing_values: list[str] = Field(
        ["", "NA", "NaN", "-999", "-9999", "-999999"], description="cells of flow that mean no data"
    )
    flag_column: str | None = Field(None, description="column of quality flags; absent: no flags")
    estimated_flags: list[str] = Field(["e", "E"], description="flags of an estimated flow")
    ice_flags: list[str] = Field(
        ["Ice", "ice"], description="flags of a day under ice; also as a cell of flow, which is then missing"
    )
    count_estimated: bool = Field(True, description="false: estimated days count as missing")
    count_ice: bool = Field(True, description="false: days under ice count as missing")
    year_starts_in_month: int = Field(
        1, ge=1, le=12, description="first month of the hydrological year, such as 10 or 11"
    )
    first_year: int | None = Field(
        None,
        description="first year of the reference period, named for the year in which it ends; absent: all years",
    )
    last_year: int | None = Field(None, description="last year of the reference period; absent: all years")
    min_share_of_year: Share = Field(
        0.95, description="minimum share of days with data for a year to count (own choice)"
    )
    min_years: int = Field(
        10,
        ge=1,
        description="minimum number of years that count; fewer make a short record (own choice)",
    )
    short_records: Literal["extend", "flag", "leave_out"] = Field(
        "extend", description="treatment of a short record; one that cannot be extended is flagged"
    )
    min_overlap_days: int = Field(
        365, ge=30, description="minimum common days of a short record and its neighbour (own choice)"
    )
    min_correlation: float = Field(
        0.8, gt=0, lt=1, description="minimum correlation of their log flows on those days (own choice)"
    )
    fit_months: bool = Field(
        False, description="also fit the mean flow of each month, for monthly flow statistics"
    )
    exceedance_percent: list[float] = Field(
        [5, 10, 20, 30, 40, 50, 60, 70, 80, 90, 95],
        min_length=2,
        description="flow duration percentiles to compute [% of time exceeded]",
    )

    @model_validator(mode="after")
    def _periods_are_valid(self) -> Self:
        if (self.first_year is None) != (self.last_year is None):
            raise ValueError("first_year and last_year belong together")
        if self.first_year is not None and self.last_year is not None and self.first_year > self.last_year:
            raise ValueError("first_year must not be after last_year")
        if not all(0 < percent < 100 for percent in self.exceedance_percent):
            raise ValueError("exceedance_percent must lie between 0 and 100")
        return self


class NearGauges(Section):
    """How a gauge's flow is transferred along its stream and weighted against the equations."""

    snap_m: float = Field(100.0, gt=0, description="maximum distance of a gauge from its stream [m]")
    min_area_ratio: float = Field(
        0.5, gt=0, lt=1, description="minimum ratio of a station's catchment to the gauge's (common practice 0.5)"
    )
    max_area_ratio: float = Field(
        1.5, gt=1, description="maximum ratio of a station's catchment to the gauge's (common practice 1.5)"
    )
    exponent: float | None = Field(
        None,
        gt=0,
        description="exponent of the area ratio; absent: by percentile, after Asquith, Roussel & Vrabel 2006",
    )
    gauge_log_sd: float = Field(
        0.05,
        gt=0,
        description="error of a gauge's mean flow from its rating curve, as a standard deviation of natural logs "
        "(own choice)",
    )
    max_area_difference: float = Field(
        1.25,
        gt=1,
        description="maximum ratio between the gauge's stated catchment and that of its station (own choice)",
    )


class SpotSettings(Section):
    """How spot gaugings adjust the flow at their place and along the stream."""

    snap_m: float = Field(100.0, gt=0, description="maximum distance of a gauging from its stream [m]")
    min_area_ratio: float = Field(
        0.5, gt=0, lt=1, description="minimum ratio of a station's catchment to the gauging's (own choice)"
    )
    max_area_ratio: float = Field(
        1.5, gt=1, description="maximum ratio of a station's catchment to the gauging's (own choice)"
    )
    concurrency_log_sd: float = Field(
        0.2,
        gt=0,
        description="error of transferring the gauge's exceedance of that day to the place, as a standard "
        "deviation of natural logs (own choice)",
    )
    correlation_span: float = Field(
        1.0,
        gt=0,
        description="how far along the flow duration curve a gauging has influence, in standard deviations of "
        "exceedance (own choice)",
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
# Settings that each kind of rule needs, and those that it may have in addition.
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
    """A flow band: from its threshold up to that of the next band."""

    from_m3s: float | None = Field(
        None, ge=0, description="lower threshold [m³/s]; absent: another threshold is stated"
    )
    from_exceedance_percent: Percent | None = Field(
        None,
        description="lower threshold as the flow exceeded this share of the time [%]; absent: another threshold "
        "is stated",
    )
    from_share_of_mean: float | None = Field(
        None, ge=0, description="lower threshold as a share of the mean flow; absent: another threshold is stated"
    )
    take_share: Share = Field(description="share of the flow that may be abstracted")

    @model_validator(mode="after")
    def _has_one_threshold(self) -> Self:
        given = (self.from_m3s, self.from_exceedance_percent, self.from_share_of_mean)
        if sum(item is not None for item in given) != 1:
            raise ValueError("state one of from_m3s, from_exceedance_percent and from_share_of_mean")
        return self


class EnvironmentalFlowStep(Section):
    """A row of a stepped table, in the flow unit of the table."""

    index_from: float = Field(ge=0, description="low-flow index from which the row applies")
    environmental_flow: float = Field(ge=0, description="environmental flow at that index")
    further: float = Field(
        0.0, ge=0, description="additional environmental flow for each unit of the index above it"
    )


class EnvironmentalFlowRule(Section):
    """One environmental flow rule; of several, the highest requirement applies."""

    kind: Kind = Field(description="kind of the rule, see config/README.md")
    share: Share | None = Field(
        None, description="share of the mean flow, or of the instantaneous flow; absent: not used by this kind"
    )
    exceedance_percent: Percent | None = Field(
        None,
        description="flow exceeded this share of the time [%], of the station's natural flow duration curve; "
        "absent: not used by this kind",
    )
    flow_m3s_km2: float | None = Field(
        None, ge=0, description="specific flow [m³/s/km²]; absent: not used by this kind"
    )
    of_month: bool = Field(False, description="true: mean or exceeded flow of the month, not of the year")
    hands_off_m3s: float | None = Field(
        None,
        ge=0,
        description="flow below which nothing may be abstracted [m³/s]; absent: another hands-off flow is stated",
    )
    hands_off_share_of_mean: float | None = Field(
        None, ge=0, description="the same as a share of the mean flow; absent: another hands-off flow is stated"
    )
    take_share: Share | None = Field(
        None, description="share of the flow above it that may be abstracted; absent: not used by this kind"
    )
    take_max_m3s: float | None = Field(None, ge=0, description="maximum abstraction [m³/s]; absent: no maximum")
    take_max_share_of_mean: float | None = Field(
        None, ge=0, description="maximum abstraction as a share of the mean flow; absent: no maximum"
    )
    bands: list[EnvironmentalFlowBand] | None = Field(
        None, min_length=1, description="flow bands, by rising flow; absent: not used by this kind"
    )
    between: Literal["steps", "linear"] = Field(
        "steps",
        description="share between the thresholds of bands: that of the lower one (steps), or linear in flow",
    )
    steps: list[EnvironmentalFlowStep] | None = Field(
        None, min_length=1, description="rows of a stepped table, by rising index; absent: not used by this kind"
    )
    flow_unit: FlowUnit = Field("m3s", description="flow unit of steps")
    months: list[Month] | None = Field(
        None, min_length=1, description="months in which the rule applies, 1 to 12; absent: all"
    )
    mean_above_m3s: float | None = Field(
        None,
        ge=0,
        description="the rule applies only where the mean flow exceeds this [m³/s]; absent: no such limit",
    )
    mean_max_m3s: float | None = Field(
        None,
        ge=0,
        description="the rule applies only where the mean flow is at most this [m³/s]; absent: no such limit",
    )
    source: str = Field("the user's choice; local law decides", description="source of the rule")

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
            raise ValueError("steps must be in order of rising index_from")
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
        """Whether the rule depends on the month."""
        return self.months is not None or self.of_month


class EnvironmentalFlowSetting(EnvironmentalFlowRule):
    """An environmental flow rule, or a file of a published one; the highest requirement applies."""

    # Absent where a preset states it; `EnvironmentalFlowRule` always has one.
    kind: Kind | None = Field(  # type: ignore[assignment]
        None, description="kind of the rule, see config/README.md; absent: preset is stated"
    )
    preset: str | None = Field(
        None,
        description="file of a published rule instead of a kind, relative to the settings file; absent: kind is "
        "stated",
    )
    choice: str | None = Field(None, description="which of the preset's rules; absent: the only one")

    @model_validator(mode="after")
    def _is_rule_or_preset(self) -> Self:
        if (self.kind is None) == (self.preset is None):
            raise ValueError("state either kind or preset")
        if self.preset is not None and (stray := self.model_fields_set - {"preset", "choice"}):
            raise ValueError(f"only choice may be stated with preset, not {', '.join(sorted(stray))}")
        if self.kind is not None and self.choice is not None:
            raise ValueError("choice belongs to preset")
        return self


class PresetChoice(Section):
    """Rules that apply together; at any time the highest requirement applies."""

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


Factor = Annotated[float, Field(ge=0, allow_inf_nan=False)]
MONTHS_OF_YEAR = 12


class RegimeFile(Section):
    """A file with the regime of a region."""

    name: Text = Field(description="title of the regime")
    source: Text = Field(description="author, year, table; and how it was come by")
    factors: list[Factor] = Field(
        min_length=MONTHS_OF_YEAR,
        max_length=MONTHS_OF_YEAR,
        description="mean flow of each month over the mean annual flow, January first",
    )

    @model_validator(mode="after")
    def _has_flow(self) -> Self:
        if not any(self.factors):
            raise ValueError("factors are all 0; a regime needs a month with flow")
        return self


class RegimeSettings(Section):
    """The regional regime: when the flows of a duration curve occur, where nothing nearer says it."""

    factors: list[Factor] | None = Field(
        None,
        min_length=MONTHS_OF_YEAR,
        max_length=MONTHS_OF_YEAR,
        description="mean flow of each month over the mean annual flow (Pardé coefficients), January first; "
        "absent: preset is stated",
    )
    source: str | None = Field(None, description="source of the factors; absent: preset is stated")
    preset: str | None = Field(
        None, description="file of a regime instead of factors, relative to the settings file; absent: factors"
    )

    @model_validator(mode="after")
    def _is_stated_once(self) -> Self:
        if (self.factors is None) == (self.preset is None):
            raise ValueError("state either factors, with their source, or preset")
        if (self.factors is None) != (self.source is None):
            raise ValueError("factors and source belong together; a preset has its own source")
        if self.factors is not None and not any(self.factors):
            raise ValueError("factors are all 0; a regime needs a month with flow")
        return self


class ChangeSettings(Section):
    """A climate table: factors of future flow, so that a scenario can be held against today."""

    path: str = Field(
        description="CSV with month (1 to 12) or season (such as DJF, or year), factor (future flow over flow of "
        "today) and, where low flows change otherwise than high ones, exceedance_percent; relative to the "
        "settings file"
    )
    label: Text = Field(description='what reports call it, such as "2050, RCP 4.5"')
    source: Text = Field(description="source of the factors")
    environmental_from: Literal["changed", "today"] = Field(
        "changed",
        description="natural flow that environmental flow rules go by: the changed one, or that of today",
    )


class ReleaseSettings(Section):
    """Releases of a weir: fish pass and flow over the crest."""

    fish_pass_m3s: float = Field(
        0.0, ge=0, description="flow of a fish pass, where the scheme type has one [m³/s]"
    )
    fish_pass_share_of_mean: Share = Field(
        0.0, description="the same as a share of the mean flow; the greater of both applies"
    )
    fish_pass_in_environmental_flow: bool = Field(
        True, description="true: fish pass flow is part of the environmental flow; false: additional to it"
    )
    attraction_share: Share = Field(
        0.0,
        description="minimum attraction flow of a fish pass, as a share of the turbine flow (common practice "
        "about 0.05, no source)",
    )
    crest_share: Share = Field(
        1.0,
        description="share of the environmental flow released over the crest where the scheme has no depleted "
        "reach",
    )
    crest_min_m3s: float = Field(0.0, ge=0, description="minimum release over that crest [m³/s]")

    @property
    def changes_nothing(self) -> bool:
        """Whether the environmental flow is the same for all scheme types."""
        water = self.fish_pass_m3s or self.fish_pass_share_of_mean or self.attraction_share
        return not water and self.changes_no_crest

    @property
    def changes_no_crest(self) -> bool:
        """Whether a scheme type without a depleted reach releases the same as others."""
        return self.crest_share == 1.0 and not self.crest_min_m3s


# Limits of a weak regression of mean flow, shared by runs and `sitefinder fit-flows` (own choice).
WEAK_BELOW_GAUGES = 25
WEAK_ABOVE_PERCENT = 60.0


class RegressionLimits(Section):
    """When the regression of the mean flow counts as weak, and when as too weak to rank sites by."""

    min_gauges: int = Field(
        WEAK_BELOW_GAUGES,
        ge=1,
        description="with fewer gauges the regression of the mean flow is weak (own choice)",
    )
    max_standard_error_percent: float = Field(
        WEAK_ABOVE_PERCENT,
        gt=0,
        description="with a standard error above this the regression of the mean flow is weak [%] (own choice)",
    )
    min_gauges_to_rank: int = Field(
        10,
        ge=1,
        description="with fewer gauges no site is ranked unless ranking.allow has weak_flow (own choice)",
    )
    max_standard_error_percent_to_rank: float = Field(
        150.0,
        gt=0,
        description="with a standard error above this no site is ranked unless ranking.allow has weak_flow [%] "
        "(own choice)",
    )

    @model_validator(mode="after")
    def _ranking_is_the_wider_limit(self) -> Self:
        if self.min_gauges_to_rank > self.min_gauges:
            raise ValueError("min_gauges_to_rank must not be above min_gauges")
        if self.max_standard_error_percent_to_rank < self.max_standard_error_percent:
            raise ValueError("max_standard_error_percent_to_rank must not be below max_standard_error_percent")
        return self


class PredictorForm(Section):
    """How a predictor enters a regression, beside the logarithm of the flow."""

    transform: Literal["log", "linear", "square_root"] = Field(
        "log", description="log: its logarithm; linear: as it is; square_root: its square root"
    )
    offset: float = Field(0.0, description="added to the predictor first, such as 1 to a share that may be 0")


class GaugeTable(Section):
    """A table of gauges from which regional equations are fitted."""

    path: str = Field(description="CSV with one row per gauge, relative to the settings file")
    id_column: str = Field("gauge_id", description="column of gauge ids")
    columns: dict[str, str] = Field(
        default_factory=dict,
        description='other names of columns in the table, by their standard name: area_km2 = "DRAINAGE"',
    )
    predictors: list[str] = Field(min_length=1, description="predictor columns of the regression of log flow")
    forms: dict[str, PredictorForm] = Field(
        default_factory=dict, description="form of predictors by column; absent: their logarithm"
    )
    record_years_column: str | None = Field(
        None, description="column of years of record, as weights; absent: equal weights"
    )
    x_column: str | None = Field(
        None, description="column of easting or longitude; absent: gauges without coordinates"
    )
    y_column: str | None = Field(
        None, description="column of northing or latitude; absent: gauges without coordinates"
    )
    crs: str | None = Field(
        None, description="coordinate system of those columns; absent: gauges without coordinates"
    )
    daily: DailyRecords | None = Field(
        None, description="daily records to compute the statistics from; absent: the table holds the statistics"
    )
    leave_out: list[str] = Field(
        default_factory=list, description="ids of gauges to leave out, such as ones that the check doubts"
    )
    source: str = Field(description="source of the table")
    licence: str | None = Field(
        None, min_length=1, description="licence of the table, for the layer provenance; absent: not stated"
    )
    attribution: str | None = Field(
        None,
        min_length=1,
        description='credit that the licence asks for; "none" where it asks for none; absent: not stated, and a '
        "public edition is refused",
    )
    redistribute: bool | None = Field(
        None,
        description="whether the licence lets the table and its daily records be passed on, in a public edition; "
        "absent: it does not",
    )

    @model_validator(mode="after")
    def _coordinates_are_complete(self) -> Self:
        named = [value is not None for value in (self.x_column, self.y_column, self.crs)]
        if any(named) and not all(named):
            raise ValueError("x_column, y_column and crs belong together")
        return self


class FlowSettings(Section):
    """Flow source and environmental flow."""

    equations: list[str] = Field(
        default_factory=list, description="equation files, relative to the settings file; empty: gauges is stated"
    )
    gauges: GaugeTable | None = Field(
        None, description="gauges from which the run fits equations; absent: equations is stated"
    )
    region_weights: Literal["renormalised", "as_given"] = Field(
        "renormalised",
        description="catchment shares in inputs.flow_regions that do not add up to 1: renormalised, or as_given, "
        "so that uncovered ground yields no flow",
    )
    weak_regression: RegressionLimits = Field(
        RegressionLimits.of_defaults(), description="limits beyond which the regression of the mean flow is weak"
    )
    near_gauges: NearGauges | None = Field(
        None,
        description="transfer of gauged flow along the stream; an empty table takes the defaults; absent: no "
        "transfer",
    )
    spot_gaugings: SpotSettings = Field(SpotSettings.of_defaults(), description="use of inputs.spot_gaugings")
    environmental: list[EnvironmentalFlowSetting] = Field(
        min_length=1,
        description="environmental flow rules; at any time the highest requirement applies; local law decides",
    )
    closed_months: list[Month] = Field(
        [], description="months, 1 to 12, in which nothing may be abstracted, for fish migration"
    )
    regime: RegimeSettings | None = Field(
        None,
        description="regional regime for monthly energy, used where neither monthly equations nor daily records "
        "say when water flows; absent: none",
    )
    change: ChangeSettings | None = Field(
        None, description="climate table that changes natural flow; absent: flow as of today"
    )
    releases: ReleaseSettings = Field(
        ReleaseSettings.of_defaults(), description="releases for fish passes and over a crest"
    )

    @model_validator(mode="after")
    def _has_one_source(self) -> Self:
        if bool(self.equations) == bool(self.gauges):
            raise ValueError("state either flows.equations or flows.gauges")
        return self
