"""Error of a global DEM, from its LE90 to its RMSE.

M. Mukul, V. Srivastava, S. Jade and M. Mukul, "Uncertainties in the Shuttle Radar Topography Mission (SRTM)
heights: insights from the Indian Himalaya and peninsula," Sci. Rep., vol. 7, 41672, 2017, doi:10.1038/srep41672.
Abstract: 16 m LE90 is an RMSE of 9.73 m (read in a stored copy; title and authors' initials from memory).
"""

import pytest

from sitefinder.io.catalogue_files import read_dem_error
from sitefinder.settings import DemSource

# Printed to a hundredth; the quotient is 9.7273.
RMSE_M = pytest.approx(9.73, abs=0.005)


def read(folder, **stated):
    dem = DemSource(path="dem.tif", vertical_unit="metre", vertical_datum="EGM96", **stated)
    return read_dem_error(dem, folder)[0].rmse_m


def test_the_printed_le90_stated_in_the_settings_gives_the_printed_rmse(tmp_path):
    assert read(tmp_path, error_le90_m=16.0) == RMSE_M


def test_the_preset_gives_the_printed_rmse(repository):
    assert read(repository / "config" / "dem-errors", error_preset="global-radar-2000.toml") == RMSE_M
