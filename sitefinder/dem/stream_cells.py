"""Stream cells of the grid, and the station that each belongs to."""

import math
from typing import NamedTuple

import numpy as np
import pandas as pd

from sitefinder.compiled import kernel
from sitefinder.dem.priority_flood import NO_SEED


class StreamCells(NamedTuple):
    """Stream cells sorted by row and column, each once, and decisions between streams.

    ``row``, ``column`` and ``label`` are int32; ``label`` is the station that the cell belongs to.
    ``shared`` has a row for each cell and link that lost the cell to a link it does not flow into there:
    ``row``, ``column``, ``label``, ``link`` (winners), ``other_label``, ``other_link``, and ``is_sibling``, True
    where both links flow into the same next link, as they do just above a confluence.
    ``outside`` int64 is the number of cells of each piece that lie outside the grid and were dropped.
    """

    row: np.ndarray
    column: np.ndarray
    label: np.ndarray
    shared: pd.DataFrame
    outside: np.ndarray


def stream_cells(start, x_m, y_m, label, link, downstream_link, grid):
    """Cells that the pieces of a stream network pass through, each given to one station.

    Parameters
    ----------
    start : ndarray of int64, shape (pieces + 1,)
        Piece p has the vertices ``start[p]`` to ``start[p + 1] - 1``, downstream. A piece of a single vertex
        claims its cell for its label against all other labels of its link: so the first station of a
        headwater link, which has no stream above it, gets the ground around the source.
    x_m, y_m : ndarray of float64, shape (vertices,)
        Place of the vertices [m], in the grid's coordinate system.
    label : ndarray of int32, shape (pieces,)
        Station number that the piece belongs to.
    link : ndarray of int32, shape (pieces,)
        Link that the piece belongs to.
    downstream_link : ndarray of int32, shape (links,)
        Next link downstream, -1 at an outlet.
    grid : Grid

    Returns
    -------
    StreamCells

    Raises
    ------
    ValueError
        If a piece has no vertex, or a coordinate is not finite.

    Notes
    -----
    Every cell that a line passes through is taken, so that cells of one line are connected by their sides:
    eight-direction drainage can slip through a line of cells that touch at corners only. Where a line passes
    exactly through a corner, it goes to the next column first. Coordinates are those of the whole grid, so
    the cells do not depend on any window.

    A cell with several labels goes, within a link, to the label with the longest run in it, at a tie to
    the highest station number. Among links, one that flows straight into another of those in the cell gives way
    (so a confluence belongs to the link below it); of the rest the one with the longest run wins, at a tie
    the higher station number.

    Examples
    --------
    >>> from sitefinder.dem.grid import Grid
    >>> cells = stream_cells(np.array([0, 2]), np.array([5.0, 25.0]), np.array([15.0, 5.0]), np.array([4]),
    ...                      np.array([0]), np.array([-1]), Grid(2, 3, 0.0, 20.0, 10.0, 10.0))
    >>> list(zip(cells.row.tolist(), cells.column.tolist(), cells.label.tolist()))
    [(0, 0, 4), (0, 1, 4), (1, 1, 4), (1, 2, 4)]
    """
    start = np.asarray(start, dtype=np.int64)
    if np.any(np.diff(start) < 1):
        raise ValueError(f"piece {int(np.argmax(np.diff(start) < 1))} has no vertex")
    if not (np.all(np.isfinite(x_m)) and np.all(np.isfinite(y_m))):
        raise ValueError("stream coordinates must be finite")
    along_row = (np.asarray(x_m, dtype=np.float64) - grid.west_m) / grid.cell_width_m
    down_column = (grid.north_m - np.asarray(y_m, dtype=np.float64)) / grid.cell_height_m
    row, column, piece, run_m = _walked(
        start, along_row, down_column, float(grid.cell_width_m), float(grid.cell_height_m)
    )

    on_grid = (row >= 0) & (row < grid.rows) & (column >= 0) & (column < grid.columns)
    dropped = np.unique(np.column_stack([piece, row, column])[~on_grid], axis=0)
    outside = np.bincount(dropped[:, 0], minlength=start.size - 1).astype(np.int64)
    passes = pd.DataFrame(
        {
            "cell": (row * grid.columns + column)[on_grid],
            "link": np.asarray(link, dtype=np.int64)[piece[on_grid]],
            "label": np.asarray(label, dtype=np.int64)[piece[on_grid]],
            "run_m": run_m[on_grid],
            "is_claim": np.diff(start)[piece[on_grid]] == 1,
        }
    )
    winners, losers = _decided(passes, np.asarray(downstream_link, dtype=np.int64))
    return StreamCells(
        row=(winners["cell"].to_numpy() // grid.columns).astype(np.int32),
        column=(winners["cell"].to_numpy() % grid.columns).astype(np.int32),
        label=winners["label"].to_numpy().astype(np.int32),
        shared=_shared_table(winners, losers, np.asarray(downstream_link, dtype=np.int64), grid),
        outside=outside,
    )


def seeds_in(cells, window):
    """Station numbers of the stream cells in a window, as the flood wants them.

    Parameters
    ----------
    cells : StreamCells
    window : Window

    Returns
    -------
    ndarray of int32, shape (window.rows, window.columns)
        `NO_SEED` where there is no stream.
    """
    seed = np.full((window.rows, window.columns), NO_SEED, dtype=np.int32)
    first, end = np.searchsorted(cells.row, [window.row, window.row + window.rows])
    row = cells.row[first:end] - window.row
    column = cells.column[first:end] - window.column
    within = (column >= 0) & (column < window.columns)
    seed[row[within], column[within]] = cells.label[first:end][within]
    return seed


# One row a cell that was won, and one a cell and link that lost to a link it does not flow into.
def _decided(passes, downstream_link):
    by_label = passes.groupby(["cell", "link", "label"], as_index=False).agg(
        run_m=("run_m", "sum"), is_claim=("is_claim", "max")
    )
    by_label = by_label.sort_values(["cell", "link", "is_claim", "run_m", "label"], kind="stable")
    by_link = by_label.groupby(["cell", "link"], as_index=False).agg(
        label=("label", "last"), run_m=("run_m", "sum")
    )
    links = downstream_link.size
    present = by_link["cell"].to_numpy() * links + by_link["link"].to_numpy()
    below = downstream_link[by_link["link"].to_numpy()]
    gives_way = (below >= 0) & np.isin(by_link["cell"].to_numpy() * links + below, present)
    rivals = by_link[~gives_way].sort_values(["cell", "run_m", "label"], kind="stable")
    is_loser = rivals["cell"].duplicated(keep="last")
    return rivals[~is_loser], rivals[is_loser]


# Winners and losers of the same cell side by side.
def _shared_table(winners, losers, downstream_link, grid):
    lost = losers[["cell", "link", "label"]].rename(columns={"link": "other_link", "label": "other_label"})
    both = lost.merge(winners[["cell", "link", "label"]], on="cell").sort_values(
        ["cell", "other_link"], kind="stable", ignore_index=True
    )
    below = downstream_link[both["link"].to_numpy()]
    both["is_sibling"] = (below >= 0) & (below == downstream_link[both["other_link"].to_numpy()])
    both["row"] = both["cell"] // grid.columns
    both["column"] = both["cell"] % grid.columns
    names = ["row", "column", "label", "link", "other_label", "other_link"]
    return both.astype(dict.fromkeys(names, np.int32))[[*names, "is_sibling"]]


# Row, column, piece and length [m] of each passage through a cell, in the order of the pieces.
@kernel(takes="int64[::1], float64[::1], float64[::1], float64, float64")
def _walked(start, along_row, down_column, cell_width_m, cell_height_m):
    pieces = start.size - 1
    total = 0
    for piece in range(pieces):
        total += 1
        for vertex in range(start[piece], start[piece + 1] - 1):
            across = abs(math.floor(along_row[vertex + 1]) - math.floor(along_row[vertex]))
            down = abs(math.floor(down_column[vertex + 1]) - math.floor(down_column[vertex]))
            total += across + down + 1
    rows = np.empty(total, dtype=np.int64)
    columns = np.empty(total, dtype=np.int64)
    owners = np.empty(total, dtype=np.int64)
    runs_m = np.zeros(total, dtype=np.float64)
    place = 0
    for piece in range(pieces):
        # The first vertex's cell counts even if the line only touches it.
        rows[place] = math.floor(down_column[start[piece]])
        columns[place] = math.floor(along_row[start[piece]])
        owners[place] = piece
        place += 1
        for vertex in range(start[piece], start[piece + 1] - 1):
            x, y = along_row[vertex], down_column[vertex]
            dx, dy = along_row[vertex + 1] - x, down_column[vertex + 1] - y
            length_m = math.hypot(dx * cell_width_m, dy * cell_height_m)
            column, row = math.floor(x), math.floor(y)
            # Steps are counted beforehand, so that rounding can never lead past the last cell.
            columns_left = math.floor(along_row[vertex + 1]) - column
            rows_left = math.floor(down_column[vertex + 1]) - row
            entered = 0.0
            while True:
                # Shares of the way at which the line leaves this cell to the side, and up or down.
                aside = 2.0
                if columns_left != 0:
                    aside = (column + (1 if columns_left > 0 else 0) - x) / dx
                ahead = 2.0
                if rows_left != 0:
                    ahead = (row + (1 if rows_left > 0 else 0) - y) / dy
                left = max(entered, min(aside, ahead, 1.0))
                rows[place] = row
                columns[place] = column
                owners[place] = piece
                runs_m[place] = (left - entered) * length_m
                place += 1
                entered = left
                if columns_left == 0 and rows_left == 0:
                    break
                if columns_left != 0 and aside <= ahead:
                    step = 1 if columns_left > 0 else -1
                    column += step
                    columns_left -= step
                else:
                    step = 1 if rows_left > 0 else -1
                    row += step
                    rows_left -= step
    return rows, columns, owners, runs_m
