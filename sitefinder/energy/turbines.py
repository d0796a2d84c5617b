"""Turbine classes for the kernels: where each fits, and its efficiency."""

from typing import NamedTuple

import numpy as np

from sitefinder.catalogue.turbines import EFFICIENCY_STEPS, interpolated
from sitefinder.energy.costs import law_numbers
from sitefinder.energy.runners import scale_numbers
from sitefinder.schema import is_scheme_that
from sitefinder.vocabulary import head_schemes

SCHEME_TYPES = head_schemes()


class TurbineTable(NamedTuple):
    """Turbine classes as arrays, one row a class, for the kernels."""

    head_min_m: np.ndarray
    head_max_m: np.ndarray
    flow_min_m3s: np.ndarray
    flow_max_m3s: np.ndarray
    power_max_kw: np.ndarray
    units_max: np.ndarray
    lowest_relative_flow: np.ndarray
    efficiency: np.ndarray  # (classes, EFFICIENCY_STEPS + 1), generator and gear included; of the reference runner
    peak_efficiency: np.ndarray  # the same
    open_from: np.ndarray  # head over the pipe's loss from which on less flow never gives more power
    suits_scheme_type: np.ndarray  # (classes, len(SCHEME_TYPES))
    depth_min_m: np.ndarray  # of the stream, 0 where it does not matter
    width_min_m: np.ndarray
    law_coefficient: np.ndarray
    law_power_exponent: np.ndarray
    law_head_exponent: np.ndarray
    law_per_unit: np.ndarray
    law_fixed: np.ndarray
    civil_factor: np.ndarray
    scale_gain: np.ndarray  # of `sitefinder.energy.runners.scale_numbers`
    scale_loss: np.ndarray
    scale_exponent: np.ndarray


def efficiency_table(turbine):
    """Efficiency from water to terminals at each whole percent of the design flow.

    Parameters
    ----------
    turbine : TurbineClass

    Returns
    -------
    ndarray of float64, shape (101,)
        Generator and gear included. Not cut at the lowest relative flow, which the kernels judge exactly.
    """
    return interpolated(turbine.efficiency) * turbine.gear_efficiency * turbine.generator_efficiency


def never_throttled_from(efficiency, lowest_relative_flow):
    """Head over the loss of the pipe at the design flow from which on a plant is never throttled.

    Parameters
    ----------
    efficiency : ndarray of float64, shape (101,)
        See `efficiency_table`.
    lowest_relative_flow : float

    Returns
    -------
    float
        At least 3, see `sitefinder.energy.operation.plant_flow_head`.

    Notes
    -----
    Of x · eta(x) · (H − L · x²) the derivative is positive where H / L > x² + 2 x · f / f', f being x · eta(x). On
    a piece of the efficiency curve the right-hand side rises with x, so that it is greatest at upper ends.

    Examples
    --------
    >>> round(never_throttled_from(np.full(101, 0.9), 0.2), 6)
    3.0
    """
    pieces = len(efficiency) - 1
    upper = np.arange(1, pieces + 1) / pieces
    value, slope = upper * efficiency[1:], efficiency[1:] + upper * np.diff(efficiency) * pieces
    counts = upper > lowest_relative_flow
    with np.errstate(divide="ignore", invalid="ignore"):
        needed = np.where(slope > 0, upper**2 + 2.0 * upper * value / slope, np.inf)
    return max(3.0, float(needed[counts].max(initial=0.0)) * (1.0 + 1e-9))


def fits_stream(table, stretches):
    """Whether the stream is deep and wide enough for each class at each stretch.

    Parameters
    ----------
    table : TurbineTable
    stretches : DataFrame, n rows
        ``scheme_type``, and where they are known ``stream_width_m`` and ``stream_depth_m``: width and depth at
        mean flow at the site of the turbine [m].

    Returns
    -------
    ndarray of bool, shape (n, classes)
        True in a canal, which is dug to measure, and where width and depth are not known.
    """
    fits = np.ones((len(stretches), len(table.head_min_m)), dtype=bool)
    if "stream_width_m" in stretches:
        width_m, depth_m = (stretches[f"stream_{name}_m"].to_numpy(float)[:, None] for name in ("width", "depth"))
        # NaN is not less than anything.
        fits = ~((width_m < table.width_min_m) | (depth_m < table.depth_min_m))
        fits |= is_scheme_that(stretches["scheme_type"], "diverts")[:, None]
    return fits


def turbine_table(turbines):
    """Turbine classes as arrays for the kernels.

    Parameters
    ----------
    turbines : list of TurbineClass

    Returns
    -------
    TurbineTable
    """
    laws = [law_numbers(turbine.cost) for turbine in turbines]
    scale = np.array([scale_numbers(turbine) for turbine in turbines], dtype=float).reshape(len(turbines), 3)
    efficiency = np.array([efficiency_table(turbine) for turbine in turbines])
    return TurbineTable(
        head_min_m=np.array([turbine.head_range_m[0] for turbine in turbines], dtype=float),
        head_max_m=np.array([turbine.head_range_m[1] for turbine in turbines], dtype=float),
        flow_min_m3s=np.array([turbine.flow_range_m3s[0] for turbine in turbines], dtype=float),
        flow_max_m3s=np.array([turbine.flow_range_m3s[1] for turbine in turbines], dtype=float),
        power_max_kw=np.array([turbine.power_max_kw or np.inf for turbine in turbines], dtype=float),
        units_max=np.array([turbine.units_max for turbine in turbines], dtype=np.int64),
        lowest_relative_flow=np.array([turbine.lowest_relative_flow for turbine in turbines], dtype=float),
        efficiency=efficiency.reshape(len(turbines), EFFICIENCY_STEPS + 1),
        peak_efficiency=np.array([efficiency_table(turbine).max() for turbine in turbines], dtype=float),
        open_from=np.array(
            [never_throttled_from(efficiency_table(each), each.lowest_relative_flow) for each in turbines],
            dtype=float,
        ),
        suits_scheme_type=np.array(
            [[name in turbine.scheme_types for name in SCHEME_TYPES] for turbine in turbines], dtype=bool
        ),
        depth_min_m=np.array([turbine.min_depth_m or 0.0 for turbine in turbines], dtype=float),
        width_min_m=np.array([turbine.min_width_m or 0.0 for turbine in turbines], dtype=float),
        law_coefficient=np.array([law.coefficient for law in laws], dtype=float),
        law_power_exponent=np.array([law.power_exponent for law in laws], dtype=float),
        law_head_exponent=np.array([law.head_exponent for law in laws], dtype=float),
        law_per_unit=np.array([law.per_unit for law in laws], dtype=bool),
        law_fixed=np.array([law.fixed for law in laws], dtype=float),
        civil_factor=np.array([turbine.civil_factor for turbine in turbines], dtype=float),
        scale_gain=scale[:, 0],
        scale_loss=scale[:, 1],
        scale_exponent=scale[:, 2],
    )
