"""Gauges and spot gaugings in a run of the sample region: read, brought to their stream, used, and reported."""

import re

import geopandas
import numpy as np
import pandas as pd
import pytest
import shapely

from sitefinder.errors import ConfigError, InputError
from sitefinder.hydrology.duration_curve import BIN_EXCEEDANCE, flow_at
from sitefinder.hydrology.gauges import gauge_flows
from sitefinder.io.digests import Memory, remembering
from sitefinder.preparation import read_run
from sitefinder.schema.field_form import COLUMNS as FORM
from sitefinder.steps.flows import estimate_station_flows, flag_extended, list_record_doubts
from sitefinder.steps.inputs import with_year_to_year

GAUGE_PLACES = 'x_column = "x_m"\ny_column = "y_m"\ncrs = "EPSG:32633"\n'
NEAR = "[flows.near_gauges]\n"
SPOTS = '[inputs.spot_gaugings]\npath = "../spots.csv"\ncrs = "EPSG:32633"\n'
# What says nothing of flows, which is read no more often than need be.
NOT_READ = ("districts", "structures", "drops", "lakes", "roads", "power_lines", "settlements", "sections")
RULES = ("strict reserve", "landscape protection", "wet meadow", "gorge", "migration stem")
SPOT_HEADER = "gauging_id,x,y,date,flow_m3s,error_percent,gauge_id,gauge_flow_m3s\n"


@pytest.fixture(scope="module")
def checked(copy_sample, tmp_path_factory):
    """A function that reads the sample's settings with more of them, spot gaugings and files beside.

    What several tests ask for is read once, and so are the rasters, which are the same for all.
    """
    known, memory = {}, Memory()
    rasters = copy_sample(tmp_path_factory.mktemp("rasters") / "region").parents[1] / "sample-region"

    def read(more="", spots="", gauges="", table=None, files=None):
        asked = repr((more, spots, gauges, table, files))
        if asked not in known:
            known[asked] = read_now(more, spots, gauges, table, files)
        return known[asked]

    def read_now(more, spots, gauges, table, files):
        folder = tmp_path_factory.mktemp("measured") / "region"
        path = copy_sample(folder)
        if table is not None:
            (folder / "sample-region" / "gauges.csv").write_text(table + "\n", encoding="utf-8")
        for file, content in (files or {}).items():
            (folder / "sample-region" / file).write_text(content, encoding="utf-8")
        text = path.read_text(encoding="utf-8")
        assert GAUGE_PLACES in text
        others = rf"\[inputs\.(?:{'|'.join(NOT_READ)})\]\n|\[\[rules\]\]\nname = \"(?:{'|'.join(RULES)})\"\n"
        text, count = re.subn(rf"(?:{others})(?:.+\n)*", "", text)
        assert count == len(NOT_READ) + len(RULES)
        text = text.replace(GAUGE_PLACES, "").replace("[flows.gauges]\n", f"[flows.gauges]\n{gauges}")
        text, count = re.subn(r'"\.\./sample-region/(?=\w+\.tif")', f'"{rasters.as_posix()}/', text)
        assert count == 2
        path.write_text(f"{text}\n{more}", encoding="utf-8")
        (folder / "spots.csv").write_text(SPOT_HEADER + spots, encoding="utf-8")
        with remembering(memory):
            return read_run(path)

    return read


def estimated(sample_run, settings, inputs):
    results = sample_run.results
    return estimate_station_flows(settings, inputs, results["stationing"], results["catchments"])


def place(sample_run, station):
    x, y = sample_run.results["stationing"].stations.loc[station, ["x_m", "y_m"]]
    return f"{x:.1f},{y:.1f}"


# A station with a large catchment, away from confluences.
@pytest.fixture(scope="module")
def station(sample_run):
    results = sample_run.results
    stations, area_km2 = results["stationing"].stations, results["catchments"]["area_km2"].to_numpy()
    flow_mean_m3s = results["flows"].estimate.mean_m3s
    inside = (stations["segment_length_m"] > 0).to_numpy() & ~np.isnan(flow_mean_m3s)
    inside &= stations["x_m"].between(403_000, 411_000).to_numpy()
    places = stations[["x_m", "y_m"]].to_numpy()
    order = [number for number in np.argsort(-area_km2) if inside[number]]
    others = {number: area_km2 < 0.5 * area_km2[number] for number in order[:200]}
    return next(
        int(number)
        for number, is_other in others.items()
        if np.hypot(*(places[is_other] - places[number]).T).min() > 250.0
    )


def test_gauges_on_the_regions_streams_narrow_the_interval_there_and_are_named(sample_run, checked):
    settings, inputs = checked(NEAR, gauges=GAUGE_PLACES)

    flows = estimated(sample_run, settings, inputs)

    estimate, before = flows.estimate, sample_run.results["flows"].estimate
    near = np.array(["gauge" in source for source in estimate.source])
    assert 0 < near.sum() < len(near) / 2
    assert (estimate.mean_log_sd[near] < before.mean_log_sd[near]).all()
    np.testing.assert_array_equal(estimate.mean_m3s[~near], before.mean_m3s[~near])
    assert estimate.curve_m3s.mean(axis=1) == pytest.approx(estimate.mean_m3s, rel=1e-9, nan_ok=True)
    # At the place of a gauge its own flow comes out, but for the equations' small say.
    entries = flows.measured.set_index("feature")
    used = entries.index[entries["action"].str.startswith("carried to")]
    assert len(used) > 0
    for gauge in used:
        row = inputs.gauges.loc[gauge]
        stations = sample_run.results["stationing"].stations
        at = int(np.argmin(np.hypot(stations["x_m"] - row["x_m"], stations["y_m"] - row["y_m"])))
        ratio = estimate.mean_m3s[at] / row["flow_mean_m3s"]
        assert abs(np.log(ratio)) < abs(np.log(before.mean_m3s[at] / row["flow_mean_m3s"])) + 1e-9


def test_a_gauging_of_a_visit_is_used_as_a_spot_gauging_is_and_held_against_the_flow_of_the_day(
    sample_run, checked, station
):
    x, y = place(sample_run, station).split(",")
    form = (
        f"{','.join(column.name for column in FORM)}\n"
        f"S1@1,1,,diversion,EPSG:32633,{x},{y},{x},{y},,,A,2026-04-02,,,,,9.0,8,G001,6.0,,,,,,\n"
    )
    seen = '[inputs.observations]\npath = "../sample-region/seen.csv"\n'
    settings, inputs = checked(seen, files={"seen.csv": form})
    spots = f"S1@1 on 2026-04-02,{x},{y},2026-04-02,9.0,8,G001,6.0\n"
    other, stated = checked(SPOTS, spots=spots)

    flows, same = estimated(sample_run, settings, inputs), estimated(sample_run, other, stated)

    np.testing.assert_array_equal(flows.estimate.curve_m3s, same.estimate.curve_m3s)
    assert not np.array_equal(flows.estimate.curve_m3s, sample_run.results["flows"].estimate.curve_m3s)
    (row,) = flows.gauged.itertuples(index=False)
    before = sample_run.results["flows"].estimate
    assert row.expected_low_m3s < row.expected_m3s < row.expected_high_m3s
    assert row.expected_m3s in before.curve_m3s[station] or (
        before.curve_m3s[station].min() < row.expected_m3s < before.curve_m3s[station].max()
    )
    # The interval is that of the estimate, of the gauging and of its exceedance together.
    spread = np.log(row.expected_high_m3s / row.expected_m3s) / 1.645
    assert spread > before.mean_log_sd[station]


def test_gauges_far_from_all_streams_are_reported_and_left_out(sample_run, checked):
    settings, inputs = checked(NEAR, gauges=GAUGE_PLACES)

    entries = estimated(sample_run, settings, inputs).measured

    left_out = entries[entries["action"] == "not used"].iloc[0]
    carried = entries["action"].str.startswith("carried to")
    # Most of the gauges lie in the country around; four are on the region's own streams.
    assert left_out["problem"] == f"{len(inputs.gauges) - carried.sum()} gauges: no stream within 100 m"
    assert left_out["feature"].startswith("G005, G006, ")
    assert entries["feature"][carried].tolist() == ["G001", "G002", "G003", "G004"]


def test_a_gauge_of_few_years_counts_less_where_the_spread_of_years_is_known(sample_run, checked):
    years = "[uncertainty]\nyear_to_year_sd = 0.3\n"
    settings, inputs = checked(NEAR, gauges=GAUGE_PLACES)
    spread, few = checked(NEAR + years, gauges=GAUGE_PLACES)
    few = few._replace(measured_gauges=few.measured_gauges.assign(record_years=9.0))

    sure, unsure = (estimated(sample_run, *read).estimate for read in ((settings, inputs), (spread, few)))

    near = np.array(["gauge" in source for source in sure.source])
    assert (unsure.mean_log_sd[near] > sure.mean_log_sd[near]).all()
    # At the gauge: 0.05 for the rating, and 0.3 / √9 for the years.
    before = sample_run.results["flows"].estimate.mean_log_sd
    best = int(np.nanargmin(unsure.mean_log_sd / before))
    left = 1 / (1 / before[best] ** 2 + 1 / (0.05**2 + 0.1**2))
    assert unsure.mean_log_sd[best] == pytest.approx(np.sqrt(left), rel=0.02)


def test_without_the_table_of_near_gauges_nothing_changes(sample_run, checked):
    settings, inputs = checked(gauges=GAUGE_PLACES)

    flows = estimated(sample_run, settings, inputs)

    np.testing.assert_array_equal(flows.estimate.mean_m3s, sample_run.results["flows"].estimate.mean_m3s)
    assert set(flows.estimate.source) == {"equation"}
    assert flows.measured.empty


def test_a_gauge_whose_stated_area_is_not_that_of_its_stream_is_left_out(sample_run, checked, station, tmp_path):
    settings, inputs = checked(NEAR, gauges=GAUGE_PLACES)
    at = shapely.Point(*sample_run.results["stationing"].stations.loc[station, ["x_m", "y_m"]])
    moved = inputs.measured_gauges.iloc[:1].set_geometry([at], crs=settings.run.crs).assign(area_km2=1.0)

    entries = estimated(sample_run, settings, inputs._replace(measured_gauges=moved)).measured

    assert entries["action"].tolist() == ["not used"]
    assert entries["problem"].iloc[0].startswith("gauge: 1 km² as stated, ")


def test_near_gauges_without_places_are_refused(checked):
    with pytest.raises(ConfigError, match=r"flows\.near_gauges needs gauges with coordinates, and there are none"):
        checked(NEAR)


def test_gauges_of_a_layer_bring_flows_of_their_own(sample_run, checked, station, tmp_path):
    x, y = sample_run.results["stationing"].stations.loc[station, ["x_m", "y_m"]]
    area_km2 = sample_run.results["catchments"]["area_km2"].iloc[station]
    frame = geopandas.GeoDataFrame(
        {
            "number": ["L9"],
            "flow_mean_m3s": [2.0],
            "flow_q10_m3s": [5.0],
            "flow_q90_m3s": [0.4],
            "area_km2": [area_km2],
        },
        geometry=[shapely.Point(x, y)],
        crs="EPSG:32633",
    )
    frame.to_file(tmp_path / "stations.gpkg", layer="stations", driver="GPKG")
    path = (tmp_path / "stations.gpkg").as_posix()
    layer = f'[inputs.gauge_stations]\npath = "{path}"\nid_column = "number"\n'

    settings, inputs = checked(NEAR + layer)
    flows = estimated(sample_run, settings, inputs)

    before = sample_run.results["flows"].estimate
    weight = before.mean_log_sd[station] ** 2 / (before.mean_log_sd[station] ** 2 + 0.05**2)
    assert flows.estimate.source[station] == f"gauge L9 {100 * weight:.0f} %; equation"
    expected = (1 - weight) * np.log(before.mean_m3s[station]) + weight * np.log(2.0)
    assert np.log(flows.estimate.mean_m3s[station]) == pytest.approx(expected)


def test_a_spot_gauging_changes_the_flow_at_its_place_and_is_reported(sample_run, checked, station):
    before = sample_run.results["flows"].estimate
    gauge = sample_run.results["inputs"].gauges.iloc[[0]]
    reading = float(gauge["flow_q50_m3s"].iloc[0])
    median = np.sqrt(before.mean_low_m3s[station] * before.mean_high_m3s[station]) / before.mean_m3s[station]
    says = flow_at(BIN_EXCEEDANCE, before.curve_m3s[[station]], 50)[0] * median
    row = f"A1,{place(sample_run, station)},2026-08-01,{2 * says:.6f},5,{gauge.index[0]},{reading}\n"
    away = f"A2,0,0,2026-08-01,0.1,5,{gauge.index[0]},{reading}\n"

    settings, inputs = checked(SPOTS, spots=row + away)
    flows = estimated(sample_run, settings, inputs)

    after = flows.estimate
    # At the gauged exceedance log flow moves by ln 2 times the weight of inverse variance.
    left = (
        flow_at(BIN_EXCEEDANCE, after.curve_m3s[[station]], 50)[0]
        * np.sqrt(after.mean_low_m3s[station] * after.mean_high_m3s[station])
        / after.mean_m3s[station]
    )
    variance = before.mean_log_sd[station] ** 2
    weight = variance / (variance + settings.flows.spot_gaugings.concurrency_log_sd**2 + np.log1p(0.05**2))
    assert np.log(left / says) == pytest.approx(weight * np.log(2), abs=0.02)
    assert after.source[station] == "spot gauging A1; equation"
    entries = flows.measured.set_index("feature")
    assert entries.loc["A1", "problem"].startswith(
        f"{2 * says:.3g} m³/s gauged with an error of 5 %, 2026-08-01; gauge G001 at "
    )
    assert "exceeded 50." in entries.loc["A1", "problem"] or "exceeded 49." in entries.loc["A1", "problem"]
    changed = 100 * (after.mean_m3s[station] / before.mean_m3s[station] - 1)
    assert entries.loc["A1", "action"] == f"mean flow there changed by {changed:+.1f} %"
    assert entries.loc["A2", "action"] == "not used"


def test_a_gauging_beside_an_unknown_gauge_is_refused(sample_run, checked, station):
    row = f"A1,{place(sample_run, station)},2026-08-01,0.2,5,G999,1.0\n"

    with pytest.raises(InputError, match="spot gaugings name gauges whose duration curve is not known"):
        checked(SPOTS, spots=row)


def test_every_problem_of_a_table_of_gaugings_is_reported_at_once(checked):
    with pytest.raises(InputError) as raised:
        checked(SPOTS, spots="A1,1,2,,-1,0,,-5\nA1,1,2,2026,1,5,G001,1\n")

    entries = str(raised.value)
    for problem in (
        "flow_m3s: negative\n    where:     row 2",
        "error_percent: not above 0\n    where:     row 2",
        "gauge_flow_m3s: negative\n    where:     row 2",
        "date: missing\n    where:     row 2",
        "gauge_id: missing\n    where:     row 2",
        "gauging_id: more than once\n    where:     rows 2, 3",
    ):
        assert problem in entries


def daily(level, spread):
    days = pd.date_range("2010-01-01", "2021-12-31")
    flow = level * np.exp(np.sin(2 * np.pi * days.day_of_year / 365.25) + spread * np.cos(days.year * 2.4))
    return "".join(f"{day:%Y-%m-%d},{value:.4f}\n" for day, value in zip(days, flow, strict=True))


def test_daily_records_are_fitted_and_reported_and_give_the_spread_of_years(sample_run, checked):
    area_km2 = [5.0, 12.0, 30.0, 70.0, 150.0, 40.0, 22.0]
    rain_mm = [700.0, 1100.0, 820.0, 1300.0, 900.0, 1200.0, 1000.0]
    lines = ["gauge_id,area_km2,precipitation_mm,daily_file"]
    files = {}
    for number, (area, rain) in enumerate(zip(area_km2, rain_mm, strict=True)):
        files[f"daily_{number}.csv"] = "date,flow\n" + daily(0.02 * area * rain / 1000, 0.2)
        lines.append(f"D{number},{area},{rain},daily_{number}.csv")

    settings, inputs = checked('[flows.gauges.daily]\nunit = "m3s"\n', table="\n".join(lines), files=files)

    flows = estimated(sample_run, settings, inputs)
    yearly = [np.cos(year * 2.4) for year in range(2010, 2022)]
    assert settings.uncertainty.year_to_year_sd == pytest.approx(0.2 * np.std(yearly, ddof=1), abs=1e-3)
    # Flow goes with area and rain, so the mean flow of each station is 0.02 · area · rain / 1000 times one number.
    catchments = sample_run.results["catchments"]
    per_water = flows.estimate.mean_m3s / (catchments["area_km2"] * catchments["precipitation_mm"]).to_numpy()
    assert np.nanmax(per_water) / np.nanmin(per_water) == pytest.approx(1.0, abs=1e-3)
    assert flows.repairs["problem"].tolist() == [
        "daily records of 2010–2021: 0 estimated, 0 under ice, 0 without a flow"
    ]


def test_the_spread_that_the_settings_state_goes_before_that_of_the_records(sample_run):
    settings, inputs = sample_run.results["settings"], sample_run.results["inputs"]
    table = inputs.gauges.assign(record_years=10, year_to_year_log_sd=0.3)
    stated = settings.model_copy(
        update={"uncertainty": settings.uncertainty.model_copy(update={"year_to_year_sd": 0.1})}
    )

    found = with_year_to_year(settings, inputs._replace(gauges=table))
    kept = with_year_to_year(stated, inputs._replace(gauges=table))

    assert found.uncertainty.year_to_year_sd == pytest.approx(0.3)
    assert kept.uncertainty.year_to_year_sd == 0.1


def test_flows_beyond_the_outermost_quantiles_are_flagged(sample_run):
    estimate = sample_run.results["flows"].estimate

    within = flag_extended(estimate, [5.0, 50.0, 95.0], [95.0, 10.0])
    beyond = flag_extended(estimate, [5.0, 50.0, 90.0], [95.0, 10.0, 2.0])

    assert within is estimate
    known = ~np.isnan(estimate.mean_m3s)
    assert [("curve_extended" in entries) for entries in beyond.flags] == known.tolist()
    assert beyond.notes[-1] == "flows exceeded 2, 95 % of the time are read off the curves' tails"


def test_short_records_are_reported_with_what_became_of_them():
    table = pd.DataFrame(
        {
            "first_year": 2000,
            "last_year": 2009,
            "days_used": [3652, 3652, 700, 0],
            "days_missing": 1,
            "days_estimated": 2,
            "days_ice": 0,
            "note": ["", "2 complete years", "2 complete years", "none"],
            "extended_from": ["", "A", "", ""],
            "flow_mean_m3s": [1.0, 1.0, 1.0, np.nan],
        },
        index=["A", "B", "C", "D"],
    )

    entries = list_record_doubts(table)

    assert entries["problem"].iloc[0] == "daily records of 2000–2009: 8 estimated, 0 under ice, 4 without a flow"
    assert entries["action"].tolist() == ["8004 days used", "extended", "kept, though short", "left out"]
    assert list_record_doubts(None).empty


def test_the_gauges_of_the_sample_have_curves(sample_run):
    table = sample_run.results["inputs"].gauges

    flows = gauge_flows(table, 0.05)

    assert flows.gauge == table.index.tolist()
    # A curve from eleven quantiles has nearly the mean that was regressed beside it.
    assert flows.curve_m3s.mean(axis=1) / flows.mean_m3s == pytest.approx(np.ones(len(table)), abs=0.35)
