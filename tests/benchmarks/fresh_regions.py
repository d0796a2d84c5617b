"""How often heads lie beyond two standard errors: small invented regions, each with terrain and survey of its own.

One table without the layer of weirs and falls, and one with their places, whose surveyed drops are not used.

Run as ``python tests/benchmarks/fresh_regions.py [regions] [cells]``.
"""

import sys
import tempfile
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parent))

from made_regions import heads_at_steps, heads_over, joined, small_region, survey

REGIONS, CELLS = 200, 240
WAYS_M = (50.0, 100.0, 500.0)
# Of normal errors 4.55 % lie beyond two standard errors.
BEYOND = 2.0
NORMAL_MAD = 1.4826


def surveyed_heads(seeds, cells, more_surveys=0, structures=(False,)):
    """Heads at steps and over each way, of a region for each seed, surveyed once and this number of times more.

    One dictionary for each item of ``structures``: whether the run knows where weirs and falls stand.
    """
    names = ("at steps", *(f"over {way_m:.0f} m" for way_m in WAYS_M))
    runs = [{name: [] for name in names} for _ in structures]
    with tempfile.TemporaryDirectory() as folder:
        for seed in seeds:
            place = Path(folder) / str(seed)
            surveys = survey(small_region(cells, seed), seed, place, more_surveys, structures)
            for kinds, found in ((kinds, each) for kinds, run in zip(runs, surveys, strict=True) for each in run):
                kinds["at steps"].append(heads_at_steps(found))
                for way_m in WAYS_M:
                    kinds[f"over {way_m:.0f} m"].append(heads_over(found, way_m))
    return runs


def figures(heads):
    """Share beyond two standard errors, median standard error, robust spread, RMSE and mean error [m]."""
    return {
        "heads": len(heads.off_m),
        "beyond": np.mean(np.abs(heads.off_m) > BEYOND * heads.se_m),
        "median_se_m": np.median(heads.se_m),
        "spread_m": NORMAL_MAD * np.median(np.abs(heads.off_m - np.median(heads.off_m))),
        "rmse_m": np.sqrt(np.mean(heads.off_m**2)),
        "bias_m": np.mean(heads.off_m),
    }


def print_line(name, heads):
    """One line of the table."""
    found = figures(heads)
    print(
        f"  {name:<24} {found['heads']:7d}  {100 * found['beyond']:8.1f}  {found['median_se_m']:12.3f}  "
        f"{found['spread_m']:8.3f}  {found['rmse_m']:6.3f}  {found['bias_m']:+7.3f}"
    )


def main():
    """Print what the command line asks for."""
    numbers = [int(word) for word in sys.argv[1:] if word.isdigit()]
    regions, cells = (numbers + [REGIONS, CELLS][len(numbers) :])[:2]
    runs = surveyed_heads(range(1, regions + 1), cells, structures=(False, True))
    print(
        f"{regions} fresh regions of {cells} × {cells} cells of 10 m; DEM error 0.15 m, partly alike over 60 m; "
        "aim: 3 to 8 %"
    )
    for kinds, notes in zip(runs, ("without weirs and falls", "with the places of weirs and falls"), strict=True):
        print(f"\n  {notes}\n{'heads':>33}  beyond %  median se m  spread m  rmse m   bias m")
        for name, parts in kinds.items():
            heads = joined(parts)
            print_line(name, heads)
            slope = heads.true_m / heads.way_m
            for minimum, maximum in ((-9.0, 0.003), (0.003, 0.01), (0.01, 0.03), (0.03, 9.0)):
                part = (slope >= minimum) & (slope < maximum)
                if part.sum() > 50:
                    some = type(heads)(*(column[part] for column in heads))
                    print_line(f"  slope {100 * minimum:g} to {100 * maximum:g} %", some)


if __name__ == "__main__":
    main()
