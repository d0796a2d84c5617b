"""Routes of several intakes at once: pipes all along over low ground, of known cost and side."""

import math

import conduit_terms
import numpy as np
import pytest

from sitefinder.siting.conduits import (
    AHEAD,
    LEFT,
    MOVES,
    PARTS,
    PENSTOCK,
    RIGHT,
    STRAIGHT,
    _find_routes,
)

WIDTH_M, HEIGHT_M = 10.0, 8.0
TOP_M, GROUND_M, SIZE = 100.0, 60.0, 14
# Canals do not pay, nor does a detour: what is looked for is over at once.
LIMITS = conduit_terms.LIMITS._replace(max_detour=0.2, min_valley_cells=1.0)
PRICE = (1e5, np.nan, 50.0, 25.0, 100.0, 1e6, np.inf, 1000.0, 1500.0, np.inf)


# Low ground, which no canal can follow: arrays of elevation, links and obstacles.
def low_ground(links=-1):
    shape = (SIZE, SIZE)
    return (
        np.full(shape, GROUND_M, dtype=np.float32),
        np.full(shape, links, dtype=np.int32),
        np.zeros(shape, dtype=np.uint8),
    )


# Routes for (intake, tailrace, price of the pipe) in the order of intakes and of their tailraces.
def routes(maps, places, downstream, level_m, wanted, *, link=None, limits=LIMITS):
    places = np.array(places, dtype=np.float64)
    downstream = np.array(downstream, dtype=np.int32)
    apart_m = np.hypot(*((places[downstream] - places) * (HEIGHT_M, WIDTH_M)).T)
    intake = np.array([each[0] for each in wanted], dtype=np.int64)
    intakes, first = np.unique(intake, return_index=True)
    prices = np.tile(PRICE, (len(wanted), 1))
    prices[:, 1] = [each[2] for each in wanted]
    return _find_routes(
        *maps,
        places[:, 0].copy(),
        places[:, 1].copy(),
        downstream,
        np.zeros(len(places), dtype=np.int32) if link is None else np.array(link, dtype=np.int32),
        np.where(downstream >= 0, apart_m, 0.0),
        np.array(level_m, dtype=np.float64),
        intakes,
        np.append(first, len(wanted)).astype(np.int64),
        np.array([each[1] for each in wanted], dtype=np.int64),
        np.array([*limits, WIDTH_M, HEIGHT_M]),
        prices,
        np.array(AHEAD, dtype=np.int64),
        np.array(MOVES, dtype=np.int64),
    )


def way_down(downstream, intake, tailrace):
    way = [intake]
    while way[-1] != tailrace:
        way.append(int(downstream[way[-1]]))
    return way


# On which side of a stream, as one looks down it, lies the chord of it: by the shoelace formula, east and north.
def side_of_chord(way):
    east, north = np.array(way)[:, 1], -np.array(way)[:, 0]
    doubled = (east * np.roll(north, -1) - np.roll(east, -1) * north).sum()
    # Against the clock from the intake along the stream and back over the chord: the chord lies to the left.
    return LEFT if doubled > 0.0 else RIGHT


# A tree of streams at random places, each station with a link of its own or all of one, and with all pairs of an
# intake and a tailrace below it as candidates.
@pytest.mark.parametrize("seed", range(6))
def test_pipes_of_all_intakes_cost_their_own_length_at_their_own_price_and_lie_on_their_side(seed):
    rng = np.random.default_rng(seed)
    count = 5
    downstream = [min(each + int(rng.integers(1, 3)), count - 1) for each in range(count - 1)] + [-1]
    places = rng.uniform(2.0, SIZE - 3.0, (count, 2))
    level_m = TOP_M - 4.0 * np.arange(count) - rng.uniform(0.0, 2.0, count)
    wanted = [
        (one, other, float(rng.uniform(100.0, 900.0)))
        for one in range(count - 1)
        for other in range(one + 1, count)
        if other in way_down(downstream, one, count - 1)
    ]

    link = np.arange(count) if seed % 2 else np.zeros(count)
    route, notes, cost, parts, drawn, start = routes(low_ground(), places, downstream, level_m, wanted, link=link)

    assert route.tolist() == [STRAIGHT] * len(wanted)
    assert start.tolist() == list(range(0, 3 * len(wanted) + 1, 3))
    assert len(drawn) == start[-1]
    for number, (intake, tailrace, per_m) in enumerate(wanted):
        way = way_down(downstream, intake, tailrace)
        down, across = (places[tailrace] - places[intake]) * (HEIGHT_M, WIDTH_M)
        pipe_m = math.hypot(down, across, level_m[intake] - level_m[tailrace])
        assert parts[number].tolist() == pytest.approx([pipe_m * (each == PENSTOCK) for each in range(len(PARTS))])
        assert cost[number] == pytest.approx(per_m * pipe_m)
        line = drawn[start[number] : start[number + 1]]
        assert line == pytest.approx(places[[intake, intake, tailrace]])
        # The straight reach from one station to the next has no side, and counts as the right.
        assert notes[number] == 2 * (side_of_chord(places[way]) if len(way) > 2 else RIGHT)


# A bend of a twentieth of a cell, to the right and to the left as one looks down.
@pytest.mark.parametrize(("aside", "side"), [(0.05, LEFT), (-0.05, RIGHT)])
def test_a_straight_pipe_lies_inside_the_least_bend(aside, side):
    places = [(3.0, 3.0), (3.0 + aside, 6.0), (3.0, 9.0)]

    assert side_of_chord(places) == side
    assert routes(low_ground(), places, [1, 2, -1], [TOP_M, 95.0, 90.0], [(0, 2, 500.0)])[1].tolist() == [2 * side]


def test_room_for_the_lines_of_many_candidates_grows_no_faster_than_they_do():
    # Were it doubled for each of them, no machine would have it.
    count = 12
    places = [(2.0 + 0.8 * each, 3.0 + each % 2) for each in range(count)]
    wanted = [(one, other, 500.0) for one in range(count) for other in range(one + 1, count)]

    *_, drawn, start = routes(low_ground(), places, [*range(1, count), -1], TOP_M - np.arange(count), wanted)

    assert len(wanted) == 66
    assert len(drawn) == start[-1] == 3 * 66


# A stream that turns once and flows out: low ground is only a strip through its mouth, and to the intake.
# It crosses the direction in which the mouth is seen from the intake, or another.
MOUTH, TURN = (7.0, 7.0), {(3, 4): (3.0, 7.0), (-3, 4): (11.0, 7.0), (3, -4): (3.0, 7.0), (-3, -4): (11.0, 7.0)}


def strip(down, across):
    rows, columns = np.mgrid[:SIZE, :SIZE] - MOUTH[0]
    # How far a cell is from the line through the mouth in that direction.
    return np.abs(rows * across - columns * down) / math.hypot(down, across) < 1.0


@pytest.mark.parametrize("came", list(TURN))
@pytest.mark.parametrize("turned", [False, True])
def test_at_an_outlet_the_valley_is_measured_across_the_direction_from_the_intake(came, turned):
    down, across = came
    intake = (MOUTH[0] - down, MOUTH[1] - across)
    maps = low_ground()
    # Across the direction in which the mouth is reached, or mirrored.
    low = strip(across, down) if turned else strip(-across, down)
    maps[0][~low] = TOP_M + 50.0
    limits = LIMITS._replace(min_valley_cells=6.0)

    notes = routes(
        maps, [intake, TURN[came], MOUTH], [1, 2, -1], [TOP_M, 95.0, 90.0], [(0, 2, 500.0)], limits=limits
    )[1]

    assert (notes[0] & 1) == turned


# Where the stream flows on to the east, low ground must lie across that, from wherever it came.
@pytest.mark.parametrize("came", list(TURN))
@pytest.mark.parametrize("lies", [(1, 0), (0, 1)])
def test_above_an_outlet_the_valley_is_measured_across_the_stream_that_leaves(came, lies):
    maps = low_ground()
    maps[0][~strip(*lies)] = TOP_M + 50.0
    places = [(MOUTH[0] - came[0], MOUTH[1] - came[1]), MOUTH, (MOUTH[0], MOUTH[1] + 2.0)]
    limits = LIMITS._replace(min_valley_cells=6.0)

    notes = routes(maps, places, [1, 2, -1], [TOP_M, 95.0, 90.0], [(0, 1, 500.0)], limits=limits)[1]

    assert (notes[0] & 1) == (lies == (0, 1))


# The bed is 0.5 m below the water that flows on with the fall of the canal; the valley's sides rise 1 m a cell.
@pytest.mark.parametrize(("level_m", "is_unresolved"), [(61.1, False), (60.9, True)])
def test_the_level_at_a_tailrace_is_that_of_a_canal_as_long_as_the_stream(level_m, is_unresolved):
    maps = low_ground()
    maps[0][:] = GROUND_M + np.abs(np.arange(SIZE)[:, None] - 6.0)
    places = [(6.0, 1.0), (6.0, 3.0), (6.0, 5.0), (6.0, 9.0), (6.0, 11.0)]
    # 80 m of stream at 0.5 % are 0.4 m: left are 0.7 or 0.5 m of depth, 0.75 or 0.5 cells to each side.
    limits = LIMITS._replace(grade=0.005, min_valley_cells=1.5)

    notes = routes(
        maps, places, [1, 2, 3, 4, -1], [level_m, 60.0, 60.0, 60.0, 60.0], [(0, 3, 500.0)], limits=limits
    )[1]

    assert (notes[0] & 1) == is_unresolved


def test_without_any_candidate_there_is_no_route():
    found = _find_routes(
        *low_ground(),
        np.array([1.0]),
        np.array([1.0]),
        np.array([-1], dtype=np.int32),
        np.zeros(1, dtype=np.int32),
        np.zeros(1),
        np.array([TOP_M]),
        np.zeros(0, dtype=np.int64),
        np.zeros(1, dtype=np.int64),
        np.zeros(0, dtype=np.int64),
        np.array([*LIMITS, WIDTH_M, HEIGHT_M]),
        np.zeros((0, len(PRICE))),
        np.array(AHEAD, dtype=np.int64),
        np.array(MOVES, dtype=np.int64),
    )

    assert [len(each) for each in found] == [0, 0, 0, 0, 0, 1]
