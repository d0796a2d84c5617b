"""Kernels that put pieces of time into parts of equal length: against cumulated flow, read at the parts' ends."""

import numpy as np
import pytest

from sitefinder.hydrology.change import _bin_again
from sitefinder.hydrology.regime import _fill_days

SEEDS = range(3)
# Too short a time to change any sum, and yet a piece that has to go somewhere.
NEXT_TO_NOTHING = 1e-20


# Mean of each of this number of equal parts of the whole time, one piece after another.
def means_of_parts(time, value, parts):
    ends, water = np.append(0.0, np.cumsum(time)), np.append(0.0, np.cumsum(time * value))
    at = np.linspace(0.0, ends[-1], parts + 1)
    return np.diff(np.interp(at, ends, water)) / (ends[-1] / parts)


# Whole numbers fill parts exactly; the others leave something over by rounding, and one lasts next to no time.
def pieces(seed, count):
    random = np.random.default_rng(seed)
    whole = random.integers(0, 9, count) * 1.0
    whole[0] += -whole.sum() % 12
    return [
        whole,
        random.random(count) / count,
        np.append(random.random(count - 1), NEXT_TO_NOTHING),
        np.append(np.ones(count - 1), NEXT_TO_NOTHING),
    ]


@pytest.mark.parametrize("seed", SEEDS)
def test_flows_of_months_are_put_into_bins_of_equal_time(seed):
    random = np.random.default_rng(seed)
    for time in pieces(seed, 13):
        flow, month = np.sort(random.random(13))[::-1], random.integers(0, 12, 13)
        # What was in the buffer does not count; a second row without any time is a stream that is not known.
        curve, shares = np.full((2, 4), 7.0), np.zeros((2, 4, 12))

        _bin_again(np.array([flow, flow]), np.array([time, 0 * time]), np.array([month, month]), curve, shares)

        assert curve[0] == pytest.approx(means_of_parts(time, flow, 4), rel=1e-9)
        for number in range(12):
            assert shares[0, :, number] == pytest.approx(means_of_parts(time, month == number, 4), abs=1e-9)
        assert not curve[1].any()
        assert not shares[1].any()


@pytest.mark.parametrize("seed", SEEDS)
def test_the_time_of_a_month_is_cut_into_days_of_equal_length(seed):
    random = np.random.default_rng(seed)
    for time in pieces(seed, 6):
        # Months of one to four days; each has a time of its own, of which only the proportions count.
        lengths = 1 + np.arange(12) % 4
        values, shares = (
            random.random((2, 6)),
            np.array([np.outer(np.roll(time, k), 1.0 + np.arange(12)) for k in (0, 1)]),
        )
        shares[1, :, 5] = 0.0
        days = np.zeros((2, lengths.sum()))

        _fill_days(values, shares, lengths, days)

        for row in range(2):
            for month, first in enumerate(np.cumsum(lengths) - lengths):
                found = days[row, first : first + lengths[month]]
                if (row, month) == (1, 5):
                    assert np.isnan(found).all()
                else:
                    expected = means_of_parts(shares[row, :, month], values[row], lengths[month])
                    assert found == pytest.approx(expected, rel=1e-9)
