"""Catchments on random terrain with random stream trees: areas never fall downstream, siblings never overlap."""

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from sitefinder.dem.priority_flood import NO_SEED, OFF_DEM, flood
from sitefinder.network.catchments import sums_upstream
from sitefinder.network.ordering import upstream_neighbours

CLOSED = (False, False, False, False)
STEPS = np.array([(0, 1), (1, 0), (0, -1), (-1, 0)])


# A tree of stream cells: a main stem wanders from the top row to the bottom, tributaries wander until they meet
# what is there. Each cell is a station of its own; returns the seeds and the downstream station of each.
def random_streams(rng, rows, columns, tributaries):
    number = np.full((rows, columns), -1)
    below = []

    def add(path, end):
        for place, cell in enumerate(path):
            number[cell] = len(below)
            below.append(len(below) + 1 if place + 1 < len(path) else end)

    stem = [(0, int(rng.integers(columns)))]
    while stem[-1][0] < rows - 1:
        row, column = stem[-1]
        options = [(row + 1, column), (row, column - 1), (row, column + 1)]
        free = [cell for cell in options if 0 <= cell[1] < columns and cell not in stem]
        stem.append(free[int(rng.integers(len(free)))])
    add(stem, -1)
    for _ in range(tributaries):
        path = [(int(rng.integers(rows)), int(rng.integers(columns)))]
        while number[path[-1]] < 0:
            row, column = path[-1]
            step = STEPS[rng.integers(4)]
            cell = (int(np.clip(row + step[0], 0, rows - 1)), int(np.clip(column + step[1], 0, columns - 1)))
            # A wander that comes back on itself forgets the loop.
            path = path[: path.index(cell) + 1] if cell in path else [*path, cell]
        if len(path) > 1:
            add(path[:-1], int(number[path[-1]]))
    return _from_the_sources_down(number, np.array(below))


# Stations renumbered so that each comes before the one below it.
def _from_the_sources_down(number, below):
    to_outlet = np.zeros(len(below), dtype=int)
    for station in range(len(below)):
        here = station
        while below[here] >= 0:
            here = below[here]
            to_outlet[station] += 1
    order = np.argsort(-to_outlet, kind="stable")
    rank = np.empty(len(order), dtype=int)
    rank[order] = np.arange(len(order))
    downstream = np.where(below[order] >= 0, rank[below[order]], -1).astype(np.int32)
    seed = np.where(number >= 0, rank[number], NO_SEED).astype(np.int32)
    return seed, downstream


@settings(max_examples=60, derandomize=True, deadline=None)
@given(
    seed=st.integers(0, 2**32 - 1),
    rows=st.integers(6, 24),
    columns=st.integers(6, 24),
    tributaries=st.integers(1, 6),
    levels=st.integers(2, 40),
)
def test_areas_never_fall_downstream_and_siblings_never_overlap(seed, rows, columns, tributaries, levels):
    rng = np.random.default_rng(seed)
    elevation_m = rng.integers(0, levels, (rows, columns)).astype(np.float32)
    seeds, downstream = random_streams(rng, rows, columns, tributaries)

    label = flood(elevation_m, np.ones((rows, columns), dtype=bool), seeds, CLOSED, 10.0, 10.0).label

    assert ((label >= 0) | (label == OFF_DEM)).all()
    own = np.bincount(label[label >= 0], minlength=len(downstream)).astype(np.int64)
    area = sums_upstream(own, downstream)
    has_next = downstream >= 0
    assert (area[downstream[has_next]] > area[has_next]).all()
    assert area[~has_next].sum() + (label == OFF_DEM).sum() == rows * columns
    first, above = upstream_neighbours(downstream)
    for station in np.flatnonzero(np.diff(first) > 1):
        grounds = [
            _catchment(label, downstream, sibling) for sibling in above[first[station] : first[station + 1]]
        ]
        assert np.sum(grounds, axis=0).max() <= 1
        assert np.sum(grounds) + own[station] == area[station]


# Cells that drain to a station, by following each label down on its own.
def _catchment(label, downstream, station):
    reaches = np.zeros(len(downstream) + 1, dtype=bool)
    for start in range(len(downstream)):
        here = start
        while here >= 0 and here != station:
            here = downstream[here]
        reaches[start] = here == station
    return reaches[np.where(label >= 0, label, len(downstream))]
