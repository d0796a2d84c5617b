"""Small hydropower beside solar: what the shipped turbines and costs make of weirs on streams of several sizes.

Prints a table as README shows it. Turbines are chosen and valued as in a run, by config/turbines/generic.toml and
config/costs/generic.toml alone; weir, flow duration curve and price are our own choice and stand below.

    python tests/benchmarks/small_turbine_and_solar.py
"""

from pathlib import Path

import numpy as np
import pandas as pd

from sitefinder.energy.solar_benchmark import lcoe_minus_solar_per_kwh, solar_firm_lcoe_per_kwh, solar_lcoe_per_kwh
from sitefinder.energy.valuation import value_stretches
from sitefinder.hydrology.duration_curve import BIN_EXCEEDANCE
from sitefinder.io.catalogue_files import read_costs, read_turbine_files
from sitefinder.settings import check_settings

CONFIG = Path(__file__).resolve().parents[2] / "config"
MEAN_FLOWS_M3S = (0.5, 1.0, 2.0, 5.0, 10.0)
# A tenth of the mean flow is left in the stream, and turbines are looked for that stand in the weir.
ENVIRONMENTAL_SHARE = 0.1
# An existing weir with a fish pass, near road and line.
WEIR = {
    "scheme_type": "at_barrier",
    "head_m": 2.7,
    "conduit_length_m": 0.0,
    "pond_length_m": 0.0,
    "weir_height_m": 0.0,
    "has_fish_pass": True,
    "road_distance_m": 50.0,
    "line_distance_m": 100.0,
}
SETTINGS = {
    "run": {"name": "weirs", "crs": "EPSG:32633", "output_folder": "out"},
    "inputs": {
        "dem": {"path": "dem.tif", "vertical_unit": "metre", "vertical_datum": "none", "error_rmse_m": 1.0}
    },
    "flows": {
        "equations": ["none.toml"],
        "environmental": [{"kind": "share_of_mean", "share": ENVIRONMENTAL_SHARE}],
    },
    "energy": {"turbines": ["generic.toml"]},
    "costs": {"file": "generic.toml", "price_per_kwh": 0.28},
}
HEADINGS = {
    "mean_flow_m3s": "mean flow [m³/s]",
    "turbine": "turbine",
    "power_kw": "power [kW]",
    "energy_mwh": "energy [MWh/a]",
    "lcoe": "LCOE",
    "solar": "solar",
    "solar_firm": "solar with storage, same hours",
    "difference": "LCOE difference",
}
DECIMALS = {
    "mean_flow_m3s": 1,
    "power_kw": 1,
    "energy_mwh": 0,
    "lcoe": 3,
    "solar": 3,
    "solar_firm": 3,
    "difference": 3,
}


def comparison(price_per_kwh=0.28):
    """One row a stream with the turbine of greatest net annual value, and the money of its costs.

    Parameters
    ----------
    price_per_kwh : float
        By which sizes are chosen.

    Returns
    -------
    DataFrame
        Columns as `HEADINGS`; costs of a kWh in the money of the cost file.
    str
        That money.
    """
    mapping = SETTINGS | {"costs": SETTINGS["costs"] | {"price_per_kwh": price_per_kwh}}
    settings = check_settings(mapping, "small_turbine_and_solar")
    costs = read_costs(CONFIG / "costs" / "generic.toml")
    turbines = read_turbine_files([CONFIG / "turbines" / "generic.toml"]).turbines
    mean = np.array(MEAN_FLOWS_M3S)
    # Flows exceed x with probability exp(-x / mean): a curve of middling steepness whose mean is known.
    curve = mean[:, None] * -np.log(BIN_EXCEEDANCE)
    left = np.minimum(curve, ENVIRONMENTAL_SHARE * mean[:, None])
    stretches = pd.DataFrame([WEIR] * len(mean)).assign(intake=np.arange(len(mean)))

    values = value_stretches(stretches, curve, left, turbines, costs, settings)

    chosen = [turbines[number] for number in values["any_turbine"]]
    lowest = [
        turbine.lowest_relative_flow * flow / units
        for turbine, flow, units in zip(chosen, values["any_flow_design_m3s"], values["any_units"], strict=True)
    ]
    running = (curve - left >= np.array(lowest)[:, None]).mean(axis=1) * settings.energy.availability
    rate = settings.costs.real_rate
    firm = solar_firm_lcoe_per_kwh(costs.solar, rate, running)
    table = pd.DataFrame(
        {
            "mean_flow_m3s": mean,
            "turbine": [turbine.name for turbine in chosen],
            "power_kw": values["any_power_kw"].to_numpy(),
            "energy_mwh": values["any_energy_mwh"].to_numpy(),
            "lcoe": values["any_lcoe_per_kwh"].to_numpy(),
            "solar": solar_lcoe_per_kwh(costs.solar, rate),
            "solar_firm": firm,
            "difference": lcoe_minus_solar_per_kwh(values["any_lcoe_per_kwh"].to_numpy(), firm),
        }
    )
    return table, f"{costs.currency} of {costs.year}"


def markdown(table, money):
    """The table as README shows it."""
    heads = [
        text if "[" in text or name == "turbine" else f"{text} [{money}/kWh]" for name, text in HEADINGS.items()
    ]
    lines = [heads, ["---"] * len(heads)]
    for _, row in table.iterrows():
        lines.append([f"{row[name]:.{DECIMALS[name]}f}" if name in DECIMALS else row[name] for name in HEADINGS])
    return "\n".join(f"| {' | '.join(line)} |" for line in lines)


if __name__ == "__main__":
    print(markdown(*comparison()))
