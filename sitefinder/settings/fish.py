"""Settings of fish: the groups that migrate, which question fish safety answers, and the screen."""

from typing import Self

from pydantic import Field, field_validator, model_validator

from sitefinder.settings.choices import EvidenceGrade, FishPassType, FishSafety, InSeason, MigrationDirection
from sitefinder.settings.economics import Share
from sitefinder.settings.flows import Month
from sitefinder.settings.section import Section
from sitefinder.vocabulary import (
    BOTH_WAYS,
    CLOSE_IN_SEASON,
    MIGRATION_DIRECTIONS,
    NOTHING_IN_SEASON,
    POOL_AND_WEIR,
    RAISE_IN_SEASON,
    SCREENED_SAFETY,
    named,
)

# Share of fish that survive an existing plant whose turbine is not known, and its 95 % confidence interval: 1
# less the mean mortality of 275,000 fish of 75 species at 122 plants. J. Radinger, R. van Treeck and C. Wolter,
# "Evident but context-dependent mortality of fish passing hydroelectric turbines," Conserv. Biol., vol. 36, 2022,
# e13870, abstract.
TYPICAL_EXISTING_SURVIVAL = 0.777
TYPICAL_EXISTING_SURVIVAL_RANGE = (0.733, 0.825)


class FishGroup(Section):
    """Fish of one kind and life stage that migrate past the sites; the worst of all groups decides."""

    name: str = Field(min_length=1, max_length=200, description="name of the group, as listed in results")
    lengths_m: list[float] = Field(
        min_length=1, description="body lengths of the group [m]; the worst of them decides"
    )
    months: list[Month] = Field(
        default_factory=list, description="months of migration, 1 to 12; empty: the whole year"
    )
    direction: MigrationDirection = Field(
        BOTH_WAYS.name, description="direction of migration: down, up or both; turbines matter to fish going down"
    )
    min_survival: Share | None = Field(
        None, description="minimum survival at one plant, as a share; absent: fish.min_survival"
    )
    thickness_share: float = Field(
        0.10,
        gt=0,
        lt=1,
        description="thickness of the body across as a share of the length, which decides whether the fish fits "
        "between the bars of a screen: about 0.10 for salmon and trout, 0.03 to 0.035 for eels (from memory)",
    )

    rules: list[str] | None = Field(
        None,
        description="names of the rules whose features are where the group spawns or lives; it migrates from "
        "there to the outlet; empty: everywhere; absent: fish.spawning_rules, and everywhere without them",
    )
    max_leap_m: float | None = Field(
        None,
        ge=0,
        description="highest drop that the group overcomes without a fish pass; absent: by the leap of its "
        "shortest fish at 10 body lengths per second, an assumption [m]",
    )
    pass_efficiency: Share | None = Field(
        None,
        description="share of the group that gets up a fish pass which it can find; absent: by the type of the "
        "pass (fish.passes.type); salmon and trout about 0.62, other fish about 0.21 (Noonan and others, 2012)",
    )
    max_pool_drop_m: float = Field(
        0.30,
        gt=0,
        description="highest drop between pools that the group overcomes: 0.20 to 0.30 for salmon and trout, 0.10 "
        "to 0.15 for weak swimmers (common practice, no source) [m]",
    )
    min_pool_depth_m: float = Field(
        0.30, ge=0, description="minimum depth of a pool for the group (common practice, no source) [m]"
    )
    min_depth_m: float | None = Field(
        None,
        ge=0,
        description="minimum mean depth that the group needs to pass a depleted reach; absent: "
        "depleted_reach.min_depth_m [m]",
    )
    in_season: InSeason = Field(
        NOTHING_IN_SEASON.name,
        description="what the months of migration mean for a site that the group migrates past: nothing; "
        "raise_environmental_flow to season_flow_share of the mean flow; or close, nothing may be abstracted",
    )
    season_flow_share: Share | None = Field(
        None,
        description="minimum environmental flow in the months of migration, as a share of the mean flow; absent: "
        "not raised",
    )

    @model_validator(mode="after")
    def _a_season_has_months(self) -> Self:
        raises = self.in_season == RAISE_IN_SEASON.name
        if self.in_season != NOTHING_IN_SEASON.name and not self.months:
            raise ValueError(f'in_season = "{self.in_season}" needs months, those of migration')
        if raises and self.season_flow_share is None:
            raise ValueError(f'in_season = "{self.in_season}" needs season_flow_share')
        if not raises and self.season_flow_share is not None:
            raise ValueError(f'season_flow_share needs in_season = "{RAISE_IN_SEASON.name}"')
        if self.in_season == CLOSE_IN_SEASON.name and len(set(self.months)) == 12:
            raise ValueError(f'in_season = "{self.in_season}" closes all months; a rule with exclude bars sites')
        return self

    @field_validator("lengths_m")
    @classmethod
    def _lengths_are_of_fish(cls, lengths: list[float]) -> list[float]:
        if strange := [length for length in lengths if not 0.005 <= length <= 5.0]:
            raise ValueError(f"lengths are in metres, from 0.005 to 5 (found {strange[0]:g})")
        if len(set(lengths)) != len(lengths):
            raise ValueError("each length must be listed once")
        return lengths

    @property
    def goes_down(self) -> bool:
        """Whether the group migrates downstream, past turbines."""
        return bool(named(MIGRATION_DIRECTIONS, self.direction).goes_down)

    @property
    def goes_up(self) -> bool:
        """Whether the group migrates upstream, past barriers."""
        return bool(named(MIGRATION_DIRECTIONS, self.direction).goes_up)


# Taken where the settings state no group: an assumption, smolts of salmon and sea trout, and trout of that size.
ASSUMED_GROUP = FishGroup(name="young salmon and trout", lengths_m=[0.15, 0.20])


class FishPassSettings(Section):
    """Fish passes: those of the sites, and existing ones of which no more is known."""

    type: FishPassType = Field(
        POOL_AND_WEIR.name,
        description="type of fish pass, by which fish find it and get up it: pool_and_weir, vertical_slot, denil "
        "or nature_like (means of trials, Bunt and others, 2012)",
    )
    pool_drop_m: float = Field(
        0.20, gt=0, description="drop between the pools of a fish pass (common practice, no source) [m]"
    )
    pool_depth_m: float = Field(
        0.60, gt=0, description="depth of the pools of a fish pass (common practice, no source) [m]"
    )
    full_attraction_share: Share = Field(
        0.05,
        gt=0,
        description="flow of a fish pass over that of the turbines beside it from which fish find it as in the "
        "trials; below it, in proportion fewer do (common practice, no source; the proportion is an assumption)",
    )
    poor_condition_share: Share = Field(
        0.5,
        description="efficiency of a fish pass at a structure in poor condition, over that of a sound one; an "
        "assumption between 0 and 1",
    )


class FishSettings(Section):
    """When a plant is fish-safe, for which fish, and the required survival past several plants."""

    groups: list[FishGroup] = Field(
        default_factory=list,
        description="groups of fish that migrate; empty: one assumed group, young salmon and trout of 0.15 and "
        "0.20 m, in all months and both directions",
    )
    safe: FishSafety = Field(
        SCREENED_SAFETY.name,
        description="question that fish_safe answers: as_built, whether fish survive the turbine itself; "
        "screened, whether they survive the turbine itself or behind a screen and bypass, whose cost and water "
        "are counted",
    )
    screens: list[str] = Field(
        default_factory=list, description="screen files; empty: no turbine is offered with a screen"
    )
    screen: str | None = Field(
        None, description="name of the screen that plants get; absent: the first of the files"
    )
    relative_flow: float = Field(
        0.8,
        gt=0,
        le=1,
        description="flow through a unit at which blade strike is computed, as a share of its design flow; "
        "strikes are more frequent below it; an assumption",
    )
    min_survival: Share = Field(
        0.95,
        description="minimum downstream survival at a fish-safe plant, as a share, for groups that state none",
    )
    evidence: list[EvidenceGrade] = Field(
        ["tested", "modelled"], min_length=1, description="grades of evidence that count"
    )
    spawning_rules: list[str] = Field(
        default_factory=list,
        description="names of the rules whose features are spawning grounds, where downstream migration starts; "
        "empty: passage survival is not computed",
    )
    min_passage_survival: float | None = Field(
        None,
        gt=0,
        le=1,
        description="minimum cumulative downstream passage survival from each spawning ground to the outlet, past "
        "all sites and existing plants, as a share; absent: no site is rejected for it",
    )
    existing_survival: Share = Field(
        TYPICAL_EXISTING_SURVIVAL,
        description="survival at an existing plant, as a share; the default is the mean of published trials with "
        "any turbine (Radinger and others, 2022: 0.733 to 0.825)",
    )
    passes: FishPassSettings = Field(
        FishPassSettings.of_defaults(), description="fish passes and how well they work"
    )
    accessible_from: Share = Field(
        0.1,
        gt=0,
        description="share of a group that must be able to reach a stretch of stream from the outlet for it not "
        "to count as cut off (own choice)",
    )

    @model_validator(mode="after")
    def _groups_have_names(self) -> Self:
        names = [group.name for group in self.groups]
        if repeated := sorted({name for name in names if names.count(name) > 1}):
            raise ValueError(f"each group of fish needs a unique name (found twice: {', '.join(repeated)})")
        if self.screen is not None and not self.screens:
            raise ValueError("fish.screen needs fish.screens, the files that describe it")
        return self

    @property
    def migrating(self) -> list[FishGroup]:
        """The groups of fish: those stated, or the assumed one."""
        return self.groups or [ASSUMED_GROUP]

    @property
    def groups_are_assumed(self) -> bool:
        """Whether no group is stated."""
        return not self.groups

    def rules_of(self, group: FishGroup) -> list[str]:
        """Names of the rules whose features are where a group spawns or lives; empty: everywhere."""
        return self.spawning_rules if group.rules is None else group.rules

    def bar_of(self, group: FishGroup) -> float:
        """Minimum survival of a group at one plant, as a share."""
        return self.min_survival if group.min_survival is None else group.min_survival
