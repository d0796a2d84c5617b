"""The raster grid of terrain: position, cells and windows, and values from another grid."""

import math
from typing import NamedTuple

import numpy as np

from sitefinder.compiled import kernel


class Grid(NamedTuple):
    """A north-up grid in metres; ``west_m`` and ``north_m`` are its outer edges, row 0 is the northernmost."""

    rows: int
    columns: int
    west_m: float
    north_m: float
    cell_width_m: float
    cell_height_m: float


class Window(NamedTuple):
    """A rectangle of cells; ``row`` and ``column`` are those of its north-western cell in the grid."""

    row: int
    column: int
    rows: int
    columns: int


class OpenEdges(NamedTuple):
    """Which borders of a window are inside the grid, so that the DEM continues beyond."""

    north: bool
    south: bool
    west: bool
    east: bool


def whole(grid):
    """The window that holds every cell of a grid.

    Examples
    --------
    >>> whole(Grid(3, 4, 0.0, 30.0, 10.0, 10.0))
    Window(row=0, column=0, rows=3, columns=4)
    """
    return Window(0, 0, grid.rows, grid.columns)


def bounds_of(grid, margin_m=0.0):
    """West, south, east and north of a grid with a margin around it [m].

    Examples
    --------
    >>> bounds_of(Grid(3, 4, 0.0, 30.0, 10.0, 10.0), 5.0)
    (-5.0, -5.0, 45.0, 35.0)
    """
    east_m = grid.west_m + grid.columns * grid.cell_width_m
    south_m = grid.north_m - grid.rows * grid.cell_height_m
    return grid.west_m - margin_m, south_m - margin_m, east_m + margin_m, grid.north_m + margin_m


def cell_of(grid, x_m, y_m):
    """Row and column of the cell that holds a point; a point on a shared border is in the south-eastern cell.

    Parameters
    ----------
    grid : Grid
        Need not hold the point: rows and columns continue beyond it.
    x_m, y_m : float
        Place of the point [m].

    Returns
    -------
    row, column : int

    Examples
    --------
    >>> cell_of(Grid(3, 4, 0.0, 30.0, 10.0, 10.0), 15.0, 25.0)
    (0, 1)
    """
    row = math.floor((grid.north_m - y_m) / grid.cell_height_m)
    column = math.floor((x_m - grid.west_m) / grid.cell_width_m)
    return row, column


def centre_of(grid, row, column):
    """Place of the centre of a cell [m]; takes numbers or arrays.

    Returns
    -------
    x_m, y_m : float or ndarray of float64

    Examples
    --------
    >>> centre_of(Grid(3, 4, 0.0, 30.0, 10.0, 10.0), 0, 1)
    (15.0, 25.0)
    """
    x_m = grid.west_m + (column + 0.5) * grid.cell_width_m
    y_m = grid.north_m - (row + 0.5) * grid.cell_height_m
    return x_m, y_m


def holds(grid, row, column):
    """True where a row and column lie on the grid; takes numbers or arrays.

    Examples
    --------
    >>> holds(Grid(3, 4, 0.0, 30.0, 10.0, 10.0), 3, 0)
    False
    """
    return (row >= 0) & (row < grid.rows) & (column >= 0) & (column < grid.columns)


def clipped(window, grid):
    """The part of a window that is on the grid.

    Returns
    -------
    Window
        Without rows or without columns where the two do not meet.

    Examples
    --------
    >>> clipped(Window(-2, 1, 4, 9), Grid(3, 4, 0.0, 30.0, 10.0, 10.0))
    Window(row=0, column=1, rows=2, columns=3)
    """
    first_row = min(max(window.row, 0), grid.rows)
    first_column = min(max(window.column, 0), grid.columns)
    end_row = min(max(window.row + window.rows, first_row), grid.rows)
    end_column = min(max(window.column + window.columns, first_column), grid.columns)
    return Window(first_row, first_column, end_row - first_row, end_column - first_column)


def widened(window, margin, grid):
    """A window with a margin of cells, as far as the grid goes.

    Parameters
    ----------
    window : Window
    margin : int or sequence of 4 int
        Cells to add on each side; if four, in the north, south, west and east.
    grid : Grid

    Examples
    --------
    >>> widened(Window(1, 1, 1, 1), 1, Grid(3, 4, 0.0, 30.0, 10.0, 10.0))
    Window(row=0, column=0, rows=3, columns=3)
    >>> widened(Window(1, 1, 1, 1), (0, 0, 0, 2), Grid(3, 4, 0.0, 30.0, 10.0, 10.0))
    Window(row=1, column=1, rows=1, columns=3)
    """
    north, south, west, east = (margin,) * 4 if isinstance(margin, int) else margin
    wide = Window(
        window.row - north, window.column - west, window.rows + north + south, window.columns + west + east
    )
    return clipped(wide, grid)


def part_of(inner, outer):
    """Where a window lies in one that holds it: the slices of its rows and columns.

    Examples
    --------
    >>> part_of(Window(3, 4, 2, 1), Window(1, 4, 5, 5))
    (slice(2, 4, None), slice(0, 1, None))
    """
    row, column = inner.row - outer.row, inner.column - outer.column
    return np.s_[row : row + inner.rows, column : column + inner.columns]


def open_edges(window, grid):
    """Which borders of a window are inside the grid.

    Examples
    --------
    >>> open_edges(Window(0, 0, 3, 2), Grid(3, 4, 0.0, 30.0, 10.0, 10.0))
    OpenEdges(north=False, south=False, west=False, east=True)
    """
    return OpenEdges(
        north=window.row > 0,
        south=window.row + window.rows < grid.rows,
        west=window.column > 0,
        east=window.column + window.columns < grid.columns,
    )


def tile_windows(grid, tile_rows, tile_columns):
    """Windows that together hold each cell of the grid once, row by row from the north-west.

    Parameters
    ----------
    grid : Grid
    tile_rows, tile_columns : int
        Size of a tile [cells]; those at the southern and eastern border may be smaller.

    Returns
    -------
    list of Window

    Raises
    ------
    ValueError
        If a tile would hold no cell.

    Examples
    --------
    >>> tile_windows(Grid(3, 4, 0.0, 30.0, 10.0, 10.0), 2, 4)
    [Window(row=0, column=0, rows=2, columns=4), Window(row=2, column=0, rows=1, columns=4)]
    """
    if tile_rows < 1 or tile_columns < 1:
        raise ValueError(f"a tile of {tile_rows} × {tile_columns} cells holds no cell")
    return [
        clipped(Window(row, column, tile_rows, tile_columns), grid)
        for row in range(0, grid.rows, tile_rows)
        for column in range(0, grid.columns, tile_columns)
    ]


@kernel
def bilinear(values, known, row, column):
    """Values between the centres of cells, linear in both directions.

    Parameters
    ----------
    values : ndarray of float64, shape (rows, columns)
    known : ndarray of bool, same shape
        False where there is no value.
    row, column : ndarray of float64, shape (n, m)
        Places, counted in cells from the outer corner of the first one, so that its centre is at 0.5, 0.5.

    Returns
    -------
    ndarray of float64, shape (n, m)
        NaN where the cell that holds the place is not known, or lies outside. Of the four cells whose centres are
        around a place, those that are not known count for nothing.

    Examples
    --------
    >>> import numpy as np
    >>> values, known = np.array([[10.0, 20.0]]), np.array([[True, True]])
    >>> bilinear(values, known, np.array([[0.5, 0.5]]), np.array([[1.0, 1.9]])).tolist()
    [[15.0, 20.0]]
    """
    rows, columns = values.shape
    found = np.full(row.shape, np.nan)
    for line in range(row.shape[0]):
        for place in range(row.shape[1]):
            y, x = row[line, place], column[line, place]
            # Also false for places that are no numbers.
            if not (0.0 <= y < rows and 0.0 <= x < columns and known[int(y), int(x)]):
                continue
            top, left = int(np.floor(y - 0.5)), int(np.floor(x - 0.5))
            down, right = y - 0.5 - top, x - 0.5 - left
            total, weights = 0.0, 0.0
            for one in range(2):
                for other in range(2):
                    at_row, at_column = top + one, left + other
                    if 0 <= at_row < rows and 0 <= at_column < columns and known[at_row, at_column]:
                        weight = (down if one else 1.0 - down) * (right if other else 1.0 - right)
                        total += weight * values[at_row, at_column]
                        weights += weight
            if weights > 0.0:
                found[line, place] = total / weights
    return found


def spread(nodes, step, shape):
    """Values at every cell centre of a window from those at a coarse lattice of its corners, linear between.

    Parameters
    ----------
    nodes : ndarray of float64, shape (at least rows / step + 1, at least columns / step + 1)
        Node (i, j) lies at the outer corner of cell (i · step, j · step).
    step : int
        Cells between nodes.
    shape : tuple of int
        Rows and columns of the window.

    Returns
    -------
    ndarray of float64, of that shape

    Examples
    --------
    >>> import numpy as np
    >>> spread(np.array([[0.0, 4.0], [0.0, 4.0]]), 4, (1, 4)).tolist()
    [[0.5, 1.5, 2.5, 3.5]]
    """
    for axis, cells in enumerate(shape):
        at = (np.arange(cells) + 0.5) / step
        first = at.astype(np.int64)
        share = (at - first).reshape((-1, 1) if axis == 0 else (1, -1))
        nodes = np.take(nodes, first, axis=axis) * (1.0 - share) + np.take(nodes, first + 1, axis=axis) * share
    return nodes
