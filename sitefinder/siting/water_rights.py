"""Existing water rights that a site touches: at its intake, in its depleted reach or pond, and below it."""

import numpy as np
import pandas as pd
import shapely

from sitefinder.network.ordering import upstream_neighbours
from sitefinder.schema import is_scheme_that
from sitefinder.siting.passed import to_outlet_m
from sitefinder.vocabulary import RIGHT_AT_INTAKE, RIGHT_BELOW, RIGHT_IN_DEPLETED, RIGHT_IN_POND, RIGHT_ON_STRETCH


def place_rights(shapes, segments, snap_m):
    """Where on the streams rights take or bring water.

    Parameters
    ----------
    shapes : ndarray of geometry, shape (r,)
        Points or areas.
    segments : DataFrame
        Columns ``station`` and ``geometry``.
    snap_m : float
        Maximum distance from a stream [m].

    Returns
    -------
    station : ndarray of int64, shape (r,)
        Of the nearest segment, of several the one farthest up; -1 where no stream is near.
    share_above : ndarray of float64, shape (r,)
        Share of that segment's length that lies above the place; 0 where there is none.
    """
    lines, stations = np.asarray(segments["geometry"], dtype=object), segments["station"].to_numpy()
    right, line = shapely.STRtree(lines).query_nearest(shapes, max_distance=snap_m, all_matches=True)
    order = np.lexsort([stations[line], right])
    right, first = np.unique(right[order], return_index=True)
    line = line[order][first]
    found, share_above = np.full(len(shapes), -1, dtype=np.int64), np.zeros(len(shapes))
    found[right] = stations[line]
    on_line = shapely.get_point(shapely.shortest_line(lines[line], shapes[right]), 0)
    share_above[right] = shapely.line_locate_point(lines[line], on_line, normalized=True)
    return found, share_above


def rights_at_sites(stretches, candidates, stations, station, share_above, downstream_m):
    """The rights that sites touch.

    Parameters
    ----------
    stretches : sitefinder.siting.candidates.Stretches
    candidates : ndarray of int, shape (k,)
        Their numbers.
    stations : DataFrame
        Columns ``downstream``, ``to_downstream_m`` and ``segment_length_m``.
    station : ndarray of int, shape (r,)
        Station at whose segment each right takes or brings water, -1 for none.
    share_above : ndarray of float64, shape (r,)
        Share of that segment's length that lies above it.
    downstream_m : float
        Distance below the tailrace within which rights are listed [m].

    Returns
    -------
    DataFrame
        ``site`` (place in `candidates`), ``right`` (its row), ``relation`` (of
        `sitefinder.vocabulary.RIGHT_RELATIONS`) and ``distance_m`` downstream from the intake [m], below zero
        above it; by site and distance.

    Notes
    -----
    A right is at the intake where it lies on the segment right above it, which the intake ends. Between intake and
    tailrace it is in the depleted reach of a diversion; a plant at a weir leaves no such reach. What a plant takes
    it gives back at the tailrace, so that a right below is touched by the way it runs alone.
    """
    downstream = stations["downstream"].to_numpy().astype(np.int32)
    segment_m, step_m = (stations[name].to_numpy(np.float64) for name in ("segment_length_m", "to_downstream_m"))
    way_m = to_outlet_m(downstream, step_m)
    first, joining = upstream_neighbours(downstream)
    kind = stretches.table["scheme_type"]
    diverts, builds = is_scheme_that(kind, "diverts"), is_scheme_that(kind, "builds_barrier")
    placed = np.flatnonzero(station >= 0)
    at = {}
    for right in placed.tolist():
        at.setdefault(int(station[right]), []).append(right)
    right_m = np.full(len(station), np.nan)
    right_m[placed] = way_m[station[placed]] + (1.0 - share_above[placed]) * segment_m[station[placed]]
    rows = []
    for place, number in enumerate(np.asarray(candidates, dtype=np.int64).tolist() if at else []):
        intake, tailrace = (int(stretches.table[end].iloc[number]) for end in ("intake", "tailrace"))
        begin, pond, end = stretches.start[number], stretches.pond_start[number], stretches.start[number + 1]
        path, ponded = stretches.taken[begin:pond].tolist(), stretches.taken[pond:end].tolist()
        own = RIGHT_IN_DEPLETED if diverts[number] else RIGHT_IN_POND if builds[number] else RIGHT_ON_STRETCH
        of = {each: own.name for each in path} | {each: RIGHT_IN_POND.name for each in ponded}
        for each in _segments_ending_at(intake, segment_m, first, joining, step_m):
            of.setdefault(each, RIGHT_AT_INTAKE.name)
        below = int(downstream[tailrace])
        while below >= 0 and way_m[tailrace] - (way_m[below] + segment_m[below]) <= downstream_m:
            of.setdefault(below, RIGHT_BELOW.name)
            below = int(downstream[below])
        for each, relation in of.items():
            for right in at.get(each, ()):
                distance_m = way_m[intake] - right_m[right]
                if relation != RIGHT_BELOW.name or way_m[tailrace] - right_m[right] <= downstream_m:
                    rows.append((place, right, relation, distance_m))
    table = pd.DataFrame(rows, columns=["site", "right", "relation", "distance_m"])
    return table.sort_values(["site", "distance_m", "right"], kind="stable", ignore_index=True)


# Stations whose segments end at a place: its own, and those that join it there without any length between.
def _segments_ending_at(station, segment_m, first, joining, step_m):
    found, stack = [], [station]
    while stack:
        each = stack.pop()
        if segment_m[each] > 0:
            found.append(each)
        else:
            stack += [above for above in joining[first[each] : first[each + 1]].tolist() if step_m[above] == 0]
    return found
