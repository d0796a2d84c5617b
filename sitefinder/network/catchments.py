"""Sums down the network: drained area, catchment means, and properties carried downstream."""

from typing import NamedTuple

import numpy as np

from sitefinder.compiled import kernel, part
from sitefinder.network.ordering import beside_arms, shared_sums


class Arms(NamedTuple):
    """Side arms that take a share of the water.

    For the first station of each, ``beside`` is the first station of the main stream at the same parting (else -1)
    and ``share`` what the arm takes of all that arrives there.
    """

    beside: np.ndarray
    share: np.ndarray


def side_arms(links, station_link):
    """The side arms of a network by their stations.

    Parameters
    ----------
    links : DataFrame
        See `sitefinder.network.topology.Network`.
    station_link : ndarray of int, shape (n,)
        Link of each station, ascending.

    Returns
    -------
    Arms or None
        None where no arm takes anything: sums then stay those of whole numbers.
    """
    share = links["arm_share"].to_numpy()
    if not share.any():
        return None
    first = np.searchsorted(station_link, np.arange(len(links)))
    beside = beside_arms(links["downstream_link"], links["leaves_link"])
    arms = Arms(np.full(len(station_link), -1, dtype=np.int32), np.zeros(len(station_link)))
    arms.beside[first] = np.where(beside >= 0, first[beside], -1)
    arms.share[first] = share
    return arms


def sums_by_arms(local, downstream, arms=None):
    """Sums upstream of each station, with the shares of side arms where there are any.

    Parameters
    ----------
    local : ndarray of int64 or float64, shape (n,)
        What each station adds of its own.
    downstream : ndarray of int32, shape (n,)
        Next station downstream, always of a higher number, or -1.
    arms : Arms, optional

    Returns
    -------
    ndarray, shape (n,)
        Of the dtype of `local`; of float64 with arms.
    """
    if arms is None:
        return (_inflow_sums if local.dtype == np.float64 else sums_upstream)(local, downstream)
    return shared_sums(local.astype(np.float64), downstream, *arms)


@kernel(takes="int64[::1], int32[::1]")
def sums_upstream(local, downstream):
    """For each station the sum over itself and all stations upstream.

    Parameters
    ----------
    local : ndarray of int64 or float64, shape (n,)
        What each station adds of its own.
    downstream : ndarray of int32, shape (n,)
        Next station downstream, always of a higher number, or -1.

    Returns
    -------
    ndarray of the dtype of `local`, shape (n,)
    """
    return _sums(local, downstream)


# The same for what streams bring from outside [km²]: a kernel of its own, so that each is compiled for one type.
@kernel(takes="float64[::1], int32[::1]")
def _inflow_sums(local, downstream):
    return _sums(local, downstream)


@part(allocates=True)
def _sums(local, downstream):
    total = local.copy()
    for station in range(len(downstream)):  # from the sources down
        below = downstream[station]
        if below >= 0:
            total[below] += total[station]
    return total


def drained_area_km2(cells, downstream, cell_area_m2, arms=None):
    """Catchment area of each station [km²] from whole cells.

    Parameters
    ----------
    cells : ndarray of int64, shape (n,)
        Cells that drain straight to each station's segment.
    downstream : ndarray of int32, shape (n,)
        Next station downstream, or -1.
    cell_area_m2 : float
        Area of a cell [m²].
    arms : Arms, optional

    Returns
    -------
    ndarray of float64, shape (n,)
    """
    return sums_by_arms(cells, downstream, arms) * (cell_area_m2 / 1.0e6)


def catchment_means(value_sum, covered_cells, downstream, arms=None):
    """Mean of a covariate over the part of each catchment that its raster covers.

    Parameters
    ----------
    value_sum : ndarray of int64, shape (n,)
        Sum of scaled integer values over each station's own ground.
    covered_cells : ndarray of int64, shape (n,)
        Cells of that ground that have a value.
    downstream : ndarray of int32, shape (n,)
        Next station downstream, or -1.
    arms : Arms, optional

    Returns
    -------
    ndarray of float64, shape (n,)
        In the scaled unit; NaN where nothing is covered.
    """
    cells = sums_by_arms(covered_cells, downstream, arms)
    total = sums_by_arms(value_sum, downstream, arms)
    return np.divide(total, cells, out=np.full(len(cells), np.nan), where=cells > 0)


def inflows(links, stations, cells):
    """What enters from outside, and where.

    Parameters
    ----------
    links : DataFrame
        See `sitefinder.network.topology.Network`.
    stations : DataFrame
        See `sitefinder.network.stations.Stationing`.
    cells : ndarray of int64, shape (n,)
        Cells that drain straight to each station.

    Returns
    -------
    inflow_km2 : ndarray of float64, shape (n,)
        Catchment outside at the first station of each stream that brings one, 0 elsewhere [km²].
    is_entry : ndarray of bool, shape (n,)
        Stations of such a stream down to the end of the reach in which it comes onto the grid: water that crosses
        the edge there is part of the stated inflow.
    """
    link, reach = stations["link"].to_numpy(), stations["reach"].to_numpy()
    inflow_km2, is_entry = np.zeros(len(stations)), np.zeros(len(stations), dtype=bool)
    for bringing in np.flatnonzero(links["inflow_area_km2"].to_numpy() > 0):
        first, end = np.searchsorted(link, [bringing, bringing + 1])
        inflow_km2[first] = links["inflow_area_km2"].iat[bringing]
        on_grid = first + np.flatnonzero(cells[first:end] > 0)
        entry = max(on_grid[0] if len(on_grid) else end - 1, first + 1)
        is_entry[first:end] = reach[first:end] <= reach[entry]
    return inflow_km2, is_entry


@kernel
def share_above(is_marked, area, downstream):
    """Share of each station's catchment whose water passes a marked station.

    Parameters
    ----------
    is_marked : ndarray of bool, shape (n,)
        Stations at whose segment something happens to the water: a dam, a losing reach.
    area : ndarray of float64, shape (n,)
        Catchment of each station, in any unit. Where one is not known (NaN, or nothing), the share counts as whole
        as soon as a station above is marked.
    downstream : ndarray of int32, shape (n,)
        Next station downstream, always of a higher number, or -1.

    Returns
    -------
    ndarray of float64, shape (n,)
        From 0 to 1; 1 at a marked station itself. Ground above two marks in a row counts once.
    """
    passed = np.zeros(len(area))
    reached = np.zeros(len(area), dtype=np.bool_)
    share = np.zeros(len(area))
    for station in range(len(area)):  # from the sources down
        own = area[station] if area[station] > 0 else 0.0
        if is_marked[station]:
            passed[station], reached[station] = own, True
        if reached[station]:
            share[station] = min(passed[station] / own, 1.0) if own > 0 else 1.0
        below = downstream[station]
        if below >= 0:
            passed[below] += passed[station]
            reached[below] |= reached[station]
    return share


@kernel(takes="boolean[::1], int32[::1]")
def carried_down(is_marked, downstream):
    """Whether a station, or any upstream of it, is marked.

    Parameters
    ----------
    is_marked : ndarray of bool, shape (n,)
    downstream : ndarray of int32, shape (n,)

    Returns
    -------
    ndarray of bool, shape (n,)
    """
    carried = is_marked.copy()
    for station in range(len(downstream)):  # from the sources down
        below = downstream[station]
        if below >= 0 and carried[station]:
            carried[below] = True
    return carried
