"""What a value holds, as a short text: equal for equal tables, settings and equations, in any process."""

from __future__ import annotations

import datetime
import hashlib
import json
from functools import singledispatch
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
import pydantic
import pyproj
import shapely
from geopandas.array import GeometryArray

from sitefinder.schema.arrays import columns_of, texts_of

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    import numpy.typing as npt

    Add = Callable[[bytes], None]

# What JSON writes as it is.
PLAIN = {type(None), bool, int, float, str}


def digest_of(value: object) -> str:
    """SHA-256 of a value: plain ones, containers of them, arrays, tables, geometry, settings.

    Parameters
    ----------
    value : object
        Where it lies in memory, or how a pickle would share its parts, changes nothing.

    Returns
    -------
    str
        Hexadecimal.

    Raises
    ------
    TypeError
        For a kind of value that is not known here, rather than take two different ones for equal.

    Examples
    --------
    >>> digest_of({"a": [1, 2.0]}) == digest_of({"a": [1, 2.0]}), digest_of(1) == digest_of(1.0)
    (True, False)
    """
    digest = hashlib.sha256()

    def add(part: bytes) -> None:
        digest.update(b"%d:" % len(part))
        digest.update(part)

    _add(value, add)
    return digest.hexdigest()


# Adds the bytes of a value, each piece by itself; the kind comes first, so that 1, True, 1.0 and "1" are four.
@singledispatch
def _add(value: object, add: Add) -> None:
    raise TypeError(f"no way is known to tell the content of a {type(value).__name__}")


@_add.register(type(None))
@_add.register(bool)
@_add.register(int)
@_add.register(float)
@_add.register(str)
@_add.register(datetime.date)
@_add.register(pyproj.CRS)
def _(value: object, add: Add) -> None:
    add(type(value).__name__.encode())
    add((value.to_wkt() if isinstance(value, pyproj.CRS) else repr(value)).encode())


@_add.register(np.generic)
def _(value: np.generic, add: Add) -> None:
    _add(np.asarray(value), add)


@_add.register(tuple)
@_add.register(list)
def _(value: tuple[object, ...] | list[object], add: Add) -> None:
    kind = type(value).__name__
    if {type(item) for item in value} <= PLAIN:
        add(f"{kind} of plain".encode())
        add(_listed(value))
        return
    add(f"{kind} {len(value)}".encode())
    for item in value:
        _add(item, add)


@_add.register(dict)
def _(value: dict[object, object], add: Add) -> None:
    add(b"dict")
    _add(list(value), add)
    _add(list(value.values()), add)


@_add.register(pydantic.BaseModel)
def _(value: pydantic.BaseModel, add: Add) -> None:
    add(type(value).__name__.encode())
    _add(dict(value), add)


@_add.register(shapely.Geometry)
def _(value: shapely.Geometry, add: Add) -> None:
    add(b"geometry")
    add(shapely.to_wkb(value))


@_add.register(np.ndarray)
def _(value: npt.NDArray[Any], add: Add) -> None:
    add(f"array {value.dtype.str} {value.shape}".encode())
    if value.dtype != object:
        add(np.ascontiguousarray(value).tobytes())
    elif value.size and all(item is None or isinstance(item, shapely.Geometry) for item in value.ravel()):
        shapes = [geometry or b"" for geometry in shapely.to_wkb(value.ravel())]
        add(b"".join(b"%d:%b" % (len(shape), shape) for shape in shapes))
    else:
        add(_listed(value.ravel().tolist()))


@_add.register(pd.Series)
@_add.register(pd.Index)
def _(value: pd.Series[Any] | pd.Index[Any], add: Add) -> None:
    _add_column(value.to_numpy() if isinstance(value.dtype, np.dtype) else value.array, add)


@_add.register(pd.DataFrame)
def _(value: pd.DataFrame, add: Add) -> None:
    add(f"table {len(value)} {type(value).__name__}".encode())
    _add(value.index, add)
    _add(value.columns, add)
    for column in columns_of(value):
        _add_column(column, add)


# A column, whether in a table or alone, by its array.
def _add_column(values: Any, add: Add) -> None:
    if isinstance(values, GeometryArray):
        add(b"geometries")
        _add(values.crs, add)
        _add(np.asarray(values, dtype=object), add)
    elif isinstance(values, np.ndarray) and values.dtype != object:
        add(b"column")
        _add(values, add)
    else:
        is_text = isinstance(values.dtype, pd.StringDtype)
        add(f"column {values.dtype}".encode())
        add(_listed((texts_of(values) if is_text else np.asarray(values, dtype=object)).tolist()))


# Many small values in one piece. What JSON does not know is written as Python would.
def _listed(values: Sequence[object]) -> bytes:
    if {type(value) for value in values} <= PLAIN:
        return json.dumps(values, ensure_ascii=True).encode()
    return json.dumps([_plain(value) for value in values], ensure_ascii=True).encode()


def _plain(value: object) -> object:
    if value is None or isinstance(value, str | bool | int) or type(value) is float:
        return value
    if value is pd.NA or value is pd.NaT:
        return ["missing", repr(value)]
    if isinstance(value, np.generic | datetime.date | datetime.time | datetime.timedelta | bytes):
        return [type(value).__name__, repr(value)]
    if isinstance(value, list | tuple | dict | np.ndarray | shapely.Geometry):
        return [type(value).__name__, digest_of(value)]
    raise TypeError(f"no way is known to tell the content of a {type(value).__name__}")
