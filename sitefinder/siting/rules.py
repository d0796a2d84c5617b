"""What each rule's layer covers of the stream: hits of features on segments, and metres under each rule."""

import difflib
from typing import NamedTuple

import numpy as np
import pandas as pd
import shapely

from sitefinder.errors import InputError, listed
from sitefinder.siting.intervals import covered_intervals, union_of_intervals

HIT_COLUMNS = ["rule", "station", "reach", "feature_id", "category_missing", "from_m", "to_m", "overlap_m"]
# Edges of a quarter circle round a point or corner; the polygon lies inside the true circle by at most 0.03 %.
QUARTER_CIRCLE_EDGES = 32
# What pandas says a column holds, in the user's words.
KIND_OF_VALUES = {
    "string": "text",
    "integer": "number",
    "floating": "number",
    "mixed-integer-float": "number",
    "decimal": "number",
    "boolean": "true or false",
}


class Matching(NamedTuple):
    """Which features a rule means.

    ``meant`` and ``category_missing`` are bool of shape (n,): features of the values asked for, and features that
    do not say what they are, so that the rule may mean them. ``absent_values`` are values that no feature has.
    """

    meant: np.ndarray
    category_missing: np.ndarray
    absent_values: list


def matching(features, rule):
    """Features that a rule means by its column and values; all of them where it names none.

    Parameters
    ----------
    features : GeoDataFrame, n rows
        The rule's layer.
    rule : config.RuleSettings

    Returns
    -------
    Matching
        A missing or blank value counts as ``category_missing``, unless the rule asks for the blank text.

    Raises
    ------
    InputError
        If the column is not there, holds another kind of value than the rule asks for, or holds none of the values
        and the rule may not be empty.
    """
    count = len(features)
    if rule.column is None:
        return Matching(np.ones(count, dtype=bool), np.zeros(count, dtype=bool), [])
    column = _column_of(features, rule)
    missing = column.isna().to_numpy(dtype=bool)
    kind = _kind(column)
    if kind == "text":
        blank = column.astype("object").map(lambda value: str(value).strip()) == ""
        missing = missing | blank.to_numpy()
    if not missing.all():
        _check_kinds(column, kind, rule)
    meant = column.isin(rule.values).to_numpy(dtype=bool)
    present = set(column[meant])
    absent = [value for value in rule.values if value not in present]
    missing = missing & ~meant
    if count and not (meant.any() or missing.any() or rule.may_be_empty):
        raise InputError.of(
            f"rule {rule.name} means no feature of its layer",
            file=_place(rule),
            expected=f"{rule.column} to be {listed(rule.values)}",
            found=f"{rule.column}: {listed(sorted(column.unique().tolist()), shown=20)}",
            fix="correct values, or set may_be_empty = true if none is right",
        )
    return Matching(meant, missing, absent)


def overlaps(segments, features, rule):
    """Where the features of a rule lie on the stream, segment by segment.

    Parameters
    ----------
    segments : GeoDataFrame
        A row a segment: ``station``, ``reach`` (int), ``from_m``, ``to_m`` (metres along the link) and a
        LineString in downstream order.
    features : GeoDataFrame
        The rule's layer as read, in the same coordinates [m]: ``feature_id``, the column the rule filters by, and
        valid geometry.
    rule : config.RuleSettings
        Its filter and ``buffer_m``.

    Returns
    -------
    DataFrame
        ``rule`` (name), ``station``, ``reach`` (int64), ``feature_id`` (text), ``category_missing`` (bool: the
        feature may be meant or not), ``from_m``, ``to_m`` and ``overlap_m`` [m], in the order of station, feature
        and distance. Several pieces of a segment under one feature are several rows; a touch is none.

    Raises
    ------
    InputError
        If points or lines are to count without a buffer, or the filter is wrong; see `matching`.
    """
    match = matching(features, rule)
    counts = match.meant | match.category_missing
    chosen = features[counts]
    grounds = _grounds(chosen, rule)
    covered = covered_intervals(np.asarray(segments.geometry, dtype=object), grounds)

    # Parts of one feature, which share its id, are one ground.
    names = chosen["feature_id"].to_numpy(dtype=object)
    uncertain = match.category_missing[counts]
    feature, first_row = _numbered(names, uncertain)
    owner = covered.line * max(len(first_row), 1) + feature[covered.ground]
    pieces = union_of_intervals(owner, covered.from_m, covered.to_m)
    line = pieces.owner // max(len(first_row), 1)
    row = first_row[pieces.owner % max(len(first_row), 1)]

    # Distances along the line as drawn are carried over to distances along the link.
    begin_m, end_m = (segments[name].to_numpy(dtype=np.float64)[line] for name in ("from_m", "to_m"))
    length_m = shapely.length(np.asarray(segments.geometry, dtype=object))[line]
    from_m = begin_m + pieces.from_m / length_m * (end_m - begin_m)
    to_m = np.where(pieces.to_m >= length_m, end_m, begin_m + pieces.to_m / length_m * (end_m - begin_m))
    hits = {
        "rule": pd.Series([rule.name] * len(line), dtype="str"),
        "station": segments["station"].to_numpy(dtype=np.int64)[line],
        "reach": segments["reach"].to_numpy(dtype=np.int64)[line],
        "feature_id": pd.Series(names[row], dtype="str"),
        "category_missing": uncertain[row],
        "from_m": from_m,
        "to_m": to_m,
        "overlap_m": to_m - from_m,
    }
    return pd.DataFrame(hits, columns=HIT_COLUMNS).sort_values("station", kind="stable", ignore_index=True)


def rule_metres(hits, rules, count, *, by="station", with_missing=False):
    """Metres under each rule at each station's segment or in each reach; ground covered twice counts once.

    Parameters
    ----------
    hits : DataFrame
        Of all rules together, see `overlaps`.
    rules : list of config.RuleSettings
        In the order of the settings; their names differ.
    count : int
        Number of stations, or of reaches.
    by : {"station", "reach"}
        What to sum over.
    with_missing : bool
        True to count features of missing category as well: what the rule may hold at most.

    Returns
    -------
    ndarray of float64, shape (n_rules, count)
        [m].
    """
    if not with_missing:
        hits = hits[~hits["category_missing"].to_numpy(dtype=bool)]
    number = pd.Index([rule.name for rule in rules]).get_indexer(hits["rule"])
    owner = number.astype(np.int64) * count + hits[by].to_numpy(dtype=np.int64)
    of_rule = number >= 0
    union = union_of_intervals(
        owner[of_rule], hits["from_m"].to_numpy()[of_rule], hits["to_m"].to_numpy()[of_rule]
    )
    metres = np.bincount(union.owner, weights=union.to_m - union.from_m, minlength=len(rules) * count)
    return metres.reshape(len(rules), count)


def hits_by_reach(hits):
    """Hits with the pieces of neighbouring segments joined: reach by reach, rule by rule, feature by feature.

    Parameters
    ----------
    hits : DataFrame
        Of all rules together, see `overlaps`.

    Returns
    -------
    DataFrame
        ``reach``, ``rule``, ``feature_id``, ``category_missing``, ``from_m``, ``to_m``, ``overlap_m`` [m], in the
        order of reach, then of the hits as given.
    """
    keys = ["reach", "rule", "feature_id", "category_missing"]
    owner = hits.groupby(keys, sort=False).ngroup().to_numpy()
    union = union_of_intervals(owner, hits["from_m"].to_numpy(), hits["to_m"].to_numpy())
    joined = hits.drop_duplicates(keys)[keys].reset_index(drop=True).iloc[union.owner].reset_index(drop=True)
    joined["from_m"], joined["to_m"] = union.from_m, union.to_m
    joined["overlap_m"] = union.to_m - union.from_m
    return joined.sort_values("reach", kind="stable", ignore_index=True)


# The column that a rule filters by, or an error that names the nearest.
def _column_of(features, rule):
    if rule.column in features.columns:
        return features[rule.column]
    columns = [str(name) for name in features.columns if name != features.geometry.name]
    near = difflib.get_close_matches(rule.column, columns, n=1)
    raise InputError.of(
        f"the layer of rule {rule.name} has no column {rule.column}",
        file=_place(rule),
        expected="the column that the rule filters by",
        found=f"columns {listed(columns, shown=20)}",
        fix=f"did you mean {near[0]}?" if near else "correct column in the rule",
    )


# Text against numbers never matches, and would let the rule pass in silence.
def _check_kinds(column, kind, rule):
    wanted = {_kind(pd.Series([value])) for value in rule.values}
    if wanted != {kind}:
        raise InputError.of(
            f"rule {rule.name} asks for values that its column cannot hold",
            file=_place(rule),
            expected=f"values of {kind}, as in {rule.column}: {listed(sorted(column.dropna().unique().tolist()))}",
            found=f"values = {list(rule.values)!r}",
            fix="write text in quotation marks, numbers and true or false without",
        )


def _kind(column):
    inferred = pd.api.types.infer_dtype(column, skipna=True)
    return KIND_OF_VALUES.get(inferred, inferred)


# Polygons of the features, grown by the buffer; refuses lines and points that have no ground.
def _grounds(features, rule):
    shapes = np.asarray(features.geometry, dtype=object)
    if rule.buffer_m > 0:
        return shapely.buffer(shapes, rule.buffer_m, quad_segs=QUARTER_CIRCLE_EDGES)
    flat = shapely.get_dimensions(shapes) < 2
    if flat.any():
        raise InputError.of(
            f"rule {rule.name} has points or lines, which cover no ground",
            file=_place(rule),
            expected="polygons, or a buffer round points and lines",
            found=f"{flat.sum()} features without area: {listed(features['feature_id'][flat])}",
            fix="set buffer_m, the distance [m] that the rule keeps from them",
        )
    return shapes


# Numbers of the distinct features in the order of the file, and the first row of each.
def _numbered(names, uncertain):
    keys = pd.DataFrame({"name": names, "uncertain": uncertain})
    feature = keys.groupby(["name", "uncertain"], sort=False).ngroup().to_numpy()
    return feature, np.flatnonzero(~keys.duplicated().to_numpy())


def _place(rule):
    return rule.path if rule.layer is None else f'{rule.path}, layer "{rule.layer}"'
