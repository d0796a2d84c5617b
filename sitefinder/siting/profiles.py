"""Long profiles as tables: one path downstream with everything known about it, station by station."""

import numpy as np
import pandas as pd

from sitefinder.vocabulary import IN_ONE_CELL

# Half width of the 90 % band in standard errors, of normal errors.
NORMAL_90 = 1.645
INTAKE, TAILRACE = "intake", "tailrace"


def path_down(upper, lower, downstream):
    """Stations on the path from one station down to another.

    Parameters
    ----------
    upper, lower : int
        Numbers of the stations.
    downstream : ndarray of int32, shape (n,)
        Number of the next station downstream, -1 at an outlet; always greater than the station's own.

    Returns
    -------
    ndarray of int64, shape (k,)
        Both ends included.

    Raises
    ------
    ValueError
        If the lower station is not downstream of the upper one.

    Examples
    --------
    >>> path_down(0, 3, np.array([2, 2, 3, -1])).tolist()
    [0, 2, 3]
    """
    path = [int(upper)]
    while path[-1] != lower:
        below = int(downstream[path[-1]])
        if below < 0:
            raise ValueError(f"station {lower} is not downstream of station {upper}")
        path.append(below)
    return np.array(path, dtype=np.int64)


def path_with_context(upper, lower, downstream, to_downstream_m, main_upstream, context_m):
    """Stations on the path from one station down to another, extended upstream and downstream.

    Parameters
    ----------
    upper, lower, downstream
        As of `path_down`.
    to_downstream_m : ndarray of float64, shape (n,)
        Distance to the next station downstream [m].
    main_upstream : ndarray of int32, shape (n,)
        The station that carries the main stem on upstream, -1 at sources;
        `sitefinder.network.ordering.main_upstream`.
    context_m : float
        Length added at either end [m], in whole segments, so up to one segment longer; less where a source or an
        outlet comes first.

    Returns
    -------
    ndarray of int64, shape (k,)

    Raises
    ------
    ValueError
        As of `path_down`.
    """
    path = path_down(upper, lower, downstream).tolist()
    added_m = 0.0
    while added_m < context_m and main_upstream[path[0]] >= 0:
        path.insert(0, int(main_upstream[path[0]]))
        added_m += to_downstream_m[path[0]]
    added_m = 0.0
    while added_m < context_m and downstream[path[-1]] >= 0:
        added_m += to_downstream_m[path[-1]]
        path.append(int(downstream[path[-1]]))
    return np.array(path, dtype=np.int64)


def long_profile(
    path,
    stations,
    raw_m,
    profile_m,
    errors_m,
    *,
    reaches=None,
    long_profile=None,
    standing_water=None,
    structures=None,
    ends=(),
):
    """The long profile of a path as a table.

    Parameters
    ----------
    path : ndarray of int, shape (k,)
        Stations from the top down, as of `path_down`.
    stations : DataFrame
        Columns ``downstream``, ``to_downstream_m`` and ``reach`` (-1 for the first station of a link); n rows.
    raw_m, profile_m : ndarray of float64, shape (n,)
        Elevation as read from the DEM, and conditioned [m]; NaN where there is none.
    errors_m : ndarray of float32, shape (n, simulations)
        Simulated errors of the profile [m].
    reaches : DataFrame, optional
        Columns ``reach_id`` and ``stream``, by number of the reach.
    long_profile : sitefinder.profile.fitting.LongProfile, optional
        Gives rejected elevations, steps and levelled water.
    standing_water : ndarray of bool, shape (n,), optional
        True where the segment that ends at the station is standing water.
    structures : DataFrame, optional
        Columns ``structure_id``, ``station`` (that ends the segment with the structure; -1: none), ``drop_m``
        (surveyed, NaN where it is not), ``dem_drop_m``.
    ends : tuple of int
        Stations of intake and tailrace, where the path is that of a site.

    Returns
    -------
    DataFrame, k rows
        ``distance_m`` from the top [m]; ``station``; ``reach_id`` and ``stream`` (empty where no reaches are
        given); ``raw_m``, ``profile_m`` [m]; ``low_m``, ``high_m``: the 90 % band of the profile [m];
        ``is_refused``: the raw elevation was left out of the fit; ``is_step``: a step right below the station;
        ``is_made_level``; ``is_standing``: standing water between the station and the one above; ``structure_id``
        and ``structure_drop_m``: structures between the station and the one above, several ids by "; " and
        their drops added, surveyed ones preferred [m]; ``mark``: "intake", "tailrace" or empty.

    Raises
    ------
    ValueError
        If the path is empty, or if a station does not follow the one before it.

    Notes
    -----
    The band is 1.645 root mean square errors to either side. It applies to each elevation by itself; neighbours
    share most of their error, so that a head between two stations is more certain than their bands suggest.
    """
    path = np.asarray(path, dtype=np.int64)
    if not path.size:
        raise ValueError("a long profile needs at least one station")
    if (stations["downstream"].to_numpy()[path[:-1]] != path[1:]).any():
        raise ValueError("each station of the path must be the next one downstream of the one before it")
    step_m = stations["to_downstream_m"].to_numpy()[path]
    half_m = NORMAL_90 * np.sqrt(np.mean(np.asarray(errors_m[path], dtype=np.float64) ** 2, axis=1))
    nowhere = np.zeros(len(profile_m), dtype=bool)
    is_refused, is_step, is_level = nowhere, nowhere, nowhere
    if long_profile is not None:
        is_refused, is_step, is_level = long_profile.is_spike, long_profile.is_break, long_profile.is_flat
    # The segment above the top station is not part of the path.
    is_below = np.arange(path.size) > 0
    reach_id, stream = _reach_texts(path, stations, reaches)
    structure_id, structure_drop_m = _structures_on(path[1:], structures)
    mark = np.full(path.size, "", dtype=object)
    for name, station in zip((INTAKE, TAILRACE), ends, strict=False):
        mark[path == station] = name
    columns = {
        "distance_m": np.concatenate([[0.0], np.cumsum(step_m[:-1])]),
        "station": path,
        "reach_id": reach_id,
        "stream": stream,
        "raw_m": raw_m[path],
        "profile_m": profile_m[path],
        "low_m": profile_m[path] - half_m,
        "high_m": profile_m[path] + half_m,
        "is_refused": is_refused[path],
        "is_step": is_step[path],
        "is_made_level": is_level[path],
        "is_standing": False if standing_water is None else standing_water[path] & is_below,
        "structure_id": structure_id,
        "structure_drop_m": structure_drop_m,
        "mark": mark,
    }
    return pd.DataFrame(columns)


# Id and stream of each station's reach; the first station of a link has that of the next one on the path, and at
# its end that of the one before.
def _reach_texts(path, stations, reaches):
    if reaches is None:
        return "", ""
    number = pd.Series(stations["reach"].to_numpy()[path]).replace(-1, np.nan).bfill().ffill()
    known = number.notna().to_numpy()
    texts = []
    for name in ("reach_id", "stream"):
        text = np.full(path.size, "", dtype=object)
        text[known] = reaches[name].to_numpy(dtype=object)[number[known].to_numpy(dtype=np.int64)]
        texts.append(text)
    return texts


# Ids of the structures on the segments that end at the stations, with the sum of their drops [m]; the top station
# of the path, which comes before these, has none.
def _structures_on(below, structures):
    ids, drops_m = [""], [np.nan]
    if structures is None or not len(structures):
        return ids * (len(below) + 1), drops_m * (len(below) + 1)
    structures = structures[~structures["removed"].to_numpy(dtype=bool)]
    at = structures["station"].to_numpy(dtype=np.int64)
    name = structures["structure_id"].to_numpy(dtype=object)
    drop_m = structures["drop_m"].fillna(structures["dem_drop_m"]).to_numpy(dtype=np.float64)
    on_path = np.isin(at, below)
    at, name, drop_m = at[on_path], name[on_path], drop_m[on_path]
    for station in below.tolist():
        rows = np.flatnonzero(at == station)
        ids.append(IN_ONE_CELL.join(str(name[row]) for row in rows))
        drops_m.append(drop_m[rows].sum() if len(rows) else np.nan)
    return ids, drops_m
