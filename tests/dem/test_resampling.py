"""Values between cells against an outside library, and at the edges of what is known."""

import numpy as np
import pytest
from scipy.ndimage import map_coordinates

from sitefinder.dem.grid import bilinear, spread


def test_values_between_cells_are_those_of_an_outside_library():
    generator = np.random.default_rng(5)  # any values and places will do
    values = generator.uniform(0, 100, (20, 30))
    row, column = generator.uniform(0.5, 19.5, (9, 11)), generator.uniform(0.5, 29.5, (9, 11))

    found = bilinear(values, np.ones(values.shape, dtype=bool), row, column)

    # scipy.ndimage counts from the centre of the first cell.
    assert found == pytest.approx(map_coordinates(values, [row - 0.5, column - 0.5], order=1), rel=1e-12)


def test_a_cell_without_value_is_a_gap_and_counts_for_nothing_beside():
    values, known = np.array([[10.0, -9999.0], [30.0, 50.0]]), np.array([[True, False], [True, True]])
    row, column = np.array([[0.2, 0.4, 0.9]]), np.array([[1.5, 0.9, 0.9]])

    found = bilinear(values, known, row, column)

    # In the gap; at the north edge, where the cell itself alone counts; between three of four, where the western
    # cells and the upper ones have shares of 0.6.
    assert np.isnan(found[0, 0])
    assert found[0, 1] == 10.0
    assert found[0, 2] == pytest.approx((0.36 * 10 + 0.24 * 30 + 0.16 * 50) / 0.76)


def test_places_outside_and_places_that_are_no_numbers_have_no_value():
    values = np.array([[10.0]])
    row, column = np.array([[-0.001, 1.0, 0.5, np.nan, np.inf]]), np.array([[0.5, 0.5, 1.0, 0.5, 0.5]])

    assert np.isnan(bilinear(values, np.array([[True]]), row, column)).all()
    assert bilinear(values, np.array([[True]]), np.array([[0.0]]), np.array([[0.999]])).tolist() == [[10.0]]


@pytest.mark.parametrize("shape", [(1, 1), (16, 16), (17, 40), (33, 5)])
def test_a_plane_spread_from_a_lattice_is_that_plane(shape):
    rows, columns = (np.arange(0, count + 17, 16) for count in shape)
    nodes = 3.0 * rows[:, None] - 2.0 * columns[None, :]

    found = spread(nodes, 16, shape)

    row, column = np.mgrid[: shape[0], : shape[1]] + 0.5
    assert found == pytest.approx(3.0 * row - 2.0 * column, abs=1e-9)
