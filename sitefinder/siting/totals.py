"""Totals in whole numbers: rounded once, shared without a rest, and the same however they are grouped."""

import numpy as np


def whole(values):
    """Amounts as whole numbers, a half rounded up.

    Parameters
    ----------
    values : array_like of float64, shape (n,)
        Not negative, in the unit that is to be whole; what is not known (NaN) counts as nothing.

    Returns
    -------
    ndarray of int64, shape (n,)

    Examples
    --------
    >>> whole([0.49, 0.5, 12.0, np.nan]).tolist()
    [0, 1, 12, 0]
    """
    return np.floor(np.nan_to_num(np.asarray(values, dtype=np.float64)) + 0.5).astype(np.int64)


def shared(amounts, owner, weights):
    """Whole amounts cut into whole pieces that add up to them, by the method of the largest remainder.

    Parameters
    ----------
    amounts : ndarray of int64, shape (n,)
        What is to be shared.
    owner : ndarray of int64, shape (m,)
        Which amount each piece is of.
    weights : ndarray of float64, shape (m,)
        Share of each piece, above 0; those of one amount need not add up to 1.

    Returns
    -------
    ndarray of int64, shape (m,)
        Each piece is its exact share rounded down or up. Of equal remainders the earlier piece is rounded up.

    Notes
    -----
    The method is Hamilton's of apportionment [1]_: every piece is rounded down, and what is left over goes, one
    each, to those with the largest remainders.

    References
    ----------
    .. [1] M. L. Balinski and H. P. Young, "Fair Representation: Meeting the Ideal of One Man, One Vote," Yale
       University Press, 1982 (from memory).

    Examples
    --------
    Ten metres by thirds, and seven metres in one piece:

    >>> shared(np.array([10, 7]), np.array([0, 0, 0, 1]), np.array([1.0, 1.0, 1.0, 5.0])).tolist()
    [4, 3, 3, 7]
    """
    together = np.bincount(owner, weights=weights, minlength=len(amounts))
    exact = amounts[owner] * (weights / together[owner])
    pieces = np.floor(exact).astype(np.int64)
    left = amounts - np.bincount(owner, weights=pieces, minlength=len(amounts)).astype(np.int64)
    order = np.lexsort((np.arange(len(owner)), pieces - exact, owner))
    first = np.searchsorted(owner[order], owner[order])
    place = np.arange(len(owner)) - first
    pieces[order] += place < left[owner[order]]
    return pieces
