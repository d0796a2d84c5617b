"""Stations, segments and reaches: where they stand, what they are called, and what stays when others change."""

import numpy as np
import pandas as pd
import pytest
import shapely

from sitefinder.network.stations import (
    _stations_of,
    features_of_reaches,
    nearest_segments,
    place_names,
    place_stations,
    without_repeats,
)
from sitefinder.network.topology import build_network

FORK = {
    "left": [(-300, 900), (0, 500)],
    "right": [(400, 800), (0, 500)],
    "lower": [(0, 500), (0, 0)],
}


@pytest.fixture
def stationing(lines):
    """A function that builds a network of drawn lines and places stations on it."""

    def build(vertices, station_spacing_m=50.0, reach_length_m=250.0):
        network = build_network(lines(**vertices), snap_m=1.0)
        return network, place_stations(network, station_spacing_m=station_spacing_m, reach_length_m=reach_length_m)

    return build


def test_a_straight_stream_gets_evenly_spaced_stations_and_whole_reaches(stationing):
    _, found = stationing({"creek": [(0, 500), (0, 0)]}, 100.0, 250.0)

    stations = found.stations
    # 500 m are two reaches of 250, and these three segments of 83.3 each.
    assert stations["y_m"].tolist() == pytest.approx([500, 416.667, 333.333, 250, 166.667, 83.333, 0], abs=1e-3)
    assert stations["distance_m"].tolist() == pytest.approx((500 - stations["y_m"]).tolist())
    assert stations["reach"].tolist() == [-1, 0, 0, 0, 1, 1, 1]
    assert stations["downstream"].tolist() == [1, 2, 3, 4, 5, 6, -1]
    assert stations["segment_length_m"].tolist() == pytest.approx([0] + [250 / 3] * 6)
    assert stations["to_downstream_m"].tolist() == pytest.approx([250 / 3] * 6 + [0])
    assert stations["is_headwater"].tolist() == [True] + [False] * 6
    assert (stations["direction_x"].tolist(), stations["direction_y"].tolist()) == ([0.0] * 7, [-1.0] * 7)


def test_reaches_are_named_after_the_feature_and_the_metres_along_it(stationing):
    _, found = stationing({"creek": [(0, 500), (0, 0)]})

    reaches = found.reaches
    assert reaches["reach_id"].tolist() == ["creek@125", "creek@375"]
    assert reaches["feature_m"].tolist() == [125, 375]
    assert reaches["first_station"].tolist() == [0, 5]
    assert reaches["last_station"].tolist() == [5, 10]
    assert [shapely.get_coordinates(line).tolist()[::5] for line in reaches.geometry] == [
        [[0, 500], [0, 250]],
        [[0, 250], [0, 0]],
    ]


@pytest.mark.parametrize(
    ("length_m", "reaches"), [(10, 1), (249, 1), (374, 1), (376, 2), (500, 2), (626, 3), (2500, 10)]
)
def test_a_link_is_cut_into_the_number_of_reaches_that_comes_nearest(stationing, length_m, reaches):
    _, found = stationing({"creek": [(0, 0), (length_m, 0)]})

    assert len(found.reaches) == reaches
    assert found.reaches["length_m"].tolist() == pytest.approx([length_m / reaches] * reaches)


def test_the_last_station_of_a_link_is_where_the_next_link_starts(stationing):
    network, found = stationing(FORK)

    stations = found.stations
    last = stations.groupby("link").tail(1)
    first_of_lower = stations.index[stations["link"] == 2][0]
    assert last["downstream"].tolist() == [first_of_lower, first_of_lower, -1]
    assert last["to_downstream_m"].tolist() == [0, 0, 0]
    assert (last["x_m"].tolist()[:2], last["y_m"].tolist()[:2]) == ([0, 0], [500, 500])
    assert stations.loc[first_of_lower, ["x_m", "y_m"]].tolist() == [0, 500]
    # Only the two sources are headwaters.
    assert stations.index[stations["is_headwater"]].tolist() == stations.groupby("link").head(1).index.tolist()[:2]
    assert len(network.links) == 3


@pytest.mark.parametrize("spacing_m", [7.0, 50.0, 250.0, 251.0, 10_000.0])
@pytest.mark.parametrize("reach_m", [60.0, 500.0])
def test_every_metre_of_stream_is_in_one_segment_of_one_reach(stationing, spacing_m, reach_m):
    network, found = stationing(FORK, spacing_m, reach_m)

    stations, segments, reaches = found
    downstream = stations["downstream"].to_numpy()
    assert (downstream[downstream >= 0] > np.flatnonzero(downstream >= 0)).all()
    assert stations["segment_length_m"].max() <= spacing_m * (1 + 1e-9)
    length_m = network.links["length_m"].to_numpy()
    for table in (segments, reaches):
        by_link = table.assign(length=table["to_m"] - table["from_m"]).groupby("link")
        assert by_link["length"].sum().to_numpy() == pytest.approx(length_m)
        # One follows the other without gap.
        assert all((rows["from_m"].to_numpy()[1:] == rows["to_m"].to_numpy()[:-1]).all() for _, rows in by_link)
        drawn = shapely.length(table["geometry"].to_numpy())
        assert drawn == pytest.approx((table["to_m"] - table["from_m"]).to_numpy())
    assert segments["station"].tolist() == stations.index[stations["reach"] >= 0].tolist()
    assert (stations.loc[segments["station"], "reach"].to_numpy() == segments["reach"].to_numpy()).all()
    of_reach = segments.groupby("reach")
    assert of_reach["from_m"].min().to_numpy() == pytest.approx(reaches["from_m"].to_numpy())
    assert of_reach["to_m"].max().to_numpy() == pytest.approx(reaches["to_m"].to_numpy())


def test_segments_follow_the_bends_of_the_stream(stationing):
    network, found = stationing({"creek": [(0, 0), (30, 40), (60, 0), (90, 40)]}, 20.0, 1000.0)

    assert len(found.segments) == 8
    together = shapely.line_merge(shapely.multilinestrings(found.segments["geometry"].tolist()))
    assert shapely.hausdorff_distance(together, network.links["geometry"][0]) < 1e-9
    assert shapely.length(together) == pytest.approx(150)


def test_the_direction_at_a_bend_is_that_of_the_stream_before_and_after(stationing):
    _, found = stationing({"creek": [(0, 100), (0, 0), (100, 0)]}, 100.0, 1000.0)

    bend = found.stations.loc[1]
    assert (bend["direction_x"], bend["direction_y"]) == pytest.approx((0.5**0.5, -(0.5**0.5)))


@pytest.mark.parametrize(("bend_m", "is_straight"), [(24.0, False), (26.0, True)])
def test_a_bend_farther_off_than_half_a_segment_turns_no_station(stationing, bend_m, is_straight):
    # Stations every 50 m; the bend lies so far below the second of them.
    _, found = stationing({"creek": [(0, 100), (0, 50 - bend_m), (500 - bend_m, 50 - bend_m)]}, 50.0, 5000.0)

    spacing_m = found.stations["segment_length_m"].max()
    assert spacing_m == pytest.approx(50.0)
    assert (found.stations["direction_x"][1] == 0.0) == is_straight


@pytest.mark.parametrize(("bend_m", "is_straight"), [(49.0, False), (51.0, True)])
def test_directions_are_taken_over_the_whole_spacing_though_segments_are_shorter(stationing, bend_m, is_straight):
    # Stations every 83.3 m, at most 100 m apart: 50 m either way. The bend lies so far below the second of them.
    straight_m = 250 / 3 + bend_m
    vertices = [(0, 0), (0, -straight_m), (500 - straight_m, -straight_m)]

    _, found = stationing({"creek": vertices}, 100.0, 250.0)

    assert (found.stations["direction_x"][1] == 0.0) == is_straight


@pytest.mark.parametrize(
    ("length_m", "segments"),
    # A billionth more than the spacing is rounding.
    [(2e-6, 1), (0.5, 1), (50.0, 1), (50.0 + 4.9e-8, 1), (50.0 + 5.1e-8, 2), (100.0, 2)],
)
def test_a_stream_has_a_segment_for_each_spacing_begun_and_a_direction_however_short(
    stationing, length_m, segments
):
    _, found = stationing({"creek": [(0, 0), (0, -length_m)]}, 50.0, 1000.0)

    assert len(found.segments) == segments
    assert found.stations["direction_y"].tolist() == [-1.0] * (segments + 1)


def test_the_length_upstream_of_a_reach_is_that_of_all_streams_above_its_end(stationing):
    network, found = stationing(FORK, 50.0, 250.0)

    # Two tributaries of 500 m, then two reaches of 250 m.
    of_lower = found.reaches[found.reaches["feature_id"] == "lower"]
    assert network.links["length_m"].tolist() == pytest.approx([500.0] * 3)
    assert of_lower["upstream_length_km"].tolist() == pytest.approx([1.25, 1.5])


def test_directions_have_length_one(stationing):
    _, found = stationing(FORK)

    assert np.hypot(found.stations["direction_x"], found.stations["direction_y"]).to_numpy() == pytest.approx(1)


def test_reach_ids_stay_when_a_stream_is_added_elsewhere(stationing):
    _, before = stationing(FORK)

    _, after = stationing({"new": [(-5000, 900), (-5000, 100)], **FORK})

    assert set(after.reaches["reach_id"]) > set(before.reaches["reach_id"])


def test_reach_ids_and_lines_do_not_depend_on_the_order_of_features(stationing):
    vertices = {
        **FORK,
        # A loop of two equal arms, a gap, a tributary that ends on a line, and a ring: all that could be a tie.
        "east": [(0, 0), (50, -50), (0, -100)],
        "west": [(0, 0), (-50, -50), (0, -100)],
        "gap": [(0, -100.7), (0, -600)],
        "brook": [(200, -300), (0.4, -300)],
        "ring": [(900, 0), (900, 300), (1200, 0), (900, 0)],
    }
    _, one = stationing(vertices)

    for order in (reversed(vertices), sorted(vertices), sorted(vertices, key=len)):
        _, other = stationing({name: vertices[name] for name in order})

        by_id = [found.reaches.set_index("reach_id")["geometry"].sort_index() for found in (one, other)]
        assert by_id[0].index.tolist() == by_id[1].index.tolist()
        assert shapely.equals_exact(by_id[0].to_numpy(), by_id[1].to_numpy(), 0.0).all()


def test_a_reach_of_a_feature_drawn_upstream_is_named_by_metres_as_drawn(stationing):
    vertices = {**FORK, "lower": FORK["lower"][::-1], "mouth": [(0, 0), (0, -900)]}

    _, found = stationing(vertices)

    lower = found.reaches[found.reaches["feature_id"] == "lower"]
    # The upper one lies farther from the drawn start, which is the mouth of the feature. The link is 1400 m in 6.
    assert lower["feature_m"].tolist() == pytest.approx([500 - 1400 / 12, 500 - 1400 / 4])


def test_a_place_on_the_border_of_two_features_is_reported_by_the_upper_one():
    parts = pd.DataFrame(
        {
            "link": [0, 0, 1],
            "from_m": [0.0, 100.0, 0.0],
            "to_m": [100.0, 150.0, 80.0],
            "feature_id": ["a", "b", "c"],
            "feature_from_m": [0.0, 50.0, 300.0],
            "feature_to_m": [100.0, 0.0, 380.0],
        }
    )

    names = place_names(parts, np.array([0, 0, 0, 1]), np.array([40.0, 100.0, 110.0, 80.0]))

    assert names["name"].tolist() == ["a@40", "a@100", "b@40", "c@380"]
    # A hair beyond the last feature of a link is still that one's.
    beyond = place_names(parts, np.array([0, 1]), np.array([150.0 + 1e-9, 80.0 + 1e-9]))
    assert beyond["feature_id"].tolist() == ["b", "c"]
    # "b" is drawn upstream: its end lies a hair before its own beginning, which is no "-0".
    assert beyond["name"].tolist() == ["b@0", "c@380"]


def test_parts_of_reaches_are_those_of_the_features_as_drawn_and_rounding_is_none():
    # A link of 600 m: "a" drawn downstream from its own 100 m on, and "b" drawn upstream.
    parts = pd.DataFrame(
        [(0, 0.0, 250.0, "a", 100.0, 350.0), (0, 250.0, 600.0, "b", 350.0, 0.0), (1, 0.0, 90.0, "c", 0.0, 45.0)],
        columns=["link", "from_m", "to_m", "feature_id", "feature_from_m", "feature_to_m"],
    )
    reaches = pd.DataFrame({"link": [0, 0, 0, 1], "from_m": [0.0, 200, 400, 30], "to_m": [200.0, 400, 600, 90]})

    assert features_of_reaches(reaches, parts).values.tolist() == [
        [0, "a", 0.0, 200.0, 100.0, 300.0],
        [1, "a", 0.0, 50.0, 300.0, 350.0],
        [1, "b", 50.0, 200.0, 350.0, 200.0],
        [2, "b", 0.0, 200.0, 200.0, 0.0],
        # Half as long as it was drawn.
        [3, "c", 0.0, 60.0, 15.0, 45.0],
    ]
    assert features_of_reaches(reaches.assign(from_m=[0.0, 249.995, 400, 0]), parts)["reach"].tolist() == [
        0,
        1,
        2,
        3,
    ]


def test_the_nearest_segment_is_given_with_the_share_of_it_that_lies_above():
    lines = shapely.linestrings([[(0, 0), (0, -40)], [(0, -40), (0, -60)], [(30, 0), (0, -40)]])
    segments = pd.DataFrame({"station": [4, 7, 5], "geometry": lines})

    # The second point is at the end of three segments: the lowest number counts.
    station, distance_m, share = nearest_segments(shapely.points([[-3, -10], [0, -40], [4, -55]]), segments)

    assert station.tolist() == [4, 4, 7]
    assert distance_m.tolist() == [3.0, 0.0, 4.0]
    assert share.tolist() == [0.25, 1.0, 0.75]
    one = nearest_segments(shapely.points([[4, -55]]), segments)
    assert [each.tolist() for each in one] == [[7], [4.0], [0.75]]
    assert [each.size for each in nearest_segments(np.array([]), segments)] == [0, 0, 0]


def test_names_that_repeat_get_letters_and_after_z_numbers():
    distinct = without_repeats(["x"] * 28)

    assert distinct[:3] == ["x", "xb", "xc"]
    assert distinct[25:] == ["xz", "x-26", "x-27"]
    assert len(set(distinct)) == 28


def test_where_a_stream_turns_back_on_itself_its_direction_is_east():
    there_and_back = shapely.LineString([(0, 0), (0, 50), (0, 0)])

    stations = _stations_of(7, there_and_back, np.array([0.0, 50.0, 100.0]), np.array([-1, 0, 0]), True, 100.0)

    assert stations["direction_x"].tolist() == [0.0, 1.0, 0.0]
    assert stations["direction_y"].tolist() == [1.0, 0.0, -1.0]
