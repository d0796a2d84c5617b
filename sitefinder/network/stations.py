"""Stations, segments and reaches along the links, and the segments that features of a layer belong to."""

from typing import NamedTuple

import numpy as np
import pandas as pd
import shapely

from sitefinder.units import METRES_PER_KILOMETRE


class Stationing(NamedTuple):
    """Stations, segments and reaches along the network.

    ``stations`` has a row a station, numbered from the sources down: ``link``, ``distance_m`` along it,
    ``x_m``, ``y_m``, ``downstream`` (-1 at an outlet), ``to_downstream_m``, ``segment_length_m`` (0 for the
    first station of a link), ``reach`` (-1 for the first station of a link), ``is_headwater``, and
    ``direction_x``, ``direction_y``: the stream's direction there. ``segments`` has the line of each
    segment, in the order of its station. ``reaches`` has a row a reach.
    """

    stations: pd.DataFrame
    segments: pd.DataFrame
    reaches: pd.DataFrame


def place_stations(network, *, station_spacing_m, reach_length_m) -> Stationing:
    """Cut links into reaches of one length each, and reaches into segments of one length each.

    Parameters
    ----------
    network : Network
        See `sitefinder.network.topology`.
    station_spacing_m : float
        Greatest distance between stations [m].
    reach_length_m : float
        Length that a reach is to have [m]; a link is cut into the whole number of reaches that comes nearest.

    Returns
    -------
    Stationing

    Notes
    -----
    A reach is named after the user's feature at its middle and the metres along it, such as
    ``40@250``; two reaches that would share a name get ``b``, ``c`` … in the order of the links.
    """
    links = network.links
    stations, segments, reaches, placed = [], [], [], 0
    below = links["downstream_link"].to_numpy()
    fed = np.zeros(len(links), dtype=bool)
    fed[below[below >= 0]] = True
    first_station = np.zeros(len(links), dtype=np.int64)
    for link, (geometry, length_m) in enumerate(zip(links["geometry"], links["length_m"], strict=True)):
        count = max(1, round(length_m / reach_length_m))
        each = max(1, int(np.ceil(length_m / count / station_spacing_m - 1e-9)))
        at = np.linspace(0.0, length_m, count * each + 1)
        first_station[link] = placed
        reach = np.concatenate([[-1], np.repeat(np.arange(count), each) + len(reaches)])
        stations.append(_stations_of(link, geometry, at, reach, not fed[link], station_spacing_m))
        placed += len(at)
        lines = _substrings(geometry, at)
        segments.extend(lines)
        for number in range(count):
            chosen = lines[number * each : (number + 1) * each]
            reaches.append((link, at[number * each], at[(number + 1) * each], _joined(chosen)))
    table = pd.concat(stations, ignore_index=True)
    table["downstream"] = np.arange(1, len(table) + 1, dtype=np.int32)
    last_station = np.append(first_station[1:], len(table)) - 1
    table.loc[last_station, "downstream"] = np.where(below >= 0, first_station[below], -1).astype(np.int32)
    step = np.roll(table["segment_length_m"].to_numpy(), -1)
    step[last_station] = 0.0
    table["to_downstream_m"] = step
    reach_table = pd.DataFrame(reaches, columns=["link", "from_m", "to_m", "geometry"])
    return Stationing(table, _segment_table(table, segments), _named(reach_table, network, table))


def _stations_of(link, geometry, at, reach, is_headwater, spacing_m):
    points = shapely.get_coordinates(shapely.line_interpolate_point(geometry, at))
    # The direction is taken over a piece as long as a segment, so that one vertex does not turn a transect.
    span = min(spacing_m, at[-1]) / 2
    ahead = shapely.get_coordinates(shapely.line_interpolate_point(geometry, np.minimum(at + span, at[-1])))
    behind = shapely.get_coordinates(shapely.line_interpolate_point(geometry, np.maximum(at - span, 0.0)))
    step = ahead - behind
    length = np.hypot(step[:, 0], step[:, 1])
    east = np.tile([1.0, 0.0], (len(at), 1))
    step = np.divide(step, length[:, None], out=east, where=length[:, None] > 0)
    return pd.DataFrame(
        {
            "link": np.full(len(at), link, dtype=np.int32),
            "distance_m": at,
            "x_m": points[:, 0],
            "y_m": points[:, 1],
            "segment_length_m": np.diff(at, prepend=at[0]),
            "reach": reach.astype(np.int32),
            "is_headwater": (np.arange(len(at)) == 0) & is_headwater,
            "direction_x": step[:, 0],
            "direction_y": step[:, 1],
        }
    )


# The line between each two neighbouring distances.
def _substrings(geometry, at):
    vertices = shapely.get_coordinates(geometry)
    along = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(vertices, axis=0).T))])
    ends = shapely.get_coordinates(shapely.line_interpolate_point(geometry, at))
    first = np.searchsorted(along, at, side="right")
    last = np.searchsorted(along, at, side="left")
    return [
        shapely.LineString(
            np.concatenate([ends[n : n + 1], vertices[first[n] : last[n + 1]], ends[n + 1 : n + 2]])
        )
        for n in range(len(at) - 1)
    ]


def _joined(lines):
    drawn = [shapely.get_coordinates(line)[(1 if number else 0) :] for number, line in enumerate(lines)]
    return shapely.LineString(np.concatenate(drawn))


def _segment_table(stations, lines):
    station = np.flatnonzero(stations["reach"] >= 0)
    link, reach, to_m, length_m = (
        stations[name].to_numpy()[station] for name in ("link", "reach", "distance_m", "segment_length_m")
    )
    table = {"station": station, "link": link, "reach": reach, "from_m": to_m - length_m, "to_m": to_m}
    return pd.DataFrame({**table, "geometry": lines})


def nearest_segments(points, segments):
    """The segment of stream that is nearest to each point.

    Parameters
    ----------
    points : ndarray of shapely.Point, shape (m,)
    segments : DataFrame
        Columns ``station`` and ``geometry``.

    Returns
    -------
    station : ndarray of int64, shape (m,)
        Of the segment; at equal distance the lower number.
    distance_m : ndarray of float64, shape (m,)
    share_above : ndarray of float64, shape (m,)
        Share of the segment's length that lies above the point.
    """
    if len(points) == 0:
        return np.zeros(0, dtype=np.int64), np.zeros(0), np.zeros(0)
    lines = segments["geometry"].to_numpy()
    (point, line), distance_m = shapely.STRtree(lines).query_nearest(points, return_distance=True)
    order = np.lexsort([segments["station"].to_numpy()[line], point])
    first = order[np.unique(point[order], return_index=True)[1]]
    line = line[first]
    # Each point has its row, in the order of the points.
    share_above = shapely.line_locate_point(lines[line], points, normalized=True)
    return segments["station"].to_numpy()[line], distance_m[first], share_above


def place_names(parts, link, distance_m):
    """Names of places on the network: the user's feature and the metres along it as drawn.

    Parameters
    ----------
    parts : DataFrame
        See `sitefinder.network.topology.Network`.
    link : ndarray of int, shape (m,)
    distance_m : ndarray of float, shape (m,)
        Along the link [m].

    Returns
    -------
    DataFrame, m rows
        ``feature_id``, ``feature_m`` and ``name``, such as ``40@250``; two places may share a name.
    """
    links, from_m, to_m, feature_from_m, feature_to_m = (
        parts[name].to_numpy() for name in ("link", "from_m", "to_m", "feature_from_m", "feature_to_m")
    )
    first = np.searchsorted(links, link)
    last = np.searchsorted(links, link, side="right")
    rows = [
        begin + min(int(np.searchsorted(to_m[begin:end], at)), end - begin - 1)
        for at, begin, end in zip(distance_m, first, last, strict=True)
    ]
    part = np.array(rows, dtype=np.int64)
    share = (np.asarray(distance_m) - from_m[part]) / (to_m[part] - from_m[part])
    along = feature_from_m[part] + share * (feature_to_m[part] - feature_from_m[part])
    features = parts["feature_id"].take(part).array
    names = [f"{feature}@{max(place, 0.0):.0f}" for feature, place in zip(features, along, strict=True)]
    return pd.DataFrame({"feature_id": features, "feature_m": along, "name": np.array(names, dtype=object)})


def features_of_reaches(reaches, parts):
    """The parts of each reach by the user's features.

    Parameters
    ----------
    reaches : DataFrame
        See `Stationing`.
    parts : DataFrame
        See `sitefinder.network.topology.Network`.

    Returns
    -------
    DataFrame
        ``reach`` (row of the reach), ``feature_id``, ``from_m``, ``to_m`` along the reach, ``feature_from_m``,
        ``feature_to_m`` along the feature as it was drawn, in the order of the reaches and downstream in each.
    """
    link = parts["link"].to_numpy()
    first = np.searchsorted(link, reaches["link"].to_numpy())
    count = np.searchsorted(link, reaches["link"].to_numpy(), side="right") - first
    reach = np.repeat(np.arange(len(reaches)), count)
    part = np.repeat(first - (np.cumsum(count) - count), count) + np.arange(len(reach))
    begins, ends = reaches["from_m"].to_numpy()[reach], reaches["to_m"].to_numpy()[reach]
    part_from_m, part_to_m = parts["from_m"].to_numpy()[part], parts["to_m"].to_numpy()[part]
    from_m, to_m = np.maximum(begins, part_from_m), np.minimum(ends, part_to_m)
    holds = to_m - from_m > SHORTEST_M
    length_m = part_to_m - part_from_m
    drawn_from_m, drawn_to_m = parts["feature_from_m"].to_numpy()[part], parts["feature_to_m"].to_numpy()[part]
    per_m = (drawn_to_m - drawn_from_m) / length_m
    table = pd.DataFrame(
        {
            "reach": reach,
            "feature_id": parts["feature_id"].to_numpy()[part],
            "from_m": from_m - begins,
            "to_m": to_m - begins,
            "feature_from_m": drawn_from_m + (from_m - part_from_m) * per_m,
            "feature_to_m": drawn_from_m + (to_m - part_from_m) * per_m,
        }
    )
    return table[holds].reset_index(drop=True)


def without_repeats(names) -> list[str]:
    """Names made distinct: the second of a kind gets b, the third c …

    Examples
    --------
    >>> without_repeats(["40@250", "7@10", "40@250"])
    ['40@250', '7@10', '40@250b']
    """
    seen, distinct = {}, []
    for name in names:
        number = seen.get(name, 0)
        seen[name] = number + 1
        ending = "" if number == 0 else chr(ord("a") + number) if number < 26 else f"-{number}"
        distinct.append(name + ending)
    return distinct


def _named(reaches, network, stations):
    middle = (reaches["from_m"] + reaches["to_m"]).to_numpy() / 2
    places = place_names(network.parts, reaches["link"].to_numpy(), middle)
    reaches["reach_id"] = without_repeats(places["name"])
    reaches["feature_id"], reaches["feature_m"] = places["feature_id"], places["feature_m"]
    links = network.links
    reaches["stream"] = links["stream"].to_numpy()[reaches["link"]]
    reaches["order_strahler"] = links["order_strahler"].to_numpy()[reaches["link"]]
    reaches["length_m"] = reaches["to_m"] - reaches["from_m"]
    of_link = reaches["link"].to_numpy()
    reaches["shreve"] = links["shreve"].to_numpy()[of_link]
    reaches["main_stem"] = links["is_main_stem"].to_numpy()[of_link]
    still_m = links["length_m"].to_numpy()[of_link] - reaches["to_m"]
    reaches["upstream_length_km"] = (
        links["upstream_length_m"].to_numpy()[of_link] - still_m
    ) / METRES_PER_KILOMETRE
    of_reach = np.flatnonzero(stations["reach"] >= 0)
    _, first = np.unique(stations["reach"].to_numpy()[of_reach], return_index=True)
    reaches["last_station"] = of_reach[np.append(first[1:], len(of_reach)) - 1]
    reaches["first_station"] = of_reach[first] - 1
    return reaches


# A line belongs to a segment if it runs along at least this share of its length (own choice).
MIN_SHARE = 0.5
# Least length of a segment inside a polygon that counts; less is a touch [m].
SHORTEST_M = 0.01
# Equal pieces of a segment, at whose ends a line nearby is looked for.
PIECES = 10
# A line goes along with a stream that it meets at 60 degrees or less, the cosine of which this is (own choice).
MIN_ADVANCE = 0.5


def touched_stations(features, segments, snap_m, count):
    """Stations whose segment lies in a polygon, carries a point or is run along by a line.

    Parameters
    ----------
    features : ndarray of shapely geometry, shape (k,)
        Points, lines and polygons, in the coordinates of the segments [m].
    segments : GeoDataFrame
        ``station`` and the line of each segment.
    snap_m : float
        Maximum distance of a point or line from its segment [m].
    count : int
        Number of stations.

    Returns
    -------
    ndarray of bool, shape (count,)

    Notes
    -----
    A point means the segment nearest to it, of several the first. A line means a segment where it stays within
    `snap_m` of it, and goes on as the segment goes on, for at least half of ten equal pieces; so a line drawn over
    a river does not mean the last metres of each tributary.
    """
    marked = np.zeros(count, dtype=bool)
    lines = np.asarray(segments.geometry, dtype=object)
    station = segments["station"].to_numpy()
    if not len(lines):
        return marked
    tree = shapely.STRtree(lines)
    features = shapely.get_parts(np.asarray(features, dtype=object))
    dimension = shapely.get_dimensions(features)
    polygons = features[dimension == 2]
    if len(polygons):
        which, segment = tree.query(polygons, predicate="intersects")
        inside_m = shapely.length(shapely.intersection(polygons[which], lines[segment]))
        marked[station[segment[inside_m > SHORTEST_M]]] = True
    points = features[dimension == 0]
    if len(points):
        marked[station[_nearest(tree, points, snap_m)]] = True
    beside = features[dimension == 1]
    if len(beside):
        marked[station[_followed(lines, beside, snap_m)]] = True
    return marked


# Number of the segment nearest to each point within reach; of several, the first.
def _nearest(tree, points, snap_m):
    point, segment = tree.query_nearest(points, max_distance=snap_m, all_matches=True)
    first = np.full(len(points), len(tree.geometries))
    np.minimum.at(first, point, segment)
    return first[first < len(tree.geometries)]


# Segments that some line runs along: from place to place the line goes on as well, not across.
def _followed(lines, beside, snap_m):
    share = np.linspace(0.0, 1.0, PIECES + 1)
    owner = np.repeat(np.arange(len(lines)), len(share))
    places = shapely.line_interpolate_point(lines[owner], np.tile(share, len(lines)), normalized=True)
    sample, line = shapely.STRtree(beside).query_nearest(places, max_distance=snap_m, all_matches=False)
    goes_on = (np.diff(sample) == 1) & (np.diff(owner[sample]) == 0) & (np.diff(line) == 0)
    along_m = np.abs(np.diff(shapely.line_locate_point(beside[line], places[sample])))
    step_m = shapely.distance(places[sample][1:], places[sample][:-1])
    follows = goes_on & (along_m >= MIN_ADVANCE * step_m)
    found = np.bincount(owner[sample][1:][follows], minlength=len(lines))
    return np.flatnonzero(found >= MIN_SHARE * PIECES)
