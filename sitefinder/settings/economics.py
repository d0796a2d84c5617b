"""Settings of what a stretch is worth: energy, water levels, money, and how sure they are."""

from typing import Annotated, Literal, Self

from pydantic import Field, model_validator

from sitefinder.settings.choices import SchemeType
from sitefinder.settings.inputs import Section
from sitefinder.vocabulary import schemes_that

Share = Annotated[float, Field(ge=0, le=1)]


class EnergySettings(Section):
    """From head and flow to energy."""

    turbines: list[str] = Field(min_length=1, description="turbine files, relative to the settings file")
    availability: Share = Field(0.95, description="share of the time that the plant is ready")
    conduit: Literal["canal", "pipe"] = Field(
        "canal", description="what leads the water of a diversion; a canal loses its fall, a pipe by friction"
    )
    canal_slope: float = Field(0.001, ge=0, description="fall of a canal [m/m] (common practice 0.3–1 m per km)")
    pipe_velocity_m_s: float = Field(
        1.5,
        gt=0,
        description="velocity in a pipe at the design flow, which gives its diameter [m/s] (common practice 1–3, "
        "no source)",
    )
    pipe_friction: Literal["darcy_weisbach", "manning"] = Field(
        "darcy_weisbach", description="law of a pipe's friction; the loss goes with the square of the flow"
    )
    pipe_roughness_mm: float = Field(
        0.3, ge=0, description="roughness of the pipe for darcy_weisbach [mm] (common practice, no source)"
    )
    pipe_manning_n: float = Field(
        0.012, gt=0, description="Manning's n of the pipe [s/m^(1/3)] (common practice, no source)"
    )
    pipe_form_loss: float = Field(
        1.0, ge=0, description="loss at inlet, bends and outlet of a pipe, in velocity heads (common practice)"
    )
    rack_and_gate_loss_m: float = Field(
        0.15, ge=0, description="loss at rack and gates [m] (common practice 0.1–0.3 m)"
    )
    exit_loss_m: float = Field(0.05, ge=0, description="loss at the outlet [m] (common practice)")
    shut_down_times_mean: float | None = Field(
        None, gt=0, description="turbines are shut down above this multiple of the mean flow; absent: never"
    )
    shut_down_exceedance_percent: float | None = Field(
        None,
        gt=0,
        lt=100,
        description="turbines are shut down above the flow of this exceedance [%]; absent: never",
    )
    water_temperature_degc: float | None = Field(
        None, ge=0, le=40, description="temperature of the water, for its density [°C]; absent: 1000 kg/m³"
    )
    gravity_latitude_deg: float | None = Field(
        None, ge=-90, le=90, description="latitude of the region, for gravity [°]; absent: 9.80665 m/s²"
    )
    min_power_kw: float = Field(1.0, ge=0, description="minimum installed capacity of a plant [kW]")
    design_exceedance_percent: list[float] = Field(
        [10, 15, 20, 25, 30, 40, 50, 60, 70],
        min_length=1,
        description="design flows to try first [% exceeded]; turbine_options lists each for the selected turbine",
    )
    design_step_percent: float = Field(
        1.0,
        gt=0,
        description="between them, design flows so far apart are searched [%]; wider than their range: none",
    )
    design_by: Literal["choice", "lcoe_per_kwh", "capacity_factor"] = Field(
        "choice",
        description="what a stretch's turbine and design flow are best in: ranking.choose_by, or lcoe_per_kwh; "
        "capacity_factor: the greatest design flow that reaches the set one, and by choose_by between turbines",
    )
    design_capacity_factor: float = Field(
        0.5, gt=0, le=1, description="capacity factor for design_by, availability included"
    )


class TailwaterSettings(Section):
    """How water levels at intake and tailrace move with flow, against those of the survey day."""

    method: Literal["hydraulic_geometry", "none"] = Field(
        "hydraulic_geometry",
        description="hydraulic_geometry, or the user's ratings where there are any; none: levels are constant",
    )
    depth_at_1_m3s_m: float = Field(
        0.27,
        gt=0,
        description="mean depth at a mean flow of 1 m³/s [m]; an assumption for every river, after Moody & "
        "Troutman 2002, Earth Surf. Process. Landforms 27:1251–1266 (from memory): use your own where you have it",
    )
    downstream_exponent: float = Field(
        0.4,
        ge=0,
        lt=1,
        description="growth of that depth with mean flow down a river (Leopold & Maddock 1953, U.S. Geol. Surv. "
        "Prof. Paper 252, from memory)",
    )
    station_exponent: float = Field(
        0.4,
        ge=0,
        lt=1,
        description="growth of depth with flow at a station: width, depth, velocity 0.26, 0.40, 0.34 (Leopold & "
        "Maddock 1953, as restated by others)",
    )
    held_scheme_types: list[SchemeType] = Field(
        list(schemes_that("has_weir")), description="scheme types in which a weir holds the level at the intake"
    )
    rating_reach_m: float = Field(
        1000.0, gt=0, description="maximum distance along the stream to which a rating applies [m]"
    )


class CostSettings(Section):
    """From power and place to money, in the cost file's currency and of one year; all sums are real."""

    file: str = Field(description="cost file, relative to the settings file")
    price_year: int | None = Field(
        None, ge=1950, le=2100, description="year whose money all costs and prices are in; absent: the cost file's"
    )
    discount_rate: float = Field(0.05, ge=0, description="annual rate, real or nominal as rate_kind says")
    rate_kind: Literal["real", "nominal"] = Field(
        "real", description="whether discount_rate is without or with inflation; results go by the real rate"
    )
    inflation: float | None = Field(
        None, gt=-1, description="inflation a year, to turn a nominal rate into a real one"
    )
    lifetime_years: float = Field(40.0, gt=0, description="years over which capital is paid back")
    price_per_kwh: float = Field(gt=0, description="price of a kWh fed into the grid or sold")
    own_use_price_per_kwh: float | None = Field(
        None, gt=0, description="price that a kWh used by the owner saves; absent: none is used"
    )
    own_use_share: Share | None = Field(None, description="share of a site's energy that the owner uses")
    own_use_kwh_per_year: float | None = Field(
        None, ge=0, description="maximum of a site's energy that the owner uses in a year [kWh]"
    )
    connection: Literal["grid", "settlement"] = Field(
        "grid", description="where the line leads that a site pays for: nearest power line, or nearest settlement"
    )
    max_lcoe_per_kwh: float | None = Field(
        None, gt=0, description="maximum levelised cost of energy; candidates above it are rejected"
    )

    @model_validator(mode="after")
    def _whole(self) -> Self:
        if (self.rate_kind == "nominal") != (self.inflation is not None):
            raise ValueError('rate_kind = "nominal" and inflation belong together')
        limits = (self.own_use_share, self.own_use_kwh_per_year)
        if (self.own_use_price_per_kwh is None) != (limits == (None, None)):
            raise ValueError(
                "own_use_price_per_kwh belongs together with own_use_share, own_use_kwh_per_year, or both"
            )
        return self

    @property
    def real_rate(self) -> float:
        """The discount rate without inflation: (1 + nominal) / (1 + inflation) - 1, the Fisher equation."""
        if self.inflation is None:
            return self.discount_rate
        return (1.0 + self.discount_rate) / (1.0 + self.inflation) - 1.0


class OffGridSettings(Section):
    """Settlements that no grid serves, and what a site could do for the nearest; off unless the table is there."""

    demand_column: str = Field(
        description="column of inputs.settlements with the annual demand, or the number of inhabitants or homes"
    )
    kwh_per_unit: float = Field(
        1.0, gt=0, description="annual demand of one unit of that column [kWh]; 1 where the column holds kWh"
    )
    beyond_m: float = Field(
        1000.0,
        ge=0,
        description="a settlement farther than this from every power line is off the grid [m]; without "
        "inputs.power_lines all are",
    )
    farthest_m: float = Field(3000.0, gt=0, description="maximum distance at which a site serves a settlement [m]")
    diesel_litres_per_kwh: float = Field(
        0.35, gt=0, description="diesel that a generator burns for a kWh [l] (common practice, no source)"
    )


class UncertaintySettings(Section):
    """What the intervals of energy and cost are simulated from."""

    simulations: int = Field(500, ge=50, description="number of simulations")
    shared_flow_share: Share = Field(0.5, description="share of the flow error's variance that the region shares")
    year_to_year_sd: float | None = Field(
        None,
        ge=0,
        description="log standard deviation of a year's mean flow; absent: that of daily records, 0 without them",
    )
    efficiency_sd: float = Field(0.05, ge=0, description="log standard deviation of efficiency")
    cost_sd: float = Field(0.25, ge=0, description="log standard deviation of capital cost")
    top_sites: int = Field(10, ge=1, description="prob_in_top_n is the share of simulations among this many best")
