"""Rivers whose true profile is known, and surveys of them with the errors that DEMs have."""

import numpy as np

from sitefinder.profile.errors import simulate_fit_errors
from sitefinder.profile.readings import reading_errors

SPACING_M = 10.0
# How fast the logarithm of the slope forgets itself [m], and its standard deviation.
SLOPE_ALIKE_M, SLOPE_SPREAD = 300.0, 0.6
STEP_M = (1.5, 5.0)
BRIDGE_M = (3.0, 8.0)
STATIONS_A_BRIDGE = 150
BANK_HIT_SHARE, BANK_HIT_M = 0.08, 1.0


def chain(rng, count, length_m):
    """A Markov chain of variance 1 whose correlation falls to 1/e over a length; white noise for length 0."""
    values = rng.standard_normal(count)
    if length_m > 0.0:
        rho = np.exp(-SPACING_M / length_m)
        for i in range(1, count):
            values[i] = rho * values[i - 1] + np.sqrt(1.0 - rho * rho) * values[i]
    return values


def made_river(rng, count):
    """True elevations of a river [m] and the first station below each of its steps.

    The mean slope is 1 to 5 per mille. Steps of 1.5 to 5 m stand 0.6 to 2 km apart; half of them are weirs, with
    a level pond as long as the slope makes it, half are falls.
    """
    slope = 10 ** rng.uniform(-3.0, -2.3) * np.exp(SLOPE_SPREAD * chain(rng, count, SLOPE_ALIKE_M) - 0.18)
    true_m = np.cumsum((slope * SPACING_M)[::-1])[::-1].copy()
    steps, place = [], int(rng.integers(40, 120))
    while place < count - 30:
        steps.append(place)
        place += int(rng.integers(60, 200))
    for place in steps:
        height_m = rng.uniform(*STEP_M)
        if rng.random() < 0.5:
            true_m[:place] += height_m
        else:
            true_m[:place] = np.maximum(true_m[:place], true_m[place] + height_m)
    return true_m, np.array(steps)


def surveyed(rng, true_m, rmse_m, length_m):
    """Raw elevations [m]: noise, banks hit instead of the water, bridges of one or two stations."""
    count = true_m.size
    raw_m = true_m + rmse_m * chain(rng, count, length_m)
    hit = rng.random(count) < BANK_HIT_SHARE
    raw_m[hit] += rng.exponential(BANK_HIT_M, hit.sum())
    for place in rng.integers(5, count - 5, count // STATIONS_A_BRIDGE):
        raw_m[place : place + rng.integers(1, 3)] += rng.uniform(*BRIDGE_M)
    return raw_m


def simulated_errors(fit, raw_m, downstream, step_m, rmse_m, length_m, simulations, seed):
    """Errors [m] of a profile fitted to elevations read on the line itself, as a run simulates them."""
    count = len(raw_m)
    readings = reading_errors(
        np.where(fit.is_spike, np.nan, raw_m),
        np.zeros(count),
        np.zeros(count, dtype=np.int64),
        downstream,
        step_m,
        fit.profile_m,
        fit.is_break,
        fit.rmse_m,
        np.full(count, length_m),
        0.0,
        SPACING_M,
    )
    known = np.ones(count, dtype=bool)
    return simulate_fit_errors(
        fit, known, downstream, step_m, rmse_m, length_m, simulations, seed, readings=readings
    )


def windows(count, steps, stations):
    """Upper ends of all windows of a length in stations, and which have no step within two stations of an end."""
    upper = np.arange(count - stations)
    near = np.zeros(count, dtype=bool)
    for place in steps:
        near[max(0, place - 3) : place + 3] = True
    return upper, ~near[upper] & ~near[upper + stations]
