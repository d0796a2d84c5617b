"""Nodes of a contour joined by legs, near and far: against every leg that may be taken, on lines of any form."""

import functools
import itertools
import math

import conduit_terms
import numpy as np
import pytest
from conduit_terms import maps_of

from sitefinder.siting.conduits import (
    AHEAD,
    DEEPEST,
    HEADRACE,
    HELD,
    ROAD,
    RUN,
    STATE,
    _headrace_leg,
    _join,
    _nearest_reached,
    _past_nearest,
    _share_on_ground,
)

TOP_M, SIZE = 100.0, 40
PRICE = np.array([300.0, 650.0, 50.0, 20.0, 70.0, 900.0, math.inf, 500.0, 400.0, math.inf])

# No side is too steep.
limits_of = functools.partial(conduit_terms.limits_of, max_side_slope=9.0)


def along_of(node, limits):
    return np.append(0.0, np.cumsum(np.hypot(*(np.diff(node, axis=0) * limits[[9, 8]]).T)))


# What an earlier search left is in all arrays: none of it counts.
def join(maps, limits, node, along):
    count = len(node)
    cost, made = np.full(count, 7.0), np.full((count, HELD), 3.0)
    before = np.full(count, 5, dtype=np.int64)
    given = (count, node, along, cost, made, before, np.full(HELD, 2.0))
    _join(maps, limits, PRICE, np.array(AHEAD), TOP_M, *given)
    return cost, made, before


# The same by every leg, with nothing left out but long ones that hardly shorten the line.
def every_leg(maps, limits, node, along):
    count = len(node)
    cost, made, before = np.full(count, math.inf), np.zeros((count, HELD)), np.full(count, -1)
    cost[0], made[0, STATE] = 0.0, -1.0
    for number, ahead in ((number, ahead) for number in range(count) for ahead in AHEAD):
        other, leg = number + ahead, np.zeros(HELD)
        if other >= count or cost[number] == math.inf:
            continue
        chord_m = math.hypot(*((node[other] - node[number]) * limits[[9, 8]]))
        if ahead > 5 and chord_m > 0.97 * (along[other] - along[number]):
            continue
        level_m = TOP_M - limits[0] * made[number, HEADRACE]
        begun = (level_m, made[number, RUN], made[number, STATE])
        more = _headrace_leg(maps, limits, PRICE, *node[number], *node[other], *begun, leg)
        if cost[number] + more < cost[other]:
            cost[other], before[other] = cost[number] + more, number
            made[other, :RUN] = made[number, :RUN] + leg[:RUN]
            made[other, RUN:] = leg[RUN:]
            made[other, DEEPEST] = max(made[number, DEEPEST], leg[DEEPEST])
    return cost, made, before


@pytest.mark.parametrize("scale", [1.0, 0.01])
@pytest.mark.parametrize("bend", [0.0, 0.25, 0.6])
@pytest.mark.parametrize("seed", range(3))
def test_nodes_are_joined_as_by_every_leg_that_may_be_taken(seed, bend, scale):
    rng = np.random.default_rng(seed)
    ground = TOP_M + rng.normal(0.0, 0.7 * scale, (SIZE, SIZE))
    maps = maps_of(ground, roads=zip(*np.nonzero(rng.random((SIZE, SIZE)) < 0.15), strict=True))
    limits = limits_of((10.0 * scale, 5.0 * scale), grade=0.003)
    turn = 0.7 + np.cumsum(rng.normal(0.0, bend, 20))
    node = np.clip(9.0 + np.cumsum(1.3 * np.stack([np.sin(turn), np.cos(turn)], axis=1), axis=0), 2.0, 37.0)
    along = along_of(node, limits)
    # The ground has a road where the way begins.
    maps[2][np.floor(node[0, 0] + 0.5).astype(int), np.floor(node[0, 1] + 0.5).astype(int)] = ROAD

    found, expected = join(maps, limits, node, along), every_leg(maps, limits, node, along)

    assert np.isfinite(expected[0]).sum() > 5
    assert found[0] == pytest.approx(expected[0], rel=1e-12)
    assert found[2].tolist() == expected[2].tolist()
    reached = np.isfinite(expected[0])
    assert found[1][reached] == pytest.approx(expected[1][reached])


def test_of_equally_cheap_ways_by_nodes_the_first_is_kept():
    # A metre in the ground all along: every leg costs as much a metre.
    node = np.stack([np.full(9, 5.0), np.arange(3.0, 12.0)], axis=1)

    cost, _, before = join(maps_of(np.full((SIZE, SIZE), TOP_M + 1.0)), limits_of(), node, 10.0 * np.arange(9))

    assert cost.tolist() == [3700.0 * each for each in range(9)]
    # By the longest leg from the first node that has one of that length: 1, 2, 3 or 5.
    assert before.tolist() == [-1, 0, 0, 0, 1, 0, 1, 2, 3]


@pytest.mark.parametrize("seed", range(8))
def test_of_nodes_the_nearest_is_found_in_metres(seed):
    rng = np.random.default_rng(seed)
    node, cost = rng.uniform(0.0, 9.0, (40, 2)), np.where(rng.random(40) < 0.3, math.inf, 1.0)
    row, column = rng.uniform(0.0, 9.0, 2)
    away_m = np.hypot((row - node[:, 0]) * 5.0, (column - node[:, 1]) * 10.0)

    for count in (1, 7, 40):
        nearest = int(away_m[:count].argmin())
        assert _past_nearest(limits_of(), node, count, row, column) == min(count, nearest + 12)
    reachable = np.where((cost < math.inf) & (np.arange(40) > 0), away_m, math.inf)
    assert _nearest_reached(limits_of(), node, 40, cost, row, column) == int(reachable.argmin())


def test_of_equally_near_nodes_the_first_is_taken():
    node = np.array([[0.0, 0.0], [4.0, 1.0], [4.0, 3.0], [0.0, 2.0]] + [[9.0, 9.0]] * 20)

    assert _nearest_reached(limits_of(), node, 24, np.zeros(24), 4.0, 2.0) == 1
    assert _past_nearest(limits_of(), node, 24, 4.0, 2.0) == 1 + 12
    assert _nearest_reached(limits_of(), node, 24, np.full(24, math.inf), 4.0, 2.0) == 0


# A slope that falls faster than the water, so that somewhere on a line down it the ground is a metre too low.
@pytest.mark.parametrize(("to_row", "to_column"), [(27.0, 7.0), (7.0, 27.0), (27.0, 27.0), (20.5, 27.0)])
def test_a_canal_stays_on_ground_that_falls_faster_than_it_until_the_fill_is_too_high(to_row, to_column):
    rows, columns = np.mgrid[:SIZE, :SIZE]
    # By 0.02 m a metre to the south and 0.01 m a metre to the east.
    ground = TOP_M - 0.02 * 5.0 * (rows - 7.0) - 0.01 * 10.0 * (columns - 7.0)
    south_m, east_m = 5.0 * (to_row - 7.0), 10.0 * (to_column - 7.0)
    length_m, grade = math.hypot(south_m, east_m), 0.002
    share = 1.0 / (0.02 * south_m + 0.01 * east_m - grade * length_m)

    found = _share_on_ground(maps_of(ground), limits_of(grade=grade), 7.0, 7.0, to_row, to_column, TOP_M)

    pieces = math.ceil(max(to_row - 7.0, to_column - 7.0))
    middles = (np.arange(pieces) + 0.5) / pieces
    assert 0.2 < share < 0.95
    assert found == pytest.approx(middles[middles <= share + 1e-6].max())


@pytest.mark.parametrize(("cells", "looks"), [(0.5, 1), (1.0, 1), (1.2, 2), (2.0, 2), (2.5, 3)])
def test_a_line_over_level_ground_holds_a_canal_to_the_middle_of_its_last_piece(cells, looks):
    maps = maps_of(np.full((SIZE, SIZE), TOP_M - 1.0))

    for end in ((9.0, 9.0 + cells), (9.0 - cells, 9.0)):
        share = _share_on_ground(maps, limits_of(), 9.0, 9.0, *end, TOP_M)
        assert share == pytest.approx((looks - 0.5) / looks)
        # The fill may be a metre high, and no more.
        assert _share_on_ground(maps, limits_of(), 9.0, 9.0, *end, TOP_M + 0.01) == 0.0


def test_a_line_along_which_all_is_too_low_holds_no_canal_whatever_lies_behind_it():
    ground = np.where(np.arange(SIZE) < 9, TOP_M + 1.0, TOP_M - 3.0) + np.zeros((SIZE, 1))

    assert _share_on_ground(maps_of(ground), limits_of(), 9.0, 9.0, 9.0, 12.0, TOP_M) == 0.0
    assert _share_on_ground(maps_of(ground), limits_of(), 9.0, 12.0, 9.0, 6.0, TOP_M) > 0.5


# Nodes all around a small circle: from the first straight to the last is shorter than by any other, if that leg is
# looked at.
def leads_straight_to(number):
    angle = 2.0 * math.pi * np.arange(number + 1) / (number + 1)
    node = 20.0 + 1.5 * np.stack([np.sin(angle), np.cos(angle)], axis=1)
    limits = limits_of(cells_m=(10.0, 10.0))
    return join(maps_of(np.full((SIZE, SIZE), TOP_M)), limits, node, along_of(node, limits))[2][-1] == 0


def test_each_leg_leads_half_as_far_again_as_the_one_before_it_to_a_whole_node():
    near = {each + beside for each in AHEAD for beside in (-1, 0, 1)} - {0}

    assert [number for number in sorted(near) if leads_straight_to(number)] == list(AHEAD)
    assert AHEAD[0] == 1
    assert len(AHEAD) == 11
    for before, after in itertools.pairwise(AHEAD):
        assert abs(after - 1.5 * before) <= 0.5
