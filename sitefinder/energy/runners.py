"""Runners of reaction turbines: their diameter, its effect on efficiency, and their setting against cavitation."""

import numpy as np

from sitefinder.compiled import part

# Pressure of the standard atmosphere at sea level as a column of water [m], and its fall with elevation [m/m].
# The rule 10.3 - z / 900 is common in books on turbines, from memory; within 0.1 m of the ICAO standard
# atmosphere up to 2000 m.
ATMOSPHERE_M = 10.3
ATMOSPHERE_FALL = 1.0 / 900.0
# Vapour pressure of water at 20 °C as a column of water [m]: 2339 Pa.
VAPOUR_M = 0.24


def runner_diameter_m(law, unit_flow_m3s):
    """Runner diameter of a unit by its design flow.

    Parameters
    ----------
    law : sitefinder.catalogue.turbines.RunnerLaw
    unit_flow_m3s : float or ndarray
        Design flow of one unit [m³/s].

    Returns
    -------
    float or ndarray
        ``diameter_factor · flow^0.5`` [m]: similar turbines at one head have equal velocities.

    Examples
    --------
    >>> from sitefinder.catalogue.turbines import RunnerLaw
    >>> law = RunnerLaw(diameter_factor=0.42, source="an example")
    >>> float(runner_diameter_m(law, 4.0))
    0.84
    """
    return law.diameter_factor * np.sqrt(unit_flow_m3s)


def scale_numbers(turbine):
    """What makes efficiency depend on the design flow of a unit, for `scale_factor`.

    Parameters
    ----------
    turbine : TurbineClass

    Returns
    -------
    gain, loss, exponent : float
        1, 0 and 0 where the class states no scale effect.

    Notes
    -----
    L. F. Moody (1942): (1 - eta) / (1 - eta_reference) = (reference diameter / diameter)^n. It holds for the peak
    of the turbine without gear and generator; efficiencies at other loads are taken to change in the same
    proportion. Diameters go with the square root of the flow, so that eta / eta_reference = gain - loss ·
    flow^(-n/2).
    """
    runner = turbine.runner
    if runner is None or runner.scale_exponent == 0.0:
        return 1.0, 0.0, 0.0
    peak = turbine.peak_efficiency
    step = (runner.reference_diameter_m / runner.diameter_factor) ** runner.scale_exponent
    return 1.0 / peak, (1.0 - peak) / peak * step, runner.scale_exponent / 2.0


@part
def scale_factor(unit_flow_m3s, gain, loss, exponent):
    """Factor on efficiency of a unit with this design flow, by `scale_numbers`; also for kernels.

    It rises with the flow, and is not below 0.
    """
    if loss <= 0.0:
        return gain
    return max(gain - loss * unit_flow_m3s**-exponent, 0.0)


@part
def unit_flow_limit(power_kw, kw_per_m3s, flow_max_m3s, gain, loss, exponent):
    """Greatest design flow of a unit, at most `flow_max_m3s`, with no more than a power; for kernels.

    `kw_per_m3s` is the power of 1 m³/s without the scale effect.
    """
    if loss <= 0.0:
        return min(flow_max_m3s, power_kw / (kw_per_m3s * gain))
    if kw_per_m3s * flow_max_m3s * scale_factor(flow_max_m3s, gain, loss, exponent) <= power_kw:
        return flow_max_m3s
    # Power rises with the flow.
    low, high = 0.0, flow_max_m3s
    for _ in range(60):
        middle = 0.5 * (low + high)
        if kw_per_m3s * middle * scale_factor(middle, gain, loss, exponent) <= power_kw:
            low = middle
        else:
            high = middle
    return low


def scale_factors(table, turbine, unit_flow_m3s):
    """`scale_factor` of many units.

    Parameters
    ----------
    table : sitefinder.energy.turbines.TurbineTable
    turbine : array of int, shape (n,)
        Rows of the table.
    unit_flow_m3s : ndarray of float64, shape (n,)
        Design flow of one unit [m³/s].

    Returns
    -------
    ndarray of float64, shape (n,)
    """
    gain, loss, exponent = (getattr(table, f"scale_{name}")[turbine] for name in ("gain", "loss", "exponent"))
    return np.maximum(gain - loss * np.asarray(unit_flow_m3s, dtype=float) ** -exponent, 0.0)


def suction_head_m(law, head_m, level_m):
    """Greatest height of the runner above the tailwater without cavitation.

    Parameters
    ----------
    law : sitefinder.catalogue.turbines.SettingLaw
    head_m : float or ndarray
        Net head [m].
    level_m : float or ndarray
        Elevation of the tailwater above the sea [m].

    Returns
    -------
    float or ndarray
        [m]; where negative, the runner must be so far below the tailwater.

    Notes
    -----
    Thoma's number: the pressure of the atmosphere, less that of vapour, less sigma times the head. The sigma that
    the class needs goes by its specific speed, and that by the head: sigma = ``sigma_factor`` · n_QE ^
    ``sigma_exponent`` with n_QE = ``speed_factor`` · head ^ ``speed_exponent``, where n_QE = n · Q^0.5 /
    (g H)^0.75 with n in revolutions a second.
    """
    speed = law.speed_factor * head_m**law.speed_exponent
    sigma = law.sigma_factor * speed**law.sigma_exponent
    return ATMOSPHERE_M - ATMOSPHERE_FALL * level_m - VAPOUR_M - sigma * head_m


def settings_of_runners(turbines, head_net_m, level_m):
    """How deep runners must be set, as a factor on civil cost, and whether they can be.

    Parameters
    ----------
    turbines : list of TurbineClass
    head_net_m, level_m : array_like, shape (n,)
        Net head, and elevation of the tailwater [m].

    Returns
    -------
    factor : ndarray of float64, shape (n, classes)
        1 where the runner may be at or above the tailwater, or does not care.
    can_be_set : ndarray of bool, same shape
        False where it would have to be deeper than the class allows.
    """
    head_m, level_m = (np.asarray(each, dtype=float) for each in (head_net_m, level_m))
    factor = np.ones((len(head_m), len(turbines)))
    can_be_set = np.ones(factor.shape, dtype=bool)
    for number, turbine in enumerate(turbines):
        law = turbine.setting
        if law is None or not len(head_m):
            continue
        # A head that is not above 0 suits no class.
        depth_m = np.maximum(-suction_head_m(law, np.maximum(head_m, 0.01), level_m), 0.0)
        factor[:, number] = 1.0 + law.civil_share_per_m * depth_m
        can_be_set[:, number] = depth_m <= law.max_depth_m
    return factor, can_be_set


def tailwater_level_m(stretches):
    """Elevation of the tailwater of each stretch [m], shape (n,); 0 where a table does not say it."""
    if "tailrace_level_m" not in stretches:
        return np.zeros(len(stretches))
    return np.nan_to_num(stretches["tailrace_level_m"].to_numpy(float))


def runner_columns(turbines, table, number, units, flow_design_m3s, head_net_m, level_m):
    """Runner, setting and efficiency of plants, as they are delivered.

    Parameters
    ----------
    turbines : list of TurbineClass
    table : sitefinder.energy.turbines.TurbineTable
        Of the same classes.
    number : array of int, shape (n,)
        Place of each plant's turbine in the list; -1 for none.
    units : array of int, shape (n,)
    flow_design_m3s, head_net_m, level_m : ndarray of float64, shape (n,)
        Design flow of all units [m³/s], net head [m], and elevation of the tailwater [m].

    Returns
    -------
    dict of str to ndarray, shape (n,)
        ``runner_diameter_m``, ``suction_head_m``, NaN for classes that state no law for them, and
        ``efficiency_design`` from water to terminals at full gate.
    """
    number, units = np.asarray(number, dtype=np.int64), np.asarray(units, dtype=np.int64)
    flow_m3s, head_m, level_m = (np.asarray(each, dtype=float) for each in (flow_design_m3s, head_net_m, level_m))
    columns = {
        name: np.full(len(number), np.nan) for name in ("runner_diameter_m", "suction_head_m", "efficiency_design")
    }
    for each in np.unique(number[number >= 0]).tolist():
        rows, turbine = number == each, turbines[each]
        unit_m3s = flow_m3s[rows] / units[rows]
        if turbine.runner is not None:
            columns["runner_diameter_m"][rows] = runner_diameter_m(turbine.runner, unit_m3s)
        if turbine.setting is not None:
            columns["suction_head_m"][rows] = suction_head_m(turbine.setting, head_m[rows], level_m[rows])
        full = table.efficiency[each, -1]
        columns["efficiency_design"][rows] = full * scale_factors(table, np.full(rows.sum(), each), unit_m3s)
    return columns
