"""What the inventory of the sample region says, against the region's truth and against plain geometry."""

import json
import tomllib
from itertools import combinations

import geopandas
import numpy as np
import pandas as pd
import pytest
import shapely

from sitefinder.energy.hydraulics import net_head_m
from sitefinder.hydrology.estimate import estimate_flows
from sitefinder.settings import EnergySettings

CENTIMETRE = 0.01
# kW of 1 m³/s falling 1 m, with standard gravity (3rd General Conference on Weights and Measures, 1901).
KW_PER_M3S_M = 9.80665
REJECTION_REASONS = {"open", "restricted"}


@pytest.fixture(scope="module")
def tables(sample_run):
    return sample_run.delivered.tables


@pytest.fixture(scope="module")
def folder(sample_run):
    return sample_run.settings.parent.parent / "sample-region"


@pytest.fixture(scope="module")
def settings(sample_run):
    return tomllib.loads(sample_run.settings.read_text(encoding="utf-8"))


@pytest.fixture(scope="module")
def truth(folder):
    return json.loads((folder / "truth.json").read_text(encoding="utf-8"))


@pytest.fixture(scope="module")
def chosen(tables):
    stretches = tables["stretches"]
    return stretches[stretches["site_id"] != ""].sort_values("rank", ignore_index=True)


@pytest.fixture(scope="module")
def channels(truth):
    """Every vertex of the true channels, with its level, area and rain, and how far it is from a confluence."""
    rows = []
    for number, stream in enumerate(truth["streams"]):
        names = ("distance_m", "x_m", "y_m", "level_m", "area_km2", "precipitation_mm")
        rows.append(pd.DataFrame({name: stream[name] for name in names}).assign(stream=number))
    table = pd.concat(rows, ignore_index=True)
    last = table.groupby("stream")[["x_m", "y_m"]].last()
    away = np.hypot(*[np.subtract.outer(table[name].to_numpy(), last[name].to_numpy()) for name in ("x_m", "y_m")])
    table["from_confluence_m"] = away.min(axis=1)
    return table


def layer(settings, folder, name):
    source = settings["inputs"][name]
    frame = geopandas.read_file(folder / source["path"].rpartition("/")[2], layer=source.get("layer"))
    return frame.to_crs(settings["run"]["crs"])


# Ground of each rule with an action, as plain geometry: filter, repair, buffer.
def ground_of_rules(settings, folder, action):
    for rule in settings["rules"]:
        if rule["action"] == action:
            frame = geopandas.read_file(folder / rule["path"].rpartition("/")[2], layer=rule.get("layer"))
            frame = frame.to_crs(settings["run"]["crs"])
            if "column" in rule:
                frame = frame[frame[rule["column"]].isin(rule["values"])]
            ground = frame.geometry.make_valid().buffer(rule.get("buffer_m", 0.0)).union_all()
            yield rule["name"], ground, rule.get("min_overlap_m", 0.0)


def test_runner_and_setting_follow_from_what_is_delivered_beside_them(tables, settings):
    # Factors of config/turbines/generic.toml: diameter, specific speed by head, sigma by specific speed, losses.
    laws = {
        "Kaplan turbine": (0.42, 2.294, -0.486, 1.5241, 1.46, (0.89, 0.87 * 0.94 * 0.98)),
        "semi-Kaplan turbine": (0.42, 2.294, -0.486, 1.5241, 1.46, (0.87, 0.85 * 0.93 * 0.98)),
        "fixed propeller turbine": (0.42, 2.716, -0.5, 1.5241, 1.46, (0.85, 0.85 * 0.92 * 0.98)),
        "open-flume Francis turbine": (0.57, 0.35, 0.0, 1.2715, 1.41, (0.86, 0.84 * 0.93 * 0.98)),
    }
    options, energy = tables["turbine_options"], EnergySettings.model_validate(settings["energy"])
    sites = tables["sites"].set_index("site_id")
    with_runner = options["turbine"].isin(list(laws))

    assert with_runner.sum() > 20
    assert options.loc[~with_runner, ["runner_diameter_m", "suction_head_m"]].isna().all(axis=None)
    for row in options[with_runner].itertuples():
        per_m, speed, by_head, sigma, by_speed, (peak, full) = laws[row.turbine]
        site = sites.loc[row.site_id]
        diameter_m = per_m * (row.flow_design_m3s / row.units) ** 0.5
        # Net head: below the gross head by canal, rack and outlet.
        head_m = float(net_head_m(site["head_m"], site["headrace_length_m"], energy))
        air_m = 10.3 - site["tailrace_level_m"] / 900 - 0.24
        assert row.runner_diameter_m == pytest.approx(diameter_m, rel=1e-9)
        assert row.suction_head_m == pytest.approx(
            air_m - sigma * (speed * head_m**by_head) ** by_speed * head_m, abs=1e-6
        )
        assert row.efficiency_design == pytest.approx(full * (1 - (1 - peak) * diameter_m**-0.2) / peak, rel=1e-9)


# The segments that each chosen candidate takes, pond included, as lines.
@pytest.fixture(scope="module")
def taken(sample_run):
    stationing, stretches = sample_run.results["stationing"], sample_run.results["stretches"]
    lines = dict(zip(stationing.segments["station"], stationing.segments["geometry"], strict=True))
    return {
        number: [
            lines[station]
            for station in stretches.taken[stretches.start[number] : stretches.start[number + 1]]
            if station in lines
        ]
        for number in np.flatnonzero(sample_run.results["sites"].offers.chosen)
    }


def test_there_are_enough_sites_for_the_tests_below_to_be_meaningful(tables, chosen):
    assert len(tables["sites"]) >= 5
    assert len(chosen) == len(tables["sites"])
    assert set(chosen["scheme_type"]) <= {"at_barrier", "diversion", "new_weir"}


def test_every_reach_has_a_verdict_and_without_a_site_a_reason(tables, chosen):
    reaches = tables["reaches"]

    assert set(reaches["verdict"]) <= {"excluded", "unknown", "conditional", "restricted", "open"}
    assert (reaches.loc[reaches["verdict"] != "open", "reasons"] != "").all()
    assert (reaches.loc[reaches["verdict"] == "open", "only_reason"] == "").all()
    # A reach has a site just where a chosen stretch or its pond runs; stretches are drawn without ponds.
    length = np.array([reaches.geometry.intersection(line).length for line in chosen.geometry]).max(axis=0)
    assert (reaches.loc[length > CENTIMETRE, "rejection_reason"] == "").all()
    unponded = chosen["pond_length_m"].sum() == 0
    without = reaches["rejection_reason"] == ""
    assert without.sum() >= (length > CENTIMETRE).sum()
    if unponded:
        assert (length[without] > CENTIMETRE).all()


def test_reaches_hold_every_metre_of_the_mapped_streams_once(sample_run, settings, folder):
    streams = layer(settings, folder, "streams")
    reaches = sample_run.results["stationing"].reaches
    drawn = reaches["geometry"].to_numpy()

    # Ends are snapped within a few metres, so a few metres at each of the ends may differ.
    assert shapely.length(drawn).sum() == pytest.approx(streams.length.sum(), abs=5.0 * len(streams))
    assert shapely.length(shapely.union_all(drawn)) == pytest.approx(shapely.length(drawn).sum(), abs=1.0)
    assert reaches["length_m"].to_numpy() == pytest.approx(shapely.length(drawn))


def test_the_inventory_has_each_reach_whose_middle_lies_in_the_region(sample_run, tables, settings, folder):
    region = layer(settings, folder, "region").union_all()
    reaches = sample_run.results["stationing"].reaches
    middle = shapely.line_interpolate_point(reaches["geometry"].to_numpy(), 0.5, normalized=True)

    delivered = reaches["reach_id"].isin(tables["reaches"]["reach_id"]).to_numpy()

    # The middle is that of the nearest station, so within half a spacing of the border either may be right.
    sure = shapely.distance(middle, region.boundary) > 30.0
    assert (delivered[sure] == shapely.within(middle, region)[sure]).all()
    assert sure.sum() > 0.9 * len(reaches)


def test_no_two_chosen_stretches_share_stream(chosen):
    shared = [one.intersection(other).length for one, other in combinations(chosen.geometry, 2)]

    assert max(shared) < CENTIMETRE


def test_ponds_and_stretches_of_different_sites_keep_apart(taken):
    whole = [shapely.union_all(lines) for lines in taken.values()]

    shared = [one.intersection(other).length for one, other in combinations(whole, 2)]

    assert max(shared) < CENTIMETRE


def test_the_pond_of_a_new_weir_reaches_as_far_up_as_is_reported(sample_run, taken):
    stretches = sample_run.results["stretches"]
    for number, lines in taken.items():
        row = stretches.table.loc[number]
        beyond = sum(line.length for line in lines) - row["length_m"]
        # What is taken are whole segments of every arm, so never less than the longest arm's length.
        assert beyond >= row["pond_length_m"] - CENTIMETRE
        assert (row["scheme_type"] == "new_weir") or beyond == pytest.approx(0.0, abs=CENTIMETRE)


def test_no_site_or_pond_takes_water_of_a_lake(taken, settings, folder):
    lakes = layer(settings, folder, "lakes").union_all()

    assert max(line.intersection(lakes).length for lines in taken.values() for line in lines) < CENTIMETRE


def test_no_site_or_pond_lies_on_excluded_metres(taken, settings, folder):
    rules = list(ground_of_rules(settings, folder, "exclude"))
    assert rules

    for name, ground, min_m in rules:
        for lines in taken.values():
            metres = sum(line.intersection(ground).length for line in lines)
            assert metres < max(min_m, CENTIMETRE), name


def test_no_new_weir_is_where_a_rule_forbids_new_barriers(chosen, settings, folder):
    weirs = chosen[chosen["scheme_type"] == "new_weir"]

    for name, ground, min_m in ground_of_rules(settings, folder, "no_new_barrier"):
        assert (weirs.geometry.intersection(ground).length < max(min_m, CENTIMETRE)).all(), name


def test_where_fish_migrate_turbines_are_safe_for_them(chosen, tables, settings, folder):
    sites = tables["sites"].set_index("site_id")
    options = tables["turbine_options"]
    bound = set()
    for _, ground, min_m in ground_of_rules(settings, folder, "fish_safe_only"):
        metres = chosen.geometry.intersection(ground).length
        bound |= set(chosen.loc[metres >= max(min_m, CENTIMETRE), "site_id"])

    assert bound
    assert sites.loc[sorted(bound), "fish_safe"].all()
    # By the turbine's own survival and the user's bar, not by the word of the column.
    used = options[options["chosen"] & options["site_id"].isin(bound)]
    assert set(used["site_id"]) == bound
    assert (used["survival"] >= settings["fish"]["min_survival"]).all()
    assert set(used["evidence"]) <= set(settings["fish"]["evidence"])


def test_totals_of_districts_add_up_to_sites_and_reaches(tables):
    districts, sites, reaches = tables["districts"], tables["sites"], tables["reaches"]

    # Whole watts and watt-hours a site, whole metres and watts a reach: half of one each is what rounding can do.
    # To the last digit they are held by test_totals.py.
    totals = districts.drop(columns=["geometry", "district"]).sum()
    assert totals["sites"] == len(sites)
    assert totals["reaches"] == len(reaches)
    assert totals["power_kw"] == pytest.approx(sites["power_kw"].sum(), abs=0.5e-3 * len(sites))
    assert totals["energy_mwh"] == pytest.approx(sites["energy_mwh"].sum(), abs=0.5e-6 * len(sites))
    half_m = 0.5 * len(reaches)
    assert totals["reach_length_km"] * 1000 == pytest.approx(reaches["length_m"].sum(), abs=half_m)
    # Heads that are not resolved are listed and do not count.
    resolved = ~reaches["flags"].str.split("; ").map(lambda names: "head_unresolved" in names)
    expected_kw = reaches.loc[resolved, "theoretical_kw"].sum()
    assert totals["theoretical_kw"] == pytest.approx(expected_kw, abs=0.5e-3 * len(reaches))
    for column, verdicts in (("open_length_km", REJECTION_REASONS), ("excluded_length_km", {"excluded"})):
        mine = reaches["verdict"].isin(verdicts)
        assert totals[column] * 1000 == pytest.approx(reaches.loc[mine, "length_m"].sum(), abs=half_m)
    for row in districts[districts["district"] != ""].itertuples():
        inside_m = reaches.geometry.intersection(row.geometry).length
        # A piece of a reach that is cut may be a whole metre from its share.
        max_m = np.where(inside_m < reaches["length_m"] - 1e-6, 1.5, 0.5)[inside_m > 0].sum()
        assert row.reach_length_km * 1000 == pytest.approx(inside_m.sum(), abs=max_m)
        assert row.sites == sites.within(row.geometry).sum()


def test_the_law_of_the_gauges_is_found_again_within_two_standard_errors(sample_run, truth, channels):
    from_gauges = sample_run.results["flows"]
    law = truth["flow_law"]
    number = law["statistics"].index("flow_mean_m3s")
    fit_of_mean = next(fit for fit in from_gauges.fits if fit.equation.statistic == "mean")

    found = np.array(fit_of_mean.diagnostics.fit.coefficients)
    error = np.array(fit_of_mean.diagnostics.fit.standard_errors)

    true = np.array([law["a"][number], law["b"][number], law["c"][number]])
    assert (np.abs(found - true) <= 2 * error).all()
    # And so are flows at the true areas and rain: the mean of a regression is off by scatter times the root of its
    # leverage, which for three coefficients from n gauges is 3 / n on average and seldom above three times that.
    at = channels.loc[channels["from_confluence_m"] > 60, ["area_km2", "precipitation_mm"]].reset_index(drop=True)
    flow = estimate_flows(at, from_gauges.equations)
    log_true = true @ np.array([np.ones(len(at)), np.log10(at["area_km2"]), np.log10(at["precipitation_mm"])])
    median = np.sqrt(flow.mean_low_m3s * flow.mean_high_m3s)
    off = np.abs(np.log10(median) - log_true)
    leverage = 3 * 3 / len(fit_of_mean.diagnostics.fit.residuals)
    assert off.max() <= 3 * law["scatter_log10"][number] * np.sqrt(leverage)


def test_head_at_built_weirs_is_the_true_one(sample_run, settings, truth, channels):
    stationing, heads = sample_run.results["stationing"], sample_run.results["heads"]
    structures = sample_run.results["water_bodies"].structures.set_index("structure_id")
    places = shapely.points(stationing.stations[["x_m", "y_m"]])
    off = []
    for weir in truth["structures"]:
        station = structures.loc[weir["structure_id"], "station"]
        if weir["kind"] != "weir" or station < 0:
            continue
        stream = channels[channels["stream"] == weir["stream"]]
        line = shapely.LineString(stream[["x_m", "y_m"]])
        along = shapely.line_locate_point(line, shapely.points(stream[["x_m", "y_m"]]))
        at = line.project(shapely.Point(weir["x_m"], weir["y_m"]))
        # The truth is given each 50 m; the step itself is put in between, as sharp as it is.
        along = np.append(along, [at - 0.01, at + 0.01])
        level = np.append(stream["level_m"], [weir["level_above_m"], weir["level_below_m"]])
        order = np.argsort(along)
        upper, lower = np.interp(
            shapely.line_locate_point(line, places[[station - 1, station]]), along[order], level[order]
        )
        off.append(heads.profile_m[station - 1] - heads.profile_m[station] - (upper - lower))

    off = np.array(off)
    print(f"heads at {len(off)} weirs: median off {np.median(off):+.2f} m, most {np.abs(off).max():.2f} m")
    assert len(off) >= 5
    assert (np.abs(off) <= 0.3).mean() >= 0.9
    # None beyond three times the stated error of the DEM.
    assert np.abs(off).max() <= 3 * settings["inputs"]["dem"]["error_rmse_m"]


def test_areas_are_the_true_ones(tables, channels):
    reaches = tables["reaches"]
    ends = shapely.get_point(reaches.geometry.to_numpy(), -1)
    known = channels[channels["from_confluence_m"] > 120].reset_index(drop=True)
    near, distance = shapely.STRtree(shapely.points(known[["x_m", "y_m"]])).query_nearest(
        ends, return_distance=True, all_matches=False
    )
    close = distance < 40.0
    found = reaches["area_km2"].to_numpy()[near[0][close]]
    off = np.abs(found / known["area_km2"].to_numpy()[near[1][close]] - 1)

    ninety_five = np.quantile(off, 0.95)
    print(f"areas at {close.sum()} places: median {np.median(off):.2%} off, 95th percentile {ninety_five:.2%}")
    assert close.sum() >= 30
    assert np.median(off) < 0.02
    assert ninety_five < 0.10


def test_no_site_gives_more_energy_than_the_water_has(tables):
    sites = tables["sites"]
    water_mwh = KW_PER_M3S_M * sites["flow_mean_m3s"] * sites["head_m"] * 8760 / 1000

    assert (sites["energy_mwh"] <= water_mwh).all()
    assert (sites["power_kw"] <= KW_PER_M3S_M * sites["flow_design_m3s"] * sites["head_m"]).all()
    assert sites["capacity_factor"].between(0, 1, inclusive="right").all()
    assert sites["energy_mwh"].to_numpy() == pytest.approx(
        (sites["capacity_factor"] * sites["power_kw"] * 8760 / 1000).to_numpy()
    )
    assert (sites["firm_power_kw"] <= sites["power_kw"]).all()


def test_the_water_of_a_site_is_used_released_or_spilled(tables):
    sites = tables["sites"]
    shares = sites[["used_share", "environmental_flow_share", "spilled_share"]]

    assert shares.sum(axis=1).to_numpy() == pytest.approx(1.0, abs=1e-12)
    assert (shares > 0).all(axis=None)
    environmental_flow_m3s = sites["environmental_flow_share"] * sites["flow_mean_m3s"]
    assert environmental_flow_m3s.to_numpy() == pytest.approx(sites["environmental_flow_m3s"].to_numpy(), rel=1e-9)
    # What is used gives, without any loss, more than the mean power.
    max_kw = KW_PER_M3S_M * sites["used_share"] * sites["flow_mean_m3s"] * sites["head_m"]
    assert (sites["power_mean_kw"] < max_kw).all()
    assert (sites["power_mean_kw"] > 0.4 * max_kw).all()


def test_the_curve_of_sizes_of_each_site_is_beside_the_size_that_was_chosen(tables):
    options, sites = tables["turbine_options"], tables["sites"].set_index("site_id")
    chosen = options[options["chosen"]].set_index("site_id")

    assert chosen.index.is_unique
    assert set(chosen.index) == set(sites.index)
    for name in ("turbine", "screened", "units"):
        assert (chosen[name] == sites.loc[chosen.index, name]).all(), name
    # Two kernels search for the size, and the last digit of a float may differ.
    for name in ("flow_design_m3s", "power_kw"):
        np.testing.assert_allclose(chosen[name], sites.loc[chosen.index, name], rtol=1e-12, err_msg=name)
    # The choice went by the one curve that stands for all drawn curves; the site has the mean of its simulations.
    np.testing.assert_allclose(chosen["energy_mwh"], sites.loc[chosen.index, "energy_mwh"], rtol=0.02)
    assert chosen["is_best_size"].all()
    for site_id, row in chosen.iterrows():
        curve = options[
            (options["site_id"] == site_id)
            & (options["turbine"] == row["turbine"])
            & (options["screened"] == row["screened"])
        ]
        # The minimum flow of its class may cut the curve short.
        assert len(curve) > 1, site_id
        assert curve["net_annual_value"].max() == row["net_annual_value"]
        falling = curve.sort_values("flow_design_m3s")
        assert (falling["design_exceedance_percent"].diff().dropna() <= 0).all()
    # Of the other classes the best size alone is listed.
    others = options[~options["is_best_size"]]
    assert (others["turbine"] == sites.loc[others["site_id"], "turbine"].to_numpy()).all()


def test_intervals_hold_the_mean_annual_energy_and_totals_are_narrower(tables, sample_run):
    sites, delivered = tables["sites"], sample_run.delivered

    assert (sites["energy_mwh_p90"] < sites["energy_mwh"]).all()
    assert (sites["energy_mwh"] < sites["energy_mwh_p10"]).all()
    # Own errors cancel in part, shared ones do not: a total is surer than its parts but never sure. Sites on one
    # stem share nearly all their errors, and of 500 simulations the quantiles of a sum may exceed the sum of the
    # quantiles by chance: half a hundredth is left to it.
    total = sites["energy_mwh"].sum()
    assert 0.995 * sites["energy_mwh_p90"].sum() < delivered.handover.energy_p90_mwh < total
    assert total < delivered.handover.energy_p10_mwh < 1.005 * sites["energy_mwh_p10"].sum()


def test_sites_are_in_the_order_of_what_they_are_ranked_by(tables, settings):
    sites = tables["sites"]
    by = settings.get("ranking", {}).get("rank_by", "net_value")
    column = {"net_value": "net_annual_value", "energy": "energy_mwh"}.get(by, by)

    assert sites["rank"].tolist() == list(range(1, len(sites) + 1))
    assert (sites["score"] == sites[column]).all()
    assert (
        sites["score"].is_monotonic_increasing if by == "lcoe_per_kwh" else sites["score"].is_monotonic_decreasing
    )
    assert sites["site_id"].is_unique


def test_shares_of_being_among_the_best_add_up_to_their_number(tables, settings):
    best = settings.get("uncertainty", {}).get("top_sites", 10)

    assert tables["sites"]["prob_in_top_n"].sum() == pytest.approx(min(best, len(tables["sites"])))


def test_sites_lie_on_mapped_streams_and_in_their_catchments(tables, chosen, settings, folder):
    lines = layer(settings, folder, "streams").union_all()
    sites = tables["sites"].sort_values("rank", ignore_index=True)

    # Ends of lines are snapped over a few metres; everywhere else a site lies on the line as drawn.
    assert sites.distance(lines).max() < CENTIMETRE
    assert chosen.geometry.hausdorff_distance(chosen.geometry.intersection(lines.buffer(5.1))).max() < CENTIMETRE
    catchments = tables["catchments"].set_index("site_id")
    # What lies outside the DEM has no polygon: the ground that the rivers above a site state that they bring.
    streams = layer(settings, folder, "streams")
    brought = streams[streams["inflow_km2"] > 0].groupby("name")["inflow_km2"].sum()
    sums = {round(sum(some)) for count in range(4) for some in combinations(brought, count)}
    outside_km2 = catchments["area_km2"] - catchments.area / 1e6
    assert outside_km2.to_numpy() == pytest.approx(outside_km2.round().to_numpy(), abs=1e-6)
    # The layer and the sites say how much that is.
    assert catchments["inflow_km2"].to_numpy() == pytest.approx(outside_km2.to_numpy(), abs=1e-6)
    assert catchments["drawn_km2"].to_numpy() == pytest.approx(catchments.area.to_numpy() / 1e6)
    assert catchments["is_whole"].equals(outside_km2.round() == 0)
    assert sites.set_index("site_id")["inflow_km2"].equals(catchments["inflow_km2"])
    assert set(outside_km2.round()) <= sums
    of_stream = outside_km2.groupby(sites.set_index("site_id")["stream"]).agg(["min", "max"])
    for name, (low, high) in of_stream.iterrows():
        own = brought.get(name, 0.0)
        assert low == pytest.approx(own, abs=1e-6)
        assert high == pytest.approx(own, abs=1e-6) or (name == "Ardelm" and high > own), name
