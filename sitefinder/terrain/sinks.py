"""Closed basins: hollows too deep to overflow, which keep what drains to them."""

from typing import NamedTuple

import numpy as np

from sitefinder.compiled import kernel
from sitefinder.terrain.flood import SINK, UNKNOWN, Flood, flood

# Within a flood the sinks of a window are told apart: sink k has the label _FIRST_SINK - k.
_FIRST_SINK = -10


class Sinks(NamedTuple):
    """Closed basins of a window: row and column of the lowest cell (int64), and depth to the rim [m], float64."""

    row: np.ndarray
    column: np.ndarray
    depth_m: np.ndarray


class BasinFlood(NamedTuple):
    """A flood in which deep hollows stay closed.

    ``sink_number`` int32 is the place in ``sinks`` of the basin that a cell drains to, -1 where its label is not
    `SINK`; None where no limit was given. ``way_out`` is the pointer of the flood in which every hollow overflows:
    it leads from where an unknown path ends inside the window to the border that hides its answer.
    """

    flood: Flood
    sinks: Sinks
    sink_number: np.ndarray | None
    way_out: np.ndarray


def flood_with_sinks(elevation_m, valid, seed, open_edges, cell_width_m, cell_height_m, *, sink_depth_m):
    """Filled surface, pointers and labels as `flood` gives them, but hollows from a depth on do not overflow.

    Parameters
    ----------
    elevation_m, valid, seed, open_edges, cell_width_m, cell_height_m
        As `flood` takes them.
    sink_depth_m : float or None
        A hollow whose lowest cell lies at least so far below the level at which it spills [m] is a closed
        basin. None for no closed basins.

    Returns
    -------
    BasinFlood
        Cells of closed basins, and what drains to them, have the label `SINK`.

    Notes
    -----
    The window is flooded once. A hollow is a connected set of cells that the flood has filled; it has one level,
    and the cells around it stand at that level or higher. Where it is deep enough, its lowest cell (of equal
    ones the first by row, then by column) becomes an end of paths, and the window is flooded again. Only the
    surface within the hollow changes by that. **Pits nested in a closed basin overflow into it, however deep
    they are**: depth is measured from the rim of the whole hollow, and a pit beyond a sill inside it spills over
    the sill. A stream is an end of the first flood already, so a basin that holds a mapped stream is
    not closed: its water is the stream's.

    The answer of a cell in a smaller window is that of the whole DEM, or `UNKNOWN`, as without sinks. Where any
    cell of a hollow is known, its level is the true one. Then the hollow is the true one too, whole and inside
    the window: a cell of the true hollow beyond it would have to be reached over a cell that stands lower than
    the hollow's level, or over an open border, and either would have drawn the level down. A hollow of which
    nothing is known may be larger, deeper or lower outside. Its lowest cell becomes an end that makes unknown
    whatever comes to it: so the surface is nowhere higher than with the sinks of the whole DEM, and every end
    with a known label is an end of the whole DEM, which is all that the argument at `flood` needs.

    Examples
    --------
    A hollow 4 m deep between the border in the west and a stream in the east, closed from 3 m on:

    >>> ground = np.array([[9, 9, 9, 9, 9], [9, 3, 7, 2, 1], [9, 9, 9, 9, 9]], dtype=np.float32)
    >>> seed = np.full(ground.shape, -9, dtype=np.int32)
    >>> seed[1, 4] = 5
    >>> cells = (ground, ground > 0, seed, (False,) * 4, 10.0, 10.0)
    >>> flood_with_sinks(*cells, sink_depth_m=3.0).flood.label[1].tolist()
    [-3, -3, 5, 5, 5]
    >>> flood_with_sinks(*cells, sink_depth_m=None).flood.label[1].tolist()
    [5, 5, 5, 5, 5]
    """
    first = flood(elevation_m, valid, seed, open_edges, cell_width_m, cell_height_m)
    if sink_depth_m is None:
        return BasinFlood(first, _sinks([], [], []), None, first.pointer)
    sinks, (hidden_row, hidden_column) = _basins(elevation_m, first, sink_depth_m)
    ends = with_sinks(seed, sinks)
    ends[hidden_row, hidden_column] = UNKNOWN
    second = flood(elevation_m, valid, ends, open_edges, cell_width_m, cell_height_m)
    label, number = sinks_told_apart(second.label)
    return BasinFlood(second._replace(label=label), sinks, number, first.pointer)


def find_sinks(elevation_m, valid, seed, cell_width_m, cell_height_m, *, sink_depth_m):
    """Closed basins of a whole DEM, for an engine that does not flood.

    Parameters
    ----------
    elevation_m, valid, seed, cell_width_m, cell_height_m
        As `flood` takes them.
    sink_depth_m : float or None
        As `flood_with_sinks` takes it.

    Returns
    -------
    Sinks
    """
    if sink_depth_m is None:
        return _sinks([], [], [])
    first = flood(elevation_m, valid, seed, (False,) * 4, cell_width_m, cell_height_m)
    return _basins(elevation_m, first, sink_depth_m)[0]


def with_sinks(seed, sinks):
    """Ends of paths: a copy of the seeds in which each sink has a number of its own.

    Returns
    -------
    ndarray of int32, shape of `seed`
        `sinks_told_apart` reads the labels that come of it.
    """
    ends = seed.copy()
    ends[sinks.row, sinks.column] = _FIRST_SINK - np.arange(len(sinks.row))
    return ends


def sinks_told_apart(label):
    """Labels with `SINK` for every closed basin, and the number of the basin of each cell, -1 without one.

    Returns
    -------
    label, sink_number : ndarray of int32, shape of `label`
    """
    is_closed = label <= _FIRST_SINK
    number = np.where(is_closed, _FIRST_SINK - label, -1).astype(np.int32)
    return np.where(is_closed, SINK, label).astype(np.int32), number


# Basins that stay closed, and the lowest cell of each hollow of which nothing is known.
def _basins(elevation_m, first, sink_depth_m):
    lowest, depth_m, is_known = _hollows(elevation_m, first.surface, first.label)
    is_sink = is_known & (depth_m >= sink_depth_m)
    row, column = np.divmod(lowest, elevation_m.shape[1])
    return _sinks(row[is_sink], column[is_sink], depth_m[is_sink]), (row[~is_known], column[~is_known])


def _sinks(row, column, depth_m):
    return Sinks(np.asarray(row, np.int64), np.asarray(column, np.int64), np.asarray(depth_m, np.float64))


# Lowest cell (in flat numbering) and depth [m] of each connected set of filled cells, in the order of their first
# cells by row, and whether anything in it is known.
@kernel
def _hollows(ground_m, surface, label):
    rows, columns = ground_m.shape
    seen = np.zeros(ground_m.shape, dtype=np.bool_)
    lowest = [np.int64(0) for _ in range(0)]
    depth_m = [np.float64(0.0) for _ in range(0)]
    is_known = [np.bool_(False) for _ in range(0)]
    waiting = np.empty(1024, dtype=np.int64)
    for first_row in range(rows):
        for first_column in range(columns):
            # Without data the surface is no number, and the comparison is false.
            if seen[first_row, first_column] or not (
                surface[first_row, first_column] > ground_m[first_row, first_column]
            ):
                continue
            low_row, low_column = first_row, first_column
            known = False
            waiting[0] = first_row * columns + first_column
            seen[first_row, first_column] = True
            count = 1
            while count > 0:
                count -= 1
                row, column = waiting[count] // columns, waiting[count] % columns
                known |= label[row, column] != UNKNOWN
                height, low = ground_m[row, column], ground_m[low_row, low_column]
                if height < low or (height == low and (row, column) < (low_row, low_column)):
                    low_row, low_column = row, column
                for near_row in range(max(row - 1, 0), min(row + 2, rows)):
                    for near_column in range(max(column - 1, 0), min(column + 2, columns)):
                        if not seen[near_row, near_column] and (
                            surface[near_row, near_column] > ground_m[near_row, near_column]
                        ):
                            seen[near_row, near_column] = True
                            if count == waiting.size:
                                waiting = np.concatenate((waiting, np.empty_like(waiting)))
                            waiting[count] = near_row * columns + near_column
                            count += 1
            lowest.append(np.int64(low_row * columns + low_column))
            depth_m.append(np.float64(surface[low_row, low_column]) - np.float64(ground_m[low_row, low_column]))
            is_known.append(known)
    return np.array(lowest), np.array(depth_m), np.array(is_known)
