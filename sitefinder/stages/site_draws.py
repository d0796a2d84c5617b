"""Draws of the chosen plants: intervals of power, energy and cost, what spreads them, and how sure a rank is."""

import numpy as np
import pandas as pd

from sitefinder.power.nested_errors import nested_normals
from sitefinder.power.tailwater import intake_is_held
from sitefinder.power.uncertainty import (
    SOURCES,
    EnergyDraws,
    energy_draws,
    intervals,
    net_depths,
    prob_top,
    spread_shares,
)
from sitefinder.siting.ranking import values_ranked_by
from sitefinder.stages.site_flows import reserved_at, still_at

# Stream of random numbers for surveyed heads; 0 and 1 are those of the energy draws, 3 that of nested catchments.
SURVEY_STREAM = 2


def draw_sites(settings, inputs, placed, catchments, heads, flows, water_depths, own):
    """Draws of each site, and the columns that tell of them.

    Parameters
    ----------
    settings, inputs, placed, catchments, heads, flows, water_depths
        Results of the stages of those names.
    own : DataFrame, n rows
        Sites.

    Returns
    -------
    EnergyDraws
    DataFrame, n rows, index of own
        P90, P50 and P10 of power, energy and cost of a kWh, and the shares of their spread by source.

    Notes
    -----
    Draws are about the median of each flow: the mean of the estimate holds the bias correction already, and the
    draws would add it once more. A surveyed head has the survey's error; all others share the states of the
    profile.
    """
    intake, tailrace = own["intake"].to_numpy(dtype=np.int64), own["tailrace"].to_numpy(dtype=np.int64)
    estimate = flows.estimate
    median = np.sqrt(estimate.mean_low_m3s[intake] * estimate.mean_high_m3s[intake]) / estimate.mean_m3s[intake]
    reserved_m3s = reserved_at(settings, inputs, flows, own)
    still = still_at(settings, flows, own)
    if still is not None:
        # A closed month gives nothing in a wet year either, nor does a flood that stops the machines.
        reserved_m3s = np.where(still, np.inf, reserved_m3s)
    seed = settings.run.seed
    alike = nested_normals(
        placed.stations["downstream"].to_numpy(),
        catchments["area_km2"].to_numpy(),
        intake,
        settings.uncertainty.draws,
        seed,
    )
    arguments = (
        own.assign(machine=own["machine_number"]),
        flows.bins_m3s[intake] * median[:, None],
        reserved_m3s * median[:, None],
        _head_errors(heads, own, intake, tailrace, seed),
        estimate.mean_log_sd[intake],
        inputs.machines,
        inputs.costs,
        settings,
        seed,
        net_depths(water_depths, intake, tailrace, intake_is_held(own["layout"], settings.tailwater)),
        alike,
    )
    draws = energy_draws(*arguments)
    shares = spread_shares(lambda sources: energy_draws(*arguments, sources=sources))
    columns = interval_columns("power_kw", draws.power_kw) | interval_columns("energy_mwh", draws.energy_mwh)
    columns |= interval_columns("cost_per_kwh", draws.cost_per_kwh, of_cost=True)
    columns |= {f"energy_spread_{name}": shares.energy[name] for name in SOURCES if name in shares.energy}
    columns |= {f"cost_spread_{name}": shares.cost[name] for name in SOURCES}
    return draws, pd.DataFrame(columns, index=own.index)


# Simulated errors of the heads [m], shape (n, draws).
def _head_errors(heads, own, intake, tailrace, seed):
    errors = (heads.errors_m[intake] - heads.errors_m[tailrace]).astype(np.float64)
    for row in np.flatnonzero(own["structure_id"] != ""):
        stream = np.random.SeedSequence(seed, spawn_key=(SURVEY_STREAM, int(tailrace[row])))
        normal = np.random.Generator(np.random.Philox(stream)).standard_normal(errors.shape[1])
        errors[row] = normal * own["head_unshrunk_se_m"].iloc[row]
    # What is likely narrows the errors of the shrunk heads, and all sites still share the states of the profile.
    used_m, found_m = (own[name].to_numpy(dtype=np.float64) for name in ("head_se_m", "head_unshrunk_se_m"))
    return errors * np.divide(used_m, found_m, out=np.ones(len(own)), where=found_m > 0)[:, None]


def interval_columns(name, draws, *, of_cost=False):
    """P90, P50 and P10 of each row of draws, by column name; NaN where a cost is endless."""
    if not len(draws):
        return {f"{name}_{part}": np.zeros(0) for part in ("p90", "p50", "p10")}
    parts = intervals(draws, of_cost=of_cost)._asdict()
    return {f"{name}_{part}": np.where(np.isfinite(values), values, np.nan) for part, values in parts.items()}


def top_chances(settings, order, draws):
    """Share of draws in which each site is among the best; sites and draws in one order."""
    if not len(order):
        return np.zeros(0)
    drawn = EnergyDraws(*draws)._asdict()
    return prob_top(values_ranked_by(order, drawn, settings.ranking), settings.uncertainty.top_sites)
