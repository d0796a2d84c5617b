"""A network derived from a DEM, on valleys whose streams are known."""

import numpy as np
import pytest
import rasterio
from rasterio.transform import Affine

from sitefinder.errors import InputError
from sitefinder.pipeline.cluster import Cluster
from sitefinder.steps.derived_network import derive_network

# Cells of 10 m; 100 cells are 0.01 km².
WEST_M, NORTH_M, CELL_M = 500_000.0, 5_000_000.0, 10.0


# A valley that falls to the east along row 30, with sides that fall 2 m a cell.
def straight_valley():
    rows, columns = np.mgrid[:61, :80]
    return (2.0 * np.abs(rows - 30) + 100.0 - 0.1 * columns).astype(np.float32)


# Two such valleys, along rows 15 and 45, that end in a third one, down along column 60 to the southern border.
def forked_valley():
    rows, columns = np.mgrid[:81, :80]
    north = 2.0 * np.abs(rows - 15) + 0.1 * (60 - columns) + 0.1 * 65
    south = 2.0 * np.abs(rows - 45) + 0.1 * (60 - columns) + 0.1 * 35
    main = np.where(rows >= 15, 2.0 * np.abs(columns - 60) + 0.1 * (80 - rows), np.inf)
    lowest = np.minimum(np.where(columns <= 60, np.minimum(north, south), np.inf), main)
    return np.where(np.isfinite(lowest), 50.0 + lowest, 300.0).astype(np.float32)


# Writes a DEM; anything in `profile` overrides what is usual.
def write_dem(path, elevation_m, **profile):
    usual = {
        "driver": "GTiff",
        "height": elevation_m.shape[0],
        "width": elevation_m.shape[1],
        "count": 1,
        "dtype": "float32",
        "crs": "EPSG:32633",
        "transform": Affine(CELL_M, 0.0, WEST_M, 0.0, -CELL_M, NORTH_M),
        "nodata": -9999.0,
    }
    with rasterio.open(path, "w", **(usual | profile)) as raster:
        raster.write(elevation_m, 1)
    return path


# Rows and columns of the cells whose centres are a line's vertices.
def cells_on(line):
    x_m, y_m = np.array(line.coords)[:, :2].T
    return ((NORTH_M - y_m) / CELL_M - 0.5).tolist(), ((x_m - WEST_M) / CELL_M - 0.5).tolist()


# The engine takes its time whatever the size, so a network that several tests look at is derived once.
@pytest.fixture(scope="module")
def forked_network(tmp_path_factory):
    folder = tmp_path_factory.mktemp("forked")
    return derive_network(write_dem(folder / "dem.tif", forked_valley()), 0.06, folder)


def test_the_stream_of_a_valley_is_found_on_its_floor_and_nothing_is_left_or_printed(tmp_path, capfd):
    inputs, scratch = tmp_path / "inputs", tmp_path / "scratch"
    inputs.mkdir()
    scratch.mkdir()
    dem = write_dem(inputs / "dem.tif", straight_valley())
    before = dem.read_bytes()

    network = derive_network(dem, 0.06, scratch)

    # 600 cells: a column drains 61, so the stream begins in the tenth column and ends in the last.
    assert network.crs.to_epsg() == 32633
    assert network["stream_id"].tolist() == ["r30c09"]
    rows, columns = cells_on(network.geometry.iloc[0])
    assert set(rows) == {30.0}
    assert (columns[0], columns[-1]) == (9.0, 79.0)
    assert [file.name for file in inputs.iterdir()] == ["dem.tif"]
    assert list(scratch.iterdir()) == []
    assert dem.read_bytes() == before
    assert capfd.readouterr() == ("", "")


def test_links_of_a_fork_meet_in_one_point_and_bear_the_cell_they_begin_in(forked_network):
    lines = forked_network.set_index("stream_id").geometry
    # The southern valley enters row 45 from the west: 0.1 m lower to the east, 0.2 m to the south-east, which is
    # steeper, so that it meets the main valley in row 46.
    below = "r46c60"

    first = {name: line.coords[0] for name, line in lines.items()}
    last = {name: line.coords[-1] for name, line in lines.items()}

    assert len(lines) == 3
    assert sum(end == first[below] for end in last.values()) == 2
    rows, columns = cells_on(lines[below])
    assert set(columns) == {60.0}
    assert rows[-1] == 80.0
    for name, (x_m, y_m) in first.items():
        row, column = (NORTH_M - y_m) / CELL_M - 0.5, (x_m - WEST_M) / CELL_M - 0.5
        assert name == f"r{row:02.0f}c{column:02.0f}"


def test_a_compressed_tiled_dem_gives_the_same_network_as_a_plain_one(forked_network, tmp_path):
    packed = {"tiled": True, "blockxsize": 32, "blockysize": 32, "compress": "deflate", "predictor": 3}
    dem = write_dem(tmp_path / "dem.tif", forked_valley(), **packed)

    assert derive_network(dem, 0.06, tmp_path).equals(forked_network)


def test_a_road_across_the_valley_is_breached(tmp_path):
    dammed = straight_valley()
    dammed[:, 40] = np.maximum(dammed[:, 40], 101.0)
    dem = write_dem(tmp_path / "dem.tif", dammed)

    network = derive_network(dem, 0.06, tmp_path)

    assert len(network) == 1
    rows, columns = cells_on(network.geometry.iloc[0])
    assert (rows[0], rows[-1], columns[0], columns[-1]) == (30.0, 30.0, 9.0, 79.0)
    assert max(abs(row - 30.0) for row in rows) <= 1.0


def test_missing_data_may_be_marked_by_a_number_or_as_no_number(tmp_path):
    ground_m = straight_valley()
    is_missing = np.zeros(ground_m.shape, dtype=bool)
    is_missing[3:6, 3:9] = True
    as_nan = np.where(is_missing, np.nan, np.round(ground_m * 10)).astype(np.float32)
    as_integer = np.where(is_missing, 32767, np.round(ground_m * 10)).astype(np.int16)

    nan = derive_network(write_dem(tmp_path / "nan.tif", as_nan, nodata=np.nan), 0.06, tmp_path)
    integer = derive_network(
        write_dem(tmp_path / "integer.tif", as_integer, dtype="int16", nodata=32767), 0.06, tmp_path
    )

    assert integer.equals(nan)
    # In six columns the gap takes 3 cells and the 3 above them: 36 less at the tenth column is 574, under 600.
    assert nan["stream_id"].tolist() == ["r30c10"]


def test_a_threshold_that_nothing_drains_is_an_error_that_names_the_largest_area(tmp_path):
    dem = write_dem(tmp_path / "dem.tif", straight_valley())
    # The whole DEM has 61 × 80 cells of 0.0001 km²; all drain to the last cell of row 30.
    with pytest.raises(InputError, match=r"no stream drains the threshold area(.|\n)*at most 0.488 km²"):
        derive_network(dem, 5.0, tmp_path)


@pytest.mark.parametrize(("threshold_km2", "verb"), [(5.0, "lower"), (0.0001, "raise")])
def test_an_error_names_the_users_dem_and_the_setting_and_not_the_runs_own_copy(tmp_path, threshold_km2, verb):
    copy = write_dem(tmp_path / "surface.tif", straight_valley())

    with pytest.raises(InputError) as error:
        derive_network(copy, threshold_km2, tmp_path, source_path="data/dem.tif")

    assert "data/dem.tif" in str(error.value)
    assert "surface.tif" not in str(error.value)
    assert f"{verb} network.derive_threshold_km2" in str(error.value)


def test_a_dem_without_data_is_named_as_the_user_knows_it(tmp_path):
    copy = write_dem(tmp_path / "surface.tif", np.full((30, 30), -9999.0, dtype=np.float32))

    with pytest.raises(InputError, match=r"the DEM holds no data(.|\n)*data/dem.tif"):
        derive_network(copy, 0.06, tmp_path, source_path="data/dem.tif")


def test_a_threshold_of_more_cells_than_a_16_bit_number_holds(tmp_path):
    rows, columns = np.mgrid[:181, :230]
    dem = write_dem(tmp_path / "dem.tif", (2.0 * np.abs(rows - 90) + 100.0 - 0.1 * columns).astype(np.float32))

    # 181 cells a column: the first with 3.6 km², 36,000 cells of 0.0001 km², drained is the 199th.
    (line,) = derive_network(dem, 3.6, tmp_path).geometry

    found_rows, found_columns = cells_on(line)
    assert set(found_rows) == {90.0}
    assert min(found_columns) == 198.0


@pytest.mark.parametrize(
    ("profile", "message"),
    [
        ({"crs": None}, "not in a projected system in metres(.|\n)*no coordinate system"),
        ({"crs": "EPSG:4326"}, "not in a projected system in metres(.|\n)*EPSG:4326"),
        ({"crs": "EPSG:2263"}, "not in a projected system in metres(.|\n)*EPSG:2263"),
        ({"transform": Affine(10.0, 1.0, WEST_M, 1.0, -10.0, NORTH_M)}, "not north-up"),
        ({"nodata": 7.0}, r"holds no data(.|\n)*only nodata \(7.0\)"),
    ],
)
def test_a_dem_that_cannot_be_used_is_an_error(tmp_path, profile, message):
    dem = write_dem(tmp_path / "dem.tif", np.full((5, 5), 7.0, dtype=np.float32), **profile)
    with pytest.raises(InputError, match=message):
        derive_network(dem, 0.06, tmp_path)


# Ground with hollows, flats and gaps, and two roads across it.
def rough_ground():
    rng = np.random.default_rng(20)
    north, east = np.cumsum(rng.normal(0.0, 1.0, 90)), np.cumsum(rng.normal(0.0, 1.0, 110))
    ground_m = np.round(np.add.outer(north, east) + rng.normal(0.0, 1.0, (90, 110)))
    ground_m[30], ground_m[:, 55] = ground_m.max(), ground_m.max()
    ground_m[rng.random(ground_m.shape) < 0.002] = -9999.0
    return ground_m.astype(np.float32)


def test_neither_tiles_nor_workers_change_a_line(tmp_path):
    dem = write_dem(tmp_path / "dem.tif", rough_ground())

    done = []

    whole = derive_network(dem, 0.01, tmp_path)

    assert len(whole) > 30
    by_tiles = derive_network(dem, 0.01, tmp_path, progress=lambda *count: done.append(count), tile_cells=60)
    assert by_tiles.equals(whole)
    assert done == [(number, 24) for number in range(1, 25)]
    with Cluster(tmp_path, "sitefinder.io.containers", "sitefinder.io.software:software", workers=2) as workers:
        workers.prepare(["sitefinder.steps.derived_network:derive_network"])
        assert derive_network(dem, 0.01, tmp_path, workers, tile_cells=60).equals(whole)
    assert sorted(file.name for file in tmp_path.iterdir() if file.name.startswith("derived-")) == []


def test_a_line_has_its_corners_and_ends_and_nothing_between(forked_network):
    for line in forked_network.geometry:
        steps = np.diff(np.array(line.coords), axis=0)
        turns = steps[1:, 0] * steps[:-1, 1] - steps[1:, 1] * steps[:-1, 0]
        assert (turns != 0.0).all()


def test_a_threshold_below_one_cell_is_an_error(tmp_path):
    dem = write_dem(tmp_path / "dem.tif", straight_valley())
    with pytest.raises(
        InputError, match=r"smaller than a cell(.|\n)*more than 0.0001 km²(.|\n)*found: *5e-05 km²"
    ):
        derive_network(dem, 0.00005, tmp_path)
