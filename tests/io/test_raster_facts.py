"""What raster files say of themselves beyond the common: scaled cells, and files inside an archive."""

import zipfile

import numpy as np
import pytest
import rasterio
from rasterio.transform import Affine

from sitefinder.errors import InputError
from sitefinder.io.raster import cells_at, raster_facts
from sitefinder.settings import CovariateSource

UTM = "EPSG:32633"


@pytest.fixture
def rain(tmp_path):
    """A function that writes a raster of whole numbers with a scale and an offset, and gives its values."""

    def write(scale, offset):
        values = np.arange(12, dtype=np.int16).reshape(3, 4)
        facts = {"driver": "GTiff", "height": 3, "width": 4, "count": 1, "dtype": "int16", "crs": UTM}
        transform = Affine(10.0, 0.0, 500_000.0, 0.0, -10.0, 5_200_000.0)
        with rasterio.open(tmp_path / "rain.tif", "w", transform=transform, **facts) as raster:
            raster.write(values, 1)
            raster.scales, raster.offsets = (scale,), (offset,)
        return values

    return write


@pytest.mark.parametrize(("scale", "offset"), [(0.1, 0.0), (1.0, -273.15)])
def test_cells_that_the_file_keeps_scaled_are_refused_with_the_remedy(rain, tmp_path, scale, offset):
    rain(scale, offset)

    with pytest.raises(InputError, match="are scaled") as caught:
        raster_facts(CovariateSource(path="rain.tif"), tmp_path, "rain_mm")

    assert f"value = {scale:g} · cell + {offset:g}" in str(caught.value)
    assert "-unscale" in str(caught.value)


def test_a_raster_inside_an_archive_is_read_where_it_lies(rain, tmp_path):
    values = rain(1.0, 0.0)
    plain = raster_facts(CovariateSource(path="rain.tif"), tmp_path, "rain_mm")
    with zipfile.ZipFile(tmp_path / "rain.zip", "w") as archive:
        archive.write(tmp_path / "rain.tif", "rain.tif")
    path = f"/vsizip/{tmp_path}/rain.zip/rain.tif"

    facts = raster_facts(CovariateSource(path=path), tmp_path, "rain_mm")

    assert (facts.bounds, facts.shape, facts.lineage["path"]) == (plain.bounds, plain.shape, path)
    x_m, y_m = np.meshgrid(500_005.0 + 10.0 * np.arange(4), 5_199_995.0 - 10.0 * np.arange(3))
    np.testing.assert_array_equal(cells_at(facts, x_m, y_m, UTM), values)


def test_the_digest_of_a_raster_elsewhere_follows_its_cells(rain, tmp_path):
    values = rain(1.0, 0.0)

    def digest():
        with zipfile.ZipFile(tmp_path / "rain.zip", "w") as archive:
            archive.write(tmp_path / "rain.tif", "rain.tif")
        path = f"/vsizip/{tmp_path}/rain.zip/rain.tif"
        return raster_facts(CovariateSource(path=path), tmp_path, "rain_mm").lineage["digest"]

    first = digest()
    with rasterio.open(tmp_path / "rain.tif", "r+") as raster:
        raster.write(values + np.int16(1), 1)

    assert digest() != first


def test_an_address_that_leads_nowhere_is_reported(tmp_path):
    with pytest.raises(InputError, match="cannot be read") as caught:
        raster_facts(CovariateSource(path="/vsizip/nowhere.zip/rain.tif"), tmp_path, "rain_mm")

    assert "/vsizip/nowhere.zip/rain.tif" in str(caught.value)
