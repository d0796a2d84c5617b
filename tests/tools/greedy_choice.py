"""A set that takes the best candidate that is left, again and again, under the same rules as the choice."""

import math

import numpy as np

from sitefinder.schema import is_scheme_that
from sitefinder.siting.limits import with_free_flow


def best_and_greedy(stretches, offers, stations, min_free_flowing_m):
    """Value of the chosen set, and of one that takes the best candidate that is left, again and again.

    Parameters
    ----------
    stretches : sitefinder.siting.candidates.Stretches
    offers : sitefinder.siting.selection.Offers
    stations : DataFrame
    min_free_flowing_m : float
        Minimum free-flowing length of stream between plants [m].

    Returns
    -------
    tuple of float
    """
    value = np.where(offers.ladder[-1][1], offers.valued["net_annual_value"], 0.0)
    table, in_piece = stretches.table, np.diff(stretches.start)
    is_ponded = np.arange(len(stretches.taken)) >= np.repeat(stretches.pond_start, in_piece)
    ponds = np.append(0, np.cumsum(stretches.start[1:] - stretches.pond_start)), stretches.taken[is_ponded]
    builds = ~is_scheme_that(table["scheme_type"], "uses_structure")
    ways = stations["downstream"].to_numpy().astype(np.int32), stations["to_downstream_m"].to_numpy()
    # Ponds, and the stream above an intake or a pond that is to flow freely.
    start, above = with_free_flow(*ways, table["intake"].to_numpy(), *ponds, builds, min_free_flowing_m)
    taken, zone, picked = np.zeros(len(stations), dtype=bool), np.zeros(len(stations), dtype=bool), []
    for number in np.argsort(-value, kind="stable"):
        own = stretches.taken[stretches.start[number] : stretches.start[number + 1]]
        free = above[start[number] : start[number + 1]]
        if value[number] > 0 and not (taken[own] | zone[own]).any() and not taken[free].any():
            taken[own], zone[free] = True, True
            picked.append(number)
    # Summed exactly, since the order of the sites differs.
    return math.fsum(value[offers.chosen]), math.fsum(value[picked])
