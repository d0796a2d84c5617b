"""The way between coordinate systems: exchanged axes, degrees called metres, ballpark shifts, named operations."""

import geopandas
import numpy as np
import pytest
import rasterio
import shapely
from pyproj import CRS
from rasterio.transform import Affine

from sitefinder.dem.grid import centre_of, whole
from sitefinder.errors import InputError
from sitefinder.io.crs import operation_between
from sitefinder.io.raster import cells_at, operation_to_run, raster_facts, read_window, run_grid, warp_once
from sitefinder.io.vector import read_layer, validate_near_region
from sitefinder.settings import DemSource, LayerSource

UTM = "EPSG:32633"
HERE = (500_000.0, 5_200_000.0, 510_000.0, 5_210_000.0)
# A datum that no operation leads away from.
INVENTED = CRS.from_wkt(
    'GEOGCRS["Invented 1900", DATUM["Invented 1900", ELLIPSOID["Bessel 1841", 6377397.155, 299.1528128]], '
    'CS[ellipsoidal, 2], AXIS["latitude", north], AXIS["longitude", east], UNIT["degree", 0.0174532925199433]]'
)


def way(crs, bounds, wanted=None, run=UTM):
    return operation_between(CRS.from_user_input(crs), run, bounds, "roads", "roads.gpkg", wanted)


def test_the_same_system_needs_no_operation():
    assert way(UTM, HERE) == (None, "none (same coordinate system)", None)


def test_exchanged_metres_are_refused_with_what_helps():
    with pytest.raises(InputError, match="does not fit its coordinate system") as caught:
        way(UTM, (5_200_000.0, 500_000.0, 5_210_000.0, 510_000.0))

    assert str(caught.value) == (
        "the roads layer does not fit its coordinate system\n"
        "  file:      roads.gpkg\n"
        "  expected:  coordinates that EPSG:32633 can hold\n"
        "  found:     coordinates from 5.2e+06, 500000 to 5.21e+06, 510000, which fit with x and y exchanged\n"
        "  fix:       exchange x and y in the file"
    )


def test_exchanged_degrees_beyond_a_pole_are_refused():
    with pytest.raises(InputError, match="which fit with x and y exchanged"):
        way("EPSG:4326", (37.0, -113.0, 37.5, -112.5))


def test_degrees_that_are_called_metres_are_refused():
    with pytest.raises(InputError, match="which fit as degrees") as caught:
        way(UTM, (14.9, 46.9, 15.1, 47.1))

    assert "fix:       state the geographic system that the file is in, such as EPSG:4326" in str(caught.value)


def test_small_numbers_of_a_system_with_an_origin_of_its_own_are_no_degrees():
    local = CRS.from_user_input("+proj=tmerc +lat_0=47 +lon_0=15 +x_0=0 +y_0=0 +ellps=GRS80 +datum=WGS84 +units=m")

    assert way(local, (0.0, 0.0, 80.0, 80.0)).transformer is not None


def test_a_datum_without_a_known_operation_is_refused_with_advice():
    with pytest.raises(InputError, match="no accurate operation") as caught:
        way(INVENTED, (14.9, 46.9, 15.1, 47.1))

    lines = str(caught.value).splitlines()
    assert lines[:4] == [
        "no accurate operation leads from the roads layer's coordinate system to the run's",
        "  file:      roads.gpkg",
        "  expected:  a known operation from Invented 1900 to EPSG:32633",
        "  found:     only a ballpark operation, which may be wrong by hundreds of metres",
    ]
    assert "convert the layer with a tool that has the operation" in lines[4]


def test_an_operation_can_be_named_and_a_wrong_name_lists_the_right_ones():
    bounds = (5.0, 52.0, 6.0, 53.0)

    third = way("EPSG:4289", bounds, wanted="Amersfoort to WGS 84 (3)", run="EPSG:32631")
    fourth = way("EPSG:4289", bounds, wanted="amersfoort to wgs 84 (4)", run="EPSG:32631")

    assert "Amersfoort to WGS 84 (3)" in third.description
    assert "Amersfoort to WGS 84 (4)" in fourth.description
    apart_m = np.hypot(
        *np.subtract(third.transformer.transform(5.5, 52.5), fourth.transformer.transform(5.5, 52.5))
    )
    # Both are stated to 1 m (EPSG registry), so that they lie no farther apart than the sum of their errors.
    assert 0 < apart_m < 2
    with pytest.raises(InputError, match="no operation for the roads layer has the name") as caught:
        way("EPSG:4289", bounds, wanted="Atlantis", run="EPSG:32631")
    assert "Amersfoort to WGS 84 (4)" in str(caught.value)


# A raster whose cells hold their own longitude or latitude.
def ruler(folder, crs, *, of_latitude, west=14.95, north=47.05, operation=None):
    row, column = np.mgrid[:200, :200]
    values = north - (row + 0.5) * 5e-4 if of_latitude else west + (column + 0.5) * 5e-4
    shape = {"height": 200, "width": 200, "count": 1, "dtype": "float64"}
    place = Affine(5e-4, 0.0, west, 0.0, -5e-4, north)
    with rasterio.open(folder / "dem.tif", "w", driver="GTiff", crs=crs, transform=place, **shape) as raster:
        raster.write(values, 1)
    stated = {"vertical_unit": "metre", "vertical_datum": "invented", "error_rmse_m": 1.0, "operation": operation}
    return raster_facts(DemSource(path="dem.tif", **stated), folder, "dem")


@pytest.mark.parametrize("of_latitude", [False, True])
@pytest.mark.parametrize(
    ("own", "run"), [("EPSG:4230", UTM), ("EPSG:4258", UTM), ("OGC:CRS84", UTM), ("EPSG:4326", "EPSG:3045")]
)
def test_the_warp_and_single_cells_go_by_the_same_operation(tmp_path, own, run, of_latitude):
    facts = ruler(tmp_path, own, of_latitude=of_latitude)
    grid = run_grid(facts, run, 40.0)

    warp_once(facts, grid, run, tmp_path / "surface.tif")

    copy, valid = read_window(tmp_path / "surface.tif", whole(grid))
    x_m, y_m = centre_of(grid, *np.mgrid[: grid.rows, : grid.columns])
    lon, lat = operation_to_run(facts, run).inverse(x_m, y_m)
    # The ruler is straight only between the centres of its outermost cells.
    inner = valid & (np.abs(lon - 15.0) < 0.0497) & (np.abs(lat - 47.0) < 0.0497)
    assert inner.sum() > 0.9 * (2 * 0.0497 / 5e-4) ** 2
    # Single-precision copies of some 47 degrees are good to 2e-6; 40 m are 4e-4 degrees.
    assert np.abs(copy - (lat if of_latitude else lon))[inner].max() < 3e-6
    nearest = cells_at(facts, x_m, y_m, run)
    assert np.nanmax(np.abs(nearest - (lat if of_latitude else lon))) <= 2.5e-4 * (1 + 1e-6)


@pytest.mark.parametrize("own", ["EPSG:4230", "EPSG:4326"])
def test_coarser_cells_are_means_at_places_of_the_same_operation(tmp_path, own):
    facts = ruler(tmp_path, own, of_latitude=True)
    grid = run_grid(facts, UTM, 400.0)

    warp_once(facts, grid, UTM, tmp_path / "surface.tif")

    copy, valid = read_window(tmp_path / "surface.tif", whole(grid))
    lon, lat = operation_to_run(facts, UTM).inverse(*centre_of(grid, *np.mgrid[: grid.rows, : grid.columns]))
    inner = valid & (np.abs(lon - 15.0) < 0.047) & (np.abs(lat - 47.0) < 0.047)
    # A mean over some 7 cells of 5e-4 degrees is off by less than one cell; without the shift of datum it would be
    # off by 1e-3 degrees (the European datum of 1950 lies some 100 m off).
    assert inner.sum() > 300
    assert np.abs(copy - lat)[inner].max() < 5e-4
    assert np.abs(np.mean((copy - lat)[inner])) < 1e-4


def test_a_raster_on_an_unreachable_datum_is_refused(tmp_path):
    facts = ruler(tmp_path, rasterio.CRS.from_wkt(INVENTED.to_wkt()), of_latitude=True)

    with pytest.raises(InputError, match="no accurate operation leads from the dem layer"):
        operation_to_run(facts, UTM)


def test_a_raster_goes_by_the_operation_that_the_settings_name(tmp_path):
    facts = ruler(tmp_path, "EPSG:4289", of_latitude=True, west=5.0, north=52.0, operation="to WGS 84 (3)")

    assert "Amersfoort to WGS 84 (3)" in operation_to_run(facts, "EPSG:32631").description


def test_a_layer_whose_latitudes_come_first_is_reported_so_when_it_lies_elsewhere(tmp_path):
    frame = geopandas.GeoDataFrame(
        geometry=[shapely.LineString([(47.01, 15.01), (47.02, 15.02)])], crs="EPSG:4326"
    )
    frame.to_file(tmp_path / "roads.gpkg", driver="GPKG")
    read = read_layer(LayerSource(path="roads.gpkg"), tmp_path, UTM, what="roads", geometry="line")

    with pytest.raises(InputError, match="is not in this region") as caught:
        validate_near_region(read, HERE)

    assert "fix:       exchange x and y in the file: then the layer is in this region" in str(caught.value)


def test_the_grid_of_a_dem_called_metres_but_in_degrees_is_never_made(tmp_path):
    facts = ruler(tmp_path, UTM, of_latitude=True)

    with pytest.raises(InputError, match="which fit as degrees"):
        run_grid(facts, UTM, None)
