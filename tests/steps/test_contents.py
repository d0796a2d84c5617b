"""Digests of values: equal for equal contents, in any process; other for any difference that a stage could see."""

import datetime
import itertools
import os
import subprocess
import sys

import geopandas
import numpy as np
import pandas as pd
import pyproj
import pytest
import shapely

from sitefinder.settings import RunSettings
from sitefinder.steps.contents import digest_of

POINT = shapely.Point(1.0, 2.0)
FRAME = geopandas.GeoDataFrame({"a": [1, 2], "b": ["x", None]}, geometry=[POINT, None], crs="EPSG:32633")
# Each is another value than all the rest.
VALUES = [
    None, True, 1, 1.0, "1", b"1".decode() + " ", "", 0, 0.0, -0.0, float("nan"), np.float32(1), np.int64(1),
    [], (), {}, [1], (1,), [[1], 2], [1, [2]], ["a", "b"], ["ab", ""], {"a": 1}, {"a": None}, {"b": 1, "a": 1},
    datetime.date(2020, 1, 2), pyproj.CRS("EPSG:32633"), pyproj.CRS("EPSG:32632"), POINT, shapely.Point(1.0, 2.5),
    shapely.Point(1.0, 2.0, 0.0), np.array([1, 2]), np.array([1.0, 2.0]), np.array([[1, 2]]), np.array([1, 2, 3]),
    np.array(["a"], dtype=object), np.array([None], dtype=object), np.array([POINT, None], dtype=object),
    pd.Series([1, 2]), pd.Series([1.0, None]), pd.Series(["a", None]), pd.Series(["a", "None"]),
    pd.Series(pd.to_datetime(["2020-01-02"])), pd.Series([1, None], dtype="Int64"), pd.Series([[1], None]),
    pd.DataFrame({"a": [1, 2]}), pd.DataFrame({"b": [1, 2]}), pd.DataFrame({"a": [1, 2]}, index=[1, 2]),
    FRAME, FRAME.to_crs("EPSG:32632"), FRAME.iloc[::-1], FRAME[["b", "a", "geometry"]], FRAME.assign(a=[1, 3]),
    FRAME.set_geometry(FRAME.translate(1e-9)), FRAME.drop(columns="b"), FRAME.assign(b=["x", "y"]),
    RunSettings(name="n", crs="c", output_folder="o"), RunSettings(name="n", crs="c", output_folder="p"),
]  # fmt: skip


def test_different_values_have_different_digests():
    digests = [digest_of(value) for value in VALUES]

    same = [
        (VALUES[first], VALUES[second])
        for first, second in itertools.combinations(range(len(VALUES)), 2)
        if digests[first] == digests[second]
    ]

    assert same == []


def test_equal_values_have_equal_digests_however_they_lie_in_memory():
    other = geopandas.GeoDataFrame(
        {"a": [1, 2], "b": ["".join(["x"]), None]},
        geometry=[shapely.from_wkt("POINT (1 2)"), None],
        crs="EPSG:32633",
    )
    wide = np.arange(6).reshape(2, 3)

    assert digest_of(other) == digest_of(FRAME) == digest_of(FRAME.copy())
    assert digest_of(wide.T.copy()) == digest_of(wide.T)
    assert digest_of(pd.concat([FRAME.iloc[:1], FRAME.iloc[1:]])) == digest_of(FRAME)


def test_digests_are_the_same_in_another_process(repository):
    code = (
        "import numpy as np, pandas as pd; from sitefinder.steps.contents import digest_of; "
        "print(digest_of([pd.DataFrame({'a': ['x', None], 'b': [1.5, 2.0]}), {'k': (1, 'y')}]))"
    )
    there = subprocess.run(
        [sys.executable, "-c", code],
        env={**os.environ, "PYTHONHASHSEED": "99"},
        capture_output=True,
        text=True,
        check=True,
    ).stdout.strip()

    assert there == digest_of([pd.DataFrame({"a": ["x", None], "b": [1.5, 2.0]}), {"k": (1, "y")}])


@pytest.mark.parametrize("value", [object(), {1, 2}, [lambda: 1], np.array([object()], dtype=object)])
def test_what_is_not_known_is_refused_rather_than_taken_for_equal(value):
    with pytest.raises(TypeError, match="no way is known to tell the content of a"):
        digest_of(value)
