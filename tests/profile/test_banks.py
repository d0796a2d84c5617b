"""Heights of banks on drawn transects."""

import numpy as np
import pytest

from sitefinder.profile.thalweg import bank_heights

NAN = np.nan


# Height of the lower bank of one transect, a cell each metre, whose channel lies so far to the left of the middle.
def height(cells, offset_m=0.0, owned=None):
    owned = np.ones(len(cells), dtype=bool) if owned is None else np.array(owned, dtype=bool)
    return bank_heights(np.array([cells]), owned[None], np.array([offset_m]), step_m=1.0)[0]


@pytest.mark.parametrize(
    ("cells", "offset_m", "expected"),
    [
        ([6.0, 4.0, 1.0, 3.0, 2.0], 0.0, 2.0),  # right to left: 6 m on the right, 3 m on the left, a bed at 1 m
        ([2.0, 6.0, 1.0, 9.0, 3.0], 0.0, 5.0),
        ([6.0, 4.0, 3.0, 1.0, 2.0], 1.0, 1.0),  # the channel lies a cell to the left
        ([3.0, 1.0, 2.0, 2.0, 7.0], -1.0, 2.0),
        ([1.0, 1.0, 1.0, 1.0, 1.0], 0.0, 0.0),
    ],
)
def test_the_lower_of_the_two_highest_cells_counts(cells, offset_m, expected):
    assert height(cells, offset_m) == expected


def test_ground_of_another_stream_and_gaps_are_no_banks():
    assert height([9.0, 4.0, 1.0, 3.0, 8.0], owned=[0, 1, 1, 1, 0]) == 2.0
    assert height([NAN, 4.0, 1.0, 3.0, NAN]) == 2.0


def test_a_side_of_which_nothing_is_known_is_left_out():
    assert height([NAN, NAN, 1.0, 3.0, 8.0]) == 7.0
    assert height([9.0, 4.0, 1.0], 1.0) == 8.0


def test_where_no_bank_is_known_there_is_no_limit():
    assert height([NAN, NAN, 1.0, NAN, NAN]) == np.inf
    assert height([NAN] * 5) == np.inf
