"""Which arm is the main one: each rule on partings drawn so that one knows, and what is left to each side arm."""

import numpy as np
import pandas as pd
import pytest
import shapely

from sitefinder.network.directions import (
    _best_root,
    _contrary,
    _direction,
    _orders_without_partings,
    _ways,
    direct_pieces,
    main_arms,
)
from sitefinder.network.topology import build_network, cut_lines

# From the north to the parting at (0, 0); "bend" goes round by the west, "cut" straight on, and both meet below.
BRAID = {
    "upper": [(0, 300), (0, 0)],
    "bend": [(0, 0), (-100, 0), (-100, -100), (0, -200)],
    "cut": [(0, 0), (0, -200)],
    "lower": [(0, -200), (0, -400)],
}


def arms(network):
    first = network.parts.groupby("link")["feature_id"].first()
    return set(first[network.links["is_divergence"]])


def basis(network):
    return set(network.links["main_path_basis"]) - {""}


def test_the_arm_that_carries_the_name_on_is_the_main_one(lines):
    for name in ("bend", "cut"):
        drawn = lines(**BRAID, brook=[(300, -100), (0, -100)])
        drawn["stream"] = ["Ardelm" if feature in ("upper", name) else "" for feature in drawn["feature_id"]]
        network = build_network(drawn, snap_m=1.0)

        assert arms(network) == {"bend", "cut"} - {name}
        assert basis(network) == {"name"}


@pytest.mark.parametrize("names", [["Ardelm"] * 4, ["Ardelm", "Orm", "Orm", ""], [""] * 4])
def test_names_that_do_not_tell_leave_it_to_the_tributaries_and_then_to_the_shorter_arm(lines, names):
    with_brook = lines(**BRAID, brook=[(-300, -100), (-100, -100)])
    with_brook["stream"] = [*names, "Brook"]
    network = build_network(with_brook, snap_m=1.0)
    assert (arms(network), basis(network)) == ({"cut"}, {"tributaries"})

    network = build_network(lines(**BRAID).assign(stream=names), snap_m=1.0)
    assert (arms(network), basis(network)) == ({"bend"}, {"shape"})


def test_a_river_that_the_arm_itself_runs_into_is_no_tributary_of_it(lines):
    # The bend runs into a river that is longer than the stream that parted; the cut meets that river lower down.
    river = [(-900, -100), (-100, -100)]
    drawn = lines(**BRAID, river=river, burn=[(200, -100), (0, -100)])
    network = build_network(drawn, snap_m=1.0)

    assert (arms(network), basis(network)) == ({"bend"}, {"tributaries"})
    # From 300 m above the parting; a river of as much is not longer.
    for river_m in (300, 250):
        other = lines(**BRAID, river=[(-100 - river_m, -100), (-100, -100)], burn=[(200, -100), (0, -100)])
        assert arms(build_network(other, snap_m=1.0)) == {"cut"}


@pytest.mark.parametrize(
    ("rule", "arm"), [("longest", "cut"), ("shortest", "bend"), ("straightest", "bend"), ("order", "bend")]
)
def test_each_rule_of_shape_leaves_the_other_arm_aside(lines, rule, arm):
    # Without tributaries the orders are equal, and straightness settles them.
    assert arms(build_network(lines(**BRAID), snap_m=1.0, main_path=rule)) == {arm}


def test_the_rule_by_order_follows_the_arm_with_the_greater_tributaries(lines):
    # Two brooks join on the bend, none on the straight cut; below the meeting it no longer matters.
    drawn = lines(
        **BRAID,
        brook=[(-300, 0), (-100, 0)],
        beck=[(-300, -100), (-100, -100)],
        burn=[(300, -200), (0, -200)],
    )

    assert arms(build_network(drawn, snap_m=1.0, main_path="order")) == {"cut"}


@pytest.mark.parametrize(("bend", "cut", "arm"), [(2.0, 1.0, "cut"), (1.0, 2.0, "bend"), (np.nan, -5.0, "bend")])
def test_the_greatest_value_of_a_column_wins_and_a_missing_one_loses(lines, bend, cut, arm):
    drawn = lines(**BRAID).assign(main_path_value=[np.nan, bend, cut, np.nan])

    assert arms(build_network(drawn, snap_m=1.0, main_path="column")) == {arm}


def test_values_that_are_equal_leave_it_to_straightness(lines):
    drawn = lines(**BRAID).assign(main_path_value=1.0)

    assert arms(build_network(drawn, snap_m=1.0, main_path="column")) == {"bend"}


@pytest.mark.parametrize("rule", ["longest", "shortest", "straightest", "order", "column"])
@pytest.mark.parametrize("canal", ["bend", "cut"])
def test_a_canal_is_never_the_main_path_while_a_natural_one_exists(lines, rule, canal):
    drawn = lines(**BRAID)
    drawn["is_canal"] = drawn["feature_id"] == canal
    drawn["main_path_value"] = np.where(drawn["is_canal"], 9.0, 1.0)

    network = build_network(drawn, snap_m=1.0, main_path=rule)

    assert arms(network) == {canal}
    assert network.links["is_canal"].sum() == 1


def test_of_two_canals_one_is_the_main_path(lines):
    drawn = lines(**BRAID)
    drawn["is_canal"] = drawn["feature_id"].isin(["bend", "cut"])

    assert arms(build_network(drawn, snap_m=1.0)) == {"bend"}


def test_a_canal_that_begins_at_no_stream_raises_no_order_and_counts_as_no_source(lines):
    fork = lines(
        river=[(0, 300), (0, 100)], canal=[(100, 300), (0, 100)], lower=[(0, 100), (0, 0)], brook=[(90, 0), (0, 0)]
    )
    fork["is_canal"] = fork["feature_id"] == "canal"

    network = build_network(pd.concat([fork, lines(mouth=[(0, 0), (0, -100)]).assign(is_canal=False)]), snap_m=1.0)

    order = network.links.set_index(network.parts.groupby("link")["feature_id"].first())
    assert order["order_strahler"].to_dict() == {"river": 1, "canal": 1, "lower": 1, "brook": 1, "mouth": 2}
    assert order["shreve"]["mouth"] == 2


def test_a_river_that_runs_on_in_a_canal_keeps_its_order(lines):
    drawn = lines(
        left=[(-100, 300), (0, 200)],
        right=[(100, 300), (0, 200)],
        canal=[(0, 200), (0, 0)],
        mouth=[(0, 0), (0, -9)],
    )
    drawn["is_canal"] = drawn["feature_id"] == "canal"

    network = build_network(drawn, snap_m=1.0)

    assert network.links["order_strahler"].tolist() == [1, 1, 2]


def test_a_side_arm_keeps_which_link_it_leaves_and_follows_all_that_arrive(lines):
    drawn = lines(**BRAID, tributary=[(200, 300), (0, 0)])

    links = build_network(drawn, snap_m=1.0).links
    arm = int(np.flatnonzero(links["is_divergence"])[0])
    left = int(links["leaves_link"][arm])

    # The tributary's way from its source is the longer one: 361 m against 300 m.
    assert links["length_m"][left] == pytest.approx(np.hypot(200, 300))
    arrived = np.flatnonzero(links["downstream_link"] == links["downstream_link"][left])
    assert len(arrived) == 2
    assert (arrived < arm).all()
    assert (links["leaves_link"].drop(arm) == -1).all()


def test_the_side_arm_of_a_greater_stream_has_its_order_and_raises_nothing_where_it_joins(lines):
    drawn = lines(
        left=[(-100, 600), (0, 300)],
        right=[(100, 600), (0, 300)],
        **BRAID,
    )

    links = build_network(drawn, snap_m=1.0).links

    assert links["order_strahler"].tolist() == [1, 1, 2, 2, 2, 2]
    # Magnitude and length count everything above once, by whatever arm.
    assert links["shreve"].tolist() == [1, 1, 2, 2, 2, 2]
    assert links["upstream_length_m"].iloc[-1] == pytest.approx(shapely.length(drawn["geometry"].to_numpy()).sum())


def test_the_stream_that_arrives_is_the_one_with_the_longest_way_from_any_of_its_sources(lines):
    # From the north 300 m below a confluence of 10 m with 500 m of stream, from the west 400 m from one source.
    drawn = lines(
        north=[(0, 300), (0, 0)],
        long=[(500, 300), (0, 300)],
        short=[(0, 310), (0, 300)],
        west=[(-400, 0), (0, 0)],
        south_arm=[(0, 0), (0, -200)],
        east_arm=[(0, 0), (100, 0), (0, -200)],
        lower=[(0, -200), (0, -400)],
    )

    assert arms(build_network(drawn, snap_m=1.0, main_path="straightest")) == {"east_arm"}


@pytest.mark.parametrize(("first", "second"), [("bend", "cut"), ("cut", "bend")])
def test_the_order_of_lines_changes_no_main_path(lines, first, second):
    drawn = lines(**{name: BRAID[name] for name in (second, "lower", first, "upper")})

    assert arms(build_network(drawn, snap_m=1.0, main_path="straightest")) == {"bend"}


def test_two_arms_alike_are_distinguished_by_the_users_ids(lines):
    east, west = [(0, 0), (50, -50), (0, -100)], [(0, 0), (-50, -50), (0, -100)]

    one = build_network(lines(upper=[(0, 99), (0, 0)], a=east, b=west, lower=[(0, -100), (0, -200)]), snap_m=1.0)
    other = build_network(lines(lower=[(0, -100), (0, -200)], b=west, a=east, upper=[(0, 99), (0, 0)]), snap_m=1.0)

    assert arms(one) == arms(other) == {"b"}


def test_of_ways_out_that_turn_nothing_the_shortest_is_taken_though_it_has_more_pieces(lines):
    drawn = lines(**BRAID, beck=[(200, -100), (0, -100)])
    ids = drawn["feature_id"].to_numpy(dtype=object)
    pieces, _ = cut_lines(drawn["geometry"].to_numpy(), ids, snap_m=1.0)

    found = direct_pieces(pieces, np.full(6, np.nan), ids, np.arange(6))

    # From the parting by the cut, 200 m, and not by the bend, 324 m.
    assert ids[pieces.feature[found.way_out[pieces.start[1]]]] == "cut"
    assert not found.is_turned.any()


def test_a_rule_that_does_not_exist_is_refused():
    none = np.zeros(0, dtype=np.int64)

    with pytest.raises(ValueError, match=r"must be one of evidence, .*, not 'widest'"):
        main_arms(none, none, none.astype(object), none, 0, rule="widest")


def test_a_circle_is_refused():
    line = shapely.LineString([(0, 0), (1, 0)])
    geometry = np.array([line, shapely.reverse(line)], dtype=object)

    with pytest.raises(ValueError, match="a way leads in a circle"):
        main_arms(np.array([0, 1]), np.array([1, 0]), geometry, np.arange(2), 2, rule="longest")


# A stem of three pieces; "loop" leads from its foot back to its head, and beside it 3 → 4 → 1 and 4 → 2.
def knot(lines, **more):
    drawn = lines(
        lower=[(0, 200), (0, 100)],
        mouth=[(0, 100), (0, 0)],
        upper=[(0, 300), (0, 200)],
        loop=[(0, 100), (-80, 200), (0, 300)],
        aside=[(0, 300), (50, 130)],
        home=[(50, 130), (0, 100)],
        over=[(50, 130), (0, 200)],
        **more,
    )
    ids = drawn["feature_id"].to_numpy(dtype=object)
    pieces, _ = cut_lines(drawn["geometry"].to_numpy(), ids, snap_m=1.0)
    count = len(pieces.start)
    found = direct_pieces(pieces, np.full(count, np.nan), ids[pieces.feature], np.arange(count))
    return {ids[pieces.feature[piece]] for piece in np.flatnonzero(found.is_turned)}


def test_of_pieces_in_a_circle_only_the_one_that_closes_it_with_the_ways_out_is_turned(lines):
    # "over" leads from a place 58 m above the foot to one 100 m above it, and in no circle once "loop" is turned.
    assert knot(lines) == {"loop"}


def test_a_ring_that_ends_where_it_begins_is_not_turned(lines):
    assert knot(lines, ring=[(0, 200), (-30, 190), (-30, 210), (0, 200)]) == {"loop"}


# Pieces of drawn lines with their directions, by falls of the pieces as they were drawn [m].
def directed(lines, falls_m, **vertices):
    drawn = lines(**vertices)
    ids = drawn["feature_id"].to_numpy(dtype=object)
    pieces, _ = cut_lines(drawn["geometry"].to_numpy(), ids, snap_m=1.0)
    assert len(pieces.start) == len(falls_m)
    return direct_pieces(pieces, np.array(falls_m, dtype=float), ids, np.arange(len(ids)))


@pytest.mark.parametrize(
    ("falls_m", "is_turned"),
    [
        # A climb of half a metre is noise. Of two pieces the longer one decides, and of equal ones neither.
        ((-0.5, 0.0), False),
        ((-0.51, 0.0), True),
        ((np.nan, np.nan), False),
        ((-9.0, 0.6), True),
        ((-0.6, 9.0), True),
        # What is unknown, or noise, has no say, however long.
        ((np.nan, -0.51), True),
        ((0.5, -0.51), True),
    ],
)
def test_a_stream_is_turned_whose_longer_part_climbs_by_more_than_half_a_metre(lines, falls_m, is_turned):
    found = directed(lines, falls_m, upper=[(0, 300), (0, 100)], lower=[(0, 100), (0, 0)])

    assert found.is_turned.tolist() == [is_turned] * 2


@pytest.mark.parametrize("upper_m", [100, 150])
def test_where_at_least_as_much_falls_as_climbs_only_what_climbs_is_turned(lines, upper_m):
    # Both pieces fall to where they meet, which is the outlet then.
    found = directed(lines, (1.0, -9.0), upper=[(0, 100 + upper_m), (0, 100)], lower=[(0, 100), (0, 0)])

    assert found.is_turned.tolist() == [False, True]
    assert found.repairs == [("streams", "lower", "drawn upstream", "turned")]


@pytest.mark.parametrize(
    ("falls_m", "outlets"), [((9.0, 0.51, 0.6), 2), ((9.0, 0.5, 0.6), 1), ((9.0, np.nan, 0.6), 1)]
)
def test_loose_ends_are_outlets_where_two_or_more_are_fallen_to_by_more_than_half_a_metre(lines, falls_m, outlets):
    vertices = {"stem": [(0, 300), (0, 100)], "left": [(0, 100), (-50, 0)], "right": [(0, 100), (90, 0)]}

    found = directed(lines, falls_m, **vertices)

    assert (found.way_out < 0).sum() == outlets
    assert found.is_turned.sum() == 2 - outlets
    assert {row[2] for row in found.repairs} == ({"drawn upstream"} if outlets == 1 else set())


@pytest.mark.parametrize("rule", ["longest", "shortest", "straightest", "order"])
def test_rules_of_shape_say_so(lines, rule):
    assert basis(build_network(lines(**BRAID), snap_m=1.0, main_path=rule)) == {"shape"}


@pytest.mark.parametrize(
    ("values", "canal", "said"),
    [((2.0, 1.0), None, "column"), ((1.0, 1.0), None, "shape"), ((np.nan, np.nan), None, "shape")]
    + [((2.0, 1.0), "bend", "canal"), ((2.0, 1.0), "both", "column"), ((np.nan, 1.0), None, "column")],
)
def test_what_decided_a_parting_is_said(lines, values, canal, said):
    drawn = lines(**BRAID).assign(main_path_value=[np.nan, *values, np.nan])
    drawn["is_canal"] = drawn["feature_id"].isin(["bend", "cut"] if canal == "both" else [canal])

    assert basis(build_network(drawn, snap_m=1.0, main_path="column")) == {said}


def test_a_name_that_both_arms_carry_or_neither_does_decides_nothing(lines):
    for names in (["Ardelm", "Ardelm", "Ardelm", ""], ["Ardelm", "", "", "Ardelm"], ["", "Orm", "", ""]):
        network = build_network(lines(**BRAID).assign(stream=names), snap_m=1.0)
        assert (arms(network), basis(network)) == ({"bend"}, {"shape"})


@pytest.mark.parametrize(
    ("falls_m", "lengths_m", "ridge_m", "is_contrary"),
    [
        # More than half climbs, and more than half lies below the ridge: by the limit or with an unknown top.
        ((0.0, -20.0), (40, 60), 10.0, True),
        ((-20.0, 0.0), (60, 40), 10.0, True),
        ((0.0, -10.0), (40, 60), 10.0, False),
        ((np.nan, -20.0), (90, 40), 10.0, True),
        # What is flat or falls a little climbs nowhere, and half a metre is noise; half the length is not more.
        ((0.2, -20.0), (60, 40), 10.0, False),
        ((0.0, -0.5), (40, 60), 0.4, False),
        ((0.0, -20.0), (50, 50), 10.0, False),
        # Most climbs, but what lies above the fall in the middle has to climb by no more than the limit.
        ((-9.5, 30.0, -20.0), (40, 10, 50), 10.0, False),
        ((-9.5, 30.0, -20.0), (50, 10, 40), 10.0, False),
        ((-9.5, 30.0, -20.0), (39, 10, 51), 10.0, True),
    ],
)
def test_a_network_is_contrary_where_most_climbs_and_most_lies_below_a_ridge(
    falls_m, lengths_m, ridge_m, is_contrary
):
    # Pieces in a row from node 0 down.
    count = len(falls_m)
    nodes, falls_m = np.arange(count + 1), np.array(falls_m)
    way_out = np.append(nodes[:-1], -1)

    found = _contrary(
        nodes[:-1], nodes[1:], way_out, nodes[::-1], falls_m, np.array(lengths_m, float), 0 * nodes, ridge_m
    )

    assert found.tolist() == [0] * is_contrary


@pytest.mark.parametrize(
    ("lengths_m", "outlet"), [((100.0, 101.0), 2), ((101.0, 100.0), 0), ((100.0, 100.0 + 3e-7), 0)]
)
def test_of_two_loose_ends_the_outlet_is_the_one_that_turns_less_and_of_equals_the_lower(lengths_m, outlet):
    # From node 1 to 0 and to 2: an outlet at 0 turns the second piece round. A micrometre is rounding.
    touching, start, end = [[0], [0, 1], [1]], np.array([1, 1]), np.array([0, 2])

    assert _best_root([0, 2], start, end, np.array(lengths_m), touching, [0, 1]) == outlet


@pytest.mark.parametrize(
    ("vertices", "span_m", "direction"),
    [
        # 80 m that bend after 30 m, and 30 m that bend after 10 m: all of the shorter line is taken.
        ([(10, 20), (10, -10), (60, -10)], 50.0, [20, -30]),
        ([(10, 20), (10, -10), (60, -10)], -50.0, [50, 0]),
        ([(10, 20), (10, -10), (60, -10)], 0.5, [0, -0.5]),
        ([(10, 20), (10, 10), (30, 10)], 50.0, [20, -10]),
        ([(10, 20), (10, 10), (30, 10)], -50.0, [20, -10]),
        ([(10, 20), (10.25, 20), (10.25, 19.75)], 0.75, [0.25, -0.25]),
    ],
)
def test_the_direction_of_a_line_is_taken_over_a_span_at_its_beginning_or_its_end(vertices, span_m, direction):
    assert _direction(shapely.LineString(vertices), span_m) == pytest.approx(direction)


@pytest.mark.parametrize(
    ("start", "end", "orders"),
    [
        ([0, 1, 2], [1, 2, 3], [1, 1, 1]),  # in a row
        ([0, 1, 2, 3], [2, 2, 3, 4], [1, 1, 2, 2]),  # two meet, and flow on
        ([0, 1, 2, 3], [3, 3, 3, 4], [1, 1, 1, 2]),  # three meet
        ([0, 1, 2, 3, 4], [2, 2, 4, 4, 5], [1, 1, 2, 1, 2]),  # a lower one joins
        ([0, 1, 2, 2], [2, 2, 3, 4], [1, 1, 1, 1]),  # two meet where the stream parts
    ],
)
def test_orders_count_nothing_of_what_comes_down_from_a_parting(start, end, orders):
    start, end = np.array(start), np.array(end)

    found = _orders_without_partings(_ways(start, end, np.ones(len(start)), int(end.max()) + 1))

    assert found.tolist() == orders


# The arm that the main stream takes at (0, 0), of lines by name, drawn downstream; of equal ones the first wins.
def main_at_parting(rule, **vertices):
    geometry = np.array([shapely.LineString(places) for places in vertices.values()], dtype=object)
    places = [end for each in vertices.values() for end in (each[0], each[-1])]
    nodes = sorted(set(places))
    start, end = (np.array([nodes.index(place) for place in places[first::2]]) for first in (0, 1))
    by_name = np.arange(len(geometry))
    main, basis = main_arms(start, end, geometry, by_name, len(nodes), rule=rule)
    return list(vertices)[main[nodes.index((0, 0))]], basis[nodes.index((0, 0))]


NORTH, SOUTH = [(0, 300), (0, 0)], [(0, 0), (0, -200)]
# Equal to 200 m but for rounding.
NEARLY_200 = 200.0 + 3e-7


@pytest.mark.parametrize(
    ("rule", "vertices", "main"),
    [
        ("longest", {"east": [(0, 0), (NEARLY_200, 0)], "south": SOUTH}, "south"),
        ("shortest", {"east": [(0, 0), (200, 0)], "south": [(0, 0), (0, -NEARLY_200)]}, "south"),
        ("evidence", {"east": [(0, 0), (200, 0)], "south": [(0, 0), (0, -NEARLY_200)]}, "south"),
        ("straightest", {"east": [(0, 0), (NEARLY_200, 0)], "west": [(0, 0), (-200, 0)]}, "east"),
        ("straightest", {"east": [(0, 0), (201, 0)], "west": [(0, 0), (-200, 0)]}, "west"),
        (
            "straightest",
            {"west": [(-300 - 3e-7, 0), (0, 0)], "south": SOUTH, "east": [(0, 0), (200, 0)]},
            "south",
        ),
        ("straightest", {"west": [(-301, 0), (0, 0)], "south": SOUTH, "east": [(0, 0), (200, 0)]}, "east"),
    ],
)
def test_lengths_that_differ_by_less_than_a_micrometre_are_equal(rule, vertices, main):
    assert main_at_parting(rule, north=NORTH, **vertices)[0] == main


@pytest.mark.parametrize(
    ("rule", "main"),
    [("evidence", "short"), ("shortest", "short")]
    + [("straightest", "straight"), ("order", "straight"), ("longest", "straight")],
)
def test_what_is_equal_is_settled_by_the_way_down_under_evidence_and_by_straightness_under_other_rules(rule, main):
    arms = {"straight": [(0, 0), (0, -300)], "short": [(0, 0), (100, -100)]}

    assert main_at_parting(rule, north=NORTH, **arms) == (main, "shape")


@pytest.mark.parametrize(("rule", "main"), [("shortest", "south"), ("longest", "east"), ("evidence", "south")])
def test_the_way_down_is_that_of_all_features_of_an_arm(rule, main):
    # 150 and 50 m against 180 m.
    arms = {"east": [(0, 0), (150, 0)], "on": [(150, 0), (200, 0)], "south": [(0, 0), (0, -180)]}

    assert main_at_parting(rule, north=NORTH, **arms) == (main, "shape")


def test_the_turn_is_from_the_end_of_what_arrives_to_the_beginning_of_what_leaves():
    # From the west and round a bend to the south; then obliquely, 18 degrees to the left or 69 to the right.
    bent = {"upper": [(-400, 100), (0, 100), (0, 0)], "east": [(0, 0), (200, 0)], "south": SOUTH}
    assert main_at_parting("straightest", **bent) == ("south", "shape")

    arms = {"right": [(0, 0), (-100, -110)], "left": [(0, 0), (100, -100)]}
    assert main_at_parting("straightest", upper=[(-100, 200), (0, 0)], **arms)[0] == "left"


@pytest.mark.parametrize(
    ("above", "main"),
    [
        ({"north": [(0, 0.5), (0, 0)]}, ("east", "tributaries")),
        ({"north": [(0, 0.3), (0, 0)]}, ("south", "shape")),
        ({"north": [(0, 0.5), (0, 0)], "beck": [(200, -0.6), (200, 0)]}, ("south", "shape")),
        # Of two streams that part together the longer one counts.
        ({"north": [(0, 0.5), (0, 0)], "west": [(-0.3, 0), (0, 0)]}, ("east", "tributaries")),
        ({}, ("south", "shape")),  # nothing is shorter than the stream above a source
    ],
)
def test_what_joins_is_a_tributary_where_it_is_no_longer_than_what_parted_however_short(above, main):
    # The eastern arm is the longer one, in three features, and 0.4 m of brook join it where the last begins.
    arm = {"east": [(0, 0), (150, 0)], "on": [(150, 0), (200, 0)], "last": [(200, 0), (300, 0)]}
    brook = [(200, 0.4), (200, 0)]

    assert main_at_parting("evidence", **above, south=SOUTH, **arm, brook=brook) == main


@pytest.mark.parametrize("rule", ["longest", "shortest", "straightest", "order", "evidence"])
def test_at_a_source_that_parts_the_way_down_decides_and_then_the_ids(rule):
    arms = {"east": [(0, 0), (90, 0), (90, -60)], "south": SOUTH}

    main = main_at_parting(rule, **arms)

    assert main == ("south" if rule == "longest" else "east", "shape")
    assert main_at_parting(rule, south=SOUTH, east=[(0, 0), (200, 0)]) == ("south", "shape")


def test_of_three_arms_the_one_that_alone_carries_the_name_is_the_main_one(lines):
    drawn = lines(**BRAID, third=[(0, 0), (100, -100), (0, -200)])
    for name in ("bend", "cut", "third"):
        drawn["stream"] = ["Ardelm" if feature in ("upper", name) else "" for feature in drawn["feature_id"]]
        network = build_network(drawn, snap_m=1.0)
        assert (arms(network), basis(network)) == ({"bend", "cut", "third"} - {name}, {"name"})

    # Two are canals, or two have the greatest value.
    canals = drawn.assign(stream="", is_canal=drawn["feature_id"].isin(["bend", "cut"]))
    assert (arms(build_network(canals, snap_m=1.0)), basis(build_network(canals, snap_m=1.0))) == (
        {"bend", "cut"},
        {"canal"},
    )
    values = drawn.assign(main_path_value=[np.nan, 2.0, 2.0, np.nan, 1.0])
    network = build_network(values, snap_m=1.0, main_path="column")
    assert (arms(network), basis(network)) == ({"bend", "third"}, {"shape"})


def test_what_joins_two_arms_is_equal_where_it_differs_by_less_than_a_micrometre(lines):
    for more_m, arm, said in ((3e-7, "bend", "shape"), (1.0, "cut", "tributaries")):
        brooks = {"brook": [(-300 - more_m, -100), (-100, -100)], "beck": [(200, -100), (0, -100)]}
        network = build_network(lines(**BRAID, **brooks), snap_m=1.0)
        assert (arms(network), basis(network)) == ({arm}, {said})


@pytest.mark.parametrize(("beck_m", "arm"), [(100.5, "bend"), (99.5, "cut")])
def test_what_joins_an_arm_counts_by_its_length_and_not_by_its_number(lines, beck_m, arm):
    brooks = {"brook": [(-150, 0), (-100, 0)], "burn": [(-150, -100), (-100, -100)]}
    drawn = lines(**BRAID, **brooks, beck=[(beck_m, -100), (0, -100)])

    network = build_network(drawn, snap_m=1.0)

    assert (arms(network), basis(network)) == ({arm}, {"tributaries"})
