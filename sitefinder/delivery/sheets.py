"""The stages of the field sheets and of the map."""

import math

import numpy as np

from sitefinder.dem.grid import Window
from sitefinder.io.raster import read_window
from sitefinder.report.handover import handover_of
from sitefinder.report.sheets import district_map_pdf, field_sheets_pdf
from sitefinder.report.sheets.logo import logo_svg
from sitefinder.report.sheets.plate import Imprint


class Ground:
    """Levels of the DEM for contours: ``rmse_m`` is the median error along the streams [m]."""

    def __init__(self, surface, errors):
        self._surface = surface
        self.rmse_m = float(np.median(errors.rmse_m)) if len(errors.rmse_m) else math.nan

    def levels(self, bounds_m):
        """Levels at the middles of the cells of a window.

        Parameters
        ----------
        bounds_m : sequence of float
            West, south, east and north [m].

        Returns
        -------
        level_m : ndarray of float64, shape (rows, columns)
            NaN where not known.
        x_m, y_m : ndarray of float64
            Easting of columns and northing of rows [m].
        """
        grid, (west, south, east, north) = self._surface.grid, bounds_m
        first = max(math.floor((west - grid.west_m) / grid.cell_width_m) - 1, 0)
        last = min(math.ceil((east - grid.west_m) / grid.cell_width_m) + 1, grid.columns)
        top = max(math.floor((grid.north_m - north) / grid.cell_height_m) - 1, 0)
        foot = min(math.ceil((grid.north_m - south) / grid.cell_height_m) + 1, grid.rows)
        if first >= last or top >= foot:
            return np.empty((0, 0)), np.empty(0), np.empty(0)
        level_m, known = read_window(self._surface.dem_path, Window(top, first, foot - top, last - first))
        x_m = grid.west_m + (np.arange(first, last) + 0.5) * grid.cell_width_m
        y_m = grid.north_m - (np.arange(top, foot) + 0.5) * grid.cell_height_m
        return np.where(known, level_m, np.nan).astype(np.float64), x_m, y_m


# A surface model shows trees and roofs, of which contours would be of no use.
def _ground(made):
    errors = made["dem_errors"]
    return None if len(errors.is_surface) and np.median(errors.is_surface) else Ground(made["surface"], errors)


def make_field_sheets(settings, made, fonts, scratch):
    """An overview and the sheets of the best sites.

    Returns
    -------
    Path
    """
    path = scratch / "field-sheets.pdf"
    path.write_bytes(
        field_sheets_pdf(handover_of(settings, made, fonts, _ground(made)), settings.delivery.field_sheets)
    )
    return path


def make_district_map(settings, made, fonts, logo, scratch):
    """One map of the whole region.

    Returns
    -------
    Path
    """
    path, delivery = scratch / "district-map.pdf", settings.delivery
    contact = delivery.contact
    author = "" if contact is None else ", ".join(filter(None, [contact.name, contact.organisation]))
    imprint = Imprint(author, delivery.date or "", logo_svg(logo[0]) if logo else "")
    path.write_bytes(district_map_pdf(handover_of(settings, made, fonts), imprint))
    return path
