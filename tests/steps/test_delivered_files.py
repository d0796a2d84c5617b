"""The files of a delivery together: they hold the same, stay the same, and come and go together."""

import csv
import sqlite3
import subprocess
import xml.etree.ElementTree as ElementTree
from contextlib import closing
from functools import partial
from pathlib import Path

import geopandas
import numpy as np
import pandas as pd
import pyogrio
import pytest
import rasterio
from caught_run import caught_run
from lxml import etree
from pyproj import Transformer

from sitefinder.delivery.graph import KNOWN
from sitefinder.errors import InputError
from sitefinder.inventory import make_files
from sitefinder.io.settings_files import read_settings
from sitefinder.running import run_and_deliver
from sitefinder.schema import LAYERS
from sitefinder.schema.wording import SCREENING

GMD, GCO = "{http://www.isotc211.org/2005/gmd}", "{http://www.isotc211.org/2005/gco}"
CHECKER = Path("/usr/lib/python3/dist-packages/osgeo_utils/samples/validate_cloud_optimized_geotiff.py")
FILES_ALONE = {
    "page": False,
    "field_sheets": 0,
    "district_map": False,
    "gpx": True,
    "csv": True,
    "field_form": False,
    "gis_project": False,
}
# A name that is markup, one that is a formula, one with signs that no text shows, one that is long.
HOSTILE = ["<script>alert(1)</script>", "=cmd()", 'bell\x07, "quote" & ]]>', "n" * 300]


@pytest.fixture(scope="module")
def delivered_to(sample_run, tmp_path_factory):
    """A function that delivers the sample run's tables, changed or not, with other settings of delivery."""

    def delivered(output, tables=None, **wanted):
        settings = read_settings(sample_run.settings)
        delivery = settings.delivery.model_copy(update=FILES_ALONE | wanted)
        settings = settings.model_copy(update={"delivery": delivery})
        changed = {f"{name}_table": table for name, table in (tables or {}).items()}
        scratch = tmp_path_factory.mktemp("scratch")
        files, _ = make_files(settings, output, sample_run.results | changed, (), scratch)
        return {path.name: path for path in files}

    return delivered


@pytest.fixture
def deliver(delivered_to, tmp_path):
    """The same function for a folder of the test's own."""
    return partial(delivered_to, tmp_path / "out")


@pytest.fixture(scope="module")
def of_valley(write_valley, tmp_path_factory):
    """Settings of the small valley and the results of its run, of which its files are made."""
    path = write_valley(tmp_path_factory.mktemp("valley"))
    return read_settings(path), caught_run(path, in_memory=True)[1]


@pytest.fixture
def deliver_valley(of_valley, tmp_path, tmp_path_factory):
    """A function that delivers the valley's tables with other settings of delivery, or other settings at all."""

    def delivered(settings=None, **wanted):
        settings = settings or of_valley[0]
        delivery = settings.delivery.model_copy(update=FILES_ALONE | wanted)
        settings = settings.model_copy(update={"delivery": delivery})
        scratch = tmp_path_factory.mktemp("scratch")
        files, _ = make_files(settings, tmp_path / "out", of_valley[1], (), scratch)
        return {path.name: path for path in files}

    return delivered


def read_csv(path):
    with open(path, encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file, strict=True))


@pytest.mark.parametrize("layer", ["sites", "reaches"])
def test_csv_holds_what_the_geopackage_holds(sample_run, layer):
    path = sample_run.delivered.path
    table = pyogrio.read_dataframe(path, layer=layer, read_geometry=False)

    notes = read_csv(path.with_name(f"{layer}.csv"))

    assert len(notes) == len(table) > 0
    assert list(notes[0]) == [column.name for column in LAYERS[layer].columns]
    for column in LAYERS[layer].columns:
        cells, values = [row[column.name] for row in notes], table[column.name]
        if column.dtype == "text":
            assert cells == values.fillna("").tolist(), column.name
        elif column.dtype == "boolean":
            assert [cell == "true" for cell in cells] == values.tolist(), column.name
        else:
            found = np.array([float(cell) if cell else np.nan for cell in cells])
            np.testing.assert_array_equal(found, values.to_numpy(dtype=float), err_msg=column.name)


def test_waypoints_are_the_sites_of_the_geopackage(sample_run):
    path = sample_run.delivered.path
    sites = geopandas.read_file(path, layer="sites").sort_values("rank").to_crs("EPSG:4326")
    stretches = geopandas.read_file(path, layer="stretches").dropna(subset="rank").sort_values("rank")

    points = pyogrio.read_dataframe(path.with_name("sites.gpx"), layer="waypoints")
    routes = pyogrio.read_dataframe(path.with_name("sites.gpx"), layer="routes")

    assert len(points) == 2 * len(sites)
    # Tailraces are the points of the layer, which lon and lat state to their own last digits.
    tailraces = points.geometry[0::2].to_crs("EPSG:32633").to_numpy()
    assert (
        max(
            a.distance(b)
            for a, b in zip(
                tailraces, geopandas.read_file(path, layer="sites").sort_values("rank").geometry, strict=True
            )
        )
        < 0.05
    )
    drawn = routes.geometry.to_crs("EPSG:32633").length.to_numpy()
    np.testing.assert_allclose(drawn, stretches.geometry.length.to_numpy(), atol=0.1)
    assert all(site in text for site, text in zip(sites["site_id"], routes["desc"], strict=True))


@pytest.fixture(scope="module")
def on_request(delivered_to, tmp_path_factory):
    """All files of the sample run that are made on request."""
    return delivered_to(tmp_path_factory.mktemp("on-request") / "out", geoparquet=True, terrain_rasters=True)


def test_all_files_on_request_are_the_same_each_time_and_hold_the_tables(on_request, deliver, sample_run):
    first, second = on_request, deliver(geoparquet=True, terrain_rasters=True)

    assert set(first) >= {
        *("sites.gpkg", "sites.gpx", "sites.csv", "reaches.csv", "sites.parquet", "stretches.parquet"),
        *("reaches.parquet", "terrain-dem.tif", "terrain-relief.tif"),
    }
    assert set(first) <= set(KNOWN)
    assert first["sites.gpkg"].read_bytes() == sample_run.delivered.path.read_bytes()
    for name, path in first.items():
        assert path.read_bytes() == second[name].read_bytes(), name
    for name in ("sites", "stretches", "reaches"):
        found = geopandas.read_parquet(first[f"{name}.parquet"])
        there = geopandas.read_file(first["sites.gpkg"], layer=name)
        if "district" in there:
            assert found["district"].is_monotonic_increasing
            there = there.sort_values("district", kind="stable", ignore_index=True)
        assert found.crs == there.crs
        assert found.geometry.geom_equals(there.geometry).all()
        numbers = found.select_dtypes("float64").columns
        pd.testing.assert_frame_equal(pd.DataFrame(found[numbers]), pd.DataFrame(there[numbers]))


def test_terrain_rasters_are_cloud_optimised_and_hold_the_ground(on_request, sample_run):
    files, relief = on_request, sample_run.results["relief"]

    with (
        rasterio.open(files["terrain-dem.tif"]) as copy,
        rasterio.open(sample_run.results["surface"].dem_path) as own,
    ):
        np.testing.assert_array_equal(copy.read(1), own.read(1))
        assert (copy.crs, copy.transform, copy.nodata) == (own.crs, own.transform, own.nodata)
        assert copy.tags(ns="IMAGE_STRUCTURE")["LAYOUT"] == "COG"
    with rasterio.open(files["terrain-relief.tif"]) as copy:
        np.testing.assert_array_equal(copy.read_masks(1) > 0, relief.known)
        np.testing.assert_array_equal(copy.read(1)[relief.known], np.maximum(relief.shade[relief.known], 1))
        assert copy.bounds == pytest.approx(relief.bounds_m)
        assert copy.tags(ns="IMAGE_STRUCTURE")["LAYOUT"] == "COG"
    if not CHECKER.is_file():
        pytest.skip("GDAL's validate_cloud_optimized_geotiff.py (Debian: python3-gdal) is not installed")
    for name in ("terrain-dem.tif", "terrain-relief.tif"):
        command = ["/usr/bin/python3", CHECKER, files[name]]
        answer = subprocess.run(command, capture_output=True, text=True, check=False)
        assert answer.returncode == 0, answer.stdout + answer.stderr
        assert "is a valid cloud optimized GeoTIFF" in answer.stdout


def test_a_run_finds_its_dem_when_it_delivers(write_valley, tmp_path):
    settings = write_valley(tmp_path)
    text = settings.read_text(encoding="utf-8")
    more = "[delivery]\nterrain_rasters = true\ngeoparquet = true\n"
    settings.write_text(text.replace("[delivery]\n", more), encoding="utf-8")

    # Made again, taken from the store, and made where nothing is kept.
    made = [
        {path.name: path.read_bytes() for path in run_and_deliver(settings, keep=keep).files}
        for keep in (True, True, False)
    ]

    assert {"terrain-dem.tif", "terrain-relief.tif", "sites.parquet"} <= set(made[0])
    assert made[0] == made[1] == made[2]


def test_what_is_turned_off_goes_to_previous_with_the_delivery_that_it_was_of(deliver_valley):
    first = {name: path.read_bytes() for name, path in deliver_valley().items()}

    files = deliver_valley(gpx=False, csv=False)

    folder = files["sites.gpkg"].parent
    assert sorted(path.name for path in folder.iterdir()) == [".sitefinder-delivery", "previous", "sites.gpkg"]
    assert {path.name: path.read_bytes() for path in (folder / "previous").iterdir()} == first


def test_an_input_in_the_output_folder_is_never_replaced_nor_moved(of_valley, deliver_valley, tmp_path):
    settings = of_valley[0]
    roads = settings.inputs.roads.model_copy(update={"path": str(tmp_path / "out" / "sites.parquet")})
    inputs = settings.inputs.model_copy(update={"roads": roads})
    settings = settings.model_copy(update={"inputs": inputs})
    file = tmp_path / "out" / "sites.parquet"

    file.parent.mkdir()
    file.write_text("of the user")
    with pytest.raises(InputError, match="holds files that sitefinder did not deliver"):
        deliver_valley(settings)
    file.unlink()
    deliver_valley(settings)
    file.write_text("of the user")

    deliver_valley(settings)

    assert file.read_text() == "of the user"
    with pytest.raises(InputError, match="the delivery would replace an input"):
        deliver_valley(settings, geoparquet=True)
    assert file.read_text() == "of the user"


def test_any_name_of_a_stream_survives_as_text_everywhere(deliver, sample_run):
    sites, reaches = (sample_run.delivered.tables[name].copy() for name in ("sites", "reaches"))
    for table in (sites, reaches):
        table["stream"] = [HOSTILE[number % len(HOSTILE)] for number in range(len(table))]

    files = deliver({"sites": sites, "reaches": reaches})

    names = [HOSTILE[number % len(HOSTILE)] for number in range(len(sites))]
    assert pyogrio.read_dataframe(files["sites.gpkg"], layer="sites")["stream"].tolist() == names
    shown = [f"'{name}" if name.startswith("=") else name for name in names]
    assert [row["stream"] for row in read_csv(files["sites.csv"])] == shown
    # No line of a spreadsheet begins a formula, in any column.
    for row in read_csv(files["reaches.csv"]):
        assert not row["stream"].startswith(("=", "+", "-", "@"))
    waypoints = pyogrio.read_dataframe(files["sites.gpx"], layer="waypoints")
    notes = dict(zip(waypoints["name"], waypoints["desc"], strict=True))
    for rank, name in zip(sites["rank"], names, strict=True):
        assert name.replace("\x07", "\ufffd") in notes[f"S{rank:02d}T"]


def metadata(path):
    with closing(sqlite3.connect(path)) as database:
        return database.execute(
            "SELECT md_scope, md_standard_uri, mime_type, metadata FROM gpkg_metadata"
        ).fetchone()


def test_metadata_state_title_extent_system_inputs_and_cautions(sample_run):
    scope, standard, kind, text = metadata(sample_run.delivered.path)
    root = ElementTree.fromstring(text)

    assert (scope, standard, kind) == ("dataset", "http://www.isotc211.org/2005/gmd", "text/xml")
    assert root.tag == f"{GMD}MD_Metadata"
    texts = [element.text for element in root.iter(f"{GCO}CharacterString")]
    title = root.find(f".//{GMD}MD_DataIdentification/{GMD}citation//{GMD}title/{GCO}CharacterString")
    assert title.text == "Sample district"
    assert SCREENING in texts
    assert "32633" in texts
    provenance = sample_run.delivered.tables["provenance"].query("kind == 'input'")
    for row in provenance.itertuples():
        assert f"SHA-256 {row.digest}" in texts, row.name
    assert any(text.startswith("CC0 1.0, of the inputs dem") for text in texts)
    assert any(text.startswith("Licence not stated, of the inputs region") for text in texts)
    box = {
        side.tag.removeprefix(GMD): float(side[0].text) for side in root.find(f".//{GMD}EX_GeographicBoundingBox")
    }
    sites = sample_run.delivered.tables["sites"]
    assert (
        box["westBoundLongitude"] <= sites["intake_lon"].min() <= sites["lon"].max() <= box["eastBoundLongitude"]
    )
    assert (
        box["southBoundLatitude"] <= sites["lat"].min() <= sites["intake_lat"].max() <= box["northBoundLatitude"]
    )
    districts = geopandas.read_file(sample_run.delivered.path, layer="districts").total_bounds
    west, south = Transformer.from_crs("EPSG:32633", "EPSG:4326", always_xy=True).transform(*districts[:2])
    assert box["westBoundLongitude"] == pytest.approx(west, abs=2e-3)
    assert box["southBoundLatitude"] == pytest.approx(south, abs=2e-3)


def test_metadata_are_valid_by_the_schema_of_the_standard_and_lack_nothing_it_requires(sample_run, iso_19139):
    text = metadata(sample_run.delivered.path)[3]
    root = ElementTree.fromstring(text)

    iso_19139.assertValid(etree.fromstring(text.encode()))
    # Mandatory: contact and date of the metadata; title and date of each citation. What is not known says so.
    for citation in root.iter(f"{GMD}CI_Citation"):
        assert {"title", "date"} <= {child.tag.removeprefix(GMD) for child in citation}
    for element in root.iter():
        assert len(element) or (element.text or "").strip() or f"{GCO}nilReason" in element.attrib, element.tag
