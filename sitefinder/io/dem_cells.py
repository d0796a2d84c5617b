"""One look at every cell of the DEM as it was delivered: heights that no ground has, and seams."""

import numpy as np
import rasterio

from sitefinder.errors import InputError
from sitefinder.terrain.seams import find_seams

# No ground of the Earth is higher [m]; the deepest sea floor is about as deep.
MOST_M = 9000.0
# Numbers that commonly stand for missing data in files that do not say so (common practice, no source).
USUAL_MARKS = (-9999.0, -32767.0, -32768.0)


def dem_seams(facts, factor):
    """Seams of a DEM on its own grid, see `sitefinder.terrain.seams.find_seams`.

    Parameters
    ----------
    facts : RasterFacts
    factor : float
        Metres in a unit of the cells.

    Returns
    -------
    DataFrame
        `sitefinder.terrain.seams.SEAM_COLUMNS`.

    Raises
    ------
    InputError
        If a cell holds what no ground does: a height above 9,000 m, or a usual mark of missing data.
    """
    with rasterio.open(facts.path) as raster:

        def read(window):
            place = rasterio.windows.Window(window.column, window.row, window.columns, window.rows)
            values = raster.read(1, window=place).astype(np.float64)
            if facts.nodata is not None:
                values[values == facts.nodata] = np.nan
            _refuse_no_ground(values, factor, facts)
            return values * factor

        return find_seams(read, *facts.shape)


def _refuse_no_ground(values, factor, facts):
    with np.errstate(invalid="ignore"):
        wrong = (np.abs(values) * factor > MOST_M) & np.isfinite(values)
    wrong |= np.isin(values, USUAL_MARKS)
    if wrong.any():
        raise InputError.of(
            "the dem raster holds heights that no ground has",
            file=facts.lineage["path"],
            expected=f"heights up to {MOST_M:g} m; {_marked(facts.nodata)}",
            found=f"cells of {values[wrong][0]:g}",
            fix="state nodata beside the path if that value means no data; else check vertical_unit",
        )


def _marked(nodata):
    return "no value is marked as no data" if nodata is None else f"{nodata:g} is marked as no data"
