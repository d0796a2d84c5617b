"""What lies on the streams of the sample region, against its truth: weirs, steps, embankments, lake, plants."""

import json

import geopandas
import numpy as np
import pandas as pd
import pytest
import shapely

from sitefinder.delivery.stream_tables import barriers_of_streams
from sitefinder.settings import PlantSource
from sitefinder.steps.candidates import list_stretches, value_all
from sitefinder.steps.conduits import find_ways, join_ways
from sitefinder.steps.heads import fit_profile
from sitefinder.steps.readers import JoinedLayer
from sitefinder.steps.rules import judge
from sitefinder.steps.selection import choose
from sitefinder.steps.water_bodies import find_stream_things, find_structures, find_water_bodies, merge_inventories


@pytest.fixture(scope="module")
def results(sample_run):
    return sample_run.results


@pytest.fixture(scope="module")
def truth(sample_run):
    return json.loads(
        (sample_run.settings.parent.parent / "sample-region" / "truth.json").read_text(encoding="utf-8")
    )


@pytest.fixture(scope="module")
def with_layers(results):
    """The waters of the region with some layers changed; None takes a layer away."""

    def found(settings=None, refit=False, **layers):
        settings, inputs = settings or results["settings"], results["inputs"]
        changed = {name: layer for name, layer in (inputs.layers | layers).items() if layer is not None}
        inputs = inputs._replace(layers=changed)
        network, stationing, heads, flows = (results[name] for name in ("network", "stationing", "heads", "flows"))
        of_dem = results["channels"], results["dem_errors"]
        mapped = merge_inventories(settings, inputs, network, stationing)
        structures = find_structures(settings, inputs, stationing, *of_dem, mapped)
        if refit:
            heads = fit_profile(settings, inputs, stationing, *of_dem, structures)
        return find_water_bodies(settings, inputs, network, stationing, structures, heads, flows)

    return found


def without(read, ids):
    frame = read.frame[~read.frame["feature_id"].isin(ids)].reset_index(drop=True)
    return read._replace(frame=frame)


def test_each_built_weir_is_found_with_its_drop(results, truth):
    structures = results["water_bodies"].structures.set_index("structure_id")

    weirs = [weir for weir in truth["structures"] if weir["kind"] == "weir"]
    used = np.array([structures.loc[weir["structure_id"], "drop_m"] for weir in weirs])
    shown = np.array([structures.loc[weir["structure_id"], "dem_drop_m"] for weir in weirs])
    true = np.array([weir["drop_m"] for weir in weirs])
    by_survey, by_dem = np.abs(used - true), np.abs(shown - true)
    print(f"{len(weirs)} weirs: survey off by {by_survey.max():.2f} m at most, DEM by {by_dem.max():.2f} m")
    assert (structures.loc[[weir["structure_id"] for weir in weirs], "station"] >= 0).all()
    assert (np.abs(used - true) <= 0.3).all()
    # Without the survey, nine in ten within 0.3 m, and none beyond three times the DEM's error.
    assert (np.abs(shown - true) <= 0.3).mean() >= 0.9
    assert np.abs(shown - true).max() <= 0.45


# The same structures as another inventory places them: some stations further down the link of each, or up where it
# ends before.
def elsewhere(read, results, name, stations_away):
    placed = results["water_bodies"].structures.set_index("structure_id")
    stations = results["stationing"].stations
    link, x_m, y_m = (stations[column].to_numpy() for column in ("link", "x_m", "y_m"))
    places = []
    for identity, own in zip(read.frame["feature_id"], read.frame.geometry, strict=True):
        station = int(placed.loc[identity, "station"])
        there = [at for at in (station + stations_away, station - stations_away) if 0 < at < len(link) - 1]
        # A point on a confluence might be on any of its streams.
        there = [at for at in there if station >= 0 and (link[at - 1 : at + 2] == link[station]).all()]
        places.append(shapely.Point(x_m[there[0]], y_m[there[0]]) if there else own)
    frame = read.frame.assign(
        feature_id=[f"{name}:{identity}" for identity in read.frame["feature_id"]],
        inventory=name,
        # A station is 50 m from the next; structures are at their drops, which may be in the next segment.
        position_error_m=50.0 * (stations_away + 2),
        drop_m=np.nan,
    )
    return frame.set_geometry(places, crs=read.frame.crs)


def joined(*frames):
    return JoinedLayer(pd.concat(frames, ignore_index=True))


def test_three_inventories_that_place_the_samples_weirs_apart_give_the_barriers_of_one(results, with_layers):
    read, settings, known = results["inputs"].layers["structures"], results["settings"], results["water_bodies"]
    copies = [elsewhere(read, results, name, away) for name, away in (("region", 1), ("state", 4))]
    settings = settings.model_copy(
        update={"stretches": settings.stretches.model_copy(update={"structure_merge_distance_m": 50.0})}
    )
    apart_m = copies[1].distance(read.frame.geometry, align=False)
    print(f"the third inventory is {apart_m.median():.0f} m away in the median, {apart_m.max():.0f} m at most")
    assert apart_m.median() > 120.0

    found = with_layers(settings, structures=joined(read.frame, *copies))

    columns = ["structure_id", "station", "share_above", "is_barrier", "drop_m", "dem_drop_m", "fall_below_m"]
    pd.testing.assert_frame_equal(found.structures[columns], known.structures[columns])
    mapped = found.structures[found.structures["kind"] != "step"]
    assert (mapped["sources"].str.count(";") == 2).all()


def test_a_weir_that_one_of_two_inventories_has_removed_is_shown_and_in_no_sum(results, with_layers):
    read, known = results["inputs"].layers["structures"], results["water_bodies"].structures
    gone = known.loc[known["is_barrier"].astype(bool), "structure_id"].iloc[0]
    other = elsewhere(read, results, "state", 1)
    other["removed"] = np.where(other["inventory_id"] == gone, True, None)

    found = with_layers(structures=joined(read.frame, other))

    row = found.structures.set_index("structure_id").loc[gone]
    assert (row["removed"], row["is_barrier"], row["station"] >= 0) == (True, False, True)
    assert np.isnan(row["drop_m"])
    assert np.isnan(row["dem_drop_m"])
    assert row["note"].startswith("removed: no barrier and no head are left")
    # Its step is explained by it: the sample's DEM shows the weir, and is older than its removal.
    assert "the DEM shows a drop of" in row["note"]
    assert len(found.structures) == len(known)
    names = ("settings", "inputs", "network", "stationing")
    things = find_stream_things(*(results[name] for name in names), found)
    before = results["stream_things"]
    assert set(before["object_id"]) - set(things["object_id"]) == {gone}
    assert len(things) == len(before) - 1
    # Rows of the structures are the same, whoever is left out of the stream.
    ids = found.structures["structure_id"].to_numpy()
    own = things[things["structure"] >= 0]
    assert (ids[own["structure"]] == own["object_id"]).all()
    count = len(results["river_parts"].stream)
    inside = np.ones(count, dtype=bool)
    one, other = (
        barriers_of_streams(each, results["river_parts"].stream, inside, count).sum()
        for each in (known, found.structures)
    )
    assert other == one - 1


@pytest.mark.parametrize("part", [0, 1])
def test_weirs_that_the_layer_withholds_are_found_again_as_steps(results, truth, with_layers, part):
    weirs = [weir for weir in truth["structures"] if weir["kind"] == "weir"]
    withheld = [weir["structure_id"] for weir in weirs][part::2]

    # The long profile is fitted again too, since it breaks at the structures that it knows of.
    structures = with_layers(refit=True, structures=without(results["inputs"].layers["structures"], withheld))
    structures = structures.structures

    known = results["water_bodies"].structures.set_index("structure_id")["station"]
    steps = structures[structures["kind"] == "step"]
    found = np.isin(known[withheld], steps["station"])
    print(f"{found.sum()} of {len(withheld)} withheld weirs are found again, among {len(steps)} steps")
    assert found.mean() >= 0.5
    assert not steps["is_barrier"].any()
    assert steps["note"].str.startswith("step_unexplained").all()


def test_no_step_is_listed_at_a_structure_or_an_embankment(results, truth):
    structures = results["water_bodies"].structures
    steps = structures[structures["kind"] == "step"]

    known = structures.loc[structures["kind"] != "step", "geometry"].to_numpy()
    banks = [shapely.Point(bank["x_m"], bank["y_m"]) for bank in truth["embankments"]]
    for place in (shapely.union_all(known), shapely.union_all(banks)):
        assert (shapely.distance(place, steps["geometry"].to_numpy()) > 60.0).all()


def test_no_embankment_and_no_lake_yields_a_site_while_the_weir_below_the_embankment_does(results, truth):
    # Where energy has a high price and head may be taken at barriers alone, every usable weir becomes a site.
    settings = results["settings"]
    settings = settings.model_copy(
        update={
            "stretches": settings.stretches.model_copy(update={"scheme_types": ["at_barrier"]}),
            "costs": settings.costs.model_copy(update={"price_per_kwh": 10.0}),
            "rules": [],
        }
    )
    names = ("inputs", "stationing", "channels", "heads", "water_bodies", "catchments", "flows", "channel_shapes")
    names = (*names, "stream_things")
    inputs, stationing, _, _, water_bodies, _, flows, _, things = (results[name] for name in names)
    candidates = list_stretches(settings, *(results[name] for name in names))
    ways = find_ways(settings, inputs, results["surface"], stationing, results["heads"], candidates)
    stretches = join_ways(candidates, ways)
    valued = value_all(settings, inputs, stretches, flows, results["water_depths"])
    free = results["rule_overlaps"].iloc[:0]
    no_ground = np.zeros(len(stationing.stations))
    judged = judge(settings, stationing, stretches, free, things)
    chosen = choose(settings, inputs, stationing, stretches, valued, no_ground, judged, water_bodies).offers.chosen

    table = stretches.table[chosen]
    sites = water_bodies.structures.iloc[table["structure"]]
    # W02 stands 98 m below the first embankment.
    assert "W02" in set(sites["structure_id"])
    assert (sites["kind"] == "weir").all()
    assert not sites["powered"].any()
    assert not sites["removal_planned"].any()
    banks = shapely.union_all([shapely.Point(bank["x_m"], bank["y_m"]) for bank in truth["embankments"]])
    assert (shapely.distance(banks, sites["geometry"].to_numpy()) > 60.0).all()
    assert not water_bodies.standing[table[["intake", "tailrace"]].to_numpy()].any()


def test_no_candidate_takes_standing_water(results):
    water_bodies, stretches = results["water_bodies"], results["stretches"]

    assert water_bodies.standing.sum() > 5
    assert not water_bodies.standing[stretches.taken].any()


def test_the_lake_is_detected_where_no_layer_shows_it(results, with_layers):
    notes = results["water_bodies"].standing

    water_bodies = with_layers(lakes=None)

    # The ends of a lake lie within a segment, which does not stand as a whole; so does the end of a brook in it.
    lake_m = results["stationing"].stations["segment_length_m"].to_numpy()
    assert lake_m[notes & ~water_bodies.detected].sum() <= 3 * lake_m.max()
    assert water_bodies.detected.sum() >= 0.75 * notes.sum()
    assert not (water_bodies.detected & ~notes).any()
    assert not results["water_bodies"].detected.any()
    np.testing.assert_array_equal(water_bodies.standing, water_bodies.detected)


def test_standing_water_is_not_looked_for_where_the_settings_switch_it_off(results, with_layers):
    settings = results["settings"]
    settings = settings.model_copy(update={"heads": settings.heads.model_copy(update={"standing_water_m": 0.0})})

    assert not with_layers(settings, lakes=None).standing.any()


def test_plants_develop_their_stream_and_what_could_not_be_followed_is_reported(results, with_layers):
    stationing, settings = results["stationing"], results["settings"]
    lines = stationing.segments.set_index("station")["geometry"]
    station = next(i for i in lines.index if i + 1 in lines.index and i + 2 in lines.index)
    middles = [lines[station + k].interpolate(0.5, normalized=True) for k in (0, 2)]
    # From one source to another there is no way down.
    sources = stationing.stations.index[stationing.stations["is_headwater"]][[0, -1]]
    shapes = [shapely.LineString(middles), shapely.LineString([lines[i + 1].centroid for i in sources])]
    frame = geopandas.GeoDataFrame({"feature_id": ["P1", "P2"]}, geometry=shapes, crs=settings.run.crs)
    source = settings.inputs.model_copy(update={"plants": PlantSource(path="plants.gpkg")})
    layer = results["inputs"].layers["structures"]._replace(frame=frame)

    water_bodies = with_layers(settings.model_copy(update={"inputs": source}), plants=layer)

    developed = set(np.flatnonzero(water_bodies.developed))
    assert {*range(station, station + 3), *(sources + 1)} <= developed
    assert water_bodies.repairs[["layer", "feature"]].to_numpy().tolist() == [["plants", "P2"]]
