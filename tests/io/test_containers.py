"""What a result holds comes back to the last bit from the file that it is kept in, and nothing else is kept."""

import contextlib
import io
import json
import math
import struct
import threading

import geopandas
import numpy as np
import pandas as pd
import pyproj
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra import numpy as arrays

from sitefinder.dem.grid import Grid
from sitefinder.io.containers import Damaged, read_container, write_container
from sitefinder.settings.flows import EnvironmentalFlowSetting
from sitefinder.steps.contents import digest_of


def written(value, scratch=None):
    file = io.BytesIO()
    files, size, _ = write_container(value, file, scratch)
    assert size == len(file.getvalue())
    return file.getvalue(), files


def back(value, scratch=None):
    data, files = written(value, scratch)
    return read_container(bytearray(data), files)


def bits(value):
    return struct.pack("<d", value)


@pytest.mark.parametrize(
    "value",
    [
        None,
        True,
        0,
        -1,
        1 << 63,
        -(1 << 64),
        10**5000,
        0.1,
        -0.0,
        5e-324,
        math.inf,
        -math.inf,
        "",
        'snow "and" ice\n\x00 ☃ \U0001f30d',
        "\ud800",
        b"\x00\xff",
        1 - 2j,
        (),
        ((), [], {}),
        [1, "a", None, 2.5, [True]],
        {"a": 1, 2: "b", (1, "x"): [None]},
        {"reversed": 1, "order": 2, "kept": 3},
        frozenset(),
        frozenset({"a", "b"}),
        {1, 2, 3},
    ],
    ids=lambda value: type(value).__name__,
)
def test_plain_values_come_back_as_they_were(value):
    found = back(value)

    assert found == value
    assert type(found) is type(value)
    assert repr(found) == repr(value) if isinstance(value, float | dict) else True


@pytest.mark.parametrize("pattern", ["000000000000f87f", "010000000000f07f", "efbeadde0000f8ff"])
def test_the_bits_of_a_missing_number_come_back(pattern):
    value = struct.unpack("<d", bytes.fromhex(pattern))[0]

    assert bits(back([value, "x"])[0]).hex() == bits(value).hex()
    array = np.frombuffer(bytes.fromhex(pattern), "<f8")
    assert back(array).tobytes().hex() == pattern


KINDS = (
    arrays.scalar_dtypes() | arrays.unicode_string_dtypes() | arrays.byte_string_dtypes() | arrays.array_dtypes()
)
LAW = settings(max_examples=100, deadline=None, derandomize=True)


@LAW
@given(arrays.arrays(dtype=KINDS, shape=arrays.array_shapes(min_dims=0, min_side=0, max_dims=3)))
def test_any_array_comes_back_with_its_kind_shape_and_bits(array):
    found = back(array)

    assert (found.dtype, found.shape, found.tobytes()) == (array.dtype, array.shape, array.tobytes())


@pytest.mark.parametrize("order", ["C", "F"])
@pytest.mark.parametrize("is_writable", [True, False])
def test_the_order_of_an_array_and_whether_it_may_be_written_come_back(order, is_writable):
    array = np.asarray(np.arange(6.0).reshape(2, 3), order=order)
    array.flags.writeable = is_writable

    found = back(array)

    assert found.tolist() == [[0, 1, 2], [3, 4, 5]]
    assert (found.flags.c_contiguous, found.flags.f_contiguous) == (order == "C", order == "F")
    assert found.flags.writeable == is_writable


def test_a_part_of_an_array_is_kept_without_the_rest():
    data, _ = written(np.arange(100_000)[::1000])

    assert len(data) < 3000
    assert back(np.arange(100_000)[::1000]).tolist() == list(range(0, 100_000, 1000))


def test_arrays_of_structures_and_of_objects_come_back():
    kind = np.dtype([("row", "<i4"), ("place", "<f8", (2,)), ("inner", [("a", "|u1")])])
    structures = np.zeros(3, kind)
    structures["row"], structures["place"], structures["inner"]["a"] = [1, 2, 3], 0.5, 7
    objects = np.empty((2, 2), dtype=object)
    objects[0, 0], objects[0, 1], objects[1, 0], objects[1, 1] = "a", None, [1, 2], (3.5, "b")

    found = back((structures, objects))

    assert found[0].dtype == kind
    assert found[0].tobytes() == structures.tobytes()
    assert found[1].tolist() == objects.tolist()


def test_a_number_of_an_array_stays_one():
    found = back([np.float64(0.1), np.int8(-3), np.bool_(True), np.datetime64("2020-02-29", "ms")])

    assert [type(value) for value in found] == [np.float64, np.int8, np.bool_, np.datetime64]
    assert found == [0.1, -3, True, np.datetime64("2020-02-29", "ms")]


COLUMNS = {
    "float": pd.Series([1.5, np.nan, -0.0]),
    "small": pd.Series([1, 2, 3], dtype="int8"),
    "flag": pd.Series([True, False, True]),
    "text": pd.Series(["a", "", "☃"], dtype="str"),
    "text with gaps": pd.Series(["a", None, "c"], dtype="str"),
    "python text": pd.Series(["a", None, "c"], dtype=pd.StringDtype("python")),
    "text NA": pd.Series(["a", pd.NA, "c"], dtype=pd.StringDtype("pyarrow")),
    "objects": pd.Series(["a", None, 2.5], dtype=object),
    "lists": pd.Series([[1, 2], [], None], dtype=object),
    "gaps": pd.Series([1, None, 3], dtype="Int64"),
    "float gaps": pd.Series([1.5, None, np.nan], dtype="Float64"),
    "flag gaps": pd.Series([True, None, False], dtype="boolean"),
    "category": pd.Categorical(["b", None, "b"], categories=["c", "b"], ordered=True),
    "number category": pd.Categorical([2.5, 1.0, 2.5]),
    "time": pd.Series(pd.to_datetime(["2020-01-01", None, "1969-07-20"])),
    "time in seconds": pd.Series(np.array(["2020-01-01", "NaT", "1969-07-20"], dtype="M8[s]")),
    "zoned": pd.Series(pd.to_datetime(["2020-01-01", None, "1969-07-20"]).tz_localize("Europe/Vienna")),
    "span": pd.Series(pd.to_timedelta([1, None, 3], unit="h")),
}


def assert_same(found, table):
    assert type(found) is type(table)
    assert found.dtypes.tolist() == table.dtypes.tolist()
    pd.testing.assert_frame_equal(found, table, check_exact=True, check_freq=True)


@pytest.mark.parametrize("names", [*([name] for name in COLUMNS), list(COLUMNS), []], ids=len)
@pytest.mark.parametrize("rows", [3, 0])
def test_tables_come_back_with_every_kind_of_column(names, rows):
    table = pd.DataFrame({name: COLUMNS[name] for name in names}, index=pd.RangeIndex(3))[:rows]

    assert_same(back(table), table)


@pytest.mark.parametrize(
    "index",
    [
        pd.RangeIndex(4, 10, 2, name="rank"),
        pd.Index([7, 7, 1], dtype="int32"),
        pd.Index(["a", "b", None], dtype="str", name="text"),
        pd.Index(["a", 1, None], dtype=object),
        pd.Index([0.5, np.nan, 1.0], name=("a", 1)),
        pd.DatetimeIndex(["2020-01-01", "2020-01-02", "2021-05-01"], name="day"),
        pd.CategoricalIndex(["a", "b", "a"]),
    ],
    ids=lambda index: type(index).__name__,
)
def test_the_index_of_a_table_comes_back(index):
    table = pd.DataFrame({"a": [1.0, 2.0, 3.0], "b": ["x", "y", "z"]}, index=index)

    found = back(table)

    assert_same(found, table)
    assert type(found.index) is type(index)
    assert found.index.name == index.name
    assert back(index).equals(index)


def test_the_columns_of_a_table_may_have_one_name_twice_and_any_kind():
    table = pd.DataFrame(np.arange(6).reshape(2, 3), columns=pd.Index(["a", "a", 3], name="names"))
    table.attrs = {"source": "made"}

    found = back(table)

    assert_same(found, table)
    assert (found.columns.name, found.attrs) == ("names", {"source": "made"})


def test_columns_of_one_kind_come_back_as_one_block():
    """So that pandas finds no table in hundreds of pieces, of which it warns."""
    table = pd.DataFrame({f"c{number}": np.full(3, number) for number in range(150)})

    found = back(table)
    found["one more"] = 1.0

    assert_same(found.drop(columns="one more"), table)


def test_a_table_of_pandas_two_comes_back_too(monkeypatch):
    table = pd.DataFrame({"a": [1.0, 2.0], "b": ["x", None], "c": [3, 4], "d": [0.5, 0.25]})
    data, _ = written(table)
    monkeypatch.setattr(pd, "__version__", "2.2.3")

    assert_same(read_container(bytearray(data), {}), table)


def test_geometry_comes_back_with_its_system():
    shapes = [
        shapely.Point(0.1, -0.0, 3.5),
        None,
        shapely.from_wkt("POINT EMPTY"),
        shapely.from_wkt("POLYGON ((0 0, 4 0, 4 4, 0 0), (1 0.5, 2 0.5, 2 1, 1 0.5))"),
        shapely.from_wkt("GEOMETRYCOLLECTION (LINESTRING (0 0, 1 1), MULTIPOINT (1 2))"),
        shapely.set_srid(shapely.Point(1, 2), 25833),
    ]
    table = geopandas.GeoDataFrame({"a": range(6)}, geometry=shapes, crs="EPSG:32633")
    second = table.assign(place=table.geometry.values).set_geometry("place")

    found, other, series, one = back((table, second, table.geometry, shapes[3]))

    for before, after in ((table, found), (second, other)):
        assert type(after) is geopandas.GeoDataFrame
        assert digest_of(after) == digest_of(before)
        assert (after.geometry.name, after.crs) == (before.geometry.name, before.crs)
    assert type(series) is geopandas.GeoSeries
    assert series.crs == table.crs
    assert shapely.get_srid(found.geometry.iloc[5]) == 25833
    assert one == shapes[3]
    assert back(pyproj.CRS("EPSG:32633")) == pyproj.CRS("EPSG:32633")


def test_named_tuples_and_settings_come_back_without_their_constructors():
    grid = Grid(*range(len(Grid._fields)))
    kept = EnvironmentalFlowSetting.model_construct(**dict.fromkeys(EnvironmentalFlowSetting.model_fields, "kept"))

    found, read = back((grid, kept))

    assert type(found) is Grid
    assert found == grid
    assert type(read) is EnvironmentalFlowSetting
    # Values that no constructor would take: nothing has judged them again.
    assert dict(read) == dict(kept)
    assert read.model_fields_set == kept.model_fields_set


def test_what_was_one_object_is_one_again_and_is_kept_once():
    array = np.arange(10_000.0)
    table = pd.DataFrame({"a": array})
    value = {"first": array, "again": array, "in": [array, table, table]}

    found = back(value)

    assert found["first"] is found["again"] is found["in"][0]
    assert found["in"][1] is found["in"][2]
    assert len(written(value)[0]) < 2.2 * array.nbytes


def test_files_come_back_where_they_are_now(tmp_path):
    data, files = written({"raster": tmp_path / "dem.tif", "again": [tmp_path / "dem.tif"]}, tmp_path)

    assert files == {"dem.tif": tmp_path / "dem.tif"}
    moved = tmp_path / "kept" / "dem.tif"
    assert read_container(bytearray(data), {"dem.tif": moved}) == {"raster": moved, "again": [moved]}


def test_a_path_outside_the_scratch_folder_cannot_be_kept(tmp_path):
    with pytest.raises(TypeError, match="outside its scratch folder"):
        written([tmp_path / "elsewhere" / "file"], tmp_path / "scratch")


class OfTheTests(tuple):
    """A class that is none of the package."""


def within_itself():
    value = []
    value.append(value)
    return value


@pytest.mark.parametrize(
    ("value", "named"),
    [
        (threading.Lock(), "lock"),
        (OfTheTests((1,)), "OfTheTests"),
        (len, "builtin_function_or_method"),
        (Grid, "type"),
        (pd.MultiIndex.from_product([[1], [2]]), "several levels"),
        (pd.date_range("2020-01-01", periods=3), "frequency"),
        (shapely.LinearRing([(0, 0), (1, 0), (1, 1)]), "ring"),
        (pd.DataFrame({"a": pd.arrays.SparseArray([0, 1])}), "Sparse"),
        ({frozenset({1})}, "set of other things"),
        (within_itself(), "within itself"),
    ],
    ids=lambda value: type(value).__name__,
)
def test_what_could_not_come_back_as_it_was_is_not_kept(value, named):
    with pytest.raises(TypeError, match=named):
        written(value)


def test_the_same_value_gives_the_same_bytes():
    def made():
        table = pd.DataFrame({name: column for name, column in COLUMNS.items()}, index=pd.RangeIndex(3))
        return {"table": table, "empty": [np.empty(0), np.empty((0, 3))], "names": frozenset("abcdefgh")}

    assert written(made())[0] == written(made())[0]
    assert written(back(made()))[0] == written(made())[0]


def test_arrays_are_aligned_in_the_file():
    data, _ = written([np.arange(3, dtype=np.int8), np.arange(5.0)])
    (length,) = struct.unpack_from("<Q", data, 20)
    head = json.loads(data[28 : 28 + length])

    assert (28 + length) % 64 == 0
    assert [begin % 64 for begin, _ in head["buffers"]] == [0, 0]
    begin, size = head["buffers"][1]
    assert np.frombuffer(data[28 + length + begin :][:size]).tolist() == [0, 1, 2, 3, 4]


@pytest.mark.parametrize("share", [0.0, 0.01, 0.3, 0.9])
def test_a_file_that_ends_early_is_damaged(share):
    data, _ = written([np.arange(1000.0), pd.DataFrame({"a": ["x"] * 9})])

    with pytest.raises(Damaged):
        read_container(bytearray(data[: int(len(data) * share)]), {})


@LAW
@given(st.data())
def test_whatever_a_byte_is_changed_to_a_file_is_damaged_or_read(data):
    value = [np.arange(4.0), pd.DataFrame({"a": ["x", None], "b": [1, 2]}), {"k": (1.5, None)}]
    content = bytearray(written(value)[0])
    place = data.draw(st.integers(0, len(content) - 1))
    content[place] = data.draw(st.integers(0, 255))

    with contextlib.suppress(Damaged):
        read_container(content, {})
