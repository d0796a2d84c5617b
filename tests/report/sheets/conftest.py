"""A made inventory to print: a straight valley with a stream, a few sites on it, and what stands around."""

from functools import cache

import geopandas
import numpy as np
import pandas as pd
import pytest
import shapely
from pyproj import Transformer

from sitefinder.report.handover import Handover
from sitefinder.schema import LAYERS, check_table, empty_table
from sitefinder.steps.terrain import Relief

CRS = "EPSG:32633"
WEST, NORTH = 500_000.0, 4_420_000.0
FALLBACK = {"text": "", "integer": 1, "real": 1.0, "boolean": False}


# Rows of a layer: what is given, and for the rest something that its declaration allows.
def table(name, rows, geometry=None):
    layer = LAYERS[name]
    if not rows:
        return without_rows(name).copy()
    filled = [
        {
            column.name: row.get(column.name, column.values[0] if column.values else FALLBACK[column.dtype])
            for column in layer.columns
        }
        for row in rows
    ]
    made = pd.DataFrame(filled)
    return made if geometry is None else geopandas.GeoDataFrame(made, geometry=geometry, crs=CRS)


# A handover has some fifty of these, which take a tenth of a second to make.
@cache
def without_rows(name):
    return empty_table(name, CRS) if LAYERS[name].geometry else empty_table(name)


def site_row(number, **given):
    into = Transformer.from_crs(CRS, "OGC:CRS84", always_xy=True)
    (intake_lon, lon), (intake_lat, lat) = into.transform(
        [WEST + 1000.0 * number, WEST + 1000.0 * number + 600.0], [NORTH - 2000.0] * 2
    )
    row = {
        "site_id": f"B1@{number}",
        "rank": number,
        "stream": "Ardelm",
        "district": "Vale",
        "scheme_type": "diversion",
        "verdict": "restricted",
        "reasons": "spawning; herons",
        "flags": "curve_extended; structure_in_use: mill",
        "head_m": 3.4567,
        "head_se_m": 0.2,
        "head_uncorrected_m": 3.5,
        "flow_mean_m3s": 1.2345,
        "flow_q95_m3s": 0.3210,
        "flow_design_m3s": 1.5678,
        "turbine": "crossflow turbine",
        "power_kw": 34.567,
        "energy_mwh": 123.456,
        "energy_mwh_p90": 98.7654,
        "energy_mwh_p50": 120.987,
        "energy_mwh_p10": 145.678,
        "capital_cost": 234_567.0,
        "specific_cost_per_kw": 6_785.9,
        "road_distance_m": 87.6,
        "road_bank": "left",
        "road_climb_m": -4.321,
        "lon": lon,
        "lat": lat,
        "intake_lon": intake_lon,
        "intake_lat": intake_lat,
        "reach_id": "B1@500",
    }
    return row | given


def bare_row(number, **given):
    """A site of which nothing is known that may be unknown."""
    unknown = {
        column.name: None if column.dtype == "text" else np.nan
        for column in LAYERS["sites"].columns
        if column.nullable and column.name not in ("lon", "lat", "intake_lon", "intake_lat")
    }
    return site_row(number) | unknown | {"flags": "", "reasons": "", "road_bank": "", "district": ""} | given


def handover(rows, *, bare=False, **given):
    """All that sheets are made of; with `bare` nothing beside sites and streams."""
    tailraces = [shapely.Point(WEST + 1000.0 * row["rank"] + 600.0, NORTH - 2000.0) for row in rows]
    lines = [
        shapely.LineString([(point.x - 600.0, point.y), (point.x - 300.0, point.y + 40.0), (point.x, point.y)])
        for point in tailraces
    ]
    stretches = [{"stretch_id": f"s{row['rank']}", "site_id": row["site_id"], "rank": row["rank"]} for row in rows]
    stream = shapely.LineString([(WEST + 100.0, NORTH - 2000.0), (WEST + 6900.0, NORTH - 2000.0)])
    side = shapely.LineString([(WEST + 1300.0, NORTH - 500.0), (WEST + 1300.0, NORTH - 2000.0)])
    reaches = [
        {"reach_id": "B1@500", "verdict": "restricted", "flow_mean_low_m3s": 0.8, "flow_mean_high_m3s": 2.3},
        {"reach_id": "B2@500", "verdict": "excluded"},
    ]
    hits = [
        {"reach_id": "B1@500", "rule": "spawning", "action": "fish_safe_only"},
        {"reach_id": "B1@500", "rule": "herons", "action": "no_new_barrier"},
    ]
    profile = [
        {
            "site_id": row["site_id"],
            "position": station + 1,
            "distance_m": 100.0 * station,
            "raw_m": 200.1 - station,
            "profile_m": 200.0 - station,
            "low_m": 199.5 - station,
            "high_m": 200.5 - station,
            "structure_id": "W1" if station == 4 else "",
            "structure_drop_m": 0.8 if station == 4 else np.nan,
            "mark": {2: "intake", 7: "tailrace"}.get(station, ""),
        }
        for row in rows
        for station in range(10)
    ]
    sources = [
        {"kind": "input", "name": "dem", "source": "the survey", "date": "2021-05-04", "licence": "CC0 1.0"},
        {
            "kind": "input",
            "name": "streams",
            "source": "not stated",
            "date": "not stated",
            "licence": "not stated",
        },
    ]
    tables = {name: table(name, []) for name in LAYERS}
    tables |= {
        "sites": table("sites", rows, tailraces),
        "stretches": table("stretches", stretches, lines),
        "reaches": table("reaches", reaches, [stream, side]),
        "rule_hits": table("rule_hits", hits),
        "provenance": table("provenance", sources),
    }
    context = {}
    if not bare:
        shares = (5.0, 10.0, 30.0, 50.0, 70.0, 90.0, 95.0, 99.0)
        flows = [
            {
                "site_id": row["site_id"],
                "exceedance_percent": share,
                "flow_m3s": 10.0 - share / 10.0,
                "environmental_flow_m3s": 0.5,
            }
            for row in rows
            for share in shares
        ]
        tables["flow_curves"] = table("flow_curves", flows)
        weir = shapely.Point(WEST + 1400.0, NORTH - 1990.0)
        tables["site_profiles"] = table("site_profiles", profile)
        step = shapely.Point(WEST + 1450.0, NORTH - 2000.0)
        weir_notes = {"use": "mill", "owner": "Hosk Mill", "condition": "fair", "drop_m": 1.24}
        found = [
            {"structure_id": "W1", "kind": "weir"} | weir_notes,
            {"structure_id": "step:B1@450", "kind": "step"},
        ]
        tables["structures"] = table("structures", found, [weir, step])
        area = shapely.MultiPolygon([shapely.box(WEST + 1100.0, NORTH - 2200.0, WEST + 1600.0, NORTH - 1800.0)])
        tables["rule_areas"] = table("rule_areas", [{"rule": "herons", "action": "no_new_barrier"}], [area])
        tables["districts"] = table(
            "districts", [{"district": "Vale", "sites": len(rows)}], [shapely.MultiPolygon()]
        )
        for name, notes, geometry in (
            ("roads", "Mill Lane", shapely.LineString([(WEST, NORTH - 2090.0), (WEST + 7000.0, NORTH - 2090.0)])),
            ("power_lines", "", shapely.LineString([(WEST, NORTH - 1000.0), (WEST + 7000.0, NORTH - 2500.0)])),
            ("settlements", "Hosk", shapely.Point(WEST + 1500.0, NORTH - 1900.0)),
            ("lakes", "Long Mere", shapely.box(WEST + 1200.0, NORTH - 2300.0, WEST + 1300.0, NORTH - 2200.0)),
            ("districts", "Vale", shapely.box(WEST, NORTH - 4000.0, WEST + 7000.0, NORTH)),
        ):
            context[name] = geopandas.GeoDataFrame({"name": [notes]}, geometry=[geometry], crs=CRS)
    shade = (np.add.outer(np.arange(40), np.arange(70)) % 256).astype(np.uint8)
    relief = Relief(shade, np.ones(shade.shape, dtype=bool), (WEST, NORTH - 4000.0, WEST + 7000.0, NORTH))
    made = {"title": "Vale of trials", "energy_p90_mwh": 1000.0, "energy_p10_mwh": 2000.0, "context": context}
    return Handover(crs=CRS, currency="EUR of 2024", tables=tables, relief=relief, **(made | given))


@pytest.fixture(scope="session")
def make_site():
    """A function that makes a row of ``sites`` from its rank and what is to be otherwise."""
    return site_row


@pytest.fixture(scope="session")
def make_bare_site():
    """The same of a site of which hardly anything is known."""
    return bare_row


@pytest.fixture(scope="session")
def make_handover():
    """A function that makes a handover from rows of ``sites``; its tables keep to their declaration."""

    def make(rows, **given):
        made = handover(rows, **given)
        for name in ("sites", "reaches", "site_profiles", "stretches"):
            check_table(made.tables[name], name)
        return made

    return make
