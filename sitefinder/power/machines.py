"""Machine classes: where each fits, how it converts, what fish survive, what it costs."""

from typing import Annotated, Literal, NamedTuple

import numpy as np
from pydantic import Field, field_validator, model_validator

from sitefinder.config import Layout, Section, Share
from sitefinder.power.cost import law_numbers
from sitefinder.power.cost_file import CostLaw, Sourced

# Efficiencies are kept at each whole percent of the design flow, so that a look-up needs no search.
EFFICIENCY_STEPS = 100
LAYOUTS = ("at_barrier", "diversion", "new_weir")

# How a class becomes safe for fish: not at all, as built, or with a fine screen and bypass.
NEVER_SAFE, SAFE_AS_BUILT, SAFE_SCREENED = -1, 0, 1

Positive = Annotated[float, Field(gt=0)]


class FishSurvival(Sourced):
    """Share of fish that come down alive, and how well that is known."""

    share: Share
    evidence: Literal["tested", "claimed", "none"]
    reason: str = Field(min_length=1, description="why fish live or die")


class MachineSources(Section):
    """Where the figures of a class come from; those with an entry of their own carry it there."""

    head_range_m: str = Field(min_length=1)
    flow_range_m3s: str = Field(min_length=1)
    efficiency: str = Field(min_length=1)
    lowest_relative_flow: str = Field(min_length=1)
    generator_efficiency: str = Field(min_length=1)
    civil_factor: str = Field(min_length=1)


class MachineClass(Section):
    """A generic class of machine; ranges are for one unit."""

    name: str = Field(min_length=1)
    head_range_m: tuple[Positive, Positive] = Field(description="least and greatest net head [m]")
    flow_range_m3s: tuple[Positive, Positive] = Field(
        description="least and greatest design flow of a unit [m³/s]"
    )
    power_most_kw: float | None = Field(
        None, gt=0, description="greatest rated power of a unit [kW], where one is set"
    )
    units_most: int = Field(ge=1, le=20)
    efficiency: tuple[tuple[Share, Share], ...] = Field(
        min_length=2, description="(relative flow, efficiency of the machine without gear and generator)"
    )
    lowest_relative_flow: Share = Field(description="below this share of a unit's design flow it stands still")
    generator_efficiency: Share = Field(description="of generator and gear together")
    layouts: tuple[Layout, ...] = Field(min_length=1)
    survival: FishSurvival = Field(description="downstream, as built")
    survival_screened: FishSurvival | None = Field(None, description="downstream, with a fine screen and bypass")
    cost: CostLaw
    civil_factor: float = Field(1.0, gt=0, description="its civil works against the cost file's civil entry")
    sources: MachineSources

    @field_validator("head_range_m", "flow_range_m3s")
    @classmethod
    def _least_first(cls, value):
        if value[0] >= value[1]:
            raise ValueError(f"the least must come before the greatest (found {value[0]:g}, {value[1]:g})")
        return value

    @field_validator("efficiency")
    @classmethod
    def _is_a_curve(cls, points):
        relative = np.array([point[0] for point in points])
        if np.any(np.diff(relative) <= 0) or relative[-1] != 1.0:
            raise ValueError("relative flows must rise and end at 1")
        if np.any(np.abs(relative * EFFICIENCY_STEPS - np.round(relative * EFFICIENCY_STEPS)) > 1e-9):
            raise ValueError("relative flows must be whole hundredths")
        table = _interpolated(points)
        output = table * np.linspace(0.0, 1.0, EFFICIENCY_STEPS + 1)
        # Otherwise more water would give less power, and leaving water in the stream would pay.
        if np.any(np.diff(output[output > 0]) < 0):
            raise ValueError("flow times efficiency must not fall as flow rises")
        return points

    @model_validator(mode="after")
    def _points_reach_lowest_flow(self):
        if self.efficiency[0][0] > self.lowest_relative_flow:
            raise ValueError(
                f"efficiency must begin at or below lowest_relative_flow {self.lowest_relative_flow:g} "
                f"(its first relative flow is {self.efficiency[0][0]:g})"
            )
        return self

    @property
    def peak_efficiency(self):
        """Greatest efficiency of the machine alone."""
        return max(point[1] for point in self.efficiency)


class MachineFile(Section):
    """A file of machine classes."""

    machines: tuple[MachineClass, ...] = Field(min_length=1)


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
    safety: np.ndarray
    law_coefficient: np.ndarray
    law_power_exponent: np.ndarray
    law_head_exponent: np.ndarray
    law_per_unit: np.ndarray
    civil_factor: np.ndarray


def efficiency_at(machine, relative_flow):
    """Efficiency of the machine alone, without gear and generator.

    Parameters
    ----------
    machine : MachineClass
    relative_flow : float or ndarray
        Flow of a unit over its design flow.

    Returns
    -------
    ndarray of float64
        Zero below the lowest relative flow; straight between the class's points; above 1 as at 1.
    """
    relative_flow = np.asarray(relative_flow, dtype=float)
    flows, values = zip(*machine.efficiency, strict=True)
    return np.where(relative_flow < machine.lowest_relative_flow, 0.0, np.interp(relative_flow, flows, values))


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
    return _interpolated(machine.efficiency) * machine.generator_efficiency


# Efficiency points, straight between, at each hundredth of the design flow.
def _interpolated(points):
    flows, values = zip(*points, strict=True)
    return np.interp(np.arange(EFFICIENCY_STEPS + 1) / EFFICIENCY_STEPS, flows, values)


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
        safety=np.array([fish_safety(machine, fish) for machine in machines], dtype=np.int64),
        law_coefficient=np.array([law.coefficient for law in laws], dtype=float),
        law_power_exponent=np.array([law.power_exponent for law in laws], dtype=float),
        law_head_exponent=np.array([law.head_exponent for law in laws], dtype=float),
        law_per_unit=np.array([law.per_unit for law in laws], dtype=bool),
        civil_factor=np.array([machine.civil_factor for machine in machines], dtype=float),
    )
