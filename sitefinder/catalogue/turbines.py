"""Turbine files: classes that use head, hydrokinetic rotors, and how both scale with their diameter."""

from typing import Annotated, Literal

import numpy as np
from pydantic import Field, field_validator, model_validator

from sitefinder.catalogue.by_length import ShareByLength, at_length
from sitefinder.catalogue.costs import CostLaw, Sourced
from sitefinder.catalogue.trials import Trial
from sitefinder.errors import listed
from sitefinder.settings import Section, Share
from sitefinder.settings.choices import EvidenceGrade, HydrokineticSchemeType, SchemeType
from sitefinder.vocabulary import EVIDENCE_GRADES, MODELLED, TESTED, names

# Efficiencies are tabulated at each percent of the design flow, so that a look-up needs no search.
EFFICIENCY_STEPS = 100
# Maximum power coefficient of a rotor in an open stream: A. Betz (1920), exact.
BETZ_LIMIT = 16.0 / 27.0
Positive = Annotated[float, Field(gt=0)]


# Grades that are stated; the grade of a strike law follows from it.
STATED_GRADES = tuple(name for name in names(EVIDENCE_GRADES) if name != MODELLED.name)


class FishSurvival(Sourced):
    """Share of fish that survive downstream passage of the turbine as built, and the evidence for it."""

    share: Share
    share_range: tuple[Share, Share] | None = Field(
        None, description="lowest and highest share that is likely; needed where no trial is named"
    )
    evidence: EvidenceGrade = Field(description="grade of evidence; tested needs trials")
    trials: tuple[Trial, ...] = Field((), description="trials with live fish")
    reason: str = Field(min_length=1, description="cause of survival or mortality")

    @model_validator(mode="after")
    def _grade_has_its_evidence(self):
        if self.evidence not in STATED_GRADES:
            raise ValueError(
                f'evidence = "{self.evidence}" is that of a [strike] law; here it is one of '
                f"{listed(STATED_GRADES)}"
            )
        if self.evidence == TESTED.name and not self.trials:
            raise ValueError(
                'evidence = "tested" needs trials, each with study, species, lengths_m and number of fish; '
                "without "
                'them it is "claimed" or "none", with share_range'
            )
        if self.evidence != TESTED.name and self.share_range is None:
            raise ValueError(
                f'evidence = "{self.evidence}" needs share_range, the lowest and highest share that is likely'
            )
        if self.share_range is not None and not self.share_range[0] <= self.share <= self.share_range[1]:
            raise ValueError(
                f"share {self.share:g} must lie in share_range "
                f"({self.share_range[0]:g} to {self.share_range[1]:g})"
            )
        return self

    @property
    def likely_range(self):
        """Lowest and highest share that is likely: as stated, or what the trials found."""
        if self.share_range is not None:
            return self.share_range
        found = [trial.share for trial in self.trials if trial.share is not None] + [self.share]
        return min(found), max(found)


class StrikeLaw(Sourced):
    """Blades of a runner, for the share of fish that they strike; see `sitefinder.energy.blade_strike`."""

    form: Literal["axial", "radial"] = Field(
        description="axial: propeller and Kaplan runners; radial: Francis runners"
    )
    blades: int = Field(ge=2, le=40, description="number of blades")
    radius_ratio: float = Field(
        0.75, gt=0, le=1, description="radius at which fish pass an axial runner, as a share of its outer radius"
    )
    hub_ratio: float = Field(0.4, ge=0, lt=1, description="diameter of the hub as a share of the runner's")
    inlet_width_share: float | None = Field(
        None, gt=0, le=1, description="width of the inlet of a radial runner as a share of its diameter"
    )
    correlation: ShareByLength = Field(
        0.2,
        validate_default=True,
        description="deaths per strike, the correlation of the model: one for all lengths, or (body length [m], "
        "deaths per strike)",
    )
    correlation_range: tuple[Share, Share] = Field(description="lowest and highest of that which is likely")

    @model_validator(mode="after")
    def _form_is_complete(self):
        if (self.form == "radial") != (self.inlet_width_share is not None):
            raise ValueError("inlet_width_share belongs to a radial runner, and every radial runner needs it")
        if self.form == "axial" and self.radius_ratio <= self.hub_ratio:
            raise ValueError("radius_ratio must be above hub_ratio")
        low, high = self.correlation_range
        if not all(low <= deaths <= high for _, deaths in self.correlation):
            raise ValueError("correlation must lie in correlation_range")
        return self

    def deaths_per_strike(self, length_m: float) -> float:
        """Share of the strikes that kill a fish of a length [m]."""
        return at_length(self.correlation, length_m)


class SizeLaw(Sourced):
    """How a turbine scales with its diameter at one head, or a rotor at one velocity, and the sizes to derive."""

    reference_diameter_m: Positive = Field(description="diameter of the turbine that the class describes [m]")
    diameters_m: tuple[Positive, ...] = Field(min_length=1, description="diameters to derive classes for [m]")
    flow_exponent: float = Field(2.0, gt=0, description="exponent of flow on diameter")
    power_exponent: float = Field(2.0, gt=0, description="exponent of power on diameter")
    loss_exponent: float = Field(
        0.0, ge=0, lt=1, description="exponent of losses (1 - efficiency) on reference diameter over own diameter"
    )

    @field_validator("diameters_m")
    @classmethod
    def _each_once(cls, diameters):
        if len(set(diameters)) != len(diameters):
            raise ValueError("each diameter must be listed once")
        return diameters


class RunnerLaw(Sourced):
    """Runner diameter of a reaction turbine by its design flow, and how efficiency falls with small runners."""

    diameter_factor: Positive = Field(
        description="runner diameter of a unit of 1 m³/s [m]; it grows with the square root of the design flow"
    )
    reference_diameter_m: Positive = Field(1.0, description="runner diameter for which efficiency is stated [m]")
    scale_exponent: float = Field(
        0.0,
        ge=0,
        lt=1,
        description="exponent of losses (1 - peak efficiency) on reference diameter over own diameter; 0: none",
    )


class SettingLaw(Sourced):
    """How high or deep a runner must be set against cavitation, by Thoma's number, and what depth costs."""

    speed_factor: Positive = Field(description="specific speed n_QE at a net head of 1 m")
    speed_exponent: float = Field(0.0, le=0, description="exponent of specific speed on net head")
    sigma_factor: Positive = Field(description="Thoma's number that the class needs at a specific speed of 1")
    sigma_exponent: float = Field(ge=0, description="exponent of Thoma's number on specific speed")
    civil_share_per_m: float = Field(
        0.0, ge=0, description="more civil cost for each metre of the runner below the tailwater, as a share of it"
    )
    max_depth_m: float = Field(ge=0, description="maximum depth of the runner below the tailwater [m]")


class TurbineSources(Section):
    """Sources of the figures of a class; entries with their own source field are not here."""

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
    head_range_m: tuple[Positive, Positive] = Field(description="minimum and maximum net head [m]")
    flow_range_m3s: tuple[Positive, Positive] = Field(
        description="minimum and maximum design flow of a unit [m³/s]"
    )
    power_max_kw: float | None = Field(
        None, gt=0, description="maximum rated power of a unit [kW]; absent: no maximum"
    )
    units_max: int = Field(ge=1, le=20)
    efficiency: tuple[tuple[Share, Share], ...] = Field(
        min_length=2, description="(relative flow, efficiency of the turbine without gear and generator)"
    )
    lowest_relative_flow: Share = Field(
        description="minimum flow in operation, as a share of a unit's design flow"
    )
    generator_efficiency: Share = Field(description="efficiency of the generator")
    gear_efficiency: Share = Field(1.0, description="efficiency of gear or belt; 1 without one")
    scheme_types: tuple[SchemeType, ...] = Field(min_length=1)
    min_depth_m: float | None = Field(
        None,
        gt=0,
        description="minimum stream depth at mean flow, for a turbine in the stream [m]; absent: no minimum",
    )
    min_width_m: float | None = Field(
        None,
        gt=0,
        description="minimum stream width at mean flow, for a turbine in the stream [m]; absent: no minimum",
    )
    survival: FishSurvival | None = Field(
        None, description="downstream fish survival, as built; absent: by the strike law"
    )
    strike: StrikeLaw | None = Field(
        None, description="blades that strike fish, with runner and setting; absent: survival is stated"
    )
    cost: CostLaw
    civil_factor: float = Field(1.0, gt=0, description="factor on the civil cost of the cost file")
    sizes: SizeLaw | None = Field(None, description="other sizes derived from this one; absent: none")
    runner: RunnerLaw | None = Field(
        None, description="runner diameter and scale effect; absent: efficiency does not depend on size"
    )
    setting: SettingLaw | None = Field(
        None, description="setting of the runner against cavitation; absent: it does not matter"
    )
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
        # Otherwise more flow would give less power, and spilling would pay.
        if np.any(np.diff(output[output > 0]) < 0):
            raise ValueError("flow times efficiency must not fall as flow rises")
        return points

    @model_validator(mode="before")
    @classmethod
    def _screens_are_apart(cls, fields):
        if isinstance(fields, dict) and "survival_screened" in fields:
            raise ValueError(
                "survival_screened is not stated by class: survival behind a screen follows from the screen, "
                "which "
                "fish.screens and fish.screen of the settings name; take it out"
            )
        return fields

    @model_validator(mode="after")
    def _survival_is_known_once(self):
        if (self.survival is None) == (self.strike is None):
            raise ValueError("state survival, or strike, from which it follows, and not both")
        if self.strike is not None and (self.runner is None or self.setting is None):
            raise ValueError("strike needs runner, for the diameter, and setting, for the speed")
        return self

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
            raise ValueError(f"sources must state the source of {', '.join(bare)}")
        return self

    @model_validator(mode="after")
    def _smallest_runner_works(self):
        if self.runner is None or self.runner.scale_exponent == 0.0:
            return self
        if self.sizes is not None and self.sizes.loss_exponent != 0.0:
            raise ValueError("state the scale effect once: runner.scale_exponent or sizes.loss_exponent")
        smallest_m = self.runner.diameter_factor * self.flow_range_m3s[0] ** 0.5
        step = (self.runner.reference_diameter_m / smallest_m) ** self.runner.scale_exponent
        if (1.0 - self.peak_efficiency) * step >= 1.0:
            raise ValueError(
                f"a unit of the minimum flow, with a runner of {smallest_m:.3g} m, would have no efficiency left "
                "by the scale effect of runner: raise flow_range_m3s or lower scale_exponent"
            )
        return self

    @property
    def peak_efficiency(self):
        """Maximum efficiency of the turbine without gear and generator."""
        return max(point[1] for point in self.efficiency)


class RotorSources(Section):
    """Sources of the figures of a rotor; entries with their own source field are not here."""

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
    """A hydrokinetic turbine: a rotor in the current that uses no head; figures are for one."""

    name: str = Field(min_length=1)
    diameter_m: Positive
    height_m: float | None = Field(
        None, gt=0, description="height of a rotor with a rectangular swept area [m]; absent: a disc"
    )
    speed_range_m_s: tuple[Positive, Positive] = Field(
        description="cut-in and cut-out velocity of the water [m/s]"
    )
    rated_speed_m_s: Positive = Field(description="velocity from which power is constant [m/s]")
    power_coefficient: tuple[tuple[Positive, Positive], ...] = Field(
        min_length=1, description="(share of the rated velocity, power coefficient)"
    )
    generator_efficiency: Share
    gear_efficiency: Share = Field(1.0, description="efficiency of the gear; 1 without one")
    scheme_types: tuple[HydrokineticSchemeType, ...] = Field(min_length=1)
    min_depth_m: Positive = Field(description="minimum water depth [m]")
    min_width_m: Positive = Field(description="minimum water width [m]")
    spacing_along: Positive = Field(description="distance between rows along the stream [diameters]")
    spacing_across: float = Field(ge=1, description="distance between axes in a row [diameters]")
    max_blockage: float = Field(gt=0, lt=1, description="maximum share of the cross-section swept by a row")
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
            raise ValueError("shares of the rated velocity must rise and end at 1")
        if (maximum := max(point[1] for point in points)) > BETZ_LIMIT:
            raise ValueError(f"the maximum power coefficient is 16/27 = {BETZ_LIMIT:.4f} (found {maximum:g})")
        return points

    @model_validator(mode="after")
    def _holds_together(self):
        if not self.speed_range_m_s[0] < self.rated_speed_m_s <= self.speed_range_m_s[1]:
            raise ValueError("rated_speed_m_s must lie in speed_range_m_s")
        if self.min_depth_m < (self.height_m or self.diameter_m):
            raise ValueError("min_depth_m must cover the rotor")
        if self.cost.head_exponent != 0 or self.cost.covers != "unit":
            raise ValueError("the cost law of a rotor must be for one unit and without head")
        return self

    @property
    def swept_area_m2(self):
        """Swept area, normal to the current [m²]."""
        return self.diameter_m * self.height_m if self.height_m else np.pi / 4.0 * self.diameter_m**2


class TurbineFile(Section):
    """A file of turbine classes that use head, of hydrokinetic rotors, or of both."""

    turbines: tuple[TurbineClass, ...] = ()
    rotors: tuple[HydrokineticRotor, ...] = ()

    @model_validator(mode="after")
    def _not_empty(self):
        if not self.turbines and not self.rotors:
            raise ValueError("it must hold at least one of [[turbines]] or [[rotors]]")
        return self


def interpolated(points):
    """Efficiency, linearly interpolated, at each hundredth of the design flow, shape (101,)."""
    flows, values = zip(*points, strict=True)
    return np.interp(np.arange(EFFICIENCY_STEPS + 1) / EFFICIENCY_STEPS, flows, values)


def _rising_range(value):
    if value[0] >= value[1]:
        raise ValueError(f"the minimum must come before the maximum (found {value[0]:g}, {value[1]:g})")
    return value


def family(turbine):
    """The sizes of a class or rotor; itself alone if it states none.

    Parameters
    ----------
    turbine : TurbineClass or HydrokineticRotor

    Returns
    -------
    list of TurbineClass or HydrokineticRotor
        One for each diameter, in the order stated. The reference size keeps its name, the names of the others end
        in their diameter. None of them has sizes of its own.

    Raises
    ------
    pydantic.ValidationError
        If a derived size is not valid.

    Notes
    -----
    Flow and power of similar turbines at one head scale with the square of the diameter, because velocities
    depend on the head alone: the affinity laws with exponents of 2. Turbines with a free surface may state others.
    If ``loss_exponent`` is not 0, smaller sizes have higher losses: (1 - efficiency) grows as (reference
    diameter / diameter)^loss_exponent, the form of L. F. Moody (1942), with about 0.2 for propellers, from memory.
    Minimum depth and width scale with the diameter; head range and cost law do not change.
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
