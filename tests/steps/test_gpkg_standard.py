"""The delivered GeoPackage against the standard, requirement by requirement, and against GDAL's own checker.

Open Geospatial Consortium, "OGC GeoPackage Encoding Standard," version 1.3.0, OGC 12-128r17, 2021. The text of
the requirements on extensions, metadata and schema was read in the standard's public source (annexes F.8 and F.9,
clause 2.3); tests name the requirement that they check. Those on features are in
tests/delivery/test_geopackage.py.
"""

import re
import shutil
import sqlite3
import subprocess
from contextlib import closing
from pathlib import Path

import pyogrio
import pytest

from sitefinder.schema import LAYERS

PYTHON = Path("/usr/bin/python3")
CHECKER = Path("/usr/lib/python3/dist-packages/osgeo_utils/samples/validate_gpkg.py")
# Extensions that the standard registers (annex F of version 1.3) and that a file of ours may use.
REGISTERED = {"gpkg_rtree_index", "gpkg_schema", "gpkg_metadata"}
STAMP = re.compile(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d\.\d+Z")


@pytest.fixture
def database(sample_run):
    with closing(sqlite3.connect(f"file:{sample_run.delivered.path}?mode=ro", uri=True)) as connection:
        yield connection


def rows(database, query, *values):
    return database.execute(query, values).fetchall()


def columns_of(database, table):
    return [row[1] for row in rows(database, f"PRAGMA table_info({table})")]


def checked_by_gdal(path):
    command = [PYTHON, CHECKER, path]
    return subprocess.run(command, capture_output=True, text=True, check=False)


@pytest.fixture
def checker():
    if not (PYTHON.is_file() and CHECKER.is_file()):
        pytest.skip("GDAL's validate_gpkg.py (Debian: python3-gdal) is not installed")
    return checked_by_gdal


def test_the_checker_of_gdal_finds_no_fault(sample_run, checker):
    answer = checker(sample_run.delivered.path)

    assert (answer.returncode, answer.stderr, answer.stdout) == (0, "", "")


def test_the_checker_of_gdal_finds_a_fault_that_is_put_in(sample_run, checker, tmp_path):
    broken = shutil.copy(sample_run.delivered.path, tmp_path / "broken.gpkg")
    with closing(sqlite3.connect(broken)) as connection, connection:
        connection.execute("UPDATE gpkg_extensions SET scope = 'read' WHERE extension_name = 'gpkg_metadata'")

    assert checker(broken).returncode != 0


def test_requirements_6_and_7_the_database_is_sound(database):
    assert rows(database, "PRAGMA integrity_check") == [("ok",)]
    assert rows(database, "PRAGMA foreign_key_check") == []


def test_no_journal_is_left_and_none_is_asked_for(sample_run, database):
    # Bytes 18 and 19 of the header are 1 without a write-ahead log (SQLite, "Database File Format", 1.3.3).
    assert sample_run.delivered.path.read_bytes()[18:20] == b"\x01\x01"
    assert rows(database, "PRAGMA freelist_count") == [(0,)]
    beside = {path.name for path in sample_run.delivered.path.parent.iterdir()}
    assert not {f"sites.gpkg{ending}" for ending in ("-wal", "-shm", "-journal")} & beside


def test_requirements_58_to_64_extensions_are_registered(database):
    assert columns_of(database, "gpkg_extensions") == [
        "table_name",
        "column_name",
        "extension_name",
        "definition",
        "scope",
    ]
    notes = rows(
        database, "SELECT table_name, column_name, extension_name, definition, scope FROM gpkg_extensions"
    )
    tables = {name for (name,) in rows(database, "SELECT name FROM sqlite_master WHERE type = 'table'")}
    assert {extension for _, _, extension, _, _ in notes} == REGISTERED
    for table, column, extension, definition, scope in notes:
        assert table in tables
        assert column is None or column in columns_of(database, table)
        assert re.fullmatch("[a-zA-Z0-9]+_[a-zA-Z0-9_]+", extension)
        assert definition.startswith("http")
        assert scope == ("write-only" if extension == "gpkg_rtree_index" else "read-write")
    assert len(set(notes)) == len(notes)


def test_requirements_140_and_141_metadata_and_schema_have_their_two_rows_each(database):
    query = (
        "SELECT table_name, column_name, scope FROM gpkg_extensions WHERE extension_name = ? ORDER BY table_name"
    )

    assert rows(database, query, "gpkg_metadata") == [
        ("gpkg_metadata", None, "read-write"),
        ("gpkg_metadata_reference", None, "read-write"),
    ]
    assert rows(database, query, "gpkg_schema") == [
        ("gpkg_data_column_constraints", None, "read-write"),
        ("gpkg_data_columns", None, "read-write"),
    ]


# Name, type, whether NULL is refused, default and place in the key of each column, as the tables of annexes F.8
# and F.9 print them.
NOW = "strftime('%Y-%m-%dT%H:%M:%fZ','now')"
DEFINED = {
    "gpkg_metadata": [
        ("id", "INTEGER", 1, None, 1),
        ("md_scope", "TEXT", 1, "'dataset'", 0),
        ("md_standard_uri", "TEXT", 1, None, 0),
        ("mime_type", "TEXT", 1, "'text/xml'", 0),
        ("metadata", "TEXT", 1, "''", 0),
    ],
    "gpkg_metadata_reference": [
        ("reference_scope", "TEXT", 1, None, 0),
        ("table_name", "TEXT", 0, None, 0),
        ("column_name", "TEXT", 0, None, 0),
        ("row_id_value", "INTEGER", 0, None, 0),
        ("timestamp", "DATETIME", 1, NOW, 0),
        ("md_file_id", "INTEGER", 1, None, 0),
        ("md_parent_id", "INTEGER", 0, None, 0),
    ],
    "gpkg_data_columns": [
        ("table_name", "TEXT", 1, None, 1),
        ("column_name", "TEXT", 1, None, 2),
        ("name", "TEXT", 0, None, 0),
        ("title", "TEXT", 0, None, 0),
        ("description", "TEXT", 0, None, 0),
        ("mime_type", "TEXT", 0, None, 0),
        ("constraint_name", "TEXT", 0, None, 0),
    ],
    "gpkg_data_column_constraints": [
        ("constraint_name", "TEXT", 1, None, 0),
        ("constraint_type", "TEXT", 1, None, 0),
        ("value", "TEXT", 0, None, 0),
        ("min", "NUMERIC", 0, None, 0),
        ("min_is_inclusive", "BOOLEAN", 0, None, 0),
        ("max", "NUMERIC", 0, None, 0),
        ("max_is_inclusive", "BOOLEAN", 0, None, 0),
        ("description", "TEXT", 0, None, 0),
    ],
}


@pytest.mark.parametrize("table", DEFINED)
def test_requirements_93_95_103_and_107_tables_are_defined_as_printed(database, table):
    assert [row[1:] for row in rows(database, f"PRAGMA table_info({table})")] == DEFINED[table]


def test_requirements_95_101_and_102_references_lead_to_documents(database):
    keys = rows(database, "PRAGMA foreign_key_list(gpkg_metadata_reference)")
    assert sorted((row[2], row[3], row[4]) for row in keys) == [
        ("gpkg_metadata", "md_file_id", "id"),
        ("gpkg_metadata", "md_parent_id", "id"),
    ]
    documents = {number for (number,) in rows(database, "SELECT id FROM gpkg_metadata")}
    notes = rows(database, "SELECT md_file_id, md_parent_id FROM gpkg_metadata_reference")
    assert notes
    for file, parent in notes:
        assert file in documents
        assert parent is None or (parent in documents and parent != file)


def test_requirements_96_to_100_references_say_what_they_are_of(database):
    query = "SELECT reference_scope, table_name, column_name, row_id_value, timestamp FROM gpkg_metadata_reference"
    contents = {name for (name,) in rows(database, "SELECT table_name FROM gpkg_contents")}

    for scope, table, column, row, stamp in rows(database, query):
        assert scope in ("geopackage", "table", "column", "row", "row/col")
        assert (table is None) if scope == "geopackage" else (table in contents)
        assert (column is None) == (scope in ("geopackage", "table", "row"))
        assert (row is None) == (scope in ("geopackage", "table", "column"))
        assert STAMP.fullmatch(stamp)


def test_requirements_104_and_105_every_column_of_every_layer_is_described_and_no_other(database):
    described = rows(database, "SELECT table_name, column_name FROM gpkg_data_columns")

    for table in {table for table, _ in described}:
        assert rows(database, "SELECT count(*) FROM gpkg_contents WHERE table_name = ?", table) == [(1,)]
    there = [(name, column) for name in LAYERS for column in columns_of(database, name)]
    assert sorted(described) == sorted(pair for pair in there if pair[1] not in ("row_id", "geom"))


def test_descriptions_of_columns_are_those_of_the_layer_of_columns(database):
    query = (
        "SELECT unit, meaning, name, title, description FROM columns JOIN gpkg_data_columns ON layer = table_name "
        'AND "column" = column_name'
    )
    notes = rows(database, query)

    assert len(notes) == rows(database, "SELECT count(*) FROM columns")[0][0]
    for unit, meaning, name, title, description in notes:
        assert name == title
        assert description.startswith(meaning)
        if unit not in ("", "1"):
            assert f"[{unit}]" in name
            assert description.endswith(f" [{unit}]")


def test_requirement_106_constraints_of_columns_are_there_and_in_lower_case(database):
    named = {name for (name,) in rows(database, "SELECT DISTINCT constraint_name FROM gpkg_data_columns") if name}
    there = {
        name for (name,) in rows(database, "SELECT DISTINCT constraint_name FROM gpkg_data_column_constraints")
    }

    assert named == there
    assert "sites_verdict" in named
    assert all(name == name.lower() for name in named)


def test_requirements_108_to_114_constraints_are_whole(database):
    query = (
        "SELECT constraint_name, constraint_type, value, min, min_is_inclusive, max, max_is_inclusive "
        "FROM gpkg_data_column_constraints"
    )
    ranges = []
    for name, kind, value, minimum, min_in, maximum, max_in in rows(database, query):
        if kind == "range":
            ranges.append(name)
            assert value is None
            assert minimum < maximum
            assert {min_in, max_in} <= {0, 1}
        else:
            assert kind == "enum"
            assert value is not None
            assert (minimum, min_in, maximum, max_in) == (None, None, None, None)
    assert len(ranges) == len(set(ranges)) > 0


def test_all_values_keep_to_the_constraints_of_their_columns(database):
    query = (
        "SELECT table_name, column_name, constraint_type, value, min, max FROM gpkg_data_columns "
        "JOIN gpkg_data_column_constraints USING (constraint_name)"
    )
    allowed = {}
    for table, column, kind, value, minimum, maximum in rows(database, query):
        allowed.setdefault((table, column), []).append(value if kind == "enum" else (minimum, maximum))
    for (table, column), values in allowed.items():
        found = [
            cell for (cell,) in rows(database, f'SELECT DISTINCT "{column}" FROM {table}') if cell is not None
        ]
        for cell in found:
            ranges = [pair for pair in values if isinstance(pair, tuple)]
            assert cell in values or any(minimum <= cell <= maximum for minimum, maximum in ranges), (
                table,
                column,
                cell,
            )


def test_requirements_75_to_77_triggers_keep_the_spatial_index(database):
    # The six triggers of version 1.3 (annex F.3, "RTree Spatial Indexes"; from memory). Version 1.4 has two of
    # them under other names.
    for name in (name for name, layer in LAYERS.items() if layer.geometry):
        query = "SELECT name FROM sqlite_master WHERE type = 'trigger' AND tbl_name = ?"
        triggers = {trigger.removeprefix(f"rtree_{name}_geom_") for (trigger,) in rows(database, query, name)}
        assert {"insert", "update2", "update4", "delete"} <= triggers, name
        assert triggers & {"update1", "update6"}, name
        assert triggers & {"update3", "update5"}, name


def ogrinfo(path, *options):
    program = shutil.which("ogrinfo")
    if program is None:
        pytest.skip("ogrinfo is not installed")
    return subprocess.run([program, "-ro", *options, path], capture_output=True, text=True, check=True).stdout


def test_gdal_reads_the_metadata(sample_run):
    assert "<gmd:MD_Metadata" in ogrinfo(sample_run.delivered.path, "-mdd", "all")


def test_gdal_reads_aliases_and_allowed_values(sample_run):
    path = sample_run.delivered.path
    notes = ogrinfo(path, "-so", "-al")

    assert "domain name=sites_verdict" in notes
    version = subprocess.run(["ogrinfo", "--version"], capture_output=True, text=True, check=True).stdout
    # Aliases are read from this table since 3.7 (release notes, from memory).
    if tuple(int(part) for part in re.search(r"(\d+)\.(\d+)", version).groups()) >= (3, 7):
        assert 'alternative name="head [m]"' in notes
    domain = ogrinfo(path, "-fielddomain", "sites_verdict")
    assert "restricted: restricted" in domain


def test_gdal_lists_a_default_style_for_each_layer_with_geometry(sample_run):
    styles = pyogrio.read_dataframe(sample_run.delivered.path, layer="layer_styles")

    assert styles["f_table_name"].tolist() == [name for name, layer in LAYERS.items() if layer.geometry]
    assert styles["useAsDefault"].all()
