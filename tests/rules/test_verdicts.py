"""Marks, verdicts and reasons, and which turbines a stretch may use."""

import itertools

import numpy as np
import pandas as pd
import pytest

from sitefinder.rules.overlaps import MIN_HELD_M, RuleMetres
from sitefinder.rules.verdicts import (
    MARK_NAMES,
    admissible,
    closed_by_rules,
    held_reaches,
    stretch_marks,
    verdicts,
)
from sitefinder.settings import RuleSettings


def rule(action, name=None, **settings):
    return RuleSettings(name=name or action, action=action, path="layer.gpkg", **settings)


def reaches(*length_m):
    return pd.DataFrame({"length_m": np.array(length_m, dtype=float)})


# Metres under features that are meant, and under those and features of missing category together.
def under(certain, possible=None):
    certain = np.asarray(certain, dtype=float)
    possible = certain if possible is None else np.asarray(possible, dtype=float)
    return RuleMetres(certain, possible, possible - certain, np.zeros_like(certain))


# What a run says of reaches.
def judge(reaches, metres, rules):
    return verdicts(held_reaches(reaches, metres, rules), rules)


def marks(**true):
    return pd.DataFrame({name: [name in true] for name in MARK_NAMES})


@pytest.mark.parametrize(
    ("action", "verdict"),
    [
        ("exclude", "excluded"),
        ("conditional", "conditional"),
        ("fish_safe_only", "restricted"),
        ("no_diversion", "restricted"),
        ("no_new_barrier", "restricted"),
        ("note", "open"),
    ],
)
def test_each_action_sets_its_mark_and_its_verdict(action, verdict):
    metres = np.array([[0.0, 30.0]])

    judged = judge(reaches(100, 100), under(metres), [rule(action)])

    assert judged["verdict"].tolist() == ["open", verdict]
    assert judged["reasons"].tolist() == ["", action]
    assert judged["only_reason"].tolist() == ["", "" if action == "note" else action]
    assert judged.loc[1, list(MARK_NAMES)].sum() == 1
    assert judged.loc[1, f"mark_{action}"]


def test_two_limits_hold_at_once_and_neither_is_the_only_reason():
    rules = [rule("no_diversion"), rule("note"), rule("fish_safe_only")]
    metres = np.array([[10.0], [10.0], [10.0]])

    judged = judge(reaches(100), under(metres), rules).loc[0]

    assert judged["verdict"] == "restricted"
    assert judged["reasons"] == "no_diversion; note; fish_safe_only"
    assert judged["only_reason"] == ""
    assert judged["mark_no_diversion"]
    assert judged["mark_fish_safe_only"]
    assert judged["mark_note"]


def test_a_note_beside_one_rule_leaves_that_rule_the_only_reason():
    metres = np.array([[10.0], [10.0]])

    judged = judge(reaches(100), under(metres), [rule("note"), rule("exclude")]).loc[0]

    assert judged["only_reason"] == "exclude"


def test_a_missing_category_makes_a_reach_unknown_and_says_why():
    judged = judge(reaches(100), under([[0.0]], [[20.0]]), [rule("exclude")]).loc[0]

    assert judged["verdict"] == "unknown"
    assert judged["reasons"] == "exclude (category missing)"
    assert judged["only_reason"] == "exclude"
    assert judged["mark_unknown"]
    assert not judged["mark_exclude"]


def test_a_note_of_missing_category_is_noted_and_bars_nothing():
    judged = judge(reaches(100), under([[0.0]], [[20.0]]), [rule("note")]).loc[0]

    assert judged["verdict"] == "open"
    assert judged["mark_note"]
    assert not judged["mark_unknown"]


def test_a_rule_that_holds_anyway_is_not_unknown_as_well():
    judged = judge(reaches(100), under([[20.0]], [[40.0]]), [rule("conditional")]).loc[0]

    assert judged["verdict"] == "conditional"
    assert not judged["mark_unknown"]


def test_the_worst_verdict_wins_whichever_rules_meet():
    worst_first = ["exclude", "unknown", "conditional", "no_diversion", "note"]
    verdict_of = dict(zip(worst_first, ["excluded", "unknown", "conditional", "restricted", "open"], strict=True))
    rules = [rule("exclude"), rule("exclude", "unknown"), rule("conditional"), rule("no_diversion"), rule("note")]

    for present in itertools.product([0.0, 50.0], repeat=len(rules)):
        possible = np.array(present)[:, np.newaxis]
        metres = possible * np.array([1, 0, 1, 1, 1])[:, np.newaxis]

        judged = judge(reaches(100), under(metres, possible), rules).loc[0]

        worst = next((name for name, metre in zip(worst_first, present, strict=True) if metre), "note")
        assert judged["verdict"] == verdict_of[worst]


def test_an_overlap_counts_from_its_minimum_metres_on():
    minimum = rule("exclude", min_overlap_m=25)
    metres = np.array([[24.9, 25.0, 0.0]])

    judged = judge(reaches(100, 100, 100), under(metres), [minimum])

    assert judged["verdict"].tolist() == ["open", "excluded", "open"]


def test_a_reach_shorter_than_the_minimum_overlap_is_held_when_all_of_it_is_under_the_rule():
    minimum = rule("exclude", min_overlap_m=25)
    metres = np.array([[20.0, 19.0]])

    judged = judge(reaches(20, 20), under(metres), [minimum])

    assert judged["verdict"].tolist() == ["excluded", "open"]


def test_without_rules_every_reach_is_open():
    nothing = np.zeros((0, 2))

    judged = judge(reaches(10, 10), under(nothing), [])

    assert judged["verdict"].tolist() == ["open", "open"]
    assert judged["only_reason"].tolist() == ["", ""]


def test_a_stretch_is_judged_by_its_own_segments():
    # Stations 0 to 4, segments of 50 m; the rule covers the segment of station 3 and a fifth of that of 2.
    metres = np.array([[0.0, 0.0, 10.0, 50.0, 0.0]])
    segment_length_m = np.array([0.0, 50.0, 50.0, 50.0, 50.0])
    first, stations = np.array([0, 2, 4, 4, 5]), np.array([1, 2, 2, 3, 4])

    judged = stretch_marks(
        first,
        stations,
        segment_length_m,
        np.array([-1, 0, 0, 1, 1]),
        under(metres),
        [rule("exclude", min_overlap_m=60)],
    )

    # Stretch 0 has 10 m of it, stretch 1 has 60 m, stretch 2 takes nothing, stretch 3 lies below it.
    assert judged.marks["mark_exclude"].tolist() == [False, True, False, False]


def test_reasons_of_chosen_stretches_are_those_of_their_own_numbers():
    rules = [rule("exclude"), rule("note")]
    metres = np.array([[0.0, 50.0, 0.0], [0.0, 50.0, 50.0]])
    judged = stretch_marks(
        np.array([0, 1, 2]),
        np.array([1, 2]),
        np.array([0.0, 50.0, 50.0]),
        np.array([-1, 0, 0]),
        under(metres),
        rules,
    )

    notes = verdicts(judged.held, rules, chosen=np.array([1, 0]))

    assert notes["reasons"].tolist() == ["note", "exclude; note"]
    assert notes["verdict"].tolist() == ["open", "excluded"]


def test_a_share_is_one_of_the_reachs_own_length():
    half = rule("exclude", min_overlap_share=0.5)
    metres = np.array([[49.9, 50.0, 50.0, 20.0]])

    judged = judge(reaches(100, 100, 200, 20), under(metres), [half])

    assert judged["verdict"].tolist() == ["open", "excluded", "open", "excluded"]


def test_a_share_of_a_stretch_is_one_of_its_own_length():
    # Stations 1 to 4 in one long reach of 400 m, the first two under the rule.
    segment_length_m = np.array([0.0, 100.0, 100.0, 100.0, 100.0])
    metres = np.array([[0.0, 100.0, 50.0, 0.0, 0.0]])
    first, stations = np.array([0, 2, 4, 6]), np.array([1, 2, 2, 3, 3, 4])

    judged = stretch_marks(
        first,
        stations,
        segment_length_m,
        np.array([-1, 0, 0, 0, 0]),
        under(metres),
        [rule("exclude", min_overlap_share=0.6)],
    )

    # 150 of 200 m, 50 of 200 m, none.
    assert judged.marks["mark_exclude"].tolist() == [True, False, False]


@pytest.mark.parametrize("minimum", [{"min_overlap_share": 0.9}, {"min_overlap_m": 150}, {}])
def test_an_excluded_middle_breaks_a_stretch(minimum):
    # Three reaches of two segments of 50 m; the middle one is under the rule from end to end.
    segment_length_m = np.array([0.0, 50, 50, 50, 50, 50, 50])
    reach = np.array([-1, 0, 0, 1, 1, 2, 2])
    metres = np.array([[0.0, 0, 0, 50, 50, 0, 0]])
    first, stations = np.array([0, 6, 8, 10, 13]), np.array([1, 2, 3, 4, 5, 6, 1, 2, 5, 6, 1, 2, 3])
    excluding = rule("exclude", **minimum)

    of_reaches = judge(reaches(100, 100, 100), under([[0.0, 100, 0]]), [excluding])
    judged = stretch_marks(first, stations, segment_length_m, reach, under(metres), [excluding])

    assert of_reaches["verdict"].tolist() == ["open", "excluded", "open"]
    # Through the middle, above it, below it, and into its first half.
    into_half = not minimum
    assert judged.marks["mark_exclude"].tolist() == [True, False, False, into_half]
    assert admissible(["diversion"] * 4, judged.marks, []).choice.tolist() == [-1, 0, 0, -1 if into_half else 0]


@pytest.mark.parametrize("scale", [1.0, 0.005])
@pytest.mark.parametrize("number", [0, 1, 2])
@pytest.mark.parametrize(("certain", "expected"), [(1.0, "holds"), (0.0, "unknown"), (0.5, "unknown")])
def test_a_reach_that_is_wholly_under_a_rule_is_not_diluted_by_a_long_stretch(scale, number, certain, expected):
    # Three reaches of two segments of 50 m, of which one has 100 m that may, or some that do lie under the rule; a
    # second rule without a minimum lies nowhere.
    reach = np.array([-1, 0, 0, 1, 1, 2, 2])
    possible = np.stack([50.0 * (reach == number), np.zeros(7)]) * scale
    segment_length_m = np.where(reach >= 0, 50.0, 0.0) * scale
    rules = [rule("exclude", min_overlap_m=120 * scale), rule("no_diversion")]

    judged = stretch_marks(
        np.array([0, 6]), np.arange(1, 7), segment_length_m, reach, under(certain * possible, possible), rules
    )

    assert judged.held.holds.ravel().tolist() == [expected == "holds", False]
    assert judged.held.unknown.ravel().tolist() == [expected == "unknown", False]
    assert judged.held.missing.ravel().tolist() == [expected == "unknown", False]


def test_what_holds_from_a_touch_on_holds_by_the_least_that_a_touch_counts():
    judged = judge(reaches(100, 100), under([[MIN_HELD_M, MIN_HELD_M / 2]]), [rule("exclude")])

    assert judged["verdict"].tolist() == ["excluded", "open"]


@pytest.mark.parametrize("metres", [0.2, 20.0])
def test_any_metre_that_may_be_under_a_rule_or_is_not_covered_is_a_doubt(metres):
    nothing, some = np.zeros((1, 1)), np.full((1, 1), metres)
    missing, outside = RuleMetres(nothing, some, some, nothing), RuleMetres(nothing, some, nothing, some)

    assert judge(reaches(100), missing, [rule("note")])["reasons"].tolist() == ["note (category missing)"]
    assert judge(reaches(100), outside, [rule("note")])["reasons"].tolist() == ["note (not covered)"]


def test_a_diversion_with_a_weir_of_its_own_builds_a_barrier():
    barred = marks(mark_no_new_barrier=True)

    for own_weir in (False, True):
        for scheme_type in ("diversion", "new_weir"):
            admitted = admissible([scheme_type], barred, [], new_barrier=np.array([own_weir]))
            assert (admitted.choice[0] == -1) == (own_weir or scheme_type == "new_weir")


def test_what_a_layer_does_not_cover_is_unknown_and_never_clear():
    metres = RuleMetres(
        certain=np.array([[0.0, 30.0, 0.0, 0.0]]),
        possible=np.array([[40.0, 70.0, 60.0, 0.0]]),
        missing=np.array([[0.0, 0.0, 20.0, 0.0]]),
        outside=np.array([[40.0, 40.0, 40.0, 0.0]]),
    )

    judged = judge(reaches(100, 100, 100, 100), metres, [rule("conditional")])

    assert judged["verdict"].tolist() == ["unknown", "conditional", "unknown", "open"]
    assert judged["reasons"].tolist() == [
        "conditional (not covered)",
        "conditional",
        "conditional (category missing, not covered)",
        "",
    ]
    assert judged["mark_unknown"].tolist() == [True, False, True, False]


def test_closed_months_of_all_rules_that_hold_are_reported_together():
    rules = [rule("note", "spawning", closed_months=[11, 10]), rule("no_diversion", "eggs", closed_months=[11, 2])]
    metres = np.array([[5.0, 0.0, 5.0, 0.0], [0.0, 5.0, 5.0, 0.0]])

    judged = judge(reaches(9, 9, 9, 9), under(metres), rules)

    assert judged["closed_months"].tolist() == ["10;11", "2;11", "2;10;11", ""]
    closed = closed_by_rules(held_reaches(reaches(9, 9, 9, 9), under(metres), rules), rules)
    assert closed.shape == (4, 12)
    assert (np.argwhere(closed[1]).ravel() + 1).tolist() == [2, 11]


def test_hidden_rules_are_reasons_without_a_name():
    rules = [
        rule("exclude", "eagle nests", publish="hidden"),
        rule("note", "park"),
        rule("conditional", "orchids", publish="hidden"),
        rule("note", "rare fish", publish="generalised"),
    ]
    metres = np.array([[5.0, 0.0], [5.0, 0.0], [5.0, 5.0], [5.0, 0.0]])

    judged = judge(reaches(9, 9), under(metres), rules)

    assert judged["reasons"].tolist() == ["sensitive area; park; rare fish", "sensitive area"]
    assert judged["only_reason"].tolist() == ["", "sensitive area"]
    assert judged["verdict"].tolist() == ["excluded", "conditional"]


@pytest.mark.parametrize(
    ("mark", "barred", "because"),
    [
        ("mark_exclude", {"at_barrier", "diversion", "new_weir"}, "a rule excludes it"),
        ("mark_unknown", {"at_barrier", "diversion", "new_weir"}, "a rule's layer has no information"),
        ("mark_conditional", {"at_barrier", "diversion", "new_weir"}, "a site is possible on conditions only"),
        ("mark_no_diversion", {"diversion"}, "no water may be diverted"),
        ("mark_no_new_barrier", {"new_weir"}, "no new barrier may be built"),
        ("mark_note", set(), ""),
    ],
)
def test_each_mark_bars_its_scheme_types(mark, barred, because):
    for scheme_type in ("at_barrier", "diversion", "new_weir"):
        admitted = admissible([scheme_type], marks(**{mark: True}), [])

        assert admitted.choice.tolist() == [-1 if scheme_type in barred else 0]
        assert admitted.because.tolist() == [because if scheme_type in barred else ""]


@pytest.mark.parametrize(
    ("excluded", "passes", "because"),
    [
        (False, False, ""),
        (False, True, "a rule forbids to bypass what lies here"),
        (True, False, "a rule excludes it"),
        (True, True, "a rule excludes it"),
    ],
)
def test_what_a_rule_forbids_to_bypass_is_the_reason_where_no_rule_excludes(excluded, passes, because):
    own = marks(mark_exclude=True) if excluded else marks()

    admitted = admissible(["diversion"], own, [], passes_forbidden=np.array([passes]))

    assert admitted.because.tolist() == [because]
    assert admitted.choice.tolist() == [-1 if because else 0]


def test_fish_demand_the_safe_choice_in_every_scheme_type():
    for scheme_type in ("at_barrier", "diversion", "new_weir"):
        assert admissible([scheme_type], marks(mark_fish_safe_only=True), []).choice.tolist() == [1]


def test_what_the_user_allows_is_no_longer_barred_but_its_limits_stay():
    both = marks(mark_unknown=True, mark_conditional=True, mark_fish_safe_only=True)

    assert admissible(["at_barrier"], both, ["unknown"]).choice.tolist() == [-1]
    assert admissible(["at_barrier"], both, ["unknown", "conditional"]).choice.tolist() == [1]
    assert admissible(["at_barrier"], marks(mark_exclude=True), ["unknown", "conditional"]).choice.tolist() == [-1]


def test_the_worst_bar_is_the_one_that_is_reported():
    several = marks(mark_no_diversion=True, mark_conditional=True, mark_exclude=True)

    assert admissible(["diversion"], several, []).because.tolist() == ["a rule excludes it"]
    assert admissible(["diversion"], several.assign(mark_exclude=False), ["conditional"]).because.tolist() == [
        "no water may be diverted"
    ]
