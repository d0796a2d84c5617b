"""From pieces to links: a directed graph with one way out of every node, turned downstream."""

import heapq
from typing import NamedTuple

import numpy as np
import pandas as pd
import shapely
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components

from sitefinder.errors import InputError, listed
from sitefinder.streams.lines import REPAIR_COLUMNS, cut_lines
from sitefinder.streams.orders import link_orders

# A piece counts as climbing to its end only beyond this, so that noise on flat ground turns nothing round.
LEAST_CLIMB_M = 0.5


class Network(NamedTuple):
    """Links numbered from the sources down, and what was mended on the way.

    ``links`` has a row a link: ``downstream_link`` (-1 at an outlet), ``length_m``, ``order_strahler``,
    ``shreve``, ``upstream_length_m``, ``main_upstream``, ``is_source``, ``is_divergence``, ``stream``,
    ``geometry`` (downstream). ``parts`` has a row for each piece of a feature in a link: ``link``,
    ``from_m``, ``to_m`` along the link, ``feature_id``, ``feature_from_m``, ``feature_to_m`` along the
    feature as it was drawn.
    """

    links: pd.DataFrame
    parts: pd.DataFrame
    repairs: pd.DataFrame


def build_network(lines, *, snap_m, end_elevation_m=None):
    """A network of links from drawn lines.

    Parameters
    ----------
    lines : DataFrame
        Columns ``geometry`` (LineString [m]), ``feature_id`` and ``stream`` (a name, or empty).
    snap_m : float
        Farthest gap that is closed [m].
    end_elevation_m : ndarray of float, shape (n, 2), optional
        Ground at the first and last vertex of each line [m], NaN where unknown. It decides whether lines were
        digitised upstream and whether a loose lower end is an outlet.

    Returns
    -------
    Network

    Raises
    ------
    InputError
        If no line is left.

    Notes
    -----
    Directions are those digitised, save where the network proves otherwise. In each connected piece of the
    network every node gets one way out: the path to an outlet that turns round the least length, then the
    shortest (Dijkstra 1959). Outlets are the loose lower ends that all arriving lines fall to by more than
    0.5 m, where there are several of them; else the one end that has the least length of line turned round or
    climbing. Where a node has a second way out, that side arm starts a link of its own (``is_divergence``): it
    receives no water from above, and joins below. A side arm that would flow in a circle is turned. Side arms,
    circles, closed rings and features that meet no other one are listed in ``repairs``.
    """
    geometry = np.asarray(lines["geometry"], dtype=object)
    feature_id = lines["feature_id"].to_numpy().astype(object)
    pieces, repairs = cut_lines(geometry, feature_id, snap_m=snap_m)
    if not len(pieces.geometry):
        raise InputError.of(
            "no stream line is left after snapping",
            expected=f"lines longer than the snapping distance, {snap_m:g} m",
            found=f"{len(geometry)} shorter lines: {listed(feature_id)}" if len(geometry) else "no line at all",
            fix="lower network.snap_m, or check the unit of the layer's coordinates",
        )
    mended = []
    drop_m = _drops(pieces, geometry, end_elevation_m)
    turned_first = _turn_components(pieces, drop_m, feature_id, mended)
    start = np.where(turned_first, pieces.end, pieces.start)
    end = np.where(turned_first, pieces.start, pieces.end)
    drop_m = np.where(turned_first, -drop_m, drop_m)
    # Two arms of one length are told apart by the user's ids, so that the order of the lines decides nothing.
    by_name = np.empty(len(start), dtype=np.int64)
    by_name[np.lexsort([pieces.from_m, feature_id[pieces.feature].astype(str)])] = np.arange(len(start))
    way_out, turned = _ways_out(start, end, shapely.length(pieces.geometry), drop_m, by_name, len(pieces.node_x_m))
    start, end = np.where(turned, end, start), np.where(turned, start, end)
    is_main = np.zeros(len(start), dtype=bool)
    is_main[way_out[way_out >= 0]] = True
    circles = _flow_in_circles(start, end, way_out, is_main)
    start, end = np.where(circles, end, start), np.where(circles, start, end)
    alone = "starts a link of its own, without water from above"
    for row in np.flatnonzero(turned | circles | ~is_main):
        name = feature_id[pieces.feature[row]]
        if turned[row]:
            mended.append(("streams", name, "drawn upstream", "turned"))
        if circles[row]:
            mended.append(("streams", name, "flows in a circle with others", "turned"))
        if start[row] == end[row]:
            mended.append(("streams", name, "a closed ring", alone))
        elif not is_main[row]:
            mended.append(("streams", name, "side arm of a divergence", alone))
    _list_loose(pieces, feature_id, mended)
    links, parts = _links(pieces, lines, start, end, way_out, is_main, turned ^ turned_first ^ circles)
    repairs = pd.concat([repairs, pd.DataFrame(mended, columns=REPAIR_COLUMNS)], ignore_index=True)
    return Network(links, parts, repairs)


# Fall [m] of each piece as digitised; only known where the piece is a whole feature, else shared by length.
def _drops(pieces, geometry, end_elevation_m):
    if end_elevation_m is None:
        return np.full(len(pieces.start), np.nan)
    whole = end_elevation_m[:, 0] - end_elevation_m[:, 1]
    share = shapely.length(pieces.geometry) / shapely.length(geometry[pieces.feature])
    return whole[pieces.feature] * share


# A connected piece of network that climbs over most of its length was digitised upstream as a whole.
def _turn_components(pieces, drop_m, feature_id, mended):
    count = len(pieces.node_x_m)
    graph = coo_array((np.ones(len(pieces.start)), (pieces.start, pieces.end)), shape=(count, count))
    components, of_node = connected_components(graph, directed=False)
    of_piece = of_node[pieces.start]
    sure = np.abs(np.nan_to_num(drop_m)) > LEAST_CLIMB_M
    vote = np.where(sure, np.sign(np.nan_to_num(drop_m)) * shapely.length(pieces.geometry), 0.0)
    votes = np.bincount(of_piece, weights=vote, minlength=components)
    for component in np.flatnonzero(votes < 0):
        first = feature_id[pieces.feature[np.flatnonzero(of_piece == component)[0]]]
        number = int((of_piece == component).sum())
        mended.append(("streams", first, f"it and all that it connects to ({number} pieces) climb", "turned"))
    return votes[of_piece] < 0


# The piece by which each node's water leaves (-1 at an outlet), and which pieces had to be turned round.
def _ways_out(start, end, length_m, drop_m, by_name, node_count):
    graph = coo_array((np.ones(len(start)), (start, end)), shape=(node_count, node_count))
    _, component = connected_components(graph, directed=False)
    touching = [[] for _ in range(node_count)]
    for piece, (one, other) in enumerate(zip(start.tolist(), end.tolist(), strict=True)):
        touching[one].append(piece)
        if other != one:
            touching[other].append(piece)
    around = (touching, by_name.tolist())
    # All that arrives at an outlet falls to it; a confluence that one line was drawn up to is none.
    least_fall = np.full(node_count, np.inf)
    np.minimum.at(least_fall, end, np.where(np.isnan(drop_m), -np.inf, drop_m))
    climbs = drop_m < -LEAST_CLIMB_M
    upper, lower = np.where(climbs, end, start), np.where(climbs, start, end)
    drawn_ends = _by_component(np.setdiff1d(end, start), component)
    low_ends = _by_component(np.setdiff1d(lower, upper), component)
    way_out = np.full(node_count, -1, dtype=np.int64)
    turned = np.zeros(len(start), dtype=bool)
    for number in np.unique(component[start]).tolist():
        candidates = drawn_ends.get(number, [])
        roots = [end for end in candidates if least_fall[end] > LEAST_CLIMB_M]
        if len(roots) < 2:
            if not roots:
                candidates = sorted({*candidates, *low_ends.get(number, [])})
            candidates = candidates or [int(start[component[start] == number].min())]
            roots = [_best_root(candidates, upper, lower, length_m, *around)]
        _grow(roots, start, end, length_m, *around, way_out)
    leaves = way_out[way_out >= 0]
    turned[leaves] = start[leaves] != np.flatnonzero(way_out >= 0)
    return way_out, turned


def _by_component(nodes, component):
    found = {}
    for node in nodes.tolist():
        found.setdefault(int(component[node]), []).append(node)
    return found


# Of several loose ends, the outlet that turns the least length round; of equal ones the lowest number. Moving the
# outlet along a tree turns just the pieces between, so one loop over a tree weighs all ends; where there are loops
# the tree depends on its outlet, and is grown again from the best.
def _best_root(candidates, start, end, length_m, touching, by_name):
    root, tried = candidates[0], set()
    while root not in tried and len(candidates) > 1:
        tried.add(root)
        way_out = np.full(len(touching), -1, dtype=np.int64)
        more_m = {root: 0.0}
        for node in _grow([root], start, end, length_m, touching, by_name, way_out)[1:]:  # from the outlet up
            by = way_out[node]
            if start[by] == node:
                more_m[node] = more_m[int(end[by])] + length_m[by]
            else:
                more_m[node] = more_m[int(start[by])] - length_m[by]
        root = min(candidates, key=lambda node: (round(more_m[node], 6), node))
    return root


# Dijkstra from the outlets up; the cost is (length turned round, length). Returns the nodes in the order reached.
def _grow(roots, start, end, length_m, touching, by_name, way_out):
    heap = [(0.0, 0.0, root, -1, -1) for root in roots]
    heapq.heapify(heap)
    done = {}
    while heap:
        turned, path, node, _, by = heapq.heappop(heap)
        if node in done:
            continue
        done[node] = None
        way_out[node] = by
        for piece in touching[node]:
            other = start[piece] if end[piece] == node else end[piece]
            if other not in done:
                against = 0.0 if end[piece] == node else length_m[piece]
                far = path + length_m[piece]
                heapq.heappush(heap, (turned + against, far, int(other), by_name[piece], piece))
    return list(done)


# Side arms that start below the place where they end: with the way out they would flow in a circle for ever.
def _flow_in_circles(start, end, way_out, is_main):
    circles = np.zeros(len(start), dtype=bool)
    for piece in np.flatnonzero(~is_main & (start != end)):
        node = end[piece]
        while way_out[node] >= 0 and node != start[piece]:
            node = end[way_out[node]]
        circles[piece] = node == start[piece]
    return circles


# Features that meet no other one.
def _list_loose(pieces, feature_id, mended):
    count = len(pieces.node_x_m)
    graph = coo_array((np.ones(len(pieces.start)), (pieces.start, pieces.end)), shape=(count, count))
    _, component = connected_components(graph, directed=False)
    of_piece = component[pieces.start]
    _, first = np.unique(np.stack([of_piece, pieces.feature], axis=1), axis=0, return_index=True)
    alone = np.bincount(of_piece[first], minlength=count) == 1
    if len(first) < 2:
        return
    for row in np.sort(first[alone[of_piece[first]]]):
        name = feature_id[pieces.feature[row]]
        mended.append(("streams", name, "meets no other line", "kept as a network of its own"))


# Chains of pieces between confluences, sources and outlets become links, numbered from the sources down.
def _links(pieces, lines, start, end, way_out, is_main, reverse):
    arriving = np.bincount(end, minlength=len(way_out))
    next_piece = way_out[end]
    goes_on = (next_piece >= 0) & (arriving[end] == 1)
    first = np.ones(len(start), dtype=bool)
    first[next_piece[goes_on]] = False
    chain_of = np.full(len(start), -1, dtype=np.int64)
    chains = []
    for head in np.flatnonzero(first).tolist():
        chain = [head]
        while goes_on[chain[-1]]:
            chain.append(int(next_piece[chain[-1]]))
        chain_of[chain] = len(chains)
        chains.append(chain)
    below = np.array([chain_of[next_piece[chain[-1]]] if next_piece[chain[-1]] >= 0 else -1 for chain in chains])
    order = _from_sources_down(below)
    rank = np.empty(len(order), dtype=np.int64)
    rank[order] = np.arange(len(order))
    downstream = np.where(below[order] >= 0, rank[below[order]], -1)
    names = lines["stream"].to_numpy()
    ids = lines["feature_id"].to_numpy()
    rows, parts = [], []
    for link, chain in enumerate([chains[number] for number in order]):
        lengths = shapely.length(pieces.geometry[chain])
        drawn = [shapely.reverse(pieces.geometry[p]) if reverse[p] else pieces.geometry[p] for p in chain]
        vertices = [shapely.get_coordinates(line)[(1 if number else 0) :] for number, line in enumerate(drawn)]
        stream = names[pieces.feature[chain[int(np.argmax(lengths))]]]
        head_is_source = arriving[start[chain[0]]] == 0
        rows.append((head_is_source, not is_main[chain[0]], stream, shapely.LineString(np.concatenate(vertices))))
        to_m = np.cumsum(lengths)
        for piece, until, length in zip(chain, to_m, lengths, strict=True):
            offset = (pieces.from_m[piece], pieces.from_m[piece] + length)
            along = offset[::-1] if reverse[piece] else offset
            parts.append((link, until - length, until, ids[pieces.feature[piece]], *along))
    links = pd.DataFrame(rows, columns=["is_source", "is_divergence", "stream", "geometry"])
    links["downstream_link"] = downstream.astype(np.int32)
    links["length_m"] = shapely.length(links["geometry"].to_numpy())
    orders = link_orders(downstream, links["length_m"].to_numpy(), counts=~links["is_divergence"].to_numpy())
    links["order_strahler"], links["shreve"] = orders.strahler, orders.shreve
    links["upstream_length_m"], links["main_upstream"] = orders.upstream_length_m, orders.main_upstream
    columns = ["link", "from_m", "to_m", "feature_id", "feature_from_m", "feature_to_m"]
    return links, pd.DataFrame(parts, columns=columns)


# An order in which every chain comes before the one below it; of those that are free, the lowest number first.
def _from_sources_down(below):
    waiting = np.bincount(below[below >= 0], minlength=len(below))
    free = np.flatnonzero(waiting == 0).tolist()
    heapq.heapify(free)
    order = []
    while free:
        chain = heapq.heappop(free)
        order.append(chain)
        if below[chain] >= 0:
            waiting[below[chain]] -= 1
            if waiting[below[chain]] == 0:
                heapq.heappush(free, int(below[chain]))
    return np.array(order, dtype=np.int64)
