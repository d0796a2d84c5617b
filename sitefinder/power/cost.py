"""What a plant costs: capital part by part, the year's cost, the cost of a kWh, and of solar beside it."""

from typing import NamedTuple

import numpy as np
from numba import njit

from sitefinder.errors import ConfigError, all_of
from sitefinder.units import METRES_PER_FOOT

# Published laws come in kW or MW and metres or feet; a law is turned once, on the way to the kernels.
LAW_UNITS_PER_KW = {"kW": 1.0, "MW": 1.0e-3}
LAW_UNITS_PER_METRE = {"m": 1.0, "ft": 1.0 / METRES_PER_FOOT}


class LawNumbers(NamedTuple):
    """A cost law in kW and metres, as the kernels take it."""

    coefficient: float
    power_exponent: float
    head_exponent: float
    per_unit: bool


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
    return LawNumbers(law.coefficient * power * head, law.power_exponent, law.head_exponent, law.covers == "unit")


def machine_cost(law, power_kw, head_m, units=1):
    """Capital of the machines of a plant by a class's law.

    Parameters
    ----------
    law : CostLaw
    power_kw : float or ndarray
        Rated electrical power of the whole plant [kW].
    head_m : float or ndarray
        Head [m].
    units : int or ndarray
        Number of machines. A law that covers one unit is paid once for each, at its share of the power.

    Returns
    -------
    float or ndarray
        In the law's currency and year.

    Examples
    --------
    >>> from sitefinder.power.cost_file import CostLaw
    >>> law = CostLaw(coefficient=1000, power_exponent=0.5, head_exponent=-1, currency="EUR", year=2024,
    ...               power_range_kw=(1, 100), source="an example")
    >>> machine_cost(law, 16.0, 2.0), machine_cost(law, 16.0, 2.0, units=4)
    (2000.0, 4000.0)
    """
    numbers = law_numbers(law)
    bought = units if numbers.per_unit else 1
    exponents = numbers.power_exponent, numbers.head_exponent
    return _capital_by_law(numbers.coefficient, *exponents, power_kw, head_m, bought)


# So many machines by a law in kW and metres, each with its share of the power.
def _capital_by_law(coefficient, power_exponent, head_exponent, power_kw, head_m, bought):
    return bought * coefficient * (power_kw / bought) ** power_exponent * head_m**head_exponent


# The same, compiled.
machine_capital = njit(cache=True)(_capital_by_law)


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


def yearly_cost(capital_cost, operation, rate, years):
    """Capital, operation and overhaul as one payment a year.

    Parameters
    ----------
    capital_cost : float or ndarray
    operation : OperationCosts
    rate, years : float
        See `capital_recovery_factor`.

    Returns
    -------
    float or ndarray
        The overhaul falls in mid-life and is discounted to the start.
    """
    factor = yearly_capital_factor(operation, rate, years)
    upkeep = np.maximum(operation.share_of_capital * capital_cost, operation.least_per_year)
    return factor * capital_cost + upkeep


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
    overhaul = operation.overhaul_share * (1.0 + rate) ** (-years / 2.0)
    return capital_recovery_factor(rate, years) * (1.0 + overhaul)


def solar_cost_per_kwh(solar, rate):
    """Levelised cost of a kWh from solar at the region's yield.

    Parameters
    ----------
    solar : SolarCosts
    rate : float
        Interest a year.

    Returns
    -------
    float
    """
    return levelised_cost_per_kwh(
        solar.capital_per_kw, solar.operation_per_kw, solar.yield_kwh_per_kw, rate, solar.lifetime_years
    )


def screen_area_m2(flow_m3s, approach_velocity_m_s):
    """Wetted area of a fish screen [m²]: the flow over the speed square to the screen.

    Examples
    --------
    >>> screen_area_m2(1.0, 0.5)
    2.0
    """
    return flow_m3s / approach_velocity_m_s


def place_costs(stretches, flow_mean_m3s, costs):
    """The parts of capital that a place asks for, whatever the machine and its size.

    Parameters
    ----------
    stretches : DataFrame, n rows
        Columns ``layout``, ``head_m``, ``weir_height_m``, ``pond_length_m``, ``has_fish_pass``,
        ``road_distance_m``, ``line_distance_m`` (see `sitefinder.power.valuation.value_stretches`).
    flow_mean_m3s : ndarray, shape (n,)
        Mean natural flow at the intake [m³/s], for the width of a new weir.
    costs : CostFile

    Returns
    -------
    dict of str to ndarray, shape (n,)
        ``weir``, ``pond``, ``fish_pass``, ``road``, ``line``, ``permits``. Unknown (NaN) distances count zero.
        A fish pass is priced for a new weir and, where the file says so, for a barrier that has none.
        A diversion's low intake weir is in the civil part.
    """
    layout = stretches["layout"].to_numpy()
    is_weir = layout == "new_weir"
    needs_pass = is_weir | ((layout == "at_barrier") & costs.fish_pass.at_existing_barriers)
    needs_pass &= ~stretches["has_fish_pass"].to_numpy(bool)
    weir = costs.weir
    height_m = np.nan_to_num(stretches["weir_height_m"].to_numpy(float))
    pond_m = np.nan_to_num(stretches["pond_length_m"].to_numpy(float))
    width_m = weir.stream_width_m * np.maximum(flow_mean_m3s, 0.0) ** weir.width_exponent
    climb_m = np.where(is_weir & (height_m > 0), height_m, stretches["head_m"].to_numpy(float))
    road_m = np.nan_to_num(stretches["road_distance_m"].to_numpy(float))
    line_m = np.nan_to_num(stretches["line_distance_m"].to_numpy(float))
    return {
        "weir": np.where(is_weir, weir.per_m_width * width_m * height_m**weir.height_exponent, 0.0),
        "pond": np.where(is_weir, weir.pond_per_m * pond_m, 0.0),
        "fish_pass": np.where(needs_pass, costs.fish_pass.per_m_head * climb_m, 0.0),
        "road": costs.road.fixed + costs.road.per_m * road_m,
        "line": costs.line.fixed + costs.line.per_m * line_m,
        "permits": np.full(len(stretches), costs.permits.fixed),
    }


def check_same_money(machines, costs):
    """Refuse machine laws in another currency or price level than the cost file's.

    Parameters
    ----------
    machines : list of MachineClass
    costs : CostFile

    Raises
    ------
    ConfigError
        Naming every machine class whose law would be added to other money.
    """
    problems = [
        f"{machine.name}: its cost law is in {machine.cost.currency} of {machine.cost.year}, "
        f"the cost file in {costs.currency} of {costs.year}; restate one of them"
        for machine in machines
        if (machine.cost.currency, machine.cost.year) != (costs.currency, costs.year)
    ]
    if problems:
        raise all_of(ConfigError, "machine classes and cost file", problems)
