"""What holds for both ways of leading water to the streams: the flood, and burning, breaching and D8."""

import numpy as np
import pytest

from sitefinder.dem.grid import Grid, whole
from sitefinder.dem.priority_flood import (
    NO_SEED,
    OFF_DEM,
    SINK,
    bridged,
    edge_cells,
    find_sinks,
    flood_with_sinks,
    sinks_distinguished,
    with_sinks,
)
from sitefinder.dem.tiles import sinks_of_tile, sums_of_labels
from sitefinder.io.whitebox_engine import route_with_whitebox

CLOSED = (False, False, False, False)
GRID = Grid(160, 190, 400_000.0, 5_000_000.0, 10.0, 10.0)
SINK_DEPTH_M = 25.0


# Rough ground with a gap, streams where it is lowest on each of some columns, and one stream across the gap.
@pytest.fixture(scope="module")
def region():
    generator = np.random.default_rng(12)
    frequency = np.hypot(np.fft.fftfreq(GRID.rows)[:, None], np.fft.rfftfreq(GRID.columns)[None, :])
    frequency[0, 0] = np.inf
    spectrum = np.fft.rfft2(generator.standard_normal((GRID.rows, GRID.columns))) * frequency**-1.9
    height = np.fft.irfft2(spectrum, s=(GRID.rows, GRID.columns))
    elevation_m = ((height - height.min()) / np.ptp(height) * 400).astype(np.float32)
    seed = np.full(elevation_m.shape, NO_SEED, dtype=np.int32)
    for station, column in enumerate(range(20, 180, 40)):
        row = int(np.argmin(elevation_m[:, column]))
        seed[row, column : column + 12] = station
    valid = np.ones(elevation_m.shape, dtype=bool)
    valid[70:74, 60:66] = False
    seed[68:76, 62] = 9
    return bridged(elevation_m, valid, seed, CLOSED)


@pytest.fixture(params=["flood", "whitebox"])
def routed(request, region, tmp_path):
    """Label and number of the closed basin of each cell, by either engine, and the basins."""
    elevation_m, valid, seed = region
    if request.param == "flood":
        answer = flood_with_sinks(elevation_m, valid, seed, CLOSED, 10.0, 10.0, sink_depth_m=SINK_DEPTH_M)
        return answer.flood.label, answer.sink_number, answer.sinks
    sinks = find_sinks(elevation_m, valid, seed, 10.0, 10.0, sink_depth_m=SINK_DEPTH_M)
    label = route_with_whitebox(elevation_m, valid, with_sinks(seed, sinks), GRID, tmp_path)
    assert list(tmp_path.iterdir()) == []
    return *sinks_distinguished(label), sinks


def test_every_cell_reaches_a_stream_an_edge_or_a_sink(region, routed):
    _, valid, seed = region
    label, number, sinks = routed

    stations = np.unique(seed[seed != NO_SEED])
    assert np.all(np.isin(label, [*stations, OFF_DEM, SINK]))
    assert np.array_equal(label == SINK, number >= 0)
    assert len(sinks.row) > 0
    assert np.all(label[~valid] == OFF_DEM)
    # None of the four answers is missing, so that each is judged.
    assert np.all(np.isin([0, 9, OFF_DEM, SINK], label))


def test_areas_add_up_to_the_number_of_cells(region, routed):
    _, valid, _ = region
    label, number, sinks = routed

    sums = sums_of_labels(label, valid, edge_cells(valid, CLOSED), {}, sinks_of_tile(sinks, number, whole(GRID)))

    assert sums.cells.sum() + sums.off_dem_cells + sums.sink_cells + sums.no_data_cells == label.size
    assert sums.sinks["cells"].sum() == sums.sink_cells
    assert sums.unknown_cells == 0


def test_streams_and_sinks_keep_their_own_cells(region, routed):
    _, valid, seed = region
    label, number, sinks = routed

    is_stream = (seed != NO_SEED) & valid
    assert np.array_equal(label[is_stream], seed[is_stream])
    assert np.array_equal(number[sinks.row, sinks.column], np.arange(len(sinks.row)))


def test_catchments_are_connected(region, routed):
    """A cell is beside another of the same label, by sides or corners, unless it is its stream's only cell."""
    _, valid, seed = region
    label, _, _ = routed
    padded = np.pad(label, 1, constant_values=-99)
    alike = np.zeros(label.shape, dtype=bool)
    for row in range(3):
        for column in range(3):
            if (row, column) != (1, 1):
                alike |= padded[row : row + label.shape[0], column : column + label.shape[1]] == label

    assert np.all(alike[(label >= 0) & (seed == NO_SEED) & valid])
