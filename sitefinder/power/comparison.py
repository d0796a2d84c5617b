"""A kWh of one small plant and of solar, from the arithmetic of the trade step by step to all that is paid."""

from typing import NamedTuple

import numpy as np
import pandas as pd

from sitefinder.power.alternative import solar_cost_per_kwh, solar_firm_cost_per_kwh, solar_yield_kwh_per_kw
from sitefinder.power.cost import capital_recovery_factor, levelised_cost_per_kwh, yearly_cost
from sitefinder.power.energy import KW_PER_M3S_M, net_head_m
from sitefinder.power.machines import efficiency_table
from sitefinder.power.valuation import capital_parts
from sitefinder.units import HOURS_PER_YEAR


class TradeFigures(NamedTuple):
    """What the trade says of hydropower and solar of one power: common practice, no source."""

    power_kw: float = 5.0
    machine_capital: float = 22_000.0
    solar_capital: float = 5_000.0
    capacity_factor: float = 0.50
    solar_capacity_factor: float = 0.17
    energy_at_full_power_kwh: float = 300_000.0

    @property
    def years_at_full_power(self):
        """Years in which full power gives the energy that the trade divides by."""
        return self.energy_at_full_power_kwh / (self.power_kw * HOURS_PER_YEAR)


def trade_arithmetic(trade):
    """Cost of a kWh as the trade reckons it: machines alone over the energy of some years, and nothing else.

    Parameters
    ----------
    trade : TradeFigures

    Returns
    -------
    hydropower, solar : float
        It holds over ``trade.years_at_full_power`` years, not over one and not over a lifetime.
    """
    energy = trade.energy_at_full_power_kwh
    hydropower = trade.machine_capital / (trade.capacity_factor * energy)
    return hydropower, trade.solar_capital / (trade.solar_capacity_factor * energy)


def cost_steps(machine, place, costs, settings, trade):
    """Cost of a kWh of a plant of the trade's power and capacity factor, with one thing more in each row.

    Parameters
    ----------
    machine : MachineClass
        One unit of it is looked at; its efficiency says how much water the power takes.
    place : DataFrame, one row
        See `sitefinder.power.valuation.value_stretches`; ``intake`` must be 0.
    costs : CostFile
    settings : sitefinder.config.Settings
        Reads the sections energy, costs and fish.
    trade : TradeFigures

    Returns
    -------
    Series of float, by step
        ``trade``, ``lifetime``, ``interest``, ``own machine``, ``civil works``, ``place``, ``operation``.

    Notes
    -----
    Energy is that of the trade's capacity factor in every row, so that the rows differ by cost alone.
    """
    money = settings.costs
    head_m = float(net_head_m(place["head_m"], place["conduit_length_m"], settings.energy)[0])
    flow_m3s = trade.power_kw / (KW_PER_M3S_M * head_m * efficiency_table(machine)[-1])
    plant = ([0], [1], [flow_m3s], [trade.power_kw], [False])
    parts = capital_parts(place, [[flow_m3s]], *plant, [machine], costs, settings).iloc[0]
    energy_kwh = trade.capacity_factor * trade.power_kw * HOURS_PER_YEAR

    def of_capital(capital, rate):
        return levelised_cost_per_kwh(capital, 0.0, energy_kwh, rate, money.lifetime_years)

    works = parts["machine"] + parts["civil"] + parts["conduit"]
    whole = parts.sum()
    yearly = yearly_cost(whole, costs.operation, money.real_rate, money.lifetime_years, trade.power_kw)
    return pd.Series(
        {
            "trade": trade_arithmetic(trade)[0],
            "lifetime": of_capital(trade.machine_capital, 0.0),
            "interest": of_capital(trade.machine_capital, money.real_rate),
            "own machine": of_capital(parts["machine"], money.real_rate),
            "civil works": of_capital(works, money.real_rate),
            "place": of_capital(whole, money.real_rate),
            "operation": yearly / energy_kwh,
        }
    )


def solar_cost_steps(costs, settings, trade, hours_share):
    """Cost of a kWh of solar of the trade's power in the same steps, and at last with storage.

    Parameters
    ----------
    costs, settings, trade
        As `cost_steps`.
    hours_share : float
        Share of the hours to serve with storage.

    Returns
    -------
    Series of float, by step
        ``trade``, ``lifetime``, ``interest``, ``own machine``, ``operation`` and ``same hours``; solar has no
        civil works, and what its place costs is in its price.
    """
    rate, solar = settings.costs.real_rate, costs.solar
    trade_kwh = trade.solar_capacity_factor * trade.power_kw * HOURS_PER_YEAR
    recovery = capital_recovery_factor(rate, solar.lifetime_years)
    return pd.Series(
        {
            "trade": trade_arithmetic(trade)[1],
            "lifetime": trade.solar_capital / solar.lifetime_years / trade_kwh,
            "interest": recovery * trade.solar_capital / trade_kwh,
            "own machine": recovery * solar.capital_per_kw / solar_yield_kwh_per_kw(solar),
            "operation": solar_cost_per_kwh(solar, rate),
            "same hours": float(np.squeeze(solar_firm_cost_per_kwh(solar, rate, hours_share))),
        }
    )
