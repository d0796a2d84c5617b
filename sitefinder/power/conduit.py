"""What canals and pipes take from the head."""

import math
from typing import NamedTuple

import numpy as np

from sitefinder.compiled import part
from sitefinder.power.water import (
    KW_PER_M3S_M,
    USUAL_TEMPERATURE_DEGC,
    gravity_of,
    kinematic_viscosity_m2_s,
    kw_per_m3s_m,
)
from sitefinder.units import GRAVITY_M_S2, MILLIMETRES_PER_METRE


class Waterway(NamedTuple):
    """What turns flow and head into power, as bare numbers for kernels: the water's weight and the pipe."""

    kw_per_m3s_m: float
    is_pipe: bool
    by_manning: bool
    velocity_m_s: float
    roughness_m: float
    manning_n: float
    form_loss: float
    viscosity_m2_s: float
    gravity_m_s2: float


# The same as a record, which kernels take; yes and no as 1 and 0.
WATERWAY = np.dtype(
    [(name, np.float64 if kind is float else np.int64) for name, kind in Waterway.__annotations__.items()]
)
# A canal, whose fall does not go with the flow, and standard water.
CANAL = Waterway(KW_PER_M3S_M, False, False, 1.0, 0.0, 0.0, 0.0, 1.0e-6, GRAVITY_M_S2)


def waterway(energy):
    """The waterway of a run.

    Parameters
    ----------
    energy : sitefinder.config.EnergySettings

    Returns
    -------
    Waterway
    """
    temperature_degc = energy.water_temperature_degc
    return Waterway(
        kw_per_m3s_m=kw_per_m3s_m(energy),
        is_pipe=energy.conduit == "pipe",
        by_manning=energy.pipe_friction == "manning",
        velocity_m_s=energy.pipe_velocity_m_s,
        roughness_m=energy.pipe_roughness_mm / MILLIMETRES_PER_METRE,
        manning_n=energy.pipe_manning_n,
        form_loss=energy.pipe_form_loss,
        viscosity_m2_s=kinematic_viscosity_m2_s(
            USUAL_TEMPERATURE_DEGC if temperature_degc is None else temperature_degc
        ),
        gravity_m_s2=gravity_of(energy),
    )


def net_head_m(head_m, conduit_length_m, energy):
    """Gross head less the losses that do not go with the flow: canal fall, rack, gates and exit.

    Parameters
    ----------
    head_m : float or ndarray
        Gross head [m].
    conduit_length_m : float or ndarray
        Length of the canal, the straightened line and not the stream's [m]; 0 without one.
    energy : sitefinder.config.EnergySettings

    Returns
    -------
    ndarray of float64
        Net head [m], never below zero. The friction of a pipe goes with the flow and is not in it, see
        `pipe_loss_m`.
    """
    slope = energy.canal_slope if energy.conduit == "canal" else 0.0
    loss_m = slope * np.asarray(conduit_length_m, dtype=float)
    loss_m = loss_m + energy.rack_and_gate_loss_m + energy.exit_loss_m
    return np.maximum(np.asarray(head_m, dtype=float) - loss_m, 0.0)


@part
def pipe_diameter_m(flow_m3s, velocity_m_s):
    """Inner diameter of a round pipe that a flow fills at a velocity [m].

    Examples
    --------
    >>> round(pipe_diameter_m(1.0, 4.0 / math.pi), 12)
    1.0
    """
    return math.sqrt(4.0 * flow_m3s / (math.pi * velocity_m_s))


@part
def friction_factor(reynolds, relative_roughness):
    r"""Darcy's friction factor of a round pipe in turbulent flow, as all pipes of a plant have it.

    Parameters
    ----------
    reynolds : float
        Reynolds number by the diameter.
    relative_roughness : float
        Roughness over diameter.

    Returns
    -------
    float

    Notes
    -----
    :math:`0.25 / \log_{10}(\varepsilon / 3.7 + 5.74 / Re^{0.9})^2` of [1]_ (from memory), which stands for the
    equation of Colebrook and White.

    References
    ----------
    .. [1] P. K. Swamee and A. K. Jain, "Explicit equations for pipe-flow problems," J. Hydraul. Div. ASCE,
       vol. 102, no. 5, pp. 657-664, 1976.
    """
    return 0.25 / math.log10(relative_roughness / 3.7 + 5.74 / reynolds**0.9) ** 2


@part
def pipe_loss_m(flow_design_m3s, length_m, way):
    r"""Head that a pipe takes when its design flow runs.

    Parameters
    ----------
    flow_design_m3s : float
        [m³/s]; it fills the pipe at the waterway's velocity, which gives the diameter.
    length_m : float
        [m]; without length there is no pipe and no loss.
    way : Waterway

    Returns
    -------
    float
        [m]; 0 for a canal. At another flow the loss is that times the square of the relative flow: the friction
        factor is kept at its design value.

    Notes
    -----
    Darcy and Weisbach, :math:`(f L / D + k) v^2 / 2g`, or Manning,
    :math:`L n^2 v^2 / R^{4/3} + k v^2 / 2g` with :math:`R = D / 4`. Longer or thinner pipes lose more.
    """
    if not way.is_pipe or length_m <= 0.0 or flow_design_m3s <= 0.0:
        return 0.0
    velocity = way.velocity_m_s
    diameter = pipe_diameter_m(flow_design_m3s, velocity)
    velocity_head = velocity**2 / (2.0 * way.gravity_m_s2)
    if way.by_manning:
        friction = length_m * way.manning_n**2 * velocity**2 / (0.25 * diameter) ** (4.0 / 3.0)
    else:
        factor = friction_factor(velocity * diameter / way.viscosity_m2_s, way.roughness_m / diameter)
        friction = factor * length_m / diameter * velocity_head
    return friction + way.form_loss * velocity_head
