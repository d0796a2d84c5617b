"""Power and energy of a plant over the whole flow duration curve."""

from typing import NamedTuple

import numpy as np

from sitefinder.energy.hydraulics import CANAL, KW_PER_M3S_M, WATERWAY
from sitefinder.energy.operation import fill_plants
from sitefinder.energy.runners import scale_factors
from sitefinder.units import HOURS_PER_YEAR, KILOWATT_HOURS_PER_MEGAWATT_HOUR

# Firm power is what is exceeded for this share of the time.
FIRM_SHARE = 0.95
# Plants whose bins are held at once: 4096 with 200 bins take 13 MB.
PLANTS_AT_ONCE = 4096


class PlantOutput(NamedTuple):
    """Mean annual output of a plant, before availability; scalars or arrays of one row a plant."""

    power_mean_kw: float | np.ndarray
    firm_power_kw: float | np.ndarray
    operating_fraction: float | np.ndarray
    flow_used_m3s: float | np.ndarray


def hydraulic_power_kw(flow_m3s, head_m, efficiency=1.0):
    """Power of falling water, rho · g · Q · H · eta, with the standard constants.

    Parameters
    ----------
    flow_m3s : float or ndarray
        Flow [m³/s].
    head_m : float or ndarray
        Head [m].
    efficiency : float or ndarray

    Returns
    -------
    float or ndarray
        Power [kW].

    Examples
    --------
    >>> round(hydraulic_power_kw(1.0, 1.0), 5)
    9.80665
    """
    return KW_PER_M3S_M * flow_m3s * head_m * efficiency


def yearly_energy_mwh(power_mean_kw, availability):
    """Mean annual energy [MWh] from mean power [kW] and availability.

    Examples
    --------
    >>> yearly_energy_mwh(100.0, 1.0)
    876.0
    """
    return power_mean_kw * availability * HOURS_PER_YEAR / KILOWATT_HOURS_PER_MEGAWATT_HOUR


def plant_outputs(
    curve_m3s,
    environmental_flow_m3s,
    rise_m,
    intake,
    tailrace,
    held,
    head_net_m,
    flow_design_m3s,
    power_kw,
    units,
    turbine,
    table,
    conduit_m=None,
    conduit=CANAL,
    bypass_m3s=None,
):
    """Mean and firm power of many plants, whose heads move with the levels at their ends.

    In each bin the order of operations is: natural flow less the environmental flow, not below zero; at most the
    design flow; then the number of units and the flow with maximum power, see
    `sitefinder.energy.operation.plant_flow_head`. More flow never gives less power, and negative heads, when
    floods drown the plant, give none.

    Parameters
    ----------
    curve_m3s, environmental_flow_m3s : ndarray of float64, shape (stations, bins)
        Natural flow in bins of equal time, and environmental flow [m³/s].
    rise_m : ndarray of float64, shape (stations, bins)
        Rise of the water in each bin above the level of the survey day [m].
    intake, tailrace : ndarray of int64, shape (n,)
        Rows of the plant's ends in the tables above. Flow is that at the intake.
    held : ndarray of bool, shape (n,)
        True where the level at the intake is constant.
    head_net_m, flow_design_m3s, power_kw : ndarray of float64, shape (n,)
        Net head on the survey day [m], design flow [m³/s], and rated power, which no bin passes [kW].
    units, turbine : ndarray of int64, shape (n,)
        Number of units, and row of the turbine in the table; -1 means no turbine.
    table : sitefinder.energy.turbines.TurbineTable
    conduit_m : ndarray of float64, shape (n,), optional
        Length of the conduit, for the friction of a pipe [m].
    conduit : sitefinder.energy.hydraulics.Waterway
    bypass_m3s : ndarray of float64, shape (n,), optional
        Flow of a fish screen's bypass, which does not drive the turbine [m³/s]; its head loss is in the net head.

    Returns
    -------
    PlantOutput of ndarray, shape (n,)
        NaN where there is no turbine. Firm power is the power exceeded 95 % of the time, which is not the power
        at Q95 when floods drown the head. It is read between bin midpoints.
    """
    rows = np.flatnonzero(turbine >= 0)
    outputs = PlantOutput(*(np.full(len(turbine), np.nan) for _ in PlantOutput._fields))
    plants = (intake, tailrace, held, head_net_m, flow_design_m3s, power_kw, units, turbine)
    conduit_m, bypass_m3s = (np.zeros(len(turbine)) if part is None else part for part in (conduit_m, bypass_m3s))
    # In blocks, so that the bins of all plants need not be held at once.
    for start in range(0, len(rows), PLANTS_AT_ONCE):
        block = rows[start : start + PLANTS_AT_ONCE]
        own = (part[block] for part in plants)
        way = conduit_m[block], conduit, bypass_m3s[block]
        bins = bins_of_plants(curve_m3s, environmental_flow_m3s, rise_m, *own, table, *way)
        for whole, part in zip(outputs, _over_bins(*bins), strict=True):
            whole[block] = part
    return outputs


def bins_of_plants(
    curve_m3s,
    environmental_flow_m3s,
    rise_m,
    intake,
    tailrace,
    held,
    head_net_m,
    flow_design_m3s,
    power_kw,
    units,
    turbine,
    table,
    conduit_m=None,
    conduit=CANAL,
    bypass_m3s=None,
):
    """Power and flow used of a few plants in each bin; arguments as `plant_outputs`, and each has a turbine.

    Returns
    -------
    power_kw, used_m3s : ndarray of float64, shape (n, bins)
    """
    conduit_m, bypass_m3s = (np.zeros(len(turbine)) if part is None else part for part in (conduit_m, bypass_m3s))
    rated_kw = power_kw
    laws = table.efficiency, table.lowest_relative_flow
    scale = scale_factors(table, turbine, np.asarray(flow_design_m3s, dtype=float) / units)
    power_kw, used_m3s = np.empty((2, len(turbine), curve_m3s.shape[1]))
    # Each argument in the one memory order and dtype for which the kernel is compiled.
    fill_plants(
        *(np.ascontiguousarray(table, dtype=np.float64) for table in (curve_m3s, environmental_flow_m3s, rise_m)),
        *(np.ascontiguousarray(ends, dtype=np.int64) for ends in (intake, tailrace)),
        np.ascontiguousarray(held, dtype=np.bool_),
        *(np.ascontiguousarray(part, dtype=np.float64) for part in (head_net_m, flow_design_m3s, rated_kw)),
        *(np.ascontiguousarray(part, dtype=np.int64) for part in (units, turbine)),
        np.ascontiguousarray(conduit_m, dtype=np.float64),
        np.ascontiguousarray(bypass_m3s, dtype=np.float64),
        np.ascontiguousarray(scale, dtype=np.float64),
        *(np.ascontiguousarray(law, dtype=np.float64) for law in laws),
        # Where the kernel is not compiled, fields must be attributes.
        np.array([tuple(conduit)], dtype=WATERWAY)[0] if hasattr(fill_plants, "compiled") else conduit,
        np.empty(curve_m3s.shape[1]),
        power_kw,
        used_m3s,
    )
    return power_kw, used_m3s


def plant_powers_kw(curve_m3s, environmental_flow_m3s, rise_m, *plants_and_path):
    """Power of a few plants in each bin of the year; arguments as `bins_of_plants`.

    Returns
    -------
    ndarray of float64, shape (n, bins)
        [kW], before availability.
    """
    return bins_of_plants(curve_m3s, environmental_flow_m3s, rise_m, *plants_and_path)[0]


# Mean power, firm power, share of time running and mean flow used, over the bins of each plant.
def _over_bins(power_kw, used_m3s):
    # Straight between bin midpoints, which are Hazen's positions.
    firm_kw = np.quantile(power_kw, 1.0 - FIRM_SHARE, axis=1, method="hazen")
    return PlantOutput(power_kw.mean(axis=1), firm_kw, (power_kw > 0).mean(axis=1), used_m3s.mean(axis=1))
