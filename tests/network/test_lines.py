"""Lines to pieces: ends snapped, lines split where another ends on them, and each change listed."""

import itertools

import numpy as np
import pytest
import shapely

from sitefinder.network.snapping import _before, snapping_distance_m
from sitefinder.network.topology import REPAIR_COLUMNS, _drops, cut_lines


@pytest.fixture
def cut(lines):
    """A function that draws lines and cuts them, snapping within 1 m."""

    def draw_and_cut(snap_m=1.0, **vertices):
        table = lines(**vertices)
        return cut_lines(table["geometry"].to_numpy(), table["feature_id"].to_numpy(dtype=object), snap_m=snap_m)

    return draw_and_cut


def notes(repairs):
    return [(row.feature, row.problem, row.action) for row in repairs.itertuples()]


def shapes(pieces):
    return [shapely.get_coordinates(line).tolist() for line in pieces.geometry]


def test_lines_that_meet_exactly_are_left_as_drawn(cut):
    pieces, repairs = cut(upper=[(0, 20), (3, 15), (0, 10)], lower=[(0, 10), (0, 0)])

    assert shapes(pieces) == [[[0, 20], [3, 15], [0, 10]], [[0, 10], [0, 0]]]
    assert pieces.end[0] == pieces.start[1]
    assert len(pieces.node_x_m) == 3
    assert notes(repairs) == []


def test_a_gap_within_the_snapping_distance_is_closed_and_listed(cut):
    pieces, repairs = cut(left=[(-10, 20), (0, 10)], right=[(10, 20), (0, 10)], lower=[(0, 9.4), (0, 0)])

    # Two of the three ends agree to the letter, so the third moves to them.
    assert pieces.end[0] == pieces.end[1] == pieces.start[2]
    assert shapes(pieces)[2] == [[0, 10], [0, 0]]
    assert notes(repairs) == [("lower", "end off its node", "start moved by 0.60 m to the node")]


def test_a_line_that_is_moved_at_its_end_leaves_the_place_where_it_ended_however_its_length_is_rounded(cut):
    # The length of its vertices summed, 17.217723426748380 m, is a bit less than shapely has it.
    moved = [(0, 50), (7.7, 34.6)]
    pieces, _ = cut(upper=moved, right=[(20, 50), (8.3, 34.6)], lower=[(8.3, 34.6), (8.3, 0)])

    assert np.hypot(*np.diff(moved, axis=0)[0]) < shapely.LineString(moved).length
    assert shapes(pieces)[0] == [[0, 50], [8.3, 34.6]]


def test_a_gap_beyond_the_snapping_distance_stays_open(cut):
    pieces, repairs = cut(upper=[(0, 20), (0, 10)], lower=[(0, 8.9), (0, 0)])

    assert len(pieces.node_x_m) == 4
    assert notes(repairs) == []


def test_a_snapping_distance_of_nothing_joins_only_ends_that_are_equal(cut):
    pieces, _ = cut(0.0, upper=[(0, 20), (0, 10)], lower=[(0, 10), (0, 0)], other=[(9, 9), (0, 10.01)])

    assert pieces.end[0] == pieces.start[1]
    assert len(pieces.node_x_m) == 5


def test_a_line_is_split_where_a_tributary_ends_on_it(cut):
    pieces, repairs = cut(river=[(0, 100), (0, 0)], brook=[(50, 60), (0, 60)])

    assert shapes(pieces) == [[[0, 100], [0, 60]], [[0, 60], [0, 0]], [[50, 60], [0, 60]]]
    assert pieces.feature.tolist() == [0, 0, 1]
    assert pieces.from_m.tolist() == [0, 40, 0]
    assert pieces.end[0] == pieces.start[1] == pieces.end[2]
    assert notes(repairs) == [("river", "another line ends on it", "split at 40.0 m")]


def test_a_tributary_that_stops_short_is_drawn_on_to_the_line(cut):
    pieces, repairs = cut(river=[(0, 100), (0, 0)], brook=[(50, 60), (0.8, 60)])

    assert shapes(pieces)[2] == [[50, 60], [0, 60]]
    assert notes(repairs) == [
        ("river", "another line ends on it", "split at 40.0 m"),
        ("brook", "end off its node", "end moved by 0.80 m to the node"),
    ]


def test_an_end_between_two_lines_moves_onto_the_nearer_whatever_the_order(cut):
    near, far = [(0, 100), (0, 0)], [(-1.2, 100), (-1.2, 0)]
    brook = [(-50, 60), (-0.5, 50)]

    one, _ = cut(near=near, far=far, brook=brook)
    other, _ = cut(far=far, near=near, brook=brook)

    # 0.5 m against 0.7 m; the farther line is then drawn over to the node as well.
    for pieces in (one, other):
        assert shapely.get_coordinates(pieces.geometry[pieces.feature == 2][0])[-1].tolist() == [0, 50]


def test_several_tributaries_split_a_line_in_order_along_it(cut):
    pieces, repairs = cut(river=[(0, 100), (0, 0)], low=[(9, 30), (0, 30)], high=[(9, 80), (0, 80)])

    river = pieces.feature == 0
    assert pieces.from_m[river].tolist() == [0, 20, 70]
    assert shapely.length(pieces.geometry[river]).tolist() == [20, 50, 30]
    assert len(repairs) == 2


@pytest.mark.parametrize("short_m", [0.0, 0.8])
def test_tributaries_that_end_opposite_each_other_meet_in_the_river(cut, short_m):
    # Each ends within 1 m of the river, and farther than that from the other one.
    pieces, repairs = cut(
        river=[(0, 100), (0, 0)], west=[(-50, 50), (-short_m, 50)], east=[(50, 50), (short_m, 50)], snap_m=1.0
    )

    assert len(pieces.geometry) == 4
    assert np.bincount(pieces.end).max() == 3
    assert len(np.setdiff1d(pieces.end, pieces.start)) == 1
    assert not (repairs["problem"] == "no length after snapping").any()


def test_lines_that_only_cross_stay_whole(cut):
    pieces, repairs = cut(river=[(0, 100), (0, 0)], aqueduct=[(-50, 50), (50, 50)])

    assert len(pieces.geometry) == 2
    assert notes(repairs) == []


@pytest.mark.parametrize("again", [[(0, 20), (5, 10), (0, 0)], [(0, 0), (5, 10), (0, 20)]])
def test_a_line_drawn_twice_either_way_round_is_kept_once(cut, again):
    pieces, repairs = cut(first=[(0, 20), (5, 10), (0, 0)], again=again)

    assert len(pieces.geometry) == 1
    assert notes(repairs) == [("again", "drawn twice", "left out, the same as first")]


def test_rows_of_features_stay_those_of_the_table_when_a_duplicate_is_left_out(cut):
    pieces, _ = cut(first=[(0, 20), (0, 0)], again=[(0, 20), (0, 0)], other=[(90, 20), (90, 0)])

    assert pieces.feature.tolist() == [0, 2]


def test_a_short_line_is_kept_whatever_the_snapping_distance(cut):
    pieces, repairs = cut(stub=[(0, 0), (0.4, 0)], river=[(0.4, 0), (100, 0)])

    assert pieces.feature.tolist() == [0, 1]
    assert notes(repairs) == []


def test_a_short_line_between_two_confluences_keeps_both(cut):
    pieces, repairs = cut(
        snap_m=5.0,
        west=[(0, 100), (0, 0)],
        north=[(30, 100), (0, 0)],
        between=[(0, 0), (0, -2)],
        east=[(50, 60), (0, -2)],
        lower=[(0, -2), (0, -90)],
    )

    assert len(pieces.geometry) == 5
    assert notes(repairs) == []


def test_the_source_of_a_short_stream_beside_its_river_is_no_gap(cut):
    # 15 m long and 3.4 m from the river at its source; of 200 m, the end is a gap.
    pieces, repairs = cut(snap_m=5.0, river=[(0, 100), (0, -100)], brook=[(3.4, 14.6), (0, 0)])
    assert notes(repairs) == [("river", "another line ends on it", "split at 100.0 m")]
    assert len(pieces.geometry) == 3

    pieces, repairs = cut(snap_m=5.0, river=[(0, 200), (0, -100)], arm=[(3.4, 150), (60, 80), (0, 0)])
    assert ("arm", "end off its node", "start moved by 3.40 m to the node") in notes(repairs)


def test_the_smaller_gap_is_closed_and_the_wider_one_then_is_none(cut):
    # Upper's end is 1 m from lower's start and 3 m from a river that lower runs into.
    pieces, _ = cut(
        snap_m=5.0,
        upper=[(-100, 0), (-4, 0)],
        lower=[(-4, -1), (-4, -40), (0, -50)],
        river=[(-1, 100), (-1, 0), (0, -50), (0, -100)],
    )

    assert pieces.end[pieces.feature == 0] == pieces.start[pieces.feature == 1]
    assert (pieces.feature == 2).sum() == 2


@pytest.mark.parametrize(("first_m", "second_m"), [(0.5, 0.8), (0.8, 0.5)])
def test_between_parts_that_the_smaller_gap_has_joined_another_is_closed_only_at_a_loose_end(
    cut, first_m, second_m
):
    # Two chains of lines side by side, so far apart at one joint and at the next; neither joint is loose.
    pieces, _ = cut(
        far=[(900, 900), (900, 800)],
        away=[(-900, 900), (-900, 800)],
        south_1=[(0, -60), (100, 0)],
        south_2=[(100, 0), (150, -60), (200, 0)],
        south_3=[(200, 0), (300, -60)],
        north_1=[(0, 60), (100, first_m)],
        north_2=[(100, first_m), (150, 60), (200, second_m)],
        north_3=[(200, second_m), (300, 60)],
    )

    assert (pieces.end[2] == pieces.end[5]) == (first_m < second_m)
    assert (pieces.end[3] == pieces.end[6]) == (second_m < first_m)


@pytest.mark.parametrize(
    ("lengths_m", "snap_m"), [([], 5.0), ([20.0, 40.0], 1.5), ([40.0, 400.0], 5.0), ([99.0, 80.0, 1.0], 4.0)]
)
def test_a_gap_is_an_error_up_to_a_twentieth_of_the_median_line_and_five_metres(lengths_m, snap_m):
    assert snapping_distance_m(np.array(lengths_m)) == snap_m


def test_the_fall_of_a_feature_is_shared_by_the_length_of_its_pieces(cut):
    vertices = {"river": [(0, 100), (0, 0)], "brook": [(50, 60), (0, 60)]}
    pieces, _ = cut(**vertices)
    geometry = np.array([shapely.LineString(each) for each in vertices.values()], dtype=object)

    assert _drops(pieces, geometry, np.array([[30.0, 20.0], [29.0, 26.5]])).tolist() == [4.0, 6.0, 2.5]
    assert np.isnan(_drops(pieces, geometry, None)).all()


def test_of_two_places_one_is_the_first_whichever_is_asked():
    places = np.array(list(itertools.product((0.0, 1.0, 2.0), repeat=2)))
    one, other = (places[rows] for rows in np.triu_indices(len(places), 1))

    # By x, then by y, as the product lists them.
    assert _before(one, other).all()
    assert not _before(other, one).any()
    assert not _before(places, places).any()


def test_a_closed_ring_is_a_piece_from_a_node_to_itself(cut):
    pieces, _ = cut(ring=[(0, 0), (100, 0), (50, 80), (0, 0)])

    assert pieces.start.tolist() == pieces.end.tolist() == [0]


def test_heights_in_the_vertices_are_dropped(cut):
    pieces, _ = cut(river=[(0, 100, 7.5), (0, 0, 3.25)])

    assert not shapely.has_z(pieces.geometry).any()


def test_nodes_and_their_places_do_not_depend_on_the_order_of_lines(cut):
    network = {
        "left": [(-10, 20), (0.3, 10)],
        "right": [(10, 20), (0, 10.2)],
        "lower": [(0, 9.9), (0, 0)],
    }

    one, _ = cut(**network)
    other, _ = cut(**dict(reversed(network.items())))

    assert one.node_x_m.tolist() == other.node_x_m.tolist()
    assert one.node_y_m.tolist() == other.node_y_m.tolist()
    assert shapes(one) == shapes(other)[::-1]


def test_what_was_given_is_not_altered_and_repairs_have_their_columns_even_when_empty(lines):
    table = lines(river=[(0, 100), (0, 0)])
    geometry, feature_id = table["geometry"].to_numpy(), table["feature_id"].to_numpy(dtype=object)
    before = geometry.copy()

    _, repairs = cut_lines(geometry, feature_id, snap_m=5.0)

    assert np.array_equal(geometry, before)
    assert repairs.columns.tolist() == REPAIR_COLUMNS


def test_no_lines_give_no_pieces():
    none = np.array([], dtype=object)

    pieces, repairs = cut_lines(none, none, snap_m=5.0)

    assert [len(part) for part in pieces] == [0] * 7
    assert len(repairs) == 0


def test_a_piece_whose_ends_are_two_nodes_at_one_place_is_left_out(cut):
    # The loop ends 0.8 m beside where it and the river begin, and lands on the river 8e-12 m below: less than
    # coordinates of half a million metres can show. Both ends of the loop on one node would be a ring.
    begin, far = 500_000.0, 500_000.0 + 1e-9
    pieces, repairs = cut(
        river=[(begin, begin), (begin + 100, far)],
        loop=[(begin, begin), (begin - 90, begin), (begin - 90, begin + 90), (begin, begin + 0.8)],
    )

    assert (shapely.length(pieces.geometry) > 0.0).all()
    assert pieces.feature.tolist() == [0, 1]
    assert ("river", "no length after snapping", "left out") in notes(repairs)


@pytest.mark.parametrize(("aside_m", "is_closed"), [(8.9, False), (9.0, True)])
def test_the_loose_end_of_a_stub_is_none_from_four_snapping_distances_on(cut, aside_m, is_closed):
    # Its source is 3 m from the river, which it runs into over 2 m more than twice as far aside: 19.8 or 20 m.
    brook = [(3, 5), (aside_m, 5), (aside_m, 0), (0, 0)]
    for places in (brook, brook[::-1]):
        pieces, _ = cut(snap_m=5.0, river=[(0, 100), (0, -100)], brook=places)

        assert (pieces.feature == 0).sum() == 2 + is_closed


# Two chains of lines beside each other. In the south they are 0.5 m apart from south to north at x = 100.25 m, in
# the north as much from west to east, from x = 100 m on.
CHAINS = {
    "west_1": [(40, -100), (100.25, 0)],
    "west_2": [(100.25, 0), (40, 100), (100, 200)],
    "west_3": [(100, 200), (40, 300)],
    "east_1": [(160, -100), (100.25, -0.5)],
    "east_2": [(100.25, -0.5), (160, 100), (100.5, 200)],
    "east_3": [(100.5, 200), (160, 300)],
}
# The end of "arm" is 0.5 m from two nodes of a chain: from one to the north of it, and one to the east.
CORNER = {
    "arm": [(-100, 0), (0, 0)],
    "in": [(100, -20), (0.5, 0)],
    "over": [(0.5, 0), (60, 60), (0, 0.5)],
    "out": [(0, 0.5), (0, 100)],
}
# Between two nodes of a chain a brook of 10 m, 0.5 m apart from either: in the south from west to east, from
# x = 0 m on, and in the north from south to north at x = 0.25 m. Joined by one end it is a stub.
STUB = {
    "brook": [(0, 0), (0.25, 10)],
    "in": [(100, 0), (0.5, 0)],
    "over": [(0.5, 0), (60, 5), (0.25, 10.5)],
    "out": [(0.25, 10.5), (100, 50)],
}


@pytest.mark.parametrize(
    ("drawn", "snap_m", "joined", "apart"),
    [
        (CHAINS, 1.0, ("west_2", "east_2"), ("west_1", "east_1")),
        (CORNER, 1.0, ("arm", "over"), ("arm", "in")),
        (STUB, 5.0, ("brook", "in"), ("brook", "out")),
    ],
)
@pytest.mark.parametrize("is_reversed", [False, True])
def test_of_equal_gaps_the_one_farther_west_is_closed_whichever_lines_are_drawn_first(
    cut, drawn, snap_m, joined, apart, is_reversed
):
    names = list(drawn)[:: -1 if is_reversed else 1]

    pieces, _ = cut(snap_m, **{name: drawn[name] for name in names})

    # Each is one piece.
    nodes = dict(
        zip(np.array(names)[pieces.feature].tolist(), zip(pieces.start, pieces.end, strict=True), strict=True)
    )
    assert set(nodes[joined[0]]) & set(nodes[joined[1]])
    assert not set(nodes[apart[0]]) & set(nodes[apart[1]])


@pytest.mark.parametrize("way", [1, -1])
def test_what_ends_beside_the_end_of_a_line_lands_nowhere_on_it(cut, way):
    # A loop from the end of the river, or to it, whose other end is 0.8 m aside: not on the river, but next to it.
    pieces, repairs = cut(river=[(0, 0), (100, 0)][::way], loop=[(0, 0), (-90, 0), (-90, 90), (0, 0.8)])

    assert pieces.feature.tolist() == [0, 1]
    assert notes(repairs) == []


@pytest.mark.parametrize("way", [1, -1])
def test_a_gap_between_two_ends_is_closed_where_the_western_one_is_and_of_two_the_southern(cut, way):
    ends = {"west": [(-50, 0.5), (0, 0.5)], "east": [(50, 0), (0.5, 0)]}
    assert shapes(cut(**dict([*ends.items()][::way]))[0])[::way] == [[[-50, 0.5], [0, 0.5]], [[50, 0], [0, 0.5]]]

    ends = {"north": [(0, 50), (0, 0.5)], "south": [(0, -50), (0, 0)]}
    assert shapes(cut(**dict([*ends.items()][::way]))[0])[::way] == [[[0, 50], [0, 0]], [[0, -50], [0, 0]]]


def test_a_line_is_split_within_its_first_metre_too(cut):
    pieces, repairs = cut(0.0, river=[(0, 100), (0, 0)], brook=[(50, 60), (0, 99.5)])

    assert shapely.length(pieces.geometry[pieces.feature == 0]).tolist() == [0.5, 99.5]
    assert notes(repairs) == [("river", "another line ends on it", "split at 0.5 m")]


def test_what_became_one_node_on_a_line_from_both_its_sides_does_not_cut_one_another(cut):
    # Either end is less than 1e-6 m from the canal, on which both land in one place, and farther from the other;
    # the river passes the brook's end at 0.7e-6 m.
    pieces, repairs = cut(
        0.0,
        canal=[(-100, 0), (100, 0)],
        river=[(0, 0.6e-6), (0, -100)],
        brook=[(50, -50), (0.7e-6, -0.55e-6)],
    )

    assert pieces.feature.tolist() == [0, 0, 1, 2]
    assert set(repairs["feature"]) == {"canal"}
