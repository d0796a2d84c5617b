"""The invented region: what the scripts make, and the files that are kept.

Expected values are those that the region was made from (its truth), never those that the package finds in it;
drained areas are checked by another library.
"""

import importlib
import json
import sys
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import pyflwdir
import pyogrio
import pytest
import rasterio
from scipy.stats import t as student
from shapely import LineString, MultiLineString, Point, box

FOLDER = Path(__file__).resolve().parents[2] / "sample-region"
DATA_FILES = (
    "dem.tif",
    "rainfall.tif",
    "gauges.csv",
    "sections.csv",
    "truth.json",
    "streams.gpkg",
    "layers.gpkg",
    "protected.gpkg",
)

sys.path.insert(0, str(FOLDER))
make = importlib.import_module("make")
gauges_module = importlib.import_module("gauges")
sys.path.remove(str(FOLDER))

SMALL_CELLS = 200


@pytest.fixture(scope="module")
def small():
    return make.build_region(SMALL_CELLS, seed=3)


@pytest.fixture(scope="module")
def truth():
    return json.loads((FOLDER / "truth.json").read_text(encoding="utf-8"))


@pytest.fixture(scope="module")
def dem():
    with rasterio.open(FOLDER / "dem.tif") as source:
        return source.read(1), source.transform


# Places every 2 m or so along a true stream between two distances from its head.
def along(stream, start_m, end_m):
    distance = np.arange(start_m, end_m, 2.0)
    x, y = (np.interp(distance, stream["distance_m"], stream[name]) for name in ("x_m", "y_m"))
    return x, y


# Lowest cell of the nine around each place: the 50 m samples cut the inside of bends by some metres.
def lowest_near(dem, x, y):
    elevation, transform = dem
    row, column = rasterio.transform.rowcol(transform, x, y)
    around = [elevation[row + down, column + right] for down in (-1, 0, 1) for right in (-1, 0, 1)]
    return np.min(around, axis=0)


def channels(truth):
    return MultiLineString(
        [LineString(np.column_stack([s["x_m"], s["y_m"]])) for s in truth["streams"] if len(s["x_m"]) > 1]
    )


def test_the_kept_files_are_those_of_the_script_and_stay_small(truth):
    sizes = [(FOLDER / name).stat().st_size for name in DATA_FILES]

    assert sum(sizes) < 2_000_000
    assert truth["made_from"] == {"cells": 1000, "seed": make.SEED}
    assert truth["flow_law"] == make.flow_law()


@pytest.mark.slow
def test_making_it_twice_gives_the_same_bytes(small, tmp_path):
    again = make.build_region(SMALL_CELLS, seed=3)

    make.write_region(small, tmp_path / "first")
    make.write_region(again, tmp_path / "second")

    # A small region has no surveyed sections.
    for name in sorted(set(DATA_FILES) - {"sections.csv"}):
        assert (tmp_path / "first" / name).read_bytes() == (tmp_path / "second" / name).read_bytes(), name


def test_a_region_without_room_for_streams_is_refused():
    with pytest.raises(ValueError, match="cells must be at least 200"):
        make.build_region(100)


def test_every_layer_is_there_in_its_coordinate_system():
    expected = {"structures", "lakes", "spawning", "migration", "roads", "power_lines", "settlements", "districts"}

    layers = {name for name, _ in pyogrio.list_layers(FOLDER / "layers.gpkg")}

    assert layers == expected | {"region", "embankments", "canals", "drops"}
    for layer in sorted(layers):
        assert pyogrio.read_info(FOLDER / "layers.gpkg", layer=layer)["crs"] == "EPSG:32633", layer
    assert pyogrio.read_info(FOLDER / "streams.gpkg", layer="streams")["crs"] == "EPSG:32633"
    assert pyogrio.read_info(FOLDER / "protected.gpkg", layer="protected")["crs"] == "EPSG:4326"


def test_the_protected_areas_hold_one_bow_tie_and_one_hole():
    protected = gpd.read_file(FOLDER / "protected.gpkg")

    assert (~protected.is_valid).sum() == 1
    assert sum(len(area.interiors) for area in protected.geometry) == 1
    assert {"strict reserve", "landscape"} <= set(protected["category"])


# The river that is the sample region's stem, with its true distances, levels and areas as arrays.
def stem_of(truth):
    stem = max(truth["streams"], key=lambda stream: stream["area_km2"][-1])
    return {name: np.array(values) for name, values in stem.items()}


def test_the_stem_is_a_lowland_river_of_many_low_weirs(truth):
    stem = stem_of(truth)
    law = {name: truth["flow_law"][name][0] for name in "abc"}
    flow_m3s = 10 ** (
        law["a"] + law["b"] * np.log10(stem["area_km2"]) + law["c"] * np.log10(stem["precipitation_mm"])
    )
    kilometres = np.arange(0, stem["distance_m"][-1], 1000.0)
    level_m = np.interp(kilometres, stem["distance_m"], stem["natural_level_m"])
    number = [stream["area_km2"][-1] for stream in truth["streams"]].index(stem["area_km2"][-1])

    weirs = [item for item in truth["structures"] if item["kind"] == "weir" and item["stream"] == number]

    assert flow_m3s.min() > 5.0
    assert flow_m3s.max() < 50.0
    # Kilometre by kilometre, without its weirs.
    assert np.all((-np.diff(level_m) > 0.5) & (-np.diff(level_m) < 3.5))
    assert np.median(-np.diff(level_m)) < 3.0
    assert len(weirs) >= 15
    assert all(0.8 <= item["drop_m"] <= 4.0 for item in weirs)


def test_weirs_are_those_of_mills_irrigation_and_navigation_and_few_are_powered():
    weirs = gpd.read_file(FOLDER / "layers.gpkg", layer="structures").query("kind == 'weir'")

    assert {"mill", "irrigation", "navigation", "none"} == set(weirs["use"])
    assert weirs["powered"].sum() == 2
    assert weirs["fish_pass"].sum() == 1
    assert weirs["removal_planned"].sum() == 1


def test_two_upland_rivers_fall_as_fast_as_diversions_need(truth):
    streams = gpd.read_file(FOLDER / "streams.gpkg").set_index("stream_id")
    for name in ("Oskery", "Vellebeck"):
        (number,) = {truth["mapped"]["stream_of"][label] for label in streams.index[streams["name"] == name]}
        stream = truth["streams"][number]
        at = np.arange(0, stream["distance_m"][-1], 500.0)
        fall_m = -np.diff(np.interp(at, stream["distance_m"], stream["level_m"]))
        # Ten metres of head within 500 m somewhere, a few metres in most places.
        assert fall_m.max() > 10.0, name
        assert 2.0 < np.median(fall_m) < 10.0, name


def test_rivers_that_come_in_state_where_and_with_how_much_ground(truth):
    streams = gpd.read_file(FOLDER / "streams.gpkg").set_index("stream_id")
    stated = streams.loc[streams["inflow_km2"] > 0]

    with_inflow = {number: km2 for number, km2 in enumerate(truth["inflow_km2"]) if km2 > 0}

    assert len(with_inflow) == 3
    assert {truth["mapped"]["stream_of"][label]: km2 for label, km2 in stated["inflow_km2"].items()} == with_inflow
    with rasterio.open(FOLDER / "dem.tif") as source:
        border = box(*source.bounds).exterior
    for label, line in stated.geometry.items():
        stream = truth["streams"][truth["mapped"]["stream_of"][label]]
        head = Point(line.coords[0])
        # Drawn downstream, from some cells within the border; beside the true head as all lines are.
        assert head.distance(border) < 80.0
        assert head.distance(Point(stream["x_m"][0], stream["y_m"][0])) < 30.0
        assert stream["area_km2"][0] >= truth["inflow_km2"][truth["mapped"]["stream_of"][label]]


def test_flood_embankments_stand_over_water_and_plain_in_the_dem(truth, dem):
    elevation, transform = dem
    (works,) = (item for item in truth["works"] if item["kind"] == "embankments")
    stem = stem_of(truth)
    lines = gpd.read_file(FOLDER / "layers.gpkg", layer="embankments")
    held = (stem["distance_m"] > works["from_m"] + 100) & (stem["distance_m"] < works["to_m"] - 100)
    over_m = []
    for x, y, level in zip(*(stem[name][held] for name in ("x_m", "y_m", "level_m")), strict=True):
        for line in lines.geometry:
            on = line.interpolate(line.project(Point(x, y)))
            row, column = rasterio.transform.rowcol(transform, on.x, on.y)
            over_m.append(elevation[row - 1 : row + 2, column - 1 : column + 2].max() - level)

    assert len(over_m) > 60
    assert np.median(over_m) == pytest.approx(works["over_water_m"], abs=0.45)
    assert np.quantile(over_m, 0.1) > 0.8


def test_the_canal_falls_at_its_drops_and_each_drop_states_its_flow(truth):
    drops = gpd.read_file(FOLDER / "layers.gpkg", layer="drops")
    assert list(drops.columns) == ["drop_id", "name", "kind", "drop_m", "flow_m3s", "geometry"]
    assert set(drops["kind"]) == {"canal drop", "outfall"}
    assert (drops["flow_m3s"] > 0).all()
    canal = {name: np.array(values) for name, values in truth["canal"].items()}
    line = LineString(np.column_stack([canal["x_m"], canal["y_m"]]))
    along = np.array([line.project(Point(xy)) for xy in zip(canal["x_m"], canal["y_m"], strict=True)])

    for drop in drops[drops["kind"] == "canal drop"].itertuples():
        at = line.project(drop.geometry)
        above, below = np.interp([at - 55.0, at + 55.0], along, canal["level_m"])
        # 110 m of canal fall by 3 cm.
        assert above - below == pytest.approx(drop.drop_m + 0.033, abs=0.02), drop.drop_id
    assert len(drops) >= 5


def test_surveyed_sections_are_those_of_the_gorge_and_the_sill(truth):
    sections, stem = pd.read_csv(FOLDER / "sections.csv"), stem_of(truth)
    line = LineString(np.column_stack([stem["x_m"], stem["y_m"]]))
    places = {item["kind"]: item for item in truth["works"]}

    for row in sections.itertuples():
        works = places["gorge" if row.width_m < 20 else "sill"]
        at = line.project(Point(row.x, row.y)) * stem["distance_m"][-1] / line.length
        # The mapper's drawing lies up to 22 m beside, and chords of 50 m cut bends.
        assert works["from_m"] - 120 < at < works["to_m"] + 120, row.section_id
        assert row.width_m == works["width_m"]
        assert 0.5 < row.flow_m3s / (row.width_m * row.depth_m) < 2.5, row.section_id


def test_each_step_is_in_the_dem_with_its_true_drop(truth, dem):
    kinds = [item["kind"] for item in truth["structures"]]
    assert kinds.count("weir") >= 15
    assert kinds.count("fall") == 1

    for item in truth["structures"]:
        stream = truth["streams"][item["stream"]]
        # Ponds of weirs are flat for 40 m and more; below, and above the fall, the stream falls on.
        above = lowest_near(dem, *along(stream, item["distance_m"] - 36, item["distance_m"] - 12))
        below = lowest_near(dem, *along(stream, item["distance_m"] + 12, item["distance_m"] + 36))
        fall_of_stream = 48 * 0.04 if item["kind"] == "fall" else 24 * 0.03

        drop_m = np.median(above) - np.median(below)

        # DEM error of 0.15 m, correlated, on either side: 0.3 m is more than twice that of a mean of a few cells.
        assert item["drop_m"] - 0.3 < drop_m < item["drop_m"] + fall_of_stream + 0.3, item["structure_id"]
        assert item["drop_m"] == pytest.approx(item["level_above_m"] - item["level_below_m"], abs=0.0015)
        assert item["kind"] == "fall" or 0.8 <= item["drop_m"] <= 4.0


def test_surveyed_drops_differ_from_the_true_ones_by_their_stated_error(truth):
    surveyed = gpd.read_file(FOLDER / "layers.gpkg", layer="structures").set_index("structure_id")

    true = pd.DataFrame(truth["structures"]).set_index("structure_id")
    standard = (surveyed["drop_m"] - true["drop_m"]) / surveyed["drop_error_m"]

    # Of a dozen normal draws the largest is beyond 3.5 once in two hundred regions, and all below 0.2 never.
    assert standard.abs().max() < 3.5
    assert standard.abs().max() > 0.2
    places = [Point(xy) for xy in zip(true["x_m"], true["y_m"], strict=True)]
    assert surveyed.distance(gpd.GeoSeries(places, index=true.index, crs=surveyed.crs)).max() < 10.0


def test_road_embankments_hide_the_stream_in_the_dem(truth, dem):
    assert len(truth["embankments"]) == 2
    elevation, transform = dem
    for bank in truth["embankments"]:
        # A bank is three cells wide: the cell in its middle lies on it whatever its direction.
        on_road = elevation[rasterio.transform.rowcol(transform, bank["x_m"], bank["y_m"])]

        assert on_road == pytest.approx(bank["crest_m"], abs=0.6)
        assert 4.0 <= bank["crest_m"] - bank["level_m"] <= 6.0
    first = truth["embankments"][0]
    weirs = [w["distance_m"] for w in truth["structures"] if w["stream"] == first["stream"]]
    assert min(abs(at - first["distance_m"] - 100.0) for at in weirs) < 10.0


def test_the_lake_is_flat_and_a_stream_runs_through_it(truth, dem):
    lake = gpd.read_file(FOLDER / "layers.gpkg", layer="lakes")
    streams = gpd.read_file(FOLDER / "streams.gpkg")
    elevation, transform = dem

    # A cell inside the drawn shore by more than its generalisation.
    mask = rasterio.features.geometry_mask(lake.buffer(-10), elevation.shape, transform, invert=True)

    assert mask.sum() > 500
    assert np.ptp(elevation[mask]) == 0.0
    assert elevation[mask][0] == pytest.approx(truth["lake"]["level_m"], abs=1 / 256)
    assert streams.intersection(lake.geometry.iloc[0]).length.max() > 300.0


def test_mapped_streams_lie_beside_the_true_channel_but_not_far_from_it(truth):
    streams = gpd.read_file(FOLDER / "streams.gpkg")
    true_lines = channels(truth)

    vertices = streams.get_coordinates()
    away = gpd.GeoSeries.from_xy(vertices["x"], vertices["y"]).distance(true_lines)

    # The drawing's greatest offset is 22 m; 50 m chords of the true line add some metres in bends.
    assert away.max() < 22.0 + 8.0
    assert 3.0 < away.median() < 15.0


def test_mapped_streams_meet_exactly_but_for_the_three_short_ends(truth):
    streams = gpd.read_file(FOLDER / "streams.gpkg").set_index("stream_id")
    assert streams.index.is_unique
    assert (streams.geom_type == "LineString").all()

    gaps = {}
    for label, line in streams.geometry.items():
        others = streams.drop(label)
        gap = min(others.distance(Point(line.coords[end])).min() for end in (0, -1))
        gaps[label] = gap
    apart = {label: gap for label, gap in gaps.items() if gap > 1e-9}

    short = truth["mapped"]["short_ends"]
    assert len(short) == 3
    # A short end of a stream that nothing else joins is farther than the pieces that meet.
    assert set(apart) <= set(short) | {label for label, gap in gaps.items() if gap > 100.0}
    for label in short:
        line = streams.geometry[label]
        ends = [streams.drop(label).distance(Point(line.coords[end])).min() for end in (0, -1)]
        assert any(0.5 < gap < 3.0 for gap in ends), label


def test_just_the_listed_features_are_drawn_uphill(truth):
    streams = gpd.read_file(FOLDER / "streams.gpkg").set_index("stream_id")
    x, y, level = (np.concatenate([s[name] for s in truth["streams"]]) for name in ("x_m", "y_m", "level_m"))

    def level_at(point):
        return level[np.argmin(np.hypot(x - point[0], y - point[1]))]

    # A feature shorter than the distance of the truth's samples cannot be judged by its ends.
    streams = streams[streams.length > 60.0]
    fall = {
        label: level_at(line.coords[0]) - level_at(line.coords[-1]) for label, line in streams.geometry.items()
    }
    uphill = sorted(label for label, metres in fall.items() if metres < 0)

    assert uphill == truth["mapped"]["reversed"]
    assert len(uphill) == 3


# The true streams with what came in from outside above each place [km²], which no router can see.
def with_carried(truth):
    streams = [
        stream | {"carried_km2": np.full(len(stream["x_m"]), km2)}
        for stream, km2 in zip(truth["streams"], truth["inflow_km2"], strict=True)
    ]
    for stream in reversed(streams):
        if stream["into"] >= 0:
            stem = streams[stream["into"]]
            away = np.hypot(np.array(stem["x_m"]) - stream["x_m"][-1], np.array(stem["y_m"]) - stream["y_m"][-1])
            # The nearer sample may lie above the confluence; there the area has not risen yet.
            joins = int(np.argmin(away))
            if stream["carried_km2"][-1] > 0:
                rise = np.diff(np.array(stem["area_km2"])[max(0, joins - 2) : joins + 3])
                joins = max(0, joins - 2) + 1 + int(np.argmax(rise))
            stem["carried_km2"][joins:] += stream["carried_km2"][-1]
    return streams


def test_drained_areas_agree_with_another_router_on_the_delivered_dem(truth, dem):
    elevation, transform = dem
    carved = elevation.astype(np.float64)
    for stream in truth["streams"]:
        distance = np.arange(0, stream["distance_m"][-1], 4.0)
        x, y, level = (np.interp(distance, stream["distance_m"], stream[k]) for k in ("x_m", "y_m", "level_m"))
        row, column = rasterio.transform.rowcol(transform, x, y)
        # Under road banks and out of the noise, so that one thread of cells carries all the water.
        carved[row, column] = np.minimum(carved[row, column], level - 2.0)
    flow = pyflwdir.from_dem(carved, nodata=-9999.0, transform=transform, latlon=False)
    routed = flow.upstream_area(unit="km2")

    ratio = []
    for stream in with_carried(truth):
        area = np.array(stream["area_km2"]) - stream["carried_km2"]
        for k in range(2, area.size - 2):
            row, column = rasterio.transform.rowcol(transform, stream["x_m"][k], stream["y_m"][k])
            # Confluences hold two streams in a few cells, and the two routers part ways along the border.
            if area[k + 1] > 1.1 * area[k - 1] or not (50 < row < 950 and 50 < column < 950):
                continue
            ratio.append(routed[row - 1 : row + 2, column - 1 : column + 2].max() / area[k])

    away = np.abs(np.array(ratio) - 1)
    assert away.size > 1000
    assert np.median(away) < 0.01
    assert np.quantile(away, 0.95) < 0.05


def test_areas_never_fall_and_levels_never_rise_downstream(truth):
    for stream in truth["streams"]:
        assert np.all(np.diff(stream["area_km2"]) >= 0)
        assert np.all(np.diff(stream["level_m"]) <= 0)
        assert np.all(np.array(stream["level_m"]) >= np.array(stream["natural_level_m"]))


# Least-squares coefficients, their standard errors and the residual scatter of one statistic of a gauge table.
def fit(gauges, statistic):
    design = np.column_stack(
        [np.ones(len(gauges)), np.log10(gauges["area_km2"]), np.log10(gauges["precipitation_mm"])]
    )
    found, squares, _, _ = np.linalg.lstsq(design, np.log10(gauges[statistic]), rcond=None)
    scatter = np.sqrt(squares[0] / (len(gauges) - 3))
    return found, scatter * np.sqrt(np.diag(np.linalg.inv(design.T @ design))), scatter


@pytest.mark.parametrize("statistic", ["flow_mean_m3s", "flow_q50_m3s", "flow_q95_m3s"])
def test_least_squares_finds_the_law_of_the_gauges_again(truth, statistic):
    gauges, law = pd.read_csv(FOLDER / "gauges.csv"), truth["flow_law"]
    number = law["statistics"].index(statistic)
    known = np.array([law[name][number] for name in "abc"])

    found, error, scatter = fit(gauges, statistic)

    assert len(gauges) >= 40
    assert np.all(np.abs(found - known) < 2 * error)
    # Chi-squared with 45 degrees of freedom: the scatter is known to a tenth of itself, two and a half of those.
    assert scatter == pytest.approx(law["scatter_log10"][number], rel=0.26)


def test_over_many_simulations_the_law_lies_within_two_errors_as_often_as_student_says():
    law = make.flow_law()
    statistics = ("flow_mean_m3s", "flow_q95_m3s")
    known = {s: np.array([law[name][law["statistics"].index(s)] for name in "abc"]) for s in statistics}

    within = []
    for seed in range(150):
        gauges = gauges_module.draw_gauges(law, [], 48, (0.0, 0.0), seed)
        fits = {s: fit(gauges, s) for s in statistics}
        within.append([np.abs(fits[s][0] - known[s]) < 2 * fits[s][1] for s in statistics])

    # P(|t| < 2) with 45 degrees of freedom is 0.9485; 150 draws know it to 0.018 for each coefficient.
    assert np.mean(within, axis=0) == pytest.approx(2 * student.cdf(2.0, 45) - 1, abs=3 * 0.018)


def test_duration_curves_of_the_gauges_do_not_cross_and_one_gauge_alone_has_more_water_than_rain(truth):
    gauges = pd.read_csv(FOLDER / "gauges.csv")
    flows = gauges[[f"flow_q{p:02d}_m3s" for p in (5, 10, 20, 30, 40, 50, 60, 70, 80, 90, 95)]].to_numpy()

    yield_m3s_per_km2 = gauges["flow_mean_m3s"] / gauges["area_km2"]

    assert np.all(np.diff(flows, axis=1) < 0)
    # A river carries less than falls on its land: 1 m³/s from a km² is 31 557.6 mm a year.
    runoff_share = yield_m3s_per_km2 * 31_557.6 / gauges["precipitation_mm"]
    assert 0.5 < runoff_share.median() < 0.8
    assert gauges.loc[runoff_share > 1, "gauge_id"].tolist() == truth["planted"]["gauges"]
    assert len(truth["planted"]["gauges"]) == 1


def test_the_rain_lies_between_700_and_1400_mm_and_covers_the_dem():
    with rasterio.open(FOLDER / "rainfall.tif") as rain, rasterio.open(FOLDER / "dem.tif") as dem:
        values = rain.read(1)

        assert rain.crs == dem.crs
        assert values.min() >= 700
        assert values.max() <= 1400
        assert np.ptp(values) > 300
        assert box(*rain.bounds).contains(box(*dem.bounds))


def test_districts_cover_the_region_without_overlap():
    districts = gpd.read_file(FOLDER / "layers.gpkg", layer="districts")
    region = gpd.read_file(FOLDER / "layers.gpkg", layer="region")

    outside = region.geometry.iloc[0].difference(districts.union_all())

    assert outside.area == pytest.approx(0.0, abs=1.0)
    assert districts.area.sum() == pytest.approx(districts.union_all().area)
