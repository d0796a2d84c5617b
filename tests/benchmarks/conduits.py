"""Time of the ways of conduits beside that of listing the candidates, on the sample region laid side by side.

Run as ``python tests/benchmarks/conduits.py [candidates]``; a million by default. Copies of the region's
diversions that may pay are searched; the ground is that of one copy, since memory goes by the square and not by
the region. What finds those that may pay takes the place of their valuation, and is printed beside it.
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
TIMED = ("list_stretches", "value_best_case", "value_all")


def timed_run():
    """Seconds of the stages that list and value candidates, their number, and the search for their conduits."""
    seconds, kept = dict.fromkeys(TIMED, 0.0), {}
    whole = {name: getattr(candidates, name) for name in TIMED} | {"find_ways": conduits.find_ways}

    def timed(name):
        def run(*given, **named):
            whole[name](*given, **named)  # compiled by then
            begun = time.process_time()
            result = whole[name](*given, **named)
            seconds[name] += time.process_time() - begun
            return result

        return run

    def find_ways(settings, inputs, surface, stationing, heads, candidates, best_case, executor):
        table = candidates.table[best_case["may_pay"].to_numpy()]
        ((_, kept["search"]),) = conduits.searches(settings, inputs, surface, stationing, heads, table)
        kept["listed"] = len(candidates.table)
        return whole["find_ways"](settings, inputs, surface, stationing, heads, candidates, best_case)

    for name in TIMED:
        setattr(candidates, name, timed(name))
    conduits.find_ways = find_ways
    try:
        sf.run(SAMPLE)
    finally:
        for name in TIMED:
            setattr(candidates, name, whole[name])
        conduits.find_ways = whole["find_ways"]
    return seconds, kept["listed"], kept["search"]


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
    seconds, listed, search = timed_run()
    many = copies(search, count * len(search.intake) // listed)
    find_conduits(*search)
    begun = time.process_time()
    ways = find_conduits(*many).table
    ways_s = time.process_time() - begun
    each_us = {name: 1e6 * taken / listed for name, taken in seconds.items()}
    ways_us = 1e6 * ways_s * len(search.intake) / len(many.intake) / listed
    print(f"candidates listed                  {listed:>9,}: {each_us['list_stretches']:6.1f} µs each")
    print(f"valued at best and then with ways           : {each_us['value_best_case']:6.1f} µs each and", end=" ")
    print(f"{each_us['value_all']:.1f} µs")
    print(f"that may pay                       {len(search.intake):>9,}")
    print(f"conduits of those of {count:>13,} {len(many.intake):>9,} in {ways_s:.2f} s of CPU: ", end="")
    print(f"{ways_us:.1f} µs for each listed, {1e6 * ways_s / len(many.intake):.0f} µs for each that may pay")
    print(f"with a way                         {(ways['route'] != NO_ROUTE).mean():9.1%}")
    print(f"conduits over listing: {ways_us / each_us['list_stretches']:.2f} (goal: at most 1)")


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else MILLION)
