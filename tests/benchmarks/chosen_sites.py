"""Heads and energy of chosen sites against the truth, over made regions, before and after the correction for luck.

Each region is run whole, from its files to the table of sites, by the project's own stages: with the DEM as
surveyed, and beside it with one that has no error, where nothing is luck. In half of the regions the lines lie
30 to 60 m beside the channel. The true head of a site is the fall of the true water level between its ends, and
for a new weir its height on top. Sites with an end near a step or a lake are left out, since there the truth of a
drawn place is not known to a metre, and so are surveyed drops.

True flows follow the law that the gauges were drawn from, with its scatter at each site; what a plant as planned
gives with them and with the true head is held against P90 to P10 of the stated long-term energy.

Run as ``python tests/benchmarks/chosen_sites.py [regions] [first seed]``.
"""

import sys
import tempfile
from pathlib import Path
from typing import NamedTuple

import numpy as np
import pandas as pd

sys.path.insert(0, str(Path(__file__).resolve().parent))

from made_regions import (
    HALF_WIDTH_BESIDE_M,
    HALF_WIDTH_M,
    REPOSITORY,
    is_beside,
    make,
    small_region,
    stages_up_to,
    truth_of_stations,
)

from sitefinder.energy.costs import screen_takes
from sitefinder.energy.hydraulics import net_head_m, pipe_loss_m, waterway, waterway_lengths_m
from sitefinder.energy.plant import plant_outputs, yearly_energy_mwh
from sitefinder.energy.turbines import turbine_table
from sitefinder.hydrology.duration_curve import curves_from_quantiles
from sitefinder.pipeline.graph import run_stages
from sitefinder.preparation import read_run
from sitefinder.steps.graph import GIVEN

# Seeds up to 100 are those that choices were made on.
REGIONS, FIRST, CELLS = 12, 101, 320
TRUTHS = 16
NORMAL_90 = 1.645
# Regions of few kilometres have brooks: a wet climate and a good price make them worth it (own choice).
MORE_FLOW, PRICE_PER_KWH = 8.0, 1.2
# From this stage on a run with the correction differs from one without.
FIRST_TO_DIFFER = "selection_luck"
RUNS = {"before": False, "after": True}
SETTINGS = """\
[run]
name = "Made region"
crs = "EPSG:32633"
output_folder = "out"
seed = {seed}

[inputs.dem]
path = "dem.tif"
vertical_unit = "metre"
vertical_datum = "invented"
error_rmse_m = 0.15
error_correlation_length_m = 60.0

[inputs.streams]
path = "streams.gpkg"
id_column = "stream_id"
name_column = "name"

[inputs.covariates.precipitation_mm]
path = "rainfall.tif"

[inputs.structures]
path = "layers.gpkg"
layer = "structures"
id_column = "structure_id"

[inputs.lakes]
path = "layers.gpkg"
layer = "lakes"
id_column = "lake_id"

[terrain]
edge_is_divide = true

[heads]
transect_half_width_m = {half_width_m}
quantile = 0.4

[flows.gauges]
path = "gauges.csv"
predictors = ["area_km2", "precipitation_mm"]
x_column = "x_m"
y_column = "y_m"
source = "invented"
crs = "EPSG:32633"

[[flows.environmental]]
kind = "share_of_mean"
share = 0.1

[tailwater]
method = "none"

[energy]
turbines = ["{config}/turbines/generic.toml"]

[costs]
file = "{config}/costs/generic.toml"
price_per_kwh = {price_per_kwh}

[ranking]
min_free_flowing_m = 0.0
"""


class Case(NamedTuple):
    """A region whose files are written, and the results of the stages that both of its runs share."""

    region: object
    seed: int
    given: dict
    shared: dict


def flow_names(table):
    """Columns of flows of a table of gauges."""
    return [name for name in table if name.startswith("flow_")]


def made_case(seed, folder, *, noise=True):
    """A region with its first stages, with the DEM as surveyed or one without error."""
    region = small_region(CELLS, seed, beside=is_beside(seed))
    if not noise:
        dem = region.dem - make._dem_noise(CELLS, region.places.lake, seed)
        region = region._replace(dem=dem.astype(np.float32))
    gauges = region.gauges.copy()
    gauges[[*flow_names(gauges), "precipitation_mm"]] *= MORE_FLOW
    make.write_region(region._replace(gauges=gauges, rainfall=region.rainfall * MORE_FLOW), folder)
    half_width_m = HALF_WIDTH_BESIDE_M if is_beside(seed) else HALF_WIDTH_M
    config = (REPOSITORY / "config").as_posix()
    numbers = {"seed": seed, "half_width_m": half_width_m, "config": config, "price_per_kwh": PRICE_PER_KWH}
    (folder / "settings.toml").write_text(SETTINGS.format(**numbers), encoding="utf-8")
    given = dict(zip(GIVEN, (*read_run(folder / "settings.toml"), folder, None), strict=True))
    stages = stages_up_to("sites_table")
    differ = [stage.name for stage in stages].index(FIRST_TO_DIFFER)
    return Case(region, seed, given, run_stages(stages[:differ], given))


def chosen(case, *, corrected):
    """Sites of a run, with their true heads, a row a site, and the results of its stages."""
    heads = case.given["settings"].heads.model_copy(update={"correct_selection": corrected})
    settings = case.given["settings"].model_copy(update={"heads": heads})
    stages = [stage for stage in stages_up_to("sites_table") if stage.name not in case.shared]
    results = run_stages(stages, case.shared | case.given | {"settings": settings})
    stations = results["stationing"].stations
    true_m, clear, _ = truth_of_stations(case.region, case.seed, results["stationing"])
    own = results["ranked_sites"].order.reset_index(drop=True)
    upper, lower = (own[name].to_numpy(dtype=np.int64) for name in ("intake", "tailrace"))
    built_m = np.where(own["scheme_type"] == "new_weir", own["weir_height_m"], 0.0)
    own["true_head_m"] = true_m[upper] - true_m[lower] + built_m
    is_step = own["scheme_type"] == "at_barrier"
    own["is_clear"] = clear[upper] & clear[lower] & ~is_step & np.isfinite(own["true_head_m"])
    # Where two streams meet over the border, a link may run up the second; no head is taken there.
    own["is_clear"] &= own["true_head_m"] > built_m
    assert len(stations) == len(true_m)
    return own, results


def true_energy_mwh(case, results, own):
    """What each plant as planned gives at its true head and with true flows [MWh], shape (sites, TRUTHS)."""
    settings, inputs = results["settings"], results["inputs"]
    law, rng = case.region.truth["flow_law"], np.random.default_rng([case.seed, 71])
    own = own.assign(turbine=own["turbine_number"])
    place = results["catchments"].iloc[own["intake"].to_numpy()]
    logs = np.array(law["a"]) + np.log10(place["area_km2"].to_numpy())[:, None] * np.array(law["b"])
    logs = logs + np.log10(place["precipitation_mm"].to_numpy() / MORE_FLOW)[:, None] * np.array(law["c"])
    spread = np.array(law["scatter_log10"])
    root = np.linalg.cholesky(np.array(law["correlation"]) * np.outer(spread, spread))
    percent = [float(name.removeprefix("flow_q").removesuffix("_m3s")) for name in law["statistics"][1:]]
    headrace_m, pipe_m = waterway_lengths_m(own, settings.energy)
    design_m3s = own["flow_design_m3s"].to_numpy(dtype=np.float64)
    screen_m, bypass_m3s = screen_takes(inputs.costs, own["screened"].to_numpy(dtype=bool), design_m3s)
    conduit = waterway(settings.energy)
    loss_m = np.array([pipe_loss_m(*pair, conduit) for pair in zip(design_m3s, pipe_m, strict=True)]) + screen_m
    heads_m = {"true": own["true_head_m"].to_numpy(), "stated": own["head_m"].to_numpy()}
    net_m = {name: net_head_m(head_m, headrace_m, settings.energy) for name, head_m in heads_m.items()}
    # The generator is that for the head that turns out.
    limit_kw = own["power_kw"].to_numpy() * np.maximum((net_m["true"] - loss_m) / (net_m["stated"] - loss_m), 0.0)
    found, here = np.empty((len(own), TRUTHS)), np.arange(len(own))
    table = turbine_table(inputs.turbines)
    numbers = own["units"].to_numpy(dtype=np.int64), own["turbine"].to_numpy(dtype=np.int64)
    for truth in range(TRUTHS):
        flows = MORE_FLOW * 10.0 ** (logs + rng.normal(size=logs.shape) @ root.T)
        curve_m3s = curves_from_quantiles(percent, -np.sort(-flows[:, 1:], axis=1)).curve_m3s
        curve_m3s = curve_m3s * (flows[:, 0] / curve_m3s.mean(axis=1))[:, None]
        left_m3s = np.repeat(0.1 * flows[:, :1], curve_m3s.shape[1], axis=1)
        still = np.zeros_like(curve_m3s), here, here, np.ones(len(own), dtype=bool)
        sizes = net_m["true"] - screen_m, design_m3s, limit_kw, *numbers
        output = plant_outputs(curve_m3s, left_m3s, *still, *sizes, table, pipe_m, conduit, bypass_m3s)
        kw = output.power_mean_kw * np.exp(settings.uncertainty.efficiency_sd * rng.normal(size=len(own)))
        found[:, truth] = yearly_energy_mwh(kw, settings.energy.availability)
    return found


def sites_of(seed, folder):
    """Chosen sites of a region by each run, with truth, in one table."""
    parts = []
    for noise in (True, False):
        case = made_case(seed, folder / f"{seed}-{noise}", noise=noise)
        # Where nothing is luck there is nothing to take off.
        for run, corrected in RUNS.items() if noise else [("before", False)]:
            own, results = chosen(case, corrected=corrected)
            truths = true_energy_mwh(case, results, own)
            low, high = (own[f"energy_long_term_mwh_{name}"].to_numpy()[:, None] for name in ("p90", "p10"))
            own["held"] = ((truths >= low) & (truths <= high)).mean(axis=1)
            own["below"], own["above"] = (truths < low).mean(axis=1), (truths > high).mean(axis=1)
            own["true_energy_mwh"] = truths.mean(axis=1)
            parts.append(own.assign(seed=seed, noise=noise, run=run, beside=is_beside(seed)))
    return pd.concat(parts, ignore_index=True)


def figures(own):
    """Figures of sites with clear ends: number, bias [m] and its standard error, mean head, coverages."""
    off_m = (own["head_m"] - own["true_head_m"]).to_numpy()
    by_region = (own["head_m"] - own["true_head_m"]).groupby(own["seed"]).agg(["sum", "size"])
    # Of a ratio of sums over regions.
    rest = by_region["sum"] - off_m.mean() * by_region["size"]
    return {
        "sites": len(own),
        "head_m": own["true_head_m"].mean(),
        "bias_m": off_m.mean(),
        "bias_se_m": np.sqrt((rest**2).sum()) / len(own),
        "uncorrected_bias_m": (own["head_uncorrected_m"] - own["true_head_m"]).mean(),
        "rmse_m": np.sqrt(np.mean(off_m**2)),
        "se_m": np.sqrt(np.mean(own["head_se_m"] ** 2)),
        "head_held": np.mean(np.abs(off_m) <= NORMAL_90 * own["head_se_m"]),
        "energy_held": own["held"].mean(),
        "below": own["below"].mean(),
        "above": own["above"].mean(),
        "energy_ratio": own["energy_mwh"].sum() / own["true_energy_mwh"].sum(),
    }


def print_line(name, own):
    """One line of the table."""
    if not len(own):
        return
    found = figures(own)
    print(
        f"  {name:<28} {found['sites']:5d} {found['head_m']:7.2f} {found['uncorrected_bias_m']:+8.3f}"
        f" {found['bias_m']:+8.3f} ± {found['bias_se_m']:.3f} {100 * found['bias_m'] / found['head_m']:+7.1f}"
        f" {found['rmse_m']:7.2f} {found['se_m']:7.2f} {100 * found['head_held']:8.1f}"
        f" {100 * found['energy_held']:9.1f} {100 * found['below']:6.1f} {100 * found['above']:6.1f}"
        f" {found['energy_ratio']:7.3f}",
        flush=True,
    )


def main():
    """Print one table: before and after, with the DEM's error and without."""
    numbers = [int(word) for word in sys.argv[1:] if word.isdigit()]
    regions, first = (numbers + [REGIONS, FIRST][len(numbers) :])[:2]
    with tempfile.TemporaryDirectory() as folder:
        own = pd.concat([sites_of(seed, Path(folder)) for seed in range(first, first + regions)])
    print(
        f"{regions} made regions of {CELLS} × {CELLS} cells of 10 m, seeds from {first}; {len(own)} sites in all"
    )
    print("stated less true head; share of true heads within the 90 % interval; share of true energies within P90")
    print("to P10, below and above; stated over true energy. Sites with clear ends, without surveyed drops")
    print(
        f"{'':31}sites  head m    as fitted    bias m           bias %  RMSE m    SE m   held % "
        "  energy %  below  above   ratio"
    )
    for noise, kind in ((True, "DEM as surveyed"), (False, "DEM without error")):
        for run in RUNS:
            here = own[(own["noise"] == noise) & (own["run"] == run) & own["is_clear"]]
            print_line(f"{kind}, {run}", here)
            for scheme in sorted(here["scheme_type"].unique()):
                print_line(f"  {scheme}", here[here["scheme_type"] == scheme])
            for beside, place in ((False, "lines on the channel"), (True, "lines beside it")):
                print_line(f"  {place}", here[here["beside"] == beside])


if __name__ == "__main__":
    main()
