"""Orders and lengths on a network of links: Strahler, Shreve, upstream length and the main stem."""

from typing import NamedTuple

import numpy as np

from sitefinder.streams.upstream import distinct_sums


class LinkOrders(NamedTuple):
    """Per link: ``strahler`` and ``shreve`` (int32), ``upstream_length_m`` of all that lies upstream and the link
    itself, ``longest_path_m`` from the farthest source down the main ways to the link's end, ``main_upstream`` the
    link that the main stem comes from (-1 at a source), ``is_main_stem`` True on the main stem of each outlet."""

    strahler: np.ndarray
    shreve: np.ndarray
    upstream_length_m: np.ndarray
    longest_path_m: np.ndarray
    main_upstream: np.ndarray
    is_main_stem: np.ndarray


def link_orders(downstream_link, length_m, *, leaves_link=None, counts=None):
    """Strahler order, Shreve magnitude and lengths of links.

    Parameters
    ----------
    downstream_link : ndarray of int, shape (n,)
        The next link downstream, always of a higher number, or -1 at an outlet.
    length_m : ndarray of float, shape (n,)
        Length of each link [m].
    leaves_link : ndarray of int, shape (n,), optional
        For the first link of a side arm, the link that it leaves, of a lower number; else -1.
    counts : ndarray of bool, shape (n,), optional
        False for links that begin no stream, though nothing flows into them: side arms, canals.

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

    A side arm has the order of the stream that it leaves, and raises the order of nothing that it flows into;
    below a tributary of its own it has the order that its tributaries alone give (the rule of NHDPlus version 2
    for its stream order and stream calculator). A canal that begins a line has order 1 and raises nothing.
    Magnitude and upstream length count everything upstream once, by whatever arm the water comes.

    Examples
    --------
    Two sources meet:

    >>> link_orders(np.array([2, 2, -1]), np.array([3.0, 1.0, 1.0])).strahler.tolist()
    [1, 1, 2]
    """
    downstream_link = np.asarray(downstream_link)
    length_m = np.asarray(length_m, dtype=np.float64)
    count = len(downstream_link)
    if ((downstream_link >= 0) & (downstream_link <= np.arange(count))).any():
        raise ValueError("links must be numbered from the sources down")
    leaves_link = np.full(count, -1) if leaves_link is None else np.asarray(leaves_link)
    counts = np.ones(count, dtype=bool) if counts is None else np.asarray(counts, dtype=bool)
    strahler, is_source = _strahler(downstream_link, leaves_link, counts)
    longest_above = np.zeros(count)
    main_upstream = np.full(count, -1, dtype=np.int32)
    for link in range(count):  # from the sources down
        below = downstream_link[link]
        path = longest_above[link] + length_m[link]
        if below >= 0 and (main_upstream[below] < 0 or path > longest_above[below]):
            longest_above[below], main_upstream[below] = path, link
    is_main_stem = downstream_link < 0
    for link in range(count - 1, -1, -1):  # from the outlets up
        if is_main_stem[link] and main_upstream[link] >= 0:
            is_main_stem[main_upstream[link]] = True
    sources = distinct_sums(is_source.astype(np.int64), downstream_link, leaves_link)
    return LinkOrders(
        strahler,
        np.maximum(sources, 1).astype(np.int32),
        distinct_sums(length_m, downstream_link, leaves_link),
        longest_above + length_m,
        main_upstream,
        is_main_stem,
    )


# Strahler order of each link, and which links are sources that count.
def _strahler(downstream_link, leaves_link, counts):
    count = len(downstream_link)
    order = np.zeros(count, dtype=np.int32)
    is_source = np.zeros(count, dtype=bool)
    # Greatest order that arrives and raises others, how often, and the greatest that arrives at all.
    raising, ties, arriving = (np.zeros(count, dtype=np.int32) for _ in range(3))
    for link in range(count):  # from the sources down
        own = raising[link] + (ties[link] > 1)
        left = leaves_link[link]
        if left >= 0:
            beside = downstream_link[left]
            at_parting = raising[beside] + (ties[beside] > 1)
            order[link] = at_parting if at_parting > 0 else max(1, arriving[beside])
        elif own > 0:
            order[link] = own
        elif arriving[link] > 0:
            order[link] = arriving[link]
        else:
            order[link] = 1
            is_source[link] = counts[link]
            own = int(counts[link])
        below = downstream_link[link]
        if below < 0:
            continue
        arriving[below] = max(arriving[below], order[link])
        if own > raising[below]:
            raising[below], ties[below] = own, 1
        elif own == raising[below] and own > 0:
            ties[below] += 1
    return order, is_source
