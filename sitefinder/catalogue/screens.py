"""Screen files: racks that keep fish out of the turbine, and the bypass beside them."""

from typing import Self

from pydantic import Field, model_validator

from sitefinder.catalogue.by_length import ShareByLength, at_length
from sitefinder.catalogue.trials import Trial
from sitefinder.settings import Section, Share


class ScreenSources(Section):
    """Sources of the figures of a screen; trials of its guidance are apart."""

    guidance: str = Field(min_length=1)
    approach_velocity_m_s: str = Field(min_length=1)
    bypass_survival: str = Field(min_length=1)
    bypass_share: str = Field(min_length=1)
    head_loss_m: str = Field(min_length=1)
    cost_factor: str = Field(min_length=1)


class Screen(Section):
    """A screen with its bypass. What it does for fish does not depend on the turbine behind it."""

    name: str = Field(min_length=1)
    bar_spacing_mm: float = Field(gt=0, le=200, description="clear spacing between the bars [mm]")
    angle_degrees: float = Field(
        gt=0, le=90, description="angle of the screen to the flow, in plan or to the horizontal [°]"
    )
    approach_velocity_m_s: float = Field(
        gt=0, le=3, description="criterion: velocity of the design flow normal to the screen [m/s]; sets its area"
    )
    guidance: ShareByLength = Field(
        description="(body length [m], share of the fish that take the bypass), for fish that fit between bars",
    )
    guidance_spread: ShareByLength = Field(
        0.0,
        validate_default=True,
        description="half the range of these shares between studies, for the simulations: one for all lengths, or "
        "(body length [m], half the range)",
    )
    bypass_survival: Share = Field(description="survival in the bypass, as a share")
    bypass_survival_range: tuple[Share, Share] = Field(description="lowest and highest that is likely")
    bypass_share: Share = Field(
        description="flow of the bypass, as a share of the design flow; it is taken from the turbine's water"
    )
    head_loss_m: float = Field(ge=0, le=1, description="head lost in the screen, beyond that in a coarse rack [m]")
    cost_factor: float = Field(1.0, gt=0, description="factor on the cost file's price of a square metre")
    trials: tuple[Trial, ...] = Field((), description="trials of the guidance")
    sources: ScreenSources

    @model_validator(mode="after")
    def _range_holds_the_share(self) -> Self:
        low, high = self.bypass_survival_range
        if not low <= self.bypass_survival <= high:
            raise ValueError(
                f"bypass_survival {self.bypass_survival:g} must lie in bypass_survival_range ({low:g} to {high:g})"
            )
        return self

    def guided(self, length_m: float) -> float:
        """Share of the fish of a length [m] that take the bypass: linear between the lengths stated.

        Shorter fish than stated have the share of the shortest, in proportion to their length; longer fish that of
        the longest.
        """
        return at_length(((0.0, 0.0), *self.guidance), length_m)

    def guidance_range(self, length_m: float) -> tuple[float, float]:
        """Lowest and highest share of the fish of a length [m] that is likely to take the bypass."""
        stated, spread = self.guided(length_m), at_length(self.guidance_spread, length_m)
        return max(stated - spread, 0.0), min(stated + spread, 1.0)

    def fits_between(self, length_m: float, thickness_share: float) -> bool:
        """Whether fish of a length [m] and a thickness across, as a share of it, fit between the bars."""
        return length_m * thickness_share * 1000.0 <= self.bar_spacing_mm

    def area_m2(self, flow_design_m3s: float) -> float:
        """Area [m²] at which the design flow and the bypass's share of it pass at the criterion velocity."""
        return flow_design_m3s * (1.0 + self.bypass_share) / self.approach_velocity_m_s


class ScreenFile(Section):
    """A file of screens."""

    screens: tuple[Screen, ...] = Field(min_length=1)
