"""The stated error of a DEM, and which survey's footprint holds at a place."""

import math

import numpy as np
import pytest
import shapely
from pydantic import ValidationError

from sitefinder.profile.errors import DemErrorFile, footprints_at, stated_error
from sitefinder.settings import DemSource

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


SOURCES = {"error": "a table", "error_correlation_length_m": "a table", "kind": "a page"}


def dem(**stated):
    return DemSource(path="dem.tif", vertical_unit="metre", vertical_datum="EGM96", **stated)


def preset(**stated):
    given = {"name": "kind", "kind": "surface", "error_correlation_length_m": 30.0, "sources": SOURCES}
    return DemErrorFile(**given | stated)


# Of a normal error 90 % lie within 1.6449 and 95 % within 1.9600 standard deviations (tables of the normal
# distribution, from memory).
@pytest.mark.parametrize(
    ("stated", "rmse_m"),
    [
        ({"error_rmse_m": 2.0}, 2.0),
        ({"error_le90_m": 1.6449}, 1.0),
        ({"error_le95_m": 1.9600}, 1.0),
    ],
)
def test_the_error_of_a_dem_is_that_of_the_settings_or_of_their_preset(stated, rmse_m):
    for error in (stated_error(dem(**stated)), stated_error(dem(error_preset="kind"), preset(**stated))):
        assert error.rmse_m == pytest.approx(rmse_m, abs=1e-4)


def test_what_the_settings_leave_out_is_the_presets_or_what_is_usual():
    own = {"error_correlation_length_m": 55.0, "kind": "terrain"}

    assert stated_error(dem(error_rmse_m=2.0))[1:] == (100.0, False)
    assert stated_error(dem(error_rmse_m=2.0, kind="surface"))[1:] == (100.0, True)
    assert stated_error(dem(error_preset="kind"), preset(error_rmse_m=2.0))[1:] == (30.0, True)
    assert stated_error(dem(error_preset="kind"), preset(error_rmse_m=2.0, kind="terrain"))[1:] == (30.0, False)
    assert stated_error(dem(error_preset="kind", **own), preset(error_rmse_m=2.0))[1:] == (55.0, False)
    nought = dem(error_rmse_m=2.0, error_correlation_length_m=0.0)
    assert stated_error(nought).correlation_length_m == 0.0


@pytest.mark.parametrize(
    "stated",
    [
        {},
        {"error_rmse_m": 1.0, "error_le90_m": 1.0},
        {"error_rmse_m": 0.0},
        {"error_le90_m": 0.0},
        {"error_le95_m": 0.0},
        {"error_rmse_m": 1.0, "error_correlation_length_m": -1.0},
        {"error_rmse_m": 1.0, "sources": SOURCES | {"error": ""}},
        {"error_rmse_m": 1.0, "sources": SOURCES | {"kind": ""}},
        {"error_rmse_m": 1.0, "sources": SOURCES | {"error_correlation_length_m": ""}},
        {"error_rmse_m": 1.0, "name": ""},
    ],
)
def test_a_preset_states_one_error_above_nothing_and_the_source_of_each_figure(stated):
    with pytest.raises(ValidationError):
        preset(**stated)


def test_a_preset_may_have_errors_that_are_independent_and_of_a_millimetre():
    assert preset(error_rmse_m=0.001, error_correlation_length_m=0.0).error_correlation_length_m == 0.0
    assert math.isclose(
        stated_error(dem(error_preset="kind"), preset(error_le95_m=0.5)).rmse_m, 0.2551, rel_tol=1e-3
    )
