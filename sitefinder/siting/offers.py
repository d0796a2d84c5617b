"""From valued stretches to sites: who may be chosen, the best set, and why the rest carries none."""

from typing import NamedTuple

import numpy as np
import pandas as pd

from sitefinder.siting.choice import choose_best_set
from sitefinder.siting.pieces import blocked_by, boundary_of_path
from sitefinder.siting.spacing import with_spacing
from sitefinder.siting.stretches import covered_stations

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
    another one, or -1; ``ladder`` holds for each step that a candidate must pass, in order, its name for a reach
    that fails there and which candidates pass it and all before.
    """

    valued: pd.DataFrame
    chosen: np.ndarray
    blocked_by: np.ndarray
    ladder: list


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


def choose_sites(stretches, steps, valuation, choice, stations, settings):
    """The best set of stretches without overlap among those that pass every step.

    Parameters
    ----------
    stretches : Stretches
    steps : list of (str, ndarray of bool, shape (m,))
        What a candidate must pass before its value counts, in the order in which reaches are told of it.
    valuation : DataFrame, m rows
        See `valued_for`.
    choice : ndarray of int, shape (m,)
        Machine choice that the rules leave, -1 for none.
    stations : DataFrame
        Columns ``downstream`` and ``segment_length_m``, and ``to_downstream_m`` where sites keep a distance.
    settings : sitefinder.config.Settings
        Reads the sections ranking and costs.

    Returns
    -------
    Offers
    """
    valued = valued_for(valuation, choice)
    value = valued["energy_mwh" if settings.ranking.choose_by == "energy" else "net_value_per_year"].to_numpy()
    cost = valued["cost_per_kwh"].to_numpy()
    limit = settings.costs.most_cost_per_kwh
    cheap = np.nan_to_num(value, nan=-1.0) > 0
    if limit is not None:
        cheap &= np.nan_to_num(cost, nan=np.inf) <= limit
    fits = ("no machine fits", valued["machine"].to_numpy() >= 0)
    everything = [*steps, fits, *_limits(stretches, valued, settings.ranking), ("too dear", cheap)]
    passing = np.ones(len(valued), dtype=bool)
    ladder = []
    for name, passes in everything:
        passing = passing & passes
        ladder.append((name, passing))
    downstream = stations["downstream"].to_numpy().astype(np.int32)
    intake, tailrace = (stretches.table[name].to_numpy().astype(np.int32) for name in ("intake", "tailrace"))
    pond_start, pond = _ponds(stretches)
    if settings.ranking.spacing_m > 0:
        step_m = stations["to_downstream_m"].to_numpy()
        pond_start, pond = with_spacing(downstream, step_m, intake, pond_start, pond, settings.ranking.spacing_m)
    boundary = boundary_of_path(downstream, intake, tailrace, pond_start, pond)
    worth = np.where(passing, np.nan_to_num(value), 0.0)
    chosen = choose_best_set(downstream, tailrace, worth, boundary.start, boundary.station).chosen
    segment_m = stations["segment_length_m"].to_numpy()
    blocking = blocked_by(chosen, downstream, intake, tailrace, segment_m, pond_start, pond)
    return Offers(valued, chosen, np.where(passing, blocking, -1), ladder)


# The user's hard limits as steps, those that are set.
def _limits(stretches, valued, ranking):
    if ranking.least_power_kw > 0:
        power_kw = np.nan_to_num(valued["power_kw"].to_numpy(), nan=0.0)
        yield "too little power", power_kw >= ranking.least_power_kw
    if ranking.most_road_distance_m is not None:
        distance_m = np.nan_to_num(stretches.table["road_distance_m"].to_numpy(dtype=float), nan=np.inf)
        yield "too far from a road", distance_m <= ranking.most_road_distance_m


# The ponds of all candidates in compressed form.
def _ponds(stretches):
    lengths = stretches.start[1:] - stretches.pond_start
    in_pond = np.arange(len(stretches.taken)) >= np.repeat(stretches.pond_start, np.diff(stretches.start))
    return np.concatenate([[0], np.cumsum(lengths)]), stretches.taken[in_pond]


def alternatives(offers, most):
    """For each site the best candidates that it keeps out.

    Parameters
    ----------
    offers : Offers
    most : int
        How many for each site.

    Returns
    -------
    ndarray of int64
        Numbers of candidates, by the site that blocks them, then from the best down, then by number.
    """
    blocked = np.flatnonzero(offers.blocked_by >= 0)
    value = offers.valued["net_value_per_year"].to_numpy()[blocked]
    order = np.lexsort([blocked, -value, offers.blocked_by[blocked]])
    by = offers.blocked_by[blocked][order]
    place = np.arange(len(by)) - np.searchsorted(by, by)
    return blocked[order][place < most]


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
    plant, tidal water, too little head, then the steps of the offers' ladder, and at last a better site.
    """
    count = len(reach_of_station)
    reaches = int(reach_of_station.max()) + 1
    reason = np.full(reaches, "", dtype=object)

    def reached(stations):
        touched = np.zeros(reaches, dtype=bool)
        touched[reach_of_station[stations & (reach_of_station >= 0)]] = True
        return touched

    def say(text, applies):
        reason[applies & (reason == "")] = text

    say("standing water", ~reached(~standing))
    say("developed", ~reached(~(standing | developed)))
    say("tidal", ~reached(~(standing | developed | tidal)))
    say("too little head", ~reached(covered_stations(stretches, np.ones(len(offers.chosen), dtype=bool), count)))
    for name, passing in offers.ladder:
        say(name, ~reached(covered_stations(stretches, passing, count)))
    say("blocked by a better site", np.ones(reaches, dtype=bool))
    reason[reached(covered_stations(stretches, offers.chosen, count))] = ""
    return reason
