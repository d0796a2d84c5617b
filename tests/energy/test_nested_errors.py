"""Errors of flow that nested catchments share, against the areas that they have in common."""

import numpy as np
import pytest

from sitefinder.energy.uncertainty import nested_normals

SIMULATIONS = 8000
# Half of the simulations mirror the others. A sampled correlation of n pairs is off by at most 1 / sqrt(n), a
# sampled variance by sqrt(2 / n) of itself.
OFF = 4 / np.sqrt(SIMULATIONS // 2)


# A tree whose stations each drain some ground of their own, and its areas.
def tree(seed, count=40):
    rng = np.random.default_rng(seed)
    below = np.arange(count) + rng.integers(1, 5, count)
    downstream = np.where(below < count, below, -1).astype(np.int32)
    local = rng.uniform(0.1, 2.0, count)
    area = local.copy()
    for station in range(count):
        if downstream[station] >= 0:
            area[downstream[station]] += area[station]
    return downstream, area


def holds(downstream, outer, inner):
    """Whether the catchment of `outer` holds that of `inner`."""
    while inner >= 0 and inner != outer:
        inner = downstream[inner]
    return inner == outer


@pytest.mark.parametrize("seed", range(3))
def test_errors_correlate_by_the_ground_in_common(seed):
    downstream, area = tree(seed)
    stations = np.arange(0, 40, 3)

    errors = nested_normals(downstream, area, stations, SIMULATIONS, seed)[..., 0]

    found = np.corrcoef(errors)
    for row, one in enumerate(stations):
        for column, other in enumerate(stations):
            inner, outer = sorted((one, other))
            common = area[inner] if holds(downstream, outer, inner) else 0.0
            assert found[row, column] == pytest.approx(common / np.sqrt(area[inner] * area[outer]), abs=OFF)
    assert errors.var(axis=1) == pytest.approx(np.ones(len(stations)), rel=4 * np.sqrt(2 / (SIMULATIONS // 2)))


def test_a_simulation_of_a_station_is_the_same_whatever_else_is_asked_for():
    downstream, area = tree(7)

    some = nested_normals(downstream, area, np.array([5, 30]), 10, 3)
    more = nested_normals(downstream, area, np.array([30, 2, 5]), 26, 3)

    assert np.array_equal(some[:, :5], more[[2, 0], :5])
    assert np.array_equal(some[:, 5:], -some[:, :5])
    assert not np.array_equal(some, nested_normals(downstream, area, np.array([5, 30]), 10, 4))


def test_a_point_further_down_with_no_more_ground_has_the_same_error():
    errors = nested_normals(np.array([1, 2, -1]), np.array([3.0, 3.0, 6.0]), np.array([0, 1, 2]), 50, 1)

    assert np.array_equal(errors[0], errors[1])
    assert not np.array_equal(errors[1], errors[2])


@pytest.mark.parametrize("area", [[0.0, 0.0, 0.0], [np.nan, 2.0, np.nan], [3.0, 4.0, 5.0], [3.0, 3.0, 2.0]])
def test_areas_that_do_not_add_up_still_give_variance_one(area):
    # Two streams that join: the third would have at least the sum of the first two.
    errors = nested_normals(np.array([2, 2, -1]), np.array(area), np.arange(3), SIMULATIONS, 1)[..., 0]

    assert errors.var(axis=1) == pytest.approx(np.ones(3), rel=4 * np.sqrt(2 / (SIMULATIONS // 2)))


def test_lengths_that_differ_are_refused():
    with pytest.raises(ValueError, match=r"the same length, found \(2,\) and \(1,\)"):
        nested_normals(np.array([1, -1]), np.array([1.0]), np.array([0]), 1, 1)
