"""Costs that grow with the size of a plant, and what its energy is worth, as bare numbers for compiled kernels."""

from typing import NamedTuple

from sitefinder.power.cost import yearly_capital_factor
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
    price_per_mwh: float
    mwh_per_kw: float
    least_power_kw: float
    by_energy: bool


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
            yearly_capital_factor(costs.operation, settings.costs.discount_rate, settings.costs.lifetime_years)
        ),
        operation_share=costs.operation.share_of_capital,
        operation_least=costs.operation.least_per_year,
        price_per_mwh=settings.costs.price_per_kwh * KILOWATT_HOURS_PER_MEGAWATT_HOUR,
        mwh_per_kw=yearly_energy_mwh(1.0, settings.energy.availability),
        least_power_kw=settings.energy.least_power_kw,
        by_energy=settings.ranking.choose_by == "energy",
    )
