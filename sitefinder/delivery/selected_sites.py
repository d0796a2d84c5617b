"""The selected candidates and their alternatives, described before they are simulated."""

from typing import NamedTuple

import numpy as np
import pandas as pd

from sitefinder.delivery.decision_table import columns_of_sites
from sitefinder.delivery.site_energy import SiteErrors, site_errors
from sitefinder.delivery.site_plants import environmental_flow_at, net_heads_m, screens_take
from sitefinder.delivery.structure_tables import needs_of_sites, passed_flags
from sitefinder.energy.costs import is_cost_extrapolated
from sitefinder.energy.fish_survival import drawn_places, of_plants, prob_safe, worst_of_groups
from sitefinder.energy.valuation import fish_answers, plant_survival
from sitefinder.network.stations import place_names
from sitefinder.rules.verdicts import verdicts as verdicts_of
from sitefinder.siting.access import district_of
from sitefinder.siting.fish_passage import entered_at
from sitefinder.siting.passed import builds_barrier
from sitefinder.siting.selection import alternatives
from sitefinder.siting.structures import use_flags
from sitefinder.steps.closed_months import months_of
from sitefinder.steps.flags import flag_texts, flags_of_stretches, with_flags
from sitefinder.steps.trial import candidates_in
from sitefinder.vocabulary import (
    CLOSED_MONTHS_COUNTED,
    CONDUIT_UNRESOLVED,
    COST_EXTRAPOLATED,
    HEAD_NOT_RESOLVED,
    MONTH_SEPARATOR,
    SURVIVAL_ROUNDED,
)

ALTERNATIVES_KEPT = 3


class SelectedCandidates(NamedTuple):
    """The selected candidates and, below them, their alternatives, with what rules and decisions left of each.

    ``site_ids`` are those of the selected ones; all else has a row for each: ``numbers`` among all stretches,
    ``valued`` as of `sitefinder.siting.selection.Offers`, ``ruled`` as `sitefinder.rules.verdicts.verdicts` gives
    it, ``decided`` as `sitefinder.delivery.decision_table.columns_of_sites`, ``rule_closed_months`` as the stage
    ``closed_months``, and ``safe_by_passage_limit``. ``exact`` is of the selection as a whole.
    """

    site_ids: np.ndarray
    numbers: np.ndarray
    valued: pd.DataFrame
    ruled: pd.DataFrame
    decided: dict[str, np.ndarray]
    rule_closed_months: np.ndarray
    safe_by_passage_limit: np.ndarray
    exact: bool


class SelectedSites(NamedTuple):
    """The selected sites before they are simulated.

    ``own`` has a row for each; ``candidates`` also has the alternatives, whose numbers among all stretches are
    ``kept``; ``errors`` are `sitefinder.delivery.site_energy.SiteErrors`.
    """

    own: pd.DataFrame
    candidates: pd.DataFrame
    kept: np.ndarray
    errors: SiteErrors


def take_selection(
    settings, stationing, stretches, verdicts, decisions, closed_months, sites, delivered_sites, trial
):
    """What the description of sites reads of the selection, so that rules elsewhere do not describe them again.

    Parameters are the results of the stages of those names.

    Returns
    -------
    SelectedCandidates
        Those delivered.
    """
    offers = sites.offers
    picked = delivered_sites.picked
    tailrace_reach = stationing.stations["reach"].to_numpy()[stretches.table["tailrace"].to_numpy()]
    others = alternatives(offers, ALTERNATIVES_KEPT, tailrace_reach)
    # Alternatives to a site are delivered with it, those that no site blocks where they lie in the part.
    blocker, inside = offers.blocked_by[others].astype(np.int64), candidates_in(trial, stationing, stretches.table)
    kept = np.concatenate([picked, others[np.where(blocker >= 0, np.isin(blocker, picked), inside[others])]])
    return SelectedCandidates(
        site_ids=delivered_sites.ids[delivered_sites.is_delivered],
        numbers=kept,
        valued=offers.valued.iloc[kept].reset_index(drop=True),
        ruled=verdicts_of(verdicts.stretch_marks.held, settings.rules, kept).drop(columns="only_reason"),
        decided=columns_of_sites(stationing, stretches, verdicts, decisions, kept),
        rule_closed_months=closed_months[kept].astype(np.int64),
        safe_by_passage_limit=offers.safe_by_passage_limit[kept],
        exact=offers.exact,
    )


def describe_selection(
    settings,
    inputs,
    network,
    stationing,
    catchments,
    heads,
    flows,
    water_bodies,
    quality_flags,
    stretches,
    stream_things,
    months,
    selected_candidates,
    fish_alive,
):
    """The delivered candidates and their alternatives, described.

    Parameters are the results of the stages of those names; `fish_alive` is the passage survival of the selection.

    Returns
    -------
    SelectedSites
    """
    kept = selected_candidates.numbers
    table = _described(
        settings, inputs, network, stationing, catchments, flows, quality_flags, stretches, selected_candidates
    )
    table["rule_closed_months"] = selected_candidates.rule_closed_months
    # Months that a group of fish closes are listed with those of rules.
    table["closed_months"] = [
        text if not months_of(bits) else MONTH_SEPARATOR.join(str(month) for month in months_of(bits))
        for text, bits in zip(table["closed_months"], table["rule_closed_months"], strict=True)
    ]
    if not months.is_known:
        counted = np.where(table["rule_closed_months"] > 0, CLOSED_MONTHS_COUNTED.name, "")
        table["flags"] = with_flags(table["flags"], counted)
    table["structure_id"] = _of_structure(table["structure"], water_bodies.structures["structure_id"])
    # A structure that is used for its drop, or at which an intake stands.
    held_by = table["structure"].where(table["structure"] >= 0, table["intake_structure"])
    uses = _of_structure(held_by, use_flags(water_bodies.structures))
    table["flags"] = with_flags(table["flags"], uses)
    table["flags"] = with_flags(table["flags"], passed_flags(settings, stationing, stretches, stream_things, kept))
    decided = selected_candidates.decided
    table["flags"] = with_flags(table["flags"], decided["decision_flags"])
    table = table.assign(**{name: column for name, column in decided.items() if name != "decision_flags"})
    table["new_barrier"] = builds_barrier(table)
    table["needs"] = needs_of_sites(inputs.costs, table, water_bodies.structures)
    table = _with_fish(fish_alive, selected_candidates, table)
    own = table.iloc[: len(selected_candidates.site_ids)].reset_index(drop=True)
    own["site_id"] = selected_candidates.site_ids
    errors = site_errors(settings, stationing, catchments, heads, flows, own)
    return SelectedSites(own, table, kept, errors)


# The selected candidates and alternatives, each with its valuation, flags, position and flows.
def _described(
    settings, inputs, network, stationing, catchments, flows, quality_flags, stretches, selected_candidates
):
    stations, links, kept = stationing.stations, network.links, selected_candidates.numbers
    table = stretches.table.iloc[kept].reset_index(drop=True)
    table = pd.concat([table, selected_candidates.valued], axis=1)
    table = pd.concat([table, selected_candidates.ruled], axis=1)
    intake, tailrace = table["intake"].to_numpy(), table["tailrace"].to_numpy()
    for name, at in (("intake", intake), ("tailrace", tailrace)):
        places = place_names(network.parts, stations["link"].to_numpy()[at], stations["distance_m"].to_numpy()[at])
        table[f"{name}_name"] = places["name"]
    for name in ("crossings", "road_crossings", "building_crossings"):
        table[name] = pd.array(table[name].round(), dtype="Int64")
    table["stream"] = links["stream"].to_numpy()[stations["link"].to_numpy()[tailrace]]
    table["x_m"], table["y_m"] = stations["x_m"].to_numpy()[tailrace], stations["y_m"].to_numpy()[tailrace]
    table["district"] = district_of(table["x_m"], table["y_m"], _frame(inputs, "districts"))
    table["reach_id"] = stationing.reaches["reach_id"].to_numpy()[stations["reach"].to_numpy()[tailrace]]
    for name in ("area_km2", "inflow_km2"):
        table[name] = catchments[name].to_numpy()[intake]
    table["flow_q95_m3s"] = flows.q95_m3s[intake]
    table["flow_source"] = [flows.estimate.source[station] for station in intake]
    table["environmental_flow_m3s"] = environmental_flow_at(settings, inputs, flows, table).mean(axis=1)
    table["turbine_number"] = table["turbine"].to_numpy(dtype=np.int64)
    names = np.array([turbine.name for turbine in inputs.turbines], dtype=object)
    table["turbine"] = names[table["turbine_number"]]
    # In one piece: a table of many single columns is slow to add to.
    table = table.assign(
        bypass_flow_m3s=screens_take(inputs, table)[1], **_fish_figures(settings, inputs, table)
    ).copy()
    kinds = {HEAD_NOT_RESOLVED.name: table["head_unresolved"].to_numpy(dtype=bool)}
    kinds[COST_EXTRAPOLATED.name] = _cost_extrapolated(settings, inputs, table)
    kinds[CONDUIT_UNRESOLVED.name] = table["conduit_unresolved"].to_numpy(dtype=bool)
    kinds |= flags_of_stretches(quality_flags, stretches, kept)
    table["flags"] = flag_texts(kinds, flows.estimate.flags, table["intake"])
    return table


# What fish survive at each plant, of the group that decides; its probability by the ranges of what is uncertain.
def _fish_figures(settings, inputs, table):
    fish, screened = settings.fish, table["screened"].to_numpy(dtype=bool)
    head_m = net_heads_m(settings, table)
    plants = {
        "turbine": table["turbine_number"],
        "units": table["units"],
        "flow_design_m3s": table["flow_design_m3s"],
    }
    survival = plant_survival(inputs.turbines, inputs.costs, fish, plants, head_m)
    group, share, _ = worst_of_groups(*of_plants(survival, screened), fish)
    names = np.array([each.name for each in fish.migrating] + [""], dtype=object)
    unit_m3s = table["flow_design_m3s"].to_numpy(dtype=float) / table["units"].to_numpy(dtype=float)
    _, prob = prob_safe(
        inputs.turbines,
        inputs.costs.screen.design,
        fish,
        table["turbine_number"].to_numpy(),
        unit_m3s,
        head_m,
        screened,
        drawn_places(settings.run.seed, settings.uncertainty.simulations),
    )
    return {
        **fish_answers(survival, screened, fish),
        "survival": share,
        "survival_as_built": worst_of_groups(*of_plants(survival, np.zeros(len(table), dtype=bool)), fish)[1],
        "fish_group": names[group],
        "fish_safe_prob": prob,
    }


# Fish survival on the least favourable migration path through the site. If losses were rounded
# up, a better selection may exist, and sites on a migration path are flagged.
def _with_fish(alive, selected_candidates, table):
    entered = entered_at(
        table["scheme_type"], *(table[name].to_numpy(dtype=np.int64) for name in ("intake", "tailrace"))
    )
    worst = alive.worst[entered]
    rounded = (worst >= 0) & (not selected_candidates.exact)
    flags = with_flags(table["flags"], np.where(rounded, SURVIVAL_ROUNDED.name, ""))
    return table.assign(
        flags=flags,
        passage_survival=np.where(worst >= 0, alive.survival[worst], np.nan),
        fish_safe_by_passage_limit=selected_candidates.safe_by_passage_limit,
    )


# True where power or head of a plant's turbines is outside the range of the cost law.
def _cost_extrapolated(settings, inputs, table):
    outside = np.zeros(len(table), dtype=bool)
    head_m = net_heads_m(settings, table)
    power_kw, units = (table[name].to_numpy() for name in ("power_kw", "units"))
    number = table["turbine_number"].to_numpy()
    for each in np.unique(number):
        rows, scheme_types = number == each, table["scheme_type"].to_numpy(dtype=object)
        outside[rows] = is_cost_extrapolated(
            inputs.costs, inputs.turbines[each], scheme_types[rows], power_kw[rows], head_m[rows], units[rows]
        )
    return outside


# A text of the structure of each candidate, "" if none (row -1).
def _of_structure(rows, texts):
    return np.append(np.asarray(texts, dtype=object), "")[rows.to_numpy(dtype=np.int64)]


def _frame(inputs, name):
    return inputs.layers[name].frame if name in inputs.layers else None
