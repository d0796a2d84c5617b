"""What is looked at in a DEM, on public DEMs as they are and spoilt.

The DEMs of tests/real/data (sources there) and that of the sample region. The bounds in
`sitefinder.io.raster_judging` were set after a look at these figures.
"""

import geopandas
import numpy as np
import pytest
import rasterio

from sitefinder.dem.judging import find_gaps, ground_slopes
from sitefinder.io.raster_judging import (
    MAX_ROUGHNESS,
    MAX_USUAL_SLOPE,
    MIN_USUAL_SLOPE,
    judge_dem,
    judge_streams,
)
from sitefinder.settings import DemSource
from sitefinder.steps.readers import read_raster

DEMS = {
    "sample": ("sample-region/dem.tif", "EPSG:32633"),
    "logan": ("tests/real/data/logan/dem_100m.tif", None),
    "eno": ("tests/real/data/eno/dem_third_arcsec.tif", "EPSG:32617"),
    "zion": ("tests/real/data/zion/dem_3arcsec.tif", "EPSG:32612"),
}
STREAMS = {"sample": "sample-region/streams.gpkg", "logan": "tests/real/data/logan/streams.gpkg"}


def read(path):
    with rasterio.open(path) as raster:
        cells = raster.read(1).astype(float)
        cells[cells == raster.nodata] = np.nan
        return cells, raster.profile


@pytest.fixture(params=DEMS)
def dem(request, repository):
    """Name, cells, profile and the run's system of a DEM."""
    path, crs = DEMS[request.param]
    cells, profile = read(repository / path)
    return request.param, cells, profile, crs or profile["crs"].to_wkt()


def facts_of(cells, profile, crs, folder):
    own = {key: profile[key] for key in ("crs", "transform", "width", "height")}
    with rasterio.open(
        folder / "dem.tif", "w", driver="GTiff", count=1, dtype="float32", nodata=-9999.0, **own
    ) as raster:
        raster.write(np.where(np.isfinite(cells), cells, -9999.0).astype(np.float32), 1)
    source = DemSource(path="dem.tif", vertical_unit="metre", vertical_datum="any", error_rmse_m=1.0)
    return read_raster(source, folder, crs, "dem")


def test_nothing_speaks_against_a_dem_as_it_is_and_its_cells_in_any_order_are_noise(dem, tmp_path):
    _, cells, profile, crs = dem
    shuffled = np.random.default_rng(1).permutation(cells.ravel()).reshape(cells.shape)

    assert judge_dem(facts_of(cells, profile, crs, tmp_path), 1.0, nodata_is_stated=False) == []
    slopes = ground_slopes([cells], 10.0, 10.0)
    assert slopes.roughness < 0.1 * MAX_ROUGHNESS
    assert ground_slopes([shuffled], 10.0, 10.0).roughness > 1.5 * MAX_ROUGHNESS


def test_metres_are_usual_and_kilometres_are_not(dem, tmp_path):
    _, cells, profile, crs = dem

    [[found, _]] = judge_dem(facts_of(cells / 1000.0, profile, crs, tmp_path), 1.0, nodata_is_stated=False)

    assert "a mean slope of" in found
    assert MIN_USUAL_SLOPE < 0.01 < MAX_USUAL_SLOPE


@pytest.mark.parametrize("value", [0.0, -1.0, -999.0])
def test_gaps_that_are_cut_into_a_dem_are_found(dem, value):
    _, cells, _, _ = dem
    rng = np.random.default_rng(11)
    for _ in range(5):
        row, column = rng.integers(0, cells.shape[0] - 12), rng.integers(0, cells.shape[1] - 12)
        cells[row : row + 7, column : column + 5] = value

    assert [gap.value for gap in find_gaps([cells])] == [value]


@pytest.mark.parametrize("name", STREAMS)
def test_mapped_streams_lie_in_valleys_but_not_where_the_dem_is_upside_down(name, repository, tmp_path):
    cells, profile = read(repository / DEMS[name][0])
    crs = profile["crs"].to_wkt()
    lines = geopandas.read_file(repository / STREAMS[name]).to_crs(profile["crs"]).geometry
    upside_down = np.nanmax(cells) + np.nanmin(cells) - cells

    assert judge_streams(facts_of(cells, profile, crs, tmp_path), crs, 1.0, lines) == []
    [[found, fix]] = judge_streams(facts_of(upside_down, profile, crs, tmp_path), crs, 1.0, lines)

    assert found.startswith(("only 0 %", "only 1 %", "only 2 %"))
    assert "upside down" in fix
