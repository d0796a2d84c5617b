"""One look at every cell of a DEM: impossible heights, and seams in the file's own rows."""

import numpy as np
import pytest
import rasterio
from rasterio.transform import Affine

from sitefinder.errors import InputError
from sitefinder.io.raster import dem_seams, raster_facts
from sitefinder.settings import DemSource


@pytest.fixture
def saved(tmp_path):
    """A function that writes heights as a DEM and gives its facts."""

    def write(values, nodata=None, stated=None):
        values = np.asarray(values)
        shape = {"height": values.shape[0], "width": values.shape[1], "count": 1, "dtype": values.dtype}
        place = Affine(10.0, 0.0, 500_000.0, 0.0, -10.0, 5_200_000.0)
        with rasterio.open(
            tmp_path / "dem.tif", "w", driver="GTiff", crs="EPSG:32633", transform=place, nodata=nodata, **shape
        ) as raster:
            raster.write(values, 1)
        source = DemSource(
            path="dem.tif", vertical_unit="metre", vertical_datum="invented", error_rmse_m=1.0, nodata=stated
        )
        return raster_facts(source, tmp_path, "dem")

    return write


@pytest.mark.parametrize(
    ("dtype", "mark"), [("int16", 32767), ("int16", -32768), ("uint16", 65535), ("float32", -9999.0)]
)
def test_a_mark_of_missing_data_that_nobody_states_is_refused_and_stated_it_is_a_gap(saved, dtype, mark):
    values = np.full((60, 60), 200, dtype=dtype)
    values[10:20, 10:20] = mark

    with pytest.raises(InputError, match="impossible heights") as caught:
        dem_seams(saved(values), 1.0)

    assert str(caught.value) == (
        "the dem raster holds impossible heights\n"
        "  file:      dem.tif\n"
        "  expected:  heights up to 9000 m; no nodata value\n"
        f"  found:     cells of {mark:g}\n"
        "  fix:       state nodata beside the path if that value means no data; else check vertical_unit"
    )
    assert dem_seams(saved(values, stated=mark), 1.0).empty
    assert dem_seams(saved(values, nodata=mark), 1.0).empty


def test_feet_are_judged_as_metres(saved):
    values = np.full((60, 60), 20_000, dtype=np.int16)

    assert dem_seams(saved(values), 0.3048).empty
    with pytest.raises(InputError, match="impossible heights"):
        dem_seams(saved(values), 1.0)


def test_a_seam_is_reported_in_metres(saved):
    values = np.random.default_rng(2).normal(500, 0.1, (300, 300))  # any roughness will do
    values[77:] += 1.0

    seam = dem_seams(saved(values.astype(np.float32)), 0.3048)

    assert seam[["axis", "border"]].values.tolist() == [[0, 76]]
    assert seam["step_m"].iloc[0] == pytest.approx(0.3048, abs=0.01)
