"""How often the 90 % interval of a fitted equation holds a gauge that the fit has not seen, on the 671 gauges.

Each gauge is held out alone, and each neighbourhood of some five gauges as a whole. Everything is done again
without the gauges held out: the fit, and the widening of its interval, which is tried on neighbourhoods within the
rest. What is printed is thus what a stream without a gauge would meet.

    python tests/benchmarks/flow_holdout.py [SETTINGS.toml]
"""

import argparse
import time
from pathlib import Path

import numpy as np
import pandas as pd

from sitefinder.catalogue.equations import LN_10
from sitefinder.delivery.fitted_equations import read_fit_gauges
from sitefinder.errors import InputError
from sitefinder.hydrology.equations import apply_equation
from sitefinder.hydrology.regional_fit import fit_regions, neighbour_groups
from sitefinder.hydrology.regression import statistic_of
from sitefinder.io.settings_files import read_toml
from sitefinder.settings import Settings, check_fit_settings

SIZES = ([0, 100, 300, 1000, np.inf], ["under 100 km²", "100 to 300 km²", "300 to 1000 km²", "over 1000 km²"])
# Potential evaporation over precipitation.
ARIDITY = ([0, 0.65, 1.0, 1.5, np.inf], ["under 0.65", "0.65 to 1", "1 to 1.5", "over 1.5"])
MIN_IN_CLASS = 25
WAYS = ("gauge", "neighbourhood")


def held_out(settings, table, gauges, places, chosen=WAYS):
    """A row a gauge, statistic and way of holding out: whether the interval held it, and its width in log10."""
    columns = [column for column in gauges.columns if statistic_of(column)]
    # Held-out regions may fall under the least number; they are fitted all the same.
    inner = settings.model_copy(update={"min_gauges": 5})
    rows = []
    for region, own in gauges.groupby(settings.region_column, sort=False):
        if len(own) < settings.min_gauges:
            continue
        where = places[gauges.index.get_indexer(own.index)]
        ways = {"gauge": np.arange(len(own)), "neighbourhood": neighbour_groups(where, settings.group_size)}
        for way, group in [(name, group) for name in chosen for group in np.unique(ways[name])]:
            out = ways[way] == group
            try:
                fits = fit_regions(own[~out], where[~out], table=table, settings=inner)
            except InputError:
                continue
            rows += _judged(fits, own[out], columns, region, way)
    return pd.DataFrame(rows)


def _judged(fits, out, columns, region, way):
    by_statistic = {equation.statistic: equation for equation in fits.equations}
    rows = []
    for column in columns:
        equation = by_statistic.get(statistic_of(column))
        known = out[out[column] > 0]
        if equation is None or known.empty:
            continue
        plain = equation.model_copy(update={"interval_widening": 1.0})
        for name, used in (("widened", equation), ("plain", plain)):
            applied = apply_equation(used, known)
            truth = known[column].to_numpy()
            inside = (applied.low_m3s <= truth) & (truth <= applied.high_m3s)
            width = np.log(applied.high_m3s / applied.low_m3s) / LN_10
            rows += [
                {
                    "region": region,
                    "statistic": statistic_of(column),
                    "held_out": way,
                    "interval": name,
                    "gauge": gauge,
                    "inside": hit,
                    "width_log10": wide,
                }
                for gauge, hit, wide in zip(known.index, inside, width, strict=True)
            ]
    return rows


def table_by(rows, key):
    """Share inside [%] and mean width [log10] by class, statistic and way, widened and plain."""
    grouped = rows.groupby([key, "statistic", "held_out", "interval"], sort=True, observed=True)
    notes = grouped.agg(gauges=("inside", "size"), inside=("inside", "mean"), width=("width_log10", "mean"))
    notes["inside"] *= 100
    return notes.unstack("interval").pipe(
        lambda wide: pd.DataFrame(
            {
                "gauges": wide[("gauges", "widened")],
                "inside %": wide[("inside", "widened")].round(1),
                "width": wide[("width", "widened")].round(3),
                "inside % plain": wide[("inside", "plain")].round(1),
                "width plain": wide[("width", "plain")].round(3),
            }
        )
    )


def with_classes(rows, attributes):
    """The rows with the size and aridity class of each gauge."""
    notes = attributes.loc[rows["gauge"]]
    return rows.assign(
        size_class=pd.cut(notes["area_gages2"].to_numpy(), SIZES[0], labels=SIZES[1]),
        aridity_class=pd.cut(notes["aridity"].to_numpy(), ARIDITY[0], labels=ARIDITY[1]),
    )


def measured(config, ways=WAYS):
    """All rows with their classes, gauges held out in the ways that are named."""
    config = Path(config)
    settings, table, _ = check_fit_settings(read_toml(config), str(config), list(Settings.model_fields))
    gauges, places = read_fit_gauges(settings, table, config.parent)
    attributes = pd.read_csv(config.parent / table.path, dtype={"gauge_id": str}).set_index("gauge_id")
    return with_classes(held_out(settings, table, gauges, places, ways), attributes)


def main():
    here = Path(__file__).parents[1] / "real" / "us_gauges.toml"
    arguments = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    arguments.add_argument("config", nargs="?", default=here, help="settings of sitefinder fit-flows")
    began = time.perf_counter()
    rows = measured(arguments.parse_args().config)
    pd.set_option("display.width", 120)
    pooled = table_by(rows.assign(all="all"), "all")
    print("Intervals at gauges unseen; widths in log10 units; plain: without the widening\n")
    for title, notes in (
        ("Pooled", pooled),
        ("By region", table_by(rows, "region")),
        ("By size", table_by(rows, "size_class")),
        ("By aridity (potential evaporation over precipitation)", table_by(rows, "aridity_class")),
    ):
        print(f"{title}\n{notes.to_string()}\n")
    every = pd.concat([table_by(rows, key) for key in ("region", "size_class", "aridity_class")])
    enough = every[every["gauges"] >= MIN_IN_CLASS]
    worst = enough["inside %"].idxmin()
    print(f"worst class of {MIN_IN_CLASS} gauges or more: {', '.join(worst)}, {enough['inside %'].min():.1f} %")
    print(f"{time.perf_counter() - began:.0f} s")


if __name__ == "__main__":
    main()
