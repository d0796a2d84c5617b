"""The stages of closed months: months that rules or fish close to each candidate, and what its energy is then.

Energy knows no rules, so that a new rule redoes no energy. Only candidates to which months are closed, by a rule
or because a group of fish migrates past them, are valued once more with those months closed, and those at which
such a group raises the environmental flow with that; and only where something says when water flows.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple, cast

import numpy as np
import pandas as pd

from sitefinder.energy.hydraulics import WaterDepths
from sitefinder.hydrology.environmental_flow import environmental_flow_by_bin
from sitefinder.hydrology.months import Months, shares_of_bins
from sitefinder.hydrology.regime import days_of_months
from sitefinder.hydrology.seasons import BIN_MONTH, YearBins
from sitefinder.rules.verdicts import closed_by_rules
from sitefinder.schema.arrays import arrays_by_name
from sitefinder.settings.flows import EnvironmentalFlowRule
from sitefinder.siting.fish_passage import entered_at
from sitefinder.steps.candidates import value_all, value_all_fish_safe
from sitefinder.steps.migration import groups_migrating, natural_access
from sitefinder.steps.systems import extents_of, in_parts
from sitefinder.vocabulary import CLOSE_IN_SEASON, NOTHING_IN_SEASON, RAISE_IN_SEASON

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    import numpy.typing as npt

    from sitefinder.hydrology.flow_errors import FlowModel
    from sitefinder.network.stations import Stationing
    from sitefinder.settings import Settings
    from sitefinder.settings.fish import FishGroup, FishSettings
    from sitefinder.siting.candidates import Stretches
    from sitefinder.steps.flows import Flows
    from sitefinder.steps.inputs import RunInputs
    from sitefinder.steps.rules import Judged
    from sitefinder.steps.systems import Systems
    from sitefinder.steps.water_bodies import WaterBodies

CANDIDATE = "candidate"
# Bit of the first group of fish, after those of the months.
FIRST_GROUP = 12


def take_months(flows: Flows) -> Months:
    """How the bins of flows are shared among the months, by itself, so that energy does not read it."""
    return flows.months


def find_closed_months(
    settings: Settings,
    stationing: Stationing,
    candidates: Stretches,
    stream_things: pd.DataFrame,
    water_bodies: WaterBodies,
    rule_overlaps: pd.DataFrame,
    verdicts: Judged,
) -> npt.NDArray[np.int64]:
    """What rules and the seasons of fish mean for each candidate, as bits of a number.

    Returns
    -------
    ndarray of int64
        Bit 0 for January to bit 11 for December: nothing may be abstracted, since a rule that holds says so or a
        group of fish that closes plants migrates past the candidate. Bit 12 and following, one for each group in
        the order of the settings: the environmental flow is raised in its months. 0 for candidates that may not be
        used at all, so that they are not valued again.
    """
    closed = closed_by_rules(verdicts.stretch_marks.held, settings.rules)
    bits = (closed * (1 << np.arange(12))).sum(axis=1).astype(np.int64)
    groups = settings.fish.migrating
    if any(group.in_season != NOTHING_IN_SEASON.name for group in groups):
        natural = natural_access(settings, stationing, stream_things, water_bodies)
        _, migrates = groups_migrating(settings, stationing, rule_overlaps, natural)
        ends = (candidates.table[name].to_numpy(dtype=np.int64) for name in ("intake", "tailrace"))
        past = migrates[entered_at(candidates.table["scheme_type"], *ends)]
        for place, group in enumerate(groups):
            bits |= np.where(past[:, place], _bits_of(place, group), 0)
    return np.where(verdicts.choice >= 0, bits, 0).astype(np.int64)


# What a group's season means for a candidate that it migrates past, see `find_closed_months`.
def _bits_of(place: int, group: FishGroup) -> int:
    if group.in_season == CLOSE_IN_SEASON.name:
        return sum(1 << (month - 1) for month in set(group.months))
    return 1 << (FIRST_GROUP + place) if group.in_season == RAISE_IN_SEASON.name else 0


def raised_by(bits: int, groups: Sequence[FishGroup]) -> list[EnvironmentalFlowRule]:
    """Rules of the environmental flow that groups of fish add, by a value of `find_closed_months`."""
    return [
        EnvironmentalFlowRule(
            kind="share_of_mean", share=group.season_flow_share, months=sorted(set(group.months))
        )
        for place, group in enumerate(groups)
        if int(bits) >> (FIRST_GROUP + place) & 1
    ]


def months_of(bits: int) -> list[int]:
    """Months of a value of `find_closed_months` in which nothing may be abstracted.

    Examples
    --------
    >>> months_of(0b1100000001)
    [1, 9, 10]
    """
    return [month + 1 for month in range(12) if int(bits) >> month & 1]


class ClosedFlows(NamedTuple):
    """Flows of a few stations with months closed, in bins of one month each; otherwise as `Flows`.

    ``stations`` are their numbers, rising; ``month`` is that of each bin.
    """

    stations: npt.NDArray[np.int64]
    bins_m3s: npt.NDArray[np.float64]
    environmental_flow_m3s: npt.NDArray[np.float64]
    closed: npt.NDArray[np.bool_]
    month: npt.NDArray[np.int8]
    depths: WaterDepths
    model: FlowModel


def closed_flows(
    flows: Flows,
    water_depths: WaterDepths,
    months: Months,
    stations: npt.NDArray[np.int64],
    bits: int,
    groups: Sequence[FishGroup] = (),
) -> ClosedFlows:
    """Flows of a few stations with some months closed, or with a higher environmental flow in some.

    Parameters
    ----------
    flows, water_depths, months
        Results of the stages of those names.
    stations : ndarray of int64
    bits : int
        See `find_closed_months`.
    groups : sequence of sitefinder.settings.FishGroup
        Of the settings.

    Returns
    -------
    ClosedFlows
        Bins of the run where each lies in one month. Otherwise days of the year by the regime: a day's flow is a
        mean over its part of the month, so that energy before closing is that of the curve within 0.3 %.
    """
    own = np.unique(stations)
    bins_m3s, kept_m3s = flows.bins_m3s[own], flows.environmental_flow_m3s[own]
    depth_m, month, model = water_depths.depth_m[own], months.bin_month, flows.model.at(own)
    closed = np.zeros(bins_m3s.shape[1], dtype=bool) if flows.closed is None else flows.closed
    if month is None:
        shares = shares_of_bins(months, own)
        bins_m3s, kept_m3s, depth_m = (days_of_months(part, shares) for part in (bins_m3s, kept_m3s, depth_m))
        month, closed = BIN_MONTH, np.zeros(len(BIN_MONTH), dtype=bool)
        model = _on_days(model, shares)
    closed = closed | np.isin(month, months_of(bits))
    raising = raised_by(bits, groups)
    if raising:
        kept_m3s = np.maximum(kept_m3s, np.minimum(_raised_m3s(model, month, raising), bins_m3s))
    return ClosedFlows(
        own,
        bins_m3s,
        np.where(closed, bins_m3s, kept_m3s),
        closed,
        month,
        water_depths.at(own)._replace(depth_m=depth_m),
        model._replace(
            rules=[*model.rules, *raising],
            closed_months=tuple(sorted({*model.closed_months, *months_of(bits)})),
        ),
    )


# What rules ask of the flows as they are expected [m³/s].
def _raised_m3s(
    model: FlowModel, month: npt.NDArray[np.int8], rules: list[EnvironmentalFlowRule]
) -> npt.NDArray[np.float64]:
    errors = model.errors
    judged, mean_m3s = errors.curve_m3s, errors.mean_m3s
    if errors.judged_curve_ratio is not None:
        judged = judged * errors.judged_curve_ratio
        mean_m3s = judged.mean(axis=1)
    year = YearBins(month, errors.bins_m3s, np.ones(len(judged)))
    raised: npt.NDArray[np.float64] = environmental_flow_by_bin(judged, mean_m3s, rules, errors.area_km2, year)
    return raised


# What flows may be, on the days of the year.
def _on_days(model: FlowModel, shares: npt.NDArray[np.float64]) -> FlowModel:
    errors = model.errors
    taken_m3s = None if errors.taken_m3s is None else days_of_months(errors.taken_m3s, shares)
    # Rules of the environmental flow go by the year's curve, or by the flow of the moment as it is drawn.
    judged = errors.judged_curve_ratio
    of_days = None if judged is None else days_of_months(judged, shares)
    bins_m3s = days_of_months(errors.bins_m3s, shares)
    on_days = errors._replace(bins_m3s=bins_m3s, taken_m3s=taken_m3s, month=BIN_MONTH, judged_bins_ratio=of_days)
    changed: FlowModel = model._replace(errors=on_days)
    return changed


def value_closed(
    settings: Settings,
    inputs: RunInputs,
    stretches: Stretches,
    flows: Flows,
    water_depths: WaterDepths,
    months: Months,
    closed_months: npt.NDArray[np.int64],
    energy: pd.DataFrame | None = None,
) -> pd.DataFrame:
    """Energy and cost of the candidates to which months are closed, or that must leave more water in some.

    With `energy`, their valuation all year, those that do not even pay all year are left out.

    Returns
    -------
    DataFrame
        ``candidate`` (its number) and the columns of `value_all`, a row each; none where nothing says when water
        flows, since then the energy of a month is not known.
    """
    if energy is not None:
        closed_months = np.where(may_pay(settings, energy), closed_months, 0)
    by_months = _by_closed_months(settings, stretches, flows, water_depths, months, closed_months)
    return _by_candidate([(rows, value_all(settings, inputs, *given)) for rows, given in by_months])


def value_closed_fish_safe(
    settings: Settings,
    inputs: RunInputs,
    stretches: Stretches,
    flows: Flows,
    water_depths: WaterDepths,
    months: Months,
    closed_months: npt.NDArray[np.int64],
    fishes: Sequence[FishSettings],
) -> list[pd.DataFrame]:
    """`value_closed` with fish-safe turbines alone, by each of several settings of fish with the same seasons."""
    found: list[list[tuple[npt.NDArray[np.intp], pd.DataFrame]]] = [[] for _ in fishes]
    for rows, given in _by_closed_months(settings, stretches, flows, water_depths, months, closed_months):
        for own, valued in zip(found, value_all_fish_safe(settings, inputs, *given, fishes), strict=True):
            own.append((rows, valued))
    return [_by_candidate(own) for own in found]


# Candidates by what is closed to them: their numbers, and stretches, flows and depths for their valuation.
def _by_closed_months(
    settings: Settings,
    stretches: Stretches,
    flows: Flows,
    water_depths: WaterDepths,
    months: Months,
    closed_months: npt.NDArray[np.int64],
) -> Iterator[tuple[npt.NDArray[np.intp], tuple[Stretches, Flows, WaterDepths]]]:
    for bits in np.unique(closed_months[closed_months > 0]).tolist() if months.is_known else []:
        rows = np.flatnonzero(closed_months == bits)
        table = stretches.table.iloc[rows].reset_index(drop=True)
        ends = {name: table[name].to_numpy(dtype=np.int64) for name in ("intake", "tailrace")}
        at = np.concatenate(list(ends.values()))
        own = closed_flows(flows, water_depths, months, at, bits, settings.fish.migrating)
        table = table.assign(**{name: np.searchsorted(own.stations, at) for name, at in ends.items()})
        # Only the table and these parts of the flows are looked at.
        yield rows, (stretches._replace(table=table), cast("Flows", own), own.depths)


# One table of the valuations of candidates, in the order of their numbers.
def _by_candidate(found: list[tuple[npt.NDArray[np.intp], pd.DataFrame]]) -> pd.DataFrame:
    if not found:
        return pd.DataFrame({CANDIDATE: np.zeros(0, dtype=np.int64)})
    tables = [valued.assign(**{CANDIDATE: rows}) for rows, valued in found]
    return pd.concat(tables, ignore_index=True).sort_values(CANDIDATE, ignore_index=True)


def may_pay(settings: Settings, energy: pd.DataFrame) -> npt.NDArray[np.bool_]:
    """Candidates that may have a value with less water or fewer turbines, by their best valuation."""
    by_value = settings.ranking.choose_by == "net_value" and settings.energy.design_by != "capacity_factor"
    found = energy["any_net_annual_value"] > 0.0 if by_value else energy["any_turbine"] >= 0
    return np.asarray(found, dtype=bool)


def joined_closed_energy(
    found: dict[str, pd.DataFrame], systems: Systems, stretches: Stretches, **_: object
) -> pd.DataFrame:
    """Those of all drainage systems, by the numbers of the candidates in the region."""
    tables = [
        found[name].assign(**{CANDIDATE: extent.candidates[found[name][CANDIDATE].to_numpy(dtype=np.int64)]})
        for name, extent in extents_of(in_parts(systems), stretches).items()
        if len(found[name])
    ]
    if not tables:
        return pd.DataFrame({CANDIDATE: np.zeros(0, dtype=np.int64)})
    return pd.concat(tables, ignore_index=True).sort_values(CANDIDATE, ignore_index=True)


def with_closed(energy: pd.DataFrame, closed_energy: pd.DataFrame) -> pd.DataFrame:
    """The valuation of all candidates, with closed months taken off where rules close them.

    Parameters
    ----------
    energy : DataFrame, m rows
    closed_energy : DataFrame
        See `value_closed`.

    Returns
    -------
    DataFrame, m rows
    """
    if not len(closed_energy):
        return energy
    rows = closed_energy[CANDIDATE].to_numpy(dtype=np.int64)
    closed, columns = arrays_by_name(closed_energy), {}
    for name, values in arrays_by_name(energy).items():
        columns[name] = values.copy()
        columns[name][rows] = closed[name]
    return pd.DataFrame(columns, index=energy.index)
