"""The fitted long profile: steps sharp, bridges and banks left out, level water kept, errors honest."""

import numpy as np
import pytest

from sitefinder.profile.errors import head_standard_error, simulate_fit_errors
from sitefinder.profile.fitting import MIN_FLAT_STATIONS, _level_runs, _mean_known, fit_long_profile

STEP_M = 10.0
SLOPE = 0.002


def river(count):
    """One stream of even stations."""
    return np.append(np.arange(1, count), -1).astype(np.int32), np.append(np.full(count - 1, STEP_M), 0.0)


def falling(count, slope=SLOPE):
    return 100.0 - slope * STEP_M * np.arange(count)


def forest(rng, count):
    """A random tree of links of a few stations; the last of a link lies where the first of the next one does."""
    ends = np.unique(np.append(rng.integers(1, count, count // 6), count - 1))
    downstream = np.arange(1, count + 1)
    step_m = rng.uniform(5.0, 30.0, count)
    firsts = np.append(0, ends[:-1] + 1)
    for end in ends[:-1]:
        later = firsts[firsts > end]
        downstream[end] = rng.choice(later[:3])
        step_m[end] = 0.0
    downstream[-1], step_m[-1] = -1, 0.0
    return downstream.astype(np.int32), step_m


def falls(profile_m, downstream):
    upper = np.flatnonzero(downstream >= 0)
    return bool((profile_m[upper] >= profile_m[downstream[upper]]).all())


def test_what_falls_already_does_not_move_bit_for_bit():
    rng = np.random.default_rng(1)
    for _ in range(50):
        count = int(rng.integers(2, 200))
        downstream, step_m = forest(rng, count)
        elevation_m = np.zeros(count)
        for i in range(count - 2, -1, -1):
            below = downstream[i]
            rise_m = 0.0 if step_m[i] == 0.0 else rng.exponential(0.05 * step_m[i])
            elevation_m[i] = elevation_m[below] + rise_m

        fitted = fit_long_profile(
            elevation_m, downstream, step_m, 0.5, 60.0, 0.4, 50.0, 5.0, known_break=rng.random(count) < 0.1
        )

        assert np.array_equal(fitted.profile_m, elevation_m)
        assert not fitted.is_spike.any()


def test_a_known_break_stays_sharp_where_noise_hides_it():
    # A step of 1.5 m in noise of 1 m that is alike over five stations: nothing shows it but the layer.
    count, at = 200, 99
    downstream, step_m = river(count)
    known = np.arange(count) == at
    drops_m = {True: [], False: []}
    for seed in range(12):
        rng = np.random.default_rng(seed)
        noise_m = np.zeros(count)
        for i in range(1, count):
            noise_m[i] = np.exp(-0.2) * noise_m[i - 1] + np.sqrt(1 - np.exp(-0.4)) * rng.normal()
        raw_m = falling(count) + np.where(np.arange(count) <= at, 1.5, 0.0) + noise_m
        for notes in drops_m:
            found = fit_long_profile(raw_m, downstream, step_m, 1.0, 50.0, known_break=known if notes else None)
            drops_m[notes].append(found.profile_m[at] - found.profile_m[at + 1])
            assert found.is_break[at] or not notes

    assert np.mean(drops_m[True]) > 0.9
    assert np.mean(drops_m[False]) < 0.5 * np.mean(drops_m[True])


@pytest.mark.parametrize("off", [-2, -1, 1, 2])
def test_a_break_that_is_found_near_a_known_one_gives_way(off):
    count, at = 120, 60
    downstream, step_m = river(count)
    rng = np.random.default_rng(3)
    raw_m = falling(count) + np.where(np.arange(count) <= at, 3.0, 0.0) + rng.normal(0.0, 0.1, count)
    alone = fit_long_profile(raw_m, downstream, step_m, 0.1, 0.0).is_break

    notes = fit_long_profile(
        raw_m, downstream, step_m, 0.1, 0.0, known_break=np.arange(count) == at + off
    ).is_break

    assert np.flatnonzero(alone).tolist() == [at]
    assert np.flatnonzero(notes).tolist() == [at + off]


@pytest.mark.parametrize("stations", [1, 2, 3])
@pytest.mark.parametrize("rmse_m", [0.15, 1.0])
def test_a_bridge_is_ignored(stations, rmse_m):
    count = 150
    downstream, step_m = river(count)
    true_m = falling(count)
    rng = np.random.default_rng(stations)
    raw_m = true_m + rng.normal(0.0, rmse_m, count)
    raw_m[70 : 70 + stations] += 8.0

    fitted = fit_long_profile(raw_m, downstream, step_m, rmse_m, 0.0)

    assert fitted.is_spike[70 : 70 + stations].all()
    # As near as the mean of the noise over a dozen stations.
    assert np.abs(fitted.profile_m - true_m)[60:80].max() < rmse_m
    assert not fitted.is_break[60:80].any()


def test_hits_of_a_bank_are_refused_and_lift_nothing():
    count = 400
    downstream, step_m = river(count)
    true_m = falling(count)
    rng = np.random.default_rng(8)
    raw_m = true_m + rng.normal(0.0, 0.1, count)
    hit = rng.random(count) < 0.06
    raw_m[hit] += rng.uniform(1.0, 3.0, hit.sum())

    fitted = fit_long_profile(raw_m, downstream, step_m, 0.1, 0.0)

    # Three in a row at most; the rest of the stations are kept but for chance.
    assert fitted.is_spike[hit].mean() > 0.95
    assert fitted.is_spike[~hit].mean() < 0.02
    assert abs(np.mean(fitted.profile_m - true_m)) < 0.03


def test_water_that_was_made_level_is_kept_and_not_divided():
    count = 300
    downstream, step_m = river(count)
    rng = np.random.default_rng(2)
    raw_m = falling(count) + rng.normal(0.0, 0.3, count)
    lake = slice(100, 140)
    raw_m[lake] = raw_m[:100].min() - 0.2
    raw_m[140:] += raw_m[100] - 0.2 - raw_m[140:].max()

    fitted = fit_long_profile(raw_m, downstream, step_m, 0.3, 50.0, min_flat_m=100.0)

    assert fitted.is_flat[lake].all()
    assert fitted.is_flat.sum() == 40
    assert (fitted.profile_m[lake] == raw_m[lake]).all()


@pytest.mark.parametrize(
    ("stations", "min_flat_m", "is_flat"),
    [
        (MIN_FLAT_STATIONS - 1, 10.0, False),
        (MIN_FLAT_STATIONS, 10.0, True),
        (9, 8 * STEP_M, True),
        (9, 8 * STEP_M + 0.1, False),
    ],
)
def test_level_water_is_a_run_of_stations_enough_and_long_enough(stations, min_flat_m, is_flat):
    downstream, step_m = river(30)
    level_m = falling(30, 0.02)
    level_m[10 : 10 + stations] = level_m[10]
    main = np.arange(-1, 29, dtype=np.int32)

    found = _level_runs(level_m, downstream, main, step_m, min_flat_m)

    assert np.flatnonzero(found).tolist() == list(range(10, 10 + stations)) * is_flat


def test_whole_units_are_no_level_water():
    count = 300
    downstream, step_m = river(count)

    assert not fit_long_profile(
        np.round(falling(count)), downstream, step_m, 0.3, 0.0, min_flat_m=50.0
    ).is_flat.any()


def test_a_mouth_is_never_below_the_station_that_receives_it_and_one_place_has_one_level():
    rng = np.random.default_rng(4)
    for _ in range(60):
        count = int(rng.integers(20, 300))
        downstream, step_m = forest(rng, count)
        raw_m = np.linspace(20.0, 0.0, count) + rng.normal(0.0, 1.5, count)
        raw_m[rng.random(count) < 0.1] = np.nan

        profile_m = fit_long_profile(raw_m, downstream, step_m, 1.5, 40.0).profile_m

        assert np.isfinite(profile_m).all()
        assert falls(profile_m, downstream)


def test_the_main_stem_is_continuous_across_links_that_meet_at_one_place():
    # Two links of twenty stations, the last of one where the first of the next is; both read alone.
    downstream, step_m = river(40)
    step_m[19] = 0.0
    rng = np.random.default_rng(5)
    raw_m = falling(40) + rng.normal(0.0, 0.5, 40)

    fitted = fit_long_profile(raw_m, downstream, step_m, 0.5, 0.0)

    assert fitted.profile_m[19] == fitted.profile_m[20]
    assert not fitted.is_break[19]
    assert falls(fitted.profile_m, downstream)


def test_what_is_read_at_one_place_is_the_mean_of_what_is_known_there():
    elevation_m, place = np.array([1.0, 3.0, np.nan, np.nan, 7.1]), np.array([0, 0, 0, 1, 2])

    assert np.array_equal(_mean_known(elevation_m, place, 3), [2.0, np.nan, 7.1], equal_nan=True)


def test_stations_without_elevation_are_carried_over_and_a_tree_without_any_stays_unknown():
    downstream, step_m = river(60)
    downstream[29], step_m[29] = -1, 0.0
    raw_m = falling(60)
    raw_m[:30] = np.nan
    raw_m[40:45] = np.nan

    fitted = fit_long_profile(raw_m, downstream, step_m, 0.1, 0.0)

    assert np.isnan(fitted.profile_m[:30]).all()
    assert fitted.profile_m[30:] == pytest.approx(falling(60)[30:], abs=1e-9)
    assert not fitted.is_spike.any()


def test_a_gap_beside_a_step_is_filled_from_its_own_side():
    rng = np.random.default_rng(12)
    count, at = 200, 100
    downstream, step_m = river(count)
    true_m = falling(count) - 3.0 * (np.arange(count) > at)
    raw_m = true_m + rng.normal(0.0, 0.1, count)
    known = np.arange(count) == at
    for gap in (slice(at - 3, at + 1), slice(at + 1, at + 5), slice(at - 3, at + 5)):
        surveyed_m = raw_m.copy()
        surveyed_m[gap] = np.nan

        profile_m = fit_long_profile(surveyed_m, downstream, step_m, 0.1, 0.0, known_break=known).profile_m

        assert np.abs(profile_m - true_m)[gap].max() < 0.2


def test_below_a_step_at_a_mouth_a_tributary_without_elevation_lies_at_the_main_stem():
    # The main stem has 60 stations, the tributary 20 with a weir above its last three, and joins at the 40th.
    downstream, step_m = np.append(np.arange(1, 80), -1).astype(np.int32), np.full(80, STEP_M)
    downstream[19], step_m[79] = 60, 0.0
    true_m = np.append(np.zeros(20), falling(60))
    true_m[:20] = true_m[60] + SLOPE * STEP_M * np.arange(20, 0, -1) + 2.0 * (np.arange(20) < 17)
    raw_m = true_m + np.random.default_rng(3).normal(0.0, 0.1, 80)
    raw_m[16:20] = np.nan

    profile_m = fit_long_profile(raw_m, downstream, step_m, 0.1, 0.0, known_break=np.arange(80) == 16).profile_m

    assert np.abs(profile_m - true_m)[16:20].max() < 0.2


def test_the_same_survey_gives_the_same_profile_and_figures_may_be_given_station_by_station():
    downstream, step_m = river(200)
    raw_m = falling(200) + np.random.default_rng(6).normal(0.0, 0.4, 200)

    once, again, by_station = (
        fit_long_profile(raw_m, downstream, step_m, rmse_m, length_m)
        for rmse_m, length_m in ((0.4, 30.0), (0.4, 30.0), (np.full(200, 0.4), np.full(200, 30.0)))
    )

    for first, second, third in zip(once, again, by_station, strict=True):
        assert np.array_equal(first, second)
        assert np.array_equal(first, third)


def test_the_worse_survey_is_smoothed_more():
    count = 400
    downstream, step_m = river(count)
    true_m, rng = falling(count), np.random.default_rng(7)
    error_m = np.where(np.arange(count) < 200, 0.1, 1.5)
    raw_m = true_m + error_m * rng.normal(size=count)

    profile_m = fit_long_profile(raw_m, downstream, step_m, error_m, 0.0).profile_m

    off_m = np.abs(profile_m - true_m)
    assert np.sqrt(np.mean(off_m[:190] ** 2)) < 0.06
    assert np.sqrt(np.mean(off_m[210:] ** 2)) < 0.6


@pytest.mark.parametrize(("rmse_m", "length_m"), [(0.15, 0.0), (0.15, 60.0), (1.5, 60.0)])
def test_nine_in_ten_heads_lie_within_their_interval(rmse_m, length_m):
    count = 600
    downstream, step_m = river(count)
    inside = []
    for seed in range(6):
        rng = np.random.default_rng([seed, int(length_m)])
        slope, noise = np.zeros(count), np.zeros(count)
        rho = np.exp(-STEP_M / length_m) if length_m else 0.0
        for i in range(1, count):
            slope[i] = np.exp(-STEP_M / 300) * slope[i - 1] + np.sqrt(1 - np.exp(-STEP_M / 150)) * rng.normal()
            noise[i] = rho * noise[i - 1] + np.sqrt(1 - rho**2) * rng.normal()
        true_m = np.cumsum((SLOPE * STEP_M * np.exp(0.5 * slope))[::-1])[::-1]
        fitted = fit_long_profile(true_m + rmse_m * noise, downstream, step_m, rmse_m, length_m)
        simulations_m = simulate_fit_errors(
            fitted, np.ones(count, bool), downstream, step_m, rmse_m, length_m, 48, seed
        )
        upper = np.arange(count - 50)
        off_m = (fitted.profile_m - true_m)[upper] - (fitted.profile_m - true_m)[upper + 50]
        inside.append(np.abs(off_m) <= 1.645 * head_standard_error(simulations_m, upper, upper + 50))

    # Some seventy windows of 500 m that do not overlap: nine in ten, within two of their standard errors, or more.
    assert 0.82 <= np.mean(inside) <= 0.995


@pytest.mark.parametrize(
    ("changed", "words"),
    [
        ({"rmse_m": -0.1}, "rmse_m must be finite and not negative, found -0.1"),
        ({"rmse_m": np.ones(4)}, r"rmse_m must be one number or have shape \(9,\), found \(4,\)"),
        ({"correlation_length_m": np.ones(2)}, r"correlation_length_m must be one number or have shape \(9,\)"),
        ({"correlation_length_m": np.nan}, "correlation_length_m must not be negative, found nan"),
        ({"known_break": np.ones(3, bool)}, r"known_break must have shape \(9,\), found \(3,\)"),
    ],
)
def test_bad_figures_are_refused_by_name(changed, words):
    downstream, step_m = river(9)
    given = {"rmse_m": 0.1, "correlation_length_m": 0.0} | changed

    with pytest.raises(ValueError, match=words):
        fit_long_profile(falling(9), downstream, step_m, **given)
