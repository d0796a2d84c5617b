"""The least resolvable head against closed forms of errors whose correlation is known."""

import numpy as np
import pytest

from sitefinder.profile.errors import minimum_heads

STEP_M, S_M, SIMULATIONS = 50.0, 0.7, 400
# Relative error of a standard error from n simulations is 1 / sqrt(2 n), 3.5 %; the median over
# hundreds of pairs is far better.
CLOSE = 0.02


# The standard error of a difference of two numbers whose errors are correlated, as any textbook has it.
def drop_se_m(upper_m, lower_m, correlation):
    return np.sqrt(upper_m**2 + lower_m**2 - 2 * np.asarray(correlation) * upper_m * lower_m)


# A chain of stations, and errors of a Markov chain of correlation rho a step.
def chain(count, rho, seed=1):
    generator = np.random.default_rng(seed)
    normal = generator.standard_normal((count, SIMULATIONS))
    errors = normal.copy()
    for station in range(1, count):
        errors[station] = rho * errors[station - 1] + np.sqrt(1 - rho**2) * normal[station]
    downstream = np.append(np.arange(1, count), -1).astype(np.int32)
    return (S_M * errors).astype(np.float32), downstream, np.full(count, STEP_M)


def test_independent_errors_resolve_the_same_head_at_every_length():
    table = minimum_heads(*chain(2000, 0.0), [100.0, 500.0, 1500.0], 1.645)

    # se = s · sqrt(2).
    assert table["length_m"].tolist() == [100.0, 500.0, 1500.0]
    assert table["min_head_m"].to_numpy() == pytest.approx(1.645 * S_M * np.sqrt(2), rel=CLOSE)
    # With these simulations the standard errors are all but normal about it, and a tenth lie 1.2816 deviations
    # above.
    worst = 1.645 * S_M * np.sqrt(2) * (1 + 1.2816 / np.sqrt(2 * SIMULATIONS))
    assert table["min_head_p90_m"].to_numpy() == pytest.approx(worst, rel=CLOSE)


@pytest.mark.parametrize("correlation_length_m", [50.0, 200.0, 1000.0])
def test_errors_that_are_alike_over_a_length_resolve_less_over_short_distances(correlation_length_m):
    lengths_m = np.array([100.0, 250.0, 500.0, 1000.0])
    rho = np.exp(-STEP_M / correlation_length_m)

    table = minimum_heads(*chain(6000, rho), lengths_m, 1.645)

    # se = s · sqrt(2 (1 - exp(-d / L))).
    expected = 1.645 * drop_se_m(S_M, S_M, np.exp(-lengths_m / correlation_length_m))
    assert table["min_head_m"].to_numpy() == pytest.approx(expected, rel=2 * CLOSE)


def test_pairs_are_those_of_the_tree():
    # Two streams of three stations, 100 m apart, that meet in the first of a third of two.
    downstream = np.array([1, 2, 6, 4, 5, 6, 7, -1], dtype=np.int32)
    to_downstream_m = np.array([100.0, 100.0, 0.0, 100.0, 100.0, 0.0, 100.0, 0.0])
    errors_m = np.zeros((8, 2), dtype=np.float32)

    table = minimum_heads(errors_m, downstream, to_downstream_m, [100.0, 200.0, 300.0, 450.0], 1.0)

    # By hand: over 100 m 0-1, 1-2, 3-4, 4-5, 2-7, 5-7 and 6-7; over 200 m 0-2, 1-7, 3-5, 4-7; over 300 m 0-7, 3-7.
    assert table[["length_m", "pairs"]].to_numpy().tolist() == [[100.0, 7], [200.0, 4], [300.0, 2]]


def test_of_two_stations_the_nearer_to_the_length_is_taken_and_none_far_from_it():
    errors_m, downstream = np.zeros((4, 2), dtype=np.float32), np.array([1, 2, 3, -1], dtype=np.int32)
    errors_m[1], errors_m[2], errors_m[3] = 1.0, 2.0, 3.0

    table = minimum_heads(errors_m, downstream, np.array([90.0, 40.0, 300.0, 0.0]), [100.0, 200.0], 1.0)

    # From the first: 90 m is nearer to 100 m than 130 m, and 200 m lies too far from 130 m and 430 m alike.
    assert table.to_numpy().tolist() == [[100.0, 1, 1.0, 1.0]]


@pytest.mark.parametrize(
    ("steps_m", "lower"),
    [
        # A quarter of the length to either side is near enough; of two as near the lower one is taken.
        ([75.0, 300.0], 1),
        ([74.9, 300.0], None),
        ([60.0, 65.0], 2),
        ([60.0, 65.1], None),
        ([80.0, 40.0], 2),
        ([80.0, 40.1], 1),
        ([125.0, 300.0], 1),
        ([125.1, 300.0], None),
    ],
)
def test_the_lower_end_is_the_station_nearest_to_the_length_within_a_quarter_of_it(steps_m, lower):
    downstream = np.array([1, 2, -1], dtype=np.int32)
    # Errors of the lower ends show which one is taken; the second station begins no stretch that is asked for.
    errors_m = np.repeat(np.array([[0.0], [1.0], [2.0]], dtype=np.float32), 2, axis=1)
    is_lower = np.array([True, lower == 1, lower != 1])

    table = minimum_heads(errors_m, downstream, np.array([*steps_m, 0.0]), [100.0], 1.0, is_lower)

    assert table.to_numpy().tolist() == ([] if lower is None else [[100.0, 1, float(lower), float(lower)]])


def test_stations_without_elevation_or_not_asked_for_are_left_out():
    errors_m, downstream, step_m = chain(200, 0.0)
    errors_m[:100] *= 50
    errors_m[150] = np.nan
    counts = np.arange(200) >= 100

    table = minimum_heads(errors_m, downstream, step_m, [100.0], 1.0, counts)

    # 98 pairs lie in the second half, two of them touch the station without elevation.
    assert table["pairs"].tolist() == [96]
    assert table["min_head_m"][0] == pytest.approx(S_M * np.sqrt(2), rel=2 * CLOSE)


def test_without_stretches_of_a_length_there_is_no_row():
    table = minimum_heads(*chain(3, 0.0), [1000.0], 1.0)

    assert len(table) == 0
    assert table.columns.tolist() == ["length_m", "pairs", "min_head_m", "min_head_p90_m"]
