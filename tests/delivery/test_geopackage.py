"""The delivered GeoPackage: read back by other libraries, held against the standard, equal for equal tables.

Open Geospatial Consortium, "OGC GeoPackage Encoding Standard," version 1.3.0, OGC 12-128r17, 2021. The text of the
requirements was read in the standard's public source; tests name the requirement that they check.
"""

import hashlib
import os
import re
import shutil
import sqlite3
import struct
import subprocess
import sys

import geopandas as gpd
import numpy as np
import pandas as pd
import pyogrio
import pytest
from geopackages import write_geopackage
from shapely import LineString, MultiPolygon, Point, box

from sitefinder.delivery.geopackage import GDAL_OPTIONS
from sitefinder.errors import InputError, TableError
from sitefinder.schema import LAYERS, columns_table

CRS = "EPSG:32633"
WITH_GEOMETRY = [name for name, layer in LAYERS.items() if layer.geometry]
WITHOUT_GEOMETRY = [name for name, layer in LAYERS.items() if not layer.geometry]
SHAPES = {
    "Point": [Point(500000.25, 5400000.5), Point(500100, 5400100)],
    "LineString": [LineString([(0, 0), (30, 40)]), LineString([(30, 40), (60, 90), (70, 95)])],
    "MultiPolygon": [box(0, 0, 10, 10), MultiPolygon([box(20, 0, 30, 10), box(40, 0, 50, 10)])],
}


# Two rows of every layer: NULLs in the second row wherever they are allowed, names that are not plain ASCII.
def tables():
    made = {}
    for name, layer in LAYERS.items():
        if name == "columns":
            continue
        columns = {}
        for column in layer.columns:
            first = {"text": f"Šumná {column.name}", "integer": 3, "real": 0.75, "boolean": True}[column.dtype]
            second = {"text": "", "integer": 7, "real": 0.5, "boolean": False}[column.dtype]
            if column.values:
                first = second = column.values[0]
            elif column.parts:
                first, second = column.parts[0], ""
            elif column.nullable:
                second = None
            columns[column.name] = [first, second]
        frame = pd.DataFrame(columns)
        if layer.geometry:
            frame = gpd.GeoDataFrame(frame, geometry=SHAPES[layer.geometry], crs=CRS)
        made[name] = frame
    return made


@pytest.fixture(scope="module")
def package(tmp_path_factory):
    return write_geopackage(tmp_path_factory.mktemp("delivery") / "sites.gpkg", tables(), CRS)


@pytest.fixture
def database(package):
    connection = sqlite3.connect(f"file:{package}?mode=ro", uri=True)
    yield connection
    connection.close()


def rows(database, query):
    return database.execute(query).fetchall()


def test_layers_come_in_the_declared_order_those_with_geometry_first(package):
    listed = pyogrio.list_layers(package)

    # The styles are a table of no layer of ours, which GDAL lists like any other.
    assert [name for name, _ in listed] == [*WITH_GEOMETRY, *WITHOUT_GEOMETRY, "layer_styles"]
    assert [kind for _, kind in listed[:-1]] == [LAYERS[name].geometry for name, _ in listed[:-1]]


@pytest.mark.parametrize("name", LAYERS)
def test_pyogrio_finds_the_declared_columns_and_types(package, name):
    kinds = {"text": "object", "integer": "int64", "real": "float64", "boolean": "bool"}

    info = pyogrio.read_info(package, layer=name)

    columns = LAYERS[name].columns
    assert list(info["fields"]) == [column.name for column in columns]
    assert list(info["dtypes"]) == [kinds[column.dtype] for column in columns]
    assert info["fid_column"] == "row_id"


@pytest.mark.parametrize("name", WITH_GEOMETRY)
def test_geopandas_reads_geometry_crs_and_values_back(package, name):
    given = tables()[name]

    found = gpd.read_file(package, layer=name)

    assert found.crs == CRS
    # A polygon equals a multi-polygon whose only part it is.
    assert found.geometry.geom_equals(given.geometry).all()
    assert set(found.geom_type) == {LAYERS[name].geometry}
    for column in LAYERS[name].columns:
        expected = [None if pd.isna(value) else value for value in given[column.name]]
        assert [None if pd.isna(value) else value for value in found[column.name]] == expected, column.name


@pytest.mark.parametrize("name", WITHOUT_GEOMETRY)
def test_tables_without_geometry_are_registered_as_attributes(database, package, name):
    assert rows(database, f"SELECT data_type FROM gpkg_contents WHERE table_name = '{name}'") == [("attributes",)]

    assert not isinstance(gpd.read_file(package, layer=name), gpd.GeoDataFrame)


def test_what_is_not_known_is_null(database):
    assert rows(database, "SELECT road_distance_m, stream FROM sites ORDER BY row_id") == [
        (0.75, "Šumná stream"),
        (None, None),
    ]
    assert rows(database, "SELECT typeof(mark_note), mark_note FROM sites") == [("integer", 1), ("integer", 0)]


def test_the_columns_layer_gives_units_and_meanings(database):
    query = 'SELECT layer, "column", unit, meaning FROM columns ORDER BY row_id'

    assert rows(database, query) == list(columns_table().itertuples(index=False, name=None))


def test_ogrinfo_opens_every_layer(package):
    program = shutil.which("ogrinfo")
    if program is None:
        pytest.skip("ogrinfo is not installed")

    answer = subprocess.run([program, "-ro", "-al", "-so", package], capture_output=True, text=True, check=True)

    listed = re.findall(r"^Layer name: (\w+)", answer.stdout, re.MULTILINE)
    assert listed == [*WITH_GEOMETRY, *WITHOUT_GEOMETRY, "layer_styles"]
    assert "Warning" not in answer.stderr


def test_requirements_1_and_2_the_file_says_what_it_is(package):
    header = package.read_bytes()[:100]

    # Big-endian numbers at offsets 60 (user version) and 68 (application id) of the SQLite header. The standard
    # prints 0x47504B47 ("GPKG") and, for version 1.3.0, 0x0000283C (10300).
    assert header[:16] == b"SQLite format 3\x00"
    assert struct.unpack(">I", header[60:64]) == (0x0000283C,)
    assert struct.unpack(">I", header[68:72]) == (0x47504B47,)


def test_requirement_5_columns_have_types_of_the_standard(database):
    allowed = {"BOOLEAN", "INTEGER", "REAL", "TEXT", "POINT", "LINESTRING", "MULTIPOLYGON"}

    for name in LAYERS:
        assert {kind for _, _, kind, *_ in rows(database, f"PRAGMA table_info({name})")} <= allowed, name


def test_requirements_6_and_7_the_database_is_sound(database):
    assert rows(database, "PRAGMA integrity_check") == [("ok",)]
    assert rows(database, "PRAGMA foreign_key_check") == []


def test_requirements_11_and_12_coordinate_systems_are_defined(database):
    query = (
        "SELECT srs_id, lower(organization), organization_coordsys_id FROM gpkg_spatial_ref_sys ORDER BY srs_id"
    )

    assert rows(database, query) == [
        (-1, "none", -1),
        (0, "none", 0),
        (4326, "epsg", 4326),
        (32633, "epsg", 32633),
    ]
    undefined = "SELECT DISTINCT definition FROM gpkg_spatial_ref_sys WHERE srs_id IN (-1, 0)"
    assert rows(database, undefined) == [("undefined",)]


def test_requirements_13_and_14_every_table_is_in_the_contents(database):
    notes = [name for (name,) in rows(database, "SELECT table_name FROM gpkg_contents ORDER BY rowid")]
    assert notes == [*LAYERS, "layer_styles"]
    there = {name for (name,) in rows(database, "SELECT name FROM sqlite_master WHERE type = 'table'")}
    assert set(LAYERS) <= there


def test_requirement_15_the_time_of_change_has_the_form_of_the_standard_and_is_fixed(database):
    (stamps,) = zip(*rows(database, "SELECT DISTINCT last_change FROM gpkg_contents"), strict=True)

    assert stamps == (GDAL_OPTIONS["OGR_CURRENT_DATE"],)
    assert re.fullmatch(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d\.\d{3}Z", stamps[0])


def test_requirements_22_to_33_geometry_columns_are_described(database):
    query = "SELECT table_name, column_name, geometry_type_name, srs_id, z, m FROM gpkg_geometry_columns"
    expected = [(name, "geom", LAYERS[name].geometry.upper(), 32633, 0, 0) for name in WITH_GEOMETRY]

    assert rows(database, query) == expected
    for name in WITH_GEOMETRY:
        # A geometry blob starts with "GP", version 0, flags, and the coordinate system in the flagged byte order.
        for (blob,) in rows(database, f"SELECT geom FROM {name}"):
            assert blob[:3] == b"GP\x00", name
            assert struct.unpack(("<" if blob[3] & 1 else ">") + "i", blob[4:8]) == (32633,), name


def test_requirements_29_and_119_every_table_has_an_integer_key(database):
    for name in LAYERS:
        keys = [
            (column, kind) for _, column, kind, _, _, key in rows(database, f"PRAGMA table_info({name})") if key
        ]
        assert keys == [("row_id", "INTEGER")], name


def test_requirements_75_to_77_every_geometry_has_a_spatial_index(database):
    query = "SELECT table_name, column_name, scope FROM gpkg_extensions WHERE extension_name = 'gpkg_rtree_index'"

    assert sorted(rows(database, query)) == sorted((name, "geom", "write-only") for name in WITH_GEOMETRY)
    for name in WITH_GEOMETRY:
        count = rows(database, f"SELECT count(*) FROM rtree_{name}_geom")
        assert count == [(2,)], name
        triggers = rows(
            database, f"SELECT count(*) FROM sqlite_master WHERE type = 'trigger' AND tbl_name = '{name}'"
        )
        assert triggers[0][0] >= 6, name


def test_the_spatial_index_finds_what_a_window_holds(package):
    found = gpd.read_file(package, layer="sites", bbox=(499999, 5399999, 500001, 5400001))

    assert found["site_id"].tolist() == ["Šumná site_id"]


def test_layers_that_are_not_given_are_written_empty(tmp_path):
    path = write_geopackage(tmp_path / "sites.gpkg", {}, CRS)

    for name, layer in LAYERS.items():
        info = pyogrio.read_info(path, layer=name)
        assert info["features"] == (len(columns_table()) if name == "columns" else 0)
        assert list(info["fields"]) == [column.name for column in layer.columns]
        assert info["geometry_type"] == layer.geometry
        assert (info["crs"] == CRS) if layer.geometry else info["crs"] is None


def test_a_row_outside_all_districts_is_written_without_geometry(tmp_path):
    districts = tables()["districts"]
    districts.geometry = [box(0, 0, 1, 1), None]

    path = write_geopackage(tmp_path / "sites.gpkg", {"districts": districts}, CRS)

    assert gpd.read_file(path, layer="districts").geometry.isna().tolist() == [False, True]


# Writes the same tables in a process of its own and prints the digest; how that process was set up differs.
SCRIPT = """
import hashlib, importlib.util, sys
spec = importlib.util.spec_from_file_location("shared", sys.argv[1])
shared = importlib.util.module_from_spec(spec)
spec.loader.exec_module(shared)
path = shared.write_geopackage(sys.argv[2], shared.tables(), shared.CRS)
print(hashlib.sha256(path.read_bytes()).hexdigest())
"""


@pytest.mark.slow
def test_two_processes_in_two_folders_write_the_same_bytes(package, tmp_path, repository, monkeypatch):
    tools = str(repository / "tests" / "tools")
    monkeypatch.setenv("PYTHONPATH", os.pathsep.join([os.environ["PYTHONPATH"], tools]))
    # This process has another seed of hashes, and states neither a time nor a journal.
    monkeypatch.setenv("OGR_CURRENT_DATE", "2001-01-01T00:00:00Z")
    monkeypatch.setenv("OGR_SQLITE_JOURNAL", "WAL")
    monkeypatch.setenv("PYTHONHASHSEED", "1")

    command = [sys.executable, "-c", SCRIPT, __file__, str(tmp_path / "a" / "a.gpkg")]
    answer = subprocess.run(command, capture_output=True, text=True, check=True)

    assert answer.stdout.strip() == hashlib.sha256(package.read_bytes()).hexdigest()
    assert [path.name for path in (tmp_path / "a").glob("*.gpkg*")] == ["a.gpkg"]


def test_a_changed_cell_changes_the_bytes(package, tmp_path):
    changed = tables()
    changed["sites"].loc[0, "head_m"] = 0.7500001

    path = write_geopackage(tmp_path / "sites.gpkg", changed, CRS)

    assert path.read_bytes() != package.read_bytes()


def test_options_of_gdal_are_as_before(tmp_path):
    before = {name: pyogrio.get_gdal_config_option(name) for name in GDAL_OPTIONS}
    pyogrio.set_gdal_config_options({"OGR_SQLITE_JOURNAL": "TRUNCATE"})

    try:
        write_geopackage(tmp_path / "sites.gpkg", {}, CRS)
        after = {name: pyogrio.get_gdal_config_option(name) for name in GDAL_OPTIONS}
    finally:
        pyogrio.set_gdal_config_options({"OGR_SQLITE_JOURNAL": None})

    assert after == before | {"OGR_SQLITE_JOURNAL": "TRUNCATE"}


def test_tables_given_stay_as_they_are(tmp_path):
    given = tables()

    write_geopackage(tmp_path / "sites.gpkg", given, CRS)

    for name, frame in tables().items():
        pd.testing.assert_frame_equal(given[name], frame)


def test_the_file_that_is_replaced_is_kept(tmp_path):
    path = tmp_path / "sites.gpkg"
    first = write_geopackage(path, {}, CRS).read_bytes()

    write_geopackage(path, tables(), CRS)

    assert (tmp_path / "previous" / "sites.gpkg").read_bytes() == first
    assert sorted(item.name for item in tmp_path.iterdir()) == [".sitefinder-delivery", "previous", "sites.gpkg"]


def test_a_write_that_fails_half_way_leaves_the_old_file(tmp_path, monkeypatch):
    path = write_geopackage(tmp_path / "sites.gpkg", {}, CRS)
    good, write = path.read_bytes(), pyogrio.write_dataframe

    def fail_at_reaches(table, target, **options):
        if options["layer"] == "reaches":
            raise OSError(28, "No space left on device")
        write(table, target, **options)

    monkeypatch.setattr(pyogrio, "write_dataframe", fail_at_reaches)
    with pytest.raises(InputError, match="the results cannot be written"):
        write_geopackage(path, tables(), CRS)

    assert path.read_bytes() == good
    assert sorted(item.name for item in tmp_path.iterdir()) == [".sitefinder-delivery", "sites.gpkg"]


def test_problems_of_all_tables_come_at_once_and_nothing_is_written(tmp_path):
    bad = tables()
    bad["sites"] = bad["sites"].to_crs("EPSG:32634")
    bad["flow_curves"] = bad["flow_curves"].assign(flow_m3s=[-1.0, np.nan])

    with pytest.raises(TableError, match="tables of the GeoPackage: 2 problems") as raised:
        write_geopackage(tmp_path / "out" / "sites.gpkg", bad, CRS)

    assert str(raised.value) == (
        "tables of the GeoPackage: 2 problems\n"
        "  table sites: expected the coordinate system EPSG:32633, found EPSG:32634\n"
        "  table flow_curves: 1 problem\n"
        "    flow_m3s: out of range\n"
        "      expected:  0 or more [m³/s], finite\n"
        "      found:     -1 to -1\n"
        "      rows:      1 of 2: Šumná site_id / 0.75"
    )
    assert list(tmp_path.iterdir()) == []


def test_a_layer_that_the_schema_does_not_know_is_our_own_mistake(tmp_path):
    with pytest.raises(ValueError, match="no such layers: site; declared are sites, stretches"):
        write_geopackage(tmp_path / "sites.gpkg", {"site": tables()["sites"]}, CRS)
