"""The stages of the rules: where they hold on the stream, and what that makes of reaches and stretches."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import numpy as np
import pandas as pd

from sitefinder.network.topology import REPAIR_COLUMNS
from sitefinder.rules.overlaps import HIT_COLUMNS, all_rule_metres, along_link, overlaps, uncovered
from sitefinder.rules.upstream_downstream import NATURAL_FALLS, Barriers, carried_along, place_falls, steps_down
from sitefinder.rules.verdicts import (
    Admission,
    Held,
    StretchMarks,
    admissible,
    fish_safe_only,
    held_reaches,
    stretch_marks,
    verdicts,
)
from sitefinder.siting.passed import bits_of, builds_barrier, passed_things
from sitefinder.siting.structures import stated_removed
from sitefinder.vocabulary import UNDER

if TYPE_CHECKING:
    from collections.abc import Mapping

    import numpy.typing as npt

    from sitefinder.network.stations import Stationing
    from sitefinder.network.topology import Network
    from sitefinder.rules.overlaps import RuleMetres
    from sitefinder.settings import Settings
    from sitefinder.siting.candidates import Stretches
    from sitefinder.steps.heads import Profile
    from sitefinder.steps.inputs import RunInputs
    from sitefinder.steps.scope import ScopedRule


class Falls(NamedTuple):
    """Natural falls on the stream, and rows of the repairs for falls of the layer that are at no stream."""

    on_stream: Barriers
    distant: pd.DataFrame


def find_falls(settings: Settings, inputs: RunInputs, stationing: Stationing) -> Falls:
    """Natural falls: those of the layer of falls, and structures of that kind.

    Structures that are at no stream are listed by the stage that places them.

    Returns
    -------
    Falls
    """
    points, names = [], []
    if "falls" in inputs.layers:
        frame = inputs.layers["falls"].frame
        points, names = list(frame.geometry), frame["feature_id"].tolist()
    if "structures" in inputs.layers and "kind" in inputs.layers["structures"].frame:
        frame = inputs.layers["structures"].frame
        natural = frame["kind"].astype("object").map(lambda kind: str(kind).strip().lower()).isin(NATURAL_FALLS)
        natural &= ~stated_removed(frame)
        points = points + list(frame.geometry[natural])
    segment_m = stationing.stations["segment_length_m"].to_numpy()
    snap_m = settings.stretches.structure_snap_m
    falls, near = place_falls(np.array(points, dtype=object), stationing.segments, segment_m, snap_m)
    distant = [name for name, is_near in zip(names, near.tolist(), strict=False) if not is_near]
    because = f"no stream within {snap_m:g} m", "ends no rule's effect along the stream"
    rows = [("falls", name, *because) for name in distant]
    return Falls(falls, pd.DataFrame(rows, columns=REPAIR_COLUMNS, dtype="str"))


def overlap_rule(
    network: Network, stationing: Stationing, heads: Profile, falls: Falls, rule: ScopedRule
) -> pd.DataFrame:
    """Hits of one rule's features on the stream, those along it and what its layer does not cover included.

    The stage runs once for each rule, so that an edited rule redoes its own hits alone; no other rule has a say.

    Parameters
    ----------
    network, stationing, heads, falls
        Results of the stages of those names.
    rule : sitefinder.steps.scope.ScopedRule

    Returns
    -------
    DataFrame
        See `sitefinder.rules.overlaps.overlaps`.
    """
    own, frame, coverage, match = rule
    found = []
    if not frame.empty:
        found.append(overlaps(stationing.segments, frame, own, match))
    if coverage is not None:
        found.append(uncovered(stationing.segments, coverage.geometry.to_numpy(), own))
    hits: pd.DataFrame = along_link(found) if found else pd.DataFrame(columns=HIT_COLUMNS)
    if own.effect == UNDER.name or not len(hits):
        return hits
    steps = steps_down(stationing.stations, network.links)
    ends = falls.on_stream if own.ends_at_falls else Barriers(*[np.zeros(0)] * 2)
    carried = carried_along(hits, stationing.stations, steps, own, ends, heads.profile_m)
    if len(carried):
        hits = along_link([hits, carried])
    return hits


def joined_overlaps(found: Mapping[str, pd.DataFrame]) -> pd.DataFrame:
    """Hits of every rule in one table, from those of each by its name, in the order of the settings."""
    hits = [each for each in found.values() if len(each)]
    return pd.concat(hits, ignore_index=True) if hits else pd.DataFrame(columns=HIT_COLUMNS)


class Judged(NamedTuple):
    """Verdict and reasons of each reach, marks of each stretch, and the turbine choice left to it.

    ``held`` says of each reach which rules hold there. All but ``choice`` is what the rules say, also after
    decisions. ``barred_by_decision`` marks stretches that the rules admit and a decision does not;
    ``rules_lifted`` names for each stretch the rules that exclude it and that a decision does not count, "" for
    none. Both are None where there are no decisions.
    """

    reaches: pd.DataFrame
    stretch_marks: StretchMarks
    choice: npt.NDArray[np.int8]
    because: npt.NDArray[np.object_]
    held: Held
    barred_by_decision: npt.NDArray[np.bool_] | None = None
    rules_lifted: npt.NDArray[np.object_] | None = None


def judge(
    settings: Settings,
    stationing: Stationing,
    candidates: Stretches,
    rule_overlaps: pd.DataFrame,
    stream_things: pd.DataFrame,
) -> Judged:
    """Verdicts of reaches and stretches, whatever way their conduits take.

    The intake weir of a diversion is a new barrier, and a rule that allows none bars the diversion wherever it
    applies to its stretch. What a rule's ``never_past`` names bars a stretch if it lies on a segment where the
    rule applies or may apply.
    """
    rules = settings.rules
    of_reaches = all_rule_metres(rule_overlaps, rules, len(stationing.reaches), by="reach")
    of_stations = all_rule_metres(rule_overlaps, rules, len(stationing.stations), by="station")
    held = held_reaches(stationing.reaches, of_reaches, rules)
    segment_m, reach = (stationing.stations[name].to_numpy() for name in ("segment_length_m", "reach"))
    marks = stretch_marks(candidates.start, candidates.taken, segment_m, reach, of_stations, rules)
    admission = admitted(settings, candidates, stream_things, marks, of_stations)
    of_reach = verdicts(held, rules).set_axis(stationing.reaches.index)
    return Judged(of_reach, marks, admission.choice, admission.because, held)


def admitted(
    settings: Settings, candidates: Stretches, stream_things: pd.DataFrame, marks: StretchMarks, metres: RuleMetres
) -> Admission:
    """Which turbine choice each candidate may use by its marks, and by what rules forbid to bypass.

    Parameters
    ----------
    settings, candidates, stream_things
        The settings, and results of the stages of those names.
    marks : StretchMarks
        Of the candidates.
    metres : RuleMetres
        Under each rule, of each station's segment.
    """
    forbidden = np.zeros(metres.possible.shape[1], dtype=np.int64)
    for rule, possible in zip(settings.rules, metres.possible, strict=True):
        forbidden[possible > 0] |= bits_of(rule.never_past)
    admission: Admission = admissible(
        candidates.table["scheme_type"],
        marks.marks,
        settings.ranking.allow,
        builds_barrier(candidates.table),
        passed_things(candidates, stream_things, len(forbidden), forbidden).kinds != 0,
    )
    return admission


def mark_fish_safe_only(verdicts: Judged) -> npt.NDArray[np.bool_]:
    """Candidates where a rule admits fish-safe turbines only, whatever other rules exclude, bool of shape (n,).

    One more exclusion changes nothing here, so what is valued for these candidates is kept.
    """
    marked: npt.NDArray[np.bool_] = fish_safe_only(verdicts.stretch_marks.marks)
    return marked
