"""Drainage systems: one by one they give the very tables that all at once give, and none has a say in another."""

import json
import math
from types import SimpleNamespace

import geopandas
import numpy as np
import pandas as pd
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from one_plant import level_model
from partial_run import tables_of
from small_sample import HEADS_AS_SURVEYED

from sitefinder.hydrology.months import Months
from sitefinder.network.stations import place_stations
from sitefinder.network.topology import build_network
from sitefinder.pipeline.executors import loaded
from sitefinder.planning import plan
from sitefinder.preparation import STORE
from sitefinder.running import run
from sitefinder.siting.candidates import Stretches, find_stretches
from sitefinder.siting.limits import RiverParts
from sitefinder.siting.passed import BITS
from sitefinder.steps import systems as drainage
from sitefinder.steps.candidates import value_all
from sitefinder.steps.closed_months import value_closed
from sitefinder.steps.contents import digest_of
from sitefinder.steps.evidence import value_by_evidence
from sitefinder.steps.graph import STEPS
from sitefinder.steps.systems import Systems, find_systems

CUT = [stage for stage in STEPS if stage.cut is not None]
# Those in which no candidate has a say in another's result.
IN_PARTS = {"best_case", "energy", "closed_energy", "evidence_values"}


CHANGED_OF_FISH = ("fish.spawning_rules", "fish.min_passage_survival")


@pytest.fixture(scope="module")
def of_sample(sample_run):
    """Settings and inputs of the sample region, with fish that must come past all sites alive."""
    made, inputs = (sample_run.results[name] for name in ("settings", "inputs"))
    fish = made.fish.model_copy(update={"spawning_rules": ["spawning ground"], "min_passage_survival": 0.85})
    return made.model_copy(update={"fish": fish}), inputs


def one_by_one(stage, results, others):
    """The joined result of a stage, and those of its items."""
    whole = {name: results[name] for name in stage.each.takes}
    items = loaded(stage.each.items)(**whole)
    found = {name: stage.function(**others, **shares(stage.each.cut_from)) for name, shares in items.items()}
    return loaded(stage.each.joined)(found, **whole), found


@pytest.mark.parametrize("stage", CUT, ids=lambda stage: stage.name)
def test_systems_of_the_sample_region_one_by_one_equal_the_whole(stage, sample_run, of_sample, monkeypatch):
    others = dict(zip(("settings", "inputs"), of_sample, strict=True))
    # Small systems would be done as one: the Tarrin has a few kilometres, and the rim some brooks.
    monkeypatch.setattr("sitefinder.steps.systems.SMALL_STATIONS", 40)
    monkeypatch.setattr("sitefinder.steps.part_size.PART_STATIONS", 300)
    given = (sample_run.results[name] for name in ("settings", "network", "stationing", "river_parts"))
    systems = find_systems(*given)
    results = sample_run.results | {"systems": systems}

    joined, found = one_by_one(stage, results, others)

    # The run's own result, unless the stage goes by what is changed of the fish.
    if {"fish", *CHANGED_OF_FISH} & set(stage.depends_on["settings"]):
        whole = stage.function(**others, **{name: results[name] for name in stage.each.cut_from})
    else:
        whole = results[stage.name]
    # The largest parts come first, so that none is waited for at the end.
    assert sorted(found) == sorted(drainage.in_parts(systems).names if stage.name in IN_PARTS else systems.names)
    assert {name.partition(" (")[0] for name in found} >= {"Ardelm", "Tarrin"}
    assert any(name.endswith(", part 2") for name in found) == (stage.name in IN_PARTS)
    assert_same(joined, whole, stage.name)


# Named tuples, tables and arrays, part by part. Floats to the last digit or two, since the powers of one candidate
# and of many at once need not be rounded alike; all else exactly.
def assert_same(found, expected, place):
    if hasattr(expected, "_fields"):
        for name in expected._fields:
            assert_same(getattr(found, name), getattr(expected, name), f"{place}.{name}")
    elif isinstance(expected, pd.DataFrame):
        pd.testing.assert_frame_equal(found, expected, check_exact=False, rtol=1e-12, atol=0.0)
    elif isinstance(expected, np.ndarray) and expected.dtype.kind == "f":
        np.testing.assert_allclose(found, expected, rtol=1e-12, atol=0.0, err_msg=place)
    elif isinstance(expected, (list, tuple)):
        assert len(found) == len(expected), place
        for number, (one, other) in enumerate(zip(found, expected, strict=True)):
            assert_same(one, other, f"{place}[{number}]")
    else:
        assert digest_of(found) == digest_of(expected), place


# Some rivers, each a tree whose station k drains to a later one; `mixed` deals the stations of all out again.
@st.composite
def regions(draw):
    trees = draw(st.lists(st.integers(1, 12), min_size=1, max_size=4))
    rng = np.random.default_rng(draw(st.integers(0, 2**32 - 1)))
    river = np.repeat(np.arange(len(trees)), trees)
    river = river[rng.permutation(len(river))] if draw(st.booleans()) else river
    count = len(river)
    downstream = np.full(count, -1, dtype=np.int32)
    for own in (np.flatnonzero(river == number) for number in range(len(trees))):
        for at in range(len(own) - 1):
            downstream[own[at]] = own[min(at + int(rng.integers(1, 4)), len(own) - 1)]
    return river, downstream, rng


# Those of them that `made_results` has made by the function of the stage, for all rivers at once.
MADE_WHOLE = ("energy", "closed_energy", "evidence_values")


def made_results(river, downstream, rng, made, inputs):
    """Results of all stages that the cut ones read, for rivers that are made up."""
    count = len(river)
    step_m = np.where(downstream >= 0, rng.uniform(40.0, 120.0, count), 0.0)
    # Of what a segment is above a station: that of the way to it, on one of the ways that lead there.
    segment_m = np.zeros(count)
    segment_m[downstream[downstream >= 0]] = step_m[downstream >= 0]
    profile_m = np.zeros(count)
    for station in range(count - 1, -1, -1):
        if downstream[station] >= 0:
            profile_m[station] = profile_m[downstream[station]] + rng.choice([0.0, 0.5, 1.5, 4.0])
    west, south, east, north = inputs.layers["region"].frame.total_bounds
    stations = pd.DataFrame(
        {
            "x_m": rng.uniform(west, east, count),
            "y_m": rng.uniform(south, north, count),
            "downstream": downstream,
            "to_downstream_m": step_m,
            "segment_length_m": segment_m,
            "reach": np.where(segment_m > 0, np.cumsum(segment_m > 0) - 1, -1).astype(np.int32),
        }
    )
    structures = pd.DataFrame(columns=["station", "head_m", "head_se_m", "fall_below_m"], dtype=float)
    errors_m = rng.normal(0.0, 0.2, (count, 8)).astype(np.float32)
    standing = rng.random(count) < 0.05
    found = find_stretches(stations, profile_m, errors_m, standing, structures, made.stretches)
    rows = len(found.table)
    flow_m3s = rng.lognormal(0.5, 1.0, count)
    bins_m3s = flow_m3s[:, None] * np.linspace(2.5, 0.1, 20)
    intake = found.table["intake"].to_numpy()
    table = found.table.assign(
        has_fish_pass=rng.random(rows) < 0.2,
        passed_kinds=np.where(rng.random(rows) < 0.1, BITS["navigation"], 0),
        intake_weir_m=np.where(found.table["scheme_type"] == "diversion", rng.choice([0.0, 1.0], rows), 0.0),
        intake_drop_m=0.0,
        flow_mean_m3s=bins_m3s.mean(axis=1)[intake],
        stream_width_m=rng.uniform(1.0, 12.0, rows),
        stream_depth_m=rng.uniform(0.2, 2.0, rows),
        head_unresolved=rng.random(rows) < 0.1,
        flow_missing=rng.random(rows) < 0.05,
        flow_too_weak=rng.random(rows) < 0.05,
        catchment_incomplete=rng.random(rows) < 0.05,
        no_conduit=(found.table["scheme_type"] == "diversion") & (rng.random(rows) < 0.1),
        **{f"{name}_distance_m": rng.uniform(0.0, 3000.0, rows) for name in ("road", "line", "settlement")},
    )
    month = (np.arange(20) % 12 + 1).astype(np.int8)
    model = level_model(bins_m3s, 0.3, 0.1)
    model = model._replace(errors=model.errors._replace(month=month))
    spawning_m = np.where(rng.random(count) < 0.15, 20.0, 0.0)
    choice = rng.choice([0, 1, -1], rows, p=[0.5, 0.4, 0.1])
    results = {
        "stationing": drainage.OwnStations(stations),
        "stretches": Stretches(table, *found[1:]),
        "flows": drainage.OwnFlows(bins_m3s, 0.1 * bins_m3s, None, model),
        "water_depths": drainage.WaterDepths(0.3 * bins_m3s**0.4, 0.3 * flow_m3s**0.4),
        "spawning_m": spawning_m,
        "verdicts": drainage.OwnVerdicts(choice),
        "water_bodies": drainage.OwnWaters(standing, *(rng.random((3, count)) < 0.04)),
    }
    # Each river is one stream; water bodies may lie in several.
    results["river_parts"] = RiverParts(np.asarray(river, dtype=np.int64), rng.integers(-1, 3, count))
    valued = [results[name] for name in ("stretches", "flows", "water_depths")]
    # The made conduits are not those of the best case, so all diversions may pay.
    results["candidates"] = results["stretches"]
    uncorrected = {"head_uncorrected_m": 1.05 * table["head_m"], "head_uncorrected_se_m": 1.1 * table["head_se_m"]}
    surveyed = {"head_surveyed": rng.random(rows) < 0.1}
    results["heads"] = drainage.OwnHeads(errors_m)
    results["found_candidates"] = results["stretches"]._replace(table=table.assign(**uncorrected, **surveyed))
    results["best_case"] = pd.DataFrame({"may_pay": np.ones(rows, dtype=bool)})
    results["energy"] = value_all(made, inputs, *valued)
    # Some of those that a rule leaves to fish-safe turbines are excluded by another.
    results["fish_safe_only"] = (choice == 1) | ((choice < 0) & (rng.random(rows) < 0.5))
    closed = rng.choice([0, 1, 0b110], rows, p=[0.8, 0.1, 0.1]).astype(np.int16)
    results |= {"months": Months("made", month), "closed_months": closed}
    seasons = results["months"], closed
    results["closed_energy"] = value_closed(made, inputs, *valued, *seasons, results["energy"])
    results["evidence_values"] = value_by_evidence(
        made, inputs, *valued, *seasons, results["fish_safe_only"], results["energy"]
    )
    return results


class Reaches(drainage.OwnStations):
    """Stations of made rivers, with as many reaches as they have."""

    @property
    def reaches(self):
        return range(self.stations["reach"].max() + 1)


@pytest.mark.exhaustive
@given(region=regions(), order=st.randoms(use_true_random=False), part=st.integers(1, 13))
@settings(max_examples=10, deadline=None)
def test_made_rivers_one_by_one_and_in_parts_equal_the_whole_in_any_order(of_sample, region, order, part):
    made, inputs = of_sample
    results = made_results(*region, made, inputs)
    results["stationing"] = Reaches(results["stationing"].stations)
    others = {"settings": made, "inputs": inputs}
    number = list(range(region[0].max() + 1))
    order.shuffle(number)
    results["systems"] = Systems([f"river {each}" for each in number], np.array(number)[region[0]])

    parts = sum(-(-count // part) for count in np.bincount(region[0]))

    for stage in CUT:
        if stage.name in MADE_WHOLE:
            whole = results[stage.name]
        else:
            whole = stage.function(**others, **{name: results[name] for name in stage.each.cut_from})
        with pytest.MonkeyPatch.context() as changed:
            changed.setattr("sitefinder.steps.part_size.PART_STATIONS", part)
            joined, found = one_by_one(stage, results, others)

        assert len(found) == (parts if stage.name in IN_PARTS else len(number))
        assert digest_of(joined) == digest_of(whole)


def built(*lines):
    """Network and stations of lines, each given as its feature, the stream's name and its places."""
    table = pd.DataFrame(
        {
            "feature_id": [line[0] for line in lines],
            "stream": [line[1] for line in lines],
            "geometry": [shapely.LineString(line[2]) for line in lines],
            "inflow_area_km2": np.nan,
            "arm_share": 0.5,
            "is_canal": False,
            "main_path_value": np.nan,
        }
    )
    ends_m = np.array([[100.0 - line[2][0][0] / 100, 100.0 - line[2][-1][0] / 100] for line in lines])
    network = build_network(table, snap_m=1.0, end_elevation_m=ends_m, main_path="longest")
    return network, place_stations(network, station_spacing_m=50.0, reach_length_m=200.0)


def network_of(*lines):
    """Stations and systems of lines."""
    network, placed = built(*lines)
    return placed, find_systems(limited(None), network, placed, in_one_water_body(placed, []))


# Settings with a limit on the depleted share, or without.
def limited(share):
    caps = {"max_plants_per_water_body": None, "max_new_barriers_per_water_body": None}
    caps["within_free_capacity"] = False
    return SimpleNamespace(ranking=SimpleNamespace(max_depleted_share=share, **caps))


# Feature of each station's reach; the first of a link has none.
def features_of(placed):
    return np.append(placed.reaches["feature_id"].to_numpy(), "")[placed.stations["reach"].to_numpy()]


# The stations of some features' reaches in one water body.
def in_one_water_body(placed, features):
    feature = features_of(placed)
    return RiverParts(np.zeros(len(feature), dtype=np.int64), np.where(np.isin(feature, features), 0, -1))


MAIN = ("M1", "Aller", [(0, 0), (1000, 0), (2000, 0)])
ARM = ("M2", "", [(500, 0), (700, 200), (900, 0)])
TRIBUTARY = ("M3", "Bode", [(1000, 800), (1500, 0)])
OTHER = ("N1", "", [(0, 5000), (2000, 5000)])


def test_a_system_is_a_river_with_its_tributaries_and_side_arms(monkeypatch):
    monkeypatch.setattr(drainage, "SMALL_STATIONS", 0)

    placed, systems = network_of(MAIN, ARM, TRIBUTARY, OTHER)

    assert systems.names == ["Aller (feature M1)", "feature N1"]
    is_other = placed.stations["y_m"].to_numpy() > 4000
    assert is_other.any()
    assert systems.of_station.tolist() == is_other.astype(int).tolist()


def test_systems_that_share_a_water_body_are_one_where_a_limit_holds_for_it(monkeypatch):
    monkeypatch.setattr(drainage, "SMALL_STATIONS", 0)
    third = ("N2", "", [(0, 9000), (2000, 9000)])
    network, placed = built(MAIN, OTHER, third)

    apart = find_systems(limited(None), network, placed, in_one_water_body(placed, ["M1", "N2"]))
    joined = find_systems(limited(0.2), network, placed, in_one_water_body(placed, ["M1", "N2"]))

    feature = features_of(placed)
    assert len(apart.names) == 3
    assert len(joined.names) == 2
    together = {frozenset(feature[joined.of_station == number]) - {""} for number in range(2)}
    assert together == {frozenset(["M1", "N2"]), frozenset(["N1"])}


def test_small_systems_form_groups_that_stay_when_another_river_comes(monkeypatch):
    brooks = [(f"F{number}", "", [(0, 900 * number), (300, 900 * number)]) for number in range(200)]

    def groups(lines):
        placed, systems = network_of(*lines)
        reach = placed.stations["reach"].to_numpy()
        feature = placed.reaches["feature_id"].to_numpy()[reach]
        ours = (systems.of_station == number for number in range(len(systems.names)))
        return {frozenset(feature[own & (reach >= 0)]) for own in ours}

    before, after = groups(brooks), groups([*brooks, ("F00", "", [(0, -900), (300, -900)])])

    assert 2 <= len(before) <= 20
    assert len(before - after) <= 1
    assert sum(map(len, before)) + 1 == sum(map(len, after)) == 201


def write_valleys(folder, write_valley, count):
    """Small valleys beside each other, each a system of its own; gives their settings."""
    settings_file = write_valley(folder, valleys=count)
    text = settings_file.read_text(encoding="utf-8")
    # What heads are likely, and how lucky those of the chosen are, is judged by all rivers, so that a head in
    # one would have a say in the other.
    settings_file.write_text(text + HEADS_AS_SURVEYED, encoding="utf-8")
    return settings_file


def items_of(settings_file):
    """Which items of stages that are cut the last run did, and which it found kept."""
    account = sorted((settings_file.parent / "out" / ".sitefinder-store" / "runs").iterdir())[-1]
    results = json.loads(account.read_text(encoding="utf-8"))["results"]
    names = {stage.name for stage in CUT}
    kept = {row["place"]: row["was_kept"] for row in results}
    return {place: was for place, was in kept.items() if place.split(":")[0] in names and ":" in place}


def changed(path, number, layer, change):
    """Change the geometry of a layer's feature that lies in the valley of a number."""
    streams, frame = (geopandas.read_file(path, layer=name) for name in ("streams", layer))
    (line,) = streams.geometry[streams["id"] == f"B{number}"]
    geometry = frame.geometry.to_list()
    own = int(frame.distance(line).argmin())
    geometry[own] = change(geometry[own])
    frame.set_geometry(geometry).set_crs(frame.crs, allow_override=True).to_file(path, layer=layer, driver="GPKG")


# What changes in which valley: a weir that moved, a line that moved, a rule that covers less; none in the first.
CHANGES = {
    2: ("structures", lambda weir: shapely.affinity.translate(weir, -100.0)),
    3: ("streams", lambda line: shapely.affinity.translate(line, 0.0, 6.0)),
    4: ("migration", lambda area: area.buffer(-100.0, cap_style="flat")),
}


@pytest.mark.slow
def test_a_change_in_one_river_leaves_what_is_kept_of_another(write_valley, tmp_path, monkeypatch):
    monkeypatch.setattr(drainage, "SMALL_STATIONS", 0)
    settings_file = write_valleys(tmp_path, write_valley, 1 + len(CHANGES))
    store = tmp_path / "out" / STORE
    run(settings_file, store=store)
    names = [f"Plain Brook (feature B{number})" for number in (1, *CHANGES)]
    first = items_of(settings_file)
    layers = tmp_path / "layers.gpkg"
    before = layers.read_bytes()
    for number, change in CHANGES.items():
        layers.write_bytes(before)
        changed(layers, number, *change)
        planned = {stage.stage: stage.reasons for stage in plan(settings_file).stages if not stage.kept}
        assert planned["sites"][-1].startswith("after "), number
        assert planned["sites"][-1].endswith(", for each drainage system that then differs"), number
    layers.write_bytes(before)
    for number, change in CHANGES.items():
        changed(layers, number, *change)

    again = run(settings_file, store=store).tables

    assert first == {f"{stage.name}: {name}": False for stage in CUT for name in names}
    after = items_of(settings_file)
    # All of the first, and none of the others' choice: what changed in one had no say in another.
    assert {place: was_kept for place, was_kept in after.items() if place.endswith(names[0])} == {
        f"{stage.name}: {names[0]}": True for stage in CUT
    }
    assert not any(after[f"sites: {name}"] for name in names[1:])
    from_nothing = run(settings_file).tables
    assert [name for name in again if not again[name].equals(from_nothing[name])] == []


@pytest.mark.slow
def test_a_water_body_in_two_systems_has_its_limit_once(write_valley, tmp_path, monkeypatch):
    monkeypatch.setattr(drainage, "SMALL_STATIONS", 0)
    two_valleys = write_valleys(tmp_path, write_valley, 2)
    streams = geopandas.read_file(two_valleys.parent / "layers.gpkg", layer="streams")
    # The middle of both brooks, around their weirs: two features of one id. With the segments near its ends each
    # has 300 m.
    middles = [
        shapely.ops.substring(line, 200.0, 400.0).buffer(5.0, cap_style="flat") for line in streams.geometry
    ]
    columns = {"id": ["moor"] * 2, "class": ["Good"] * 2, "plants": [1] * 2}
    frame = geopandas.GeoDataFrame(columns, geometry=middles, crs=streams.crs)
    frame.to_file(two_valleys.parent / "layers.gpkg", layer="water_bodies", driver="GPKG")
    text = two_valleys.read_text(encoding="utf-8")
    source = '[inputs.water_bodies]\npath = "layers.gpkg"\nlayer = "water_bodies"\nid_column = "id"\n'
    source += 'status_column = "class"\nmust_not_fall_values = ["good", "high"]\n'
    text += "\n[ranking]\nmin_free_flowing_m = 0.0\n"

    def with_limit(setting="", column=""):
        own = text.replace("[network]", f"{source}{column}\n[network]") + setting
        two_valleys.write_text(own, encoding="utf-8")
        layers = "sites", "water_bodies", "cumulative_limits", "substations"
        return tables_of(two_valleys, *layers, store=two_valleys.parent / "out" / STORE)

    free, limited_once = with_limit(), with_limit("max_depleted_share = 0.1\n")
    capped = with_limit(column='max_plants_column = "plants"\n')
    # One substation for both valleys, with room for one plant and a half.
    free_kw = 1.5 * free["sites"]["power_kw"].max()
    columns = {"id": ["U1"], "free": [free_kw]}
    frame = geopandas.GeoDataFrame(columns, geometry=[streams.geometry.iloc[0].centroid], crs=streams.crs)
    frame.to_file(two_valleys.parent / "layers.gpkg", layer="substations", driver="GPKG")
    grid = '\n[inputs.substations]\npath = "layers.gpkg"\nlayer = "substations"\nid_column = "id"\n'
    grid += 'capacity_column = "free"\ncapacity_unit = "kW"\n'
    crowded, within = with_limit(column=grid), with_limit("within_free_capacity = true\n", grid)

    # A plant takes 50 m, more than a tenth of 300 m and less than one of 600 m.
    assert len(free["sites"]) == 2
    assert (free["sites"]["depleted_length_m"] == 50.0).all()
    assert len(limited_once["sites"]) == 1
    body = limited_once["water_bodies"].iloc[0]
    assert body["length_m"] == pytest.approx(600.0, abs=1.0)
    assert body["diverted_m"] == 50.0
    # The valleys are alike but for the errors of their heads.
    best = free["sites"]["head_m"].idxmax()
    assert limited_once["sites"]["site_id"].item() == free["sites"]["site_id"][best]
    # The cap of the layer is one plant, wherever it is; both valleys are chosen from together for it.
    assert capped["sites"]["site_id"].item() == free["sites"]["site_id"][best]
    limit = capped["cumulative_limits"].iloc[0]
    assert (limit["limit"], limit["sites"], limit["sites_without"]) == ("plants in a water body", 1, 2)
    assert math.isnan(limit["setting"])
    assert capped["water_bodies"]["max_plants"].tolist() == [1]
    # Both plants are too much for the substation: the second by rank is flagged, or the selection leaves it out.
    assert len(crowded["sites"]) == 2
    flags = crowded["sites"].sort_values("rank")["flags"].str.contains("grid_capacity_exceeded: U1")
    assert flags.tolist() == [False, True]
    assert crowded["substations"]["sites_beyond"].tolist() == [1]
    assert within["sites"]["site_id"].tolist() == [free["sites"]["site_id"][best]]
    assert within["substations"]["left_kw"].item() == pytest.approx(free_kw - within["sites"]["power_kw"].item())
    assert within["cumulative_limits"]["limit"].tolist() == ["free capacity of a substation"]
    # What the water body holds, and that its status must not fall.
    sites, body = free["sites"], free["water_bodies"].iloc[0]
    assert (body["status"], body["must_not_fall"], body["max_plants"] is pd.NA) == ("Good", True, True)
    assert (body["sites"], body["sites_using"], body["plants"], body["barriers"]) == (2, 2, 0, 2)
    assert body["power_kw"] == pytest.approx(sites["power_kw"].sum())
    assert body["energy_mwh"] == pytest.approx(sites["energy_mwh"].sum())
    assert body["new_barriers"] == sites["new_barrier"].sum()
    assert body["barriers_per_km"] == pytest.approx((2 + body["new_barriers"]) / 0.6, rel=1e-2)
    assert sites["water_body_id"].tolist() == ["moor"] * 2
    assert sites["water_body_status"].tolist() == ["Good"] * 2
    assert all("status_must_not_fall: moor (Good)" in split for split in sites["flags"].str.split("; "))
