"""The text of errors, and that it travels whole."""

import pickle

import pytest

from sitefinder.errors import (
    ConfigError,
    InputError,
    SitefinderError,
    StageError,
    TableError,
    all_of,
    described,
    listed,
)


def test_facts_come_under_the_headline_aligned_and_in_the_order_given():
    error = InputError.of(
        "the layer is empty", file="a.gpkg", expected="a line or more", found=0, fix="name another"
    )

    assert type(error) is InputError
    assert str(error) == (
        "the layer is empty\n"
        "  file:      a.gpkg\n"
        "  expected:  a line or more\n"
        "  found:     0\n"
        "  fix:       name another"
    )


def test_facts_that_are_none_are_left_out_and_underscores_become_spaces():
    assert described("wrong", file=None, first_row=0, found="") == "wrong\n  first row:  0\n  found:      "


def test_a_headline_alone_is_one_line():
    assert described("wrong") == "wrong"


@pytest.mark.parametrize("kind", [ConfigError, InputError, TableError, StageError])
def test_every_kind_of_error_travels_whole_and_is_one_of_ours(kind):
    error = kind.of("wrong", found="a\nb")

    copy = pickle.loads(pickle.dumps(error))

    assert isinstance(copy, SitefinderError)
    assert (type(copy), str(copy), copy.args) == (kind, str(error), error.args)


@pytest.mark.parametrize(
    ("values", "text"),
    [
        ([], ""),
        ([7], "7"),
        (range(1, 6), "1, 2, 3, 4, 5"),
        (range(1, 7), "1, 2, 3, 4, 5 and 1 more"),
        (["a"] * 1000, "a, a, a, a, a and 995 more"),
    ],
)
def test_long_lists_are_five_and_a_count(values, text):
    assert listed(values) == text


def test_several_problems_are_counted_and_each_is_indented():
    error = all_of(InputError, "run.toml", ["first", described("second", found=3)])

    assert type(error) is InputError
    assert str(error) == (
        "run.toml: 2 problems\n  first\n  second\n    found:  3\n"
        "  fix:  correct these places in the file, or the settings that name them"
    )


def test_where_a_problem_says_how_to_mend_it_nothing_is_added():
    error = all_of(InputError, "run.toml", ["first", described("second", fix="turn it round")])

    assert str(error) == "run.toml: 2 problems\n  first\n  second\n    fix:  turn it round"
