"""Machine classes for the kernels: where each fits, how it converts, who may use it for the sake of fish."""

from typing import NamedTuple

import numpy as np

from sitefinder.power.cost import law_numbers
from sitefinder.power.machine_file import EFFICIENCY_STEPS, interpolated
from sitefinder.schema import is_scheme_that
from sitefinder.schema.vocabulary import head_schemes

LAYOUTS = head_schemes()

# How a class becomes safe for fish: not at all, as built, or with a fine screen and bypass.
NEVER_SAFE, SAFE_AS_BUILT, SAFE_SCREENED = -1, 0, 1


class MachineTable(NamedTuple):
    """Machine classes as arrays, one row a class, as the kernels take them."""

    head_least_m: np.ndarray
    head_most_m: np.ndarray
    flow_least_m3s: np.ndarray
    flow_most_m3s: np.ndarray
    power_most_kw: np.ndarray
    units_most: np.ndarray
    lowest_relative_flow: np.ndarray
    efficiency: np.ndarray  # (classes, EFFICIENCY_STEPS + 1), generator and gear included
    peak_efficiency: np.ndarray  # generator and gear included
    suits_layout: np.ndarray  # (classes, len(LAYOUTS))
    depth_least_m: np.ndarray  # of the stream, 0 where it does not matter
    width_least_m: np.ndarray
    safety: np.ndarray
    law_coefficient: np.ndarray
    law_power_exponent: np.ndarray
    law_head_exponent: np.ndarray
    law_per_unit: np.ndarray
    civil_factor: np.ndarray


def efficiency_table(machine):
    """Efficiency from water to terminals at each whole percent of the design flow.

    Parameters
    ----------
    machine : MachineClass

    Returns
    -------
    ndarray of float64, shape (101,)
        Generator and gear included. Not cut at the lowest relative flow, which the kernels judge exactly.
    """
    return interpolated(machine.efficiency) * machine.gear_efficiency * machine.generator_efficiency


def fits_stream(table, stretches):
    """Whether the stream is deep and wide enough for each class at each stretch.

    Parameters
    ----------
    table : MachineTable
    stretches : DataFrame, n rows
        ``layout``, and where they are known ``stream_width_m`` and ``stream_depth_m``: width and depth at mean
        flow where the machine would stand [m].

    Returns
    -------
    ndarray of bool, shape (n, classes)
        True in a canal, which is dug to measure, and where width and depth are not known.
    """
    fits = np.ones((len(stretches), len(table.safety)), dtype=bool)
    if "stream_width_m" in stretches:
        width_m, depth_m = (stretches[f"stream_{name}_m"].to_numpy(float)[:, None] for name in ("width", "depth"))
        # NaN is not less than anything.
        fits = ~((width_m < table.width_least_m) | (depth_m < table.depth_least_m))
        fits |= is_scheme_that(stretches["layout"], "diverts")[:, None]
    return fits


def fish_safety(machine, fish):
    """Whether a class meets the user's bar for fish, and how.

    Parameters
    ----------
    machine : MachineClass
    fish : sitefinder.config.FishSettings

    Returns
    -------
    int
        SAFE_AS_BUILT, SAFE_SCREENED (with a fine screen and bypass, to be paid for) or NEVER_SAFE.
        Survival counts only with a grade of evidence that the user accepts.
    """
    for safety, survival in ((SAFE_AS_BUILT, machine.survival), (SAFE_SCREENED, machine.survival_screened)):
        if survival and survival.share >= fish.least_survival and survival.evidence in fish.evidence:
            return safety
    return NEVER_SAFE


def machine_survival(machines, number, screened, evidence=None):
    """Share of fish that survive machines on their way down, as their classes state it.

    Parameters
    ----------
    machines : list of MachineClass
    number : array of int, shape (n,)
        Places in the list; -1 for none.
    screened : array of bool, shape (n,)
        With a fine screen and bypass, where the class tells of one.
    evidence : list of str, optional
        Grades that count. Where given, a share of another grade proves nothing and counts as 0.

    Returns
    -------
    ndarray of float64, shape (n,)
        NaN where there is no machine.
    """
    shares = np.full((len(machines) + 1, 2), np.nan)
    for row, machine in enumerate(machines):
        for column, survival in enumerate((machine.survival, machine.survival_screened or machine.survival)):
            proven = evidence is None or survival.evidence in evidence
            shares[row, column] = survival.share if proven else 0.0
    return shares[np.asarray(number, dtype=np.int64), np.asarray(screened, dtype=bool).astype(np.int64)]


def machine_table(machines, fish):
    """Machine classes as arrays for the kernels.

    Parameters
    ----------
    machines : list of MachineClass
    fish : sitefinder.config.FishSettings

    Returns
    -------
    MachineTable
    """
    laws = [law_numbers(machine.cost) for machine in machines]
    return MachineTable(
        head_least_m=np.array([machine.head_range_m[0] for machine in machines], dtype=float),
        head_most_m=np.array([machine.head_range_m[1] for machine in machines], dtype=float),
        flow_least_m3s=np.array([machine.flow_range_m3s[0] for machine in machines], dtype=float),
        flow_most_m3s=np.array([machine.flow_range_m3s[1] for machine in machines], dtype=float),
        power_most_kw=np.array([machine.power_most_kw or np.inf for machine in machines], dtype=float),
        units_most=np.array([machine.units_most for machine in machines], dtype=np.int64),
        lowest_relative_flow=np.array([machine.lowest_relative_flow for machine in machines], dtype=float),
        efficiency=np.array([efficiency_table(machine) for machine in machines]).reshape(-1, EFFICIENCY_STEPS + 1),
        peak_efficiency=np.array([efficiency_table(machine).max() for machine in machines], dtype=float),
        suits_layout=np.array([[name in machine.layouts for name in LAYOUTS] for machine in machines], dtype=bool),
        depth_least_m=np.array([machine.least_depth_m or 0.0 for machine in machines], dtype=float),
        width_least_m=np.array([machine.least_width_m or 0.0 for machine in machines], dtype=float),
        safety=np.array([fish_safety(machine, fish) for machine in machines], dtype=np.int64),
        law_coefficient=np.array([law.coefficient for law in laws], dtype=float),
        law_power_exponent=np.array([law.power_exponent for law in laws], dtype=float),
        law_head_exponent=np.array([law.head_exponent for law in laws], dtype=float),
        law_per_unit=np.array([law.per_unit for law in laws], dtype=bool),
        civil_factor=np.array([machine.civil_factor for machine in machines], dtype=float),
    )
