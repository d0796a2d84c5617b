"""Costs of a plant: capital by part, annual cost, levelised cost of energy, and the value of energy."""

from typing import NamedTuple

import numpy as np

from sitefinder.compiled import part
from sitefinder.errors import ConfigError, all_of
from sitefinder.schema import is_scheme_that
from sitefinder.units import METRES_PER_FOOT, SECONDS_PER_HOUR

# Published laws come in kW or MW and metres or feet; a law is turned once, on the way to the kernels.
LAW_UNITS_PER_KW = {"kW": 1.0, "MW": 1.0e-3}
LAW_UNITS_PER_METRE = {"m": 1.0, "ft": 1.0 / METRES_PER_FOOT}

# Column of the distance that a line is paid for.
LINE_DISTANCE = {"grid": "line_distance_m", "settlement": "settlement_distance_m"}


class LawNumbers(NamedTuple):
    """A cost law in kW and metres, as the kernels take it."""

    coefficient: float
    power_exponent: float
    head_exponent: float
    per_unit: bool
    fixed: float = 0.0


def law_numbers(law):
    """A cost law's numbers turned to kW and metres.

    Parameters
    ----------
    law : CostLaw

    Returns
    -------
    LawNumbers
    """
    power = LAW_UNITS_PER_KW[law.power_unit] ** law.power_exponent
    head = LAW_UNITS_PER_METRE[law.head_unit] ** law.head_exponent
    coefficient = law.coefficient * power * head
    return LawNumbers(coefficient, law.power_exponent, law.head_exponent, law.covers == "unit", law.fixed)


def turbine_cost(law, power_kw, head_m, units=1):
    """Capital of the turbines of a plant by a class's law.

    Parameters
    ----------
    law : CostLaw
    power_kw : float or ndarray
        Rated electrical power of the whole plant [kW].
    head_m : float or ndarray
        Head [m].
    units : int or ndarray
        Number of turbines. A law that covers one unit is paid once for each, at its share of the power.

    Returns
    -------
    float or ndarray
        In the law's currency and year.

    Examples
    --------
    >>> from sitefinder.catalogue.costs import CostLaw
    >>> law = CostLaw(coefficient=1000, power_exponent=0.5, head_exponent=-1, currency="EUR", year=2024,
    ...               power_range_kw=(1, 100), source="an example")
    >>> turbine_cost(law, 16.0, 2.0), turbine_cost(law, 16.0, 2.0, units=4)
    (2000.0, 4000.0)
    """
    numbers = law_numbers(law)
    bought = units if numbers.per_unit else 1
    exponents = numbers.power_exponent, numbers.head_exponent
    return turbine_capital(numbers.coefficient, *exponents, power_kw, head_m, bought, numbers.fixed)


def project_laws(costs, scheme_types, head_m):
    """Laws of whole plants as the kernels take them, with the head in their coefficients.

    Parameters
    ----------
    costs : CostFile
    scheme_types : array_like of str, shape (n,)
    head_m : ndarray of float64, shape (n,)
        [m].

    Returns
    -------
    ndarray of float64, shape (n, 4)
        Coefficient and exponent of power [kW] of the first and of the second law of each row's scheme type; the
        second is zero where there is one law, and all are NaN where the file has turbines and parts.
    """
    scheme_types = np.asarray(scheme_types, dtype=object)
    rows = np.full((len(scheme_types), 4), np.nan)
    if costs.project is None:
        return rows
    for scheme_type in dict.fromkeys(scheme_types.tolist()):
        own = scheme_types == scheme_type
        rows[own] = 0.0
        for number, law in enumerate(map(law_numbers, costs.project.of_scheme_type(scheme_type))):
            # Where there is no head there is no plant.
            head = np.maximum(head_m[own], np.finfo(float).tiny)
            rows[own, 2 * number] = law.coefficient * head**law.head_exponent
            rows[own, 2 * number + 1] = law.power_exponent
    return rows


@part
def turbine_capital(coefficient, power_exponent, head_exponent, power_kw, head_m, bought, fixed):
    """So many turbines by a law in kW and metres, each with its share of the power; also for kernels."""
    return bought * coefficient * (power_kw / bought) ** power_exponent * head_m**head_exponent + bought * fixed


def is_extrapolated(law, power_kw, head_m, units=1):
    """Whether a law is used outside its range; one fitted to megawatts is so at kilowatts.

    Parameters
    ----------
    law : CostLaw
    power_kw, head_m, units : array_like
        As `turbine_cost`.

    Returns
    -------
    ndarray of bool
    """
    bought = np.maximum(units, 1) if law.covers == "unit" else 1
    outside = _is_outside(np.asarray(power_kw, dtype=float) / bought, law.power_range_kw)
    if law.head_range_m is not None:
        outside = outside | _is_outside(np.asarray(head_m, dtype=float), law.head_range_m)
    return outside


# A small margin is allowed, because a limit may result from a division.
def _is_outside(values, limits):
    return (values < limits[0] * (1.0 - 1e-9)) | (values > limits[1] * (1.0 + 1e-9))


def is_cost_extrapolated(costs, turbine, scheme_types, power_kw, head_m, units):
    """Whether the law that a plant is priced by, its turbine's or that of whole plants, is used outside its range.

    Parameters
    ----------
    costs : CostFile
    turbine : TurbineClass
    scheme_types : array_like of str, shape (n,)
    power_kw, head_m, units : array_like, shape (n,)
        As `turbine_cost`.

    Returns
    -------
    ndarray of bool, shape (n,)
    """
    if costs.project is None:
        return is_extrapolated(turbine.cost, power_kw, head_m, units)
    scheme_types = np.asarray(scheme_types, dtype=object)
    outside = np.zeros(len(scheme_types), dtype=bool)
    for law in costs.project.laws:
        outside |= np.isin(scheme_types, law.scheme_types) & is_extrapolated(law, power_kw, head_m)
    return outside


def capital_recovery_factor(rate, years):
    """The yearly payment that pays back a capital of 1 with interest.

    Parameters
    ----------
    rate : float
        Interest a period; real where costs are without inflation.
    years : float
        Number of periods.

    Returns
    -------
    float
        ``rate / (1 - (1 + rate)**-years)``, and its limit ``1 / years`` at a rate of zero.

    Examples
    --------
    >>> capital_recovery_factor(0.0, 20)
    0.05
    """
    if rate == 0:
        return 1.0 / years
    # expm1 and log1p keep the digits of small rates, where 1 - (1 + rate)^-years would lose them.
    return rate / -np.expm1(-years * np.log1p(rate))


def discount_factor(rate, years):
    """Present value of a payment after some years.

    Parameters
    ----------
    rate : float
        Interest a period.
    years : float or ndarray
        Number of periods.

    Returns
    -------
    float or ndarray
        ``(1 + rate)**-years``.

    Examples
    --------
    >>> discount_factor(0.25, 2)
    0.64
    """
    return (1.0 + rate) ** -years


def levelised_cost_per_kwh(capital_cost, operation_per_year, energy_kwh, rate, years):
    """Cost of a kWh that pays for capital and operation over the life of the plant.

    Parameters
    ----------
    capital_cost, operation_per_year : float or ndarray
        In one currency.
    energy_kwh : float or ndarray
        Energy of a year [kWh].
    rate, years : float
        See `capital_recovery_factor`.

    Returns
    -------
    float or ndarray
        ``(crf · capital + operation) / energy``.

    Examples
    --------
    >>> levelised_cost_per_kwh(1000.0, 10.0, 600.0, 0.0, 20)
    0.1
    """
    return (capital_recovery_factor(rate, years) * capital_cost + operation_per_year) / energy_kwh


def yearly_cost(capital_cost, operation, rate, years, power_kw=None, energy_kwh=None, flow_design_m3s=None):
    """Capital, operation, water fee and overhaul as one payment a year.

    Parameters
    ----------
    capital_cost : float or ndarray
    operation : OperationCosts
    rate, years : float
        See `capital_recovery_factor`.
    power_kw : float or ndarray, optional
        Rated power of the plant [kW]; needed where there is a law of operation, or a water fee.
    energy_kwh, flow_design_m3s : float or ndarray, optional
        Energy of a year [kWh] and design flow [m³/s]; needed where a water fee is by kWh or m³.

    Returns
    -------
    float or ndarray
        The overhaul falls in mid-life and is discounted to the start. Operation is a share of capital, or what a
        published law gives where that is less, and never below the minimum sum.

    Raises
    ------
    ValueError
        If a figure is absent that a law of operation or a water fee needs.
    """
    return yearly_capital_factor(operation, rate, years) * capital_cost + operation_per_year(
        capital_cost, operation, power_kw, energy_kwh, flow_design_m3s
    )


def operation_per_year(capital_cost, operation, power_kw=None, energy_kwh=None, flow_design_m3s=None):
    """Operation, upkeep and water fee of a year; arguments as `yearly_cost`.

    Returns
    -------
    float or ndarray

    Raises
    ------
    ValueError
        If a figure is absent that a law of operation or a water fee needs.
    """
    upkeep = operation.share_of_capital * capital_cost
    if operation.law is not None:
        if power_kw is None:
            raise ValueError("the law of operation needs the plant's power")
        upkeep = np.minimum(upkeep, turbine_cost(operation.law, power_kw, 1.0))
    return np.maximum(upkeep, operation.min_per_year) + water_fee_per_year(
        operation.water_fee, power_kw, energy_kwh, flow_design_m3s
    )


def water_fee_per_year(fee, power_kw=None, energy_kwh=None, flow_design_m3s=None):
    """Water fee of a year.

    Parameters
    ----------
    fee : WaterFee or None
    power_kw, energy_kwh, flow_design_m3s : float or ndarray, optional
        See `yearly_cost`.

    Returns
    -------
    float or ndarray
        The water through the turbines is what the energy takes at the efficiency of full gate and the rated head.

    Raises
    ------
    ValueError
        If a figure is absent that the fee needs.

    Examples
    --------
    >>> from sitefinder.catalogue.costs import WaterFee
    >>> water_fee_per_year(WaterFee(per_m3=0.01, source="an example"), 100.0, 1000.0, 2.0)
    720.0
    """
    total = 0.0
    if fee is None:
        return total
    needed = {"power": (power_kw, fee.per_kw + fee.per_m3), "energy": (energy_kwh, fee.per_kwh + fee.per_m3)}
    needed["design flow"] = flow_design_m3s, fee.per_m3
    if lacking := [name for name, (given, asked) in needed.items() if asked > 0 and given is None]:
        raise ValueError(f"the water fee needs the plant's {' and '.join(lacking)}")
    if fee.per_kw > 0:
        total = total + fee.per_kw * power_kw
    if fee.per_kwh > 0:
        total = total + fee.per_kwh * energy_kwh
    if fee.per_m3 > 0:
        total = total + fee.per_m3 * SECONDS_PER_HOUR * energy_kwh * flow_design_m3s / power_kw
    return total


def capital_factor(costs, rate):
    """What capital is multiplied by for engineering, contingency and interest during construction.

    Parameters
    ----------
    costs : CostFile
    rate : float
        Real interest a year.

    Returns
    -------
    float

    Examples
    --------
    >>> round(construction_interest_factor(0.05, 2.0), 6)
    1.050417
    """
    on_top = (1.0 + costs.engineering.share) * (1.0 + costs.contingency.share)
    return on_top * construction_interest_factor(rate, costs.construction.duration_years)


def construction_interest_factor(rate, years):
    """Value at commissioning of a capital of 1 that is spent evenly over the time of construction.

    Parameters
    ----------
    rate : float
        Real interest a year.
    years : float

    Returns
    -------
    float
        ``((1 + rate)**years - 1) / (years · ln(1 + rate))``, the integral of growing payments; 1 in the limits.
    """
    growth = np.log1p(rate) * years
    return float(np.expm1(growth) / growth) if growth != 0 else 1.0


def yearly_capital_factor(operation, rate, years):
    """The share of capital that is paid each year for the capital itself and its overhaul.

    Parameters
    ----------
    operation : OperationCosts
    rate, years : float
        See `capital_recovery_factor`.

    Returns
    -------
    float
    """
    overhaul = operation.overhaul_share * discount_factor(rate, years / 2.0)
    return capital_recovery_factor(rate, years) * (1.0 + overhaul)


def value_of_energy(energy_kwh, money):
    """What the energy of a year earns by export and saves by own use.

    Parameters
    ----------
    energy_kwh : float or ndarray
        Energy of a year [kWh].
    money : sitefinder.settings.CostSettings

    Returns
    -------
    float or ndarray
        The plant consumes ``own_consumption_share`` of what it generates. Of the rest the owner uses
        ``own_use_share``, at most ``own_use_kwh_per_year``, and exports what is left. No regard is had to whether
        the owner's demand comes when the water does.

    Examples
    --------
    >>> from sitefinder.settings import CostSettings
    >>> money = CostSettings(
    ...     file="",
    ...     price_per_kwh=0.1,
    ...     own_use_price_per_kwh=0.3,
    ...     own_use_kwh_per_year=2000,
    ...     own_consumption_share=0.0,
    ... )
    >>> value_of_energy(np.array([1000.0, 4000.0]), money).tolist()
    [300.0, 800.0]
    """
    return value_by_prices(energy_kwh, *own_use(money))


def own_use(money):
    """Export price, own price, own share and maximum own use [kWh] in a year, for `value_of_energy`.

    They are of a kWh generated: what the plant itself consumes earns nothing.
    """
    sold = 1.0 - money.own_consumption_share
    price = sold * money.price_per_kwh
    if money.own_use_price_per_kwh is None:
        return price, price, 0.0, np.inf
    share = 1.0 if money.own_use_share is None else money.own_use_share
    maximum = np.inf if money.own_use_kwh_per_year is None else money.own_use_kwh_per_year / sold
    return price, sold * money.own_use_price_per_kwh, share, maximum


def best_price_per_kwh(money):
    """The most that a kWh generated can earn or save, by export or own use; see `value_of_energy`."""
    price, own_price, _, _ = own_use(money)
    return max(price, own_price)


@part
def value_by_prices(energy, price, own_price, own_share, own_max):
    """`value_of_energy` by bare numbers; also for kernels."""
    return price * energy + (own_price - price) * np.minimum(own_share * energy, own_max)


def place_costs(stretches, flow_mean_m3s, costs, connection="grid"):
    """The parts of capital that depend on the site, not on the turbine and its size.

    Parameters
    ----------
    stretches : DataFrame, n rows
        Columns ``scheme_type``, ``head_m``, ``weir_height_m``, ``pond_length_m``, ``has_fish_pass``,
        ``road_distance_m``, ``intake_weir_m`` and ``intake_drop_m`` (see `intake_heights_m`), and
        ``line_distance_m`` or ``settlement_distance_m``
        (see `sitefinder.energy.valuation.value_stretches`); ``conduit_length_m`` for the land of the headrace.
    flow_mean_m3s : ndarray, shape (n,)
        Mean natural flow at the intake [m³/s], for the width of a new weir.
    costs : CostFile
    connection : {"grid", "settlement"}

    Returns
    -------
    dict of str to ndarray, shape (n,)
        ``weir``, ``pond``, ``intake_weir``, ``fish_pass``, ``road``, ``line``, ``land``, ``permits``. Unknown
        (NaN) distances count zero. The line leads to the grid or to a settlement, as `connection` says. A fish
        pass is priced for a new weir, that at the intake of a diversion included, and, where the file says so, for
        a barrier that has none. An intake weir is priced by the law of new weirs, with a flushing gate.
    """
    is_weir = is_scheme_that(stretches["scheme_type"], "builds_barrier")
    needs_pass = needs_fish_pass(stretches, costs) & ~stretches["has_fish_pass"].to_numpy(bool)
    weir = costs.weir
    height_m = np.nan_to_num(stretches["weir_height_m"].to_numpy(float))
    pond_m = np.nan_to_num(stretches["pond_length_m"].to_numpy(float))
    width_m = weir.stream_width_m * np.maximum(flow_mean_m3s, 0.0) ** weir.width_exponent
    intake_m, intake_drop_m = intake_heights_m(stretches)
    conduit_m = stretches["conduit_length_m"].to_numpy(float) if "conduit_length_m" in stretches else 0.0
    land_m2 = costs.land.plant_area_m2 + costs.land.corridor_width_m * np.nan_to_num(conduit_m)
    low_weir = weir.per_m_width * width_m * intake_m**weir.height_exponent + weir.flushing_gate_per_m * intake_m
    climb_m = np.where(is_weir & (height_m > 0), height_m, stretches["head_m"].to_numpy(float))
    climb_m = np.where(intake_m + intake_drop_m > 0, intake_m + intake_drop_m, climb_m)
    road_m = np.nan_to_num(stretches["road_distance_m"].to_numpy(float))
    line_m = np.nan_to_num(stretches[LINE_DISTANCE[connection]].to_numpy(float))
    line = costs.line if connection == "grid" else costs.settlement_line or costs.line
    return {
        "weir": np.where(is_weir, weir.per_m_width * width_m * height_m**weir.height_exponent, 0.0),
        "pond": np.where(is_weir, weir.pond_per_m * pond_m, 0.0),
        "intake_weir": np.where(intake_m > 0, low_weir, 0.0),
        "fish_pass": np.where(needs_pass, costs.fish_pass.per_m_head * climb_m, 0.0),
        "road": costs.road.fixed + costs.road.per_m * road_m,
        "line": line.fixed + line.per_m * line_m,
        "land": np.full(len(stretches), costs.land.per_m2 * land_m2),
        "permits": np.full(len(stretches), costs.permits.fixed),
    }


def screen_cost(costs, flow_design_m3s):
    """Cost of the fish screen with its bypass: by the area at which the flow passes at the screen's criterion.

    Parameters
    ----------
    costs : CostFile
        With the run's screen; nothing costs anything without one.
    flow_design_m3s : float or ndarray
        Design flow of the plant [m³/s].

    Returns
    -------
    float or ndarray
        In the cost file's currency, before engineering and contingency.
    """
    screen, prices = costs.screen.design, costs.screen
    if screen is None:
        return 0.0 * flow_design_m3s
    return prices.bypass_fixed + prices.per_m2 * screen.cost_factor * screen.area_m2(flow_design_m3s)


def screen_takes(costs, screened, flow_design_m3s):
    """What a fish screen takes from a plant.

    Parameters
    ----------
    costs : CostFile
    screened : array of bool, shape (n,)
    flow_design_m3s : ndarray of float64, shape (n,)
        [m³/s]

    Returns
    -------
    head_m, bypass_m3s : ndarray of float64, shape (n,)
        Head lost in the screen [m], and flow of the bypass [m³/s]; 0 without a screen.
    """
    screen, screened = costs.screen.design, np.asarray(screened, dtype=bool)
    if screen is None:
        return np.zeros(len(screened)), np.zeros(len(screened))
    bypass_m3s = screen.bypass_share * np.asarray(flow_design_m3s, dtype=float)
    return np.where(screened, screen.head_loss_m, 0.0), np.where(screened, bypass_m3s, 0.0)


def intake_heights_m(stretches):
    """Height of the new weir at the intake of each diversion, and drop of the existing one there.

    Parameters
    ----------
    stretches : DataFrame, n rows
        ``intake_weir_m`` and ``intake_drop_m`` where they are there.

    Returns
    -------
    new_m, existing_m : ndarray of float64, shape (n,)
        [m]; 0 where there is none.
    """
    nothing = np.zeros(len(stretches))
    return tuple(
        stretches[name].to_numpy(float) if name in stretches else nothing
        for name in ("intake_weir_m", "intake_drop_m")
    )


def needs_fish_pass(stretches, costs):
    """Scheme types whose barrier must let fish up.

    Parameters
    ----------
    stretches : DataFrame, n rows
        ``scheme_type``, and what `intake_heights_m` reads.
    costs : CostFile

    Returns
    -------
    ndarray of bool, shape (n,)
        A new weir always, that at the intake of a diversion included; an existing barrier, used or at the intake,
        where the cost file requires a pass. Whether there is one already is not asked.
    """
    new, existing = (
        is_scheme_that(stretches["scheme_type"], what) for what in ("builds_barrier", "uses_structure")
    )
    intake_m, intake_drop_m = intake_heights_m(stretches)
    return new | (intake_m > 0) | ((existing | (intake_drop_m > 0)) & costs.fish_pass.at_existing_barriers)


def check_same_money(turbines, costs):
    """Refuse turbine laws in another currency or price level than the cost file's, which would be added to it.

    Parameters
    ----------
    turbines : list of TurbineClass
    costs : CostFile

    Raises
    ------
    ConfigError
        Naming every turbine class. `sitefinder.catalogue.costs.to_common_currency` converts them before.
    """
    problems = [
        f"{turbine.name}: its cost law is in {turbine.cost.currency} of {turbine.cost.year}, "
        f"the cost file in {costs.currency} of {costs.year}; convert one of them"
        for turbine in turbines
        if (turbine.cost.currency, turbine.cost.year) != (costs.currency, costs.year)
    ]
    if problems:
        raise all_of(ConfigError, "turbine classes and cost file", problems)
