"""What tests of whole runs share: small regions written on the spot, and one run of the sample region."""

import shutil
from pathlib import Path
from typing import NamedTuple

import geopandas
import numpy as np
import pyogrio
import pytest
import rasterio
import shapely
import shapely.affinity

from sitefinder.inventory import read_run, run_and_deliver
from sitefinder.pipeline.graph import run_stages
from sitefinder.report.handover import Handover

CRS = "EPSG:32633"
# For runs that are about their tables: pages and sheets take longer than a run.
TABLES_ALONE = """
[delivery]
page = false
field_sheets = 0
district_map = false
gpx = false
csv = false
"""
BY_HAND = Path(__file__).parent / "by_hand"


@pytest.fixture(scope="session")
def write_region():
    """A function that writes a DEM (north-western corner, cell [m]), layers with one feature each, and texts."""

    def write(folder, elevation_m, corner, cell_m, layers, texts):
        profile = {"driver": "GTiff", "count": 1, "dtype": "float32", "crs": CRS, "nodata": -9999}
        rows, columns = elevation_m.shape
        transform = rasterio.Affine(cell_m, 0, corner[0], 0, -cell_m, corner[1])
        with rasterio.open(
            folder / "dem.tif", "w", height=rows, width=columns, transform=transform, **profile
        ) as raster:
            raster.write(elevation_m.astype(np.float32), 1)
        for name, geometry in layers.items():
            parts = shapely.get_parts(geometry)
            columns = {
                "id": [f"B{number + 1}" for number in range(len(parts))],
                "name": "Plain Brook",
                "homes": 40,
            }
            frame = geopandas.GeoDataFrame(columns, geometry=parts, crs=CRS)
            frame.to_file(folder / "layers.gpkg", layer=name, driver="GPKG")
        for name, text in texts.items():
            (folder / name).write_text(text, encoding="utf-8")

    return write


@pytest.fixture(scope="session")
def write_valley(write_region):
    """A function that writes a small valley with a stream, a weir, a pond, roads and a rule; gives its settings.

    It is that of test_site_worked_by_hand.py with more on it: for tests of how runs go, not of their numbers. Of
    several valleys each lies south of the one before.
    """

    def write(folder, valleys=1):
        rows, columns, cell_m, west, north = 11, 61, 10.0, 500_000.0, 5_000_000.0
        column = np.arange(columns)
        bed_m = 200.0 - column / 16 - np.where(column >= 33, 2.5, 0.0)
        elevation_m = bed_m + 10.0 * np.abs(np.arange(rows) - rows // 2)[:, None]
        middle = north - (rows / 2) * cell_m
        line = [(west + 3.0, middle), (west + 603.0, middle)]
        layers = {
            "streams": shapely.LineString(line),
            "roads": shapely.LineString([(x, y + 40.0) for x, y in line]),
            "power_lines": shapely.LineString([(x, y + 45.0) for x, y in line]),
            "migration": shapely.box(west, middle - 5.0, west + 603.0, middle + 5.0),
            "structures": shapely.Point(west + 330.0, middle + 4.0),
            "lakes": shapely.box(west + 520.0, middle - 20.0, west + 560.0, middle + 20.0),
            "karst": shapely.box(west + 100.0, middle - 20.0, west + 140.0, middle + 20.0),
            "environmental": shapely.box(west + 250.0, middle - 30.0, west + 450.0, middle + 30.0),
        }
        away_m = [-rows * cell_m * number for number in range(valleys)]
        layers = {
            name: shapely.union_all([shapely.affinity.translate(part, 0.0, away) for away in away_m])
            for name, part in layers.items()
        }
        texts = {path.name: path.read_text(encoding="utf-8") for path in BY_HAND.glob("*.toml")}
        sources = "".join(
            f'[inputs.{name}]\npath = "layers.gpkg"\nlayer = "{name}"\n\n'
            for name in ("structures", "lakes", "karst")
        )
        texts["run.toml"] = texts["run.toml"].replace("[network]", f"{sources}[network]")
        write_region(folder, np.tile(elevation_m, (valleys, 1)), (west, north), cell_m, layers, texts)
        return folder / "run.toml"

    return write


@pytest.fixture(scope="session")
def read_layers():
    """A function that reads every layer of a GeoPackage."""

    def read(path):
        return {name: pyogrio.read_dataframe(path, layer=name) for name, _ in pyogrio.list_layers(path)}

    return read


class DeliveredCopy(NamedTuple):
    """What a run delivered, as copied: its files, its tables, and what page and sheets are made of."""

    files: tuple
    tables: dict
    handover: Handover
    title: str
    currency: str
    summary: str
    json: str

    @property
    def path(self):
        """The GeoPackage."""
        return self.files[0]


class SampleRun(NamedTuple):
    """A run of the sample region: its settings file, what it delivered, and the results of its stages.

    ``folder`` holds a copy of the delivered files, which no other run replaces. The settings file, which others
    extend, asks for no more than tables.
    """

    settings: Path
    delivered: DeliveredCopy
    results: dict
    folder: Path


@pytest.fixture(scope="session")
def copy_sample(repository):
    """A function that copies settings, data files and region to a folder and gives the path of the settings."""

    def copied(folder, terrain="", beside=TABLES_ALONE):
        shutil.copytree(repository / "config", folder / "config")
        not_data = shutil.ignore_patterns("*.py", "out*", "__pycache__")
        shutil.copytree(repository / "sample-region", folder / "sample-region", ignore=not_data)
        settings = folder / "config" / "sample.toml"
        text = settings.read_text(encoding="utf-8")
        settings.write_text(text.replace("[terrain]\n", f"[terrain]\n{terrain}") + beside, encoding="utf-8")
        return settings

    return copied


@pytest.fixture(scope="session")
def sample_run(copy_sample, made_once, tmp_path_factory):
    """The sample region, run once for all tests that look at it, in whatever process they are."""

    def made(folder):
        settings = copy_sample(folder / "region", beside="")
        results = {}

        def caught(*arguments, **options):
            found = run_stages(*arguments, **options)
            results.update(found)
            return found

        with pytest.MonkeyPatch.context() as patch:
            patch.setattr("sitefinder.inventory.run_stages", caught)
            delivered = run_and_deliver(settings)
        kept = folder / "delivered" / "out"
        shutil.copytree(delivered.path.parent, kept, ignore=shutil.ignore_patterns(".*", "previous"))
        settings.write_text(settings.read_text(encoding="utf-8") + TABLES_ALONE, encoding="utf-8")
        # During a run the DEM's copy lies elsewhere.
        (dem,) = (delivered.path.parent / ".sitefinder-store").glob("results/*/surface-0.tif")
        dem = Path(shutil.copy(dem, kept.parent / "dem.tif"))
        files = tuple(kept / path.name for path in delivered.files)
        results["surface"] = results["surface"]._replace(dem_path=dem)
        delivered = DeliveredCopy(
            files,
            dict(delivered.tables),
            delivered.handover,
            delivered.title,
            delivered.currency,
            delivered.summary,
            delivered.json,
        )
        # Coordinate operations and progress belong to a process, and files are made of the results themselves.
        of_process = ("inputs", "progress", "made")
        lasting = {name: result for name, result in results.items() if name not in of_process}
        return SampleRun(settings, delivered, lasting, kept)

    whole = made_once("sample", made)
    # Other runs extend these settings and use what is kept beside them: each process has its own.
    own = tmp_path_factory.mktemp("sample") / "region"
    region = whole.settings.parents[1]
    shutil.copytree(region, own)
    settings = own / whole.settings.relative_to(region)
    return whole._replace(settings=settings, results=whole.results | {"inputs": read_run(settings)[1]})
