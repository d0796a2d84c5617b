"""How far the heads of chosen stretches are above the true ones, without and with shrinkage.

Run as ``python tests/benchmarks/chosen_heads.py [rivers]``.
"""

import sys
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parent))

from heads import SIMULATIONS, WINDOW_STATIONS, straight_river
from made_rivers import made_river, simulated_errors, surveyed

from sitefinder.profile.errors import head_standard_error
from sitefinder.profile.fitting import fit_long_profile
from sitefinder.profile.shrinkage import PLAIN, error_law, fit_prior, posterior

# The rough trial: heads of this median, lognormal with this spread (own choice), the best of them chosen.
HEADS, MEDIAN_M, VARIANCE_SHARES, BEST = 2000, 1.2, 0.7, 100
ERRORS_M = (0.15, 0.5, 1.0, 1.5)
TRIALS = 40
# A bias below this is of the size of the trials' own scatter [m].
NO_BIAS_M = 0.01
RIVERS, SITES_A_RIVER = 24, 3
CASES = [
    (0.15, 0.0),
    (0.15, 100.0),
    (0.5, 100.0),
    (1.0, 100.0),
    (1.5, 0.0),
    (1.5, 50.0),
    (1.5, 100.0),
    (1.5, 200.0),
]


def best_heads(head_m, count):
    """Numbers of the greatest heads."""
    return np.argsort(-head_m, kind="stable")[:count]


def best_apart(head_m, upper, count):
    """Numbers of the greatest heads of windows that do not overlap."""
    taken, chosen = np.zeros(int(upper.max()) + WINDOW_STATIONS + 1, dtype=bool), []
    for number in np.argsort(-head_m, kind="stable"):
        window = slice(upper[number], upper[number] + WINDOW_STATIONS)
        if not taken[window].any():
            taken[window] = True
            chosen.append(number)
            if len(chosen) == count:
                break
    return np.array(chosen)


def off(true_m, measured_m, se_m, law, pick):
    """Mean of claimed less true [m] of the heads chosen as measured, and as shrunk; ratios of claimed to true."""
    shrunk_m, _ = posterior(measured_m, se_m, fit_prior(measured_m, se_m, law))
    notes = []
    for claimed_m in (measured_m, shrunk_m):
        claimed, real = (heads_m[pick(claimed_m)].mean() for heads_m in (claimed_m, true_m))
        notes.append((claimed - real, claimed / real))
    return notes


def rough_trial(error_m, seed):
    """One rough trial, as `off` says."""
    rng = np.random.default_rng([seed, round(100 * error_m)])
    true_m = MEDIAN_M * np.exp(VARIANCE_SHARES * rng.standard_normal(HEADS))
    measured_m = true_m + error_m * rng.standard_normal(HEADS)
    return off(true_m, measured_m, np.full(HEADS, error_m), PLAIN, lambda head_m: best_heads(head_m, BEST))


def rivers_trial(rmse_m, length_m, rivers):
    """Heads over 500 m of made rivers, all taken as one region, as `off` says."""
    downstream, step_m = straight_river()
    count = len(downstream)
    upper = np.arange(count - WINDOW_STATIONS)
    lower = upper + WINDOW_STATIONS
    true_m, head_m, se_m, errors_m, places = [], [], [], [], []
    for seed in range(rivers):
        rng = np.random.default_rng([seed, round(100 * rmse_m), round(length_m)])
        river_m, _ = made_river(rng, count)
        raw_m = surveyed(rng, river_m, rmse_m, length_m)
        fit = fit_long_profile(raw_m, downstream, step_m, rmse_m, length_m)
        simulations_m = simulated_errors(fit, raw_m, downstream, step_m, rmse_m, length_m, SIMULATIONS, seed=1)
        true_m.append(river_m[upper] - river_m[lower])
        head_m.append(fit.profile_m[upper] - fit.profile_m[lower])
        se_m.append(head_standard_error(simulations_m, upper, lower))
        errors_m.append(simulations_m[upper] - simulations_m[lower])
        places.append(upper + seed * count)
    true_m, head_m, se_m, errors_m, places = map(np.concatenate, (true_m, head_m, se_m, errors_m, places))
    law = error_law(head_m, errors_m)
    return off(true_m, head_m, se_m, law, lambda claimed_m: best_apart(claimed_m, places, SITES_A_RIVER * rivers))


def left(plain_m, shrunk_m):
    """Share of the bias that is left, where there is one to speak of."""
    return f"{100 * shrunk_m / plain_m:3.0f} %" if abs(plain_m) >= NO_BIAS_M else "  –"


def main():
    """Print both tables."""
    numbers = [int(word) for word in sys.argv[1:] if word.isdigit()]
    rivers = numbers[0] if numbers else RIVERS
    print(f"rough trial: the best {BEST} of {HEADS} heads of median {MEDIAN_M} m, mean of {TRIALS} trials")
    print("  error m   claimed/true   claimed - true m   shrunk: claimed/true   claimed - true m   left")
    for error_m in ERRORS_M:
        plain, shrunk = np.mean([rough_trial(error_m, seed) for seed in range(TRIALS)], axis=0)
        print(
            f"  {error_m:7.2f}   {plain[1]:12.2f}   {plain[0]:16.3f}   {shrunk[1]:20.2f}   {shrunk[0]:16.3f}"
            f"   {left(plain[0], shrunk[0])}"
        )
    many = SITES_A_RIVER * rivers
    print(f"\nmade rivers: the best {many} windows of 500 m that do not overlap, of {rivers} rivers")
    print("  noise m   alike over m   claimed - true m   shrunk: claimed - true m   left")
    for rmse_m, length_m in CASES:
        plain, shrunk = rivers_trial(rmse_m, length_m, rivers)
        print(
            f"  {rmse_m:7.2f}   {length_m:12.0f}   {plain[0]:16.3f}   {shrunk[0]:24.3f}"
            f"   {left(plain[0], shrunk[0])}",
            flush=True,
        )


if __name__ == "__main__":
    main()
