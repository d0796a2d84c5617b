"""The words of the inventory, each declared once: verdicts, rule actions, scheme types, rejection reasons, flags.

Settings, columns, admissibility, the screening cascade, the summary, the page, the field sheets and the comparison
take names and phrases from here. A new word is a new record. A label is short, for a legend or table; a phrase
is a sentence. The order of each tuple matters and is stated with it.
"""

from collections.abc import Container, Iterable
from typing import Any, NamedTuple, TypeVar

Word = TypeVar("Word", bound=Any)

# Values of `Action.bars`: every scheme type, those with an attribute of `SchemeType` that is true, or none.
BARS_ALL, BARS_DIVERSIONS, BARS_NEW_BARRIERS, BARS_NONE = "all", "diverts", "builds_barrier", ""
# Values of `SchemeType.head_from`: the source of the head.
FROM_STRUCTURE, FROM_STREAM, FROM_WEIR, FROM_CURRENT = "structure", "stream", "weir", "current"
# Values of `Flag.set_by`.
BY_HEAD, BY_PLACE, BY_FLOW, BY_COST, BY_NETWORK, BY_STRUCTURE, BY_SELECTION = (
    "head",
    "place",
    "flow",
    "cost",
    "network",
    "structure",
    "selection",
)
# Groups of rejection reasons that are steps of the screening cascade, in this order, before the rules.
UNMEASURED, NO_STREAM = "not measured", "no natural stream"
# Groups that are not steps of the cascade.
BY_RULE, BY_DECISION, TECHNICAL, ECONOMIC, COMPETING = "rule", "decision", "technical", "economic", "competing"
# Between several things in one cell of text, and between a flag and its value.
IN_ONE_CELL, FLAG_VALUE = "; ", ": "
# Between numbers of months in one cell.
MONTH_SEPARATOR = ";"


class Verdict(NamedTuple):
    """The result of all rules for a reach or site."""

    name: str
    label: str
    phrase: str
    is_open: bool = False  # whether sites may be selected without ``ranking.allow``
    allowed_by: str = ""  # word of ``ranking.allow`` that opens it


class Action(NamedTuple):
    """What a rule does where it applies, and its mark column."""

    name: str
    verdict: str  # name of the verdict that it leads to by itself
    label: str
    phrase: str
    mark_meaning: str
    bars: str = BARS_NONE
    barred_because: str = ""  # why a candidate is excluded, if `bars` is not empty
    allowed_by: str = ""  # word of ``ranking.allow`` that lifts it
    asks: str = ""  # name of the question that a turbine must answer, of `FISH_SAFETIES`

    @property
    def fish_safe_only(self) -> bool:
        """Whether it admits fish-safe turbines only."""
        return bool(self.asks)

    @property
    def mark(self) -> str:
        """Name of the column that is true if a rule of this action applies."""
        return f"mark_{self.name}"

    @property
    def limits(self) -> bool:
        """Whether it limits sites at all, or is only a note."""
        return bool(self.bars) or self.fish_safe_only

    def is_allowed(self, allow: Container[str]) -> bool:
        """Whether ``ranking.allow`` lifts it."""
        return bool(self.allowed_by) and self.allowed_by in allow

    def bars_new_barriers(self, allow: Container[str] = ()) -> bool:
        """Whether it bars every candidate that builds a barrier, given ``ranking.allow``."""
        return self.bars == BARS_NEW_BARRIERS and not self.is_allowed(allow)

    def bars_scheme(self, scheme: "SchemeType", allow: Container[str] = ()) -> bool:
        """Whether it bars a scheme type, given ``ranking.allow``."""
        if self.is_allowed(allow):
            return False
        return self.bars == BARS_ALL or (self.bars != BARS_NONE and bool(getattr(scheme, self.bars)))


class SchemeType(NamedTuple):
    """How a site gets its head, and its effect on the stream."""

    name: str
    label: str
    phrase: str
    head_from: str
    diverts: bool = False  # takes water out of the stream and leaves a depleted reach
    builds_barrier: bool = False
    uses_structure: bool = False  # uses an existing weir

    @property
    def has_head(self) -> bool:
        """Whether it uses head; a hydrokinetic turbine uses the current."""
        return self.head_from != FROM_CURRENT

    @property
    def has_weir(self) -> bool:
        """Whether a weir, existing or new, holds the level at the intake."""
        return self.builds_barrier or self.uses_structure


class PassedKind(NamedTuple):
    """A kind of thing on the stream that a stretch may go past."""

    name: str
    label: str
    may_forbid: bool = True  # whether it is a value of ``never_past``
    holds_water: bool = False  # an existing weir or drop that an intake may stand at


class Effect(NamedTuple):
    """How a rule applies to a reach."""

    name: str
    label: str
    phrase: str
    in_settings: bool = True  # whether it is a value of a rule's setting ``effect``


class Evidence(NamedTuple):
    """Grade of the evidence that fish survive a turbine."""

    name: str
    label: str
    phrase: str


class FishSafety(NamedTuple):
    """A question that fish safety answers."""

    name: str
    label: str
    phrase: str


class MigrationDirection(NamedTuple):
    """Direction in which a group of fish migrates."""

    name: str
    label: str
    goes_down: bool
    goes_up: bool


class InSeason(NamedTuple):
    """What the months of migration of a group of fish mean for a site that it migrates past."""

    name: str
    label: str


class FishPassType(NamedTuple):
    """A type of fish pass."""

    name: str
    label: str


class PassageState(NamedTuple):
    """A state of the streams for which the passage of fish is computed."""

    name: str
    label: str
    phrase: str


class BarrierKind(NamedTuple):
    """What fish on their way meet."""

    name: str
    label: str


class PassageBasis(NamedTuple):
    """What the share of fish that get up a barrier rests on."""

    name: str
    phrase: str


class CapitalPart(NamedTuple):
    """A part of a plant's capital cost."""

    name: str
    label: str


class RejectionReason(NamedTuple):
    """Why a reach has no site."""

    name: str  # value of the column
    group: str
    phrase: str
    allowed_by: str = ""  # word of ``ranking.allow`` that lifts it
    flag: str = ""  # flag of rows with the same meaning

    def is_allowed(self, allow: Container[str]) -> bool:
        """Whether ``ranking.allow`` lifts it."""
        return bool(self.allowed_by) and self.allowed_by in allow


class Decision(NamedTuple):
    """What a person decided about a reach, over the rules."""

    name: str
    label: str
    phrase: str


class NotApplied(NamedTuple):
    """Why a decision does not apply."""

    name: str
    phrase: str


class Strength(NamedTuple):
    """Strength of the regression of the mean flow."""

    name: str
    label: str
    phrase: str


class RightRelation(NamedTuple):
    """Where a water right lies against a site."""

    name: str
    phrase: str


class Flag(NamedTuple):
    """A doubt about a row's figures, or a note needed to read them."""

    name: str
    set_by: str
    label: str
    phrase: str
    takes_value: bool = False  # written as "name: value"
    phrase_with_value: str = ""  # with {value}


# Worst first: of several, the first is the verdict.
VERDICTS = (
    Verdict("excluded", "excluded by a rule", "A rule excludes every site here."),
    Verdict(
        "unknown",
        "not known",
        "The layer of a rule has no information here, or the stream could not be connected to the network.",
        allowed_by="unknown",
    ),
    Verdict(
        "conditional",
        "subject to conditions",
        "A site is possible here if conditions are met; they have to be clarified.",
        allowed_by="conditional",
    ),
    Verdict(
        "restricted",
        "open with limits",
        "A site is possible here with limits on the scheme type or the turbine.",
        is_open=True,
    ),
    Verdict("open", "open", "No rule limits a site here.", is_open=True),
)

# The two questions of fish safety, the stricter first: what is safe as built is also safe with a screen.
AS_BUILT_SAFETY = FishSafety("as_built", "safe as built", "Fish survive the turbine itself, without a screen.")
SCREENED_SAFETY = FishSafety(
    "screened", "safe with a screen", "Fish survive the turbine itself, or behind a screen with a bypass."
)
FISH_SAFETIES = (AS_BUILT_SAFETY, SCREENED_SAFETY)

# Action of a rule whose question is that of fish.safe, or its own.
FISH_SAFE_ONLY = "fish_safe_only"

# In the order of their mark columns; of several that bar a candidate, the one with the worst verdict is named.
ACTIONS = (
    Action(
        "exclude",
        "excluded",
        "no site",
        "No site may be built here.",
        "true if a rule excludes sites",
        BARS_ALL,
        "a rule excludes it",
    ),
    Action(
        "conditional",
        "conditional",
        "subject to conditions",
        "A site may be built here only if conditions are met.",
        "true if a rule allows a site only on conditions",
        BARS_ALL,
        "a site is possible on conditions only",
        allowed_by="conditional",
    ),
    Action(
        FISH_SAFE_ONLY,
        "restricted",
        "fish-safe turbines only",
        "Only fish-safe turbines may be used here, with a screen where that takes one.",
        "true if only fish-safe turbines are allowed, with a screen where that takes one",
        asks=SCREENED_SAFETY.name,
    ),
    Action(
        "fish_safe_as_built",
        "restricted",
        "turbines fish-safe as built only",
        "Only turbines that fish survive without a screen may be used here.",
        "true if only turbines that are fish-safe as built are allowed",
        asks=AS_BUILT_SAFETY.name,
    ),
    Action(
        "no_diversion",
        "restricted",
        "no diversion",
        "No water may be diverted from the stream here.",
        "true if no water may be diverted from the stream",
        BARS_DIVERSIONS,
        "no water may be diverted",
    ),
    Action(
        "no_new_barrier",
        "restricted",
        "no new barrier",
        "No new barrier may be built here.",
        "true if no new barrier may be built",
        BARS_NEW_BARRIERS,
        "no new barrier may be built",
    ),
    Action(
        "note",
        "open",
        "note only",
        "A rule needs attention here; it does not limit a site.",
        "true if a rule is a note only",
    ),
)

# A rule of any action that may or may not apply: not a setting, but it has a mark.
DOUBT = Action(
    "unknown",
    "unknown",
    "not known",
    "The layer of a rule has no information here, or the stream could not be connected to the network.",
    "true if a rule's layer has no information here, or the network is not resolved",
    BARS_ALL,
    "a rule's layer has no information",
    allowed_by="unknown",
)

# In the order of the settings; the last uses no head.
SCHEME_TYPES = (
    SchemeType(
        "at_barrier",
        "at an existing weir",
        "The plant uses the drop of an existing weir or other structure.",
        FROM_STRUCTURE,
        uses_structure=True,
    ),
    SchemeType(
        "diversion",
        "diversion",
        "A headrace (canal or pipe) carries water past a depleted reach.",
        FROM_STREAM,
        diverts=True,
    ),
    SchemeType(
        "new_weir",
        "new weir",
        "A new weir ponds the stream and the plant uses its drop.",
        FROM_WEIR,
        builds_barrier=True,
    ),
    SchemeType(
        "kinetic",
        "hydrokinetic",
        "A turbine in the open current uses no head.",
        FROM_CURRENT,
    ),
)

# What a decision says of a reach, in the order in which documents list them.
DROP = Decision("drop", "dropped", "A decision allows no site that uses the stream here.")
KEEP = Decision(
    "keep", "kept", "A decision admits sites here that rules exclude; the rules' reasons are still shown."
)
PIN = Decision("pin", "scheme type pinned", "A decision allows sites of one scheme type alone here.")
DECISIONS = (DROP, KEEP, PIN)

# Why a decision does not apply, in the order of examination.
NOT_APPLIED = (
    EXPIRED := NotApplied("expired", "It was valid until before the date of the settings."),
    MADE_LATER := NotApplied("made later", "It was made after the date of the settings."),
    REACH_VANISHED := NotApplied("reach vanished", "No reach has its id any more, and it states no place."),
    NO_STREAM_AT_PLACE := NotApplied("no stream at the place", "No stream is near its place any more."),
    LIES_ELSEWHERE := NotApplied("reach lies elsewhere", "The reach of its id is not at its place."),
    HEAD_MOVED := NotApplied("head changed", "The gross head differs from the one that it was based on."),
    VERDICT_CHANGED := NotApplied("verdict changed", "The rules' verdict is not the one that it was based on."),
    STRUCTURE_GONE := NotApplied("structure gone", "The structure that it was based on is not on the reach."),
    CONTRADICTED := NotApplied("contradicted", "Another decision of the same day says otherwise of the reach."),
    SUPERSEDED := NotApplied("superseded", "A later decision says otherwise of the reach."),
)

# What may lie on the stream between intake and powerhouse; a structure is of the first kind that fits it.
PASSED_PLANT = PassedKind("plant", "working plant", may_forbid=False)
PASSED_FALL = PassedKind("fall", "natural fall")
PASSED_CROSSING = PassedKind("crossing", "bridge or other crossing")
PASSED_STEP = PassedKind("step", "unexplained step", may_forbid=False)
PASSED_NAVIGATION = PassedKind("navigation", "weir used for navigation", holds_water=True)
PASSED_ABSTRACTION_WEIR = PassedKind("abstraction_weir", "weir used for abstraction", holds_water=True)
PASSED_WEIR = PassedKind("weir", "weir or other drop", holds_water=True)
PASSED_ABSTRACTION = PassedKind("abstraction", "abstraction")
PASSED_RETURN = PassedKind("return", "return or transfer of water", may_forbid=False)
PASSED_CONFLUENCE = PassedKind("confluence", "confluence")
PASSED_KINDS = (
    PASSED_PLANT,
    PASSED_FALL,
    PASSED_CROSSING,
    PASSED_STEP,
    PASSED_NAVIGATION,
    PASSED_ABSTRACTION_WEIR,
    PASSED_WEIR,
    PASSED_ABSTRACTION,
    PASSED_RETURN,
    PASSED_CONFLUENCE,
)
# Where a thing on the stream lies against a stretch.
USED, AT_INTAKE, BYPASSED, DROWNED = "used", "at the intake", "bypassed", "drowned"
ABOVE_INTAKE, BELOW_POWERHOUSE = "above the intake", "below the powerhouse"
PASSED_ROLES = (USED, ABOVE_INTAKE, AT_INTAKE, BYPASSED, DROWNED, BELOW_POWERHOUSE)

UNDER = Effect("under", "in the area", "The stream lies in the rule's area.")
TOUCHING = Effect("touching", "touching", "The stream touches the edge of the rule's area.", in_settings=False)
DOWNSTREAM = Effect("downstream", "downstream of it", "The stream lies downstream of the rule's area.")
UPSTREAM = Effect("upstream", "upstream of it", "The stream lies upstream of the rule's area.")
NOT_COVERED = Effect(
    "not covered", "not covered", "The rule's layer does not cover the stream here.", in_settings=False
)
NOT_PUBLISHED = Effect(
    "not published", "not published", "How the rule applies here is not published.", in_settings=False
)
EFFECTS = (UNDER, TOUCHING, DOWNSTREAM, UPSTREAM, NOT_COVERED, NOT_PUBLISHED)

# Strongest first.
TESTED = Evidence("tested", "tested", "Survival was measured with live fish, in a trial that is named.")
MODELLED = Evidence(
    "modelled",
    "modelled",
    "Survival follows from a published model of blade strike, or from the width of the fish.",
)
EVIDENCE_GRADES = (
    TESTED,
    MODELLED,
    Evidence("claimed", "claimed", "Survival is claimed by the manufacturer, without a published test."),
    Evidence("none", "none", "There is no evidence of survival: an assumption, with a range."),
)

DOWN = MigrationDirection("down", "downstream", goes_down=True, goes_up=False)
UP = MigrationDirection("up", "upstream", goes_down=False, goes_up=True)
BOTH_WAYS = MigrationDirection("both", "both directions", goes_down=True, goes_up=True)
MIGRATION_DIRECTIONS = (DOWN, UP, BOTH_WAYS)

NOTHING_IN_SEASON = InSeason("nothing", "nothing")
RAISE_IN_SEASON = InSeason("raise_environmental_flow", "higher environmental flow")
CLOSE_IN_SEASON = InSeason("close", "no abstraction")
IN_SEASONS = (NOTHING_IN_SEASON, RAISE_IN_SEASON, CLOSE_IN_SEASON)

POOL_AND_WEIR = FishPassType("pool_and_weir", "pool and weir")
FISH_PASS_TYPES = (
    POOL_AND_WEIR,
    FishPassType("vertical_slot", "vertical slot"),
    FishPassType("denil", "baffles (Denil)"),
    FishPassType("nature_like", "nature-like"),
)

NATURAL_STATE = PassageState("natural", "natural falls alone", "Only natural falls are in the way.")
TODAY_STATE = PassageState("today", "today", "Existing weirs and plants as mapped.")
SITES_STATE = PassageState("sites", "with the sites", "As today, with all sites and the fish passes they pay for.")
REMOVALS_STATE = PassageState("removals", "after removals", "As today, without the weirs that are to be removed.")
BOTH_STATE = PassageState(
    "sites_and_removals", "with the sites, after removals", "With all sites, and without the weirs to be removed."
)
PASSAGE_STATES = (NATURAL_STATE, TODAY_STATE, SITES_STATE, REMOVALS_STATE, BOTH_STATE)

STATED_PASSABLE = PassageBasis("stated", "stated by the user's layer")
BY_LEAP = PassageBasis("leap", "drop against what the group leaps")
BY_PASS = PassageBasis("pass", "efficiency of the fish pass")
DROP_UNKNOWN = PassageBasis("drop_unknown", "no drop is known: counted as impassable without a fish pass")
POOLS_TOO_HIGH = PassageBasis("pools_unsuitable", "the pass's pools are too high or too shallow for the group")
NOT_IN_THE_WAY = PassageBasis("none", "not in the way of fish going up")
PASSAGE_BASES = (STATED_PASSABLE, BY_LEAP, BY_PASS, DROP_UNKNOWN, POOLS_TOO_HIGH, NOT_IN_THE_WAY)

WEIR_BARRIER = BarrierKind("weir", "weir")
FALL_BARRIER = BarrierKind("fall", "natural fall")
PLANT_BARRIER = BarrierKind("plant", "existing plant")
SITE_BARRIER = BarrierKind("site", "site")
BARRIER_KINDS = (WEIR_BARRIER, FALL_BARRIER, PLANT_BARRIER, SITE_BARRIER)

# How a diversion's conduit goes.
ALONG_HILLSIDE, STRAIGHT_LINE = "hillside", "straight"
CONDUIT_ROUTES = (ALONG_HILLSIDE, STRAIGHT_LINE)
BANKS = ("left", "right")

# Parts of capital in the order in which they are listed; the last three are shares of what comes before them.
CAPITAL_PARTS = (
    CapitalPart("project", "whole plant by a published law"),
    CapitalPart("turbine", "turbine, gear, generator and control"),
    CapitalPart("powerhouse", "powerhouse and foundations"),
    CapitalPart("intake", "intake"),
    CapitalPart("canal", "canal"),
    CapitalPart("penstock", "penstock"),
    CapitalPart("earthworks", "cuts, banks and benches of the headrace beyond its own section"),
    CapitalPart("crossings", "aqueducts, crossings and tunnels"),
    CapitalPart("forebay", "forebay"),
    CapitalPart("spillway", "spillway"),
    CapitalPart("transformer", "transformer and switchgear"),
    CapitalPart("screen", "fish screen and bypass"),
    CapitalPart("weir", "new weir"),
    CapitalPart("pond", "pond"),
    CapitalPart("intake_weir", "intake weir"),
    CapitalPart("fish_pass", "fish pass"),
    CapitalPart("road", "access road"),
    CapitalPart("line", "power line and connection"),
    CapitalPart("land", "land"),
    CapitalPart("permits", "studies and permits"),
    CapitalPart("engineering", "development and engineering"),
    CapitalPart("contingency", "contingency"),
    CapitalPart("construction_interest", "interest during construction"),
)

# Best first.
ADEQUATE = Strength("adequate", "adequate", "Gauges and standard error are within the limits of the settings.")
STRENGTH_UNKNOWN = Strength(
    "not known", "standard error not known", "The source gives no relative standard error to judge it by."
)
WEAK = Strength("weak", "weak", "It has few gauges or a large standard error: flows and ranks are rough.")
TOO_WEAK = Strength(
    "too weak to rank", "too weak to rank", "It has too few gauges or too large a standard error to rank sites by."
)
REGRESSION_STRENGTHS = (ADEQUATE, STRENGTH_UNKNOWN, WEAK, TOO_WEAK)

# Why a reach has no site.
NETWORK_UNRESOLVED = RejectionReason(
    "network unresolved",
    UNMEASURED,
    "The stream could not be connected to the network.",
    flag="network_unresolved",
)
STANDING_WATER = RejectionReason(
    "standing water", NO_STREAM, "The reach lies in standing water.", flag="standing_water"
)
DEVELOPED = RejectionReason("developed", NO_STREAM, "An existing plant uses the reach.", flag="developed")
TIDAL = RejectionReason("tidal", NO_STREAM, "The tide reaches it.", flag="tidal")
HEAD_TOO_SMALL = RejectionReason(
    "too little head", TECHNICAL, "No scheme type reaches the minimum head of the settings."
)
OUTSIDE_REGION = RejectionReason("outside the region", TECHNICAL, "The powerhouse would lie outside the region.")
NO_FLOW_ESTIMATE = RejectionReason(
    "no flow estimate", UNMEASURED, "No flow can be estimated here.", flag="flow_missing"
)
FLOW_TOO_WEAK = RejectionReason(
    "flow regression too weak to rank",
    UNMEASURED,
    "The regression of the mean flow has too few gauges or too large an error to rank sites by.",
    allowed_by="weak_flow",
    flag="flow_regression_too_weak",
)
FLOW_TOO_SMALL = RejectionReason(
    "too little flow", TECHNICAL, "The mean flow is below the minimum of the settings."
)
HEAD_UNRESOLVED = RejectionReason(
    "head unresolved",
    UNMEASURED,
    "The DEM does not resolve the head.",
    allowed_by="unresolved",
    flag="head_unresolved",
)
CATCHMENT_INCOMPLETE = RejectionReason(
    "catchment incomplete",
    UNMEASURED,
    "Water may enter over the edge of the DEM.",
    allowed_by="incomplete",
    flag="catchment_incomplete",
)
BARRED_BY_RULE = RejectionReason("excluded by rules", BY_RULE, "Rules exclude every candidate here.")
BARRED_BY_DECISION = RejectionReason(
    "excluded by a decision",
    BY_DECISION,
    "A decision excludes every candidate here that the rules admit: it drops the reach, or pins another scheme "
    "type.",
)
NEVER_PAST = RejectionReason(
    "would pass what may not be bypassed",
    TECHNICAL,
    "Every candidate goes past, or drowns, something that the settings (stretches.never_past) forbid to bypass.",
)
NO_CONDUIT = RejectionReason(
    "no feasible conduit",
    TECHNICAL,
    "No headrace or penstock can be built over the ground within the limits of the settings.",
)
STREAM_TOO_SMALL = RejectionReason(
    "stream too shallow or narrow", TECHNICAL, "The stream is too shallow or narrow for any turbine."
)
NO_SUITABLE_TURBINE = RejectionReason(
    "no suitable turbine", TECHNICAL, "No turbine of the settings suits head and flow."
)
POWER_TOO_SMALL = RejectionReason(
    "too little power", TECHNICAL, "The installed capacity is below the minimum of the settings."
)
ROAD_TOO_FAR = RejectionReason(
    "too far from a road", TECHNICAL, "The nearest road is beyond the maximum distance of the settings."
)
TOO_CLOSE_TO_PLANT = RejectionReason(
    "too close to an existing plant",
    COMPETING,
    "The free-flowing stream to an existing plant would be shorter than the minimum of the settings.",
)
ABOVE_COST_LIMIT = RejectionReason(
    "above the cost limit",
    ECONOMIC,
    "The net annual value is negative, or the LCOE exceeds the limit of the settings.",
)
NOT_WORTH_A_BARRIER = RejectionReason(
    "not worth a new barrier",
    ECONOMIC,
    "The net annual value is below the value that the settings give to not building a new barrier.",
)
CUMULATIVE_LIMIT = RejectionReason(
    "cumulative limit reached",
    COMPETING,
    "With a site here, the sites together would exceed a cumulative limit of the settings.",
)
FISH_SURVIVAL_TOO_LOW = RejectionReason(
    "fish passage survival too low",
    COMPETING,
    "With a site here, cumulative passage survival would fall below the minimum of the settings.",
)
BETTER_SITE = RejectionReason("blocked by a better site", COMPETING, "A better site uses this stretch of stream.")
# In the order of examination: the reason is the first that rejects every remaining candidate of the reach.
REJECTION_REASONS = (
    NETWORK_UNRESOLVED,
    STANDING_WATER,
    DEVELOPED,
    TIDAL,
    HEAD_TOO_SMALL,
    OUTSIDE_REGION,
    NO_FLOW_ESTIMATE,
    FLOW_TOO_WEAK,
    FLOW_TOO_SMALL,
    HEAD_UNRESOLVED,
    CATCHMENT_INCOMPLETE,
    BARRED_BY_RULE,
    BARRED_BY_DECISION,
    NEVER_PAST,
    NO_CONDUIT,
    STREAM_TOO_SMALL,
    NO_SUITABLE_TURBINE,
    POWER_TOO_SMALL,
    ROAD_TOO_FAR,
    TOO_CLOSE_TO_PLANT,
    ABOVE_COST_LIMIT,
    NOT_WORTH_A_BARRIER,
    CUMULATIVE_LIMIT,
    FISH_SURVIVAL_TOO_LOW,
    BETTER_SITE,
)

# Why an existing structure has no plant, beside the reasons of reaches: in the order of examination, before those.
NO_STREAM_NEAR = RejectionReason("no stream near", UNMEASURED, "No stream is within reach of the structure.")
ONLY_A_STEP = RejectionReason(
    "no mapped structure", UNMEASURED, "Only the long profile shows a step here: look on the field visit."
)
NATURAL_FALL = RejectionReason("natural fall", NO_STREAM, "A natural fall is left alone.")
HOLDS_NO_WATER = RejectionReason("holds no water", TECHNICAL, "A crossing holds no water.")
ALREADY_POWERED = RejectionReason("already powered", NO_STREAM, "An existing plant uses it.")
REMOVAL_PLANNED = RejectionReason("removal planned", NO_STREAM, "Its removal is planned.")
REMOVED = RejectionReason("removed", NO_STREAM, "It has been removed: no barrier and no head are left.")
SCHEME_NOT_EXAMINED = RejectionReason(
    "scheme type not examined", TECHNICAL, "The settings do not ask for plants at existing weirs."
)
HEAD_TOO_LARGE = RejectionReason("too much head", TECHNICAL, "The head is above the maximum of the settings.")
STRUCTURE_REASONS = (
    NO_STREAM_NEAR,
    ONLY_A_STEP,
    NATURAL_FALL,
    HOLDS_NO_WATER,
    ALREADY_POWERED,
    REMOVAL_PLANNED,
    REMOVED,
    SCHEME_NOT_EXAMINED,
    HEAD_TOO_LARGE,
)

# Attributes of a structure in the user's layer, with what they are where nothing is stated.
STRUCTURE_ATTRIBUTES: dict[str, str | bool | float] = {
    "kind": "",
    "use": "",
    "owner": "",
    "condition": "",
    "powered": False,
    "fish_pass": False,
    "removal_planned": False,
    "removed": False,
    "passable": "",
    "drop_m": float("nan"),
    "drop_error_m": float("nan"),
}

# Why a reach has no hydrokinetic turbine, in the order of examination after those of `NO_STREAM`.
TOO_SHALLOW = RejectionReason("too shallow", TECHNICAL, "The stream is too shallow for the rotor.")
TOO_NARROW = RejectionReason("too narrow", TECHNICAL, "The stream is too narrow for the rotor.")
TOO_SLOW = RejectionReason("too slow", TECHNICAL, "The current is too slow for the rotor.")
ROW_BLOCKS = RejectionReason(
    "a row would block the stream", TECHNICAL, "A row of rotors would block too much of the cross-section."
)
REACH_TOO_SHORT = RejectionReason(
    "reach too short", TECHNICAL, "The reach is shorter than the distance between rows of rotors."
)
TOO_LITTLE_FALL = RejectionReason(
    "too little fall to feed it", TECHNICAL, "The fall of the reach cannot sustain a row of rotors."
)
HYDROKINETIC_REASONS = (
    NO_FLOW_ESTIMATE,
    TOO_SHALLOW,
    TOO_NARROW,
    TOO_SLOW,
    ROW_BLOCKS,
    REACH_TOO_SHORT,
    TOO_LITTLE_FALL,
)

# Flags that code refers to by name.
NOT_ON_NETWORK = Flag(
    "network_unresolved",
    BY_NETWORK,
    "not connected to the network",
    "The stream could not be connected to the network: head, catchment area and flow are not known.",
)
HEAD_NOT_RESOLVED = Flag(
    "head_unresolved",
    BY_HEAD,
    "head not resolved",
    "The DEM does not resolve the head: there may be none. Survey it first.",
)
COST_EXTRAPOLATED = Flag(
    "cost_extrapolated",
    BY_COST,
    "cost extrapolated",
    "Power or head is outside the range of the cost law.",
)
CLOSED_MONTHS_COUNTED = Flag(
    "closed_months_counted",
    BY_COST,
    "closed months counted",
    "Energy includes months that rules close: nothing says when water flows. State flows.regime.",
)
SURFACE_MODEL = Flag(
    "dem_surface_model",
    BY_PLACE,
    "surface model",
    "The DEM shows trees, roofs and bridges, not the ground: survey the head.",
)
FLOW_REGRESSION_WEAK = Flag(
    "flow_regression_weak",
    BY_FLOW,
    "weak flow regression",
    "The regression of the mean flow has few gauges or a large standard error: gauge the flow first.",
)
FLOW_REGRESSION_TOO_WEAK = Flag(
    "flow_regression_too_weak",
    BY_FLOW,
    "flow regression too weak to rank",
    "The regression of the mean flow is too weak to rank sites by.",
)
CONDUIT_UNRESOLVED = Flag(
    "conduit_unresolved",
    BY_COST,
    "conduit not resolved",
    "The DEM is too coarse to show where a headrace could run in this valley: the stream's length is taken.",
)
STRUCTURE_IN_USE = Flag(
    "structure_in_use",
    BY_STRUCTURE,
    "structure in use",
    "The structure is in use.",
    takes_value=True,
    phrase_with_value="The structure is in use: {value}.",
)
HEAD_TO_BE_REMOVED = Flag(
    "removal_planned",
    BY_STRUCTURE,
    "removal of the weir planned",
    "The removal of the weir is planned: its head will go, and a plant would stand in the way of that.",
)
BYPASSES_STRUCTURE = Flag(
    "bypasses_structure",
    BY_STRUCTURE,
    "bypasses a structure",
    "The stretch goes past an existing structure.",
    takes_value=True,
    phrase_with_value="The water is taken past an existing structure: {value}.",
)
BYPASSES_FALL = Flag(
    "bypasses_fall",
    BY_STRUCTURE,
    "bypasses a natural fall",
    "The stretch goes past a natural fall.",
    takes_value=True,
    phrase_with_value="The water is taken past a natural fall: {value}.",
)
INTAKE_AT_STRUCTURE = Flag(
    "intake_at_structure",
    BY_STRUCTURE,
    "intake at a structure",
    "The intake stands at an existing structure.",
    takes_value=True,
    phrase_with_value="The intake stands at an existing structure: {value}.",
)
DROWNS_STRUCTURE = Flag(
    "drowns_structure",
    BY_STRUCTURE,
    "drowns a structure",
    "The pond drowns an existing structure, or the weir stands right above one.",
    takes_value=True,
    phrase_with_value="The pond drowns an existing structure, or the weir stands right above it: {value}.",
)
SURVIVAL_ROUNDED = Flag(
    "survival_rounded",
    BY_SELECTION,
    "survival rounded",
    "Fish losses were rounded up in the selection; a slightly better selection may exist.",
)
DEPLETED_SHALLOW = Flag(
    "depleted_shallow",
    BY_SELECTION,
    "depleted reach shallow",
    "The plant keeps the depleted reach below the minimum depth for much longer: examine habitat and migration.",
)
SMALL_PART_OF_RIVER = Flag(
    "small_part_of_river",
    BY_SELECTION,
    "small part of the river",
    "The plant takes a very small share of the river: works at so large a river are not examined here.",
)
RIVER_WIDE = Flag(
    "river_wide",
    BY_SELECTION,
    "wide river",
    "The river is wider than the tool is meant for: weirs and pass of such a width are not priced by experience.",
)
STEEP_STREAM = Flag(
    "steep_stream",
    BY_SELECTION,
    "steep stream",
    "The stream is steep: a plant of higher head may use it better than a low-head one.",
)
KEPT_BY_DECISION = Flag(
    "kept_by_decision",
    BY_SELECTION,
    "kept by a decision against rules",
    "Rules exclude the site; a decision keeps it. The rules hold in law until whoever may lift them has done so.",
    takes_value=True,
    phrase_with_value="Rules exclude the site; decision {value} keeps it. The rules hold in law until whoever may "
    "lift them has done so.",
)
STATUS_MUST_NOT_FALL = Flag(
    "status_must_not_fall",
    BY_SELECTION,
    "status of the water body must not fall",
    "The site uses a water body whose status must not fall.",
    takes_value=True,
    phrase_with_value="The site uses a water body whose status must not fall: {value}. Whether it may be built "
    "there is for the authority to say.",
)
WATER_RIGHT_IN_DEPLETED = Flag(
    "water_right_in_depleted_reach",
    BY_SELECTION,
    "water right in the depleted reach",
    "The plant takes water that an existing right takes from the depleted reach.",
    takes_value=True,
    phrase_with_value="The plant takes water that existing rights take from the depleted reach: {value}.",
)
GRID_CAPACITY_TOO_SMALL = Flag(
    "grid_capacity_too_small",
    BY_SELECTION,
    "too little free grid capacity",
    "The plant is larger than the free capacity of the nearest substation.",
    takes_value=True,
    phrase_with_value="The plant is larger than the free capacity of the nearest substation: {value}.",
)
GRID_CAPACITY_EXCEEDED = Flag(
    "grid_capacity_exceeded",
    BY_SELECTION,
    "grid capacity used by better sites",
    "With the better ranked sites at the same substation its free capacity is exceeded.",
    takes_value=True,
    phrase_with_value="With the better ranked sites at the same substation its free capacity is exceeded: "
    "{value}.",
)
GRID_VOLTAGE_UNFIT = Flag(
    "grid_voltage_unfit",
    BY_SELECTION,
    "voltage does not fit",
    "The line or substation that the connection is priced to has a voltage at which the plant may not connect.",
    takes_value=True,
    phrase_with_value="The line or substation that the connection is priced to has a voltage at which a plant of "
    "this size may not connect: {value}.",
)
# How depth and velocity of a stream are found, the best first.
RATING, MEASURED_SECTION = "rating", "measured section"
MANNING, HYDRAULIC_GEOMETRY = "Manning", "hydraulic geometry"
HYDRAULICS_METHODS = (RATING, MEASURED_SECTION, MANNING, HYDRAULIC_GEOMETRY)
MONTH_NAMES = (
    "January",
    "February",
    "March",
    "April",
    "May",
    "June",
    "July",
    "August",
    "September",
    "October",
    "November",
    "December",
)
# Places along the depleted reach of a diversion.
BELOW_INTAKE, BELOW_TRIBUTARY, ABOVE_TAILRACE = "below the intake", "below a tributary", "above the tailrace"
DEPLETED_PLACES = (BELOW_INTAKE, BELOW_TRIBUTARY, ABOVE_TAILRACE)

# What a point of a water right may be.
ABSTRACTION_KINDS = ("abstraction", "transfer_out", "return", "transfer_in")
# Where an existing water right lies against a site that touches it, down the stream.
RIGHT_AT_INTAKE = RightRelation("at the intake", "It lies at the intake: both take the same water.")
RIGHT_IN_POND = RightRelation("in the pond", "It lies in the pond: its water level rises.")
RIGHT_IN_DEPLETED = RightRelation(
    "in the depleted reach", "It lies in the depleted reach: the plant takes its water."
)
RIGHT_ON_STRETCH = RightRelation("at the plant", "It lies between intake and tailrace of a plant at a weir.")
RIGHT_BELOW = RightRelation("downstream", "It lies below the tailrace, where the water is back.")
RIGHT_RELATIONS = (RIGHT_AT_INTAKE, RIGHT_IN_POND, RIGHT_IN_DEPLETED, RIGHT_ON_STRETCH, RIGHT_BELOW)
# Parts of a site on whose ground an owner is asked for, in the order of the water.
LAND_PLACES = LAND_AT_INTAKE, LAND_OF_HEADRACE, LAND_OF_PENSTOCK, LAND_AT_TAILRACE = (
    "intake",
    "headrace",
    "penstock",
    "tailrace",
)
# Classes of ground that no parcel covers, and of an owner that the settings do not list.
NO_PARCEL, NOT_LISTED = "no parcel", "not stated"

# In the order in which a row lists them.
FLAGS = (
    NOT_ON_NETWORK,
    HEAD_NOT_RESOLVED,
    COST_EXTRAPOLATED,
    CLOSED_MONTHS_COUNTED,
    CONDUIT_UNRESOLVED,
    Flag(
        "catchment_incomplete",
        BY_PLACE,
        "catchment incomplete",
        "Water may enter over the edge of the DEM: catchment area and flow are lower bounds.",
    ),
    Flag(
        "catchment_coarse",
        BY_PLACE,
        "catchment coarse",
        "The catchment has few cells of the DEM: its area, and with it the flow, may be off by a fifth and more.",
    ),
    Flag(
        "covariate_partial",
        BY_PLACE,
        "covariates incomplete",
        "Rasters of the flow equations cover only part of the catchment.",
    ),
    Flag("regulated", BY_PLACE, "regulated flow", "A storage dam or regulated water upstream changes the flow."),
    Flag("karst", BY_PLACE, "karst", "Water may be lost to karst or gained from it: the flow is less certain."),
    Flag(
        "snap_doubtful",
        BY_PLACE,
        "channel doubtful",
        "It is uncertain which channel of the DEM belongs to the mapped stream.",
    ),
    Flag(
        "main_path_doubtful",
        BY_PLACE,
        "main arm doubtful",
        "The stream parts above, and nothing but the shape of the lines says which arm carries the water.",
    ),
    Flag(
        "seam", BY_PLACE, "DEM seam", "A step between tiles of the DEM crosses the stretch and may look like head."
    ),
    Flag("dem_border", BY_PLACE, "boundary of DEM surveys", "Two surveys of different error meet in the stretch."),
    SURFACE_MODEL,
    Flag("standing_water", BY_PLACE, "standing water", "Standing water lies in the stretch."),
    Flag(
        "standing_water_detected",
        BY_PLACE,
        "standing water detected",
        "The DEM is level as over standing water in the stretch, but no layer shows any.",
    ),
    Flag("tidal", BY_PLACE, "tidal", "The tide reaches the stretch."),
    Flag("developed", BY_PLACE, "existing plant", "An existing plant uses the stream here."),
    Flag("head_measured", BY_PLACE, "head surveyed", "Levels were surveyed on site and are used."),
    Flag("flow_missing", BY_FLOW, "no flow estimate", "No flow can be estimated here."),
    FLOW_REGRESSION_WEAK,
    FLOW_REGRESSION_TOO_WEAK,
    Flag(
        "flow_extrapolated",
        BY_FLOW,
        "outside equations' range",
        "The catchment is outside the range of the flow equations.",
    ),
    Flag(
        "flow_outside_area",
        BY_FLOW,
        "area outside equations' range",
        "The catchment area is outside the range of the flow equations.",
    ),
    Flag(
        "flow_leverage",
        BY_FLOW,
        "unusual catchment",
        "The catchment is unlike those of the gauges behind the flow equations.",
    ),
    Flag(
        "flow_region_doubtful",
        BY_FLOW,
        "flow region doubtful",
        "The flow regions do not cover the catchment exactly once.",
    ),
    Flag("flow_negative", BY_FLOW, "negative flow", "A flow equation gave a negative flow; zero is used."),
    Flag(
        "flow_interval_widened",
        BY_FLOW,
        "interval widened",
        "The interval of the mean flow was widened: too many held-out gauges were outside it.",
    ),
    Flag("flow_intermittent", BY_FLOW, "intermittent", "The stream is dry part of the time."),
    Flag(
        "curve_repaired",
        BY_FLOW,
        "quantiles pooled",
        "The regional flow quantiles crossed and were pooled.",
    ),
    Flag(
        "curve_scaled",
        BY_FLOW,
        "curve scaled",
        "The flow duration curve was scaled by a factor of more than 1.5 to match the mean flow.",
    ),
    Flag(
        "curve_extended",
        BY_FLOW,
        "curve extended",
        "A low or high flow was extrapolated beyond the outermost flow quantiles.",
    ),
    Flag(
        "gauge_differs",
        BY_FLOW,
        "gauge differs",
        "A gauge on this stream has a mean flow outside the interval of the equations.",
    ),
    Flag("observed_dry", BY_FLOW, "found dry", "A spot gauging found no flow here."),
    Flag("months_missing", BY_FLOW, "no monthly flows", "The flow equations give no monthly flows here."),
    Flag(
        "months_scaled",
        BY_FLOW,
        "months scaled",
        "The monthly flows were scaled by a factor of more than 1.5 to match the mean flow.",
    ),
    Flag(
        "months_flattened",
        BY_FLOW,
        "months flattened",
        "The flow is too even for the regional regime: its seasons were reduced.",
    ),
    Flag("flow_altered", BY_FLOW, "abstractions", "Abstractions or transfers change the mean flow."),
    Flag(
        "flow_exhausted",
        BY_FLOW,
        "fully abstracted",
        "At times, abstractions upstream exceed the flow.",
    ),
    STRUCTURE_IN_USE,
    HEAD_TO_BE_REMOVED,
    INTAKE_AT_STRUCTURE,
    BYPASSES_STRUCTURE,
    BYPASSES_FALL,
    DROWNS_STRUCTURE,
    SURVIVAL_ROUNDED,
    DEPLETED_SHALLOW,
    SMALL_PART_OF_RIVER,
    RIVER_WIDE,
    STEEP_STREAM,
    KEPT_BY_DECISION,
    STATUS_MUST_NOT_FALL,
    WATER_RIGHT_IN_DEPLETED,
    GRID_CAPACITY_TOO_SMALL,
    GRID_CAPACITY_EXCEEDED,
    GRID_VOLTAGE_UNFIT,
)


def named(records: Iterable[Word], name: str) -> Word:
    """The record of a name.

    Parameters
    ----------
    records : tuple of NamedTuple
        One of the tuples of this module.
    name : str

    Returns
    -------
    NamedTuple

    Raises
    ------
    ValueError
        If there is none of that name.

    Examples
    --------
    >>> named(SCHEME_TYPES, "kinetic").label
    'hydrokinetic'
    """
    records = tuple(records)
    for record in records:
        if record.name == name:
            return record
    raise ValueError(f"{name!r} is not one of {', '.join(names(records))}")


def names(records: Iterable[Any]) -> tuple[str, ...]:
    """Names of records, in their order.

    Examples
    --------
    >>> names(EVIDENCE_GRADES)
    ('tested', 'modelled', 'claimed', 'none')
    """
    return tuple(record.name for record in records)


def labels(records: Iterable[Any]) -> dict[str, str]:
    """Label of each record by its name; reasons for rejection are their own labels.

    Examples
    --------
    >>> labels(SCHEME_TYPES)["at_barrier"]
    'at an existing weir'
    """
    return {record.name: getattr(record, "label", record.name) for record in records}


def phrases(records: Iterable[Any]) -> dict[str, str]:
    """Phrase of each record by its name.

    Examples
    --------
    >>> phrases(VERDICTS)["open"]
    'No rule limits a site here.'
    """
    return {record.name: record.phrase for record in records}


def marked_actions() -> tuple[Action, ...]:
    """Actions with a mark, in the order of their columns: those that limit sites, not known, the others.

    Returns
    -------
    tuple of Action

    Examples
    --------
    >>> [action.mark for action in marked_actions()][-3:]
    ['mark_no_new_barrier', 'mark_unknown', 'mark_note']
    """
    limiting = [action for action in ACTIONS if action.limits]
    return (*limiting, DOUBT, *(action for action in ACTIONS if not action.limits))


def head_schemes() -> tuple[str, ...]:
    """Names of the scheme types that use head, as settings and turbine files list them.

    Examples
    --------
    >>> head_schemes()
    ('at_barrier', 'diversion', 'new_weir')
    """
    return names(scheme for scheme in SCHEME_TYPES if scheme.has_head)


def schemes_that(statement: str) -> tuple[str, ...]:
    """Names of the scheme types with a true attribute of `SchemeType`.

    Parameters
    ----------
    statement : {"diverts", "builds_barrier", "uses_structure", "has_weir", "has_head"}

    Examples
    --------
    >>> schemes_that("has_weir")
    ('at_barrier', 'new_weir')
    """
    return names(scheme for scheme in SCHEME_TYPES if getattr(scheme, statement))


def never_past_kinds() -> tuple[str, ...]:
    """Names of the kinds of things that ``never_past`` of settings and rules may hold.

    Examples
    --------
    >>> never_past_kinds()[:3]
    ('fall', 'crossing', 'navigation')
    """
    return names(kind for kind in PASSED_KINDS if kind.may_forbid)


def settings_effects() -> tuple[str, ...]:
    """Names of the effects that a rule's setting may have."""
    return names(effect for effect in EFFECTS if effect.in_settings)


def allowable() -> tuple[str, ...]:
    """Words that ``ranking.allow`` may hold: doubts that do not reject a site.

    Examples
    --------
    >>> allowable()
    ('weak_flow', 'unresolved', 'incomplete', 'conditional', 'unknown')
    """
    return tuple(dict.fromkeys(filter(None, (each.allowed_by for each in (*REJECTION_REASONS, *ACTIONS, DOUBT)))))


def passing_verdicts(allow: Container[str]) -> tuple[str, ...]:
    """Names of the verdicts under which sites may be selected.

    Parameters
    ----------
    allow : collection of str
        The run's ``ranking.allow``.

    Examples
    --------
    >>> passing_verdicts(["conditional"])
    ('conditional', 'restricted', 'open')
    """
    return names(each for each in VERDICTS if each.is_open or (each.allowed_by and each.allowed_by in allow))


def reasons_of(group: str) -> tuple[RejectionReason, ...]:
    """Reasons for rejection of a group, in the order of examination.

    Examples
    --------
    >>> names(reasons_of(NO_STREAM))
    ('standing water', 'developed', 'tidal')
    """
    return tuple(reason for reason in REJECTION_REASONS if reason.group == group)


def cascade_reasons() -> tuple[RejectionReason, ...]:
    """Reasons for rejection that are steps of the screening cascade before the rules, in the order of the steps.

    Returns
    -------
    tuple of RejectionReason
        First what cannot be measured, then what is no natural stream.

    Examples
    --------
    >>> names(cascade_reasons())[-3:]
    ('standing water', 'developed', 'tidal')
    """
    return (*reasons_of(UNMEASURED), *reasons_of(NO_STREAM))


def flags_set_by(*what: str) -> tuple[str, ...]:
    """Names of the flags of some kinds of ``set_by``, in their order.

    Examples
    --------
    >>> flags_set_by(BY_COST, BY_HEAD)
    ('head_unresolved', 'cost_extrapolated', 'closed_months_counted', 'conduit_unresolved')
    """
    return names(flag for flag in FLAGS if flag.set_by in what)


def split_flags(text: str) -> list[tuple[str, str]]:
    """Flags of a cell, each with its value.

    Parameters
    ----------
    text : str
        A cell of a column ``flags``.

    Returns
    -------
    list of (str, str)
        Name, and value or "".

    Examples
    --------
    >>> split_flags("tidal; structure_in_use: mill")
    [('tidal', ''), ('structure_in_use', 'mill')]
    """
    parts = [part.partition(FLAG_VALUE) for part in text.split(IN_ONE_CELL) if part]
    return [(name, value) for name, _, value in parts]


def flag_phrases(text: str) -> list[str]:
    """Flags of a cell of a column ``flags``, as sentences.

    Parameters
    ----------
    text : str
        As delivered.

    Returns
    -------
    list of str
        A sentence for each flag, in their order; a flag that is not declared is left as it is.

    Examples
    --------
    >>> flag_phrases("tidal; structure_in_use: mill")
    ['The tide reaches the stretch.', 'The structure is in use: mill.']
    >>> flag_phrases("")
    []
    """
    known = {flag.name: flag for flag in FLAGS}
    sentences = []
    for name, value in split_flags(text):
        flag = known.get(name)
        if flag is None:
            sentences.append(f"{name}{FLAG_VALUE}{value}" if value else name)
        else:
            sentences.append(flag.phrase_with_value.format(value=value) if value else flag.phrase)
    return sentences
