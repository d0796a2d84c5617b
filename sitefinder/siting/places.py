"""Lines of two networks found to be the same by where they lie, whatever their ids."""

from typing import NamedTuple

import numpy as np
import shapely

# Own choices: lines drawn twice from the same stream lie so near each other, and share so much of their length.
NEAR_M = 20.0
LEAST_SHARE = 0.5


class Pairs(NamedTuple):
    """Rows of the old and of the new lines that belong together, and the share of their length that they share."""

    old: np.ndarray
    new: np.ndarray
    share: np.ndarray


def shared(old, new, near_m=NEAR_M):
    """Share of two lines' length that lies near the other line.

    Parameters
    ----------
    old, new : array of LineString, shape (n,)
        Pairs [m].
    near_m : float
        Farthest from a line that counts as on it [m].

    Returns
    -------
    ndarray of float64, shape (n,)
        From 0 to 1: of both lengths together. A line is not prolonged beyond its ends, so that the next piece of
        the same stream shares nothing.

    Examples
    --------
    >>> line, half = shapely.LineString([(0, 0), (100, 0)]), shapely.LineString([(50, 5), (100, 5)])
    >>> shared([line, line], [half, line]).round(3).tolist()
    [0.667, 1.0]
    """
    old, new = np.asarray(old, dtype=object), np.asarray(new, dtype=object)
    result = np.ones(len(old))
    apart = ~shapely.equals_exact(old, new, 0.0)
    a, b = old[apart], new[apart]
    common = shapely.length(shapely.intersection(a, along(b, near_m)))
    common += shapely.length(shapely.intersection(b, along(a, near_m)))
    both = shapely.length(a) + shapely.length(b)
    result[apart] = np.divide(common, both, out=np.zeros(len(both)), where=both > 0)
    return result


def along(lines, near_m):
    """The ground within a distance of each line, cut square at its ends."""
    return shapely.buffer(lines, near_m, cap_style="flat", join_style="mitre")


def pairs_by_place(old, new, near_m=NEAR_M, least_share=LEAST_SHARE, alike=None):
    """Lines that lie on each other, each with one at most.

    Parameters
    ----------
    old, new : array of LineString, shapes (n,) and (m,)
        In the same coordinates [m].
    near_m : float
        See `shared`.
    least_share : float
        Least share of their length that two lines have in common to be taken for the same.
    alike : callable, optional
        Given rows of both, which of these pairs may be the same at all.

    Returns
    -------
    Pairs
        In the order of the old rows. Where several would do, those that share most are taken first, then those of
        the earlier rows.
    """
    old, new = np.asarray(old, dtype=object), np.asarray(new, dtype=object)
    none = np.zeros(0, dtype=np.int64)
    if not (len(old) and len(new)):
        return Pairs(none, none, np.zeros(0))
    i, j = shapely.STRtree(new).query(old, predicate="dwithin", distance=near_m)
    if alike is not None:
        may = alike(i, j)
        i, j = i[may], j[may]
    share = shared(old[i], new[j], near_m)
    enough = share >= least_share
    i, j, share = i[enough], j[enough], share[enough]
    taken_old, taken_new, kept = set(), set(), []
    for row in np.lexsort((j, i, -share)).tolist():
        if i[row] not in taken_old and j[row] not in taken_new:
            taken_old.add(i[row])
            taken_new.add(j[row])
            kept.append(row)
    kept = np.array(kept, dtype=np.int64)
    kept = kept[np.argsort(i[kept], kind="stable")]
    return Pairs(i[kept].astype(np.int64), j[kept].astype(np.int64), share[kept])
