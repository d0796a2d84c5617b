"""Which input a file is likely to be: names in several languages and spellings, kinds of geometry, all inputs."""

import doctest

import pytest

from sitefinder.inspection import fields, roles
from sitefinder.inspection.roles import WORDS, layer_role, raster_role
from sitefinder.steps.inputs import LAYERS


def test_every_layer_of_a_run_has_words_but_the_one_of_trials():
    assert set(LAYERS) - set(WORDS) == {"within"}
    assert set(WORDS) <= set(LAYERS)


@pytest.mark.parametrize(
    ("name", "layer", "kind", "role"),
    [
        ("NHDFlowline", "NHDFlowline", "line", "streams"),
        ("hydro", "HydroRIVERS_v10", "line", "streams"),
        ("gewaessernetz", "gewaessernetz", "line", "streams"),
        ("osm", "roads-major", "line", "roads"),
        ("powerLines", "powerLines", "line", "power_lines"),
        ("weirs_2019", "weirs_2019", "point", "structures"),
        ("weirs_2019", "weirs_2019", "polygon", "rules"),
        ("hydropower_plants", "hydropower_plants", "point", "plants"),
        ("Natura2000", "sites", "polygon", "rules"),
        ("bathymetry", "soundings", "point", None),
        ("museum", "gallery", "line", None),
    ],
)
def test_names_of_files_and_layers(name, layer, kind, role):
    assert layer_role(name, layer, kind, []) == role


def test_a_table_is_of_gauges_where_its_columns_are():
    assert layer_role("yearbook", "yearbook", None, ["id", "FLOW_mean_m3s"]) == "flows.gauges"
    assert layer_role("prices", "prices", None, ["year", "price"]) is None


def test_a_raster_is_a_dem_unless_its_name_says_rain():
    assert [raster_role(name) for name in ("PRISM_ppt_30yr.tif", "n47e013.tif")] == [
        "covariates.precipitation_mm",
        "dem",
    ]


@pytest.mark.parametrize("module", [roles, fields])
def test_examples(module):
    assert doctest.testmod(module).failed == 0
