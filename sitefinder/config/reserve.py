"""Settings of what must stay in the stream: rules as data, presets of published rules, fish passes and crests."""

from typing import Annotated, Literal

from pydantic import Field, StringConstraints, model_validator

from sitefinder.config.sources import Section
from sitefinder.config.worth import Share
from sitefinder.units import TO_KEPT_UNIT

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
        "take_most_m3s",
        "take_most_share_of_mean",
    ),
    "bands": ("between",),
    "stepped_table": ("flow_unit",),
}
FOR_ANY = ("kind", "source", "months", "mean_above_m3s", "mean_most_m3s", "preset", "choice")


class ReserveBand(Section):
    """Flows from a threshold up to that of the next band."""

    from_m3s: float | None = Field(None, ge=0, description="flow at which the band begins [m³/s]")
    from_exceedance_percent: Percent | None = Field(None, description="or the flow exceeded so often [%]")
    from_share_of_mean: float | None = Field(None, ge=0, description="or this share of the mean flow")
    take_share: Share = Field(description="share of the flow that may be taken")

    @model_validator(mode="after")
    def _has_one_threshold(self):
        given = (self.from_m3s, self.from_exceedance_percent, self.from_share_of_mean)
        if sum(item is not None for item in given) != 1:
            raise ValueError("give one of from_m3s, from_exceedance_percent and from_share_of_mean")
        return self


class ReserveStep(Section):
    """A row of a stepped table, in the table's own unit of flow."""

    index_from: float = Field(ge=0, description="low-flow index from which the row holds")
    reserve: float = Field(ge=0, description="what must stay at that index")
    further: float = Field(0.0, ge=0, description="what must stay more for each unit that the index is greater")


class ReserveRule(Section):
    """One rule for the flow that stays in the stream; of several, the greatest holds."""

    kind: Kind = Field(description="what the rule goes by; README tells each")
    share: Share | None = Field(None, description="share of the mean flow, or of the flow of the moment")
    exceedance_percent: Percent | None = Field(
        None, description="the flow exceeded so often [%], of the station's natural duration curve"
    )
    flow_m3s_km2: float | None = Field(None, ge=0, description="flow for each km² of catchment [m³/s/km²]")
    of_month: bool = Field(False, description="true: mean or exceeded flow of the month, not of the year")
    hands_off_m3s: float | None = Field(None, ge=0, description="flow below which nothing is taken [m³/s]")
    hands_off_share_of_mean: float | None = Field(None, ge=0, description="or this share of the mean flow")
    take_share: Share | None = Field(None, description="share of the flow above it that may be taken")
    take_most_m3s: float | None = Field(None, ge=0, description="most that may be taken [m³/s]")
    take_most_share_of_mean: float | None = Field(None, ge=0, description="or this share of the mean flow")
    bands: list[ReserveBand] | None = Field(None, min_length=1, description="bands, by rising flow")
    between: Literal["steps", "linear"] = Field(
        "steps", description="share between the thresholds of bands: that of the lower one, or linear in flow"
    )
    steps: list[ReserveStep] | None = Field(None, min_length=1, description="rows of a table, by rising index")
    flow_unit: FlowUnit = Field("m3s", description="unit of flow in steps")
    months: list[Month] | None = Field(
        None, min_length=1, description="months in which the rule holds, 1 to 12; absent: all"
    )
    mean_above_m3s: float | None = Field(None, ge=0, description="only where the mean flow is above this [m³/s]")
    mean_most_m3s: float | None = Field(None, ge=0, description="only where the mean flow is at most this [m³/s]")
    source: str = Field("the user's choice; local law decides", description="where the rule comes from")

    @model_validator(mode="after")
    def _has_its_numbers(self):
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
    def steps_m3s(self):
        """Rows of the stepped table as (index, reserve [m³/s], further [m³/s per m³/s])."""
        unit = TO_KEPT_UNIT[self.flow_unit][1]
        return [(step.index_from * unit, step.reserve * unit, step.further) for step in self.steps]

    @property
    def is_seasonal(self):
        """Whether the rule goes by the month."""
        return self.months is not None or self.of_month


class ReserveSetting(ReserveRule):
    """One rule for the flow that stays in the stream, or a file of a published one; the greatest holds."""

    kind: Kind | None = Field(None, description="what the rule goes by; README tells each")
    preset: str | None = Field(
        None, description="file with a published rule in place of a kind, relative to the settings file"
    )
    choice: str | None = Field(None, description="which of the preset's rules, where it offers several")

    @model_validator(mode="after")
    def _is_rule_or_preset(self):
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
    rules: list[ReserveRule] = Field(min_length=1)


class ReservePreset(Section):
    """A file with a published rule: its source, what to beware of, and the choices that it leaves."""

    name: Text = Field(description="title of the rule")
    source: Text = Field(description="law or author, year, article or table; and how it was come by")
    remark: Text = Field(description="what the rule leaves out; that local law decides")
    choices: list[PresetChoice] = Field(min_length=1)

    @model_validator(mode="after")
    def _choices_have_their_own_names(self):
        names = [choice.name for choice in self.choices]
        if len(set(names)) < len(names):
            raise ValueError("each choice needs a name of its own")
        return self


class PassageSettings(Section):
    """What a weir must leave for its fish pass and over its crest."""

    fish_pass_m3s: float = Field(0.0, ge=0, description="water of a fish pass, where a layout has one [m³/s]")
    fish_pass_share_of_mean: Share = Field(0.0, description="or this share of the mean flow, the greater of both")
    fish_pass_in_reserve: bool = Field(
        True, description="true: that water counts inside the reserve; false: it comes on top"
    )
    attraction_share: Share = Field(
        0.0,
        description="least current out of a fish pass, that fish find it by, as a share of what the machines take "
        "(common practice some 0.05, no source)",
    )
    crest_share: Share = Field(
        1.0, description="share of the reserve that a layout without diverted length leaves over its crest"
    )
    crest_least_m3s: float = Field(0.0, ge=0, description="least that it leaves over its crest [m³/s]")

    @property
    def changes_nothing(self):
        """Whether the reserve is the same for all layouts."""
        water = self.fish_pass_m3s or self.fish_pass_share_of_mean or self.attraction_share
        return not water and self.changes_no_crest

    @property
    def changes_no_crest(self):
        """Whether a layout without diverted length leaves what others leave."""
        return self.crest_share == 1.0 and not self.crest_least_m3s
