"""Cells of one arc-second in metres, against the ellipsoid's own arcs.

Sizes and areas of a cell of one arc-second at four latitudes, derived by hand from the radii of curvature of
WGS 84 (National Geospatial-Intelligence Agency, "World Geodetic System 1984," NGA.STND.0036, 2014, from memory:
semi-major axis 6 378 137 m, flattening 1/298.257 223 563): height ρ·π/648000, width N·cos φ·π/648000. To take a
cell for a square of 30.9 m would overstate its area by 41 % at 45 degrees and by 99 % at 60.
"""

import math

import numpy as np
import pytest
import rasterio
from pyproj import Geod
from rasterio.transform import Affine

from sitefinder.io.crs import map_scale
from sitefinder.io.raster import bounds_in_run, raster_facts, run_grid
from sitefinder.settings import DemSource

UTM = "EPSG:32633"
SECOND = 1 / 3600
# Latitude, height and width [m], area [m²], all as printed.
CELLS = [
    (0.0, 30.71508, 30.92208, 949.774),
    (30.0, 30.79235, 26.80174, 825.289),
    (45.0, 30.86994, 21.90190, 676.110),
    (60.0, 30.94786, 15.50000, 479.692),
]


@pytest.mark.parametrize(("latitude", "height_m", "width_m", "area_m2"), CELLS)
def test_the_printed_sizes_are_those_of_an_outside_library(latitude, height_m, width_m, area_m2):
    geod = Geod(ellps="WGS84")
    _, _, north_m = geod.inv(15.0, latitude - SECOND / 2, 15.0, latitude + SECOND / 2)
    _, _, east_m = geod.inv(15.0, latitude, 15.0 + SECOND, latitude)

    # Half a last digit.
    assert north_m == pytest.approx(height_m, abs=0.000_006)
    assert east_m == pytest.approx(width_m, abs=0.000_006)
    assert north_m * east_m == pytest.approx(area_m2, abs=0.000_6)


@pytest.mark.parametrize(("latitude", "height_m", "width_m", "area_m2"), CELLS)
def test_a_dem_of_arc_seconds_gets_cells_of_their_area(tmp_path, latitude, height_m, width_m, area_m2):
    # 200 cells each way about the central meridian of the zone; at the equator all north of it.
    north = latitude + (200 if latitude == 0 else 100) * SECOND
    place = Affine(SECOND, 0.0, 15.0 - 100 * SECOND, 0.0, -SECOND, north)
    shape = {"height": 200, "width": 200, "count": 1, "dtype": "int16"}
    with rasterio.open(
        tmp_path / "dem.tif", "w", driver="GTiff", crs="EPSG:4326", transform=place, **shape
    ) as raster:
        raster.write(np.zeros((200, 200), dtype=np.int16), 1)
    source = DemSource(path="dem.tif", vertical_unit="metre", vertical_datum="EGM96", error_rmse_m=9.73)
    facts = raster_facts(source, tmp_path, "dem")

    cell_m = run_grid(facts, UTM, None).cell_width_m
    west_m, south_m, east_m, north_m = bounds_in_run(facts, UTM)

    _, area_scale = map_scale(UTM, (west_m, south_m, east_m, north_m))
    # A box round 200 narrowing rows is wider than they are on the mean by half of what they narrow.
    narrowing = 1 + 100 * math.radians(SECOND) * math.tan(math.radians(latitude))
    on_map_m2 = (north_m - south_m) * (east_m - west_m) / 200**2
    assert on_map_m2 == pytest.approx(area_m2 * area_scale[0] * narrowing, rel=1e-4)
    # The cell is rounded to whole centimetres.
    assert cell_m == pytest.approx(math.sqrt(on_map_m2), abs=0.005_001)
