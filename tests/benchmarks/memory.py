"""What check and plan say that a run needs of memory and disk, beside what it took: made regions of several sizes.

Run as ``python tests/benchmarks/memory.py [--regions 1000:1 2000:0.3 3000:1]``: cells along a side and the area at
which a stream starts [km²]. Each is a whole run with an empty store, one process, no page and no sheets. Memory is
the most that the process held, as the system counts it. Ends with status 1 where a run took more than was said.

The costs in ``sitefinder/steps/demand.py`` were chosen from regions of 500:1, 1000:1, 1000:0.25 and 25 and 100
million cells at 1; the others are there to judge them.
"""

import argparse
import json
import subprocess
import sys
import tempfile
from pathlib import Path

from made_regions import EQUATIONS
from workers import environment, write_region

from sitefinder.preparation import STORE, read_run
from sitefinder.steps.demand import demand_of

REGIONS = ("1000:1", "2000:0.3", "2000:4", "3000:1")


def measured(settings):
    """Peak memory and size of the store of a whole run [MB]."""
    command = [sys.executable, "-m", "sitefinder", "run", str(settings), "--quiet", "--workers", "1"]
    subprocess.run(command, env=environment(), stdout=subprocess.DEVNULL, check=True)
    store = settings.parent / "out" / STORE
    (account,) = (store / "runs").glob("*.json")
    size = sum(path.stat().st_size for path in store.rglob("*") if path.is_file())
    return json.loads(account.read_text(encoding="utf-8"))["peak_memory_mb"], size / 1e6


def main():
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--regions", nargs="+", default=REGIONS)
    options = parser.parse_args()
    print(
        f"{'cells':>12}{'threshold':>11}{'stations':>10}{'memory [MB]: said':>19}{'took':>7}{'ratio':>7}", end=""
    )
    print(f"{'disk [MB]: said':>17}{'took':>7}{'ratio':>7}")
    exceeded = False
    with tempfile.TemporaryDirectory() as scratch:
        for region in options.regions:
            side, threshold_km2 = region.split(":")
            settings = write_region(Path(scratch) / region.replace(":", "-"), int(side), EQUATIONS)
            text = settings.read_text(encoding="utf-8")
            settings.write_text(
                text.replace("derive_threshold_km2 = 1.0", f"derive_threshold_km2 = {threshold_km2}"),
                encoding="utf-8",
            )
            stated, inputs = read_run(settings)
            demand = demand_of(stated, inputs.counts)
            memory_mb, disk_mb = measured(settings)
            exceeded |= memory_mb > demand.total_mb(1) or disk_mb > demand.disk_mb
            said_mb = demand.total_mb(1)
            print(f"{demand.cells:12,}{threshold_km2:>11}{demand.stations:10,}{said_mb:19.0f}", end="")
            print(f"{memory_mb:7.0f}{said_mb / memory_mb:7.2f}{demand.disk_mb:17.0f}{disk_mb:7.0f}", end="")
            print(f"{demand.disk_mb / disk_mb:7.2f}", flush=True)
    return 1 if exceeded else 0


if __name__ == "__main__":
    sys.exit(main())
