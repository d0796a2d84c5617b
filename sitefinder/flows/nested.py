"""Gauges on one another's streams: they tell the same water twice."""

import numpy as np

# Two gauges are taken as nested where their distance over the square root of their mean area is at most 0.5 and
# their areas are within a factor of five: the screen for redundant gauges of Gruber & Stedinger (2008) and
# Veilleux (2009), from memory. Theirs measures between centroids; gauges are all we have.
MOST_STANDARD_DISTANCE = 0.5
MOST_AREA_RATIO = 5.0


def nested_by_place(area_km2, places_km):
    """Pairs of gauges that are so near each other, for their size, that one likely lies in the other's catchment.

    Parameters
    ----------
    area_km2 : ndarray, shape (n,)
    places_km : ndarray, shape (n, d)

    Returns
    -------
    list of (int, int)
        Rows, the lower first.

    Examples
    --------
    >>> nested_by_place(np.array([100.0, 120.0, 100.0]), np.array([[0.0, 0.0], [3.0, 0.0], [40.0, 0.0]]))
    [(0, 1)]
    """
    first, second = np.triu_indices(len(area_km2), 1)
    distance = np.linalg.norm(places_km[first] - places_km[second], axis=1)
    one, other = area_km2[first], area_km2[second]
    with np.errstate(invalid="ignore", divide="ignore"):
        near = distance <= MOST_STANDARD_DISTANCE * np.sqrt((one + other) / 2)
        alike = np.maximum(one, other) <= MOST_AREA_RATIO * np.minimum(one, other)
    return list(zip(first[near & alike].tolist(), second[near & alike].tolist(), strict=True))


def nested_by_chain(ids, downstream):
    """Pairs of gauges of which one drains to the other, by the next gauge downstream of each.

    Parameters
    ----------
    ids, downstream : sequence of str
        Empty text where there is no gauge downstream; an id that is not in `ids` ends the chain.

    Returns
    -------
    list of (int, int)
        Rows, upstream first.

    Examples
    --------
    >>> nested_by_chain(["a", "b", "c"], ["b", "c", ""])
    [(0, 1), (0, 2), (1, 2)]
    """
    row_of = {name: row for row, name in enumerate(ids)}
    pairs = []
    for row in range(len(ids)):
        seen, below = {row}, row_of.get(downstream[row])
        # Down the chain; a circle ends where it meets itself.
        while below is not None and below not in seen:
            pairs.append((row, below))
            seen.add(below)
            below = row_of.get(downstream[below])
    return pairs
