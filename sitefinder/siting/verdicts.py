"""What the rules say of each reach and stretch: marks, verdict, reasons, and which machines may stand there."""

from typing import NamedTuple

import numpy as np
import pandas as pd
from numba import njit

from sitefinder.schema.columns import MARKS, VERDICTS
from sitefinder.siting.intervals import SHORTEST_OVERLAP_M

MARK_NAMES = tuple(column.name for column in MARKS)
# Marks of which each verdict needs at least one; the verdicts stand worst first, and open needs none.
MARKS_OF_VERDICT = {
    "excluded": ["mark_exclude"],
    "unknown": ["mark_unknown"],
    "conditional": ["mark_conditional"],
    "restricted": ["mark_fish_safe_only", "mark_no_diversion", "mark_no_new_barrier"],
    "open": [],
}
REASON_SEPARATOR = "; "
CATEGORY_MISSING = "{} (category missing)"

# Machine choices that a stretch may be valued with.
NONE_MAY, ANY_MAY, SAFE_MAY = -1, 0, 1
# Why a stretch may carry no machine, worst first; the first is for those that may.
BARRED_BECAUSE = (
    "",
    "a rule excludes it",
    "a rule's layer does not say",
    "it could stand on conditions only",
    "no water may be diverted",
    "no new barrier may be built",
)


class Held(NamedTuple):
    """Which rules hold: ``holds`` and ``unknown``, bool of shape (n_rules, m); never both at once."""

    holds: np.ndarray
    unknown: np.ndarray


class StretchMarks(NamedTuple):
    """``held`` as of `Held`; ``marks``: one bool column for each of `MARK_NAMES`, a row a stretch."""

    held: Held
    marks: pd.DataFrame


class Admission(NamedTuple):
    """``choice`` (int8: -1 none, 0 any machine, 1 fish-safe only) and ``because`` (why none), of shape (m,)."""

    choice: np.ndarray
    because: np.ndarray


def reach_verdicts(reaches, metres, possible_metres, rules):
    """Verdict and reasons of each reach.

    Parameters
    ----------
    reaches : DataFrame, n rows
        ``length_m`` [m], in the order of the reach numbers.
    metres : ndarray of float64, shape (n_rules, n)
        Length of each reach under each rule [m], see `rules.rule_metres`.
    possible_metres : ndarray of float64, shape (n_rules, n)
        The same with features of missing category [m].
    rules : list of config.RuleSettings
        In the order of the settings.

    Returns
    -------
    DataFrame
        With the index of ``reaches``; see `verdicts`.

    Notes
    -----
    A rule holds from its ``least_overlap_m`` on. A reach that is shorter than that is held when all of it is under
    the rule; otherwise short reaches would slip through.
    """
    held = _held(metres, possible_metres, reaches["length_m"].to_numpy(dtype=np.float64), rules)
    return verdicts(held, rules).set_axis(reaches.index)


def stretch_marks(first, stations, segment_length_m, metres, possible_metres, rules):
    """Marks of each stretch by the metres of its own segments, not by those of the reaches it lies in.

    Parameters
    ----------
    first : ndarray of int64, shape (m + 1,)
        Where each stretch's stations begin and end in ``stations``.
    stations : ndarray of int, shape (k,)
        Stations whose segments a stretch takes, each once.
    segment_length_m : ndarray of float64, shape (n_stations,)
        Length of each station's segment [m].
    metres, possible_metres : ndarray of float64, shape (n_rules, n_stations)
        See `reach_verdicts`.
    rules : list of config.RuleSettings

    Returns
    -------
    StretchMarks
    """
    sums = [_sums(first, stations, each) for each in (metres, possible_metres)]
    length_m = _sums(first, stations, segment_length_m[np.newaxis])[0]
    held = _held(*sums, length_m, rules)
    return StretchMarks(held, _marks(held, rules))


def verdicts(held, rules, chosen=None):
    """Verdict, reasons and marks from the rules that hold.

    Parameters
    ----------
    held : Held
        Of m reaches or stretches.
    rules : list of config.RuleSettings
        In the order of the settings.
    chosen : ndarray of int, optional
        Numbers of those to judge; all where left out.

    Returns
    -------
    DataFrame
        ``verdict`` (excluded, unknown, conditional, restricted or open), ``reasons`` (names of the rules that
        hold or may hold, in the order of the settings, with "; " between), ``only_reason`` (the name of the one
        rule without which it would be open; empty where there is none or more than one) and a bool column for
        each of `MARK_NAMES`.
    """
    if chosen is not None:
        held = Held(held.holds[:, chosen], held.unknown[:, chosen])
    marks = _marks(held, rules)
    result = pd.DataFrame(index=marks.index)
    verdict = np.full(len(marks), VERDICTS[-1], dtype=object)
    for name in reversed(VERDICTS):
        verdict[marks[MARKS_OF_VERDICT[name]].any(axis=1).to_numpy()] = name
    result["verdict"] = pd.Series(verdict, dtype="str")
    result["reasons"] = pd.Series(_reasons(held, rules), dtype="str")

    counts = np.array([rule.action != "note" for rule in rules], dtype=bool)[:, np.newaxis]
    keeps = (held.holds | held.unknown) & counts
    names = np.array([rule.name for rule in rules] + [""], dtype=object)
    alone = keeps.sum(axis=0) == 1
    only = np.where(alone, keeps.argmax(axis=0) if len(rules) else 0, len(rules))
    result["only_reason"] = pd.Series(names[only], dtype="str")
    return pd.concat([result, marks], axis=1)


def admissible(layout, marks, allow):
    """Which machine choice each stretch may use, by its layout and its marks.

    Parameters
    ----------
    layout : array of str, shape (m,)
        ``"at_barrier"``, ``"diversion"`` or ``"new_weir"``.
    marks : DataFrame, m rows
        See `stretch_marks`.
    allow : list of str
        Of ``ranking.allow``, ``"unknown"`` and ``"conditional"`` matter here.

    Returns
    -------
    Admission
        Where several things bar a stretch, the worst is told.
    """
    layout = np.asarray(layout)
    marked = {name: marks[name].to_numpy(dtype=bool) for name in MARK_NAMES}
    bars = (
        marked["mark_exclude"],
        marked["mark_unknown"] & ("unknown" not in allow),
        marked["mark_conditional"] & ("conditional" not in allow),
        marked["mark_no_diversion"] & (layout == "diversion"),
        marked["mark_no_new_barrier"] & (layout == "new_weir"),
    )
    why = np.zeros(len(marks), dtype=np.int8)
    for number, barred in reversed(list(enumerate(bars, start=1))):
        why[barred] = number
    choice = np.where(why > 0, NONE_MAY, np.where(marked["mark_fish_safe_only"], SAFE_MAY, ANY_MAY))
    return Admission(choice.astype(np.int8), np.array(BARRED_BECAUSE)[why])


# Rules that hold, and those that hold only if features of missing category are meant.
def _held(metres, possible_metres, length_m, rules):
    least_m = np.array([rule.least_overlap_m for rule in rules], dtype=np.float64).reshape(-1, 1)
    # Sums of many segments may miss the whole length by rounding.
    enough_m = np.maximum(np.minimum(least_m, length_m) - SHORTEST_OVERLAP_M, SHORTEST_OVERLAP_M / 2)
    holds = metres >= enough_m
    return Held(holds, (possible_metres >= enough_m) & ~holds)


# One bool column for each of `MARK_NAMES`. A note bars nothing, so one that may hold is simply noted.
def _marks(held, rules):
    marks = {name: np.zeros(held.holds.shape[1], dtype=bool) for name in MARK_NAMES}
    for rule, holds, unknown in zip(rules, *held, strict=True):
        marks[f"mark_{rule.action}"] |= holds
        marks["mark_note" if rule.action == "note" else "mark_unknown"] |= unknown
    return pd.DataFrame(marks)


def _reasons(held, rules):
    reasons = np.full(held.holds.shape[1], "", dtype=object)
    for rule, holds, unknown in zip(rules, *held, strict=True):
        for applies, name in ((holds, rule.name), (unknown, CATEGORY_MISSING.format(rule.name))):
            already = applies & (reasons != "")
            reasons[already] += REASON_SEPARATOR
            reasons[applies] += name
    return reasons


# Sum of each row's values over the stations of each stretch, shape (rows, m).
@njit(cache=True)
def _sums(first, stations, values):
    result = np.zeros((values.shape[0], len(first) - 1))
    for row in range(values.shape[0]):
        for stretch in range(len(first) - 1):
            total = 0.0
            for place in range(first[stretch], first[stretch + 1]):
                total += values[row, stations[place]]
            result[row, stretch] = total
    return result
