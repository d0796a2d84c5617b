"""What stands beside each site: solar for the same hours, and the settlement off the grid that it could serve."""

import numpy as np

from sitefinder.power.alternative import premium_over_solar, solar_cost_per_kwh, solar_firm_cost_per_kwh
from sitefinder.power.off_grid import serve_demand
from sitefinder.siting.settlements import demand_of_settlements, is_off_grid, nearest_settlement


def settlements_to_serve(settings, inputs):
    """The settlements that a line may lead to: all, or those off the grid where the settings look for these.

    Returns
    -------
    GeoDataFrame or None
        None without a layer.
    """
    if "settlements" not in inputs.layers:
        return None
    frame = inputs.layers["settlements"].frame
    if settings.off_grid is None:
        return frame
    lines = inputs.layers["power_lines"].frame if "power_lines" in inputs.layers else None
    return frame[is_off_grid(frame, lines, settings.off_grid.beyond_m)].reset_index(drop=True)


def with_alternatives(settings, inputs, order, powers_kw):
    """Sites with the cost of solar and with what they could do for a settlement off the grid.

    Parameters
    ----------
    settings, inputs
        Results of the stages of those names.
    order : DataFrame, n rows
        Sites.
    powers_kw : ndarray of float64, shape (n, bins)
        Power of each site in bins of equal time [kW].

    Returns
    -------
    DataFrame
    """
    availability, solar, rate = settings.energy.availability, inputs.costs.solar, settings.costs.real_rate
    running = (powers_kw > 0).mean(axis=1) * availability if len(order) else np.zeros(0)
    firm = solar_firm_cost_per_kwh(solar, rate, running)
    return order.assign(
        running_share=running,
        solar_cost_per_kwh=solar_cost_per_kwh(solar, rate),
        solar_firm_cost_per_kwh=firm,
        premium_over_solar=premium_over_solar(order["cost_per_kwh"].to_numpy(dtype=float), firm),
        **_served(settings, inputs, order, powers_kw),
    )


# Columns of the settlement that each site could serve; empty and NaN where none is near or none is looked for.
def _served(settings, inputs, order, powers_kw):
    columns = {name: np.full(len(order), np.nan) for name in ("settlement_demand_mwh", "firm_share_of_demand")}
    columns |= {name: np.full(len(order), np.nan) for name in ("demand_served_share", "diesel_displaced_l")}
    columns["settlement"] = np.full(len(order), "", dtype=object)
    if settings.off_grid is None or not len(order):
        return columns
    settlements = settlements_to_serve(settings, inputs)
    row, distance_m = nearest_settlement(order["x_m"].to_numpy(), order["y_m"].to_numpy(), settlements)
    near = np.flatnonzero((row >= 0) & (np.nan_to_num(distance_m) <= settings.off_grid.farthest_m))
    demand_mwh = demand_of_settlements(settlements, settings.off_grid)[row[near]]
    names = np.where(settlements["feature_name"] == "", settlements["feature_id"], settlements["feature_name"])
    columns["settlement"][near] = names[row[near]]
    firm_kw = order["firm_power_kw"].to_numpy(dtype=float)[near]
    litres_per_kwh = settings.off_grid.diesel_litres_per_kwh
    served = serve_demand(powers_kw[near], firm_kw, demand_mwh, settings.energy.availability, litres_per_kwh)
    columns["settlement_demand_mwh"][near] = demand_mwh
    columns["firm_share_of_demand"][near] = served.firm_share
    columns["demand_served_share"][near] = served.served_share
    columns["diesel_displaced_l"][near] = served.diesel_l
    return columns
