"""What a measured head makes likely of the true one, so that the best of many are not believed too much."""

import math
from typing import NamedTuple

import numpy as np
from scipy.special import ndtr

from sitefinder.compiled import kernel

# More heads than this are thinned evenly before a prior is fitted: they add time and no knowledge (own choice).
MOST_HEADS = 4000
# The prior's cells reach from this share of the greatest head up to it, evenly in the logarithm (own choice).
LOWEST_SHARE, CELL_LOG = 1e-3, 0.05
# Spacing and standard deviation of the lognormal bumps of the prior, which can be no narrower (own choice).
BUMP_LOG = 0.2
# The mixture is fitted until no bump would gain more than this share of likelihood.
TOLERANCE, MOST_ROUNDS = 1e-4, 2000
# Groups of equal size, by head, in which the errors of a profile's heads are told (own choice).
GROUPS = 8
# Errors below this are none [m].
NO_ERROR_M = 1e-9


class ErrorLaw(NamedTuple):
    """Mean and standard deviation of the errors of heads [m] about true heads ``at_m``; straight between them."""

    at_m: np.ndarray
    lean_m: np.ndarray
    spread_m: np.ndarray


# Errors that lean nowhere and have the standard error that each head tells of itself.
PLAIN = ErrorLaw(np.zeros(1), np.zeros(1), np.ones(1))


class Prior(NamedTuple):
    """How likely a true head is: ``mass`` of each cell between ``edges_m`` [m], even in a cell; and its errors."""

    edges_m: np.ndarray
    mass: np.ndarray
    law: ErrorLaw = PLAIN


def error_law(head_m, errors_m):
    """How the errors of heads go with the head.

    Parameters
    ----------
    head_m : ndarray of float64, shape (n,)
        Heads of the profile that the simulation took for the truth [m].
    errors_m : ndarray of float, shape (n, draws)
        Their simulated errors [m].

    Returns
    -------
    ErrorLaw
        Mean and standard deviation in each of `GROUPS` groups of neighbouring heads.

    Notes
    -----
    A profile that may not rise is fitted; in flats it averages more, so that small heads are surer than great
    ones, and it leans: small heads come out too great, great ones too small. Who takes a head's own standard error
    for independent of the truth believes the small ones too much, and shrinks the great ones twice.
    """
    order = np.argsort(head_m, kind="stable")
    groups = np.array_split(order, min(GROUPS, len(order)))
    at_m = np.array([head_m[group].mean() for group in groups])
    lean_m = np.array([errors_m[group].mean() for group in groups])
    spread_m = np.array([errors_m[group].std() for group in groups])
    return ErrorLaw(at_m, lean_m, spread_m)


def fit_prior(head_m, head_se_m, law=PLAIN):
    r"""What heads are likely where these were measured.

    Parameters
    ----------
    head_m : ndarray of float64, shape (n,)
        Measured heads [m] of a fair sample: all stretches of a kind, not those that were found good.
    head_se_m : ndarray of float64, shape (n,)
        Their standard errors [m].
    law : ErrorLaw, optional
        How errors go with the true head. A head whose standard error is not that of the law there has errors
        that are greater or smaller in that ratio throughout.

    Returns
    -------
    Prior

    Raises
    ------
    ValueError
        If no head is above nought, or a number is not finite.

    Notes
    -----
    Empirical Bayes by modelling the prior [1]_: a mixture of lognormal bumps of one width, and one cell at nought,
    whose weights have the greatest likelihood under normal errors. The likelihood is concave in the weights, and
    the EM steps of [2]_ climb to its top. With points in place of bumps this is the nonparametric estimate of
    [3]_, which puts a point at the greatest heads measured and so would hardly shrink those that are chosen; the
    bumps keep the tail smooth, as the splines of [1]_ do. Errors that heads share (stretches that overlap, one bad
    tile) do not bias the weights, but leave them less sure than the number of heads says.

    References
    ----------
    .. [1] B. Efron, "Empirical Bayes deconvolution estimates," Biometrika, vol. 103, pp. 1-20, 2016.
    .. [2] N. Laird, "Nonparametric maximum likelihood estimation of a mixing distribution," J. Amer. Statist.
       Assoc., vol. 73, pp. 805-811, 1978.
    .. [3] J. Kiefer and J. Wolfowitz, "Consistency of the maximum likelihood estimator in the presence of
       infinitely many incidental parameters," Ann. Math. Statist., vol. 27, pp. 887-906, 1956.
    """
    head_m, head_se_m = _numbers(head_m, head_se_m)
    if not (head_m > 0.0).any():
        raise ValueError("no head is above nought")
    every = -(-head_m.size // MOST_HEADS)
    head_m, head_se_m = head_m[::every], head_se_m[::every]
    # The greatest truth is not beyond the greatest head by more than its error.
    top_m = (head_m + head_se_m).max()
    cells = math.ceil(-math.log(LOWEST_SHARE) / CELL_LOG)
    edges_m = np.append(0.0, top_m * np.exp(-CELL_LOG * np.arange(cells, -1, -1)))
    bumps = _bumps(edges_m)
    likelihood = _cell_likelihood(head_m, head_se_m, edges_m, law) @ bumps
    likelihood /= likelihood.max(axis=1, keepdims=True)
    weight = np.full(len(bumps.T), 1.0 / len(bumps.T))
    for _ in range(MOST_ROUNDS):
        # By how much the likelihood would gain from more of each bump; none gains at the top.
        gain = (1.0 / (likelihood @ weight)) @ likelihood / len(likelihood)
        weight = weight * gain
        if gain.max() < 1.0 + TOLERANCE:
            break
    return Prior(edges_m, bumps @ (weight / weight.sum()), law)


# Mass of each bump in each cell, columns adding up to 1; the first column is the cell at nought alone.
def _bumps(edges_m):
    logs = np.log(edges_m[1:])
    centre = np.arange(logs[-1], logs[0], -BUMP_LOG)
    below = ndtr((logs[:, None] - centre) / BUMP_LOG)
    mass = np.vstack([np.zeros(centre.size), np.diff(below, axis=0)])
    nought = np.zeros((len(mass), 1))
    nought[0] = 1.0
    return np.hstack([nought, mass / mass.sum(axis=0)])


# Mean over each cell of the density with which a truth there shows as the head, shape (heads, cells).
def _cell_likelihood(head_m, head_se_m, edges_m, law):
    lean_m, spread_m = _in_cells(edges_m, law)
    ratio = np.maximum(_ratio(head_m, head_se_m, law), NO_ERROR_M)[:, None]
    centre_m, error_m = head_m[:, None] - ratio * lean_m, ratio * spread_m
    low, high = (edges_m[:-1] - centre_m) / error_m, (edges_m[1:] - centre_m) / error_m
    # Differences of the lesser tail: far up, those of the other lose all digits.
    mass = np.where(low > 0.0, ndtr(-low) - ndtr(-high), ndtr(high) - ndtr(low))
    return np.maximum(mass, 1e-300) / np.diff(edges_m)


# Lean and spread of the errors [m] where the truth is in each cell.
def _in_cells(edges_m, law):
    middle_m = 0.5 * (edges_m[:-1] + edges_m[1:])
    spread_m = np.interp(middle_m, law.at_m, law.spread_m)
    return np.interp(middle_m, law.at_m, law.lean_m), np.maximum(spread_m, NO_ERROR_M)


# How much greater each head's errors are than the law has them there.
def _ratio(head_m, head_se_m, law):
    expected_m = np.hypot(*(np.interp(head_m, law.at_m, part) for part in (law.spread_m, law.lean_m)))
    return head_se_m / np.maximum(expected_m, NO_ERROR_M)


def posterior(head_m, head_se_m, prior):
    """Mean and standard deviation of the true head, given the measured one and what is likely.

    Parameters
    ----------
    head_m, head_se_m : ndarray of float64, shape (n,)
        Measured heads and their standard errors [m].
    prior : Prior

    Returns
    -------
    mean_m, sd_m : ndarray of float64, shape (n,)
        A head without error stays as it is, and so does one that the prior holds to be impossible.

    Raises
    ------
    ValueError
        If a number is not finite, or a standard error negative.

    Notes
    -----
    In each cell the posterior is a normal cut at the cell's edges, whose moments are closed forms, so that the
    cells may be wider than a small error. What is chosen by the posterior mean needs no further correction for
    the choice: B. Efron, "Tweedie's formula and selection bias," J. Amer. Statist. Assoc., vol. 106,
    pp. 1602-1614, 2011.
    """
    head_m, head_se_m = _numbers(head_m, head_se_m)
    edges_m = np.ascontiguousarray(prior.edges_m, dtype=np.float64)
    density = prior.mass / np.diff(edges_m)
    cells = _in_cells(edges_m, prior.law)
    return _moments(head_m, head_se_m, _ratio(head_m, head_se_m, prior.law), edges_m, density, *cells)


@kernel
def _moments(head_m, head_se_m, ratio, edges_m, density, lean_m, spread_m):
    mean_m, sd_m = head_m.copy(), head_se_m.copy()
    root_two, root_two_pi = math.sqrt(2.0), math.sqrt(2.0 * math.pi)
    for i in range(head_m.size):
        if head_se_m[i] <= NO_ERROR_M:
            continue
        # Moments of the truth less the measured head.
        whole, moment, square = 0.0, 0.0, 0.0
        for cell in range(density.size):
            error, shift = ratio[i] * spread_m[cell], -ratio[i] * lean_m[cell]
            low = (edges_m[cell] - head_m[i] - shift) / error
            high = (edges_m[cell + 1] - head_m[i] - shift) / error
            if low > 0.0:
                part = 0.5 * (math.erfc(low / root_two) - math.erfc(high / root_two))
            else:
                part = 0.5 * (math.erfc(-high / root_two) - math.erfc(-low / root_two))
            if part <= 0.0:
                continue
            at_low, at_high = math.exp(-0.5 * low * low) / root_two_pi, math.exp(-0.5 * high * high) / root_two_pi
            first = at_low - at_high
            second = part + low * at_low - high * at_high
            whole += density[cell] * part
            moment += density[cell] * (shift * part + error * first)
            square += density[cell] * (shift * shift * part + 2.0 * shift * error * first + error * error * second)
        if whole > 0.0:
            off = moment / whole
            mean_m[i] = head_m[i] + off
            sd_m[i] = math.sqrt(max(square / whole - off * off, 0.0))
    return mean_m, sd_m


def _numbers(head_m, head_se_m):
    head_m = np.ascontiguousarray(head_m, dtype=np.float64)
    head_se_m = np.ascontiguousarray(head_se_m, dtype=np.float64)
    if head_m.shape != head_se_m.shape or head_m.ndim != 1:
        raise ValueError(f"heads and errors must be of one length, found {head_m.shape} and {head_se_m.shape}")
    if not (np.isfinite(head_m).all() and np.isfinite(head_se_m).all() and (head_se_m >= 0.0).all()):
        raise ValueError("heads and their standard errors must be finite, and the errors not negative")
    return head_m, head_se_m
