"""Speed and memory of the flood on four million cells, beside a reference library in the same run.

Run as ``python tests/benchmarks/flood_speed.py [cells on a side]``. The reference, pyflwdir's
``fill_depressions``, fills hollows and gives directions but no labels. Each is timed three times in processor
seconds; the best counts. Memory is read from /proc, so that part needs Linux.
"""

import resource
import subprocess
import sys
import time
from pathlib import Path

import numpy as np
import pyflwdir

from sitefinder.terrain.flood import NO_SEED, flood

CLOSED = (False, False, False, False)
# Large enough that the flood's own memory stands well above what loading and compiling took before.
MEMORY_SIDE = 5000


# Ground of valleys and hollows at all scales [m].
def rough_ground(size):
    generator = np.random.default_rng(1)
    frequency = np.hypot(np.fft.fftfreq(size)[:, None], np.fft.rfftfreq(size)[None, :])
    frequency[0, 0] = np.inf
    height = np.fft.irfft2(np.fft.rfft2(generator.standard_normal((size, size))) * frequency**-1.9, s=(size, size))
    return ((height - height.min()) / np.ptp(height) * 500).astype(np.float32)


# Stream cells where the reference's directions gather a thousand cells, each a station of its own.
def gathered_streams(ground_m):
    _, directions = pyflwdir.dem.fill_depressions(ground_m, outlets="edge")
    is_stream = pyflwdir.from_array(directions).upstream_area("cell") > 1000
    seed = np.full(ground_m.shape, NO_SEED, dtype=np.int32)
    seed[is_stream] = np.arange(np.count_nonzero(is_stream))
    return seed


# Best of three runs [s of processor time].
def best_time_s(run):
    times = []
    for _ in range(3):
        begin = time.process_time()
        run()
        times.append(time.process_time() - begin)
    return min(times)


# Bytes a cell by which the flood raises the peak memory of a process of its own, its answer included.
def peak_bytes_a_cell(size, kind):
    told = subprocess.run([sys.executable, __file__, str(size), kind], capture_output=True, text=True, check=True)
    return float(told.stdout)


# Prints that figure; the process has compiled and loaded everything on a small grid before it counts.
def print_peak(size, kind):
    ground_m = np.random.default_rng(1).random((size, size), dtype=np.float32)
    if kind == "flat":
        ground_m[1:-1, 1:-1] = 0.0
    valid = np.ones(ground_m.shape, dtype=bool)
    seed = np.full(ground_m.shape, NO_SEED, dtype=np.int32)
    small = np.s_[:50, :50]
    flood(ground_m[small].copy(), valid[small], seed[small], CLOSED, 10.0, 10.0)
    before = int(Path("/proc/self/statm").read_text().split()[1]) * resource.getpagesize()
    flood(ground_m, valid, seed, CLOSED, 10.0, 10.0)
    print((resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * 1024 - before) / ground_m.size)


def main(size):
    ground_m = rough_ground(size)
    valid = np.ones(ground_m.shape, dtype=bool)
    no_streams = np.full(ground_m.shape, NO_SEED, dtype=np.int32)
    streams = gathered_streams(ground_m)
    runs = {
        "flood, no streams": lambda: flood(ground_m, valid, no_streams, CLOSED, 10.0, 10.0),
        "flood, streams": lambda: flood(ground_m, valid, streams, CLOSED, 10.0, 10.0),
        "pyflwdir fill_depressions": lambda: pyflwdir.dem.fill_depressions(ground_m, outlets="edge"),
    }
    speeds = {name: ground_m.size / best_time_s(run) / 1e6 for name, run in runs.items()}
    print(f"{size} × {size} cells")
    for name, speed in speeds.items():
        ratio = speed / speeds["pyflwdir fill_depressions"]
        print(f"  {name:<26} {speed:6.2f} million cells/s   {ratio:5.2f} × the reference")
    for kind in ("rough", "flat"):
        peak = peak_bytes_a_cell(MEMORY_SIDE, kind)
        print(f"  peak memory, {kind:<13} {peak:6.1f} bytes a cell beside the input ({MEMORY_SIDE}²)")


if __name__ == "__main__":
    side = int(sys.argv[1]) if len(sys.argv) > 1 else 2000
    if len(sys.argv) > 2:
        print_peak(side, sys.argv[2])
    else:
        main(side)
