"""What speaks against a DEM: gaps drawn by hand, planes, noise, valleys and ridges."""

import numpy as np
import pytest

from sitefinder.dem.judging import Gap, find_gaps, ground_slopes, share_in_valleys

CELL_M = 10.0


@pytest.fixture
def hill_m():
    """Waves of 20 m over a plane of 4 %, 300 m above the sea."""
    row, column = np.mgrid[0:80, 0:90]
    return 300.0 + 0.4 * row + 20.0 * np.sin(row / 11.0) * np.cos(column / 13.0)


@pytest.mark.parametrize("value", [0.0, -1.0, 255.0, -999.0])
def test_patches_of_a_usual_value_with_steps_around_them_are_gaps(hill_m, value):
    other_m = hill_m + 50.0
    hill_m[10:14, 20:26] = hill_m[60:65, 40:44] = value
    hill_m[30:33, 50:60] = np.nan

    assert find_gaps([other_m, hill_m]) == [Gap(value, 24 + 20)]


def test_single_cells_all_over_are_gaps(hill_m):
    is_gap = np.random.default_rng(2).random(hill_m.shape) < 0.05
    hill_m[is_gap] = -1.0

    assert find_gaps([hill_m]) == [Gap(-1.0, int(is_gap.sum()))]


def test_an_unusual_value_is_a_gap_where_all_other_ground_is_on_one_side_of_it(hill_m):
    lower, roof = hill_m.copy(), hill_m.copy()
    lower[10:14, 20:26] = 17.25
    roof[10:14, 20:26] = 317.25

    assert find_gaps([lower]) == [Gap(17.25, 24)]
    assert find_gaps([roof]) == []


def test_a_lake_and_a_coast_at_a_usual_value_are_no_gaps(hill_m):
    # Water ends where the ground rises out of it.
    lake, coast = np.maximum(hill_m, 310.0) - 55.0, np.maximum(hill_m - 300.0, 0.0)

    assert (lake == 255.0).sum() > 500
    assert (coast == 0.0).sum() > 500
    assert find_gaps([lake]) == []
    assert find_gaps([coast]) == []


def test_whole_metres_make_no_gaps(hill_m):
    assert find_gaps([np.round(hill_m - 50.0)]) == []


# Ground whose steps are all of one height, 500 m above the sea, with a square of some other value in it.
def stairs(low_m, step_m, value):
    row, column = np.mgrid[0:40, 0:40]
    ground_m = low_m + step_m * ((row + column) % 2)
    ground_m[11:14, 20:23] = value
    return ground_m


@pytest.mark.parametrize("step_m", [0.25, 2.0])
@pytest.mark.parametrize(("times", "is_gap"), [(3.9, False), (4.0, True)])
def test_a_patch_of_a_usual_value_is_a_gap_from_four_times_the_usual_step(step_m, times, is_gap):
    # Of the 12 cells around the patch 8 are lower ones.
    ground_m = stairs(times * step_m, step_m, 0.0)
    lacking_m = ground_m.copy()
    lacking_m[30:35, 5:9] = np.nan

    # Missing data make no step.
    assert find_gaps([ground_m]) == find_gaps([lacking_m]) == [Gap(0.0, 9)] * is_gap


@pytest.mark.parametrize(("depth_m", "is_gap"), [(8.0, False), (19.9, False), (20.0, True)])
def test_cells_all_over_are_gaps_from_ten_times_the_usual_step_whatever_their_share(depth_m, is_gap):
    # Their own borders are more than a tenth of all; single cells make no patch, for which 8 m would be enough.
    ground_m = stairs(depth_m, 2.0, depth_m)
    ground_m[2::4, 3::4] = 0.0

    assert find_gaps([ground_m]) == [Gap(0.0, 100)] * is_gap


@pytest.mark.parametrize(("depth_m", "is_gap"), [(9.9, False), (10.0, True)])
def test_a_step_of_ten_metres_is_a_cliff(depth_m, is_gap):
    # Steps elsewhere are of half a metre. Of the 12 borders 8 are as high as the pit is deep, the others higher.
    assert find_gaps([stairs(500.0, 0.5, 500.0 - depth_m)]) == [Gap(490.0, 9)] * is_gap


@pytest.mark.parametrize(("columns", "is_gap"), [(2, False), (3, True)])
def test_a_gap_has_twelve_borders_at_least(columns, is_gap):
    ground_m = stairs(500.0, 0.5, 500.0)
    ground_m[20:23, 30 : 30 + columns] = 440.25

    assert find_gaps([ground_m]) == [Gap(440.25, 9)] * is_gap


@pytest.mark.parametrize(
    ("value", "beside_m", "is_gap"),
    [
        # Higher or lower than all else, in whatever part of the DEM that lies, or between lower and higher ground.
        (440.25, 600.0, True),
        (900.25, 600.0, True),
        (440.25, 100.0, False),
        (900.25, 1200.0, False),
        (440.25, 440.0, False),
    ],
)
def test_an_unusual_value_is_held_against_all_parts_of_the_dem(value, beside_m, is_gap):
    ground_m, beside_m = stairs(500.0, 0.5, value), stairs(beside_m, 0.5, beside_m)

    assert find_gaps([ground_m, beside_m]) == [Gap(value, 9)] * is_gap


@pytest.mark.parametrize(("quarry_m", "is_gap"), [(None, True), (40.0, False)])
def test_a_pit_is_measured_against_the_steps_that_one_in_ten_exceed_where_ground_has_such(quarry_m, is_gap):
    # One column in three is 3 m higher than the next, the others 0.5 m: a cliff is one of 30 m here. Without any
    # the pit of 25 m is judged by the middle step of 0.5 m, for gaps can be more than a tenth of all steps.
    rise_m = np.where(np.arange(60) % 3 == 0, 3.0, 0.5)
    ground_m = 500.0 + np.tile(np.cumsum(rise_m), (30, 1)) + 0.5 * (np.arange(30)[:, None] % 2)
    if quarry_m:
        ground_m[:, 50:] += quarry_m
    ground_m[10:14, 1:4] = 480.25

    assert find_gaps([ground_m]) == [Gap(480.25, 12)] * is_gap


@pytest.mark.parametrize(("open_sides", "is_gap"), [(0, True), (2, True), (3, False)])
def test_nine_tenths_of_a_gaps_border_are_cliffs(open_sides, is_gap):
    # Of 20 sides.
    ground_m = 500.0 + 0.5 * (np.add.outer(np.arange(30), np.arange(30)) % 2)
    ground_m[10:15, 20:25] = 470.25
    ground_m[9, 20 : 20 + open_sides] = 471.0

    assert find_gaps([ground_m]) == [Gap(470.25, 25)] * is_gap


def test_ground_without_a_cell_makes_no_gaps():
    assert find_gaps([]) == []
    assert find_gaps([np.full((9, 9), np.nan)]) == []


def test_the_slope_is_that_of_a_plane():
    row, column = np.mgrid[0:40, 0:40]

    # 3 % down the rows, 1 % along them: the mean of both directions.
    slopes = ground_slopes([0.03 * 20.0 * row + 0.01 * 10.0 * column], 10.0, 20.0)

    assert slopes.mean == pytest.approx(0.02, rel=1e-12)


def test_noise_is_rough_and_ground_is_not(hill_m):
    noise = np.random.default_rng(5).standard_normal((60, 60))

    # The mean difference of two normal numbers is 2 / sqrt(pi) of their standard deviation.
    assert ground_slopes([noise], CELL_M, CELL_M).roughness == pytest.approx(2.0 / np.sqrt(np.pi), rel=0.03)
    assert ground_slopes([hill_m], CELL_M, CELL_M).roughness < 0.1


def test_flat_ground_is_not_rough():
    assert ground_slopes([np.full((20, 20), 5.0)], CELL_M, CELL_M) == (0.0, 0.0)


def test_a_slope_needs_a_hundred_neighbours_and_a_valley_fifty_points():
    assert ground_slopes([np.zeros((1, 100))], CELL_M, CELL_M) is None
    assert ground_slopes([np.zeros((1, 101))], CELL_M, CELL_M) == (0.0, 0.0)
    assert share_in_valleys(np.zeros(49), np.ones((49, 8))) is None
    assert share_in_valleys(np.zeros(50), np.ones((50, 8))) == 1.0


def test_points_as_high_as_around_are_in_no_valley_and_on_no_ridge():
    own_m = np.full(110, 5.0)
    around_m = own_m[:, None] + np.repeat([1.0, 0.0, -0.5], [45, 50, 15])[:, None] * np.ones(8)

    assert share_in_valleys(own_m, around_m) == 45 / 60


def test_too_little_ground_has_no_slope():
    assert ground_slopes([np.zeros((3, 3))], CELL_M, CELL_M) is None
    assert ground_slopes([], CELL_M, CELL_M) is None


def test_points_in_a_valley_lie_lower_than_around_on_any_slope_and_on_a_ridge_higher():
    angle = 2.0 * np.pi * np.arange(8) / 8
    east, north = np.cos(angle), np.sin(angle)
    fall = np.linspace(0.0, 0.5, 60)[:, None]
    valley_m = np.abs(east) - fall * north

    assert share_in_valleys(np.zeros(60), valley_m) == 1.0
    assert share_in_valleys(np.zeros(60), -valley_m) == 0.0


def test_a_few_points_say_nothing_of_valleys():
    assert share_in_valleys(np.zeros(10), np.ones((10, 8))) is None
    assert share_in_valleys(np.full(90, np.nan), np.ones((90, 8))) is None
