"""The public form of settings: every file that they name has a place in the bundle."""

import os
import sqlite3
import types
from contextlib import closing
from pathlib import Path
from typing import get_args

import geopandas
import pytest
import shapely
from pydantic import BaseModel

from sitefinder.io.settings_files import PATH_KEYS
from sitefinder.publication.public_form import problems_of_publication, public_form
from sitefinder.settings import Settings

CREDIT = {"licence": "CC0-1.0", "attribution": "none", "redistribute": True}
NOT_DATA = ("output_folder", "store_folder", "allow_outside")


def source(name, **more):
    return {"path": f"data/{name}", **CREDIT, **more}


@pytest.fixture
def settings(tmp_path):
    """Settings that name a file of every kind that settings can name, in a folder with those files."""
    mapping = {
        "run": {
            "name": "All files",
            "crs": "EPSG:32633",
            "output_folder": "out",
            "store_folder": "/store",
            "workers": 3,
        },
        "inputs": {
            "dem": source(
                "dem.vrt", vertical_unit="metre", vertical_datum="EGM2008", error_preset="dem-errors/a.toml"
            ),
            "streams": source("rivers.shp"),
            "covariates": {"rain_mm": source("rain.tif")},
            "shares": {"forest": source("woods.gdb", layer="woods")},
            "structures": source("weirs.gpkg"),
            "more_structures": {"old": source("old weirs.csv")},
            "allow_outside": ["costs"],
        },
        "flows": {
            "gauges": {
                "path": "data/gauges/gauges.csv",
                "predictors": ["area_km2"],
                "source": "yearbook",
                "daily": {"file_column": "file", "unit": "m3s"},
                **CREDIT,
            },
            "environmental": [{"preset": "flows/rule.toml"}],
            "regime": {"preset": "regimes/rain.toml"},
            "change": {"path": "climate.csv", "label": "2050", "source": "a model"},
        },
        "energy": {"turbines": ["turbines/a.toml", "other/a.toml"]},
        "fish": {"screens": ["screens/a.toml"]},
        "costs": {"file": "costs/own/a.toml", "price_per_kwh": 0.2},
        "delivery": {"logo": "logo.svg", "font_files": ["fonts/a.ttf"], "terrain_rasters": True},
        "rules": [
            {"name": "park", "action": "exclude", **source("parks.gpkg"), "covered_by": source("surveyed.gpkg")}
        ],
        "publication": {"licence": "CC0-1.0"},
    }
    texts = {
        "data/dem.vrt": '<VRTDataset><SourceFilename relativeToVRT="1">tiles/t1.tif</SourceFilename></VRTDataset>',
        "data/gauges/gauges.csv": "gauge_id,area_km2,file\nG1,3,daily/g1.csv\nG2,4,daily/g2.csv\n",
        "costs/own/a.toml": 'extends = "../generic.toml"\n',
    }
    empty = (
        *("data/tiles/t1.tif", "data/rivers.shp", "data/rivers.dbf", "data/rivers.shx", "data/rivers.shp.xml"),
        *("data/rain.tif", "data/rain.tif.aux.xml", "data/woods.gdb/a0", "data/woods.gdb/a1", "data/weirs.gpkg"),
        *("data/old weirs.csv", "data/gauges/daily/g1.csv", "data/gauges/daily/g2.csv", "data/parks.gpkg"),
        *("data/surveyed.gpkg", "dem-errors/a.toml", "flows/rule.toml", "regimes/rain.toml", "climate.csv"),
        *("turbines/a.toml", "other/a.toml", "screens/a.toml", "costs/generic.toml", "logo.svg", "fonts/a.ttf"),
    )
    for name, text in (texts | dict.fromkeys(empty, "")).items():
        (tmp_path / name).parent.mkdir(parents=True, exist_ok=True)
        (tmp_path / name).write_text(text, encoding="utf-8")
    return Settings(folder=tmp_path, **mapping)


# Values of settings that name files, with their keys.
def named_files(tables, key=""):
    if isinstance(tables, dict):
        for name, value in tables.items():
            if name in PATH_KEYS and name not in NOT_DATA and isinstance(value, str | list):
                yield from ((f"{key}.{name}", each) for each in ([value] if isinstance(value, str) else value))
            else:
                yield from named_files(value, f"{key}.{name}")
    elif isinstance(tables, list):
        for value in tables:
            yield from named_files(value, key)


# Names of settings that name files, with the kinds of section that they are in.
def declared_paths(kind, seen):
    if kind in seen:
        return
    seen.add(kind)
    for name, field in kind.model_fields.items():
        if name in PATH_KEYS:
            yield name
        for inner in kinds_within(field.annotation):
            yield from declared_paths(inner, seen)


def kinds_within(annotation):
    if isinstance(annotation, type) and not isinstance(annotation, types.GenericAlias):
        if issubclass(annotation, BaseModel):
            yield annotation
        return
    for each in get_args(annotation):
        yield from kinds_within(each)


def test_the_settings_of_this_test_name_every_kind_of_file_that_settings_can_name(settings):
    stated = {key.rsplit(".", 1)[-1] for key, _ in named_files(settings.model_dump(exclude_none=True))}

    # `equations` stands in place of a gauge table.
    assert stated | {"equations"} == set(declared_paths(Settings, set())) - set(NOT_DATA)


def test_every_file_has_one_place_below_the_bundle(settings, tmp_path):
    form = public_form(settings, None, (0, 0, 1, 1), tmp_path)

    placed = {}
    for one in form.inputs:
        for file, place in one.files:
            assert placed.setdefault(place, file) == file
            assert not os.path.isabs(place)
            assert ".." not in Path(place).parts
    places = {*placed, *(one.place for one in form.inputs)}
    named = list(named_files(form.tables))
    assert len(named) == len(list(named_files(settings.model_dump(exclude_none=True))))
    assert [pair for pair in named if pair[1] not in places] == []


def test_files_that_name_each_other_keep_how_they_lie(settings, tmp_path):
    form = public_form(settings, None, (0, 0, 1, 1), tmp_path)

    places = {place for one in form.inputs for _, place in one.files}
    assert {"inputs/dem/dem.vrt", "inputs/dem/tiles/t1.tif"} <= places
    assert {"inputs/gauges/gauges.csv", "inputs/gauges/daily/g1.csv", "inputs/gauges/daily/g2.csv"} <= places
    assert {"data-files/costs/own/a.toml", "data-files/costs/generic.toml"} <= places
    assert {"inputs/shares/forest/woods.gdb/a0", "inputs/shares/forest/woods.gdb/a1"} <= places
    assert form.tables["inputs"]["shares"]["forest"]["path"] == "inputs/shares/forest/woods.gdb"
    assert {"inputs/streams/rivers.shp", "inputs/streams/rivers.dbf", "inputs/streams/rivers.shx"} <= places
    # It says who made the file and where, and is not read.
    assert "inputs/streams/rivers.shp.xml" not in places


def test_nothing_of_the_computer_and_the_publisher_is_left(settings, tmp_path):
    form = public_form(settings, None, (0, 0, 1, 1), tmp_path)

    assert form.tables["run"] == {
        "name": "All files (public edition)",
        "crs": "EPSG:32633",
        "output_folder": "replay",
    }
    assert "allow_outside" not in form.tables["inputs"]
    assert "publication" not in form.tables
    assert str(tmp_path) not in repr(form.tables)


def test_fonts_are_not_passed_on_and_other_data_files_are(settings, tmp_path):
    form = public_form(settings, None, (0, 0, 1, 1), tmp_path)

    assert [one.key for one in form.inputs if not one.is_public] == ["delivery.font_files[1]"]


def test_rasters_of_a_dem_that_may_not_be_passed_on_are_not_delivered(settings, tmp_path):
    dem = settings.inputs.dem.model_copy(update={"redistribute": None})
    kept = settings.model_copy(update={"inputs": settings.inputs.model_copy(update={"dem": dem})})

    assert public_form(settings, None, (0, 0, 1, 1), tmp_path).tables["delivery"]["terrain_rasters"] is True
    form = public_form(kept, None, (0, 0, 1, 1), tmp_path)

    assert form.tables["delivery"]["terrain_rasters"] is False
    assert any("terrain-dem.tif" in text for text in form.warnings)


def test_of_databases_that_are_passed_on_what_else_they_hold_is_said(settings, tmp_path):
    path = tmp_path / "data/weirs.gpkg"
    path.unlink()
    for layer in ("weirs", "nests"):
        points = shapely.points([[x, 0.0] for x in range(500)])
        frame = geopandas.GeoDataFrame(
            {"note": ["a nest is in the alder"] * 500}, geometry=points, crs="EPSG:32633"
        )
        frame.to_file(path, layer=layer, driver="GPKG")
    own = settings.inputs.structures.model_copy(update={"layer": "weirs"})
    named = settings.model_copy(update={"inputs": settings.inputs.model_copy(update={"structures": own})})

    whole = public_form(named, None, (0, 0, 1, 1), tmp_path).warnings
    with closing(sqlite3.connect(path)) as database:
        database.execute("DROP TABLE rtree_nests_geom")
        database.execute("DROP TABLE nests")
        database.execute("DELETE FROM gpkg_contents WHERE table_name = 'nests'")
        database.commit()
    emptied = public_form(named, None, (0, 0, 1, 1), tmp_path).warnings

    assert whole == ["weirs.gpkg is passed on whole, with layers that the run does not read: nests"]
    assert b"alder" in path.read_bytes()
    assert any("may still hold rows that were deleted" in text for text in emptied)


def test_mosaics_with_absolute_paths_and_open_databases_are_refused(settings, tmp_path):
    part = f'<SourceFilename relativeToVRT="0">{tmp_path}/data/tiles/t1.tif</SourceFilename>'
    (tmp_path / "data/dem.vrt").write_text(f"<VRTDataset>{part}</VRTDataset>", encoding="utf-8")
    (tmp_path / "data/weirs.gpkg-wal").write_text("changes", encoding="utf-8")

    problems = problems_of_publication(settings)

    assert ["inputs.dem is a mosaic" in text for text in problems].count(True) == 1
    assert ["inputs.structures has changes" in text for text in problems].count(True) == 1
