"""Seams: straight steps in a DEM along a row or column, where two surveys or tiles were joined."""

from typing import NamedTuple

import numpy as np
import pandas as pd

from sitefinder.dem.grid import Grid, Window, clipped, widened

# Borders are judged in pieces of this many cells, counted from the DEM's own corner, so that no cutting into
# windows changes an answer and a seam along part of a row is found too.
PIECE_CELLS = 256
# Cells that a piece needs beyond its own borders: before the first and after the last.
BEFORE, AFTER = 2, 3
# A shorter piece, or one with fewer cells of data along a border, says nothing.
MIN_CELLS = 48
# How many times the usual spread of its piece a step must be to found a seam, or to continue one (own choice:
# the greatest of the shape of a step in four DEMs without a known seam, made and real, is 6.6).
FOUNDS, CONTINUES = 9.0, 5.0
# Where more borders of a piece than this look like seams, the ground is terraced, or heights are whole numbers on
# an even slope.
MAX_IN_A_PIECE = 3
# A step of height s changes the borders beside it by -s/2. A wall or a bend of a slope does not; what lies
# between these shares of the step is taken for one.
MIN_ECHO, MAX_ECHO = -0.8, -0.2
# Share of the cells along a border whose step must be of the sign of the whole.
MIN_AGREEMENT = 0.65
# Differences beyond this many mean deviations are limited to it: a cliff is not a seam.
WINSORISED_AT = 2.0
SEAM_COLUMNS = ["axis", "border", "first", "end", "step_m", "significance"]
# Pieces that are read at once, side by side.
PIECES_IN_A_WINDOW = 16


class Steps(NamedTuple):
    """Steps of the borders of one piece, each of shape (borders,): height, its significance, and what it is.

    ``founds`` is True where a step is a seam by itself, ``continues`` where it continues one.
    """

    step_m: np.ndarray
    significance: np.ndarray
    founds: np.ndarray
    continues: np.ndarray


# Steps across the borders between neighbouring rows of a piece, as far as there are such. The step of a border is
# its difference less the mean of the differences of the borders beside it, in every column, then a mean over the
# columns with outliers drawn in (Winsorised). Its error is the spread over the columns; since terrain is
# correlated from cell to cell, the ratio of the two is measured against the median of all borders of the piece.
# Own method; a join that was smoothed over several cells is not found.
def _border_steps(elevation_m, borders):
    difference = np.diff(elevation_m, axis=0)
    excess = np.full(difference.shape, np.nan)
    excess[1:-1] = difference[1:-1] - (difference[:-2] + difference[2:]) / 2
    step_m, error_m, agreement = _means(excess)
    ratio = np.divide(step_m, error_m, out=np.zeros_like(step_m), where=error_m > 0)
    usual = np.median(np.abs(ratio[error_m > 0])) if (error_m > 0).any() else 0.0
    # The median of the size of a normal deviate is 0.6745.
    significance = ratio / max(usual / 0.6745, 1.0)
    # Nothing but the step: columns all alike, as in made or flattened ground.
    significance[error_m == 0] = np.inf
    # The first border and the last have no step, and those beside them no echo on that side.
    with np.errstate(divide="ignore", invalid="ignore"):
        echoes = np.stack([np.roll(step_m, 1), np.roll(step_m, -1)]) / step_m
    is_step = ((echoes >= MIN_ECHO) & (echoes <= MAX_ECHO)).all(axis=0) & (agreement >= MIN_AGREEMENT)
    part = slice(*borders)
    size, is_step = np.abs(significance[part]), is_step[part]
    founds, continues = is_step & (size >= FOUNDS), is_step & (size >= CONTINUES)
    if founds.sum() > MAX_IN_A_PIECE:
        founds = continues = np.zeros_like(founds)
    return Steps(step_m[part], size, founds, continues)


# Winsorised mean of each row with its standard error, and the share of values that have the sign of the mean; all
# nothing where too few values are there.
def _means(excess):
    known = np.isfinite(excess)
    enough = known.sum(axis=1) >= MIN_CELLS
    excess, known = excess[enough], known[enough]
    n = known.sum(axis=1)
    middle = _medians(excess)[:, None]
    away = np.where(known, np.abs(excess - middle), 0.0)
    limit = (WINSORISED_AT * away.sum(axis=1) / n)[:, None]
    drawn = np.clip(excess, middle - limit, middle + limit)
    mean = np.where(known, drawn, 0.0).sum(axis=1) / n
    spread = np.where(known, (drawn - mean[:, None]) ** 2, 0.0).sum(axis=1) / n
    found = np.zeros((3, len(enough)))
    found[:, enough] = mean, np.sqrt(spread / n), (known & (excess * mean[:, None] > 0)).sum(axis=1) / n
    return found


# Median of each row without its gaps.
def _medians(values):
    ordered = np.sort(values, axis=1)  # gaps go last
    count = np.isfinite(values).sum(axis=1)
    rows = np.arange(len(values))
    return (ordered[rows, (count - 1) // 2] + ordered[rows, count // 2]) / 2


def find_seams(read, rows, columns):
    """Seams of a whole DEM, read by window.

    Parameters
    ----------
    read : callable
        ``read(window)`` gives the elevations [m] of a `sitefinder.dem.grid.Window` of the DEM's own cells, as
        ndarray of float64 with NaN where there is none.
    rows, columns : int
        Shape of the DEM.

    Returns
    -------
    DataFrame
        `SEAM_COLUMNS`, a row a seam: ``axis`` (0: between rows, 1: between columns), ``border`` (the seam lies
        between this row or column and the next), ``first`` and ``end`` (cells along it, to whole pieces),
        ``step_m`` [m] (positive where the ground south or east of it is too high) and ``significance`` (the
        greatest of its pieces, see `_border_steps`).
    """
    found = []
    for row in range(0, rows, PIECE_CELLS):
        for column in range(0, columns, PIECE_CELLS * PIECES_IN_A_WINDOW):
            core = clipped(
                Window(row, column, PIECE_CELLS, PIECE_CELLS * PIECES_IN_A_WINDOW), _cells(rows, columns)
            )
            window = widened(core, (BEFORE, AFTER, BEFORE, AFTER), _cells(rows, columns))
            found += _in_window(read(window), core, window)
    return _joined(found, (columns, rows))


# The grid of the DEM's own cells, of which only the shape matters here.
def _cells(rows, columns):
    return Grid(rows, columns, 0.0, 0.0, 1.0, 1.0)


# Borders of a core that are or continue a seam: axis, border, piece, step, significance, and if it founds one.
def _in_window(elevation_m, core, window):
    above, left = core.row - window.row, core.column - window.column
    found = []
    for place in range(0, core.columns, PIECE_CELLS):
        across = elevation_m[:, left + place : left + place + PIECE_CELLS]
        steps = _border_steps(across, (above, above + core.rows))
        found += _rows_of(steps, 0, core.row, (core.column + place) // PIECE_CELLS)
        first = max(left + place - BEFORE, 0)
        along = elevation_m[above : above + core.rows, first : left + place + PIECE_CELLS + AFTER].T
        before = left + place - first
        steps = _border_steps(along, (before, before + PIECE_CELLS))
        found += _rows_of(steps, 1, core.column + place, core.row // PIECE_CELLS)
    return found


def _rows_of(steps, axis, first, piece):
    return [
        (axis, first + number, piece, steps.step_m[number], steps.significance[number], steps.founds[number])
        for number in np.flatnonzero(steps.continues).tolist()
    ]


# Adjoining pieces on one border are one seam, if one of them founds it.
def _joined(found, lengths):
    seams = []
    run = []
    for item in [*sorted(found), None]:
        if run and (item is None or item[:2] != run[-1][:2] or item[2] != run[-1][2] + 1):
            if any(piece[5] for piece in run):
                axis, border, first = run[0][:3]
                end = (run[-1][2] + 1) * PIECE_CELLS
                # A last piece that is too short to be judged goes with the one before.
                end = end if lengths[axis] - end >= MIN_CELLS else lengths[axis]
                step_m = sum(piece[3] for piece in run) / len(run)
                seams.append((axis, border, first * PIECE_CELLS, end, step_m, max(piece[4] for piece in run)))
            run = []
        run.append(item)
    return pd.DataFrame(seams, columns=SEAM_COLUMNS)


def lines_across(seams, start, row, column):
    """Lines that cross a seam.

    Parameters
    ----------
    seams : DataFrame
        See `find_seams`.
    start : ndarray of int64, shape (n + 1,)
        Vertices of line i are those from ``start[i]`` up to ``start[i + 1]``.
    row, column : ndarray of float64, shape (m,)
        Vertices in cells of the DEM, counted from the outer corner of its first cell.

    Returns
    -------
    ndarray of bool, shape (n,)
    """
    crosses = np.zeros(len(row), dtype=bool)
    for seam in seams.itertuples():
        across, along = (row, column) if seam.axis == 0 else (column, row)
        at = seam.border + 1.0
        before = across < at
        turns = np.flatnonzero(before[1:] != before[:-1])
        share = (at - across[turns]) / (across[turns + 1] - across[turns])
        place = along[turns] + share * (along[turns + 1] - along[turns])
        crosses[turns[(place >= seam.first) & (place <= seam.end)]] = True
    # From the last vertex of a line to the first of the next there is no line.
    crosses[start[1:] - 1] = False
    counted = np.concatenate([[0], np.cumsum(crosses)])
    return counted[start[1:]] > counted[start[:-1]]
