"""Flows measured once at a place, joined with the estimate there by the reading of a gauge on the same day."""

from typing import NamedTuple

import numpy as np
from scipy.special import ndtri

from sitefinder.flows.duration import BIN_EXCEEDANCE, falling, flow_at
from sitefinder.flows.estimate import with_flags
from sitefinder.flows.near_gauges import fading, same_stream

# Standard normal quantile of each bin, and how far bins lie apart in it.
BINS = ndtri(BIN_EXCEEDANCE)
BIN_DISTANCE = np.abs(BINS[:, None] - BINS)


class SpotGaugings(NamedTuple):
    """Gaugings, one a row, shape (k,).

    ``name`` are their ids, ``station`` where they stand, ``flow_m3s`` what was measured and ``log_sd`` its
    standard error in natural logs; ``exceedance`` is the share of time that the gauge's flow of the day is
    exceeded there.
    """

    name: list
    station: np.ndarray
    flow_m3s: np.ndarray
    log_sd: np.ndarray
    exceedance: np.ndarray


class Adjustment(NamedTuple):
    """What the gaugings of one place say: by how much log flow changes in each bin, and the variance that is left.

    ``log_change`` has shape (200,), ``left`` is the share of the variance of the mean flow.
    """

    log_change: np.ndarray
    left: float


def curve_adjustment(curve_m3s, variance, flow_m3s, log_sd, exceedance, settings):
    r"""How a few gaugings at one place change its whole duration curve.

    Parameters
    ----------
    curve_m3s : ndarray, shape (200,)
        The median estimate, above zero where it is gauged [m³/s].
    variance : float
        Of the estimate, in squared natural logs.
    flow_m3s, log_sd, exceedance : ndarray of float64, shape (k,)
        Measured flows above zero, their errors, and the shares of time of the gauge's readings.
    settings : sitefinder.config.SpotSettings

    Returns
    -------
    Adjustment

    Notes
    -----
    Concurrent flows: on one day both places are taken to stand at the same exceedance, as low-flow studies relate
    a place without records to a gauge [1]_ and as daily flows are carried between places [2]_ (both from memory).
    The ratio of the measured flow to the curve there is then what the estimate is off by, but for the error of
    the measurement and that of this assumption, ``concurrency_log_sd``. The error of the curve is taken to have
    the same variance everywhere and to be alike at two exceedances by :math:`\exp(-|z - z'| / L)` in standard
    normal quantiles *z*, with *L* the setting ``correlation_span``; the change at every *z* is then the linear
    estimate of least variance (simple kriging): near those gauged it is the observed ratio, shrunk for its error,
    and it fades away from them, so that gaugings at low water change floods little. The mean flow errs as the
    curve's bins do, each by its share of the water. Several gaugings are independent but for the curve.

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
    settings : sitefinder.config.SpotSettings

    Returns
    -------
    estimate : FlowEstimate
        ``source`` of each station touched names the gaugings; a place that was found without water is flagged
        ``seen_dry``.
    changes : list of float
        Of each gauging, the factor by which those of its place changed the mean flow there; NaN where it could not
        be used: no flow was measured, or the estimate has none at that exceedance.

    Notes
    -----
    Places are taken one after the other, down the network, each against what the ones before it left. The change
    of the curve, and what it takes from the variance, fade up and down the stream with the area ratio as a near
    gauge's weight does, see `sitefinder.flows.near_gauges.fading`. The bias correction shrinks with the variance.
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
        estimate = _joined(estimate, gaugings, rows, place, downstream, area_km2, settings)
        changes[rows] = estimate.mean_m3s[place] / before
    if dry.any():
        told = f"{dry.sum()} of {dry.size} stations were found without water at a spot gauging"
        estimate = with_flags(estimate._replace(notes=[*estimate.notes, told]), "seen_dry", dry)
    return estimate, changes.tolist()


# Gaugings with a flow, at stations whose curve has one at that exceedance.
def _usable(estimate, gaugings):
    curve = estimate.curve_m3s[gaugings.station]
    says = np.array([flow_at(BIN_EXCEEDANCE, row[None], 100 * share)[0] for row, share in _pairs(curve, gaugings)])
    return (gaugings.flow_m3s > 0) & (says > 0)


def _pairs(curve, gaugings):
    return zip(curve, gaugings.exceedance, strict=True)


# The estimate after the gaugings of one place.
def _joined(estimate, gaugings, rows, place, downstream, area_km2, settings):
    median = np.sqrt(estimate.mean_low_m3s * estimate.mean_high_m3s)
    bias = estimate.mean_m3s / median
    made = curve_adjustment(
        estimate.curve_m3s[place] / bias[place],
        estimate.mean_log_sd[place] ** 2,
        gaugings.flow_m3s[rows],
        gaugings.log_sd[rows],
        gaugings.exceedance[rows],
        settings,
    )
    near = same_stream(place, downstream, area_km2, settings.least_area_ratio, settings.most_area_ratio)
    weight = fading(area_km2[near] / area_km2[place], settings.least_area_ratio, settings.most_area_ratio)
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
