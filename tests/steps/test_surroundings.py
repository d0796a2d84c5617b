"""What optional layers say of the sites of a small run: who owns the ground, which water rights are there."""

import math
from types import SimpleNamespace

import geopandas
import numpy as np
import pandas as pd
import pytest
import shapely
import small_valley
from partial_run import tables_of

from sitefinder.delivery.surroundings import find_site_land, grid_of_sites, owners_of_sites
from sitefinder.settings import GridSettings
from sitefinder.steps.conduits import Ways

WEST, MIDDLE = 500_000.0, 5_000_000.0 - 55.0
OWNER = "Anna Beispiel"
SETTINGS = """
[inputs.parcels]
path = "around.gpkg"
layer = "parcels"
id_column = "id"
owner_column = "holder"
owner_classes = { STATE = "public", "Anna Beispiel" = "private" }
within_m = 3.0

[inputs.abstractions]
path = "rights.csv"
crs = "EPSG:32633"
id_column = "id"
kind_column = "use"
kinds = { irrigation = "abstraction", mill = "abstraction" }
flow_column = "litres"
flow_unit = "l_per_s"
licence_column = "file"
seniority_column = "since"
return_x_column = "back_x"
return_y_column = "back_y"
return_share = 0.5
downstream_m = 100.0

[inputs.substations]
path = "around.gpkg"
layer = "substations"
id_column = "id"
name_column = "name"
capacity_column = "free"
capacity_unit = "MVA"
power_factor = 0.9
voltage_column = "kv"

"""
# A mill's leat above the site that brings half of its water back below it, a field in the depleted reach in
# summer, a third far below.
RIGHTS = f"""\
id,use,litres,file,since,months,x,y,back_x,back_y
leat,mill,20,L-7,1832,,{WEST + 150},{MIDDLE + 4},{WEST + 500},{MIDDLE}
field,irrigation,8,L-9,1951,5-8,{WEST + 330},{MIDDLE - 9},,
far,irrigation,8,,,,{WEST + 590},{MIDDLE},,
"""


@pytest.fixture(scope="module")
def valley(tmp_path_factory):
    """Tables of a small valley with parcels, water rights and substations."""
    folder = tmp_path_factory.mktemp("surroundings")
    path = small_valley.write_valley(folder)
    text = path.read_text(encoding="utf-8")
    # A diversion may go past rights here, which no run does unless it says so.
    text = text.replace("[network]", f"{SETTINGS}[network]").replace("[stretches]", "[stretches]\nnever_past = []")
    path.write_text(text, encoding="utf-8")
    (folder / "rights.csv").write_text(RIGHTS, encoding="utf-8")
    # The water and its banks are the state's; the slopes north of it are a farm's, south of it nobody is known.
    parcels = geopandas.GeoDataFrame(
        {"id": ["p1", "p2"], "holder": ["State", OWNER]},
        geometry=[
            shapely.box(WEST, MIDDLE - 6.0, WEST + 700.0, MIDDLE + 6.0),
            shapely.box(WEST, MIDDLE + 6.0, WEST + 700.0, MIDDLE + 60.0),
        ],
        crs=small_valley.CRS,
    )
    parcels.to_file(folder / "around.gpkg", layer="parcels", driver="GPKG")
    # The line of the valley, 45 m beside the stream, fits any plant; of the substations the nearest one does not.
    substations = geopandas.GeoDataFrame(
        {"id": ["U1", "U2"], "name": ["Hill", "Moor"], "free": [9.0, 0.01], "kv": ["110", "20/0.4"]},
        geometry=shapely.points([[WEST + 350.0, MIDDLE + 10.0], [WEST + 350.0, MIDDLE + 800.0]]),
        crs=small_valley.CRS,
    )
    substations.to_file(folder / "around.gpkg", layer="substations", driver="GPKG")
    layers = "sites", "site_land", "site_water_rights", "substations", "reaches", "provenance", "repairs"
    return tables_of(path, *layers)


def test_owners_of_the_ground_are_classes_at_the_ends(valley):
    site, land = valley["sites"].iloc[0], valley["site_land"]

    assert (site["intake_owner"], site["tailrace_owner"]) == ("public", "public")
    # The settings of this run take the straight line for the conduit's length, and know no way of it.
    assert site["conduit_owner"] == ""
    columns = ["rank", "place", "owner_class", "parcels"]
    assert land[columns].to_numpy().tolist() == [[1, "intake", "public", 1], [1, "tailrace", "public", 1]]
    assert land["length_m"].isna().all()


def test_owners_along_a_conduit_have_the_length_of_headrace_and_penstock():
    parcels = geopandas.GeoDataFrame(
        {"feature_id": ["p1", "p2", "p3"], "owner_class": ["public", "private", "private"]},
        geometry=[shapely.box(0, 0, 100, 50), shapely.box(100, 0, 200, 50), shapely.box(200, 0, 250, 50)],
    )
    inputs = SimpleNamespace(layers={"parcels": SimpleNamespace(frame=parcels)})
    settings = SimpleNamespace(inputs=SimpleNamespace(parcels=SimpleNamespace(within_m=5.0)))
    stations = pd.DataFrame({"x_m": [10.0, 300.0, 20.0], "y_m": [25.0, 25.0, 25.0]})
    # Of three candidates the last two are sites, the third the best; the second alone has a conduit with a way.
    order = pd.DataFrame(
        {"site_id": ["b", "a"], "rank": [1, 2], "row": [1, 0], "intake": [2, 0], "tailrace": [1, 1]}
    )
    ranked = SimpleNamespace(order=order, kept=np.array([1, 2]))
    vertices = np.array([[10.0, 25.0], [150.0, 25.0], [240.0, 25.0], [300.0, 25.0]])
    ways = Ways(None, np.array([0, 0, 4, 4]), vertices)

    land = find_site_land(settings, inputs, SimpleNamespace(stations=stations), ways, ranked)

    assert land.drop(columns="rank").fillna(0.0).to_numpy().tolist() == [
        ["b", "intake", "public", 1, 0.0],
        ["b", "tailrace", "no parcel", 0, 0.0],
        ["a", "intake", "public", 1, 0.0],
        ["a", "headrace", "private", 2, 140.0],
        ["a", "headrace", "public", 1, 90.0],
        ["a", "penstock", "no parcel", 0, 50.0],
        ["a", "penstock", "private", 1, 10.0],
        ["a", "tailrace", "no parcel", 0, 0.0],
    ]
    owners = owners_of_sites(land, pd.Series(["a", "b", "c"]))
    assert owners["conduit_owner"].tolist() == ["private 150 m; public 90 m; no parcel 50 m", "", ""]
    assert owners["tailrace_owner"].tolist() == ["no parcel", "no parcel", ""]


def test_rights_take_their_flow_off_and_are_listed_at_the_site_that_touches_them(valley):
    site, rights = valley["sites"].iloc[0], valley["site_water_rights"]

    # The intake's catchment has 30 columns of 11 cells of 100 m², with 50 m³/s/km²; the leat takes 20 l/s above.
    assert site["flow_mean_m3s"] == pytest.approx(50 * 0.033 - 0.02, rel=1e-9)
    # At the end half of it is back; the field takes 8 l/s in four months, the far one all year.
    summer = (31 + 30 + 31 + 31) / 365
    taken_m3s = 0.02 * 0.5 + 0.008 * summer + 0.008
    assert valley["reaches"].iloc[-1]["flow_mean_m3s"] == pytest.approx(50 * 0.0671 - taken_m3s, rel=1e-9)
    listed = rights[["right_id", "licence", "kind", "relation", "months", "seniority"]]
    assert listed.to_numpy().tolist() == [
        ["field", "L-9", "abstraction", "in the depleted reach", "5;6;7;8", "1951"],
    ]
    assert rights["flow_m3s"].tolist() == pytest.approx([0.008])
    assert (site["water_rights"], site["depleted_rights_m3s"]) == (1, pytest.approx(0.008))
    assert "water_right_in_depleted_reach: L-9" in site["flags"].split("; ")


def test_a_site_is_held_against_the_nearest_substation_of_a_fitting_voltage(valley):
    site, table = valley["sites"].iloc[0], valley["substations"].set_index("substation_id")

    # The substation of 110 kV beside the powerhouse fits no plant of this size.
    assert (site["substation_id"], site["substation_distance_m"]) == ("U2", pytest.approx(800.0, abs=0.5))
    assert site["line_distance_m"] == pytest.approx(45.0, abs=0.5)
    assert math.isnan(site["connection_kv"])
    assert site["substation_free_kw"] == pytest.approx(9.0)
    assert site["power_kw"] > 9.0
    assert site["substation_left_kw"] == pytest.approx(9.0 - site["power_kw"])
    assert "grid_capacity_too_small: U2, 9 kW free" in site["flags"].split("; ")
    assert table["sites"].to_dict() == {"U1": 0, "U2": 1}
    assert table["sites_beyond"].to_dict() == {"U1": 0, "U2": 1}
    assert table.loc["U2", "left_kw"] == pytest.approx(9.0 - site["power_kw"])
    assert table.loc["U1", ["free_kw", "left_kw", "voltages_kv"]].tolist() == [pytest.approx(8100.0)] * 2 + ["110"]


def test_free_capacity_is_used_up_by_rank_and_a_voltage_that_does_not_fit_is_flagged():
    settings = SimpleNamespace(grid=GridSettings())
    order = pd.DataFrame(
        {
            "power_kw": [300.0, 100.0, 80.0, 50.0, 60.0],
            "connection_kv": [0.4, 0.4, 20.0, np.nan, 20.0],
            "substation_id": ["A", "A", "A", "", "B;1"],
            "substation_distance_m": 1.0,
            "substation_free_kw": [350.0, 350.0, 350.0, np.nan, 40.0],
        }
    )

    found = grid_of_sites(settings, order)

    assert found.columns["substation_left_kw"].tolist()[:3] == [50.0, -50.0, -130.0]
    assert found.flags == [
        # 300 kW is above what the settings allow at low voltage.
        "grid_voltage_unfit: 0.4 kV",
        "grid_capacity_exceeded: A, 50 kW too much",
        "grid_capacity_exceeded: A, 130 kW too much",
        "",
        "grid_capacity_too_small: B,1, 40 kW free",
    ]


def test_no_owner_is_named_in_any_table(valley):
    assert [name for name, table in valley.items() if OWNER in table.to_csv()] == []
    classes = valley["provenance"].set_index("name").loc["inputs.parcels.owner_classes", "value"]
    assert classes == "public, private (the layer's words are not published)"
