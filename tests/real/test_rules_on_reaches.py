"""Rules on real streams against plain geometry, reach by reach: water bodies of New Hope Creek, the park of Zion.

Data: NHDPlus version 2 (U.S. Geological Survey), Shuttle Radar Topography Mission, both public domain; boundary of
Zion National Park (National Park Service, CC0); see tests/real/data.
"""

import geopandas
import numpy as np
import pandas as pd
import pytest
import rasterio
import shapely
from partial_run import tables_of
from rasterio.windows import Window

from sitefinder.io.vector import read_layer
from sitefinder.network.stations import place_stations
from sitefinder.network.topology import build_network
from sitefinder.rules.overlaps import MIN_HELD_M, all_rule_metres, hits_by_reach, overlaps
from sitefinder.rules.verdicts import held_reaches, verdicts
from sitefinder.settings import LayerSource, RuleSettings

pytestmark = pytest.mark.slow

# Cuts of a line at a border are rounded to about 1e-9 m at coordinates of millions of metres, each of many edges.
ROUNDING_M = 1e-5
# The park's file states an ellipsoid without a datum; its maker publishes in NAD 83.
PARK_CRS = "EPSG:26912"
ZION = """
[run]
name = "Canyon land"
crs = "EPSG:32612"
output_folder = "out"

[delivery]
page = false
field_sheets = 0
district_map = false
gpx = false
csv = false
field_form = false
gis_project = false

[inputs.dem]
path = "dem.tif"
vertical_unit = "metre"
vertical_datum = "EGM96"
error_rmse_m = 9.73

[network]
derive_threshold_km2 = 4.0

[flows.gauges]
path = "{repository}/tests/real/great_basin_gauges.csv"
predictors = ["area_km2"]
source = "CAMELS attributes v2.0, hydrologic region 16 (Addor, Newman, Mizukami & Clark 2017, HESS 21:5293)"

[[flows.environmental]]
kind = "share_of_mean"
share = 0.1

# Rules are judged on reaches, whatever could be built there: without diversions and new weirs nothing is sized.
[stretches]
scheme_types = ["at_barrier"]

# Nor is any figure of chance looked at, or a head.
[uncertainty]
simulations = 50

[heads]
shrink = false
correct_selection = false

[energy]
turbines = ["{repository}/config/turbines/generic.toml"]

[costs]
file = "{repository}/config/costs/generic.toml"
price_per_kwh = 0.2

[[rules]]
name = "national park"
path = "{data}/zion/protected.gpkg"
crs = "EPSG:26912"
id_column = "UNIT_CODE"
where = "UNIT_TYPE = 'National Park' and STATE in ('UT', 'AZ')"
action = "exclude"
source = "National Park Service"
licence = "CC0"
"""


@pytest.fixture(scope="module")
def new_hope(public_data):
    source = {"path": "new_hope/network.gpkg", "crs": "EPSG:4269", "id_column": "COMID"}
    layers = {
        name: read_layer(
            LayerSource(layer=layer, **source), public_data, "EPSG:26917", what=name, geometry=geometry
        ).frame
        for name, layer, geometry in (
            ("streams", "NHDFlowline_Network", "line"),
            ("water", "NHDWaterbody", "polygon"),
        )
    }
    lines = pd.DataFrame(layers["streams"][["feature_id", "geometry"]]).assign(stream="")
    stationing = place_stations(build_network(lines, snap_m=1.0), station_spacing_m=50.0, reach_length_m=500.0)
    return stationing, layers["water"]


def raw_ground(path, layer, crs, own_crs=None):
    """A layer's ground by geopandas alone, repaired and moved."""
    frame = geopandas.read_file(path, layer=layer)
    frame = frame.set_crs(own_crs, allow_override=True) if own_crs else frame
    return shapely.force_2d(shapely.make_valid(frame.to_crs(crs).geometry.to_numpy()))


def test_reaches_in_standing_water_are_those_of_plain_intersection_for_every_reach(new_hope, public_data, capsys):
    stationing, water = new_hope
    rule = RuleSettings(name="standing water", action="exclude", path="new_hope/network.gpkg")
    segments = geopandas.GeoDataFrame(stationing.segments, geometry="geometry", crs="EPSG:26917")

    hits = overlaps(segments, water, rule)
    metres = all_rule_metres(hits, [rule], len(stationing.reaches), by="reach")
    judged = verdicts(held_reaches(stationing.reaches, metres, [rule]), [rule])

    ground = raw_ground(public_data / "new_hope/network.gpkg", "NHDWaterbody", "EPSG:26917", "EPSG:4269")
    reaches = stationing.reaches["geometry"].to_numpy()
    brute_m = shapely.length(shapely.intersection(reaches, shapely.union_all(ground)))
    with capsys.disabled():
        print(
            f"\nNew Hope: {(brute_m > 0).sum()} of {len(reaches)} reaches run through {len(ground)} water bodies"
        )
    assert metres.certain[0] == pytest.approx(brute_m, abs=ROUNDING_M)
    # Two flowlines that end at a shore run 6 and 14 µm into it in this coordinate system; that is a touch.
    assert ((judged["verdict"] == "excluded") == (brute_m >= MIN_HELD_M)).all()
    assert sorted(brute_m[brute_m > 0])[1] < 2e-5
    assert sorted(brute_m[brute_m > 0])[2] > 1.0
    assert (brute_m >= MIN_HELD_M).sum() > 30
    assert (judged["verdict"] == "open").sum() > 300


def test_every_hit_is_that_of_its_own_feature(new_hope):
    stationing, water = new_hope
    rule = RuleSettings(name="standing water", action="exclude", path="new_hope/network.gpkg")
    segments = geopandas.GeoDataFrame(stationing.segments, geometry="geometry", crs="EPSG:26917")

    joined = hits_by_reach(overlaps(segments, water, rule))

    # Every pair of a reach and a feature that meet, by plain intersection.
    bodies = water.dissolve("feature_id").geometry
    reaches = stationing.reaches["geometry"].to_numpy()
    row, body = shapely.STRtree(bodies.to_numpy()).query(reaches, predicate="intersects")
    length_m = shapely.length(shapely.intersection(reaches[row], bodies.to_numpy()[body]))
    brute = {
        (reach, bodies.index[number]): metres
        for reach, number, metres in zip(row.tolist(), body.tolist(), length_m, strict=True)
        if metres > 1e-6
    }
    found = joined.groupby(["reach", "feature_id"])["overlap_m"].sum()
    assert found.to_dict() == pytest.approx(brute, abs=ROUNDING_M)


@pytest.fixture(scope="module")
def zion(public_data, repository, tmp_path_factory):
    """Reaches and hits of the northern half of the park, whose border crosses streams all around."""
    folder = tmp_path_factory.mktemp("zion_park")
    with rasterio.open(public_data / "zion" / "dem_3arcsec.tif") as whole:
        half = Window(0, 0, whole.width, whole.height // 2)
        with rasterio.open(folder / "dem.tif", "w", **(whole.profile | {"height": half.height})) as raster:
            raster.write(whole.read(window=half))
    (folder / "run.toml").write_text(ZION.format(data=public_data, repository=repository), encoding="utf-8")
    return tables_of(folder / "run.toml", "reaches", "rule_hits")


def test_the_park_excludes_exactly_the_reaches_that_plain_intersection_finds(zion, public_data, capsys):
    reaches, hits = zion["reaches"], zion["rule_hits"]
    (park,) = raw_ground(public_data / "zion/protected.gpkg", "zion", "EPSG:32612", PARK_CRS)

    brute_m = shapely.length(shapely.intersection(reaches.geometry.to_numpy(), park))

    excluded = reaches["verdict"] == "excluded"
    with capsys.disabled():
        print(f"\nZion: the park excludes {excluded.sum()} of {len(reaches)} reaches")
    assert (excluded == (brute_m >= MIN_HELD_M)).all()
    assert 50 < excluded.sum() < len(reaches) - 50
    assert (reaches.loc[excluded, "only_reason"] == "national park").all()
    assert hits["reach_id"].nunique() == excluded.sum()
    assert set(hits["feature_id"]) == {"ZION"}
    overlap_m = hits.groupby("reach_id")["overlap_m"].sum().reindex(reaches["reach_id"], fill_value=0.0)
    assert overlap_m.to_numpy() == pytest.approx(brute_m, abs=ROUNDING_M)


def test_hits_state_from_where_to_where_along_the_stream(zion, public_data):
    (park,) = raw_ground(public_data / "zion/protected.gpkg", "zion", "EPSG:32612", PARK_CRS)
    reaches = zion["reaches"].set_index("reach_id")
    at = reaches.loc[zion["rule_hits"]["reach_id"]]
    hits = zion["rule_hits"].reset_index(drop=True)
    lines, begin = at.geometry.to_numpy(), at["from_m"].to_numpy()

    middle = shapely.line_interpolate_point(lines, (hits["from_m"] + hits["to_m"]).to_numpy() / 2 - begin)
    ends = [shapely.line_interpolate_point(lines, hits[name].to_numpy() - begin) for name in ("from_m", "to_m")]

    assert shapely.intersects(middle, park).all()
    # An end of a hit lies on the border, or at an end of the reach.
    for end, limit in zip(ends, ("from_m", "to_m"), strict=True):
        on_border = shapely.distance(end, park.boundary) < 0.01
        at_end = np.abs(hits[limit] - at[limit].to_numpy()) < 0.01
        assert (on_border | at_end).all()
        assert on_border.sum() > 5
