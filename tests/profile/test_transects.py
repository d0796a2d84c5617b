"""Points across the stream."""

import numpy as np
import pandas as pd
import pytest

from sitefinder.profile.thalweg import transect_points


def station(x_m, y_m, direction_x, direction_y):
    columns = {"x_m": x_m, "y_m": y_m, "direction_x": direction_x, "direction_y": direction_y}
    return pd.DataFrame({name: [float(value)] for name, value in columns.items()})


@pytest.mark.parametrize(
    ("direction", "expected_x_m", "expected_y_m"),
    [
        # The left bank of a stream to the east lies north, of one to the north it lies west, and so on.
        ((1, 0), [100, 100, 100], [190, 200, 210]),
        ((0, 1), [110, 100, 90], [200, 200, 200]),
        ((0, -1), [90, 100, 110], [200, 200, 200]),
        ((0.6, 0.8), [108, 100, 92], [194, 200, 206]),
    ],
)
def test_points_run_from_the_right_bank_to_the_left(direction, expected_x_m, expected_y_m):
    x_m, y_m = transect_points(station(100, 200, *direction), half_width_m=10.0, step_m=10.0)

    assert x_m.tolist() == [pytest.approx(expected_x_m)]
    assert y_m.tolist() == [pytest.approx(expected_y_m)]


@pytest.mark.parametrize(
    ("half_width_m", "step_m", "count"), [(25, 5, 11), (24.9, 5, 9), (0.3, 0.1, 7), (4, 5, 1)]
)
def test_points_are_a_step_apart_as_far_as_the_half_width(half_width_m, step_m, count):
    x_m, y_m = transect_points(station(7, 9, 0.6, 0.8), half_width_m=half_width_m, step_m=step_m)

    assert x_m.shape == y_m.shape == (1, count)
    # The middle one is the station itself.
    assert (x_m[0, count // 2], y_m[0, count // 2]) == (7, 9)
    assert np.hypot(np.diff(x_m[0]), np.diff(y_m[0])) == pytest.approx(np.full(count - 1, step_m))
