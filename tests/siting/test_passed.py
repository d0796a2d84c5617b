"""What stretches go past, by brute force: walks down random trees, and the lines of the stretches by shapely."""

import numpy as np
import pandas as pd
import pytest
import shapely

from sitefinder.rules.verdicts import MARK_NAMES, admissible
from sitefinder.settings import StretchSettings
from sitefinder.siting.candidates import find_stretches
from sitefinder.siting.passed import (
    BITS,
    bits_of,
    confluences,
    flags_of_things,
    kinds_of_structures,
    passed_things,
    plants_of_structures,
    stream_things,
    things_of_sites,
)

KINDS = ("plant", "fall", "crossing", "step", "navigation", "abstraction_weir", "weir", "abstraction")
WEIRS = ("navigation", "abstraction_weir", "weir")
ENDS_M = 25.0


# A random tree of links of 50 m segments, drawn so that no two lines cross; with the profile of an even slope.
def tree(rng):
    links = int(rng.integers(2, 6))
    below = [int(rng.integers(number + 1, links)) if number < links - 1 else -1 for number in range(links)]
    count = [int(rng.integers(1, 7)) for _ in range(links)]
    first = np.cumsum([0] + [segments + 1 for segments in count])
    x_m, y_m, rows, lines = np.zeros(first[-1]), np.zeros(first[-1]), [], {}
    for number in range(links - 1, -1, -1):
        foot = (0.0, 0.0) if below[number] < 0 else (x_m[first[below[number]]], y_m[first[below[number]]])
        angle = np.pi / 2 + (number - links / 2) * 0.3
        for place in range(count[number] + 1):
            away_m = 50.0 * (count[number] - place)
            x_m[first[number] + place] = foot[0] + away_m * np.cos(angle)
            y_m[first[number] + place] = foot[1] + away_m * np.sin(angle)
    for number in range(links):
        for place in range(count[number] + 1):
            station, is_last = int(first[number]) + place, place == count[number]
            following = int(first[below[number]]) if below[number] >= 0 else -1
            rows.append(
                (
                    number,
                    following if is_last else station + 1,
                    0.0 if is_last else 50.0,
                    50.0 if place else 0.0,
                    x_m[station],
                    y_m[station],
                )
            )
            if place:
                ends = [(x_m[station + step], y_m[station + step]) for step in (-1, 0)]
                lines[station] = shapely.LineString(ends)
    names = ["link", "downstream", "to_downstream_m", "segment_length_m", "x_m", "y_m"]
    stations = pd.DataFrame(rows, columns=names)
    profile_m = np.zeros(len(stations))
    for station in range(len(stations) - 1, -1, -1):
        if stations["downstream"][station] >= 0:
            following = stations["downstream"][station]
            profile_m[station] = profile_m[following] + 0.02 * stations["to_downstream_m"][station]
    return stations, lines, profile_m


def random_things(rng, stations):
    places = np.flatnonzero(stations["segment_length_m"] > 0)
    count = int(rng.integers(0, 9))
    table = pd.DataFrame(
        {
            "kind": rng.choice(KINDS, count),
            "object_id": [f"T{number}" for number in range(count)],
            "station": rng.choice(places, count),
            "share_above": rng.uniform(0.02, 0.98, count),
            "structure": np.arange(count),
            "drop_m": rng.choice([0.3, 0.8, 2.0, np.nan], count),
        }
    )
    table["may_serve"] = table["kind"].isin(WEIRS)
    return stream_things(table, confluences(stations, np.array([f"S{n}" for n in range(10)], dtype=object)))


def stretches_of(stations, profile_m, things):
    weirs = things[things["may_serve"]]
    barriers = pd.DataFrame(
        {
            "station": weirs["station"].to_numpy(),
            "head_m": np.full(len(weirs), 1.0),
            "head_se_m": np.full(len(weirs), 0.1),
            "fall_below_m": np.zeros(len(weirs)),
        }
    )
    settings = StretchSettings(min_head_m=0.5, max_head_m=6.0, longest_m=400.0, new_weir_heights_m=[1.0, 2.0])
    errors_m = np.zeros((len(stations), 2), dtype=np.float32)
    found = find_stretches(stations, profile_m, errors_m, np.zeros(len(stations), dtype=bool), barriers, settings)
    row = weirs["structure"].to_numpy()
    used = np.append(row, -1)[found.table["structure"].to_numpy()]
    return found._replace(table=found.table.assign(structure=used))


# By walking down: the intake's weir, and the kinds passed. Things come as rows, the stations below as a list.
def passed_by_walking(site, downstream, profile_m, things):
    if site.scheme_type == "at_barrier":
        return 0, -1
    path, station = [], site.intake
    while station != site.tailrace:
        station = downstream[station]
        path.append(station)
    if site.scheme_type == "new_weir":
        crest_m = profile_m[site.intake] + site.weir_height_m
        # Segments with any water of the pond on them.
        for start in range(len(downstream)):
            at = start
            while at != site.intake and at >= 0:
                at = downstream[at]
            if at == site.intake and profile_m[start] < crest_m:
                path.append(start)
    on_path = [row for row in things if row.station in path]
    serving = -1
    if site.scheme_type == "diversion":
        weirs = [row for row in on_path if row.may_serve and row.station == path[0]]
        serving = min(weirs, key=lambda row: row.share_above).Index if weirs else -1
    kinds = set()
    for row in on_path:
        if serving >= 0 and row.station == path[0]:
            served = things[serving]
            if row.share_above < served.share_above or (row.Index == serving and row.kind != "navigation"):
                continue
        kinds.add(row.kind)
    return bits_of(kinds), serving


@pytest.mark.parametrize("seed", range(60))
def test_what_candidates_pass_is_what_a_walk_down_the_stream_meets(seed):
    rng = np.random.default_rng(seed)
    stations, _, profile_m = tree(rng)
    things = random_things(rng, stations)
    stretches = stretches_of(stations, profile_m, things)

    passed = passed_things(stretches, things, len(stations))

    downstream, rows = stations["downstream"].tolist(), list(things.itertuples())
    for number, site in enumerate(stretches.table.itertuples()):
        kinds, serving = passed_by_walking(site, downstream, profile_m, rows)
        assert (passed.kinds[number], passed.serving[number]) == (kinds, serving), site


@pytest.mark.parametrize("seed", range(60))
def test_each_thing_on_the_line_of_a_stretch_or_near_its_ends_is_listed_with_its_distance(seed):
    rng = np.random.default_rng(1000 + seed)
    stations, lines, profile_m = tree(rng)
    things = random_things(rng, stations)
    stretches = stretches_of(stations, profile_m, things)
    if not len(stretches.table):
        return
    chosen = rng.choice(len(stretches.table), min(12, len(stretches.table)), replace=False)
    serving = passed_things(stretches, things, len(stations)).serving

    listed = things_of_sites(stretches, chosen, serving, things, stations, ENDS_M)

    points = [
        lines[row.station].interpolate(row.share_above, normalized=True)
        if row.station in lines
        else shapely.Point(stations["x_m"][row.station], stations["y_m"][row.station])
        for row in things.itertuples()
    ]
    for place, number in enumerate(chosen.tolist()):
        site, path, station = stretches.table.iloc[number], [], int(stretches.table["intake"].iloc[number])
        while station != site["tailrace"]:
            station = int(stations["downstream"][station])
            path.append(station)
        line = shapely.line_merge(shapely.union_all([lines[each] for each in path if each in lines]))
        own = listed[listed["site"] == place]
        within = {row for row, point in enumerate(points) if line.distance(point) < 1e-6}
        assert within <= set(own["thing"]), site
        on_path = own[own["role"].isin(["bypassed", "used"]) & (site["scheme_type"] == "diversion")]
        start = shapely.Point(stations["x_m"][site["intake"]], stations["y_m"][site["intake"]])
        turned = line if shapely.get_point(line, 0).equals_exact(start, 1e-6) else line.reverse()
        for row in on_path.itertuples():
            assert row.distance_m == pytest.approx(turned.project(points[row.thing]), abs=1e-6)
        if site["scheme_type"] != "new_weir":
            ends = {row.Index for row in things.itertuples() if is_near_an_end(row, site, stations)}
            assert set(own["thing"]) == within | ends


@pytest.mark.parametrize("seed", range(40))
def test_a_short_diversion_about_a_weir_is_that_weirs_plant(seed):
    rng = np.random.default_rng(2000 + seed)
    stations, lines, profile_m = tree(rng)
    things = random_things(rng, stations)
    stretches = stretches_of(stations, profile_m, things)
    within_m = float(rng.uniform(20.0, 110.0))
    counts = things["may_serve"].to_numpy(dtype=bool)

    found = plants_of_structures(stretches, things, counts, stations, within_m)

    downstream, rows = stations["downstream"].tolist(), list(things[counts].itertuples())
    for number, site in enumerate(stretches.table.itertuples()):
        path, station = [], site.intake
        while station != site.tailrace:
            station = downstream[station]
            path.append(station)
        own = [row for row in rows if row.station in path]
        if not own:
            # No structure, so no drop that could be half of the head.
            assert not found[number], site
            continue
        line = shapely.line_merge(shapely.union_all([lines[each] for each in path if each in lines]))
        points = [lines[row.station].interpolate(row.share_above, normalized=True) for row in own]
        along = [(line.project(point), line.length - line.project(point)) for point in points]
        drops_m = [row.drop_m for row, pair in zip(own, along, strict=True) if max(pair) <= within_m]
        near = np.nansum(drops_m) >= 0.5 * site.head_m
        assert found[number] == (site.scheme_type == "diversion" and near), site


# By walking down: whether a thing is at most so much above the intake, or below the tailrace.
def is_near_an_end(thing, site, stations):
    segment_m, step_m = (stations[name].to_numpy() for name in ("segment_length_m", "to_downstream_m"))
    downstream = stations["downstream"].to_numpy()
    station, way_m = thing.station, (1.0 - thing.share_above) * segment_m[thing.station]
    while 0 <= station < site["intake"]:
        way_m, station = way_m + step_m[station], int(downstream[station])
    if station == site["intake"] and way_m <= ENDS_M:
        return True
    station, way_m = int(site["tailrace"]), 0.0
    while 0 <= station < thing.station:
        way_m, station = way_m + step_m[station], int(downstream[station])
    below_m = way_m - (1.0 - thing.share_above) * segment_m[thing.station]
    return station == thing.station and 0.0 <= below_m <= ENDS_M


def test_the_intake_at_a_weir_passes_what_lies_below_the_weir_alone():
    # One link of four segments; on the first of the stretch an abstraction, then a weir, then a bridge.
    stations = pd.DataFrame(
        {
            "link": 0,
            "downstream": [1, 2, 3, 4, -1],
            "to_downstream_m": [50.0] * 4 + [0.0],
            "segment_length_m": [0.0] + [50.0] * 4,
            "x_m": 50.0 * np.arange(5),
            "y_m": 0.0,
        }
    )
    table = pd.DataFrame(
        {
            "kind": ["abstraction", "weir", "crossing", "weir", "fall"],
            "object_id": ["A", "W", "B", "V", "F"],
            "station": [1, 1, 1, 2, 2],
            "share_above": [0.1, 0.5, 0.9, 0.5, 0.6],
            "structure": [-1, 0, 1, 2, 3],
            "may_serve": [False, True, False, True, False],
        }
    )
    things = stream_things(table)
    settings = StretchSettings(min_head_m=1.9, max_head_m=6.0, scheme_types=["diversion"])
    nothing = pd.DataFrame({name: [] for name in ("station", "head_m", "head_se_m", "fall_below_m")})
    found = find_stretches(
        stations,
        np.array([4.0, 3.0, 2.0, 1.0, 0.0]),
        np.zeros((5, 2), dtype=np.float32),
        np.zeros(5, dtype=bool),
        nothing.astype({"station": int}),
        settings,
    )
    site = np.flatnonzero((found.table["intake"] == 0) & (found.table["tailrace"] == 2))

    passed = passed_things(found, things, 5)
    listed = things_of_sites(found, site, passed.serving, things, stations, ENDS_M)

    assert things["object_id"].iloc[passed.serving[site[0]]] == "W"
    assert passed.kinds[site[0]] == BITS["crossing"] | BITS["weir"] | BITS["fall"]
    assert list(zip(things["object_id"].iloc[listed["thing"]], listed["role"], strict=True)) == [
        ("A", "above the intake"),
        ("W", "used"),
        ("B", "bypassed"),
        ("V", "bypassed"),
        ("F", "bypassed"),
    ]
    assert listed["distance_m"].tolist() == pytest.approx([5.0, 25.0, 45.0, 75.0, 80.0])
    assert flags_of_things(listed, things) == {
        (0, "intake_at_structure"): "W",
        (0, "bypasses_structure"): "B, V",
        (0, "bypasses_fall"): "F",
    }


def test_a_structure_is_of_the_first_kind_that_fits_it():
    structures = pd.DataFrame(
        {
            "kind": ["weir", "Fall", "bridge", "step", "weir", "weir", "weir"],
            "use": ["mill", "", "", "", "Navigation lock", "irrigation canal", "none"],
            "powered": [True, False, False, False, False, False, False],
        }
    )

    kinds = kinds_of_structures(structures, ["navigation"], ["mill", "irrigation"])

    assert kinds.tolist() == ["plant", "fall", "crossing", "step", "navigation", "abstraction_weir", "weir"]


def test_where_no_new_barrier_may_be_built_only_diversions_without_a_weir_of_their_own_remain():
    scheme_types = ["diversion", "diversion", "new_weir", "at_barrier"]
    marks = pd.DataFrame({name: [name == "mark_no_new_barrier"] * 4 for name in MARK_NAMES})

    admitted = admissible(scheme_types, marks, [], np.array([True, False, True, False]))

    assert admitted.choice.tolist() == [-1, 0, -1, 0]
    assert admitted.because[0] == "no new barrier may be built"


def test_what_a_rule_forbids_to_bypass_bars_a_stretch():
    marks = pd.DataFrame({name: [False] * 2 for name in MARK_NAMES})

    admitted = admissible(["diversion"] * 2, marks, [], None, np.array([True, False]))

    assert admitted.choice.tolist() == [-1, 0]
    assert admitted.because.tolist() == ["a rule forbids to bypass what lies here", ""]
