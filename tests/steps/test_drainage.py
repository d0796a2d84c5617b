"""From the surface and the stream cells to sums and repairs, by either engine and any tiles."""

from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest
import rasterio
import shapely

from sitefinder.dem.grid import Grid, tile_windows, whole
from sitefinder.dem.priority_flood import NO_SEED, SINK
from sitefinder.dem.stream_cells import StreamCells
from sitefinder.dem.tiles import merge_tile_sums
from sitefinder.errors import InputError
from sitefinder.io import surface as surface_edits
from sitefinder.io.raster import FLOAT_NODATA, read_labels, tile_transform
from sitefinder.io.whitebox_engine import route_with_whitebox
from sitefinder.pipeline.executors import InThisProcess
from sitefinder.steps.terrain import Drainage, Surface, drain_tiles, list_terrain_repairs

CRS = "EPSG:32633"
GRID = Grid(60, 70, 400_000.0, 5_000_000.0, 10.0, 10.0)


@pytest.fixture
def surface(tmp_path):
    """A plain that falls to the east, with a basin 30 m deep, a small hole, a lake, and rain in steps."""
    down, across = np.indices((GRID.rows, GRID.columns))
    elevation_m = (200.0 - across + 0.3 * np.abs(down - 30)).astype(np.float32)
    elevation_m -= np.maximum(0.0, 40.0 - 6.0 * np.hypot(down - 15, across - 20)).astype(np.float32)
    elevation_m[45:47, 10:12] = FLOAT_NODATA
    rasters = {"dem": elevation_m, "rain": (1000 + down).astype(np.float32)}
    profile = {"driver": "GTiff", "dtype": "float32", "count": 1, "nodata": FLOAT_NODATA, "crs": CRS}
    size = {"height": GRID.rows, "width": GRID.columns, "transform": tile_transform(whole(GRID), GRID)}
    for name, values in rasters.items():
        with rasterio.open(tmp_path / f"{name}.tif", "w", **profile, **size) as raster:
            raster.write(values, 1)
    dem_path = tmp_path / "dem.tif"
    lake = shapely.box(400_400.0, 4_999_600.0, 400_500.0, 4_999_700.0)
    levelled = surface_edits.level_lakes(dem_path, np.array([lake]), GRID)
    filled_cells = surface_edits.fill_holes(dem_path, GRID, 2)
    return Surface(GRID, dem_path, {"rain": tmp_path / "rain.tif"}, levelled, filled_cells)


# A stream down the eastern border, of two stations.
STREAM = StreamCells(
    np.arange(60, dtype=np.int32),
    np.full(60, 69, dtype=np.int32),
    (np.arange(60) // 30).astype(np.int32),
    pd.DataFrame(),
    np.zeros(2, dtype=np.int64),
)


def settings(engine, sink_depth_m):
    terrain = SimpleNamespace(engine=engine, margin_cells=4, sink_depth_m=sink_depth_m)
    return SimpleNamespace(terrain=terrain, run=SimpleNamespace(crs=CRS))


def drained(surface, engine, sink_depth_m, tile_cells, folder):
    folder.mkdir()
    tiles = tile_windows(GRID, tile_cells, tile_cells)
    sums, label_tiles = drain_tiles(
        settings(engine, sink_depth_m), surface, STREAM, tiles, folder, InThisProcess(), None
    )
    return Drainage(merge_tile_sums(sums, 2), STREAM, label_tiles)


@pytest.mark.parametrize("engine", ["flood", "whitebox"])
def test_either_engine_gives_the_same_sums_from_any_tiles(engine, surface, tmp_path):
    whole_one = drained(surface, engine, 20.0, 70, tmp_path / "one").sums
    tiled = drained(surface, engine, 20.0, 17, tmp_path / "many").sums

    assert np.array_equal(whole_one.cells, tiled.cells)
    assert np.array_equal(whole_one.sums["rain"], tiled.sums["rain"])
    pd.testing.assert_frame_equal(whole_one.sinks, tiled.sinks, check_exact=True)
    assert whole_one[-4:] == tiled[-4:]
    assert whole_one.cells.sum() + whole_one.off_dem_cells + whole_one.sink_cells == 60 * 70


@pytest.mark.parametrize("engine", ["flood", "whitebox"])
def test_labels_of_each_tile_are_kept_and_are_those_that_were_summed(engine, surface, tmp_path):
    ground = drained(surface, engine, 20.0, 40, tmp_path / "labels")

    cells = np.zeros(2, dtype=np.int64)
    closed = 0
    for window, path in ground.label_tiles:
        label = read_labels(path)
        assert label.shape == (window.rows, window.columns)
        cells += [np.count_nonzero(label == station) for station in (0, 1)]
        closed += np.count_nonzero(label == SINK)
    assert np.array_equal(cells, ground.sums.cells)
    assert closed == ground.sums.sink_cells > 0


@pytest.mark.parametrize("engine", ["flood", "whitebox"])
def test_closed_basins_and_filled_holes_are_listed_with_place_depth_and_cells(engine, surface, tmp_path):
    ground = drained(surface, engine, 20.0, 70, tmp_path / "basins")

    rows = list_terrain_repairs(surface, ground)

    assert rows["layer"].tolist() == ["dem", "dem"]
    assert rows["action"][0] == "interpolated, 4 cells in all"
    # The centre of row 15, column 20 of the grid.
    assert rows["feature"][1] == "(400205, 4999845)"
    # 40 m under the plain, which spills over the eastern rim, some 7 cells away and lower by as many metres.
    assert rows["problem"][1].startswith("closed basin ")
    assert float(rows["problem"][1].split()[2]) == pytest.approx(33.0, abs=1.0)
    assert rows["action"][1] == f"kept; {ground.sums.sink_cells} cells drain to it and to no stream"


def test_without_a_limit_no_basin_is_closed(surface, tmp_path):
    ground = drained(surface, "flood", None, 70, tmp_path / "open")

    assert ground.sums.sink_cells == 0
    assert len(list_terrain_repairs(surface, ground)) == 1


def test_a_dem_too_large_for_the_second_engine_is_refused(tmp_path):
    elevation_m = np.ones((60, 70), dtype=np.float32)
    seed = np.full(elevation_m.shape, NO_SEED, dtype=np.int32)
    with pytest.raises(
        InputError, match=r"too large for the whitebox engine(.|\n)*set terrain.engine = \"flood\""
    ):
        route_with_whitebox(elevation_m, elevation_m > 0, seed, GRID, tmp_path, max_cells=4000)
