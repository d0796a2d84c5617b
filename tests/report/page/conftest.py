"""Made-up inventories of any size for the report page: tables as the schema declares them, without a run."""

from types import SimpleNamespace

import geopandas
import numpy as np
import pandas as pd
import pytest
import shapely

from sitefinder.report.handover import Handover
from sitefinder.schema import LAYERS

CRS = "EPSG:32633"
WEST, SOUTH, SIDE = 400_000.0, 4_400_000.0, 40_000.0
SEED = 20240501
# What no reader of the page may ever run.
EVIL, FORMULA = "<script>alert(1)</script>", "=cmd()"
# From right to left, and without a place to break.
ARABIC, LONG = "نهر الأردل", "n" * 200
TURBINES = tuple(f"class {number}" for number in range(1, 11))
SHARES, STATIONS, MONTHS = (5.0, 50.0, 95.0), 30, list(range(1, 13))


def rows_of(layer_name, rows, random, **given):
    """A table of some rows: what is given, and else seeded numbers in the declared range and empty texts."""
    columns = {}
    for column in LAYERS[layer_name].columns:
        if column.name in given:
            columns[column.name] = given[column.name]
        elif column.dtype == "text":
            columns[column.name] = [column.values[0] if column.values else ""] * rows
        elif column.dtype == "boolean":
            columns[column.name] = np.zeros(rows, dtype=bool)
        elif column.dtype == "integer":
            columns[column.name] = [int(column.minimum or 1)] * rows
        else:
            minimum, maximum = column.minimum or 0.0, 100.0 if column.maximum is None else column.maximum
            columns[column.name] = random.uniform(minimum, maximum, rows)
    return pd.DataFrame(columns)


def with_shapes(frame, shapes):
    return geopandas.GeoDataFrame(frame, geometry=list(shapes), crs=CRS)


def make_handover(sites=12, reaches=60, months=True, districts=True):
    """An inventory of this number of sites and reaches; site 1 is on a stream with an evil name."""
    random = np.random.default_rng(SEED)
    ids = [f"S{number:04d}/diversion" for number in range(1, sites + 1)]
    streams = [EVIL, FORMULA, "Åmsa", "", ARABIC, LONG]
    lines = [line(random) for _ in range(reaches)]
    verdicts = ["open", "restricted", "conditional", "unknown", "excluded"]
    table = {
        "reaches": with_shapes(
            rows_of(
                "reaches", reaches, random,
                reach_id=[f"R{number}" for number in range(reaches)],
                stream=[streams[number % len(streams)] for number in range(reaches)],
                length_m=random.uniform(300.0, 600.0, reaches),
                verdict=[verdicts[number % 5] for number in range(reaches)],
                rejection_reason=["above the cost limit" if number % 2 else "" for number in range(reaches)],
                flags=["karst" if number % 7 == 0 else "" for number in range(reaches)],
            ),
            lines,
        ),
    }  # fmt: skip
    spots = [shapely.Point(line.coords[-1]) for line in (lines * (sites // max(reaches, 1) + 1))[:sites]]
    energy = np.sort(random.uniform(50.0, 900.0, sites))[::-1]
    head = random.uniform(1.0, 10.0, sites)
    table["sites"] = with_shapes(
        rows_of(
            "sites", sites, random,
            site_id=ids,
            rank=list(range(1, sites + 1)),
            stream=[streams[number % len(streams)] for number in range(sites)],
            district=["Upper Side" if number % 2 else "Lower Side" for number in range(sites)],
            scheme_type=["diversion" if number % 3 else "new_weir" for number in range(sites)],
            verdict=[verdicts[number % 2] for number in range(sites)],
            head_m=head,
            turbine=[TURBINES[0]] * sites,
            power_kw=energy / 4.0,
            energy_mwh=energy, energy_mwh_p90=energy * 0.8, energy_mwh_p50=energy, energy_mwh_p10=energy * 1.2,
            lcoe_per_kwh=np.linspace(0.1, 0.3, sites),
            lcoe_per_kwh_p90=np.linspace(0.15, 0.45, sites), lcoe_per_kwh_p10=np.linspace(0.08, 0.2, sites),
            solar_lcoe_per_kwh=np.full(sites, 0.07),
            solar_firm_lcoe_per_kwh=np.full(sites, np.nan),
            fish_safe=[number % 2 == 0 for number in range(sites)],
            flags=["karst" if number == 0 else "" for number in range(sites)],
        ),
        spots,
    )  # fmt: skip
    table["stretches"] = with_shapes(
        rows_of("stretches", sites, random, stretch_id=ids, site_id=ids, rank=list(range(1, sites + 1))),
        [(lines * (sites // max(reaches, 1) + 1))[number] for number in range(sites)],
    )
    table |= of_sites(ids, head, months, random)
    table |= of_region(table, districts, random)
    for name in set(LAYERS) - set(table):
        table[name] = rows_of(name, 0, random)
    rows, columns = 400, 500
    shade = (128 + 100 * np.sin(np.add.outer(np.arange(rows) / 9.0, np.arange(columns) / 7.0))).astype(np.uint8)
    known = np.ones((rows, columns), dtype=bool)
    known[:20] = False
    relief = SimpleNamespace(shade=shade, known=known, bounds_m=(WEST, SOUTH, WEST + SIDE, SOUTH + SIDE))
    places = with_shapes(pd.DataFrame({"name": [EVIL, "Hosk"]}), [shapely.Point(WEST + 9e3, SOUTH + 9e3)] * 2)
    gauge = with_shapes(pd.DataFrame({"name": ["G7"]}), [shapely.Point(WEST + 20e3, SOUTH + 20e3)])
    context = {"settlements": places, "gauges": gauge}
    total = float(energy.sum())
    return Handover(
        "Made-up & tested",
        CRS,
        "EUR of 2024",
        table,
        0.85 * total,
        1.15 * total,
        relief,
        context,
        version="0",
        files=("sites.gpkg", "field-sheets.pdf", "sites.csv", "sites.gpx"),
        sheets=3,
    )


def line(random):
    """A winding line of 40 points inside the region."""
    start = np.array([WEST, SOUTH]) + random.uniform(0.1, 0.9, 2) * SIDE
    steps = np.cumsum(random.normal(25.0, 25.0, (40, 2)), axis=0)
    return shapely.LineString(start + steps)


def of_sites(ids, head, months, random):
    """Profiles, curves, turbines and months of the sites."""
    sites = len(ids)
    profile = np.linspace(100.0, 90.0, STATIONS)
    marks = ["" for _ in range(STATIONS)]
    marks[8], marks[20] = "intake", "tailrace"
    refused = [number == 5 for number in range(STATIONS)]
    of_months = {
        "site_id": np.repeat(ids, 12),
        "month": MONTHS * sites,
        "is_closed": [m == 10 for m in MONTHS] * sites,
    }
    of_months = of_months if months else {}
    return {
        "site_profiles": rows_of(
            "site_profiles", sites * STATIONS, random,
            site_id=np.repeat(ids, STATIONS),
            position=list(range(1, STATIONS + 1)) * sites,
            distance_m=np.tile(np.arange(STATIONS) * 50.0, sites),
            raw_m=np.tile(profile + 0.2, sites), profile_m=np.tile(profile, sites),
            low_m=np.tile(profile - 0.5, sites), high_m=np.tile(profile + 0.5, sites),
            is_refused=refused * sites, mark=marks * sites,
        ),
        "flow_curves": rows_of(
            "flow_curves", sites * len(SHARES), random,
            site_id=np.repeat(ids, len(SHARES)),
            exceedance_percent=np.tile(SHARES, sites),
            # The last one is dry, which a logarithmic axis cannot show.
            flow_m3s=np.tile([4.0, 1.0, 0.0], sites), environmental_flow_m3s=np.tile([0.2, 0.2, 0.0], sites),
        ),
        "turbine_options": rows_of(
            "turbine_options", sites * len(TURBINES), random,
            site_id=np.repeat(ids, len(TURBINES)), turbine=list(TURBINES) * sites,
            is_best_size=[True] * (sites * len(TURBINES)),
            chosen=[name == TURBINES[0] for name in TURBINES] * sites,
        ),
        "site_months": rows_of(
            "site_months", sites * 12 if months else 0, random,
            **of_months,
        ),
    }  # fmt: skip


def of_region(table, districts, random):
    """Totals and steps of the region; those of districts are made up too and agree with nothing."""
    sites, names = table["sites"], ["Lower Side", "Upper Side"] if districts else []
    shapes = [shapely.box(WEST, SOUTH + at * SIDE / 2, WEST + SIDE, SOUTH + (at + 1) * SIDE / 2) for at in (0, 1)]
    made = {
        "districts": with_shapes(rows_of("districts", len(names), random, district=names), shapes[: len(names)]),
        "screening_cascade": rows_of(
            "screening_cascade", 3, random,
            scope=["region"] * 3, way=["in order"] * 3, step=[0, 1, 2], kind=["everything", "rule", "open"],
            rule=["", EVIL, ""], action=["", "exclude", ""],
            affected_reaches=[9, 4, 5], excluded_km=[0.0, 6.0, 0.0],
            excluded_mw=[0.0, 1.5, 0.0], remaining_mw=[4.0, 2.5, 2.5],
        ),
        "rule_areas": with_shapes(
            rows_of(
                "rule_areas", 2, random,
                rule=[EVIL, "meadow"], action=["exclude", "no_diversion"], feature_id=["F1", "F2"],
            ),
            [shapely.MultiPolygon([shapely.Point(WEST + at, SOUTH + at).buffer(6e3)]) for at in (12e3, 30e3)],
        ),
        "sites_by_price": rows_of(
            "sites_by_price", 2, random, price_factor=[0.5, 1.0], price_per_kwh=[0.11, 0.22]
        ),
        "fish_totals": rows_of(
            "fish_totals", 2, random,
            fish_group=["eel"] * 2, state=["today", "sites"], direction=["down"] * 2,
            ground_survival=[0.8, 0.6],
        ),
        "provenance": rows_of(
            "provenance", 3, random,
            kind=["input", "setting", "stage"], name=["dem", "ranking.rank_by", "flows"],
            value=["dem.tif", "net_value", "1"], licence=["CC0 1.0", None, None], date=["2021", None, None],
        ),
        "supply_curve": pd.DataFrame(
            {
                "position": range(1, len(sites) + 1), "site_id": sites["site_id"],
                "lcoe_per_kwh": sites["lcoe_per_kwh"], "energy_mwh": sites["energy_mwh"],
                "energy_sum_mwh": sites["energy_mwh"].cumsum(),
            }
        ),
        "distributions": pd.DataFrame(
            {
                "quantity": ["head_m"] * 2, "of": ["reaches"] * 2, "bin": [1, 2], "from_value": [0.0, 2.0],
                "to_value": [2.0, 5.0], "number": [3, 4], "length_m": [1500.0, 2000.0],
            }
        ),
    }  # fmt: skip
    names = [("district", name) for name in names] + [("stream", EVIL), ("stream", "")]
    made["totals"] = pd.DataFrame(
        [
            {
                "scope": scope, "name": name, "reaches": 3, "length_m": 1500.0, "open_m": 900.0, "excluded_m": 1.0,
                "theoretical_w": 12_345, "depleted_m": 800.0, "new_barriers": 1, "sites": 2,
                "power_w": 6_789, "energy_wh": 1_234_567_890,
                "energy_mwh_p90": 900.0, "energy_mwh_p50": 1200.0, "energy_mwh_p10": 1500.0,
                "lcoe_per_kwh": 0.2, "lcoe_per_kwh_p90": 0.3, "lcoe_per_kwh_p10": 0.1,
            }
            for scope, name in names
        ]
    )  # fmt: skip
    return made


@pytest.fixture(scope="session")
def made():
    """The function that makes an inventory."""
    return make_handover
