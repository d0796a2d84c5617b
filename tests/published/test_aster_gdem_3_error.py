"""Error of a global DEM, from its LE95.

ASTER Global Digital Elevation Model version 3, validation report: RMSE 8.52 m, LE95 16.70 m (both read in a
stored copy of the report).
"""

import pytest

from sitefinder.config import DemSource
from sitefinder.io.dem_error_files import read_dem_error
from sitefinder.streams.profile_error import rmse_from_le95


def test_the_printed_le95_gives_the_printed_rmse():
    # Both are printed to a hundredth of a metre: half of one in the LE95 is 0.0026 m in the RMSE.
    assert rmse_from_le95(16.70) == pytest.approx(8.52, abs=0.005 + 0.0026)


def test_the_preset_has_the_printed_rmse(repository):
    dem = DemSource(
        path="dem.tif", vertical_unit="metre", vertical_datum="EGM96", error_preset="global-stereo.toml"
    )

    error, _ = read_dem_error(dem, repository / "config" / "dem-errors")

    assert error.rmse_m == pytest.approx(8.52, abs=0.005 + 0.0026)
    assert error.is_surface
