"""Mean flow with its interval and a whole duration curve at every station, from regional equations."""

from typing import NamedTuple

import numpy as np

from sitefinder.catalogue.equations import DRY_DAY, ZERO_OF, exceedance_percent
from sitefinder.errors import InputError, listed
from sitefinder.hydrology.duration_curve import BIN_EXCEEDANCE, curves_from_quantiles
from sitefinder.hydrology.regions import (
    apply_regional,
    by_statistic,
    doubtful_weights,
    probability_regional,
    regions_reported,
    share_of_equations,
)
from sitefinder.hydrology.strength import is_too_weak, is_weak
from sitefinder.vocabulary import BY_FLOW, FLOW_REGRESSION_TOO_WEAK, FLOW_REGRESSION_WEAK, flags_set_by

# Two quantiles and the mean make a curve, straight between normal quantile and log flow (own choice).
MIN_QUANTILES = 2
# A curve scaled by more than this to meet the mean flow is flagged (own choice).
MAX_SCALING = 1.5
# A statistic that is more probably zero than not is taken as zero (own choice).
ZERO_LIMIT = 0.5
AREA_COLUMN = "area_km2"
# Any part of a catchment with a weak regression is flagged; it is too weak to rank where more than this share has
# one that is (own choice).
TOO_WEAK_SHARE = 0.5
# The flags of a weak regression are lifted where measurements leave at most this share of its variance (own
# choice).
MEASURED_SHARE = 0.5
# The flags of a station's flow, in the order in which they are listed.
FLAGS = flags_set_by(BY_FLOW)


class QuantileErrors(NamedTuple):
    """Errors of the regressed quantiles of n stations, each of m exceedances.

    Attributes
    ----------
    percent : ndarray of float64, shape (m,)
        Share of time that each is exceeded, rising [%].
    log_sd : ndarray of float64, shape (n, m)
        Standard deviation of the prediction, in natural logs; 0 for a quantile that is zero.
    log_bias : ndarray of float64, shape (n, m)
        Natural log of the quantile over its median: the bias correction that is in it.
    mean_log_sd : ndarray of float64, shape (n,)
        That of the mean flow by the same equations, before measured flows make it less.
    """

    percent: np.ndarray
    log_sd: np.ndarray
    log_bias: np.ndarray
    mean_log_sd: np.ndarray


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
        By predictor column, where it is out of the range of any equation.
    notes : list of str
        The same counted, for the report.
    source : list of str
        Where each station's flow comes from: ``equation``, or what later steps put in its place.
    zero_share : ndarray of float64, shape (n,)
        Share of time without flow; 0 where no equation gives it.
    quantile_errors : QuantileErrors or None
        Errors of the regressed quantiles; None where they are not known.
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
    quantile_errors: QuantileErrors | None = None


def with_flags(estimate, name, mask) -> FlowEstimate:
    """An estimate with one more flag where the mask is True.

    Parameters
    ----------
    estimate : FlowEstimate
    name : str
        Of `FLAGS`; flags are in the order of that vocabulary.
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
        tuple(sorted({*entries, name}, key=FLAGS.index)) if holds else entries
        for entries, holds in zip(estimate.flags, mask, strict=True)
    ]
    return estimate._replace(flags=flags)


def lift_weak_flags(estimate, regressed_log_sd) -> FlowEstimate:
    """An estimate without the flags of a weak regression where measurements left little of its variance.

    Parameters
    ----------
    estimate : FlowEstimate
        Joined with gauges and gaugings.
    regressed_log_sd : ndarray of float64, shape (n,)
        ``mean_log_sd`` of the regression alone.

    Returns
    -------
    FlowEstimate
        A station keeps the flags unless its variance is at most `MEASURED_SHARE` of that of the regression.
    """
    lifted = (FLOW_REGRESSION_WEAK.name, FLOW_REGRESSION_TOO_WEAK.name)
    measured = estimate.mean_log_sd**2 <= MEASURED_SHARE * regressed_log_sd**2
    # An error of nothing was not measured away.
    measured &= regressed_log_sd > 0
    flags = [
        tuple(name for name in entries if name not in lifted) if holds else entries
        for entries, holds in zip(estimate.flags, measured, strict=True)
    ]
    return estimate._replace(flags=flags)


def estimate_flows(predictors, equations, weights=None, limits=None) -> FlowEstimate:
    """Mean flow and duration curve of every station.

    Parameters
    ----------
    predictors : DataFrame, n rows
        One row a station; columns in kept units, such as ``area_km2`` and ``precipitation_mm``.
    equations : list of Equation
        For the mean and at least two exceedance quantiles; ``zero_flow_probability`` gives the share of time
        without flow, ``zero_probability_exceedance_95`` and its like whether a quantile is zero. Other statistics
        are left aside with a note.
    weights : RegionWeights, optional
        Share of each catchment in each region; without, one equation a statistic applies everywhere.
    limits : sitefinder.settings.flows.RegressionLimits, optional
        Beyond which the regression of the mean flow is weak; absent: nothing is flagged for that.

    Returns
    -------
    FlowEstimate

    Raises
    ------
    InputError
        If the mean or enough quantiles have no equation, a statistic has two, or a predictor has no column.

    Notes
    -----
    Mean and quantiles are regressed separately and need not agree. The mean has the smallest error, so the whole
    curve is multiplied by one factor until its own mean, over all bins, is the regressed mean; the shape of the
    curve stays that of the quantiles. A factor beyond 1.5 or below 1/1.5 flags the station ``curve_scaled``.

    A quantile that is more probably zero than not is zero, and the curve is dry from there on. Where the
    probability of a day without flow is given, the bins beyond 1 less that probability are dry. Both are done
    before the curve is scaled and flagged ``flow_intermittent``. The error of such a probability is not carried.
    """
    found, names, others, everything = _applied(predictors, equations, weights)
    mean, each = everything[0], everything[1:]
    percent = [exceedance_percent(name) for name in names[1:]]
    quantiles = np.column_stack([item.flow_m3s for item in each])
    zero, probabilities = _zeros(found, names[1:], predictors, weights)
    quantiles = np.where(zero, 0.0, quantiles)
    curves = curves_from_quantiles(percent, quantiles)
    curve, zero_share = _dried(curves.curve_m3s, zero.any(axis=1), probabilities.get(DRY_DAY))
    curve_mean = curve.mean(axis=1)
    # A curve that is dry throughout has no shape to scale; it stays dry, and is flagged.
    factor = np.divide(mean.flow_m3s, curve_mean, out=np.full_like(curve_mean, np.inf), where=curve_mean != 0)
    scaled = (factor > MAX_SCALING) | (factor < 1.0 / MAX_SCALING)
    curve = curve * np.where(np.isinf(factor), 1.0, factor)[:, None]

    judged = [*everything, *probabilities.values()]
    missing = np.logical_or.reduce([item.missing for item in judged])
    outside = _outside_any(judged)
    none = np.zeros(len(predictors), dtype=bool)
    weak, too_weak = _weak(found["mean"], len(predictors), weights, limits)
    is_flagged = {
        "flow_missing": missing,
        FLOW_REGRESSION_WEAK.name: weak & ~missing,
        FLOW_REGRESSION_TOO_WEAK.name: too_weak & ~missing,
        "flow_extrapolated": np.logical_or.reduce(list(outside.values())),
        "flow_outside_area": outside.get(AREA_COLUMN, none),
        "flow_leverage": np.logical_or.reduce([item.beyond_leverage for item in everything]),
        "flow_region_doubtful": none if weights is None else doubtful_weights(found, weights),
        "flow_negative": np.logical_or.reduce([item.negative for item in everything]),
        "flow_interval_widened": mean.widened & ~missing,
        "flow_intermittent": (zero_share > 0) & ~missing,
        "curve_repaired": curves.repaired & ~missing,
        "curve_scaled": scaled & ~missing,
    }
    source = ["equation"] * len(predictors)
    if weights is not None:
        source = [f"equation ({entries})" if entries else "" for entries in regions_reported(weights)]
    return FlowEstimate(
        mean_m3s=mean.flow_m3s,
        mean_low_m3s=mean.low_m3s,
        mean_high_m3s=mean.high_m3s,
        mean_log_sd=mean.log_sd,
        curve_exceedance=BIN_EXCEEDANCE.copy(),
        curve_m3s=curve,
        flags=_flag_names(is_flagged, len(predictors)),
        outside=outside,
        notes=_notes(is_flagged, outside, percent, others, weights),
        source=source,
        zero_share=zero_share,
        quantile_errors=_quantile_errors(percent, each, zero, mean),
    )


# Errors of the quantiles that make the curve; a zero has none.
def _quantile_errors(percent, each, zero, mean):
    median = np.column_stack([np.sqrt(item.low_m3s * item.high_m3s) for item in each])
    flow = np.column_stack([item.flow_m3s for item in each])
    known = (flow > 0) & (median > 0) & ~zero
    ratio = np.divide(flow, median, out=np.ones_like(flow), where=known)
    log_sd = np.where(known, np.column_stack([item.log_sd for item in each]), 0.0)
    return QuantileErrors(np.asarray(percent, dtype=np.float64), log_sd, np.log(ratio), mean.log_sd)


# Stations with a weak regression of the mean flow in any part of the catchment, and with one that is too weak to
# rank by in the greater part.
def _weak(regional, stations, weights, limits):
    if limits is None:
        return np.zeros((2, stations), dtype=bool)
    weak, too_weak = (
        share_of_equations(regional, lambda equation, judge=judge: judge(equation, limits), stations, weights)
        for judge in (is_weak, is_too_weak)
    )
    return weak > 0, too_weak > TOO_WEAK_SHARE


def validate_unfit_equations(predictors, equations, weights=None):
    """Refuse equations that `estimate_flows` could not use; no curve is made.

    Parameters
    ----------
    predictors, equations, weights
        As `estimate_flows`; one row of predictors is enough.

    Raises
    ------
    InputError
        As `estimate_flows`.
    """
    found, names, _, _ = _applied(predictors, equations, weights)
    _zeros(found, names[1:], predictors, weights)


# Equations by statistic, the names of those that make the curve and of the others, and what the former give.
def _applied(predictors, equations, weights):
    found = by_statistic(equations, weights)
    names, others = _sorted_out(found)
    return found, names, others, [apply_regional(found[name], predictors, weights) for name in names]


# Names of the statistics that make the curve, the mean first and quantiles by rising exceedance, and all others.
def _sorted_out(found):
    quantiles = sorted((name for name in found if exceedance_percent(name)), key=exceedance_percent)
    if "mean" not in found or len(quantiles) < MIN_QUANTILES:
        raise InputError.of(
            "the equations do not make a flow duration curve",
            expected=f"one for the mean flow and at least {MIN_QUANTILES} quantiles (exceedance_NN)",
            found=listed(found, 20) or "none",
            fix="add equations, or columns flow_mean_m3s and flow_qNN_m3s to the gauge table",
        )
    used = {"mean", *quantiles, DRY_DAY, *(ZERO_OF + name for name in quantiles)}
    return ["mean", *quantiles], [name for name in found if name not in used]


# Which quantiles are zero, shape (n, m), and the probabilities of zero, by statistic.
def _zeros(found, quantiles, predictors, weights):
    probability_names = [name for name in (DRY_DAY, *(ZERO_OF + name for name in quantiles)) if name in found]
    probabilities = {name: probability_regional(found[name], predictors, weights) for name in probability_names}
    zero = np.zeros((len(predictors), len(quantiles)), dtype=bool)
    for number, name in enumerate(quantiles):
        if ZERO_OF + name in probabilities:
            zero[:, number] = probabilities[ZERO_OF + name].zero > ZERO_LIMIT
    return np.logical_or.accumulate(zero, axis=1), probabilities


# Curves with their dry part, and the share of time without flow; NaN where a probability is not known.
def _dried(curve_m3s, zero_reported, dry_day):
    share = np.zeros(len(curve_m3s))
    curve = curve_m3s
    if dry_day is not None:
        share = dry_day.zero
        curve = np.where(BIN_EXCEEDANCE[None, :] > 1.0 - share[:, None], 0.0, curve)
        curve = np.where(np.isnan(share)[:, None], np.nan, curve)
    if zero_reported.any():
        share = np.where(zero_reported, np.maximum(share, (curve == 0).mean(axis=1)), share)
    return curve, share


def _outside_any(everything):
    outside = {}
    for item in everything:
        for column, found in item.outside.items():
            outside[column] = outside.get(column, False) | found
    return outside


# Stations share few combinations of marks, so the names of each combination are made once.
def _flag_names(is_flagged, stations):
    in_order = sorted(is_flagged, key=FLAGS.index)
    table = np.column_stack([is_flagged[name] for name in in_order]).reshape(stations, len(in_order))
    codes = table @ (1 << np.arange(len(in_order)))
    names = {
        code: tuple(name for bit, name in enumerate(in_order) if code >> bit & 1)
        for code in np.unique(codes).tolist()
    }
    return [names[code] for code in codes.tolist()]


def _notes(is_flagged, outside, percent, others, weights):
    meanings = {
        "flow_missing": "have no flow, because a predictor is missing or has no logarithm",
        FLOW_REGRESSION_WEAK.name: "have their mean flow from a weak regression",
        FLOW_REGRESSION_TOO_WEAK.name: "have their mean flow from a regression that is too weak to rank by",
        "flow_extrapolated": "are out of the range of an equation",
        "flow_leverage": "are beyond the gauges of an equation by their leverage",
        "flow_region_doubtful": "have catchments whose shares in regions with equations do not add up to 1"
        + ("" if weights is None or not weights.renormalise else "; the weights are divided by their sum"),
        "flow_negative": "had a flow below nothing, which is taken as none",
        "flow_interval_widened": "have an interval wider than the equation's own, because it missed held-out"
        " gauges",
        "flow_intermittent": "are dry for a part of the time",
        "curve_repaired": "had quantiles that crossed and were pooled",
        "curve_scaled": f"have a curve whose mean was off the mean flow by more than a factor of {MAX_SCALING:g}",
    }
    stations = len(is_flagged["flow_missing"])
    notes = [
        f"{is_flagged[name].sum()} of {stations} stations {meaning}"
        for name, meaning in meanings.items()
        if is_flagged[name].any()
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
