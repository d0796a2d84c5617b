"""Settings of fish: the groups that migrate, which question fish safety answers, and the screen."""

from typing import Self

from pydantic import Field, field_validator, model_validator

from sitefinder.settings.choices import EvidenceGrade, FishSafety, MigrationDirection
from sitefinder.settings.economics import Share
from sitefinder.settings.flows import Month
from sitefinder.settings.inputs import Section
from sitefinder.vocabulary import BOTH_WAYS, MIGRATION_DIRECTIONS, SCREENED_SAFETY, named


class FishGroup(Section):
    """Fish of one kind and life stage that migrate past the sites; the worst of all groups decides."""

    name: str = Field(min_length=1, description="name of the group, as listed in results")
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
    existing_survival: Share | None = Field(
        None, description="survival at an existing plant, as a share; absent: existing plants are not counted"
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

    def bar_of(self, group: FishGroup) -> float:
        """Minimum survival of a group at one plant, as a share."""
        return self.min_survival if group.min_survival is None else group.min_survival
