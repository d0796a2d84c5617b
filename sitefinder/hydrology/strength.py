"""Strength of a regression, by its gauges and its standard error."""

from typing import NamedTuple

import numpy as np

from sitefinder.catalogue.equations import LN_10, percent_from_log10
from sitefinder.vocabulary import ADEQUATE, STRENGTH_UNKNOWN, TOO_WEAK, WEAK

MEAN = "mean"
# Above this error in log10 its percentage overflows; such a regression is useless, as infinity shows.
GREATEST_LOG10 = 10.0


class MeanRegression(NamedTuple):
    """The regression of the mean flow in one region.

    ``region`` is empty for everywhere; ``standard_error_percent`` is None where the source gives no relative one;
    ``strength`` is a name of `sitefinder.vocabulary.REGRESSION_STRENGTHS`, and ``reason`` what makes it weak, with
    the limits, empty otherwise.
    """

    region: str
    gauges: int
    standard_error_percent: float | None
    bias_correction: float
    strength: str
    reason: str


def standard_error_percent(equation):
    """Standard error of an equation [%]; None where its source gives none relative to the flow.

    A stated percentage is given as it is, so that a limit holds exactly.
    """
    if equation.standard_error_percent is not None:
        return equation.standard_error_percent
    if equation.log_sd is None:
        return None
    log10 = equation.log_sd / LN_10
    return percent_from_log10(log10) if log10 < GREATEST_LOG10 else np.inf


def regression_strength(equation, limits):
    """Strength of an equation, and what makes it weak.

    Parameters
    ----------
    equation : sitefinder.catalogue.equations.Equation
    limits : sitefinder.settings.flows.RegressionLimits
        Exactly as many gauges, or exactly as large an error, as a limit is still within it.

    Returns
    -------
    name : str
        Of `sitefinder.vocabulary.REGRESSION_STRENGTHS`.
    reason : str
        Empty unless weak.
    """
    error = standard_error_percent(equation)
    for strength, least, most in (
        (TOO_WEAK, limits.min_gauges_to_rank, limits.max_standard_error_percent_to_rank),
        (WEAK, limits.min_gauges, limits.max_standard_error_percent),
    ):
        reasons = [f"fewer than {least} gauges"] if equation.gauges < least else []
        if error is not None and error > most:
            reasons.append(f"standard error above {most:g} %")
        if reasons:
            return strength.name, " and ".join(reasons)
    return (STRENGTH_UNKNOWN if error is None else ADEQUATE).name, ""


def is_weak(equation, limits):
    """Whether an equation is weak, or worse."""
    return regression_strength(equation, limits)[0] in (WEAK.name, TOO_WEAK.name)


def is_too_weak(equation, limits):
    """Whether an equation is too weak to rank sites by."""
    return regression_strength(equation, limits)[0] == TOO_WEAK.name


def mean_regressions(equations, limits, codes=()):
    """The regressions of the mean flow that a run uses, in the order of its equations.

    Parameters
    ----------
    equations : list of sitefinder.catalogue.equations.Equation
    limits : sitefinder.settings.flows.RegressionLimits
    codes : sequence of str
        Regions of equations that hold ground of the run; none where it has no layer of regions, and all count.

    Returns
    -------
    list of MeanRegression
    """
    return [
        MeanRegression(
            equation.region or "",
            equation.gauges,
            standard_error_percent(equation),
            equation.bias_correction,
            *regression_strength(equation, limits),
        )
        for equation in equations
        if equation.statistic == MEAN and (not codes or equation.region is None or equation.region in codes)
    ]
