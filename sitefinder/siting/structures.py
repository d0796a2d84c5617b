"""Existing weirs and drops, brought to the segment of stream that they stand in."""

import numpy as np
import pandas as pd

from sitefinder.schema.vocabulary import FLAG_SEPARATOR, FLAG_VALUE, STRUCTURE_IN_USE
from sitefinder.streams.stations import nearest_segments

# What the user's layer may say of a structure, and what is taken where it says nothing.
ATTRIBUTES = {
    "kind": "",
    "use": "",
    "owner": "",
    "condition": "",
    "powered": False,
    "fish_pass": False,
    "removal_planned": False,
    "drop_m": np.nan,
    "drop_error_m": np.nan,
}
# Kinds at which nobody can take head as at a weir: a natural fall stays as it is, a crossing holds no water.
CROSSINGS = ("bridge", "culvert", "embankment", "ford")
NOT_BARRIERS = ("fall", "waterfall", *CROSSINGS)
# What a layer may write for a structure that nobody uses.
NO_USE = ("", "none", "no", "unused", "disused", "abandoned", "unknown")
# A surveyed drop without a stated error (common practice, no source).
SURVEY_ERROR_M = 0.1
WORDS = {"yes": True, "true": True, "1": True, "no": False, "false": False, "0": False, "": False}


def place_structures(frame, segments, snap_m):
    """Structures with the station whose segment they stand in.

    Parameters
    ----------
    frame : GeoDataFrame
        Points with ``feature_id`` and any of the `ATTRIBUTES`.
    segments : DataFrame
        Columns ``station`` and ``geometry``.
    snap_m : float
        Farthest that a structure may lie from its stream [m].

    Returns
    -------
    DataFrame
        One row a structure: ``structure_id``, the attributes, ``station`` (-1 where no stream is near),
        ``distance_to_stream_m``, ``share_above`` (of its segment's length), ``is_barrier`` (head may be taken
        there), ``note``, ``geometry``. A weir in use is a barrier like others.

    Notes
    -----
    A structure goes to the nearest segment; at equal distance to the one of the lower station.
    """
    table = pd.DataFrame({"structure_id": frame["feature_id"].to_numpy()})
    for name, default in ATTRIBUTES.items():
        values = frame[name].to_numpy() if name in frame else np.full(len(frame), default)
        table[name] = _as(values, default)
    table["drop_error_m"] = table["drop_error_m"].where(table["drop_error_m"] > 0, SURVEY_ERROR_M)
    table["geometry"] = frame.geometry.to_numpy()
    station, distance, share_above = nearest_segments(table["geometry"].to_numpy(), segments)
    near = distance <= snap_m
    table["station"] = np.where(near, station, -1)
    table["distance_to_stream_m"] = distance
    table["share_above"] = share_above
    natural = table["kind"].str.lower().isin(NOT_BARRIERS).to_numpy()
    powered = table["powered"].to_numpy()
    planned = table["removal_planned"].to_numpy()
    table["is_barrier"] = near & ~natural & ~powered & ~planned
    notes = [
        (~near, f"no stream within {snap_m:g} m"),
        (natural, "no barrier to take head at"),
        (powered, "already powered: its stream is developed"),
        (planned, "removal is planned"),
        (
            table["drop_m"].isna().to_numpy() & table["is_barrier"].to_numpy(),
            "no surveyed drop: head from the DEM",
        ),
    ]
    told = np.full(len(table), "", dtype=object)
    for applies, text in notes:
        told = np.where(applies, np.where(told == "", text, told + "; " + text), told)
    table["note"] = told
    return table


def known_breaks(structures, raw_m, segment_m, reach_m):
    """Stations right above a known weir or fall, where the long profile breaks.

    Parameters
    ----------
    structures : DataFrame
        As placed by `place_structures`.
    raw_m : ndarray of float64, shape (n,)
        Raw elevation of each station [m], NaN where none is known.
    segment_m : ndarray of float64, shape (n,)
        Length of the segment that ends at each station [m]; 0 for the first station of a link.
    reach_m : float
        How far along the stream a structure may lie from where its drop shows [m]; a cell of the DEM.

    Returns
    -------
    ndarray of bool, shape (n,)

    Notes
    -----
    An elevation is that of a whole cell, so that the drop of a structure near a station may show in the segment
    on the other side of it: of its own segment and those of the same link within reach, the one with the greatest
    raw fall has the break, its own where the DEM tells of none. Crossings hold no water, and are none.
    """
    is_break = np.zeros(len(raw_m), dtype=bool)
    fall_m = np.diff(raw_m, prepend=np.nan)
    fall_m = np.where(np.isnan(fall_m), -np.inf, -fall_m)
    holds = (structures["station"] >= 0) & ~structures["kind"].str.lower().isin(CROSSINGS)
    for station, share_above in structures.loc[holds, ["station", "share_above"]].itertuples(index=False):
        at, length_m = int(station), segment_m[int(station)]
        near = [at]
        if share_above * length_m < reach_m and segment_m[at - 1] > 0.0:
            near.append(at - 1)
        if (1.0 - share_above) * length_m < reach_m and at + 1 < len(raw_m) and segment_m[at + 1] > 0.0:
            near.append(at + 1)
        is_break[max(near, key=lambda segment: fall_m[segment]) - 1] = True
    return is_break


def uses_told(structures):
    """What is to be known of a site at each structure because of its use.

    Parameters
    ----------
    structures : DataFrame
        Column ``use``.

    Returns
    -------
    ndarray of str
        ``structure_in_use: …``, or nothing where it has no use. What would end a flag within the user's text is
        told as a comma.
    """
    use = structures["use"].astype(str).str.strip()
    none = use.str.lower().isin(NO_USE)
    use = use.str.replace(FLAG_SEPARATOR, ", ", regex=False)
    return (STRUCTURE_IN_USE.name + FLAG_VALUE + use).where(~none, "").to_numpy(dtype=object)


def _as(values, default):
    if isinstance(default, bool):
        words = _filled(values).str.strip().str.lower().str.removesuffix(".0")
        return words.map(WORDS).fillna(False).to_numpy(dtype=bool)
    if isinstance(default, float):
        return pd.to_numeric(pd.Series(values), errors="coerce").to_numpy(dtype=float)
    return _filled(values).to_numpy(dtype=object)


# Values as text, nothing where there is none. A column of numbers takes no text for its gaps, one of objects does.
def _filled(values):
    column = pd.Series(values, dtype=object)
    return column.where(column.notna(), "").astype(str)
