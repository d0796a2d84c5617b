"""Measured drops laid over the profile: met exactly, and nothing else changes."""

import numpy as np
import pytest

from sitefinder.profile.errors import head_standard_error
from sitefinder.profile.survey import MeasuredDrops, apply_measured_drops, between_stations, is_below

# A stem of stations 0 to 4 and a tributary 5 to 6 that meet in station 7, from where 8 and 9 lead on. The profile
# falls by whole metres, with a level piece from 3 to 4.
DOWNSTREAM = np.array([1, 2, 3, 4, 7, 6, 7, 8, 9, -1], dtype=np.int32)
STEP_M = np.array([50.0, 50, 50, 50, 0, 50, 0, 50, 50, 0])
PROFILE_M = np.array([20.0, 17, 14, 13, 13, 19, 13, 13, 11, 10])


def drops(*rows):
    columns = [np.array(column) for column in zip(*rows, strict=True)]
    return MeasuredDrops(columns[0], columns[1], columns[2].astype(float), columns[3].astype(float))


def laid(measured, errors_m=None, profile_m=PROFILE_M):
    errors_m = np.zeros((len(profile_m), 16), dtype=np.float32) if errors_m is None else errors_m
    return apply_measured_drops(profile_m, errors_m, DOWNSTREAM, STEP_M, measured, 1)


@pytest.mark.slow
def test_a_measured_drop_stretches_the_falls_between_its_stations_and_shifts_what_lies_above():
    # From 1 to 3 the DEM falls 3 m and 1 m; measured are 6 m, one and a half times as much.
    profile_m, _ = laid(drops((1, 3, 6.0, 0.01)))

    assert profile_m.tolist() == [22.0, 19.0, 14.5, 13, 13, 19, 13, 13, 11, 10]


def test_a_measured_drop_is_spread_by_distance_where_the_dem_is_level():
    profile_m, _ = laid(drops((3, 4, 0.5, 0.01)))

    assert profile_m.tolist() == [20.5, 17.5, 14.5, 13.5, 13, 19, 13, 13, 11, 10]


def test_a_tributary_moves_with_the_place_where_it_joins():
    # From 3 over the confluence to 8: 2 m in the DEM, all of it below the confluence, and 3 m as measured.
    profile_m, _ = laid(drops((3, 8, 3.0, 0.01)))

    assert profile_m.tolist() == [21.0, 18, 15, 14, 14, 20, 14, 14, 11, 10]


def test_of_two_that_contradict_each_other_the_later_is_met():
    profile_m, _ = laid(drops((1, 3, 6.0, 0.1), (1, 2, 1.0, 0.01)))

    assert profile_m[1] - profile_m[2] == pytest.approx(1.0)
    assert profile_m[2] - profile_m[3] == pytest.approx(1.5)


@pytest.mark.parametrize("seed", range(40))
def test_on_random_profiles_drops_are_met_falls_stay_falls_and_heads_elsewhere_stay(seed):
    rng = np.random.default_rng(seed)
    count = int(rng.integers(5, 40))
    downstream = np.array([int(rng.integers(i + 1, count)) for i in range(count - 1)] + [-1], dtype=np.int32)
    step_m = rng.uniform(1.0, 80.0, count)
    profile_m = np.zeros(count)
    for station in range(count - 2, -1, -1):
        profile_m[station] = profile_m[downstream[station]] + rng.integers(0, 4)
    upper = int(rng.integers(0, count - 1))
    path = [upper]
    while downstream[path[-1]] >= 0:
        path.append(int(downstream[path[-1]]))
    lower = path[int(rng.integers(1, len(path)))]
    drop_m = float(rng.uniform(0.0, 5.0))
    errors_m = np.zeros((count, 16), dtype=np.float32)

    met_m, _ = apply_measured_drops(
        profile_m, errors_m, downstream, step_m, drops((upper, lower, drop_m, 0.01)), seed
    )

    inner = set(path[: path.index(lower)])
    assert met_m[upper] - met_m[lower] == pytest.approx(drop_m)
    for station in range(count - 1):
        fall, before = (z[station] - z[downstream[station]] for z in (met_m, profile_m))
        assert fall >= -1e-12
        if station not in inner:
            assert fall == pytest.approx(before)


def test_the_error_between_measured_stations_is_the_surveys_and_elsewhere_it_stays():
    rng = np.random.default_rng(3)
    errors_m = rng.normal(0.0, 0.3, (10, 64)).astype(np.float32)
    errors_m[4] = errors_m[7] = errors_m[6]  # at one place

    profile_m, new_m = laid(drops((0, 2, 5.0, 0.05)), errors_m)

    assert profile_m[0] - profile_m[2] == pytest.approx(5.0)
    pairs = np.array([0, 2, 5, 7]), np.array([2, 4, 7, 9])
    before = head_standard_error(errors_m, *pairs)
    after = head_standard_error(new_m, *pairs)
    assert after[0] == pytest.approx(0.05, rel=1e-4)
    assert after[1:] == pytest.approx(before[1:], rel=1e-5)


def test_nothing_given_is_altered_and_one_seed_gives_one_answer():
    errors_m = np.full((10, 16), 0.1, dtype=np.float32)
    before = errors_m.copy(), PROFILE_M.copy()

    first = laid(drops((0, 2, 5.0, 0.05)), errors_m)
    second = laid(drops((0, 2, 5.0, 0.05)), errors_m)

    np.testing.assert_array_equal(errors_m, before[0])
    np.testing.assert_array_equal(PROFILE_M, before[1])
    np.testing.assert_array_equal(first[1], second[1])


def test_a_drop_between_places_grows_by_the_falls_to_its_stations_and_so_does_its_error():
    drop_m, error_m = between_stations(np.array([2.0, 2.0]), 0.03, np.array([0.3, 0.0]), np.array([0.1, 0.0]))

    # Half of 0.4 m beside 0.03 m.
    assert drop_m.tolist() == pytest.approx([2.4, 2.0])
    assert error_m.tolist() == pytest.approx([np.hypot(0.2, 0.03), 0.03])


@pytest.mark.parametrize(
    ("upper", "lower", "below"),
    [(0, 3, True), (0, 9, True), (5, 8, True), (3, 0, False), (0, 5, False), (2, 2, False)],
)
def test_a_station_is_below_another_on_its_path_downstream(upper, lower, below):
    assert is_below(upper, lower, DOWNSTREAM) == below


def test_each_measurement_and_each_seed_has_errors_of_its_own_without_bias_and_no_stream_runs_up():
    errors_m = np.zeros((10, 64), dtype=np.float32)
    measured = drops((0, 1, 5.0, 0.2), (1, 2, 4.0, 0.2), (8, 9, 0.1, 1.0))

    one, other = (
        apply_measured_drops(PROFILE_M, errors_m, DOWNSTREAM, STEP_M, measured, seed)[1].astype(float)
        for seed in (1, 2)
    )

    heads = [one[0] - one[1], one[1] - one[2], other[0] - other[1]]
    for k, head_m in enumerate(heads):
        assert (head_m.mean(), head_m.std()) == pytest.approx((0.0, 0.2), abs=1e-6)
        # 64 independent pairs correlate by less than four standard errors of nought.
        for another_m in heads[:k]:
            assert abs(np.corrcoef(head_m, another_m)[0, 1]) < 4 / 64**0.5
    # Half of the errors would make the lowest drop one of less than nothing.
    fall_m = 0.1 + one[8] - one[9]
    assert fall_m.min() == pytest.approx(0.0, abs=1e-6)
    assert 0.3 < (fall_m < 1e-6).mean() < 0.7
