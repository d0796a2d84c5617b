"""Cost files and cost laws as data: every figure with its source, every sum with its currency and year."""

from typing import Annotated, ClassVar, Literal

from pydantic import Field, model_validator

from sitefinder.config import Section, Share

Positive = Annotated[float, Field(gt=0)]
Year = Annotated[int, Field(ge=1950, le=2100)]


class Sourced(Section):
    """Figures that say where they come from."""

    source: str = Field(min_length=1, description="author, year, title, table; or: common practice, no source")


class Priced(Sourced):
    """Figures of money; ``MONEY`` names the fields that are."""

    MONEY: ClassVar[tuple[str, ...]] = ()

    price_year: Year | None = Field(None, description="price level of this entry; absent: that of the file")


class CostLaw(Sourced):
    """A power law of capital: coefficient · power^power_exponent · head^head_exponent."""

    coefficient: float = Field(gt=0, description="cost at a power of 1 and a head of 1, in the law's own units")
    power_exponent: float = Field(1.0, gt=0, le=1, description="absent: so much for each unit of power")
    head_exponent: float = Field(0.0, le=0)
    power_unit: Literal["kW", "MW"] = Field("kW", description="unit of power that the law was printed for")
    head_unit: Literal["m", "ft"] = Field("m", description="unit of head that the law was printed for")
    covers: Literal["unit", "plant"] = Field("unit", description="one machine, or all machines of a plant")
    currency: str = Field(min_length=3, max_length=3, description="ISO 4217 code")
    year: Year = Field(description="price level")
    power_range_kw: tuple[float, float] = Field(
        description="least and greatest power that the law was made for [kW]"
    )
    head_range_m: tuple[float, float] | None = Field(
        None, description="least and greatest head that it was made for [m], where the source says"
    )


class CivilCosts(Priced):
    """Intake, powerhouse and foundations: coefficient · flow^a · head^b, times the class's factor."""

    MONEY = ("coefficient",)

    coefficient: float = Field(ge=0, description="cost at 1 m³/s and 1 m")
    flow_exponent: float = Field(ge=0)
    head_exponent: float = Field(ge=0)


class ConduitCosts(Priced):
    """Canal or pipe: per metre at a design flow of 1 m³/s, growing with a power of the flow."""

    MONEY = ("per_m",)

    per_m: float = Field(ge=0, description="cost of a metre at 1 m³/s")
    flow_exponent: float = Field(ge=0)


class WeirCosts(Priced):
    """A new weir, by its height and the width of the stream, and its pond by length."""

    MONEY = ("per_m_width", "pond_per_m")

    per_m_width: float = Field(ge=0, description="cost of a metre of width, one metre high")
    height_exponent: float = Field(ge=0)
    stream_width_m: float = Field(gt=0, description="width of a stream with a mean flow of 1 m³/s [m]")
    width_exponent: float = Field(0.5, ge=0, description="growth of width with mean flow")
    pond_per_m: float = Field(ge=0, description="banks and land, for each metre of pond length")


class FishPassCosts(Priced):
    """Upstream passage at a weir, by the head that fish must climb."""

    MONEY = ("per_m_head",)

    per_m_head: float = Field(ge=0)
    at_existing_barriers: bool = Field(True, description="whether a barrier without a pass must be given one")


class ScreenCosts(Priced):
    """Fine screen by area, which is design flow over approach velocity, and the bypass behind it."""

    MONEY = ("per_m2", "bypass_fixed")

    approach_velocity_m_s: float = Field(gt=0, description="water speed square to the screen [m/s]")
    per_m2: float = Field(ge=0)
    bypass_fixed: float = Field(ge=0)


class DistanceCosts(Priced):
    """Access road or power line, by distance; unknown distances are left out and said so."""

    MONEY = ("per_m", "fixed")

    per_m: float = Field(ge=0)
    fixed: float = Field(0.0, ge=0, description="paid at any distance, even an unknown one")


class PermitCosts(Priced):
    """Studies and permits, a sum that small plants pay as well."""

    MONEY = ("fixed",)

    fixed: float = Field(ge=0)


class ContingencyCosts(Sourced):
    """The unforeseen, on all capital."""

    share: float = Field(ge=0)


class OperationCosts(Priced):
    """Operation and upkeep: a share of capital a year, with a least sum."""

    MONEY = ("least_per_year",)

    share_of_capital: Share
    least_per_year: float = Field(0.0, ge=0)
    overhaul_share: Share = Field(0.0, description="overhaul in mid-life, as a share of capital")
    law: CostLaw | None = Field(
        None, description="a published law of a year's operation by power; then the lesser of it and the share"
    )

    @model_validator(mode="after")
    def _law_goes_by_power_of_the_plant(self):
        if self.law is not None and (self.law.head_exponent != 0 or self.law.covers != "plant"):
            raise ValueError('law must go by power alone, with covers = "plant"')
        return self


class StorageCosts(Priced):
    """Batteries beside solar, which carry the sun's energy into the hours without it."""

    MONEY = ("capital_per_kwh", "operation_per_kwh")

    capital_per_kwh: float = Field(gt=0, description="of capacity as sold")
    operation_per_kwh: float = Field(0.0, ge=0, description="a year, of capacity as sold")
    usable_share: float = Field(gt=0, le=1, description="share of the capacity that may be drawn")
    round_trip_efficiency: float = Field(gt=0, le=1)
    days_held: float = Field(1.0, ge=1, description="days' worth of what goes through it that it holds")
    lifetime_years: float = Field(gt=0)


class SolarCosts(Priced):
    """The obvious alternative; the yield is stated by the kW or as a share of full power."""

    MONEY = ("capital_per_kw", "operation_per_kw")

    capital_per_kw: float = Field(gt=0)
    yield_kwh_per_kw: float | None = Field(None, gt=0, description="yearly yield of a kW [kWh/kW]")
    capacity_factor: float | None = Field(None, gt=0, le=1, description="mean power over full power")
    hours_share: float = Field(0.5, gt=0, le=1, description="share of the hours in which it gives power")
    operation_per_kw: float = Field(ge=0, description="a year")
    lifetime_years: float = Field(gt=0)
    storage: StorageCosts | None = Field(None, description="absent: no firm cost is told")

    @model_validator(mode="after")
    def _one_yield(self):
        if (self.yield_kwh_per_kw is None) == (self.capacity_factor is None):
            raise ValueError("state exactly one of yield_kwh_per_kw and capacity_factor")
        return self


class PriceIndex(Sourced):
    """Prices by year in the file's currency; only their ratios count."""

    by_year: dict[Year, Positive] = Field(min_length=1)


class ExchangeRates(Sourced):
    """What one unit of another currency was worth in the file's, mean of each year."""

    by_year: dict[Year, Positive] = Field(min_length=1)


class CostFile(Section):
    """A cost file: one currency and price level, each entry with its source."""

    currency: str = Field(min_length=3, max_length=3, description="ISO 4217 code")
    year: Year = Field(description="price level of all entries that do not say another")
    civil: CivilCosts
    conduit: ConduitCosts
    weir: WeirCosts
    fish_pass: FishPassCosts
    screen: ScreenCosts
    road: DistanceCosts
    line: DistanceCosts
    settlement_line: DistanceCosts | None = Field(None, description="line to a settlement; absent: as line")
    permits: PermitCosts
    contingency: ContingencyCosts
    operation: OperationCosts
    solar: SolarCosts
    price_index: PriceIndex | None = Field(None, description="needed where an entry or law has another year")
    exchange: dict[str, ExchangeRates] = Field(
        default_factory=dict, description="by ISO code; needed where a law is in another currency"
    )
