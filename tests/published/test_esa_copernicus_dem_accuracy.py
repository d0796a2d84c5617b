"""Error of a global surface model of 30 m.

European Space Agency, Copernicus DEM, table of accuracies (read in a copy of it): GLO-30, absolute vertical
accuracy below 4 m and relative below 2 m on slopes up to 20 %, both LE90; a digital surface model.
"""

import pytest

from sitefinder.config import DemSource
from sitefinder.io.dem_error_files import read_dem_error
from sitefinder.streams.profile_error import drop_standard_error, rmse_from_le90

ABSOLUTE_LE90_M, RELATIVE_LE90_M = 4.0, 2.0


def test_the_preset_is_the_absolute_accuracy_and_a_surface_model(repository):
    dem = DemSource(
        path="dem.tif", vertical_unit="metre", vertical_datum="EGM2008", error_preset="global-30m-surface.toml"
    )

    error, _ = read_dem_error(dem, repository / "config" / "dem-errors")

    # 90 % of normal errors are within 1.6448536 standard deviations (table of the normal distribution): 2.4318 m.
    assert error.rmse_m == pytest.approx(ABSOLUTE_LE90_M / 1.6448536, rel=1e-7)
    assert error.is_surface


def test_the_absolute_accuracy_is_the_cautious_one_for_heads():
    independent_m = drop_standard_error(*[rmse_from_le90(ABSOLUTE_LE90_M)] * 2, 0.0)

    # A relative error is that of a drop: 1.2159 m (derived), where independent absolute errors give 3.4392 m.
    assert rmse_from_le90(RELATIVE_LE90_M) == pytest.approx(1.2159, abs=0.00005)
    assert independent_m == pytest.approx(3.4392, abs=0.0001)
