"""Kernels of floods, flats and streams one by one, on tiny grids, against plain other ways to the same answer."""

import math
from itertools import pairwise

import numpy as np
import pytest
import shapely
from scipy import ndimage

from sitefinder.dem.derived_flow import (
    FAR,
    _downstream,
    _flat_borders,
    _largest_on_the_way,
    _pointers,
    _step_through_flats,
    _totals,
    _walked_down,
)
from sitefinder.dem.grid import bilinear
from sitefinder.dem.priority_flood import (
    _BLOCKED,
    COLUMN_STEP,
    NO_POINTER,
    NO_SEED,
    OFF_DEM,
    ROW_STEP,
    SINK,
    UNKNOWN,
    _from_low_to_high,
    _grown,
    _hollows,
    _lowest_around,
    flood,
    labels_down,
    steps_per_metre,
)
from sitefinder.dem.stream_cells import _walked
from sitefinder.dem.tiles import MISSING, _added

SEEDS = range(4)
STEPS = list(zip(ROW_STEP, COLUMN_STEP, strict=True))


# Ground of few heights, so that much of it is level, with some cells without data.
def terraces(seed, shape=(6, 7)):
    random = np.random.default_rng(seed)
    surface = random.integers(0, 3, shape).astype(np.float32)
    surface[random.random(shape) < 0.1] = np.nan
    return surface


# The neighbours of a cell on a grid of a shape: direction, row and column.
def around(row, column, shape):
    for direction, (down, right) in enumerate(STEPS):
        if 0 <= row + down < shape[0] and 0 <= column + right < shape[1]:
            yield direction, row + down, column + right


# Values of both signs and of every magnitude, many of them equal; all equal; all but alike; none; one.
@pytest.mark.parametrize(
    "values",
    [
        np.random.default_rng(1).choice([-1.0, 1.0], 60) * 10.0 ** np.random.default_rng(2).integers(-30, 30, 60),
        np.full(5, 2.5),
        np.array([1.0, 0.0, -1.0, 0.0, 1e-44, -1e-44]),
        np.nextafter(np.float32(700.0), np.float32(np.inf)) - np.array([0, 2, 1, 0, 3]) * 6.1e-5,
        np.array([]),
        np.array([-3.0]),
    ],
)
def test_cells_are_sorted_as_a_library_sorts_them_and_equal_ones_stay_in_order(values):
    surface = np.full(2 * len(values) + 1, np.nan, dtype=np.float32)
    surface[1::2] = values
    progress = np.where(np.isnan(surface), _BLOCKED, 0).astype(np.uint8)

    found = _from_low_to_high(surface, progress)

    assert found.tolist() == (1 + 2 * np.argsort(surface[1::2], kind="stable")).tolist()


def test_a_queue_grows_to_twice_its_room_or_to_what_can_be_needed():
    for most, room in ((9, 6), (5, 5)):
        found = _grown(np.array([3, 1, 2], dtype=np.int32), most)

        assert found[:3].tolist() == [3, 1, 2]
        assert len(found) == room


# The lowest cell is the stream that all drains to, and nothing is higher than the rim that a bowl spills over.
def test_a_funnel_drains_to_its_stream_and_a_bowl_fills_to_the_brim():
    away = np.maximum(*np.abs(np.indices((5, 5)) - 2))
    seed = np.where(away == 0, 7, NO_SEED).astype(np.int32)

    funnel = flood(away.astype(np.float32), away >= 0, seed, (False,) * 4, 10.0, 10.0)
    bowl = flood(away.astype(np.float32), away >= 0, np.full_like(seed, NO_SEED), (False,) * 4, 10.0, 10.0)

    assert funnel.surface.tolist() == away.tolist()
    assert (funnel.label == 7).all()
    assert (bowl.surface == 2.0).all()
    assert (bowl.label == OFF_DEM).all()


# More cells wait than there is room for at first.
def test_a_lake_of_more_cells_than_the_queue_begins_with_spills_at_its_lowest_rim():
    ground = np.zeros((40, 40), dtype=np.float32)
    ground[[0, -1]] = ground[:, [0, -1]] = 9.0
    ground[39, 20] = 4.0

    found = flood(ground, ground >= 0, np.full(ground.shape, NO_SEED, np.int32), (False,) * 4, 10.0, 10.0)

    assert (found.surface[1:-1, 1:-1] == 4.0).all()
    row, column = np.full(1600, 0), np.arange(1600)
    row, column = column // 40, column % 40
    for _ in range(40):
        pointer = found.pointer[row, column]
        goes_on = pointer != NO_POINTER
        row[goes_on] += np.array(ROW_STEP)[pointer[goes_on]]
        column[goes_on] += np.array(COLUMN_STEP)[pointer[goes_on]]
    # In a level lake a way with diagonals is as long as the greater of its two distances, 38 at most.
    inside = np.zeros((40, 40), dtype=bool)
    inside[1:-1, 1:-1] = True
    assert set(zip(row[inside.ravel()].tolist(), column[inside.ravel()].tolist(), strict=True)) == {(39, 20)}


# By what a flood is: water stands at the lowest of the highest places of all ways to an end, found by going over
# cells until nothing changes; then steps through flats, the steepest fall or a step nearer, and labels on the way.
@pytest.mark.parametrize("seed", range(8))
def test_a_flood_fills_points_and_labels_as_it_says(seed):
    random, ground = np.random.default_rng([seed, 1]), terraces(seed, (6, 7))
    # Heights that are not whole, at some places, and of both signs.
    ground += np.float32(0.25) * random.integers(0, 2, ground.shape).astype(np.float32) - np.float32(1.5)
    streams = np.where(random.random(ground.shape) < 0.08, random.integers(0, 9, ground.shape), NO_SEED)
    cells = [tuple(cell) for cell in np.argwhere(~np.isnan(ground)).tolist()]
    near = {cell: list(around(*cell, ground.shape)) for cell in cells}
    known = {cell: [at for at in near[cell] if not np.isnan(ground[at[1:]])] for cell in cells}
    ends = {cell: streams[cell] for cell in cells if streams[cell] != NO_SEED}
    ends |= {cell: OFF_DEM for cell in cells if len(known[cell]) < 8 and cell not in ends}
    level, steps = ground.copy(), {cell: 99 for cell in cells}
    for cell in set(cells) - set(ends):
        level[cell] = 99.0
    for _ in cells:
        for cell in set(cells) - set(ends):
            level[cell] = max(ground[cell], min(level[at] for _, *at in known[cell] for at in [tuple(at)]))
    for cell in cells:
        if cell in ends or any(level[r, c] < level[cell] for _, r, c in known[cell]):
            steps[cell] = 0
    for _ in cells:
        for cell in cells:
            flat = [steps[r, c] + 1 for _, r, c in known[cell] if level[r, c] == level[cell]]
            steps[cell] = min(steps[cell], min(flat, default=99))
    per_metre = steps_per_metre(3.0, 4.0)
    pointer = np.full(ground.shape, NO_POINTER)
    for cell in cells:
        falls = [
            ((level[cell] - level[r, c]) * per_metre[d], -d)
            for d, r, c in known[cell]
            if level[r, c] < level[cell]
        ]
        flat = [d for d, r, c in known[cell] if level[r, c] == level[cell] and steps[r, c] == steps[cell] - 1]
        if falls and ends.get(cell, OFF_DEM) == OFF_DEM:
            pointer[cell] = -max(falls)[1]
        elif cell not in ends:
            pointer[cell] = min(flat)

    found = flood(ground, ~np.isnan(ground), streams.astype(np.int32), (False,) * 4, 3.0, 4.0)

    assert np.array_equal(found.surface, level, equal_nan=True)
    assert found.pointer.tolist() == pointer.tolist()
    for cell in cells:
        row, column = cell
        while pointer[row, column] != NO_POINTER:
            direction = pointer[row, column]
            row, column = row + ROW_STEP[direction], column + COLUMN_STEP[direction]
        assert found.label[cell] == ends[row, column]
    assert (found.label[np.isnan(ground)] == OFF_DEM).all()


@pytest.mark.parametrize("seed", SEEDS)
def test_hollows_are_the_connected_filled_cells_that_a_library_labels(seed):
    random = np.random.default_rng(seed)
    ground = random.integers(0, 4, (7, 8)).astype(np.float32)
    surface = (ground + (random.random(ground.shape) < 0.25) * random.integers(1, 3, ground.shape)).astype(
        np.float32
    )
    surface[0, 0] = np.nan
    label = np.where(random.random(ground.shape) < 0.7, UNKNOWN, OFF_DEM).astype(np.int32)
    numbered, count = ndimage.label(surface > ground, np.ones((3, 3)))

    lowest, depth_m, is_known = _hollows(ground, surface, label)

    cells = [np.flatnonzero(numbered.ravel() == number) for number in range(1, count + 1)]
    # Of equally low cells the first by row.
    expected = [own[np.argmin(ground.ravel()[own])] for own in cells]
    assert lowest.tolist() == expected
    assert depth_m.tolist() == (surface - ground).ravel()[expected].tolist()
    assert is_known.tolist() == [bool((label.ravel()[own] != UNKNOWN).any()) for own in cells]
    assert count > 2


# One hollow with more cells waiting than there is room for at first.
def test_a_wide_hollow_is_one():
    ground = np.zeros((3, 700), dtype=np.float32)
    ground[:, ::2] = -1.0
    ground[2, 600] = -2.0

    found = _hollows(ground, np.ones_like(ground), np.full(ground.shape, UNKNOWN, dtype=np.int32))

    assert [each.tolist() for each in found] == [[2 * 700 + 600], [3.0], [False]]


@pytest.mark.parametrize("seed", SEEDS)
def test_the_lowest_ground_around_a_cell_is_that_of_its_window_of_nine(seed):
    ground, usable = (
        np.random.default_rng(seed).normal(size=(4, 5)).astype(np.float32),
        ~np.isnan(terraces(seed, (4, 5))),
    )
    usable[:2, :2] = False
    row, column = (each.ravel() for each in np.indices(ground.shape))

    found = _lowest_around(ground, usable, row, column)

    padded = np.pad(np.where(usable, ground, np.inf), 1, constant_values=np.inf)
    expected = [padded[r : r + 3, c : c + 3].min() for r, c in zip(row, column, strict=True)]
    assert found.tolist() == expected
    assert np.isinf(found[0])


@pytest.mark.parametrize("direction", range(8))
def test_a_path_that_leaves_the_grid_is_refused_on_every_side_and_one_along_its_border_is_not(direction):
    # From the middle of three by three in one direction, cell by cell, leaves the grid at the second step.
    pointer = np.full((3, 3), direction, dtype=np.uint8)
    none, here = np.full((3, 3), NO_SEED, dtype=np.int32), np.ones((3, 3), dtype=bool)

    with pytest.raises(ValueError, match="in a circle, or off"):
        labels_down(pointer, none, here, here)
    # Where all that leads out of the grid is an end, every cell comes to one, labelled by its own number.
    row, column = np.indices((3, 3))
    leaves = ~np.isin(row + ROW_STEP[direction], (0, 1, 2)) | ~np.isin(column + COLUMN_STEP[direction], (0, 1, 2))
    own = np.where(leaves, 3 * row + column, NO_SEED).astype(np.int32)
    expected = own.copy()
    for _ in range(2):
        for r, c in np.argwhere(expected == NO_SEED).tolist():
            expected[r, c] = expected[r + ROW_STEP[direction], c + COLUMN_STEP[direction]]
    assert labels_down(pointer, own, here, ~here).tolist() == expected.tolist()


def test_a_path_through_every_cell_of_a_grid_is_no_circle():
    # Down the first column, up the second and so on, to the last cell.
    pointer = np.array([[2, 0, 2], [2, 6, 2], [0, 6, NO_POINTER]], dtype=np.uint8)
    none, here = np.full((3, 3), NO_SEED, dtype=np.int32), np.ones((3, 3), dtype=bool)

    assert labels_down(pointer, none, here, ~here).tolist() == [[SINK] * 3] * 3
    assert labels_down(pointer, none, here, here).tolist() == [[OFF_DEM] * 3] * 3


# Steps by what they are: nothing where water falls or the DEM ends, and one more than the least around them at the
# same level, those outside the tile as given; found by going over all cells until nothing changes.
@pytest.mark.parametrize("seed", range(8))
def test_steps_through_flats_are_the_shortest_ways_to_where_they_spill(seed):
    random, surface = np.random.default_rng([seed, 1]), terraces(seed)
    rows, columns = surface.shape
    ends = random.random(surface.shape) < 0.05
    ring = np.ones(surface.shape, dtype=bool)
    ring[1:-1, 1:-1] = False
    steps = np.where(
        ring & (random.random(surface.shape) < 0.3), random.integers(0, 9, surface.shape), FAR
    ).astype(np.int32)
    expected = steps.astype(np.int64)
    cells = [(r, c) for r in range(1, rows - 1) for c in range(1, columns - 1) if not np.isnan(surface[r, c])]
    near = {cell: [(r, c) for _, r, c in around(*cell, surface.shape)] for cell in cells}
    for cell in cells:
        if ends[cell] or any(surface[at] < surface[cell] for at in near[cell]):
            expected[cell] = 0
    for _ in range(surface.size):
        for cell in cells:
            level = [expected[at] + 1 for at in near[cell] if surface[at] == surface[cell]]
            expected[cell] = min(expected[cell], min(level, default=FAR))

    place, first = _flat_borders(surface, ends, steps)
    order = np.argsort(first, kind="stable")
    inside = np.where(ring, np.float32(np.nan), surface)
    _step_through_flats(inside.ravel(), steps.ravel(), columns, place[order], first[order])

    assert steps.tolist() == expected.tolist()


@pytest.mark.parametrize("seed", SEEDS)
def test_a_pointer_is_the_steepest_fall_or_one_step_nearer_the_first_of_equal_ones(seed):
    random, surface = np.random.default_rng([seed, 1]), terraces(seed)
    steps = random.integers(0, 3, surface.shape).astype(np.int32)
    per_metre = steps_per_metre(3.0, 4.0)

    found = _pointers(surface, steps, per_metre)

    for row, column in np.ndindex(found.shape):
        near = list(around(row + 1, column + 1, surface.shape))
        level = surface[row + 1, column + 1]
        falls = [(per_metre[d] * (level - surface[r, c]), -d) for d, r, c in near if surface[r, c] < level]
        flat = [d for d, r, c in near if surface[r, c] == level and steps[r, c] == steps[row + 1, column + 1] - 1]
        expected = -max(falls)[1] if falls else min(flat, default=NO_POINTER)
        assert found[row, column] == expected


def test_the_cell_downstream_is_the_neighbour_pointed_to_within_the_tile():
    for direction in range(8):
        found = _downstream(np.full((3, 4), direction, dtype=np.uint8)).reshape(3, 4)

        for row, column in np.ndindex(3, 4):
            inside = {d: 4 * r + c for d, r, c in around(row, column, (3, 4))}
            assert found[row, column] == inside.get(direction, -1)
    assert _downstream(np.full((2, 2), NO_POINTER, dtype=np.uint8)).tolist() == [-1] * 4


# A forest in any order, each place above some other or an outlet.
def forest(seed, count=12):
    random = np.random.default_rng(seed)
    name = random.permutation(count)
    downstream = np.full(count, -1)
    for place in range(1, count):
        if random.random() < 0.85:
            downstream[name[place]] = name[random.integers(0, place)]
    return downstream


# Places from one down to its outlet.
def way(place, downstream):
    found = []
    while place >= 0:
        found.append(int(place))
        place = downstream[place]
    return found


@pytest.mark.parametrize("seed", SEEDS)
def test_totals_are_what_comes_by_on_the_way_down_from_each(seed):
    downstream, own = forest(seed), np.random.default_rng(seed).integers(1, 9, 12)
    before = own.tolist()
    expected = np.zeros(12, dtype=int)
    for place in range(12):
        expected[way(place, downstream)] += own[place]

    assert _totals(own, downstream).tolist() == expected.tolist()
    assert own.tolist() == before


@pytest.mark.parametrize("seed", SEEDS)
def test_links_are_walked_to_the_next_start_or_the_outlet(seed):
    downstream = forest(seed)
    is_start = np.random.default_rng(seed).random(12) < 0.4
    begins = np.flatnonzero(is_start)

    start, along = _walked_down(downstream, is_start, begins, 12 * 12)

    expected = []
    for place in begins:
        walked = way(place, downstream)
        end = next((at for at, one in enumerate(walked) if at and is_start[one]), len(walked) - 1)
        expected.append(walked[: end + 1])
    assert [along[a:b].tolist() for a, b in pairwise(start)] == expected
    assert (start[0], start[-1]) == (0, len(along))


@pytest.mark.parametrize("seed", SEEDS)
def test_the_largest_rank_on_the_way_from_the_first_node(seed):
    random = np.random.default_rng(seed)
    before = np.array([-1, *(int(random.integers(0, node)) for node in range(1, 9)), -1])
    rank_up = np.append(0, random.integers(1, 9, 9))

    found = _largest_on_the_way(np.arange(9), before, rank_up)

    # Node 9 is not reached.
    assert found.tolist() == [max(rank_up[way(node, before)]) for node in range(9)] + [0]


# Against a library inside the centres; beyond them and beside what is not known by weights of known cells alone.
@pytest.mark.parametrize("seed", SEEDS)
def test_between_centres_values_are_linear_in_both_directions(seed):
    random = np.random.default_rng(seed)
    values, known = random.normal(size=(4, 5)), random.random((4, 5)) < 0.8
    y, x = random.uniform(-0.3, 4.3, (3, 20)), random.uniform(-0.3, 5.3, (3, 20))
    # The outer corner is in the grid, and the far border is not; and no number is nowhere.
    y[0, :6], x[0, :6] = [0.0, 1.5, 0.0, 4.0, 2.0, np.nan], [0.0, 0.0, 2.5, 1.0, 5.0, 1.0]
    full = np.ones_like(known)

    places = [np.clip(y, 0.5, 3.5) - 0.5, np.clip(x, 0.5, 4.5) - 0.5]
    inside = (y >= 0) & (y < 4) & (x >= 0) & (x < 5)
    library = np.where(inside, ndimage.map_coordinates(values, np.nan_to_num(places), order=1), np.nan)
    assert bilinear(values, full, y, x) == pytest.approx(library, nan_ok=True)

    # Hats of all cells at once.
    hat = [np.maximum(1 - np.abs(at[..., None] - np.arange(n) - 0.5), 0) for at, n in ((y, 4), (x, 5))]
    weight = hat[0][..., :, None] * hat[1][..., None, :] * known
    mean = np.divide(
        (weight * values).sum((2, 3)), total := weight.sum((2, 3)), where=total > 0, out=np.full(y.shape, np.nan)
    )
    at = [np.clip(np.nan_to_num(each), 0, n - 1).astype(int) for each, n in ((y, 4), (x, 5))]
    expected = np.where(inside & known[at[0], at[1]], mean, np.nan)
    assert bilinear(values, known, y, x) == pytest.approx(expected, nan_ok=True)


# Lines in units of cells: in each cell lies what a library cuts out of it, and each cell is beside the next.
@pytest.mark.parametrize("seed", range(6))
def test_a_line_goes_from_cell_to_cell_with_the_length_that_lies_in_each(seed):
    random = np.random.default_rng(seed)
    lines = [random.uniform(0, 5, (count, 2)) for count in (1, 2, 4, 5)]
    # Along rows and columns, both ways and back; on borders of cells; through corners.
    lines += [
        np.array([(0.5, 1.5), (4.5, 1.5), (4.5, 3.5), (0.5, 3.5), (0.5, 0.5)]),
        np.array([(0.0, 0.0), (3.0, 3.0), (0.0, 3.0)]),
    ]
    start = np.cumsum([0, *map(len, lines)])
    x, y = np.concatenate(lines).T.copy()

    rows, columns, owners, runs_m = _walked(start, x, y, 20.0, 10.0)

    scale = np.array([20.0, 10.0])
    assert sorted(set(owners.tolist())) == list(range(len(lines)))
    for number, line in enumerate(lines):
        own = owners == number
        cells = list(zip(rows[own].tolist(), columns[own].tolist(), strict=True))
        of_vertices = [(math.floor(v), math.floor(u)) for u, v in line.tolist()]
        assert (cells[0], cells[-1]) == (of_vertices[0], of_vertices[-1])
        # The first cell, and for each piece of line its first cell once more and one for each border crossed.
        crossed = [abs(a[0] - b[0]) + abs(a[1] - b[1]) for a, b in pairwise(of_vertices)]
        assert len(cells) == 1 + len(crossed) + sum(crossed)
        apart = [abs(a[0] - b[0]) + abs(a[1] - b[1]) for a, b in pairwise(cells)]
        assert max(apart, default=0) <= 1
        assert runs_m[own][0] == 0.0
        if len(line) > 1:
            whole = shapely.LineString(line * scale)
            assert runs_m[own].sum() == pytest.approx(whole.length)
        if number < 4 and len(line) > 1:
            pieces = [shapely.LineString(line[at : at + 2] * scale) for at in range(len(line) - 1)]
            for cell in set(cells):
                box = shapely.box(20.0 * cell[1], 10.0 * cell[0], 20.0 * cell[1] + 20.0, 10.0 * cell[0] + 10.0)
                found = sum(run for one, run in zip(cells, runs_m[own].tolist(), strict=True) if one == cell)
                assert found == pytest.approx(sum(box.intersection(each).length for each in pieces), abs=1e-9)


def test_a_line_through_a_corner_goes_aside_first():
    rows, columns, owners, runs_m = _walked(np.array([0, 2]), np.array([0.5, 2.5]), np.array([2.5, 0.5]), 3.0, 4.0)

    cells = list(zip(rows.tolist(), columns.tolist(), strict=True))
    assert cells == [(2, 0), (2, 0), (2, 1), (1, 1), (1, 2), (0, 2)]
    assert owners.tolist() == [0] * 6
    assert runs_m.tolist() == pytest.approx([0.0, 2.5, 0.0, 5.0, 0.0, 2.5])


def test_values_are_added_by_position_but_for_those_that_are_missing_or_have_none():
    position = np.array([[0, 2, -1], [2, 0, 2]], dtype=np.int32)
    values = np.array([[5, 7, 11], [13, MISSING, 17]], dtype=np.int64)

    found = _added(position, values, 3)

    assert [each.tolist() for each in found] == [[5, 0, 37], [1, 0, 3]]
