"""Stream above an intake that other sites must leave free, measured along the flow."""

import numpy as np

from sitefinder.compiled import kernel
from sitefinder.streams.tree import upstream_neighbours


def with_spacing(downstream, to_downstream_m, intake, pond_start, pond, spacing_m):
    """Ponds, and the stations in which no other site may end, for `boundary_of_path` and `blocked_by`.

    Parameters
    ----------
    downstream : ndarray of int32, shape (n,)
        Number of the next station downstream, -1 at an outlet; always greater than the station's own.
    to_downstream_m : ndarray of float64, shape (n,)
        Distance to it [m].
    intake : ndarray of int32, shape (m,)
        Upper station of each candidate.
    pond_start : ndarray of int64, shape (m + 1,)
        Where each candidate's stations begin in `pond`.
    pond : ndarray of int32
        Stations that each candidate's pond takes.
    spacing_m : float
        Least way from a tailrace down to the next intake [m].

    Returns
    -------
    start : ndarray of int64, shape (m + 1,)
    stations : ndarray of int32
        A station may stand twice with a candidate.

    Notes
    -----
    A site may end so far above the intake of another, or further; nearer it would end in a station that the other
    takes. Only stream above an intake is taken so: of two candidates whose ends are far enough apart none reaches
    into what the other takes, since all that lies above an intake within the spacing drains to it, and the best
    set is that of all sets whose sites keep the spacing. Water that joins below an intake is no matter.
    """
    if spacing_m <= 0:
        return pond_start, pond
    first, upstream = upstream_neighbours(downstream)
    counts = np.zeros(len(intake) + 1, dtype=np.int64)
    arguments = (np.asarray(to_downstream_m, dtype=np.float64), intake, first, upstream, float(spacing_m))
    _fill_zones(*arguments, counts, np.empty(0, dtype=np.int32), False)
    start = np.cumsum(counts)
    zone = np.empty(start[-1], dtype=np.int32)
    _fill_zones(*arguments, start, zone, True)
    owner = np.repeat(np.arange(len(intake)), np.diff(pond_start))
    zone_owner = np.repeat(np.arange(len(intake)), np.diff(start))
    order = np.argsort(np.concatenate([owner, zone_owner]), kind="stable")
    return pond_start + start, np.concatenate([pond, zone])[order].astype(np.int32)


# Counts each candidate's stations into start[c + 1], or with `is_filling` writes them from start[c].
@kernel(fills=("start", "zone"))
def _fill_zones(step_m, intake, first, upstream, spacing_m, start, zone, is_filling):
    stack = np.empty(len(step_m), dtype=np.int32)
    way_m = np.zeros(len(step_m))
    for c in range(len(intake)):
        stack[0], way_m[intake[c]], depth = intake[c], 0.0, 1
        found = 0
        while depth > 0:
            depth -= 1
            station = stack[depth]
            if is_filling:
                zone[start[c] + found] = station
            found += 1
            for place in range(first[station], first[station + 1]):
                above = upstream[place]
                way_m[above] = way_m[station] + step_m[above]
                # A hair's breadth, so that a way of just the spacing is not too short by rounding.
                if way_m[above] < spacing_m * (1.0 - 1e-9):
                    stack[depth] = above
                    depth += 1
        if not is_filling:
            start[c + 1] = found
