"""Which survey's footprint holds at a place: inside, outside, on borders, and where several overlap."""

import numpy as np
import pytest
import shapely

from sitefinder.profile.errors import footprints_at

WEST, EAST = shapely.box(0, 0, 10, 10), shapely.box(10, 0, 20, 10)


def at(places, polygons, day, rmse_m):
    x_m, y_m = np.array(places, dtype=float).T
    found = footprints_at(x_m, y_m, np.array(polygons), np.array(day), np.array(rmse_m, dtype=float))
    return [part.tolist() for part in found]


def test_a_place_has_the_footprint_it_lies_in_or_none():
    assert at([(5, 5), (15, 5), (25, 5), (5, -1)], [WEST, EAST], [0, 0], [1, 1]) == [[0, 1, -1, -1], [1, 1, 0, 0]]


def test_a_hole_is_outside():
    ring = shapely.difference(WEST, shapely.box(4, 4, 6, 6))

    assert at([(5, 5), (1, 1)], [ring], [0], [1])[0] == [-1, 0]


@pytest.mark.parametrize(
    ("day", "rmse_m", "holds"),
    [
        ([10, 20], [0.1, 9.0], 1),  # the later, though it is less exact
        ([20, 10], [9.0, 0.1], 0),
        ([10, 10], [0.5, 0.4], 1),  # of one date the more exact
        ([10, 10], [0.5, 0.5], 0),  # of equals the first
        ([-900, -800], [1.0, 1.0], 1),  # before 1970
    ],
)
def test_of_two_that_overlap_the_later_holds_then_the_more_exact_then_the_first(day, rmse_m, holds):
    assert at([(5, 5)], [WEST, shapely.box(4, 4, 30, 30)], day, rmse_m) == [[holds], [2]]


def test_a_place_on_the_border_lies_in_both():
    assert at([(10, 5)], [WEST, EAST], [10, 20], [1, 1]) == [[1], [2]]


def test_the_rule_is_that_of_looking_at_each_polygon_in_turn():
    # Two routes: many random boxes, asked one by one.
    generator = np.random.default_rng(5)
    corners, sizes = generator.uniform(0, 80, (30, 2)), generator.uniform(5, 40, (30, 2))
    polygons = [shapely.box(*corner, *(corner + size)) for corner, size in zip(corners, sizes, strict=True)]
    day, rmse_m = generator.integers(0, 5, 30), generator.choice([0.1, 0.5, 1.0], 30)
    places = generator.uniform(0, 120, (200, 2))

    found, counts = at(places, polygons, day, rmse_m)

    for place, number, count in zip(places, found, counts, strict=True):
        over = [k for k, polygon in enumerate(polygons) if polygon.contains(shapely.Point(place))]
        assert count == len(over)
        assert number == min(over, key=lambda k: (-day[k], rmse_m[k], k), default=-1)
