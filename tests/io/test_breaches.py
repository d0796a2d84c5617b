"""Breaches through ground with lakes, against the same library (whitebox-workflows) on the ground as it is."""

import numpy as np
import pytest
import rasterio
import whitebox_workflows
from scipy import ndimage

from sitefinder.io.whitebox_engine import breach_depressions

SEARCH_CELLS = 8
TO_MAP = rasterio.Affine(10.0, 0.0, 500_000.0, 0.0, -10.0, 5_000_000.0)
NO_DATA = -9999.0


# What a function of the library makes of ground, read back as a whole.
def by_library(ground_m, folder, name, **options):
    path, found = folder / "plain.tif", folder / "made.tif"
    rows, columns = ground_m.shape
    profile = {"driver": "GTiff", "height": rows, "width": columns, "count": 1, "dtype": "float32"}
    with rasterio.open(path, "w", **profile, transform=TO_MAP, nodata=NO_DATA) as raster:
        raster.write(np.nan_to_num(ground_m, nan=NO_DATA), 1)
    engine = whitebox_workflows.WbEnvironment()
    made = getattr(engine.hydrology, name)(dem=engine.read_raster(str(path)), **options)
    engine.write_raster(made, str(found))
    with rasterio.open(found) as raster:
        return np.where(np.isfinite(ground_m), raster.read(1), np.nan)


def breached_by_library(ground_m, folder):
    options = {"max_dist": SEARCH_CELLS, "fill_deps": False}
    return by_library(ground_m, folder, "breach_depressions_least_cost", **options)


# Hills with two levels of water, of which the lower is the sea's and may lie along the edge, and perhaps a void.
def ground_with_lakes(seed, digits):
    random = np.random.default_rng(seed)
    hills = ndimage.gaussian_filter(random.normal(size=(90, 110)), 5.0)
    ground_m = (60.0 * hills / np.abs(hills).max() + 0.05 * np.arange(110)).round(digits).astype(np.float32)
    ground_m = np.maximum(ground_m, np.float32(0.0))
    ground_m[20:60, 30:70] = np.maximum(ground_m[20:60, 30:70], np.float32(12.3))
    if seed % 3 == 0:
        ground_m[70:75, 5:25] = np.nan
    return ground_m


# How much of depressions is left, which water would fill.
def left_by(ground_m, folder):
    filled_m = by_library(ground_m.astype(np.float32), folder, "fill_depressions", fix_flats=False)
    return np.nansum(filled_m - ground_m)


def breached_here(ground_m, folder):
    return breach_depressions(ground_m, np.isfinite(ground_m), TO_MAP, folder, SEARCH_CELLS)


def test_ground_with_level_water_is_drained_as_far_as_by_the_library_alone_and_with_no_more_digging(tmp_path):
    # Ways out of a lake that cost the same are many, and which comes first decides about others.
    dug_m, by_library_m = 0.0, 0.0
    for seed in range(3):
        ground_m = ground_with_lakes(seed, digits=0 if seed % 2 else 6)
        is_level = ndimage.maximum_filter(ground_m, 3) == ndimage.minimum_filter(ground_m, 3)
        assert is_level.mean() > 0.05

        found_m, expected_m = breached_here(ground_m, tmp_path), breached_by_library(ground_m, tmp_path)

        assert found_m.dtype == np.float32
        # Where no breach leads through, the ground is as it was; pits of one cell are raised to the next cell.
        assert (found_m == ground_m)[np.isfinite(ground_m)].mean() > 0.9
        assert not ((found_m > ground_m) & (found_m < ground_m + np.float32(1e-3))).any()
        left, expected_left = (left_by(each_m, tmp_path) for each_m in (found_m, expected_m))
        assert left == pytest.approx(expected_left, rel=1e-3)
        dug_m += np.nansum(ground_m - found_m)
        by_library_m += np.nansum(ground_m - expected_m)

    assert not list(tmp_path.glob("whitebox-*"))
    assert 1.0 < dug_m < 1.05 * by_library_m
