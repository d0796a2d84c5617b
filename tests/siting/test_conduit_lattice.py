"""The search of a lattice for conduits: which places it follows, where it looks, and which of equals it keeps."""

import math

import numpy as np
import pytest
from conduit_terms import limits_of, maps_of
from scipy.sparse import csr_array
from scipy.sparse.csgraph import dijkstra

from sitefinder.siting.conduits import (
    BEST,
    COST,
    END,
    FIELD,
    HELD,
    LOOKED_M,
    MOVES,
    TARGET,
    WAY,
    _headrace_leg,
    _look_from_all,
    _nodes_of,
    _penstock_leg,
    _pop,
    _push,
    _search_lattice,
)

WIDE, HIGH = 10.0, 5.0
TOP_M, CANAL_PER_M, PIPE_PER_M = 100.0, 300.0, 650.0
# The intake lies in the middle of 17 by 17 places, a cell apart.
HALF, WIDTH, MIDDLE = 8, 17, 9.0
START = HALF * WIDTH + HALF
PRICE = np.array([CANAL_PER_M, PIPE_PER_M, 50.0, 20.0, 70.0, 900.0, math.inf, 5000.0, 4000.0, math.inf])


def level(size=20):
    return maps_of(np.full((size, size), TOP_M))


def rolling():
    at = np.mgrid[:20, :20]
    return maps_of(TOP_M + 0.7 * np.sin(0.9 * at[0]) * np.cos(0.8 * at[1]))


# Ends by row, column, level, price of the pipe and best cost so far.
def ends_of(*ends):
    targets = np.zeros((len(ends), TARGET))
    for target, (row, column, level_m, pipe_per_m, best) in zip(targets, ends, strict=True):
        target[:] = row, column, level_m, pipe_per_m, best, -1.0, math.inf, 0.0
    return targets


# What earlier searches left is in all arrays: none of it counts.
def search(maps, targets, *, limits=None, limit_m=1e6, room=1000, heap=5000):
    limits = limits_of() if limits is None else limits
    field, came_from = np.full((WIDTH**2, FIELD), 9.0), np.full(WIDTH**2, 5, dtype=np.int32)
    marked, reached = np.full(WIDTH**2, 2, dtype=np.int32), np.full(room, 5, dtype=np.int32)
    waiting = np.full(heap, 7.0), np.full(heap, 6, dtype=np.int32)
    place = (1.0, HALF, MIDDLE, MIDDLE, TOP_M, limit_m)
    found = _search_lattice(
        maps, limits, PRICE, np.array(MOVES), *place, targets, len(targets), 3, field, came_from, marked, reached,
        *waiting, np.zeros(HELD),
    )  # fmt: skip
    return reached[:found], field, came_from


def at(place):
    return MIDDLE + place // WIDTH - HALF, MIDDLE + place % WIDTH - HALF


def away_m(place, target):
    row, column = at(place)
    return np.hypot((row - target[0]) * HIGH, (column - target[1]) * WIDE)


# Lengths of the shortest ways over the lattice from the intake to all its places, and which follow on which.
def ways_over_the_lattice():
    graph = np.zeros((WIDTH**2, WIDTH**2))
    for place in range(WIDTH**2):
        for down, across in MOVES:
            row, column = place // WIDTH + down, place % WIDTH + across
            if 0 <= row < WIDTH and 0 <= column < WIDTH:
                graph[place, row * WIDTH + column] = math.hypot(down * HIGH, across * WIDE)
    return dijkstra(csr_array(graph), indices=START), graph > 0


# The ends lie as high as the intake, so that no pipe leads to them and the best stays what it was.
@pytest.mark.parametrize("pipe_per_m", [100.0, 300.0, 650.0])
@pytest.mark.parametrize(
    ("ends", "limit_m"),
    [
        ([(9.0, 14.0, 30_000.0)], 1e6),
        ([(3.0, 12.5, 25_000.0)], 1e6),
        ([(14.0, 4.0, 20_000.0), (9.0, 14.0, 17_000.0)], 1e6),
        ([(9.0, 14.0, 1e6)], 30.0),
        ([(14.0, 9.0, 1e6)], 25.0),
    ],
)
def test_places_are_followed_from_which_a_way_can_save_a_share_and_that_are_not_too_far(ends, limit_m, pipe_per_m):
    reached, field, _ = search(
        level(), ends_of(*[(*end[:2], TOP_M, pipe_per_m, end[2]) for end in ends]), limit_m=limit_m
    )

    way_m, follows = ways_over_the_lattice()
    place, least = np.arange(WIDTH**2), min(pipe_per_m, CANAL_PER_M)
    is_hopeful = np.zeros(WIDTH**2, dtype=bool)
    for row, column, best in ends:
        # Of what is known 7 % must be saved.
        is_hopeful |= CANAL_PER_M * way_m + least * away_m(place, (row, column)) < 0.93 * best
    is_hopeful &= way_m < limit_m
    # What such places lead to is reached as well, and no more.
    expected = np.flatnonzero(follows[is_hopeful].any(axis=0) | (place == START))
    assert 10 < len(expected) <= WIDTH**2
    assert sorted(reached.tolist()) == expected.tolist()
    assert field[is_hopeful, WAY] == pytest.approx(way_m[is_hopeful])
    assert field[is_hopeful, COST] == pytest.approx(CANAL_PER_M * way_m[is_hopeful])


# Looks from places along the way, replayed in the order in which they were reached.
@pytest.mark.parametrize("grade", [0.0, 0.004])
@pytest.mark.parametrize("maps", [level(), rolling()], ids=["level", "rolling"])
@pytest.mark.parametrize(
    "ends",
    [
        [(9.0, 15.0, 95.0, 650.0, 1e5)],
        [(13.3, 5.0, 99.8, 400.0, 60_000.0)],
        [(3.0, 9.0, 98.0, 2000.0, 70_000.0), (15.0, 13.0, 99.9, 310.0, 1e5)],
        [(16.0, 16.0, 97.0, 100.0, 40_000.0)],
        [(9.0, 15.0, 99.5, 650.0, 19_400.0), (11.0, 9.0, 99.0, 250.0, 1e5)],
        # Just a fifth nearer, 40 m of 50 m, is no look; nor is one where a level pipe costs as much as the best.
        [(9.0, 14.0, 95.0, 650.0, 1e5)],
        [(9.0, 14.0, 95.0, 650.0, 32_500.0)],
    ],
)
def test_a_look_is_taken_where_an_end_is_a_fifth_nearer_than_at_the_last(ends, maps, grade):
    limits, targets = limits_of(grade=grade), ends_of(*ends)

    reached, field, _ = search(maps, targets, limits=limits)

    for end, target in zip(ends, targets, strict=True):
        best, looked_m, found = end[4], math.inf, -1
        for place in reached.tolist():
            cost, distance_m = field[place, COST], away_m(place, end)
            is_hopeful = cost + min(end[3], CANAL_PER_M) * distance_m < 0.93 * best
            if is_hopeful and distance_m < 0.8 * looked_m and cost + end[3] * distance_m < best:
                looked_m, here_m = distance_m, TOP_M - grade * field[place, WAY]
                # A pipe all along is not looked at.
                if place != START and here_m > end[2]:
                    given = (*at(place), *end[:2], here_m, here_m - end[2], math.inf, np.zeros(HELD))
                    total = cost + _penstock_leg(maps, limits, PRICE, end[3], *given)
                    best, found = (total, place) if total < best else (best, found)
        assert target[[BEST, END, LOOKED_M]].tolist() == [pytest.approx(best), found, pytest.approx(looked_m)]


def test_the_search_begins_at_the_intake_whatever_earlier_searches_left():
    reached, field, came_from = search(level(), ends_of((60.0, 60.0, 95.0, 650.0, 1e9)))

    assert reached[0] == START
    assert field[START, :4].tolist() == [0.0, 0.0, 0.0, -1.0]
    assert came_from[START] == -1
    assert sorted(reached.tolist()) == list(range(WIDTH**2))


# An intake in the road: leaving it is no crossing.
def test_a_way_that_begins_in_a_road_has_not_crossed_it():
    maps = maps_of(np.full((20, 20), TOP_M), roads=[(9, 9)])

    _, field, _ = search(maps, ends_of((60.0, 60.0, 95.0, 650.0, 1e9)))

    assert field[START + 3, COST] == pytest.approx(30.0 * CANAL_PER_M)


def test_the_water_of_a_way_over_the_lattice_falls_by_its_whole_length():
    limits = limits_of(grade=0.01)

    _, field, _ = search(level(), ends_of((60.0, 60.0, 95.0, 650.0, 1e9)), limits=limits)

    # Straight to the east it is a single leg, cut ever deeper into level ground.
    for cells in range(1, HALF + 1):
        end = (MIDDLE, MIDDLE, MIDDLE, MIDDLE + cells)
        cost = _headrace_leg(level(), limits, PRICE, *end, TOP_M, 0.0, -1.0, np.zeros(HELD))
        assert cost > CANAL_PER_M * WIDE * cells
        assert field[START + cells, COST] == pytest.approx(cost, rel=1e-5)


# Cells of a few centimetres, in which a canal costs less than its price for a metre.
@pytest.mark.parametrize("cell_m", [0.05, 0.5, 30.0])
def test_a_lattice_has_the_cheapest_ways_whatever_its_cells_measure(cell_m):
    targets = ends_of((60.0, 60.0, 95.0, 650.0, 1e9))

    _, field, _ = search(level(), targets, limits=limits_of((2 * cell_m, cell_m)))

    assert field[:, WAY] == pytest.approx(ways_over_the_lattice()[0] * cell_m / HIGH)
    assert field[:, COST] == pytest.approx(CANAL_PER_M * field[:, WAY])


def test_of_equally_cheap_ways_the_first_is_kept():
    _, _, came_from = search(level(), ends_of((60.0, 60.0, 95.0, 650.0, 1e9)))

    # One row down and three columns on: the way by the neighbour is found before that by its diagonal.
    for down, across, first in ((1, 3, (0, 1)), (-1, -3, (0, -1)), (3, 1, (1, 0)), (-3, 1, (-1, 0))):
        assert came_from[START + down * WIDTH + across] == START + first[0] * WIDTH + first[1]


# From the intake sixteen moves lead on, for which there must be room whenever a place is followed.
@pytest.mark.parametrize(
    ("given", "found"),
    [({"room": 1}, 1), ({"room": 40}, 40), ({"heap": 16}, 0), ({"heap": 18}, 1), ({"heap": 32}, 1)],
)
def test_a_search_ends_where_its_room_does(given, found):
    assert len(search(level(), ends_of((60.0, 60.0, 95.0, 650.0, 1e9)), **given)[0]) == found
    assert len(search(level(), ends_of((60.0, 60.0, 95.0, 650.0, 1e9)), heap=33)[0]) > 1


# Places as a search might have reached them, the cheapest first, after the intake.
def looked(end, maps, limits, seed):
    rng = np.random.default_rng(seed)
    field = np.full((WIDTH**2, FIELD), np.nan)
    reached = np.append(START, rng.choice(np.delete(np.arange(WIDTH**2), START), 40, replace=False))
    field[reached, COST] = np.append(0.0, np.sort(rng.uniform(0.0, 40_000.0, 40)))
    field[reached, WAY] = np.append(0.0, rng.uniform(0.0, 150.0, 40))
    targets = ends_of((60.0, 60.0, 0.0, 1.0, 1.0), end)
    given = (targets, 1, field, reached.astype(np.int32), 41, np.zeros(HELD))
    _look_from_all(maps, limits, PRICE, 1.0, HALF, MIDDLE, MIDDLE, TOP_M, *given)
    assert targets[0].tolist() == ends_of((60.0, 60.0, 0.0, 1.0, 1.0))[0].tolist()
    return reached.tolist(), field, targets[1, [BEST, END]].tolist()


@pytest.mark.parametrize("seed", range(6))
@pytest.mark.parametrize("pipe_per_m", [150.0, 650.0])
@pytest.mark.parametrize(("level_m", "best"), [(95.0, 1e6), (99.6, 45_000.0), (99.6, 30_000.0)])
def test_from_all_places_the_pipe_is_taken_that_saves_a_share_each_time(level_m, best, pipe_per_m, seed):
    end, limits = (12.4, 5.7, level_m, pipe_per_m, best), limits_of(grade=0.005)

    reached, field, result = looked(end, rolling(), limits, seed)

    # Each in turn, but the intake and those whose water is no higher than the end; others save nothing.
    found = -1
    for place in reached[1:]:
        here_m = TOP_M - 0.005 * field[place, WAY]
        given = (*at(place), *end[:2], here_m, here_m - level_m, math.inf, np.zeros(HELD))
        total = field[place, COST] + _penstock_leg(rolling(), limits, PRICE, pipe_per_m, *given)
        if here_m > level_m and total < 0.93 * best:
            best, found = total, place
    assert result == [pytest.approx(best), found]


@pytest.mark.parametrize(("fall_m", "is_found"), [(0.0, False), (-0.1, False), (0.1, True), (0.5, True)])
def test_from_all_places_a_pipe_must_fall(fall_m, is_found):
    _, _, result = looked((9.0, 12.0, TOP_M - fall_m, 650.0, 1e6), level(), limits_of(), 3)

    assert (result[1] >= 0) == is_found


def test_nodes_of_a_way_over_the_lattice_have_room_for_just_as_many():
    came_from = np.full(WIDTH**2, -1, dtype=np.int32)
    places = [START, START + 2, START + 3 + WIDTH, START + 3 + 3 * WIDTH]
    came_from[places[1:]] = places[:-1]

    for room, count in ((4, 4), (6, 4), (3, 0)):
        node, along = np.full((room, 2), np.nan), np.full(room, np.nan)
        found = _nodes_of(limits_of(), 0.5, HALF, MIDDLE, MIDDLE, places[-1], came_from, node, along)
        assert found == count
        if count:
            assert node[:4].tolist() == [[9.0, 9.0], [9.0, 10.0], [9.5, 10.5], [10.5, 10.5]]
            lengths_m = [WIDE, math.hypot(2.5, 5.0), 5.0]
            assert along[:4] == pytest.approx(np.append(0.0, np.cumsum(lengths_m)))
            assert np.isnan(node[4:]).all()


# Whatever is put in and taken out in between, the least comes first, and with it its own place.
@pytest.mark.parametrize("seed", range(5))
def test_a_heap_holds_its_order_while_places_come_and_go(seed):
    rng = np.random.default_rng(seed)
    heap_cost, heap_place, size = np.full(64, np.nan), np.full(64, -7, dtype=np.int32), 0
    held = {}
    for place in range(120):
        if size < 60 and (size == 0 or rng.random() < 0.6):
            held[place] = float(rng.integers(1000)) + place / 1000
            size = _push(heap_cost, heap_place, size, held[place], place)
        else:
            least = min(held, key=held.get)
            assert (heap_cost[0], heap_place[0]) == (held.pop(least), least)
            size = _pop(heap_cost, heap_place, size)
        assert size == len(held)
        for below in range(1, size):
            assert heap_cost[(below - 1) // 2] < heap_cost[below]
            assert held[int(heap_place[below])] == heap_cost[below]


def test_of_equal_costs_in_a_heap_the_one_before_stays_before():
    heap_cost, heap_place, size = np.zeros(8), np.zeros(8, dtype=np.int32), 0
    for place, cost in enumerate([1.0, 2.0, 2.0, 2.0, 1.0]):
        size = _push(heap_cost, heap_place, size, cost, place)

    # The second of cost 1 rises past one of cost 2, and stops below its equal.
    assert heap_place[:5].tolist() == [0, 4, 2, 3, 1]
    # Of the two that follow on the first the left one is as cheap or cheaper; what is put in its place is no
    # cheaper than what follows.
    size = _pop(heap_cost, heap_place, size)
    assert heap_place[:4].tolist() == [4, 1, 2, 3]
    size = _pop(heap_cost, heap_place, size)
    assert heap_place[:3].tolist() == [3, 1, 2]
    # The left one of two equals rises into the place of the first.
    size = 0
    for place, cost in enumerate([1.0, 2.0, 2.0, 5.0]):
        size = _push(heap_cost, heap_place, size, cost, place)
    assert _pop(heap_cost, heap_place, size) == 3
    assert heap_place[:3].tolist() == [1, 3, 2]
