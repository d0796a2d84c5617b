"""Shrunk heads: closed forms, Tweedie's formula, and the bias of chosen heads in a fixed set of trials."""

import functools
import math

import numpy as np
import pytest
from scipy.integrate import quad
from scipy.stats import norm

from sitefinder.profile import shrinkage
from sitefinder.profile.shrinkage import ErrorLaw, Prior, error_law, fit_prior, posterior

HEADS_M = np.array([0.1, 0.8, 2.0, 3.5, 6.0])
ERRORS_M = np.array([0.05, 0.3, 0.7, 1.0, 1.5])


# Cells of a known prior: normal of mean 3 and standard deviation 0.8, cut at nought (a share of 1e-4).
def normal_prior(cell_m=0.002):
    edges_m = np.arange(0.0, 8.0, cell_m)
    mass = np.diff(norm.cdf(edges_m, 3.0, 0.8))
    return Prior(edges_m, mass / mass.sum())


# A prior as it is fitted to heads that are no mixture of its bumps.
@functools.cache
def fitted_prior():
    rng = np.random.default_rng(11)
    true_m = np.concatenate([rng.uniform(0.0, 1.0, 700), rng.uniform(2.0, 5.0, 300)])
    return fit_prior(true_m + 0.4 * rng.standard_normal(1000), np.full(1000, 0.4))


@pytest.mark.parametrize("error_m", [0.02, 0.3, 1.0])
def test_under_a_normal_prior_the_mean_is_the_one_weighted_by_precision(error_m):
    # B. Efron and C. Morris, "Data analysis using Stein's estimator and its generalizations," J. Amer. Statist.
    # Assoc., vol. 70, pp. 311-319, 1975: the Bayes rule that the James-Stein estimator approaches.
    head_m = np.array([2.5, 3.0, 4.4])
    keeps = 0.8**2 / (0.8**2 + error_m**2)

    mean_m, sd_m = posterior(head_m, np.full(3, error_m), normal_prior())

    # The cut at nought is of 1e-4 of the prior, and a cell is 2 mm wide.
    assert mean_m == pytest.approx(3.0 + keeps * (head_m - 3.0), abs=1e-3)
    assert sd_m == pytest.approx(np.full(3, np.sqrt(keeps) * error_m), abs=1e-3)


# A power of a place times the normal density there.
def moment_density(at, power, mean, deviation):
    return at**power * math.exp(-0.5 * ((at - mean) / deviation) ** 2) / (deviation * math.sqrt(2.0 * math.pi))


@pytest.mark.slow
def test_mean_and_deviation_are_those_of_a_numerical_integral():
    prior = fitted_prior()
    density = prior.mass / np.diff(prior.edges_m)

    mean_m, sd_m = posterior(HEADS_M, ERRORS_M, prior)

    for head_m, error_m, mean, sd in zip(HEADS_M, ERRORS_M, mean_m, sd_m, strict=True):
        whole, first, second = (
            sum(
                share * quad(moment_density, low, high, moment)[0]
                for share, low, high in zip(density, prior.edges_m[:-1], prior.edges_m[1:], strict=True)
            )
            for moment in ((power, head_m, error_m) for power in range(3))
        )
        assert mean == pytest.approx(first / whole, rel=1e-6)
        assert sd == pytest.approx(np.sqrt(second / whole - (first / whole) ** 2), rel=1e-5)


def test_the_mean_is_that_of_tweedies_formula():
    # B. Efron, "Tweedie's formula and selection bias," J. Amer. Statist. Assoc., vol. 106, pp. 1602-1614, 2011,
    # eq. 1.4: the mean is x + s² d/dx log f(x), with f the density of what is measured.
    prior, error_m, step_m = fitted_prior(), 0.6, 1e-4
    density = prior.mass / np.diff(prior.edges_m)

    def log_f(head_m):
        return np.log((density * np.diff(norm.cdf((prior.edges_m - head_m) / error_m))).sum())

    mean_m, _ = posterior(HEADS_M, np.full(5, error_m), prior)

    slope = np.array([(log_f(x + step_m) - log_f(x - step_m)) / (2 * step_m) for x in HEADS_M])
    assert mean_m == pytest.approx(HEADS_M + error_m**2 * slope, abs=1e-6)


def test_errors_that_lean_are_taken_off_before_all_else():
    edges_m = np.linspace(0.0, 200.0, 20001)
    even = Prior(edges_m, np.full(20000, 1 / 20000), ErrorLaw(np.zeros(1), np.array([0.3]), np.array([0.4])))

    # The standard error of a head is about zero, lean included; the second one has errors of half the size.
    mean_m, sd_m = posterior(np.array([100.0, 100.0]), np.array([0.5, 0.25]), even)

    assert mean_m == pytest.approx([99.7, 99.85], abs=1e-6)
    assert sd_m == pytest.approx([0.4, 0.2], rel=1e-6)


def test_the_law_of_errors_is_reported_by_groups_of_heads():
    rng = np.random.default_rng(3)
    head_m = np.repeat([1.0, 2.0, 4.0, 8.0], 500)
    errors_m = -0.1 * (head_m[:, None] - 3.0) + 0.2 * head_m[:, None] * rng.standard_normal((2000, 64))

    law = error_law(head_m, errors_m)

    # Eight groups of 250 by 64 simulations: three standard errors of a mean are 2.4 % of the spread.
    assert law.at_m == pytest.approx(np.repeat([1.0, 2.0, 4.0, 8.0], 2))
    assert (np.abs(law.lean_m + 0.1 * (law.at_m - 3.0)) < 0.024 * 0.2 * law.at_m).all()
    assert law.spread_m == pytest.approx(0.2 * law.at_m, rel=0.02)


def test_the_prior_follows_heads_without_error():
    true_m = 1.2 * np.exp(0.7 * np.random.default_rng(5).standard_normal(4000))

    prior = fit_prior(true_m, np.zeros(4000))

    share = np.interp([0.5, 1.2, 3.0], prior.edges_m, np.append(0.0, np.cumsum(prior.mass)))
    # Three standard errors of a share of 4000.
    assert share == pytest.approx([(true_m < x).mean() for x in (0.5, 1.2, 3.0)], abs=0.024)
    assert prior.mass.sum() == pytest.approx(1.0)


def test_a_head_without_error_stays_and_an_impossible_one_too():
    prior = fitted_prior()
    head_m = np.array([2.0, 0.0, 1000.0, -50.0])

    mean_m, sd_m = posterior(head_m, np.array([0.0, 0.0, 0.1, 0.1]), prior)

    assert mean_m.tolist() == head_m.tolist()
    assert sd_m.tolist() == [0.0, 0.0, 0.1, 0.1]


def test_a_surveyed_head_hardly_moves():
    head_m = np.linspace(0.2, 5.0, 50)

    mean_m, sd_m = posterior(head_m, np.full(50, 0.02), fitted_prior())

    assert np.abs(mean_m - head_m).max() < 0.01
    # Not always smaller: in a hollow between two bumps of the prior the truth may lie on either side.
    assert sd_m == pytest.approx(np.full(50, 0.02), rel=0.05)


# The best 100 of 2000 heads of median 1.2 m; the spread is the one at which claimed over true comes out at about
# 1.00, 1.04, 1.17 and 1.40 without shrinkage, as in the trial that the project set out from.
@pytest.mark.parametrize(("error_m", "claimed"), [(0.15, 1.00), (0.5, 1.04), (1.0, 1.17), (1.5, 1.40)])
def test_under_a_third_of_the_bias_of_chosen_heads_is_left(error_m, claimed):
    off_m, ratio = [], []
    for seed in range(12):
        rng = np.random.default_rng(seed)
        true_m = 1.2 * np.exp(0.7 * rng.standard_normal(2000))
        measured_m = true_m + error_m * rng.standard_normal(2000)
        se_m = np.full(2000, error_m)
        shrunk_m, _ = posterior(measured_m, se_m, fit_prior(measured_m, se_m))
        for heads_m in (measured_m, shrunk_m):
            best = np.argsort(-heads_m)[:100]
            off_m.append((heads_m - true_m)[best].mean())
        best = np.argsort(-measured_m)[:100]
        ratio.append(measured_m[best].sum() / true_m[best].sum())

    without, left = np.mean(off_m[::2]), np.mean(off_m[1::2])

    assert np.mean(ratio) == pytest.approx(claimed, abs=0.05)
    assert without > 0.01
    assert abs(left) < without / 3


@pytest.mark.parametrize(
    ("head_m", "se_m", "match"),
    [
        ([1.0, np.nan], [0.1, 0.1], "must be finite"),
        ([1.0, 2.0], [0.1, -0.1], "not negative"),
        ([1.0, 2.0], [0.1], "the same length"),
        ([0.0, -1.0], [0.1, 0.1], "no head is above zero"),
    ],
)
def test_heads_that_are_none_are_refused(head_m, se_m, match):
    with pytest.raises(ValueError, match=match):
        fit_prior(np.array(head_m), np.array(se_m))


@pytest.mark.parametrize(("heads", "every"), [(30, 1), (31, 2), (60, 2), (61, 3)])
def test_of_more_heads_than_a_prior_is_fitted_to_each_second_or_third_counts(heads, every, monkeypatch):
    monkeypatch.setattr(shrinkage, "MAX_HEADS", 30)
    head_m, error_m = np.linspace(3.0, 0.1, heads), np.linspace(0.1, 0.4, heads)

    found, thinned = fit_prior(head_m, error_m), fit_prior(head_m[::every], error_m[::every])

    assert found.mass.tolist() == thinned.mass.tolist()
    assert found.edges_m[-1] == pytest.approx((head_m + error_m)[::every].max(), rel=1e-12)
    # All of them would make another one.
    monkeypatch.setattr(shrinkage, "MAX_HEADS", 4000)
    assert (fit_prior(head_m, error_m).mass.tolist() == found.mass.tolist()) == (every == 1)


@pytest.mark.parametrize(("heads", "top_m"), [(4000, 9.0), (4001, 1.0)])
def test_a_prior_is_fitted_to_four_thousand_heads_at_most(heads, top_m, monkeypatch):
    monkeypatch.setattr(shrinkage, "MAX_ROUNDS", 1)
    head_m = np.ones(heads)
    # Left out where each second head is.
    head_m[1] = 9.0

    assert fit_prior(head_m, np.zeros(heads)).edges_m[-1] == pytest.approx(top_m)
