"""Sums of the land that drains to each station, tile by tile."""

import numpy as np
import pandas as pd
import pytest

from sitefinder.dem.grid import Grid, Window, part_of, tile_windows, whole
from sitefinder.dem.priority_flood import NO_SEED, OFF_DEM, SINK, UNKNOWN, Sinks
from sitefinder.dem.stream_cells import StreamCells, seeds_in
from sitefinder.dem.tiles import (
    MISSING,
    SINK_COLUMNS,
    TileSums,
    _boxes,
    drain_tile,
    drain_window,
    merge_tile_sums,
    sinks_of_tile,
    sums_of_labels,
)

# A slope that falls to the east, seven columns of three rows, with a stream of stations 2 and 5 at its foot.
GRID = Grid(rows=3, columns=7, west_m=0.0, north_m=30.0, cell_width_m=10.0, cell_height_m=10.0)
SLOPE = np.tile(np.arange(7, 0, -1, dtype=np.float32), (3, 1))
VALID = np.ones(SLOPE.shape, dtype=bool)
FOOT = StreamCells(
    row=np.array([0, 1, 2], dtype=np.int32),
    column=np.array([6, 6, 6], dtype=np.int32),
    label=np.array([2, 5, 5], dtype=np.int32),
    shared=None,
    outside=None,
)
RAIN = np.arange(21, dtype=np.int64).reshape(3, 7)


# A reader of windows of the slope that writes down which were asked for.
def reader(asked, valid=VALID):
    def read(window):
        asked.append(window)
        part = part_of(window, whole(GRID))
        return SLOPE[part], valid[part]

    return read


# A reader of the rain on tiles of the slope that writes down which were asked for.
def rain_reader(rain=RAIN, asked=None):
    def read(core):
        if asked is not None:
            asked.append(core)
        return {"rain": rain[part_of(core, whole(GRID))]}

    return read


def test_one_tile_gives_cells_and_sums_of_each_station():
    sums = drain_tile(reader([]), whole(GRID), GRID, FOOT, 1, read_covariates=rain_reader()).sums

    assert sums.label.tolist() == [2, 5]
    assert sums.cells.tolist() == [7, 14]
    assert sums.sums["rain"].tolist() == [sum(range(7)), sum(range(7, 21))]
    assert sums.covered["rain"].tolist() == [7, 14]
    assert (sums.unknown_cells, sums.off_dem_cells, sums.no_data_cells) == (0, 0, 0)


def test_all_cells_of_the_dems_border_are_edge_cells():
    sums = drain_tile(reader([]), whole(GRID), GRID, FOOT, margin_cells=1).sums

    # The northern row, then the southern row and the two ends of the middle row.
    assert sums.edge_cells.tolist() == [7, 9]


def test_cells_without_a_covariate_are_left_out_of_its_sum_and_count():
    rain = RAIN.copy()
    rain[0, :3] = MISSING

    sums = drain_tile(reader([]), whole(GRID), GRID, FOOT, 1, read_covariates=rain_reader(rain)).sums

    assert sums.sums["rain"].tolist() == [3 + 4 + 5 + 6, sum(range(7, 21))]
    assert sums.covered["rain"].tolist() == [4, 14]


def test_cells_without_data_are_counted_apart_from_those_that_leave_the_dem():
    valid = VALID.copy()
    valid[:, 3] = False

    sums = drain_tile(reader([], valid=valid), whole(GRID), GRID, FOOT, margin_cells=1).sums

    # Columns 0 to 2 fall to the gap, column 3 is the gap, columns 4 to 6 are the streams'.
    assert (sums.off_dem_cells, sums.no_data_cells) == (9, 3)
    assert sums.cells.tolist() == [3, 6]


def test_the_window_grows_until_every_cell_of_the_tile_is_known():
    asked, of_rain = [], []

    drained = drain_tile(
        reader(asked), Window(0, 0, 3, 1), GRID, FOOT, 1, read_covariates=rain_reader(asked=of_rain)
    )

    assert [window.columns for window in asked] == [2, 3, 5, 7]
    assert of_rain == [Window(0, 0, 3, 1)]
    assert drained.window == asked[0]
    assert drained.sums.cells.tolist() == [1, 2]
    assert drained.label.tolist() == [[2], [5], [5]]


def test_cells_that_are_known_are_not_looked_at_again():
    # Thirty rows and columns, a ridge between columns 12 and 13, streams along columns 4 and 29.
    grid = Grid(30, 30, 0.0, 300.0, 10.0, 10.0)
    ridge = np.tile(40.0 - np.abs(np.arange(30) - 12.5), (30, 1)).astype(np.float32)
    rows, columns, labels = (np.array(each, dtype=np.int32) for each in (range(30), [4, 29], [0, 1]))
    streams = StreamCells(np.repeat(rows, 2), np.tile(columns, 30), np.tile(labels, 30), None, None)
    asked = []

    def read(window):
        asked.append(window)
        part = np.s_[window.row : window.row + window.rows, window.column : window.column + window.columns]
        return ridge[part], ridge[part] > 0

    drained = drain_tile(read, Window(10, 5, 4, 12), grid, streams, margin_cells=2)

    # Around the four columns east of the ridge alone, with a margin of 4, 8 and 16.
    assert asked == [Window(8, 3, 8, 16), Window(6, 9, 12, 12), Window(2, 5, 20, 20), Window(0, 0, 30, 30)]
    assert drained.label.tolist() == 4 * [8 * [0] + 4 * [1]]


@pytest.mark.parametrize(
    ("margin", "unknown", "boxes"),
    [
        # Groups lie more than a quarter of the margin apart. A window around one cell takes 17 by 17 cells with a
        # margin of 8, one around the first two 17 by 20, one around all 17 by 57: less in two than in one.
        (8, [0, 3, 40], [(0, 4), (40, 1)]),
        # With a margin of 4 three of 9 by 9 are less than 9 by 49; two less than 9 by 19, but not than 9 by 18.
        (4, [0, 3, 40], [(0, 1), (3, 1), (40, 1)]),
        (4, [0, 10], [(0, 1), (10, 1)]),
        (4, [0, 9], [(0, 10)]),
        (4, [], []),
    ],
)
@pytest.mark.parametrize("is_upright", [False, True])
def test_unknown_cells_are_looked_at_in_groups_where_that_is_less_than_together(
    margin, unknown, boxes, is_upright
):
    label, core = np.zeros((50, 60), dtype=np.int32), Window(20, 30, 50, 60)
    label[15, np.array(unknown, dtype=int) + 2] = UNKNOWN
    if is_upright:
        label, core = label.T.copy(), Window(30, 20, 60, 50)

    found = _boxes(label, core, core, margin, Grid(150, 150, 0.0, 1500.0, 10.0, 10.0))

    expected = [Window(20 + 15, 30 + 2 + first, 1, count) for first, count in boxes]
    assert found == [Window(w.column, w.row, w.columns, w.rows) if is_upright else w for w in expected]


def test_the_window_does_not_grow_when_the_tile_is_known():
    asked = []

    drain_tile(reader(asked), Window(0, 5, 3, 2), GRID, FOOT, margin_cells=1)

    assert asked == [Window(0, 4, 3, 3)]


def test_a_window_too_small_leaves_cells_unknown():
    window = Window(0, 0, 3, 3)
    seed = np.full((3, 3), NO_SEED, dtype=np.int32)

    drained = drain_window(
        SLOPE[:, :3], VALID[:, :3], seed, core=Window(0, 0, 3, 2), window=window, grid=GRID, covariates={}
    )

    assert np.all(drained.label == UNKNOWN)
    assert drained.sums.unknown_cells == 6
    assert drained.sums.label.size == 0


@pytest.mark.parametrize(
    ("window", "core"),
    [(Window(0, 3, 3, 4), Window(0, 4, 3, 2)), (Window(1, 0, 2, 7), Window(2, 0, 1, 7))],
    ids=["from column 3 on", "from row 1 on"],
)
def test_a_tile_a_cell_inside_an_open_border_is_known_wherever_its_window_begins(window, core):
    def cut(values):
        return values[window.row : window.row + window.rows, window.column : window.column + window.columns]

    seed = seeds_in(FOOT, window)

    drained = drain_window(cut(SLOPE), cut(VALID), seed, core=core, window=window, grid=GRID, covariates={})

    # Station 2 takes the northern row, station 5 the others.
    assert drained.label.tolist() == [[2 if row == 0 else 5] * core.columns for row in range(3)][core.row :]


def test_a_region_without_streams_leaves_the_dem():
    nothing = np.array([], dtype=np.int32)

    drained = drain_tile(
        reader([]), whole(GRID), GRID, StreamCells(nothing, nothing, nothing, None, None), margin_cells=1
    )

    assert np.all(drained.label == OFF_DEM)
    assert drained.sums.off_dem_cells == 21


def test_tiles_add_up_to_the_whole_in_any_order():
    tiles = [
        drain_tile(reader([]), tile, GRID, FOOT, 1, read_covariates=rain_reader()).sums
        for tile in tile_windows(GRID, 2, 3)
    ]

    merged = [merge_tile_sums(order, 7) for order in (tiles, tiles[::-1])]

    for sums in merged:
        assert sums.cells.tolist() == [0, 0, 7, 0, 0, 14, 0]
        assert sums.edge_cells.tolist() == [0, 0, 7, 0, 0, 9, 0]
        assert sums.sums["rain"].tolist() == [0, 0, sum(range(7)), 0, 0, sum(range(7, 21)), 0]
        assert sums.covered["rain"].tolist() == [0, 0, 7, 0, 0, 14, 0]
        assert sums.unknown_cells == 0


def test_no_tiles_merge_to_stations_without_land():
    merged = merge_tile_sums([], 2)

    assert merged.cells.tolist() == [0, 0]
    assert merged.sinks.dtypes.to_dict() == SINK_COLUMNS
    assert len(merged.sinks) == 0


def test_a_basin_that_several_tiles_know_of_is_one_with_the_cells_of_all_by_row_and_column():
    none = np.zeros(0, dtype=np.int64)
    rows = [[(9, 1, 4.0, 30), (2, 8, 1.5, 5)], [(2, 3, 2.5, 7), (9, 1, 4.0, 12)], []]
    tables = [pd.DataFrame(each, columns=list(SINK_COLUMNS)).astype(SINK_COLUMNS) for each in rows]
    tiles = [TileSums(none.astype(np.int32), none, none, {}, {}, table, 0, 0, 0, 0) for table in tables]

    merged = merge_tile_sums(tiles, 1).sinks

    assert merged.values.tolist() == [[2, 3, 2.5, 7], [2, 8, 1.5, 5], [9, 1, 4.0, 42]]
    assert merged.dtypes.to_dict() == SINK_COLUMNS


def test_cells_that_drain_to_no_station_are_in_no_sum():
    label = np.array([[4, OFF_DEM, 4, UNKNOWN], [SINK, 7, OFF_DEM, 5]], dtype=np.int32)
    valid = np.array([[True, True, True, True], [True, True, False, True]])
    rain = np.array([[1, 10, 100, 1000], [20, 200, 2000, MISSING]])

    sums = sums_of_labels(label, valid, label != 7, {"rain": rain}, pd.DataFrame())

    assert (sums.label.tolist(), sums.cells.tolist(), sums.edge_cells.tolist()) == (
        [4, 5, 7],
        [2, 1, 1],
        [2, 1, 0],
    )
    assert (sums.sums["rain"].tolist(), sums.covered["rain"].tolist()) == ([101, 0, 200], [2, 0, 1])
    assert (sums.unknown_cells, sums.off_dem_cells, sums.sink_cells, sums.no_data_cells) == (1, 1, 1, 1)


def test_a_margin_without_cells_is_refused():
    with pytest.raises(ValueError, match="at least 1 cell, not 0"):
        drain_tile(reader([]), whole(GRID), GRID, FOOT, margin_cells=0)


def test_a_tile_on_an_open_border_of_its_window_is_refused():
    with pytest.raises(ValueError, match="must lie a cell inside the open borders"):
        drain_window(
            SLOPE[:, :3],
            VALID[:, :3],
            np.full((3, 3), NO_SEED, dtype=np.int32),
            core=Window(0, 0, 3, 3),
            window=Window(0, 0, 3, 3),
            grid=GRID,
            covariates={},
        )


@pytest.mark.parametrize(
    "core", [Window(-1, 0, 2, 2), Window(2, 0, 2, 2), Window(0, -1, 2, 2), Window(0, 6, 2, 2)], ids=str
)
def test_a_tile_beyond_its_window_is_refused(core):
    with pytest.raises(ValueError, match="must lie a cell inside the open borders"):
        drain_window(
            SLOPE,
            VALID,
            np.full((3, 7), NO_SEED, dtype=np.int32),
            core=core,
            window=whole(GRID),
            grid=GRID,
            covariates={},
        )


def test_a_covariate_of_another_shape_is_refused():
    with pytest.raises(ValueError, match="rain has shape"):
        drain_window(
            SLOPE,
            VALID,
            np.full((3, 7), NO_SEED, dtype=np.int32),
            core=whole(GRID),
            window=whole(GRID),
            grid=GRID,
            covariates={"rain": RAIN[:2]},
        )


@pytest.mark.parametrize("name", ["elevation_m", "valid", "seed"])
def test_cells_of_another_shape_than_their_window_are_refused(name):
    cells = {"elevation_m": SLOPE, "valid": VALID, "seed": np.full((3, 7), NO_SEED, dtype=np.int32)}
    cells[name] = cells[name][:, :6]

    with pytest.raises(ValueError, match=rf"{name} has shape \(3, 6\), the window \(3, 7\)"):
        drain_window(**cells, core=whole(GRID), window=whole(GRID), grid=GRID, covariates={})


def test_a_station_that_does_not_exist_is_refused():
    one = np.array([1], dtype=np.int64)
    tile = TileSums(np.array([3], dtype=np.int32), one, one, {}, {}, pd.DataFrame(), 0, 0, 0, 0)
    with pytest.raises(ValueError, match="drains to station 3, but there are 3"):
        merge_tile_sums([tile], 3)


def test_tiles_with_different_covariates_are_refused():
    one = np.array([1], dtype=np.int64)
    station = np.array([0], dtype=np.int32)
    nothing = pd.DataFrame()
    tiles = [
        TileSums(station, one, one, {name: one}, {name: one}, nothing, 0, 0, 0, 0) for name in ("rain", "snow")
    ]
    with pytest.raises(ValueError, match="different covariates"):
        merge_tile_sums(tiles, 3)


def test_basins_of_a_tile_are_those_that_its_cells_drain_to_at_their_place_in_the_grid():
    sinks = Sinks(np.array([3, 0, 7]), np.array([1, 2, 5]), np.array([1.5, 4.0, 2.5]))
    number = np.array([[2, -1, 0], [2, 2, -1]], dtype=np.int32)

    table = sinks_of_tile(sinks, number, Window(10, 20, 9, 9))

    assert table.values.tolist() == [[13, 21, 1.5, 1], [17, 25, 2.5, 3]]
    assert table.dtypes.to_dict() == SINK_COLUMNS
    for none in (None, np.full((2, 3), -1, dtype=np.int32)):
        nothing = sinks_of_tile(sinks, none, Window(10, 20, 9, 9))
        assert len(nothing) == 0
        assert nothing.dtypes.to_dict() == SINK_COLUMNS
