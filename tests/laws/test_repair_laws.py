"""Geometry keeps its ground: ten thousand invalid polygons, curves, and an account of every feature."""

import geopandas
import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from shapely import GeometryCollection, LineString, MultiPolygon, Point, Polygon, box

from sitefinder.io.vector import features_summary, read_layer, simple_geometries, without_duplicates
from sitefinder.settings import LayerSource

pytestmark = pytest.mark.slow

SIDE = 10
# Places between whole coordinates; those that lie on an edge all the same are left out.
PLACES = np.stack(np.meshgrid(*[np.arange(0.137, SIDE, 0.9)] * 2), axis=-1).reshape(-1, 2)


# Rings of whole coordinates, which cross and touch themselves, come back along their own edges, and repeat points.
def random_ring(draw):
    ring = draw.integers(0, SIDE + 1, (draw.integers(3, 14), 2)).astype(float)
    if draw.random() < 0.2:
        ring = np.repeat(ring, 2, axis=0)
    if draw.random() < 0.2:
        ring = np.concatenate([ring, ring[::-1]])
    return np.concatenate([ring, ring[:1]])


def random_invalid(draw):
    """A polygon, one with holes that may leave it or cross, or several that may overlap."""
    kind = draw.random()
    if kind < 0.6:
        return Polygon(random_ring(draw))
    if kind < 0.8:
        return Polygon(random_ring(draw), [random_ring(draw) for _ in range(draw.integers(1, 3))])
    return MultiPolygon([Polygon(random_ring(draw)) for _ in range(draw.integers(2, 4))])


# How often a ring winds around each place (Sunday's winding number): no geometry library has a part in it.
def winding(ring, places):
    (x0, y0), (x1, y1) = ring[:-1].T[:, :, None], ring[1:].T[:, :, None]
    x, y = places.T
    left = (x1 - x0) * (y - y0) - (x - x0) * (y1 - y0)
    return ((y0 <= y) & (y1 > y) & (left > 0)).sum(axis=0) - ((y0 > y) & (y1 <= y) & (left < 0)).sum(axis=0)


# Places that the shells go round and the holes do not, and those in holes alone.
def on_ground(shape, places):
    ground, in_hole = np.zeros((2, len(places)), dtype=bool)
    for part in shapely.get_parts(shape):
        inside = winding(shapely.get_coordinates(part.exterior), places) != 0
        outside = np.zeros(len(places), dtype=bool)
        for hole in part.interiors:
            within = winding(shapely.get_coordinates(hole), places) != 0
            in_hole |= within & ~inside
            outside |= within
        ground |= inside & ~outside
    return ground, in_hole


def far_from_edges(shape, points):
    rings = shapely.get_rings(shapely.get_parts(shape))
    lines = shapely.multilinestrings([shapely.linestrings(shapely.get_coordinates(ring)) for ring in rings])
    return shapely.distance(lines, points) > 1e-6


@pytest.mark.exhaustive
def test_ten_thousand_random_invalid_polygons_lose_no_ground(capsys):
    draw = np.random.default_rng(20260101)
    drawn = []
    while len(drawn) < 10_000:
        shape = random_invalid(draw)
        if not shape.is_valid:
            drawn.append(shape)
    drawn = np.array(drawn, dtype=object)
    ids = np.array([str(number) for number in range(len(drawn))], dtype=object)

    rows, parts, repairs = simple_geometries(drawn, "polygon", ids)

    assert shapely.is_valid(parts).all()
    assert (shapely.get_type_id(parts) == shapely.GeometryType.POLYGON).all()
    assert (shapely.area(parts) > 0).all()
    first = np.searchsorted(rows, np.arange(len(drawn) + 1))
    lost = gained = tried = twice = 0
    points = shapely.points(PLACES)
    for number in range(len(drawn)):
        places = PLACES[far_from_edges(drawn[number], points)]
        kept = np.zeros(len(places), dtype=bool)
        for part in parts[first[number] : first[number + 1]]:
            shapely.prepare(part)
            kept |= shapely.intersects_xy(part, *places.T)
        ground, in_hole = on_ground(drawn[number], places)
        shell = shapely.get_coordinates(shapely.get_parts(drawn[number])[0].exterior)
        turns = winding(shell, places)
        twice += ((turns % 2 == 0) & (turns != 0) & ground).any()
        lost, tried = lost + (ground & ~kept).sum(), tried + len(places)
        # A hole drawn apart from its shell cuts nothing out of it; it is kept as ground, which is the safe side.
        gained += (kept & ~ground & ~in_hole).sum()
    with capsys.disabled():
        print(f"\n10 000 invalid polygons: {tried} places, {lost} lost, {gained} gained")
    # A repair by the rule of odd and even would have made holes of what is drawn twice.
    assert twice > 1000
    assert tried > 1_000_000
    assert lost == 0
    assert gained == 0
    # Each one says what was done; those without area are dropped, and only those.
    assert {repair.feature for repair in repairs if "area" in repair.action} == set(ids)
    dropped = {repair.dropped_row for repair in repairs if repair.dropped_row >= 0}
    assert dropped >= set(range(len(drawn))) - set(rows.tolist())


SHAPES = st.sampled_from(
    [
        None,
        Polygon(),
        box(0, 0, 1, 1),
        box(0, 0, 1, 1),
        Polygon([(0, 0, 5), (3, 0, 5), (3, 3, 5)]),
        Polygon([(0, 0), (2, 2), (2, 0), (0, 2)]),
        Polygon([(0, 0), (5, 0), (2, 0)]),
        MultiPolygon([box(0, 0, 2, 2), box(1, 1, 3, 3)]),
        GeometryCollection([box(7, 7, 8, 8), Point(1, 1)]),
        GeometryCollection([LineString([(0, 0), (1, 1)])]),
        GeometryCollection(),
        LineString([(4, 4), (4, 4)]),
        Point(2, 2),
    ]
)


@given(st.lists(SHAPES, max_size=12), st.sampled_from(["polygon", "any"]))
@settings(deadline=None, max_examples=150)
def test_used_is_read_less_dropped_with_a_reason_for_each(shapes, wanted):
    drawn = np.empty(len(shapes), dtype=object)
    drawn[:] = shapes
    # The same id for all: features are counted by their place in the file, not by what the user calls them.
    ids = np.full(len(shapes), "same", dtype=object)

    rows, parts, repairs = simple_geometries(drawn, wanted, ids)
    frame = geopandas.GeoDataFrame({"source_row": rows, "feature_id": ids[rows]}, geometry=parts, crs="EPSG:32633")
    frame, duplicates = without_duplicates(frame, [])
    notes = features_summary(len(shapes), frame["source_row"], repairs + duplicates)

    dropped = len(shapes) - frame["source_row"].nunique()
    assert notes.startswith(f"{len(shapes)} features read, {len(shapes) - dropped} used")
    if dropped:
        reasons = notes.partition(" dropped (")[2].rstrip(")")
        counted = [int(reason.split(" × ")[0]) for reason in reasons.split(", ")]
        assert sum(counted) == dropped
        assert "no geometry left" not in notes
    kept = {repair.dropped_row for repair in repairs + duplicates if repair.dropped_row >= 0}
    assert set(range(len(shapes))) - set(frame["source_row"]) <= kept


def test_curves_are_counted_and_keep_their_ground(tmp_path):
    circle = '"CURVEPOLYGON (CIRCULARSTRING (0 0,100 100,200 0,100 -100,0 0))"'
    (tmp_path / "parks.csv").write_text(f'name,WKT\na,{circle}\nb,"POLYGON ((0 0,9 0,9 9,0 0))"\n')

    read = read_layer(
        LayerSource(path="parks.csv", crs="EPSG:32633"), tmp_path, "EPSG:32633", what="parks", geometry="polygon"
    )

    # Pieces of 1 degree take 1 - sin(x) / x with x = 1° off a circle: 0.005 %.
    assert read.frame.area.iloc[0] == pytest.approx(np.pi * 100**2, rel=5.1e-5)
    assert read.repairs[["feature", "problem", "action"]].values.tolist() == [
        ["", "curves in 1 features", "read nevertheless"]
    ]
    assert read.lineage["features"] == "2 features read, 2 used"


def test_an_account_of_features_is_part_of_the_lineage(tmp_path):
    rows = ['"POLYGON ((0 0,9 0,9 9,0 0))"', "", '"POINT (1 1)"', '"POLYGON ((0 0,9 0,9 9,0 0))"']
    text = "name,WKT\n" + "".join(f"a,{row}\n" for row in rows)
    (tmp_path / "parks.csv").write_text(text)

    read = read_layer(
        LayerSource(path="parks.csv", crs="EPSG:32633"), tmp_path, "EPSG:32633", what="parks", geometry="polygon"
    )

    assert read.lineage["features"] == (
        "4 features read, 1 used, 3 dropped (1 × no geometry, 1 × point geometry in a layer of polygons, "
        "1 × same geometry as another feature)"
    )
