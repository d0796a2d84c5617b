"""The inside of level ground is raised by steps from its border, against a search cell by cell."""

import numpy as np
import pytest

from sitefinder.dem.flats import RAISE_M, raised_inside_flats


# Steps from the nearest cell at the height's border, by a search outward through cells of the same height.
def searched_steps(ground_m):
    rows, columns = ground_m.shape

    def neighbours(row, column):
        around = [(row + down, column + right) for down in (-1, 0, 1) for right in (-1, 0, 1) if down or right]
        return [(r, c) for r, c in around if 0 <= r < rows and 0 <= c < columns]

    steps, reached = np.zeros(ground_m.shape, dtype=int), []
    is_inside = np.zeros(ground_m.shape, dtype=bool)
    for row, column in np.ndindex(ground_m.shape):
        near = neighbours(row, column)
        is_inside[row, column] = len(near) == 8 and all(ground_m[n] == ground_m[row, column] for n in near)
        if not is_inside[row, column]:
            reached.append((row, column))
    seen = set(reached)
    for place in reached:
        for near in neighbours(*place):
            if near not in seen and is_inside[near] and ground_m[near] == ground_m[place]:
                seen.add(near)
                steps[near] = steps[place] + 1
                reached.append(near)
    return steps


@pytest.mark.parametrize("seed", range(6))
def test_each_cell_within_a_flat_is_higher_by_its_steps_from_the_border_and_no_other_is(seed):
    random = np.random.default_rng(seed)
    coarse = random.integers(0, 3, (5, 6)).astype(np.float32)
    ground_m = np.kron(coarse, np.ones((5, 4), dtype=np.float32)) - np.float32(400.0 * (seed % 2))
    ground_m[random.random(ground_m.shape) < 0.02 * (seed % 3)] = np.nan

    raised_m = raised_inside_flats(ground_m)

    steps = searched_steps(ground_m)
    assert steps.max() > 1
    assert raised_m.dtype == np.float64
    np.testing.assert_array_equal(raised_m, ground_m + RAISE_M * steps)
    # So it stands above a neighbour, whatever its height.
    for row, column in np.argwhere(steps > 0):
        assert np.nanmin(raised_m[row - 1 : row + 2, column - 1 : column + 2]) < raised_m[row, column]


@pytest.mark.parametrize("shape", [(1, 1), (2, 9), (9, 2), (3, 3)])
def test_ground_without_an_inside_stays(shape):
    ground_m = np.zeros(shape, dtype=np.float32)
    expected = np.zeros(shape)
    if min(shape) > 2:
        expected[1, 1] = RAISE_M

    np.testing.assert_array_equal(raised_inside_flats(ground_m), expected)
    np.testing.assert_array_equal(
        raised_inside_flats(np.full(shape, np.nan, dtype=np.float32)), np.full(shape, np.nan)
    )
