"""One terrain delivered in many ways: whatever the grid, unit or file, the catchments are the same.

The ground is drawn by a formula: four parallel valleys that fall to the south, 500 m apart, with streams in three.
Where the cells are the same the catchments must be the same cells. On other grids the divides fall between other
cells: a catchment of 400 m by d metres then is known to about a cell along each side.
"""

import re

import geopandas
import numpy as np
import pytest
import rasterio
import shapely
from pyproj import CRS, Transformer
from rasterio.enums import Resampling
from rasterio.transform import Affine

from sitefinder.delivery.graph import STAGES
from sitefinder.errors import InputError
from sitefinder.pipeline.graph import run_stages
from sitefinder.preparation import read_run

pytestmark = pytest.mark.slow

UTM = "EPSG:32633"
WEST, NORTH, WIDTH, HEIGHT, APART = 500_000.0, 5_200_000.0, 2000.0, 1600.0, 500.0
SETTINGS = """
[run]
name = "Odd grids"
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
path = "{path}"
vertical_unit = "{unit}"
vertical_datum = "invented"
error_rmse_m = 0.5
{stated}

[inputs.streams]
path = "streams.gpkg"
id_column = "id"

{more}

[terrain]
edge_is_divide = true
{terrain}

[flows]
equations = ["equations.toml"]
environmental = [{{kind = "share_of_mean", share = 0.1}}]

[energy]
turbines = ["{config}/turbines/generic.toml"]

[costs]
file = "{config}/costs/generic.toml"
price_per_kwh = 0.2
"""
EQUATIONS = """
source = "invented"
table = "invented"
flow_unit = "m3s"
gauges = 22
""" + "".join(
    f"""
[[equations]]
statistic = "{statistic}"
form = "log10"
factor = {factor}
standard_error_log10 = 0.1
predictors = [{{name = "area", unit = "km2", coefficient = 1.0, minimum = 0.0001, maximum = 10.0}}]
"""
    for statistic, factor in (("mean", 50.0), ("exceedance_10", 96.0), ("exceedance_90", 6.0))
)


# How far east of a straight line the valleys swing [m]: in one that runs along a border of cells the water of one
# bank would run beside the stream for its whole length, which no real one does.
def swing_m(y_m):
    return 12.0 * np.sin(2 * np.pi * (NORTH - y_m) / 300.0)


# Height of the ground [m] at a place of the run.
def ground_m(x_m, y_m):
    valley = np.abs(np.sin(np.pi * (x_m - WEST - swing_m(y_m)) / APART))
    return 400.0 + 0.02 * (y_m - (NORTH - HEIGHT)) + 40.0 * valley


# North-up, from the outer corner of the first cell.
def from_origin(west, north, width, height):
    return Affine(width, 0.0, west, 0.0, -height, north)


# Heights at the centres of a north-up grid, whatever its coordinates are.
def heights(shape, transform, to_run=None):
    row, column = np.mgrid[: shape[0], : shape[1]]
    x, y = transform.c + (column + 0.5) * transform.a, transform.f + (row + 0.5) * transform.e
    if to_run is not None:
        x, y = to_run.transform(x, y)
    return ground_m(x, y)


def write(path, values, transform, crs=UTM, **options):
    shape = {"height": values.shape[0], "width": values.shape[1], "count": 1, "dtype": values.dtype}
    with rasterio.open(path, "w", driver="GTiff", crs=crs, transform=transform, **shape, **options) as raster:
        raster.write(values, 1)


class Region:
    """A folder with streams, to which DEMs are delivered, and the results of stages up to quality flags."""

    def __init__(self, folder, repository):
        self.folder, self.config = folder, repository / "config"
        bottom_m, top_m = NORTH - HEIGHT + 60.0, NORTH - 60.0
        y_m = np.linspace(top_m, bottom_m, 300)
        middle_m = WEST + APART * np.array([1, 2, 3])
        lines = [shapely.LineString(np.column_stack([x_m + swing_m(y_m), y_m])) for x_m in middle_m]
        streams = geopandas.GeoDataFrame({"id": ["A", "B", "C"]}, geometry=lines, crs=UTM)
        streams.to_file(folder / "streams.gpkg", driver="GPKG")
        (folder / "equations.toml").write_text(EQUATIONS)
        self.runs = 0

    def results(self, path="dem.tif", unit="metre", stated="", more="", terrain="", last="quality_flags"):
        text = SETTINGS.format(path=path, unit=unit, stated=stated, more=more, terrain=terrain, config=self.config)
        (self.folder / "run.toml").write_text(text)
        settings, inputs = read_run(self.folder / "run.toml")
        self.runs += 1
        scratch = self.folder / f"scratch{self.runs}"
        scratch.mkdir()
        given = {"settings": settings, "inputs": inputs, "scratch": scratch, "progress": None}
        number = [stage.name for stage in STAGES].index(last)
        self.last = run_stages(STAGES[: number + 1], given)
        return self.last

    def areas_km2(self, *arguments, **options):
        return self.results(*arguments, **options, last="catchments")["catchments"]["area_km2"].to_numpy()


@pytest.fixture
def region(tmp_path, repository):
    return Region(tmp_path, repository)


SQUARE = from_origin(WEST, NORTH, 10.0, 10.0)


@pytest.fixture(scope="module")
def plain(tmp_path_factory, repository):
    """Results on the plain grid of 10 m."""
    region = Region(tmp_path_factory.mktemp("plain"), repository)
    write(region.folder / "dem.tif", heights((160, 200), SQUARE), SQUARE)
    return region.results(last="catchments")


@pytest.fixture
def areas_km2(region, plain):
    """Areas on the plain grid, which is there as the DEM unless a test writes another."""
    write(region.folder / "dem.tif", heights((160, 200), SQUARE), SQUARE)
    return plain["catchments"]["area_km2"].to_numpy()


def test_the_areas_themselves_are_those_of_the_formula(plain, areas_km2):
    stations = plain["stationing"].stations

    # Valleys are 500 m apart, so that a catchment is 500 m wide down to where its water meets the stream.
    from_top_m = NORTH - stations["y_m"].to_numpy()
    far = from_top_m > 500
    # Water runs to the stream aslant: south by 0.02 for every 0.25 across near the floor, for less at the divides.
    assert np.abs(areas_km2 * 1e6 / 500.0 - from_top_m)[far].max() < 60.0
    # Ground above the stream's head is drained too.
    assert areas_km2.min() > 0


def test_a_dem_in_feet_gives_the_same_cells(region, areas_km2):
    write(region.folder / "dem.tif", heights((160, 200), SQUARE) / 0.3048, SQUARE)

    assert np.array_equal(region.areas_km2(unit="foot"), areas_km2)


def test_a_system_without_a_code_gives_the_same_cells(region, areas_km2):
    text = re.sub(r",\s*ID\[[^\]]*\]", "", CRS.from_user_input(UTM).to_wkt())
    text = re.sub(r'PROJCRS\["[^"]*"', 'PROJCRS["our own grid"', text)
    write(region.folder / "dem.tif", heights((160, 200), SQUARE), SQUARE, crs=rasterio.CRS.from_wkt(text))

    assert np.array_equal(region.areas_km2(), areas_km2)


def test_a_mosaic_gives_the_same_cells(region, areas_km2):
    values = heights((160, 200), SQUARE)
    sources = ""
    for number, (rows, columns) in enumerate(
        (rows, columns) for rows in ((0, 70), (70, 160)) for columns in ((0, 120), (120, 200))
    ):
        part = values[slice(*rows), slice(*columns)]
        place = from_origin(WEST + 10.0 * columns[0], NORTH - 10.0 * rows[0], 10.0, 10.0)
        write(region.folder / f"part{number}.tif", part, place)
        size = f'xSize="{part.shape[1]}" ySize="{part.shape[0]}"'
        sources += (
            f'<SimpleSource><SourceFilename relativeToVRT="1">part{number}.tif</SourceFilename>'
            f'<SourceBand>1</SourceBand><SrcRect xOff="0" yOff="0" {size}/>'
            f'<DstRect xOff="{columns[0]}" yOff="{rows[0]}" {size}/></SimpleSource>'
        )
    (region.folder / "dem.vrt").write_text(
        f'<VRTDataset rasterXSize="200" rasterYSize="160"><SRS>{UTM}</SRS>'
        f"<GeoTransform>{WEST}, 10, 0, {NORTH}, 0, -10</GeoTransform>"
        f'<VRTRasterBand dataType="Float64" band="1">{sources}</VRTRasterBand></VRTDataset>'
    )

    assert np.array_equal(region.areas_km2("dem.vrt"), areas_km2)


def test_overviews_change_no_cell(region, areas_km2):
    with rasterio.open(region.folder / "dem.tif", "r+") as raster:
        raster.build_overviews([2, 4, 8], Resampling.average)
        assert raster.overviews(1) == [2, 4, 8]

    assert np.array_equal(region.areas_km2(), areas_km2)


@pytest.mark.parametrize(("in_file", "stated"), [(32767, ""), (None, "nodata = 32767")])
def test_whole_metres_with_a_mark_of_no_data_give_the_cells_of_the_same_ground(region, in_file, stated):
    values = np.rint(heights((160, 200), SQUARE))
    values[:, 195:] = np.nan
    write(region.folder / "dem.tif", values.astype(np.float32), SQUARE, nodata=np.nan)
    as_floats = region.areas_km2()
    marked = np.where(np.isnan(values), 32767, values).astype(np.int16)
    write(region.folder / "dem.tif", marked, SQUARE, nodata=in_file)

    assert np.array_equal(region.areas_km2(stated=stated), as_floats)


def test_a_mark_of_no_data_that_nobody_states_stops_the_run(region):
    values = np.rint(heights((160, 200), SQUARE)).astype(np.int16)
    values[:, 195:] = 32767
    write(region.folder / "dem.tif", values, SQUARE)

    with pytest.raises(InputError, match="impossible heights"):
        region.areas_km2()


# A grid knows a station to half a cell along its stream, and each divide to half a cell: two grids of cells up to
# 12.5 m may differ by 12.5 m over the width of 500 m and along the two divides. At a stream's head, where water of
# a hillside meets one cell, the next cell may take more; there nothing is asked.
def assert_alike(region, areas_km2, others_km2):
    from_top_m = NORTH - region.last["stationing"].stations["y_m"].to_numpy()
    max_km2 = 12.5 * (APART + from_top_m) / 1e6
    large = areas_km2 > 0.2
    assert (np.abs(others_km2 - areas_km2) < max_km2)[large].all()


def test_cells_that_are_not_square_give_the_same_areas(region, areas_km2):
    place = from_origin(WEST, NORTH, 8.0, 12.5)
    write(region.folder / "dem.tif", heights((128, 250), place), place)

    assert_alike(region, areas_km2, region.areas_km2())


@pytest.mark.parametrize("crs", ["EPSG:4326", "OGC:CRS84", "EPSG:4258"])
@pytest.mark.parametrize("dtype", ["float32", "float64"])
def test_a_dem_in_degrees_gives_the_same_areas(region, areas_km2, crs, dtype):
    # A third of an arc-second by half of one: at 47° N 10.3 m by 10.5 m.
    to_run = Transformer.from_crs(crs, UTM, always_xy=True)
    west, south, east, north = to_run.transform_bounds(
        WEST, NORTH - HEIGHT, WEST + WIDTH, NORTH, direction="INVERSE"
    )
    place = from_origin(west, north, 1 / 7200, 1 / 10800)
    shape = (round((north - south) * 10800), round((east - west) * 7200))
    write(region.folder / "dem.tif", heights(shape, place, to_run).astype(dtype), place, crs=crs)

    assert_alike(region, areas_km2, region.areas_km2())


def test_a_seam_is_flagged_on_the_reaches_that_cross_it(region):
    values = heights((160, 200), SQUARE) + np.random.default_rng(1).normal(0, 0.05, (160, 200))
    values[100:] += 1.5
    write(region.folder / "dem.tif", values, SQUARE)

    results = region.results()

    seams, stations = results["dem_seams"], results["stationing"].stations
    assert seams[["axis", "border"]].values.tolist() == [[0, 99]]
    assert seams["step_m"].iloc[0] == pytest.approx(1.5, abs=0.05)
    flagged = stations[results["quality_flags"].along["seam"]]
    # One segment of each stream ends just below the seam, which lies 1000 m south of the northern edge.
    assert sorted(flagged["link"]) == [0, 1, 2]
    assert ((NORTH - 1000.0 - flagged["y_m"]).between(0, 50)).all()


def write_polygons(region, name, polygons, **columns):
    frame = geopandas.GeoDataFrame(columns or {"kind": ["any"] * len(polygons)}, geometry=polygons, crs=UTM)
    frame.to_file(region.folder / "polygons.gpkg", layer=name, driver="GPKG")
    return f'path = "polygons.gpkg"\nlayer = "{name}"\n'


FOREST = shapely.box(WEST, NORTH - 400, WEST + WIDTH, NORTH)


def test_the_share_of_polygons_in_each_catchment_is_that_of_the_cells_in_them(region, areas_km2):
    # Two that overlap, one of another kind, and one of none.
    polygons = [
        FOREST,
        shapely.box(WEST, NORTH - 300, WEST + WIDTH, NORTH),
        shapely.box(WEST, NORTH - 1600, WEST + WIDTH, NORTH - 800),
        FOREST,
    ]
    source = write_polygons(region, "cover", polygons, kind=["forest", "forest", "town", None])
    more = f'[inputs.shares.forest]\n{source}column = "kind"\nvalues = ["forest"]\n'

    results = region.results(more=more, last="catchments")

    stations, share = results["stationing"].stations, results["catchments"]["forest_percent"].to_numpy()
    assert np.array_equal(results["catchments"]["area_km2"], areas_km2)
    # All that drains to a station less than 400 m from the top is forest.
    from_top_m = NORTH - stations["y_m"].to_numpy()
    assert (share[from_top_m < 400] == 100.0).all()
    # Further down the forest stays the same 500 m by 400 m, of which little is lost to the valley beside it.
    forest_km2 = (share * areas_km2 / 100)[from_top_m > 600]
    assert forest_km2 == pytest.approx(0.2, rel=0.02)
    assert "1 polygons do not say kind" in set(results["inputs"].repairs["problem"])


@pytest.mark.parametrize("tile", ["tile_rows = 160\ntile_columns = 200", "tile_rows = 33\ntile_columns = 71"])
def test_tiles_change_no_share(region, areas_km2, tile):
    source = write_polygons(region, "cover", [shapely.Point(WEST + 700, NORTH - 500).buffer(300)])
    more = f"[inputs.shares.wood]\n{source}"

    whole = region.results(more=more, last="catchments")["catchments"]
    tiled = region.results(more=more, terrain=tile, last="catchments")["catchments"]

    assert tiled.equals(whole)
    assert 0 < whole["wood_percent"].max() < 100


def test_holes_in_a_covariate_are_reported_as_the_share_that_it_covers(region, areas_km2):
    rain = np.full((160, 200), 900.0)
    rain[:40] = np.nan  # the northern 400 m
    write(region.folder / "rain.tif", rain, SQUARE, nodata=np.nan)
    more = '[inputs.covariates.precipitation_mm]\npath = "rain.tif"\n'

    results = region.results(more=more)

    catchments, flags = results["catchments"], results["quality_flags"]
    covered = catchments["precipitation_mm_covered_percent"].to_numpy()
    from_top_m = NORTH - results["stationing"].stations["y_m"].to_numpy()
    # Of a catchment of d metres the lower d - 400 m are covered; water comes from up to 60 m further north.
    far = from_top_m > 600
    assert np.abs(covered[far] - 100 * (1 - 400 / from_top_m[far])).max() < 6
    assert (covered[from_top_m < 380] == 0).all()
    assert np.isnan(catchments["precipitation_mm"][from_top_m < 380]).all()
    assert catchments["precipitation_mm"][far].to_numpy() == pytest.approx(900.0)
    assert np.array_equal(flags.at["covariate_partial"], covered < 95)
    assert (
        region.results(more=more + "\n[flags]\ncovered_percent = 50\n")["quality_flags"]
        .at["covariate_partial"]
        .tolist()
        == (covered < 50).tolist()
    )


def test_karst_dams_and_tides_are_carried_down_their_own_stream_only(region, areas_km2):
    dam = write_polygons(region, "dams", [shapely.Point(WEST + APART + 10, NORTH - 300)])
    karst = write_polygons(region, "karst", [shapely.box(WEST + 900, NORTH - 420, WEST + 1100, NORTH - 380)])
    tide = write_polygons(region, "tide", [shapely.box(WEST + 1400, NORTH - 1300, WEST + 1600, NORTH - 1200)])
    layers = {"regulated": dam, "karst": karst, "tidal": tide}
    more = "".join(f"[inputs.{name}]\n{source}\n" for name, source in layers.items())
    more += "[flags]\nregulated_percent = 40\n"

    results = region.results(more=more)

    stations, flags, water_bodies = (
        results["stationing"].stations,
        results["quality_flags"],
        results["water_bodies"],
    )
    from_top_m, link = NORTH - stations["y_m"].to_numpy(), stations["link"].to_numpy()
    # Area grows with the way from the top: below a dam at 300 m less than 40 % lies above it from 750 m on. The
    # dam marks its whole segment, and water runs aslant, hence some metres.
    regulated = flags.at["regulated"]
    assert not regulated[link != 0].any()
    assert from_top_m[regulated].min() == pytest.approx(325, abs=50)
    assert from_top_m[regulated].max() == pytest.approx(775, abs=100)
    # 10 % is never reached within 1600 m of a losing reach at 400 m.
    assert np.array_equal(flags.at["karst"], (link == 1) & (from_top_m > 380))
    assert np.array_equal(water_bodies.tidal, (link == 2) & (from_top_m > 1200))


def test_water_below_a_level_is_tidal(region, areas_km2):
    results = region.results(terrain="\n[heads]\ntidal_below_m = 410.0\n")

    tidal, profile_m = results["water_bodies"].tidal, results["heads"].profile_m
    # The valley's floor falls by 0.02 from 432 m to 400 m: it is below 410 m from 1100 m on.
    from_top_m = NORTH - results["stationing"].stations["y_m"].to_numpy()
    assert np.array_equal(tidal, profile_m < 410.0)
    assert from_top_m[tidal].min() == pytest.approx(1100, abs=120)
