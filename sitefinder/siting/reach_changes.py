"""What became of each reach between two runs."""

import re

import numpy as np
import pandas as pd

from sitefinder.schema.vocabulary import ACTIONS, VERDICTS
from sitefinder.siting.barring import hits_by, told_rules
from sitefinder.siting.causes import OF_RULES, made_by, of_rules
from sitefinder.siting.differing import (
    CauseWords,
    as_real,
    compared_columns,
    differing_values,
    lines_of,
    match,
    names_by_row,
    taken,
)
from sitefinder.siting.verdicts import REASON_SEPARATOR

NO_LONGER = "no longer "
OFFERED = "not_offered_because"
APPEARED_BY = ("length_m",)
# Actions of rules that lead to the worst verdict by themselves.
EXCLUDING = {action.name for action in ACTIONS if action.verdict == VERDICTS[0].name}


def reach_changes(old, new, causes, *, near_m, least_change):
    """A row for each reach of either run.

    Parameters
    ----------
    old, new : dict of str to DataFrame
        ``reaches`` and ``rule_hits`` of each run.
    causes : sitefinder.siting.causes.Causes
    near_m, least_change : float
        See `sitefinder.siting.changes.compare_runs`.

    Returns
    -------
    rows : DataFrame
        Columns of ``changes`` that reaches have, and ``geometry``.
    values : DataFrame
        See `sitefinder.siting.differing.differing_values`.
    matched : sitefinder.siting.differing.Matched
    """
    before, after = old["reaches"], new["reaches"]
    ids = before["reach_id"].to_numpy(dtype=object), after["reach_id"].to_numpy(dtype=object)
    matched = match(*ids, lines_of(before), lines_of(after), near_m=near_m)
    values = differing_values("reaches", before, after, matched, least_change)
    changed = names_by_row(values)
    words = CauseWords(causes, "reaches", compared_columns("reaches", before, after))

    verdicts = [taken(table["verdict"], rows, "") for table, rows in ((before, matched.old), (after, matched.new))]
    change = _changes(matched, verdicts, changed)
    rules, cause = _rules_and_causes(old, new, matched, change, changed, words, causes)
    newest = [(after if row >= 0 else before, row) for row in matched.new.tolist()]
    rows = pd.DataFrame(
        {
            "change": change,
            "id_old": taken(ids[0], matched.old, ""),
            "id_new": taken(ids[1], matched.new, ""),
            "matched_by": matched.by,
            "stream": _either(before["stream"], after["stream"], matched),
            "verdict_old": verdicts[0],
            "verdict_new": verdicts[1],
            "rules": rules,
            "because": taken(after[OFFERED], matched.new, ""),
            "changed": [REASON_SEPARATOR.join(changed.get(row, ())) for row in range(len(newest))],
            "cause": cause,
            "geometry": _either(lines_of(before), lines_of(after), matched),
        }
    )
    for name in ("length_m", "theoretical_kw"):
        rows[f"{name}_old"] = as_real(taken(before[name], matched.old, None))
        rows[f"{name}_new"] = as_real(taken(after[name], matched.new, None))
    return rows, values, matched


# Of the new run where the reach is there, else of the old one.
def _either(old, new, matched):
    ours, theirs = taken(new, matched.new, None), taken(old, matched.old, None)
    return [mine if row >= 0 else other for row, mine, other in zip(matched.new, ours, theirs, strict=True)]


def _changes(matched, verdicts, changed):
    excluded = [np.array([verdict == VERDICTS[0].name for verdict in each]) for each in verdicts]
    change = np.full(len(matched.old), "unchanged", dtype=object)
    for row, names in changed.items():
        by_rules = all(made_by("reaches", name) == OF_RULES or name == OFFERED for name in names)
        change[row] = "changed by rules" if by_rules else "changed in value"
    change[~excluded[0] & excluded[1]] = "newly excluded"
    change[excluded[0] & ~excluded[1]] = "re-admitted"
    change[matched.old < 0] = "appeared"
    change[matched.new < 0] = "vanished"
    return change


def _rules_and_causes(old, new, matched, change, changed, words, causes):
    ids = [table["reaches"]["reach_id"].to_numpy(dtype=object) for table in (old, new)]
    reasons = [table["reaches"]["reasons"].to_numpy(dtype=object) for table in (old, new)]
    known = {name for table in (old, new) for name in table["rule_hits"]["rule"]}
    hits = [hits_by(table["rule_hits"], "reach_id") for table in (old, new)]
    rules, cause = [""] * len(change), [""] * len(change)
    for row in np.flatnonzero(change != "unchanged").tolist():
        i, j = int(matched.old[row]), int(matched.new[row])
        if i < 0 or j < 0:
            cause[row] = words.told(words.of_columns(APPEARED_BY, narrowed=False))
            continue
        before, after = (rule_names(reasons[run][at], known) for run, at in ((0, i), (1, j)))
        gained = [name for name in after if name not in before]
        lost = [name for name in before if name not in after]
        if change[row] == "newly excluded":
            gained = gained or _excluding(hits[1].get(ids[1][j], []), after)
        elif change[row] == "re-admitted":
            lost = lost or _excluding(hits[0].get(ids[0][i], []), before)
        told = [_features(hits[1].get(ids[1][j], []), gained)] if gained else []
        told += [NO_LONGER + _features(hits[0].get(ids[0][i], []), lost)] if lost else []
        rules[row] = REASON_SEPARATOR.join(told)
        behind = of_rules(causes, gained + lost) if gained or lost else []
        others = [name for name in changed.get(row, ()) if not (behind and made_by("reaches", name) == OF_RULES)]
        if behind:
            others = [name for name in others if name != OFFERED]
        if others:
            behind = behind + words.of_columns(others)
        cause[row] = words.told(behind)
    return rules, cause


def rule_names(reasons, known=()):
    """Names of the rules that reasons tell, without the remark that one is not certain.

    Examples
    --------
    >>> rule_names("park; nests (category missing)")
    ['park', 'nests']
    >>> rule_names("park (north)", known={"park (north)"})
    ['park (north)']
    """
    names = [name for name in reasons.split(REASON_SEPARATOR) if name]
    return [name if name in known else re.sub(r" \([^()]*\)$", "", name) for name in names]


# Rules of those that hold which exclude.
def _excluding(hits, rules):
    excluding = {rule for rule, _, _, action in hits if action in EXCLUDING}
    return [name for name in rules if name in excluding]


# Rules with the features of theirs that lie on the reach; by name alone where no feature is told.
def _features(hits, names):
    bare = [(name, "", "") for name in names]
    return told_rules([*bare, *(row[:3] for name in names for row in hits if row[0] == name)])
