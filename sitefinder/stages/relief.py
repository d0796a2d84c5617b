"""The shaded relief that maps lie on: the DEM in few cells, lit from the north-west."""

from typing import NamedTuple

import numpy as np
from matplotlib.colors import LightSource

from sitefinder.io.rasters import read_reduced

# Most cells along the longer side: some twelve to the millimetre of a page.
MOST_CELLS = 1600
# Light from the north-west and from above, as is usual on maps (common practice, no source).
AZIMUTH_DEG, ALTITUDE_DEG = 315.0, 45.0
# Heights are stretched where ground is flat, so that its range is so much of the region's longer side (own
# choice), but never pressed.
RANGE_OF_SIDE = 0.10
SHADES = 255


class Relief(NamedTuple):
    """A picture of the ground: ``shade`` (uint8, row 0 northernmost, 0 dark, 255 bright or not known).

    ``bounds_m`` are west, south, east and north in the run's coordinates; ``known`` is False where the DEM
    has none.
    """

    shade: np.ndarray
    known: np.ndarray
    bounds_m: tuple


def shade_relief(surface):
    """Shade the DEM.

    Parameters
    ----------
    surface : sitefinder.stages.ground.Surface

    Returns
    -------
    Relief
        At most `MOST_CELLS` along its longer side.
    """
    grid = surface.grid
    times = max(1.0, max(grid.rows, grid.columns) / MOST_CELLS)
    rows, columns = (max(2, round(cells / times)) for cells in (grid.rows, grid.columns))
    elevation_m, known = read_reduced(surface.dem_path, rows, columns)
    width_m, height_m = grid.columns * grid.cell_width_m, grid.rows * grid.cell_height_m
    bounds_m = (grid.west_m, grid.north_m - height_m, grid.west_m + width_m, grid.north_m)
    shade = np.full(elevation_m.shape, SHADES, dtype=np.uint8)
    if known.any():
        level = elevation_m.astype(np.float64)
        # Holes get a level of their surroundings' kind, so that their edges are no cliffs.
        level[~known] = np.median(level[known])
        range_m = float(np.ptp(level[known]))
        stretched = max(1.0, RANGE_OF_SIDE * max(width_m, height_m) / range_m) if range_m > 0 else 1.0
        light = LightSource(AZIMUTH_DEG, ALTITUDE_DEG).hillshade(
            level, vert_exag=stretched, dx=width_m / columns, dy=height_m / rows
        )
        shade[known] = np.round(light[known] * SHADES).astype(np.uint8)
    return Relief(shade, known, bounds_m)
