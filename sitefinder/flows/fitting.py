"""Regional equations fitted from a table of gauges, by least squares in log space, with their diagnostics."""

import math
import re
from typing import NamedTuple

import numpy as np
import pandas as pd
from scipy import linalg

from sitefinder.errors import InputError, listed
from sitefinder.flows.equations import LN_10, Equation, Predictor, percent_from_log10
from sitefinder.units import TO_KEPT_UNIT

FLOW_COLUMN = re.compile(r"flow_(mean|q\d+(?:\.\d+)?|[a-z0-9_]+)_m3s")
# Gauges beyond the number of coefficients that a fit needs before its error means anything (own choice).
LEAST_SPARE_GAUGES = 3
# Ratio of singular values of the scaled design under which its columns are taken as one another's copies.
LEAST_SINGULAR_RATIO = 1e-10
# Above this squared error in log10 the percentage overflows; such a fit says nothing, and infinity says so.
GREATEST_MSE_LOG10 = 700.0 / LN_10**2


class LeastSquares(NamedTuple):
    """A linear fit of n rows on k columns.

    ``covariance`` is MSE·(XᵀWX)⁻¹, ``mse`` = Σ w r² / (n − k) with weights of mean 1, ``leverage`` the diagonal of
    the hat matrix, ``left_out`` each row's residual from the fit without it.
    """

    coefficients: np.ndarray
    standard_errors: np.ndarray
    covariance: np.ndarray
    mse: float
    r_squared: float
    residuals: np.ndarray
    leverage: np.ndarray
    left_out: np.ndarray


class Diagnostics(NamedTuple):
    """How well an equation fits its gauges; logs are to base 10.

    ``gauges`` are the labels of the rows used and ``dropped`` a table (gauge, reason) of those that were not.
    """

    gauges: pd.Index
    dropped: pd.DataFrame
    fit: LeastSquares
    standard_error_percent: float
    smearing_factor: float
    leave_one_out_rmse_log10: float


class Fit(NamedTuple):
    """An equation and how it was come by."""

    equation: Equation
    diagnostics: Diagnostics


def statistic_of(column):
    """Statistic that a gauge table's flow column holds, or None.

    Examples
    --------
    >>> statistic_of("flow_mean_m3s"), statistic_of("flow_q05_m3s"), statistic_of("area_km2")
    ('mean', 'exceedance_5', None)
    """
    matched = FLOW_COLUMN.fullmatch(column)
    if not matched:
        return None
    name = matched[1]
    return f"exceedance_{float(name[1:]):g}" if re.fullmatch(r"q\d+(?:\.\d+)?", name) else name


def fit_equations(gauges, predictor_columns, source, weights_column=None, region=None):
    """A `Fit` for each flow column of a gauge table, in the table's order.

    Parameters
    ----------
    gauges : DataFrame
        One row a gauge; flow columns ``flow_mean_m3s`` and ``flow_qNN_m3s`` (exceeded NN % of the time).
    predictor_columns : list of str
        Columns to regress on, log-log, such as ``area_km2``.
    source : str
        Where the table comes from; goes into each equation.
    weights_column : str, optional
        Column of weights, such as years of record.
    region : str, optional

    Returns
    -------
    list of Fit

    Raises
    ------
    InputError
        If there is no flow column, or a fit fails, see `fit_equation`.
    """
    columns = [column for column in gauges.columns if statistic_of(column)]
    if not columns:
        raise InputError.of(
            "the gauge table has no flow statistics",
            expected="columns flow_mean_m3s and flow_qNN_m3s, the flow exceeded NN % of the time",
            found=listed(gauges.columns, 20),
            fix="rename the columns; a 5 % quantile is the flow exceeded 95 % of the time, flow_q95_m3s",
        )
    return [fit_equation(gauges, column, predictor_columns, source, weights_column, region) for column in columns]


def fit_equation(gauges, flow_column, predictor_columns, source, weights_column=None, region=None):
    """One statistic regressed on predictors in log10 space, as an equation with its covariance.

    Parameters
    ----------
    gauges : DataFrame
        See `fit_equations`.
    flow_column : str
        Column of the statistic [m³/s].
    predictor_columns : list of str
    source : str
    weights_column : str, optional
        Weights of the gauges; equal where not given.
    region : str, optional

    Returns
    -------
    Fit
        The equation carries MSE·(XᵀX)⁻¹ as covariance, MSE as model error variance, the gauges' ranges and, as
        its bias correction, the smearing factor of [1]_ (weighted as the fit is).

    Raises
    ------
    InputError
        If fewer gauges than coefficients + 3 can be used, or predictors are one another's copies.

    Notes
    -----
    A gauge whose statistic or predictor is missing, zero or negative has no logarithm. It is left out and listed
    with its reason, so that the equation is one for streams whose statistic is not zero.

    References
    ----------
    .. [1] N. Duan, "Smearing estimate: a nonparametric retransformation method," J. Am. Stat. Assoc., vol. 78,
       no. 383, pp. 605-610, 1983.
    """
    reasons = _reasons_against(gauges, flow_column, predictor_columns, weights_column)
    used = gauges[(reasons == "").to_numpy()]
    dropped = pd.DataFrame({"gauge": reasons.index, "reason": reasons.to_numpy()})[(reasons != "").to_numpy()]
    size = len(predictor_columns) + 1
    if len(used) < size + LEAST_SPARE_GAUGES:
        why = ", ".join(f"{count} {reason}" for reason, count in dropped["reason"].value_counts().items())
        raise InputError.of(
            f"too few gauges to fit {flow_column}",
            expected=f"at least {size + LEAST_SPARE_GAUGES} for {size} coefficients",
            found=f"{len(used)} of {len(gauges)} can be used" + (f" ({why})" if why else ""),
            fix="add gauges, name fewer predictors, or leave this column out of the table",
        )
    logs = np.log10(used[predictor_columns].to_numpy(dtype=np.float64))
    weights = None if weights_column is None else used[weights_column].to_numpy(dtype=np.float64)
    response = np.log10(used[flow_column].to_numpy(dtype=np.float64))
    fit = least_squares(np.column_stack([np.ones(len(used)), logs]), response, weights)
    if fit is None:
        raise InputError.of(
            f"the predictors of {flow_column} cannot be told apart",
            expected="predictors that vary among the gauges, each in its own way",
            found=f"{', '.join(predictor_columns)}: one is constant or follows from the others",
            fix="leave one of them out of flows.gauges.predictors",
        )
    smearing = float(np.average(10.0**fit.residuals, weights=weights))
    # A law without scatter would have no error at all, which an equation may not state.
    mse = max(fit.mse, np.finfo(np.float64).tiny)
    diagnostics = Diagnostics(
        gauges=used.index,
        dropped=dropped,
        fit=fit,
        standard_error_percent=percent_from_log10(math.sqrt(mse)) if mse < GREATEST_MSE_LOG10 else math.inf,
        smearing_factor=smearing,
        leave_one_out_rmse_log10=float(np.sqrt(np.mean(fit.left_out**2))),
    )
    equation = Equation(
        statistic=statistic_of(flow_column) or flow_column,
        form="log10",
        constant=fit.coefficients[0],
        predictors=tuple(
            _predictor(column, coefficient, used[column])
            for column, coefficient in zip(predictor_columns, fit.coefficients[1:], strict=True)
        ),
        flow_unit="m3s",
        standard_error_log10=math.sqrt(mse),
        gauges=len(used),
        bias_correction=smearing,
        covariance=tuple(map(tuple, fit.covariance.tolist())),
        model_error_variance=mse,
        source=source,
        table="fitted by sitefinder, " + ("ordinary" if weights is None else "weighted") + " least squares",
        region=region,
    )
    return Fit(equation, diagnostics)


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
    rows, columns = design.shape
    weights = np.ones(rows) if weights is None else weights / weights.mean()
    # Columns of one length, so that units do not look like a lack of rank.
    root = np.sqrt(weights)[:, None]
    lengths = np.linalg.norm(design * root, axis=0)
    if not (lengths > 0).all():
        return None
    left, singular, right = linalg.svd(design * root / lengths, full_matrices=False)
    if singular[-1] < LEAST_SINGULAR_RATIO * singular[0]:
        return None
    back = right.T / singular / lengths[:, None]
    coefficients = back @ (left.T @ (response * root[:, 0]))
    residuals = response - design @ coefficients
    squares = float(weights @ residuals**2)
    mse = squares / (rows - columns)
    covariance = mse * (back @ back.T)
    leverage = np.sum(left**2, axis=1)
    about_mean = float(weights @ (response - np.average(response, weights=weights)) ** 2)
    return LeastSquares(
        coefficients=coefficients,
        standard_errors=np.sqrt(np.diag(covariance)),
        covariance=(covariance + covariance.T) / 2,
        mse=mse,
        r_squared=1.0 - squares / about_mean if about_mean > 0 else math.nan,
        residuals=residuals,
        leverage=leverage,
        left_out=residuals / (1.0 - leverage),
    )


# Of each gauge, the first thing that has no logarithm, or an empty text.
def _reasons_against(gauges, flow_column, predictor_columns, weights_column):
    columns = [flow_column, *predictor_columns, *([weights_column] if weights_column else [])]
    reasons = np.full(len(gauges), "", dtype=object)
    for column in columns:
        value = gauges[column].to_numpy(dtype=np.float64)
        for bad, word in ((~np.isfinite(value), "missing"), (value == 0, "zero"), (value < 0, "negative")):
            reasons[bad & (reasons == "")] = f"{column} {word}"
    return pd.Series(reasons, index=gauges.index, dtype=object)


# A predictor of a fitted equation; the unit is what follows the last underscore, if that is a unit.
def _predictor(column, coefficient, values):
    name, _, unit = column.rpartition("_")
    kept = name != "" and TO_KEPT_UNIT.get(unit, ("", 0.0)) == (unit, 1.0) and unit != "none"
    return Predictor(
        name=name if kept else column,
        unit=unit if kept else "none",
        coefficient=coefficient,
        least=values.min(),
        most=values.max(),
    )
