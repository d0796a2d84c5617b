"""Distances to roads and lines, and the district of points and reaches."""

from types import SimpleNamespace

import geopandas
import numpy as np
import pandas as pd
import pytest
from shapely import LineString, Point, Polygon, box

from sitefinder.siting.access import district_of, in_region, lengths_by_district, nearest_distance_m

CRS = "EPSG:32633"


def layer(shapes, names=None, ids=None):
    names = names or [""] * len(shapes)
    ids = ids or [f"row {row}" for row in range(len(shapes))]
    return geopandas.GeoDataFrame({"feature_name": names, "feature_id": ids}, geometry=list(shapes), crs=CRS)


WEST_EAST = layer([box(0, 0, 10, 10), box(10, 0, 20, 10)], ["West", "East"])


def test_the_nearest_road_is_measured_to_its_line_and_not_to_its_vertices():
    roads = layer([LineString([(0, 0), (100, 0)]), LineString([(0, 50), (100, 50)])])

    distance_m = nearest_distance_m(np.array([50.0, 50.0, 103.0]), np.array([7.0, 30.0, 4.0]), roads)

    assert distance_m == pytest.approx([7, 20, 5], abs=1e-12)


def test_nearest_distances_equal_the_shortest_of_all_distances():
    draw = np.random.default_rng(11)
    points = draw.uniform(0, 100, (50, 2))
    features = layer(
        [LineString(draw.uniform(0, 100, (3, 2))) for _ in range(30)] + [Point(1, 1), box(5, 5, 9, 9)]
    )

    distance_m = nearest_distance_m(*points.T, features)

    minimum = [features.distance(Point(point)).min() for point in points]
    assert distance_m == pytest.approx(minimum, abs=1e-9)


@pytest.mark.parametrize("features", [None, layer([])])
def test_without_a_layer_distances_are_missing(features):
    assert np.isnan(nearest_distance_m(np.zeros(2), np.zeros(2), features)).all()


def test_points_take_the_name_of_their_district_and_none_outside():
    names = district_of(np.array([5.0, 15.0, 25.0]), np.array([5.0, 5.0, 5.0]), WEST_EAST)

    assert names.tolist() == ["West", "East", ""]


def test_a_point_on_the_border_belongs_to_the_district_that_comes_first():
    assert district_of(np.array([10.0]), np.array([5.0]), WEST_EAST).tolist() == ["West"]
    assert district_of(np.array([10.0]), np.array([5.0]), WEST_EAST[::-1]).tolist() == ["East"]


def test_a_district_without_a_name_goes_by_its_id():
    unnamed = layer([box(0, 0, 10, 10)], ids=["4711"])

    assert district_of(np.array([5.0]), np.array([5.0]), unnamed).tolist() == ["4711"]


def test_without_districts_all_lies_outside():
    assert district_of(np.zeros(2), np.zeros(2), None).tolist() == ["", ""]


def test_a_reach_is_shared_between_districts_and_the_outside():
    reaches = layer([LineString([(5, 5), (25, 5)]), LineString([(30, 0), (40, 0)])])

    lengths = lengths_by_district(reaches, WEST_EAST)

    assert lengths.values.tolist() == [[0, "West", 5], [0, "East", 10], [0, "", 5], [1, "", 10]]


def test_stream_on_the_border_is_counted_once():
    along = layer([LineString([(10, 0), (10, 10)])])

    assert lengths_by_district(along, WEST_EAST).values.tolist() == [[0, "West", 10]]
    assert lengths_by_district(along, WEST_EAST[::-1]).values.tolist() == [[0, "East", 10]]


def test_a_district_in_two_parts_is_one():
    parts = layer([box(0, 0, 4, 10), box(4, 0, 8, 10), box(6, 0, 10, 10)], ["A", "B", "A"])

    lengths = lengths_by_district(layer([LineString([(0, 5), (10, 5)])]), parts)

    assert lengths.values.tolist() == [[0, "A", 8], [0, "B", 2]]


def test_lengths_of_a_reach_add_up_to_its_own_whatever_the_districts():
    draw = np.random.default_rng(3)
    reaches = layer([LineString(draw.uniform(0, 100, (6, 2))) for _ in range(40)])
    triangles = layer([Polygon(draw.uniform(0, 100, (3, 2))) for _ in range(12)], list("ABCDEFABCDEF"))

    lengths = lengths_by_district(reaches, triangles)

    sums = lengths.groupby("reach")["length_m"].sum()
    assert sums.to_numpy() == pytest.approx(reaches.length.to_numpy(), rel=1e-12)
    # The first district has all that lies in it, by plain intersection.
    first = triangles[triangles["feature_name"] == "A"].union_all()
    of_first = lengths[lengths["district"] == "A"].set_index("reach")["length_m"].reindex(range(40), fill_value=0)
    assert of_first.to_numpy() == pytest.approx(reaches.intersection(first).length.to_numpy(), abs=1e-6)
    assert (lengths["length_m"] > 0).all()


def test_without_districts_a_reach_lies_outside_with_its_whole_length():
    lengths = lengths_by_district(layer([LineString([(0, 0), (3, 4)])]), None)

    assert lengths.values.tolist() == [[0, "", 5]]


def test_stations_are_in_the_region_within_any_of_its_parts_and_on_its_border_or_where_there_is_none():
    stations = pd.DataFrame({"x_m": [5.0, 10.0, 15.0, 25.0, 5.0], "y_m": [5.0, 5.0, 5.0, 5.0, 11.0]})
    parts = SimpleNamespace(frame=layer([box(0, 0, 10, 10), box(20, 0, 30, 10)]))

    assert in_region(stations, SimpleNamespace(layers={"region": parts})).tolist() == [
        *(True, True, False, True, False)
    ]
    assert in_region(stations, SimpleNamespace(layers={"roads": parts})).tolist() == [True] * 5


def test_of_no_points_there_are_no_distances():
    assert nearest_distance_m(np.zeros(0), np.zeros(0), layer([Point(0, 0)])).tolist() == []


def test_an_empty_layer_of_districts_is_none():
    empty = WEST_EAST[:0]

    assert district_of(np.zeros(1), np.zeros(1), empty).tolist() == [""]
    assert lengths_by_district(layer([LineString([(0, 0), (3, 4)])]), empty).values.tolist() == [[0, "", 5]]


def test_of_overlapping_districts_the_first_in_the_file_has_a_point_whatever_its_name():
    overlapping = layer([box(0, 0, 10, 10), box(0, 0, 20, 10), box(0, 0, 30, 10)], ["C", "A", "B"])

    assert district_of(np.array([5.0, 15.0, 25.0]), np.full(3, 5.0), overlapping).tolist() == ["C", "A", "B"]
    lengths = lengths_by_district(layer([LineString([(0, 5), (40, 5)])]), overlapping)
    assert lengths.values.tolist() == [[0, "C", 10], [0, "A", 10], [0, "B", 10], [0, "", 10]]


@pytest.mark.parametrize(("length_m", "districts"), [(1e-6, ["West", ""]), (1e-9, ["West"])])
def test_some_billionth_of_a_reach_beyond_a_border_is_rounding(length_m, districts):
    reach = layer([LineString([(0, 5), (10.0 + length_m, 5)])])

    assert lengths_by_district(reach, WEST_EAST[:1])["district"].tolist() == districts
