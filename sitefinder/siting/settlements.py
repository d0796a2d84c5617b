"""Which settlements are off the grid, what they need, and which of them is nearest to a site."""

import numpy as np
import pandas as pd
import shapely

from sitefinder.errors import InputError, listed
from sitefinder.units import KILOWATT_HOURS_PER_MEGAWATT_HOUR


def demand_of_settlements(settlements, off_grid):
    """Demand of each settlement in a year.

    Parameters
    ----------
    settlements : DataFrame, n rows
        With ``feature_id`` and the column that the settings name.
    off_grid : sitefinder.config.OffGridSettings

    Returns
    -------
    ndarray of float64, shape (n,)
        [MWh].

    Raises
    ------
    InputError
        If the column is not there or holds anything but numbers from zero up.
    """
    column = off_grid.demand_column
    where = "layer settlements, off_grid.demand_column"
    if column not in settlements:
        given = [name for name in settlements.columns if not name.startswith(("feature_", "source_"))]
        raise InputError.of(
            f"the settlements have no column {column}",
            where=where,
            found=listed(name for name in given if name != "geometry") or "no columns",
            fix="name the column with the demand, or with how many people or homes there are",
        )
    units = pd.to_numeric(settlements[column], errors="coerce").to_numpy(dtype=float)
    wrong = ~(np.isfinite(units) & (units >= 0))
    if wrong.any():
        raise InputError.of(
            "settlements without a demand",
            where=where,
            expected="a number from 0 up",
            settlements=listed(settlements["feature_id"][wrong]),
            fix=f"fill the column {column}",
        )
    return units * off_grid.kwh_per_unit / KILOWATT_HOURS_PER_MEGAWATT_HOUR


def is_off_grid(settlements, power_lines, beyond_m):
    """Settlements farther than a distance from every power line.

    Parameters
    ----------
    settlements : GeoDataFrame, n rows
        Points or polygons [m].
    power_lines : GeoDataFrame or None
        None, or empty: all are off the grid.
    beyond_m : float

    Returns
    -------
    ndarray of bool, shape (n,)
    """
    off = np.ones(len(settlements), dtype=bool)
    if power_lines is not None and len(power_lines) and len(settlements):
        tree = shapely.STRtree(np.asarray(power_lines.geometry, dtype=object))
        places = np.asarray(settlements.geometry, dtype=object)
        off[tree.query_nearest(places, max_distance=beyond_m, all_matches=False)[0]] = False
    return off


def nearest_settlement(x_m, y_m, settlements):
    """The nearest settlement of each point.

    Parameters
    ----------
    x_m, y_m : ndarray of float64, shape (n,)
        Coordinates [m].
    settlements : GeoDataFrame
        Points or polygons in the same coordinates [m].

    Returns
    -------
    row : ndarray of int64, shape (n,)
        Of several at one distance the first; -1 where there are no settlements.
    distance_m : ndarray of float64, shape (n,)
        Straight; NaN where there are none.
    """
    row, distance_m = np.full(len(x_m), -1), np.full(len(x_m), np.nan)
    if len(settlements) and len(x_m):
        tree = shapely.STRtree(np.asarray(settlements.geometry, dtype=object))
        found, far_m = tree.query_nearest(shapely.points(x_m, y_m), return_distance=True)
        row[:] = len(settlements)
        np.minimum.at(row, found[0], found[1])
        distance_m[found[0]] = far_m
    return row, distance_m
