"""What changed between two runs, reach by reach and site by site, with the values and the cause."""

from typing import NamedTuple

import geopandas
import numpy as np
import pandas as pd

from sitefinder.schema.change_layers import CHANGE_LAYERS, CHANGES, KINDS
from sitefinder.siting.causes import differences
from sitefinder.siting.places import NEAR_M
from sitefinder.siting.reach_changes import reach_changes
from sitefinder.siting.site_changes import site_changes

# What is compared, by layer: the columns without which it cannot be done.
NEEDED = {
    "sites": "site_id rank layout verdict reach_id stream length_m power_kw energy_mwh",
    "stretches": "site_id pond_length_m",
    "reaches": "reach_id stream from_m to_m length_m theoretical_kw verdict reasons not_offered_because",
    "rule_hits": "reach_id rule action feature_id from_m to_m",
    "provenance": "kind name value digest source",
}
# Numbers that agree to this share are the same; a sum may come out differently in its last digits.
LEAST_CHANGE = 1e-9


class Changes(NamedTuple):
    """The tables of a comparison, as schema declares them in ``CHANGE_LAYERS``."""

    changes: geopandas.GeoDataFrame
    changed_values: pd.DataFrame
    causes: pd.DataFrame


def compare_runs(old, new, graph, *, near_m=NEAR_M, least_change=LEAST_CHANGE, defaults=()):
    """What became of every reach and site of two runs.

    Parameters
    ----------
    old, new : dict of str to DataFrame or GeoDataFrame
        The layers of `NEEDED` of each run, in the same coordinate system [m]; text without NULL.
    graph : sitefinder.siting.causes.StageGraph
        By which inputs and settings lead to results.
    near_m : float
        How near each other a stream may be drawn to be the same [m].
    least_change : float
        Numbers that differ by no more than this share of the greater are the same.
    defaults : mapping
        See `sitefinder.siting.causes.differences`.

    Returns
    -------
    Changes
        Every reach and site of either run is in one row, so that the columns ``…_old`` and ``…_new`` add up to the
        totals of the runs. Reaches first, then sites by rank, each in the order of the old run, then what is new.

    Notes
    -----
    Reaches and sites are the same if they have the same id and lie in the same place. Others are matched by place:
    reaches whose lines share at least half of their length, and sites of the same layout of which that is true,
    if their reach has another id in the other run.

    A site that only the old run has is newly excluded if a feature of a rule that bars it lies on its stretch or
    pond in the new run, and did not in the old one; otherwise it vanished. What holds of sites that only the new
    run has is the same the other way round.
    """
    causes = differences(old["provenance"], new["provenance"], graph, defaults)
    options = {"near_m": near_m, "least_change": least_change}
    reaches, reach_values, matched = reach_changes(old, new, causes, **options)
    sites, site_values = site_changes(old, new, causes, matched, **options)
    parts, values = [], []
    for kind, rows, told in zip(KINDS, (reaches, sites), (reach_values, site_values), strict=True):
        parts.append(rows.assign(kind=kind))
        ids = {name: rows[name].to_numpy()[told["row"].to_numpy()] for name in ("id_old", "id_new")}
        values.append(told.assign(kind=kind, **ids))
    for column in CHANGE_LAYERS["changes"].columns:
        for part in parts:
            if column.name not in part:
                part[column.name] = "" if column.dtype == "text" else np.nan
    changes = pd.concat(parts, ignore_index=True)
    for name in ("rank_old", "rank_new"):
        changes[name] = pd.array(changes[name].where(changes[name].notna(), pd.NA), dtype="Int64")
    frame = geopandas.GeoDataFrame(
        changes[[column.name for column in CHANGE_LAYERS["changes"].columns]],
        geometry=changes["geometry"].to_numpy(dtype=object),
        crs=new["reaches"].crs,
    )
    names = [column.name for column in CHANGE_LAYERS["changed_values"].columns]
    return Changes(frame, pd.concat(values, ignore_index=True)[names], causes.table)


def sums_by_change(changes):
    """Number and sums of rows for each kind and change that occurs.

    Parameters
    ----------
    changes : DataFrame
        As of `compare_runs`.

    Returns
    -------
    DataFrame
        ``kind``, ``change``, ``old`` and ``new`` (number of rows that each run has), and the sums of the columns
        ``…_old`` and ``…_new``; kinds and changes in the order of the schema.
    """
    sums = [
        name
        for name in changes.columns
        if name.rsplit("_", 1)[0] in ("length_m", "theoretical_kw", "power_kw", "energy_mwh")
    ]
    counted = pd.DataFrame(changes[["kind", "change", *sums]]).assign(
        old=(changes["id_old"] != "").to_numpy(dtype=np.int64),
        new=(changes["id_new"] != "").to_numpy(dtype=np.int64),
    )
    table = counted.groupby(["kind", "change"], sort=False, as_index=False)[["old", "new", *sums]].sum()
    order = [table["kind"].map(KINDS.index), table["change"].map(CHANGES.index)]
    return table.iloc[np.lexsort(order[::-1])].reset_index(drop=True)
