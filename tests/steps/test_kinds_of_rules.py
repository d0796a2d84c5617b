"""Rules of every kind in runs of the sample region: along the stream, by area, where a layer ends, and untold."""

import shutil
import sqlite3
from collections import deque

import geopandas
import pytest
import shapely
from caught_run import caught_run
from shapely import Point, box
from small_sample import FEW, HEADS_AS_SURVEYED, write_few_turbines

RULES = """
[[rules]]
name = "spawners' way"
path = "../sample-region/layers.gpkg"
layer = "spawning"
id_column = "spawning_id"
buffer_m = 40.0
action = "fish_safe_only"
effect = "downstream"
closed_months = [11, 10]

[[rules]]
name = "Kestrel ledges"
path = "../sample-region/nests.gpkg"
id_column = "nest_id"
where = "species = 'kestrel' and (broods >= 2 or broods is null)"
area_ha_column = "kept_ha"
action = "exclude"
publish = "hidden"
source = "Friends of the Falcon"

[[rules]]
name = "orchids"
path = "../sample-region/orchids.gpkg"
id_column = "orchid_id"
buffer_m = 150.0
action = "no_diversion"
publish = "generalised"

[[rules]]
name = "otter survey"
path = "../sample-region/otters.gpkg"
id_column = "otter_id"
buffer_m = 10.0
action = "conditional"
covered_by = { path = "../sample-region/surveyed.gpkg", source = "Otter Club" }

# Falls change what could be built, and rules do not ask how long it is or which way its water takes.
[stretches]
longest_m = 150.0

[conduits]
route = "straight_line"

[uncertainty]
simulations = 50
"""
UNTOLD = ("kestrel", "nests", "nest-", "nest_", "broods", "kept_ha", "falcon", "orch-")


# Stations on the way down from the spawning ground, in order, without those that the ground itself lies on.
def path_down(stationing, ground):
    segments = stationing.segments
    touched = segments["station"][shapely.intersects(segments["geometry"].to_numpy(), ground)].tolist()
    downstream = stationing.stations["downstream"].to_numpy()
    station, way = max(touched), []
    while downstream[station] >= 0:
        station = int(downstream[station])
        way.append(station)
    return way


@pytest.fixture(scope="module")
def region(sample_run, tmp_path_factory):
    """The sample region and its kept results, with more layers and rules, run again."""
    folder = tmp_path_factory.mktemp("kinds") / "sample"
    shutil.copytree(sample_run.settings.parent.parent, folder)
    settings, data = folder / "config" / "sample.toml", folder / "sample-region"
    crs = sample_run.delivered.tables["reaches"].crs
    stationing = sample_run.results["stationing"]
    lines = dict(zip(stationing.segments["station"], stationing.segments["geometry"], strict=True))

    spawning = geopandas.read_file(data / "layers.gpkg", layer="spawning").to_crs(crs).buffer(40.0).union_all()
    way = [station for station in path_down(stationing, spawning) if station in lines]
    fall_at = way[len(way) // 2]
    fall = lines[fall_at].interpolate(0.25, normalized=True)
    falls = geopandas.GeoDataFrame(
        {"fall": ["high", "dry"]}, geometry=[fall, Point(fall.x, fall.y + 9e3)], crs=crs
    )
    falls.to_file(data / "falls.gpkg", driver="GPKG")

    middles = stationing.reaches["geometry"].map(lambda line: line.interpolate(0.5, normalized=True))
    nests = {
        "nest_id": ["NEST-1", "NEST-2", "NEST-3", "NEST-4"],
        "species": ["kestrel", "kestrel", "owl", "kestrel"],
        "broods": [2, 1, 5, None],
        "kept_ha": [3.0, 3.0, 3.0, 1.0],
    }
    at = [10, 30, 50, 70]
    geopandas.GeoDataFrame(nests, geometry=list(middles[at]), crs=crs).to_file(data / "nests.gpkg", driver="GPKG")
    orchids = geopandas.GeoDataFrame(
        {"orchid_id": ["ORCH-1", "ORCH-2"]}, geometry=list(middles[[20, 60]]), crs=crs
    )
    orchids.to_file(data / "orchids.gpkg", driver="GPKG")
    otters = geopandas.GeoDataFrame({"otter_id": ["O1"]}, geometry=list(middles[[20]]), crs=crs)
    otters.to_file(data / "otters.gpkg", driver="GPKG")
    west, south, east, north = sample_run.delivered.tables["reaches"].total_bounds
    surveyed = box(west - 99, south - 99, (west + east) / 2, north + 99)
    geopandas.GeoDataFrame({"id": [1]}, geometry=[surveyed], crs=crs).to_file(
        data / "surveyed.gpkg", driver="GPKG"
    )

    text = settings.read_text(encoding="utf-8")
    text = text.replace(
        "[inputs.streams]", '[inputs.falls]\npath = "../sample-region/falls.gpkg"\n\n[inputs.streams]'
    )
    write_few_turbines(settings, "crossflow turbine", "Archimedes screw")
    # No rule asks how sure heads are, or how many turbines there are to choose from.
    for old, new in (("[heads]\n", HEADS_AS_SURVEYED), ("turbines/generic.toml", FEW)):
        assert text.count(old) == 1
        text = text.replace(old, new)
    settings.write_text(text + RULES, encoding="utf-8")
    delivered, results = caught_run(settings)
    return delivered, results, spawning, fall_at, middles[at].tolist(), surveyed


def test_a_corridor_runs_from_the_spawning_ground_to_the_fall_and_no_farther(region):
    delivered, results, spawning, fall_at, _, _ = region
    stationing, hits = results["stationing"], results["rule_overlaps"]
    mine = hits[hits["rule"] == "spawners' way"]
    along = mine[mine["effect"] == "downstream"]

    # Station by station, from every segment under the ground down to the fall.
    downstream = stationing.stations["downstream"].to_numpy()
    under = mine.loc[mine["effect"] == "under", "station"].unique().tolist()
    reached, queue = set(), deque(under)
    while queue:
        station = queue.popleft()
        below = int(downstream[station])
        if station != fall_at and below >= 0 and below not in reached:
            reached.add(below)
            queue.append(below)
    lines = dict(zip(stationing.segments["station"], stationing.segments["geometry"], strict=True))
    expected_m = {
        station: lines[station].difference(spawning).length * (0.25 if station == fall_at else 1.0)
        for station in reached
        if station in lines and station not in under
    }
    found_m = along[~along["station"].isin(under)].groupby("station")["overlap_m"].sum()
    assert found_m.to_dict() == pytest.approx(expected_m, abs=1e-3)
    assert len(expected_m) > 20
    assert set(along["feature_id"]) == set(mine.loc[mine["effect"] == "under", "feature_id"])

    reaches = delivered.tables["reaches"]
    held = reaches["reasons"].str.split("; ").map(lambda names: "spawners' way" in names)
    ids = delivered.tables["rule_hits"].query('rule == "spawners\' way"')["reach_id"]
    assert set(reaches.loc[held, "reach_id"]) == set(ids)
    # The months of all rules that hold in a reach, of which this is the only one to close October and November.
    closed_by = {rule.name: set(rule.closed_months) for rule in results["settings"].rules}
    reasons = reaches["reasons"].str.split("; ")
    closed = reasons.map(lambda names: set().union(*(closed_by.get(name, ()) for name in names)))
    assert reaches["closed_months"].tolist() == [";".join(map(str, sorted(months))) for months in closed]
    assert (reaches["closed_months"].str.contains("10;11") == held).all()
    assert (reaches.loc[~held, "closed_months"] == "").any()
    assert reaches.loc[held, "mark_fish_safe_only"].all()


def test_a_fall_that_no_stream_has_is_reported(region):
    repairs = region[0].tables["repairs"]

    mine = repairs[repairs["layer"] == "falls"]

    assert mine[["feature", "problem", "action"]].values.tolist() == [
        ["row 1", "no stream within 60 m", "ends no rule's effect along the stream"]
    ]


def test_discs_of_points_exclude_and_nothing_reveals_whose_they_are(region):
    delivered, _, _, _, nests, _ = region
    reaches = delivered.tables["reaches"]
    # The first and the last nest are meant: 3 ha are a disc of 97.7 m, 1 ha one of 56.4 m.
    discs = shapely.union_all([nests[0].buffer(97.72, quad_segs=256), nests[3].buffer(56.42, quad_segs=256)])
    brute_m = shapely.length(shapely.intersection(reaches.geometry.to_numpy(), discs))
    # Within 0.1 m of the edge either may be right.
    sure = (brute_m == 0) | (brute_m > 1.0)

    notes = reaches["reasons"].str.contains("sensitive area")
    hits = delivered.tables["rule_hits"].query("rule == 'sensitive area'").set_index("reach_id")

    assert (notes == (brute_m > 0))[sure].all()
    assert notes.sum() >= 2
    assert (reaches.loc[notes, "verdict"] == "excluded").all()
    assert set(hits.index) == set(reaches.loc[notes, "reach_id"])
    at = reaches.set_index("reach_id").loc[hits.index]
    assert (hits["feature_id"] == "").all()
    assert hits["from_m"].tolist() == at["from_m"].tolist()
    assert hits["to_m"].tolist() == at["to_m"].tolist()
    assert hits["overlap_m"].isna().all()


def test_no_word_of_the_delivered_file_reveals_hidden_rules_or_generalised_features(region):
    with sqlite3.connect(region[0].path) as file:
        tables = [name for (name,) in file.execute("select name from sqlite_master where type = 'table'")]
        words = [
            str(value).lower()
            for table in tables
            if not table.startswith("rtree")
            for row in file.execute(f'select * from "{table}"')
            for value in row
            if isinstance(value, str)
        ]

    assert len(words) > 1000
    assert "sensitive area" in words
    assert "orchids" in words
    for word in UNTOLD:
        assert [found for found in words if word in found] == []


def test_what_a_survey_did_not_cover_is_unknown(region):
    delivered, _, _, _, _, surveyed = region
    reaches = delivered.tables["reaches"]
    outside_m = shapely.length(shapely.difference(reaches.geometry.to_numpy(), surveyed))

    notes = reaches["reasons"].str.contains("otter survey (not covered)", regex=False)
    holds = reaches["reasons"].str.split("; ").map(lambda names: "otter survey" in names)

    assert (notes == (outside_m > 1e-3) & ~holds).all()
    assert 20 < notes.sum() < len(reaches) - 20
    assert (reaches.loc[notes, "mark_unknown"]).all()
    assert set(reaches.loc[notes, "verdict"]) == {"unknown", "excluded"}
    hits = delivered.tables["rule_hits"].query("rule == 'otter survey' and doubt == 'not covered'")
    length_m = hits.groupby("reach_id")["overlap_m"].sum().reindex(reaches["reach_id"], fill_value=0.0)
    assert length_m.to_numpy() == pytest.approx(outside_m, abs=1e-5)
    provenance = delivered.tables["provenance"].set_index("name")
    assert provenance.loc["area of rule otter survey", "source"] == "Otter Club"
    # No stretch through such ground becomes a site.
    assert not delivered.tables["sites"]["mark_unknown"].any()


def test_provenance_counts_what_was_read_used_and_meant(region, sample_run):
    provenance = region[0].tables["provenance"].set_index("name")
    areas = geopandas.read_file(sample_run.settings.parent.parent / "sample-region" / "protected.gpkg")
    strict = int((areas["category"] == "strict reserve").sum())

    note = provenance.loc["rule strict reserve", "note"]

    assert 0 < strict < len(areas)
    assert f"{len(areas)} features read, {len(areas)} used, {strict} selected by the filter" in note
    # An input and the stage that places its features may have one name.
    assert not provenance.reset_index().duplicated(["kind", "name"]).any()
