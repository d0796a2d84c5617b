"""Cost files and cost laws as data: every figure with its source, every sum with its currency and year."""

from typing import Literal

from pydantic import Field

from sitefinder.config import Section, Share


class Sourced(Section):
    """Figures that say where they come from."""

    source: str = Field(min_length=1, description="author, year, title, table; or: common practice, no source")


class CostLaw(Sourced):
    """A power law of capital: coefficient · power^power_exponent · head^head_exponent."""

    coefficient: float = Field(gt=0, description="cost at a power of 1 and a head of 1, in the law's own units")
    power_exponent: float = Field(gt=0, le=1)
    head_exponent: float = Field(0.0, le=0)
    power_unit: Literal["kW", "MW"] = Field("kW", description="unit of power that the law was printed for")
    head_unit: Literal["m", "ft"] = Field("m", description="unit of head that the law was printed for")
    covers: Literal["unit", "plant"] = Field("unit", description="one machine, or all machines of a plant")
    currency: str = Field(min_length=3, max_length=3, description="ISO 4217 code")
    year: int = Field(ge=1950, le=2100, description="price level")
    power_range_kw: tuple[float, float] = Field(
        description="least and greatest power that the law was made for [kW]"
    )


class CivilCosts(Sourced):
    """Intake, powerhouse and foundations: coefficient · flow^a · head^b, times the class's factor."""

    coefficient: float = Field(ge=0, description="cost at 1 m³/s and 1 m")
    flow_exponent: float = Field(ge=0)
    head_exponent: float = Field(ge=0)


class ConduitCosts(Sourced):
    """Canal or pipe: per metre at a design flow of 1 m³/s, growing with a power of the flow."""

    per_m: float = Field(ge=0, description="cost of a metre at 1 m³/s")
    flow_exponent: float = Field(ge=0)


class WeirCosts(Sourced):
    """A new weir, by its height and the width of the stream, and its pond by length."""

    per_m_width: float = Field(ge=0, description="cost of a metre of width, one metre high")
    height_exponent: float = Field(ge=0)
    stream_width_m: float = Field(gt=0, description="width of a stream with a mean flow of 1 m³/s [m]")
    width_exponent: float = Field(0.5, ge=0, description="growth of width with mean flow")
    pond_per_m: float = Field(ge=0, description="banks and land, for each metre of pond length")


class FishPassCosts(Sourced):
    """Upstream passage at a weir, by the head that fish must climb."""

    per_m_head: float = Field(ge=0)
    at_existing_barriers: bool = Field(True, description="whether a barrier without a pass must be given one")


class ScreenCosts(Sourced):
    """Fine screen by area, which is design flow over approach velocity, and the bypass behind it."""

    approach_velocity_m_s: float = Field(gt=0, description="water speed square to the screen [m/s]")
    per_m2: float = Field(ge=0)
    bypass_fixed: float = Field(ge=0)


class DistanceCosts(Sourced):
    """Access road or power line, by distance; unknown distances are left out and said so."""

    per_m: float = Field(ge=0)
    fixed: float = Field(0.0, ge=0, description="paid at any distance, even an unknown one")


class PermitCosts(Sourced):
    """Studies and permits, a sum that small plants pay as well."""

    fixed: float = Field(ge=0)


class ContingencyCosts(Sourced):
    """The unforeseen, on all capital."""

    share: float = Field(ge=0)


class OperationCosts(Sourced):
    """Operation and upkeep: a share of capital a year, with a least sum."""

    share_of_capital: Share
    least_per_year: float = Field(0.0, ge=0)
    overhaul_share: Share = Field(0.0, description="overhaul in mid-life, as a share of capital")


class SolarCosts(Sourced):
    """The obvious alternative."""

    capital_per_kw: float = Field(gt=0)
    yield_kwh_per_kw: float = Field(gt=0, description="yearly yield of a kW [kWh/kW]")
    operation_per_kw: float = Field(ge=0, description="a year")
    lifetime_years: float = Field(gt=0)


class CostFile(Section):
    """A cost file: one currency and price level, each entry with its source."""

    currency: str = Field(min_length=3, max_length=3, description="ISO 4217 code")
    year: int = Field(ge=1950, le=2100, description="price level of all entries")
    civil: CivilCosts
    conduit: ConduitCosts
    weir: WeirCosts
    fish_pass: FishPassCosts
    screen: ScreenCosts
    road: DistanceCosts
    line: DistanceCosts
    permits: PermitCosts
    contingency: ContingencyCosts
    operation: OperationCosts
    solar: SolarCosts
