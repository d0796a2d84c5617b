"""Costs of conduits of the sample region over those of the cheapest ways over all cells by scipy.

Run as ``python tests/benchmarks/conduit_costs.py [diversions [seed]]``; 50 by default, taken at random from all.
"""

import sys
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "tools"))

from conduit_search import ratios_to_cheapest

import sitefinder as sf
from sitefinder.steps import conduits

SAMPLE = Path(__file__).resolve().parents[2] / "config" / "sample.toml"


def search_of_sample():
    """The search for the ways of all diversions of the sample region."""
    kept, whole = {}, conduits.find_ways

    def find_ways(settings, inputs, surface, stationing, heads, candidates, best_case, executor):
        table = candidates.table[candidates.table["scheme_type"] == "diversion"]
        ((_, kept["search"]),) = conduits.searches(settings, inputs, surface, stationing, heads, table)
        return whole(settings, inputs, surface, stationing, heads, candidates, best_case)

    conduits.find_ways = find_ways
    try:
        sf.run(SAMPLE)
    finally:
        conduits.find_ways = whole
    return kept["search"]


def main(count, seed):
    """Print how the ratios are spread."""
    ratio = ratios_to_cheapest(search_of_sample(), count, seed)
    print(f"cost over that of the cheapest way over all cells, {count} diversions, seed {seed}:")
    for name, share in (("minimum", 0.0), ("median", 0.5), ("90th percentile", 0.9), ("maximum", 1.0)):
        print(f"  {name:16} {np.quantile(ratio, share):.3f}")
    print(f"  from 0.95 to 1.1: {np.count_nonzero((ratio >= 0.95) & (ratio <= 1.1))} of {count}")


if __name__ == "__main__":
    main(*(int(each) for each in (sys.argv + ["50", "7"][len(sys.argv) - 1 :])[1:3]))
