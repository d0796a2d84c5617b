"""What each rule's layer covers of the stream: intervals along the line, features, metres under each rule."""

from typing import NamedTuple

import numpy as np
import pandas as pd
import shapely

from sitefinder.errors import InputError, listed
from sitefinder.rules.filters import column_values, matching, place_of_rule
from sitefinder.vocabulary import NOT_COVERED, TOUCHING, UNDER

# Shorter overlaps are a touch with rounding, and intervals closer than this are merged.
SHORTEST_OVERLAP_M = 1.0e-6
# Less than this in a reach or stretch counts as a touch too: an edge that is straight in one coordinate system is
# curved in another, so that a line drawn up to a shore runs micrometres into it (own choice).
MIN_HELD_M = 1.0e-3


class Intervals(NamedTuple):
    """Intervals along numbered things: ``owner`` (int64), ``from_m``, ``to_m`` (float64), each of shape (k,)."""

    owner: np.ndarray
    from_m: np.ndarray
    to_m: np.ndarray


class Covered(NamedTuple):
    """Parts of lines under polygons: ``line``, ``polygon`` (int), ``from_m``, ``to_m`` (float); shape (k,)."""

    line: np.ndarray
    polygon: np.ndarray
    from_m: np.ndarray
    to_m: np.ndarray


def covered_intervals(lines, polygons, touches=False):
    """The pieces of lines that run under polygons, by distance along the line.

    Parameters
    ----------
    lines : ndarray of shapely LineString, shape (n,)
        Each longer than nothing.
    polygons : ndarray of shapely Polygon or MultiPolygon, shape (m,)
        Valid, in the same coordinates.
    touches : bool
        True to include points where a line meets a polygon without running under it.

    Returns
    -------
    Covered
        Distances along the line as drawn [m], in the order of lines, grounds and distance. A line that runs along
        the edge of a polygon is under it; one that only meets it in points is not. Touches are segments without
        length, or shorter than `SHORTEST_OVERLAP_M`.

    Notes
    -----
    Most lines are covered entirely by a polygon, which a prepared polygon finds. The others are split into
    straight edges and only edges that cross a border are cut, so that a distance along the line never has to be
    located by proximity, which fails where a line comes back to itself.
    """
    covered_line, covered_polygon, crossed_line, _ = _covered_and_crossed(lines, polygons)
    length_m = shapely.length(lines)
    edge_line, edge_from_m, edges = _edges(lines, np.unique(crossed_line))
    covered_edge, covered_edge_polygon, crossed_edge, crossed_edge_polygon = _covered_and_crossed(edges, polygons)
    cut_edge, cut_polygon, cut_from_m, cut_to_m = _cut(
        edges, polygons, crossed_edge, crossed_edge_polygon, touches
    )

    # Edges under a polygon that covers the whole line are counted already.
    edge = np.concatenate([covered_edge, cut_edge])
    line = edge_line[edge]
    polygon = np.concatenate([covered_edge_polygon, cut_polygon])
    start_m = edge_from_m[edge]
    from_m = start_m + np.concatenate([np.zeros(len(covered_edge)), cut_from_m])
    to_m = start_m + np.concatenate([shapely.length(edges)[covered_edge], cut_to_m])
    new = ~np.isin(line * len(polygons) + polygon, covered_line * len(polygons) + covered_polygon)

    merged = union_of_intervals(
        np.concatenate([covered_line * len(polygons) + covered_polygon, (line * len(polygons) + polygon)[new]]),
        np.concatenate([np.zeros(len(covered_line)), from_m[new]]),
        np.concatenate([length_m[covered_line], to_m[new]]),
        shortest_m=0.0 if touches else SHORTEST_OVERLAP_M,
    )
    return Covered(merged.owner // max(len(polygons), 1), merged.owner % max(len(polygons), 1), *merged[1:])


def union_of_intervals(owner, from_m, to_m, shortest_m=SHORTEST_OVERLAP_M):
    """Intervals of each owner, with overlapping and touching ones merged.

    Parameters
    ----------
    owner : ndarray of int, shape (k,)
        Whose interval it is.
    from_m, to_m : ndarray of float64, shape (k,)
        Ends [m], ``from_m <= to_m``.
    shortest_m : float
        Length from which on an interval is kept [m]; 0 keeps touches.

    Returns
    -------
    Intervals
        In the order of owner and distance.

    Examples
    --------
    >>> union = union_of_intervals(np.array([4, 4, 4]), np.array([0.0, 5.0, 1.0]), np.array([2.0, 6.0, 3.0]))
    >>> union.from_m.tolist(), union.to_m.tolist()
    ([0.0, 5.0], [3.0, 6.0])
    """
    order = np.lexsort((to_m, from_m, owner))
    owner, from_m, to_m = np.asarray(owner)[order], np.asarray(from_m)[order], np.asarray(to_m)[order]
    reached_m = _greatest_so_far(owner, to_m)
    opens = np.ones(len(owner), dtype=bool)
    opens[1:] = (owner[1:] != owner[:-1]) | (from_m[1:] > reached_m[:-1] + SHORTEST_OVERLAP_M)
    first = np.flatnonzero(opens)
    last = np.append(first[1:], len(owner))[: len(first)] - 1
    long_enough = reached_m[last] - from_m[first] >= shortest_m
    first, last = first[long_enough], last[long_enough]
    return Intervals(owner[first].astype(np.int64), from_m[first], reached_m[last])


# Gaps between the intervals of each owner.
def _gaps_between(intervals, length_m):
    owner = np.concatenate([np.arange(len(length_m)), intervals.owner])
    begin = np.concatenate([np.zeros(len(length_m)), intervals.to_m])
    order = np.lexsort((begin, owner))
    owner, begin = owner[order], begin[order]
    ends = np.concatenate([intervals.from_m, length_m])
    ends = ends[np.lexsort((ends, np.concatenate([intervals.owner, np.arange(len(length_m))])))]
    long_enough = ends - begin >= SHORTEST_OVERLAP_M
    return Intervals(owner[long_enough].astype(np.int64), begin[long_enough], ends[long_enough])


# Greatest value from the start of each owner's run up to each place.
def _greatest_so_far(owner, values):
    greatest = values.copy()
    # Each step doubles the distance looked back, so that runs of any length need few steps.
    step = 1
    while step < len(values):
        same = owner[step:] == owner[:-step]
        if not same.any():
            break
        earlier = np.where(same, greatest[:-step], -np.inf)
        greatest[step:] = np.maximum(greatest[step:], earlier)
        step *= 2
    return greatest


# Pairs of line and polygon: those in which the polygon covers the line, and the others that meet.
def _covered_and_crossed(lines, polygons):
    tree = shapely.STRtree(lines)
    met_polygon, met_line = tree.query(polygons, predicate="intersects")
    covered_polygon, covered_line = tree.query(polygons, predicate="covers")
    met = np.unique(met_polygon.astype(np.int64) * len(lines) + met_line)
    covered = np.unique(covered_polygon.astype(np.int64) * len(lines) + covered_line)
    crossing = np.setdiff1d(met, covered, assume_unique=True)
    count = max(len(lines), 1)
    return covered % count, covered // count, crossing % count, crossing // count


# Straight edges of the chosen lines: the line of each, its distance along that line, and its geometry.
def _edges(lines, chosen):
    vertices, of = shapely.get_coordinates(lines[chosen], return_index=True)
    within = of[1:] == of[:-1]
    begin, end = vertices[:-1][within], vertices[1:][within]
    of = of[:-1][within]
    length_m = np.hypot(*(end - begin).T)
    ahead_m = np.cumsum(length_m) - length_m
    first = np.searchsorted(of, np.arange(len(chosen)))
    from_m = ahead_m - ahead_m[first][of] if len(of) else ahead_m
    real = length_m > 0
    edges = shapely.linestrings(np.stack([begin[real], end[real]], axis=1))
    return chosen[of[real]], from_m[real], edges


# The pieces of edges inside the polygons they cross, by distance from the edge's beginning; points where asked.
def _cut(edges, polygons, edge, polygon, touches):
    inside = shapely.intersection(edges[edge], polygons[polygon])
    pieces, of = shapely.get_parts(inside, return_index=True)
    of_line = shapely.get_type_id(pieces) == shapely.GeometryType.LINESTRING
    is_wanted = of_line | touches
    pieces, of = pieces[is_wanted], of[is_wanted]
    # A piece of a straight edge is given by its first and last vertices.
    vertices, piece = shapely.get_coordinates(pieces, return_index=True)
    first = np.searchsorted(piece, np.arange(len(pieces)))
    last = np.searchsorted(piece, np.arange(len(pieces)), side="right") - 1
    begin = shapely.get_coordinates(shapely.get_point(edges[edge[of]], 0))
    ends_m = [np.hypot(*(vertices[place] - begin).T) for place in (first, last)]
    return edge[of], polygon[of], np.minimum(*ends_m), np.maximum(*ends_m)


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
# Edges of a quarter circle round a point or corner; the polygon is inside the true circle by at most 0.03 %.
QUARTER_CIRCLE_EDGES = 32
# A disc as a polygon of the same area: its corners are slightly outside the circle.
CORNER_ANGLE = np.pi / (2 * QUARTER_CIRCLE_EDGES)
RADIUS_OF_EQUAL_AREA = np.sqrt(CORNER_ANGLE / np.sin(CORNER_ANGLE))
M2_PER_HA = 10_000.0


class RuleMetres(NamedTuple):
    """Metres under each rule, float64 of shape (n_rules, n).

    ``certain`` are those of selected features; ``missing`` those of features without category, ``outside`` those
    that the rule's layer does not cover; ``possible`` is the union of all three.
    """

    certain: np.ndarray
    possible: np.ndarray
    missing: np.ndarray
    outside: np.ndarray


def overlaps(segments, features, rule, match=None):
    """Where the features of a rule cover the stream, segment by segment.

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
    match : sitefinder.rules.filters.Matching, optional
        What its filter makes of the features, where that is known already.

    Returns
    -------
    DataFrame
        ``rule`` (name), ``station``, ``reach`` (int64), ``feature_id`` (text), ``effect`` ("under" or "touching"),
        ``category_missing`` (bool: the feature may be selected or not), ``not_covered`` (bool, False), ``from_m``,
        ``to_m`` and ``overlap_m`` [m], in the order of station, feature and distance. Several parts of a segment
        under one feature are several rows; a touch is a row without length where touches count, else none.

    Raises
    ------
    InputError
        If points or lines have no buffer or area, an area is invalid, or the filter is wrong; see
        `sitefinder.rules.filters.matching`.
    """
    if match is None:
        match = matching(features, rule)
    counts = match.selected | match.category_missing
    chosen, polygons = acting_areas(features, rule, match)
    covered = covered_intervals(np.asarray(segments.geometry, dtype=object), polygons, rule.touching_counts)

    # Parts of one feature, which share its id, count together.
    names = chosen["feature_id"].to_numpy(dtype=object)
    uncertain = match.category_missing[counts]
    feature, first_row = _numbered(names, uncertain)
    owner = covered.line * max(len(first_row), 1) + feature[covered.polygon]
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
    outside = _gaps_between(inside, shapely.length(lines))
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
    """Metres under each rule at each station's segment or in each reach; overlaps count once.

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
        True to also count features of missing category and stream that no layer covers: the maximum
        over which the rule may hold.
    only : {"category_missing", "not_covered"}, optional
        Count only hits that are doubtful in this way.

    Returns
    -------
    ndarray of float64, shape (n_rules, count)
        [m]. A touch that counts is `MIN_HELD_M`, which is just enough to hold.
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
    min_m = np.where(np.repeat(touching, count)[union.owner], MIN_HELD_M, 0.0)
    weights = np.maximum(union.to_m - union.from_m, min_m)
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


def acting_areas(features, rule, match):
    """The features of a rule that apply or may apply, and the ground of each.

    Parameters
    ----------
    features, rule, match
        See `overlaps`.

    Returns
    -------
    chosen : GeoDataFrame
        Rows of `features`.
    areas : ndarray of shapely Polygon or MultiPolygon
        Of each of them, points with an area as discs, all with the rule's buffer [m].

    Raises
    ------
    InputError
        See `overlaps`.
    """
    chosen = features[match.selected | match.category_missing]
    return chosen, _polygons(chosen, rule)


# Polygons of the features: points with an area as discs, all buffered; an error where a feature has no area.
def _polygons(features, rule):
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
    """Area of the disc that each point of a rule's layer represents.

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


# Vertices below which a polygon's buffer is no matter, and of a larger one how many are looked at.
FEW_VERTICES, LOOKED_AT = 1000, 500
# Share of the buffer's width by which the library smooths a line before it offsets it.
SMOOTHED_SHARE = 0.01


def pairs_within_buffer(shapes, buffer_m):
    """Vertices of a shape times the others within its buffer: what a buffer's work and memory grow with.

    Parameters
    ----------
    shapes : ndarray of geometry
    buffer_m : float
        Width of the buffer [m].

    Returns
    -------
    float
        The largest of any shape, from some of its vertices; 0.0 where all have few.
    """
    many = shapes[shapely.get_num_coordinates(shapes) > FEW_VERTICES]
    largest = 0.0
    if not len(many) or buffer_m <= 0:
        return largest
    for shape in many:
        smoothed = shapely.simplify(shape, SMOOTHED_SHARE * buffer_m, preserve_topology=False)
        vertices = shapely.get_coordinates(smoothed)
        if len(vertices) > FEW_VERTICES:
            from scipy.spatial import cKDTree  # noqa: PLC0415 - large, and only shapes of many vertices need it

            some = vertices[:: max(len(vertices) // LOOKED_AT, 1)]
            near = cKDTree(vertices).query_ball_point(some, buffer_m, return_length=True)
            largest = max(largest, float(np.mean(near)) * len(vertices))
    return largest
