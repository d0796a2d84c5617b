"""Decisions as delivered: the table of what each did, and their columns on reaches and sites."""

import numpy as np
import pandas as pd

from sitefinder.delivery.checking import checked_table
from sitefinder.schema import LAYERS, empty_table
from sitefinder.schema.columns import DECISION
from sitefinder.steps.decisions import on_reaches
from sitefinder.vocabulary import DROP, FLAG_VALUE, IN_ONE_CELL, KEEP, KEPT_BY_DECISION, PIN

# A decision without an end, where several are listed.
NO_END = "none"
# Columns of the decisions behind the columns of reaches and sites, in their order.
STATED = ("decision", "decision_id", "author", "date", "valid_until", "justification")
NAMES = tuple(column.name for column in DECISION)
IDS_SEPARATOR = ";"


def make_decisions(stationing, stretches, verdicts, decisions, delivered_sites):
    """The ``decisions`` layer: every decision of the user's table, with what it did."""
    if decisions is None or not len(decisions.table):
        return empty_table("decisions")
    table, reach_ids = decisions.table, np.append(stationing.reaches["reach_id"].to_numpy(dtype=object), "")
    reach, applied = table["reach"].to_numpy(dtype=np.int64), table["applied"].to_numpy(dtype=bool)
    pairs = _on_reaches_of(stationing, stretches, reach[applied])
    scheme = stretches.table["scheme_type"].to_numpy(dtype=object)
    lifted, barred = verdicts.rules_lifted != "", verdicts.barred_by_decision
    admitted, excluded = np.zeros(len(table), dtype=np.int64), np.zeros(len(table), dtype=np.int64)
    site_ids, rules = np.full(len(table), "", dtype=object), np.full(len(table), "", dtype=object)
    names = delivered_sites.id_of
    shown = set(delivered_sites.picked.tolist())
    for row, says in enumerate(table["decision"].tolist()):
        if not applied[row]:
            continue
        own = pairs["candidate"].to_numpy(dtype=np.int64)[(pairs["reach"] == reach[row]).to_numpy()]
        site_ids[row] = IDS_SEPARATOR.join(names[number] for number in own.tolist() if number in shown)
        if says == KEEP.name:
            admitted[row] = int(lifted[own].sum())
            rules[row] = decisions.rules_of_reach[reach[row]]
        elif says == DROP.name:
            excluded[row] = int(barred[own].sum())
        elif says == PIN.name:
            excluded[row] = int((barred[own] & (scheme[own] != table["scheme_type"].iloc[row])).sum())
    made = table.assign(
        stated_reach_id=table["reach_id"],
        reach_id=reach_ids[reach],
        stated_head_m=table["head_m"],
        head_m=table["found_head_m"],
        stated_verdict=table["rule_verdict"],
        verdict=table["found_verdict"],
        stated_structure_id=table["structure_id"],
        structure_ids=table["found_structures"],
        rules_lifted=rules,
        admitted=admitted,
        excluded=excluded,
        site_ids=site_ids,
    )
    return checked_table(made[[column.name for column in LAYERS["decisions"].columns]], "decisions")


# Candidates that take some of the stream of these reaches: ``candidate`` and ``reach``, each pair once.
def _on_reaches_of(stationing, stretches, reaches):
    wanted = np.zeros(len(stationing.reaches), dtype=bool)
    wanted[reaches] = True
    rows = np.flatnonzero(on_reaches(stationing, stretches, wanted))
    stations = stationing.stations
    reach_of, length_m = stations["reach"].to_numpy(), stations["segment_length_m"].to_numpy()
    parts = [stretches.taken[stretches.start[row] : stretches.start[row + 1]] for row in rows.tolist()]
    taken = np.concatenate(parts).astype(np.int64) if parts else np.zeros(0, dtype=np.int64)
    pairs = pd.DataFrame({"candidate": np.repeat(rows, [len(part) for part in parts]), "reach": reach_of[taken]})
    on_stream = (length_m[taken] > 0.0) & np.append(wanted, False)[reach_of[taken]]
    return pairs[on_stream].drop_duplicates().reset_index(drop=True)


def columns_of_reaches(decisions, count):
    """Columns of the decisions that apply to reaches.

    Parameters
    ----------
    decisions : sitefinder.steps.decisions.Decisions or None
    count : int
        Number of reaches of the stationing.

    Returns
    -------
    dict of str to ndarray of object, shape (count,)
        By the names of `sitefinder.schema.columns.DECISION`, and ``rules_lifted``; "" without a decision.
    """
    columns = {name: np.full(count, "", dtype=object) for name in (*NAMES, "rules_lifted")}
    if decisions is None:
        return columns
    table = decisions.table
    applying = table[table["applied"].to_numpy(dtype=bool)]
    for reach, rows in applying.groupby("reach", sort=False):
        for name, text in _texts(rows).items():
            columns[name][reach] = text
        if (rows["decision"] == KEEP.name).any():
            columns["rules_lifted"][reach] = decisions.rules_of_reach[reach]
    return columns


# Several decisions in one cell, in the order of their table.
def _texts(rows):
    cells = {name: rows[stated].tolist() for name, stated in zip(NAMES, STATED, strict=True)}
    cells["decision_valid_until"] = [until or NO_END for until in cells["decision_valid_until"]]
    return {name: IN_ONE_CELL.join(values) for name, values in cells.items()}


def columns_of_sites(stationing, stretches, verdicts, decisions, kept):
    """Columns of the decisions that apply to the stream that candidates take.

    Parameters
    ----------
    stationing, stretches, verdicts, decisions
        Results of the stages of those names.
    kept : ndarray of int
        Numbers of the candidates.

    Returns
    -------
    dict of str to ndarray, shape (len(kept),)
        As of `columns_of_reaches`, ``kept_by_decision`` (bool), and ``decision_flags``: the flag of each.
    """
    columns = {name: np.full(len(kept), "", dtype=object) for name in (*NAMES, "rules_lifted", "decision_flags")}
    columns["kept_by_decision"] = np.zeros(len(kept), dtype=bool)
    if decisions is None:
        return columns
    table = decisions.table
    applying = table[table["applied"].to_numpy(dtype=bool)]
    if len(applying):
        pairs = _on_reaches_of(stationing, stretches, applying["reach"].to_numpy(dtype=np.int64))
        reaches_of = dict(tuple(pairs.groupby("candidate", sort=False)["reach"]))
        for place, number in enumerate(np.asarray(kept).tolist()):
            if number in reaches_of:
                rows = applying[applying["reach"].isin(reaches_of[number])]
                for name, text in _texts(rows).items():
                    columns[name][place] = text
    lifted = verdicts.rules_lifted[kept]
    columns["rules_lifted"], columns["kept_by_decision"] = lifted, lifted != ""
    ids = [_keeping(text, says) for text, says in zip(columns["decision_id"], columns["decision"], strict=True)]
    columns["decision_flags"] = np.array(
        [
            f"{KEPT_BY_DECISION.name}{FLAG_VALUE}{name}" if is_kept else ""
            for name, is_kept in zip(ids, columns["kept_by_decision"], strict=True)
        ],
        dtype=object,
    )
    return columns


# Ids of those that keep, as the value of a flag.
def _keeping(ids, says):
    both = zip(ids.split(IN_ONE_CELL), says.split(IN_ONE_CELL), strict=True)
    return ", ".join(name for name, word in both if word == KEEP.name).replace(IN_ONE_CELL, ", ")
