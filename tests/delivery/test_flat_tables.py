"""CSV and GeoParquet: what is read back is what was in the table; no cell is a formula."""

import csv
import json
import math

import geopandas
import numpy as np
import pandas as pd
import pyarrow.parquet
import pytest
from geopandas.testing import assert_geodataframe_equal
from shapely import LineString, Point

from sitefinder.delivery.exchange import write_csv
from sitefinder.delivery.geoparquet import write_geoparquet

# RFC 4180, "Common Format and MIME Type for CSV Files", 2005: quotes around commas, quotes and line ends; a quote
# inside is doubled. What spreadsheets take for formulas: Open Worldwide Application Security Project, "CSV
# Injection" (from memory).


def written(tmp_path, **columns):
    path = tmp_path / "table.csv"
    write_csv(path, pd.DataFrame(columns))
    return path


def read(path):
    with open(path, encoding="utf-8", newline="") as file:
        return list(csv.reader(file, strict=True))


def test_a_table_reads_as_it_was(tmp_path):
    path = written(
        tmp_path,
        name=["Ardelm", 'say "a, b"', "two\nlines", None],
        count=pd.array([1, None, 3, -4], dtype="Int64"),
        length_m=[0.1, math.nan, 1e-7, -2.5],
        safe=[True, False, True, False],
    )

    assert read(path) == [
        ["name", "count", "length_m", "safe"],
        ["Ardelm", "1", "0.1", "true"],
        ['say "a, b"', "", "", "false"],
        ["two\nlines", "3", "1e-07", "true"],
        ["", "-4", "-2.5", "false"],
    ]
    assert b"\r" not in path.read_bytes()


def test_numbers_read_back_to_the_last_digit(tmp_path):
    rng = np.random.default_rng(8)
    values = np.concatenate(
        [rng.normal(size=500) * 10.0 ** rng.integers(-12, 12, size=500), [1 / 3, 5e-324, 1e308]]
    )

    path = written(tmp_path, value=values)

    assert [float(row[0]) for row in read(path)[1:]] == values.tolist()


@pytest.mark.parametrize("start", ["=", "+", "-", "@", "\t", "\r"])
def test_text_that_looks_like_a_formula_is_text(tmp_path, start):
    path = written(tmp_path, name=[f"{start}cmd()", f"a{start}b"])

    assert read(path)[1:] == [[f"'{start}cmd()"], [f"a{start}b"]]


def test_negative_numbers_stay_numbers(tmp_path):
    assert read(written(tmp_path, climb_m=[-1.5]))[1] == ["-1.5"]


@pytest.mark.parametrize(
    "name", ["<script>alert(1)</script>", "bell\x07", "n" * 300, "Šumná 河 نهر", ",", '"', " a "]
)
def test_any_name_comes_out_as_text(tmp_path, name):
    path = written(tmp_path, before=[1], name=[name], after=[2])

    assert read(path)[1] == ["1", name, "2"]
    assert pd.read_csv(path, dtype=str, keep_default_na=False).loc[0, "name"] == name


def test_geoparquet_says_version_and_system_and_reads_back(tmp_path):
    table = geopandas.GeoDataFrame(
        {"name": ["=cmd()", None], "head_m": [1 / 3, math.nan]},
        geometry=[Point(500000.25, 5400000.5), Point(1, 2)],
        crs="EPSG:32633",
    )

    for name in ("a.parquet", "b.parquet"):
        write_geoparquet(tmp_path / name, table)

    # Open Geospatial Consortium, "GeoParquet", version 1.1.0, 2024: file metadata under the key geo.
    notes = json.loads(pyarrow.parquet.read_schema(tmp_path / "a.parquet").metadata[b"geo"])
    assert (notes["version"], notes["primary_column"]) == ("1.1.0", "geometry")
    assert notes["columns"]["geometry"]["bbox"] == [1.0, 2.0, 500000.25, 5400000.5]
    assert notes["columns"]["geometry"]["geometry_types"] == ["Point"]
    assert_geodataframe_equal(geopandas.read_parquet(tmp_path / "a.parquet"), table)
    assert (tmp_path / "a.parquet").read_bytes() == (tmp_path / "b.parquet").read_bytes()


def test_geoparquet_of_a_district_or_of_a_part_of_the_region_is_read_without_the_others(tmp_path):
    # Districts as they come along a river; the first part has fewer kinds of geometry, and no text, than the last.
    table = geopandas.GeoDataFrame(
        {
            "district": ["south", "", "north", "south"],
            "note": [None, None, None, "x"],
            "length_m": [1.0, 2.0, 3.0, 4.0],
        },
        geometry=[Point(0, 0), Point(5, 5), LineString([(8, 8), (9, 9)]), Point(1, 1)],
        crs="EPSG:32633",
    )

    write_geoparquet(tmp_path / "a.parquet", table)

    file = pyarrow.parquet.ParquetFile(tmp_path / "a.parquet")
    groups = [file.read_row_group(number)["district"].to_pylist() for number in range(file.num_row_groups)]
    assert groups == [[""], ["north"], ["south", "south"]]
    notes = json.loads(file.schema_arrow.metadata[b"geo"])["columns"]["geometry"]
    assert (notes["bbox"], notes["geometry_types"]) == ([0.0, 0.0, 9.0, 9.0], ["LineString", "Point"])
    whole = geopandas.read_parquet(tmp_path / "a.parquet")
    assert_geodataframe_equal(whole, table.iloc[[1, 2, 0, 3]].reset_index(drop=True))
    south = geopandas.read_parquet(tmp_path / "a.parquet", filters=[("district", "==", "south")])
    assert south["length_m"].tolist() == [1.0, 4.0]
    near = geopandas.read_parquet(tmp_path / "a.parquet", bbox=(0.5, 0.5, 6.0, 6.0))
    assert near["length_m"].tolist() == [2.0, 4.0]


def test_geoparquet_without_rows_holds_its_columns(tmp_path):
    empty = geopandas.GeoDataFrame({"district": pd.Series([], dtype=str)}, geometry=[], crs="EPSG:32633")

    write_geoparquet(tmp_path / "a.parquet", empty)

    found = geopandas.read_parquet(tmp_path / "a.parquet")
    assert (len(found), list(found), found.crs) == (0, ["district", "geometry"], "EPSG:32633")
