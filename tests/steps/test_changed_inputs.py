"""An input that changes while a run goes on, also one that is put back, stops the run; nothing of it is kept."""

import contextlib
import importlib
import json
import os
import shutil
import sqlite3
import subprocess
import sys
from pathlib import Path

import geopandas
import numpy as np
import pandas as pd
import pytest
import rasterio
from partial_run import tables_of
from small_valley import write_valley

from sitefinder import running
from sitefinder.delivery.file_names import GEOPACKAGE
from sitefinder.delivery.graph import FILE_STAGES
from sitefinder.errors import InputError
from sitefinder.io.bound_files import BoundFiles, binding, unchanged
from sitefinder.io.digests import content_digest
from sitefinder.io.raster import cells_at, opened, raster_facts
from sitefinder.io.vector import read_layer
from sitefinder.pipeline import graph
from sitefinder.settings import DemSource, LayerSource

sys.path.insert(0, str(Path(__file__).parents[1] / "bad_inputs"))
from region import MIDDLE_M, NORTH_M, Region

CHANGED = "an input changed while the run was going on"
OUT, STORE = "out", ".sitefinder-store"


def run(settings):
    folder = settings.parent / OUT
    return running.run(settings, folder, store=folder / STORE)


def exchange(path, spoil):
    """Put another file in the place of one, with its size and times if it can; gives what puts the first back."""
    before, aside = path.stat(), path.with_name(f"{path.name}.aside")
    os.rename(path, aside)
    shutil.copyfile(aside, path)
    spoil(path)
    os.utime(path, ns=(before.st_atime_ns, before.st_mtime_ns))

    def put_back():
        os.replace(aside, path)
        assert path.stat().st_mtime_ns == before.st_mtime_ns

    return put_back


def during(monkeypatch, stage, path, spoil, *, put_back=True):
    """The file is another one while a stage is made; gives the stages that were made."""
    made, called = [], graph.called

    def exchanging(function, arguments, place):
        made.append(place)
        if place != stage:
            return called(function, arguments, place)
        undo = exchange(path, spoil)
        try:
            return called(function, arguments, place)
        finally:
            if put_back:
                undo()

    monkeypatch.setattr(graph, "called", exchanging)
    return made


def kept_stages(folder):
    return {json.loads(path.read_text())["place"] for path in (folder / OUT / STORE).glob("results/*/entry.json")}


def delivered(folder):
    return (
        [path.name for path in (folder / OUT).iterdir() if path.name != STORE] if (folder / OUT).exists() else []
    )


def other_ground(path):
    with rasterio.open(path, "r+") as raster:
        cells = raster.read(1)
        raster.write(2.0 * cells - cells.min(), 1)


def other_bytes(path):
    """One byte of a text, such as a digit of a remark, or of a file of any other kind."""
    content = bytearray(path.read_bytes())
    content[-2] ^= 1
    path.write_bytes(content)


def totals_of(settings, **options):
    """The row of the whole region in the totals, as text: so that what is not known equals itself."""
    return tables_of(settings, "totals", **options)["totals"].iloc[0].astype(str).to_dict()


@pytest.fixture(scope="module")
def sound_valley(tmp_path_factory):
    """A small valley, its totals as a run without an exchange finds them, and the store of that run."""
    folder, store = tmp_path_factory.mktemp("sound"), tmp_path_factory.mktemp("kept") / STORE
    settings = write_valley(folder)
    return settings, totals_of(settings, store=store), store


@pytest.fixture
def valley(sound_valley, tmp_path):
    return Path(shutil.copytree(sound_valley[0].parent, tmp_path / "region")) / sound_valley[0].name


@pytest.fixture
def kept_valley(valley, sound_valley):
    """The same with what that run kept: all that totals need."""
    shutil.copytree(sound_valley[2], valley.parent / OUT / STORE)
    return valley


def test_a_dem_exchanged_while_a_stage_reads_it_and_put_back_poisons_nothing(valley, sound_valley, monkeypatch):
    # In the order of a run: each exchange meets what was rightly kept before the one that stopped it.
    for stage in ("dem_seams", "surface", "network", "channels", "conduits"):
        with monkeypatch.context() as patched:
            made = during(patched, stage, valley.parent / "dem.tif", other_ground)
            with pytest.raises(InputError) as stopped:
                run(valley)

        assert made[-1] == stage
        first, *facts = str(stopped.value).splitlines()
        assert first == CHANGED
        assert [line.split()[0] for line in facts] == ["file:", "expected:", "found:", "fix:"]
        assert str(valley.parent / "dem.tif") in facts[0]
        assert "found:     the same size and time, but the file was exchanged or touched 20" in facts[2]
        assert delivered(valley.parent) == []
        assert stage not in kept_stages(valley.parent)

    assert totals_of(valley, store=valley.parent / OUT / STORE) == sound_valley[1]


def test_without_a_store_too_nothing_is_delivered(valley, monkeypatch):
    during(monkeypatch, "surface", valley.parent / "dem.tif", other_ground)

    with pytest.raises(InputError, match=CHANGED):
        running.run(valley, valley.parent / OUT)

    assert not (valley.parent / OUT).exists()


def test_an_input_that_changes_while_files_are_made_is_found_before_they_are_delivered(kept_valley, monkeypatch):
    stage = FILE_STAGES[GEOPACKAGE].name
    made = during(monkeypatch, stage, kept_valley.parent / "costs.toml", other_bytes)

    with pytest.raises(InputError, match=CHANGED):
        run(kept_valley)

    assert stage in made
    assert delivered(kept_valley.parent) == []


def test_what_an_exchanged_file_breaks_is_told_as_the_exchange(valley, monkeypatch):
    made = during(monkeypatch, "surface", valley.parent / "dem.tif", lambda path: path.write_bytes(b"no raster"))

    with pytest.raises(InputError, match=CHANGED):
        run(valley)

    assert made[-1] == "surface"


# Of the files of the region that has an input of nearly every kind.
KINDS = {
    "streams": "streams.gpkg",
    "rules and lakes": "layers.gpkg",
    "gauges": "gauges.csv",
    "rain": "rain.tif",
    "prices": "costs.toml",
    "turbines": "turbines.toml",
    "screens": "screens.toml",
    "field levels": "levels.csv",
    "ratings": "ratings.csv",
    "sections": "sections.csv",
}


@pytest.fixture(scope="module")
def sound_region(tmp_path_factory):
    return Region(tmp_path_factory.mktemp("sound"))


@pytest.fixture
def region(sound_region, tmp_path):
    return Region(tmp_path / "region", sound_region.folder)


# Every other one is left, not put back.
@pytest.mark.parametrize(
    ("file", "put_back"), list(zip(KINDS.values(), [True, False] * 5, strict=True)), ids=KINDS
)
def test_an_input_of_any_kind_exchanged_after_it_was_read_stops_the_run(region, file, put_back, monkeypatch):
    path = region.folder / file
    spoil = other_ground if path.suffix == ".tif" else other_bytes
    made = during(monkeypatch, "dem_seams", path, spoil, put_back=put_back)

    with pytest.raises(InputError) as stopped:
        run(region.folder / "settings.toml")

    assert f"{CHANGED}\n  file:      {path}\n" in str(stopped.value)
    assert made == ["dem_seams"]
    assert kept_stages(region.folder) == set()
    assert delivered(region.folder) == []


@pytest.mark.parametrize(
    ("module", "name", "file"),
    [
        ("pyogrio", "read_dataframe", "streams.gpkg"),
        ("pandas", "read_csv", "gauges.csv"),
        ("tomllib", "loads", "costs.toml"),
        ("rasterio.io", "DatasetReader", "rain.tif"),
        ("rasterio.io", "DatasetReader", "dem.tif"),
        ("sitefinder.steps.readers", "data_file_lineage", "turbines.toml"),
    ],
)
def test_an_input_exchanged_in_the_midst_of_reading_stops_the_run(region, module, name, file, monkeypatch):
    path, before = region.folder / file, getattr(importlib.import_module(module), name)
    undo, content = [], path.read_bytes()

    # The first time that it is at this file, or at the text of it; what takes the digests names no file.
    def reads(*given, **options):
        first = str(given[0])
        if not undo and (first.endswith(file) or first.encode() == content or name == "data_file_lineage"):
            undo.append(exchange(path, other_bytes))
            answer = before(*given, **options)
            undo[0]()
            return answer
        return before(*given, **options)

    monkeypatch.setattr(f"{module}.{name}", reads)
    with pytest.raises(InputError, match=CHANGED):
        run(region.folder / "settings.toml")

    assert undo
    assert kept_stages(region.folder) == set()
    assert delivered(region.folder) == []


def test_an_equation_file_exchanged_between_its_reading_and_its_digest_stops_the_run(valley, monkeypatch):
    from sitefinder.steps import readers  # noqa: PLC0415

    before = readers.data_file_lineage

    def exchanged(*given):
        undo = exchange(valley.parent / "equations.toml", other_bytes)
        try:
            return before(*given)
        finally:
            undo()

    monkeypatch.setattr(readers, "data_file_lineage", exchanged)
    with pytest.raises(InputError, match=CHANGED):
        run(valley)

    assert delivered(valley.parent) == []


def test_what_an_earlier_run_remembered_is_bound_too(kept_valley, monkeypatch):
    valley = kept_valley
    settings = valley.read_text()
    run(valley)
    valley.write_text(settings.replace("[network]", "[network]\nsnap_m = 1.25", 1))
    before = kept_stages(valley.parent)
    first = (valley.parent / OUT / "sites.gpkg").read_bytes()
    during(monkeypatch, "network", valley.parent / "dem.tif", other_ground)

    with pytest.raises(InputError, match=CHANGED):
        run(valley)

    assert kept_stages(valley.parent) == before
    assert (valley.parent / OUT / "sites.gpkg").read_bytes() == first


def dem_source(path):
    return DemSource(path=path, vertical_unit="metre", vertical_datum="invented", error_rmse_m=0.2)


def cells(facts):
    return cells_at(facts, np.array([MIDDLE_M]), np.array([NORTH_M - 100.0]), "EPSG:32633")


def test_a_part_of_a_mosaic_is_bound_with_it(region, monkeypatch):
    from rasterio.shutil import copy  # noqa: PLC0415

    copy(region.folder / "dem.tif", region.folder / "mosaic.vrt", driver="VRT")
    region.replace("settings.toml", ('"dem.tif"', '"mosaic.vrt"'))
    during(monkeypatch, "surface", region.folder / "dem.tif", other_ground)

    with pytest.raises(InputError, match=CHANGED):
        run(region.folder / "settings.toml")

    assert "surface" not in kept_stages(region.folder)


def test_a_cost_file_that_another_extends_and_a_daily_record_are_bound(region, monkeypatch):
    region.write("own.toml", 'extends = "costs.toml"\n')
    region.replace("settings.toml", ('file = "costs.toml"', 'file = "own.toml"'))
    during(monkeypatch, "dem_seams", region.folder / "costs.toml", other_bytes)

    with pytest.raises(InputError, match=CHANGED):
        run(region.folder / "settings.toml")


def test_statistics_that_a_viewer_writes_beside_a_raster_stop_nothing_but_another_place_does(region):
    with binding() as bound:
        facts = raster_facts(dem_source("dem.tif"), region.folder, "dem")
        found = cells(facts)
        beside = region.folder / "dem.tif.aux.xml"
        beside.write_text(
            '<PAMDataset><PAMRasterBand band="1"><Metadata><MDI key="STATISTICS_MAXIMUM">9</MDI></Metadata>'
            "</PAMRasterBand></PAMDataset>"
        )
        bound.validate()
        assert cells(facts) == found

        beside.write_text("<PAMDataset><GeoTransform>500100, 20, 0, 5000000, 0, -20</GeoTransform></PAMDataset>")
        with pytest.raises(InputError) as refused:
            cells(facts)

    assert f"{CHANGED}\n  file:      dem.tif\n  expected:  as first read: 60 rows and 40 columns within" in str(
        refused.value
    )


def test_a_folder_exchanged_while_a_raster_is_open_is_found_although_its_files_are_put_back(region, tmp_path):
    shutil.copytree(region.folder, tmp_path / "others")
    with binding() as bound:
        facts = raster_facts(dem_source("dem.tif"), region.folder, "dem")
        for one, other in (("region", "aside"), ("others", "region")):
            os.rename(tmp_path / one, tmp_path / other)
        with pytest.raises(InputError, match=CHANGED), opened(facts):
            pass
        for one, other in (("region", "others"), ("aside", "region")):
            os.rename(tmp_path / one, tmp_path / other)
        # Nothing shows it afterwards, which is why each opening looks.
        bound.validate()


@pytest.mark.parametrize("part", [".dbf", ".shx", ".prj", ".cpg"])
def test_each_part_of_a_shapefile_is_bound(tmp_path, part):
    frame = geopandas.GeoDataFrame({"a": [1]}, geometry=geopandas.points_from_xy([1.0], [2.0]), crs="EPSG:32633")
    frame.to_file(tmp_path / "roads.shp", driver="ESRI Shapefile")
    bound = BoundFiles()
    bound.bind([tmp_path / "roads.shp"])
    other_bytes(tmp_path / f"roads{part}")

    with pytest.raises(InputError, match=CHANGED) as refused:
        bound.validate()

    assert f"roads{part}" in str(refused.value)


def test_what_a_database_has_not_taken_over_yet_counts_and_an_empty_log_does_not(tmp_path):
    path = tmp_path / "layers.gpkg"
    path.write_bytes(b"x")
    bound = BoundFiles()
    bound.bind([path])
    (tmp_path / "layers.gpkg-wal").write_bytes(b"")
    (tmp_path / "layers.gpkg-shm").write_bytes(b"index")
    bound.validate()
    (tmp_path / "layers.gpkg-wal").write_bytes(b"a change")

    with pytest.raises(InputError) as refused:
        bound.validate()

    assert "layers.gpkg-wal\n  expected:  the file as it was first read: none\n" in str(refused.value)


def test_a_file_that_vanishes_comes_or_is_read_twice_is_told_as_it_is(tmp_path):
    path = tmp_path / "table.csv"
    pd.DataFrame({"a": [1]}).to_csv(path)
    with binding():
        with unchanged(path):
            pass
        path.unlink()
        with pytest.raises(InputError, match="found:     none"), unchanged(path):
            pass
    with pytest.raises(InputError, match="as it was first read: none"), unchanged(path):
        path.write_text("a")


# A program that changes a layer and is killed before it closes the database.
LEFT_OPEN = """
import os, sqlite3, sys
database = sqlite3.connect(sys.argv[1])
database.execute("PRAGMA journal_mode = wal")
database.execute("UPDATE roads SET a = ?", [int(sys.argv[2])])
database.commit()
os._exit(0)
"""


def test_a_layer_whose_database_was_not_closed_is_read_whole_and_left_as_it_is(tmp_path):
    layer, place = LayerSource(path="layers.gpkg"), tmp_path / "layers.gpkg"
    frame = geopandas.GeoDataFrame({"a": [1]}, geometry=geopandas.points_from_xy([1.0], [2.0]), crs="EPSG:32633")
    frame.to_file(tmp_path / "kept.gpkg", driver="GPKG", layer="roads")
    with contextlib.closing(sqlite3.connect(tmp_path / "kept.gpkg")) as database:
        # Such triggers call functions that only a GIS brings.
        for (name,) in database.execute("SELECT name FROM sqlite_master WHERE type = 'trigger'").fetchall():
            database.execute(f'DROP TRIGGER "{name}"')
    digests = []
    for value in (7, 8):
        for left in tmp_path.glob("layers.gpkg*"):
            left.unlink()
        shutil.copy(tmp_path / "kept.gpkg", place)
        subprocess.run([sys.executable, "-c", LEFT_OPEN, place, str(value)], check=True)
        before = {path.name: path.read_bytes() for path in tmp_path.iterdir()}
        assert before["layers.gpkg-wal"]

        read = read_layer(layer, tmp_path, "EPSG:32633", what="roads", geometry="point")

        assert read.frame["a"].tolist() == [value]
        assert {path.name: path.read_bytes() for path in tmp_path.iterdir()} == before
        digests.append(read.lineage["digest"])
    assert digests[0] != digests[1]
    assert content_digest(place) not in digests
