"""Which decisions apply, and what they lift of the rules."""

import itertools

import numpy as np
import pandas as pd
import pytest

from sitefinder.rules.decisions import (
    Ground,
    ReachFacts,
    judge_decisions,
    lifted_metres,
    pinned_schemes,
    reaches_that,
    rules_lifted,
    rules_on_reaches,
)
from sitefinder.rules.overlaps import RuleMetres
from sitefinder.rules.verdicts import Held
from sitefinder.settings import RuleSettings

NONE = float("nan")
# Two reaches: S1@100, 3.0 m of head, excluded, with the weir W1; S1@300, 1.0 m, open, without a structure.
REACHES = ReachFacts(
    np.array(["S1@100", "S1@300"], dtype=object),
    np.array([3.0, 1.0]),
    np.array(["excluded", "open"], dtype=object),
    [["W1"], []],
)


# Decisions that keep the first reach at a place, with some cells changed; and what is found at their places.
def judged(*changes, by_place=0, by_id=-1, is_there=False, distance_m=3.0, **settings):
    rows = []
    for number, changed in enumerate(changes, 1):
        row = {
            "decision_id": f"D{number}",
            "decision": "keep",
            "scheme_type": "",
            "author": "A",
            "date": "2026-01-10",
        }
        row |= {"valid_until": "", "justification": "J", "reach_id": "", "head_m": NONE, "rule_verdict": ""}
        rows.append(row | {"structure_id": ""} | changed)
    count = len(rows)
    ground = Ground(
        np.full(count, by_id), np.full(count, by_place), np.full(count, is_there), np.full(count, distance_m)
    )
    options = {"on_date": "2026-05-31", "head_tolerance_m": 0.5, "snap_m": 30.0} | settings
    return judge_decisions(pd.DataFrame(rows), ground, REACHES, **options)


def test_a_decision_at_a_place_applies_whatever_id_its_reach_has_now():
    found = judged({"reach_id": "OLD@7"}).iloc[0]

    assert found["applied"]
    assert (found["reach"], found["not_applied"]) == (0, "")
    assert found["because"].startswith("no head, verdict or structure is stated")


def test_one_that_states_what_it_was_based_on_applies_while_that_holds():
    based = {"head_m": 3.5, "rule_verdict": "excluded", "structure_id": "W1"}

    assert judged(based).iloc[0][["applied", "because"]].tolist() == [True, ""]


@pytest.mark.parametrize("based", [{"head_m": 3.5}, {"rule_verdict": "excluded"}, {"structure_id": "W1"}])
def test_one_thing_that_it_was_based_on_is_enough(based):
    assert judged(based).iloc[0][["applied", "because"]].tolist() == [True, ""]


@pytest.mark.parametrize(
    ("where", "reach", "reason"),
    [
        # An id alone is enough; a place without a stream is not mended by an id; the two must not disagree.
        ({"by_id": 0, "by_place": -1, "distance_m": NONE}, 0, ""),
        ({"by_id": 1, "by_place": -1, "distance_m": NONE}, 1, ""),
        ({"by_id": 0, "by_place": -1, "distance_m": 31.0}, -1, "no stream at the place"),
        ({"by_id": 0, "by_place": 1}, 1, "reach lies elsewhere"),
        ({"by_id": 0, "by_place": 1, "is_there": True}, 1, ""),
    ],
)
def test_a_decision_holds_at_its_place_or_else_on_the_reach_of_its_id(where, reach, reason):
    found = judged({"reach_id": REACHES.reach_id[where["by_id"]]}, **where).iloc[0]

    assert (found["reach"], found["not_applied"]) == (reach, reason)


@pytest.mark.parametrize(
    ("changed", "where", "reason", "words"),
    [
        (
            {"valid_until": "2026-05-30"},
            {},
            "expired",
            "valid until 2026-05-30, and the settings ask for 2026-05-31",
        ),
        ({"date": "2026-06-01"}, {}, "made later", "made on 2026-06-01, after 2026-05-31"),
        (
            {"reach_id": "OLD@7"},
            {"by_place": -1, "distance_m": NONE},
            "reach vanished",
            "no reach is called OLD@7",
        ),
        ({}, {"by_place": -1, "distance_m": 31.0}, "no stream at the place", "31 m away, more than 30 m"),
        # The id is known, and its reach is not at the place: which of the two was meant cannot be known.
        (
            {"reach_id": "S1@300"},
            {"by_id": 1},
            "reach lies elsewhere",
            "at its place is S1@100, and S1@300 is more",
        ),
        ({"head_m": 3.51}, {}, "head changed", "is 3.00 m, and was 3.51 m (tolerance 0.5 m)"),
        ({"head_m": 2.49}, {}, "head changed", "is 3.00 m, and was 2.49 m"),
        ({"rule_verdict": "open"}, {}, "verdict changed", "the rules' verdict is excluded, and was open"),
        ({"structure_id": "W2"}, {}, "structure gone", "structures on the reach: W1, and it was W2"),
    ],
)
def test_a_decision_whose_ground_has_moved_is_not_applied_and_says_why(changed, where, reason, words):
    found = judged(changed, **where).iloc[0]

    assert not found["applied"]
    assert found["not_applied"] == reason
    assert words in found["because"]


def test_the_first_and_the_last_day_of_a_decision_count():
    assert judged({"date": "2026-05-31"}, {"valid_until": "2026-05-31"})["applied"].all()


def test_a_reach_whose_head_is_not_known_any_more_is_not_the_one_that_was_decided_about():
    unknown = REACHES._replace(head_m=np.array([NONE, 1.0]))
    row = {"decision_id": "D1", "decision": "keep", "scheme_type": "", "date": "2026-01-10", "valid_until": ""}
    row |= {"reach_id": "", "head_m": 3.0, "rule_verdict": "", "structure_id": ""}
    ground = Ground(np.array([-1]), np.array([0]), np.array([False]), np.array([0.0]))

    found = judge_decisions(pd.DataFrame([row]), ground, unknown, on_date=None, head_tolerance_m=0.5, snap_m=30.0)

    assert found["not_applied"].tolist() == ["head changed"]


def test_of_decisions_that_contradict_each_other_the_latest_counts_and_of_one_day_none():
    drop, later = {"decision": "drop"}, {"date": "2026-02-01"}

    assert judged({}, drop | later)["not_applied"].tolist() == ["superseded", ""]
    assert judged({}, drop)["not_applied"].tolist() == ["contradicted", "contradicted"]
    # The latest is named, whatever the order of the rows.
    latest = judged(drop | {"date": "2026-03-01"}, {}, drop | later)["because"]
    assert latest.iloc[1] == "decision D1 of 2026-03-01 says drop"
    # One that is not in force any more supersedes nothing.
    assert judged({}, drop | later | {"valid_until": "2026-03-01"})["not_applied"].tolist() == ["", "expired"]
    # A pin and a keep go together; two pins of other scheme types do not.
    pin = {"decision": "pin", "scheme_type": "diversion"}
    assert judged({}, pin | later)["applied"].all()
    weir = pin | {"scheme_type": "new_weir", "date": "2026-03-01"}
    assert judged(pin, weir)["not_applied"].tolist() == ["superseded", ""]


def test_what_applies_is_found_by_what_it_says():
    table = pd.DataFrame({"decision": ["pin", "drop", "drop"], "scheme_type": ["diversion", "", ""]})
    found = pd.DataFrame({"reach": [4, 2, 1], "applied": [True, True, False]})

    assert reaches_that("drop", table, found).tolist() == [2]
    assert pinned_schemes(table, found) == {4: "diversion"}


def test_a_decision_to_keep_lifts_what_excludes_every_site_and_leaves_limits():
    actions = ("exclude", "conditional", "fish_safe_only", "no_new_barrier", "note")
    rules = [RuleSettings(name=action, path="a", action=action) for action in actions]
    certain, possible = np.full((5, 2), 10.0), np.full((5, 2), 30.0)
    metres = RuleMetres(certain, possible, possible - certain, np.zeros((5, 2)))

    left = lifted_metres(metres, rules, np.array([True, False]))

    # On the kept segment: nothing of what excludes, the certain part of limits, all of notes.
    assert left.certain[:, 0].tolist() == [0.0, 0.0, 10.0, 10.0, 10.0]
    assert left.possible[:, 0].tolist() == [0.0, 0.0, 10.0, 10.0, 30.0]
    # Beside it everything.
    assert left.certain[:, 1].tolist() == [10.0] * 5
    assert left.possible[:, 1].tolist() == [30.0] * 5
    held = Held(certain > 0, possible < 0, possible < 0, possible < 0)
    assert rules_on_reaches(held, rules).tolist() == ["exclude; conditional"] * 2


def test_a_rule_is_lifted_where_it_held_or_might_hold_before_and_neither_after():
    rules = [
        RuleSettings(name="park", path="a", action="exclude"),
        RuleSettings(name="note", path="a", action="note"),
    ]
    rules.append(RuleSettings(name="fish", path="a", action="conditional"))
    # A stretch for each state of the rule before and after: holds, unknown, neither.
    states = [(True, False), (False, True), (False, False)]
    pairs = list(itertools.product(states, states))

    def held(which):
        holds, unknown = np.array([pair[which] for pair in pairs]).T
        one = [np.stack([each, each, ~each & False]) for each in (holds, unknown)]
        return Held(*one, one[1], one[1])

    lifted = rules_lifted(held(0), held(1), rules)

    # Notes limit nothing, so that nothing of them is lifted; the last rule lies elsewhere.
    assert lifted.tolist() == ["", "", "park", "", "", "park", "", "", ""]
