"""The shaded relief that maps lie on: the DEM in few cells, lit from the north-west."""

from typing import NamedTuple

import numpy as np

from sitefinder.io.rasters import read_reduced

# Most cells along the longer side: some twelve to the millimetre of a page.
MOST_CELLS = 1600
# Light from the north-west and from above, as is usual on maps (common practice, no source).
AZIMUTH_DEG, ALTITUDE_DEG = 315.0, 45.0
# Heights are stretched where ground is flat, so that its range is so much of the region's longer side (own
# choice), but never pressed.
RANGE_OF_SIDE = 0.10
SHADES = 255
# Ground whose brightness differs by less is even, and as bright as level ground.
FLAT = 1e-6


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
        light = _hillshade(level, width_m / columns, height_m / rows, stretched)
        shade[known] = np.round(light[known] * SHADES).astype(np.uint8)
    return Relief(shade, known, bounds_m)


# Brightness of a matt surface, 0 for its darkest cell and 1 for its brightest: the cosine of the angle between its
# normal and the light (Lambert's law; slopes by central differences).
def _hillshade(level_m, cell_width_m, cell_height_m, stretched):
    azimuth, altitude = np.radians(90.0 - AZIMUTH_DEG), np.radians(ALTITUDE_DEG)
    # Row 0 is the northernmost.
    up, across = np.gradient(stretched * level_m, -cell_height_m, cell_width_m)
    toward = -across * np.cos(azimuth) * np.cos(altitude) - up * np.sin(azimuth) * np.cos(altitude)
    light = (toward + np.sin(altitude)) / np.sqrt(across**2 + up**2 + 1.0)
    darkest, range_of_light = light.min(), np.ptp(light)
    if range_of_light > FLAT:
        light = (light - darkest) / range_of_light
    return np.clip(light, 0.0, 1.0)
