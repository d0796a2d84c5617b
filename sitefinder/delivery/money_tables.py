"""Money of the sites as tables of the delivery: financial figures, capital by part, and sites by price."""

import numpy as np
import pandas as pd

from sitefinder.delivery.checking import checked_table
from sitefinder.energy.capital import CAPITAL_PARTS, capital_parts
from sitefinder.energy.costs import capital_recovery_factor, operation_per_year, value_of_energy
from sitefinder.energy.finance import (
    PRICE_FACTORS,
    CashFlow,
    break_even_price_per_kwh,
    discounted_payback_years,
    internal_rate_of_return,
    net_present_value,
)
from sitefinder.schema import LAYERS, empty_table
from sitefinder.units import KILOWATT_HOURS_PER_MEGAWATT_HOUR

PERCENT = 100.0


def with_finance(settings, inputs, order):
    """Sites with their money of a year, and their financial figures.

    Parameters
    ----------
    settings, inputs
        Results of the stages of those names.
    order : DataFrame, n rows
        Sites, with ``energy_mwh``, ``power_kw``, ``flow_design_m3s`` and ``capital_cost``.

    Returns
    -------
    DataFrame
        With ``specific_cost_per_kw``, ``annual_revenue``, ``annual_operating_cost``, ``overhaul_cost``, ``npv``,
        ``irr_percent``, ``discounted_payback_years`` and ``break_even_price_per_kwh``.
    """
    money, operation = settings.costs, inputs.costs.operation
    capital, power, flow_m3s = (
        order[name].to_numpy(dtype=np.float64) for name in ("capital_cost", "power_kw", "flow_design_m3s")
    )
    kwh = order["energy_mwh"].to_numpy(dtype=np.float64) * KILOWATT_HOURS_PER_MEGAWATT_HOUR
    running = operation_per_year(capital, operation, power, kwh, flow_m3s)
    flow = CashFlow(capital, operation.overhaul_share * capital, value_of_energy(kwh, money), running)
    rate, years = money.real_rate, money.lifetime_years
    npv = net_present_value(flow, rate, years)
    yearly = flow.revenue - npv * capital_recovery_factor(rate, years)
    return order.assign(
        specific_cost_per_kw=capital / power,
        annual_revenue=flow.revenue,
        annual_operating_cost=running,
        overhaul_cost=flow.overhaul,
        npv=npv,
        irr_percent=PERCENT * internal_rate_of_return(flow, years),
        discounted_payback_years=discounted_payback_years(flow, rate, years),
        break_even_price_per_kwh=break_even_price_per_kwh(yearly, kwh, money),
    )


def cash_flow_of(sites, revenue=None):
    """Cash flow of delivered sites.

    Parameters
    ----------
    sites : DataFrame, n rows
        As `sitefinder.schema` declares it.
    revenue : ndarray, shape (n,), optional
        In place of ``annual_revenue``.

    Returns
    -------
    CashFlow of ndarray, shape (n,)
    """
    names = ("capital_cost", "overhaul_cost", "annual_revenue", "annual_operating_cost")
    flow = CashFlow(*(sites[name].to_numpy(dtype=np.float64) for name in names))
    return flow if revenue is None else flow._replace(revenue=revenue)


def total_finance(settings, sites):
    """Financial figures of sites taken together, as one plant.

    Parameters
    ----------
    settings : sitefinder.settings.Settings
        Section costs.
    sites : DataFrame, n rows
        As `sitefinder.schema` declares it.

    Returns
    -------
    dict
        ``npv``, ``irr_percent`` and ``discounted_payback_years``; NaN for the last two without a site.
    """
    rate, years = settings.costs.real_rate, settings.costs.lifetime_years
    flow = CashFlow(*(part.sum(keepdims=True) for part in cash_flow_of(sites)))
    return {
        "npv": sites["npv"].sum(),
        "irr_percent": PERCENT * internal_rate_of_return(flow, years)[0],
        "discounted_payback_years": discounted_payback_years(flow, rate, years)[0] if len(sites) else np.nan,
    }


def make_site_costs(settings, inputs, flows, ranked_sites):
    """The ``site_costs`` layer: capital of each site by part."""
    order = ranked_sites.order
    if not len(order):
        return empty_table("site_costs")
    plants = order.assign(turbine=order["turbine_number"])
    flow_mean_m3s = flows.bins_m3s[order["intake"].to_numpy(dtype=np.int64)].mean(axis=1)
    parts = capital_parts(plants, flow_mean_m3s, inputs.turbines, inputs.costs, settings).to_numpy()
    table = pd.DataFrame(
        {
            "site_id": np.repeat(order["site_id"].to_numpy(), len(CAPITAL_PARTS)),
            "part": np.tile(np.array(CAPITAL_PARTS, dtype=object), len(order)),
            "cost": parts.ravel(),
        }
    )
    return checked_table(table[table["cost"] > 0].reset_index(drop=True), "site_costs")


def make_sites_by_price(settings, sites_table):
    """The ``sites_by_price`` layer: what of the chosen sites pays at other prices."""
    money, sites = settings.costs, sites_table
    rate, years = money.real_rate, money.lifetime_years
    kwh = sites["energy_mwh"].to_numpy(dtype=np.float64) * KILOWATT_HOURS_PER_MEGAWATT_HOUR
    rows = []
    for factor in PRICE_FACTORS:
        price = factor * money.price_per_kwh
        revenue = value_of_energy(kwh, money.model_copy(update={"price_per_kwh": price}))
        npv = net_present_value(cash_flow_of(sites, revenue), rate, years)
        pays = npv > 0
        rows.append(
            {
                "price_factor": factor,
                "price_per_kwh": price,
                "sites": int(pays.sum()),
                "power_kw": sites.loc[pays, "power_kw"].sum(),
                "energy_mwh": sites.loc[pays, "energy_mwh"].sum(),
                "capital_cost": sites.loc[pays, "capital_cost"].sum(),
                "npv": npv[pays].sum(),
                "npv_of_all": npv.sum(),
            }
        )
    columns = [column.name for column in LAYERS["sites_by_price"].columns]
    return checked_table(pd.DataFrame(rows)[columns], "sites_by_price")
