"""Which segments of the network a layer of points, lines or polygons means."""

import numpy as np
import shapely

# A line means a segment when it runs beside at least this share of its length (own choice).
LEAST_SHARE = 0.5
# Least length of a segment inside a polygon that counts; less is a touch [m].
SHORTEST_M = 0.01
# Places along a segment, its ends included, where a line beside it is looked for.
PLACES = 11
# A line goes along with a stream that it meets at 60 degrees or less, the cosine of which this is (own choice).
LEAST_ADVANCE = 0.5


def touched_stations(features, segments, snap_m, count):
    """Stations whose segment lies in a polygon, carries a point or is run along by a line.

    Parameters
    ----------
    features : ndarray of shapely geometry, shape (k,)
        Points, lines and polygons, in the coordinates of the segments [m].
    segments : GeoDataFrame
        ``station`` and the line of each segment.
    snap_m : float
        Farthest a point or line lies from the segment it means [m].
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
    share = np.linspace(0.0, 1.0, PLACES)
    owner = np.repeat(np.arange(len(lines)), PLACES)
    places = shapely.line_interpolate_point(lines[owner], np.tile(share, len(lines)), normalized=True)
    sample, line = shapely.STRtree(beside).query_nearest(places, max_distance=snap_m, all_matches=False)
    goes_on = (np.diff(sample) == 1) & (np.diff(owner[sample]) == 0) & (np.diff(line) == 0)
    along_m = np.abs(np.diff(shapely.line_locate_point(beside[line], places[sample])))
    step_m = shapely.distance(places[sample][1:], places[sample][:-1])
    follows = goes_on & (along_m >= LEAST_ADVANCE * step_m)
    found = np.bincount(owner[sample][1:][follows], minlength=len(lines))
    return np.flatnonzero(found >= LEAST_SHARE * (PLACES - 1))
