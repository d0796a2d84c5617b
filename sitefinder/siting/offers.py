"""From valued stretches to sites: who may be chosen, the best set, and why the rest carries none."""

from typing import NamedTuple

import numpy as np
import pandas as pd

from sitefinder.schema.vocabulary import (
    ABOVE_COST_LIMIT,
    BETTER_SITE,
    DEVELOPED,
    FISH_SURVIVAL_TOO_LOW,
    HEAD_TOO_SMALL,
    NO_SUITABLE_TURBINE,
    POWER_TOO_SMALL,
    REJECTION_REASONS,
    ROAD_TOO_FAR,
    STANDING_WATER,
    TIDAL,
    named,
)
from sitefinder.siting.choice import choose_best_set
from sitefinder.siting.fish_passage import entered_at
from sitefinder.siting.pieces import blocked_by, boundary_of_path
from sitefinder.siting.spacing import with_spacing
from sitefinder.siting.stretches import covered_stations
from sitefinder.siting.survival_choice import ANY, SAFE, choose_for_fish

# Columns of a valuation that hold for one choice of machine; the prefix says which.
VALUED = (
    "machine",
    "screened",
    "units",
    "flow_design_m3s",
    "power_kw",
    "energy_mwh",
    "capacity_factor",
    "firm_power_kw",
    "capital_cost",
    "cost_per_kwh",
    "net_value_per_year",
)
PREFIXES = ("any_", "safe_")


class Offers(NamedTuple):
    """The chosen set and how every candidate fared.

    ``valued`` has a row a candidate: the columns of `VALUED` for the machine choice that the rules leave it.
    ``chosen`` is True for a site; ``blocked_by`` is the number of the chosen candidate that stands in the way of
    another one, or -1; ``ladder`` holds for each step that a candidate must pass, in the order of
    `sitefinder.schema.vocabulary.REJECTION_REASONS`, the name of the reason for a reach that fails there and which
    candidates pass it and all before.

    With a least survival of fish on their way, ``made_safe`` are sites that have a fish-safe machine because of it
    and not of a rule, ``kept_out`` candidates that nothing else keeps from being chosen, and ``exact`` tells
    whether the set is the very best or losses of fish were rounded up, see `sitefinder.siting.survival_choice`.
    """

    valued: pd.DataFrame
    chosen: np.ndarray
    blocked_by: np.ndarray
    ladder: list
    made_safe: np.ndarray
    kept_out: np.ndarray
    exact: bool = True


def valued_for(valuation, choice):
    """The valuation that holds for the machine choice left to each stretch.

    Parameters
    ----------
    valuation : DataFrame, m rows
        Columns of `VALUED` with each of `PREFIXES`.
    choice : ndarray of int, shape (m,)
        0 for any machine, 1 for a fish-safe one, -1 for none.

    Returns
    -------
    DataFrame, m rows
        Columns of `VALUED`; machine -1 and NaN where there is no choice.
    """
    columns = {}
    for name in VALUED:
        either = [valuation[prefix + name].to_numpy() for prefix in PREFIXES]
        values = np.where(choice == 1, either[1], either[0])
        if name in ("machine", "units"):
            columns[name] = np.where(choice >= 0, values, -1 if name == "machine" else 0).astype(np.int64)
        elif name == "screened":
            columns[name] = values.astype(bool) & (choice >= 0)
        else:
            columns[name] = np.where(choice >= 0, values, np.nan)
    return pd.DataFrame(columns)


def choose_sites(stretches, steps, valuation, choice, stations, settings, way=None):
    """The best set of stretches without overlap among those that pass every step.

    Parameters
    ----------
    stretches : Stretches
    steps : list of (str, ndarray of bool, shape (m,))
        What a candidate must pass beside its value, under the name of the reason where it does not.
    valuation : DataFrame, m rows
        See `valued_for`.
    choice : ndarray of int, shape (m,)
        Machine choice that the rules leave, -1 for none.
    stations : DataFrame
        Columns ``downstream`` and ``segment_length_m``, and ``to_downstream_m`` where sites keep a distance.
    settings : sitefinder.config.Settings
        Reads the sections ranking and costs.
    way : sitefinder.siting.fish_passage.FishWay, optional
        What migrating fish ask; without a least survival they ask nothing.

    Returns
    -------
    Offers
    """
    choice = _within_limits(stretches, valuation, choice, settings)
    valued = valued_for(valuation, choice)
    value, cheap = _value(valued, settings)
    fits = (NO_SUITABLE_TURBINE.name, valued["machine"].to_numpy() >= 0)
    limits = _limits(stretches, valued, settings.ranking)
    passing = np.ones(len(valued), dtype=bool)
    ladder = []
    for name, passes in _in_order([*steps, fits, *limits, (ABOVE_COST_LIMIT.name, cheap)]):
        passing = passing & passes
        ladder.append((name, passing))
    downstream = stations["downstream"].to_numpy().astype(np.int32)
    intake, tailrace = (stretches.table[name].to_numpy().astype(np.int32) for name in ("intake", "tailrace"))
    pond_start, pond = _ponds(stretches)
    if settings.ranking.spacing_m > 0:
        step_m = stations["to_downstream_m"].to_numpy()
        pond_start, pond = with_spacing(downstream, step_m, intake, pond_start, pond, settings.ranking.spacing_m)
    worth = np.where(passing, np.nan_to_num(value), 0.0)
    made_safe, exact = np.zeros(len(valued), dtype=bool), True
    if way is None or way.least is None:
        boundary = boundary_of_path(downstream, intake, tailrace, pond_start, pond)
        chosen = choose_best_set(downstream, tailrace, worth, boundary.start, boundary.station).chosen
    else:
        safe = valued_for(valuation, np.where(choice >= 0, SAFE, choice))
        may = passing & (choice != SAFE) & _keeps_limits(stretches, safe, settings)
        worth = np.column_stack([worth, np.where(may, np.nan_to_num(_value(safe, settings)[0]), 0.0)])
        # Where the rules ask for a fish-safe machine, that is the first option.
        first = np.where(choice == SAFE, way.survival[:, SAFE], way.survival[:, 0])
        options = way._replace(survival=np.column_stack([first, way.survival[:, SAFE]]))
        entered = entered_at(stretches.table["layout"], intake, tailrace)
        found = choose_for_fish(downstream, intake, tailrace, entered, worth, options, pond_start, pond)
        chosen, made_safe, exact = found.option >= 0, found.option == SAFE, found.exact
        valued = valued_for(valuation, np.where(made_safe, SAFE, choice))
    segment_m = stations["segment_length_m"].to_numpy()
    blocking = blocked_by(chosen, downstream, intake, tailrace, segment_m, pond_start, pond)
    kept_out = passing & ~chosen & (blocking < 0)
    return Offers(valued, chosen, np.where(passing, blocking, -1), ladder, made_safe, kept_out, exact)


# Steps in the order in which reasons for rejection are examined.
def _in_order(steps):
    return sorted(steps, key=lambda step: REJECTION_REASONS.index(named(REJECTION_REASONS, step[0])))


# What each candidate is worth to the choice, and whether that is enough and its energy within the cost limit.
def _value(valued, settings):
    value = valued["energy_mwh" if settings.ranking.choose_by == "energy" else "net_value_per_year"].to_numpy()
    enough = np.nan_to_num(value, nan=-1.0) > 0
    limit = settings.costs.most_cost_per_kwh
    if limit is not None:
        enough &= np.nan_to_num(valued["cost_per_kwh"].to_numpy(), nan=np.inf) <= limit
    return value, enough


# The choices of machine, the fish-safe one where any may stand but only that one keeps the limits: the best of any
# is the one of most value, and it may cost more a kWh. Without this a stricter rule could admit the other.
def _within_limits(stretches, valuation, choice, settings):
    any_keeps, safe_keeps = (
        _keeps_limits(stretches, valued_for(valuation, np.where(choice >= 0, machine, choice)), settings)
        for machine in (ANY, SAFE)
    )
    return np.where((choice == ANY) & ~any_keeps & safe_keeps, SAFE, choice)


# Where a machine fits, is worth its cost, and breaks none of the user's limits.
def _keeps_limits(stretches, valued, settings):
    kept = _value(valued, settings)[1] & (valued["machine"].to_numpy() >= 0)
    for _, within in _limits(stretches, valued, settings.ranking):
        kept &= within
    return kept


# The user's hard limits as steps, those that are set.
def _limits(stretches, valued, ranking):
    if ranking.least_power_kw > 0:
        power_kw = np.nan_to_num(valued["power_kw"].to_numpy(), nan=0.0)
        yield POWER_TOO_SMALL.name, power_kw >= ranking.least_power_kw
    if ranking.most_road_distance_m is not None:
        distance_m = np.nan_to_num(stretches.table["road_distance_m"].to_numpy(dtype=float), nan=np.inf)
        yield ROAD_TOO_FAR.name, distance_m <= ranking.most_road_distance_m


# The ponds of all candidates in compressed form.
def _ponds(stretches):
    lengths = stretches.start[1:] - stretches.pond_start
    in_pond = np.arange(len(stretches.taken)) >= np.repeat(stretches.pond_start, np.diff(stretches.start))
    return np.concatenate([[0], np.cumsum(lengths)]), stretches.taken[in_pond]


def alternatives(offers, most, tailrace_reach):
    """The best candidates that each site keeps out, and in each reach those that only the fish's way does.

    Parameters
    ----------
    offers : Offers
    most : int
        How many for each site, or reach.
    tailrace_reach : ndarray of int, shape (m,)
        Reach in which each candidate's tailrace lies.

    Returns
    -------
    ndarray of int64
        Numbers of candidates, by the site that blocks them, then from the best down, then by number; then those
        that no site blocks, by reach.
    """
    blocker = offers.blocked_by.astype(np.int64)
    by = np.where(blocker >= 0, blocker, len(blocker) + np.asarray(tailrace_reach, dtype=np.int64))
    listed = np.flatnonzero((blocker >= 0) | offers.kept_out)
    value = offers.valued["net_value_per_year"].to_numpy()[listed]
    order = np.lexsort([listed, -value, by[listed]])
    by = by[listed][order]
    place = np.arange(len(by)) - np.searchsorted(by, by)
    return listed[order][place < most]


def not_offered_because(reach_of_station, standing, stretches, offers, developed, tidal):
    """Why each reach carries no site.

    Parameters
    ----------
    reach_of_station : ndarray of int32, shape (n,)
        -1 for a station without a segment.
    standing, developed, tidal : ndarray of bool, shape (n,)
        Stations whose segment is standing water, used by an existing plant, or tidal.
    stretches : Stretches
    offers : Offers

    Returns
    -------
    ndarray of str, one for each reach
        Empty where a site takes some of the reach.

    Notes
    -----
    The reason is the first thing that no candidate touching the reach gets past: standing water, an existing
    plant, tidal water, too little head, then the steps of the offers' ladder. Past these, too few fish survive
    where some candidate could stand but for that, and elsewhere a better site is in the way. All reasons are
    declared in `sitefinder.schema.vocabulary.REJECTION_REASONS`.
    """
    count = len(reach_of_station)
    reaches = int(reach_of_station.max()) + 1
    reason = np.full(reaches, "", dtype=object)

    def reached(stations):
        touched = np.zeros(reaches, dtype=bool)
        touched[reach_of_station[stations & (reach_of_station >= 0)]] = True
        return touched

    def say(name, applies):
        reason[applies & (reason == "")] = name

    say(STANDING_WATER.name, ~reached(~standing))
    say(DEVELOPED.name, ~reached(~(standing | developed)))
    say(TIDAL.name, ~reached(~(standing | developed | tidal)))
    say(HEAD_TOO_SMALL.name, ~reached(covered_stations(stretches, np.ones(len(offers.chosen), dtype=bool), count)))
    for name, passing in offers.ladder:
        say(name, ~reached(covered_stations(stretches, passing, count)))
    say(FISH_SURVIVAL_TOO_LOW.name, reached(covered_stations(stretches, offers.kept_out, count)))
    say(BETTER_SITE.name, np.ones(reaches, dtype=bool))
    reason[reached(covered_stations(stretches, offers.chosen, count))] = ""
    return reason
