"""An equation from gauges of which some are zero, each of these counted as less than a limit."""

import math
from typing import NamedTuple

import numpy as np
import pandas as pd

from sitefinder.errors import InputError
from sitefinder.flows.equations import LN_10, Equation, percent_from_log10
from sitefinder.flows.fitting import (
    GREATEST_MSE_LOG10,
    LEAST_SPARE_GAUGES,
    Diagnostics,
    log_design,
    predictor_of,
    statistic_of,
)
from sitefinder.flows.regression import LeastSquares, least_squares, normality_p, variance_inflation
from sitefinder.flows.zero_flows import fit_censored


class CensoredEquation(NamedTuple):
    """A `Fit` with the limit below which a zero is taken to lie."""

    equation: Equation
    diagnostics: Diagnostics
    limit_m3s: float


def fit_censored_equation(gauges, flow_column, predictor_columns, zero, source, region=None, limit_m3s=None):
    """One statistic regressed in log10 space with zeros as values below a limit.

    Parameters
    ----------
    gauges : DataFrame
    flow_column : str
        Column of the statistic [m³/s].
    predictor_columns : list of str
    zero : ndarray of bool, shape (n,)
        Gauges whose statistic is zero and whose predictors have logarithms.
    source : str
    region : str, optional
    limit_m3s : float, optional
        The least value that is not zero where not given.

    Returns
    -------
    CensoredEquation
        Its bias correction is that of normal residuals, exp((ln 10 · s)² / 2), because the residuals of zeros are
        not known. Residuals of zeros are NaN.

    Raises
    ------
    InputError
        If fewer gauges than coefficients + 3 have a value that is not zero, or the likelihood has no maximum.
    """
    numbers = gauges[[flow_column, *predictor_columns]].to_numpy(dtype=np.float64)
    whole = (np.isfinite(numbers) & (numbers > 0)).all(axis=1)
    kept = whole | zero
    used, below = gauges[kept], zero[kept]
    size = len(predictor_columns) + 1
    if whole.sum() < size + LEAST_SPARE_GAUGES:
        raise InputError.of(
            f"too few gauges to fit {flow_column}",
            expected=f"at least {size + LEAST_SPARE_GAUGES} that are not zero, for {size} coefficients",
            found=f"{whole.sum()} of {len(gauges)}",
            fix="add gauges, or name fewer predictors",
        )
    limit_m3s = float(gauges[flow_column][whole].min()) if limit_m3s is None else limit_m3s
    design = log_design(used, predictor_columns)
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
        dropped=pd.DataFrame({"gauge": gauges.index[~kept], "reason": "no number, or one without a logarithm"}),
        fit=fit,
        standard_error_percent=(
            percent_from_log10(math.sqrt(variance)) if variance < GREATEST_MSE_LOG10 else math.inf
        ),
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
            predictor_of(column, coefficient, used[column])
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
    """A censored fit in the shape of a least-squares fit, for the figures that both have, or None.

    Leverage is that of the design alone; residuals of censored rows are NaN.
    """
    plain = least_squares(design, np.where(below, limit, response))
    found = None if plain is None else fit_censored(design, response, below, limit)
    if found is None:
        return None
    residuals = np.where(below, np.nan, response - design @ found.coefficients)
    known = ~below
    spread = float(np.var(response[known]))
    return LeastSquares(
        coefficients=found.coefficients,
        standard_errors=np.sqrt(np.diag(found.covariance)),
        covariance=found.covariance,
        mse=found.sigma**2,
        r_squared=1.0 - float(np.mean(residuals[known] ** 2)) / spread if spread > 0 else math.nan,
        residuals=residuals,
        leverage=plain.leverage,
        left_out=np.full(len(residuals), np.nan),
        model_error_variance=found.sigma**2,
        cook=np.full(len(residuals), np.nan),
    )
