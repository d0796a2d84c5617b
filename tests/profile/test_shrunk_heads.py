"""Candidates shrunk towards what the streams make likely: which stretches are asked, and what moves."""

import numpy as np
import pandas as pd
import pytest

from sitefinder.profile.shrinkage import (
    HeadPriors,
    fit_prior,
    head_priors,
    posterior,
    shrink_heads,
    shrunk_by_length,
)

STATIONS, STEP_M, ERROR_M = 2001, 50.0, 0.5


# One river whose falls from station to station are exponential of mean 0.2 m, and a profile measured with errors
# that leave each fall its own; with simulations of the same errors.
@pytest.fixture(scope="module")
def river():
    rng = np.random.default_rng(4)
    fall_m = np.append(rng.exponential(0.2, STATIONS - 1), 0.0)
    true_m = np.cumsum(fall_m[::-1])[::-1]
    profile_m = true_m + ERROR_M * rng.standard_normal(STATIONS)
    errors_m = (ERROR_M * rng.standard_normal((STATIONS, 64))).astype(np.float32)
    downstream = np.append(np.arange(1, STATIONS), -1).astype(np.int32)
    step_m = np.append(np.full(STATIONS - 1, STEP_M), 0.0)
    return true_m, profile_m, errors_m, downstream, step_m, np.append(0.0, step_m[:-1])


def asked(river, *, barred=None, longest_m=500.0, stations=STATIONS):
    _, profile_m, errors_m, _, step_m, segment_m = river
    downstream = np.append(np.arange(1, stations), -1).astype(np.int32)
    barred = np.zeros(stations, dtype=bool) if barred is None else barred
    step_m = np.append(step_m[: stations - 1], 0.0)
    profile_m, errors_m = profile_m[:stations], errors_m[:stations]
    return head_priors(profile_m, errors_m, downstream, step_m, segment_m[:stations], barred, longest_m)


@pytest.fixture(scope="module")
def likely(river):
    """What the whole river makes likely of stretches of up to 500 m."""
    return asked(river)


def candidates(**columns):
    table = {
        "scheme_type": "diversion",
        "head_m": [2.0],
        "head_se_m": 0.3,
        "length_m": 500.0,
        "weir_height_m": 0.0,
    }
    return pd.DataFrame(table | columns)


NONE = np.zeros(0)


def test_lengths_rise_from_the_segment_to_the_longest_candidate(likely):
    assert likely.length_m[0] == STEP_M
    assert likely.length_m[-1] == 500.0
    assert (likely.length_m[1:] / likely.length_m[:-1] <= 1.5 + 1e-9).all()


def test_a_stream_too_short_for_twenty_side_by_side_is_not_asked(river):
    # 20 segments are just enough for the shortest length, 19 for none.
    assert asked(river, stations=21).length_m.tolist() == [STEP_M]
    assert not asked(river, stations=20).priors


def test_where_nothing_is_known_heads_stay(river):
    table = shrink_heads(candidates(), asked(river, stations=20), NONE, NONE)

    assert table["head_m"].tolist() == table["head_uncorrected_m"].tolist() == [2.0]
    assert table["head_se_m"].tolist() == [0.3]


def test_barred_stations_say_nothing(river):
    _, profile_m, *_ = river
    barred = np.zeros(STATIONS, dtype=bool)
    barred[1::2] = True

    # No two open segments meet, so there are stretches of one segment only: the open ones.
    likely = asked(river, barred=barred)

    assert likely.length_m.tolist() == [STEP_M]
    own = np.arange(1, STATIONS - 1, 2)
    prior = likely.priors[0]
    open_m = profile_m[own] - profile_m[own + 1]
    assert prior.edges_m[-1] == pytest.approx(open_m.max(), abs=4 * ERROR_M)


# Stretches side by side, whose errors share at most a station: what shrinkage by a stretch's own head is made for.
def test_the_best_of_stretches_side_by_side_lose_the_greater_part_of_their_luck():
    rng, count = np.random.default_rng(4), 20_001
    fall_m = np.append(rng.exponential(0.2, count - 1), 0.0)
    true_m = np.cumsum(fall_m[::-1])[::-1]
    profile_m = true_m + ERROR_M * rng.standard_normal(count)
    errors_m = (ERROR_M * rng.standard_normal((count, 16))).astype(np.float32)
    downstream = np.append(np.arange(1, count), -1).astype(np.int32)
    step_m = np.append(np.full(count - 1, STEP_M), 0.0)
    arrays = (downstream, step_m, np.append(0.0, step_m[:-1]), np.zeros(count, dtype=bool))
    likely = head_priors(profile_m, errors_m, *arrays, 500.0)
    upper = np.arange(0, count - 10, 10)
    measured_m, real_m = profile_m[upper] - profile_m[upper + 10], true_m[upper] - true_m[upper + 10]
    se_m = np.full(len(upper), ERROR_M * np.sqrt(2))

    shrunk_m, shrunk_se_m = shrunk_by_length(measured_m, se_m, np.full(len(upper), 500.0), likely)

    best, chosen = np.argsort(-measured_m)[:100], np.argsort(-shrunk_m)[:100]
    without, left = (measured_m - real_m)[best].mean(), (shrunk_m - real_m)[chosen].mean()
    assert without > 0.3
    assert abs(left) < without / 3
    # And the errors stated are those there are, and smaller than before: three standard errors of 2000.
    off_m = shrunk_m - real_m
    assert np.sqrt((off_m**2).mean()) == pytest.approx(np.sqrt((shrunk_se_m**2).mean()), rel=0.05)
    assert shrunk_se_m.mean() < se_m.mean()


def test_between_two_lengths_the_posterior_lies_between_theirs(likely):
    low, high = likely.length_m[2:4]
    between = float(np.sqrt(low * high))
    ends_m, ends_sd_m = np.transpose(
        [
            shrunk_by_length(
                np.array([2.0]),
                np.array([0.4]),
                np.array([between]),
                HeadPriors(likely.length_m[k : k + 1], likely.priors[k : k + 1]),
            )
            for k in (2, 3)
        ]
    )[0]

    middle_m, sd_m = shrunk_by_length(np.array([2.0]), np.array([0.4]), np.array([between]), likely)

    assert middle_m[0] == pytest.approx(np.mean(ends_m))
    # The variance of a mixture of halves: the mean one, and that of their two means.
    assert sd_m[0] ** 2 == pytest.approx(np.mean(ends_sd_m**2) + np.var(ends_m))


@pytest.mark.parametrize("times", [0.4, 1.0, 3.0])
def test_a_slope_over_more_stream_is_shrunk_as_it_is_over_less(river, times):
    likely = asked(river, longest_m=STEP_M)
    head_m, se_m = np.array([0.3, 2.0]), np.array([0.2, 0.7])

    found_m, sd_m = shrunk_by_length(times * head_m, times * se_m, np.full(2, times * STEP_M), likely)

    for found, expected in zip((found_m, sd_m), posterior(head_m, se_m, likely.priors[0]), strict=True):
        assert found == pytest.approx(times * expected, rel=1e-9)


def test_of_a_new_weir_only_the_fall_of_the_stream_is_shrunk(likely):
    table = candidates(
        scheme_type=["new_weir", "diversion"], head_m=[2.7, 0.7], weir_height_m=[2.0, 0.0], length_m=50.0
    )

    shrunk = shrink_heads(table, likely, NONE, NONE)

    assert shrunk["head_m"][0] - 2.0 == pytest.approx(shrunk["head_m"][1])
    assert shrunk["head_se_m"][0] == pytest.approx(shrunk["head_se_m"][1])
    assert shrunk["head_m"][1] < 0.7
    assert shrunk["head_uncorrected_m"].tolist() == [2.7, 0.7]


def test_a_new_weir_on_a_gentle_river_is_not_raised(likely):
    # The stream falls 0.2 m a segment in the mean, and here hardly at all.
    table = candidates(
        scheme_type=["new_weir", "diversion"], head_m=[2.01, 0.01], weir_height_m=[2.0, 0.0], length_m=50.0
    )

    shrunk = shrink_heads(table, likely, NONE, NONE)

    assert shrunk["head_m"][0] == 2.01
    assert shrunk["head_m"][1] > 0.05


def test_barriers_have_a_prior_of_their_own_where_there_are_enough(likely):
    drop_m = np.random.default_rng(8).lognormal(0.3, 0.4, 40)
    table = candidates(scheme_type=["at_barrier"], head_m=[2.5], head_se_m=0.5)

    few = shrink_heads(table, likely, drop_m[:19], np.full(19, 0.5))
    many = shrink_heads(table, likely, np.append(drop_m, np.nan), np.append(np.full(40, 0.5), np.nan))

    assert few["head_m"].tolist() == [2.5]
    expected_m, expected_se_m = posterior(np.array([2.5]), np.array([0.5]), fit_prior(drop_m, np.full(40, 0.5)))
    assert many["head_m"].tolist() == expected_m.tolist()
    assert many["head_se_m"].tolist() == expected_se_m.tolist()


def test_heads_that_are_not_known_stay_unknown(likely):
    table = candidates(scheme_type=["at_barrier", "diversion"], head_m=[np.nan, 2.0], head_se_m=[0.1, np.nan])

    shrunk = shrink_heads(table, likely, np.full(30, 1.0), np.full(30, 0.1))

    assert np.isnan(shrunk["head_m"][0])
    assert shrunk["head_m"][1] == 2.0


@pytest.mark.parametrize(("known", "moves"), [(19, False), (20, True)])
def test_barriers_need_twenty_known_drops_of_which_one_is_above_nothing(river, known, moves):
    likely = asked(river, stations=20)
    table = candidates(scheme_type=["at_barrier"], head_m=[2.5], head_se_m=0.5)
    drop_m = np.append(np.random.default_rng(8).lognormal(0.3, 0.4, known), [np.nan, 1.0])
    se_m = np.append(np.full(known + 1, 0.5), np.nan)

    assert (shrink_heads(table, likely, drop_m, se_m)["head_m"][0] != 2.5) == moves
    # Drops of nothing make no prior.
    assert shrink_heads(table, likely, np.zeros(known), np.full(known, 0.5))["head_m"].tolist() == [2.5]


def test_stretches_shorter_than_the_first_length_and_longer_than_the_last_have_these_ones_priors(likely):
    head_m, se_m = np.array([0.2, 30.0]), np.array([0.1, 2.0])

    found_m, sd_m = shrunk_by_length(head_m, se_m, np.array([5.0, 5000.0]), likely)

    for row, (times, prior) in enumerate([(0.1, likely.priors[0]), (10.0, likely.priors[-1])]):
        mean, sd = posterior(head_m[[row]] / times, se_m[[row]] / times, prior)
        assert found_m[row] == pytest.approx(times * mean[0], rel=1e-9)
        assert sd_m[row] == pytest.approx(times * sd[0], rel=1e-9)


def test_no_segments_make_no_priors_and_a_level_stream_none_either():
    count = 60
    downstream = np.append(np.arange(1, count), -1).astype(np.int32)
    step_m, segment_m = np.append(np.full(count - 1, 50.0), 0.0), np.append(0.0, np.full(count - 1, 50.0))
    errors_m, nowhere = np.zeros((count, 2), dtype=np.float32), np.zeros(count, dtype=bool)

    level = head_priors(np.zeros(count), errors_m, downstream, step_m, segment_m, nowhere, 500.0)
    none = head_priors(np.zeros(count), errors_m, downstream, step_m, np.zeros(count), nowhere, 500.0)
    unknown = head_priors(np.full(count, np.nan), errors_m, downstream, step_m, segment_m, nowhere, 500.0)

    for found in (level, none, unknown):
        assert (found.length_m.tolist(), found.priors) == ([], [])


def test_the_longest_length_is_that_of_the_longest_candidate_even_below_the_segment(river):
    assert asked(river, longest_m=30.0).length_m.tolist() == [30.0]
    assert asked(river, longest_m=STEP_M).length_m.tolist() == [STEP_M]
    assert asked(river, longest_m=51.0).length_m.tolist() == [STEP_M, 51.0]
    assert asked(river, longest_m=75.0).length_m.tolist() == [STEP_M, 75.0]


def test_twenty_drops_that_are_known_with_their_errors_make_a_prior_of_barriers_and_others_none():
    drop_m, error_m = np.random.default_rng(9).lognormal(0.3, 0.4, 20), np.full(20, 0.5)
    table = candidates(scheme_type=["at_barrier"], head_m=[2.5], head_se_m=0.5)
    none = HeadPriors(NONE, [])

    moved_m = shrink_heads(table, none, drop_m, error_m)["head_m"][0]

    assert moved_m != 2.5
    # A drop without an error and an error without a drop say nothing.
    more = np.append(drop_m, [9.0, np.nan]), np.append(error_m, [np.nan, 0.5])
    assert shrink_heads(table, none, *more)["head_m"][0] == moved_m
    for few in (
        (drop_m, np.where(np.arange(20) == 3, np.nan, error_m)),
        (-drop_m, error_m),
        (0 * drop_m, error_m),
    ):
        assert shrink_heads(table, none, *few)["head_m"][0] == 2.5


def test_a_head_or_an_error_that_is_not_known_stays_so(river):
    table = candidates(
        scheme_type="diversion", head_m=[2.0, np.nan, 2.0], head_se_m=[0.3, 0.3, np.nan], length_m=50.0
    )

    shrunk = shrink_heads(table, asked(river, longest_m=STEP_M), NONE, NONE)

    assert shrunk["head_m"][0] < 2.0
    assert np.array_equal(shrunk["head_m"][1:], [np.nan, 2.0], equal_nan=True)
    assert np.array_equal(shrunk["head_se_m"][1:], [0.3, np.nan], equal_nan=True)


@pytest.mark.parametrize("profile_m", [np.full(50, 7.0), np.full(50, np.nan), np.arange(50.0)])
def test_streams_that_do_not_fall_or_are_not_known_have_no_prior(profile_m):
    downstream, step_m = np.append(np.arange(1, 50), -1).astype(np.int32), np.append(np.full(49, 10.0), 0.0)
    arrays = np.zeros((50, 4), dtype=np.float32), downstream, step_m
    barred = np.zeros(50, dtype=bool)

    assert not head_priors(profile_m, *arrays, np.append(0.0, step_m[:-1]), barred, 10.0).priors
    # Nor have stations without a segment.
    assert not head_priors(np.arange(50.0, 0.0, -1.0), *arrays, np.zeros(50), barred, 10.0).priors
    assert head_priors(np.arange(50.0, 0.0, -1.0), *arrays, step_m[::-1].copy(), barred, 10.0).priors
