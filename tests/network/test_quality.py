"""Streams that cannot be distinguished, that cross, or climb over a ridge: drawn so, and so that they do not."""

import numpy as np
import pandas as pd
import pytest
import shapely

from sitefinder.dem.grid import Grid
from sitefinder.dem.stream_cells import stream_cells
from sitefinder.network.quality import (
    _are_neighbours,
    _ridge_heights,
    count_crossings,
    list_close_streams,
    list_crossings,
    list_ridges,
    list_shared_cells,
)
from sitefinder.network.stations import place_stations
from sitefinder.network.topology import build_network

CELL_M = 10.0
GRID = Grid(100, 100, 0.0, 1000.0, CELL_M, CELL_M)


@pytest.fixture
def stationing(lines):
    """A function that gives the network of drawn lines and what is placed on it."""

    def place(**vertices):
        network = build_network(lines(**vertices), snap_m=1.0)
        return network, place_stations(network, station_spacing_m=25.0, reach_length_m=500.0)

    return place


def notes(repairs):
    return repairs[["feature", "problem", "action"]].to_numpy().tolist()


def shared_of(network, on_it):
    segments, stations = on_it.segments, on_it.stations
    geometry = segments["geometry"].to_numpy()
    start = np.concatenate([[0], np.cumsum(shapely.get_num_coordinates(geometry))])
    x_m, y_m = shapely.get_coordinates(geometry).T
    label = segments["station"].to_numpy().astype(np.int32)
    link = stations["link"].to_numpy()[label]
    cells = stream_cells(start, x_m, y_m, label, link, network.links["downstream_link"].to_numpy(), GRID)
    return cells.shared


def test_two_streams_in_one_row_of_cells_share_them_and_are_listed(stationing):
    # Both run through row 50 of cells from x = 100 to 300 m; "brook" leaves it at either end.
    network, on_it = stationing(
        river=[(50, 502), (950, 502)], brook=[(100, 700), (100, 507), (299, 507), (299, 300)]
    )

    found = list_shared_cells(shared_of(network, on_it), on_it.stations, network)

    # 20 cells from column 10 to 29; who wins each is settled by length, and the river's runs are the longer ones.
    assert notes(found)[0][:2] == ["brook", "shares cells with another stream"]
    numbers = [int(row[2].split()[0]) for row in notes(found)]
    assert sum(numbers) == 20


def test_siblings_and_links_that_flow_into_each_other_share_the_corner_of_their_confluence_only(stationing):
    network, on_it = stationing(
        left=[(100, 700), (302, 502)], right=[(500, 700), (303, 503)], lower=[(302, 502), (302, 100)]
    )

    assert notes(list_shared_cells(shared_of(network, on_it), on_it.stations, network)) == []


def test_streams_a_cell_apart_are_listed_once(stationing):
    network, on_it = stationing(
        river=[(50, 500), (950, 500)], brook=[(200, 700), (200, 512), (600, 512), (600, 700)]
    )

    found = list_close_streams(on_it.segments, on_it.stations, network, CELL_M)

    assert len(found) == 1
    assert found["problem"][0] == "runs beside another stream"
    pair = found["feature"][0] + found["action"][0]
    assert "river" in pair
    assert "brook" in pair
    # 400 m side by side, in segments of some 25 m, of which those at the corners count or not.
    assert float(found["action"][0].split()[1]) == pytest.approx(400, abs=30)


@pytest.mark.parametrize("apart_m", [16.0, 100.0])
def test_streams_farther_apart_are_not(stationing, apart_m):
    network, on_it = stationing(
        river=[(50, 500), (950, 500)],
        brook=[(200, 700), (200, 500 + apart_m), (600, 500 + apart_m), (600, 700)],
    )

    assert notes(list_close_streams(on_it.segments, on_it.stations, network, CELL_M)) == []


@pytest.mark.parametrize(("far_m", "is_close"), [(24.8, True), (25.2, False)])
@pytest.mark.parametrize("is_turned", [False, True])
def test_a_segment_is_where_its_middle_is(lines, far_m, is_close, is_turned):
    # One segment from 5 m beside the river to that distance: its middle is 14.9 or 15.1 m off, of 15 m allowed.
    brook = [(200, 505), (300, 500 + far_m)]
    network = build_network(
        lines(river=[(50, 500), (950, 500)], brook=brook[:: -1 if is_turned else 1]), snap_m=1.0
    )
    on_it = place_stations(network, station_spacing_m=2000.0, reach_length_m=5000.0)

    assert len(list_close_streams(on_it.segments, on_it.stations, network, CELL_M)) == is_close


@pytest.mark.parametrize(("length_m", "is_close"), [(39.0, False), (40.0, True), (45.0, True)])
def test_streams_side_by_side_for_less_than_four_cells_are_not_listed(lines, length_m, is_close):
    network = build_network(
        lines(river=[(50, 500), (950, 500)], brook=[(200, 505), (200 + length_m, 505)]), snap_m=1.0
    )
    on_it = place_stations(network, station_spacing_m=2000.0, reach_length_m=5000.0)

    assert len(list_close_streams(on_it.segments, on_it.stations, network, CELL_M)) == is_close


@pytest.mark.parametrize(
    ("nodes", "below", "leaves"),
    [
        # Two sources meet where the stream parts into 2 (main) and arms 3 and 4; 4 has an outlet of its own, 3
        # parts again into 6 (main) and arm 7, which meet; 8 lies apart.
        (
            [(0, 2), (1, 2), (2, 3), (2, 5), (2, 4), (3, 6), (5, 3), (5, 6), (8, 9)],
            [2, 2, 5, 6, -1, -1, 5, -1, -1],
            [-1, -1, -1, 0, 0, -1, -1, 3, -1],
        ),
        # A source parts into 1 (main) and arm 2, of which each has an outlet; 3 lies apart.
        ([(0, 1), (1, 4), (1, 6), (8, 9)], [1, -1, -1, -1], [-1, -1, 0, -1]),
    ],
)
def test_links_are_neighbours_where_they_share_a_node(nodes, below, leaves):
    # Links from node to node.
    links = pd.DataFrame({"downstream_link": below, "leaves_link": leaves})
    one, other = np.triu_indices(len(nodes), 1)
    # Outlets are no nodes at which links meet.
    share = [bool({*nodes[a]} & {*nodes[b]} - {4, 6, 9}) for a, b in zip(one, other, strict=True)]

    assert _are_neighbours(one, other, links).tolist() == share
    assert _are_neighbours(other, one, links).tolist() == share


def test_arms_of_one_parting_and_tributaries_at_their_mouth_are_not(stationing):
    network, on_it = stationing(
        upper=[(500, 900), (500, 700)],
        main=[(500, 700), (495, 600), (500, 500)],
        arm=[(500, 700), (505, 600), (500, 500)],
        lower=[(500, 500), (500, 100)],
        brook=[(505, 390), (500, 300)],
    )

    assert notes(list_close_streams(on_it.segments, on_it.stations, network, CELL_M)) == []


def test_streams_that_cross_without_meeting_are_listed_once(stationing):
    network, _ = stationing(
        river=[(50, 500), (200, 500)],
        river_2=[(200, 500), (950, 500)],
        aqueduct=[(300, 900), (300, 700)],
        aqueduct_2=[(300, 700), (300, 100)],
    )

    # By their upper features, that of the link with the lower number first.
    assert notes(list_crossings(network)) == [
        ["river", "crosses another stream without meeting it", "kept apart from aqueduct"]
    ]


@pytest.mark.parametrize("rows", [2, 130])
def test_crossings_are_counted_once_each(rows):
    # Lines across one, more of them than are looked at together, and one that only ends on it.
    across = [[(10 * number, -5), (10 * number, 5)] for number in range(1, rows)]
    lines = shapely.linestrings([[(0, 0), (10 * rows, 0)], *across, [(5, 0), (5, 5)]])

    assert count_crossings(lines) == rows - 1


def test_streams_that_meet_do_not_cross(stationing):
    network, _ = stationing(river=[(50, 500), (950, 500)], brook=[(300, 900), (300, 500)])

    assert notes(list_crossings(network)) == []


def ridge(raw_m, fitted_m, limit_m=10.0, **vertices):
    """What is reported of one link with a station every 100 m, or of a drawn network."""
    drawn = vertices or {"river": [(0, 100.0 * (len(raw_m) - 1)), (0, 0)]}
    geometry = np.empty(len(drawn), dtype=object)
    geometry[:] = [shapely.LineString(places) for places in drawn.values()]
    table = pd.DataFrame({"geometry": geometry, "feature_id": list(drawn), "stream": ""})
    network = build_network(table, snap_m=1.0)
    stations = place_stations(network, station_spacing_m=100.0, reach_length_m=500.0).stations
    raw_m, fitted_m = np.array(raw_m, dtype=float), np.array(fitted_m, dtype=float)
    return notes(list_ridges(raw_m, fitted_m, stations, network, limit_m))


def test_a_stream_that_climbs_over_a_ridge_is_listed_with_the_height_of_the_lower_side():
    # From 50 m up to 90 m and down to 40 m: 40 m above what lies upstream, 50 m above what lies downstream.
    found = ridge([60, 50, 70, 90, 60, 40], [55, 50, 50, 50, 50, 40])

    assert found == [
        ["river", "drawn over a ridge", "kept; at 300 m it stands 40.0 m above what is up- and downstream"]
    ]


def test_two_ridges_in_one_feature_are_reported_by_the_higher_one():
    found = ridge([60, 50, 70, 50, 95, 40], [55, 50, 50, 50, 50, 40])

    assert len(found) == 1
    assert "at 400 m it stands 45.0 m" in found[0][2]


@pytest.mark.parametrize(
    ("raw_m", "fitted_m"),
    [
        ([90, 80, 70, 60, 50, 40], [90, 80, 70, 60, 50, 40]),  # falls all the way
        ([60, 50, 59, 55, 50, 40], [60, 52, 52, 52, 50, 40]),  # a rise within the limit
        ([40, 50, 60, 70, 80, 90], [65, 65, 65, 65, 65, 65]),  # climbs, but never falls again
        ([90, 20, 70, 60, 50, 40], [90, 70, 69, 60, 50, 40]),  # a pit: what follows is the plain, not a ridge
        ([90, 80, np.nan, np.nan, 50, 40], [90, 80, 70, 60, 50, 40]),  # nothing known in between
    ],
)
def test_what_is_no_ridge_is_not_listed(raw_m, fitted_m):
    assert ridge(raw_m, fitted_m) == []


def test_a_ridge_from_one_link_to_the_next_is_found_along_the_main_stem():
    vertices = {"upper": [(0, 300), (0, 200)], "side": [(50, 200), (0, 200)], "lower": [(0, 200), (0, 0)]}

    # Stations: side (2 at 100 m or less), upper, lower, in the order of the links.
    network = build_network(
        pd.DataFrame(
            {
                "geometry": pd.Series([shapely.LineString(places) for places in vertices.values()], dtype=object),
                "feature_id": list(vertices),
                "stream": "",
            }
        ),
        snap_m=1.0,
    )
    first = network.parts.groupby("link")["feature_id"].first().tolist()
    levels = {"upper": [50, 80], "side": [90, 85], "lower": [80, 70, 40]}
    raw_m = [level for name in first for level in levels[name]]

    found = ridge(raw_m, np.array(raw_m) - 30.0, **vertices)

    # Above the confluence the main stem lies at 50 m, below it at 40 m: at 80 m it stands 30 m too high.
    assert [
        "lower",
        "drawn over a ridge",
        "kept; at 0 m it stands 30.0 m above what is up- and downstream",
    ] in found


def test_ridges_stand_above_what_is_up_and_downstream_from_the_second_station_on():
    # One link of five stations; the last one has nothing downstream.
    raw_m = np.array([3.0, 8.0, 2.0, 7.0, 1.0])
    downstream = np.array([1, 2, 3, 4, -1])

    heights_m = _ridge_heights(raw_m, np.zeros(5, dtype=int), downstream, np.array([-1]))

    assert heights_m.tolist() == [0.0, 5.0, 0.0, 5.0, 0.0]


def test_the_lowest_ground_upstream_is_that_of_the_main_stem_down_to_its_last_station():
    # Links 0 and 1, of which 1 is the main one, meet in 2: from 3 m up to 8 m and down to 1 m.
    raw_m, link = np.array([9.0, 2.0, 9.0, 3.0, 8.0, 1.0]), np.array([0, 0, 1, 1, 2, 2])
    downstream = np.array([1, 4, 3, 4, 5, -1])

    heights_m = _ridge_heights(raw_m, link, downstream, np.array([-1, -1, 1]))

    assert heights_m.tolist() == [0.0, 0.0, 0.0, 0.0, 5.0, 0.0]
