"""Capital of chosen plants part by part, in plain numpy: a second way to what the compiled search adds up."""

import numpy as np
import pandas as pd

from sitefinder.energy.costs import place_costs, turbine_cost
from sitefinder.energy.hydraulics import net_head_m
from sitefinder.energy.runners import settings_of_runners, tailwater_level_m


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
        ``turbine``, ``civil``, ``conduit``, ``screen``, ``weir``, ``pond``, ``fish_pass``, ``road``, ``line``,
        ``permits``, ``contingency``; their sum is the capital cost.
    """
    turbine, units = np.asarray(turbine, dtype=int), np.asarray(units, dtype=int)
    flow, power = np.asarray(flow_design_m3s, dtype=float), np.asarray(power_kw, dtype=float)
    conduit_m = stretches["conduit_length_m"].to_numpy(float)
    head = net_head_m(stretches["head_m"], conduit_m, settings.energy)
    laws = [turbines[number].cost for number in turbine]
    factor = np.array([turbines[number].civil_factor for number in turbine], dtype=float)
    factor *= settings_of_runners(turbines, head, tailwater_level_m(stretches))[0][
        np.arange(len(turbine)), turbine
    ]
    civil, conduit, screen = costs.civil, costs.conduit, costs.screen
    screen_cost = screen.bypass_fixed + screen.per_m2 * flow / screen.approach_velocity_m_s
    parts = {
        "turbine": np.array(
            [turbine_cost(*plant) for plant in zip(laws, power, head, units, strict=True)], dtype=float
        ),
        "civil": factor * civil.coefficient * flow**civil.flow_exponent * head**civil.head_exponent,
        "conduit": conduit.per_m * flow**conduit.flow_exponent * conduit_m,
        "screen": np.where(np.asarray(screened, dtype=bool), screen_cost, 0.0),
    }
    flow_mean = np.asarray(curve_m3s, dtype=float)[stretches["intake"].to_numpy()].mean(axis=1)
    parts |= place_costs(stretches, flow_mean, costs, settings.costs.connection)
    frame = pd.DataFrame(parts, index=stretches.index)
    frame["contingency"] = costs.contingency.share * frame.sum(axis=1)
    return frame
