"""Error of bare earth from airborne lidar.

U.S. Geological Survey, Lidar Base Specification, table of quality levels: RMSEz of at most 10 cm for QL2 on ground
without plants (read in a secondary table), which the specification also prints as a non-vegetated vertical
accuracy of 19.6 cm at 95 % (from memory).
"""

import pytest

from sitefinder.io.catalogue_files import read_dem_error
from sitefinder.settings import DemSource


def test_the_accuracy_at_95_percent_is_the_same_error_as_the_rmse(tmp_path):
    dem = DemSource(path="dem.tif", vertical_unit="metre", vertical_datum="any", error_le95_m=0.196)

    error, _ = read_dem_error(dem, tmp_path)

    # Printed to a millimetre: half of one is 0.0003 m in the RMSE.
    assert error.rmse_m == pytest.approx(0.10, abs=0.0003)
