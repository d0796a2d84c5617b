"""Where paths along given flow directions end."""

import numpy as np

from sitefinder.compiled import kernel
from sitefinder.terrain.flood import COLUMN_STEP, NO_POINTER, NO_SEED, OFF_DEM, ROW_STEP, SINK


def labels_down(pointer, ends, valid, is_edge):
    """Label of the first end that each cell's path comes to.

    Parameters
    ----------
    pointer : ndarray of uint8, shape (rows, columns)
        Direction 0..7 that each cell drains in, `NO_POINTER` where a path stops.
    ends : ndarray of int32, same shape
        Label of stream cells and other ends of paths, `NO_SEED` elsewhere.
    valid, is_edge : ndarray of bool, same shape
        False where the DEM has no data; True in cells beyond which the DEM ends.

    Returns
    -------
    ndarray of int32, same shape
        Where a path stops at no end, `OFF_DEM` at the DEM's edge and `SINK` elsewhere. `OFF_DEM` in cells without
        data.

    Raises
    ------
    ValueError
        If the pointers run in a circle, or off the grid.

    Examples
    --------
    >>> ends = np.array([[-9, -9, 4, -9]], dtype=np.int32)
    >>> here = np.ones((1, 4), dtype=bool)
    >>> labels_down(np.array([[0, 0, 0, 255]], dtype=np.uint8), ends, here, here).tolist()
    [[4, 4, 4, -1]]
    """
    label, is_sound = _followed(pointer, ends, valid, is_edge)
    if not is_sound:
        raise ValueError("flow directions run in a circle, or off the grid")
    return label


# Each path is walked to a cell whose answer is known, and that answer written all along it.
@kernel
def _followed(pointer, ends, valid, is_edge):
    rows, columns = pointer.shape
    label = np.full(pointer.shape, NO_SEED, dtype=np.int32)
    path = np.empty(pointer.size, dtype=np.int32)
    for first_row in range(rows):
        for first_column in range(columns):
            row, column = first_row, first_column
            steps = 0
            while label[row, column] == NO_SEED:
                if not valid[row, column]:
                    label[row, column] = OFF_DEM
                elif ends[row, column] != NO_SEED:
                    label[row, column] = ends[row, column]
                elif pointer[row, column] == NO_POINTER:
                    label[row, column] = OFF_DEM if is_edge[row, column] else SINK
                else:
                    if steps == path.size:
                        return label, False
                    path[steps] = row * columns + column
                    steps += 1
                    direction = pointer[row, column]
                    row += ROW_STEP[direction]
                    column += COLUMN_STEP[direction]
                    if row < 0 or row >= rows or column < 0 or column >= columns:
                        return label, False
            for step in range(steps):
                label[path[step] // columns, path[step] % columns] = label[row, column]
    return label, True
