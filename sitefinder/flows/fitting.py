"""Regional equations fitted from a table of gauges, by least squares in log space, with their diagnostics."""

import math
import re
from typing import NamedTuple

import numpy as np
import pandas as pd

from sitefinder.errors import InputError, listed
from sitefinder.flows.equations import LN_10, Equation, Predictor, percent_from_log10
from sitefinder.flows.regression import (
    LeastSquares,
    generalised_least_squares,
    least_squares,
    normality_p,
    variance_inflation,
)
from sitefinder.units import TO_KEPT_UNIT

FLOW_COLUMN = re.compile(r"flow_(mean|q\d+(?:\.\d+)?|[a-z0-9_]+)_m3s")
# Gauges beyond the number of coefficients that a fit needs before its error means anything (own choice).
LEAST_SPARE_GAUGES = 3
# Above this squared error in log10 the percentage overflows; such a fit says nothing, and infinity says so.
GREATEST_MSE_LOG10 = 700.0 / LN_10**2


class Diagnostics(NamedTuple):
    """How well an equation fits its gauges; logs are to base 10.

    ``gauges`` are the labels of the rows used and ``dropped`` a table (gauge, reason) of those that were not;
    ``variance_inflation`` has one factor a predictor, and ``normality_p`` is the residuals' by Shapiro and Wilk.
    """

    gauges: pd.Index
    dropped: pd.DataFrame
    fit: LeastSquares
    standard_error_percent: float
    smearing_factor: float
    leave_one_out_rmse_log10: float
    variance_inflation: np.ndarray
    normality_p: float


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


def fit_equation(
    gauges, flow_column, predictor_columns, source, weights_column=None, region=None, sampling_errors=None
):
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
    sampling_errors : ndarray, shape (rows of gauges, rows of gauges), optional
        Covariance of the errors of the statistic's log10 at the gauges; makes the fit a generalised one, see
        `sitefinder.flows.regression.generalised_least_squares`. Weights are then not used.

    Returns
    -------
    Fit
        The equation carries MSE·(XᵀX)⁻¹ as covariance, MSE as model error variance (of a generalised fit its own),
        the gauges' ranges and greatest leverage and, as its bias correction, the smearing factor of [1]_
        (weighted as the fit is).

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
    kept = (reasons == "").to_numpy()
    used = gauges[kept]
    dropped = pd.DataFrame({"gauge": reasons.index, "reason": reasons.to_numpy()})[~kept]
    size = len(predictor_columns) + 1
    if len(used) < size + LEAST_SPARE_GAUGES:
        why = ", ".join(f"{count} {reason}" for reason, count in dropped["reason"].value_counts().items())
        raise InputError.of(
            f"too few gauges to fit {flow_column}",
            expected=f"at least {size + LEAST_SPARE_GAUGES} for {size} coefficients",
            found=f"{len(used)} of {len(gauges)} can be used" + (f" ({why})" if why else ""),
            fix="add gauges, name fewer predictors, or leave this column out of the table",
        )
    design, response = log_design(used, predictor_columns), np.log10(used[flow_column].to_numpy(dtype=np.float64))
    weights = None
    if sampling_errors is not None:
        method = "generalised"
        fit = generalised_least_squares(design, response, sampling_errors[np.ix_(kept, kept)])
    else:
        method = "ordinary" if weights_column is None else "weighted"
        weights = None if weights_column is None else used[weights_column].to_numpy(dtype=np.float64)
        fit = least_squares(design, response, weights)
    if fit is None:
        raise InputError.of(
            f"the predictors of {flow_column} cannot be told apart",
            expected="predictors that vary among the gauges, each in its own way",
            found=f"{', '.join(predictor_columns)}: one is constant or follows from the others",
            fix="leave one of them out of flows.gauges.predictors",
        )
    smearing = float(np.average(10.0**fit.residuals, weights=weights))
    # A law without scatter would have no error at all, which an equation may not state.
    variance = max(fit.model_error_variance, np.finfo(np.float64).tiny)
    diagnostics = Diagnostics(
        gauges=used.index,
        dropped=dropped,
        fit=fit,
        standard_error_percent=(
            percent_from_log10(math.sqrt(variance)) if variance < GREATEST_MSE_LOG10 else math.inf
        ),
        smearing_factor=smearing,
        leave_one_out_rmse_log10=float(np.sqrt(np.mean(fit.left_out**2))),
        variance_inflation=variance_inflation(design),
        normality_p=normality_p(fit.residuals),
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
        bias_correction=smearing,
        covariance=tuple(map(tuple, fit.covariance.tolist())),
        model_error_variance=variance,
        greatest_leverage=float(fit.leverage.max()),
        source=source,
        table=f"fitted by sitefinder, {method} least squares",
        region=region,
    )
    return Fit(equation, diagnostics)


def log_design(gauges, predictor_columns):
    """Design of a log-log regression, shape (gauges, 1 + columns): a constant, then log10 of each predictor."""
    logs = np.log10(gauges[predictor_columns].to_numpy(dtype=np.float64))
    return np.column_stack([np.ones(len(gauges)), logs])


# Of each gauge, the first thing that has no logarithm, or an empty text.
def _reasons_against(gauges, flow_column, predictor_columns, weights_column):
    columns = [flow_column, *predictor_columns, *([weights_column] if weights_column else [])]
    reasons = np.full(len(gauges), "", dtype=object)
    for column in columns:
        value = gauges[column].to_numpy(dtype=np.float64)
        for bad, word in ((~np.isfinite(value), "missing"), (value == 0, "zero"), (value < 0, "negative")):
            reasons[bad & (reasons == "")] = f"{column} {word}"
    return pd.Series(reasons, index=gauges.index, dtype=object)


def predictor_of(column, coefficient, values, transform="log"):
    """A predictor of a fitted equation; its unit is what follows the column's last underscore, if that is one."""
    name, _, unit = column.rpartition("_")
    kept = name != "" and TO_KEPT_UNIT.get(unit, ("", 0.0)) == (unit, 1.0) and unit != "none"
    return Predictor(
        name=name if kept else column,
        unit=unit if kept else "none",
        coefficient=coefficient,
        transform=transform,
        least=values.min(),
        most=values.max(),
    )
