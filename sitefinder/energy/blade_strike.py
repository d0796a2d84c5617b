"""Blade strike: how often the blades of a runner hit a fish that passes it, and how many of the fish die of it."""

from typing import NamedTuple

import numpy as np

from sitefinder.units import GRAVITY_M_S2

# Share of the struck fish that die, by von Raben (1957), as many later works restate it (from memory).
VON_RABEN_MUTILATION = 0.43


class RunnerNumbers(NamedTuple):
    """Dimensionless numbers of a runner at its design flow; scalars or arrays.

    ``energy`` is g·H / (ω·D)², ``discharge`` is Q / (ω·D³), with the net head H [m], the speed ω [rad/s], the
    diameter D [m] and the flow Q [m³/s].
    """

    energy: float | np.ndarray
    discharge: float | np.ndarray


def runner_numbers(flow_m3s, head_m, diameter_m, speed_rad_s):
    """The numbers of a runner that turns at a known speed.

    Parameters
    ----------
    flow_m3s, head_m, diameter_m, speed_rad_s : float or ndarray
        Flow [m³/s], net head [m], diameter [m] and speed [rad/s].

    Returns
    -------
    RunnerNumbers
    """
    tip_m_s = speed_rad_s * diameter_m
    return RunnerNumbers(GRAVITY_M_S2 * head_m / tip_m_s**2, flow_m3s / (tip_m_s * diameter_m**2))


def strikes(law, numbers, efficiency, relative_flow=1.0):
    r"""Strikes per fish whose length is the runner's diameter, by the model of Franke et al. (1997).

    Parameters
    ----------
    law : sitefinder.catalogue.turbines.StrikeLaw
        Form of the runner and its blades.
    numbers : RunnerNumbers
        At the design flow.
    efficiency : float or ndarray
        Hydraulic efficiency of the turbine.
    relative_flow : float or ndarray
        Flow through the runner as a share of its design flow.

    Returns
    -------
    float or ndarray
        Of a fish of length L times L / D; above 1 every fish is struck.

    Notes
    -----
    G. F. Franke et al. (1997), Development of environmentally advanced hydropower turbine system design concepts,
    INEEL/EXT-97-00639. For axial runners

    .. math:: P = \lambda \frac{N L}{D} \left[ \frac{\cos\alpha}{8 Q_{\omega d}} + \frac{\sin\alpha}{\pi r / R}
        \right], \quad \tan\alpha = \frac{\pi E_{\omega d} \eta}{2 Q_{\omega d} r / R}

    and for radial ones, with the inlet's width B,

    .. math:: P = \lambda \frac{N L}{D} \left[ \frac{\sin\alpha B / D}{2 Q_{\omega d}} + \frac{\cos\alpha}{\pi}
        \right], \quad \cot\alpha = \frac{2 \pi E_{\omega d} \eta B / D}{Q_{\omega d}}

    The fish lies along the absolute velocity of the water, whose swirl is that of Euler's equation without swirl
    behind the runner: the report's further terms for fixed blades off their best point are left out. This is the
    bracket times N. With the swirl c in place of the angle both forms have one shape,
    (a + c b) / (x² + c²)^½ at the relative flow x: half the water strikes less than twice as often.
    """
    if law.form == "axial":
        swirl = np.pi * numbers.energy * efficiency / (2.0 * numbers.discharge * law.radius_ratio)
        along, around = 1.0 / (8.0 * numbers.discharge), 1.0 / (np.pi * law.radius_ratio)
    else:
        width = law.inlet_width_share
        swirl = 2.0 * np.pi * numbers.energy * efficiency * width / numbers.discharge
        along, around = width / (2.0 * numbers.discharge), 1.0 / np.pi
    return law.blades * (along + swirl * around) / np.sqrt(relative_flow**2 + swirl**2)


def von_raben_strikes(law, numbers, efficiency, relative_flow=1.0):
    """The same by the model of K. von Raben (1957), for comparison: axial runners only.

    Parameters
    ----------
    law, numbers, efficiency, relative_flow
        As `strikes`.

    Returns
    -------
    float or ndarray
        NaN for radial runners.

    Notes
    -----
    K. von Raben (1957), Die Wasserwirtschaft 47, as later works restate it (from memory): the blades that pass
    while
    the fish's length, projected on the axis, goes through. What the fish is struck for lying across is left out,
    and the hub takes area from the flow. `VON_RABEN_MUTILATION` of the struck fish die.
    """
    if law.form != "axial":
        return np.full(np.shape(numbers.discharge), np.nan)
    discharge = relative_flow * numbers.discharge / (1.0 - law.hub_ratio**2)
    swirl = np.pi * numbers.energy * efficiency / (2.0 * discharge * law.radius_ratio)
    return law.blades / (8.0 * discharge * np.sqrt(1.0 + swirl**2))


def numbers_of_class(turbine, head_net_m):
    """Numbers of a class's runners by its laws of diameter and speed; they do not depend on the flow.

    Parameters
    ----------
    turbine : sitefinder.catalogue.turbines.TurbineClass
        With ``runner`` and ``setting``.
    head_net_m : float or ndarray
        Net head [m], above 0.

    Returns
    -------
    RunnerNumbers

    Notes
    -----
    The diameter is k·Q^0.5 and the speed n_QE·(g H)^0.75 / Q^0.5 revolutions a second, so that the tip's velocity
    is
    that of the head alone: small runners turn faster.
    """
    energy = GRAVITY_M_S2 * np.asarray(head_net_m, dtype=float)
    specific = turbine.setting.speed_factor * np.asarray(head_net_m, dtype=float) ** turbine.setting.speed_exponent
    factor = turbine.runner.diameter_factor
    tip_m_s = 2.0 * np.pi * specific * energy**0.75 * factor
    return RunnerNumbers(energy / tip_m_s**2, 1.0 / (tip_m_s * factor**2))


def strikes_at_one_m3s(turbine, head_net_m, relative_flow, model=strikes):
    """Strikes per metre of fish of a unit of 1 m³/s; of a unit of Q they are less by Q^0.5.

    Parameters
    ----------
    turbine : sitefinder.catalogue.turbines.TurbineClass
        With ``strike``.
    head_net_m : ndarray of float64, shape (n,)
        Net head [m], above 0.
    relative_flow : float
    model : callable
        `strikes` or `von_raben_strikes`.

    Returns
    -------
    ndarray of float64, shape (n,)
        [1/m]
    """
    numbers = numbers_of_class(turbine, head_net_m)
    return model(turbine.strike, numbers, turbine.peak_efficiency, relative_flow) / turbine.runner.diameter_factor
