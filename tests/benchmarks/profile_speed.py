"""How long a million stations take: the long profile, the fit that heads are from, beside a running minimum.

Run as ``python tests/benchmarks/profile_speed.py [stations]``.
"""

import sys
import time

import numpy as np

from sitefinder.profile.fitting import fit_long_profile
from sitefinder.profile.monotone import monotone_profile

STATIONS = 1_000_000
LINK_STATIONS = 100
STEP_M = 10.0
REPEATS = 3


def made_river(stations, noise_m, seed):
    """A random tree of links of a hundred stations, falling 5 m a kilometre, read with white noise."""
    rng = np.random.default_rng(seed)
    number = np.arange(stations)
    downstream = number + 1
    is_mouth = (number + 1) % LINK_STATIONS == 0
    # A link ends at the first station of one of the next twenty links.
    further = rng.integers(0, 20, is_mouth.sum()) * LINK_STATIONS
    downstream[is_mouth] += further
    downstream[downstream >= stations] = -1
    true_m = np.zeros(stations)
    for i in range(stations - 1, -1, -1):
        if downstream[i] >= 0:
            true_m[i] = true_m[downstream[i]] + 0.005 * STEP_M
    return true_m + rng.normal(0.0, noise_m, stations), downstream.astype(np.int32)


def best_seconds(task, *arguments):
    """Least time [s] of a few runs, after one that compiles."""
    task(*arguments)
    times = []
    for _ in range(REPEATS):
        begun = time.perf_counter()
        task(*arguments)
        times.append(time.perf_counter() - begun)
    return min(times)


def main():
    """Print one line for each amount of noise."""
    stations = int(sys.argv[1]) if len(sys.argv) > 1 else STATIONS
    print("noise [m]  running minimum [s]  profile [s]  ratio  stations a second  fitted profile [s]")
    for noise_m in (0.0, 0.15, 1.5, 10.0):
        elevation_m, downstream = made_river(stations, noise_m, seed=1)
        plain = best_seconds(np.minimum.accumulate, elevation_m)
        ours = best_seconds(monotone_profile, elevation_m, None, downstream)
        step_m = np.where(downstream >= 0, STEP_M, 0.0)
        long_profile = best_seconds(fit_long_profile, elevation_m, downstream, step_m, noise_m, 60.0)
        print(
            f"{noise_m:9.2f}  {plain:19.4f}  {ours:11.3f}  {ours / plain:5.0f}  {stations / ours:17,.0f}  "
            f"{long_profile:18.2f}"
        )


if __name__ == "__main__":
    main()
