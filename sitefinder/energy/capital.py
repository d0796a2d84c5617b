"""Capital of chosen plants part by part, for a table that a reader can add up."""

import numpy as np
import pandas as pd

from sitefinder import vocabulary
from sitefinder.energy.costs import (
    construction_interest_factor,
    place_costs,
    project_laws,
    screen_cost,
    turbine_cost,
)
from sitefinder.energy.hydraulics import net_head_m, waterway_lengths_m
from sitefinder.energy.runners import settings_of_runners, tailwater_level_m
from sitefinder.energy.works import (
    AREA_EXPONENT,
    PERIMETER_EXPONENT,
    canal_cost_per_m,
    conduit_works,
    penstock_cost_per_m,
    transformer_cost,
    works_numbers,
)
from sitefinder.vocabulary import names

CAPITAL_PARTS = names(vocabulary.CAPITAL_PARTS)


def capital_parts(plants, flow_mean_m3s, turbines, costs, settings):
    """Capital of plants, part by part.

    Parameters
    ----------
    plants : DataFrame, n rows
        Columns of stretches as `sitefinder.energy.valuation.value_stretches` takes them, and the plant that it
        gives: ``turbine`` (place in the list), ``units``, ``flow_design_m3s``, ``power_kw``, ``screened``; every
        row has a turbine.
    flow_mean_m3s : ndarray of float64, shape (n,)
        Mean natural flow at the intake [m³/s].
    turbines : list of TurbineClass
    costs : CostFile
    settings : sitefinder.settings.Settings

    Returns
    -------
    DataFrame, n rows, index of plants
        A column for each of `CAPITAL_PARTS`, in the cost file's currency. Their sum is the capital cost.
    """
    flow, power = (plants[name].to_numpy(float) for name in ("flow_design_m3s", "power_kw"))
    number, units = (plants[name].to_numpy(np.int64) for name in ("turbine", "units"))
    headrace_m, _ = waterway_lengths_m(plants, settings.energy)
    head = net_head_m(plants["head_m"], headrace_m, settings.energy)
    works = works_numbers(costs, settings)
    made = conduit_works(plants, head, costs, settings)
    canal_m = made.canal_m
    factor = np.array([turbines[each].civil_factor for each in number], dtype=float)
    factor *= settings_of_runners(turbines, head, tailwater_level_m(plants))[0][np.arange(len(number)), number]
    laws = project_laws(costs, plants["scheme_type"], head)
    spillway = works.spillway * flow**works.spillway_flow_exponent
    parts = dict.fromkeys(CAPITAL_PARTS, 0.0)
    if costs.project is None:
        own = [turbines[each].cost for each in number]
        parts["turbine"] = np.array(
            [turbine_cost(*plant) for plant in zip(own, power, head, units, strict=True)], dtype=float
        )
    else:
        parts["project"] = laws[:, 0] * power ** laws[:, 1] + laws[:, 2] * power ** laws[:, 3]
    parts |= {
        "powerhouse": factor
        * works.powerhouse
        * flow**works.powerhouse_flow_exponent
        * head**works.powerhouse_head_exponent,
        "intake": works.intake * flow**works.intake_flow_exponent,
        "canal": canal_cost_per_m(flow, works) * canal_m,
        "penstock": penstock_cost_per_m(flow, head, works) * made.penstock_m,
        "earthworks": made.bench * flow**AREA_EXPONENT + made.cut * flow**PERIMETER_EXPONENT + made.cut_fixed,
        "crossings": made.aqueduct * flow**PERIMETER_EXPONENT + made.crossings,
        "forebay": np.where(canal_m > 0, works.forebay_per_m3s * flow, 0.0),
        "spillway": np.where(canal_m > 0, spillway, 0.0),
        "transformer": transformer_cost(power, works),
        "screen": np.where(plants["screened"].to_numpy(bool), screen_cost(costs, flow), 0.0),
    }
    parts |= place_costs(plants, flow_mean_m3s, costs, settings.costs.connection)
    table = pd.DataFrame(parts, index=plants.index)[list(CAPITAL_PARTS)]
    sums = table.sum(axis=1)
    table["engineering"] = costs.engineering.share * sums
    table["contingency"] = costs.contingency.share * (sums + table["engineering"])
    sums = table.sum(axis=1)
    interest = construction_interest_factor(settings.costs.real_rate, costs.construction.duration_years)
    table["construction_interest"] = (interest - 1.0) * sums
    return table
