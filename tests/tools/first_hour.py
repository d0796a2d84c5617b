"""A folder of real and spoilt files, and the first hour of a user with it, as one transcript.

python tests/tools/first_hour.py > tests/cli/first_hour.txt
"""

import contextlib
import difflib
import io
import re
import shlex
import sys
import tempfile
import zipfile
from pathlib import Path

import geopandas
import numpy as np
import pyogrio
import rasterio
import rasterio.windows
import shapely
import shapely.affinity

from sitefinder import cli

REAL = Path(__file__).parents[1] / "real"
CRS = "EPSG:26912"
# Links at the outlets of two tributaries of the Logan River. The part of the DEM that holds their catchments:
# first row and column, number of rows and columns.
OUTLETS = (166, 111)
PART = (36, 91, 208, 198)
NO_DATA = -9999.0
# What nobody may read of the nest in a public edition, and how far it is from its stream in x and in y [m].
SECRETS = ("RING-70412", "Quimby", "eagle_nests_confidential")
NEST_BESIDE_M = 30.0


def write_folder(folder):
    """Write the files with which the hour begins.

    Parameters
    ----------
    folder : Path
        An empty one.
    """
    links = _links()
    _write_elevations(folder)
    _write_hydrography(folder, links)
    _write_weirs(folder, links)
    _write_protected(folder)
    _write_nests(folder, links)
    (folder / "gauges.csv").write_bytes((REAL / "great_basin_gauges.csv").read_bytes())


# The links upstream of the outlets, in the order of their ids.
def _links():
    links = geopandas.read_file(REAL / "data" / "logan" / "streams.gpkg").set_index("LINKNO").sort_index()
    wanted, found = list(OUTLETS), []
    while wanted:
        found.append(wanted.pop())
        wanted += links.index[links["DSLINKNO"] == found[-1]].tolist()
    return links.loc[sorted(found)]


# A part of Logan whose empty corner nothing marks, and a tile of another place.
def _write_elevations(folder):
    elevation_m, profile = _cut(REAL / "data" / "logan" / "dem_100m.tif", *PART)
    elevation_m[-25:, :25] = NO_DATA
    with rasterio.open(folder / "elevation.tif", "w", **profile) as raster:
        raster.write(elevation_m, 1)
    elevation_m, profile = _cut(REAL / "data" / "zion" / "dem_3arcsec.tif", 0, 0, 60, 60)
    with rasterio.open(folder / "elevation_south.tif", "w", **profile) as raster:
        raster.write(elevation_m, 1)


def _cut(path, row, column, rows, columns):
    with rasterio.open(path) as raster:
        a, b, west, d, e, north = tuple(raster.transform)[:6]
        transform = rasterio.Affine(a, b, west + column * a, d, e, north + row * e)
        profile = raster.profile | {"height": rows, "width": columns, "transform": transform}
        return raster.read(1, window=rasterio.windows.Window(column, row, columns, rows)), profile


# An archive of a Shapefile: heights on the lines, every third of them in parts, letters in UTF-8 with nothing
# that says so, and a line whose vertices all lie at one place.
def _write_hydrography(folder, links):
    lines = [_with_heights(line, number % 3 == 0) for number, line in enumerate(links.geometry)]
    at = shapely.get_coordinates(links.geometry.iloc[4])[1]
    frame = geopandas.GeoDataFrame(
        {
            "STREAM_ID": [*links.index, 9001],
            "NAME": [_name(link) for link in [*links.index, 9001]],
        },
        geometry=[*lines, shapely.LineString([(*at, 1800.0), (*at, 1800.0)])],
        crs=CRS,
    )
    aside = folder / "aside"
    aside.mkdir()
    frame.to_file(aside / "streams.shp", encoding="UTF-8")
    with zipfile.ZipFile(folder / "hydrography.zip", "w") as archive:
        for ending in ("shp", "shx", "dbf", "prj"):
            part = aside / f"streams.{ending}"
            archive.writestr(zipfile.ZipInfo(part.name), part.read_bytes())
    for part in aside.iterdir():
        part.unlink()
    aside.rmdir()


def _name(link):
    return {166: "Grünau", 111: "Jökulsá", 9001: "Köder"}.get(link, f"Gießbach {link}")


def _with_heights(line, in_parts):
    points = shapely.get_coordinates(line)
    points = np.column_stack([points, np.linspace(2000.0, 1900.0, len(points))])
    if not in_parts or len(points) < 4:
        return shapely.LineString(points)
    middle = len(points) // 2
    return shapely.MultiLineString([points[: middle + 1], points[middle:]])


# Two inventories of the same weirs, the second 60 m beside the first and in an old alphabet.
def _write_weirs(folder, links):
    places = [
        links.geometry.loc[link].interpolate(share, normalized=True)
        for link, share in ((166, 0.5), (161, 0.5), (111, 0.6), (101, 0.5), (156, 0.5))
    ]
    geopandas.GeoDataFrame(
        {
            "CODE": ["W-01", "W-02", "W-03", "W-04", "W-05"],
            "HEIGHT_M": [5.4, 0.0, 4.8, 5.1, 4.2],
            "STATUS": ["in use", "in use", "in use", "removed", "in use"],
        },
        geometry=places,
        crs=CRS,
    ).to_file(folder / "weirs_survey.gpkg")
    geopandas.GeoDataFrame(
        {
            "NUMMER": [11, 12, 13, 14],
            "NAME": ["Mühlwehr", "Königswehr", "Flößerwehr", "Weiße Schwelle"],
            "HOEHE": [5.5, 5.0, 3.2, 5.0],
        },
        geometry=[shapely.affinity.translate(place, 45.0, 40.0) for place in places[:4]],
        crs=CRS,
    ).to_file(folder / "barriers_national.shp", encoding="CP1252")
    (folder / "barriers_national.cpg").unlink(missing_ok=True)


# The outline of a real park, shrunk and moved here, in two editions, and where it really is.
def _write_protected(folder):
    park = geopandas.read_file(REAL / "data" / "zion" / "protected.gpkg")[["UNIT_CODE", "UNIT_NAME", "geometry"]]
    outline = park.geometry.iloc[0]
    small = shapely.affinity.scale(outline, 0.12, 0.12, origin="centroid")
    for year, grown in ((2012, 0.0), (2019, 300.0)):
        west, south = 458_200.0 - small.centroid.x, 4_643_600.0 - small.centroid.y
        here = shapely.affinity.translate(small, west, south).buffer(grown)
        park.set_geometry([here], crs=CRS).to_file(folder / f"protected_areas_{year}.gpkg")
    park.to_file(folder / "protected_areas_south.gpkg")


def _write_nests(folder, links):
    beside = links.geometry.loc[161].interpolate(0.3, normalized=True)
    place = shapely.Point(round(beside.x) + NEST_BESIDE_M, round(beside.y) + NEST_BESIDE_M)
    geopandas.GeoDataFrame(
        {"RING": [SECRETS[0]], "KEEPER": [SECRETS[1]], "PAIRS": [2]}, geometry=[place], crs=CRS
    ).to_file(folder / "eagle_nests_confidential.gpkg")


# What the settings ask, by its first words, and what the user writes instead.
ANSWERS = {
    "metre, foot": '"metre"',
    "name of the vertical": '"NAVD 88"',
    "one of dem-errors": '"dem-errors/national-before-lidar.toml"',
    "source of the gauges": '"CAMELS attributes v2.0, hydrologic region 16"',
    "share of the mean": "0.1",
    "price of a kWh": "0.6",
    "your decision: exclude,": '"exclude"',
    "your decision: exact,": '"generalised"',
}
WITHIN = "451139,4645487"
SETTINGS = "upper_valley/settings.toml"
FILES = (
    "elevation.tif", "elevation_south.tif", "hydrography.zip", "weirs_survey.gpkg", "barriers_national.shp",
    "protected_areas_2012.gpkg", "protected_areas_2019.gpkg", "protected_areas_south.gpkg",
    "eagle_nests_confidential.gpkg", "gauges.csv",
)  # fmt: skip
# Sections of files that the user does not take: an older edition, and what lies elsewhere.
NOT_TAKEN = ("elevation_south", "files/protected_areas_2012", "protected_areas_south")
# What the user adds: a distance from the nests, and no more files and simulations than this hour needs.
BUFFER = "buffer_m = 300.0\n"
QUICK = """
[uncertainty]
simulations = 50

[delivery]
date = "2031-05-31"
field_sheets = 0
district_map = false
gpx = false
gis_project = false
"""
DECISIONS = """
[inputs.decisions]
path = "data/decisions.csv"
crs = "EPSG:26912"
on_date = "2031-05-31"
licence = "CC0-1.0"
attribution = "none"
redistribute = true
"""
PUBLICATION = """
[publication]
licence = "CC-BY-4.0"
cell_m = 2000.0
"""
CREDITS = 'licence = "CC0-1.0"\nattribution = "none"\nredistribute = true\n'
SECRET_CREDITS = 'licence = "by agreement"\nattribution = "Bird trust"\n'


class Hour:
    """The first hour in a folder: commands and edits, and what they show.

    Attributes
    ----------
    text : list of str
        The transcript so far.
    """

    def __init__(self, folder):
        self.folder, self.text = folder, []

    def say(self, line):
        """A line of the user's own thoughts."""
        self.text.append(f"\n# {line}\n")

    def command(self, *arguments, status=0):
        """A command in this folder, as ``python -m sitefinder`` does it, in this process: libraries load once."""
        shown, given = io.StringIO(), sys.argv
        sys.argv = ["sitefinder", *arguments]
        try:
            with (
                contextlib.chdir(self.folder),
                contextlib.redirect_stdout(shown),
                contextlib.redirect_stderr(shown),
            ):
                cli.main()
            ended = 0
        except SystemExit as stopped:
            ended = stopped.code or 0
        finally:
            sys.argv = given
        self.text.append(f"$ sitefinder {shlex.join(arguments)}\n{_same_everywhere(shown.getvalue())}")
        if status:
            self.text.append(f"(exit status {ended})\n")
        if ended != status:
            raise AssertionError(f"{self.text[-1]}ended with {ended}, not {status}")

    def edit(self, name, change):
        """A text file changed or made, with the lines that differ."""
        path = self.folder / name
        before = path.read_text(encoding="utf-8") if path.is_file() else ""
        after = change(before)
        path.write_text(after, encoding="utf-8")
        lines = difflib.unified_diff(before.splitlines(), after.splitlines(), n=0, lineterm="")
        changed = [line for line in lines if not line.startswith(("---", "+++", "@@"))]
        self.text.append("\n".join([f"$ edit {name}", *changed]) + "\n")


# What differs from one run or machine to the next.
def _same_everywhere(text):
    text = re.sub(r"\d[\d,.]* (MB|GB)", r"N \1", text)
    return re.sub(r"\d[\d,.]* s\b", "N s", text)


def first_hour(folder):
    """The hour, from the files to a public edition.

    Parameters
    ----------
    folder : Path
        An empty one; afterwards it holds ``files``, ``upper_valley`` with its results, and ``edition``.

    Returns
    -------
    str
        The transcript.
    """
    (folder / "files").mkdir()
    write_folder(folder / "files")
    files = [f"files/{name}" for name in FILES]
    hour = Hour(folder)
    hour.say("What is in these files?")
    hour.command("inspect", *files)
    hour.say("How would a run read them?")
    hour.command("inspect", "--draft", *files)
    hour.command("new", "upper_valley", *files)
    hour.say("What is left to decide?")
    hour.command("check", SETTINGS, status=2)
    hour.edit(SETTINGS, _decided)
    hour.edit("upper_valley/data/hydrography/streams.cpg", lambda _: "UTF-8\n")
    hour.command("check", SETTINGS)
    hour.say("One catchment first: what drains to a place.")
    hour.command("run", "--quiet", SETTINGS, "--within", WITHIN)
    hour.say("The whole.")
    hour.command("run", "--quiet", SETTINGS)
    hour.say("Why is there no site at these two weirs, and at a place?")
    for place in ("W-02", "W-03", "450960,4646206"):
        hour.command("explain", SETTINGS, place)
    hour.say("The owner of the first weir refuses.")
    hour.edit("upper_valley/data/decisions.csv", lambda _: _decisions(folder))
    hour.edit(SETTINGS, lambda text: text + DECISIONS)
    hour.command("run", "--quiet", SETTINGS)
    hour.command("compare", "upper_valley/out")
    hour.command("explain", SETTINGS, "W-01")
    hour.say("What others may see.")
    hour.command("publish", "--quiet", SETTINGS, "edition", status=2)
    hour.edit(SETTINGS, _credited)
    hour.command("publish", "--quiet", SETTINGS, "edition")
    return "".join(hour.text)


# The settings with guesses confirmed as they say, questions answered, and without what is not taken.
def _decided(text):
    sections = text.rstrip("\n").split("\n\n")
    text = "\n\n".join(each for each in sections if not any(name in each for name in NOT_TAKEN)) + "\n"
    text = re.sub(r'"TODO: confirm (-?\d+|true)"', r"\1", text).replace("TODO: confirm ", "")
    # A name that says more than it must.
    text = text.replace('"eagle nests confidential"', '"eagle nests"')
    for asked, answer in ANSWERS.items():
        text = re.sub(rf'"TODO: {re.escape(asked)}[^"]*"', answer, text)
    return text + BUFFER + QUICK


def _decisions(folder):
    layer = pyogrio.read_dataframe(folder / "upper_valley" / "out" / "sites.gpkg", layer="structures")
    place = layer.set_index("structure_id").geometry["W-01"]
    return (
        "decision_id,decision,author,date,justification,x,y\n"
        f"D-1,drop,A. Miller,2031-04-30,the owner refuses,{place.x:.1f},{place.y:.1f}\n"
    )


# The settings with a licence and a credit for each input.
def _credited(text):
    text = re.sub(r'(?m)^(source|licence) = ""\n', "", text)
    text = re.sub(r"(?m)^(path = (?!.*eagle_nests|.*decisions).*\n)", r"\1" + CREDITS, text)
    text = re.sub(r"(?m)^(path = .*eagle_nests.*\n)", r"\1" + SECRET_CREDITS, text)
    return text + PUBLICATION


if __name__ == "__main__":
    with tempfile.TemporaryDirectory() as made:
        print(first_hour(Path(made)), end="")
