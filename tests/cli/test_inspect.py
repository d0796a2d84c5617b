"""What files hold, settings drafted from them, and a new folder that begins with the user's own files."""

import json
import re
import shutil
import tomllib
import zipfile

import geopandas
import numpy as np
import pyogrio
import pytest
import rasterio
import shapely

UTM = "EPSG:32633"
GUESS = re.compile(r'"TODO: confirm ([^"]*)"')


def lines(*starts):
    return [shapely.LineString([(x, 4_999_500.0), (x, 4_999_900.0)]) for x in starts]


# An archive with a Shapefile in Latin-1 letters, multipart lines with heights, and a licence beside it.
def write_archive(folder):
    made = folder / "temporary" / "made"
    made.mkdir()
    both = shapely.force_3d(shapely.MultiLineString(lines(500_100.0, 500_200.0)), 4.0)
    frame = geopandas.GeoDataFrame(
        {"GEWKZ": ["11", "12", "13"], "NAME": ["Mühlbach", None, "Ache"], "ART": ["river", "canal", "river"]},
        geometry=[both, *lines(500_300.0, 900_000.0)],
        crs=UTM,
    )
    pyogrio.write_dataframe(frame, made / "rivers.shp", encoding="ISO-8859-1")
    (made / "rivers.cpg").write_text("ISO-8859-1\n", encoding="ascii")
    (made / "rivers.txt").write_text("Licence: CC BY 4.0, Land office\n", encoding="utf-8")
    with zipfile.ZipFile(folder / "rivers.zip", "w") as archive:
        for file in sorted(made.iterdir()):
            archive.write(file, file.name)
    shutil.rmtree(made)


# What the command prints of them: 15 × 12 of 60 × 40 cells have no data. One file is not there, and one
# is none that is read.
FOUND = """\
dem.tif
  coordinate system: EPSG:32633, WGS 84 / UTM zone 33N
  axes:              easting (east), northing (north) [metre]
  datum:             World Geodetic System 1984
  vertical:          unit not stated, datum not stated
  extent:            x 500,000 to 500,800, y 4,998,800 to 5,000,000
  cells:             60 rows × 40 columns of 20 × 20, float32
  nodata:            the file states none; cells that seem to be without data hold -9999
  gaps:              0.0 % of all cells are marked, 7.5 % are not
  values:            188.7 to 219.5
  licence:           nothing found in the file or beside it
  likely used as:    inputs.dem
  to mend or to decide:
    the dem raster holds impossible heights
      file:      dem.tif
      expected:  heights up to 9000 m; no nodata value
      found:     cells of -9999
      fix:       state nodata beside the path if that value means no data; else check vertical_unit

rivers.zip/rivers.shp
  coordinate system: EPSG:32633, WGS 84 / UTM zone 33N
  axes:              easting (east), northing (north) [metre]
  datum:             World Geodetic System 1984 ensemble
  extent:            x 500,100 to 900,000, y 4,999,500 to 4,999,900
  at the DEM:        2 of 3 features meet its extent
  features:          3 (2 × linestring, 1 × multilinestring), ESRI Shapefile
  heights:           on the coordinates of 3 features; a run leaves them out
  a run would mend:  1 × several parts
  letters:           rivers.cpg states ISO-8859-1
  likely fields:     id GEWKZ; name NAME; status none
  fields:
    GEWKZ: text, all different; such as 11
    NAME: text, 2 of 3 filled, all different; such as Mühlbach
    ART: text; river 2, canal 1
  licence:           rivers.txt: Licence: CC BY 4.0, Land office
  likely used as:    inputs.streams
"""
NOT_READ = """\
files that cannot be read: 2 problems
  there is no such file
    file:      nothing.gpkg
    expected:  a raster, layer, table or archive
    fix:       check the path
  the file cannot be read
    file:      notes.bin
    expected:  a raster (GeoTIFF, a mosaic (VRT) of files, ASCII or other grids, netCDF, GeoPackage) or \
a layer (GeoPackage, Shapefile, GeoJSON, FlatGeobuf, FileGDB, GeoParquet, GML, KML, GPX, MapInfo or CSV)
    found:     another kind of file, or a damaged one
    fix:       convert the file to GeoTIFF or GeoPackage, and name that
"""
DRAFT = """\
# Drafted from files. What says "TODO" is refused until you decide. Where a guess is right, remove
# "TODO: confirm" (and the quotation marks of a number); else write what is right.

# dem.tif (raster, 60 × 40 cells)
[inputs.dem]
path = "TODO: confirm dem.tif"
vertical_unit = "TODO: metre, foot or us_survey_foot; the file states none"
vertical_datum = "TODO: name of the vertical datum, such as EGM2008; the file states none"
nodata = "TODO: confirm -9999"

# rivers.zip/rivers.shp (line, 3 features)
# ART holds river (2), canal (1).
[inputs.streams]
path = "TODO: unpack rivers.zip and name rivers.shp in it"
id_column = "TODO: confirm GEWKZ"
name_column = "TODO: confirm NAME"
licence = "Licence: CC BY 4.0, Land office"
"""


@pytest.fixture
def dirty(region):
    """The small valley with a DEM whose gaps are not marked, and an archive of rivers."""
    region.write_dem(nodata=None)
    with rasterio.open("dem.tif", "r+") as raster:
        cells = raster.read(1)
        cells[10:25, 3:15] = -9999.0
        raster.write(cells, 1)
    write_archive(region.folder)
    (region.folder / "notes.bin").write_bytes(bytes(range(256)) * 4)
    return region


def test_all_that_can_be_read_is_shown_and_all_that_cannot_is_listed(dirty, command):
    before = dirty.contents()

    outcome = command("inspect", "dem.tif", "nothing.gpkg", "rivers.zip", "notes.bin")

    assert outcome.out == FOUND
    assert (outcome.status, outcome.err) == (2, NOT_READ)
    assert dirty.contents() == before


def test_the_draft_states_facts_and_marks_guesses(dirty, command):
    outcome = command("inspect", "--draft", "dem.tif", "rivers.zip")

    assert outcome.out == DRAFT
    assert (outcome.status, outcome.err) == (0, "")
    tomllib.loads(outcome.out)


def test_json_holds_the_same(dirty, command):
    found = json.loads(command("inspect", "--json", "--dem", "dem.tif", "rivers.zip").out)["found"]

    (rivers,) = found
    assert rivers["layer"]["likely"] == {"id": "GEWKZ", "name": "NAME", "status": None}
    assert rivers["layer"]["at_dem"] == {"features": 3, "meeting": 2, "meeting_exchanged": 0}
    assert rivers["raster"] is None


ANSWERS = {
    "name of the vertical": '"invented"',
    "metre, foot": '"metre"',
    "one of dem-errors": '"dem-errors/lidar.toml"',
    "source of the gauges": '"invented"',
    "share of": "0.1",
    "price of": "0.3",
    "your decision": '"exclude"',
}


# The settings with every guess confirmed as they say, and every blank answered.
def confirmed(text):
    text = re.sub(r'"TODO: confirm (-?\d+)"', r"\1", text)
    text = GUESS.sub(r'"\1"', text)

    def answer(found):
        (value,) = [value for start, value in ANSWERS.items() if found[1].startswith(start)]
        return value

    return re.sub(r'(?<== )"TODO: ([^"]*)"', answer, text)


def write_lakes_and_reserves(folder):
    lake = shapely.box(500_390.0, 4_999_300.0, 500_410.0, 4_999_320.0)
    for layer, identity in (("lakes", "lake_id"), ("bird sanctuary", "site_code")):
        frame = geopandas.GeoDataFrame({identity: ["a"], "name": ['Å "b" \\']}, geometry=[lake], crs=UTM)
        pyogrio.write_dataframe(frame, folder / "areas.gpkg", layer=layer)


def test_a_folder_from_sound_files_passes_the_check_once_guesses_are_confirmed(region, command, repository):
    shutil.copy(repository / "sample-region" / "gauges.csv", region.folder / "gauges.csv")
    write_lakes_and_reserves(region.folder)
    files = ("dem.tif", "streams.gpkg", "gauges.csv", "areas.gpkg")

    made = command("new", "valley", *files)

    settings = region.folder / "valley" / "settings.toml"
    text = settings.read_text(encoding="utf-8")
    assert (made.status, made.err) == (0, "")
    guesses = GUESS.findall(text)
    assert [guess for guess in guesses if guess.startswith("../")] == [
        "../dem.tif", "../streams.gpkg", "../gauges.csv", "../areas.gpkg", "../areas.gpkg",
    ]  # fmt: skip
    assert {"EPSG:32633", "stream_id", "lake_id", "site_code", "bird sanctuary"} < set(guesses)
    assert list((region.folder / "valley" / "data").iterdir()) == []

    refused = command("check", "valley/settings.toml")
    ran = command("run", "--quiet", "valley/settings.toml")
    settings.write_text(confirmed(text).replace("# [terrain]\n# edge", "[terrain]\nedge"), encoding="utf-8")
    checked = command("check", "valley/settings.toml")

    todo = text.count('= "TODO: ')
    assert len(guesses) == 12
    assert refused.err.startswith(f"valley/settings.toml, to be filled in: {todo} problems\n")
    assert (ran.status, ran.err) == (2, refused.err)
    assert refused.err.count("fix:") == todo
    assert (checked.status, checked.err) == (0, "")
    assert "layers:    streams, lakes" in checked.out


def test_each_guess_is_refused_with_its_line_and_what_to_write(region, command):
    command("new", "valley", "dem.tif", "streams.gpkg")
    text = (region.folder / "valley" / "settings.toml").read_text(encoding="utf-8")

    refused = command("check", "valley/settings.toml")

    line = text.splitlines().index('id_column = "TODO: confirm stream_id"') + 1
    assert f"  inputs.streams.id_column: stream_id is a guess (line {line})\n" in refused.err
    assert '    fix:  write id_column = "stream_id" if that is right, or what is right\n' in refused.err


def test_a_guess_in_a_list_is_confirmed_within_the_list(region, command):
    settings = region.folder / "settings.toml"
    weirs = '[inputs.structures]\npath = "weirs.gpkg"\nremoved_values = ["TODO: confirm gone"]\n'
    settings.write_text(settings.read_text(encoding="utf-8") + weirs, encoding="utf-8")

    refused = command("check", "settings.toml")

    assert "  inputs.structures.removed_values[1]: gone is a guess" in refused.err
    assert '    fix:  write "gone" in removed_values if that is right, or what is right\n' in refused.err


def test_a_guess_in_a_base_file_of_another_folder_is_refused_with_that_file(region, command):
    base = (region.folder / "settings.toml").read_text(encoding="utf-8")
    (region.folder / "base").mkdir()
    for name in ("dem.tif", "streams.gpkg"):
        shutil.copy(name, f"base/{name}")
    base = base.replace('path = "streams.gpkg"', 'path = "TODO: confirm streams.gpkg"')
    (region.folder / "base" / "settings.toml").write_text(base, encoding="utf-8")
    (region.folder / "other.toml").write_text('extends = "base/settings.toml"\n', encoding="utf-8")

    refused = command("check", "other.toml")

    line = base.splitlines().index('path = "TODO: confirm streams.gpkg"') + 1
    where = f"(line {line}, in base/settings.toml)"
    assert refused.err.startswith("other.toml, to be filled in: 1 problem\n")
    assert f"inputs.streams.path: streams.gpkg is a guess {where}\n" in refused.err


def test_two_rules_with_the_same_guess_have_each_its_line(region, command):
    rule = '\n[[rules]]\nname = "{}"\npath = "streams.gpkg"\nid_column = "TODO: confirm id"\naction = "note"\n'
    settings = region.folder / "settings.toml"
    text = settings.read_text(encoding="utf-8") + rule.format("a") + rule.format("b")
    settings.write_text(text, encoding="utf-8")

    refused = command("check", "settings.toml")

    rows = [row for row, line in enumerate(text.splitlines(), 1) if "confirm id" in line]
    assert len(rows) == 2
    for number, row in enumerate(rows, 1):
        assert f"rules[{number}].id_column: id is a guess (line {row})\n" in refused.err


def test_a_number_is_confirmed_without_quotation_marks(dirty, command):
    command("new", "valley", "dem.tif")

    refused = command("check", "valley/settings.toml")

    assert "inputs.dem.nodata: -9999 is a guess" in refused.err
    assert "fix:  write nodata = -9999 if that is right" in refused.err


def test_archives_are_unpacked_into_the_data_of_the_new_folder(dirty, command):
    made = command("new", "valley", "rivers.zip")

    text = (dirty.folder / "valley" / "settings.toml").read_text(encoding="utf-8")
    assert made.status == 0
    assert 'path = "TODO: confirm data/rivers/rivers.shp"' in text
    unpacked = sorted(path.suffix for path in (dirty.folder / "valley" / "data" / "rivers").iterdir())
    assert unpacked == [".cpg", ".dbf", ".prj", ".shp", ".shx", ".txt"]


def test_nothing_is_made_where_a_file_cannot_be_read(dirty, command):
    before = dirty.contents()

    outcome = command("new", "valley", "dem.tif", "nothing.gpkg", "notes.bin")

    assert (outcome.status, outcome.out) == (2, "")
    assert outcome.err == NOT_READ
    assert dirty.contents() == before


def test_a_second_file_for_an_input_is_commented_out(region, command):
    shutil.copy("streams.gpkg", "old_rivers.gpkg")

    text = command("inspect", "--draft", "streams.gpkg", "old_rivers.gpkg").out

    assert "# Another file is taken for inputs.streams already.\n" in text
    assert '# path = "TODO: confirm old_rivers.gpkg"\n' in text
    assert tomllib.loads(text)["inputs"]["streams"]["path"] == "TODO: confirm streams.gpkg"


def test_a_second_dem_may_be_a_tile_and_is_commented_out(region, command):
    shutil.copy("dem.tif", "dem_east.tif")

    text = command("inspect", "--draft", "dem.tif", "dem_east.tif").out

    assert "# Another file is taken for inputs.dem already. Tiles of one DEM: build a mosaic" in text
    assert tomllib.loads(text)["inputs"]["dem"]["path"] == "TODO: confirm dem.tif"


def test_files_of_another_folder_are_read_by_a_relative_path(region, command):
    (region.folder / "delivered").mkdir()
    for name in ("dem.tif", "streams.gpkg"):
        shutil.move(name, f"delivered/{name}")

    found = command("inspect", "delivered/dem.tif", "delivered/streams.gpkg")
    alone = command("inspect", "--dem", "delivered/dem.tif", "delivered/streams.gpkg")

    assert (found.status, found.err) == (0, "")
    assert (alone.status, alone.err) == (0, "")
    assert found.out.startswith("delivered/dem.tif\n  coordinate system: EPSG:32633")
    assert found.out.endswith("\n" + alone.out)
    assert str(region.folder) not in found.out


def test_a_raster_of_another_place_is_said_to_be_one(region, command):
    shutil.copy("dem.tif", "far.tif")
    with rasterio.open("far.tif", "r+") as raster:
        raster.transform = rasterio.Affine(20.0, 0.0, 900_000.0, 0.0, -20.0, 5_000_000.0)

    text = command("inspect", "dem.tif", "far.tif").out

    before, after = text.split("\nfar.tif\n")
    assert "no cell lies in the DEM's extent" not in before
    assert "  at the DEM:        covers 0 % of its extent\n" in after
    assert "    no cell lies in the DEM's extent\n      fix:  check the raster's coordinate system" in after


# Layers of the same polygon, by their file's name.
def write_areas(*names, field="CODE"):
    area = shapely.box(500_000, 4_999_000, 500_500, 4_999_500)
    for name in names:
        pyogrio.write_dataframe(geopandas.GeoDataFrame({field: ["A"]}, geometry=[area], crs=UTM), f"{name}.gpkg")


def test_an_older_edition_names_the_later_one_which_alone_is_drafted(region, command):
    write_areas("Parks_2021", "parks_2012", "parks_east", "forests_1998")
    write_areas("parks_2025", field="OTHER")
    files = [f"{name}.gpkg" for name in ("Parks_2021", "parks_2012", "parks_2025", "parks_east", "forests_1998")]

    shown = command("inspect", *files).out
    text = command("inspect", "--draft", *files).out

    assert shown.count("older edition") == 1
    assert "this seems to be an older edition of Parks_2021.gpkg\n" in shown.split("\nparks_2012.gpkg\n")[1]
    assert "# A later edition is drafted: Parks_2021.gpkg.\n" in text
    rules = tomllib.loads(text)["rules"]
    drafted = {rule["path"].removeprefix("TODO: confirm "): rule.get("date") for rule in rules}
    assert drafted == {
        "Parks_2021.gpkg": "TODO: confirm 2021",
        "parks_2025.gpkg": "TODO: confirm 2025",
        "parks_east.gpkg": None,
        "forests_1998.gpkg": "TODO: confirm 1998",
    }


def test_points_of_a_species_are_a_rule_that_asks_what_may_be_published(region, command):
    places = geopandas.GeoDataFrame({"ring": ["R1"]}, geometry=[shapely.Point(500_100.0, 4_999_500.0)], crs=UTM)
    for name in ("eagle_nests", "wells"):
        pyogrio.write_dataframe(places, f"{name}.gpkg")
    write_areas("parks")

    text = command("inspect", "--draft", "eagle_nests.gpkg", "wells.gpkg", "parks.gpkg").out

    nests, parks = tomllib.loads(text)["rules"]
    assert nests["publish"] == "TODO: your decision: exact, generalised, hidden; the layer looks sensitive"
    assert "publish" not in parks
    assert "# wells.gpkg (point, 1 feature): nothing shows which input this is" in text


def test_values_of_the_ground_are_taken_from_blocks_of_a_large_raster(region, command):
    with rasterio.open(
        "wide.tif", "w", driver="GTiff", height=4_000, width=4_000, count=1, dtype="uint8", crs=UTM,
        compress="deflate", transform=rasterio.Affine(10.0, 0.0, 500_000.0, 0.0, -10.0, 5_000_000.0),
    ) as raster:  # fmt: skip
        raster.write(np.full((4_000, 4_000), 7, dtype="uint8"), 1)

    found = json.loads(command("inspect", "--json", "wide.tif").out)["found"]

    assert found[0]["raster"]["looked_at"] < 1_000_000


# Two inventories of weirs: one with gaps given as 0 and its own words for what is gone, one without these.
def write_weirs(folder):
    places = [shapely.Point(500_100.0 + 100.0 * row, 4_999_500.0) for row in range(4)]
    states = ["in use", "Demolished", "in use", "removal planned"]
    columns = {"weir_id": ["A", "B", "C", "D"], "HEIGHT": [1.5, 0.0, 0.0, 2.25], "state": states}
    for name, columns_of_it in (("weirs", columns), ("old_weirs", {"drop_m": [1.0, 2.5, 2.0, 3.0]})):
        frame = geopandas.GeoDataFrame(columns_of_it, geometry=places, crs=UTM)
        pyogrio.write_dataframe(frame, folder / f"{name}.gpkg")


def test_the_draft_of_parcels_asks_for_classes_of_owners_and_guesses_no_name(tmp_path, monkeypatch, command):
    monkeypatch.chdir(tmp_path)
    boxes = [shapely.box(x, 0.0, x + 10.0, 10.0) for x in (0.0, 10.0, 20.0)]
    columns = {"parcel_id": ["a", "b", "c"], "name": ["Anna Beispiel", "Land", "Bea Muster"]}
    frame = geopandas.GeoDataFrame(columns, geometry=boxes, crs=UTM)
    pyogrio.write_dataframe(frame, tmp_path / "cadastre.gpkg")

    parcels = tomllib.loads(command("inspect", "--draft", "cadastre.gpkg").out)["inputs"]["parcels"]

    assert sorted(parcels) == ["id_column", "owner_classes", "owner_column", "path"]
    assert parcels["owner_column"].startswith("TODO: ")
    assert parcels["owner_classes"]["word"].startswith("TODO: ")


def test_the_draft_of_inventories_of_weirs_guesses_zero_heights_and_what_is_gone(tmp_path, monkeypatch, command):
    monkeypatch.chdir(tmp_path)
    write_weirs(tmp_path)

    text = command("inspect", "--draft", "weirs.gpkg", "old_weirs.gpkg").out

    assert "# HEIGHT is 0 somewhere: a height that nobody measured, or no drop at all?\n" in text
    inputs = tomllib.loads(text.replace("TODO: confirm ", ""))["inputs"]
    assert inputs["structures"] == {
        "path": "weirs.gpkg",
        "id_column": "weir_id",
        "columns": {"drop_m": "HEIGHT"},
        "zero_height_is_missing": "true",
        "status_column": "state",
        "removed_values": ["Demolished"],
        "removal_planned_values": ["removal planned"],
    }
    # The second is merged with the first, and says nothing of what is gone; no height of its own is 0.
    assert inputs["more_structures"] == {"old_weirs": {"path": "old_weirs.gpkg"}}
