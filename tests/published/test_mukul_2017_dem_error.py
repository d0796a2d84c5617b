"""Error of a global DEM, from its LE90 to the error of a drop.

M. Mukul, V. Srivastava, S. Jade and M. Mukul, "Uncertainties in the Shuttle Radar Topography Mission (SRTM)
heights: insights from the Indian Himalaya and peninsula," Sci. Rep., vol. 7, 41672, 2017, doi:10.1038/srep41672.
Abstract: 16 m LE90 is an RMSE of 9.73 m (read in a stored copy; title and authors' initials from memory).
"""

import tomllib

import pytest

from sitefinder.config import DemSource
from sitefinder.io.dem_error_files import read_dem_error
from sitefinder.streams.profile_error import drop_standard_error, rmse_from_le90

LE90_M = 16.0
RMSE_M = 9.73
# One-sided 5 % point of the normal distribution: a head below that many standard errors is not resolved.
RESOLVED_AT = 1.645


def test_the_printed_le90_gives_the_printed_rmse():
    # Printed to a hundredth; the quotient is 9.7273.
    assert rmse_from_le90(LE90_M) == pytest.approx(RMSE_M, abs=0.005)


def test_the_preset_has_the_printed_figures(repository):
    path = repository / "config" / "dem-errors" / "global-radar-2000.toml"
    dem = DemSource(path="dem.tif", vertical_unit="metre", vertical_datum="EGM96", error_preset=path.name)

    error, lineage = read_dem_error(dem, path.parent)

    assert tomllib.loads(path.read_text(encoding="utf-8"))["error_le90_m"] == LE90_M
    assert error.rmse_m == pytest.approx(RMSE_M, abs=0.005)
    assert error.is_surface
    assert "41672" in lineage["source"]


def test_a_drop_of_two_metres_is_not_resolved_where_errors_are_independent():
    drop_se_m = drop_standard_error(RMSE_M, RMSE_M, 0.0)

    # 9.73 · sqrt(2) = 13.760 (derived from the printed figure).
    assert drop_se_m == pytest.approx(13.76, abs=0.005)
    assert 2.0 / drop_se_m < RESOLVED_AT


def test_a_drop_is_resolved_only_where_nearly_all_of_the_error_is_shared():
    # From the identity s · sqrt(2 (1 - rho)) (derived): 2 m is 1.645 errors at rho = 1 - (2 / 1.645 / 9.73)² / 2.
    at_the_limit = 1.0 - (2.0 / RESOLVED_AT / RMSE_M) ** 2 / 2.0

    assert 2.0 / drop_standard_error(RMSE_M, RMSE_M, at_the_limit) == pytest.approx(RESOLVED_AT, rel=1e-9)
    assert at_the_limit == pytest.approx(0.9922, abs=0.00005)


def test_a_national_dem_of_before_lidar():
    # RMSE 2.44 m: D. B. Gesch 2007 for the U.S. National Elevation Dataset, read in a secondary text that quotes
    # the survey; 3.4507 is derived from it, to the digits given.
    assert drop_standard_error(2.44, 2.44, 0.0) == pytest.approx(3.4507, abs=0.00005)


def test_a_global_surface_model_of_30_m():
    # Copernicus GLO-30: absolute vertical 4 m LE90, relative 2 m LE90 on slopes up to 20 % (read in a stored copy
    # of the ESA table). A relative error is that of a drop already. Quotients derived, to the digits given.
    assert rmse_from_le90(4.0) == pytest.approx(2.4318, abs=0.00005)
    assert rmse_from_le90(2.0) == pytest.approx(1.2159, abs=0.00005)
