"""Water rights read from tables and layers, with their places of return, in the run's coordinate system."""

import geopandas
import pandas as pd
import pytest
import shapely
from pyproj import Transformer

from sitefinder.errors import InputError
from sitefinder.io.water_rights import read_water_rights
from sitefinder.settings import WaterRightSource

UTM = "EPSG:32633"
ROWS = """\
id,kind,flow,east_back,x,y,north_back
A,abstraction,3,15.02,15.0,45.0,45.01
B,abstraction,2,,15.1,45.1,
"""
SETTINGS = {
    "id_column": "id",
    "flow_column": "flow",
    "flow_unit": "l_per_s",
    "return_x_column": "east_back",
    "return_y_column": "north_back",
}


# Places in degrees as the run has them, by pyproj.
def in_run(*places):
    into = Transformer.from_crs("EPSG:4326", UTM, always_xy=True)
    return [into.transform(*place) for place in places]


def places_of(frame):
    return [(point.x, point.y) for point in frame.geometry]


def test_a_table_in_degrees_and_a_layer_of_the_same_give_the_same_rights(tmp_path):
    (tmp_path / "rights.csv").write_text(ROWS, encoding="utf-8")
    table = pd.read_csv(tmp_path / "rights.csv")
    points = shapely.points(table["x"], table["y"])
    layer = geopandas.GeoDataFrame(table.drop(columns=["x", "y"]), geometry=points, crs="EPSG:4326")
    layer.to_file(tmp_path / "rights.gpkg")

    of_table = read_water_rights(
        WaterRightSource(path="rights.csv", crs="EPSG:4326", **SETTINGS), tmp_path, UTM, None
    )
    of_layer = read_water_rights(WaterRightSource(path="rights.gpkg", **SETTINGS), tmp_path, UTM, None)

    expected = in_run((15.0, 45.0), (15.1, 45.1), (15.02, 45.01))
    for read in (of_table, of_layer):
        assert read.frame["feature_id"].tolist() == ["A", "B", "A"]
        assert read.frame["kind"].tolist() == ["abstraction", "abstraction", "return"]
        assert read.frame["flow_m3s"].tolist() == pytest.approx([0.003, 0.002, 0.003])
        for found, place in zip(places_of(read.frame), expected, strict=True):
            assert found == pytest.approx(place, abs=1e-3)
    assert of_table.lineage["features_read"] == 2
    assert len(of_table.lineage["digest"]) == 64


def test_half_a_place_of_return_is_refused(tmp_path):
    (tmp_path / "rights.csv").write_text(
        ROWS.replace("A,abstraction,3,15.02", "A,abstraction,3,"), encoding="utf-8"
    )

    with pytest.raises(InputError) as caught:
        read_water_rights(WaterRightSource(path="rights.csv", crs="EPSG:4326", **SETTINGS), tmp_path, UTM, None)

    assert str(caught.value) == (
        "water rights have a place of return that is none\n"
        "  file:      rights.csv, columns east_back and north_back\n"
        "  features:  A\n"
        "  expected:  two numbers in the layer's coordinate system, or nothing in both\n"
        "  found:     nothing and 45.01\n"
        "  fix:       complete or empty them"
    )
