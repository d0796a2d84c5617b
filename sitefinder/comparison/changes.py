"""Changes between two runs, reach by reach and site by site, with values and causes."""

import re
from typing import Any, NamedTuple

import geopandas
import numpy as np
import pandas as pd
import shapely
from shapely.ops import substring

from sitefinder.comparison.causes import (
    DECISIONS,
    OF_DECISIONS,
    OF_RULES,
    differences,
    made_by,
    of_decisions,
    of_rules,
)
from sitefinder.comparison.matching import (
    NEAR_M,
    CauseWords,
    along,
    as_real,
    compared_columns,
    differing_values,
    lines_of,
    match,
    names_by_row,
    points_of,
    values_at,
)
from sitefinder.schema.change_layers import CHANGE_LAYERS, CHANGES, KINDS
from sitefinder.vocabulary import ACTIONS, DOUBT, IN_ONE_CELL, SCHEME_TYPES, VERDICTS, allowable, named, names

# Lines cut from one network agree to the rounding of their vertices.
EXACT_M = 0.01
# Ends of lines closer than this are one node [m].
NODE_M = 0.001
HIT_KEYS = ["line", "rule", "action", "feature_id", "doubt"]
HIT_COLUMNS = [*HIT_KEYS, "overlap_m"]


# All stream that each stretch takes: from intake to tailrace, and the pond of a new weir upstream.
def _taken_lines(stretches, reaches):
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


# Stream upstream of a point on a reach, up to a length.
def _upstream(drawn, ends, reach, place_m, length_m):
    pieces, waiting, visited = [], [(reach, place_m, length_m)], set()
    while waiting:
        reach, place_m, left_m = waiting.pop()
        visited.add(reach)
        pieces.append(substring(drawn[reach], max(place_m - left_m, 0.0), place_m))
        if left_m > place_m:
            above = ends.get(_node(drawn[reach].coords[0]), [])
            waiting += [(row, drawn[row].length, left_m - place_m) for row in above if row not in visited]
    return pieces


# Rules and features on lines.
def _hits_on(lines, reaches, hits, tolerance_m=EXACT_M):
    found = [pd.DataFrame(columns=HIT_COLUMNS)]
    if len(lines) and len(reaches) and len(hits):
        drawn = np.asarray(reaches.geometry, dtype=object)
        line, reach = shapely.STRtree(drawn).query(lines, predicate="dwithin", distance=tolerance_m)
        near = pd.DataFrame({"line": line, "reach": reach, "reach_id": reaches["reach_id"].to_numpy()[reach]})
        doubt = hits.get("doubt", "")  # older deliveries lack it
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


def excluding_hits(hits, scheme_types, allow):
    """Which hits exclude a stretch of its scheme type.

    Parameters
    ----------
    hits : DataFrame
        See `_hits_on`.
    scheme_types : array of str
        Of the lines.
    allow : collection of str
        The run's ``ranking.allow``.

    Returns
    -------
    ndarray of bool
        For each hit; those that limit turbines only are False.
    """
    scheme_type = np.asarray(scheme_types, dtype=object)[hits["line"].to_numpy(dtype=np.int64)]
    rows = zip(hits["action"], hits["doubt"], scheme_type, strict=True)
    return np.array([_excludes(action, doubt, kind, allow) for action, doubt, kind in rows], dtype=bool)


# A rule of which it is unknown whether it holds excludes as the action "unknown" does, unless it limits nothing.
def _excludes(action, doubt, scheme_type, allow):
    if action not in names(ACTIONS) or scheme_type not in names(SCHEME_TYPES):
        return False  # from another version of the program, unknown to this one
    action, scheme = named(ACTIONS, action), named(SCHEME_TYPES, scheme_type)
    if doubt:
        return action.limits and DOUBT.bars_scheme(scheme, allow)
    return action.bars_scheme(scheme, allow)


# Which hits restrict a stretch to fish-safe turbines.
def _limits_turbines(hits):
    return hits["action"].isin([action.name for action in ACTIONS if action.fish_safe_only]).to_numpy(dtype=bool)


# Rules with their features as text.
def _rules_text(hits):
    features = {}
    for rule, feature, doubt in hits:
        features.setdefault(rule, {})[f"{feature} {doubt}".strip()] = None
    parts = {rule: ", ".join(name for name in names if name) for rule, names in features.items()}
    return "; ".join(f"{rule} ({names})" if names else rule for rule, names in parts.items())


# Hits by one of their columns, as plain rows: {value: [(rule, feature, doubt, action), …]}.
def _hits_by(hits, column):
    doubt = hits["doubt"].tolist() if "doubt" in hits else [""] * len(hits)
    found = {}
    for key, *row in zip(
        hits[column].tolist(), hits["rule"], hits["feature_id"], doubt, hits["action"], strict=True
    ):
        found.setdefault(key, []).append(tuple(row))
    return found


NO_LONGER = "no longer "
CHOSEN = "rejection_reason"
APPEARED_BY = ("length_m",)
# Actions that lead to the worst verdict.
EXCLUDING = {action.name for action in ACTIONS if action.verdict == VERDICTS[0].name}


# A row for each reach of either run.
def _reach_changes(old, new, causes, *, near_m, min_change):
    before, after = old["reaches"], new["reaches"]
    ids = before["reach_id"].to_numpy(dtype=object), after["reach_id"].to_numpy(dtype=object)
    matched = match(*ids, lines_of(before), lines_of(after), near_m=near_m)
    values = differing_values("reaches", before, after, matched, min_change)
    changed = names_by_row(values)
    words = CauseWords(causes, "reaches", compared_columns("reaches", before, after))

    verdicts = [
        values_at(table["verdict"], rows, "") for table, rows in ((before, matched.old), (after, matched.new))
    ]
    change = _changes(matched, verdicts, changed)
    rules, cause = _rules_and_causes(old, new, matched, change, changed, words, causes)
    newest = [(after if row >= 0 else before, row) for row in matched.new.tolist()]
    rows = pd.DataFrame(
        {
            "change": change,
            "id_old": values_at(ids[0], matched.old, ""),
            "id_new": values_at(ids[1], matched.new, ""),
            "matched_by": matched.by,
            "stream": _either(before["stream"], after["stream"], matched),
            "verdict_old": verdicts[0],
            "verdict_new": verdicts[1],
            "rules": rules,
            "because": values_at(after[CHOSEN], matched.new, ""),
            "changed": [IN_ONE_CELL.join(changed.get(row, ())) for row in range(len(newest))],
            "cause": cause,
            "geometry": _either(lines_of(before), lines_of(after), matched),
        }
    )
    for name in ("length_m", "theoretical_kw"):
        rows[f"{name}_old"] = as_real(values_at(before[name], matched.old, None))
        rows[f"{name}_new"] = as_real(values_at(after[name], matched.new, None))
    return rows, values, matched


# From the new run where there is a row, else from the old one.
def _either(old, new, matched):
    ours, theirs = values_at(new, matched.new, None), values_at(old, matched.old, None)
    return [mine if row >= 0 else other for row, mine, other in zip(matched.new, ours, theirs, strict=True)]


def _changes(matched, verdicts, changed):
    excluded = [np.array([verdict == VERDICTS[0].name for verdict in each]) for each in verdicts]
    change = np.full(len(matched.old), "unchanged", dtype=object)
    for row, columns in changed.items():
        change[row] = _by_whom("reaches", columns, CHOSEN)
    change[~excluded[0] & excluded[1]] = "newly excluded"
    change[excluded[0] & ~excluded[1]] = "re-admitted"
    change[matched.old < 0] = "appeared"
    change[matched.new < 0] = "vanished"
    return change


# Whether rules, or rules and decisions, alone explain changed columns, beside others that follow from them.
def _by_whom(layer, columns, *following):
    made = {made_by(layer, name) for name in columns if name not in following}
    if not made <= {OF_RULES, OF_DECISIONS}:
        return "changed in value"
    return "changed by decisions" if OF_DECISIONS in made else "changed by rules"


# Ids of the decisions on a reach or site in both runs.
def _decision_ids(*cells):
    return {name for cell in cells for name in str(cell or "").split(IN_ONE_CELL) if name}


# Ids of decisions by row; nothing in a run of a version without them.
def _decided(table):
    return (
        table[DECISION_ID].to_numpy(dtype=object)
        if DECISION_ID in table
        else np.full(len(table), "", dtype=object)
    )


def _rules_and_causes(old, new, matched, change, changed, words, causes):
    ids = [table["reaches"]["reach_id"].to_numpy(dtype=object) for table in (old, new)]
    reasons = [table["reaches"]["reasons"].to_numpy(dtype=object) for table in (old, new)]
    known = {name for table in (old, new) for name in table["rule_hits"]["rule"]}
    hits = [_hits_by(table["rule_hits"], "reach_id") for table in (old, new)]
    decided = [_decided(table["reaches"]) for table in (old, new)]
    rules, cause = [""] * len(change), [""] * len(change)
    for row in np.flatnonzero(change != "unchanged").tolist():
        i, j = int(matched.old[row]), int(matched.new[row])
        if i < 0 or j < 0:
            cause[row] = words.text(words.of_columns(APPEARED_BY, narrowed=False))
            continue
        before, after = (_rule_names(reasons[run][at], known) for run, at in ((0, i), (1, j)))
        gained = [name for name in after if name not in before]
        lost = [name for name in before if name not in after]
        if change[row] == "newly excluded":
            gained = gained or _excluding(hits[1].get(ids[1][j], []), after)
        elif change[row] == "re-admitted":
            lost = lost or _excluding(hits[0].get(ids[0][i], []), before)
        parts = [_features(hits[1].get(ids[1][j], []), gained)] if gained else []
        parts += [NO_LONGER + _features(hits[0].get(ids[0][i], []), lost)] if lost else []
        rules[row] = IN_ONE_CELL.join(parts)
        behind = of_rules(causes, gained + lost) if gained or lost else []
        others = [name for name in changed.get(row, ()) if not (behind and made_by("reaches", name) == OF_RULES)]
        of_own = of_decisions(causes, _decision_ids(decided[0][i], decided[1][j]))
        if of_own:
            behind = behind + of_own
            others = [name for name in others if made_by("reaches", name) != OF_DECISIONS]
        if behind:
            others = [name for name in others if name != CHOSEN]
        if others:
            behind = behind + words.of_columns(others)
        cause[row] = words.text(behind)
    return rules, cause


# Names of the rules in reasons, without the remark that a rule is uncertain.
def _rule_names(reasons, known=()):
    names = [name for name in reasons.split(IN_ONE_CELL) if name]
    return [name if name in known else re.sub(r" \([^()]*\)$", "", name) for name in names]


# Those of the given rules that exclude.
def _excluding(hits, rules):
    excluding = {rule for rule, _, _, action in hits if action in EXCLUDING}
    return [name for name in rules if name in excluding]


# Rules with their features on the reach; by name alone where no feature is published.
def _features(hits, names):
    change_otherwise = [(name, "", "") for name in names]
    return _rules_text([*change_otherwise, *(row[:3] for name in names for row in hits if row[0] == name)])


# Columns that compare a site with the others.
RANKING = {"rank", "score", "prob_in_top_n"}
# A site with another length was selected again.
RESELECTED = {"length_m", "pond_length_m", "flooded_length_m", "scheme_type"}
# An overlap that grew by less counts as unchanged [m].
GROWN_M = 0.5


class Inventory(NamedTuple):
    """One run: its tables, the stretch of each site, and what ``ranking.allow`` names."""

    tables: dict
    stretches: object
    allow: frozenset


def inventory(tables):
    """The tables of a run with the stretch of each site in the order of ``sites``."""
    stretches = tables["stretches"].set_index("site_id").loc[tables["sites"]["site_id"]].reset_index()
    provenance = tables["provenance"]
    stated = provenance.loc[provenance["name"] == "ranking.allow", "value"]
    allowed = str(stated.iloc[0]) if len(stated) else ""
    return Inventory(tables, stretches, frozenset(word for word in allowable() if word in allowed))


# A row for each site of either run.
def _site_changes(old, new, causes, reaches, *, near_m, min_change):
    runs = inventory(old), inventory(new)
    before, after = old["sites"], new["sites"]
    ids = before["site_id"].to_numpy(dtype=object), after["site_id"].to_numpy(dtype=object)
    lines = [lines_of(run.stretches) for run in runs]
    redrawn = _redrawn(old, new, reaches)
    matched = match(
        *ids,
        *lines,
        near_m=near_m,
        same=_same_tailrace(before, after, near_m),
        may_match=_may_match(before, after, redrawn),
    )
    values = differing_values("sites", before, after, matched, min_change)
    changed = names_by_row(values)
    words = CauseWords(causes, "sites", compared_columns("sites", before, after))

    change = np.full(len(matched.old), "unchanged", dtype=object)
    cause, rules = [""] * len(change), [""] * len(change)
    decided = [_decided(table) for table in (before, after)]
    for row, columns in changed.items():
        change[row] = _kind_of_change(columns)
        own = [name for name in columns if name not in RANKING]
        of_own = of_decisions(causes, _decision_ids(decided[0][matched.old[row]], decided[1][matched.new[row]]))
        if change[row] == "changed by decisions" and of_own:
            cause[row] = words.text(of_own)
            continue
        # Selected again, or ranked differently because of others: any difference can have caused it.
        is_reselected = RESELECTED & set(columns) or not own
        cause[row] = words.text(
            words.of_columns(("site_id",) if is_reselected else own, narrowed=not is_reselected)
        )
    for run, other_rows, change_by_rules, change_otherwise, mark in (
        (0, matched.new, "newly excluded", "vanished", ""),
        (1, matched.old, "re-admitted", "appeared", NO_LONGER),
    ):
        # Sites that only this run has, and those with another stretch in it.
        is_reselected = [row for row, columns in changed.items() if RESELECTED & set(columns)]
        rows = np.union1d(np.flatnonzero(other_rows < 0), is_reselected).astype(np.int64)
        if not len(rows):
            continue
        sites = (matched.old, matched.new)[run][rows]
        barring, limiting = (
            _hits_by(hits, "line") for hits in _rules_between(runs, run, sites, redrawn[run], near_m, causes)
        )
        for number, row in enumerate(rows.tolist()):
            barred = barring.get(number, [])
            shown = barred or limiting.get(number, [])
            if shown:
                text = mark + _rules_text(hit[:3] for hit in shown)
                rules[row] = IN_ONE_CELL.join(part for part in (rules[row], text) if part)
            if other_rows[row] < 0:
                change[row] = change_by_rules if barred else change_otherwise
                behind = of_rules(causes, {hit[0] for hit in shown}) if shown else range(len(causes.table))
                own = _decisions_of_site(old, new, (before, after)[run].iloc[(matched.old, matched.new)[run][row]])
                behind = of_decisions(causes, own) or behind
                cause[row] = words.text(behind)

    verdicts = [
        values_at(table["verdict"], rows, "") for table, rows in ((before, matched.old), (after, matched.new))
    ]
    newest = matched.new >= 0
    rows = pd.DataFrame(
        {
            "change": change,
            "id_old": values_at(ids[0], matched.old, ""),
            "id_new": values_at(ids[1], matched.new, ""),
            "matched_by": matched.by,
            "stream": _either(before["stream"], after["stream"], matched),
            "rank_old": values_at(before["rank"], matched.old, None),
            "rank_new": values_at(after["rank"], matched.new, None),
            "verdict_old": verdicts[0],
            "verdict_new": verdicts[1],
            "rules": rules,
            "because": _rejection_reasons(old, new, matched, reaches),
            "replaced_by": _replaced_by(lines, matched, ids[1], np.where(newest, 0, 1), near_m, redrawn[0]),
            "changed": [IN_ONE_CELL.join(changed.get(row, ())) for row in range(len(change))],
            "cause": cause,
            "geometry": _either(lines[0], lines[1], matched),
        }
    )
    for name in ("length_m", "power_kw", "energy_mwh"):
        rows[f"{name}_old"] = as_real(values_at(before[name], matched.old, None))
        rows[f"{name}_new"] = as_real(values_at(after[name], matched.new, None))
    return rows, values


# The probability of being among the best N moves with every other site; alone it is no change of this one.
def _kind_of_change(names):
    if set(names) <= RANKING:
        return "moved in rank" if "rank" in names else "unchanged"
    return _by_whom("sites", names, *RANKING, "flags")


# Ids of the decisions on a site, and on its reach in either run.
def _decisions_of_site(old, new, site):
    cells = [site.get(DECISION_ID, "")]
    for tables in (old, new):
        reaches = tables["reaches"]
        if DECISION_ID in reaches:
            cells += reaches.loc[(reaches["reach_id"] == site["reach_id"]).to_numpy(), DECISION_ID].tolist()
    return _decision_ids(*cells)


# For each run, which sites are in a reach whose id the other run does not have.
def _redrawn(old, new, reaches):
    by_id = reaches.by == "id"
    known = [
        set(tables["reaches"]["reach_id"].to_numpy(dtype=object)[rows[by_id]])
        for tables, rows in ((old, reaches.old), (new, reaches.new))
    ]
    return [
        np.array([reach not in ids for reach in tables["sites"]["reach_id"]], dtype=bool)
        for tables, ids in ((old, known[0]), (new, known[1]))
    ]


def _same_tailrace(before, after, near_m):
    old_points, new_points = points_of(before), points_of(after)
    return lambda i, j: np.hypot(*(old_points[i] - new_points[j]).T) <= near_m


# In the same network another id means another site; only where the network was redrawn may one site have two ids.
def _may_match(before, after, redrawn):
    scheme_types = [table["scheme_type"].to_numpy(dtype=object) for table in (before, after)]
    return lambda i, j: redrawn[0][i] & redrawn[1][j] & (scheme_types[0][i] == scheme_types[1][j])


# Hits that exclude sites that only one run has, and hits that restrict their turbines: hits of the other run at
# the place that the run itself does not have.
def _rules_between(runs, own, sites, redrawn, near_m, causes):
    mine, other = runs[own], runs[1 - own]
    stretches = mine.stretches.iloc[sites]
    scheme_types = mine.tables["sites"]["scheme_type"].to_numpy(dtype=object)[sites]
    lines = _taken_lines(stretches, mine.tables["reaches"])
    own_hits = _hits_on(lines, mine.tables["reaches"], mine.tables["rule_hits"])
    other_hits = _hits_in_other_run(lines, redrawn[sites], other.tables, near_m)
    edited = set(causes.table.loc[causes.table["origin"] == "rule", "name"])
    parts = []
    for bar in (excluding_hits, lambda hits, scheme_types, allow: _limits_turbines(hits)):
        held = other_hits[bar(other_hits, scheme_types, other.allow)]
        before = own_hits[bar(own_hits, scheme_types, mine.allow)].rename(columns={"overlap_m": "before_m"})
        joined = held.merge(before, on=HIT_KEYS, how="left")
        grown = joined["overlap_m"] > joined["before_m"].fillna(0.0) + GROWN_M
        parts.append(joined[grown | joined["rule"].isin(edited)])
    return parts


# Hits of the other run, within a tolerance where its network was redrawn.
def _hits_in_other_run(lines, redrawn, tables, near_m):
    found = [pd.DataFrame(columns=HIT_COLUMNS)]
    for rows, tolerance_m in ((np.flatnonzero(~redrawn), EXACT_M), (np.flatnonzero(redrawn), near_m)):
        hits = _hits_on(lines[rows], tables["reaches"], tables["rule_hits"], tolerance_m)
        if len(hits):
            found.append(hits.assign(line=rows[hits["line"].to_numpy(dtype=np.int64)]))
    return pd.concat(found[1:] or found, ignore_index=True)


# For a lost site, why its reach has none now.
def _rejection_reasons(old, new, matched, reaches):
    reach_of = pd.Index(old["reaches"]["reach_id"]).get_indexer(old["sites"]["reach_id"])
    reasons = new["reaches"][CHOSEN].to_numpy(dtype=object)
    partner = reaches.new[: len(old["reaches"])]
    because = []
    for i, j in zip(matched.old.tolist(), matched.new.tolist(), strict=True):
        reach = reach_of[i] if i >= 0 and j < 0 else -1
        row = partner[reach] if reach >= 0 else -1
        because.append(reasons[row] if row >= 0 else "")
    return because


# For a lost site, the new one that takes the largest part of its stretch.
def _replaced_by(lines, matched, new_ids, lost, near_m, redrawn):
    replacements = [""] * len(matched.old)
    if not len(new_ids):
        return replacements
    tree = shapely.STRtree(lines[1])
    for row in np.flatnonzero(lost).tolist():
        site = int(matched.old[row])
        tolerance_m = near_m if redrawn[site] else EXACT_M
        near = np.sort(tree.query(lines[0][site], predicate="dwithin", distance=tolerance_m))
        if len(near):
            common_m = shapely.length(shapely.intersection(lines[0][site], along(lines[1][near], tolerance_m)))
            if common_m.max() > 2 * tolerance_m:
                replacements[row] = new_ids[near[int(np.argmax(common_m))]]
    return replacements


# Columns that a comparison needs, by layer.
DECISION_ID = "decision_id"
OPTIONAL = (DECISIONS,)
NEEDED = {
    "sites": "site_id rank scheme_type verdict reach_id stream length_m power_kw energy_mwh",
    "stretches": "site_id pond_length_m",
    "reaches": "reach_id stream from_m to_m length_m theoretical_kw verdict reasons rejection_reason",
    "rule_hits": "reach_id rule action feature_id from_m to_m",
    "provenance": "kind name value digest source",
}
# Numbers that agree to this share are equal; a sum may differ in its last digits.
MIN_CHANGE = 1e-9


class Changes(NamedTuple):
    """The tables of a comparison, as schema declares them in ``CHANGE_LAYERS``."""

    changes: geopandas.GeoDataFrame
    changed_values: pd.DataFrame
    causes: pd.DataFrame


def compare_runs(
    old: Any, new: Any, graph: Any, *, near_m: float = NEAR_M, min_change: float = MIN_CHANGE, defaults: Any = ()
) -> Changes:
    """Changes of every reach and site between two runs.

    Parameters
    ----------
    old, new : dict of str to DataFrame or GeoDataFrame
        The layers of `NEEDED` of each run, in the same coordinate system [m]; text without NULL.
    graph : sitefinder.comparison.causes.StageGraph
        Of the stages that lead from inputs and settings to results.
    near_m : float
        Maximum distance between two drawings of the same stream [m].
    min_change : float
        Numbers that differ by no more than this share of the greater are the same.
    defaults : mapping
        See `sitefinder.comparison.causes.differences`.

    Returns
    -------
    Changes
        Every reach and site of either run is in one row, so that the columns ``…_old`` and ``…_new`` add up to the
        totals of the runs. Reaches first, then sites by rank, each in the order of the old run, then the new ones.

    Notes
    -----
    Reaches and sites are the same if they have the same id and location. Others are matched by location:
    reaches whose lines share at least half of their length, and sites of the same scheme type of which that is
    true, if their reach has another id in the other run.

    A site that only the old run has is newly excluded if a feature of a rule that excludes it is on its stretch or
    pond in the new run, and was not in the old one; otherwise it vanished. Sites that only the new run has are
    treated likewise in reverse.
    """
    decisions = old.get(DECISIONS), new.get(DECISIONS)
    causes = differences(old["provenance"], new["provenance"], graph, defaults, decisions)
    options = {"near_m": near_m, "min_change": min_change}
    reaches, reach_values, matched = _reach_changes(old, new, causes, **options)
    sites, site_values = _site_changes(old, new, causes, matched, **options)
    parts, values = [], []
    for kind, rows, differing in zip(KINDS, (reaches, sites), (reach_values, site_values), strict=True):
        parts.append(rows.assign(kind=kind))
        ids = {name: rows[name].to_numpy()[differing["row"].to_numpy()] for name in ("id_old", "id_new")}
        values.append(differing.assign(kind=kind, **ids))
    for column in CHANGE_LAYERS["changes"].columns:
        for part in parts:
            if column.name not in part:
                part[column.name] = "" if column.dtype == "text" else np.nan
    changes = pd.concat(parts, ignore_index=True)
    for name in ("rank_old", "rank_new"):
        changes[name] = pd.array(changes[name].where(changes[name].notna(), pd.NA), dtype="Int64")
    frame = geopandas.GeoDataFrame(
        changes[[column.name for column in CHANGE_LAYERS["changes"].columns]],
        geometry=changes["geometry"].to_numpy(dtype=object),
        crs=new["reaches"].crs,
    )
    names = [column.name for column in CHANGE_LAYERS["changed_values"].columns]
    return Changes(frame, pd.concat(values, ignore_index=True)[names], causes.table)


def sums_by_change(changes):
    """Number and sums of rows for each kind and change that occurs.

    Parameters
    ----------
    changes : DataFrame
        As of `compare_runs`.

    Returns
    -------
    DataFrame
        ``kind``, ``change``, ``old`` and ``new`` (number of rows that each run has), and the sums of the columns
        ``…_old`` and ``…_new``; kinds and changes in the order of the schema.
    """
    sums = [
        name
        for name in changes.columns
        if name.rsplit("_", 1)[0] in ("length_m", "theoretical_kw", "power_kw", "energy_mwh")
    ]
    counted = pd.DataFrame(changes[["kind", "change", *sums]]).assign(
        old=(changes["id_old"] != "").to_numpy(dtype=np.int64),
        new=(changes["id_new"] != "").to_numpy(dtype=np.int64),
    )
    table = counted.groupby(["kind", "change"], sort=False, as_index=False)[["old", "new", *sums]].sum()
    order = [table["kind"].map(KINDS.index), table["change"].map(CHANGES.index)]
    return table.iloc[np.lexsort(order[::-1])].reset_index(drop=True)
