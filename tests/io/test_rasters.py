"""Rasters: what a file says of itself, one warped copy, and cells read where they are."""

import os
import subprocess
import sys

import geopandas
import numpy as np
import pytest
import rasterio
from rasterio.transform import Affine

from sitefinder.dem.grid import Grid, Window, centre_of, whole
from sitefinder.errors import InputError
from sitefinder.io import raster as rasters
from sitefinder.io.opening import RASTER_FORMATS
from sitefinder.io.raster import (
    bounds_in_run,
    cells_at,
    raster_facts,
    read_labels,
    read_window,
    run_grid,
    warp_once,
    write_labels,
)
from sitefinder.settings import CovariateSource, DemSource

UTM = "EPSG:32633"
FOOT_M = 0.3048


@pytest.fixture
def saved(tmp_path):
    """A function that writes a DEM of 10 m cells in the run's system, or as given, and gives its facts."""

    def write(values, *, west=500_000.0, north=5_200_000.0, cell=10.0, crs=UTM, nodata=-9999.0, **source):
        values = np.asarray(values)
        shape = {"height": values.shape[0], "width": values.shape[1], "count": 1, "dtype": values.dtype}
        transform = source.pop("transform", Affine(cell, 0.0, west, 0.0, -cell, north))
        path = tmp_path / "dem.tif"
        with rasterio.open(
            path, "w", driver="GTiff", crs=crs, transform=transform, nodata=nodata, **shape
        ) as raster:
            raster.write(values, 1)
        stated = {"vertical_unit": "metre", "vertical_datum": "invented", "error_rmse_m": 0.5}
        stated |= {name.removeprefix("stated_"): value for name, value in source.items()}
        return raster_facts(DemSource(path="dem.tif", **stated), tmp_path, "dem")

    return write


def heights(rows, columns, seed=3):
    """Any heights will do, as long as no two neighbours are alike."""
    return np.random.default_rng(seed).uniform(100, 200, (rows, columns)).astype(np.float32)


def test_facts_are_those_of_the_file(saved):
    facts = saved(heights(3, 4), source="survey", licence="CC0 1.0")

    assert facts.crs == UTM
    assert (facts.shape, facts.bounds) == ((3, 4), (500_000.0, 5_199_970.0, 500_040.0, 5_200_000.0))
    assert (facts.cell_width, facts.cell_height, facts.nodata) == (10.0, 10.0, -9999.0)
    notes = {name: facts.lineage[name] for name in ("name", "path", "source", "date", "licence", "crs")}
    assert notes == {
        "name": "dem",
        "path": "dem.tif",
        "source": "survey",
        "date": "not stated",
        "licence": "CC0 1.0",
        "crs": UTM,
    }


@pytest.mark.parametrize(
    ("in_file", "stated", "used"), [(None, None, None), (None, -1.0, -1.0), (-9.0, None, -9.0)]
)
def test_nodata_is_the_stated_value_or_that_of_the_file(saved, in_file, stated, used):
    assert saved(heights(2, 2), nodata=in_file, stated_nodata=stated).nodata == used


def test_a_raster_that_is_not_there_is_an_error(tmp_path):
    with pytest.raises(InputError, match="does not exist") as caught:
        raster_facts(CovariateSource(path="rain.tif"), tmp_path, "precipitation_mm")

    assert str(caught.value) == (
        "the precipitation_mm raster's file does not exist\n"
        "  file:      rain.tif\n"
        f"  expected:  a file that GDAL reads, in {tmp_path}\n"
        "  fix:       correct the path, which starts from the settings file's folder"
    )


def test_a_file_that_is_no_raster_is_an_error(tmp_path):
    (tmp_path / "dem.tif").write_text("hello")

    with pytest.raises(InputError, match="cannot be read") as caught:
        raster_facts(CovariateSource(path="dem.tif"), tmp_path, "dem")

    lines = str(caught.value).splitlines()
    assert lines[:3] == [
        "the dem raster cannot be read",
        "  file:      dem.tif",
        f"  expected:  a raster of one of these formats: {RASTER_FORMATS}",
    ]
    assert "not recognized as being in a supported file format" in lines[3]


def test_a_raster_without_coordinate_system_is_an_error(saved):
    with pytest.raises(InputError, match="no coordinate system") as caught:
        saved(heights(2, 2), crs=None)

    assert str(caught.value) == (
        "the dem layer has no coordinate system\n"
        "  file:      dem.tif\n"
        "  expected:  a coordinate system in the file, or crs = … beside its path in the settings\n"
        "  found:     none\n"
        "  fix:       state crs in the settings if you know it; sitefinder does not guess"
    )


def test_a_coordinate_system_stated_for_a_raster_without_one_is_used(saved):
    assert saved(heights(2, 2), crs=None, stated_crs=UTM).crs == UTM


@pytest.mark.parametrize(
    "transform", [Affine(10, 0, 500_000, 0, 10, 5_200_000), Affine(8, 6, 500_000, 6, -8, 5_200_000)]
)
def test_a_raster_that_is_rotated_or_south_up_is_an_error(saved, transform):
    with pytest.raises(InputError, match="rotated or not north-up") as caught:
        saved(heights(2, 2), transform=transform)

    assert "fix:       warp it beforehand, for example with gdalwarp" in str(caught.value)


def test_the_run_grid_of_a_dem_in_the_runs_system_is_its_own(saved):
    assert run_grid(saved(heights(3, 4)), UTM, None) == Grid(3, 4, 500_000.0, 5_200_000.0, 10.0, 10.0)
    assert run_grid(saved(heights(3, 4)), UTM, 10.0) == Grid(3, 4, 500_000.0, 5_200_000.0, 10.0, 10.0)


def test_another_cell_size_makes_a_grid_of_whole_cells_around_the_dem(saved):
    grid = run_grid(saved(heights(3, 4), west=500_003.0), UTM, 15.0)

    # From 500,003 to 500,043 and from 5,199,970 to 5,200,000, outwards to whole multiples of 15 m.
    assert grid == Grid(3, 4, 499_995.0, 5_200_005.0, 15.0, 15.0)


def test_a_dem_in_degrees_gets_a_grid_of_about_its_own_cells(saved):
    facts = saved(heights(40, 60), west=15.0, north=47.0, cell=0.001, crs="EPSG:4326")

    grid = run_grid(facts, UTM, None)

    # At 47° N a thousandth of a degree is 75.8 m by 111.2 m (sphere of 6371 km), a square of that area 91.8 m.
    assert grid.cell_width_m == grid.cell_height_m == pytest.approx(91.8, rel=0.01)
    west_m, south_m, east_m, north_m = bounds_in_run(facts, UTM)
    assert grid.west_m <= west_m < grid.west_m + grid.cell_width_m
    assert grid.north_m - grid.cell_height_m < north_m <= grid.north_m
    assert grid.west_m + grid.columns * grid.cell_width_m >= east_m
    assert grid.north_m - grid.rows * grid.cell_height_m <= south_m


def test_warping_to_its_own_grid_copies_every_cell_as_it_is(saved, tmp_path):
    values = heights(70, 50)
    values[5:9, 7:30] = -9999.0
    facts = saved(values)
    grid = run_grid(facts, UTM, None)

    filled = warp_once(facts, grid, UTM, tmp_path / "surface.tif")

    copy, valid = read_window(tmp_path / "surface.tif", whole(grid))
    assert filled == valid.sum() == values.size - 4 * 23
    assert np.array_equal(valid, values != -9999.0)
    assert np.array_equal(copy[valid], values[valid])


def test_a_window_of_the_copy_is_that_part_of_it(saved, tmp_path):
    values = heights(70, 50)
    facts = saved(values)
    warp_once(facts, run_grid(facts, UTM, None), UTM, tmp_path / "surface.tif")

    part, valid = read_window(tmp_path / "surface.tif", Window(60, 45, 10, 5))

    assert np.array_equal(part, values[60:, 45:])
    assert valid.all()


def test_feet_become_metres_in_the_copy_and_in_cells(saved, tmp_path):
    facts = saved(np.full((4, 4), 1000, dtype=np.int16), nodata=None, vertical_unit="foot")

    warp_once(facts, run_grid(facts, UTM, None), UTM, tmp_path / "surface.tif", factor=FOOT_M)

    copy, _ = read_window(tmp_path / "surface.tif", Window(0, 0, 4, 4))
    assert copy == pytest.approx(304.8)
    assert cells_at(facts, np.array([500_001.0]), np.array([5_199_999.0]), UTM, factor=FOOT_M) == pytest.approx(
        304.8
    )


def test_a_stated_nodata_value_is_a_gap_in_the_copy_and_in_cells(saved, tmp_path):
    facts = saved([[100, 0], [100, 100]], nodata=None, stated_nodata=0)
    grid = run_grid(facts, UTM, None)

    assert warp_once(facts, grid, UTM, tmp_path / "surface.tif") == 3

    _, valid = read_window(tmp_path / "surface.tif", whole(grid))
    assert valid.tolist() == [[True, False], [True, True]]
    x_m, y_m = centre_of(grid, *np.mgrid[:2, :2])
    assert np.array_equal(cells_at(facts, x_m, y_m, UTM), [[100, np.nan], [100, 100]], equal_nan=True)


def test_a_dem_of_only_nodata_fills_no_cell(saved, tmp_path):
    facts = saved(np.full((5, 5), -9999.0, dtype=np.float32))

    assert warp_once(facts, run_grid(facts, UTM, None), UTM, tmp_path / "surface.tif") == 0


def test_a_gap_does_not_bleed_into_its_neighbours_when_warped(saved, tmp_path):
    values = np.full((40, 40), 100.0, dtype=np.float32)
    values[20, 20] = -9999.0
    facts = saved(values)
    grid = Grid(38, 38, 500_004.0, 5_199_994.0, 10.0, 10.0)

    warp_once(facts, grid, UTM, tmp_path / "surface.tif")

    copy, valid = read_window(tmp_path / "surface.tif", whole(grid))
    assert copy[valid] == pytest.approx(100.0)


def test_a_plane_stays_that_plane_through_the_warp(saved, tmp_path):
    rows, columns = np.mgrid[:60, :60]
    facts = saved((500.0 + 0.3 * columns - 0.2 * rows).astype(np.float32))
    grid = Grid(50, 50, 500_033.0, 5_199_961.0, 10.0, 10.0)

    warp_once(facts, grid, UTM, tmp_path / "surface.tif")

    copy, valid = read_window(tmp_path / "surface.tif", whole(grid))
    x_m, y_m = centre_of(grid, *np.mgrid[:50, :50])
    there = 500.0 + 0.03 * (x_m - 500_005.0) - 0.02 * (5_199_995.0 - y_m)
    assert valid.all()
    # Between cells the warp is linear, so a plane is kept to the rounding of 32-bit floats, twice 3e-5 at 500.
    assert copy == pytest.approx(there, abs=7e-5)


def test_coarser_cells_are_means(saved, tmp_path):
    values = heights(40, 40)
    facts = saved(values)
    grid = run_grid(facts, UTM, 40.0)

    warp_once(facts, grid, UTM, tmp_path / "surface.tif")

    copy, _ = read_window(tmp_path / "surface.tif", whole(grid))
    assert grid.rows == grid.columns == 10
    assert copy == pytest.approx(values.reshape(10, 4, 10, 4).mean(axis=(1, 3)), rel=1e-6)


def test_places_outside_the_raster_have_no_cell_and_borders_belong_to_one(saved):
    facts = saved([[1.0, 2.0], [3.0, 4.0]])
    west, north = 500_000.0, 5_200_000.0
    x_m = west + np.array([0.0, 9.999, 10.0, 19.999, 20.0, -0.001, 5.0, 5.0, 5.0])
    y_m = north - np.array([0.0, 0.0, 0.0, 10.0, 10.0, 5.0, -0.001, 20.0, 19.999])

    found = cells_at(facts, x_m, y_m, UTM)

    nan = np.nan
    assert np.array_equal(found, [1, 1, 2, 4, nan, nan, nan, nan, 3], equal_nan=True)


def test_places_that_no_system_holds_have_no_cell(saved):
    facts = saved(heights(4, 4), west=15.0, north=47.0, cell=0.01, crs="EPSG:4326")

    assert np.isnan(cells_at(facts, np.array([np.nan, np.inf, 1e12]), np.array([5.2e6, 5.2e6, 1e12]), UTM)).all()


def test_no_places_give_no_cells_and_a_table_of_places_keeps_its_shape(saved):
    facts = saved(heights(4, 4))

    assert cells_at(facts, np.zeros(0), np.zeros(0), UTM).shape == (0,)
    assert cells_at(facts, np.zeros((0, 5)), np.zeros((0, 5)), UTM).shape == (0, 5)
    assert cells_at(facts, np.zeros((2, 3)), np.zeros((2, 3)), UTM).shape == (2, 3)


def test_cells_of_a_dem_in_degrees_are_found_where_geopandas_puts_the_places(saved):
    values = heights(30, 30)
    facts = saved(values, west=15.0, north=47.0, cell=0.001, crs="EPSG:4326")
    rows, columns = np.mgrid[:30, :30]
    lon, lat = 15.0 + (columns + 0.5) * 0.001, 47.0 - (rows + 0.5) * 0.001
    there = geopandas.GeoSeries(geopandas.points_from_xy(lon.ravel(), lat.ravel()), crs="EPSG:4326").to_crs(UTM)

    found = cells_at(facts, there.x.to_numpy().reshape(30, 30), there.y.to_numpy().reshape(30, 30), UTM)

    assert np.array_equal(found, values)


def test_a_plane_is_kept_in_chunks_of_any_size(saved, tmp_path, monkeypatch):
    rows, columns = np.mgrid[:60, :60]
    facts = saved((500.0 + 0.3 * columns - 0.2 * rows).astype(np.float32))
    grid = Grid(50, 50, 500_033.0, 5_199_961.0, 10.0, 10.0)
    warp_once(facts, grid, UTM, tmp_path / "one.tif")
    monkeypatch.setattr(rasters, "CHUNK_CELLS", 13)

    warp_once(facts, grid, UTM, tmp_path / "many.tif")

    one, many = (read_window(tmp_path / name, whole(grid))[0] for name in ("one.tif", "many.tif"))
    assert many == pytest.approx(one, abs=7e-5)


@pytest.mark.parametrize("block", [1, 7, 64, 512])
def test_cells_read_in_blocks_of_any_size_are_those_of_the_whole_raster(saved, monkeypatch, block):
    values = heights(130, 150)
    values[::9] = -9999.0
    facts = saved(values)
    generator = np.random.default_rng(11)  # any places will do
    row, column = generator.integers(0, 130, 400), generator.integers(0, 150, 400)
    monkeypatch.setattr(rasters, "READ_CELLS", block)

    found = cells_at(facts, 500_000.0 + 10 * column + 3.0, 5_200_000.0 - 10 * row - 4.0, UTM)

    direct = np.where(values == -9999.0, np.nan, values)[row, column]
    assert np.array_equal(found, direct, equal_nan=True)


def test_chunks_of_the_copy_leave_no_seam_on_its_own_grid(saved, tmp_path, monkeypatch):
    values = heights(90, 70)
    facts = saved(values)
    monkeypatch.setattr(rasters, "CHUNK_CELLS", 32)

    warp_once(facts, run_grid(facts, UTM, None), UTM, tmp_path / "surface.tif")

    copy, _ = read_window(tmp_path / "surface.tif", Window(0, 0, 90, 70))
    assert np.array_equal(copy, values)


def test_two_copies_are_the_same_to_the_byte(saved, tmp_path):
    facts = saved(heights(60, 60), west=15.0, north=47.0, cell=0.001, crs="EPSG:4326")
    grid = run_grid(facts, UTM, None)

    for name in ("one.tif", "other.tif"):
        warp_once(facts, grid, UTM, tmp_path / name)

    assert (tmp_path / "one.tif").read_bytes() == (tmp_path / "other.tif").read_bytes()


def test_labels_come_back_as_they_were(tmp_path):
    labels = np.array([[-2, -1, 0], [1, 7, 2**31 - 1]], dtype=np.int32)

    write_labels(tmp_path / "labels.npz", labels)

    kept = read_labels(tmp_path / "labels.npz")
    assert kept.dtype == np.int32
    assert kept.tolist() == labels.tolist()


def test_the_library_holds_blocks_of_so_many_bytes_in_whatever_machine():
    script = "from sitefinder.io.raster import rasterio; print(rasterio.env.get_gdal_config('GDAL_CACHEMAX'))"
    plain = {name: value for name, value in os.environ.items() if name != "GDAL_CACHEMAX"}

    def said(**more):
        command = [sys.executable, "-c", script]
        return subprocess.run(command, env=plain | more, capture_output=True, text=True, check=True).stdout.split()

    # The library takes bytes here and megabytes from the environment; with 128 bytes it draws line by line.
    assert said() == [str(128 * 2**20)]
    assert said(GDAL_CACHEMAX="300") == [str(300 * 2**20)]
