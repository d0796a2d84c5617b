"""A result as one file that holds data alone: a tree in JSON, then the bytes of arrays and columns.

Reading it runs nothing that the file could choose. Arrays lie as NumPy holds them, texts as Arrow does, geometry
as well-known binary. Named tuples and settings are filled in by name, without their constructors, and only where a
class of this package is one. What comes back is equal to the last bit, and what was one object is one again.
"""

from __future__ import annotations

import functools
import hashlib
import importlib
import itertools
import json
import re
import struct
import sys
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any, BinaryIO, NamedTuple

if TYPE_CHECKING:
    import numpy as np
    import numpy.typing as npt
    import pandas as pd

MAGIC = b"sitefinder result 1\n"
# Bytes to which arrays are aligned, as in Arrow and NumPy's own files.
ALIGNMENT = 64
# Classes of results are of this package; no module with a leading underscore is loaded for a file.
CLASS_NAME = re.compile(r"(sitefinder(?:\.[a-z][a-z0-9_]*)*):([A-Za-z][A-Za-z0-9]*)")
# Integers beyond these are written in hexadecimal: Python reads no decimal number of thousands of digits.
MAX_DECIMAL = 1 << 63
STANDARD_NAN = struct.pack("<d", float("nan"))
# Kinds of values that JSON writes as they are.
PLAIN = {type(None), bool, str}
# Tags of values that may be in one place of a result and again in another.
LARGE_TAGS = frozenset(["tuple", "list", "dict", "named", "model", "array", "objects", "table", "series", "index"])


class Damaged(ValueError):
    """A file is no container, or holds what no result holds."""


class Chunks(NamedTuple):
    """The bytes of arrays, in their order, with where each begins and how long it is."""

    parts: list[Any]
    places: list[tuple[int, int]]


def write_container(result: object, file: BinaryIO, scratch: Path | None) -> tuple[dict[str, Path], int, str]:
    """Write a result, and say which files in the scratch folder belong to it.

    Parameters
    ----------
    result : object
        May hold a `pathlib.Path` to a file right in the scratch folder; the path is written as that file's name.
    file : binary file
    scratch : Path

    Returns
    -------
    files : dict of str to Path
        The files, by name.
    size : int
        Bytes written.
    digest : str
        SHA-256 of them, hexadecimal.

    Raises
    ------
    TypeError
        If a path leads elsewhere, since the result could not be moved then, or a value is of a kind that no
        container holds.
    """
    writer = _Writer(scratch)
    tree = writer.encoded(result)
    head = json.dumps({"value": tree, "buffers": writer.chunks.places}, separators=(",", ":")).encode()
    start = len(MAGIC) + 8 + len(head)
    head += b" " * (-start % ALIGNMENT)
    digest, size = hashlib.sha256(), 0
    for part in (MAGIC, struct.pack("<Q", len(head)), head, *writer.chunks.parts):
        digest.update(part)
        size += file.write(part)
    return writer.files, size, digest.hexdigest()


def read_container(data: bytearray, files: Mapping[str, Path]) -> Any:
    """A result as `write_container` wrote it, its paths leading to the files now.

    Parameters
    ----------
    data : bytearray
        All of a container. Arrays that may be written to share its memory.
    files : dict of str to Path

    Returns
    -------
    object

    Raises
    ------
    Damaged
        If it is none, or names a file that is none of those, or a class that no result is of.
    """
    try:
        if data[: len(MAGIC)] != MAGIC:
            raise Damaged("it does not begin as a stored result does")
        (length,) = struct.unpack_from("<Q", data, len(MAGIC))
        start = len(MAGIC) + 8 + length
        head = json.loads(data[len(MAGIC) + 8 : start].decode())
        return _Reader(data, start, head["buffers"], files).decoded(head["value"])
    except (
        ArithmeticError,
        AttributeError,
        ImportError,
        LookupError,
        RecursionError,
        TypeError,
        ValueError,
        struct.error,
    ) as error:
        raise Damaged(f"it cannot be read: {error}") from error


class _Writer:
    # Makes the tree of a value. What holds other values gets a number when it is written, and is named by that
    # where it comes again; all of it is held meanwhile, so that no address is used twice.
    def __init__(self, scratch: Path | None) -> None:
        self._scratch = scratch
        self.files: dict[str, Path] = {}
        self.chunks = Chunks([], [])
        self._numbers: dict[int, int] = {}
        self._open: set[int] = set()
        self._held: list[object] = []
        self._buffers: dict[tuple[object, ...], int] = {}
        self._end = 0

    def encoded(self, value: Any) -> Any:
        kind: type = type(value)
        if kind in PLAIN:
            return value
        if kind is int:
            return value if -MAX_DECIMAL < value < MAX_DECIMAL else ["int", hex(value)]
        if kind is float:
            packed = struct.pack("<d", value)
            return value if value == value or packed == STANDARD_NAN else ["float", packed.hex()]
        if isinstance(value, Path):
            return ["file", self._file(value)]
        number = self._numbers.get(id(value))
        if number is not None:
            return ["again", number]
        if id(value) in self._open:
            raise TypeError(f"a result that is kept holds a {kind.__name__} within itself")
        self._open.add(id(value))
        self._held.append(value)
        found = _encoder_of(kind)(self, value)
        self._open.discard(id(value))
        if found[0] in LARGE_TAGS:
            self._numbers[id(value)] = len(self._numbers)
        return found

    def _file(self, path: Path) -> str:
        if path.parent != self._scratch:
            raise TypeError(f"a result that is kept holds a path outside its scratch folder: {path}")
        self.files[path.name] = path
        return path.name

    # The number of a buffer with these bytes, aligned; the same memory is written once.
    def buffer(self, parts: Sequence[Any], key: tuple[object, ...] | None = None) -> int:
        if key is not None and key in self._buffers:
            return self._buffers[key]
        size = 0
        for part in parts:
            view = memoryview(part).cast("B") if memoryview(part).nbytes else b""
            self.chunks.parts.append(view)
            size += len(view)
        self._held.extend(parts)
        self.chunks.places.append((self._end, size))
        padding = -size % ALIGNMENT
        self.chunks.parts.append(bytes(padding))
        self._end += size + padding
        number = len(self.chunks.places) - 1
        if key is not None:
            self._buffers[key] = number
        return number

    # The bytes of an array, row by row, or column by column where it lies so.
    def array_bytes(self, array: npt.NDArray[Any], order: str) -> int:
        import numpy as np

        whole = np.ascontiguousarray(array.T if order == "F" else array)
        self._held.append(whole)
        return self.buffer([whole.reshape(-1).view(np.uint8)], _key_of([whole]))

    # Many values of any kind in one piece of JSON, or tagged one by one where JSON does not give them back.
    def listed(self, values: Sequence[object]) -> list[Any]:
        kinds = set(map(type, values))
        if kinds <= PLAIN:
            return ["json", self.buffer([json.dumps(values, separators=(",", ":")).encode()])]
        return ["values", [self.encoded(value) for value in values]]

    # Texts as Arrow holds them: where each ends, and all of their bytes; and which are missing.
    def texts(self, values: Sequence[object], missing: npt.NDArray[np.bool_]) -> list[Any]:
        import numpy as np

        present = zip(values, missing, strict=True)
        coded = [b"" if absent else str(value).encode(errors="surrogatepass") for value, absent in present]
        ends = np.cumsum([0, *map(len, coded)], dtype=np.int64)
        mask = self.array_bytes(missing, "C") if missing.any() else None
        return [self.array_bytes(ends, "C"), self.buffer([b"".join(coded)]), mask, len(coded)]


class _Reader:
    # Makes values of a tree, numbering them as `_Writer` does.
    def __init__(
        self, data: bytearray, start: int, places: Sequence[Sequence[int]], files: Mapping[str, Path]
    ) -> None:
        self._data, self._start, self._places, self._files = data, start, places, files
        self._made: list[Any] = []

    def decoded(self, tree: Any) -> Any:
        if type(tree) is not list:
            if type(tree) is dict:
                raise Damaged("it holds an object without a kind")
            return tree
        tag, *parts = tree
        value = _DECODERS[tag](self, *parts)
        if tag in LARGE_TAGS:
            self._made.append(value)
        return value

    def again(self, number: int) -> Any:
        return self._made[_index(number)]

    def file(self, name: str) -> Path:
        return self._files[name]

    def bytes_of(self, number: int) -> memoryview:
        begin, size = self._place(number)
        return memoryview(self._data)[begin : begin + size]

    # An array over the memory of the file.
    def array(self, number: int, dtype: np.dtype[Any], count: int) -> npt.NDArray[Any]:
        import numpy as np

        begin, size = self._place(number)
        if dtype.hasobject or count * dtype.itemsize != size:
            raise Damaged("an array has another size than was written")
        if not size:
            return np.empty(count, dtype)
        return np.frombuffer(self._data, dtype, count, begin)

    def listed(self, tag: str, what: Any) -> list[Any]:
        if tag == "json":
            values = json.loads(bytes(self.bytes_of(what)))
            if not isinstance(values, list) or not set(map(type, values)) <= PLAIN:
                raise Damaged("a list holds other values than were written")
            return values
        return [self.decoded(each) for each in what]

    def texts(self, ends: int, joined: int, mask: int | None, count: int) -> tuple[list[str], Any]:
        import numpy as np

        data = bytes(self.bytes_of(joined))
        at = self.array(ends, np.dtype(np.int64), count + 1).tolist()
        missing = None if mask is None else self.array(mask, np.dtype(bool), count)
        return [data[begin:end].decode(errors="surrogatepass") for begin, end in itertools.pairwise(at)], missing

    def _place(self, number: int) -> tuple[int, int]:
        begin, size = self._places[_index(number)]
        begin, size = self._start + _index(begin), _index(size)
        if begin + size > len(self._data):
            raise Damaged("it is shorter than was written")
        return begin, size


# A number from a tree, which counts from the front.
def _index(number: object) -> int:
    if type(number) is not int or number < 0:
        raise Damaged("it holds another number than was written")
    return number


Encoder = Callable[[_Writer, Any], list[Any]]


# How values of a class are written. Libraries that are not loaded have made no value.
@functools.cache
def _encoder_of(kind: type) -> Encoder:
    known = _PYTHON | _of_libraries(tuple(name for name in _LIBRARIES if name in sys.modules))
    if kind in known:
        return known[kind]
    if CLASS_NAME.fullmatch(f"{kind.__module__}:{kind.__qualname__}"):
        if _is_named_tuple(kind):
            return _named
        if _is_model(kind):
            return _model
    if "numpy" in sys.modules and issubclass(kind, sys.modules["numpy"].generic):
        return _scalar
    if "shapely" in sys.modules and issubclass(kind, sys.modules["shapely"].Geometry):
        return _geometry
    if "pandas" in sys.modules and issubclass(kind, sys.modules["pandas"].Index):
        return _index_of
    raise TypeError(f"a result that is kept holds a {kind.__name__}, which no container holds")


_LIBRARIES = ("numpy", "pandas", "geopandas", "pyproj")


@functools.cache
def _of_libraries(names: tuple[str, ...]) -> dict[type, Encoder]:
    known: dict[type, Encoder] = {}
    if "numpy" in names:
        known[sys.modules["numpy"].ndarray] = _array
    if "pandas" in names:
        known |= {sys.modules["pandas"].DataFrame: _table, sys.modules["pandas"].Series: _series}
    if "geopandas" in names:
        known |= {sys.modules["geopandas"].GeoDataFrame: _table, sys.modules["geopandas"].GeoSeries: _series}
    if "pyproj" in names:
        known[sys.modules["pyproj"].CRS] = lambda writer, value: ["crs", value.srs]
    return known


def _is_named_tuple(kind: type) -> bool:
    return kind.__bases__ == (tuple,) and isinstance(getattr(kind, "_fields", None), tuple)


def _is_model(kind: type) -> bool:
    pydantic = sys.modules.get("pydantic")
    return (
        pydantic is not None
        and issubclass(kind, pydantic.BaseModel)
        and bool(kind.model_config.get("frozen"))
        and kind.__setstate__ is pydantic.BaseModel.__setstate__
    )


# A class of the package by its name.
def _class_of(name: str) -> type:
    match = CLASS_NAME.fullmatch(name)
    if match is None:
        raise Damaged(f"it names {name!r}, which no result is of")
    kind = getattr(importlib.import_module(match[1]), match[2])
    if not isinstance(kind, type) or f"{kind.__module__}:{kind.__qualname__}" != name:
        raise Damaged(f"it names {name!r}, which no result is of")
    return kind


# Values of Python's own kinds.
def _tuple(writer: _Writer, value: tuple[object, ...]) -> list[Any]:
    return ["tuple", [writer.encoded(item) for item in value]]


def _list(writer: _Writer, value: list[object]) -> list[Any]:
    return ["list", *writer.listed(value)]


def _dict(writer: _Writer, value: dict[object, object]) -> list[Any]:
    return ["dict", [[writer.encoded(key), writer.encoded(item)] for key, item in value.items()]]


# A set has no order of its own: its members are written in that of their trees.
def _set(writer: _Writer, value: set[object] | frozenset[object]) -> list[Any]:
    members = [writer.encoded(item) for item in value]
    if not all(type(item) in PLAIN or type(item) in (int, float) for item in members):
        raise TypeError("a result that is kept holds a set of other things than texts and numbers")
    return [type(value).__name__, sorted(members, key=json.dumps)]


def _named(writer: _Writer, value: tuple[object, ...]) -> list[Any]:
    kind = type(value)
    return ["named", f"{kind.__module__}:{kind.__qualname__}", [writer.encoded(item) for item in value]]


def _model(writer: _Writer, value: Any) -> list[Any]:
    kind = type(value)
    if value.__pydantic_extra__ or value.__pydantic_private__:
        raise TypeError(f"a result that is kept holds a {kind.__name__} with more than its fields")
    fields = {name: writer.encoded(value.__dict__[name]) for name in kind.model_fields}
    return [
        "model",
        f"{kind.__module__}:{kind.__qualname__}",
        list(fields.items()),
        sorted(value.__pydantic_fields_set__),
    ]


_PYTHON: dict[type, Encoder] = {
    tuple: _tuple,
    list: _list,
    dict: _dict,
    set: _set,
    frozenset: _set,
    bytes: lambda writer, value: ["bytes", value.hex()],
    complex: lambda writer, value: ["complex", struct.pack("<dd", value.real, value.imag).hex()],
}


def _read_named(reader: _Reader, name: str, items: list[Any]) -> Any:
    kind = _class_of(name)
    if not _is_named_tuple(kind) or len(items) != len(kind._fields):  # type: ignore[attr-defined]
        raise Damaged(f"it names {name!r}, which is no such tuple")
    return tuple.__new__(kind, [reader.decoded(item) for item in items])


def _read_model(reader: _Reader, name: str, fields: list[list[Any]], given: list[str]) -> Any:
    import pydantic

    kind = _class_of(name)
    if not _is_model(kind):
        raise Damaged(f"it names {name!r}, which are no settings")
    values = {field: reader.decoded(value) for field, value in fields}
    if list(values) != list(kind.model_fields):  # type: ignore[attr-defined]
        raise Damaged(f"{name!r} has other fields than were written")
    made = object.__new__(kind)
    state = {"__dict__": values, "__pydantic_fields_set__": set(given)}
    pydantic.BaseModel.__setstate__(made, state | {"__pydantic_extra__": None, "__pydantic_private__": None})
    return made


# Arrays and numbers of NumPy.
def _dtype_tree(dtype: np.dtype[Any]) -> Any:
    from numpy.lib.format import dtype_to_descr

    if dtype.kind not in "biufcSUMmV" or dtype.hasobject:
        raise TypeError(f"a result that is kept holds an array of {dtype}, which no container holds")
    return dtype_to_descr(dtype)


def _dtype_of(tree: Any) -> np.dtype[Any]:
    from numpy.lib.format import descr_to_dtype

    def with_tuples(part: Any) -> Any:
        if not isinstance(part, list):
            return part
        return [
            (tuple(name) if isinstance(name, list) else name, with_tuples(kind), *map(tuple, shape))
            for name, kind, *shape in part
        ]

    dtype = descr_to_dtype(with_tuples(tree))
    if dtype.hasobject:
        raise Damaged("it holds an array of objects")
    return dtype


def _array(writer: _Writer, value: npt.NDArray[Any]) -> list[Any]:
    is_turned = value.flags.f_contiguous and not value.flags.c_contiguous
    order = "F" if is_turned else "C"
    if value.dtype.kind == "O":
        return ["objects", *_objects(writer, value.ravel(order)), list(value.shape), order, value.flags.writeable]
    number = writer.array_bytes(value, order)
    return ["array", number, _dtype_tree(value.dtype), list(value.shape), order, value.flags.writeable]


def _read_array(
    reader: _Reader, number: int, dtype: Any, shape: list[int], order: str, is_writable: bool
) -> npt.NDArray[Any]:
    found = reader.array(number, _dtype_of(dtype), _count(shape)).reshape(shape, order=order)  # type: ignore[call-overload]
    found.flags.writeable = is_writable
    return found  # type: ignore[no-any-return]


def _count(shape: Sequence[int]) -> int:
    count = 1
    for size in shape:
        count *= _index(size)
    return count


def _scalar(writer: _Writer, value: np.generic) -> list[Any]:
    import numpy as np

    return ["scalar", _dtype_tree(value.dtype), np.asarray(value).tobytes().hex()]


def _read_scalar(reader: _Reader, dtype: Any, data: str) -> Any:
    import numpy as np

    return np.frombuffer(bytes.fromhex(data), _dtype_of(dtype), 1)[0]


# One-dimensional arrays of objects: texts, geometry, or anything.
def _objects(writer: _Writer, values: npt.NDArray[Any]) -> list[Any]:
    shapely = sys.modules.get("shapely")
    kinds = set(map(type, values)) - {type(None)}
    if shapely is not None and kinds and all(issubclass(kind, shapely.Geometry) for kind in kinds):
        return ["geometry", _geometries(writer, values)]
    return ["list", writer.listed(values.tolist())]


def _read_objects(
    reader: _Reader, kind: str, what: Any, shape: list[int], order: str, is_writable: bool
) -> npt.NDArray[Any]:
    import numpy as np

    values = _objects_of(reader, kind, what)
    if len(values) != _count(shape):
        raise Damaged("an array has another size than was written")
    found = values.reshape(shape, order=order)  # type: ignore[call-overload]
    found.flags.writeable = is_writable
    return np.asarray(found)


def _objects_of(reader: _Reader, kind: str, what: Any) -> npt.NDArray[Any]:
    import numpy as np

    if kind == "geometry":
        return _read_geometries(reader, *what)
    values = reader.listed(*what)
    # Filled one by one: NumPy would make two dimensions of lists of one length.
    found = np.empty(len(values), dtype=object)
    for number, value in enumerate(values):
        found[number] = value
    return found


# Geometry as extended well-known binary, which holds the number of its system too. Closed rings would come back as
# lines.
def _geometries(writer: _Writer, values: npt.NDArray[Any]) -> list[Any]:
    import numpy as np
    import shapely

    if (shapely.get_type_id(values) == shapely.GeometryType.LINEARRING).any():
        raise TypeError("a result that is kept holds a ring, which no container holds")
    coded = [b"" if each is None else each for each in shapely.to_wkb(values, include_srid=True)]
    ends = np.cumsum([0, *map(len, coded)], dtype=np.int64)
    return [writer.array_bytes(ends, "C"), writer.buffer([b"".join(coded)]), len(coded)]


def _read_geometries(reader: _Reader, ends: int, joined: int, count: int) -> npt.NDArray[Any]:
    import numpy as np
    import shapely

    data = bytes(reader.bytes_of(joined))
    at = reader.array(ends, np.dtype(np.int64), count + 1).tolist()
    coded = np.empty(count, dtype=object)
    for number, (begin, end) in enumerate(itertools.pairwise(at)):
        coded[number] = data[begin:end] if end > begin else None
    found: npt.NDArray[Any] = shapely.from_wkb(coded)
    return found


def _geometry(writer: _Writer, value: Any) -> list[Any]:
    import numpy as np

    one = np.empty(1, dtype=object)
    one[0] = value
    return ["geometry", _geometries(writer, one)]


# Columns: an array of NumPy, or one of the kinds of pandas that results have.
def _column(writer: _Writer, values: Any) -> list[Any]:
    import numpy as np
    import pandas as pd

    dtype = values.dtype
    if isinstance(dtype, np.dtype):
        array = np.asarray(values)
        if dtype.hasobject:
            return ["objects", *_objects(writer, array)]
        return ["plain", writer.array_bytes(array, "C"), _dtype_tree(dtype), len(array)]
    if isinstance(dtype, pd.StringDtype):
        from sitefinder.schema.arrays import texts_of

        na = "nan" if dtype.na_value is not pd.NA else "NA"
        texts = texts_of(values)
        return ["text", dtype.storage, na, writer.texts(texts, np.equal(texts, None))]
    if isinstance(dtype, pd.CategoricalDtype):
        return ["category", writer.encoded(values.codes), writer.encoded(dtype.categories), bool(dtype.ordered)]
    if isinstance(dtype, pd.DatetimeTZDtype):
        return ["zoned", dtype.unit, str(dtype.tz), writer.encoded(values.asi8)]
    if dtype.name == "geometry":
        return ["geometry", _geometries(writer, np.asarray(values, dtype=object)), writer.encoded(values.crs)]
    if hasattr(values, "_data") and hasattr(values, "_mask") and dtype.name in _MASKED:
        return ["masked", dtype.name, writer.encoded(values._data), writer.encoded(values._mask)]
    raise TypeError(f"a result that is kept holds a column of {dtype}, which no container holds")


# Numbers of pandas that may be missing.
_MASKED = {
    **{f"{sign}Int{bits}": "IntegerArray" for sign in ("", "U") for bits in (8, 16, 32, 64)},
    **{f"Float{bits}": "FloatingArray" for bits in (32, 64)},
    "boolean": "BooleanArray",
}


def _read_column(reader: _Reader, kind: str, *parts: Any) -> Any:
    import numpy as np
    import pandas as pd

    if kind == "plain":
        number, dtype, count = parts
        return reader.array(number, _dtype_of(dtype), _index(count))
    if kind == "objects":
        return _objects_of(reader, *parts)
    if kind == "text":
        storage, na, coded = parts
        return _text_column(reader, pd.StringDtype(storage, na_value=pd.NA if na == "NA" else np.nan), *coded)
    if kind == "category":
        codes, categories, is_ordered = parts
        codes, categories = reader.decoded(codes), reader.decoded(categories)
        return pd.Categorical.from_codes(codes, dtype=pd.CategoricalDtype(categories, ordered=is_ordered))
    if kind == "zoned":
        unit, zone, numbers = parts
        stamps = pd.DatetimeIndex(reader.decoded(numbers).view(f"M8[{unit}]"))
        return stamps.tz_localize("UTC").tz_convert(zone).array
    if kind == "geometry":
        from geopandas.array import GeometryArray

        coded, crs = parts
        return GeometryArray(_read_geometries(reader, *coded), crs=reader.decoded(crs))
    if kind == "masked":
        name, values, mask = parts
        return getattr(pd.arrays, _MASKED[name])(reader.decoded(values), reader.decoded(mask))
    raise Damaged("a column is of another kind than was written")


def _text_column(reader: _Reader, dtype: Any, ends: int, joined: int, mask: int | None, count: int) -> Any:
    import numpy as np

    if dtype.storage != "pyarrow":
        texts, missing = reader.texts(ends, joined, mask, count)
        values = np.array([*texts, None], dtype=object)[:-1]
        if missing is not None:
            values[missing] = dtype.na_value
        return dtype.construct_array_type()._from_sequence(values, dtype=dtype)
    import pyarrow

    reader.array(ends, np.dtype(np.int64), count + 1)
    valid, missing_count = None, 0
    if mask is not None:
        missing = reader.array(mask, np.dtype(bool), count)
        missing_count = int(missing.sum())
        valid = pyarrow.py_buffer(np.packbits(~missing, bitorder="little"))
    # Copied, so that no text holds on to the whole file.
    buffers = [valid, *(pyarrow.py_buffer(bytes(reader.bytes_of(number))) for number in (ends, joined))]
    texts = pyarrow.LargeStringArray.from_buffers(count, buffers[1], buffers[2], valid, missing_count)
    texts.validate(full=True)
    return dtype.__from_arrow__(texts)


# Tables: columns of one kind lie together, so that a table is read as few blocks.
def _table(writer: _Writer, value: Any) -> list[Any]:
    import numpy as np

    from sitefinder.schema.arrays import columns_of

    kinds: dict[Any, list[int]] = {}
    columns = columns_of(value)
    for place, column in enumerate(columns):
        dtype = column.dtype
        is_plain = isinstance(dtype, np.dtype) and not dtype.hasobject
        kinds.setdefault(dtype.str if is_plain else place, []).append(place)
    blocks = []
    for kind, places in kinds.items():
        if isinstance(kind, str):
            arrays = [np.ascontiguousarray(columns[place]) for place in places]
            number = writer.buffer([array.view(np.uint8) for array in arrays], _key_of(arrays))
            blocks.append([places, "plain", number, _dtype_tree(arrays[0].dtype)])
        else:
            blocks.append([places, *_column(writer, columns[places[0]])])
    index, names = writer.encoded(value.index), writer.encoded(value.columns)
    is_geographic = type(value).__name__ == "GeoDataFrame"
    geometry = writer.encoded(value._geometry_column_name if is_geographic else None)
    return ["table", blocks, index, names, [is_geographic, geometry], writer.encoded(value.attrs)]


def _key_of(arrays: Sequence[npt.NDArray[Any]]) -> tuple[object, ...] | None:
    places = tuple((array.__array_interface__["data"][0], array.nbytes) for array in arrays)
    # What is empty lies nowhere in particular.
    return places if all(size for _, size in places) else None


def _read_table(
    reader: _Reader, blocks: list[Any], index: Any, names: Any, geographic: list[Any], attrs: Any
) -> Any:
    import numpy as np

    # In the order in which they were written; columns of NumPy's kinds need the number of rows first.
    found = [
        (places, None if kind == "plain" else _read_column(reader, kind, *parts))
        for places, kind, *parts in blocks
    ]
    rows, columns = reader.decoded(index), reader.decoded(names)
    filled: list[tuple[Any, list[int]]] = []
    for (places, read), (_, _, *parts) in zip(found, blocks, strict=True):
        values = read
        if values is None:
            number, dtype = parts
            values = reader.array(number, _dtype_of(dtype), len(places) * len(rows))
        if isinstance(values, np.ndarray):
            values = values.reshape(len(places), -1)
        filled.append((values, places))
    made: Any = _joined(filled, rows, columns)
    is_geographic, geometry = geographic
    if is_geographic:
        import geopandas

        made = geopandas.GeoDataFrame(made)
        made._geometry_column_name = reader.decoded(geometry)
    made.attrs = reader.decoded(attrs)
    return made


# A table of blocks that hold what lies in these places.
def _joined(blocks: Sequence[tuple[Any, list[int]]], rows: Any, columns: Any) -> Any:
    import numpy as np
    import pandas as pd

    if sorted(place for _, places in blocks for place in places) != list(range(len(columns))):
        raise Damaged("a table has other columns than were written")
    if any(values.shape[-1] != len(rows) for values, _ in blocks):
        raise Damaged("a table has other rows than were written")
    if int(pd.__version__.partition(".")[0]) < 3:
        apart = {
            place: column
            for values, places in blocks
            for place, column in zip(places, values if isinstance(values, np.ndarray) else [values], strict=True)
        }
        table = pd.DataFrame({place: apart[place] for place in range(len(columns))}, index=rows, copy=True)
        table.columns = columns
        return table
    from pandas.api.internals import create_dataframe_from_blocks

    placed = [(values, np.array(places, dtype=np.intp)) for values, places in blocks]
    return create_dataframe_from_blocks(placed, index=rows, columns=columns)


def _series(writer: _Writer, value: pd.Series[Any]) -> list[Any]:
    is_geographic = type(value).__name__ == "GeoSeries"
    return [
        "series",
        _column(writer, _values_of(value)),
        writer.encoded(value.index),
        writer.encoded(value.name),
        is_geographic,
        writer.encoded(value.attrs),
    ]


# The array of a column or index: NumPy's own where its kind is one of NumPy's.
def _values_of(value: Any) -> Any:
    import numpy as np

    return value.to_numpy() if isinstance(value.dtype, np.dtype) else value.array


def _read_series(
    reader: _Reader, column: list[Any], index: Any, name: Any, is_geographic: bool, attrs: Any
) -> Any:
    import pandas as pd

    values = _read_column(reader, *column)
    made: Any = pd.Series(values, index=reader.decoded(index), name=reader.decoded(name), copy=False)
    if is_geographic:
        import geopandas

        made = geopandas.GeoSeries(made)
    made.attrs = reader.decoded(attrs)
    return made


def _index_of(writer: _Writer, value: pd.Index[Any]) -> list[Any]:
    import pandas as pd

    if isinstance(value, pd.MultiIndex):
        raise TypeError("a result that is kept holds an index of several levels, which no container holds")
    name = writer.encoded(value.name)
    if isinstance(value, pd.RangeIndex):
        return ["index", "range", [value.start, value.stop, value.step], name]
    if getattr(value, "freq", None) is not None:
        raise TypeError("a result that is kept holds an index with a frequency, which no container holds")
    return ["index", "column", _column(writer, _values_of(value)), name]


def _read_index(reader: _Reader, kind: str, what: list[Any], name: Any) -> Any:
    import pandas as pd

    if kind == "range":
        start, stop, step = what
        return pd.RangeIndex(start, stop, step, name=reader.decoded(name))
    values = _read_column(reader, *what)
    return pd.Index(values, name=reader.decoded(name), dtype=values.dtype, copy=False)


def _read_crs(reader: _Reader, text: str) -> Any:
    import pyproj

    return pyproj.CRS.from_user_input(text)


def _read_complex(reader: _Reader, data: str) -> complex:
    return complex(*struct.unpack("<dd", bytes.fromhex(data)))


_DECODERS: dict[str, Callable[..., Any]] = {
    "again": _Reader.again,
    "array": _read_array,
    "bytes": lambda reader, data: bytes.fromhex(data),
    "complex": _read_complex,
    "crs": _read_crs,
    "dict": lambda reader, items: {reader.decoded(key): reader.decoded(item) for key, item in items},
    "file": _Reader.file,
    "float": lambda reader, data: struct.unpack("<d", bytes.fromhex(data))[0],
    "frozenset": lambda reader, items: frozenset(items),
    "geometry": lambda reader, coded: _read_geometries(reader, *coded)[0],
    "index": _read_index,
    "int": lambda reader, text: int(text, 16),
    "list": lambda reader, tag, what: reader.listed(tag, what),
    "model": _read_model,
    "named": _read_named,
    "objects": _read_objects,
    "scalar": _read_scalar,
    "series": _read_series,
    "set": lambda reader, items: set(items),
    "table": _read_table,
    "tuple": lambda reader, items: tuple([reader.decoded(item) for item in items]),
}
