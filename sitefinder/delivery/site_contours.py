"""The stage of the contours on the maps of sites: of the DEM's own cells, in the window of each map."""

import math

import geopandas
import numpy as np
import pandas as pd

from sitefinder.dem.grid import Window
from sitefinder.io.raster import read_window
from sitefinder.report.handover import Handover
from sitefinder.report.sheets import sites_with_sheet
from sitefinder.report.sheets.contours import contour_interval_m, contours
from sitefinder.report.sheets.maps import site_window


def find_site_contours(
    settings, surface, dem_errors, relief, map_context, sites_table, stretches_table, conduits_table
):
    """Contours of the sites that have a sheet.

    Returns
    -------
    GeoDataFrame
        ``site_id``, ``interval_m`` [m] and a line. None where the DEM's median error along the streams hides what
        is between two lines, nor of a surface model, which shows trees and roofs.
    """
    tables = {"sites": sites_table, "stretches": stretches_table, "conduits": conduits_table}
    listed = sites_with_sheet(sites_table, settings.delivery.field_sheets)
    return contours_of(listed, settings.run.crs, surface, dem_errors, relief, map_context, tables)


def contours_of(listed, crs, surface, dem_errors, relief, map_context, tables):
    """Contours of some sites, as `find_site_contours`.

    Parameters
    ----------
    listed : GeoDataFrame
        Rows of the layer ``sites``.
    crs : str
    surface, dem_errors, relief, map_context
        Results of the stages of these names.
    tables : Mapping
        The layers ``sites``, ``stretches`` and ``conduits``.

    Returns
    -------
    GeoDataFrame
    """
    rows, is_surface = {"site_id": [], "interval_m": [], "geometry": []}, dem_errors.is_surface
    if len(listed) and len(is_surface) and not np.median(is_surface):
        drawn = Handover("", crs, "", tables, math.nan, math.nan, relief, map_context)
        rmse_m = float(np.median(dem_errors.rmse_m))
        for _, site in listed.iterrows():
            window = site_window(drawn, site)
            level_m, x_m, y_m = _levels(surface, window) if window else (np.empty((0, 0)), (), ())
            if not np.isfinite(level_m).any():
                continue
            interval_m = contour_interval_m(float(np.nanmax(level_m) - np.nanmin(level_m)), rmse_m)
            lines = [] if interval_m is None else contours(level_m, x_m, y_m, interval_m)
            rows["site_id"] += [site["site_id"]] * len(lines)
            rows["interval_m"] += [interval_m] * len(lines)
            rows["geometry"] += lines
    site_id, interval_m = pd.Series(rows["site_id"], dtype="str"), np.array(rows["interval_m"], dtype=np.float64)
    columns = {"site_id": site_id, "interval_m": interval_m}
    return geopandas.GeoDataFrame(columns, geometry=rows["geometry"], crs=crs)


# Levels at the middles of the cells of a window, NaN where not known, with their easting and northing [m].
def _levels(surface, bounds_m):
    grid, (west, south, east, north) = surface.grid, bounds_m
    first = max(math.floor((west - grid.west_m) / grid.cell_width_m) - 1, 0)
    last = min(math.ceil((east - grid.west_m) / grid.cell_width_m) + 1, grid.columns)
    top = max(math.floor((grid.north_m - north) / grid.cell_height_m) - 1, 0)
    foot = min(math.ceil((grid.north_m - south) / grid.cell_height_m) + 1, grid.rows)
    if first >= last or top >= foot:
        return np.empty((0, 0)), np.empty(0), np.empty(0)
    level_m, known = read_window(surface.dem_path, Window(top, first, foot - top, last - first))
    x_m = grid.west_m + (np.arange(first, last) + 0.5) * grid.cell_width_m
    y_m = grid.north_m - (np.arange(top, foot) + 0.5) * grid.cell_height_m
    return np.where(known, level_m, np.nan).astype(np.float64), x_m, y_m
