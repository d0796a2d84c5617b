"""From directed pieces to links: chains between confluences and partings, numbered from the sources down."""

import heapq

import numpy as np
import pandas as pd
import shapely

from sitefinder.streams.orders import link_orders

PART_COLUMNS = ["link", "from_m", "to_m", "feature_id", "feature_from_m", "feature_to_m"]


def make_links(pieces, lines, start, end, way_out, is_turned):
    """Links with their orders, names and side arms.

    Parameters
    ----------
    pieces : sitefinder.streams.lines.Pieces
        With ``geometry`` in the direction of flow.
    lines : DataFrame
        What the pieces were cut from, with all columns that `sitefinder.streams.network.build_network` knows.
    start, end : ndarray of int, shape (n,)
        Nodes of each piece in the direction of flow; no way leads in a circle.
    way_out : ndarray of int64
        The piece by which the main stream leaves each node, or -1.
    is_turned : ndarray of bool, shape (n,)
        True where a piece flows against the direction in which its feature was drawn.

    Returns
    -------
    links, parts : DataFrame
        See `sitefinder.streams.network.Network`.
    repairs : list of tuple
        Layer, feature, problem and action.
    """
    is_main = np.zeros(len(start), dtype=bool)
    is_main[way_out[way_out >= 0]] = True
    chains, below, arriving = _chains(start, end, way_out)
    head = np.array([chain[0] for chain in chains])
    ends_at = end[[chain[-1] for chain in chains]]
    is_arm = ~is_main[head] & (start[head] != end[head])
    arms_at = {}
    for number in np.flatnonzero(is_arm).tolist():
        arms_at.setdefault(int(start[head[number]]), []).append(number)
    after = [[int(lower)] if lower >= 0 else [] for lower in below]
    for number, node in enumerate(ends_at.tolist()):
        after[number] += arms_at.get(node, []) if start[chains[number][-1]] != node else []
    order = _from_sources_down(after)
    rank = np.empty(len(order), dtype=np.int64)
    rank[order] = np.arange(len(order))
    chains, head = [chains[number] for number in order], head[order]
    downstream = np.where(below[order] >= 0, rank[below[order]], -1)
    leaves = np.full(len(order), -1, dtype=np.int64)
    for node, arms in arms_at.items():
        arrived = [int(rank[number]) for number in np.flatnonzero(ends_at == node) if arms[0] in after[number]]
        leaves[rank[arms]] = min(arrived, default=-1)

    links, parts = _tables(pieces, lines, chains, is_turned)
    links["is_source"] = arriving[start[head]] == 0
    links["is_divergence"] = ~is_main[head]
    links["downstream_link"] = downstream.astype(np.int32)
    links["length_m"] = shapely.length(links["geometry"].to_numpy())
    begins = ~links["is_divergence"].to_numpy() & ~links["is_canal"].to_numpy()
    orders = link_orders(downstream, links["length_m"].to_numpy(), leaves_link=leaves, counts=begins)
    # Of several links that arrive at the parting, the arm is told to leave the one that the main stem comes by.
    leaves = np.where(leaves >= 0, orders.main_upstream[downstream[leaves]], -1)
    links["leaves_link"] = leaves.astype(np.int32)
    links["order_strahler"], links["shreve"] = orders.strahler, orders.shreve
    links["upstream_length_m"], links["main_upstream"] = orders.upstream_length_m, orders.main_upstream
    links["is_main_stem"] = orders.is_main_stem
    repairs = []
    links["arm_share"] = _shares(links, lines, pieces.feature[head])
    links["inflow_area_km2"] = _inflows(links, lines, pieces, chains, is_turned, repairs)
    links["stream"] = _names_carried_on(links, parts, repairs)
    _list_arms(links, parts, repairs)
    return links, parts, repairs


# Pieces in a row between confluences, partings, sources and outlets; the chain below each (-1 at an outlet), and
# the number of pieces that arrive at each node.
def _chains(start, end, way_out):
    arriving = np.bincount(end, minlength=len(way_out))
    leaving = np.bincount(start, minlength=len(way_out))
    next_piece = way_out[end]
    goes_on = (next_piece >= 0) & (arriving[end] == 1) & (leaving[end] == 1)
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
    lower = next_piece[[chain[-1] for chain in chains]]
    return chains, np.where(lower >= 0, chain_of[lower], -1), arriving


# An order in which every chain comes before those that it leads to; of those that are free, the lowest number
# first.
def _from_sources_down(after):
    waiting = np.zeros(len(after), dtype=np.int64)
    for lower in after:
        waiting[lower] += 1
    free = np.flatnonzero(waiting == 0).tolist()
    heapq.heapify(free)
    order = []
    while free:
        chain = heapq.heappop(free)
        order.append(chain)
        for lower in after[chain]:
            waiting[lower] -= 1
            if waiting[lower] == 0:
                heapq.heappush(free, lower)
    return np.array(order, dtype=np.int64)


# Line, name and kind of each link, and the pieces that it is made of.
def _tables(pieces, lines, chains, is_turned):
    names, ids, canals = (lines[name].to_numpy() for name in ("stream", "feature_id", "is_canal"))
    rows, parts = [], []
    for link, chain in enumerate(chains):
        lengths = shapely.length(pieces.geometry[chain])
        vertices = [
            shapely.get_coordinates(pieces.geometry[piece])[(1 if number else 0) :]
            for number, piece in enumerate(chain)
        ]
        feature = pieces.feature[chain]
        name = names[feature[int(np.argmax(lengths))]]
        is_canal = lengths[canals[feature].astype(bool)].sum() > lengths.sum() / 2
        rows.append((name, is_canal, shapely.LineString(np.concatenate(vertices))))
        to_m = np.cumsum(lengths)
        for piece, until, length in zip(chain, to_m, lengths, strict=True):
            offset = (pieces.from_m[piece], pieces.from_m[piece] + length)
            along = offset[::-1] if is_turned[piece] else offset
            parts.append((link, until - length, until, ids[pieces.feature[piece]], *along))
    links = pd.DataFrame(rows, columns=["stream", "is_canal", "geometry"])
    return links, pd.DataFrame(parts, columns=PART_COLUMNS)


# Share of the water above that each side arm takes; arms of one parting share at most all of it.
def _shares(links, lines, feature_of_head):
    has_above = links["leaves_link"].to_numpy() >= 0
    share = np.where(has_above, lines["arm_share"].to_numpy(dtype=np.float64)[feature_of_head], 0.0)
    beside = np.where(has_above, links["downstream_link"].to_numpy()[links["leaves_link"]], len(links))
    together = np.bincount(beside, weights=share, minlength=len(links) + 1)[beside]
    return np.where(together > 1.0, share / np.maximum(together, 1.0), share)


# Catchment [km²] outside of streams that enter; a feature has to begin just one stream to bring it in.
def _inflows(links, lines, pieces, chains, is_turned, repairs):
    stated = lines["inflow_area_km2"].to_numpy(dtype=np.float64)
    ids = lines["feature_id"].to_numpy()
    inflow = np.zeros(len(links))
    begun = {}
    for link in np.flatnonzero(links["is_source"]).tolist():
        feature = pieces.feature[chains[link][0]]
        if stated[feature] > 0:
            begun.setdefault(ids[feature], []).append((link, stated[feature]))
    for feature in dict.fromkeys(ids[stated > 0].tolist()):
        found = begun.get(feature, [])
        if len(found) == 1:
            inflow[found[0][0]] = found[0][1]
        else:
            problem = "states an inflow, but begins " + ("several streams" if found else "no stream")
            repairs.append(("streams", feature, problem, "inflow left out"))
    return inflow


# Names of the links; along each main stem, nameless links between two of one name take that name.
def _names_carried_on(links, parts, repairs):
    names = links["stream"].to_numpy().astype(object).copy()
    upstream = links["main_upstream"].to_numpy()
    features = parts.groupby("link")["feature_id"].first()
    for link in range(len(links) - 1, -1, -1):  # from the outlets up
        nameless, above = [], upstream[link]
        while names[link] and above >= 0 and not names[above]:
            nameless.append(int(above))
            above = upstream[above]
        if nameless and above >= 0 and names[above] == names[link]:
            for between in nameless:
                names[between] = names[link]
                repairs.append(
                    ("streams", features[between], "nameless between two of one name", f"called {names[link]}")
                )
    return names


def _list_arms(links, parts, repairs):
    features = parts.groupby("link")["feature_id"].first()
    for link in np.flatnonzero(links["is_divergence"]).tolist():
        share = links["arm_share"].iat[link]
        water = f"{100 * share:g} % of the water from above" if share else "without water from above"
        line = links["geometry"].iat[link]
        problem = "a closed ring" if line.is_closed else "side arm of a divergence"
        repairs.append(("streams", features[link], problem, f"starts a link of its own, {water}"))
