"""Flow over a DEM without mapped streams, tile by tile: levels, directions, cells drained, and stream links.

No process holds the DEM. Of each tile the others need its rim alone: its outermost cells. The steps, each on every
tile with something small in between:

1. `survey_tile` floods a tile from its rim; `rim_levels` finds from what it learns how high water stands in each
   cell of a rim before it leaves the DEM.
2. `filled_tile` raises that to the filled surface of a tile, and `flat_steps` is how far each cell of a flat lies
   from where the flat spills. A flat that goes on in another tile is looked at again, `must_be_redone`, until
   nothing changes.
3. `drained_tile` gives directions, and where the water of each cell of the rim leaves the tile; `inflows_of` adds
   up what enters each tile.
4. `stream_cells_of` are the cells that drain enough; `stream_links` are their links.

Surface and directions are those of `sitefinder.dem.priority_flood.flood` on the whole DEM, to the last tie, so
that no size of a tile changes a line.
"""

from typing import NamedTuple

import numpy as np

from sitefinder.compiled import kernel
from sitefinder.dem.grid import Window, open_edges, part_of, widened
from sitefinder.dem.priority_flood import (
    COLUMN_STEP,
    NO_POINTER,
    NO_SEED,
    ROW_STEP,
    edge_cells,
    flood,
    labels_down,
    steps_per_metre,
)

# Steps of a cell of a flat from which no way to a spill is known yet.
FAR = np.iinfo(np.int32).max
# The place of what lies beyond the DEM, among the cells of a rim.
OUTSIDE = -1


class Tile(NamedTuple):
    """Ground of a tile: elevation [m] float32, NaN without data, and cells beyond which the DEM ends."""

    ground_m: np.ndarray
    is_edge: np.ndarray
    window: Window


class Rim(NamedTuple):
    """The outermost cells of a tile that have data, by number in the grid (int64, ascending).

    ``ground_m`` float32 and ``is_edge`` follow them. ``one``, ``other`` (int32) are places among the cells, or
    `OUTSIDE`, between which water can pass inside the tile, and ``pass_m`` (float32) the lowest level at which.
    """

    cell: np.ndarray
    ground_m: np.ndarray
    is_edge: np.ndarray
    one: np.ndarray
    other: np.ndarray
    pass_m: np.ndarray


class Areas(NamedTuple):
    """A tile as it is flooded from its rim alone.

    ``surface`` [m] float32 is how high the water of each cell stands if each cell of the rim lets it out at its
    own ground, NaN without data; ``end`` (int32) the place of the cell that it comes to among those of the rim, or
    `OUTSIDE`.
    """

    surface: np.ndarray
    end: np.ndarray


class Levels(NamedTuple):
    """Cells of all rims by number in the grid, ascending, their tile, and the level [m] of the water in each."""

    cell: np.ndarray
    tile: np.ndarray
    level_m: np.ndarray


class Drained(NamedTuple):
    """What passes the rim of a tile.

    ``leaves`` and ``to`` are cells, by number in the grid, from which and to which water leaves the tile, and
    ``cells`` how many of the tile drain there. ``rim`` are the cells of the rim and ``leaves_at`` the place in
    ``leaves`` that the water of each comes to, negative where it leaves the DEM before.
    """

    leaves: np.ndarray
    to: np.ndarray
    cells: np.ndarray
    rim: np.ndarray
    leaves_at: np.ndarray


class StreamCells(NamedTuple):
    """Cells that drain enough, by number in the grid, their directions, and the most cells that any one drains."""

    cell: np.ndarray
    pointer: np.ndarray
    most_cells: int


def tile_of(ground_m, window, grid) -> Tile:
    """A tile from its ground with one cell around it.

    Parameters
    ----------
    ground_m : ndarray of float32
        Ground elevation [m] of the tile and the cells around it, as far as the grid goes; NaN without data.
    window : Window
        The tile.
    grid : Grid

    Returns
    -------
    Tile
    """
    around = widened(window, 1, grid)
    is_edge = edge_cells(np.isfinite(ground_m), open_edges(around, grid))
    part = part_of(window, around)
    return Tile(np.array(ground_m[part], dtype=np.float32), is_edge[part].copy(), window)


def survey_tile(tile, grid) -> tuple[Rim, Areas]:
    """What other tiles need to know of the passes of one, and what its filled surface is made of.

    Parameters
    ----------
    tile : Tile
    grid : Grid

    Returns
    -------
    rim : Rim
    areas : Areas

    Notes
    -----
    The tile is flooded from its rim and from the edge of the DEM. Where the areas of two cells of the rim touch
    there is a pass, and the lowest of them is kept: the spillover graph of [1]_.

    References
    ----------
    .. [1] R. Barnes, "Parallel priority-flood depression filling for trillion cell digital elevation models on
       desktops or clusters," Computers & Geosciences, vol. 96, pp. 56-68, 2016, doi:10.1016/j.cageo.2016.07.001.
    """
    row, column = _rim_places(tile.ground_m)
    ground_m, is_edge = tile.ground_m[row, column], tile.is_edge[row, column]
    outside = len(row)
    ends = np.full(tile.ground_m.shape, NO_SEED, dtype=np.int32)
    ends[row, column] = np.arange(outside)
    ends[tile.is_edge] = outside
    flooded = _flooded(tile.ground_m, ends, grid)
    one, other, pass_m = _passes(flooded.label, flooded.surface)
    one[one == outside], other[other == outside] = OUTSIDE, OUTSIDE
    rim = Rim(_numbers(row, column, tile.window, grid), ground_m, is_edge, one, other, pass_m)
    end = np.where((flooded.label < 0) | (flooded.label == outside), np.int32(OUTSIDE), flooded.label)
    return rim, Areas(flooded.surface, end)


def rim_levels(rims, grid) -> Levels:
    """How high the water stands in each cell of the rims before it leaves the DEM.

    Parameters
    ----------
    rims : list of Rim
        Of all tiles of the grid.
    grid : Grid

    Returns
    -------
    Levels
        ``tile`` counts in the order of `rims`.

    Notes
    -----
    The level of a cell is the least maximum along any way off the DEM. Such ways run in a minimum spanning tree.
    """
    count = np.array([len(rim.cell) for rim in rims])
    cell = np.concatenate([rim.cell for rim in rims])
    tile = np.repeat(np.arange(len(rims)), count)
    ground_m = np.concatenate([rim.ground_m for rim in rims])
    is_edge = np.concatenate([rim.is_edge for rim in rims])
    # In the graph node 0 is what lies beyond the DEM, and cells at its edge are a part of it.
    node = np.where(is_edge, 0, np.arange(1, len(cell) + 1))
    before = np.concatenate([[0], np.cumsum(count)[:-1]])
    ones, others, passes = [], [], []
    for first, rim in zip(before.tolist(), rims, strict=True):
        # The last one is at place -1 as well: what lies outside.
        of_cells = np.append(node[first : first + len(rim.cell)], 0)
        ones.append(of_cells[rim.one])
        others.append(of_cells[rim.other])
        passes.append(rim.pass_m)
    order = np.argsort(cell)
    one, other = _across(cell[order], tile[order], grid)
    ones.append(node[order[one]])
    others.append(node[order[other]])
    passes.append(np.maximum(ground_m[order[one]], ground_m[order[other]]))
    level_m = _least_maximum(np.concatenate(ones), np.concatenate(others), np.concatenate(passes), len(cell) + 1)[
        node
    ]
    level_m[is_edge] = ground_m[is_edge]
    return Levels(cell[order], tile[order], level_m[order])


def filled_tile(areas, levels, window, grid):
    """The filled surface [m] of a tile and of the cells around it.

    Parameters
    ----------
    areas : Areas
        Of the tile.
    levels : Levels
        Those of the cells in and around the tile suffice.
    window : Window
        The tile.
    grid : Grid

    Returns
    -------
    ndarray of float32, shape (rows + 2, columns + 2)
        NaN without data and beyond the DEM.

    Notes
    -----
    Water of an area leaves by its cell of the rim, at the level there or at that of the way to it, whichever is
    higher. No other way is lower: it would cross areas, and the level of the cell knows the passes between them.
    """
    row, column = _rim_places(areas.surface)
    level_m = values_at(levels.cell, levels.level_m, _numbers(row, column, window, grid), np.nan)
    # The last one is at place -1 as well: beyond the DEM nothing holds water back.
    of_end = np.append(level_m, np.float32(-np.inf))
    surface = np.full((window.rows + 2, window.columns + 2), np.nan, dtype=np.float32)
    np.maximum(areas.surface, of_end[areas.end], out=surface[1:-1, 1:-1])
    ring = _ring(surface.shape)
    surface[ring] = values_at(levels.cell, levels.level_m, _numbers_around(ring, window, grid), np.nan)
    return surface


def flat_steps(surface, cell, steps, window, grid):
    """Steps of each cell of a flat from where the flat spills; 0 outside of flats.

    Parameters
    ----------
    surface : ndarray of float32, shape (rows + 2, columns + 2)
        As `filled_tile` gives it.
    cell, steps : ndarray of int64 and int32, shape (n,)
        Cells of rims, ascending, and what is known of their steps: `FAR` where nothing.
    window : Window
        The tile.
    grid : Grid

    Returns
    -------
    ndarray of int32, shape (rows + 2, columns + 2)
        `FAR` where no way to a spill is known, and without data.
    """
    found = np.full(surface.shape, FAR, dtype=np.int32)
    ring = _ring(surface.shape)
    found[ring] = values_at(cell, steps, _numbers_around(ring, window, grid), FAR)
    place, first = _flat_borders(surface, _edges_of(surface), found)
    order = np.argsort(first, kind="stable")
    # What lies around the tile gives its steps and gets none.
    inside = surface.copy()
    inside[ring] = np.nan
    _step_through_flats(inside.ravel(), found.ravel(), surface.shape[1], place[order], first[order])
    return found


def flats_across(levels, grid):
    """Places among the cells of rims of neighbours in two tiles whose water stands at one level.

    Parameters
    ----------
    levels : Levels
    grid : Grid

    Returns
    -------
    one, other : ndarray of int64, shape (n,)
        Each pair both ways.
    """
    one, other = _across(levels.cell, levels.tile, grid)
    is_flat = levels.level_m[one] == levels.level_m[other]
    one, other = one[is_flat], other[is_flat]
    return np.concatenate([one, other]), np.concatenate([other, one])


def must_be_redone(pairs, tile, steps):
    """Tiles whose flats are nearer to a spill by way of another tile than is known.

    Parameters
    ----------
    pairs : (ndarray, ndarray) of int64
        See `flats_across`.
    tile, steps : ndarray of int64 and int32, shape of the cells of rims
        See `Levels` and `flat_steps`.

    Returns
    -------
    list of int
        Ascending.
    """
    one, other = pairs
    known = steps[one] != FAR
    one, other = one[known], other[known]
    return np.unique(tile[other[steps[one] + 1 < steps[other]]]).tolist()


def drained_tile(surface, steps, window, grid):
    """Directions in a tile, and which of its water leaves it where.

    Parameters
    ----------
    surface, steps : ndarray of float32 and int32, shape (rows + 2, columns + 2)
        As `filled_tile` and `flat_steps` give them.
    window : Window
    grid : Grid

    Returns
    -------
    pointer : ndarray of uint8, shape (rows, columns)
        Directions 0..7, or `NO_POINTER`.
    drained : Drained

    Notes
    -----
    D8: the steepest of the strictly lower neighbours, and in a flat the first that is a step nearer to its spill.
    """
    valid = np.isfinite(surface[1:-1, 1:-1])
    pointer = _pointers(surface, steps, steps_per_metre(grid.cell_width_m, grid.cell_height_m))
    # Only cells of the rim can pass water to other tiles.
    rim_row, rim_column = _outermost(valid)
    rim = _numbers(rim_row, rim_column, window, grid)
    leaves, to = _leaving(pointer[rim_row, rim_column], rim_row, rim_column, window, grid)
    ends = np.full(pointer.shape, NO_SEED, dtype=np.int32)
    ends[rim_row[leaves], rim_column[leaves]] = np.arange(len(leaves))
    leaves_at = labels_down(pointer, ends, valid, _edges_of(surface)[1:-1, 1:-1])[rim_row, rim_column]
    cells = _cells_above(pointer, valid.astype(np.int64))[rim_row, rim_column]
    return pointer, Drained(rim[leaves], to, cells[leaves], rim, leaves_at)


def inflows_of(tiles):
    """What enters tiles from others.

    Parameters
    ----------
    tiles : list of Drained
        All of the grid.

    Returns
    -------
    cell : ndarray of int64, shape (n,)
        By number in the grid, ascending.
    cells : ndarray of int64, shape (n,)
        How many cells of other tiles drain into it from outside its tile.
    """
    count = np.array([len(tile.leaves) for tile in tiles])
    before = np.concatenate([[0], np.cumsum(count)[:-1]])
    to = np.concatenate([tile.to for tile in tiles])
    rim = np.concatenate([tile.rim for tile in tiles])
    at = [
        np.where(tile.leaves_at >= 0, tile.leaves_at + first, -1)
        for first, tile in zip(before, tiles, strict=True)
    ]
    order = np.argsort(rim)
    downstream = np.concatenate(at)[order][np.searchsorted(rim[order], to)]
    total = _totals(np.concatenate([tile.cells for tile in tiles]), downstream)
    cell, place = np.unique(to, return_inverse=True)
    cells = np.zeros(len(cell), dtype=np.int64)
    np.add.at(cells, place, total)
    return cell, cells


def stream_cells_of(pointer, valid, cell, cells, window, grid, threshold_cells) -> StreamCells:
    """Cells of a tile that drain at least this number of cells.

    Parameters
    ----------
    pointer : ndarray of uint8, shape (rows, columns)
    valid : ndarray of bool, same shape
        False without data.
    cell, cells : ndarray of int64, shape (n,)
        As `inflows_of` gives them; those of the tile suffice.
    window : Window
    grid : Grid
    threshold_cells : float

    Returns
    -------
    StreamCells
    """
    own = valid.astype(np.int64)
    row, column = _outermost(valid)
    own[row, column] += values_at(cell, cells, _numbers(row, column, window, grid), 0)
    total = _cells_above(pointer, own)
    row, column = np.nonzero(valid & (total >= threshold_cells))
    return StreamCells(_numbers(row, column, window, grid), pointer[row, column], int(total.max()))


def stream_links(cell, pointer, grid):
    """Cells along each stream from where it begins, or others meet, to where others meet or it leaves the DEM.

    Parameters
    ----------
    cell : ndarray of int64, shape (n,)
        By number in the grid, in any order.
    pointer : ndarray of uint8, shape (n,)
        Their directions.
    grid : Grid

    Returns
    -------
    start : ndarray of int64, shape (links + 1,)
        Cells of link i are those from ``start[i]`` up to ``start[i + 1]``; the last one is the first of the next
        link downstream.
    along : ndarray of int64
        Cells by number in the grid. Links are in the order of their first cells.
    """
    order = np.argsort(cell)
    cell, pointer = cell[order], pointer[order]
    own = np.flatnonzero(pointer != NO_POINTER)
    direction = pointer[own]
    step = np.array(ROW_STEP)[direction] * grid.columns + np.array(COLUMN_STEP)[direction]
    downstream = np.full(len(cell), -1)
    # What lies below a stream cell drains at least as much.
    downstream[own] = np.searchsorted(cell, cell[own] + step)
    above = np.bincount(downstream[downstream >= 0], minlength=len(cell))
    begins = np.flatnonzero((above != 1) & (downstream >= 0))
    start, along = _walked_down(downstream, above != 1, begins, len(cell) + len(begins))
    return start, cell[along]


def values_at(cell, value, wanted, default):
    """Values of some cells from those of a list of cells, ascending; `default` for cells that are not listed.

    Examples
    --------
    >>> values_at(np.array([3, 7]), np.array([0.5, 1.5]), np.array([7, 4]), 0.0).tolist()
    [1.5, 0.0]
    """
    if not len(cell):
        return np.full(len(wanted), default, dtype=value.dtype)
    place = np.minimum(np.searchsorted(cell, wanted), len(cell) - 1)
    return np.where(cell[place] == wanted, value[place], np.array(default, dtype=value.dtype))


def _flooded(ground_m, ends, grid):
    # Where a tile borders on another one only its rim counts, and every cell of that is an end.
    return flood(ground_m, np.isfinite(ground_m), ends, (True,) * 4, grid.cell_width_m, grid.cell_height_m)


# Rows and columns of the outermost cells that have data, by row.
def _outermost(valid):
    is_rim = np.zeros(valid.shape, dtype=bool)
    is_rim[[0, -1]] = True
    is_rim[:, [0, -1]] = True
    return np.nonzero(is_rim & valid)


def _rim_places(level_m):
    return _outermost(np.isfinite(level_m))


def _numbers(row, column, window, grid):
    return (row + window.row).astype(np.int64) * grid.columns + column + window.column


# Which of some cells of a tile pass their water to another tile, and to which cells, by number in the grid.
def _leaving(pointer, row, column, window, grid):
    place = np.flatnonzero(pointer != NO_POINTER)
    direction = pointer[place]
    row, column = row[place] + np.array(ROW_STEP)[direction], column[place] + np.array(COLUMN_STEP)[direction]
    leaves = (row < 0) | (row >= window.rows) | (column < 0) | (column >= window.columns)
    return place[leaves], _numbers(row, column, window, grid)[leaves]


# Cells beyond which the DEM ends, of a tile and what lies around it: nothing does, where the DEM has ended.
def _edges_of(surface):
    return edge_cells(np.isfinite(surface), (True,) * 4)


# The cells around a tile, in an array that has one more on each side.
def _ring(shape):
    is_ring = np.ones(shape, dtype=bool)
    is_ring[1:-1, 1:-1] = False
    return np.nonzero(is_ring)


# Their numbers in the grid; beyond it, none that a cell has.
def _numbers_around(ring, window, grid):
    row, column = ring[0] - 1 + window.row, ring[1] - 1 + window.column
    is_inside = (column >= 0) & (column < grid.columns)
    return np.where(is_inside, row.astype(np.int64) * grid.columns + column, -1)


# Half of the directions, so that each pair of neighbours is met once.
_FORWARD = ((0, 1), (1, -1), (1, 0), (1, 1))


# The lowest pass between each two areas of a tile that touch: labels, and level [m].
def _passes(label, surface):
    rows, columns = label.shape
    ones, others, level_m = [], [], []
    for down, right in _FORWARD:
        west, east = max(-right, 0), columns - max(right, 0)
        here = np.s_[: rows - down, west:east]
        there = np.s_[down:, west + right : east + right]
        row, column = np.nonzero((label[here] != label[there]) & (label[here] >= 0) & (label[there] >= 0))
        ones.append(label[here][row, column])
        others.append(label[there][row, column])
        level_m.append(np.maximum(surface[here][row, column], surface[there][row, column]))
    return _lowest(np.concatenate(ones), np.concatenate(others), np.concatenate(level_m))


# Each pair once, with the lowest of its levels.
def _lowest(one, other, level):
    low, high = np.minimum(one, other), np.maximum(one, other)
    order = np.lexsort((level, high, low))
    low, high, level = low[order], high[order], level[order]
    is_other = (np.diff(low) != 0) | (np.diff(high) != 0)
    is_lowest = np.append(True, is_other) if len(low) else is_other
    return low[is_lowest], high[is_lowest], level[is_lowest]


# Places of neighbouring cells that lie in two tiles.
def _across(cell, tile, grid):
    column = cell % grid.columns
    ones, others = [], []
    for down, right in _FORWARD:
        # A number beyond the last row is none of a cell.
        one = np.flatnonzero((column + right >= 0) & (column + right < grid.columns))
        other = values_at(cell, np.arange(len(cell)), cell[one] + down * grid.columns + right, -1)
        is_pair = other >= 0
        one, other = one[is_pair], other[is_pair]
        is_pair = tile[one] != tile[other]
        ones.append(one[is_pair])
        others.append(other[is_pair])
    return np.concatenate(ones), np.concatenate(others)


# The least maximum of passes on any way from each node to node 0; infinite where there is none.
def _least_maximum(one, other, pass_m, n_nodes):
    # The library takes a weight of 0 for no edge, and heights may be below 0: so passes by rank, from 1 on. It
    # adds up the weights of equal edges.
    heights, rank = np.unique(pass_m, return_inverse=True)
    low, high, rank = _lowest(one, other, rank + 1)
    is_edge = low != high
    # Large, and only a network that is derived needs it.
    from scipy.sparse import coo_array  # noqa: PLC0415
    from scipy.sparse.csgraph import breadth_first_order, minimum_spanning_tree  # noqa: PLC0415

    graph = coo_array((rank[is_edge], (low[is_edge], high[is_edge])), shape=(n_nodes, n_nodes))
    tree = minimum_spanning_tree(graph.tocsr())
    reached, before = breadth_first_order(tree, 0, directed=False)
    edges = tree.tocoo()
    rank_up = np.zeros(n_nodes, dtype=np.int64)
    is_down = before[edges.col] == edges.row
    child = np.where(is_down, edges.col, edges.row)
    rank_up[child] = edges.data.astype(np.int64)
    maximum = _largest_on_the_way(reached.astype(np.int64), before.astype(np.int64), rank_up)
    # Node 0 and what is not reached have rank 0, at place -1.
    return np.append(heights, np.float32(np.inf))[maximum - 1]


# The largest rank between each node and the first one; nodes come after those before them. 0 where not reached.
@kernel
def _largest_on_the_way(reached, before, rank_up):
    largest = np.zeros(before.size, dtype=np.int64)
    for place in range(1, reached.size):
        node = reached[place]
        largest[node] = max(largest[before[node]], rank_up[node])
    return largest


# Writes 0 into `steps` where water falls or the DEM ends, and gives the cells of flats (flat numbering) beside a
# cell at the same level whose steps are known, with one step more.
@kernel(fills=("steps",))
def _flat_borders(surface, ends, steps):
    rows, columns = surface.shape
    for row in range(1, rows - 1):
        for column in range(1, columns - 1):
            level = surface[row, column]
            falls = ends[row, column]
            for direction in range(8):
                falls |= surface[row + ROW_STEP[direction], column + COLUMN_STEP[direction]] < level
            if falls and not np.isnan(level):
                steps[row, column] = 0
    place = [np.int64(0) for _ in range(0)]
    first = [np.int32(0) for _ in range(0)]
    for row in range(1, rows - 1):
        for column in range(1, columns - 1):
            level = surface[row, column]
            if steps[row, column] == 0 or np.isnan(level):
                continue
            least = FAR
            for direction in range(8):
                near_row, near_column = row + ROW_STEP[direction], column + COLUMN_STEP[direction]
                if surface[near_row, near_column] == level:
                    least = min(least, steps[near_row, near_column])
            if least != FAR:
                place.append(np.int64(row * columns + column))
                first.append(np.int32(least + 1))
    return np.array(place, np.int64), np.array(first, np.int32)


# Steps through flats outward from their borders, which come in order of their steps; flat arrays.
@kernel(fills=("steps",))
def _step_through_flats(surface, steps, columns, place, first):
    waiting = np.empty(surface.size, dtype=np.int32)
    begin, behind, border = 0, 0, 0
    step = 0
    while True:
        while border < place.size and first[border] == step:
            if steps[place[border]] > step:
                steps[place[border]] = step
                waiting[behind] = place[border]
                behind += 1
            border += 1
        if begin == behind:
            if border == place.size:
                return
            step = first[border]
            continue
        end = behind
        for number in range(begin, end):
            cell = waiting[number]
            for direction in range(8):
                near = cell + ROW_STEP[direction] * columns + COLUMN_STEP[direction]
                if surface[near] == surface[cell] and steps[near] == FAR:
                    steps[near] = step + 1
                    waiting[behind] = near
                    behind += 1
        begin = end
        step += 1


@kernel
def _pointers(surface, steps, per_metre):
    rows, columns = surface.shape
    pointer = np.full((rows - 2, columns - 2), NO_POINTER, dtype=np.uint8)
    for row in range(1, rows - 1):
        for column in range(1, columns - 1):
            level = surface[row, column]
            steepest = 0.0
            lower = -1
            along = -1
            for direction in range(8):
                near_row, near_column = row + ROW_STEP[direction], column + COLUMN_STEP[direction]
                height = surface[near_row, near_column]
                if height < level:
                    slope = (np.float64(level) - np.float64(height)) * per_metre[direction]
                    if slope > steepest:
                        steepest = slope
                        lower = direction
                elif along < 0 and height == level and steps[near_row, near_column] == steps[row, column] - 1:
                    along = direction
            if lower >= 0:
                pointer[row - 1, column - 1] = lower
            elif along >= 0:
                pointer[row - 1, column - 1] = along
    return pointer


# Sum of `own` over each cell and all that drain to it within the tile.
def _cells_above(pointer, own):
    return _totals(own.ravel(), _downstream(pointer)).reshape(pointer.shape)


# The cell of the tile (flat numbering) that each passes its water to, or -1.
@kernel
def _downstream(pointer):
    rows, columns = pointer.shape
    downstream = np.full(pointer.size, -1, dtype=np.int64)
    for row in range(rows):
        for column in range(columns):
            if pointer[row, column] != NO_POINTER:
                to_row = row + ROW_STEP[pointer[row, column]]
                to_column = column + COLUMN_STEP[pointer[row, column]]
                if 0 <= to_row < rows and 0 <= to_column < columns:
                    downstream[row * columns + column] = to_row * columns + to_column
    return downstream


# Sum of `own` over each element of a list and all above it; with the place of the next one downstream, or -1.
@kernel
def _totals(own, downstream):
    total = own.copy()
    waits_for = np.zeros(own.size, dtype=np.int64)
    for place in range(own.size):
        if downstream[place] >= 0:
            waits_for[downstream[place]] += 1
    for first in range(own.size):
        place = first
        # Each is passed once: with the last of those above it, or here.
        while place >= 0 and waits_for[place] == 0:
            waits_for[place] = -1
            below = downstream[place]
            if below >= 0:
                total[below] += total[place]
                waits_for[below] -= 1
            place = below
    return total


# Places along each link: from where it begins to the next place where one begins, or the last one.
@kernel
def _walked_down(downstream, is_start, begins, most):
    start = np.empty(begins.size + 1, dtype=np.int64)
    along = np.empty(most, dtype=np.int64)
    count = 0
    for link in range(begins.size):
        start[link] = count
        place = begins[link]
        while True:
            along[count] = place
            count += 1
            if downstream[place] < 0 or (is_start[place] and place != begins[link]):
                break
            place = downstream[place]
    start[begins.size] = count
    return start, along[:count]
