"""Error of the fitted long profile, by simulating the DEM's error along the streams and fitting again."""

import numpy as np
from scipy.special import ndtri

from sitefinder.compiled import kernel
from sitefinder.streams.profile import monotone_profile

# Draws that are held in double precision at once; bounds the memory beside the result.
DRAWS_AT_ONCE = 16
# The streams of a simulation with a roughness have slopes that vary, alike over this distance [m].
ROUGH_OVER_M = 300.0
# The generator's streams: noise, and the streams' roughness.
ROUGHNESS_KEY = 2**63


def simulate_profile_errors(
    profile_m,
    downstream,
    to_downstream_m,
    rmse_m,
    correlation_length_m,
    draws,
    seed,
    quantile=0.5,
    weight=None,
    first_draw=0,
    *,
    refit=None,
    roughness=0.0,
    is_break=None,
):
    r"""Errors of the long profile in simulated surveys of a stream that looks like it.

    Parameters
    ----------
    profile_m : ndarray of float64, shape (n,)
        Fitted profile [m], taken for the truth; NaN where there is none.
    downstream : ndarray of int32, shape (n,)
        Number of the next station downstream, -1 at an outlet; always greater than the station's own.
    to_downstream_m : ndarray of float64, shape (n,)
        Distance from each station to the next downstream [m]; of no account at outlets.
    rmse_m : float or ndarray of float64, shape (n,)
        Root mean square error of the DEM at a station [m].
    correlation_length_m : float or ndarray of float64, shape (n,)
        Distance along the stream [m] at which the correlation of the DEM's errors has fallen to 1/e. Zero
        for independent errors (stations at the same place still share theirs). Between two stations that differ
        in it, half of the way counts with each.
    draws : int
        Number of simulated surveys.
    seed : int
        Seed of the noise, 0 to 2⁶⁴ - 1.
    quantile, weight
        As in the fit of the profile itself (`monotone_profile`).
    first_draw : int
        Number of the first draw. Draw k of a seed is the same whichever others are asked for, so that
        workers can share them out.
    refit : callable, optional
        Takes surveyed elevations and gives the profile fitted to them [m]; absent: `monotone_profile`.
    roughness : float
        Standard deviation of the logarithm of the true slope about the profile's; 0 takes the profile as it is.
    is_break : ndarray of bool, shape (n,), optional
        True right above a step, whose height is true as it is.

    Returns
    -------
    ndarray of float32, shape (n, draws)
        Refitted profile less the profile [m].

    Raises
    ------
    ValueError
        If an argument is out of its range or a length differs.

    Notes
    -----
    A parametric bootstrap [1]_: the noise has the DEM's stated error and not the spread of the residuals about
    the fit, since a DEM that is wrong over a whole pool shows no residual there. The noise is Gaussian; from
    the outlet up it is the Markov chain ``e[i] = rho · e[downstream] + sqrt(1 - rho²) · normal`` with
    ``rho = exp(-distance / length)``, in units of the standard deviation. Two stations of the same tree then
    correlate as ``exp(-d / length)`` with d the way along the streams between them, exactly, and tributaries
    share the error of their confluence.

    A bootstrap from a monotone fit is too narrow, since the fit's flats let the next one average too much [2]_.
    With a roughness each draw has a true stream of its own: the drop from station to station times a lognormal
    factor of mean 1, alike over `ROUGH_OVER_M`.

    References
    ----------
    .. [1] B. Efron and R. J. Tibshirani, An Introduction to the Bootstrap. New York: Chapman & Hall, 1993,
       sec. 6.5.
    .. [2] B. Sen, M. Banerjee and M. Woodroofe, "Inconsistency of bootstrap: the Grenander estimator," Ann.
       Statist., vol. 38, pp. 1953-1977, 2010 (from memory).
    """
    profile_m = np.asarray(profile_m, dtype=np.float64)
    count = profile_m.size
    downstream = np.ascontiguousarray(downstream, dtype=np.int32)
    to_downstream_m = np.ascontiguousarray(to_downstream_m, dtype=np.float64)
    rmse_m = of_stations("rmse_m", rmse_m, count)
    correlation_length_m = of_stations("correlation_length_m", correlation_length_m, count, endless=True)
    _refuse_bad_draws(draws, seed, first_draw)
    # A fit that is not needed for its result, but refuses bad stations, weights and quantile with its own words.
    monotone_profile(profile_m, weight, downstream, quantile, to_downstream_m)

    if refit is None:

        def refit(surveyed_m):
            return monotone_profile(surveyed_m, weight, downstream, quantile, to_downstream_m)

    correlation = _correlation_with_downstream(to_downstream_m, downstream, correlation_length_m)
    alike = _correlation_with_downstream(to_downstream_m, downstream, np.full(count, ROUGH_OVER_M))
    is_break = np.zeros(count, dtype=bool) if is_break is None else is_break
    errors_m = np.empty((count, draws), dtype=np.float32)
    for begin in range(0, draws, DRAWS_AT_ONCE):
        end = min(begin + DRAWS_AT_ONCE, draws)
        block_m = np.empty((end - begin, count))
        for row in range(end - begin):
            noise = _standard_normals(count, seed, first_draw + begin + row)
            _correlate_upstream(noise, downstream, correlation)
            true_m = profile_m
            if roughness > 0.0:
                logarithm = _standard_normals(count, seed, ROUGHNESS_KEY + first_draw + begin + row)
                _correlate_upstream(logarithm, downstream, alike)
                factor = np.where(is_break, 1.0, np.exp(roughness * logarithm - roughness**2 / 2.0))
                true_m = _with_drops_times(factor, profile_m, downstream)
            block_m[row] = refit(true_m + rmse_m * noise) - true_m
        errors_m[:, begin:end] = block_m.T
    return errors_m


def of_stations(name, value, count, *, endless=False):
    """One number, or one for each station, as an array of one for each.

    Parameters
    ----------
    name : str
        What it is called in a message.
    value : float or ndarray of float64, shape (n,)
    count : int
        Number of stations.
    endless : bool
        Whether infinite values may be.

    Returns
    -------
    ndarray of float64, shape (n,)
        Not to be written to.

    Raises
    ------
    ValueError
        If the shape is another, or a value is negative, NaN or infinite.
    """
    value = np.asarray(value, dtype=np.float64)
    if value.shape not in ((), (count,)):
        raise ValueError(f"{name} must be one number or have shape ({count},), found {value.shape}")
    is_bad = ~(value >= 0.0) | (np.isinf(value) & (not endless))
    if is_bad.any():
        rule = "must not be negative" if endless else "must be finite and not negative"
        raise ValueError(f"{name} {rule}, found {value[is_bad][0]}")
    return np.broadcast_to(value, (count,))


def _refuse_bad_draws(draws, seed, first_draw):
    if draws < 1 or first_draw < 0:
        raise ValueError(f"draws must be at least 1 and first_draw 0, found {draws} and {first_draw}")
    if not 0 <= seed < 2**64:
        raise ValueError(f"seed must lie between 0 and 2**64 - 1, found {seed}")


# Correlation of each station's error with that of the next downstream; nought at outlets. Two stations at the
# same place share their error even where the length is nought.
def _correlation_with_downstream(to_downstream_m, downstream, correlation_length_m):
    own, below = correlation_length_m, correlation_length_m[np.maximum(downstream, 0)]
    is_alike = (own > 0.0) & (below > 0.0)
    own, below = np.where(is_alike, own, 1.0), np.where(is_alike, below, 1.0)
    way = 0.5 * (to_downstream_m / own) + 0.5 * (to_downstream_m / below)
    correlation = np.where(is_alike, np.exp(-way), to_downstream_m == 0.0)
    return np.where(downstream >= 0, correlation, 0.0)


# A counter-based generator (Salmon, Moraes, Dror & Shaw 2011, "Parallel random numbers: as easy as 1, 2, 3") with
# seed and draw as its key: each draw is a stream of its own.
def _standard_normals(count, seed, draw):
    key = np.array([seed, draw], dtype=np.uint64)
    return np.random.Generator(np.random.Philox(key=key)).standard_normal(count)


# Upstream loop, in place.
@kernel(fills=("noise",))
def _correlate_upstream(noise, downstream, correlation):
    for i in range(noise.size - 1, -1, -1):
        if downstream[i] >= 0:
            rho = correlation[i]
            noise[i] = rho * noise[downstream[i]] + np.sqrt(1.0 - rho * rho) * noise[i]


# Upstream loop: a profile whose drops are those of another times a factor.
@kernel
def _with_drops_times(factor, profile_m, downstream):
    made_m = profile_m.copy()
    for i in range(profile_m.size - 1, -1, -1):
        below = downstream[i]
        if below >= 0 and not np.isnan(profile_m[below]):
            made_m[i] = made_m[below] + factor[i] * (profile_m[i] - profile_m[below])
    return made_m


def head_standard_error(errors_m, upper, lower):
    """Standard error of the heads between pairs of stations, from simulated profile errors.

    Parameters
    ----------
    errors_m : ndarray of float32, shape (n, draws)
        From `simulate_profile_errors` [m].
    upper, lower : ndarray of int, shape (m,)
        Station numbers of the ends of each stretch.

    Returns
    -------
    ndarray of float64, shape (m,)
        Root mean square over the draws of the error of the head [m]; NaN where an end has no elevation.

    Raises
    ------
    ValueError
        If a station number is out of range, or the lengths of `upper` and `lower` differ.

    Notes
    -----
    About zero and not about the mean of the draws: a fit that leans one way (a step that is rounded off, a
    lower quantile) is in error by that as well, and who reads the figure as one standard error is not misled.

    Examples
    --------
    >>> errors = np.array([[3.0, -3.0], [-1.0, 1.0]], dtype=np.float32)
    >>> head_standard_error(errors, np.array([0]), np.array([1]))
    array([4.])
    """
    upper = np.asarray(upper, dtype=np.int64)
    lower = np.asarray(lower, dtype=np.int64)
    if upper.shape != lower.shape or upper.ndim != 1:
        raise ValueError(f"upper and lower must be of one length, found shapes {upper.shape} and {lower.shape}")
    for name, stations in (("upper", upper), ("lower", lower)):
        if stations.size and (stations.min() < 0 or stations.max() >= len(errors_m)):
            raise ValueError(f"{name} must hold station numbers from 0 to {len(errors_m) - 1}")
    return _root_mean_square_difference(errors_m, upper, lower)


@kernel
def _root_mean_square_difference(errors_m, upper, lower):
    head_se_m = np.empty(upper.size)
    draws = errors_m.shape[1]
    for k in range(upper.size):
        total = 0.0
        for draw in range(draws):
            difference = np.float64(errors_m[upper[k], draw]) - np.float64(errors_m[lower[k], draw])
            total += difference * difference
        head_se_m[k] = np.sqrt(total / draws)
    return head_se_m


def rmse_from_le90(le90_m):
    """Root mean square error [m] of normal errors without bias, of which 90 % are within ``le90_m`` [m].

    Examples
    --------
    >>> round(float(rmse_from_le90(16.0)), 2)
    9.73
    """
    return np.asarray(le90_m, dtype=np.float64) / ndtri(0.95)


def rmse_from_le95(le95_m):
    """Root mean square error [m] of normal errors without bias, of which 95 % are within ``le95_m`` [m].

    Examples
    --------
    >>> round(float(rmse_from_le95(16.70)), 2)
    8.52
    """
    return np.asarray(le95_m, dtype=np.float64) / ndtri(0.975)
