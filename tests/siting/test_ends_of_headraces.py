"""Where a headrace ends and its penstock begins: against all places that there are, on ground made at random."""

import functools
import math
from typing import NamedTuple

import numpy as np
import pytest
from conduit_terms import limits_of, maps_of

from sitefinder.siting.conduits import (
    AHEAD,
    DEEPEST,
    HEADRACE,
    HELD,
    NODES,
    ROAD,
    ROADS,
    RUN,
    STATE,
    _by_nodes,
    _headrace_leg,
    _join,
    _penstock_leg,
    _share_on_ground,
    _straight,
    _swept,
    _without_straight_on,
)

TOP_M, SIZE, COUNT, GRADE = 100.0, 26, 17, 0.004
PRICE = np.array([300.0, math.nan, 50.0, 20.0, 70.0, 900.0, math.inf, 500.0, 400.0, math.inf])
SEEDS = range(10)


class Case(NamedTuple):
    """Nodes along a winding line over rolling ground, with a few roads, and a powerhouse near their end."""

    maps: tuple
    limits: np.ndarray
    node: np.ndarray
    joined: tuple
    end: tuple
    pipe_per_m: float
    tail_m: float


# With cells of 10 by 5 m, or the same a hundred times smaller, where metres are more than cells.
@functools.cache
def case_of(seed, scale):
    rng = np.random.default_rng(seed)
    rows, columns = np.mgrid[:SIZE, :SIZE]
    waves = np.sin(0.7 * rows + seed) * np.cos(0.6 * columns) + 0.4 * np.sin(1.9 * columns)
    roads = zip(*np.nonzero(rng.random((SIZE, SIZE)) < 0.1), strict=True)
    # The ground falls away from the first node, where the powerhouse lies.
    ground = TOP_M + scale * (0.6 * waves - 0.02 * rows - 0.02 * columns)
    maps = maps_of(ground, roads=roads)
    limits = limits_of((10.0 * scale, 5.0 * scale), grade=GRADE, max_fill_m=1.0 * scale, max_side_slope=9.0)
    turn = 0.8 + np.cumsum(rng.normal(0.0, 0.5, COUNT))
    node = np.clip(5.0 + np.cumsum(np.stack([np.sin(turn), np.cos(turn)], axis=1), axis=0), 1.2, SIZE - 3.0)
    step_m = np.hypot(*(np.diff(node, axis=0) * limits[[9, 8]]).T)
    cost, made, before = np.zeros(COUNT), np.zeros((COUNT, HELD)), np.zeros(COUNT, dtype=np.int64)
    along = np.append(0.0, np.cumsum(step_m))
    _join(maps, limits, PRICE, np.array(AHEAD), TOP_M, COUNT, node, along, cost, made, before, np.zeros(HELD))
    end = tuple(np.clip(node[rng.integers(8, COUNT)] + rng.normal(0.0, 3.0, 2), 1.2, SIZE - 3.0).tolist())
    pipe_per_m, fall_m = float(rng.choice([200.0, 700.0, 1500.0])), float(rng.choice([0.3, 1.0, 6.0]))
    return Case(maps, limits, node, (cost, made, before), end, pipe_per_m, TOP_M - fall_m * scale)


# Cost and parts of a penstock from a place to the end; infinite where the water does not flow there.
def penstock(case, place, level_m):
    pipe = np.zeros(HELD)
    if level_m <= case.tail_m:
        return math.inf, pipe
    given = (*place, *case.end, level_m, level_m - case.tail_m, math.inf, pipe)
    return _penstock_leg(case.maps, case.limits, PRICE, case.pipe_per_m, *given), pipe


# The same of a canal straight on by a share of the line to the end, and a penstock from there.
def led_on(case, place, level_m, run_m, state, share):
    leg, goal = np.zeros(HELD), np.array(case.end)
    where = place + share * (goal - place)
    cost = _headrace_leg(case.maps, case.limits, PRICE, *place, *where, level_m, run_m, state, leg)
    more, pipe = penstock(case, where, level_m - GRADE * leg[HEADRACE])
    return cost + more, added(leg, pipe), where


# Parts of one piece after another: the deepest cut is the deeper one, all else adds up.
def added(*pieces):
    total = sum(piece[:RUN] for piece in pieces)
    total[DEEPEST] = max(piece[DEEPEST] for piece in pieces)
    return total


def share_to_end(case, place, level_m):
    return _share_on_ground(case.maps, case.limits, *place, *case.end, level_m)


def way_to(case, place):
    way = []
    while place >= 0:
        way.insert(0, case.node[place].tolist())
        place = int(case.joined[2][place])
    return way


# Of all nodes the one from which a penstock costs least; then from it and from the second, fifth and tenth before
# it, led on as far as the ground holds a canal.
def best_by_nodes(case):
    cost, made, _ = case.joined
    level_m = TOP_M - GRADE * made[:, HEADRACE]
    pipes = [penstock(case, case.node[each], level_m[each]) for each in range(COUNT)]
    every = [math.inf] + [cost[each] + pipes[each][0] for each in range(1, COUNT)]
    chosen = int(np.argmin(every))
    ways = [(every[chosen], added(made[chosen], pipes[chosen][1]), way_to(case, chosen))]
    for place in (chosen, chosen - 2, chosen - 5, chosen - 10) if every[chosen] < math.inf else ():
        if place >= 0 and (share := share_to_end(case, case.node[place], level_m[place])) > 0.0:
            begun = (case.node[place], level_m[place], made[place, RUN], made[place, STATE], share)
            total, parts, where = led_on(case, *begun)
            ways.append((cost[place] + total, added(made[place], parts), [*way_to(case, place), where.tolist()]))
    return *min(ways, key=lambda way: way[0]), every[chosen]


# What a search gives for a best that is known: total, parts and line.
def found(search, case, begun, best):
    parts, line, vertices = np.full(RUN, np.nan), np.full((NODES + 2, 2), np.nan), np.zeros(1, dtype=np.int64)
    filled = (np.zeros(HELD), np.zeros(HELD), parts, line, vertices)
    given = (case.maps, case.limits, PRICE, case.pipe_per_m, TOP_M, *begun, *case.end, case.tail_m, best, *filled)
    return search(*given), parts, line[: vertices[0]].tolist()


# Whether a search finds what is expected where the best that is known is more than `most`, and nothing else.
def is_as_expected(search, case, begun, expected, parts_expected, line_expected, most):
    for best in (math.inf, 1.001 * most, (1.0 + 1e-6) * most):
        total, parts, line = found(search, case, begun, best)
        assert total == pytest.approx(expected, rel=1e-9)
        assert parts == pytest.approx(parts_expected)
        assert np.array(line) == pytest.approx(np.array([*line_expected, case.end]))
    for best in (most, most * (1.0 - 1e-6), most / 2.0):
        total, parts, line = found(search, case, begun, best)
        assert total == best
        assert line == []
        assert np.isnan(parts).all()


@pytest.mark.parametrize("scale", [1.0, 0.01])
@pytest.mark.parametrize("seed", SEEDS)
def test_by_nodes_the_cheapest_way_of_all_is_found(seed, scale):
    case = case_of(seed, scale)

    total, parts, line, without = best_by_nodes(case)

    # A canal is led on only where a pipe from a node is cheaper than the best that is known.
    assert total <= without < math.inf
    is_as_expected(_by_nodes, case, (case.node, COUNT, *case.joined), total, parts, line, without)


def test_the_cases_lead_on_from_the_best_node_and_from_those_before_it():
    lines = [best_by_nodes(case_of(seed, scale))[2] for seed in SEEDS for scale in (1.0, 0.01)]
    nodes = [case_of(seed, scale).node.tolist() for seed in SEEDS for scale in (1.0, 0.01)]

    is_led_on = [line[-1] not in every for line, every in zip(lines, nodes, strict=True)]
    assert any(is_led_on)
    assert not all(is_led_on)


@pytest.mark.parametrize("scale", [1.0, 0.01])
@pytest.mark.parametrize("seed", SEEDS)
def test_the_straight_line_is_the_cheaper_of_a_canal_led_on_and_a_pipe_all_along(seed, scale):
    case = case_of(seed, scale)
    intake = case.node[0]

    ways = [led_on(case, intake, TOP_M, 0.0, -1.0, share) for share in (share_to_end(case, intake, TOP_M), 0.0)]

    total, parts, where = min(ways, key=lambda way: way[0])
    assert total < math.inf
    is_as_expected(_straight, case, tuple(intake), total, parts, [intake.tolist(), where.tolist()], total)


def test_a_straight_line_that_begins_in_a_road_does_not_cross_it():
    case = case_of(0, 1.0)
    # Level ground as high as the water, with a road where the intake is.
    maps = (
        np.full((SIZE, SIZE), TOP_M, dtype=np.float32),
        case.maps[1],
        np.zeros_like(case.maps[2]),
        case.maps[3],
    )
    maps[2][5, 5] = ROAD
    case = case._replace(maps=maps, end=(5.0, 15.0), pipe_per_m=1500.0, tail_m=TOP_M - 5.0)

    parts = found(_straight, case, (5.0, 5.0), math.inf)[1]

    assert parts[HEADRACE] == 95.0
    assert parts[ROADS] == 0.0
    assert case.maps[2].sum() == ROAD


# A vertex at which the line turns by a millionth of a square cell stays, one at which it turns by less goes.
@pytest.mark.parametrize(("aside", "kept"), [(0.95e-6, 3), (1e-6, 4), (1.05e-6, 4)])
@pytest.mark.parametrize("turn", [1.0, -1.0])
@pytest.mark.parametrize("begin", [0.0, 1.0])
def test_a_line_bends_from_a_millionth_of_a_square_cell_on(aside, kept, turn, begin):
    line = np.array([[0.0, begin], [0.0, begin + 1.0], [turn * aside, begin + 2.0], [0.0, 9.0]])

    assert _without_straight_on(line, 4) == kept
    assert line[kept - 1].tolist() == [0.0, 9.0]
    assert line[kept - 2].tolist() == [turn * aside, begin + 2.0]


def test_the_end_of_a_headrace_stays_though_its_penstock_goes_straight_on():
    line = np.array([[2.0, 1.0], [4.0, 2.0], [6.0, 3.0], [8.0, 4.0], [10.0, 5.0]])

    assert line[: _without_straight_on(line, 5)].tolist() == [[2.0, 1.0], [8.0, 4.0], [10.0, 5.0]]
    line = np.array([[2.0, 1.0], [4.0, 2.0], [6.0, 3.0]])
    assert _without_straight_on(line, 3) == 3


# Twice the area between a line and its chord, by the sum over the polygon's edges (the shoelace formula).
@pytest.mark.parametrize("seed", range(4))
def test_the_area_that_a_line_sweeps_is_twice_that_of_its_polygon(seed):
    line = np.random.default_rng(seed).uniform(-5.0, 5.0, (7, 2))

    for vertices in range(2, 8):
        east, north = line[:vertices, 1], -line[:vertices, 0]
        # Against the clock positive, which a line to the right of its chord is.
        doubled = (east * np.roll(north, -1) - np.roll(east, -1) * north).sum()
        assert _swept(line, vertices) == pytest.approx(doubled, abs=1e-9)


# Three nodes over low ground, on which no canal is led on: the intake, one further on, one near the powerhouse.
def over_low_ground(costs, pipe_per_m=500.0):
    case = case_of(0, 1.0)
    low = np.full((SIZE, SIZE), TOP_M - 50.0, dtype=np.float32)
    maps = low, case.maps[1], np.zeros_like(case.maps[2]), case.maps[3]
    case = case._replace(maps=maps, end=(10.0, 12.0), pipe_per_m=pipe_per_m, tail_m=TOP_M - 5.0)
    node = np.array([[10.0, 5.0], [10.0, 7.0], [10.0, 9.0]])
    joined = np.array(costs), np.zeros((3, HELD)), np.array([-1, 0, 0])
    return case, (node, 3, *joined)


def test_by_nodes_a_pipe_all_along_is_no_way_though_it_is_the_cheapest():
    case, begun = over_low_ground([0.0, 9.5e4, 9e4], pipe_per_m=1.0)

    total, _, line = found(_by_nodes, case, begun, math.inf)

    # 90 000 and a pipe of 30 m that falls 5 m, at 1 a metre; from the intake it is 70 m of pipe and nothing else.
    assert total == pytest.approx(9e4 + math.hypot(30.0, 5.0))
    assert line == [[10.0, 5.0], [10.0, 9.0], [10.0, 12.0]]


@pytest.mark.parametrize("nearest", [1, 2])
def test_by_nodes_of_equal_ways_that_from_the_node_nearest_to_the_powerhouse_is_taken(nearest):
    pipes = [penstock(over_low_ground([0.0] * 3)[0], (10.0, column), TOP_M)[0] for column in (7.0, 9.0)]
    # The way to each costs what the pipe from the other does.
    case, (node, *rest) = over_low_ground([0.0, *pipes[::-1]])
    if nearest == 1:
        node, rest[1] = node[[0, 2, 1]], rest[1][[0, 2, 1]]

    total, _, line = found(_by_nodes, case, (node, *rest), math.inf)

    assert total == pytest.approx(sum(pipes))
    assert line == [[10.0, 5.0], [10.0, 9.0], [10.0, 12.0]]


def test_by_nodes_a_canal_may_be_led_on_from_the_intake_itself():
    case, begun = over_low_ground([0.0, 9e4, 9.5e4])
    level = np.full((SIZE, SIZE), TOP_M, dtype=np.float32)
    limits = np.array([0.0, *case.limits[1:]])

    total, _, line = found(_by_nodes, case._replace(maps=(level, *case.maps[1:]), limits=limits), begun, math.inf)

    # The best node is the last, and the intake is the second before it. The ground is looked at in the middle of
    # each of seven cells: 65 m of canal, and 5 m of pipe that falls 5 m.
    assert total == pytest.approx(300.0 * 65.0 + 500.0 * math.hypot(5.0, 5.0))
    assert np.array(line) == pytest.approx(np.array([[10.0, 5.0], [10.0, 11.5], [10.0, 12.0]]))


@pytest.mark.parametrize(("fall_m", "is_found"), [(0.0, False), (0.01, True)])
def test_by_nodes_a_pipe_without_any_fall_is_none(fall_m, is_found):
    case, begun = over_low_ground([0.0, 9e4, 9.5e4])

    assert (found(_by_nodes, case._replace(tail_m=TOP_M - fall_m), begun, math.inf)[0] < math.inf) == is_found
