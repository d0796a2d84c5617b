"""Small regions written on the spot, for tests of how runs go."""

import tempfile
from functools import cache
from pathlib import Path

import geopandas
import numpy as np
import rasterio
import shapely
import shapely.affinity

CRS = "EPSG:32633"
# Flow of months over the mean. Not those of any river; their mean over the days is not 1, so that they are scaled.
FACTORS = [1.4, 1.3, 1.2, 1.1, 0.9, 0.7, 0.5, 0.6, 0.7, 1.0, 1.3, 1.4]
REGIME = f'\n[flows.regime]\nfactors = {FACTORS}\nsource = "made up"\n'
BY_HAND = Path(__file__).parents[1] / "steps" / "by_hand"


def write_region(folder, elevation_m, corner, cell_m, layers, texts):
    """Write a DEM (north-western corner, cell [m]), layers with one feature each, and texts."""
    profile = {"driver": "GTiff", "count": 1, "dtype": "float32", "crs": CRS, "nodata": -9999}
    rows, columns = elevation_m.shape
    transform = rasterio.Affine(cell_m, 0, corner[0], 0, -cell_m, corner[1])
    with rasterio.open(
        folder / "dem.tif", "w", height=rows, width=columns, transform=transform, **profile
    ) as raster:
        raster.write(elevation_m.astype(np.float32), 1)
    if layers:
        (folder / "layers.gpkg").write_bytes(
            _layers(tuple((name, shapely.to_wkb(of)) for name, of in layers.items()))
        )
    for name, text in texts.items():
        (folder / name).write_text(text, encoding="utf-8")


# The bytes of a GeoPackage with these layers, given as names and WKB. Many tests begin with the same.
@cache
def _layers(layers):
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "layers.gpkg"
        for name, geometry in layers:
            parts = shapely.get_parts(shapely.from_wkb(geometry))
            columns = {
                "id": [f"B{number + 1}" for number in range(len(parts))],
                "name": "Plain Brook",
                "homes": 40,
            }
            frame = geopandas.GeoDataFrame(columns, geometry=parts, crs=CRS)
            frame.to_file(path, layer=name, driver="GPKG")
        return path.read_bytes()


def worked_by_hand():
    """The ground of test_site_worked_by_hand.py, with layers on it.

    Returns
    -------
    ground : tuple
        Elevations [m], north-western corner [m] and cell [m], as `write_region` takes them.
    layers : dict of str to geometry
    """
    rows, columns, cell_m, west, north = 11, 61, 10.0, 500_000.0, 5_000_000.0
    column, row = np.arange(columns), np.arange(rows)
    bed_m = 200.0 - column / 16 - np.where(column >= 33, 2.5, 0.0)
    middle, east = north - (rows / 2) * cell_m, west + 603.0
    layers = {
        "streams": shapely.LineString([(west + 3.0, middle), (east, middle)]),
        "roads": shapely.LineString([(west, middle + 40), (east, middle + 40)]),
        "power_lines": shapely.LineString([(west, middle + 45), (east, middle + 45)]),
        "migration": shapely.box(west, middle - 5, east, middle + 5),
    }
    return (np.add.outer(10.0 * np.abs(row - rows // 2), bed_m), (west, north), cell_m), layers


def write_valley(folder, valleys=1):
    """Write a small valley with a stream, a weir, a pond, roads and a rule; gives the path of its settings.

    It is that of test_site_worked_by_hand.py with more on it: for tests of how runs go, not of their numbers. Of
    several valleys each lies south of the one before.
    """
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
        f'[inputs.{name}]\npath = "layers.gpkg"\nlayer = "{name}"\n\n' for name in ("structures", "lakes", "karst")
    )
    texts["run.toml"] = texts["run.toml"].replace("[network]", f"{sources}[network]")
    write_region(folder, np.tile(elevation_m, (valleys, 1)), (west, north), cell_m, layers, texts)
    return folder / "run.toml"
