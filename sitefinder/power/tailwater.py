"""How water levels move with flow: depth over the duration curve, and on the day of the survey."""

from typing import NamedTuple

import numpy as np

# What stands in for the flow of the survey day where it is not known [% of time exceeded]: the median.
MEDIAN_PERCENT = 50.0


class WaterDepths(NamedTuple):
    """Depth of water at each station; only differences at one station are used.

    ``depth_m`` has the depth at each bin of the duration curve, shape (stations, bins), and ``survey_m`` that of
    the day on which the DEM was surveyed, shape (stations,) [m].
    """

    depth_m: np.ndarray
    survey_m: np.ndarray

    @property
    def rise_m(self):
        """Rise of each bin above the level of the survey day [m], shape (stations, bins)."""
        return self.depth_m - self.survey_m[:, None]


class Rating(NamedTuple):
    """Levels that a user measured at a place, with the stations that it holds for.

    ``flow_m3s`` and ``level_m`` rise and are of one length, at least 2; the datum of the levels is of no account.
    """

    stations: np.ndarray
    flow_m3s: np.ndarray
    level_m: np.ndarray


def water_depths(curve_m3s, exceedance, mean_m3s, tailwater, survey_percent=None, ratings=(), bins_m3s=None):
    r"""Depth of water at each station over its duration curve, by hydraulic geometry or by the user's ratings.

    Parameters
    ----------
    curve_m3s : ndarray of float64, shape (stations, bins)
        Natural flow in bins of equal time [m³/s], falling.
    exceedance : ndarray of float64, shape (bins,)
        Share of time that each bin is exceeded, rising.
    mean_m3s : ndarray of float64, shape (stations,)
        Mean flow [m³/s].
    tailwater : sitefinder.config.TailwaterSettings
    survey_percent : float, optional
        Share of time that the flow of the survey day is exceeded [%]; without it the median flow is taken.
    ratings : sequence of Rating
        Where two hold for a station, the later one counts.
    bins_m3s : ndarray of float64, shape (stations, any), optional
        Flows to give depths of in place of the curve's; the survey day's is read off the curve all the same.

    Returns
    -------
    WaterDepths
        Zero everywhere where the settings turn tailwater off, ratings included. NaN where the flow is.

    Notes
    -----
    Down a river the depth at mean flow is :math:`d = c \bar Q^{g}`, and at a station it moves as
    :math:`d (Q / \bar Q)^{f}` [1]_. With both exponents equal that is :math:`c Q^{f}`. A level below the table
    of a rating counts as its lowest; above it the last piece is drawn on straight, because a level held still
    would hide that floods drown the head.

    References
    ----------
    .. [1] L. B. Leopold and T. Maddock, "The hydraulic geometry of stream channels and some physiographic
       implications," U.S. Geol. Surv., Washington, DC, USA, Prof. Paper 252, 1953. The exponents of the defaults
       are quoted after it, not read in it.

    Examples
    --------
    Four times the flow gives 1.74 times the depth:

    >>> from sitefinder.config import TailwaterSettings
    >>> depth_m = water_depths(
    ...     np.array([[4.0, 1.0]]), np.array([0.25, 0.75]), np.array([2.5]), TailwaterSettings()
    ... ).depth_m[0]
    >>> round(float(depth_m[0] / depth_m[1]), 3)
    1.741
    """
    curve_m3s, mean_m3s = np.asarray(curve_m3s, dtype=float), np.asarray(mean_m3s, dtype=float)
    bins_m3s = curve_m3s if bins_m3s is None else np.asarray(bins_m3s, dtype=float)
    if tailwater.method == "none":
        return WaterDepths(np.zeros(bins_m3s.shape), np.zeros(len(curve_m3s)))
    share = (MEDIAN_PERCENT if survey_percent is None else survey_percent) / 100.0
    place = np.interp(share, exceedance, np.arange(len(exceedance)))
    before = min(int(place), len(exceedance) - 2)
    surveyed = curve_m3s[:, before] + (place - before) * (curve_m3s[:, before + 1] - curve_m3s[:, before])
    at_mean_m = tailwater.depth_at_1_m3s_m * mean_m3s**tailwater.downstream_exponent

    def depth_of(flow_m3s):
        mean, scale = (values.reshape(-1, *(1,) * (flow_m3s.ndim - 1)) for values in (mean_m3s, at_mean_m))
        # Where nothing ever flows there is no depth either.
        relative = np.divide(flow_m3s, mean, out=np.zeros_like(flow_m3s), where=mean != 0)
        return scale * relative**tailwater.station_exponent

    depth_m, survey_m = depth_of(bins_m3s), depth_of(surveyed)
    for rating in ratings:
        depth_m[rating.stations] = _level(rating, bins_m3s[rating.stations])
        survey_m[rating.stations] = _level(rating, surveyed[rating.stations])
    return WaterDepths(depth_m, survey_m)


# Level of a flow in the table of a rating.
def _level(rating, flow_m3s):
    flow, level = np.asarray(rating.flow_m3s, dtype=float), np.asarray(rating.level_m, dtype=float)
    steepness = (level[-1] - level[-2]) / (flow[-1] - flow[-2])
    return np.interp(flow_m3s, flow, level) + steepness * np.maximum(flow_m3s - flow[-1], 0.0)


def intake_is_held(layout, tailwater):
    """Which layouts have a weir that holds the level at the intake.

    Parameters
    ----------
    layout : array_like of str, shape (n,)
    tailwater : sitefinder.config.TailwaterSettings

    Returns
    -------
    ndarray of bool, shape (n,)
        The water over the crest of such a weir rises in a flood too, by less than the tailwater does; that rise is
        left out, so that the head in floods is told too low and not too high.
    """
    return np.isin(np.asarray(layout, dtype=object).astype(str), list(tailwater.held_layouts))
