"""Catchments of the Eno River, North Carolina, from a DEM in degrees, and from the same DEM warped beforehand.

DEM: U.S. Geological Survey, cells of 1/3 arc-second, in geographic NAD83 under the code OGC:CRS83. No network is
mapped; one is derived once at 1 km² and used for both, so that only the way to the run's grid differs.

Catchments agree within 1 % at every reach's end, or at the next station 50 m up or down: where a side valley too
small to be mapped comes in within a cell of a station, the grid decides above which of two stations it counts.
"""

import numpy as np
import pytest
import rasterio
from rasterio.warp import Resampling, reproject, transform_bounds

from sitefinder.steps.derived_network import derive_network

pytestmark = pytest.mark.slow

CRS = "EPSG:26917"
NO_DATA = -9999.0
CELL_M = 10.0


@pytest.fixture
def warped(public_data, tmp_path):
    """The DEM as GDAL's warper brings it to cells of 10 m, counted from round coordinates."""
    path = tmp_path / "warped.tif"
    with rasterio.open(public_data / "eno" / "dem_third_arcsec.tif") as dem:
        west, south, east, north = transform_bounds(dem.crs, CRS, *dem.bounds)
        west, north = np.floor(west / CELL_M) * CELL_M, np.ceil(north / CELL_M) * CELL_M
        size = {
            "driver": "GTiff",
            "width": int(np.ceil((east - west) / CELL_M)),
            "height": int(np.ceil((north - south) / CELL_M)),
            "count": 1,
            "transform": rasterio.Affine(CELL_M, 0.0, west, 0.0, -CELL_M, north),
            "crs": CRS,
        }
        with rasterio.open(path, "w", **size, dtype="float32", nodata=NO_DATA) as target:
            reproject(
                rasterio.band(dem, 1),
                rasterio.band(target, 1),
                dst_nodata=NO_DATA,
                resampling=Resampling.bilinear,
            )
    return path


def test_the_dem_as_delivered_and_warped_beforehand_give_the_same_catchments(
    public_data, warped, drained, tmp_path
):
    streams = derive_network(warped, 1.0, tmp_path).rename(columns={"stream_id": "id"})
    streams.to_file(tmp_path / "derived.gpkg")
    dems = {"as delivered": public_data / "eno" / "dem_third_arcsec.tif", "warped": warped}
    results = {
        name: drained(dem, tmp_path / "derived.gpkg", CRS, cell_size_m=CELL_M) for name, dem in dems.items()
    }
    by_whitebox = drained(warped, tmp_path / "derived.gpkg", CRS, engine="whitebox")

    last = results["warped"]["stationing"].reaches["last_station"].to_numpy()
    near = np.clip(last[:, None] + [-1, 0, 1], 0, last.max())
    delivered_km2, warped_km2, whitebox_km2 = (
        each["catchments"]["area_km2"].to_numpy()[last] for each in (*results.values(), by_whitebox)
    )
    off, engines = np.abs(delivered_km2 / warped_km2 - 1), np.abs(whitebox_km2 / warped_km2 - 1)
    print(f"\n{len(last)} reaches of {warped_km2.min():.2f} to {warped_km2.max():.1f} km²")
    for name, each in {"as delivered against warped": off, "whitebox against flood": engines}.items():
        print(
            f"{name}: median {np.median(each):.2%}, 95th percentile {np.quantile(each, 0.95):.2%}, "
            f"most {each.max():.2%}, over 1 % in {np.count_nonzero(each > 0.01)}"
        )
    nearby = results["warped"]["catchments"]["area_km2"].to_numpy()[near]
    of_link = results["warped"]["stationing"].stations["link"].to_numpy()
    same_link = of_link[near] == of_link[last][:, None]
    nearest = np.where(same_link, np.abs(delivered_km2[:, None] / nearby - 1), np.inf).min(axis=1)
    print(f"against the nearest of three stations 50 m apart: most {nearest.max():.2%}")
    assert len(last) > 50
    assert nearest.max() < 0.01
    assert np.median(off) < 0.002
    assert np.quantile(off, 0.95) < 0.01
    assert off[np.argmax(warped_km2)] < 0.002
