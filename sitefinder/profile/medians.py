"""Medians of a few numbers in kernels, by insertion: numpy's sorting would take seconds to compile."""

from math import isnan

from sitefinder.compiled import part


@part
def sort_first(values, count, in_order):
    """Write the first numbers of an array in rising order into another, NaN last.

    Parameters
    ----------
    values : ndarray of float64
    count : int
        How many of them.
    in_order : ndarray of float64
        Filled so far.
    """
    for number in range(count):
        value, place = values[number], number
        while place > 0 and (value < in_order[place - 1] or (isnan(in_order[place - 1]) and not isnan(value))):
            in_order[place] = in_order[place - 1]
            place -= 1
        in_order[place] = value


@part
def median_of(values, count, in_order):
    """Median of the first numbers of an array, at least one; the last argument is filled as by `sort_first`.

    Examples
    --------
    >>> import numpy as np
    >>> median_of(np.array([3.0, 1.0, 2.0, 9.0]), 3, np.empty(4)).item()
    2.0
    """
    sort_first(values, count, in_order)
    half = count // 2
    if count % 2 == 0:
        return (in_order[half - 1] + in_order[half]) / 2
    return in_order[half]
