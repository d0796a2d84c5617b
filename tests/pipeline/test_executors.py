"""What ways of doing tasks have in common, and items in this process; real workers are in test_cluster.py."""

import pytest

from sitefinder.errors import ConfigError
from sitefinder.pipeline.executors import Answer, InThisProcess, Remade, name_of, remade, results_in_order


def test_items_are_taken_one_by_one_as_they_are_done():
    order = []

    def items():
        for number in (3, 1):
            order.append(f"cut {number}")
            yield f"number {number}", {"number": number}

    def doubled(number, factor):
        order.append(f"done {number}")
        return factor * number

    answers = [answer[:2] for answer in InThisProcess().answers(doubled, {"factor": 2}, items(), "doubles")]

    assert answers == [("number 3", 6), ("number 1", 2)]
    assert order == ["cut 3", "done 3", "cut 1", "done 1"]


def test_an_error_says_which_item_it_is_of_and_one_for_the_user_comes_as_it_is():
    def failing(number):
        raise (ValueError("none") if number else ConfigError("wrong settings"))

    def answers(number):
        return list(InThisProcess().answers(failing, {}, [("one", {"number": number})], "example"))

    with pytest.raises(ValueError, match="none") as caught:
        answers(1)
    assert caught.value.__notes__ == ["in stage 'example: one'"]
    with pytest.raises(ConfigError, match="wrong settings") as raised:
        answers(0)
    assert not hasattr(raised.value, "__notes__")


def test_what_another_process_makes_is_named_and_made_there():
    assert name_of(name_of) == "sitefinder.pipeline.executors:name_of"
    assert remade({"a": Remade("builtins:sorted", [2, 1]), "b": 3}) == {"a": [1, 2], "b": 3}


class LastFirst(InThisProcess):
    """Does the last item first, as workers might."""

    def answers(self, function, common, items, stage):
        """See `sitefinder.pipeline.executors.Executor`."""
        answers = list(super().answers(function, common, items, stage))
        return (Answer(item, result, seconds) for item, result, seconds, _ in reversed(answers))


def squared(number, more):
    return number**2 + more


def test_results_come_in_the_order_of_the_items_and_each_is_logged_and_counted(caplog):
    caplog.set_level("INFO", "sitefinder")
    counted = []
    items = ((f"number {number}", {"number": number}) for number in (3, 1, 2))

    found = results_in_order(LastFirst(), squared, {"more": 10}, items, "squares", counted.append)

    assert found == [19, 11, 14]
    assert counted == [1, 2, 3]
    assert [(row.stage, row.part) for row in caplog.records if row.event == "finished"] == [
        ("squares", "number 2"),
        ("squares", "number 1"),
        ("squares", "number 3"),
    ]
    assert results_in_order(LastFirst(), squared, {"more": 0}, [], "squares") == []
