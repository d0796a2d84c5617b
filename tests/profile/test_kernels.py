"""Kernels of long profiles on small random trees of streams, against plain other ways to the same answer."""

from itertools import pairwise

import numpy as np
import pytest

from sitefinder.network.ordering import main_upstream
from sitefinder.profile.breaks import (
    MAX_SHARE,
    MIN_SLOPE_ERROR,
    MIN_STEP_M,
    SLOPE_ERROR,
    _below_refused,
    _giving_way,
    _peaks,
    _step_scores,
    level_segments,
    slopes_around,
)
from sitefinder.profile.errors import (
    _correlate_upstream,
    _root_mean_square_difference,
    _stations_below,
    _with_drops_times,
)
from sitefinder.profile.fitting import (
    MIN_FLAT_STATIONS,
    MIN_STATIONS,
    REACH_BOTH_SIDES,
    REACH_STATIONS,
    SLOPE_OVER_M,
    SPREAD_STATIONS,
    _excess,
    _handed_up,
    _level_runs,
    _longer,
    _over,
    mean_along,
    median_along,
    slopes_along,
    smoothed,
)
from sitefinder.profile.shrinkage import _windows

SEEDS = range(4)


# A tree with some long stems, and a second outlet; ways to the next station [m], a few of them none.
def tree(seed, count=40):
    random = np.random.default_rng(seed)
    downstream = np.arange(count) + np.where(random.random(count) < 0.8, 1, random.integers(1, 12, count))
    downstream[downstream >= count] = -1
    downstream[count // 3] = -1
    step_m = random.integers(1, 12, count) * 10.0
    downstream = downstream.astype(np.int32)
    return downstream, step_m, main_upstream(downstream, step_m), random


# Stations from one on, itself first, by the next of each.
def along(station, following):
    found = [station]
    while following[found[-1]] >= 0:
        found.append(int(following[found[-1]]))
    return found


# How far each station up the main stem, or down, is from a station; with the station at that way.
def ways(station, main, downstream, step_m):
    up, down = along(station, main), along(station, downstream)
    up_m = np.cumsum([0.0, *step_m[up[1:]]])
    down_m = np.cumsum([0.0, *step_m[down[:-1]]])
    return list(zip(up, up_m, strict=True)), list(zip(down, down_m, strict=True))


# Standard deviation of one error less the mean of others, by the matrix of their correlations.
def error_of_mean(at_m, own_m, length_m):
    places = np.append(own_m, at_m)
    apart = np.abs(np.subtract.outer(places, places))
    correlation = np.exp(-apart / length_m) if length_m > 0 else (apart == 0).astype(float)
    weight = np.append(1.0, np.full(len(at_m), -1.0 / len(at_m)))
    return np.sqrt(weight @ correlation @ weight)


@pytest.mark.parametrize("length_m", [0.0, 60.0])
@pytest.mark.parametrize("seed", SEEDS)
def test_a_spike_is_measured_in_the_error_of_the_difference_from_its_neighbours(seed, length_m):
    downstream, step_m, main, random = tree(seed)
    usable = random.random(40) < 0.85
    elevation_m = np.where(usable, random.normal(size=40), 0.0)

    found = _excess(elevation_m, usable, main, downstream, step_m, np.full(40, length_m))

    for station in range(40):
        up, down = ways(station, main, downstream, step_m)
        above = [(each, -at_m) for each, at_m in up[1 : REACH_STATIONS + 1] if usable[each]]
        expected = 0.0
        if usable[station] and len(above) >= MIN_STATIONS:
            at = [each for each, _ in above]
            error = error_of_mean([at_m for _, at_m in above], 0.0, length_m)
            expected = max(elevation_m[station] - np.median(elevation_m[at]), 0.0) / error
            few = above[:REACH_BOTH_SIDES]
            below = [(each, at_m) for each, at_m in down[1 : len(few) + 1] if usable[each]]
            if len(below) == len(few):
                at = [each for each, _ in few + below]
                error = error_of_mean([at_m for _, at_m in few + below], 0.0, length_m)
                # The upper one of the two in the middle.
                over_m = elevation_m[station] - np.sort(elevation_m[at])[len(few)]
                expected = max(expected, over_m / error)
        assert found[station] == pytest.approx(expected, rel=1e-9)
    assert (found > 0).any()


def test_an_excess_is_none_at_the_median_and_endless_where_errors_are_all_alike():
    assert [_over(0.0, 0.0), _over(-1.0, 2.0), _over(1.0, 2.0), _over(1.0, 0.0)] == [0.0, 0.0, 0.5, np.inf]
    # A first neighbour at twice a correlation length of half a metre.
    assert _longer(1.0, -1.0, 0.0, 0.0, 1.0, 0.5) == pytest.approx((np.exp(-2), 0.0, np.exp(-2), 1.0))


# Minimised by a library's solver of the same sum, written with one row for each datum and each change of slope.
@pytest.mark.parametrize("seed", SEEDS)
def test_a_smooth_profile_minimises_what_it_says(seed):
    downstream, step_m, main, random = tree(seed, 15)
    count = len(downstream)
    elevation_m, otherwise_m = random.normal(size=(2, count))
    weight = np.where(random.random(count) < 0.8, random.uniform(0.5, 2.0, count), 0.0)
    is_break = random.random(count) < 0.15
    variance_per_m = random.uniform(1e-5, 1e-4, count)

    found = smoothed(elevation_m, weight, otherwise_m, main, downstream, step_m, is_break, variance_per_m)

    lightly = np.where(weight > 0, 0.0, 1e-6 * weight.max())
    rows, right = (
        [np.diag(np.sqrt(weight + lightly))],
        np.sqrt(weight + lightly) * np.where(weight > 0, elevation_m, otherwise_m),
    )
    for middle in range(count):
        above, below = main[middle], downstream[middle]
        if min(above, below) >= 0 and main[below] == middle and not is_break[above] and not is_break[middle]:
            up_m, down_m = step_m[above], step_m[middle]
            bend = np.zeros(count)
            bend[[above, middle, below]] = 1 / up_m, -1 / up_m - 1 / down_m, 1 / down_m
            rows.append(bend[None] / np.sqrt(variance_per_m[middle] * (up_m + down_m) / 2))
            right = np.append(right, 0.0)
    expected = np.linalg.lstsq(np.concatenate(rows), right, rcond=None)[0]
    assert len(rows) > 3
    assert found == pytest.approx(expected, abs=1e-7)


@pytest.mark.parametrize("seed", SEEDS)
def test_means_medians_and_slopes_along_a_stem(seed):
    downstream, step_m, main, random = tree(seed)
    value, usable = random.normal(size=40), random.random(40) < 0.7
    sometimes = np.where(usable, value, np.nan)
    fit_m = np.array([step_m[along(each, downstream)].sum() / 100 for each in range(40)])
    fit_m += random.normal(size=40)
    is_break = random.random(40) < 0.2

    mean, median = (
        mean_along(value, usable, main, downstream, step_m, 70.0),
        median_along(sometimes, main, downstream),
    )
    slope, over_m = slopes_along(fit_m, main, downstream, step_m, is_break)

    for station in range(40):
        up, down = ways(station, main, downstream, step_m)
        near = [(each, np.exp(-way_m / 70.0)) for each, way_m in up + down[1:] if usable[each]]
        weight = sum(share for _, share in near)
        expected = sum(share * value[each] for each, share in near) / weight if near else 0.0
        assert mean[station] == pytest.approx(expected, abs=1e-12)

        window = [each for each, _ in up[:SPREAD_STATIONS] + down[1 : SPREAD_STATIONS + 1]]
        known = sometimes[window][~np.isnan(sometimes[window])]
        assert median[station] == (np.median(known) if len(known) else 0.0)

        # As far as the first station at the distance or beyond.
        ends = [
            next((at for at, (_, way_m) in enumerate(way) if way_m >= SLOPE_OVER_M), len(way) - 1)
            for way in (up, down)
        ]
        stem = [each for each, _ in up[: ends[0] + 1]][::-1] + [each for each, _ in down[1 : ends[1] + 1]]
        whole_m = up[ends[0]][1] + down[ends[1]][1]
        fall_m = fit_m[stem[0]] - fit_m[stem[-1]]
        stepped_m = sum(fit_m[one] - fit_m[downstream[one]] for one in stem[:-1] if is_break[one])
        assert over_m[station] == pytest.approx(whole_m)
        expected = (fall_m - stepped_m) / whole_m if whole_m > 0 and fall_m > 0 else 0.0
        assert slope[station] == pytest.approx(expected, abs=1e-12)


def test_medians_of_a_long_stem_are_of_fifteen_stations_to_either_side():
    downstream, main = np.append(np.arange(1, 40), -1).astype(np.int32), np.arange(-1, 39).astype(np.int32)
    value = np.random.default_rng(1).random(40)

    assert median_along(value, main, downstream)[20] == np.median(value[6:36])


def test_a_slope_over_half_a_metre_and_none_between_equal_ends():
    downstream, main = np.array([1, 2, -1], dtype=np.int32), np.array([-1, 0, 1], dtype=np.int32)
    step_m, no_break = np.array([0.2, 0.3, 0.0]), np.zeros(3, dtype=bool)

    assert slopes_along(np.array([3.0, 2.5, 2.0]), main, downstream, step_m, no_break)[0].tolist() == [2.0] * 3
    # What falls at the break rises before it.
    found = slopes_along(np.array([2.0, 3.0, 2.0]), main, downstream, step_m, np.array([False, True, False]))
    assert found[0].tolist() == [0.0] * 3


def test_a_mean_where_nothing_counts_and_a_median_without_a_value_are_nothing():
    downstream, main = np.array([1, -1], dtype=np.int32), np.array([-1, 0], dtype=np.int32)

    assert mean_along(np.ones(2), np.zeros(2, dtype=bool), main, downstream, np.ones(2), 1.0).tolist() == [
        0.0,
        0.0,
    ]
    assert median_along(np.full(2, np.nan), main, downstream).tolist() == [0.0, 0.0]


# A stem with runs of 4, 5, 6 and 5 stations at one level, 150, 80, 100 and 76 m long; and a tributary.
def test_runs_of_one_level_are_flat_from_a_number_of_stations_and_a_length_on():
    level_m = np.repeat([9.0, 8.0, 7.0, 6.0], [4, 5, 6, 5])
    step_m = np.repeat([50.0, 20.0, 20.0, 19.0], [4, 5, 6, 5])
    downstream = np.append(np.arange(1, 20), -1).astype(np.int32)
    main = np.arange(-1, 19).astype(np.int32)

    assert MIN_FLAT_STATIONS == 5
    for length_m, flat in ((80.0, [0, 1, 1, 0]), (80.5, [0, 0, 1, 0]), (76.0, [0, 1, 1, 1]), (0.0, [0, 1, 1, 1])):
        found = _level_runs(level_m, downstream, main, step_m, length_m)
        assert found.tolist() == np.repeat(np.array(flat, dtype=bool), [4, 5, 6, 5]).tolist()
    # A stream that is level from its source on.
    found = _level_runs(np.ones(5), downstream[15:] - 15 * (downstream[15:] > 0), main[:5], np.full(5, 20.0), 80.0)
    assert found.tolist() == [True] * 5
    # Of a tributary into station 7 nothing is counted on.
    aside = np.append(downstream, 7).astype(np.int32)
    found = _level_runs(np.append(level_m, 8.0), aside, np.append(main, -1), np.append(step_m, 20.0), 80.0)
    assert found.tolist() == [*np.repeat([False, True, True, False], [4, 5, 6, 5]).tolist(), False]


def test_who_is_one_with_the_next_takes_its_number():
    downstream = np.array([1, 2, 3, -1], dtype=np.int32)

    found = _handed_up(np.arange(4), np.array([True, True, False, False]), downstream)

    assert found.tolist() == [2, 2, 2, 3]


@pytest.mark.parametrize("seed", SEEDS)
def test_errors_up_a_stream_are_a_chain_from_its_outlet(seed):
    downstream, _, _, random = tree(seed)
    own, rho = random.normal(size=40), random.random(40)
    noise = own.copy()

    _correlate_upstream(noise, downstream, rho)

    for station in range(40):
        way = along(station, downstream)
        expected = own[way[-1]]
        for each in way[-2::-1]:
            expected = rho[each] * expected + np.sqrt(1 - rho[each] ** 2) * own[each]
        assert noise[station] == pytest.approx(expected)


@pytest.mark.parametrize("seed", SEEDS)
def test_a_profile_with_its_drops_times_a_factor(seed):
    downstream, _, _, random = tree(seed)
    profile_m, factor = random.normal(size=40), random.uniform(0.5, 2.0, 40)
    profile_m[random.random(40) < 0.1] = np.nan

    found = _with_drops_times(factor, profile_m, downstream)

    for station in range(40):
        # From the last station that is known all the way down, which stays as it is.
        way = along(station, downstream)
        end = next((at - 1 for at, each in enumerate(way) if at and np.isnan(profile_m[each])), len(way) - 1)
        drops = [factor[each] * (profile_m[each] - profile_m[downstream[each]]) for each in way[:end]]
        assert found[station] == pytest.approx(profile_m[way[end]] + sum(drops), nan_ok=True)


def test_the_error_of_a_head_is_the_root_of_the_mean_square_of_differences():
    errors_m = np.array([[1.0, 2.0, 3.0], [0.0, 4.0, 1.0]], dtype=np.float32)

    found = _root_mean_square_difference(errors_m, np.array([0, 0]), np.array([1, 0]))

    assert found.tolist() == pytest.approx([np.sqrt((1 + 4 + 4) / 3), 0.0])


@pytest.mark.parametrize("seed", SEEDS)
def test_the_station_nearest_to_a_length_downstream_within_a_tolerance(seed):
    downstream, step_m, _, _ = tree(seed)
    lengths_m = np.array([10.0, 25.0, 100.0, 165.0, 400.0])

    found = _stations_below(downstream, step_m, lengths_m, 0.1)

    for station in range(40):
        way = along(station, downstream)
        way_m = np.cumsum([0.0, *step_m[way[:-1]]])
        for number, length_m in enumerate(lengths_m):
            off_m = np.abs(way_m - length_m)
            # Of two as near the one further down, and none that is the station itself.
            nearest = len(way) - 1 - int(np.argmin(off_m[::-1]))
            fits = nearest > 0 and off_m[nearest] <= 0.1 * length_m
            assert found[station, number] == (way[nearest] if fits else -1)


def test_of_stations_at_one_place_at_a_length_it_is_the_first():
    downstream = np.array([1, 2, -1], dtype=np.int32)

    assert _stations_below(downstream, np.array([10.0, 0.0, 0.0]), np.array([10.0]), 0.1)[0] == 1


@pytest.mark.parametrize("seed", SEEDS)
def test_stretches_reach_to_the_first_station_at_a_length_and_over_nothing_barred(seed):
    downstream, step_m, _, random = tree(seed)
    step_m[random.random(40) < 0.1] = 0.0
    barred = random.random(40) < 0.1

    found = _windows(downstream, step_m, barred, 150.0)

    expected = []
    for station in range(40):
        way = along(station, downstream)
        way_m = np.cumsum([0.0, *step_m[way[:-1]]])
        end = next((at for at, each_m in enumerate(way_m) if each_m >= 150.0), None)
        if step_m[station] > 0 and end is not None and not barred[way[1 : end + 1]].any():
            expected.append((station, way[end], way_m[end]))
    assert list(zip(*(each.tolist() for each in found), strict=True)) == expected
    assert len(expected) > 5


# Even steps whose sum falls short of the length by rounding alone are as long.
def test_steps_that_add_up_but_for_rounding_are_long_enough():
    downstream = np.append(np.arange(1, 11), -1).astype(np.int32)

    found = _windows(downstream, np.full(11, 0.1), np.zeros(11, dtype=bool), 1.0)

    assert (found[0].tolist(), found[1].tolist()) == ([0], [10])


# The greatest ratio over all widths, and the first width that has it; the variance of a difference of two means of
# a chain by the matrix of its correlations.
@pytest.mark.parametrize(("scale", "length_m"), [(1.0, 0.0), (1.0, 80.0), (0.02, 0.9)])
@pytest.mark.parametrize("seed", SEEDS)
def test_a_step_is_scored_by_the_width_at_which_it_stands_out_most(seed, scale, length_m):
    downstream, step_m, main, random = tree(seed)
    step_m *= scale
    step_m[random.random(40) < 0.05] = 0.0
    usable, widths = random.random(40) < 0.8, np.array([1, 2, 3, 5])
    usable[:3] = True
    elevation_m = np.where(usable, random.normal(size=40) - 0.2 * np.arange(40), 0.0) + 3.0 * (np.arange(40) < 3)
    slope, over_m = random.uniform(0.0, 0.02, 40) / scale, random.uniform(50.0, 600.0, 40) * scale
    # And a place without any error.
    rmse_m = np.where(random.random(40) < 0.1, 0.0, random.uniform(0.1, 0.5, 40))
    slope[rmse_m == 0.0] = 0.0

    given = (elevation_m, usable, main, downstream, step_m, slope, over_m, rmse_m, np.full(40, length_m), widths)
    # Without the compiler numpy warns of an endless score times no error, which is no number.
    with np.errstate(invalid="ignore"):
        score, width = _step_scores(*given)

    for station in range(40):
        expected, at_width = 0.0, 0
        below = downstream[station]
        if below >= 0 and main[below] == station and step_m[station] > 0:
            up, _ = ways(station, main, downstream, step_m)
            # Down to where the stem joins a longer one.
            _, down = ways(below, main, downstream, step_m)
            own = next((at for at in range(1, len(down)) if main[down[at][0]] != down[at - 1][0]), len(down))
            for each in widths.tolist():
                above = [(one, way_m) for one, way_m in up[:each] if usable[one]]
                under = [(one, way_m) for one, way_m in down[: min(each, own)] if usable[one]]
                if not above or not under:
                    continue
                way_m = step_m[station] + np.mean([w for _, w in above]) + np.mean([w for _, w in under])
                fall_m = np.mean([elevation_m[one] for one, _ in above]) - np.mean(
                    [elevation_m[one] for one, _ in under]
                )
                over = fall_m - slope[station] * way_m
                rho = np.exp(-step_m[station] / length_m) if length_m else 0.0
                at = np.arange(len(above) + len(under))
                weight = np.append(np.full(len(above), 1 / len(above)), np.full(len(under), -1 / len(under)))
                variance = rmse_m[station] ** 2 * (weight @ rho ** np.abs(at[:, None] - at) @ weight)
                share = SLOPE_ERROR
                error = share * slope[station]
                if way_m < MAX_SHARE * over_m[station]:
                    rest = slope[station] * (over_m[station] - way_m) - over
                    error = max(share * max(rest, 0.0) / over_m[station], MIN_SLOPE_ERROR * slope[station])
                variance += (error * way_m) ** 2
                ratio = (over / np.sqrt(variance) if variance > 0 else np.inf) if over >= MIN_STEP_M else 0.0
                if ratio > expected:
                    expected, at_width = ratio, each
        assert score[station] == pytest.approx(expected, rel=1e-9)
        assert width[station] == at_width
    assert (score > 0).sum() > 5


@pytest.mark.parametrize("seed", SEEDS)
def test_a_peak_is_the_upper_one_of_equals_within_its_windows(seed):
    downstream, _, main, random = tree(seed)
    # Of few values, so that there are equals; the least of them is just enough.
    score = random.choice([0.0, 3.2, 3.3, 4.0, 5.0], 40)
    width = random.integers(1, 5, 40)

    found = _peaks(score, width, main, downstream)

    for station in range(40):
        reach = max(2, width[station])
        above, below = along(station, main)[1 : reach + 1], along(station, downstream)[1 : reach + 1]
        highest = (score[above] < score[station]).all() and (score[below] <= score[station]).all()
        assert found[station] == (highest and score[station] >= 3.3)


@pytest.mark.parametrize("seed", SEEDS)
def test_known_breaks_stand_in_place_of_those_within_two_stations(seed):
    downstream, _, main, random = tree(seed)
    is_break, known = random.random((2, 40)) < [[0.4], [0.1]]
    is_break[0] = known[1] = True

    found = _giving_way(is_break, known, main, downstream)

    near = [each for one in np.flatnonzero(known) for way in (main, downstream) for each in along(one, way)[1:3]]
    expected = is_break.copy()
    expected[near] = False
    assert found.tolist() == (expected | known).tolist()


# Down a stream of seven stations from a peak at the second: over rejected ones no lower than it.
@pytest.mark.parametrize(
    ("usable", "elevation_m", "head"),
    [
        ([1, 1, 1, 1, 1, 1, 1], [9, 8, 8, 8, 7, 6, 5], 1),
        ([1, 1, 0, 1, 1, 1, 1], [9, 8, 8, 8, 7, 6, 5], 2),
        ([1, 1, 0, 0, 1, 1, 1], [9, 8, 9, 8, 7, 6, 5], 3),
        ([1, 1, 0, 0, 1, 1, 1], [9, 8, 9, 7, 7, 6, 5], 2),
        ([1, 0, 0, 0, 1, 1, 1], [9, 8, 9, 9, 7, 6, 5], 1),
        ([1, 1, 0, 0, 0, 0, 0], [9, 8, 9, 9, 9, 9, 9], 5),
    ],
)
def test_a_break_moves_down_over_rejected_stations_as_high_as_its_own(usable, elevation_m, head):
    downstream = np.array([1, 2, 3, 4, 5, 6, -1], dtype=np.int32)

    found = _below_refused(np.arange(7) == 1, np.array(elevation_m, float), np.array(usable, bool), downstream)

    assert np.flatnonzero(found).tolist() == [head]


# Two links of five and four segments into a third; each begins with a station that has none.
@pytest.mark.parametrize("scale", [1.0, 0.02])
def test_slopes_around_a_segment_are_medians_of_the_next_three(scale):
    segment_m = scale * np.array([0.0, 10, 20, 10, 10, 20, 0, 5, 10, 5, 10, 0, 10, 20, 40, 10])
    downstream = np.array([1, 2, 3, 4, 5, 11, 7, 8, 9, 10, 11, 12, 13, 14, 15, -1], dtype=np.int32)
    profile_m = 30.0 - np.random.default_rng(3).random(16).cumsum()

    found = slopes_around(profile_m, downstream, segment_m)

    for station in range(16):
        if segment_m[station] == 0:
            assert np.isnan(found.above[station])
            assert np.isnan(found.below[station])
            continue
        first = max(each for each in range(station + 1) if segment_m[each] == 0)
        above = [(profile_m[at - 1] - profile_m[at]) / segment_m[at] for at in range(station - 1, first, -1)][:3]
        way = along(station, downstream)
        below = [
            (profile_m[one] - profile_m[other]) / segment_m[other]
            for one, other in pairwise(way)
            if segment_m[other] > 0
        ][:3]
        assert found.above[station] == pytest.approx(np.median(above or below))
        assert found.below[station] == pytest.approx(np.median(below or above))


def test_a_segment_without_neighbours_has_no_slope_around_it():
    found = slopes_around(np.array([5.0, 3.0]), np.array([1, -1], dtype=np.int32), np.array([0.0, 10.0]))

    assert (found.above[1], found.below[1]) == (0.0, 0.0)


# A lake fed by two streams: its longest level way, and not its branch of 15 m, says how long it is.
@pytest.mark.parametrize(("shortest_m", "is_long"), [(40.0, True), (40.5, False)])
def test_level_segments_are_those_of_a_lake_with_its_longest_way(shortest_m, is_long):
    downstream = np.array([1, 2, 6, 4, 5, 6, 7, 8, -1], dtype=np.int32)
    raw_m = np.array([9.0, 5.0, 5.0004, 8.0, 5.0, 5.0, 5.0, 5.0008, 2.0])
    to_downstream_m = np.array([10.0, 20, 10, 10, 10, 5, 10, 10, 0])
    segment_m = np.array([0.0, 10, 20, 0, 10, 10, 0, 10, 10])

    found = level_segments(raw_m, downstream, to_downstream_m, segment_m, shortest_m)

    assert np.flatnonzero(found).tolist() == ([2, 5, 7] if is_long else [])
    # A millimetre is level, and more is not; nor is what is not known.
    for off_m, is_level in ((0.00099, True), (0.0011, False), (np.nan, False)):
        found = level_segments(
            np.array([1.0, 1.0 + off_m]), downstream[[0, 8]], np.ones(2), np.array([0.0, 1.0]), 1.0
        )
        assert found.tolist() == [False, is_level]
