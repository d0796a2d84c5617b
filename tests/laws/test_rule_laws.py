"""What must hold of rules whatever the layers: brute force by plain geometry, and laws of marks and repairs."""

import itertools

import geopandas
import numpy as np
import pandas as pd
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from shapely import LineString, Point
from shapely.ops import substring

from sitefinder.io.vector import read_layer, simple_geometries
from sitefinder.rules.overlaps import RuleMetres, hits_by_reach, overlaps, rule_metres, union_of_intervals
from sitefinder.rules.verdicts import MARK_NAMES, held_reaches, stretch_marks, verdicts
from sitefinder.settings import LayerSource, RuleSettings

CRS = "EPSG:32633"
# Cutting a line rounds each cut to about 1e-13 of its coordinates, here below 1000 m.
ROUNDING_M = 1e-6


def rule(name, action="exclude", **settings_):
    return RuleSettings(name=name, action=action, path="layer.gpkg", **settings_)


# Crooked streams of many vertices, cut into segments of about 40 m; five segments a reach.
def random_segments(draw, streams):
    rows = []
    for link in range(streams):
        steps = np.cumsum(draw.normal(0, 25, (draw.integers(4, 40), 2)), axis=0)
        line = LineString(steps + draw.uniform(100, 900, 2))
        at = np.linspace(0, line.length, max(2, int(line.length // 40)))
        for number, (a, b) in enumerate(itertools.pairwise(at)):
            rows.append((len(rows), link * 1000 + number // 5, link, a, b, substring(line, a, b)))
    frame = geopandas.GeoDataFrame(
        rows, columns=["station", "reach", "link", "from_m", "to_m", "geometry"], geometry="geometry", crs=CRS
    )
    frame["reach"] = pd.factorize(frame["reach"])[0]
    return frame


# Blobs with and without holes, many of them on top of each other.
def random_polygons(draw, count):
    shapes = []
    for _ in range(count):
        angles = np.sort(draw.uniform(0, 2 * np.pi, draw.integers(5, 40)))
        radii = draw.uniform(20, 200) * draw.uniform(0.3, 1.0, len(angles))
        ring = np.column_stack([np.cos(angles), np.sin(angles)]) * radii[:, None] + draw.uniform(0, 1000, 2)
        shape = shapely.make_valid(shapely.Polygon(ring), method="structure")
        hole = Point(*ring.mean(axis=0)).buffer(draw.uniform(5, 30), quad_segs=3)
        shapes.append(shape - hole if draw.random() < 0.4 else shape)
    shapes = [shape for shape in shapes if shape.area > 0]
    ids = [f"f{row}" for row in range(len(shapes))]
    return geopandas.GeoDataFrame({"feature_id": ids}, geometry=shapes, crs=CRS)


@pytest.mark.parametrize("seed", range(6))
def test_every_overlap_is_what_plain_intersection_gives_pair_by_pair(seed):
    draw = np.random.default_rng(seed)
    segments, polygons = random_segments(draw, 12), random_polygons(draw, 30)

    hits = overlaps(segments, polygons, rule("r"))

    found = np.zeros((len(segments), len(polygons)))
    np.add.at(found, (hits["station"], hits["feature_id"].str[1:].astype(int)), hits["overlap_m"])
    for number, segment in enumerate(segments.geometry):
        brute = [segment.intersection(polygon).length for polygon in polygons.geometry]
        assert found[number] == pytest.approx(brute, abs=ROUNDING_M)
    assert (found > 0).sum() > 50


@pytest.mark.parametrize("seed", range(6))
def test_metres_of_every_reach_are_its_length_under_the_union_of_the_features(seed):
    draw = np.random.default_rng(100 + seed)
    segments, polygons = random_segments(draw, 12), random_polygons(draw, 30)
    hits = overlaps(segments, polygons, rule("r"))
    count = segments["reach"].max() + 1

    of_reaches = rule_metres(hits, [rule("r")], count, by="reach")[0]
    of_stations = rule_metres(hits, [rule("r")], len(segments))[0]

    ground = polygons.union_all()
    brute = segments.geometry.intersection(ground).length.groupby(segments["reach"]).sum()
    assert of_reaches == pytest.approx(brute.to_numpy(), abs=1e-5)
    assert np.bincount(segments["reach"], of_stations) == pytest.approx(of_reaches, abs=1e-5)


@pytest.mark.parametrize("buffer_m", [0.0, 12.5])
def test_the_middle_of_every_hit_lies_under_its_feature(buffer_m):
    draw = np.random.default_rng(5)
    segments, polygons = random_segments(draw, 10), random_polygons(draw, 20)

    hits = overlaps(segments, polygons, rule("r", buffer_m=buffer_m))

    rows = segments.set_index("station").loc[hits["station"]].reset_index(drop=True)
    middle = ((hits["from_m"] + hits["to_m"]) / 2 - rows["from_m"]).to_numpy()
    points = rows.geometry.interpolate(middle)
    features = polygons.set_index("feature_id").geometry.loc[hits["feature_id"]].to_numpy()
    assert (shapely.distance(points.to_numpy(), features) <= buffer_m + ROUNDING_M).all()
    assert (hits["from_m"] >= rows["from_m"]).all()
    assert (hits["to_m"] <= rows["to_m"]).all()


def test_hits_of_reaches_keep_the_metres_of_the_segments():
    draw = np.random.default_rng(8)
    segments, polygons = random_segments(draw, 10), random_polygons(draw, 20)
    hits = overlaps(segments, polygons, rule("r"))

    joined = hits_by_reach(hits)

    by_segment = hits.groupby(["reach", "feature_id"])["overlap_m"].sum()
    by_reach = joined.groupby(["reach", "feature_id"])["overlap_m"].sum()
    assert by_reach.to_dict() == pytest.approx(by_segment.to_dict(), abs=ROUNDING_M)
    assert len(joined) < len(hits)


def test_the_order_of_features_changes_no_metre_bit_for_bit():
    draw = np.random.default_rng(9)
    segments, polygons = random_segments(draw, 10), random_polygons(draw, 20)

    forward = rule_metres(overlaps(segments, polygons, rule("r")), [rule("r")], len(segments))
    backward = rule_metres(overlaps(segments, polygons[::-1], rule("r")), [rule("r")], len(segments))

    assert np.array_equal(forward, backward)


ACTIONS = ["exclude", "conditional", "fish_safe_only", "no_diversion", "no_new_barrier", "note"]
RULES = st.lists(
    st.tuples(st.sampled_from(ACTIONS), st.floats(0, 60), st.floats(0, 100), st.floats(0, 100)),
    min_size=1,
    max_size=7,
)


def judged(cases, order):
    rules = [rule(f"r{number}", cases[number][0], min_overlap_m=cases[number][1]) for number in order]
    metres = np.array([[cases[number][2]] for number in order])
    possible = np.array([[max(cases[number][2:])] for number in order])
    under = RuleMetres(metres, possible, possible - metres, np.zeros_like(metres))
    return verdicts(held_reaches(pd.DataFrame({"length_m": [100.0]}), under, rules), rules).loc[0]


@given(RULES, st.randoms(use_true_random=False))
@settings(deadline=None, max_examples=25)
def test_shuffled_rules_give_the_same_verdict_marks_and_set_of_reasons(cases, random):
    order = list(range(len(cases)))
    shuffled = random.sample(order, len(order))

    one, other = judged(cases, order), judged(cases, shuffled)

    assert one["verdict"] == other["verdict"]
    assert one["only_reason"] == other["only_reason"]
    assert one[list(MARK_NAMES)].equals(other[list(MARK_NAMES)])
    assert sorted(one["reasons"].split("; ")) == sorted(other["reasons"].split("; "))


@given(RULES)
@settings(deadline=None, max_examples=25)
def test_one_more_rule_never_makes_a_verdict_milder(cases):
    worst_first = ["excluded", "unknown", "conditional", "restricted", "open"]

    fewer = judged(cases, range(len(cases) - 1)) if len(cases) > 1 else {"verdict": "open"}
    more = judged(cases, range(len(cases)))

    assert worst_first.index(more["verdict"]) <= worst_first.index(fewer["verdict"])


@given(RULES)
@settings(deadline=None, max_examples=25)
def test_the_only_reason_is_the_rule_without_which_the_reach_is_open(cases):
    whole = judged(cases, range(len(cases)))

    opening = []
    for left_out in range(len(cases)):
        rest = [number for number in range(len(cases)) if number != left_out]
        if whole["verdict"] != "open" and (not rest or judged(cases, rest)["verdict"] == "open"):
            opening.append(f"r{left_out}")
    assert whole["only_reason"] == (opening[0] if opening else "")


def test_stretches_are_judged_as_plain_sums_over_their_segments():
    draw = np.random.default_rng(4)
    length_m = draw.uniform(20, 60, 300)
    metres = length_m * draw.choice([0.0, 0.0, 0.4, 1.0], (len(ACTIONS), 300))
    possible = np.maximum(metres, length_m * draw.choice([0.0, 1.0], (len(ACTIONS), 300), p=[0.95, 0.05]))
    rules = [rule(action, action, min_overlap_m=30.0 * number) for number, action in enumerate(ACTIONS)]
    paths = [np.sort(draw.choice(300, draw.integers(1, 12), replace=False)) for _ in range(200)]
    reach = np.repeat(np.arange(150), 2)
    reach_m = np.bincount(reach, length_m)
    first = np.concatenate([[0], np.cumsum([len(path) for path in paths])])

    under = RuleMetres(metres, possible, possible - metres, np.zeros_like(metres))
    marks = stretch_marks(first, np.concatenate(paths), length_m, reach, under, rules).marks

    for number, path in enumerate(paths):
        expected = dict.fromkeys(MARK_NAMES, False)
        for row, action in enumerate(ACTIONS):
            # By its own metres and length, or by what it takes of one reach, and that reach's length.
            groups = [path, *(path[reach[path] == one] for one in np.unique(reach[path]))]
            whole_m = [length_m[path].sum(), *reach_m[np.unique(reach[path])]]

            def holds(metres, row=row, groups=groups, whole_m=whole_m):
                taken = [metres[row, group].sum() for group in groups]
                enough = [min(30.0 * row, whole) - 1e-6 for whole in whole_m]
                return any(has > 0 and has >= minimum for has, minimum in zip(taken, enough, strict=True))

            if holds(metres):
                expected[f"mark_{action}"] = True
            elif holds(possible):
                expected["mark_note" if action == "note" else "mark_unknown"] = True
        assert marks.loc[number].to_dict() == expected


@given(st.lists(st.tuples(st.integers(0, 3), st.integers(0, 30), st.integers(1, 12)), max_size=25))
@settings(deadline=None, max_examples=100)
def test_a_union_of_intervals_covers_the_same_whole_metres(cases):
    owner = np.array([case[0] for case in cases], dtype=np.int64)
    from_m = np.array([case[1] for case in cases], dtype=float)
    to_m = from_m + np.array([case[2] for case in cases], dtype=float)

    union = union_of_intervals(owner, from_m, to_m)

    covered = {(who, metre) for who, start, length in cases for metre in range(start, start + length)}
    again = [(who, metre) for who, start, end in zip(*union, strict=True) for metre in range(int(start), int(end))]
    assert len(again) == len(set(again))
    assert set(again) == covered
    gaps = union.from_m[1:] - union.to_m[:-1]
    assert (gaps[union.owner[1:] == union.owner[:-1]] > 0).all()


# Ground of a ring by the winding number of each face that its edges cut out; made without any repair of GEOS's.
def wound_ground(ring):
    noded = shapely.union_all([LineString(pair) for pair in itertools.pairwise(ring)])
    faces = shapely.get_parts(shapely.polygonize([noded]))
    if not len(faces):
        return shapely.Polygon()
    x, y = shapely.get_coordinates(shapely.point_on_surface(faces)).T[:, :, np.newaxis]
    (x0, y0), (x1, y1) = ring[:-1].T, ring[1:].T
    left = (x1 - x0) * (y - y0) - (x - x0) * (y1 - y0)
    winding = ((y0 <= y) & (y1 > y) & (left > 0)).sum(axis=1) - ((y0 > y) & (y1 <= y) & (left < 0)).sum(axis=1)
    return shapely.union_all(faces[winding != 0])


def test_repaired_polygons_are_valid_and_keep_all_ground_that_they_wind_around():
    draw = np.random.default_rng(12)
    rings = [draw.integers(0, 12, (draw.integers(4, 12), 2)).astype(float) for _ in range(600)]
    rings = [np.concatenate([ring, ring[:1]]) for ring in rings]
    ids = np.array([str(number) for number in range(len(rings))], dtype=object)
    drawn = np.array([shapely.Polygon(ring) for ring in rings], dtype=object)

    rows, parts, repairs = simple_geometries(drawn, "polygon", ids)

    assert shapely.is_valid(parts).all()
    assert (shapely.get_type_id(parts) == shapely.GeometryType.POLYGON).all()
    for number, ring in enumerate(rings):
        kept = shapely.union_all(parts[rows == number])
        ground = wound_ground(ring)
        assert ground.difference(kept).area < 1e-9
        assert kept.difference(ground).area < 1e-9
    # A feature that has no row left is reported to be without area, and only then.
    gone = {repair.feature for repair in repairs if repair.action == "dropped, no area"}
    assert gone == set(ids) - set(ids[rows])


def test_water_bodies_of_a_real_region_cover_of_every_flowline_what_plain_intersection_gives(public_data):
    source = {"path": "new_hope/network.gpkg", "crs": "EPSG:4269"}
    lines = read_layer(
        LayerSource(layer="NHDFlowline_Network", **source),
        public_data,
        "EPSG:26917",
        what="streams",
        geometry="line",
    ).frame
    water = read_layer(
        LayerSource(layer="NHDWaterbody", **source), public_data, "EPSG:26917", what="lakes", geometry="polygon"
    ).frame
    lines["station"] = lines["reach"] = np.arange(len(lines))
    lines["from_m"], lines["to_m"] = 0.0, lines.length

    metres = rule_metres(overlaps(lines, water, rule("lakes")), [rule("lakes")], len(lines))[0]

    brute = lines.geometry.intersection(water.union_all()).length.to_numpy()
    assert metres == pytest.approx(brute, abs=1e-5)
    assert (brute > 0).sum() > 50
