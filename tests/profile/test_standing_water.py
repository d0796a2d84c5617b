"""Standing water that only the DEM shows."""

import numpy as np
import pytest

from sitefinder.profile.breaks import is_coarse, level_segments


# One link of stations 50 m apart.
def marked(raw_m, shortest_m):
    count = len(raw_m)
    downstream = np.append(np.arange(1, count), -1).astype(np.int32)
    to_downstream_m = np.append(np.full(count - 1, 50.0), 0.0)
    segment_m = np.append(0.0, np.full(count - 1, 50.0))
    found = level_segments(np.array(raw_m), downstream, to_downstream_m, segment_m, shortest_m)
    return np.flatnonzero(found).tolist()


@pytest.mark.parametrize(("shortest_m", "segments"), [(150.0, [3, 4, 5]), (150.1, [])])
def test_a_level_stretch_counts_from_its_minimum_length_on(shortest_m, segments):
    raw_m = [9.0, 8.5, 8.0, 8.0, 8.0, 8.0, 7.5]

    assert marked(raw_m, shortest_m) == segments


def test_water_that_falls_a_centimetre_is_not_level_and_rounding_is_no_fall():
    assert marked([8.00, 7.99, 7.98, 7.97], 100.0) == []
    assert marked([8.0, np.float64(np.float32(8.0)) + 1e-6, 8.0], 100.0) == [1, 2]


def test_a_gap_in_the_dem_ends_a_level_stretch():
    assert marked([8.0, 8.0, np.nan, 8.0, 8.0], 60.0) == []


def test_a_lake_that_two_streams_run_into_is_as_long_as_its_longest_path():
    # Two arms of 100 m and 50 m in the lake, which goes on 50 m below where they meet.
    downstream = np.array([1, 2, 5, 4, 5, 6, -1], dtype=np.int32)
    to_downstream_m = np.array([50.0, 50, 0, 50, 0, 50, 0])
    segment_m = np.array([0.0, 50, 50, 0, 50, 0, 50])

    found = level_segments(np.full(7, 3.0), downstream, to_downstream_m, segment_m, 150.0)

    assert np.flatnonzero(found).tolist() == [1, 2, 4, 6]
    assert not level_segments(np.full(7, 3.0), downstream, to_downstream_m, segment_m, 150.1).any()


@pytest.mark.parametrize(
    ("elevation", "coarse"),
    [([3.0, 4.0], True), ([3.5, 4.2], True), ([3.25, 4.0], False), ([np.nan, 7.0], True), ([np.nan], True)],
)
def test_a_dem_of_whole_steps_says_nothing_of_levels(elevation, coarse):
    assert is_coarse(np.array(elevation)) == coarse
