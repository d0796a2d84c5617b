"""Slope of the water surface: over the shortest length that resolves it, and never across a drop."""

import numpy as np
import pytest

from sitefinder.network.ordering import main_upstream
from sitefinder.profile.water_slopes import _windows, water_slopes

STEP_M = 20.0
COUNT = 60


def line(slope=0.01, drop_after=None, drop_m=2.0, **given):
    downstream = np.append(np.arange(1, COUNT), -1).astype(np.int32)
    to_downstream_m = np.append(np.full(COUNT - 1, STEP_M), 0.0)
    profile_m = 100.0 - slope * STEP_M * np.arange(COUNT)
    is_drop = np.zeros(COUNT, dtype=bool)
    if drop_after is not None:
        profile_m[drop_after + 1 :] -= drop_m
        is_drop[drop_after] = True
    errors = np.random.default_rng(3).normal(0.0, given.pop("error_m", 0.0), (COUNT, 400)).astype(np.float32)
    options = {"lengths_m": [100.0, 400.0], "min_length_m": np.zeros(COUNT), "standard_errors": 2.0} | given
    main = main_upstream(downstream, to_downstream_m)
    return water_slopes(profile_m, errors, main, downstream, to_downstream_m, is_drop, **options)


def test_a_stretch_longer_than_the_stream_is_all_of_it():
    downstream = np.append(np.arange(1, 8), -1).astype(np.int32)
    step_m = np.append(np.full(7, STEP_M), 0.0)
    rows = np.array([0, 3, 7])

    found = _windows(
        rows, np.full(3, 1e4), main_upstream(downstream, step_m), downstream, step_m, np.zeros(8, bool)
    )

    assert [each.tolist() for each in found] == [[0] * 3, [7] * 3, [7 * STEP_M] * 3]


def test_a_straight_stream_has_its_slope_everywhere():
    found = line()

    np.testing.assert_allclose(found.slope, 0.01)
    np.testing.assert_allclose(found.over_m, 100.0)


def test_the_drop_of_a_weir_is_no_slope():
    found = line(drop_after=30)

    np.testing.assert_allclose(found.slope, 0.01)
    # Where the drop is not known of, it is a slope of 2 m in 100 m more.
    unknown = water_slopes_across_an_unknown_drop()
    assert unknown.slope[30] == pytest.approx(0.03)


def water_slopes_across_an_unknown_drop():
    downstream = np.append(np.arange(1, COUNT), -1).astype(np.int32)
    to_downstream_m = np.append(np.full(COUNT - 1, STEP_M), 0.0)
    profile_m = 100.0 - 0.01 * STEP_M * np.arange(COUNT) - 2.0 * (np.arange(COUNT) > 30)
    nothing = np.zeros(COUNT, dtype=bool), [100.0], np.zeros(COUNT), 2.0
    errors = np.zeros((COUNT, 2), dtype=np.float32)
    main = main_upstream(downstream, to_downstream_m)
    return water_slopes(profile_m, errors, main, downstream, to_downstream_m, *nothing)


def test_a_slope_that_a_short_length_does_not_resolve_is_taken_over_a_longer_one():
    # Two ends of 0.4 m error each: 0.57 m. The fall of 100 m, 1 m, is less than two of them, that of 400 m seven.
    found = line(error_m=0.4)

    assert set(np.unique(found.over_m)) <= {100.0, 400.0}
    assert (found.over_m == 400.0).mean() > 0.8
    np.testing.assert_allclose(found.slope, 0.01)


def test_what_no_length_resolves_has_no_slope():
    found = line(slope=0.001, error_m=0.4)

    assert np.isnan(found.slope).all()
    assert np.isnan(found.over_m).all()


def test_a_stretch_between_two_drops_that_is_too_short_has_no_slope():
    downstream = np.append(np.arange(1, COUNT), -1).astype(np.int32)
    to_downstream_m = np.append(np.full(COUNT - 1, STEP_M), 0.0)
    is_drop = np.isin(np.arange(COUNT), [20, 24])
    given = is_drop, [100.0], np.zeros(COUNT), 2.0
    errors = np.zeros((COUNT, 2), dtype=np.float32)
    main = main_upstream(downstream, to_downstream_m)

    found = water_slopes(100.0 - np.arange(COUNT), errors, main, downstream, to_downstream_m, *given)

    # Stations 21 to 24 have 60 m among them.
    assert np.flatnonzero(np.isnan(found.slope)).tolist() == [21, 22, 23, 24]


def test_wide_streams_are_looked_at_over_some_widths():
    found = line(min_length_m=np.full(COUNT, 240.0))

    np.testing.assert_allclose(found.over_m, 240.0)


def test_a_tributary_keeps_the_slope_of_its_own_above_the_confluence():
    # Stations 0 to 9 of a steep tributary and 10 to 29 of a flat stem, which meet in 30.
    downstream = np.array([*range(1, 10), 30, *range(11, 31), *range(31, 41), -1], dtype=np.int32)
    to_downstream_m = np.append(np.full(len(downstream) - 1, STEP_M), 0.0)
    profile_m = np.empty(len(downstream))
    profile_m[30:] = 50.0 - 0.002 * STEP_M * np.arange(len(downstream) - 30)
    profile_m[10:30] = 50.0 + 0.002 * STEP_M * np.arange(20, 0, -1)
    profile_m[:10] = 50.0 + 0.05 * STEP_M * np.arange(10, 0, -1)
    errors = np.zeros((len(downstream), 2), dtype=np.float32)
    given = np.zeros(len(downstream), dtype=bool), [100.0], np.zeros(len(downstream)), 2.0

    main = main_upstream(downstream, to_downstream_m)
    found = water_slopes(profile_m, errors, main, downstream, to_downstream_m, *given)

    np.testing.assert_allclose(found.slope[:10], 0.05)
    np.testing.assert_allclose(found.slope[10:], 0.002)


def test_level_water_has_no_slope_however_sure_it_is_and_a_fall_as_sure_as_asked_has_one():
    # Without errors a fall of nothing is as many standard errors as are asked for.
    assert np.isnan(line(slope=0.0).slope).all()
    assert np.isnan(line(slope=-0.01).slope).all()

    # Ends that are 1 m off against each other in each simulation, about the middle of five stations.
    main, downstream = np.arange(-1, 4, dtype=np.int32), np.array([1, 2, 3, 4, -1], dtype=np.int32)
    errors_m = np.array([[0.5], [0.0], [0.0], [0.0], [-0.5]], dtype=np.float32)
    profile_m = np.array([4.0, 3.0, 2.0, 1.0, 0.0])
    given = errors_m, main, downstream, np.full(5, 10.0), np.zeros(5, bool), [40.0], np.zeros(5)

    assert water_slopes(profile_m, *given, 4.0).slope.tolist() == [0.1] * 5
    assert np.isnan(water_slopes(profile_m, *given, 4.001).slope).all()


def test_a_stream_of_no_known_width_is_looked_at_over_the_lengths_alone_and_unknown_water_has_no_slope():
    min_length_m = np.full(COUNT, np.nan)
    min_length_m[:20] = 200.0

    found = line(min_length_m=min_length_m)

    assert found.over_m.tolist() == [200.0] * 20 + [100.0] * (COUNT - 20)

    # Two streams of three stations, of the first of which nothing is known.
    main, downstream = np.array([-1, 0, 1, -1, 3, 4], np.int32), np.array([1, 2, -1, 4, 5, -1], np.int32)
    profile_m, errors_m = np.array([np.nan, np.nan, np.nan, 2.0, 1.0, 0.0]), np.zeros((6, 1), dtype=np.float32)
    found = water_slopes(
        profile_m, errors_m, main, downstream, np.full(6, 10.0), np.zeros(6, bool), [20.0], np.zeros(6), 2.0
    )
    assert np.array_equal(found.slope, [np.nan] * 3 + [0.1] * 3, equal_nan=True)
    assert np.array_equal(found.over_m, [np.nan] * 3 + [20.0] * 3, equal_nan=True)
