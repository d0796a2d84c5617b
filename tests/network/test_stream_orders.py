"""Orders and lengths of links on trees small enough to draw; published rules are tested in tests/published."""

import numpy as np
import pytest

from sitefinder.network.ordering import link_orders, main_upstream, upstream_neighbours


def orders(downstream_link, length_m=None, **options):
    downstream_link = np.array(downstream_link)
    return link_orders(downstream_link, np.ones(len(downstream_link)) if length_m is None else length_m, **options)


def test_a_single_link_is_a_source():
    found = orders([-1], np.array([250.0]))

    assert found.strahler.tolist() == found.shreve.tolist() == [1]
    assert found.upstream_length_m.tolist() == found.longest_path_m.tolist() == [250.0]
    assert found.main_upstream.tolist() == [-1]


@pytest.mark.parametrize(
    ("fourth_m", "main", "is_main_stem"),
    [(24.0, 2, [False, True, True, False, True, True]), (26.0, 3, [False, False, False, True, True, True])],
)
def test_the_main_stem_is_the_longest_way_up_from_each_outlet(fourth_m, main, is_main_stem):
    # 0 and 1 meet in 2, 25 m below the farther source, which meets 3 in the outlet 4; 5 is an outlet of its own.
    found = orders([2, 2, 4, 4, -1, -1], np.array([10.0, 20.0, 5.0, fourth_m, 1.0, 7.0]))

    assert found.main_upstream.tolist() == [-1, -1, 1, -1, main, -1]
    assert found.is_main_stem.tolist() == is_main_stem
    assert found.longest_path_m.tolist() == [10.0, 20.0, 25.0, fourth_m, max(25.0, fourth_m) + 1.0, 7.0]


def test_the_main_stem_stays_on_the_longer_way_whichever_comes_first():
    assert orders([2, 2, -1], np.array([3.0, 1.0, 1.0])).main_upstream.tolist() == [-1, -1, 0]


@pytest.mark.parametrize(
    ("steps_m", "main"),
    [
        # By way of 2 it is 20 + 5 m up to the source, by way of 3 it is 24.
        ([10.0, 20.0, 5.0, 24.0, 0.0], [-1, -1, 1, -1, 2]),
        ([20.0, 10.0, 5.0, 26.0, 0.0], [-1, -1, 0, -1, 3]),
        ([10.0, 10.0, 5.0, 15.0, 0.0], [-1, -1, 0, -1, 2]),
        ([0.1, 0.2, 0.05, 0.24, 0.0], [-1, -1, 1, -1, 2]),
        ([0.0, 0.0, 0.0, 0.0, 0.0], [-1, -1, 0, -1, 2]),
    ],
)
def test_the_station_upstream_is_the_one_with_the_longest_way_above_it(steps_m, main):
    downstream = np.array([2, 2, 4, 4, -1], dtype=np.int32)

    assert main_upstream(downstream, np.array(steps_m)).tolist() == main


@pytest.mark.parametrize(
    ("downstream", "start", "stations"),
    [([4, 2, 4, -1, -1], [0, 0, 0, 1, 1, 3], [1, 0, 2]), ([-1], [0, 0], []), ([], [0], [])],
)
def test_stations_upstream_are_listed_one_after_the_other_from_where_those_of_each_begin(
    downstream, start, stations
):
    found = upstream_neighbours(np.array(downstream, dtype=np.int32))

    assert [part.tolist() for part in found] == [start, stations]


def test_three_equal_tributaries_raise_the_order_once():
    found = orders([3, 3, 3, -1])

    assert found.strahler.tolist() == [1, 1, 1, 2]
    assert found.shreve.tolist() == [1, 1, 1, 3]


def test_a_smaller_tributary_leaves_the_order_as_it_is():
    # Links 0 and 1 meet in 3; link 2, a source, joins in 4.
    assert orders([3, 3, 4, 4, -1]).strahler.tolist() == [1, 1, 1, 2, 2]


def test_a_lower_tributary_that_comes_first_does_not_spoil_a_tie_of_greater_ones():
    # 0+1 -> 5, 2+3 -> 6, and source 4 joins both in 7.
    assert orders([5, 5, 6, 6, 7, 7, 7, -1]).strahler.tolist() == [1, 1, 1, 1, 1, 2, 2, 3]


def test_trees_of_several_outlets_do_not_mix():
    found = orders([2, 2, -1, -1])

    assert found.strahler.tolist() == [1, 1, 2, 1]
    assert found.shreve.tolist() == [1, 1, 2, 1]


def test_a_side_arm_adds_its_length_but_no_order():
    found = orders([2, 2, -1], np.array([5.0, 3.0, 2.0]), counts=[True, False, True])

    assert found.strahler.tolist() == [1, 1, 1]
    assert found.shreve.tolist() == [1, 1, 1]
    assert found.upstream_length_m.tolist() == [5.0, 3.0, 10.0]


def test_a_link_below_side_arms_only_counts_as_a_source():
    assert orders([1, -1], counts=[False, True]).strahler.tolist() == [1, 1]


def test_the_main_stem_follows_the_longest_path_and_a_tie_the_lower_number():
    found = orders([3, 3, 4, 4, -1], np.array([2.0, 2.0, 3.5, 1.0, 1.0]))

    # 0 and 1 tie at 2; above link 4 stand 2 + 1 by link 3 and 3.5 by link 2.
    assert found.main_upstream.tolist() == [-1, -1, -1, 0, 2]
    assert found.longest_path_m.tolist() == [2.0, 2.0, 3.5, 3.0, 4.5]


@pytest.mark.parametrize("downstream_link", [[1, 0], [0]])
def test_links_not_numbered_from_the_sources_down_are_refused(downstream_link):
    with pytest.raises(ValueError, match="numbered from the sources down"):
        orders(downstream_link)


def test_the_lengths_given_are_not_altered():
    length_m = np.array([1.0, 2.0, 3.0])

    orders([2, 2, -1], length_m)

    assert length_m.tolist() == [1.0, 2.0, 3.0]


def test_an_arm_that_leaves_the_first_of_all_links_has_the_order_of_what_meets_there():
    # 0 and 1 meet where the stream parts into main 2 and arm 3, which join in 4.
    found = orders([2, 2, 4, 4, -1], leaves_link=[-1, -1, -1, 0, -1])

    assert found.strahler.tolist() == [1, 1, 2, 2, 2]
    assert found.shreve.tolist() == [1, 1, 2, 2, 2]


@pytest.mark.parametrize(
    ("below", "leaves", "counts", "order"),
    [
        # Arm 3 of a stream of order 2 raises nothing where it joins brook 4, of order 1.
        ([2, 2, -1, 5, 5, -1], [-1, -1, -1, 0, -1, -1], None, [1, 1, 2, 2, 1, 1]),
        # It keeps its order where it runs on alone, and gives it to an arm of its own.
        ([2, 2, -1, 4, -1, -1], [-1, -1, -1, 0, -1, 3], None, [1, 1, 2, 2, 2, 2]),
        # A stream of one source has an arm of its order.
        ([1, -1, -1], [-1, -1, 0], None, [1, 1, 1]),
        # The arm of a canal, which raises nothing, has order 1 as the canal has.
        ([1, -1, -1], [-1, -1, 0], [False, True, False], [1, 1, 1]),
    ],
)
def test_an_arm_has_the_order_of_what_it_leaves_and_raises_none(below, leaves, counts, order):
    assert orders(below, leaves_link=leaves, counts=counts).strahler.tolist() == order


@pytest.mark.parametrize(
    ("below", "counts"),
    [
        # A canal runs on in 1; two canals meet in 2. Either then meets a source.
        ([1, 3, 3, -1], [False, True, True, True]),
        ([2, 2, 4, 4, -1], [False, False, True, True, True]),
    ],
)
def test_what_runs_on_from_canals_that_begin_lines_raises_nothing_and_is_no_source(below, counts):
    found = orders(below, counts=counts)

    assert found.strahler.tolist() == found.shreve.tolist() == [1] * len(below)


def test_without_links_there_are_no_orders():
    assert [part.size for part in orders([])] == [0] * 6


def test_links_in_a_row_are_all_main_stem_of_one_order_and_source():
    found = orders([1, 2, -1], np.array([4.0, 2.0, 1.0]))

    assert found.is_main_stem.tolist() == [True] * 3
    assert found.main_upstream.tolist() == [-1, 0, 1]
    assert found.strahler.tolist() == found.shreve.tolist() == [1] * 3
    assert found.longest_path_m.tolist() == found.upstream_length_m.tolist() == [4.0, 6.0, 7.0]
