"""The energy that chosen sites truly give, over what is stated, and how often P90 to P10 holds it; made regions.

Each region is a stream with a tributary whose levels and flows are known, surveyed with error and with flows from
an equation that errs. Sites are found, valued and chosen, and simulated, by the project's own stages; what they
would truly give is computed apart. Two classes of turbine and few design flows make it light. What is stated knows
nothing of the true flows, so that each region is held against many of them.

Beside it the figure at the expected flow and head, without any expectation: what the same choice states then.

Run as ``python tests/benchmarks/chosen_totals.py [regions]``.
"""

import sys
from pathlib import Path
from types import SimpleNamespace
from typing import NamedTuple

import numpy as np
import pandas as pd
from scipy.special import ndtri

from sitefinder.delivery.site_energy import simulated, site_errors
from sitefinder.energy.hydraulics import WaterDepths, net_head_m, waterway_lengths_m
from sitefinder.energy.plant import plant_outputs, yearly_energy_mwh
from sitefinder.energy.turbines import turbine_table
from sitefinder.hydrology.duration_curve import BIN_EXCEEDANCE
from sitefinder.hydrology.flow_errors import FlowModel, flow_errors
from sitefinder.io.catalogue_files import read_costs, read_turbine_files
from sitefinder.profile.errors import simulate_fit_errors
from sitefinder.profile.fitting import fit_long_profile
from sitefinder.profile.shrinkage import head_priors, shrink_heads
from sitefinder.settings import check_settings
from sitefinder.siting.candidates import find_stretches, subset
from sitefinder.siting.selection import choose_sites
from sitefinder.steps.candidates import value_all

CONFIG = Path(__file__).resolve().parents[2] / "config"
REGIONS, TRUTHS = 100, 16
SPACING_M, LINKS = 50.0, (110, 90, 140)
# Mean slope, how it varies, over which way it is alike, and steps (own choice).
SLOPE, SLOPE_SPREAD, SLOPE_ALIKE_M = (0.003, 0.008), 0.6, 300.0
# Catchment at a source and of the ground that joins at each station [km²]; mean flow of a km² [m³/s].
SOURCE_KM2, STATION_KM2, FLOW_M3S_KM2 = 25.0, 0.2, 0.02
CURVE_SPREAD = 1.0
EFFICIENCY_SD, YEAR_SD, FLOW_SD, SHARED = 0.05, 0.15, 0.25, 0.5
HEAD_SIMULATIONS = 64
GOLDEN = (5.0**0.5 - 1.0) / 2.0
TURBINES = ("Kaplan turbine", "crossflow turbine")
NO_BARRIERS = pd.DataFrame({name: np.zeros(0) for name in ("station", "head_m", "head_se_m", "fall_below_m")})


# Standard deviation of natural logs by the standard error in percent.
def log_sd_of(percent):
    return float(np.sqrt(np.log1p((percent / 100.0) ** 2)))


class Case(NamedTuple):
    """Error of the DEM and the way over which it is alike [m], log error of the flow, and its shared share."""

    rmse_m: float = 1.0
    alike_m: float = 100.0
    flow_sd: float = FLOW_SD
    shared: float = SHARED


CASES = {
    "as above": Case(),
    "a good DEM": Case(rmse_m=0.15),
    "a bad DEM, flow well known": Case(rmse_m=1.5, flow_sd=0.05),
    "flow errors of each place": Case(shared=0.0),
    "flow errors of the region": Case(shared=1.0),
    "standard error 20 %": Case(flow_sd=log_sd_of(20.0)),
    "standard error 50 %": Case(flow_sd=log_sd_of(50.0)),
    "standard error 80 %": Case(flow_sd=log_sd_of(80.0)),
    "standard error 120 %": Case(flow_sd=log_sd_of(120.0)),
}


class Region(NamedTuple):
    """Stations of the tree, true levels [m], areas [km²] that join and in all, stated mean flow [m³/s]."""

    stations: pd.DataFrame
    true_m: np.ndarray
    local_km2: np.ndarray
    area_km2: np.ndarray
    flow_median_m3s: np.ndarray


class Outcome(NamedTuple):
    """Of the chosen sites: true totals of one year and in the long term, what is stated and simulated [MWh].

    The true totals hold one for each drawing of true flows. ``at_mean_mwh`` is what the same plants give at the
    expected flow and head.
    """

    true_mwh: np.ndarray
    true_long_term_mwh: np.ndarray
    stated_mwh: float
    at_mean_mwh: float
    simulations_mwh: np.ndarray
    power_simulations_kw: np.ndarray
    power_kw: float
    sites: int
    head_off: float


def run_settings(case, seed):
    """Settings of a run with diversions alone, water levels that stand still, and the case's errors."""
    return check_settings(
        {
            "run": {"name": "made", "crs": "EPSG:32633", "output_folder": "out", "seed": seed},
            "inputs": {
                "dem": {
                    "path": "dem.tif",
                    "vertical_unit": "metre",
                    "vertical_datum": "made",
                    "error_rmse_m": case.rmse_m,
                }
            },
            "flows": {"equations": ["none.toml"], "environmental": [{"kind": "share_of_mean", "share": 0.1}]},
            "stretches": {"scheme_types": ["diversion"], "longest_m": 800.0},
            "energy": {"turbines": ["generic.toml"], "design_exceedance_percent": [20, 30, 45]},
            "ranking": {"min_free_flowing_m": 0.0},
            "tailwater": {"method": "none"},
            "costs": {"file": "generic.toml", "price_per_kwh": 0.4},
            "uncertainty": {
                "shared_flow_share": case.shared,
                "year_to_year_sd": YEAR_SD,
                "efficiency_sd": EFFICIENCY_SD,
            },
        },
        "made",
    )


def made_region(rng):
    """A stem and a tributary that join, with their true levels and the flows that an equation states."""
    rows, first, ends = [], 0, np.cumsum(LINKS)
    for link, size in enumerate(LINKS):
        for place in range(size):
            last = place == size - 1
            below = first + place + 1 if not last else (int(ends[1]) if link < 2 else -1)
            east_m = SPACING_M * place + (SPACING_M * LINKS[0] if link == 2 else 0.0)
            rows.append(
                (
                    below,
                    0.0 if last else SPACING_M,
                    SPACING_M if place else 0.0,
                    east_m,
                    float(link == 1) * (east_m + 1.0),
                )
            )
        first += size
    names = ["downstream", "to_downstream_m", "segment_length_m", "x_m", "y_m"]
    stations = pd.DataFrame(rows, columns=names).astype({"downstream": np.int32})
    downstream, step_m = stations["downstream"].to_numpy(), stations["to_downstream_m"].to_numpy()
    count = len(stations)
    slope = rng.uniform(*SLOPE) * np.exp(SLOPE_SPREAD * along_tree(rng, downstream, step_m, SLOPE_ALIKE_M))
    true_m = np.zeros(count)
    for station in range(count - 2, -1, -1):
        true_m[station] = true_m[downstream[station]] + slope[station] * step_m[station]
    local = np.where(stations["segment_length_m"] > 0, STATION_KM2, 0.0)
    local[[0, LINKS[0]]] = SOURCE_KM2 * rng.uniform(0.3, 1.5, 2)
    area_km2 = added_downstream(local, downstream)
    return Region(stations, true_m, local, area_km2, FLOW_M3S_KM2 * area_km2)


# Sum over each station and all that drain to it; stations stand in the order of the stream.
def added_downstream(values, downstream):
    total = values.copy()
    for station in range(len(total) - 1):
        total[downstream[station]] += total[station]
    return total


def true_flows(rng, case, region, seed):
    """True mean flows [m³/s], (TRUTHS, stations): an error that all places share, and one of each catchment.

    The shared error is spread evenly over all drawings of all regions, so that the mean over few of them is sure:
    the multiples of the golden ratio. Errors of the ground come in pairs of opposite sign.
    """
    downstream, drawn = region.stations["downstream"].to_numpy(), []
    for truth in range(TRUTHS):
        shared = float(ndtri((0.5 + (TRUTHS * seed + truth) * GOLDEN) % 1.0))
        if truth % 2 == 0:
            # Errors of ground add up down the stream, so that nested catchments share theirs.
            ground = np.sqrt(region.local_km2) * rng.standard_normal(len(downstream))
            own = added_downstream(ground, downstream) / np.sqrt(region.area_km2)
        else:
            own = -own
        error = np.sqrt(case.shared) * shared + np.sqrt(1.0 - case.shared) * own
        drawn.append(region.flow_median_m3s * np.exp(case.flow_sd * error))
    return np.array(drawn)


def along_tree(rng, downstream, step_m, alike_m):
    """Standard normals that forget themselves along the stream, from the outlet up."""
    values = rng.standard_normal(len(downstream))
    for station in range(len(downstream) - 1, -1, -1):
        if downstream[station] >= 0:
            rho = np.exp(-step_m[station] / alike_m)
            values[station] = rho * values[downstream[station]] + np.sqrt(1.0 - rho * rho) * values[station]
    return values


# A duration curve of mean 1 in bins of equal time.
def curve_shape():
    curve = np.exp(-CURVE_SPREAD * ndtri(BIN_EXCEEDANCE))
    return curve / curve.mean()


def turbines_and_costs():
    """The generic classes used here, and the generic costs."""
    turbines = read_turbine_files([CONFIG / "turbines" / "generic.toml"]).turbines
    return [turbine for turbine in turbines if turbine.name in TURBINES], read_costs(
        CONFIG / "costs" / "generic.toml"
    )


def of_region(case, seed, turbines, costs, *, shrink=True, claimed_flow_sd=None):
    """What is stated and what is true of one region; None where no site is chosen.

    The flow's error is stated as it is, or as claimed.
    """
    rng = np.random.default_rng([seed, *(round(1000 * part) for part in case)])
    region, settings = made_region(rng), run_settings(case, seed)
    stations, count = region.stations, len(region.stations)
    downstream, step_m = stations["downstream"].to_numpy(), stations["to_downstream_m"].to_numpy()
    raw_m = region.true_m + case.rmse_m * along_tree(rng, downstream, step_m, case.alike_m)
    fit = fit_long_profile(raw_m, downstream, step_m, case.rmse_m, case.alike_m)
    known, none = np.ones(count, dtype=bool), np.zeros(count, dtype=bool)
    errors_m = simulate_fit_errors(
        fit, known, downstream, step_m, case.rmse_m, case.alike_m, HEAD_SIMULATIONS, seed=seed
    )
    stretches = find_stretches(stations, fit.profile_m, errors_m, none, NO_BARRIERS, settings.stretches)
    table = stretches.table
    if shrink:
        segment_m = stations["segment_length_m"].to_numpy()
        likely = head_priors(fit.profile_m, errors_m, downstream, step_m, segment_m, none, 800.0)
        table = shrink_heads(table, likely, np.zeros(0), np.zeros(0))
    else:
        table = table.assign(head_uncorrected_m=table["head_m"], head_uncorrected_se_m=table["head_se_m"])
    stretches = subset(stretches._replace(table=table), table["head_m"] >= settings.stretches.min_head_m)
    intake = stretches.table["intake"].to_numpy()
    flow_sd = case.flow_sd if claimed_flow_sd is None else claimed_flow_sd
    mean_m3s = region.flow_median_m3s * np.exp(flow_sd**2 / 2.0)
    nothing = dict.fromkeys(("road_distance_m", "line_distance_m", "settlement_distance_m"), 200.0)
    stretches = stretches._replace(
        table=stretches.table.assign(
            **nothing, has_fish_pass=False, flow_mean_m3s=mean_m3s[intake], flow_missing=False
        )
    )
    bins_m3s = mean_m3s[:, None] * curve_shape()
    environmental_flow_m3s = np.repeat(0.1 * mean_m3s[:, None], bins_m3s.shape[1], axis=1)
    half = 1.645 * flow_sd
    estimate = SimpleNamespace(
        mean_m3s=mean_m3s,
        mean_low_m3s=region.flow_median_m3s * np.exp(-half),
        mean_high_m3s=region.flow_median_m3s * np.exp(half),
        mean_log_sd=np.full(count, flow_sd),
        curve_m3s=bins_m3s,
        quantile_errors=None,
    )
    errors = flow_errors(estimate, region.area_km2, settings.uncertainty.quantile_correlation_span)
    flows = SimpleNamespace(
        estimate=estimate,
        bins_m3s=bins_m3s,
        environmental_flow_m3s=environmental_flow_m3s,
        closed=None,
        model=FlowModel(errors, settings.flows.environmental),
    )
    depths = WaterDepths(np.zeros(bins_m3s.shape), np.zeros(count))
    inputs = SimpleNamespace(turbines=turbines, costs=costs)
    energy = value_all(settings, inputs, stretches, flows, depths)
    min_m = settings.heads.resolved_standard_errors * stretches.table["head_uncorrected_se_m"]
    resolved = (stretches.table["head_uncorrected_m"] >= min_m).to_numpy()
    choice = np.zeros(len(energy), dtype=np.int8)
    offers = choose_sites(stretches, [("head unresolved", resolved)], energy, choice, stations, settings)
    picked = np.flatnonzero(offers.chosen)
    if not len(picked):
        return None
    own = pd.concat(
        [part.iloc[picked].reset_index(drop=True) for part in (stretches.table, offers.valued)], axis=1
    )
    own = own.assign(turbine_number=own["turbine"], structure_id="")
    stationing, heads = SimpleNamespace(stations=stations), SimpleNamespace(errors_m=errors_m)
    catchments = pd.DataFrame({"area_km2": region.area_km2})
    of_sites = site_errors(settings, stationing, catchments, heads, flows, own)
    simulations, drawn = simulated(settings, inputs, flows, depths, own, of_sites)
    at_mean_mwh = total_mwh(mean_m3s, own["head_m"].to_numpy(), own, turbines, settings).sum()
    true_m = region.true_m[own["intake"]] - region.true_m[own["tailrace"]]
    long_term, of_year = [], []
    for flow_m3s in true_flows(rng, case, region, seed):
        wet = np.exp(YEAR_SD * rng.standard_normal() - YEAR_SD**2 / 2.0)
        better = np.exp(EFFICIENCY_SD * rng.standard_normal(len(own)))
        long_term.append(total_mwh(flow_m3s, true_m, own, turbines, settings).sum())
        of_year.append((total_mwh(wet * flow_m3s, true_m, own, turbines, settings, flow_m3s) * better).sum())
    return Outcome(
        np.array(of_year),
        np.array(long_term),
        float(drawn["energy_mwh"].sum()),
        float(at_mean_mwh),
        simulations.energy_mwh.sum(axis=0),
        simulations.power_kw.sum(axis=0),
        float(own["power_kw"].sum()),
        len(own),
        float(np.mean(own["head_m"] - true_m)),
    )


def total_mwh(flow_m3s, heads_m, own, turbines, settings, long_term_m3s=None):
    """What each plant gives in a year [MWh] at a mean flow of each station and heads of its own.

    The environmental flow goes by the mean flow of the long term, which is that of the year unless given.
    """
    long_term_m3s = flow_m3s if long_term_m3s is None else long_term_m3s
    totals = []
    headrace_m, _ = waterway_lengths_m(own, settings.energy)
    for head_m, way_m, row in zip(heads_m, headrace_m, own.itertuples(), strict=True):
        turbine = turbines[row.turbine]
        net_m, sized_m = (float(net_head_m(each, way_m, settings.energy)) for each in (head_m, row.head_m))
        curve_m3s = flow_m3s[row.intake] * curve_shape()
        environmental_flow_m3s = 0.1 * long_term_m3s[row.intake]
        laws = turbine_table([turbine])
        # One plant whose levels are constant, without a limit of power.
        here, flows = np.array([0]), (curve_m3s[None], np.full((1, curve_m3s.size), environmental_flow_m3s))
        sizes = (np.array([net_m]), np.array([row.flow_design_m3s]), np.array([np.inf]), np.array([row.units]))
        output = plant_outputs(*flows, np.zeros_like(flows[0]), here, here, np.array([True]), *sizes, here, laws)
        limit_kw = row.power_kw * net_m / sized_m
        totals.append(yearly_energy_mwh(min(output.power_mean_kw[0], limit_kw), settings.energy.availability))
    return np.array(totals)


class Coverage(NamedTuple):
    """Over regions with sites: share of true totals within P90 to P10, below, above; true over stated energy.

    ``over_mean`` is the true energy over that at the expected flow, ``*_se`` the standard error of the mean over
    the regions; ``inverted`` counts regions whose stated energy or installed capacity lies outside of its own P90
    to P10.
    """

    regions: int
    held: float
    held_se: float
    below: float
    above: float
    ratio: float
    ratio_se: float
    over_mean: float
    inverted: int
    sites: float
    head_off_m: float


def coverage(case, regions, *, first=0, shrink=True):
    """Coverage over made regions."""
    turbines, costs = turbines_and_costs()
    found = [of_region(case, first + seed, turbines, costs, shrink=shrink) for seed in range(regions)]
    found = [each for each in found if each is not None]
    below = np.array([np.mean(each.true_mwh < np.quantile(each.simulations_mwh, 0.1)) for each in found])
    above = np.array([np.mean(each.true_mwh > np.quantile(each.simulations_mwh, 0.9)) for each in found])
    ratios = np.array([np.mean(each.true_long_term_mwh / each.stated_mwh) for each in found])
    over_mean = [np.mean(each.true_long_term_mwh / each.at_mean_mwh) for each in found]
    inverted = sum(
        not (low <= stated <= high)
        for each in found
        for stated, drawn in (
            (each.stated_mwh, each.simulations_mwh),
            (each.power_kw, each.power_simulations_kw),
        )
        for low, high in (np.quantile(drawn, (0.1, 0.9)),)
    )
    return Coverage(
        len(found),
        float(1.0 - below.mean() - above.mean()),
        standard_error(below + above),
        float(below.mean()),
        float(above.mean()),
        float(ratios.mean()),
        standard_error(ratios),
        float(np.mean(over_mean)),
        inverted,
        float(np.mean([each.sites for each in found])),
        float(np.mean([each.head_off for each in found])),
    )


def standard_error(values):
    """Of the mean of independent values."""
    return float(values.std(ddof=1) / np.sqrt(len(values)))


def main():
    """Print a row for each case, with and without shrinkage of heads."""
    numbers = [int(word) for word in sys.argv[1:] if word.isdigit()]
    regions = numbers[0] if numbers else REGIONS
    print(f"{regions} made regions a case, {TRUTHS} true flows each, with the standard errors of the means:")
    print("true energy over the stated one, and over that at the expected flow; share of true totals of a year")
    print("that the stated P90 to P10 holds; regions whose stated figures lie outside of their own")
    print(
        "case                         heads    regions sites    true/stated  true/mean flow          held"
        "  below  above  outside"
    )
    for name, case in CASES.items():
        for shrink in (True, False) if case.flow_sd == FLOW_SD else (True,):
            found = coverage(case, regions, shrink=shrink)
            kind = "shrunk" if shrink else "as found"
            print(
                f"{name:<28} {kind:<9} {found.regions:6d} {found.sites:5.1f}"
                f"  {found.ratio:.3f} ± {found.ratio_se:.3f} {found.over_mean:15.3f}"
                f"  {found.held:5.1%} ± {found.held_se:4.1%}"
                f" {found.below:6.1%} {found.above:6.1%} {found.inverted:8d}",
                flush=True,
            )


if __name__ == "__main__":
    main()
