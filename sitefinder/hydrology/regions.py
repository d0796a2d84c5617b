"""Equations by region: those that apply at a station, and one estimate where its catchment is in several."""

from typing import NamedTuple

import numpy as np

from sitefinder.errors import InputError, listed
from sitefinder.hydrology.equations import Applied, Probability, apply_equation, zero_probability

# Weights that add up to 1 within this are whole: cells along a border, and digits, make no more (own choice).
WEIGHT_TOLERANCE = 0.01


class RegionWeights(NamedTuple):
    """Share of each station's catchment in each region, and what to do where shares do not add up to 1.

    ``share`` has shape (n, regions), from 0 to 1, one column for each of ``codes``. With ``renormalise`` the
    regions' weights are divided by their sum, so that ground without a region is taken to be like the rest.
    """

    codes: tuple
    share: np.ndarray
    renormalise: bool = True


class Regional(NamedTuple):
    """Equations of one statistic: those of each region, by its code, and the one for elsewhere or None."""

    statistic: str
    by_region: dict
    common: object = None


def by_statistic(equations, weights=None):
    """Equations sorted by their statistics, in the order in which those appear.

    Parameters
    ----------
    equations : list of Equation
    weights : RegionWeights, optional
        Without, every equation applies everywhere, regardless of its region.

    Returns
    -------
    dict of str to Regional

    Raises
    ------
    InputError
        If a statistic has two equations for one region, no equation is for any region of the layer, or a region
        lacks a statistic that another one has.

    Notes
    -----
    An equation without a region holds in every region that has none of its own for the statistic.
    """
    twice = _twice(equations, weights)
    if twice:
        raise InputError.of(
            f"more than one equation for {listed(twice)}",
            expected="one equation for each statistic" + (" and region" if weights is not None else ""),
            found=listed([f"{item.statistic} ({item.region or item.source})" for item in equations], 20),
            fix="keep the equation of the region of this run"
            + ("" if weights is not None else ", or give the regions as a layer, inputs.flow_regions"),
        )
    found = {}
    for equation in equations:
        own = found.setdefault(equation.statistic, Regional(equation.statistic, {}, None))
        if weights is None or equation.region is None:
            found[equation.statistic] = own._replace(common=equation)
        else:
            own.by_region[equation.region] = equation
    if weights is not None:
        _validate_uneven(found, weights)
    return found


def apply_regional(regional, predictors, weights=None) -> Applied:
    r"""Flow of one statistic at every station, each catchment by the equations of its regions.

    Parameters
    ----------
    regional : Regional
        See `by_statistic`.
    predictors : DataFrame, n rows
        Of the whole catchments, also for the equation of a part.
    weights : RegionWeights, optional

    Returns
    -------
    Applied
        Out of range, beyond the leverage, below nothing or missing where the equation of any region is that holds
        ground of the catchment. Missing, too, where no region with an equation does.

    Notes
    -----
    Across borders :math:`Q = \sum w_r Q_r` with the area shares as weights, as the US Geological Survey's service
    has it; that service does not divide by the sum of the weights where it is not 1, see `RegionWeights`.

    The interval is about the weighted median. To first order :math:`\delta \ln Q = \sum a_r \delta \ln Q_r`, with
    :math:`a_r` the part of *Q* that region *r* gives. How the errors of two regions are correlated is not
    published. A catchment's own deviation, which is most of the error, enters both; so they are taken as fully
    correlated (correlation 1, own choice) and spread and half width are the means of the regions' with weights
    :math:`a_r`. A border never makes an estimate surer than its regions'.
    """
    if weights is None:
        return apply_equation(regional.common, predictors)
    parts, weight = _parts(regional, weights)
    each = [apply_equation(equation, predictors) for equation in parts]
    if not each:
        return _nothing(len(predictors))
    median = [np.sqrt(item.low_m3s * item.high_m3s) for item in each]
    half = [_half_width(item) for item in each]
    total = _weighted([item.flow_m3s for item in each], weight)
    middle = _weighted(median, weight)
    # Where no flow is expected there is no error of it either.
    part = [
        np.divide(w * item, middle, out=np.zeros(len(w)), where=middle > 0)
        for w, item in zip(weight, median, strict=True)
    ]
    half_width = _weighted(half, part)
    missing = _any(weight, [item.missing for item in each]) | ~(np.sum(weight, axis=0) > 0)
    with np.errstate(invalid="ignore"):
        leverage = np.nanmax(
            [
                np.where((w > 0) & ~np.isnan(i.leverage), i.leverage, -np.inf)
                for w, i in zip(weight, each, strict=True)
            ],
            axis=0,
        )
    return Applied(
        flow_m3s=np.where(missing, np.nan, total),
        low_m3s=np.where(missing, np.nan, middle * np.exp(-half_width)),
        high_m3s=np.where(missing, np.nan, middle * np.exp(half_width)),
        log_sd=np.where(missing, np.nan, _weighted([item.log_sd for item in each], part)),
        outside=_outside(weight, each),
        missing=missing,
        leverage=np.where(np.isinf(leverage), np.nan, leverage),
        beyond_leverage=_any(weight, [item.beyond_leverage for item in each]),
        negative=_any(weight, [item.negative for item in each]),
        widened=_any(weight, [item.widened for item in each]),
    )


def probability_regional(regional, predictors, weights=None):
    """Probability of no flow of one statistic at every station, by region; weighted as `apply_regional` does.

    Returns
    -------
    Probability
    """
    if weights is None:
        return zero_probability(regional.common, predictors)
    parts, weight = _parts(regional, weights)
    each = [zero_probability(equation, predictors) for equation in parts]
    count = len(predictors)
    if not each:
        return Probability(np.full(count, np.nan), {}, np.ones(count, dtype=bool))
    missing = _any(weight, [item.missing for item in each]) | ~(np.sum(weight, axis=0) > 0)
    # A share of time: area without a region has the probability of the rest, not zero.
    total = np.sum(weight, axis=0)
    share = [np.divide(w, total, out=np.zeros(count), where=total > 0) for w in weight]
    zero = np.where(missing, np.nan, _weighted([item.zero for item in each], share))
    return Probability(np.clip(zero, 0.0, 1.0), _outside(weight, each), missing)


def share_of_equations(regional, holds, stations, weights=None):
    """Share of each catchment, among that with equations, whose equation of a statistic meets a condition.

    Parameters
    ----------
    regional : Regional
        See `by_statistic`.
    holds : callable
        Takes an equation.
    stations : int
        Number n of stations.
    weights : RegionWeights, optional

    Returns
    -------
    ndarray of float64, shape (n,)
        0 where no equation holds ground.
    """
    if weights is None:
        return np.full(stations, float(holds(regional.common)))
    parts, weight = _parts(regional, weights)
    total = np.sum(weight, axis=0) if parts else np.zeros(stations)
    held = np.zeros(stations)
    for equation, own in zip(parts, weight, strict=True):
        held += own * float(holds(equation))
    return np.divide(held, total, out=np.zeros(stations), where=total > 0)


def doubtful_weights(found, weights):
    """Stations whose catchment the regions with equations do not cover, or cover more than once.

    Parameters
    ----------
    found : dict of str to Regional
    weights : RegionWeights

    Returns
    -------
    ndarray of bool, shape (n,)
        True where the shares add up to something other than 1, by more than `WEIGHT_TOLERANCE`.
    """
    known = np.array([_known(found, code) for code in weights.codes], dtype=bool)
    total = np.where(known, weights.share, 0.0).sum(axis=1)
    return ~(np.abs(total - 1.0) <= WEIGHT_TOLERANCE)


def regions_reported(weights):
    """By station, the codes of the regions that hold ground of its catchment, greatest share first.

    Returns
    -------
    list of str
        Empty where there is none.
    """
    order = np.argsort(-weights.share, axis=1, kind="stable")
    codes = np.array(weights.codes, dtype=object)
    return [
        ", ".join(codes[row[share[row] > 0]])
        for row, share in zip(order, np.nan_to_num(weights.share), strict=True)
    ]


def _twice(equations, weights):
    declared = [(item.statistic, None if weights is None else item.region) for item in equations]
    return sorted({item[0] for item in declared if declared.count(item) > 1})


# Every region of the layer has an equation for each statistic, or for none of them.
def _validate_uneven(found, weights):
    known = [code for code in weights.codes if _known(found, code)]
    if not known:
        raise InputError.of(
            "no equation is for a region of the layer",
            expected="equations whose region is one of the codes of inputs.flow_regions, or that have none",
            found=f"codes {listed(weights.codes, 10)}; regions of equations "
            + listed(sorted({code for item in found.values() for code in item.by_region}), 10),
            fix="correct inputs.flow_regions.code_column, or the region of the equations",
        )
    lacking = [
        f"{code}: {item.statistic}"
        for code in known
        for item in found.values()
        if item.common is None and code not in item.by_region
    ]
    if lacking:
        raise InputError.of(
            "some regions lack an equation that others have",
            expected="for each region of the layer with equations, the same statistics",
            found=f"no equation for {listed(lacking, 10)}",
            fix="add it, leave the statistic out everywhere, or give one without a region",
        )


def _known(found, code):
    return any(item.common is not None or code in item.by_region for item in found.values())


# Equations in use and the weight of each, shape (n,); regions that share the common equation are merged.
def _parts(regional, weights):
    share = np.nan_to_num(np.asarray(weights.share, dtype=np.float64))
    parts, weight = [], []
    common = np.zeros(len(share))
    for number, code in enumerate(weights.codes):
        if code in regional.by_region:
            parts.append(regional.by_region[code])
            weight.append(share[:, number])
        elif regional.common is not None:
            common = common + share[:, number]
    if regional.common is not None:
        parts.append(regional.common)
        weight.append(common)
    if weights.renormalise and parts:
        total = np.sum(weight, axis=0)
        weight = [np.divide(item, total, out=np.zeros(len(share)), where=total > 0) for item in weight]
    return parts, weight


# Sum of w · x over the equations; values without weight are ignored, even NaN.
def _weighted(values, weight):
    return np.sum([w * np.where(w > 0, x, 0.0) for w, x in zip(weight, values, strict=True)], axis=0)


def _any(weight, marks):
    return np.any([(w > 0) & mark for w, mark in zip(weight, marks, strict=True)], axis=0)


def _half_width(applied):
    ratio = np.divide(
        applied.high_m3s, applied.low_m3s, out=np.ones(applied.low_m3s.shape), where=applied.low_m3s > 0
    )
    return np.log(ratio) / 2


def _outside(weight, each):
    outside = {}
    for w, item in zip(weight, each, strict=True):
        for column, found in item.outside.items():
            outside[column] = outside.get(column, False) | (found & (w > 0))
    return outside


def _nothing(count):
    blank, no = np.full(count, np.nan), np.zeros(count, dtype=bool)
    return Applied(blank, blank, blank, blank, {}, ~no, blank, no, no, no)
