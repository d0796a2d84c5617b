"""The stage of evidence: what fish-safe turbines give by the weakest grade of evidence that counts."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import numpy as np
import pandas as pd

from sitefinder.energy.fish_survival import classes_that_may_be_safe
from sitefinder.siting.candidates import subset
from sitefinder.siting.fish_passage import fish_cases, judged_by
from sitefinder.siting.selection import PREFIXES
from sitefinder.steps.candidates import value_all_fish_safe
from sitefinder.steps.closed_months import may_pay, value_closed_fish_safe, with_closed
from sitefinder.steps.systems import extents_of, in_parts, joined_values

if TYPE_CHECKING:
    import numpy.typing as npt

    from sitefinder.energy.hydraulics import WaterDepths
    from sitefinder.hydrology.months import Months
    from sitefinder.settings import Settings
    from sitefinder.settings.fish import FishSettings
    from sitefinder.siting.candidates import Stretches
    from sitefinder.steps.flows import Flows
    from sitefinder.steps.inputs import RunInputs
    from sitefinder.steps.systems import Systems

# Columns of a valuation that the grade of evidence changes.
FISH_SAFE_COLUMNS = tuple(prefix for prefix in PREFIXES if prefix != "any_")


class EvidenceValues(NamedTuple):
    """The valuation with fish-safe turbines by grade of evidence and by the bar, where that matters.

    ``rows`` marks the candidates that are valued, bool of shape (n,). ``by_case`` has their columns ``safe_…``
    and ``as_built_…``, of the marked rows alone, for each grade, with a
    change of the bar, that is not the run's own; it is empty without
    marked rows.
    """

    rows: npt.NDArray[np.bool_]
    by_case: dict[tuple[str, float], pd.DataFrame]


def value_by_evidence(
    settings: Settings,
    inputs: RunInputs,
    stretches: Stretches,
    flows: Flows,
    water_depths: WaterDepths,
    months: Months,
    closed_months: npt.NDArray[np.int64],
    fish_safe_only: npt.NDArray[np.bool_],
    energy: pd.DataFrame,
) -> EvidenceValues:
    """The valuation where rules admit fish-safe turbines only, by grade of evidence and by the bar.

    As `value_all`, it does not depend on what else rules exclude. What does not pay with any turbine, all year,
    does not pay with a fish-safe one, and is left out.
    """
    fish_safe_only = fish_safe_only & may_pay(settings, energy)
    safety_of: dict[tuple[str, float], tuple[float, ...]] = {}
    fish_of: dict[tuple[float, ...], FishSettings] = {}
    for grade, change in fish_cases(settings.fish) if fish_safe_only.any() else ():
        fish = judged_by(settings.fish, grade, change)
        if not change and set(fish.evidence) == set(settings.fish.evidence):
            continue
        # A grade that makes no further class safe changes nothing.
        safety = (change, *classes_that_may_be_safe(inputs.turbines, inputs.costs.screen.design, fish))
        safety_of[grade, change] = safety
        fish_of.setdefault(safety, fish)
    fishes = list(fish_of.values())
    given = settings, inputs, subset(stretches, fish_safe_only), flows, water_depths
    all_year = value_all_fish_safe(*given, fishes) if fishes else []
    closed = value_closed_fish_safe(*given, months, closed_months[fish_safe_only], fishes) if fishes else []
    known: dict[tuple[float, ...], pd.DataFrame] = {}
    for safety, valued, own in zip(fish_of, all_year, closed, strict=True):
        columns = [name for name in valued.columns if name.startswith(FISH_SAFE_COLUMNS)]
        known[safety] = with_closed(valued, own)[columns]
    return EvidenceValues(fish_safe_only, {case: known[safety] for case, safety in safety_of.items()})


def joined_evidence(
    found: dict[str, EvidenceValues], systems: Systems, stretches: Stretches, **_: object
) -> EvidenceValues:
    """The valuation by grade of evidence of all stretches, from those of each drainage system."""
    parts = in_parts(systems)
    rows = joined_values({name: own.rows for name, own in found.items()}, parts, stretches)
    extents = extents_of(parts, stretches)
    valued = {name: own for name, own in found.items() if own.rows.any()}
    by_case: dict[tuple[str, float], pd.DataFrame] = {}
    known: dict[tuple[int, ...], pd.DataFrame] = {}
    for case in next(iter(valued.values())).by_case if valued else ():
        tables = [own.by_case[case] for own in valued.values()]
        same = tuple(map(id, tables))
        if same not in known:
            numbers = np.concatenate([extents[name].candidates[own.rows] for name, own in valued.items()])
            order = np.argsort(numbers, kind="stable")
            known[same] = pd.concat(tables, ignore_index=True).iloc[order].reset_index(drop=True)
        by_case[case] = known[same]
    return EvidenceValues(rows, by_case)
