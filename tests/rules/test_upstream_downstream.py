"""Effects along the stream worked by hand: what touches a line, equal ways, drops of just the stated height."""

import numpy as np
import pandas as pd
import pytest
import shapely

from sitefinder.rules.overlaps import HIT_COLUMNS
from sitefinder.rules.upstream_downstream import Barriers, carried_along, place_falls, steps_down
from sitefinder.settings import RuleSettings

NO_FALLS = Barriers(np.zeros(0, dtype=np.int64), np.zeros(0))


# Streams of two segments of 100 m each; the stations of one that joins another are followed by its first.
def network(*downstream_link, scale=1.0):
    count = len(downstream_link)
    stations = pd.DataFrame(
        {
            "link": np.repeat(np.arange(count), 3),
            "distance_m": np.tile([0.0, 100.0, 200.0], count) * scale,
            "segment_length_m": np.tile([0.0, 100.0, 100.0], count) * scale,
            "reach": np.arange(3 * count),
            "downstream": np.arange(1, 3 * count + 1),
        }
    )
    stations.loc[2::3, "downstream"] = [3 * link if link >= 0 else -1 for link in downstream_link]
    links = pd.DataFrame({"downstream_link": downstream_link, "leaves_link": -1})
    return stations, steps_down(stations, links)


def held(stations, steps, hits, profile_m=None, effect="downstream", **rule):
    """Pieces of stream in which a rule holds: station, from, to [m], feature; hits are given in the same way."""
    rows = [("r", station, station, who, "under", False, False, a, b, b - a) for station, a, b, who in hits]
    table = pd.DataFrame(rows, columns=HIT_COLUMNS).astype({"feature_id": "str"})
    given = {"name": "r", "action": "exclude", "path": "x.gpkg", "effect": effect} | rule
    profile_m = np.zeros(len(stations)) if profile_m is None else np.array(profile_m)
    found = carried_along(table, stations, steps, RuleSettings(**given), NO_FALLS, profile_m)
    assert found["overlap_m"].tolist() == (found["to_m"] - found["from_m"]).tolist()
    return list(found[["station", "from_m", "to_m", "feature_id"]].itertuples(index=False, name=None))


@pytest.mark.parametrize(
    ("effect", "pieces"),
    [
        ("downstream", [(1, 40.0, 100.0, "spring"), (2, 100.0, 200.0, "spring")]),
        ("upstream", [(1, 0.0, 40.0, "spring")]),
    ],
)
def test_what_only_touches_the_stream_has_its_effect_from_there_on(effect, pieces):
    assert held(*network(-1), [(1, 40.0, 40.0, "spring")], effect=effect) == pieces


def test_an_effect_goes_up_from_station_to_station():
    found = held(*network(-1), [(2, 150.0, 160.0, "spawning")], effect="upstream")

    assert found == [(1, 0.0, 100.0, "spawning"), (2, 100.0, 150.0, "spawning")]


def test_each_piece_names_the_nearest_feature_above_it():
    found = held(*network(-1), [(1, 20.0, 30.0, "b"), (1, 60.0, 70.0, "a"), (2, 130.0, 140.0, "c")])

    assert found == [(1, 30.0, 60.0, "b"), (1, 70.0, 100.0, "a"), (2, 100.0, 130.0, "a"), (2, 140.0, 200.0, "c")]


def test_sure_and_doubtful_ground_work_each_by_itself():
    stations, steps = network(-1)
    rows = [(10.0, "sure", False, False), (20.0, "perhaps", True, False), (30.0, "", False, True)]
    hits = [("r", 1, 1, who, "under", maybe, outside, a - 5, a, 5.0) for a, who, maybe, outside in rows]
    table = pd.DataFrame(hits, columns=HIT_COLUMNS).astype({"feature_id": "str"})
    rule = RuleSettings(name="r", action="exclude", path="x.gpkg", effect="downstream", effect_distance_m=40.0)

    found = carried_along(table, stations, steps, rule, NO_FALLS, np.zeros(3))

    assert found[["feature_id", "category_missing", "not_covered", "from_m", "to_m"]].values.tolist() == [
        [who, maybe, outside, a, a + 40.0] for a, who, maybe, outside in rows
    ]
    assert found.index.tolist() == [0, 1, 2]


@pytest.mark.parametrize(
    ("downstream_link", "leaves_link", "into_arm"),
    [
        # All that arrive at the parting; where the main stream ends there, the link that the arm leaves.
        ([2, 2, -1, -1], [-1, -1, -1, 0], [(2, 9), (5, 9)]),
        ([-1, -1], [-1, 0], [(2, 3)]),
    ],
)
def test_at_a_parting_all_water_goes_into_each_arm(downstream_link, leaves_link, into_arm):
    stations, without = network(*downstream_link)
    links = pd.DataFrame({"downstream_link": downstream_link, "leaves_link": leaves_link})

    steps = steps_down(stations, links)

    plain = set(zip(without.upper.tolist(), without.lower.tolist(), strict=True))
    assert plain == {(s, d) for s, d in enumerate(stations["downstream"]) if d >= 0}
    assert sorted(zip(steps.upper.tolist(), steps.lower.tolist(), strict=True)) == sorted([*plain, *into_arm])


def test_a_fall_lies_on_the_stream_within_reach_as_far_down_as_on_the_map():
    lines = shapely.linestrings([[(0, 0), (0, -40)], [(0, -40), (0, -60)]])
    segments = pd.DataFrame({"station": [1, 2], "geometry": lines})

    # Along the link the first segment is 50 m long, as bends are that the map leaves out.
    falls, is_near = place_falls(
        shapely.points([[3, -10], [3.1, -20], [0, -55]]), segments, np.array([0.0, 50.0, 20.0]), 3.0
    )

    assert is_near.tolist() == [True, False, True]
    assert (falls.station.tolist(), falls.at_m.tolist()) == ([1, 2], [12.5, 15.0])


@pytest.mark.parametrize("first", ["a", "b"])
def test_of_two_at_one_distance_the_first_by_name_is_named_below_their_confluence(first):
    other = "b" if first == "a" else "a"
    hits = [(2, 150.0, 160.0, first), (5, 150.0, 160.0, other)]

    found = held(*network(2, 2, -1), hits)

    assert [piece for piece in found if piece[0] >= 6] == [(7, 0.0, 100.0, "a"), (8, 100.0, 200.0, "a")]


@pytest.mark.parametrize(("fall_m", "ends"), [(1.9, False), (2.0, True), (2.1, True)])
def test_a_drop_of_the_stated_height_or_more_ends_it_with_its_segment(fall_m, ends):
    found = held(*network(-1), [(1, 0.0, 10.0, "park")], [10.0, 10.0 - fall_m, 7.0], stops_at_drop_m=2.0)

    expected = [(1, 10.0, 100.0, "park"), (2, 100.0, 200.0, "park")]
    assert found == (expected[:1] if ends else expected)


@pytest.mark.parametrize("short_m", [0.0, 5e-7])
def test_ground_that_ends_with_the_segment_of_a_drop_reaches_past_it(short_m):
    found = held(*network(-1), [(1, 0.0, 100.0 - short_m, "park")], [10.0, 7.0, 6.0], stops_at_drop_m=2.0)

    assert found == [(2, 100.0, 200.0, "park")]


@pytest.mark.parametrize(
    ("downstream_link", "profile_m"),
    [
        # Twice 1 m in a row; a tributary, numbered before the link below, whose mouth hangs 4 m above the stream.
        ([1, -1], [10, 9, 8, 8, 7, 6]),
        ([2, 2, -1], [10, 9, 8, 20, 15, 12, 8, 7, 6]),
    ],
)
def test_what_is_no_drop_of_one_segment_ends_nothing(downstream_link, profile_m):
    found = held(*network(*downstream_link), [(1, 0.0, 10.0, "park")], profile_m, stops_at_drop_m=2.0)

    assert [piece[0] for piece in found] == [1, 2, len(profile_m) - 2, len(profile_m) - 1]


def test_a_drop_in_a_segment_of_less_than_a_metre_ends_it_too():
    stations, steps = network(-1, scale=0.005)

    found = held(stations, steps, [(1, 0.0, 0.1, "park")], [10.0, 7.0, 6.0], stops_at_drop_m=2.0)

    assert found == [(1, 0.1, 0.5, "park")]


def test_below_the_last_metre_of_a_stream_there_is_nothing():
    assert held(*network(-1), [(2, 190.0, 200.0, "park")]) == []


def test_a_piece_ends_just_where_its_segment_does():
    # In floating point 3.89 - 0.74 + 0.74 is not 3.89.
    stations, steps = network(-1)
    stations["distance_m"], stations["segment_length_m"] = [0.0, 3.15, 3.89], [0.0, 3.15, 0.74]

    assert held(stations, steps, [(1, 0.0, 0.1, "park")])[-1][2] == 3.89


@pytest.mark.parametrize(("distance_m", "until_m"), [(90.0, 100.0), (90.5, 100.5), (140.0, 150.0)])
def test_it_ends_after_its_distance_along_the_stream(distance_m, until_m):
    found = held(*network(-1), [(1, 0.0, 10.0, "park")], effect_distance_m=distance_m)

    assert found[0] == (1, 10.0, 100.0, "park")
    assert found[1:] == ([] if until_m == 100.0 else [(2, 100.0, until_m, "park")])
