"""What tests of whole small runs share: writing the files of a region, and reading what was delivered."""

import geopandas
import numpy as np
import pyogrio
import pytest
import rasterio
import shapely

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
            columns = {"id": [f"B{number + 1}" for number in range(len(parts))], "name": "Plain Brook"}
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
