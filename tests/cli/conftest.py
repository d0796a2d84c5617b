"""A region made in a blink, a settings file for it, and the command run on it in this process."""

import shutil
import tempfile
from typing import NamedTuple

import geopandas
import numpy as np
import pyogrio
import pytest
import rasterio
import shapely

from sitefinder import cli
from sitefinder.preparation import STORE

UTM = "EPSG:32633"
WEST_M, NORTH_M, CELL_M = 500_000.0, 5_000_000.0, 20.0
ROWS, COLUMNS = 60, 40

SETTINGS = """\
[run]
name = "Small valley"
crs = "EPSG:32633"
output_folder = "out"

[delivery]
page = false
field_sheets = 0
district_map = false
gpx = false
csv = false
field_form = false
gis_project = false

[inputs.dem]
path = "dem.tif"
vertical_unit = "metre"
vertical_datum = "invented"
error_rmse_m = 0.2

[inputs.streams]
path = "streams.gpkg"
id_column = "stream_id"

[network]
station_spacing_m = 100.0

[terrain]
edge_is_divide = true

[flows]
equations = ["equations.toml"]

[[flows.environmental]]
kind = "share_of_mean"
share = 0.1

[energy]
turbines = ["turbines.toml"]

[costs]
file = "costs.toml"
price_per_kwh = 0.3
"""

EQUATIONS = """\
source = "invented for this test"
table = "none"
flow_unit = "m3s"
gauges = 20
"""

EQUATION = """
[[equations]]
statistic = "{statistic}"
form = "log10"
factor = {factor}
standard_error_log10 = 0.1

[[equations.predictors]]
name = "area"
unit = "km2"
coefficient = 1.0
minimum = 0.01
maximum = 100.0
"""


class Outcome(NamedTuple):
    """What a command left behind: its exit status and what it printed."""

    status: int
    out: str
    err: str


class Region:
    """A folder with a small valley in it, and ways to spoil it."""

    def __init__(self, folder):
        self.folder = folder

    def write_dem(self, *, crs=UTM, elevation_m=None, nodata=-9999.0):
        """A valley that falls 1 % southwards, or the elevations given."""
        row, column = np.mgrid[0:ROWS, 0:COLUMNS]
        valley_m = 200.0 - 0.01 * CELL_M * row + 0.05 * CELL_M * np.abs(column - COLUMNS / 2 + 0.5)
        values = valley_m if elevation_m is None else np.full((ROWS, COLUMNS), elevation_m)
        with rasterio.open(
            self.folder / "dem.tif",
            "w",
            driver="GTiff",
            height=ROWS,
            width=COLUMNS,
            count=1,
            dtype="float32",
            crs=crs,
            nodata=nodata,
            transform=rasterio.Affine(CELL_M, 0.0, WEST_M, 0.0, -CELL_M, NORTH_M),
        ) as raster:
            raster.write(values.astype(np.float32), 1)

    def write_streams(self, *, moved_m=0.0, count=1):
        """One stream down the middle of the valley, or none."""
        x_m = WEST_M + COLUMNS / 2 * CELL_M + moved_m
        line = shapely.LineString([(x_m, NORTH_M - 50.0), (x_m, NORTH_M - ROWS * CELL_M + 50.0)])
        frame = geopandas.GeoDataFrame({"stream_id": ["S1"][:count]}, geometry=[line][:count], crs=UTM)
        (self.folder / "streams.gpkg").unlink(missing_ok=True)
        pyogrio.write_dataframe(frame, self.folder / "streams.gpkg", layer="streams", geometry_type="LineString")

    def write_settings(self, *changes):
        """The settings file, with each (old, new) text changed once."""
        self._write("settings.toml", SETTINGS, changes)

    def write_equations(self, *changes):
        """An equation file, with each (old, new) text changed once."""
        flows = {"mean": 4.0, "exceedance_10": 8.0, "exceedance_90": 1.2}
        parts = [EQUATION.format(statistic=statistic, factor=factor) for statistic, factor in flows.items()]
        self._write("equations.toml", EQUATIONS + "".join(parts), changes)

    def _write(self, name, text, changes):
        for old, new in changes:
            assert text.count(old) == 1, f"{old!r} must stand in {name} once"
            text = text.replace(old, new)
        (self.folder / name).write_text(text, encoding="utf-8")

    def contents(self):
        """Names and bytes of all that lies in the folder, scratch folders of the run included.

        The store of results is not looked at, nor an output folder that holds nothing else: what a run finished
        before it had to stop is kept for the next one.
        """
        found = {
            path.relative_to(self.folder).as_posix(): path.read_bytes() if path.is_file() else None
            for path in sorted(self.folder.rglob("*"))
            if STORE not in path.relative_to(self.folder).parts
        }
        out = self.folder / "out"
        if out.is_dir() and [path.name for path in out.iterdir()] == [STORE]:
            del found["out"]
        return found


@pytest.fixture
def region(tmp_path, monkeypatch, repository):
    """The small valley with sound settings; it is the current folder, and holds the temporary files too."""
    made = Region(tmp_path)
    (tmp_path / "temporary").mkdir()
    monkeypatch.setattr(tempfile, "tempdir", str(tmp_path / "temporary"))
    monkeypatch.chdir(tmp_path)
    for kind in ("turbines", "costs"):
        shutil.copy(repository / "config" / kind / "generic.toml", tmp_path / f"{kind}.toml")
    made.write_dem()
    made.write_streams()
    made.write_settings()
    made.write_equations()
    return made


@pytest.fixture
def command(monkeypatch, capsys):
    """A function that runs the command with the arguments given, in this process."""

    def run(*arguments):
        monkeypatch.setattr("sys.argv", ["sitefinder", *arguments])
        capsys.readouterr()
        try:
            cli.main()
            status = 0
        except SystemExit as stopped:
            status = stopped.code or 0
        return Outcome(status, *capsys.readouterr())

    return run
