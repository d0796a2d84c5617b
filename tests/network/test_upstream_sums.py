"""Sums of everything upstream, each link once: by hand, and against sets of links on random braided networks."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sitefinder.network.ordering import (
    _sum_of_outermost,
    _tree_intervals,
    beside_arms,
    distinct_sums,
    shared_sums,
)


def test_on_a_tree_it_is_the_plain_sum():
    assert distinct_sums(np.array([1, 2, 4]), np.array([2, 2, -1]), np.array([-1, -1, -1])).tolist() == [1, 2, 7]


def test_an_arm_that_joins_again_counts_nothing_twice():
    #      0
    #     / \        main link 1, arm 2, both into 3
    assert distinct_sums(np.array([8, 4, 2, 1]), np.array([1, 3, 3, -1]), np.array([-1, -1, 0, -1])).tolist() == [
        8,
        12,
        10,
        15,
    ]


def test_an_arm_into_another_basin_brings_what_is_above_its_parting():
    # 0 parts into 1 (its outlet) and arm 2, which joins source 3 in 4.
    found = distinct_sums(np.array([10, 1, 2, 30, 4]), np.array([1, -1, 4, 4, -1]), np.array([-1, -1, 0, -1, -1]))

    assert found.tolist() == [10, 11, 12, 30, 46]


def test_an_arm_of_a_lower_number_than_the_main_stream_adds_what_is_above_its_parting():
    # 0 parts into 2 (main) and arm 1, each with an outlet of its own.
    found = distinct_sums(np.array([8, 4, 2]), np.array([2, -1, -1]), np.array([-1, 0, -1]))

    assert found.tolist() == [8, 12, 10]


def test_numbers_of_any_type_stay_of_that_type():
    below, leaves = np.array([1, 3, 3, -1]), np.array([-1, -1, 0, -1])

    assert distinct_sums(np.array([1, 1, 1, 1], dtype=np.int64), below, leaves).dtype == np.int64
    assert distinct_sums(np.array([0.5] * 4), below, leaves).tolist() == [0.5, 1.0, 1.0, 2.0]


@pytest.mark.parametrize(
    ("below", "leaves"),
    [([0], [-1]), ([1, 0], [-1, -1]), ([3, 3, 3, -1], [-1, 0, -1, -1])],
)
def test_links_not_numbered_from_the_sources_down_are_refused(below, leaves):
    # In the last case link 2 arrives at the parting, but has a higher number than arm 1.
    with pytest.raises(ValueError, match="numbered from the sources down"):
        distinct_sums(np.ones(len(below)), np.array(below), np.array(leaves))


@st.composite
def braided(draw):
    """Links by number from the sources down, some of them side arms of links that end above them."""
    count = draw(st.integers(1, 16))
    below = [draw(st.integers(link + 1, count - 1)) if link + 1 < count else -1 for link in range(count)]
    below = [-1 if draw(st.integers(0, 5)) == 0 else lower for lower in below]
    leaves = [-1] * count
    last_arriving = {lower: link for link, lower in enumerate(below)}
    for link in range(count):
        is_source = link not in below
        free = [other for other in range(link) if below[other] >= 0 and last_arriving[below[other]] < link]
        free = [other for other in free if below[other] != link]
        if is_source and free and draw(st.booleans()):
            leaves[link] = draw(st.sampled_from(free))
    return below, leaves


@settings(max_examples=150, deadline=None, derandomize=True)
@given(braided())
def test_sums_are_those_over_the_set_of_links_upstream(network):
    below, leaves = network
    local = 2 ** np.arange(len(below))  # each link its own bit, so that sums show who was counted

    found = distinct_sums(local, np.array(below), np.array(leaves))

    upstream = []
    for link in range(len(below)):
        above = {link}
        above |= set().union(*(upstream[other] for other in range(link) if below[other] == link))
        if leaves[link] >= 0:
            parting = below[leaves[link]]
            above |= set().union(*(upstream[other] for other in range(link) if below[other] == parting))
        upstream.append(above)
    assert found.tolist() == [sum(2**other for other in above) for above in upstream]


def test_each_arm_takes_its_share_and_the_main_stream_keeps_the_rest():
    # 0 and 1 arrive at a parting: main 4, arms 2 and 3; arm 2 joins again in 5, arm 3 has an outlet of its own.
    below = np.array([4, 4, 5, -1, 5, -1], dtype=np.int32)
    beside = beside_arms(below, np.array([-1, -1, 0, 0, -1, -1]))

    found = shared_sums(np.array([60.0, 40, 1, 2, 4, 8]), below, beside, np.array([0, 0, 0.25, 0.125, 0, 0]))

    assert beside.tolist() == [-1, -1, 4, 4, -1, -1]
    assert found.tolist() == [60, 40, 1 + 25, 2 + 12.5, 4 + 62.5, 8 + 26 + 66.5]


def test_only_what_arrives_where_an_arm_leaves_gives_to_it():
    # Link 0 parts into arm 1 and main 2; 3 flows into 4 elsewhere.
    below, beside = np.array([2, -1, -1, 4, -1], dtype=np.int32), np.array([-1, 2, -1, -1, -1], dtype=np.int32)

    found = shared_sums(np.array([8.0, 1, 2, 40, 5]), below, beside, np.array([0, 0.25, 0, 0, 0]))

    assert found.tolist() == [8, 1 + 2, 2 + 6, 40, 45]


def test_a_share_of_nothing_is_the_sum_down_the_main_path():
    below, beside = np.array([1, 3, 3, -1], dtype=np.int32), np.array([-1, -1, 1, -1], dtype=np.int32)

    assert shared_sums(np.array([8.0, 4, 2, 1]), below, beside, np.zeros(4)).tolist() == [8, 12, 2, 15]


def test_without_links_there_are_no_sums():
    none = np.zeros(0, dtype=np.int64)

    assert distinct_sums(none, none, none).size == beside_arms(none, none).size == 0


@pytest.mark.parametrize(
    ("parts", "amount"),
    [
        ([], 0),
        ([(0, 0, 7)], 7),
        ([(0, 3, 5), (0, 3, 5)], 5),  # the same twice
        ([(0, 1, 2), (0, 3, 5)], 5),  # one within the other, from the same begin, at the same end, and amid it
        ([(0, 1, 5), (0, 3, 5)], 5),
        ([(2, 3, 2), (0, 3, 5)], 5),
        ([(1, 2, 2), (0, 3, 5)], 5),
        ([(2, 3, 4), (0, 1, 1)], 5),  # apart
        ([(4, 4, 8), (0, 3, 5), (1, 1, 2)], 13),
    ],
)
def test_intervals_within_others_add_nothing(parts, amount):
    assert _sum_of_outermost(parts) == amount


@pytest.mark.parametrize("below", [[], [-1], [1, 2, -1], [2, 2, 4, 4, -1, -1], [5, 3, 3, 5, -1, -1, 7, -1]])
def test_each_tree_has_neighbouring_numbers_and_its_root_the_last(below):
    first, last = _tree_intervals(below)

    assert sorted(last) == list(range(len(below)))
    trees = [{link} for link in range(len(below))]
    for link, lower in enumerate(below):  # from the sources down
        if lower >= 0:
            trees[lower] |= trees[link]
    for link, tree in enumerate(trees):
        assert sorted(last[other] for other in tree) == list(range(first[link], last[link] + 1))
