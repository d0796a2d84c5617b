"""Which ends of drawn lines are one node: where they coincide, and where a gap between them is closed."""

import bisect

import numpy as np
import shapely

from sitefinder.network.components import components

# Ends closer than this coincide [m]; it is rounding of coordinates.
SAME_PLACE_M = 1.0e-6
# A gap is an error of drawing; it is taken as no longer than this share of the median line, and this length.
SHARE_OF_MEDIAN_LINE = 0.05
MOST_M = 5.0
# A loose end of a line that joins the network by its other end is a source and no gap, where the line is shorter
# than this many snapping distances: closed, it would be a ring that is all gap.
STUB_SNAPS = 4.0


def snapping_distance_m(length_m):
    """Maximum gap between lines that counts as an error of drawing, by the lines themselves.

    Parameters
    ----------
    length_m : ndarray of float, shape (n,)
        Lengths of the lines [m].

    Returns
    -------
    float
        A twentieth of the median length, at most 5 m (own choice) [m].

    Examples
    --------
    >>> snapping_distance_m(np.array([400.0, 450.0, 2000.0])), snapping_distance_m(np.array([20.0, 40.0]))
    (5.0, 1.5)
    """
    return float(min(MOST_M, SHARE_OF_MEDIAN_LINE * np.median(length_m))) if len(length_m) else MOST_M


def joined_ends(geometry, ends, snap_m):
    """Nodes of the ends of lines, and where lines are cut because another one ends on them.

    Parameters
    ----------
    geometry : ndarray of LineString, shape (n,)
    ends : ndarray of float, shape (2n, 2)
        First vertex of each line, then last vertex of each [m].
    snap_m : float
        Maximum gap that is closed [m].

    Returns
    -------
    node : ndarray of int, shape (2n,)
        Number of the node of each end. Nodes are numbered by place, so that nothing depends on the order of lines.
    places : ndarray of float, shape (m, 2)
        Where each node is [m]: where most of its ends coincide, or on the line that it was moved to.
    cuts : list of dict, length n
        For each line the nodes within it, with their distance along it [m].

    Notes
    -----
    What coincides is joined first. A gap is closed only where something is loose: at an end that meets nothing, or
    between parts of the network that are not joined otherwise. So the short lines and small islands of a dense
    network that is drawn cleanly are left as they are, whatever `snap_m` is. The smallest gap is closed first, and
    none whose closing would unite both ends of a line, or make a ring of a stub: a line shorter than four times
    `snap_m` that joins the network by one end.
    """
    joining = _Joining(geometry, ends, max(snap_m, SAME_PLACE_M))
    joining.close_gaps_between_ends()
    joining.close_gaps_to_lines()
    return joining.numbered()


# The state while ends are joined. A cluster is a set of ends that are one node, under the number of its lowest
# end; `part` is a union-find of lines that are joined by nodes.
class _Joining:
    def __init__(self, geometry, ends, snap_m):
        from scipy.spatial import cKDTree  # noqa: PLC0415 - large, and only a new network needs it

        self.geometry, self.ends, self.snap_m = geometry, ends, snap_m
        self.length_m = shapely.length(geometry)
        count = len(geometry)
        self.cluster = _lowest_of_each(
            *cKDTree(ends).query_pairs(SAME_PLACE_M, output_type="ndarray").T, len(ends)
        )
        self.order = np.argsort(self.cluster, kind="stable")
        self.first_cluster = self.cluster[self.order]
        self.united = {}
        self.moved = {}
        # By line: how far along it ends have landed [m] and which, in this order.
        self.landed = {}
        line = np.arange(2 * count) % count
        # Lines that are joined; each part under its lowest line.
        self.part = _lowest_of_each(line, line[self.cluster], count)
        # Each cluster, and each line that it is near to, nearest first.
        at = np.unique(self.cluster)
        points = shapely.points(ends[at])
        near, line = shapely.STRtree(geometry).query(points, predicate="dwithin", distance=self.snap_m)
        own = (self.cluster[line] == self.cluster[at[near]]) | (
            self.cluster[line + count] == self.cluster[at[near]]
        )
        near, line = near[~own], line[~own]
        gap = shapely.distance(points[near], geometry[line])
        order = np.lexsort([*ends[line].T, *ends[line + count].T, *ends[at[near]].T, gap])
        self.near_lines = [(float(gap[row]), int(at[near[row]]), int(line[row])) for row in order.tolist()]
        for gap_m, end, onto in self.near_lines:
            if gap_m <= SAME_PLACE_M:
                self._land(end, onto)

    # The part of the network that a line is in.
    def _part_of(self, line):
        part = self.part
        while part[line] != line:
            part[line] = part[part[line]]
            line = part[line]
        return int(line)

    def _join_parts(self, line, other):
        first, second = sorted((self._part_of(line), self._part_of(other)))
        self.part[second] = first

    # The ends of a cluster.
    def _members(self, cluster):
        if cluster in self.united:
            return self.united[cluster]
        first, end = np.searchsorted(self.first_cluster, [cluster, cluster + 1])
        return self.order[first:end].tolist()

    # Whether a cluster is one end that meets nothing.
    def _is_loose(self, cluster):
        return len(self._members(cluster)) == 1 and cluster not in self.moved

    # Whether a loose end belongs to a short line that joins the network by its other end.
    def _is_stub(self, cluster):
        count = len(self.geometry)
        # Before the first end of a line stands, counted from the back, its last one.
        other = self.cluster[cluster - count]
        return self.length_m[cluster % count] < STUB_SNAPS * self.snap_m and not self._is_loose(other)

    # Whether the gap between a cluster and what it is near to (a cluster or None, and a line of it) is an error.
    def _is_gap(self, cluster, other, line):
        apart = self._part_of(cluster % len(self.geometry)) != self._part_of(line)
        if apart:
            return True
        loose = [each for each in (cluster, other) if each is not None and self._is_loose(each)]
        return any(not self._is_stub(each) for each in loose)

    def close_gaps_between_ends(self):
        from scipy.spatial import cKDTree  # noqa: PLC0415 - as above

        ends, count = self.ends, len(self.geometry)
        pairs = cKDTree(ends).query_pairs(self.snap_m, output_type="ndarray")
        pairs = pairs[self.cluster[pairs[:, 0]] != self.cluster[pairs[:, 1]]]
        gap = np.hypot(*(ends[pairs[:, 0]] - ends[pairs[:, 1]]).T)
        # Ties by place, so that the order of the lines decides nothing.
        low = np.where(_before(ends[pairs[:, 0]], ends[pairs[:, 1]]), pairs[:, 0], pairs[:, 1])
        high = pairs.sum(axis=1) - low
        keys = [ends[high, 1], ends[high, 0], ends[low, 1], ends[low, 0], gap]
        for row in np.lexsort(keys).tolist():
            first, second = int(self.cluster[low[row]]), int(self.cluster[high[row]])
            if first == second or not self._is_gap(first, second, int(high[row]) % count):
                continue
            lines = [{end % count for end in self._members(each)} for each in (first, second)]
            if lines[0] & lines[1]:
                continue  # a line would lose its length
            self._unite(first, second)

    def _unite(self, first, second):
        keep, gone = sorted((first, second))
        count = len(self.geometry)
        self._join_parts(first % count, second % count)
        for line, along in self.moved.pop(gone, {}).items():
            self.moved.setdefault(keep, {})[line] = along
        ends = sorted(self._members(keep) + self._members(gone))
        self.united.pop(gone, None)
        self.united[keep], self.cluster[ends] = ends, keep

    def close_gaps_to_lines(self):
        for gap_m, end, line in self.near_lines:
            if gap_m > SAME_PLACE_M and self._is_gap(int(self.cluster[end]), None, line):
                self._land(end, line)

    # Cut a line where an end lands within it.
    def _land(self, end, line):
        count, cluster = len(self.geometry), int(self.cluster[end])
        if cluster in (self.cluster[line], self.cluster[line + count]) or line in self.moved.get(cluster, {}):
            return
        along = float(shapely.line_locate_point(self.geometry[line], shapely.Point(self.ends[end])))
        if not 0.0 < along < self.length_m[line]:
            return
        self.moved.setdefault(cluster, {})[line] = along
        self._join_parts(end % count, line)
        # What lands at one place from both sides of a line meets there.
        landed = self.landed.setdefault(line, [])
        here = slice(*(bisect.bisect(landed, (along + off_m,)) for off_m in (-SAME_PLACE_M, SAME_PLACE_M)))
        for _, other_end in landed[here]:
            cluster, other = int(self.cluster[end]), int(self.cluster[other_end])
            if cluster != other:
                self._unite(cluster, other)
        bisect.insort(landed, (along, end))

    # Nodes by number, their places, and the cuts.
    def numbered(self):
        clusters = np.unique(self.cluster)
        places = np.array([self._place(cluster) for cluster in clusters.tolist()])
        by_place = np.lexsort([places[:, 1], places[:, 0]])
        number = np.empty(len(self.ends), dtype=np.int64)
        number[clusters[by_place]] = np.arange(len(clusters))
        cuts = [{} for _ in self.geometry]
        for cluster, landings in self.moved.items():
            for line, along in landings.items():
                cuts[line][int(number[cluster])] = along
        return number[self.cluster], places[by_place], cuts

    # On the first line that it landed on; else where most of its ends coincide, the lowest of such places.
    def _place(self, cluster):
        landings = self.moved.get(cluster)
        if landings:
            line, along = next(iter(landings.items()))
            spot = shapely.line_interpolate_point(self.geometry[line], along)
            return spot.x, spot.y
        own = self.ends[self._members(cluster)]
        _, same, agreeing = np.unique(own, axis=0, return_inverse=True, return_counts=True)
        return own[np.lexsort([own[:, 1], own[:, 0], -agreeing[same.ravel()]])[0]]


# For each of `count` things the lowest of all that pairs join it with.
def _lowest_of_each(first, second, count):
    _, label = components(first, second, count)
    _, lowest = np.unique(label, return_index=True)
    return lowest[label]


def _before(first, second):
    return (first[:, 0] < second[:, 0]) | ((first[:, 0] == second[:, 0]) & (first[:, 1] < second[:, 1]))
