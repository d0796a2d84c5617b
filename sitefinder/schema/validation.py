"""Check of tables against their declaration, the empty table, and the table of all columns."""

import difflib
from collections import Counter
from collections.abc import Mapping
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray
from pandas.api.types import infer_dtype

from sitefinder.errors import TableError, all_of, described, listed
from sitefinder.schema.arrays import arrays_by_name, texts_of
from sitefinder.schema.columns import MONEY, Column, Layer
from sitefinder.schema.layers import LAYERS
from sitefinder.vocabulary import schemes_that, split_flags

# A table with its declaration.
Declared = tuple[Any, Layer]
# Names that pandas has for the values of each declared type.
FITTING = {
    "text": {"string"},
    "integer": {"integer"},
    "real": {"floating", "integer", "mixed-integer-float"},
    "boolean": {"boolean"},
}
# Types of numpy that are the declared one as they are.
PLAIN = {"real": np.dtype("float64"), "integer": np.dtype("int64"), "boolean": np.dtype("bool")}


def check_table(frame: Any, layer_name: str, layers: Mapping[str, Layer] = LAYERS) -> pd.DataFrame:
    """A table in the declared order of columns and with the declared types, if it is valid.

    Parameters
    ----------
    frame : DataFrame or GeoDataFrame
        Stays as it is. Integers that pandas turned into floats because of gaps are taken for integers,
        and a column without any value fits every type.
    layer_name : str
        A key of `layers`.
    layers : dict of str to Layer
        The layers of the file that the table is for.

    Returns
    -------
    DataFrame or GeoDataFrame
        Rows in the same order, numbered from 0. Text is object with None for NULL, integer int64, real
        float64 with NaN for NULL, boolean bool; an integer column that may hold NULL is Int64.
        The geometry comes last and is called ``geometry``.

    Raises
    ------
    TableError
        Naming every problem at once: missing and undeclared columns, wrong types, values out of range or not
        in the list, NULL where none may be, rows of the same key, geometry missing or of the wrong kind; each with
        the number of rows and the ids of the first few.
    """
    layer = layers[layer_name]
    geometry_name = _geometry_name(frame)
    problems = _name_problems(frame, layer, geometry_name)
    table = (frame, layer)

    given = arrays_by_name(frame)
    typed = {}
    for column in (column for column in layer.columns if column.name in given):
        values, found = _typed(given[column.name], column)
        if found is None:
            typed[column.name] = values
            problems += _value_problems(values, column, table)
        else:
            expected = f"{column.dtype}" + (f" [{column.unit}]" if column.unit else "")
            problems.append(described(f"{column.name}: wrong type", expected=expected, found=found))
    problems += _key_problems(typed, table)
    if layer.geometry and geometry_name:
        problems += _geometry_problems(frame[geometry_name].array, table)
    if problems:
        raise all_of(TableError, f"table {layer_name}", problems)

    # Texts stay objects, as series alone keep them; all share the table's index, so that none is aligned.
    index = pd.RangeIndex(len(frame))
    columns = {
        name: pd.Series(values, index, dtype=object) if values.dtype == object else values
        for name, values in typed.items()
    }
    if not layer.geometry:
        return pd.DataFrame(columns, index=index)
    # The array of the shapes holds the coordinate system of the table.
    drawn: pd.DataFrame = gpd.GeoDataFrame(columns | {"geometry": frame[geometry_name].array.copy()}, index=index)
    return drawn


# Name of the active geometry column, None for a table without one.
def _geometry_name(frame: pd.DataFrame) -> str | None:
    return getattr(frame, "active_geometry_name", None)


# Columns that are missing, undeclared or duplicate.
def _name_problems(frame: pd.DataFrame, layer: Layer, geometry_name: str | None) -> list[str]:
    declared = [column.name for column in layer.columns]
    problems = [
        described(f"{column.name}: missing column", expected=f"{column.dtype}: {column.meaning}")
        for column in layer.columns
        if column.name not in frame.columns
    ]
    if layer.geometry and geometry_name is None:
        problems.append(described("geometry: missing", expected=layer.geometry))
    given = [name for name in frame.columns if not (layer.geometry and name == geometry_name)]
    for name in given:
        if name not in declared:
            near = difflib.get_close_matches(str(name), declared, n=1)
            problems.append(f"{name}: not declared" + (f"; did you mean {near[0]}?" if near else ""))
    repeated = sorted({name for name in given if given.count(name) > 1})
    if repeated:
        raise TableError(described(f"table {layer.name}: duplicate columns", found=listed(repeated)))
    return problems


# The values of a column in the declared type, or the type found.
def _typed(given: Any, column: Column) -> tuple[Any, str | None]:
    if column.dtype in PLAIN and given.dtype == PLAIN[column.dtype]:
        return given, None
    is_text = isinstance(given.dtype, pd.StringDtype)
    objects = texts_of(given) if is_text else np.array(given, dtype=object)
    missing = np.asarray(pd.isna(objects))
    present = objects[~missing]
    kind = infer_dtype(present, skipna=True) if len(present) else None
    # Gaps turn integers into floats on the way.
    whole = column.dtype == "integer" and kind == "floating" and all(value % 1 == 0 for value in present)
    if kind is not None and kind not in FITTING[column.dtype] and not whole:
        return None, f"{kind}, for example {present[0]!r}"
    if column.dtype == "real":
        objects[missing] = np.nan
        return objects.astype("float64"), None
    if column.dtype == "text":
        objects[missing] = None
        return objects, None
    extension, plain = ("Int64", "int64") if column.dtype == "integer" else ("boolean", "bool")
    if column.nullable or missing.any():
        objects[missing] = pd.NA
        typed: Any = pd.Series(objects, dtype=extension)
        return typed.array, None
    return objects.astype(plain), None


# NULLs that are not allowed, numbers out of range, texts not in the list.
def _value_problems(values: Any, column: Column, table: Declared) -> list[str]:
    missing = np.asarray(pd.isna(values))
    problems = []
    if not column.nullable and missing.any():
        problems.append(_in_rows(f"{column.name}: NULL is not allowed", missing, table))
    if column.dtype in ("integer", "real"):
        plain = isinstance(values, np.ndarray)
        numbers = values.astype("float64") if plain else values.to_numpy(dtype="float64", na_value=np.nan)
        bad = np.isinf(numbers)
        if column.minimum is not None:
            bad |= numbers < column.minimum
        if column.maximum is not None:
            bad |= numbers > column.maximum
        if bad.any():
            found = f"{numbers[bad].min():g} to {numbers[bad].max():g}"
            headline = f"{column.name}: out of range"
            problems.append(_in_rows(headline, bad, table, expected=_range(column), found=found))
    if column.values:
        strange_values = set(values[~missing]).difference(column.values)
        if strange_values:
            bad = np.array([value in strange_values for value in values], dtype=bool)
            found = listed(sorted(strange_values))
            headline = f"{column.name}: not one of the allowed values"
            problems.append(_in_rows(headline, bad, table, expected=", ".join(column.values), found=found))
    if column.parts:
        strange = {
            text: [name for name, _ in split_flags(text) if name not in column.parts]
            for text in set(values[~missing])
        }
        bad = np.array([bool(strange.get(text)) for text in values], dtype=bool)
        if bad.any():
            found = listed(sorted({name for text in set(values[bad]) for name in strange[text]}))
            headline = f"{column.name}: not one of the declared flags"
            problems.append(_in_rows(headline, bad, table, expected=", ".join(column.parts), found=found))
    return problems


# A problem with the number of its rows and what the first few are called: their key where the key's columns are
# there, else their number.
def _in_rows(headline: str, bad: Any, table: Declared, **facts: object) -> str:
    frame, layer = table
    if layer.key and all(name in frame.columns for name in layer.key):
        keys = zip(*(frame[name][bad].tolist() for name in layer.key), strict=True)
        names = [" / ".join("NULL" if pd.isna(part) else str(part) for part in key) for key in keys]
    else:
        names = [f"row {number}" for number in np.flatnonzero(bad) + 1]
    return described(headline, **facts, rows=f"{len(names)} of {len(frame)}: {listed(names)}")


# The allowed range in words.
def _range(column: Column) -> str:
    unit = f" [{column.unit}]" if column.unit not in ("", "1") else ""
    if column.minimum is None and column.maximum is None:
        return f"a finite number{unit}"
    if column.maximum is None:
        return f"{column.minimum:g} or more{unit}, finite"
    return f"{column.minimum:g} to {column.maximum:g}{unit}"


# Rows that share a key.
def _key_problems(typed: dict[str, Any], table: Declared) -> list[str]:
    frame, layer = table
    if len(frame) < 2 or not layer.key or any(name not in typed for name in layer.key):
        return []
    keys = list(zip(*(typed[name].tolist() for name in layer.key), strict=True))
    times = Counter(keys)
    again = np.array([times[key] > 1 for key in keys], dtype=bool)
    return [_in_rows(f"{', '.join(layer.key)}: the same in several rows", again, table)] if again.any() else []


# Geometry that is not there, is empty or is of another kind.
def _geometry_problems(shapes: Any, table: Declared) -> list[str]:
    layer = table[1]
    allowed = {layer.geometry, (layer.geometry or "").removeprefix("Multi")}
    missing = shapes.isna() | shapes.is_empty
    kinds = shapes.geom_type
    wrong = ~missing & np.array([kind not in allowed for kind in kinds], dtype=bool)
    high = shapes.has_z
    problems = []
    if high.any():
        problems.append(_in_rows("geometry: has heights, which belong into columns", high, table))
    if missing.any() and not layer.may_lack_geometry:
        problems.append(_in_rows("geometry: missing or empty", missing, table, expected=layer.geometry))
    if wrong.any():
        found = listed(sorted(set(kinds[wrong])))
        problems.append(_in_rows("geometry: wrong kind", wrong, table, expected=layer.geometry, found=found))
    return problems


def has_flag(flags: Any, name: str) -> NDArray[np.bool_]:
    """Rows that carry a flag.

    Parameters
    ----------
    flags : Series of str
        Column ``flags`` of a delivered table.
    name : str
        Of `sitefinder.vocabulary.FLAGS`.

    Returns
    -------
    ndarray of bool

    Examples
    --------
    >>> has_flag(pd.Series(["seam; karst", "", "karst_covered"]), "karst").tolist()
    [True, False, False]
    """
    found = {text: any(name == flag for flag, _ in split_flags(text)) for text in set(flags)}
    return np.array([found[text] for text in flags], dtype=bool)


def is_scheme_that(scheme_types: ArrayLike, statement: str) -> NDArray[np.bool_]:
    """Rows whose scheme type is one of which a statement of the vocabulary holds.

    Parameters
    ----------
    scheme types : array_like of str, shape (n,)
        Names of scheme types.
    statement : {"diverts", "builds_barrier", "uses_structure", "has_weir", "has_head"}
        See `sitefinder.vocabulary.SchemeType`.

    Returns
    -------
    ndarray of bool, shape (n,)

    Examples
    --------
    >>> is_scheme_that(["diversion", "new_weir"], "diverts").tolist()
    [True, False]
    """
    names = scheme_types if isinstance(scheme_types, pd.Series) else pd.Series(scheme_types, dtype=object)
    return names.isin(schemes_that(statement)).to_numpy(dtype=bool)


def empty_table(layer_name: str, crs: object = None, layers: Mapping[str, Layer] = LAYERS) -> pd.DataFrame:
    """A table of no rows that keeps a layer's contract.

    Parameters
    ----------
    layer_name : str
        A key of `LAYERS`.
    crs : object, optional
        Coordinate system of a layer with geometry; anything that pyproj understands.
    layers : dict of str to Layer
        See `check_table`.

    Returns
    -------
    DataFrame or GeoDataFrame

    Examples
    --------
    >>> list(empty_table("flow_curves").columns)
    ['site_id', 'exceedance_percent', 'flow_m3s', 'environmental_flow_m3s']
    """
    layer = layers[layer_name]
    frame = pd.DataFrame({column.name: [] for column in layer.columns})
    if layer.geometry:
        frame = gpd.GeoDataFrame(frame, geometry=gpd.GeoSeries([], crs=crs), crs=crs)
    return check_table(frame, layer_name, layers)


def columns_table(layers: Mapping[str, Layer] = LAYERS, money: str = MONEY) -> pd.DataFrame:
    """The ``columns`` layer: unit and meaning of every column of every layer, in the order of delivery.

    Parameters
    ----------
    layers : dict of str to Layer
        Those of the file.
    money : str
        What to call the unit of money, for example "EUR of 2024".

    Returns
    -------
    DataFrame
        Columns layer, column, unit, meaning.
    """
    declared = [
        (layer.name, column.name, column.unit.replace(MONEY, money), column.meaning)
        for layer in layers.values()
        for column in layer.columns
    ]
    return check_table(pd.DataFrame(declared, columns=["layer", "column", "unit", "meaning"]), "columns")
