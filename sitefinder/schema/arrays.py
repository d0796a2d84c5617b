"""Columns of tables as arrays: most tables have few rows, and series of pandas cost more than their values."""

from typing import Any

import numpy as np
import pandas as pd
import pyarrow
from numpy.typing import NDArray


def columns_of(table: Any) -> list[Any]:
    """The array of each column, in the order of the columns.

    Parameters
    ----------
    table : DataFrame or GeoDataFrame

    Returns
    -------
    list of arrays
        To read only, since they are the table's own: of NumPy where the column's type is one of NumPy's, else of
        pandas.

    Examples
    --------
    >>> columns_of(pd.DataFrame({"a": [1, 2], "b": [0.5, 0.25]}))
    [array([1, 2]), array([0.5 , 0.25])]
    """
    iterate = getattr(table, "_iter_column_arrays", None)
    # A way of pandas that is not promised: where it is gone, the plain one serves.
    return list(iterate()) if iterate is not None else _by_series(table)


def _by_series(table: Any) -> list[Any]:
    columns = [table.iloc[:, place] for place in range(table.shape[1])]
    return [each.to_numpy() if isinstance(each.dtype, np.dtype) else each.array for each in columns]


def arrays_by_name(table: pd.DataFrame) -> dict[Any, Any]:
    """The arrays of `columns_of` by the names of their columns, which must differ.

    Parameters
    ----------
    table : DataFrame or GeoDataFrame

    Returns
    -------
    dict of arrays

    Examples
    --------
    >>> arrays_by_name(pd.DataFrame({"a": [1, 2]}))
    {'a': array([1, 2])}
    """
    return dict(zip(table.columns, columns_of(table), strict=True))


def records_of(table: pd.DataFrame) -> list[dict[Any, Any]]:
    """The rows of a table, each a dict of its values by column, as ``to_dict("records")`` gives them.

    Parameters
    ----------
    table : DataFrame or GeoDataFrame

    Returns
    -------
    list of dict
        Numbers are Python's own.

    Examples
    --------
    >>> records_of(pd.DataFrame({"a": [1, 2], "b": ["x", "y"]}))
    [{'a': 1, 'b': 'x'}, {'a': 2, 'b': 'y'}]
    """
    columns = [_plain(values) for values in columns_of(table)]
    return [dict(zip(table.columns, row, strict=True)) for row in zip(*columns, strict=True)]


# The values of a column as Python's own.
def _plain(values: Any) -> list[Any]:
    if isinstance(values, np.ndarray) and values.dtype != object:
        return list(values.tolist())
    return [value.item() if isinstance(value, np.generic) else value for value in values]


def texts_of(values: Any) -> NDArray[np.object_]:
    """The texts of a column as Python's own, None where one is missing.

    Parameters
    ----------
    values : array of pandas with a `pandas.StringDtype`

    Returns
    -------
    ndarray of object
        A copy. Arrow makes it: the way of pandas takes ten times as long for a few rows.

    Examples
    --------
    >>> texts_of(pd.array(["a", None], dtype="string")).tolist()
    ['a', None]
    """
    texts: NDArray[np.object_] = pyarrow.array(values).to_numpy(zero_copy_only=False)
    return texts
