"""Labels that run down given flow directions."""

import numpy as np
import pytest

from sitefinder.dem.priority_flood import NO_POINTER, NO_SEED, OFF_DEM, SINK, labels_down

DIRECTIONS = dict(zip("→↘↓↙←↖↑↗", range(8), strict=True)) | {"o": NO_POINTER}


# Labels from a drawing of directions and one of ends (a digit for a station, x without data).
def led(directions, ends, is_edge=None):
    pointer = np.array([[DIRECTIONS[sign] for sign in row] for row in directions.split()], dtype=np.uint8)
    signs = [list(row) for row in ends.split()]
    label = np.array([[int(sign) if sign.isdigit() else NO_SEED for sign in row] for row in signs], dtype=np.int32)
    valid = np.array([[sign != "x" for sign in row] for row in signs])
    if is_edge is None:
        is_edge = np.zeros(valid.shape, dtype=bool)
    return labels_down(pointer, label, valid, is_edge).tolist()


def test_each_direction_leads_to_its_neighbour():
    assert led("↘↓↙ →o← ↗↑↖", "... .5. ...") == [[5, 5, 5]] * 3


def test_the_first_stream_on_the_path_counts():
    assert led("→→→→o", "..3.7") == [[3, 3, 3, 7, 7]]


def test_a_path_that_stops_is_off_the_dem_at_an_edge_and_a_sink_elsewhere():
    is_edge = np.array([[True, False, False, False]])

    assert led("o←→o", "....", is_edge) == [[OFF_DEM, OFF_DEM, SINK, SINK]]


def test_a_path_into_missing_data_leaves_the_dem():
    assert led("→o", ".x") == [[OFF_DEM, OFF_DEM]]


@pytest.mark.parametrize("directions", ["→←", "→→"])
def test_circles_and_directions_off_the_grid_are_refused(directions):
    with pytest.raises(ValueError, match="in a circle, or off the grid"):
        led(directions, "..")
