"""Ways along roads, on drawn networks whose ways are known and against another library's shortest paths."""

import geopandas
import numpy as np
import pytest
import shapely
from shapely import LineString, MultiLineString, Point, Polygon, box

from sitefinder.siting.access import distance_by_road_m, on_roads, road_lines


def lines(*coordinates):
    return np.array([LineString(each) for each in coordinates], dtype=object)


def way_m(roads, start, goals):
    """Way by road from points to the nearest of the goals."""
    places = [on_roads(np.array([Point(each) for each in group], dtype=object), roads) for group in (start, goals)]
    return distance_by_road_m(*places, roads)


def test_the_route_leads_round_the_corner_and_to_and_from_the_road():
    roads = lines([(0, 0), (100, 0), (100, 50)])

    # 3 m to the road, 90 m to the corner, 40 m up, 5 m to the village.
    assert way_m(roads, [(10, 3)], [(105, 40)]) == pytest.approx([138])


def test_of_two_routes_and_two_goals_the_shortest_counts():
    ring = lines([(0, 0), (100, 0)], [(100, 0), (100, 100), (0, 100), (0, 0)])

    assert way_m(ring, [(20, 0)], [(0, 90), (100, 100)]) == pytest.approx([110])


def test_both_ends_on_one_piece_of_road_go_straight_along_it():
    assert way_m(lines([(0, 0), (100, 0)]), [(30, 0), (80, 2)], [(40, 1)]) == pytest.approx([11, 43])


def test_a_road_that_ends_on_another_joins_it_and_one_that_crosses_does_not():
    # The second ends in the middle of the first, short of it by half a metre; the third crosses as a bridge.
    joined = lines([(0, 0), (100, 0)], [(50, 0.5), (50, 60)])
    crossing = lines([(0, 0), (100, 0)], [(50, -60), (50, 60)])

    assert way_m(joined, [(0, 0)], [(50, 60)]) == pytest.approx([50 + 0.5 + 59.5])
    assert np.isnan(way_m(crossing, [(0, 0)], [(50, 60)])).all()


def test_a_road_of_close_vertices_is_as_long_as_it_is():
    close = lines(np.column_stack([np.arange(0, 200, 0.25), np.zeros(800)]))

    assert way_m(close, [(0, 0)], [(199, 0)]) == pytest.approx([199])


def test_without_a_road_or_a_goal_there_is_no_route():
    roads = lines([(0, 0), (100, 0)], [(0, 500), (100, 500)])

    assert np.isnan(way_m(roads, [(10, 0)], [(10, 500)])).all()
    nobody = on_roads(np.array([], dtype=object), roads)
    somewhere = on_roads(np.array([Point(0, 0)], dtype=object), roads)
    assert np.isnan(distance_by_road_m(somewhere, nobody, roads)).all()
    assert len(distance_by_road_m(nobody, somewhere, roads)) == 0


def test_a_settlement_with_ground_is_reached_at_its_border():
    roads = lines([(0, 0), (100, 0)])
    village = on_roads(np.array([Polygon([(60, 10), (80, 30), (40, 30)])], dtype=object), roads)
    site = on_roads(np.array([Point(0, 0)], dtype=object), roads)

    assert village.distance_m == pytest.approx([10])
    assert distance_by_road_m(site, village, roads) == pytest.approx([70])


@pytest.mark.parametrize("seed", range(4))
def test_routes_equal_all_sums_over_a_grid_of_streets(seed):
    # Streets of random detours; all ways by Floyd and Warshall's matrix, without the code's graph.
    rng = np.random.default_rng(seed)
    side, gap = 5, 100.0
    names = [(column, row) for column in range(side) for row in range(side)]
    way = np.full((side * side, side * side), np.inf)
    np.fill_diagonal(way, 0.0)
    roads = []
    for one, (column, row) in enumerate(names):
        for other, (right, up) in enumerate(names):
            if (right - column, up - row) in {(1, 0), (0, 1)} and rng.random() < 0.75:
                bend = rng.uniform(5.0, 40.0)
                middle = (
                    (column + right) * gap / 2 + bend * (up - row),
                    (row + up) * gap / 2 + bend * (right - column),
                )
                line = LineString([(column * gap, row * gap), middle, (right * gap, up * gap)])
                roads.append(line if rng.random() < 0.5 else line.reverse())
                way[one, other] = way[other, one] = line.length
    for between in range(len(names)):
        way = np.minimum(way, way[:, [between]] + way[[between]])
    goals = rng.choice(len(names), 2, replace=False)
    corners = [(column * gap, row * gap) for column, row in names]

    found = way_m(np.array(roads, dtype=object), corners, [corners[goal] for goal in goals])

    expected = way[:, goals].min(axis=1)
    on_a_road = np.array([shapely.distance(Point(each), shapely.union_all(roads)) < 1e-9 for each in corners])
    expected[~np.isfinite(expected)] = np.nan
    assert on_a_road.sum() > 15
    assert found[on_a_road] == pytest.approx(expected[on_a_road], abs=0.01, nan_ok=True)


def test_lines_of_a_layer_are_taken_out_of_all_that_it_holds():
    shapes = [MultiLineString([[(0, 0), (1, 0)], [(5, 5), (6, 5)]]), Point(3, 3), box(0, 0, 2, 2)]

    found = road_lines(geopandas.GeoDataFrame(geometry=shapes))

    assert sorted(shapely.length(found)) == [1, 1, 8]
    assert len(road_lines(None)) == 0


@pytest.mark.parametrize(("gap_m", "is_joined"), [(0.0, True), (0.99, True), (1.0, True), (1.01, False)])
@pytest.mark.parametrize("turned", [False, True])
def test_roads_join_within_a_metre_of_an_end(gap_m, is_joined, turned):
    branch = [(50, gap_m), (50, 30), (50, 60)]
    roads = lines([(0, 0), (100, 0)], branch[::-1] if turned else branch)

    expected = [10 + 60] if is_joined else [np.nan]
    assert way_m(roads, [(40, 0)], [(50, 60)]) == pytest.approx(expected, nan_ok=True)


def test_a_goal_on_a_road_costs_nothing_more_and_two_ends_at_one_place_nothing_at_all():
    roads = lines([(0, 0), (100, 0)], [(100, 0), (100, 100)])

    assert way_m(roads, [(30, 0), (100, 100)], [(100, 100)]) == pytest.approx([170, 0], abs=1e-5)


def test_of_two_roads_at_the_same_distance_the_first_is_taken_and_a_place_without_shape_has_none():
    roads = lines([(0, 10), (100, 10)], [(0, -10), (100, -10)], [(0, 99), (100, 99)])
    places = np.array([Point(30, 0), Point(), None, Point(40, 98)], dtype=object)

    found = on_roads(places, roads)

    assert found.line.tolist() == [0, -1, -1, 2]
    assert found.along_m == pytest.approx([30, np.nan, np.nan, 40], nan_ok=True)
    assert found.distance_m == pytest.approx([10, np.nan, np.nan, 1], nan_ok=True)
    # Of such places there is no route, and of the others there is.
    goal = on_roads(np.array([Point(), Point(100, 10)], dtype=object), roads)
    assert distance_by_road_m(found, goal, roads) == pytest.approx([80, np.nan, np.nan, np.nan], nan_ok=True)


def test_roads_are_lines_and_outlines_of_any_parts_with_a_length_and_in_the_plane():
    shapes = [
        shapely.MultiPolygon([box(0, 0, 1, 1), box(5, 5, 7, 7)]),
        shapely.GeometryCollection([MultiLineString([[(0, 0), (3, 0)], [(9, 9), (9, 14)]]), Point(1, 1)]),
        LineString([(0, 0, 5), (0, 2, 9)]),
        LineString([(4, 4), (4, 4)]),
        shapely.MultiPoint([(0, 0), (9, 9)]),
    ]

    found = road_lines(geopandas.GeoDataFrame(geometry=shapes))

    assert sorted(shapely.length(found)) == [2, 3, 4, 5, 8]
    assert not shapely.has_z(found).any()
    assert len(road_lines(geopandas.GeoDataFrame(geometry=[]))) == 0


def test_of_two_roads_between_the_same_places_the_shorter_is_taken():
    both = [(0, 0), (100, 0)], [(0, 0), (50, 50), (100, 0)]

    for roads in (lines(*both), lines(*both[::-1])):
        assert way_m(roads, [(0, 0)], [(100, 0)]) == pytest.approx([100])
