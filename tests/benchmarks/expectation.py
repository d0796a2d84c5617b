"""What the choice on expected energy costs beside the choice at the expected flow: seconds of both, as a ratio.

The region is that of `tests/benchmarks/energy.py`; its flows err by a regression of 40 % standard error. The same
stretches are valued in one process, by turns, with and without the errors of the flow.

Run as ``python tests/benchmarks/expectation.py [stretches]``.
"""

import statistics
import sys
import time

import numpy as np
import pandas as pd
from energy import REPOSITORY, made_flows, made_settings, made_stations
from scipy.special import ndtri

from sitefinder.energy.valuation import value_stretches
from sitefinder.hydrology.flow_errors import FlowErrors, FlowModel
from sitefinder.io.catalogue_files import read_costs, read_turbine_files
from sitefinder.siting.candidates import find_stretches

STRETCHES, TIMES = 20_000, 3
LOG_SD = float(np.sqrt(np.log1p(0.4**2)))
PERCENT = np.array([5.0, 20.0, 50.0, 80.0, 95.0])


def made_model(curve_m3s, settings):
    """A flow model whose level errs, and whose quantiles err somewhat more the lower they are."""
    count = len(curve_m3s)
    sd = np.full(count, LOG_SD)
    quantile_sd = LOG_SD * np.tile([1.1, 1.0, 1.1, 1.3, 1.6], (count, 1))
    errors = FlowErrors(
        curve_m3s=curve_m3s,
        mean_m3s=curve_m3s.mean(axis=1),
        area_km2=np.ones(count),
        bins_m3s=curve_m3s,
        taken_m3s=None,
        month=None,
        mean_log_sd=sd,
        mean_log_bias=sd**2 / 2.0,
        degrees=np.full(count, 30.0),
        quantile_z=-ndtri(PERCENT / 100.0),
        quantile_log_sd=quantile_sd,
        quantile_log_bias=quantile_sd**2 / 2.0,
        span=settings.uncertainty.quantile_correlation_span,
    )
    return FlowModel(errors, settings.flows.environmental)


def main():
    """Measure and print."""
    wanted = int(sys.argv[1]) if len(sys.argv) > 1 else STRETCHES
    settings = made_settings()
    turbines = read_turbine_files([REPOSITORY / "config" / "turbines" / "generic.toml"]).turbines
    costs = read_costs(REPOSITORY / "config" / "costs" / "generic.toml")
    stations, profile_m, mean_m3s = made_stations(wanted // 200 + 1)
    still, errors_m = np.zeros(len(stations), dtype=bool), np.zeros((len(stations), 2), dtype=np.float32)
    none = pd.DataFrame({name: [] for name in ("station", "head_m", "head_se_m", "fall_below_m")})
    table = find_stretches(stations, profile_m, errors_m, still, none, settings.stretches).table.iloc[:wanted]
    table = table.assign(has_fish_pass=False, road_distance_m=200.0, line_distance_m=500.0)
    curve_m3s, environmental_flow_m3s, depths = made_flows(mean_m3s, settings)
    given = (curve_m3s, environmental_flow_m3s, turbines, costs, settings, depths)
    model = made_model(curve_m3s, settings)
    ways = {"at the expected flow": None, "by expectation": model}
    for way in ways.values():
        value_stretches(table.iloc[:50], *given, model=way)
    seconds, energy = {name: [] for name in ways}, {}
    for _ in range(TIMES):
        for name, way in ways.items():
            begun = time.process_time()
            found = value_stretches(table, *given, model=way)
            seconds[name].append(time.process_time() - begun)
            energy[name] = found["any_energy_mwh"].sum()
    print(f"{len(table):,} stretches at {len(stations):,} stations, medians of {TIMES}")
    first = statistics.median(seconds["at the expected flow"])
    for name in ways:
        middle = statistics.median(seconds[name])
        print(f"{name:22} {middle:7.2f} s  ratio {middle / first:5.2f}  {energy[name] / 1000:10,.0f} GWh in all")


if __name__ == "__main__":
    main()
