"""Layers as they come: old alphabets in archives, heights, multipart lines, exchanged axes, faults, no id."""

import sqlite3
import zipfile

import geopandas
import numpy as np
import pyogrio
import pytest
import shapely
from pyproj import CRS

from sitefinder.errors import InputError
from sitefinder.inspection import layers
from sitefinder.inspection.inspecting import inspect_files
from sitefinder.io.vector import read_layer
from sitefinder.settings import LayerSource

UTM = "EPSG:32633"
BOX = ((500_000.0, 5_000_000.0, 501_000.0, 5_001_000.0), CRS(UTM))


def saved(path, geometry, crs=UTM, **columns):
    frame = geopandas.GeoDataFrame(columns, geometry=list(geometry), crs=crs)
    kind = {"geometry_type": "Unknown", "promote_to_multi": False} if path.suffix == ".gpkg" else {}
    pyogrio.write_dataframe(frame, path, **kind)
    return path


def lines(count, x=500_100.0, y=5_000_100.0, step=10.0):
    return [shapely.LineString([(x + step * row, y), (x + step * row, y + 50.0)]) for row in range(count)]


def one(path, **options):
    inspected = inspect_files([str(path)], **options)
    assert inspected.problems == []
    (found,) = inspected.found
    return found


# A Shapefile with Latin-1 letters whose alphabet the table's language byte alone states, in an archive.
def zipped(folder, *, language, letters="ISO-8859-1", names=("Mühlbach", "Große Ache", None)):
    shape = folder / "made" / "gewaesser.shp"
    shape.parent.mkdir()
    frame = geopandas.GeoDataFrame({"GEWKZ": ["11", "12", "13"], "NAME": list(names)}, geometry=lines(3), crs=UTM)
    pyogrio.write_dataframe(frame, shape, encoding=letters)
    shape.with_suffix(".cpg").unlink(missing_ok=True)
    table = bytearray(shape.with_suffix(".dbf").read_bytes())
    table[29] = language
    shape.with_suffix(".dbf").write_bytes(table)
    archive = folder / "gewaesser.zip"
    with zipfile.ZipFile(archive, "w") as written:
        for file in sorted(shape.parent.iterdir()):
            written.write(file, f"hydro/{file.name}")
        written.writestr("hydro/README.txt", "Rivers of the district.\nLicence: CC BY 4.0, Land office\n")
    return archive


def test_a_shapefile_in_latin_letters_in_an_archive(tmp_path):
    found = one(zipped(tmp_path, language=0x57))

    assert (found.inside, found.role, found.layer.features) == ("hydro/gewaesser.shp", "streams", 3)
    assert found.layer.encoding == ("the language byte 0x57 of gewaesser.dbf states ISO-8859-1 or CP1252")
    code, name = found.layer.fields
    assert (code.is_unique, name.filled, name.example) == (True, 2, "Mühlbach")
    assert found.layer.likely == ("GEWKZ", "NAME", None)
    assert [each.text for each in found.licence] == ["Licence: CC BY 4.0, Land office"]
    assert found.layer.problems == []


def test_letters_in_another_alphabet_than_stated_are_noticed(tmp_path):
    found = one(zipped(tmp_path, language=0x57, letters="UTF-8"))

    (problem,) = found.layer.problems
    assert problem.startswith("2 texts, such as MÃ¼hlbach, look like UTF-8, read in another alphabet\n  fix:")
    assert "into gewaesser.cpg beside the file" in problem
    assert found.layer.likely.name == "NAME"


def test_what_the_file_with_the_alphabet_states_is_used(tmp_path):
    archive = zipped(tmp_path, language=0, letters="CP1250", names=("Łąka", "Wieprz", "Bóbr"))
    with zipfile.ZipFile(archive, "a") as written:
        written.writestr("hydro/gewaesser.cpg", "CP1250\n")

    found = one(archive)

    assert found.layer.fields[1].example == "Łąka"
    assert found.layer.encoding == "gewaesser.cpg states CP1250"


def test_multipart_lines_with_heights(tmp_path):
    geometry = [
        shapely.force_3d(shapely.MultiLineString(lines(2, x=500_000.0 + 100.0 * part)), 7.0) for part in (1, 2)
    ]
    path = saved(tmp_path / "rivers.gpkg", [*geometry, lines(1)[0]], code=["a", "b", "c"])

    layer = one(path).layer

    assert layer.geometries == {"multilinestring": 2, "linestring": 1}
    assert (layer.kind, layer.with_heights, layer.faults) == ("line", 2, {"several parts": 2})


def test_exchanged_axes_are_found_at_a_dem_and_without_one(tmp_path):
    flipped = shapely.transform(np.array(lines(2)), lambda xy: xy[:, ::-1])
    path = saved(tmp_path / "rivers.gpkg", flipped)

    (there,) = layers.inspect_layer(path, "rivers", "rivers.gpkg", BOX).problems
    (alone,) = layers.inspect_layer(path, "rivers", "rivers.gpkg").problems

    assert there.startswith(
        "no feature meets the DEM's extent; with x and y exchanged 2 of 2 would\n  fix:  exchange"
    )
    assert alone.startswith(
        "no feature meets the area in which its coordinate system is used; with x and y exchanged"
    )


def test_a_layer_in_its_place_has_no_problem_and_is_counted_at_the_dem(tmp_path):
    path = saved(tmp_path / "rivers.gpkg", [*lines(2), *lines(1, x=900_000.0)])

    found = layers.inspect_layer(path, "rivers", "rivers.gpkg", BOX)

    assert (found.at_dem, found.problems) == ((3, 2, 0), [])


def test_a_layer_of_another_place_is_no_matter_of_axes(tmp_path):
    path = saved(tmp_path / "rivers.gpkg", lines(2, x=300_000.0))

    (problem,) = layers.inspect_layer(path, "rivers", "rivers.gpkg", BOX).problems

    assert problem.startswith("no feature meets the DEM's extent\n  fix:  check the layer's coordinate system")


def test_a_layer_without_a_coordinate_system_says_so(tmp_path):
    shape = tmp_path / "rivers.shp"
    saved(shape, lines(1), code=["a"])
    shape.with_suffix(".prj").unlink()

    found = one(shape).layer

    assert found.crs is None
    assert "has no coordinate system" in found.problems[0]


def test_axes_and_datum_are_named(tmp_path):
    crs = one(saved(tmp_path / "a.gpkg", [shapely.Point(14.0, 47.0)], crs="EPSG:4326")).layer.crs

    assert crs.axes == "geodetic latitude (north), geodetic longitude (east) [degree]"
    assert crs.datum == "World Geodetic System 1984 ensemble"


# Two bow ties, a feature without geometry, one of another kind, a repeated one, and one in two parts.
def test_faults_are_those_that_reading_mends_also_where_the_layer_is_read_in_parts(tmp_path, monkeypatch):
    square = shapely.box(500_100.0, 5_000_100.0, 500_200.0, 5_000_200.0)
    tie = shapely.Polygon([(500_000, 5_000_000), (500_100, 5_000_100), (500_100, 5_000_000), (500_000, 5_000_100)])
    both = shapely.MultiPolygon([shapely.box(0, 0, 1, 1), shapely.box(3, 3, 4, 4)])
    shapes = [square, tie, None, lines(1)[0], square, shapely.transform(tie, lambda xy: xy + 500.0), both]
    path = saved(tmp_path / "parks.gpkg", shapes, code=list("abcdefg"))
    monkeypatch.setattr(layers, "PART_FEATURES", 3)

    found = one(path).layer

    read = read_layer(
        LayerSource(path="parks.gpkg", id_column="code"), tmp_path, UTM, what="parks", geometry="polygon"
    )
    mended = read.repairs[read.repairs["feature"] != ""]
    assert found.faults == mended["problem"].value_counts().to_dict()
    assert found.faults["same geometry as another feature"] == 1
    assert found.features == 7


def test_fields_are_summed_over_parts(tmp_path, monkeypatch):
    status = ["in use", "in use", "removed", "in use", None, "removed"]
    columns = {"weir_id": [4, 5, 6, 7, 8, 4], "STATUS": status, "drop": [0.5, 2.0, np.nan, -1.0, 3.5, 0.0]}
    path = saved(tmp_path / "weirs.gpkg", shapely.points(np.arange(12.0).reshape(6, 2)), **columns)
    monkeypatch.setattr(layers, "PART_FEATURES", 2)

    found = one(path)

    code, state, drop = found.layer.fields
    assert (code.is_unique, code.kind, code.categories[0]) == (False, "whole number", ("4", 2))
    assert (state.filled, state.categories) == (5, [("in use", 3), ("removed", 2)])
    assert (drop.filled, drop.minimum, drop.maximum, drop.kind) == (5, -1.0, 3.5, "number")
    assert drop.suspected_nodata is None
    assert found.layer.likely == (None, None, "STATUS")
    assert found.role == "structures"


def test_what_is_different_in_a_part_and_repeated_in_another_is_no_id(tmp_path, monkeypatch):
    monkeypatch.setattr(layers, "PART_FEATURES", 2)

    repeated = one(saved(tmp_path / "a.gpkg", lines(4), river_id=["a", "b", "a", "c"])).layer
    unique = one(saved(tmp_path / "b.gpkg", lines(4), river_id=["a", "b", "d", "c"])).layer

    gaps = one(saved(tmp_path / "c.gpkg", lines(4), river_id=["a", "b", None, "c"])).layer
    assert (repeated.likely.id, gaps.likely.id, unique.likely.id) == (None, None, "river_id")


def test_a_licence_in_the_metadata_of_a_geopackage_is_its_own(tmp_path):
    path = saved(tmp_path / "rivers.gpkg", lines(1))
    (tmp_path / "rivers.xml").write_text(
        "<a><gmd:useLimitation>none known</gmd:useLimitation></a>", encoding="utf-8"
    )
    (tmp_path / "LICENSE.txt").write_text("Terms of use: ask the office", encoding="utf-8")
    database = sqlite3.connect(path)
    database.execute("CREATE TABLE gpkg_metadata (id INTEGER, md_standard_uri TEXT, metadata TEXT)")
    text = "<m><t>Rivers</t><useConstraints>CC BY 4.0</useConstraints></m>"
    database.execute("INSERT INTO gpkg_metadata VALUES (1, 'u', ?)", (text,))
    database.commit()
    database.close()
    before = path.read_bytes()

    licence = one(path).licence

    assert licence == [
        ("rivers.gpkg", "CC BY 4.0", True),
        ("rivers.xml", "none known", True),
        ("LICENSE.txt", "Terms of use: ask the office", False),
    ]
    assert path.read_bytes() == before


@pytest.mark.parametrize("name", ["../out.shp", "/out.shp", "C:/out.shp"])
def test_an_archive_that_names_files_elsewhere_is_refused(tmp_path, name):
    with zipfile.ZipFile(tmp_path / "bad.zip", "w") as archive:
        archive.writestr(name, "x")

    inspected = inspect_files([str(tmp_path / "bad.zip")])

    assert inspected.found == []
    with pytest.raises(InputError, match="a file outside the archive's folder"):
        inspected.validate()


def test_a_number_that_marks_no_value_is_noticed(tmp_path):
    path = saved(tmp_path / "weirs.gpkg", shapely.points(np.eye(2)), drop_m=[1.5, -9999.0], level_m=[-3.0, 2.0])

    drop, level = one(path).layer.fields

    assert (drop.suspected_nodata, level.suspected_nodata) == (-9999.0, None)


def test_a_database_in_a_folder_alone_and_in_an_archive(tmp_path):
    frame = geopandas.GeoDataFrame({"lake_id": ["a", "b"]}, geometry=lines(2), crs=UTM)
    pyogrio.write_dataframe(frame, tmp_path / "lakes.gdb", driver="OpenFileGDB")
    with zipfile.ZipFile(tmp_path / "lakes.zip", "w") as archive:
        for file in (tmp_path / "lakes.gdb").iterdir():
            archive.write(file, f"lakes.gdb/{file.name}")

    alone, packed = one(tmp_path / "lakes.gdb"), one(tmp_path / "lakes.zip")

    assert (alone.inside, packed.inside) == (None, "lakes.gdb")
    assert packed.layer == alone.layer
    assert alone.layer.likely.id == "lake_id"


def test_what_cannot_be_read_says_so_for_each_file(tmp_path):
    (tmp_path / "empty.csv").touch()
    (tmp_path / "latin.csv").write_bytes("id;name\n1;Mühle\n".encode("latin-1"))
    (tmp_path / "other.json").write_text('{"a": 1}', encoding="utf-8")
    (tmp_path / "cut.zip").write_bytes(b"PK\x03\x04 cut off")
    zipfile.ZipFile(tmp_path / "void.zip", "w").close()
    names = ["empty.csv", "latin.csv", "other.json", "cut.zip", "void.zip"]

    inspected = inspect_files([str(tmp_path / name) for name in names])

    assert inspected.found == []
    assert len(inspected.problems) == len(names)
    for name in names:
        (problem,) = [each for each in inspected.problems if name in each]
        assert "fix:" in problem


def test_a_layer_without_features_is_shown_as_such(tmp_path):
    (tmp_path / "rivers.geojson").write_text('{"type": "FeatureCollection", "features": []}', encoding="utf-8")

    found = one(tmp_path / "rivers.geojson").layer

    assert (found.features, found.problems) == (0, ["the layer has no features\n  fix:  name another layer"])
