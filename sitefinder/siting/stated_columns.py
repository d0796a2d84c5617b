"""Columns of a user's layer under the names that the settings state: whether they are there, and their words."""

import numpy as np
import pandas as pd

from sitefinder.errors import InputError, all_of, listed

# Columns that reading a layer adds to those of the user.
OF_A_LAYER = ("source_row", "source_part", "feature_id", "feature_name")


def rows_of_layer(frame):
    """Those of `OF_A_LAYER` that a layer has, as a table to which stated columns are added."""
    return frame[[column for column in OF_A_LAYER if column in frame]].copy()


def validate_columns(frame, path, layer, asked):
    """Refuse a layer that lacks columns that the settings name, all at once.

    Parameters
    ----------
    frame : GeoDataFrame
        The layer as read.
    path : str
        Of its file, as the settings name it.
    layer : str
        What messages call it.
    asked : dict of str to (str or None)
        Names of columns by the settings that state them; None for none.

    Raises
    ------
    InputError
    """
    columns = [str(column) for column in frame.columns if column not in (*OF_A_LAYER, frame.geometry.name)]
    raise_together(
        layer,
        [
            InputError.of(
                f"the layer {layer} has no column {column}",
                file=path,
                expected=f"the column that {setting} names",
                found=f"columns {listed(columns, shown=20)}" if columns else "no columns",
                fix=f"correct {setting}, or leave it out",
            )
            for setting, column in asked.items()
            if column is not None and column not in columns
        ],
    )


def raise_together(layer, problems):
    """Raise what was found wrong in a layer: nothing, the one problem, or all under the layer's name.

    Parameters
    ----------
    layer : str
    problems : list of InputError

    Raises
    ------
    InputError
    """
    if len(problems) == 1:
        raise problems[0]
    if problems:
        raise all_of(InputError, f"the layer {layer}", [str(problem) for problem in problems])


def word_of(value):
    """A value as settings and layers are compared: small letters, whole numbers without decimals, "" for none.

    Examples
    --------
    >>> word_of(" Good "), word_of(3.0), word_of(None)
    ('good', '3', '')
    """
    missing = value is None or (isinstance(value, float) and np.isnan(value)) or value is pd.NA
    return "" if missing else str(value).strip().lower().removesuffix(".0")
