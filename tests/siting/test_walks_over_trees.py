"""Walks over trees of stations: each against what it means, said again in sets, on small trees made at random.

Lengths, heights and values are small whole numbers, so that sums are exact and ties are frequent.
"""

import itertools
import math
from typing import NamedTuple

import numpy as np
import pytest

from sitefinder.siting.candidates import (
    _first_not_downstream,
    _greatest_overlaps,
    _pairs,
    _taken,
    _walk_boundaries,
    blocked_by,
    boundary_of_path,
)
from sitefinder.siting.fish_passage import (
    _carried_worst,
    _counted_to_outlet,
    _down_to_outlet,
    _weighted,
)
from sitefinder.siting.limits import _fill_zones, _to_developed_m
from sitefinder.siting.selection import _carried_caps, _drains_to, _solve
from sitefinder.siting.selection_tree import best_picks, by_tailrace_of, trace_upstream

SEEDS = pytest.mark.parametrize("seed", range(25))


class Tree(NamedTuple):
    """Each station's way down to its outlet, itself first; the stations next above each, in CSR form."""

    downstream: np.ndarray
    ways: list
    first: np.ndarray
    upstream: np.ndarray

    def above(self, station):
        return self.upstream[self.first[station] : self.first[station + 1]].tolist()

    def at_and_above(self, station):
        return [each for each, way in enumerate(self.ways) if station in way]


def tree_of(downstream):
    count = len(downstream)
    ways = []
    for station in range(count):
        way = [station]
        while downstream[way[-1]] >= 0:
            way.append(int(downstream[way[-1]]))
        ways.append(way)
    joining = [[each for each in range(count) if downstream[each] == below] for below in range(count)]
    first = np.cumsum([0, *map(len, joining)]).astype(np.int64)
    upstream = np.array(list(itertools.chain(*joining)), dtype=np.int32)
    return Tree(np.array(downstream, dtype=np.int32), ways, first, upstream)


# A forest of a few outlets; stations rise downstream.
def random_tree(rng, count=None):
    count = int(rng.integers(2, 10)) if count is None else count
    downstream = [int(rng.integers(each + 1, min(count, each + 4))) for each in range(count - 1)] + [-1]
    return tree_of([-1 if rng.random() < 0.1 else below for below in downstream])


# Ends of candidates, each tailrace below its intake; and ponds of stations that drain to the intake one by one.
def random_candidates(rng, tree, count=7):
    pairs = [(one, other) for one, way in enumerate(tree.ways) for other in way[1:]]
    if not pairs:
        return np.zeros((0, 2), dtype=np.int32), []
    ends = np.array([pairs[each] for each in rng.integers(0, len(pairs), count)], dtype=np.int32)
    ponds = []
    for intake, _ in ends.tolist():
        pond = [intake] if rng.random() < 0.5 else []
        for station in pond:
            pond += [each for each in tree.above(station) if rng.random() < 0.5]
        ponds.append(pond)
    return ends, ponds


def in_one(parts, dtype=np.int32):
    start = np.cumsum([0, *map(len, parts)]).astype(np.int64)
    return start, np.array(list(itertools.chain(*parts)), dtype=dtype)


# The path without the intake, down to and with the tailrace.
def path(tree, intake, tailrace):
    way = tree.ways[intake]
    return way[1 : way.index(tailrace) + 1]


@SEEDS
def test_the_first_pair_is_found_whose_tailrace_does_not_lie_below_its_intake(seed):
    rng = np.random.default_rng(seed)
    tree = random_tree(rng)
    pairs = rng.integers(0, len(tree.ways), (6, 2)).astype(np.int32)

    for begin in range(6):
        wrong = [each for each, (one, other) in enumerate(pairs[begin:]) if other not in tree.ways[one][1:]]
        found = _first_not_downstream(tree.downstream, pairs[begin:, 0].copy(), pairs[begin:, 1].copy())
        assert found == (wrong[0] if wrong else -1)


@SEEDS
def test_the_boundary_of_a_candidate_is_what_drains_to_what_it_takes(seed):
    rng = np.random.default_rng(seed)
    tree = random_tree(rng)
    ends, ponds = random_candidates(rng, tree)
    # The pond may name a station of the path, or a station twice.
    ponds = [pond + pond[:1] + [end[1]] for pond, end in zip(ponds, ends.tolist(), strict=True)]

    start, station = boundary_of_path(tree.downstream, ends[:, 0], ends[:, 1], *in_one(ponds))

    for c, (intake, tailrace) in enumerate(ends.tolist()):
        piece = {*path(tree, intake, tailrace), *ponds[c]}
        around = [each for lower in piece for each in tree.above(lower) if each not in piece]
        assert sorted(station[start[c] : start[c + 1]].tolist()) == sorted(around)


# Stations 0 and 1 flow to 2, that to 4; 3 is an outlet of its own. Candidate 0 takes 4 alone, and 1 takes 2.
@pytest.mark.parametrize(
    ("ponds", "lost"),
    [([[], [0]], -1), ([[], [1, 0]], -1), ([[2, 0], []], -1), ([[0], [0]], 0), ([[], [3]], 1), ([[3], [3]], 0)],
)
def test_the_first_candidate_is_found_whose_pond_does_not_drain_to_it(ponds, lost):
    tree = tree_of([2, 2, 4, -1, -1])
    ends = np.array([[2, 4], [1, 2]], dtype=np.int32)
    arguments = (tree.downstream, ends[:, 0].copy(), ends[:, 1].copy(), *in_one(ponds), tree.first, tree.upstream)

    found = _walk_boundaries(*arguments, np.zeros(3, dtype=np.int64), np.empty(0, dtype=np.int32), False)

    assert found == lost


@SEEDS
def test_each_candidate_is_blocked_by_the_chosen_one_with_which_it_shares_most(seed):
    rng = np.random.default_rng(seed)
    tree = random_tree(rng)
    ends, ponds = random_candidates(rng, tree, 9)
    segment_m = rng.integers(0, 3, len(tree.ways)).astype(np.float64)
    pieces = [{*path(tree, *end), *pond} for end, pond in zip(ends.tolist(), ponds, strict=True)]
    chosen = np.zeros(len(ends), dtype=bool)
    for c in range(len(ends)):
        chosen[c] = rng.random() < 0.6 and not any(pieces[c] & pieces[other] for other in np.flatnonzero(chosen))
    shared = [
        {
            other: segment_m[list(piece & pieces[other])].sum()
            for other in np.flatnonzero(chosen)
            if piece & pieces[other]
        }
        for piece in pieces
    ]

    found = blocked_by(chosen, tree.downstream, ends[:, 0], ends[:, 1], segment_m, *in_one(ponds))

    # Of equals the lowest number.
    most = [max(each, key=lambda other: (each[other], -other)) if each else -1 for each in shared]
    assert found.tolist() == [-1 if chosen[c] else int(most[c]) for c in range(len(ends))]


# Along a river of nine stations; the one chosen takes its pond as well, whatever its number.
@pytest.mark.parametrize("number", range(4))
def test_a_pond_of_a_chosen_one_blocks_those_whose_path_ends_in_it(number):
    tree = tree_of([*range(1, 9), -1])
    ends, ponds = np.array([[0, 1], [0, 2], [1, 2], [0, 3]], dtype=np.int32), [[], [], [], []]
    ends[number], ponds[number] = (4, 5), [4, 3, 2, 1]
    chosen = np.arange(4) == number

    found = blocked_by(chosen, tree.downstream, ends[:, 0], ends[:, 1], np.ones(9), *in_one(ponds))

    assert found.tolist() == [-1 if is_chosen else number for is_chosen in chosen]


def test_what_one_candidate_shares_does_not_count_for_the_next():
    # Numbers 0 and 1 are chosen: stations 5 and 6, and 1 to 4. The third shares 2 with the second alone; the last
    # shares 2 with it and 1 with the first.
    tree = tree_of([*range(1, 9), -1])
    ends = np.array([[4, 6], [0, 4], [0, 2], [2, 5]], dtype=np.int32)
    chosen = np.array([True, True, False, False])

    assert blocked_by(chosen, tree.downstream, ends[:, 0], ends[:, 1], np.ones(9)).tolist() == [-1, -1, 1, 1]


def test_no_candidates_take_nothing():
    tree = tree_of([1, -1])
    none = np.zeros(0, dtype=np.int64)
    level = np.zeros(2)

    found = _taken(none, none, np.zeros(0), tree.downstream, level, level, tree.first, tree.upstream)

    assert [each.tolist() for each in found] == [[0], [], [], [], []]


@pytest.mark.parametrize("first", [0, 1])
def test_the_first_chosen_one_that_overlaps_another_is_found(first):
    # Two candidates of the same path, the first at the head of the list or after another.
    tree = tree_of([1, 2, 3, -1])
    ends = np.array([[2, 3], [0, 1], [0, 2], [0, 1]][1 - first :], dtype=np.int32)
    none = np.zeros(len(ends) + 1, dtype=np.int64), np.empty(0, dtype=np.int32)

    clash = _greatest_overlaps(
        np.ones(len(ends), dtype=bool), tree.downstream, ends[:, 0].copy(), ends[:, 1].copy(), *none, np.ones(4)
    )[1]

    assert clash == first + 1


@SEEDS
def test_pairs_are_all_with_enough_head_until_way_or_head_become_too_much(seed):
    rng = np.random.default_rng(seed)
    tree = random_tree(rng)
    step_m, segment_m, profile_m = rng.integers(0, 4, (3, len(tree.ways))).astype(np.float64)
    longest_m, min_head_m, max_head_m = (float(each) for each in rng.integers(1, 4, 3) + (2, -1, 0))

    expected = []
    for upper, way in enumerate(tree.ways):
        for place, lower in enumerate(way[1:], 1):
            length_m, head_m = step_m[way[:place]].sum(), profile_m[upper] - profile_m[lower]
            if length_m > longest_m or head_m > max_head_m:
                break
            if segment_m[lower] > 0.0 and head_m >= min_head_m:
                expected.append((upper, lower, length_m))
    found = _pairs(tree.downstream, step_m, segment_m, profile_m, longest_m, min_head_m, max_head_m)

    assert list(zip(*(each.tolist() for each in found), strict=True)) == expected


# Profiles that rise upstream, with level pieces; crests at and between their heights, and below the intake.
@SEEDS
def test_a_candidate_takes_its_path_and_all_segments_whose_lower_ends_lie_below_the_crest(seed):
    rng = np.random.default_rng(seed)
    tree = random_tree(rng)
    count = len(tree.ways)
    step_m, rise_m = rng.integers(1, 5, count) * 2.0, rng.integers(0, 3, count) * 2.0
    profile_m = np.array([rise_m[way].sum() for way in tree.ways])
    ends = random_candidates(rng, tree)[0].astype(np.int64)
    crest_m = profile_m[ends[:, 0]] + rng.integers(-1, 6, len(ends))

    start, pond_start, taken, pond_m, flooded_m = _taken(
        ends[:, 0].copy(),
        ends[:, 1].copy(),
        crest_m,
        tree.downstream,
        step_m,
        profile_m,
        tree.first,
        tree.upstream,
    )

    assert start[0] == 0
    assert len(taken) == start[-1]
    for c, (intake, tailrace) in enumerate(ends.tolist()):
        assert taken[start[c] : pond_start[c]].tolist() == path(tree, intake, tailrace)[::-1]
        low = [each for each in tree.at_and_above(intake) if profile_m[each] < crest_m[c]]
        assert sorted(taken[pond_start[c] : start[c + 1]].tolist()) == low
        # What of the piece below each station lies under the crest, by the straight line between its ends.
        wet_m = {}
        for upper in tree.at_and_above(intake):
            lower = int(tree.downstream[upper])
            if upper != intake and profile_m[lower] < crest_m[c]:
                share = min(1.0, (crest_m[c] - profile_m[lower]) / max(rise_m[upper], 1e-9))
                wet_m[upper] = share * step_m[upper]
        arms_m = [
            sum(wet_m.get(each, 0.0) for each in way[: way.index(intake)]) for way in tree.ways if intake in way
        ]
        assert flooded_m[c] == pytest.approx(sum(wet_m.values()))
        assert pond_m[c] == pytest.approx(max(arms_m))


# More stations than there is room for at first: sixteen.
@pytest.mark.parametrize("count", [16, 17, 18, 33, 40])
@pytest.mark.parametrize("pond", [False, True])
def test_long_paths_and_ponds_are_taken_whole(count, pond):
    tree = tree_of([*range(1, count + 1), -1])
    intake = np.array([count - 1 if pond else 0, 0])
    tailrace = np.array([count, 1])
    level = np.zeros(count + 1)
    crest_m = np.array([1.0 if pond else 0.0, 0.0])

    start, pond_start, taken, pond_m, _ = _taken(
        intake, tailrace, crest_m, tree.downstream, np.ones(count + 1), level, tree.first, tree.upstream
    )

    assert taken[: start[1]].tolist() == list(range(count, 0, -1)) + ([0] if pond else [])
    assert taken[start[1] :].tolist() == [1]
    assert pond_start[0] == (1 if pond else count)
    assert pond_m[0] == (count - 1 if pond else 0)


# Stations of no length stand at one place.
@SEEDS
@pytest.mark.parametrize("length_m", [0.0, 1.0, 2.0, 4.0])
def test_no_other_site_may_end_in_what_is_to_flow_freely_above_an_intake_or_its_pond(seed, length_m):
    rng = np.random.default_rng(seed)
    tree = random_tree(rng)
    ends, ponds = random_candidates(rng, tree)
    step_m = rng.integers(0, 3, len(tree.ways)).astype(np.float64)
    builds = rng.random(len(ends)) < 0.8
    begin, pond = in_one(ponds)
    given = (
        step_m, ends[:, 0].astype(np.int64), begin, pond, builds, tree.first, tree.upstream, length_m
    )  # fmt: skip

    counts = np.zeros(len(ends) + 1, dtype=np.int64)
    _fill_zones(*given, counts, np.empty(0, dtype=np.int32), False)
    start = np.cumsum(counts)
    zone = np.full(start[-1], -1, dtype=np.int32)
    _fill_zones(*given, start, zone, True)

    for c, intake in enumerate(ends[:, 0].tolist()):
        # Where free flow begins: at the intake, or next above the pond if there is to be any.
        begins = [intake] if not ponds[c] else []
        if ponds[c] and length_m > 0.0:
            begins = [each for lower in ponds[c] for each in tree.above(lower) if each not in ponds[c]]
        expected = [
            station
            for root in (begins if builds[c] else [])
            for station in tree.at_and_above(root)
            for away_m in [step_m[tree.ways[station][: tree.ways[station].index(root)]].sum()]
            if station == root or away_m == 0.0 or away_m < length_m
        ]
        assert sorted(zone[start[c] : start[c + 1]].tolist()) == sorted(expected)


# Along a river of 10 m from station to station: 25 m above a pond that ends at station 3, whatever its number.
@pytest.mark.parametrize("number", range(4))
def test_above_a_pond_the_river_flows_freely_from_the_next_station_up(number):
    tree = tree_of([*range(1, 7), -1])
    ponds = [[] if each != number else [4, 3] for each in range(4)]
    builds, found = np.arange(4) == number, np.zeros(5, dtype=np.int64)
    zone = np.full(3, -1, dtype=np.int32)
    given = np.full(7, 10.0), np.full(4, 4), *in_one(ponds), builds, tree.first, tree.upstream, 25.0

    _fill_zones(*given, found, np.empty(0, dtype=np.int32), False)
    _fill_zones(*given, np.zeros(5, dtype=np.int64), zone, True)

    assert found.tolist() == [0, *(3 * (np.arange(4) == number)).tolist()]
    assert zone.tolist() == [2, 1, 0]


# The last metre must be missed by more than rounding: the chain is 10 m above the intake, a tenth each.
@pytest.mark.parametrize(("length_m", "count"), [(1.0, 10), (1.0001, 11), (0.9999, 10), (0.9, 9)])
def test_a_distance_that_is_the_minimum_but_for_rounding_keeps_it(length_m, count):
    tree = tree_of([*range(1, 16), -1])
    found = np.zeros(2, dtype=np.int64)

    _fill_zones(
        np.full(16, 0.1),
        np.array([15]),
        np.zeros(2, dtype=np.int64),
        np.empty(0, dtype=np.int32),
        np.array([True]),
        tree.first,
        tree.upstream,
        length_m,
        found,
        np.empty(0, dtype=np.int32),
        False,
    )

    assert found[1] == count


@SEEDS
def test_the_way_to_the_first_developed_segment_leads_to_just_above_it(seed):
    rng = np.random.default_rng(seed)
    tree = random_tree(rng)
    step_m = rng.integers(1, 4, len(tree.ways)).astype(np.float64)
    developed = rng.random(len(tree.ways)) < 0.3

    expected = [
        next((step_m[way[:place]].sum() for place in range(len(way) - 1) if developed[way[place + 1]]), math.inf)
        for way in tree.ways
    ]

    assert _to_developed_m(tree.downstream, step_m, developed).tolist() == expected


@SEEDS
def test_fish_survive_all_plants_on_their_way(seed):
    rng = np.random.default_rng(seed)
    tree = random_tree(rng)
    share = rng.integers(0, 5, (len(tree.ways), 2)) / 4.0
    number, length_m = rng.integers(0, 3, len(tree.ways)), rng.integers(1, 4, len(tree.ways)).astype(np.float64)

    survive = [share[way].prod(axis=0).tolist() for way in tree.ways]
    # Of each metre at and above a station, those of its fish that pass all between.
    weighted = [
        sum(
            length_m[upper] * share[tree.ways[upper][: tree.ways[upper].index(station)]].prod(axis=0)
            for upper in tree.at_and_above(station)
        ).tolist()
        for station in range(len(tree.ways))
    ]

    assert _down_to_outlet(tree.downstream, share).tolist() == survive
    assert _weighted(tree.downstream, length_m, share).tolist() == weighted
    assert _counted_to_outlet(tree.downstream, number).tolist() == [number[way].sum() for way in tree.ways]


@SEEDS
def test_what_is_worst_and_strictest_above_is_carried_down(seed):
    rng = np.random.default_rng(seed)
    tree = random_tree(rng)
    count = len(tree.ways)
    survival, cap = rng.integers(0, 3, count) / 4.0, rng.integers(0, 5, count)
    worst = np.where(rng.random(count) < 0.5, np.arange(count), -1)

    above = [tree.at_and_above(station) for station in range(count)]
    grounds = [[each for each in every if worst[each] >= 0] for every in above]

    assert _carried_caps(tree.downstream, cap).tolist() == [cap[every].min() for every in above]
    assert _carried_worst(tree.downstream, worst, survival).tolist() == [
        min(every, key=lambda each: (survival[each], each)) if every else -1 for every in grounds
    ]


@SEEDS
def test_a_station_drains_to_all_on_its_way_down(seed):
    tree = random_tree(np.random.default_rng(seed))
    station, target = np.indices((len(tree.ways),) * 2).reshape(2, -1)

    found = _drains_to(tree.downstream, station.astype(np.int32), target)

    assert found.tolist() == [other in tree.ways[one] for one, other in zip(station, target, strict=True)]


# All sets of candidates of which no two take the same station.
def free_sets(pieces):
    for kept in itertools.product([False, True], repeat=len(pieces)):
        taken = [each for piece, is_kept in zip(pieces, kept, strict=True) if is_kept for each in piece]
        if len(taken) == len(set(taken)):
            yield kept


@SEEDS
def test_the_picks_of_stations_lead_to_the_best_of_all_sets(seed):
    rng = np.random.default_rng(seed)
    tree = random_tree(rng)
    ends, ponds = random_candidates(rng, tree, 7)
    pieces = [{*path(tree, *end), *pond} for end, pond in zip(ends.tolist(), ponds, strict=True)]
    value = rng.integers(-1, 5, len(ends)).astype(np.float64)

    boundary = boundary_of_path(tree.downstream, ends[:, 0], ends[:, 1], *in_one(ponds))
    order, first_at = by_tailrace_of(ends[:, 1], len(tree.ways))
    picked = best_picks(tree.downstream, order, first_at, value, *boundary)
    chosen = trace_upstream(tree.downstream, picked, *boundary, len(ends))

    assert tuple(chosen.tolist()) in set(free_sets(pieces))
    assert (value[chosen] > 0.0).all()
    assert value[chosen].sum() == max(value[list(kept)].sum() for kept in free_sets(pieces))


# Losses are whole numbers of steps; each spawning ground has a maximum of its own for the sum on its way down.
@pytest.mark.parametrize("seed", range(60))
def test_the_options_chosen_are_the_best_that_keep_to_what_each_spawning_ground_may_lose(seed):
    rng = np.random.default_rng(seed)
    tree = random_tree(rng)
    count, most = len(tree.ways), 3
    ends, ponds = random_candidates(rng, tree, 5)
    pieces = [{*path(tree, *end), *pond} for end, pond in zip(ends.tolist(), ponds, strict=True)]
    # Fish enter at the intake or at the tailrace.
    entered = np.array([end[int(rng.integers(0, 2))] for end in ends.tolist()], dtype=np.int64)
    value = rng.integers(-1, 6, (len(ends), 2)).astype(np.float64)
    lost = rng.integers(0, 3, (len(ends), 2))
    spawning, allowed = rng.random(count) < 0.4, rng.integers(0, most + 1, count)

    boundary = boundary_of_path(tree.downstream, ends[:, 0], ends[:, 1], *in_one(ponds))
    owner = np.repeat(np.arange(len(ends)), np.diff(boundary.start))
    from_above = np.array([entered[c] in tree.ways[each] for c, each in zip(owner, boundary.station, strict=True)])
    following = np.add.outer(np.arange(most + 1), np.arange(3))
    following[following > most] = -1
    has_spawning = np.array([spawning[tree.at_and_above(each)].any() for each in range(count)])
    cap = _carried_caps(tree.downstream, np.where(spawning, allowed, most + 1))
    row = np.where(has_spawning, np.cumsum(has_spawning) - 1, -1)
    option = _solve(
        (tree.first, tree.upstream, *by_tailrace_of(ends[:, 1], count)),
        (boundary.start, boundary.station, from_above.astype(bool)),
        (has_spawning, cap, entered, lost, following),
        value,
        row,
        int(has_spawning.sum()),
        most + 1,
    )

    # The value of options, -1 where something is lost that may not be or a station is taken twice.
    def worth(options):
        kept = [(c, each) for c, each in enumerate(options) if each >= 0]
        taken = [station for c, _ in kept for station in pieces[c]]
        sums = [
            sum(lost[c, each] for c, each in kept if entered[c] in tree.ways[ground]) - allowed[ground]
            for ground in np.flatnonzero(spawning)
        ]
        is_kept = len(taken) == len(set(taken)) and max(sums, default=0) <= 0
        return sum(value[c, each] for c, each in kept) if is_kept else -1.0

    best = max(worth(options) for options in itertools.product([-1, 0, 1], repeat=len(ends)))
    assert worth(option.tolist()) == best
    assert all(value[c, each] > 0.0 for c, each in enumerate(option) if each >= 0)


# The choice by both ways, without any fish: numbers of the candidates chosen, and their options.
def chosen_by_both(tree, ends, value):
    ends = np.array(ends, dtype=np.int32)
    boundary = boundary_of_path(tree.downstream, ends[:, 0], ends[:, 1])
    order, first_at = by_tailrace_of(ends[:, 1], len(tree.ways))
    value = np.array(value, dtype=np.float64)
    picked = best_picks(tree.downstream, order, first_at, value[:, 0].copy(), *boundary)
    none = np.zeros(len(tree.ways), dtype=bool)
    option = _solve(
        (tree.first, tree.upstream, order, first_at),
        (*boundary, np.zeros(len(boundary.station), dtype=bool)),
        (none, np.ones(len(none), dtype=np.int64), ends[:, 0].astype(np.int64), np.zeros(value.shape, int), FREE),
        value,
        np.full(len(none), -1),
        0,
        1,
    )
    return trace_upstream(tree.downstream, picked, *boundary, len(ends)).tolist(), option.tolist()


FREE = np.zeros((1, 1), dtype=np.int64)


def test_of_equal_candidates_and_options_the_first_is_chosen():
    ends = [[0, 1], [0, 1], [1, 2], [0, 2]]

    # The last has the value of the first and the third together.
    assert chosen_by_both(tree_of([1, 2, -1]), ends, [(2, 2), (2, 2), (3, 3), (5, 5)]) == (
        [True, False, True, False],
        [0, -1, 0, -1],
    )


# The longer site takes the place of the shorter one within it, whichever has the number 0.
def test_within_what_a_site_takes_no_other_is_chosen():
    tree, longer, shorter = tree_of([1, 2, -1]), ([0, 2], (5, 5)), ([0, 1], (2, 2))

    assert chosen_by_both(tree, *zip(longer, shorter, strict=True)) == ([True, False], [0, -1])
    assert chosen_by_both(tree, *zip(shorter, longer, strict=True)) == ([False, True], [-1, 0])


def test_what_is_worth_nothing_is_not_chosen_though_sums_in_another_order_are_greater_by_rounding():
    # Sites worth 0.2, 0.3 and 0.1 on three streams of which the last is the longest; the fourth goes from that
    # into the river, and leaves all of them.
    tree = tree_of([3, 4, 5, 7, 7, 6, 7, -1])
    ends, value = [[0, 3], [1, 4], [2, 5], [5, 7]], [(0.2, 0.2), (0.3, 0.3), (0.1, 0.1), (0.0, 0.0)]

    assert (0.1 + 0.2) + 0.3 > (0.2 + 0.3) + 0.1
    assert chosen_by_both(tree, ends, value) == ([True, True, True, False], [0, 0, 0, -1])
