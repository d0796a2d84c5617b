"""Water bodies of the user's layer: their status, what sites may do there together, and which a site uses."""

import numpy as np
import pandas as pd

from sitefinder.errors import InputError, listed
from sitefinder.siting.stated_columns import (
    problems_of_differing,
    raise_together,
    rows_of_layer,
    validate_columns,
    word_of,
)

# Caps of a water body, by the setting that names their column.
CAPS = {"max_plants_column": "max_plants", "max_new_barriers_column": "max_new_barriers"}
# Columns of `bodies_of` beside the id.
FACTS = ("name", "status", "must_not_fall", *CAPS.values())


def water_bodies_of(frame, source):
    """The layer of water bodies with status and caps under names of the program, checked.

    Parameters
    ----------
    frame : GeoDataFrame
        The layer as read: ``feature_id``, ``feature_name`` and the user's columns.
    source : sitefinder.settings.WaterBodySource

    Returns
    -------
    frame : GeoDataFrame
        ``feature_id``, ``feature_name``, ``status`` (text, empty where none is stated), ``must_not_fall`` (bool),
        ``max_plants`` and ``max_new_barriers`` (NaN: none of its own) and the geometry. Features of one id are one
        water body and say the same.
    notes : list of (str, str)
        What was found in it and done about it.

    Raises
    ------
    InputError
        If a column is not there, a cap is no whole number from 0 up, features of one id differ, or no water body
        has a status of those that must not fall.
    """
    asked = {setting: getattr(source, setting) for setting in ("status_column", *CAPS)}
    validate_columns(frame, source.path, "water_bodies", asked)
    own = rows_of_layer(frame)
    stated = frame[source.status_column] if source.status_column else pd.Series(None, index=frame.index)
    own["status"] = [_text(value) for value in stated]
    words = own["status"].map(word_of)
    said = {word_of(value) for value in source.must_not_fall_values}
    own["must_not_fall"] = words.isin(list(said))
    problems = []
    for setting, name in CAPS.items():
        column = getattr(source, setting)
        cells = frame[column] if column else pd.Series(None, index=frame.index)
        own[name] = _caps(cells, own["feature_id"], source, setting, problems)
    asked = {"status": "status_column"} | {name: setting for setting, name in CAPS.items()}
    problems += problems_of_differing(own, source, asked, ("water body", "water bodies"))
    if said and not own["must_not_fall"].any():
        problems.append(
            InputError.of(
                "no water body has a status of those that must not fall",
                file=source.path,
                expected=f"one of {listed(source.must_not_fall_values, 20)} in the column {source.status_column}",
                found=listed(dict.fromkeys(status for status in own["status"] if status), 20) or "empty cells",
                fix="correct must_not_fall_values, or leave it out",
            )
        )
    raise_together("water_bodies", problems)
    notes = []
    if source.status_column:
        bodies = bodies_of(own)
        unknown = int((bodies["status"] == "").sum())
        if unknown:
            notes.append((f"no status: {unknown} of {len(bodies)} water bodies", "taken as not known"))
        absent = sorted(word for word in said if not (words == word).any())
        notes += [(f"must_not_fall_values: no status is {word}", "is it misspelt?") for word in absent]
    return own.set_geometry(frame.geometry.to_numpy(), crs=frame.crs), notes


def _text(value):
    return "" if word_of(value) == "" else str(value).strip().removesuffix(".0")


# Caps as numbers, NaN for empty cells.
def _caps(cells, ids, source, setting, problems):
    is_empty = np.array([word_of(value) == "" for value in cells], dtype=bool)
    number = pd.to_numeric(cells, errors="coerce").to_numpy(dtype=np.float64, na_value=np.nan)
    sound = np.isfinite(number) & (number >= 0) & (np.rint(number) == number)
    wrong = ~is_empty & ~sound
    if wrong.any():
        problems.append(
            InputError.of(
                "a cap of a water body is no number of plants or barriers",
                file=f"{source.path}, column {getattr(source, setting)}",
                water_bodies=listed(dict.fromkeys(ids[wrong])),
                expected="a whole number from 0 up, or nothing",
                found=listed(dict.fromkeys(repr(value) for value in cells[wrong].tolist())),
                fix=f"correct the column, or {setting}",
            )
        )
    return np.where(sound, number, np.nan)


def bodies_of(frame):
    """Water bodies, each once, in the order of the layer.

    Parameters
    ----------
    frame : GeoDataFrame
        Of `water_bodies_of`.

    Returns
    -------
    DataFrame
        ``water_body_id`` and `FACTS`, by the numbers of `body_numbers`.
    """
    names = {"feature_id": "water_body_id", "feature_name": "name"}
    bodies = pd.DataFrame(frame).rename(columns=names)[["water_body_id", *FACTS]]
    return bodies[~bodies["water_body_id"].duplicated()].reset_index(drop=True)


def body_numbers(frame):
    """Number of the water body of each feature, from 0 in the order of the layer; int64, shape (k,)."""
    return pd.factorize(frame["feature_id"])[0].astype(np.int64)


def bodies_used(part, stretches, candidates):
    """Water bodies that candidates use: by their way from intake to tailrace, and by what they pond.

    Parameters
    ----------
    part : ndarray of int64, shape (n,)
        Number of the water body of each station's segment, -1 for none.
    stretches : sitefinder.siting.candidates.Stretches
    candidates : ndarray of int, shape (k,)
        Their numbers.

    Returns
    -------
    list of list of int
        Numbers of the water bodies of each, in the order of the stations, downstream.
    """
    found = []
    for row in np.asarray(candidates, dtype=np.int64).tolist():
        # The way from the intake ends with the tailrace's own segment.
        used = part[np.unique(stretches.taken[stretches.start[row] : stretches.start[row + 1]])]
        found.append(list(dict.fromkeys(used[used >= 0].tolist())))
    return found
