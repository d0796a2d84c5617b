"""Settings of fish: groups, the two questions, and what a rule for fish-safe turbines asks."""

import pytest
from pydantic import ValidationError

from sitefinder.errors import ConfigError
from sitefinder.settings import FishGroup, FishSettings, RuleSettings, check_settings

BASE = {
    "run": {"name": "an invented valley", "crs": "EPSG:32633", "output_folder": "out"},
    "inputs": {"dem": {"path": "dem.tif", "vertical_unit": "metre", "vertical_datum": "any", "error_rmse_m": 1.0}},
    "flows": {"equations": ["equations.toml"], "environmental": [{"kind": "share_of_mean", "share": 0.1}]},
    "energy": {"turbines": ["turbines.toml"]},
    "costs": {"file": "costs.toml", "price_per_kwh": 0.15},
}


def rule(**changes):
    return {"name": "stem", "path": "stem.gpkg", "action": "fish_safe_only"} | changes


def actions(fish, *rules):
    settings = check_settings(BASE | {"fish": fish, "rules": list(rules)}, "test")
    return [each.action for each in settings.rules]


def test_a_rule_asks_its_own_question_or_that_of_fish_safe():
    rules = [
        rule(name="as the run"),
        rule(name="strict", fish_safe_only="as_built"),
        rule(name="lenient", fish_safe_only="screened"),
        rule(name="other", action="no_diversion"),
    ]

    as_built, screened = "fish_safe_as_built", "fish_safe_only"
    assert actions({}, *rules) == [screened, as_built, screened, "no_diversion"]
    assert actions({"safe": "as_built"}, *rules) == [as_built, as_built, screened, "no_diversion"]


@pytest.mark.parametrize(
    ("changes", "message"),
    [
        ({"action": "exclude", "fish_safe_only": "as_built"}, "needs action"),
        ({"action": "fish_safe_as_built", "fish_safe_only": "screened"}, "contradicts"),
        ({"fish_safe_only": "sometimes"}, "as_built"),
    ],
)
def test_a_question_that_does_not_suit_the_action_is_refused(changes, message):
    with pytest.raises(ValidationError, match=message):
        RuleSettings.model_validate(rule(**changes))


@pytest.mark.parametrize(
    ("fish", "message"),
    [
        ({"groups": [{"name": "a", "lengths_m": [0.1]}, {"name": "a", "lengths_m": [0.2]}]}, "unique name"),
        ({"groups": [{"name": "a", "lengths_m": [15]}]}, "lengths are in metres"),
        ({"groups": [{"name": "a", "lengths_m": [0.1, 0.1]}]}, "listed once"),
        ({"groups": [{"name": "a", "lengths_m": []}]}, "lengths_m"),
        ({"groups": [{"name": "a", "lengths_m": [0.1], "direction": "left"}]}, "down"),
        ({"screen": "fine"}, "fish.screen needs fish.screens"),
    ],
)
def test_fish_that_do_not_hold_together_are_refused_by_key(fish, message):
    with pytest.raises(ConfigError, match=message):
        check_settings(BASE | {"fish": fish}, "test")


def test_a_group_goes_by_its_own_bar_and_way():
    eels = FishGroup(name="eels", lengths_m=[0.7], direction="down", min_survival=0.8)
    trout = FishGroup(name="trout", lengths_m=[0.4], direction="up")
    fish = FishSettings(groups=[eels, trout], min_survival=0.9)

    assert [fish.bar_of(group) for group in fish.migrating] == [0.8, 0.9]
    assert [(group.goes_down, group.goes_up) for group in fish.migrating] == [(True, False), (False, True)]
