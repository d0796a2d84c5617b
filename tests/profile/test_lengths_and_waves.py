"""Heads and errors over another length: in proportion to it, and as noise of long waves."""

import numpy as np
import pytest

from sitefinder.profile.errors import head_standard_error, simulate_profile_errors
from sitefinder.profile.fitting import _as_white, fit_long_profile
from sitefinder.profile.shrinkage import fit_prior, head_priors

COUNT, SLOPE = 600, 0.01
DOWNSTREAM = np.append(np.arange(1, COUNT), -1).astype(np.int32)


def test_heads_of_each_length_are_those_of_the_next_longer_stretch_in_proportion_to_the_length():
    # Stations 15 m apart on an even slope with errors of 2 cm, alike nowhere: what is asked over 22.5 m is
    # measured over 30 m, and three quarters of the head and of its error are that of 22.5 m.
    step_m = np.append(np.full(COUNT - 1, 15.0), 0.0)
    segment_m = np.append(0.0, np.full(COUNT - 1, 15.0))
    profile_m = 500.0 - SLOPE * 15.0 * np.arange(COUNT)
    errors_m = np.random.default_rng(3).normal(0.0, 0.02, (COUNT, 400)).astype(np.float32)

    found = head_priors(profile_m, errors_m, DOWNSTREAM, step_m, segment_m, np.zeros(COUNT, dtype=bool), 100.0)

    assert found.length_m == pytest.approx([15.0, 22.5, 33.75, 50.625, 75.9375, 100.0])
    for length_m, measured_m, prior in zip(found.length_m, (15, 30, 45, 60, 90, 105), found.priors, strict=True):
        middle_m = 0.5 * (prior.edges_m[:-1] + prior.edges_m[1:])
        assert prior.mass @ middle_m == pytest.approx(SLOPE * length_m, rel=0.15)
        assert prior.law.at_m == pytest.approx(SLOPE * length_m)
        # Two independent ends.
        assert prior.law.spread_m == pytest.approx(0.02 * 2**0.5 * length_m / measured_m, rel=0.02)
        # The same prior as of heads that were measured over the very length, with errors as much less.
        upper = np.arange(COUNT - measured_m // 15)
        error_m = head_standard_error(errors_m, upper, upper + measured_m // 15) * length_m / measured_m
        alone = fit_prior(np.full(len(upper), SLOPE * length_m), error_m, prior.law)
        assert prior.edges_m == pytest.approx(alone.edges_m)
        assert prior.mass == pytest.approx(alone.mass, abs=1e-4)


def test_errors_that_reach_further_are_as_white_noise_of_more_power():
    # A Markov chain of correlation r from step to step has (1 + r) / (1 − r) times the power of white noise at
    # long waves, and none more than white noise without correlation.
    step_m = np.append(np.full(9, 20.0), 0.0)
    main = np.append(-1, np.arange(9)).astype(np.int32)
    downstream = np.append(np.arange(1, 10), -1).astype(np.int32)

    for length_m in (0.0, 20.0, 90.0):
        r = np.exp(-20.0 / length_m) if length_m else 0.0
        expected = np.full(10, (1.0 + r) / (1.0 - r))
        assert _as_white(main, downstream, step_m, np.full(10, length_m)) == pytest.approx(expected)
    # By a long chain: the variance of the mean of many stations over that of white noise.
    rng, r, chain = np.random.default_rng(4), 0.6, np.zeros((400, 2000))
    for place in range(1, 2000):
        chain[:, place] = r * chain[:, place - 1] + np.sqrt(1.0 - r * r) * rng.normal(size=400)
    length_m = -20.0 / np.log(r)
    power = chain[:, 100:].mean(axis=1).var() * 1900
    assert power == pytest.approx(_as_white(main, downstream, step_m, np.full(10, length_m))[0], rel=0.25)


def test_a_survey_is_smoothed_over_more_of_the_stream_the_further_its_errors_are_said_to_reach():
    # Errors that do reach 60 m, so that none of them looks like a spike or a step to any of the fits.
    step_m = np.append(np.full(COUNT - 1, 10.0), 0.0)
    r, bends = np.exp(-10.0 / 60.0), {0.0: 0.0, 20.0: 0.0, 60.0: 0.0}
    for seed in range(6):
        rng, noise_m = np.random.default_rng(seed), np.zeros(COUNT)
        for place in range(1, COUNT):
            noise_m[place] = r * noise_m[place - 1] + np.sqrt(1.0 - r * r) * rng.normal(0.0, 0.4)
        raw_m = 500.0 - 0.2 * np.arange(COUNT) + noise_m
        for length_m in bends:
            found = fit_long_profile(raw_m, DOWNSTREAM, step_m, 0.4, length_m)
            bends[length_m] += float(np.median(np.abs(np.diff(found.profile_m, 2))))

    assert bends[0.0] > 1.3 * bends[20.0]
    assert bends[20.0] > 1.3 * bends[60.0]


def test_one_simulation_is_enough_and_the_first_of_a_seed_is_the_first_of_many():
    step_m = np.append(np.full(COUNT - 1, 10.0), 0.0)
    profile_m = 500.0 - 0.2 * np.arange(COUNT)
    arguments = profile_m, DOWNSTREAM, step_m, 0.4, 50.0

    one = simulate_profile_errors(*arguments, 1, seed=7)
    many = simulate_profile_errors(*arguments, 3, seed=7)
    later = simulate_profile_errors(*arguments, 1, seed=7, first_draw=2)

    assert one.tolist() == many[:, :1].tolist()
    assert later.tolist() == many[:, 2:].tolist()
    for wrong in ({"simulations": 0}, {"simulations": 1, "first_draw": -1}):
        with pytest.raises(ValueError, match="simulations must be at least 1 and first_draw 0"):
            simulate_profile_errors(*arguments, **({"seed": 7} | wrong))
