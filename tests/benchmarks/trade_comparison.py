"""5 kW of hydropower and of solar: the arithmetic of the trade, and the full comparison beside it, as a table.

Prints what README shows. The figures of the trade are common practice without a source; all others stand in
config/machines/generic.toml and config/costs/generic.toml, each with its source.
"""

from pathlib import Path

import pandas as pd

from sitefinder.config import check_settings
from sitefinder.io.power_files import read_costs, read_machines
from sitefinder.power.comparison import TradeFigures, cost_steps, solar_cost_steps

CONFIG = Path(__file__).resolve().parents[2] / "config"
CLASSES = {"rolling-body": "rolling-body bladeless machine", "vortex": "gravitation water vortex"}
# An existing weir that has a fish pass: 2.5 m of net head after rack, gate and exit losses. Our own choice.
PLACE = {
    "intake": 0,
    "layout": "at_barrier",
    "head_m": 2.7,
    "conduit_length_m": 0.0,
    "pond_length_m": 0.0,
    "weir_height_m": 0.0,
    "has_fish_pass": True,
    "road_distance_m": 50.0,
    "line_distance_m": 100.0,
}
SETTINGS = {
    "run": {"name": "5 kW", "crs": "EPSG:32633", "output_folder": "out"},
    "inputs": {
        "dem": {"path": "dem.tif", "vertical_unit": "metre", "vertical_datum": "none", "error_rmse_m": 1.0}
    },
    "flows": {"equations": ["none.toml"], "reserve": [{"kind": "share_of_mean", "share": 0.1}]},
    "energy": {"machines": ["generic.toml"]},
    "costs": {"file": "generic.toml", "price_per_kwh": 0.28},
}


def comparison():
    """The steps as rows, machines and solar as columns; and the words for each row."""
    settings, trade = check_settings(SETTINGS, "trade_comparison"), TradeFigures()
    costs = read_costs(CONFIG / "costs" / "generic.toml")
    by_name = {machine.name: machine for machine in read_machines([CONFIG / "machines" / "generic.toml"])}
    place = pd.DataFrame([PLACE])
    table = pd.DataFrame(
        {short: cost_steps(by_name[name], place, costs, settings, trade) for short, name in CLASSES.items()}
    )
    # The trade gives no price of a vortex.
    table.loc[["trade", "lifetime", "interest"], "vortex"] = float("nan")
    # The plant gives by day and night, whenever it is ready.
    table = table.reindex([*table.index, "same hours"])
    table["solar"] = solar_cost_steps(costs, settings, trade, settings.energy.availability)
    table.loc["same hours", list(CLASSES)] = table.loc["operation", list(CLASSES)]
    money = settings.costs
    words = {
        "trade": f"machines alone, {trade.years_at_full_power:.2f} years of full power: the trade's arithmetic",
        "lifetime": f"over {money.lifetime_years:.0f} years, solar {costs.solar.lifetime_years:.0f}, no interest",
        "interest": f"with {100 * money.real_rate:.0f} % real interest",
        "own machine": "the machine by its cost law; solar installed",
        "civil works": "and civil works",
        "place": "and road, line, permits, contingency",
        "operation": "and operation and overhaul: the full cost",
        "same hours": f"solar with storage for {100 * settings.energy.availability:.0f} % of the hours",
    }
    return table.loc[list(words)], words, f"{costs.currency} of {costs.year}"


def markdown(table, words, money):
    """The table as README shows it."""
    head = [f"a kWh of 5 kW costs [{money}]", *table.columns]
    lines = [head, ["---"] * len(head)]
    for step, row in table.iterrows():
        lines.append([words[step], *("" if value != value else f"{value:.3f}" for value in row)])
    return "\n".join(f"| {' | '.join(line)} |" for line in lines)


if __name__ == "__main__":
    print(markdown(*comparison()))
