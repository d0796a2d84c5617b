"""The whole run on the sample region: the same bytes however it is run, and a file that others can open.

What a GeoPackage must hold is that of the Open Geospatial Consortium, "OGC GeoPackage Encoding Standard", version
1.3.0, OGC 12-128r17, 2021 (tables gpkg_contents, gpkg_geometry_columns and the rtree extension; from memory).
"""

import contextlib
import json
import shutil
import sqlite3
import subprocess

import geopandas
import pandas as pd
import pyogrio
import pytest

from sitefinder.preparation import STORE

# Layers and key columns that the design promises (design, section 5), typed in here and not read from the schema.
GEOMETRY = {
    "sites": "Point",
    "stretches": "LineString",
    "conduits": "LineString",
    "reaches": "LineString",
    "catchments": "MultiPolygon",
    "structures": "Point",
    "stretch_structures": "Point",
    "drops": "Point",
    "fish_passage": "Point",
    "districts": "MultiPolygon",
    "rule_areas": "MultiPolygon",
    "rule_hits": None,
    "turbine_options": None,
    "site_costs": None,
    "flow_curves": None,
    "site_simulations": None,
    "site_months": None,
    "site_profiles": None,
    "ranking_criteria": None,
    "ranking_sensitivity": None,
    "fish_safe_gain": None,
    "fish_groups": None,
    "fish_totals": None,
    "fish_sites": None,
    "fish_reaches": None,
    "fish_assumptions": None,
    "hydrokinetic": None,
    "depleted_reaches": None,
    "site_land": None,
    "site_water_rights": None,
    "substations": None,
    "streams": None,
    "water_bodies": None,
    "cumulative_limits": None,
    "screening_cascade": None,
    "reach_districts": None,
    "reach_features": None,
    "totals": None,
    "decisions": None,
    "observations": None,
    "supply_curve": None,
    "sites_by_price": None,
    "distributions": None,
    "flow_equations": None,
    "minimum_heads": None,
    "provenance": None,
    "repairs": None,
    "columns": None,
}
# Numbers whose unit is not that of a column: of the figure ranked by, and of each assumption by its name.
UNIT_BY_ROW = {("sites", "score")} | {
    ("fish_assumptions", column) for column in ("assumed", "likely_low", "likely_high")
}
# fmt: off
SITE_COLUMNS = [
    "site_id", "rank", "score", "stream", "district", "scheme_type", "verdict", "reasons", "flags", "head_m",
    "head_se_m", "area_km2", "flow_mean_m3s", "flow_q95_m3s", "flow_design_m3s", "environmental_flow_m3s",
    "turbine", "power_kw", "energy_mwh", "energy_mwh_p90", "energy_mwh_p10", "capacity_factor", "firm_power_kw",
    "capital_cost", "lcoe_per_kwh", "solar_lcoe_per_kwh", "road_distance_m", "line_distance_m", "length_m",
    "conduit_length_m", "pond_length_m", "lon", "lat", "intake_lon", "intake_lat", "prob_in_top_n", "mark_exclude",
    "mark_conditional", "mark_fish_safe_only", "mark_no_diversion", "mark_no_new_barrier", "mark_note",
]
REACH_COLUMNS = [
    "reach_id", "stream", "order_strahler", "length_m", "head_m", "head_se_m", "slope", "area_km2",
    "flow_mean_m3s", "flow_q95_m3s", "flow_mean_low_m3s", "flow_mean_high_m3s", "power_density_kw_per_km",
    "verdict", "reasons", "only_reason", "rejection_reason", "flags",
]
# fmt: on


def test_another_process_in_another_folder_with_other_tiles_and_workers_gives_the_same_bytes(
    sample_run, other_run
):
    delivered = other_run.delivered

    for file in sample_run.delivered.files:
        assert (delivered.parent / file.name).read_bytes() == file.read_bytes(), file.name
    # The run that it is compared with was one tile and one worker; see also tests/real/test_tiles.py.
    ours, other = (
        json.loads((store / "runs" / "000001.json").read_text(encoding="utf-8"))
        for store in (sample_run.store, delivered.parent / STORE)
    )
    assert (ours["tiles"], ours["workers"], other["workers"]) == (1, 1, 2)
    assert other["tiles"] > 1


def test_all_layers_are_there_with_the_promised_geometry(sample_run):
    path = sample_run.delivered.path

    listed = {name: kind for name, kind in pyogrio.list_layers(path)}

    assert {name: listed.get(name) for name in GEOMETRY} == GEOMETRY
    assert set(listed) == {*GEOMETRY, "layer_styles"}


@pytest.mark.parametrize(("layer", "columns"), [("sites", SITE_COLUMNS), ("reaches", REACH_COLUMNS)])
def test_the_promised_columns_are_there(sample_run, layer, columns):
    found = set(pyogrio.read_info(sample_run.delivered.path, layer=layer)["fields"])

    assert sorted(set(columns) - found) == []


def test_every_column_has_a_meaning_and_every_number_a_unit(sample_run):
    path = sample_run.delivered.path
    notes = pyogrio.read_dataframe(path, layer="columns").set_index(["layer", "column"])

    for layer in GEOMETRY:
        info = pyogrio.read_info(path, layer=layer)
        for column, dtype in zip(info["fields"], info["dtypes"], strict=True):
            assert notes.loc[(layer, column), "meaning"]
            if dtype == "float64" and (layer, column) not in UNIT_BY_ROW:
                assert notes.loc[(layer, column), "unit"], f"{layer}.{column} has no unit"


@pytest.mark.parametrize("layer", [name for name, kind in GEOMETRY.items() if kind])
def test_layers_with_geometry_have_their_system_and_a_whole_spatial_index(sample_run, layer):
    with contextlib.closing(sqlite3.connect(sample_run.delivered.path)) as database:
        srs = database.execute(
            "SELECT organization, organization_coordsys_id FROM gpkg_geometry_columns JOIN gpkg_spatial_ref_sys "
            "USING (srs_id) WHERE table_name = ?",
            [layer],
        ).fetchall()
        extension = database.execute(
            "SELECT column_name FROM gpkg_extensions WHERE extension_name = 'gpkg_rtree_index' AND table_name = ?",
            [layer],
        ).fetchall()
        indexed = database.execute(f"SELECT count(*) FROM rtree_{layer}_geom").fetchone()
        drawn = database.execute(f"SELECT count(*) FROM {layer} WHERE geom IS NOT NULL").fetchone()

    assert srs == [("EPSG", 32633)]
    assert extension == [("geom",)]
    assert indexed == drawn
    assert drawn[0] > 0


def test_the_file_is_whole_and_of_version_1_3(sample_run):
    with contextlib.closing(sqlite3.connect(sample_run.delivered.path)) as database:
        notes = [database.execute(f"PRAGMA {name}").fetchone()[0] for name in ("application_id", "user_version")]
        state = database.execute("PRAGMA integrity_check").fetchone()[0]

    assert notes == [int.from_bytes(b"GPKG", "big"), 10300]
    assert state == "ok"


@pytest.mark.parametrize("layer", GEOMETRY)
def test_geopandas_and_pyogrio_read_what_the_run_held(sample_run, layer):
    path = sample_run.delivered.path

    by_geopandas = geopandas.read_file(path, layer=layer)
    by_pyogrio = pyogrio.read_dataframe(path, layer=layer)

    assert len(by_geopandas) == len(by_pyogrio)
    if GEOMETRY[layer]:
        assert by_geopandas.crs == "EPSG:32633"
    if layer != "columns":
        held = sample_run.delivered.tables[layer]
        assert len(by_pyogrio) == len(held)
        numbers = held.select_dtypes("float64").columns
        pd.testing.assert_frame_equal(by_pyogrio[numbers], held[numbers].reset_index(drop=True))


def test_ogrinfo_opens_the_file(sample_run):
    program = shutil.which("ogrinfo")
    if program is None:
        pytest.skip("ogrinfo (GDAL's own tools) is not installed")

    done = subprocess.run(
        [program, "-so", "-al", sample_run.delivered.path], capture_output=True, text=True, check=False
    )

    assert done.returncode == 0, done.stderr
    assert done.stderr == ""
    assert "Layer name: sites" in done.stdout


def test_all_that_a_run_delivers_and_nothing_else_is_there(sample_run):
    left = sorted(path.name for path in sample_run.folder.iterdir() if path.name != ".sitefinder-delivery")

    assert left == sorted(path.name for path in sample_run.delivered.files)
    printed, tables = ["district-map.pdf", "field-sheets.pdf"], ["reaches.csv", "sites.csv", "totals.csv"]
    tables += ["field-observations.csv"]
    assert left == sorted([*printed, *tables, "report.html", "sites.gpkg", "sites.gpx", "sites.qgs"])


def test_provenance_names_each_input_with_its_digest_and_no_folder_of_this_computer(sample_run):
    table = pyogrio.read_dataframe(sample_run.delivered.path, layer="provenance")

    inputs = table[table["kind"] == "input"]
    assert {"dem", "streams", "precipitation_mm"} <= set(inputs["name"])
    assert inputs["digest"].str.fullmatch("[0-9a-f]{64}").all()
    text = table.astype(str).to_csv()
    assert str(sample_run.settings.parent.parent) not in text
    assert "tile_rows" not in text
