"""Stages bound to what they read, and run in order."""

import math
import re

import pytest

from sitefinder.delivery.graph import STAGES
from sitefinder.errors import InputError
from sitefinder.pipeline.graph import Stage, bound, check_arguments, run_stages


def add(first, second):
    return first + second


def double(total):
    return 2 * total


def test_results_go_by_name_to_the_stages_that_read_them():
    stages = bound(
        [Stage("total", add, ("first", "second")), Stage("twice", double, ("total",))], ["first", "second"]
    )

    results = run_stages(stages, {"first": 3, "second": 4})

    assert results == {"first": 3, "second": 4, "total": 7, "twice": 14}


def test_inputs_go_by_name_whatever_the_order_in_which_they_are_listed():
    stages = bound([Stage("rest", lambda large, small: large - small, ("small", "large"))], ["small", "large"])

    results = run_stages(stages, {"small": 1, "large": 10})

    assert results["rest"] == 9


def test_what_was_given_is_not_altered():
    given = {"total": 3}

    run_stages(bound([Stage("twice", double, ("total",))], given), given)

    assert given == {"total": 3}


def test_a_misspelt_input_fails_when_the_stage_is_declared():
    with pytest.raises(
        TypeError, match=r"^stage 'twice' reads 'numbre', which neither an earlier stage nor the run"
    ):
        bound([Stage("twice", double, ("numbre",))], ["number"])


def test_a_stage_may_not_read_a_later_one():
    stages = [Stage("twice", double, ("total",)), Stage("total", add, ("first", "second"))]

    with pytest.raises(TypeError, match="stage 'twice' reads 'total'"):
        bound(stages, ["first", "second"])


@pytest.mark.parametrize(
    ("reads", "complaint"),
    [
        (("first",), r"passes first to add\(\), but missing a required argument: 'second'"),
        (
            ("first", "second", "third"),
            r"passes first, second, third to add\(\), but got an unexpected keyword argument 'third'",
        ),
    ],
)
def test_too_few_and_too_many_inputs_fail_when_the_stage_is_declared(reads, complaint):
    with pytest.raises(TypeError, match=complaint):
        bound([Stage("total", add, reads)], ["first", "second", "third"])


def test_each_stage_is_announced_before_it_runs():
    heard = []
    stages = bound(
        [
            Stage("one", lambda number: heard.append("running one"), ("number",)),
            Stage("two", lambda number: heard.append("running two"), ("number",)),
        ],
        ["number"],
    )

    run_stages(stages, {"number": 1}, started=lambda *facts: heard.append(facts))

    assert heard == [("one", 1, 2), "running one", ("two", 2, 2), "running two"]


def test_an_error_that_is_our_fault_names_its_stage():
    stages = bound([Stage("share", lambda number: 1 / number, ("number",))], ["number"])

    with pytest.raises(ZeroDivisionError, match="division") as caught:
        run_stages(stages, {"number": 0})

    assert caught.value.__notes__ == ["in stage 'share'"]


def test_an_error_that_the_user_can_mend_comes_as_it_was_raised():
    def refuse(number):
        raise InputError.of("too small", found=number)

    with pytest.raises(InputError, match="too small") as caught:
        run_stages(bound([Stage("check", refuse, ("number",))], ["number"]), {"number": 0})

    assert not hasattr(caught.value, "__notes__")


def test_no_stage_runs_after_one_that_failed():
    ran = []
    stages = bound(
        [
            Stage("share", lambda number: 1 / number, ("number",)),
            Stage("after", lambda number: ran.append(number), ("number",)),
        ],
        ["number"],
    )

    with pytest.raises(ZeroDivisionError, match="division"):
        run_stages(stages, {"number": 0})

    assert ran == []


def test_a_stage_that_names_its_function_loads_it_when_it_runs():
    stages = bound([Stage("root", "math:sqrt", ("number",))], ["number"])

    assert stages[0].function is math.sqrt


def test_every_stage_passes_what_its_function_takes():
    for stage in STAGES:
        check_arguments(stage)


def test_a_named_function_that_takes_other_arguments_is_found():
    with pytest.raises(TypeError, match=re.escape("stage 'root' passes numbre to isqrt(), but")):
        check_arguments(Stage("root", "math:isqrt", ("numbre",)))


def test_what_becomes_of_each_stage_is_logged_for_those_who_listen(caplog):
    given = {"number": 4}

    with caplog.at_level("INFO", logger="sitefinder"):
        run_stages(bound([Stage("twice", lambda number: 2 * number, ("number",))], given), given)

    assert [record.getMessage().partition(" in ")[0] for record in caplog.records] == [
        "twice: started",
        "twice: finished",
    ]


def test_an_item_whose_result_is_kept_is_not_looked_at(sums, monkeypatch):
    sums.run()
    sums.each["z"] = 7
    looked_at = []
    scoped = type(sums.items()["x"]).scoped
    monkeypatch.setattr(
        type(sums.items()["x"]), "scoped", lambda self, parts: looked_at.append(self.name) or scoped(self, parts)
    )

    total, _, _ = sums.run()

    assert looked_at == ["z"]
    assert total == (1 + 2) + (100 + 2) + (49 + 2) + 3
