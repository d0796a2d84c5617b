"""From drawn lines to links: a directed graph with one main outflow of every node, numbered downstream."""

import heapq
import itertools
from typing import NamedTuple

import numpy as np
import pandas as pd
import shapely

from sitefinder.errors import InputError, listed
from sitefinder.network.components import components
from sitefinder.network.directions import RIDGE_M, direct_pieces, main_arms
from sitefinder.network.ordering import link_orders
from sitefinder.network.snapping import SAME_PLACE_M, joined_ends

REPAIR_COLUMNS = ["layer", "feature", "problem", "action"]
# A row of those columns.
RepairRow = tuple[str, str, str, str]


class Pieces(NamedTuple):
    """Lines cut at every node; a piece runs from ``start`` to ``end`` as it was digitised.

    ``geometry`` is an object array of LineString, ``feature`` the row of the line that each piece
    comes from, ``from_m`` its offset along that line [m], ``start`` and ``end`` node numbers, and
    ``node_x_m``, ``node_y_m`` where the nodes lie.
    """

    geometry: np.ndarray
    feature: np.ndarray
    from_m: np.ndarray
    start: np.ndarray
    end: np.ndarray
    node_x_m: np.ndarray
    node_y_m: np.ndarray


def cut_lines(geometry, feature_id, *, snap_m):
    """Pieces between nodes, and a list of repairs.

    Parameters
    ----------
    geometry : ndarray of LineString, shape (n,)
        In a projected system [m]; none empty, none without length.
    feature_id : ndarray of str, shape (n,)
        The user's ids, for the list of repairs.
    snap_m : float
        Maximum gap that is closed [m], see `sitefinder.network.snapping.joined_ends`.

    Returns
    -------
    pieces : Pieces
    repairs : DataFrame
        Columns ``layer``, ``feature``, ``problem``, ``action``.
    """
    repairs = []
    geometry, feature_id, rows = _without_duplicates(geometry, feature_id, repairs)
    if not len(geometry):
        none = np.zeros(0, dtype=np.int64)
        empty = Pieces(geometry, none, np.zeros(0), none, none, np.zeros(0), np.zeros(0))
        return empty, pd.DataFrame(repairs, columns=REPAIR_COLUMNS)
    ends = np.concatenate([_end_points(geometry, 0), _end_points(geometry, -1)])
    node, places, cuts = joined_ends(geometry, ends, snap_m)
    for line, stops in enumerate(cuts):
        for along in sorted(stops.values()):
            repairs.append(("streams", feature_id[line], "another line ends on it", f"split at {along:.1f} m"))
    _list_moved_ends(ends, node, places, feature_id, repairs)
    pieces = _pieces(geometry, rows, node, places, cuts)
    short = shapely.length(pieces.geometry) <= 0.0
    short |= (pieces.start == pieces.end) & (shapely.length(pieces.geometry) <= 2 * snap_m)
    for row in np.flatnonzero(short):
        name = feature_id[np.searchsorted(rows, pieces.feature[row])]
        repairs.append(("streams", name, "no length after snapping", "left out"))
    kept_pieces = Pieces(*[part[~short] if len(part) == len(short) else part for part in pieces[:5]], *pieces[5:])
    return kept_pieces, pd.DataFrame(repairs, columns=REPAIR_COLUMNS)


# Lines drawn twice (either way round) are kept once.
def _without_duplicates(geometry, feature_id, repairs):
    kept_pieces, first_with = [], {}
    for row, line in enumerate(shapely.normalize(geometry)):
        text = shapely.to_wkb(line)
        if text in first_with:
            repairs.append(
                ("streams", feature_id[row], "drawn twice", f"left out, the same as {first_with[text]}")
            )
            continue
        first_with[text] = feature_id[row]
        kept_pieces.append(row)
    rows = np.array(kept_pieces, dtype=np.int64)
    return geometry[rows], feature_id[rows], rows


def _end_points(geometry, index):
    point = shapely.get_point(geometry, index)
    return np.column_stack([shapely.get_x(point), shapely.get_y(point)])


def _list_moved_ends(ends, node, places, feature_id, repairs):
    distance = np.hypot(*(ends - places[node]).T)
    for row in np.flatnonzero(distance > SAME_PLACE_M):
        which = "start" if row < len(feature_id) else "end"
        name = feature_id[row % len(feature_id)]
        repairs.append(
            ("streams", name, "end off its node", f"{which} moved by {distance[row]:.2f} m to the node")
        )


def _pieces(geometry, rows, node, places, cuts):
    count = len(geometry)
    parts = []
    for line in range(count):
        vertices = shapely.get_coordinates(geometry[line])
        vertex_m = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(vertices, axis=0).T))])
        stops = sorted((along_m, here) for here, along_m in cuts[line].items())
        stops = [(vertex_m[0], node[line]), *stops, (vertex_m[-1], node[line + count])]
        for (from_m, start), (to_m, end) in itertools.pairwise(stops):
            between = vertices[(vertex_m > from_m) & (vertex_m < to_m)]
            drawn = np.concatenate([places[[start]], between, places[[end]]])
            parts.append((shapely.LineString(drawn), rows[line], from_m, start, end))
    lines, feature, from_m, start, end = zip(*parts, strict=True)
    drawn = np.empty(len(lines), dtype=object)
    drawn[:] = lines
    return Pieces(
        drawn, np.array(feature), np.array(from_m), np.array(start), np.array(end), places[:, 0], places[:, 1]
    )


PART_COLUMNS = ["link", "from_m", "to_m", "feature_id", "feature_from_m", "feature_to_m"]


# Links with their orders, names and side arms.
def _make_links(pieces, lines, start, end, way_out, basis, is_turned):
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
    links["main_path_basis"] = basis[start[head]]
    links["downstream_link"] = downstream.astype(np.int32)
    links["length_m"] = shapely.length(links["geometry"].to_numpy())
    begins = ~links["is_divergence"].to_numpy() & ~links["is_canal"].to_numpy()
    orders = link_orders(downstream, links["length_m"].to_numpy(), leaves_link=leaves, counts=begins)
    # Of several links that arrive at the parting, the arm leaves the one that the main stem comes by.
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
    goes_on = (arriving[end] == 1) & (leaving[end] == 1)
    first = np.ones(len(start), dtype=bool)
    first[next_piece[goes_on]] = False
    chain_of = np.empty(len(start), dtype=np.int64)
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
    drawn_from_m = lines["drawn_from_m"].to_numpy(dtype=np.float64)
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
            from_m = drawn_from_m[pieces.feature[piece]] + pieces.from_m[piece]
            offset = (from_m, from_m + length)
            along = offset[::-1] if is_turned[piece] else offset
            parts.append((link, until - length, until, ids[pieces.feature[piece]], *along))
    links = pd.DataFrame(rows, columns=["stream", "is_canal", "geometry"])
    return links, pd.DataFrame(parts, columns=PART_COLUMNS)


# Share of the water above that each side arm takes; arms of one parting share at most all of it.
def _shares(links, lines, feature_of_head):
    has_above = links["leaves_link"].to_numpy() >= 0
    share = np.where(has_above, lines["arm_share"].to_numpy(dtype=np.float64)[feature_of_head], 0.0)
    beside = np.where(has_above, links["downstream_link"].to_numpy()[links["leaves_link"]], len(links))
    together = np.bincount(beside, weights=share)[beside]
    return share / np.maximum(together, 1.0)


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
    for link in reversed(range(len(links))):  # from the outlets up
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
        if basis := links["main_path_basis"].iat[link]:
            water += f"; main path by {basis}"
        repairs.append(("streams", features[link], problem, f"starts a link of its own, {water}"))


UNRESOLVED_COLUMNS = ["feature_id", "stream", "feature_from_m", "feature_to_m", "because", "geometry"]
# Defaults of a line's attributes.
LINE_DEFAULTS = {
    "drawn_from_m": 0.0,
    "main_path_value": np.nan,
    "is_canal": False,
    "arm_share": 0.0,
    "inflow_area_km2": np.nan,
}


class Network(NamedTuple):
    """Links numbered from the sources down, and repairs.

    ``links`` has a row a link: ``downstream_link`` (-1 at an outlet), ``leaves_link`` (for the first link of a
    side arm a link at whose lower end it leaves, else -1; all links that end there have lower numbers),
    ``arm_share`` of the water above that a side arm takes, ``length_m``, ``order_strahler``, ``shreve``,
    ``upstream_length_m``, ``main_upstream``, ``is_main_stem``, ``is_source``, ``is_divergence``, ``is_canal``,
    ``inflow_area_km2`` (from outside, 0 for most), ``stream``, ``geometry`` (downstream). ``parts`` has a row for
    each piece of a feature in a link: ``link``, ``from_m``, ``to_m`` along the link, ``feature_id``,
    ``feature_from_m``, ``feature_to_m`` along the feature as it was drawn. ``unresolved`` has a row for each
    piece that was set aside: ``feature_id``, ``stream``, ``feature_from_m``, ``feature_to_m``, ``because``,
    ``geometry`` (as drawn).
    """

    links: pd.DataFrame
    parts: pd.DataFrame
    repairs: pd.DataFrame
    unresolved: pd.DataFrame


def build_network(lines, *, snap_m, end_elevation_m=None, main_path="evidence", ridge_m=RIDGE_M) -> Network:
    """A network of links from drawn lines.

    Parameters
    ----------
    lines : DataFrame
        Columns ``geometry`` (LineString [m]), ``feature_id`` and ``stream`` (a name, or empty). May have
        ``drawn_from_m`` (float, where this part begins along its feature), ``main_path_value`` (float, for the
        rule "column"), ``is_canal`` (bool), ``arm_share`` (float, share of the water that the line takes where it
        is a side arm) and ``inflow_area_km2`` (float, NaN for none: catchment outside of a stream that enters by
        this line).
    snap_m : float
        Farthest gap that is closed [m].
    end_elevation_m : ndarray of float, shape (n, 2), optional
        Ground at the first and last vertex of each line [m], NaN where unknown. It decides whether lines were
        digitised upstream and whether a loose lower end is an outlet.
    main_path : str
        Rule of the main way where a stream parts, see `sitefinder.network.directions.main_arms`.
    ridge_m : float
        Climb along a stream that no error of the elevations explains [m].

    Returns
    -------
    Network

    Raises
    ------
    InputError
        If no line is left.

    Notes
    -----
    `sitefinder.network.directions` says how directions are found, and what cannot be resolved: it is set aside.
    Where a node has a second way out, that side arm starts a link of its own (``is_divergence``): it receives
    ``arm_share`` of the water from above, none where no share is stated, and joins below. Side arms, circles,
    closed rings and features that meet no other one are listed in ``repairs``.
    """
    lines = lines.assign(**{name: value for name, value in LINE_DEFAULTS.items() if name not in lines})
    geometry = np.asarray(lines["geometry"], dtype=object)
    feature_id = lines["feature_id"].to_numpy().astype(object)
    pieces, repairs = cut_lines(geometry, feature_id, snap_m=snap_m)
    if not len(pieces.geometry):
        raise InputError.of(
            "no stream line is left after snapping",
            expected=f"lines that are longer than the snapping distance, {snap_m:g} m, or no rings",
            found=f"{len(geometry)} small rings: {listed(feature_id)}" if len(geometry) else "no line at all",
            fix="lower network.snap_m, or check the unit of the layer's coordinates",
        )
    # Two equal arms are ordered by the user's ids, so that the order of the lines decides nothing.
    by_name = np.empty(len(pieces.start), dtype=np.int64)
    by_name[np.lexsort([pieces.from_m, feature_id[pieces.feature].astype(str)])] = np.arange(len(by_name))
    drop_m = _drops(pieces, geometry, end_elevation_m)
    directed = direct_pieces(pieces, drop_m, feature_id, by_name, ridge_m=ridge_m)
    unresolved = _set_aside(pieces, lines, directed.because)
    sound = directed.because == ""
    if not sound.any():
        raise InputError.of(
            "the stream network has no way out",
            expected="lines that lead to an outlet, falling on the whole",
            found=f"{len(unresolved)} pieces, of features {listed(unresolved['feature_id'].unique())}",
            fix="draw the outlet, or check that streams and DEM are of the same region",
        )
    repairs_made = [*directed.repairs, *_repairs_of_unresolved(unresolved)]
    loose = _loose(pieces)
    for feature in np.unique(pieces.feature[loose & sound]):
        repairs_made.append(
            ("streams", feature_id[feature], "meets no other line", "kept as a network of its own")
        )
    pieces = Pieces(*[part[sound] for part in pieces[:5]], *pieces[5:])
    start, end, is_turned, by_name = (
        part[sound] for part in (directed.start, directed.end, directed.is_turned, by_name)
    )
    drawn = pieces.geometry.copy()
    drawn[is_turned] = shapely.reverse(pieces.geometry[is_turned])
    way_out, basis = main_arms(
        start,
        end,
        drawn,
        by_name,
        len(pieces.node_x_m),
        rule=main_path,
        value=lines["main_path_value"].to_numpy(dtype=np.float64)[pieces.feature],
        is_canal=lines["is_canal"].to_numpy(dtype=bool)[pieces.feature],
        name=lines["stream"].to_numpy().astype(object)[pieces.feature],
    )
    links, parts, link_repairs = _make_links(
        pieces._replace(geometry=drawn), lines, start, end, way_out, basis, is_turned
    )
    repairs_made = pd.DataFrame([*repairs_made, *link_repairs], columns=REPAIR_COLUMNS)
    return Network(links, parts, pd.concat([repairs, repairs_made], ignore_index=True), unresolved)


# Fall [m] of each piece as digitised; only known where the piece is a whole feature, else shared by length.
def _drops(pieces, geometry, end_elevation_m):
    if end_elevation_m is None:
        return np.full(len(pieces.start), np.nan)
    whole = end_elevation_m[:, 0] - end_elevation_m[:, 1]
    share = shapely.length(pieces.geometry) / shapely.length(geometry[pieces.feature])
    return whole[pieces.feature] * share


# Pieces that cannot be resolved, as drawn.
def _set_aside(pieces, lines, because):
    rows = np.flatnonzero(because != "")
    feature = pieces.feature[rows]
    length_m = shapely.length(pieces.geometry[rows])
    from_m = lines["drawn_from_m"].to_numpy(dtype=np.float64)[feature] + pieces.from_m[rows]
    columns = {
        "feature_id": lines["feature_id"].to_numpy().astype(object)[feature],
        "stream": lines["stream"].to_numpy().astype(object)[feature],
        "feature_from_m": from_m,
        "feature_to_m": from_m + length_m,
        "because": because[rows],
        "geometry": pieces.geometry[rows],
    }
    return pd.DataFrame(columns, columns=UNRESOLVED_COLUMNS).sort_values(
        ["feature_id", "feature_from_m"], kind="stable", ignore_index=True
    )


def _repairs_of_unresolved(unresolved):
    first = unresolved.drop_duplicates("feature_id")
    action = "set aside as unknown, without area and flow"
    return [
        ("streams", name, because, action)
        for name, because in zip(first["feature_id"], first["because"], strict=True)
    ]


# Pieces of features that meet no other one.
def _loose(pieces):
    count = len(pieces.node_x_m)
    of_piece = components(pieces.start, pieces.end, count)[1][pieces.start]
    _, first = np.unique(np.stack([of_piece, pieces.feature], axis=1), axis=0, return_index=True)
    if len(first) < 2:
        return np.zeros(len(of_piece), dtype=bool)
    return (np.bincount(of_piece[first], minlength=count) == 1)[of_piece]
