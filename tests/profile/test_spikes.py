"""Spikes of the long profile: what stands above the water upstream of it is none of the water."""

import numpy as np
import pytest

from sitefinder.network.ordering import main_upstream
from sitefinder.profile.fitting import MIN_STATIONS, REACH_BOTH_SIDES, REACH_STATIONS, _excess, find_spikes

DOWNSTREAM = np.append(np.arange(1, 60), -1).astype(np.int32)
STEP_M = np.append(np.full(59, 10.0), 0.0)
MAIN = main_upstream(DOWNSTREAM, STEP_M)
BED_M = 10.0 - 0.02 * np.arange(60)


def spikes(raw_m, rmse_m=0.15, length_m=0.0, usable=None):
    usable = np.ones(60, bool) if usable is None else usable
    error_m = np.full(60, rmse_m)
    return np.flatnonzero(find_spikes(raw_m, usable, MAIN, DOWNSTREAM, STEP_M, error_m, length_m)).tolist()


@pytest.mark.parametrize("length_m", [0.0, 15.0, 200.0])
def test_heights_are_measured_in_deviations_of_the_difference_from_a_mean_of_correlated_errors(length_m):
    # Against the stations upstream, and against as many on both sides, of which the upper one of the two in the
    # middle counts: the greater of the two. The deviation is the quadratic form of weights and correlations.
    draw, count = np.random.default_rng(3), 30
    step_m = np.append(draw.uniform(4.0, 20.0, count - 1), 0.0)
    downstream = np.append(np.arange(1, count), -1).astype(np.int32)
    raw_m, usable = draw.normal(0.0, 1.0, count), draw.random(count) < 0.85
    at_m = np.append(0.0, np.cumsum(step_m[:-1]))
    away_m = np.abs(at_m[:, None] - at_m)
    correlation = np.exp(-away_m / length_m) if length_m else np.eye(count)

    def over(i, others, middle_m):
        weight = np.zeros(count)
        weight[i], weight[others] = 1.0, -1.0 / len(others)
        return max(raw_m[i] - middle_m, 0.0) / np.sqrt(weight @ correlation @ weight)

    expected = np.zeros(count)
    for i in np.flatnonzero(usable):
        up = [j for j in range(i - 1, max(i - 1 - REACH_STATIONS, -1), -1) if usable[j]]
        if len(up) < MIN_STATIONS:
            continue
        expected[i] = over(i, up, np.median(raw_m[up]))
        near = up[:REACH_BOTH_SIDES]
        down = [j for j in range(i + 1, min(i + 1 + len(near), count)) if usable[j]]
        if len(down) == len(near):
            both = near + down
            expected[i] = max(expected[i], over(i, both, np.sort(raw_m[both])[len(near)]))

    found = _excess(raw_m, usable, main_upstream(downstream, step_m), downstream, step_m, np.full(count, length_m))

    assert (expected > 0).sum() > 5
    assert found == pytest.approx(expected, rel=1e-9)


def test_a_bridge_is_a_spike_and_a_pool_is_none():
    raw_m = BED_M.copy()
    raw_m[30:32] += 3.0
    raw_m[45] -= 3.0

    assert spikes(raw_m) == [30, 31]


@pytest.mark.parametrize("pond", [True, False])
def test_the_station_above_a_step_is_none(pond):
    raw_m = np.where(np.arange(60) <= 30, BED_M + 3.0, BED_M)
    if pond:
        raw_m[20:31] = raw_m[20]

    assert spikes(raw_m) == []


def test_errors_that_are_alike_let_smaller_spikes_stand_out():
    raw_m = BED_M.copy()
    raw_m[30] += 0.45

    assert spikes(raw_m, length_m=0.0) == []
    assert spikes(raw_m, length_m=500.0) == [30]
    # Stated station by station, that of the station itself counts.
    assert spikes(raw_m, length_m=np.where(np.arange(60) == 30, 500.0, 0.0)) == [30]
    assert spikes(raw_m, length_m=np.where(np.arange(60) == 30, 0.0, 500.0)) == []


def test_too_few_stations_upstream_judge_nothing():
    raw_m = BED_M.copy()
    raw_m[1] += 5.0

    assert 1 not in spikes(raw_m)
    assert spikes(raw_m, usable=np.arange(60) % 7 == 1) == []
