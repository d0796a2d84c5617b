"""Cost files and cost laws, converted to one currency and price year."""

from typing import Annotated, Any, ClassVar, Literal, NamedTuple, get_args

from pydantic import Field, model_validator

from sitefinder.catalogue.screens import Screen
from sitefinder.errors import ConfigError, all_of, listed
from sitefinder.settings import Section, Share
from sitefinder.settings.choices import SchemeType
from sitefinder.vocabulary import head_schemes

# Parts that a law of whole plants covers, or that are added to it.
Part = Literal[
    "powerhouse", "intake", "canal", "penstock", "forebay", "spillway", "transformer", "weir", "fish_pass",
    "screen", "road", "line", "land", "permits", "engineering", "contingency", "construction",
]  # fmt: skip
# Fields of the cost file of a part, where they are not the one of its name.
FIELDS_OF_A_PART = {"line": ("line", "settlement_line")}
# Fields that a part without money has.
SHARES_OF_A_PART = {"engineering": ("share",), "contingency": ("share",), "construction": ("duration_years",)}
# A plant's cost may be the sum of two laws, such as works and licences.
LAWS_OF_A_SCHEME_TYPE = 2

Positive = Annotated[float, Field(gt=0)]
Year = Annotated[int, Field(ge=1950, le=2100)]


class Sourced(Section):
    """Figures with their source."""

    source: str = Field(min_length=1, description="author, year, title, table; or: common practice, no source")


class Priced(Sourced):
    """Amounts of money, with their source; ``MONEY`` lists the fields that are money."""

    MONEY: ClassVar[tuple[str, ...]] = ()

    price_year: Year | None = Field(None, description="price year of this entry; absent: that of the file")


class CostLaw(Sourced):
    """A power law of capital cost: coefficient · power^power_exponent · head^head_exponent + fixed."""

    coefficient: float = Field(gt=0, description="cost at a power of 1 and a head of 1, in the units of the law")
    power_exponent: float = Field(
        1.0, gt=0, le=1, description="exponent of power; absent: 1, proportional to power"
    )
    head_exponent: float = Field(0.0, le=0)
    fixed: float = Field(
        0.0,
        ge=0,
        description="cost at any power and head, once for each unit or plant that the law covers: control, "
        "regulation, design",
    )
    power_unit: Literal["kW", "MW"] = Field("kW", description="unit of power of the published law")
    head_unit: Literal["m", "ft"] = Field("m", description="unit of head of the published law")
    covers: Literal["unit", "plant"] = Field("unit", description="one unit, or all units of a plant")
    currency: str = Field(min_length=3, max_length=3, description="ISO 4217 currency code")
    year: Year = Field(description="price year")
    power_range_kw: tuple[float, float] = Field(
        description="minimum and maximum power for which the law is valid [kW]"
    )
    head_range_m: tuple[float, float] | None = Field(
        None,
        description="minimum and maximum head for which the law is valid [m]; absent: not stated by the source",
    )


class PowerhouseCosts(Priced):
    """Powerhouse, turbine pit and foundations: coefficient · flow^a · head^b, times the class's civil factor."""

    MONEY = ("coefficient",)

    coefficient: float = Field(ge=0, description="cost at 1 m³/s and 1 m")
    flow_exponent: float = Field(ge=0)
    head_exponent: float = Field(ge=0)


class IntakeCosts(Priced):
    """Inlet with trash rack, gates and sand trap: coefficient · flow^a."""

    MONEY = ("coefficient",)

    coefficient: float = Field(ge=0, description="cost at 1 m³/s")
    flow_exponent: float = Field(0.6, ge=0)


class CanalCosts(Priced):
    """A lined canal by its cross-section: the half hexagon that carries the design flow at the canal's slope."""

    MONEY = ("earth_per_m3", "mixed_per_m3", "rock_per_m3", "lining_per_m2", "per_m")

    earth_per_m3: float = Field(ge=0, description="excavation in earth, per m³ dug")
    mixed_per_m3: float = Field(
        ge=0, description="excavation in earth with boulders or weathered rock, per m³ dug"
    )
    rock_per_m3: float = Field(ge=0, description="excavation in rock, per m³ dug")
    lining_per_m2: float = Field(ge=0, description="lining, per m² of lined surface")
    per_m: float = Field(0.0, ge=0, description="track, drainage and fence, per metre of canal")
    manning_n: float = Field(0.015, gt=0, description="Manning's n of the lining [s/m^(1/3)]")
    excavation_factor: float = Field(2.0, ge=1, description="volume dug over the wetted cross-section")
    lining_factor: float = Field(1.2, ge=1, description="lined width over the wetted perimeter (freeboard)")


class PenstockCosts(Priced):
    """A steel penstock by mass, from diameter and pressure, and its laying by diameter.

    The diameter comes from the design flow and ``energy.pipe_velocity_m_s``. The wall is the greater of what
    handling needs, (diameter + constant) / divisor, and what the pressure needs, p · diameter / (2 · stress) with
    a corrosion allowance.
    """

    MONEY = ("steel_per_kg", "laying_per_m2")

    steel_per_kg: float = Field(ge=0, description="steel pipe, coated and mounted, per kg")
    laying_per_m2: float = Field(
        ge=0, description="trench, bedding and supports, per metre of length and diameter"
    )
    allowable_stress_mpa: float = Field(gt=0, description="allowable hoop stress, weld efficiency included [MPa]")
    surge_share: float = Field(0.3, ge=0, description="pressure surge, as a share of the static head")
    corrosion_m: float = Field(0.001, ge=0, description="corrosion allowance of the wall [m]")
    handling_constant_m: float = Field(0.508, ge=0, description="constant of the wall that handling needs [m]")
    handling_divisor: float = Field(400.0, gt=0, description="divisor of the wall that handling needs")
    length_per_head: float = Field(
        3.0, ge=0, description="length of the penstock behind a canal, per metre of head [m/m]"
    )


class CrossingCosts(Priced):
    """Aqueducts, crossings of streams and roads, and tunnels of a headrace."""

    MONEY = ("aqueduct_per_m", "per_stream", "per_road", "tunnel_per_m")

    aqueduct_per_m: float = Field(
        0.0, ge=0, description="aqueduct or siphon at 1 m³/s, in place of the canal; it grows as the canal's width"
    )
    per_stream: float = Field(
        0.0, ge=0, description="each crossing of a stream, or aqueduct: abutments, inlet, outlet"
    )
    per_road: float = Field(0.0, ge=0, description="each culvert under a road")
    tunnel_per_m: float = Field(
        0.0, ge=0, description="tunnel of least cross-section, in place of the canal; 0: no tunnel is driven"
    )


class ForebayCosts(Priced):
    """Forebay between canal and penstock, by volume."""

    MONEY = ("per_m3",)

    per_m3: float = Field(ge=0, description="cost per m³ of water held")
    seconds_held: float = Field(60.0, ge=0, description="time for which it holds the design flow [s]")


class SpillwayCosts(Priced):
    """Spillway of canal and forebay, for the design flow: coefficient · flow^a."""

    MONEY = ("coefficient",)

    coefficient: float = Field(ge=0, description="cost at 1 m³/s")
    flow_exponent: float = Field(0.6, ge=0)


class TransformerCosts(Priced):
    """Transformer, switchgear and protection: coefficient · power^a."""

    MONEY = ("coefficient",)

    coefficient: float = Field(ge=0, description="cost at 1 kW")
    power_exponent: float = Field(0.7, ge=0, le=1)


class LandCosts(Priced):
    """Land of the plant and of the corridor of its headrace."""

    MONEY = ("per_m2",)

    per_m2: float = Field(ge=0)
    corridor_width_m: float = Field(10.0, ge=0, description="width of the strip along the headrace [m]")
    plant_area_m2: float = Field(500.0, ge=0, description="area of the plant itself [m²]")


class EngineeringCosts(Sourced):
    """Development, design and supervision, as a share of the works."""

    share: float = Field(ge=0)


class ConstructionCosts(Sourced):
    """Time of construction, over which capital is spent evenly and bears interest at the run's real rate."""

    duration_years: float = Field(ge=0)


class WeirCosts(Priced):
    """A new weir, by height and stream width, its pond, by length, and the gate of the weir at an intake."""

    MONEY = ("per_m_width", "pond_per_m", "flushing_gate_per_m")

    per_m_width: float = Field(ge=0, description="cost per metre of width at a height of 1 m")
    height_exponent: float = Field(ge=0)
    stream_width_m: float = Field(gt=0, description="stream width at a mean flow of 1 m³/s [m]")
    width_exponent: float = Field(0.5, ge=0, description="exponent of width on mean flow")
    pond_per_m: float = Field(ge=0, description="banks and land, per metre of pond length")
    flushing_gate_per_m: float = Field(
        0.0,
        ge=0,
        description="gate to flush sediment beside the new intake weir of a diversion, per metre of height",
    )

    @model_validator(mode="before")
    @classmethod
    def _height_is_a_setting(cls, given: Any) -> Any:
        if isinstance(given, dict) and "intake_height_m" in given:
            raise ValueError(
                "intake_height_m is no price; state stretches.intake_weir_height_m in the settings instead"
            )
        return given


class FishPassCosts(Priced):
    """Upstream fish pass at a weir, by head."""

    MONEY = ("per_m_head",)

    per_m_head: float = Field(ge=0)
    at_existing_barriers: bool = Field(
        True, description="whether an existing barrier without a fish pass needs one"
    )


class ScreenCosts(Priced):
    """Fish screen, by its area, and bypass."""

    MONEY = ("per_m2", "bypass_fixed")

    per_m2: float = Field(ge=0)
    bypass_fixed: float = Field(ge=0)
    design: Screen | None = Field(
        None, description="not in the file: the screen that fish.screen names, put in when files are read"
    )

    @model_validator(mode="before")
    @classmethod
    def _velocity_is_the_screens(cls, fields):
        if isinstance(fields, dict) and "approach_velocity_m_s" in fields:
            raise ValueError(
                "approach_velocity_m_s is that of the screen, in a file that fish.screens lists; take it out"
            )
        return fields


class DistanceCosts(Priced):
    """Access road or power line, by distance; without a known distance only the fixed cost counts."""

    MONEY = ("per_m", "fixed")

    per_m: float = Field(ge=0)
    fixed: float = Field(0.0, ge=0, description="fixed cost at any distance, known or not")


class PermitCosts(Priced):
    """Studies and permits: a fixed cost."""

    MONEY = ("fixed",)

    fixed: float = Field(ge=0)


class ContingencyCosts(Sourced):
    """Contingency, as a share of all capital."""

    share: float = Field(ge=0)


class WaterFee(Priced):
    """What the state or the owner of the water right asks for a year; the three are added."""

    MONEY = ("per_kw", "per_kwh", "per_m3")

    per_kw: float = Field(0.0, ge=0, description="annual fee per kW of installed capacity")
    per_kwh: float = Field(0.0, ge=0, description="fee per kWh generated")
    per_m3: float = Field(0.0, ge=0, description="fee per m³ through the turbines")


class OperationCosts(Priced):
    """Operation and maintenance: a share of capital a year, with a minimum; and the water fee."""

    MONEY = ("min_per_year",)

    share_of_capital: Share
    min_per_year: float = Field(0.0, ge=0)
    overhaul_share: Share = Field(0.0, description="overhaul at mid-life, as a share of capital")
    law: CostLaw | None = Field(
        None,
        description="published law of annual cost by power; the lesser of it and the share applies; absent: the "
        "share alone",
    )
    water_fee: WaterFee | None = Field(None, description="annual water fee; absent: none")

    @model_validator(mode="after")
    def _law_is_of_the_plant(self):
        if self.law is not None and (self.law.head_exponent != 0 or self.law.covers != "plant"):
            raise ValueError('law must depend on power alone, with covers = "plant"')
        if self.law is not None and self.law.fixed != 0:
            raise ValueError("law must have no fixed part; min_per_year is the least cost of a year")
        return self


class StorageCosts(Priced):
    """Batteries for solar, for the hours without sun."""

    MONEY = ("capital_per_kwh", "operation_per_kwh")

    capital_per_kwh: float = Field(gt=0, description="capital cost per kWh of nominal capacity")
    operation_per_kwh: float = Field(0.0, ge=0, description="annual cost per kWh of nominal capacity")
    usable_share: float = Field(gt=0, le=1, description="usable share of the nominal capacity")
    round_trip_efficiency: float = Field(gt=0, le=1)
    days_held: float = Field(1.0, ge=1, description="days of stored energy throughput that the capacity holds")
    lifetime_years: float = Field(gt=0)


class SolarCosts(Priced):
    """Solar, for comparison; the yield is stated per kW or as a capacity factor."""

    MONEY = ("capital_per_kw", "operation_per_kw")

    capital_per_kw: float = Field(gt=0)
    yield_kwh_per_kw: float | None = Field(
        None, gt=0, description="annual yield [kWh/kW]; absent: capacity_factor is stated"
    )
    capacity_factor: float | None = Field(
        None, gt=0, le=1, description="mean power over rated power; absent: yield_kwh_per_kw is stated"
    )
    hours_share: float = Field(0.5, gt=0, le=1, description="share of the hours of a year with output")
    operation_per_kw: float = Field(ge=0, description="annual cost per kW")
    lifetime_years: float = Field(gt=0)
    storage: StorageCosts | None = Field(None, description="storage for solar; absent: no comparison with storage")

    @model_validator(mode="after")
    def _one_yield(self):
        if (self.yield_kwh_per_kw is None) == (self.capacity_factor is None):
            raise ValueError("state exactly one of yield_kwh_per_kw and capacity_factor")
        return self


class PriceIndex(Sourced):
    """Price index by year in the currency of the file; only ratios matter."""

    by_year: dict[Year, Positive] = Field(min_length=1)


class ExchangeRates(Sourced):
    """Value of one unit of another currency in that of the file, annual mean."""

    by_year: dict[Year, Positive] = Field(min_length=1)


class ProjectLaw(CostLaw):
    """A published law of the capital of a whole plant, for some scheme types."""

    scheme_types: list[SchemeType] = Field(min_length=1, description="scheme types for which the law is meant")


class ProjectCosts(Sourced):
    """Published laws of whole plants, in place of turbines and parts; laws of one scheme type are added."""

    laws: list[ProjectLaw] = Field(min_length=1)
    not_covered: list[Part] = Field(
        default_factory=list, description="parts that the laws leave out, which this file adds to them"
    )

    @model_validator(mode="after")
    def _laws_of_each_scheme_type(self):
        for scheme_type in head_schemes():
            laws = [law for law in self.laws if scheme_type in law.scheme_types]
            if not 1 <= len(laws) <= LAWS_OF_A_SCHEME_TYPE:
                raise ValueError(
                    f"{scheme_type} needs one or two laws with it in scheme_types (found {len(laws)})"
                )
        if any(law.covers != "plant" for law in self.laws):
            raise ValueError('a law of a whole plant needs covers = "plant"')
        return self

    def of_scheme_type(self, scheme_type):
        """The laws of a scheme type, one or two."""
        return [law for law in self.laws if scheme_type in law.scheme_types]


# A part that a file leaves out costs nothing; its text is in the source.
def _left_out(kind, **figures):
    return Field(
        default_factory=lambda: kind(source="not in the cost file: not counted", **figures),
        description=f"{kind.__doc__.splitlines()[0].rstrip('.')}; absent: not counted",
    )


class CostFile(Section):
    """A cost file: one currency and price year, each entry with its source."""

    currency: str = Field(min_length=3, max_length=3, description="ISO 4217 currency code")
    year: Year = Field(description="price year of all entries without their own")
    project: ProjectCosts | None = Field(
        None, description="laws of whole plants, instead of turbines and parts; absent: turbines and parts"
    )
    powerhouse: PowerhouseCosts
    intake: IntakeCosts = _left_out(IntakeCosts, coefficient=0.0)
    canal: CanalCosts
    penstock: PenstockCosts
    crossings: CrossingCosts = _left_out(CrossingCosts)
    forebay: ForebayCosts = _left_out(ForebayCosts, per_m3=0.0)
    spillway: SpillwayCosts = _left_out(SpillwayCosts, coefficient=0.0)
    transformer: TransformerCosts = _left_out(TransformerCosts, coefficient=0.0)
    weir: WeirCosts
    fish_pass: FishPassCosts
    screen: ScreenCosts
    road: DistanceCosts
    line: DistanceCosts
    settlement_line: DistanceCosts | None = Field(
        None, description="connection line to a settlement; absent: as line"
    )
    land: LandCosts = _left_out(LandCosts, per_m2=0.0)
    permits: PermitCosts
    engineering: EngineeringCosts = _left_out(EngineeringCosts, share=0.0)
    contingency: ContingencyCosts
    construction: ConstructionCosts = _left_out(ConstructionCosts, duration_years=0.0)
    operation: OperationCosts
    solar: SolarCosts
    price_index: PriceIndex | None = Field(
        None, description="price index; absent: all entries and laws must be of one year"
    )
    exchange: dict[str, ExchangeRates] = Field(
        default_factory=dict, description="exchange rates by ISO 4217 code; needed for laws in another currency"
    )

    @model_validator(mode="after")
    def _what_the_laws_cover_is_not_paid_twice(self):
        if self.project is not None:
            for part in set(get_args(Part)) - set(self.project.not_covered):
                for name in FIELDS_OF_A_PART.get(part, (part,)):
                    entry = getattr(self, name)
                    if entry is not None:
                        nothing = dict.fromkeys(getattr(entry, "MONEY", ()) or SHARES_OF_A_PART[name], 0.0)
                        object.__setattr__(self, name, entry.model_copy(update=nothing))
        return self


def with_screen(costs: CostFile, screen: Screen | None) -> CostFile:
    """A cost file with the screen that plants may get; None: they get none.

    Parameters
    ----------
    costs : CostFile
    screen : sitefinder.catalogue.screens.Screen or None

    Returns
    -------
    CostFile
    """
    return costs.model_copy(update={"screen": costs.screen.model_copy(update={"design": screen})})


class Conversion(NamedTuple):
    """A conversion: of what, from and to which currency and year, by which factor, and its source."""

    name: str
    money: str
    to_money: str
    factor: float
    source: str


class CommonCurrency(NamedTuple):
    """Turbine classes and cost file in one currency and year, and the conversions made."""

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
        Entries of the cost file no longer have their own price year.

    Raises
    ------
    ConfigError
        Listing every entry and law for which the price index or an exchange rate is missing.

    Notes
    -----
    A law in another currency is converted at the exchange rate of its own year, then by the price index of the
    cost file's currency. The reverse order, its own price index first, gives a different figure.
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
    if costs.project is not None:
        laws = [
            _law_restated(law, f"project law {number}", costs, year, factor_of)
            for number, law in enumerate(costs.project.laws, 1)
        ]
        changes["project"] = costs.project.model_copy(update={"laws": laws})
    restated = costs.model_copy(update=changes | {"year": year})
    turbines = [
        turbine.model_copy(
            update={"cost": _law_restated(turbine.cost, f"turbine {turbine.name}", costs, year, factor_of)}
        )
        for turbine in turbines
    ]
    if problems:
        raise all_of(ConfigError, "costs in several price years or currencies", problems)
    return CommonCurrency(turbines, restated, conversions)


# An entry of the cost file, with those inside it, at the price level of the year.
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
    return law.model_copy(update={"coefficient": law.coefficient * factor, "fixed": law.fixed * factor} | money)


# Factor from a currency and year to the cost file's currency in a year, and the sources of its figures.
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
            raise ConfigError(f"no price_index to convert from {from_year} to {year}")
        prices = costs.price_index.by_year
        factor *= _of_year(prices, year, "price_index") / _of_year(prices, from_year, "price_index")
        sources.append(costs.price_index.source)
    return factor, sources


def _of_year(table, year, name):
    if year not in table:
        raise ConfigError(f"{name} has no year {year} (it has {min(table)} to {max(table)})")
    return table[year]
