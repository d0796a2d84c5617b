"""CSV and GeoParquet: what is read back is what was in the table; no cell is a formula."""

import csv
import math

import geopandas
import numpy as np
import pandas as pd
import pyarrow.parquet
import pytest
from geopandas.testing import assert_geodataframe_equal
from shapely import Point

from sitefinder.delivery.exchange import write_csv, write_geoparquet

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

    # Open Geospatial Consortium, "GeoParquet", version 1.0.0, 2023: file metadata under the key geo.
    notes = pyarrow.parquet.read_schema(tmp_path / "a.parquet").metadata[b"geo"]
    assert b'"version": "1.0.0"' in notes
    assert b'"primary_column": "geometry"' in notes
    assert_geodataframe_equal(geopandas.read_parquet(tmp_path / "a.parquet"), table)
    assert (tmp_path / "a.parquet").read_bytes() == (tmp_path / "b.parquet").read_bytes()
