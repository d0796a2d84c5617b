"""Mean flow with its interval and a whole duration curve at every station, from regional equations."""

from typing import NamedTuple

import numpy as np

from sitefinder.errors import InputError, listed
from sitefinder.flows.duration import BIN_EXCEEDANCE, curves_from_quantiles
from sitefinder.flows.equations import apply_equation

# Two quantiles and the mean make a curve, straight between normal quantile and log flow (own choice).
LEAST_QUANTILES = 2
# A curve scaled by more than this to meet the mean flow is flagged (own choice).
MOST_SCALING = 1.5
# The vocabulary of a station's flow flags, in the order in which they are told.
FLAGS = (
    "flow_missing",
    "flow_extrapolated",
    "curve_repaired",
    "curve_scaled",
    "months_missing",
    "months_scaled",
    "flow_altered",
    "flow_exhausted",
)


class FlowEstimate(NamedTuple):
    """Flows of n stations.

    Attributes
    ----------
    mean_m3s, mean_low_m3s, mean_high_m3s : ndarray of float64, shape (n,)
        Mean flow and the ends of its 90 % prediction interval [m³/s]; NaN where a predictor is missing.
    mean_log_sd : ndarray of float64, shape (n,)
        Standard deviation of the mean flow's prediction, in natural logs, about sqrt(low · high).
    curve_exceedance : ndarray of float64, shape (200,)
        Share of time that each flow of the curve is exceeded.
    curve_m3s : ndarray of float64, shape (n, 200)
        Flows at bins of equal probability [m³/s]; a mean over the bins is the mean over time.
    flags : list of tuple of str
        What to know of each station, of `FLAGS`.
    outside : dict of str to ndarray of bool, shape (n,)
        By predictor column, where it lies out of the range of any equation.
    notes : list of str
        The same counted, for the report.
    source : list of str
        Where each station's flow comes from: ``equation``, or what later steps put in its place.
    zero_share : ndarray of float64, shape (n,)
        Share of time without flow; 0 where no equation tells it.
    """

    mean_m3s: np.ndarray
    mean_low_m3s: np.ndarray
    mean_high_m3s: np.ndarray
    mean_log_sd: np.ndarray
    curve_exceedance: np.ndarray
    curve_m3s: np.ndarray
    flags: list
    outside: dict
    notes: list
    source: list
    zero_share: np.ndarray


def with_flags(estimate, name, mask):
    """An estimate whose stations carry one more flag where the mask says so.

    Parameters
    ----------
    estimate : FlowEstimate
    name : str
        Of `FLAGS`; flags stand in the order of that vocabulary.
    mask : ndarray of bool, shape (n,)

    Returns
    -------
    FlowEstimate

    Raises
    ------
    ValueError
        If the name is not of the vocabulary.
    """
    if name not in FLAGS:
        raise ValueError(f"flag {name!r} is not of the vocabulary: {', '.join(FLAGS)}")
    flags = [
        tuple(sorted({*told, name}, key=FLAGS.index)) if holds else told
        for told, holds in zip(estimate.flags, mask, strict=True)
    ]
    return estimate._replace(flags=flags)


def estimate_flows(predictors, equations):
    """Mean flow and duration curve of every station.

    Parameters
    ----------
    predictors : DataFrame, n rows
        One row a station; columns in kept units, such as ``area_km2`` and ``precipitation_mm``.
    equations : list of Equation
        One for the mean and at least two for exceedance quantiles. Other statistics are left aside with a note.

    Returns
    -------
    FlowEstimate

    Raises
    ------
    InputError
        If the mean or enough quantiles have no equation, a statistic has two, or a predictor has no column.

    Notes
    -----
    Mean and quantiles are regressed apart and need not agree. The mean has the least error of all, so the whole
    curve is multiplied by one factor until its own mean, over all bins, is the regressed mean; the shape of the
    curve stays that of the quantiles. A factor beyond 1.5 or below 1/1.5 flags the station ``curve_scaled``.
    """
    mean, quantiles, others = _sorted_out(equations)
    applied = apply_equation(mean, predictors)
    each = [apply_equation(equation, predictors) for equation in quantiles]
    percent = [equation.exceedance_percent for equation in quantiles]
    curves = curves_from_quantiles(percent, np.column_stack([item.flow_m3s for item in each]))
    curve_mean = curves.curve_m3s.mean(axis=1)
    # A curve that is dry throughout has no shape to scale; it stays dry, and the flag tells.
    factor = np.divide(applied.flow_m3s, curve_mean, out=np.full_like(curve_mean, np.inf), where=curve_mean != 0)
    scaled = (factor > MOST_SCALING) | (factor < 1.0 / MOST_SCALING)
    curve = curves.curve_m3s * np.where(np.isinf(factor), 1.0, factor)[:, None]

    everything = [applied, *each]
    missing = np.logical_or.reduce([item.missing for item in everything])
    outside = _outside_any(everything)
    extrapolated = np.logical_or.reduce(list(outside.values()))
    marks = np.column_stack([missing, extrapolated, curves.repaired & ~missing, scaled & ~missing])
    return FlowEstimate(
        mean_m3s=applied.flow_m3s,
        mean_low_m3s=applied.low_m3s,
        mean_high_m3s=applied.high_m3s,
        mean_log_sd=applied.log_sd,
        curve_exceedance=BIN_EXCEEDANCE.copy(),
        curve_m3s=curve,
        flags=_flag_names(marks),
        outside=outside,
        notes=_notes(marks, outside, percent, others),
        source=["equation"] * len(predictors),
        zero_share=np.zeros(len(predictors)),
    )


# The equation of the mean, those of quantiles by rising exceedance, and the names of all others.
def _sorted_out(equations):
    statistics = [equation.statistic for equation in equations]
    twice = sorted({name for name in statistics if statistics.count(name) > 1})
    if twice:
        raise InputError.of(
            f"more than one equation for {listed(twice)}",
            expected="one equation for each statistic",
            found=listed([f"{item.statistic} ({item.region or item.source})" for item in equations], 20),
            fix="keep the equation of the region that the run lies in",
        )
    quantiles = sorted((item for item in equations if item.exceedance_percent), key=lambda e: e.exceedance_percent)
    if "mean" not in statistics or len(quantiles) < LEAST_QUANTILES:
        raise InputError.of(
            "the equations do not make a flow duration curve",
            expected=f"one for the mean flow and at least {LEAST_QUANTILES} quantiles (exceedance_NN)",
            found=listed(statistics, 20) or "none",
            fix="add equations, or columns flow_mean_m3s and flow_qNN_m3s to the gauge table",
        )
    mean = equations[statistics.index("mean")]
    used = {"mean", *(item.statistic for item in quantiles)}
    return mean, quantiles, [name for name in statistics if name not in used]


def _outside_any(everything):
    outside = {}
    for item in everything:
        for column, found in item.outside.items():
            outside[column] = outside.get(column, False) | found
    return outside


# Stations share few combinations of marks, so the names of each combination are made once.
def _flag_names(marks):
    codes = marks @ (1 << np.arange(marks.shape[1]))
    names = {
        code: tuple(name for bit, name in enumerate(FLAGS) if code >> bit & 1)
        for code in np.unique(codes).tolist()
    }
    return [names[code] for code in codes.tolist()]


def _notes(marks, outside, percent, others):
    stations = len(marks)
    meanings = (
        "have no flow, because a predictor is missing or has no logarithm",
        "lie out of the range of an equation",
        "had quantiles that crossed and were pooled",
        f"have a curve whose mean was off the mean flow by more than a factor of {MOST_SCALING:g}",
    )
    notes = [
        f"{count} of {stations} stations {meaning}"
        for count, meaning in zip(marks.sum(axis=0).tolist(), meanings, strict=True)
        if count
    ]
    notes += [
        f"{found.sum()} of {stations} stations: {name} out of range"
        for name, found in outside.items()
        if found.any()
    ]
    notes.append(f"duration curves are extended above {percent[0]:g} % and below {percent[-1]:g} % of the time")
    if others:
        notes.append(f"equations not used: {listed(others, 20)}")
    return notes
