"""The plants of sites at work: their heads and waterways, the water left and used, and energy by month."""

import numpy as np
import pandas as pd

from sitefinder.delivery.checking import checked_table
from sitefinder.delivery.closed_sites import MONTH_ENERGIES, in_order, waters
from sitefinder.energy.costs import screen_takes
from sitefinder.energy.hydraulics import intake_is_held, net_head_m, waterway, waterway_lengths_m
from sitefinder.energy.operation import has_fish_pass, is_undiverted, residual_flow, shutdown_share
from sitefinder.energy.plant import bins_of_plants, plant_powers_kw
from sitefinder.energy.runners import runner_columns
from sitefinder.energy.turbines import turbine_table
from sitefinder.hydrology.duration_curve import flow_at
from sitefinder.hydrology.regime import over_months
from sitefinder.hydrology.seasons import MONTHS
from sitefinder.schema import LAYERS, empty_table
from sitefinder.units import HOURS_PER_YEAR, KILOWATT_HOURS_PER_MEGAWATT_HOUR

CURVE_PERCENT = (1, 2, 5, 10, 15, 20, 25, 30, 40, 50, 60, 70, 75, 80, 85, 90, 95, 98, 99)


def environmental_flow_at(settings, inputs, flows, table, used_m3s=None):
    """Environmental flow of each row, by its scheme type [m³/s], shape (n, bins).

    Parameters
    ----------
    settings, inputs, flows
        Results of the stages of those names.
    table : DataFrame, n rows
        ``intake``, ``scheme_type`` and ``has_fish_pass``.
    used_m3s : ndarray, shape (n, bins), optional
        Turbine flow, for the attraction flow of fish passes; without it, the maximum allowed [m³/s].
    """
    intake = table["intake"].to_numpy(dtype=np.int64)
    environmental_flow_m3s, releases = flows.environmental_flow_m3s[intake], settings.flows.releases
    if releases.changes_nothing:
        return environmental_flow_m3s
    bins_m3s = flows.bins_m3s[intake]
    undiverted, with_pass = is_undiverted(table)[:, None], has_fish_pass(table, inputs.costs)[:, None]
    mean = bins_m3s.mean(axis=1)
    return residual_flow(
        bins_m3s, environmental_flow_m3s, mean, undiverted, with_pass, releases, flows.closed, used_m3s
    )


def shutdown_at(settings, flows, table):
    """Bins with the turbines shut down, for each row of a table with ``intake``, see `shutdown_share`; or None."""
    return shutdown_share(flows.bins_m3s[table["intake"].to_numpy(dtype=np.int64)], settings.energy, flows.closed)


def with_water(settings, inputs, flows, water_depths, order, left_m3s):
    """Sites with their mean power, and the use of the water at their intake.

    Parameters
    ----------
    settings, inputs, flows, water_depths
        Results of the stages of those names.
    order : DataFrame, n rows
        Sites.
    left_m3s : ndarray, shape (n, bins)
        See `environmental_flow_at`.

    Returns
    -------
    DataFrame
        With ``power_mean_kw``, ``environmental_flow_m3s``, ``used_share``, ``environmental_flow_share`` and
        ``spilled_share``; the three shares add up to 1.
    """
    made = {"power_mean_kw": order["energy_mwh"] * KILOWATT_HOURS_PER_MEGAWATT_HOUR / HOURS_PER_YEAR}
    if len(order):
        plants = _plants(settings, inputs, flows, water_depths, order, left_m3s)
        used_m3s = bins_of_plants(*plants, *_pipe(settings, inputs, order))[1]
        kept_m3s = environmental_flow_at(settings, inputs, flows, order, used_m3s).mean(axis=1)
        mean_m3s = plants[0].mean(axis=1)
        used = settings.energy.availability * used_m3s.mean(axis=1) / mean_m3s
        environmental_flow = kept_m3s / mean_m3s
        # Rounding can make it slightly negative.
        spilled = np.maximum(1.0 - used - environmental_flow, 0.0)
        made |= {"environmental_flow_m3s": kept_m3s, "used_share": used}
        made |= {"environmental_flow_share": environmental_flow, "spilled_share": spilled}
    else:
        made |= {name: [] for name in ("used_share", "environmental_flow_share", "spilled_share")}
    return order.assign(**made)


def with_runners(settings, inputs, order):
    """Sites with the columns of `sitefinder.energy.runners.runner_columns`; arguments as `with_water`."""
    sizes = (order[name].to_numpy() for name in ("turbine_number", "units", "flow_design_m3s"))
    head_m = net_heads_m(settings, order)
    table = turbine_table(inputs.turbines)
    return order.assign(**runner_columns(inputs.turbines, table, *sizes, head_m, order["tailrace_level_m"]))


def flow_curves(flows, order, left_m3s):
    """The ``flow_curves`` layer: flow duration curves, with the environmental flow.

    Parameters
    ----------
    flows
        Result of that stage.
    order : DataFrame, n rows
        Sites, ``site_id`` and ``intake``.
    left_m3s : ndarray, shape (n, bins)
        See `environmental_flow_at`.

    Returns
    -------
    DataFrame
    """
    intake = order["intake"].to_numpy(dtype=np.int64)
    bins_m3s = flows.bins_m3s[intake]
    exceedance = flows.estimate.curve_exceedance
    if flows.bins_m3s is not flows.estimate.curve_m3s:
        # Bins of months, or after abstractions, are not in order of falling flow.
        falling = np.argsort(-bins_m3s, axis=1, kind="stable")
        bins_m3s, left_m3s = (np.take_along_axis(part, falling, axis=1) for part in (bins_m3s, left_m3s))
        exceedance = (np.arange(bins_m3s.shape[1]) + 0.5) / bins_m3s.shape[1]
    columns = {
        "site_id": np.repeat(order["site_id"].to_numpy(), len(CURVE_PERCENT)),
        "exceedance_percent": np.tile(np.array(CURVE_PERCENT, dtype=float), len(intake)),
    }
    for name, bins in (("flow_m3s", bins_m3s), ("environmental_flow_m3s", left_m3s)):
        at = [flow_at(exceedance, bins, each) for each in CURVE_PERCENT]
        columns[name] = np.column_stack(at).ravel() if len(intake) else np.zeros(0)
    return pd.DataFrame(columns)


def site_months(settings, inputs, water, order):
    """The ``site_months`` layer: flow, environmental flow and energy of sites in each month.

    Parameters
    ----------
    settings, inputs
        Results of the stages of those names.
    water : sitefinder.delivery.closed_sites.Water
        What these sites work with; it is known when water flows.
    order : DataFrame, n rows
        Sites, at least one, with their energy of each month.

    Returns
    -------
    DataFrame
        Twelve rows a site.
    """
    left_m3s = environmental_flow_at(settings, inputs, water.flows, order)
    plants = _plants(settings, inputs, water.flows, water.depths, order, left_m3s)
    bins_m3s = plants[0]
    passed_m3s = (
        bins_m3s - settings.energy.availability * bins_of_plants(*plants, *_pipe(settings, inputs, order))[1]
    )
    shares = water.shares_of(order["intake"].to_numpy(dtype=np.int64))
    time = over_months(np.ones(bins_m3s.shape), shares)
    return pd.DataFrame(
        {
            "site_id": np.repeat(order["site_id"].to_numpy(), len(MONTHS)),
            "month": np.tile(np.array(MONTHS), len(order)),
            "flow_mean_m3s": (over_months(bins_m3s, shares) / time).ravel(),
            "environmental_flow_m3s": (over_months(left_m3s, shares) / time).ravel(),
            "flow_left_m3s": (over_months(passed_m3s, shares) / time).ravel(),
            "energy_mwh": order[[*MONTH_ENERGIES]].to_numpy(dtype=np.float64).ravel(),
            "is_closed": np.tile(np.isin(MONTHS, water.closed), len(order)),
        }
    )[[column.name for column in LAYERS["site_months"].columns]]


def site_powers_kw(settings, inputs, flows, water_depths, order, left_m3s):
    """Power of each site in each bin of the year [kW], shape (n, bins); arguments as `with_water`."""
    if not len(order):
        return np.zeros((0, flows.bins_m3s.shape[1]))
    plants = _plants(settings, inputs, flows, water_depths, order, left_m3s)
    return plant_powers_kw(*plants, *_pipe(settings, inputs, order))


def used_m3s(settings, inputs, flows, water_depths, order, left_m3s):
    """Turbine flow of each site in each bin of the year [m³/s], shape (n, bins); arguments as `with_water`."""
    plants = _plants(settings, inputs, flows, water_depths, order, left_m3s)
    return bins_of_plants(*plants, *_pipe(settings, inputs, order))[1]


# Sites as the arguments of `sitefinder.energy.plant.plant_powers_kw`, each with a row of flows of its own.
def _plants(settings, inputs, flows, water_depths, order, left_m3s):
    sites = np.arange(len(order))
    intake, tailrace = (order[name].to_numpy(dtype=np.int64) for name in ("intake", "tailrace"))
    held = intake_is_held(order["scheme_type"], settings.tailwater)
    bins_m3s, still = flows.bins_m3s[intake], shutdown_at(settings, flows, order)
    return (
        bins_m3s,
        left_m3s if still is None else np.where(still, bins_m3s, left_m3s),
        water_depths.rise_m[tailrace] - water_depths.rise_m[intake] * ~held[:, None],
        sites,
        sites,
        np.ones(len(sites), dtype=bool),
        net_heads_m(settings, order) - screens_take(inputs, order)[0],
        order["flow_design_m3s"].to_numpy(dtype=np.float64),
        order["power_kw"].to_numpy(dtype=np.float64),
        order["units"].to_numpy(dtype=np.int64),
        order["turbine_number"].to_numpy(dtype=np.int64),
        turbine_table(inputs.turbines),
    )


# Penstocks of the sites, or pipes all along, the flow in them, and the flow of bypasses of fish screens.
def _pipe(settings, inputs, order):
    return waterway_lengths_m(order, settings.energy)[1], waterway(settings.energy), screens_take(inputs, order)[1]


def screens_take(inputs, order):
    """Head [m] and flow [m³/s] that the fish screens of plants take; `order` has a row for each."""
    return screen_takes(inputs.costs, order["screened"], order["flow_design_m3s"])


def net_heads_m(settings, sites):
    """Net head of each plant [m], after the losses of its waterway."""
    return net_head_m(sites["head_m"], waterway_lengths_m(sites, settings.energy)[0], settings.energy)


def make_flow_curves(flows, ranked_sites):
    """The ``flow_curves`` layer."""
    return checked_table(flow_curves(flows, ranked_sites.order, ranked_sites.left_m3s), "flow_curves")


def make_site_months(settings, inputs, flows, water_depths, months, ranked_sites):
    """The ``site_months`` layer; empty where nothing says when water flows."""
    order = ranked_sites.order
    if not months.is_known or not len(order):
        return empty_table("site_months")
    groups = waters(settings, flows, water_depths, months, order)
    parts = [
        (np.repeat(rows, len(MONTHS)), site_months(settings, inputs, water, order.iloc[rows]))
        for rows, water in groups
    ]
    return checked_table(in_order(parts), "site_months")
