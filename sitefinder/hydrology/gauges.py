"""Measured flow near a station: gauges on the same stream by drainage-area ratio, and spot gaugings."""

from typing import NamedTuple

import numpy as np
from scipy.special import ndtri

from sitefinder.catalogue.equations import exceedance_percent
from sitefinder.hydrology.duration_curve import BIN_EXCEEDANCE, curves_from_quantiles, falling, flow_at
from sitefinder.hydrology.estimate import with_flags
from sitefinder.hydrology.regression import statistic_of

# Exponent of the area ratio by percentile of flow: upper end of each class of non-exceedance [%] and its exponent,
# of Asquith et al. (2006) as restated in the data of a public package. That of the greatest flow itself, 0.700, is
# left out: no bin of equal time reaches it.
EXPONENTS = (
    *((6, 0.885), (12, 0.886), (18, 0.887), (24, 0.888), (30, 0.889), (34, 0.890), (36, 0.891), (38, 0.892)),
    *((40, 0.893), (42, 0.894), (44, 0.895), (46, 0.897), (48, 0.899), (50, 0.902), (52, 0.905), (54, 0.908)),
    *((56, 0.912), (58, 0.916), (60, 0.920), (62, 0.924), (64, 0.927), (66, 0.930), (68, 0.932), (70, 0.934)),
    *((76, 0.935), (80, 0.934), (84, 0.933), (86, 0.931), (88, 0.927), (90, 0.920), (92, 0.906), (94, 0.890)),
    *((95, 0.865), (96, 0.850), (97, 0.830), (98, 0.806), (99, 0.773), (100, 0.737)),
)
# Minimum number of quantiles for a gauge's own curve.
MIN_QUANTILES = 2


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
        Error of a gauge's mean flow besides the sampling error of its years, in natural logs.

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
        if not mean_m3s > 0 or len(known) < MIN_QUANTILES:
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
        gauges,
        np.array(means, float),
        np.reshape(curves, (len(gauges), BIN_EXCEEDANCE.size)),
        np.array(errors, float),
    )


def area_ratio_exponent(exceedance, constant=None):
    """Exponent of the area ratio for flows exceeded for this share of the time.

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


def fading(area_ratio, minimum, maximum):
    """Weight that fades from 1 at the gauge to 0 where the area ratio reaches its limits, and beyond.

    Parameters
    ----------
    area_ratio : ndarray of float64
        Area of the place over the gauge's.
    minimum, maximum : float
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
    side = np.where(area_ratio < 1.0, 1.0 - minimum, maximum - 1.0)
    return np.maximum(1.0 - np.abs(area_ratio - 1.0) / side, 0.0)


def same_stream(station, downstream, area_km2, minimum, maximum):
    """Stations on the way down from a place, or from which the way down leads to it, within limits of area.

    Parameters
    ----------
    station : int
        The place.
    downstream : ndarray of int, shape (n,)
        Station below each; -1 at an outlet.
    area_km2 : ndarray of float64, shape (n,)
    minimum, maximum : float
        Limits of the area ratio to the place; where it leaves them the walk ends.

    Returns
    -------
    ndarray of int64
        The place itself among them, in rising order.
    """
    above = _feeders(downstream)
    at_km2, found = area_km2[station], [station]
    current = int(downstream[station])
    while current >= 0 and area_km2[current] <= maximum * at_km2:  # down the stream
        found.append(current)
        current = int(downstream[current])
    waiting = list(above(station))
    while waiting:  # upstream, along every arm that is large enough
        current = int(waiting.pop())
        if area_km2[current] >= minimum * at_km2:
            found.append(current)
            waiting.extend(above(current))
    return np.unique(np.array(found, dtype=np.int64))


def with_near_gauges(estimate, gauges, station, downstream, area_km2, settings):
    """An estimate combined with flows of nearby gauges.

    Parameters
    ----------
    estimate : FlowEstimate, n stations
    gauges : GaugeFlows, g gauges
    station : ndarray of int, shape (g,)
        Station of each gauge.
    downstream : ndarray of int, shape (n,)
    area_km2 : ndarray of float64, shape (n,)
    settings : sitefinder.settings.flows.NearGauges

    Returns
    -------
    FlowEstimate
        ``source`` of each affected station names the gauge with its weight; where the gauge's own mean flow is
        out of the interval of the equations, those stations are flagged ``gauge_differs``.

    Notes
    -----
    The gauge's curve times (A/Ag)^φ, φ by percentile [1]_, replaces the station's; its mean follows. Logs are
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
        near = same_stream(at, downstream, area_km2, settings.min_area_ratio, settings.max_area_ratio)
        ratio = area_km2[near] / area_km2[at]
        weight = fading(ratio, settings.min_area_ratio, settings.max_area_ratio)
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
    for place, entries in named.items():
        shares = [f"gauge {gauge} {100 * own / (1 + odds[place]):.0f} %" for gauge, own in entries]
        source[place] = "; ".join([*shares, source[place]])
    notes = [*estimate.notes]
    if named:
        notes.append(f"{len(named)} of {odds.size} stations are near a gauge on their stream")
    if differs.any():
        notes.append(f"{differs.sum()} of {odds.size} stations are near a gauge that disagrees with the equations")
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


# A function that gives the stations that flow into a station.
def _feeders(downstream):
    order = np.argsort(downstream, kind="stable")
    below = downstream[order]

    def above(station):
        return order[np.searchsorted(below, station) : np.searchsorted(below, station, side="right")]

    return above


# Standard normal quantile of each bin, and the spacing of bins in it.
BINS = ndtri(BIN_EXCEEDANCE)
BIN_DISTANCE = np.abs(BINS[:, None] - BINS)


class SpotGaugings(NamedTuple):
    """Gaugings, one a row, shape (k,).

    ``name`` are their ids, ``station`` their stations, ``flow_m3s`` the measured flow and ``log_sd`` its
    standard error in natural logs; ``exceedance`` is the share of time that the gauge's flow of the day is
    exceeded there.
    """

    name: list
    station: np.ndarray
    flow_m3s: np.ndarray
    log_sd: np.ndarray
    exceedance: np.ndarray


class Adjustment(NamedTuple):
    """The effect of the gaugings at one station: the change of log flow in each bin, and the remaining variance.

    ``log_change`` has shape (200,), ``left`` is the share of the variance of the mean flow.
    """

    log_change: np.ndarray
    left: float


def curve_adjustment(curve_m3s, variance, flow_m3s, log_sd, exceedance, settings):
    r"""How a few gaugings at one station change its whole duration curve.

    Parameters
    ----------
    curve_m3s : ndarray, shape (200,)
        The median estimate, above zero where it is gauged [m³/s].
    variance : float
        Of the estimate, in squared natural logs.
    flow_m3s, log_sd, exceedance : ndarray of float64, shape (k,)
        Measured flows above zero, their errors, and the shares of time of the gauge's readings.
    settings : sitefinder.settings.flows.SpotSettings

    Returns
    -------
    Adjustment

    Notes
    -----
    Concurrent flows: on one day both sites are taken to have the same exceedance, as low-flow studies relate a
    place without records to a gauge [1]_ and as daily flows are carried between places [2]_ (both from memory).
    The ratio of the measured flow to the curve there is then what the estimate is off by, but for the error of the
    measurement and that of this assumption, ``concurrency_log_sd``. The error of the curve is taken to have the
    same variance everywhere and to be correlated between two exceedances by :math:`\exp(-|z - z'| / L)` in
    standard normal quantiles *z*, with *L* the setting ``correlation_span``; the change at every *z* is then the
    linear estimate of minimum variance (simple kriging): near those gauged it is the observed ratio, shrunk for
    its error, and it fades away from them, so that gaugings at low water change floods little. The mean flow errs
    as the curve's bins do, each by its share of the water. Several gaugings are independent but for the curve.

    References
    ----------
    .. [1] H. C. Riggs, "Low-flow investigations," U.S. Geol. Surv. Tech. Water-Resources Invest. 4-B1, 1972.
    .. [2] S. A. Archfield and R. M. Vogel, "Map correlation method: selection of a reference streamgage to
       estimate daily streamflow at ungaged catchments," Water Resour. Res., vol. 46, W10513, 2010.
    """
    at = ndtri(exceedance)
    says = np.array([flow_at(BIN_EXCEEDANCE, curve_m3s[None], 100.0 * share)[0] for share in exceedance])
    off = np.log(flow_m3s / says)
    noise = np.diag(log_sd**2 + settings.concurrency_log_sd**2)
    among = variance * np.exp(-np.abs(at[:, None] - at[None, :]) / settings.correlation_span) + noise
    alike = np.exp(-np.abs(BINS[:, None] - at) / settings.correlation_span)
    change = variance * alike @ np.linalg.solve(among, off)
    share = curve_m3s / curve_m3s.sum()
    of_mean = share @ alike / np.sqrt(share @ np.exp(-BIN_DISTANCE / settings.correlation_span) @ share)
    left = 1.0 - variance * of_mean @ np.linalg.solve(among, of_mean)
    return Adjustment(change, float(left))


def with_spot_gaugings(estimate, gaugings, downstream, area_km2, settings):
    """An estimate joined with spot gaugings at their places and along their streams.

    Parameters
    ----------
    estimate : FlowEstimate, n stations
    gaugings : SpotGaugings
    downstream : ndarray of int, shape (n,)
    area_km2 : ndarray of float64, shape (n,)
    settings : sitefinder.settings.flows.SpotSettings

    Returns
    -------
    estimate : FlowEstimate
        ``source`` of each station touched names the gaugings; a place that was found without water is flagged
        ``observed_dry``.
    changes : list of float
        Of each gauging, the factor by which those of its place changed the mean flow there; NaN where it could not
        be used: no flow was measured, or the estimate has none at that exceedance.

    Notes
    -----
    Stations are taken one after the other, down the network, each against the result of those before it. The
    change of the curve, and what it takes from the variance, fade up and down the stream with the area ratio as a
    near gauge's weight does, see `sitefinder.hydrology.gauges.fading`. The bias correction shrinks with the
    variance.
    """
    changes = np.full(len(gaugings.name), np.nan)
    dry = np.zeros(len(estimate.mean_m3s), dtype=bool)
    for place in np.unique(gaugings.station).tolist():
        of_place = gaugings.station == place
        dry[place] = (gaugings.flow_m3s[of_place] == 0).any()
        rows = np.flatnonzero(of_place & _usable(estimate, gaugings))
        if not len(rows):
            continue
        before = estimate.mean_m3s[place]
        estimate = _joined_gaugings(estimate, gaugings, rows, place, downstream, area_km2, settings)
        changes[rows] = estimate.mean_m3s[place] / before
    if dry.any():
        entries = f"{dry.sum()} of {dry.size} stations were dry at a spot gauging"
        estimate = with_flags(estimate._replace(notes=[*estimate.notes, entries]), "observed_dry", dry)
    return estimate, changes.tolist()


# Gaugings with a flow, at stations whose curve has one at that exceedance.
def _usable(estimate, gaugings):
    curve = estimate.curve_m3s[gaugings.station]
    says = np.array([flow_at(BIN_EXCEEDANCE, row[None], 100 * share)[0] for row, share in _pairs(curve, gaugings)])
    return (gaugings.flow_m3s > 0) & (says > 0)


def _pairs(curve, gaugings):
    return zip(curve, gaugings.exceedance, strict=True)


# The estimate after the gaugings at one station.
def _joined_gaugings(estimate, gaugings, rows, place, downstream, area_km2, settings):
    median = np.sqrt(estimate.mean_low_m3s * estimate.mean_high_m3s)
    # A stream without flow has no bias, and is not changed.
    bias = np.divide(estimate.mean_m3s, median, out=np.ones(len(median)), where=median > 0)
    made = curve_adjustment(
        estimate.curve_m3s[place] / bias[place],
        estimate.mean_log_sd[place] ** 2,
        gaugings.flow_m3s[rows],
        gaugings.log_sd[rows],
        gaugings.exceedance[rows],
        settings,
    )
    near = same_stream(place, downstream, area_km2, settings.min_area_ratio, settings.max_area_ratio)
    weight = fading(area_km2[near] / area_km2[place], settings.min_area_ratio, settings.max_area_ratio)
    used = (weight > 0) & (estimate.mean_m3s[near] > 0)
    near, weight = near[used], weight[used]
    left = 1.0 - weight * (1.0 - made.left)
    curves = estimate.curve_m3s.copy()
    changed = falling(curves[near] / bias[near, None] * np.exp(weight[:, None] * made.log_change))
    new_bias = bias[near] ** left
    curves[near] = changed * new_bias[:, None]
    means, low, high = (part.copy() for part in (estimate.mean_m3s, estimate.mean_low_m3s, estimate.mean_high_m3s))
    log_sd = estimate.mean_log_sd.copy()
    half_width = np.sqrt(left) * 0.5 * np.log(high[near] / low[near])
    means[near] = curves[near].mean(axis=1)
    low[near], high[near] = (means[near] / new_bias * np.exp(sign * half_width) for sign in (-1.0, 1.0))
    log_sd[near] *= np.sqrt(left)
    names = ", ".join(gaugings.name[row] for row in rows)
    source = list(estimate.source)
    for station in near.tolist():
        source[station] = f"spot gauging {names}; {source[station]}"
    return estimate._replace(
        mean_m3s=means, mean_low_m3s=low, mean_high_m3s=high, mean_log_sd=log_sd, curve_m3s=curves, source=source
    )
