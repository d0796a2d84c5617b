"""Mean yearly precipitation over the sample region: a gradient, the lift of the hills and some unevenness."""

import numpy as np
from affine import Affine
from landscape import cell_centres, smooth_noise, to_cell
from scipy.ndimage import gaussian_filter, map_coordinates

CELL_M = 250.0
MARGIN_M = 1000.0
MIN_MM, GREATEST_MM = 700.0, 1400.0


def draw_rainfall(surface, transform, seed, planned=False):
    """Precipitation on a coarse grid that reaches beyond the region.

    Returns
    -------
    precipitation_mm : ndarray of int16, shape (rows, columns)
        Mean yearly precipitation [mm].
    grid : affine.Affine
        Cell corners of the coarse grid to map coordinates [m].
    """
    rng = np.random.default_rng([seed, 2])
    side_m = surface.shape[0] * transform.a
    size = int(np.ceil((side_m + 2 * MARGIN_M) / CELL_M))
    grid = Affine(CELL_M, 0, transform.c - MARGIN_M, 0, -CELL_M, transform.f + MARGIN_M)
    x, y = cell_centres((size, size), grid)
    hills = gaussian_filter(surface, 800.0 / transform.a, mode="nearest")
    hills = map_coordinates(hills, to_cell(transform, x, y), order=1, mode="nearest")
    west = (transform.c + side_m - x) / side_m
    noise = 25.0 * smooth_noise(rng, size, 6.0)
    if planned:
        # The hills stand in the east here, and the plain lies in their rain shadow.
        rain = 930.0 + 120.0 * west + 1.3 * (hills - np.quantile(hills, 0.2)) + noise
    else:
        rain = 865.0 + 330.0 * west + 0.8 * (hills - hills.mean()) + noise
    return np.round(np.clip(rain, MIN_MM, GREATEST_MM)).astype(np.int16), grid


def rain_on_cells(precipitation_mm, grid, shape, transform):
    """Precipitation of the coarse cell that holds the centre of each fine cell [mm], float64."""
    row, column = (np.rint(part).astype(int) for part in to_cell(grid, *cell_centres(shape, transform)))
    return precipitation_mm[row, column].astype(float)
