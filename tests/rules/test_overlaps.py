"""Where rules lie on the stream: filters, buffers, touches, holes, features that overlap each other."""

import itertools

import geopandas
import numpy as np
import pandas as pd
import pytest
import shapely
import shapely.affinity
from shapely import LineString, MultiPolygon, Point, Polygon, box

from sitefinder.errors import ConfigError, InputError
from sitefinder.rules.filters import matching
from sitefinder.rules.overlaps import (
    SHORTEST_OVERLAP_M,
    acting_areas,
    all_rule_metres,
    along_link,
    covered_intervals,
    hits_by_reach,
    overlaps,
    pairs_within_buffer,
    rule_metres,
    uncovered,
    union_of_intervals,
)
from sitefinder.settings import RuleSettings, Settings, checked

CRS = "EPSG:32633"


def rule(**settings):
    return RuleSettings(**{"name": "reserve", "action": "exclude", "path": "reserves.gpkg", **settings})


def layer(shapes, **columns):
    ids = [f"f{row}" for row in range(len(shapes))]
    return geopandas.GeoDataFrame({"feature_id": ids, **columns}, geometry=list(shapes), crs=CRS)


# A straight stream along y = 0 in ten segments of 10 m, two reaches of 50 m; station 0 is the link's first.
@pytest.fixture
def stream():
    ends = np.arange(0.0, 101.0, 10.0)
    return geopandas.GeoDataFrame(
        {
            "station": np.arange(1, 11),
            "reach": np.repeat([0, 1], 5),
            "link": 0,
            "from_m": ends[:-1],
            "to_m": ends[1:],
        },
        geometry=[LineString([(a, 0), (b, 0)]) for a, b in itertools.pairwise(ends)],
        crs=CRS,
    )


def test_a_polygon_covers_the_metres_between_its_borders(stream):
    hits = overlaps(stream, layer([box(12, -5, 34, 5)]), rule())

    assert hits["station"].tolist() == [2, 3, 4]
    assert hits["from_m"].tolist() == [12, 20, 30]
    assert hits["to_m"].tolist() == [20, 30, 34]
    assert hits["overlap_m"].tolist() == [8, 10, 4]
    assert set(hits["feature_id"]) == {"f0"}


def test_a_touch_at_a_vertex_is_no_overlap(stream):
    tip_on_a_station = Polygon([(20, 0), (25, 8), (15, 8)])
    tip_within_a_segment = Polygon([(45, 0), (50, 8), (40, 8)])

    hits = overlaps(stream, layer([tip_on_a_station, tip_within_a_segment]), rule())

    assert hits.empty


def test_a_stream_along_the_border_of_a_polygon_is_under_it(stream):
    hits = overlaps(stream, layer([box(10, 0, 30, 20)]), rule())

    assert hits["overlap_m"].sum() == 20


def test_a_hole_leaves_two_pieces_of_one_feature(stream):
    ring = box(2, -5, 9, 5) - box(4, -1, 6, 1)

    hits = overlaps(stream, layer([ring]), rule())

    assert hits["station"].tolist() == [1, 1]
    assert hits["from_m"].tolist() == [2, 6]
    assert hits["to_m"].tolist() == [4, 9]


def test_a_stream_wholly_inside_has_its_whole_length_and_each_segment_its_own_ends(stream):
    hits = overlaps(stream, layer([box(-1, -1, 101, 1)]), rule())

    assert hits["from_m"].tolist() == stream["from_m"].tolist()
    assert hits["to_m"].tolist() == stream["to_m"].tolist()


def test_a_piece_ends_with_its_segment_to_the_last_digit_and_segments_may_come_in_any_order():
    # In floating point 1.55 + (3.94 - 1.55) is not 3.94.
    segments = geopandas.GeoDataFrame(
        {"station": [2, 1], "reach": 0, "link": 0, "from_m": [1.55, 0.0], "to_m": [3.94, 1.55]},
        geometry=[LineString([(0, 0), (2.39, 0)]), LineString([(-1.55, 0), (0, 0)])],
        crs=CRS,
    )

    hits = overlaps(segments, layer([box(-1, -9, 9, 9)]), rule())

    assert hits[["station", "to_m"]].values.tolist() == [[1, 1.55], [2, 3.94]]
    assert hits.index.tolist() == [0, 1]


@pytest.mark.parametrize("touching", [False, True])
def test_a_vertex_that_is_drawn_twice_changes_nothing(touching):
    once = [(0, 0), (10, 0), (20, 0), (30, 5)]
    lines = [LineString(once), LineString([*once[:2], *once[1:3], *once[2:]])]
    tables = [
        geopandas.GeoDataFrame(
            {"station": [1], "reach": 0, "link": 0, "from_m": 0.0, "to_m": 30.0}, geometry=[line], crs=CRS
        )
        for line in lines
    ]

    plain, doubled = (
        overlaps(table, layer([box(10, -1, 20, 1)]), rule(touching_counts=touching)) for table in tables
    )

    assert len(plain) == 1
    pd.testing.assert_frame_equal(plain, doubled)


def test_a_meander_that_comes_back_to_its_own_line_is_measured_along_the_stream():
    # The line crosses itself at (10, 0): by nearness the second passage would be taken for the first.
    loop = LineString([(0, 0), (20, 0), (20, 10), (10, 10), (10, -10)])
    segment = geopandas.GeoDataFrame(
        {"station": [1], "reach": [0], "link": [0], "from_m": [100.0], "to_m": [160.0]}, geometry=[loop], crs=CRS
    )

    hits = overlaps(segment, layer([box(9, -1, 11, 1)]), rule())

    assert hits["from_m"].tolist() == [109, 149]
    assert hits["to_m"].tolist() == [111, 151]


def test_parts_of_one_feature_that_overlap_are_one_hit(stream):
    parts = layer([box(1, -1, 5, 1), box(3, -1, 8, 1)])
    parts["feature_id"] = "park"

    hits = overlaps(stream, parts, rule())

    assert hits[["feature_id", "from_m", "to_m", "overlap_m"]].values.tolist() == [["park", 1, 8, 7]]


def test_ground_under_two_features_of_a_rule_counts_once(stream):
    hits = overlaps(stream, layer([box(0, -1, 30, 1), box(20, -1, 50, 1)]), rule())

    metres = rule_metres(hits, [rule()], 2, by="reach")

    assert hits["overlap_m"].sum() == 60
    assert metres.tolist() == [[50, 0]]


def test_metres_by_station_are_in_the_order_of_the_rules_and_zero_without_hits(stream):
    rules = [rule(name="a"), rule(name="b"), rule(name="c")]
    hits = pd.concat(
        [
            overlaps(stream, layer([box(5, -1, 15, 1)]), rules[2]),
            overlaps(stream, layer([box(0, -1, 10, 1)]), rules[0]),
        ]
    )

    metres = rule_metres(hits, rules, 11)

    assert metres.shape == (3, 11)
    assert metres[:, :4].tolist() == [[0, 10, 0, 0], [0, 0, 0, 0], [0, 5, 5, 0]]
    assert not metres[:, 4:].any()


def test_hits_of_reaches_keep_the_order_in_which_they_came_whatever_their_features_are_called(stream):
    parks = layer([box(72, -1, 78, 1), box(12, -1, 24, 1), box(15, -1, 18, 1)])
    parks["feature_id"] = ["z", "m", "a"]
    hits = overlaps(stream, parks, rule())

    joined = hits_by_reach(hits.iloc[::-1])

    assert joined[["reach", "feature_id", "from_m", "to_m"]].values.tolist() == [
        [0, "m", 12, 24],
        [0, "a", 15, 18],
        [1, "z", 72, 78],
    ]
    assert joined.index.tolist() == [0, 1, 2]
    assert hits["feature_id"].tolist() == ["m", "a", "m", "z"]


def test_less_than_a_metre_is_no_more_than_it_is(stream):
    hits = overlaps(stream, layer([box(12, -1, 12.4, 1)]), rule())

    assert rule_metres(hits, [rule()], 2, by="reach")[0] == pytest.approx([0.4, 0.0])


@pytest.mark.parametrize("buffer_m", [0.25, 4.0])
def test_a_buffer_of_any_width_counts(stream, buffer_m):
    hits = overlaps(stream, layer([LineString([(50, -9), (50, 9)])]), rule(buffer_m=buffer_m))

    assert [hits["from_m"].min(), hits["to_m"].max()] == pytest.approx([50 - buffer_m, 50 + buffer_m])


def test_hits_of_a_reach_are_joined_across_its_segments_but_not_across_reaches(stream):
    hits = overlaps(stream, layer([box(12, -5, 64, 5)]), rule())

    joined = hits_by_reach(hits)

    assert joined[["reach", "from_m", "to_m", "overlap_m"]].values.tolist() == [[0, 12, 50, 38], [1, 50, 64, 14]]


def test_a_buffer_makes_a_disc_of_a_point(stream):
    hits = overlaps(stream, layer([Point(50, 3)]), rule(buffer_m=5))

    # Half the chord at 3 m from the centre of a circle of 5 m is 4 m; the polygon of 128 edges falls short by
    # at most 5·(1 − cos(π/128)) = 1.5 mm in radius, which is 5/4 of that along the chord's end.
    assert hits["from_m"].min() == pytest.approx(46, abs=0.002)
    assert hits["to_m"].max() == pytest.approx(54, abs=0.002)


def test_points_and_lines_without_a_buffer_are_refused(stream):
    nests = layer([Point(5, 0), box(0, -1, 1, 1), LineString([(0, 0), (9, 9)])])

    with pytest.raises(InputError, match="cover no ground") as caught:
        overlaps(stream, nests, rule(layer="nests"))

    assert str(caught.value) == (
        "rule reserve has points or lines, which cover no ground\n"
        '  file:      reserves.gpkg, layer "nests"\n'
        "  expected:  polygons, or a buffer round points and lines\n"
        "  found:     2 features without area: f0, f2\n"
        "  fix:       set buffer_m, the distance [m] that the rule keeps from them"
    )


def test_only_features_of_the_values_asked_for_count(stream):
    parks = layer([box(0, -1, 5, 1), box(20, -1, 25, 1)], category=["strict reserve", "landscape"])

    hits = overlaps(stream, parks, rule(column="category", values=["strict reserve"]))

    assert hits["feature_id"].tolist() == ["f0"]


@pytest.mark.parametrize("nothing", [None, np.nan, "", "  "])
def test_a_feature_without_category_is_not_passed_over_but_marked(stream, nothing):
    parks = layer([box(0, -1, 5, 1), box(20, -1, 25, 1)], category=["strict reserve", nothing])
    strict = rule(column="category", values=["strict reserve"])

    hits = overlaps(stream, parks, strict)

    assert hits[["feature_id", "category_missing"]].values.tolist() == [["f0", False], ["f1", True]]
    assert rule_metres(hits, [strict], 1, by="reach").sum() == 5
    assert rule_metres(hits, [strict], 1, by="reach", with_missing=True).sum() == 10


def test_numbers_match_whether_the_file_holds_integers_or_floats():
    zones = layer([box(0, 0, 1, 1)] * 3, zone=[1.0, 2.0, np.nan])

    match = matching(zones, rule(column="zone", values=[1, 3]))

    assert match.selected.tolist() == [True, False, False]
    assert match.category_missing.tolist() == [False, False, True]
    assert match.absent_values == [3]


def test_true_or_false_columns_are_filtered_by_true_and_false():
    weirs = layer([box(0, 0, 1, 1)] * 3, listed=pd.array([True, False, None], dtype="boolean"))

    match = matching(weirs, rule(column="listed", values=[True]))

    assert match.selected.tolist() == [True, False, False]
    assert match.category_missing.tolist() == [False, False, True]


@pytest.mark.parametrize("count", [2, 7])
def test_the_metres_of_each_line_under_each_polygon_are_those_of_their_intersection(count):
    draw = np.random.default_rng(8)
    # Bent lines and squares, of which some hold a whole line, some an edge of one, and most cut across.
    start = draw.uniform(0, 100, (12, 1, 2))
    lines = shapely.linestrings(start + np.cumsum(draw.normal(0, 12, (12, 5, 2)), axis=1))
    corner, side = draw.uniform(-20, 60, (count, 2)), draw.uniform(40, 90, count)
    polygons = shapely.box(*corner.T, *(corner + side[:, None]).T)

    found = covered_intervals(lines, polygons)

    metres = np.zeros((12, count))
    np.add.at(metres, (found.line, found.polygon), found.to_m - found.from_m)
    assert metres == pytest.approx(shapely.length(shapely.intersection(lines[:, None], polygons)), abs=1e-6)
    assert 2 <= shapely.covers(polygons, lines[:, None]).sum() < (metres > 0).sum()


def test_an_interval_reaches_over_all_that_begin_in_it_and_not_over_those_of_another_owner():
    owner = np.array([0, 0, 0, 0, 0, 0, 1, 1])
    from_m = np.array([0.0, 1.0, 3.0, 5.0, 50.0, 101.0, 10.0, 30.0])
    to_m = np.array([100.0, 2.0, 4.0, 6.0, 60.0, 102.0, 20.0, 40.0])

    union = union_of_intervals(owner, from_m, to_m)

    assert list(zip(*map(np.ndarray.tolist, union), strict=True)) == [
        (0, 0.0, 100.0),
        (0, 101.0, 102.0),
        (1, 10.0, 20.0),
        (1, 30.0, 40.0),
    ]


@pytest.mark.parametrize(("gap", "count"), [(0.5, 1), (1.5, 2)])
def test_only_a_gap_wider_than_rounding_parts_two_intervals(gap, count):
    gap_m = gap * SHORTEST_OVERLAP_M

    assert (
        len(union_of_intervals(np.zeros(2, int), np.array([0.0, 5.0 + gap_m]), np.array([5.0, 9.0])).owner)
        == count
    )
    assert len(union_of_intervals(np.zeros(1, int), np.full(1, 7.0), np.array([7.0 + gap_m])).owner) == count - 1


def test_hits_of_several_kinds_are_in_the_order_of_stations_and_of_one_station_as_given(stream):
    under = overlaps(stream, layer([box(22, -1, 44, 1)]), rule())
    outside = uncovered(stream, np.array([box(40, -9, 90, 9)], dtype=object), rule())

    hits = along_link([under, outside])

    assert hits["station"].tolist() == [1, 2, 3, 3, 4, 4, 5, 10]
    assert hits["feature_id"].tolist() == ["", "", "f0", "", "f0", "", "f0", ""]
    assert hits.index.tolist() == list(range(8))


def test_pairs_within_a_buffer_are_counted_from_the_vertices_that_stand_close():
    # Rings of 4,000 corners that jump in and out every metre, by 4 m and by 5 cm: within 10 m of a corner of the
    # first lie 20 others; the second is smooth for such a buffer, so that nothing of it is left to count.
    def ring(jump_m):
        angle = 2 * np.pi * np.arange(4000) / 4000
        radius_m = 4000 / 2 / np.pi + jump_m * (np.arange(4000) % 2)
        return Polygon(np.column_stack([radius_m * np.cos(angle), radius_m * np.sin(angle)]))

    rings = np.array([ring(4.0), ring(0.05)], dtype=object)

    assert pairs_within_buffer(rings, 10.0) == pytest.approx(4000 * 20, rel=0.1)
    smaller = np.array([shapely.affinity.scale(each, 0.05, 0.05) for each in rings], dtype=object)
    assert pairs_within_buffer(smaller, 0.5) == pytest.approx(pairs_within_buffer(rings, 10.0), rel=0.01)
    assert pairs_within_buffer(rings[::-1], 10.0) == pairs_within_buffer(rings, 10.0)
    assert pairs_within_buffer(rings[1:], 10.0) == pairs_within_buffer(rings, 0.0) == 0.0


def test_an_empty_layer_gives_no_hits_with_the_same_columns(stream):
    hits = overlaps(stream, layer([]), rule())

    filled = overlaps(stream, layer([box(0, -1, 5, 1)]), rule())

    assert hits.empty
    assert hits.dtypes.equals(filled.dtypes)
    assert rule_metres(hits, [rule()], 3).tolist() == [[0, 0, 0]]
    assert hits_by_reach(hits).empty


def test_a_rule_changes_neither_the_segments_nor_its_layer(stream):
    parks = layer([box(0, -1, 5, 1)], category=["a"])
    before = stream.copy(), parks.copy()

    overlaps(stream, parks, rule(column="category", values=["a"], buffer_m=2))

    assert stream.equals(before[0])
    assert parks.equals(before[1])


def test_a_missing_column_names_the_nearest():
    parks = layer([box(0, 0, 1, 1)], category=["a"])

    with pytest.raises(InputError, match="no column categroy") as caught:
        matching(parks, rule(column="categroy", values=["a"]))

    assert str(caught.value) == (
        "the layer of rule reserve has no column categroy\n"
        "  file:      reserves.gpkg\n"
        "  expected:  the column that the rule filters by\n"
        "  found:     columns feature_id, category\n"
        "  fix:       did you mean category?"
    )


def test_values_of_another_kind_than_the_column_are_refused():
    zones = layer([box(0, 0, 1, 1)] * 2, zone=[1, 2])

    with pytest.raises(InputError, match="cannot hold") as caught:
        matching(zones, rule(column="zone", values=["1"]))

    assert str(caught.value) == (
        "rule reserve filters by values that its column cannot hold\n"
        "  file:      reserves.gpkg\n"
        "  expected:  values of number, as in zone: 1, 2\n"
        "  found:     values = ['1']\n"
        "  fix:       write text in quotation marks, numbers and true or false without"
    )


def test_a_filter_that_means_nothing_is_refused_unless_that_is_said_to_be_right():
    parks = layer([box(0, 0, 1, 1)] * 2, category=["strict", "landscape"])

    with pytest.raises(InputError, match="selects no feature") as caught:
        matching(parks, rule(column="category", values=["strickt"]))
    match = matching(parks, rule(column="category", values=["strickt"], may_be_empty=True))

    assert str(caught.value) == (
        "rule reserve selects no feature of its layer\n"
        "  file:      reserves.gpkg\n"
        "  expected:  category to be strickt\n"
        "  found:     category: landscape, strict\n"
        "  fix:       correct values, or set may_be_empty = true if none is right"
    )
    assert not match.selected.any()


def test_a_multipolygon_counts_like_its_parts(stream):
    apart = MultiPolygon([box(0, -1, 5, 1), box(40, -1, 47, 1)])

    hits = overlaps(stream, layer([apart]), rule())

    assert hits["overlap_m"].tolist() == [5, 7]


def test_a_touch_counts_where_the_rule_says_so(stream):
    tip_on_a_station = Polygon([(20, 0), (25, 8), (15, 8)])
    tip_within_a_segment = Polygon([(45, 0), (50, 8), (40, 8)])
    touching = rule(touching_counts=True)

    hits = overlaps(stream, layer([tip_on_a_station, tip_within_a_segment]), touching)

    # A touch where two segments meet is a touch of both.
    assert hits["station"].tolist() == [2, 3, 5]
    assert hits["from_m"].tolist() == hits["to_m"].tolist() == [20, 20, 45]
    assert hits["overlap_m"].tolist() == [0, 0, 0]
    assert set(hits["effect"]) == {"touching"}
    assert (rule_metres(hits, [touching], 11)[0] > 0).nonzero()[0].tolist() == [2, 3, 5]
    assert hits_by_reach(hits)[["reach", "from_m", "to_m"]].values.tolist() == [[0, 20, 20], [0, 45, 45]]


def test_a_rule_that_counts_touches_counts_overlaps_as_any_other(stream):
    ground = layer([box(12, -5, 34, 5), box(60, 0, 80, 9)])

    touching = overlaps(stream, ground, rule(touching_counts=True))
    plain = overlaps(stream, ground, rule())

    longer = touching[touching["overlap_m"] > 0].reset_index(drop=True)
    assert longer.equals(plain)
    assert set(longer["effect"]) == {"under"}


def test_points_with_an_area_become_discs_of_just_that_area(stream):
    nests = layer([Point(50, 0), Point(80, 3), box(0, -1, 3, 1)], size=[78.53981633974483, 0.005, np.nan])

    hits = overlaps(stream, nests, rule(area_m2_column="size"))
    in_ha = overlaps(stream, nests.assign(size=nests["size"] / 1e4), rule(area_ha_column="size"))

    # A disc of 78.54 m² has a radius of 5 m; its polygon of 128 edges has the same area, so that its corners,
    # which lie on the stream, stand out by 5·(√(x / sin x) − 1) with x = π/64, that is 1 mm.
    assert hits["feature_id"].unique().tolist() == ["f2", "f0"]
    disc = hits[hits["feature_id"] == "f0"]
    assert disc["from_m"].min() == pytest.approx(45, abs=0.0011)
    assert disc["to_m"].max() == pytest.approx(55, abs=0.0011)
    _, areas = acting_areas(nests, rule(area_m2_column="size"), matching(nests, rule()))
    assert shapely.area(areas) == pytest.approx([78.53981633974483, 0.005, 6.0], rel=1e-9)
    assert in_ha["from_m"].tolist() == pytest.approx(hits["from_m"].tolist(), abs=1e-9)


def test_the_buffer_goes_on_top_of_the_disc(stream):
    hits = overlaps(
        stream, layer([Point(50, 0)], size=[78.53981633974483]), rule(area_m2_column="size", buffer_m=4)
    )

    assert hits["from_m"].min() == pytest.approx(41, abs=0.003)


def test_a_point_without_its_area_is_not_passed_over(stream):
    nests = layer([Point(50, 0), Point(80, 0)], size=[10.0, np.nan])

    with pytest.raises(InputError, match="cover no ground") as caught:
        overlaps(stream, nests, rule(area_m2_column="size"))

    assert "1 features without area: f1" in str(caught.value)
    assert "or fill in size" in str(caught.value)


@pytest.mark.parametrize("area", [0.0, -3.0, np.inf, "large"])
def test_an_area_that_is_none_is_refused(stream, area):
    nests = layer([Point(50, 0), Point(80, 0)], size=pd.Series([10.0, area], dtype=object))

    with pytest.raises(InputError, match="has areas that are none") as caught:
        overlaps(stream, nests, rule(area_ha_column="size"))

    assert f"found:     {area} in f1" in str(caught.value)


def test_outside_the_area_that_a_layer_covers_nothing_is_known(stream):
    covered = np.array([box(0, -9, 35, 9), box(30, -9, 60, 9)], dtype=object)
    reserve = rule()

    hits = pd.concat([overlaps(stream, layer([box(50, -1, 70, 1)]), reserve), uncovered(stream, covered, reserve)])

    outside = hits[hits["not_covered"]]
    assert outside["from_m"].tolist() == [60, 70, 80, 90]
    assert set(outside["effect"]) == {"not covered"}
    assert set(outside["feature_id"]) == {""}
    metres = all_rule_metres(hits, [reserve], 2, by="reach")
    assert metres.certain.tolist() == [[0, 20]]
    assert metres.outside.tolist() == [[0, 40]]
    assert metres.possible.tolist() == [[0, 50]]
    assert metres.missing.tolist() == [[0, 0]]


def test_a_layer_that_covers_nothing_of_the_stream_leaves_all_of_it_unknown(stream):
    hits = uncovered(stream, np.array([box(0, 5, 100, 9)], dtype=object), rule())

    assert hits["overlap_m"].sum() == 100


def test_two_rules_of_one_name_are_refused_by_the_settings():
    twice = [{"name": "reserve", "action": action, "path": "reserves.gpkg"} for action in ("exclude", "note")]

    with pytest.raises(ConfigError, match=r"rules: each rule needs a unique name \(found twice: reserve\)"):
        checked(Settings, {"rules": twice}, "run.toml")
