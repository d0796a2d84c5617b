"""A small sound region with an input of nearly every kind, and ways to spoil one of its files."""

import shutil
import warnings
from pathlib import Path

import geopandas
import numpy as np
import pyogrio
import rasterio
import shapely

from sitefinder.schema.field_form import COLUMNS as COLUMNS_OF_FORM

REPOSITORY = Path(__file__).parents[2]
CRS = "EPSG:32633"
WEST_M, NORTH_M, CELL_M, ROWS, COLUMNS = 500_000.0, 5_000_000.0, 20.0, 60, 40
MIDDLE_M = WEST_M + COLUMNS / 2 * CELL_M

SETTINGS = """\
[run]
name = "Small valley"
crs = "EPSG:32633"
output_folder = "out"
seed = 1
workers = 1

[inputs.dem]
path = "dem.tif"
vertical_unit = "metre"
vertical_datum = "invented"
error_rmse_m = 0.2

[inputs.streams]
path = "streams.gpkg"
id_column = "stream_id"
name_column = "name"

[inputs.structures]
path = "layers.gpkg"
layer = "structures"
id_column = "structure_id"

[inputs.lakes]
path = "layers.gpkg"
layer = "lakes"

[inputs.covariates.precipitation_mm]
path = "rain.tif"

[inputs.field_levels]
path = "levels.csv"
crs = "EPSG:32633"

[inputs.ratings]
path = "ratings.csv"
crs = "EPSG:32633"

[inputs.sections]
path = "sections.csv"
crs = "EPSG:32633"

[inputs.observations]
path = "observations.csv"

[inputs.decisions]
path = "decisions.csv"
crs = "EPSG:32633"
on_date = "2026-06-30"

[network]
station_spacing_m = 100.0
reach_length_m = 500.0

[terrain]
edge_is_divide = true

[flows.gauges]
path = "gauges.csv"
predictors = ["area_km2", "precipitation_mm"]
source = "invented"

[[flows.environmental]]
kind = "share_of_mean"
share = 0.1

[energy]
turbines = ["turbines.toml"]

[costs]
file = "costs.toml"
price_per_kwh = 0.3

[fish]
screens = ["screens.toml"]

[[rules]]
name = "reserves"
path = "layers.gpkg"
layer = "reserves"
action = "exclude"
buffer_m = 10.0
where = "status = 'in force'"

[delivery]
page = false
field_sheets = 0
district_map = false
gpx = false
csv = false
field_form = false
gis_project = false
"""

LEVELS = """\
level_id,kind,upper_x,upper_y,lower_x,lower_y,upper_m,lower_m,drop_m,error_m,date
L1,drop,500400,4999600,500400,4999400,,,2.1,0.05,2025-06-01
"""
RATINGS = """\
rating_id,x,y,flow_m3s,level_m
R1,500400,4999300,0.5,190.0
R1,500400,4999300,1.0,190.2
R1,500400,4999300,2.0,190.4
"""
SECTIONS = """\
section_id,x,y,flow_m3s,width_m,depth_m
X1,500400,4999200,0.5,4.0,0.3
"""
# No part of the sound region: a settings section, and a table for it.
SPOT_GAUGINGS = """
[inputs.spot_gaugings]
path = "gaugings.csv"
crs = "EPSG:32633"
"""
GAUGINGS = """\
gauging_id,x,y,date,flow_m3s,error_percent,gauge_id,gauge_flow_m3s
Q1,500400,4999200,2025-06-02,0.05,8,G02,0.06
Q2,500400,4999100,2025-06-02,0.05,8,G02,0.06
"""
DECISIONS = """\
decision_id,decision,scheme_type,reach_id,x,y,author,date,valid_until,justification,head_m,rule_verdict
K1,keep,,,500400,4999800,A. Author,2026-01-10,2027-12-31,Letter 12,,
K2,drop,,S1@500,,,B. Author,2026-02-01,,Spawning ground,4.8,open
"""
# Of the form that a run writes, filled in for two visits.
SEEN = {"site_id": "S1@500", "scheme_type": "diversion", "crs": CRS, "intake_x": "500400", "intake_y": "4999500"}
SEEN |= {"tailrace_x": "500400", "tailrace_y": "4999300", "observer": "A. Visitor", "date": "2026-04-02"}
VISITS = (
    SEEN | {"level_intake_m": "12.50", "level_tailrace_m": "10.50", "drop_error_m": "0.02"},
    SEEN | {"date": "2026-05-01", "flow_m3s": "0.05", "flow_error_percent": "8", "structure_seen": "no"},
)


def observations(*visits):
    """The text of a form with a row for each visit, given by columns; the sound ones where there is none."""
    names = [column.name for column in COLUMNS_OF_FORM]
    rows = [",".join(visit.get(name, "") for name in names) for visit in visits or VISITS]
    return "\n".join([",".join(names), *rows]) + "\n"


GAUGES = 12


class Region:
    """The folder of the region; each method writes one file of it, sound unless the arguments spoil it.

    Parameters
    ----------
    folder : path-like
        Must exist.
    sound : path-like, optional
        Folder of a sound region to copy; absent: all files are made.
    """

    def __init__(self, folder, sound=None):
        self.folder = Path(folder)
        if sound is not None:
            shutil.copytree(sound, folder, dirs_exist_ok=True)
            return
        for kind in ("turbines", "costs", "screens"):
            shutil.copy(REPOSITORY / "config" / kind / "generic.toml", self.folder / f"{kind}.toml")
        self.write_settings()
        self.write_dem()
        self.write_rain()
        self.write_streams()
        self.write_layers()
        self.write("gauges.csv", self.gauges())
        self.write("levels.csv", LEVELS)
        self.write("ratings.csv", RATINGS)
        self.write("sections.csv", SECTIONS)
        self.write("observations.csv", observations())
        self.write("decisions.csv", DECISIONS)

    def write(self, name, text):
        """A file with this text, or these bytes."""
        path = self.folder / name
        path.write_bytes(text if isinstance(text, bytes) else text.encode())

    def replace(self, name, *changes):
        """Change texts in a file, each of which must be there."""
        text = (self.folder / name).read_text(encoding="utf-8")
        for old, new in changes:
            assert old in text, f"{old!r} is not in {name}"
            text = text.replace(old, new, 1)
        self.write(name, text)

    def write_settings(self, *changes):
        """The settings, with each (old, new) text changed once."""
        self.write("settings.toml", SETTINGS)
        self.replace("settings.toml", *changes)

    def add_settings(self, text):
        """Tables at the end of the settings."""
        self.write("settings.toml", (self.folder / "settings.toml").read_text(encoding="utf-8") + "\n" + text)

    def elevation_m(self):
        """A valley that falls 1 % southwards, with sides of 5 %."""
        row, column = np.mgrid[0:ROWS, 0:COLUMNS]
        return 200.0 - 0.01 * CELL_M * row + 0.05 * CELL_M * np.abs(column - COLUMNS / 2 + 0.5)

    def write_dem(self, cells=None, *, dtype="float32", **profile):
        """The DEM, or these cells; bands first where there are several."""
        cells = self.elevation_m() if cells is None else np.asarray(cells)
        self._write_raster("dem.tif", cells, CELL_M, dtype, {"nodata": -9999.0} | profile)

    def write_rain(self, cells=None, *, dtype="float32", **profile):
        """Mean annual precipitation in cells of 200 m, one beyond the DEM on all sides, or these cells."""
        cells = 1000.0 + 10.0 * np.arange(8 * 6).reshape(8, 6) if cells is None else np.asarray(cells)
        places = {"transform": rasterio.Affine(200.0, 0.0, WEST_M - 200.0, 0.0, -200.0, NORTH_M + 200.0)}
        self._write_raster("rain.tif", cells, 200.0, dtype, {"nodata": -9999.0} | places | profile)

    def _write_raster(self, name, cells, cell_m, dtype, profile):
        bands = cells if cells.ndim == 3 else cells[None]
        usual = {
            "driver": "GTiff",
            "crs": CRS,
            "transform": rasterio.Affine(cell_m, 0.0, WEST_M, 0.0, -cell_m, NORTH_M),
        }
        (self.folder / name).unlink(missing_ok=True)
        with rasterio.open(
            self.folder / name,
            "w",
            **usual | profile,
            height=bands.shape[1],
            width=bands.shape[2],
            count=bands.shape[0],
            dtype=dtype,
        ) as raster:
            raster.write(bands.astype(dtype))

    def stream(self):
        """The only stream, down the middle of the valley."""
        return shapely.LineString([(MIDDLE_M, NORTH_M - 50.0), (MIDDLE_M, NORTH_M - ROWS * CELL_M + 50.0)])

    def write_streams(self, geometry=None, *, crs=CRS, layer="streams", **columns):
        """The stream, or these geometries."""
        geometry = [self.stream()] if geometry is None else geometry
        own = {
            "stream_id": [f"S{number}" for number, _ in enumerate(geometry, 1)],
            "name": ["Plain Brook"] * len(geometry),
        }
        self.write_layer("streams.gpkg", layer, geometry, own | columns, crs)

    def write_layers(self, **spoilt):
        """Structures, lakes and reserves; ``name=(geometries, columns, crs)`` replaces one of them."""
        (self.folder / "layers.gpkg").unlink(missing_ok=True)
        layers = {
            "structures": (
                [shapely.Point(MIDDLE_M + 3.0, NORTH_M - 500.0)],
                {"structure_id": ["W1"], "drop_m": [1.5], "kind": ["weir"]},
                CRS,
            ),
            "lakes": (
                [shapely.box(MIDDLE_M - 30.0, NORTH_M - 1050.0, MIDDLE_M + 30.0, NORTH_M - 1000.0)],
                {"name": ["Pond"]},
                CRS,
            ),
            "reserves": (
                [shapely.box(MIDDLE_M - 200.0, NORTH_M - 300.0, MIDDLE_M + 200.0, NORTH_M - 150.0)],
                {"status": ["in force"], "since": [1990]},
                CRS,
            ),
        } | spoilt
        for name, (geometry, columns, crs) in layers.items():
            self.write_layer("layers.gpkg", name, geometry, columns, crs)

    def write_layer(self, file, layer, geometry, columns, crs):
        """One layer of a GeoPackage; files of one layer alone are written again."""
        if file != "layers.gpkg":
            (self.folder / file).unlink(missing_ok=True)
        frame = geopandas.GeoDataFrame(columns, geometry=list(geometry), crs=crs)
        append = (self.folder / file).exists()
        with warnings.catch_warnings():
            # A layer without a coordinate system is what some cases are about.
            warnings.filterwarnings("ignore", message="'crs' was not provided")
            pyogrio.write_dataframe(frame, self.folder / file, layer=layer, driver="GPKG", append=append)

    def gauges(self, flow_factor=1.0, area_factor=1.0, mean_factor=1.0):
        """A table of gauges with plausible flows, times these factors."""
        rng = np.random.default_rng(7)
        area_km2 = np.geomspace(2.0, 300.0, GAUGES)
        rain_mm = rng.uniform(900.0, 1500.0, GAUGES)
        mean_m3s = 0.45 * rain_mm * area_km2 / 31_557.6 * np.exp(0.05 * rng.standard_normal(GAUGES))
        rows = ["gauge_id,area_km2,precipitation_mm,flow_mean_m3s,flow_q10_m3s,flow_q50_m3s,flow_q95_m3s"]
        for number in range(GAUGES):
            mean = flow_factor * mean_m3s[number]
            flows = (mean_factor * mean, 2.2 * mean, 0.6 * mean, 0.12 * mean)
            cells = [f"G{number + 1:02d}", f"{area_factor * area_km2[number]:.3f}", f"{rain_mm[number]:.1f}"]
            rows.append(",".join([*cells, *(f"{flow:.5f}" for flow in flows)]))
        return "\n".join(rows) + "\n"

    def put_back(self, contents):
        """Make names and bytes of all that lies in the folder those that it had.

        Only what differs is written: other files keep their times of change, by which they are known.
        """
        for path in sorted(self.folder.rglob("*"), reverse=True):
            name = path.relative_to(self.folder).as_posix()
            if path.is_symlink() or path.is_file():
                if path.is_symlink() or contents.get(name) != path.read_bytes():
                    path.unlink()
            elif name not in contents or contents[name] is not None:
                path.rmdir()
        for name, content in contents.items():
            if content is not None and not (self.folder / name).exists():
                (self.folder / name).write_bytes(content)

    def contents(self):
        """Names and bytes of all that lies in the folder."""
        return {
            path.relative_to(self.folder).as_posix(): path.read_bytes() if path.is_file() else None
            for path in sorted(self.folder.rglob("*"))
        }
