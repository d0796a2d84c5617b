"""Fields of a layer, part by part: types, fill, categories, and the likely id, name and status."""

import re
from typing import NamedTuple

import numpy as np
import pandas as pd

from sitefinder.dem.judging import USUAL_GAPS
from sitefinder.io.vector import MISREAD

# A field with at most this number of values is shown as categories, with their counts (own choice).
MAX_CATEGORIES = 12
# Different values that are counted before a field is taken for one without categories.
_MAX_KEPT = 1000
# Names of fields by which data sets give ids, names and states (common practice, no source); better ones first.
_ID_NAMES = (
    re.compile(r"(?<![a-z])(id|identifier|uuid|guid|comid|code|gewkz|kennzahl)$|(?<![a-z])id_|[a-z]id$|_code$"),
    re.compile(r"^(code|key|number|nr|no|num|kennung)|(_|^)(key|nr|no|num|number)$"),
    re.compile(r"^(fid|gid|oid|objectid|ogc_fid)$"),
)
_RENUMBERED = _ID_NAMES[-1]
_NAME = re.compile(r"^(gnis_)?names?($|_)|name$|^(naam|nom|nome|nombre|navn|namn|bezeichnung|title|label)($|_)")
_STATUS = re.compile(r"status|state$|condition|zustand|etat|estado|remov|operat|in_use|existing|planned")
# Names of fields that hold the height of a weir, better ones first, and words for what is gone or will go (common
# practice, no source).
_HEIGHTS = (
    re.compile(r"^drop_m$"),
    re.compile(r"drop|(^|_)fall(_|$)|fall_?h|head_?(m|loss|diff)"),
    re.compile(r"height|h(oe|ö)he|hauteur|altura|altezza|(^|_)h(_m)?$"),
)
_PLANNED = re.compile(r"plan|approv|propos|schedul|to_be|geplant|prevu|previst")
_REMOVED = re.compile(
    r"remov|demoli|dismantl|breached|gone|r(ue|ü)ckgebaut|r(ue|ü)ckbau|abgebrochen|efface|eliminad"
)
# Numbers below zero that seldom are one: shorter ones may be measured.
_NO_NUMBERS = {value for value in USUAL_GAPS if value <= -99.0}
# Letters that a Latin alphabet does not have.
_CONTROL = re.compile("[\u0080-\u009f\ufffd]")


class FieldFound(NamedTuple):
    """A field of a layer.

    Attributes
    ----------
    name, kind : str
        ``kind`` is text, whole number, number, yes or no, date, or other.
    filled : int
        Features that have a value; a blank text is none.
    is_unique : bool
        Whether no two features have the same value.
    categories : list of (str, int)
        Values with their counts, the commonest first; empty where there are more than `MAX_CATEGORIES`.
    minimum, maximum : float or None
        Of numbers.
    example : str
        A value; one with a letter beyond ASCII where there is any.
    suspected_nodata : float or None
        The lowest of its numbers, if that is one by which files often mark that there is none.
    """

    name: str
    kind: str
    filled: int
    is_unique: bool
    categories: list
    minimum: float | None
    maximum: float | None
    example: str
    suspected_nodata: float | None = None


class FieldCounts:
    """What is known of a field after some parts of its layer.

    Parameters
    ----------
    name : str
    """

    def __init__(self, name):
        self.name, self.filled = name, 0
        self.misread, self.control = 0, 0
        self._kind, self._hashes, self._counts = None, [], {}
        self._minimum, self._maximum, self._example = None, None, ""

    def add(self, column):
        """Add a part.

        Parameters
        ----------
        column : Series
        """
        values = column.dropna()
        kind = _kind_of(values)
        if kind == "text":
            values = values.astype("object").map(str)
            values = values[values.str.strip() != ""]
        if values.empty:
            return
        self._kind = kind if self._kind in (None, kind) else "number" if "number" in kind else "other"
        self.filled += len(values)
        texts = _as_text(values)
        self._count(texts)
        if kind in ("number", "whole number"):
            numbers = values.to_numpy(dtype=float)
            lows = [float(np.min(numbers)), self._minimum]
            highs = [float(np.max(numbers)), self._maximum]
            self._minimum = min(low for low in lows if low is not None)
            self._maximum = max(high for high in highs if high is not None)
        if kind == "text":
            self._judge_letters(texts)
        self._example = self._example or texts.iloc[0]

    # A hash of eight bytes stands for a value: of ten million different ones, two are the same by chance in one
    # case of a hundred thousand or more.
    def _count(self, texts):
        if self._hashes is not None:
            self._hashes.append(pd.util.hash_array(texts.to_numpy(dtype=object)))
            if not texts.is_unique:
                self._hashes = None
        if self._counts is not None:
            for value, count in texts.value_counts(sort=False).items():
                self._counts[value] = self._counts.get(value, 0) + int(count)
            if len(self._counts) > _MAX_KEPT:
                self._counts = None

    def _judge_letters(self, texts):
        beyond = texts[~texts.map(str.isascii)]
        if beyond.empty:
            return
        self.misread += sum(MISREAD.search(text) is not None for text in beyond)
        self.control += sum(_CONTROL.search(text) is not None for text in beyond)
        if self._example.isascii():
            self._example = beyond.iloc[0]

    def found(self):
        """The field.

        Returns
        -------
        FieldFound
        """
        is_unique = self._hashes is not None and bool(self._hashes)
        if is_unique:
            hashes = np.concatenate(self._hashes)
            is_unique = len(np.unique(hashes)) == len(hashes)
        counts = self._counts or {}
        categories = sorted(counts.items(), key=lambda item: (-item[1], item[0]))
        if len(categories) > MAX_CATEGORIES or is_unique:
            categories = []
        return FieldFound(
            self.name,
            self._kind or "empty",
            self.filled,
            is_unique,
            categories,
            self._minimum,
            self._maximum,
            self._example,
            self._minimum if self._minimum in _NO_NUMBERS else None,
        )


def _kind_of(values):
    if pd.api.types.is_bool_dtype(values):
        return "yes or no"
    if pd.api.types.is_integer_dtype(values):
        return "whole number"
    if pd.api.types.is_float_dtype(values):
        # A file format may turn whole numbers into others where some are missing.
        return "whole number" if len(values) and bool((values % 1 == 0).all()) else "number"
    if pd.api.types.is_datetime64_any_dtype(values):
        return "date"
    return "text" if values.map(lambda value: isinstance(value, str)).all() else "other"


def _as_text(values):
    if pd.api.types.is_float_dtype(values):
        return values.map(lambda value: str(int(value)) if float(value).is_integer() else str(value))
    return values.astype("object").map(str)


class LikelyFields(NamedTuple):
    """Names of fields that are likely the id, the name and the status of features; None where none is."""

    id: str | None
    name: str | None
    status: str | None


def likely_fields(fields, features):
    """The fields that are likely id, name and status, by their names and values.

    Parameters
    ----------
    fields : list of FieldFound
    features : int
        Of the layer.

    Returns
    -------
    LikelyFields
        An id is filled and different in all features.

    Examples
    --------
    >>> code = FieldFound("RIVER_CODE", "text", 3, True, [], None, None, "a")
    >>> title = FieldFound("RIVERNAME", "text", 2, True, [], None, None, "Aa")
    >>> likely_fields([title, code], 3)
    LikelyFields(id='RIVER_CODE', name='RIVERNAME', status=None)
    """
    could_be_id = [
        field
        for field in fields
        if features and field.is_unique and field.filled == features and field.kind in ("text", "whole number")
    ]
    ids = [field.name for pattern in _ID_NAMES for field in could_be_id if pattern.search(_plain(field.name))]
    names = [
        field
        for field in fields
        if field.kind == "text" and field.filled and _NAME.search(_plain(field.name)) and field.name not in ids[:1]
    ]
    status = [field.name for field in fields if field.categories and _STATUS.search(_plain(field.name))]
    best = max(names, key=lambda field: field.filled, default=None)
    return LikelyFields(next(iter(ids), None), best and best.name, next(iter(status), None))


def likely_height(fields):
    """The field that likely holds the height of a weir or drop, by its name.

    Parameters
    ----------
    fields : list of FieldFound

    Returns
    -------
    FieldFound or None
        Of numbers alone.
    """
    numbers = [field for field in fields if field.kind in ("number", "whole number")]
    named = (field for pattern in _HEIGHTS for field in numbers if pattern.search(_plain(field.name)))
    return next(named, None)


def values_of_removal(status):
    """Values of a status that likely mean that a structure has been removed, and that its removal is planned.

    Parameters
    ----------
    status : FieldFound

    Returns
    -------
    removed, planned : list of str
        The commonest first.

    Examples
    --------
    >>> state = FieldFound("state", "text", 3, False, [("Removed", 1), ("removal planned", 1), ("in use", 1)],
    ...                    None, None, "Removed")
    >>> values_of_removal(state)
    (['Removed'], ['removal planned'])
    """
    of_removal = [value for value, _ in status.categories if _REMOVED.search(_plain(value))]
    planned = [value for value in of_removal if _PLANNED.search(_plain(value))]
    return [value for value in of_removal if value not in planned], planned


def is_renumbered(name):
    """Whether a field has a name of row numbers, which programs give again when they save a file."""
    return _RENUMBERED.search(_plain(name)) is not None


# Small letters, words parted by underlines: RiverName is river_name.
def _plain(name):
    parted = re.sub(r"(?<=[a-z])(?=[A-Z])", "_", name)
    return re.sub(r"[^a-z0-9]+", "_", parted.lower()).strip("_")
