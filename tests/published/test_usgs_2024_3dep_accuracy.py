"""Error of a national DEM of 1/3 arc-second.

U.S. Geological Survey, "What is the vertical accuracy of the 3D Elevation Program (3DEP) DEMs?", page updated
26 July 2024 (read in a stored copy): 0.82 m RMSE for the conterminous United States in 2022, 1.55 m in 2013.
It refers to J. Stoker and B. Miller, "The accuracy and consistency of 3D Elevation Program data: a systematic
analysis," Remote Sens., vol. 14, 940, 2022, doi:10.3390/rs14040940.
"""

import pytest

from sitefinder.config import DemSource
from sitefinder.io.dem_error_files import read_dem_error
from sitefinder.streams.profile_error import drop_standard_error

RMSE_2022_M, RMSE_2013_M = 0.82, 1.55


def test_the_preset_has_the_printed_rmse_and_is_bare_earth(repository):
    preset = "national-third-arc-second.toml"
    dem = DemSource(path="dem.tif", vertical_unit="metre", vertical_datum="NAVD88", error_preset=preset)

    error, lineage = read_dem_error(dem, repository / "config" / "dem-errors")

    assert error.rmse_m == RMSE_2022_M
    assert not error.is_surface
    assert f"{RMSE_2013_M:.2f} m in 2013" in lineage["source"]


def test_two_metres_are_resolved_by_the_model_of_2022_and_not_by_that_of_2013():
    # Of independent errors: 1.645 · 0.82 · sqrt(2) = 1.91 m and 1.645 · 1.55 · sqrt(2) = 3.61 m (derived).
    least_m = [1.645 * drop_standard_error(rmse_m, rmse_m, 0.0) for rmse_m in (RMSE_2022_M, RMSE_2013_M)]

    assert least_m[0] < 2.0 < least_m[1]
    assert least_m == pytest.approx([1.91, 3.61], abs=0.005)
