"""Error of a global DEM, from its LE95 to its RMSE.

ASTER Global Digital Elevation Model version 3, validation report: RMSE 8.52 m, LE95 16.70 m (both read in a
stored copy of the report).
"""

import pytest

from sitefinder.io.catalogue_files import read_dem_error
from sitefinder.settings import DemSource

# Both are printed to a hundredth of a metre: half of one in the LE95 is 0.0026 m in the RMSE.
RMSE_M = pytest.approx(8.52, abs=0.005 + 0.0026)


def read(folder, **stated):
    dem = DemSource(path="dem.tif", vertical_unit="metre", vertical_datum="EGM96", **stated)
    return read_dem_error(dem, folder)[0].rmse_m


def test_the_printed_le95_stated_in_the_settings_gives_the_printed_rmse(tmp_path):
    assert read(tmp_path, error_le95_m=16.70) == RMSE_M


def test_the_preset_gives_the_printed_rmse(repository):
    assert read(repository / "config" / "dem-errors", error_preset="global-stereo.toml") == RMSE_M
