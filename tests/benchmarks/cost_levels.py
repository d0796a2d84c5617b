"""How near the generic costs come to published laws of whole plants, part by part and over power and head.

Run as ``python tests/benchmarks/cost_levels.py``. A plant of each power and head, at an existing weir and as a
diversion with a headrace of 60 m for each metre of head, goes through the search of the main job with each cost
file; a steady flow gives it that power. Each file adds to its law what it says that the law leaves out, so plants
have a fish pass already, a road beside them and 100 m of line, and no fish screen; interest during construction is
in all of them. The ratio is capital by the generic file over capital by the other one.
"""

import sys
from pathlib import Path

import numpy as np
import pandas as pd

from sitefinder.catalogue.costs import to_common_currency
from sitefinder.energy.capital import CAPITAL_PARTS, capital_parts
from sitefinder.energy.costs import is_cost_extrapolated
from sitefinder.energy.hydraulics import net_head_m
from sitefinder.energy.valuation import value_stretches
from sitefinder.io.catalogue_files import read_costs, read_turbine_files
from sitefinder.settings import check_settings

REPOSITORY = Path(__file__).resolve().parents[2]
POWERS_KW = (10.0, 30.0, 100.0, 300.0, 1000.0)
HEADS_M = (2.5, 4.0, 6.0, 10.0)
SCHEMES = {"at_barrier": 0.0, "diversion": 60.0}
LAWS = ("aggidis-2010", "oconnor-2015", "hall-2003")
# Water to terminals, to find a flow for a power; what comes out is the power that is used.
EFFICIENCY = 0.75
# Published split of the capital of small plants: electro-mechanical 30 to 40 %.
PARTS = {
    "turbine": ("turbine",),
    "powerhouse, intake": ("powerhouse", "intake"),
    "weir": ("intake_weir", "weir", "pond"),
    "headrace": ("canal", "forebay", "spillway", "penstock"),
    "electrical, line": ("transformer", "line"),
    "land, permits": ("land", "permits", "road", "fish_pass", "screen"),
    "on top": ("engineering", "contingency", "construction_interest"),
}


def made_settings():
    """Settings that leave everything at its default."""
    dem = {"path": "dem.tif", "vertical_unit": "metre", "vertical_datum": "any", "error_rmse_m": 1.0}
    return check_settings(
        {
            "run": {"name": "plants", "crs": "EPSG:32633", "output_folder": "out"},
            "inputs": {"dem": dem},
            "flows": {"equations": ["equations.toml"], "environmental": [{"kind": "share_of_mean", "share": 0.1}]},
            "energy": {"turbines": ["turbines.toml"]},
            "costs": {"file": "costs.toml", "price_per_kwh": 0.28},
        },
        "benchmark",
    )


def made_plants(settings):
    """Stretches of every scheme, power and head, each with a station of its own, and the flow there."""
    rows, flows = [], []
    energy = settings.energy
    for scheme, metres in SCHEMES.items():
        for head in HEADS_M:
            conduit_m = metres * head
            for power in POWERS_KW:
                # Net head as the grid states it.
                gross = head + energy.rack_and_gate_loss_m + energy.exit_loss_m + energy.canal_slope * conduit_m
                rows.append(
                    {
                        "intake": len(rows),
                        "scheme_type": scheme,
                        "head_m": gross,
                        "conduit_length_m": conduit_m,
                        "pond_length_m": 0.0,
                        "weir_height_m": 0.0,
                        "has_fish_pass": True,
                        "road_distance_m": 0.0,
                        "line_distance_m": 100.0,
                        "power": power,
                        "head": head,
                    }
                )
                flows.append(power / (9.80665 * head * EFFICIENCY))
    return pd.DataFrame(rows), np.repeat(np.array(flows)[:, None], 20, axis=1)


def ratios():
    """Generic capital over that of each law for every plant, and the parts of the generic capital.

    Returns
    -------
    DataFrame
        ``scheme_type``, ``power``, ``head``, ``turbine_name``, ``specific`` (generic capital per kW), and for each
        law its ratio and ``outside …``, whether power or head is outside its range.
    DataFrame
        Shares of the generic capital by part.
    """
    settings = made_settings()
    plants, flows = made_plants(settings)
    nothing = np.zeros_like(flows)
    read = read_turbine_files([REPOSITORY / "config" / "turbines" / "generic.toml"]).turbines
    folder = REPOSITORY / "config" / "costs"

    def valued(name):
        turbines, costs, _ = to_common_currency(read, read_costs(folder / f"{name}.toml"))
        return turbines, costs, value_stretches(plants, flows, nothing, turbines, costs, settings)

    turbines, costs, best = valued("generic")
    own = best[[name for name in best if name.startswith("any_")]].rename(columns=lambda name: name[4:])
    chosen = pd.concat([plants, own], axis=1)
    parts = capital_parts(chosen, flows.mean(axis=1), turbines, costs, settings)
    np.testing.assert_allclose(parts.sum(axis=1), chosen["capital_cost"], rtol=1e-9)
    table = chosen[["scheme_type", "power", "head"]].assign(
        turbine_name=[turbines[number].name for number in chosen["turbine"]],
        specific=chosen["capital_cost"] / chosen["power_kw"],
    )
    head_m = net_head_m(plants["head_m"], plants["conduit_length_m"], settings.energy)
    for name in LAWS:
        same_money, law_costs, _ = valued(name)
        # The same plants by the other file.
        by_law = capital_parts(chosen, flows.mean(axis=1), same_money, law_costs, settings).sum(axis=1)
        table[name] = chosen["capital_cost"] / by_law
        outside = is_cost_extrapolated(
            law_costs, same_money[0], plants["scheme_type"], chosen["power_kw"], head_m, chosen["units"]
        )
        table[f"outside {name}"] = outside
    shares = parts[list(CAPITAL_PARTS)].div(parts.sum(axis=1), axis=0)
    grouped = pd.DataFrame({name: shares[list(own)].sum(axis=1) for name, own in PARTS.items()})
    return table, grouped


def main():
    """Print the ratios, their medians, and the split of the generic capital."""
    table, shares = ratios()
    print("generic capital over that of a published law; * outside the law's range of power or head")
    print(f"{'scheme':11}{'kW':>6}{'head m':>8}{'EUR/kW':>9}" + "".join(f"{name:>15}" for name in LAWS))
    for row in table.to_dict("records"):
        cells = [f"{row[name]:.2f}{'*' if row[f'outside {name}'] else ' '}" for name in LAWS]
        print(
            f"{row['scheme_type']:11}{row['power']:6.0f}{row['head']:8.1f}{row['specific']:9,.0f}"
            + "".join(f"{cell:>15}" for cell in cells)
            + f"  {row['turbine_name']}"
        )
    values = table[list(LAWS)].to_numpy()
    print("\nmedian (lowest, highest)")
    for scheme in (*SCHEMES, "all"):
        rows = np.ones(len(table), dtype=bool) if scheme == "all" else (table["scheme_type"] == scheme).to_numpy()
        for number, name in enumerate(LAWS):
            own = values[rows, number]
            print(f"{scheme:11}{name:15}{np.median(own):6.2f} ({own.min():.2f}, {own.max():.2f})")
    inside = ~table[[f"outside {name}" for name in LAWS]].to_numpy()
    print(
        f"all plants and laws: {np.median(values):.2f}; inside the laws' ranges: {np.median(values[inside]):.2f}"
    )
    # The laws among themselves: what one says over what another says, for the same plant.
    for first, second in ((0, 1), (0, 2), (1, 2)):
        between = values[:, second] / values[:, first]
        print(
            f"{LAWS[first]} over {LAWS[second]}: median {np.median(between):.2f} "
            f"({between.min():.2f} to {between.max():.2f})"
        )
    print("\nshare of the generic capital, median [%]")
    for scheme in SCHEMES:
        own = shares[(table["scheme_type"] == scheme).to_numpy()]
        print(f"{scheme:11}" + ", ".join(f"{name} {100 * own[name].median():.0f}" for name in shares))


if __name__ == "__main__":
    sys.exit(main())
