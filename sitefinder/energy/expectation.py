"""Usable flow and levels as one may expect them: one curve that stands for all that the flows may be.

The output of a plant is a sum over bins of what usable flow and level give there. So its expectation over the
errors of the flow is the output on a single curve, on which the bins of many drawn curves lie side by side, each
with its share of the time. That curve is sorted and gathered into as many bins as the others have.
"""

from typing import NamedTuple

import numpy as np

from sitefinder.energy.operation import has_fish_pass, is_undiverted, residual_flow, shutdown_share
from sitefinder.hydrology.flow_errors import draw_flows, scenarios

# Drawn curves of a station, an even number. With 16 the expected energy of the sample's sites is within 0.5 % of
# that with 256 (`tests/energy/test_expectation.py`).
SCENARIOS = 16
# Stations of which all drawn curves are held at once: 16 curves of 200 bins take 26 kB a table, and some ten
# tables of 32 stations stay in a cache of some megabytes.
STATIONS_AT_ONCE = 32


class UsableWater(NamedTuple):
    """Expected water of n stations in bins of equal time, usable flow falling, shape (n, bins).

    ``usable_m3s`` is flow that turbines may take, ``rise_m`` the level above that of the survey day.
    """

    usable_m3s: np.ndarray
    rise_m: np.ndarray


class DrawnWater(NamedTuple):
    """Water of stations in each draw, a row for each station and draw.

    Attributes
    ----------
    flow_m3s, left_m3s : ndarray of float64, shape (rows, bins)
        Flow, and what stays in the stream.
    is_shut : ndarray of bool, shape (rows, bins), or None
        Bins in which no turbine runs.
    depth_m : ndarray of float64, shape (rows, bins)
    survey_m : ndarray of float64, shape (rows,)
        Depth on the survey day.
    along : float or ndarray of float64, shape (rows, 1)
        Exponent of depth on flow at a station.
    """

    flow_m3s: np.ndarray
    left_m3s: np.ndarray
    is_shut: np.ndarray | None
    depth_m: np.ndarray
    survey_m: np.ndarray
    along: float | np.ndarray

    def usable(self, wetter=1.0) -> UsableWater:
        """Usable flow and level, in the order of the bins.

        Parameters
        ----------
        wetter : float or ndarray of float64, shape (rows, 1)
            By how much a year is wetter than the mean year. What stays in the stream and when turbines are shut
            down goes by the mean year. A single row takes any number of years.

        Returns
        -------
        UsableWater
            Shape (rows, bins).
        """
        is_mean = np.ndim(wetter) == 0 and wetter == 1.0
        flow_m3s = self.flow_m3s if is_mean else self.flow_m3s * wetter
        depth_m = self.depth_m if is_mean else self.depth_m * wetter**self.along
        usable = np.maximum(flow_m3s - self.left_m3s, 0.0)
        if self.is_shut is not None:
            usable[np.broadcast_to(self.is_shut, usable.shape)] = 0.0
        return UsableWater(usable, depth_m - self.survey_m[:, None])


def drawn_water(model, normals, uniform, depths, settings, left_of) -> DrawnWater:
    """Flow and levels of stations in each draw.

    Parameters
    ----------
    model : sitefinder.hydrology.flow_errors.FlowModel
        Of n stations.
    normals, uniform
        As `sitefinder.hydrology.flow_errors.draw_flows`.
    depths : sitefinder.energy.hydraulics.WaterDepths
        Of the same stations.
    settings : sitefinder.settings.Settings
        Reads the sections energy, tailwater and flows.releases.
    left_of : callable
        What stays in the stream, of bins, environmental flow, mean flow [m³/s] and the bins that are closed.

    Returns
    -------
    DrawnWater
        Of n · draws rows.

    Notes
    -----
    Depths go with the flow: a river that carries more than was thought is deeper, on the survey day as well, by
    the factor of its mean flow to the power of ``mean_exponent``; what the shape of the curve and a wet year add
    moves the level as any flow at a station does, by ``flow_exponent``. Both are those of the station at its mean
    flow, or the settings' ``downstream_exponent`` and ``station_exponent`` where `depths` has none.
    """
    errors, draws = model.errors, normals.shape[1]
    drawn = draw_flows(model, normals, uniform)
    flow, (down, along) = drawn.bins_m3s, _exponents(depths, settings, draws)
    closed = None
    if errors.month is not None and len(model.closed_months):
        closed = np.isin(errors.month, model.closed_months)
    left = left_of(flow, drawn.environmental_flow_m3s, flow.mean(axis=1), closed)
    deeper = drawn.level[:, None] ** down
    swing = np.divide(drawn.factor, drawn.level[:, None], out=np.ones_like(drawn.factor), where=drawn.factor > 0)
    depth_m = depths.depth_m[:, None, :] * deeper.reshape(-1, draws, 1)
    return DrawnWater(
        flow,
        left,
        shutdown_share(flow, settings.energy, closed),
        depth_m.reshape(flow.shape) * swing**along,
        np.repeat(depths.survey_m, draws) * deeper[:, 0],
        along,
    )


# Exponents of depth on mean flow and on flow, of all rows or in a column of one for each row.
def _exponents(depths, settings, draws):
    if depths.flow_exponent is None:
        return settings.tailwater.downstream_exponent, settings.tailwater.station_exponent
    return (np.repeat(each, draws)[:, None] for each in (depths.mean_exponent, depths.flow_exponent))


def residual_flow_of(kind, releases):
    """What scheme types of one kind leave in the stream, as `drawn_water` asks for it.

    Parameters
    ----------
    kind : tuple of bool
        Whether there is no depleted reach, and whether there is a fish pass.
    releases : sitefinder.settings.ReleaseSettings

    Returns
    -------
    callable
    """

    def left_of(flow_m3s, environmental_flow_m3s, mean_m3s, closed):
        if releases.changes_nothing:
            return environmental_flow_m3s
        return residual_flow(flow_m3s, environmental_flow_m3s, mean_m3s, *kind, releases, closed)

    return left_of


def expected_water(model, depths, settings, kind, count=SCENARIOS) -> UsableWater:
    """The one curve of each station on which a plant gives what it may be expected to give.

    Parameters
    ----------
    model : sitefinder.hydrology.flow_errors.FlowModel
        Of n stations.
    depths : sitefinder.energy.hydraulics.WaterDepths
    settings : sitefinder.settings.Settings
    kind : tuple of bool
        See `residual_flow_of`.
    count : int
        Curves drawn of each station.

    Returns
    -------
    UsableWater
        Shape (n, bins).

    Notes
    -----
    High and low water come on the same days at intake and tailrace, in each draw and among the draws, so levels
    are sorted as flows are. Bins in which nothing may be taken come last.
    """
    stations, bins = len(model.errors.mean_m3s), model.errors.bins_m3s.shape[1]
    found = UsableWater(*(np.empty((stations, bins)) for _ in UsableWater._fields))
    points, left_of = scenarios(model.errors.components, count), residual_flow_of(kind, settings.flows.releases)
    for start in range(0, stations, STATIONS_AT_ONCE):
        rows = np.arange(start, min(start + STATIONS_AT_ONCE, stations))
        water = drawn_water(model.at(rows), *points, depths.at(rows), settings, left_of).usable()
        usable, rise = (part.reshape(len(rows), bins * count) for part in water)
        rise = np.where(usable > 0, rise, -np.inf)
        rise.sort(axis=1)
        usable = np.sort(usable, axis=1)
        rise[np.isneginf(rise)] = 0.0
        for whole, part in zip(found, (usable, rise), strict=True):
            whole[rows] = part[:, ::-1].reshape(len(rows), bins, count).mean(axis=2)
    return found


def kinds_of(stretches, costs, releases):
    """Groups of scheme types that leave the same flow in the stream.

    Parameters
    ----------
    stretches : DataFrame, n rows
        ``scheme_type`` and ``has_fish_pass``.
    costs : CostFile
    releases : sitefinder.settings.ReleaseSettings

    Yields
    ------
    rows : ndarray of int
        Rows of the group's stretches.
    kind : tuple of bool
        See `residual_flow_of`.
    """
    if releases.changes_nothing or not len(stretches):
        yield np.arange(len(stretches)), (False, False)
        return
    undiverted, with_pass = is_undiverted(stretches), has_fish_pass(stretches, costs)
    for kind in ((False, False), (False, True), (True, False), (True, True)):
        rows = np.flatnonzero((undiverted == kind[0]) & (with_pass == kind[1]))
        if len(rows):
            yield rows, kind
