"""Costs that grow with the size of a plant, and what its energy is worth, as bare numbers for compiled kernels."""

from typing import NamedTuple

import numpy as np

from sitefinder.compiled import part
from sitefinder.power.conduit import WATERWAY
from sitefinder.power.cost import law_numbers, own_use, worth_by_prices, yearly_capital_factor
from sitefinder.power.energy import yearly_energy_mwh
from sitefinder.units import KILOWATT_HOURS_PER_MEGAWATT_HOUR


class Prices(NamedTuple):
    """Costs that depend on size, and the value of energy, as bare numbers for the kernels."""

    civil: float
    civil_flow_exponent: float
    civil_head_exponent: float
    conduit_per_m: float
    conduit_flow_exponent: float
    screen_per_m3s: float
    screen_fixed: float
    contingency_factor: float
    yearly_capital_factor: float
    operation_share: float
    operation_least: float
    operation_law: float
    operation_law_exponent: float
    price_per_mwh: float
    own_price_per_mwh: float
    own_share: float
    own_most_mwh: float
    mwh_per_kw: float
    least_power_kw: float
    by_energy: bool
    by_cost: bool
    least_capacity_factor: float


# Prices and waterway in one record, as the search takes them; yes and no as 1 and 0.
SEARCH = np.dtype(
    [(name, np.float64 if kind is float else np.int64) for name, kind in Prices.__annotations__.items()]
    + WATERWAY.descr
)


def search_record(prices, way):
    """Prices and waterway in one record, which kernels take.

    Parameters
    ----------
    prices : Prices
    way : sitefinder.power.conduit.Waterway

    Returns
    -------
    record of `SEARCH`
    """
    return np.array([(*prices, *way)], dtype=SEARCH)[0]


def search_prices(costs, settings):
    """Prices for the kernels from a cost file and the settings of the run.

    Parameters
    ----------
    costs : sitefinder.power.cost_file.CostFile
    settings : sitefinder.config.Settings
        Reads the sections energy, costs and ranking.

    Returns
    -------
    Prices
    """
    law = None if costs.operation.law is None else law_numbers(costs.operation.law)
    price, own_price, own_share, own_most = own_use(settings.costs)
    return Prices(
        civil=costs.civil.coefficient,
        civil_flow_exponent=costs.civil.flow_exponent,
        civil_head_exponent=costs.civil.head_exponent,
        conduit_per_m=costs.conduit.per_m,
        conduit_flow_exponent=costs.conduit.flow_exponent,
        screen_per_m3s=costs.screen.per_m2 / costs.screen.approach_velocity_m_s,
        screen_fixed=costs.screen.bypass_fixed,
        contingency_factor=1.0 + costs.contingency.share,
        yearly_capital_factor=float(
            yearly_capital_factor(costs.operation, settings.costs.real_rate, settings.costs.lifetime_years)
        ),
        operation_share=costs.operation.share_of_capital,
        operation_least=costs.operation.least_per_year,
        # Without a law the share alone counts.
        operation_law=np.inf if law is None else law.coefficient,
        operation_law_exponent=0.0 if law is None else law.power_exponent,
        price_per_mwh=price * KILOWATT_HOURS_PER_MEGAWATT_HOUR,
        own_price_per_mwh=own_price * KILOWATT_HOURS_PER_MEGAWATT_HOUR,
        own_share=own_share,
        own_most_mwh=own_most / KILOWATT_HOURS_PER_MEGAWATT_HOUR,
        mwh_per_kw=yearly_energy_mwh(1.0, settings.energy.availability),
        least_power_kw=settings.energy.least_power_kw,
        by_energy=settings.ranking.choose_by == "energy",
        by_cost=settings.energy.design_by == "cost_per_kwh",
        least_capacity_factor=(
            settings.energy.design_capacity_factor if settings.energy.design_by == "capacity_factor" else 0.0
        ),
    )


@part
def score_of(energy, capital, power, prices):
    """What the choice goes by, for kernels: net yearly value, energy [MWh], or less what a MWh costs.

    Capital is before contingency, power [kW] that of the whole plant.
    """
    if prices.by_cost:
        return -yearly_payment(capital, power, prices) / energy if energy > 0.0 else -np.inf
    if prices.by_energy:
        return energy
    worth = worth_by_prices(
        energy, prices.price_per_mwh, prices.own_price_per_mwh, prices.own_share, prices.own_most_mwh
    )
    return worth - yearly_payment(capital, power, prices)


@part
def yearly_payment(capital, power, prices):
    """Capital before contingency as a payment a year, operation included, for kernels; see `yearly_cost`."""
    capital *= prices.contingency_factor
    operation = prices.operation_share * capital
    if prices.operation_law < np.inf:
        operation = min(operation, prices.operation_law * power**prices.operation_law_exponent)
    return prices.yearly_capital_factor * capital + max(operation, prices.operation_least)
