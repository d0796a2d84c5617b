"""A whole run by one process, by two workers and by a Dask cluster of two, in one run: seconds, ratios, memory.

Run as ``python tests/benchmarks/workers.py [--cells 4000000]``, alone on the machine. The region is made: rough
ground, streams that are derived from it, no rules. Each way is the whole command with an empty store, from the DEM
to the GeoPackage, without page and sheets, in which no worker has a part. Memory is the most that any single
process held [MB]; /proc says so, so that part needs Linux. Ends with status 1 where the ways deliver other bytes.
"""

import argparse
import hashlib
import json
import os
import subprocess
import sys
import tempfile
import threading
import time
from pathlib import Path

import numpy as np
import rasterio
from routing import rough_ground

REPOSITORY = Path(__file__).resolve().parents[2]
CELL_M = 10.0
STAGES = ("terrain", "best_case", "energy", "site_energy")
SETTINGS = """\
[run]
name = "Made region"
crs = "EPSG:32633"
output_folder = "out"

[inputs.dem]
path = "dem.tif"
vertical_unit = "metre"
vertical_datum = "invented"
error_rmse_m = 0.5
error_correlation_length_m = 60.0

[network]
derive_threshold_km2 = 1.0

[terrain]
tile_rows = 512
tile_columns = 512

[flows]
equations = ["equations.toml"]

[[flows.environmental]]
kind = "share_of_mean"
share = 0.1

[energy]
turbines = ["{config}/turbines/low-head.toml"]

[costs]
file = "{config}/costs/{costs}"
price_per_kwh = 0.2

[delivery]
page = false
field_sheets = 0
district_map = false
"""


def write_region(folder, side, equations):
    """Write the made region; gives its settings file."""
    folder.mkdir()
    profile = {
        "driver": "GTiff",
        "count": 1,
        "dtype": "float32",
        "crs": "EPSG:32633",
        "nodata": -9999,
        "tiled": True,
    }
    transform = rasterio.Affine(CELL_M, 0, 500_000.0, 0, -CELL_M, 5_000_000.0)
    with rasterio.open(folder / "dem.tif", "w", height=side, width=side, transform=transform, **profile) as raster:
        raster.write(rough_ground(side), 1)
    (folder / "equations.toml").write_text(equations, encoding="utf-8")
    config = (REPOSITORY / "config").as_posix()
    costs = sorted(path.name for path in (REPOSITORY / "config" / "costs").glob("*.toml"))[0]
    turbines = sorted(path.name for path in (REPOSITORY / "config" / "turbines").glob("*.toml"))[0]
    text = SETTINGS.format(config=config, costs=costs).replace("low-head.toml", turbines)
    (folder / "settings.toml").write_text(text, encoding="utf-8")
    return folder / "settings.toml"


def environment():
    """Of commands: this checkout with these modules, and compiled files on disk."""
    modules = os.pathsep.join([str(REPOSITORY), str(Path(__file__).parent)])
    return os.environ | {"PYTHONDONTWRITEBYTECODE": "", "PYTHONPATH": modules}


class Highest(threading.Thread):
    """The most memory of any process below some others, looked at ten times a second [MB]."""

    def __init__(self, *pids):
        super().__init__(daemon=True)
        self.pids, self.mb, self.is_over = pids, {}, threading.Event()

    def run(self):
        while not self.is_over.wait(0.1):
            waiting = list(self.pids)
            while waiting:
                pid = waiting.pop()
                try:
                    status = Path(f"/proc/{pid}/status").read_text(encoding="ascii")
                    threads = Path(f"/proc/{pid}/task").iterdir()
                    waiting += [one for thread in threads for one in (thread / "children").read_text().split()]
                except OSError:
                    continue
                peak = [int(line.split()[1]) / 1e3 for line in status.splitlines() if line.startswith("VmHWM")]
                self.mb[pid] = max([self.mb.get(pid, 0.0), *peak])


def timed(settings, *options, others=()):
    """Seconds of a whole run, its peak memory by process, and its account."""
    began = time.perf_counter()
    command = [sys.executable, "-m", "sitefinder", "run", str(settings), "--quiet", *options]
    run = subprocess.Popen(command, env=environment(), stdout=subprocess.DEVNULL)
    watch = Highest(run.pid, *(other.pid for other in others))
    watch.start()
    if run.wait():
        raise SystemExit(f"{' '.join(command)} ended with {run.returncode}")
    seconds = time.perf_counter() - began
    watch.is_over.set()
    watch.join()
    accounts = sorted((settings.parent / "out" / ".sitefinder-store" / "runs").glob("*.json"))
    account = json.loads(accounts[-1].read_text(encoding="utf-8"))
    by_stage = {
        result["place"]: result["seconds"]
        for result in account["results"]
        if ":" not in result["place"] and not result["was_kept"]
    }
    largest = watch.mb.pop(run.pid, watch.mb.pop(str(run.pid), float("nan")))
    return seconds, largest, max(watch.mb.values(), default=float("nan")), by_stage


def cluster_of(workers, folder):
    """A scheduler and workers, all their processes, and the scheduler's address."""
    said = folder / "scheduler.json"
    quiet = {"stdout": subprocess.DEVNULL, "stderr": subprocess.DEVNULL, "env": environment()}
    scheduler = ["distributed.cli.dask_scheduler", "--host", "127.0.0.1", "--port", "0", "--no-dashboard",
                 "--scheduler-file", str(said)]  # fmt: skip
    running = [subprocess.Popen([sys.executable, "-m", *scheduler], **quiet)]
    while not said.exists():
        time.sleep(0.05)
    time.sleep(0.2)
    address = json.loads(said.read_text(encoding="utf-8"))["address"]
    worker = ["distributed.cli.dask_worker", address, "--no-nanny", "--nthreads", "1", "--no-dashboard",
              "--local-directory", str(folder)]  # fmt: skip
    running += [subprocess.Popen([sys.executable, "-m", *worker], **quiet) for _ in range(workers)]
    return running, address


def digest(settings):
    """SHA-256 of the delivered GeoPackage."""
    return hashlib.sha256((settings.parent / "out" / "sites.gpkg").read_bytes()).hexdigest()


def main():
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--cells", type=int, default=4_000_000)
    side = int(np.sqrt(parser.parse_args().cells))
    from made_regions import EQUATIONS  # noqa: PLC0415

    with tempfile.TemporaryDirectory() as scratch:
        folder = Path(scratch)
        timed(write_region(folder / "small", 300, EQUATIONS))  # warms the caches
        ways = {}
        settings = {name: write_region(folder / name, side, EQUATIONS) for name in ("one", "two", "cluster")}
        ways["one process"] = timed(settings["one"], "--workers", "1")
        ways["--workers 2"] = timed(settings["two"], "--workers", "2")
        running, address = cluster_of(2, folder)
        try:
            ways["cluster of two"] = timed(settings["cluster"], "--scheduler", address, others=running)
        finally:
            for process in running:
                process.kill()
                process.wait()
        digests = {digest(each) for each in settings.values()}
    first = ways["one process"]
    print(f"{side**2:,} cells of {CELL_M:.0f} m\n{'':<16}{'all [s]':>9}{'ratio':>7}", end="")
    print("".join(f"{name:>13}" for name in STAGES), f"{'run [MB]':>11}{'worker [MB]':>13}")
    for name, (seconds, run_mb, worker_mb, by_stage) in ways.items():
        stages = "".join(f"{by_stage.get(stage, 0.0):13.1f}" for stage in STAGES)
        print(f"{name:<16}{seconds:9.1f}{seconds / first[0]:7.2f}{stages} {run_mb:11.0f}{worker_mb:13.0f}")
    print("the same bytes:", "yes" if len(digests) == 1 else "NO")
    return 0 if len(digests) == 1 else 1


if __name__ == "__main__":
    sys.exit(main())
