"""Make the sample region: an invented district with its streams, gauges and map layers, and the truth about them.

    python sample-region/make.py [--out FOLDER] [--cells N] [--seed N]

The same numbers give the same files. Nothing here is taken from a real place: the coordinates lie on open sea.
This script shares no code with the program that the region is for, so that it can judge it.
"""

import argparse
import json
from pathlib import Path
from typing import NamedTuple

import geopandas as gpd
import numpy as np
import pandas as pd
import plan
import pyogrio
import rasterio
from affine import Affine
from channels import carve, dig_canal, set_levels, trace_streams
from gauges import draw_gauges, flow_law, plant_gauge
from hillsides import hillside_ways
from landscape import STAGES, accumulate, drain, evolve, smooth_noise
from layers import (
    Mapped,
    draw_districts,
    draw_fish,
    draw_lake,
    draw_protected,
    draw_streams,
    draw_structures,
    draw_works,
    largest_polygon,
    mapper_shift,
    name_streams,
    survey_sections,
)
from places import (
    Places,
    choose_places,
    connected_works,
    first_channel_point,
    lay_canal,
    planned_places,
    raise_embankments,
    sum_downstream,
)
from rainfall import draw_rainfall, rain_on_cells
from roads import build_power_lines, build_roads, settle
from truth import tell_truth

EPSG = 32633
WEST_M, NORTH_M = 402_000.0, 4_412_000.0
CELL_M = 10.0
BASE_LEVEL_M = 184.0
# Where no geography is planned rivers leave in the south and in the east: shares of the side, (row, column).
GAPS = ((1.0, 0.32), (0.62, 1.0))
# Streams are mapped where this much ground drains; a small region is drawn finer, or it would have none.
MAPPED_AREA_KM2 = 0.5
MIN_MAPPED_AREA_KM2 = 0.1
PLANNED_MAPPED_AREA_KM2 = 0.55
# Ground of a river that reaches the border lies in the inventory's region above this, the rest is outer slope.
MIN_SYSTEM_KM2 = 3.0
# Error of the delivered DEM: white and correlated parts, 0.15 m together.
WHITE_NOISE_M, CORRELATED_NOISE_M, NOISE_LENGTH_M = 0.105, 0.107, 60.0
# Elevations are kept to 1/128 m: far below their error, and small when packed.
ELEVATION_STEPS_PER_M = 128
GAUGES, GAUGES_INSIDE = 48, 4
SEED = 7
# What the GeoPackages say of when they were changed; a true time would make every file differ.
STAMP = "2024-01-01T00:00:00Z"


class Region(NamedTuple):
    """All that is written: surfaces, vector layers by file, gauges and truth; and how far lines are moved [m]."""

    dem: np.ndarray
    surface: np.ndarray
    transform: Affine
    rainfall: np.ndarray
    rainfall_grid: Affine
    mapped: Mapped
    layers: dict
    protected: gpd.GeoDataFrame
    gauges: pd.DataFrame
    truth: dict
    streams: list
    places: Places
    sections: pd.DataFrame | None = None
    beside_m: tuple | None = None


def build_region(cells=1000, seed=SEED, beside_m=None):
    """Make the region in memory.

    Parameters
    ----------
    cells : int
        Rows and columns of the DEM, of 10 m; a multiple of 4, at least 200.
    seed : int
        Another seed gives another region. From `plan.MIN_CELLS` on it has the geography of `plan`.
    beside_m : (float, float), optional
        Least and greatest distance of the mapped lines from the ground [m], see `layers.mapper_shift`.

    Returns
    -------
    Region
    """
    if cells < 200:
        raise ValueError(f"cells must be at least 200, or no stream finds room (found {cells})")
    planned = cells >= plan.MIN_CELLS
    rng = np.random.default_rng([seed, 4])
    transform = Affine(CELL_M, 0, WEST_M, 0, -CELL_M, NORTH_M)
    eroded = evolve(cells, CELL_M, plan.GAPS if planned else GAPS, seed, planned) + BASE_LEVEL_M
    is_border = np.zeros(eroded.shape, bool)
    is_border[[0, -1], :] = is_border[:, [0, -1]] = True
    receiver, order = drain(eroded, is_border)
    land_km2 = np.full(eroded.size, CELL_M**2 / 1e6)
    for row, column, river in plan.entries(cells, STAGES[0].coarseness) if planned else []:
        land_km2[row * cells + column] += river.inflow_km2
    area_km2 = accumulate(receiver, order, land_km2)
    min_km2 = float(np.clip(MAPPED_AREA_KM2 * cells / 1000, MIN_MAPPED_AREA_KM2, MAPPED_AREA_KM2))
    min_km2 = PLANNED_MAPPED_AREA_KM2 if planned else min_km2
    traced = trace_streams(eroded, receiver, order, area_km2, transform, min_km2)
    plain = set_levels(traced, [], None)
    wobble = smooth_noise(rng, cells, 15.0)
    choose = planned_places if planned else choose_places
    places = choose(plain, eroded.shape, transform, wobble, rng)
    streams = set_levels(traced, places.structures, places.lake)
    surface, owner, points = carve(eroded, streams, places.lake, transform, places.works)
    if planned:
        places = places._replace(canal=lay_canal(streams, places.rivers[0]))
        surface = dig_canal(surface, owner >= 0, places.canal, transform)

    first_point = first_channel_point(surface, owner)
    rainfall, rainfall_grid = draw_rainfall(surface, transform, seed, planned)
    cell_km2 = np.full(surface.shape, CELL_M**2 / 1e6)
    rain = rain_on_cells(rainfall, rainfall_grid, surface.shape, transform)
    inside = sum_downstream(streams, points, first_point, cell_km2)
    rains = [
        total / np.maximum(area, 1e-12)
        for total, area in zip(sum_downstream(streams, points, first_point, cell_km2 * rain), inside, strict=True)
    ]
    inflows = _inflows(streams, places.rivers)
    areas = [area + more for area, more in zip(inside, _carried(streams, inflows), strict=True)]
    dem = raise_embankments(surface, streams, places.embankments, transform) + _dem_noise(cells, places.lake, seed)
    dem = (np.round(dem * ELEVATION_STEPS_PER_M) / ELEVATION_STEPS_PER_M).astype(np.float32)

    shift = mapper_shift(eroded.shape, transform, seed, beside_m)
    mapped = draw_streams(streams, shift, rng, places.rivers)
    extent = rasterio.transform.array_bounds(cells, cells, transform)
    spawning, migration = draw_fish(streams, places.structures, places.lake, shift, places.rivers)
    settlements = settle(surface, streams, transform, max(3, round(9 * min(1.0, cells / 1000))), planned)
    served = plan.SERVED_SETTLEMENTS if planned else max(2, len(settlements) * 2 // 3)
    is_inside = _drains_to_rivers(first_point, points, streams, inside if planned else None)
    layers = {
        "structures": draw_structures(streams, places.structures, rng),
        "lakes": draw_lake(places.lake, _lake_name(streams, places), transform),
        "spawning": spawning,
        "migration": migration,
        "roads": build_roads(surface, owner >= 0, streams, places.embankments, settlements, transform),
        "power_lines": build_power_lines(settlements, served, connected_works(streams, places)),
        "settlements": settlements,
        "districts": draw_districts(extent),
        "region": gpd.GeoDataFrame(
            {"name": ["Tarrin district"]}, geometry=[largest_polygon(is_inside, transform).simplify(40.0)]
        ),
    }
    if planned:
        layers |= dict(zip(("embankments", "canals", "drops"), draw_works(streams, places), strict=True))
    law = flow_law()
    centre = ((extent[0] + extent[2]) / 2, (extent[1] + extent[3]) / 2)
    gauges = draw_gauges(law, _gauge_places(streams, areas, rains), GAUGES, centre, seed)
    planted = plant_gauge(gauges) if planned else ()
    ways = hillside_ways(surface, transform, streams, places.rivers[1:]) if planned else ()
    truth = tell_truth(
        streams, areas, rains, inflows, places, layers["structures"], mapped, law, cells, seed, planted, ways
    )
    return Region(
        dem, surface, transform, rainfall, rainfall_grid, mapped, {k: v.set_crs(EPSG) for k, v in layers.items()},
        draw_protected(streams, extent, rng, places.rivers).set_crs(EPSG).to_crs(4326),
        gauges, truth, streams, places,
        survey_sections(streams, places, shift) if planned else None, beside_m,
    )  # fmt: skip


# Catchment outside the region that each stream brings in at its head [km²].
def _inflows(streams, rivers):
    inflows = [0.0] * len(streams)
    for number, river in zip(rivers, plan.RIVERS, strict=False):
        inflows[number] = river.inflow_km2
    return inflows


# What came in above each vertex of each stream [km²].
def _carried(streams, inflows):
    carried = [np.full(stream.x_m.size, own) for stream, own in zip(streams, inflows, strict=True)]
    # Tributaries come after their stems, so this walks from the sources down.
    for number in range(len(streams) - 1, -1, -1):
        if streams[number].into >= 0:
            carried[streams[number].into][streams[number].joins_at :] += carried[number][-1]
    return carried


# A lake is called after its stream.
def _lake_name(streams, places):
    lake = places.lake
    return "" if lake is None else f"{name_streams(streams, places.rivers)[lake.stream]} Mere".strip()


# DEM error [m]: nothing on the lake, which the DEM's makers are taken to have flattened.
def _dem_noise(cells, lake, seed):
    rng = np.random.default_rng([seed, 6])
    noise = WHITE_NOISE_M * rng.normal(size=(cells, cells))
    noise += CORRELATED_NOISE_M * smooth_noise(rng, cells, NOISE_LENGTH_M / CELL_M)
    return noise if lake is None else np.where(lake.mask, 0.0, noise)


# The ground of the rivers that leave through the gaps, without the outer slope of the rim. In a planned region
# they are known by ``areas``, what drains to them inside it.
def _drains_to_rivers(first_point, points, streams, areas):
    root = np.arange(len(streams))
    for number, stream in enumerate(streams):
        root[number] = number if stream.into < 0 else root[stream.into]
    size = np.array([stream.area_km2.max() for stream in streams])
    is_river = size > 0.1 * size.max()
    if areas is not None:
        is_river = np.array([area.max() for area in areas]) > MIN_SYSTEM_KM2
    inside = np.zeros(first_point.shape, bool)
    reached = first_point >= 0
    inside[reached] = is_river[root[points["stream"][first_point[reached]]]]
    return inside


# Gauges on the largest streams, a little above the mouth, with the true area and rain of their places.
def _gauge_places(streams, areas, rains):
    places = []
    for number in sorted(range(len(streams)), key=lambda k: -areas[k][-1])[:GAUGES_INSIDE]:
        stream, vertex = streams[number], int(0.8 * streams[number].x_m.size)
        places.append((stream.x_m[vertex], stream.y_m[vertex], areas[number][vertex], rains[number][vertex]))
    return places


def write_region(region, folder):
    """Write the region's files into a folder, over what stands there.

    Parameters
    ----------
    region : Region
    folder : Path
    """
    folder.mkdir(parents=True, exist_ok=True)
    _write_raster(folder / "dem.tif", region.dem, region.transform, -9999.0, 3)
    _write_raster(folder / "rainfall.tif", region.rainfall, region.rainfall_grid, -32768, 2)
    region.gauges.to_csv(folder / "gauges.csv", index=False, lineterminator="\n")
    if region.sections is not None:
        region.sections.to_csv(folder / "sections.csv", index=False, lineterminator="\n")
    (folder / "truth.json").write_text(json.dumps(region.truth, ensure_ascii=False) + "\n", encoding="utf-8")
    pyogrio.set_gdal_config_options({"OGR_CURRENT_DATE": STAMP})
    try:
        _write_layers(folder / "streams.gpkg", {"streams": region.mapped.streams.set_crs(EPSG)})
        _write_layers(folder / "layers.gpkg", region.layers)
        _write_layers(folder / "protected.gpkg", {"protected": region.protected})
    finally:
        pyogrio.set_gdal_config_options({"OGR_CURRENT_DATE": None})


def _write_raster(path, values, transform, nodata, predictor):
    path.unlink(missing_ok=True)
    profile = {"driver": "GTiff", "height": values.shape[0], "width": values.shape[1], "count": 1}
    profile |= {"dtype": values.dtype, "crs": f"EPSG:{EPSG}", "transform": transform, "nodata": nodata}
    if min(values.shape) >= 256:
        profile |= {"tiled": True, "blockxsize": 256, "blockysize": 256}
    with rasterio.open(path, "w", **profile, compress="deflate", predictor=predictor, zlevel=9) as target:
        target.write(values, 1)
        target.units = ("metre" if nodata == -9999.0 else "mm",)


def _write_layers(path, layers):
    path.unlink(missing_ok=True)
    for name, frame in layers.items():
        kinds = set(frame.geom_type)
        kind = kinds.pop() if len(kinds) == 1 else "Unknown"
        pyogrio.write_dataframe(
            frame, path, layer=name, driver="GPKG", geometry_type=kind, dataset_options={"VERSION": "1.3"},
            layer_options={"SPATIAL_INDEX": "NO"},  # which would double the size of layers as small as these
        )  # fmt: skip


def main(arguments=None):
    """Read the command line, make the region and write it."""
    parser = argparse.ArgumentParser(description="Make the invented sample region.")
    parser.add_argument("--out", type=Path, default=Path(__file__).resolve().parent, help="folder to write into")
    parser.add_argument("--cells", type=int, default=1000, help="rows and columns of the DEM, 10 m each")
    parser.add_argument("--seed", type=int, default=SEED, help="another seed gives another region")
    options = parser.parse_args(arguments)
    write_region(build_region(options.cells, options.seed), options.out)


if __name__ == "__main__":
    main()
