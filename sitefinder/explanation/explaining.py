"""An explanation: what is asked about, its verdict, and all that it comes from, as plain values."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

import numpy as np

from sitefinder.explanation.changes import (
    Given,
    deciding_candidates,
    what_admits,
    what_opens_reach,
    what_refuses,
)
from sitefinder.explanation.figures import (
    OF_SURROUNDINGS,
    candidate_facts,
    flow_at,
    head_of_candidate,
    head_of_reach,
    picked,
    plant_of_site,
    turbine_ranges,
)
from sitefinder.explanation.places import REACH, SITE, find_subject
from sitefinder.explanation.rule_facts import of_candidate, of_reach, rule_facts
from sitefinder.report.decisions import why_not_applied
from sitefinder.siting.selection import valued_for
from sitefinder.steps.closed_months import with_closed
from sitefinder.vocabulary import (
    BARRED_BY_RULE,
    FLOW_TOO_SMALL,
    IN_ONE_CELL,
    KEEP,
    NO_SUITABLE_TURBINE,
    REJECTION_REASONS,
    STRUCTURE_REASONS,
    VERDICTS,
    named,
    names,
)

if TYPE_CHECKING:
    from collections.abc import Mapping

    import numpy.typing as npt

    from sitefinder.explanation.places import Subject
    from sitefinder.settings import Settings
    from sitefinder.steps.inputs import RunInputs


def explained(settings: Settings, inputs: RunInputs, results: Mapping[str, Any], what: str) -> dict[str, Any]:
    """Why a site, structure, reach or place has its verdict.

    Parameters
    ----------
    settings, inputs, results
        Of a run whose results are all there.
    what : str
        See `sitefinder.explanation.places.find_subject`.

    Returns
    -------
    dict
        Of what JSON holds: ``about``, ``verdict``, ``rules``, ``head``, ``flow``, ``plant`` of a site,
        ``decisions`` (rows of the layer of that name, each with a ``remark``), ``candidate`` of a refusal (the
        best that comes as far as its condition), ``blocked_by``, ``changes`` (the nearest first, see
        `sitefinder.explanation.changes.change`), ``changes_of_verdict`` of a reach, and ``note``. A figure that is
        not known is None.

    Raises
    ------
    InputError
        If nothing is called so.
    """
    given = Given(settings, inputs, results)
    subject = find_subject(results, what)
    found = _of_site(given, subject) if subject.kind == SITE else _of_stream(given, subject)
    plain: dict[str, Any] = _plain({"about": _about(given, subject), **found})
    return plain


def _about(given: Given, subject: Subject) -> dict[str, Any]:
    row = subject.row
    reaches = given.results["stationing"].reaches
    reach_id = row.get("reach_id", "")
    stream = row.get("stream", reaches["stream"].iloc[subject.reach] if subject.reach >= 0 else "")
    return {
        "title": given.settings.run.name,
        "crs": given.settings.run.crs,
        "money": given.results["money"].described,
        "kind": subject.kind,
        "id": subject.name,
        "stream": stream,
        "reach_id": reach_id,
        "distance_m": subject.distance_m,
    }


def _of_site(given: Given, subject: Subject) -> dict[str, Any]:
    row, candidate = subject.row, subject.candidate
    stretch = of_candidate(given.results, candidate)
    intake = int(given.results["stretches"].table["intake"].iloc[candidate])
    return {
        "verdict": _verdict(row, ""),
        "rank": row["rank"],
        "scheme_type": row["scheme_type"],
        "rules": rule_facts(given.settings, given.inputs, given.results, stretch, candidate),
        "head": head_of_candidate(given, candidate, row),
        "flow": flow_at(given, intake),
        **plant_of_site(given, row, candidate),
        "surroundings": picked(row, OF_SURROUNDINGS) | {"rights": _rights(given, row)},
        "flags": row["flags"],
        "decisions": _decisions(given, row),
        "blocked_by": "",
        "changes": what_refuses(given, candidate),
        "changes_of_verdict": [],
        "note": _note_of_kept(row),
    }


# Existing water rights at a site: rows of the layer.
def _rights(given: Given, row: Mapping[str, Any]) -> list[dict[str, Any]]:
    table = given.results["site_water_rights_table"]
    own: list[dict[str, Any]] = table[table["site_id"] == row["site_id"]].to_dict("records")
    return own


def _note_of_kept(row: Mapping[str, Any]) -> str:
    if not row["kept_by_decision"]:
        return ""
    both = zip(row["decision_id"].split(IN_ONE_CELL), row["decision"].split(IN_ONE_CELL), strict=True)
    keeping = ", ".join(name for name, says in both if says == KEEP.name)
    return (
        f"Rules exclude the site ({row['rules_lifted']}); without the decision that keeps it ({keeping}), it "
        f"would be refused: {BARRED_BY_RULE.name}."
    )


# A reach, or a structure with the reach that it stands on.
def _of_stream(given: Given, subject: Subject) -> dict[str, Any]:
    results, row, reach = given.results, subject.row, subject.reach
    reason = row["rejection_reason"]
    found: dict[str, Any] = {
        "verdict": _verdict(row, reason),
        "rules": [],
        "decisions": _decisions(given, row, reach),
        "blocked_by": "",
        "changes": [],
        "changes_of_verdict": [],
        "note": _note_of_structure(reason),
    }
    if reach < 0:
        return found | {"note": what_admits(given, np.zeros(0, dtype=np.int64), reason)[1] or found["note"]}
    stretch = of_reach(results, reach)
    found["rules"] = rule_facts(given.settings, given.inputs, results, stretch)
    of_reaches = results["reaches_table"]
    reach_rows = of_reaches[of_reaches["reach_id"] == results["stationing"].reaches["reach_id"].iloc[reach]]
    if len(reach_rows):
        found["head"] = head_of_reach(given, reach, reach_rows.iloc[0])
    found["flow"] = flow_at(given, int(results["stationing"].reaches["last_station"].iloc[reach]))
    if subject.kind == REACH:
        found["changes_of_verdict"], found["note_of_verdict"] = what_opens_reach(given, reach, stretch)
    if not reason:
        return found | {"sites": _sites_on(given, reach)}
    if subject.kind == REACH:
        rows = deciding_candidates(given, reach, reason)
    else:
        rows = np.array([subject.candidate] if subject.candidate >= 0 else [], dtype=np.int64)
    if reason in names(REJECTION_REASONS):
        found["changes"], note = what_admits(given, rows, reason)
        found["note"] = " ".join(filter(None, [note, found["note"]]))
    if len(rows):
        best = _best(given, rows, reason)
        found["candidate"] = candidate_facts(given, best)
        if reason == NO_SUITABLE_TURBINE.name:
            found["turbine_ranges"] = turbine_ranges(given, found["candidate"]["scheme_type"])
        found["candidates"] = len(rows)
        blocker = int(results["sites"].offers.blocked_by[best])
        found["blocked_by"] = results["delivered_sites"].id_of.get(blocker, "") if blocker >= 0 else ""
    return found


# Decisions that apply to what is explained, and those found on its reach that do not: rows of the layer, with a
# remark each.
def _decisions(given: Given, row: Mapping[str, Any], reach: int = -1) -> list[dict[str, Any]]:
    table = given.results["decisions_table"]
    ids = set(filter(None, str(row.get("decision_id", "")).split(IN_ONE_CELL)))
    reach_id = row.get("reach_id", "")
    if reach >= 0:
        reach_id = given.results["stationing"].reaches["reach_id"].iloc[reach]
    own = table["decision_id"].isin(ids) | ((table["reach_id"] == reach_id) & (reach_id != ""))
    return [{**each, "remark": why_not_applied(each)} for each in table[own].to_dict("records")]


def _verdict(row: Mapping[str, Any], reason: str) -> dict[str, Any]:
    given = row.get("verdict", "")
    of_rules = named(VERDICTS, given).phrase if given in names(VERDICTS) else ""
    why = ""
    for listed in (REJECTION_REASONS, STRUCTURE_REASONS):
        if reason in names(listed):
            why = named(listed, reason).phrase
    return {
        "of_rules": given,
        "means": of_rules,
        "reasons": row.get("reasons", ""),
        "rejection_reason": reason,
        "because": why,
    }


def _note_of_structure(reason: str) -> str:
    if reason in names(STRUCTURE_REASONS) and reason not in names(REJECTION_REASONS):
        return "What the layer of structures, plants or falls says of it decides, and no figure of the settings."
    return ""


# Of some candidates the one of the greatest value by the turbine choice that rules allow, else by any; of those
# without a value the one of the most head; where flows are too small, the one of the most flow.
def _best(given: Given, rows: npt.NDArray[np.int64], reason: str) -> int:
    table = given.results["stretches"].table
    if reason == FLOW_TOO_SMALL.name:
        return int(rows[np.nanargmax(table["flow_mean_m3s"].to_numpy(dtype=np.float64)[rows])])
    valued = with_closed(given.results["energy"], given.results["closed_energy"]).iloc[rows].reset_index(drop=True)
    value = valued_for(valued, np.maximum(given.results["verdicts"].choice[rows], 0))[
        "net_annual_value"
    ].to_numpy()
    head_m = table["head_m"].to_numpy(dtype=np.float64)[rows]
    order = np.lexsort([rows, -head_m, -np.nan_to_num(value, nan=-np.inf)])
    return int(rows[order[0]])


# Ids of the sites that use a reach.
def _sites_on(given: Given, reach: int) -> list[str]:
    stretches = given.results["stretches"]
    of_station = given.results["stationing"].stations["reach"].to_numpy()
    ids = given.results["delivered_sites"].id_of
    return [
        name
        for number, name in ids.items()
        if (of_station[stretches.taken[stretches.start[number] : stretches.start[number + 1]]] == reach).any()
    ]


# Of what JSON holds: no numpy, and None for what is not known.
def _plain(value: Any) -> Any:
    if isinstance(value, dict):
        return {str(key): _plain(each) for key, each in value.items()}
    if isinstance(value, list | tuple):
        return [_plain(each) for each in value]
    if isinstance(value, np.generic):
        value = value.item()
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    if value is None or isinstance(value, str | bool | int):
        return value
    return None if value is not value or str(value) == "<NA>" else str(value)
