"""Hydrokinetic rotors: power from the current without head or dam, never added to the energy of heads."""

from typing import NamedTuple

import numpy as np

from sitefinder.units import WATER_DENSITY_KG_M3, WATTS_PER_KILOWATT
from sitefinder.vocabulary import (
    HYDROKINETIC_REASONS,
    NO_FLOW_ESTIMATE,
    REACH_TOO_SHORT,
    ROW_BLOCKS,
    TOO_LITTLE_FALL,
    TOO_NARROW,
    TOO_SHALLOW,
    TOO_SLOW,
)

# What the stream loses for each watt that reaches the shaft, the mixing behind the rotor included: 1 / (1 - a)
# with the induction a = 1/3 of the best actuator disc.
LOSS_OVER_SHAFT = 1.5


class Hydrokinetic(NamedTuple):
    """Potential of a reach for one rotor; arrays of one row a reach.

    ``rotors`` is their number, ``power_kw`` their rated power together, ``power_mean_kw`` their mean power before
    availability, ``operating_fraction`` the share of time that they turn, and ``because`` why there are none.
    """

    rotors: np.ndarray
    power_kw: np.ndarray
    power_mean_kw: np.ndarray
    operating_fraction: np.ndarray
    because: np.ndarray


def current_power_kw(area_m2, speed_m_s, power_coefficient=1.0):
    """Power of flowing water through an area, ½ · rho · A · v³ · Cp.

    Parameters
    ----------
    area_m2 : float or ndarray
        Square to the current [m²].
    speed_m_s : float or ndarray
        Speed of the undisturbed water [m/s].
    power_coefficient : float or ndarray
        Share that is taken, 16/27 at most.

    Returns
    -------
    float or ndarray
        Power [kW].

    Examples
    --------
    >>> round(current_power_kw(1.0, 2.0, 0.35), 9)
    1.4
    """
    return 0.5 * WATER_DENSITY_KG_M3 * area_m2 * speed_m_s**3 * power_coefficient / WATTS_PER_KILOWATT


def rotor_power_kw(rotor, speed_m_s):
    """Electrical power of one rotor.

    Parameters
    ----------
    rotor : sitefinder.catalogue.turbines.HydrokineticRotor
    speed_m_s : float or ndarray
        Speed of the water [m/s].

    Returns
    -------
    ndarray of float64
        [kW]; zero outside the speeds in which it turns, from the rated speed on that of the rated speed.
    """
    speed = np.asarray(speed_m_s, dtype=float)
    shares, coefficients = zip(*rotor.power_coefficient, strict=True)
    used = np.minimum(speed, rotor.rated_speed_m_s)
    coefficient = np.interp(used / rotor.rated_speed_m_s, shares, coefficients)
    turns = (speed >= rotor.speed_range_m_s[0]) & (speed <= rotor.speed_range_m_s[1])
    efficiency = rotor.generator_efficiency * rotor.gear_efficiency
    return np.where(turns, current_power_kw(rotor.swept_area_m2, used, coefficient) * efficiency, 0.0)


def hydrokinetic_potential(rotor, width_m, depth_m, speed_m_s, at_mean_m, length_m, fall_max_kw):
    """Rotors that reaches have room for, and what they give.

    Parameters
    ----------
    rotor : sitefinder.catalogue.turbines.HydrokineticRotor
    width_m, depth_m, speed_m_s : ndarray of float64, shape (n, bins)
        Of the stream in bins of equal time.
    at_mean_m : (ndarray, ndarray), each of shape (n,)
        Width and depth at mean flow [m], for the arrangement of rows.
    length_m : ndarray of float64, shape (n,)
        Length of the reach [m].
    fall_max_kw : ndarray of float64, shape (n,)
        What the reach's fall gives its water in the mean [kW]; NaN sets no bound.

    Returns
    -------
    Hydrokinetic

    Notes
    -----
    A row across the stream has as many rotors as fit by width and as leave it open enough (``max_blockage``); rows
    follow each other at ``spacing_along``, where the wake has recovered. All have the mean velocity of the
    section. The current lives by the fall of its bed: rotors cannot take more from it than the fall gives, and for
    each watt at the shaft the water loses half as much again in the wake [1]_, so that bounds their number too.

    References
    ----------
    .. [1] C. Garrett and P. Cummins, "The efficiency of a turbine in a tidal channel," J. Fluid Mech., vol. 588,
       pp. 243-251, 2007, from memory; the loss is that of the actuator disc at the limit of Betz.
    """
    wide_m, deep_m = at_mean_m
    across_m = rotor.spacing_across * rotor.diameter_m
    by_width = np.floor(1.0 + (wide_m - rotor.min_width_m) / across_m)
    by_blockage = np.floor(rotor.max_blockage * wide_m * deep_m / rotor.swept_area_m2 + 1e-9)
    across = np.maximum(np.nan_to_num(np.minimum(by_width, by_blockage)), 0.0)
    rows = np.floor(length_m / (rotor.spacing_along * rotor.diameter_m))
    deep, wide = depth_m >= rotor.min_depth_m, width_m >= rotor.min_width_m
    one_kw = np.where(deep & wide, rotor_power_kw(rotor, speed_m_s), 0.0)
    mean_kw = one_kw.mean(axis=1)
    lost_kw = LOSS_OVER_SHAFT * mean_kw / (rotor.generator_efficiency * rotor.gear_efficiency)
    fed = np.full(len(mean_kw), np.inf)
    known = (lost_kw > 0) & ~np.isnan(fall_max_kw)
    fed[known] = np.floor(fall_max_kw[known] / lost_kw[known])
    fails = {
        NO_FLOW_ESTIMATE: np.isnan(depth_m).any(axis=1),
        TOO_SHALLOW: ~deep.any(axis=1),
        TOO_NARROW: ~wide.any(axis=1),
        TOO_SLOW: mean_kw == 0,
        ROW_BLOCKS: across == 0,
        REACH_TOO_SHORT: rows == 0,
        TOO_LITTLE_FALL: fed == 0,
    }
    because = np.select(
        [fails[reason] for reason in HYDROKINETIC_REASONS], [reason.name for reason in HYDROKINETIC_REASONS], ""
    )
    rotors = np.where(because == "", np.minimum(across * rows, fed), 0.0)
    some = rotors > 0
    rated_kw = float(rotor_power_kw(rotor, rotor.rated_speed_m_s))
    return Hydrokinetic(
        rotors.astype(np.int64),
        rotors * rated_kw,
        np.where(some, rotors * mean_kw, 0.0),
        np.where(some, (one_kw > 0).mean(axis=1), 0.0),
        because,
    )
