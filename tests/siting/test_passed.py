"""What stretches go past, by brute force: walks down random trees, and the lines of the stretches by shapely."""

import functools
import operator
from typing import NamedTuple

import numpy as np
import pandas as pd
import pytest
import shapely

from sitefinder.rules.verdicts import MARK_NAMES, admissible
from sitefinder.settings import StretchSettings
from sitefinder.siting.candidates import Stretches, find_stretches
from sitefinder.siting.passed import (
    BITS,
    bits_of,
    builds_barrier,
    confluences,
    flags_of_things,
    kinds_of_structures,
    new_weirs_at,
    passed_things,
    plants_of_structures,
    stream_things,
    things_of_sites,
)

KINDS = ("plant", "fall", "crossing", "step", "navigation", "abstraction_weir", "weir", "abstraction")
WEIRS = ("navigation", "abstraction_weir", "weir")
ENDS_M = 25.0


class Rivers(NamedTuple):
    """Random rivers side by side: what draws more, stations, profile, things on them, and stretches.

    ``first`` is the first station of the river of each station.
    """

    rng: np.random.Generator
    stations: pd.DataFrame
    first: list
    profile_m: np.ndarray
    things: pd.DataFrame
    stretches: Stretches


# A random tree of links of 50 m segments, drawn so that no two lines cross, as rows of its stations; the numbers
# of its first station and link, and the place of its foot, are given.
def tree(rng, first_station, first_link, foot_x_m):
    links = int(rng.integers(2, 6))
    below = [int(rng.integers(number + 1, links)) if number < links - 1 else -1 for number in range(links)]
    count = [int(rng.integers(1, 7)) for _ in range(links)]
    first = np.cumsum([0] + [segments + 1 for segments in count]).tolist()
    x_m, y_m, rows = [0.0] * first[-1], [0.0] * first[-1], []
    for number in range(links - 1, -1, -1):
        at = first[below[number]]
        foot = (foot_x_m, 0.0) if below[number] < 0 else (x_m[at], y_m[at])
        angle = np.pi / 2 + (number - links / 2) * 0.3
        for place in range(count[number] + 1):
            away_m = 50.0 * (count[number] - place)
            x_m[first[number] + place] = foot[0] + away_m * np.cos(angle)
            y_m[first[number] + place] = foot[1] + away_m * np.sin(angle)
    for number in range(links):
        for place in range(count[number] + 1):
            station, is_last = first[number] + place, place == count[number]
            following = station + 1 if not is_last else first[below[number]] if below[number] >= 0 else -1
            rows.append(
                (
                    first_link + number,
                    first_station + following if following >= 0 else -1,
                    0.0 if is_last else 50.0,
                    50.0 if place else 0.0,
                    x_m[station],
                    y_m[station],
                    first_station,
                )
            )
    return rows


def random_things(rng, stations):
    places = np.flatnonzero(stations["segment_length_m"] > 0)
    rivers = stations["first"].to_numpy()
    # None to eight on each river.
    station = np.concatenate(
        [rng.choice(places[rivers[places] == river], rng.integers(0, 9)) for river in np.unique(rivers)]
    )
    count = len(station)
    table = pd.DataFrame(
        {
            "kind": rng.choice(KINDS, count),
            "object_id": [f"T{number}" for number in range(count)],
            "station": station,
            "share_above": rng.uniform(0.02, 0.98, count),
            "structure": np.arange(count),
            "drop_m": rng.choice([0.3, 0.8, 2.0, np.nan], count),
        }
    )
    table["may_serve"] = table["kind"].isin(WEIRS)
    streams = np.array([f"S{number}" for number in range(stations["link"].max() + 1)], dtype=object)
    return stream_things(table, confluences(stations, streams))


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


# Rivers 10 km apart, in one table, with the profile of an even slope: all are worked out in one call.
def rivers_of(seed, count):
    rng, rows, links = np.random.default_rng(seed), [], 0
    for number in range(count):
        rows += tree(rng, len(rows), links, 10_000.0 * number)
        links = rows[-1][0] + 1
    names = ["link", "downstream", "to_downstream_m", "segment_length_m", "x_m", "y_m", "first"]
    stations = pd.DataFrame(rows, columns=names)
    downstream, step_m = stations["downstream"].tolist(), stations["to_downstream_m"].tolist()
    profile_m = np.zeros(len(stations))
    for station in range(len(stations) - 1, -1, -1):
        if downstream[station] >= 0:
            profile_m[station] = profile_m[downstream[station]] + 0.02 * step_m[station]
    things = random_things(rng, stations)
    first = stations.pop("first").tolist()
    return Rivers(rng, stations, first, profile_m, things, stretches_of(stations, profile_m, things))


@pytest.fixture(scope="module")
def rivers():
    return rivers_of(1, 100)


# The stations below the intake of a site, down to its tailrace.
def path_of(site, downstream):
    path, station = [], site.intake
    while station != site.tailrace:
        station = downstream[station]
        path.append(station)
    return path


# By walking down: the kinds passed, and the intake's weir. Things come as rows, the stations below as a list.
def passed_by_walking(site, first, downstream, profile_m, things):
    if site.scheme_type == "at_barrier":
        return 0, -1
    path = path_of(site, downstream)
    below_intake = path[0]
    if site.scheme_type == "new_weir":
        crest_m = profile_m[site.intake] + site.weir_height_m
        # Segments of the river with any water of the pond on them.
        for start in range(first[site.intake], site.intake + 1):
            at = start
            while at != site.intake and at >= 0:
                at = downstream[at]
            if at == site.intake and profile_m[start] < crest_m:
                path.append(start)
    on_path = [row for row in things if row.station in path]
    serving = -1
    if site.scheme_type == "diversion":
        weirs = [row for row in on_path if row.may_serve and row.station == below_intake]
        serving = min(weirs, key=lambda row: row.share_above).Index if weirs else -1
    kinds = set()
    for row in on_path:
        if serving >= 0 and row.station == below_intake:
            (served,) = (each for each in on_path if each.Index == serving)
            if row.share_above < served.share_above or (row.Index == serving and row.kind != "navigation"):
                continue
        kinds.add(row.kind)
    return bits_of(kinds), serving


# The things on the river of each station, as rows.
def things_by_river(rivers):
    found = {}
    for row in rivers.things.itertuples():
        found.setdefault(rivers.first[row.station], []).append(row)
    return found


def test_what_candidates_pass_is_what_a_walk_down_the_stream_meets(rivers):
    stations, stretches = rivers.stations, rivers.stretches

    passed = passed_things(stretches, rivers.things, len(stations))

    downstream, profile_m = stations["downstream"].tolist(), rivers.profile_m.tolist()
    things = things_by_river(rivers)
    for number, site in enumerate(stretches.table.itertuples()):
        own = things.get(rivers.first[site.intake], [])
        kinds, serving = passed_by_walking(site, rivers.first, downstream, profile_m, own)
        assert (passed.kinds[number], passed.serving[number]) == (kinds, serving), site


# The line of a stretch from its intake down, and the points where things lie, drawn on the map.
def line_of(site, downstream, places):
    return shapely.LineString(places[[site.intake, *path_of(site, downstream)]])


def points_of(things, stations, places):
    station = things["station"].to_numpy()
    above = np.where(stations["segment_length_m"].to_numpy()[station] > 0, station - 1, station)
    share = things["share_above"].to_numpy()[:, None]
    return shapely.points(places[above] + share * (places[station] - places[above]))


def test_each_thing_on_the_line_of_a_stretch_or_near_its_ends_is_listed_with_its_distance(rivers):
    stations, things, stretches = rivers.stations, rivers.things, rivers.stretches
    river = np.array(rivers.first)[stretches.table["intake"]]
    rng = np.random.default_rng(2)
    # Up to twelve on each river.
    by_river = [np.flatnonzero(river == each) for each in np.unique(river)]
    chosen = np.concatenate([rng.choice(own, min(12, len(own)), replace=False) for own in by_river])
    serving = passed_things(stretches, things, len(stations)).serving

    listed = things_of_sites(stretches, chosen, serving, things, stations, ENDS_M)

    places, downstream = stations[["x_m", "y_m"]].to_numpy(), stations["downstream"].tolist()
    columns = downstream, stations["segment_length_m"].tolist(), stations["to_downstream_m"].tolist()
    points, rows = points_of(things, stations, places), things_by_river(rivers)
    listed_of = {place: list(own.itertuples()) for place, own in listed.groupby("site")}
    for place, site in enumerate(stretches.table.iloc[chosen].itertuples()):
        line, own = line_of(site, downstream, places), listed_of.get(place, [])
        within = set(np.flatnonzero(shapely.distance(line, points) < 1e-6).tolist())
        own_things = {row.thing for row in own}
        assert within <= own_things, site
        for row in own:
            if site.scheme_type == "diversion" and row.role in ("bypassed", "used"):
                assert row.distance_m == pytest.approx(line.project(points[row.thing]), abs=1e-6)
        if site.scheme_type != "new_weir":
            near = rows.get(rivers.first[site.intake], [])
            ends = {row.Index for row in near if is_near_an_end(row, site, *columns)}
            assert own_things == within | ends


# From less than a segment to more than two of them.
@pytest.mark.parametrize("within_m", [20.0, 33.0, 47.0, 54.0, 68.0, 81.0, 96.0, 109.0])
def test_a_short_diversion_about_a_weir_is_that_weirs_plant(rivers, within_m):
    stations, things, stretches = rivers.stations, rivers.things, rivers.stretches
    counts = things["may_serve"].to_numpy(dtype=bool)

    found = plants_of_structures(stretches, things, counts, stations, within_m)

    places, downstream = stations[["x_m", "y_m"]].to_numpy(), stations["downstream"].tolist()
    points, weirs = points_of(things, stations, places), {}
    for row in things[counts].itertuples():
        weirs.setdefault(row.station, []).append(row)
    for number, site in enumerate(stretches.table.itertuples()):
        own = [row for station in path_of(site, downstream) for row in weirs.get(station, [])]
        if not own:
            # No structure, so no drop that could be half of the head.
            assert not found[number], site
            continue
        line = line_of(site, downstream, places)
        along = [(at_m, line.length - at_m) for at_m in (line.project(points[row.Index]) for row in own)]
        drops_m = [row.drop_m for row, pair in zip(own, along, strict=True) if max(pair) <= within_m]
        near = np.nansum(drops_m) >= 0.5 * site.head_m
        assert found[number] == (site.scheme_type == "diversion" and near), site
    # The shortest diversion is 50 m long, and a weir 25 m from both of its ends at best.
    assert found.any() == (within_m > 25.0)


def test_on_a_river_without_things_no_site_passes_any(rivers):
    stations, stretches, nothing = rivers.stations, rivers.stretches, stream_things()

    passed = passed_things(stretches, nothing, len(stations))

    assert not passed.kinds.any()
    assert (passed.serving == -1).all()
    assert things_of_sites(stretches, [0, 1], passed.serving, nothing, stations, ENDS_M).empty
    assert not plants_of_structures(stretches, nothing, np.zeros(0, dtype=bool), stations, 100.0).any()


@pytest.mark.parametrize(
    ("drop_m", "within_m", "is_plant"), [(1.0, 50.0, True), (0.99, 50.0, False), (2.0, 49.9, False)]
)
def test_a_diversion_is_a_weirs_plant_from_half_of_its_head_on_where_the_weir_is_just_near_to_both_ends(
    drop_m, within_m, is_plant
):
    # 50 m from one station to the next, and the weir at the third; the last candidate has no head and no weir.
    stations = pd.DataFrame(
        {
            "downstream": [1, 2, 3, 4, -1],
            "to_downstream_m": [50.0] * 4 + [0.0],
            "segment_length_m": [0.0] + [50.0] * 4,
        }
    )
    table = pd.DataFrame(
        {
            "scheme_type": "diversion",
            "intake": [1, 3],
            "tailrace": [3, 4],
            "length_m": [100.0, 50.0],
            "head_m": [2.0, 0.0],
        }
    )
    stretches = Stretches(table, np.array([0, 2, 3]), np.array([2, 3]), np.array([3, 2, 4]))
    things = stream_things(pd.DataFrame({"kind": ["weir"], "station": 2, "share_above": 1.0, "drop_m": drop_m}))

    found = plants_of_structures(stretches, things, np.array([True]), stations, within_m)

    assert found.tolist() == [is_plant, False]
    for counts in (False, True):
        none = stretches._replace(table=table.assign(scheme_type="new_weir")) if counts else stretches
        assert not plants_of_structures(none, things, np.array([counts]), stations, within_m).any()


def test_where_there_is_no_candidate_nothing_is_passed():
    stretches = Stretches(candidates_at([], [], []).table, np.array([0]), np.zeros(0, int), np.zeros(0, np.int32))
    things = stream_things(pd.DataFrame({"kind": ["weir"], "station": 1, "share_above": 0.5}))

    passed = passed_things(stretches, things, 2)

    assert (passed.kinds.shape, passed.serving.shape) == ((0,), (0,))


# By walking down: whether a thing is at most so much above the intake, or below the tailrace.
def is_near_an_end(thing, site, downstream, segment_m, step_m):
    station, way_m = thing.station, (1.0 - thing.share_above) * segment_m[thing.station]
    while 0 <= station < site.intake:
        way_m, station = way_m + step_m[station], downstream[station]
    if station == site.intake and way_m <= ENDS_M:
        return True
    station, way_m = site.tailrace, 0.0
    while 0 <= station < thing.station:
        way_m, station = way_m + step_m[station], downstream[station]
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


def test_things_are_listed_up_to_just_the_distance_beyond_the_ends_each_with_its_role():
    # Stations 0 to 8, 50 m apart; a diversion from station 3 to 5, and two plants at a weir from 3 to 4.
    stations = pd.DataFrame(
        {
            "downstream": [1, 2, 3, 4, 5, 6, 7, 8, -1],
            "to_downstream_m": [50.0] * 8 + [0.0],
            "segment_length_m": [0.0] + [50.0] * 8,
        }
    )
    # Distance of the things from the uppermost station [m]; some are structures.
    at_m = [45.0, 50.0, 125.0, 155.0, 160.0, 190.0, 225.0, 275.0, 350.0, 351.0]
    things = stream_things(
        pd.DataFrame(
            {
                "kind": [
                    "crossing",
                    "crossing",
                    "weir",
                    "crossing",
                    "weir",
                    "weir",
                    "fall",
                    "weir",
                    "fall",
                    "fall",
                ],
                "station": [1, 1, 3, 4, 4, 4, 5, 6, 8, 8],
                "share_above": [0.9, 1.0, 0.5, 0.1, 0.2, 0.8, 0.5, 0.5, 0.0, 0.02],
                "structure": [-1, -1, 4, -1, 0, 5, -1, 6, -1, -1],
                "may_serve": [False, False, True, False, True, True, False, True, False, False],
            }
        )
    )
    table = pd.DataFrame(
        {
            "scheme_type": ["diversion", "at_barrier", "at_barrier"],
            "intake": 3,
            "tailrace": [5, 4, 4],
            "structure": [-1, 0, -1],
        }
    )
    stretches = Stretches(table, np.array([0, 2, 3, 4]), np.array([2, 3, 4]), np.array([5, 4, 4, 4]))

    listed = things_of_sites(stretches, [0, 1, 2], np.array([4, -1, -1]), things, stations, 100.0)

    above = [(1, "above the intake"), (2, "at the intake")]
    expected = [
        [*above, (3, "above the intake"), (4, "used"), (5, "bypassed"), (6, "bypassed")]
        + [(7, "below the powerhouse"), (8, "below the powerhouse")],
        [*above, (3, "at the intake"), (4, "used"), (5, "at the intake")]
        + [(6, "below the powerhouse"), (7, "below the powerhouse")],
        [*above, (3, "at the intake"), (4, "at the intake"), (5, "at the intake")]
        + [(6, "below the powerhouse"), (7, "below the powerhouse")],
    ]
    rows = [(site, thing, role, at_m[thing] - 150.0) for site, each in enumerate(expected) for thing, role in each]
    assert listed.index.tolist() == list(range(len(rows)))
    for found, row in zip(listed.itertuples(index=False), rows, strict=True):
        assert tuple(found) == pytest.approx(row)
    # 99 m take in neither of the things that are just 100 m away.
    nearer = things_of_sites(stretches, [0], np.array([4, -1, -1]), things, stations, 99.0)
    assert nearer["thing"].tolist() == [2, 3, 4, 5, 6, 7]
    assert things_of_sites(stretches, [], np.array([4, -1, -1]), things, stations, 99.0).empty
    # The stream ends before this distance.
    every = things_of_sites(stretches, [0], np.array([4, -1, -1]), things, stations, 1e6)
    assert every["thing"].tolist() == list(range(10))


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


def test_kinds_that_are_not_forbidden_at_their_station_are_not_counted(rivers):
    stations, things, stretches = rivers.stations, rivers.things, rivers.stretches
    forbidden = np.random.default_rng(3).integers(0, 2 * max(BITS.values()), len(stations))

    some = passed_things(stretches, things, len(stations), forbidden)

    # As if each thing of a kind that is allowed at its station were none; weirs serve all the same.
    every = passed_things(stretches, things, len(stations))
    bits_at = {}
    for kind, at in zip(things["kind"], things["station"].tolist(), strict=True):
        bits_at[at] = bits_at.get(at, 0) | (BITS[kind] & int(forbidden[at]))
    for number, scheme_type in enumerate(stretches.table["scheme_type"]):
        taken = stretches.taken[stretches.start[number] : stretches.start[number + 1]].tolist()
        of_all = functools.reduce(operator.or_, [bits_at.get(at, 0) for at in taken], 0)
        assert some.kinds[number] & ~of_all == 0
        assert some.kinds[number] & ~every.kinds[number] == 0
        if every.serving[number] < 0 and scheme_type != "at_barrier":
            assert some.kinds[number] == of_all
    assert some.serving.tolist() == every.serving.tolist()
    assert (some.kinds != every.kinds).any()


def candidates_at(scheme_types, intake, tailrace, **columns):
    table = pd.DataFrame({"scheme_type": scheme_types, "intake": intake, "tailrace": tailrace, **columns})
    return Stretches(table, None, None, None)


def test_a_new_weir_is_at_a_structure_within_a_distance_of_it_or_between_it_and_its_tailwater():
    stations = pd.DataFrame({"x_m": 100.0 * np.arange(6), "y_m": 0.0})
    stretches = candidates_at(
        ["new_weir", "new_weir", "new_weir", "diversion", "new_weir"], [1, 2, 3, 1, 4], [2, 3, 4, 2, 5]
    )
    places = np.array([shapely.Point(140, 0), shapely.Point(560, 0)])

    # The first structure is on the segment above station 2, the second is at no stream.
    station = np.array([2, -1])
    assert new_weirs_at(stretches, stations, station, places, 39.0).tolist() == [True, *[False] * 4]
    assert new_weirs_at(stretches, stations, np.array([-1, -1]), places, 39.0).tolist() == [False] * 5
    assert new_weirs_at(stretches, stations, np.array([-1, -1]), places, 40.0).tolist() == [True, *[False] * 4]
    assert new_weirs_at(stretches, stations, station, places, 60.0).tolist() == [True, True, False, False, False]
    assert new_weirs_at(stretches, stations, np.array([5, -1]), places, 1.0).tolist() == [*[False] * 4, True]
    assert new_weirs_at(stretches, stations, station[:0], places[:0], 60.0).tolist() == [False] * 5
    no_weir = candidates_at(["diversion"], [1], [2])
    assert new_weirs_at(no_weir, stations, station, places, 60.0).tolist() == [False]


def test_a_barrier_is_built_by_a_new_weir_and_by_an_intake_with_a_weir_of_its_own():
    types = ["new_weir", "diversion", "diversion", "at_barrier"]
    stretches = candidates_at(types, [0] * 4, [1] * 4, intake_weir_m=[0.0, 0.0, 0.5, 0.0])

    assert builds_barrier(stretches.table).tolist() == [True, False, True, False]
    assert builds_barrier(stretches.table.drop(columns="intake_weir_m")).tolist() == [True, False, False, False]


def test_things_are_in_the_order_of_the_stream_with_what_is_taken_for_granted():
    first = pd.DataFrame(
        {"kind": ["weir", "fall", "step"], "station": [4, -1, 2], "share_above": [0.5, 0.1, 0.9], "drop_m": 1.5}
    )
    second = pd.DataFrame({"kind": ["plant", "weir"], "station": [0, 4], "share_above": [0.2, 0.5]})

    things = stream_things(first, second.assign(powered=True, structure=[3, 4], object_id=["P", "W"]), first[:0])

    assert things.index.tolist() == [0, 1, 2, 3]
    assert things["kind"].tolist() == ["plant", "step", "weir", "weir"]
    assert things["object_id"].tolist() == ["P", "", "", "W"]
    assert things["structure"].tolist() == [3, -1, -1, 4]
    assert things["powered"].tolist() == [True, False, False, True]
    assert things["drop_m"].tolist() == pytest.approx([np.nan, 1.5, 1.5, np.nan], nan_ok=True)
    assert not things[["fish_pass", "may_serve"]].to_numpy().any()
    assert (things[["use", "owner", "condition"]] == "").to_numpy().all()
    nothing = stream_things()
    assert len(nothing) == 0
    assert nothing.dtypes[["station", "structure", "may_serve"]].astype(str).tolist() == ["int64", "int64", "bool"]


def test_a_confluence_has_the_names_of_what_joins_once_each():
    # Three links meet at station 3; the link below goes on alone into station 5, where a fourth joins it.
    stations = pd.DataFrame({"downstream": [3, 3, 3, 4, 6, 6, 7, -1], "link": [0, 1, 2, 3, 3, 4, 5, 5]})
    names = np.array(["Aune", "", "Aune", "Aune", "Cray", "Aune"], dtype=object)

    first, second = confluences(stations, names).to_dict("records")
    assert first == {"kind": "confluence", "object_id": "Aune", "station": 3, "share_above": 0.0}
    assert second == {"kind": "confluence", "object_id": "Aune and Cray", "station": 6, "share_above": 0.0}
    other = confluences(stations, np.array(["Aune", "Beck", "", "Cray", "", "Daw"], dtype=object))
    assert other["object_id"].tolist() == ["Aune and Beck", "Cray"]
    assert confluences(stations, np.full(6, "", dtype=object))["object_id"].tolist() == ["", ""]


@pytest.mark.parametrize(
    ("role", "kind", "flag"),
    [
        ("at the intake", "weir", "intake_at_structure"),
        ("used", "navigation", "intake_at_structure"),
        ("used", "fall", None),
        ("at the intake", "crossing", None),
        ("bypassed", "fall", "bypasses_fall"),
        ("bypassed", "step", None),
        ("bypassed", "plant", "bypasses_structure"),
        ("bypassed", "crossing", "bypasses_structure"),
        ("bypassed", "abstraction", None),
        ("bypassed", "confluence", None),
        ("drowned", "fall", "drowns_structure"),
        ("drowned", "abstraction_weir", "drowns_structure"),
        ("drowned", "confluence", None),
        ("above the intake", "weir", None),
        ("below the powerhouse", "weir", None),
    ],
)
def test_a_flag_names_what_is_at_the_intake_bypassed_or_drowned(role, kind, flag):
    things = stream_things(pd.DataFrame({"kind": [kind], "object_id": "X", "station": 1, "share_above": 0.5}))
    listed = pd.DataFrame({"site": [7], "thing": [0], "role": [role]})

    assert flags_of_things(listed, things) == ({} if flag is None else {(7, flag): "X"})


def test_each_kind_is_one_bit_from_the_first_on():
    kinds = list(BITS)

    assert [bits_of(kinds[:count]) for count in range(len(kinds) + 1)] == [
        2**count - 1 for count in range(len(kinds) + 1)
    ]
    # A kind that is named twice counts once.
    assert bits_of([kinds[0], kinds[0]]) == 1
