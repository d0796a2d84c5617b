"""The smoothing spline along the tree, against a dense solution by numpy of the same sum of squares."""

import numpy as np
import pytest

from sitefinder.network.ordering import main_upstream
from sitefinder.profile.fitting import mean_along, median_along, slopes_along, smoothed


def random_tree(rng, count):
    below = np.arange(count) + rng.integers(1, 4, count)
    below[below >= count] = -1
    return below.astype(np.int32), rng.uniform(5.0, 40.0, count)


# Least squares of the stacked rows: a datum each, and a change of slope each at stations within a main stem.
def dense(elevation_m, weight, main, downstream, step_m, is_break, variance):
    rows, right = [np.diag(np.sqrt(weight))], [np.sqrt(weight) * elevation_m]
    for middle in range(len(weight)):
        above, below = main[middle], downstream[middle]
        if above < 0 or below < 0 or main[below] != middle or is_break[above] or is_break[middle]:
            continue
        row = np.zeros(len(weight))
        row[above] += 1.0 / step_m[above]
        row[middle] -= 1.0 / step_m[above] + 1.0 / step_m[middle]
        row[below] += 1.0 / step_m[middle]
        rows.append(row / np.sqrt(variance[middle] * 0.5 * (step_m[above] + step_m[middle])))
        right.append([0.0])
    return np.linalg.lstsq(np.vstack(rows), np.concatenate(right), rcond=None)[0]


@pytest.mark.parametrize("breaks", [0.0, 0.15])
def test_it_is_the_dense_least_squares_of_numpy(breaks):
    rng = np.random.default_rng(int(100 * breaks))
    for _ in range(40):
        count = int(rng.integers(3, 60))
        downstream, step_m = random_tree(rng, count)
        main = main_upstream(downstream, step_m)
        level_m = rng.normal(0.0, 2.0, count)
        weight = rng.uniform(0.5, 20.0, count)
        is_break = rng.random(count) < breaks
        variance = rng.uniform(1e-5, 1e-3, count)

        found_m = smoothed(level_m, weight, level_m, main, downstream, step_m, is_break, variance)

        expected_m = dense(level_m, weight, main, downstream, step_m, is_break, variance)
        np.testing.assert_allclose(found_m, expected_m, rtol=0, atol=1e-7)


def test_a_gap_is_carried_over_straight_and_a_break_parts_the_sides():
    downstream = np.append(np.arange(1, 12), -1).astype(np.int32)
    step_m = np.full(12, 10.0)
    main = main_upstream(downstream, step_m)
    level_m = 12.0 - np.arange(12.0) - np.where(np.arange(12) > 5, 4.0, 0.0)
    weight = np.ones(12)
    weight[[2, 8]] = 0.0
    data_m = np.where(weight > 0, level_m, 99.0)

    found_m = smoothed(
        data_m, weight, np.zeros(12), main, downstream, step_m, np.arange(12) == 5, np.full(12, 1e-6)
    )

    assert found_m == pytest.approx(level_m, abs=1e-3)


def test_the_mean_along_a_stream_is_the_sum_over_all_pairs():
    rng = np.random.default_rng(3)
    downstream = np.append(np.arange(1, 30), -1).astype(np.int32)
    step_m = rng.uniform(5.0, 40.0, 30)
    value, usable = rng.normal(size=30), rng.random(30) < 0.7
    place_m = np.append(0.0, np.cumsum(step_m[:-1]))
    weight = np.exp(-np.abs(place_m[:, None] - place_m) / 100.0) * usable

    found = mean_along(value, usable, main_upstream(downstream, step_m), downstream, step_m, 100.0)

    np.testing.assert_allclose(found, (weight * value).sum(axis=1) / weight.sum(axis=1), atol=1e-12)


# All that one meets up the main stem and down the path from a station, nearest first.
def walked(station, following):
    found = []
    while following[station] >= 0:
        station = int(following[station])
        found.append(station)
    return found


def test_the_median_along_a_stream_is_that_of_fifteen_stations_to_either_side():
    rng = np.random.default_rng(8)
    downstream, step_m = random_tree(rng, 120)
    main = main_upstream(downstream, step_m)
    value = np.where(rng.random(120) < 0.3, np.nan, rng.normal(size=120))
    value[[0, 1]] = np.nan

    found = median_along(value, main, downstream)

    for station in range(120):
        # The station itself is the first of the fifteen upstream.
        near = [station, *walked(station, main)[:14], *walked(station, downstream)[:15]]
        known = value[near][~np.isnan(value[near])]
        assert found[station] == (np.median(known) if len(known) else 0.0)
    assert median_along(np.full(120, np.nan), main, downstream).tolist() == [0.0] * 120


@pytest.mark.parametrize("breaks", [0.0, 0.1])
def test_the_slope_along_a_stream_is_taken_over_300_m_to_either_side_without_its_steps(breaks):
    rng = np.random.default_rng(9)
    downstream, step_m = random_tree(rng, 150)
    main = main_upstream(downstream, step_m)
    fit_m = np.zeros(150)
    for station in range(149, -1, -1):
        if downstream[station] >= 0:
            fit_m[station] = fit_m[downstream[station]] + rng.integers(0, 3)
    is_break = rng.random(150) < breaks

    slope, over_m = slopes_along(fit_m, main, downstream, step_m, is_break)

    for station in range(150):
        upper, up_m, passed = station, 0.0, []
        for above in walked(station, main):
            if up_m >= 300.0:
                break
            upper, up_m = above, up_m + step_m[above]
            passed.append(above)
        lower, down_m = station, 0.0
        for below in walked(station, downstream):
            if down_m >= 300.0:
                break
            passed.append(lower)
            down_m += step_m[lower]
            lower = below
        steps_m = sum(fit_m[each] - fit_m[downstream[each]] for each in passed if is_break[each])
        way_m = up_m + down_m
        assert over_m[station] == pytest.approx(way_m)
        assert slope[station] == pytest.approx((fit_m[upper] - fit_m[lower] - steps_m) / way_m if way_m else 0.0)
    assert (over_m > 590.0).any()


def test_where_a_stream_does_not_fall_it_has_no_slope():
    downstream, step_m = np.array([1, 2, -1], dtype=np.int32), np.array([10.0, 30.0, 0.0])
    main = main_upstream(downstream, step_m)

    for fit_m in ([3.0, 3.0, 3.0], [1.0, 2.0, 3.0]):
        slope, over_m = slopes_along(np.array(fit_m), main, downstream, step_m, np.zeros(3, dtype=bool))
        assert (slope.tolist(), over_m.tolist()) == ([0.0] * 3, [40.0] * 3)


@pytest.mark.parametrize("weight", [[1.0, 0.0, 0.0], [0.0, 0.0, 0.0]])
def test_where_no_datum_holds_a_station_the_other_elevations_do(weight):
    # Stations of streams of their own, so that nothing but its own level holds each.
    downstream, step_m = np.full(3, -1, dtype=np.int32), np.zeros(3)
    main = main_upstream(downstream, step_m)
    given = np.array([5.0, np.nan, np.nan]), np.array(weight), np.array([1.0, 2.0, 3.0])

    found_m = smoothed(*given, main, downstream, step_m, np.zeros(3, bool), np.ones(3))

    assert found_m == pytest.approx([5.0 if weight[0] else 1.0, 2.0, 3.0])
    nothing = np.zeros(0)
    none = np.zeros(0, dtype=np.int32)
    assert smoothed(nothing, nothing, nothing, none, none, nothing, np.zeros(0, bool), nothing).size == 0
