"""Cost files and cost laws as data, brought to one currency and year."""

from typing import Annotated, ClassVar, Literal, NamedTuple

from pydantic import Field, model_validator

from sitefinder.errors import ConfigError, all_of, listed
from sitefinder.settings import Section, Share

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
    covers: Literal["unit", "plant"] = Field("unit", description="one turbine, or all turbines of a plant")
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

    MONEY = ("min_per_year",)

    share_of_capital: Share
    min_per_year: float = Field(0.0, ge=0)
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


class Conversion(NamedTuple):
    """What was converted, from which money, to which, by which factor, and after whose figures."""

    name: str
    money: str
    to_money: str
    factor: float
    source: str


class CommonCurrency(NamedTuple):
    """Turbine classes and cost file in one currency and year, and what was converted for that."""

    turbines: list
    costs: object
    conversions: list


def to_common_currency(turbines, costs, year=None):
    """Turbine classes and costs in the cost file's currency and one year.

    Parameters
    ----------
    turbines : list of TurbineClass
    costs : CostFile
    year : int, optional
        Absent: the cost file's.

    Returns
    -------
    CommonCurrency
        The cost file's entries no longer state years of their own.

    Raises
    ------
    ConfigError
        Naming every entry and law for which the price index or an exchange rate is missing.

    Notes
    -----
    A law in another currency is taken over at the exchange rate of its own year, and then follows the prices of
    the cost file's currency. The other way round, its own country's prices first and today's rate after, gives
    another figure.
    """
    year = costs.year if year is None else year
    conversions, problems = [], []

    def factor_of(name, currency, from_year):
        if (currency, from_year) == (costs.currency, year):
            return 1.0
        try:
            factor, sources = _factor(costs, currency, from_year, year)
        except ConfigError as error:
            problems.append(f"{name}: {error}")
            return 1.0
        money, to_money = f"{currency} of {from_year}", f"{costs.currency} of {year}"
        conversions.append(Conversion(name, money, to_money, factor, "; ".join(sources)))
        return factor

    changes = {}
    for name in type(costs).model_fields:
        entry = getattr(costs, name)
        if isinstance(entry, Priced):
            changes[name] = _restated(entry, name, costs, year, factor_of)
    restated = costs.model_copy(update=changes | {"year": year})
    turbines = [
        turbine.model_copy(
            update={"cost": _law_restated(turbine.cost, f"turbine {turbine.name}", costs, year, factor_of)}
        )
        for turbine in turbines
    ]
    if problems:
        raise all_of(ConfigError, "money of several years or currencies", problems)
    return CommonCurrency(turbines, restated, conversions)


# An entry of the cost file, with those inside it, in the money of the year.
def _restated(entry, name, costs, year, factor_of):
    factor = factor_of(name, costs.currency, entry.price_year or costs.year) if entry.MONEY else 1.0
    changes = {field: getattr(entry, field) * factor for field in entry.MONEY}
    for field in type(entry).model_fields:
        inner = getattr(entry, field)
        if isinstance(inner, Priced):
            changes[field] = _restated(inner, f"{name}.{field}", costs, year, factor_of)
        elif isinstance(inner, CostLaw):
            changes[field] = _law_restated(inner, f"{name}.{field}", costs, year, factor_of)
    return entry.model_copy(update=changes | {"price_year": None})


def _law_restated(law, name, costs, year, factor_of):
    factor = factor_of(name, law.currency, law.year)
    money = {"currency": costs.currency, "year": year}
    return law.model_copy(update={"coefficient": law.coefficient * factor} | money)


# Factor from one money to the cost file's currency in a year, and the sources of its figures.
def _factor(costs, currency, from_year, year):
    factor, sources = 1.0, []
    if currency != costs.currency:
        rates = costs.exchange.get(currency)
        if rates is None:
            known = listed(costs.exchange) or "none"
            raise ConfigError(f"no exchange rates from {currency} to {costs.currency} (found {known})")
        factor *= _of_year(rates.by_year, from_year, f"exchange.{currency}")
        sources.append(rates.source)
    if from_year != year:
        if costs.price_index is None:
            raise ConfigError(f"no price_index to get from {from_year} to {year}")
        prices = costs.price_index.by_year
        factor *= _of_year(prices, year, "price_index") / _of_year(prices, from_year, "price_index")
        sources.append(costs.price_index.source)
    return factor, sources


def _of_year(table, year, name):
    if year not in table:
        raise ConfigError(f"{name} has no year {year} (it has {min(table)} to {max(table)})")
    return table[year]
