"""Cells of features: what is made of a place depends on its cell alone, and holds the place."""

import numpy as np
import pandas as pd
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from sitefinder.rules.generalisation import (
    cell_ids,
    cells_of_features,
    cells_within,
    near,
    public_buffer_m,
    squares,
)
from sitefinder.settings import RuleSettings

CELL_M = 500.0


def cells(*shapes, missing=()):
    geometry = np.array(shapes, dtype=object)
    is_missing = np.isin(np.arange(len(shapes)), missing)
    return cells_of_features(geometry, ~is_missing, is_missing, CELL_M)


def places(table):
    return list(zip(table["column"], table["row"], strict=True))


# Places within a cell, in millimetres.
INSIDE = st.tuples(*[st.integers(0, int(CELL_M * 1000) - 1)] * 2)


@given(st.integers(-2000, 2000), st.integers(-20_000, 20_000), INSIDE, INSIDE)
@settings(deadline=None, max_examples=50)
def test_any_two_points_of_a_cell_give_the_same(column, row, one, other):
    points = [shapely.Point(column * CELL_M + x / 1000, row * CELL_M + y / 1000) for x, y in (one, other)]

    first, second = (cells(point) for point in points)

    assert first.equals(second)
    assert places(first) == [(column, row)]


METRES = st.integers(-3000, 3000)


@given(st.lists(st.tuples(METRES, METRES), min_size=3, max_size=6, unique=True), st.integers(0, 800))
@settings(deadline=None, max_examples=30)
def test_cells_with_the_public_buffer_hold_all_that_the_rule_reaches(corners, buffer_m):
    line = shapely.LineString(corners)
    for publish in ("generalised", "hidden"):
        rule = RuleSettings(name="r", action="exclude", path="r.gpkg", buffer_m=float(buffer_m), publish=publish)
        public_m = public_buffer_m(rule, 0.0, CELL_M)
        for shape in (line, line.convex_hull, shapely.Point(corners[0])):
            found = cells(shape)
            public = shapely.union_all(squares(found["column"].to_numpy(), found["row"].to_numpy(), CELL_M))
            # Circles are drawn as polygons of 64 sides, which lie up to 0.12 % of the radius inside.
            outside = shape.buffer(buffer_m).difference(public.buffer(public_m * 1.0013 + 1e-6))
            assert outside.area == pytest.approx(0, abs=1e-3)


def test_a_line_is_in_every_cell_that_it_touches_and_a_polygon_too():
    table = cells(shapely.LineString([(250, 250), (1250, 250)]), shapely.box(1500, 500, 1600, 600))

    # The square begins on a corner of four cells, and is in the one to the north-east of it.
    assert places(table) == [(0, 0), (1, 0), (2, 0), (3, 1)]


def test_many_features_in_a_cell_are_one_and_one_that_counts_outweighs_one_that_may():
    point = shapely.Point(10, 10)

    table = cells(point, point, shapely.Point(600, 10), shapely.Point(700, 10), missing=(1, 2, 3))

    assert places(table) == [(0, 0), (1, 0)]
    assert table["applies"].tolist() == ["yes", None]


def test_the_order_of_features_is_of_no_matter():
    points = [shapely.Point(x, y) for x, y in ((900, 100), (100, 900), (100, 100))]

    assert cells(*points).equals(cells(*points[::-1]))


def test_a_layer_without_features_that_count_has_no_cell():
    nothing = np.array([False])

    assert len(cells_of_features(np.array([shapely.Point(0, 0)], dtype=object), nothing, nothing, CELL_M)) == 0


def test_an_area_is_covered_where_whole_cells_are():
    area = np.array([shapely.box(0, 0, 1250, 1000), shapely.box(1250, 0, 1600, 700)], dtype=object)

    assert places(cells_within(area, (-400, -400, 2000, 2000), CELL_M)) == [(0, 0), (1, 0), (2, 0), (0, 1), (1, 1)]


def test_cells_of_an_area_end_with_it_wherever_it_is_covered():
    cover = np.array([shapely.box(-9000, -9000, 9000, 9000)], dtype=object)

    table = cells_within(cover, (-400, 100, 800, 1100), CELL_M)

    assert places(table) == [(column, row) for row in (0, 1, 2) for column in (-1, 0, 1)]


@pytest.mark.parametrize("names", [("column", "row"), ("row", "column")])
def test_cells_far_from_the_region_are_let_go(names):
    along, across = names
    table = pd.DataFrame({along: [0, 3, 5], across: [0, 0, 0]})
    area = (
        {"column": (1000, 2000), "row": (0, 400)}
        if along == "column"
        else {"column": (0, 400), "row": (1000, 2000)}
    )
    (west, east), (south, north) = area["column"], area["row"]

    # The first cell ends 500 m west or south of the area, the second in it; the third begins 500 m beyond it.
    bounds = (west, south, east, north)
    assert near(table, bounds, 499.0, CELL_M)[along].tolist() == [3]
    assert near(table, bounds, 500.0, CELL_M)[along].tolist() == [0, 3, 5]
    assert near(table[::-1], bounds, 500.0, CELL_M).index.tolist() == [0, 1, 2]


def test_a_cell_is_named_by_its_place():
    assert cell_ids(pd.DataFrame({"column": [-1, 250], "row": [0, 2500]})) == ["cell -1 0", "cell 250 2500"]


@pytest.mark.parametrize(
    ("publish", "disc_m", "public_m"),
    # In steps of a tenth of the cell, 50 m; a buffer that is no secret is the rule's own.
    [("generalised", 0.0, 30.0), ("generalised", 45.0, 100.0), ("generalised", 1.0, 50.0), ("hidden", 0.0, 50.0)],
)
def test_the_buffer_of_hidden_layers_and_of_discs_is_rounded_up(publish, disc_m, public_m):
    rule = RuleSettings(name="r", action="exclude", path="r.gpkg", buffer_m=30.0, publish=publish)

    assert public_buffer_m(rule, disc_m, CELL_M) == public_m
