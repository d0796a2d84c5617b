"""Regional equations at work: the flow, interval, warnings and probabilities that they give at stations."""

import math
from typing import NamedTuple

import numpy as np
from scipy.special import expit, stdtrit

from sitefinder.catalogue.equations import (
    DRY_DAY,
    LN_10,
    LOG_FORMS,
    ZERO_OF,
    Equation,
    Predictor,
    Term,
    check_equations,
    exceedance_percent,
    log10_from_percent,
    percent_from_log10,
)
from sitefinder.errors import InputError, listed
from sitefinder.units import TO_INTERNAL_UNIT, from_internal_unit

__all__ = [
    "DRY_DAY",
    "INTERVAL_SHARE",
    "LN_10",
    "ZERO_OF",
    "Applied",
    "Equation",
    "Predictor",
    "Probability",
    "Term",
    "apply_equation",
    "check_equations",
    "exceedance_percent",
    "log10_from_percent",
    "percent_from_log10",
    "zero_probability",
]

# The share of future gauges that the interval should hold.
INTERVAL_SHARE = 0.90
# A leverage above this multiple of the mean, which is k / n, is high: Helsel et al. (2020), U.S. Geol. Surv. Tech.
# Methods 4-A3, chapter 9 (from memory).
HIGH_LEVERAGE = 3.0


class Applied(NamedTuple):
    """What an equation gives at n stations.

    ``flow_m3s`` carries the bias correction; the interval is about the median, so the median is
    ``sqrt(low_m3s * high_m3s)``. ``outside`` holds, for each predictor's column, where it is out of the
    equation's range; ``leverage`` is NaN without a covariance, and ``beyond_leverage`` is true where it is above
    the limit. ``missing`` is true where a predictor is absent or has no logarithm, and flow is NaN; ``negative``
    where an untransformed equation fell below nothing, and flow is 0; ``widened`` where the equation widens its
    interval.
    """

    flow_m3s: np.ndarray
    low_m3s: np.ndarray
    high_m3s: np.ndarray
    log_sd: np.ndarray
    outside: dict
    missing: np.ndarray
    leverage: np.ndarray
    beyond_leverage: np.ndarray
    negative: np.ndarray
    widened: np.ndarray


class Probability(NamedTuple):
    """What a logistic equation gives at n stations: the probability of no flow, and the warnings of `Applied`."""

    zero: np.ndarray
    outside: dict
    missing: np.ndarray


def apply_equation(equation, predictors):
    r"""Flow of one equation at every station, with its 90 % prediction interval.

    Parameters
    ----------
    equation : Equation
        In the units of its source; of any form but the logistic.
    predictors : DataFrame, n rows
        One row a station; columns in kept units, such as ``area_km2`` and ``precipitation_mm``.

    Returns
    -------
    Applied
        Arrays of n; flows in [m³/s], ``log_sd`` in natural logs.

    Raises
    ------
    InputError
        If a column that the equation needs is not there.
    ValueError
        If the equation is logistic.

    Notes
    -----
    The interval is that of [1]_ and [2]_: :math:`(Q/B)/T < Q < T (Q/B)` with the bias correction *B* divided out
    first, :math:`T = 10^{t S}`, *t* for n − k degrees of freedom and :math:`S = \sqrt{\gamma^2 + x U x'}` where
    the covariance *U* and the model error variance are published; else *S* is the standard error.

    An untransformed equation has its error in flow or in percent. Both become a spread of natural logs
    :math:`\sqrt{\ln(1 + (S/Q)^2)}`, as the percent formula has it, so that no end of the interval is negative;
    this is our own choice, the sources give none.

    Leverage is :math:`x U x' / s^2` with :math:`s^2` the greater of the model error variance and the squared
    standard error: with ordinary least squares that is the diagonal of the hat matrix. Its limit is the greatest
    leverage of the gauges where the file states it, else 3 k / n.

    Where the file widens the interval, because it covered too few held-out gauges (`sitefinder fit-flows`), *S* is
    multiplied by ``interval_widening``.

    References
    ----------
    .. [1] G. D. Tasker and N. E. Driver, "Nationwide regression models for predicting urban runoff water quality
       at unmonitored sites," Water Resour. Bull., vol. 24, no. 5, pp. 1091-1101, 1988.
    .. [2] K. G. Ries and P. J. Friesz, "Methods for estimating low-flow statistics for Massachusetts streams,"
       U.S. Geol. Surv. Water-Resources Invest. Rep. 00-4135, 2000.
    """
    if equation.form == "logistic":
        raise ValueError(f"the equation for {equation.statistic} gives a probability, not a flow")
    values = _values(equation, predictors)
    design = _design(equation, values, len(predictors))
    missing = np.isnan(design).any(axis=1)
    spread = _prediction_spread(equation, design)
    if equation.form in LOG_FORMS:
        to_ln = LN_10 if equation.form == "log10" else 1.0
        median_log = to_ln * (design @ _coefficients(equation)) + math.log(TO_INTERNAL_UNIT[equation.flow_unit][1])
        negative = np.zeros(len(predictors), dtype=bool)
        log_sd = to_ln * spread
    else:
        median_log, negative, log_sd = _untransformed(equation, design, spread)
    log_sd = log_sd * equation.interval_widening
    half_width = _t_factor(equation) * log_sd
    leverage = _leverage(equation, design)
    return Applied(
        flow_m3s=np.exp(median_log) * equation.bias_correction,
        low_m3s=np.exp(median_log - half_width),
        high_m3s=np.exp(median_log + half_width),
        log_sd=log_sd,
        outside=_outside(equation, values),
        missing=missing,
        leverage=leverage,
        beyond_leverage=leverage > _leverage_limit(equation),
        negative=negative,
        widened=np.full(len(predictors), equation.interval_widening > 1),
    )


def zero_probability(equation, predictors):
    """Probability of no flow of a logistic equation at every station.

    Parameters
    ----------
    equation : Equation
        Of the logistic form. With ``logit_of = "zero"`` the probability is e^z / (1 + e^z), with ``"flow"`` it is
        1 − e^z / (1 + e^z); sources differ, so the file must state it.
    predictors : DataFrame, n rows
        See `apply_equation`.

    Returns
    -------
    Probability

    Raises
    ------
    InputError
        If a column that the equation needs is not there.
    """
    values = _values(equation, predictors)
    design = _design(equation, values, len(predictors))
    z = design @ _coefficients(equation)
    return Probability(
        zero=expit(z if equation.logit_of == "zero" else -z),
        outside=_outside(equation, values),
        missing=np.isnan(design).any(axis=1),
    )


# Leverage above which a station lies beyond the gauges, see `apply_equation`.
def _leverage_limit(equation):
    if equation.greatest_leverage is not None:
        return equation.greatest_leverage
    return HIGH_LEVERAGE * equation.coefficients / equation.gauges


# Each predictor at every station, in the unit of the source.
def _values(equation, predictors):
    absent = sorted({item.column for item in equation.predictors} - set(predictors.columns))
    if absent:
        raise InputError.of(
            f"the equation for {equation.statistic} needs predictors that the stations do not have",
            expected=listed([item.column for item in equation.predictors], 20),
            found=listed(predictors.columns, 20),
            fix=f"give a raster for each under inputs.covariates: {listed(absent, 20)}; or use another equation",
        )
    return [
        from_internal_unit(predictors[item.column].to_numpy(dtype=np.float64), item.unit)
        for item in equation.predictors
    ]


# A row a station, a column a coefficient; rows with a term that is no finite number are NaN.
def _design(equation, values, stations):
    with np.errstate(all="ignore"):
        transformed = [
            _transformed(equation, item, value) for item, value in zip(equation.predictors, values, strict=True)
        ]
        by_name = {item.name: term for item, term in zip(equation.predictors, transformed, strict=True)}
        products = [
            np.prod([by_name[name] ** power for name, power in term.powers.items()], axis=0)
            for term in equation.terms
        ]
    own = [
        term for item, term in zip(equation.predictors, transformed, strict=True) if item.coefficient is not None
    ]
    constant = [np.ones(stations)] if equation.has_constant else []
    design = np.column_stack([*constant, *own, *products])
    known = np.isfinite(np.column_stack([*transformed, design])).all(axis=1)
    design[~known] = np.nan
    return design


def _transformed(equation, item, value):
    shifted = value + item.offset
    if item.transform == "none":
        return shifted
    if item.transform == "power":
        return shifted**item.exponent
    base = equation.form if item.transform == "log" else item.transform
    return np.log10(shifted) if base == "log10" else np.log(shifted)


def _coefficients(equation):
    own = [item.coefficient for item in equation.predictors if item.coefficient is not None]
    constant = [equation.constant] if equation.constant is not None else []
    if equation.factor is not None:
        constant = [(math.log10 if equation.form == "log10" else math.log)(equation.factor)]
    return np.array([*constant, *own, *(term.coefficient for term in equation.terms)])


# Standard deviation of a prediction in the unit of the sum, x U x' and the model error together; NaN where the
# design is. An untransformed equation whose error is in percent has its own, see `_untransformed`.
def _prediction_spread(equation, design):
    if equation.covariance is not None:
        return np.sqrt(equation.model_error_variance + _sampling_variance(equation, design))
    spread = equation.standard_error_in_flow_unit
    if equation.form in LOG_FORMS:
        spread = equation.log_sd / (LN_10 if equation.form == "log10" else 1.0)
    return np.where(np.isnan(design[:, 0]), np.nan, np.nan if spread is None else spread)


def _sampling_variance(equation, design):
    return np.maximum(np.einsum("ij,jk,ik->i", design, np.array(equation.covariance), design), 0.0)


# Log flow (of m³/s, minus infinity for nothing), where it fell below nothing, and its spread in natural logs.
def _untransformed(equation, design, spread):
    flow = design @ _coefficients(equation)
    negative = flow < 0
    flow = np.where(negative, 0.0, flow)
    relative = np.divide(spread, flow, out=np.full(flow.shape, np.nan), where=flow > 0)
    if equation.covariance is None and equation.standard_error_percent is not None:
        log_sd = np.where(flow > 0, equation.log_sd, np.nan)
    else:
        log_sd = np.sqrt(np.log1p(relative**2))
    # Zero has no interval in logs; it is zero without spread, and flagged.
    log_sd = np.where(flow == 0, 0.0, log_sd)
    flow_log = np.full(flow.shape, -np.inf)
    np.log(flow, out=flow_log, where=flow != 0)
    return flow_log + math.log(TO_INTERNAL_UNIT[equation.flow_unit][1]), negative, log_sd


def _t_factor(equation):
    return stdtrit(equation.gauges - equation.coefficients, 0.5 + INTERVAL_SHARE / 2)


def _leverage(equation, design):
    if equation.covariance is None:
        return np.full(len(design), np.nan)
    variance = equation.model_error_variance
    if equation.form in LOG_FORMS:
        variance = max(variance, (equation.log_sd / (LN_10 if equation.form == "log10" else 1.0)) ** 2)
    elif equation.standard_error_in_flow_unit is not None:
        variance = max(variance, equation.standard_error_in_flow_unit**2)
    if variance == 0:
        return np.full(len(design), np.nan)
    return _sampling_variance(equation, design) / variance


# By column, where a predictor is out of range. A billionth is tolerated, because a value at the very end of the
# range comes back from km² to mi² with a last digit changed.
def _outside(equation, values):
    outside = {}
    for item, value in zip(equation.predictors, values, strict=True):
        slack = 1e-9 * max(abs(item.minimum), abs(item.maximum))
        found = (value < item.minimum - slack) | (value > item.maximum + slack)
        outside[item.column] = outside.get(item.column, False) | found
    return outside
