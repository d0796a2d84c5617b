"""What optional layers say of the sites of a small run: who owns the ground, which water rights are there."""

from types import SimpleNamespace

import geopandas
import numpy as np
import pandas as pd
import pytest
import shapely
import small_valley
from partial_run import tables_of

from sitefinder.delivery.surroundings import find_site_land, owners_of_sites
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
    """Tables of a small valley with parcels and water rights."""
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
    layers = "sites", "site_land", "site_water_rights", "reaches", "provenance", "repairs"
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


def test_no_owner_is_named_in_any_table(valley):
    assert [name for name, table in valley.items() if OWNER in table.to_csv()] == []
    classes = valley["provenance"].set_index("name").loc["inputs.parcels.owner_classes", "value"]
    assert classes == "public, private (the layer's words are not published)"
