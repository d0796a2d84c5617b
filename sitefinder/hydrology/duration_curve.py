"""Flow duration curves: from daily records, from regressed quantiles, and what can be read off them.

A curve is kept as flows at the midpoints of 200 bins of equal probability, so that a plain mean over the bins is
the integral over time.
"""

import math
from typing import NamedTuple

import numpy as np
from scipy.special import ndtr, ndtri

from sitefinder.compiled import kernel

BIN_COUNT = 200
# Share of time that the flow of each bin is exceeded: 0.25 %, 0.75 %, … 99.75 %.
BIN_EXCEEDANCE = (np.arange(BIN_COUNT) + 0.5) / BIN_COUNT
# Beyond its outermost quantiles a curve goes on as steeply as there, but no steeper than this many times the
# whole curve (own choice; two separately regressed quantiles may be far apart by chance).
TAIL_SLOPE_LIMIT = 1.5


class DurationCurve(NamedTuple):
    """A record's own curve: flows from high to low [m³/s or as given] and the share of time each is exceeded."""

    exceedance: np.ndarray
    flow: np.ndarray


class CurveSet(NamedTuple):
    """Curves of n stations, shape (n, 200), and whose quantiles had crossed and were pooled."""

    curve_m3s: np.ndarray
    repaired: np.ndarray


def duration_curve(daily_flow):
    """The flow duration curve of a daily record.

    Parameters
    ----------
    daily_flow : array_like, shape (days,)
        Any unit; NaN are days without a value and do not count.

    Returns
    -------
    DurationCurve

    Raises
    ------
    ValueError
        If no day has a value.

    Notes
    -----
    Weibull plotting positions r / (n + 1) [1]_, r = 1 for the greatest.

    References
    ----------
    .. [1] D. R. Helsel et al., "Statistical methods in water resources," U.S. Geol. Surv. Tech. Methods 4-A3,
       2020.

    Examples
    --------
    >>> duration_curve([1.0, 4.0, 2.0, 3.0]).exceedance.tolist()
    [0.2, 0.4, 0.6, 0.8]
    """
    flow = np.asarray(daily_flow, dtype=np.float64)
    flow = np.sort(flow[np.isfinite(flow)])[::-1]
    if flow.size == 0:
        raise ValueError("a duration curve needs at least one daily flow, found none")
    return DurationCurve(np.arange(1, flow.size + 1) / (flow.size + 1), flow)


def flow_exceeded(curve, percent):
    """Flow that a record exceeds a given share of the time, by linear interpolation between positions.

    Parameters
    ----------
    curve : DurationCurve
    percent : float or ndarray
        Share of time [%]; beyond the record's plotting positions its maximum or minimum flow applies.

    Returns
    -------
    float or ndarray
        In the unit of the record.

    Examples
    --------
    >>> float(flow_exceeded(duration_curve([1, 2, 3, 4]), 50))
    2.5
    """
    return np.interp(np.asarray(percent, dtype=np.float64) / 100.0, curve.exceedance, curve.flow)


def curves_from_quantiles(exceedance_percent, quantile_m3s):
    """Whole duration curves from a few quantiles of each station.

    Parameters
    ----------
    exceedance_percent : ndarray, shape (m,)
        Rising, each between 0 and 100 [%], at least two.
    quantile_m3s : ndarray, shape (n, m)
        Flow exceeded at each of them [m³/s], none negative. They may cross or be zero; NaN makes the curve NaN.

    Returns
    -------
    CurveSet

    Raises
    ------
    ValueError
        If the percentages do not rise from 0 to 100, or shapes do not fit.

    Notes
    -----
    Quantiles that rise with exceedance are pooled to their geometric mean (pool-adjacent-violators with equal
    weights [1]_). Between quantiles log flow is linear in the standard normal quantile of exceedance, so that a
    lognormal curve comes back exactly; towards a zero quantile flow itself is linear in it. Beyond the outermost
    quantiles the last slope goes on, limited by `TAIL_SLOPE_LIMIT`.

    References
    ----------
    .. [1] R. E. Barlow, D. J. Bartholomew, J. M. Bremner, H. D. Brunk, "Statistical inference under order
       restrictions," Wiley, 1972.
    """
    share = np.asarray(exceedance_percent, dtype=np.float64) / 100.0
    quantile = np.ascontiguousarray(quantile_m3s, dtype=np.float64)
    if share.size < 2 or not (np.diff(share) > 0).all() or share[0] <= 0 or share[-1] >= 1:
        raise ValueError(f"exceedance should rise between 0 and 100 %, at least two; found {exceedance_percent}")
    if quantile.ndim != 2 or quantile.shape[1] != share.size:
        raise ValueError(f"quantiles should be stations × {share.size}; found shape {quantile.shape}")
    if (quantile < 0).any():
        raise ValueError("a flow quantile is negative")
    log_flow = np.full(quantile.shape, -np.inf)
    np.log(quantile, out=log_flow, where=quantile != 0)
    pooled, repaired = _pooled(log_flow)
    segment = np.clip(np.searchsorted(share, BIN_EXCEEDANCE, side="right") - 1, 0, share.size - 2)
    return CurveSet(_curves(-ndtri(share), pooled, -ndtri(BIN_EXCEEDANCE), segment), repaired)


def flow_at(curve_exceedance, curve_m3s, percent):
    """Flow of each station that is exceeded a given share of the time.

    Parameters
    ----------
    curve_exceedance : ndarray, shape (K,)
        Rising shares of time, such as `BIN_EXCEEDANCE`.
    curve_m3s : ndarray, shape (n, K)
        Flows from high to low [m³/s].
    percent : float
        Share of time [%]. Beyond the outermost bins (0.25 % and 99.75 %) the flow of that bin is given.

    Returns
    -------
    ndarray of float64, shape (n,)
        [m³/s]

    Raises
    ------
    ValueError
        If percent is not between 0 and 100.
    """
    if not 0 < percent < 100:
        raise ValueError(f"percent should be between 0 and 100, found {percent}")
    share = min(max(percent / 100.0, curve_exceedance[0]), curve_exceedance[-1])
    upper = max(int(np.searchsorted(curve_exceedance, share)), 1)
    left, right = ndtri(curve_exceedance[upper - 1]), ndtri(curve_exceedance[upper])
    weight = (ndtri(share) - left) / (right - left)
    above, below = curve_m3s[:, upper - 1], curve_m3s[:, upper]
    between = above + weight * (below - above)
    positive = below > 0
    between[positive] = above[positive] ** (1.0 - weight) * below[positive] ** weight
    return between


def exceedance_at(curve_exceedance, curve_m3s, flow_m3s):
    """Share of time that one station's curve exceeds a flow, the inverse of `flow_at`.

    Parameters
    ----------
    curve_exceedance : ndarray, shape (K,)
    curve_m3s : ndarray, shape (K,)
        Flows from high to low [m³/s].
    flow_m3s : float
        Above the first flow of the curve, or below the last, the share of that bin is given; of flows that are
        equal over several bins, the share of the last of them.

    Returns
    -------
    float

    Examples
    --------
    >>> curve = np.linspace(10, 1, 200)
    >>> round(exceedance_at(BIN_EXCEEDANCE, curve, float(flow_at(BIN_EXCEEDANCE, curve[None], 80.0)[0])), 12)
    0.8
    """
    last = int(np.searchsorted(-curve_m3s, -flow_m3s, side="right")) - 1
    if last < 0 or last == curve_exceedance.size - 1:
        return float(curve_exceedance[max(last, 0)])
    left, right = ndtri(curve_exceedance[last]), ndtri(curve_exceedance[last + 1])
    above, below = curve_m3s[last], curve_m3s[last + 1]
    weight = math.log(above / flow_m3s) / math.log(above / below) if below > 0 else (above - flow_m3s) / above
    return float(ndtr(left + weight * (right - left)))


def falling(curve_m3s):
    """Curves that nowhere rise: a flow that is exceeded more often is no greater than those before it.

    Parameters
    ----------
    curve_m3s : ndarray, shape (n, K)

    Returns
    -------
    ndarray, shape (n, K)

    Examples
    --------
    >>> falling(np.array([[3.0, 1.0, 2.0]])).tolist()
    [[3.0, 1.0, 1.0]]
    """
    return np.minimum.accumulate(curve_m3s, axis=1)


# Each row made non-increasing by pooling neighbours that rise; and which rows had any.
@kernel(takes="float64[:, ::1]")
def _pooled(log_flow):
    stations, knots = log_flow.shape
    pooled = np.empty_like(log_flow)
    repaired = np.zeros(stations, dtype=np.bool_)
    level = np.empty(knots)
    size = np.empty(knots, dtype=np.int64)
    for i in range(stations):
        blocks = 0
        for j in range(knots):
            level[blocks] = log_flow[i, j]
            size[blocks] = 1
            blocks += 1
            while blocks > 1 and level[blocks - 1] > level[blocks - 2]:
                both = size[blocks - 2] + size[blocks - 1]
                total = level[blocks - 2] * size[blocks - 2] + level[blocks - 1] * size[blocks - 1]
                level[blocks - 2] = total / both
                size[blocks - 2] = both
                blocks -= 1
                repaired[i] = True
        j = 0
        for block in range(blocks):
            for _ in range(size[block]):
                pooled[i, j] = level[block]
                j += 1
    return pooled, repaired


# Flow at each bin. Both z_knot and z_bin are normal quantiles of non-exceedance, so they fall as exceedance rises;
# segment[b] is the knot at or before the bin. A log flow of minus infinity is a dry stream.
@kernel(takes="float64[::1], float64[:, ::1], float64[::1], int64[::1]")
def _curves(z_knot, log_flow, z_bin, segment):
    stations, knots = log_flow.shape
    curve = np.zeros((stations, z_bin.size))
    for i in range(stations):
        logs = log_flow[i]
        unknown = False
        for knot in range(knots):
            unknown |= np.isnan(logs[knot])
        if unknown:
            for b in range(z_bin.size):
                curve[i, b] = np.nan
            continue
        wet = 0
        while wet < knots and logs[wet] > -np.inf:
            wet += 1
        if wet == 0:
            continue
        upper = lower = limit = 0.0
        if wet > 1:
            limit = TAIL_SLOPE_LIMIT * (logs[0] - logs[wet - 1]) / (z_knot[0] - z_knot[wet - 1])
            upper = min((logs[0] - logs[1]) / (z_knot[0] - z_knot[1]), limit)
            lower = min((logs[wet - 2] - logs[wet - 1]) / (z_knot[wet - 2] - z_knot[wet - 1]), limit)
        for b in range(z_bin.size):
            z = z_bin[b]
            j = segment[b]
            if z >= z_knot[0]:
                curve[i, b] = math.exp(logs[0] + upper * (z - z_knot[0]))
            elif z <= z_knot[knots - 1]:
                if wet == knots:
                    curve[i, b] = math.exp(logs[wet - 1] + lower * (z - z_knot[knots - 1]))
            else:
                share = (z_knot[j] - z) / (z_knot[j] - z_knot[j + 1])
                if j + 1 < wet:
                    curve[i, b] = math.exp(logs[j] + share * (logs[j + 1] - logs[j]))
                elif j + 1 == wet:
                    curve[i, b] = math.exp(logs[j]) * (1.0 - share)
    return curve
