"""The stages of decisions: where they apply, and what they make of the candidates that rules judged."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import numpy as np
import pandas as pd
import shapely

from sitefinder.network.stations import nearest_segments
from sitefinder.rules.decisions import (
    Ground,
    ReachFacts,
    judge_decisions,
    lifted_metres,
    pinned_schemes,
    reaches_that,
    rules_lifted,
    rules_on_reaches,
)
from sitefinder.rules.overlaps import all_rule_metres
from sitefinder.rules.verdicts import NONE_MAY, Held, stretch_marks
from sitefinder.siting.candidates import subset
from sitefinder.steps.rules import admitted
from sitefinder.vocabulary import BARRED_BY_DECISION, DROP, KEEP

if TYPE_CHECKING:
    import numpy.typing as npt

    from sitefinder.network.stations import Stationing
    from sitefinder.settings import Settings
    from sitefinder.siting.candidates import Stretches
    from sitefinder.steps.heads import Profile
    from sitefinder.steps.inputs import RunInputs
    from sitefinder.steps.rules import Judged
    from sitefinder.steps.water_bodies import WaterBodies


class Decisions(NamedTuple):
    """Decisions with what the run found of them, a row each in the order of the user's table.

    ``table`` has the user's columns but for the geometry (see `sitefinder.io.decisions.DecisionsRead`; ``head_m``
    is the one stated), ``x_m`` and ``y_m`` of the place and its ``distance_m`` from a stream [m, NaN for none],
    ``reach``, ``applied``, ``not_applied`` and ``because`` of `sitefinder.rules.decisions.judge_decisions`, and of
    the reach now ``found_head_m`` [m], ``found_verdict`` and ``found_structures`` (text).
    ``rules_of_reach`` names the rules that a decision to keep lifts on each reach, shape (reaches,).
    """

    table: pd.DataFrame
    rules_of_reach: npt.NDArray[np.object_]


def place_decisions(
    settings: Settings,
    inputs: RunInputs,
    stationing: Stationing,
    heads: Profile,
    water_bodies: WaterBodies,
    rule_verdicts: Judged,
) -> Decisions | None:
    """Decisions on their reaches, and which of them apply; None where the settings name none.

    A reach is found by the place that a decision states, so that it keeps its decision under another id, and by
    its id where there is no place.
    """
    source, frame = settings.inputs.decisions, inputs.decisions
    if source is None or frame is None:
        return None
    reaches, stations = stationing.reaches, stationing.stations
    snap_m = settings.stretches.structure_snap_m
    first, last = (reaches[name].to_numpy() for name in ("first_station", "last_station"))
    facts = ReachFacts(
        reaches["reach_id"].to_numpy(dtype=object),
        heads.profile_m[first] - heads.profile_m[last],
        rule_verdicts.reaches["verdict"].to_numpy(dtype=object),
        _structures_on_reaches(stationing, water_bodies),
    )
    places = frame["geometry"].to_numpy(dtype=object)
    has_place = np.array([place is not None for place in places], dtype=bool)
    points = places[has_place]
    station, near_m, _ = nearest_segments(points, stationing.segments)
    by_place, distance_m = np.full(len(frame), -1), np.full(len(frame), np.nan)
    distance_m[has_place] = near_m
    by_place[has_place] = np.where(near_m <= snap_m, stations["reach"].to_numpy()[station], -1)
    by_id = pd.Index(facts.reach_id).get_indexer(pd.Index(frame["reach_id"], dtype=object)).astype(np.int64)
    is_there = (by_place == by_id) | _is_near(by_id, places, reaches["geometry"].to_numpy(dtype=object), snap_m)
    judged = judge_decisions(
        frame,
        Ground(by_id, by_place.astype(np.int64), is_there, distance_m),
        facts,
        on_date=source.on_date,
        head_tolerance_m=source.head_tolerance_m,
        snap_m=snap_m,
    )
    reach = judged["reach"].to_numpy(dtype=np.int64)
    x_m, y_m = np.full(len(frame), np.nan), np.full(len(frame), np.nan)
    x_m[has_place], y_m[has_place] = shapely.get_x(points), shapely.get_y(points)
    structures = np.array([";".join(names) for names in facts.structure_ids] + [""], dtype=object)
    found = {
        "x_m": x_m,
        "y_m": y_m,
        "distance_m": distance_m,
        "found_head_m": np.append(facts.head_m, np.nan)[reach],
        "found_verdict": np.append(facts.verdict, "")[reach],
        "found_structures": structures[reach],
    }
    table = pd.concat([frame.drop(columns="geometry").reset_index(drop=True), judged], axis=1).assign(**found)
    return Decisions(table, rules_on_reaches(rule_verdicts.held, settings.rules))


# Ids of the existing structures on each reach.
def _structures_on_reaches(stationing: Stationing, water_bodies: WaterBodies) -> list[list[str]]:
    found: list[list[str]] = [[] for _ in range(len(stationing.reaches))]
    reach = np.append(stationing.stations["reach"].to_numpy(), -1)
    table = water_bodies.structures
    ids, station = table["structure_id"].astype(str).tolist(), table["station"].to_numpy(dtype=np.int64)
    for name, number in zip(ids, reach[station].tolist(), strict=True):
        if number >= 0:
            found[number].append(name)
    return found


# Whether the reach of each id is near each place.
def _is_near(
    by_id: npt.NDArray[np.int64], places: npt.NDArray[np.object_], lines: npt.NDArray[np.object_], snap_m: float
) -> npt.NDArray[np.bool_]:
    near = np.zeros(len(by_id), dtype=bool)
    for row, (number, place) in enumerate(zip(by_id.tolist(), places, strict=True)):
        near[row] = number >= 0 and place is not None and shapely.distance(lines[number], place) <= snap_m
    return near


def decide(
    settings: Settings,
    stationing: Stationing,
    candidates: Stretches,
    stream_things: pd.DataFrame,
    rule_overlaps: pd.DataFrame,
    rule_verdicts: Judged,
    decisions: Decisions | None,
) -> Judged:
    """What rules say of the candidates, with the decisions that apply.

    A candidate on a reach that is kept is judged again without what excludes every site on that reach; what rules
    say of the rest of its stretch counts. One on a reach that is dropped, or for which another scheme type is
    pinned, is excluded.

    Returns
    -------
    Judged
        Verdicts, reasons and marks are those of the rules; see `sitefinder.steps.rules.Judged`.
    """
    if decisions is None:
        return rule_verdicts
    table = decisions.table
    reach_of = stationing.stations["reach"].to_numpy()
    choice, because = rule_verdicts.choice.copy(), rule_verdicts.because.astype(object)
    lifted = np.full(len(choice), "", dtype=object)
    kept = np.append(np.zeros(len(stationing.reaches), dtype=bool), False)
    kept[reaches_that(KEEP.name, table, table)] = True
    again = np.flatnonzero(on_reaches(stationing, candidates, kept[:-1]) & (choice == NONE_MAY))
    if len(again):
        some = np.zeros(len(choice), dtype=bool)
        some[again] = True
        few, rules = subset(candidates, some), settings.rules
        count = len(stationing.stations)
        metres = all_rule_metres(rule_overlaps, rules, count, by="station")
        left = lifted_metres(metres, rules, kept[reach_of])
        segment_m = stationing.stations["segment_length_m"].to_numpy()
        marks = stretch_marks(few.start, few.taken, segment_m, reach_of, left, rules)
        # What rules forbid to bypass is not lifted.
        found = admitted(settings, few, stream_things, marks, metres)
        admits = found.choice != NONE_MAY
        before = Held(*[each[:, again] for each in rule_verdicts.stretch_marks.held])
        lifted[again[admits]] = rules_lifted(before, marks.held, rules)[admits]
        choice[again], because[again] = found.choice, found.because
    barred = (choice != NONE_MAY) & excluded_by(stationing, candidates, table)
    choice[barred], because[barred], lifted[barred] = NONE_MAY, BARRED_BY_DECISION.phrase, ""
    return rule_verdicts._replace(choice=choice, because=because, barred_by_decision=barred, rules_lifted=lifted)


def excluded_by(stationing: Stationing, stretches: Stretches, table: pd.DataFrame) -> npt.NDArray[np.bool_]:
    """Candidates on a reach that decisions drop, or pin for another scheme type, bool of shape (candidates,).

    Parameters
    ----------
    stationing, stretches
        Results of the stages of those names, or the candidates before they have conduits.
    table : DataFrame
        Of `Decisions`, or some of its rows.
    """
    dropped = np.zeros(len(stationing.reaches), dtype=bool)
    dropped[reaches_that(DROP.name, table, table)] = True
    barred = on_reaches(stationing, stretches, dropped)
    by_scheme: dict[str, list[int]] = {}
    for reach, scheme in pinned_schemes(table, table).items():
        by_scheme.setdefault(scheme, []).append(reach)
    for scheme, reaches in by_scheme.items():
        pinned = np.zeros(len(stationing.reaches), dtype=bool)
        pinned[reaches] = True
        is_other = stretches.table["scheme_type"].to_numpy(dtype=object) != scheme
        barred |= is_other & on_reaches(stationing, stretches, pinned)
    return barred


def on_reaches(
    stationing: Stationing, stretches: Stretches, reaches: npt.NDArray[np.bool_]
) -> npt.NDArray[np.bool_]:
    """Candidates that take some of the stream of these reaches, their ponds included, bool of shape (candidates,).

    Parameters
    ----------
    stationing, stretches
        Results of the stages of those names, or the candidates before they have conduits.
    reaches : ndarray of bool, shape (reaches,)
    """
    found = np.zeros(len(stretches.table), dtype=bool)
    if not reaches.any():
        return found
    stations = stationing.stations
    here = np.append(reaches, False)[stations["reach"].to_numpy()]
    here &= stations["segment_length_m"].to_numpy() > 0.0
    owner = np.repeat(np.arange(len(found)), np.diff(stretches.start))
    found[owner[here[stretches.taken]]] = True
    return found
