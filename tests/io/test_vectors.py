"""Vector layers of the user's: what is read, ids and names, lineage, and errors compared whole."""

import hashlib

import geopandas
import numpy as np
import pandas as pd
import pyogrio
import pytest
from geopandas.testing import assert_geodataframe_equal
from shapely import LineString, MultiPoint, Point, box

from sitefinder.errors import InputError
from sitefinder.io.vector import validate_near_region
from sitefinder.settings import LayerSource

UTM = "EPSG:32633"


def test_a_sound_layer_comes_as_it_is_without_repairs(saved, read):
    source = saved([box(0, 0, 1, 1), box(2, 0, 3, 1)], category=["a", "b"])

    result = read(source)

    assert result.frame["category"].tolist() == ["a", "b"]
    assert result.frame["source_row"].tolist() == [0, 1]
    assert result.frame["source_part"].tolist() == [0, 0]
    assert result.frame["feature_id"].tolist() == ["row 0", "row 1"]
    assert result.frame["feature_name"].tolist() == ["", ""]
    assert result.frame.geometry.geom_equals(
        geopandas.GeoSeries([box(0, 0, 1, 1), box(2, 0, 3, 1)], crs=UTM)
    ).all()
    assert result.repairs.empty


def test_lineage_names_the_file_as_given_its_digest_and_where_it_comes_from(saved, read, tmp_path):
    source = saved([box(0, 0, 1, 1)], source={"source": "Park office", "date": "2024", "licence": "CC0"})

    lineage = read(source).lineage

    assert lineage == {
        "name": "parks",
        "path": "layer.gpkg",
        "layer": "features",
        "digest": hashlib.sha256((tmp_path / "layer.gpkg").read_bytes()).hexdigest(),
        "source": "Park office",
        "date": "2024",
        "licence": "CC0",
        "crs": UTM,
        "operation": "none (same coordinate system)",
        "features_read": 1,
        "features_used": 1,
        "features": "1 features read, 1 used",
    }


@pytest.mark.parametrize(
    ("values", "ids"),
    [
        ([7.0, 12.0, np.nan], ["7", "12", "row 2"]),
        ([7, 12, 13], ["7", "12", "13"]),
        (["007", "b", None], ["007", "b", "row 2"]),
        ([0.5, 1e16, 3.0], ["0.5", "10000000000000000", "3"]),
    ],
)
def test_ids_are_text_and_floats_that_were_integers_are_so_again(saved, read, values, ids):
    shapes = [box(0, 0, 1, 1), box(2, 0, 3, 1), box(4, 0, 5, 1)]

    result = read(saved(shapes, number=values, source={"id_column": "number"}))

    assert result.frame["feature_id"].tolist() == ids
    assert pd.api.types.is_string_dtype(result.frame["feature_id"])


def test_names_are_taken_from_their_column_and_empty_where_missing(saved, read):
    source = saved([box(0, 0, 1, 1), box(2, 0, 3, 1)], label=["Fen", None], source={"name_column": "label"})

    assert read(source).frame["feature_name"].tolist() == ["Fen", ""]


def test_a_shapefile_is_known_by_all_its_parts(saved, read, tmp_path):
    source = saved([box(0, 0, 1, 1)], file="parks.shp", layer="parks", category=["a"])
    before = read(source).lineage["digest"]

    with (tmp_path / "parks.dbf").open("r+b") as table:
        table.seek(-2, 2)
        table.write(b"b")
    after = read(source)

    assert after.lineage["digest"] != before


def test_an_empty_layer_is_an_error_unless_that_is_right(saved, read):
    source = saved([])

    empty = read(source, allow_empty=True)
    with pytest.raises(InputError, match="is empty") as caught:
        read(source)

    assert empty.frame.empty
    assert empty.frame.crs == UTM
    assert list(empty.frame.columns) == ["source_row", "source_part", "feature_id", "feature_name", "geometry"]
    assert str(caught.value) == (
        "the parks layer is empty\n"
        '  file:      layer.gpkg, layer "features"\n'
        "  expected:  at least one feature\n"
        "  found:     no features\n"
        "  fix:       name another layer; for a rule that may be without features, set may_be_empty = true"
    )


def test_a_layer_of_which_nothing_is_left_says_what_became_of_it(saved, read):
    source = saved([LineString([(1, 1), (1, 1)]), None, None])

    with pytest.raises(InputError, match="is empty") as caught:
        read(source, "line")

    assert "found:     3 features, none usable (2 × no geometry, 1 × line without length)" in str(caught.value)


def test_the_wrong_kind_of_layer_is_refused(saved, read):
    source = saved([Point(0, 0), MultiPoint([(1, 1), (2, 2)])])

    with pytest.raises(InputError, match="no line geometry") as caught:
        read(source, "line")

    assert str(caught.value) == (
        "the parks layer has no line geometry\n"
        '  file:      layer.gpkg, layer "features"\n'
        "  expected:  line features\n"
        "  found:     3 × point\n"
        "  fix:       name the right layer, or the right file"
    )


def test_a_missing_file_is_an_error_that_says_where_it_was_looked_for(read, tmp_path):
    with pytest.raises(InputError, match="does not exist") as caught:
        read(LayerSource(path="parks.gpkg"))

    assert str(caught.value) == (
        "the parks layer's file does not exist\n"
        "  file:      parks.gpkg\n"
        f"  expected:  a file that GDAL reads, in {tmp_path}\n"
        "  found:     no such file\n"
        "  fix:       correct the path, which starts from the settings file's folder"
    )


def test_a_file_that_is_no_layer_cannot_be_read(read, tmp_path):
    (tmp_path / "parks.gpkg").write_text("no layer at all")

    with pytest.raises(InputError, match="cannot be read"):
        read(LayerSource(path="parks.gpkg"))


def test_a_layer_that_is_not_in_the_file_names_those_that_are(saved, read):
    saved([box(0, 0, 1, 1)], layer="reserves")
    saved([box(0, 0, 1, 1)], layer="parks")

    with pytest.raises(InputError, match="not in its file") as caught:
        read(LayerSource(path="layer.gpkg", layer="reserve"))

    assert str(caught.value) == (
        "the parks layer is not in its file\n"
        "  file:      layer.gpkg\n"
        '  expected:  a layer "reserve"\n'
        "  found:     layers reserves, parks\n"
        "  fix:       did you mean reserves?"
    )


def test_one_of_several_layers_is_never_chosen_for_the_user(saved, read):
    saved([box(0, 0, 1, 1)], layer="reserves")
    saved([box(0, 0, 1, 1)], layer="parks")

    with pytest.raises(InputError, match="not clear which layer") as caught:
        read(LayerSource(path="layer.gpkg"))

    assert "found:     layers reserves, parks" in str(caught.value)


def test_wrong_columns_are_named_all_at_once(saved, read):
    source = saved(
        [box(0, 0, 1, 1)],
        park_id=["a"],
        name=["b"],
        source={"id_column": "parkid", "name_column": "nam"},
    )

    with pytest.raises(InputError, match="2 problems") as caught:
        read(source)

    assert str(caught.value) == (
        'layer.gpkg, layer "features": 2 problems\n'
        "  the layer has no column parkid\n"
        '    file:      layer.gpkg, layer "features"\n'
        "    expected:  the column that id_column names\n"
        "    found:     columns park_id, name\n"
        "    fix:       did you mean park_id?\n"
        "  the layer has no column nam\n"
        '    file:      layer.gpkg, layer "features"\n'
        "    expected:  the column that name_column names\n"
        "    found:     columns park_id, name\n"
        "    fix:       did you mean name?"
    )


def test_a_column_of_the_users_that_has_our_name_is_refused_unless_it_is_the_id(saved, read):
    saved([box(0, 0, 1, 1)], feature_id=["a"])

    with pytest.raises(InputError, match="a column named feature_id"):
        read(LayerSource(path="layer.gpkg"))

    named = read(LayerSource(path="layer.gpkg", id_column="feature_id"))
    assert named.frame["feature_id"].tolist() == ["a"]


def test_a_layer_of_another_place_is_refused(saved, read):
    result = read(saved([box(0, 0, 1, 1), box(10, 0, 11, 1)]))

    validate_near_region(result, (10.5, 0.5, 30, 30))
    with pytest.raises(InputError, match="is not in this region") as caught:
        validate_near_region(result, (2, 0, 9, 1))

    assert str(caught.value) == (
        "the parks layer is not in this region\n"
        '  file:      layer.gpkg, layer "features"\n'
        "  expected:  features between 2, 0 and 9, 1\n"
        "  found:     features between 0, 0 and 11, 1, from EPSG:32633\n"
        "  fix:       check the layer's coordinate system, or name the layer of this region"
    )


# Squares of 100 m, a kilometre apart, in rows from the south.
SQUARES = [box(500_000 + x, 5_000_000 + y, 500_100 + x, 5_000_100 + y) for y in range(0, 30_000, 1000)
           for x in range(0, 30_000, 1000)]  # fmt: skip
AREA = (507_900.0, 5_003_050.0, 511_050.0, 5_005_000.0)


@pytest.mark.parametrize("file", ["layer.gpkg", "layer.fgb", "layer.shp"])
@pytest.mark.parametrize("crs", [UTM, "EPSG:3035"])
def test_a_large_layer_is_read_by_area_with_the_same_features_there(saved, read, tmp_path, monkeypatch, file, crs):
    squares = geopandas.GeoSeries(SQUARES, crs=UTM).to_crs(crs)
    source = saved(squares, file=file, crs=crs, number=range(len(SQUARES)))
    if file.endswith(".shp"):
        pyogrio.write_dataframe(pyogrio.read_dataframe(tmp_path / file), tmp_path / file, SPATIAL_INDEX="YES")
    whole = read(source, area=AREA)
    monkeypatch.setattr("sitefinder.io.vector.LARGE_FEATURES", 100)

    near = read(source, area=AREA)

    meets = whole.frame.geometry.intersects(box(*AREA)).to_numpy()
    rest = whole.frame[whole.frame["source_row"].isin(near.frame["source_row"])].reset_index(drop=True)
    assert meets.sum() == 12
    assert set(near.frame["source_row"]) >= set(whole.frame["source_row"][meets])
    # The box of the area in another system is wider, no more than by its turn.
    assert len(near.frame) < 60
    assert_geodataframe_equal(near.frame, rest)
    assert near.lineage["features"].startswith(f"900 features in the file, of those near the region {len(rest)} ")
    assert whole.lineage["features"] == "900 features read, 900 used"
    assert near.lineage["digest"] == whole.lineage["digest"]


def test_a_layer_without_an_index_of_places_or_elsewhere_is_read_whole(saved, read, monkeypatch):
    monkeypatch.setattr("sitefinder.io.vector.LARGE_FEATURES", 100)
    elsewhere = tuple(value + 1e6 for value in AREA)

    degrees = geopandas.GeoSeries(SQUARES, crs=UTM).to_crs("EPSG:4326")

    assert len(read(saved(degrees, file="layer.geojson", crs="EPSG:4326"), area=AREA).frame) == 900
    assert len(read(saved(SQUARES), area=elsewhere).frame) == 900


def test_names_in_utf_8_that_were_read_in_another_alphabet_are_listed(saved, read):
    names = ["Grünau", "Gießbach".encode().decode("latin-1"), "Jökulsá".encode().decode("latin-1"), "Ã"]
    layer = saved(
        [box(x, 5e6, x + 5, 5e6 + 5) for x in (5e5, 5.1e5, 5.2e5, 5.3e5)],
        name=names,
        source={"name_column": "name"},
    )

    repairs = read(layer).repairs

    assert repairs[["feature", "problem", "action"]].to_numpy().tolist() == [
        ["", "2 names that look like UTF-8, read in another alphabet", "read nevertheless"]
    ]
