"""Uniform flow in open channels: depth by Manning, roughness of steep streams by Jarrett, critical depth."""

import math
from typing import NamedTuple

import numpy as np

from sitefinder.compiled import kernel, part
from sitefinder.units import GRAVITY_M_S2, METRES_PER_FOOT

# Manning: velocity is the hydraulic radius to this power times the root of the slope over n, in m and s.
MANNING_EXPONENT = 2.0 / 3.0
# Jarrett's n is 0.39 S^0.38 R^-0.16 with R in feet, which is 0.32 with R in metres.
JARRETT_FACTOR = 0.39 * METRES_PER_FOOT**0.16
JARRETT_SLOPE_EXPONENT, JARRETT_RADIUS_EXPONENT = 0.38, -0.16
# Newton's method on the logarithm of depth squares its error at each step: after one below the root of the last
# digit's size it is exact.
NEWTON_STEPS, NEWTON_TOLERANCE = 30, 1e-7


class Resistance(NamedTuple):
    """What slope and roughness make of a hydraulic radius R: a velocity of ``factor`` · R ** ``exponent`` [m/s].

    Arrays of shape (n,), R in metres; NaN where the slope is.
    """

    factor: np.ndarray
    exponent: np.ndarray

    def at(self, rows) -> "Resistance":
        """Resistance of some of the channels.

        Parameters
        ----------
        rows : ndarray of int64, shape (k,)

        Returns
        -------
        Resistance
        """
        return Resistance(self.factor[rows], self.exponent[rows])


def resistance(slope, manning_n, jarrett_from_slope=np.inf) -> Resistance:
    r"""Resistance of channels by Manning's n, which in steep streams grows with the slope.

    Parameters
    ----------
    slope : ndarray of float64, shape (n,)
        Of the water surface, above 0.
    manning_n : float
        n of streams that are not steep.
    jarrett_from_slope : float
        Slope from which the n of steep streams holds.

    Returns
    -------
    Resistance

    Notes
    -----
    :math:`v = R^{2/3} S^{1/2} / n` [1]_; in steep streams :math:`n = 0.39 S^{0.38} R^{-0.16}` with R in feet [2]_,
    observed at slopes of 0.002 to 0.04 and radii of 0.15 to 1.7 m (range as restated by others, not read in it).
    Beyond that it is carried on: shallower and steeper water is rougher.

    References
    ----------
    .. [1] V. T. Chow, Open-Channel Hydraulics. New York, NY, USA: McGraw-Hill, 1959.
    .. [2] R. D. Jarrett, "Hydraulics of high-gradient streams," J. Hydraul. Eng., vol. 110, no. 11,
       pp. 1519-1539, 1984.

    Examples
    --------
    >>> resistance(np.array([0.0025]), 0.05).factor
    array([1.])
    """
    slope = np.asarray(slope, dtype=float)
    steep = slope >= jarrett_from_slope
    factor = np.sqrt(slope) / np.where(steep, JARRETT_FACTOR * slope**JARRETT_SLOPE_EXPONENT, manning_n)
    return Resistance(factor, np.where(steep, MANNING_EXPONENT - JARRETT_RADIUS_EXPONENT, MANNING_EXPONENT))


@part
def critical_depth_m(flow_m3s, width_m):
    """Depth of a flow in a rectangular channel at which the Froude number is 1 [m].

    Examples
    --------
    A flow per width of g^(1/2) m²/s:

    >>> round(critical_depth_m(2.0 * 9.80665**0.5, 2.0), 12)
    1.0
    """
    return ((flow_m3s / width_m) ** 2 / GRAVITY_M_S2) ** (1.0 / 3.0)


# Depth in a rectangle at which a resistance lets a flow through [m]; both above 0. On logarithms the function is
# nearly straight, and bends one way only, so that Newton's method converges from anywhere.
@part
def _normal_depth_m(flow_m3s, width_m, factor, exponent):
    wanted = math.log(flow_m3s / (factor * width_m))
    # As if the banks gave no resistance, which is too shallow.
    log_depth = wanted / (1.0 + exponent)
    for _ in range(NEWTON_STEPS):
        depth_m = math.exp(log_depth)
        banks = 2.0 * depth_m / width_m
        miss = (1.0 + exponent) * log_depth - exponent * math.log1p(banks) - wanted
        change = miss / (1.0 + exponent - exponent * banks / (1.0 + banks))
        log_depth -= change
        if abs(change) < NEWTON_TOLERANCE:
            break
    return math.exp(log_depth)


@kernel
def _depths_m(flow_m3s, width_m, factor, exponent):
    rows, columns = flow_m3s.shape
    found = np.zeros((rows, columns))
    for row in range(rows):
        for column in range(columns):
            flow, width = flow_m3s[row, column], width_m[row, column]
            if flow > 0.0:
                normal = _normal_depth_m(flow, width, factor[row], exponent[row])
                found[row, column] = max(normal, critical_depth_m(flow, width))
            elif math.isnan(flow):
                found[row, column] = np.nan
    return found


def uniform_depth_m(flow_m3s, width_m, channel_resistance):
    r"""Depth of uniform flow in rectangular channels, nowhere less than the critical depth.

    Parameters
    ----------
    flow_m3s : ndarray of float64, shape (n, k)
        [m³/s].
    width_m : ndarray of float64, shape (n, k)
        Width at that flow [m], above 0 where water flows.
    channel_resistance : Resistance
        Of n channels.

    Returns
    -------
    ndarray of float64, shape (n, k)
        [m]; zero where nothing flows, NaN where the flow is.

    Notes
    -----
    The root of :math:`Q = k\, w d\, (w d / (w + 2 d))^m`, the hydraulic radius with both banks, by Newton's
    method. Streams of coarse bed hold no supercritical flow over any length [1]_: hydraulic jumps and the bed
    bring the mean back to a Froude number of 1, so that depth is not taken below the critical one.

    References
    ----------
    .. [1] G. E. Grant, "Critical flow constrains flow hydraulics in mobile-bed streams: A new hypothesis," Water
       Resour. Res., vol. 33, no. 2, pp. 349-358, 1997, from memory.

    Examples
    --------
    >>> channel = resistance(np.array([0.0025]), 0.015)
    >>> uniform_depth_m(np.array([[32.91]]), np.array([[6.0]]), channel).round(3)
    array([[1.6]])
    """
    flow_m3s, width_m = np.asarray(flow_m3s, dtype=np.float64), np.asarray(width_m, dtype=np.float64)
    return _depths_m(flow_m3s, width_m, *(np.asarray(each, dtype=np.float64) for each in channel_resistance))


def depth_elasticity(flow_m3s, width_m, depth_m, channel_resistance, width_exponent):
    r"""Exponent by which the depth of uniform flow goes with flow, where the width does by one of its own.

    Parameters
    ----------
    flow_m3s, width_m, depth_m : ndarray of float64, shape (n,)
        [m³/s], [m], [m]; the depth is that of `uniform_depth_m`.
    channel_resistance : Resistance
    width_exponent : float or ndarray of float64, shape (n,)

    Returns
    -------
    ndarray of float64, shape (n,)
        :math:`d \ln d / d \ln Q`; NaN where a depth is 0 or unknown.

    Examples
    --------
    Three fifths in a wide channel between walls:

    >>> wide = resistance(np.array([0.0009]), 0.03)
    >>> depth_elasticity(np.ones(1), np.full(1, 1e9), np.full(1, 1e-4), wide, 0.0).round(6)
    array([0.6])
    """
    exponent = channel_resistance.exponent
    with np.errstate(divide="ignore", invalid="ignore"):
        banks = 2.0 * depth_m / (width_m + 2.0 * depth_m)
        normal = (1.0 - width_exponent * (1.0 + exponent * banks)) / (1.0 + exponent * (1.0 - banks))
        critical = 2.0 / 3.0 * (1.0 - width_exponent)
        # At the critical depth the Froude number is 1.
        froude = flow_m3s / (width_m * depth_m * np.sqrt(GRAVITY_M_S2 * depth_m))
        found = np.where(froude < 1.0 - 1e-9, normal, critical)
    return np.where(depth_m > 0, found, np.nan)
