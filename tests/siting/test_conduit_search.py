"""The parts of the search for conduits, against shortest paths of a library and closed forms on made ground."""

import math

import numpy as np
import pytest
from scipy.sparse import csr_array
from scipy.sparse.csgraph import dijkstra

from sitefinder.siting.conduits import (
    AHEAD,
    AROUND_HILL,
    AROUND_HOLLOW,
    BEST,
    COST,
    CUT_M2,
    DEEPEST,
    END,
    FIELD,
    HEADRACE,
    HELD,
    MOVES,
    NODES,
    OPEN,
    OPEN_ENDED,
    PENSTOCK,
    RUN,
    TARGET,
    WAY,
    WORTHWHILE_SEARCH,
    _by_nodes,
    _direction,
    _follow,
    _headrace_leg,
    _is_high,
    _join,
    _look_from_all,
    _march,
    _nearest_reached,
    _nodes_of,
    _past_nearest,
    _pop,
    _push,
    _search_lattice,
    _straight,
    _swept,
    _without_straight_on,
)

# Cells of unlike sides [m], so that no direction stands for the other.
WIDE, HIGH = 10.0, 5.0
# Grade, cut, fill, height and length of aqueducts, side slope, detour, cells of a valley, and the cell.
LIMITS = np.array([0.001, 5.0, 1.0, 6.0, 60.0, 1.0, 3.0, 2.0, WIDE, HIGH])
# Canal, pipe, cut by depth and its square, bench, aqueduct, tunnel, stream, road, building.
PRICE = np.array([300.0, 650.0, 50.0, 20.0, 70.0, 900.0, math.inf, 5000.0, 4000.0, math.inf])
FLAT = np.append(0.0, LIMITS[1:])
TOP_M = 100.0


def maps_of(ground):
    link = np.full(ground.shape, -1, dtype=np.int32)
    return ground.astype(np.float32), link, np.zeros(ground.shape, dtype=np.uint8), np.array([True])


# Hills and hollows that a canal may cut and fill, but would rather go around.
def rolling(rows=14, columns=14):
    at = np.mgrid[:rows, :columns]
    return TOP_M + 0.7 * np.sin(0.9 * at[0]) * np.cos(0.8 * at[1])


def leg_cost(maps, row, column, to_row, to_column, level_m=TOP_M):
    return _headrace_leg(maps, FLAT, PRICE, row, column, to_row, to_column, level_m, 0.0, -1.0, np.zeros(HELD))


def test_a_heap_gives_back_its_least_cost_first():
    costs = np.random.default_rng(4).permutation(np.repeat(np.arange(40.0), 2))
    heap_cost, heap_place, size = np.zeros(80), np.zeros(80, dtype=np.int32), 0
    for place, cost in enumerate(costs.tolist()):
        size = _push(heap_cost, heap_place, size, cost, place)

    taken = []
    while size > 0:
        taken.append((heap_cost[0], int(heap_place[0])))
        size = _pop(heap_cost, heap_place, size)

    assert [cost for cost, _ in taken] == sorted(costs.tolist())
    assert sorted(place for _, place in taken) == list(range(80))
    assert all(costs[place] == cost for cost, place in taken)


def test_the_direction_of_a_stream_is_that_to_the_next_station_elsewhere():
    downstream, at, beside = (
        np.array([1, 2, 3, -1]),
        np.array([1.0, 1.0, 4.0, 4.0]),
        np.array([2.0, 2.0, 6.0, 1.0]),
    )

    assert _direction(0, downstream, at, beside) == pytest.approx((0.6, 0.8))
    assert _direction(2, downstream, at, beside) == (0.0, -1.0)
    assert _direction(3, downstream, at, beside) == (0.0, 0.0)


# Nodes three cells to the east, then three to the north: the last but one is 5 m from the place.
NODE = np.array([[9.0, 0.0], [9.0, 1.0], [9.0, 2.0], [9.0, 3.0], [8.0, 3.0], [7.0, 3.0], [6.0, 3.0]])


SKEW = [[0.0, 0.0], [3.0, 0.0], [0.0, 2.0]]


def test_of_nodes_the_nearest_in_metres_counts_and_some_after_it():
    assert _nearest_reached(LIMITS, NODE, 7, np.zeros(7), 7.0, 4.1) == 5
    # Three rows are 15 m, two columns 20 m.
    assert _nearest_reached(LIMITS, np.array(SKEW), 3, np.zeros(3), 0.0, 0.0) == 1
    # The intake does not count, nor what no way leads to, nor what lies beyond the last.
    assert _nearest_reached(LIMITS, NODE, 7, np.zeros(7), 9.0, 0.0) == 1
    assert _nearest_reached(LIMITS, NODE, 7, np.array([0, 0, 0, 0, 0, np.inf, 0]), 7.0, 3.0) == 4
    assert _nearest_reached(LIMITS, NODE, 4, np.zeros(7), 6.0, 3.0) == 3
    assert _nearest_reached(LIMITS, NODE, 1, np.zeros(7), 6.0, 3.0) == 0
    along = np.stack([np.zeros(40), np.arange(40.0)], axis=1)
    assert _past_nearest(LIMITS, along, 40, 0.0, 10.2) == 10 + 12
    assert _past_nearest(LIMITS, along, 40, 3.0, 35.0) == 40
    skew = np.array([*SKEW, *[[50.0, 50.0]] * 20])
    assert [_past_nearest(LIMITS, skew, 23, *place) for place in ((0.0, 2.0), (0.0, 0.0), (3.0, 1.0))] == [
        14,
        12,
        13,
    ]


# Shortest paths over the legs that the search may take, with their own prices.
def test_nodes_are_joined_by_the_cheapest_of_all_ways():
    maps, count = maps_of(rolling()), 30
    turn = np.linspace(0.0, 2.2 * np.pi, count)
    node = np.stack([6.5 + (5.0 - 0.4 * turn) * np.sin(turn), 6.5 + (5.0 - 0.4 * turn) * np.cos(turn)], axis=1)
    step_m = np.hypot(*(np.diff(node, axis=0) * (HIGH, WIDE)).T)
    along = np.append(0.0, np.cumsum(step_m))
    limits = FLAT
    graph = np.zeros((count, count))
    for number in range(count):
        for ahead in AHEAD:
            other = number + ahead
            if other < count:
                chord_m = np.hypot(*((node[other] - node[number]) * (HIGH, WIDE)))
                if ahead <= 5 or chord_m <= 0.97 * (along[other] - along[number]):
                    graph[number, other] = leg_cost(maps, *node[number], *node[other])
    expected, before_expected = dijkstra(
        csr_array(np.where(np.isfinite(graph), graph, 0.0)), indices=0, return_predecessors=True
    )

    cost, made, before = np.zeros(count), np.zeros((count, HELD)), np.zeros(count, dtype=np.int64)
    _join(maps, limits, PRICE, np.array(AHEAD), TOP_M, count, node, along, cost, made, before, np.zeros(HELD))

    assert cost == pytest.approx(expected)
    assert before[1:].tolist() == before_expected[1:].tolist()
    assert before[0] == -1
    assert len(set(np.diff(sorted(set(before.tolist()))).tolist())) > 1, "ways without long legs test little"
    # What a way is made of adds up along it.
    assert cost == pytest.approx(made[:, :RUN] @ np.array([0, 0, 0, 50.0, 20.0, 70.0, 900.0, 0, 5e3, 0, 0, 300.0]))
    for number in range(1, count):
        last_m = np.hypot(*((node[number] - node[before[number]]) * (HIGH, WIDE)))
        assert made[number, HEADRACE] == pytest.approx(made[before[number], HEADRACE] + last_m)
        assert made[number, DEEPEST] >= made[before[number], DEEPEST]


def test_a_joined_way_falls_by_its_whole_length():
    # Ground as high as the water at the intake: the canal sinks into it by the grade.
    limits = LIMITS.copy()
    limits[0] = 0.01
    node = np.stack([np.full(9, 5.0), np.arange(1.0, 10.0)], axis=1)
    cost, made, before = np.zeros(9), np.zeros((9, HELD)), np.zeros(9, dtype=np.int64)

    _join(
        maps_of(np.full((12, 12), TOP_M)),
        limits,
        PRICE,
        np.array(AHEAD),
        TOP_M,
        9,
        node,
        np.arange(9) * WIDE,
        cost,
        made,
        before,
        np.zeros(HELD),
    )

    # A wedge of 80 m with 0.8 m at its end; its deepest look is in the middle of the last cell.
    assert made[8, HEADRACE] == pytest.approx(80.0)
    assert made[8, CUT_M2] == pytest.approx(0.01 * 80.0**2 / 2)
    assert made[8, DEEPEST] == pytest.approx(0.75, abs=1e-4)


# Every place of the lattice, and the moves between them as the search may take them.
def lattice_costs(maps, half, middle, step):
    wide = 2 * half + 1
    graph = np.zeros((wide * wide, wide * wide))
    for place in range(wide * wide):
        row, column = middle + step * (place // wide - half), middle + step * (place % wide - half)
        for down, across in MOVES:
            to_row, to_column = place // wide + down, place % wide + across
            if 0 <= to_row < wide and 0 <= to_column < wide:
                other = to_row * wide + to_column
                graph[place, other] = leg_cost(maps, row, column, row + step * down, column + step * across)
    return dijkstra(csr_array(np.where(np.isfinite(graph), graph, 0.0)), indices=half * wide + half)


@pytest.mark.parametrize("step", [0.5, 1.0])
def test_the_lattice_is_searched_for_the_cheapest_ways_to_all_its_places(step):
    maps, half, middle = maps_of(rolling()), 4, 6.5
    limits, wide = FLAT, 9
    expected = lattice_costs(maps, half, middle, step)
    targets = np.zeros((1, TARGET))
    # An end far away, at a price that no way reaches: all places are hopeful.
    targets[0] = (60.0, 60.0, 95.0, 650.0, 1e9, -1.0, np.inf, 0.0)
    field, came_from = np.zeros((wide * wide, FIELD)), np.zeros(wide * wide, dtype=np.int32)
    marked, reached = np.zeros(wide * wide, dtype=np.int32), np.zeros(500, dtype=np.int32)
    moves = np.array(MOVES)

    count = _search_lattice(
        maps,
        limits,
        PRICE,
        moves,
        step,
        half,
        middle,
        middle,
        TOP_M,
        1e6,
        targets,
        1,
        7,
        field,
        came_from,
        marked,
        reached,
        np.zeros(5000),
        np.zeros(5000, dtype=np.int32),
        np.zeros(HELD),
    )

    assert count == wide * wide
    assert sorted(reached[:count].tolist()) == list(range(wide * wide))
    assert field[:, COST] == pytest.approx(expected, rel=1e-5)
    assert (np.diff(field[reached[:count], COST]) >= 0).all()
    # Nodes of a way are joined up again, with their distance along it.
    node, along = np.zeros((NODES, 2)), np.zeros(NODES)
    for place in (0, 12, 80, 40):
        found = _nodes_of(limits, step, half, middle, middle, place, came_from, node, along)
        assert node[0].tolist() == [middle, middle]
        assert node[found - 1].tolist() == [
            middle + step * (place // 9 - half),
            middle + step * (place % 9 - half),
        ]
        assert along[found - 1] == pytest.approx(field[place, WAY])
        assert (np.diff(along[:found]) > 0).all()
    assert _nodes_of(limits, step, half, middle, middle, 80, came_from, np.zeros((1, 2)), along) == 0


# On level ground a canal is as cheap in any direction; the powerhouse lies 8 columns to the east and 5 m lower.
def searched(best, *, level_m=95.0, limit_m=1e6, pipe_per_m=650.0, columns=8.0):
    maps, half, wide = maps_of(np.full((30, 30), TOP_M)), 10, 21
    targets = np.zeros((1, TARGET))
    targets[0] = (14.0, 14.0 + columns, level_m, pipe_per_m, best, -1.0, np.inf, 0.0)
    field, came_from = np.zeros((wide * wide, FIELD)), np.zeros(wide * wide, dtype=np.int32)
    marked, reached = np.zeros(wide * wide, dtype=np.int32), np.zeros(500, dtype=np.int32)
    limits = FLAT
    count = _search_lattice(
        maps,
        limits,
        PRICE,
        np.array(MOVES),
        1.0,
        half,
        14.0,
        14.0,
        TOP_M,
        limit_m,
        targets,
        1,
        1,
        field,
        came_from,
        marked,
        reached,
        np.zeros(5000),
        np.zeros(5000, dtype=np.int32),
        np.zeros(HELD),
    )
    _look_from_all(
        maps, limits, PRICE, 1.0, half, 14.0, 14.0, TOP_M, targets, 0, field, reached, count, np.zeros(HELD)
    )
    return targets[0], reached[:count], field, wide


def test_a_powerhouse_is_reached_by_a_canal_as_far_as_that_is_cheaper_than_the_pipe():
    target, _, field, wide = searched(1e5)

    # A canal at 300 a metre and a pipe at 650 that falls 5 m: the pipe leaves where its slope is 300 / 650 steep,
    # which a place of the lattice, every 10 m, meets from the last: 10 m before the end, or at it straight down.
    ways = [300.0 * along_m + 650.0 * math.hypot(80.0 - along_m, 5.0) for along_m in range(0, 81, 10)]
    assert target[BEST] <= min(ways) / WORTHWHILE_SEARCH
    assert target[BEST] == pytest.approx(min(ways))
    assert (target[END] // wide, target[END] % wide) == (10, 18)
    assert field[int(target[END]), WAY] == pytest.approx(80.0)


@pytest.mark.parametrize(
    ("given", "is_found"),
    [
        ({"best": 1e5}, True),
        # No way is shorter than 80 m of canal; what cannot save 7 % is not looked for.
        ({"best": 24_000.0 / 0.93 * 0.99}, False),
        # The water cannot flow up to a powerhouse that lies higher than it, or as high.
        ({"best": 1e5, "level_m": 100.0}, False),
        ({"best": 1e5, "level_m": 101.0}, False),
        ({"best": 1e5, "level_m": 99.9}, True),
    ],
)
def test_the_lattice_finds_nothing_where_nothing_can_be_cheaper_or_flow(given, is_found):
    target = searched(**given)[0]

    assert (target[END] >= 0) == is_found
    assert (target[BEST] < given["best"]) == is_found


def test_places_further_than_the_longest_way_are_not_followed():
    _, reached, field, _ = searched(1e9, limit_m=30.0)

    # From places 30 m away or more no move is made; one move is 22.4 m long at most.
    assert field[reached, WAY].max() <= 30.0 + math.hypot(20.0, 5.0)
    assert field[reached, WAY].max() > 30.0
    assert len(reached) < 21 * 21


def nodes_on_level_ground(count, limits=LIMITS):
    maps = maps_of(np.full((12, 40), TOP_M))
    node = np.stack([np.full(count, 3.0), np.arange(1.0, count + 1.0)], axis=1)
    cost, made, before = np.zeros(count), np.zeros((count, HELD)), np.zeros(count, dtype=np.int64)
    along = np.arange(count) * WIDE
    _join(maps, limits, PRICE, np.array(AHEAD), TOP_M, count, node, along, cost, made, before, np.zeros(HELD))
    return maps, node, cost, made, before


# Total, parts and line of a way from what leads to where its search begins to the powerhouse.
def led_to(search, maps, limits, begun, to_row, to_column, *, tail_m=95.0, best=math.inf, pipe_per_m=650.0):
    parts, line, vertices = np.zeros(RUN), np.zeros((NODES + 2, 2)), np.zeros(1, dtype=np.int64)
    end, filled = (to_row, to_column, tail_m, best), (np.zeros(HELD), np.zeros(HELD), parts, line, vertices)
    total = search(maps, limits, PRICE, pipe_per_m, TOP_M, *begun, *end, *filled)
    return total, parts, line[: vertices[0]]


def falling(fall):
    limits = LIMITS.copy()
    limits[0] = fall
    return limits


def by_nodes(count, to_row, to_column, *, fall=0.0, **ends):
    limits = falling(fall)
    maps, node, *reached = nodes_on_level_ground(count, limits)
    return led_to(_by_nodes, maps, limits, (node, count, *reached), to_row, to_column, **ends)


def test_from_the_best_node_the_canal_is_led_on_as_far_as_the_ground_holds_it():
    # The powerhouse lies 100 m east of the last node, on level ground: canal nearly all the way.
    total, parts, line = by_nodes(11, 3.0, 21.0)

    assert parts[HEADRACE] == parts[OPEN] == pytest.approx(195.0)
    assert parts[PENSTOCK] == pytest.approx(math.hypot(5.0, 5.0))
    assert total == pytest.approx(300.0 * 195.0 + 650.0 * math.hypot(5.0, 5.0))
    # From the intake, by nodes, to where the pipe begins, and to the powerhouse.
    assert (line[0].tolist(), line[-1].tolist()) == ([3.0, 1.0], [3.0, 21.0])
    assert line[-2].tolist() == pytest.approx([3.0, 20.5])
    assert (np.diff(line[:, 1]) > 0).all()


@pytest.mark.parametrize(("tail_m", "is_found"), [(99.9, True), (100.0, False), (105.0, False)])
def test_by_nodes_a_powerhouse_must_lie_below_the_water(tail_m, is_found):
    total, _, line = by_nodes(6, 8.0, 5.0, tail_m=tail_m)

    assert (total < math.inf) == is_found
    assert (len(line) > 0) == is_found


def test_a_way_by_nodes_that_is_no_cheaper_is_left():
    total, parts, _ = by_nodes(11, 3.0, 21.0)

    again, none, line = by_nodes(11, 3.0, 21.0, best=total)
    assert again == total
    assert (none == 0.0).all()
    assert len(line) == 0
    # A canal is led on only where a pipe from a node costs less than the best known (test_ends_of_headraces).
    assert by_nodes(11, 3.0, 21.0, best=2.0 * total)[0] == total
    assert parts[DEEPEST] == 0.0


def test_the_headrace_of_a_way_by_nodes_takes_its_fall_from_the_penstock():
    _, parts, _ = by_nodes(11, 3.0, 21.0, fall=0.01)

    # 195 m of canal fall 1.95 m; the pipe, 5 m long in plan, falls the rest of 5 m.
    assert parts[PENSTOCK] == pytest.approx(math.hypot(5.0, 5.0 - 1.95))
    # A wedge, and the trench in which the pipe begins.
    assert parts[CUT_M2] == pytest.approx(0.01 * 195.0**2 / 2 + 1.95 * 5.0, rel=1e-4)
    assert parts[DEEPEST] == pytest.approx(1.95, abs=0.06)


def straight(ground, to_column=11.0, *, to_row=3.0, fall=0.0, **ends):
    return led_to(_straight, maps_of(ground), falling(fall), (3.0, 1.0), to_row, to_column, **ends)


def test_the_straight_line_is_a_canal_as_long_as_the_ground_is_high_and_then_a_pipe():
    # Level for 40 m, as far as the fifth column, then 3 m lower; it is looked at in the middle of each 10 m.
    ground = np.full((12, 14), TOP_M)
    ground[:, 6:] -= 3.0

    total, parts, line = straight(ground)

    assert parts[HEADRACE] == pytest.approx(35.0)
    assert parts[PENSTOCK] == pytest.approx(math.hypot(65.0, 5.0))
    assert total == pytest.approx(300.0 * 35.0 + 650.0 * math.hypot(65.0, 5.0))
    assert line.tolist() == [[3.0, 1.0], [3.0, pytest.approx(4.5)], [3.0, 11.0]]
    # Where a pipe costs less than the canal it goes all along.
    cheap, parts, line = straight(ground, pipe_per_m=100.0)
    assert parts[HEADRACE] == 0.0
    assert cheap == pytest.approx(100.0 * math.hypot(100.0, 5.0))
    assert line.tolist() == [[3.0, 1.0], [3.0, 1.0], [3.0, 11.0]]


def test_a_straight_line_needs_fall_and_must_be_the_cheapest():
    level = np.full((12, 14), TOP_M)
    total, _, _ = straight(level)

    assert total == pytest.approx(300.0 * 95.0 + 650.0 * math.hypot(5.0, 5.0))
    assert straight(level, best=total)[0] == total
    assert len(straight(level, best=total)[2]) == 0
    assert straight(level, best=total + 0.01)[0] == pytest.approx(total, rel=0, abs=0.005)
    assert straight(level, tail_m=100.0)[0] == math.inf
    # The canal takes 0.95 m of the metre; all along the pipe would take it whole.
    assert straight(level, tail_m=99.0, fall=0.01)[1][PENSTOCK] == pytest.approx(math.hypot(5.0, 0.05), rel=1e-4)
    # 30 m to the south and 40 m to the east are 50 m.
    parts = straight(level, 5.0, to_row=9.0)[1]
    assert parts[HEADRACE] + parts[PENSTOCK] == pytest.approx(50.0 * 11 / 12 + math.hypot(50.0 / 12, 5.0))


def test_vertices_at_which_a_headrace_goes_straight_on_are_dropped_and_those_of_the_penstock_kept():
    line = np.array([[0.0, 0.0], [0.0, 1.0], [0.0, 2.5], [1.0, 3.5], [3.0, 5.5], [3.0, 9.0], [3.0, 12.0]])

    kept = _without_straight_on(line, 7)

    # The last piece is the penstock, whatever its direction.
    assert line[:kept].tolist() == [[0.0, 0.0], [0.0, 2.5], [3.0, 5.5], [3.0, 9.0], [3.0, 12.0]]
    for count in range(3):
        assert _without_straight_on(np.zeros((4, 2)), count) == count


def test_the_area_that_a_line_sweeps_is_that_of_the_polygon_and_positive_to_the_left():
    # Eastwards with a triangle 6 wide and 2 high to the north, where rows are smaller; counted twice.
    north = np.array([[5.0, 1.0], [3.0, 4.0], [5.0, 7.0]])
    south = np.array([[5.0, 1.0], [8.0, 1.0], [8.0, 5.0], [5.0, 5.0]])

    assert abs(_swept(north, 3)) == 6.0 * 2.0
    assert abs(_swept(south, 4)) == 2.0 * 4.0 * 3.0
    assert np.sign(_swept(north, 3)) == -np.sign(_swept(south, 4))
    # The way back along a line of greater area leaves it on the other side.
    assert _swept(north[::-1].copy(), 3) == -_swept(north, 3)


def test_a_cell_is_high_from_the_level_on_and_never_in_the_river_itself():
    ground, link, obstacle, _ = maps_of(np.array([[99.0, 100.0, 101.0, 101.0]]))
    link[0, 2:] = (0, 1)

    high = [_is_high((ground, link, obstacle, np.array([True, False])), 0, each, 100.0) for each in range(4)]

    assert high == [False, True, False, True]


# A round hill and a round hollow with sides of 1 m a cell of 10 m, 5 cells across at the level of the canal.
@pytest.mark.parametrize(("is_hill", "ends"), [(True, AROUND_HILL), (False, AROUND_HOLLOW)])
@pytest.mark.parametrize("is_left", [True, False])
def test_a_march_around_a_hill_or_in_a_hollow_comes_back_to_its_start(is_hill, ends, is_left):
    rows, columns = np.mgrid[:15, :15]
    away = np.hypot(rows - 7.0, columns - 7.0)
    ground = TOP_M + (4.3 - away if is_hill else away - 4.3)
    # From the low cell to the high one, outwards along row 7.
    low, high = ((7, 12), (7, 11)) if is_hill else ((7, 11), (7, 12))
    limits = LIMITS.copy()
    limits[[0, 8, 9]] = 0.0, 10.0, 10.0
    node, along = np.zeros((NODES, 2)), np.zeros(NODES)

    count, closed = _march(maps_of(ground), limits, *low, *high, is_left, TOP_M, 0.0, 1e6, 10.0, node, along)

    assert closed == ends
    # The contour is a circle, which bilinear ground, looked at on the edges of cells, meets to a tenth of a cell.
    radius = np.hypot(*(node[1:count] - 7.0).T)
    assert radius == pytest.approx(4.3, abs=0.15)
    # Nodes stand a cell apart or a little more, and the line through them is nearly as long as the circle.
    step_m = np.diff(along[1:count])
    assert (step_m >= 10.0).all()
    assert (step_m <= 20.0).all()
    assert along[count - 1] - along[1] == pytest.approx(2 * math.pi * 43.0, rel=0.12)
    # With the high ground to the left, a hill is gone around against the clock, a hollow with it.
    (row, column), (next_row, next_column) = (node[1 : count - 1] - 7.0).T, (node[2:count] - 7.0).T
    turned = (row * next_column - column * next_row).sum()
    assert (turned > 0) == (is_hill == is_left)


@pytest.mark.parametrize("is_left", [True, False])
def test_a_march_along_a_hillside_goes_down_with_the_grade_to_the_edge_of_the_ground(is_left):
    rows = np.arange(12)[:, None] + np.zeros(30)
    # A hillside of 0.2 m a metre to the left or right of a way to the east; the canal falls by 0.02 m a metre.
    ground = TOP_M + 0.2 * (6.3 - rows) * 10.0 if is_left else TOP_M + 0.2 * (rows - 4.7) * 10.0
    limits = LIMITS.copy()
    limits[[0, 8, 9]] = 0.02, 10.0, 10.0
    node, along = np.zeros((NODES, 2)), np.zeros(NODES)
    low, high = ((7, 2), (6, 2)) if is_left else ((4, 2), (5, 2))

    count, closed = _march(maps_of(ground), limits, *low, *high, is_left, TOP_M, 0.0, 1e6, 10.0, node, along)

    assert closed == OPEN_ENDED
    # It goes on to the east, on either bank, and the water at each node is as low as the way to the last is long.
    assert node[count - 1, 1] > 27.0
    level_m = TOP_M - 0.02 * 10.0 * np.maximum(node[1:count, 1] - 3.0, 0.0)
    rows_expected = 6.3 - (level_m - TOP_M) / 2.0 if is_left else 4.7 + (level_m - TOP_M) / 2.0
    assert node[1:count, 0] == pytest.approx(rows_expected, abs=0.07)
    # No longer than it is asked.
    short, _ = _march(maps_of(ground), limits, *low, *high, is_left, TOP_M, 0.0, 100.0, 10.0, node, along)
    assert 90.0 <= 10.0 * (node[short - 1, 1] - 2.0) <= 110.0


# A valley of even sides whose stream runs straight in a direction (rows and columns for each cell's length), 1 %
# steep; stations a cell apart. On a side the canal's contour leaves the stream by an even angle.
@pytest.mark.parametrize(("down", "across"), [(0.0, 1.0), (0.6, 0.8), (-0.8, 0.6), (1.0, 0.0)])
@pytest.mark.parametrize("is_left", [True, False])
def test_from_an_intake_the_contour_is_followed_on_the_bank_that_is_asked(down, across, is_left):
    rows, columns = np.mgrid[:60, :60]
    begins = np.array([30.0, 30.0]) - 18.0 * np.array([down, across])
    along_m = 10.0 * ((rows - begins[0]) * down + (columns - begins[1]) * across)
    # Positive to the left of the stream: north of one that runs east.
    left_m = 10.0 * ((columns - begins[1]) * down - (rows - begins[0]) * across)
    ground = TOP_M - 0.5 - 0.01 * along_m + 0.15 * np.abs(left_m)
    limits = LIMITS.copy()
    limits[[0, 8, 9]] = 0.002, 10.0, 10.0
    count = 37
    at, beside = (begins[each] + np.arange(count) * step for each, step in enumerate((down, across)))
    downstream = np.append(np.arange(1, count), -1)
    node, along = np.zeros((NODES, 2)), np.zeros(NODES)

    found = _follow(
        maps_of(ground),
        limits,
        0,
        count - 1,
        is_left,
        downstream,
        np.full(count, 10.0),
        at,
        beside,
        TOP_M,
        300.0,
        node,
        along,
    )

    assert found > 20
    assert node[0].tolist() == begins.tolist()
    place = node[1:found] - begins
    aside = 10.0 * (place[:, 1] * down - place[:, 0] * across) * (1.0 if is_left else -1.0)
    gone_m = 10.0 * (place[:, 0] * down + place[:, 1] * across)
    # The ground there is as high as water that has come so far: 0.5 m up the side at first, then 0.8 % more.
    # Right at the stream the kink of the valley's floor is rounded by the cells.
    expected = (0.5 + 0.008 * gone_m) / 0.15
    assert aside[1:] == pytest.approx(expected[1:], abs=1.0)
    assert aside[0] == pytest.approx(expected[0], abs=2.0)
    assert gone_m[-1] == pytest.approx(300.0, abs=25.0)
    assert (np.diff(gone_m) > -5.0).all()


def test_where_the_ground_holds_no_contour_the_way_has_its_intake_alone():
    flat = maps_of(np.full((20, 20), TOP_M - 3.0))
    limits = LIMITS.copy()
    limits[[8, 9]] = 10.0, 10.0
    downstream, step_m = np.array([1, 2, -1]), np.full(3, 10.0)
    for column in (8.0, -3.0, 25.0):
        count = _follow(
            flat,
            limits,
            0,
            2,
            True,
            downstream,
            step_m,
            np.full(3, 9.0),
            column + np.arange(3.0),
            TOP_M,
            90.0,
            np.zeros((NODES, 2)),
            np.zeros(NODES),
        )
        assert count == 1
