"""Error of bare earth from airborne lidar.

U.S. Geological Survey, Lidar Base Specification, table of quality levels: RMSEz of at most 10 cm for QL2 on ground
without plants (read in a secondary table), which the specification also prints as a non-vegetated vertical
accuracy of 19.6 cm at 95 % (from memory).
"""

import pytest

from sitefinder.config import DemSource
from sitefinder.io.dem_error_files import read_dem_error

QL2_RMSE_M, QL2_NVA_95_M = 0.10, 0.196


def stated(repository, **values):
    dem = DemSource(path="dem.tif", vertical_unit="metre", vertical_datum="any", **values)
    return read_dem_error(dem, repository / "config" / "dem-errors")[0]


def test_the_preset_is_quality_level_2_and_bare_earth(repository):
    error = stated(repository, error_preset="lidar.toml")

    assert error.rmse_m == QL2_RMSE_M
    assert not error.is_surface


def test_the_accuracy_at_95_percent_is_the_same_error(repository):
    # Printed to a millimetre: half of one is 0.0003 m in the RMSE.
    assert stated(repository, error_le95_m=QL2_NVA_95_M).rmse_m == pytest.approx(QL2_RMSE_M, abs=0.0003)
