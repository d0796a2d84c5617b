"""What flows at each site and stays in its stream: duration curves and months, as tables of the delivery."""

import numpy as np
import pandas as pd

from sitefinder.flows.duration import flow_at
from sitefinder.power.conduit import net_head_m, waterway
from sitefinder.power.energy import bins_of_plants, monthly_energy_mwh, plant_powers_kw
from sitefinder.power.machines import machine_table
from sitefinder.power.passage import has_fish_pass, is_undiverted, left_in_stream, standing_still
from sitefinder.power.tailwater import intake_is_held
from sitefinder.schema import LAYERS
from sitefinder.units import HOURS_PER_YEAR, KILOWATT_HOURS_PER_MEGAWATT_HOUR

CURVE_PERCENT = (1, 2, 5, 10, 15, 20, 25, 30, 40, 50, 60, 70, 75, 80, 85, 90, 95, 98, 99)


def reserved_at(settings, inputs, flows, table, used_m3s=None):
    """Flow that stays in the stream at each row, by its layout [m³/s], shape (n, bins).

    Parameters
    ----------
    settings, inputs, flows
        Results of the stages of those names.
    table : DataFrame, n rows
        ``intake``, ``layout`` and ``has_fish_pass``.
    used_m3s : ndarray, shape (n, bins), optional
        What the machines take, for the attraction flow of fish passes; without it, all that they may [m³/s].
    """
    intake = table["intake"].to_numpy(dtype=np.int64)
    reserved_m3s, passage = flows.reserved_m3s[intake], settings.flows.passage
    if passage.changes_nothing:
        return reserved_m3s
    bins_m3s = flows.bins_m3s[intake]
    undiverted, with_pass = is_undiverted(table)[:, None], has_fish_pass(table, inputs.costs)[:, None]
    mean = bins_m3s.mean(axis=1)
    return left_in_stream(bins_m3s, reserved_m3s, mean, undiverted, with_pass, passage, flows.closed, used_m3s)


def still_at(settings, flows, table):
    """Bins in which no machine runs at each row of a table with ``intake``, see `standing_still`; or None."""
    return standing_still(flows.bins_m3s[table["intake"].to_numpy(dtype=np.int64)], settings.energy, flows.closed)


def with_water(settings, inputs, flows, water_depths, order, left_m3s):
    """Sites with their mean power, and with what becomes of the water at their intake.

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
        With ``power_mean_kw``, ``reserved_flow_m3s``, ``used_share``, ``reserved_share`` and ``spilled_share``;
        the three shares add up to 1.
    """
    made = {"power_mean_kw": order["energy_mwh"] * KILOWATT_HOURS_PER_MEGAWATT_HOUR / HOURS_PER_YEAR}
    if len(order):
        plants = _plants(settings, inputs, flows, water_depths, order, left_m3s)
        used_m3s = bins_of_plants(*plants, *_pipe(settings, order))[1]
        kept_m3s = reserved_at(settings, inputs, flows, order, used_m3s).mean(axis=1)
        mean_m3s = plants[0].mean(axis=1)
        used = settings.energy.availability * used_m3s.mean(axis=1) / mean_m3s
        reserved = kept_m3s / mean_m3s
        # What rounding takes below nought is nothing.
        spilled = np.maximum(1.0 - used - reserved, 0.0)
        made |= {"reserved_flow_m3s": kept_m3s, "used_share": used}
        made |= {"reserved_share": reserved, "spilled_share": spilled}
    else:
        made |= {name: [] for name in ("used_share", "reserved_share", "spilled_share")}
    return order.assign(**made)


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
    energy_mwh = monthly_energy_mwh(month, *plants, settings.energy.availability, *_pipe(settings, order))
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
    plants = _plants(settings, inputs, flows, water_depths, order, left_m3s)
    return plant_powers_kw(*plants, *_pipe(settings, order))


# Sites as the arguments of `sitefinder.power.energy.plant_powers_kw`, each with a row of flows of its own.
def _plants(settings, inputs, flows, water_depths, order, left_m3s):
    sites = np.arange(len(order))
    intake, tailrace = (order[name].to_numpy(dtype=np.int64) for name in ("intake", "tailrace"))
    held = intake_is_held(order["layout"], settings.tailwater)
    bins_m3s, still = flows.bins_m3s[intake], still_at(settings, flows, order)
    return (
        bins_m3s,
        left_m3s if still is None else np.where(still, bins_m3s, left_m3s),
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


# Conduits of the sites, and what they lead through.
def _pipe(settings, order):
    return order["conduit_length_m"].to_numpy(dtype=np.float64), waterway(settings.energy)
