"""Catchments of the Logan River, Utah, on a 100 m grid against those of a finer one, found by several ways.

The reference links' areas (DSContArea) come from the 30 m DEM of the same place by another library's D8 routing,
and are that library's test data. The input holds nothing of them but the lines and an id.

Beside both engines stands the plain chain that one would type: lower the stream's cells, breach, single-direction
accumulation, and read a cell within two cells of the link's end. Which one? The largest jumps to a larger stream
at most confluences. So the chain is also read as well as it ever could be, at the cell that comes nearest
to the reference, which nobody knows who needs the area.
"""

import geopandas
import numpy as np
import pandas as pd
import pytest
import rasterio
import whitebox_workflows
from rasterio.features import rasterize

pytestmark = pytest.mark.slow

CRS = "EPSG:26912"
M2_PER_KM2 = 1e6
SEARCH_CELLS = 2


# Areas [km²] that the chain has around each place, shape (places, cells); zero outside the grid.
def plain_chain_km2(dem_path, lines, places, folder):
    with rasterio.open(dem_path) as dem:
        elevation_m = dem.read(1).astype(np.float32)
        transform = dem.transform
        plain = {name: dem.profile[name] for name in ("driver", "width", "height", "count", "crs", "transform")}
    is_stream = rasterize(lines, out_shape=elevation_m.shape, transform=transform, all_touched=True) > 0
    elevation_m[is_stream] -= 20.0
    with rasterio.open(folder / "burnt.tif", "w", **plain, dtype="float32", nodata=-9999.0) as burnt:
        burnt.write(elevation_m, 1)
    engine = whitebox_workflows.WbEnvironment()
    engine.verbose = False
    breached = engine.hydrology.breach_depressions_least_cost(
        dem=engine.read_raster(str(folder / "burnt.tif")),
        max_dist=50,
        fill_deps=True,
        output=str(folder / "breached.tif"),
    )
    engine.hydrology.d8_flow_accum(input=breached, out_type="cells", output=str(folder / "drained.tif"))
    with rasterio.open(folder / "drained.tif") as drained:
        cells = np.pad(drained.read(1), SEARCH_CELLS)
    columns = np.floor((places[:, 0] - transform.c) / transform.a).astype(int)
    rows = np.floor((places[:, 1] - transform.f) / transform.e).astype(int)
    side = np.arange(2 * SEARCH_CELLS + 1)
    around = cells[rows[:, None, None] + side[:, None], columns[:, None, None] + side]
    return around.reshape(len(places), -1) * -transform.a * transform.e / M2_PER_KM2


def test_catchments_from_bare_lines_are_those_of_the_finer_grid_and_better_than_the_plain_chains(
    public_data, drained, tmp_path
):
    links = geopandas.read_file(public_data / "logan" / "streams.gpkg")
    bare = geopandas.GeoDataFrame(
        {"id": np.arange(len(links)).astype(str)}, geometry=links.geometry, crs=links.crs
    )
    bare.to_file(tmp_path / "bare.gpkg")
    dem = public_data / "logan" / "dem_100m.tif"
    reference_km2 = links["DSContArea"].to_numpy() / M2_PER_KM2

    found_km2 = {}
    for engine in ("flood", "whitebox"):
        results = drained(dem, tmp_path / "bare.gpkg", CRS, engine=engine)
        last = results["stationing"].reaches.groupby("feature_id")["last_station"].max().loc[bare["id"]]
        found_km2[engine] = results["catchments"]["area_km2"].to_numpy()[last]
    places = results["stationing"].stations[["x_m", "y_m"]].to_numpy()[last]
    around_km2 = plain_chain_km2(dem, links.geometry, places, tmp_path)
    nearest = np.argmin(np.abs(around_km2 - reference_km2[:, None]), axis=1)
    found_km2["chain, largest"] = around_km2.max(axis=1)
    found_km2["chain, given the answer"] = around_km2[np.arange(len(links)), nearest]

    rows = []
    for way, area_km2 in found_km2.items():
        off = np.abs(area_km2 / reference_km2 - 1)
        for min_km2 in (20.0, 5.0):
            large = off[reference_km2 > min_km2]
            rows.append((way, min_km2, len(large), 100 * np.median(large), 100 * np.quantile(large, 0.95)))
    columns = ["way", "over_km2", "links", "median_percent", "p95_percent"]
    table = pd.DataFrame(rows, columns=columns).set_index(["way", "over_km2"])
    print(f"\n{table.to_string(float_format='{:.2f}'.format)}")
    median, p95 = table["median_percent"], table["p95_percent"]
    assert len(links) == 152
    assert table["links"].tolist() == 4 * [54, 105]
    assert median["flood", 20.0] <= 0.5
    assert p95["flood", 20.0] <= 1.5
    assert p95["flood", 5.0] <= 5.0
    for other in ("whitebox", "chain, largest", "chain, given the answer"):
        for min_km2 in (20.0, 5.0):
            assert median["flood", min_km2] < median[other, min_km2]
            assert p95["flood", min_km2] < p95[other, min_km2]
