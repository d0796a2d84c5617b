"""Columns of tables as arrays: by the short way of pandas and by the plain one."""

import geopandas
import numpy as np
import pandas as pd
import pytest
import shapely

from sitefinder.schema.arrays import _by_series, columns_of, records_of


@pytest.fixture
def table():
    columns = {
        "whole": [1, 2],
        "real": [0.5, np.nan],
        "is_so": [True, False],
        "text": pd.array(["a", None], dtype="str"),
        "perhaps": pd.array([1, None], dtype="Int64"),
        "day": pd.to_datetime(["2026-05-01", "2026-05-02"]),
    }
    return geopandas.GeoDataFrame(columns, geometry=shapely.points([[0, 1], [2, 3]]), crs="EPSG:32633")


def test_both_ways_give_the_same_arrays(table):
    short, plain = columns_of(table), _by_series(table)

    assert len(short) == len(plain) == table.shape[1]
    for one, other in zip(short, plain, strict=True):
        assert one.dtype == other.dtype
        pd.testing.assert_series_equal(pd.Series(one), pd.Series(other))


def test_rows_are_those_of_pandas(table):
    plain = table.drop(columns=["geometry", "real", "text", "perhaps"])

    assert records_of(plain) == pd.DataFrame(plain).to_dict("records")
    assert [type(value) for value in records_of(plain)[0].values()] == [int, bool, pd.Timestamp]
