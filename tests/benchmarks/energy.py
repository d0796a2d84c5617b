"""How fast stretches are valued: sizes a second, and a million stretches from heads and flows to the chosen set.

Run as ``python tests/benchmarks/energy.py [stretches]``. The region is made: links of forty stations, every pair
of intake and tailrace on them with the generic turbines and costs, lognormal flows, levels that rise in floods.
Stretches are valued in chunks, so that the memory beyond the result does not grow with their number.
"""

import resource
import sys
import time
from pathlib import Path

import numpy as np
import pandas as pd
from scipy.stats import norm

from sitefinder.energy.hydraulics import water_depths, waterway
from sitefinder.energy.plant import bins_of_plants
from sitefinder.energy.sizing import COVERED, SUMMED, best_of_stretches, search_prices
from sitefinder.energy.turbines import turbine_table
from sitefinder.energy.valuation import search_arguments, value_stretches
from sitefinder.io.catalogue_files import read_costs, read_turbine_files
from sitefinder.settings import check_settings
from sitefinder.siting.candidates import boundary_of_path, find_stretches
from sitefinder.siting.selection import choose_best_set

REPOSITORY = Path(__file__).resolve().parents[2]
STRETCHES = 1_000_000
CHUNK = 100_000
BINS, SPACING_M, LINK_STATIONS = 200, 100.0, 40
# Stretches of which every size is judged, for the comparison.
JUDGED_ALL = 2_000


def made_settings(**energy):
    """Settings that leave everything at its default but the turbines and costs."""
    dem = {"path": "dem.tif", "vertical_unit": "metre", "vertical_datum": "any", "error_rmse_m": 1.0}
    return check_settings(
        {
            "run": {"name": "a made region", "crs": "EPSG:32633", "output_folder": "out"},
            "inputs": {"dem": dem},
            "flows": {"equations": ["equations.toml"], "environmental": [{"kind": "share_of_mean", "share": 0.1}]},
            "stretches": {"scheme_types": ["diversion"]},
            "energy": {"turbines": ["turbines.toml"]} | energy,
            "costs": {"file": "costs.toml", "price_per_kwh": 0.28},
        },
        "benchmark",
    )


def made_stations(links, seed=1):
    """Separate links that fall 1 to 12 m a kilometre and wind, with the mean flow of each station [m³/s]."""
    random = np.random.default_rng(seed)
    count = links * LINK_STATIONS
    downstream = np.arange(1, count + 1)
    downstream[LINK_STATIONS - 1 :: LINK_STATIONS] = -1
    fall_m = np.repeat(random.uniform(0.001, 0.012, links), LINK_STATIONS) * SPACING_M
    fall_m *= random.exponential(size=count)
    profile_m = -fall_m.reshape(links, -1).cumsum(axis=1).ravel() + 1000.0
    turn = random.normal(0.0, 0.6, (links, LINK_STATIONS)).cumsum(axis=1)
    x_m, y_m = ((SPACING_M * wave(turn)).cumsum(axis=1).ravel() for wave in (np.cos, np.sin))
    first = np.arange(count) % LINK_STATIONS == 0
    stations = pd.DataFrame(
        {
            "downstream": downstream.astype(np.int32),
            "to_downstream_m": np.where(downstream >= 0, SPACING_M, 0.0),
            "segment_length_m": np.where(first, 0.0, SPACING_M),
            "x_m": x_m,
            "y_m": y_m,
        }
    )
    mean_m3s = np.repeat(10 ** random.uniform(-1.0, 1.3, links), LINK_STATIONS) * np.linspace(1.0, 1.3, count)
    return stations, profile_m, mean_m3s


def made_flows(mean_m3s, settings, seed=2):
    """Duration curves, what is reserved of them, and depths."""
    random = np.random.default_rng(seed)
    exceedance = (np.arange(BINS) + 0.5) / BINS
    spread = random.uniform(0.5, 1.3, (len(mean_m3s), 1))
    curve_m3s = mean_m3s[:, None] * np.exp(spread * norm.isf(exceedance) - spread**2 / 2)
    environmental_flow_m3s = np.minimum(0.1 * mean_m3s[:, None], curve_m3s)
    return curve_m3s, environmental_flow_m3s, water_depths(curve_m3s, exceedance, mean_m3s, settings.tailwater)


def peak_mb():
    """Greatest resident memory of this process so far [MB]."""
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024


def print_rates(stretches, flows, turbines, costs):
    """Sizes a second of the search from coarse to fine, and of one that judges every design flow."""
    curve_m3s, environmental_flow_m3s, depths = flows
    table = None
    print("search               stretches  sizes covered  summed  seconds  sizes a second  best value a year")
    every = {"design_exceedance_percent": list(range(10, 71)), "design_step_percent": 100.0}
    for name, energy in (("from coarse to fine", {}), ("every design flow", every)):
        settings = made_settings(**energy)
        table = turbine_table(turbines)
        arguments = search_arguments(stretches, curve_m3s, environmental_flow_m3s, costs, settings, depths)
        laws = (table, search_prices(costs, settings), waterway(settings.energy))
        fits = np.ones((len(stretches), len(turbines)), dtype=bool)
        # No runner is set deep, and no size is fish-safe.
        of_classes = np.ones(fits.shape), np.full((2, *fits.shape), np.inf)
        best_of_stretches(*arguments, fits, *laws, *of_classes)
        begun = time.process_time()
        _, found, counts = best_of_stretches(*arguments, fits, *laws, *of_classes)
        seconds = time.process_time() - begun
        print(
            f"{name:19}  {len(stretches):9,}  {counts[COVERED]:13,}  {counts[SUMMED] / counts[COVERED]:6.1%}  "
            f"{seconds:7.2f}  {counts[COVERED] / seconds:14,.0f}  {np.nansum(found[:, 0, 0]):17,.0f}"
        )
    plants = found[:, 0, 2], found[:, 0, 3], found[:, 0, 1]
    fit = ~np.isnan(plants[0])
    flow, power, units = (np.nan_to_num(part)[fit] for part in plants)
    own = tuple(np.ascontiguousarray(part[fit]) for part in arguments[3:7])
    turbine = np.zeros(fit.sum(), dtype=np.int64)
    few = (part[:10] for part in (*own, flow, power, units.astype(np.int64), turbine))
    bins_of_plants(curve_m3s, environmental_flow_m3s, arguments[2], *few, table)
    plants = (*own, flow, power, units.astype(np.int64), turbine)
    begun = time.process_time()
    bins_of_plants(curve_m3s, environmental_flow_m3s, arguments[2], *plants, table)
    seconds = time.process_time() - begun
    print(f"power of a plant in a bin of the curve: {fit.sum() * BINS / seconds:,.0f} a second")


def main():
    """Print the rates, and the time and memory of a whole valuation with its choice."""
    wanted = int(sys.argv[1]) if len(sys.argv) > 1 else STRETCHES
    settings = made_settings()
    turbines = read_turbine_files([REPOSITORY / "config" / "turbines" / "generic.toml"]).turbines
    costs = read_costs(REPOSITORY / "config" / "costs" / "generic.toml")
    begun = time.perf_counter()
    # About 260 pairs a link have a head within the limits.
    stations, profile_m, mean_m3s = made_stations(wanted // 200 + 1)
    still = np.zeros(len(stations), dtype=bool)
    errors_m = np.zeros((len(stations), 2), dtype=np.float32)
    none = pd.DataFrame({name: [] for name in ("station", "head_m", "head_se_m", "fall_below_m")})
    table = find_stretches(stations, profile_m, errors_m, still, none, settings.stretches).table.iloc[:wanted]
    table = table.assign(has_fish_pass=False, road_distance_m=200.0, line_distance_m=500.0)
    flows = made_flows(mean_m3s, settings)
    made = time.perf_counter()
    print_rates(table.iloc[:: max(len(table) // JUDGED_ALL, 1)], flows, turbines, costs)

    print("\nwhole valuation, with firm power, for any turbine and for fish-safe ones, and the best set")
    print(
        f"{len(table):,} stretches at {len(stations):,} stations made in {made - begun:.1f} s; {peak_mb():,.0f} MB"
    )
    begun = time.perf_counter()
    values = []
    for start in range(0, len(table), CHUNK):
        curve_m3s, environmental_flow_m3s, depths = flows
        chunk = table.iloc[start : start + CHUNK]
        valued = value_stretches(chunk, curve_m3s, environmental_flow_m3s, turbines, costs, settings, depths)
        values.append(valued["any_net_annual_value"].to_numpy())
        print(
            f"{start + len(chunk):11,} valued after {time.perf_counter() - begun:6.1f} s; {peak_mb():,.0f} MB",
            flush=True,
        )
    value = np.nan_to_num(np.concatenate(values))
    downstream = stations["downstream"].to_numpy()
    intake, tailrace = (table[name].to_numpy(np.int32) for name in ("intake", "tailrace"))
    boundary = boundary_of_path(downstream, intake, tailrace)
    choice = choose_best_set(downstream, tailrace, value, boundary.start, boundary.station)
    seconds = time.perf_counter() - begun
    print(
        f"{choice.chosen.sum():11,} chosen after {seconds:6.1f} s; {peak_mb():,.0f} MB; "
        f"{len(table) / seconds:,.0f} stretches a second"
    )


if __name__ == "__main__":
    main()
