"""Which features of its layer a rule selects, and which may be selected because a value is missing."""

import difflib
import re
from typing import NamedTuple

import numpy as np
import pandas as pd

from sitefinder.errors import SHOWN_ROWS, InputError, listed
from sitefinder.settings.rules import Both, Compared, Either, Instant, IsNull, Not, folded, parse_filter

# Types that pandas infers for a column, in the user's words.
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
# Columns that reading adds, by which rules do not filter.
OWN_COLUMNS = ("source_row", "source_part")
ORDERS = {"<": np.less, "<=": np.less_equal, ">": np.greater, ">=": np.greater_equal}


class Matching(NamedTuple):
    """Which features a rule selects.

    ``selected`` and ``category_missing`` are bool of shape (n,): features that match, and features that lack a
    value, so that they may match.  ``absent_values`` are values that no feature has.
    """

    selected: np.ndarray
    category_missing: np.ndarray
    absent_values: list


class _Truth(NamedTuple):
    """Which rows are true and which unknown; the others are false."""

    true: np.ndarray
    unknown: np.ndarray


def matching(features, rule):
    """Features that a rule's filter selects; all of them without a filter.

    Parameters
    ----------
    features : GeoDataFrame, n rows
        The rule's layer.
    rule : config.RuleSettings
        With ``column`` and ``values``, or ``where``.

    Returns
    -------
    Matching
        A missing or blank value counts as ``category_missing``, unless the filter names the blank text.

    Raises
    ------
    InputError
        If a column is missing, holds another kind of value than the filter, or the rule selects no feature and may
        not be empty.

    Notes
    -----
    A comparison with a missing value is neither true nor false; AND, OR and NOT go on from there by the logic of
    three values [1]_, as CQL2 [2]_ has it from SQL, so that a feature is selected only where the filter is true
    for any value in place of a missing one, and left out only where it is false for any value, each comparison
    taken by itself. Beyond CQL2, blank text counts as missing, since layers often store it so, and a time that is
    compared with a DATE counts by its day in UTC.

    References
    ----------
    .. [1] S. C. Kleene, "Introduction to Metamathematics", North-Holland, 1952, section 64 (from memory).
    .. [2] Open Geospatial Consortium, "Common Query Language (CQL2)", version 1.0, OGC 21-065r2, 2024.
    """
    count = len(features)
    if rule.where is not None:
        condition = parse_filter(rule.where)
        truth = _evaluated(condition, features, rule)
        _validate_any_match(truth, rule, rule.where, _values_held(condition, features))
        return Matching(truth.true, truth.unknown, [])
    if rule.column is None:
        return Matching(np.ones(count, dtype=bool), np.zeros(count, dtype=bool), [])
    column = _column_of(features, rule.column, rule)
    truth = _compared(Compared(rule.column, "in", tuple(rule.values), 0), features, rule)
    expected = f"{rule.column} to be {listed(rule.values)}"
    _validate_any_match(truth, rule, expected, f"{rule.column}: {_shown(column, 20)}")
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
        If there is no such column; the most similar name is suggested.
    """
    return _column_of(features, name, rule)


def place_of_rule(rule):
    """File and layer of a rule, as messages name them."""
    return rule.path if rule.layer is None else f'{rule.path}, layer "{rule.layer}"'


def _evaluated(condition, features, rule):
    if isinstance(condition, Not):
        inner = _evaluated(condition.condition, features, rule)
        return _Truth(~inner.true & ~inner.unknown, inner.unknown)
    if isinstance(condition, Both | Either):
        parts = [_evaluated(each, features, rule) for each in condition.conditions]
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


# One comparison; blank text that the filter names is a value, not a missing one.
def _compared(condition, features, rule):
    column = _column_of(features, condition.column, rule, condition.at)
    missing = _missing(column)
    kind = _kind(column)
    if not missing.all():
        _check_kinds(column, kind, condition, rule)
    elif condition.operator not in ("=", "<>", "in"):
        return _Truth(np.zeros(len(column), dtype=bool), missing)
    if condition.foldings:
        column = column.map(lambda value: folded(value, condition.foldings), na_action="ignore")
    if condition.operator in ("=", "<>", "in"):
        among = _among(column, kind, condition.values)
        missing = missing & ~among
        return _Truth(~among & ~missing if condition.operator == "<>" else among, missing)
    true = np.zeros(len(column), dtype=bool)
    known = column[~missing]
    if condition.operator == "like":
        pattern = _pattern(condition.values[0])
        true[~missing] = [pattern.fullmatch(value) is not None for value in known]
    elif condition.operator == "between":
        held, (lowest, highest) = known.to_numpy(dtype=np.float64), condition.values
        true[~missing] = (held >= lowest) & (held <= highest)
    else:
        held, against = known.to_numpy(dtype=np.float64) if kind == "number" else None, condition.values[0]
        if kind == "date":
            held, against = _instants(known, against)
        true[~missing] = ORDERS[condition.operator](held, against)
    return _Truth(true, missing)


# Which rows hold one of the values.
def _among(column, kind, values):
    if kind != "date":
        return column.isin(list(values)).to_numpy(dtype=bool)
    among = np.zeros(len(column), dtype=bool)
    for value in values:
        held, against = _instants(column, value)
        among |= held == against
    return among


# A column of dates or times and what it is compared with, in UTC; by the day where that is a date.
def _instants(column, value):
    held = pd.Series(pd.to_datetime(column, utc=True))
    text = value.text if isinstance(value, Instant) else value
    against = pd.Timestamp(text)
    against = against.tz_localize("UTC") if against.tz is None else against.tz_convert("UTC")
    if isinstance(value, Instant) and value.whole_day:
        held = held.dt.floor("D")
    return held.dt.tz_localize(None).to_numpy(), against.tz_localize(None).to_datetime64()


# What LIKE matches: % is any text, _ any character, and a backslash takes the next character as it is.
def _pattern(like):
    parts = re.findall(r"\\.|.", like, flags=re.DOTALL)
    wild = {"%": ".*", "_": "."}
    return re.compile("".join(wild.get(part, re.escape(part[-1])) for part in parts), flags=re.DOTALL)


def _missing(column):
    missing = column.isna().to_numpy(dtype=bool)
    if _kind(column) == "text":
        blank = column.astype("object").map(lambda value: str(value).strip()) == ""
        missing = missing | blank.to_numpy(dtype=bool)
    return missing


# The column that a rule filters by, or an error that suggests the most similar name.
def _column_of(features, name, rule, at=0):
    if name in features.columns and name != features.geometry.name:
        return features[name]
    own = (features.geometry.name, *OWN_COLUMNS)
    columns = [str(each) for each in features.columns if each not in own]
    near = difflib.get_close_matches(name, columns, n=1)
    raise InputError.of(
        f"the layer of rule {rule.name} has no column {name}",
        file=place_of_rule(rule),
        where=_position(rule, at),
        expected="the column that the rule filters by" if at or name == rule.column else "the column of the area",
        found=f"columns {listed(columns, shown=20)}",
        fix=f"did you mean {near[0]}?" if near else "correct column in the rule",
    )


# Text compared with numbers never matches, and the rule would silently have no effect.
def _check_kinds(column, kind, condition, rule):
    kinds = {_kind_of_value(value) for value in condition.values}
    if kind == "date" and condition.at == 0 and kinds == {"text"}:
        kinds = {"date"}
    if kinds != {kind}:
        fix = "write text in quotation marks, numbers and true or false without"
        if kind == "date":
            fix = "write a date as DATE('2024-05-31'), a time in UTC as TIMESTAMP('2024-05-31T12:00:00Z')"
        elif "date" in kinds:
            fix = "a date that the layer holds as text is compared as text, by = or LIKE: '2024-05-31', 'May %'"
        raise InputError.of(
            f"rule {rule.name} filters by values that its column cannot hold",
            file=place_of_rule(rule),
            where=_position(rule, condition.at),
            expected=f"values of {kind}, as in {condition.column}: {_shown(column)}",
            found=f"values = {list(condition.values)!r}",
            fix=fix,
        )
    if kind == "date":
        _check_dates(condition, rule)
    elif condition.operator in (*ORDERS, "between") and kind != "number":
        raise InputError.of(
            f"rule {rule.name} puts {kind} in an order",
            file=place_of_rule(rule),
            where=_position(rule, condition.at),
            expected=f"numbers or dates on both sides of {condition.operator.upper()}",
            found=f"{condition.column}: {_shown(column)}",
            fix="use =, <>, IN or LIKE; convert numbers that are stored as text first",
        )


def _check_dates(condition, rule):
    for value in condition.values:
        try:
            pd.Timestamp(value.text if isinstance(value, Instant) else value)
        except ValueError:
            raise InputError.of(
                f"rule {rule.name} compares with a date that does not exist",
                file=place_of_rule(rule),
                where=_position(rule, condition.at),
                expected=f"a date such as 2024-05-31, for {condition.column}",
                found=repr(value),
                fix="write year, month and day",
            ) from None


def _kind_of_value(value):
    if isinstance(value, Instant):
        return "date"
    if isinstance(value, str):
        return "text"
    return "true or false" if isinstance(value, bool) else "number"


def _validate_any_match(truth, rule, expected, found):
    if len(truth.true) and not (truth.true.any() or truth.unknown.any() or rule.may_be_empty):
        raise InputError.of(
            f"rule {rule.name} selects no feature of its layer",
            file=place_of_rule(rule),
            expected=expected,
            found=found,
            fix="correct values, or set may_be_empty = true if none is right"
            if rule.where is None
            else "correct where, or set may_be_empty = true if none is right",
        )


# What the columns of a filter hold, for messages.
def _values_held(condition, features):
    names = list(dict.fromkeys(_columns_in(condition)))
    return "; ".join(f"{name}: {_shown(features[name], 10)}" for name in names)


# The first few distinct values of a column, in their order.
def _shown(column, maximum=SHOWN_ROWS):
    values = column.dropna().unique().tolist()
    numbers = all(isinstance(value, int | float) for value in values)
    return listed(sorted(values) if numbers else sorted(values, key=str), shown=maximum)


def _columns_in(condition):
    if isinstance(condition, Not):
        yield from _columns_in(condition.condition)
    elif isinstance(condition, Both | Either):
        for each in condition.conditions:
            yield from _columns_in(each)
    else:
        yield condition.column


# The filter with the position of the problem, or None where the rule has no filter as text.
def _position(rule, at):
    return f"character {at} of {rule.where}" if at and rule.where is not None else None


def _kind(column):
    inferred = pd.api.types.infer_dtype(column, skipna=True)
    return KIND_OF_VALUES.get(inferred, inferred)
