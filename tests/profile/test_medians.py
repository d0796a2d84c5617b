"""Sorting and medians of the first numbers of an array, against those of numpy."""

import numpy as np
import pytest

from sitefinder.profile.medians import median_of, sort_first

# With numbers twice, in falling and in rising order, and below zero.
VALUES = np.array([3.0, -1.0, 3.0, 0.5, -7.0, 2.0, 2.0, 9.0])


@pytest.mark.parametrize("count", range(9))
def test_the_first_numbers_are_sorted_and_no_others_are_touched(count):
    values, in_order = VALUES.copy(), np.full(8, -99.0)

    sort_first(values, count, in_order)

    assert in_order.tolist() == [*sorted(VALUES[:count]), *[-99.0] * (8 - count)]
    assert values.tolist() == VALUES.tolist()


@pytest.mark.parametrize("gaps", [[0], [4], [7], [0, 1, 5], [2, 6, 7], range(8)])
def test_what_is_no_number_comes_last_wherever_it_stood(gaps):
    values, in_order = VALUES.copy(), np.zeros(8)
    values[list(gaps)] = np.nan

    sort_first(values, 8, in_order)

    # numpy puts it last as well.
    assert np.array_equal(in_order, np.sort(values), equal_nan=True)


@pytest.mark.parametrize("count", range(1, 9))
def test_the_median_is_that_of_the_first_numbers_alone(count):
    assert median_of(VALUES, count, np.empty(8)) == np.median(VALUES[:count])
