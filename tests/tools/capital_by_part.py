"""Capital of chosen plants part by part, in plain numbers: a second way to what the compiled search adds up.

Nothing of `sitefinder.energy.works` and `sitefinder.energy.capital` is used: canal and penstock are worked out
here from their definitions, a plant at a time.
"""

import functools
import math

import numpy as np
import pandas as pd

from sitefinder.energy.costs import place_costs, turbine_cost
from sitefinder.energy.hydraulics import net_head_m
from sitefinder.energy.runners import settings_of_runners, tailwater_level_m


@functools.cache
def canal_depth_m(flow_m3s, slope, manning_n):
    """Depth of the half hexagon that carries a flow, by bisection on Manning's formula."""
    low, high = 0.0, 50.0
    for _ in range(60):
        depth = (low + high) / 2
        area, radius = math.sqrt(3) * depth**2, depth / 2
        carried = area * radius ** (2 / 3) * math.sqrt(slope) / manning_n
        low, high = (depth, high) if carried < flow_m3s else (low, depth)
    return depth


def canal_per_m(canal, flow_m3s, slope, ground):
    """A lined canal per metre."""
    depth = canal_depth_m(flow_m3s, slope, canal.manning_n)
    dug = canal.excavation_factor * math.sqrt(3) * depth**2 * getattr(canal, f"{ground}_per_m3")
    return dug + canal.lining_factor * 2 * math.sqrt(3) * depth * canal.lining_per_m2 + canal.per_m


def penstock_per_m(penstock, flow_m3s, head_m, velocity_m_s):
    """A steel penstock per metre: a ring of steel of 7850 kg/m³, in millimetres."""
    bore_mm = 1000 * math.sqrt(flow_m3s / velocity_m_s / (math.pi / 4))
    pressure_mpa = 1000 * 9.80665 * head_m * (1 + penstock.surge_share) / 1e6
    wall_mm = max(
        (bore_mm + 1000 * penstock.handling_constant_m) / penstock.handling_divisor,
        pressure_mpa * bore_mm / (2 * penstock.allowable_stress_mpa) + 1000 * penstock.corrosion_m,
    )
    kg = 7850 * math.pi * bore_mm * wall_mm / 1e6
    return kg * penstock.steel_per_kg + penstock.laying_per_m2 * bore_mm / 1000


def capital_parts(
    stretches, curve_m3s, turbine, units, flow_design_m3s, power_kw, screened, turbines, costs, settings
):
    """Capital of chosen plants, part by part.

    Parameters
    ----------
    stretches : DataFrame, n rows
        As `sitefinder.energy.valuation.value_stretches`.
    curve_m3s : ndarray of float64, shape (stations, bins)
        Natural flow [m³/s].
    turbine, units, flow_design_m3s, power_kw, screened : array_like, shape (n,)
        The plant of each row, as `sitefinder.energy.valuation.value_stretches` gives it; every row has a turbine.
    turbines, costs, settings
        As `sitefinder.energy.valuation.value_stretches`.

    Returns
    -------
    DataFrame, n rows, index of stretches
        Parts; their sum is the capital cost.
    """
    flow_mean = np.asarray(curve_m3s, dtype=float)[stretches["intake"].to_numpy()].mean(axis=1)
    rows = []
    heads = net_head_m(stretches["head_m"], stretches["conduit_length_m"], settings.energy)
    plants = zip(
        stretches["scheme_type"],
        stretches["conduit_length_m"],
        heads,
        *(np.asarray(part).tolist() for part in (turbine, units, flow_design_m3s, power_kw, screened)),
        strict=True,
    )
    energy = settings.energy
    level_m = tailwater_level_m(stretches)
    settings_by_class = settings_of_runners(turbines, np.asarray(heads, dtype=float), level_m)[0]
    for place, (scheme_type, conduit_m, head, number, count, flow, power, screen) in enumerate(plants):
        one = turbines[number]
        if costs.project is None:
            parts = {"turbine": turbine_cost(one.cost, power, head, count)}
        else:
            laws = [law for law in costs.project.laws if scheme_type in law.scheme_types]
            parts = {"project": sum(turbine_cost(law, power, head) for law in laws)}
        house = costs.powerhouse
        parts["powerhouse"] = (
            one.civil_factor * house.coefficient * flow**house.flow_exponent * head**house.head_exponent
        ) * settings_by_class[place, number]
        parts["intake"] = costs.intake.coefficient * flow**costs.intake.flow_exponent
        parts["transformer"] = costs.transformer.coefficient * power**costs.transformer.power_exponent
        penstock_m = min(conduit_m, costs.penstock.length_per_head * head)
        penstock_m = conduit_m if energy.conduit == "pipe" else penstock_m
        if conduit_m > penstock_m:
            per_m = canal_per_m(costs.canal, flow, energy.canal_slope, settings.costs.ground)
            parts["canal"] = per_m * (conduit_m - penstock_m)
            parts["forebay"] = costs.forebay.per_m3 * costs.forebay.seconds_held * flow
            parts["spillway"] = costs.spillway.coefficient * flow**costs.spillway.flow_exponent
        parts["penstock"] = penstock_m * penstock_per_m(costs.penstock, flow, head, energy.pipe_velocity_m_s)
        if screen:
            rack = costs.screen.design
            area_m2 = flow * (1 + rack.bypass_share) / rack.approach_velocity_m_s
            parts["screen"] = costs.screen.bypass_fixed + costs.screen.per_m2 * rack.cost_factor * area_m2
        rows.append(parts)
    frame = pd.DataFrame(rows, index=stretches.index).fillna(0.0)
    for name, values in place_costs(stretches, flow_mean, costs, settings.costs.connection).items():
        frame[name] = values
    frame["engineering"] = costs.engineering.share * frame.sum(axis=1)
    frame["contingency"] = costs.contingency.share * frame.sum(axis=1)
    rate, years = settings.costs.real_rate, costs.construction.duration_years
    # Spent evenly: the mean growth to commissioning, by many short steps.
    times = (np.arange(20_000) + 0.5) / 20_000 * years
    frame["construction_interest"] = (((1 + rate) ** times).mean() - 1) * frame.sum(axis=1)
    return frame
