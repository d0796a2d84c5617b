"""Neighbourhoods held out: the groups, the refits, and intervals that are wide enough where errors are shared."""

import numpy as np
import pytest
from scipy import stats

from sitefinder.hydrology.regional_fit import HeldOut, hold_out, interval_widening, neighbour_groups, places_km
from sitefinder.hydrology.regression import least_squares


def test_groups_are_neighbours_and_of_like_size():
    rng = np.random.default_rng(1)
    centres = rng.uniform(0, 1000, (8, 2))
    places = (centres[:, None] + rng.normal(0, 2, (8, 5, 2))).reshape(-1, 2)

    groups = neighbour_groups(places, 5)

    # Each town of five is one group, numbered in the order of the rows.
    assert groups.tolist() == np.repeat(np.arange(1, 9), 5).tolist()


def test_few_gauges_are_held_out_one_by_one():
    assert neighbour_groups(np.random.default_rng(2).uniform(size=(12, 2)), 5).tolist() == list(range(1, 13))


def test_gauges_at_one_place_are_held_out_apart_where_each_is_a_group():
    assert neighbour_groups(np.zeros((6, 2)), 1).tolist() == [1, 2, 3, 4, 5, 6]


def test_places_in_metres_are_kilometres_apart():
    assert places_km(np.array([500.0]), np.array([2000.0]), False).tolist() == [[0.5, 2.0]]


@pytest.mark.parametrize(("rows", "is_fitted"), [(4, False), (5, True)])
def test_a_fit_without_a_group_needs_two_gauges_more_than_coefficients(rows, is_fitted):
    design = np.column_stack([np.ones(rows), np.arange(rows)])
    response = np.array([0.0, 1.1, 1.9, 3.2, 3.9])[:rows]

    held = hold_out(lambda kept: least_squares(design[kept], response[kept]), design, response, np.arange(rows))

    assert np.isfinite(held.residuals).tolist() == [is_fitted] * rows
    assert np.isfinite(held.half_width).tolist() == [is_fitted] * rows


def test_places_in_degrees_are_as_far_apart_as_on_the_ground():
    # A degree of latitude on a sphere of 6371.0088 km is 111.195 km; of longitude at 60° half of that.
    places = places_km(np.array([10.0, 10.0, 11.0]), np.array([60.0, 61.0, 60.0]), True)

    assert np.linalg.norm(places[0] - places[1]) == pytest.approx(111.195, abs=0.01)
    assert np.linalg.norm(places[0] - places[2]) == pytest.approx(111.195 / 2, rel=1e-3)


def test_what_is_held_out_is_predicted_by_a_fit_without_it():
    rng = np.random.default_rng(3)
    design = np.column_stack([np.ones(20), rng.normal(size=20)])
    response = design @ [1.0, 2.0] + 0.1 * rng.normal(size=20)
    groups = np.repeat(np.arange(5), 4)

    held = hold_out(lambda kept: least_squares(design[kept], response[kept]), design, response, groups)

    kept = groups != 2
    inverse = np.linalg.inv(design[kept].T @ design[kept])
    solution = inverse @ design[kept].T @ response[kept]
    mse = np.sum((response[kept] - design[kept] @ solution) ** 2) / 14
    own = np.diag(design[~kept] @ inverse @ design[~kept].T)
    assert held.residuals[~kept] == pytest.approx(response[~kept] - design[~kept] @ solution)
    assert held.half_width[~kept] == pytest.approx(stats.t.ppf(0.95, 14) * np.sqrt(mse * (1 + own)))


# n gauges of which this number lie at twice the half width, the others at half of it.
def seen(count, outside):
    residuals = np.where(np.arange(count) < outside, 2.0, 0.5)
    return HeldOut(residuals, np.ones(count), residuals <= 1.0)


@pytest.mark.parametrize(
    ("gauges", "outside", "groups", "factor"),
    [
        (50, 5, 50, 1.0),  # nine of ten are held
        (50, 7, 50, 1.0),  # 86 %, within one standard error (4.2 %) of 90 %
        (50, 8, 50, 2.0),  # 84 %
        (50, 6, 5, 2.0),  # 88 %, but five neighbourhoods excuse nothing
        (50, 5, 5, 1.0),
    ],
)
def test_an_interval_is_widened_only_where_it_held_too_few(gauges, outside, groups, factor):
    groups = np.arange(gauges) % groups

    assert interval_widening(seen(gauges, outside), groups) == factor


def test_where_no_gauge_could_be_held_out_nothing_is_widened():
    unknown = np.full(4, np.nan)

    assert interval_widening(HeldOut(unknown, unknown, unknown <= 1.0), np.arange(4)) == 1.0
    # One gauge that was is enough to say so.
    one = np.array([3.0, np.nan, np.nan, np.nan])
    assert interval_widening(HeldOut(one, np.ones(4), one <= 1.0), np.arange(4)) == 3.0


def test_the_factor_is_the_one_that_nine_of_ten_gauges_to_come_ask_for():
    residuals = np.arange(1.0, 21.0) / 5
    held = HeldOut(residuals, np.ones(20), residuals <= 1.0)

    # The 19th of 20: ⌈0.9 · 21⌉.
    assert interval_widening(held, np.arange(20)) == pytest.approx(19 / 5)


def test_errors_that_neighbours_share_are_met_by_the_widened_interval():
    rng = np.random.default_rng(4)
    plain, widened = [], []
    for _ in range(120):
        # Six valleys of six gauges, each with an error of its own in rain and flow.
        valley = np.repeat(np.arange(7), 6)
        x = rng.normal(size=7)[valley] + 0.2 * rng.normal(size=42)
        design = np.column_stack([np.ones(42), x])
        response = x + rng.normal(size=7)[valley] + 0.3 * rng.normal(size=42)
        kept = valley < 6

        def fit(rows, design=design[kept], response=response[kept]):
            return least_squares(design[rows], response[rows])

        held = hold_out(fit, design[kept], response[kept], valley[kept])
        factor = interval_widening(held, valley[kept])
        whole = fit(np.ones(36, dtype=bool))
        own = np.einsum("ij,jk,ik->i", design[~kept], whole.covariance, design[~kept])
        half = stats.t.ppf(0.95, 34) * np.sqrt(whole.mse + own)
        missed = np.abs(response[~kept] - design[~kept] @ whole.coefficients)
        plain.append(np.mean(missed <= half))
        widened.append(np.mean(missed <= factor * half))

    # A seventh valley, unseen: the plain interval misses far more than one in ten, the widened one hardly more.
    assert np.mean(plain) < 0.83
    assert np.mean(widened) > 0.86
