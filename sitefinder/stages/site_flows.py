"""What flows at each site and stays in its stream: duration curves and months, as tables of the delivery."""

import numpy as np
import pandas as pd

from sitefinder.flows.duration import flow_at
from sitefinder.power.energy import monthly_energy_mwh, net_head_m, plant_powers_kw
from sitefinder.power.machines import machine_table
from sitefinder.power.passage import has_fish_pass, is_undiverted, left_in_stream
from sitefinder.power.tailwater import intake_is_held
from sitefinder.schema import LAYERS

CURVE_PERCENT = (1, 2, 5, 10, 15, 20, 25, 30, 40, 50, 60, 70, 75, 80, 85, 90, 95, 98, 99)


def reserved_at(settings, inputs, flows, table):
    """Flow that stays in the stream at each row, by its layout [m³/s], shape (n, bins).

    Parameters
    ----------
    settings, inputs, flows
        Results of the stages of those names.
    table : DataFrame, n rows
        ``intake``, ``layout`` and ``has_fish_pass``.
    """
    intake = table["intake"].to_numpy(dtype=np.int64)
    reserved_m3s, passage = flows.reserved_m3s[intake], settings.flows.passage
    if passage.changes_nothing:
        return reserved_m3s
    bins_m3s = flows.bins_m3s[intake]
    undiverted, with_pass = is_undiverted(table)[:, None], has_fish_pass(table, inputs.costs)[:, None]
    mean = bins_m3s.mean(axis=1)
    return left_in_stream(bins_m3s, reserved_m3s, mean, undiverted, with_pass, passage, flows.closed)


def flow_curves(flows, order, left_m3s):
    """The ``flow_curves`` layer: at shares of time the flow, and what stays in the stream when so much flows.

    Parameters
    ----------
    flows
        Result of that stage.
    order : DataFrame, n rows
        Sites, ``site_id`` and ``intake``.
    left_m3s : ndarray, shape (n, bins)
        See `reserved_at`.

    Returns
    -------
    DataFrame
    """
    intake = order["intake"].to_numpy(dtype=np.int64)
    bins_m3s = flows.bins_m3s[intake]
    exceedance = flows.estimate.curve_exceedance
    if flows.bins_m3s is not flows.estimate.curve_m3s:
        # Bins of months, or with water taken off them, do not stand by falling flow.
        falling = np.argsort(-bins_m3s, axis=1, kind="stable")
        bins_m3s, left_m3s = (np.take_along_axis(part, falling, axis=1) for part in (bins_m3s, left_m3s))
        exceedance = (np.arange(bins_m3s.shape[1]) + 0.5) / bins_m3s.shape[1]
    columns = {
        "site_id": np.repeat(order["site_id"].to_numpy(), len(CURVE_PERCENT)),
        "exceedance_percent": np.tile(np.array(CURVE_PERCENT, dtype=float), len(intake)),
    }
    for name, bins in (("flow_m3s", bins_m3s), ("reserved_m3s", left_m3s)):
        at = [flow_at(exceedance, bins, each) for each in CURVE_PERCENT]
        columns[name] = np.column_stack(at).ravel() if len(intake) else np.zeros(0)
    return pd.DataFrame(columns)


def site_months(settings, inputs, flows, water_depths, order, left_m3s):
    """The ``site_months`` layer: flow, reserve and energy of each site in each month.

    Parameters
    ----------
    settings, inputs, flows, water_depths
        Results of the stages of those names.
    order : DataFrame, n rows
        Sites.
    left_m3s : ndarray, shape (n, bins)
        See `reserved_at`.

    Returns
    -------
    DataFrame
        Empty where no statistics of months are given.
    """
    columns = [column.name for column in LAYERS["site_months"].columns]
    if flows.bin_month is None or not len(order):
        return pd.DataFrame({name: pd.Series(dtype=object) for name in columns})
    month = flows.bin_month
    bins_m3s = flows.bins_m3s[order["intake"].to_numpy(dtype=np.int64)]
    plants = _plants(settings, inputs, flows, water_depths, order, left_m3s)
    energy_mwh = monthly_energy_mwh(month, *plants, settings.energy.availability)
    numbers = np.arange(1, 13)
    bins = [month == number for number in numbers]
    table = {
        "site_id": np.repeat(order["site_id"].to_numpy(), len(numbers)),
        "month": np.tile(numbers, len(order)),
        "flow_mean_m3s": np.column_stack([bins_m3s[:, own].mean(axis=1) for own in bins]).ravel(),
        "reserved_flow_m3s": np.column_stack([left_m3s[:, own].mean(axis=1) for own in bins]).ravel(),
        "energy_mwh": energy_mwh.ravel(),
        "is_closed": np.tile(np.isin(numbers, settings.flows.closed_months), len(order)),
    }
    return pd.DataFrame(table)[columns]


def site_powers_kw(settings, inputs, flows, water_depths, order, left_m3s):
    """Power of each site in each bin of the year [kW], shape (n, bins); arguments as `site_months`."""
    if not len(order):
        return np.zeros((0, flows.bins_m3s.shape[1]))
    return plant_powers_kw(*_plants(settings, inputs, flows, water_depths, order, left_m3s))


# Sites as the arguments of `sitefinder.power.energy.plant_powers_kw`, each with a row of flows of its own.
def _plants(settings, inputs, flows, water_depths, order, left_m3s):
    sites = np.arange(len(order))
    intake, tailrace = (order[name].to_numpy(dtype=np.int64) for name in ("intake", "tailrace"))
    held = intake_is_held(order["layout"], settings.tailwater)
    return (
        flows.bins_m3s[intake],
        left_m3s,
        water_depths.rise_m[tailrace] - water_depths.rise_m[intake] * ~held[:, None],
        sites,
        sites,
        np.ones(len(sites), dtype=bool),
        net_head_m(order["head_m"], order["conduit_length_m"], settings.energy),
        order["flow_design_m3s"].to_numpy(dtype=np.float64),
        order["power_kw"].to_numpy(dtype=np.float64),
        order["units"].to_numpy(dtype=np.int64),
        order["machine_number"].to_numpy(dtype=np.int64),
        machine_table(inputs.machines, settings.fish),
    )
