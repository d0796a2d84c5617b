"""Floods of ground whose drainage is known beforehand: planes, valleys, a road across a stream."""

import math

import numpy as np
import pytest

from sitefinder.dem.priority_flood import COLUMN_STEP, NO_POINTER, NO_SEED, ROW_STEP, flood

CLOSED = (False, False, False, False)


# Length of the path [cells, diagonals as the square root of two] from a cell to the end of its path.
def path_length(pointer, row, column):
    length = 0.0
    while pointer[row, column] != NO_POINTER:
        direction = pointer[row, column]
        row, column = row + ROW_STEP[direction], column + COLUMN_STEP[direction]
        length += math.hypot(ROW_STEP[direction], COLUMN_STEP[direction])
    return length


# Number of cells that drain through each cell, itself included.
def drained_cells(surface, pointer):
    count = np.ones(pointer.shape, dtype=int)
    # From the highest down; no flats in the ground that this is used on.
    for row, column in np.column_stack(np.unravel_index(np.argsort(-surface, axis=None), surface.shape)).tolist():
        direction = pointer[row, column]
        if direction != NO_POINTER:
            count[row + ROW_STEP[direction], column + COLUMN_STEP[direction]] += count[row, column]
    return count


def test_an_embankment_across_a_stream_does_no_harm():
    # A valley along the middle row; the road on column 4 stands 6 m over the bed. Without it, every cell drains
    # to the stream straight across; with it, the crest drains to either side and nothing else changes.
    rows, columns = np.mgrid[:7, :9]
    valley = (2.0 * np.abs(rows - 3) + 10.0 - 0.5 * columns).astype(np.float32)
    dammed = valley.copy()
    dammed[:, 4] = np.maximum(dammed[:, 4], 14.0)
    seed = np.full(valley.shape, NO_SEED, dtype=np.int32)
    seed[3] = np.arange(9)

    without = flood(valley, valley > 0, seed, CLOSED, 10.0, 10.0)
    answer = flood(dammed, valley > 0, seed, CLOSED, 10.0, 10.0)

    elsewhere = np.abs(columns - 4) > 1
    assert np.array_equal(answer.label[elsewhere], without.label[elsewhere])
    # Water above the road does not pond: the stream itself is the way out, at its own level.
    assert np.array_equal(answer.surface[:, :4], valley[:, :4])
    assert np.all(answer.label >= 0)


@pytest.mark.parametrize("turns", range(4))
def test_a_tilted_plane_of_n_cells_drains_1_to_n_down_each_column(turns):
    """Check list for D8, O'Callaghan and Mark (1984), from memory: a plane of n rows drains 1..n cells."""
    n, width = 12, 5
    plane = np.repeat(np.arange(n, 0, -1, dtype=np.float32)[:, None], width, axis=1)
    turned = np.ascontiguousarray(np.rot90(plane, turns))

    answer = flood(turned, turned > 0, np.full(turned.shape, NO_SEED, dtype=np.int32), CLOSED, 10.0, 10.0)

    drained = np.rot90(drained_cells(answer.surface, answer.pointer), -turns)
    assert np.array_equal(drained, np.repeat(np.arange(1, n + 1)[:, None], width, axis=1))
    # The law of the same list: what is drained at the ends adds up to the number of cells.
    assert drained[-1].sum() == n * width


def test_a_v_shaped_valley_drains_the_whole_slope_of_each_station():
    # Valley along the middle row falling 1 in 100, sides 1 in 2, in cells of 10 m: steepest descent is straight
    # down the sides on D8, so that each station gets one column of the valley.
    rows, columns = np.mgrid[:21, :40]
    valley = (5.0 * np.abs(rows - 10) + 0.1 * (40 - columns)).astype(np.float32)
    seed = np.full(valley.shape, NO_SEED, dtype=np.int32)
    seed[10] = np.arange(40)

    answer = flood(valley, valley > -1, seed, CLOSED, 10.0, 10.0)

    assert np.array_equal(answer.label, columns)


def test_a_path_along_a_line_at_22_5_degrees_is_8_2_percent_too_long():
    """D8 paths overestimate an off-axis length by up to (1 + (sqrt 2 - 1)²) / sqrt(1 + (sqrt 2 - 1)²) = 1.0824.

    A derived figure, an identity of the eight directions; not a published one.
    """
    columns = np.arange(1001)
    rows = np.round(columns * math.tan(math.radians(22.5))).astype(int)
    trench = np.full((rows[-1] + 3, 1001), 5000.0, dtype=np.float32)
    trench[rows + 1, columns] = 1001.0 - columns
    seed = np.full(trench.shape, NO_SEED, dtype=np.int32)
    seed[rows[-1] + 1, 1000] = 0

    answer = flood(trench, trench > 0, seed, CLOSED, 10.0, 10.0)

    straight = math.hypot(1000, rows[-1])
    # The line ends within half a cell of where it should, which is 0.0002 of the ratio.
    assert path_length(answer.pointer, 1, 0) / straight == pytest.approx(1.0824, abs=0.0003)
