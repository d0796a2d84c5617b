"""The rules at a reach or a candidate: what they cover, how far their features are, and what would lift them."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any, NamedTuple

import geopandas
import numpy as np
import pandas as pd
import shapely

from sitefinder.io.credits import licence_with_credit
from sitefinder.rules.confidentiality import doubt_text
from sitefinder.rules.filters import Matching, matching
from sitefinder.rules.overlaps import all_rule_metres, hits_by_reach, overlaps, uncovered
from sitefinder.rules.verdicts import StretchMarks, held_reaches, stretch_marks
from sitefinder.schema.arrays import records_of
from sitefinder.schema.columns import HELD
from sitefinder.vocabulary import ACTIONS, NOT_PUBLISHED, UNDER, named

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence

    import numpy.typing as npt

    from sitefinder.rules.verdicts import Held
    from sitefinder.settings import RuleSettings, Settings
    from sitefinder.steps.inputs import RunInputs

HOLDS, UNKNOWN, TOO_LITTLE = HELD
NO_HIT = "not here"
# A buffer is found to this [m], and looked for up to this distance.
BUFFER_STEP_M, FARTHEST_M = 0.1, 5000.0


class Stretch(NamedTuple):
    """Where rules are looked at: a reach, or the stream that a candidate takes.

    ``stations`` are those whose segments it takes, ``line`` is all of it, ``reach`` the number of the reach, or -1
    for a candidate.
    """

    stations: npt.NDArray[np.int64]
    line: Any
    reach: int


def of_reach(results: Mapping[str, Any], reach: int) -> Stretch:
    """The stretch of a reach by its number."""
    stationing = results["stationing"]
    stations = np.flatnonzero(stationing.stations["reach"].to_numpy() == reach)
    return Stretch(stations.astype(np.int64), stationing.reaches["geometry"].iloc[reach], reach)


def of_candidate(results: Mapping[str, Any], candidate: int) -> Stretch:
    """The stretch that a candidate takes, by its number."""
    stretches = results["stretches"]
    taken = stretches.taken[stretches.start[candidate] : stretches.start[candidate + 1]].astype(np.int64)
    segments = results["stationing"].segments
    own = segments["geometry"][np.isin(segments["station"].to_numpy(), taken)]
    return Stretch(taken, shapely.union_all(own.to_numpy()), -1)


def rule_facts(
    settings: Settings, inputs: RunInputs, results: Mapping[str, Any], stretch: Stretch, candidate: int = -1
) -> list[dict[str, Any]]:
    """Each rule of the settings, with what of it is there.

    Parameters
    ----------
    settings, inputs, results
        Of the run.
    stretch : Stretch
    candidate : int
        Number of the candidate, where the stretch is one's.

    Returns
    -------
    list of dict
        In the order of the settings: ``rule``, ``action``, ``means``, ``layer``, ``date``, ``source``,
        ``licence``, ``buffer_m``, ``min_overlap_m``, ``holds`` (yes, no, unknown, or not here), ``features`` (each
        with ``feature_id``, ``effect``, ``doubt``, ``from_m`` and ``to_m`` along its reach's link, ``overlap_m``),
        ``nearest_feature_id`` and ``nearest_distance_m`` of the features that count, without buffer. A rule whose
        layer must not be published exactly has neither features nor distance, a hidden one no name either.
    """
    judged = results["verdicts"]
    held = judged.held if stretch.reach >= 0 else judged.stretch_marks.held
    at = stretch.reach if stretch.reach >= 0 else candidate
    overlap = results["rule_overlaps"]
    own = overlap[np.isin(overlap["station"].to_numpy(dtype=np.int64), stretch.stations)]
    hits = hits_by_reach(own) if len(own) else own
    facts = []
    for number, (rule, read) in enumerate(zip(settings.rules, inputs.rules, strict=True)):
        mine = hits[hits["rule"] == rule.name] if len(hits) else hits
        facts.append(_facts_of(rule, read, stretch, _state(held, number, at, len(mine)), mine))
    return facts


def _state(held: Held, number: int, at: int, hits: int) -> str:
    if held.holds[number, at]:
        return HOLDS
    if held.unknown[number, at]:
        return UNKNOWN
    return TOO_LITTLE if hits else NO_HIT


def _facts_of(rule: RuleSettings, read: Any, stretch: Stretch, state: str, hits: pd.DataFrame) -> dict[str, Any]:
    facts: dict[str, Any] = {
        "rule": rule.display_name,
        "action": rule.action,
        "means": named(ACTIONS, rule.action).phrase,
        "holds": state,
        "closed_months": list(rule.closed_months),
    }
    if rule.publish == "hidden":
        return facts | {"layer": NOT_PUBLISHED.name, "features": [], "note": NOT_PUBLISHED.phrase}
    facts |= {
        "layer": rule.path if rule.layer is None else f"{rule.path}, {rule.layer}",
        "date": rule.date,
        "source": rule.source,
        "licence": licence_with_credit(rule.licence, rule.attribution),
        "buffer_m": rule.buffer_m,
        "min_overlap_m": rule.min_overlap_m,
        "effect": rule.effect,
    }
    if rule.publish != "exact":
        return facts | {"features": [], "note": NOT_PUBLISHED.phrase}
    doubts = doubt_text(hits).tolist() if len(hits) else []
    columns = ["feature_id", "effect", "from_m", "to_m", "overlap_m"]
    rows = records_of(hits[columns]) if len(hits) else []
    features = [{**row, "doubt": doubt} for row, doubt in zip(rows, doubts, strict=True)]
    nearest, distance_m = _nearest(rule, read, stretch)
    return facts | {"features": features, "nearest_feature_id": nearest, "nearest_distance_m": distance_m}


def distance_to(rule: RuleSettings, read: Any, stretch: Stretch) -> float:
    """Distance from a stretch to the nearest feature of a rule [m], NaN where there is none."""
    return _nearest(rule, read, stretch)[1]


# Features that the rule's filter selects, or may select.
def _counting(rule: RuleSettings, read: Any) -> geopandas.GeoDataFrame:
    frame = read.frame
    if frame.empty:
        return frame
    match = _match(rule, read)
    return frame[match.selected | match.category_missing]


# Of these, those that lack a value, so that they may be selected.
def _doubtful(rule: RuleSettings, read: Any) -> npt.NDArray[np.bool_]:
    if read.frame.empty:
        return np.zeros(0, dtype=bool)
    match = _match(rule, read)
    doubtful: npt.NDArray[np.bool_] = match.category_missing[match.selected | match.category_missing]
    return doubtful


def _match(rule: RuleSettings, read: Any) -> Any:
    match = getattr(read, "match", None)
    return matching(read.frame, rule) if match is None else match


# The nearest feature that counts, and its distance [m].
def _nearest(rule: RuleSettings, read: Any, stretch: Stretch) -> tuple[str, float]:
    counting = _counting(rule, read)
    if counting.empty:
        return "", math.nan
    distance_m = shapely.distance(counting.geometry.to_numpy(), stretch.line)
    row = int(np.nanargmin(distance_m))
    return str(counting["feature_id"].iloc[row]), float(distance_m[row])


def holding(
    settings: Settings,
    inputs: RunInputs,
    results: Mapping[str, Any],
    stretch: Stretch,
    number: int,
) -> Callable[[RuleSettings], bool]:
    """What says whether a rule would hold, or might, on a stretch if its settings were others.

    Parameters
    ----------
    settings, inputs, results
        Of the run.
    stretch : Stretch
    number : int
        Of the rule.

    Returns
    -------
    callable
        Takes the rule's settings. Only for rules whose effect is ``under``: what is carried along the stream is
        not looked at.
    """
    stationing, coverage = results["stationing"], inputs.coverages[number]
    rule_now = settings.rules[number]
    read = inputs.rules[number]
    features = _counting(rule_now, read)
    doubtful = _doubtful(rule_now, read)
    far_m = shapely.distance(features.geometry.to_numpy(), stretch.line)
    # Where points stand for discs, how far these reach is not in their distance.
    reach_m = np.inf if rule_now.area_ha_column or rule_now.area_m2_column else 1.0
    segments = stationing.segments
    reach_of = stationing.stations["reach"].to_numpy()
    # Of a reach's minimum overlap all segments of the reach count.
    wanted = np.isin(reach_of, np.unique(reach_of[stretch.stations])) if stretch.reach < 0 else None
    stations = stretch.stations if wanted is None else np.flatnonzero(wanted)
    near = segments[np.isin(segments["station"].to_numpy(), stations)]
    segment_m = stationing.stations["segment_length_m"].to_numpy()

    def holds(rule: RuleSettings) -> bool:
        close = ~(far_m > rule.buffer_m + reach_m)
        match = Matching(~doubtful[close], doubtful[close], [])
        found = [overlaps(near, features[close], rule, match)] if close.any() else []
        if coverage is not None:
            found.append(uncovered(near, coverage.frame.geometry.to_numpy(), rule))
        hits = pd.concat(found, ignore_index=True) if found else results["rule_overlaps"].iloc[:0]
        if stretch.reach >= 0:
            metres = all_rule_metres(hits.assign(reach=0), [rule], 1, by="reach")
            held = held_reaches(stationing.reaches.iloc[[stretch.reach]], metres, [rule])
        else:
            metres = all_rule_metres(hits, [rule], len(reach_of), by="station")
            first = np.array([0, len(stretch.stations)])
            held = stretch_marks(first, stretch.stations, segment_m, reach_of, metres, [rule]).held
        return bool(held.holds.any() or held.unknown.any())

    return holds


def buffer_that_lifts(rule: RuleSettings, holds: Callable[[RuleSettings], bool], *, is_flat: bool) -> float | None:
    """The largest buffer with which a rule that holds would not [m], to 0.1 m; None where no buffer does that.

    Parameters
    ----------
    rule : RuleSettings
    holds : callable
        See `holding`.
    is_flat : bool
        Whether its features are points or lines, which need a buffer.
    """
    least_m = BUFFER_STEP_M if is_flat else 0.0
    if rule.effect != UNDER.name or rule.buffer_m <= least_m or holds(_buffered(rule, least_m)):
        return None
    return _bisected(least_m, rule.buffer_m, lambda buffer_m: not holds(_buffered(rule, buffer_m)))[0]


def buffer_that_adds(rule: RuleSettings, holds: Callable[[RuleSettings], bool], start_m: float) -> float | None:
    """The smallest buffer with which a rule that does not hold would [m], to 0.1 m; None beyond 5 km.

    Parameters
    ----------
    rule : RuleSettings
    holds : callable
        See `holding`.
    start_m : float
        A buffer with which it does not hold [m]: its own, or the distance of the nearest feature.
    """
    if rule.effect != UNDER.name:
        return None
    step_m = 1.0
    while not holds(_buffered(rule, start_m + step_m)):
        if start_m + step_m >= FARTHEST_M:
            return None
        start_m, step_m = start_m + step_m, 4.0 * step_m
    far_m = start_m + step_m
    return _bisected(start_m, far_m, lambda buffer_m: not holds(_buffered(rule, buffer_m)))[1]


def _buffered(rule: RuleSettings, buffer_m: float) -> RuleSettings:
    return rule.model_copy(update={"buffer_m": buffer_m})


# Two numbers a step apart, in whole steps: the last for which it is true, and the first for which it is not.
def _bisected(low: float, high: float, is_true: Callable[[float], bool]) -> tuple[float, float]:
    first, last = math.floor(low / BUFFER_STEP_M + 1e-9), math.ceil(high / BUFFER_STEP_M - 1e-9)
    while last - first > 1:
        middle = (first + last) // 2
        if is_true(middle * BUFFER_STEP_M):
            first = middle
        else:
            last = middle
    return round(first * BUFFER_STEP_M, 1), round(last * BUFFER_STEP_M, 1)


def barring_rules(
    settings: Settings, results: Mapping[str, Any], candidate: int, scheme: Any, builds: bool
) -> Sequence[int]:
    """Numbers of the rules that exclude a candidate.

    Parameters
    ----------
    settings, results
        Of the run.
    candidate : int
    scheme : sitefinder.vocabulary.SchemeType
    builds : bool
        Whether it builds a barrier.

    Returns
    -------
    list of int
        Those that hold, and those that may where `ranking.allow` does not let the unknown pass.
    """
    held, allow = results["verdicts"].stretch_marks.held, settings.ranking.allow
    found = []
    for number, rule in enumerate(settings.rules):
        action = named(ACTIONS, rule.action)
        bars = action.bars_scheme(scheme, allow) or (builds and action.bars_new_barriers(allow))
        unknown = held.unknown[number, candidate] and action.limits and "unknown" not in allow
        if (held.holds[number, candidate] and bars) or unknown:
            found.append(number)
    return found


__all__ = [
    "Stretch",
    "StretchMarks",
    "barring_rules",
    "buffer_that_adds",
    "buffer_that_lifts",
    "distance_to",
    "holding",
    "of_candidate",
    "of_reach",
    "rule_facts",
]
