"""Rasters as they come: unmarked nodata, gaps, units and datums, and what no run would take."""

import geopandas
import numpy as np
import pytest
import rasterio
import shapely

from sitefinder.inspection.inspecting import inspect_files
from sitefinder.inspection.rasters import inspect_raster

UTM = "EPSG:32633"


def ground(rows=120, columns=100):
    row, column = np.mgrid[0:rows, 0:columns]
    return (
        300.0 - 0.2 * row + 8.0 * np.sin(column / 9.0) + np.random.default_rng(3).normal(0, 0.2, (rows, columns))
    )


def saved(path, values, *, crs=UTM, nodata=None, transform=None, unit=None):
    bands = values if values.ndim == 3 else values[None]
    place = transform or rasterio.Affine(10.0, 0.0, 500_000.0, 0.0, -10.0, 5_000_000.0)
    with rasterio.open(
        path, "w", driver="GTiff", height=bands.shape[1], width=bands.shape[2], count=len(bands), dtype="float32",
        crs=crs, nodata=nodata, transform=place,
    ) as raster:  # fmt: skip
        raster.write(bands.astype("float32"))
        if unit:
            raster.units = (unit,) * len(bands)
    return path


def found(path, **options):
    return inspect_raster(path, path.name, is_dem=True, **options).found


def test_a_sound_dem(tmp_path):
    values = ground()
    values[:12, :50] = -32768.0

    dem = found(saved(tmp_path / "dem.tif", values, nodata=-32768.0, unit="metre"))

    assert (dem.crs.code, dem.vertical_unit, dem.vertical_datum) == (UTM, "metre", None)
    assert (dem.gap_percent, dem.looked_at, dem.suspected_nodata) == (5.0, 12_000, [])
    assert dem.problems == []
    assert dem.minimum == pytest.approx(values[values > 0].min(), abs=1e-4)


def test_unmarked_nodata_is_found_and_kept_out_of_the_values(tmp_path):
    values = ground()
    values[40:60, 40:60] = -9999.0

    dem = found(saved(tmp_path / "dem.tif", values))

    assert dem.suspected_nodata == [-9999.0]
    assert dem.minimum > 200.0
    (problem,) = dem.problems
    assert problem.startswith("the dem raster holds impossible heights\n  file:      dem.tif\n")


def test_a_pit_of_a_usual_value_is_suspected_beside_marked_nodata(tmp_path):
    values = ground()
    values[40:60, 40:60] = 0.0
    values[0] = -9999.0

    dem = found(saved(tmp_path / "dem.tif", values, nodata=-9999.0))

    assert (dem.nodata, dem.suspected_nodata) == (-9999.0, [0.0])
    assert "seems to have gaps without a nodata value" in dem.problems[0]


def test_what_a_check_finds_behind_unmarked_nodata_is_said_in_the_same_pass(tmp_path):
    values = np.random.default_rng(5).normal(300.0, 30.0, (120, 100))
    values[40:60, 40:60] = -9999.0

    problems = found(saved(tmp_path / "dem.tif", values)).problems

    assert [problem.splitlines()[0] for problem in problems] == [
        "the dem raster holds impossible heights",
        "the dem raster holds no ground",
    ]


def test_the_vertical_datum_of_a_compound_system_is_named(tmp_path):
    dem = found(saved(tmp_path / "dem.tif", ground(), crs="EPSG:32633+3855"))

    assert (dem.vertical_unit, dem.vertical_datum) == ("metre", "EGM2008 height")


@pytest.mark.parametrize(
    ("options", "bands", "headline"),
    [
        ({"crs": None}, 1, "the dem layer has no coordinate system"),
        ({"transform": rasterio.Affine(10, 1, 5e5, 1, -10, 5e6)}, 1, "the dem raster is rotated or not north-up"),
        ({}, 3, "the dem raster has several bands"),
    ],
)
def test_what_no_run_takes_is_shown_all_the_same(tmp_path, options, bands, headline):
    values = np.stack([ground()] * bands)

    dem = found(saved(tmp_path / "dem.tif", values, **options))

    assert (dem.rows, dem.columns, dem.bands) == (120, 100, bands)
    assert dem.problems[0].splitlines()[0] == headline
    assert "\n  file:      dem.tif\n" in dem.problems[0]


def test_rainfall_is_not_judged_as_ground_and_no_dem_for_layers(tmp_path):
    saved(tmp_path / "rainfall.tif", np.full((20, 20), 900.0), nodata=-9999.0)

    (rain,) = inspect_files([str(tmp_path / "rainfall.tif")]).found

    assert rain.role == "covariates.precipitation_mm"
    assert rain.raster.problems == []


def test_a_raster_in_a_geopackage_is_taken_for_a_raster(tmp_path):
    with rasterio.open(
        tmp_path / "tiles.gpkg", "w", driver="GPKG", width=64, height=64, count=1, dtype="uint8", crs="EPSG:4326",
        transform=rasterio.Affine(0.1, 0.0, 10.0, 0.0, -0.1, 50.0),
    ) as raster:  # fmt: skip
        raster.write(np.arange(4096, dtype="uint8").reshape(1, 64, 64))

    (tiles,) = inspect_files([str(tmp_path / "tiles.gpkg")]).found

    assert tiles.layer is None
    assert (tiles.raster.rows, tiles.raster.bands) == (64, 4)


def test_layers_and_other_rasters_are_compared_with_the_dem_wherever_it_is_among_the_files(tmp_path):
    saved(tmp_path / "dem.tif", ground())
    east = rasterio.Affine(100.0, 0.0, 500_500.0, 0.0, -100.0, 5_000_000.0)
    saved(tmp_path / "rainfall.tif", np.full((30, 20), 900.0), transform=east)
    point = geopandas.GeoDataFrame({"weir_id": ["a"]}, geometry=[shapely.Point(500_100.0, 4_999_900.0)], crs=UTM)
    point.to_file(tmp_path / "weirs.gpkg")

    inspected = inspect_files([str(tmp_path / name) for name in ("rainfall.tif", "weirs.gpkg", "dem.tif")])

    rain, weirs, dem = inspected.found
    assert (rain.raster.covered_percent, dem.raster.covered_percent) == (50.0, None)
    assert weirs.layer.at_dem == (1, 1, 0)
