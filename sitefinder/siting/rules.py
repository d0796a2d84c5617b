"""What each rule's layer covers of the stream: hits of features on segments, and metres under each rule."""

from typing import NamedTuple

import numpy as np
import pandas as pd
import shapely

from sitefinder.errors import InputError, listed
from sitefinder.schema.vocabulary import NOT_COVERED, TOUCHING, UNDER
from sitefinder.siting.filters import column_values, matching, place_of_rule
from sitefinder.siting.intervals import (
    LEAST_HELD_M,
    SHORTEST_OVERLAP_M,
    covered_intervals,
    gaps_between,
    union_of_intervals,
)

HIT_COLUMNS = [
    "rule",
    "station",
    "reach",
    "feature_id",
    "effect",
    "category_missing",
    "not_covered",
    "from_m",
    "to_m",
    "overlap_m",
]
# Edges of a quarter circle round a point or corner; the polygon lies inside the true circle by at most 0.03 %.
QUARTER_CIRCLE_EDGES = 32
# A disc of given area as a polygon of that very area: its corners stand a little outside the circle.
CORNER_ANGLE = np.pi / (2 * QUARTER_CIRCLE_EDGES)
RADIUS_OF_EQUAL_AREA = np.sqrt(CORNER_ANGLE / np.sin(CORNER_ANGLE))
M2_PER_HA = 10_000.0


class RuleMetres(NamedTuple):
    """Metres under each rule, float64 of shape (n_rules, n).

    ``certain`` are those of features that are meant; ``missing`` those of features without category, ``outside``
    those that the rule's layer does not cover; ``possible`` is the ground of all three together.
    """

    certain: np.ndarray
    possible: np.ndarray
    missing: np.ndarray
    outside: np.ndarray


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
        Its filter, buffer, areas of points, and whether a touch counts.

    Returns
    -------
    DataFrame
        ``rule`` (name), ``station``, ``reach`` (int64), ``feature_id`` (text), ``effect`` ("under" or "touching"),
        ``category_missing`` (bool: the feature may be meant or not), ``not_covered`` (bool, False), ``from_m``,
        ``to_m`` and ``overlap_m`` [m], in the order of station, feature and distance. Several pieces of a segment
        under one feature are several rows; a touch is none, or where it counts a row without length.

    Raises
    ------
    InputError
        If points or lines are to count without a buffer or area, an area is none, or the filter is wrong; see
        `sitefinder.siting.filters.matching`.
    """
    match = matching(features, rule)
    counts = match.meant | match.category_missing
    chosen = features[counts]
    grounds = _grounds(chosen, rule)
    covered = covered_intervals(np.asarray(segments.geometry, dtype=object), grounds, rule.touching_counts)

    # Parts of one feature, which share its id, are one ground.
    names = chosen["feature_id"].to_numpy(dtype=object)
    uncertain = match.category_missing[counts]
    feature, first_row = _numbered(names, uncertain)
    owner = covered.line * max(len(first_row), 1) + feature[covered.ground]
    shortest_m = 0.0 if rule.touching_counts else SHORTEST_OVERLAP_M
    pieces = union_of_intervals(owner, covered.from_m, covered.to_m, shortest_m)
    line = pieces.owner // max(len(first_row), 1)
    row = first_row[pieces.owner % max(len(first_row), 1)]

    is_touch = pieces.to_m - pieces.from_m < SHORTEST_OVERLAP_M
    effect = np.where(is_touch, TOUCHING.name, UNDER.name)
    return _hits(segments, rule, line, pieces, names[row], effect, category_missing=uncertain[row])


def uncovered(segments, area, rule):
    """Where the stream leaves the area that a rule's layer covers.

    Parameters
    ----------
    segments : GeoDataFrame
        See `overlaps`.
    area : ndarray of shapely Polygon, shape (m,)
        The area covered, in the same coordinates.
    rule : config.RuleSettings

    Returns
    -------
    DataFrame
        As `overlaps` gives it, with ``not_covered`` True, the effect "not covered" and no feature.
    """
    lines = np.asarray(segments.geometry, dtype=object)
    covered = covered_intervals(lines, area)
    inside = union_of_intervals(covered.line, covered.from_m, covered.to_m)
    outside = gaps_between(inside, shapely.length(lines))
    count = len(outside.owner)
    names, effect = np.full(count, "", dtype=object), np.full(count, NOT_COVERED.name)
    return _hits(segments, rule, outside.owner, outside, names, effect, not_covered=np.ones(count, dtype=bool))


def along_link(hits):
    """Hits in the order of stations, as `overlaps` gives them.

    Parameters
    ----------
    hits : list of DataFrame
        Of one rule.

    Returns
    -------
    DataFrame
    """
    return pd.concat(hits, ignore_index=True).sort_values("station", kind="stable", ignore_index=True)


# Hits from pieces of the segments' lines; distances along a line as drawn become those along the link.
def _hits(segments, rule, line, pieces, names, effect, category_missing=False, not_covered=False):
    begin_m, end_m = (segments[name].to_numpy(dtype=np.float64)[line] for name in ("from_m", "to_m"))
    length_m = shapely.length(np.asarray(segments.geometry, dtype=object))[line]
    from_m = begin_m + pieces.from_m / length_m * (end_m - begin_m)
    to_m = np.where(pieces.to_m >= length_m, end_m, begin_m + pieces.to_m / length_m * (end_m - begin_m))
    hits = {
        "rule": pd.Series([rule.name] * len(line), dtype="str"),
        "station": segments["station"].to_numpy(dtype=np.int64)[line],
        "reach": segments["reach"].to_numpy(dtype=np.int64)[line],
        "feature_id": pd.Series(names, dtype="str"),
        "effect": pd.Series(effect, dtype="str"),
        "category_missing": np.zeros(len(line), dtype=bool) | category_missing,
        "not_covered": np.zeros(len(line), dtype=bool) | not_covered,
        "from_m": from_m,
        "to_m": to_m,
        "overlap_m": to_m - from_m,
    }
    return pd.DataFrame(hits, columns=HIT_COLUMNS).sort_values("station", kind="stable", ignore_index=True)


def rule_metres(hits, rules, count, *, by="station", with_missing=False, only=None):
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
        True to count features of missing category and ground that no layer covers as well: what the rule may hold
        at most.
    only : {"category_missing", "not_covered"}, optional
        Count nothing but hits that are doubtful in this way.

    Returns
    -------
    ndarray of float64, shape (n_rules, count)
        [m]. A touch that counts is `LEAST_HELD_M`, which is just enough to hold.
    """
    if only is not None:
        hits = hits[hits[only].to_numpy(dtype=bool)]
    elif not with_missing:
        hits = hits[~(hits["not_covered"].to_numpy(dtype=bool) | hits["category_missing"].to_numpy(dtype=bool))]
    number = pd.Index([rule.name for rule in rules]).get_indexer(hits["rule"])
    owner = number.astype(np.int64) * count + hits[by].to_numpy(dtype=np.int64)
    of_rule = number >= 0
    union = union_of_intervals(
        owner[of_rule], hits["from_m"].to_numpy()[of_rule], hits["to_m"].to_numpy()[of_rule], shortest_m=0.0
    )
    touching = np.array([rule.touching_counts for rule in rules], dtype=bool)
    least_m = np.where(np.repeat(touching, count)[union.owner], LEAST_HELD_M, 0.0)
    weights = np.maximum(union.to_m - union.from_m, least_m)
    metres = np.bincount(union.owner, weights=weights, minlength=len(rules) * count)
    return metres.reshape(len(rules), count)


def all_rule_metres(hits, rules, count, *, by="station"):
    """Metres under each rule by how certain they are.

    Parameters
    ----------
    hits, rules, count, by
        See `rule_metres`.

    Returns
    -------
    RuleMetres
    """
    return RuleMetres(
        rule_metres(hits, rules, count, by=by),
        rule_metres(hits, rules, count, by=by, with_missing=True),
        rule_metres(hits, rules, count, by=by, only="category_missing"),
        rule_metres(hits, rules, count, by=by, only="not_covered"),
    )


def hits_by_reach(hits):
    """Hits with the pieces of neighbouring segments joined: reach by reach, rule by rule, feature by feature.

    Parameters
    ----------
    hits : DataFrame
        Of all rules together, see `overlaps`.

    Returns
    -------
    DataFrame
        ``reach``, ``rule``, ``feature_id``, ``effect``, ``category_missing``, ``not_covered``, ``from_m``,
        ``to_m``, ``overlap_m`` [m], in the order of reach, then of the hits as given.
    """
    keys = ["reach", "rule", "feature_id", "effect", "category_missing", "not_covered"]
    owner = hits.groupby(keys, sort=False).ngroup().to_numpy()
    union = union_of_intervals(owner, hits["from_m"].to_numpy(), hits["to_m"].to_numpy(), shortest_m=0.0)
    joined = hits.drop_duplicates(keys)[keys].reset_index(drop=True).iloc[union.owner].reset_index(drop=True)
    joined["from_m"], joined["to_m"] = union.from_m, union.to_m
    joined["overlap_m"] = union.to_m - union.from_m
    return joined.sort_values("reach", kind="stable", ignore_index=True)


# Polygons of the features: points with an area as discs, all grown by the buffer; what has no ground is refused.
def _grounds(features, rule):
    shapes = np.asarray(features.geometry, dtype=object).copy()
    area_m2 = disc_areas_m2(features, rule)
    is_disc = area_m2 > 0
    radius_m = np.sqrt(area_m2[is_disc] / np.pi) * RADIUS_OF_EQUAL_AREA
    shapes[is_disc] = shapely.buffer(shapes[is_disc], radius_m, quad_segs=QUARTER_CIRCLE_EDGES)
    if rule.buffer_m > 0:
        return shapely.buffer(shapes, rule.buffer_m, quad_segs=QUARTER_CIRCLE_EDGES)
    flat = shapely.get_dimensions(shapes) < 2
    if flat.any():
        of_area = rule.area_ha_column or rule.area_m2_column
        raise InputError.of(
            f"rule {rule.name} has points or lines, which cover no ground",
            file=place_of_rule(rule),
            expected="polygons, or a buffer round points and lines",
            found=f"{flat.sum()} features without area: {listed(features['feature_id'][flat])}",
            fix="set buffer_m, the distance [m] that the rule keeps from them"
            + (f", or fill in {of_area}" if of_area else ""),
        )
    return shapes


def disc_areas_m2(features, rule):
    """Area of the disc that each point of a rule's layer stands for.

    Parameters
    ----------
    features : GeoDataFrame, n rows
        The rule's layer.
    rule : config.RuleSettings
        With ``area_ha_column`` or ``area_m2_column``.

    Returns
    -------
    ndarray of float64, shape (n,)
        [m²]; 0 for lines and polygons, and for points whose area is not stated.

    Raises
    ------
    InputError
        If the column is not there, or an area is no number or not above zero.
    """
    name = rule.area_ha_column or rule.area_m2_column
    area_m2 = np.zeros(len(features))
    if name is None:
        return area_m2
    column = column_values(features, name, rule)
    is_point = shapely.get_dimensions(np.asarray(features.geometry, dtype=object)) == 0
    stated = is_point & column.notna().to_numpy(dtype=bool)
    value = pd.to_numeric(column.astype(object), errors="coerce").to_numpy(dtype=np.float64)
    with np.errstate(invalid="ignore"):
        odd = stated & ~((value > 0) & np.isfinite(value))
    if odd.any():
        raise InputError.of(
            f"rule {rule.name} has areas that are none",
            file=place_of_rule(rule),
            expected=f"numbers above zero in {name}, or nothing",
            found=f"{listed(column[odd].tolist())} in {listed(features['feature_id'][odd])}",
            fix="correct the areas",
        )
    area_m2[stated] = value[stated] * (M2_PER_HA if rule.area_ha_column else 1.0)
    return area_m2


# Numbers of the distinct features in the order of the file, and the first row of each.
def _numbered(names, uncertain):
    keys = pd.DataFrame({"name": names, "uncertain": uncertain})
    feature = keys.groupby(["name", "uncertain"], sort=False).ngroup().to_numpy()
    return feature, np.flatnonzero(~keys.duplicated().to_numpy())
