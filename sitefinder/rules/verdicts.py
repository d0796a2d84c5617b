"""Rules applied to reaches and stretches: marks, verdict, reasons, and the turbines that may be used."""

from typing import NamedTuple

import numpy as np
import pandas as pd

from sitefinder.rules.overlaps import MIN_HELD_M, SHORTEST_OVERLAP_M, RuleMetres
from sitefinder.vocabulary import (
    ACTIONS,
    AS_BUILT_SAFETY,
    DOUBT,
    IN_ONE_CELL,
    MONTH_SEPARATOR,
    NOT_COVERED,
    SCHEME_TYPES,
    VERDICTS,
    marked_actions,
    named,
    names,
)

MARK_NAMES = tuple(action.mark for action in marked_actions())
# Marks that lead to each verdict, the worst verdict first; the last needs none.
MARKS_OF_VERDICT = {
    verdict.name: [action.mark for action in marked_actions() if action.limits and action.verdict == verdict.name]
    for verdict in VERDICTS
}
# Actions that exclude candidates; where several do, the one of the worst verdict is named.
BARRING = sorted(
    (action for action in marked_actions() if action.bars),
    key=lambda action: names(VERDICTS).index(action.verdict),
)
# Why it is unknown whether a rule holds, as shown in brackets after the rule's name.
CATEGORY_MISSING = "category missing"

# Turbine choices that a stretch may be valued with.
NONE_MAY, ANY_MAY, SAFE_MAY, AS_BUILT_MAY = -1, 0, 1, 2
# Why a candidate is excluded, worst first; the first is for those that are not.
# The last is for what a rule's ``never_past`` forbids.
BARRED_BECAUSE = ("", *(action.barred_because for action in BARRING), "a rule forbids to bypass what lies here")


class Held(NamedTuple):
    """Which rules hold: ``holds`` and ``unknown``, bool of shape (n_rules, m), never both.

    Where unknown, ``missing`` marks a feature without category, and ``outside`` ground that the rule's layer does
    not cover; both are possible.
    """

    holds: np.ndarray
    unknown: np.ndarray
    missing: np.ndarray
    outside: np.ndarray


class StretchMarks(NamedTuple):
    """``held`` as of `Held`; ``marks``: one bool column for each of `MARK_NAMES`, a row a stretch."""

    held: Held
    marks: pd.DataFrame


class Admission(NamedTuple):
    """``choice`` (int8: -1 none, 0 any, 1 fish-safe, 2 fish-safe as built) and ``because`` (why none) of (m,)."""

    choice: np.ndarray
    because: np.ndarray


def held_reaches(reaches, metres, rules):
    """Which rules hold in each reach.

    Parameters
    ----------
    reaches : DataFrame, n rows
        ``length_m`` [m], in the order of the reach numbers.
    metres : RuleMetres
        Of each reach.
    rules : list of config.RuleSettings
        In the order of the settings.

    Returns
    -------
    Held

    Notes
    -----
    A rule holds from its ``min_overlap_m``, or its ``min_overlap_share`` of the length, on. In a reach
    shorter than the minimum overlap a rule holds when all of it is under the rule; otherwise short reaches would
    escape.
    """
    enough_m = _enough_m(reaches["length_m"].to_numpy(dtype=np.float64), rules)
    certain, possible = metres.certain >= enough_m, metres.possible >= enough_m
    return _held(certain, possible, metres)


def stretch_marks(first, stations, segment_length_m, reach, metres, rules):
    """Marks of each stretch by the metres of its own segments, not by those of its reaches.

    Parameters
    ----------
    first : ndarray of int64, shape (m + 1,)
        Where each stretch's stations begin and end in ``stations``.
    stations : ndarray of int, shape (k,)
        Stations whose segments a stretch takes, each once.
    segment_length_m : ndarray of float64, shape (n_stations,)
        Length of each station's segment [m].
    reach : ndarray of int, shape (n_stations,)
        Reach of each station's segment, -1 for one without.
    metres : RuleMetres
        Of each station's segment.
    rules : list of config.RuleSettings

    Returns
    -------
    StretchMarks

    Notes
    -----
    A rule holds as in a reach, by the stretch's own length and metres. It also holds where the stretch takes
    enough of one reach under the rule for the rule to hold in that reach: a long stretch must not dilute a reach
    that is excluded.
    """
    metres = RuleMetres(*[np.asarray(each, dtype=np.float64) for each in metres])
    certain_m = _sums(first, stations, metres.certain)
    sums = RuleMetres(
        certain_m,
        _sums(first, stations, metres.possible, (metres.certain, certain_m)),
        _sums(first, stations, metres.missing),
        _sums(first, stations, metres.outside),
    )
    enough_m = _enough_m(_sums(first, stations, segment_length_m[np.newaxis])[0], rules)
    certain, possible = sums.certain >= enough_m, sums.possible >= enough_m
    # The two measures differ only where there is a minimum overlap.
    graded = np.array([rule.min_overlap_m > 0 or rule.min_overlap_share > 0 for rule in rules], dtype=bool)
    if graded.any():
        on_reach = reach >= 0
        length_m = np.bincount(reach[on_reach], weights=segment_length_m[on_reach])
        enough_m = _enough_m(length_m, rules)[graded]
        by_reach = [
            _fills_a_reach(first, stations, reach, enough_m, each[graded])
            for each in (metres.certain, metres.possible)
        ]
        certain[graded] |= by_reach[0]
        possible[graded] |= by_reach[1]
    held = _held(certain, possible, sums)
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
        Numbers of those to evaluate; all by default.

    Returns
    -------
    DataFrame
        ``verdict`` (excluded, unknown, conditional, restricted or open), ``reasons`` (names of the rules that
        hold or may hold, in the order of the settings, with "; " between), ``only_reason`` (the name of the one
        rule without which it would be open; empty where there is none or more than one), ``closed_months`` (in
        which rules that hold forbid any abstraction, such as "10;11"; none for a rule that excludes) and a bool
        column for each of `MARK_NAMES`. Hidden rules appear as `sitefinder.settings.rules.SENSITIVE`, once.
    """
    if chosen is not None:
        held = Held(*[each[:, chosen] for each in held])
    marks = _marks(held, rules)
    result = pd.DataFrame(index=marks.index)
    verdict = np.full(len(marks), VERDICTS[-1].name, dtype=object)
    for name, own in reversed(MARKS_OF_VERDICT.items()):
        verdict[marks[own].any(axis=1).to_numpy()] = name
    result["verdict"] = pd.Series(verdict, dtype="str")
    result["reasons"] = pd.Series(_reasons(held, rules), dtype="str")

    counts = np.array([named(ACTIONS, rule.action).limits for rule in rules], dtype=bool)[:, np.newaxis]
    limiting = (held.holds | held.unknown) & counts
    names = np.array([rule.display_name for rule in rules] + [""], dtype=object)
    alone = limiting.sum(axis=0) == 1
    only = np.where(alone, limiting.argmax(axis=0) if len(rules) else 0, len(rules))
    result["only_reason"] = pd.Series(names[only], dtype="str")
    result["closed_months"] = pd.Series(_closed_months(held, rules), dtype="str")
    return pd.concat([result, marks], axis=1)


def admissible(scheme_type, marks, allow, new_barrier=None, passes_forbidden=None):
    """Which turbine choice each stretch may use, by its scheme type and its marks.

    Parameters
    ----------
    scheme_type : array of str, shape (m,)
        Names of scheme types, of `sitefinder.vocabulary.SCHEME_TYPES`.
    marks : DataFrame, m rows
        See `stretch_marks`.
    allow : list of str
        The run's ``ranking.allow``, of which the names of actions matter here.
    new_barrier : ndarray of bool, shape (m,), optional
        Stretches that build a barrier though their scheme type does not say so: diversions with a weir of their
        own at the intake. By default none.
    passes_forbidden : ndarray of bool, shape (m,), optional
        Stretches that go past something that a rule forbids to bypass. By default none.

    Returns
    -------
    Admission
        Where several actions exclude a stretch, that of the worst verdict is named.
    """
    scheme_type = pd.Series(np.asarray(scheme_type, dtype=object))
    why = np.zeros(len(marks), dtype=np.int8)
    for number, action in reversed(list(enumerate(BARRING, start=1))):
        barred = [scheme.name for scheme in SCHEME_TYPES if action.bars_scheme(scheme, allow)]
        is_barred = scheme_type.isin(barred).to_numpy(dtype=bool)
        if new_barrier is not None and action.bars_new_barriers(allow):
            is_barred = is_barred | new_barrier
        why[marks[action.mark].to_numpy(dtype=bool) & is_barred] = number
    if passes_forbidden is not None:
        why[(why == 0) & passes_forbidden] = len(BARRED_BECAUSE) - 1
    choice = np.where(fish_safe_only(marks), SAFE_MAY, ANY_MAY)
    choice = np.where(fish_safe_only(marks, AS_BUILT_SAFETY.name), AS_BUILT_MAY, choice)
    choice = np.where(why > 0, NONE_MAY, choice)
    return Admission(choice.astype(np.int8), np.array(BARRED_BECAUSE, dtype=object)[why])


def fish_safe_only(marks, question=None):
    """Stretches where a rule admits fish-safe turbines only, whatever other rules exclude there.

    Parameters
    ----------
    marks : DataFrame, m rows
        See `stretch_marks`.
    question : str, optional
        Name of the question that the rule asks, of `sitefinder.vocabulary.FISH_SAFETIES`; by default either.

    Returns
    -------
    ndarray of bool, shape (m,)
    """
    asking = [action for action in marked_actions() if action.fish_safe_only]
    of_actions = [action.mark for action in asking if question in (None, action.asks)]
    return marks[of_actions].any(axis=1).to_numpy(dtype=bool)


# Metres from which on each rule holds, shape (n_rules, n). Sums of many segments may miss a length by rounding.
def _enough_m(length_m, rules):
    min_m = np.array([rule.min_overlap_m for rule in rules], dtype=np.float64).reshape(-1, 1)
    share = np.array([rule.min_overlap_share for rule in rules], dtype=np.float64).reshape(-1, 1)
    min_m = np.minimum(np.maximum(min_m, share * length_m), length_m)
    return np.maximum(min_m - SHORTEST_OVERLAP_M, MIN_HELD_M - SHORTEST_OVERLAP_M)


# Rules that hold, and rules of which that is unknown, with why.
def _held(certain, possible, metres):
    unknown = possible & ~certain
    return Held(certain, unknown, unknown & (metres.missing > 0), unknown & (metres.outside > 0))


# One bool column for each of `MARK_NAMES`. An unknown rule that limits nothing keeps its own mark.
def _marks(held, rules):
    marks = {name: np.zeros(held.holds.shape[1], dtype=bool) for name in MARK_NAMES}
    for rule, holds, unknown in zip(rules, held.holds, held.unknown, strict=True):
        action = named(ACTIONS, rule.action)
        marks[action.mark] |= holds
        marks[DOUBT.mark if action.limits else action.mark] |= unknown
    return pd.DataFrame(marks)


def _reasons(held, rules):
    reasons = np.full(held.holds.shape[1], "", dtype=object)
    hidden = {}
    for number, rule in enumerate(rules):
        missing, outside = held.missing[number], held.outside[number]
        cases = (
            (held.holds[number], rule.display_name),
            (missing & ~outside, f"{rule.display_name} ({CATEGORY_MISSING})"),
            (outside & ~missing, f"{rule.display_name} ({NOT_COVERED.name})"),
            (missing & outside, f"{rule.display_name} ({CATEGORY_MISSING}, {NOT_COVERED.name})"),
        )
        for holds, name in cases:
            applies = holds
            if rule.publish == "hidden":
                # Several hidden rules give one reason.
                notes = hidden.setdefault(name, np.zeros(len(reasons), dtype=bool))
                applies, hidden[name] = holds & ~notes, notes | holds
            already = applies & (reasons != "")
            reasons[already] += IN_ONE_CELL
            reasons[applies] += name
    return reasons


def closed_by_rules(held, rules):
    """Months in which rules that hold allow no abstraction.

    Parameters
    ----------
    held : Held
        Of m reaches or stretches.
    rules : list of config.RuleSettings
        In the order of the settings.

    Returns
    -------
    ndarray of bool, shape (m, 12)
        January first. A rule of which it is unknown whether it holds closes nothing.
    """
    closed = np.zeros((held.holds.shape[1], 12), dtype=bool)
    for rule, holds in zip(rules, held.holds, strict=True):
        for month in rule.closed_months:
            closed[:, month - 1] |= holds
    return closed


# Months that any rule that holds closes, as text.
def _closed_months(held, rules):
    closed = closed_by_rules(held, rules)
    kinds, of = np.unique(closed, axis=0, return_inverse=True)
    notes = [MONTH_SEPARATOR.join(str(month + 1) for month in np.flatnonzero(kind)) for kind in kinds]
    return np.array(notes, dtype=object)[of.ravel()] if len(closed) else np.array([], dtype=object)


# Number of the stretch of each place in the array of stations, shape (k,).
def _owners(first):
    return np.repeat(np.arange(len(first) - 1), np.diff(first))


# Sum of each row's values over the stations of each stretch, shape (rows, m). They are added in the order of the
# stations, one after the other, as bincount does; stations without a value, which most are under a rule, add none.
# Values and sums that are known are taken for rows that are the same: what is certain and what is possible are so
# under most rules.
def _sums(first, stations, values, known=None):
    owner, count = _owners(first), len(first) - 1
    sums = np.zeros((len(values), count))
    for row in np.flatnonzero(values.any(axis=1)):
        if known is not None and np.array_equal(values[row], known[0][row]):
            sums[row] = known[1][row]
        else:
            taken = np.flatnonzero((values[row] != 0.0)[stations])
            sums[row] = np.bincount(owner[taken], weights=values[row][stations[taken]], minlength=count)
    return sums


# Whether each stretch takes at least `enough_m` of one reach under each rule, shape (rows, m).
def _fills_a_reach(first, stations, reach, enough_m, values):
    result = np.zeros((len(values), len(first) - 1), dtype=bool)
    reach, owner, reaches = np.asarray(reach), _owners(first), enough_m.shape[1]
    for row, (metres, enough) in enumerate(zip(values, enough_m, strict=True)):
        taken = np.flatnonzero(((reach >= 0) & (metres > 0.0))[stations])
        at = stations[taken]
        pairs, place = _kinds(owner[taken] * reaches + reach[at])
        filled_m = np.bincount(place, weights=metres[at], minlength=len(pairs))
        filled = pairs[filled_m >= enough[pairs % reaches]]
        result[row, filled // reaches] = True
    return result


# Distinct values, rising, and the place of each value among them, shape (k,): as np.unique gives them, which would
# sort all, where most follow their like.
def _kinds(values):
    begins = np.flatnonzero(np.diff(values, prepend=values[:1] - 1))
    kinds, of_run = np.unique(values[begins], return_inverse=True)
    return kinds, np.repeat(of_run, np.diff(begins, append=len(values)))
