"""How wide and deep a stream is and how fast it runs, by flow: hydraulic geometry or measured sections."""

from typing import NamedTuple

import numpy as np


class MeasuredSection(NamedTuple):
    """Width and mean depth that somebody measured at a flow, and the stations for which they hold.

    ``away_m`` is the way along the stream to each of ``stations``; ``flow_m3s``, ``width_m`` and ``depth_m`` are
    above zero.
    """

    stations: np.ndarray
    away_m: np.ndarray
    flow_m3s: float
    width_m: float
    depth_m: float


class ChannelShapes(NamedTuple):
    """Width and mean depth of each station at its mean flow, shape (n,), and how both move with flow.

    ``is_measured`` is True where a measured section is behind them.
    """

    mean_m3s: np.ndarray
    width_m: np.ndarray
    depth_m: np.ndarray
    is_measured: np.ndarray
    width_exponent: float
    depth_exponent: float

    def at(self, stations, flow_m3s):
        """Width, depth and speed at other flows.

        Parameters
        ----------
        stations : ndarray of int, shape (k,)
        flow_m3s : ndarray of float64, shape (k, any)

        Returns
        -------
        width_m, depth_m, speed_m_s : ndarray of float64, shape of flow_m3s
            Zero where nothing flows, NaN where the flow is.
        """
        flow_m3s = np.asarray(flow_m3s, dtype=float)
        mean = self.mean_m3s[stations][:, None]
        relative = np.divide(flow_m3s, mean, out=np.zeros_like(flow_m3s), where=mean != 0)
        width_m = self.width_m[stations][:, None] * relative**self.width_exponent
        depth_m = self.depth_m[stations][:, None] * relative**self.depth_exponent
        # A bed of an exponent of 0 keeps its width when it is dry.
        wet = flow_m3s != 0
        width_m, depth_m = np.where(wet, width_m, 0.0), np.where(wet, depth_m, 0.0)
        speed = np.divide(flow_m3s, width_m * depth_m, out=np.zeros_like(flow_m3s), where=wet)
        return width_m, depth_m, speed


def channel_shapes(mean_m3s, tailwater, channel, sections=()):
    r"""Width and depth of each station.

    Parameters
    ----------
    mean_m3s : ndarray of float64, shape (n,)
        Mean flow [m³/s].
    tailwater : sitefinder.config.TailwaterSettings
        Reads the three figures of depth; ``method`` has no say here.
    channel : sitefinder.config.ChannelSettings
    sections : sequence of MeasuredSection
        Of several that hold for a station the nearest counts, of equals the earlier.

    Returns
    -------
    ChannelShapes

    Notes
    -----
    Down a river the width at mean flow is :math:`w = a \bar Q^{b}` and the mean depth :math:`d = c \bar Q^{f}`; at
    a station both move with flow by exponents of their own [1]_. Speed is :math:`Q / (w d)`, the mean over the
    section: midstream runs faster, banks slower. Real streams scatter widely about such laws, and small steep ones
    depart from them: on average width, depth and speed go there by 0.20, 0.29 and 0.51 [2]_.

    References
    ----------
    .. [1] L. B. Leopold and T. Maddock, "The hydraulic geometry of stream channels and some physiographic
       implications," U.S. Geol. Surv., Washington, DC, USA, Prof. Paper 252, 1953. Quoted after others.
    .. [2] D. E. Reid, E. J. Hickin and S. C. Babakaiff, "Low-flow hydraulic geometry of small, steep mountain
       streams in southwest British Columbia," Geomorphology, vol. 122, pp. 39-55, 2010, abstract.
    """
    mean_m3s = np.asarray(mean_m3s, dtype=float)
    width_m = channel.width_at_1_m3s_m * mean_m3s**channel.downstream_exponent
    depth_m = tailwater.depth_at_1_m3s_m * mean_m3s**tailwater.downstream_exponent
    nearest_m = np.full(len(mean_m3s), np.inf)
    for section in sections:
        # At a station without flow there is nothing to carry over.
        holds = (section.away_m < nearest_m[section.stations]) & (mean_m3s[section.stations] > 0)
        rows = section.stations[holds]
        relative = mean_m3s[rows] / section.flow_m3s
        width_m[rows] = section.width_m * relative**channel.station_exponent
        depth_m[rows] = section.depth_m * relative**tailwater.station_exponent
        nearest_m[rows] = section.away_m[holds]
    exponents = channel.station_exponent, tailwater.station_exponent
    return ChannelShapes(mean_m3s, width_m, depth_m, np.isfinite(nearest_m), *exponents)
