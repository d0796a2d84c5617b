"""Contours of a tilted plane and of a hill with a hole, and of a DEM too coarse for them."""

import numpy as np
import pytest
import shapely

from sitefinder.report.sheets.contours import contour_interval_m, contours

X, Y = np.arange(0.0, 101.0, 5.0), np.arange(100.0, -1.0, -5.0)


def test_contours_of_a_tilted_plane_are_straight_and_where_its_levels_are():
    plane = np.tile(0.1 * X, (len(Y), 1))

    lines = contours(plane, X, Y, 2.0)

    # From 0 to 10 m; the lowest and highest are its edges.
    inner = {round(line.coords[0][0]): line for line in lines if 1.0 < line.coords[0][0] < 99.0}
    assert sorted(inner) == [20, 40, 60, 80]
    for east, line in inner.items():
        assert line.length == pytest.approx(100.0)
        assert shapely.get_coordinates(line)[:, 0] == pytest.approx(np.full(len(line.coords), east))


def test_no_contour_crosses_ground_that_is_not_known():
    across, up = np.meshgrid(X, Y)
    hill = 20.0 - 0.2 * np.hypot(across - 50.0, up - 50.0)
    hill[(across > 40.0) & (across < 60.0)] = np.nan

    lines = contours(hill, X, Y, 5.0)

    assert lines
    hole = shapely.box(40.5, 0.0, 59.5, 100.0)
    assert not any(line.crosses(hole) or line.within(hole) for line in lines)
    assert contours(np.full((3, 3), np.nan), X[:3], Y[:3], 5.0) == []
    assert contours(np.empty((0, 0)), X[:0], Y[:0], 5.0) == []


def test_contours_are_as_far_apart_as_the_error_of_the_dem_asks_and_none_where_it_hides_the_ground():
    # 3.29 × 0.5 m is 1.6 m; 3.29 × 4 m is 13 m; of 30 m a global DEM's 10 m leaves nothing.
    assert contour_interval_m(20.0, 0.5) == 2.0
    assert contour_interval_m(60.0, 4.0) == 20.0
    assert contour_interval_m(30.0, 10.0) is None
    assert contour_interval_m(3.0, 0.5) is None
    assert contour_interval_m(float("nan"), 0.5) is None
