"""Streams with implausible geometry, or too close for the DEM to separate: listed, not repaired."""

import numpy as np
import pandas as pd
import shapely

from sitefinder.network.ordering import beside_arms
from sitefinder.network.stations import place_names
from sitefinder.network.topology import REPAIR_COLUMNS

# Cells that two streams must share before it is more than the corner of a confluence.
MIN_SHARED_CELLS = 2
# Streams nearer than this run side by side [cells], where they do so over more than that length [cells].
BESIDE_CELLS, MIN_BESIDE_CELLS = 1.5, 4.0
# Share of a ridge's height that must be above the fitted profile, so that a pit upstream makes no ridge of a
# plain.
MIN_RESIDUAL = 0.5


def list_shared_cells(shared, stations, network):
    """Cells in which one stream lost its ground to another that it does not meet there.

    Parameters
    ----------
    shared : DataFrame
        See `sitefinder.dem.stream_cells.StreamCells`.
    stations : DataFrame
        See `sitefinder.network.stations.Stationing`.
    network : Network

    Returns
    -------
    DataFrame
        As the repairs of a layer.
    """
    apart = shared[~shared["is_sibling"].to_numpy(dtype=bool)]
    apart = apart[~_are_neighbours(apart["link"].to_numpy(), apart["other_link"].to_numpy(), network.links)]
    winner, loser = (_features(apart[name].to_numpy(), stations, network) for name in ("label", "other_label"))
    counts = pd.DataFrame({"loser": loser, "winner": winner}).groupby(["loser", "winner"]).size()
    return _rows(
        (loser, "shares cells with another stream", f"{count} cells drain to {winner}")
        for (loser, winner), count in counts.items()
        if count >= MIN_SHARED_CELLS
    )


def list_close_streams(segments, stations, network, cell_m):
    """Streams that run side by side, so close that the DEM cannot separate their catchments.

    Parameters
    ----------
    segments, stations : DataFrame
        See `sitefinder.network.stations.Stationing`.
    network : Network
    cell_m : float
        Cell of the DEM [m].

    Returns
    -------
    DataFrame
        As the repairs of a layer; each pair of features once.
    """
    lines = np.asarray(segments["geometry"], dtype=object)
    link, station = segments["link"].to_numpy(), segments["station"].to_numpy()
    middles = shapely.line_interpolate_point(lines, 0.5, normalized=True)
    one, other = shapely.STRtree(lines).query(middles, predicate="dwithin", distance=BESIDE_CELLS * cell_m)
    apart = (link[one] != link[other]) & ~_are_neighbours(link[one], link[other], network.links)
    pairs = pd.DataFrame({"segment": one[apart], "link": link[one[apart]], "other": link[other[apart]]})
    pairs = pairs.drop_duplicates(["segment", "other"])
    pairs["length_m"] = shapely.length(lines[pairs["segment"].to_numpy()])
    pairs["station"] = station[pairs["segment"].to_numpy()]
    found = []
    for (this_link, other_link), rows in pairs.groupby(["link", "other"]):
        if rows["length_m"].sum() < MIN_BESIDE_CELLS * cell_m or (other_link, this_link) in {
            pair[:2] for pair in found
        }:
            continue
        name = _features(rows["station"].to_numpy(), stations, network)[0]
        beside_feature = network.parts["feature_id"].to_numpy()[np.searchsorted(network.parts["link"], other_link)]
        found.append(
            (this_link, other_link, name, f"kept; {rows['length_m'].sum():.0f} m beside {beside_feature}")
        )
    return _rows((name, "runs beside another stream", action) for _, _, name, action in found)


def list_crossings(network):
    """Links that cross each other without meeting.

    Returns
    -------
    DataFrame
        As the repairs of a layer.
    """
    lines = network.links["geometry"].to_numpy()
    one, other = shapely.STRtree(lines).query(lines, predicate="crosses")
    first = network.parts.groupby("link")["feature_id"].first()
    return _rows(
        (first[this_link], "crosses another stream without meeting it", f"kept apart from {first[other_link]}")
        for this_link, other_link in sorted(zip(one.tolist(), other.tolist(), strict=True))
        if this_link < other_link
    )


def list_ridges(raw_m, profile_m, stations, network, limit_m):
    """Places where a stream as drawn climbs over a ridge.

    Parameters
    ----------
    raw_m : ndarray of float64, shape (n,)
        Ground at the channel of each station [m], NaN where unknown.
    profile_m : ndarray of float64, shape (n,)
        Fitted long profile [m].
    stations : DataFrame
        See `sitefinder.network.stations.Stationing`.
    network : Network
    limit_m : float
        Minimum height of a ridge [m].

    Returns
    -------
    DataFrame
        As the repairs of a layer; one row for each feature, at its highest ridge.

    Notes
    -----
    The height at a station is how far its ground is both above the lowest one upstream of it along the main
    stem, and above the lowest one downstream. On a ridge it is higher than the limit, and the ground is above
    the fitted profile by half of the limit too.
    """
    link, downstream = stations["link"].to_numpy(), stations["downstream"].to_numpy()
    height_m = _ridge_heights(raw_m, link, downstream, network.links["main_upstream"].to_numpy())
    on_ridge = (height_m > limit_m) & (raw_m - profile_m > MIN_RESIDUAL * limit_m)
    other_link = np.flatnonzero(on_ridge)
    places = place_names(network.parts, link[other_link], stations["distance_m"].to_numpy()[other_link])
    places["height_m"] = height_m[other_link]
    highest = places.sort_values("height_m", ascending=False, kind="stable").drop_duplicates("feature_id")
    return _rows(
        (
            place.feature_id,
            "drawn over a ridge",
            f"kept; at {place.feature_m:.0f} m it stands {place.height_m:.1f} m above what is up- and downstream",
        )
        for place in highest.sort_index().itertuples()
    )


# Height of each station above the lowest ground on its main stem upstream and on its path downstream [m].
def _ridge_heights(raw_m, link, downstream, main_upstream):
    count = len(raw_m)
    last = np.searchsorted(link, np.arange(len(main_upstream)), side="right") - 1
    lowest_above, lowest_below = raw_m.copy(), raw_m.copy()
    for station in range(count):  # from the sources down
        if station and link[station - 1] == link[station]:
            before = station - 1
        else:
            before = last[main_upstream[link[station]]] if main_upstream[link[station]] >= 0 else station
        lowest_above[station] = np.fmin(lowest_above[station], lowest_above[before])
    for station in reversed(range(count)):  # from the outlets up
        if downstream[station] >= 0:
            lowest_below[station] = np.fmin(lowest_below[station], lowest_below[downstream[station]])
    return np.nan_to_num(raw_m - np.fmax(lowest_above, lowest_below))


# Whether two links meet: one flows into the other, both into the same, or one is a side arm at the other's end.
def _are_neighbours(one, other, links):
    below, leaves = links["downstream_link"].to_numpy(), links["leaves_link"].to_numpy()
    main_arm = beside_arms(below, leaves)

    def meets(first, second):
        into = below[first]
        # Where an arm leaves, all that arrive and all that go out meet.
        return (
            (into == second)
            | ((into >= 0) & (into == below[second]))
            | ((leaves[first] >= 0) & ((main_arm[first] == second) | (main_arm[first] == below[second])))
            | ((leaves[first] >= 0) & (main_arm[first] == main_arm[second]))
        )

    return meets(one, other) | meets(other, one)


def _features(station, stations, network):
    link, distance_m = (stations[name].to_numpy()[station] for name in ("link", "distance_m"))
    return place_names(network.parts, link, distance_m)["feature_id"].to_numpy()


def _rows(rows):
    return pd.DataFrame([("streams", *row) for row in rows], columns=REPAIR_COLUMNS)


# Lines looked at together, and crossings beyond which nobody counts on.
LINES_AT_ONCE, MOST_CROSSINGS = 100, 50_000_000


def count_crossings(lines):
    """Pairs of lines that cross each other, counted without being held.

    Parameters
    ----------
    lines : ndarray of LineString

    Returns
    -------
    int
        At most somewhat more than `MOST_CROSSINGS`.

    Examples
    --------
    >>> count_crossings(shapely.linestrings([[(0, 0), (2, 2)], [(0, 2), (2, 0)], [(0, 5), (1, 5)]]))
    1
    """
    tree, count = shapely.STRtree(lines), 0
    for first in range(0, len(lines), LINES_AT_ONCE):
        count += tree.query(lines[first : first + LINES_AT_ONCE], predicate="crosses").shape[1]
        if count > 2 * MOST_CROSSINGS:
            break
    return count // 2
