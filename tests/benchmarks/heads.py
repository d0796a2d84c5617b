"""How good heads over 500 m are: ours beside four plain ways, on made rivers whose truth is known.

Run as ``python tests/benchmarks/heads.py [rivers]``.
"""

import sys
from pathlib import Path

import numpy as np
from scipy.optimize import isotonic_regression

sys.path.insert(0, str(Path(__file__).resolve().parent))

from made_rivers import made_river, simulated_errors, surveyed, windows

from sitefinder.profile.errors import head_standard_error
from sitefinder.profile.fitting import fit_long_profile

STATIONS, SPACING_M = 1500, 10.0
WINDOW_STATIONS = 50
RIVERS, SIMULATIONS = 12, 48
CASES = [(rmse_m, length_m) for rmse_m in (0.15, 1.5) for length_m in (0.0, 50.0, 100.0, 200.0)]
FALSE_HEAD_M = 3.0
NORMAL_90 = 1.645


def straight_river():
    """Stations of one river without tributaries: downstream neighbours and distances."""
    downstream = np.append(np.arange(1, STATIONS), -1).astype(np.int32)
    return downstream, np.append(np.full(STATIONS - 1, SPACING_M), 0.0)


def ways(raw_m, downstream, step_m, rmse_m, length_m):
    """The long profile [m] by each way, and our own fit whole."""
    ours = fit_long_profile(raw_m, downstream, step_m, rmse_m, length_m)
    profiles = {
        "raw end points": raw_m,
        "filled surface": np.maximum.accumulate(raw_m[::-1])[::-1],
        "running minimum": np.minimum.accumulate(raw_m),
        "plain isotonic": isotonic_regression(raw_m, increasing=False).x,
        "ours": ours.profile_m,
    }
    return profiles, ours


def judged(rmse_m, length_m, rivers, first_seed=0):
    """Errors of heads [m] and their standard errors by each way, over all rivers; and windows near no step."""
    downstream, step_m = straight_river()
    way_m = WINDOW_STATIONS * SPACING_M
    rho = np.exp(-way_m / length_m) if length_m else 0.0
    errors_m, standard_m, clear = {}, {}, []
    for seed in range(first_seed, first_seed + rivers):
        rng = np.random.default_rng([seed, round(100 * rmse_m), round(length_m)])
        true_m, steps = made_river(rng, STATIONS)
        raw_m = surveyed(rng, true_m, rmse_m, length_m)
        upper, far = windows(STATIONS, steps, WINDOW_STATIONS)
        lower = upper + WINDOW_STATIONS
        profiles, ours = ways(raw_m, downstream, step_m, rmse_m, length_m)
        simulations_m = simulated_errors(ours, raw_m, downstream, step_m, rmse_m, length_m, SIMULATIONS, seed=1)
        for name, profile_m in profiles.items():
            off_m = profile_m - true_m
            errors_m.setdefault(name, []).append(off_m[upper] - off_m[lower])
            two_points_m = np.full(len(upper), rmse_m * np.sqrt(2.0 * (1.0 - rho)))
            standard_m.setdefault(name, []).append(
                head_standard_error(simulations_m, upper, lower) if name == "ours" else two_points_m
            )
        clear.append(far)
    joined = [{name: np.concatenate(parts) for name, parts in part.items()} for part in (errors_m, standard_m)]
    return *joined, np.concatenate(clear)


def figures(error_m, standard_m, clear):
    """RMSE and 95th percentile [m], share of false heads, coverage and relative width of the 90 % interval."""
    off_m, half_m = error_m[clear], NORMAL_90 * standard_m[clear]
    spread_m = np.quantile(off_m, 0.95) - np.quantile(off_m, 0.05)
    return {
        "rmse_m": np.sqrt(np.mean(off_m**2)),
        "percentile_95_m": np.quantile(np.abs(off_m), 0.95),
        "false_share": np.mean(np.abs(off_m) > FALSE_HEAD_M),
        "coverage": np.mean(np.abs(off_m) <= half_m),
        "width": 2.0 * half_m.mean() / spread_m,
        "near_rmse_m": np.sqrt(np.mean(error_m[~clear] ** 2)),
    }


def print_profiles(rivers):
    """The table of ways and cases."""
    print("heads over 500 m, windows with no step within two stations of an end; 'near': those with one")
    print(f"interval of 90 %, width in that of one that knows the truth's spread; {rivers} rivers of 15 km a case")
    for rmse_m, length_m in CASES:
        rho = np.exp(-WINDOW_STATIONS * SPACING_M / length_m) if length_m else 0.0
        aim_m = 0.15 if (rmse_m, length_m) == (0.15, 0.0) else 1.1 * rmse_m * np.sqrt(2.0 * (1.0 - rho))
        kind = f"alike over {length_m:.0f} m" if length_m else "white"
        print(f"\nnoise {rmse_m:g} m, {kind}; aim: RMSE at most {aim_m:.2f} m")
        print("                   RMSE m   95 % m   false %   covers %   width   near: RMSE m")
        errors_m, standard_m, clear = judged(rmse_m, length_m, rivers)
        for name in errors_m:
            found = figures(errors_m[name], standard_m[name], clear)
            print(
                f"  {name:<16} {found['rmse_m']:7.3f}  {found['percentile_95_m']:7.2f}  "
                f"{100 * found['false_share']:8.2f}  {100 * found['coverage']:9.1f}  {found['width']:6.2f}  "
                f"{found['near_rmse_m']:13.3f}"
            )


def main():
    """Print what the command line asks for."""
    numbers = [int(word) for word in sys.argv[1:] if word.isdigit()]
    print_profiles(numbers[0] if numbers else RIVERS)


if __name__ == "__main__":
    main()
