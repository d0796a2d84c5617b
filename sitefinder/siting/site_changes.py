"""What became of each site between two runs."""

from typing import NamedTuple

import numpy as np
import pandas as pd
import shapely

from sitefinder.schema.vocabulary import allowable
from sitefinder.siting.barring import (
    EXACT_M,
    HIT_COLUMNS,
    HIT_KEYS,
    bars,
    hits_by,
    hits_on,
    limits_turbines,
    taken_lines,
    told_rules,
)
from sitefinder.siting.causes import OF_RULES, made_by, of_rules
from sitefinder.siting.differing import (
    CauseWords,
    as_real,
    compared_columns,
    differing_values,
    lines_of,
    match,
    names_by_row,
    points_of,
    taken,
)
from sitefinder.siting.places import along
from sitefinder.siting.reach_changes import NO_LONGER, OFFERED
from sitefinder.siting.verdicts import REASON_SEPARATOR

# Where a site stands among the others.
STANDING = {"rank", "score", "prob_top"}
# A site of other length was chosen anew, for whatever reason.
CHOSEN_ANEW = {"length_m", "pond_length_m", "flooded_length_m", "layout"}
# An overlap that grew by less is the same [m].
GROWN_M = 0.5


class Inventory(NamedTuple):
    """One run as sites need it: its tables, the stretch of each site, and what ``ranking.allow`` names."""

    tables: dict
    stretches: object
    allow: frozenset


def inventory(tables):
    """The tables of a run with the stretch of each site in the order of ``sites``."""
    stretches = tables["stretches"].set_index("site_id").loc[tables["sites"]["site_id"]].reset_index()
    provenance = tables["provenance"]
    stated = provenance.loc[provenance["name"] == "ranking.allow", "value"]
    told = str(stated.iloc[0]) if len(stated) else ""
    return Inventory(tables, stretches, frozenset(word for word in allowable() if word in told))


def site_changes(old, new, causes, reaches, *, near_m, least_change):
    """A row for each site of either run.

    Parameters
    ----------
    old, new : dict of str to DataFrame
        ``sites``, ``stretches``, ``reaches``, ``rule_hits``, ``provenance`` of each run.
    causes : sitefinder.siting.causes.Causes
    reaches : sitefinder.siting.differing.Matched
        Reaches of both runs that belong together.
    near_m, least_change : float
        See `sitefinder.siting.changes.compare_runs`.

    Returns
    -------
    rows : DataFrame
        Columns of ``changes`` that sites have, and ``geometry``.
    values : DataFrame
        See `sitefinder.siting.differing.differing_values`.
    """
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
        alike=_alike(before, after, redrawn),
    )
    values = differing_values("sites", before, after, matched, least_change)
    changed = names_by_row(values)
    words = CauseWords(causes, "sites", compared_columns("sites", before, after))

    change = np.full(len(matched.old), "unchanged", dtype=object)
    cause, rules = [""] * len(change), [""] * len(change)
    for row, names in changed.items():
        change[row] = _kind_of_change(names)
        own = [name for name in names if name not in STANDING]
        # Chosen anew, or ranked otherwise because of others: whatever differs can have led to it.
        anew = CHOSEN_ANEW & set(names) or not own
        cause[row] = words.told(words.of_columns(("site_id",) if anew else own, narrowed=not anew))
    for run, other_rows, told_change, bare, mark in (
        (0, matched.new, "newly excluded", "vanished", ""),
        (1, matched.old, "re-admitted", "appeared", NO_LONGER),
    ):
        # Sites that only this run has, and those of which it has another stretch.
        anew = [row for row, names in changed.items() if CHOSEN_ANEW & set(names)]
        rows = np.union1d(np.flatnonzero(other_rows < 0), anew).astype(np.int64)
        sites = (matched.old, matched.new)[run][rows]
        barring, limiting = (
            hits_by(hits, "line") for hits in _rules_between(runs, run, sites, redrawn[run], near_m, causes)
        )
        for number, row in enumerate(rows.tolist()):
            barred = barring.get(number, [])
            shown = barred or limiting.get(number, [])
            if shown:
                told = mark + told_rules(hit[:3] for hit in shown)
                rules[row] = REASON_SEPARATOR.join(part for part in (rules[row], told) if part)
            if other_rows[row] < 0:
                change[row] = told_change if barred else bare
                behind = of_rules(causes, {hit[0] for hit in shown}) if shown else range(len(causes.table))
                cause[row] = words.told(behind)

    verdicts = [taken(table["verdict"], rows, "") for table, rows in ((before, matched.old), (after, matched.new))]
    newest = matched.new >= 0
    rows = pd.DataFrame(
        {
            "change": change,
            "id_old": taken(ids[0], matched.old, ""),
            "id_new": taken(ids[1], matched.new, ""),
            "matched_by": matched.by,
            "stream": _either(before["stream"], after["stream"], matched),
            "rank_old": taken(before["rank"], matched.old, None),
            "rank_new": taken(after["rank"], matched.new, None),
            "verdict_old": verdicts[0],
            "verdict_new": verdicts[1],
            "rules": rules,
            "because": _because(old, new, matched, reaches),
            "replaced_by": _replaced_by(lines, matched, ids[1], np.where(newest, 0, 1), near_m, redrawn[0]),
            "changed": [REASON_SEPARATOR.join(changed.get(row, ())) for row in range(len(change))],
            "cause": cause,
            "geometry": _either(lines[0], lines[1], matched),
        }
    )
    for name in ("length_m", "power_kw", "energy_mwh"):
        rows[f"{name}_old"] = as_real(taken(before[name], matched.old, None))
        rows[f"{name}_new"] = as_real(taken(after[name], matched.new, None))
    return rows, values


def _either(old, new, matched):
    ours, theirs = taken(new, matched.new, None), taken(old, matched.old, None)
    return [mine if row >= 0 else other for row, mine, other in zip(matched.new, ours, theirs, strict=True)]


# The share of draws among the best moves with every other site; alone it is no change of this one.
def _kind_of_change(names):
    if set(names) <= STANDING:
        return "moved in rank" if "rank" in names else "unchanged"
    by_rules = all(made_by("sites", name) == OF_RULES or name in STANDING for name in names)
    return "changed by rules" if by_rules else "changed in value"


# For each run, which sites lie in a reach that is not known by its id in the other run.
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


# In one and the same network another id is another site; only where that is redrawn may ids differ for one.
def _alike(before, after, redrawn):
    layouts = [table["layout"].to_numpy(dtype=object) for table in (before, after)]
    return lambda i, j: redrawn[0][i] & redrawn[1][j] & (layouts[0][i] == layouts[1][j])


# Hits that bar, and that limit the machines of, sites that only one run has: they lie there in the other run, and
# did not in their own.
def _rules_between(runs, own, sites, redrawn, near_m, causes):
    mine, other = runs[own], runs[1 - own]
    stretches = mine.stretches.iloc[sites]
    layouts = mine.tables["sites"]["layout"].to_numpy(dtype=object)[sites]
    lines = taken_lines(stretches, mine.tables["reaches"])
    here = hits_on(lines, mine.tables["reaches"], mine.tables["rule_hits"])
    there = _there(lines, redrawn[sites], other.tables, near_m)
    edited = set(causes.table.loc[causes.table["origin"] == "rule", "name"])
    parts = []
    for bar in (bars, lambda hits, layouts, allow: limits_turbines(hits)):
        held = there[bar(there, layouts, other.allow)]
        before = here[bar(here, layouts, mine.allow)].rename(columns={"overlap_m": "before_m"})
        joined = held.merge(before, on=HIT_KEYS, how="left")
        grown = joined["overlap_m"] > joined["before_m"].fillna(0.0) + GROWN_M
        parts.append(joined[grown | joined["rule"].isin(edited)])
    return parts


# Hits of the other run, sought a little to the side where its network was drawn anew.
def _there(lines, redrawn, tables, near_m):
    found = [pd.DataFrame(columns=HIT_COLUMNS)]
    for rows, tolerance_m in ((np.flatnonzero(~redrawn), EXACT_M), (np.flatnonzero(redrawn), near_m)):
        hits = hits_on(lines[rows], tables["reaches"], tables["rule_hits"], tolerance_m)
        if len(hits):
            found.append(hits.assign(line=rows[hits["line"].to_numpy(dtype=np.int64)]))
    return pd.concat(found[1:] or found, ignore_index=True)


# Of a lost site, why its reach carries none now.
def _because(old, new, matched, reaches):
    reach_of = pd.Index(old["reaches"]["reach_id"]).get_indexer(old["sites"]["reach_id"])
    told = new["reaches"][OFFERED].to_numpy(dtype=object)
    partner = reaches.new[: len(old["reaches"])]
    because = []
    for i, j in zip(matched.old.tolist(), matched.new.tolist(), strict=True):
        reach = reach_of[i] if i >= 0 and j < 0 else -1
        row = partner[reach] if reach >= 0 else -1
        because.append(told[row] if row >= 0 else "")
    return because


# Of a lost site, the new one that takes most of its stretch.
def _replaced_by(lines, matched, new_ids, lost, near_m, redrawn):
    told = [""] * len(matched.old)
    if not len(new_ids):
        return told
    tree = shapely.STRtree(lines[1])
    for row in np.flatnonzero(lost).tolist():
        site = int(matched.old[row])
        tolerance_m = near_m if redrawn[site] else EXACT_M
        near = np.sort(tree.query(lines[0][site], predicate="dwithin", distance=tolerance_m))
        if len(near):
            common_m = shapely.length(shapely.intersection(lines[0][site], along(lines[1][near], tolerance_m)))
            if common_m.max() > 2 * tolerance_m:
                told[row] = new_ids[near[int(np.argmax(common_m))]]
    return told
