"""The JSON object of a run: the figures of its tables under the same names, and null for what is not known."""

import json

import geopandas
import numpy as np
import pandas as pd
import shapely

from sitefinder.report.figures import run_figures
from sitefinder.report.printed import printed_json


def handed_over(**changes):
    tables = {
        "totals": pd.DataFrame(
            {
                "scope": ["stream", "region"],
                "name": ["Alder Beck", ""],
                "length_m": [100.0, 350.0],
                "power_w": [7, 1500],
                "lcoe_per_kwh": [0.1, np.nan],
                "lcoe_per_kwh_p90": [0.2, np.inf],
            }
        ),
        "reaches": pd.DataFrame(
            {"verdict": ["open", "excluded", "open"], "length_m": [99.6, 150.2, 100.5], "flags": [""] * 3}
        ),
        "sites": geopandas.GeoDataFrame(
            {
                "site_id": [f'"{number}" <b>ä</b>' for number in range(6)],
                "rank": pd.array([6, 5, 4, 3, 2, 1], dtype="Int64"),
                "stream": [None] * 6,
                "fish_safe": [True] * 6,
                "units": pd.array([1, 2, 3, 4, 5, None], dtype="Int64"),
            },
            geometry=shapely.points(np.zeros((6, 2))),
        ),
        "minimum_heads": pd.DataFrame({"length_m": [100.0], "min_head_m": [0.25]}),
    }
    return tables | changes


def printed(tables, files=(), notes=()):
    """What a run of these tables prints."""
    about = {"title": "Alderdale", "version": "9", "crs": "EPSG:32633", "currency": "EUR of 2024"}
    return printed_json(run_figures(about, tables), files, notes)


def test_figures_come_under_the_names_of_their_columns():
    entries = json.loads(printed(handed_over(), ["out/sites.gpkg"], ["the store was full"]))

    assert [entries[name] for name in ("title", "version", "crs", "currency")] == [
        "Alderdale",
        "9",
        "EPSG:32633",
        "EUR of 2024",
    ]
    assert entries["totals"] == {
        "scope": "region", "name": "", "length_m": 350.0, "power_w": 1500, "lcoe_per_kwh": None,
        "lcoe_per_kwh_p90": None,
    }  # fmt: skip
    # Whole metres: 100 and 101, a half rounded up.
    assert entries["verdicts"] == [
        {"verdict": "open", "reaches": 2, "length_m": 201.0},
        {"verdict": "excluded", "reaches": 1, "length_m": 150.0},
    ]
    assert [site["rank"] for site in entries["sites"]] == [1, 2, 3, 4, 5]
    best = {"site_id": '"5" <b>ä</b>', "rank": 1, "stream": None, "fish_safe": True, "units": None}
    assert entries["sites"][0] == best
    assert entries["minimum_heads"] == [{"length_m": 100.0, "min_head_m": 0.25}]
    assert (entries["files"], entries["warnings"]) == (["out/sites.gpkg"], ["the store was full"])
    assert entries["caution"].startswith("Screening, not design.")


def test_a_surface_model_is_among_the_warnings():
    reaches = handed_over()["reaches"].assign(flags=["dem_surface_model", "", ""])

    entries = json.loads(printed(handed_over(reaches=reaches)))

    assert len(entries["warnings"]) == 1
    assert entries["warnings"][0].startswith("Warning: for 1 of 3 reaches the DEM is a surface model.")


def test_no_site_and_no_reach_are_reported_as_empty_lists():
    empty = {name: handed_over()[name].head(0) for name in ("sites", "reaches", "minimum_heads")}

    entries = json.loads(printed(handed_over(**empty)))

    assert [entries[name] for name in ("sites", "verdicts", "minimum_heads", "files", "warnings")] == [[]] * 5
