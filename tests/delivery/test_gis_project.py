"""The project for a desktop GIS: all layers once, in order, styled, by relative paths, whatever the title."""

import xml.etree.ElementTree as ElementTree

import pytest

from sitefinder.delivery.gis_project import GROUPS, project_text
from sitefinder.delivery.graph import GEOPACKAGE
from sitefinder.delivery.metadata import xml_safe
from sitefinder.delivery.style_table import style_file
from sitefinder.schema import LAYERS
from sitefinder.schema.wording import column_labels

BOUNDS = (400_000.0, 4_400_000.0, 410_000.0, 4_404_000.0)
MONEY = "EUR of 2024"


def project(title="Sample district", crs="EPSG:32633"):
    return ElementTree.fromstring(project_text(title, crs, BOUNDS, MONEY))


def test_every_layer_is_there_once_those_with_geometry_in_groups_from_points_down_to_areas():
    root = project()
    ids = [each.get("id") for each in root.iter("layer-tree-layer")]
    in_tree = [each.removeprefix("sitefinder_") for each in ids]

    assert sorted(in_tree) == sorted(LAYERS)
    # QGIS 3.22 gives layers with ids of ten signs or fewer new ones.
    assert min(map(len, ids)) > 10
    assert [layer.find("id").text for layer in root.iter("maplayer")] == ids
    assert [each.get("id") for each in root.find("layerorder")] == ids
    mapped = [name for group in GROUPS for name in group.layers]
    assert in_tree[: len(mapped)] == mapped
    assert {name for name in LAYERS if LAYERS[name].geometry} == set(mapped)
    assert all(set(group.hidden) < set(group.layers) for group in GROUPS)
    # Points are drawn over lines, and lines over areas.
    order = {"Point": 0, "LineString": 1, "MultiPolygon": 2}
    for group in GROUPS:
        kinds = [order[LAYERS[name].geometry] for name in group.layers]
        assert kinds == sorted(kinds)


def test_layers_are_found_beside_the_project_with_their_styles_and_titles_of_columns():
    for layer in project().iter("maplayer"):
        name = layer.find("id").text.removeprefix("sitefinder_")
        assert layer.find("datasource").text == f"./{GEOPACKAGE}|layername={name}"
        titles = {alias.get("field"): alias.get("name") for alias in layer.iter("alias")}
        assert titles == column_labels(LAYERS[name], MONEY)
        if LAYERS[name].geometry:
            drawn = ElementTree.fromstring(style_file(f"{name}.qml")).find("renderer-v2")
            canonical = [ElementTree.canonicalize(ElementTree.tostring(each), strip_text=True) for each in
                         (drawn, layer.find("renderer-v2"))]  # fmt: skip
            assert canonical[0] == canonical[1]
            assert layer.find("srs/spatialrefsys/authid").text == "EPSG:32633"


def test_the_first_view_is_of_all_streams_and_the_same_text_is_made_each_time():
    extent = [float(each.text) for each in project().find("mapcanvas/extent")]

    # A twentieth of the longer side is free on each side.
    assert extent == pytest.approx([399_500.0, 4_399_500.0, 410_500.0, 4_404_500.0])
    assert project_text("A", "EPSG:32633", BOUNDS, MONEY) == project_text("A", "EPSG:32633", BOUNDS, MONEY)


@pytest.mark.parametrize("title", ["<script>alert(1)</script>", 'a "b" & \x07', "=cmd()", "نهر", "n" * 200])
def test_any_title_is_text(title):
    # XML has no sign for a bell; the metadata write the same in its place.
    assert project(title).find("title").text == xml_safe(title)
    assert "\x07" not in xml_safe(title)


def test_a_coordinate_system_without_a_code_is_written_in_full():
    own = "+proj=tmerc +lat_0=39 +lon_0=14.1 +k=0.9999 +x_0=5000 +ellps=GRS80 +units=m"

    system = project(crs=own).find("projectCrs/spatialrefsys")

    assert system.find("authid").text is None
    assert "Transverse_Mercator" in system.find("wkt").text.replace(" ", "_")
