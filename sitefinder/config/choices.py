"""Values of settings that are words of the inventory, read from where `sitefinder.schema.vocabulary` has them."""

from typing import TYPE_CHECKING, Literal

from sitefinder.schema.vocabulary import (
    ACTIONS,
    EVIDENCE_GRADES,
    SCHEME_TYPES,
    allowable,
    head_schemes,
    names,
    settings_effects,
)

# A type checker cannot follow names that are read at run time; to it they are texts.
if TYPE_CHECKING:
    Action = Effect = Layout = HydrokineticLayout = EvidenceGrade = Allowable = str
else:
    Action = Literal[names(ACTIONS)]
    Effect = Literal[settings_effects()]
    Layout = Literal[head_schemes()]
    HydrokineticLayout = Literal[tuple(scheme.name for scheme in SCHEME_TYPES if not scheme.has_head)]
    EvidenceGrade = Literal[names(EVIDENCE_GRADES)]
    Allowable = Literal[allowable()]
