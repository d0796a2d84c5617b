"""Stream that existing plants use."""

import geopandas
import numpy as np
import pytest
import shapely

from sitefinder.siting import structures
from sitefinder.siting.structures import developed_stations, entered_plants

# Two streams along x at y = 0 and y = 100, each of six stations 50 m apart; they do not meet.
COUNT = 12
DOWNSTREAM = np.array([1, 2, 3, 4, 5, -1, 7, 8, 9, 10, 11, -1], dtype=np.int32)
SEGMENTS = geopandas.GeoDataFrame(
    {"station": [1, 2, 3, 4, 5, 7, 8, 9, 10, 11]},
    geometry=[
        shapely.LineString([(50 * number, y), (50 * number + 50, y)]) for y in (0, 100) for number in range(5)
    ],
)


def developed(shapes, **columns):
    options = {name: columns.pop(name) for name in ("plant_column", "role_column") if name in columns}
    frame = geopandas.GeoDataFrame(
        {"feature_id": [f"P{number}" for number in range(len(shapes))], **columns}, geometry=shapes
    )
    found = developed_stations(frame, SEGMENTS, DOWNSTREAM, snap_m=20.0, **options)
    return np.flatnonzero(found.stations).tolist(), found.problems


@pytest.mark.parametrize("way", [1, -1], ids=["drawn downstream", "drawn upstream"])
@pytest.mark.parametrize("middle", [[(130, 0)], [(130, 48)]], ids=["along the stream", "along a canal"])
def test_a_line_develops_the_stream_between_its_ends(way, middle):
    line = shapely.LineString([(70, 5), *middle, (180, -5)][::way])

    assert developed([line]) == ([2, 3, 4], [])


def test_a_pond_and_a_lone_point_develop_what_they_touch():
    assert developed([shapely.box(60, -10, 140, 10), shapely.Point(20, 110)]) == ([2, 3, 7], [])


def test_intake_and_tailrace_of_one_plant_make_a_path_and_those_of_two_plants_do_not():
    points = [shapely.Point(x, y) for x, y in [(60, 0), (190, 0), (60, 100), (190, 100)]]
    columns = {"plant_column": "plant", "role_column": "role"}

    found = developed(
        points, plant=["A", "A", "B", "C"], role=["Intake", " tailrace", "intake", "intake"], **columns
    )

    assert found == ([2, 3, 4, 8, 10], [])


def test_a_point_without_a_partner_stands_for_its_own_segment_beside_a_pair_of_its_plant():
    # The role of the third is none that is known; plant B has no tailrace.
    points = [shapely.Point(x, y) for x, y in [(60, 0), (190, 0), (60, 100), (190, 100)]]
    columns = {"plant_column": "plant", "role_column": "role"}

    found = developed(
        points, plant=["A", "A", "A", "B"], role=["intake", "tailrace", "inlet", "intake"], **columns
    )

    assert found == ([2, 3, 4, 8, 10], [])


def test_plants_whose_points_are_on_two_streams_are_reported_in_the_order_of_their_names():
    points = [shapely.Point(x, y) for x, y in [(60, 0), (190, 100), (110, 0), (140, 100)]]
    columns = {"plant_column": "plant", "role_column": "role"}

    found, doubts = developed(points, plant=["B", "B", "A", "A"], role=["intake", "tailrace"] * 2, **columns)

    assert found == [2, 3, 9, 10]
    assert [name for name, *_ in doubts] == ["A", "B"]


@pytest.mark.parametrize("towards", [1.0, -1.0])
def test_an_end_where_two_segments_meet_is_on_the_upper_one_whichever_way_the_stream_runs(towards):
    turned = shapely.transform(SEGMENTS.geometry.to_numpy(), lambda at: at * [towards, 1.0])
    places = [shapely.Point(towards * x, 5.0) for x in (50, 100, 240, 300)]

    found = structures._nearest_stations(places, SEGMENTS.set_geometry(turned), 20.0)

    assert found.tolist() == [1, 2, 5, -1]


def test_ends_on_two_streams_are_reported_and_only_what_they_touch_is_developed():
    line = shapely.LineString([(70, 0), (70, 50), (180, 50), (180, 100)])

    found, doubts = developed([line])

    assert found == [2, 10]
    assert doubts == [
        (
            "P0",
            "intake and tailrace are not on one path downstream",
            "only the stream that they touch counts as developed",
        )
    ]


def test_a_line_with_an_end_far_from_any_stream_develops_what_it_runs_along():
    line = shapely.LineString([(0, 3), (160, 3), (160, 50)])

    found, doubts = developed([line])

    assert found == [1, 2, 3]
    assert len(doubts) == 1


def test_a_plant_drawn_in_parts_is_between_the_ends_of_each():
    parts = shapely.MultiLineString([[(10, 0), (40, 9), (90, 0)], [(160, 100), (180, 109), (240, 100)]])

    assert developed([parts]) == ([1, 2, 10, 11], [])


def test_no_plants_develop_nothing():
    assert developed([]) == ([], [])


# Where fish enter, with stations 0 and 6 without a segment; marked are segments in use for other reasons.
def entered(shapes, marked=()):
    frame = geopandas.GeoDataFrame({"feature_id": [f"P{n}" for n in range(len(shapes))]}, geometry=shapes)
    found = developed_stations(frame, SEGMENTS, DOWNSTREAM, snap_m=20.0)
    stations = found.stations | np.isin(np.arange(COUNT), marked)
    segment_m = np.where(np.isin(np.arange(COUNT), SEGMENTS["station"]), 50.0, 0.0)
    return np.flatnonzero(entered_plants(stations, found.on_path, found.intakes, segment_m, DOWNSTREAM)).tolist()


def test_fish_enter_a_plant_once_at_its_upper_end():
    line = shapely.LineString([(70, 5), (180, -5)])

    assert entered([line]) == [2]
    # Its pond above it and the weir at its intake are the same plant.
    assert entered([line, shapely.box(10, -10, 90, 10)], marked=[2]) == [2]
    # The tailrace of one plant may be the next one's intake.
    assert entered([shapely.LineString([(10, 0), (90, 0)]), shapely.LineString([(90, 0), (180, 0)])]) == [1, 2]


def test_what_has_no_path_is_one_plant_where_it_is_connected():
    assert entered([shapely.box(60, -10, 140, 10), shapely.Point(20, 110)]) == [3, 7]
    assert entered([], marked=[1, 2, 4, 8]) == [2, 4, 8]
    # Across the confluence of two links, which stands at a station without a segment.
    through = np.array([1, 2, -1], dtype=np.int32)
    marked, none = np.array([True, False, True]), np.zeros(3, dtype=bool)
    at_confluence = entered_plants(marked, none, none, np.array([50.0, 0.0, 50.0]), through)
    assert at_confluence.tolist() == [False, False, True]
