"""Coordinate systems of layers: stated, missing, contradicting, and the way to the run's."""

import geopandas
import pytest
import shapely
from shapely import Point, box

from sitefinder.errors import InputError
from sitefinder.io.vector import read_layer
from sitefinder.settings import LayerSource

UTM = "EPSG:32633"


def test_a_layer_in_degrees_lands_where_the_projection_puts_it(saved, read):
    # On the central meridian of zone 33 (15° E) the easting is 500 km by definition; on the equator northing is 0.
    source = saved([Point(15, 0)], crs="EPSG:4326")

    result = read(source, "point")

    assert result.frame.crs == UTM
    assert result.frame.geometry.x.tolist() == pytest.approx([500_000], abs=1e-6)
    assert result.frame.geometry.y.tolist() == pytest.approx([0], abs=1e-6)
    assert result.lineage["crs"] == "EPSG:4326"
    assert "UTM zone 33N (accuracy 0 m)" in result.lineage["operation"]


def test_a_polygon_in_another_system_agrees_with_geopandas(saved, read):
    there = geopandas.GeoSeries([box(14, 47, 14.2, 47.1)], crs="EPSG:4326")
    source = saved(there, crs="EPSG:4326")

    result = read(source)

    by_geopandas = there.to_crs(UTM).iloc[0]
    assert shapely.hausdorff_distance(result.frame.geometry.iloc[0], by_geopandas) < 1e-6


def test_a_stated_system_serves_where_the_file_has_none(saved, read):
    source = saved([box(0, 0, 1, 1)], crs=None, source={"crs": UTM})

    assert read(source).frame.crs == UTM


def test_a_system_without_datum_is_completed_by_the_stated_one(saved, read):
    ellipsoid = 'SPHEROID["GRS80",6378137,298.257222101]'
    degree = 'UNIT["degree",0.0174532925199433]'
    without = f'GEOGCS["x",DATUM["unknown",{ellipsoid}],PRIMEM["Greenwich",0],{degree}]'
    saved([Point(15, 47)], crs=without)

    result = read(LayerSource(path="layer.gpkg", crs="EPSG:4258"), "point")
    with pytest.raises(InputError, match="without a datum"):
        read(LayerSource(path="layer.gpkg"), "point")

    assert result.frame.geometry.x.tolist() == pytest.approx([500_000], abs=1e-6)


def test_a_layer_without_coordinate_system_is_refused(saved, read):
    source = saved([box(0, 0, 1, 1)], crs=None)

    with pytest.raises(InputError, match="no coordinate system") as caught:
        read(source)

    assert str(caught.value) == (
        "the parks layer has no coordinate system\n"
        '  file:      layer.gpkg, layer "features"\n'
        "  expected:  a coordinate system in the file, or crs = … beside its path in the settings\n"
        "  found:     none\n"
        "  fix:       state crs in the settings if you know it; sitefinder does not guess"
    )


def test_a_stated_system_that_contradicts_the_file_is_refused(saved, read):
    source = saved([box(0, 0, 1, 1)], source={"crs": "EPSG:4326"})

    with pytest.raises(InputError, match="not the one in its file") as caught:
        read(source)

    assert str(caught.value) == (
        "the coordinate system stated for the parks layer is not the one in its file\n"
        '  file:      layer.gpkg, layer "features"\n'
        "  expected:  EPSG:4326, as the settings state\n"
        "  found:     EPSG:32633, in the file\n"
        "  fix:       leave crs out of the settings, or correct the file"
    )


def test_a_stated_system_that_nobody_knows_is_refused(saved, read):
    source = saved([box(0, 0, 1, 1)], crs=None, source={"crs": "EPSG:9999999"})

    with pytest.raises(InputError, match="is unknown") as caught:
        read(source)

    assert "found:     EPSG:9999999" in str(caught.value)


def test_metres_that_are_called_degrees_are_refused(saved, read):
    source = saved([box(450_000, 4_600_000, 450_100, 4_600_100)], crs="EPSG:4326")

    with pytest.raises(InputError, match="does not fit its coordinate system") as caught:
        read(source)

    assert str(caught.value) == (
        "the parks layer does not fit its coordinate system\n"
        '  file:      layer.gpkg, layer "features"\n'
        "  expected:  coordinates that EPSG:4326 can hold\n"
        "  found:     coordinates from 450000, 4.6e+06 to 450100, 4.6001e+06\n"
        "  fix:       check the layer's coordinate system; degrees and metres may be confused"
    )


def test_a_real_network_in_degrees_without_datum_needs_its_system_stated(public_data):
    source = LayerSource(path="new_hope/network.gpkg", layer="NHDFlowline_Network", crs="EPSG:4269")

    result = read_layer(source, public_data, "EPSG:26917", what="streams", geometry="line")

    # The data set's own description counts 746 flowlines.
    assert result.lineage["features_read"] == result.lineage["features_used"] == 746
