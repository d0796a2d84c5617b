"""The raster grid that terrain is computed on: its place, its cells, and windows of it."""

import math
from typing import NamedTuple


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
    """Which borders of a window lie inside the grid, so that more of the DEM follows beyond."""

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


def cell_of(grid, x_m, y_m):
    """Row and column of the cell that holds a point; a point on a shared border is in the south-eastern cell.

    Parameters
    ----------
    grid : Grid
        Need not hold the point: rows and columns beyond it are told as they would continue.
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
    """The part of a window that lies on the grid.

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


def open_edges(window, grid):
    """Which borders of a window lie inside the grid.

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
