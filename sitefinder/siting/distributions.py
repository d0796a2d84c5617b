"""How an amount is spread over reaches or sites: numbers and lengths by classes that everything can share."""

import math

import numpy as np
import pandas as pd

# Own choice: three classes to a factor of ten, and no more of them than a diagram shows.
STEPS = (1.0, 2.0, 5.0)
MOST_CLASSES = 12


def class_edges(values):
    """Borders of classes for amounts: 0, and then 1, 2 and 5 times powers of ten.

    Parameters
    ----------
    values : array_like of float64
        Not negative; what is not known (NaN) has no say.

    Returns
    -------
    ndarray of float64
        The first is 0 and the last above all values; at most `MOST_CLASSES` classes. Empty without a value.

    Examples
    --------
    >>> class_edges([0.0, 0.7, 3.0, 20.0]).tolist()
    [0.0, 1.0, 2.0, 5.0, 10.0, 20.0, 50.0]
    >>> class_edges([0.0]).tolist()
    [0.0, 1.0]
    """
    known = np.asarray(values, dtype=np.float64)
    known = known[np.isfinite(known)]
    if not len(known):
        return np.zeros(0)
    above = known[known > 0]
    if not len(above):
        return np.array([0.0, 1.0])
    decades = range(math.floor(math.log10(above.min())) - 1, math.floor(math.log10(above.max())) + 2)
    # Read from text, so that 0.2 is the nearest number to 0.2 and not a product.
    ladder = np.array([float(f"{step:g}e{decade}") for decade in decades for step in STEPS])
    last = np.searchsorted(ladder, above.max(), side="right")
    first = max(np.searchsorted(ladder, above.min(), side="right"), last - MOST_CLASSES + 1)
    return np.concatenate([[0.0], ladder[min(first, last) : last + 1]])


def distribution(values, length_m, edges):
    """Number and length of what falls into each class.

    Parameters
    ----------
    values, length_m : ndarray of float64, shape (n,)
        Amounts, and the length of stream of each [m]. Amounts that are not known (NaN) are left out.
    edges : ndarray of float64
        Of `class_edges`.

    Returns
    -------
    DataFrame
        ``bin`` (from 1), ``from_value`` (in the class), ``to_value`` (no longer in it), ``number`` and
        ``length_m``; a row a class, those without anything included.
    """
    values, length_m = np.asarray(values, dtype=np.float64), np.asarray(length_m, dtype=np.float64)
    known = np.isfinite(values)
    place = np.searchsorted(edges, values[known], side="right") - 1
    classes = max(len(edges) - 1, 0)
    return pd.DataFrame(
        {
            "bin": np.arange(1, classes + 1),
            "from_value": edges[:-1],
            "to_value": edges[1:],
            "number": np.bincount(place, minlength=classes),
            "length_m": np.bincount(place, weights=length_m[known], minlength=classes),
        }
    )
