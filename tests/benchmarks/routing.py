"""Ways to lead water over the same ground, timed in one run: cells per second, peak memory, ratio to the fastest.

Run as ``python tests/benchmarks/routing.py [--cells 4000000 25000000]``. Each way runs in a process of its own,
from a DEM in memory to its answer in memory, with any writing, reading and conversion of files that this takes.
What the process took to start, load and compile (on a small DEM) is left out of its time. Memory is what it needs
at its highest above what it held just before, the answer included and the ground itself not; it is read from
/proc, so that part needs Linux. A way that takes longer than ``--max-seconds`` is given up.

The two engines and the reference library with labels answer the same question: which of many stations each cell
drains to. The other ways stop at drained areas.
"""

import argparse
import json
import resource
import shutil
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np
import pyflwdir
import rasterio
import whitebox_workflows

from sitefinder.dem.grid import Grid
from sitefinder.dem.priority_flood import NO_SEED, flood
from sitefinder.io.whitebox_engine import route_with_whitebox

CLOSED = (False, False, False, False)
CELL_M = 10.0
SMALL_SIDE = 200
# A stream begins where this number of cells gather.
STREAM_CELLS = 2000
# A station has this number of cells of stream.
STATION_CELLS = 20
GRASS_SCRIPT = """
r.in.gdal --quiet input=dem.tif output=dem
g.region raster=dem
r.watershed --quiet elevation=dem accumulation=drained drainage=direction
r.out.gdal --quiet input=drained output=drained.tif format=GTiff
"""


# Ground of valleys and hollows at all scales, between 0 and 500 m.
def rough_ground(side):
    generator = np.random.default_rng(1)
    frequency = np.hypot(np.fft.fftfreq(side)[:, None], np.fft.rfftfreq(side)[None, :])
    frequency[0, 0] = np.inf
    height = np.fft.irfft2(np.fft.rfft2(generator.standard_normal((side, side))) * frequency**-1.9, s=(side, side))
    return ((height - height.min()) / np.ptp(height) * 500).astype(np.float32)


# Stream cells where the reference library gathers enough; every few of them along a row are a station.
def gathered_streams(ground_m):
    _, directions = pyflwdir.dem.fill_depressions(ground_m, outlets="edge")
    is_stream = pyflwdir.from_array(directions).upstream_area("cell") > min(STREAM_CELLS, ground_m.size // 20)
    seed = np.full(ground_m.shape, NO_SEED, dtype=np.int32)
    seed[is_stream] = np.arange(np.count_nonzero(is_stream)) // STATION_CELLS
    return seed


def by_flood(ground_m, seed, folder):
    return flood(ground_m, np.ones(seed.shape, dtype=bool), seed, CLOSED, CELL_M, CELL_M).label


def by_whitebox(ground_m, seed, folder):
    grid = Grid(*seed.shape, 0.0, 0.0, CELL_M, CELL_M)
    return route_with_whitebox(ground_m, np.ones(seed.shape, dtype=bool), seed, grid, folder)


# Fill and D8, and the labels of the stream cells carried upstream.
def by_pyflwdir_labels(ground_m, seed, folder):
    _, directions = pyflwdir.dem.fill_depressions(ground_m, outlets="edge")
    cells = np.flatnonzero(seed != NO_SEED)
    return pyflwdir.from_array(directions).basins(idxs=cells, ids=seed.ravel()[cells].astype(np.uint32) + 1)


def by_pyflwdir_area(ground_m, seed, folder):
    _, directions = pyflwdir.dem.fill_depressions(ground_m, outlets="edge")
    return pyflwdir.from_array(directions).upstream_area("cell")


# Burn, breach, D8 accumulation, with files between the engine and arrays.
def by_plain_chain(ground_m, seed, folder):
    written(np.where(seed == NO_SEED, ground_m, ground_m - 20.0), folder)
    engine = whitebox_workflows.WbEnvironment()
    engine.verbose = False
    breached = engine.hydrology.breach_depressions_least_cost(
        dem=engine.read_raster(str(folder / "dem.tif")),
        max_dist=50,
        fill_deps=True,
        output=str(folder / "breached.tif"),
    )
    engine.hydrology.d8_flow_accum(input=breached, out_type="cells", output=str(folder / "drained.tif"))
    with rasterio.open(folder / "drained.tif") as drained:
        return drained.read(1)


def by_grass(ground_m, seed, folder):
    written(ground_m, folder)
    subprocess.run(
        ["grass", "--tmp-location", "EPSG:32633", "--exec", "sh", "-ec", GRASS_SCRIPT],
        cwd=folder,
        check=True,
        capture_output=True,
    )
    with rasterio.open(folder / "drained.tif") as drained:
        return drained.read(1)


def written(ground_m, folder):
    profile = {"driver": "GTiff", "count": 1, "dtype": "float32", "nodata": -9999.0, "crs": "EPSG:32633"}
    transform = rasterio.Affine(CELL_M, 0.0, 400_000.0, 0.0, -CELL_M, 5_000_000.0)
    size = {"height": ground_m.shape[0], "width": ground_m.shape[1], "transform": transform}
    with rasterio.open(folder / "dem.tif", "w", **profile, **size) as raster:
        raster.write(ground_m.astype(np.float32), 1)


WAYS = {
    "flood": by_flood,
    "whitebox engine": by_whitebox,
    "pyflwdir, labels": by_pyflwdir_labels,
    "pyflwdir, areas": by_pyflwdir_area,
    "whitebox chain, areas": by_plain_chain,
    "GRASS r.watershed, areas": by_grass,
}


# A line of this process's memory, such as its size now or its highest since it was last reset [bytes].
def memory_bytes(line):
    status = Path("/proc/self/status").read_text()
    return int(status.split(f"{line}:")[1].split()[0]) * 1024


# In a process of its own: seconds, and bytes above what was held before. What other programs held that it started
# counts as well, where it is more.
def measured(way, ground_path, seed_path):
    with tempfile.TemporaryDirectory() as folder:
        small_m = rough_ground(SMALL_SIDE)
        WAYS[way](small_m, gathered_streams(small_m), Path(folder))
    ground_m, seed = np.load(ground_path), np.load(seed_path)
    held = memory_bytes("VmRSS")
    Path("/proc/self/clear_refs").write_text("5")
    with tempfile.TemporaryDirectory() as folder:
        begin = time.perf_counter()
        answer = WAYS[way](ground_m, seed, Path(folder))
        seconds = time.perf_counter() - begin
    if answer.shape != ground_m.shape:
        raise RuntimeError(f"{way} answered with {answer.shape} for {ground_m.shape}")
    own = memory_bytes("VmHWM") - held
    others = resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss * 1024
    return {"seconds": seconds, "bytes": max(own, others)}


def of_ways(side, ways, max_seconds):
    """Seconds and bytes of some ways on a DEM of this number of cells along a side, of those that succeed."""
    found = {}
    with tempfile.TemporaryDirectory() as folder:
        paths = [Path(folder) / "ground.npy", Path(folder) / "seed.npy"]
        ground_m = rough_ground(side)
        for path, array in zip(paths, (ground_m, gathered_streams(ground_m)), strict=True):
            np.save(path, array)
        del ground_m
        for way in ways:
            if way.startswith("GRASS") and shutil.which("grass") is None:
                print(f"  {way}: left out, GRASS is not installed", flush=True)
                continue
            command = [sys.executable, __file__, "--way", way, *map(str, paths)]
            try:
                notes = subprocess.run(command, capture_output=True, text=True, timeout=max_seconds, check=True)
                found[way] = json.loads(notes.stdout.splitlines()[-1])
            except subprocess.TimeoutExpired:
                print(f"  {way}: given up after {max_seconds} s", flush=True)
            except subprocess.CalledProcessError as error:
                print(f"  {way}: failed, {error.stderr.strip().splitlines()[-1]}", flush=True)
    return found


# All ways on a DEM of this number of cells.
def compare(cells, max_seconds):
    side = int(np.sqrt(cells))
    print(f"{side} × {side} cells of {CELL_M:g} m", flush=True)
    found = of_ways(side, WAYS, max_seconds)
    fastest = min(each["seconds"] for each in found.values())
    print(f"  {'':<26} {'cells/s':>12} {'seconds':>9} {'ratio':>7} {'peak bytes a cell':>18}")
    for way, each in found.items():
        per_second, ratio = side * side / each["seconds"], each["seconds"] / fastest
        memory = each["bytes"] / (side * side)
        print(
            f"  {way:<26} {per_second:>12,.0f} {each['seconds']:>9.2f} {ratio:>7.1f} {memory:>18.0f}", flush=True
        )


def main():
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument(
        "--cells", type=int, nargs="+", default=[4_000_000, 25_000_000], help="sizes of DEM to try"
    )
    parser.add_argument("--max-seconds", type=int, default=900, help="a slower way is given up")
    parser.add_argument("--way", choices=list(WAYS), help=argparse.SUPPRESS)
    parser.add_argument("paths", nargs="*", help=argparse.SUPPRESS)
    given = parser.parse_args()
    if given.way:
        print(json.dumps(measured(given.way, *given.paths)))
        return
    for cells in given.cells:
        compare(cells, given.max_seconds)


if __name__ == "__main__":
    main()
