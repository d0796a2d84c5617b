"""The long profile: exact, feasible, robust, and filled where the data has gaps.

The outside judge is a linear program solved by HiGHS (scipy.optimize.linprog): Huangfu and Hall, "Parallelizing
the dual revised simplex method", Math. Prog. Comp. 10:119-142, 2018. The problem that it is given is the weighted
quantile regression with monotone constraint of Schwanghart and Scherler (2017, Earth Surf. Dynam. 5:821-839).
"""

import numpy as np
import pytest
from scipy.optimize import linprog
from scipy.sparse import csr_array, eye_array, hstack

from sitefinder.profile.monotone import monotone_profile

NAN = np.nan


def path(count):
    return np.append(np.arange(1, count), -1).astype(np.int32)


def random_forest(rng, count, reach):
    """Each station drains to one of the next `reach`, or now and then to nowhere."""
    below = np.arange(count) + rng.integers(1, reach + 1, count)
    below[(below >= count) | (rng.random(count) < 0.05)] = -1
    return below.astype(np.int32)


def loss(profile_m, elevation_m, weight, quantile):
    off = elevation_m - profile_m
    return np.sum(weight * off * (quantile - (off < 0)))


def min_loss(elevation_m, weight, downstream, quantile):
    """Optimum of the linear program: profile, and what the data lies above and below it."""
    count = elevation_m.size
    upper = np.flatnonzero(downstream >= 0)
    rows = np.arange(upper.size)
    rises = csr_array(
        (
            np.repeat([1.0, -1.0], upper.size),
            (np.tile(rows, 2), np.concatenate([downstream[upper], upper])),
        ),
        shape=(upper.size, count),
    )
    identity = eye_array(count, format="csr")
    found = linprog(
        np.concatenate([np.zeros(count), quantile * weight, (1 - quantile) * weight]),
        A_eq=hstack([identity, identity, -identity], format="csr"),
        b_eq=elevation_m,
        A_ub=hstack([rises, csr_array((upper.size, 2 * count))], format="csr"),
        b_ub=np.zeros(upper.size),
        bounds=[(None, None)] * count + [(0, None)] * (2 * count),
        method="highs",
    )
    assert found.status == 0
    return found.fun


def falls(profile_m, downstream):
    upper = np.flatnonzero(downstream >= 0)
    return bool(np.all(profile_m[upper] >= profile_m[downstream[upper]]))


@pytest.mark.parametrize("kind", ["path", "tree", "tree with ties", "tree with equal weights and ties"])
@pytest.mark.parametrize("quantile", [0.2, 0.3, 0.5, 0.65, 0.8])
def test_loss_is_that_of_the_linear_program(kind, quantile):
    rng = np.random.default_rng([len(kind), int(100 * quantile)])
    for _ in range(20):
        count = int(rng.integers(1, 40))
        downstream = path(count) if kind == "path" else random_forest(rng, count, 5)
        elevation_m = rng.normal(0.0, 3.0, count) + np.linspace(4.0, 0.0, count)
        weight = rng.uniform(0.1, 3.0, count)
        if "ties" in kind:
            elevation_m = np.round(elevation_m)
            weight = np.ones(count) if "equal" in kind else rng.integers(1, 4, count).astype(float)

        profile_m = monotone_profile(elevation_m, weight, downstream, quantile)

        assert falls(profile_m, downstream)
        expected = min_loss(elevation_m, weight, downstream, quantile)
        assert loss(profile_m, elevation_m, weight, quantile) == pytest.approx(expected, rel=1e-9, abs=1e-9)


def test_loss_is_that_of_the_linear_program_on_a_tree_of_two_thousand_stations():
    rng = np.random.default_rng(5)
    downstream = random_forest(rng, 2000, 30)
    elevation_m = rng.normal(0.0, 2.0, 2000) + np.linspace(6.0, 0.0, 2000)
    weight = rng.uniform(0.2, 5.0, 2000)

    profile_m = monotone_profile(elevation_m, weight, downstream, 0.4)

    expected = min_loss(elevation_m, weight, downstream, 0.4)
    assert loss(profile_m, elevation_m, weight, 0.4) == pytest.approx(expected, rel=1e-9)


def test_loss_without_some_data_is_that_of_the_linear_program_with_weights_of_nought():
    rng = np.random.default_rng(6)
    for _ in range(60):
        downstream = random_forest(rng, 25, 4)
        elevation_m = rng.normal(0.0, 3.0, 25)
        weight = rng.uniform(0.5, 2.0, 25) * (rng.random(25) < 0.6)
        shown_m = np.where((weight == 0) & (rng.random(25) < 0.5), NAN, elevation_m)

        profile_m = monotone_profile(shown_m, weight, downstream, 0.5)

        known = np.nan_to_num(profile_m)
        expected = min_loss(elevation_m, weight, downstream, 0.5)
        assert loss(known, elevation_m, weight, 0.5) == pytest.approx(expected, rel=1e-9, abs=1e-9)
        upper = np.flatnonzero(downstream >= 0)
        assert not np.any(profile_m[upper] < profile_m[downstream[upper]])


def test_two_stations_that_contradict_each_other_meet_half_way():
    profile_m = monotone_profile([1.0, 2.0], None, path(2))

    assert profile_m.tolist() == [1.5, 1.5]


def test_the_heavier_of_two_contradicting_stations_wins():
    assert monotone_profile([1.0, 2.0], [1.0, 3.0], path(2)).tolist() == [2.0, 2.0]
    assert monotone_profile([1.0, 2.0], [3.0, 1.0], path(2)).tolist() == [1.0, 1.0]


def test_a_low_quantile_takes_the_lower_side_and_a_high_one_the_upper():
    assert monotone_profile([1.0, 2.0], None, path(2), 0.3).tolist() == [1.0, 1.0]
    assert monotone_profile([1.0, 2.0], None, path(2), 0.7).tolist() == [2.0, 2.0]


def test_a_tie_is_found_where_weight_and_quantile_are_no_binary_fractions():
    # Three at a quantile of one third: any level from the lowest to the middle one loses the same.
    assert monotone_profile([0.0, 1.0, 2.0], [0.1] * 3, path(3), 1.0 / 3.0).tolist() == [0.5, 0.5, 0.5]
    assert monotone_profile([0.0, 1.0, 2.0], [0.7] * 3, path(3), 2.0 / 3.0).tolist() == [1.5, 1.5, 1.5]


def test_a_weir_stays_sharp_and_a_bridge_is_ignored():
    bed_m = np.array([9.0, 8.9, 8.8, 8.7, 5.7, 5.6, 5.5, 5.4, 5.3])
    raw_m = bed_m.copy()
    raw_m[6] += 5.0

    profile_m = monotone_profile(raw_m, None, path(9), 0.4)

    # Only the bridge's own station moves, down to the level above it: the data falls otherwise, and at 0.4
    # the loss of the pair 5.6 and 10.5 m rises from 5.6 m on.
    assert np.array_equal(np.delete(profile_m, 6), np.delete(bed_m, 6))
    assert profile_m[6] == 5.6


def test_a_confluence_is_pulled_by_both_its_tributaries():
    #  0 → 2 ← 1: two tributaries at 3 and 4 m, a confluence read at 9 m.
    downstream = np.array([2, 2, -1], dtype=np.int32)

    median_m = monotone_profile([3.0, 4.0, 9.0], None, downstream)
    upper_m = monotone_profile([3.0, 4.0, 9.0], None, downstream, 0.6)

    # At z between 3 and 4 m the loss is (9 - z)/2 + (z - 3)/2: level, so the middle. With the quantile it is
    # 0.6 (9 - z) + 0.4 (z - 3), which falls up to 4 m; beyond, 0.6 (9 - z) + 0.4 (2z - 7) rises.
    assert median_m.tolist() == [3.5, 4.0, 3.5]
    assert upper_m.tolist() == [4.0, 4.0, 4.0]


def test_an_unbranched_gap_is_filled_by_distance():
    profile_m = monotone_profile([10.0, NAN, NAN, 4.0], None, path(4), to_downstream_m=[10.0, 20.0, 30.0, 0.0])

    # 60 m from station 3 up to station 0, 6 m of fall: a tenth of a metre a metre.
    assert profile_m == pytest.approx([10.0, 9.0, 7.0, 4.0], abs=1e-12)


def test_a_branching_gap_is_limited_by_its_lowest_tributary_and_stays_in_order():
    #  0 (10 m) → 2 (gap) → 4 (gap) → 5 (2 m), 1 (12 m) → 3 (gap) → 4
    downstream = np.array([2, 3, 4, 4, 5, -1], dtype=np.int32)

    profile_m = monotone_profile([10.0, 12.0, NAN, NAN, NAN, 2.0], None, downstream)

    # Station 4 lies a third of the way from 2 up to 10 m; 2 and 3 halfway from there to their own.
    middle_m = 2.0 + 8.0 / 3.0
    expected = [10.0, 12.0, (middle_m + 10.0) / 2, (middle_m + 12.0) / 2, middle_m, 2.0]
    assert profile_m == pytest.approx(expected, abs=1e-12)


def test_of_two_equally_low_tributaries_the_nearer_limits_a_gap():
    downstream = np.array([2, 2, 3, -1], dtype=np.int32)

    profile_m = monotone_profile([10.0, 10.0, NAN, 4.0], None, downstream, to_downstream_m=[30.0, 10.0, 20.0, 0.0])

    # 20 of 30 m up from 4 to 10 m.
    assert profile_m.tolist() == [10.0, 10.0, 8.0, 4.0]


def test_gaps_at_the_ends_are_level():
    profile_m = monotone_profile([NAN, 5.0, 3.0, NAN, NAN], None, path(5))

    assert profile_m.tolist() == [5.0, 5.0, 3.0, 3.0, 3.0]


def test_a_gap_of_no_length_takes_the_elevation_below():
    profile_m = monotone_profile([5.0, NAN, 3.0], None, path(3), to_downstream_m=[0.0, 0.0, 0.0])

    assert profile_m.tolist() == [5.0, 3.0, 3.0]


def test_a_tree_without_any_datum_has_no_elevation_and_does_not_touch_its_neighbour():
    downstream = np.array([2, 3, -1, -1], dtype=np.int32)

    profile_m = monotone_profile([NAN, 2.0, 7.0, 1.0], [1.0, 1.0, 0.0, 1.0], downstream)

    assert np.array_equal(profile_m, [NAN, 2.0, NAN, 1.0], equal_nan=True)


def test_no_stations_give_no_profile():
    assert monotone_profile(np.zeros(0), None, np.zeros(0, dtype=np.int32)).shape == (0,)


def test_what_is_given_is_left_alone():
    elevation_m, weight, downstream = np.array([1.0, 3.0, NAN]), np.ones(3), path(3)

    monotone_profile(elevation_m, weight, downstream)

    assert np.array_equal(elevation_m, [1.0, 3.0, NAN], equal_nan=True)
    assert weight.tolist() == [1.0, 1.0, 1.0]
    assert downstream.tolist() == [1, 2, -1]


@pytest.mark.parametrize(
    ("changed", "message"),
    [
        ({"elevation_m": [1.0, np.inf]}, "elevation_m must be finite or NaN; station 1"),
        ({"weight": [1.0, -1.0]}, "weight must be finite and not negative; station 1"),
        ({"weight": [NAN, 1.0]}, "weight must be finite and not negative; station 0"),
        ({"weight": [1.0]}, r"weight must have shape \(2,\)"),
        ({"downstream": [0, -1]}, "downstream must be -1 or the number of a later station; station 0"),
        ({"downstream": [2, -1]}, "downstream must be -1 or the number of a later station; station 0"),
        ({"to_downstream_m": [-1.0, 0.0]}, "to_downstream_m must be finite and not negative; station 0"),
        ({"quantile": 1.0}, r"quantile must be between 0\.01 and 0\.99, found 1\.0"),
    ],
)
def test_a_bad_argument_is_named(changed, message):
    given = {"elevation_m": [2.0, 1.0], "weight": [1.0, 1.0], "downstream": [1, -1], **changed}

    with pytest.raises(ValueError, match=message):
        monotone_profile(**given)
