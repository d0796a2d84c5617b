"""Orders and lengths on a network of links: Strahler, Shreve, upstream length and the main stem."""

from typing import NamedTuple

import numpy as np


class LinkOrders(NamedTuple):
    """Per link: ``strahler`` and ``shreve`` (int32), ``upstream_length_m`` with the link's own length,
    ``longest_path_m`` from the farthest source to the link's end, ``main_upstream`` the link that the
    main stem comes from (-1 at a source)."""

    strahler: np.ndarray
    shreve: np.ndarray
    upstream_length_m: np.ndarray
    longest_path_m: np.ndarray
    main_upstream: np.ndarray


def link_orders(downstream_link, length_m, *, counts=None):
    """Strahler order, Shreve magnitude and lengths of links.

    Parameters
    ----------
    downstream_link : ndarray of int, shape (n,)
        The next link downstream, always of a higher number, or -1 at an outlet.
    length_m : ndarray of float, shape (n,)
        Length of each link [m].
    counts : ndarray of bool, shape (n,), optional
        False for links that carry nothing on to the next one's order (the side arm of a divergence).

    Returns
    -------
    LinkOrders

    Raises
    ------
    ValueError
        If a link flows into one of a lower number.

    Notes
    -----
    A source has order 1; a link below several takes the greatest of theirs, and one more where two or more
    share that greatest (Strahler 1957, Trans. AGU 38:913-920). Shreve's magnitude is the number of sources
    upstream (Shreve 1966, J. Geology 74:17-37). The main stem follows the longest path from a source; a tie
    goes to the link of the lower number.

    Examples
    --------
    Two sources meet:

    >>> link_orders(np.array([2, 2, -1]), np.array([3.0, 1.0, 1.0])).strahler.tolist()
    [1, 1, 2]
    """
    downstream_link = np.asarray(downstream_link)
    count = len(downstream_link)
    if ((downstream_link >= 0) & (downstream_link <= np.arange(count))).any():
        raise ValueError("links must be numbered from the sources down")
    counts = np.ones(count, dtype=bool) if counts is None else np.asarray(counts, dtype=bool)
    strahler = np.zeros(count, dtype=np.int32)
    ties = np.zeros(count, dtype=np.int32)
    shreve = np.zeros(count, dtype=np.int32)
    total = np.asarray(length_m, dtype=np.float64).copy()
    longest_above = np.zeros(count)
    main_upstream = np.full(count, -1, dtype=np.int32)
    for link in range(count):  # from the sources down
        if strahler[link] == 0:
            strahler[link] = shreve[link] = 1
        elif ties[link] > 1:
            strahler[link] += 1
        below = downstream_link[link]
        if below < 0:
            continue
        total[below] += total[link]
        path = longest_above[link] + length_m[link]
        if main_upstream[below] < 0 or path > longest_above[below]:
            longest_above[below], main_upstream[below] = path, link
        if not counts[link]:
            continue
        shreve[below] += shreve[link]
        if strahler[link] > strahler[below]:
            strahler[below], ties[below] = strahler[link], 1
        elif strahler[link] == strahler[below]:
            ties[below] += 1
    return LinkOrders(strahler, shreve, total, longest_above + np.asarray(length_m), main_upstream)
