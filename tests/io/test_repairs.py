"""Repairs of geometry: nothing is dropped or changed without a row that says so, and ground is kept."""

import numpy as np
import shapely
from shapely import GeometryCollection, LineString, MultiLineString, MultiPoint, MultiPolygon, Point, Polygon, box

# The two triangles have an area of 1 m² each; as drawn they have opposite signs and add up to nothing.
BOW_TIE = Polygon([(0, 0), (2, 2), (2, 0), (0, 2)])


def repairs_of(result):
    return result.repairs[["feature", "problem", "action"]].values.tolist()


def test_a_bow_tie_keeps_its_two_square_metres(saved, read):
    result = read(saved([BOW_TIE]))

    assert result.frame.area.sum() == 2.0
    assert result.frame["feature_id"].tolist() == ["row 0", "row 0"]
    assert result.frame["source_part"].tolist() == [0, 1]
    assert repairs_of(result) == [
        ["row 0", "invalid polygon: self-intersection", "made valid, area 0.0 m² as drawn, 2.0 m² now"],
        ["row 0", "several parts", "split into 2"],
    ]


def test_ground_that_a_ring_goes_round_twice_is_no_hole(saved, read):
    # A square of 4 by 4 m and one of 2 by 2 m inside, drawn in one go and the same turn: 16 m² of ground.
    twice = Polygon([(0, 0), (4, 0), (4, 4), (0, 4), (0, 0), (1, 1), (3, 1), (3, 3), (1, 3), (1, 1)])

    result = read(saved([twice]))

    assert result.frame.area.sum() == 16.0


def test_a_hole_stays_a_hole(saved, read):
    result = read(saved([box(0, 0, 4, 4) - box(1, 1, 2, 2)]))

    assert result.frame.area.sum() == 15.0
    assert result.repairs.empty


def test_parts_that_overlap_keep_their_common_ground(saved, read):
    result = read(saved([MultiPolygon([box(0, 0, 2, 2), box(1, 1, 3, 3)])]))

    assert result.frame.area.sum() == 7.0
    assert shapely.is_valid(result.frame.geometry.to_numpy()).all()


def test_a_polygon_without_area_is_dropped_and_reported(saved, read):
    flat = Polygon([(0, 0), (5, 0), (2, 0)])

    result = read(saved([box(0, 0, 1, 1), flat]))

    assert result.frame["source_row"].tolist() == [0]
    assert result.lineage["features_read"] == 2
    assert result.lineage["features_used"] == 1
    assert [repair[::2] for repair in repairs_of(result)] == [["row 1", "dropped, no area"]]


def test_missing_and_empty_geometry_is_dropped_and_reported(saved, read):
    result = read(saved([None, box(0, 0, 1, 1), Polygon()]))

    assert result.frame["source_row"].tolist() == [1]
    assert repairs_of(result) == [["row 0", "no geometry", "dropped"], ["row 2", "no geometry", "dropped"]]


def test_heights_are_left_out_and_counted(saved, read):
    lines = [LineString([(0, 0, 5), (1, 0, 4)]), LineString([(0, 1), (1, 1)])]

    result = read(saved(lines), "line")

    assert not result.frame.geometry.has_z.any()
    assert repairs_of(result) == [["", "heights on the coordinates", "left out in 1 features"]]


def test_features_in_several_parts_are_split_and_their_parts_numbered(saved, read):
    twin = MultiLineString([[(0, 0), (1, 0)], [(5, 0), (9, 0)]])
    single = MultiLineString([[(0, 7), (1, 7)]])

    result = read(saved([twin, single], river=["Alder", "Birch"]), "line")

    assert result.frame["river"].tolist() == ["Alder", "Alder", "Birch"]
    assert result.frame["source_row"].tolist() == [0, 0, 1]
    assert result.frame["source_part"].tolist() == [0, 1, 0]
    assert result.frame.length.tolist() == [1, 4, 1]
    assert repairs_of(result) == [["row 0", "several parts", "split into 2"]]


def test_geometry_of_another_kind_is_dropped_and_reported_feature_by_feature(saved, read):
    mixed = GeometryCollection([box(0, 0, 1, 1), Point(5, 5), LineString([(0, 0), (1, 1)])])
    shapes = [mixed, Point(0, 0), LineString([(0, 0), (3, 0)]), box(8, 8, 9, 9)]

    result = read(saved(shapes))

    assert result.frame["source_row"].tolist() == [0, 3]
    assert repairs_of(result) == [
        ["", "collections of geometries", "taken apart in 1 features"],
        ["row 0", "line and point geometry in a layer of polygons", "dropped"],
        ["row 1", "point geometry in a layer of polygons", "dropped"],
        ["row 2", "line geometry in a layer of polygons", "dropped"],
    ]


def test_any_kind_of_geometry_may_be_asked_for(saved, read):
    shapes = [MultiPoint([(0, 0), (1, 1)]), LineString([(0, 0), (3, 0)]), box(8, 8, 9, 9)]

    result = read(saved(shapes), "any")

    assert result.frame.geom_type.tolist() == ["Point", "Point", "LineString", "Polygon"]


def test_a_line_without_length_is_dropped_and_reported(saved, read):
    lines = [LineString([(1, 1), (1, 1)]), LineString([(0, 0), (3, 0)])]

    result = read(saved(lines), "line")

    assert result.frame["source_row"].tolist() == [1]
    assert repairs_of(result) == [["row 0", "line without length", "dropped; x 1, y 1"]]


def test_coordinates_that_are_no_numbers_are_dropped_and_reported(saved, read):
    with np.errstate(invalid="ignore"):
        lines = [LineString([(0, 0), (np.nan, 4), (3, 0)]), LineString([(0, 0), (3, 0)])]

    result = read(saved(lines), "line")

    assert result.frame["source_row"].tolist() == [1]
    assert repairs_of(result) == [["row 0", "coordinates that are not numbers", "dropped"]]


def test_a_repeated_feature_is_dropped_but_one_that_says_something_else_stays(saved, read):
    # The same square begun at another corner; the third has another category.
    shapes = [box(0, 0, 1, 1), Polygon([(0, 0), (0, 1), (1, 1), (1, 0)]), box(0, 0, 1, 1)]
    source = saved(shapes, code=["A", "B", "C"], category=["x", "x", "y"], source={"id_column": "code"})

    result = read(source)

    assert result.frame["feature_id"].tolist() == ["A", "C"]
    assert repairs_of(result) == [
        ["B", "same geometry as another feature", "dropped, the same as A"],
        ["C", "same geometry as another feature", "kept, since its attributes differ from A"],
    ]
