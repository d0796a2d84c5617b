"""Sums down the network: by hand on a drawn tree, and as a law on random ones."""

import numpy as np
import pytest

from sitefinder.streams.catchments import catchment_means, drained_area_km2, sums_upstream

# 0 and 1 meet in 2; 3 joins in 4, the outlet; 5 is alone.
TREE = np.array([2, 2, 4, 4, -1, -1], dtype=np.int32)


def test_each_station_sums_all_that_drains_to_it():
    local = np.array([1, 10, 100, 1000, 10000, 100000])

    assert sums_upstream(local, TREE).tolist() == [1, 10, 111, 1000, 11111, 100000]
    assert local.tolist() == [1, 10, 100, 1000, 10000, 100000]


def test_sums_keep_the_kind_of_number():
    assert sums_upstream(np.ones(6, dtype=np.int64), TREE).dtype == np.int64
    assert sums_upstream(np.ones(6), TREE).dtype == np.float64


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
