"""Where each cell of a window drains: a flood outward from the mapped streams and the window's borders."""

import math
from typing import NamedTuple

import numpy as np
from numba import njit

# Labels that name no station: the path leaves the DEM; the path leaves the window; not a stream cell.
OFF_DEM = -1
UNKNOWN = -2
NO_SEED = -9

# Directions 0..7 are east, south-east, south, ... clockwise; the order also breaks ties, lowest first.
ROW_STEP = (0, 1, 1, 1, 0, -1, -1, -1)
COLUMN_STEP = (1, 1, 0, -1, -1, -1, 0, 1)
# The pointer of a cell that passes its water to no other: streams, ends of a path, cells without data.
NO_POINTER = 255

# Progress of a cell: not reached; reached, by its geodesic distance in its flat modulo three; without data.
_DRY, _AT_OUTLET, _BLOCKED = 0, 1, 9


class Flood(NamedTuple):
    """The filled surface [m], the direction each cell drains in, and the label at the end of its path."""

    surface: np.ndarray
    pointer: np.ndarray
    label: np.ndarray


def flood(elevation_m, valid, seed, open_edges, cell_width_m, cell_height_m):
    r"""Filled surface, flow pointers and drainage labels of a window of a DEM.

    Parameters
    ----------
    elevation_m : ndarray of float32, shape (rows, columns)
        Ground elevation [m].
    valid : ndarray of bool, shape (rows, columns)
        False where the DEM has no data. A cell that is not finite counts as without data too.
    seed : ndarray of int32, shape (rows, columns)
        Station number of stream cells, `NO_SEED` elsewhere.
    open_edges : OpenEdges or sequence of 4 bool
        North, south, west, east: True where the window's border is not the DEM's own.
    cell_width_m, cell_height_m : float
        Size of a cell [m].

    Returns
    -------
    Flood
        ``surface`` float32 [m], ``pointer`` uint8 (0..7 or `NO_POINTER`) and ``label`` int32, each of
        shape (rows, columns). A label is a station number, `OFF_DEM` (the path leaves the DEM, or the
        cell has no data) or `UNKNOWN` (the path leaves the window through an open border).

    Raises
    ------
    ValueError
        If the arrays differ in shape, or the window holds too many cells for 32-bit numbers.

    Notes
    -----
    The surface is that of a priority flood [1]_ whose outlets are the stream cells, all border cells and
    all cells beside missing data, each at its own elevation. A cell then points to its steepest strictly lower
    neighbour on this surface (D8, [2]_), and in a flat to a neighbour one step nearer to where the flat spills.
    Here both are found in the same pass: cells that rise to the level being flooded wait in a
    first-in-first-out queue behind the cells that spill at that level, so that the queue runs in order of
    geodesic distance, and everything a cell may point to is final when the cell comes up.

    The answer of a cell in a smaller window is that of the whole DEM, or `UNKNOWN`. For an open border
    can only lower the surface, and along a path that ends at a stream inside the window it does not: each
    cell of it stands as high as its own ground or the next cell makes it.

    Levels are only compared, never added to, so float32 is exact; slopes are float64. Beside the input
    it takes 10 bytes a cell, and at most 12 more in the worst case of a window that is one flat.

    References
    ----------
    .. [1] R. Barnes, C. Lehman and D. Mulla, "Priority-flood: an optimal depression-filling and
       watershed-labeling algorithm for digital elevation models," Computers & Geosciences, vol. 62,
       pp. 117-127, 2014, doi:10.1016/j.cageo.2013.04.024.
    .. [2] J. F. O'Callaghan and D. M. Mark, "The extraction of drainage networks from digital elevation
       data," Computer Vision, Graphics, and Image Processing, vol. 28, pp. 323-344, 1984.

    Examples
    --------
    A valley floor that falls to the east, with a stream cell of station 7 at its end:

    >>> ground = np.array([[9, 9, 9, 9], [9, 3, 2, 1], [9, 9, 9, 9]], dtype=np.float32)
    >>> seed = np.full(ground.shape, NO_SEED, dtype=np.int32)
    >>> seed[1, 3] = 7
    >>> flood(ground, ground > 0, seed, (False,) * 4, 10.0, 10.0).label.tolist()
    [[7, 7, 7, 7], [7, 7, 7, 7], [7, 7, 7, 7]]
    """
    shape = elevation_m.shape
    if valid.shape != shape or seed.shape != shape:
        raise ValueError(f"elevation {shape}, valid {valid.shape} and seed {seed.shape} differ in shape")
    # One ring of cells without data all round saves every test for the border in the loop below.
    padded = (shape[0] + 2, shape[1] + 2)
    if padded[0] * padded[1] >= 2**31:
        raise ValueError(f"a window of {shape[0]} × {shape[1]} cells is too large; the limit is 2³¹ cells")
    inside = (slice(1, -1), slice(1, -1))
    surface = np.zeros(padded, dtype=np.float32)
    # Adding zero turns −0 into 0, which the order of bit patterns would tell apart.
    surface[inside] = elevation_m + np.float32(0.0)
    progress = np.full(padded, _BLOCKED, dtype=np.uint8)
    progress[inside] = np.where(valid & np.isfinite(elevation_m), _DRY, _BLOCKED)
    label = np.full(padded, OFF_DEM, dtype=np.int32)
    label[inside] = seed
    pointer = np.full(padded, NO_POINTER, dtype=np.uint8)

    _mark_ends(label, progress, tuple(bool(edge) for edge in open_edges))
    offset = np.array(
        [row * padded[1] + column for row, column in zip(ROW_STEP, COLUMN_STEP, strict=True)], dtype=np.int64
    )
    per_metre = np.array(
        [
            1.0 / math.hypot(row * cell_height_m, column * cell_width_m)
            for row, column in zip(ROW_STEP, COLUMN_STEP, strict=True)
        ]
    )
    _spread(surface.ravel(), progress.ravel(), label.ravel(), pointer.ravel(), offset, per_metre)
    return Flood(surface[inside], pointer[inside], label[inside])


# Gives each cell that is an outlet of the flood, and is no stream, the label it has if nothing lies lower:
# UNKNOWN on an open border, OFF_DEM on the DEM's own border or beside missing data.
@njit(cache=True)
def _mark_ends(label, progress, open_edges):
    north, south, west, east = open_edges
    rows, columns = label.shape
    for row in range(1, rows - 1):
        for column in range(1, columns - 1):
            if progress[row, column] == _BLOCKED:
                label[row, column] = OFF_DEM
                continue
            if label[row, column] >= 0:
                continue
            if (
                (north and row == 1)
                or (south and row == rows - 2)
                or (west and column == 1)
                or (east and column == columns - 2)
            ):
                label[row, column] = UNKNOWN
                continue
            label[row, column] = NO_SEED
            for row_by in range(-1, 2):
                for column_by in range(-1, 2):
                    if progress[row + row_by, column + column_by] == _BLOCKED:
                        label[row, column] = OFF_DEM


# The flood itself, on flat padded arrays; all but the last two are written to.
@njit(cache=True)
def _spread(surface, progress, label, pointer, offset, per_metre):
    bits = surface.view(np.int32)
    heap = np.empty(1024, dtype=np.int64)
    held = 0
    for cell in range(surface.size):
        if progress[cell] == _DRY and label[cell] != NO_SEED:
            progress[cell] = _AT_OUTLET
            if held == heap.size:
                heap = _grown(heap)
            _push(heap, held, _key(bits[cell], cell))
            held += 1
    waiting = np.empty(1024, dtype=np.int32)
    first = 0
    behind = 0
    level = np.int64(0)
    while held > 0 or first < behind:
        # Cells that spill at this level come before those that wait behind them.
        if first < behind and (held == 0 or (heap[0] >> 32) != level):
            cell = np.int64(waiting[first])
            first += 1
        else:
            key = heap[0]
            held -= 1
            _drop_top(heap, held)
            level = key >> 32
            cell = key & 0xFFFFFFFF
            if first == behind:
                first = 0
                behind = 0
        height = surface[cell]
        own = label[cell]
        is_end = own >= 0 or own == UNKNOWN
        nearer = (progress[cell] + 1) % 3 + 1
        farther = progress[cell] % 3 + 1
        steepest = 0.0
        lower = -1
        along = -1
        for direction in range(8):
            near = cell + offset[direction]
            state = progress[near]
            if state == _BLOCKED:
                continue
            if state == _DRY:
                if surface[near] > height:
                    progress[near] = _AT_OUTLET
                    if held == heap.size:
                        heap = _grown(heap)
                    _push(heap, held, _key(bits[near], near))
                    held += 1
                else:
                    surface[near] = height
                    progress[near] = farther
                    if behind == waiting.size:
                        waiting = _grown(waiting)
                    waiting[behind] = near
                    behind += 1
            elif surface[near] < height:
                slope = (np.float64(height) - np.float64(surface[near])) * per_metre[direction]
                if slope > steepest:
                    steepest = slope
                    lower = direction
            elif along < 0 and surface[near] == height and state == nearer:
                along = direction
        if is_end:
            continue
        if lower >= 0:
            pointer[cell] = lower
            label[cell] = label[cell + offset[lower]]
        elif own == NO_SEED:
            pointer[cell] = along
            label[cell] = label[cell + offset[along]]


# Level and cell in one number that sorts by level: float32 bit patterns sort as integers, negative ones backwards.
@njit(cache=True, inline="always")
def _key(bits, cell):
    order = np.int64(bits)
    if order < 0:
        order ^= 0x7FFFFFFF
    return (order << 32) | np.int64(cell)


# A copy with twice the room.
@njit(cache=True)
def _grown(array):
    larger = np.empty(2 * array.size, dtype=array.dtype)
    larger[: array.size] = array
    return larger


# Puts a key into a heap of four children a parent that holds `held` keys.
@njit(cache=True)
def _push(heap, held, key):
    place = held
    while place > 0:
        parent = (place - 1) >> 2
        if heap[parent] <= key:
            break
        heap[place] = heap[parent]
        place = parent
    heap[place] = key


# Takes away the top of a heap; `held` is the number of keys that stay.
@njit(cache=True)
def _drop_top(heap, held):
    key = heap[held]
    place = 0
    child = 1
    while child < held:
        least = child
        for other in range(child + 1, min(child + 4, held)):
            if heap[other] < heap[least]:
                least = other
        if heap[least] >= key:
            break
        heap[place] = heap[least]
        place = least
        child = 4 * place + 1
    if held > 0:
        heap[place] = key
