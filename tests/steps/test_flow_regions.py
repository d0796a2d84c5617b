"""Runs with regions of flow equations: area weights by cells counted by hand, and no flow where no region is."""

from functools import cache

import numpy as np
import pytest
import shapely
from partial_run import tables_of

from sitefinder.errors import InputError
from sitefinder.preparation import read_run

pytestmark = pytest.mark.slow

# An even valley to the east, 9 rows and 102 columns of 10 m, that drains straight across to its stream. The border
# of the two regions lies between columns 70 and 71, in the second of two reaches.
WEST, NORTH, CELL, ROWS, COLUMNS = 500_000.0, 5_000_000.0, 10.0, 9, 102
WESTERN = 70
BORDER = WEST + WESTERN * CELL
MIDDLE = NORTH - 45.0
AREA_KM2 = ROWS * COLUMNS * CELL**2 / 1e6

SETTINGS = """
[run]
name = "Two regions"
crs = "EPSG:32633"
output_folder = "out"

[delivery]
page = false
field_sheets = 0
district_map = false
gpx = false
csv = false
field_form = false
gis_project = false

[inputs]
dem = {{path = "dem.tif", vertical_unit = "metre", vertical_datum = "invented", error_rmse_m = 0.1}}
streams = {{path = "layers.gpkg", layer = "streams", id_column = "id"}}
{regions}

[terrain]
edge_is_divide = true

[flows]
equations = ["equations.toml"]
region_weights = "{weights}"
environmental = [{{kind = "share_of_mean", share = 0.1}}]

[energy]
turbines = ["{config}/turbines/generic.toml"]

[costs]
file = "{config}/costs/generic.toml"
price_per_kwh = 3.0

[stretches]
scheme_types = ["diversion"]
"""
REGIONS = 'flow_regions = {{path = "layers.gpkg", layer = "{layer}", code_column = "id"}}'
# Mean flow of each km² [m³/s]; the quantiles go with it.
YIELD = {"B1": 50.0, "B2": 100.0}


def equations(regions):
    head = 'source = "invented"\ntable = "invented"\nflow_unit = "m3s"\ngauges = 25\n'
    return head + "".join(
        f"""
[[equations]]
statistic = "{statistic}"
region = "{region}"
form = "log10"
factor = {share * YIELD[region]}
standard_error_log10 = 0.1
predictors = [{{name = "area", unit = "km2", coefficient = 1.0, minimum = 0.0001, maximum = 1.0}}]
"""
        for region in regions
        for statistic, share in (("mean", 1.0), ("exceedance_10", 1.92), ("exceedance_90", 0.12))
    )


@pytest.fixture(scope="module")
def prepare(tmp_path_factory, write_region, repository):
    """A function that writes the valley and gives the path of its settings."""

    @cache
    def prepared(layer="both", weights="renormalised", regions=("B1", "B2"), code="id"):
        folder = tmp_path_factory.mktemp("regions")
        columns, rows = np.meshgrid(np.arange(COLUMNS), np.arange(ROWS))
        elevation = 200.0 - 0.01 * CELL * columns + 5.0 * abs(rows - 4)
        east = WEST + COLUMNS * CELL
        western = shapely.box(WEST - 10, NORTH - 100, BORDER, NORTH + 10)
        eastern = shapely.box(BORDER, NORTH - 100, east + 10, NORTH + 10)
        layers = {
            "streams": shapely.LineString([(WEST + 3, MIDDLE), (east - 3, MIDDLE)]),
            "both": shapely.MultiPolygon([western, eastern]),
            "east": eastern,
        }
        config = (repository / "config").as_posix()
        of_regions = "" if layer is None else REGIONS.format(layer=layer).replace('"id"', f'"{code}"')
        settings = SETTINGS.format(config=config, regions=of_regions, weights=weights)
        texts = {"run.toml": settings, "equations.toml": equations(regions)}
        write_region(folder, elevation, (WEST, NORTH), CELL, layers, texts)
        return folder / "run.toml"

    return prepared


@pytest.fixture(scope="module")
def deliver(prepare):
    """A function that runs the valley once for each kind of settings and tables."""

    @cache
    def delivered(*layers, **changes):
        return tables_of(prepare(**changes), *layers)

    return delivered


def test_flow_across_the_border_is_weighted_by_cells(deliver):
    reaches = deliver("reaches")["reaches"]

    # Each km² yields 50 in the west and 100 in the east.
    assert reaches["area_km2"].iloc[1] == pytest.approx(AREA_KM2)
    share = WESTERN / COLUMNS
    assert reaches["flow_mean_m3s"].iloc[0] == pytest.approx(50.0 * reaches["area_km2"].iloc[0])
    # Shares are kept to a hundred-thousandth.
    expected = AREA_KM2 * (50.0 * share + 100.0 * (1 - share))
    assert reaches["flow_mean_m3s"].iloc[1] == pytest.approx(expected, rel=2e-5)
    assert not reaches["flags"].str.contains("flow_").any()


def test_where_no_region_is_there_is_no_flow_and_no_site(deliver):
    # The only polygon of this layer, B1, is the eastern one.
    tables = deliver("reaches", "sites", layer="east", regions=("B1",), weights="renormalised")

    reaches, sites = tables["reaches"], tables["sites"]
    assert reaches["flow_mean_m3s"].isna().tolist() == [True, False]
    assert reaches["flow_mean_low_m3s"].isna().tolist() == [True, False]
    assert reaches["theoretical_kw"].isna().tolist() == [True, False]
    assert "flow_missing; flow_region_doubtful" in reaches["flags"].iloc[0]
    assert reaches["rejection_reason"].iloc[0] == "no flow estimate"
    # The east is offered all the same, and no site takes its water where the flow is not known.
    assert len(sites) > 0
    assert sites["flow_mean_m3s"].notna().all()
    assert sites["rank"].tolist() == list(range(1, len(sites) + 1))
    assert np.isfinite(sites["energy_mwh"]).all()


@pytest.mark.parametrize(("weights", "covered"), [("renormalised", 1.0), ("as_given", 1 - WESTERN / COLUMNS)])
def test_a_catchment_partly_without_region_is_flagged_and_weighted_as_the_settings_say(deliver, weights, covered):
    # The tables of the test before, whose run with one of these weights is the same.
    reaches = deliver("reaches", "sites", layer="east", regions=("B1",), weights=weights)["reaches"]

    assert reaches["flow_mean_m3s"].iloc[1] == pytest.approx(50.0 * AREA_KM2 * covered, rel=2e-5)
    assert "flow_region_doubtful" in reaches["flags"].iloc[1]
    assert "flow_missing" not in reaches["flags"].iloc[1]


def test_a_region_without_equations_is_reported_among_the_repairs(deliver):
    repairs = deliver("repairs", regions=("B2",))["repairs"]

    notes = repairs[repairs["layer"] == "flow_regions"]
    assert notes[["feature", "problem"]].to_numpy().tolist() == [["B1", "no equation for these regions"]]


def test_tiles_change_nothing(deliver, prepare, tmp_path):
    text = prepare().read_text(encoding="utf-8")
    for name in ("dem.tif", "layers.gpkg", "equations.toml"):
        (tmp_path / name).write_bytes((prepare().parent / name).read_bytes())
    small = text.replace("[terrain]\n", "[terrain]\ntile_rows = 8\ntile_columns = 23\n")
    (tmp_path / "run.toml").write_text(small, encoding="utf-8")

    reaches = tables_of(tmp_path / "run.toml", "reaches")["reaches"]

    assert reaches["flow_mean_m3s"].tolist() == deliver("reaches")["reaches"]["flow_mean_m3s"].tolist()


@pytest.mark.parametrize(
    ("changes", "message"),
    [
        ({"layer": None}, "more than one equation for exceedance_10, exceedance_90, mean"),
        ({"layer": "east", "regions": ("B2",)}, "no equation is for a region of the layer"),
        ({"code": "region"}, "the layer has no column region"),
    ],
)
def test_regions_and_equations_that_do_not_meet_are_refused_before_anything_begins(prepare, changes, message):
    with pytest.raises(InputError, match=message):
        read_run(prepare(**changes))
