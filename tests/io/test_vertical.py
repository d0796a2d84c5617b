"""Unit and datum of heights: a DEM and its parts must agree with what the settings say."""

import numpy as np
import pytest
import rasterio
from pyproj import CRS
from rasterio.transform import Affine

from sitefinder.errors import InputError
from sitefinder.io.raster import raster_facts
from sitefinder.settings import DemSource

FOOT_M = 0.3048


def write(path, crs, unit=None, west=500_000.0, nodata=None, dtype="float32"):
    shape = {"height": 4, "width": 4, "count": 1, "dtype": dtype}
    place = Affine(10.0, 0.0, west, 0.0, -10.0, 5_200_000.0)
    crs = rasterio.CRS.from_wkt(CRS.from_user_input(crs).to_wkt())
    with rasterio.open(path, "w", driver="GTiff", crs=crs, transform=place, nodata=nodata, **shape) as raster:
        raster.write(np.full((4, 4), 100, dtype=dtype), 1)
        if unit:
            raster.units = (unit,)


# A mosaic of parts side by side, as GDAL's own tool writes them.
def mosaic(path, parts):
    sources = "".join(
        f'<SimpleSource><SourceFilename relativeToVRT="1">{part}</SourceFilename><SourceBand>1</SourceBand>'
        '<SrcRect xOff="0" yOff="0" xSize="4" ySize="4"/>'
        f'<DstRect xOff="{4 * number}" yOff="0" xSize="4" ySize="4"/></SimpleSource>'
        for number, part in enumerate(parts)
    )
    path.write_text(
        f'<VRTDataset rasterXSize="{4 * len(parts)}" rasterYSize="4"><SRS>EPSG:32633</SRS>'
        "<GeoTransform>500000, 10, 0, 5200000, 0, -10</GeoTransform>"
        f'<VRTRasterBand dataType="Float32" band="1">{sources}</VRTRasterBand></VRTDataset>'
    )


def facts(folder, path="dem.tif", unit="metre", datum="EGM96", **stated):
    source = DemSource(path=path, vertical_unit=unit, vertical_datum=datum, error_rmse_m=1.0, **stated)
    return raster_facts(source, folder, "dem")


@pytest.mark.parametrize("stated", ["EGM96", "egm 96", "EGM96 height", "EGM96 geoid", "EPSG:5773"])
def test_the_datum_of_the_file_may_be_called_by_any_of_its_names(tmp_path, stated):
    write(tmp_path / "dem.tif", "EPSG:32633+5773")

    assert facts(tmp_path, datum=stated).crs == "EPSG:32633"


@pytest.mark.parametrize("stated", ["EGM2008", "NAVD 88", "EPSG:3855"])
def test_another_datum_than_the_files_is_refused(tmp_path, stated):
    write(tmp_path / "dem.tif", "EPSG:32633+5773")

    with pytest.raises(InputError, match="vertical datum stated for the dem raster is not the one") as caught:
        facts(tmp_path, datum=stated)

    assert str(caught.value) == (
        "the vertical datum stated for the dem raster is not the one in its file\n"
        "  file:      dem.tif\n"
        f"  expected:  {stated}, as the settings state\n"
        "  found:     EGM96 height, in dem.tif\n"
        "  fix:       state the file's in vertical_datum, or correct the file"
    )


def test_heights_above_an_ellipsoid_are_not_those_above_the_sea(tmp_path):
    geographic = CRS.from_epsg(4979)
    shape = {"height": 4, "width": 4, "count": 1, "dtype": "float32"}
    with rasterio.open(
        tmp_path / "dem.tif",
        "w",
        driver="GTiff",
        crs=rasterio.CRS.from_wkt(geographic.to_wkt()),
        transform=Affine(0.001, 0, 15.0, 0, -0.001, 47.0),
        **shape,
    ) as raster:
        raster.write(np.ones((4, 4), dtype=np.float32), 1)

    assert facts(tmp_path, datum="ellipsoid").crs.is_geographic
    with pytest.raises(InputError, match="ellipsoid of World Geodetic System 1984"):
        facts(tmp_path, datum="EGM96")


def test_a_file_that_says_nothing_of_heights_is_taken_at_the_users_word(tmp_path):
    write(tmp_path / "dem.tif", "EPSG:32633")

    assert facts(tmp_path, datum="any", unit="foot").crs == "EPSG:32633"


@pytest.mark.parametrize(
    ("in_file", "stated"),
    [("m", "foot"), ("metre", "us_survey_foot"), ("ft", "metre"), ("US survey foot", "foot"), ("feet", "metre")],
)
def test_another_unit_than_that_of_the_cells_is_refused(tmp_path, in_file, stated):
    write(tmp_path / "dem.tif", "EPSG:32633", unit=in_file)

    with pytest.raises(InputError, match="vertical unit stated for the dem raster is not the one") as caught:
        facts(tmp_path, unit=stated)

    assert f"found:     cells in {in_file}, in dem.tif" in str(caught.value)


@pytest.mark.parametrize(
    ("in_file", "stated"),
    [
        ("m", "metre"),
        ("ft", "foot"),
        ("feet", "us_survey_foot"),
        ("US survey foot", "us_survey_foot"),
        ("x", "foot"),
    ],
)
def test_the_same_unit_however_written_and_one_that_nobody_knows_pass(tmp_path, in_file, stated):
    write(tmp_path / "dem.tif", "EPSG:32633", unit=in_file)

    assert facts(tmp_path, unit=stated).shape == (4, 4)


def test_an_axis_in_feet_is_not_in_metres(tmp_path):
    # EPSG 6360 is NAVD88 height in US survey feet.
    write(tmp_path / "dem.tif", "EPSG:32633+6360")

    assert facts(tmp_path, unit="us_survey_foot", datum="NAVD 88").shape == (4, 4)
    with pytest.raises(InputError, match=r"a vertical axis of 0\.3048006"):
        facts(tmp_path, unit="metre", datum="NAVD 88")
    # The two feet differ by two millionths: 18 mm on the highest mountain, yet another unit.
    with pytest.raises(InputError, match=r"a vertical axis of 0\.3048006"):
        facts(tmp_path, unit="foot", datum="NAVD 88")


def test_a_mosaic_of_two_datums_is_refused_with_the_parts_of_each(tmp_path):
    write(tmp_path / "a.tif", "EPSG:32633+5773")
    write(tmp_path / "b.tif", "EPSG:32633+3855")
    mosaic(tmp_path / "dem.vrt", ["a.tif", "b.tif"])

    with pytest.raises(InputError, match="parts of the dem raster have different vertical datums") as caught:
        facts(tmp_path, "dem.vrt")

    assert "found:     EGM96 height in a.tif; EGM2008 height in b.tif" in str(caught.value)


def test_a_mosaic_of_metres_and_feet_is_refused(tmp_path):
    write(tmp_path / "a.tif", "EPSG:32633", unit="m")
    write(tmp_path / "b.tif", "EPSG:32633", unit="ft")
    mosaic(tmp_path / "dem.vrt", ["a.tif", "b.tif"])

    with pytest.raises(InputError, match=r"cells in ft, in b\.tif"):
        facts(tmp_path, "dem.vrt")


def test_a_mosaic_of_one_datum_passes_and_its_digest_covers_its_parts(tmp_path):
    write(tmp_path / "a.tif", "EPSG:32633+5773")
    write(tmp_path / "b.tif", "EPSG:32633+5773")
    mosaic(tmp_path / "dem.vrt", ["a.tif", "b.tif"])

    before = facts(tmp_path, "dem.vrt")
    write(tmp_path / "b.tif", "EPSG:32633+5773", dtype="float64")
    after = facts(tmp_path, "dem.vrt")

    assert before.shape == (4, 8)
    assert before.lineage["digest"] != after.lineage["digest"]


def test_a_nodata_value_that_no_cell_can_hold_is_refused_if_stated_and_ignored_in_the_file(tmp_path):
    write(tmp_path / "dem.tif", "EPSG:32633", dtype="uint16")

    with pytest.raises(InputError, match="does not fit its cells") as caught:
        facts(tmp_path, nodata=-9999)

    assert "expected:  a whole number from 0 to 65535 (uint16)" in str(caught.value)
    assert facts(tmp_path, nodata=65535).nodata == 65535
