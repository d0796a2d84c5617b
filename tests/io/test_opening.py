"""What may be opened: formats in a list, files in the folders of the run, and no network unless it is allowed."""

import os
import shutil
import socket
import subprocess
import sys
from pathlib import Path
from typing import NamedTuple

import numpy as np
import pyogrio
import pytest
import rasterio
from rasterio.shutil import copy

from sitefinder.errors import InputError
from sitefinder.io.gauges import read_text_table
from sitefinder.io.opening import (
    RASTER_DRIVERS,
    allowing,
    as_gdal_path,
    drivers_of,
    files_of_mosaic,
    places_of,
    validate_layer,
)
from sitefinder.io.raster import cells_at, raster_facts
from sitefinder.io.vector import read_layer
from sitefinder.settings import DemSource, LayerSource

sys.path.insert(0, str(Path(__file__).parents[1] / "bad_inputs"))
from region import MIDDLE_M, NORTH_M, Region

WMS = '<GDAL_WMS><Service name="TMS"><ServerUrl>{url}/${{z}}</ServerUrl></Service></GDAL_WMS>'
WFS = "<OGRWFSDataSource><URL>{url}/wfs</URL></OGRWFSDataSource>"
VIRTUAL_LAYER = (
    '<OGRVRTDataSource><OGRVRTLayer name="roads"><SrcDataSource>/vsicurl/{url}/roads.gpkg</SrcDataSource>'
    "</OGRVRTLayer></OGRVRTDataSource>"
)
PIPELINE = '{{"type": "gdal_streamed_alg", "command_line": "gdal vector pipeline ! read /vsicurl/{url}/a.gpkg"}}'
MOSAIC = (
    '<VRTDataset rasterXSize="40" rasterYSize="60"><SRS>EPSG:32633</SRS>'
    "<GeoTransform>500000, 20, 0, 5000000, 0, -20</GeoTransform>"
    '<VRTRasterBand dataType="Float32" band="1"{kind}>{more}<SimpleSource>'
    '<SourceFilename relativeToVRT="{relative}">{source}</SourceFilename><SourceBand>1</SourceBand>'
    "</SimpleSource></VRTRasterBand></VRTDataset>"
)


@pytest.fixture
def region(tmp_path):
    folder = tmp_path / "region"
    folder.mkdir()
    region = Region(folder)
    return region


class Server(NamedTuple):
    """A web server with the files of a folder, and the file of what was asked of it."""

    url: str
    folder: Path
    log: Path

    @property
    def asked(self):
        return self.log.read_text().splitlines()


# In a process of its own: a library that waits for an answer lets no other thread go on.
@pytest.fixture(scope="module")
def server(tmp_path_factory):
    folder = tmp_path_factory.mktemp("served")
    log = folder.with_name(f"{folder.name}.log")
    command = [sys.executable, "-u", "-m", "http.server", "0", "--bind", "127.0.0.1", "--directory", str(folder)]
    with (
        log.open("w") as file,
        subprocess.Popen(command, stdout=subprocess.PIPE, stderr=file, text=True) as running,
    ):
        port = running.stdout.readline().split(" port ")[1].split()[0]
        yield Server(f"http://127.0.0.1:{port}", folder, log)
        running.terminate()


def dem(path):
    return DemSource(path=path, vertical_unit="metre", vertical_datum="invented", error_rmse_m=0.2)


def mosaic(source, relative=1, kind="", more=""):
    return MOSAIC.format(source=source, relative=relative, kind=kind, more=more)


@pytest.mark.parametrize(
    ("file", "text"),
    [
        ("dem.tif", WMS),
        ("dem.tif", mosaic("/vsicurl/{url}/rain.tif", 0)),
        ("dem.tif", mosaic("{url}/rain.tif", 0)),
        ("dem.tif", "\n\n" + mosaic("/vsicurl/{url}/rain.tif", 0)),
        ("dem.tif", "not at once " + mosaic("/vsicurl/{url}/rain.tif", 0)),
        ("dem.gpkg", '<?xml version="1.0"?>' + mosaic("part.tif")),
        ("dem.tif", mosaic("WMS:{url}", 0)),
        ("dem.tif", mosaic("&lt;GDAL_WMS&gt;", 0)),
        ("dem.tif", mosaic("rain.tif", kind=' subClass="VRTDerivedRasterBand"')),
        ("dem.tif", mosaic("rain.tif", more="<PixelFunctionType>numpy.sum</PixelFunctionType>")),
        ("dem.tif", '<!DOCTYPE a [<!ENTITY b "c">]>' + mosaic("rain.tif")),
        ("dem.tif", '<VRTDataset subClass="VRTWarpedDataset"/>'),
        ("dem.tif", '{{"type": "Feature", "stac_version": "1.0.0", "assets": {{"a": {{"href": "{url}/a"}}}}}}'),
    ],
)
def test_a_raster_that_leads_elsewhere_is_refused_and_nothing_asked(region, server, file, text):
    url, before = server.url, server.asked
    region.write(file, text.format(url=url) if "{url}" in text else text)
    region.write("part.tif", WMS.format(url=url))

    with pytest.raises(InputError) as refused:
        raster_facts(dem(file), region.folder, "dem")

    assert "\n  fix: " in str(refused.value)
    assert server.asked == before


@pytest.mark.parametrize(
    ("file", "text"),
    [
        ("roads.gpkg", WFS),
        ("roads.gpkg", VIRTUAL_LAYER),
        ("roads.shp", VIRTUAL_LAYER),
        ("roads.csv", "a,b\n1,2\n" + VIRTUAL_LAYER),
        ("roads.json", PIPELINE),
        ("roads.gdalg.json", PIPELINE),
        ("roads.xml", "<?xml version='1.0'?><!-- features --><Capabilities><a/></Capabilities>"),
        ("roads.moaw", '{{"href": "{url}/collections"}}'),
        ("roads.gpkg", "no layer"),
        ("roads.gpkg", ""),
        ("roads.zip", "PK\x03\x04"),
    ],
)
def test_a_layer_that_leads_elsewhere_is_refused_and_nothing_asked(region, server, file, text):
    url, before = server.url, server.asked
    region.write(file, text.format(url=url) if "{url}" in text else text)

    with pytest.raises(InputError, match="the roads layer cannot be read") as refused:
        read_layer(LayerSource(path=file), region.folder, "EPSG:32633", what="roads", geometry="line")

    assert "\n  fix: " in str(refused.value)
    assert server.asked == before


def test_what_a_layer_in_a_good_format_refers_to_is_not_fetched(region, server):
    url, before = server.url, server.asked
    region.write(
        "roads.gml",
        '<?xml version="1.0"?><ogr:FeatureCollection xmlns:ogr="http://ogr.maptools.org/" '
        'xmlns:gml="http://www.opengis.net/gml" xmlns:xsi="http://www.w3.org/2001/XMLSchema-instance" '
        f'xsi:schemaLocation="http://ogr.maptools.org/ {url}/roads.xsd">'
        "<gml:featureMember><ogr:roads><ogr:a>1</ogr:a><ogr:geometryProperty>"
        '<gml:LineString srsName="EPSG:32633"><gml:coordinates>1,2 3,4</gml:coordinates></gml:LineString>'
        "</ogr:geometryProperty></ogr:roads></gml:featureMember></ogr:FeatureCollection>",
    )

    read = read_layer(LayerSource(path="roads.gml"), region.folder, "EPSG:32633", what="roads", geometry="line")

    assert len(read.frame) == 1
    assert server.asked == before


@pytest.mark.parametrize("form", ["{url}/one.tif", "/vsicurl/{url}/other.tif"])
def test_a_raster_on_a_network_is_read_where_the_settings_allow_it_alone(region, server, form):
    path = form.format(url=server.url)
    before = server.asked
    shutil.copy(region.folder / "dem.tif", server.folder / Path(path).name)

    with pytest.raises(InputError) as refused:
        raster_facts(dem(path), region.folder, "dem")
    assert str(refused.value) == (
        "the dem raster lies on a network\n"
        f"  file:      {path}\n"
        "  expected:  a file on this computer\n"
        "  found:     an address, and inputs.allow_network does not allow it\n"
        "  fix:       fetch the file, or set allow_network = true in [inputs]"
    )
    assert server.asked == before

    with allowing(places_of(region.folder, allow_network=True)):
        facts = raster_facts(dem(path), region.folder, "dem")
        found = cells_at(facts, np.array([MIDDLE_M]), np.array([NORTH_M - 100.0]), "EPSG:32633")

    here = raster_facts(dem("dem.tif"), region.folder, "dem")
    assert found == cells_at(here, np.array([MIDDLE_M]), np.array([NORTH_M - 100.0]), "EPSG:32633")
    assert len(server.asked) > len(before)


@pytest.mark.parametrize(
    "path",
    [
        "WMS:http://127.0.0.1:1/",
        "/vsistdin/",
        "/vsizip//vsicurl/http://127.0.0.1:1/a.zip/a.tif",
        "/vsisparse/a.xml",
        "/vsisubfile/0_9,/vsicurl/http://127.0.0.1:1/a.tif",
        "vrt://http://127.0.0.1:1/a.tif",
        "file://etc/passwd",
    ],
)
def test_other_addresses_are_refused_even_with_a_network(region, path):
    with (
        allowing(places_of(region.folder, allow_network=True)),
        pytest.raises(InputError, match="address is none that may be opened") as refused,
    ):
        raster_facts(dem(path), region.folder, "dem")

    assert "fix:       fetch the raster to a GeoTIFF" in str(refused.value)


def test_a_mosaic_of_files_elsewhere_needs_leave_also_through_links_and_mosaics(region, tmp_path):
    elsewhere = tmp_path / "elsewhere"
    elsewhere.mkdir()
    copy(region.folder / "dem.tif", elsewhere / "part.tif")
    region.write("absolute.vrt", mosaic(elsewhere / "part.tif", 0))
    region.write("upwards.vrt", mosaic("../elsewhere/part.tif"))
    (region.folder / "link.tif").symlink_to(elsewhere / "part.tif")
    region.write("linked.vrt", mosaic("link.tif"))
    region.write("nested.vrt", mosaic("upwards.vrt"))
    (region.folder / "below").mkdir()
    copy(region.folder / "dem.tif", region.folder / "below" / "part.tif")
    region.write("good.vrt", mosaic("below/part.tif"))

    for name in ("absolute.vrt", "upwards.vrt", "linked.vrt", "nested.vrt"):
        with pytest.raises(
            InputError, match="a file names another one outside the folders of this run"
        ) as refused:
            raster_facts(dem(name), region.folder, "dem")
        assert f'set allow_outside = ["{elsewhere}"] in [inputs]' in str(refused.value)
        with allowing(places_of(region.folder, ["../elsewhere"])):
            assert raster_facts(dem(name), region.folder, "dem").shape == (60, 40)
    assert raster_facts(dem("good.vrt"), region.folder, "dem").shape == (60, 40)
    with allowing(places_of(region.folder, ["../elsewhere"])):
        named = files_of_mosaic(region.folder / "nested.vrt")
    assert [path.name for path in named] == ["part.tif", "upwards.vrt"]


def test_a_mosaic_of_itself_ends(region):
    for number in range(8):
        region.write(f"{number}.vrt", mosaic(f"{number + 1}.vrt"))
    region.write("self.vrt", mosaic("self.vrt"))

    assert files_of_mosaic(region.folder / "self.vrt") == [region.folder / "self.vrt"]
    with pytest.raises(InputError, match="mosaics of mosaics, more than 5 deep"):
        files_of_mosaic(region.folder / "0.vrt")


def special_files(folder):
    os.mkfifo(folder / "pipe")
    with socket.socket(socket.AF_UNIX) as listening:
        listening.bind(str(folder / "socket"))
    return [folder / "pipe", folder / "socket", Path("/dev/zero")]


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="a system without pipes in folders")
def test_pipes_sockets_and_devices_are_refused_without_waiting(region, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    reads = {
        "dem": lambda path: raster_facts(dem(str(path)), region.folder, "dem"),
        "roads": lambda path: read_layer(
            LayerSource(path=str(path)), region.folder, "EPSG:32633", what="roads", geometry="any"
        ),
        "gauge": lambda path: read_text_table(path, "gauge table", "flows.gauges.path"),
    }
    for path in special_files(tmp_path):
        for what, read in reads.items():
            with pytest.raises(InputError, match=f"the {what} .*is no file") as refused:
                read(path)
            assert "found:     a device, a pipe or a socket" in str(refused.value)
            assert "fix:       name the file itself" in str(refused.value)


@pytest.mark.parametrize(
    "ending", [".gpkg", ".shp", ".geojson", ".fgb", ".gml", ".kml", ".gpx", ".csv", ".tab", ".mif"]
)
def test_layers_in_the_formats_of_the_list_are_taken(tmp_path, ending):
    import geopandas  # noqa: PLC0415
    import shapely  # noqa: PLC0415

    drivers = {".kml": "KML", ".tab": "MapInfo File", ".mif": "MapInfo File", ".gpx": "GPX"}
    frame = geopandas.GeoDataFrame({"name": ["a"]}, geometry=[shapely.Point(15.0, 45.0)], crs="EPSG:4326")
    path = tmp_path / f"layer{ending}"
    options = {"driver": drivers[ending]} if ending in drivers else {}
    if ending == ".csv":
        path.write_text("name,WKT\na,POINT (15 45)\n")
    else:
        pyogrio.write_dataframe(frame, path, layer="waypoints" if ending == ".gpx" else None, **options)

    validate_layer(path, "points", path.name)


def test_drivers_of_the_list_are_those_of_the_library_and_none_reaches_out(tmp_path):
    with rasterio.Env() as env:
        known = set(env.drivers())

    assert set(RASTER_DRIVERS) <= known
    assert not {"WMS", "WCS", "WMTS", "HTTP", "STACIT", "STACTA", "GTI", "PLMOSAIC", "EEDAI", "DERIVED"} & set(
        RASTER_DRIVERS
    )
    assert "VRT" not in drivers_of(tmp_path / "none.tif")
    assert as_gdal_path("S3://bucket/dem.tif") == "/vsis3/bucket/dem.tif"
