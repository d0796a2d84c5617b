"""Flows of gauges carried up and down their own streams by drainage-area ratio, and weighed with the equations."""

from typing import NamedTuple

import numpy as np

from sitefinder.flows.duration import BIN_EXCEEDANCE, curves_from_quantiles, falling
from sitefinder.flows.equations import exceedance_percent
from sitefinder.flows.estimate import with_flags
from sitefinder.flows.fitting import statistic_of

# Exponent of the area ratio by percentile of flow: upper end of each class of non-exceedance [%] and its exponent,
# of Asquith et al. (2006) as restated in the data of a public package.
EXPONENTS = (
    *((6, 0.885), (12, 0.886), (18, 0.887), (24, 0.888), (30, 0.889), (34, 0.890), (36, 0.891), (38, 0.892)),
    *((40, 0.893), (42, 0.894), (44, 0.895), (46, 0.897), (48, 0.899), (50, 0.902), (52, 0.905), (54, 0.908)),
    *((56, 0.912), (58, 0.916), (60, 0.920), (62, 0.924), (64, 0.927), (66, 0.930), (68, 0.932), (70, 0.934)),
    *((76, 0.935), (80, 0.934), (84, 0.933), (86, 0.931), (88, 0.927), (90, 0.920), (92, 0.906), (94, 0.890)),
    *((95, 0.865), (96, 0.850), (97, 0.830), (98, 0.806), (99, 0.773), (100, 0.737)),
)
# A gauge needs so many quantiles for a curve of its own.
LEAST_QUANTILES = 2


class GaugeFlows(NamedTuple):
    """Flows of g gauges.

    ``gauge`` are their ids, ``mean_m3s`` the mean flows, shape (g,), ``curve_m3s`` the curves in bins of equal
    time, shape (g, 200), and ``log_sd`` the standard errors of the means in natural logs.
    """

    gauge: list
    mean_m3s: np.ndarray
    curve_m3s: np.ndarray
    log_sd: np.ndarray


def gauge_flows(table, rating_log_sd):
    """Mean flow and duration curve of each gauge that has both.

    Parameters
    ----------
    table : DataFrame
        Index: gauge ids. ``flow_mean_m3s`` and columns ``flow_qNN_m3s`` [m³/s], which may be missing for a gauge;
        also ``record_years`` and ``year_to_year_log_sd`` where they are known.
    rating_log_sd : float
        Error of a gauge's mean flow besides that of its few years, in natural logs.

    Returns
    -------
    GaugeFlows
        Of gauges with a mean above zero and at least two quantiles, in the order of the table. The error of the
        mean adds the spread between years over the root of their number.
    """
    quantiles = {column: exceedance_percent(statistic_of(column) or "") for column in table.columns}
    quantiles = sorted((percent, column) for column, percent in quantiles.items() if percent)
    gauges, means, curves, errors = [], [], [], []
    for gauge, row in table.iterrows():
        known = [(percent, row[column]) for percent, column in quantiles if np.isfinite(row[column])]
        mean_m3s = row.get("flow_mean_m3s", np.nan)
        if not mean_m3s > 0 or len(known) < LEAST_QUANTILES:
            continue
        percent, flow = zip(*known, strict=True)
        curve = curves_from_quantiles(percent, [flow]).curve_m3s[0]
        if not curve.mean() > 0:
            continue
        years, spread = row.get("record_years", np.nan), row.get("year_to_year_log_sd", np.nan)
        sampled = spread / np.sqrt(years) if years > 0 and np.isfinite(spread) else 0.0
        gauges.append(str(gauge))
        means.append(mean_m3s)
        curves.append(curve)
        errors.append(np.hypot(rating_log_sd, sampled))
    return GaugeFlows(
        gauges, np.array(means, float), np.reshape(curves, (-1, BIN_EXCEEDANCE.size)), np.array(errors, float)
    )


def area_ratio_exponent(exceedance, constant=None):
    """Exponent of the area ratio for flows exceeded so often.

    Parameters
    ----------
    exceedance : ndarray of float64
        Share of time.
    constant : float, optional
        One exponent for all flows, in place of the table.

    Returns
    -------
    ndarray of float64

    Notes
    -----
    The table is that of [1]_ for the percentiles of daily flow; a class holds from its lower end to below its
    upper.

    References
    ----------
    .. [1] W. H. Asquith, M. C. Roussel, J. Vrabel, "Statewide analysis of the drainage-area ratio method for 34
       streamflow percentile ranges in Texas," U.S. Geol. Surv. Sci. Invest. Rep. 2006-5286, 2006.

    Examples
    --------
    >>> area_ratio_exponent(np.array([0.5, 0.955, 0.005])).tolist()
    [0.905, 0.885, 0.737]
    """
    exceedance = np.asarray(exceedance, dtype=np.float64)
    if constant is not None:
        return np.full(exceedance.shape, float(constant))
    upper, exponent = np.array(EXPONENTS).T
    # Rounded, so that a percentile at the border of two classes does not fall by a last digit.
    below = np.round(100.0 * (1.0 - exceedance), 9)
    return exponent[np.minimum(np.searchsorted(upper, below, side="right"), upper.size - 1)]


def fading(area_ratio, least, most):
    """Weight that fades from 1 at the gauge to 0 where the area ratio reaches its limits, and beyond.

    Parameters
    ----------
    area_ratio : ndarray of float64
        Area of the place over the gauge's.
    least, most : float
        Limits on either side of 1.

    Returns
    -------
    ndarray of float64

    Notes
    -----
    Linear in area on either side; with limits of 0.5 and 1.5 it is 1 − 2 |A − Ag| / Ag, the weight of the Survey's
    reports that join gauge and regression on one stream (from memory).

    Examples
    --------
    >>> fading(np.array([0.4, 0.5, 0.75, 1.0, 1.25, 1.5]), 0.5, 1.5).tolist()
    [0.0, 0.0, 0.5, 1.0, 0.5, 0.0]
    """
    side = np.where(area_ratio < 1.0, 1.0 - least, most - 1.0)
    return np.clip(1.0 - np.abs(area_ratio - 1.0) / side, 0.0, 1.0)


def same_stream(station, downstream, area_km2, least, most):
    """Stations on the way down from a place, or from which the way down leads to it, within limits of area.

    Parameters
    ----------
    station : int
        The place.
    downstream : ndarray of int, shape (n,)
        Station below each; -1 at an outlet.
    area_km2 : ndarray of float64, shape (n,)
    least, most : float
        Limits of the area ratio to the place; where it leaves them the walk ends.

    Returns
    -------
    ndarray of int64
        The place itself among them, in rising order.
    """
    above = _feeders(downstream)
    at_km2, found = area_km2[station], [station]
    here = int(downstream[station])
    while here >= 0 and area_km2[here] <= most * at_km2:  # down the stream
        found.append(here)
        here = int(downstream[here])
    waiting = list(above(station))
    while waiting:  # up the stream and whatever of its arms is large enough
        here = int(waiting.pop())
        if area_km2[here] >= least * at_km2:
            found.append(here)
            waiting.extend(above(here))
    return np.unique(np.array(found, dtype=np.int64))


def with_near_gauges(estimate, gauges, station, downstream, area_km2, settings):
    """An estimate joined with what near gauges say.

    Parameters
    ----------
    estimate : FlowEstimate, n stations
    gauges : GaugeFlows, g gauges
    station : ndarray of int, shape (g,)
        Where each gauge stands.
    downstream : ndarray of int, shape (n,)
    area_km2 : ndarray of float64, shape (n,)
    settings : sitefinder.config.NearGauges

    Returns
    -------
    FlowEstimate
        ``source`` of each station touched names the gauge with its weight; where the gauge's own mean flow lies
        out of the interval of the equations, those stations are flagged ``gauge_differs``.

    Notes
    -----
    The gauge's curve times (A/Ag)^φ, φ by percentile [1]_, stands for the station's; its mean follows. Logs are
    joined with the weight w = f · s² / (s² + v), where s is the log standard deviation of the equations'
    estimate, v the variance of the gauge's own and f fades with the area ratio, see `fading`. At the gauge w is
    that of inverse variance, at the limits it is zero. Such a weight is that of inverse variance everywhere if
    the variance of the transferred flow is s² (1 − w) / w, which grows from v at the gauge without bound at the
    limits; then the joint variance is s² (1 − w), and so the interval narrows. This variance of transfer is an
    own choice, on the careful side: half way to the limits half of the variance is left. Several gauges join by
    the odds w / (1 − w), their errors taken as independent. Where a flow is zero, flows are joined in place of
    logs. The bias correction of the equations shrinks with the variance that it is for. A station without a flow
    from the equations gets none.

    References
    ----------
    .. [1] W. H. Asquith, M. C. Roussel, J. Vrabel, "Statewide analysis of the drainage-area ratio method for 34
       streamflow percentile ranges in Texas," U.S. Geol. Surv. Sci. Invest. Rep. 2006-5286, 2006.
    """
    exponent = area_ratio_exponent(BIN_EXCEEDANCE, settings.exponent)
    odds = np.zeros(len(estimate.mean_m3s))
    log_mean, curve_sum = np.zeros_like(odds), {}
    differs = np.zeros(odds.size, dtype=bool)
    named = {}
    for row, (gauge, at) in enumerate(zip(gauges.gauge, np.asarray(station).tolist(), strict=True)):
        near = same_stream(at, downstream, area_km2, settings.least_area_ratio, settings.most_area_ratio)
        ratio = area_km2[near] / area_km2[at]
        weight = fading(ratio, settings.least_area_ratio, settings.most_area_ratio)
        variance = estimate.mean_log_sd[near] ** 2
        weight = weight * variance / (variance + gauges.log_sd[row] ** 2)
        used = (weight > 0) & np.isfinite(estimate.mean_m3s[near]) & (estimate.mean_m3s[near] > 0)
        near, ratio, weight = near[used], ratio[used], weight[used]
        own_odds = weight / (1.0 - weight)
        carried = falling(gauges.curve_m3s[row] * ratio[:, None] ** exponent)
        mean_m3s = gauges.mean_m3s[row] * carried.mean(axis=1) / gauges.curve_m3s[row].mean()
        odds[near] += own_odds
        log_mean[near] += own_odds * np.log(mean_m3s)
        for number, place in enumerate(near.tolist()):
            curve_sum.setdefault(place, []).append((own_odds[number], carried[number]))
            named.setdefault(place, []).append((gauge, own_odds[number]))
        if gauges.mean_m3s[row] < estimate.mean_low_m3s[at] or gauges.mean_m3s[row] > estimate.mean_high_m3s[at]:
            differs[near] = True
    joined = _joined(estimate, odds, log_mean, curve_sum)
    source = list(estimate.source)
    for place, told in named.items():
        shares = [f"gauge {gauge} {100 * own / (1 + odds[place]):.0f} %" for gauge, own in told]
        source[place] = "; ".join([*shares, source[place]])
    notes = [*estimate.notes]
    if named:
        notes.append(f"{len(named)} of {odds.size} stations lie near a gauge on their stream")
    if differs.any():
        notes.append(f"{differs.sum()} of {odds.size} stations lie near a gauge that the equations do not meet")
    return with_flags(joined._replace(source=source, notes=notes), "gauge_differs", differs)


# The estimate with the gauges' logs weighed in; stations without odds stay as they are.
def _joined(estimate, odds, log_mean, curve_sum):
    at = np.flatnonzero(odds > 0)
    left = 1.0 / (1.0 + odds[at])
    mean, low, high = (part[at] for part in (estimate.mean_m3s, estimate.mean_low_m3s, estimate.mean_high_m3s))
    median = np.sqrt(low * high)
    joint_mean = np.exp(left * (np.log(mean) + log_mean[at]))
    joint_median = joint_mean / (mean / median) ** left
    half_width = np.sqrt(left) * 0.5 * np.log(high / low)
    curves = estimate.curve_m3s.copy()
    for row, (place, share) in enumerate(zip(at.tolist(), left.tolist(), strict=True)):
        parts = np.stack([curves[place], *(curve for _, curve in curve_sum[place])])
        shares = share * np.array([1.0, *(own for own, _ in curve_sum[place])])
        curve = shares @ parts
        wet = (parts > 0).all(axis=0)
        curve[wet] = np.exp(shares @ np.log(parts[:, wet]))
        curve = falling(curve[None, :])[0]
        curves[place] = curve * (joint_mean[row] / curve.mean())
    changed = {
        "mean_m3s": joint_mean,
        "mean_low_m3s": joint_median * np.exp(-half_width),
        "mean_high_m3s": joint_median * np.exp(half_width),
        "mean_log_sd": estimate.mean_log_sd[at] * np.sqrt(left),
    }
    whole = {name: getattr(estimate, name).copy() for name in changed}
    for name, values in changed.items():
        whole[name][at] = values
    return estimate._replace(curve_m3s=curves, **whole)


# A function that gives the stations that flow into one.
def _feeders(downstream):
    order = np.argsort(downstream, kind="stable")
    below = downstream[order]

    def above(station):
        return order[np.searchsorted(below, station) : np.searchsorted(below, station, side="right")]

    return above
