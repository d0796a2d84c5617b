"""Whole runs of made regions of several sizes: seconds by stage, memory by process, and how both grow with cells.

Run as ``python tests/benchmarks/scaling.py [--cells 4 25]`` (millions), alone on the machine; 100 and 400 take
hours. Each is the whole command with an empty store, from the DEM to the GeoPackage, page and sheets;
``--tables-alone`` leaves page, sheets and map out. ``--workers N`` goes to the command, which else chooses their
number itself. Memory is what any single process held at most [MB]; /proc says so, so that part needs Linux. Beside
it, what routing alone takes on the same ground, from memory to memory, by other libraries (``routing.py``);
``--no-routing`` leaves that out. ``--rerun`` runs each once more, with one more exclusion layer around every third
site.

``--streamed`` mirrors one block of ground, with the streams that are derived from it once, until there are enough
cells, and writes DEM and streams block by block: no process holds all of it, and the run derives no network.
Without it the ground is made as a whole, and the run derives its streams.
"""

import argparse
import contextlib
import ctypes
import os
import resource
import sys
import tempfile
from pathlib import Path

import geopandas
import numpy as np
import pyogrio
import rasterio
import shapely
from made_regions import EQUATIONS
from rasterio.windows import Window
from reruns import RULE, circles
from routing import of_ways, rough_ground
from workers import CELL_M, timed, write_region

MILLION = 1_000_000
# Of Linux's prctl: processes below this one whose own parent has ended become its children.
BECOME_SUBREAPER = 36
# Cells along the side of the block that is mirrored.
BLOCK_CELLS = 2000
# Ways of `routing.WAYS` that other libraries have.
LIBRARIES = ("whitebox engine", "pyflwdir, areas")
OWN_ROUTING = "flood"
# A way that takes longer is given up [s]; a larger DEM is not routed, since these hold it whole.
MAX_SECONDS, MAX_ROUTED_CELLS = 600, 100 * MILLION
STAGES_SHOWN = 16
STREAMS = """
[inputs.streams]
path = "streams.gpkg"
id_column = "stream_id"
"""


def derived_lines(folder):
    """Streams of a run that derived them: the lines of its reaches, joined by their streams."""
    reaches = pyogrio.read_dataframe(folder / "out" / "sites.gpkg", layer="reaches")
    return shapely.line_merge(reaches.dissolve("stream").geometry.to_numpy()), reaches.crs


def block_of_streams(folder):
    """The block's streams as simple lines, with its side [m], west and north edge [m]."""
    settings = write_region(folder, BLOCK_CELLS, EQUATIONS)
    timed(settings)
    lines, crs = derived_lines(folder)
    with rasterio.open(folder / "dem.tif") as dem:
        west_m, north_m = dem.bounds.left, dem.bounds.top
    return shapely.get_parts(lines), crs, BLOCK_CELLS * CELL_M, west_m, north_m


def mirrored(lines, row, column, side_m, west_m, north_m):
    """The block's lines in the block of a row and column, each mirrored against its neighbours."""

    def moved(places):
        x, y = places[:, 0] - west_m, north_m - places[:, 1]
        x, y = (side_m - x if column % 2 else x), (side_m - y if row % 2 else y)
        return np.column_stack([west_m + column * side_m + x, north_m - row * side_m - y])

    return shapely.transform(lines, moved)


def write_streamed(folder, side, block):
    """Write a region of mirrored blocks; gives its settings file."""
    settings = write_region(folder, 2, EQUATIONS)
    lines, crs, side_m, west_m, north_m = block
    ground_m, count = rough_ground(BLOCK_CELLS), -(-side // BLOCK_CELLS)
    with rasterio.open(folder / "dem.tif") as small:
        profile = small.profile | {"height": side, "width": side, "blockxsize": 512, "blockysize": 512}
    with rasterio.open(folder / "dem.tif", "w", **profile | {"tiled": True, "BIGTIFF": "YES"}) as dem:
        for row in range(count):
            for column in range(count):
                part = ground_m[:: -1 if row % 2 else 1, :: -1 if column % 2 else 1]
                high, wide = (min(BLOCK_CELLS, side - each * BLOCK_CELLS) for each in (row, column))
                window = Window(column * BLOCK_CELLS, row * BLOCK_CELLS, wide, high)
                dem.write(np.ascontiguousarray(part[:high, :wide]), 1, window=window)
                own = mirrored(lines, row, column, side_m, west_m, north_m)
                ids = [f"R{row}C{column}N{number}" for number in range(len(own))]
                frame = geopandas.GeoDataFrame({"stream_id": ids}, geometry=own, crs=crs)
                pyogrio.write_dataframe(
                    frame, folder / "streams.gpkg", layer="streams", append=bool(row or column)
                )
    text = settings.read_text(encoding="utf-8")
    settings.write_text(text.replace("\n[network]", f"{STREAMS}\n[network]"), encoding="utf-8")
    return settings


# User CPU seconds of all processes below this one, which are waited for: workers are forks of a process that
# outlives the run by a moment.
def user_seconds():
    with contextlib.suppress(ChildProcessError):
        while True:
            os.waitpid(-1, 0)
    return resource.getrusage(resource.RUSAGE_CHILDREN).ru_utime


def measured(settings, options, is_routed, side):
    """What a whole run takes, and routing alone on the same ground."""
    text = settings.read_text(encoding="utf-8")
    # Tiles of the usual size, whatever their number.
    text = text.replace("tile_rows = 512\ntile_columns = 512\n", "")
    text = text if options.tables_alone else text[: text.index("[delivery]")]
    settings.write_text(text, encoding="utf-8")
    before = user_seconds()
    workers = () if options.workers is None else ("--workers", str(options.workers))
    seconds, run_mb, worker_mb, by_stage = timed(settings, *workers)
    user = user_seconds() - before
    again = rerun(settings, *workers) if options.rerun else float("nan")
    routed = of_ways(side, (OWN_ROUTING, *LIBRARIES), MAX_SECONDS) if is_routed else {}
    return {"seconds": seconds, "user": user, "run": run_mb, "worker": worker_mb, "stages": by_stage} | {
        "again": again,
        "routed": {name: each["seconds"] for name, each in routed.items()},
    }


def rerun(settings, *workers):
    """Seconds of the whole command after one more exclusion layer."""
    layer = circles(settings.parent / "out" / "sites.gpkg", settings.parent)
    text = settings.read_text(encoding="utf-8")
    settings.write_text(text + RULE.format(path=layer.as_posix()), encoding="utf-8")
    return timed(settings, *workers)[0]


def main():
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--cells", type=float, nargs="+", default=[4.0], help="millions of cells")
    parser.add_argument("--streamed", action="store_true")
    parser.add_argument("--tables-alone", action="store_true")
    parser.add_argument("--no-routing", action="store_true")
    parser.add_argument("--rerun", action="store_true")
    parser.add_argument("--workers", type=int)
    options = parser.parse_args()
    if sys.platform == "linux":
        ctypes.CDLL(None).prctl(BECOME_SUBREAPER, 1)
    found = {}
    with tempfile.TemporaryDirectory() as scratch:
        folder = Path(scratch)
        timed(write_region(folder / "small", 300, EQUATIONS))  # warms the caches
        block = block_of_streams(folder / "block") if options.streamed else None
        for number, millions in enumerate(options.cells):
            side = int(np.sqrt(millions * MILLION))
            own = folder / str(number)
            settings = write_streamed(own, side, block) if block else write_region(own, side, EQUATIONS)
            is_routed = not (options.no_routing or options.streamed) and side**2 <= MAX_ROUTED_CELLS
            found[side**2] = measured(settings, options, is_routed, side)
    printed(found)


def printed(found):
    """Print a column for each size."""

    def line(name, values):
        print(f"{name:<34}" + "".join(f"{value:>14}" for value in values))

    every = list(found.values())
    line("cells", [f"{cells:,}" for cells in found])
    line("whole command [s]", [f"{each['seconds']:.1f}" for each in every])
    line("user CPU [s]", [f"{each['user']:.1f}" for each in every])
    line("times the first size", [f"{each['seconds'] / every[0]['seconds']:.2f}" for each in every])
    if not all(np.isnan(each["again"]) for each in every):
        line("one more exclusion layer [s]", [f"{each['again']:.1f}" for each in every])
        line("  of the first run", [f"{each['again'] / each['seconds']:.1%}" for each in every])
    line("memory of the run [MB]", [f"{each['run']:.0f}" for each in every])
    line("most of any other process [MB]", [f"{each['worker']:.0f}" for each in every])
    for way in (OWN_ROUTING, *LIBRARIES):
        if any(way in each["routed"] for each in every):
            seconds = [each["routed"].get(way, float("nan")) for each in every]
            line(f"{way}, routing alone [s]", [f"{value:.2f}" for value in seconds])
    if any(way in each["routed"] for each in every for way in LIBRARIES):
        fastest = [min(each["routed"].get(way, float("inf")) for way in LIBRARIES) for each in every]
        ratios = [f"{each['seconds'] / least:.1f}" for each, least in zip(every, fastest, strict=True)]
        line("times the fastest library", ratios)
    last = every[-1]["stages"]
    for name in sorted(last, key=last.__getitem__, reverse=True)[:STAGES_SHOWN]:
        line(f"  {name} [s]", [f"{each['stages'].get(name, 0.0):.2f}" for each in every])


if __name__ == "__main__":
    sys.exit(main())
