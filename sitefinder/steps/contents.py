"""What a value holds, as a short text: equal for equal tables, settings and equations, in any process."""

from __future__ import annotations

import datetime
import hashlib
import json
from functools import singledispatch
from typing import TYPE_CHECKING, Any

import geopandas
import numpy as np
import pandas as pd
import pydantic
import pyproj
import shapely

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

    import numpy.typing as npt


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
    for part in _parts(value):
        digest.update(b"%d:" % len(part))
        digest.update(part)
    return digest.hexdigest()


# The bytes of a value, each piece by itself; the kind comes first, so that 1, True, 1.0 and "1" are four.
@singledispatch
def _parts(value: object) -> Iterator[bytes]:
    raise TypeError(f"no way is known to tell the content of a {type(value).__name__}")


@_parts.register(type(None))
@_parts.register(bool)
@_parts.register(int)
@_parts.register(float)
@_parts.register(str)
@_parts.register(datetime.date)
@_parts.register(pyproj.CRS)
def _(value: object) -> Iterator[bytes]:
    yield type(value).__name__.encode()
    yield (value.to_wkt() if isinstance(value, pyproj.CRS) else repr(value)).encode()


@_parts.register(np.generic)
def _(value: np.generic) -> Iterator[bytes]:
    yield from _parts(np.asarray(value))


@_parts.register(tuple)
@_parts.register(list)
def _(value: tuple[object, ...] | list[object]) -> Iterator[bytes]:
    yield f"{type(value).__name__} {len(value)}".encode()
    for item in value:
        yield from _parts(item)


@_parts.register(dict)
def _(value: dict[object, object]) -> Iterator[bytes]:
    yield f"dict {len(value)}".encode()
    for key, item in value.items():
        yield from _parts(key)
        yield from _parts(item)


@_parts.register(pydantic.BaseModel)
def _(value: pydantic.BaseModel) -> Iterator[bytes]:
    yield type(value).__name__.encode()
    yield from _parts(dict(value))


@_parts.register(shapely.Geometry)
def _(value: shapely.Geometry) -> Iterator[bytes]:
    yield b"geometry"
    yield shapely.to_wkb(value)


@_parts.register(np.ndarray)
def _(value: npt.NDArray[Any]) -> Iterator[bytes]:
    yield f"array {value.dtype.str} {value.shape}".encode()
    if value.dtype != object:
        yield np.ascontiguousarray(value).tobytes()
    elif value.size and all(item is None or isinstance(item, shapely.Geometry) for item in value.ravel()):
        for geometry in shapely.to_wkb(value.ravel()):
            yield b"" if geometry is None else geometry
    else:
        yield _listed(value.ravel().tolist())


@_parts.register(pd.Series)
@_parts.register(pd.Index)
def _(value: pd.Series[Any] | pd.Index[Any]) -> Iterator[bytes]:
    yield f"column {value.dtype}".encode()
    if isinstance(value.dtype, np.dtype) and value.dtype != object:
        yield from _parts(value.to_numpy())
    else:
        yield _listed(value.astype(object).tolist())


@_parts.register(geopandas.GeoSeries)
def _(value: geopandas.GeoSeries) -> Iterator[bytes]:
    yield b"geometries"
    yield from _parts(value.crs)
    yield from _parts(np.asarray(value.array, dtype=object))


@_parts.register(pd.DataFrame)
def _(value: pd.DataFrame) -> Iterator[bytes]:
    yield f"table {len(value)} {type(value).__name__}".encode()
    yield from _parts(value.index)
    for number, name in enumerate(value.columns):
        yield from _parts(name)
        yield from _parts(value.iloc[:, number])


# Many small values in one piece. What JSON does not know is written as Python would.
def _listed(values: Iterable[object]) -> bytes:
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
