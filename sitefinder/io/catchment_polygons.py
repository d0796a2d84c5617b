"""Catchments as polygons, from the labels that the terrain stage wrote tile by tile."""

import numpy as np
import shapely

from sitefinder.io import raster_library as rasterio
from sitefinder.io.raster import read_labels


def catchment_polygons(label_tiles, grid, downstream, intakes):
    """Catchments of a few stations, nested ones included.

    Parameters
    ----------
    label_tiles : list of (Window, Path)
        Tiles of station labels.
    grid : Grid
    downstream : ndarray of int32, shape (n,)
        Next station downstream, always of a higher number, or -1.
    intakes : ndarray of int, shape (m,)
        Stations, each once.

    Returns
    -------
    ndarray of MultiPolygon, shape (m,)
        Along cell borders; empty where no cell drains to the station.

    Notes
    -----
    Each cell belongs to the next of the stations downstream, each tile is polygonised once, and the polygons are
    merged down the tree, so that the work does not grow with the depth of nesting.
    """
    next_below = _next_at_or_below(downstream, intakes)
    pieces = [[] for _ in intakes]
    for window, path in label_tiles:
        labels = read_labels(path)
        owner = np.where(labels >= 0, next_below[labels], -1).astype(np.int32)
        if not (owner >= 0).any():
            continue
        # In whole cells, north up: joined in metres, tiles might miss each other by a rounding.
        place = rasterio.Affine(1.0, 0.0, window.column, 0.0, -1.0, -window.row)
        found = rasterio.features.shapes(owner, mask=owner >= 0, connectivity=4, transform=place)
        for polygon, number in found:
            pieces[int(number)].append(shapely.geometry.shape(polygon))
    whole = np.full(len(intakes), None, dtype=object)
    for number in np.argsort(intakes):  # from the sources down
        ground = shapely.union_all(pieces[number])
        whole[number] = _on_the_map(ground, grid)
        below = downstream[intakes[number]]
        if below >= 0 and next_below[below] >= 0:
            pieces[next_below[below]].append(ground)
    return whole


# Polygons in cells converted to metres, with corners alone and in one order, so that tile borders leave no trace.
# A ring along cell borders has a corner where x and y both change.
def _on_the_map(ground, grid):
    bare = []
    for polygon in shapely.get_parts(ground):
        rings = []
        for ring in (polygon.exterior, *polygon.interiors):
            cells = shapely.get_coordinates(ring)[:-1]
            straight = (np.roll(cells, 1, axis=0) == np.roll(cells, -1, axis=0)).any(axis=1)
            x_m = grid.west_m + cells[~straight, 0] * grid.cell_width_m
            y_m = grid.north_m + cells[~straight, 1] * grid.cell_height_m
            rings.append(np.column_stack([x_m, y_m]))
        bare.append(shapely.Polygon(rings[0], rings[1:]))
    return shapely.normalize(shapely.MultiPolygon(bare))


# Number of the first of the given stations at or below each station, or -1.
def _next_at_or_below(downstream, intakes):
    number = np.full(len(downstream), -1, dtype=np.int64)
    number[intakes] = np.arange(len(intakes))
    for station in range(len(downstream) - 1, -1, -1):  # from the outlets up
        if number[station] < 0 and downstream[station] >= 0:
            number[station] = number[downstream[station]]
    return number
