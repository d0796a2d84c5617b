"""What holds for every long profile, whatever the tree and the data."""

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from sitefinder.profile.monotone import monotone_profile


@st.composite
def rivers(draw, gaps=False):
    """Elevations [m] in eighths, so that shifting and doubling them is exact, weights, tree and quantile."""
    count = draw(st.integers(1, 30))
    reach = draw(st.integers(1, 6))
    below = [draw(st.integers(i + 1, i + reach)) for i in range(count)]
    downstream = np.array([b if b < count else -1 for b in below], dtype=np.int32)
    eighths = st.integers(-400, 400).map(lambda number: number / 8.0)
    level = st.one_of(st.just(np.nan), eighths) if gaps else eighths
    elevation_m = np.array(draw(st.lists(level, min_size=count, max_size=count)))
    weight = np.array(draw(st.lists(st.sampled_from([1.0, 2.0, 0.3]), min_size=count, max_size=count)))
    return elevation_m, weight, downstream, draw(st.sampled_from([0.2, 0.3, 0.5, 0.7, 0.8]))


LAW = settings(max_examples=100, deadline=None, derandomize=True)


@LAW
@given(rivers(gaps=True))
def test_water_never_runs_uphill_and_gaps_are_filled_wherever_the_tree_has_data(river):
    elevation_m, weight, downstream, quantile = river

    profile_m = monotone_profile(elevation_m, weight, downstream, quantile)

    outlet = np.arange(elevation_m.size)
    for i in range(elevation_m.size - 1, -1, -1):
        if downstream[i] >= 0:
            outlet[i] = outlet[downstream[i]]
            if not np.isnan(profile_m[i]):
                assert profile_m[i] >= profile_m[downstream[i]]
    has_data = np.isin(outlet, outlet[~np.isnan(elevation_m)])
    assert np.array_equal(np.isnan(profile_m), ~has_data)


@LAW
@given(rivers(gaps=True))
def test_a_fitted_profile_is_its_own_fit(river):
    elevation_m, weight, downstream, quantile = river
    profile_m = monotone_profile(elevation_m, weight, downstream, quantile)

    again_m = monotone_profile(profile_m, weight, downstream, quantile)

    assert np.array_equal(profile_m, again_m, equal_nan=True)


@LAW
@given(rivers())
def test_a_profile_that_falls_already_does_not_move(river):
    elevation_m, weight, downstream, quantile = river
    falling_m = elevation_m / 3.0
    for i in range(elevation_m.size - 1, -1, -1):
        if downstream[i] >= 0:
            falling_m[i] = max(falling_m[i], falling_m[downstream[i]])

    assert np.array_equal(monotone_profile(falling_m, weight, downstream, quantile), falling_m)


@LAW
@given(rivers(), st.sampled_from([0.5, 2.0, 16.0]), st.integers(-100, 100))
def test_moving_and_stretching_the_data_moves_and_stretches_the_profile(river, factor, shift_m):
    elevation_m, weight, downstream, quantile = river
    profile_m = monotone_profile(elevation_m, weight, downstream, quantile)

    moved_m = monotone_profile(factor * elevation_m + shift_m, weight, downstream, quantile)

    # Eighths, halves of them and powers of two are exact in binary, so equality is too.
    assert np.array_equal(moved_m, factor * profile_m + shift_m)


@LAW
@given(rivers(), st.sampled_from([0.25, 4.0, 1024.0]))
def test_only_ratios_of_weights_matter(river, factor):
    elevation_m, weight, downstream, quantile = river

    profile_m = monotone_profile(elevation_m, weight, downstream, quantile)

    assert np.array_equal(monotone_profile(elevation_m, factor * weight, downstream, quantile), profile_m)


@LAW
@given(rivers(), st.integers(0, 29), st.integers(1, 80))
def test_raising_one_datum_lowers_the_profile_nowhere(river, station, eighths):
    elevation_m, weight, downstream, quantile = river
    raised_m = elevation_m.copy()
    raised_m[station % elevation_m.size] += eighths / 8.0

    profile_m = monotone_profile(elevation_m, weight, downstream, quantile)

    assert np.all(monotone_profile(raised_m, weight, downstream, quantile) >= profile_m)


@LAW
@given(rivers(), st.floats(0.01, 0.99))
def test_the_profile_stays_within_the_data(river, quantile):
    elevation_m, weight, downstream, _ = river

    profile_m = monotone_profile(elevation_m, weight, downstream, quantile)

    assert profile_m.min() >= elevation_m.min()
    assert profile_m.max() <= elevation_m.max()
