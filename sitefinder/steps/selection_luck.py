"""The stages that find by how much selection favours lucky heads, and that take it off all candidates."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import numpy as np
import pandas as pd

from sitefinder.energy.costs import best_price_per_kwh
from sitefinder.energy.valuation import value_any
from sitefinder.siting.candidates import Stretches, subset
from sitefinder.siting.selection_luck import LUCK, SITES, Worth, luck_in_heads_m, luck_of_chosen
from sitefinder.units import KILOWATT_HOURS_PER_MEGAWATT_HOUR

if TYPE_CHECKING:
    import numpy.typing as npt

    from sitefinder.settings import Settings
    from sitefinder.steps.flows import Flows
    from sitefinder.steps.heads import Profile
    from sitefinder.steps.inputs import RunInputs
    from sitefinder.steps.systems import OwnStations, Systems
    from sitefinder.steps.trial import Trial

# Simulated surveys that the selection is made in (own choice): the mean luck of a dozen sites is then known to
# about a fifteenth of a standard error.
SURVEYS = 16
# The one design flow of the quick valuation: exceeded for this share of the time [%] (own choice).
DESIGN_EXCEEDANCE_PERCENT = 30.0
# Share by which heads are raised to see what a metre adds (own choice).
RAISED = 0.05
# Standard errors by which a head may be found too high: one in 3,000 is by more (own choice).
MOST_ERRORS = 3.4
# Number of sites by which the mean luck of all counts in that of a scheme type (own choice: half a site a survey).
WEIGHT_OF_ALL = 0.5 * SURVEYS


class Luck(NamedTuple):
    """Luck of those chosen in simulated surveys, sums by scheme type: `sitefinder.siting.selection_luck`."""

    sums: pd.DataFrame


def find_luck(
    settings: Settings,
    inputs: RunInputs,
    stationing: OwnStations,
    heads: Profile,
    found_candidates: Stretches,
    flows: Flows,
) -> Luck:
    """The luck of those that would be chosen in simulated surveys if there were no rules.

    Candidates are valued quickly: any turbine, one design flow, flows without their errors, constant levels, and
    for a diversion the least conduit, the straight line between its ends. What a metre of head adds is seen by a
    second valuation.
    """
    table = found_candidates.table
    if not settings.heads.correct_selection or not len(table):
        return Luck(pd.DataFrame({SITES: [], LUCK: []}, dtype=np.float64, index=pd.Index([], name="scheme_type")))
    worth = _worth(settings, inputs, table, flows)
    limits = settings.stretches
    surveys = np.ascontiguousarray(heads.errors_m[:, :SURVEYS])
    given = found_candidates, stationing.stations, surveys, worth, (limits.min_head_m, limits.max_head_m)
    return Luck(luck_of_chosen(*given, settings.ranking.min_free_flowing_m))


# Value at the heads, and what a metre adds.
def _worth(settings: Settings, inputs: RunInputs, table: pd.DataFrame, flows: Flows) -> Worth:
    one_size = settings.energy.model_copy(update={"design_exceedance_percent": [DESIGN_EXCEEDANCE_PERCENT]})
    quick = settings.model_copy(update={"energy": one_size})
    may = (table["flow_mean_m3s"] >= settings.stretches.min_flow_mean_m3s) & ~table["flow_missing"]
    may &= ~table["head_unresolved"] & ~table["catchment_incomplete"] & ~table["flow_too_weak"]
    rows = np.flatnonzero(may)
    own = table.iloc[rows]
    own = own.assign(conduit_length_m=own["conduit_length_m"] / settings.stretches.headrace_detour_factor)
    by_energy = settings.ranking.choose_by == "energy"

    def valued(some: pd.DataFrame) -> tuple[npt.NDArray[np.float64], npt.NDArray[np.float64]]:
        where = flows.bins_m3s, flows.environmental_flow_m3s
        found = value_any(some, *where, inputs.turbines, inputs.costs, quick, closed=flows.closed)
        net, mwh = (found[f"any_{name}"].to_numpy(np.float64) for name in ("net_annual_value", "energy_mwh"))
        # By energy, what pays nothing is not chosen either.
        value = np.where(net > 0.0, mwh, np.minimum(net, 0.0)) if by_energy else net
        return value, mwh * KILOWATT_HOURS_PER_MEGAWATT_HOUR * best_price_per_kwh(settings.costs) - net

    value, per_m = (np.full(len(table), np.nan) for _ in range(2))
    if not len(rows):
        return Worth(value, per_m)
    value[rows], cost = valued(own)
    # What does not pay at a head of this number of standard errors more is chosen in no survey.
    head_m, se_m = (own[name].to_numpy(dtype=np.float64) for name in ("head_m", "head_se_m"))
    net = np.minimum(value[rows], 0.0)
    may_pay = np.nan_to_num(net + (net + cost) * MOST_ERRORS * se_m / head_m, nan=-1.0) > 0.0
    rows, own, head_m = rows[may_pay], own[may_pay], head_m[may_pay]
    if len(rows):
        per_m[rows] = (valued(own.assign(head_m=head_m * (1.0 + RAISED)))[0] - value[rows]) / (RAISED * head_m)
    return Worth(value, per_m)


def joined_luck(found: dict[str, Luck], systems: Systems, **_: object) -> Luck:
    """The sums of all drainage systems."""
    return Luck(pd.concat([own.sums for own in found.values()]).groupby(level=0).sum())


def correct_heads(
    settings: Settings, found_candidates: Stretches, selection_luck: Luck, trial: Trial | None = None
) -> Stretches:
    """Candidates without the mean luck of those chosen, and without those beyond the limits of head.

    A trial goes on with the candidates of its own drainage systems.

    Their table has ``selection_luck_m`` more: what was taken off the head [m].
    """
    table = found_candidates.table
    taken_m = luck_in_heads_m(table, selection_luck.sums, WEIGHT_OF_ALL)
    head_m = table["head_m"].to_numpy(dtype=np.float64) - taken_m
    corrected = found_candidates._replace(table=table.assign(head_m=head_m, selection_luck_m=taken_m))
    limits = settings.stretches
    greatest_m = table[["head_m", "head_uncorrected_m"]].to_numpy(dtype=np.float64).max(axis=1)
    within = (greatest_m <= limits.max_head_m) & ((taken_m == 0.0) | (head_m >= limits.min_head_m))
    if trial is not None:
        within &= trial.stations[table["intake"].to_numpy(dtype=np.int64)]
    return subset(corrected, within)
