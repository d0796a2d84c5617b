"""Values that files hold where they have no data are gaps between higher and lower ground too; others are not."""

import numpy as np
import pytest

from sitefinder.dem.judging import find_gaps

# The ends of whole numbers of 8 and 16 bits, rows of nines, and nothing.
OF_FILES = [
    *(np.iinfo(np.int16).min, np.iinfo(np.int16).max, -np.iinfo(np.int16).max),
    *(np.iinfo(np.uint8).max, np.iinfo(np.uint16).max),
    *(-9, -99, -999, -9999, 999, 9999, 0, -1),
]


# Rough ground, one half 300 m above a value and the other as far below it, with cells of the value in both.
def between(value):
    ground_m = value + np.random.default_rng(8).normal(0.0, 0.5, (40, 40))
    ground_m[:20] += 300.0
    ground_m[20:] -= 300.0
    ground_m[5:35:6, 3:37:5] = value
    return ground_m


@pytest.mark.parametrize("value", OF_FILES)
def test_what_files_hold_for_no_data_is_a_gap_between_higher_and_lower_ground_and_its_neighbours_are_none(value):
    (gap,) = find_gaps([between(value)])

    assert (gap.value, gap.cells) == (value, 5 * 7)
    # A metre or a tenth beside it is the height of some ground.
    beside = 1.1 * value if value else 1.0
    assert find_gaps([between(beside)]) == []
    assert [found.value for found in find_gaps([between(-value)])] == ([-value] if -value in OF_FILES else [])
