"""Parts of a graph that hang together."""

import numpy as np


def components(start, end, count, *, strong=False):
    """The connected part of a graph that each node belongs to.

    Parameters
    ----------
    start, end : ndarray of int, shape (n,)
        Nodes that each edge leads from and to.
    count : int
        Of nodes.
    strong : bool
        Whether ways must lead there and back along the edges; otherwise their direction does not matter.

    Returns
    -------
    parts : int
    of_node : ndarray of int32, shape (count,)
        Numbers of the parts from 0.
    """
    # Large, and only a new network needs it.
    from scipy.sparse import coo_array  # noqa: PLC0415
    from scipy.sparse.csgraph import connected_components  # noqa: PLC0415

    graph = coo_array((np.ones(len(start)), (start, end)), shape=(count, count))
    return connected_components(graph, directed=strong, connection="strong" if strong else "weak")
