"""Values of one grid at places of another."""

import numpy as np

from sitefinder.compiled import kernel


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
