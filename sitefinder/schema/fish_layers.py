"""Declared layers of fish passage: barriers, reaches, sites and the whole region, by group of fish."""

from sitefinder import vocabulary
from sitefinder.schema.columns import REACH_ID, SITE_ID, Column, Layer, amount, count, made_by, statement, text
from sitefinder.vocabulary import labels, names

KINDS = names(vocabulary.BARRIER_KINDS)
STATES = names(vocabulary.PASSAGE_STATES)
BASES = names(vocabulary.PASSAGE_BASES)
DIRECTIONS = names(vocabulary.MIGRATION_DIRECTIONS)
IN_SEASONS = names(vocabulary.IN_SEASONS)
GROUP = text("fish_group", "group of fish, by the settings")
_FROM = "fish_passage settings.fish"


# A share of a group; NULL in a direction in which the group does not migrate.
def _share(name: str, meaning: str) -> Column:
    return amount(name, "1", meaning, 1)


# A basis of the share that gets up.
def _basis(name: str, meaning: str) -> Column:
    meanings = ", ".join(f"{basis.name} ({basis.phrase})" for basis in vocabulary.PASSAGE_BASES)
    return text(name, f"{meaning}: {meanings}", BASES)


FISH_PASSAGE = Layer(
    "fish_passage",
    "Point",
    "a barrier or plant that fish meet, and a group of fish",
    ("barrier_id", "fish_group"),
    made_by(
        _FROM,
        text("barrier_id", "user's id of the structure, fall or plant; of what a site builds the site's id"),
        GROUP,
        text("kind", "kind: " + ", ".join(KINDS), KINDS),
        text("reach_id", "reach in which it lies"),
        text("site_id", "selected site that uses or builds it; empty for none"),
        amount("drop_m", "m", "drop of the water level that fish must overcome; NULL if unknown"),
        statement("pass_today", "true if it has a fish pass today"),
        statement("pass_with_sites", "true if it has one once the sites are built"),
        statement("removal_planned", "true if its removal is planned"),
        _share("up_today", "share of the group that gets up it today; NULL for a group that only goes down"),
        _share("up_with_sites", "the same once the sites are built"),
        _basis("basis", "what up_today rests on"),
        _basis("basis_with_sites", "what up_with_sites rests on"),
        _share(
            "attraction", "share of the fish of trials that find the site's fish pass, by its flow; NULL for none"
        ),
        _share("down_today", "share that survives it on the way down today; NULL for a group that only goes up"),
        _share("down_with_sites", "the same once the sites are built"),
        amount(
            "gain_if_open_km",
            "km",
            "stream that fish would reach in addition if all got up it, weighted by the share that reaches it; "
            "all else as today; NULL for a group that only goes down",
        ),
        amount("gain_if_open_with_sites_km", "km", "the same with all sites and their fish passes"),
    ),
)
FISH_REACHES = Layer(
    "fish_reaches",
    None,
    "a reach and a group of fish",
    ("reach_id", "fish_group"),
    made_by(
        _FROM,
        REACH_ID,
        GROUP,
        _share(
            "access_natural",
            "share of the group that natural falls let up to the reach from the outlet, mean over its length; "
            "NULL for a group that only goes down",
        ),
        _share("access_today", "the same past everything that is there today"),
        _share("access_with_sites", "the same with all sites and their fish passes"),
        _share("access_after_removals", "the same as today without the weirs to be removed"),
        _share("access_with_sites_and_removals", "the same with all sites and without the weirs to be removed"),
        _share(
            "survival_today",
            "share that survives all plants from the reach to the outlet, mean over its length; NULL for a group "
            "that only goes up",
        ),
        _share("survival_with_sites", "the same with all sites"),
    ),
)
FISH_SITES = Layer(
    "fish_sites",
    None,
    "a ranked site and a group of fish",
    ("site_id", "fish_group"),
    made_by(
        f"{_FROM} depleted_reaches settings.depleted_reach",
        SITE_ID,
        GROUP,
        count("rank", "rank of the site", minimum=1),
        statement("migrates_past", "true if the group migrates past it; false if that may not be published"),
        _share("survival", "share of the group that survives the plant; NULL for a group that only goes up"),
        _share("passage_up", "share that gets up its barrier; NULL for a group that only goes down"),
        _basis("basis", "what passage_up rests on"),
        _share("attraction", "share of the fish of trials that find its fish pass, by its flow; NULL for none"),
        Column(
            "access_change_km",
            "real",
            "km",
            "stream that fish reach in addition by this site alone, weighted by the share that reaches it; "
            "negative: less; NULL for a group that only goes down",
        ),
        Column(
            "survival_change_km",
            "real",
            "km",
            "stream from which fish survive in addition by this site alone, weighted by the share that does; "
            "negative: less; NULL for a group that only goes up",
        ),
        amount(
            "depth_m", "m", "minimum mean depth of its depleted reach in the months of migration; NULL for none"
        ),
        amount("depth_natural_m", "m", "the same without the plant"),
        amount("depth_needed_m", "m", "minimum depth that the group needs"),
        statement(
            "is_too_shallow", "true if the depleted reach is too shallow for the group and would not be without"
        ),
        text("in_season", "what the months of migration mean for the site: " + ", ".join(IN_SEASONS), IN_SEASONS),
        text("months", "months of migration, such as 4;5; empty for the whole year"),
    ),
)
FISH_TOTALS = Layer(
    "fish_totals",
    None,
    "a group of fish and a state of the streams; all stream is what nature lets it reach in the region",
    ("fish_group", "state"),
    made_by(
        _FROM,
        GROUP,
        text(
            "state",
            "state: "
            + ", ".join(f"{name} ({label})" for name, label in labels(vocabulary.PASSAGE_STATES).items()),
            STATES,
        ),
        text("direction", "direction of migration: " + ", ".join(DIRECTIONS), DIRECTIONS),
        amount("stream_km", "km", "length of stream"),
        _share("accessible_from", "share of the group that must reach stream for it to count as reached"),
        amount("accessible_km", "km", "stream that at least that share reaches from the outlet"),
        amount("cut_off_km", "km", "stream that fewer reach"),
        amount("won_km", "km", "accessible stream that is cut off today; NULL in the natural state"),
        amount("lost_km", "km", "stream cut off that is accessible today; NULL in the natural state"),
        _share("mean_access", "mean share that reaches a metre of stream from the outlet"),
        _share("mean_survival", "mean share that survives from a metre of stream to the outlet"),
        _share(
            "connectivity",
            "mean of the product of both, of the directions in which the group migrates: the dendritic "
            "connectivity index of diadromous fish (Cote and others, 2009), over 100",
        ),
        amount("ground_km", "km", "stream on which the group spawns or lives; NULL if not published"),
        _share("ground_access", "mean share that reaches it from the outlet"),
        _share("ground_survival", "mean share that survives from it to the outlet"),
        _share("min_ground_survival", "the smallest of these shares"),
    ),
)
FISH_ASSUMPTIONS = Layer(
    "fish_assumptions",
    None,
    "a figure that survival and passage of fish rest on, of one group or of all",
    ("fish_group", "assumption"),
    made_by(
        "settings.fish settings.depleted_reach settings.flows.releases",
        text("fish_group", "group of fish; empty for all"),
        text("assumption", "what is assumed, and its unit"),
        Column("assumed", "real", "", "value that is used"),
        Column("likely_low", "real", "", "low end of its likely range; NULL if not known"),
        Column("likely_high", "real", "", "high end of its likely range; NULL if not known"),
        statement("is_stated", "true if the settings state it, false if it is a default or follows from others"),
        text("basis", "source, or why it is an assumption"),
    ),
)
