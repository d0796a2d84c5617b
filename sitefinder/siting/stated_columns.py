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


def problems_of_differing(own, source, asked, what):
    """Features of one id that say different things; an empty cell beside a full one differs too.

    Parameters
    ----------
    own : DataFrame
        ``feature_id`` and the columns under names of the program.
    source : sitefinder.settings.Source
    asked : dict of str to str
        The setting that states each of these columns, where it states one.
    what : tuple of (str, str)
        What messages call one thing of the layer, and several.

    Returns
    -------
    list of InputError
        One for each column.
    """
    one, several = what
    problems = []
    for name, setting in asked.items():
        if getattr(source, setting) is None:
            continue
        shown = pd.Series([value if word_of(value) else "nothing" for value in own[name]], dtype=object)
        said = shown.groupby(own["feature_id"].to_numpy(), sort=False).agg(lambda each: [*dict.fromkeys(each)])
        apart = said[said.map(len) > 1]
        if len(apart):
            problems.append(
                InputError.of(
                    f"features of one {one} differ",
                    file=f"{source.path}, column {getattr(source, setting)}",
                    expected="the same in all features of one id",
                    found=listed(f"{name}: {' and '.join(map(_plain, values))}" for name, values in apart.items()),
                    fix=f"correct the column, or give different {several} different ids",
                )
            )
    return problems


# Fifteen digits are as many as a number is sure to have.
def _plain(value):
    return f"{value:.15g}" if isinstance(value, float) else str(value)


def word_of(value):
    """A value as settings and layers are compared: small letters, whole numbers without decimals, "" for none.

    Examples
    --------
    >>> word_of(" Good "), word_of(3.0), word_of(None)
    ('good', '3', '')
    """
    missing = value is None or (isinstance(value, float) and np.isnan(value)) or value is pd.NA
    return "" if missing else str(value).strip().lower().removesuffix(".0")
