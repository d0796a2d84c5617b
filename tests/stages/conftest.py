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

from sitefinder.pipeline.graph import run_stages
from sitefinder.stages.run import Delivered, run

CRS = "EPSG:32633"


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
def read_layers():
    """A function that reads every layer of a GeoPackage."""

    def read(path):
        return {name: pyogrio.read_dataframe(path, layer=name) for name, _ in pyogrio.list_layers(path)}

    return read


class SampleRun(NamedTuple):
    """A run of the sample region: its settings file, what it delivered, and the results of its stages."""

    settings: Path
    delivered: Delivered
    results: dict


@pytest.fixture(scope="session")
def copy_sample(repository):
    """A function that copies settings, data files and region to a folder and gives the path of the settings."""

    def copied(folder, terrain=""):
        shutil.copytree(repository / "config", folder / "config")
        not_data = shutil.ignore_patterns("*.py", "out", "__pycache__")
        shutil.copytree(repository / "sample-region", folder / "sample-region", ignore=not_data)
        settings = folder / "config" / "sample.toml"
        text = settings.read_text(encoding="utf-8")
        settings.write_text(text.replace("[terrain]\n", f"[terrain]\n{terrain}"), encoding="utf-8")
        return settings

    return copied


@pytest.fixture(scope="session")
def sample_run(copy_sample, tmp_path_factory):
    """The sample region, run once for all tests that look at it."""
    settings = copy_sample(tmp_path_factory.mktemp("sample"))
    results = {}

    def caught(*arguments, **options):
        results.update(run_stages(*arguments, **options))
        return results

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("sitefinder.stages.run.run_stages", caught)
        delivered = run(settings)
    return SampleRun(settings, delivered, results)
