"""Candidate stretches: closed forms on even slopes, and pairs and ponds against brute force on random trees."""

import numpy as np
import pandas as pd
import pytest
from scipy.sparse import csr_array
from scipy.sparse.csgraph import dijkstra

from sitefinder.settings import StretchSettings
from sitefinder.siting.candidates import covered_stations, find_stretches, subset

NO_STRUCTURES = pd.DataFrame(
    {"station": np.zeros(0, dtype=int), "head_m": [], "head_se_m": [], "fall_below_m": []}
)


def settings(**given):
    return StretchSettings(**{"scheme_types": ["diversion"], "min_head_m": 0.5, "max_head_m": 10.0, **given})


# Stations of a network whose links are given as (number of the next link, number of segments).
def network(links, segment_m=50.0):
    first = np.cumsum([0] + [segments + 1 for _, segments in links])
    rows = []
    for number, (below, segments) in enumerate(links):
        for place in range(segments + 1):
            is_last = place == segments
            downstream = first[number] + place + 1
            if is_last:
                downstream = first[below] if below >= 0 else -1
            rows.append((downstream, 0.0 if is_last else segment_m, 0.0 if place == 0 else segment_m))
    table = pd.DataFrame(rows, columns=["downstream", "to_downstream_m", "segment_length_m"])
    table["x_m"] = np.arange(len(table)) * segment_m
    table["y_m"] = 0.0
    return table


# Profile of an even slope: 0 at the outlets, rising with the way from there.
def even_slope(stations, slope):
    profile = np.zeros(len(stations))
    for station in range(len(stations) - 1, -1, -1):
        below = stations["downstream"][station]
        if below >= 0:
            profile[station] = profile[below] + slope * stations["to_downstream_m"][station]
    return profile


def found(stations, profile_m, given, *, errors_m=None, standing=None, structures=NO_STRUCTURES):
    count = len(stations)
    errors_m = np.zeros((count, 16), dtype=np.float32) if errors_m is None else errors_m
    standing = np.zeros(count, dtype=bool) if standing is None else standing
    return find_stretches(stations, profile_m, errors_m, standing, structures, given)


# What each candidate takes, and of it the pond.
def pieces(stretches):
    taken = np.split(stretches.taken, stretches.start[1:-1])
    ponds = [
        stretches.taken[begin:end] for begin, end in zip(stretches.pond_start, stretches.start[1:], strict=True)
    ]
    return [set(part.tolist()) for part in taken], [set(part.tolist()) for part in ponds]


# A random tree of links with a profile that falls, or is level in places.
def random_network(seed):
    rng = np.random.default_rng(seed)
    count = int(rng.integers(3, 10))
    below = [int(rng.integers(number + 1, count)) for number in range(count - 1)] + [-1]
    stations = network([(link, int(rng.integers(1, 6))) for link in below])
    for station in np.flatnonzero(stations["to_downstream_m"] > 0):
        # Quarters of a metre add up without rounding, so that a limit is met in the same way by any sum.
        stations.loc[station, "to_downstream_m"] = rng.integers(80, 240) / 4
        stations.loc[station + 1, "segment_length_m"] = stations["to_downstream_m"][station]
    profile = np.zeros(len(stations))
    for station in range(len(stations) - 1, -1, -1):
        if stations["downstream"][station] >= 0:
            fall = rng.integers(0, 5) / 4 if stations["to_downstream_m"][station] > 0 else 0.0
            profile[station] = profile[stations["downstream"][station]] + fall
    return stations, profile


# Way downstream from each station to each other one [m], infinite where there is none; steps of no length cost a
# millionth of a metre, because the graph takes a zero for no edge.
def ways(stations):
    below = stations["downstream"].to_numpy()
    joined = np.flatnonzero(below >= 0)
    step = np.maximum(stations["to_downstream_m"].to_numpy()[joined], 1e-6)
    graph = csr_array((step, (joined, below[joined])), shape=(len(stations), len(stations)))
    return dijkstra(graph)


def test_on_an_even_slope_pairs_are_all_those_within_head_and_length():
    stations = network([(-1, 10)])
    # 1 m a segment of 50 m: heads of 2 to 4 m are 2 to 4 segments, of which 150 m allow 2 and 3.
    profile = even_slope(stations, 0.02)

    table = found(stations, profile, settings(min_head_m=2.0, max_head_m=4.0, longest_m=150.0)).table

    spans = (table["tailrace"] - table["intake"]).value_counts().to_dict()
    assert spans == {2: 9, 3: 8}
    assert table["head_m"].to_numpy() == pytest.approx((table["tailrace"] - table["intake"]).to_numpy() * 1.0)
    assert table["length_m"].to_numpy() == pytest.approx(table["head_m"].to_numpy() * 50.0)


@pytest.mark.parametrize("seed", range(12))
def test_pairs_are_those_that_paths_in_a_graph_give(seed):
    stations, profile = random_network(seed)
    given = settings(min_head_m=0.75, max_head_m=3.0, longest_m=260.0)
    way = ways(stations)
    expected = {}
    for upper in range(len(stations)):
        for lower in np.flatnonzero(np.isfinite(way[upper])).tolist():
            head, length = profile[upper] - profile[lower], round(way[upper, lower], 2)
            if 0.75 <= head <= 3.0 and length <= 260.0 and stations["segment_length_m"][lower] > 0:
                between = np.isfinite(way[upper]) & np.isfinite(way[:, lower])
                expected[upper, lower] = (head, length, set(np.flatnonzero(between).tolist()) - {upper})

    stretches = found(stations, profile, given)

    taken, ponds = pieces(stretches)
    rows = zip(*[stretches.table[name] for name in ("intake", "tailrace", "head_m", "length_m")], strict=True)
    assert expected, "a network without candidates tests nothing"
    assert {row[:2]: (*row[2:], part) for row, part in zip(rows, taken, strict=True)} == expected
    assert not any(ponds)


@pytest.mark.parametrize("seed", range(12))
def test_ponds_drown_every_segment_whose_lower_end_lies_below_the_crest(seed):
    stations, profile = random_network(seed)
    given = settings(
        scheme_types=["new_weir"], new_weir_heights_m=[1.0, 2.125], min_head_m=1.0, longest_m=10_000.0
    )
    way = ways(stations)

    stretches = found(stations, profile, given)

    assert len(stretches.table)
    taken, ponds = pieces(stretches)
    for number, row in enumerate(stretches.table.itertuples()):
        crest = profile[row.intake] + row.weir_height_m
        above = np.flatnonzero(np.isfinite(way[:, row.intake])).tolist()
        assert ponds[number] == {station for station in above if profile[station] < crest}
        assert taken[number] == ponds[number] | {row.tailrace}
        assert row.head_m == profile[row.intake] + row.weir_height_m - profile[row.tailrace]
        # The water's edge lies where the straight bed between two stations meets the crest.
        edges = [0.0]
        for upper in above:
            lower = stations["downstream"][upper]
            if upper != row.intake and profile[lower] < crest:
                rise = profile[upper] - profile[lower]
                part = 1.0 if profile[upper] <= crest else (crest - profile[lower]) / rise
                edges.append(way[lower, row.intake] + part * stations["to_downstream_m"][upper])
        assert row.pond_length_m == pytest.approx(max(edges), abs=1e-3)


def test_a_weir_of_2_m_on_a_slope_of_0_002_ponds_a_kilometre():
    """Pond length is height over slope: derived, not a published figure (from the sum 2 / 0.002 = 1000)."""
    stations = network([(-1, 30)])
    given = settings(scheme_types=["new_weir"], new_weir_heights_m=[2.0], longest_m=1500.0)

    table = found(stations, even_slope(stations, 0.002), given).table

    # Weirs within 1000 m of the source pond up to the source only: there the mapped stream ends.
    expected = np.minimum(table["intake"] * 50.0, 1000.0)
    assert table["pond_length_m"].to_numpy() == pytest.approx(expected.to_numpy(), rel=1e-12)
    assert (expected == 1000.0).any()


def test_a_pond_ends_within_a_segment_where_the_profile_reaches_the_crest():
    stations = network([(-1, 10)])
    given = settings(scheme_types=["new_weir"], new_weir_heights_m=[0.7], min_head_m=0.5)

    table = found(stations, even_slope(stations, 0.01), given).table

    # 0.7 m at 0.01 are 70 m: one segment of 50 m and 20 m of the next.
    assert table.loc[table["intake"] == 8, "pond_length_m"].item() == pytest.approx(70.0)


def test_a_pond_goes_up_every_tributary_and_is_as_long_as_its_longest_arm():
    # Two tributaries of 4 and 2 segments meet in a stem of 6.
    stations = network([(2, 4), (2, 2), (-1, 6)])
    profile = even_slope(stations, 0.01)
    stem = 5 + 3
    given = settings(scheme_types=["new_weir"], new_weir_heights_m=[2.0])

    stretches = found(stations, profile, given)

    # The weir stands 50 m below the confluence: 200 m of pond are 50 m of stem and 150 m of the long tributary,
    # while the short one drowns whole, with 100 m.
    row = np.flatnonzero(stretches.table["intake"] == stem + 1).item()
    _, ponds = pieces(stretches)
    assert stretches.table["pond_length_m"][row] == pytest.approx(200.0)
    assert stretches.table["flooded_length_m"][row] == pytest.approx(50.0 + 150.0 + 100.0)
    assert ponds[row] == {stem + 1, stem, 7, 6, 5, 4, 3, 2}


def test_a_weir_whose_pond_would_be_too_long_is_left_out():
    stations = network([(-1, 30)])
    given = settings(scheme_types=["new_weir"], new_weir_heights_m=[2.0], longest_m=500.0)

    table = found(stations, even_slope(stations, 0.002), given).table

    assert table["intake"].max() == 10  # 500 m below the source


def test_a_confluence_is_no_tailrace_but_a_stretch_may_run_through_it():
    stations = network([(2, 2), (2, 2), (-1, 2)])
    given = settings(scheme_types=["diversion", "new_weir"], new_weir_heights_m=[1.0])

    table = found(stations, even_slope(stations, 0.02), given).table

    assert 6 not in set(table["tailrace"])
    assert {(1, 7), (4, 8)} <= set(zip(table["intake"], table["tailrace"], strict=True))


def test_standing_water_is_never_taken_by_path_or_pond():
    stations = network([(2, 4), (2, 4), (-1, 8)])
    profile = even_slope(stations, 0.01)
    standing = np.zeros(len(stations), dtype=bool)
    standing[[3, 15]] = True
    given = settings(scheme_types=["diversion", "new_weir"], new_weir_heights_m=[1.0, 2.0])

    with_water = found(stations, profile, given, standing=standing)
    without = found(stations, profile, given)

    taken, _ = pieces(with_water)
    assert not any(part & {3, 15} for part in taken)
    # Nothing else is left out.
    dry = [not part & {3, 15} for part in pieces(without)[0]]
    assert with_water.table.equals(without.table[dry].reset_index(drop=True))
    assert 0 < sum(dry) < len(dry)


def test_a_barrier_gives_its_surveyed_drop_and_else_the_fall_of_the_profile_down_to_its_foot():
    stations = network([(-1, 6)])
    profile = even_slope(stations, 0.02)
    errors = np.zeros((7, 16), dtype=np.float32)
    errors[2] = np.tile([0.3, -0.3], 8)
    structures = pd.DataFrame(
        {"station": [5, 3], "head_m": [2.4, np.nan], "head_se_m": [0.1, 9.0], "fall_below_m": [0.2, 0.25]}
    )

    table = found(
        stations, profile, settings(scheme_types=["at_barrier"]), errors_m=errors, structures=structures
    ).table

    assert table["intake"].tolist() == [2, 4]
    assert table["tailrace"].tolist() == [3, 5]
    assert table["structure"].tolist() == [1, 0]
    assert table["head_m"].tolist() == pytest.approx([0.75, 2.4])
    assert table["head_se_m"].tolist() == pytest.approx([0.3, 0.1], rel=1e-6)
    assert table["pond_length_m"].tolist() == [0.0, 0.0]


def test_a_barrier_out_of_the_limits_of_head_is_left_out():
    stations = network([(-1, 6)])
    structures = pd.DataFrame(
        {"station": [2, 3, 4, 5], "head_m": [0.4, 0.5, 10.0, 10.1], "head_se_m": 0.1, "fall_below_m": 0.0}
    )

    table = found(
        stations, even_slope(stations, 0.02), settings(scheme_types=["at_barrier"]), structures=structures
    ).table

    assert table["tailrace"].tolist() == [3, 4]


@pytest.mark.parametrize(("height_m", "is_kept"), [(0.5, True), (0.49, False), (10.0, True), (10.01, False)])
def test_a_new_weir_has_a_head_within_the_limits_and_at_them(height_m, is_kept):
    # Where the stream has no fall, the head is the height of the weir.
    given = settings(scheme_types=["new_weir"], new_weir_heights_m=[height_m], longest_m=1e6)

    assert (len(found(network([(-1, 3)]), np.zeros(4), given).table) > 0) == is_kept


def test_a_new_weir_may_stand_above_the_shortest_segment_and_not_above_one_of_no_length():
    # Two links: the first of the second has no segment, since the confluence is that of both.
    given = settings(scheme_types=["new_weir"], new_weir_heights_m=[1.0])

    table = found(network([(1, 2), (-1, 2)], segment_m=0.25), np.zeros(6), given).table

    assert table[["intake", "tailrace"]].to_numpy().tolist() == [[0, 1], [1, 2], [3, 4], [4, 5]]


def test_a_canal_is_15_percent_longer_than_the_chord_and_other_scheme_types_have_none():
    # A bend: 100 m east and 100 m north, whose chord is 141.42 m.
    stations = network([(-1, 4)])
    stations["x_m"] = [0.0, 50.0, 100.0, 100.0, 100.0]
    stations["y_m"] = [0.0, 0.0, 0.0, 50.0, 100.0]
    structures = pd.DataFrame({"station": [2], "head_m": [1.5], "head_se_m": [0.1], "fall_below_m": [0.0]})
    given = settings(scheme_types=["diversion", "at_barrier", "new_weir"], new_weir_heights_m=[1.0])

    table = found(stations, even_slope(stations, 0.02), given, structures=structures).table

    around = table[(table["intake"] == 0) & (table["tailrace"] == 4)]
    assert around["conduit_length_m"].item() == pytest.approx(1.15 * np.hypot(100.0, 100.0))
    north = table[(table["intake"] == 2) & (table["tailrace"] == 4)]
    assert north["conduit_length_m"].item() == pytest.approx(1.15 * 100.0)
    assert (table.loc[table["scheme_type"] != "diversion", "conduit_length_m"] == 0.0).all()
    assert set(table["scheme_type"]) == {"diversion", "at_barrier", "new_weir"}


def test_a_network_without_fall_has_no_candidates_and_keeps_its_columns():
    stations = network([(-1, 6)])
    given = settings(scheme_types=["at_barrier", "diversion", "new_weir"], new_weir_heights_m=[])

    stretches = found(stations, np.zeros(7), given)

    assert len(stretches.table) == 0
    assert {"intake", "tailrace", "head_m", "pond_length_m", "conduit_length_m"} <= set(stretches.table)
    assert stretches.start.tolist() == [0]
    assert not covered_stations(stretches, np.zeros(0, dtype=bool), 7).any()


def test_a_subset_keeps_path_and_pond_of_each_candidate():
    stations, profile = random_network(3)
    given = settings(scheme_types=["diversion", "new_weir"], new_weir_heights_m=[1.0], longest_m=5000.0)
    stretches = found(stations, profile, given)
    kept = np.arange(len(stretches.table)) % 3 == 1

    part = subset(stretches, kept)

    for of_part, of_all in zip(pieces(part), pieces(stretches), strict=True):
        assert of_part == [piece for piece, chosen in zip(of_all, kept, strict=True) if chosen]
    assert part.table.equals(stretches.table[kept].reset_index(drop=True))


def test_stations_are_covered_where_at_least_one_chosen_candidate_takes_them():
    stretches = found(network([(-1, 6)]), even_slope(network([(-1, 6)]), 0.02), settings(longest_m=100.0))
    table = stretches.table

    # From 1 to 3 the stations 2 and 3 are taken, and from 2 to 4 the stations 3 and 4.
    chosen = (table["tailrace"] == table["intake"] + 2) & table["intake"].isin([1, 2])

    assert np.flatnonzero(covered_stations(stretches, chosen, 7)).tolist() == [2, 3, 4]


@pytest.mark.parametrize("segments", [2, 3, 4, 5, 6])
def test_a_path_is_taken_from_its_tailrace_up(segments):
    stations = network([(-1, segments)])

    stretches = found(stations, even_slope(stations, 0.02), settings(min_head_m=float(segments)))

    # One stretch has the whole fall.
    assert stretches.taken.tolist() == list(range(segments, 0, -1))


def test_what_was_given_is_not_altered():
    stations, profile = random_network(5)
    before, profile_before = stations.copy(), profile.copy()

    found(stations, profile, settings(scheme_types=["diversion", "new_weir"], new_weir_heights_m=[1.0]))

    assert stations.equals(before)
    assert (profile == profile_before).all()


# A slope of 1 m a segment, with new weirs of 1.5 m and banks as given [m].
def weirs_between(banks, freeboard_m=0.0):
    stations = network([(-1, 6)])
    given = settings(scheme_types=["new_weir"], new_weir_heights_m=[1.5], freeboard_m=freeboard_m)
    count = len(stations)
    return (
        find_stretches(
            stations,
            even_slope(stations, 0.02),
            np.zeros((count, 16), dtype=np.float32),
            np.zeros(count, dtype=bool),
            NO_STRUCTURES,
            given,
            np.array(banks),
        )
        .table["intake"]
        .tolist()
    )


def test_a_pond_stays_between_the_banks_at_its_weir_and_all_along():
    high = [9.0] * 7

    assert weirs_between(high) == [0, 1, 2, 3, 4, 5]
    # The crest stands 1.5 m above the stream at the weir and 0.5 m one station further up, where the pond goes on.
    assert weirs_between([9.0, 9.0, 9.0, 1.4, 9.0, 9.0, 9.0]) == [0, 1, 2, 4, 5]
    assert weirs_between([9.0, 9.0, 9.0, 0.4, 9.0, 9.0, 9.0]) == [0, 1, 2, 5]
    assert weirs_between([np.inf, 9.0, 9.0, 1.5, 9.0, 9.0, 9.0]) == [0, 1, 2, 3, 4, 5]


def test_the_freeboard_is_kept_between_crest_and_bank():
    banks = [9.0, 9.0, 9.0, 1.7, 9.0, 9.0, 9.0]

    assert 3 in weirs_between(banks, freeboard_m=0.2)
    assert 3 not in weirs_between(banks, freeboard_m=0.21)
    assert 3 in weirs_between([9.0, 9.0, 9.0, 1.0, 9.0, 9.0, 9.0], freeboard_m=-0.5)


def test_banks_say_nothing_of_other_scheme_types():
    stations = network([(-1, 6)])
    count = len(stations)
    arguments = (stations, even_slope(stations, 0.02), np.zeros((count, 16), dtype=np.float32))
    arguments += (np.zeros(count, dtype=bool), NO_STRUCTURES, settings())

    assert find_stretches(*arguments, np.zeros(count)).table.equals(find_stretches(*arguments).table)
