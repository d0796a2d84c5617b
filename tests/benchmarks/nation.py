"""A nation on paper: what 2.5 billion cells and 1.5 million km of stream would take, from measured costs.

Run as ``python tests/benchmarks/nation.py [--cells 4 16]`` (millions), alone on the machine. Two made regions of
mirrored ground (``scaling.py --streamed``) are run by one process, from the DEM to the GeoPackage. What one more
cell and one more kilometre of stream take is the difference between the two: seconds of tasks, which workers
share; those of the run's own process, which nobody shares; the run's memory; its disk. Stages that read rasters
go with cells, all others with streams. Stages whose costs grow faster than the region are named: where they do, a
nation costs more than this says.

Then a cluster of ``--workers`` processes of Dask (16) does ``--tasks`` of these tasks (2,000) by the way of a run,
which writes their arguments, and reads and checks their answers; the tasks themselves sleep for seconds that were
measured. All of it shares this machine, so that what a task costs the run's own process is a little more than
where workers are elsewhere. Last, hours of a nation by number of workers, and what limits them.
"""

import argparse
import json
import random
import sys
import tempfile
import time
from pathlib import Path
from typing import NamedTuple

import numpy as np
import pyogrio
from made_regions import EQUATIONS
from scaling import MILLION, block_of_streams, write_streamed
from workers import cluster_of, timed, write_region

from sitefinder.io import containers
from sitefinder.pipeline.cluster import Cluster
from sitefinder.units import METRES_PER_KILOMETRE, SECONDS_PER_HOUR

NATION_CELLS, NATION_KM = 2_500 * MILLION, 1.5e6
WORKERS = (1, 2, 8, 32, 128, 512)
# Stages whose work is by cells of the DEM; all others go with stations, candidates or sites, thus with streams.
BY_CELLS = ("dem_seams", "surface", "relief", "terrain")
# A stage that grows with this power of the region or a higher one is named, if it took so long [s].
SUPERLINEAR, LONG_ENOUGH_S = 1.15, 0.5
SEED = 61
SHARED_GB = (2.0, 24.0)


class Measured(NamedTuple):
    """What a run took: by stage, seconds of its tasks and those of its own process."""

    cells: int
    stream_km: float
    tasks: dict
    task_seconds: dict
    own_seconds: dict
    all_seconds: float
    memory_mb: float
    results_bytes: dict


def slept(seconds, load):
    """A task of the simulated cluster: it takes its time, and answers with as much as it was given."""
    time.sleep(seconds)
    return {"load": load}


def measured(settings, side):
    """Run a region by one process, and read what its log and its account say."""
    log, store = settings.parent / "log.jsonl", settings.parent / "out" / ".sitefinder-store"
    seconds, memory_mb, _, _ = timed(settings, "--workers", "1", "--log", str(log))
    tasks, task_seconds, whole = {}, {}, {}
    for line in log.read_text(encoding="utf-8").splitlines():
        event = json.loads(line)
        if event.get("event") != "finished" or "seconds" not in event:
            continue
        stage = event["stage"]
        if "part" in event:
            tasks[stage] = tasks.get(stage, 0) + 1
            task_seconds.setdefault(stage, []).append(event["seconds"])
        else:
            whole[stage] = event["seconds"]
    own = {stage: max(taken - sum(task_seconds.get(stage, ())), 0.0) for stage, taken in whole.items()}
    said = sum(own.values()) + sum(map(sum, task_seconds.values()))
    own["between tasks: cutting, keeping, reading"] = max(seconds - said, 0.0)
    account = json.loads(sorted((store / "runs").glob("*.json"))[-1].read_text(encoding="utf-8"))
    sizes = {}
    for result in account["results"]:
        folder, stage = store / "results" / result["key"], result["place"].partition(":")[0]
        if folder.is_dir():
            sizes[stage] = sizes.get(stage, 0) + sum(path.stat().st_size for path in folder.iterdir())
    reaches = pyogrio.read_dataframe(
        settings.parent / "out" / "sites.gpkg", layer="reaches", columns=["length_m"], read_geometry=False
    )
    km = float(reaches["length_m"].sum()) / METRES_PER_KILOMETRE
    return Measured(side**2, km, tasks, task_seconds, own, seconds, memory_mb, sizes)


def scaled(small, large, values):
    """A figure of each stage for the nation: what is of no size, and what each cell or kilometre adds.

    Parameters
    ----------
    small, large : Measured
    values : callable
        Gives figures by stage from a `Measured`.
    """
    found, few, many = {}, values(small), values(large)
    for stage in many:
        first, size, nation = few.get(stage, 0.0), "stream_km", NATION_KM
        if stage in BY_CELLS:
            size, nation = "cells", NATION_CELLS
        sizes = getattr(small, size), getattr(large, size)
        slope = max(many[stage] - first, 0.0) / (sizes[1] - sizes[0])
        found[stage] = many[stage] + slope * (nation - sizes[1])
    return found


def growth(small, large, stage):
    """The power of the region's size with which a stage's time grew, and its seconds."""
    took = [sum(each.task_seconds.get(stage, ())) + each.own_seconds.get(stage, 0.0) for each in (small, large)]
    if min(took) < LONG_ENOUGH_S:
        return None
    return np.log(took[1] / took[0]) / np.log(large.stream_km / small.stream_km), took[1]


def simulated(folder, seconds, load_bytes, workers):
    """Seconds in which a cluster does sleeping tasks by the way of a run, and those that each took in it."""
    load = np.zeros(max(load_bytes // 8, 1))
    tasks = [(f"task {number}", {"seconds": each, "load": load}) for number, each in enumerate(seconds)]
    running, address = cluster_of(workers, folder)
    try:
        with Cluster(
            folder, containers.__name__, "sitefinder.io.software:software", workers=workers, scheduler=address
        ) as cluster:
            # Connected, and each worker has loaded what it needs.
            list(cluster.answers("nation:slept", {}, tasks[: 2 * workers], "warm"))
            began = time.perf_counter()
            taken = [answer.seconds for answer in cluster.answers("nation:slept", {}, tasks, "sleep")]
            wall = time.perf_counter() - began
            # Tasks of no time: all that remains is what handing them out takes.
            short = [(name, own | {"seconds": 0.0}) for name, own in tasks]
            began = time.perf_counter()
            handed = sum(1 for _ in cluster.answers("nation:slept", {}, short, "hand out"))
            return wall, sum(taken), (time.perf_counter() - began) / handed
    finally:
        for process in running:
            process.kill()
            process.wait()


def main():
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--cells", type=float, nargs=2, default=[4.0, 16.0], help="millions of cells")
    parser.add_argument("--workers", type=int, default=16, help="of the simulated cluster")
    parser.add_argument("--tasks", type=int, default=2000, help="that it does")
    options = parser.parse_args()
    with tempfile.TemporaryDirectory() as scratch:
        folder, runs = Path(scratch), []
        timed(write_region(folder / "small", 300, EQUATIONS))  # warms the caches
        block = block_of_streams(folder / "block")
        for number, millions in enumerate(options.cells):
            side = int(np.sqrt(millions * MILLION))
            settings = write_streamed(folder / str(number), side, block)
            # Tiles of the usual size.
            text = settings.read_text(encoding="utf-8")
            settings.write_text(text.replace("tile_rows = 512\ntile_columns = 512\n", ""), encoding="utf-8")
            runs.append(measured(settings, side))
        small, large = runs
        seconds = [each for taken in large.task_seconds.values() for each in taken]
        drawn = random.Random(SEED).choices(seconds, k=options.tasks)
        mean_bytes = sum(large.results_bytes.get(stage, 0) for stage in large.tasks) // max(len(seconds), 1)
        wall, slept_s, each_s = simulated(folder, drawn, mean_bytes, options.workers)
    printed(small, large, options, (wall, slept_s, each_s, mean_bytes))


def printed(small, large, options, of_cluster):
    """Print what was measured, the simulated cluster, and the nation."""
    print(f"{'measured':<44}{small.cells:>15,}{large.cells:>15,} cells")
    rows = (
        ("streams [km]", lambda each: f"{each.stream_km:,.0f}"),
        ("whole command, one process [s]", lambda each: f"{each.all_seconds:.1f}"),
        ("tasks", lambda each: f"{sum(each.tasks.values()):,}"),
        ("seconds of tasks", lambda each: f"{sum(map(sum, each.task_seconds.values())):.1f}"),
        ("seconds of the run's own process", lambda each: f"{sum(each.own_seconds.values()):.1f}"),
        ("memory of the run [MB]", lambda each: f"{each.memory_mb:.0f}"),
        ("results that are kept [MB]", lambda each: f"{sum(each.results_bytes.values()) / 1e6:.0f}"),
    )
    for name, figure in rows:
        print(f"{name:<44}{figure(small):>15}{figure(large):>15}")
    stages = {stage: growth(small, large, stage) for stage in {*large.task_seconds, *large.own_seconds}}
    steep = {stage: found for stage, found in stages.items() if found and found[0] >= SUPERLINEAR}
    for stage, (power, taken) in sorted(steep.items(), key=lambda each: -each[1][1]):
        print(f"  grows with the power {power:.2f} of the region: {stage} ({taken:.1f} s)")

    wall, slept_s, each_s, mean_bytes = of_cluster
    ideal = slept_s / options.workers
    print(
        f"\nsimulated cluster: {options.tasks:,} tasks of {mean_bytes / 1e3:.0f} kB, that sleep {slept_s:.1f} s "
        f"in all, took {options.workers} workers {wall:.1f} s\n"
        f"(at best {ideal:.1f} s); handing out one task: {each_s * 1e3:.1f} ms"
    )
    task_seconds = scaled(small, large, lambda each: {name: sum(s) for name, s in each.task_seconds.items()})
    own_seconds = scaled(small, large, lambda each: each.own_seconds)
    tasks = sum(scaled(small, large, lambda each: each.tasks).values())
    disk = sum(scaled(small, large, lambda each: each.results_bytes).values())
    shared, alone = sum(task_seconds.values()), sum(own_seconds.values())
    mb_per_km = (large.memory_mb - small.memory_mb) / (large.stream_km - small.stream_km)
    memory_gb = (large.memory_mb + mb_per_km * (NATION_KM - large.stream_km)) / 1e3
    print(f"\na nation of {NATION_CELLS / 1e9:.1f} billion cells and {NATION_KM / 1e6:.1f} million km of stream")
    print(f"  tasks: {tasks:,.0f}, {shared / SECONDS_PER_HOUR:,.1f} hours of them")
    print(f"  the run's own process: {alone / SECONDS_PER_HOUR:,.1f} hours, {memory_gb:,.0f} GB of memory")
    for stage in sorted(own_seconds, key=own_seconds.__getitem__, reverse=True)[:6]:
        print(f"    {stage}: {own_seconds[stage] / SECONDS_PER_HOUR:.2f} hours")
    print(f"  results that are kept: {disk / 1e12:.2f} TB")
    print(f"  {'workers':>8}{'hours':>9}{'times one':>11}  of these the run's own process")
    handing = each_s * tasks
    first = alone + shared
    for count in WORKERS:
        # Handing out goes on while tasks are done, as long as there are fewer workers than it can keep busy.
        taken = alone + (shared if count == 1 else max(shared / count, handing))
        print(f"  {count:>8}{taken / SECONDS_PER_HOUR:>9.1f}{first / taken:>11.1f}  {alone / taken:.0%}")
    print(f"  one process can keep {shared / handing:,.0f} workers busy")
    for limit_gb in SHARED_GB:
        km = (
            max((limit_gb * 1e3 - small.memory_mb) / mb_per_km + small.stream_km, 0.0) if mb_per_km > 0 else np.inf
        )
        parts = int(np.ceil(NATION_KM / km)) if km else 0
        print(f"  within {limit_gb:g} GB of memory: regions of at most {km:,.0f} km of stream, {parts:,} of them")


if __name__ == "__main__":
    sys.exit(main())
