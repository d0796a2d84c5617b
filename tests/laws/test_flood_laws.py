"""What holds for every flood, whatever the ground: by drawing many and comparing with slower, plainer ways.

Run as a program, it tries ten thousand random windows and prints the count.
"""

import numpy as np
import pandas as pd
import pyflwdir
import pytest
from scipy import ndimage

from sitefinder.dem.grid import Grid, Window, open_edges, part_of, tile_windows, whole
from sitefinder.dem.priority_flood import (
    COLUMN_STEP,
    NO_POINTER,
    NO_SEED,
    OFF_DEM,
    ROW_STEP,
    SINK,
    UNKNOWN,
    bridged,
    edge_cells,
    flood,
    flood_with_sinks,
)
from sitefinder.dem.stream_cells import stream_cells
from sitefinder.dem.tiles import MISSING, drain_tile, merge_tile_sums

CLOSED = (False, False, False, False)
SINK_DEPTHS_M = (None, 20.0)
EIGHT = np.ones((3, 3), dtype=bool)


# Ground of whole metres, above and below zero, with many flats, some gaps, and stream cells strewn over it. Cells
# may have uneven sides.
def strewn_ground(generator, rows, columns):
    levels = generator.integers(2, 12)
    elevation_m = (generator.integers(0, levels, (rows, columns)) - levels // 3).astype(np.float32)
    # Zero and minus zero are the same level, but not the same bits.
    elevation_m[(elevation_m == 0) & (generator.random((rows, columns)) < 0.5)] = -0.0
    valid = generator.random((rows, columns)) >= generator.choice([0.0, 0.02, 0.1])
    seed = np.full((rows, columns), NO_SEED, dtype=np.int32)
    is_stream = generator.random((rows, columns)) < generator.choice([0.0, 0.01, 0.05])
    seed[is_stream] = generator.integers(0, 9, is_stream.sum())
    cell_size_m = (generator.choice([10.0, 7.0]), generator.choice([10.0, 13.0]))
    return elevation_m, valid, seed, cell_size_m


# Rough ground of valleys and hollows at all scales, in steps of 1/8 m, so that sums of a few levels are exact.
def rough_ground(rows, columns, random_seed):
    generator = np.random.default_rng(random_seed)
    frequency = np.hypot(np.fft.fftfreq(rows)[:, None], np.fft.rfftfreq(columns)[None, :])
    frequency[0, 0] = np.inf
    spectrum = np.fft.rfft2(generator.standard_normal((rows, columns))) * frequency**-1.9
    height = np.fft.irfft2(spectrum, s=(rows, columns))
    return (np.round((height - height.min()) / np.ptp(height) * 400 * 8) / 8).astype(np.float32)


# Label of each cell, and row, column and depth of its closed basin, where it has one, counted from the whole.
def ends(elevation_m, valid, seed, edges, cell_size_m, sink_depth_m, corner):
    cells = bridged(elevation_m, valid, seed, edges)
    answer = flood_with_sinks(*cells, edges, *cell_size_m, sink_depth_m=sink_depth_m)
    basins = np.full((4, *seed.shape), -1.0)
    basins[0] = answer.flood.label
    if sink_depth_m is not None:
        is_closed = answer.flood.label == SINK
        assert np.array_equal(is_closed, answer.sink_number >= 0)
        table = np.array([answer.sinks.row + corner[0], answer.sinks.column + corner[1], answer.sinks.depth_m])
        basins[1:, is_closed] = table[:, answer.sink_number[is_closed]]
    return basins


# Random sub-windows of random ground: how many there were, their cells, those known, those in closed basins, and
# those known wrongly.
def windows_tried(count, random_seed):
    generator = np.random.default_rng(random_seed)
    tried = cells = known = closed = wrong = 0
    while tried < count:
        rows, columns = generator.integers(3, 40, 2)
        elevation_m, valid, seed, cell_size_m = strewn_ground(generator, rows, columns)
        sink_depth_m = None if tried % 2 else float(generator.integers(1, 6))
        everything = ends(elevation_m, valid, seed, CLOSED, cell_size_m, sink_depth_m, (0, 0))
        grid = Grid(rows, columns, 0.0, 0.0, *cell_size_m)
        for _ in range(5):
            top, bottom = np.sort(generator.choice(rows + 1, 2, replace=False))
            left, right = np.sort(generator.choice(columns + 1, 2, replace=False))
            part = np.s_[top:bottom, left:right]
            edges = open_edges(Window(top, left, bottom - top, right - left), grid)
            answer = ends(
                elevation_m[part], valid[part], seed[part], edges, cell_size_m, sink_depth_m, (top, left)
            )
            is_known = answer[0] != UNKNOWN
            tried += 1
            cells += is_known.size
            known += np.count_nonzero(is_known)
            closed += np.count_nonzero(answer[0] == SINK)
            wrong += np.count_nonzero(np.any(answer != everything[:, *part], axis=0) & is_known)
    return tried, cells, known, closed, wrong


# Cell that each cell drains to, in flat numbering; itself at an end.
def target_cells(pointer):
    rows, columns = np.indices(pointer.shape)
    is_end = pointer == NO_POINTER
    direction = np.where(is_end, 0, pointer)
    row = np.where(is_end, rows, rows + np.array(ROW_STEP)[direction])
    column = np.where(is_end, columns, columns + np.array(COLUMN_STEP)[direction])
    return row * pointer.shape[1] + column


# Array moved so that each cell holds its neighbour's value in a direction; `beyond` outside.
def neighbours(array, direction, beyond):
    padded = np.pad(array, 1, constant_values=beyond)
    row, column = 1 + ROW_STEP[direction], 1 + COLUMN_STEP[direction]
    return padded[row : row + array.shape[0], column : column + array.shape[1]]


GROUNDS = [strewn_ground(np.random.default_rng(number), 31, 37) for number in range(40)]


@pytest.mark.slow
def test_a_label_in_a_window_is_that_of_the_whole_or_unknown():
    tried, cells, known, closed, wrong = windows_tried(1500, random_seed=1)

    assert wrong == 0
    # The law would hold for a flood that knows nothing; a third of these cells are known.
    assert known > 0.25 * cells
    assert closed > 0.01 * cells
    assert tried >= 1500


@pytest.mark.parametrize("number", range(len(GROUNDS)))
def test_nothing_flows_uphill_and_every_path_ends_with_its_label(number):
    elevation_m, valid, seed, cell_size_m = GROUNDS[number]
    answer = flood(elevation_m, valid, seed, CLOSED, *cell_size_m)
    target = target_cells(answer.pointer).ravel()
    surface = np.where(valid, answer.surface, np.inf).ravel()

    assert np.all(surface[target] <= surface)
    assert np.all(answer.surface[valid] >= elevation_m[valid])
    # Following the pointers twice as far each time: after as many steps as there are cells all have ended.
    end = target
    for _ in range(int(np.ceil(np.log2(valid.size))) + 1):
        end = end[end]
    is_end = (answer.pointer == NO_POINTER).ravel()
    assert np.all(is_end[end])
    # Ends are streams, with their station, or cells beyond which the DEM ends.
    label = answer.label.ravel()
    assert np.array_equal(label, label[end])
    is_stream = ((seed >= 0) & valid).ravel()
    may_leave = edge_cells(valid, CLOSED).ravel() | ~valid.ravel()
    assert np.all(is_stream[end] | may_leave[end])
    assert np.all(label[end][is_stream[end]] == seed.ravel()[end][is_stream[end]])
    assert np.all(label[end][~is_stream[end]] == OFF_DEM)


@pytest.mark.parametrize("number", range(len(GROUNDS)))
def test_the_surface_is_the_lowest_that_drains(number):
    """Against the iteration of Planchon and Darboux (2002), Catena 46:159-176, without their small slope.

    From above: every cell falls to the higher of its ground and its lowest neighbour, until none falls any more.
    """
    elevation_m, valid, seed, cell_size_m = GROUNDS[number]
    is_outlet = ((seed >= 0) | edge_cells(valid, CLOSED)) & valid
    ground_m = np.where(valid, elevation_m, np.float32(np.inf))
    lowest = np.where(is_outlet, ground_m, np.float32(np.inf))
    while True:
        around = ndimage.minimum_filter(lowest, footprint=EIGHT, mode="constant", cval=np.inf)
        fallen = np.where(is_outlet, ground_m, np.maximum(ground_m, around))
        if np.array_equal(fallen, lowest):
            break
        lowest = fallen

    answer = flood(elevation_m, valid, seed, CLOSED, *cell_size_m)

    assert np.array_equal(answer.surface[valid], lowest[valid])


@pytest.mark.parametrize("number", range(len(GROUNDS)))
def test_pointers_are_the_steepest_descent_or_one_step_nearer_to_where_a_flat_spills(number):
    elevation_m, valid, seed, (cell_width_m, cell_height_m) = GROUNDS[number]
    answer = flood(elevation_m, valid, seed, CLOSED, cell_width_m, cell_height_m)
    surface = np.where(valid, answer.surface, np.nan).astype(float)
    is_stream = (seed >= 0) & valid
    distance_m = [
        np.hypot(row * cell_height_m, column * cell_width_m)
        for row, column in zip(ROW_STEP, COLUMN_STEP, strict=True)
    ]
    slopes = np.array(
        [np.nan_to_num(surface - neighbours(surface, k, np.nan), nan=-1.0) / distance_m[k] for k in range(8)]
    )
    falls = (slopes.max(axis=0) > 0) & valid & ~is_stream
    # Steps in a flat to the nearest cell that falls, or is an end, by relaxation.
    steps = np.where(falls | is_stream | edge_cells(valid, CLOSED), 0.0, np.inf)
    steps[~valid] = np.inf
    while True:
        nearest = steps
        for k in range(8):
            is_level = neighbours(surface, k, np.nan) == surface
            nearest = np.where(is_level, np.minimum(nearest, neighbours(steps, k, np.inf) + 1), nearest)
        if np.array_equal(nearest, steps):
            break
        steps = nearest
    onward = np.array(
        [
            (neighbours(surface, k, np.nan) == surface) & (neighbours(steps, k, np.inf) == steps - 1)
            for k in range(8)
        ]
    )

    expected = np.full(valid.shape, NO_POINTER)
    in_flat = valid & ~falls & (steps > 0)
    expected[in_flat] = np.argmax(onward, axis=0)[in_flat]
    expected[falls] = np.argmax(slopes, axis=0)[falls]
    assert np.array_equal(answer.pointer, expected)


def test_without_streams_the_surface_is_that_of_a_reference_library():
    """pyflwdir 0.5, ``dem.fill_depressions``, which floods from all border cells too."""
    ground_m = rough_ground(211, 307, random_seed=4)
    # As the library's own `from_dem` calls it, which other tests use: it is compiled for these types once.
    reference, _ = pyflwdir.dem.fill_depressions(
        ground_m.astype(np.float64), nodata=-9999.0, max_depth=-1.0, outlets="edge"
    )

    answer = flood(ground_m, ground_m > -1, np.full(ground_m.shape, NO_SEED, dtype=np.int32), CLOSED, 10.0, 10.0)

    assert np.array_equal(answer.surface, reference)
    assert np.count_nonzero(reference > ground_m) > 1000


# A region of 500 × 600 cells with gaps, six winding streams of stations, and a covariate with holes.
@pytest.fixture(scope="module")
def region():
    generator = np.random.default_rng(8)
    grid = Grid(500, 600, 400_000.0, 5_000_000.0, 10.0, 12.0)
    ground_m = rough_ground(grid.rows, grid.columns, random_seed=9)
    valid = np.ones(ground_m.shape, dtype=bool)
    valid[120:150, 300:305] = False
    valid[250, 172:176] = False
    pieces, labels, links = [], [], []
    station = 0
    for link in range(6):
        turn = np.cumsum(generator.normal(0, 0.15, 240)) + generator.uniform(0, 2 * np.pi)
        x_m = grid.west_m + generator.uniform(1500, 4500) + np.cumsum(15 * np.cos(turn))
        y_m = grid.north_m - generator.uniform(1500, 4500) + np.cumsum(15 * np.sin(turn))
        for first in range(0, 230, 10):
            pieces.append((x_m[first : first + 11], y_m[first : first + 11]))
            labels.append(station)
            links.append(link)
            station += 1
    cells = stream_cells(
        np.cumsum([0] + [x_m.size for x_m, _ in pieces]),
        np.concatenate([x_m for x_m, _ in pieces]),
        np.concatenate([y_m for _, y_m in pieces]),
        np.array(labels),
        np.array(links),
        np.full(6, -1),
        grid,
    )
    rain = generator.integers(6000, 15000, ground_m.shape)
    rain[300:320, 100:500] = MISSING

    def read(window):
        part = part_of(window, whole(grid))
        return ground_m[part], valid[part]

    def read_rain(core):
        return {"rain": rain[part_of(core, whole(grid))]}

    return grid, cells, read, read_rain, valid, station


# Sums of all stations with tiles of a size.
def sums_with_tiles(region, tile_rows, tile_columns, margin_cells, sink_depth_m):
    grid, cells, read, read_rain, _, stations = region
    tiles = [
        drain_tile(
            read, tile, grid, cells, margin_cells, read_covariates=read_rain, sink_depth_m=sink_depth_m
        ).sums
        for tile in tile_windows(grid, tile_rows, tile_columns)
    ]
    return merge_tile_sums(tiles, stations)


@pytest.fixture(scope="module")
def sums_of_one_tile(region):
    return {sink_depth_m: sums_with_tiles(region, 500, 600, 1, sink_depth_m) for sink_depth_m in SINK_DEPTHS_M}


@pytest.mark.parametrize("sink_depth_m", SINK_DEPTHS_M)
def test_areas_add_up_to_the_number_of_cells(region, sums_of_one_tile, sink_depth_m):
    sums = sums_of_one_tile[sink_depth_m]
    grid, cells, _, _, valid, _ = region

    lost = sums.off_dem_cells + sums.sink_cells + sums.no_data_cells
    assert sums.cells.sum() + lost == grid.rows * grid.columns
    # A stream cell in a gap counts as its stream's where it has ground beside it.
    in_gaps = np.zeros(valid.shape, dtype=bool)
    in_gaps[cells.row, cells.column] = ~valid[cells.row, cells.column]
    in_gaps &= ndimage.binary_dilation(valid, EIGHT)
    assert sums.no_data_cells == np.count_nonzero(~valid) - np.count_nonzero(in_gaps)
    assert np.count_nonzero(in_gaps) == 2
    assert sums.unknown_cells == 0
    # Each station has at least its own stream cells, and most of the region's land is some station's.
    own = np.bincount(cells.label[valid[cells.row, cells.column]], minlength=sums.cells.size)
    assert np.all(sums.cells >= own)
    assert sums.cells.sum() > 0.2 * valid.size


@pytest.mark.parametrize("sink_depth_m", SINK_DEPTHS_M)
@pytest.mark.parametrize(
    ("rows", "columns", "margin"), [(250, 300, 16), (251, 173, 1), (167, 200, 40), (64, 600, 5)]
)
def test_tiles_of_any_size_give_the_same_sums(region, sums_of_one_tile, rows, columns, margin, sink_depth_m):
    sums = sums_with_tiles(region, rows, columns, margin, sink_depth_m)

    whole = sums_of_one_tile[sink_depth_m]
    for name in ("cells", "edge_cells"):
        assert np.array_equal(getattr(sums, name), getattr(whole, name)), name
    for name in ("sums", "covered"):
        assert np.array_equal(getattr(sums, name)["rain"], getattr(whole, name)["rain"]), name
    pd.testing.assert_frame_equal(sums.sinks, whole.sinks, check_exact=True)
    assert sums[-4:] == whole[-4:]


def test_closed_basins_keep_what_drains_to_them(sums_of_one_tile):
    open_one, closed = sums_of_one_tile[None], sums_of_one_tile[20.0]

    assert len(open_one.sinks) == open_one.sink_cells == 0
    assert len(closed.sinks) > 5
    assert closed.sinks["depth_m"].min() >= 20.0
    assert closed.sinks["cells"].sum() == closed.sink_cells
    lost = open_one.cells.sum() + open_one.off_dem_cells - closed.cells.sum() - closed.off_dem_cells
    assert lost == closed.sink_cells


if __name__ == "__main__":
    print(
        "{} windows, {} cells, {} of them known, {} in closed basins, {} wrong".format(
            *windows_tried(10_000, random_seed=2)
        )
    )
