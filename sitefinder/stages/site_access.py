"""How one gets to a site: the bank of the nearest road, the climb from it, and the way by road to a settlement."""

import numpy as np
import shapely

from sitefinder.io.rasters import cells_at
from sitefinder.siting.access import side_of_stream
from sitefinder.siting.road_network import on_roads, road_lines, way_by_road_m
from sitefinder.stages.alternatives import settlements_to_serve


def road_levels_m(settings, inputs, x_m, y_m):
    """Level of the nearest road at each place [m], by the DEM's own cells; NaN without roads, shape (n,)."""
    lines = road_lines(inputs.layers["roads"].frame) if "roads" in inputs.layers else np.array([])
    if not (len(lines) and len(x_m)):
        return np.full(len(x_m), np.nan)
    roads = on_roads(shapely.points(x_m, y_m), lines)
    places = shapely.line_interpolate_point(lines[roads.line], roads.along_m)
    road_x_m, road_y_m = shapely.get_coordinates(places).T
    return cells_at(inputs.dem, road_x_m, road_y_m, settings.run.crs, factor=settings.inputs.dem.metres_per_unit)


def with_access(settings, inputs, placed, heads, order):
    """Sites with their bank, climb and way.

    Parameters
    ----------
    settings, inputs, placed, heads
        Results of the stages of those names.
    order : DataFrame, n rows
        Sites, with ``tailrace`` and ``road_level_m`` [m].

    Returns
    -------
    DataFrame
        With ``road_bank``, ``road_climb_m`` and ``settlement_road_m``; empty and NaN without roads.
    """
    nothing = np.full(len(order), np.nan)
    order = order.assign(road_bank="", road_climb_m=nothing, settlement_road_m=nothing)
    lines = road_lines(inputs.layers["roads"].frame) if "roads" in inputs.layers else np.array([])
    if not (len(lines) and len(order)):
        return order
    stations, tailrace = placed.stations, order["tailrace"].to_numpy(dtype=np.int64)
    x_m, y_m = (stations[name].to_numpy() for name in ("x_m", "y_m"))
    sites = shapely.points(x_m[tailrace], y_m[tailrace])
    roads = on_roads(sites, lines)
    road_x_m, road_y_m = shapely.get_coordinates(
        shapely.line_interpolate_point(lines[roads.line], roads.along_m)
    ).T
    # A tailrace always has a segment: it comes from the station before it.
    flow_x_m, flow_y_m = x_m[tailrace] - x_m[tailrace - 1], y_m[tailrace] - y_m[tailrace - 1]
    to_road = road_x_m - x_m[tailrace], road_y_m - y_m[tailrace]
    road_m = order["road_level_m"].to_numpy(dtype=float)
    order = order.assign(
        road_bank=side_of_stream(flow_x_m, flow_y_m, *to_road),
        road_climb_m=heads.profile_m[tailrace] - road_m,
    )
    served = settlements_to_serve(settings, inputs)
    if served is not None and len(served):
        goals = on_roads(np.asarray(served.geometry, dtype=object), lines)
        order = order.assign(settlement_road_m=way_by_road_m(roads, goals, lines))
    return order
