"""Columns of users' layers that settings name: whether they are there, and what they hold as numbers."""

import difflib

import numpy as np
import pandas as pd

from sitefinder.errors import InputError, listed
from sitefinder.io.vectors import OWN_COLUMNS


def no_such_column(layer, source, frame, key, column):
    """The error for a column that the settings name and the layer does not have.

    Parameters
    ----------
    layer : str
        Name of the layer in the settings' section ``inputs``.
    source : sitefinder.config.LayerSource
    frame : GeoDataFrame
        The layer as read.
    key : str
        Setting that names the column.
    column : str

    Returns
    -------
    InputError
        With the nearest of the columns that there are.
    """
    columns = [str(name) for name in frame.columns if name not in (*OWN_COLUMNS, frame.geometry.name)]
    near = difflib.get_close_matches(column, columns, n=1)
    return InputError.of(
        f"the {layer} layer has no column {column}",
        file=source.path,
        expected=f"the column that {key} names",
        found=f"columns {listed(columns, shown=20)}",
        fix=f"did you mean {near[0]}?" if near else f"correct {key}",
    )


def numbers_of(column):
    """A column as float64, NaN where it holds nothing or what is no number."""
    return pd.to_numeric(column, errors="coerce").to_numpy(dtype=np.float64, na_value=np.nan)
