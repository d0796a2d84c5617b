"""Layers without geometry, against the same layers as GDAL's driver of the GeoPackage writes them."""

import sqlite3

import numpy as np
import pandas as pd
import pyogrio
import pytest
from geopandas import GeoDataFrame
from shapely import Point

from sitefinder.delivery.attribute_tables import add_attribute_tables
from sitefinder.delivery.geopackage import GDAL_OPTIONS, KEY_COLUMN, STAMP, VERSION
from sitefinder.schema import Column, Layer

KINDS = (
    Column("words", "text", "", "texts"),
    Column("count", "integer", "1", "whole numbers, with gaps"),
    Column("number", "integer", "1", "whole numbers", nullable=False),
    Column("head_m", "real", "m", "real numbers"),
    Column("is_open", "boolean", "", "yes, no or unknown"),
    Column("is_new", "boolean", "", "yes or no", nullable=False),
)
LAYERS = {name: Layer(name, None, "a row", (), KINDS) for name in ("zeta", "nothing", "alpha")}
ROWS = pd.DataFrame(
    {
        "words": pd.Series(["plain", 'it\'s "quoted"; ü 漢', None, ""], dtype=object),
        "count": pd.array([1, None, -(2**62), 0], dtype="Int64"),
        "number": np.array([3, 2, 1, 2**40]),
        "head_m": [0.1, np.nan, 2.0, -1e-300],
        "is_open": pd.array([True, None, False, True], dtype="boolean"),
        "is_new": [True, False, True, False],
    }
)
TABLES = {"zeta": ROWS, "nothing": ROWS.head(0), "alpha": ROWS.iloc[::-1].reset_index(drop=True)}


@pytest.fixture(scope="module")
def files(tmp_path_factory):
    """Two files of the same tables behind a layer of points: GDAL's and ours."""
    folder = tmp_path_factory.mktemp("tables")
    point = GeoDataFrame({"name": ["one"]}, geometry=[Point(1.0, 2.0)], crs="EPSG:32633")
    before = {name: pyogrio.get_gdal_config_option(name) for name in GDAL_OPTIONS}
    pyogrio.set_gdal_config_options(GDAL_OPTIONS)
    for path in (folder / "gdal.gpkg", folder / "own.gpkg"):
        pyogrio.write_dataframe(point, path, layer="point", driver="GPKG", FID=KEY_COLUMN, VERSION=VERSION)
    for name, table in TABLES.items():
        pyogrio.write_dataframe(table, folder / "gdal.gpkg", layer=name, append=True, FID=KEY_COLUMN)
    pyogrio.set_gdal_config_options(before)
    with sqlite3.connect(folder / "own.gpkg") as database:
        add_attribute_tables(database, TABLES, LAYERS, KEY_COLUMN, STAMP)
    database.close()
    return folder / "gdal.gpkg", folder / "own.gpkg"


# All that a file declares, and every row of its tables with the type that each value is kept as.
def _content(path):
    database = sqlite3.connect(path)
    declared = database.execute("SELECT type, name, tbl_name, sql FROM sqlite_master ORDER BY rowid").fetchall()
    names = [name for kind, name, _, _ in declared if kind == "table" and not name.startswith("rtree_")]
    rows = {}
    for name in names:
        columns = [row[1] for row in database.execute(f'PRAGMA table_info("{name}")')]
        types = ", ".join(f'typeof("{column}")' for column in columns)
        rows[name] = database.execute(f'SELECT rowid, *, {types} FROM "{name}" ORDER BY rowid').fetchall()
    database.close()
    return declared, rows


def test_they_are_declared_and_filled_as_gdal_does_it(files):
    theirs, ours = map(_content, files)

    assert ours == theirs
    assert [len(ours[1][name]) for name in TABLES] == [4, 0, 4]


def test_gdal_reads_them_as_its_own(files):
    for name in TABLES:
        theirs, ours = (pyogrio.read_dataframe(path, layer=name) for path in files)
        pd.testing.assert_frame_equal(ours, theirs)


def test_rows_that_are_added_later_are_counted(files, tmp_path):
    path = tmp_path / "more.gpkg"
    path.write_bytes(files[1].read_bytes())

    pyogrio.write_dataframe(ROWS.head(1), path, layer="alpha", append=True)

    assert pyogrio.read_info(path, layer="alpha")["features"] == 5
