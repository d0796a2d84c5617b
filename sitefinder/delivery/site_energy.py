"""The stages of single sites: what the errors of each are, its simulations, and its turbine options.

Sites are kept one by one by what they are, so that a new rule redoes those alone that it brings; some are worked
out in one call, since half of the time of a call is the same for one and for several.
"""

from functools import partial
from typing import NamedTuple

import numpy as np
import pandas as pd

from sitefinder.delivery.closed_sites import waters
from sitefinder.energy.hydraulics import intake_is_held
from sitefinder.energy.uncertainty import (
    SOURCES,
    EnergySimulations,
    energy_simulations,
    intervals,
    nested_normals,
    net_depths,
)
from sitefinder.energy.valuation import size_options, turbine_options
from sitefinder.steps.systems import SHARES, Extent
from sitefinder.units import HOURS_PER_YEAR, KILOWATT_HOURS_PER_MEGAWATT_HOUR

# Random number stream of surveyed heads; 0 and 1 are those of the energy simulations, 3 that of nested catchments.
SURVEY_STREAM = 2
# Of the sites' columns those that change with the sites around them, and with what rules name.
OF_NEIGHBOURS = ("flags", "needs", "passage_survival", "fish_safe_by_passage_limit")
# What the one item is called where nothing is selected.
NO_SITE = "no site"


class SiteErrors(NamedTuple):
    """Errors that sites share with their neighbours, see `site_errors`."""

    normals: np.ndarray
    head_errors_m: np.ndarray


class FewSites(NamedTuple):
    """Sites apart: their rows, with stations counted among their own, errors, and the stations of tailraces."""

    table: pd.DataFrame
    errors: SiteErrors
    tailrace: np.ndarray


class SiteEnergy(NamedTuple):
    """Of each site its simulations, the columns made from them, and its turbine options.

    ``options`` holds the best size of each suitable class and the other sizes of the selected class;
    ``stretch`` is the place of the site.
    """

    simulations: EnergySimulations
    columns: pd.DataFrame
    options: pd.DataFrame


def site_errors(settings, stationing, catchments, heads, flows, own):
    """Errors of flow and head of sites, with what they have in common.

    Parameters
    ----------
    settings, stationing, catchments, heads, flows
        Results of the stages of those names.
    own : DataFrame, n rows
        Sites.

    Returns
    -------
    SiteErrors
        Standard normals of the sites' own parts of the flow error, shape (n, simulations, components), and errors
        of the heads [m], shape (n, simulations of the long profile).

    Notes
    -----
    A surveyed head has the error of the survey; all others share the simulated long profiles.
    """
    intake, tailrace = own["intake"].to_numpy(dtype=np.int64), own["tailrace"].to_numpy(dtype=np.int64)
    normals = nested_normals(
        stationing.stations["downstream"].to_numpy(),
        catchments["area_km2"].to_numpy(),
        intake,
        settings.uncertainty.simulations,
        settings.run.seed,
        flows.model.errors.components,
    )
    return SiteErrors(normals, _head_errors(heads, own, intake, tailrace, settings.run.seed))


# Simulated errors of the heads [m], shape (n, simulations).
def _head_errors(heads, own, intake, tailrace, seed):
    errors = (heads.errors_m[intake] - heads.errors_m[tailrace]).astype(np.float64)
    for row in np.flatnonzero(own["structure_id"] != ""):
        stream = np.random.SeedSequence(seed, spawn_key=(SURVEY_STREAM, int(tailrace[row])))
        normal = np.random.Generator(np.random.Philox(stream)).standard_normal(errors.shape[1])
        errors[row] = normal * own["head_uncorrected_se_m"].iloc[row]
    # The head that is used is the expected one: what a refit leaves out on average is in its error, not in its
    # mean.
    off_m = errors.mean(axis=1, keepdims=True)
    whole_m, spread_m = np.sqrt((errors**2).mean(axis=1)), errors.std(axis=1)
    errors = (errors - off_m) * np.divide(whole_m, spread_m, out=np.ones(len(own)), where=spread_m > 0)[:, None]
    # Regional shrinkage reduces the errors of the heads, and all sites still share the simulated long profiles.
    used_m, found_m = (own[name].to_numpy(dtype=np.float64) for name in ("head_se_m", "head_uncorrected_se_m"))
    return errors * np.divide(used_m, found_m, out=np.ones(len(own)), where=found_m > 0)[:, None]


def sites_apart(selected_sites, flows, water_depths, months):
    """What makes the shares of each site of the results of earlier stages.

    Parameters
    ----------
    selected_sites, flows, water_depths, months
        Results of the stages of those names.

    Returns
    -------
    dict of str to callable
        By ``site_id``. Each takes names of the results and gives the shares of these by name. Where nothing is
        selected, one item holds no site, so that the tables have their columns.
    """
    results = {"flows": flows, "water_depths": water_depths, "months": months}
    table = selected_sites.own.drop(columns=list(OF_NEIGHBOURS))
    names = table["site_id"].tolist()
    rows = {site_id: [row] for row, site_id in enumerate(names)} if names else {NO_SITE: []}
    return {
        site_id: partial(_shares, table, selected_sites.errors, results, rows=own) for site_id, own in rows.items()
    }


def sites_together(apart):
    """What makes the shares of several sites, from what makes those of each (`sites_apart`)."""
    return partial(apart[0], rows=[row for each in apart for row in each.keywords["rows"]])


def _shares(table, errors, results, wanted, *, rows):
    table = table.iloc[rows].reset_index(drop=True)
    ends = {name: table[name].to_numpy(dtype=np.int64) for name in ("intake", "tailrace")}
    stations = np.unique(np.concatenate(list(ends.values())))
    extent = Extent(stations, np.zeros(0, dtype=np.int64), np.zeros(0, dtype=np.int64))
    counted = {name: np.searchsorted(stations, at) for name, at in ends.items()}
    sites = FewSites(table.assign(**counted), _errors_of(errors, rows), ends["tailrace"])
    return {name: SHARES[name](results[name], extent) if name in results else sites for name in wanted}


def _errors_of(errors, rows):
    return SiteErrors(*(part[rows] for part in errors))


def simulate_sites(settings, inputs, selected_sites, flows, water_depths, months):
    """Simulations and turbine options of a few sites.

    Parameters
    ----------
    settings, inputs
        Results of the stages of those names.
    selected_sites : FewSites
        Of n sites.
    flows, water_depths, months
        The sites' shares of the results of those names.

    Returns
    -------
    SiteEnergy
        Of n sites; what it holds of one does not depend on which others there are, to the last bit.
    """
    groups = list(waters(settings, flows, water_depths, months, selected_sites.table))
    found = []
    for rows, water in groups:
        own = selected_sites.table.iloc[rows].reset_index(drop=True)
        errors = _errors_of(selected_sites.errors, rows)
        given = (settings, inputs, water.flows, water.depths, own)
        simulations, columns = simulated(*given, errors, selected_sites.tailrace[rows])
        options = _options(settings, inputs, flows, water_depths, water, own)
        found.append(SiteEnergy(simulations, columns, options))
    if len(groups) == 1:
        return found[0]
    each = [
        one for (rows, _), group in zip(groups, found, strict=True) for one in energy_of_each(group, len(rows))
    ]
    order = np.argsort(np.concatenate([rows for rows, _ in groups]))
    return _joined([each[place] for place in order])


def energy_of_each(energy, count):
    """What each of several sites has of a `SiteEnergy`, as if it were alone.

    Parameters
    ----------
    energy : SiteEnergy
    count : int

    Returns
    -------
    list of SiteEnergy
    """
    places = energy.options["stretch"].to_numpy()
    return [
        SiteEnergy(
            EnergySimulations(*(part[[row]] for part in energy.simulations)),
            energy.columns.iloc[[row]].reset_index(drop=True),
            energy.options[places == row].reset_index(drop=True).assign(stretch=0),
        )
        for row in range(count)
    ]


def simulated(settings, inputs, flows, water_depths, own, errors, seeded_by=None):
    """Simulations of sites, and the columns made from them.

    Parameters
    ----------
    settings, inputs, flows, water_depths
        Results of the stages of those names.
    own : DataFrame, n rows
        Sites.
    errors : SiteErrors
    seeded_by : ndarray of int64, shape (n,), optional
        Numbers of the tailraces in the region, where those of the table are others.

    Returns
    -------
    EnergySimulations
    DataFrame, n rows, index of own
        Expected energy, LCOE, value and capacity factor, which are means over the simulations; P90, P50 and P10 of
        power, energy and LCOE; and the contributions to their uncertainty.
    """
    intake, tailrace = own["intake"].to_numpy(dtype=np.int64), own["tailrace"].to_numpy(dtype=np.int64)
    simulations, shares = energy_simulations(
        own.assign(turbine=own["turbine_number"], tailrace=tailrace if seeded_by is None else seeded_by),
        flows.model.at(intake),
        errors.head_errors_m,
        inputs.turbines,
        inputs.costs,
        settings,
        settings.run.seed,
        net_depths(water_depths, intake, tailrace, intake_is_held(own["scheme_type"], settings.tailwater)),
        errors.normals,
    )
    columns = _expected(own, simulations)
    columns |= interval_columns("power_kw", simulations.power_kw)
    columns |= interval_columns("energy_mwh", simulations.energy_mwh)
    columns |= interval_columns("energy_long_term_mwh", simulations.energy_long_term_mwh)
    columns |= interval_columns("lcoe_per_kwh", simulations.lcoe_per_kwh, of_cost=True)
    columns |= {f"energy_variance_share_{name}": shares.energy[name] for name in SOURCES if name in shares.energy}
    columns |= {f"lcoe_variance_share_{name}": shares.cost[name] for name in SOURCES}
    return simulations, pd.DataFrame(columns, index=own.index)


# Expected figures of each site, over its simulations.
def _expected(own, simulations):
    energy_mwh = simulations.energy_long_term_mwh.mean(axis=1)
    kwh = energy_mwh * KILOWATT_HOURS_PER_MEGAWATT_HOUR
    yearly = simulations.yearly_cost.mean(axis=1)
    hours = own["power_kw"].to_numpy(dtype=np.float64) * HOURS_PER_YEAR
    return {
        "energy_mwh": energy_mwh,
        "capacity_factor": np.divide(kwh, hours, out=np.full(len(own), np.nan), where=hours > 0),
        "lcoe_per_kwh": np.divide(yearly, kwh, out=np.full(len(own), np.inf), where=kwh > 0),
        "net_annual_value": simulations.net_annual_value.mean(axis=1),
    }


def interval_columns(name, simulations, *, of_cost=False):
    """P90, P50 and P10 of each row of simulations, by column name; NaN where a cost is infinite."""
    if not len(simulations):
        return {f"{name}_{part}": np.zeros(0) for part in ("p90", "p50", "p10")}
    parts = intervals(simulations, of_cost=of_cost)._asdict()
    return {f"{name}_{part}": np.where(np.isfinite(values), values, np.nan) for part, values in parts.items()}


# Best size of every suitable class of sites, and the other sizes of the selected class.
def _options(settings, inputs, flows, water_depths, water, own):
    chosen = own["turbine_number"].to_numpy(), own["screened"].to_numpy(dtype=bool)
    few, table = water.few, own
    where = (flows.bins_m3s, flows.environmental_flow_m3s, water_depths, flows.closed, flows.model)
    if few is not None:
        ends = {name: np.searchsorted(few.stations, own[name].to_numpy()) for name in ("intake", "tailrace")}
        table = own.assign(**ends)
        where = (few.bins_m3s, few.environmental_flow_m3s, few.depths, few.closed, few.model)
    given = (table, *where[:2], inputs.turbines, inputs.costs, settings)
    options = turbine_options(*given, *where[2:]).assign(is_best_size=True)
    sizes = size_options(*given, *chosen, *where[2:]).assign(is_best_size=False)
    return pd.concat([options, sizes], ignore_index=True)


def joined_site_energy(found, **_):
    """Simulations and options of all sites, in the order of the selection.

    Parameters
    ----------
    found : dict of str to SiteEnergy
        By ``site_id``, in that order.

    Returns
    -------
    SiteEnergy
    """
    return _joined(list(found.values()))


def _joined(own):
    simulations = [np.concatenate(parts) for parts in zip(*(each.simulations for each in own), strict=True)]
    columns = pd.concat([each.columns for each in own], ignore_index=True)
    options = [each.options.assign(stretch=row) for row, each in enumerate(own)]
    return SiteEnergy(EnergySimulations(*simulations), columns, pd.concat(options, ignore_index=True))
