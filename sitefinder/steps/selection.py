"""The stages of the selection: the best set of sites, what fish ask of it, and the gain of fish-safe turbines."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np
import pandas as pd

from sitefinder.energy.fish_survival import GRADES, classes_that_may_be_safe
from sitefinder.network.stations import place_names, without_repeats
from sitefinder.rules.verdicts import SAFE_MAY
from sitefinder.schema import LAYERS, has_flag
from sitefinder.schema.arrays import arrays_by_name
from sitefinder.siting.access import district_names, district_of, in_region
from sitefinder.siting.candidates import subset
from sitefinder.siting.fish_passage import (
    MigrationPath,
    SafetyCase,
    as_asked,
    entered_at,
    fish_cases,
    gain_by_district,
    judged_by,
    plants_to_outlet,
    survival_to_outlet,
    weakest_counted,
    without_fish_safe,
    worst_from_above,
)
from sitefinder.siting.limits import RiverUse
from sitefinder.siting.passed import bits_of
from sitefinder.siting.selection import PREFIXES, BestSet, Offers, choose_sites, rejection_reason
from sitefinder.steps.closed_months import with_closed
from sitefinder.steps.quiet import without_library_output
from sitefinder.steps.systems import extents_of, joined_rows, joined_values, of_candidates, reaches_of
from sitefinder.steps.trial import candidates_in
from sitefinder.units import METRES_PER_KILOMETRE
from sitefinder.vocabulary import (
    ACTIONS,
    BARRED_BY_DECISION,
    BARRED_BY_RULE,
    CATCHMENT_INCOMPLETE,
    FISH_SAFETIES,
    FLOW_TOO_SMALL,
    FLOW_TOO_WEAK,
    HEAD_UNRESOLVED,
    NEVER_PAST,
    NO_CONDUIT,
    NO_FLOW_ESTIMATE,
    OUTSIDE_REGION,
    STREAM_TOO_SMALL,
    names,
    passing_verdicts,
)

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Sequence

    import geopandas
    import numpy.typing as npt

    from sitefinder.network.stations import Stationing
    from sitefinder.network.topology import Network
    from sitefinder.settings import Settings
    from sitefinder.siting.candidates import Stretches
    from sitefinder.siting.limits import RiverParts
    from sitefinder.steps.evidence import EvidenceValues
    from sitefinder.steps.inputs import RunInputs
    from sitefinder.steps.rules import Judged
    from sitefinder.steps.systems import Extent, Systems
    from sitefinder.steps.trial import Trial
    from sitefinder.steps.water_bodies import WaterBodies


class Chosen(NamedTuple):
    """The chosen set, and why each reach without a site has none."""

    offers: Offers
    rejection: npt.NDArray[np.object_]


def choose(
    settings: Settings,
    inputs: RunInputs,
    stationing: Stationing,
    stretches: Stretches,
    energy: pd.DataFrame,
    spawning_m: npt.NDArray[np.float64],
    verdicts: Judged,
    water_bodies: WaterBodies,
    closed_energy: pd.DataFrame | None = None,
    river_parts: RiverParts | None = None,
) -> Chosen:
    """The best set of stretches without overlap, and why the other reaches have no site.

    Sites bar each other, and fish pass them, along the water alone, and what is best for a region is best for each
    drainage system; so this is done for each of them alone. Ranks and totals, which go over all, come later.
    """
    energy = energy if closed_energy is None else with_closed(energy, closed_energy)
    given = stationing, stretches, energy, spawning_m, verdicts, water_bodies, river_parts
    offers = chooser(settings, inputs, *given)()
    reach = stationing.stations["reach"].to_numpy()
    because = rejection_reason(
        reach, water_bodies.standing, stretches, offers, water_bodies.developed, water_bodies.tidal
    )
    return Chosen(offers, because)


def choosing(
    settings: Settings,
    inputs: RunInputs,
    stationing: Stationing,
    stretches: Stretches,
    valued: pd.DataFrame,
    spawning_m: npt.NDArray[np.float64],
    verdicts: Judged,
    water_bodies: WaterBodies,
    river_parts: RiverParts | None,
) -> Callable[..., BestSet]:
    """What chooses the best set by this valuation; it takes the cumulative limits that do not count.

    Candidates that have no value with any turbine are not looked at, since none of them is chosen.
    """
    has_value = _has_value(settings, valued)
    rows = np.flatnonzero(has_value)
    choose_from_these = chooser(
        settings,
        inputs,
        stationing,
        subset(stretches, has_value),
        valued.iloc[rows].reset_index(drop=True),
        spawning_m,
        of_rows(verdicts, rows),
        water_bodies,
        river_parts,
    )

    def best(left_out: tuple[str, ...] = ()) -> BestSet:
        offers = choose_from_these(left_out)
        chosen = np.flatnonzero(offers.chosen)
        return BestSet(rows[chosen], offers.valued.iloc[chosen].reset_index(drop=True), offers.gap)

    return best


def of_rows(verdicts: Judged, rows: npt.NDArray[np.int64]) -> Judged:
    """Of some candidates what a choice among them looks at: their turbine choice, and what decisions exclude."""
    barred = verdicts.barred_by_decision
    return verdicts._replace(
        choice=verdicts.choice[rows], barred_by_decision=None if barred is None else barred[rows]
    )


# Candidates that have a value with a turbine of some kind, by the objective of the choice.
def _has_value(settings: Settings, valued: pd.DataFrame) -> npt.NDArray[np.bool_]:
    worth = "energy_mwh" if settings.ranking.choose_by == "energy" else "net_annual_value"
    known = [valued[prefix + worth].to_numpy() > 0.0 for prefix in PREFIXES if prefix + worth in valued]
    some: npt.NDArray[np.bool_] = np.any(known, axis=0)
    return some


def chooser(
    settings: Settings,
    inputs: RunInputs,
    stationing: Stationing,
    stretches: Stretches,
    valued: pd.DataFrame,
    spawning_m: npt.NDArray[np.float64],
    verdicts: Judged,
    water_bodies: WaterBodies,
    river_parts: RiverParts | None,
) -> Callable[..., Offers]:
    """What chooses among all candidates by this valuation; it takes the cumulative limits that do not count."""
    steps = offer_steps(settings, inputs, stationing, stretches, valued, verdicts)
    path = migration_path(settings, valued, spawning_m, water_bodies)
    use = river_use(river_parts, water_bodies)
    given = stretches, steps, valued, verdicts.choice, stationing.stations, settings, path, use

    def best(left_out: tuple[str, ...] = ()) -> Offers:
        with without_library_output():
            found: Offers = choose_sites(*given, left_out)
        return found

    return best


def river_use(parts: RiverParts | None, water_bodies: WaterBodies) -> RiverUse | None:
    """Parts of the river, with the existing plants in them, for `sitefinder.siting.selection.choose_sites`."""
    if parts is None:
        return None
    plants = water_bodies.developed, water_bodies.plants_entered
    return RiverUse(parts.stream, parts.water_body, *plants, parts.max_plants, parts.max_new_barriers)


def joined_sites(
    found: dict[str, Chosen], systems: Systems, stationing: Stationing, stretches: Stretches, **_: object
) -> Chosen:
    """The best set of all drainage systems, and why the other reaches have no site, from those of each."""
    extents = extents_of(systems, stretches)
    rejection = np.empty(len(stationing.reaches), dtype=object)
    for name, extent in extents.items():
        rejection[reaches_of(stationing, extent)] = found[name].rejection
    return Chosen(_joined_offers({name: own.offers for name, own in found.items()}, systems, stretches), rejection)


# How all candidates fared, from those of each system.
def _joined_offers(found: dict[str, Offers], systems: Systems, stretches: Stretches) -> Offers:
    def joined(of_system: Callable[[Offers], npt.NDArray[Any]]) -> npt.NDArray[Any]:
        return joined_values({name: of_system(offers) for name, offers in found.items()}, systems, stretches)

    def passing(step: int) -> npt.NDArray[np.bool_]:
        return joined(lambda offers: offers.ladder[step][1])

    extents, blocked_by = extents_of(systems, stretches), {}
    for name, offers in found.items():
        is_blocked = offers.blocked_by >= 0
        blocked_by[name] = offers.blocked_by.copy()
        blocked_by[name][is_blocked] = extents[name].candidates[offers.blocked_by[is_blocked]]
    first = next(iter(found.values()))
    return Offers(
        joined_rows({name: offers.valued for name, offers in found.items()}, systems, stretches),
        joined(lambda offers: offers.chosen),
        joined_values(blocked_by, systems, stretches),
        [(name, passing(step)) for step, (name, _) in enumerate(first.ladder)],
        joined(lambda offers: offers.safe_by_passage_limit),
        joined(lambda offers: offers.kept_out),
        all(offers.exact for offers in found.values()),
        joined(lambda offers: offers.over_limit),
        sum(offers.gap for offers in found.values()),
    )


def offer_steps(
    settings: Settings,
    inputs: RunInputs,
    stationing: Stationing,
    stretches: Stretches,
    energy: pd.DataFrame,
    verdicts: Judged,
) -> list[tuple[str, npt.NDArray[np.bool_]]]:
    """What a stretch must pass to be offered, for `choose_sites`: pairs of a reason and a bool array."""
    table, allow = stretches.table, settings.ranking.allow
    too_small = [
        energy[f"{prefix}_stream_too_small"].to_numpy(dtype=bool) for prefix in ("any", "safe", "as_built")
    ]
    barred = verdicts.barred_by_decision
    by_decision = np.zeros(len(table), dtype=bool) if barred is None else barred
    steps = {
        OUTSIDE_REGION: in_region(stationing.stations, inputs)[table["tailrace"].to_numpy()],
        NO_FLOW_ESTIMATE: ~table["flow_missing"].to_numpy(),
        FLOW_TOO_WEAK: ~table["flow_too_weak"].to_numpy(),
        FLOW_TOO_SMALL: table["flow_mean_m3s"].to_numpy() >= settings.stretches.min_flow_mean_m3s,
        HEAD_UNRESOLVED: ~table["head_unresolved"].to_numpy(),
        CATCHMENT_INCOMPLETE: ~table["catchment_incomplete"].to_numpy(),
        BARRED_BY_RULE: (verdicts.choice >= 0) | by_decision,
        BARRED_BY_DECISION: ~by_decision,
        NEVER_PAST: (table["passed_kinds"].to_numpy() & bits_of(settings.stretches.never_past)) == 0,
        NO_CONDUIT: ~table["no_conduit"].to_numpy(dtype=bool),
        STREAM_TOO_SMALL: ~np.choose(np.maximum(verdicts.choice, 0), too_small),
    }
    return [(reason.name, passes | reason.is_allowed(allow)) for reason, passes in steps.items()]


def migration_path(
    settings: Settings,
    energy: pd.DataFrame,
    spawning_m: npt.NDArray[np.float64],
    water_bodies: WaterBodies,
) -> MigrationPath | None:
    """What migrating fish ask of the choice; None where nothing is asked.

    A share of survival counts if its grade of evidence does for ``[fish]``; other turbines count as letting no
    fish live, since nothing is proven of them.
    """
    fish = settings.fish
    if not fish.spawning_rules or fish.min_passage_survival is None:
        return None
    counts = np.array([grade in fish.evidence for grade in GRADES] + [False])
    survival = [
        np.where(counts[energy[f"{prefix}grade"].to_numpy(dtype=np.int64)], energy[f"{prefix}survival"], 0.0)
        for prefix in PREFIXES
    ]
    return MigrationPath(
        spawning_m > 0,
        np.where(water_bodies.plants_entered, settings.fish.existing_survival, 1.0),
        np.nan_to_num(np.column_stack(survival)),
        fish.min_passage_survival,
    )


def site_ids(tailrace_names: Iterable[str], scheme_types: Iterable[str]) -> list[str]:
    """Ids of the chosen sites, in the order of the candidates: the place of the tailrace and the scheme type."""
    return without_repeats(
        [f"{name}/{scheme_type}" for name, scheme_type in zip(tailrace_names, scheme_types, strict=True)]
    )


def whole_site_id(text: str, known: Iterable[str]) -> str:
    """The site id that a text means: itself, or the one site at the place that it names, as the summary lists it.

    Parameters
    ----------
    text : str
    known : iterable of str
        Ids of the sites.

    Returns
    -------
    str
        The text as it is where no site, or more than one, is at such a place.

    Examples
    --------
    >>> sites = ["S2@177/at_barrier", "S3@50/diversion", "S3@50/at_barrier"]
    >>> whole_site_id("S2@177", sites), whole_site_id("S3@50", sites), whole_site_id("S3@50/diversion", sites)
    ('S2@177/at_barrier', 'S3@50', 'S3@50/diversion')
    """
    there = [site_id for site_id in known if site_id.rpartition("/")[0] == text]
    return there[0] if len(there) == 1 else text


def reaches_in_region(
    inputs: RunInputs, stationing: Stationing, trial: Trial | None = None
) -> npt.NDArray[np.bool_]:
    """Reaches whose middle lies inside the region's polygon, and in the part of a trial, bool of shape (n,).

    So neighbouring regions count a reach across their border once.
    """
    middle = (stationing.reaches["first_station"].to_numpy() + stationing.reaches["last_station"].to_numpy()) // 2
    inside: npt.NDArray[np.bool_] = in_region(stationing.stations, inputs)[middle]
    return inside if trial is None else inside & trial.reaches


class DeliveredSites(NamedTuple):
    """The chosen sites of the drainage systems, and which of them are delivered: in a trial those of its part.

    ``chosen`` has the numbers of the candidates, ``ids`` their site ids, ``is_delivered`` a bool for each.
    """

    chosen: npt.NDArray[np.int64]
    ids: npt.NDArray[np.object_]
    is_delivered: npt.NDArray[np.bool_]

    @property
    def picked(self) -> npt.NDArray[np.int64]:
        """Numbers of the delivered candidates, rising."""
        return self.chosen[self.is_delivered]

    @property
    def place(self) -> npt.NDArray[np.int64]:
        """Places of the delivered sites among the chosen ones."""
        return np.flatnonzero(self.is_delivered)

    @property
    def id_of(self) -> dict[int, str]:
        """Site id of each chosen candidate by its number, delivered or not."""
        return dict(zip(self.chosen.tolist(), self.ids.tolist(), strict=True))


def find_delivered_sites(
    network: Network, stationing: Stationing, stretches: Stretches, sites: Chosen, trial: Trial | None
) -> DeliveredSites:
    """The chosen sites with their ids, and which are delivered: those with an end on a reach of the trial's part.

    Returns
    -------
    DeliveredSites
    """
    chosen = np.flatnonzero(sites.offers.chosen)
    own, stations = stretches.table.iloc[chosen], stationing.stations
    tailrace = own["tailrace"].to_numpy(dtype=np.int64)
    link, distance_m = (stations[name].to_numpy()[tailrace] for name in ("link", "distance_m"))
    names = place_names(network.parts, link, distance_m)["name"]
    ids = np.array(site_ids(names, own["scheme_type"]), dtype=object)
    return DeliveredSites(chosen, ids, candidates_in(trial, stationing, own))


class FishAlive(NamedTuple):
    """What comes down past chosen sites and existing plants, by station.

    ``spawning_m`` is the length of each segment under the spawning rules [m]; ``survival`` the share of fish that
    survive from the station to the outlet, ``plants`` the number of plants that they meet, ``worst`` the spawning
    ground at the station or above from which the smallest share survives (-1: none).
    """

    spawning_m: npt.NDArray[np.float64]
    survival: npt.NDArray[np.float64]
    plants: npt.NDArray[np.int64]
    worst: npt.NDArray[np.int64]


def fish_alive(
    settings: Settings,
    inputs: RunInputs,
    stationing: Stationing,
    stretches: Stretches,
    spawning_m: npt.NDArray[np.float64],
    water_bodies: WaterBodies,
    sites: Chosen,
) -> FishAlive:
    """What comes down past the chosen sites, of the group of fish that decides at each, whatever the evidence.

    Returns
    -------
    FishAlive
    """
    offers = sites.offers
    picked = np.flatnonzero(offers.chosen)
    table, valued = stretches.table.iloc[picked], offers.valued.iloc[picked]
    ends = (table[name].to_numpy(dtype=np.int64) for name in ("intake", "tailrace"))
    existing = np.flatnonzero(water_bodies.plants_entered)
    entered = np.concatenate([entered_at(table["scheme_type"], *ends), existing]).astype(np.int64)
    survival = np.concatenate(
        [valued["survival"].to_numpy(dtype=float), np.full(len(existing), settings.fish.existing_survival)]
    )
    downstream = stationing.stations["downstream"].to_numpy().astype(np.int32)
    to_outlet = survival_to_outlet(downstream, entered, survival)
    worst = worst_from_above(downstream, spawning_m > 0, to_outlet)
    return FishAlive(spawning_m, to_outlet, plants_to_outlet(downstream, entered), worst)


def with_fish(
    settings: Settings, stationing: Stationing, alive: FishAlive, reaches: geopandas.GeoDataFrame
) -> geopandas.GeoDataFrame:
    """Reaches with ``spawning_m``, and ``survival_to_outlet`` of the ground where the smallest share survives."""
    reach = stationing.stations["reach"].to_numpy()
    of_reach = reach >= 0
    spawning_m = np.bincount(reach[of_reach], weights=alive.spawning_m[of_reach], minlength=len(reaches)).astype(
        float
    )
    minimum = np.full(len(reaches), np.inf)
    ground = alive.spawning_m > 0
    np.minimum.at(minimum, reach[ground], alive.survival[ground])
    minimum = np.where(np.isinf(minimum), np.nan, minimum)
    return reaches.assign(
        spawning_m=published_spawning(settings, spawning_m),
        survival_to_outlet=published_spawning(settings, minimum, silent=("hidden",)),
    )


def published_spawning(
    settings: Settings,
    values: npt.NDArray[np.float64],
    silent: Sequence[str] = ("generalised", "hidden"),
    rules: Sequence[str] | None = None,
) -> npt.NDArray[np.float64]:
    """Figures of spawning grounds as published: none (NaN) if one of their rules may not be shown as it is.

    ``rules`` names other rules than the spawning rules.
    """
    meant = settings.fish.spawning_rules if rules is None else rules
    withheld = {rule.name for rule in settings.rules if rule.publish in silent}
    return np.full(len(values), np.nan) if withheld & set(meant) else values


class FishSafety(NamedTuple):
    """The best set if no turbine counted as fish-safe, and the best sets with them.

    ``by_case`` holds these by the question that rules ask, the weakest grade of evidence that counts, and the bar;
    ``own`` is the case of the settings.
    """

    without: BestSet
    by_case: dict[SafetyCase, BestSet]
    own: SafetyCase


def weigh_fish_safety(
    settings: Settings,
    inputs: RunInputs,
    stationing: Stationing,
    stretches: Stretches,
    energy: pd.DataFrame,
    evidence_values: EvidenceValues,
    spawning_m: npt.NDArray[np.float64],
    verdicts: Judged,
    water_bodies: WaterBodies,
    closed_energy: pd.DataFrame | None = None,
    river_parts: RiverParts | None = None,
) -> FishSafety:
    """Best sets of sites without fish-safe turbines, and with them by question and grade of evidence."""
    energy = energy if closed_energy is None else with_closed(energy, closed_energy)
    # What has no value in any case is put aside at once.
    some = _has_value(settings, energy)
    for changed in evidence_values.by_case.values():
        some[evidence_values.rows] |= _has_value(settings, changed)
    rows = np.flatnonzero(some)
    stretches, energy = subset(stretches, some), energy.iloc[rows].reset_index(drop=True)
    verdicts = of_rows(verdicts, rows)
    evidence_values = of_candidates(evidence_values, rows)

    def best(settings: Settings, judged: Judged, valued: pd.DataFrame) -> BestSet:
        given = stationing, stretches, valued, spawning_m, judged, water_bodies, river_parts
        found = choosing(settings, inputs, *given)()
        return found._replace(candidates=rows[found.candidates])

    without = best(settings, verdicts._replace(choice=without_fish_safe(verdicts.choice)), energy)
    by_case, known = {}, {}
    for question in names(FISH_SAFETIES):
        asked = verdicts._replace(choice=as_asked(verdicts.choice, question, settings.fish.safe))
        # Where no rule asks, both questions have one answer.
        differs = question if (asked.choice != verdicts.choice).any() else settings.fish.safe
        for grade, change in fish_cases(settings.fish):
            # Other bars are examined for the question of the settings alone.
            if change and question != settings.fish.safe:
                continue
            fish = judged_by(settings.fish, grade, change)
            other = settings.model_copy(update={"fish": fish})
            # A grade that makes no further class safe changes nothing.
            safe = classes_that_may_be_safe(inputs.turbines, inputs.costs.screen.design, fish)
            case = differs, change, safe
            if case not in known:
                known[case] = best(other, asked, _valued_by((grade, change), evidence_values, energy, verdicts))
            by_case[SafetyCase(question, grade, change)] = known[case]
    return FishSafety(without, by_case, SafetyCase(settings.fish.safe, weakest_counted(settings.fish)))


def joined_fish_safety(
    found: dict[str, FishSafety], systems: Systems, stretches: Stretches, **_: object
) -> FishSafety:
    """Best sets without fish-safe turbines and with them, from those of each drainage system."""
    extents = extents_of(systems, stretches)
    without = _joined_sets({name: own.without for name, own in found.items()}, extents)
    by_case: dict[SafetyCase, BestSet] = {}
    known: dict[tuple[int, ...], BestSet] = {}
    first = next(iter(found.values()))
    for case in first.by_case:
        sets = {name: own.by_case[case] for name, own in found.items()}
        # Grades that share their set in every system share it in the region.
        same = tuple(map(id, sets.values()))
        if same not in known:
            known[same] = _joined_sets(sets, extents)
        by_case[case] = known[same]
    return FishSafety(without, by_case, first.own)


# The best set of the region from those of its drainage systems.
def _joined_sets(found: dict[str, BestSet], extents: dict[str, Extent]) -> BestSet:
    candidates = np.concatenate([extents[name].candidates[own.candidates] for name, own in found.items()])
    order = np.argsort(candidates, kind="stable")
    valued = pd.concat([own.valued for own in found.values()], ignore_index=True)
    return BestSet(
        candidates[order], valued.iloc[order].reset_index(drop=True), sum(own.gap for own in found.values())
    )


# The valuation by another grade or bar, where that matters: at stretches that admit fish-safe turbines only.
def _valued_by(
    case: tuple[str, float], evidence_values: EvidenceValues, energy: pd.DataFrame, verdicts: Judged
) -> pd.DataFrame:
    if case not in evidence_values.by_case:
        return energy
    found = evidence_values.by_case[case]
    valued = np.flatnonzero(evidence_values.rows)
    counts = verdicts.choice[valued] >= SAFE_MAY
    columns, others = arrays_by_name(energy), arrays_by_name(found)
    for name, values in columns.items():
        if name in others:
            columns[name] = values.copy()
            columns[name][valued[counts]] = others[name][counts]
    return pd.DataFrame(columns, index=energy.index)


def fish_safe_gain_table(
    settings: Settings,
    inputs: RunInputs,
    stationing: Stationing,
    stretches: Stretches,
    verdicts: Judged,
    fish_safety: FishSafety,
    reaches: geopandas.GeoDataFrame,
    lengths: pd.DataFrame,
) -> pd.DataFrame:
    """The ``fish_safe_gain`` layer.

    Parameters
    ----------
    settings, inputs, stationing, stretches, verdicts, fish_safety
        Results of the stages of those names.
    reaches : DataFrame
        As delivered.
    lengths : DataFrame
        Length of each of them in each district, see `sitefinder.siting.access.lengths_by_district`.

    Returns
    -------
    DataFrame
    """
    districts = inputs.layers["districts"].frame if "districts" in inputs.layers else None
    names = [] if districts is None else list(dict.fromkeys(district_names(districts)))
    # Many candidates end at one station.
    stations, tailrace = np.unique(stretches.table["tailrace"].to_numpy(), return_inverse=True)
    x_m, y_m = (stationing.stations[name].to_numpy()[stations] for name in ("x_m", "y_m"))
    turbines = np.array([turbine.name for turbine in inputs.turbines], dtype=object)
    table = gain_by_district(
        [*names, ""],
        district_of(x_m, y_m, districts)[tailrace],
        verdicts.choice >= SAFE_MAY,
        *fish_safety,
        turbines,
    )
    potential = _potential(settings, reaches, lengths)
    for name in potential:
        table[name] = table["district"].map(potential[name]).fillna(0.0)
    own = fish_safety.own
    as_set = (table["question"] == own.question) & (table["evidence"] == own.evidence) & (table["bar_change"] == 0)
    table["as_set"] = as_set
    gain: pd.DataFrame = table[[column.name for column in LAYERS["fish_safe_gain"].columns]]
    return gain


# Stream and its gross theoretical potential by district: for fish-safe turbines only, and for any turbine.
def _potential(settings: Settings, reaches: geopandas.GeoDataFrame, lengths: pd.DataFrame) -> pd.DataFrame:
    share = lengths["length_m"].to_numpy() / reaches["length_m"].to_numpy()[lengths["reach"]]
    of_reach = reaches.iloc[lengths["reach"]].reset_index(drop=True)
    free = of_reach["verdict"].isin(passing_verdicts(()))
    only_safe = free & of_reach[[action.mark for action in ACTIONS if action.fish_safe_only]].any(axis=1)
    power_kw = of_reach["theoretical_kw"].fillna(0.0) * share
    if not HEAD_UNRESOLVED.is_allowed(settings.ranking.allow):
        power_kw = power_kw.where(~has_flag(of_reach["flags"], HEAD_UNRESOLVED.flag), 0.0)
    columns = {
        "only_safe_length_km": lengths["length_m"].reset_index(drop=True).where(only_safe, 0.0)
        / METRES_PER_KILOMETRE,
        "only_safe_theoretical_kw": power_kw.where(only_safe, 0.0),
        "any_theoretical_kw": power_kw.where(free & ~only_safe, 0.0),
    }
    return pd.DataFrame(columns).groupby(lengths["district"].to_numpy()).sum()
