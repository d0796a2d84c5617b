"""What lies on the stream at each site, and what every structure could give, as tables of the delivery."""

from typing import NamedTuple

import geopandas
import numpy as np
import pandas as pd
import shapely

from sitefinder.delivery.checking import checked_table
from sitefinder.energy.costs import needs_fish_pass
from sitefinder.rules.verdicts import ANY_MAY, SAFE_MAY
from sitefinder.schema import LAYERS, is_scheme_that
from sitefinder.schema.arrays import records_of
from sitefinder.siting.passed import flags_of_things, kinds_of_structures, things_of_sites
from sitefinder.siting.selection import valued_for
from sitefinder.siting.structures import IN_REPAIR, NO_USE
from sitefinder.steps.candidates import value_all
from sitefinder.steps.closed_months import value_closed, with_closed
from sitefinder.steps.trial import things_in
from sitefinder.vocabulary import (
    ALREADY_POWERED,
    BETTER_SITE,
    DEVELOPED,
    FISH_SURVIVAL_TOO_LOW,
    FLAG_VALUE,
    FLAGS,
    HEAD_TOO_LARGE,
    HEAD_TOO_SMALL,
    HOLDS_NO_WATER,
    IN_ONE_CELL,
    NATURAL_FALL,
    NO_STREAM_NEAR,
    ONLY_A_STEP,
    PASSED_CROSSING,
    PASSED_FALL,
    PASSED_STEP,
    REMOVAL_PLANNED,
    REMOVED,
    SCHEME_NOT_EXAMINED,
    STANDING_WATER,
    TIDAL,
    names,
    schemes_that,
)

# Figures of the best plant of a structure, and of a candidate that is explained.
PLANT = (
    "units",
    "flow_design_m3s",
    "power_kw",
    "energy_mwh",
    "capital_cost",
    "lcoe_per_kwh",
    "net_annual_value",
)


# The things of some candidates, see `things_of_sites`.
def _listed(settings, stationing, stretches, stream_things, chosen):
    serving = stretches.table["intake_thing"].to_numpy(dtype=np.int64)
    within_m = settings.stretches.ends_within_m
    return things_of_sites(stretches, chosen, serving, stream_things, stationing.stations, within_m)


def passed_flags(settings, stationing, stretches, stream_things, chosen):
    """Flags of candidates for what they go past, and for an intake at an existing structure.

    Parameters
    ----------
    settings, stationing, stretches, stream_things
        Results of the stages of those names.
    chosen : ndarray of int, shape (k,)
        Numbers of candidates.

    Returns
    -------
    list of str
        Flags with the ids of the structures, "" for none.
    """
    listed = _listed(settings, stationing, stretches, stream_things, chosen)
    at_weir = is_scheme_that(stretches.table["scheme_type"].iloc[chosen], "uses_structure")
    found = flags_of_things(listed[~at_weir[listed["site"].to_numpy(dtype=np.int64)]], stream_things)
    texts = [[] for _ in range(len(chosen))]
    for flag in names(FLAGS):
        for (site, name), ids in found.items():
            if name == flag:
                texts[site].append(f"{flag}{FLAG_VALUE}{ids.replace(IN_ONE_CELL, ', ')}")
    return [IN_ONE_CELL.join(each) for each in texts]


def make_stretch_structures(settings, stationing, stretches, stream_things, delivered_sites, ranked_sites):
    """The ``stretch_structures`` layer: all that lies on the stream within each site and at its ends."""
    order = ranked_sites.order
    listed = _listed(settings, stationing, stretches, stream_things, delivered_sites.picked)
    site, thing = (listed[name].to_numpy(dtype=np.int64) for name in ("site", "thing"))
    by_place = order.sort_values("row")
    table = (
        stream_things.iloc[thing]
        .reset_index(drop=True)
        .assign(
            site_id=by_place["site_id"].to_numpy()[site],
            rank=by_place["rank"].to_numpy()[site],
            role=listed["role"],
            distance_m=listed["distance_m"].astype(float),
        )
    )
    table["drop_m"] = table["drop_m"].astype(float)
    table = table.assign(geometry=_places(stationing, table)).sort_values(
        ["rank", "distance_m"], kind="stable", ignore_index=True
    )
    table["position"] = table.groupby("site_id", sort=False).cumcount() + 1
    columns = [column.name for column in LAYERS["stretch_structures"].columns]
    frame = geopandas.GeoDataFrame(table[columns], geometry=table["geometry"].to_numpy(), crs=settings.run.crs)
    return checked_table(frame, "stretch_structures", settings.run.crs)


# Where each thing is on its stream, as points.
def _places(stationing, things):
    station = things["station"].to_numpy(dtype=np.int64)
    x_m, y_m = (stationing.stations[name].to_numpy()[station] for name in ("x_m", "y_m"))
    points = shapely.points(x_m, y_m)
    lines = pd.Series(stationing.segments["geometry"].to_numpy(), index=stationing.segments["station"].to_numpy())
    on_segment = np.isin(station, lines.index.to_numpy())
    own = lines.loc[station[on_segment]].to_numpy()
    share = things["share_above"].to_numpy(dtype=np.float64)[on_segment]
    points[on_segment] = shapely.line_interpolate_point(own, share, normalized=True)
    return points


class StructureOutcomes(NamedTuple):
    """What became of the candidate at each structure.

    ``candidate`` is its number among all stretches, -1 for a structure without one, and ``because`` why the
    selection has no site there, "" where it names no reason. All else has a row for each of the ``numbers``, those
    of the candidates in the order of the structures: ``choice`` is the turbine choice that rules left it,
    ``valued`` and ``blocked_by`` are as of `sitefinder.siting.selection.Offers`, ``closed_months`` is as the stage
    of that name gives them.
    """

    candidate: np.ndarray
    because: np.ndarray
    numbers: np.ndarray
    choice: np.ndarray
    valued: pd.DataFrame
    blocked_by: np.ndarray
    closed_months: np.ndarray


def take_structure_outcomes(water_bodies, stretches, closed_months, verdicts, sites):
    """What the tables of structures read of the selection, so that rules elsewhere do not make them again.

    Parameters are the results of the stages of those names.

    Returns
    -------
    StructureOutcomes
    """
    candidate, offers = _candidates(water_bodies.structures, stretches), sites.offers
    because = np.full(len(candidate), "", dtype=object)
    cases = [(name, ~passing[candidate]) for name, passing in offers.ladder if len(passing)]
    cases.append((FISH_SURVIVAL_TOO_LOW.name, np.append(offers.kept_out, False)[candidate]))
    for name, applies in cases:
        because[(candidate >= 0) & applies & (because == "")] = name
    own = candidate[candidate >= 0]
    return StructureOutcomes(
        candidate=candidate,
        because=because,
        numbers=own,
        choice=verdicts.choice[own],
        valued=offers.valued.iloc[own].reset_index(drop=True),
        blocked_by=offers.blocked_by[own],
        closed_months=closed_months[own],
    )


def value_structures(settings, inputs, stretches, flows, water_depths, months, structure_outcomes):
    """Energy and cost of plants at structures where none pays, at the turbine and size of the lowest LCOE.

    Parameters are the results of the stages of those names.

    Returns
    -------
    DataFrame
        Columns of the stage ``energy``; the index are numbers of candidates. Empty where the choice goes by
        energy.

    Notes
    -----
    The plant that loses least is as small as can be: it says nothing of what the place could give, nor of the
    price at which it would pay. The plant of the lowest LCOE does.
    """
    own, rows = np.unique(structure_outcomes.numbers, return_index=True)
    value = structure_outcomes.valued["net_annual_value"].to_numpy(dtype=np.float64)[rows]
    loses = (structure_outcomes.choice[rows] < 0) | ~(value > 0.0)
    if settings.ranking.choose_by != "net_value":
        loses[:] = False
    own, rows = own[loses], rows[loses]
    cheapest = settings.energy.model_copy(update={"design_by": "lcoe_per_kwh"})
    cheap = settings.model_copy(update={"energy": cheapest})
    few = stretches._replace(table=stretches.table.iloc[own].reset_index(drop=True))
    valued = value_all(cheap, inputs, few, flows, water_depths) if len(own) else pd.DataFrame()
    closed_months = structure_outcomes.closed_months[rows]
    closed = value_closed(cheap, inputs, few, flows, water_depths, months, closed_months)
    return with_closed(valued, closed).set_axis(own)


def make_structures(
    settings,
    inputs,
    stationing,
    water_bodies,
    stretches,
    energy,
    delivered_sites,
    ranked_sites,
    structure_outcomes,
    structure_values,
    trial,
):
    """The ``structures`` layer: each structure with its best plant, or the reason why it has none.

    The best plant is that of the greatest net annual value; where none pays, that of the lowest LCOE.
    """
    table = water_bodies.structures.copy()
    station = table["station"].to_numpy(dtype=np.int64)
    reach_ids = np.append(stationing.reaches["reach_id"].to_numpy(dtype=object), "")
    of_station = np.append(stationing.stations["reach"].to_numpy(), -1)
    table["reach_id"] = reach_ids[of_station[station]]
    surveyed, shown = table["drop_m"].notna(), table["dem_drop_m"].notna()
    table["source"] = np.where(surveyed, "surveyed", np.where(shown, "DEM", ""))
    table["drop_error_m"] = table["drop_error_m"].where(surveyed, table["dem_drop_se_m"])
    table["drop_m"] = table["drop_m"].where(surveyed, table["dem_drop_m"])
    for name in ("drop_m", "drop_error_m", "distance_to_stream_m"):
        table[name] = table[name].astype(float)
    for name in ("powered", "fish_pass", "removal_planned", "removed"):
        table[name] = table[name].astype(bool)
    given = (stretches, energy, delivered_sites, ranked_sites, structure_outcomes, structure_values)
    table = table.assign(**_best_plants(inputs, table, *given))
    table["rejection_reason"] = _why_none(settings, table, water_bodies, structure_outcomes)
    columns = [column.name for column in LAYERS["structures"].columns]
    geometry = table["geometry"].to_numpy(dtype=object)
    frame = geopandas.GeoDataFrame(table[columns], geometry=geometry, crs=settings.run.crs)
    shown = frame[things_in(trial, stationing, station, geometry)].reset_index(drop=True)
    return checked_table(shown, "structures", settings.run.crs)


# Candidate at each structure, -1 for none.
def _candidates(structures, stretches):
    uses = np.flatnonzero(is_scheme_that(stretches.table["scheme_type"], "uses_structure"))
    candidate = np.full(len(structures), -1)
    candidate[stretches.table["structure"].to_numpy(dtype=np.int64)[uses]] = uses
    return candidate


# Columns of the best plant of each structure: as the rules allow it, else with any turbine, as if they did.
def _best_plants(
    inputs, structures, stretches, energy, delivered_sites, ranked_sites, structure_outcomes, structure_values
):
    has = np.flatnonzero(structure_outcomes.candidate >= 0)
    own, choice = structure_outcomes.numbers, structure_outcomes.choice
    table = stretches.table.iloc[own].reset_index(drop=True)
    valued = structure_outcomes.valued.copy()
    barred = np.flatnonzero(choice < 0)
    free = valued_for(energy.iloc[own[barred]].reset_index(drop=True), np.full(len(barred), ANY_MAY))
    for name in valued:
        valued[name] = valued[name].astype(free[name].dtype)
        valued.loc[barred, name] = free[name].to_numpy()
    # Where no plant pays, the one of the lowest cost of energy.
    loses = np.flatnonzero(np.isin(own, structure_values.index) & ~(valued["net_annual_value"].to_numpy() > 0.0))
    may = np.where(choice[loses] == SAFE_MAY, SAFE_MAY, ANY_MAY)
    cheapest = valued_for(structure_values.loc[own[loses]].reset_index(drop=True), may) if len(loses) else valued
    for name in valued if len(loses) else ():
        valued.loc[loses, name] = cheapest[name].to_numpy()
    fits = valued["turbine"].to_numpy(dtype=np.int64) >= 0
    turbines = np.array([turbine.name for turbine in inputs.turbines] + [""], dtype=object)
    order, site_of = ranked_sites.order, delivered_sites.id_of
    columns = {
        "site_id": np.full(len(structures), "", dtype=object),
        "blocked_by": np.full(len(structures), "", dtype=object),
        "turbine": np.full(len(structures), "", dtype=object),
        "needs": np.full(len(structures), "", dtype=object),
        **{name: np.full(len(structures), np.nan) for name in ("head_m", "flow_mean_m3s", *PLANT)},
    }
    columns["site_id"][has] = [site_of.get(number, "") for number in own.tolist()]
    columns["blocked_by"][has] = [site_of.get(number, "") for number in structure_outcomes.blocked_by.tolist()]
    columns["turbine"][has] = turbines[valued["turbine"].to_numpy(dtype=np.int64)]
    needs_pass = needs_fish_pass(table, inputs.costs) & ~table["has_fish_pass"].to_numpy(dtype=bool)
    screened = valued["screened"].to_numpy(dtype=bool)
    given = (records_of(structures.iloc[has]), needs_pass, screened, choice >= SAFE_MAY, fits)
    columns["needs"][has] = [needs_of(*each) for each in zip(*given, strict=True)]
    for name in ("head_m", "flow_mean_m3s"):
        columns[name][has] = table[name].to_numpy(dtype=np.float64)
    for name in PLANT:
        columns[name][has] = np.where(fits, valued[name].to_numpy(dtype=np.float64), np.nan)
    # Figures of a selected site are means over its simulations.
    row_of = {site_id: row for row, site_id in enumerate(columns["site_id"]) if site_id}
    for site in records_of(order[order["site_id"].isin(list(row_of))]):
        for name in PLANT:
            columns[name][row_of[site["site_id"]]] = site[name]
    columns["lcoe_per_kwh"] = np.where(np.isfinite(columns["lcoe_per_kwh"]), columns["lcoe_per_kwh"], np.nan)
    columns["units"] = pd.array(np.nan_to_num(columns["units"]).astype(np.int64), dtype="Int64")
    columns["units"][columns["turbine"] == ""] = pd.NA
    return columns


def needs_of(structure, needs_pass, screened, only_safe, fits):
    """What the plant of a structure needs beside its works.

    Parameters
    ----------
    structure : dict
        ``use``, ``owner`` and ``condition``.
    needs_pass, screened, only_safe, fits : bool
        Whether a fish pass is lacking, a fish screen is in the cost, only fish-safe turbines may be used, and a
        turbine fits.

    Returns
    -------
    str
        Parts with "; " between, "" without a plant.
    """
    if not fits:
        return ""
    use, owner, condition = (str(structure[name]).strip() for name in ("use", "owner", "condition"))
    needs = []
    if needs_pass:
        needs.append("fish pass")
    if only_safe:
        needs.append("fish-safe turbine")
    if screened:
        needs.append("fish screen and bypass")
    if condition.lower() in IN_REPAIR:
        needs.append(f"repair (condition {condition})")
    if use.lower() not in NO_USE:
        needs.append(f"agreement with its use ({use})")
    if owner.lower() not in NO_USE:
        needs.append(f"agreement of its owner ({owner})")
    return IN_ONE_CELL.join(needs)


# A place without a structure, for `needs_of`.
NO_STRUCTURE = {"use": "", "owner": "", "condition": ""}


def needs_of_sites(costs, table, structures):
    """What each site needs beside its works: a new weir, a pass, a screen, agreements.

    Parameters
    ----------
    costs : CostFile
    table : DataFrame, n rows
        Candidates with ``structure`` and ``intake_structure`` (rows of the structures, -1 for none),
        ``weir_height_m``, ``intake_weir_m``, ``has_fish_pass``, ``screened``, ``mark_fish_safe_only`` and what
        `sitefinder.energy.costs.needs_fish_pass` reads.
    structures : DataFrame
        ``use``, ``owner`` and ``condition``.

    Returns
    -------
    list of str
        Parts with "; " between.
    """
    used = table["structure"].where(table["structure"] >= 0, table["intake_structure"]).to_numpy(dtype=np.int64)
    rows = [*records_of(structures[list(NO_STRUCTURE)]), NO_STRUCTURE]
    needs_pass = needs_fish_pass(table, costs) & ~table["has_fish_pass"].to_numpy(dtype=bool)
    new = is_scheme_that(table["scheme_type"], "builds_barrier")
    new_m = np.where(new, table["weir_height_m"], table["intake_weir_m"]).astype(np.float64)
    flags = (table[name].to_numpy(dtype=bool) for name in ("screened", "mark_fish_safe_only"))
    found = []
    for row, height_m, lacks_pass, screened, only_safe in zip(used, new_m, needs_pass, *flags, strict=True):
        new_weir = [f"new weir of {height_m:g} m"] if height_m > 0 else []
        others = needs_of(rows[row], lacks_pass, screened, only_safe, fits=True)
        found.append(IN_ONE_CELL.join(filter(None, [*new_weir, others])))
    return found


# Why each structure has no site: what it is, then its stream, its head, and the steps of the selection.
def _why_none(settings, structures, water_bodies, outcomes):
    limits, candidate = settings.stretches, outcomes.candidate
    kind = kinds_of_structures(structures, limits.navigation_uses, limits.abstraction_uses)
    station = structures["station"].to_numpy(dtype=np.int64)
    on_stream = station >= 0
    examined = bool(set(limits.scheme_types) & set(schemes_that("uses_structure")))
    drop_m = structures["drop_m"].to_numpy(dtype=np.float64)
    cases = [
        (REMOVED, structures["removed"].to_numpy()),
        (NO_STREAM_NEAR, ~on_stream),
        (ONLY_A_STEP, kind == PASSED_STEP.name),
        (NATURAL_FALL, kind == PASSED_FALL.name),
        (HOLDS_NO_WATER, kind == PASSED_CROSSING.name),
        (ALREADY_POWERED, structures["powered"].to_numpy()),
        (
            REMOVAL_PLANNED,
            structures["removal_planned"].to_numpy() & ~structures["is_barrier"].to_numpy(dtype=bool),
        ),
        *(
            (reason, on_stream & getattr(water_bodies, name)[station])
            for reason, name in ((STANDING_WATER, "standing"), (DEVELOPED, "developed"), (TIDAL, "tidal"))
        ),
        (SCHEME_NOT_EXAMINED, np.full(len(structures), not examined)),
        (HEAD_TOO_LARGE, (candidate < 0) & (drop_m > limits.max_head_m)),
        (HEAD_TOO_SMALL, candidate < 0),
    ]
    reason = np.full(len(structures), "", dtype=object)
    for each, applies in cases:
        reason[applies & (reason == "")] = each.name
    reason = np.where(reason == "", outcomes.because, reason)
    reason[reason == ""] = BETTER_SITE.name
    reason[structures["site_id"].to_numpy() != ""] = ""
    return reason
