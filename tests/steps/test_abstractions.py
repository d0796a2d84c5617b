"""A run with abstractions, in which months differ, one is closed for fish, and the user chose a published rule."""

import math
from pathlib import Path

import geopandas
import numpy as np
import pytest
import shapely
from partial_run import tables_of
from scipy import stats
from small_valley import worked_by_hand

from sitefinder.errors import SitefinderError
from sitefinder.preparation import read_run

FILES = Path(__file__).parent / "by_hand"
CRS = "EPSG:32633"
WEST, NORTH, CELL = 500_000.0, 5_000_000.0, 10.0
MIDDLE = NORTH - 5.5 * CELL
# Half a year wet, half a year dry, such that the mean of the days is that of the year, 50 m³/s/km².
WET, TAKEN_M3S = 70.0, 0.02
DRY = (50.0 * 365 - WET * 181) / 184
MONTH = """
[[equations]]
statistic = "month_{month:02d}_mean"
form = "log10"
factor = {factor}
standard_error_log10 = 0.1

[[equations.predictors]]
name = "area"
unit = "km2"
coefficient = 1.0
minimum = 0.001
maximum = 1.0
"""
MONTHS = "".join(MONTH.format(month=month, factor=WET if month <= 6 else DRY) for month in range(1, 13))
PRESET = '[[flows.environmental]]\npreset = "tennant.toml"\nchoice = "fair or degrading"\n'
LAYERS = '[inputs.abstractions]\npath = "abstractions.gpkg"\nlayer = "taken"\nid_column = "id"\n\n[inputs.karst]\n'
LAYERS += 'path = "abstractions.gpkg"\nlayer = "karst"\n\n'


@pytest.fixture
def valley(tmp_path, write_region, repository):
    """A function that writes the valley that is worked by hand, with changes to its two files of text."""

    def write(settings=lambda text: text, months=MONTHS):
        ground, layers = worked_by_hand()
        texts = {path.name: path.read_text(encoding="utf-8") for path in FILES.glob("*.toml")}
        texts["equations.toml"] += months
        text = texts["run.toml"].replace("[network]\n", LAYERS + "[network]\n")
        text = text.replace("[flows]\n", "[flows]\nclosed_months = [7]\n").replace(
            "[stretches]", f"{PRESET}\n[stretches]"
        )
        # So that a small plant pays.
        texts["run.toml"] = settings(text.replace("price_per_kwh = 0.25", "price_per_kwh = 0.9"))
        texts["tennant.toml"] = (repository / "config/environmental-flow/tennant_montana.toml").read_text(
            encoding="utf-8"
        )
        write_region(tmp_path, *ground, layers, texts)
        points = geopandas.GeoDataFrame(
            {"id": ["mill", "far"], "kind": "abstraction", "flow_m3s": TAKEN_M3S},
            geometry=shapely.points([(WEST + 275, MIDDLE + 10), (WEST + 275, MIDDLE + 400)]),
            crs=CRS,
        )
        points.to_file(tmp_path / "abstractions.gpkg", layer="taken", driver="GPKG")
        karst = geopandas.GeoDataFrame(geometry=[shapely.box(WEST, MIDDLE - 9, WEST + 110, MIDDLE + 9)], crs=CRS)
        karst.to_file(tmp_path / "abstractions.gpkg", layer="karst", driver="GPKG")
        return tmp_path / "run.toml"

    return write


def test_a_year_of_months_with_water_taken_and_a_month_closed(valley):
    layers = tables_of(valley(), "sites", "site_months", "provenance")

    site = layers["sites"].iloc[0]
    months = layers["site_months"]
    assert len(layers["sites"]) == 1
    assert months["month"].tolist() == list(range(1, 13))
    # The intake's catchment is 30 columns of 11 cells of 100 m²; the mill takes its water above it.
    area = 0.033
    flow = [area * (WET if month <= 6 else DRY) - TAKEN_M3S for month in range(1, 13)]
    assert months["flow_mean_m3s"].tolist() == pytest.approx(flow, rel=1e-9)
    assert site["flow_mean_m3s"] == pytest.approx(50 * area - TAKEN_M3S, rel=1e-9)
    # The year's own rules, 15 % of the mean and Q95, are less than 30 % of the mean, which Tennant's summer keeps;
    # where less flows it all stays, so that a month keeps no more on average.
    july, environmental_flow = months["month"] == 7, months["environmental_flow_m3s"]
    assert environmental_flow[july].tolist() == pytest.approx([flow[6]])
    summer = months["month"].between(4, 9) & ~july
    assert (environmental_flow[summer] <= 0.3 * 50 * area).all()
    assert (environmental_flow[summer & (months["month"] <= 6)] > 0.27 * 50 * area).all()
    # Winter keeps 15 % of the mean or Q95 at most.
    assert (environmental_flow[~summer & ~july] < 0.2 * 50 * area).all()
    # Energy: none in July, and the months are the year.
    assert months["energy_mwh"][july].tolist() == [0.0]
    assert months["energy_mwh"][~july].min() > 0
    assert months["energy_mwh"].sum() == pytest.approx(site["energy_mwh"], rel=1e-9)
    assert site["environmental_flow_m3s"] == pytest.approx(
        np.average(environmental_flow, weights=[31, 28, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31])
    )
    assert months["is_closed"].tolist() == july.tolist()
    provenance = layers["provenance"].set_index("name")
    assert provenance.loc["environmental flow rule 4", "source"].startswith(
        "Tennant (Montana method), fair or degrading: D. L."
    )


def test_karst_and_abstraction_show_in_flags_interval_and_repairs(valley):
    layers = tables_of(valley(), "sites", "reaches", "repairs")

    reach = layers["reaches"].iloc[-1]
    # Lower end of the one reach: all 61 columns drain to it, since the stream ends in the last. 11 of them lie at
    # the losing piece, more than 10 %. The error in m³/s stays when water is taken, and that of karst, 0.3 in
    # logs, comes to that of the equation.
    mean = 50 * 0.0671
    log_sd = math.hypot(0.1 * math.log(10), 0.3) * mean / (mean - TAKEN_M3S)
    t = stats.t.ppf(0.95, 22 - 2)
    assert "karst" in reach["flags"].split("; ")
    ratio = reach["flow_mean_high_m3s"] / reach["flow_mean_low_m3s"]
    assert math.log(ratio) == pytest.approx(2 * t * log_sd, rel=1e-9)
    # 0.02 of 1.65 m³/s at the intake is 1.2 %, of 3.4 m³/s at the end 0.6 %: flagged there, faded here.
    assert "flow_altered" in layers["sites"].iloc[0]["flags"]
    assert "flow_altered" not in reach["flags"]
    far = layers["repairs"][layers["repairs"]["layer"] == "abstractions"]
    assert far[["feature", "action"]].to_numpy().tolist() == [["far", "not used"]]


def test_rules_by_month_without_flows_by_month_are_refused_before_anything_long_begins(valley):
    path = valley(months="")

    with pytest.raises(SitefinderError) as caught:
        read_run(path)

    text = str(caught.value)
    assert text.startswith("the settings go by the month, but nothing gives the flow of a month")
    assert "by the month: flows.closed_months, an environmental flow rule of kind share_of_mean" in text


def test_a_preset_without_a_choice_and_a_wrong_layer_are_reported_together(valley, tmp_path):
    path = valley(lambda text: text.replace('choice = "fair or degrading"\n', ""))
    frame = geopandas.read_file(tmp_path / "abstractions.gpkg", layer="taken").assign(kind="mill")
    frame.to_file(tmp_path / "abstractions.gpkg", layer="taken", driver="GPKG")

    with pytest.raises(SitefinderError) as caught:
        read_run(path)

    assert "flows.environmental does not say which of the preset's rules to take" in str(caught.value)
    assert "kind must be abstraction, transfer_out, return, transfer_in (features mill, far)" in str(caught.value)


def test_a_closed_month_gives_nothing_in_wet_years_either(valley):
    def shut(text):
        text = text.replace("closed_months = [7]", "closed_months = [1, 2, 3, 4, 5, 6]")
        text = text.replace("price_per_kwh = 0.9", "price_per_kwh = 9.0")
        return text.replace("simulations = 50", "simulations = 50\nyear_to_year_sd = 0.5\nefficiency_sd = 0.0")

    layers = tables_of(valley(shut), "sites")

    # Half a year is open: no draw is above the rated power for its 184 days. The rating goes with the head that is
    # drawn: one draw in ten is above 1.28 of its standard errors, and two of them leave room for the 50 draws.
    site = layers["sites"].iloc[0]
    assert site["energy_mwh"] > 0
    net_m = site["head_m"] - 0.001 * site["headrace_length_m"] - 0.15 - 0.05
    rated_kw = site["power_kw"] * (1 + 2 * site["head_se_m"] / net_m)
    assert site["energy_mwh_p10"] <= rated_kw * 184 * 24 * 0.9 / 1000
    # The whole year at the rated power would be twice as much.
    assert 2 * site["head_se_m"] < 0.5 * net_m
