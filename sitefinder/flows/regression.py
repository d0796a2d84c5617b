"""Linear regression with the figures that judge it: ordinary, weighted, and generalised least squares."""

import math
from typing import NamedTuple

import numpy as np
from scipy import linalg, optimize, stats
from statsmodels.regression.linear_model import GLS, WLS
from statsmodels.stats.outliers_influence import variance_inflation_factor

# Ratio of singular values of the scaled design under which its columns are taken as one another's copies.
LEAST_SINGULAR_RATIO = 1e-10
# The test of normality takes from 3 to 5000 residuals.
NORMALITY_ROWS = (3, 5000)


class LeastSquares(NamedTuple):
    """A linear fit of n rows on k columns.

    ``covariance`` is MSE·(XᵀWX)⁻¹, or (XᵀΛ⁻¹X)⁻¹ of a generalised fit; ``mse`` = Σ w r² / (n − k) with weights of
    mean 1; ``leverage`` the diagonal of the hat matrix; ``left_out`` each row's residual from the fit without it;
    ``model_error_variance`` what the model itself is in error by, which is ``mse`` but for generalised fits;
    ``cook`` Cook's distance of each row.
    """

    coefficients: np.ndarray
    standard_errors: np.ndarray
    covariance: np.ndarray
    mse: float
    r_squared: float
    residuals: np.ndarray
    leverage: np.ndarray
    left_out: np.ndarray
    model_error_variance: float
    cook: np.ndarray


def least_squares(design, response, weights=None):
    """A linear least-squares fit with the figures that judge it.

    Parameters
    ----------
    design : ndarray, shape (n, k)
        Columns are predictors; a constant is one of them if it is wanted.
    response : ndarray, shape (n,)
    weights : ndarray, shape (n,), optional
        Positive; scaled to a mean of 1.

    Returns
    -------
    LeastSquares or None
        None where the columns cannot be told apart.

    Notes
    -----
    ``r_squared`` is 1 − SSR/SST about the (weighted) mean, also without a constant, as in [1]_; it may then be
    negative. The residual without a row's own influence is r / (1 − h), which is exact for least squares.

    References
    ----------
    .. [1] K. Eng, Y.-Y. Chen, J. E. Kiang, "User's guide to the weighted-multiple-linear-regression program,"
       U.S. Geol. Surv. Tech. Methods 4-A8, 2009.
    """
    if not _are_independent(design):
        return None
    weights = np.ones(len(response)) if weights is None else weights / weights.mean()
    found = WLS(response, design, weights=weights).fit()
    residuals = response - design @ found.params
    squares = float(weights @ residuals**2)
    mse = squares / found.df_resid
    # The hat matrix of the whitened rows, from their orthonormal basis.
    leverage = np.sum(linalg.qr(design * np.sqrt(weights)[:, None], mode="economic")[0] ** 2, axis=1)
    covariance = mse * found.normalized_cov_params
    return LeastSquares(
        coefficients=found.params,
        standard_errors=np.sqrt(np.diag(covariance)),
        covariance=(covariance + covariance.T) / 2,
        mse=mse,
        r_squared=_r_squared(squares, response, weights),
        residuals=residuals,
        leverage=leverage,
        left_out=residuals / (1.0 - leverage),
        model_error_variance=mse,
        cook=_cook(np.sqrt(weights) * residuals, leverage, mse, design.shape[1]),
    )


def generalised_least_squares(design, response, sampling_covariance, with_left_out=True):
    r"""A fit that knows how well each row's response was measured, and what errors the rows share.

    Parameters
    ----------
    design : ndarray, shape (n, k)
    response : ndarray, shape (n,)
    sampling_covariance : ndarray, shape (n, n)
        Covariance Σ of the errors with which the responses were measured, see `sampling_covariance`.
    with_left_out : bool
        Whether ``left_out`` is wanted, which costs a fit for each row; NaN where not.

    Returns
    -------
    LeastSquares or None
        None where the columns cannot be told apart. ``left_out`` comes from a fit without the row, with the same
        covariance.

    Notes
    -----
    The errors' covariance is :math:`\Lambda = \gamma^2 I + \Sigma`; the model error variance :math:`\gamma^2` is
    the root of :math:`(y - Xb)' \Lambda^{-1} (y - Xb) = n - k`, with *b* the generalised solution for that very
    :math:`\Lambda` [1]_, eq. 21 of [2]_; nothing where the sampling errors alone are larger than the scatter.

    References
    ----------
    .. [1] J. R. Stedinger and G. D. Tasker, "Regional hydrologic analysis: 1. Ordinary, weighted, and generalized
       least squares compared," Water Resour. Res., vol. 21, no. 9, pp. 1421-1432, 1985.
    .. [2] K. Eng, Y.-Y. Chen, J. E. Kiang, "User's guide to the weighted-multiple-linear-regression program,"
       U.S. Geol. Surv. Tech. Methods 4-A8, 2009.
    """
    if not _are_independent(design):
        return None
    rows, columns = design.shape
    unit = np.eye(rows)

    def surplus(variance):
        fitted = GLS(response, design, sigma=variance * unit + sampling_covariance).fit()
        return float(fitted.wresid @ fitted.wresid) - (rows - columns)

    most = 2.0 * float(np.sum((response - response.mean()) ** 2)) / (rows - columns) + np.finfo(float).tiny
    least = most * 1e-12
    # The surplus falls as the variance grows. Without a root the sampling errors explain all of the scatter.
    variance = 0.0 if surplus(least) <= 0 else optimize.brentq(surplus, least, most, rtol=1e-13, xtol=1e-300)
    errors = max(variance, least) * unit + sampling_covariance
    found = GLS(response, design, sigma=errors).fit()
    residuals = response - design @ found.params
    covariance = found.normalized_cov_params
    leverage = np.sum(linalg.qr(found.model.wexog, mode="economic")[0] ** 2, axis=1)
    left_out = np.full(rows, np.nan)
    for row in range(rows) if with_left_out else ():
        others = np.arange(rows) != row
        without = GLS(response[others], design[others], sigma=errors[np.ix_(others, others)]).fit()
        left_out[row] = response[row] - design[row] @ without.params
    squares = float(residuals @ residuals)
    return LeastSquares(
        coefficients=found.params,
        standard_errors=np.sqrt(np.diag(covariance)),
        covariance=(covariance + covariance.T) / 2,
        mse=squares / (rows - columns),
        r_squared=_r_squared(squares, response, np.ones(rows)),
        residuals=residuals,
        leverage=leverage,
        left_out=left_out,
        model_error_variance=variance,
        cook=_cook(found.wresid, leverage, 1.0, columns),
    )


def sampling_covariance(year_sd, years, correlation):
    r"""Covariance of the sampling errors of statistics from records of limited length.

    Parameters
    ----------
    year_sd : float
        Standard deviation of the statistic of single years, in the units of the response, of a typical gauge.
    years : ndarray, shape (n,)
        Years of record.
    correlation : ndarray, shape (n, n)
        Correlation of single years between the gauges.

    Returns
    -------
    ndarray, shape (n, n)

    Notes
    -----
    :math:`\Sigma_{ij} = \rho_{ij} \sigma^2 m_{ij} / (m_i m_j)`, eqs. 19-20 of [1]_ for the mean of the records
    (their factors of frequency and skew apply to floods only). How long two records overlap, *m_ij*, is taken as
    the shorter of both, which is the most it can be (own choice, on the side of more shared error).

    References
    ----------
    .. [1] K. Eng, Y.-Y. Chen, J. E. Kiang, "User's guide to the weighted-multiple-linear-regression program,"
       U.S. Geol. Surv. Tech. Methods 4-A8, 2009.

    Examples
    --------
    Four years halve the error of one:

    >>> sampling_covariance(0.2, np.array([4.0]), np.eye(1)).round(6).tolist()
    [[0.01]]
    """
    overlap = np.minimum(years[:, None], years[None, :])
    return correlation * year_sd**2 * overlap / (years[:, None] * years[None, :])


def correlation_by_distance(distance_km, theta, alpha_per_km):
    r"""Correlation of years between gauges, :math:`\theta^{d / (\alpha d + 1)}`, eq. 20 of Eng et al. (2009).

    Examples
    --------
    >>> correlation_by_distance(np.array([0.0, 100.0]), 0.98, 0.01).round(4).tolist()
    [1.0, 0.3642]
    """
    return theta ** (distance_km / (alpha_per_km * distance_km + 1.0))


def variance_inflation(design):
    """Variance inflation factor of each column but the constant, which comes first; NaN for a lone column's.

    Examples
    --------
    Two predictors with correlation *r* both have 1 / (1 − r²):

    >>> x = np.array([-1.0, -1.0, 1.0, 1.0])
    >>> variance_inflation(np.column_stack([np.ones(4), x, [-2.0, 0.0, 0.0, 2.0]])).round(6).tolist()
    [2.0, 2.0]
    """
    if design.shape[1] < 3:
        return np.ones(design.shape[1] - 1)
    return np.array([variance_inflation_factor(design, column) for column in range(1, design.shape[1])])


def normality_p(residuals):
    """Probability of residuals as far from normal as these if they were normal, after Shapiro & Wilk (1965).

    NaN for fewer than 3 residuals, more than 5000, or ones without any spread.
    """
    few, many = NORMALITY_ROWS
    if not few <= residuals.size <= many or np.ptp(residuals) < 1e-12:
        return math.nan
    return float(stats.shapiro(residuals).pvalue)


# Columns of one length, so that units do not look like a lack of rank.
def _are_independent(design):
    lengths = np.linalg.norm(design, axis=0)
    if not (lengths > 0).all():
        return False
    singular = linalg.svdvals(design / lengths)
    return bool(singular[-1] >= LEAST_SINGULAR_RATIO * singular[0])


def _r_squared(squares, response, weights):
    about_mean = float(weights @ (response - np.average(response, weights=weights)) ** 2)
    return 1.0 - squares / about_mean if about_mean > 0 else math.nan


# Cook (1977): how far all fitted values move when a row is left out, in units of their error. A fit without
# scatter has no such unit, and nothing moves.
def _cook(whitened_residuals, leverage, mse, columns):
    if mse <= 0:
        return np.zeros_like(leverage)
    return whitened_residuals**2 * leverage / (columns * mse * (1.0 - leverage) ** 2)
