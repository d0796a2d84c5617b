"""From drawn lines to links: a directed graph with one main way out of every node, numbered downstream."""

from typing import NamedTuple

import numpy as np
import pandas as pd
import shapely
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components

from sitefinder.errors import InputError, listed
from sitefinder.streams.directions import RIDGE_M, direct_pieces
from sitefinder.streams.lines import REPAIR_COLUMNS, Pieces, cut_lines
from sitefinder.streams.links import make_links
from sitefinder.streams.main_path import main_ways

UNRESOLVED_COLUMNS = ["feature_id", "stream", "feature_from_m", "feature_to_m", "because", "geometry"]
# What a line is where the table does not say.
LINE_DEFAULTS = {"main_path_value": np.nan, "is_canal": False, "arm_share": 0.0, "inflow_area_km2": np.nan}


class Network(NamedTuple):
    """Links numbered from the sources down, and what was mended on the way.

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


def build_network(lines, *, snap_m, end_elevation_m=None, main_path="longest", ridge_m=RIDGE_M):
    """A network of links from drawn lines.

    Parameters
    ----------
    lines : DataFrame
        Columns ``geometry`` (LineString [m]), ``feature_id`` and ``stream`` (a name, or empty). May have
        ``main_path_value`` (float, for the rule "column"), ``is_canal`` (bool), ``arm_share`` (float, share of the
        water that the line takes where it is a side arm) and ``inflow_area_km2`` (float, NaN for none: catchment
        outside of a stream that enters by this line).
    snap_m : float
        Farthest gap that is closed [m].
    end_elevation_m : ndarray of float, shape (n, 2), optional
        Ground at the first and last vertex of each line [m], NaN where unknown. It decides whether lines were
        digitised upstream and whether a loose lower end is an outlet.
    main_path : str
        Rule of the main way where a stream parts, see `sitefinder.streams.main_path.main_ways`.
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
    `sitefinder.streams.directions` says how directions are found, and what cannot be resolved: it is set aside.
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
            expected=f"lines longer than the snapping distance, {snap_m:g} m",
            found=f"{len(geometry)} shorter lines: {listed(feature_id)}" if len(geometry) else "no line at all",
            fix="lower network.snap_m, or check the unit of the layer's coordinates",
        )
    # Two arms that are alike are told apart by the user's ids, so that the order of the lines decides nothing.
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
    mended = [*directed.repairs, *_told_of_unresolved(unresolved)]
    loose = _loose(pieces)
    for feature in np.unique(pieces.feature[loose & sound]):
        mended.append(("streams", feature_id[feature], "meets no other line", "kept as a network of its own"))
    pieces = Pieces(*[part[sound] for part in pieces[:5]], *pieces[5:])
    start, end, is_turned, by_name = (
        part[sound] for part in (directed.start, directed.end, directed.is_turned, by_name)
    )
    drawn = pieces.geometry.copy()
    drawn[is_turned] = shapely.reverse(pieces.geometry[is_turned])
    way_out = main_ways(
        start,
        end,
        drawn,
        by_name,
        len(pieces.node_x_m),
        rule=main_path,
        value=lines["main_path_value"].to_numpy(dtype=np.float64)[pieces.feature],
        is_canal=lines["is_canal"].to_numpy(dtype=bool)[pieces.feature],
    )
    links, parts, told = make_links(pieces._replace(geometry=drawn), lines, start, end, way_out, is_turned)
    mended = pd.DataFrame([*mended, *told], columns=REPAIR_COLUMNS)
    return Network(links, parts, pd.concat([repairs, mended], ignore_index=True), unresolved)


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
    columns = {
        "feature_id": lines["feature_id"].to_numpy().astype(object)[feature],
        "stream": lines["stream"].to_numpy().astype(object)[feature],
        "feature_from_m": pieces.from_m[rows],
        "feature_to_m": pieces.from_m[rows] + length_m,
        "because": because[rows],
        "geometry": pieces.geometry[rows],
    }
    return pd.DataFrame(columns, columns=UNRESOLVED_COLUMNS).sort_values(
        ["feature_id", "feature_from_m"], kind="stable", ignore_index=True
    )


def _told_of_unresolved(unresolved):
    first = unresolved.drop_duplicates("feature_id")
    action = "set aside as unknown, without area and flow"
    return [
        ("streams", name, because, action)
        for name, because in zip(first["feature_id"], first["because"], strict=True)
    ]


# Pieces of features that meet no other one.
def _loose(pieces):
    count = len(pieces.node_x_m)
    graph = coo_array((np.ones(len(pieces.start)), (pieces.start, pieces.end)), shape=(count, count))
    of_piece = connected_components(graph, directed=False)[1][pieces.start]
    _, first = np.unique(np.stack([of_piece, pieces.feature], axis=1), axis=0, return_index=True)
    if len(first) < 2:
        return np.zeros(len(of_piece), dtype=bool)
    return (np.bincount(of_piece[first], minlength=count) == 1)[of_piece]
