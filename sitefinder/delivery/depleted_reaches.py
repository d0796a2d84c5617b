"""Depleted reaches of the sites: flow left by place and month with its width and depth, for their tables."""

from typing import NamedTuple

import numpy as np
import pandas as pd

from sitefinder.delivery.checking import checked_table
from sitefinder.delivery.closed_sites import waters
from sitefinder.delivery.site_plants import environmental_flow_at, used_m3s
from sitefinder.hydrology.regime import over_months
from sitefinder.schema import LAYERS, empty_table, is_scheme_that
from sitefinder.siting.depleted_reach import (
    depleted_path,
    exceeded_m3s,
    flow_left_m3s,
    places_of,
    share_of_time_shallow,
)

# The year among the months.
WHOLE_YEAR = 0
# Shares of the time of the flows whose figures are columns of sites.
MEDIAN, LOW = 0.5, 0.95
SITE_COLUMNS = (
    "depleted_length_m",
    "depleted_flow_mean_m3s",
    "depleted_flow_q95_m3s",
    "depleted_inflow_mean_m3s",
    "depleted_width_m",
    "depleted_depth_m",
    "depleted_shallow_share",
    "depleted_shallow_natural_share",
)


class DepletedReaches(NamedTuple):
    """``sites`` has the columns `SITE_COLUMNS`, a row a ranked site in their order; ``places`` is the layer."""

    sites: pd.DataFrame
    places: pd.DataFrame


def find_depleted_reaches(
    settings, inputs, stationing, flows, water_depths, channel_shapes, months, ranked_sites
) -> DepletedReaches:
    """The depleted reaches of all sites that divert water.

    Parameters are the results of the stages of those names.

    Returns
    -------
    DepletedReaches
    """
    order = ranked_sites.order
    columns = {name: np.full(len(order), np.nan) for name in SITE_COLUMNS}
    columns["depleted_length_m"] = np.zeros(len(order))
    stations = stationing.stations
    downstream, step_m = stations["downstream"].to_numpy(), stations["to_downstream_m"].to_numpy()
    paths = {
        row: depleted_path(*order[["intake", "tailrace"]].iloc[row].astype(int), downstream, step_m)
        for row in np.flatnonzero(is_scheme_that(order["scheme_type"], "diverts")).tolist()
    }
    if not paths:
        return DepletedReaches(pd.DataFrame(columns), empty_table("depleted_reaches"))
    # A row for each site and station of its path, so that months that rules close are closed along all of it.
    site = np.repeat(list(paths), [len(path.station) for path in paths.values()])
    along = pd.DataFrame(
        {
            "site": site,
            "intake": order["intake"].to_numpy(dtype=np.int64)[site],
            "tailrace": np.concatenate([path.station for path in paths.values()]),
            "rule_closed_months": order["rule_closed_months"].to_numpy(dtype=np.int64)[site],
        }
    )
    parts = {}
    for rows, water in waters(settings, flows, water_depths, months, along):
        own = np.unique(site[rows])
        some = order.iloc[own]
        left_m3s = environmental_flow_at(settings, inputs, water.flows, some)
        taken_m3s = used_m3s(settings, inputs, water.flows, water.depths, some, left_m3s)
        for row, one, taken in zip(own.tolist(), some.itertuples(index=False), taken_m3s, strict=True):
            found = _one_reach(settings, water, channel_shapes.shapes, int(one.intake), taken, paths[row])
            parts[row] = found[1].assign(site_id=one.site_id)
            for name, value in found[0].items():
                columns[name][row] = value
    places = pd.concat([parts[row] for row in paths], ignore_index=True)
    return DepletedReaches(
        pd.DataFrame(columns), places[[column.name for column in LAYERS["depleted_reaches"].columns]]
    )


# Columns of one site by its intake and the flow that it takes in each bin, and the rows of its places by month.
def _one_reach(settings, water, shapes, intake, taken_m3s, path):
    stations = path.station
    intake_m3s, natural_m3s = water.flows.bins_m3s[intake], water.flows.bins_m3s[stations]
    running_m3s = flow_left_m3s(intake_m3s, taken_m3s, natural_m3s)
    # Out of service all water stays.
    mean_left_m3s = flow_left_m3s(intake_m3s, settings.energy.availability * taken_m3s, natural_m3s)
    joined_m3s = flow_left_m3s(intake_m3s, intake_m3s, natural_m3s)
    min_m = settings.depleted_reach.min_depth_m
    median_m3s = np.array([[exceeded_m3s(running_m3s[0], MEDIAN)]])
    width_m, depth_m, _ = shapes.at(stations[:1], median_m3s)
    columns = {
        "depleted_length_m": path.distance_m[-1],
        "depleted_flow_mean_m3s": mean_left_m3s[0].mean(),
        "depleted_flow_q95_m3s": exceeded_m3s(running_m3s[0], LOW),
        "depleted_inflow_mean_m3s": joined_m3s[-1].mean(),
        "depleted_width_m": width_m[0, 0],
        "depleted_depth_m": depth_m[0, 0],
        "depleted_shallow_share": share_of_time_shallow(shapes.depth_m_at(stations, running_m3s), min_m),
        "depleted_shallow_natural_share": share_of_time_shallow(
            shapes.depth_m_at(stations, joined_m3s + intake_m3s), min_m
        ),
    }
    rows, kinds = places_of(path)
    shares = None if water.shares_of is None else water.shares_of(np.array([intake]))
    listed = stations[rows]
    without, kept = (_by_month(flow[rows], shares) for flow in (joined_m3s + intake_m3s, mean_left_m3s))
    shape_without, shape_kept = (shapes.at(listed, flow) for flow in (without, kept))
    month = np.arange(WHOLE_YEAR, without.shape[1])
    table = {
        "position": np.arange(1, len(rows) + 1),
        "place": kinds,
        "distance_m": path.distance_m[rows],
    }
    table = {name: np.repeat(values, len(month)) for name, values in table.items()}
    figures = {
        "flow_natural_m3s": without,
        "flow_left_m3s": kept,
        "width_natural_m": shape_without[0],
        "depth_natural_m": shape_without[1],
        "width_m": shape_kept[0],
        "depth_m": shape_kept[1],
    }
    table |= {"month": np.tile(month, len(rows))} | {name: values.ravel() for name, values in figures.items()}
    table["min_depth_m"] = min_m
    table["is_shallow"] = table["depth_m"] < min_m
    return columns, pd.DataFrame(table)


# Mean flow of the year, and of the twelve months where they are known; shape (k, 1) or (k, 13).
def _by_month(flow_m3s, shares):
    year = flow_m3s.mean(axis=1)[:, None]
    if shares is None:
        return year
    shares = np.broadcast_to(shares, (len(flow_m3s), *shares.shape[1:]))
    time = over_months(np.ones(flow_m3s.shape), shares)
    return np.concatenate([year, over_months(flow_m3s, shares) / time], axis=1)


def make_depleted_reaches(depleted_reaches):
    """The ``depleted_reaches`` layer."""
    return checked_table(depleted_reaches.places, "depleted_reaches")
