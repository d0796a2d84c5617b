"""Turbine files as data: classes that use a head, hydrokinetic rotors, and how both grow with their diameter."""

from typing import Annotated

import numpy as np
from pydantic import Field, field_validator, model_validator

from sitefinder.catalogue.costs import CostLaw, Sourced
from sitefinder.settings import Section, Share
from sitefinder.settings.choices import EvidenceGrade, HydrokineticSchemeType, SchemeType

# Efficiencies are kept at each whole percent of the design flow, so that a look-up needs no search.
EFFICIENCY_STEPS = 100
# No rotor in an open stream takes more of the energy that flows through its area: A. Betz (1920), exact.
BETZ_LIMIT = 16.0 / 27.0
Positive = Annotated[float, Field(gt=0)]


class FishSurvival(Sourced):
    """Share of fish that come down alive, and how well that is known."""

    share: Share
    evidence: EvidenceGrade
    reason: str = Field(min_length=1, description="why fish live or die")


class SizeLaw(Sourced):
    """How a turbine grows with its diameter at one head, or a rotor at one speed, and the sizes to derive."""

    reference_diameter_m: Positive = Field(description="diameter of the turbine that the class describes [m]")
    diameters_m: tuple[Positive, ...] = Field(min_length=1, description="sizes to make classes of [m]")
    flow_exponent: float = Field(2.0, gt=0, description="flow grows as diameter to this power")
    power_exponent: float = Field(2.0, gt=0, description="power grows as diameter to this power")
    loss_exponent: float = Field(
        0.0, ge=0, lt=1, description="losses (1 - efficiency) grow as this power of reference over own diameter"
    )

    @field_validator("diameters_m")
    @classmethod
    def _each_once(cls, diameters):
        if len(set(diameters)) != len(diameters):
            raise ValueError("each diameter must stand once")
        return diameters


class TurbineSources(Section):
    """Where the figures of a class come from; those with an entry of their own carry it there."""

    head_range_m: str = Field(min_length=1)
    flow_range_m3s: str = Field(min_length=1)
    efficiency: str = Field(min_length=1)
    lowest_relative_flow: str = Field(min_length=1)
    generator_efficiency: str = Field(min_length=1)
    gear_efficiency: str = ""
    units_max: str = ""
    power_max_kw: str = ""
    min_depth_m: str = ""
    min_width_m: str = ""
    civil_factor: str = Field(min_length=1)


class TurbineClass(Section):
    """A generic class of turbine; ranges are for one unit."""

    name: str = Field(min_length=1)
    head_range_m: tuple[Positive, Positive] = Field(description="least and greatest net head [m]")
    flow_range_m3s: tuple[Positive, Positive] = Field(
        description="least and greatest design flow of a unit [m³/s]"
    )
    power_max_kw: float | None = Field(
        None, gt=0, description="greatest rated power of a unit [kW], where one is set"
    )
    units_max: int = Field(ge=1, le=20)
    efficiency: tuple[tuple[Share, Share], ...] = Field(
        min_length=2, description="(relative flow, efficiency of the turbine without gear and generator)"
    )
    lowest_relative_flow: Share = Field(description="below this share of a unit's design flow it stands still")
    generator_efficiency: Share = Field(description="of the generator")
    gear_efficiency: Share = Field(1.0, description="of gear or belt; 1 without one")
    scheme_types: tuple[SchemeType, ...] = Field(min_length=1)
    min_depth_m: float | None = Field(
        None, gt=0, description="least depth at mean flow of a stream that it stands in [m]"
    )
    min_width_m: float | None = Field(
        None, gt=0, description="least width at mean flow of a stream that it stands in [m]"
    )
    survival: FishSurvival = Field(description="downstream, as built")
    survival_screened: FishSurvival | None = Field(None, description="downstream, with a fine screen and bypass")
    cost: CostLaw
    civil_factor: float = Field(1.0, gt=0, description="its civil works against the cost file's civil entry")
    sizes: SizeLaw | None = Field(None, description="where other sizes follow from this one")
    sources: TurbineSources

    @field_validator("head_range_m", "flow_range_m3s")
    @classmethod
    def _min_first(cls, value):
        return _rising_range(value)

    @field_validator("efficiency")
    @classmethod
    def _is_a_curve(cls, points):
        relative = np.array([point[0] for point in points])
        if np.any(np.diff(relative) <= 0) or relative[-1] != 1.0:
            raise ValueError("relative flows must rise and end at 1")
        if np.any(np.abs(relative * EFFICIENCY_STEPS - np.round(relative * EFFICIENCY_STEPS)) > 1e-9):
            raise ValueError("relative flows must be whole hundredths")
        if not points[-1][1] > 0:
            raise ValueError("efficiency at full flow must be above 0")
        output = interpolated(points) * np.linspace(0.0, 1.0, EFFICIENCY_STEPS + 1)
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

    @model_validator(mode="after")
    def _optional_figures_have_sources(self):
        stated = {name: getattr(self, name) for name in ("power_max_kw", "min_depth_m", "min_width_m")}
        stated["gear_efficiency"] = None if self.gear_efficiency == 1.0 else self.gear_efficiency
        bare = [name for name, value in stated.items() if value is not None and not getattr(self.sources, name)]
        if bare:
            raise ValueError(f"sources must say where {', '.join(bare)} comes from")
        return self

    @property
    def peak_efficiency(self):
        """Greatest efficiency of the turbine alone."""
        return max(point[1] for point in self.efficiency)


class RotorSources(Section):
    """Where the figures of a rotor come from; those with an entry of their own carry it there."""

    swept_area: str = Field(min_length=1)
    speed_range_m_s: str = Field(min_length=1)
    rated_speed_m_s: str = Field(min_length=1)
    power_coefficient: str = Field(min_length=1)
    generator_efficiency: str = Field(min_length=1)
    gear_efficiency: str = Field(min_length=1)
    min_depth_m: str = Field(min_length=1)
    min_width_m: str = Field(min_length=1)
    spacing: str = Field(min_length=1)
    max_blockage: str = Field(min_length=1)
    civil_share: str = Field(min_length=1)


class HydrokineticRotor(Section):
    """A rotor that turns in the current and uses no head; figures are for one."""

    name: str = Field(min_length=1)
    diameter_m: Positive
    height_m: float | None = Field(
        None, gt=0, description="of a rotor that sweeps a rectangle [m]; absent: a disc"
    )
    speed_range_m_s: tuple[Positive, Positive] = Field(
        description="speed of the water from which it turns, and up to which it may [m/s]"
    )
    rated_speed_m_s: Positive = Field(description="speed from which on its power stays the same [m/s]")
    power_coefficient: tuple[tuple[Positive, Positive], ...] = Field(
        min_length=1, description="(share of the rated speed, share of the flow's energy that reaches the shaft)"
    )
    generator_efficiency: Share
    gear_efficiency: Share = Field(1.0, description="1 without a gear")
    scheme_types: tuple[HydrokineticSchemeType, ...] = Field(min_length=1)
    min_depth_m: Positive = Field(description="least depth of water that it turns in [m]")
    min_width_m: Positive = Field(description="least width of water that it turns in [m]")
    spacing_along: Positive = Field(description="distance between rows along the stream [diameters]")
    spacing_across: float = Field(ge=1, description="distance from axis to axis in a row [diameters]")
    max_blockage: float = Field(gt=0, lt=1, description="greatest share of the cross-section that a row sweeps")
    survival: FishSurvival
    cost: CostLaw
    civil_share: float = Field(ge=0, description="moorings and anchors, as a share of the turbine's cost")
    sizes: SizeLaw | None = None
    sources: RotorSources

    @field_validator("speed_range_m_s")
    @classmethod
    def _min_first(cls, value):
        return _rising_range(value)

    @field_validator("power_coefficient")
    @classmethod
    def _below_the_limit(cls, points):
        relative = [point[0] for point in points]
        if np.any(np.diff(relative) <= 0) or relative[-1] != 1.0:
            raise ValueError("shares of the rated speed must rise and end at 1")
        if (maximum := max(point[1] for point in points)) > BETZ_LIMIT:
            raise ValueError(f"a power coefficient can be 16/27 = {BETZ_LIMIT:.4f} at most (found {maximum:g})")
        return points

    @model_validator(mode="after")
    def _holds_together(self):
        if not self.speed_range_m_s[0] < self.rated_speed_m_s <= self.speed_range_m_s[1]:
            raise ValueError("rated_speed_m_s must lie in speed_range_m_s")
        if self.min_depth_m < (self.height_m or self.diameter_m):
            raise ValueError("min_depth_m must cover the rotor")
        if self.cost.head_exponent != 0 or self.cost.covers != "unit":
            raise ValueError("the cost law of a rotor is for one unit and knows no head")
        return self

    @property
    def survival_screened(self):
        """None: nothing is screened in an open stream."""
        return None

    @property
    def swept_area_m2(self):
        """Area that the rotor sweeps, square to the current [m²]."""
        return self.diameter_m * self.height_m if self.height_m else np.pi / 4.0 * self.diameter_m**2


class TurbineFile(Section):
    """A file of turbine classes that use a head, of hydrokinetic rotors, or of both."""

    turbines: tuple[TurbineClass, ...] = ()
    rotors: tuple[HydrokineticRotor, ...] = ()

    @model_validator(mode="after")
    def _not_empty(self):
        if not self.turbines and not self.rotors:
            raise ValueError("it must hold at least one of [[turbines]] or [[rotors]]")
        return self


def interpolated(points):
    """Efficiency points, straight between, at each hundredth of the design flow, shape (101,)."""
    flows, values = zip(*points, strict=True)
    return np.interp(np.arange(EFFICIENCY_STEPS + 1) / EFFICIENCY_STEPS, flows, values)


def _rising_range(value):
    if value[0] >= value[1]:
        raise ValueError(f"the least must come before the greatest (found {value[0]:g}, {value[1]:g})")
    return value


def family(turbine):
    """The sizes that a class, or a rotor, states; itself alone where it states none.

    Parameters
    ----------
    turbine : TurbineClass or HydrokineticRotor

    Returns
    -------
    list of TurbineClass or HydrokineticRotor
        One a diameter, in the order stated. The reference size keeps its name, the others carry their diameter in
        it. None of them states sizes of its own.

    Raises
    ------
    pydantic.ValidationError
        If a derived size does not hold together.

    Notes
    -----
    Similar turbines at one head take flow, and give power, as the square of the diameter, because speeds in them
    go by the head alone: the affinity laws with exponents of 2. Turbines with a free surface may state others.
    Where ``loss_exponent`` is not 0, smaller sizes lose more: (1 - efficiency) grows as (reference diameter /
    diameter)^loss_exponent, the form of L. F. Moody (1942), with about 0.2 for propellers, from memory. Lengths
    that the stream must have go with the diameter; ranges of head and prices by power stay.
    """
    law = turbine.sizes
    if law is None:
        return [turbine]
    return [_sized(turbine, law, diameter_m) for diameter_m in law.diameters_m]


def _sized(turbine, law, diameter_m):
    fields = turbine.model_dump(exclude={"sizes"})
    scale = diameter_m / law.reference_diameter_m
    if scale == 1.0:
        return type(turbine).model_validate(fields)
    fields["name"] = f"{turbine.name}, {diameter_m:g} m"
    for name in ("min_depth_m", "min_width_m", "diameter_m", "height_m"):
        if fields.get(name) is not None:
            fields[name] = fields[name] * scale
    if "flow_range_m3s" in fields:
        fields["flow_range_m3s"] = tuple(flow * scale**law.flow_exponent for flow in turbine.flow_range_m3s)
        if turbine.power_max_kw is not None:
            fields["power_max_kw"] = turbine.power_max_kw * scale**law.power_exponent
        fields["efficiency"] = tuple(
            (place, max(1.0 - (1.0 - value) * scale**-law.loss_exponent, 0.0))
            for place, value in turbine.efficiency
        )
    return type(turbine).model_validate(fields)
