"""One item after the other in this process; real workers are in test_cluster.py."""

import pytest

from sitefinder.errors import ConfigError
from sitefinder.pipeline.executors import InThisProcess, Remade, name_of, remade


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
