"""What is told of the stream network: all repairs in one table, and reaches that could not be resolved."""

from itertools import pairwise

import geopandas
import numpy as np
import pandas as pd
import shapely
from shapely.ops import substring

from sitefinder.schema import LAYERS
from sitefinder.schema.vocabulary import NETWORK_UNRESOLVED
from sitefinder.stages.network import ridge_limit_m
from sitefinder.streams.doubts import list_close_streams, list_crossings, list_ridges, list_shared_cells
from sitefinder.streams.stations import without_repeats


def list_stream_doubts(settings, inputs, surface, network, placed, terrain, heads):
    """Streams that the DEM cannot tell apart, that cross, or that are drawn over a ridge.

    Returns
    -------
    DataFrame
        As the repairs of a layer.
    """
    grid = surface.grid
    cell_m = float(np.sqrt(grid.cell_width_m * grid.cell_height_m))
    found = [
        list_shared_cells(terrain.cells.shared, placed.stations, network),
        list_close_streams(placed.segments, placed.stations, network, cell_m),
        list_crossings(network),
        list_ridges(heads.raw_m, heads.profile_m, placed.stations, network, ridge_limit_m(settings, inputs, grid)),
    ]
    return pd.concat(found, ignore_index=True)


def joined_repairs(**by_kind):
    """The ``repairs`` layer.

    Parameters
    ----------
    **by_kind : list of DataFrame
        Repairs by what found them.

    Returns
    -------
    DataFrame
        As `sitefinder.schema` declares ``repairs``.
    """
    tables = [table.assign(kind=kind) for kind, tables in by_kind.items() for table in tables]
    columns = [column.name for column in LAYERS["repairs"].columns]
    return pd.concat(tables, ignore_index=True)[columns].fillna("")


def unresolved_reaches(settings, network, placed):
    """Reaches of what was set aside: a line and a verdict, but no area, flow or head.

    Parameters
    ----------
    settings : sitefinder.config.Settings
    network : Network
    placed : Placed

    Returns
    -------
    GeoDataFrame
        With the columns of ``reaches`` that are known, and ``geometry``; as long as the settings have reaches.
    """
    rows, lines = [], []
    for piece in network.unresolved.itertuples():
        count = max(1, round(piece.geometry.length / settings.network.reach_length_m))
        at = np.linspace(0.0, piece.geometry.length, count + 1)
        for from_m, to_m in pairwise(at):
            middle_m = piece.feature_from_m + (from_m + to_m) / 2
            rows.append((f"{piece.feature_id}@{middle_m:.0f}", piece.stream, piece.feature_id, from_m, to_m))
            lines.append(substring(piece.geometry, from_m, to_m))
    table = pd.DataFrame(rows, columns=["reach_id", "stream", "feature_id", "from_m", "to_m"])
    known = placed.reaches["reach_id"].tolist()
    table["reach_id"] = without_repeats([*known, *table["reach_id"]])[len(known) :]
    table["length_m"] = shapely.length(np.array(lines, dtype=object))
    for column in LAYERS["reaches"].columns:
        if column.name not in table:
            empty = {"text": "", "boolean": False}.get(column.dtype, np.nan)
            table[column.name] = pd.Series([empty] * len(table), index=table.index)
    table["verdict"] = "unknown"
    table["mark_unknown"] = True
    table["flags"] = NETWORK_UNRESOLVED.flag
    table["not_offered_because"] = NETWORK_UNRESOLVED.name
    return geopandas.GeoDataFrame(table, geometry=lines, crs=settings.run.crs)
