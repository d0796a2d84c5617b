"""Gauges whose statistic is zero: the probability of zero, and fits that treat them as censored."""

import math
import warnings
from typing import NamedTuple

import numpy as np
import pandas as pd
from scipy import stats
from scipy.special import expit, log_ndtr
from statsmodels.discrete.discrete_model import Logit
from statsmodels.tools.sm_exceptions import ConvergenceWarning, PerfectSeparationError, PerfectSeparationWarning

from sitefinder.catalogue.equations import LN_10, Equation, percent_from_log10
from sitefinder.errors import InputError
from sitefinder.hydrology.regression import (
    MIN_SPARE_GAUGES,
    NO_FORMS,
    Diagnostics,
    LeastSquares,
    design_of,
    have_form,
    least_squares,
    normality_p,
    predictor_of,
    statistic_of,
    variance_inflation,
)

MAX_STEPS = 200
# A step that changes no coefficient, in units of its standard error, by more than this ends the search.
SMALL_STEP = 1e-10
# A coefficient's error in units of its predictor's spread above which a logistic fit counts as separated: the
# predictor would multiply the odds by more than exp(10) from one standard deviation to the next (own choice).
MAX_SCALED_ERROR = 10.0
# Scatter about a censored fit above which it is refused [log10]: flows of rivers differ by less (own choice).
MAX_STANDARD_ERROR_LOG10 = 6.0


class LogisticFit(NamedTuple):
    """A logit that is linear in k columns; ``penalised`` where the plain fit had no finite answer."""

    coefficients: np.ndarray
    covariance: np.ndarray
    penalised: bool
    misclassified_percent: float


class CensoredFit(NamedTuple):
    """A linear fit of n responses of which some are known only to be below a limit; ``sigma`` is its scatter."""

    coefficients: np.ndarray
    covariance: np.ndarray
    sigma: float
    log_likelihood: float


def fit_zero_probability(design, is_zero):
    """Probability of zero by logistic regression, with finite answers also where a predictor separates the two.

    Parameters
    ----------
    design : ndarray, shape (n, k)
        A constant first.
    is_zero : ndarray of bool, shape (n,)
        With at least one of each.

    Returns
    -------
    LogisticFit
        Maximum likelihood; where that runs away, because a predictor parts zeros from the others or nearly so,
        the penalised likelihood of [1]_ as [2]_ advise.

    References
    ----------
    .. [1] D. Firth, "Bias reduction of maximum likelihood estimates," Biometrika, vol. 80, no. 1, pp. 27-38, 1993.
    .. [2] G. Heinze and M. Schemper, "A solution to the problem of separation in logistic regression," Stat. Med.,
       vol. 21, no. 16, pp. 2409-2419, 2002.
    """
    response = is_zero.astype(np.float64)
    plain = _plain_logit(design, response)
    if plain is None:
        coefficients, covariance = _penalised_logit(design, response)
    else:
        coefficients, covariance = plain
    predicted_zero = expit(design @ coefficients) > 0.5
    return LogisticFit(coefficients, covariance, plain is None, 100.0 * float(np.mean(predicted_zero != is_zero)))


def fit_censored(design, response, censored, limit):
    r"""A linear fit by maximum likelihood when some responses are only known to be below a limit (Tobit).

    Parameters
    ----------
    design : ndarray, shape (n, k)
    response : ndarray, shape (n,)
        Values where they are known; not looked at where censored.
    censored : ndarray of bool, shape (n,)
    limit : float
        What censored responses are below, in the response's units.

    Returns
    -------
    CensoredFit or None
        ``covariance`` is that of the coefficients, from the inverse of the observed information; ``sigma`` is
        corrected for the k coefficients by n / (n − k), as in least squares. None where the search does not
        end.

    Notes
    -----
    The likelihood of [1]_ in the parameters :math:`1/\sigma` and :math:`b/\sigma`, in which it has one maximum
    [2]_; Newton's method finds it.

    References
    ----------
    .. [1] J. Tobin, "Estimation of relationships for limited dependent variables," Econometrica, vol. 26, no. 1,
       pp. 24-36, 1958.
    .. [2] R. J. Olsen, "Note on the uniqueness of the maximum likelihood estimator for the Tobit model,"
       Econometrica, vol. 46, no. 5, pp. 1211-1215, 1978.
    """
    rows, columns = design.shape
    value = np.where(censored, limit, response)
    known = ~censored
    start, *_ = np.linalg.lstsq(design, value, rcond=None)
    spread = math.sqrt(float(np.mean((value - design @ start) ** 2)))
    if spread == 0:
        return None
    # The last parameter is 1/sigma, the others b/sigma; a row's residual is then signed @ parameters.
    parameters = np.append(start, 1.0) / spread
    signed = np.column_stack([-design, value])

    def log_likelihood(parameters):
        if parameters[-1] <= 0:
            return -math.inf
        scaled = signed @ parameters
        exact = math.log(parameters[-1]) - 0.5 * math.log(2 * math.pi) - 0.5 * scaled[known] ** 2
        return float(exact.sum() + log_ndtr(scaled[censored]).sum())

    reached = log_likelihood(parameters)
    for _ in range(MAX_STEPS):
        scaled = signed @ parameters
        # Of the normal distribution below the limit: density over share.
        ratio = np.exp(stats.norm.logpdf(scaled[censored]) - log_ndtr(scaled[censored]))
        slope = signed[censored].T @ ratio - signed[known].T @ scaled[known]
        curve = np.ones(rows)
        curve[censored] = ratio * (ratio + scaled[censored])
        information = signed.T @ (curve[:, None] * signed)
        slope[-1] += known.sum() / parameters[-1]
        information[-1, -1] += known.sum() / parameters[-1] ** 2
        step = np.linalg.solve(information, slope)
        length = 1.0
        while log_likelihood(parameters + length * step) < reached - 1e-9 and length > 1e-6:
            length /= 2
        parameters = parameters + length * step
        reached = log_likelihood(parameters)
        if float(slope @ step) < SMALL_STEP:
            break
    else:
        return None
    sigma = 1.0 / parameters[-1]
    coefficients = parameters[:-1] * sigma
    # From (b/sigma, 1/sigma) to b: db = sigma d(b/sigma) − b sigma d(1/sigma).
    change = np.column_stack([sigma * np.eye(columns), -coefficients * sigma])
    corrected = rows / (rows - columns)
    covariance = corrected * (change @ np.linalg.inv(information) @ change.T)
    return CensoredFit(coefficients, (covariance + covariance.T) / 2, sigma * math.sqrt(corrected), reached)


# Coefficients and covariance by maximum likelihood, or None where there is no finite or no useful maximum.
def _plain_logit(design, response):
    with warnings.catch_warnings():
        for kind in (ConvergenceWarning, PerfectSeparationWarning, RuntimeWarning):
            warnings.simplefilter("ignore", kind)
        try:
            found = Logit(response, design).fit(disp=0, maxiter=MAX_STEPS)
        except (np.linalg.LinAlgError, PerfectSeparationError):
            return None
    if not found.mle_retvals["converged"]:
        return None
    covariance = np.asarray(found.cov_params())
    with np.errstate(invalid="ignore"):
        errors = np.sqrt(np.diag(covariance)) * design.std(axis=0)
    # Written so that an error that is no number is too large as well.
    if not (errors <= MAX_SCALED_ERROR).all():
        return None
    return np.asarray(found.params), covariance


# Fisher's scoring on Firth's modified score X'(y − p + h (1/2 − p)), h being the leverages of the weighted rows.
# The fit does not depend on how its columns are combined, so these are made orthonormal first: a predictor that
# varies little about a mean far from nothing would otherwise let the steps run away. A step that loses likelihood
# is halved.
def _penalised_logit(design, response):
    columns, triangle = np.linalg.qr(design)

    # Probability, information and penalised log likelihood.
    def at(coefficients):
        logit = columns @ coefficients
        probability = expit(logit)
        information = columns.T @ ((probability * (1.0 - probability))[:, None] * columns)
        log_likelihood = response @ logit - np.logaddexp(0.0, logit).sum()
        return probability, information, log_likelihood + 0.5 * np.linalg.slogdet(information).logabsdet

    coefficients = np.zeros(design.shape[1])
    probability, information, reached = at(coefficients)
    for _ in range(MAX_STEPS):
        covariance = np.linalg.inv(information)
        weight = probability * (1.0 - probability)
        leverage = weight * np.einsum("ij,jk,ik->i", columns, covariance, columns)
        step = covariance @ (columns.T @ (response - probability + leverage * (0.5 - probability)))
        tried = at(coefficients + step)
        while np.abs(step).max() > SMALL_STEP and tried[-1] < reached:
            step /= 2.0
            tried = at(coefficients + step)
        coefficients = coefficients + step
        probability, information, reached = tried
        if np.abs(step).max() <= SMALL_STEP:
            break
    back = np.linalg.inv(triangle)
    return back @ coefficients, back @ np.linalg.inv(information) @ back.T


class CensoredEquation(NamedTuple):
    """A `Fit` with the censoring limit of zeros."""

    equation: Equation
    diagnostics: Diagnostics
    limit_m3s: float


def fit_censored_equation(
    gauges, flow_column, predictor_columns, zero, source, region=None, limit_m3s=None, forms=NO_FORMS
):
    """One statistic regressed in log10 space with zeros as values below a limit.

    Parameters
    ----------
    gauges : DataFrame
    flow_column : str
        Column of the statistic [m³/s].
    predictor_columns : list of str
    zero : ndarray of bool, shape (n,)
        Gauges whose statistic is zero and whose predictors have values in their forms.
    source : str
    region : str, optional
    limit_m3s : float, optional
        By default the smallest value that is not zero.
    forms : dict of str to sitefinder.settings.flows.PredictorForm, optional

    Returns
    -------
    CensoredEquation
        Its bias correction is that of normal residuals, exp((ln 10 · s)² / 2), because the residuals of zeros are
        not known. Residuals of zeros are NaN.

    Raises
    ------
    InputError
        If fewer gauges than coefficients + 3 have a value that is not zero, the likelihood has no maximum, or the
        flows scatter over more powers of ten than rivers do.
    """
    flow = gauges[flow_column].to_numpy(dtype=np.float64)
    whole = np.isfinite(flow) & (flow > 0) & have_form(gauges, predictor_columns, forms)
    is_used = whole | zero
    used, below = gauges[is_used], zero[is_used]
    size = len(predictor_columns) + 1
    if whole.sum() < size + MIN_SPARE_GAUGES:
        raise InputError.of(
            f"too few gauges to fit {flow_column}",
            expected=f"at least {size + MIN_SPARE_GAUGES} that are not zero, for {size} coefficients",
            found=f"{whole.sum()} of {len(gauges)}",
            fix="add gauges, or name fewer predictors",
        )
    limit_m3s = float(gauges[flow_column][whole].min()) if limit_m3s is None else limit_m3s
    design = design_of(used, predictor_columns, forms)
    response = np.full(len(used), np.nan)
    response[~below] = np.log10(used[flow_column].to_numpy(dtype=np.float64)[~below])
    limit = math.log10(limit_m3s)
    fit = least_squares_of_censored(design, response, below, limit)
    if fit is None:
        raise InputError.of(
            f"the censored fit of {flow_column} found no answer",
            expected="predictors that vary among the gauges, each in its own way, and scatter about the fit",
            found=", ".join(predictor_columns),
            fix='leave out a predictor, or set fit.zero_flows = "probability"',
        )
    if fit.model_error_variance > MAX_STANDARD_ERROR_LOG10**2:
        raise InputError.of(
            f"the flows {flow_column} of gauges scatter too widely about the censored fit",
            expected=f"a standard error of at most {MAX_STANDARD_ERROR_LOG10:g} powers of ten",
            found=f"{math.sqrt(fit.model_error_variance):.3g}",
            fix="check the units of flows and areas, gauge by gauge",
        )
    left_out = np.full(len(used), np.nan)
    for row in np.flatnonzero(~below):
        others = np.arange(len(used)) != row
        without = least_squares_of_censored(design[others], response[others], below[others], limit)
        if without is not None:
            left_out[row] = response[row] - design[row] @ without.coefficients
    fit = fit._replace(left_out=left_out)
    variance = fit.model_error_variance
    diagnostics = Diagnostics(
        gauges=used.index,
        dropped=pd.DataFrame({"gauge": gauges.index[~is_used], "reason": "no number, or one without a logarithm"}),
        fit=fit,
        standard_error_percent=percent_from_log10(math.sqrt(variance)),
        smearing_factor=float(np.mean(10.0 ** fit.residuals[~below])),
        leave_one_out_rmse_log10=float(np.sqrt(np.nanmean(left_out**2))),
        variance_inflation=variance_inflation(design),
        normality_p=normality_p(fit.residuals[~below]),
    )
    equation = Equation(
        statistic=statistic_of(flow_column) or flow_column,
        form="log10",
        constant=fit.coefficients[0],
        predictors=tuple(
            predictor_of(column, coefficient, used[column], forms)
            for column, coefficient in zip(predictor_columns, fit.coefficients[1:], strict=True)
        ),
        flow_unit="m3s",
        standard_error_log10=math.sqrt(variance),
        gauges=len(used),
        bias_correction=math.exp(0.5 * LN_10**2 * variance),
        covariance=tuple(map(tuple, fit.covariance.tolist())),
        model_error_variance=variance,
        greatest_leverage=float(fit.leverage.max()),
        source=source,
        table=f"fitted by sitefinder, censored regression, {below.sum()} zeros as below {limit_m3s:.3g} m³/s",
        region=region,
    )
    return CensoredEquation(equation, diagnostics, limit_m3s)


def least_squares_of_censored(design, response, below, limit):
    """A censored fit in the form of a least-squares fit, for the figures that both have, or None.

    Leverage is that of the design matrix alone; residuals of censored rows are NaN. R² is the share of the
    variance of the response, censored or not, that the fit explains, by McKelvey & Zavoina (1975, J. Math.
    Sociol. 4:103-120, from memory): without censored rows that of least squares.
    """
    plain = least_squares(design, np.where(below, limit, response))
    found = None if plain is None else fit_censored(design, response, below, limit)
    if found is None:
        return None
    residuals = np.where(below, np.nan, response - design @ found.coefficients)
    explained = float(np.var(design @ found.coefficients))
    left = found.sigma**2 * (len(response) - design.shape[1]) / len(response)
    return LeastSquares(
        coefficients=found.coefficients,
        standard_errors=np.sqrt(np.diag(found.covariance)),
        covariance=found.covariance,
        mse=found.sigma**2,
        r_squared=explained / (explained + left),
        residuals=residuals,
        leverage=plain.leverage,
        left_out=np.full(len(residuals), np.nan),
        model_error_variance=found.sigma**2,
        cook=np.full(len(residuals), np.nan),
    )
