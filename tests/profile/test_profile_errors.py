"""Simulated errors of the long profile: the noise is what was asked for, and the fit makes it smaller."""

import math

import numpy as np
import pytest

from sitefinder.profile.errors import (
    ROUGHNESS,
    head_standard_error,
    rmse_from_le90,
    rmse_from_le95,
    simulate_profile_errors,
)
from sitefinder.profile.fitting import of_stations

#  Two tributaries of three stations join at station 6:  0 → 1 → 2 → 6 ← 5 ← 4 ← 3, then 6 → 7 → 8.
TREE = np.array([1, 2, 6, 4, 5, 6, 7, 8, -1], dtype=np.int32)
STEP_M = np.array([30.0, 20.0, 10.0, 40.0, 15.0, 5.0, 25.0, 35.0, 0.0])
# Falls of a kilometre a station: no noise of a metre ever makes the fit move, so that errors are the noise.
STEEP_M = np.array([5.0, 4.0, 3.0, 5.0, 4.0, 3.0, 2.0, 1.0, 0.0]) * 1000.0
DRAWS = 20_000


# Draws of a small network by a single call: a hundred of it beside each other, which share nothing, are a hundred
# draws in each simulation. Gives the errors [m] of shape (stations, draws).
def drawn_errors_m(profile_m, downstream, step_m, rmse_m, length_m, seed):
    copies, count = 100, len(profile_m)
    below = np.tile(downstream, (copies, 1))
    below = np.where(below >= 0, below + count * np.arange(copies, dtype=np.int32)[:, None], -1).ravel()
    profile_m, step_m, rmse_m, length_m = (
        np.tile(np.broadcast_to(each, count), copies) for each in (profile_m, step_m, rmse_m, length_m)
    )
    errors_m = simulate_profile_errors(
        profile_m, below.astype(np.int32), step_m, rmse_m, length_m, DRAWS // copies, seed
    )
    return errors_m.reshape(copies, count, -1).swapaxes(0, 1).reshape(count, -1)


# The standard error of a difference of two numbers whose errors are correlated, as any textbook has it.
def drop_se_m(upper_m, lower_m, correlation):
    return np.sqrt(upper_m**2 + lower_m**2 - 2 * np.asarray(correlation) * upper_m * lower_m)


def operation_between(a, b):
    """Distance along the streams [m], by following both down to the first station in common."""

    def path_down(station):
        away_m, met = 0.0, {}
        while station >= 0:
            met[station] = away_m
            away_m += STEP_M[station]
            station = int(TREE[station])
        return met

    from_a, from_b = path_down(a), path_down(b)
    return min(from_a[station] + from_b[station] for station in from_a if station in from_b)


def test_errors_correlate_by_the_distance_along_the_streams_and_through_the_confluence():
    errors_m = drawn_errors_m(STEEP_M, TREE, STEP_M, 1.5, 60.0, seed=11)

    wanted = [[1.5**2 * math.exp(-operation_between(a, b) / 60.0) for b in range(9)] for a in range(9)]
    found = errors_m.astype(float) @ errors_m.T / DRAWS
    # A mean product of normals has a standard deviation of at most sqrt(2 / DRAWS) variances; 5 of them.
    assert found == pytest.approx(np.array(wanted), abs=5 * math.sqrt(2.0 / DRAWS) * 1.5**2)
    assert np.abs(errors_m.mean(axis=1)).max() < 5 * 1.5 / math.sqrt(DRAWS)


def test_head_error_of_an_unmoved_fit_is_that_of_two_correlated_end_points():
    rmse_m = np.linspace(0.5, 2.0, 9)
    errors_m = drawn_errors_m(STEEP_M, TREE, STEP_M, rmse_m, 80.0, seed=3)
    upper, lower = np.array([0, 0, 3, 7]), np.array([1, 7, 8, 8])

    head_se_m = head_standard_error(errors_m, upper, lower)

    correlation = [math.exp(-operation_between(a, b) / 80.0) for a, b in zip(upper, lower, strict=True)]
    expected = drop_se_m(rmse_m[upper], rmse_m[lower], correlation)
    # The relative standard error of a standard deviation is 1 / sqrt(2 draws).
    assert head_se_m == pytest.approx(expected, rel=5 / math.sqrt(2 * DRAWS))


def test_where_correlation_lengths_meet_half_of_the_distance_counts_with_each():
    downstream, step_m = np.array([1, 2, 3, -1], dtype=np.int32), np.array([30.0, 40.0, 50.0, 0.0])
    length_m = np.array([20.0, 20.0, 200.0, 200.0])
    steep_m = [9e3, 6e3, 3e3, 0.0]

    errors_m = drawn_errors_m(steep_m, downstream, step_m, 1.0, length_m, seed=5).astype(float)
    apart_m = drawn_errors_m(steep_m, downstream, step_m, 1.0, length_m * [1, 1, 0, 0], seed=5)

    # The ways over the lengths add up: 30/20, 20/20 + 20/200, 50/200.
    wanted = np.exp(-np.array([1.5, 1.1, 0.25]))
    found = (errors_m[:-1] * errors_m[1:]).mean(axis=1)
    assert found == pytest.approx(wanted, abs=5 * math.sqrt(2.0 / DRAWS))
    assert abs(np.corrcoef(apart_m[1], apart_m[2])[0, 1]) < 5 / math.sqrt(DRAWS)


def test_no_correlation_length_gives_independent_errors_but_one_error_at_one_place():
    step_m = np.array([10.0, 0.0, 0.0])
    downstream = np.array([1, 2, -1], dtype=np.int32)

    errors_m = simulate_profile_errors([9e3, 5e3, 0.0], downstream, step_m, 1.0, 0.0, 4000, seed=1)

    # Thousands of metres in float64, so the last digits of a metre are rounding.
    assert errors_m[1] == pytest.approx(errors_m[2], abs=1e-9)
    assert abs(np.corrcoef(errors_m[0], errors_m[1])[0, 1]) < 5 / math.sqrt(4000)


def test_an_endless_correlation_length_lifts_all_alike():
    errors_m = simulate_profile_errors(STEEP_M, TREE, STEP_M, 2.0, math.inf, 8, seed=2)

    assert errors_m == pytest.approx(np.tile(errors_m[8], (9, 1)), abs=1e-9)
    assert head_standard_error(errors_m, np.array([0]), np.array([8])) == pytest.approx(0.0, abs=1e-9)


def test_fitting_makes_white_errors_of_a_gentle_stream_smaller():
    count = 200
    downstream = np.append(np.arange(1, count), -1).astype(np.int32)
    step_m = np.append(np.full(count - 1, 10.0), 0.0)
    gentle_m = np.linspace(1.0, 0.0, count)

    errors_m = simulate_profile_errors(gentle_m, downstream, step_m, 0.5, 0.0, 200, seed=4)

    head_se_m = head_standard_error(errors_m, np.array([150]), np.array([50]))
    assert head_se_m[0] < 0.5 * drop_se_m(0.5, 0.5, 0.0)
    refitted_m = gentle_m[:, None] + errors_m.astype(float)
    # float32 of errors below a few metres is good to a few parts in ten million.
    assert np.all(np.diff(refitted_m, axis=0) < 1e-6)


def test_without_noise_there_is_no_error():
    errors_m = simulate_profile_errors(STEEP_M, TREE, STEP_M, 0.0, 50.0, 3, seed=1)

    assert not errors_m.any()


def test_a_simulation_is_the_same_whichever_others_are_asked_for():
    gentle_m = STEEP_M / 4000.0

    whole = simulate_profile_errors(gentle_m, TREE, STEP_M, 1.0, 60.0, 40, seed=9)
    part = simulate_profile_errors(gentle_m, TREE, STEP_M, 1.0, 60.0, 7, seed=9, first_draw=20)
    other_seed = simulate_profile_errors(gentle_m, TREE, STEP_M, 1.0, 60.0, 40, seed=10)

    assert whole.dtype == np.float32
    assert np.array_equal(part, whole[:, 20:27])
    assert not np.any(other_seed == whole)
    assert len(np.unique(whole[0])) == 40


def test_stations_without_elevation_have_no_error_and_gaps_share_their_neighbours():
    profile_m = STEEP_M.copy()
    profile_m[3] = np.nan
    weight = np.array([1.0, 0.0, 1.0, 1.0, 1.0, 1.0, 1.0, 1.0, 1.0])
    profile_m[1] = profile_m[2] + (profile_m[0] - profile_m[2]) * STEP_M[1] / (STEP_M[0] + STEP_M[1])

    errors_m = simulate_profile_errors(profile_m, TREE, STEP_M, 1.0, 60.0, 5, seed=1, weight=weight)

    # Station 3 is a headwater without elevation, level with station 4 in the refit, but of no known error.
    assert np.isnan(errors_m[3]).all()
    # Station 1 is interpolated: 20 of 50 m above station 2.
    assert errors_m[1] == pytest.approx(0.6 * errors_m[2] + 0.4 * errors_m[0], abs=1e-6)
    assert np.isnan(head_standard_error(errors_m, np.array([3, 4]), np.array([8, 8]))).tolist() == [True, False]


def test_a_leaning_error_counts_in_the_standard_error():
    errors_m = np.array([[2.0, 2.0, 2.0], [0.0, 0.0, 0.0]], dtype=np.float32)

    assert head_standard_error(errors_m, np.array([0]), np.array([1])).tolist() == [2.0]


def test_linear_errors_hold_the_share_of_a_normal_that_they_claim():
    for le_m, rmse_m, share in ((3.0, rmse_from_le90(3.0), 0.90), (3.0, rmse_from_le95(3.0), 0.95)):
        assert math.erf(le_m / rmse_m / math.sqrt(2.0)) == pytest.approx(share, abs=1e-12)


@pytest.mark.parametrize(
    ("changed", "message"),
    [
        ({"rmse_m": -1.0}, "rmse_m must be finite and not negative"),
        ({"rmse_m": [1.0, 2.0]}, r"rmse_m must be one number or have shape \(9,\), found \(2,\)"),
        ({"correlation_length_m": -5.0}, r"correlation_length_m must not be negative, found -5\.0"),
        ({"correlation_length_m": math.nan}, "correlation_length_m must not be negative, found nan"),
        ({"simulations": 0}, "simulations must be at least 1"),
        ({"first_draw": -1}, "first_draw 0, found 2 and -1"),
        ({"seed": -1}, "seed must be between 0"),
        ({"seed": 2**64}, "seed must be between 0"),
        ({"quantile": 2.0}, "quantile must be between"),
        ({"downstream": np.zeros(9, dtype=np.int32)}, "downstream must be -1 or the number of a later"),
    ],
)
def test_a_bad_argument_is_named(changed, message):
    given = {
        "profile_m": STEEP_M,
        "downstream": TREE,
        "to_downstream_m": STEP_M,
        "rmse_m": 1.0,
        "correlation_length_m": 60.0,
        "simulations": 2,
        "seed": 1,
        **changed,
    }

    with pytest.raises(ValueError, match=message):
        simulate_profile_errors(**given)


def test_heads_between_stations_that_do_not_exist_are_refused():
    errors_m = np.zeros((3, 2), dtype=np.float32)

    with pytest.raises(ValueError, match="lower must hold station numbers from 0 to 2"):
        head_standard_error(errors_m, np.array([0]), np.array([3]))
    with pytest.raises(ValueError, match=r"the same length, found shapes \(2,\) and \(1,\)"):
        head_standard_error(errors_m, np.array([0, 1]), np.array([2]))
    with pytest.raises(ValueError, match=r"the same length, found shapes \(1, 1\) and \(1, 1\)"):
        head_standard_error(errors_m, np.array([[0]]), np.array([[1]]))
    for station in (-1, 3):
        with pytest.raises(ValueError, match="upper must hold station numbers from 0 to 2"):
            head_standard_error(errors_m, np.array([0, station]), np.array([1, 1]))
    with pytest.raises(ValueError, match="lower must hold station numbers from 0 to 2"):
        head_standard_error(errors_m, np.array([0]), np.array([-1]))
    assert head_standard_error(errors_m, np.array([0]), np.array([2])).tolist() == [0.0]
    nothing = np.zeros(0, dtype=np.int64)
    assert head_standard_error(errors_m, nothing, nothing).size == 0


# One stream of 400 stations 30 m apart, falling by 1 m from each to the next, whose truth a refit gives away that
# finds nothing: the error is then the true profile, turned round.
def true_profiles(roughness, is_break=None, simulations=400):
    count = 400
    downstream = np.append(np.arange(1, count), -1).astype(np.int32)
    step_m = np.append(np.full(count - 1, 30.0), 0.0)
    profile_m = np.arange(count, 0, -1.0)
    given = profile_m, downstream, step_m, 0.0, 50.0, simulations, 7
    errors_m = simulate_profile_errors(*given, refit=np.zeros_like, roughness=roughness, is_break=is_break)
    return -errors_m.astype(float)


def test_true_streams_fall_by_lognormal_factors_of_mean_one_that_are_alike_over_300_m():
    fall = -np.diff(true_profiles(0.5), axis=0)

    logs = np.log(fall)
    # 400 simulations of 12 km: about 400 · 12000 / 600 = 8000 independent factors; five standard errors.
    assert logs.mean() == pytest.approx(-0.125, abs=5 * 0.5 / np.sqrt(8000))
    assert logs.std() == pytest.approx(0.5, rel=0.05)
    assert fall.mean() == pytest.approx(1.0, abs=5 * 0.55 / np.sqrt(8000))
    apart = logs - logs.mean()
    for stations in (1, 10, 20):
        alike = (apart[stations:] * apart[:-stations]).mean() / apart.var()
        assert alike == pytest.approx(math.exp(-stations * 30.0 / 300.0), abs=0.06)


def test_the_height_of_a_step_is_true_as_it_is_and_without_roughness_all_is():
    is_break = np.zeros(400, dtype=bool)
    is_break[[10, 200]] = True

    fall = -np.diff(true_profiles(0.5, is_break, simulations=20), axis=0)

    assert fall[[10, 200]] == pytest.approx(1.0, abs=1e-4)
    assert (np.abs(fall[[9, 11, 199, 201]] - 1.0) > 1e-3).mean() > 0.9
    assert (true_profiles(0.0, is_break, simulations=2) == np.arange(400, 0, -1.0)[:, None]).all()


def test_the_roughness_is_that_of_a_slope_that_changes_by_its_own_size_over_400_m():
    # A slope that walks at random gains its own square as variance over 400 m; its mean over 300 m differs from
    # what it is about by half of what it gains over them.
    assert pytest.approx(300.0 / 400.0 / 2.0) == ROUGHNESS**2


def test_the_greatest_seed_and_a_single_simulation_are_taken():
    errors_m = simulate_profile_errors(STEEP_M, TREE, STEP_M, 1.0, 60.0, 1, seed=2**64 - 1)

    assert errors_m.shape == (9, 1)
    assert errors_m.any()


@pytest.mark.parametrize(
    ("value", "is_sound"), [(0.0, True), (-1e-9, False), (math.nan, False), (math.inf, False)]
)
def test_figures_of_stations_are_not_negative_and_end_where_they_must(value, is_sound):
    for given in (value, [1.0, value, 2.0]):
        if is_sound:
            assert of_stations("a figure", given, 3).tolist() == np.broadcast_to(given, 3).tolist()
        else:
            with pytest.raises(ValueError, match="a figure must be finite and not negative"):
                of_stations("a figure", given, 3)
    if value > 0.0:
        assert of_stations("a figure", value, 2, endless=True).tolist() == [math.inf] * 2
    elif not is_sound:
        with pytest.raises(ValueError, match="a figure must not be negative"):
            of_stations("a figure", value, 2, endless=True)
