"""Inventories in which nothing is found, or nothing pays, still deliver a whole file that gives the reasons."""

from functools import cache

import numpy as np
import pyogrio
import pytest
import shapely
from partial_run import tables_of
from whole_summary import summary_text

from sitefinder.running import run, run_and_deliver
from sitefinder.schema import LAYERS

pytestmark = pytest.mark.slow

# An even valley to the east, 9 rows and 102 columns of 10 m, with a side stream from the north.
WEST, NORTH, CELL, ROWS, COLUMNS = 500_000.0, 5_000_000.0, 10.0, 9, 102
MIDDLE = NORTH - 45.0
OF_SITES = ("sites", "stretches", "catchments", "turbine_options", "flow_curves")

SETTINGS = """
[run]
name = "Nothing here"
crs = "EPSG:32633"
output_folder = "out"

[inputs]
dem = {{path = "dem.tif", vertical_unit = "metre", vertical_datum = "invented", error_rmse_m = 0.1}}
streams = {{path = "layers.gpkg", layer = "streams", id_column = "id"}}
districts = {{path = "layers.gpkg", layer = "districts", id_column = "id"}}
{inputs}

[terrain]
edge_is_divide = true

[flows]
equations = ["equations.toml"]
environmental = [{{kind = "share_of_mean", share = 0.1}}]

[energy]
turbines = ["{config}/turbines/generic.toml"]

[costs]
file = "{config}/costs/generic.toml"
price_per_kwh = {price}

[stretches]
{stretches}

{rules}
"""

EQUATIONS = """
source = "invented"
table = "invented"
flow_unit = "m3s"
gauges = 22
""" + "".join(
    f"""
[[equations]]
statistic = "{statistic}"
form = "log10"
factor = {factor}
standard_error_log10 = 0.1
predictors = [{{name = "area", unit = "km2", coefficient = 1.0, minimum = 0.0001, maximum = 1.0}}]
"""
    for statistic, factor in (("mean", 50.0), ("exceedance_10", 96.0), ("exceedance_90", 6.0))
)

LAKE = 'lakes = {path = "layers.gpkg", layer = "everywhere", id_column = "id"}'
ENVIRONMENTAL = """
[[rules]]
name = "reserve"
path = "layers.gpkg"
layer = "everywhere"
action = "exclude"
"""
CONDITIONS = ENVIRONMENTAL.replace("exclude", "conditional")

# What is set apart from the valley's own; why then no reach is offered, and the verdict of all.
CASES = {
    "flat": ({"slope": 0.0, "stretches": 'scheme_types = ["diversion"]'}, "too little head", "open"),
    "lake": ({"inputs": LAKE}, "standing water", "open"),
    "dry": ({"stretches": "min_flow_mean_m3s = 1000.0"}, "too little flow", "open"),
    "environmental": ({"rules": ENVIRONMENTAL}, "excluded by rules", "excluded"),
    "conditions": ({"rules": CONDITIONS}, "excluded by rules", "conditional"),
    "cheap energy": ({"price": "0.000001"}, "above the cost limit", "open"),
    "no scheme types fit": ({"stretches": 'scheme_types = ["at_barrier"]'}, "too little head", "open"),
}


# Those of which all files are written and read; of the others the tables are looked at: how an empty table is
# written does not depend on why it is empty.
WRITTEN = ("flat", "cheap energy")


@pytest.fixture(scope="module")
def valley(tmp_path_factory, write_region, repository):
    """A function that writes the valley with some settings of its own, and gives the settings file."""

    def written(*, slope=0.01, inputs="", price="0.3", stretches="", rules=""):
        folder = tmp_path_factory.mktemp("empty")
        columns, rows = np.meshgrid(np.arange(COLUMNS), np.arange(ROWS))
        elevation = 200.0 - slope * CELL * columns + 5.0 * abs(rows - 4)
        east = WEST + COLUMNS * CELL
        layers = {
            "streams": shapely.LineString([(WEST + 3, MIDDLE), (east - 3, MIDDLE)]),
            "districts": shapely.box(WEST, MIDDLE - 100, WEST + 500, NORTH),
            "everywhere": shapely.box(WEST - 10, MIDDLE - 100, east + 10, NORTH + 10),
        }
        config = (repository / "config").as_posix()
        settings = SETTINGS.format(config=config, inputs=inputs, price=price, stretches=stretches, rules=rules)
        texts = {"run.toml": settings, "equations.toml": EQUATIONS}
        write_region(folder, elevation, (WEST, NORTH), CELL, layers, texts)
        return folder / "run.toml"

    return written


@pytest.fixture(scope="module")
def inventory(valley):
    """A function that runs one of the cases, and delivers files where they are looked at."""

    @cache
    def made(case):
        return (run_and_deliver if case in WRITTEN else run)(valley(**CASES[case][0]))

    return made


@pytest.mark.parametrize("case", CASES)
def test_an_inventory_without_sites_is_delivered_whole_and_says_why(case, inventory, read_layers):
    _, because, verdict = CASES[case]

    outcome = inventory(case)

    # The table of the columns is the file's own.
    layers = dict(outcome.tables) | {"columns": None}
    if case in WRITTEN:
        layers = read_layers(outcome.path)
        # GDAL lists the table of styles like a layer.
        assert layers.pop("layer_styles") is not None
    assert set(layers) == set(LAYERS)
    assert {name: len(layers[name]) for name in OF_SITES} == dict.fromkeys(OF_SITES, 0)
    for name in OF_SITES:
        assert {column.name for column in LAYERS[name].columns} <= set(layers[name].columns)
    reaches = layers["reaches"]
    assert len(reaches) == 2
    assert set(reaches["rejection_reason"]) == {because}
    assert set(reaches["verdict"]) == {verdict}
    assert layers["districts"][["sites", "energy_mwh", "energy_mwh_p90"]].to_numpy().tolist() == [[0, 0, 0]] * 2
    assert (outcome.handover.energy_p90_mwh, outcome.handover.energy_p10_mwh) == (0.0, 0.0)


def test_the_same_valley_has_sites_when_nothing_excludes_them(valley):
    # Otherwise the cases above would prove nothing.
    assert len(tables_of(valley(price="3.0"), "sites")["sites"]) > 0


def test_the_summary_of_an_inventory_without_sites_can_be_printed(inventory):
    outcome = inventory("environmental")

    text = summary_text(
        outcome.handover.title,
        outcome.tables,
        energy_p90_mwh=0.0,
        energy_p10_mwh=0.0,
        currency="EUR of 2024",
        files=[],
    )

    assert text.startswith("Nothing here")
    assert "excluded" in text


def test_the_empty_layers_keep_their_coordinate_system(inventory):
    path = inventory("flat").path

    for name, kind in pyogrio.list_layers(path):
        if kind is not None:
            assert pyogrio.read_info(path, layer=name)["crs"] == "EPSG:32633"
