"""Settings of energy, water levels, costs and their uncertainty."""

from typing import Annotated, Literal, Self

from pydantic import Field, model_validator

from sitefinder.settings.choices import SchemeType
from sitefinder.settings.section import Section
from sitefinder.vocabulary import schemes_that

Share = Annotated[float, Field(ge=0, le=1)]


class EnergySettings(Section):
    """From head and flow to energy."""

    turbines: list[str] = Field(min_length=1, description="turbine files, relative to the settings file")
    availability: Share = Field(0.95, description="technical availability of the plant, as a share of the year")
    conduit: Literal["canal", "pipe"] = Field(
        "canal",
        description="headrace of a diversion: a canal, which loses head by its slope, and then a penstock, which "
        "loses it by friction; or a pipe all along",
    )
    canal_slope: float = Field(
        0.001, ge=0, description="bed slope of a canal [m/m] (common practice 0.3–1 m per km)"
    )
    pipe_velocity_m_s: float = Field(
        1.5,
        gt=0,
        description="velocity in a pipe at the design flow, which sets its diameter [m/s] (common practice 1–3, "
        "no source)",
    )
    pipe_friction: Literal["darcy_weisbach", "manning"] = Field(
        "darcy_weisbach", description="friction law of a pipe; the loss grows with the square of the flow"
    )
    pipe_roughness_mm: float = Field(
        0.3,
        ge=0,
        description="absolute roughness of the pipe for darcy_weisbach [mm] (common practice, no source)",
    )
    pipe_manning_n: float = Field(
        0.012, gt=0, description="Manning's n of the pipe [s/m^(1/3)] (common practice, no source)"
    )
    pipe_form_loss: float = Field(
        1.0,
        ge=0,
        description="loss coefficient of inlet, bends and outlet of a pipe, in velocity heads (common practice, "
        "no source)",
    )
    rack_and_gate_loss_m: float = Field(
        0.15, ge=0, description="head loss at trash rack and gates [m] (common practice 0.1–0.3 m)"
    )
    exit_loss_m: float = Field(0.05, ge=0, description="head loss at the outlet [m] (common practice)")
    shut_down_times_mean: float | None = Field(
        None, gt=0, description="turbines shut down above this multiple of the mean flow; absent: no such limit"
    )
    shut_down_exceedance_percent: float | None = Field(
        None,
        gt=0,
        lt=100,
        description="turbines shut down above the flow that is exceeded this share of the time [%]; absent: no "
        "such limit",
    )
    water_temperature_degc: float | None = Field(
        None, ge=0, le=40, description="water temperature, for its density [°C]; absent: a density of 1000 kg/m³"
    )
    gravity_latitude_deg: float | None = Field(
        None, ge=-90, le=90, description="latitude of the region, for gravity [°]; absent: 9.80665 m/s²"
    )
    min_power_kw: float = Field(1.0, ge=0, description="minimum installed capacity of a site [kW]")
    design_exceedance_percent: list[float] = Field(
        [10, 15, 20, 25, 30, 40, 50, 60, 70],
        min_length=1,
        description="design flows to examine first [% of time exceeded]; turbine_options lists each for the "
        "selected turbine",
    )
    design_step_percent: float = Field(
        1.0,
        gt=0,
        description="step of the finer search between them [% of time exceeded]; wider than their range: no finer "
        "search",
    )
    design_by: Literal["choice", "lcoe_per_kwh", "capacity_factor"] = Field(
        "choice",
        description="what turbine and design flow are optimised for: choice (ranking.choose_by), lcoe_per_kwh, or "
        "capacity_factor (largest design flow that reaches design_capacity_factor; turbine by "
        "ranking.choose_by)",
    )
    design_capacity_factor: float = Field(
        0.5, gt=0, le=1, description="capacity factor for design_by, availability included"
    )


class TailwaterSettings(Section):
    """How water levels at intake and tailrace change with flow, relative to those of the survey day."""

    method: Literal["manning", "hydraulic_geometry", "none"] = Field(
        "manning",
        description="manning: depth by slope, width and roughness ([channel]) where the long profile resolves the "
        "slope, elsewhere by hydraulic geometry; hydraulic_geometry: everywhere; the user's rating curves and "
        "measured sections take precedence over both; none: constant levels",
    )
    depth_at_1_m3s_m: float = Field(
        0.27,
        gt=0,
        description="mean depth at a mean flow of 1 m³/s [m]; an assumption for every river, after Moody & "
        "Troutman 2002, Earth Surf. Process. Landforms 27:1251–1266 (from memory); replace it with a "
        "local value if you have one",
    )
    downstream_exponent: float = Field(
        0.4,
        ge=0,
        lt=1,
        description="exponent of depth on mean flow, downstream (Leopold & Maddock 1953, U.S. Geol. Surv. Prof. "
        "Paper 252, from memory)",
    )
    station_exponent: float = Field(
        0.4,
        ge=0,
        lt=1,
        description="exponent of depth on flow, at a station: width, depth, velocity 0.26, 0.40, 0.34 (Leopold & "
        "Maddock 1953, as restated by others)",
    )
    held_scheme_types: list[SchemeType] = Field(
        list(schemes_that("has_weir")), description="scheme types in which a weir holds the intake level"
    )
    rating_reach_m: float = Field(
        1000.0, gt=0, description="distance along the stream, up and down, over which a rating curve applies [m]"
    )


class CostSettings(Section):
    """From power and location to money, in the currency of the cost file and of one year; all amounts are real."""

    file: str = Field(description="cost file, relative to the settings file")
    price_year: int | None = Field(
        None, ge=1950, le=2100, description="price year of all costs and prices; absent: that of the cost file"
    )
    discount_rate: float = Field(0.05, ge=0, description="discount rate a year, real or nominal by rate_kind")
    rate_kind: Literal["real", "nominal"] = Field(
        "real",
        description="whether discount_rate is real or nominal (includes inflation); results use the real rate",
    )
    inflation: float | None = Field(
        None, gt=-1, description="inflation a year, to convert a nominal rate; absent: discount_rate is real"
    )
    lifetime_years: float = Field(
        40.0, gt=0, description="economic lifetime over which capital is recovered [years]"
    )
    price_per_kwh: float = Field(gt=0, description="revenue for a kWh fed into the grid or sold")
    own_use_price_per_kwh: float | None = Field(
        None, gt=0, description="saving for a kWh of own use; absent: no own use"
    )
    own_use_share: Share | None = Field(
        None, description="share of a site's energy for own use; absent: only own_use_kwh_per_year applies"
    )
    own_use_kwh_per_year: float | None = Field(
        None, ge=0, description="maximum own use of a site's energy in a year [kWh]; absent: no limit"
    )
    connection: Literal["grid", "settlement"] = Field(
        "grid", description="where a site's connection line leads: nearest power line or nearest settlement"
    )
    own_consumption_share: float = Field(
        0.01,
        ge=0,
        lt=1,
        description="share of the energy generated that the plant itself consumes, which is not sold (common "
        "practice 0.005–0.02, no source)",
    )
    ground: Literal["earth", "mixed", "rock"] = Field(
        "mixed", description="ground that canals are dug in, for the cost of excavation"
    )
    max_lcoe_per_kwh: float | None = Field(
        None, gt=0, description="cost limit: maximum LCOE of a site; absent: no limit"
    )

    @model_validator(mode="after")
    def _settings_belong_together(self) -> Self:
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
        """The real discount rate: (1 + nominal) / (1 + inflation) - 1, the Fisher equation."""
        if self.inflation is None:
            return self.discount_rate
        return (1.0 + self.discount_rate) / (1.0 + self.inflation) - 1.0


class OffGridSettings(Section):
    """Off-grid settlements and how far a site could supply the nearest one; absent: not examined."""

    demand_column: str = Field(
        description="column of inputs.settlements with the annual demand, or with the number of inhabitants or "
        "households"
    )
    kwh_per_unit: float = Field(
        1.0, gt=0, description="annual demand of one unit of that column [kWh]; 1 where the column holds kWh"
    )
    beyond_m: float = Field(
        1000.0,
        ge=0,
        description="a settlement is off-grid beyond this distance from every power line [m]; without "
        "inputs.power_lines all are",
    )
    farthest_m: float = Field(
        3000.0, gt=0, description="maximum distance between a site and the settlement that it supplies [m]"
    )
    diesel_litres_per_kwh: float = Field(
        0.35, gt=0, description="diesel consumption of a generator [l/kWh] (common practice, no source)"
    )


# Standard deviation of the natural log of annual mean flow where a region's own is not known: about the median
# coefficient of variation of 1221 rivers, T. A. McMahon, R. M. Vogel, M. C. Peel, G. G. S. Pegram, "Global
# streamflows - Part 1: Characteristics of annual streamflows," J. Hydrol., vol. 347, pp. 243-259, 2007 (the paper
# is known, the value is from memory).
TYPICAL_YEAR_TO_YEAR_SD = 0.3


class UncertaintySettings(Section):
    """Inputs of the Monte Carlo simulation behind the intervals of energy and LCOE."""

    simulations: int = Field(500, ge=50, description="number of simulations")
    quantile_correlation_span: float = Field(
        1.5,
        gt=0,
        description="how the errors of two regressed flows go together: they correlate by exp(-d / span), with d "
        "the difference of the standard normal quantiles of their exceedances",
    )
    shared_flow_share: Share = Field(
        0.5, description="share of the flow error's variance that is common to the region"
    )
    year_to_year_sd: float | None = Field(
        None,
        ge=0,
        description="inter-annual variability: standard deviation of the natural log of annual mean flow; absent: "
        f"that of the daily records, or {TYPICAL_YEAR_TO_YEAR_SD:g} without them; 0: not included",
    )
    efficiency_sd: float = Field(0.05, ge=0, description="standard deviation of the natural log of efficiency")
    cost_sd: float = Field(0.25, ge=0, description="standard deviation of the natural log of capital cost")
    top_sites: int = Field(
        10, ge=1, description="N of prob_in_top_n, the probability of being among the best N sites"
    )
