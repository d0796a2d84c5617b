"""The same answers in the same order from one worker and from several."""

import math
from functools import partial

import pytest

from sitefinder.errors import ConfigError
from sitefinder.io.settings_files import read_toml
from sitefinder.pipeline.executors import parallel_map

# The first take far longer than the last, so that answers come in another order than they were asked for.
NUMBERS = [20_000, 15_000, 5, 4, 3, 2]


def test_several_workers_give_what_one_gives_in_the_order_of_the_items():
    progress = []

    here = parallel_map(math.factorial, NUMBERS, 1)
    there = parallel_map(math.factorial, NUMBERS, 2, done=lambda *count: progress.append(count))

    assert here == there == [math.factorial(number) for number in NUMBERS]
    assert progress == [(count, 6) for count in range(1, 7)]


def test_one_worker_counts_its_answers_too():
    progress = []

    parallel_map(abs, [-1, -2, -3], 1, done=lambda *count: progress.append(count))

    assert progress == [(1, 3), (2, 3), (3, 3)]


@pytest.mark.parametrize("workers", [1, 3])
def test_nothing_to_do_gives_no_answers(workers):
    assert parallel_map(abs, [], workers) == []


def test_a_single_item_needs_no_other_process():
    # A lambda cannot travel to another process.
    assert parallel_map(lambda number: number + 1, [1], 8) == [2]


@pytest.mark.parametrize("workers", [1, 2])
def test_the_first_error_in_the_order_of_the_items_comes_home(workers):
    with pytest.raises(ValueError, match="'first'"):
        parallel_map(int, ["1", "first", "2", "second"], workers)


def test_an_error_of_ours_comes_home_whole_from_another_process(tmp_path):
    path = tmp_path / "missing.toml"

    with pytest.raises(ConfigError, match="no such turbine file") as caught:
        parallel_map(partial(read_toml, what="turbine"), [path, path], 2)

    assert str(caught.value).splitlines() == [
        "there is no such turbine file",
        f"  file:  {path}",
        "  fix:   check the path",
    ]
