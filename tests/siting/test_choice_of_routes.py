"""How the cheapest of all ways is chosen for each candidate: the searches themselves stand in by costs at random.

What each search is given, and what of its results is kept, is compared with the same said again in sets.
"""

import math
from typing import NamedTuple

import numpy as np
import pytest

from sitefinder.siting import conduits
from sitefinder.siting.conduits import (
    AHEAD,
    LATTICE_STEPS,
    LEFT,
    MOVES,
    NEAR_STEPS,
    NO_ROUTE,
    NODES,
    RIGHT,
    RUN,
    STRAIGHT,
    Limits,
)

WIDTH_M, HEIGHT_M, DETOUR, SHAPE = 10.0, 8.0, 1.503, (28, 32)
# Of which search a number of nodes is.
OF_LEFT, OF_RIGHT, OF_LATTICE = 5, 7, 9
WAYS = (OF_LEFT, OF_RIGHT, STRAIGHT, OF_LATTICE)


class Case(NamedTuple):
    """Streams and candidates, and what each way of each candidate costs and how it lies."""

    places: np.ndarray
    downstream: np.ndarray
    link: np.ndarray
    step_m: np.ndarray
    level_m: np.ndarray
    wanted: list
    pipe_per_m: np.ndarray
    cost: dict
    line: dict
    walled: set

    def way_down(self, station, last=-1):
        way = [station]
        while way[-1] != last and self.downstream[way[-1]] >= 0:
            way.append(int(self.downstream[way[-1]]))
        return way

    def way_m(self, intake, tailrace):
        return self.step_m[self.way_down(intake, tailrace)[:-1]].sum()


def case_of(seed):
    rng = np.random.default_rng(seed)
    count = int(rng.integers(4, 9))
    downstream = np.array(
        [min(each + int(rng.integers(1, 3)), count - 1) for each in range(count)], dtype=np.int32
    )
    downstream[-1] = -1
    # A link begins at each confluence, and sometimes between.
    link = np.arange(count, dtype=np.int32)
    for each in range(count - 2, -1, -1):
        below = downstream[each]
        if (downstream == below).sum() == 1 and rng.random() < 0.5:
            link[each] = link[below]
    # In places of their own, so that walls around one leave the others open.
    spots = rng.permutation(9)[:count]
    places = np.column_stack([4.0 + 10.0 * (spots // 3), 4.0 + 10.0 * (spots % 3)]) + rng.uniform(
        -1, 1, (count, 2)
    )
    # Ways of less than a step of 8 m, of up to 25, of exactly 25, of more, and of more than 250.
    step_m = HEIGHT_M * rng.choice([0.5, 5.0, 10.0, 25.0, 130.0], count)
    walled = {each for each in range(count) if rng.random() < 0.2}
    case = Case(places, downstream, link, step_m, 100.0 - np.arange(count), [], None, {}, {}, walled)
    for intake in range(count):
        below = case.way_down(intake)[1:]
        case.wanted.extend((intake, other) for other in below if rng.random() < 0.7)
    for intake, tailrace in case.wanted:
        for way in WAYS:
            case.cost[intake, tailrace, way] = float(rng.choice([1, 2, 3, 4, math.inf]))
            between = rng.uniform(0.0, 20.0, (int(rng.choice([0, 0, 1, 2, 9, 24])), 2))
            case.line[intake, tailrace, way] = [places[intake], *between, places[tailrace]]
    return case._replace(pipe_per_m=rng.uniform(100.0, 900.0, len(case.wanted)))


class Searches:
    """Stand-ins for the searches, which note what they are given."""

    def __init__(self, case):
        self.case, self.banks, self.lattices, self.joined, self.looked = case, [], [], [], []

    def found(self, way, to_row, best, parts, line, vertices):
        case = self.case
        tailrace = int(np.flatnonzero(case.places[:, 0] == to_row)[0])
        cost = case.cost[self.intake, tailrace, way]
        assert (line.shape, vertices.shape) == ((NODES + 2, 2), (1,))
        if not cost < best:
            return best
        drawn = case.line[self.intake, tailrace, way]
        parts[:] = np.arange(RUN) + 100.0 * way + tailrace
        line[: len(drawn)], vertices[0] = drawn, len(drawn)
        return cost

    def follow(self, maps, _limits, intake, last, is_left, *given):
        *_, limit_m, node, along = given
        assert (node.shape, along.shape) == ((NODES, 2), (NODES,))
        self.intake = intake
        self.banks.append((intake, last, is_left, limit_m, np.flatnonzero(maps[3]).tolist()))
        self.links = len(maps[3])
        return OF_LEFT if is_left else OF_RIGHT

    def past_nearest(self, _limits, _node, count, row, column):
        assert (row, column) == tuple(self.case.places[self.banks[-1][1]])
        return count

    def join(self, *given):
        price, top_m, count = given[2], given[4], given[5]
        assert top_m == self.case.level_m[self.intake]
        self.joined.append((self.intake, count, price[1]))

    def by_nodes(self, _maps, _limits, _price, per_m, _top_m, _node, count, *given):
        to_row, to_column, tail_m, best, _, _, parts, line, vertices = given[3:]
        self.is_of(to_row, to_column, tail_m, per_m)
        return self.found(count, to_row, best, parts, line, vertices)

    def straight(self, _maps, _limits, _price, per_m, top_m, row, column, *given):
        to_row, to_column, tail_m, best, _, _, parts, line, vertices = given
        assert (row, column) == tuple(self.case.places[self.intake])
        assert top_m == self.case.level_m[self.intake]
        self.is_of(to_row, to_column, tail_m, per_m)
        return self.found(STRAIGHT, to_row, best, parts, line, vertices)

    # The place, level and price of one and the same candidate.
    def is_of(self, to_row, to_column, tail_m, per_m):
        number = int(np.flatnonzero(self.case.pipe_per_m == per_m)[0])
        intake, tailrace = self.case.wanted[number]
        assert intake == self.intake
        assert (to_row, to_column) == tuple(self.case.places[tailrace])
        assert tail_m == self.case.level_m[tailrace]

    def search_lattice(self, _maps, _limits, _price, _moves, step, half, row, column, top_m, limit_m, *given):
        targets, count, mark, field, came_from, marked = given[:6]
        assert (row, column, top_m) == (*self.case.places[self.intake], self.case.level_m[self.intake])
        assert len(field) == len(came_from) == len(marked) == (2 * half + 1) ** 2
        assert (marked == 0).all()
        self.lattices.append((self.intake, step, half, limit_m, mark, targets[:count].tolist()))
        for each in range(count):
            intake, tailrace = self.case.wanted[int(targets[each, conduits.OWNER])]
            # It ends at any place; the first has the number 0.
            if self.case.cost[intake, tailrace, OF_LATTICE] < math.inf:
                targets[each, conduits.END] = tailrace - 1.0
        return 3

    def look_from_all(self, *given):
        self.looked.append((self.intake, given[9], given[12]))

    def nodes_of(self, _limits, step, half, row, column, end, *_given):
        assert (row, column) == tuple(self.case.places[self.intake])
        assert (step, half) == self.lattices[-1][1:3]
        self.joined.append(end)
        return OF_LATTICE

    def put_in(self, monkeypatch):
        for name in (
            "follow", "past_nearest", "join", "by_nodes", "straight", "search_lattice", "look_from_all", "nodes_of"
        ):  # fmt: skip
            monkeypatch.setattr(conduits, f"_{name}", getattr(self, name))


# The function itself, without the compiler, which would not see what stands in.
def routes(case, monkeypatch):
    searches = Searches(case)
    searches.put_in(monkeypatch)
    elevation_m = np.full(SHAPE, 50.0, dtype=np.float32)
    for each in case.walled:
        row, column = np.round(case.places[each]).astype(int)
        elevation_m[row - 2 : row + 3, column - 2 : column + 3] = 200.0
    # On the ground there are more links than stations have.
    link = np.full(SHAPE, -1, dtype=np.int32)
    link[0, 0] = len(case.places) + 3
    intakes, first = np.unique([each[0] for each in case.wanted], return_index=True)
    prices = np.ones((len(case.wanted), 10))
    prices[:, 1] = case.pipe_per_m
    found = getattr(conduits._find_routes, "__wrapped__", conduits._find_routes)(
        elevation_m,
        link,
        np.zeros(SHAPE, dtype=np.uint8),
        case.places[:, 0],
        case.places[:, 1],
        case.downstream,
        case.link,
        case.step_m,
        case.level_m,
        intakes,
        np.append(first, len(case.wanted)),
        np.array([each[1] for each in case.wanted]),
        np.array([*Limits(0.0, 5.0, 1.0, 6.0, 60.0, 1.0, DETOUR, 1.0), WIDTH_M, HEIGHT_M]),
        prices,
        np.array(AHEAD),
        np.array(MOVES),
    )
    return found, searches


# Each intake, with the numbers of its candidates and of those whose tailrace is not walled in.
def intakes_of(case):
    for intake in sorted({each[0] for each in case.wanted}):
        every = [number for number, each in enumerate(case.wanted) if each[0] == intake]
        yield intake, every, [number for number in every if case.wanted[number][1] not in case.walled]


# Candidates by whether their ends are near: those first that are.
def near_and_far(case, numbers):
    def is_near(number):
        return case.way_m(*case.wanted[number]) <= NEAR_STEPS * HEIGHT_M

    return [(side, [number for number in numbers if is_near(number) == side]) for side in (True, False)]


# Twice the area that a line goes around against the clock, closed over the straight line between its ends.
def area(line):
    east, north = np.array(line)[:, 1], -np.array(line)[:, 0]
    return (east * np.roll(north, -1) - np.roll(east, -1) * north).sum()


SEEDS = pytest.mark.parametrize("seed", range(20))


@SEEDS
def test_each_candidate_gets_the_cheapest_way_and_of_equals_the_first(seed, monkeypatch):
    case = case_of(seed)

    (route, notes, cost, parts, drawn, start), _ = routes(case, monkeypatch)

    assert len(drawn) == start[-1]
    for number, (intake, tailrace) in enumerate(case.wanted):
        # Of ways that cost the same, the left bank first, then the right, the straight line and the lattice.
        way = min(WAYS, key=lambda each, ends=(intake, tailrace): case.cost[*ends, each])
        least, line = case.cost[intake, tailrace, way], case.line[intake, tailrace, way]
        stream = area(case.places[case.way_down(intake, tailrace)])
        lattice = LEFT if stream > area(line) else RIGHT
        # The straight line from one station to the next has no side, and counts as the right.
        chord = LEFT if stream > 1e-9 else RIGHT
        bank = {OF_LEFT: LEFT, OF_RIGHT: RIGHT, STRAIGHT: chord, OF_LATTICE: lattice}[way]
        own = drawn[start[number] : start[number + 1]].tolist()
        if tailrace in case.walled or least == math.inf:
            assert (route[number], own) == (NO_ROUTE, [])
            assert math.isnan(cost[number])
            assert parts[number].tolist() == [0.0] * RUN
            assert notes[number] == (tailrace in case.walled)
            continue
        assert route[number] == (STRAIGHT if way == STRAIGHT else bank)
        assert notes[number] == 2 * bank
        assert cost[number] == least
        assert parts[number].tolist() == (np.arange(RUN) + 100.0 * way + tailrace).tolist()
        assert own == np.array(line).tolist()


@SEEDS
def test_each_bank_is_followed_once_to_the_furthest_tailrace_along_the_river_down_to_its_outlet(seed, monkeypatch):
    case = case_of(seed)

    searches = routes(case, monkeypatch)[1]

    expected = []
    for intake, every, resolved in intakes_of(case):
        last = case.wanted[every[-1]][1]
        river = sorted({int(case.link[each]) for each in case.way_down(intake)})
        if resolved:
            limit_m = pytest.approx(case.way_m(intake, last) * DETOUR)
            expected += [(intake, last, is_left, limit_m, river) for is_left in (True, False)]
    assert searches.banks == expected
    assert not expected or searches.links == len(case.places) + 4


@SEEDS
def test_near_ends_are_looked_for_on_half_cells_and_far_ones_on_a_lattice_of_250_steps(seed, monkeypatch):
    case = case_of(seed)

    (route, *_), searches = routes(case, monkeypatch)

    assert len(route) == len(case.wanted)
    # A way that is `DETOUR` times as long as the straight line goes no further from the intake than this.
    half = math.ceil(LATTICE_STEPS * (1.0 + DETOUR) / 2.0)
    expected, looked = [], []
    for intake, _, resolved in intakes_of(case):
        for is_near, group in near_and_far(case, resolved):
            if not group:
                continue
            furthest_m = max(case.way_m(*case.wanted[number]) for number in group)
            step = 0.5 if is_near else max(1.0, furthest_m / HEIGHT_M / LATTICE_STEPS)
            targets = []
            for number in group:
                tailrace = case.wanted[number][1]
                best = min(case.cost[intake, tailrace, way] for way in WAYS[:3])
                end = (*case.places[tailrace], case.level_m[tailrace], case.pipe_per_m[number])
                targets.append([*end, best, -1.0, math.inf, float(number)])
            # Each search has a number of its own, from 1 on.
            mark = len(expected) + 1
            expected.append((intake, step, half, pytest.approx(furthest_m * DETOUR), mark, targets))
            looked += [(intake, each, 3) for each in range(len(group))]
    assert [(*each[:5], each[5]) for each in searches.lattices] == expected
    assert searches.looked == looked


@SEEDS
def test_what_is_joined_is_priced_by_the_first_candidate_of_its_intake(seed, monkeypatch):
    case = case_of(seed)

    searches = routes(case, monkeypatch)[1]

    expected = []
    for intake, every, resolved in intakes_of(case):
        per_m = case.pipe_per_m[every[0]]
        if resolved:
            expected += [(intake, OF_LEFT, per_m), (intake, OF_RIGHT, per_m)]
        for number in [each for _, group in near_and_far(case, resolved) for each in group]:
            tailrace = case.wanted[number][1]
            # From where the search over the lattice ended.
            if case.cost[intake, tailrace, OF_LATTICE] < math.inf:
                expected += [tailrace - 1, (intake, OF_LATTICE, per_m)]
    assert searches.joined == expected
