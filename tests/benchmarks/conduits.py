"""Time of the ways of conduits beside that of listing the candidates, on the sample region laid side by side.

Run as ``python tests/benchmarks/conduits.py [candidates]``; a million by default. Copies of the region's
diversions are searched; the ground is that of one copy, since memory goes by the square and not by the region.
"""

import sys
import time
from pathlib import Path

import numpy as np
import pandas as pd

import sitefinder as sf
from sitefinder.siting.conduits import NO_ROUTE, Prices, find_conduits
from sitefinder.steps import candidates, conduits

SAMPLE = Path(__file__).resolve().parents[2] / "config" / "sample.toml"
MILLION = 1_000_000


def timed_run():
    """Seconds of the stage that lists candidates, their number, and the search for their conduits."""
    taken, kept = [], {}
    listed, found = candidates.list_stretches, conduits.find_ways

    def list_stretches(*given, **named):
        listed(*given, **named)  # compiled by then
        begun = time.process_time()
        result = listed(*given, **named)
        taken.append(time.process_time() - begun)
        return result

    def find_ways(settings, inputs, surface, stationing, heads, candidates):
        table = candidates.table[candidates.table["scheme_type"] == "diversion"]
        ((_, kept["search"]),) = conduits.searches(settings, inputs, surface, stationing, heads, table)
        kept["listed"] = len(candidates.table)
        return found(settings, inputs, surface, stationing, heads, candidates)

    candidates.list_stretches, conduits.find_ways = list_stretches, find_ways
    try:
        sf.run(SAMPLE)
    finally:
        candidates.list_stretches, conduits.find_ways = listed, found
    return taken[-1], kept["listed"], kept["search"]


def copies(search, count):
    """A search of at least a number of candidates: the river and its candidates repeatedly on the same ground."""
    number = -(-count // len(search.intake))
    stations, size = search.stations, len(search.stations)
    tables = []
    for copy in range(number):
        below = stations["downstream"].to_numpy()
        tables.append(stations.assign(downstream=np.where(below >= 0, below + copy * size, -1)))
    shift = np.repeat(np.arange(number) * size, len(search.intake))
    intake, tailrace = (np.tile(each, number) + shift for each in (search.intake, search.tailrace))
    prices = Prices(*(np.tile(each, number) for each in search.prices))
    return search._replace(
        stations=pd.concat(tables, ignore_index=True), intake=intake, tailrace=tailrace, prices=prices
    )


def main(count):
    """Print the times and their ratio."""
    listing_s, listed, search = timed_run()
    many = copies(search, count)
    begun = time.process_time()
    ways = find_conduits(*many)
    ways_s = time.process_time() - begun
    each_us, listing_us = 1e6 * ways_s / len(many.intake), 1e6 * listing_s / listed
    print(f"listing candidates   {listed:>9,} in {listing_s:7.2f} s of CPU: {listing_us:6.1f} µs each")
    print(f"conduits             {len(many.intake):>9,} in {ways_s:7.2f} s of CPU: {each_us:6.1f} µs each")
    print(f"intakes              {len(np.unique(many.intake)):>9,}")
    print(f"with a way           {(ways['route'] != NO_ROUTE).mean():9.1%}")
    print(f"conduits over listing, each: {each_us / listing_us:.2f} (goal: at most 1)")


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else MILLION)
