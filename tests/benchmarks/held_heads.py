"""How many true heads lie inside the stated 90 % interval: made regions, and drops that others published.

Beside what a run states is what it would state from the DEM's error alone. Half of the made regions have lines
30 to 60 m beside the channel. Drops of the Logan River's reference links come from a DEM of 30 m, the run's heads
from one of 100 m. On the Eno River, a DEM of 10 m is taken for the truth and made coarser, which shows what cells
do by themselves, so hardly any error of the DEM is stated. (The public network of New Hope Creek has no DEM.)

Run as ``python tests/benchmarks/held_heads.py [regions]``.
"""

import re
import sys
import tempfile
from pathlib import Path
from unittest.mock import patch

import geopandas
import numpy as np
import rasterio
from rasterio.warp import Resampling, reproject, transform_bounds

sys.path.insert(0, str(Path(__file__).resolve().parent))

from made_regions import (
    Heads,
    heads_of_reaches,
    heads_over,
    is_beside,
    joined,
    small_region,
    stages_up_to,
    survey,
)

from sitefinder.pipeline.graph import run_stages
from sitefinder.preparation import read_run
from sitefinder.profile.errors import head_standard_error
from sitefinder.steps import heads as steps
from sitefinder.steps.derived_network import derive_network
from sitefinder.steps.graph import GIVEN

REAL = Path(__file__).resolve().parents[1] / "real"
# No seed of these is that of a region on which the terms of the error were chosen (301 to 324).
REGIONS, FIRST_SEED, CELLS = 16, 1001, 240
NORMAL_90, NORMAL_MAD = 1.645, 1.4826
WAYS_M = (100.0, 500.0)
ENO_CRS, ENO_CELL_M, ENO_COARSE_M, ENO_ERROR_M = "EPSG:26917", 10.0, (30.0, 60.0, 100.0), 0.15
NO_DATA = -9999.0
ENO_SETTINGS = """\
[run]
name = "Eno River"
crs = "{crs}"
output_folder = "out"

[inputs.dem]
path = "{dem}"
vertical_unit = "metre"
vertical_datum = "NAVD 88"
error_rmse_m = {error_m}
error_correlation_length_m = 100.0

[inputs.streams]
path = "{streams}"
id_column = "id"

[flows.gauges]
path = "{gauges}"
predictors = ["area_km2"]
source = "not used"

[[flows.environmental]]
kind = "share_of_mean"
share = 0.1

[energy]
turbines = ["{config}/turbines/generic.toml"]

[costs]
file = "{config}/costs/generic.toml"
price_per_kwh = 0.2
"""


def dem_error_alone():
    """While this holds, runs state the error of the DEM alone."""
    return patch.object(steps, "reading_errors", return_value=None)


def of_made_regions(seeds, cells=CELLS):
    """Heads of reaches and over each way of made regions, with errors as stated and from the DEM alone.

    Returns
    -------
    dict of (str, str) to (list of Heads, list of Heads)
        By where the lines lie and what the heads are over; a region an item.
    """
    found = {}
    with tempfile.TemporaryDirectory() as folder:
        for seed in seeds:
            region, place = small_region(cells, seed, beside=is_beside(seed)), Path(folder) / str(seed)
            stated = survey(region, seed, place)[0][0]
            with dem_error_alone():
                alone = survey(region, seed, place)[0][0]
            where = "beside the channel" if is_beside(seed) else "on the channel"
            for number, each in enumerate((stated, alone)):
                parts = {"reaches": heads_of_reaches(each)}
                parts |= {f"over {way_m:.0f} m": heads_over(each, way_m) for way_m in WAYS_M}
                for name, heads in parts.items():
                    found.setdefault((where, name), ([], []))[number].append(heads)
    return found


def of_logan(folder):
    """Heads of the Logan River's reference links against their published drops: as stated, from the DEM alone."""
    text = (REAL / "logan.toml").read_text(encoding="utf-8")
    for written in re.findall(r'"([^"]+\.(?:csv|toml|tif|gpkg))"', text):
        text = text.replace(f'"{written}"', f'"{(REAL / written).resolve().as_posix()}"')
    (folder / "logan.toml").write_text(text, encoding="utf-8")
    links = geopandas.read_file(REAL / "data" / "logan" / "streams.gpkg")
    stated, alone, stationing = _profiles(folder / "logan.toml")
    ends = stationing.reaches.groupby("feature_id").agg(
        first=("first_station", "min"), last=("last_station", "max")
    )
    ends = ends.loc[links["LINKNO"].astype(str)]
    upper, lower = ends["first"].to_numpy(), ends["last"].to_numpy()
    return tuple(
        published_heads(each.profile_m, each.errors_m, upper, lower, links["strmDrop"].to_numpy())
        for each in (stated, alone)
    )


def published_heads(profile_m, errors_m, upper, lower, drop_m):
    """Heads between stations against published drops [m]."""
    off_m = profile_m[upper] - profile_m[lower] - drop_m
    return Heads(off_m, head_standard_error(errors_m, upper, lower), drop_m, np.full(len(drop_m), np.nan))


def of_eno(folder, coarse_m):
    """Heads of reaches of the Eno River from coarse cells against those from fine ones: stated, DEM alone."""
    fine = folder / "fine.tif"
    _warp(REAL / "data" / "eno" / "dem_third_arcsec.tif", fine, ENO_CELL_M, Resampling.bilinear)
    derive_network(fine, 1.0, folder).rename(columns={"stream_id": "id"}).to_file(folder / "streams.gpkg")
    coarse = folder / f"{coarse_m:.0f}.tif"
    _warp(fine, coarse, coarse_m, Resampling.average)
    runs = []
    for dem in (fine, coarse):
        config = REAL.parents[1] / "config"
        text = ENO_SETTINGS.format(
            crs=ENO_CRS,
            dem=dem.as_posix(),
            error_m=ENO_ERROR_M,
            streams=(folder / "streams.gpkg").as_posix(),
            gauges=(REAL / "great_basin_gauges.csv").as_posix(),
            config=config.as_posix(),
        )
        settings = dem.with_suffix(".toml")
        settings.write_text(text, encoding="utf-8")
        runs.append(_profiles(settings))
    (true, _, stationing), (stated, alone, _) = runs
    upper, lower = (stationing.reaches[name].to_numpy() for name in ("first_station", "last_station"))
    # Off the edge of the DEM nothing is known.
    known = ~np.isnan(true.raw_m[upper] + true.raw_m[lower])
    upper, lower = upper[known], lower[known]
    drop_m = true.profile_m[upper] - true.profile_m[lower]
    return tuple(published_heads(each.profile_m, each.errors_m, upper, lower, drop_m) for each in (stated, alone))


# The fitted profile of a run, the same with the error of the DEM alone, and the run's stations.
def _profiles(settings):
    given = dict(zip(GIVEN, (*read_run(settings), settings.parent, None), strict=True))
    stages = stages_up_to("long_profile")
    results = run_stages(stages, given)
    with dem_error_alone():
        alone = run_stages(stages[-1:], results | given)["long_profile"]
    return results["long_profile"], alone, results["stationing"]


def _warp(source, target, cell_m, resampling):
    with rasterio.open(source) as dem:
        west, south, east, north = transform_bounds(dem.crs, ENO_CRS, *dem.bounds)
        west, north = np.floor(west / 300.0) * 300.0, np.ceil(north / 300.0) * 300.0
        size = {
            "driver": "GTiff",
            "width": int(np.ceil((east - west) / cell_m)),
            "height": int(np.ceil((north - south) / cell_m)),
            "count": 1,
            "transform": rasterio.Affine(cell_m, 0.0, west, 0.0, -cell_m, north),
            "crs": ENO_CRS,
        }
        with rasterio.open(target, "w", **size, dtype="float32", nodata=NO_DATA) as warped:
            reproject(rasterio.band(dem, 1), rasterio.band(warped, 1), dst_nodata=NO_DATA, resampling=resampling)


def figures(heads):
    """Share inside the 90 % interval, median standard error, RMSE and median error [m], robust ratio of both.

    Without an error is the head of a reach whose ends share their elevation.
    """
    off_m, stated = np.abs(heads.off_m), heads.se_m > 0.0
    return {
        "heads": len(off_m),
        "inside": np.mean(off_m <= NORMAL_90 * heads.se_m),
        "median_se_m": np.median(heads.se_m),
        "rmse_m": np.sqrt(np.mean(off_m**2)),
        "median_off_m": np.median(off_m),
        "ratio": NORMAL_MAD * np.median(off_m[stated] / heads.se_m[stated]),
    }


def print_line(name, stated, alone):
    """One line of the table."""
    now, before = figures(stated), figures(alone)
    print(
        f"  {name:<32} {now['heads']:6d}  {100 * before['inside']:9.1f}  {100 * now['inside']:6.1f}  "
        f"{before['median_se_m']:9.2f}  {now['median_se_m']:6.2f}  {now['rmse_m']:6.2f}  "
        f"{now['median_off_m']:8.2f}  {before['ratio']:9.2f}  {now['ratio']:6.2f}",
        flush=True,
    )


def main():
    """Print what the command line asks for."""
    numbers = [int(word) for word in sys.argv[1:] if word.isdigit()]
    regions = numbers[0] if numbers else REGIONS
    print("inside: share of true heads in the stated 90 % interval")
    print("ratio: 1.48 · median of error over standard error, 1 for normal errors of the size that is stated")
    print(f"{'':>42}{'inside %':>17}{'median se m':>17}{'rmse':>8}{'median':>10}{'ratio':>17}")
    print(f"{'heads':>41}{'DEM alone':>11}{'stated':>8}{'DEM alone':>11}{'stated':>8}{'m':>8}{'m':>10}", end="")
    print(f"{'DEM alone':>11}{'stated':>8}")
    found = of_made_regions(range(FIRST_SEED, FIRST_SEED + regions))
    for (where, name), (stated, alone) in sorted(found.items(), reverse=True):
        print_line(f"{where}: {name}", joined(stated), joined(alone))
    for name in ("reaches", *(f"over {way_m:.0f} m" for way_m in WAYS_M)):
        both = [joined([heads for key in found if key[1] == name for heads in found[key][k]]) for k in (0, 1)]
        print_line(f"all {regions} regions: {name}", *both)
    with tempfile.TemporaryDirectory() as folder:
        print_line("Logan, 100 m: published drops", *of_logan(Path(folder)))
    for coarse_m in ENO_COARSE_M:
        with tempfile.TemporaryDirectory() as folder:
            print_line(f"Eno, {coarse_m:.0f} m against 10 m: reaches", *of_eno(Path(folder), coarse_m))


if __name__ == "__main__":
    main()
