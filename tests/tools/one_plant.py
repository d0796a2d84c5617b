"""One plant, worked on the way of a run: for tests that know what it must give."""

from types import SimpleNamespace

import numpy as np

from sitefinder.energy.hydraulics import CANAL, KW_PER_M3S_M, pipe_diameter_m
from sitefinder.energy.plant import PlantOutput, plant_outputs
from sitefinder.hydrology.flow_errors import FlowErrors, FlowModel
from sitefinder.settings import EnvironmentalFlowRule


def plant_output(
    curve_m3s,
    environmental_flow_m3s,
    head_net_m,
    flow_design_m3s,
    efficiency,
    lowest_relative_flow=0.0,
    units=1,
    pipe_loss_design_m=0.0,
    kw_per_m3s_m=KW_PER_M3S_M,
    scale=1.0,
):
    """`sitefinder.energy.plant.plant_outputs` of a single plant.

    Parameters
    ----------
    curve_m3s : array_like, shape (bins,)
        Natural flow at the intake in bins of equal time [m³/s].
    environmental_flow_m3s, head_net_m : array_like, shape (bins,), or float
        Flow that stays in the stream [m³/s] and net head [m].
    flow_design_m3s : float
        Of all units together [m³/s].
    efficiency : array_like, shape (101,)
        See `sitefinder.energy.turbines.efficiency_table`.
    lowest_relative_flow : float
        Of a unit.
    units : int
    pipe_loss_design_m : float
        What a pipe takes of the head at the design flow [m].
    kw_per_m3s_m : float
    scale : float
        Factor on the efficiency, for the size of the runner.

    Returns
    -------
    PlantOutput of float
    """
    curve_m3s = np.asarray(curve_m3s, dtype=float)
    environmental_flow_m3s, head_net_m = (
        np.broadcast_to(np.asarray(each, dtype=float), curve_m3s.shape)
        for each in (environmental_flow_m3s, head_net_m)
    )
    # Station 0 is the intake, whose level is held; station 1 the tailrace, whose water takes from the head.
    two = (2, curve_m3s.size)
    highest_m = head_net_m.max()
    rise_m = np.zeros(two)
    rise_m[1] = highest_m - head_net_m
    way, length_m = CANAL._replace(kw_per_m3s_m=float(kw_per_m3s_m)), 0.0
    if pipe_loss_design_m > 0.0:
        # Manning's loss L n² v² / R^(4/3) with n = v = 1, turned round for the length.
        way = way._replace(by_manning=True, velocity_m_s=1.0, manning_n=1.0, form_loss=0.0)
        length_m = pipe_loss_design_m * (0.25 * pipe_diameter_m(float(flow_design_m3s), 1.0)) ** (4.0 / 3.0)
    found = plant_outputs(
        np.ascontiguousarray(np.broadcast_to(curve_m3s, two)),
        np.ascontiguousarray(np.broadcast_to(environmental_flow_m3s, two)),
        rise_m,
        np.array([0]),
        np.array([1]),
        np.array([True]),
        np.array([highest_m]),
        np.array([float(flow_design_m3s)]),
        np.array([np.inf]),
        np.array([int(units)]),
        np.array([0]),
        SimpleNamespace(
            efficiency=np.asarray(efficiency, dtype=float)[None],
            lowest_relative_flow=np.array([float(lowest_relative_flow)]),
            scale_gain=np.array([float(scale)]),
            scale_loss=np.zeros(1),
            scale_exponent=np.zeros(1),
        ),
        np.array([length_m]),
        way,
    )
    return PlantOutput(*(float(part[0]) for part in found))


def many_plant_outputs(
    curve_m3s, environmental_flow_m3s, head_net_m, flow_design_m3s, efficiency, lowest_relative_flow, units, scale
):
    """The same of plants at one place with heads that stand still, all at once.

    Parameters
    ----------
    curve_m3s : ndarray of float64, shape (bins,)
    environmental_flow_m3s : ndarray of float64, shape (n, bins)
    head_net_m, flow_design_m3s, lowest_relative_flow, scale : ndarray of float64, shape (n,)
    efficiency : ndarray of float64, shape (n, 101)
    units : ndarray of int, shape (n,)
        All as of `plant_output`.

    Returns
    -------
    PlantOutput of ndarray, shape (n,)
    """
    count = len(units)
    each = np.arange(count)
    return plant_outputs(
        np.ascontiguousarray(np.broadcast_to(curve_m3s, environmental_flow_m3s.shape)),
        environmental_flow_m3s,
        np.zeros(environmental_flow_m3s.shape),
        each,
        each,
        np.ones(count, dtype=bool),
        head_net_m,
        flow_design_m3s,
        np.full(count, np.inf),
        units,
        each,
        SimpleNamespace(
            efficiency=efficiency,
            lowest_relative_flow=lowest_relative_flow,
            scale_gain=scale,
            scale_loss=np.zeros(count),
            scale_exponent=np.zeros(count),
        ),
        np.zeros(count),
        CANAL._replace(kw_per_m3s_m=float(KW_PER_M3S_M)),
    )


def level_model(curve_m3s, log_sd, environmental_share=0.0):
    """A flow model of stations whose mean flow errs, and with it all flows alike.

    Parameters
    ----------
    curve_m3s : ndarray of float64, shape (n, bins)
        From high to low [m³/s]; the median of what is drawn.
    log_sd : float
        Standard deviation of natural logs.
    environmental_share : float
        Of the mean flow that is drawn.

    Returns
    -------
    sitefinder.hydrology.flow_errors.FlowModel
    """
    count = len(curve_m3s)
    level = np.full(count, float(log_sd))
    errors = FlowErrors(
        curve_m3s=curve_m3s,
        mean_m3s=curve_m3s.mean(axis=1),
        area_km2=np.ones(count),
        bins_m3s=curve_m3s,
        taken_m3s=None,
        month=None,
        mean_log_sd=level,
        mean_log_bias=np.zeros(count),
        degrees=np.full(count, np.inf),
        quantile_z=np.zeros(1),
        quantile_log_sd=level[:, None],
        quantile_log_bias=np.zeros((count, 1)),
        span=1.0,
    )
    return FlowModel(errors, [EnvironmentalFlowRule(kind="share_of_mean", share=environmental_share)])
