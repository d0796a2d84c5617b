"""Published plants and projects beside what the shipped turbines and costs make of their head and flow.

Prints tables as Markdown: capacity and energy by the functions of a run and by whole runs from a made DEM to the
tables, and whole-project costs. Figures, sources and what was read stand in tests/tools/published_plants.py.

    python tests/benchmarks/published_plants.py
"""

import sys
import tempfile
from pathlib import Path

import pandas as pd

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "tools"))

from published_plants import OSNEY_YEARS_MWH, PLANTS, plant_table, project_table, run_of

PLANT_HEADINGS = {
    "name": ("plant", "{}"),
    "head_m": ("head [m]", "{:.2f}"),
    "our_flow_m3s": ("design flow [m³/s]", "{:.2f}"),
    "power_kw": ("published [kW]", "{:,.0f}"),
    "our_power_kw": ("ours [kW]", "{:,.0f}"),
    "power_ratio": ("deviation", "{:+.0%}"),
    "energy_mwh": ("published [MWh/a]", "{:,.0f}"),
    "our_energy_mwh": ("ours [MWh/a]", "{:,.0f}"),
    "energy_ratio": ("deviation", "{:+.0%}"),
    "energy_with_losses_mwh": ("with 0.2 m lost [MWh/a]", "{:,.0f}"),
}
RUN_HEADINGS = {
    "name": ("whole run", "{}"),
    "head_m": ("head [m]", "{:.2f}"),
    "flow_mean_m3s": ("mean flow [m³/s]", "{:.1f}"),
    "turbine": ("turbine", "{}"),
    "power_kw": ("[kW]", "{:,.0f}"),
    "power_ratio": ("deviation from published", "{:+.0%}"),
    "energy_mwh": ("[MWh/a]", "{:,.0f}"),
    "energy_mwh_p90": ("P90 of a year", "{:,.0f}"),
    "energy_mwh_p10": ("P10 of a year", "{:,.0f}"),
    "energy_ratio": ("deviation from published", "{:+.0%}"),
}
PROJECT_HEADINGS = {
    "name": ("project", "{}"),
    "head_m": ("head [m]", "{:.1f}"),
    "power_kw": ("[kW]", "{:,.0f}"),
    "published": ("published", "{}"),
    "published_cost": ("published [EUR of 2024]", "{:,.0f}"),
    "our_cost": ("ours [EUR of 2024]", "{:,.0f}"),
    "ratio": ("ours / published", "{:.2f}"),
    "source": ("source", "{}"),
}


def run_table():
    """Sites of whole runs, a row for each plant whose flow and design flow are known."""
    rows = []
    for plant in PLANTS:
        if plant.flow is None or plant.flow_design_m3s is None:
            continue
        with tempfile.TemporaryDirectory() as folder:
            (site,) = run_of(plant, Path(folder)).sites.to_dict("records")
        ratios = {name: site[name] / getattr(plant, name) for name in ("power_kw", "energy_mwh")}
        rows.append(
            site | {"name": plant.name, "power_ratio": ratios["power_kw"], "energy_ratio": ratios["energy_mwh"]}
        )
    return pd.DataFrame(rows)


def markdown(table, headings):
    """A table in Markdown; ratios are shown as deviations where the heading says so."""
    lines = [[heading for heading, _ in headings.values()], ["---"] * len(headings)]
    for row in table.to_dict("records"):
        cells = []
        for name, (heading, form) in headings.items():
            value = row[name] - 1.0 if heading.startswith("deviation") else row[name]
            cells.append("–" if pd.isna(value) else form.format(value))
        lines.append(cells)
    return "\n".join(f"| {' | '.join(line)} |" for line in lines)


if __name__ == "__main__":
    plants, projects = plant_table(), project_table()
    print(markdown(plants, PLANT_HEADINGS), end="\n\n")
    power, energy = plants["power_ratio"], plants["energy_ratio"]
    print(f"Capacity, ours over published: mean {power.mean():.2f} of {power.count()} plants.")
    print(f"Energy, ours over published: median {energy.median():.2f} of {energy.count()} plants.")
    measured = ", ".join(f"{each:.0f}" for each in OSNEY_YEARS_MWH)
    print(f"Osney Lock, measured: mean {sum(OSNEY_YEARS_MWH) / 9:.0f} MWh a year ({measured}).", end="\n\n")
    print(markdown(run_table(), RUN_HEADINGS), end="\n\n")
    print(markdown(projects, PROJECT_HEADINGS))
    print(f"\nCost, ours over published: median {projects['ratio'].median():.2f} of {len(projects)} projects.\n")
    for row in plants.itertuples():
        print(f"- {row.name}: {row.source}. Flow: {row.flow_source}.")
