"""Plans: what would be done again, and each reason as a phrase."""

import pytest

from sitefinder.pipeline.keys import Recipe, plan_of, reasons_of

FACTS = {"setting heads.simulations": "64", "setting heads.quantile": "0.4", "input dem": "d1"}


def recipe(**changed):
    return Recipe("heads", "", "c1", FACTS, {"stationing": "k1"}, {"numpy": "2.0"})._replace(**changed)


@pytest.mark.parametrize(
    ("changed", "reasons"),
    [
        ({"code": "c2"}, ["code changed"]),
        ({"software": {"numpy": "2.1"}}, ["numpy 2.0 → 2.1"]),
        ({"facts": FACTS | {"setting heads.quantile": "0.5"}}, ["setting heads.quantile: 0.4 → 0.5"]),
        ({"facts": FACTS | {"input dem": "d2"}}, ["input dem changed"]),
        ({"facts": {"setting heads.simulations": "64", "input dem": "d1"}}, ["setting heads.quantile is gone"]),
        ({"reads": {"stationing": "k2"}}, ["the result of stage stationing is another"]),
        ({}, ["no stored result"]),
    ],
)
def test_each_difference_is_a_phrase(changed, reasons):
    assert reasons_of(recipe(**changed), recipe()) == reasons


def test_without_a_run_before_there_is_nothing_to_compare_with():
    assert reasons_of(recipe(), None) == ["no stored result"]


def test_a_new_group_of_settings_is_reported_once_and_its_order_not_at_all():
    old = {"setting rules (order)": "['a']", "setting rules.a.buffer_m": "0.0"}
    new = {
        "setting rules (order)": "['a', 'b']",
        "setting rules.a.buffer_m": "0.0",
        "setting rules.b.buffer_m": "1.0",
        "setting rules.b.action": "'exclude'",
    }

    assert reasons_of(recipe(facts=new), recipe(facts=old)) == ["setting rules.b is new"]
    assert reasons_of(recipe(facts=old), recipe(facts=new)) == ["setting rules.b is gone"]


def test_what_is_worked_out_from_a_setting_is_a_reason_only_where_no_setting_changed():
    old = {"setting unit": "'foot'", "derived metres": "0.3048"}
    both, derived_alone = {"setting unit": "'metre'", "derived metres": "1.0"}, old | {"derived metres": "0.3"}

    assert reasons_of(recipe(facts=both), recipe(facts=old)) == ["setting unit: 'foot' → 'metre'"]
    assert reasons_of(recipe(facts=derived_alone), recipe(facts=old)) == ["derived metres: 0.3048 → 0.3"]


def test_another_order_alone_is_reported():
    old, new = ({"setting rules (order)": order} for order in ("['a', 'b']", "['b', 'a']"))

    assert reasons_of(recipe(facts=new), recipe(facts=old)) == ["setting rules (order): ['a', 'b'] → ['b', 'a']"]


def test_a_key_depends_on_everything_but_the_name_of_the_item():
    keys = {
        recipe(**changed).key
        for changed in (
            {},
            {"stage": "levels"},
            {"code": "c2"},
            {"facts": {}},
            {"reads": {}},
            {"software": {}},
        )
    }

    assert len(keys) == 6
    assert recipe(item="one").key == recipe().key


def test_a_plan_shows_what_is_done_again_and_after_what(sums):
    last = {one.place: one for own in sums.recipes().values() for one in own}
    kept = {one.key for one in last.values()}
    sums.each["z"] = 2

    planned = plan_of(sums.recipes(), last, kept.__contains__)

    assert [tuple(stage) for stage in planned] == [
        ("first", True, []),
        ("squares", False, ["z: it is new"]),
        ("total", False, ["after squares"]),
    ]


def test_what_holds_for_all_items_is_reported_once(sums):
    last = {one.place: one for own in sums.recipes().values() for one in own}
    kept = {one.key for one in last.values()}
    sums.files["squares"] = "2"
    sums.each["y"] = 20
    reasons = {"squares": "code changed: sums/squares.py"}

    planned = plan_of(sums.recipes(), last, kept.__contains__, reasons.get)

    assert planned[1].reasons == ["code changed: sums/squares.py", "setting each.y: 10 → 20"]


def test_a_first_plan_has_no_stored_results(sums):
    planned = plan_of(sums.recipes(), {}, lambda key: False)

    assert [stage.reasons for stage in planned] == [
        ["no stored result"],
        ["no stored result"],
        ["no stored result"],
    ]
