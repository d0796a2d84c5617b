"""Spikes of the long profile: what stands above the water upstream of it is none of the water."""

import numpy as np
import pytest

from sitefinder.network.ordering import main_upstream
from sitefinder.profile.fitting import find_spikes

DOWNSTREAM = np.append(np.arange(1, 60), -1).astype(np.int32)
STEP_M = np.append(np.full(59, 10.0), 0.0)
MAIN = main_upstream(DOWNSTREAM, STEP_M)
BED_M = 10.0 - 0.02 * np.arange(60)


def spikes(raw_m, rmse_m=0.15, length_m=0.0, usable=None):
    usable = np.ones(60, bool) if usable is None else usable
    error_m = np.full(60, rmse_m)
    return np.flatnonzero(find_spikes(raw_m, usable, MAIN, DOWNSTREAM, STEP_M, error_m, length_m)).tolist()


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
    # Told station by station, that of the station itself counts.
    assert spikes(raw_m, length_m=np.where(np.arange(60) == 30, 500.0, 0.0)) == [30]
    assert spikes(raw_m, length_m=np.where(np.arange(60) == 30, 0.0, 500.0)) == []


def test_too_few_stations_upstream_judge_nothing():
    raw_m = BED_M.copy()
    raw_m[1] += 5.0

    assert 1 not in spikes(raw_m)
    assert spikes(raw_m, usable=np.arange(60) % 7 == 1) == []
