"""Stream lines cut to the ground that is looked at."""

import numpy as np
import pandas as pd
import shapely

# Features that are named one by one in the list of repairs; more are counted.
NAMED = 100


def lines_within(lines, bounds):
    """The parts of lines within a rectangle.

    Parameters
    ----------
    lines : DataFrame
        As for `sitefinder.network.topology.build_network`.
    bounds : tuple of float
        West, south, east and north [m].

    Returns
    -------
    lines : DataFrame
        A row for each part within, with ``drawn_from_m``: where it begins along its feature [m]. Lines that lie
        within are the same objects.
    repairs : DataFrame
        Columns ``layer``, ``feature``, ``problem``, ``action``: what was left out.

    Notes
    -----
    Segments are clipped as Liang & Barsky (1984, ACM Transactions on Graphics 3:1-22) do.
    """
    geometry = np.asarray(lines["geometry"], dtype=object)
    rectangle = shapely.box(*bounds)
    shapely.prepare(rectangle)
    is_inside = shapely.covers(rectangle, geometry)
    if is_inside.all():
        return lines.assign(drawn_from_m=0.0), pd.DataFrame([], columns=["layer", "feature", "problem", "action"])
    is_beyond = shapely.disjoint(rectangle, geometry)
    ids = lines["feature_id"].to_numpy()
    rows, parts, from_m, repairs = [], [], [], []
    left_out = []
    for row in np.flatnonzero(~is_beyond).tolist():
        if is_inside[row]:
            rows.append(row)
            parts.append(geometry[row])
            from_m.append(0.0)
            continue
        found = _clipped(shapely.get_coordinates(geometry[row]), bounds)
        rest_km = (shapely.length(geometry[row]) - sum(shapely.length(part) for part, _ in found)) / 1000.0
        if not found:
            left_out.append(row)
        elif rest_km > 0.0:
            repairs.append(
                ("streams", ids[row], "runs far beyond the DEM", f"{rest_km:,.1f} km beyond its margin left out")
            )
        for part, start_m in found:
            rows.append(row)
            parts.append(part)
            from_m.append(start_m)
    left_out = np.sort(np.concatenate([np.flatnonzero(is_beyond), np.array(left_out, dtype=np.int64)]))
    for row in left_out[:NAMED].tolist():
        repairs.append(("streams", ids[row], "lies far beyond the DEM", "left out"))
    if len(left_out) > NAMED:
        repairs.append(("streams", "", f"{len(left_out) - NAMED} more lie far beyond the DEM", "left out"))
    kept = lines.iloc[rows].reset_index(drop=True)
    shapes = np.empty(len(parts), dtype=object)
    shapes[:] = parts
    kept = kept.assign(geometry=shapes, drawn_from_m=np.array(from_m, dtype=np.float64))
    return kept, pd.DataFrame(repairs, columns=["layer", "feature", "problem", "action"])


# Parts of a line within a rectangle, each with the distance along the line at which it begins.
def _clipped(vertices, bounds):
    first, step = vertices[:-1], np.diff(vertices, axis=0)
    enters, leaves = np.zeros(len(step)), np.ones(len(step))
    for axis, (lowest, highest) in enumerate(zip(bounds[:2], bounds[2:], strict=True)):
        low, high = lowest - first[:, axis], highest - first[:, axis]
        moves = step[:, axis] != 0.0
        to_low = np.divide(low, step[:, axis], out=np.full(len(step), -np.inf), where=moves)
        to_high = np.divide(high, step[:, axis], out=np.full(len(step), np.inf), where=moves)
        to_low[~moves & (low > 0.0)] = np.inf
        to_high[~moves & (high < 0.0)] = -np.inf
        enters = np.maximum(enters, np.minimum(to_low, to_high))
        leaves = np.minimum(leaves, np.maximum(to_low, to_high))
    length = np.hypot(*step.T)
    before = np.concatenate([[0.0], np.cumsum(length)])
    parts, last = [], None
    for segment in np.flatnonzero(enters < leaves).tolist():
        start = first[segment] + enters[segment] * step[segment]
        end = vertices[segment + 1] if leaves[segment] == 1.0 else first[segment] + leaves[segment] * step[segment]
        if last == segment - 1 and enters[segment] == 0.0:
            parts[-1][0].append(end)
        else:
            parts.append(([start, end], before[segment] + enters[segment] * length[segment]))
        last = segment
    drawn = [(shapely.LineString(places), from_m) for places, from_m in parts]
    return [(line, float(from_m)) for line, from_m in drawn if line.length > 0.0]
