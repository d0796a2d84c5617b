"""Breaks of the long profile: steps found at their station, slopes and confluences not taken for any."""

import numpy as np
import pytest

from sitefinder.network.ordering import main_upstream
from sitefinder.profile.breaks import _variance_of_difference, find_breaks

STEP_M = 10.0


def river(count):
    return np.append(np.arange(1, count), -1).astype(np.int32), np.append(np.full(count - 1, STEP_M), 0.0)


def found(raw_m, downstream, step_m, slope, rmse_m, length_m=0.0, known_break=None):
    count = len(raw_m)
    main = main_upstream(downstream, step_m)
    given = (np.full(count, slope), np.full(count, 600.0), np.full(count, rmse_m), length_m, known_break)
    return np.flatnonzero(find_breaks(raw_m, np.ones(count, bool), main, downstream, step_m, *given)).tolist()


@pytest.mark.parametrize("rho", [0.0, 0.4, 0.95])
@pytest.mark.parametrize(("up", "down"), [(1, 1), (3, 5), (6, 2)])
def test_the_variance_of_a_step_is_that_of_two_means_of_correlated_errors(rho, up, down):
    # The quadratic form of the weights with the correlations, by the distance between stations.
    at = np.arange(up + down)
    weight = np.append(np.full(up, 1 / up), np.full(down, -1 / down))
    correlation = rho ** np.abs(at[:, None] - at) if rho else np.eye(up + down)

    assert _variance_of_difference(rho, up, down) == pytest.approx(weight @ correlation @ weight, rel=1e-9)


def test_errors_that_are_all_alike_leave_no_error_to_a_step():
    assert _variance_of_difference(1.0, 3, 2) == 0.0


@pytest.mark.parametrize(("rmse_m", "length_m"), [(0.1, 0.0), (0.15, 60.0), (0.5, 200.0)])
def test_a_step_is_found_at_its_station(rmse_m, length_m):
    downstream, step_m = river(120)
    at_step = elsewhere = 0
    for seed in range(20):
        rng = np.random.default_rng(seed)
        rho = np.exp(-STEP_M / length_m) if length_m else 0.0
        noise_m = rmse_m * rng.normal(size=120)
        for i in range(1, 120):
            noise_m[i] = rho * noise_m[i - 1] + np.sqrt(1.0 - rho**2) * noise_m[i]
        raw_m = 0.02 * (120 - np.arange(120)) + np.where(np.arange(120) < 50, 2.5, 0.0) + noise_m
        breaks = found(raw_m, downstream, step_m, 0.002, rmse_m, length_m)
        at_step += 49 in breaks
        elsewhere += len(set(breaks) - {49})

    assert at_step >= 19
    assert elsewhere <= 5


@pytest.mark.parametrize("slope", [0.001, 0.01, 0.05])
def test_noise_on_an_even_slope_is_seldom_a_break(slope):
    downstream, step_m = river(300)
    many = 0
    for seed in range(20):
        rng = np.random.default_rng(seed)
        raw_m = -slope * STEP_M * np.arange(300) + rng.normal(0.0, 0.5, 300)
        many += len(found(raw_m, downstream, step_m, slope, 0.5))

    # 6000 stations; by chance alone 0.05 % of normal numbers lie beyond 3.3, at several widths each.
    assert many <= 12


def test_a_step_far_lower_than_any_plant_needs_is_left():
    downstream, step_m = river(60)
    raw_m = np.where(np.arange(60) < 30, 0.25, 0.0)

    assert found(raw_m, downstream, step_m, 1e-4, 0.01) == []


def test_none_is_found_right_below_a_confluence_but_a_known_one_stays():
    # Two streams of ten stations meet at station 20, which reads 2 m too high.
    downstream = np.append(np.arange(1, 40), -1).astype(np.int32)
    downstream[9] = 20
    step_m = np.append(np.full(39, STEP_M), 0.0)
    raw_m = np.where(np.arange(40) <= 20, 2.0, 0.0) + np.linspace(0.4, 0.0, 40)
    known = np.arange(40) == 20

    assert found(raw_m, downstream, step_m, 0.001, 0.05) == []
    assert found(raw_m, downstream, step_m, 0.001, 0.05, known_break=known) == [20]


def test_correlation_may_be_given_station_by_station():
    downstream, step_m = river(120)
    raw_m = np.where(np.arange(120) < 50, 1.2, 0.0) + np.random.default_rng(2).normal(0.0, 0.5, 120)

    one, by_station = (
        found(raw_m, downstream, step_m, 0.001, 0.5, length) for length in (40.0, np.full(120, 40.0))
    )

    assert one == by_station
    # Errors that are known to be alike from station to station let a step between two of them stand out more.
    lower = found(raw_m, downstream, step_m, 0.001, 0.5, np.where(np.arange(120) < 60, 0.0, 40.0))
    assert [i for i in lower if i >= 60] == [i for i in one if i >= 60]
