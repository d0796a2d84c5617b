"""Costs of a plant: capital by part, annual cost, levelised cost of energy, and the value of energy."""

from typing import NamedTuple

import numpy as np

from sitefinder.compiled import part
from sitefinder.errors import ConfigError, all_of
from sitefinder.schema import is_scheme_that
from sitefinder.units import METRES_PER_FOOT

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


def yearly_cost(capital_cost, operation, rate, years, power_kw=None):
    """Capital, operation and overhaul as one payment a year.

    Parameters
    ----------
    capital_cost : float or ndarray
    operation : OperationCosts
    rate, years : float
        See `capital_recovery_factor`.
    power_kw : float or ndarray, optional
        Rated power of the plant [kW]; needed where a law of operation is given.

    Returns
    -------
    float or ndarray
        The overhaul falls in mid-life and is discounted to the start. Operation is a share of capital, or what a
        published law gives where that is less, and never below the minimum sum.

    Raises
    ------
    ValueError
        If there is a law of operation and no power.
    """
    return yearly_capital_factor(operation, rate, years) * capital_cost + operation_per_year(
        capital_cost, operation, power_kw
    )


def operation_per_year(capital_cost, operation, power_kw=None):
    """Operation and upkeep of a year; arguments as `yearly_cost`.

    Returns
    -------
    float or ndarray

    Raises
    ------
    ValueError
        If there is a law of operation and no power.
    """
    upkeep = operation.share_of_capital * capital_cost
    if operation.law is not None:
        if power_kw is None:
            raise ValueError("the law of operation needs the plant's power")
        upkeep = np.minimum(upkeep, turbine_cost(operation.law, power_kw, 1.0))
    return np.maximum(upkeep, operation.min_per_year)


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
        The owner uses ``own_use_share`` of the energy, at most ``own_use_kwh_per_year``; the rest is exported. No
        regard is had to whether the owner's demand comes when the water does.

    Examples
    --------
    >>> from sitefinder.settings import CostSettings
    >>> value_of_energy(
    ...     np.array([1000.0, 4000.0]),
    ...     CostSettings(file="", price_per_kwh=0.1, own_use_price_per_kwh=0.3, own_use_kwh_per_year=2000),
    ... ).tolist()
    [300.0, 800.0]
    """
    return value_by_prices(energy_kwh, *own_use(money))


def own_use(money):
    """Export price, own price, own share and maximum own use [kWh] in a year, for `value_of_energy`."""
    if money.own_use_price_per_kwh is None:
        return money.price_per_kwh, money.price_per_kwh, 0.0, np.inf
    share = 1.0 if money.own_use_share is None else money.own_use_share
    maximum = np.inf if money.own_use_kwh_per_year is None else money.own_use_kwh_per_year
    return money.price_per_kwh, money.own_use_price_per_kwh, share, maximum


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
        ``road_distance_m``, and ``line_distance_m`` or ``settlement_distance_m``
        (see `sitefinder.energy.valuation.value_stretches`).
    flow_mean_m3s : ndarray, shape (n,)
        Mean natural flow at the intake [m³/s], for the width of a new weir.
    costs : CostFile
    connection : {"grid", "settlement"}

    Returns
    -------
    dict of str to ndarray, shape (n,)
        ``weir``, ``pond``, ``fish_pass``, ``road``, ``line``, ``permits``. Unknown (NaN) distances count zero.
        The line leads to the grid or to a settlement, as `connection` says.
        A fish pass is priced for a new weir and, where the file says so, for a barrier that has none.
        A diversion's low intake weir is in the civil part.
    """
    is_weir, is_structure = (
        is_scheme_that(stretches["scheme_type"], what) for what in ("builds_barrier", "uses_structure")
    )
    needs_pass = is_weir | (is_structure & costs.fish_pass.at_existing_barriers)
    needs_pass &= ~stretches["has_fish_pass"].to_numpy(bool)
    weir = costs.weir
    height_m = np.nan_to_num(stretches["weir_height_m"].to_numpy(float))
    pond_m = np.nan_to_num(stretches["pond_length_m"].to_numpy(float))
    width_m = weir.stream_width_m * np.maximum(flow_mean_m3s, 0.0) ** weir.width_exponent
    climb_m = np.where(is_weir & (height_m > 0), height_m, stretches["head_m"].to_numpy(float))
    road_m = np.nan_to_num(stretches["road_distance_m"].to_numpy(float))
    line_m = np.nan_to_num(stretches[LINE_DISTANCE[connection]].to_numpy(float))
    line = costs.line if connection == "grid" else costs.settlement_line or costs.line
    return {
        "weir": np.where(is_weir, weir.per_m_width * width_m * height_m**weir.height_exponent, 0.0),
        "pond": np.where(is_weir, weir.pond_per_m * pond_m, 0.0),
        "fish_pass": np.where(needs_pass, costs.fish_pass.per_m_head * climb_m, 0.0),
        "road": costs.road.fixed + costs.road.per_m * road_m,
        "line": line.fixed + line.per_m * line_m,
        "permits": np.full(len(stretches), costs.permits.fixed),
    }


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
