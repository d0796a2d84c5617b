"""What is published of rules that may not be published exactly: no feature, no place within the reach, no name."""

import numpy as np
import pandas as pd
import pytest

from sitefinder.errors import ConfigError
from sitefinder.rules.confidentiality import (
    doubt_of_features,
    doubt_text,
    held_text,
    published_hits,
    published_lineage,
    published_overrides,
    published_repairs,
    published_settings,
)
from sitefinder.rules.verdicts import Held
from sitefinder.settings import RuleSettings, Settings, checked

RULES = [
    RuleSettings(name="park", action="note", path="parks.gpkg"),
    RuleSettings(name="nests", action="exclude", path="nests.gpkg", publish="hidden", where="species = 'eagle'"),
    RuleSettings(name="trout", action="conditional", path="fish.gpkg", publish="generalised"),
]
REACHES = pd.DataFrame({"from_m": [0.0, 500.0], "to_m": [500.0, 900.0]})
EXACT = ("a", "under", "", "yes", 12.0, 90.0, 78.0)


def hits(*rows):
    columns = ["reach", "rule", "feature_id", "effect", "doubt", "holds", "from_m", "to_m", "overlap_m"]
    return pd.DataFrame(rows, columns=columns)


def test_rules_that_are_reported_exactly_stay_as_they_are():
    table = hits((0, "park", *EXACT), (1, "park", *EXACT))

    assert published_hits(table, RULES, REACHES).equals(table)


@pytest.mark.parametrize(("rule", "published_name"), [("nests", "sensitive area"), ("trout", "trout")])
def test_of_the_others_one_row_stands_for_a_reach(rule, published_name):
    table = hits(
        (0, "park", *EXACT),
        (0, rule, *EXACT),
        (0, rule, "b", "downstream", "category missing", "yes", 40.0, 95.5, 55.5),
        (1, rule, "b", "downstream", "", "yes", 500.0, 505.0, 5.0),
    )

    public = published_hits(table, RULES, REACHES)

    assert public["rule"].tolist() == ["park", published_name, published_name]
    assert public.index.tolist() == [0, 1, 2]
    assert public["feature_id"].tolist() == ["a", "", ""]
    assert public["effect"].tolist() == ["under", "not published", "not published"]
    assert public["from_m"].tolist() == [12, 0, 500]
    assert public["to_m"].tolist() == [90, 500, 900]
    assert public["overlap_m"].isna().tolist() == [False, True, True]
    assert public["doubt"].tolist() == ["", "", ""]


def test_no_text_of_provenance_or_repairs_names_a_hidden_rule():
    keys = ("path", "digest", "source", "date", "licence", "crs", "operation", "features")
    lineage = [{"name": f"rule {rule.name}", **{key: f"{rule.name} {key}" for key in keys}} for rule in RULES]
    repairs = pd.DataFrame(
        [(f"rule {rule.name}", f"{rule.name} 7", "no geometry", f"dropped near {rule.name}") for rule in RULES],
        columns=["layer", "feature", "problem", "action"],
    )
    settings = [
        (f"rules[{number}].{key}", rule.name) for number, rule in enumerate(RULES, 1) for key in ("name", "path")
    ]
    settings += [("rules[2].covered_by.path", "nests area"), ("rules[2].action", "exclude"), ("run.name", "x")]

    inputs, mended, notes = (
        published_lineage(lineage, RULES),
        published_repairs(repairs, RULES),
        published_settings(settings, RULES),
    )

    assert [entry["name"] for entry in inputs] == ["rule park", "rule 2 (sensitive area)", "rule trout"]
    assert inputs[1] == {
        "name": "rule 2 (sensitive area)",
        "path": "not published",
        "source": "not published",
        "licence": "not published",
        "digest": "nests digest",
        "date": "nests date",
    }
    assert inputs[0] == lineage[0]
    assert mended["layer"].tolist() == ["rule park", "rule 2 (sensitive area)", "rule trout"]
    assert mended["feature"].tolist() == ["park 7", "", ""]
    assert mended["action"].tolist() == ["dropped near park", "not published", "not published"]
    assert not any("nests" in str(value) for _, value in notes)
    assert ("rules[2].action", "exclude") in notes
    assert ("rules[1].path", "park") in notes
    assert repairs["feature"].tolist() == ["park 7", "nests 7", "trout 7"]


def test_a_rule_may_not_have_the_name_that_stands_for_hidden_ones():
    tables = [
        {"name": "sensitive area", "action": "note", "path": "a.gpkg"},
        {"name": "nests", "action": "note", "path": "b.gpkg", "publish": "hidden"},
    ]

    with pytest.raises(ConfigError, match="sensitive area is the display name of hidden rules"):
        checked(Settings, {"rules": tables}, "run.toml")


def test_of_owners_the_classes_are_shown_and_not_the_words_of_the_layer():
    key = "inputs.parcels.owner_classes."
    owners = [(f"{key}Smith", "private"), ("run.name", "x"), (f"{key}Jones", "private"), (f"{key}Town", "public")]

    assert published_settings(owners, []) == [
        ("run.name", "x"),
        ("inputs.parcels.owner_classes", "private, public (the layer's words are not published)"),
    ]
    assert published_settings(owners[1:2], []) == [("run.name", "x")]


def test_whether_a_rule_holds_and_why_that_is_doubtful_is_shown_in_words():
    nothing = np.zeros((2, 2), dtype=bool)
    held = Held(
        np.array([[True, False], [False, False]]), np.array([[False, False], [False, True]]), nothing, nothing
    )
    doubts = pd.DataFrame(
        {"category_missing": [False, True, False, True], "not_covered": [False, False, True, True]}
    )

    assert held_text(held, np.array([0, 0, 1]), np.array([0, 1, 1])).tolist() == ["yes", "no", "unknown"]
    assert doubt_text(doubts).tolist() == ["", "category missing", "not covered", "category missing"]
    assert doubt_of_features(np.array([False, True])).tolist() == ["", "category missing"]


def test_hits_of_no_rule_are_no_rows():
    assert published_hits(hits(), RULES, REACHES).empty
    assert np.array_equal(published_hits(hits(), RULES, REACHES).columns, hits().columns)


def test_the_names_of_hidden_rules_do_not_come_out_by_those_of_spawning_grounds():
    notes = published_settings([("fish.spawning_rules", ["nests", "trout"])], RULES)

    assert notes == [("fish.spawning_rules", ["sensitive area", "trout"])]


@pytest.mark.parametrize(
    ("text", "hidden", "exact"),
    [
        # With a hidden rule nothing is said of rules or fish, since the text may name it.
        ("rules.nests.buffer_m = 50", ("--set (1)", "not published"), ("--set rules.nests.buffer_m", "50")),
        (
            "fish.spawning_rules=['nests']",
            ("--set (1)", "not published"),
            ("--set fish.spawning_rules", "['nests']"),
        ),
        ("costs.price = 0.2", ("--set costs.price", "0.2"), ("--set costs.price", "0.2")),
        ("north.toml", ("--set", "north.toml"), ("--set", "north.toml")),
        # Words for owners may be names, whatever rules there are.
        *(
            (key + " = 'x'", *[("--set inputs.parcels.owner_classes", "not published")] * 2)
            for key in ("inputs.parcels.owner_classes.Smith", "inputs.parcels.owner_classes")
        ),
    ],
)
def test_of_what_the_command_line_changed_no_secret_is_said(text, hidden, exact):
    assert published_overrides([("--set", text)], RULES) == [hidden]
    assert published_overrides([("--set", text)], RULES[:1]) == [exact]
