"""Values of settings that are words of `sitefinder.vocabulary`."""

from typing import TYPE_CHECKING, Literal, TypeAlias

from sitefinder.units import M3S_PER_FLOW_UNIT
from sitefinder.vocabulary import (
    ABSTRACTION_KINDS,
    ACTIONS,
    EVIDENCE_GRADES,
    FISH_PASS_TYPES,
    FISH_SAFETIES,
    IN_SEASONS,
    MIGRATION_DIRECTIONS,
    SCHEME_TYPES,
    allowable,
    head_schemes,
    names,
    never_past_kinds,
    settings_effects,
)

# Languages of what is delivered, each but English with a catalogue in ``sitefinder/report/languages``.
LANGUAGES = ("en", "de")
# A type checker cannot follow names that are read at run time, so it sees plain strings.
if TYPE_CHECKING:
    AbstractionKind: TypeAlias = str
    FlowUnit: TypeAlias = str
    Action: TypeAlias = str
    Effect: TypeAlias = str
    SchemeType: TypeAlias = str
    HydrokineticSchemeType: TypeAlias = str
    EvidenceGrade: TypeAlias = str
    FishPassType: TypeAlias = str
    FishSafety: TypeAlias = str
    InSeason: TypeAlias = str
    MigrationDirection: TypeAlias = str
    Allowable: TypeAlias = str
    PassedKind: TypeAlias = str
    Language: TypeAlias = str
else:
    AbstractionKind = Literal[ABSTRACTION_KINDS]
    FlowUnit = Literal[tuple(M3S_PER_FLOW_UNIT)]
    Action = Literal[names(ACTIONS)]
    Effect = Literal[settings_effects()]
    SchemeType = Literal[head_schemes()]
    HydrokineticSchemeType = Literal[tuple(scheme.name for scheme in SCHEME_TYPES if not scheme.has_head)]
    EvidenceGrade = Literal[names(EVIDENCE_GRADES)]
    FishPassType = Literal[names(FISH_PASS_TYPES)]
    FishSafety = Literal[names(FISH_SAFETIES)]
    InSeason = Literal[names(IN_SEASONS)]
    MigrationDirection = Literal[names(MIGRATION_DIRECTIONS)]
    Allowable = Literal[allowable()]
    PassedKind = Literal[never_past_kinds()]
    Language = Literal[LANGUAGES]
