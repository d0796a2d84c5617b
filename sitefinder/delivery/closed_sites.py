"""Flows of sites in their open months, for the tables of sites: a group for each set of closed months."""

from typing import NamedTuple

import numpy as np
import pandas as pd

from sitefinder.energy.hydraulics import WaterDepths
from sitefinder.hydrology.months import shares_of_bins
from sitefinder.hydrology.regime import over_months
from sitefinder.schema.columns import MONTH_ENERGIES as COLUMNS_OF_MONTHS
from sitefinder.steps.closed_months import closed_flows, months_of
from sitefinder.vocabulary import names

MONTH_ENERGIES = names(COLUMNS_OF_MONTHS)


class StationRows:
    """Rows of a few stations, found by the stations' own numbers.

    Parameters
    ----------
    stations : ndarray of int64, shape (k,)
        Rising.
    rows : ndarray, shape (k, bins)
    """

    def __init__(self, stations, rows):
        self._stations, self._rows = stations, rows
        self.shape = rows.shape

    def __getitem__(self, stations):
        return self._rows[np.searchsorted(self._stations, stations)]


class ModelRows:
    """As `sitefinder.hydrology.flow_errors.FlowModel`, of a few stations found by the stations' own numbers."""

    def __init__(self, stations, model):
        self._stations, self._model = stations, model

    def at(self, stations):
        """That of some stations, by the stations' own numbers."""
        return self._model.at(np.searchsorted(self._stations, stations))


class DepthRows(NamedTuple):
    """As `sitefinder.energy.hydraulics.WaterDepths`, of a few stations; what is no table of bins is of all."""

    depth_m: StationRows
    survey_m: np.ndarray
    mean_exponent: np.ndarray | None
    flow_exponent: np.ndarray | None
    rise_m: StationRows

    def at(self, stations):
        """Depths of some of the stations, by the stations' own numbers."""
        of_all = (self.survey_m, self.mean_exponent, self.flow_exponent)
        return WaterDepths(self.depth_m[stations], *(None if each is None else each[stations] for each in of_all))


class Water(NamedTuple):
    """Flows and depths that a group of sites works with, and what share of each bin's time lies in each month.

    ``shares_of`` gives the shares of the bins at intakes, shape (n, bins, 12), or is None where nothing says when
    water flows; ``closed`` lists closed months. ``few`` holds the flows of the group's stations alone, see
    `sitefinder.steps.closed_months.ClosedFlows`, or None where no rule closes months.
    """

    flows: object
    depths: object
    shares_of: object
    closed: tuple
    few: object = None


def waters(settings, flows, water_depths, months, sites):
    """Groups of sites with the same closed months and seasons of fish, each with its flows.

    Parameters
    ----------
    settings, flows, water_depths, months
        Results of the stages of those names.
    sites : DataFrame, n rows
        ``intake``, ``tailrace`` and ``rule_closed_months``, see
        `sitefinder.steps.closed_months.find_closed_months`.

    Yields
    ------
    rows : ndarray of int64
        Places of the group's sites.
    water : Water
    """
    bits = sites["rule_closed_months"].to_numpy(dtype=np.int64) if months.is_known else np.zeros(len(sites), int)
    for own in np.unique(bits).tolist() if len(bits) else [0]:
        rows = np.flatnonzero(bits == own)
        everywhere = tuple(settings.flows.closed_months)
        if not own:
            known = _shares(months) if months.is_known else None
            yield rows, Water(flows, water_depths, known, everywhere)
            continue
        ends = sites[["intake", "tailrace"]].to_numpy(dtype=np.int64)[rows]
        found = closed_flows(flows, water_depths, months, ends.ravel(), own, settings.fish.migrating)
        few = flows._replace(
            bins_m3s=StationRows(found.stations, found.bins_m3s),
            environmental_flow_m3s=StationRows(found.stations, found.environmental_flow_m3s),
            closed=found.closed,
            model=ModelRows(found.stations, found.model),
        )
        depths = DepthRows(
            StationRows(found.stations, found.depths.depth_m),
            water_depths.survey_m,
            water_depths.mean_exponent,
            water_depths.flow_exponent,
            StationRows(found.stations, found.depths.rise_m),
        )
        of_days = _shares(months._replace(bin_month=found.month))
        yield rows, Water(few, depths, of_days, tuple(sorted({*everywhere, *months_of(own)})), found)


def _shares(months):
    def shares_of(intake):
        return shares_of_bins(months, intake)

    return shares_of


def in_order(parts):
    """Tables of groups in the order of their rows.

    Parameters
    ----------
    parts : list of (ndarray of int64, DataFrame)

    Returns
    -------
    DataFrame
        Index 0, 1, ….
    """
    if len(parts) == 1:
        return parts[0][1].reset_index(drop=True)
    table = pd.concat([part for _, part in parts], ignore_index=True)
    order = np.argsort(np.concatenate([rows for rows, _ in parts]), kind="stable")
    return table.iloc[order].reset_index(drop=True)


def monthly_energies_mwh(energy_mwh, powers_kw, shares):
    """Mean energy of each site in each month.

    Parameters
    ----------
    energy_mwh : ndarray of float64, shape (n,)
        Mean annual energy [MWh].
    powers_kw : ndarray of float64, shape (n, bins)
        Power in each bin of the mean year [kW].
    shares : ndarray of float64, shape (n, bins, 12)

    Returns
    -------
    ndarray of float64, shape (n, 12)
        [MWh] The year's energy in proportion to what the mean year's power gives in each month; the twelve add
        up to it. Nothing in any month where the mean year gives nothing.
    """
    of_month = over_months(powers_kw, shares)
    total = of_month.sum(axis=1)
    share = np.divide(of_month, total[:, None], out=np.zeros_like(of_month), where=total[:, None] > 0)
    return np.asarray(energy_mwh, dtype=np.float64)[:, None] * share
