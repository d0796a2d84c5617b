"""The depleted reach of a diversion in a made valley with a tributary, by plain arithmetic.

The files of ``by_hand`` make every flow a number times the catchment: 50 m³/s a km² in the mean. Width and depth
are those of hydraulic geometry, so that they are powers of the flow. The place is invented.
"""

from pathlib import Path

import geopandas
import numpy as np
import pytest
import shapely
from partial_run import tables_of

FILES = Path(__file__).parent / "by_hand"
CRS = "EPSG:32633"
WEST, NORTH, CELL = 500_000.0, 5_000_000.0, 10.0  # m
# A straight valley to the east with its stream along row 15; a brook comes down column 32 from the north.
ROWS, COLUMNS, STREAM_ROW, BROOK_COLUMN, STEP_COLUMN = 31, 61, 15, 32, 31
FALL, STEP, SIDE = 1 / 16, 2.5, 10.0  # m from column to column; between columns 30 and 31; from row to row
MEAN_M3S_A_KM2 = 50.0
MIN_DEPTH_M = 0.3
# Hydraulic geometry of the settings below: width and depth at 1 m³/s, and the powers of mean flow and of flow.
WIDTH_M, DEPTH_M, OF_MEAN, OF_FLOW = 7.0, 0.25, (0.5, 0.4), (0.26, 0.4)
MONTHS = [0.4, 0.5, 1.6, 2.4, 2.0, 1.2, 0.8, 0.6, 0.5, 0.6, 0.7, 0.7]


def elevation_m(row, column):
    """The valley, and the brook's own with sides as steep."""
    bed = 200.0 - FALL * column - (STEP if column >= STEP_COLUMN else 0.0)
    away = abs(row - STREAM_ROW)
    beside = 2.0 * away + SIDE * abs(column - BROOK_COLUMN) if row < STREAM_ROW else np.inf
    return bed + min(SIDE * away, beside)


def run_valley(folder, write_region, more=""):
    elevation = np.array([[elevation_m(row, column) for column in range(COLUMNS)] for row in range(ROWS)])
    middle = NORTH - (STREAM_ROW + 0.5) * CELL
    meeting = WEST + (BROOK_COLUMN + 0.5) * CELL
    texts = {path.name: path.read_text(encoding="utf-8") for path in FILES.glob("*.toml")}
    settings = texts["run.toml"]
    for old, new in (
        ('method = "none"', f'method = "hydraulic_geometry"\ndepth_at_1_m3s_m = {DEPTH_M}\n'
         f"downstream_exponent = {OF_MEAN[1]}\nstation_exponent = {OF_FLOW[1]}"),
        ("min_head_m = 2.6", "min_head_m = 3.0"),
        ("longest_m = 50.0", "longest_m = 100.0"),
    ):  # fmt: skip
        assert old in settings
        settings = settings.replace(old, new)
    settings += f"\n[channel]\nwidth_at_1_m3s_m = {WIDTH_M}\ndownstream_exponent = {OF_MEAN[0]}\n"
    settings += f"station_exponent = {OF_FLOW[0]}\n[depleted_reach]\nmin_depth_m = {MIN_DEPTH_M}\n{more}"
    line = shapely.LineString([(WEST + 3.0, middle), (WEST + 603.0, middle)])
    layers = {name: line for name in ("roads", "power_lines")}
    layers["migration"] = shapely.box(WEST, middle - 5, WEST + 603.0, middle + 5)
    write_region(folder, elevation, (WEST, NORTH), CELL, layers, texts | {"run.toml": settings})
    brook = shapely.LineString([(meeting, NORTH - 5.0), (meeting, middle)])
    upper = shapely.LineString([(WEST + 3.0, middle), (meeting, middle)])
    lower = shapely.LineString([(meeting, middle), (WEST + 603.0, middle)])
    streams = {"id": ["upper", "brook", "lower"], "name": ["Main", "Brook", "Main"]}
    frame = geopandas.GeoDataFrame(streams, geometry=[upper, brook, lower], crs=CRS)
    frame.to_file(folder / "layers.gpkg", layer="streams")
    layers = ("sites", "depleted_reaches", "reaches", "flow_curves", "site_months")
    return tables_of(folder / "run.toml", *layers)


@pytest.fixture(scope="module")
def valley(tmp_path_factory, write_region):
    return run_valley(tmp_path_factory.mktemp("depleted"), write_region)


@pytest.fixture(scope="module")
def by_month(tmp_path_factory, write_region):
    more = f'[flows.regime]\nfactors = {MONTHS}\nsource = "invented"\n'
    return run_valley(tmp_path_factory.mktemp("depleted_months"), write_region, more)


def test_what_is_left_is_what_passes_the_intake_and_what_the_tributary_brings(valley):
    (site,) = valley["sites"].to_dict("records")
    places = valley["depleted_reaches"].sort_values("position").to_dict("records")
    reaches = valley["reaches"].set_index("feature_id")

    assert [place["place"] for place in places] == ["below the intake", "below a tributary", "above the tailrace"]
    assert [place["month"] for place in places] == [0, 0, 0]
    below, joined, above = places
    # At the intake 50 m³/s a km² come, and the turbine takes its share of them.
    comes = MEAN_M3S_A_KM2 * site["area_km2"]
    assert below["flow_natural_m3s"] == pytest.approx(comes)
    assert below["flow_left_m3s"] == pytest.approx(comes * (1 - site["used_share"]))
    assert 0.2 < site["used_share"] < 0.9
    # The brook brings its own, and the banks above it little.
    brook = MEAN_M3S_A_KM2 * reaches.loc["brook", "area_km2"]
    main = MEAN_M3S_A_KM2 * reaches.loc["upper", "area_km2"]
    assert brook > 0.1 * comes
    assert joined["flow_natural_m3s"] == pytest.approx(brook + main)
    assert joined["flow_left_m3s"] == pytest.approx(below["flow_left_m3s"] + brook + main - comes)
    # Below it, only banks: no less than the brook brought.
    assert above["flow_left_m3s"] >= joined["flow_left_m3s"]
    gained = above["flow_natural_m3s"] - comes
    assert above["flow_left_m3s"] == pytest.approx(below["flow_left_m3s"] + gained)
    assert site["depleted_inflow_mean_m3s"] == pytest.approx(gained)
    assert site["depleted_flow_mean_m3s"] == pytest.approx(below["flow_left_m3s"])
    assert site["depleted_length_m"] == pytest.approx(site["length_m"])
    assert above["distance_m"] == pytest.approx(site["length_m"])


def test_width_and_depth_are_the_powers_of_the_flow_left(valley):
    for place in valley["depleted_reaches"].to_dict("records"):
        mean = place["flow_natural_m3s"]
        for flow, ending in ((mean, "_natural_m"), (place["flow_left_m3s"], "_m")):
            relative = flow / mean
            width_m = WIDTH_M * mean ** OF_MEAN[0] * relative ** OF_FLOW[0]
            depth_m = DEPTH_M * mean ** OF_MEAN[1] * relative ** OF_FLOW[1]
            assert place[f"width{ending}"] == pytest.approx(width_m)
            assert place[f"depth{ending}"] == pytest.approx(depth_m)
        assert place["is_shallow"] == (place["depth_m"] < MIN_DEPTH_M)


def test_the_time_below_the_minimum_depth_is_read_off_the_duration_curve(valley):
    (site,) = valley["sites"].to_dict("records")
    # The depth is least at the intake, where least flows; the flow at which it is the minimum:
    mean = site["flow_mean_m3s"]
    flow = mean * (MIN_DEPTH_M / (DEPTH_M * mean ** OF_MEAN[1])) ** (1 / OF_FLOW[1])
    curve = valley["flow_curves"].sort_values("exceedance_percent")
    exceeded = np.interp(-np.log(flow), -np.log(curve["flow_m3s"]), curve["exceedance_percent"]) / 100

    # The year has 200 bins, and the curve is read between its percentiles.
    assert site["depleted_shallow_natural_share"] == pytest.approx(1 - exceeded, abs=0.01)
    # Where all of the environmental flow alone is too shallow, so is the reach whenever the plant takes the rest.
    assert site["depleted_shallow_share"] > site["depleted_shallow_natural_share"]


def test_months_add_up_to_the_year_and_a_drier_one_leaves_less(by_month):
    places = by_month["depleted_reaches"]
    for _, place in places.groupby("position"):
        year, months = place[place["month"] == 0].iloc[0], place[place["month"] > 0].sort_values("month")
        assert months["month"].tolist() == list(range(1, 13))
        # Months of equal weight up to their days.
        days = np.array([31, 28.2425, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31])
        for name in ("flow_natural_m3s", "flow_left_m3s"):
            assert np.average(months[name], weights=days) == pytest.approx(year[name], rel=2e-3)
        assert months["flow_natural_m3s"].idxmin() == months["flow_natural_m3s"].index[0]
        assert (months["flow_left_m3s"] <= months["flow_natural_m3s"] + 1e-12).all()
    # The intake's months are those of the layer of months.
    own = places[(places["position"] == 1) & (places["month"] > 0)].sort_values("month")
    of_site = by_month["site_months"].sort_values("month")
    assert own["flow_left_m3s"].to_numpy() == pytest.approx(of_site["flow_left_m3s"].to_numpy())
    assert own["flow_natural_m3s"].to_numpy() == pytest.approx(of_site["flow_mean_m3s"].to_numpy())
