"""Error of a global model of 30 m whose trees and roofs were taken off.

Indian Institute of Remote Sensing, "Assessment of FABDEM on the different types of topographic regions in India
using differential GPS data," sciforum.net paper 13368, abstract (read in a stored copy): RMSE 5.96, 2.77 and
4.29 m at Dehradun, Jaipur and Kendrapara, the last an alluvial plain.
"""

from sitefinder.config import DemSource
from sitefinder.io.dem_error_files import read_dem_error

RMSE_M = {"Dehradun": 5.96, "Jaipur": 2.77, "Kendrapara": 4.29}


def test_the_preset_is_the_figure_of_the_alluvial_plain_and_bare_earth(repository):
    dem = DemSource(
        path="dem.tif", vertical_unit="metre", vertical_datum="EGM2008", error_preset="global-30m-terrain.toml"
    )

    error, lineage = read_dem_error(dem, repository / "config" / "dem-errors")

    assert error.rmse_m == RMSE_M["Kendrapara"]
    assert not error.is_surface
    assert all(f"{figure:.2f}" in lineage["source"] for figure in RMSE_M.values())
