"""Which features of its layer a rule means, and which do not say whether they are meant."""

import difflib
from typing import NamedTuple

import numpy as np
import pandas as pd

from sitefinder.config.filters import Both, Compared, Either, IsNull, Not, parse_filter
from sitefinder.errors import SHOWN_ROWS, InputError, listed

# What pandas says a column holds, in the user's words.
KIND_OF_VALUES = {
    "string": "text",
    "integer": "number",
    "floating": "number",
    "mixed-integer-float": "number",
    "decimal": "number",
    "boolean": "true or false",
    "datetime64": "date",
    "datetime": "date",
    "date": "date",
}
# Columns that reading adds; nobody filters by the place of a feature in its file.
NUMBERS_OF_OURS = ("source_row", "source_part")
ORDERS = {"<": np.less, "<=": np.less_equal, ">": np.greater, ">=": np.greater_equal}


class Matching(NamedTuple):
    """Which features a rule means.

    ``meant`` and ``category_missing`` are bool of shape (n,): features of the values asked for, and features that
    do not say what they are, so that the rule may mean them. ``absent_values`` are values that no feature has.
    """

    meant: np.ndarray
    category_missing: np.ndarray
    absent_values: list


class _Truth(NamedTuple):
    """What is true and what is not known; the rest is false."""

    true: np.ndarray
    unknown: np.ndarray


def matching(features, rule):
    """Features that a rule means by its filter; all of them where it has none.

    Parameters
    ----------
    features : GeoDataFrame, n rows
        The rule's layer.
    rule : config.RuleSettings
        With ``column`` and ``values``, or ``where``.

    Returns
    -------
    Matching
        A missing or blank value counts as ``category_missing``, unless the rule asks for the blank text.

    Raises
    ------
    InputError
        If a column is not there, holds another kind of value than the rule asks for, or the rule means no feature
        and may not be empty.

    Notes
    -----
    A comparison with a missing value is neither true nor false; ``and``, ``or`` and ``not`` go on from there by
    the logic of three values [1]_, so that a feature is meant only where the filter is true whatever the missing
    values are, and left out only where it is false whatever they are, as far as each comparison stands alone.

    References
    ----------
    .. [1] S. C. Kleene, "Introduction to Metamathematics", North-Holland, 1952, section 64 (from memory).
    """
    count = len(features)
    if rule.where is not None:
        truth = _judged(parse_filter(rule.where), features, rule)
        _refuse_nothing(truth, rule, rule.where, _seen(parse_filter(rule.where), features))
        return Matching(truth.true, truth.unknown, [])
    if rule.column is None:
        return Matching(np.ones(count, dtype=bool), np.zeros(count, dtype=bool), [])
    column = _column_of(features, rule.column, rule)
    truth = _compared(Compared(rule.column, "in", tuple(rule.values), 0), features, rule)
    asked = f"{rule.column} to be {listed(rule.values)}"
    _refuse_nothing(truth, rule, asked, f"{rule.column}: {_shown(column, 20)}")
    present = set(column[truth.true])
    return Matching(truth.true, truth.unknown, [value for value in rule.values if value not in present])


def column_values(features, name, rule):
    """A column of a rule's layer.

    Parameters
    ----------
    features : GeoDataFrame
    name : str
    rule : config.RuleSettings

    Returns
    -------
    Series

    Raises
    ------
    InputError
        If there is none of that name; the nearest is named.
    """
    return _column_of(features, name, rule)


def place_of_rule(rule):
    """File and layer of a rule, as messages tell them."""
    return rule.path if rule.layer is None else f'{rule.path}, layer "{rule.layer}"'


def _judged(condition, features, rule):
    if isinstance(condition, Not):
        inner = _judged(condition.condition, features, rule)
        return _Truth(~inner.true & ~inner.unknown, inner.unknown)
    if isinstance(condition, Both | Either):
        parts = [_judged(each, features, rule) for each in condition.conditions]
        some = np.any([part.true for part in parts], axis=0)
        every = np.all([part.true for part in parts], axis=0)
        possible = [part.true | part.unknown for part in parts]
        if isinstance(condition, Both):
            return _Truth(every, np.all(possible, axis=0) & ~every)
        return _Truth(some, np.any(possible, axis=0) & ~some)
    if isinstance(condition, IsNull):
        missing = _missing(_column_of(features, condition.column, rule, condition.at))
        return _Truth(missing, np.zeros(len(features), dtype=bool))
    return _compared(condition, features, rule)


# One comparison; blank text asked for is there, and no missing value.
def _compared(condition, features, rule):
    column = _column_of(features, condition.column, rule, condition.at)
    missing = _missing(column)
    kind = _kind(column)
    if not missing.all():
        _check_kinds(column, kind, condition, rule)
    values = [pd.Timestamp(value) for value in condition.values] if kind == "date" else list(condition.values)
    if condition.operator in ORDERS:
        true = np.zeros(len(column), dtype=bool)
        known = column[~missing]
        held = pd.to_datetime(known).to_numpy() if kind == "date" else known.to_numpy(dtype=np.float64)
        against = np.datetime64(values[0]) if kind == "date" else float(values[0])
        true[~missing] = ORDERS[condition.operator](held, against)
        return _Truth(true, missing)
    if kind == "date":
        column = pd.Series(pd.to_datetime(column))
    among = column.isin(values).to_numpy(dtype=bool)
    missing = missing & ~among
    return _Truth(~among & ~missing if condition.operator == "!=" else among, missing)


def _missing(column):
    missing = column.isna().to_numpy(dtype=bool)
    if _kind(column) == "text":
        blank = column.astype("object").map(lambda value: str(value).strip()) == ""
        missing = missing | blank.to_numpy(dtype=bool)
    return missing


# The column that a rule filters by, or an error that names the nearest.
def _column_of(features, name, rule, at=0):
    if name in features.columns and name != features.geometry.name:
        return features[name]
    own = (features.geometry.name, *NUMBERS_OF_OURS)
    columns = [str(each) for each in features.columns if each not in own]
    near = difflib.get_close_matches(name, columns, n=1)
    raise InputError.of(
        f"the layer of rule {rule.name} has no column {name}",
        file=place_of_rule(rule),
        where=_pointed(rule, at),
        expected="the column that the rule filters by" if at or name == rule.column else "the column of the area",
        found=f"columns {listed(columns, shown=20)}",
        fix=f"did you mean {near[0]}?" if near else "correct column in the rule",
    )


# Text against numbers never matches, and would let the rule pass in silence.
def _check_kinds(column, kind, condition, rule):
    wanted = {_kind(pd.Series([value])) for value in condition.values}
    if kind == "date" and wanted == {"text"}:
        _check_dates(condition, rule)
        return
    if wanted != {kind}:
        raise InputError.of(
            f"rule {rule.name} asks for values that its column cannot hold",
            file=place_of_rule(rule),
            where=_pointed(rule, condition.at),
            expected=f"values of {kind}, as in {condition.column}: {_shown(column)}",
            found=f"values = {list(condition.values)!r}",
            fix="write text in quotation marks, numbers and true or false without",
        )
    if condition.operator in ORDERS and kind != "number":
        raise InputError.of(
            f"rule {rule.name} puts {kind} in an order",
            file=place_of_rule(rule),
            where=_pointed(rule, condition.at),
            expected=f"numbers or dates on both sides of {condition.operator}",
            found=f"{condition.column}: {_shown(column)}",
            fix="use =, != or in; numbers that are stored as text have to become numbers first",
        )


def _check_dates(condition, rule):
    for value in condition.values:
        try:
            pd.Timestamp(value)
        except ValueError:
            raise InputError.of(
                f"rule {rule.name} asks for a date that is none",
                file=place_of_rule(rule),
                where=_pointed(rule, condition.at),
                expected=f"a date such as '2024-05-31', for {condition.column}",
                found=repr(value),
                fix="write year, month and day",
            ) from None


def _refuse_nothing(truth, rule, asked, found):
    if len(truth.true) and not (truth.true.any() or truth.unknown.any() or rule.may_be_empty):
        raise InputError.of(
            f"rule {rule.name} means no feature of its layer",
            file=place_of_rule(rule),
            expected=asked,
            found=found,
            fix="correct values, or set may_be_empty = true if none is right"
            if rule.where is None
            else "correct where, or set may_be_empty = true if none is right",
        )


# What the columns of a filter hold, for messages.
def _seen(condition, features):
    names = list(dict.fromkeys(_columns_in(condition)))
    return "; ".join(f"{name}: {_shown(features[name], 10)}" for name in names)


# The first few distinct values of a column, in their order.
def _shown(column, most=SHOWN_ROWS):
    values = column.dropna().unique().tolist()
    numbers = all(isinstance(value, int | float) for value in values)
    return listed(sorted(values) if numbers else sorted(values, key=str), shown=most)


def _columns_in(condition):
    if isinstance(condition, Not):
        yield from _columns_in(condition.condition)
    elif isinstance(condition, Both | Either):
        for each in condition.conditions:
            yield from _columns_in(each)
    else:
        yield condition.column


# The filter with the place that is meant, or nothing where the rule has no filter as text.
def _pointed(rule, at):
    return f"character {at} of {rule.where}" if at and rule.where is not None else None


def _kind(column):
    inferred = pd.api.types.infer_dtype(column, skipna=True)
    return KIND_OF_VALUES.get(inferred, inferred)
