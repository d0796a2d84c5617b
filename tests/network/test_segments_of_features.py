"""Which segments a layer of points, lines or polygons means, in drawn cases."""

import geopandas
import numpy as np
import pytest
import shapely

from sitefinder.network.stations import touched_stations

# A stem of four segments of 50 m towards the east (stations 1 to 4), and a tributary of two from the north
# (stations 6 and 7) that ends at the middle of the stem, between stations 2 and 3.
LINES = [[(50 * n, 0), (50 * n + 50, 0)] for n in range(4)] + [[(100, 100), (100, 50)], [(100, 50), (100, 0)]]


@pytest.fixture
def segments():
    return geopandas.GeoDataFrame(
        {"station": [1, 2, 3, 4, 6, 7]}, geometry=[shapely.LineString(line) for line in LINES], crs="EPSG:32633"
    )


def touched(features, segments, snap_m=30.0):
    return np.flatnonzero(touched_stations(np.array(features, dtype=object), segments, snap_m, 9)).tolist()


def test_a_point_means_the_nearest_segment_within_reach(segments):
    assert touched([shapely.Point(70, 20)], segments) == [2]
    assert touched([shapely.Point(70, -31)], segments) == []
    assert touched([shapely.Point(110, 60), shapely.Point(180, 5)], segments) == [4, 6]


def test_a_point_as_near_to_two_segments_means_the_first(segments):
    assert touched([shapely.Point(50, 10)], segments) == [1]
    assert touched([shapely.Point(100, 50)], segments) == [6]


@pytest.mark.parametrize("offset_m", [-25.0, 0.0, 20.0])
def test_a_line_beside_the_stem_means_the_stem_and_no_tributary(segments, offset_m):
    assert touched([shapely.LineString([(0, offset_m), (200, offset_m)])], segments) == [1, 2, 3, 4]


def test_a_line_that_runs_along_half_a_segment_means_it_and_a_shorter_one_does_not(segments):
    # A segment is followed in ten pieces of 5 m: five of them lie within the first 25 m.
    assert touched([shapely.LineString([(0, 0), (25, 0)])], segments, snap_m=1.0) == [1]
    assert touched([shapely.LineString([(0, 0), (15, 0)])], segments, snap_m=1.0) == []


def test_a_line_that_is_drawn_twice_means_what_it_means_once(segments):
    line = shapely.LineString([(0, 5), (150, 5)])

    assert touched([line, line], segments) == touched([line], segments) == [1, 2, 3]


def test_without_segments_nothing_is_meant(segments):
    assert touched([shapely.Point(0, 0)], segments.iloc[:0]) == []


def test_a_line_across_the_stream_means_nothing(segments):
    assert touched([shapely.LineString([(25, -40), (25, 40)])], segments, snap_m=5.0) == []


def test_a_polygon_means_what_lies_in_it_and_not_what_it_touches(segments):
    assert touched([shapely.box(40, -10, 60, 10)], segments) == [1, 2]
    assert touched([shapely.box(200, -10, 300, 10)], segments) == []
    assert touched([shapely.box(90, 20, 110, 300)], segments) == [6, 7]


def test_multi_part_features_and_kinds_mix(segments):
    both = shapely.GeometryCollection([shapely.Point(170, 2), shapely.box(90, 60, 110, 90)])

    assert touched([both], segments) == [4, 6]


def test_no_segments_and_no_features_mean_nothing(segments):
    assert touched([], segments) == []
    assert touched([shapely.Point(0, 0)], segments.iloc[:0]) == []


def test_without_segments_every_station_is_left_unmarked(segments):
    marked = touched_stations(np.array([shapely.Point(0, 0)], dtype=object), segments[:0], 5.0, 3)

    assert marked.tolist() == [False] * 3


def test_where_a_line_leaves_a_segment_and_comes_back_it_does_not_follow_it(segments):
    # Away from the stem from 12 to 23 m; on it there are two pieces of 5 m before and two or three after.
    for until_m, meant in ((36, []), (41, [1])):
        line = [(0, 0), (12, 0), (12, 9), (23, 9), (23, 0), (until_m, 0), (until_m, 9)]
        assert touched([shapely.LineString(line)], segments, snap_m=1.0) == meant


def test_a_line_that_begins_with_a_segment_does_not_follow_it_from_the_one_before(segments):
    # Along four pieces of 5 m of the second segment, or five; the first one ends where the line begins.
    assert touched([shapely.LineString([(50, 0), (73, 0)])], segments, snap_m=1.0) == []
    assert touched([shapely.LineString([(50, 0), (76, 0)])], segments, snap_m=1.0) == [2]
