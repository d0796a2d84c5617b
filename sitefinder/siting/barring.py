"""Which rules and features lie on stretches and bar them, told from delivered tables alone."""

import numpy as np
import pandas as pd
import shapely
from shapely.ops import substring

from sitefinder.schema.vocabulary import ACTIONS, DOUBT, SCHEME_TYPES, named, names
from sitefinder.siting.places import along

# Lines cut from one network agree to the rounding of their vertices.
EXACT_M = 0.01
# Ends of lines closer than this are one node [m].
NODE_M = 0.001
HIT_KEYS = ["line", "rule", "action", "feature_id", "doubt"]
HIT_COLUMNS = [*HIT_KEYS, "overlap_m"]


def taken_lines(stretches, reaches):
    """All stream that each stretch takes: from intake to tailrace, and the pond of a new weir above it.

    Parameters
    ----------
    stretches : GeoDataFrame, n rows
        ``pond_length_m`` [m] and a line downstream from the intake.
    reaches : GeoDataFrame
        Of the same run.

    Returns
    -------
    ndarray of LineString or MultiLineString, shape (n,)
        Tributaries of a pond are followed as far as its longest arm, since tables do not tell their own lengths.
    """
    lines = np.asarray(stretches.geometry, dtype=object).copy()
    ponds_m = stretches["pond_length_m"].fillna(0.0).to_numpy(dtype=np.float64)
    if not (ponds_m > 0).any():
        return lines
    drawn = np.asarray(reaches.geometry, dtype=object)
    ends = {}
    for row, line in enumerate(drawn):
        ends.setdefault(_node(line.coords[-1]), []).append(row)
    tree = shapely.STRtree(drawn)
    for row in np.flatnonzero(ponds_m > 0):
        pieces = [lines[row]]
        intake = shapely.get_point(lines[row], 0)
        for reach in tree.query(intake, predicate="dwithin", distance=EXACT_M).tolist():
            place_m = shapely.line_locate_point(drawn[reach], intake)
            if place_m > EXACT_M:
                pieces += _upstream(drawn, ends, reach, place_m, ponds_m[row])
        lines[row] = shapely.union_all(pieces)
    return lines


def _node(point):
    return (round(point[0] / NODE_M), round(point[1] / NODE_M))


# Pieces of stream above a place on a reach, as far as a length.
def _upstream(drawn, ends, reach, place_m, length_m):
    pieces, waiting, seen = [], [(reach, place_m, length_m)], set()
    while waiting:
        reach, place_m, left_m = waiting.pop()
        seen.add(reach)
        pieces.append(substring(drawn[reach], max(place_m - left_m, 0.0), place_m))
        if left_m > place_m:
            above = ends.get(_node(drawn[reach].coords[0]), [])
            waiting += [(row, drawn[row].length, left_m - place_m) for row in above if row not in seen]
    return pieces


def hits_on(lines, reaches, hits, tolerance_m=EXACT_M):
    """Rules and features that lie on lines.

    Parameters
    ----------
    lines : array of LineString or MultiLineString, shape (n,)
    reaches : GeoDataFrame
        Of one run: ``reach_id``, ``from_m``, ``to_m`` (along the link) and a line downstream.
    hits : DataFrame
        ``rule_hits`` of the same run.
    tolerance_m : float
        Farthest that lines of the same stream lie apart [m]; more than nothing where the networks differ.

    Returns
    -------
    DataFrame
        ``line`` (row of `lines`), ``rule``, ``action``, ``feature_id``, ``doubt``, ``overlap_m``; a row for each
        feature, in the order of lines and hits. What overlaps by less than twice the tolerance does not count;
        a hit that does not tell its place lies on all of its reach.
    """
    found = [pd.DataFrame(columns=HIT_COLUMNS)]
    if len(lines) and len(reaches) and len(hits):
        drawn = np.asarray(reaches.geometry, dtype=object)
        line, reach = shapely.STRtree(drawn).query(lines, predicate="dwithin", distance=tolerance_m)
        near = pd.DataFrame({"line": line, "reach": reach, "reach_id": reaches["reach_id"].to_numpy()[reach]})
        doubt = hits.get("doubt", "")  # older deliveries do not tell it
        pairs = near.merge(hits.assign(doubt=doubt), on="reach_id", how="inner", sort=False)
        begin, end = (reaches[name].to_numpy()[pairs["reach"]] for name in ("from_m", "to_m"))
        scale = shapely.length(drawn)[pairs["reach"]] / (end - begin)
        pieces = [
            substring(drawn[row], start, end)
            for row, start, end in zip(
                pairs["reach"],
                (np.where(pairs["from_m"].isna(), begin, pairs["from_m"]) - begin) * scale,
                (np.where(pairs["to_m"].isna(), end, pairs["to_m"]) - begin) * scale,
                strict=True,
            )
        ]
        on = shapely.intersection(np.asarray(lines, dtype=object)[pairs["line"]], along(pieces, tolerance_m))
        pairs["overlap_m"] = shapely.length(on)
        pairs = pairs[pairs["overlap_m"] > 2 * tolerance_m]
        found.append(pairs.groupby(HIT_KEYS, sort=False, as_index=False)["overlap_m"].sum())
    return pd.concat(found[-1:], ignore_index=True).sort_values("line", kind="stable", ignore_index=True)


def bars(hits, layouts, allow):
    """Which hits bar a stretch of their layout.

    Parameters
    ----------
    hits : DataFrame
        See `hits_on`.
    layouts : array of str
        Of the lines.
    allow : collection of str
        The run's ``ranking.allow``.

    Returns
    -------
    ndarray of bool
        For each hit; those that limit machines only are False.
    """
    layout = np.asarray(layouts, dtype=object)[hits["line"].to_numpy(dtype=np.int64)]
    rows = zip(hits["action"], hits["doubt"], layout, strict=True)
    return np.array([_bars(action, doubt, kind, allow) for action, doubt, kind in rows], dtype=bool)


# A rule that may hold and may not bars as what is not known does, unless it limits nothing at all.
def _bars(action, doubt, layout, allow):
    if action not in names(ACTIONS) or layout not in names(SCHEME_TYPES):
        return False  # a word of another version of the program, of which this one knows nothing
    action, scheme = named(ACTIONS, action), named(SCHEME_TYPES, layout)
    if doubt:
        return action.limits and DOUBT.bars_scheme(scheme, allow)
    return action.bars_scheme(scheme, allow)


def limits_turbines(hits):
    """Which hits leave a stretch to fish-safe turbines alone.

    Parameters
    ----------
    hits : DataFrame
        See `hits_on`.

    Returns
    -------
    ndarray of bool
    """
    return hits["action"].isin([action.name for action in ACTIONS if action.fish_safe_only]).to_numpy(dtype=bool)


def told_rules(hits):
    """Rules with their features as text.

    Parameters
    ----------
    hits : iterable of (str, str, str)
        Rule, feature (empty where it is not to be told) and doubt (empty where there is none).

    Returns
    -------
    str

    Examples
    --------
    >>> told_rules([("park", "P1", ""), ("nests", "", ""), ("park", "P2", "category missing")])
    'park (P1, P2 category missing); nests'
    """
    features = {}
    for rule, feature, doubt in hits:
        features.setdefault(rule, {})[f"{feature} {doubt}".strip()] = None
    parts = {rule: ", ".join(name for name in names if name) for rule, names in features.items()}
    return "; ".join(f"{rule} ({names})" if names else rule for rule, names in parts.items())


def hits_by(hits, column):
    """Hits by a column of theirs, as plain rows: {value: [(rule, feature, doubt, action), …]}.

    Parameters
    ----------
    hits : DataFrame
        ``rule_hits``, or of `hits_on`.
    column : str

    Returns
    -------
    dict
    """
    doubt = hits["doubt"].tolist() if "doubt" in hits else [""] * len(hits)
    found = {}
    for key, *row in zip(
        hits[column].tolist(), hits["rule"], hits["feature_id"], doubt, hits["action"], strict=True
    ):
        found.setdefault(key, []).append(tuple(row))
    return found
