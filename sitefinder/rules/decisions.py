"""Decisions about reaches: which of them apply, and what they make of the candidates that rules judged.

A decision changes what may be selected, never the value of a site, and never the verdict of a rule. One that
keeps a reach takes off, on that reach alone, what excludes every site: rules that exclude, conditions, and what is
not known. Limits on scheme type or turbine, and whatever rules say of the stream beside it, stay.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import numpy as np
import pandas as pd

from sitefinder.vocabulary import (
    ACTIONS,
    BARS_ALL,
    CONTRADICTED,
    DROP,
    EXPIRED,
    HEAD_MOVED,
    IN_ONE_CELL,
    LIES_ELSEWHERE,
    MADE_LATER,
    NO_STREAM_AT_PLACE,
    PIN,
    REACH_VANISHED,
    STRUCTURE_GONE,
    SUPERSEDED,
    VERDICT_CHANGED,
    named,
)

if TYPE_CHECKING:
    from collections.abc import Sequence

    import numpy.typing as npt

    from sitefinder.rules.overlaps import RuleMetres
    from sitefinder.rules.verdicts import Held
    from sitefinder.settings import RuleSettings

# What is said of a decision that applies although it states nothing to hold it against.
NO_BASIS = "no head, verdict or structure is stated that it was based on, so that none could be checked"
# Lengths and heads that are shown have this many places.
PLACES = 2


class Ground(NamedTuple):
    """What a run finds where decisions were made, arrays of shape (k,).

    ``by_id`` is the number of the reach of the stated id, ``by_place`` that of the reach nearest to the stated
    place, if near enough; -1 for none. ``is_there`` is True where the reach of the id is as near to the place.
    ``distance_m`` is from the place to the nearest stream [m], NaN without a place.
    """

    by_id: npt.NDArray[np.int64]
    by_place: npt.NDArray[np.int64]
    is_there: npt.NDArray[np.bool_]
    distance_m: npt.NDArray[np.float64]


class ReachFacts(NamedTuple):
    """What reaches are now, by their numbers: id, gross head [m], verdict of the rules, ids of structures."""

    reach_id: npt.NDArray[np.object_]
    head_m: npt.NDArray[np.float64]
    verdict: npt.NDArray[np.object_]
    structure_ids: Sequence[Sequence[str]]


def judge_decisions(
    table: pd.DataFrame,
    ground: Ground,
    reaches: ReachFacts,
    *,
    on_date: str | None,
    head_tolerance_m: float,
    snap_m: float,
) -> pd.DataFrame:
    """Which decisions apply, and why the others do not.

    Parameters
    ----------
    table : DataFrame, k rows
        See `sitefinder.io.decisions.DecisionsRead`.
    ground : Ground
    reaches : ReachFacts
    on_date : str or None
        Day on which decisions must be valid, such as "2026-05-31"; None where none has an end.
    head_tolerance_m : float
        How far the gross head may be from the stated one [m].
    snap_m : float
        How far a place may be from its stream [m], for messages.

    Returns
    -------
    DataFrame, k rows
        ``reach`` (number, -1 for none), ``applied`` (bool), ``not_applied`` (name of why it does not, see
        `sitefinder.vocabulary.NOT_APPLIED`) and ``because`` (the same in words with figures).

    Notes
    -----
    A decision with a place holds at the place, whatever ids reaches have; an id beside it must not lie elsewhere.
    Of decisions that contradict each other on a reach, the latest counts; of the same day, none does.
    """
    reach = np.where(ground.by_place >= 0, ground.by_place, ground.by_id)
    reach = np.where(np.isfinite(ground.distance_m) & (ground.by_place < 0), -1, reach)
    why: list[str] = []
    words: list[str] = []
    for row, decision in enumerate(table.to_dict("records")):
        name, text = _fault(decision, row, int(reach[row]), ground, reaches, on_date, head_tolerance_m, snap_m)
        why.append(name)
        words.append(text)
    _mark_contradicted(table, reach, why, words)
    applied = np.array([name == "" for name in why], dtype=bool)
    found = {"reach": reach, "applied": applied, "not_applied": why, "because": words}
    return pd.DataFrame(found).astype({"not_applied": "str", "because": "str", "reach": "int64"})


# Why a decision by itself does not apply: the name and the words; "" and what is to be said of one that does.
def _fault(decision, row, reach, ground, reaches, on_date, head_tolerance_m, snap_m):  # type: ignore[no-untyped-def]
    until, day, own_id = decision["valid_until"], decision["date"], decision["reach_id"]
    if on_date is not None and until and until < on_date:
        return EXPIRED.name, f"valid until {until}, and the settings ask for {on_date}"
    if on_date is not None and day > on_date:
        return MADE_LATER.name, f"made on {day}, after {on_date}, for which the settings ask"
    has_place = np.isfinite(ground.distance_m[row])
    if has_place and ground.by_place[row] < 0:
        far = f"the nearest stream is {ground.distance_m[row]:.0f} m away, more than {snap_m:g} m"
        return NO_STREAM_AT_PLACE.name, far
    if not has_place and ground.by_id[row] < 0:
        return REACH_VANISHED.name, f"no reach is called {own_id}"
    if has_place and ground.by_id[row] >= 0 and not ground.is_there[row]:
        found = reaches.reach_id[ground.by_place[row]]
        return LIES_ELSEWHERE.name, f"at its place is {found}, and {own_id} is more than {snap_m:g} m away"
    head_m, stated_m = float(reaches.head_m[reach]), decision["head_m"]
    states_head, states_verdict = bool(np.isfinite(stated_m)), bool(decision["rule_verdict"])
    # Where the head is not known now, it is not the one that was.
    if states_head and not abs(head_m - stated_m) <= head_tolerance_m:
        now = f"the gross head is {head_m:.{PLACES}f} m"
        return HEAD_MOVED.name, f"{now}, and was {stated_m:.{PLACES}f} m (tolerance {head_tolerance_m:g} m)"
    if states_verdict and reaches.verdict[reach] != decision["rule_verdict"]:
        now = f"the rules' verdict is {reaches.verdict[reach]}"
        return VERDICT_CHANGED.name, f"{now}, and was {decision['rule_verdict']}"
    structure = decision["structure_id"]
    if structure and structure not in reaches.structure_ids[reach]:
        there = ", ".join(reaches.structure_ids[reach]) or "none"
        return STRUCTURE_GONE.name, f"structures on the reach: {there}, and it was {structure}"
    return "", "" if states_head or states_verdict or structure else NO_BASIS


# Decisions in force that contradict a later one on their reach, or one of the same day.
def _mark_contradicted(
    table: pd.DataFrame, reach: npt.NDArray[np.int64], why: list[str], words: list[str]
) -> None:
    in_force = [row for row, name in enumerate(why) if not name]
    rows_of: dict[int, list[int]] = {}
    for row in in_force:
        rows_of.setdefault(int(reach[row]), []).append(row)
    columns = ("decision_id", "decision", "scheme_type", "date")
    ids, decision, scheme, day = (table[name].tolist() for name in columns)
    for rows in rows_of.values():
        for row in rows:
            against = [other for other in rows if _contradict(decision, scheme, row, other)]
            later = [other for other in against if day[other] > day[row]]
            same = [other for other in against if day[other] == day[row]]
            if later:
                latest = max(later, key=lambda other: day[other])
                why[row] = SUPERSEDED.name
                words[row] = f"decision {ids[latest]} of {day[latest]} says {decision[latest]}"
            elif same:
                why[row] = CONTRADICTED.name
                words[row] = f"decision {ids[same[0]]} of the same day says {decision[same[0]]}"


# A reach that is dropped bears no site; of several scheme types only one can be pinned.
def _contradict(decision: list[str], scheme: list[str], one: int, other: int) -> bool:
    kinds = {decision[one], decision[other]}
    if kinds == {PIN.name}:
        return scheme[one] != scheme[other]
    return DROP.name in kinds and kinds != {DROP.name}


def lifted_metres(metres: RuleMetres, rules: Sequence[RuleSettings], kept: npt.NDArray[np.bool_]) -> RuleMetres:
    """Metres under each rule without those that decisions lift.

    Parameters
    ----------
    metres : RuleMetres
        Of each station's segment, arrays of shape (n_rules, n_stations).
    rules : list of sitefinder.settings.RuleSettings
    kept : ndarray of bool, shape (n_stations,)
        Segments on reaches that are kept.

    Returns
    -------
    RuleMetres
        On kept segments, of rules that exclude every scheme type nothing is left, of others what is certain.
    """
    barring = _barring(rules)
    limiting = np.array([named(ACTIONS, rule.action).limits for rule in rules], dtype=bool)
    both = barring[:, np.newaxis] & kept[np.newaxis]
    doubt = limiting[:, np.newaxis] & kept[np.newaxis]
    certain = np.where(both, 0.0, metres.certain)
    possible = np.where(both, 0.0, np.where(doubt, metres.certain, metres.possible))
    return metres._replace(certain=certain, possible=possible)


def rules_lifted(before: Held, after: Held, rules: Sequence[RuleSettings]) -> npt.NDArray[np.object_]:
    """Names of the rules that limit stretches before decisions and not after, in the order of the settings.

    Parameters
    ----------
    before, after : Held
        Of the same m stretches.
    rules : list of sitefinder.settings.RuleSettings

    Returns
    -------
    ndarray of object, shape (m,)
        With "; " between; hidden rules appear once, without their names.
    """
    gone = (before.holds | before.unknown) & ~(after.holds | after.unknown)
    return _named(gone, rules)


def rules_on_reaches(held: Held, rules: Sequence[RuleSettings]) -> npt.NDArray[np.object_]:
    """Names of the rules that a decision to keep lifts on each reach.

    Parameters
    ----------
    held : Held
        Of n reaches.
    rules : list of sitefinder.settings.RuleSettings

    Returns
    -------
    ndarray of object, shape (n,)
    """
    barring = _barring(rules)
    return _named((held.holds & barring[:, np.newaxis]) | held.unknown, rules)


# Rules that exclude every scheme type.
def _barring(rules: Sequence[RuleSettings]) -> npt.NDArray[np.bool_]:
    return np.array([named(ACTIONS, rule.action).bars == BARS_ALL for rule in rules], dtype=bool)


def _named(applies: npt.NDArray[np.bool_], rules: Sequence[RuleSettings]) -> npt.NDArray[np.object_]:
    texts = np.full(applies.shape[1], "", dtype=object)
    for place in np.flatnonzero(applies.any(axis=0)).tolist():
        shown = dict.fromkeys(
            rule.display_name
            for rule, here in zip(rules, applies[:, place], strict=True)
            if here and named(ACTIONS, rule.action).limits
        )
        texts[place] = IN_ONE_CELL.join(shown)
    return texts


def pinned_schemes(table: pd.DataFrame, judged: pd.DataFrame) -> dict[int, str]:
    """The scheme type that is pinned on each reach, by the number of the reach.

    Parameters
    ----------
    table, judged : DataFrame, k rows
        See `judge_decisions`.

    Returns
    -------
    dict of int to str
    """
    rows = np.flatnonzero((table["decision"] == PIN.name).to_numpy() & judged["applied"].to_numpy())
    return {int(judged["reach"].iloc[row]): str(table["scheme_type"].iloc[row]) for row in rows}


def reaches_that(decision: str, table: pd.DataFrame, judged: pd.DataFrame) -> npt.NDArray[np.int64]:
    """Numbers of the reaches of which a decision that applies says this.

    Parameters
    ----------
    decision : str
        Name of one of `sitefinder.vocabulary.DECISIONS`.
    table, judged : DataFrame, k rows
        See `judge_decisions`.

    Returns
    -------
    ndarray of int64
        Rising, each once.
    """
    rows = (table["decision"] == decision).to_numpy() & judged["applied"].to_numpy()
    return np.unique(judged["reach"].to_numpy(dtype=np.int64)[rows])
