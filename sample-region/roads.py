"""Settlements, and the roads and power lines between them, laid over the terrain by least effort."""

import geopandas as gpd
import numpy as np
import plan
from landscape import to_map
from places import crossing_line
from scipy.ndimage import gaussian_filter1d
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import dijkstra, minimum_spanning_tree
from scipy.spatial import cKDTree
from shapely import LineString, Point, line_merge, unary_union

SETTLEMENT_NAMES = (
    "Velden Oar", "Hosk", "Upper Tarrin", "Tarrin", "Ebbenstow", "Mirrow", "Zelk", "Åmsted", "Prunnock",
)  # fmt: skip
HOUSEHOLDS = (640, 85, 24, 310, 130, 18, 47, 9, 62)
ROAD_GRID_CELLS = 5


def settle(surface, streams, transform, count, planned=False):
    """Settlements on gentle ground near the streams, far from each other or near the places of `plan`.

    Returns
    -------
    GeoDataFrame
        Points with ``name`` and ``households``, without CRS.
    """
    rows, columns = surface.shape
    step = ROAD_GRID_CELLS
    row, column = np.mgrid[step : rows - step : step, step : columns - step : step]
    x, y = to_map(transform, row, column)
    slope_y, slope_x = np.gradient(surface, transform.a)
    slope = np.hypot(slope_x, slope_y)[row, column].ravel()
    place = np.column_stack([x.ravel(), y.ravel()])
    line = np.concatenate([np.column_stack([s.x_m, s.y_m]) for s in streams])
    area = np.concatenate([s.area_km2 for s in streams])
    away, nearest = cKDTree(line).query(place)
    # Larger streams draw inhabitants; wet feet and steep ground repel them.
    effort = slope / 0.1 + np.abs(away - 150.0) / 100.0 - np.log(area[nearest])
    effort = np.where(away < 60.0, np.inf, effort)
    if planned:
        names, households, shares = zip(*plan.SETTLEMENTS, strict=True)
        chosen = []
        for share in shares:
            wanted = np.array(to_map(transform, share[0] * (rows - 1), share[1] * (columns - 1)))
            is_near = np.hypot(*(place - wanted).T) < plan.SETTLEMENT_NEAR_M
            chosen.append(int(np.argmin(np.where(is_near, effort, np.inf))))
        points = [Point(np.round(place[spot], 1)) for spot in chosen]
        return gpd.GeoDataFrame({"name": names, "households": households}, geometry=points)
    apart_m = 0.21 * rows * transform.a
    chosen = []
    for spot in np.argsort(effort, kind="stable"):
        if all(np.hypot(*(place[spot] - place[other])) > apart_m for other in chosen):
            chosen.append(spot)
        if len(chosen) == count:
            break
    points = [Point(np.round(place[spot], 1)) for spot in chosen]
    names, households = SETTLEMENT_NAMES[: len(points)], HOUSEHOLDS[: len(points)]
    return gpd.GeoDataFrame({"name": names, "households": households}, geometry=points)


def build_roads(surface, is_channel, streams, embankments, settlements, transform):
    """A connected road network: between neighbours, and over every embankment.

    Returns
    -------
    GeoDataFrame
        Lines with ``road_id`` and ``kind``; lines meet at shared ends. Without CRS.
    """
    step = ROAD_GRID_CELLS
    coarse = surface[step // 2 :: step, step // 2 :: step]
    wet = is_channel[: coarse.shape[0] * step, : coarse.shape[1] * step]
    wet = wet.reshape(coarse.shape[0], step, coarse.shape[1], step).any(axis=(1, 3))
    graph, place = _effort_graph(coarse, wet, transform, step)
    tree = cKDTree(place)
    town = tree.query(np.column_stack([settlements.geometry.x, settlements.geometry.y]))[1]

    edges, crossings = set(), []
    effort, before = dijkstra(graph, indices=town, return_predecessors=True)
    links = minimum_spanning_tree(effort[:, town]).tocoo()
    for start, end in sorted(zip(links.row.tolist(), links.col.tolist(), strict=True)):
        edges |= _walk(before[start], town[start], town[end])
    for bank in embankments:
        ends = tree.query(np.array(crossing_line(streams[bank.stream], bank, 1.1 * bank.half_length_m)))[1]
        # Square over the stream; the outer halves bend to where the road network begins.
        start, end = crossing_line(streams[bank.stream], bank, 0.5 * bank.half_length_m)
        crossings.append(LineString([place[ends[0]], start, end, place[ends[1]]]))
        for node in ends:
            edges |= _walk(before[np.argmin(effort[:, node])], town[np.argmin(effort[:, node])], node)
    union = line_merge(unary_union([LineString(place[list(edge)]) for edge in sorted(edges)]))
    lines = [union] if union.geom_type == "LineString" else list(union.geoms)
    lines = sorted((_bend(line) for line in lines), key=lambda line: line.coords[0]) + crossings
    table = {
        "road_id": [f"R{number:02d}" for number in range(1, len(lines) + 1)],
        "kind": ["district road" if line.length > 900 else "lane" for line in lines],
    }
    return gpd.GeoDataFrame(table, geometry=lines)


def build_power_lines(settlements, served, works=()):
    """Overhead lines between the settlements with most households, by the shortest tree, a little crooked.

    ``served`` is how many they are. From the nearest of them a line leads to each of ``works``, places (x, y) [m].
    """
    served = settlements.nlargest(served, "households")
    place = np.column_stack([served.geometry.x, served.geometry.y])
    away = np.hypot(*(place[:, None] - place[None]).transpose(2, 0, 1))
    links = minimum_spanning_tree(away).tocoo()
    ends = [
        (place[start], place[end])
        for start, end in sorted(zip(links.row.tolist(), links.col.tolist(), strict=True))
    ]
    ends += [(place[np.argmin(np.hypot(*(place - work).T))], np.array(work)) for work in works]
    lines = []
    for start, end in ends:
        along = end - start
        middle = (start + end) / 2 + 0.07 * np.array([-along[1], along[0]])
        lines.append(LineString(np.round([start, middle, end], 1)))
    ids = [f"P{number:02d}" for number in range(1, len(lines) + 1)]
    return gpd.GeoDataFrame({"line_id": ids, "voltage_kv": [20.0] * len(lines)}, geometry=lines)


# Eight-neighbour graph of walking effort: length, high on slopes and across water.
def _effort_graph(coarse, wet, transform, step):
    rows, columns = coarse.shape
    node = np.arange(rows * columns).reshape(rows, columns)
    row, column = np.mgrid[0:rows, 0:columns]
    # Nobody builds along the border, where the neighbours' ground begins.
    wet = wet.copy()
    wet[:2, :] = wet[-2:, :] = wet[:, :2] = wet[:, -2:] = True
    x, y = to_map(transform, row * step + step // 2, column * step + step // 2)
    start, end, effort = [], [], []
    for down, right in ((0, 1), (1, 0), (1, 1), (1, -1)):
        near = (slice(0, rows - down), slice(max(0, -right), columns - max(0, right)))
        far = (slice(down, rows), slice(max(0, right), columns - max(0, -right)))
        length = transform.a * step * np.hypot(down, right)
        slope = (coarse[far] - coarse[near]) / length
        cost = length * (1 + (slope / 0.06) ** 2 + 6.0 * (wet[near] | wet[far]))
        start.append(node[near].ravel())
        end.append(node[far].ravel())
        effort.append(cost.ravel())
    start, end, effort = (np.concatenate(part) for part in (start, end, effort))
    graph = coo_matrix((np.tile(effort, 2), (np.r_[start, end], np.r_[end, start])), shape=(node.size, node.size))
    return graph.tocsr(), np.column_stack([x.ravel(), y.ravel()])


# Edges of a shortest path, each as (lower, higher) node, so that shared stretches are laid once.
def _walk(before, start, end):
    edges, node = set(), int(end)
    while node != start and before[node] >= 0:
        edges.add((min(node, int(before[node])), max(node, int(before[node]))))
        node = int(before[node])
    return edges


# A grid path without its corners; the ends stay, so that roads still meet.
def _bend(line):
    place = np.array(line.coords)
    if len(place) > 3:
        place[1:-1] = gaussian_filter1d(place, 1.5, axis=0, mode="nearest")[1:-1]
    return LineString(np.round(place, 1))
