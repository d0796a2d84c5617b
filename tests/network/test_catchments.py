"""Sums down the network: by hand on a drawn tree, and as a law on random ones."""

import numpy as np
import pandas as pd
import pytest

from sitefinder.network.catchments import (
    carried_down,
    catchment_means,
    drained_area_km2,
    inflows,
    share_above,
    side_arms,
    sums_by_arms,
    sums_upstream,
)

# 0 and 1 meet in 2; 3 joins in 4, the outlet; 5 is alone.
TREE = np.array([2, 2, 4, 4, -1, -1], dtype=np.int32)


def test_each_station_sums_all_that_drains_to_it():
    local = np.array([1, 10, 100, 1000, 10000, 100000])

    assert sums_upstream(local, TREE).tolist() == [1, 10, 111, 1000, 11111, 100000]
    assert local.tolist() == [1, 10, 100, 1000, 10000, 100000]


def test_sums_keep_the_kind_of_number():
    assert sums_upstream(np.ones(6, dtype=np.int64), TREE).dtype == np.int64
    assert sums_upstream(np.ones(6), TREE).dtype == np.float64


def test_what_streams_bring_is_summed_as_cells_are():
    inflow_km2 = np.array([0.5, 0.25, 2.0, 0.125, 0.0, 4.0])

    assert sums_by_arms(inflow_km2, TREE).tolist() == [0.5, 0.25, 2.75, 0.125, 2.875, 4.0]
    assert sums_by_arms((inflow_km2 * 8).astype(np.int64), TREE).tolist() == [4, 2, 22, 1, 23, 32]


def test_outlets_together_drain_all_there_is():
    rng = np.random.default_rng(7)  # any tree will do
    for _ in range(20):
        count = 300
        downstream = (np.arange(count) + rng.integers(1, 9, count)).astype(np.int32)
        downstream[downstream >= count] = -1
        local = rng.integers(0, 1000, count)

        total = sums_upstream(local, downstream)

        assert total[downstream < 0].sum() == local.sum()
        # Nothing is lost on the way down, and each sum is its own plus those of its neighbours above.
        upper = np.flatnonzero(downstream >= 0)
        assert (total[downstream[upper]] >= total[upper]).all()
        above = np.bincount(downstream[upper], weights=total[upper], minlength=count)
        assert (total == local + above).all()


def test_a_catchment_of_hundred_cells_of_ten_metres_is_a_hundredth_of_a_square_kilometre():
    area_km2 = drained_area_km2(np.array([40, 50, 10, 0, 0, 7]), TREE, 100.0)

    assert area_km2 == pytest.approx([0.004, 0.005, 0.01, 0, 0.01, 0.0007])


def test_a_mean_weighs_each_part_of_the_catchment_by_its_cells():
    # 10 cells of 3 and 30 cells of 7 make 6; station 2 adds none of its own.
    value_sum, covered = np.array([30, 210, 0, 5, 0, 0]), np.array([10, 30, 0, 1, 0, 0])

    mean = catchment_means(value_sum, covered, TREE)

    assert mean[:5].tolist() == [3, 7, 6, 5, 245 / 41]
    assert np.isnan(mean[5])


def test_a_mean_of_negative_values_is_negative():
    assert catchment_means(np.array([-30]), np.array([10]), np.array([-1], dtype=np.int32)).tolist() == [-3.0]


def parting(share):
    """Links 0 and 1 meet where the stream parts into main 3 and arm 2, which join in 4; two stations a link."""
    links = pd.DataFrame(
        {
            "downstream_link": [3, 3, 4, 4, -1],
            "leaves_link": [-1, -1, 0, -1, -1],
            "arm_share": [0.0, 0.0, share, 0.0, 0.0],
            "inflow_area_km2": 0.0,
        }
    )
    downstream = np.array([1, 6, 3, 6, 5, 8, 7, 8, 9, -1], dtype=np.int32)
    return links, np.repeat(np.arange(5), 2), downstream


def test_without_shares_there_are_no_arms_and_sums_stay_whole_numbers():
    links, station_link, downstream = parting(0.0)

    arms = side_arms(links, station_link)

    assert arms is None
    assert sums_by_arms(np.ones(10, dtype=np.int64), downstream, arms).dtype == np.int64


def test_an_arm_takes_its_share_at_its_first_station():
    links, station_link, downstream = parting(0.25)
    cells = np.array([0, 10, 0, 30, 0, 5, 0, 7, 0, 1])

    arms = side_arms(links, station_link)

    assert arms.beside.tolist() == [-1, -1, -1, -1, 6, -1, -1, -1, -1, -1]
    found = sums_by_arms(cells, downstream, arms)
    assert found.tolist() == [0, 10, 0, 30, 10, 15, 30, 37, 52, 53]
    assert drained_area_km2(cells, downstream, 1e6, arms).tolist() == found.tolist()
    # A covariate of 1 everywhere is 1 wherever there is ground.
    means = catchment_means(cells, cells, downstream, arms)
    assert means[[1, 3, 4, 5, 6, 7, 8, 9]] == pytest.approx(1.0)


def test_an_inflow_enters_at_the_first_station_and_its_entry_reaches_to_the_end_of_the_first_reach_on_the_grid():
    links = pd.DataFrame({"inflow_area_km2": [0.0, 12.5]})
    # Link 1 has stations 2 to 8 in three reaches of two segments; the first two reaches lie outside the grid.
    stations = pd.DataFrame({"link": [0, 0, 1, 1, 1, 1, 1, 1, 1], "reach": [-1, 0, -1, 1, 1, 2, 2, 3, 3]})
    cells = np.array([4, 4, 0, 0, 0, 0, 3, 5, 5])

    inflow_km2, is_entry = inflows(links, stations, cells)

    assert inflow_km2.tolist() == [0, 0, 12.5, 0, 0, 0, 0, 0, 0]
    assert is_entry.tolist() == [False, False, True, True, True, True, True, False, False]


@pytest.mark.parametrize(
    ("area_km2", "reach", "cells", "is_entry"),
    [
        # All of the stream lies outside the grid: all of it is an entry. Its first segment alone lies inside.
        (2.0, [-1, 0, 1, 2, -1, 3], [0, 0, 0, 0, 9, 9], [True, True, True, True, False, False]),
        (2.0, [-1, 0, 1, 2, -1, 3], [5, 5, 0, 0, 9, 9], [True, True, False, False, False, False]),
        # One cell is on the grid; and where none is, what counts is the stream's own end, not the next one's.
        (0.5, [-1, 1, 2, 3, -1, 0], [0, 0, 1, 1, 0, 9], [True, True, True, False, False, False]),
        (0.5, [-1, 1, 2, 3, -1, 0], [0, 0, 0, 0, 0, 9], [True, True, True, True, False, False]),
    ],
)
def test_an_entry_is_a_stream_off_the_grid_and_at_least_one_segment_of_any(area_km2, reach, cells, is_entry):
    links = pd.DataFrame({"inflow_area_km2": [area_km2, 0.0]})
    stations = pd.DataFrame({"link": [0, 0, 0, 0, 1, 1], "reach": reach})

    inflow_km2, found = inflows(links, stations, np.array(cells))

    assert found.tolist() == is_entry
    assert inflow_km2.tolist() == [area_km2, 0.0, 0.0, 0.0, 0.0, 0.0]


def test_no_more_than_all_of_a_catchment_passes_a_mark():
    # A side arm takes water away below the mark, so that the catchment there is smaller than at it.
    share = share_above(
        np.array([True, False, False]), np.array([8.0, 6.0, 16.0]), np.array([1, 2, -1], dtype=np.int32)
    )

    assert share.tolist() == [1.0, 1.0, 0.5]


@pytest.mark.parametrize("seed", range(4))
def test_the_share_above_marks_is_what_comes_from_the_lowest_marks_above(seed):
    # Areas below 1 and above; some unknown, some nothing.
    random = np.random.default_rng(seed)
    downstream = np.array([2, 2, 4, 4, 7, 6, 7, -1, -1, -1], dtype=np.int32)
    is_marked, area = random.random(10) < 0.4, 10.0 ** random.uniform(-1, 1, 10)
    area[random.random(10) < 0.2], area[9] = np.nan, 0.0

    # What passes a mark at a station, None where none is above it.
    def passed(station):
        above = [passed(each) for each in np.flatnonzero(downstream == station)]
        known = [each for each in above if each is not None]
        if is_marked[station]:
            return area[station] if area[station] > 0 else 0.0
        return sum(known) if known else None

    expected = []
    for station in range(10):
        water = passed(station)
        whole = 1.0 if not area[station] > 0 else None
        expected.append(0.0 if water is None else whole or min(water / area[station], 1.0))
    assert share_above(is_marked, area, downstream).tolist() == pytest.approx(expected)


def test_where_no_catchment_is_known_the_share_below_a_mark_is_whole():
    below = np.array([1, 2, -1, -1], dtype=np.int32)

    for unknown in (np.nan, 0.0):
        found = share_above(np.array([True, False, False, False]), np.array([0.5, unknown, 2.0, unknown]), below)
        assert found.tolist() == [1.0, 1.0, 0.25, 0.0]
        # What an unknown catchment brings past its own mark is nothing.
        assert share_above(np.array([True, False]), np.array([unknown, 0.5]), below[[0, 2]]).tolist() == [1.0, 0.0]


def test_a_mark_is_carried_down_to_all_below_it():
    is_marked = np.array([False, True, False, False, False, False])

    assert carried_down(is_marked, TREE).tolist() == [False, True, True, False, True, False]
    assert is_marked.tolist() == [False, True, False, False, False, False]
    assert not carried_down(np.zeros(6, dtype=bool), TREE).any()


def test_without_inflows_there_is_no_entry():
    links, station_link, _ = parting(0.0)
    stations = pd.DataFrame({"link": station_link, "reach": 0})

    inflow_km2, is_entry = inflows(links, stations, np.ones(10, dtype=np.int64))

    assert not inflow_km2.any()
    assert not is_entry.any()
