"""Lines cut to a rectangle, held against shapely's intersection, which does not say where a part begins."""

import numpy as np
import pandas as pd
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from sitefinder.network.extent import lines_within
from sitefinder.network.topology import build_network

BOUNDS = (0.0, 0.0, 100.0, 50.0)


def table(*vertices):
    lines = np.array([shapely.LineString(each) for each in vertices], dtype=object)
    return pd.DataFrame({"geometry": lines, "feature_id": [f"f{n}" for n in range(len(lines))], "stream": ""})


@pytest.mark.parametrize("beyond", [[], [[(500, 1), (600, 1)]]], ids=["alone", "with one beyond"])
def test_lines_within_are_left_as_they_are_up_to_every_border(beyond):
    # The second and the third touch all four.
    lines = table([(1, 1), (50, 20)], [(0, 0), (100, 50)], [(0, 50), (100, 0)], *beyond)

    kept, repairs = lines_within(lines, BOUNDS)

    assert [one is other for one, other in zip(kept["geometry"], lines["geometry"], strict=False)] == [True] * 3
    assert kept["drawn_from_m"].tolist() == [0.0] * 3
    assert repairs["problem"].tolist() == ["lies far beyond the DEM"] * len(beyond)


@pytest.mark.parametrize(
    ("vertices", "within"),
    [
        # Along each border and past its corners, and beside a border before it comes in.
        ([(-10, 0), (110, 0)], [[0, 0], [100, 0]]),
        ([(110, 50), (-10, 50)], [[100, 50], [0, 50]]),
        ([(0, -10), (0, 60)], [[0, 0], [0, 50]]),
        ([(100, 60), (100, -10)], [[100, 50], [100, 0]]),
        ([(-0.5, 10), (-0.5, 20), (50, 20)], [[0, 20], [50, 20]]),
        # Up to a vertex on the border, and on from one, the first or a later one.
        ([(-10, 25), (0, 25), (50, 25)], [[0, 25], [50, 25]]),
        ([(-30, 25), (-20, 25), (-10, 25), (0, 25), (50, 25)], [[0, 25], [50, 25]]),
        ([(50, 25), (50, 50), (60, 60)], [[50, 25], [50, 50]]),
        # Round corners in one, with its own vertices: 0.2 + (0.9 - 0.2) is not 0.9.
        ([(20, 0.2), (20, 0.9), (30, 0.9), (30, 60)], [[20, 0.2], [20, 0.9], [30, 0.9], [30, 50]]),
        ([(99.5, 25), (150, 25)], [[99.5, 25], [100, 25]]),
    ],
)
@pytest.mark.parametrize("shift", [(0, 0), (32, 64)])
def test_the_part_within_is_one_line_from_border_to_border_with_its_own_vertices(vertices, within, shift):
    lines = table(np.add(vertices, shift))

    kept, repairs = lines_within(lines, (*np.add(BOUNDS[:2], shift), *np.add(BOUNDS[2:], shift)))

    assert [shapely.get_coordinates(line).tolist() for line in kept["geometry"]] == [
        np.add(within, shift).tolist()
    ]
    assert kept.columns.tolist() == [*lines.columns, "drawn_from_m"]
    assert repairs["problem"].tolist() == ["runs far beyond the DEM"]


def test_what_lies_beyond_by_less_than_its_length_is_rounded_to_is_not_reported():
    kept, repairs = lines_within(table([(-1e-20, 25), (100, 25)]), BOUNDS)

    assert kept["geometry"].iat[0].wkt == "LINESTRING (0 25, 100 25)"
    assert len(repairs) == 0


def test_a_line_that_leaves_and_comes_back_is_two_parts_that_know_where_they_begin():
    kept, repairs = lines_within(table([(10, 40), (10, 1e9), (90, 1e9), (90, 40)]), BOUNDS)

    assert [line.wkt for line in kept["geometry"]] == ["LINESTRING (10 40, 10 50)", "LINESTRING (90 50, 90 40)"]
    assert kept["drawn_from_m"].tolist() == pytest.approx([0.0, 2e9 - 80 + 80 - 90 + 80])
    assert repairs["problem"].tolist() == ["runs far beyond the DEM"]
    assert repairs["action"].tolist() == ["2,000,000.0 km beyond its margin left out"]


def test_lines_beyond_are_left_out_by_name_and_many_of_them_by_number():
    beyond = [[(200 + n, 1), (300 + n, 1)] for n in range(130)]
    # The last two pass a corner: their bounding boxes meet the rectangle, they do not.
    kept, repairs = lines_within(
        table([(1, 1), (2, 2)], *beyond, [(-10, 5), (5, -10)], [(99, 60), (110, 49)]), BOUNDS
    )

    assert kept["feature_id"].tolist() == ["f0"]
    assert repairs["feature"].tolist() == [f"f{n}" for n in range(1, 101)] + [""]
    assert repairs["problem"].iloc[-1] == "32 more lie far beyond the DEM"


def test_a_hundred_lines_are_named_without_a_count_and_a_line_that_touches_the_border_has_no_part():
    # The line comes to the border, where a vertex stands twice, and goes back.
    touching = [(-10, 25), (0, 25), (0, 25), (-10, 30)]

    kept, repairs = lines_within(
        table([(1, 1), (2, 2)], touching, *[[(200, n), (300, n)] for n in range(99)]), BOUNDS
    )

    assert kept["feature_id"].tolist() == ["f0"]
    assert repairs["feature"].tolist() == [f"f{n}" for n in range(1, 101)]


def test_parts_of_a_network_say_where_they_lie_along_their_feature():
    lines, repairs = lines_within(table([(-100, 25), (50, 25)], [(50, 25), (250, 25)]), BOUNDS)

    # Of 150 m 100 lie beyond.
    assert repairs["action"].iloc[0] == "0.1 km beyond its margin left out"

    parts = build_network(lines, snap_m=1.0).parts

    assert parts[["feature_id", "feature_from_m", "feature_to_m"]].to_numpy().tolist() == [
        ["f0", 100.0, 150.0],
        ["f1", 0.0, 50.0],
    ]


whole_metres = st.integers(-60, 160).map(float)


@settings(max_examples=200, deadline=None)
@given(st.lists(st.tuples(whole_metres, whole_metres), min_size=2, max_size=9, unique=True))
def test_the_parts_are_the_intersection(vertices):
    lines = table(vertices)

    kept, repairs = lines_within(lines, BOUNDS)

    touched = shapely.get_parts(shapely.intersection(lines["geometry"].iat[0], shapely.box(*BOUNDS)))
    wanted = shapely.union_all(touched[shapely.length(touched) > 0.0])
    found = shapely.union_all(kept["geometry"].to_numpy())
    assert shapely.hausdorff_distance(found, wanted) < 1e-9 if len(kept) else wanted.length == 0.0
    whole = lines["geometry"].iat[0]
    for part, from_m in zip(kept["geometry"], kept["drawn_from_m"], strict=True):
        middle = shapely.line_interpolate_point(whole, from_m + part.length / 2.0)
        assert shapely.distance(middle, shapely.line_interpolate_point(part, 0.5, normalized=True)) < 1e-6
    rest = whole.length - shapely.length(kept["geometry"].to_numpy()).sum()
    assert (len(repairs) > 0) == (rest > 1e-9)
