"""Level ground: the inside of flats raised by next to nothing, so that none of its cells is a pit."""

import numpy as np

# For each step from the border of a flat [m]: less than any DEM resolves, and more than rounding at any height.
RAISE_M = 1e-9


def raised_inside_flats(elevation_m):
    """Ground on which each cell within a flat stands higher than one that is nearer to the border of the flat.

    Parameters
    ----------
    elevation_m : ndarray of float32, shape (rows, columns)
        Ground elevation [m]; NaN without data.

    Returns
    -------
    ndarray of float64, same shape
        The same, but for cells whose eight neighbours are there and have their height: those are `RAISE_M` higher
        for each step from the nearest other cell.

    Notes
    -----
    On level water each cell is a pit, from which a search for a way out sets off; for all but the cells of its
    border that is in vain, or ends in the way of one of these. The ball of steps around a cell that reaches to the
    border is within the flat, so that distances need not go along it.
    """
    rows, columns = elevation_m.shape
    is_inside = np.zeros(elevation_m.shape, dtype=bool)
    if rows > 2 and columns > 2:
        centre = elevation_m[1:-1, 1:-1]
        has_level_around = np.ones(centre.shape, dtype=bool)
        for row in range(3):
            for column in range(3):
                has_level_around &= elevation_m[row : rows - 2 + row, column : columns - 2 + column] == centre
        is_inside[1:-1, 1:-1] = has_level_around
    raised_m = elevation_m.astype(np.float64)
    if is_inside.any():
        from scipy import ndimage  # noqa: PLC0415 - large, and only level ground needs it

        steps = ndimage.distance_transform_cdt(is_inside, metric="chessboard")
        raised_m += RAISE_M * steps
    return raised_m
